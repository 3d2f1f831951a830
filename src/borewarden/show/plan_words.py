"""Heads, stock, lives and costs in words, the same for terminal and pages."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from typing import NamedTuple
from zoneinfo import ZoneInfo

from borewarden.base.shown import UNITS, chosen, shown
from borewarden.base.statistics import Interval
from borewarden.base.text import probability_words
from borewarden.base.times import local_time
from borewarden.jewels.bore_choice import HourlyCost
from borewarden.jewels.fitting import Fitting
from borewarden.lives.posterior import PRIORS, Column, Posterior
from borewarden.lives.records import tally
from borewarden.lives.replacement import EVEN, Advice, Plan
from borewarden.lives.survival import interval, quantile
from borewarden.planning.outlook import CostRow, JewelKind, Outlook, StockRow
from borewarden.planning.snapshot import MachineSeen, ShopSeen
from borewarden.show.wording import INVENTED, group_words, probable_causes, told_words
from borewarden.watcher.verdict import State

UNKNOWN = "–"
QUANTILE = 1.6449  # standard normal, 95 %
FAR_NS = 2 * 365 * 86_400 * 10**9  # beyond it, a date means nothing

HEAD_COLUMNS = (
    "Machine, head",
    "Jewel",
    "Jet hours",
    "Effective bore",
    "Lasts",
    "Alert",
    "Next planned change",
)
STOCK_COLUMNS = (
    "Jewel",
    "Heads",
    "Stock to hold",
    "Expected use before delivery",
    "On hand",
    "To order",
)
LIFE_COLUMNS = ("Material", "Ended", "Not ended", "Median life", "Fail early")
HEAD_LIFE_COLUMNS = ("Machine, head", "Jewel", "Jet hours", "Median life", "Fail early", "Lasts")
PLAN_COLUMNS = ("Machine, head", "Jewel", "Change at", "Cost per jet hour", "Saves", "Next change")


class Cell(NamedTuple):
    """One cell: what counts, and a note in small print."""

    main: str
    note: str = ""

    def __str__(self) -> str:
        """Both, the note on its own line."""
        return f"{self.main}\n{self.note}" if self.note else self.main


def head_name(machine: str, head: str) -> str:
    """Such as "North, head 1"."""
    return f"{machine}, head {head}"


def kind_words(bore: float, material: str) -> str:
    """Such as "ruby 0.254 mm"; the bore in m."""
    return f"{material} {shown('bore').text(bore)}"


def inch_words(bore: float) -> str:
    """A bore in m as inch, behind one in mm; "" where units were chosen."""
    return "" if chosen("bore") else UNITS["bore"]["in"].text(bore)


def hours_words(hours: float) -> str:
    """Jet hours with no more digits than mean anything."""
    return f"{hours:.1f} h" if hours < 100.0 else f"{hours:,.0f} h"


def share_words(share: Interval) -> Cell:
    """A share in per cent, and its 90 % interval; neither 0 nor 100 unless it is."""

    def words(x: float) -> str:
        if 0.0 < x < 0.005:
            return "<1"
        return ">99" if 0.995 < x < 1.0 else f"{round(100.0 * x):d}"

    ends = dict.fromkeys(words(x) for x in (share.low, share.high))
    return Cell(f"{words(share.middle)} %", f"{' to '.join(ends)} %")


def date_words(time_ns: int, zone: str, at_ns: int) -> str:
    """A day in the machine's calendar; a distant one only as such."""
    if time_ns - at_ns > FAR_NS:
        return "in more than two years"
    day = dt.datetime.fromtimestamp(time_ns // 10**9, dt.UTC).astimezone(ZoneInfo(zone))
    return f"{day:%a %Y-%m-%d}"


# -- one head


def jewel_cell(outlook: Outlook) -> Cell:
    """Bore, material, when fitted, and of which batch."""
    fitting = outlook.head.fitting
    fitted = local_time(fitting.fitted_ns, outlook.machine.time_zone)
    inches = inch_words(fitting.bore)
    notes = [f"{inches}; fitted {fitted}" if inches else f"fitted {fitted}"]
    if fitting.batch:
        notes.append(f"batch {fitting.batch}")
    if not outlook.head.recorded:
        notes.append("not in the register, from the machine file")
    return Cell(kind_words(fitting.bore, fitting.material), "; ".join(notes))


def hours_cell(outlook: Outlook) -> Cell:
    """Jet hours of the jewel, how many of them are as stated, and how many per week."""
    head, pace = outlook.head, outlook.machine.hours_a_week
    if head.age is None:
        return Cell(UNKNOWN, "no telemetry")
    notes = [] if pace is None else [f"{pace:.0f} h per week"]
    if head.hours is None:
        notes.insert(0, "as stated; no telemetry since")
    elif head.fitting.is_stated:
        notes.insert(0, f"{hours_words(head.fitting.earlier_hours)} of them as stated")
    return Cell(hours_words(head.age), "; ".join(notes))


def bore_cell(machine: MachineSeen) -> Cell:
    """Effective bore and where it is going."""
    if not math.isfinite(machine.bore):
        return Cell(UNKNOWN, "no telemetry" if machine.newest_ns is None else "still learning")
    inches = inch_words(machine.bore)
    notes = [inches] if inches else []
    if math.isfinite(machine.area_growth):
        notes.append(f"area {round(100.0 * machine.area_growth, 1) + 0.0:+.1f} %")
    if machine.wear is not None:
        slope, reach = (
            100.0 * machine.wear.line.slope,
            100.0 * QUANTILE * machine.wear.line.slope_sd,
        )
        digits = min(max(1 - math.floor(math.log10(reach)), 1), 4) if reach > 0.0 else 4
        words = f"{round(slope, digits) + 0.0:+.{digits}f} ± {reach:.{digits}f} % per jet hour"
        notes.append(words if abs(slope) > reach else f"no trend: {words}")
    if len(machine.heads) > 1:
        notes.append("of all heads together")
    return Cell(shown("bore").text(machine.bore), "; ".join(notes))


def chance_cell(outlook: Outlook) -> Cell:
    """Chance to last, its interval, and what it is based on."""
    chance, basis = outlook.chance
    if chance is None:
        return Cell(UNKNOWN, basis)
    share = share_words(chance)
    by = basis if chance.low == chance.high else f"{share.note}; by {basis}"
    return Cell(share.main, by)


def alert_cell(machine: MachineSeen) -> Cell:
    """The alert that still holds, with its cause, and its alarms."""
    notes = []
    main = "none"
    if machine.alert is not None:
        verdict = machine.alert.verdict
        main = told_words(verdict)
        if verdict.onset_ns is None:
            notes.append(f"alerted {local_time(machine.alert.time_ns, machine.time_zone)}")
        else:
            notes.append(f"since about {local_time(verdict.onset_ns, machine.time_zone)}")
        causes = probable_causes(verdict)
        if causes:
            notes.append(
                f"cause: {group_words(causes[0])}, {probability_words(causes[0].probability)} "
                f"({INVENTED})"
            )
    for alarm in machine.alarms:
        if alarm.about == "sight":
            main = "Blind" if main == "none" else f"{main}; blind"
            notes.append(f"can't see the machine: {alarm.reason}")
        notes.append(f"alarm {alarm.state.value}")
    if main == "none" and machine.newest_ns is None:
        return Cell(UNKNOWN, "no telemetry since the jewel was fitted")
    if main == "none" and machine.state in (None, State.LEARNING):
        return Cell("none", "still learning this jewel")
    return Cell(main, "; ".join(dict.fromkeys(notes)))


def change_cell(outlook: Outlook, at_ns: int) -> Cell:
    """When to change the jewel next, and why then."""
    hours, time_ns, why = outlook.change
    if hours is None:
        return Cell(UNKNOWN, why)
    if math.isinf(hours):
        return Cell("when it fails", why)
    if hours == 0.0:
        return Cell("now", why)
    if time_ns is None:
        return Cell(f"in {hours_words(hours)}", why)
    date = date_words(time_ns, outlook.machine.time_zone, at_ns)
    return Cell(date, f"in {hours_words(hours)} of jet time; {why}")


def head_cells(outlook: Outlook, at_ns: int) -> tuple[Cell, ...]:
    """A row under `HEAD_COLUMNS`."""
    machine = outlook.machine
    newest = machine.newest_ns
    seen = (
        "no telemetry" if newest is None else f"last seen {local_time(newest, machine.time_zone)}"
    )
    return (
        Cell(head_name(machine.name, outlook.head.fitting.head), seen),
        jewel_cell(outlook),
        hours_cell(outlook),
        bore_cell(machine),
        chance_cell(outlook),
        alert_cell(machine),
        change_cell(outlook, at_ns),
    )


# -- stock, plan, cost


def _si(kind: JewelKind) -> tuple[float, str]:
    return kind[0] * 1e-6, kind[1]


def stock_cells(row: StockRow) -> tuple[Cell, ...]:
    """A row under `STOCK_COLUMNS`."""
    demand = hold = UNKNOWN
    if row.stock is not None:
        hold = str(row.stock.hold)
        low, middle, high = row.stock.demand
        demand = f"{middle:.0f} ({low:.0f} to {high:.0f})"
    there = UNKNOWN
    if row.on_hand is not None:
        there = f"{row.on_hand}" + (f", {row.on_order} on order" if row.on_order else "")
    order = UNKNOWN if row.to_order is None else str(row.to_order)
    return (
        Cell(kind_words(*_si(row.kind)), inch_words(_si(row.kind)[0])),
        Cell(str(row.heads)),
        Cell(hold),
        Cell(demand),
        Cell(there),
        Cell(order, row.note),
    )


def plan_cells(outlook: Outlook, currency: str, at_ns: int) -> tuple[Cell, ...]:
    """A row under `PLAN_COLUMNS`."""
    planned = outlook.plan
    assert planned is not None
    fitting = outlook.head.fitting
    change = change_cell(outlook, at_ns)
    return (
        Cell(head_name(outlook.machine.name, fitting.head)),
        Cell(kind_words(fitting.bore, fitting.material)),
        _advice_cell(planned),
        _money(planned.cost_rate, currency),
        _saving_cell(planned),
        Cell(change.main, "" if planned.advice is Advice.RUN else change.note),
    )


def _age(age: float) -> str:
    return "its failure" if math.isinf(age) else hours_words(age)


def _advice_cell(planned: Plan) -> Cell:
    if planned.advice is Advice.NO_DIFFERENCE:
        return Cell("no difference", f"at {hours_words(planned.best)} or at its failure")
    return Cell(_age(planned.age))


def _saving_cell(planned: Plan) -> Cell:
    if planned.advice is Advice.RUN:
        return Cell("nothing", "no planned change saves 1 % or more")
    if planned.advice is Advice.NO_DIFFERENCE:
        note = f"less than {100.0 * EVEN:.0f} % on average; {share_words(planned.saving).note}"
        return Cell("no clear saving", note)
    share = share_words(planned.saving)
    chance = probability_words(planned.cheaper)
    return Cell(share.main, f"{share.note}; {chance} chance of being cheaper")


def _money(amount: Interval, currency: str) -> Cell:
    return Cell(f"{amount.middle:.2f} {currency}", f"{amount.low:.2f} to {amount.high:.2f}")


def cost_table(rows: Sequence[CostRow], currency: str) -> list[tuple[Cell, ...]]:
    """A column for each material, a line for each part of its cost per jet hour."""

    def line(name: str, of: Callable[[CostRow], Cell]) -> tuple[Cell, ...]:
        return Cell(name), *(of(row) for row in rows)

    return [
        line("price", lambda row: Cell(f"{row.price:g}")),
        line("change at", lambda row: Cell(_age(row.age))),
        line("mean life", lambda row: Cell(*_span(row.life, " h", 0))),
        line("fail during a cut", lambda row: Cell(f"{round(100.0 * row.failed_share):d} %")),
        *(
            line(part.replace("_", " "), lambda row, i=i: Cell(f"{row.parts[i]:.2f}"))  # type: ignore[misc]
            for i, part in enumerate(HourlyCost._fields)
        ),
        line("total", lambda row: Cell(*_span(row.total, f" {currency}", 2))),
    ]


def even_words(row: CostRow, currency: str) -> str:
    """Below what price, or above what life, a material is the cheapest."""

    def words(x: Interval, unit: str) -> str:
        middle, ends = _span(x, unit, 0)
        return f"{middle} (90 %: {ends})"

    if row.even_price.middle < 0.0:
        price = "costs more even if free"
    else:
        price = f"costs less below {words(row.even_price, f' {currency}')} each, now {row.price:g}"
    if math.isinf(row.even_life.middle):
        life = "at its price it costs more, however long it lasts"
    else:
        life = f"at its price it costs less if its mean life is above {words(row.even_life, ' h')}"
    gap = ""
    if row.more.low <= 0.0 <= row.more.high:
        low, high = -row.more.high, -row.more.low
        gap = f"no clear difference ({low:+.2f} to {high:+.2f} {currency} saved an hour); "
    return (
        f"{row.material}, against {row.versus}: {gap}{price}; {life}, now {words(row.life, ' h')}"
    )


def _span(x: Interval, unit: str, digits: int) -> tuple[str, str]:
    """The middle with its unit, and the ends."""
    high = "no bound" if math.isinf(x.high) else f"{x.high:,.{digits}f}"
    return f"{x.middle:,.{digits}f}{unit}", f"{x.low:,.{digits}f} to {high}"


# -- lives


def life_cells(seen: ShopSeen, posterior: Posterior, material: str) -> tuple[Cell, ...]:
    """A row under `LIFE_COLUMNS`, under the shop's average conditions."""
    counts = tally(seen.jewels, material)
    lives = posterior.lives(material)
    median = interval(quantile(lives, 0.5))
    unknown = f"{counts.unknown} for unknown reasons" if counts.unknown else ""
    notes = [f"{counts.fitted} still fitted, {counts.sound} removed in good condition"]
    if counts.lost:
        notes.append(f"{counts.lost} lost track of")
    if counts.no_hours:
        notes.append(f"{counts.no_hours} more left out: jet hours not known")
    return (
        Cell(material, f"hours of {counts.stated} as stated" if counts.stated else ""),
        Cell(str(counts.ended), unknown),
        Cell(str(counts.fitted + counts.sound + counts.lost), "; ".join(notes)),
        Cell(f"{median.middle:,.0f} h", f"{median.low:,.0f} to {median.high:,.0f}"),
        share_words(interval(lives.early_share)),
    )


def head_life_cells(outlook: Outlook, lives_median: Interval, early: Interval) -> tuple[Cell, ...]:
    """A row under `HEAD_LIFE_COLUMNS`: the jewel under the conditions of its own head."""
    fitting = outlook.head.fitting
    return (
        Cell(head_name(outlook.machine.name, fitting.head)),
        Cell(kind_words(fitting.bore, fitting.material), conditions_words(fitting)),
        hours_cell(outlook),
        Cell(
            f"{lives_median.middle:,.0f} h", f"{lives_median.low:,.0f} to {lives_median.high:,.0f}"
        ),
        share_words(early),
        chance_cell(outlook),
    )


def conditions_words(fitting: Fitting) -> str:
    """The conditions that the register states; the others count as the shop's average."""
    yes_no = {True: "", False: "no "}
    words = [] if fitting.tds_ppm is None else [f"{fitting.tds_ppm:.0f} ppm"]
    for stated, name in (
        (fitting.low_pressure_start, "low-pressure start"),
        (fitting.mixing_chamber, "mixing chamber"),
        (fitting.last_chance_filter, "last-chance filter"),
    ):
        if stated is not None:
            words.append(yes_no[stated] + name)
    return ", ".join(words) or "conditions not known"


def prior_words() -> list[str]:
    """What is assumed of each material before any record, and its source."""
    return [
        f"{material}: {100.0 * prior.early:.0f} % fail early, the rest last {prior.life:g} h "
        f"at the median ({prior.source})"
        for material, prior in PRIORS.items()
    ]


_STEPS = {
    "tds_ppm": "100 ppm more dissolved solids",
    "low_pressure_start": "low-pressure start",
}


def effect_words(effects: Sequence[tuple[Column, Interval]]) -> list[str]:
    """How each condition changes life, one a line."""
    lines = []
    for column, factor in effects:
        name = column.kind or _STEPS[column.field]
        clear = "" if factor.low > 1.0 or factor.high < 1.0 else "; no clear effect"
        lines.append(
            f"{name}: life times {factor.middle:.2f} "
            f"(90 %: {factor.low:.2f} to {factor.high:.2f}){clear}"
        )
    return lines


# -- the whole shift


def urgency(outlook: Outlook) -> tuple[int, float]:
    """Sort key of heads: those that need somebody come first."""
    machine, chance = outlook.machine, outlook.chance.chance
    raised = machine.alert is not None or bool(machine.alarms)
    return (0 if raised else 1, 1.0 if chance is None else chance.middle)


def to_do(outlooks: Sequence[Outlook], stock: Sequence[StockRow], hours: float) -> list[str]:
    """What this shift should do, the most urgent first; empty if nothing stands out."""
    blind = sorted({o.machine.name for o in outlooks if o.machine.newest_ns is None})
    lines = [f"{', '.join(blind)}: not watched, no telemetry."] if blind else []
    told = set()
    for outlook in outlooks:
        name = head_name(outlook.machine.name, outlook.head.fitting.head)
        alert = alert_cell(outlook.machine)
        if alert.main not in ("none", UNKNOWN) and outlook.machine.name not in told:
            told.add(outlook.machine.name)
            lines.append(f"{outlook.machine.name}: {alert.main.lower()}; {alert.note}.")
        due = outlook.change.hours
        if due is not None and due <= hours:
            when = "now" if due == 0.0 else f"within {hours_words(due)} of jet time"
            first = "confirm it as the verdict says, then " if due == 0.0 else ""
            lines.append(f"{name}: {first}change the jewel {when} ({outlook.change.why}).")
        chance = outlook.chance.chance
        if chance is not None and chance.middle < 0.5:
            share = share_words(chance).main
            lines.append(
                f"{name}: {share} chance to last {hours:g} h more ({outlook.chance.basis})."
            )
    for row in stock:
        if row.to_order:
            lying = (row.on_hand or 0) + row.on_order
            needed = f", {row.due} needed now" if row.due else ""
            lines.append(
                f"Order {row.to_order} of {kind_words(*_si(row.kind))}: "
                f"{row.stock.hold if row.stock else 0} to hold{needed}, {lying} on hand or ordered."
            )
    return lines


def missing(seen: ShopSeen, outlooks: Sequence[Outlook], assumes_costs: bool = False) -> list[str]:
    """What is not known, and how to change that; `assumes_costs` where the usual ones are used."""
    lines = []
    if not seen.shop.states_costs:
        then = "the plans above use invented ones" if assumes_costs else "no changes are planned"
        lines.append(f"No costs are stated, so {then}. Add [costs] to shop.toml.")
    if not assumes_costs and not seen.shop.states_stock:
        lines.append("No lead time is stated, so no stock is worked out. Add [stock] to shop.toml.")
    unrecorded = [
        head_name(o.machine.name, o.head.fitting.head) for o in outlooks if not o.head.recorded
    ]
    if unrecorded:
        lines.append(f"Not in the register: {'; '.join(unrecorded)}. Record what is fitted.")
    blind = [machine.name for machine in seen.machines if machine.newest_ns is None]
    if blind:
        lines.append(f"No telemetry since the jewel was fitted: {', '.join(blind)}.")
    empty = [machine.name for machine in seen.machines if not machine.heads]
    if empty:
        lines.append(f"No fitted jewel is known: {', '.join(empty)}.")
    return lines

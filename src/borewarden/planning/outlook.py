"""What to expect of each head, and what to order: pure functions of what was seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from borewarden.base.statistics import Interval
from borewarden.detect.ahead import hours_to
from borewarden.diagnose.groups import named_with
from borewarden.jewels.bore_choice import (
    JEWEL_COSTS,
    HourlyCost,
    JewelCost,
    break_even_life,
    break_even_price,
    hourly_cost,
)
from borewarden.lives.posterior import Posterior
from borewarden.lives.records import conditions_of
from borewarden.lives.replacement import Advice, Costs, Plan, hours_to_change, plan
from borewarden.lives.stock import Head, Stock, jewels_to_hold
from borewarden.lives.survival import (
    Array,
    Lives,
    chance_to_last,
    chance_to_last_given_wear,
    lasts_given_wear,
    mean_life,
    quantile,
    survival,
)
from borewarden.planning.snapshot import WEEK_NS, HeadSeen, MachineSeen
from borewarden.settings import ShopSettings
from borewarden.watcher.verdict import State, is_no_more_than_even

WEAR_LAWS = 100  # draws of the posterior that are enough for a mean; the jewel's own wear tells
WEAR_AGES = 80  # ages between which the cheapest is looked for
ONE_OF_THEM = "one bore on this pump has probably opened up; the pump can't tell which"

JewelKind = tuple[float, str]  # bore in whole µm, material


class Chance(NamedTuple):
    """Chance that a jewel lasts so many hours more, and what it is based on."""

    chance: Interval | None  # None: not known
    basis: str


class Change(NamedTuple):
    """When to change a jewel: `hours` from now; infinite: when it fails; None: not known."""

    hours: float | None
    time_ns: int | None  # by the jet hours per week
    why: str


class Outlook(NamedTuple):
    """What to expect of one head. `plan` is None if no costs are stated."""

    machine: MachineSeen
    head: HeadSeen
    chance: Chance
    plan: Plan | None
    change: Change


class StockRow(NamedTuple):
    """Jewels of one kind; None if not known or not stated.

    `due` is the number of heads that need one now; `stock` is for the time after.
    """

    kind: JewelKind
    heads: int
    due: int
    stock: Stock | None
    on_hand: int | None
    on_order: int
    to_order: int | None
    note: str


class CostRow(NamedTuple):
    """What a jet hour of one material costs, and the price or life at which it is the cheapest.

    `age` is the planned one (infinite: run to failure), `life` the mean jet hours up to a change
    or failure, `failed_share` the share that fails before. `parts` are means over the posterior,
    as is the middle of `total`. Break-even and `more`, what this one costs more, are against
    `versus`, the cheapest other material, on the same draws.
    """

    material: str
    price: float
    age: float
    life: Interval
    failed_share: float
    parts: HourlyCost
    total: Interval
    versus: str
    more: Interval
    even_price: Interval
    even_life: Interval


def kind_of(bore: float, material: str) -> JewelKind:
    """Bore and material; bores that differ by less than a micrometre are the same."""
    return round(bore * 1e6), material


def chance_of(machine: MachineSeen, head: HeadSeen, lives: Lives, hours: float) -> Chance:
    """Chance that the jewel of `head` lasts `hours` more, by its wear line if that may count.

    A pump shows the area of all its heads together, so the line counts only for a single head, and
    only while the watcher finds no other fault.
    """
    if machine.state is State.OPENED and len(machine.heads) > 1:
        return Chance(None, ONE_OF_THEM)
    if machine.state is State.OPENED:
        return Chance(Interval(0.0, 0.0, 0.0), f"the bore {_opened(machine)}")
    if head.age is None:
        return Chance(None, "no telemetry since it was fitted")
    plain = chance_to_last(lives, head.age, hours)
    if len(machine.heads) > 1:
        return Chance(plain, "records; the pump can't tell which head wears")
    if machine.wear is None:
        return Chance(plain, "records; no wear line yet")
    if machine.state not in (State.SOUND, State.WEARING):
        return Chance(plain, "records; its wear can't be judged now")
    limit = math.log1p(machine.limit)
    line, now = machine.wear
    worn = chance_to_last_given_wear(lives, head.age, hours, line, now, limit)
    return Chance(worn, "records and its own wear" if worn.high > 0.0 else "worn to the limit")


def _opened(machine: MachineSeen) -> str:
    """That the bore has, or whatever looks the same on this machine."""
    beliefs = machine.alert.verdict.causes if machine.alert is not None else ()
    other = ", or another fault that looks the same" if beliefs and named_with(beliefs) else ""
    doubtful = machine.alert is not None and is_no_more_than_even(machine.alert.verdict)
    return f"{'may have' if doubtful else 'has probably'} opened up{other}"


class OwnWear(NamedTuple):
    """What a head's own wear is weighed with: the laws of life, and what the ends cost."""

    lives: Lives
    costs: Costs


def change_of(
    machine: MachineSeen,
    head: HeadSeen,
    planned: Plan | None,
    at_ns: int,
    own: OwnWear | None = None,
) -> Change:
    """When to change the jewel of `head`: at the planned age, or before its wear is at the limit.

    With `own`, the planned age is that of this very jewel wherever its wear line may count, see
    `chance_of`. A limit that is near counts once the watcher reports wear, with the lower end of
    its 90 % interval.
    """
    if machine.state is State.OPENED and len(machine.heads) > 1:
        return Change(None, None, ONE_OF_THEM)
    if machine.state is State.OPENED:
        return Change(0.0, at_ns, f"it {_opened(machine)}")
    options = []
    if planned is not None and head.age is not None:
        worn = _change_by_wear(machine, head.age, planned, own)
        options.append(worn or (max(planned.age - head.age, 0.0), _WHY[planned.advice]))
    if machine.state is State.WEARING and machine.wear is not None and len(machine.heads) == 1:
        line, now = machine.wear
        left = hours_to(math.log1p(machine.limit), line, now)
        options.append((left.low, "wear, which may speed up"))
    if not options:
        missing = "no costs stated" if planned is None else "no telemetry since it was fitted"
        return Change(None, None, missing)
    hours, why = min(options)
    pace = machine.hours_a_week
    if math.isinf(hours):
        return Change(hours, None, why)
    if hours == 0.0:
        return Change(0.0, at_ns, why)
    if not pace:
        return Change(hours, None, f"{why}; no date: jet hours per week not known")
    return Change(hours, at_ns + round(hours / pace * WEEK_NS), why)


_WHY = {
    Advice.CHANGE: "planned age",
    Advice.RUN: "run to failure costs least",
    Advice.NO_DIFFERENCE: "no difference between a planned change and running to failure",
}


def _change_by_wear(
    machine: MachineSeen, age: float, planned: Plan, own: OwnWear | None
) -> tuple[float, str] | None:
    """Hours until this jewel is best changed, by its own wear; None if that may not count."""
    judged = machine.state in (State.SOUND, State.WEARING)
    if own is None or machine.wear is None or len(machine.heads) > 1 or not judged:
        return None
    line, now = machine.wear
    limit = math.log1p(machine.limit)
    if line.level + line.slope * now >= limit:
        return 0.0, "worn to the limit"
    lives = Lives(*(x[:: max(len(own.lives) // WEAR_LAWS, 1)] for x in own.lives))
    longest = float(np.max(quantile(lives, 0.99)))
    left = np.concatenate([[0.0], np.geomspace(longest / 1000.0, longest, WEAR_AGES)])
    chance = np.mean(lasts_given_wear(lives, age, left, machine.wear, limit), axis=0)
    rate = min(planned.cost_rate.middle, planned.run_to_failure.middle)
    hours = hours_to_change(left, chance, own.costs, rate)
    if math.isinf(hours):
        return hours, "running it to failure costs least, by its own wear"
    return hours, "planned by its own wear"


def outlook_of(
    machine: MachineSeen,
    head: HeadSeen,
    posterior: Posterior,
    shop: ShopSettings | None,
    hours: float,
    at_ns: int,
) -> Outlook:
    """The whole outlook of one head; without `shop`, no plan."""
    fitting = head.fitting
    lives = posterior.lives(fitting.material, conditions_of(fitting))
    planned, own = None, None
    if shop:
        own = OwnWear(lives, shop.end_costs(fitting.material))
        planned = plan(*own)
    return Outlook(
        machine,
        head,
        chance_of(machine, head, lives, hours),
        planned,
        change_of(machine, head, planned, at_ns, own),
    )


def stock_of(
    outlooks: Sequence[Outlook], posterior: Posterior, shop: ShopSettings
) -> list[StockRow]:
    """Jewels to hold and to order, of every kind that is fitted or on the shelf."""
    kinds: dict[JewelKind, list[Outlook]] = {}
    for outlook in outlooks:
        fitting = outlook.head.fitting
        kinds.setdefault(kind_of(fitting.bore, fitting.material), []).append(outlook)
    shelves = {kind_of(shelf.bore, shelf.material): shelf for shelf in shop.shelf}
    rows = []
    for kind in sorted({*kinds, *shelves}, key=lambda kind: (kind[1], kind[0])):
        own, shelf = kinds.get(kind, []), shelves.get(kind)
        paced = [outlook for outlook in own if outlook.machine.hours_a_week is not None]
        due = sum(outlook.change.hours == 0.0 for outlook in own)
        stock = None
        if paced or not own:
            stock = jewels_to_hold(
                [_stock_head(outlook, posterior) for outlook in paced],
                shop.stock.lead_time,
                shop.stock.service,
            )
        notes = []
        if due:
            notes.append(f"{due} needed now")
        if len(paced) < len(own):
            uncounted = len(own) - len(paced)
            heads = "head" if uncounted == 1 else "heads"
            notes.append(f"{uncounted} {heads} not counted: jet hours per week not known")
        if shelf is None:
            notes.append("shelf stock not stated")
        to_order = None
        if stock is not None and shelf is not None:
            to_order = max(due + stock.hold - shelf.on_hand - shelf.on_order, 0)
        rows.append(
            StockRow(
                kind,
                len(own),
                due,
                stock,
                shelf.on_hand if shelf else None,
                shelf.on_order if shelf else 0,
                to_order,
                "; ".join(notes),
            )
        )
    return rows


def _stock_head(outlook: Outlook, posterior: Posterior) -> Head:
    """The head as a user of jewels; one that needs a new jewel now starts with that.

    The present jewel is changed when its own outlook says, be it by its wear.
    """
    fitting = outlook.head.fitting
    assert outlook.machine.hours_a_week is not None
    due = outlook.change.hours == 0.0
    return Head(
        posterior.lives(fitting.material, conditions_of(fitting)),
        outlook.machine.hours_a_week,
        0.0 if due else outlook.head.age or 0.0,
        outlook.plan.age if outlook.plan else math.inf,
        None if due else outlook.change.hours,
    )


def costs_of(posterior: Posterior, shop: ShopSettings) -> list[CostRow]:
    """A row for each material, under the shop's average conditions and its own best plan."""
    rest = shop.shop_cost()
    ages: dict[str, float] = {}
    jewels: dict[str, list[JewelCost]] = {}  # one per draw of the posterior
    for material in JEWEL_COSTS:
        lives = posterior.lives(material)
        age = ages[material] = plan(lives, shop.end_costs(material)).age
        life, failed = mean_life(lives, age)[:, 0], 1.0 - survival(lives, age)[:, 0]
        jewels[material] = [
            shop.jewel_cost(material, hours, share)
            for hours, share in zip(life.tolist(), failed.tolist(), strict=True)
        ]
    costs = {
        material: np.array([hourly_cost(jewel, rest) for jewel in own])
        for material, own in jewels.items()
    }
    rows = []
    for material, own in jewels.items():
        others = [other for other in costs if other != material]
        versus = min(others, key=lambda other: float(np.mean(costs[other].sum(axis=1))))
        pairs = list(zip(own, jewels[versus], strict=True))
        rows.append(
            CostRow(
                material,
                own[0].price,
                ages[material],
                _spread([jewel.life_hours for jewel in own]),
                float(np.mean([jewel.failed_share for jewel in own])),
                HourlyCost(*(float(x) for x in costs[material].mean(axis=0))),
                _spread(costs[material].sum(axis=1)),
                versus,
                _spread(costs[material].sum(axis=1) - costs[versus].sum(axis=1)),
                _spread([break_even_price(jewel, other, rest) for jewel, other in pairs]),
                _spread([break_even_life(jewel, other, rest) for jewel, other in pairs]),
            )
        )
    return rows


def _spread(draws: Sequence[float] | Array) -> Interval:
    """Mean of `draws` between the ends of their central 90 %; their median if any is infinite."""
    low, median, high = np.quantile(draws, [0.05, 0.5, 0.95], method="inverted_cdf")
    mean = float(np.mean(draws)) if np.all(np.isfinite(draws)) else float(median)
    return Interval(float(low), min(max(mean, float(low)), float(high)), float(high))

"""How long jewels last, when to change them, what to order, and what the next shift needs."""

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.files import check_output
from borewarden.base.shown import show_in
from borewarden.cli.stores import WATCHED, elsewhere
from borewarden.cli.terminal import AsJson, app, print_json, print_table, refusing, say, warn
from borewarden.inspection.cautions import CAUTIONS, caution_lines
from borewarden.lives.posterior import Posterior, learn
from borewarden.lives.records import records_of
from borewarden.planning.outlook import Outlook, StockRow, costs_of, outlook_of, stock_of
from borewarden.planning.snapshot import ShopSeen, see_shop
from borewarden.show import plan_objects as objects
from borewarden.show import plan_words as words
from borewarden.show.shift_page import (
    as_of,
    basis,
    head_columns,
    head_life_columns,
    head_lives,
    stock_note,
    write_lives,
    write_shift,
)

Config = Annotated[
    Path, typer.Option(help="Folder of machine files with shop.toml, or one machine file.")
]
Store = Annotated[Path, typer.Option(help="Embedded store, with the register.")]
Hours = Annotated[float, typer.Option(help="Jet hours to last: a shift, or a job.", min=0.0)]
At = Annotated[
    dt.datetime | None,
    typer.Option(
        help="As things stood at this local time.",
        formats=["%Y-%m-%dT%H:%M", "%Y-%m-%d"],
        show_default="now",
    ),
]
Report = Annotated[Path, typer.Option(help="Page to write.")]


@app.command("shift")
def shift_command(
    config: Config,
    store: Store = WATCHED,
    hours: Hours = 8.0,
    report: Report = Path("reports/shift.html"),
    at: At = None,
    as_json: AsJson = False,
) -> None:
    """What the next shift needs to know, on one page."""
    with refusing("shift"):
        check_output("--report", report, [config, store])
        seen, posterior = _learned(config, store, at)
        outlooks = _outlooks(seen, posterior, hours, only_stated=True)
        stated = seen.shop.states_stock
        stock = stock_of(outlooks, posterior, seen.shop) if stated else []
        report.parent.mkdir(parents=True, exist_ok=True)
        write_shift(seen, outlooks, stock, hours, report)
    due = words.to_do(outlooks, stock, hours)
    unknown = words.missing(seen, outlooks)
    if as_json:
        print_json(
            {
                "at_ns": seen.at_ns,
                "hours": hours,
                "cautions": CAUTIONS,
                "to_do": due,
                "heads": [objects.head_object(outlook) for outlook in outlooks],
                "stock": [objects.stock_object(row) for row in stock],
                "missing": unknown,
                "report": report,
            }
        )
        return
    say(as_of(seen), *(f"- {line}" for line in CAUTIONS))
    _list("This shift", due or ["nothing stands out"])
    columns = head_columns(hours)
    for outlook in outlooks:
        name, *cells = words.head_cells(outlook, seen.at_ns)
        print_table(("", ""), zip(columns[1:], cells, strict=True), str(name), header=False)
    if stock:
        _stock_table(stock)
        say(stock_note(seen))
    _list("Not known", unknown)
    _list("Based on", basis(seen))
    say(f"report: {report}")


@app.command("life")
def life_command(
    config: Config,
    store: Store = WATCHED,
    hours: Hours = 8.0,
    report: Report = Path("reports/life.html"),
    at: At = None,
    as_json: AsJson = False,
) -> None:
    """How long jewels last here, by material and head."""
    with refusing("life"):
        check_output("--report", report, [config, store])
        seen, posterior = _learned(config, store, at)
        outlooks = _outlooks(seen, posterior, hours, only_stated=True)
        report.parent.mkdir(parents=True, exist_ok=True)
        write_lives(seen, outlooks, posterior, hours, report)
    if as_json:
        lives = objects.lives_object(seen, outlooks, posterior)
        print_json({"hours": hours, **lives, "report": report})
        return
    print_table(
        words.LIFE_COLUMNS,
        [words.life_cells(seen, posterior, material) for material in posterior.materials],
        "Materials, at the shop's average conditions",
    )
    print_table(
        head_life_columns(hours),
        head_lives(outlooks, posterior),
        "Heads, each under its own conditions",
    )
    effects = words.effect_words(posterior.effects()) or ["no conditions are recorded"]
    _list("How conditions change jewel life", effects)
    _list("Starting assumptions", words.prior_words())
    _list("Based on", basis(seen))
    say(f"report: {report}")


@app.command("plan")
def plan_command(
    config: Config, store: Store = WATCHED, at: At = None, as_json: AsJson = False
) -> None:
    """At what age to change each jewel, and when that is."""
    with refusing("plan"):
        seen, posterior = _learned(config, store, at)
        outlooks = _outlooks(seen, posterior, 8.0, only_stated=False)
    currency = seen.shop.currency
    costs = {
        material: seen.shop.end_costs(material)
        for material in sorted({outlook.head.fitting.material for outlook in outlooks})
    }
    if as_json:
        heads = [objects.plan_object(outlook) for outlook in outlooks]
        told = {"at_ns": seen.at_ns, "currency": currency, "cautions": CAUTIONS}
        print_json({**told, "heads": heads, "costs": costs})
        return
    say(*caution_lines())
    rows = [words.plan_cells(outlook, currency, seen.at_ns) for outlook in outlooks]
    print_table(words.PLAN_COLUMNS, rows, "Planned changes")
    for material, each in costs.items():
        say(
            f"{material}: a planned change costs {each.planned:.2f} {currency}, a failure "
            f"{each.failed:.2f} {currency}"
        )
    _list("Not known", words.missing(seen, outlooks, assumes_costs=True))
    _list("Based on", basis(seen))


@app.command("stock")
def stock_command(
    config: Config, store: Store = WATCHED, at: At = None, as_json: AsJson = False
) -> None:
    """How many jewels to hold of each kind, and what to order."""
    with refusing("stock"):
        seen, posterior = _learned(config, store, at)
        outlooks = _outlooks(seen, posterior, 8.0, only_stated=False)
        stock = stock_of(outlooks, posterior, seen.shop)
    if as_json:
        rows = [objects.stock_object(row) for row in stock]
        weeks = seen.shop.stock.lead_time
        print_json({"at_ns": seen.at_ns, "lead_time_weeks": weeks, "stock": rows})
        return
    _stock_table(stock)
    say(stock_note(seen))
    _list("Based on", basis(seen))


@app.command("costs")
def costs_command(
    config: Config, store: Store = WATCHED, at: At = None, as_json: AsJson = False
) -> None:
    """What a jet hour costs by material, all downstream included."""
    with refusing("costs"):
        seen, posterior = _learned(config, store, at)
        rows = costs_of(posterior, seen.shop)
    currency = seen.shop.currency
    if as_json:
        materials = [objects.cost_object(row) for row in rows]
        print_json({"at_ns": seen.at_ns, "currency": currency, "materials": materials})
        return
    columns = ("", *(row.material for row in rows))
    print_table(columns, words.cost_table(rows, currency), f"Cost of a jet hour, {currency}")
    _list("Break-even", [words.even_words(row, currency) for row in rows])
    _list("Based on", basis(seen))


def _learned(config: Path, store: Path, at: dt.datetime | None) -> tuple[ShopSeen, Posterior]:
    seen = see_shop(config, store, at)
    show_in(seen.units)
    for line in elsewhere(store, [machine.name for machine in seen.machines]):
        warn(f"note: {line}")
    return seen, learn(records_of(seen.jewels))


def _outlooks(
    seen: ShopSeen, posterior: Posterior, hours: float, only_stated: bool
) -> list[Outlook]:
    """Every head's outlook, the most urgent first; planned by stated costs only, if so wished."""
    shop = None if only_stated and not seen.shop.states_costs else seen.shop
    return sorted(
        (
            outlook_of(machine, head, posterior, shop, hours, seen.at_ns)
            for machine in seen.machines
            for head in machine.heads
        ),
        key=words.urgency,
    )


def _stock_table(stock: Sequence[StockRow]) -> None:
    rows = [words.stock_cells(row) for row in stock]
    print_table(words.STOCK_COLUMNS, rows, "Jewels to stock and to order")


def _list(title: str, lines: Sequence[str]) -> None:
    if lines:
        say(title, *(f"- {line}" for line in lines))

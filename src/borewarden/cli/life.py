"""How long jewels last, when to change them, what to order, and what the next shift needs."""

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.box import SIMPLE
from rich.table import Table
from rich.text import Text

from borewarden.cli.terminal import app, out, refusing
from borewarden.inspection.cautions import CAUTIONS
from borewarden.lives.posterior import Posterior, learn
from borewarden.lives.records import records_of
from borewarden.planning.outlook import Outlook, costs_of, outlook_of, stock_of
from borewarden.planning.snapshot import ShopSeen, see_shop
from borewarden.show.plan_words import (
    LIFE_COLUMNS,
    PLAN_COLUMNS,
    STOCK_COLUMNS,
    Cell,
    cost_table,
    effect_words,
    even_words,
    head_cells,
    life_cells,
    missing,
    plan_cells,
    prior_words,
    stock_cells,
    to_do,
    urgency,
)
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
STORE = Path("borewarden.db")


@app.command("shift")
def shift_command(
    config: Config,
    store: Store = STORE,
    hours: Hours = 8.0,
    report: Annotated[Path, typer.Option(help="Page to write.")] = Path("reports/shift.html"),
    at: At = None,
) -> None:
    """What the next shift needs to know, on one page."""
    with refusing("shift"):
        seen, posterior = _learned(config, store, at)
        outlooks = _outlooks(seen, posterior, hours, only_stated=True)
        stated = seen.shop.states_stock
        stock = stock_of(outlooks, posterior, seen.shop) if stated else []
        report.parent.mkdir(parents=True, exist_ok=True)
        write_shift(seen, outlooks, stock, hours, report)
    _say(as_of(seen))
    for line in CAUTIONS:
        _say(f"- {line}")
    _list("This shift", to_do(outlooks, stock, hours) or ["nothing stands out"])
    columns = head_columns(hours)
    for outlook in outlooks:
        name, *cells = head_cells(outlook, seen.at_ns)
        title = Text(str(name))  # what people typed is no markup
        table = Table("", "", box=SIMPLE, show_header=False, title=title, title_justify="left")
        for column, cell in zip(columns[1:], cells, strict=True):
            table.add_row(column, Text(str(cell)))
        out.print(table)
    if stock:
        _table("Jewels to hold and to order", STOCK_COLUMNS, [stock_cells(row) for row in stock])
        _say(stock_note(seen))
    _list("Not known", missing(seen, outlooks))
    _list("What this rests on", basis(seen))
    _say(f"report: {report}")


@app.command("life")
def life_command(
    config: Config,
    store: Store = STORE,
    hours: Hours = 8.0,
    report: Annotated[Path, typer.Option(help="Page to write.")] = Path("reports/life.html"),
    at: At = None,
) -> None:
    """How long jewels last here, by material and head."""
    with refusing("life"):
        seen, posterior = _learned(config, store, at)
        outlooks = _outlooks(seen, posterior, hours, only_stated=True)
        report.parent.mkdir(parents=True, exist_ok=True)
        write_lives(seen, outlooks, posterior, hours, report)
    _table(
        "Materials, at the shop's average conditions",
        LIFE_COLUMNS,
        [life_cells(seen, posterior, material) for material in posterior.materials],
    )
    _table(
        "Heads, under their own conditions",
        head_life_columns(hours),
        head_lives(outlooks, posterior),
    )
    effects = effect_words(posterior.effects()) or ["no conditions are recorded"]
    _list("What conditions do to life", effects)
    _list("Believed before any record", prior_words())
    _list("What this rests on", basis(seen))
    _say(f"report: {report}")


@app.command("plan")
def plan_command(config: Config, store: Store = STORE, at: At = None) -> None:
    """At what age to change each jewel, and when that is."""
    with refusing("plan"):
        seen, posterior = _learned(config, store, at)
        outlooks = _outlooks(seen, posterior, 8.0, only_stated=False)
    currency = seen.shop.currency
    rows = [plan_cells(outlook, currency, seen.at_ns) for outlook in outlooks]
    _table("Planned changes", PLAN_COLUMNS, rows)
    for material in sorted({outlook.head.fitting.material for outlook in outlooks}):
        costs = seen.shop.end_costs(material)
        _say(
            f"{material}: a planned change costs {costs.planned:.2f} {currency}, a failure "
            f"{costs.failed:.2f} {currency}"
        )
    _list("Not known", missing(seen, outlooks))
    _list("What this rests on", basis(seen))


@app.command("stock")
def stock_command(config: Config, store: Store = STORE, at: At = None) -> None:
    """How many jewels to hold of each kind, and what to order."""
    with refusing("stock"):
        seen, posterior = _learned(config, store, at)
        outlooks = _outlooks(seen, posterior, 8.0, only_stated=False)
        stock = stock_of(outlooks, posterior, seen.shop)
    _table("Jewels to hold and to order", STOCK_COLUMNS, [stock_cells(row) for row in stock])
    _say(stock_note(seen))
    _list("What this rests on", basis(seen))


@app.command("costs")
def costs_command(config: Config, store: Store = STORE, at: At = None) -> None:
    """What a jet hour costs by material, all downstream included."""
    with refusing("costs"):
        seen, posterior = _learned(config, store, at)
        rows = costs_of(posterior, seen.shop)
    currency = seen.shop.currency
    columns = ("", *(row.material for row in rows))
    _table(f"Cost of a jet hour, {currency}", columns, cost_table(rows, currency))
    _list("Break-even", [even_words(row, currency) for row in rows])
    _list("What this rests on", basis(seen))


def _learned(config: Path, store: Path, at: dt.datetime | None) -> tuple[ShopSeen, Posterior]:
    seen = see_shop(config, store, at)
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
        key=urgency,
    )


def _table(title: str, columns: Sequence[str], rows: Sequence[Sequence[Cell]]) -> None:
    table = Table(*columns, box=SIMPLE, title=title, title_justify="left", padding=(0, 1, 0, 0))
    for row in rows:
        table.add_row(*(Text(str(cell)) for cell in row))
    out.print(table)


def _list(title: str, lines: Sequence[str]) -> None:
    if lines:
        _say(title)
    for line in lines:
        _say(f"- {line}")


def _say(line: str) -> None:
    out.print(line, markup=False, highlight=False, soft_wrap=True)

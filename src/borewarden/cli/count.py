"""Count by hand: strokes, seconds and a gauge, where nobody can read the controller."""

import sqlite3
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.errors import BadInput
from borewarden.base.shown import show_in
from borewarden.base.times import computer_zone
from borewarden.cli.terminal import AsJson, app, print_json, print_table, refusing, say, warn
from borewarden.counts.series import Judged, judge, judge_all
from borewarden.inspection.cautions import caution_lines
from borewarden.settings import load_machine
from borewarden.settings.count_form import Known, keep_count, known_by_file, read_count
from borewarden.settings.service import common_units, load_machines
from borewarden.show import count_words as words
from borewarden.show.count_report import write_counts
from borewarden.show.wording import guessed_line
from borewarden.store.counts import hand_counts, record_count
from borewarden.store.database import open_store, transaction
from borewarden.store.register import fittings

StoreFile = Annotated[Path, typer.Option("--store", help="Embedded store.")]
DB = Path("borewarden.db")
WIDTH = 150  # characters of the table
PATIENCE = 60.0  # s to wait for a watcher that is writing
NOT_FIELDS = ("machine", "store", "no_store", "new_jewel", "as_json")


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


@app.command("count")
def count_command(
    machine: Annotated[
        Path | None, typer.Option(help="The machine's settings, TOML; or give --name.")
    ] = None,
    name: Annotated[str, typer.Option(help="Name of a pump without a machine file.")] = "",
    pressure: Annotated[str, typer.Option(help='By the water gauge, "55,000 psi".')] = "",
    oil_pressure: Annotated[str, typer.Option(help='By the oil gauge, "2,750 psi".')] = "",
    strokes: Annotated[str, typer.Option(help="Counted with the jet on, each way as one.")] = "",
    seconds: Annotated[str, typer.Option(help='That they took, 158 or "2:38".')] = "",
    speed: Annotated[str, typer.Option(help='Of the crank, "305 rpm", for strokes.')] = "",
    idle_strokes: Annotated[str, typer.Option(help="Counted dead-headed, jet off.")] = "",
    idle_seconds: Annotated[str, typer.Option(help="That those took.")] = "",
    bore: Annotated[str, typer.Option(help='Fitted, "0.010 in" or "10 thou".')] = "",
    material: Annotated[str, typer.Option(help="ruby, sapphire, man-made or diamond.")] = "",
    new_jewel: Annotated[
        bool, typer.Option("--new-jewel", help="A new jewel was fitted since the last count.")
    ] = False,
    kind: Annotated[str, typer.Option(help="intensifier, or direct drive.")] = "",
    plunger: Annotated[str, typer.Option(help='Its diameter, "7/8 in".')] = "",
    stroke: Annotated[str, typer.Option(help='Its travel one way, "7.5 in".')] = "",
    plungers: Annotated[str, typer.Option(help="Of a crank pump, 3.")] = "",
    dead_volume: Annotated[str, typer.Option(help='Of a chamber, "0.5 in^3".')] = "",
    efficiency: Annotated[str, typer.Option(help='Volumetric, "97 %".')] = "",
    ratio: Annotated[str, typer.Option(help="Intensification ratio, 20.")] = "",
    rated_pressure: Annotated[str, typer.Option(help='"60,000 psi".')] = "",
    max_rate: Annotated[str, typer.Option(help='"60 spm", or a crank\'s "305 rpm".')] = "",
    regulation: Annotated[str, typer.Option(help="Of a crank pump: none, speed, bypass.")] = "",
    gauge_class: Annotated[str, typer.Option(help="By EN 837-1, 1.6; on the dial.")] = "",
    full_scale: Annotated[str, typer.Option(help='End of the dial, "80,000 psi".')] = "",
    division: Annotated[str, typer.Option(help='Smallest step of the dial, "1,000 psi".')] = "",
    temperature: Annotated[str, typer.Option(help='Of the water, "68 F".')] = "",
    at: Annotated[str, typer.Option(help="When it was counted, if not now; local.")] = "",
    by: Annotated[str, typer.Option(help="Who counted.")] = "",
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    store: StoreFile = DB,
    no_store: Annotated[bool, typer.Option("--no-store", help="Keep nothing.")] = False,
    as_json: AsJson = False,
) -> None:
    """Count by hand: strokes, seconds and a gauge say what the bore did. No controller needed.

    What the pump's plate does not say gets a range and makes the answer less sure. Plate, bore and
    gauge are taken from the last count where they are not given again.
    """
    texts = {key: text for key, text in locals().items() if key not in NOT_FIELDS}
    texts["new_jewel"] = "yes" if new_jewel else ""
    with refusing("count"):
        judged, number, zone = _counted(texts, machine, None if no_store else store)
    if as_json:
        print_json(words.count_object(number, judged))
        return
    say(words.count_headline(judged, zone), *(f"  {line}" for line in words.answer_lines(judged)))
    print_table(words.DOUBT_COLUMNS, words.doubt_rows(judged), width=WIDTH)
    told = words.what_next(judged)
    say(*caution_lines(told.cautions), *(f"- {line}" for line in told.steps))
    if number is not None:
        say(f"Kept as count {number} of {judged.count.machine}; `borewarden counts` lists them.")


@app.command("counts")
def counts_command(
    store: StoreFile = DB,
    name: Annotated[str, typer.Option(help="Of this machine only.")] = "",
    config: Annotated[
        Path | None, typer.Option(help="Machine file, or folder of them, for time zones.")
    ] = None,
    report: Annotated[Path | None, typer.Option(help="Page to write, with the trends.")] = None,
    strike: Annotated[int | None, typer.Option(help="Number of a count to strike out.")] = None,
    by: Annotated[str, typer.Option(help="Who strikes it out.")] = "",
    why: Annotated[str, typer.Option(help="Why it is struck out.")] = "",
    as_json: AsJson = False,
) -> None:
    """List the counts by hand, each beside the earlier ones of its jewel, with the trend."""
    with refusing("list counts"):
        if not store.is_file():
            raise BadInput(store, "file", "there is no such store", "count first, or give --store")
        zones, usual = {}, computer_zone()
        if config is not None:
            machines = load_machines(config).values()
            zones = {each.name: each.time_zone for each in machines}
            show_in(common_units(machines))
        with open_store(store, patience=PATIENCE) as connection:
            if strike is not None:
                _strike(connection, strike, by, why)
            held = hand_counts(connection, name or None)
            others = sorted({each.machine for each in hand_counts(connection).values()})
        if name and not held and others:
            wrong = f"unknown pump {name!r}; known: {', '.join(others)}"
            raise BadInput("counts", "--name", wrong, "give one of them")
        numbers = {id(count): number for number, count in held.items()}
        judged = judge_all(list(held.values()))
        if report is not None:
            report.parent.mkdir(parents=True, exist_ok=True)
            write_counts(judged, zones, numbers, report)
    numbered = [(numbers[id(each.count)], each) for each in judged]
    if as_json:
        print_json([words.count_object(number, each) for number, each in numbered])
        return
    print_table(
        words.COLUMNS,
        [words.count_row(n, each, zones.get(each.count.machine, usual)) for n, each in numbered],
        width=WIDTH,
    )
    for each in words.newest_of_each(judged):
        say(*(f"{each.count.machine}: {line}" for line in words.trend_lines(each)))
    if report is not None:
        say(f"report: {report}")


def _counted(
    texts: Mapping[str, str], machine: Path | None, store: Path | None
) -> tuple[Judged, int | None, str]:
    """The count judged, its number if it was kept, and the time zone to show it in."""
    settings = load_machine(machine) if machine is not None else None
    if settings:
        show_in(settings.shown_units)
        if guessed := settings.guessed_of(settings.jewels()):
            warn(f"note: {guessed_line(guessed)}")
    name = settings.name if settings else texts["name"].strip()
    if not name or (settings and texts["name"]):
        wrong = "is missing" if not name else "both a machine file and a name"
        raise BadInput("the count", "--machine or --name", wrong, "give one of them")
    now_ns = time.time_ns() // 10**9 * 10**9
    known = known_by_file(settings) if settings else Known(name, computer_zone())
    if store is None or not store.exists():  # what can't be used makes no store
        count = read_count(texts, known, now_ns, _option)
        if store is None:
            return judge(count, []), None, known.time_zone
    with open_store(store, patience=PATIENCE) as connection, transaction(connection):
        if settings:
            known = known_by_file(settings, fittings(connection, name).values())
        judged, number = keep_count(connection, texts, known, now_ns, _option)
    return judged, number, known.time_zone


def _strike(connection: sqlite3.Connection, number: int, by: str, why: str) -> None:
    for option, text in (("--by", by), ("--why", why)):
        if not text.strip() or not text.isprintable():
            raise BadInput("counts", option, "is missing", "say who strikes it out, and why")
    if number not in hand_counts(connection):
        raise BadInput("counts", "--strike", f"there is no count {number}", "list them without it")
    with transaction(connection):
        record_count(connection, None, by.strip(), why.strip(), number)

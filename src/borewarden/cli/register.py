"""The jewel register: record what is fitted and taken out, mend it, show it, CSV in and out."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.errors import BadInput
from borewarden.base.files import check_output, write_private
from borewarden.base.shown import show_in
from borewarden.cli.stores import WATCHED, elsewhere
from borewarden.cli.terminal import (
    AsJson,
    Listing,
    app,
    print_json,
    print_table,
    refusing,
    say,
    typed,
    warn,
)
from borewarden.jewels.fitting import End, Fitting, number_in_head
from borewarden.jewels.fitting_text import (
    FIELDS,
    Frame,
    corrected,
    csv_text,
    fitting_of,
    place_fittings,
    read_csv,
    texts_of,
    time_text,
)
from borewarden.settings import MachineSettings, load_machine
from borewarden.settings.consistency import check_feeds
from borewarden.settings.service import common_units, load_machines
from borewarden.settings.two_entries import two_entries
from borewarden.show import register_words as words
from borewarden.store.database import open_store, transaction
from borewarden.store.jet_times import END_OF_TIME, Counting, jet_times, openings
from borewarden.store.queries import SAMPLES, telemetry_span, with_telemetry
from borewarden.store.register import (
    NOTHING_FREED,
    fittings,
    history,
    record,
    record_closed,
    record_placed,
    reopened,
)

register_app = typer.Typer(
    cls=Listing,
    no_args_is_help=True,
    help="The jewel register: what was fitted where and when.",
    rich_markup_mode=None,
)
app.add_typer(register_app, name="register")

BUSY = 60.0  # s to wait for a watcher that works through months of samples
StoreFile = Annotated[Path, typer.Option("--store", help="Embedded store.")]
MachineFile = Annotated[Path, typer.Option("--machine", help="The machine's settings, TOML.")]
Config = Annotated[
    Path | None,
    typer.Option(
        "--config",
        "--machine",
        help="Machine file, or folder of them: for names and time zones. Without it every time "
        "needs an offset from UTC.",
    ),
]
By = Annotated[str, typer.Option("--by", help="Who records this.")]
Why = Annotated[str, typer.Option("--why", help="Why it is mended.")]
Number = Annotated[int, typer.Argument(help="Number of the fitting, as `register show` has it.")]
YesNo = Annotated[str, typer.Option(metavar="yes|no")]
ENDS = f"{', '.join(end.value for end in End)}. Planned: changed in time, in good condition."
WIDTH = 140  # characters of the table


@register_app.command("fit")
def fit_command(
    machine: MachineFile,
    bore: Annotated[str, typer.Option(help='With its unit, such as "0.010 in".')],
    material: Annotated[str, typer.Option(help="ruby, sapphire, man-made or diamond.")],
    by: By,
    fitted: Annotated[
        str, typer.Option("--at", help="When, local; now if not said.", show_default=False)
    ] = "",
    out: Annotated[
        str, typer.Option(help="When it came out, local, of one that has come and gone.")
    ] = "",
    end: Annotated[str, typer.Option(help=f"Why: {ENDS}")] = "",
    noted_hours: Annotated[
        str, typer.Option("--hours", help="Jet hours till then by the notes: 38, or 38 h.")
    ] = "",
    head: Annotated[str, typer.Option(help="Which cutting head.")] = "1",
    batch: Annotated[str, typer.Option(help="The supplier's batch.")] = "",
    mixing_chamber: YesNo = "",
    chamber_hours: Annotated[
        str, typer.Option(help="Hours of the mixing chamber: 12, or 12 h.")
    ] = "",
    tube_bore: Annotated[str, typer.Option(help='Focusing tube, such as "0.76 mm".')] = "",
    tube_hours: Annotated[str, typer.Option(help="Hours of the focusing tube: 12, or 12 h.")] = "",
    last_chance_filter: YesNo = "",
    tds_ppm: Annotated[str, typer.Option(help="Dissolved solids of the water.")] = "",
    low_pressure_start: YesNo = "",
    handling: Annotated[str, typer.Option(help="How cleanly it was handled.")] = "",
    earlier_hours: Annotated[
        str,
        typer.Option(
            help="Jet hours that it had when fitted, or when the watch began: 25, or 25 h."
        ),
    ] = "",
    discharge_coefficient: Annotated[str, typer.Option(help="Where known from before.")] = "",
    note: Annotated[str, typer.Option()] = "",
    store: StoreFile = WATCHED,
) -> None:
    """Record a jewel fitted, now or in the past. One still in that head is closed, end unknown."""
    texts = {name: text for name, text in locals().items() if name in FIELDS}
    with refusing("record that"):
        settings = load_machine(machine)
        show_in(settings.shown_units)
        now_ns = _now_ns()
        texts |= {"machine": settings.name, "fitted": fitted or time_text(now_ns)}
        frame = Frame(now_ns, {settings.name: settings.time_zone})
        fitting = fitting_of(texts, frame, "fit", _option("fitted"))
        with _open(store) as connection, transaction(connection):
            held = fittings(connection)
            placed = place_fittings(held, [("--at", fitting)], "fit")
            check_feeds(settings, held.values(), placed, "fit", lambda where: "--bore")
            numbers = record_placed(connection, placed, _who(by))
            held = fittings(connection)
    say(*words.recorded_lines(placed, numbers))
    if placed.skipped:
        say("that fitting is in the register already, nothing recorded")
    _note_doubts([settings], held, store)


@register_app.command("out")
def out_command(
    machine: MachineFile,
    end: Annotated[str, typer.Option(help=ENDS)],
    by: By,
    at: Annotated[
        str, typer.Option("--at", help="When, local; now if not said.", show_default=False)
    ] = "",
    head: Annotated[str, typer.Option(help="Which cutting head.")] = "1",
    hours: Annotated[
        str,
        typer.Option(
            help="Jet hours since it was fitted, where telemetry has not seen all: 38, or 38 h."
        ),
    ] = "",
    note: Annotated[str, typer.Option(help="Takes the place of the fitting's note.")] = "",
    store: StoreFile = WATCHED,
) -> None:
    """Record that the jewel in a head was taken out, and why."""
    with refusing("record that"):
        settings = load_machine(machine)
        show_in(settings.shown_units)
        now_ns = _now_ns()
        frame = Frame(now_ns, {settings.name: settings.time_zone})
        with _open(store, there=True) as connection, transaction(connection):
            held = fittings(connection)
            number = number_in_head(held, settings.name, head)
            if number is None:
                raise BadInput(
                    "out",
                    "--head",
                    f"the register has no jewel in head {head!r} of {settings.name}",
                    "record it fitted first, or mend one that is out by register correct",
                )
            texts = texts_of(held[number]) | {"out": at or time_text(now_ns), "end": end}
            texts |= {"note": note} if note else {}
            texts |= {"noted_hours": hours} if hours else {}
            fitting = fitting_of(texts, frame, "out", _option("out"))
            record(connection, fitting, _who(by), fitting=number)
            held = fittings(connection)
    _note_doubts([settings], held, store)
    reason = fitting.end.value if fitting.end else ""
    say(f"fitting {number}: out, {reason}{words.stated_words(fitting)}")


@register_app.command("correct")
def correct_command(
    number: Number,
    changes: Annotated[
        list[str], typer.Option("--set", help="FIELD=TEXT, as in the CSV; FIELD= for not known.")
    ],
    by: By,
    why: Why,
    config: Config = None,
    store: StoreFile = WATCHED,
) -> None:
    """Mend fields of an entry. What stood there before stays in its history."""
    with refusing("correct that"):
        settings = _machines(config)
        with _open(store, there=True) as connection, transaction(connection):
            held = fittings(connection)
            old = _held(held, number)
            fitting = corrected(old, changes, _frame(settings), "correct", "--set")
            if fitting == old:
                raise BadInput("correct", "--set", "that is what stands there", "change something")
            freed = reopened(connection, old) if _moved(old, fitting) else NOTHING_FREED
            others = {n: f for n, f in held.items() if n != number and n not in freed.open}
            rows = {number: fitting, **freed.open}
            placed = place_fittings(others, _rows(rows), "correct")
            if placed.skipped:
                raise BadInput(
                    "correct", "--set", "another fitting is just so", "strike one of them out"
                )
            for each in settings or []:
                check_feeds(each, held.values(), placed, "correct", lambda where: "--set bore")
            why = _text(why, "--why")
            now = dict(zip(rows, (each for _, each in placed.new), strict=True))
            record(connection, now.pop(number), _who(by), why, number)
            for freed_number, again in now.items():
                record(connection, again, _who(by), f"fitting {number} was corrected", freed_number)
            record_closed(connection, placed, _who(by))
            held = fittings(connection)
    _note_doubts(settings or [], held, store)
    say(f"fitting {number} corrected", *words.closed_lines(placed))
    say(*words.reopened_lines(now, freed.in_doubt, _correct_out))


@register_app.command("strike")
def strike_command(number: Number, by: By, why: Why, store: StoreFile = WATCHED) -> None:
    """Strike out a fitting that never was. Its history stays; what it had closed is open again."""
    with (
        refusing("strike that out"),
        _open(store, there=True) as connection,
        transaction(connection),
    ):
        held = fittings(connection)
        struck = _held(held, number)
        record(connection, None, _who(by), _text(why, "--why"), number)
        freed = reopened(connection, struck)
        others = {n: f for n, f in held.items() if n != number and n not in freed.open}
        placed = place_fittings(others, _rows(freed.open), "strike")
        now = dict(zip(freed.open, (each for _, each in placed.new), strict=True))
        for freed_number, each in now.items():
            record(connection, each, _who(by), f"fitting {number} was struck out", freed_number)
    say(f"fitting {number} struck out")
    say(*words.reopened_lines(now, freed.in_doubt, _correct_out))


@register_app.command("show")
def show_command(
    config: Config = None, store: StoreFile = WATCHED, as_json: AsJson = False
) -> None:
    """Show the register with the jet hours and pressure-hours of each jewel from telemetry."""
    with refusing("show the register"):
        settings = {machine.name: machine for machine in _machines(config) or []}
        with _open(store, there=True) as connection:
            held = fittings(connection)
            if settings:
                held = {n: f for n, f in held.items() if f.machine in settings}
            counting = {
                name: Counting(each.gate_settings().max_gap, each.valve_heads)
                for name, each in settings.items()
            }
            counted = jet_times(connection, held, counting)
            times = {n: counted[n] if _is_seen(connection, f) else None for n, f in held.items()}
            opened = openings(connection, held)
            names = list(settings) or with_telemetry(connection)
    if as_json:
        print_json([words.register_object(n, f, times[n], opened[n]) for n, f in held.items()])
        return
    _note_doubts(settings.values(), held, store, names)
    if not held:
        say(f"the register in {store} holds no jewel")
        return
    zones = {name: each.time_zone for name, each in settings.items()}
    rows = [
        words.register_row(n, f, times[n], opened[n], zones.get(f.machine)) for n, f in held.items()
    ]
    print_table(words.columns(), rows, width=WIDTH)
    say(words.columns_note(), words.heads_note(times), f"store: {store}")


@register_app.command("history")
def history_command(
    number: Number, config: Config = None, store: StoreFile = WATCHED, as_json: AsJson = False
) -> None:
    """Show everything that was ever recorded of one fitting, oldest first."""
    with refusing("show that"):
        zones = _frame(_machines(config)).zones or {}
        with _open(store, there=True) as connection:
            entries = history(connection, number)
        if not entries:
            raise BadInput(store, "number", f"there is no fitting {number}", "see register show")
    if as_json:
        print_json(entries)
    else:
        say(*words.history_lines(entries, zones))


@register_app.command("import")
def import_command(
    file: Annotated[Path, typer.Argument(help="CSV; `register export` writes what it takes.")],
    by: By,
    config: Config = None,
    store: StoreFile = WATCHED,
) -> None:
    """Take fittings over from a CSV file: all of them or, if any row is wrong, none."""
    with refusing("import that"):
        settings = _machines(config)
        rows = read_csv(file, _frame(settings))
        with _open(store) as connection, transaction(connection):
            held = fittings(connection)
            placed = place_fittings(held, rows, file)
            for each in settings or []:
                check_feeds(
                    each, held.values(), placed, file, lambda where: f"{where}, column 'bore'"
                )
            numbers = record_placed(connection, placed, _who(by), f"imported from {file.name}")
            held = fittings(connection)
    _note_doubts(settings or [], held, store)
    say(*words.recorded_lines(placed, numbers))
    say(*(f"{where}: in the register already, skipped" for where in placed.skipped))
    say(f"{len(placed.new)} recorded, {len(placed.skipped)} skipped")


@register_app.command("export")
def export_command(
    file: Annotated[Path, typer.Argument(help="CSV file to write.")],
    config: Config = None,
    store: StoreFile = WATCHED,
) -> None:
    """Write all fittings to a CSV file that `register import` takes. Times are UTC."""
    with refusing("export that"):
        check_output("export", file, [store, config])
        names = {machine.name for machine in _machines(config) or []}
        with _open(store, there=True) as connection:
            held = [f for f in fittings(connection).values() if not names or f.machine in names]
        write_private(file, csv_text(held))
    say(f"{file}: {len(held)} fitting{'s' * (len(held) != 1)}")


# -- what the commands share


def _is_seen(connection: sqlite3.Connection, fitting: Fitting) -> bool:
    """Whether there is telemetry of the time that the jewel was in."""
    until_ns = END_OF_TIME if fitting.out_ns is None else fitting.out_ns
    span = telemetry_span(connection, fitting.machine, fitting.fitted_ns, until_ns, SAMPLES)
    return span is not None


def _note_doubts(
    settings: Iterable[MachineSettings],
    held: Mapping[int, Fitting],
    store: Path,
    names: Iterable[str] = (),
) -> None:
    """Say where register and machine files disagree, and what is in another store."""
    settings = list(settings)
    for each in settings:
        for line in words.two_entries_lines(two_entries(each, held), each.time_zone):
            warn(f"note: {line}")
    of = {*names, *(each.name for each in settings)} or {f.machine for f in held.values()}
    for line in elsewhere(store, sorted(of)):
        warn(f"note: {line}")


def _moved(old: Fitting, new: Fitting) -> bool:
    """Whether a corrected fitting is one of another head or time, and so closed the wrong jewel."""
    return (old.machine, old.head, old.fitted_ns) != (new.machine, new.head, new.fitted_ns)


def _rows(numbered: Mapping[int, Fitting]) -> list[tuple[str, Fitting]]:
    return [(f"fitting {number}", fitting) for number, fitting in numbered.items()]


def _correct_out(number: int) -> str:
    return typed("register", "correct", number, "--set", "out=", "--by", "YOU", "--why", "still in")


def _now_ns() -> int:
    return time.time_ns() // 10**9 * 10**9


def _open(store: Path, there: bool = False) -> AbstractContextManager[sqlite3.Connection]:
    """The store; one that is only looked into has to be `there`."""
    if there and not store.exists():
        raise BadInput(store, "file", "there is no such store", "name it by --store")
    return open_store(store, patience=BUSY)


def _machines(config: Path | None) -> list[MachineSettings] | None:
    """The machines of a file or folder; None if none is given."""
    if config is None:
        return None
    machines = list(load_machines(config).values())
    show_in(common_units(machines))
    return machines


def _frame(settings: list[MachineSettings] | None) -> Frame:
    zones = None if settings is None else {each.name: each.time_zone for each in settings}
    return Frame(time.time_ns(), zones)


def _option(at: str) -> Callable[[str], str]:
    """The option that gives a field, by its name, where `--at` gives the field `at`."""
    short = {at: "--at", "noted_hours": "--hours"}
    return lambda name: short.get(name, f"--{name.replace('_', '-')}")


def _text(text: str, option: str) -> str:
    if not text.strip() or not text.isprintable():
        raise BadInput("register", option, f"{text[:60]!r} says nothing", "give a line of text")
    return text.strip()


def _who(by: str) -> str:
    return _text(by, "--by")


def _held(held: dict[int, Fitting], number: int) -> Fitting:
    try:
        return held[number]
    except KeyError:
        raise BadInput(
            "register", "number", f"there is no fitting {number}", "see register show"
        ) from None

"""The jewel register: record what is fitted and taken out, mend it, show it, CSV in and out."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.box import SIMPLE
from rich.console import Console
from rich.table import Table

from borewarden.base.errors import BadInput
from borewarden.cli.terminal import Listing, app, out, refusing
from borewarden.gate.jet_time import JetTime, Opening
from borewarden.jewels.fitting import End, Fitting
from borewarden.jewels.fitting_text import (
    FIELDS,
    Frame,
    Placed,
    csv_text,
    fitting_of,
    place_fittings,
    read_csv,
    shown_time,
    texts_of,
    time_text,
)
from borewarden.settings import MachineSettings, load_machine
from borewarden.settings.consistency import misfit
from borewarden.settings.service import load_machines
from borewarden.store.database import open_store, transaction
from borewarden.store.jet_times import jet_times, openings
from borewarden.store.register import fittings, history, record

register_app = typer.Typer(
    cls=Listing,
    no_args_is_help=True,
    help="The jewel register: what was fitted where and when.",
    rich_markup_mode=None,
)
app.add_typer(register_app, name="register")

BUSY = 60_000  # ms to wait for a watcher that works through months of samples
NO_CLAIM = (
    "Jet hours are those of the pump's telemetry. With several heads they count for every head "
    "that holds a jewel"
)

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
DB = Path("borewarden.db")
COLUMNS = (
    "no.", "machine", "head", "jewel", "fitted", "out", "jet h", "MPa h", "missed h",
    "start, said", "start, seen",
)  # fmt: skip
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
    head: Annotated[str, typer.Option(help="Which cutting head.")] = "1",
    batch: Annotated[str, typer.Option(help="The supplier's batch.")] = "",
    mixing_chamber: YesNo = "",
    chamber_hours: Annotated[str, typer.Option(help="Of the mixing chamber.")] = "",
    tube_bore: Annotated[str, typer.Option(help='Focusing tube, such as "0.76 mm".')] = "",
    tube_hours: Annotated[str, typer.Option(help="Of the focusing tube.")] = "",
    last_chance_filter: YesNo = "",
    tds_ppm: Annotated[str, typer.Option(help="Dissolved solids of the water.")] = "",
    low_pressure_start: YesNo = "",
    handling: Annotated[str, typer.Option(help="How cleanly it was handled.")] = "",
    earlier_hours: Annotated[str, typer.Option(help="Jet hours that it had before.")] = "",
    discharge_coefficient: Annotated[str, typer.Option(help="Where known from before.")] = "",
    note: Annotated[str, typer.Option()] = "",
    store: StoreFile = DB,
) -> None:
    """Record a jewel fitted. One still in that head is closed then, its end unknown."""
    texts = {name: text for name, text in locals().items() if name in FIELDS}
    with refusing("record that"):
        settings = load_machine(machine)
        now_ns = _now_ns()
        texts |= {"machine": settings.name, "fitted": fitted or time_text(now_ns)}
        frame = Frame(now_ns, {settings.name: settings.time_zone})
        fitting = fitting_of(texts, frame, "fit", _option)
        with _open(store) as connection, transaction(connection):
            placed = place_fittings(fittings(connection), [("--at", fitting)], "fit")
            _check_feeds(settings, connection, placed, "fit", lambda where: "--bore")
            said = _record(connection, placed, by)
    _say(said)
    if placed.skipped:
        out.print("that fitting is in the register already, nothing recorded")


@register_app.command("out")
def out_command(
    machine: MachineFile,
    end: Annotated[str, typer.Option(help=", ".join(end.value for end in End) + ".")],
    by: By,
    at: Annotated[
        str, typer.Option("--at", help="When, local; now if not said.", show_default=False)
    ] = "",
    head: Annotated[str, typer.Option(help="Which cutting head.")] = "1",
    note: Annotated[str, typer.Option(help="Takes the place of the fitting's note.")] = "",
    store: StoreFile = DB,
) -> None:
    """Record that the jewel in a head was taken out, and why."""
    with refusing("record that"):
        settings = load_machine(machine)
        now_ns = _now_ns()
        frame = Frame(now_ns, {settings.name: settings.time_zone})
        with _open(store, there=True) as connection, transaction(connection):
            held = fittings(connection)
            number = next(
                (
                    number
                    for number, f in held.items()
                    if (f.machine, f.head, f.out_ns) == (settings.name, head, None)
                ),
                None,
            )
            if number is None:
                raise BadInput(
                    "out",
                    "--head",
                    f"the register has no jewel in head {head!r} of {settings.name}",
                    "record it fitted first, or mend one that is out by register correct",
                )
            texts = texts_of(held[number]) | {"out": at or time_text(now_ns), "end": end}
            texts |= {"note": note} if note else {}
            fitting = fitting_of(texts, frame, "out", _option)
            record(connection, fitting, _who(by), fitting=number)
    out.print(f"fitting {number}: out, {fitting.end.value if fitting.end else ''}")


@register_app.command("correct")
def correct_command(
    number: Number,
    changes: Annotated[
        list[str], typer.Option("--set", help="FIELD=TEXT, as in the CSV; FIELD= for not known.")
    ],
    by: By,
    why: Why,
    config: Config = None,
    store: StoreFile = DB,
) -> None:
    """Mend fields of an entry. What stood there before stays in its history."""
    with refusing("correct that"):
        settings = _machines(config)
        with _open(store, there=True) as connection, transaction(connection):
            held = fittings(connection)
            texts = texts_of(_held(held, number))
            for change in changes:
                name, equals, text = change.partition("=")
                if name not in FIELDS or not equals:
                    raise BadInput(
                        "correct",
                        "--set",
                        f"{change[:60]!r} names no field",
                        f"give FIELD=TEXT; fields are {', '.join(FIELDS)}",
                    )
                texts[name] = text
            if not texts["out"] and held[number].end is not None and "out" in _names(changes):
                texts["end"] = ""  # one that is in its head again has no end
            fitting = fitting_of(texts, _frame(settings), "correct", lambda name: f"--set {name}")
            if fitting == held[number]:
                raise BadInput("correct", "--set", "that is what stands there", "change something")
            others = {n: f for n, f in held.items() if n != number}
            placed = place_fittings(others, [(f"fitting {number}", fitting)], "correct")
            if placed.skipped:
                raise BadInput(
                    "correct", "--set", "another fitting is just so", "strike one of them out"
                )
            for each in settings or []:
                _check_feeds(each, connection, placed, "correct", lambda where: "--set bore")
            why = _text(why, "--why")
            record(connection, placed.new[0][1], _who(by), why, number)
            said = _record_closed(connection, placed, by)
    _say([f"fitting {number} corrected", *said])


@register_app.command("strike")
def strike_command(number: Number, by: By, why: Why, store: StoreFile = DB) -> None:
    """Strike out a fitting that never was. Its history stays."""
    with (
        refusing("strike that out"),
        _open(store, there=True) as connection,
        transaction(connection),
    ):
        _held(fittings(connection), number)
        record(connection, None, _who(by), _text(why, "--why"), number)
    out.print(f"fitting {number} struck out")


@register_app.command("show")
def show_command(config: Config = None, store: StoreFile = DB) -> None:
    """Show the register with the jet hours and pressure-hours of each jewel from telemetry."""
    with refusing("show the register"):
        settings = {machine.name: machine for machine in _machines(config) or []}
        with _open(store, there=True) as connection:
            held = fittings(connection)
            if settings:
                held = {n: f for n, f in held.items() if f.machine in settings}
            gaps = {name: each.gate_settings().max_gap for name, each in settings.items()}
            times = jet_times(connection, held, gaps)
            opened = openings(connection, held)
    if not held:
        out.print("the register holds no jewel")
        return
    table = Table(*COLUMNS, box=SIMPLE, padding=(0, 1, 0, 0))
    for number, fitting in held.items():
        zone = settings[fitting.machine].time_zone if fitting.machine in settings else None
        table.add_row(str(number), *_cells(fitting, times[number], opened[number], zone))
    # a narrow terminal may break the lines, but no cell is cut short
    Console(width=max(out.width, WIDTH)).print(table, highlight=False, crop=False)
    out.print(
        "jet h: with the hours it had before; MPa h and missed h (unseen with the jet on): since "
        "fitted; start: how the jet was first opened",
        highlight=False,
    )
    out.print(f"{NO_CLAIM}{_partly(times)}.", highlight=False)


@register_app.command("history")
def history_command(number: Number, config: Config = None, store: StoreFile = DB) -> None:
    """Show everything that was ever recorded of one fitting, oldest first."""
    with refusing("show that"):
        zones = _frame(_machines(config)).zones or {}
        with _open(store, there=True) as connection:
            entries = history(connection, number)
        if not entries:
            raise BadInput(store, "number", f"there is no fitting {number}", "see register show")
    before: dict[str, str] = {}
    for entry in entries:
        zone = zones.get(entry.content.machine) if entry.content else None
        why = f" ({entry.why})" if entry.why else ""
        said = f"{shown_time(entry.recorded_ns, zone)} by {entry.by}{why}:"
        now = texts_of(entry.content) if entry.content else {}
        if not now:
            said += " struck out"
        out.print(said, markup=False, highlight=False)
        for name, text in now.items():
            if text != before.get(name, ""):
                was = f" (was {before[name] or 'not known'})" if before else ""
                line = f"  {name}: {text or 'not known'}{was}"
                out.print(line, markup=False, highlight=False, soft_wrap=True)
        before = now


@register_app.command("import")
def import_command(
    file: Annotated[Path, typer.Argument(help="CSV; `register export` writes what it takes.")],
    by: By,
    config: Config = None,
    store: StoreFile = DB,
) -> None:
    """Take fittings over from a CSV file: all of them or, if any row is wrong, none."""
    with refusing("import that"):
        settings = _machines(config)
        rows = read_csv(file, _frame(settings))
        with _open(store) as connection, transaction(connection):
            placed = place_fittings(fittings(connection), rows, file)
            for each in settings or []:
                _check_feeds(
                    each, connection, placed, file, lambda where: f"{where}, column 'bore'"
                )
            said = _record(connection, placed, by, f"imported from {file.name}")
    _say(said)
    for where in placed.skipped:
        out.print(f"{where}: in the register already, skipped", highlight=False)
    out.print(f"{len(placed.new)} recorded, {len(placed.skipped)} skipped", highlight=False)


@register_app.command("export")
def export_command(
    file: Annotated[Path, typer.Argument(help="CSV file to write.")],
    config: Config = None,
    store: StoreFile = DB,
) -> None:
    """Write all fittings to a CSV file that `register import` takes. Times are UTC."""
    with refusing("export that"):
        names = {machine.name for machine in _machines(config) or []}
        with _open(store, there=True) as connection:
            held = [f for f in fittings(connection).values() if not names or f.machine in names]
        file.write_text(csv_text(held), encoding="utf-8", newline="")
    out.print(
        f"{file}: {len(held)} fitting{'s' * (len(held) != 1)}", highlight=False, soft_wrap=True
    )


# -- what the commands share


def _now_ns() -> int:
    return time.time_ns() // 10**9 * 10**9


@contextmanager
def _open(store: Path, there: bool = False) -> Iterator[sqlite3.Connection]:
    """The store; one that is only looked into has to be `there`."""
    if there and not store.exists():
        raise BadInput(store, "file", "there is no such store", "name it by --store")
    with open_store(store) as connection:
        connection.execute(f"PRAGMA busy_timeout = {BUSY}")
        yield connection


def _machines(config: Path | None) -> list[MachineSettings] | None:
    """The machines of a file or folder; None if none is given."""
    if config is None:
        return None
    return list(load_machines(config).values())


def _frame(settings: list[MachineSettings] | None) -> Frame:
    zones = None if settings is None else {each.name: each.time_zone for each in settings}
    return Frame(time.time_ns(), zones)


def _option(name: str) -> str:
    return {"fitted": "--at", "out": "--at"}.get(name, f"--{name.replace('_', '-')}")


def _names(changes: list[str]) -> set[str]:
    return {change.partition("=")[0] for change in changes}


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


def _check_feeds(
    settings: MachineSettings,
    connection: sqlite3.Connection,
    placed: Placed,
    place: Path | str,
    bore_of: Callable[[str], str],
) -> None:
    """Raise BadInput if the pump of `settings` can't feed a bore that is to be recorded."""
    there = [f for f in fittings(connection).values() if f.machine == settings.name]
    jewels = settings.jewels([*there, *(fitting for _, fitting in placed.new)])
    for where, fitting in placed.new:
        if fitting.machine == settings.name:
            wrong = misfit(settings, jewels, fitting.fitted_ns)
            if wrong is not None:
                raise BadInput(place, bore_of(where), *wrong)


def _record(connection: sqlite3.Connection, placed: Placed, by: str, why: str = "") -> list[str]:
    """Record what is `placed`; returns what to say once it is kept."""
    said = _record_closed(connection, placed, by)
    for _, fitting in placed.new:
        number = record(connection, fitting, _who(by), why)
        said.append(
            f"fitting {number}: {_jewel(fitting)}, head {fitting.head} of {fitting.machine}"
        )
    return said


def _record_closed(connection: sqlite3.Connection, placed: Placed, by: str) -> list[str]:
    for number, fitting in placed.closed.items():
        record(connection, fitting, _who(by), "the next jewel was fitted", number)
    return [
        f"fitting {number} was still in head {fitting.head} of {fitting.machine}: closed at the "
        "time of the next one, its end unknown"
        for number, fitting in placed.closed.items()
    ]


def _say(lines: list[str]) -> None:
    for line in lines:
        out.print(line, markup=False, highlight=False, soft_wrap=True)


def _jewel(fitting: Fitting) -> str:
    return f"{fitting.material} {fitting.bore * 1e3:.3f} mm ({fitting.bore / 0.0254:.3f} in)"


def _cells(
    fitting: Fitting, times: JetTime, opening: tuple[Opening, int, int], zone: str | None
) -> list[str]:
    how, low, judged = opening
    taken_out = ""
    if fitting.out_ns is not None and fitting.end is not None:
        taken_out = f"{shown_time(fitting.out_ns, zone)} {fitting.end.value}"
    said = {None: "", True: "low", False: "full"}[fitting.low_pressure_start]
    return [
        fitting.machine,
        fitting.head,
        _jewel(fitting),
        shown_time(fitting.fitted_ns, zone),
        taken_out,
        f"{fitting.earlier_hours + times.jet_hours:.1f}",
        f"{times.pressure_hours / 1e6:.0f}",
        f"{times.missed_hours:.1f}",
        said,
        how.value + (f" ({low} of {judged} low)" if judged > 1 else ""),
    ]


def _partly(times: dict[int, JetTime]) -> str:
    partly = {number: each.partly_hours for number, each in times.items() if each.partly_hours > 0}
    if not partly:
        return ""
    listed = ", ".join(f"{hours:.1f} h of fitting {number}" for number, hours in partly.items())
    return (
        f". While {listed} the valve signal named fewer heads than held a jewel; which of them "
        "is not known (or it only says on and off)"
    )

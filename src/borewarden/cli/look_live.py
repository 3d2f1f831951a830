"""Look at an address: read what it offers while the operator turns the jet on and off."""

from __future__ import annotations

import asyncio
import os
import sys
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import aclosing, asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import numpy as np
import typer
from pydantic import TypeAdapter, ValidationError
from rich.box import SIMPLE
from rich.live import Live
from rich.table import Table

from borewarden.base.errors import BadInput
from borewarden.base.plain_errors import plain_reason
from borewarden.cli.terminal import out, print_table, say
from borewarden.collect.survey import Survey
from borewarden.inspection.cautions import CAUTIONS
from borewarden.look.address import opened, section_of
from borewarden.look.network import Heard, Mark, follows, heard_at, jet_of
from borewarden.look.unit_words import spelled
from borewarden.settings.units import Time

if TYPE_CHECKING:  # the protocols' libraries are slow to import
    from borewarden.collect.live import Source
    from borewarden.collect.modbus import ModbusSource
    from borewarden.collect.modbus_steps import Steps
    from borewarden.collect.survey import Rounds

LISTEN, PAUSE = "60 s", "0.1 s"
LONGEST = 600.0  # s that a person, or a slow machine, may take
ENOUGH = 20  # readings, however long the first ones took
MOST_SHOWN = 30  # places in a table
ENDS = (b"e", b"E", b"q")
HIGHEST = 65535

ListenFor = Annotated[
    str, typer.Option(help="How long to listen to an address without a dialogue.")
]
Registers = Annotated[
    str | None, typer.Option(help="Modbus registers to step through, as on the wire: 0-199.")
]
Pause = Annotated[str, typer.Option(help="Between two requests by Modbus.")]
MayScan = Annotated[
    bool,
    typer.Option(
        "--may-scan", help="The controller's owner agrees that its registers are stepped through."
    ),
]
SourceFields = Annotated[
    list[str] | None,
    typer.Option(help="A field of [source], such as unit_id=2 or user=watcher."),
]
"""Options of an address."""

WARNING = (
    "Stepping through registers is not for every controller: some old ones hang, or drop the "
    "connection of their own panel, when they are asked for a register that they do not have "
    "(common practice, no source). Ask the controller's owner first, and begin while the pump "
    "stands.",
    "borewarden only reads: function codes 3 and 4, one request at a time.",
)
TO_DO = (
    "Now ask the operator to turn the jet on and off as in any cut, from the operator's place and "
    "with all guards shut: on for half a minute, off for a quarter, twice at least. Whatever the "
    "pump maker's manual or your site's rules say against it comes first.",
    "Note what the panel shows while the jet is on: pressure, and strokes a minute or speed.",
)
KEYS = (
    "Press Enter when the jet comes on, and again when it goes off, and so on; e and Enter to end."
)


class Wish(NamedTuple):
    """What to look at: an address, fields of [source], and the options as they were typed."""

    address: str
    fields: Mapping[str, str]
    listen: str
    registers: str | None
    pause: str


def listened(
    wish: Wish, target: Path, asks: bool, may_scan: bool, tell: Callable[[str], None]
) -> Heard:
    """What was heard at an address, its roles not known yet. Raises BadInput, OSError."""
    from borewarden.collect.modbus import ModbusSource

    section = section_of(wish.address, wish.fields)
    seconds = _seconds("--listen", wish.listen)
    steps = _steps(wish) if section["kind"].startswith("modbus") else None
    source = opened(section, target)
    if steps is not None:
        assert isinstance(source, ModbusSource)
        _may_step(source, steps, asks, may_scan, tell)
    survey = Survey()
    rounds = _rounds(source, steps, survey, tell)
    marks = asyncio.run(_gather(rounds, survey, seconds, asks, tell))
    return heard_at(wish.address, section, survey, marks)


def _seconds(option: str, text: str) -> float:
    try:
        return TypeAdapter[float](Time).validate_python(text)
    except ValidationError as error:
        wrong, _, right = error.errors()[0]["msg"].partition("; ")
        raise BadInput(option, text, wrong, right) from None


def _steps(wish: Wish) -> Steps:
    from borewarden.collect.modbus_steps import Steps

    first, sign, last = (wish.registers or "").partition("-")
    if not (first.isdecimal() and (last.isdecimal() or not sign)):
        raise BadInput(
            "--registers", wish.registers or "none", "is not a range of registers",
            "state which to step through, as on the wire: --registers 0-199",
        )  # fmt: skip
    low, high = int(first), int(last or first)
    if not low <= high <= HIGHEST:
        raise BadInput(
            "--registers", str(wish.registers), f"must lie in 0 to {HIGHEST}, low one first",
            "state a range such as 0-199",
        )  # fmt: skip
    return Steps(low, high, _seconds("--pause", wish.pause))


def _may_step(
    source: ModbusSource, steps: Steps, asks: bool, may_scan: bool, tell: Callable[[str], None]
) -> None:
    """Warn, and ask. Raises BadInput where the answer is not yes."""
    most = steps.most_requests
    for line in (
        *WARNING,
        f"Registers {steps.first} to {steps.last} of unit {source.unit_id} at {source.name}: "
        f"{most} requests at most, {steps.pause:g} s apart, {most * steps.pause:.0f} s at most.",
    ):
        tell(line)
    if may_scan or (asks and typer.confirm("May they be read?", default=False)):
        return
    raise BadInput(
        source.name, f"registers {steps.first} to {steps.last}", "nobody said they may be read",
        "ask the controller's owner, then give --may-scan; --yes does not answer this",
    )  # fmt: skip


# -- reading


async def _gather(
    rounds: Rounds, survey: Survey, seconds: float, asks: bool, tell: Callable[[str], None]
) -> list[Mark]:
    """Read into `survey` until the person ends it, or for `seconds`: when the jet was on."""
    marks: list[Mark] = []
    try:
        async with aclosing(rounds):
            await anext(rounds)
            for line in (
                *CAUTIONS,
                *TO_DO,
                *([KEYS] if asks else [f"Listening for {seconds:g} s."]),
            ):
                tell(line)
            async with _keys(asks, marks) as ended:
                begun = time.monotonic()
                with Live(console=out, auto_refresh=False, transient=True) as live:
                    async for _ in rounds:
                        if out.is_terminal:
                            live.update(_table(survey, marks), refresh=True)
                        passed = time.monotonic() - begun
                        is_enough = not asks and passed > seconds and survey.most >= ENOUGH
                        if ended.is_set() or is_enough or passed > LONGEST:
                            break
    except asyncio.CancelledError:
        task = asyncio.current_task()
        if task is None or task.cancelling():
            raise
        # asyncua cancels its futures when the socket breaks; that is no wish of anybody's
        raise ConnectionError("the other side closed the connection") from None
    except (OSError, BadInput):
        raise
    except Exception as error:  # whatever a library comes up with
        raise ConnectionError(plain_reason(error)) from None
    return marks


def _rounds(
    source: Source, steps: Steps | None, survey: Survey, tell: Callable[[str], None]
) -> Rounds:
    from borewarden.collect.modbus import ModbusSource
    from borewarden.collect.modbus_steps import stepping
    from borewarden.collect.mqtt import MqttSource
    from borewarden.collect.mqtt_listen import listening
    from borewarden.collect.opcua import OpcUaSource
    from borewarden.collect.opcua_browse import browsing

    if isinstance(source, ModbusSource):
        assert steps is not None
        return stepping(source, steps, survey, tell)
    if isinstance(source, MqttSource):
        return listening(source, survey, tell)
    assert isinstance(source, OpcUaSource)
    return browsing(source, survey, tell)


@asynccontextmanager
async def _keys(asks: bool, marks: list[Mark]) -> AsyncIterator[asyncio.Event]:
    """Puts a mark for each Enter, and sets the event at the end that a person types."""
    ended = asyncio.Event()
    keyboard = sys.stdin.fileno() if asks else -1

    def typed() -> None:
        for line in os.read(keyboard, 1024).splitlines():
            if line.strip()[:1] in ENDS:
                ended.set()
            else:
                marks.append(Mark(time.time_ns(), not (marks and marks[-1].on)))

    loop = asyncio.get_running_loop()
    if asks:
        loop.add_reader(keyboard, typed)
    try:
        yield ended
    finally:
        if asks:
            loop.remove_reader(keyboard)


# -- what is shown


def _table(survey: Survey, marks: Sequence[Mark]) -> Table:
    """What moves at this moment, and what of it follows the jet."""
    jet = "nobody said yet" if not marks else "on" if marks[-1].on else "off"
    table = Table(box=SIMPLE, title=f"jet: {jet}", title_justify="left")
    for column in ("place", "now", "lowest", "highest", "follows the jet"):
        table.add_column(column, overflow="fold")
    moving = [(n, each) for n, each in survey.streams().items() if np.ptp(each.values) > 0.0]
    for name, each in moving[:MOST_SHOWN]:
        yes = follows(each.values, jet_of(each.time_ns, marks))
        unit = spelled(survey.places[name].unit)
        figures = (each.values[-1], each.values.min(), each.values.max())
        words = [f"{figure:.6g} {unit}".rstrip() for figure in figures]
        table.add_row(name, *words, _word(yes))
    return table


def show_places(heard: Heard) -> None:
    """What moved while it was listened to, and what of it followed the jet."""
    rows = []
    still = 0
    for name, values in heard.raw.values.items():
        known = values[np.isfinite(values)]
        if not len(known) or np.ptp(known) == 0.0:
            still += 1
            continue
        place = heard.places[name]
        ends = (f"{known.min():.6g}", f"{known.max():.6g}")
        rows.append(
            (name, *ends, spelled(place.unit), place.note, _word(follows(values, heard.jet)))
        )
    shown = rows[:MOST_SHOWN]
    columns = ("place", "lowest", "highest", "unit", "range", "follows the jet")
    print_table(columns, shown, "What moved")
    if len(rows) > len(shown):
        say(f"and {len(rows) - len(shown)} more that moved")
    say(f"{still} stood still")


def _word(follow: bool | None) -> str:
    return "" if follow is None else "yes" if follow else "no"

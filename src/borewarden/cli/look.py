"""Look at a shop's own log, and write the machine file that reads it."""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from borewarden.base.errors import BadInput
from borewarden.base.samples import SI_UNITS
from borewarden.cli.terminal import AsJson, app, print_json, print_table, refusing, say
from borewarden.collect.logged import read_log
from borewarden.look.form import Answers
from borewarden.look.level import coefficient, fits, level_of
from borewarden.look.looked import Looked, look_at, with_roles
from borewarden.look.machine_file import (
    DIRECT,
    GUESSED,
    INTENSIFIER,
    KINDS,
    PLATE,
    STATED,
    Figure,
    Plate,
    as_stated,
    checked,
    figures_of,
    machine_text,
    pump_kind,
    write_new,
)
from borewarden.look.plots import plot
from borewarden.look.question import Question
from borewarden.look.roles import Told
from borewarden.replay.one_machine import join_logs
from borewarden.settings.consistency import check_together
from borewarden.settings.machine import MachineSettings

Files = Annotated[list[Path], typer.Argument(help="Logs of one form, in time order.")]
Out = Annotated[
    Path | None, typer.Option(help="The machine file to write; default LOG.toml in this folder.")
]
Yes = Annotated[bool, typer.Option("--yes", help="Ask nothing: take what is proposed.")]
Is = Annotated[
    list[str] | None,
    typer.Option("--is", help="What a column is, CHANNEL=COLUMN; CHANNEL=none: there is none."),
]
Unit = Annotated[list[str] | None, typer.Option(help="A column's unit, CHANNEL=UNIT.")]
PlateFigures = Annotated[
    list[str] | None,
    typer.Option("--plate", help="A figure of the name plate, such as rated_pressure='60 kpsi'."),
]
DateOrder = Annotated[
    str | None, typer.Option(help="day-first, month-first or year-first, if it can't be told.")
]
Decimal = Annotated[str | None, typer.Option(help="Decimal sign: point or comma.")]
"""Options of the form, each for what a file leaves open."""


@app.command("look")
def look_command(
    files: Files,
    out: Out = None,
    yes: Yes = False,
    columns: Is = None,
    unit: Unit = None,
    plate: PlateFigures = None,
    name: Annotated[str | None, typer.Option(help="The machine's name.")] = None,
    time_zone: Annotated[
        str | None, typer.Option(help="Zone of local times, such as Europe/Vienna.")
    ] = None,
    pump: Annotated[str | None, typer.Option(help="intensifier or direct drive.")] = None,
    bore: Annotated[str | None, typer.Option(help="Bore of the jewel, such as '0.010 in'.")] = None,
    material: Annotated[str | None, typer.Option(help="ruby, sapphire, man-made, diamond.")] = None,
    fitted: Annotated[str | None, typer.Option(help="When the jewel was fitted.")] = None,
    date_order: DateOrder = None,
    decimal: Decimal = None,
    encoding: Annotated[str | None, typer.Option(help="Such as cp1252.")] = None,
    separator: Annotated[str | None, typer.Option(help="A sign, or tab, or blanks.")] = None,
    sheet: Annotated[str | None, typer.Option(help="Sheet of a spreadsheet.")] = None,
    time: Annotated[str | None, typer.Option(help="Column of the times.")] = None,
    date: Annotated[str | None, typer.Option(help="Day of a log without dates.")] = None,
    start: Annotated[
        str | None, typer.Option(help="Begin of a log that counts from its start.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Look at a shop's own log: what its columns are, and the machine file for it."""
    with refusing("look"):
        target = out or Path(f"{files[0].name.split('.')[0]}.toml")
        if target.exists():
            raise BadInput(
                target, "file", "it is there already, and is not overwritten", "give another --out"
            )
        asks = sys.stdin.isatty() and not yes and not as_json
        if not (asks or yes or as_json):
            raise BadInput("--yes", "terminal", "there is nobody to ask", "give --yes")
        answers = Answers(
            _one_of("--date-order", date_order, ("day-first", "month-first", "year-first")),
            _one_of("--decimal", decimal, ("point", "comma")),
            encoding, separator, sheet, time, _day(date), _moment("--start", start),
        )  # fmt: skip
        told = Told(_pairs("--is", columns, SI_UNITS), _pairs("--unit", unit, SI_UNITS))
        looked, answers, told = _look(files, answers, told, asks)
        stated = Plate(
            name, time_zone, _one_of("--pump", pump, KINDS), bore,
            material, _moment("--fitted", fitted),
            _pairs("--plate", plate, dict.fromkeys((*INTENSIFIER, *DIRECT)), "figure"),
        )  # fmt: skip
        if asks:
            _show(looked)
            looked = _confirmed(looked, told)
            stated = _asked_plate(looked, stated)
        figures, samples = _write(target, looked, stated)
    if as_json:
        roles = [role._asdict() for role in looked.roles]
        print_json({"machine_file": target, "samples": samples, "roles": roles})
        return
    if not asks:
        _show(looked)
    _show_figures(figures)
    say(
        f"{samples:,} samples",
        f"machine file: {target}",
        f"next: borewarden replay {' '.join(map(str, files))} --machine {target}",
    )


def _write(target: Path, looked: Looked, stated: Plate) -> tuple[dict[str, Figure], int]:
    """Write the machine file once it has read all of the log: its figures, how many samples."""
    figures = figures_of(looked, stated)
    zone = stated.time_zone or _zone_here()
    text = machine_text(looked, stated, figures, zone)
    settings = checked(text, target, stated)
    if _counts_twos(looked, settings):
        text = machine_text(looked, stated, figures, zone, per_count=2)
        settings = checked(text, target, stated)
    try:
        check_together(target, settings)
    except BadInput as bad:
        raise as_stated(bad, stated) from None
    form = settings.log_format()
    parts = [read_log(path, form) for path in looked.paths]
    join_logs(looked.paths, parts)
    write_new(target, text)
    return figures, sum(len(part.time_ns) for part in parts)


def _counts_twos(looked: Looked, settings: MachineSettings) -> bool:
    """Whether the jewel fits the pump only if strokes to and fro are counted as one."""
    (jewel,) = settings.jewels()
    level = level_of(looked.readings, looked.roles)
    found = coefficient(level, settings.build_pump().displacement, jewel.bore)
    return settings.pump.kind == "intensifier" and not fits(found) and fits(2.0 * found)


# -- options


def _one_of(option: str, value: str | None, known: Sequence[str]) -> str | None:
    if value is None or value in known:
        return value
    raise BadInput(option, value, "is not known", f"give {' or '.join(known)}")


def _pairs(
    option: str,
    given: Sequence[str] | None,
    known: Mapping[str, object],
    what: str = "channel",
) -> dict[str, str]:
    found = {}
    for text in given or ():
        name, sign, value = text.partition("=")
        if not sign or not value:
            raise BadInput(option, text, "has no value", f"write it as {option} NAME=VALUE")
        name = name.strip()
        if name not in known:
            raise BadInput(option, name, f"is not a {what}", f"known are {', '.join(known)}")
        found[name] = value.strip()
    return found


def _day(text: str | None) -> dt.date | None:
    moment = _moment("--date", text)
    return None if moment is None else moment.date()


def _moment(option: str, text: str | None) -> dt.datetime | None:
    if text is None:
        return None
    try:
        return dt.datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(
            option, text, "is not a time", "give one such as 2026-03-17T05:49:43, or 2026-03-17"
        ) from None


def _zone_here() -> str:
    """The time zone of this computer, by its name; UTC where it has none."""
    here = Path("/etc/localtime")
    if here.is_symlink():
        _, found, zone = str(here.resolve()).partition("zoneinfo/")
        if found:
            return zone
    return "UTC"


# -- the dialogue


def _look(
    files: Sequence[Path], answers: Answers, told: Told, asks: bool
) -> tuple[Looked, Answers, Told]:
    """The log, with an answer from the person there to each question that it leaves open."""
    asked: Question | None = None
    before = answers, told
    while True:
        try:
            return look_at(files, answers, told), answers, told
        except Question as question:
            if not asks:
                raise
            asked, before = question, (answers, told)
        except BadInput as bad:
            if asked is None:
                raise
            say(f"{bad.where}: {bad.wrong}; {bad.right}")
        answers, told = _answered(asked, *before)


def _answered(question: Question, answers: Answers, told: Told) -> tuple[Answers, Told]:
    """What is known with the answer to a question; asks again until it is one."""
    say(f"{question.where}: {question.wrong}")
    while True:
        reply = _prompt(question.option.removeprefix("--"), question.choices)
        try:
            return _with_answer(question, reply, answers, told)
        except BadInput as bad:
            say(f"{bad.where!r} {bad.wrong}; {bad.right}")


def _with_answer(
    question: Question, reply: str, answers: Answers, told: Told
) -> tuple[Answers, Told]:
    if question.option in ("--is", "--unit"):
        pair = _pairs(question.option, [reply], SI_UNITS)
        if question.option == "--is":
            return answers, dataclasses.replace(told, column={**told.column, **pair})
        return answers, dataclasses.replace(told, unit={**told.unit, **pair})
    field = question.option.removeprefix("--").replace("-", "_")
    value: Any = reply
    if field == "date":
        value = _day(reply)
    elif field == "start":
        value = _moment("--start", reply)
    return dataclasses.replace(answers, **{field: value}), told


def _prompt(what: str, choices: Sequence[str]) -> str:
    if not choices:
        return str(typer.prompt(what))
    for at, choice in enumerate(choices, 1):
        say(f"  {at}  {choice}")
    at = 0
    while not 1 <= at <= len(choices):
        at = int(typer.prompt(f"{what}: which number", type=int))
    return choices[at - 1]


def _reply(what: str) -> str:
    """What a person types, "" for Enter."""
    return str(typer.prompt(what, default="", show_default=False)).strip()


def _confirmed(looked: Looked, told: Told) -> Looked:
    """The roles as a person lets them stand."""
    while True:
        reply = _reply("Enter if that is right, else CHANNEL=COLUMN, or CHANNEL=none")
        if not reply:
            return looked
        try:
            pair = _pairs("--is", [reply], SI_UNITS)
            candidate = dataclasses.replace(told, column={**told.column, **pair})
            looked, told = _told_anew(looked, candidate)
        except BadInput as bad:
            say(
                f"{reply}: {bad.wrong}",
                f"CHANNEL is one of {', '.join(SI_UNITS)}",
                f"COLUMN is one of {', '.join(looked.readings.values)}",
            )
            continue
        _show_roles(looked)


def _told_anew(looked: Looked, told: Told) -> tuple[Looked, Told]:
    """The log with what was told, and an answer to each question that this leads to."""
    while True:
        try:
            return with_roles(looked, told), told
        except Question as question:
            _, told = _answered(question, Answers(), told)


def _asked_plate(looked: Looked, stated: Plate) -> Plate:
    """The figures of the name plate, each with what is guessed; Enter leaves the guess."""
    _check(looked, stated)  # or an option that is wrong would spoil each answer
    say("From the name plate and the manual; Enter where you don't know.")
    if stated.name is None:
        stated = _asked(looked, stated, "name", "name of the machine")
    if stated.time_zone is None:
        what = f"time zone [{_zone_here()}, that of this computer]"
        stated = _asked(looked, stated, "time_zone", what)
    kind, why = pump_kind(looked, stated)
    if why.startswith(GUESSED):
        stated = _asked(looked, stated, "kind", f"{' or '.join(KINDS)} [{kind}, {why}]")
    for name in figures_of(looked, stated):
        figure = figures_of(looked, stated)[name]  # what is stated may change the guesses
        if name not in ("kind", "fitted") and figure.comment not in (PLATE, STATED):
            guess = figure.value.strip('"')
            stated = _asked(looked, stated, name, f"{name} [{guess}, {figure.comment}]")
    return stated


def _check(looked: Looked, plate: Plate) -> None:
    """Raise BadInput unless there is a machine file with what the plate states."""
    text = machine_text(looked, plate, figures_of(looked, plate), plate.time_zone or _zone_here())
    checked(text, Path("machine file"), plate)


def _asked(looked: Looked, stated: Plate, name: str, what: str) -> Plate:
    """`stated` with the reply for `name`; asks again until it can be used."""
    while reply := _reply(what):
        if name in ("name", "time_zone", "kind", "bore", "material"):
            changes: dict[str, Any] = {name: reply}
        else:
            changes = {"figures": {**stated.figures, name: reply}}
        candidate = dataclasses.replace(stated, **changes)
        try:
            _check(looked, candidate)
        except BadInput as bad:
            say(f"{bad.wrong}; {bad.right}")
        else:
            return candidate
    return stated


# -- what is shown


def _show(looked: Looked) -> None:
    for name, values in looked.readings.values.items():
        known = values[values == values]
        ends = f"{known.min():.6g} to {known.max():.6g}" if len(known) else "nothing"
        unit = looked.form.units.get(name, "")
        say("", f"{name}: {ends} {unit}".rstrip())
        say(*(f"  {line}" for line in plot(values)))
    say("")
    _show_roles(looked)


def _show_roles(looked: Looked) -> None:
    rows = [(role.channel, role.column, role.unit, role.why) for role in looked.roles]
    used = {role.column for role in looked.roles}
    rows += [("-", name, "", "not used") for name in looked.readings.values if name not in used]
    print_table(("what", "column", "unit", "why"), rows, "What the columns are")


def _show_figures(figures: Mapping[str, Figure]) -> None:
    rows = [(name, figure.value.strip('"'), figure.comment) for name, figure in figures.items()]
    print_table(("figure", "value", "where it comes from"), rows, "What the machine file states")

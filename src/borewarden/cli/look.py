"""Look at a shop's own log or controller, and write the machine file that reads it."""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from borewarden.base.errors import BadInput
from borewarden.base.numbers import split_quantity
from borewarden.base.samples import HEAD, MOST_HEADS, SI_UNITS
from borewarden.base.shown import NAMED, show_in, shown
from borewarden.base.text import known_name
from borewarden.cli.look_live import (
    LISTEN,
    PAUSE,
    ListenFor,
    MayScan,
    Pause,
    Registers,
    SourceFields,
    Wish,
    listened,
    show_places,
)
from borewarden.cli.terminal import AsJson, app, print_json, print_table, refusing, say, typed, warn
from borewarden.collect.logged import read_log
from borewarden.look.address import is_address
from borewarden.look.doubt import Cost, costs_of, open_words
from borewarden.look.form import Answers
from borewarden.look.help import CHOICES, FIGURES, question_help
from borewarden.look.level import level_of
from borewarden.look.looked import Looked, Seen, look_at
from borewarden.look.machine_file import (
    DIRECT,
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
    per_count_of,
    pump_kind,
    write_new,
)
from borewarden.look.network import Heard
from borewarden.look.plots import plot
from borewarden.look.question import PanelQuestion, Question
from borewarden.look.roles import Role, Told
from borewarden.look.unit_words import spelled
from borewarden.look.usual import bore_text
from borewarden.replay.one_machine import join_logs
from borewarden.settings.consistency import check_together
from borewarden.settings.guesses import GUESSED
from borewarden.settings.load import units_at

HELP = "?"  # what a person types who does not know what is asked
ON_PANEL = {"rate": "strokes a minute, speed or flow"}  # channels by the words of a panel
BORE_EXAMPLE, WATER_EXAMPLE = 0.254e-3, 291.15  # m, K

What = Annotated[
    list[str],
    typer.Argument(
        help="Logs of one form, in time order; or one address to read from, such as "
        "opc.tcp://HOST:4840, modbus://HOST:502, modbus+rtu:///dev/ttyUSB0 or mqtt://HOST."
    ),
]
Out = Annotated[
    Path | None, typer.Option(help="The machine file to write; default LOG.toml in this folder.")
]
Yes = Annotated[bool, typer.Option("--yes", help="Ask nothing: take what is proposed.")]
Is = Annotated[
    list[str] | None,
    typer.Option("--is", help="What a column is, CHANNEL=COLUMN; CHANNEL=none: there is none."),
]
Unit = Annotated[
    list[str] | None,
    typer.Option(
        help="A column's unit, such as rate=strokes/min; of an address also 'pressure=0.1 bar'."
    ),
]
Panel = Annotated[
    list[str] | None,
    typer.Option(help="What the panel shows with the jet on, such as 'pressure=3,700 bar'."),
]
PlateFigures = Annotated[
    list[str] | None,
    typer.Option("--plate", help="A figure of the name plate, such as rated_pressure='60 kpsi'."),
]
MachineName = Annotated[str | None, typer.Option(help="The machine's name.")]
Units = Annotated[
    str | None, typer.Option(help="What you read, and the machine file too: metric or US.")
]
Zone = Annotated[str | None, typer.Option(help="Zone of local times, such as Europe/Vienna.")]
PumpKind = Annotated[str | None, typer.Option(help="intensifier or direct drive.")]
JewelBore = Annotated[str | None, typer.Option(help="Bore of the jewel, such as '0.010 in'.")]
Material = Annotated[str | None, typer.Option(help="ruby, sapphire, man-made, diamond.")]
Fitted = Annotated[str | None, typer.Option(help="When the jewel was fitted.")]
Heads = Annotated[
    int | None, typer.Option(min=1, max=MOST_HEADS, help="Cutting heads that the pump feeds.")
]
DateOrder = Annotated[
    str | None, typer.Option(help="day-first, month-first or year-first, if it can't be told.")
]
Decimal = Annotated[str | None, typer.Option(help="Decimal sign: point or comma.")]
Encoding = Annotated[str | None, typer.Option(help="Such as cp1252.")]
Separator = Annotated[str | None, typer.Option(help="A sign, or tab, or blanks.")]
Sheet = Annotated[str | None, typer.Option(help="Sheet of a spreadsheet.")]
TimeColumn = Annotated[str | None, typer.Option(help="Column of the times.")]
Date = Annotated[str | None, typer.Option(help="Day of a log without dates.")]
Start = Annotated[str | None, typer.Option(help="Begin of a log that counts from its start.")]
"""Options of the form, each for what a file leaves open."""


@app.command("look")
def look_command(
    files: What,
    out: Out = None,
    yes: Yes = False,
    columns: Is = None,
    unit: Unit = None,
    panel: Panel = None,
    plate: PlateFigures = None,
    name: MachineName = None,
    units: Units = None,
    time_zone: Zone = None,
    pump: PumpKind = None,
    bore: JewelBore = None,
    material: Material = None,
    fitted: Fitted = None,
    heads: Heads = None,
    date_order: DateOrder = None,
    decimal: Decimal = None,
    encoding: Encoding = None,
    separator: Separator = None,
    sheet: Sheet = None,
    time: TimeColumn = None,
    date: Date = None,
    start: Start = None,
    listen: ListenFor = LISTEN,
    registers: Registers = None,
    pause: Pause = PAUSE,
    may_scan: MayScan = False,
    source: SourceFields = None,
    as_json: AsJson = False,
) -> None:
    """Look at a shop's own log or controller: what is what, and the machine file for it."""
    with refusing("look"):
        target = _target(files, out, name)
        asks = _is_asked(yes, as_json)
        _show_units(target, units := _one_of("--units", units, ("metric", "US")))
        answers = Answers(
            _one_of("--date-order", date_order, ("day-first", "month-first", "year-first")),
            _one_of("--decimal", decimal, ("point", "comma")),
            encoding, separator, sheet, time, _day(date), _moment("--start", start),
        )  # fmt: skip
        told = Told(*(_pairs(*each, SI_UNITS) for each in (
            ("--is", columns), ("--unit", unit), ("--panel", panel))))  # fmt: skip
        stated = Plate(
            name, time_zone, _one_of("--pump", pump, KINDS), bore,
            material, _moment("--fitted", fitted), heads,
            _pairs("--plate", plate, dict.fromkeys((*INTENSIFIER, *DIRECT)), "figure"), units,
        )  # fmt: skip
        if is_address(files[0]):
            wish = Wish(files[0], _free_pairs("--source", source), listen, registers, pause)
            heard = listened(wish, target, asks, may_scan, warn if as_json else say)
            seen, told = _told_anew(heard, told, asks)
        else:
            _refuse_panel(panel)
            seen, answers, told = _look([Path(each) for each in files], answers, told, asks)
        if asks:
            seen, told = _rate_asked(seen, told)
            _show(seen, told)
            seen, told = _confirmed(seen, told)
            stated = _asked_plate(seen, stated)
        figures, samples = _written(target, seen, stated, asks)
        heads = int(figures["heads"].value)
        costs = costs_of(figures, level_of(seen.readings, seen.roles, heads))
    if as_json:
        print_json(_found((target, samples, heads), seen, told, costs))
        return
    if not asks:
        _show(seen, told)
    _show_figures(figures)
    say(*open_words(seen, told, figures, costs))
    say(f"{samples:,} samples", f"machine file: {target}", _next_step(files, target))


def _found(
    written: tuple[Path, int, int], seen: Seen, told: Told, costs: Sequence[Cost]
) -> dict[str, Any]:
    """What was written, what the columns are, and what nobody knows: as JSON has it."""
    parts: dict[str, Sequence[Any]]
    parts = {"roles": seen.roles, "left_out": seen.left_out(told), "unknown": costs}
    found = {name: [each._asdict() for each in part] for name, part in parts.items()}
    return dict(zip(("machine_file", "samples", "heads"), written, strict=True)) | found


def _target(files: Sequence[str], out: Path | None, name: str | None) -> Path:
    """The machine file to write. Raises BadInput where it is there."""
    usual = Path(files[0]).name.split(".")[0]
    if is_address(files[0]):
        usual = re.sub(r"\W+", "-", name or f"pump at {files[0].partition('://')[2]}").strip("-")
    target = out or Path(f"{usual}.toml")
    if target.exists():
        raise BadInput(
            target, "file", "it is there already, and is not overwritten", "give another --out"
        )
    if is_address(files[0]) and len(files) > 1:
        raise BadInput(files[1], "address", "only one can be looked at", "call look for each")
    return target


def _show_units(target: Path, named: str | None) -> None:
    """From here on, show the units of the option, else those of a machine file at `target`."""
    show_in(units_at(target) if named is None else NAMED[named.lower()])


def _refuse_panel(panel: Sequence[str] | None) -> None:
    """Raise BadInput: what a panel shows now says nothing of a log."""
    if panel:
        right = "give --is and --unit, as in --is 'rate=COLUMN' --unit 'rate=strokes/min'"
        raise BadInput("--panel", panel[0], "is of an address, and this is a log", right)


def _is_asked(yes: bool, as_json: bool) -> bool:
    """Whether there is a person to ask. Raises BadInput where there is none, and no `--yes`."""
    asks = sys.stdin.isatty() and not yes and not as_json
    if not (asks or yes or as_json):
        raise BadInput(
            "standard input", "terminal", "is none, so nobody can be asked", "give --yes"
        )
    return asks


def _next_step(files: Sequence[str], target: Path) -> str:
    if is_address(files[0]):
        return f"next, while the pump cuts: {typed('reach', '--config', target)}"
    return f"next: {typed('replay', *files, '--machine', target)}"


def _written(target: Path, seen: Seen, stated: Plate, asks: bool) -> tuple[dict[str, Figure], int]:
    """As `_write`, but a bore that the pump can't feed is asked for again."""
    while True:
        try:
            return _write(target, seen, stated)
        except BadInput as bad:
            of_bore = bad.where.startswith("jewel")
            said = _of_bore(bad, seen, stated) if of_bore else bad
            if not (of_bore and asks):
                raise _blamed(said, seen, stated) from None
            say(f"{said.where}: {said.wrong}; {said.right}")
        while (reply := _reply("bore of the fitted jewel, from the job sheet")) == HELP:
            say(FIGURES["bore"])
        if not reply:
            raise BadInput("--bore", said.where, "does not fit, and no other is known", said.right)
        stated = dataclasses.replace(stated, bore=reply)


def _of_bore(bad: BadInput, seen: Seen, stated: Plate) -> BadInput:
    """The same, said of the bore as it was stated or guessed."""
    bore = figures_of(seen, stated)["bore"].value.strip('"')
    which = f"the guessed bore {bore}" if stated.bore is None else bore
    right = f"give the bore on the job sheet, as in --bore '{bore_text(BORE_EXAMPLE)}'; {bad.right}"
    return BadInput("--bore", which, bad.wrong, right)


def _blamed(bad: BadInput, seen: Seen, stated: Plate) -> BadInput:
    """The same, said of the figure of the name plate without which all would be well, if one is."""
    if str(bad.file) == "--plate":
        return bad
    for name, value in stated.figures.items():
        rest = {other: each for other, each in stated.figures.items() if other != name}
        try:
            _made(Path("machine file"), seen, dataclasses.replace(stated, figures=rest))
        except BadInput:
            continue
        bore = bad.where if bad.where.startswith("the ") else f"the bore {bad.where}"
        wrong = f"with {bore}, {bad.wrong}" if str(bad.file) == "--bore" else bad.wrong
        right = f"check that figure on the name plate, or else: {bad.right}"
        return BadInput("--plate", f"{name}={value}", wrong, right)
    return bad


def _write(target: Path, seen: Seen, stated: Plate) -> tuple[dict[str, Figure], int]:
    """Write the machine file once it has read all of a log: its figures, how many samples."""
    text, figures, count = _made(target, seen, stated)
    write_new(target, text)
    return figures, count


def _made(target: Path, seen: Seen, stated: Plate) -> tuple[str, dict[str, Figure], int]:
    """Text and figures of a machine file that reads all of a log, and how many samples it reads.

    Raises BadInput where there can be none.
    """
    figures = figures_of(seen, stated)
    zone = stated.time_zone or _zone_here()
    text = machine_text(seen, stated, figures, zone)
    settings = checked(text, target, stated)
    if found := per_count_of(seen, settings):
        figures["strokes_per_count"] = found
        text = machine_text(seen, stated, figures, zone)
        settings = checked(text, target, stated)
    try:
        check_together(target, settings)
    except BadInput as bad:
        raise as_stated(bad, stated) from None
    if not isinstance(seen, Looked):
        return text, figures, len(seen.readings.seconds)
    form = settings.log_format()
    parts = [read_log(path, form) for path in seen.paths]
    join_logs(seen.paths, parts)
    return text, figures, sum(len(part.time_ns) for part in parts)


# -- options


def _one_of(option: str, value: str | None, known: Sequence[str]) -> str | None:
    if value is None or (found := known_name(value, known)):
        return value and found
    raise BadInput(option, value, "is not known", f"give {' or '.join(known)}")


def _pairs(
    option: str,
    given: Sequence[str] | None,
    known: Mapping[str, object],
    what: str = "channel",
) -> dict[str, str]:
    found = _free_pairs(option, given)
    for name in found:
        if name not in known and not (known is SI_UNITS and name.startswith(HEAD)):
            raise BadInput(option, name, f"is not a {what}", f"known are {', '.join(known)}")
    return found


def _free_pairs(option: str, given: Sequence[str] | None) -> dict[str, str]:
    found = {}
    for text in given or ():
        name, sign, value = text.partition("=")
        if not sign or not value:
            raise BadInput(option, text, "has no value", f"write it as {option} NAME=VALUE")
        found[name.strip()] = value.strip()
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
        reply = _prompt(question)
        if reply == HELP:
            say(question_help(question))
            continue
        try:
            return _with_answer(question, reply, answers, told)
        except BadInput as bad:
            say(f"{bad.where!r} {bad.wrong}; {bad.right}")


def _with_answer(
    question: Question, reply: str, answers: Answers, told: Told
) -> tuple[Answers, Told]:
    if isinstance(question, PanelQuestion):
        return answers, _from_panel(question.channel, reply, told)
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


def _from_panel(channel: str, reply: str, told: Told) -> Told:
    """What is known with what the panel shows; "none" if it shows nothing, or CHANNEL=COLUMN."""
    if reply == "none" or "=" in reply:
        pair = {channel: "none"} if reply == "none" else _pairs("--is", [reply], SI_UNITS)
        return dataclasses.replace(told, column={**told.column, **pair})
    return dataclasses.replace(told, panel={**told.panel, channel: reply})


def _prompt(question: Question) -> str:
    what, choices = question.option.removeprefix("--"), question.choices
    if isinstance(question, PanelQuestion):
        words = ON_PANEL.get(question.channel, question.channel)
        what = f"{words} on the panel with the jet on, such as {question.example}"
        return str(typer.prompt(f"{what}; none if it shows none, ? for help")).strip()
    if not choices:
        return str(typer.prompt(f"{what} (? for help)")).strip()
    for at, choice in enumerate(choices, 1):
        say(f"  {at}  {choice}")
    numbers = {str(at): choice for at, choice in enumerate(choices, 1)}
    while True:
        reply = str(typer.prompt(f"{what}: which number (? for help)")).strip()
        if found := HELP if reply == HELP else numbers.get(reply) or known_name(reply, choices):
            return found
        say(f"{reply!r} is none of them; give a number from 1 to {len(choices)}")


def _reply(what: str) -> str:
    """What a person types, "" for Enter."""
    return str(typer.prompt(what, default="", show_default=False)).strip()


def _rate_asked(seen: Seen, told: Told) -> tuple[Seen, Told]:
    """The same, with what the panel shows as strokes or speed, where no number is taken for it."""
    channels = {*(role.channel for role in seen.roles), *told.column}
    missed = [each for each in seen.left_out(told) if each.channel in ("rate", "stroke_count")]
    if not isinstance(seen, Heard) or {"rate", "stroke_count"} & channels or not missed:
        return seen, told
    names = "; ".join(f"{each.column}: {each.why}" for each in missed)
    question = PanelQuestion(
        seen.source, "rate", f"nothing is taken for it. {names}", "24 strokes/min"
    )
    while True:
        _, candidate = _answered(question, Answers(), told)
        try:
            return _told_anew(seen, candidate)
        except BadInput as bad:
            say(f"{bad.where}: {bad.wrong}; {bad.right}")


def _confirmed(looked: Seen, told: Told) -> tuple[Seen, Told]:
    """The roles as a person lets them stand, and what was told of them."""
    water = shown("temperature").brief(WATER_EXAMPLE)
    panel = f", or what the panel shows, as in 'temperature={water}'"
    what = f"CHANNEL=COLUMN, or CHANNEL=none{panel if isinstance(looked, Heard) else ''}"
    while True:
        reply = _reply(f"Enter if that is right, else {what}; ? for help")
        if not reply:
            return looked, told
        if reply == HELP:
            say(
                "Type what a column is if the table above has it wrong, such as pressure=PT101, or "
                "temperature=none to leave it out.",
                *_names(looked),
            )
            continue
        try:
            pair = _pairs("--is", [reply], SI_UNITS)
            looked, told = _told_anew(looked, _told_more(looked, told, pair))
        except BadInput as bad:
            say(f"{reply}: {bad.wrong}", *_names(looked))
            continue
        _show_roles(looked, told)


def _names(seen: Seen) -> tuple[str, str]:
    """What may stand before and behind the sign of equality."""
    channels, columns = ", ".join(SI_UNITS), ", ".join(seen.readings.values)
    return f"CHANNEL is one of {channels}", f"COLUMN is one of {columns}"


def _told_more(seen: Seen, told: Told, pair: Mapping[str, str]) -> Told:
    """With one more channel: the place that it is, or what the panel shows of it."""
    ((channel, text),) = pair.items()
    if isinstance(seen, Heard) and text not in seen.readings.values and all(split_quantity(text)):
        known = {name: each for name, each in told.column.items() if name != channel}
        return dataclasses.replace(told, column=known, panel={**told.panel, **pair})
    return dataclasses.replace(told, column={**told.column, **pair})


def _told_anew(seen: Seen, told: Told, asks: bool = True) -> tuple[Seen, Told]:
    """The readings with what was told, and an answer to each question that this leads to."""
    asked: Question | None = None
    before = told
    while True:
        try:
            return seen.told_anew(told), told
        except Question as question:
            if not asks:
                raise
            asked, before = question, told
        except BadInput as bad:
            if asked is None:
                raise
            say(f"{bad.where}: {bad.wrong}; {bad.right}")
        _, told = _answered(asked, Answers(), before)


def _asked_plate(looked: Seen, stated: Plate) -> Plate:
    """The figures of the name plate, each with what is guessed; Enter leaves the guess."""
    try:
        _check(looked, stated)  # or an option that is wrong would spoil each answer
    except BadInput as bad:
        raise _blamed(bad, looked, stated) from None
    say("From the name plate and the manual; Enter where you don't know, ? for help.")
    if stated.name is None:
        stated = _asked(looked, stated, "name", f"name of the machine [{looked.usual_name}]")
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
            of = f" ({', '.join(CHOICES[name])})" if name in CHOICES else ""
            stated = _asked(looked, stated, name, f"{name}{of} [{guess}, {figure.comment}]")
    return stated


def _check(looked: Seen, plate: Plate) -> None:
    """Raise BadInput unless there is a machine file with what the plate states."""
    text = machine_text(looked, plate, figures_of(looked, plate), plate.time_zone or _zone_here())
    checked(text, Path("machine file"), plate)


def _asked(looked: Seen, stated: Plate, name: str, what: str) -> Plate:
    """`stated` with the reply for `name`; asks again until it can be used."""
    while reply := _reply(what):
        if reply == HELP:
            say(FIGURES[name])
            continue
        if name in ("name", "time_zone", "kind", "bore", "material"):
            changes: dict[str, Any] = {name: reply}
        elif name == "heads":
            if not (reply.isdecimal() and 1 <= int(reply) <= MOST_HEADS):
                say(f"{reply!r} is not a number of heads; give 1 to {MOST_HEADS}")
                continue
            changes = {name: int(reply)}
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


def _show(seen: Seen, told: Told) -> None:
    if isinstance(seen, Heard):
        show_places(seen)
    else:
        for name, values in seen.readings.values.items():
            known = values[values == values]
            ends = f"{known.min():.6g} to {known.max():.6g}" if len(known) else "nothing"
            unit = spelled(seen.readings.units.get(name, ""))
            say("", f"{name}: {ends} {unit}".rstrip())
            say(*(f"  {line}" for line in plot(values)))
    say("")
    _show_roles(seen, told)


def _show_roles(looked: Seen, told: Told) -> None:
    rows = [(role.channel, role.column, _scaled_unit(role), role.why) for role in looked.roles]
    used = {role.column for role in looked.roles}
    if not isinstance(looked, Heard):  # there may be hundreds
        rows += [("-", name, "", "not used") for name in looked.readings.values if name not in used]
    print_table(("what", "column", "unit", "why"), rows, "What the columns are")
    if missed := looked.left_out(told):
        say("Left out. The options behind each column would take it:")
        say(*(f"  {each.column}, {each.channel}: {each.why}; {each.option}" for each in missed))


def _scaled_unit(role: Role) -> str:
    return role.unit if role.scale == 1.0 else f"{role.scale:g} {role.unit}".rstrip()


def _show_figures(figures: Mapping[str, Figure]) -> None:
    rows = [(name, figure.value.strip('"'), figure.comment) for name, figure in figures.items()]
    print_table(("figure", "value", "where it comes from"), rows, "What the machine file states")

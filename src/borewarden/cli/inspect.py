"""Confirm at the machine: a guided inspection after an alert, and what was found before."""

import datetime as dt
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.errors import BadInput, MissingExtra
from borewarden.base.files import check_output
from borewarden.base.shown import show_in
from borewarden.base.times import local_ns, local_time
from borewarden.cli.terminal import AsJson, app, out, print_json, print_table, refusing, say
from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER
from borewarden.inspection.answers import (
    Subject,
    check_answers,
    conclude_inspection,
    looked_at,
    merge_answers,
)
from borewarden.inspection.cautions import caution_lines
from borewarden.inspection.labels import RIM_ANSWERS, picture_bytes
from borewarden.inspection.outcome import beliefs_of, conclude, guarded_step, kind_of
from borewarden.inspection.record import Finding, Inspection, Picture
from borewarden.inspection.steps import NOT_LOOKED, InspectionStep, steps_for
from borewarden.physics.pump import Intensifier
from borewarden.settings import load_machine
from borewarden.settings.answers_file import Given, read_answers
from borewarden.show import inspection_words as words
from borewarden.store import queries
from borewarden.store.database import open_store, transaction
from borewarden.store.inspections import (
    earlier_answers,
    inspection_history,
    inspections,
    keep_inspection,
    read_picture,
    strike_inspection,
)

LONGEST_NAME = 80
NEAR_NS = 60 * 10**9  # how far off the time of an alert may be given
RIM_WORDS = {finding.value: answer for finding, answer in RIM_ANSWERS.items()}

MachineOption = Annotated[
    str, typer.Option(help="Name of a machine in the store, or its settings, TOML.")
]
StoreOption = Annotated[Path, typer.Option(help="Embedded store.")]
Answers = Annotated[
    Path | None, typer.Option(help="Answers file, .toml or .json, in place of questions.")
]
Answer = Annotated[
    list[str] | None, typer.Option(help='"STEP=ANSWER", in place of questions; repeatable.')
]
Pictures = Annotated[
    list[Path] | None, typer.Option(help="Microscope picture to keep; repeatable.")
]
Measure = Annotated[
    bool, typer.Option(help="Measure the rim in the first picture; the answer if none is given.")
]
About = Annotated[
    str, typer.Option(help="Time of an earlier alert that this is about, local or with offset.")
]
Correct = Annotated[
    int | None, typer.Option(help="Number of an inspection to correct; its history is kept.")
]
Strike = Annotated[
    int | None, typer.Option(help="Number of an inspection to strike out; history is kept.")
]


@app.command("inspect")
def inspect_command(
    machine: MachineOption,
    store: StoreOption = Path("borewarden.db"),
    by: Annotated[str, typer.Option(help="Who looked.")] = "",
    answers: Answers = None,
    answer: Answer = None,
    picture: Pictures = None,
    measure: Measure = False,
    about: About = "",
    at: Annotated[str, typer.Option(help="When somebody looked, if not now; as --about.")] = "",
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    correct: Correct = None,
    strike: Strike = None,
    why: Annotated[str, typer.Option(help="Reason for a correction.")] = "",
) -> None:
    """Confirm an alert at the machine, step by step.

    Only by people who may, by local codes and the pump maker's manual; every step says the
    cautions first and may be skipped. Asks question by question unless answers are given.
    """
    with refusing("inspect"), _existing(store) as connection:
        number = strike if strike is not None else correct
        old = None if number is None else _held(connection, number)
        subject = _subject(connection, machine, about, old)
        if old is not None:
            _check_correction(subject, old, number, why)
        if strike is not None:
            with transaction(connection):
                strike_inspection(connection, strike, _person(by), why)
            say(f"Inspection {strike} is struck out; its history is kept.")
            return
        time_ns = _time_ns("--at", at, subject.time_zone) if at else time.time_ns()
        if old is not None and not at:
            time_ns = old.time_ns
        say(*words.subject_lines(subject))
        given = _given(answers, answer or [], picture or [], measure, by, note)
        alert_ns = subject.alert.time_ns if subject.alert else None
        earlier = earlier_answers(connection, subject.machine, alert_ns, number)
        asks = not (answers or answer or picture)
        if asks:
            _ask_all(subject, given, merge_answers(earlier, old.answers if old else {}))
        given.by = _person(given.by)
        check_answers(answers or "--answer", subject.kind, given.answers)
        contents, kept = _pictures(given)
        own = looked_at({**(old.answers if old else {}), **given.answers})
        if old is None and not (own or kept or given.note):
            say("Nobody looked at anything: nothing is kept.")
            return
        inspection, outcome = conclude_inspection(
            subject, earlier, own,
            by=given.by, time_ns=time_ns, pictures=(*(old.pictures if old else ()), *kept),
            note=given.note or (old.note if old else ""),
        )  # fmt: skip
        with _or_say_again(own, asks), transaction(connection):
            number = keep_inspection(connection, inspection, contents, why, number)
        say(*caution_lines())
        if rows := words.belief_rows(subject, outcome):
            print_table(words.BELIEF_COLUMNS, rows)
        say(*words.outcome_lines(number, subject, inspection, merge_answers(earlier, own)))


@app.command("inspections")
def inspections_command(
    store: StoreOption = Path("borewarden.db"),
    machine: Annotated[
        str, typer.Option(help="Of this machine only, by its name or its TOML file.")
    ] = "",
    history: Annotated[int | None, typer.Option(help="Every entry of one inspection.")] = None,
    pictures: Annotated[
        Path | None, typer.Option(help="Folder to write the pictures of those listed into.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List what was found at the machines."""
    with refusing("list inspections"), _existing(store) as connection:
        if history is None:
            name = load_machine(machine).name if machine.endswith(".toml") else machine
            if name and name not in (known := queries.machines(connection)):
                right = f"there is {', '.join(known) or 'none'}"
                raise BadInput("--machine", machine, "no such machine in the store", right)
            listed = inspections(connection, name or None)
            shown = list(listed.values())
            columns = words.LIST_COLUMNS
            rows = [words.list_row(number, each) for number, each in listed.items()]
            for_others = [{"inspection": number, **asdict(i)} for number, i in listed.items()]
        else:
            entries = inspection_history(connection, history)
            if not entries:
                raise BadInput("--history", str(history), "there is none", "list them without it")
            shown = [entry.content for entry in entries if entry.content]
            columns = words.HISTORY_COLUMNS
            rows = [words.history_row(entry) for entry in entries]
            for_others = [asdict(entry) for entry in entries]
        written = [] if pictures is None else _write_pictures(connection, shown, pictures, store)
    if as_json:
        print_json(for_others)
        return
    print_table(columns, rows)
    say(*map(str, written))


# -- what it is about


def _existing(store: Path) -> AbstractContextManager[sqlite3.Connection]:
    """The store at `store`, which has to be there: an inspection belongs to what was watched."""
    if not store.is_file():
        raise BadInput(
            store, "file", "there is no such store", "give the one that watch or replay writes"
        )
    return open_store(store)


def _held(connection: sqlite3.Connection, number: int) -> Inspection:
    held = inspections(connection)
    if number not in held:
        there = ", ".join(map(str, held)) or "none"
        raise BadInput(
            "--correct or --strike", str(number), "there is no such inspection", f"there is {there}"
        )
    return held[number]


def _check_correction(subject: Subject, old: Inspection, number: int | None, why: str) -> None:
    if old.machine != subject.machine:
        raise BadInput(
            "--correct or --strike",
            str(number),
            f"inspection {number} is of {old.machine!r}",
            f"give an inspection of {subject.machine!r}, or the other machine",
        )
    if not why.strip():
        raise BadInput("--why", "reason", "a correction without a reason", "say why")


def _subject(
    connection: sqlite3.Connection, machine: str, about: str, old: Inspection | None
) -> Subject:
    """The machine called or described by `machine`, and the alert in question."""
    name, kind, zone = machine, "", "UTC"
    if machine.endswith(".toml") or Path(machine).is_file():
        settings = load_machine(machine)
        show_in(settings.shown_units)
        name, zone = settings.name, settings.time_zone
        is_intensifier = isinstance(settings.build_pump(), Intensifier)
        kind = INTENSIFIER if is_intensifier else DIRECT_DRIVE
    elif machine not in (known := queries.machines(connection)):
        raise BadInput(
            "--machine",
            machine,
            "no such machine in the store",
            f"there is {', '.join(known) or 'none'}; or give the machine's TOML file",
        )
    alerts = queries.alerts(connection, name)
    if not kind and alerts:
        kind = kind_of(alerts[-1].verdict)
    if old is not None:
        alert = next((each for each in alerts if each.time_ns == old.alert_ns), None)
        return Subject(name, kind, zone, alert)
    if not about:
        return Subject(name, kind, zone, queries.standing_alert(connection, name))
    wanted = _time_ns("--about", about, zone)
    alert = min(alerts, key=lambda each: abs(each.time_ns - wanted), default=None)
    if alert is None or abs(alert.time_ns - wanted) > NEAR_NS:
        there = ", ".join(local_time(each.time_ns, zone) for each in alerts[-5:]) or "none"
        raise BadInput("--about", about, "no alert at that time", f"the last are: {there}")
    return Subject(name, kind, zone, alert)


def _write_pictures(
    connection: sqlite3.Connection, shown: Iterable[Inspection], folder: Path, store: Path
) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for picture in {p.sha256: p for each in shown for p in each.pictures}.values():
        target = folder / f"{picture.sha256[:12]}-{picture.name}"
        check_output("--pictures", target, [store])
        target.write_bytes(read_picture(connection, picture.sha256))
        written.append(target)
    return written


# -- what was found


@contextmanager
def _or_say_again(answers: Mapping[str, str], asked: bool) -> Iterator[None]:
    """Should the store not take it, nobody is to be asked or to look again."""
    try:
        yield
    except sqlite3.Error:
        if asked and answers:
            options = " ".join(f'--answer "{name}={said}"' for name, said in answers.items())
            say(f"Not kept. Once the store can be written, give the same with: {options}")
        raise


def _given(
    file: Path | None, answer: list[str], pictures: list[Path], measure: bool, by: str, note: str
) -> Given:
    """The answers file with the options on top of it."""
    given = read_answers(file) if file else Given()
    given.by, given.note = by or given.by, note or given.note
    given.measure = measure or given.measure
    given.pictures += pictures
    for each in answer:
        name, there, said = each.partition("=")
        if not there:
            raise BadInput("--answer", each, "no '=' in it", 'give "STEP=ANSWER"')
        given.answers[name.strip()] = said.strip()
    return given


def _person(by: str) -> str:
    by = by.strip()
    if not by or len(by) > LONGEST_NAME or not by.isprintable():
        raise BadInput(
            "--by",
            "name",
            f"{by!r} is not a name",
            f"say who looked, {LONGEST_NAME} letters at most",
        )
    return by


def _time_ns(option: str, text: str, time_zone: str) -> int:
    try:
        return local_ns(dt.datetime.fromisoformat(text), time_zone)
    except ValueError as error:
        right = f"give a time such as 2026-03-04T10:17, local in {time_zone} or with its offset"
        raise BadInput(option, text, str(error), right) from None


def _pictures(given: Given) -> tuple[list[bytes], list[Picture]]:
    """The bytes of the pictures, and what is kept of each; a measured rim may be an answer."""
    contents = [picture_bytes(path) for path in given.pictures]
    kept = [_picture(path, given.measure and i == 0) for i, path in enumerate(given.pictures)]
    if kept and "rim" not in given.answers and kept[0].measured in RIM_WORDS:
        given.answers["rim"] = RIM_WORDS[kept[0].measured]
    return contents, kept


@lru_cache
def _picture(path: Path, measures: bool) -> Picture:
    """The picture without its digest yet, measured and told, once, if so wanted."""
    if not measures:
        return Picture("", path.name)
    from borewarden.jewels.rim_image import measure_rim

    rim = measure_rim(path)
    say(
        f"{path.name}: {rim.finding.value}, chip over {rim.chip_angle_deg:.1f} degrees of the rim",
        *(f"- {reason}" for reason in rim.reasons),
    )
    return Picture("", path.name, rim.finding.value, rim.chip_angle_deg)


# -- question by question


def _ask_all(subject: Subject, given: Given, before: Mapping[str, str]) -> None:
    """Ask what bears on the probable causes, the cheapest first, until it is settled."""
    given.by = given.by or typer.prompt("Your name")
    _person(given.by)
    start = beliefs_of(subject.verdict) if subject.verdict else ()
    for step in steps_for(subject.kind, start):
        known = looked_at({**before, **given.answers})
        outcome = conclude(subject.verdict, known, subject.kind)
        if outcome.finding in (Finding.CONFIRMED, Finding.EXPLAINED):
            say("That settles it; nothing more needs to be looked at.")
            break
        answer = _ask(step, given, before.get(step.name))
        if answer:
            given.answers[step.name] = answer
    given.note = given.note or typer.prompt("Note", default="", show_default=False)


def _ask(step: InspectionStep, given: Given, earlier: str | None) -> str | None:
    """One step's answer; None if nobody looked. Of the rim, its picture first."""
    told = guarded_step(step)
    [question] = told.steps
    out.print()
    for caution in caution_lines(told.cautions):
        out.print(caution)
    out.print(f"{step.name}: {question}", style="bold")
    measured = _ask_for_picture(given) if step.name == "rim" else None
    choices = {**step.answers, **step.no_say}
    for place, (name, meaning) in enumerate(choices.items(), start=1):
        out.print(f"  {place}  {name}: {meaning}")
    if earlier:
        out.print(f"  answered before: {earlier}")
    while True:
        default = measured or ""
        said = typer.prompt(
            "  Number; Enter if not looked", default=default, show_default=bool(default)
        )
        said = said.strip()
        if said in ("", NOT_LOOKED):
            return None
        if said in choices:
            return str(said)
        if said.isdecimal() and 1 <= int(said) <= len(choices):
            return list(choices)[int(said) - 1]
        out.print(f"  {said!r} is none of them.")


def _ask_for_picture(given: Given) -> str | None:
    """A picture of the rim to keep, and the answer that its measurement gives."""
    while True:
        name = typer.prompt("  Picture file, Enter for none", default="", show_default=False)
        if not name.strip():
            return None
        path = Path(name.strip())
        try:
            picture_bytes(path)
            given.measure = typer.confirm("  Measure the rim in it?", default=True)
            given.pictures.insert(0, path)
            if not given.measure:
                return None
            return RIM_WORDS.get(_picture(path, True).measured or "")
        except (BadInput, MissingExtra) as bad:
            say(f"  {bad}")
            if path in given.pictures:
                return None

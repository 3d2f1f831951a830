"""Confirm at the machine: a guided inspection after an alert, and what was found before."""

import datetime as dt
import json
import sqlite3
import time
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import typer
from pydantic import BaseModel, ConfigDict, ValidationError
from rich.table import Table

from borewarden.base.errors import BadInput
from borewarden.base.text import probability_words
from borewarden.base.times import local_ns, local_time
from borewarden.cli.terminal import app, out, refusing
from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER
from borewarden.inspection.cautions import CAUTIONS
from borewarden.inspection.labels import RIM_ANSWERS, picture_bytes
from borewarden.inspection.outcome import (
    Outcome,
    beliefs_of,
    conclude,
    kind_of,
    remarks,
    step_lines,
)
from borewarden.inspection.record import Finding, Inspection, Picture
from borewarden.inspection.steps import BY_NAME, NOT_LOOKED, InspectionStep, check_answer, steps_for
from borewarden.jewels.rim_image import measure_rim
from borewarden.physics.pump import Intensifier
from borewarden.settings import load_machine
from borewarden.settings.explain import first_mistake
from borewarden.show.wording import alert_row, headline
from borewarden.store import queries
from borewarden.store.database import open_store, transaction
from borewarden.store.inspections import (
    inspection_history,
    inspections,
    keep_picture,
    read_picture,
    record_inspection,
)
from borewarden.store.queries import UNTROUBLED, newest_state
from borewarden.watcher.verdict import Verdict
from borewarden.watcher.watcher import Alert

LONGEST_NAME = 80
NEAR_NS = 60 * 10**9  # how far off the time of an alert may be given

MachineOption = Annotated[
    str, typer.Option(help="Name of a machine in the store, or its settings, TOML.")
]
StoreOption = Annotated[Path, typer.Option(help="Embedded store.")]


class Subject(NamedTuple):
    """The machine, and the alert that the inspection is about; None: a routine one."""

    name: str
    kind: str  # INTENSIFIER, DIRECT_DRIVE, or "" where nobody says
    time_zone: str
    alert: Alert | None

    @property
    def verdict(self) -> Verdict | None:
        """That of the alert."""
        return self.alert.verdict if self.alert else None


class Given(BaseModel):
    """What was found, as an answers file or the options say it; `pictures` beside the file."""

    model_config = ConfigDict(extra="forbid")

    by: str = ""
    note: str = ""
    measure: bool = False
    pictures: list[Path] = []
    answers: dict[str, str] = {}


@app.command("inspect")
def inspect_command(
    machine: MachineOption,
    store: StoreOption = Path("borewarden.db"),
    by: Annotated[str, typer.Option(help="Who looked.")] = "",
    answers: Annotated[
        Path | None, typer.Option(help="Answers file, .toml or .json, in place of questions.")
    ] = None,
    answer: Annotated[
        list[str] | None, typer.Option(help='"STEP=ANSWER", in place of questions; repeatable.')
    ] = None,
    picture: Annotated[
        list[Path] | None, typer.Option(help="Microscope picture to keep; repeatable.")
    ] = None,
    measure: Annotated[
        bool,
        typer.Option(help="Measure the rim in the first picture; the answer if none is given."),
    ] = False,
    about: Annotated[
        str, typer.Option(help="Time of an earlier alert that this is about, local or with offset.")
    ] = "",
    at: Annotated[str, typer.Option(help="When somebody looked, if not now; as --about.")] = "",
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    correct: Annotated[
        int | None, typer.Option(help="Number of an inspection to correct; its history is kept.")
    ] = None,
    strike: Annotated[
        int | None, typer.Option(help="Number of an inspection to strike out; history is kept.")
    ] = None,
    why: Annotated[str, typer.Option(help="Reason of a correction.")] = "",
) -> None:
    """Confirm an alert at the machine, step by step.

    Only by people who may, by local codes and the pump maker's manual; every step says the
    cautions first and may be skipped. Asks question by question unless answers are given.
    """
    with refusing("inspect"), _existing(store) as connection:
        number = strike if strike is not None else correct
        old = None if number is None else _held(connection, number)
        subject = _subject(connection, machine, about, old)
        if old is not None and old.machine != subject.name:
            raise BadInput(
                "--correct or --strike",
                str(number),
                f"inspection {number} is of {old.machine!r}",
                f"give an inspection of {subject.name!r}, or the other machine",
            )
        time_ns = _time_ns("--at", at, subject.time_zone) if at else time.time_ns()
        if number is not None and not why.strip():
            raise BadInput("--why", "reason", "a correction without a reason", "say why")
        if strike is not None:
            with transaction(connection):
                record_inspection(connection, None, _person(by), why, strike)
                _conclude_again(connection, strike, old, _person(by))
            out.print(f"Inspection {strike} is struck out; its history is kept.", highlight=False)
            return
        asks = not (answers or answer or picture)
        _show_subject(subject)
        given = _given(answers, answer or [], picture or [], measure, by, note)
        earlier = _earlier(connection, subject, number)
        before = _merged(earlier, old.answers if old else {})
        if asks:
            given = _ask_all(subject, given, before)
        given.by = _person(given.by)
        for name, said in given.answers.items():
            _check(answers or "--answer", subject, name, said)
        pictures = [(path, picture_bytes(path)) for path in given.pictures]
        kept = [_picture(path, given.measure and i == 0) for i, path in enumerate(given.pictures)]
        if kept and "rim" not in given.answers and kept[0].measured in RIM_WORDS:
            given.answers["rim"] = RIM_WORDS[kept[0].measured]
        own = _known({**(old.answers if old else {}), **given.answers})
        if old is None and not (own or kept or given.note):
            out.print("Nobody looked at anything: nothing is kept.")
            return
        outcome = conclude(subject.verdict, _merged(earlier, own), subject.kind)
        verdict = subject.verdict
        inspection = Inspection(
            machine=subject.name,
            time_ns=old.time_ns if old and not at else time_ns,
            by=given.by,
            answers=own,
            finding=outcome.finding,
            reason=outcome.reason,
            next_step=outcome.next_step,
            cause=outcome.cause,
            probability=outcome.probability,
            alert_ns=subject.alert.time_ns if subject.alert else None,
            alert_state=verdict.state.value if verdict else None,
            onset_ns=verdict.onset_ns if verdict else None,
            step=verdict.step if verdict and verdict.onset_ns else None,
            pictures=(*(old.pictures if old else ()), *kept),
            note=given.note or (old.note if old else ""),
        )
        with _or_say_again(own, asks), transaction(connection):
            digests = [keep_picture(connection, content) for _, content in pictures]
            inspection = replace(
                inspection,
                pictures=tuple(
                    each if each.sha256 else replace(each, sha256=digests.pop(0))
                    for each in inspection.pictures
                ),
            )
            number = record_inspection(connection, inspection, given.by, why, number)
            if old is not None:
                _conclude_again(connection, number, old, given.by)
        _show_outcome(number, subject, outcome, inspection, _merged(earlier, own))


@app.command("inspections")
def inspections_command(
    store: StoreOption = Path("borewarden.db"),
    machine: Annotated[str, typer.Option(help="Of this machine only, by its name.")] = "",
    history: Annotated[int | None, typer.Option(help="Every entry of one inspection.")] = None,
    pictures: Annotated[
        Path | None, typer.Option(help="Folder to write the pictures of those listed into.")
    ] = None,
) -> None:
    """List what was found at the machines."""
    with refusing("list inspections"), _existing(store) as connection:
        if history is None:
            table = Table("no.", "time, UTC", "machine", "by", "answers", "outcome")
            listed = inspections(connection, machine or None)
            for number, each in listed.items():
                said = ", ".join(f"{name}: {answer}" for name, answer in each.answers.items())
                when = local_time(each.time_ns, "UTC")
                table.add_row(str(number), when, each.machine, each.by, said, each.outcome)
            shown: Iterable[Inspection] = listed.values()
        else:
            entries = inspection_history(connection, history)
            if not entries:
                raise BadInput("--history", str(history), "there is none", "list them without it")
            table = Table("entry", "recorded, UTC", "by", "why", "answers", "outcome")
            for entry in entries:
                content = entry.content
                said = json.dumps(dict(content.answers)) if content else "–"
                outcome = content.outcome if content else "struck out"
                when = local_time(entry.recorded_ns, "UTC")
                table.add_row(str(entry.entry), when, entry.by, entry.why, said, outcome)
            shown = [entry.content for entry in entries if entry.content]
        out.print(table)
        if pictures is not None:
            pictures.mkdir(parents=True, exist_ok=True)
            for picture in {p.sha256: p for each in shown for p in each.pictures}.values():
                target = pictures / f"{picture.sha256[:12]}-{picture.name}"
                target.write_bytes(read_picture(connection, picture.sha256))
                out.print(str(target), highlight=False, soft_wrap=True)


RIM_WORDS = {finding.value: answer for finding, answer in RIM_ANSWERS.items()}


# -- what it is about


def _existing(store: Path) -> Any:
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


def _subject(
    connection: sqlite3.Connection, machine: str, about: str, old: Inspection | None
) -> Subject:
    """The machine called or described by `machine`, and the alert in question."""
    name, kind, zone = machine, "", "UTC"
    if machine.endswith(".toml") or Path(machine).is_file():
        settings = load_machine(machine)
        name, zone = settings.name, settings.time_zone
        pump = settings.build_pump()
        kind = INTENSIFIER if isinstance(pump, Intensifier) else DIRECT_DRIVE
    else:
        known = queries.machines(connection)
        if machine not in known:
            raise BadInput(
                "--machine",
                machine,
                "no such machine in the store",
                f"there is {', '.join(known) or 'none'}; or give the machine's TOML file",
            )
    alerts = queries.alerts(connection, name)
    if not kind and alerts:
        kind = kind_of(alerts[-1].verdict)
    alert = _open_alert(connection, name, alerts)
    if old is not None:
        alert = next((each for each in alerts if each.time_ns == old.alert_ns), None)
    elif about:
        wanted = _time_ns("--about", about, zone)
        alert = min(alerts, key=lambda each: abs(each.time_ns - wanted), default=None)
        if alert is None or abs(alert.time_ns - wanted) > NEAR_NS:
            there = ", ".join(local_time(each.time_ns, zone) for each in alerts[-5:]) or "none"
            raise BadInput("--about", about, "no alert at that time", f"the last are: {there}")
    return Subject(name, kind, zone, alert)


def _open_alert(connection: sqlite3.Connection, machine: str, alerts: list[Alert]) -> Alert | None:
    """The newest alert, unless the bore is sound again or another jewel is being learned."""
    if not alerts or alerts[-1].verdict.state in UNTROUBLED:
        return None
    return None if newest_state(connection, machine) in UNTROUBLED else alerts[-1]


def _earlier(
    connection: sqlite3.Connection, subject: Subject, number: int | None
) -> dict[str, str]:
    """What was found before about the same alert; the newer answer holds."""
    if subject.alert is None:
        return {}
    return _merged(
        *(
            each.answers
            for other, each in inspections(connection, subject.name).items()
            if each.alert_ns == subject.alert.time_ns and (number is None or other < number)
        )
    )


def _conclude_again(
    connection: sqlite3.Connection, number: int, old: Inspection | None, by: str
) -> None:
    """Whatever was concluded later about the same alert rested on inspection `number` too."""
    if old is None or old.alert_ns is None:
        return
    alerts = queries.alerts(connection, old.machine)
    alert = next((each for each in alerts if each.time_ns == old.alert_ns), None)
    if alert is None:
        return
    answers: dict[str, str] = {}
    for other, each in inspections(connection, old.machine).items():
        if each.alert_ns != old.alert_ns:
            continue
        answers = _merged(answers, each.answers)
        if other > number:
            made = conclude(alert.verdict, answers)
            again = replace(
                each,
                finding=made.finding,
                cause=made.cause,
                reason=made.reason,
                next_step=made.next_step,
                probability=made.probability,
            )
            why = f"inspection {number} was corrected"
            record_inspection(connection, again, by, why, other)


def _merged(*parts: Mapping[str, str]) -> dict[str, str]:
    """The newest answer of each step; one that settles nothing takes no place of one that does."""
    merged: dict[str, str] = {}
    for part in parts:
        for name, answer in part.items():
            if name not in merged or answer in BY_NAME[name].answers:
                merged[name] = answer
    return merged


def _known(answers: Mapping[str, str]) -> dict[str, str]:
    return {name: answer for name, answer in answers.items() if answer != NOT_LOOKED}


# -- what was found


@contextmanager
def _or_say_again(answers: Mapping[str, str], asked: bool) -> Iterator[None]:
    """Should the store not take it, nobody is to be asked or to look again."""
    try:
        yield
    except sqlite3.Error:
        if asked and answers:
            options = " ".join(f'--answer "{name}={said}"' for name, said in answers.items())
            out.print(
                f"Not kept. Once the store can be written, give the same with: {options}",
                markup=False,
                highlight=False,
                soft_wrap=True,
            )
        raise


def _given(
    file: Path | None, answer: list[str], pictures: list[Path], measure: bool, by: str, note: str
) -> Given:
    """The answers file with the options on top of it."""
    given = _read_answers(file) if file else Given()
    given.by, given.note = by or given.by, note or given.note
    given.measure = measure or given.measure
    given.pictures += pictures
    for each in answer:
        name, there, said = each.partition("=")
        if not there:
            raise BadInput("--answer", each, "no '=' in it", 'give "STEP=ANSWER"')
        given.answers[name.strip()] = said.strip()
    return given


def _read_answers(file: Path) -> Given:
    try:
        text = file.read_text(encoding="utf-8-sig")
        data = json.loads(text) if file.suffix == ".json" else tomllib.loads(text)
        if not isinstance(data, dict):
            raise ValueError("it is no table")
        given = Given(**data)
    except OSError as error:
        reason = error.strerror or "can't be read"
        raise BadInput(file, "file", reason, "give an answers file") from None
    except ValidationError as error:
        raise first_mistake(file, error, Given) from None
    except (ValueError, RecursionError) as error:
        raise BadInput(file, "file", f"broken: {error}", "write TOML, or JSON in .json") from None
    given.pictures = [file.parent / each for each in given.pictures]
    return given


def _check(place: Path | str, subject: Subject, name: str, answer: str) -> None:
    try:
        step = check_answer(name, answer)
    except ValueError as error:
        wrong, _, right = str(error).partition(": ")
        raise BadInput(place, name, wrong, right) from None
    if subject.kind and step.only not in ("", subject.kind):
        raise BadInput(
            place, name, f"no such step on a pump of kind {subject.kind}", "leave it out"
        )


def _person(by: str) -> str:
    by = by.strip()
    if not by or len(by) > LONGEST_NAME or not by.isprintable():
        raise BadInput(
            "--by", "name", f"{by!r} is no name", f"say who looked, {LONGEST_NAME} letters at most"
        )
    return by


def _time_ns(option: str, text: str, time_zone: str) -> int:
    try:
        return local_ns(dt.datetime.fromisoformat(text), time_zone)
    except ValueError as error:
        right = f"give a time such as 2026-03-04T10:17, local in {time_zone} or with its offset"
        raise BadInput(option, text, str(error), right) from None


@lru_cache
def _picture(path: Path, measures: bool) -> Picture:
    """The picture without its digest yet, measured and told, once, if so wanted."""
    if not measures:
        return Picture("", path.name)
    rim = measure_rim(path)
    out.print(
        f"{path.name}: {rim.finding.value}, chip over {rim.chip_angle_deg:.1f} degrees of the rim",
        highlight=False,
        soft_wrap=True,
    )
    for reason in rim.reasons:
        out.print(f"- {reason}", highlight=False, soft_wrap=True)
    return Picture("", path.name, rim.finding.value, rim.chip_angle_deg)


# -- question by question


def _ask_all(subject: Subject, given: Given, before: Mapping[str, str]) -> Given:
    """Ask what bears on the probable causes, the cheapest first, until it is settled."""
    given.by = given.by or typer.prompt("Your name")
    _person(given.by)
    start = beliefs_of(subject.verdict) if subject.verdict else ()
    for step in steps_for(subject.kind, start):
        known = _known({**before, **given.answers})
        outcome = conclude(subject.verdict, known, subject.kind)
        if outcome.finding in (Finding.CONFIRMED, Finding.EXPLAINED):
            out.print("That settles it; nothing more needs to be looked at.")
            break
        answer = _ask(step, given, before.get(step.name))
        if answer:
            given.answers[step.name] = answer
    given.note = given.note or typer.prompt("Note", default="", show_default=False)
    return given


def _ask(step: InspectionStep, given: Given, earlier: str | None) -> str | None:
    """One step's answer; None if nobody looked. Of the rim, its picture first."""
    *cautions, question = step_lines(step)
    out.print()
    for line in cautions:
        out.print(f"! {line}", markup=False, highlight=False)
    out.print(f"{step.name}: {question}", markup=False, highlight=False, style="bold")
    measured = _ask_for_picture(given) if step.name == "rim" else None
    choices = {**step.answers, **step.no_say}
    for place, (name, words) in enumerate(choices.items(), start=1):
        out.print(f"  {place}  {name}: {words}", markup=False, highlight=False)
    if earlier:
        out.print(f"  answered before: {earlier}", markup=False, highlight=False)
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
        out.print(f"  {said!r} is none of them.", markup=False, highlight=False)


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
        except BadInput as bad:
            out.print(f"  {bad}", markup=False, highlight=False, soft_wrap=True)
            if path in given.pictures:
                return None


# -- showing


def _show_subject(subject: Subject) -> None:
    alert = subject.alert
    if alert is None:
        out.print(
            f"{subject.name}: no open alert; this is a routine inspection. For an earlier alert "
            "give --about.",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
        return
    row = alert_row(alert, subject.time_zone)
    out.print(
        f"{subject.name}, alert of {row.time}: {headline(alert.verdict)}",
        f"Onset: {row.onset}, effective area: {row.size}",
        f"{row.reason}",
        sep="\n",
        markup=False,
        highlight=False,
        soft_wrap=True,
    )


def _show_outcome(
    number: int,
    subject: Subject,
    outcome: Outcome,
    inspection: Inspection,
    answers: Mapping[str, str],
) -> None:
    for line in CAUTIONS:
        out.print(f"! {line}", markup=False, highlight=False, soft_wrap=True)
    if outcome.beliefs and subject.verdict:
        was = {b.cause: b.probability for b in beliefs_of(subject.verdict)}
        table = Table("cause", "before", "after", "what the inspection says")
        for belief in outcome.beliefs:
            if max(belief.probability, was[belief.cause]) < 0.01:
                continue
            said = [f"+ {p}" for p in belief.evidence_for if p.startswith("inspection, ")]
            said += [f"- {p}" for p in belief.evidence_against if p.startswith("inspection, ")]
            table.add_row(
                belief.cause.value,
                probability_words(was[belief.cause]),
                probability_words(belief.probability),
                "\n".join(said),
            )
        out.print(table)
    lines = [f"Inspection {number} of {inspection.machine}: {inspection.outcome}"]
    lines += remarks(subject.verdict, answers, subject.kind)
    if outcome.finding.closes:
        lines.append("The alarm is closed; nothing more is told of this event.")
    lines.append(f"Next: {inspection.next_step}")
    for line in lines:
        out.print(line, markup=False, highlight=False, soft_wrap=True)

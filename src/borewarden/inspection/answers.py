"""Answers of an inspection: which of several holds, whether they can be used, what they come to."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from borewarden.base.errors import BadInput
from borewarden.inspection.outcome import Outcome, conclude
from borewarden.inspection.record import Inspection, Picture
from borewarden.inspection.steps import BY_NAME, NOT_LOOKED, check_answer
from borewarden.watcher.verdict import Verdict
from borewarden.watcher.watcher import Alert


class Subject(NamedTuple):
    """The machine, and the alert that an inspection is about; None: a routine one.

    `kind` is INTENSIFIER or DIRECT_DRIVE, or "" where nobody says.
    """

    machine: str
    kind: str
    time_zone: str
    alert: Alert | None

    @property
    def verdict(self) -> Verdict | None:
        """That of the alert."""
        return self.alert.verdict if self.alert else None


def merge_answers(*parts: Mapping[str, str]) -> dict[str, str]:
    """The newest answer of each step; one that settles nothing takes no place of one that does."""
    merged: dict[str, str] = {}
    for part in parts:
        for name, answer in part.items():
            if name not in merged or answer in BY_NAME[name].answers:
                merged[name] = answer
    return merged


def looked_at(answers: Mapping[str, str]) -> dict[str, str]:
    """The answers without the steps that nobody looked at."""
    return {name: answer for name, answer in answers.items() if answer != NOT_LOOKED}


def check_answers(place: Path | str, kind: str, answers: Mapping[str, str]) -> None:
    """Raise BadInput about `place` for an unknown step or answer, or a step of another `kind`."""
    for name, answer in answers.items():
        try:
            step = check_answer(name, answer)
        except ValueError as error:
            wrong, _, right = str(error).partition(": ")
            raise BadInput(place, name, wrong, right) from None
        if kind and step.only not in ("", kind):
            raise BadInput(place, name, f"no such step on a pump of kind {kind}", "leave it out")


def conclude_inspection(
    subject: Subject,
    earlier: Mapping[str, str],
    own: Mapping[str, str],
    *,
    by: str,
    time_ns: int,
    pictures: tuple[Picture, ...] = (),
    note: str = "",
) -> tuple[Inspection, Outcome]:
    """The inspection to keep, and what it comes to, from its `own` answers and `earlier` ones."""
    outcome = conclude(subject.verdict, merge_answers(earlier, own), subject.kind)
    verdict = subject.verdict
    inspection = Inspection(
        machine=subject.machine,
        time_ns=time_ns,
        by=by,
        answers=dict(own),
        finding=outcome.finding,
        reason=outcome.reason,
        next_step=outcome.next_step,
        cause=outcome.cause,
        probability=outcome.probability,
        alert_ns=subject.alert.time_ns if subject.alert else None,
        alert_state=verdict.state.value if verdict else None,
        onset_ns=verdict.onset_ns if verdict else None,
        step=verdict.step if verdict and verdict.onset_ns else None,
        pictures=pictures,
        note=note,
    )
    return inspection, outcome

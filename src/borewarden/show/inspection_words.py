"""An inspection in words: what it is about, and what it came to."""

from __future__ import annotations

import json
from collections.abc import Mapping

from borewarden.base.text import probability_words
from borewarden.base.times import local_time
from borewarden.inspection.answers import Subject
from borewarden.inspection.outcome import Outcome, beliefs_of, remarks
from borewarden.inspection.record import Inspection
from borewarden.show.wording import INVENTED, alert_row, headline
from borewarden.store.inspections import InspectionEntry

LIST_COLUMNS = ("no.", "time, UTC", "machine", "by", "answers", "outcome")
HISTORY_COLUMNS = ("entry", "recorded, UTC", "by", "why", "answers", "outcome")
BELIEF_COLUMNS = ("cause", f"before ({INVENTED})", "after", "what the inspection says")
SHOWN = 0.01  # probability below which a cause is left out, before and after


def subject_lines(subject: Subject) -> list[str]:
    """What the inspection is about."""
    alert = subject.alert
    if alert is None:
        return [
            f"{subject.machine}: no open alert, so this is a routine inspection. For an earlier "
            "alert, give --about."
        ]
    row = alert_row(alert, subject.time_zone)
    return [
        f"{subject.machine}, alert of {row.time}: {headline(alert.verdict)}",
        f"Onset: {row.onset}, effective area: {row.size}",
        row.reason,
    ]


def belief_rows(subject: Subject, outcome: Outcome) -> list[tuple[str, ...]]:
    """Rows under `BELIEF_COLUMNS`: each cause before and after; empty without an alert."""
    if subject.verdict is None:
        return []
    was = {belief.cause: belief.probability for belief in beliefs_of(subject.verdict)}
    rows: list[tuple[str, ...]] = []
    for belief in outcome.beliefs:
        if max(belief.probability, was[belief.cause]) < SHOWN:
            continue
        said = [f"+ {p}" for p in belief.evidence_for if p.startswith("inspection, ")]
        said += [f"- {p}" for p in belief.evidence_against if p.startswith("inspection, ")]
        before, after = was[belief.cause], belief.probability
        words = probability_words(before), probability_words(after)
        rows.append((belief.cause.words, *words, "\n".join(said)))
    return rows


def outcome_lines(
    number: int, subject: Subject, inspection: Inspection, answers: Mapping[str, str]
) -> list[str]:
    """What inspection `number` came to, and what to do next; `answers` with the earlier ones."""
    lines = [f"Inspection {number} of {inspection.machine}: {inspection.outcome}"]
    lines += remarks(subject.verdict, answers, subject.kind)
    if inspection.finding.closes:
        lines.append("The alarm is closed; no more mail about this event.")
    return [*lines, f"Next: {inspection.next_step}"]


def list_row(number: int, inspection: Inspection) -> tuple[str, ...]:
    """A row under `LIST_COLUMNS`."""
    said = ", ".join(f"{name}: {answer}" for name, answer in inspection.answers.items())
    when = local_time(inspection.time_ns, "UTC")
    return str(number), when, inspection.machine, inspection.by, said, inspection.outcome


def history_row(entry: InspectionEntry) -> tuple[str, ...]:
    """A row under `HISTORY_COLUMNS`."""
    content = entry.content
    said = json.dumps(dict(content.answers)) if content else "–"
    outcome = content.outcome if content else "struck out"
    when = local_time(entry.recorded_ns, "UTC")
    return str(entry.entry), when, entry.by, entry.why, said, outcome

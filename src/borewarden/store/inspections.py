"""Inspections: what people found at the machine, and every correction, like the jewel register.

Nothing is ever overwritten: the newest entry of an inspection is what holds. Pictures stand beside
them by the SHA-256 of their bytes.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

from pydantic import TypeAdapter

from borewarden.inspection.answers import merge_answers
from borewarden.inspection.outcome import conclude
from borewarden.inspection.record import Finding, Inspection
from borewarden.store.append_only import add_entry, entries, read_kept
from borewarden.store.queries import alerts
from borewarden.watcher.verdict import NO_CHANGE, State

INSPECTIONS = """
CREATE TABLE IF NOT EXISTS inspection (
    entry INTEGER PRIMARY KEY AUTOINCREMENT,
    inspection INTEGER NOT NULL, machine TEXT NOT NULL,
    recorded_ns INTEGER NOT NULL, by TEXT NOT NULL, why TEXT NOT NULL, content TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS inspection_number ON inspection (inspection, entry);
CREATE INDEX IF NOT EXISTS inspection_machine ON inspection (machine, entry);
CREATE TABLE IF NOT EXISTS picture (sha256 TEXT PRIMARY KEY, content BLOB NOT NULL);
"""


@dataclass(frozen=True)
class InspectionEntry:
    """What was once recorded of an inspection: by whom, when, and why (of a correction)."""

    entry: int
    inspection: int  # number of the inspection, the same in all of its entries
    recorded_ns: int
    by: str
    why: str
    content: Inspection | None  # None: it was struck out


class Came(NamedTuple):
    """What came of the alerts of one machine that the store holds.

    `told` counts changes that were told of, each once, however often its words changed. Of them
    `confirmed` were a fault as an inspection found it, and `false` were none of the bore's.
    """

    told: int = 0
    confirmed: int = 0
    false: int = 0


def came_of_alerts(connection: sqlite3.Connection, machine: str) -> Came:
    """How many changes of `machine` were told of, and what the newest inspection of each found."""
    findings = {each.alert_ns: each.finding for each in inspections(connection, machine).values()}
    changes: list[Finding | None] = []
    before = State.SOUND
    for time_ns, word in connection.execute(
        "SELECT time_ns, state FROM alert WHERE machine = ? ORDER BY time_ns", (machine,)
    ):
        state = State(word)
        if state not in NO_CHANGE:
            if before in NO_CHANGE:
                changes.append(None)
            changes[-1] = findings.get(time_ns, changes[-1])
        before = state
    closing = sum(found is not None and found.closes for found in changes)
    return Came(len(changes), changes.count(Finding.CONFIRMED), closing)


def record_inspection(
    connection: sqlite3.Connection,
    content: Inspection | None,
    by: str,
    why: str = "",
    inspection: int | None = None,
) -> int:
    """Add an entry, in the caller's transaction: a new inspection, or what now holds of an old one.

    Returns the number of the inspection. Raises LookupError if there is none of that number.
    """
    machine = content.machine if content is not None and inspection is None else None
    return add_entry(
        connection, "inspection", "inspection", inspection, machine, by, why, _to_json(content)
    )


def inspections(
    connection: sqlite3.Connection, machine: str | None = None
) -> dict[int, Inspection]:
    """What holds now, by number of the inspection, in order of these."""
    rows = connection.execute(
        "SELECT inspection, content FROM inspection WHERE entry IN "
        "(SELECT max(entry) FROM inspection WHERE machine = coalesce(?, machine) "
        "GROUP BY inspection) ORDER BY inspection",
        (machine,),
    )
    held = {number: _from_json(content) for number, content in rows}
    return {number: each for number, each in held.items() if each is not None}


def inspection_history(connection: sqlite3.Connection, inspection: int) -> list[InspectionEntry]:
    """Every entry of one inspection, oldest first."""
    return [
        InspectionEntry(entry, number, recorded_ns, by, why, _from_json(content))
        for entry, number, recorded_ns, by, why, content in entries(
            connection, "inspection", "inspection", inspection
        )
    ]


def newest_inspection_entry(connection: sqlite3.Connection, machine: str | None = None) -> int:
    """Number of the newest entry, 0 if there is none: it tells whether anything has changed."""
    if machine is None:
        row = connection.execute("SELECT max(entry) FROM inspection").fetchone()
    else:
        row = connection.execute(
            "SELECT max(entry) FROM inspection WHERE machine = ?", (machine,)
        ).fetchone()
    return row[0] or 0


def earlier_answers(
    connection: sqlite3.Connection, machine: str, alert_ns: int | None, before: int | None = None
) -> dict[str, str]:
    """What was found before about the alert of `machine` at `alert_ns`; the newer answer holds.

    Inspection `before` and later ones don't count. Nothing, where there is no alert.
    """
    if alert_ns is None:
        return {}
    return merge_answers(
        *(
            each.answers
            for number, each in inspections(connection, machine).items()
            if each.alert_ns == alert_ns and (before is None or number < before)
        )
    )


def keep_inspection(
    connection: sqlite3.Connection,
    inspection: Inspection,
    pictures: Sequence[bytes],
    why: str = "",
    number: int | None = None,
) -> int:
    """Keep an inspection with its `pictures`, in the caller's transaction; returns its number.

    `pictures` are the bytes of those that have no digest yet, in order. With `number` it corrects
    that one, and later ones on the same alert are concluded again.
    """
    digests = iter([keep_picture(connection, content) for content in pictures])
    inspection = replace(
        inspection,
        pictures=tuple(
            each if each.sha256 else replace(each, sha256=next(digests))
            for each in inspection.pictures
        ),
    )
    old = None if number is None else inspections(connection).get(number)
    number = record_inspection(connection, inspection, inspection.by, why, number)
    if old is not None:
        _conclude_again(connection, number, old, inspection.by)
    return number


def strike_inspection(connection: sqlite3.Connection, number: int, by: str, why: str) -> None:
    """Strike out an inspection, in the caller's transaction; later ones are concluded again.

    Raises LookupError if there is none of that number.
    """
    old = inspections(connection).get(number)
    record_inspection(connection, None, by, why, number)
    if old is not None:
        _conclude_again(connection, number, old, by)


def _conclude_again(connection: sqlite3.Connection, number: int, old: Inspection, by: str) -> None:
    """Whatever was concluded later about the same alert rested on inspection `number` too."""
    alert = next((a for a in alerts(connection, old.machine) if a.time_ns == old.alert_ns), None)
    if alert is None:
        return
    answers: dict[str, str] = {}
    for other, each in inspections(connection, old.machine).items():
        if each.alert_ns != old.alert_ns:
            continue
        answers = merge_answers(answers, each.answers)
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


def keep_picture(connection: sqlite3.Connection, content: bytes) -> str:
    """Keep the bytes of a picture, in the caller's transaction; returns their SHA-256 in hex."""
    sha256 = hashlib.sha256(content).hexdigest()
    connection.execute("INSERT OR IGNORE INTO picture VALUES (?, ?)", (sha256, content))
    return sha256


def read_picture(connection: sqlite3.Connection, sha256: str) -> bytes:
    """The bytes of a picture. Raises LookupError: there is none, or it is not what was kept."""
    row = connection.execute("SELECT content FROM picture WHERE sha256 = ?", (sha256,)).fetchone()
    if row is None:
        raise LookupError(f"there is no picture {sha256}")
    content: bytes = row[0]
    if hashlib.sha256(content).hexdigest() != sha256:
        raise LookupError(f"picture {sha256} has been changed since it was kept")
    return content


def _to_json(content: Inspection | None) -> str:
    if content is None:
        return "null"
    fields = dataclasses.asdict(content)
    cause = content.cause.value if content.cause else None
    return json.dumps({**fields, "finding": content.finding.value, "cause": cause})


def _from_json(content: str) -> Inspection | None:
    return read_kept("an inspection", content, _inspection().validate_python)


@cache
def _inspection() -> TypeAdapter[Inspection | None]:
    return TypeAdapter(Inspection | None)

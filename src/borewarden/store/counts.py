"""Counts by hand in the store, and every correction, like the jewel register.

Nothing is ever overwritten: the newest entry of a count is what holds.
"""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from functools import cache

from pydantic import TypeAdapter

from borewarden.counts.count import HandCount
from borewarden.store.append_only import add_entry, read_kept

COUNTS = """
CREATE TABLE IF NOT EXISTS hand_count (
    entry INTEGER PRIMARY KEY AUTOINCREMENT,
    hand_count INTEGER NOT NULL, machine TEXT NOT NULL,
    recorded_ns INTEGER NOT NULL, by TEXT NOT NULL, why TEXT NOT NULL, content TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS hand_count_number ON hand_count (hand_count, entry);
"""


def record_count(
    connection: sqlite3.Connection,
    content: HandCount | None,
    by: str,
    why: str = "",
    number: int | None = None,
) -> int:
    """Add a count, in the caller's transaction, or strike out `number` (content None).

    Returns the number of the count. Raises LookupError if there is none of that number.
    """
    machine = content.machine if content is not None else None
    text = "null" if content is None else json.dumps(dataclasses.asdict(content))
    return add_entry(connection, "hand_count", "hand_count", number, machine, by, why, text)


def hand_counts(connection: sqlite3.Connection, machine: str | None = None) -> dict[int, HandCount]:
    """What holds now, by number of the count, in order of the time counted.

    Empty for a store that an earlier version wrote.
    """
    there = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'hand_count'").fetchone()
    if there is None:
        return {}
    rows = connection.execute(
        "SELECT hand_count, content FROM hand_count WHERE entry IN "
        "(SELECT max(entry) FROM hand_count WHERE machine = coalesce(?, machine) "
        "GROUP BY hand_count)",
        (machine,),
    )
    held = {
        number: read_kept(f"count {number}", content, _hand_count().validate_python)
        for number, content in rows
    }
    counts = {number: count for number, count in held.items() if count is not None}
    return dict(sorted(counts.items(), key=lambda item: (item[1].time_ns, item[0])))


@cache
def _hand_count() -> TypeAdapter[HandCount | None]:
    return TypeAdapter(HandCount | None)

"""Append-only books in the store: an entry corrects an earlier one of the same number.

Nothing is ever overwritten. The newest entry of a number is what holds, the older ones are its
history. Which table, and which of its columns holds the number, is the book's own.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable
from typing import Any, TypeVar

Kept = TypeVar("Kept")


def add_entry(
    connection: sqlite3.Connection,
    table: str,
    column: str,
    number: int | None,
    machine: str | None,
    by: str,
    why: str,
    content: str,
) -> int:
    """Add an entry, in the caller's transaction, under a new number if None is given.

    The `machine` of an earlier entry is kept if None is given. Returns the number. Raises
    LookupError if there is no entry of that number yet.
    """
    if number is None:
        highest = connection.execute(f"SELECT max({column}) FROM {table}").fetchone()[0]
        number = (highest or 0) + 1
    else:
        found = connection.execute(
            f"SELECT machine FROM {table} WHERE {column} = ? LIMIT 1", (number,)
        ).fetchone()
        if found is None:
            raise LookupError(f"there is no {column} {number}")
        machine = machine or found[0]
    connection.execute(
        f"INSERT INTO {table} ({column}, machine, recorded_ns, by, why, content) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        (number, machine, time.time_ns(), by, why, content),
    )
    return number


def entries(
    connection: sqlite3.Connection, table: str, column: str, number: int
) -> list[tuple[int, int, int, str, str, str]]:
    """Entry, number, recorded_ns, by, why and content of every entry of `number`, oldest first."""
    return connection.execute(
        f"SELECT entry, {column}, recorded_ns, by, why, content FROM {table} "
        f"WHERE {column} = ? ORDER BY entry",
        (number,),
    ).fetchall()


def read_kept(what: str, text: str, build: Callable[[Any], Kept]) -> Kept:
    """What `build` makes of the JSON `text`.

    Raises sqlite3.DatabaseError where that is not of the shape that is written.
    """
    try:
        return build(json.loads(text))
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        reason = str(error).strip().splitlines()[0] if str(error).strip() else ""
        words = f"{type(error).__name__} {reason}".strip()[:200]
        raise sqlite3.DatabaseError(
            f"{what} is not as borewarden writes it ({words}): see `borewarden store check`"
        ) from None

"""The jewel register: what was fitted where and when, how it ended, and every correction.

Nothing is ever overwritten. Each entry of a fitting is a row of its own; the newest one of a
fitting is what holds, the older ones are its history.
"""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from pydantic import TypeAdapter

from borewarden.jewels.fitting import End, Fitting
from borewarden.jewels.fitting_text import Placed
from borewarden.store.append_only import add_entry, entries, read_kept

NEXT_ONE = "the next jewel was fitted"  # why an entry closes the jewel before

REGISTER = """
CREATE TABLE IF NOT EXISTS register (
    entry INTEGER PRIMARY KEY AUTOINCREMENT,
    fitting INTEGER NOT NULL, machine TEXT NOT NULL,
    recorded_ns INTEGER NOT NULL, by TEXT NOT NULL, why TEXT NOT NULL, content TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS register_fitting ON register (fitting, entry);
CREATE TABLE IF NOT EXISTS judged_by (machine TEXT PRIMARY KEY, entry INTEGER NOT NULL);
"""


@dataclass(frozen=True)
class Entry:
    """What was once recorded of a fitting: by whom, when, and why (of a correction)."""

    entry: int
    fitting: int  # number of the fitting, the same in all of its entries
    recorded_ns: int
    by: str
    why: str
    content: Fitting | None  # None: the fitting was struck out


def record(
    connection: sqlite3.Connection,
    content: Fitting | None,
    by: str,
    why: str = "",
    fitting: int | None = None,
) -> int:
    """Add an entry, in the caller's transaction: a new fitting, or what now holds of an old one.

    Returns the number of the fitting. Raises LookupError if there is no fitting of that number.
    """
    machine = content.machine if content is not None else None
    return add_entry(
        connection, "register", "fitting", fitting, machine, by, why, _to_json(content)
    )


def record_placed(
    connection: sqlite3.Connection, placed: Placed, by: str, why: str = ""
) -> list[int]:
    """Record what is `placed`, in the caller's transaction: what it closed, then what is new.

    Returns the numbers of the new fittings, in order.
    """
    record_closed(connection, placed, by)
    return [record(connection, fitting, by, why) for _, fitting in placed.new]


def record_closed(connection: sqlite3.Connection, placed: Placed, by: str) -> None:
    """Record only what `placed` closed, in the caller's transaction."""
    for number, fitting in placed.closed.items():
        record(connection, fitting, by, NEXT_ONE, number)


class Reopened(NamedTuple):
    """What another fitting had closed: those `open` again without it, and those `in_doubt`.

    Both by number. Of one in doubt, somebody has stated that it came out then, or may have.
    """

    open: dict[int, Fitting]
    in_doubt: list[int]


NOTHING_FREED = Reopened({}, [])


def reopened(connection: sqlite3.Connection, closing: Fitting) -> Reopened:
    """What held no longer since `closing` was fitted, should that never have been so."""
    found = Reopened({}, [])
    for number, fitting in fittings(connection, closing.machine).items():
        if fitting.head != closing.head or fitting.out_ns != closing.fitted_ns:
            continue
        was_closed = any(entry.why == NEXT_ONE for entry in history(connection, number))
        if was_closed and fitting.end is End.UNKNOWN and fitting.noted_hours is None:
            found.open[number] = dataclasses.replace(fitting, out_ns=None, end=None)
        else:
            found.in_doubt.append(number)
    return found


def fittings(
    connection: sqlite3.Connection, machine: str | None = None, up_to: int | None = None
) -> dict[int, Fitting]:
    """What holds now, by number of the fitting, in order of the time fitted.

    With `up_to`, what held when that entry was the newest.
    """
    rows = connection.execute(
        "SELECT fitting, content FROM register WHERE entry IN "
        "(SELECT max(entry) FROM register WHERE entry <= ? GROUP BY fitting)",
        (2**62 if up_to is None else up_to,),
    )
    held = {number: _from_json(content) for number, content in rows}
    known = {
        number: fitting
        for number, fitting in held.items()
        if fitting is not None and machine in (None, fitting.machine)
    }
    return dict(sorted(known.items(), key=lambda item: (item[1].fitted_ns, item[0])))


def history(connection: sqlite3.Connection, fitting: int) -> list[Entry]:
    """Every entry of one fitting, oldest first."""
    return [
        Entry(entry, number, recorded_ns, by, why, _from_json(content))
        for entry, number, recorded_ns, by, why, content in entries(
            connection, "register", "fitting", fitting
        )
    ]


def newest_entry(connection: sqlite3.Connection) -> int:
    """Number of the newest entry, 0 if there is none: it tells whether anything has changed."""
    newest: int | None = connection.execute("SELECT max(entry) FROM register").fetchone()[0]
    return newest or 0


def judged_by(connection: sqlite3.Connection, machine: str) -> int:
    """The newest entry that the machine's stored phases, batches and alerts reckon with, or 0."""
    row = connection.execute("SELECT entry FROM judged_by WHERE machine = ?", (machine,)).fetchone()
    return 0 if row is None else int(row[0])


def set_judged_by(connection: sqlite3.Connection, machine: str, entry: int) -> None:
    """Note that they reckon with all entries up to `entry`, in the caller's transaction."""
    connection.execute("INSERT OR REPLACE INTO judged_by VALUES (?, ?)", (machine, entry))


def _to_json(content: Fitting | None) -> str:
    if content is None:
        return "null"
    end = content.end.value if content.end else None
    return json.dumps({**dataclasses.asdict(content), "end": end})


def _from_json(content: str) -> Fitting | None:
    return read_kept("a fitting in the register", content, _fitting().validate_python)


@cache
def _fitting() -> TypeAdapter[Fitting | None]:
    return TypeAdapter(Fitting | None)

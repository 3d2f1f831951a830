"""Mails in the outbox: which machine each is about, who has it, and what nobody will get.

A mail is a payload of the outbox, under its id. Beside it stands who has got it already, so that a
restart sends nothing twice to anybody, and, once it was set aside, whether somebody has seen that.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from borewarden.store import outbox

SINK = "mail"


class Waiting(NamedTuple):
    """A mail that somebody has yet to get."""

    id: int
    machine: str
    kind: str
    time_ns: int


class Undelivered(NamedTuple):
    """A mail that was set aside, so that somebody never gets it; nobody has seen that yet."""

    machine: str
    kind: str
    time_ns: int
    reason: str


def put(
    connection: sqlite3.Connection, machine: str, kind: str, time_ns: int, content: bytes
) -> None:
    """Queue a mail about `machine`, within the caller's transaction."""
    number = outbox.put(connection, SINK, kind, time_ns, content)
    connection.execute("INSERT INTO mail (id, machine) VALUES (?, ?)", (number, machine))


def waiting(connection: sqlite3.Connection, limit: int) -> list[Waiting]:
    """The mails that wait, in the order of `put`."""
    query = (
        "SELECT id, coalesce(machine, ''), kind, time_ns FROM outbox LEFT JOIN mail USING (id) "
        "WHERE sink = ? AND refused IS NULL ORDER BY id LIMIT ?"
    )
    return [Waiting._make(row) for row in connection.execute(query, (SINK, limit))]


def content(connection: sqlite3.Connection, number: int) -> tuple[bytes, dict[str, str]]:
    """A mail, and with whom it is settled: why each will not get it, or "" if he has it.

    Raises LookupError if it is not there.
    """
    row = connection.execute("SELECT payload FROM outbox WHERE id = ?", (number,)).fetchone()
    if row is None:
        raise LookupError(f"no mail {number}")
    copies = connection.execute(
        "SELECT recipient, coalesce(refused, '') FROM mail_copy WHERE id = ?", (number,)
    )
    return row[0], dict(copies)


def settle(
    connection: sqlite3.Connection, number: int, copies: Mapping[str, str], over: str | None
) -> None:
    """Write down with whom a mail is settled, and whether it waits for others.

    `copies` as `content` gives them. `over`: None if it waits, "" if everybody has got it and it
    may go, else why it is set aside.
    """
    if over == "":
        outbox.done(connection, SINK, [number])
        connection.execute("DELETE FROM mail WHERE id = ?", (number,))
        connection.execute("DELETE FROM mail_copy WHERE id = ?", (number,))
        return
    connection.executemany(
        "INSERT OR REPLACE INTO mail_copy VALUES (?, ?, ?)",
        [(number, recipient, reason or None) for recipient, reason in copies.items()],
    )
    if over is not None:
        outbox.refuse(connection, SINK, [number], over)


def undelivered(connection: sqlite3.Connection) -> dict[int, Undelivered]:
    """What was set aside and nobody has seen, by id."""
    query = (
        "SELECT id, machine, kind, time_ns, refused FROM outbox JOIN mail USING (id) "
        "WHERE sink = ? AND refused IS NOT NULL AND seen_ns IS NULL"
    )
    rows = connection.execute(query, (SINK,))
    return {number: Undelivered(*rest) for number, *rest in rows}


def see(
    connection: sqlite3.Connection, machine: str, numbers: Iterable[int], by: str, time_ns: int
) -> None:
    """Somebody has seen that these mails about `machine` were set aside."""
    connection.executemany(
        "INSERT INTO mail VALUES (?, ?, ?, ?) ON CONFLICT (id) "
        "DO UPDATE SET seen_by = excluded.seen_by, seen_ns = excluded.seen_ns",
        [(number, machine, by, time_ns) for number in numbers],
    )

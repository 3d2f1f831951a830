"""What other places have yet to be sent: a durable queue in the embedded store.

`put` belongs into the transaction that stores the rows themselves, so both are there or neither.
`drain` hands the payloads on in order and drops them once they were taken: at least once, since a
crash between the two sends the last ones again. A payload that is refused for its own sake (not
for a server that is down or a wrong password) is set aside and kept, so that it cannot hold up
those behind it. Mails have a way of their own: see `mails`.

When full, a sink first loses every other one of its oldest raw samples, then, once all of them are
thinned, the oldest of what is left. Batches, alerts, link states and mails are never dropped.
"""

from __future__ import annotations

import asyncio
import logging
import math
import sqlite3
import time
from collections.abc import Awaitable, Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from borewarden.base.backoff import back_off
from borewarden.store.database import open_store, transaction

SAMPLE = "sample"  # the only kind that may be thinned
SLACK = 1 << 20  # bytes freed beyond need at most, so that a full outbox is not thinned at each put

BETWEEN_LINES = 60.0  # s between two lines of the log about what is refused

EXPIRED = "expired: "  # the reasons why something was set aside unsent begin with it

log = logging.getLogger(__name__)

Deliver = Callable[[list[bytes]], Awaitable[str | None]]
"""Sends payloads: returns None once they were taken, or why they never will be; raises OSError
(a ConnectionError, say) if it is worth trying again later."""


class Payload(NamedTuple):
    """One thing to be sent."""

    id: int
    kind: str
    time_ns: int
    content: bytes


class Size(NamedTuple):
    """What waits for one sink."""

    payloads: int
    bytes: int


class Backlog(NamedTuple):
    """What is queued for one sink, and what was set aside: kept, but never sent."""

    waiting: int
    refused: int
    expired: int
    last_reason: str  # of what was set aside last; "" if nothing was


def put(
    connection: sqlite3.Connection, sink: str, kind: str, time_ns: int, payload: bytes | str
) -> int:
    """Queue `payload`, within the caller's transaction; returns its id."""
    content = payload.encode() if isinstance(payload, str) else payload
    cursor = connection.execute(
        "INSERT INTO outbox (sink, kind, time_ns, payload) VALUES (?, ?, ?, ?)",
        (sink, kind, time_ns, content),
    )
    return cursor.lastrowid or 0


def newest_id(connection: sqlite3.Connection) -> int:
    """The highest id that was ever given; the next ones are above it."""
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'outbox'").fetchone()
    return 0 if row is None else int(row[0])


def ids_from(connection: sqlite3.Connection, number: int) -> None:
    """Have the next ids be above `number`, in a store that has given none above it."""
    connection.execute("DELETE FROM sqlite_sequence WHERE name = 'outbox'")
    connection.execute("INSERT INTO sqlite_sequence VALUES ('outbox', ?)", (number,))


def take(connection: sqlite3.Connection, sink: str, limit: int) -> list[Payload]:
    """The next payloads in the order of `put`; they stay queued until `done`."""
    query = (
        "SELECT id, kind, time_ns, payload FROM outbox "
        "WHERE sink = ? AND refused IS NULL ORDER BY id LIMIT ?"
    )
    return [Payload._make(row) for row in connection.execute(query, (sink, limit))]


def done(connection: sqlite3.Connection, sink: str, ids: Sequence[int]) -> None:
    """Drop what was taken by the other side."""
    _drop(connection, sink, ids)


def refuse(connection: sqlite3.Connection, sink: str, ids: Sequence[int], reason: str) -> None:
    """Set aside what the other side will never take."""
    connection.executemany(
        "UPDATE outbox SET refused = ? WHERE id = ? AND sink = ?", [(reason, i, sink) for i in ids]
    )


def waiting(connection: sqlite3.Connection, sink: str) -> Size:
    """How much is queued for `sink`, refused payloads included."""
    query = "SELECT payloads, bytes FROM outbox_size WHERE sink = ?"
    return Size(*(connection.execute(query, (sink,)).fetchone() or (0, 0)))


def backlogs(connection: sqlite3.Connection) -> dict[str, Backlog]:
    """Of each sink that ever had something queued, by name."""
    aside = "FROM outbox INDEXED BY outbox_order WHERE sink = size.sink AND refused"
    query = f"""
        SELECT sink, payloads, (SELECT count(*) {aside} IS NOT NULL),
            (SELECT count(*) {aside} GLOB '{EXPIRED}*'),
            (SELECT refused FROM outbox WHERE id = (SELECT max(id) {aside} IS NOT NULL))
        FROM outbox_size AS size ORDER BY sink
    """
    return {
        sink: Backlog(payloads - aside, aside - expired, expired, reason or "")
        for sink, payloads, aside, expired, reason in connection.execute(query)
    }


def thin(connection: sqlite3.Connection, sink: str, max_bytes: int) -> int:
    """Make room if `sink` holds more than `max_bytes`; returns how many payloads were dropped."""
    over = waiting(connection, sink).bytes - max_bytes
    if over <= 0:
        return 0
    to_free = over + min(max_bytes // 10, SLACK)
    query = (
        "SELECT id, length(payload) FROM outbox "
        "WHERE sink = ? AND kind = 'sample' AND thinned = ? ORDER BY id"
    )
    dropped: list[int] = []
    kept: list[int] = []
    for number, (row, size) in enumerate(connection.execute(query, (sink, 0))):
        if number % 2:
            kept.append(row)
        elif to_free <= 0:
            break
        else:
            dropped.append(row)
            to_free -= size
    connection.executemany("UPDATE outbox SET thinned = 1 WHERE id = ?", [(i,) for i in kept])
    _drop(connection, sink, dropped)
    old: list[int] = []
    for row, size in connection.execute(query, (sink, 1)):
        if to_free <= 0:
            break
        old.append(row)
        to_free -= size
    _drop(connection, sink, old)
    return len(dropped) + len(old)


def _drop(connection: sqlite3.Connection, sink: str, ids: Sequence[int]) -> None:
    connection.executemany("DELETE FROM outbox WHERE id = ? AND sink = ?", [(i, sink) for i in ids])


class NotNow(ConnectionError):  # noqa: N818 - it is an answer
    """The other side says itself when it is worth trying again: in `after` s."""

    def __init__(self, reason: str, after: float) -> None:
        super().__init__(reason)
        self.after = after


@dataclass
class _Course:
    """How draining one sink has gone so far, and what is told of it."""

    sink: str
    report: Callable[[str | None], None] | None
    refused: Callable[[int], None] | None
    failures: int = 0
    reason: str = ""
    untold: int = 0  # rows that were refused since the last line in the log
    told_at: float = -math.inf  # time.monotonic

    def failed(self, error: Exception, first_pause: float, longest_pause: float) -> float:
        """Tell of it; returns s to wait. Told anew only if the reason is another one."""
        self.failures += 1
        reason = str(error) or type(error).__name__
        level = logging.DEBUG if reason == self.reason else logging.WARNING
        log.log(level, "%s: not delivered, will try again: %s", self.sink, reason)
        self.reason = reason
        if self.report is not None:
            self.report(reason)
        if isinstance(error, NotNow):
            return error.after + back_off(1, first_pause, first_pause)
        return back_off(self.failures, first_pause, longest_pause)

    def delivered(self) -> None:
        if self.failures:
            log.info("%s: delivering again", self.sink)
        self.failures, self.reason = 0, ""
        if self.report is not None:
            self.report(None)

    def set_aside(self, payload: Payload, reason: str) -> None:
        rows = payload.content.count(b"\n") + 1
        if self.refused is not None:
            self.refused(rows)
        self.untold += rows
        if time.monotonic() - self.told_at >= BETWEEN_LINES:
            words = "%s: rows refused and set aside: %d; the last one, of kind %s: %s"
            log.error(words, self.sink, self.untold, payload.kind, reason)
            self.untold, self.told_at = 0, time.monotonic()


async def drain(
    store_path: Path,
    sink: str,
    deliver: Deliver,
    *,
    limit: int = 1000,
    idle: float = 1.0,
    first_pause: float = 1.0,
    longest_pause: float = 300.0,
    report: Callable[[str | None], None] | None = None,
    refused: Callable[[int], None] | None = None,
) -> None:
    """Hand on what is queued for `sink`, forever; cancel it to stop.

    At most `limit` payloads go at once; an empty queue is looked at again after `idle` seconds.
    `report` is told why each attempt failed, or None after one that did not, and `refused` how
    many rows were set aside.
    """
    loop = asyncio.get_running_loop()
    course = _Course(sink, report, refused)
    # SQLite may wait for the writer or the disk: that is not to hold up the event loop
    with ThreadPoolExecutor(1, f"outbox-{sink}") as thread:

        def run(*asked: Any) -> Awaitable[Any]:
            return loop.run_in_executor(thread, _ask, store_path, *asked)

        while True:
            try:
                payloads = await run(take, sink, limit)
                if payloads:
                    await _send(payloads, run, course, deliver)
            except (OSError, sqlite3.DatabaseError) as error:
                await asyncio.sleep(course.failed(error, first_pause, longest_pause))
                continue
            if payloads:
                course.delivered()
            if len(payloads) < limit:
                await asyncio.sleep(idle)


def _ask(store: Path, ask: Callable[..., Any], *arguments: object) -> Any:
    """What the store says, by a connection of its own: the store may be replaced at any time."""
    with open_store(store) as connection:
        return ask(connection, *arguments)


async def _send(
    payloads: list[Payload],
    run: Callable[..., Awaitable[Any]],
    course: _Course,
    deliver: Deliver,
) -> None:
    """Send the payloads; if they are refused, halve them until the one at fault is found."""
    reason = await deliver([payload.content for payload in payloads])
    if reason is not None and len(payloads) > 1:
        half = len(payloads) // 2
        await _send(payloads[:half], run, course, deliver)
        await _send(payloads[half:], run, course, deliver)
        return
    ids = [payload.id for payload in payloads]
    if reason is None:
        await run(_settle, done, course.sink, ids)
        return
    await run(_settle, refuse, course.sink, ids, reason)
    course.set_aside(payloads[0], reason)


def _settle(
    connection: sqlite3.Connection, settle: Callable[..., None], *arguments: object
) -> None:
    with transaction(connection):
        settle(connection, *arguments)

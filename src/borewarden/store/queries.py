"""What other layers ask the store for: every query of results stands here.

A machine's results are its batches and alerts; the samples have readers of their own in `database`.
"""

from __future__ import annotations

import sqlite3
from typing import Any

from borewarden.store.append_only import read_kept
from borewarden.store.verdicts import verdict_of
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Alert

SAMPLES = (
    "SELECT machine, first_ns, last_ns FROM block UNION ALL "
    "SELECT machine, first_ns, last_ns FROM recent"
)
TELEMETRY = f"{SAMPLES} UNION ALL SELECT machine, end_ns, end_ns FROM batch"
UNTROUBLED = (State.SOUND, State.LEARNING)  # of a newest verdict: no alert is open
MACHINE_TABLES = ("block", "recent", "batch", "alert", "inspection", "register", "hand_count")


def machines(connection: sqlite3.Connection) -> list[str]:
    """Names of all machines that the store knows of."""
    query = " UNION ".join(f"SELECT DISTINCT machine FROM {table}" for table in MACHINE_TABLES)
    return sorted(name for (name,) in connection.execute(query))


def with_telemetry(connection: sqlite3.Connection) -> set[str]:
    """Names of all machines of which there are samples or batches."""
    return {name for (name,) in connection.execute(f"SELECT DISTINCT machine FROM ({TELEMETRY})")}


def is_watched(connection: sqlite3.Connection, machine: str) -> bool:
    """Whether `machine` was ever watched live into this store: only a watch keeps alarms."""
    query = "SELECT 1 FROM alarm WHERE machine = ? LIMIT 1"
    return connection.execute(query, (machine,)).fetchone() is not None


# -- alerts


def alerts(connection: sqlite3.Connection, machine: str, until_ns: int = 2**62) -> list[Alert]:
    """Every alert of `machine` up to `until_ns`, in order of time."""
    rows = connection.execute(
        "SELECT time_ns, verdict FROM alert WHERE machine = ? AND time_ns <= ? ORDER BY time_ns",
        (machine, until_ns),
    )
    return [_alert(row) for row in rows]


def newest_alerts(
    connection: sqlite3.Connection,
    machine: str,
    count: int,
    since_ns: int = 0,
    until_ns: int = 2**62,
) -> list[Alert]:
    """The newest `count` alerts of `machine` between, newest first."""
    rows = connection.execute(
        "SELECT time_ns, verdict FROM alert WHERE machine = ? AND time_ns > ? AND time_ns <= ? "
        "ORDER BY time_ns DESC LIMIT ?",
        (machine, since_ns, until_ns, count),
    )
    return [_alert(row) for row in rows]


def _alert(row: tuple[int, str]) -> Alert:
    time_ns, text = row
    return Alert(time_ns, read_kept("the verdict of an alert", text, verdict_of))


def open_alert(
    connection: sqlite3.Connection, machine: str, since_ns: int, until_ns: int
) -> Alert | None:
    """The newest alert between, unless it was an all-clear."""
    newest = newest_alerts(connection, machine, 1, since_ns, until_ns)
    return newest[0] if newest and newest[0].verdict.state not in UNTROUBLED else None


def standing_alert(connection: sqlite3.Connection, machine: str) -> Alert | None:
    """The newest alert, unless the bore is sound again or another jewel is being learned."""
    newest = newest_alerts(connection, machine, 1)
    if not newest or newest[0].verdict.state in UNTROUBLED:
        return None
    return None if newest_state(connection, machine) in UNTROUBLED else newest[0]


# -- batches


def newest_state(connection: sqlite3.Connection, machine: str) -> State | None:
    """The state at the newest batch of `machine`; None if there is none."""
    row = connection.execute(
        "SELECT state FROM batch WHERE machine = ? ORDER BY end_ns DESC LIMIT 1", (machine,)
    ).fetchone()
    return None if row is None else State(row[0])


def newest_batch(connection: sqlite3.Connection, machine: str) -> dict[str, Any]:
    """The newest batch of `machine` by column; empty if there is none."""
    cursor = connection.execute(
        "SELECT * FROM batch WHERE machine = ? ORDER BY end_ns DESC LIMIT 1", (machine,)
    )
    row = cursor.fetchone()
    return {} if row is None else dict(zip(_names(cursor), row, strict=True))


def newest_batches(
    connection: sqlite3.Connection, machine: str, since_ns: int, until_ns: int, count: int
) -> list[tuple[State, int, float | None, float | None]]:
    """State, end, bore in m and log ratio of the newest `count` batches between, newest first."""
    rows = connection.execute(
        "SELECT state, end_ns, bore, log_ratio FROM batch "
        "WHERE machine = ? AND end_ns > ? AND end_ns <= ? ORDER BY end_ns DESC LIMIT ?",
        (machine, since_ns, until_ns, count),
    )
    return [(State(state), end_ns, bore, ratio) for state, end_ns, bore, ratio in rows]


def batches_after(
    connection: sqlite3.Connection, machine: str, after_ns: int, every: int = 1
) -> dict[str, list[Any]]:
    """Every nth batch that ended after `after_ns`, by column, SI, in order of time.

    They are counted from the newest, so that this one is always among them.
    """
    cursor = connection.execute(
        "SELECT * FROM (SELECT *, row_number() OVER (ORDER BY end_ns DESC) AS place FROM batch "
        "WHERE machine = ? AND end_ns > ?) WHERE (place - 1) % ? = 0 ORDER BY end_ns",
        (machine, after_ns, every),
    )
    rows = cursor.fetchall()
    columns = {name: [row[i] for row in rows] for i, name in enumerate(_names(cursor))}
    del columns["machine"], columns["place"]
    return columns


def count_batches(connection: sqlite3.Connection, machine: str, after_ns: int) -> int:
    """How many batches of `machine` ended after `after_ns`."""
    count: int = connection.execute(
        "SELECT count(*) FROM batch WHERE machine = ? AND end_ns > ?", (machine, after_ns)
    ).fetchone()[0]
    return count


def _names(cursor: sqlite3.Cursor) -> list[str]:
    return [column[0] for column in cursor.description]


def log_ratios(
    connection: sqlite3.Connection, machine: str, since_ns: int, until_ns: int
) -> list[tuple[float, float]]:
    """Jet hours and log area ratio of the batches between that no fault spoilt, in order."""
    return connection.execute(
        "SELECT jet_hours, log_ratio FROM batch WHERE machine = ? AND end_ns > ? AND end_ns <= ? "
        "AND log_ratio IS NOT NULL AND state IN (?, ?) ORDER BY end_ns",
        (machine, since_ns, until_ns, State.SOUND.value, State.WEARING.value),
    ).fetchall()


# -- how much there is


def bytes_of_samples(connection: sqlite3.Connection, since_ns: int) -> tuple[int, int | None]:
    """Bytes of the samples of all machines that came in after `since_ns`, and when the first did.

    A block that reaches over `since_ns` counts whole. None if there is none.
    """
    count, first_ns = connection.execute(
        "SELECT coalesce(sum(length(content)), 0), min(first_ns) FROM (SELECT content, first_ns, "
        "last_ns FROM block UNION ALL SELECT content, first_ns, last_ns FROM recent) "
        "WHERE last_ns > ?",
        (since_ns,),
    ).fetchone()
    return count, first_ns


def telemetry_span(
    connection: sqlite3.Connection, machine: str, since_ns: int, until_ns: int, what: str
) -> tuple[int, int] | None:
    """When the first and the last of `what` came in after `since_ns` and up to `until_ns`, if any.

    `what` is `SAMPLES` or `TELEMETRY`. To the block of samples: one that reaches over either end
    counts as if it filled it.
    """
    first_ns, last_ns = connection.execute(
        f"SELECT min(first_ns), max(last_ns) FROM ({what}) "
        "WHERE machine = ? AND last_ns > ? AND first_ns <= ?",
        (machine, since_ns, until_ns),
    ).fetchone()
    return None if first_ns is None else (max(first_ns, since_ns), min(last_ns, until_ns))


def jet_hours_by_batches(
    connection: sqlite3.Connection,
    machine: str,
    since_ns: int,
    until_ns: int,
    earlier: float | None,
) -> float | None:
    """Jet hours of `machine` by the batches between; None where there are none.

    A batch has the jet hours since the pump's jewels were last changed: with several heads that may
    be another one's change, or the hours of a used jewel. So no two batches count for more than the
    time between them. The first counts from `since_ns` and the `earlier` hours of the jewel fitted
    then, which the watcher may have been told of or not; for nothing where that is None.
    """
    hours: float | None = connection.execute(
        "SELECT sum(max(min(jet_hours - before, (end_ns - before_ns) / 3600e9), 0.0)) FROM "
        "(SELECT jet_hours, end_ns, coalesce(lag(end_ns) OVER w, :since) AS before_ns, "
        "coalesce(lag(jet_hours) OVER w, iif(jet_hours < :earlier, 0.0, :earlier)) AS before "
        "FROM batch WHERE machine = :machine AND end_ns > :since AND end_ns <= :until "
        "WINDOW w AS (ORDER BY end_ns))",
        {"machine": machine, "since": since_ns, "until": until_ns, "earlier": earlier},
    ).fetchone()[0]
    return hours


def silences(
    connection: sqlite3.Connection, machine: str, at_ns: int, longest_ns: int
) -> list[tuple[int, int]]:
    """Times of more than `longest_ns` up to `at_ns` without any sample of `machine`.

    The time before the first and after the last one counts too.
    """
    between = connection.execute(
        "SELECT before, end_ns FROM (SELECT end_ns, lag(end_ns, 1, 0) OVER (ORDER BY end_ns) AS "
        "before FROM batch WHERE machine = ? AND end_ns <= ?) WHERE end_ns - before > ? "
        "UNION ALL SELECT coalesce(max(end_ns), 0), ? FROM batch WHERE machine = ? AND end_ns <= ?",
        (machine, at_ns, longest_ns, at_ns, machine, at_ns),
    ).fetchall()
    found = []
    for start, end in between:
        # no batch closes while a machine stands still, but samples come in
        spans = connection.execute(
            "SELECT first_ns, last_ns FROM block WHERE machine = ? AND last_ns > ? AND first_ns < ?"
            " UNION ALL SELECT first_ns, last_ns FROM recent WHERE machine = ? AND last_ns > ? AND "
            "first_ns < ? ORDER BY 1",
            (machine, start, end) * 2,
        ).fetchall()
        for first, last in [*spans, (end, end)]:
            if first - start > longest_ns:
                found.append((start, first))
            start = max(start, last)
    return found

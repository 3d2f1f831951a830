"""The embedded store: samples, batches and alerts of every machine in one SQLite file.

Beside them stand the alarms' states and the outbox of what other places have yet to be sent.

SQLite in write-ahead mode (sqlite.org/wal.html): one writer and any number of readers at once,
and a committed transaction survives a crash of the process. Rows are keyed by machine and time,
so writing the same hours again replaces them. All values are SI, times ns since 1970 UTC.
"""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd

from borewarden.model.bore import BatchResult
from borewarden.model.gate import Samples
from borewarden.model.watcher import Alert, Learned

SCHEMA_VERSION = 2  # 2 adds tables only, so opening a store of version 1 is its migration

SCHEMA = """
CREATE TABLE IF NOT EXISTS sample (
    machine TEXT NOT NULL, time_ns INTEGER NOT NULL,
    pressure REAL, rate REAL, stroke_count REAL, temperature REAL, valve REAL,
    oil_pressure REAL, boost_pressure REAL, weep_temperature REAL, bypass_temperature REAL,
    left_stroke_time REAL, right_stroke_time REAL, motor_speed REAL, phase INTEGER,
    PRIMARY KEY (machine, time_ns)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS batch (
    machine TEXT NOT NULL, start_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL,
    jet_hours REAL, pressure REAL, temperature REAL, rate REAL, rate_expected REAL, area REAL,
    bore REAL, bore_sd REAL, log_ratio REAL, line REAL, statistic REAL, threshold REAL,
    probability REAL, state TEXT,
    PRIMARY KEY (machine, end_ns)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS alert (
    machine TEXT NOT NULL, time_ns INTEGER NOT NULL, state TEXT NOT NULL, ne107 TEXT NOT NULL,
    onset_ns INTEGER, step REAL, probability REAL, reason TEXT NOT NULL, verdict TEXT NOT NULL,
    PRIMARY KEY (machine, time_ns, state)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS alarm (
    machine TEXT NOT NULL, about TEXT NOT NULL, content TEXT NOT NULL,
    PRIMARY KEY (machine, about)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS outbox (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    sink TEXT NOT NULL, kind TEXT NOT NULL, time_ns INTEGER NOT NULL, payload BLOB NOT NULL,
    thinned INTEGER NOT NULL DEFAULT 0, refused TEXT
);
CREATE INDEX IF NOT EXISTS outbox_order ON outbox (sink, refused, id);
CREATE INDEX IF NOT EXISTS outbox_sample ON outbox (sink, thinned, id) WHERE kind = 'sample';
CREATE TABLE IF NOT EXISTS outbox_size (
    sink TEXT PRIMARY KEY, payloads INTEGER NOT NULL, bytes INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TRIGGER IF NOT EXISTS outbox_in AFTER INSERT ON outbox BEGIN
    INSERT INTO outbox_size VALUES (new.sink, 1, length(new.payload))
    ON CONFLICT (sink) DO UPDATE
    SET payloads = payloads + 1, bytes = bytes + length(new.payload);
END;
CREATE TRIGGER IF NOT EXISTS outbox_out AFTER DELETE ON outbox BEGIN
    UPDATE outbox_size SET payloads = payloads - 1, bytes = bytes - length(old.payload)
    WHERE sink = old.sink;
END;
"""


@contextmanager
def open_store(path: Path, any_thread: bool = False) -> Iterator[sqlite3.Connection]:
    """Open the store at `path`, make it if need be, and close it at the end of the block.

    With `any_thread` other threads may use the connection too, one at a time.

    Raises sqlite3.DatabaseError if `path` is some other kind of file or a newer store.
    """
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=not any_thread)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise sqlite3.DatabaseError(f"the store is of version {version}, not {SCHEMA_VERSION}")
        connection.executescript(SCHEMA)
        if version < SCHEMA_VERSION:  # stands in the file, so that setting it is a write
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        yield connection
    finally:
        connection.close()


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of the block or nothing of it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if connection.in_transaction:  # a full disk has rolled it back already
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def forget(connection: sqlite3.Connection, machine: str, first_ns: int, last_ns: int) -> None:
    """Drop all rows of `machine` from `first_ns` to `last_ns`, before they are written anew."""
    for table, column in (("sample", "time_ns"), ("batch", "end_ns"), ("alert", "time_ns")):
        connection.execute(
            f"DELETE FROM {table} WHERE machine = ? AND {column} BETWEEN ? AND ?",
            (machine, first_ns, last_ns),
        )


def write_learned(
    connection: sqlite3.Connection, machine: str, samples: Samples, learned: Learned
) -> None:
    """Write a block of samples and what the watcher made of it. Rows of the same time go."""
    columns = [channel.tolist() for channel in (*samples, learned.phases)]
    connection.executemany(
        f"INSERT OR REPLACE INTO sample VALUES ({', '.join('?' * (len(Samples._fields) + 2))})",
        zip([machine] * len(columns[0]), *columns, strict=True),
    )
    connection.executemany(
        f"INSERT OR REPLACE INTO batch VALUES ({', '.join('?' * (len(BatchResult._fields) + 1))})",
        [(machine, *row[:-1], row.state.value) for row in learned.batches],
    )
    connection.executemany(
        "INSERT OR REPLACE INTO alert VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [_alert_row(machine, alert) for alert in learned.alerts],
    )


def _alert_row(machine: str, alert: Alert) -> tuple[object, ...]:
    verdict = alert.verdict
    full = {**dataclasses.asdict(verdict), "state": verdict.state.value}
    return (
        machine,
        alert.time_ns,
        verdict.state.value,
        verdict.state.ne107,
        verdict.onset_ns,
        verdict.step,
        verdict.probability,
        verdict.reason,
        json.dumps(full),
    )


def read_table(
    connection: sqlite3.Connection, table: str, machine: str, since_ns: int = 0
) -> pd.DataFrame:
    """Rows of `table` ("sample", "batch" or "alert") for `machine` from `since_ns`, by time."""
    if table not in ("sample", "batch", "alert"):
        raise ValueError(f"no table {table!r}: there are sample, batch and alert")
    time = "end_ns" if table == "batch" else "time_ns"
    query = f"SELECT * FROM {table} WHERE machine = ? AND {time} >= ? ORDER BY {time}"
    return pd.read_sql_query(query, connection, params=(machine, since_ns))


def read_samples(
    connection: sqlite3.Connection, machine: str, since_ns: int, block: int = 65_536
) -> Iterator[Samples]:
    """Stored samples of `machine` from `since_ns` on, in blocks, just as they were written."""
    cursor = connection.execute(
        f"SELECT {', '.join(Samples._fields)} FROM sample "
        "WHERE machine = ? AND time_ns >= ? ORDER BY time_ns",
        (machine, since_ns),
    )
    while rows := cursor.fetchmany(block):
        time_ns, *channels = zip(*rows, strict=True)
        yield Samples(
            np.array(time_ns, dtype=np.int64),
            # NULL is how SQLite keeps a NaN
            *(np.array(channel, dtype=float) for channel in channels),
        )


def newest_sample_ns(connection: sqlite3.Connection, machine: str) -> int | None:
    """Time of the newest stored sample of `machine`; None if there is none."""
    query = "SELECT max(time_ns) FROM sample WHERE machine = ?"
    newest: int | None = connection.execute(query, (machine,)).fetchone()[0]
    return newest


def write_alarm(connection: sqlite3.Connection, machine: str, about: str, content: str) -> None:
    """Keep the state of an alarm over restarts: `content` is whatever its `to_json` gave."""
    connection.execute("INSERT OR REPLACE INTO alarm VALUES (?, ?, ?)", (machine, about, content))


def read_alarm(connection: sqlite3.Connection, machine: str, about: str) -> str | None:
    """The state of an alarm as `write_alarm` kept it; None if there is none."""
    query = "SELECT content FROM alarm WHERE machine = ? AND about = ?"
    row = connection.execute(query, (machine, about)).fetchone()
    return None if row is None else str(row[0])

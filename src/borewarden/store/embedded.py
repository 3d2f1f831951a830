"""The embedded store: samples, batches and alerts of every machine in one SQLite file.

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

import pandas as pd

from borewarden.model.bore import BatchResult
from borewarden.model.gate import Samples
from borewarden.model.watcher import Alert, Learned

SCHEMA_VERSION = 1

SCHEMA = """
CREATE TABLE IF NOT EXISTS sample (
    machine TEXT NOT NULL, time_ns INTEGER NOT NULL,
    pressure REAL, rate REAL, stroke_count REAL, temperature REAL, valve REAL, phase INTEGER,
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
"""


@contextmanager
def open_store(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the store at `path`, make it if need be, and close it at the end of the block.

    Raises sqlite3.DatabaseError if `path` is some other kind of file or a newer store.
    """
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise sqlite3.DatabaseError(f"the store is of version {version}, not {SCHEMA_VERSION}")
        connection.executescript(SCHEMA)
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
        "INSERT OR REPLACE INTO sample VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
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


def read_table(connection: sqlite3.Connection, table: str, machine: str) -> pd.DataFrame:
    """All rows of `table` ("sample", "batch" or "alert") for `machine`, in order of time."""
    if table not in ("sample", "batch", "alert"):
        raise ValueError(f"no table {table!r}: there are sample, batch and alert")
    time = "end_ns" if table == "batch" else "time_ns"
    query = f"SELECT * FROM {table} WHERE machine = ? ORDER BY {time}"
    return pd.read_sql_query(query, connection, params=(machine,))

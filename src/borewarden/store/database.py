"""The embedded store: samples, batches and alerts of every machine in one SQLite file.

Beside them stand the alarms' states and the outbox of what other places have yet to be sent.

SQLite in write-ahead mode (sqlite.org/wal.html): one writer and any number of readers at once,
and a committed transaction survives a crash of the process. All values are SI, times ns since
1970 UTC.

Samples lie in blocks, as a matrix of 8-byte little-endian words, one row a sample: time and phase
(int64), then the `channels` that hold anything but NaN (float64). What comes in one by one from a
thousand pumps is only appended, to `recent`, since a page of its own for every pump and second is
more than a disk can move. Once there is enough of it, `gather` joins it to long blocks that are
found by machine and time.
"""

from __future__ import annotations

import sqlite3
import threading
from bisect import bisect
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from functools import partial
from itertools import chain, compress, groupby
from operator import itemgetter
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from borewarden.base.files import is_special, make_private, resolved
from borewarden.base.plain import json_text
from borewarden.base.samples import Samples, samples_of
from borewarden.detect.habits import Habits
from borewarden.gate.batch import Phase
from borewarden.store.accounts import ACCOUNTS
from borewarden.store.append_only import read_kept
from borewarden.store.counts import COUNTS
from borewarden.store.inspections import INSPECTIONS
from borewarden.store.register import REGISTER
from borewarden.store.verdicts import _alert_row
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.usable import learn_usable
from borewarden.watcher.verdict import STATES
from borewarden.watcher.watcher import Handed, Learned

SCHEMA_VERSION = 3  # 2 added tables only; 3 has blocks of samples in place of a row a sample
APPLICATION_ID = 0x42574453  # "BWDS": by it a store of ours is known, see sqlite.org/pragma.html

CHANNELS = Samples._fields[1:]
UNKNOWN = int(np.float64(np.nan).view(np.int64))  # the word of a NaN
LONG = 64  # samples that are a block of their own at once
GATHERED = 65_536  # short blocks in `recent` before they are gathered
READ_TOGETHER = 2**22  # bytes

RESULT_TIMES = {"batch": "end_ns", "alert": "time_ns"}  # tables of what samples led to, by time
FORGOTTEN = {**RESULT_TIMES, "habits": "since_ns"}  # with the samples that led to it

Words = NDArray[np.int64]  # shape (samples, 2 + len(CHANNELS))

SCHEMA = """
CREATE TABLE IF NOT EXISTS block (
    machine TEXT NOT NULL, first_ns INTEGER NOT NULL, last_ns INTEGER NOT NULL,
    samples INTEGER NOT NULL, channels TEXT NOT NULL, content BLOB NOT NULL
);
CREATE INDEX IF NOT EXISTS block_time ON block (machine, last_ns);
CREATE TABLE IF NOT EXISTS recent (
    machine TEXT NOT NULL, first_ns INTEGER NOT NULL, last_ns INTEGER NOT NULL,
    samples INTEGER NOT NULL, channels TEXT NOT NULL, content BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS thinned (
    machine TEXT PRIMARY KEY, until_ns INTEGER NOT NULL
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
CREATE TABLE IF NOT EXISTS habits (
    machine TEXT NOT NULL, since_ns INTEGER NOT NULL, content TEXT NOT NULL,
    PRIMARY KEY (machine, since_ns)
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
CREATE TABLE IF NOT EXISTS mail (
    id INTEGER PRIMARY KEY, machine TEXT NOT NULL, seen_by TEXT, seen_ns INTEGER
);
CREATE TABLE IF NOT EXISTS mail_copy (
    id INTEGER NOT NULL, recipient TEXT NOT NULL, refused TEXT,
    PRIMARY KEY (id, recipient)
) WITHOUT ROWID;
"""
TABLES = SCHEMA + REGISTER + INSPECTIONS + COUNTS + ACCOUNTS

# by which a store is known that has no mark yet: those of version 3, and of versions 1 and 2
OLD_COLUMNS = {
    "block": {"machine", "first_ns", "last_ns", "samples", "channels", "content"},
    "sample": {"machine", "time_ns", "pressure", "rate", "stroke_count", "temperature", "phase"},
}


@contextmanager
def open_store(
    path: Path, any_thread: bool = False, patience: float = 5.0
) -> Iterator[sqlite3.Connection]:
    """Open the store at `path`, make it if need be, and close it at the end of the block.

    With `any_thread` other threads may use the connection too, one at a time. `patience` in s is
    how long it waits while somebody else writes.

    Raises sqlite3.DatabaseError, with the file untouched, if `path` is some other kind of file or a
    newer store.
    """
    with _using(path):
        is_ours = _check_kind(path)
        make_private(path)
        try:
            connection = sqlite3.connect(
                path, patience, isolation_level=None, check_same_thread=not any_thread
            )
        except sqlite3.OperationalError as error:
            raise sqlite3.OperationalError(f"{path}: {error}") from None
        try:
            version = _check_version(path, connection)  # before anything is changed
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            if version < SCHEMA_VERSION or not is_ours:
                _make(connection, version)
            connection.executescript(TABLES)  # those that came after this store was made
            yield connection
        finally:
            connection.close()


def _make(connection: sqlite3.Connection, version: int) -> None:
    """Make a store of the newest version, of a new file or an old one, or leave it as it was."""
    try:
        connection.executescript(f"BEGIN IMMEDIATE; {TABLES}")
        if version < SCHEMA_VERSION:
            _take_over_rows(connection)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


# who in this process has a store open, so that one can be replaced while nobody has
_gate = threading.Condition()
_users: Counter[Path] = Counter()
_shut: set[Path] = set()


@contextmanager
def _using(path: Path) -> Iterator[None]:
    """Count a connection to `path`; raises sqlite3.OperationalError while it is being replaced.

    Damage that SQLite finds meanwhile is said of `path`.
    """
    if is_special(path):  # to open a pipe would take for ever
        raise sqlite3.OperationalError(f"{path} is not a file; give a borewarden store")
    key = resolved(path)
    with _gate:
        if key in _shut:
            raise sqlite3.OperationalError(f"{path} was damaged and is just being replaced")
        _users[key] += 1
    try:
        yield
    except sqlite3.DatabaseError as error:
        if "malformed" in str(error) and str(path) not in str(error):
            raise sqlite3.DatabaseError(
                f"{path}: {error}; `borewarden store check` says more"
            ) from error
        raise
    finally:
        with _gate:
            _users[key] -= 1
            _gate.notify_all()


@contextmanager
def closed_to_others(path: Path, patience: float) -> Iterator[None]:
    """Keep this process from opening `path` within the block, which begins once nobody has it open.

    Raises sqlite3.OperationalError if somebody still has after `patience` s.
    """
    key = resolved(path)
    with _gate:
        if key in _shut:
            raise sqlite3.OperationalError(f"{path} is being replaced already")
        _shut.add(key)
        if not _gate.wait_for(lambda: _users[key] == 0, patience):
            _shut.discard(key)
            raise sqlite3.OperationalError(f"{path} is damaged, and is still being read")
    try:
        yield
    finally:
        with _gate:
            _shut.discard(key)


def _check_kind(path: Path) -> bool:
    """Whether the file at `path` is marked as a store of ours; False if it is new, or an old one.

    It is looked at without writing. Only ever through SQLite: to close the file in any other way
    would take away the locks of all connections that this process has to it. Raises
    sqlite3.DatabaseError if it is something else.
    """
    right = "give a borewarden store, or a new file"
    if not path.exists() or path.stat().st_size == 0:
        return False
    try:
        with closing(sqlite3.connect(address_to_read(path), uri=True)) as connection:
            mark = connection.execute("PRAGMA application_id").fetchone()[0]
            is_old = mark == 0 and _is_old_store(connection)
    except sqlite3.OperationalError as error:  # such as a directory, or locked
        raise sqlite3.OperationalError(f"{path}: {error}") from None
    except sqlite3.DatabaseError as error:
        if _is_undone(path):
            return _check_kind(path)
        raise sqlite3.DatabaseError(f"{path} is not a store ({error}); {right}") from None
    if mark != APPLICATION_ID and not is_old:
        raise sqlite3.DatabaseError(f"{path} is some other database; {right}")
    return bool(mark == APPLICATION_ID)


def _is_undone(path: Path) -> bool:
    """Whether SQLite has just undone a change of `path` that was cut short, by its journal.

    Only a store that is being made has one. A power cut may then leave a first page of anything.
    """
    journal = path.with_name(f"{path.name}-journal")
    if not journal.exists():
        return False
    address = f"file:{quote(str(resolved(path)))}?mode=rw"
    try:
        with closing(sqlite3.connect(address, uri=True)) as connection:
            connection.execute("SELECT 1 FROM sqlite_master")
    except sqlite3.DatabaseError:
        return False
    return not journal.exists()


def _is_old_store(connection: sqlite3.Connection) -> bool:
    """Whether a database without a mark is a store from before there were marks, or empty."""
    names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    columns = {
        table: {name for _, name, *_ in connection.execute(f"PRAGMA table_info({table})")}
        for table in OLD_COLUMNS
    }
    return not names or any(columns[table] >= OLD_COLUMNS[table] for table in columns)


def address_to_read(path: Path) -> str:
    """An address by which SQLite reads `path` and leaves nothing beside it."""
    # without a log of changes nobody has it open, and no lock is needed
    in_use = path.with_name(f"{path.name}-wal").exists()
    return f"file:{quote(str(resolved(path)))}?{'mode=ro' if in_use else 'mode=ro&immutable=1'}"


def _check_version(path: Path, connection: sqlite3.Connection) -> int:
    """Version of the store, 0 of a new one. Raises sqlite3.DatabaseError if it is a newer one."""
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > SCHEMA_VERSION:
        raise sqlite3.DatabaseError(
            f"the store {path} is of version {version}, not {SCHEMA_VERSION}: "
            "a newer borewarden wrote it, and has to read it"
        )
    return version


@contextmanager
def open_to_read(store: Path) -> Iterator[sqlite3.Connection]:
    """A connection that cannot write. Raises sqlite3.Error if there is no such store yet."""
    with (
        _using(store),
        closing(sqlite3.connect(address_to_read(store), uri=True, timeout=1.0)) as connection,
    ):
        yield connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of the block or nothing of it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk has rolled it back already
            connection.execute("ROLLBACK")
        raise


def forget(connection: sqlite3.Connection, machine: str, first_ns: int, last_ns: int) -> None:
    """Drop all rows of `machine` from `first_ns` to `last_ns`, before they are written anew."""
    gather(connection)
    touched = connection.execute(
        "SELECT rowid, channels, content FROM block "
        "WHERE machine = ? AND last_ns >= ? AND first_ns <= ?",
        (machine, first_ns, last_ns),
    ).fetchall()
    for rowid, channels, content in touched:
        connection.execute("DELETE FROM block WHERE rowid = ?", (rowid,))
        words = _unpack(channels, content)
        for rest in (words[words[:, 0] < first_ns], words[words[:, 0] > last_ns]):
            if len(rest):
                _insert(connection, "block", machine, rest)
    forget_learned(connection, machine, first_ns, last_ns)


def forget_learned(
    connection: sqlite3.Connection, machine: str, first_ns: int, last_ns: int
) -> None:
    """Drop what came of the samples of `machine` from `first_ns` to `last_ns`, and keep these."""
    for table, column in FORGOTTEN.items():
        connection.execute(
            f"DELETE FROM {table} WHERE machine = ? AND {column} BETWEEN ? AND ?",
            (machine, first_ns, last_ns),
        )


def write_learned(
    connection: sqlite3.Connection, machine: str, samples: Samples, learned: Learned
) -> None:
    """Write a block of samples, in order of time, and what the watcher made of it.

    Nothing of these hours may be stored yet: `forget` them if they come again.
    """
    write_samples(connection, machine, [(samples, learned.phases)])
    write_results(connection, machine, learned)


def write_samples(
    connection: sqlite3.Connection,
    machine: str,
    parts: Iterable[tuple[Samples, NDArray[np.int8]]],
) -> None:
    """Write samples with their phases, all in order of time; short parts become one row."""
    short: list[Words] = []
    for samples, phases in parts:
        words = _words(samples, phases)
        if len(words) < LONG:
            short.append(words)
            continue
        _write_short(connection, machine, short)  # not to reach over the long one
        _insert(connection, "block", machine, words)
    _write_short(connection, machine, short)


def _write_short(connection: sqlite3.Connection, machine: str, short: list[Words]) -> None:
    if sum(map(len, short)) and (
        _insert(connection, "recent", machine, np.concatenate(short)) >= GATHERED
    ):
        gather(connection)
    short.clear()


def has_batches(connection: sqlite3.Connection, machine: str, first_ns: int, last_ns: int) -> bool:
    """Whether any batch of `machine` ended from `first_ns` to `last_ns`."""
    found = connection.execute(
        "SELECT 1 FROM batch WHERE machine = ? AND end_ns BETWEEN ? AND ? LIMIT 1",
        (machine, first_ns, last_ns),
    )
    return found.fetchone() is not None


def judge_anew(
    connection: sqlite3.Connection,
    machine: str,
    since_ns: int,
    learn_many: Callable[[Samples], Learned],
) -> Iterator[Learned]:
    """Have the stored samples from `since_ns` on learned anew, in the caller's transaction.

    Phases, batches and alerts from then on are replaced by what comes of it, block by block; the
    samples stay. All of it has to be gone through.
    """
    gather(connection)
    forget_learned(connection, machine, since_ns, np.iinfo(np.int64).max)
    blocks = connection.execute(
        "SELECT rowid FROM block WHERE machine = ? AND last_ns >= ? ORDER BY last_ns",
        (machine, since_ns),
    ).fetchall()
    for row in blocks:
        channels, content = connection.execute(
            "SELECT channels, content FROM block WHERE rowid = ?", row
        ).fetchone()
        words = _unpack(channels, content)
        first = int(np.searchsorted(words[:, 0], since_ns))
        unusable = words[first:, 1] == Phase.UNUSABLE
        learned = learn_usable(learn_many, _samples(words[first:]), unusable)
        stored = _columns(channels, content)[0].copy()
        stored[first:, 1] = learned.phases
        connection.execute("UPDATE block SET content = ? WHERE rowid = ?", (stored.tobytes(), *row))
        write_results(connection, machine, learned)
        yield learned


def write_results(connection: sqlite3.Connection, machine: str, learned: Learned) -> None:
    """Write batches, alerts and habits, in the place of those of the same time."""
    connection.executemany(
        f"INSERT OR REPLACE INTO batch VALUES ({', '.join('?' * (len(RESULT.names or ()) + 1))})",
        [(machine, *row[:-1], STATES[row[-1]].value) for row in learned.batches.tolist()],
    )
    connection.executemany(
        "INSERT OR REPLACE INTO alert VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [_alert_row(machine, alert) for alert in learned.alerts],
    )
    connection.executemany(
        "INSERT OR REPLACE INTO habits VALUES (?, ?, ?)",
        [(machine, each.since_ns, json_text(each.habits)) for each in learned.handed],
    )


def handed_at(connection: sqlite3.Connection, machine: str, time_ns: int) -> Handed | None:
    """What the jewels in the heads at `time_ns` were left by those before; None if nothing was."""
    row = connection.execute(
        "SELECT since_ns, content FROM habits WHERE machine = ? AND since_ns <= ? "
        "ORDER BY since_ns DESC LIMIT 1",
        (machine, time_ns),
    ).fetchone()
    return None if row is None else read_kept("habits of a pump", row[1], partial(_handed, row[0]))


def _handed(since_ns: int, fields: dict[str, Any]) -> Handed:
    return Handed(since_ns, {heads: _habits(each) for heads, each in fields.items()})


def _habits(fields: dict[str, Any]) -> Habits:
    """As they were kept: JSON knows lists only."""
    kept: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in fields.items()}
    return Habits(**kept)


# -- blocks of samples


def gather(connection: sqlite3.Connection) -> None:
    """Join what is recent to long blocks, in the caller's transaction. Changes no sample."""
    rows = connection.execute(
        "SELECT machine, first_ns, last_ns, channels, content FROM recent "
        "ORDER BY machine, first_ns"
    )
    for machine, own in groupby(rows, key=itemgetter(0)):
        parts = list(own)
        between = connection.execute(
            "SELECT last_ns FROM block WHERE machine = ? AND last_ns BETWEEN ? AND ? "
            "ORDER BY last_ns",
            (machine, parts[0][1], parts[-1][2]),
        )
        ends = [last_ns for (last_ns,) in between]
        # a block is never to reach over another one, or reading them in turn would go back in time
        for _, within in groupby(parts, key=lambda row: bisect(ends, row[1])):
            words = [
                _unpack(channels, b"".join(row[4] for row in alike))
                for channels, alike in groupby(within, key=itemgetter(3))
            ]
            _insert(connection, "block", machine, np.concatenate(words))
    connection.execute("DELETE FROM recent")


def _words(samples: Samples, phases: NDArray[np.int8]) -> Words:
    words = np.empty((len(phases), 2 + len(CHANNELS)), dtype="<i8")
    words[:, 0] = samples.time_ns
    words[:, 1] = phases
    words[:, 2:].view("<f8").T[:] = samples[1:]
    return words


def _samples(words: Words) -> Samples:
    channels = np.ascontiguousarray(words[:, 2:].T).view("<f8")
    return Samples(words[:, 0].copy(), *channels)


def _insert(connection: sqlite3.Connection, table: str, machine: str, words: Words) -> int:
    """Write a block; returns its row."""
    known = np.ones(words.shape[1], dtype=bool)
    known[2:] = ~np.isnan(words[:, 2:].view("<f8")).all(axis=0)
    row = (
        machine,
        int(words[0, 0]),
        int(words[-1, 0]),
        len(words),
        " ".join(compress(CHANNELS, known[2:])),
        words[:, known].tobytes(),
    )
    return connection.execute(f"INSERT INTO {table} VALUES (?, ?, ?, ?, ?, ?)", row).lastrowid or 0


def _unpack(channels: str, content: bytes) -> Words:
    """What a block holds; a channel that it lacks, perhaps since it is an old one, is NaN."""
    stored, names = _columns(channels, content)
    words = np.full((len(stored), 2 + len(CHANNELS)), UNKNOWN, dtype="<i8")
    words[:, :2] = stored[:, :2]
    words[:, [2 + CHANNELS.index(name) for name in names]] = stored[:, 2:]
    return words


def _columns(channels: str, content: bytes) -> tuple[Words, list[str]]:
    """A block as it is stored, shape (samples, 2 + channels), and the names of its channels."""
    names = channels.split()
    return np.frombuffer(content, dtype="<i8").reshape(-1, 2 + len(names)), names


def block_faults(first_ns: int, last_ns: int, samples: int, channels: str, content: bytes) -> str:
    """What is wrong with a row of `block` or `recent`, in words; "" if nothing is."""
    names = channels.split()
    if unknown := [name for name in names if name not in CHANNELS]:
        return f"unknown channels {', '.join(unknown)}"
    if len(content) != 8 * samples * (2 + len(names)) or samples < 1:
        return f"{len(content)} bytes do not hold {samples} samples of {len(names)} channels"
    times = _columns(channels, content)[0][:, 0]
    if (times[0], times[-1]) != (first_ns, last_ns) or bool(np.any(np.diff(times) <= 0)):
        return "its times do not ascend from the first to the last"
    return ""


def _blocks(
    connection: sqlite3.Connection, machine: str, since_ns: int
) -> Iterator[tuple[str, bytes]]:
    blocks = connection.execute(
        "SELECT last_ns, channels, content FROM block WHERE machine = ? AND last_ns >= ? "
        "UNION ALL "
        "SELECT last_ns, channels, content FROM recent WHERE machine = ? AND last_ns >= ? "
        "ORDER BY last_ns",
        (machine, since_ns) * 2,
    )
    for _, channels, content in blocks:
        yield channels, content


def _read_blocks(connection: sqlite3.Connection, machine: str, since_ns: int) -> Iterator[Words]:
    for channels, content in _blocks(connection, machine, since_ns):
        words = _unpack(channels, content)
        yield words[np.searchsorted(words[:, 0], since_ns) :]


def _take_over_rows(connection: sqlite3.Connection) -> None:
    """Make blocks of the samples that versions 1 and 2 kept as a row each."""
    names = [name for _, name, *_ in connection.execute("PRAGMA table_info(sample)")]
    if not names:
        return
    columns = ", ".join(names)
    for (machine,) in connection.execute("SELECT DISTINCT machine FROM sample").fetchall():
        cursor = connection.execute(
            f"SELECT {columns} FROM sample WHERE machine = ? ORDER BY time_ns", (machine,)
        )
        while rows := cursor.fetchmany(GATHERED):
            stored = dict(zip(names, zip(*rows, strict=True), strict=True))
            unknown = np.full(len(rows), np.nan)
            samples = Samples(
                np.array(stored["time_ns"], dtype=np.int64),
                # NULL was a NaN
                *(np.array(stored.get(name, unknown), dtype=float) for name in CHANNELS),
            )
            phases = np.array([phase or 0 for phase in stored["phase"]], dtype=np.int8)
            _insert(connection, "block", machine, _words(samples, phases))
    connection.execute("DROP TABLE sample")


# -- what is thinned out in the course of time


def whole_since(connection: sqlite3.Connection, machine: str) -> int:
    """Time from which on every sample of `machine` is there; 0 if none was ever thinned out."""
    query = "SELECT until_ns FROM thinned WHERE machine = ?"
    row = connection.execute(query, (machine,)).fetchone()
    return 0 if row is None else int(row[0]) + 1


def thin_block(
    connection: sqlite3.Connection,
    machine: str,
    before_ns: int,
    rows_to_keep: Callable[[Samples, NDArray[np.int8]], NDArray[np.bool_]],
) -> tuple[int, int] | None:
    """Thin out the oldest whole block that ends before `before_ns`, in the caller's transaction.

    Returns how many samples it had and has, or None if there is no such block.
    """
    found = connection.execute(
        "SELECT rowid, last_ns, channels, content FROM block "
        "WHERE machine = ? AND first_ns >= ? AND last_ns < ? ORDER BY last_ns LIMIT 1",
        (machine, whole_since(connection, machine), before_ns),
    ).fetchone()
    if found is None:
        return None
    row, last_ns, channels, content = found
    words = _unpack(channels, content)
    kept = words[rows_to_keep(_samples(words), words[:, 1].astype(np.int8))]
    connection.execute("DELETE FROM block WHERE rowid = ?", (row,))
    _insert(connection, "block", machine, kept)
    connection.execute("INSERT OR REPLACE INTO thinned VALUES (?, ?)", (machine, last_ns))
    return len(words), len(kept)


def drop_batches(
    connection: sqlite3.Connection, machine: str, before_ns: int, most: int = 10_000
) -> int:
    """Drop the oldest batches that ended before `before_ns`, `most` at once; returns how many."""
    dropped = connection.execute(
        "DELETE FROM batch WHERE machine = ? AND end_ns IN (SELECT end_ns FROM batch "
        "WHERE machine = ? AND end_ns < ? ORDER BY end_ns LIMIT ?)",
        (machine, machine, before_ns, most),
    )
    return dropped.rowcount


# -- reading


def read_table(
    connection: sqlite3.Connection, table: str, machine: str, since_ns: int = 0
) -> pd.DataFrame:
    """Rows of `table` ("sample", "batch" or "alert") for `machine` from `since_ns`, by time."""
    if table == "sample":
        nothing = np.empty((0, 2 + len(CHANNELS)), dtype="<i8")
        words = np.concatenate([nothing, *_read_blocks(connection, machine, since_ns)])
        columns = {**_samples(words)._asdict(), "phase": words[:, 1]}
        frame = pd.DataFrame(columns)
        frame.insert(0, "machine", machine)
        return frame
    if table not in RESULT_TIMES:
        raise ValueError(f"no table {table!r}: there are sample, batch and alert")
    time = RESULT_TIMES[table]
    query = f"SELECT * FROM {table} WHERE machine = ? AND {time} >= ? ORDER BY {time}"
    return pd.read_sql_query(query, connection, params=(machine, since_ns))


def read_samples(
    connection: sqlite3.Connection, machine: str, since_ns: int, block: int = 65_536
) -> Iterator[Samples]:
    """Stored samples of `machine` from `since_ns` on, just as they were written, in blocks.

    The blocks are of `block` samples, or somewhat more.
    """
    waiting: list[Words] = []
    rows = 0
    for words in _read_blocks(connection, machine, since_ns):
        waiting.append(words)
        rows += len(words)
        if rows >= block:
            yield _samples(np.concatenate(waiting))
            waiting, rows = [], 0
    if waiting:
        yield _samples(np.concatenate(waiting))


def read_phases(
    connection: sqlite3.Connection, machine: str, since_ns: int
) -> Iterator[tuple[Samples, NDArray[np.int8]]]:
    """Stored samples of `machine` from `since_ns` on, with their phases, in blocks of some size.

    The arrays are views of what is stored, for those who look through months of it in seconds.
    """
    for channels, alike in groupby(_blocks(connection, machine, since_ns), key=itemgetter(0)):
        waiting: list[bytes] = []
        for _, content in chain(alike, [("", b"")]):
            waiting.append(content)
            if content and sum(map(len, waiting)) < READ_TOGETHER:
                continue
            stored, names = _columns(channels, b"".join(waiting))
            first = int(np.searchsorted(stored[:, 0], since_ns))
            columns = {name: stored[first:, 2 + i].view("<f8") for i, name in enumerate(names)}
            if first < len(stored):
                yield samples_of(stored[first:, 0], **columns), stored[first:, 1].astype(np.int8)
            waiting = []


def newest_sample_ns(connection: sqlite3.Connection, machine: str) -> int | None:
    """Time of the newest stored sample of `machine`; None if there is none."""
    query = (
        "SELECT max(last_ns) FROM (SELECT max(last_ns) AS last_ns FROM block WHERE machine = ? "
        "UNION ALL SELECT max(last_ns) FROM recent WHERE machine = ?)"
    )
    newest: int | None = connection.execute(query, (machine, machine)).fetchone()[0]
    return newest


def read_books(connection: sqlite3.Connection) -> None:
    """Go through what a start needs besides samples, so that damage to it shows at once."""
    for table in (
        "alarm",
        "habits",
        "judged_by",
        "thinned",
        "register",
        "inspection",
        "mail",
        "mail_copy",
    ):
        for _ in connection.execute(f"SELECT * FROM {table}"):
            pass
    connection.execute("SELECT count(*) FROM recent").fetchone()
    connection.execute("SELECT max(id) FROM outbox").fetchone()


def write_alarm(connection: sqlite3.Connection, machine: str, about: str, content: str) -> None:
    """Keep the state of an alarm over restarts: `content` is whatever its `to_json` gave."""
    connection.execute("INSERT OR REPLACE INTO alarm VALUES (?, ?, ?)", (machine, about, content))


def read_alarm(connection: sqlite3.Connection, machine: str, about: str) -> str | None:
    """The state of an alarm as `write_alarm` kept it; None if there is none."""
    query = "SELECT content FROM alarm WHERE machine = ? AND about = ?"
    row = connection.execute(query, (machine, about)).fetchone()
    return None if row is None else str(row[0])

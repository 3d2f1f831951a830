"""A damaged store: what can be read of it goes into a new one, and the damaged one is set aside.

SQLite removes the log of a database by its name when the last connection closes, whoever has that
name by then. So nothing is renamed before every connection is closed, those of other processes too.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from borewarden.base.files import resolved
from borewarden.store import outbox
from borewarden.store.database import (
    address_to_read,
    block_faults,
    closed_to_others,
    open_store,
    transaction,
)

PATIENCE = 10.0  # s for this process to be done with the store, and for others
LEAPS = 10_000  # over what can't be read, in one table
FARTHEST = 2**40  # rows that one leap may pass over
TOGETHER = 1000  # rows in one transaction
# sqlite.org/fileformat2.html and os_unix.c: whoever has a database open locks some of these bytes
SHARED_FIRST, SHARED_SIZE = 0x40000002, 510
LOG_MAGIC = (0x377F0682, 0x377F0683)  # of a write-ahead log
COUNTED = "outbox_size"  # made by triggers from what is put into the outbox


class Aside(NamedTuple):
    """Where a damaged store was put, and how many rows of each table could be brought over."""

    path: Path
    rows: dict[str, int]

    def words(self) -> str:
        """What happened, for people."""
        brought = ", ".join(f"{rows} of {name}" for name, rows in self.rows.items() if rows)
        return (
            f"The store was damaged. It was set aside as {self.path}, and watching goes on in a "
            f"new one. Rows that could be brought over: {brought or 'none'}."
        )


def is_damage(error: BaseException) -> bool:
    """Whether SQLite says by `error` that the file itself is no good."""
    text = str(error)
    return any(words in text for words in ("malformed", "not a database", "decode to UTF-8"))


def was_ours(store: Path) -> bool:
    """Whether a file that is no database any more has the log of one beside it."""
    try:
        with store.with_name(f"{store.name}-wal").open("rb") as log:
            return int.from_bytes(log.read(4), "big") in LOG_MAGIC
    except OSError:
        return False


def finish_setting_aside(store: Path) -> None:
    """Go on where `set_aside` was cut short between its two steps."""
    new = _new(store)
    if not store.exists() and new.exists():
        new.rename(store)


def set_aside(store: Path, newest_id: int = 0) -> Aside:
    """Put a new store in the place of a damaged one, with all of it that can be read.

    The ids of its outbox go on behind `newest_id` at least. Raises sqlite3.OperationalError if
    somebody has the store open and does not close it, sqlite3.Error or OSError if the new one can't
    be written: all is then as it was.
    """
    store = resolved(store)
    with closed_to_others(store, PATIENCE):
        if _is_open_elsewhere(store):
            raise sqlite3.OperationalError(
                f"{store} is damaged, and another program has it open: end that program"
            )
        new = _new(store)
        _remove(new)
        with open_store(new) as connection:
            rows = _bring_over(store, connection)
            with transaction(connection):
                outbox.ids_from(connection, max(newest_id, outbox.newest_id(connection)))
        aside = store.with_name(f"{store.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
        store.rename(aside)
        log = store.with_name(f"{store.name}-wal")
        if log.exists():
            log.rename(aside.with_name(f"{aside.name}-wal"))
        store.with_name(f"{store.name}-shm").unlink(missing_ok=True)
        new.rename(store)
    return Aside(aside, rows)


def _new(store: Path) -> Path:
    return store.with_name(f"{store.name}.new")


def _remove(store: Path) -> None:
    for suffix in ("", "-wal", "-shm", "-journal"):
        store.with_name(store.name + suffix).unlink(missing_ok=True)


def _is_open_elsewhere(store: Path) -> bool:
    """Whether another process has `store` open. No connection of this one may be."""
    if sys.platform == "win32":  # nobody can rename there what is open
        return False
    import fcntl

    with store.open("r+b") as file:
        try:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, SHARED_SIZE, SHARED_FIRST)
        except (BlockingIOError, PermissionError):
            return True
    return False


# -- what can be read


def _bring_over(damaged: Path, connection: sqlite3.Connection) -> dict[str, int]:
    """Copy what can be read; returns how many rows of each table."""
    tables = [
        name
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        if not name.startswith("sqlite_") and name != COUNTED
    ]
    counts = dict.fromkeys(tables, 0)
    with closing(sqlite3.connect(address_to_read(damaged), uri=True)) as source:
        for table in tables:
            about = connection.execute(f"PRAGMA table_info({table})").fetchall()
            names = [name for _, name, *_ in about]
            key = [name for _, name, *_, place in sorted(about, key=lambda row: row[5]) if place]
            places = ", ".join("?" * len(names))
            insert = f"INSERT OR IGNORE INTO {table} ({', '.join(names)}) VALUES ({places})"
            part: list[tuple[Any, ...]] = []
            for row in _readable(source, table, names, key):
                if not _is_sound(table, row):
                    continue
                part.append(row)
                counts[table] += 1
                if len(part) == TOGETHER:
                    _insert(connection, insert, part)
            _insert(connection, insert, part)
    return counts


def _insert(connection: sqlite3.Connection, insert: str, part: list[tuple[Any, ...]]) -> None:
    with transaction(connection):
        connection.executemany(insert, part)
    part.clear()


def _is_sound(table: str, row: tuple[Any, ...]) -> bool:
    """Whether the bytes of a row can be what they should be: a bad disk may have changed them."""
    try:
        if table in ("block", "recent"):
            return not block_faults(*row[1:])
        if table in ("alert", "alarm", "habits", "register", "inspection"):
            json.loads(row[-1])
    except (TypeError, ValueError, AttributeError):
        return False
    return True


def _readable(
    source: sqlite3.Connection, table: str, names: list[str], key: list[str]
) -> Iterator[tuple[Any, ...]]:
    """The rows of `table` that can be read; one may come twice."""
    columns = ", ".join(names)
    try:
        source.execute(f"SELECT rowid FROM {table} LIMIT 1")
    except sqlite3.OperationalError:  # it has none, or there is no such table in an old store
        yield from _from_both_ends(source, table, columns, key)
        return
    except sqlite3.DatabaseError:
        pass
    yield from _by_row_number(source, table, columns)


def _by_row_number(
    source: sqlite3.Connection, table: str, columns: str
) -> Iterator[tuple[Any, ...]]:
    """In order of the row's number, leaping over what can't be read."""
    at = -1
    rows = f"SELECT rowid, {columns} FROM {table} NOT INDEXED WHERE rowid > ? ORDER BY rowid"
    for _ in range(LEAPS):
        try:
            for number, *row in source.execute(rows, (at,)):
                at = number
                yield tuple(row)
            return
        except sqlite3.DatabaseError:
            leap = _leap(source, table, at)
            if leap is None:
                return
            at += leap


def _leap(source: sqlite3.Connection, table: str, at: int) -> int | None:
    """By how many row numbers behind `at` the table can be read again; None if it never can."""

    def works(step: int) -> bool:
        query = f"SELECT rowid FROM {table} NOT INDEXED WHERE rowid > ? ORDER BY rowid LIMIT 1"
        try:
            source.execute(query, (at + step,)).fetchone()
        except sqlite3.DatabaseError:
            return False
        return True

    far = 1
    while not works(far):
        far *= 2
        if far > FARTHEST:
            return None
    near = far // 2
    while far - near > 1:
        middle = (near + far) // 2
        near, far = (near, middle) if works(middle) else (middle, far)
    return far


def _from_both_ends(
    source: sqlite3.Connection, table: str, columns: str, key: list[str]
) -> Iterator[tuple[Any, ...]]:
    """In order of the key from its start, and then from its end, up to what can't be read."""
    for order in ("ASC", "DESC"):
        ordered = ", ".join(f"{name} {order}" for name in key)
        try:
            yield from source.execute(f"SELECT {columns} FROM {table} ORDER BY {ordered}")
            return
        except sqlite3.DatabaseError:
            continue

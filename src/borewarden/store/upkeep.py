"""Looking after a store: what is wrong with it, a copy of it, and less of it on the disk."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from borewarden.base.errors import BadInput
from borewarden.base.files import make_private, resolved, sync_names
from borewarden.store.database import (
    APPLICATION_ID,
    SCHEMA_VERSION,
    TABLES,
    block_faults,
    gather,
    open_store,
    open_to_read,
    transaction,
)
from borewarden.store.owner import owned

RECOVER = (
    "stop the watch if one runs, and start it again: it sets a damaged store aside and brings over "
    "what can be read; or put back a backup"
)
MOST_FAULTS = 5  # that are listed of one kind
WASTE = 0.5  # share of free pages from which on compacting is worth while
ROOM = 2.2  # times the store's size that compacting may need meanwhile


class Finding(NamedTuple):
    """One thing that was looked at; `todo` is "" if nothing has to be done."""

    part: str
    is_well: bool
    words: str
    todo: str = ""


def check_store(store: Path) -> Iterator[Finding]:
    """Look at everything in `store`, and change nothing. Raises BadInput if there is none."""
    if not store.is_file():
        raise BadInput(store, "file", "there is no such store", "name it by --store")
    try:
        with open_to_read(store) as connection:
            yield from _kind(connection)
            yield _pages(connection)
            yield from _contents(connection)
            yield _waste(connection)
    except sqlite3.DatabaseError as error:
        yield Finding("file", False, f"it can't be read: {error}", RECOVER)
    yield _room(store)
    aside = set_aside_files(store)
    if aside:
        names = ", ".join(path.name for path in aside)
        todo = "copy them to another disk, then remove them here"
        yield Finding("set aside", False, f"damaged stores of before: {names}", todo)


def set_aside_files(store: Path) -> list[Path]:
    """Damaged stores that a watch has set aside beside this one, oldest first."""
    return sorted(
        path
        for path in resolved(store).parent.glob(f"{resolved(store).name}.damaged-*")
        if not path.name.endswith(("-wal", "-shm"))
    )


def _kind(connection: sqlite3.Connection) -> Iterator[Finding]:
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if mark != APPLICATION_ID:
        yield Finding(
            "mark", False, "the file has no mark of borewarden", "watch takes an old store over"
        )
    if version != SCHEMA_VERSION:
        right = "watch takes it over" if version < SCHEMA_VERSION else "use a newer borewarden"
        yield Finding("version", False, f"it is {version}, not {SCHEMA_VERSION}", right)
    there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    with closing(sqlite3.connect(":memory:")) as fresh:
        fresh.executescript(TABLES)
        wanted = {
            name
            for (name,) in fresh.execute("SELECT name FROM sqlite_master")
            if not name.startswith("sqlite_")
        }
    if missing := sorted(wanted - there):
        todo = "start a watch: it makes what is missing"
        yield Finding("tables", False, f"there is no {', '.join(missing)}", todo)


def _pages(connection: sqlite3.Connection) -> Finding:
    faults = [text for (text,) in connection.execute("PRAGMA integrity_check(20)")]
    if faults == ["ok"]:
        return Finding("pages", True, "every page and index is sound")
    said = " | ".join(" ".join(text.split()) for text in faults[:MOST_FAULTS])
    return Finding("pages", False, said, RECOVER)


def _contents(connection: sqlite3.Connection) -> Iterator[Finding]:
    for table in ("block", "recent"):
        rows = 0
        faults: list[str] = []
        for row in connection.execute(
            f"SELECT machine, first_ns, last_ns, samples, channels, content FROM {table}"
        ):
            rows += 1
            if (fault := block_faults(*row[1:])) and len(faults) < MOST_FAULTS:
                when = datetime.fromtimestamp(row[1] / 1e9, UTC).isoformat(timespec="seconds")
                faults.append(f"{row[0]}, {when}: {fault}")
        yield Finding(
            f"table {table}", not faults, "; ".join(faults) or f"{rows} blocks of samples",
            RECOVER if faults else "",
        )  # fmt: skip
    texts = {
        "alert": "verdict", "register": "content", "inspection": "content", "alarm": "content",
        "habits": "content",
    }  # fmt: skip
    for table, column in texts.items():
        rows, bad = 0, 0
        for (text,) in connection.execute(f"SELECT {column} FROM {table}"):
            rows += 1
            try:
                json.loads(text)
            except (ValueError, TypeError):
                bad += 1
        yield Finding(
            f"table {table}", not bad, f"{bad} of {rows} can't be read" if bad else f"{rows} rows",
            RECOVER if bad else "",
        )  # fmt: skip
    (batches,) = connection.execute("SELECT count(*) FROM batch").fetchone()
    yield Finding("table batch", True, f"{batches} rows")


def _waste(connection: sqlite3.Connection) -> Finding:
    free, pages, size = (
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("freelist_count", "page_count", "page_size")
    )
    words = f"{pages * size / 1e6:.1f} MB, of which {free * size / 1e6:.1f} MB are free"
    wasteful = pages * size > 10**8 and free > WASTE * pages
    return Finding("size", True, words, "borewarden store compact" if wasteful else "")


def _room(store: Path) -> Finding:
    free = shutil.disk_usage(resolved(store).parent).free
    size = store.stat().st_size
    if free > size:
        return Finding("disk", True, f"{free / 1e9:.1f} GB are free")
    words = f"only {free / 1e9:.2f} GB are free, less than the store's size"
    return Finding("disk", False, words, "free some space, or store prune and store compact")


def backup_store(store: Path, target: Path) -> Path:
    """Copy `store` to `target`, or into it if that is a folder, while others write to it.

    The copy is one state of the store, checked, and takes the place of nothing. Returns where it
    is. Raises BadInput if there is no store, or something at `target`.
    """
    if not store.is_file():
        raise BadInput(store, "file", "there is no such store", "name it by --store")
    if target.is_dir():
        target /= f"{store.stem}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.db"
    if target.exists() or target.is_symlink():
        raise BadInput(target, "file", "it is there already", "name a new file, or a folder")
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    make_private(part)
    try:
        with open_to_read(store) as source, closing(sqlite3.connect(part)) as copy:
            source.backup(copy)  # in one go: whoever writes meanwhile does not begin it anew
            copy.execute("PRAGMA journal_mode = DELETE")  # so that the one file is all of it
            (said,) = copy.execute("PRAGMA quick_check(1)").fetchone()
        if said != "ok":
            raise BadInput(store, "pages", f"it is damaged: {said}", "borewarden store check")
        part.replace(target)
        sync_names(target.parent)
    finally:
        part.unlink(missing_ok=True)
    return target


def compact_store(store: Path) -> tuple[int, int]:
    """Give what is free in the file back to the disk. Returns the size before and after, bytes.

    Raises BadInput if a watch writes to the store, or the disk has no room for it.
    """
    if not store.is_file():
        raise BadInput(store, "file", "there is no such store", "name it by --store")
    with owned(store, "borewarden store compact"), open_store(store) as connection:
        before = store.stat().st_size
        free = shutil.disk_usage(resolved(store).parent).free
        if free < ROOM * before:
            raise BadInput(
                store,
                "disk",
                f"compacting may need {ROOM * before / 1e6:.0f} MB, and {free / 1e6:.0f} are free",
                "free some space, or copy it by store backup to another disk and compact it there",
            )
        with transaction(connection):
            gather(connection)
        connection.execute("VACUUM")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return before, store.stat().st_size

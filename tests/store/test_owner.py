"""One owner of a store: a lock that dies with its process, and stores that are not ours."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from borewarden.base.errors import BadInput
from borewarden.base.samples import samples_of
from borewarden.store.database import APPLICATION_ID, SCHEMA, open_store, read_table, write_learned
from borewarden.store.owner import owned, owner_file
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.watcher import Learned

OWNS = """
import sys, time
from pathlib import Path
from borewarden.store.owner import owned
with owned(Path(sys.argv[1]), "borewarden watch"):
    print("owned", flush=True)
    time.sleep(600)
"""


@pytest.fixture
def owner(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that owns the store a.db."""
    command = [sys.executable, "-c", OWNS, str(tmp_path / "a.db")]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "owned\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


def test_a_second_owner_is_told_who_the_first_one_is(
    tmp_path: Path, owner: subprocess.Popen[str]
) -> None:
    store = tmp_path / "a.db"
    (tmp_path / "link.db").symlink_to(store)
    for name in (store, tmp_path / "link.db"):
        with pytest.raises(BadInput) as refused, owned(name, "borewarden replay"):
            pass
        assert f"`borewarden watch`, process {owner.pid} on {os.uname().nodename}, since 20" in str(
            refused.value
        )


def test_the_lock_dies_with_its_process(tmp_path: Path, owner: subprocess.Popen[str]) -> None:
    owner.send_signal(signal.SIGKILL)
    owner.wait()
    store = tmp_path / "a.db"
    assert owner_file(store).exists()  # nobody was there to remove it
    with owned(store, "borewarden watch"):
        assert f'"process": {os.getpid()}' in owner_file(store).read_text()
    assert not owner_file(store).exists()


def test_in_one_process_too_there_is_one_owner(tmp_path: Path) -> None:
    store = tmp_path / "a.db"
    with (
        owned(store, "borewarden watch"),
        pytest.raises(BadInput, match=str(os.getpid())),
        owned(store, "borewarden watch"),
    ):
        pass
    with owned(store, "borewarden watch"):
        pass


def test_a_store_with_a_second_name_is_refused(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db"):
        pass
    (tmp_path / "b.db").hardlink_to(tmp_path / "a.db")
    with pytest.raises(BadInput, match="hard link"), owned(tmp_path / "b.db", "borewarden watch"):
        pass


# -- what is a store


def database(path: Path, script: str, wal: bool = False) -> None:
    connection = sqlite3.connect(path)
    if wal:
        connection.execute("PRAGMA journal_mode = WAL")
    connection.executescript(script)
    connection.close()


@pytest.mark.parametrize(
    "script",
    [
        "CREATE TABLE sample (id INTEGER, name TEXT)",
        "CREATE TABLE block (machine TEXT, content BLOB)",
        "CREATE TABLE t (a); PRAGMA user_version = 3",
        "PRAGMA application_id = 7; CREATE TABLE t (a)",
        f"PRAGMA application_id = 7; {SCHEMA}",
    ],
)
@pytest.mark.parametrize("wal", [False, True])
def test_a_database_of_others_is_refused_untouched(tmp_path: Path, script: str, wal: bool) -> None:
    path = tmp_path / "other.db"
    database(path, script, wal)
    before = {file.name: (file.read_bytes(), file.stat().st_mtime_ns) for file in _files(tmp_path)}
    with pytest.raises(sqlite3.DatabaseError, match="some other database"), open_store(path):
        pass
    after = {file.name: (file.read_bytes(), file.stat().st_mtime_ns) for file in _files(tmp_path)}
    assert after == before


def test_a_database_in_use_by_others_is_refused_and_theirs_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    database(path, "CREATE TABLE block (name TEXT)", wal=True)
    theirs = sqlite3.connect(path, isolation_level=None)
    theirs.execute("INSERT INTO block VALUES ('theirs')")
    with pytest.raises(sqlite3.DatabaseError, match="some other database"), open_store(path):
        pass
    theirs.execute("INSERT INTO block VALUES ('again')")
    assert theirs.execute("SELECT count(*) FROM block").fetchone() == (2,)
    theirs.close()


def _files(folder: Path) -> list[Path]:
    return sorted(folder.iterdir())


@pytest.mark.parametrize("wal", [False, True])
def test_an_old_store_gets_the_mark_and_keeps_what_it_holds(tmp_path: Path, wal: bool) -> None:
    path = tmp_path / "old.db"
    with open_store(path) as connection:
        samples = samples_of(np.arange(100), pressure=np.ones(100))
        learned = Learned(np.full(100, 5, dtype=np.int8), np.zeros(0, RESULT), [])
        write_learned(connection, "North", samples, learned)
        connection.execute("PRAGMA application_id = 0")
        if not wal:
            assert connection.execute("PRAGMA journal_mode = DELETE").fetchone() == ("delete",)
    for _ in range(2):
        with open_store(path) as connection:
            assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
            assert len(read_table(connection, "sample", "North")) == 100
    assert path.read_bytes()[68:72] == APPLICATION_ID.to_bytes(4, "big")


def test_a_new_store_has_the_mark_as_soon_as_it_has_a_table(tmp_path: Path) -> None:
    path = tmp_path / "new.db"
    with open_store(path), closing(sqlite3.connect(path)) as another:
        assert another.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
        assert another.execute("SELECT count(*) FROM sqlite_schema").fetchone() > (0,)
    assert path.read_bytes()[68:72] == APPLICATION_ID.to_bytes(4, "big")

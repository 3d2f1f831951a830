"""A store that is checked, backed up while it is written, restored, and compacted."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from typer.testing import CliRunner

from borewarden.base.samples import samples_of
from borewarden.cli import app
from borewarden.store.database import open_store, read_table, transaction, write_learned
from borewarden.store.owner import owned
from borewarden.store.upkeep import check_store
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.watcher import Learned
from kill import WRITER

NONE = np.zeros(0, RESULT)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store of 20 long blocks and some short ones."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "borewarden.db"
    with open_store(path) as connection, transaction(connection):
        for i in range(25):
            n = 3000 if i < 20 else 10
            time_ns = (np.arange(n) + 3000 * i) * 10**9 + 10**18
            samples = samples_of(time_ns, pressure=np.random.default_rng(i).normal(size=n))
            write_learned(connection, "North", samples, Learned(np.full(n, 5), NONE, []))
    return path


def borewarden(*words: str) -> Result:
    return CliRunner().invoke(app, ["store", *words])


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_sound_store_is_said_to_be_sound_and_not_touched(store: Path) -> None:
    before = contents(store.parent)
    done = borewarden("check")
    assert done.exit_code == 0, done.output
    assert "NO" not in done.stdout
    assert "20 blocks of samples" in done.stdout
    assert contents(store.parent) == before
    told = json.loads(borewarden("check", "--json").stdout)
    assert all(finding["is_well"] for finding in told)
    with owned(store, "borewarden watch"), open_store(store) as connection:  # beside a watch, too
        connection.execute("INSERT INTO judged_by VALUES ('North', 1)")
        assert borewarden("check").exit_code == 0


def sql(script: str) -> Callable[[Path], None]:
    def spoil(path: Path) -> None:
        with closing(sqlite3.connect(path)) as connection:
            connection.executescript(script)

    return spoil


def overwrite(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(200 * 4096)
        file.write(b"\xa5" * 4096)


def truncate(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2)


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (overwrite, "it sets a damaged store aside"),
        (truncate, "it sets a damaged store aside"),
        (sql("UPDATE block SET samples = samples + 1 WHERE rowid = 3"), "do not hold"),
        (sql("UPDATE block SET first_ns = 0 WHERE rowid = 3"), "times do not ascend"),
        (sql("UPDATE block SET channels = 'press' WHERE rowid = 3"), "unknown channels press"),
        (sql("INSERT INTO alarm VALUES ('North', 'bore', '{')"), "1 of 1 can't be read"),
        (sql("DROP TABLE thinned"), "there is no thinned"),
        (sql("PRAGMA application_id = 0"), "no mark of borewarden"),
        (sql("PRAGMA user_version = 99"), "use a newer borewarden"),
        (lambda path: path.with_name(f"{path.name}.damaged-1").write_text(""), "damaged-1"),
    ],
)
def test_what_is_wrong_is_said_with_what_to_do(
    store: Path, spoil: Callable[[Path], None], says: str
) -> None:
    spoil(store)
    before = contents(store.parent)
    done = borewarden("check")
    assert done.exit_code == 1, done.output
    assert says in " ".join(done.stdout.split())
    assert any(finding.todo for finding in check_store(store) if not finding.is_well)
    assert contents(store.parent) == before


@pytest.mark.parametrize("words", [("check",), ("backup", "b.db"), ("compact",)])
def test_there_has_to_be_a_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    done = borewarden(*words)
    assert done.exit_code == 2
    assert "there is no such store" in done.stderr
    assert contents(tmp_path) == {}


def test_a_backup_taken_while_it_is_written_can_be_put_back(tmp_path: Path) -> None:
    store = tmp_path / "live.db"
    write = (
        "write_learned(connection, 'North', samples_of(np.array([i]), pressure=np.ones(1)), none)"
    )
    script = WRITER.format(count=10, statement=write)
    writer = subprocess.Popen(
        [sys.executable, "-c", script, str(store)], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    folder = tmp_path / "backups"
    folder.mkdir()
    try:
        while int(writer.stdout.readline()) < 300:
            pass
        done = borewarden("backup", str(folder), "--store", str(store))
        before = int(writer.stdout.readline())
        while int(writer.stdout.readline()) < before + 100:
            pass  # it goes on writing
    finally:
        writer.kill()
        writer.wait()
        writer.stdout.close()
    assert done.exit_code == 0, done.output
    [backup] = folder.iterdir()
    assert f"copy {backup} to {store}" in done.stdout.replace("\n", "")
    # as it is told there
    for suffix in ("", "-wal", "-shm"):
        file = tmp_path / f"live.db{suffix}"
        if file.exists():
            file.rename(tmp_path / f"old.db{suffix}")
    shutil.copy(backup, store)
    assert all(finding.is_well for finding in check_store(store))
    with open_store(store) as connection:
        table = read_table(connection, "sample", "North")
        assert len(table) >= 300
        assert len(table) % 10 == 0  # whole transactions only
        assert table["time_ns"].tolist() == list(range(len(table)))


def test_a_backup_takes_the_place_of_nothing_and_is_none_of_a_damaged_store(store: Path) -> None:
    (store.parent / "there.db").write_text("somebody's")
    done = borewarden("backup", "there.db")
    assert done.exit_code == 2
    assert (store.parent / "there.db").read_text() == "somebody's"
    assert borewarden("backup", "borewarden.db").exit_code == 2
    overwrite(store)
    assert borewarden("backup", "b.db").exit_code == 2
    assert sorted(path.name for path in store.parent.iterdir()) == ["borewarden.db", "there.db"]


def test_compacting_gives_room_back_and_changes_nothing_else(store: Path) -> None:
    with open_store(store) as connection:
        connection.execute("DELETE FROM block WHERE rowid <= 15")
        before = read_table(connection, "sample", "North")
    size = store.stat().st_size
    with owned(store, "borewarden watch"):
        assert "`borewarden watch`" in borewarden("compact").stderr
    done = borewarden("compact")
    assert done.exit_code == 0, done.output
    assert store.stat().st_size < 0.5 * size
    with open_store(store) as connection:
        assert read_table(connection, "sample", "North").equals(before)

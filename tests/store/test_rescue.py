"""A damaged store: what can be read is brought over, the rest is set aside, nothing is mixed up."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from borewarden.base.samples import samples_of
from borewarden.jewels.fitting import Fitting
from borewarden.store import outbox
from borewarden.store.database import (
    open_store,
    open_to_read,
    read_table,
    transaction,
    write_alarm,
    write_learned,
)
from borewarden.store.register import fittings, record
from borewarden.store.rescue import finish_setting_aside, is_damage, set_aside, was_ours
from borewarden.store.upkeep import check_store
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.watcher import Learned

PAGE = 4096
BLOCKS, ROWS = 40, 600


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Forty blocks of samples, with a batch each, an alarm, a fitting and two payloads."""
    path = tmp_path / "live.db"
    with open_store(path) as connection, transaction(connection):
        for i in range(BLOCKS):
            time_ns = (np.arange(ROWS) + ROWS * i) * 10**9 + 10**18
            batches = np.zeros(1, RESULT)
            batches["start_ns"], batches["end_ns"] = time_ns[0], time_ns[-1]
            samples = samples_of(time_ns, pressure=np.random.default_rng(i).normal(size=ROWS))
            write_learned(connection, "North", samples, Learned(np.full(ROWS, 5), batches, []))
        write_alarm(connection, "North", "bore", "{}")
        record(connection, Fitting("North", "1", 10**18, 0.254e-3, "ruby"), "Jo")
        outbox.put(connection, "mail", "alarm", 1, b"first")
        outbox.put(connection, "mail", "alarm", 2, b"second")
    return path


def pages_of(store: Path, table: str) -> list[int]:
    """Pages of `table`, counted from 1: sqlite.org/dbstat.html."""
    with closing(sqlite3.connect(store)) as connection:
        query = "SELECT pageno FROM dbstat WHERE name = ? ORDER BY pageno"
        try:
            return [page for (page,) in connection.execute(query, (table,))]
        except sqlite3.OperationalError:
            pytest.skip("this SQLite has no dbstat")


def spoil(store: Path, *pages: int) -> None:
    with store.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * PAGE)
            file.write(b"\xa5" * PAGE)


@pytest.mark.parametrize("count", [1, 3])
def test_only_what_stood_on_a_spoilt_page_is_lost(store: Path, count: int) -> None:
    pages = pages_of(store, "block")
    spoil(store, *pages[20 : 20 + 40 * count : 40])
    with pytest.raises(sqlite3.DatabaseError) as failed, open_store(store) as connection:
        read_table(connection, "sample", "North")
    assert is_damage(failed.value)
    assert str(store) in str(failed.value)
    before = store.read_bytes()
    aside = set_aside(store)
    assert aside.path.read_bytes() == before
    assert BLOCKS - 4 * count <= aside.rows["block"] < BLOCKS
    assert aside.rows["batch"] == BLOCKS
    with open_store(store) as connection:
        samples = read_table(connection, "sample", "North")
        assert len(samples) == ROWS * aside.rows["block"]
        assert samples["time_ns"].is_monotonic_increasing
        assert len(read_table(connection, "batch", "North")) == BLOCKS
        assert len(fittings(connection)) == 1
        assert [each.content for each in outbox.take(connection, "mail", 9)] == [
            b"first",
            b"second",
        ]
        assert outbox.waiting(connection, "mail").payloads == 2
        assert outbox.put(connection, "mail", "alarm", 3, b"third") == 3
    assert str(aside.path) in aside.words()
    assert f"{aside.rows['block']} of block" in aside.words()
    [finding] = [finding for finding in check_store(store) if not finding.is_well]
    assert aside.path.name in finding.words


def test_a_spoilt_first_page_leaves_nothing_and_the_file_is_kept(store: Path) -> None:
    spoil(store, 1)
    assert not was_ours(store)  # nothing tells it from anybody's file
    aside = set_aside(store, newest_id=7)
    assert set(aside.rows.values()) == {0}
    with open_store(store) as connection:
        assert outbox.put(connection, "mail", "alarm", 3, b"next") == 8


def test_a_spoilt_batch_table_keeps_what_is_before_and_behind(tmp_path: Path) -> None:
    store = tmp_path / "live.db"
    with open_store(store) as connection, transaction(connection):
        batches = np.zeros(5000, RESULT)
        batches["end_ns"] = np.arange(5000)
        nothing = samples_of(np.zeros(0, dtype=np.int64))
        write_learned(connection, "North", nothing, Learned(np.zeros(0), batches, []))
    pages = pages_of(store, "batch")
    spoil(store, pages[len(pages) // 2])
    aside = set_aside(store)
    assert 4800 < aside.rows["batch"] < 5000
    with open_store(store) as connection:
        assert len(read_table(connection, "batch", "North")) == aside.rows["batch"]


def test_nothing_is_renamed_while_anybody_has_it_open(store: Path) -> None:
    reads = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); "
        "print(c.execute('SELECT count(*) FROM block').fetchone(), flush=True); sys.stdin.read()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", reads, str(store)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert other.stdout is not None
    assert other.stdout.readline() == f"({BLOCKS},)\n"
    try:
        with pytest.raises(sqlite3.OperationalError, match="another program has it open"):
            set_aside(store)
    finally:
        other.communicate()
    assert sorted(path.name for path in store.parent.iterdir() if "-" not in path.name) == [
        "live.db"
    ]
    assert set_aside(store).rows["block"] == BLOCKS


def test_this_process_waits_for_itself(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("borewarden.store.rescue.PATIENCE", 0.1)
    with open_to_read(store) as connection:
        assert connection.execute("SELECT count(*) FROM block").fetchone() == (BLOCKS,)
        with pytest.raises(sqlite3.OperationalError, match="still being read"):
            set_aside(store)
    assert set_aside(store).rows["block"] == BLOCKS


def test_a_replacement_that_was_cut_short_is_finished(store: Path) -> None:
    new = store.with_name("live.db.new")
    store.rename(new)
    finish_setting_aside(store)
    with open_store(store) as connection:
        assert len(fittings(connection)) == 1
    new.write_bytes(b"half")
    finish_setting_aside(store)
    assert store.read_bytes()[:6] == b"SQLite"


def test_the_log_beside_it_tells_that_a_spoilt_file_was_a_store(store: Path) -> None:
    with open_store(store) as connection:
        connection.execute("INSERT INTO judged_by VALUES ('North', 1)")
        log = store.with_name("live.db-wal").read_bytes()
    store.with_name("live.db-wal").write_bytes(log)
    assert was_ours(store)

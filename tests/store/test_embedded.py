"""The embedded store: durable, readable beside a writer, and careful with what is not its own."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from kill import write_until_killed

from borewarden.model.bore import RESULT
from borewarden.model.watcher import Learned
from borewarden.physics.pump import Intensifier
from borewarden.store.embedded import open_store, read_table, transaction, write_learned
from conftest import steady_samples

WRITE = (
    "connection.execute("
    "\"INSERT INTO sample (machine, time_ns, pressure) VALUES ('North', ?, 1.0)\", (i,))"
)


def test_what_was_committed_survives_a_kill(tmp_path: Path) -> None:
    store = tmp_path / "killed.db"
    committed = write_until_killed(store, WRITE, count=10, at_least=300)
    with open_store(store) as connection:
        count = len(read_table(connection, "sample", "North"))
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert count % 10 == 0  # whole transactions only
    assert count >= committed


def test_readers_are_not_held_up_by_a_writer(tmp_path: Path, intensifier: Intensifier) -> None:
    store = tmp_path / "busy.db"
    samples = steady_samples(intensifier, np.full(100, 3e-8))
    learned = Learned(np.full(100, 5, dtype=np.int8), np.empty(0, dtype=RESULT), [])
    with open_store(store) as writer, transaction(writer):
        write_learned(writer, "North", samples, learned)
        reader = sqlite3.connect(f"file:{store}?mode=ro", uri=True, timeout=0.1)
        assert reader.execute("SELECT count(*) FROM sample").fetchone() == (0,)
        reader.close()
    with open_store(store) as connection:
        assert len(read_table(connection, "sample", "North")) == 100
        assert read_table(connection, "sample", "North")["rate"].isna().all()


def test_other_files_and_newer_stores_are_refused(tmp_path: Path) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("not a store, but somebody's notes, long enough to look like a page\n" * 20)
    before = other.read_bytes()
    with pytest.raises(sqlite3.DatabaseError), open_store(other):
        pass
    assert other.read_bytes() == before
    newer = tmp_path / "newer.db"
    sqlite3.connect(newer).execute("PRAGMA user_version = 99").close()
    with pytest.raises(sqlite3.DatabaseError, match="version 99"), open_store(newer):
        pass


def test_unknown_table_is_refused(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection, pytest.raises(ValueError, match="no table"):
        read_table(connection, "sample; DROP TABLE sample", "North")

"""The embedded store: durable, readable beside a writer, and careful with what is not its own."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.base.samples import Samples, rows
from borewarden.physics.pump import Intensifier
from borewarden.store import database as embedded
from borewarden.store import outbox
from borewarden.store.database import (
    forget,
    gather,
    newest_sample_ns,
    open_store,
    read_samples,
    read_table,
    transaction,
    write_learned,
)
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.watcher import Learned
from kill import write_until_killed
from steady import steady_samples

WRITE = "write_learned(connection, 'North', samples_of(np.array([i]), pressure=np.ones(1)), none)"
NO_BATCHES = np.zeros(0, dtype=RESULT)

# as version 1 had it, and version 2 with more tables beside it
ROWS_SCHEMA = """
CREATE TABLE sample (
    machine TEXT NOT NULL, time_ns INTEGER NOT NULL,
    pressure REAL, rate REAL, stroke_count REAL, temperature REAL, valve REAL, phase INTEGER,
    PRIMARY KEY (machine, time_ns)
) WITHOUT ROWID;
"""


def some_samples(n: int, seed: int = 0) -> tuple[Samples, Learned]:
    """Invented samples of every channel, a third of them NaN, one channel without any reading."""
    rng = np.random.default_rng(seed)
    channels = rng.normal(size=(len(Samples._fields) - 1, n))
    channels[rng.random(channels.shape) < 1 / 3] = np.nan
    channels[1] = np.nan
    time_ns = np.cumsum(rng.integers(1, 10**9, n)) + 1_700_000_000 * 10**9
    phases = rng.integers(0, 7, n).astype(np.int8)
    return Samples(time_ns, *channels), Learned(phases, NO_BATCHES, [])


def write_cut(
    connection: sqlite3.Connection,
    machine: str,
    samples: Samples,
    learned: Learned,
    cuts: list[int],
) -> None:
    """Write the samples in pieces of the lengths `cuts`, over and over."""
    start = i = 0
    with transaction(connection):
        while start < len(samples.time_ns):
            stop = start + cuts[i % len(cuts)]
            part = Learned(learned.phases[start:stop], NO_BATCHES, [])
            write_learned(connection, machine, rows(samples, start, stop), part)
            start, i = stop, i + 1


def assert_stored(
    connection: sqlite3.Connection, machine: str, samples: Samples, phases: np.ndarray
) -> None:
    """Bit for bit, by both ways of reading, from the first and from any later sample."""
    for first in (0, len(phases) // 3):
        since_ns = int(samples.time_ns[first])
        blocks = list(read_samples(connection, machine, since_ns, block=100))
        for name, whole in samples._asdict().items():
            read = np.concatenate([getattr(block, name) for block in blocks])
            assert read.dtype == whole.dtype
            assert read.tobytes() == whole[first:].tobytes(), name
        table = read_table(connection, "sample", machine, since_ns)
        assert list(table) == ["machine", *Samples._fields, "phase"]
        assert set(table["machine"]) == {machine}
        assert np.array_equal(table["phase"], phases[first:])
        for name, whole in samples._asdict().items():
            assert table[name].to_numpy().tobytes() == whole[first:].tobytes()
    assert newest_sample_ns(connection, machine) == samples.time_ns[-1]


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
    learned = Learned(np.full(100, 5, dtype=np.int8), NO_BATCHES, [])
    with open_store(store) as writer, transaction(writer):
        write_learned(writer, "North", samples, learned)
        reader = sqlite3.connect(f"file:{store}?mode=ro", uri=True, timeout=0.1)
        assert reader.execute("SELECT count(*) FROM block").fetchone() == (0,)
        reader.close()
    with open_store(store) as connection:
        assert len(read_table(connection, "sample", "North")) == 100
        assert read_table(connection, "sample", "North")["rate"].isna().all()


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(1, 90), min_size=1, max_size=5),
    st.lists(st.integers(1, 90), min_size=1, max_size=5),
    st.integers(1, 30),
)
def test_samples_come_back_bit_for_bit_however_they_were_cut(
    tmp_path_factory: pytest.TempPathFactory, ours: list[int], theirs: list[int], gathered: int
) -> None:
    north, south = some_samples(300, seed=1), some_samples(250, seed=2)
    store = tmp_path_factory.mktemp("cut") / "a.db"
    with open_store(store) as connection, pytest.MonkeyPatch.context() as patch:
        patch.setattr(embedded, "GATHERED", gathered)
        write_cut(connection, "North", *north, ours)
        write_cut(connection, "South", *south, theirs)
        for _ in range(2):
            assert_stored(connection, "North", north[0], north[1].phases)
            assert_stored(connection, "South", south[0], south[1].phases)
            with transaction(connection):
                gather(connection)
        assert connection.execute("SELECT count(*) FROM recent").fetchone() == (0,)


@pytest.mark.parametrize("cut", [1, 7, 64, 1000])
def test_hours_written_again_replace_what_was_there(tmp_path: Path, cut: int) -> None:
    samples, learned = some_samples(400)
    other = some_samples(50, seed=9)
    again = samples._replace(pressure=samples.pressure + 1.0)
    with open_store(tmp_path / "a.db") as connection:
        write_cut(connection, "North", samples, learned, [cut])
        write_cut(connection, "South", *other, [cut])
        first, last = samples.time_ns[[100, 299]].tolist()
        with transaction(connection):
            forget(connection, "North", first, last)
        kept = read_table(connection, "sample", "North")["time_ns"]
        assert np.array_equal(kept, np.delete(samples.time_ns, np.s_[100:300]))
        write_cut(
            connection,
            "North",
            rows(again, 100, 300),
            Learned(learned.phases[100:300], NO_BATCHES, []),
            [9],
        )
        pressure = np.where(np.arange(400) // 100 % 3 == 0, samples.pressure, again.pressure)
        assert_stored(connection, "North", samples._replace(pressure=pressure), learned.phases)
        assert_stored(connection, "South", other[0], other[1].phases)


def test_gathering_does_not_reach_over_a_block_that_lies_between(tmp_path: Path) -> None:
    samples, learned = some_samples(120)
    with open_store(tmp_path / "a.db") as connection:
        for start, stop in ((0, 20), (100, 120), (20, 100)):
            part = Learned(learned.phases[start:stop], NO_BATCHES, [])
            write_learned(connection, "North", rows(samples, start, stop), part)
        gather(connection)
        assert_stored(connection, "North", samples, learned.phases)
        assert connection.execute("SELECT count(*) FROM block").fetchone() == (3,)


def test_channel_that_a_block_lacks_is_not_known(tmp_path: Path) -> None:
    """As in a store of a version that did not know of the channel yet."""
    words = np.array([[5, 3, 0], [6, 4, 0]], dtype="<i8")
    words[:, 2] = np.array([1.5, -0.0]).view("<i8")
    with open_store(tmp_path / "a.db") as connection:
        for table, machine in (("block", "North"), ("recent", "South")):
            connection.execute(
                f"INSERT INTO {table} VALUES (?, 5, 6, 2, 'valve', ?)", (machine, words.tobytes())
            )
        gather(connection)
        for machine in ("North", "South"):
            (samples,) = read_samples(connection, machine, 0)
            assert samples.time_ns.tolist() == [5, 6]
            assert samples.valve.tobytes() == np.array([1.5, -0.0]).tobytes()
            for name in set(Samples._fields) - {"time_ns", "valve"}:
                assert np.isnan(getattr(samples, name)).all()


def store_of_rows(path: Path, version: int, n: int = 0) -> pd.DataFrame:
    """A store as versions 1 and 2 wrote it, with `n` samples of two machines each."""
    old = sqlite3.connect(path)
    old.executescript(ROWS_SCHEMA)
    if version == 2:
        rest = embedded.SCHEMA[embedded.SCHEMA.index("CREATE TABLE IF NOT EXISTS batch") :]
        old.executescript(rest)
        old.execute("INSERT INTO batch (machine, start_ns, end_ns) VALUES ('North', 1, 2)")
    for machine, seed in (("North", 3), ("South", 4)):
        samples, learned = some_samples(n, seed)
        names = ["pressure", "rate", "stroke_count", "temperature", "valve"]
        columns = [samples.time_ns.tolist()] + [getattr(samples, name).tolist() for name in names]
        old.executemany(
            f"INSERT INTO sample VALUES ('{machine}', ?, ?, ?, ?, ?, ?, ?)",
            zip(*columns, learned.phases.tolist(), strict=True),
        )
    old.execute("INSERT INTO sample (machine, time_ns, pressure) VALUES ('West', 5, 1.5)")
    old.execute(f"PRAGMA user_version = {version}")
    old.commit()
    table = pd.read_sql_query("SELECT * FROM sample ORDER BY machine, time_ns", old)
    old.close()
    return table


@pytest.mark.parametrize("version", [1, 2])
def test_store_with_a_row_a_sample_is_taken_over(
    tmp_path: Path, version: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(embedded, "GATHERED", 300)
    before = store_of_rows(tmp_path / "old.db", version, 1000)
    for _ in range(2):  # the second time it is of version 3
        with open_store(tmp_path / "old.db") as connection:
            assert connection.execute("PRAGMA user_version").fetchone() == (3,)
            tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
            assert "sample" not in tables
            after = pd.concat(
                [read_table(connection, "sample", name) for name in ("North", "South", "West")],
                ignore_index=True,
            )
            assert len(read_table(connection, "batch", "North")) == version - 1
            outbox.put(connection, "influx", "sample", 5, "line")
            assert outbox.take(connection, "influx", 1)[0].content == b"line"
    assert after["phase"].iloc[-1] == 0  # West had none
    before["phase"] = before["phase"].fillna(0).astype(np.int64)
    before = before.astype(dict.fromkeys(Samples._fields[1:6], float))
    pd.testing.assert_frame_equal(after[list(before)], before, check_exact=True)
    assert after[list(set(Samples._fields) - set(before))].isna().all(axis=None)


def test_take_over_that_is_cut_short_leaves_the_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = store_of_rows(tmp_path / "old.db", 2, 100)

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(embedded, "_words", stop)
        with pytest.raises(KeyboardInterrupt), open_store(tmp_path / "old.db"):
            pass
    old = sqlite3.connect(tmp_path / "old.db")
    assert old.execute("PRAGMA user_version").fetchone() == (2,)
    assert old.execute("SELECT count(*) FROM sample").fetchone() == (len(before),)
    old.close()
    with open_store(tmp_path / "old.db") as connection:
        assert len(read_table(connection, "sample", "South")) == 100


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

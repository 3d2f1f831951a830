"""The store in memory: what goes into it comes out of it, and it never takes more than it may."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from borewarden.store import mails, outbox
from borewarden.store.database import (
    open_store,
    read_alarm,
    read_table,
    transaction,
    write_alarm,
    write_learned,
)
from borewarden.store.spare import make_room, open_spare, pour
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.watcher import Learned
from forward import samples

NO_BATCHES = np.zeros(0, RESULT)


def write(connection, first: int, rows: int, block: int = 1) -> None:
    """Rows as the watcher writes them, in blocks, each with its line for another place."""
    with transaction(connection):
        for start in range(first, first + rows, block):
            taken = samples(block, start * 10**9)
            learned = Learned(np.full(block, 5, dtype=np.int8), NO_BATCHES, [])
            write_learned(connection, "North", taken, learned)
            outbox.put(connection, "influx", "sample", start, f"line {start}")


def test_what_is_poured_is_what_would_have_been_written(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as poured, open_store(tmp_path / "b.db") as straight:
        spare = open_spare(0)
        for connection in (poured, straight):
            write(connection, 0, 100)
            mails.put(connection, "North", "alarm", 7, b"first")
        spare = open_spare(outbox.newest_id(poured))
        for connection in (spare, straight):
            write(connection, 100, 100)
            write(connection, 200, 100, block=100)
            write_alarm(connection, "North", "bore", "{}")
            mails.put(connection, "North", "blind", 8, b"second")
        (late,) = mails.waiting(spare, 9)
        mails.settle(spare, late.id, {"lead@shop.example": ""}, None)
        with transaction(poured):
            pour(spare, poured)
        pd.testing.assert_frame_equal(
            read_table(poured, "sample", "North"), read_table(straight, "sample", "North")
        )
        assert outbox.take(poured, "influx", 999) == outbox.take(straight, "influx", 999)
        assert outbox.waiting(poured, "influx") == outbox.waiting(straight, "influx")
        assert mails.waiting(poured, 9) == mails.waiting(straight, 9)
        assert mails.content(poured, late.id) == (b"second", {"lead@shop.example": ""})
        assert read_alarm(poured, "North", "bore") == "{}"
        # ids go on from there
        outbox.put(poured, "influx", "link", 9, "after")
        assert outbox.newest_id(poured) == late.id + 1
        spare.close()


def test_a_mail_that_is_in_the_store_can_be_seen_through_the_memory(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        mails.put(connection, "North", "alarm", 7, b"first")
        (mail,) = mails.waiting(connection, 9)
        mails.settle(connection, mail.id, {"lead@shop.example": "550 no"}, "550 no")
        spare = open_spare(outbox.newest_id(connection))
        mails.see(spare, "North", [mail.id], "Ada", 9)
        assert list(mails.undelivered(connection)) == [mail.id]
        with transaction(connection):
            pour(spare, connection)
        assert mails.undelivered(connection) == {}
        spare.close()


def test_a_full_memory_forgets_its_oldest_samples_and_nothing_else(tmp_path: Path) -> None:
    spare = open_spare(0, most_bytes=2**20)
    mails.put(spare, "North", "alarm", 7, b"the alarm")
    written = lost = 0
    while written < 20_000:
        try:
            write(spare, written, 100)
            written += 100
        except sqlite3.OperationalError:  # full
            forgotten = make_room(spare)
            assert forgotten > 0
            lost += forgotten
    with open_store(tmp_path / "a.db") as connection:
        with transaction(connection):
            pour(spare, connection)
        kept = read_table(connection, "sample", "North")["time_ns"].to_numpy()
        assert len(kept) == written - lost
        assert kept[-1] == (written - 1) * 10**9
        assert [mail.time_ns for mail in mails.waiting(connection, 9)] == [7]
    spare.close()


def test_an_empty_memory_has_nothing_to_forget() -> None:
    spare = open_spare(0)
    assert make_room(spare) == 0
    with pytest.raises(LookupError):
        mails.content(spare, 1)
    spare.close()

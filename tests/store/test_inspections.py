"""Inspections in the store: corrections keep history, pictures keep their bytes."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from borewarden.diagnose.causes import Cause
from borewarden.inspection.record import Finding, Inspection, Picture
from borewarden.store.database import open_store, transaction
from borewarden.store.inspections import (
    inspection_history,
    inspections,
    keep_picture,
    newest_inspection_entry,
    read_picture,
    record_inspection,
)

FOUND = Inspection(
    machine="North",
    time_ns=1_772_617_050 * 10**9,
    by="Ada",
    answers={"stream": "spread", "rim": "chipped"},
    finding=Finding.CONFIRMED,
    reason="the rim is chipped",
    next_step="Change the jewel.",
    cause=Cause.BORE,
    probability=0.99,
    alert_ns=1_772_616_000 * 10**9,
    alert_state="probably opened up",
    onset_ns=1_772_615_000 * 10**9,
    step=0.08,
    pictures=(Picture("ab", "rim.png", "chipped", 31.5),),
    note="taken after the shift",
)


def test_what_is_recorded_is_read_back_also_after_the_store_was_closed(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection, transaction(connection):
        assert record_inspection(connection, FOUND, "Ada") == 1
        assert record_inspection(connection, replace(FOUND, machine="South", cause=None), "B") == 2
    with open_store(tmp_path / "a.db") as connection:
        assert inspections(connection, "North") == {1: FOUND}
        assert list(inspections(connection)) == [1, 2]


def test_a_correction_holds_and_the_history_stays(tmp_path: Path) -> None:
    sound = replace(FOUND, answers={"rim": "sound"}, finding=Finding.RULED_OUT, cause=None)
    with open_store(tmp_path / "a.db") as connection:
        with transaction(connection):
            record_inspection(connection, FOUND, "Ada")
            record_inspection(connection, sound, "Grace", "looked again", 1)
        assert inspections(connection) == {1: sound}
        with transaction(connection):
            record_inspection(connection, None, "Hedy", "another machine", 1)
        assert inspections(connection) == {}
        history = inspection_history(connection, 1)
        assert [(e.by, e.why, e.content) for e in history] == [
            ("Ada", "", FOUND),
            ("Grace", "looked again", sound),
            ("Hedy", "another machine", None),
        ]
        assert [e.entry for e in history] == [1, 2, 3]
        assert newest_inspection_entry(connection) == 3
        assert newest_inspection_entry(connection, "South") == 0
        with pytest.raises(LookupError, match="no inspection 9"):
            record_inspection(connection, FOUND, "Ada", "", 9)


def test_pictures_keep_their_bytes_and_tell_when_somebody_changed_them(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        with transaction(connection):
            digest = keep_picture(connection, b"picture")
            assert keep_picture(connection, b"picture") == digest
        # NIST's SHA-256 of "abc" (FIPS 180-2, appendix B.1)
        assert keep_picture(connection, b"abc") == (
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        )
        assert read_picture(connection, digest) == b"picture"
        connection.execute("UPDATE picture SET content = ? WHERE sha256 = ?", (b"other", digest))
        with pytest.raises(LookupError, match="changed"):
            read_picture(connection, digest)
        with pytest.raises(LookupError, match="no picture"):
            read_picture(connection, "00")


def test_a_store_from_before_gets_the_tables_when_it_is_opened(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    with open_store(path):
        pass
    with sqlite3.connect(path) as old:
        old.execute("DROP TABLE inspection")
        old.execute("DROP TABLE picture")
    with open_store(path) as connection:
        assert inspections(connection) == {}

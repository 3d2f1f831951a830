"""The jewel register: nothing is ever overwritten; jet hours and first starts from the store."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from borewarden.base.samples import samples_of
from borewarden.gate.batch import Phase
from borewarden.gate.jet_time import Opening
from borewarden.jewels.fitting import End, Fitting
from borewarden.replay.one_machine import replay_logs
from borewarden.settings import load_machine
from borewarden.store.database import (
    open_store,
    read_phases,
    read_table,
    transaction,
    write_learned,
)
from borewarden.store.jet_times import Counting, jet_times, openings
from borewarden.store.register import fittings, history, newest_entry, record
from borewarden.watcher.watcher import Learned

ROOT = Path(__file__).parents[2]
RUBY = Fitting("North", "1", 1_700_000_000 * 10**9, 0.254e-3, "ruby")
NO_BATCHES = np.zeros(0, dtype="i1,i1")


def test_every_entry_stays_and_the_newest_holds(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        assert newest_entry(connection) == 0
        number = record(connection, RUBY, "Eva")
        other = record(connection, replace(RUBY, machine="South"), "Eva")
        worn = replace(RUBY, out_ns=RUBY.fitted_ns + 10**9, end=End.WORN)
        record(connection, worn, "Jo", "looked at it", number)
        assert fittings(connection) == {1: worn, 2: replace(RUBY, machine="South")}
        assert fittings(connection, "South").keys() == {other}
        record(connection, None, "Jo", "never was", other)
        assert fittings(connection) == {1: worn}
        assert [(e.by, e.why, e.content) for e in history(connection, number)] == [
            ("Eva", "", RUBY),
            ("Jo", "looked at it", worn),
        ]
        assert history(connection, other)[-1].content is None
        assert newest_entry(connection) == 4
        with pytest.raises(LookupError, match="no fitting 9"):
            record(connection, RUBY, "Eva", fitting=9)


def test_number_of_a_struck_fitting_is_not_given_again(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        record(connection, None, "Eva", "typo", record(connection, RUBY, "Eva"))
        assert record(connection, RUBY, "Eva") == 2


@pytest.mark.parametrize(
    ("name", "log"),
    [("north", "north-2026-03-04-chip.csv"), ("south", "south-2026-03-05-chip.csv")],
)
def test_jet_hours_of_a_replayed_day_are_those_of_the_watcher(
    tmp_path: Path, name: str, log: str
) -> None:
    machine = load_machine(ROOT / "config" / f"{name}.toml")
    replayed = replay_logs(machine, [ROOT / "replay_data" / log], tmp_path / "a.db")
    jewel = machine.jewels()[0]
    fitting = Fitting(machine.name, "1", jewel.fitted_ns, jewel.bore, jewel.material)
    with open_store(tmp_path / "a.db") as connection:
        times = jet_times(connection, {7: fitting, 8: replace(fitting, machine="Nowhere")})
    assert times[7].jet_hours == pytest.approx(replayed.jet_hours, abs=1e-8)
    assert times[7].missed_hours == pytest.approx(replayed.missed_hours, abs=1e-8)
    mean = times[7].pressure_hours / times[7].jet_hours
    assert 200e6 < mean < 410e6
    assert times[8] == (0.0, 0.0, 0.0, 0.0)


def write_seconds(
    connection: sqlite3.Connection, start_ns: int, phases: list[int], cut: int
) -> None:
    """Invented samples at 1 Hz with the given phases, written `cut` at a time."""
    with transaction(connection):
        for first in range(0, len(phases), cut):
            part = np.array(phases[first : first + cut], dtype=np.int8)
            time_ns = start_ns + np.arange(first, first + len(part)) * 10**9
            samples = samples_of(
                time_ns, pressure=np.full(len(part), 300e6), rate=np.ones(len(part))
            )
            write_learned(connection, "North", samples, Learned(part, NO_BATCHES, []))


@pytest.mark.parametrize("cut", [1, 70, 5000])
def test_jewels_that_follow_and_heads_beside_each_other(tmp_path: Path, cut: int) -> None:
    """Head 1: a jewel for 1,000 s, a minute without one, another; head 2: one all the while."""
    start = RUBY.fitted_ns
    first = replace(RUBY, out_ns=start + 1000 * 10**9, end=End.PLANNED)
    second = replace(RUBY, fitted_ns=start + 1060 * 10**9)
    beside = replace(RUBY, head="2")
    with open_store(tmp_path / "a.db") as connection:
        phases = [Phase.JET_OFF] * 100 + [Phase.STEADY] * 1900
        write_seconds(connection, start, phases, cut)
        assert sum(len(there) for _, there in read_phases(connection, "North", start + 1)) == 1999
        times = jet_times(connection, {1: first, 2: second, 3: beside})
        found = openings(connection, {1: first, 2: second})
    jet = [round(times[i].jet_hours * 3600) for i in (1, 2, 3)]
    assert jet == [900, 939, 900 + 59 + 939]  # the intervals over the two edges are nobody's
    assert found[1] == (Opening.FULL, 0, 1)
    assert found[2] == (Opening.UNKNOWN, 0, 0)  # the jet was on when it was said to be fitted


def test_phases_are_read_as_the_table_has_them(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        write_seconds(connection, RUBY.fitted_ns, [3, 4, 5, 5, 0, 2] * 20, 7)
        write_seconds(connection, RUBY.fitted_ns + 10**12, [5] * 100, 100)
        since = RUBY.fitted_ns + 31 * 10**9
        parts = list(read_phases(connection, "North", since))
        table = read_table(connection, "sample", "North", since)
    assert np.array_equal(np.concatenate([p for _, p in parts]), table["phase"])
    for name in ("time_ns", "pressure", "rate", "valve"):
        read = np.concatenate([getattr(samples, name) for samples, _ in parts])
        assert np.array_equal(read, table[name], equal_nan=True)


def test_jet_hours_are_those_of_the_head_whose_valve_was_open(tmp_path: Path) -> None:
    start = RUBY.fitted_ns
    time_ns = start + np.arange(1, 7201) * 10**9
    phases = np.full(7200, Phase.STEADY, dtype=np.int8)
    samples = samples_of(
        time_ns,
        pressure=np.full(7200, 300e6),
        rate=np.ones(7200),
        open_heads=np.repeat([1.0, 3.0], [5400, 1800]),
    )
    held = {1: RUBY, 2: replace(RUBY, head="2")}
    with open_store(tmp_path / "a.db") as connection:
        with transaction(connection):
            write_learned(connection, "North", samples, Learned(phases, NO_BATCHES, []))
        plain = jet_times(connection, held)
        named = jet_times(connection, held, {"North": Counting(10.0, ("1", "2"))})
    assert [plain[n].jet_hours for n in held] == pytest.approx([2.0, 2.0], abs=1e-3)
    assert [named[n].jet_hours for n in held] == pytest.approx([2.0, 0.5], abs=1e-3)

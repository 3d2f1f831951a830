"""A crank pump whose closed jet looks like an open one: told once, and never guessed at."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from borewarden import Watcher, load_machine, read_log
from borewarden.base.samples import Samples, rows, samples_of
from borewarden.gate.batch import Phase
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_of_area
from borewarden.physics.pump import DirectDrive, area_of_rate
from borewarden.watcher.verdict import STATES, State
from borewarden.watcher.watcher import TWO_LEVELS, Learned, join
from second_plant import day as another_day
from second_plant import write
from steady import gate_settings

SPEED = 8.4  # Hz
JET, VALVE = 330e6, 380e6  # Pa, of the open jet and of the relief valve; invented
CUT, PAUSE = 90, 60  # s
HOURS = 4


def day(
    growth: float = 1.0,
    leak: float = 0.0,
    valve: bool = False,
    open_and_closed: tuple[float, float] = (JET, VALVE),
) -> Samples:
    """Cuts and pauses by turns; the jet's area grows after half of the day.

    With a `leak`, 1/s, the line is shut in a pause and its pressure falls.
    """
    opened, shut = open_and_closed
    n = 3600 * HOURS
    rng = np.random.default_rng(4)
    second = np.arange(n) % (CUT + PAUSE)
    jet = np.where(np.arange(n) < n // 2, opened, opened / growth**2)
    closed = np.full(n, shut) if not leak else opened * (1.0 - leak * (second - CUT))
    pressure = np.where(second < CUT, jet, closed) * (1.0 + rng.normal(0.0, 0.002, n))
    channels = {"pressure": pressure, "rate": np.full(n, SPEED)}
    if valve:
        channels["valve"] = (second < CUT).astype(float)
    return samples_of(np.arange(1, n + 1) * 10**9, **channels)


def watcher_of(pump: DirectDrive) -> Watcher:
    area = float(area_of_rate(pump.displacement, SPEED, JET, 293.15))
    jewel = Jewel(float(bore_of_area(area / 0.65)), "ruby", 0)
    gate = gate_settings(pump, working_pressure=200e6, nominal_area=jewel.nominal_area)
    return Watcher(pump, gate, [jewel])


def told(learned: Learned) -> list[tuple[State, bool]]:
    return [(a.verdict.state, a.verdict.reason == TWO_LEVELS) for a in learned.alerts]


def test_it_is_said_once_and_nothing_is_called_sound_any_more(direct_drive: DirectDrive) -> None:
    watcher = watcher_of(direct_drive)
    learned = watcher.learn_many(day())
    assert told(learned) == [(State.CANNOT_TELL, True)]
    assert learned.alerts[0].time_ns < 1800 * 10**9
    assert (watcher.verdict().state, watcher.verdict().reason) == (State.CANNOT_TELL, TWO_LEVELS)
    after = learned.batches[learned.batches["end_ns"] > learned.alerts[0].time_ns]
    assert set(after["state"]) == {STATES.index(State.CANNOT_TELL)}
    assert after["pressure"].max() < 1.01 * JET
    second = (np.arange(3600, 3600 * HOURS) + 1) % (CUT + PAUSE)
    closed = learned.phases[3600:][second > CUT + 5]
    assert np.all(closed == Phase.JET_OFF)
    assert not watcher.verdict().level_known  # and so it is said whose level that may be
    assert watcher.verdict().idle_hours == 0.0


def test_a_bore_that_opens_by_more_than_lies_between_is_told(direct_drive: DirectDrive) -> None:
    learned = watcher_of(direct_drive).learn_many(day(growth=1.02 * (VALVE / JET) ** 0.5))
    assert told(learned) == [(State.CANNOT_TELL, True), (State.OPENED, False)]
    late = learned.alerts[1].time_ns * 1e-9 - 1800 * HOURS
    assert 0.0 < late < 300.0


def test_a_bore_that_is_larger_than_both_is_told(direct_drive: DirectDrive) -> None:
    learned = watcher_of(direct_drive).learn_many(day(growth=1.05))
    assert told(learned) == [(State.CANNOT_TELL, True), (State.OPENED, False)]
    late = learned.alerts[1].time_ns * 1e-9 - 1800 * HOURS
    assert 0.0 < late < 300.0
    alert = learned.alerts[1].verdict
    lies_between = 100.0 * ((VALVE / JET) ** 0.5 - 1.0)
    between = re.search(r"two levels before.* may be off by up to (.*) %$", alert.reason)
    assert between is not None
    assert float(between[1]) == pytest.approx(lies_between, rel=0.2)
    assert not alert.closed_known
    assert not alert.level_known


def test_a_bore_that_opens_by_less_may_be_the_other_level(direct_drive: DirectDrive) -> None:
    watcher = watcher_of(direct_drive)
    growth = 0.98 * (VALVE / JET) ** 0.5
    learned = watcher.learn_many(day(growth, open_and_closed=(VALVE, JET)))
    assert told(learned) == [(State.CANNOT_TELL, True)]
    assert (watcher.verdict().state, watcher.verdict().reason) == (State.CANNOT_TELL, TWO_LEVELS)
    assert learned.batches["state"][-1] == STATES.index(State.CANNOT_TELL)


@pytest.mark.parametrize("block", [1, 7, 1000])
def test_blocks_of_any_size_say_the_same(direct_drive: DirectDrive, block: int) -> None:
    samples = rows(day(), 0, 4000)
    whole = watcher_of(direct_drive).learn_many(samples)
    watcher = watcher_of(direct_drive)
    parts = join([
        watcher.learn_many(rows(samples, i, i + block))
        for i in range(0, len(samples.time_ns), block)
    ])  # fmt: skip
    assert parts.batches.tobytes() == whole.batches.tobytes()
    assert np.array_equal(parts.phases, whole.phases)
    assert [a.time_ns for a in parts.alerts] == [a.time_ns for a in whole.alerts]
    assert told(parts) == told(whole) == [(State.CANNOT_TELL, True)]


@pytest.mark.parametrize("leak", [0.0005, 0.002])
def test_a_shut_line_that_leaks_away_is_no_second_level(
    direct_drive: DirectDrive, leak: float
) -> None:
    watcher = watcher_of(direct_drive)
    assert told(watcher.learn_many(day(leak=leak))) == []
    assert watcher.verdict().state is State.SOUND


def test_a_valve_signal_settles_it(direct_drive: DirectDrive) -> None:
    watcher = watcher_of(direct_drive)
    assert told(watcher.learn_many(day(valve=True))) == []
    assert watcher.verdict().state is State.SOUND
    assert watcher.verdict().level_known


def test_a_stated_relief_pressure_settles_it(direct_drive: DirectDrive) -> None:
    area = float(area_of_rate(direct_drive.displacement, SPEED, JET, 293.15))
    jewel = Jewel(float(bore_of_area(area / 0.65)), "ruby", 0)
    gate = gate_settings(direct_drive, working_pressure=200e6, bypass_pressure=0.97 * VALVE)
    watcher = Watcher(direct_drive, gate, [jewel])
    assert told(watcher.learn_many(day())) == []
    assert watcher.verdict().state is State.SOUND
    assert watcher.verdict().level_known


def test_what_is_told_of_a_larger_bore_does_not_wait_for_the_end_of_the_block(
    tmp_path: Path,
) -> None:
    """An invented day whose chip is beyond both levels, and whose event is over in the evening."""
    signals = ("pressure", "rate")
    made = another_day("floating", 31003, signals=signals, fault="chip", size=0.15)
    log, machine_file, _ = write(made, tmp_path)
    machine = load_machine(machine_file)
    samples = read_log(log, machine.log_format())
    n = len(samples.time_ns)
    whole, parts = machine.build_watcher(), machine.build_watcher()
    once = whole.learn_many(samples)
    pieces = [parts.learn_many(rows(samples, i, min(i + 600, n))) for i in range(0, n, 600)]
    joined = join(pieces)
    assert State.OPENED in [state for state, _ in told(once)]
    assert [a.time_ns for a in joined.alerts] == [a.time_ns for a in once.alerts]
    assert told(joined) == told(once)
    assert joined.batches.tobytes() == once.batches.tobytes()

"""A relief valve or unloader that nobody stated: its level is found, and taken for a closed jet."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.base.samples import Samples, samples_of
from borewarden.gate.batch import BatchKind, Phase
from borewarden.gate.gate import Gate
from borewarden.physics.pump import DirectDrive, area_of_rate
from steady import gate_settings

JET, CLOSED = 330e6, 390e6  # Pa
SPEED = 8.4  # Hz


def samples(levels: NDArray[np.float64], speed: float = SPEED) -> Samples:
    """Those pressures at 1 Hz, the crank turning alike all the time."""
    noise = np.random.default_rng(2).normal(0.0, 2e5, len(levels))
    time_ns = np.arange(1, len(levels) + 1, dtype=np.int64) * 10**9
    return samples_of(time_ns, pressure=levels + noise, rate=np.full(len(levels), speed))


def gate_of(pump: DirectDrive, **changes: object) -> Gate:
    area = float(area_of_rate(pump.displacement, SPEED, JET, 293.15))
    settings = gate_settings(pump, nominal_area=area, max_pressure=5e8, **changes)
    return Gate(settings, pump.displacement)


def test_level_to_which_the_pressure_goes_by_turns_is_that_of_a_closed_jet(
    direct_drive: DirectDrive,
) -> None:
    level = np.repeat([JET, CLOSED] * 5, 60)
    gate = gate_of(direct_drive)
    phases, batches = gate.learn_many(samples(level))
    told = batches[batches["kind"] == BatchKind.CEILING]
    assert len(told) == 1
    assert told["pressure"][0] == pytest.approx(CLOSED, rel=2e-3)
    assert told["rate"][0] == SPEED
    # from the second time that the pressure has come back to it
    assert 300 < told["end_ns"][0] * 1e-9 < 320
    later = np.arange(len(level)) > 320
    assert set(phases[later & (level == CLOSED)]) == {Phase.JET_OFF}
    assert np.mean(phases[later & (level == JET)] == Phase.STEADY) > 0.7
    steady = batches[(batches["kind"] == BatchKind.STEADY) & (batches["start_ns"] > told["end_ns"])]
    assert len(steady) == 4
    assert steady["area"] == pytest.approx(gate.settings.nominal_area, rel=2e-3)
    assert gate.jet_hours * 3600 == pytest.approx(
        5 * 60 + 2 * 60, abs=20
    )  # the first two are not known yet


@pytest.mark.parametrize(
    "level",
    [
        np.repeat([CLOSED, JET], 300),  # a bore has opened
        np.repeat([JET, CLOSED], 300),  # or was blocked
        0.5 * (JET + CLOSED) + 30e6 * np.sin(np.arange(3600) * 2.0 * np.pi / 600.0),  # it wanders
        np.repeat([JET, 0.6 * JET] * 5, 60),  # jets at two pressures that are far apart
        np.repeat([CLOSED, 0.985 * CLOSED] * 5, 60),  # and close together
    ],
    ids=["opened", "blocked", "wanders", "far apart", "close together"],
)
def test_other_changes_of_level_are_no_valve(
    direct_drive: DirectDrive, level: NDArray[np.float64]
) -> None:
    _, batches = gate_of(direct_drive).learn_many(samples(level))
    assert len(batches) > 10
    assert not np.any(batches["kind"] == BatchKind.CEILING)


def test_levels_at_two_speeds_are_two_jets(direct_drive: DirectDrive) -> None:
    """A crank that turns faster holds more pressure with the same jet."""
    level = np.repeat([JET, CLOSED] * 5, 60)
    made = samples(level)
    made = made._replace(rate=np.where(level == JET, SPEED, 1.09 * SPEED))
    phases, batches = gate_of(direct_drive).learn_many(made)
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    assert Phase.JET_OFF not in phases


def test_where_the_valve_is_stated_or_signalled_nothing_is_looked_for(
    direct_drive: DirectDrive,
) -> None:
    level = np.repeat([JET, CLOSED] * 5, 60)
    stated = gate_of(direct_drive, bypass_pressure=0.97 * CLOSED)
    phases, batches = stated.learn_many(samples(level))
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    assert np.mean(phases[level == CLOSED] == Phase.BYPASS) > 0.5
    assert 0.5 * 300 < stated.bypass_hours * 3600 <= 300
    signalled = gate_of(direct_drive)
    _, batches = signalled.learn_many(samples(level)._replace(valve=(level == JET) * 1.0))
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    assert signalled.jet_hours * 3600 == pytest.approx(300, abs=2)

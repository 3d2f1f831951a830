"""Cuts too short to settle, made from the flow that a jet takes; all figures invented."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.base.samples import Samples, rows
from borewarden.gate.batch import BatchKind
from borewarden.gate.gate import Gate
from borewarden.physics.pump import DirectDrive, Intensifier
from cuts import AREA, CHIP, FULL, LONG, cuts_of, day
from steady import gate_settings


def gate_of(pump: Intensifier | DirectDrive) -> Gate:
    turns_on = isinstance(pump, DirectDrive)
    settings = gate_settings(pump, uses_counter=False, flow_shows_jet=True, turns_on=turns_on)
    return Gate(settings, pump.displacement)


def told(gate: Gate, samples: Samples) -> NDArray[np.void]:
    """Steady batches of short cuts: those with a timing of their own."""
    _, batches = gate.learn_many(samples)
    return batches[(batches["kind"] == BatchKind.STEADY) & (batches["timing"] > 0.0)]


def later(gate: Gate, samples: Samples) -> Samples:
    """The same samples, once what `gate` has seen is over."""
    return samples._replace(time_ns=samples.time_ns + int(gate.state.time_ns))


def test_short_cuts_of_a_drive_that_holds_the_pressure_tell_the_area(
    direct_drive: DirectDrive,
) -> None:
    found = told(
        gate_of(direct_drive), day(direct_drive, cuts_of(LONG) + cuts_of([8.0] * 20, CHIP))
    )
    assert len(found) >= 8
    assert found["area"] / AREA == pytest.approx(CHIP, rel=0.006)
    assert np.all(found["resolution"] >= 0.005)
    assert np.all(found["end_ns"] - found["start_ns"] < 600e9)


@pytest.mark.parametrize("settled", [0, 9])
def test_cuts_that_do_not_settle_are_known_by_each_other(
    direct_drive: DirectDrive, settled: int
) -> None:
    few, gate = cuts_of(LONG[:settled]), gate_of(direct_drive)
    assert len(told(gate, day(direct_drive, few + cuts_of([8.0] * 10)))) == 0
    found = told(gate, later(gate, day(direct_drive, cuts_of([8.0] * 10, CHIP))))
    assert len(found) >= 3
    assert found["area"] / AREA == pytest.approx(CHIP, rel=0.006)


def test_a_mean_that_never_settles_is_known_by_its_longer_cuts(intensifier: Intensifier) -> None:
    gate, lengths = gate_of(intensifier), [10.0, 24.0, 16.0, 20.0, 22.0]
    first = day(intensifier, cuts_of(lengths * 10), pause=4.0, closed=FULL)
    found = told(gate, first)
    assert found["area"] / AREA == pytest.approx(1.0, rel=0.006)
    assert len(found) > 10
    chipped = day(intensifier, cuts_of(lengths, CHIP), pause=4.0, closed=FULL)
    found = told(gate, later(gate, chipped))
    assert found["area"] / AREA == pytest.approx(CHIP, rel=0.006)
    assert len(found) >= 2


def test_a_mean_that_always_has_a_pause_in_it_is_not_learned_from(
    intensifier: Intensifier,
) -> None:
    gate = gate_of(intensifier)
    assert len(told(gate, day(intensifier, cuts_of([8.0] * 100), pause=2.0, closed=FULL))) == 0
    longer = day(intensifier, cuts_of([24.0, 20.0] * 15), pause=4.0, closed=FULL)
    found = told(gate, later(gate, longer))
    assert found["area"] / AREA == pytest.approx(1.0, rel=0.006)
    assert len(found) > 10


def test_a_mean_of_strokes_has_to_be_of_the_jet_alone(intensifier: Intensifier) -> None:
    longer = told(
        gate_of(intensifier), day(intensifier, cuts_of(LONG) + cuts_of([20.0] * 20, CHIP))
    )
    assert len(longer) >= 5
    assert longer["area"] / AREA == pytest.approx(CHIP, rel=0.006)
    shorter = day(intensifier, cuts_of(LONG) + cuts_of([10.0] * 20, CHIP))
    assert len(told(gate_of(intensifier), shorter)) == 0


def test_pauses_within_the_mean_say_nothing(intensifier: Intensifier) -> None:
    gate = gate_of(intensifier)
    gate.learn_many(day(intensifier, cuts_of(LONG)))
    often = [18.0, 6.0, 17.0, 6.0, 19.0, 6.0] * 12
    found = told(gate, later(gate, day(intensifier, cuts_of(often), pause=5.0)))
    assert np.all(found["area"] > 0.98 * AREA)
    assert np.all(found["area"] < 1.01 * AREA)
    assert len(found) > 3


@pytest.mark.parametrize("dips", [0.0, 0.05])
def test_a_mean_that_never_says_that_the_jet_was_closed(
    intensifier: Intensifier, dips: float
) -> None:
    gate = gate_of(intensifier)
    gate.learn_many(day(intensifier, cuts_of(LONG), dips=dips))
    often = day(intensifier, cuts_of([19.0] * 20, CHIP), pause=4.0, dips=dips)
    found = told(gate, later(gate, often))
    flux = 1.0 - 0.5 * dips / 3.0  # goes as the root of the pressure
    assert found["area"] / AREA * flux == pytest.approx(CHIP, rel=0.006)
    assert len(found) >= 15


@pytest.mark.parametrize("every", [10, 30, 60])
def test_single_looks_of_a_slow_log_tell_a_larger_jet(intensifier: Intensifier, every: int) -> None:
    rng, gate = np.random.default_rng(2), gate_of(intensifier)
    lengths = [float(s) for s in rng.integers(14, 40, 400)]
    cuts = cuts_of(lengths[:300]) + cuts_of(lengths[300:], CHIP)
    whole = day(intensifier, cuts, pause=6.0)
    slow = Samples(*(channel[::every] for channel in whole))
    chip_ns = (20 + sum(lengths[:300]) + 6 * 300) * 1e9
    found = told(gate, slow)
    before, after = found[found["end_ns"] < chip_ns], found[found["start_ns"] > chip_ns]
    assert np.all(np.abs(before["area"] / AREA - 1.0) < 0.02)
    assert after["area"] / AREA == pytest.approx(CHIP, rel=0.01)
    assert len(after) >= 3
    assert (after["end_ns"][1] - chip_ns) * 1e-9 < 1500.0


def test_air_in_one_long_jet_is_no_short_cut(intensifier: Intensifier) -> None:
    gate = gate_of(intensifier)
    gate.learn_many(day(intensifier, cuts_of(LONG)))
    wet = day(intensifier, cuts_of([300.0, 300.0]))
    for start in (100, 200, 400, 500):
        wet.rate[start : start + 25] *= np.concatenate(
            [np.linspace(1.0, 1.05, 8), np.full(9, 1.05), np.linspace(1.05, 1.0, 8)]
        )
    assert np.all(told(gate, later(gate, wet))["area"] < 1.01 * AREA)


def test_one_cut_that_agrees_with_the_batch_before_it_is_one(intensifier: Intensifier) -> None:
    gate = gate_of(intensifier)
    gate.learn_many(day(intensifier, cuts_of(LONG)))
    found = told(gate, later(gate, day(intensifier, cuts_of([20.0] * 10, CHIP))))
    assert len(found) == 9
    assert found["time"][0] > 1.5 * found["time"][1:].max()


def test_strokes_that_fill_the_line_are_not_the_jets(intensifier: Intensifier) -> None:
    gate = gate_of(intensifier)
    gate.learn_many(day(intensifier, cuts_of(LONG)))
    lengths = [9.0, 14.0, 19.0] * 12
    found = told(gate, later(gate, day(intensifier, cuts_of(lengths), pause=20.0, fill=0.8)))
    assert np.all(np.abs(found["area"] / AREA - 1.0) < 0.02)
    assert len(found) > 3


def test_a_stop_parts_the_cuts_of_a_batch(direct_drive: DirectDrive) -> None:
    gate = gate_of(direct_drive)
    gate.learn_many(day(direct_drive, cuts_of(LONG)))
    one_by_one = day(direct_drive, cuts_of([8.0] * 10), pause=90.0, stopped=True)
    assert len(told(gate, later(gate, one_by_one))) == 0


@pytest.mark.parametrize("block", [1, 7])
def test_blocks_of_any_length_give_the_same_batches(direct_drive: DirectDrive, block: int) -> None:
    samples = day(direct_drive, cuts_of(LONG) + cuts_of([8.0] * 6, CHIP))
    whole, parts = gate_of(direct_drive), gate_of(direct_drive)
    _, once = whole.learn_many(samples)
    n = len(samples.time_ns)
    pieces = [parts.learn_many(rows(samples, i, min(i + block, n)))[1] for i in range(0, n, block)]
    assert np.concatenate(pieces).tobytes() == once.tobytes()
    assert bytes(parts._state) == bytes(whole._state)

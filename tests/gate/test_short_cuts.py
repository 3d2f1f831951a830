"""Cuts too short to settle, made from the flow that a jet takes; all figures invented."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.gate.batch import BatchKind
from borewarden.gate.gate import Gate
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, event_rate
from steady import gate_settings

AREA = 0.65 * float(bore_area(0.254e-3))
FULL, CLOSED, LOW = 370e6, 376e6, 130e6  # Pa
ROOM = 293.15  # K
LONG = [40.0] * 15  # s of cuts that settle
CHIP = 1.08


def gate_of(pump: Intensifier | DirectDrive) -> Gate:
    turns_on = isinstance(pump, DirectDrive)
    settings = gate_settings(pump, uses_counter=False, flow_shows_jet=True, turns_on=turns_on)
    return Gate(settings, pump.displacement)


def day(
    pump: Intensifier | DirectDrive,
    cuts: list[tuple[float, float]],
    pause: float = 12.0,
    fill: float = 0.0,
    stopped: bool = False,
    dips: float = 0.0,
) -> Samples:
    """Cuts of so many seconds through so many times `AREA`, one after the other, a sample a second.

    A crank's speed is the flow at the end of each second, at a fifth of it with the jet closed; the
    stroke rate is a mean over 12 s. `fill` is by how much more flows in the first 2 s of a cut that
    pierces at low pressure before. `stopped`: the pump stops in each pause. By `dips` the pressure
    is less in every third second, as a piston turns round.
    """
    rng = np.random.default_rng(3)
    pressure, flow = [np.full(20, CLOSED)], [np.zeros(20)]
    for length, size in cuts:
        n, off = round(length), round(pause)
        at = np.where(np.arange(n) < 1, 1.02 * FULL, FULL)
        taken = np.asarray(event_rate(pump.displacement, size * AREA, at, ROOM))
        if fill:
            low = np.asarray(event_rate(pump.displacement, size * AREA, LOW, ROOM))
            pressure.append(np.full(14, LOW))
            flow.append(np.full(14, low))
            taken[:2] *= 1.0 + fill
        pressure += [at, np.full(off, 1e5 if stopped else CLOSED)]
        flow += [taken, np.zeros(off)]
    p, rate = np.concatenate(pressure), np.concatenate(flow)
    if isinstance(pump, Intensifier):
        rate = np.convolve(rate, np.full(12, 1 / 12))[: len(rate)]
    elif not stopped:
        rate = np.maximum(rate, 0.2 * rate.max())
    p = p * (1.0 + rng.normal(0.0, 1e-3, len(p)))
    p[::3] *= 1.0 - dips
    time_ns = np.arange(1, len(p) + 1) * 10**9
    return samples_of(time_ns.astype(np.int64), pressure=p, rate=rate)


def told(gate: Gate, samples: Samples) -> NDArray[np.void]:
    """Steady batches of short cuts: those with a timing of their own."""
    _, batches = gate.learn_many(samples)
    return batches[(batches["kind"] == BatchKind.STEADY) & (batches["timing"] > 0.0)]


def later(gate: Gate, samples: Samples) -> Samples:
    """The same samples, once what `gate` has seen is over."""
    return samples._replace(time_ns=samples.time_ns + int(gate.state.time_ns))


def cuts_of(lengths: list[float], size: float = 1.0) -> list[tuple[float, float]]:
    return [(length, size) for length in lengths]


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


def test_nothing_is_told_before_ten_cuts_have_settled(direct_drive: DirectDrive) -> None:
    few = cuts_of(LONG[:9])
    assert len(told(gate_of(direct_drive), day(direct_drive, few + cuts_of([8.0] * 20)))) == 0


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

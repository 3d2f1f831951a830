"""Logs with many seconds between their samples, and counters that jump."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from borewarden.base.samples import rows
from borewarden.gate.batch import Phase
from borewarden.gate.gate import Gate
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import Intensifier, event_rate
from steady import gate_settings, steady_samples

AREA = 0.65 * float(bore_area(0.254e-3))


@pytest.mark.parametrize("every", [2.0, 20.0, 30.0])
@pytest.mark.parametrize("as_counter", [True, False])
def test_area_is_recovered(intensifier: Intensifier, every: float, as_counter: bool) -> None:
    n = round(4 * 3600 / every)
    samples = steady_samples(intensifier, np.full(n, AREA), every=every, as_counter=as_counter)
    gate = Gate(gate_settings(intensifier, uses_counter=as_counter), intensifier.displacement)
    phases, batches = gate.learn_many(samples)
    assert np.mean(phases == Phase.STEADY) > 0.9
    # of three looks the one with the most flow: half a stroke too many in `every` s, at most
    stroke = 1.0 / float(event_rate(intensifier.displacement, AREA, 370e6, 293.15))
    most = stroke / every if as_counter and every > 5.0 else 3e-3
    off = batches["area"] / AREA - 1.0  # of a log, whole strokes would take half their variance
    assert -2e-3 < np.average(off, weights=batches["time"]) < most
    assert gate.jet_hours == pytest.approx(4.0, rel=0.01)
    # a rate is that of a jet at once, so that the first silence is a gap
    first = every if every > 10.0 and not as_counter else 0.0
    assert gate.missed_hours * 3600 == pytest.approx(first)


def test_a_silence_is_a_gap_by_the_logs_own_interval(intensifier: Intensifier) -> None:
    """Two and a half usual intervals: 40 s in a log of 10 s, and not 20 s."""
    every = steady_samples(intensifier, np.full(600, AREA), every=10.0)
    for left_out, missed in ((1, 0.0), (3, 40.0)):
        kept = np.r_[0:300, 300 + left_out : 600]
        gate = Gate(gate_settings(intensifier), intensifier.displacement)
        gate.learn_many(type(every)._make(each[kept] for each in every))
        assert gate.missed_hours * 3600 == pytest.approx(missed)
        assert gate.state.interval == pytest.approx(10.0)


def test_a_counter_that_counts_in_twos_is_as_good(intensifier: Intensifier) -> None:
    """Cycles said as twice as many strokes."""
    samples = steady_samples(intensifier, np.full(3600, AREA))
    samples = samples._replace(stroke_count=np.floor(samples.stroke_count / 2.0) * 2.0)
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    phases, batches = gate.learn_many(samples)
    assert np.mean(phases == Phase.STEADY) > 0.95
    assert np.average(batches["area"], weights=batches["time"]) == pytest.approx(AREA, rel=3e-3)
    assert gate.state.counter.step == 2.0


@pytest.mark.parametrize("a_row", [0.7, 0.85, 0.9, 0.96, 1.05, 1.8])
def test_about_one_count_a_row_is_a_jet_that_stays_on(
    intensifier: Intensifier, a_row: float
) -> None:
    """Rows without a count, and one count after two rows, come by themselves: no pause did that."""
    rate = float(event_rate(intensifier.displacement, AREA, 370e6, 293.15))
    pump = replace(
        intensifier,
        stroke=intensifier.stroke * rate / a_row,
        dead_volume=intensifier.dead_volume * rate / a_row,
        max_stroke_rate=3.0,
    )
    samples = steady_samples(pump, np.full(2400, AREA))
    phases, batches = Gate(gate_settings(pump), pump.displacement).learn_many(samples)
    assert np.mean(phases == Phase.STEADY) > 0.95
    assert np.average(batches["area"], weights=batches["time"]) == pytest.approx(AREA, rel=3e-3)


def test_a_slow_counter_is_believed_to_one_count(intensifier: Intensifier) -> None:
    """Whole counts in 30 s, each some strokes: `resolution` is how far they scatter.

    Both ends of a look lie anywhere within a count, so that its time has a standard deviation of
    sqrt(2 / 12) counts (JCGM 100:2008, 4.3.7).
    """
    pump = replace(intensifier, stroke=0.7 * intensifier.stroke)  # 16 strokes in a look
    areas = AREA * (1.0 + 0.015 * np.sin(0.17 * np.arange(1200)))  # so that counts go in no rhythm
    strokes = steady_samples(pump, areas, every=30.0)
    for per_count in (1.0, 2.0):
        settings = gate_settings(pump, strokes_per_count=per_count)
        counted = strokes._replace(
            stroke_count=np.floor(strokes.stroke_count / per_count) * per_count
        )
        batches = Gate(settings, pump.displacement).learn_many(counted)[1]
        off = np.log(batches["area"]) - np.median(np.log(batches["area"]))
        assert len(batches) > 1000
        assert 0.5 < float(np.std(off / batches["resolution"])) < 1.2


def test_a_counter_that_jumps_was_reset(intensifier: Intensifier) -> None:
    """A thousand strokes in a second are none; the batch after it begins anew."""
    samples = steady_samples(intensifier, np.full(1200, AREA))
    jumped = samples.stroke_count + 1000.0 * (np.arange(1200) >= 600)
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    _, batches = gate.learn_many(samples._replace(stroke_count=jumped))
    assert batches["area"] == pytest.approx(AREA, rel=0.1)
    assert np.average(batches["area"], weights=batches["time"]) == pytest.approx(AREA, rel=5e-3)


def test_a_pressure_on_which_nothing_moves_is_believed_for_ten_usual_intervals(
    intensifier: Intensifier,
) -> None:
    samples = steady_samples(intensifier, np.full(200, AREA), every=30.0)
    pressure = samples.pressure.copy()
    pressure[100:] = pressure[100]
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    phases, _ = gate.learn_many(samples._replace(pressure=pressure))
    stuck = np.flatnonzero(phases == Phase.NO_DATA)
    assert stuck[0] == 111
    assert set(phases[111:]) == {Phase.NO_DATA}
    first, _ = Gate(gate_settings(intensifier), intensifier.displacement).learn_many(
        rows(samples, 0, 100)
    )
    assert Phase.NO_DATA not in first

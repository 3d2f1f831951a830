"""The steady-state gate on the untidy days that loggers really deliver."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.model import gate as gate_module
from borewarden.model.gate import BATCH, Gate, Phase, Samples, rows, samples_of
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Displacement, Intensifier, event_rate
from conftest import gate_settings, steady_samples

AREA = 0.65 * float(bore_area(0.254e-3))


def with_channel(samples: Samples, name: str, values: np.ndarray) -> Samples:
    return samples._replace(**{name: values})


@pytest.mark.parametrize("every", [0.1, 0.25, 1.0])
@pytest.mark.parametrize("as_counter", [True, False])
@pytest.mark.parametrize("pulsation", [0.0, 0.05])
def test_area_is_recovered_from_a_steady_jet(
    intensifier: Intensifier, every: float, as_counter: bool, pulsation: float
) -> None:
    n = round(1800 / every)
    samples = steady_samples(
        intensifier, np.full(n, AREA), every=every, as_counter=as_counter, pulsation=pulsation
    )
    gate = Gate(gate_settings(intensifier, uses_counter=as_counter), intensifier.displacement)
    phases, batches = gate.learn_many(samples)
    assert np.mean(phases == Phase.STEADY) > 0.98
    # counts over half an hour are whole: a stroke in some 700 may be missing at either end
    assert np.average(batches["area"], weights=batches["time"]) == pytest.approx(AREA, rel=2e-3)
    scatter = np.std(np.log(batches["area"]))
    # the stated resolution covers what whole counts really do, and does not overstate it much
    if as_counter:
        assert scatter < 1.3 * np.median(batches["resolution"]) + 1e-3
    assert gate.jet_hours == pytest.approx(0.5, rel=0.01)


def test_phases_of_a_short_day(intensifier: Intensifier) -> None:
    """Stopped, up to pressure, dead-headed, low-pressure pierce, cut, off, stopped."""
    pressure = np.concatenate(
        [
            np.zeros(30),
            np.linspace(0, 370e6, 20),
            np.full(60, 370e6),
            np.full(60, 160e6),
            np.full(120, 370e6),
            np.full(60, 371e6),
            np.zeros(60),
        ]
    )
    jet = np.concatenate([np.zeros(110), np.ones(180), np.zeros(120)])
    rate = jet * np.asarray(event_rate(intensifier.displacement, AREA, pressure, 293.15))
    time_ns = np.arange(len(pressure), dtype=np.int64) * 10**9
    samples = samples_of(time_ns, pressure=pressure, rate=rate)
    gate = Gate(gate_settings(intensifier, uses_counter=False), intensifier.displacement)
    phases, batches = gate.learn_many(samples)
    assert set(phases[:25]) == {Phase.STOPPED}
    assert set(phases[60:110]) == {Phase.JET_OFF}
    assert set(phases[120:170]) == {Phase.PIERCE}
    assert Phase.RAMP in phases[170:180]
    assert set(phases[185:290]) == {Phase.STEADY}
    assert set(phases[292:350]) == {Phase.JET_OFF}
    assert set(phases[380:]) == {Phase.STOPPED}
    assert gate.jet_hours * 3600 == pytest.approx(180, abs=3)
    assert len(batches) == 5  # 114 s of steady jet, the last few held back


def test_valve_signal_is_believed(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(300, AREA), as_counter=False)
    valve = np.ones(300)
    valve[100:200] = 0.0
    gate = Gate(gate_settings(intensifier, uses_counter=False), intensifier.displacement)
    phases, _ = gate.learn_many(with_channel(samples, "valve", valve))
    assert set(phases[100:200]) == {Phase.JET_OFF}
    assert set(phases[210:]) == {Phase.STEADY}


def test_crank_pump_with_its_jet_closed_is_not_stopped(direct_drive: DirectDrive) -> None:
    samples = steady_samples(direct_drive, np.full(200, 1.2 * AREA), as_counter=False)
    pressure = samples.pressure.copy()
    pressure[80:120] = 0.0  # dumped, crank still turning
    rate = samples.rate.copy()
    rate[160:] = 0.0
    pressure[160:] = 0.0
    gate = Gate(gate_settings(direct_drive, uses_counter=False), direct_drive.displacement)
    phases, _ = gate.learn_many(samples._replace(pressure=pressure, rate=rate))
    assert set(phases[90:118]) == {Phase.JET_OFF}
    assert set(phases[175:]) == {Phase.STOPPED}


def test_bypass_hides_the_jet(direct_drive: DirectDrive) -> None:
    samples = steady_samples(direct_drive, np.full(120, AREA), as_counter=False)
    settings_ = gate_settings(direct_drive, uses_counter=False, bypass_pressure=365e6)
    phases, batches = Gate(settings_, direct_drive.displacement).learn_many(samples)
    assert set(phases[20:]) == {Phase.BYPASS}
    assert len(batches) == 0


def test_nan_out_of_range_and_duplicates_leave_the_area_alone(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(3600, AREA), as_counter=False)
    rng = np.random.default_rng(4)
    pressure = samples.pressure.copy()
    spoiled = rng.random(3600) < 0.05
    pressure[spoiled] = rng.choice([np.nan, -1e9, 9e9, np.inf], spoiled.sum())
    doubled = np.sort(np.concatenate([np.arange(3600), rng.integers(0, 3600, 200)]))
    untidy = Samples._make(c[doubled] for c in with_channel(samples, "pressure", pressure))
    gate = Gate(gate_settings(intensifier, uses_counter=False), intensifier.displacement)
    phases, batches = gate.learn_many(untidy)
    assert np.all(phases[np.isnan(untidy.pressure)] == Phase.NO_DATA)
    assert batches["area"] == pytest.approx(AREA, rel=1e-9)
    assert gate.jet_hours == pytest.approx(1.0, rel=0.01)


def test_gap_is_counted_as_missed_and_not_as_jet_time(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(1200, AREA))
    kept = np.r_[0:400, 1000:1200]
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    gate.learn_many(Samples._make(c[kept] for c in samples))
    assert gate.missed_hours * 3600 == pytest.approx(601, abs=1)
    assert gate.jet_hours * 3600 == pytest.approx(600, abs=10)


def test_clock_set_back_an_hour_is_a_gap_not_an_error(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(1200, AREA))
    time_ns = samples.time_ns.copy()
    time_ns[600:] -= 3600 * 10**9
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    _, batches = gate.learn_many(samples._replace(time_ns=time_ns))
    assert np.average(batches["area"], weights=batches["time"]) == pytest.approx(AREA, rel=5e-3)
    assert np.all(batches["end_ns"] > batches["start_ns"])


@pytest.mark.parametrize("wrap", [65536, 1000])
def test_counter_that_wraps_or_restarts(intensifier: Intensifier, wrap: int) -> None:
    samples = steady_samples(intensifier, np.full(3600, AREA))
    count = (samples.stroke_count + wrap - 300) % wrap
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    _, batches = gate.learn_many(with_channel(samples, "stroke_count", count))
    assert np.average(batches["area"], weights=batches["time"]) == pytest.approx(AREA, rel=3e-3)
    assert np.max(np.abs(np.log(batches["area"] / AREA))) < 0.1


def test_stuck_transducer_is_no_data(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(1200, AREA))
    rng = np.random.default_rng(1)
    pressure = samples.pressure + rng.normal(0, 5e5, 1200)
    pressure[600:] = pressure[600]
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    phases, _ = gate.learn_many(with_channel(samples, "pressure", pressure))
    assert Phase.NO_DATA not in phases[:600]
    assert set(phases[730:]) == {Phase.NO_DATA}


def test_whole_counts_are_timed_no_worse_than_stated(intensifier: Intensifier) -> None:
    """A run of T s timed to +-1 s at both ends: sd of area sqrt(2/12)/T (uniform errors, GUM 4.3.7,
    JCGM 100:2008)."""
    rng = np.random.default_rng(8)
    errors, stated = [], []
    for seed in range(60):
        areas = np.full(400, AREA * rng.uniform(0.95, 1.05))
        samples = steady_samples(intensifier, areas, seed=seed)
        _, batches = Gate(gate_settings(intensifier), intensifier.displacement).learn_many(samples)
        errors += list(np.log(batches["area"] / areas[0]))
        stated += list(batches["resolution"])
    # a single batch: its edges are counted as if it stood alone
    assert 0.6 < np.std(errors) / np.mean(stated) < 1.05


def untidy_day(pump: Intensifier) -> Samples:
    rng = np.random.default_rng(21)
    samples = steady_samples(pump, np.repeat([AREA, 1.08 * AREA], 900), pulsation=0.04)
    pressure = samples.pressure + rng.normal(0, 5e5, 1800)
    pressure[rng.random(1800) < 0.02] = np.nan
    pressure[500:560] = 0.0
    time_ns = samples.time_ns.copy()
    time_ns[1200:] += 120 * 10**9
    time_ns[1500] = time_ns[1499]
    return samples._replace(pressure=pressure, time_ns=time_ns)


@settings(max_examples=60, deadline=None)
@given(cuts=st.lists(st.integers(0, 1800), max_size=30), as_counter=st.booleans())
def test_any_split_of_the_samples_gives_the_same_bits(cuts: list[int], as_counter: bool) -> None:
    pump = Intensifier(0.022, 0.2, 8e-6, 20.0, 1.0, 400e6, 37e3)
    samples = untidy_day(pump)
    if not as_counter:
        samples = samples._replace(rate=np.gradient(samples.stroke_count))
    chosen = gate_settings(pump, uses_counter=as_counter)
    whole_gate = Gate(chosen, pump.displacement)
    phases, batches = whole_gate.learn_many(samples)
    split_gate = Gate(chosen, pump.displacement)
    edges = [0, *sorted(cuts), 1800]
    parts = [split_gate.learn_many(rows(samples, a, b)) for a, b in pairwise(edges)]
    assert np.array_equal(np.concatenate([p for p, _ in parts]), phases)
    assert np.concatenate([b for _, b in parts]).tobytes() == batches.tobytes()
    assert split_gate.state.tobytes() == whole_gate.state.tobytes()


def test_compiled_loop_is_the_python_it_was_written_in(
    intensifier: Intensifier, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = untidy_day(intensifier)
    compiled = Gate(gate_settings(intensifier), intensifier.displacement)
    phases, batches = compiled.learn_many(samples)
    for name in ("_clear_piece", "_drop_pieces", "_hold_piece", "_add_held_to_batch"):
        monkeypatch.setattr(gate_module, name, getattr(gate_module, name).py_func)
    for name in ("_clear_batch", "_close_batch", "run_gate"):
        monkeypatch.setattr(gate_module, name, getattr(gate_module, name).py_func)
    plain = Gate(gate_settings(intensifier), intensifier.displacement)
    plain_phases, plain_batches = plain.learn_many(samples)
    assert np.array_equal(plain_phases, phases)
    for name in BATCH.names or ():
        assert plain_batches[name] == pytest.approx(batches[name], rel=1e-12)


def test_displacement_is_all_the_gate_knows_of_the_pump(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(600, AREA), as_counter=False)
    d = intensifier.displacement
    half = Displacement(d.swept_volume / 2, d.dead_volume / 2, d.volumetric_efficiency)
    gate = Gate(gate_settings(intensifier, uses_counter=False, jet_on_fraction=0.2), half)
    _, batches = gate.learn_many(samples)
    assert batches["area"] == pytest.approx(AREA / 2, rel=1e-9)

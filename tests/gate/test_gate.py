"""The steady-state gate on the untidy days that loggers really deliver."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.gate import gate as gate_module
from borewarden.gate import gate_loop
from borewarden.gate.batch import BATCH, SIGNALS, BatchKind, Phase
from borewarden.gate.gate import Gate
from borewarden.gate.state import GIVEN, STATE
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Displacement, Intensifier, event_rate
from steady import gate_settings, steady_samples

AREA = 0.65 * float(bore_area(0.254e-3))


def with_channel(samples: Samples, name: str, values: np.ndarray) -> Samples:
    return samples._replace(**{name: values})


def test_numbers_of_the_phases_are_those_that_stores_hold() -> None:
    """As docs/stored-fields.md has them."""
    names = "NO_DATA STOPPED JET_OFF RAMP PIERCE STEADY BYPASS UNUSABLE"
    assert [(phase.name, int(phase)) for phase in Phase] == [
        (name, number) for number, name in enumerate(names.split())
    ]
    assert [int(kind) for kind in BatchKind] == list(range(9))


@pytest.mark.parametrize("every", [0.1, 0.25, 1.0])
@pytest.mark.parametrize("as_counter", [True, False])
@pytest.mark.parametrize("pulsation", [0.0, 0.05])
def test_area_is_recovered_from_a_steady_jet(
    intensifier: Intensifier, every: float, as_counter: bool, pulsation: float
) -> None:
    n = round(3600 / every)
    samples = steady_samples(
        intensifier, np.full(n, AREA), every=every, as_counter=as_counter, pulsation=pulsation
    )
    gate = Gate(gate_settings(intensifier, uses_counter=as_counter), intensifier.displacement)
    phases, batches = gate.learn_many(samples)
    assert np.mean(phases == Phase.STEADY) > 0.98
    # counts over an hour are whole: a stroke in some 1,400 may be missing at either end
    assert np.average(batches["area"], weights=batches["time"]) == pytest.approx(AREA, rel=2e-3)
    scatter = np.std(np.log(batches["area"]))
    # the stated resolution covers what whole counts really do, and does not overstate it much
    if as_counter:
        assert scatter < 1.3 * np.median(batches["resolution"]) + 1e-3
    assert gate.jet_hours == pytest.approx(1.0, rel=0.01)


def test_phases_of_a_short_day(intensifier: Intensifier) -> None:
    """Stopped, up to pressure, dead-headed, pierce at low pressure, cut, off, stopped.

    A short cut before it shows that the rate reading does not lag.
    """
    pressure = np.concatenate(
        [
            np.zeros(30),
            np.linspace(0, 370e6, 20),
            np.full(60, 370e6),  # with the jet open for 10 s of it
            np.full(60, 160e6),
            np.full(120, 370e6),
            np.full(60, 371e6),
            np.zeros(60),
        ]
    )
    jet = np.concatenate([np.zeros(110), np.ones(180), np.zeros(120)])
    jet[60:70] = 1.0
    rate = jet * np.asarray(event_rate(intensifier.displacement, AREA, pressure, 293.15))
    time_ns = np.arange(len(pressure), dtype=np.int64) * 10**9
    samples = samples_of(time_ns, pressure=pressure, rate=rate)
    gate = Gate(gate_settings(intensifier, uses_counter=False), intensifier.displacement)
    phases, batches = gate.learn_many(samples)
    assert set(phases[:25]) == {Phase.STOPPED}
    assert set(phases[50:60]) == set(phases[72:110]) == {Phase.JET_OFF}
    assert set(phases[120:170]) == {Phase.PIERCE}
    assert Phase.RAMP in phases[170:180]
    assert set(phases[185:290]) == {Phase.STEADY}
    assert set(phases[292:350]) == {Phase.JET_OFF}
    assert set(phases[380:]) == {Phase.STOPPED}
    assert gate.jet_hours * 3600 == pytest.approx(190, abs=3)
    steady = batches[batches["kind"] == BatchKind.STEADY]
    assert len(steady) == 9  # 114 s of steady jet, the last few held back


def test_valve_signal_is_believed(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(400, AREA), as_counter=False)
    valve = np.ones(400)
    valve[100:200] = 0.0
    gate = Gate(gate_settings(intensifier, uses_counter=False), intensifier.displacement)
    phases, _ = gate.learn_many(with_channel(samples, "valve", valve))
    assert set(phases[100:200]) == {Phase.JET_OFF}
    # the lag of the rate is not known: none of its openings has been seen
    assert set(phases[240:]) == {Phase.STEADY}


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


def test_fork_goes_on_where_its_gate_stands_and_leaves_it_alone(intensifier: Intensifier) -> None:
    samples = untidy_day(intensifier)
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    gate.learn_many(rows(samples, 0, 700))
    before = gate.state.tobytes()
    phases, batches = gate.fork().learn_many(rows(samples, 700))
    assert gate.state.tobytes() == before
    own_phases, own_batches = gate.learn_many(rows(samples, 700))
    assert np.array_equal(phases, own_phases)
    assert batches.tobytes() == own_batches.tobytes()


def test_compiled_loop_is_the_python_it_was_written_in(
    intensifier: Intensifier, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = untidy_day(intensifier)
    compiled = Gate(gate_settings(intensifier), intensifier.displacement)
    phases, batches = compiled.learn_many(samples)
    monkeypatch.setattr(
        gate_module,
        "run_on_bytes",
        lambda state, given, samples, phases, room: gate_loop.run_gate.py_func(
            state.view(STATE).view(np.recarray),
            given.view(GIVEN).view(np.recarray)[0].settings,
            intensifier.displacement,
            samples,
            phases,
            room.view(BATCH).view(np.recarray),
        ),
    )
    plain = Gate(gate_settings(intensifier), intensifier.displacement)
    plain_phases, plain_batches = plain.learn_many(samples)
    assert np.array_equal(plain_phases, phases)
    for name in BATCH.names or ():
        assert plain_batches[name] == pytest.approx(batches[name], rel=1e-12, nan_ok=True)


def test_displacement_is_all_the_gate_knows_of_the_pump(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(600, AREA), as_counter=False)
    d = intensifier.displacement
    half = Displacement(d.swept_volume / 2, d.dead_volume / 2, d.volumetric_efficiency)
    gate = Gate(gate_settings(intensifier, uses_counter=False, jet_on_fraction=0.2), half)
    _, batches = gate.learn_many(samples)
    assert batches["area"] == pytest.approx(AREA / 2, rel=1e-9)


# -- batches of other kinds, and what further channels say


def flowing(
    pump: Intensifier, pressure: np.ndarray, area: float | np.ndarray, **channels: np.ndarray
) -> Samples:
    """Samples at 1 Hz of a stroke rate that takes `area` at `pressure`."""
    rate = np.asarray(event_rate(pump.displacement, area, pressure, 293.15))
    time_ns = np.arange(len(pressure), dtype=np.int64) * 10**9
    return samples_of(time_ns, pressure=pressure, rate=rate, **channels)


def batches_of(
    pump: Intensifier, samples: Samples, kind: BatchKind, **changes: object
) -> np.ndarray:
    gate = Gate(gate_settings(pump, uses_counter=False, **changes), pump.displacement)
    _, batches = gate.learn_many(samples)
    return batches[batches["kind"] == kind]


def test_dead_headed_strokes_are_the_area_of_the_leak(intensifier: Intensifier) -> None:
    """8 % of the jet's area leaks while it is closed; 300 s of it, of which 10 s settle."""
    n = 600
    pressure = np.full(n, 370e6)
    area = np.where(np.arange(n) < 300, AREA, 0.08 * AREA)
    found = batches_of(intensifier, flowing(intensifier, pressure, area), BatchKind.DEAD_HEAD)
    assert len(found) == 4
    assert found["area"] == pytest.approx(0.08 * AREA, rel=1e-9)
    assert found["pressure"] == pytest.approx(370e6)
    # eight seconds at a time are held back, until it is known that the jet was not opening
    assert found["time"] == pytest.approx(64.0)
    rate = float(event_rate(intensifier.displacement, 0.08 * AREA, 370e6, 293.15))
    assert found["rate"] == pytest.approx(rate)
    assert np.all(np.isnan(found["signals"]))
    # the first stretch begins at some part of a stroke, the rest go on from it
    stroke = 0.08 * AREA / rate / 64.0
    assert found["resolution"] == pytest.approx([0.5 * stroke, 0.0, 0.0, 0.0], abs=1e-15)


def test_counted_strokes_of_a_dead_headed_pump(intensifier: Intensifier) -> None:
    """One stroke in 16 s, each of one delivered mass: area = mass / (flux 64 s), by hand."""
    n = 400
    count = np.floor(np.cumsum(np.where(np.arange(n) < 100, 0.7, 1.0 / 16.0)) + 1e-9)
    samples = samples_of(
        np.arange(n, dtype=np.int64) * 10**9, pressure=np.full(n, 370e6), stroke_count=count
    )
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    _, batches = gate.learn_many(samples)
    found = batches[batches["kind"] == BatchKind.DEAD_HEAD]
    assert len(found) == 4
    unit = 1.0 / float(event_rate(intensifier.displacement, 1.0, 370e6, 293.15))
    assert found["area"] == pytest.approx(np.full(4, 4.0 * unit / 64.0), rel=1e-9)


def test_crank_pump_has_no_dead_headed_strokes(direct_drive: DirectDrive) -> None:
    samples = steady_samples(direct_drive, np.full(600, 1.2 * AREA), as_counter=False)
    valve = np.where(np.arange(600) < 100, 1.0, 0.0)
    gate = Gate(gate_settings(direct_drive), direct_drive.displacement)
    phases, batches = gate.learn_many(with_channel(samples, "valve", valve))
    assert set(phases[110:]) == {Phase.JET_OFF}
    assert not np.any(batches["kind"] == BatchKind.DEAD_HEAD)


def test_low_pressure_jet_gathers_into_batches_of_its_own(intensifier: Intensifier) -> None:
    n = 200
    pressure = np.where(np.arange(n) < 100, 370e6, 150e6)
    area = np.where(np.arange(n) < 100, AREA, 1.05 * AREA)
    samples = flowing(intensifier, pressure, area)
    low = batches_of(intensifier, samples, BatchKind.LOW)
    assert len(low) >= 3
    assert low["area"] == pytest.approx(1.05 * AREA, rel=1e-9)
    assert low["pressure"] == pytest.approx(150e6)
    assert low["start_ns"].min() > 100 * 10**9
    steady = batches_of(intensifier, samples, BatchKind.STEADY)
    assert steady["area"] == pytest.approx(AREA, rel=1e-9)
    assert steady["end_ns"].max() < 100 * 10**9


def test_stopped_pump_shows_the_zero_of_its_transducer(intensifier: Intensifier) -> None:
    """After a minute to bleed down, 5 minutes make a batch: two of them in 12 minutes."""
    n = 100 + 720
    pressure = np.where(np.arange(n) < 100, 370e6, 3e6)
    area = np.where(np.arange(n) < 100, AREA, 0.0)
    found = batches_of(intensifier, flowing(intensifier, pressure, area), BatchKind.STOPPED)
    assert len(found) == 2
    assert found["pressure"] == pytest.approx(3e6)
    assert found["time"] == pytest.approx(300.0)
    assert np.all(np.isnan(found["area"]))
    assert found["stops"].tolist() == [1, 1]
    assert found["start_ns"][0] > (100 + 60) * 10**9


def test_signals_are_means_over_the_batch(intensifier: Intensifier) -> None:
    n = 900
    one = np.ones(n)
    alternate = np.where(np.arange(n) % 2 == 0, 1.01, 1.0 / 1.01)
    samples = flowing(
        intensifier,
        np.full(n, 370e6) * np.where(np.arange(n) % 2 == 0, 1.001, 1.0 / 1.001),
        AREA,
        temperature=300.0 * one,
        oil_pressure=18.5e6 * one,
        boost_pressure=5e5 * one,
        weep_temperature=312.5 * one,
        bypass_temperature=306.0 * one,
        check_valve_temperature=309.0 * one,
        left_stroke_time=0.9 * alternate,
        right_stroke_time=1.0 / alternate,
        valve=one,
    )
    found = batches_of(intensifier, samples, BatchKind.STEADY)
    signals = dict(zip(SIGNALS, found["signals"][1:-1].T, strict=True))
    assert len(found) > 5
    assert signals["load_ratio"] == pytest.approx(np.log(20.0), abs=2e-4)
    assert signals["boost"] == pytest.approx(np.log(5e5))
    assert signals["weep_rise"] == pytest.approx(12.5)
    assert signals["bypass_rise"] == pytest.approx(6.0)
    assert signals["valve_rise"] == pytest.approx(9.0)
    assert signals["heads"] == pytest.approx(1.0)
    # left against right: the alternation leaves its mean at log 0.9, but for one odd sample
    assert signals["side_ratio"] == pytest.approx(np.log(0.9), abs=2e-3)
    # every sample moves by 2 log 1.01: half its mean square is the variance of a value
    each = 2.0 * np.log(1.01)
    assert signals["scatter"] == pytest.approx(0.5 * np.log(0.5 * each**2 + 1e-8))
    assert np.all(np.isnan(signals["ripple"]))  # a row a stroke shows an alias of its dips
    quick = samples._replace(time_ns=samples.time_ns // 5)
    found = batches_of(intensifier, quick, BatchKind.STEADY)
    signals = dict(zip(SIGNALS, found["signals"][1:-1].T, strict=True))
    assert len(found) > 5
    # each change differs by twice as much from the one before; a third of its square is a change's
    each = 4.0 * np.log(1.001)
    assert signals["ripple"] == pytest.approx(0.5 * np.log(0.5 * each**2 / 3.0 + 1e-8))
    assert np.all(np.isnan(signals["slip"]))  # no motor speed


def test_a_pressure_that_settles_or_jumps_as_the_jet_closes_does_not_flutter(
    direct_drive: DirectDrive,
) -> None:
    """Cuts of 40 s, and 10 s of a valve at a higher pressure; a long cut of the same noise."""
    t, noise = np.arange(3000), 0.001
    into = t % 50
    opening = 370e6 * (1.0 + 0.08 * np.exp(-into / 4.0))
    closing = 400e6 + (370e6 - 400e6) * np.exp(-(into - 40.0) / 3.0)
    short = np.where(into < 40, opening, closing)
    flutters = []
    for pressure in (np.full(3000, 370e6), short):
        gate = Gate(gate_settings(direct_drive), direct_drive.displacement)
        _, batches = gate.learn_many(crank_log(direct_drive, pressure, noise, 1))
        steady = batches[batches["kind"] == BatchKind.STEADY]
        flutters.append(steady["signals"][:, SIGNALS.index("ripple")])
    for flutter in flutters:
        assert len(flutter) > 50
        assert np.median(flutter) == pytest.approx(np.log(noise), abs=0.1)
        assert np.quantile(flutter, 0.95) < np.log(noise) + 0.5


def test_slip_and_scatter_of_a_crank_pump(direct_drive: DirectDrive) -> None:
    samples = steady_samples(direct_drive, np.full(300, 1.2 * AREA), as_counter=False)
    rate = 8.4 * np.where(np.arange(300) % 2 == 0, 1.005, 1.0 / 1.005)
    samples = samples._replace(
        rate=rate, motor_speed=np.full(300, 4.8 * 8.4), motor_torque=np.full(300, 0.8)
    )
    gate = Gate(gate_settings(direct_drive), direct_drive.displacement)
    _, batches = gate.learn_many(samples)
    signals = dict(zip(SIGNALS, batches["signals"][1:].T, strict=True))
    assert len(batches) > 5
    assert signals["slip"] == pytest.approx(-np.log(4.8), abs=1e-3)
    each = 2.0 * np.log(1.005)
    assert signals["scatter"] == pytest.approx(0.5 * np.log(0.5 * each**2 + 1e-8))
    assert signals["load_ratio"] == pytest.approx(np.log(370e6 / 0.8), abs=1e-3)
    for name in ("boost", "weep_rise", "bypass_rise", "valve_rise", "side_ratio", "heads"):
        assert np.all(np.isnan(signals[name])), name


def test_a_motor_that_reads_zero_has_no_slip(direct_drive: DirectDrive) -> None:
    samples = steady_samples(direct_drive, np.full(300, 1.2 * AREA), as_counter=False)
    motor = np.where(np.arange(300) % 3 == 0, 0.0, 4.8 * 8.4)
    samples = samples._replace(rate=np.full(300, 8.4), motor_speed=motor)
    _, batches = Gate(gate_settings(direct_drive), direct_drive.displacement).learn_many(samples)
    assert len(batches) > 5
    assert batches["signals"][:, SIGNALS.index("slip")] == pytest.approx(-np.log(4.8), abs=1e-3)


def test_missing_readings_of_a_signal_are_left_out_of_its_mean(intensifier: Intensifier) -> None:
    n = 300
    weep = np.where(np.arange(n) % 3 == 0, np.nan, 300.0)
    samples = flowing(intensifier, np.full(n, 370e6), AREA, weep_temperature=weep)
    found = batches_of(intensifier, samples, BatchKind.STEADY)
    rise = found["signals"][:, SIGNALS.index("weep_rise")]
    assert rise == pytest.approx(300.0 - 293.15)


def test_a_jet_too_short_to_be_seen_is_no_flow_of_a_closed_one(intensifier: Intensifier) -> None:
    """One stroke in 16 s leaks; each 100 s a jet of 4 s that the valve signal does not show.

    Its strokes come at the pace of a jet. Counted in, they would make the leak half as large again.
    """
    second = np.arange(2000)
    cutting = second < 100
    rate = np.where(cutting | (second % 100 < 4), 0.7, 1.0 / 16.0)
    samples = samples_of(
        second * 10**9,
        pressure=np.full(len(second), 370e6),
        stroke_count=np.floor(np.cumsum(rate) + 1e-9),
        valve=cutting.astype(float),
    )
    gate = Gate(gate_settings(intensifier), intensifier.displacement)
    _, batches = gate.learn_many(samples)
    found = batches[batches["kind"] == BatchKind.DEAD_HEAD]
    assert len(found) > 20
    leak = 1.0 / 16.0 / float(event_rate(intensifier.displacement, 1.0, 370e6, 293.15))
    assert np.mean(found["area"]) == pytest.approx(leak, rel=0.15)


def crank_log(pump: DirectDrive, pressure: np.ndarray, noise: float, seed: int) -> Samples:
    """A crank that turns on and on, whatever the line does, and has no valve signal."""
    n = len(pressure)
    rate = float(event_rate(pump.displacement, 1.2 * AREA, 370e6, 293.15))
    seen = pressure * (1.0 + np.random.default_rng(seed).normal(0.0, noise, n))
    return samples_of(
        np.arange(1, n + 1, dtype=np.int64) * 10**9, pressure=seen, rate=np.full(n, rate)
    )


@pytest.mark.parametrize("seed", range(4))
def test_a_line_that_is_shut_and_leaks_away_is_no_jet(direct_drive: DirectDrive, seed: int) -> None:
    """0.05 % of the pressure a second, within noise of 0.2 %; the first batch may be begun before.

    A true jet that chips by 10 % drops at once, holds, and is gathered from within half a minute.
    """
    since = np.maximum(np.arange(900) - 600, 0)

    def steady(pressure: np.ndarray) -> np.ndarray:
        gate = Gate(gate_settings(direct_drive), direct_drive.displacement)
        _, batches = gate.learn_many(crank_log(direct_drive, pressure, 0.002, seed))
        return batches[batches["kind"] == BatchKind.STEADY]

    shut = steady(370e6 * 0.9995**since)
    assert np.count_nonzero(shut["end_ns"] > 600 * 10**9) <= 1
    assert np.count_nonzero(shut["end_ns"] <= 600 * 10**9) > 40
    # a crank's flow is fixed, and its pressure goes as one over the area squared
    chipped = steady(np.where(since > 0, 370e6 / 1.1**2, 370e6))
    after = chipped[chipped["start_ns"] > 600 * 10**9]
    assert after["end_ns"][0] <= 630 * 10**9
    assert len(after) > 20
    assert after["area"] == pytest.approx(1.1 * 1.2 * AREA, rel=0.006)

"""Each fault of the virtual machine leaves the trace that a hand calculation expects.

Balances of mass are worked out from the formulas of `borewarden.physics`, which have tests of
their own against published tables; the heating of a throttled leak is checked against IAPWS-95 in
tests/physics/test_water.py.
"""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest

from borewarden.base.samples import Samples
from borewarden.diagnose.causes import Cause
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area, mass_flux
from borewarden.physics.pump import (
    DirectDrive,
    Intensifier,
    Pump,
    compression_fraction,
    delivered_mass,
    event_rate,
)
from borewarden.physics.water import density_at_atmosphere, throttling_rise
from borewarden.simulate.day import BOOST_PRESSURE, WANDER, Chip, Day, Fault, Noise, log_day
from borewarden.simulate.plant import (
    BOTH,
    INLET_CHECK,
    LEFT,
    OUTLET_CHECK,
    SEAL,
    SOUND,
    STEP,
    Course,
    Ills,
    Plant,
    Run,
    run_plant,
)

AREA = 0.65 * float(bore_area(0.254e-3))
WATER = 293.15  # K
SET = 380e6  # Pa
DAY = Day(
    dt.date(2026, 3, 3), 1, 5, "Europe/Vienna", 0.65, start_hour=6.0, end_hour=10.0, signals="full"
)
AT = dt.datetime(2026, 3, 3, 8)
AT_NS = round(dt.datetime(2026, 3, 3, 7, tzinfo=dt.UTC).timestamp()) * 10**9
STROKES_NOISE = 0.02  # of a rate read over four seconds, when the median of an hour is taken


def course(seconds: float, jet: bool, speed: float = 0.0, area: float = AREA) -> Course:
    n = round(seconds / STEP)
    on = np.ones(n, dtype=bool)
    return Course(
        on,
        np.full(n, SET),
        np.full(n, speed),
        on if jet else ~on,
        np.full(n, area),
        np.full(n, WATER),
    )


def leak(share: float, seconds: float, place: int, side: int, exponent: float = 1.0) -> Ills:
    """A leak of `share` of the flow through AREA at SET."""
    flow = share * AREA * float(mass_flux(SET, WATER))
    return SOUND._replace(
        leaks=np.full((1, round(seconds / STEP)), flow),
        exponents=np.array([exponent]),
        places=np.array([place]),
        sides=np.array([side]),
        leak_pressure=SET,
    )


def idle_time(plant: Plant, pressure: float) -> float:
    """Time in a stroke without delivery, s: the reversal, and compression at four times the rate.

    Half a step more for each of the two on the mean, and one where the stroke ends.
    """
    squeeze = float(compression_fraction(plant.displacement, pressure, WATER))
    return plant.reversal_time + squeeze / (4.0 * plant.max_rate) + STEP


@pytest.fixture
def plant(intensifier: Intensifier) -> Plant:
    return Plant(True, intensifier.displacement, intensifier.max_rate)


@pytest.fixture
def crank(direct_drive: DirectDrive) -> Plant:
    return Plant(False, direct_drive.displacement, direct_drive.max_rate)


@pytest.fixture
def diamond() -> Jewel:
    return Jewel(bore=0.3048e-3, material="diamond", fitted_ns=0)


# -- leaks


@pytest.mark.parametrize("exponent", [1.0, 2.5])
def test_plungers_creep_through_leaking_seals_while_dead_headed(
    plant: Plant, exponent: float
) -> None:
    seconds = 1200.0
    ills = leak(0.10, seconds, SEAL, BOTH, exponent)._replace(leak_pressure=400e6)
    run = run_plant(plant, course(seconds, jet=False), ills)
    half = len(run.strokes) // 2
    strokes = np.flatnonzero(np.diff(run.strokes[half:]))
    period = np.mean(np.diff(strokes)) * STEP
    flow = 0.10 * AREA * float(mass_flux(SET, WATER)) * (SET / 400e6) ** exponent
    expected = float(delivered_mass(plant.displacement, SET, WATER)) / flow
    expected += idle_time(plant, SET)
    assert period == pytest.approx(expected, rel=0.01)
    # and in strokes: the share of the jet's that the leak has of the jet's flow
    jet_rate = float(event_rate(plant.displacement, AREA, SET, WATER))
    assert 1.0 / period == pytest.approx(0.10 * (SET / 400e6) ** exponent * jet_rate, rel=0.03)


def test_plungers_creep_on_while_the_water_warms(plant: Plant) -> None:
    """Warmer water takes a trace more to compress, which must not hold the plungers up."""
    seconds = 1200.0
    warming = course(seconds, jet=False)
    warming = warming._replace(temperature=WATER + np.linspace(0.0, 2.0, len(warming.area)))
    steady = run_plant(plant, course(seconds, jet=False), leak(0.10, seconds, SEAL, BOTH))
    run = run_plant(plant, warming, leak(0.10, seconds, SEAL, BOTH))
    assert steady.strokes[-1] > 40
    assert run.strokes[-1] == pytest.approx(steady.strokes[-1], rel=0.02)


@pytest.mark.parametrize(("place", "leaks_in"), [(SEAL, "left"), (INLET_CHECK, "left"),
                                                 (OUTLET_CHECK, "right")])  # fmt: skip
def test_leak_of_one_side_makes_the_strokes_unequal(
    plant: Plant, place: int, leaks_in: str
) -> None:
    run = run_plant(plant, course(600.0, jet=True), leak(0.20, 600.0, place, LEFT))
    times = {"left": run.left_time, "right": run.right_time}
    late = slice(len(run.pressure) // 2, None)
    pressure = float(np.mean(run.pressure[late]))
    jet = AREA * float(mass_flux(pressure, WATER))
    lost = 0.20 * AREA * float(mass_flux(SET, WATER)) * pressure / SET
    stroke = float(delivered_mass(plant.displacement, pressure, WATER))
    idle = idle_time(plant, pressure)
    # what the jet takes from the attenuator during the reversal is made good in the same stroke
    for side, seen in times.items():
        leaking = lost if side == leaks_in else 0.0
        wait = idle if place != OUTLET_CHECK else 0.0  # that one leaks in the reversal as well
        expected = (stroke + leaking * wait) / (jet + leaking)
        assert float(np.mean(seen[late])) == pytest.approx(expected, rel=0.015)
    other = "right" if leaks_in == "left" else "left"
    assert np.mean(times[leaks_in][late]) < 0.9 * np.mean(times[other][late])


@pytest.mark.parametrize("place", [SEAL, OUTLET_CHECK])
def test_leak_of_one_side_creeps_to_the_end_of_one_stroke_and_stays(
    plant: Plant, place: int
) -> None:
    run = run_plant(plant, course(600.0, jet=False), leak(0.20, 600.0, place, LEFT))
    rise = run_plant(plant, course(600.0, jet=False))
    assert run.strokes[-1] - rise.strokes[-1] in (0.0, 1.0, 2.0)
    assert run.strokes[-1] == run.strokes[len(run.strokes) // 2]


def test_only_a_seal_warms_the_weep_line(plant: Plant) -> None:
    warm = run_plant(plant, course(900.0, jet=True), leak(0.10, 900.0, SEAL, BOTH))
    late = slice(len(warm.pressure) // 2, None)
    pressure = float(np.mean(warm.pressure[late]))
    flow = 0.10 * AREA * float(mass_flux(SET, WATER)) * pressure / SET
    heated = float(throttling_rise(pressure, WATER)) * flow / (flow + plant.cooling_flow)
    period = float(np.mean(warm.left_time[late]))
    delivering = 1.0 - idle_time(plant, pressure) / period
    assert float(np.mean(warm.weep_rise[late])) == pytest.approx(heated * delivering, rel=0.02)
    for place in (OUTLET_CHECK, INLET_CHECK):
        cold = run_plant(plant, course(900.0, jet=True), leak(0.10, 900.0, place, BOTH))
        assert not np.any(cold.weep_rise)
        assert cold.strokes[-1] > 1.08 * run_plant(plant, course(900.0, jet=True)).strokes[-1]


def test_leak_of_a_crank_pump_takes_from_what_it_delivers(crank: Plant) -> None:
    area = 0.70 * float(bore_area(0.3048e-3))
    ills = leak(0.10, 300.0, SEAL, BOTH, 2.0)
    run = run_plant(crank, course(300.0, True, 8.4, area), ills)
    p = float(run.pressure[-1])
    lost = float(ills.leaks[0, 0]) * (p / SET) ** 2.0
    fed = 8.4 * float(delivered_mass(crank.displacement, p, WATER))
    assert fed - lost == pytest.approx(area * float(mass_flux(p, WATER)), rel=1e-3)
    heated = float(throttling_rise(p, WATER)) * lost / (lost + crank.cooling_flow)
    # after 300 s of a lag of 90 s
    assert run.weep_rise[-1] == pytest.approx(heated * (1.0 - np.exp(-300.0 / 90.0)), rel=0.01)


# -- the other ills of the plant


def test_leaking_bypass_is_an_orifice_more_and_gets_hot(
    crank: Plant, direct_drive: DirectDrive
) -> None:
    area = 0.70 * float(bore_area(0.3048e-3))
    n = round(600.0 / STEP)
    run = run_plant(
        crank,
        course(600.0, True, 8.4, area),
        SOUND._replace(bypass_area=np.full(n, 0.12 * area)),
    )
    expected = float(direct_drive.expected_pressure(1.12 * area, WATER, 8.4))
    assert run.pressure[-1] == pytest.approx(expected, rel=1e-4)
    spilled = 0.12 * area * float(mass_flux(expected, WATER))
    heated = float(throttling_rise(expected, WATER)) * spilled / (spilled + crank.cooling_flow)
    assert run.bypass_rise[-1] == pytest.approx(heated, rel=0.01)
    assert not np.any(run.weep_rise)


def test_strokes_that_do_not_fill_bring_less_water(plant: Plant) -> None:
    seconds, share = 1200.0, 0.15
    n = round(seconds / STEP)
    run = run_plant(plant, course(seconds, True), SOUND._replace(shortfall=np.full(n, share)))
    late = slice(n // 2, None)
    stroke = delivered_mass(plant.displacement, run.pressure[late], WATER)
    void = plant.displacement.swept_volume * share * float(density_at_atmosphere(WATER))
    flow = AREA * mass_flux(run.pressure[late], WATER)
    expected = float(np.mean(flow / (stroke - void)))
    seen = (run.strokes[-1] - run.strokes[n // 2]) / (seconds / 2.0)
    assert seen == pytest.approx(expected, rel=0.01)


def test_second_head_left_open_keeps_the_pump_stroking(plant: Plant) -> None:
    n = round(600.0 / STEP)
    ills = SOUND._replace(open_area=np.full(n, 0.5 * AREA))
    run = run_plant(plant, course(600.0, jet=False), ills)
    seen = (run.strokes[-1] - run.strokes[n // 2]) / 300.0
    pressure = run.pressure[n // 2 :]
    expected = np.mean(event_rate(plant.displacement, 0.5 * AREA, pressure, WATER))
    assert seen == pytest.approx(float(expected), abs=1.0 / 300.0)


def test_every_other_row_is_the_plant_told_less_often(plant: Plant) -> None:
    ills = leak(0.1, 300.0, SEAL, LEFT)
    every: Run = run_plant(plant, course(300.0, True), ills)
    some = run_plant(plant, course(300.0, True), ills, 25)
    for name in Run._fields[:-1]:
        whole, told = getattr(every, name), getattr(some, name)
        assert np.array_equal(told, whole[24::25], equal_nan=True)
    assert np.array_equal(every.ends, some.ends)


# -- what the sensors make of it


def logged(pump: Pump, jewel: Jewel, *faults: Fault, **changes: object) -> Samples:
    day = dataclasses.replace(DAY, faults=faults, **changes)  # type: ignore[arg-type]
    return log_day(day, pump, jewel)


def cutting(samples: Samples, after: bool, settled_ns: int = 0) -> np.ndarray:
    """Rows of a sound log with the jet at full pressure, before or after the fault."""
    late = samples.time_ns > AT_NS + settled_ns
    early = samples.time_ns < AT_NS
    return (samples.pressure > 0.9 * np.nanmedian(samples.pressure)) & (late if after else early)


def test_transducer_shows_what_the_oil_side_does_not(intensifier: Intensifier, ruby: Jewel) -> None:
    fault = Fault(Cause.TRANSDUCER, AT, 0.05, ramp=1800.0, zero=4e6)
    sound, seen = logged(intensifier, ruby), logged(intensifier, ruby, fault)
    grown = np.clip((sound.time_ns - AT_NS) / 1800e9, 0.0, 1.0)
    truth = seen.oil_pressure * intensifier.intensification_ratio  # plus friction and noise
    reached = (grown == 1.0) & (truth > 350e6)
    shown = np.nanmedian(seen.pressure[reached] - sound.pressure[reached])
    assert shown == pytest.approx(0.05 * SET + 4e6, rel=0.02)
    half = (np.abs(grown - 0.5) < 0.02) & (truth > 350e6)
    shown = np.nanmedian(seen.pressure[half] - sound.pressure[half])
    assert shown == pytest.approx((0.05 * SET + 4e6) / 2.0, rel=0.05)
    for name in Samples._fields:
        if name != "pressure":
            assert np.array_equal(getattr(seen, name), getattr(sound, name), equal_nan=True)


def test_oil_holds_the_pressure_over_the_ratio_and_some_friction(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    samples = logged(intensifier, ruby)
    on = samples.pressure > 350e6
    friction = np.median(samples.oil_pressure[on] * 20.0 / samples.pressure[on]) - 1.0
    assert 0.003 < friction < 0.022


def test_starved_feed_pulls_the_boost_pressure_down_and_scatters_the_strokes(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    samples = logged(intensifier, ruby, Fault(Cause.FEED, AT, 0.10))
    before, after = cutting(samples, False), cutting(samples, True)
    assert np.median(samples.boost_pressure[before]) == pytest.approx(BOOST_PRESSURE, rel=0.01)
    assert np.median(samples.boost_pressure[after]) < 0.8 * BOOST_PRESSURE
    assert np.std(samples.boost_pressure[after]) > 5.0 * np.std(samples.boost_pressure[before])
    quick = samples.left_stroke_time < 5.0  # of strokes that ran while cutting
    first, then = (samples.left_stroke_time[rows & quick] for rows in (before, after))
    assert np.median(then) < 0.97 * np.median(first)
    spread = [np.subtract(*np.quantile(times, [0.84, 0.16])) for times in (first, then)]
    assert spread[1] > 2.0 * spread[0]


@pytest.mark.parametrize("from_motor", [False, True])
def test_slipping_belt_shows_only_where_the_crank_is_watched(
    direct_drive: DirectDrive, diamond: Jewel, from_motor: bool
) -> None:
    fault = Fault(Cause.SLIP, AT, 0.08)
    slow = logged(direct_drive, diamond, fault, rate_from_motor=from_motor)
    sound = logged(direct_drive, diamond, rate_from_motor=from_motor)
    rows = cutting(sound, True, 60 * 10**9) & (sound.rate > 0.9 * direct_drive.max_rate)
    shown = np.median(slow.rate[rows]) / direct_drive.max_rate
    assert shown == pytest.approx(1.0 if from_motor else 0.92, abs=0.002)
    assert np.median(slow.motor_speed[rows]) == pytest.approx(4.8 * 8.4, rel=1e-3)
    area = 0.65 * float(bore_area(diamond.bore))
    water = float(np.median(slow.temperature[rows]))
    expected = float(direct_drive.expected_pressure(area, water, 0.92 * 8.4))
    assert np.nanmedian(slow.pressure[rows]) == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize(("wired", "heads"), [(True, 2.0), (False, 1.0)])
def test_second_head_counts_where_its_valve_is_wired(
    intensifier: Intensifier, ruby: Jewel, wired: bool, heads: float
) -> None:
    fault = Fault(Cause.SECOND_HEAD, AT, 0.5, wired=wired)
    samples = logged(intensifier, ruby, fault, logs_rate=True)
    sound = logged(intensifier, ruby, logs_rate=True)
    on = sound.valve == 1.0
    assert np.all(samples.valve[on & (sound.time_ns > AT_NS)] == heads)
    assert np.all(samples.valve[on & (sound.time_ns < AT_NS)] == 1.0)
    rows = cutting(sound, True) & (sound.rate > 0.3)
    ratio = np.nanmedian(samples.rate[rows] / sound.rate[rows])
    assert ratio == pytest.approx(1.5, rel=STROKES_NOISE)


@pytest.mark.parametrize(
    ("fault", "ratio"),
    [
        (Fault(Cause.BORE, AT, 0.12), 1.12),
        (Fault(Cause.BLOCKED, AT, 0.15), 0.85),
        (Fault(Cause.LEAK, AT, 0.12, side="both"), 1.12),
    ],
)
def test_stroke_rate_follows_the_water(
    intensifier: Intensifier, ruby: Jewel, fault: Fault, ratio: float
) -> None:
    samples = logged(intensifier, ruby, fault, logs_rate=True)
    sound = logged(intensifier, ruby, logs_rate=True)
    before, after = (cutting(sound, x, 10 * 10**9) & (sound.rate > 0.3) for x in (False, True))
    assert np.nanmedian(samples.rate[before] / sound.rate[before]) == 1.0
    seen = np.nanmedian(samples.rate[after]) / np.nanmedian(sound.rate[after])
    assert seen == pytest.approx(ratio, rel=STROKES_NOISE)


def test_slow_blocking_is_half_way_at_half_time(intensifier: Intensifier, ruby: Jewel) -> None:
    fault = Fault(Cause.BLOCKED, AT, 0.2, ramp=7200.0)
    samples = logged(intensifier, ruby, fault, logs_rate=True)
    sound = logged(intensifier, ruby, logs_rate=True)
    rows = (np.abs(sound.time_ns - AT_NS - 3600e9) < 600e9) & (sound.rate > 0.3)
    seen = np.nanmedian(samples.rate[rows]) / np.nanmedian(sound.rate[rows])
    assert seen == pytest.approx(0.9, rel=STROKES_NOISE)


def test_another_bore_is_fitted_in_a_stop(intensifier: Intensifier, ruby: Jewel) -> None:
    samples = logged(intensifier, ruby, Fault(Cause.OTHER_BORE, AT, 0.21), logs_rate=True)
    sound = logged(intensifier, ruby, logs_rate=True)
    stop = (samples.time_ns > AT_NS) & (samples.time_ns < AT_NS + 900 * 10**9)
    assert not np.any(samples.valve[stop])
    late = samples.pressure[stop & (samples.time_ns > AT_NS + 60 * 10**9)]
    assert np.nanmax(late) < 5e6
    rows = cutting(sound, True, 960 * 10**9) & (sound.rate > 0.3)
    seen = np.nanmedian(samples.rate[rows]) / np.nanmedian(sound.rate[rows])
    assert seen == pytest.approx(1.21, rel=STROKES_NOISE)


def test_worn_focusing_tube_changes_nothing_that_the_pump_sees(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    sound = logged(intensifier, ruby)
    worn = logged(intensifier, ruby, tube_wear_per_hour=0.05)
    for a, b in zip(sound, worn, strict=True):
        assert np.array_equal(a, b, equal_nan=True)


def test_intensifier_has_no_belt_and_no_bypass(intensifier: Intensifier, ruby: Jewel) -> None:
    for cause in (Cause.SLIP, Cause.BYPASS):
        with pytest.raises(ValueError, match="an intensifier has no"):
            logged(intensifier, ruby, Fault(cause, AT, 0.1))


# -- signals, noise, seeds


INTENSIFIER_ONLY = {"oil_pressure", "left_stroke_time", "right_stroke_time", "stroke_count"}
DRIVE_ONLY = {"rate", "motor_speed", "motor_torque", "bypass_temperature"}


def known(samples: Samples) -> set[str]:
    return {name for name in Samples._fields if not np.all(np.isnan(getattr(samples, name)))}


def test_full_signals_are_those_of_the_kind_of_pump(
    intensifier: Intensifier, direct_drive: DirectDrive, ruby: Jewel, diamond: Jewel
) -> None:
    every = set(Samples._fields) - {"open_heads"}  # one head, one valve
    assert known(logged(intensifier, ruby)) == every - DRIVE_ONLY
    assert known(logged(direct_drive, diamond)) == every - INTENSIFIER_ONLY


def test_full_signals_leave_the_minimal_ones_as_they_were(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    full, minimal = logged(intensifier, ruby), logged(intensifier, ruby, signals="minimal")
    assert known(minimal) == {"time_ns", "pressure", "stroke_count", "temperature"}
    for name in known(minimal):
        a, b = getattr(full, name), getattr(minimal, name)
        # only with all signals does a reading below zero show as such
        a = np.maximum(a, 0.0) if name == "pressure" else a
        assert np.array_equal(a, b, equal_nan=True)


def test_faults_of_all_kinds_at_once_give_the_same_day_again(
    direct_drive: DirectDrive, diamond: Jewel
) -> None:
    faults = [Fault(cause, AT + dt.timedelta(minutes=i), 0.04) for i, cause in enumerate(Cause)]
    changes = {"chips": (Chip(AT, 0.02, 0.02),), "wear_per_hour": 0.001}
    noise = Noise(1e6, degrees=4.0, correlation=0.5, ripple=1e6)
    a, b = (logged(direct_drive, diamond, *faults, noise=noise, **changes) for _ in range(2))
    for one, other in zip(a, b, strict=True):
        assert np.array_equal(one, other, equal_nan=True)
    assert known(a) == set(Samples._fields) - INTENSIFIER_ONLY - {"open_heads"}


def test_readings_are_as_noisy_as_asked(direct_drive: DirectDrive, diamond: Jewel) -> None:
    """Kurtosis of Student's t with six degrees of freedom: 3 + 6/(6 - 4)."""
    noise = Noise(1e6, degrees=6.0, pressure_step=1e5, rate_step=1 / 60)
    seen = logged(direct_drive, diamond, noise=noise)
    sound = logged(direct_drive, diamond, noise=Noise(0.0))
    rows = sound.pressure > 300e6
    error = seen.pressure[rows] - sound.pressure[rows]
    error = error[np.isfinite(error)]
    assert np.std(error) == pytest.approx(1e6, rel=0.05)
    assert np.mean((error / np.std(error)) ** 4) > 4.0
    finite = seen.pressure[np.isfinite(seen.pressure)]
    assert np.allclose(finite / 1e5, np.round(finite / 1e5), atol=1e-6)
    assert np.allclose(seen.rate * 60.0, np.round(seen.rate * 60.0), atol=1e-6)
    colored = logged(direct_drive, diamond, noise=Noise(1e6, correlation=0.6))
    error = (colored.pressure - sound.pressure)[rows]
    pairs = np.isfinite(error[1:] * error[:-1])
    assert np.corrcoef(error[1:][pairs], error[:-1][pairs])[0, 1] == pytest.approx(0.6, abs=0.05)


def test_brittle_plates_are_pierced_for_longer_and_water_may_swing(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    day = logged(intensifier, ruby, pierce_seconds=(15.0, 30.0), temperature_swing=10.0)
    low = (day.valve == 1.0) & (day.pressure < 0.6 * SET)
    usual = logged(intensifier, ruby)
    before = (usual.valve == 1.0) & (usual.pressure < 0.6 * SET)
    assert np.mean(low) > 2.0 * np.mean(before)
    assert np.ptp(day.temperature) > 10.0


def test_other_signals_wander_by_themselves_over_hours(
    direct_drive: DirectDrive, diamond: Jewel
) -> None:
    noise = Noise(1e6)
    kept = logged(direct_drive, diamond, signals="full", noise=noise)
    stray = logged(
        direct_drive, diamond, signals="full", noise=dataclasses.replace(noise, wander=1.0)
    )
    for name in Samples._fields:
        before, after = getattr(kept, name), getattr(stray, name)
        if name not in WANDER or not np.isfinite(before).any():
            np.testing.assert_array_equal(after, before)
            continue
        on = before > 0.0
        by = after[on] - before[on] if "temperature" in name else after[on] / before[on] - 1.0
        assert 0.0 < np.std(by) < 2.0 * WANDER[name]
        assert np.max(np.abs(by)) < 5.0 * WANDER[name]
        # slowly: from one minute to the next it is all but the same
        assert np.std(by[60:] - by[:-60]) < 0.3 * WANDER[name]

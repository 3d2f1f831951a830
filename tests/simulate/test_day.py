"""The virtual pump keeps the water's balance and does what the invented day says."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest

from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, delivered_mass, event_rate
from borewarden.physics.water import density
from borewarden.simulate.day import Chip, Day, log_day
from borewarden.simulate.plant import STEP, Course, Plant, run_plant

DAY = Day(dt.date(2026, 3, 3), 1, 5, "Europe/Vienna", 0.65)


def steady_course(n: int, area: float, speed: float) -> Course:
    on = np.ones(n, dtype=bool)
    return Course(
        on, np.full(n, 380e6), np.full(n, speed), on, np.full(n, area), np.full(n, 293.15)
    )


def test_intensifier_strokes_at_the_rate_that_the_physics_expects(
    intensifier: Intensifier,
) -> None:
    area = 0.65 * float(bore_area(0.254e-3))
    n = round(1800 / STEP)
    run = run_plant(Plant(True, intensifier.displacement, 1.0), steady_course(n, area, 0.0))
    pressure, count = run.pressure, run.strokes
    late = slice(n // 2, None)
    expected = np.mean(event_rate(intensifier.displacement, area, pressure[late], 293.15))
    seen = (count[-1] - count[n // 2]) / (1800 / 2)
    # 30 minutes at some 22 strokes a minute: one stroke is 0.3 % of the count
    assert seen == pytest.approx(expected, rel=5e-3)
    swing = (np.max(pressure[late]) - np.min(pressure[late])) / np.mean(pressure[late])
    assert 0.01 < swing < 0.1  # the pulsation of the reversals


def test_crank_pump_settles_at_the_expected_pressure(direct_drive: DirectDrive) -> None:
    area = 0.70 * float(bore_area(0.3048e-3))
    n = round(120 / STEP)
    run = run_plant(Plant(False, direct_drive.displacement, 8.4), steady_course(n, area, 8.4))
    assert run.pressure[-1] == pytest.approx(
        float(direct_drive.expected_pressure(area, 293.15, 8.4)), rel=1e-4
    )
    assert run.strokes[-1] == pytest.approx(8.4 * 120, rel=1e-6)


def test_dead_headed_pump_stands_still_and_loses_no_water(intensifier: Intensifier) -> None:
    n = round(300 / STEP)
    course = steady_course(n, 3e-8, 0.0)._replace(jet_open=np.zeros(n, dtype=bool))
    plant = Plant(True, intensifier.displacement, 1.0)
    run = run_plant(plant, course)
    pressure, count = run.pressure, run.strokes
    assert count[-1] == count[n // 2]
    held = plant.attenuator_volume * float(density(pressure[-1], 293.15) - density(0.0, 293.15))
    fed = (count[-1] + 1.0) * float(delivered_mass(plant.displacement, pressure[-1], 293.15))
    assert held < fed + 1.0e-3 * 20  # no more water is held than the strokes brought


def test_same_seed_same_day_other_seed_other_day(intensifier: Intensifier, ruby: Jewel) -> None:
    first, again = (log_day(DAY, intensifier, ruby) for _ in range(2))
    other = log_day(dataclasses.replace(DAY, seed=6), intensifier, ruby)
    for a, b in zip(first, again, strict=True):
        assert np.array_equal(a, b, equal_nan=True)
    assert not np.array_equal(first.pressure, other.pressure, equal_nan=True)


def test_day_has_the_untidiness_of_real_logs(intensifier: Intensifier, ruby: Jewel) -> None:
    samples = log_day(DAY, intensifier, ruby)
    assert np.all(np.diff(samples.time_ns) > 0)
    assert np.any(np.diff(samples.time_ns) > 10**9)  # lost rows
    assert 0 < np.isnan(samples.pressure).sum() < 0.01 * len(samples.pressure)
    assert np.all(np.diff(samples.stroke_count) >= 0)
    assert np.all(samples.stroke_count == np.floor(samples.stroke_count))


def test_chip_acts_through_edge_and_area() -> None:
    chip = Chip(dt.datetime(2026, 3, 3, 10), edge=0.05, area=0.03)
    assert chip.growth == pytest.approx(1.05 * 1.03 - 1.0)


def test_chip_raises_the_stroke_rate_by_its_growth(intensifier: Intensifier, ruby: Jewel) -> None:
    at = dt.datetime(2026, 3, 3, 10, 0)
    day = dataclasses.replace(DAY, logs_rate=True, chips=(Chip(at, 0.10, 0.10),))
    sound = log_day(dataclasses.replace(day, chips=()), intensifier, ruby)
    chipped = log_day(day, intensifier, ruby)
    at_ns = round(dt.datetime(2026, 3, 3, 9, tzinfo=dt.UTC).timestamp()) * 10**9
    before, after = chipped.time_ns < at_ns, chipped.time_ns > at_ns + 60 * 10**9
    cutting = sound.rate > 0.3
    ratio = chipped.rate / np.where(cutting, sound.rate, np.nan)
    assert np.nanmedian(ratio[before & cutting]) == pytest.approx(1.0, abs=1e-9)
    assert np.nanmedian(ratio[after & cutting]) == pytest.approx(1.21, rel=0.02)

"""Injected chips beside truly simulated ones, and what has to stay as it was logged."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.physics.pump import DirectDrive, area_of_rate, event_rate
from borewarden.simulate.day import Chip
from borewarden.tune.days import Wanted, injected
from borewarden.tune.inject import inject, jet_on
from borewarden.tune.outcome import QUIET
from invented_days import logged, machine_of, shop_of
from steady import steady_samples

AREA = 3.3e-8  # m²
ON = 400


def alarm_and_step(name: str, samples: Samples) -> tuple[int, float]:
    """Time of the first alarm, and the step as it is known at the end."""
    watcher = machine_of(name).build_watcher()
    alerts = [a for a in watcher.learn_many(samples).alerts if a.verdict.state not in QUIET]
    assert alerts
    return alerts[0].time_ns, watcher.verdict().step


@pytest.mark.parametrize("name", ["north", "west", "south"])
def test_an_injected_chip_looks_like_a_truly_simulated_one(name: str) -> None:
    """Stroke counter, stroke rate, and a crank pump whose pressure floats."""
    zone = ZoneInfo(machine_of(name).time_zone)
    steps, delays = [], []
    for seed in range(6):
        sound = logged(name, seed=seed)
        shop = shop_of(name, sound, Wanted(chips=1, wears=0, seed=seed))
        (trial,) = shop.trials
        onset_ns = int(sound.time_ns[trial.onset])
        at = dt.datetime.fromtimestamp(onset_ns / 1e9, zone).replace(tzinfo=None)
        true = logged(name, seed=seed, chips=(Chip(at, 0.0, 0.08),))
        assert np.array_equal(true.time_ns, sound.time_ns)
        tail = injected(shop, trial)
        ours = Samples._make(
            np.concatenate([a[: trial.onset], b]) for a, b in zip(sound, tail, strict=True)
        )
        found = [alarm_and_step(name, s) for s in (ours, rows(true, 0, trial.stop))]
        steps.append([step for _, step in found])
        delays.append([shop.jet_at(t) - shop.jet_at(onset_ns) for t, _ in found])
    step, delay = np.array(steps), np.array(delays)
    # the mean difference within three of its own standard errors, and small beside the noise
    apart = step[:, 0] - step[:, 1]
    assert abs(apart.mean()) < 3.0 * max(apart.std(ddof=1), 0.001) / len(apart) ** 0.5
    assert abs(apart.mean()) < 0.006
    # two batches at most: a controller's mean makes a ramp of what is injected as a jump
    assert abs(np.median(delay[:, 0]) - np.median(delay[:, 1])) < 45.0
    assert np.all(delay > 0.0)


def test_nothing_changes_without_growth_or_jet() -> None:
    for name in ("north", "west", "south"):
        samples = logged(name)
        shop = shop_of(name, samples)
        n = len(samples.time_ns)
        for on, growth in ((shop.on, np.zeros(n)), (np.zeros(n, dtype=bool), np.full(n, 0.1))):
            made = inject(samples, on, growth, shop.pump, shop.gate.stopped_pressure)
            for before, after in zip(samples, made, strict=True):
                assert np.array_equal(before, after, equal_nan=True)


def test_a_counter_gains_by_the_growth_and_only_while_the_jet_is_on(intensifier) -> None:
    samples = steady_samples(intensifier, np.full(3000, AREA))
    growth = np.where(np.arange(3000) < 1000, 0.0, 0.10)
    on = np.ones(3000, dtype=bool)
    made = inject(samples, on, growth, intensifier, 20e6).stroke_count
    assert np.array_equal(made[:1000], samples.stroke_count[:1000])
    gained = made[-1] - made[1000]
    was = samples.stroke_count[-1] - samples.stroke_count[1000]
    assert gained == pytest.approx(1.10 * was, abs=1.5)
    assert np.all(np.diff(made) >= 0.0)
    assert np.array_equal(made, np.round(made))


def test_a_counter_that_is_reset_is_reset_all_the_same(intensifier) -> None:
    samples = steady_samples(intensifier, np.full(2000, AREA))
    count = samples.stroke_count.copy()
    count[1200:] -= count[1199]
    on = np.ones(2000, dtype=bool)
    made = inject(samples._replace(stroke_count=count), on, np.full(2000, 0.1), intensifier, 20e6)
    back = np.flatnonzero(np.diff(made.stroke_count) < 0.0)
    assert back.tolist() == [1199]
    assert np.all(made.stroke_count >= 0.0)


def test_counts_of_two_strokes_stay_even(intensifier) -> None:
    samples = steady_samples(intensifier, np.full(2000, AREA))
    doubled = samples._replace(stroke_count=2.0 * np.floor(samples.stroke_count / 2.0))
    on = np.ones(2000, dtype=bool)
    made = inject(doubled, on, np.full(2000, 0.1), intensifier, 20e6, strokes_per_count=2.0)
    assert np.all(made.stroke_count % 2.0 == 0.0)
    gained = made.stroke_count[-1] - made.stroke_count[0]
    was = doubled.stroke_count[-1] - doubled.stroke_count[0]
    assert gained == pytest.approx(1.1 * was, abs=3.0)


def test_a_crank_pump_loses_the_pressure_that_the_larger_area_costs(direct_drive) -> None:
    """Incompressible: p as 1/A². Compression in pump and jet moves the exponent a little."""
    n = 200
    pressure = np.linspace(300e6, 400e6, n)
    samples = samples_of(
        np.arange(n) * 10**9, pressure=pressure, rate=np.full(n, 8.4), temperature=np.full(n, 293.0)
    )
    on = np.arange(n) >= 10
    made = inject(samples, on, np.full(n, 0.08), direct_drive, 20e6)
    assert np.array_equal(made.pressure[:10], pressure[:10])
    exponent = np.log(made.pressure / pressure) / np.log(1.08)
    assert np.all(np.diff(exponent[9:40]) < 0.0)  # it falls within seconds, not at once
    assert np.all(np.abs(exponent[60:] + 2.0) < 0.3)
    areas = [
        area_of_rate(direct_drive.displacement, 8.4, p[60:], 293.0)
        for p in (pressure, made.pressure)
    ]
    assert areas[1] / areas[0] == pytest.approx(1.08, rel=1e-4)


def test_a_drive_that_trims_the_speed_turns_faster_instead(direct_drive: DirectDrive) -> None:
    trimmed = replace(direct_drive, regulation="speed")
    rate = np.asarray(event_rate(trimmed.displacement, AREA, np.full(50, 350e6), 293.15))
    samples = samples_of(np.arange(50) * 10**9, pressure=np.full(50, 350e6), rate=rate)
    made = inject(samples, np.ones(50, dtype=bool), np.full(50, 0.08), trimmed, 20e6)
    assert made.rate == pytest.approx(1.08 * rate)
    assert np.array_equal(made.pressure, samples.pressure)
    with pytest.raises(ValueError, match="fast enough"):
        inject(samples, np.ones(50, dtype=bool), np.full(50, 2.0), trimmed, 20e6)


def test_what_a_bypass_hides_is_left_as_it_was(direct_drive: DirectDrive) -> None:
    spilling = replace(direct_drive, regulation="bypass")
    pressure = np.where(np.arange(60) % 2 == 0, 300e6, spilling.rated_pressure)
    samples = samples_of(np.arange(60) * 10**9, pressure=pressure, rate=np.full(60, 8.4))
    made = inject(samples, np.ones(60, dtype=bool), np.full(60, 0.08), spilling, 20e6)
    assert made.pressure[58] < 0.9 * pressure[58]
    assert np.array_equal(made.pressure[1::2], pressure[1::2])


def test_a_pump_that_would_overstroke_is_no_trial(intensifier) -> None:
    samples = steady_samples(intensifier, np.full(600, AREA), as_counter=False)
    with pytest.raises(ValueError, match="overstroke"):
        inject(samples, np.ones(600, dtype=bool), np.full(600, 2.0), intensifier, 20e6)


def test_unseen_samples_count_as_what_was_seen_before() -> None:
    phases = np.array([0, 5, 0, 2, 0, 1, 3], dtype=np.int8)
    assert jet_on(phases).tolist() == [False, True, True, False, False, False, True]

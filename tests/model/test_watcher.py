"""The whole model on one machine: baseline, verdicts, and block = stream to the last bit."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.model.baseline import Jewel, nearest_stock_bore, robust_noise, stated_area
from borewarden.model.bore import WatchSettings
from borewarden.model.gate import rows, samples_of
from borewarden.model.verdict import State
from borewarden.model.watcher import Alert, Watcher
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier
from conftest import gate_settings, steady_samples

HOUR = 3600


def areas_of(jewel: Jewel, c_d: float, growth: np.ndarray) -> np.ndarray:
    return c_d * float(bore_area(jewel.bore)) * (1.0 + growth)


def watch(
    pump: Intensifier | DirectDrive,
    jewels: list[Jewel],
    areas: np.ndarray,
    as_counter: bool = False,
    noise: float = 0.01,
    **watch_settings: float,
) -> tuple[Watcher, list[Alert]]:
    samples = steady_samples(pump, areas, as_counter=as_counter)
    if not as_counter:
        rng = np.random.default_rng(9)
        samples = samples._replace(rate=samples.rate * (1.0 + rng.normal(0, noise, len(areas))))
    watcher = Watcher(
        pump,
        gate_settings(pump, uses_counter=as_counter),
        jewels,
        WatchSettings(**watch_settings),
    )
    return watcher, watcher.learn_many(samples).alerts


def test_sound_jewel_stays_sound(intensifier: Intensifier, ruby: Jewel) -> None:
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.66, np.zeros(4 * HOUR)))
    verdict = watcher.verdict()
    assert alerts == []
    assert verdict.state is State.SOUND
    assert verdict.discharge_coefficient == pytest.approx(0.66, rel=2e-3)
    assert abs(verdict.bore - ruby.bore) < 2.0 * verdict.bore_sd
    assert verdict.rate_seen == pytest.approx(verdict.rate_expected, rel=5e-3)
    assert verdict.overstroke_margin == pytest.approx(1.0 - verdict.rate_seen / 1.0)
    assert verdict.hours_to_limit is not None
    assert verdict.hours_to_limit.high == np.inf


@pytest.mark.parametrize("as_counter", [True, False])
@pytest.mark.parametrize("step", [0.08, 0.15])
def test_chip_is_found_sized_and_dated(
    intensifier: Intensifier, ruby: Jewel, step: float, as_counter: bool
) -> None:
    growth = np.where(np.arange(3 * HOUR) < 2 * HOUR, 0.0, step)
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.64, growth), as_counter)
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    alert = alerts[0]
    assert 0 < alert.time_ns / 1e9 - 2 * HOUR < 180
    assert alert.verdict.probability > 0.95
    final = watcher.verdict()
    assert final.onset_ns is not None
    assert abs(final.onset_ns / 1e9 - 2 * HOUR) < 60
    # the fit covers some RECENT batches after the alarm
    assert abs(np.log1p(final.step) - np.log1p(step)) < 4.0 * final.step_sd + 0.005
    assert final.area_ratio == pytest.approx(1.0 + step, rel=0.02)
    assert final.bore / ruby.bore == pytest.approx((1.0 + step) ** 0.5, rel=0.01)


def test_chip_on_a_crank_pump_shows_as_lost_pressure(direct_drive: DirectDrive) -> None:
    jewel = Jewel(0.3048e-3, "diamond", 0)
    area = areas_of(jewel, 0.7, np.where(np.arange(2 * HOUR) < HOUR, 0.0, 0.08))
    pressures = np.asarray(
        direct_drive.expected_pressure(np.array([area[0], area[-1]]), 293.15, 8.4)
    )
    n = len(area)
    rng = np.random.default_rng(2)
    samples = samples_of(
        (np.arange(1, n + 1) * 10**9).astype(np.int64),
        pressure=np.where(np.arange(n) < HOUR, pressures[0], pressures[1]) + rng.normal(0, 2e6, n),
        rate=np.full(n, 8.4),
    )
    watcher = Watcher(direct_drive, gate_settings(direct_drive), [jewel])
    alerts = watcher.learn_many(samples).alerts
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    assert 0 < alerts[0].time_ns / 1e9 - HOUR < 180
    verdict = watcher.verdict()
    assert verdict.overstroke_margin is None
    assert verdict.pressure_seen == pytest.approx(pressures[1], rel=2e-3)
    assert verdict.pressure_expected == pytest.approx(pressures[0], rel=2e-3)


def test_slow_wear_is_reported_before_its_limit(intensifier: Intensifier, ruby: Jewel) -> None:
    growth = 0.004 * np.arange(26 * HOUR) / HOUR
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.65, growth))
    assert [alert.verdict.state for alert in alerts] == [State.WEARING, State.OPENED]
    wearing, worn = alerts
    assert 0.02 < 0.004 * wearing.time_ns / 1e9 / HOUR < 0.05
    left = wearing.verdict.hours_to_limit
    assert left is not None
    assert left.low < (20.0 - wearing.time_ns / 1e9 / HOUR) < left.high
    assert worn.time_ns / 1e9 / HOUR == pytest.approx(20.0, abs=1.5)
    assert "worn to the limit" in worn.verdict.reason
    assert watcher.verdict().slope_per_hour == pytest.approx(0.004, rel=0.1)


@pytest.mark.parametrize("wrong", [0.011, 0.009])
def test_wrong_bore_is_said_not_learned(
    intensifier: Intensifier, ruby: Jewel, wrong: float
) -> None:
    fitted = dataclasses.replace(ruby, bore=wrong * 0.0254)
    _, alerts = watch(intensifier, [ruby], areas_of(fitted, 0.65, np.zeros(HOUR)))
    assert [alert.verdict.state for alert in alerts] == [State.NOT_STATED_BORE]
    assert f"({wrong:.3f} in)" in alerts[0].verdict.reason


def test_second_head_is_not_blamed_on_the_jewel(intensifier: Intensifier, ruby: Jewel) -> None:
    growth = np.where(np.arange(2 * HOUR) < HOUR, 0.0, 1.0)
    _, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.65, growth))
    assert [alert.verdict.state for alert in alerts] == [State.CANNOT_TELL]
    assert "second head" in alerts[0].verdict.reason


def test_lost_area_is_not_an_opened_bore_and_may_come_back(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    growth = np.zeros(3 * HOUR)
    growth[HOUR : 2 * HOUR] = -0.1
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.65, growth))
    assert [alert.verdict.state for alert in alerts] == [State.CANNOT_TELL, State.SOUND]
    assert alerts[1].is_all_clear
    assert "fell by" in alerts[0].verdict.reason
    assert watcher.verdict().onset_ns is None


def test_new_jewel_starts_a_new_baseline(intensifier: Intensifier, ruby: Jewel) -> None:
    growth = np.where(np.arange(3 * HOUR) < HOUR, 0.0, 0.1)
    changed = dataclasses.replace(ruby, fitted_ns=2 * HOUR * 10**9)
    areas = areas_of(ruby, 0.64, growth)
    areas[2 * HOUR :] = areas_of(ruby, 0.67, np.zeros(HOUR))
    watcher, alerts = watch(intensifier, [ruby, changed], areas)
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    verdict = watcher.verdict()
    assert verdict.state is State.SOUND
    assert verdict.discharge_coefficient == pytest.approx(0.67, rel=3e-3)
    assert verdict.jet_hours == pytest.approx(1.0, abs=0.02)


def test_given_discharge_coefficient_is_the_baseline(intensifier: Intensifier, ruby: Jewel) -> None:
    known = dataclasses.replace(ruby, discharge_coefficient=0.63, jet_hours=12.5)
    watcher, alerts = watch(
        intensifier, [known], areas_of(ruby, 0.63, np.full(HOUR, 0.10)), noise=0.02
    )
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    assert watcher.verdict().jet_hours == pytest.approx(13.5, abs=0.02)


def test_heads_in_parallel_add_their_areas(ruby: Jewel) -> None:
    pump = Intensifier(0.022, 0.2, 8e-6, 20.0, 2.0, 400e6, 74e3)
    second = dataclasses.replace(ruby, head="2")
    watcher, alerts = watch(pump, [ruby, second], 2.0 * areas_of(ruby, 0.65, np.zeros(HOUR)))
    assert alerts == []
    assert watcher.verdict().nominal_bore == pytest.approx(2**0.5 * ruby.bore)
    assert stated_area([ruby, second]) == pytest.approx(2.0 * ruby.nominal_area)


def test_spilling_bypass_hides_the_bore(direct_drive: DirectDrive) -> None:
    jewel = Jewel(0.254e-3, "ruby", 0)
    samples = steady_samples(
        direct_drive, areas_of(jewel, 0.65, np.zeros(HOUR)), pressure=410e6, as_counter=False
    )
    gate = gate_settings(direct_drive, bypass_pressure=405e6)
    watcher = Watcher(direct_drive, gate, [jewel])
    assert watcher.learn_many(samples).alerts == []
    assert watcher.verdict().state is State.CANNOT_TELL
    assert "bypass" in watcher.verdict().reason


def test_no_jewel_is_an_error(intensifier: Intensifier) -> None:
    with pytest.raises(ValueError, match="at least one fitted jewel"):
        Watcher(intensifier, gate_settings(intensifier), [])


def test_noise_scale_allows_for_autocorrelation() -> None:
    """AR(1) with r = 0.5: the long-run scale is sqrt(3) times the plain one (Bayley & Hammersley
    1946)."""
    rng = np.random.default_rng(12)
    plain, long_run = [], []
    for _ in range(100):
        e = rng.normal(0.0, 1.0, 400)
        x = np.zeros(400)
        for i in range(1, 400):
            x[i] = 0.5 * x[i - 1] + e[i]
        noise = robust_noise(x, 0.0)
        long_run.append(noise.sigma)
        plain.append(np.std(x))
    assert np.mean(long_run) / np.mean(plain) == pytest.approx(3**0.5, rel=0.08)


def test_noise_scale_shrugs_off_outliers() -> None:
    x = np.random.default_rng(13).normal(0.0, 0.01, 200)
    x[::40] += 1.0
    assert robust_noise(x, 0.0).sigma == pytest.approx(0.01, rel=0.3)


def test_nearest_stock_bore() -> None:
    area = 0.65 * float(bore_area(0.0119 * 0.0254))
    assert nearest_stock_bore(area, 0.65) == pytest.approx(0.012 * 0.0254)


@settings(max_examples=15, deadline=None)
@given(cuts=st.lists(st.integers(0, 2 * HOUR), max_size=40))
def test_stream_and_block_agree_to_the_last_bit(cuts: list[int]) -> None:
    pump = Intensifier(0.022, 0.2, 8e-6, 20.0, 1.0, 400e6, 37e3)
    ruby = Jewel(0.254e-3, "ruby", 0)
    later = dataclasses.replace(ruby, fitted_ns=5000 * 10**9)
    growth = np.where(np.arange(2 * HOUR) < HOUR, 0.0, 0.09)
    samples = steady_samples(pump, areas_of(ruby, 0.65, growth), pulsation=0.03)
    block = Watcher(pump, gate_settings(pump), [ruby, later])
    whole = block.learn_many(samples)
    stream = Watcher(pump, gate_settings(pump), [ruby, later])
    edges = [0, *sorted(cuts), 2 * HOUR]
    parts = [stream.learn_many(rows(samples, a, b)) for a, b in pairwise(edges)]
    assert np.array_equal(np.concatenate([part.phases for part in parts]), whole.phases)
    assert repr([b for part in parts for b in part.batches]) == repr(whole.batches)
    assert repr([a for part in parts for a in part.alerts]) == repr(whole.alerts)
    assert repr(stream.verdict()) == repr(block.verdict())
    assert len(whole.alerts) == 1


def test_one_sample_at_a_time_is_the_same_too(intensifier: Intensifier, ruby: Jewel) -> None:
    growth = np.where(np.arange(HOUR) < 2000, 0.0, 0.2)
    samples = steady_samples(intensifier, areas_of(ruby, 0.65, growth))
    block = Watcher(intensifier, gate_settings(intensifier), [ruby])
    whole = block.learn_many(samples)
    stream = Watcher(intensifier, gate_settings(intensifier), [ruby])
    alerts = []
    for i in range(HOUR):
        alerts += stream.learn_one(
            int(samples.time_ns[i]),
            pressure=float(samples.pressure[i]),
            stroke_count=float(samples.stroke_count[i]),
        ).alerts
    assert repr(alerts) == repr(whole.alerts)
    assert repr(stream.verdict()) == repr(block.verdict())

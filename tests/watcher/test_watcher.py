"""The whole model on one machine: baseline, verdicts, and block = stream to the last bit."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.detect.baseline import robust_noise
from borewarden.diagnose.causes import Cause
from borewarden.jewels.jewel import Jewel, nearest_stock_bore, stated_area
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier
from borewarden.simulate.day import log_day
from borewarden.simulate.draw import draw_day
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State, is_of_then
from borewarden.watcher.watcher import Alert, Watcher, join
from borewarden.watcher.weighing import LASTS
from steady import gate_settings, steady_samples

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
    # pressure and rate alone can't tell a bore from a leak or starved feed
    assert 0.7 < alert.verdict.probability < 0.99
    # what was before the onset is in none of its figures, though it is among the newest batches
    assert alert.verdict.area_ratio == pytest.approx(1.0 + alert.verdict.step, abs=0.01)
    assert alert.verdict.hours_to_limit is None
    final = watcher.verdict()
    assert final.causes[0].cause is Cause.BORE
    # and stays so while the area stays where it went
    assert final.probability == pytest.approx(final.causes[0].probability, rel=1e-3)
    assert final.check
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
        valve=np.ones(n),  # else a jet that never closes is told once two hours were seen
    )
    watcher = Watcher(direct_drive, gate_settings(direct_drive), [jewel])
    alerts = watcher.learn_many(samples).alerts
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    assert 0 < alerts[0].time_ns / 1e9 - HOUR < 180
    verdict = watcher.verdict()
    # a name plate that is off is more so at another pressure
    assert 0.07 * verdict.step < verdict.step_sd < 0.15 * verdict.step
    assert verdict.bore_sd > 0.5 * verdict.bore * 0.07 * verdict.step
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
    assert [alert.verdict.state for alert in alerts] == [State.OTHER_FAULT]
    assert alerts[0].verdict.causes[0].cause is Cause.SECOND_HEAD
    assert "second head" in alerts[0].verdict.reason


def test_lost_area_is_not_an_opened_bore_and_may_come_back(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    growth = np.zeros(3 * HOUR)
    growth[HOUR : 2 * HOUR] = -0.1
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.65, growth))
    assert [alert.verdict.state for alert in alerts] == [State.OTHER_FAULT, State.SOUND]
    assert alerts[0].verdict.causes[0].cause is Cause.BLOCKED
    assert alerts[1].is_all_clear
    assert "effective area down in one step" in alerts[0].verdict.reason
    assert alerts[0].verdict.step == pytest.approx(np.expm1(-0.1), abs=0.005)
    assert alerts[0].time_ns > (HOUR + LASTS * 10) * 10**9  # what is blocked can wait
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


def test_hours_add_up_over_jewels_and_the_next_one_is_known_beforehand(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    """An hour each, of which ten minutes and five were not logged."""
    second = 10**9
    later = dataclasses.replace(ruby, fitted_ns=HOUR * second, jet_hours=2.0)
    watcher = Watcher(intensifier, gate_settings(intensifier), [ruby, later])
    for time_ns, expected in ((0, ruby), (HOUR * second - 1, ruby), (HOUR * second, later)):
        assert watcher.expected_at(time_ns) == [expected]
    watcher.begin_with({ruby: 7.0})
    samples = steady_samples(intensifier, areas_of(ruby, 0.65, np.zeros(2 * HOUR)))
    for start, stop in ((0, 1000), (1600, 5000), (5300, 2 * HOUR)):
        watcher.learn_many(rows(samples, start, stop))
        if stop == 1000:
            assert watcher.head_hours == {"1": pytest.approx(7.0 + 1000 / HOUR, abs=0.01)}
    assert watcher.missed_hours == pytest.approx(900 / HOUR, abs=0.01)
    assert watcher.jet_hours == pytest.approx(2.0 - 900 / HOUR, abs=0.02)
    assert watcher.head_hours == {"1": pytest.approx(2.0 + 3300 / HOUR, abs=0.01)}
    (known,) = watcher.known()
    assert known.jet_hours == pytest.approx(3300 / HOUR, abs=0.01)  # of learning


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
        noise = robust_noise(x, np.zeros(len(x)))
        long_run.append(noise.sigma)
        plain.append(np.std(x))
    assert np.mean(long_run) / np.mean(plain) == pytest.approx(3**0.5, rel=0.08)


def test_noise_scale_shrugs_off_outliers() -> None:
    x = np.random.default_rng(13).normal(0.0, 0.01, 200)
    x[::40] += 1.0
    assert robust_noise(x, np.zeros(len(x))).sigma == pytest.approx(0.01, rel=0.3)


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
    assert np.concatenate([part.batches for part in parts]).tobytes() == whole.batches.tobytes()
    assert repr([a for part in parts for a in part.alerts]) == repr(whole.alerts)
    assert repr(stream.verdict()) == repr(block.verdict())
    assert len(whole.alerts) == 1


def test_one_sample_at_a_time_is_the_same_too(intensifier: Intensifier, ruby: Jewel) -> None:
    growth = np.where(np.arange(HOUR) < 2000, 0.0, 0.2)
    samples = steady_samples(intensifier, areas_of(ruby, 0.65, growth))
    block = Watcher(intensifier, gate_settings(intensifier), [ruby])
    whole = block.learn_many(samples)
    stream = Watcher(intensifier, gate_settings(intensifier), [ruby])
    parts = [
        stream.learn_one(
            int(samples.time_ns[i]),
            pressure=float(samples.pressure[i]),
            stroke_count=float(samples.stroke_count[i]),
        )
        for i in range(HOUR)
    ]
    streamed = join(parts)
    assert repr(streamed.alerts) == repr(whole.alerts)
    assert streamed.batches.tobytes() == whole.batches.tobytes()
    assert np.array_equal(streamed.phases, whole.phases)
    assert repr(stream.verdict()) == repr(block.verdict())


# -- untimely chips, wear, and what must not be learned as normal


@pytest.mark.parametrize("as_counter", [True, False])
@pytest.mark.parametrize("c_d", [0.63, 0.64])
@pytest.mark.parametrize("at", [300, 450])
def test_chip_within_the_first_ten_minutes_is_found(
    intensifier: Intensifier, ruby: Jewel, at: int, c_d: float, as_counter: bool
) -> None:
    growth = np.where(np.arange(HOUR) < at, 0.0, 0.10)
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, c_d, growth), as_counter)
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    verdict = watcher.verdict()
    assert verdict.discharge_coefficient == pytest.approx(c_d, rel=0.01)
    assert verdict.onset_ns is not None
    assert abs(verdict.onset_ns / 1e9 - at) < 60
    assert verdict.step == pytest.approx(0.10, abs=0.015)


def test_chip_during_wear_is_a_step_of_its_own(intensifier: Intensifier, ruby: Jewel) -> None:
    hours = np.arange(9 * HOUR) / HOUR
    growth = 0.004 * hours + np.where(hours < 8.0, 0.0, 0.10)
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.64, growth))
    assert [alert.verdict.state for alert in alerts] == [State.WEARING, State.OPENED]
    assert 0 < alerts[1].time_ns / 1e9 - 8 * HOUR < 180
    verdict = watcher.verdict()
    assert verdict.onset_ns is not None
    assert abs(verdict.onset_ns / 1e9 - 8 * HOUR) < 60
    # of the area before it, which wear had grown already
    assert verdict.step == pytest.approx(0.10 / 1.032, abs=0.01)
    assert verdict.area_ratio == pytest.approx(1.135, abs=0.01)


def test_wear_after_a_blocking_that_stays_is_told_at_its_limit(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    hours = np.arange(12 * HOUR) / HOUR
    growth = np.where(hours < 2.0, 0.0, -0.08 + 0.02 * (hours - 2.0))
    _, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.64, growth))
    assert [alert.verdict.state for alert in alerts] == [State.OTHER_FAULT, State.OPENED]
    # +8 % over the baseline after ten hours
    assert alerts[1].time_ns / 1e9 / HOUR == pytest.approx(10.0, abs=1.0)
    assert "worn to the limit" in alerts[1].verdict.reason


def test_wear_after_a_chip_leaves_it_opened(intensifier: Intensifier, ruby: Jewel) -> None:
    hours = np.arange(8 * HOUR) / HOUR
    growth = np.where(hours < 2.0, 0.0, 0.05 + 0.006 * (hours - 2.0))
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.64, growth))
    assert [alert.verdict.state for alert in alerts] == [State.OPENED]
    verdict = watcher.verdict()
    assert verdict.state is State.OPENED
    assert verdict.slope_per_hour == pytest.approx(0.006 / 1.07, rel=0.3)
    assert verdict.area_ratio == pytest.approx(1.086, abs=0.01)


def stopped_between(samples: Samples, start: int, stop: int) -> Samples:
    pressure, rate = samples.pressure.copy(), samples.rate.copy()
    pressure[start:stop], rate[start:stop] = 0.0, 0.0
    return samples._replace(pressure=pressure, rate=rate)


def test_jewel_changed_without_record_is_suspected_after_a_stop(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    """0.010 in out, 0.011 in in, during a stop of ten minutes: +21 % of area."""
    n = 2 * HOUR
    growth = np.where(np.arange(n) < HOUR, 0.0, 0.21)
    samples = steady_samples(intensifier, areas_of(ruby, 0.64, growth), as_counter=False)
    rng = np.random.default_rng(9)
    samples = samples._replace(rate=samples.rate * (1.0 + rng.normal(0.0, 0.01, n)))
    watcher = Watcher(intensifier, gate_settings(intensifier, uses_counter=False), [ruby])
    alerts = watcher.learn_many(stopped_between(samples, HOUR - 300, HOUR + 300)).alerts
    assert [alert.verdict.state for alert in alerts] == [State.OTHER_FAULT]
    verdict = watcher.verdict()
    assert verdict.causes[0].cause is Cause.OTHER_BORE
    assert "record" in verdict.check
    # the same growth while cutting is the bore's own
    watcher = Watcher(intensifier, gate_settings(intensifier, uses_counter=False), [ruby])
    watcher.learn_many(samples)
    assert watcher.verdict().causes[0].cause is not Cause.OTHER_BORE


def test_a_stop_alone_alarms_nobody(intensifier: Intensifier, ruby: Jewel) -> None:
    n = 2 * HOUR
    samples = steady_samples(intensifier, areas_of(ruby, 0.64, np.zeros(n)), as_counter=False)
    rng = np.random.default_rng(9)
    samples = samples._replace(rate=samples.rate * (1.0 + rng.normal(0.0, 0.01, n)))
    watcher = Watcher(intensifier, gate_settings(intensifier, uses_counter=False), [ruby])
    assert watcher.learn_many(stopped_between(samples, HOUR, HOUR + 900)).alerts == []
    assert watcher.verdict().state is State.SOUND


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_slow_fault_is_not_learned_as_normal(
    intensifier: Intensifier, ruby: Jewel, sign: float
) -> None:
    """Half a per cent an hour is less than the noise of a batch, and still adds up."""
    growth = sign * 0.005 * np.arange(10 * HOUR) / HOUR
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.64, growth), noise=0.03)
    assert alerts
    verdict = watcher.verdict()
    assert verdict.state is not State.SOUND
    assert verdict.area_ratio == pytest.approx(1.0 + growth[-1], abs=0.01)
    assert verdict.discharge_coefficient == pytest.approx(0.64, rel=0.01)


def test_noise_follows_within_bounds_and_the_level_never(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    n = 4 * HOUR
    samples = steady_samples(intensifier, areas_of(ruby, 0.64, np.zeros(n)), as_counter=False)
    rng = np.random.default_rng(9)
    noise = np.where(np.arange(n) < HOUR, 0.04, 0.06) * rng.standard_normal(n)
    samples = samples._replace(rate=samples.rate * np.exp(noise - 0.5 * np.var(noise[HOUR:])))
    watcher = Watcher(intensifier, gate_settings(intensifier, uses_counter=False), [ruby])
    watcher.learn_many(rows(samples, 0, HOUR))
    baseline = watcher.bore.baseline
    assert baseline is not None
    before = watcher.bore.monitor.detector.sigma
    watcher.learn_many(rows(samples, HOUR))
    assert watcher.bore.baseline == baseline
    after = watcher.bore.monitor.detector.sigma
    assert before < after <= 2.0 * baseline.noise.sigma * (1.0 + 1e-9)


def test_planned_second_head_that_the_valve_signal_counts_alarms_nobody(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    n = 3 * HOUR
    both = (np.arange(n) >= HOUR) & (np.arange(n) < 2 * HOUR)
    areas = areas_of(ruby, 0.64, np.where(both, 1.0, 0.0))
    samples = steady_samples(intensifier, areas, as_counter=False)
    rng = np.random.default_rng(9)
    samples = samples._replace(rate=samples.rate * (1.0 + rng.normal(0.0, 0.01, n)))
    told = []
    for valve in (1.0 + both, np.ones(n)):
        watcher = Watcher(intensifier, gate_settings(intensifier, uses_counter=False), [ruby])
        alerts = watcher.learn_many(samples._replace(valve=valve)).alerts
        told.append([alert.verdict.state for alert in alerts])
        assert watcher.verdict().state is State.SOUND
    assert told == [[], [State.OTHER_FAULT, State.SOUND]]


def test_cuts_too_short_to_judge_are_counted(intensifier: Intensifier, ruby: Jewel) -> None:
    n, since = 3 * HOUR, HOUR
    is_on = (np.arange(n) < since) | (np.arange(n) % 12 < 6)  # then cuts of 6 s
    samples = steady_samples(intensifier, areas_of(ruby, 0.64, np.zeros(n)) * is_on)
    watcher = Watcher(intensifier, gate_settings(intensifier), [ruby])
    samples = samples._replace(valve=is_on.astype(float))
    watcher.learn_many(rows(samples, 0, since))
    assert watcher.unjudged_hours == pytest.approx(0.0, abs=0.01)
    watcher.learn_many(rows(samples, since))
    assert watcher.unjudged_hours == pytest.approx(1.0, abs=0.02)
    assert watcher.verdict().state is State.SOUND
    assert is_of_then(watcher.verdict(), watcher.unjudged_hours)
    # whatever else went by is no judged jet
    assert watcher.verdict().judged_ns == pytest.approx(since * 1e9, abs=60e9)
    assert 0.9 < watcher.judged_hours <= 1.0


# -- days drawn at random, with all signals


DRAWN = {seed: draw_day(seed, signals="full") for seed in (3, 11, 20)}


def drawn_watcher(seed: int) -> tuple[Watcher, Samples]:
    drawn = DRAWN[seed]
    samples = log_day(drawn.day, drawn.pump, drawn.jewel)
    gate = gate_settings(drawn.pump, uses_counter=bool(np.any(np.isfinite(samples.stroke_count))))
    return Watcher(drawn.pump, gate, [drawn.jewel]), samples


@pytest.mark.parametrize("seed", DRAWN)
def test_any_split_of_a_drawn_day_gives_the_same_bits(seed: int) -> None:
    block, samples = drawn_watcher(seed)
    whole = block.learn_many(samples)
    n = len(samples.time_ns)

    @settings(max_examples=6, deadline=None, derandomize=True)
    @given(cuts=st.lists(st.integers(0, n), max_size=30))
    def split(cuts: list[int]) -> None:
        drawn = DRAWN[seed]
        stream = Watcher(drawn.pump, block._gate_settings, [drawn.jewel])
        edges = [0, *sorted(cuts), n]
        told = join([stream.learn_many(rows(samples, a, b)) for a, b in pairwise(edges)])
        assert np.array_equal(told.phases, whole.phases)
        assert told.batches.tobytes() == whole.batches.tobytes()
        assert repr(told.alerts) == repr(whole.alerts)
        assert repr(stream.verdict()) == repr(block.verdict())

    split()
    assert len(whole.batches) > 50


def test_every_alert_tells_numbers_also_where_the_detector_starts_anew(
    intensifier: Intensifier, ruby: Jewel
) -> None:
    gone = (np.arange(5 * HOUR) > 2 * HOUR) & (np.arange(5 * HOUR) < 3 * HOUR)
    watcher, alerts = watch(intensifier, [ruby], areas_of(ruby, 0.65, np.where(gone, 0.1, 0.0)))
    assert [alert.verdict.state for alert in alerts] == [State.OPENED, State.SOUND]
    for verdict in (*(alert.verdict for alert in alerts), watcher.verdict()):
        assert np.isfinite([verdict.bore, verdict.area_ratio, verdict.rate_seen]).all()

"""The step detector against published formulae, simulation, and a plain reckoning by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numba import njit
from numpy.typing import NDArray
from scipy import stats

from borewarden.detect.step import (
    COUNTED,
    EXCEEDED,
    RING,
    THREE,
    TWO,
    TWO_APART,
    WINDOW,
    average_run_length,
    clip,
    locate_step,
    mean_at,
    newest,
    overshoot_factor,
    put_at_one_pressure,
    threshold,
    weigh,
)

SIZES = np.log1p(np.array([0.03, 0.08, 0.2]))
SMALLEST = math.log1p(0.04)
# batches since an onset that is weighed, written out: by ones to 9, by twos to 17, by threes, ...
WEIGHED_LENGTHS = (
    *range(2, 10),
    *(11, 13, 15, 17),
    *(20, 23, 26),
    *(30, 34),
    *(39, 44, 50, 57, 65, 74, 84, 95, 107, 121, 137, 155, 175, 197, 222),
)


# -- run lengths and thresholds


@pytest.mark.parametrize("x", [0.01, 0.05, 0.1, 0.2])
def test_overshoot_is_siegmunds_exponential_for_small_x(x: float) -> None:
    # Siegmund (1985), "Sequential Analysis", ch. X (from memory): nu(x) = exp(-0.583 x) + o(x²);
    # 0.583 is -zeta(1/2)/sqrt(2 pi). The closed form is good to a per cent of it
    assert overshoot_factor(x) == pytest.approx(math.exp(-0.583 * x), rel=0.01)


@pytest.mark.parametrize("x", [0.5, 1.0, 2.0])
def test_overshoot_is_that_of_the_exact_series(x: float) -> None:
    # Siegmund (1985), ch. IV (from memory):
    # nu(x) = 2/x² exp(-2 sum over n of Phi(-x sqrt(n)/2) / n)
    n = np.arange(1, 5000)
    series = 2.0 / x**2 * math.exp(-2.0 * np.sum(stats.norm.cdf(-0.5 * x * n**0.5) / n))
    assert overshoot_factor(x) == pytest.approx(series, rel=0.03)


@njit
def plain_run_length(b: float, seed: int) -> int:  # pragma: no cover
    """Run length of the one-sided likelihood ratio over every onset, as it stands in the books."""
    np.random.seed(seed)
    values = np.zeros(20_000)
    for n in range(len(values)):
        values[n] = np.random.normal()
        total = 0.0
        for k in range(n + 1):
            total += values[n - k]
            if total > 0.0 and total * total >= b * b * (k + 1):
                return n + 1
    return len(values)


@pytest.mark.parametrize("run_length", [200.0, 500.0, 1000.0])
def test_threshold_gives_the_run_length_asked_for_in_simulation(run_length: float) -> None:
    b = math.sqrt(2.0 * threshold(run_length))
    assert average_run_length(b) == pytest.approx(run_length, rel=1e-6)
    lengths = [plain_run_length(b, seed) for seed in range(800)]
    ratio = np.mean(lengths) / run_length
    error = np.std(lengths) / len(lengths) ** 0.5 / run_length
    # an approximation for large thresholds: at these ones the integral over all x also counts
    # onsets less than one value ago, so that alarms are rarer than asked for. 1,500 runs each gave
    # ratios of 1.27 to 1.29 for run lengths from 200 to 2,000
    assert ratio > 1.0 - 3.0 * error
    assert ratio < 1.30 + 4.0 * error


def test_run_length_grows_with_the_threshold() -> None:
    lengths = [average_run_length(b) for b in (2.0, 3.0, 4.0, 5.0)]
    assert lengths == sorted(lengths)
    # exp(b²/2) / b and nothing else of b
    assert lengths[3] / lengths[2] == pytest.approx(math.exp(4.5) * 4.0 / 5.0)


def test_threshold_allows_for_an_estimated_scale() -> None:
    normal = threshold(1e4)
    of_t = [threshold(1e4, freedom) for freedom in (5.0, 20.0, 100.0, 1e6)]
    assert of_t == sorted(of_t, reverse=True)
    assert of_t[0] > 2.0 * normal
    assert of_t[-1] == pytest.approx(normal, rel=1e-4)
    tail = stats.t.sf(math.sqrt(2.0 * of_t[1]), 20.0)
    assert tail == pytest.approx(stats.norm.sf(math.sqrt(2.0 * normal)), rel=1e-6)


def test_senseless_run_length_is_refused() -> None:
    with pytest.raises(ValueError, match="every 20 batches"):
        threshold(20.0)
    assert threshold(50.0) > 0.0


# -- weighing


def ring_of(
    values: NDArray[np.float64],
    times: NDArray[np.float64] | float = 20.0,
    timing: NDArray[np.float64] | float = 0.0,
    shared: NDArray[np.float64] | float = 0.0,
    length: int | None = None,
) -> NDArray[np.void]:
    """A ring into which `values` were put one after the other; `length` of it, or just enough."""
    n = len(values)
    rows = np.zeros(n, dtype=RING)
    rows["value"] = rows["clipped"] = values
    rows["time"], rows["timing"], rows["shared"] = times, timing, shared
    rows["start_ns"] = np.arange(n) * 20 * 10**9
    rows["end_ns"] = rows["start_ns"] + 20 * 10**9
    ring = np.zeros(length or n, dtype=RING).view(np.recarray)
    for i in range(n):
        ring[i % len(ring)] = rows[i]
    return ring


def weighed_by_hand(
    rows: NDArray[np.void], sigma: float, level_sd: float
) -> tuple[float, float, float]:
    """The same as `weigh`, from the covariance matrix of the batches.

    Onsets two to nine batches back are each weighed, and those further back on a grid, whose
    spaces widen by one batch for each eight more. One stands for all back to the one before it.
    """
    n = len(rows)
    time, x = rows["time"], rows["clipped"]
    # covariance of value * time: neighbours share an edge, timed late for one, early for the other
    covariance = np.diag(sigma**2 * time**2 + rows["timing"])
    for i in range(1, n):
        covariance[i, i - 1] = covariance[i - 1, i] = -rows["shared"][i]
    up = down = odds = 0.0
    lengths = [length for length in WEIGHED_LENGTHS if length <= n]
    for length, shorter in zip(lengths, [1, *lengths], strict=False):
        late = slice(n - length, n)
        span = time[late].sum()
        mean = (x[late] * time[late]).sum() / span
        variance = covariance[late, late].sum() / span**2 + level_sd**2

        def gain(step: float, mean: float = mean, variance: float = variance) -> float:
            # log of the ratio of two normal densities
            spread = variance**0.5
            shifted, still = (stats.norm.logpdf(mean, m, spread) for m in (step, 0.0))
            return float(shifted - still)

        up = max(up, gain(max(mean, SMALLEST)))
        down = max(down, gain(min(mean, -SMALLEST)))
        told = np.mean([np.exp(min(gain(size), 60.0)) for size in SIZES])
        odds += (length - shorter) * told
    return up, down, odds


@pytest.mark.parametrize(("seed", "n"), [(0, 30), (1, 30), (2, 31), (3, 33), (4, 30), (5, 240)])
def test_weighing_is_that_of_the_covariance_matrix(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(0.0, 0.02, n) + 0.03 * (np.arange(n) > n - 8) * rng.choice([-1.0, 1.0])
    shared = rng.choice([0.0, 0.08], n)
    timing = shared + np.roll(shared, -1) + 0.03
    ring = ring_of(values, rng.uniform(15.0, 30.0, n), timing, shared)
    found = weigh(ring, n, 0.01, 0.005, SMALLEST, SIZES)
    assert found == pytest.approx(weighed_by_hand(ring, 0.01, 0.005), rel=1e-9, abs=1e-12)


def test_mean_at_a_pressure_is_that_of_the_batches_there() -> None:
    values, x = np.array([0.0, 0.0, 0.012, 0.016, 0.011]), np.array([0.0, 0.0, 0.3, 0.31, 0.3])
    ring = ring_of(values, timing=0.02)
    ring["operating"] = x
    mean, variance = mean_at(ring, 5, 5, 0.003, 0.3)
    assert mean == pytest.approx(0.013)
    assert variance == pytest.approx((0.003**2 + 0.02 / 20.0**2) / 3.0)
    assert mean_at(ring, 4, 4, 0.003, 0.3) == (0.0, 0.0)  # two are too few to tell


def test_grid_of_onsets_loses_little_wherever_the_step_began() -> None:
    """Of n batches of size s, an onset k back tells s² min(k, n)² / (2 sigma² k).

    That is k/n or n/k of what n itself tells. At worst n = 10 lies between 9 and 11, so that the
    better of 9/10 and 10/11 is left: plain arithmetic.
    """
    sigma, size, before = 0.05, 0.08, 40
    left = []
    for n in range(2, WINDOW - before):
        values = np.repeat([0.0, size], [before, n])
        up, down, odds = weigh(ring_of(values), len(values), sigma, 0.0, SMALLEST, SIZES)
        every = 0.5 * n * (size / sigma) ** 2
        near = [k for k in WEIGHED_LENGTHS if k <= before + n]
        assert up / every == pytest.approx(max(min(k / n, n / k) for k in near), rel=1e-9)
        assert down == 0.0
        assert odds > 0.0
        left.append(up / every)
    assert min(left) == pytest.approx(10.0 / 11.0)
    assert np.mean(left) > 0.96


def test_only_what_is_in_the_ring_is_weighed() -> None:
    values = np.random.default_rng(7).normal(0.01, 0.02, 70)
    ring = ring_of(values, length=25)
    found = weigh(ring, 70, 0.02, 0.005, SMALLEST, SIZES)
    late = ring_of(values[-25:])
    assert found == pytest.approx(weigh(late, 25, 0.02, 0.005, SMALLEST, SIZES), rel=1e-12)
    assert newest(ring, 70)["value"].tolist() == values[-25:].tolist()
    assert newest(ring_of(values, length=WINDOW), 70)["value"].tolist() == values.tolist()


def test_edges_that_batches_share_cancel() -> None:
    """Nine batches of one run are timed at two ends only: 2 e², not 18 e² (plain arithmetic)."""
    e, n = 1.0 / 12.0, 9  # each onset so near is weighed
    shared = np.where(np.arange(n) > 0, e, 0.0)
    joined = ring_of(np.full(n, 0.05), 20.0, 2.0 * e, shared)
    apart = ring_of(np.full(n, 0.05), 20.0, 2.0 * e, 0.0)
    tiny = 1e-9
    up = weigh(joined, n, tiny, 0.0, SMALLEST, SIZES)[0]
    assert up == pytest.approx(0.5 * 0.05**2 * (180.0**2 / (2.0 * e)), rel=1e-6)
    assert up == pytest.approx(n * weigh(apart, n, tiny, 0.0, SMALLEST, SIZES)[0], rel=1e-6)


@pytest.mark.parametrize("x", [-0.3, 0.2])
def test_what_pressure_does_comes_off_a_step_and_leaves_it_less_sure(x: float) -> None:
    """Variance of level + slope x is var + 2 x cov + x² var(slope): JCGM 100:2008, eq. 13."""
    ring = ring_of(np.array([0.07, 0.08]))
    ring["operating"] = x
    slope, slope_sd, covariance, level_sd, sigma = 0.05, 0.03, 1e-4, 0.01, 0.02
    up, down, _ = weigh(
        ring, 2, sigma, level_sd, SMALLEST, SIZES, WINDOW, slope, covariance, slope_sd**2
    )
    mean = 0.075 - slope * x
    variance = sigma**2 / 2.0 + level_sd**2 + 2.0 * x * covariance + (x * slope_sd) ** 2
    assert up == pytest.approx(0.5 * mean**2 / variance)
    assert down == 0.0
    put_at_one_pressure(ring, slope)
    assert ring["value"] == pytest.approx([0.07 - slope * x, 0.08 - slope * x])
    assert not np.any(ring["operating"])


def test_one_batch_alone_says_nothing() -> None:
    ring = ring_of(np.array([5.0]), length=10)
    assert weigh(ring, 1, 0.01, 0.005, SMALLEST, SIZES) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("wild", [0.1, 1.0, 1e6])
@pytest.mark.parametrize("level_sd", [0.0, 0.005, 0.02])
def test_one_wild_batch_can_not_alarm_but_two_can(
    sign: float, wild: float, level_sd: float
) -> None:
    sigma, h = 0.01, threshold(1e5)

    def alarms(values: list[float]) -> bool:
        kept = [
            clip(value, 0.5 * sigma**2 + level_sd**2, EXCEEDED[TWO] * h, SMALLEST)
            for value in values
        ]
        up, down, _ = weigh(ring_of(np.array(kept)), len(kept), sigma, level_sd, SMALLEST, SIZES)
        return bool((up if sign > 0.0 else down) >= h)

    quiet = [0.0] * 20
    assert not alarms([*quiet, sign * wild])
    assert not alarms([*quiet, sign * wild, 0.0])
    assert not alarms([0.0, sign * wild, *quiet])
    large = max(wild, 0.3)
    assert alarms([*quiet, sign * large, sign * large])


@pytest.mark.parametrize("level_sd", [0.0, 0.0025, 0.005])
@pytest.mark.parametrize("sigma", [0.001, 0.003, 0.01, 0.02])
def test_where_things_jump_three_have_to_agree_or_two_apart(sigma: float, level_sd: float) -> None:
    """What jumps for as long as a batch lies in two of them, the one apart from what was before."""
    h = threshold(1e5)

    def told(agree: list[int], value: float) -> float:
        kept = [
            clip(value, sigma**2 / COUNTED[each] + level_sd**2, EXCEEDED[each] * h, SMALLEST)
            for each in agree
        ]
        values = np.array([*[0.0] * 20, *kept])
        up, _, _ = weigh(ring_of(values), len(values), sigma, level_sd, SMALLEST, SIZES)
        return float(up)

    assert told([THREE] * 3, 1.0) >= h
    assert told([TWO_APART] * 2, 1.0) >= h
    if level_sd == 0.0:  # else the level's own uncertainty is no longer small beside a jump
        assert told([THREE] * 2, 1.0) < h
        assert told([TWO_APART, THREE], 1.0) < h


def test_odds_rise_with_a_step_up_only() -> None:
    rng = np.random.default_rng(3)
    sound = rng.normal(0.0, 0.01, 100)
    odds = []
    for step in (-0.08, 0.0, 0.08):
        values = sound + step * (np.arange(100) >= 95)
        odds.append(weigh(ring_of(values), 100, 0.01, 0.005, SMALLEST, SIZES)[2])
    assert odds[0] < odds[1] < 100.0  # a ratio of one for each onset, on average
    assert odds[2] > 1e6


# -- locating


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_step_is_located_and_sized(sign: float) -> None:
    rng = np.random.default_rng(5)
    misses, sizes = [], []
    for _ in range(200):
        values = rng.normal(0.0, 0.01, 120)
        values[100:] += sign * 0.03
        step = locate_step(ring_of(values), 0.01, sign)
        misses.append(step.first - 100)
        sizes.append(step.size)
    # Hinkley (1970): at three sigmas the onset is found to within a value or two
    assert np.median(np.abs(misses)) == 0
    assert np.mean(np.abs(misses)) < 0.5
    assert np.mean(sizes) == pytest.approx(sign * 0.03, rel=0.02)
    assert np.std(sizes) == pytest.approx(0.01 / 20**0.5, rel=0.2)
    assert step.size_sd == pytest.approx(0.01 / (120 - step.first) ** 0.5, rel=1e-9)


@pytest.mark.parametrize(("less", "first"), [(0.0, 20), (4.7, 20), (5.1, 21)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_batch_that_holds_the_onset_is_left_out(sign: float, less: float, first: int) -> None:
    """It differs from the mean of the two after it by four standard deviations of that: 4.9."""
    sigma = 0.002
    values = np.where(np.arange(23) < 20, 0.0, 20.0 * sigma)
    values[20] -= less * sigma
    step = locate_step(ring_of(sign * values), sigma, sign)
    assert step.first == first
    assert step.size == pytest.approx(sign * np.mean(values[first:]))
    # surer than its scatter it is not
    scatter = np.std(values[first:], ddof=1) / (23 - first) ** 0.5
    noise = sigma / (23 - first) ** 0.5
    assert step.size_sd == pytest.approx(scatter if scatter > 2.0 * noise else noise)


def test_onset_is_where_the_weighted_mean_since_is_most_telling() -> None:
    """Its square over its variance; a batch joined to the one before has one edge of its own."""
    rng = np.random.default_rng(12)
    for _ in range(60):
        values = rng.normal(0.0, 0.01, 30) + 0.012 * (np.arange(30) > 19)
        shared = rng.choice([0.0, 0.08], 30)
        timing = shared + rng.choice([0.004, 0.08], 30)
        ring = ring_of(values, 20.0, timing, shared)
        weights = 1.0 / (0.01**2 + (timing - shared) / 20.0**2)
        means = [max(np.average(values[k:], weights=weights[k:]), 0.0) for k in range(30)]
        telling = [mean**2 * weights[k:].sum() for k, mean in enumerate(means)]
        best = int(np.argmax(telling))
        assert locate_step(ring, 0.01, 1.0).first in (best, best + 1)  # it may hold the onset


def test_longer_batches_count_for_more() -> None:
    ring = ring_of(np.array([0.0, 0.0, 0.1, 0.11]), np.array([20.0, 20.0, 30.0, 10.0]))
    step = locate_step(ring, 0.01, 1.0)
    assert step.first == 2
    assert step.size == pytest.approx((0.1 * 30.0 + 0.11 * 10.0) / 40.0)
    assert step.size_sd == pytest.approx(0.01 * (30.0**2 + 10.0**2) ** 0.5 / 40.0)


def test_shared_edges_sharpen_the_size_of_a_step() -> None:
    e = 1.0 / 12.0
    values = np.where(np.arange(30) < 20, 0.0, 0.08)
    shared = np.where(np.arange(30) > 0, e, 0.0)
    joined = locate_step(ring_of(values, 20.0, 2.0 * e, shared), 0.001, 1.0)
    apart = locate_step(ring_of(values, 20.0, 2.0 * e), 0.001, 1.0)
    assert joined.first == apart.first == 20
    span = 200.0
    noise = 10 * 0.001**2 * 20.0**2
    assert joined.size_sd == pytest.approx((noise + 2.0 * e) ** 0.5 / span)
    assert apart.size_sd == pytest.approx((noise + 20.0 * e) ** 0.5 / span)


def test_no_batches_no_step() -> None:
    with pytest.raises(ValueError, match="no batches"):
        locate_step(np.zeros(0, dtype=RING), 1.0, 1.0)

"""Hours to the limit where wear may accelerate: against published growth, and in closed form."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.base.statistics import Interval
from borewarden.detect.ahead import FASTER, hours_to, laws, log_likelihood
from borewarden.detect.wear import CURVE_SD, LEVEL_SD, PRESSURE_SD, Drift, wanders_within
from published import crack_growth, laser_growth

LIMIT = math.log1p(0.08)
READ = 0.0005  # of a crack read to 0.01 in, as part of a limit of 8 %


def drift_of(hours: Iterable[float], values: Iterable[float], noise: float) -> Drift:
    """The wear line of a machine, through values of the log area."""
    drift = Drift(noise, LEVEL_SD, 0.004, wanders=wanders_within(0.005), beyond=math.log1p(0.025))
    for at, value in zip(hours, values, strict=True):
        drift.update(at, value, clock=500_000.0 + at)
    return drift


def held(
    paths: list[NDArray[np.float64]], limit: float, share: float, noise: float
) -> tuple[int, int, int]:
    """How many paths come to `limit`, and how many times each interval holds the hours left.

    The growth to `limit` is scaled to that of a bore. The interval is made when `share` of it is
    reached: first by the straight line alone, then by all laws.
    """
    count = straight = curved = 0
    for at, growth in paths:
        values = np.log1p(growth * 0.08 / limit)
        if values[-1] < LIMIT:
            continue
        now, end = np.interp([math.log1p(0.08 * share), LIMIT], values, at)
        so_far = at <= now
        drift = drift_of(at[so_far].tolist(), values[so_far].tolist(), noise)
        count += 1
        for line in (drift.line, drift.may_bend()):
            low, _, high = hours_to(LIMIT, line, now)
            straight += line is drift.line and low <= end - now <= high
            curved += line is not drift.line and low <= end - now <= high
    return count, straight, curved


@pytest.mark.parametrize("share", [0.5, 0.75])
def test_cracks_grow_faster_and_faster_and_the_interval_holds(share: float) -> None:
    """Lu & Meeker (1993, Technometrics 35, 161-174): a straight line never holds their failure."""
    paths = [np.array([1000.0 * at, growth]) for at, growth in crack_growth()]
    count, straight, curved = held(paths, 1.6 / 0.9 - 1.001, share, READ)
    assert (count, straight) == (12, 0)
    assert curved >= 10
    count, straight, curved = held(paths, 0.4, share, READ)
    assert (count, straight) == (21, 0)
    assert curved >= 17


@pytest.mark.parametrize("share", [0.5, 0.75])
def test_lasers_age_nearly_straight_and_the_interval_holds(share: float) -> None:
    """Meeker & Escobar (1998), table C.17: to half of the 10 % that is a failure."""
    paths = [np.array([at / 30.0, growth]) for at, growth in laser_growth()]
    count, _, curved = held(paths, 0.05, share, 0.002)
    assert count == 15
    assert curved >= 11


def test_straight_wear_widens_the_interval_by_little() -> None:
    rng = np.random.default_rng(3)
    wider, count = [], 0
    for _ in range(12):
        hours = np.arange(0.5, 50.0, 0.5)
        drift = drift_of(hours, LIMIT / 100.0 * hours + rng.normal(0.0, 0.004, 99), 0.004)
        line = hours_to(LIMIT, drift.line, 50.0)
        bent = hours_to(LIMIT, drift.may_bend(), 50.0)
        wider.append((bent.high - bent.low) / (line.high - line.low))
        count += bent.low <= 50.0 <= bent.high
    assert count >= 11
    assert float(np.median(wider)) < 2.6


@pytest.mark.parametrize("faster", [1.0, 2.0, 4.0])
def test_wear_by_one_of_the_laws_is_foretold(faster: float) -> None:
    """Wear whose rate grows e-fold with the log area, to `faster` times at the limit, in 100 h."""
    growth = math.log(faster) / LIMIT
    hours = np.arange(1.0, 60.0)
    values = LIMIT / 100.0 * hours
    if growth > 0.0:
        values = -np.log1p(-(1.0 - 1.0 / faster) * hours / 100.0) / growth
    line = drift_of(hours.tolist(), values.tolist(), 0.0003).may_bend()
    likeliest = FASTER[np.argmax(laws(line, LIMIT).weights)]
    assert likeliest == pytest.approx(faster, rel=0.1)
    assert hours_to(LIMIT, line, 60.0).middle == pytest.approx(40.0, rel=0.08)
    ahead = np.linspace(20.0, 70.0, 51)
    told = log_likelihood(60.0 + ahead, line, 60.0, LIMIT)
    assert ahead[np.argmax(told)] == pytest.approx(40.0, rel=0.08)


def test_curvature_is_that_of_bayesian_regression() -> None:
    """Bishop 2006, eq. 3.50 and 3.51, with the same priors, solved at once."""
    rng = np.random.default_rng(4)
    hours = np.arange(1.0, 41.0)
    pressures = rng.normal(0.0, 0.05, 40)
    values = 0.001 * hours + 2e-6 * hours**2 + 0.02 * pressures + rng.normal(0.0, 0.001, 40)
    drift = Drift(0.001, level_sd=0.01, slope_sd=0.004)
    for row in np.column_stack([hours, values, pressures]).tolist():
        drift.update(*row)
    design = np.column_stack([np.ones(40), hours, hours**2, pressures])
    precision = np.diag(np.array([0.01, 0.004, CURVE_SD, PRESSURE_SD]) ** -2.0)
    covariance = np.linalg.inv(precision + design.T @ design / 0.001**2)
    mean = covariance @ design.T @ values / 0.001**2
    curve = drift.may_bend().curve
    assert curve is not None
    assert (curve.level, curve.slope, curve.curve) == pytest.approx(mean[:3].tolist(), rel=1e-6)
    assert np.array(curve.covariance) == pytest.approx(covariance[:3, :3], rel=1e-6, abs=1e-15)


def test_what_is_past_or_never_comes() -> None:
    hours = np.arange(1.0, 31.0)
    worn = drift_of(hours, 0.004 * hours, 0.001).may_bend()
    assert hours_to(LIMIT, worn, 30.0) == (0.0, 0.0, 0.0)
    mended = drift_of(hours, -0.004 * hours, 0.001).may_bend()
    assert hours_to(LIMIT, mended, 30.0) == Interval(np.inf, np.inf, np.inf)
    new = Drift(0.001)
    assert new.may_bend() == new.line

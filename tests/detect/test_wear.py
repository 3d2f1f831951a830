"""The wear line against textbook regression, and its time-to-limit against Fieller's interval."""

from __future__ import annotations

import numpy as np
import pytest
from river.linear_model import BayesianLinearRegression
from scipy import optimize, stats

from borewarden.detect.ahead import hours_to
from borewarden.detect.wear import LEVEL_SD, PRESSURE_SD, Drift, Line, wanders_within

# Graybill & Iyer (1994, "Regression Analysis: Concepts and Applications"), crystal growth data:
# hours and weight in g, as carried by the R package investr (Greenwell & Schubert Kabban 2014,
# R Journal 6(1), 90-100). The list is a value from memory; the published results below, which it
# reproduces in every digit, come from that package's documentation.
HOURS = np.arange(2.0, 29.0, 2.0)
WEIGHT = np.array(
    [0.08, 1.12, 4.43, 4.98, 4.92, 7.18, 5.57, 8.40, 8.81, 10.81, 11.16, 10.12, 13.12, 15.04]
)


def least_squares(x: np.ndarray, y: np.ndarray) -> Line:
    """The ordinary least-squares line with its classical covariance."""
    design = np.column_stack([np.ones_like(x), x])
    coefficients, residuals, *_ = np.linalg.lstsq(design, y, rcond=None)
    covariance = residuals[0] / (len(x) - 2) * np.linalg.inv(design.T @ design)
    return Line(*coefficients, covariance[0, 0], covariance[0, 1], covariance[1, 1])


def test_interval_is_fiellers_in_the_published_example() -> None:
    t = float(stats.t.ppf(0.975, len(HOURS) - 2))
    chances = tuple(stats.norm.cdf([-t, 0.0, t]).tolist())
    interval = hours_to(8.0, least_squares(HOURS, WEIGHT), now=0.0, chances=chances)
    # investr: calibrate(crystal, y0 = 8, mean.response = TRUE)
    assert interval == pytest.approx((14.65896, 15.88820, 17.15963), abs=5e-6)


def test_line_tends_to_least_squares() -> None:
    rng = np.random.default_rng(2)
    x = np.linspace(0.0, 30.0, 200)
    y = 0.003 + 0.004 * x + rng.normal(0.0, 0.005, 200)
    drift = Drift(sigma=0.005, level_sd=10.0, slope_sd=10.0)  # wide priors: no shrinkage
    for hours, value in zip(x, y, strict=True):
        drift.update(hours, value)
    design = np.column_stack([np.ones_like(x), x])
    covariance = 0.005**2 * np.linalg.inv(design.T @ design)
    line, classic = drift.line, least_squares(x, y)
    assert line.slope == pytest.approx(classic.slope, rel=1e-3)
    assert line.level == pytest.approx(classic.level, abs=1e-5)
    assert line.slope_sd == pytest.approx(covariance[1, 1] ** 0.5, rel=1e-2)


def test_line_that_does_not_wander_is_rivers_bayesian_regression() -> None:
    """Mean and variance of what is foretold, with the same priors; river has no others than one."""
    rng = np.random.default_rng(3)
    sigma, scales = 0.003, np.array([0.01, 0.004, PRESSURE_SD])
    drift = Drift(sigma, *scales[:2])
    theirs = BayesianLinearRegression(alpha=1.0, beta=1.0 / sigma**2)

    def features(row: np.ndarray) -> dict[str, float]:
        return dict(zip(("level", "slope", "pressure"), (row * scales).tolist(), strict=True))

    for hours in np.arange(1.0, 201.0) / 9.0:
        row = np.array([1.0, hours, rng.normal(0.0, 0.1)])
        value = float(row @ [0.002, 0.0005, 0.03] + rng.normal(0.0, sigma))
        drift.update(hours, value, row[2])
        theirs.learn_one(features(row), value)
    line = drift.line
    ours = np.array([line.level, line.slope, line.by_pressure])
    covariance = np.array(
        [
            [line.level_var, line.covariance, line.level_with_pressure],
            [line.covariance, line.slope_var, line.slope_with_pressure],
            [line.level_with_pressure, line.slope_with_pressure, line.by_pressure_var],
        ]
    )
    for row in np.array([[1, 0, 0], [1, 30, 0], [1, 5, -0.4], [0, 1, 0], [0, 0, 1]], float):
        foretold = theirs.predict_one(features(row), with_dist=True)
        assert row @ ours == pytest.approx(foretold.mu, rel=1e-9)
        assert row @ covariance @ row + sigma**2 == pytest.approx(foretold.sigma**2, rel=1e-9)
    foretold = theirs.predict_one(features(np.array([1.0, 30.0, 0.0])), with_dist=True)
    mean, sd = line.at(30.0)
    assert mean == pytest.approx(foretold.mu, rel=1e-9)
    assert sd**2 + sigma**2 == pytest.approx(foretold.sigma**2, rel=1e-9)


def test_prior_keeps_a_short_record_quiet() -> None:
    drift = Drift(sigma=0.005, level_sd=0.005, slope_sd=0.01)
    drift.update(0.1, 0.02)
    assert drift.line.slope_sd == pytest.approx(0.01, rel=0.02)  # six minutes say next to nothing
    assert drift.line.slope < drift.line.slope_sd
    assert hours_to(0.08, drift.line, 0.1).high == np.inf


def test_outlier_bends_the_line_only_a_little() -> None:
    calm, shaken = (Drift(0.003) for _ in range(2))
    for i in range(100):
        calm.update(i / 12, 0.0)
        shaken.update(i / 12, 5.0 if i == 50 else 0.0)
    assert abs(shaken.line.at(8.0)[0]) < 0.001 + abs(calm.line.at(8.0)[0])


def test_coverage_of_the_time_to_limit() -> None:
    """The 90 % interval holds the truth about nine times in ten."""
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(200):
        slope = 0.004
        drift = Drift(sigma=0.004, level_sd=0.01, slope_sd=0.01)
        for hours in np.arange(0.5, 10.0, 0.2):
            drift.update(hours, slope * hours + rng.normal(0.0, 0.004))
        truth = 0.077 / slope - 10.0
        low, _, high = hours_to(0.077, drift.line, 10.0)
        held += low <= truth <= high
    assert 0.84 <= held / 200 <= 0.96


def test_limits_already_passed_and_never_reached() -> None:
    worn = Line(0.1, 0.01, 1e-8, 0.0, 1e-8)
    assert hours_to(0.08, worn, 1.0) == (0.0, 0.0, 0.0)
    sound = Line(0.0, -0.001, 1e-8, 0.0, 1e-10)
    assert hours_to(0.08, sound, 1.0) == (np.inf, np.inf, np.inf)


def test_line_before_a_bend_is_that_of_the_values_before_it() -> None:
    """Wear of 0.2 % an hour, and from the 31st value on a fault that grows by 3 % an hour.

    The bend is where a search of all continuous two-piece lines by scipy's least squares has it.
    """
    rng = np.random.default_rng(5)
    hours = np.arange(1.0, 61.0) / 10.0
    values = 0.002 * hours + 0.03 * np.maximum(hours - 3.0, 0.0) + rng.normal(0.0, 0.002, 60)
    drift, sound = (Drift(sigma=0.002, level_sd=0.005) for _ in range(2))
    for value in zip(hours, values, strict=True):
        drift.update(*value)
    before = drift.before_a_bend()
    fitted, _ = optimize.curve_fit(
        lambda x, level, slope, bend, more: level + slope * x + more * np.maximum(x - bend, 0.0),
        hours,
        values,
        p0=[0.0, 0.0, 3.5, 0.01],
    )
    assert before.values[-1][0] == pytest.approx(fitted[2], abs=0.1)
    for value in before.values:
        sound.update(*value)
    assert before.line == sound.line
    assert before.line.slope == pytest.approx(0.002, abs=3.0 * before.line.slope_sd)
    assert drift.line.slope > 0.008


@pytest.mark.parametrize("seed", range(20))
def test_straight_line_is_not_bent(seed: int) -> None:
    rng = np.random.default_rng(seed)
    drift = Drift(sigma=0.002, level_sd=0.005)
    for hours in np.arange(1.0, 150.0) / 10.0:
        drift.update(hours, 0.003 * hours + rng.normal(0.0, 0.002))
    assert drift.before_a_bend().line == drift.line


# -- what wanders: processes of published form, on seeds of their own; all figures are invented


def wandering(values: np.ndarray, hours: np.ndarray, noise: float = 0.001, seed: int = 3) -> Drift:
    """A line that may wander, after the `values` at `hours`, measured with `noise`."""
    drift = Drift(noise, LEVEL_SD, 0.004, wanders=wanders_within(0.005), beyond=np.log1p(0.025))
    measured = values + np.random.default_rng(seed).normal(0.0, noise, len(values))
    for at, value in zip(hours.tolist(), measured.tolist(), strict=True):
        drift.update(at, value, clock=500_000.0 + at)
    return drift


def ornstein_uhlenbeck(sd: float, time: float, hours: np.ndarray, seed: int) -> np.ndarray:
    """An exact path (Uhlenbeck & Ornstein 1930, Phys. Rev. 36, 823-841)."""
    rng = np.random.default_rng(seed)
    path = [rng.normal(0.0, sd)]
    for passed in np.diff(hours):
        decay = np.exp(-passed / time)
        path.append(decay * path[-1] + rng.normal(0.0, sd * (1.0 - decay**2) ** 0.5))
    return np.array(path)


@pytest.mark.parametrize("seed", range(8))
def test_what_wanders_is_no_wear(seed: int) -> None:
    hours = np.arange(0.0, 30.0, 0.125)
    drift = wandering(ornstein_uhlenbeck(0.01, 1.0, hours, seed), hours)
    gone, sd = drift.gone(30.0)
    assert abs(gone) < 3.0 * sd
    # straight regression is surer of it than it may be
    still = Drift(0.001, LEVEL_SD, 0.004)
    for at, value, *_ in drift.values:
        still.update(at, value)
    assert sd > 5.0 * still.line.slope_sd * 30.0


def test_ways_to_wander_are_probabilities_of_a_level_as_unsure_as_stated() -> None:
    one, two = wanders_within(0.005), wanders_within(0.01)
    assert np.sum(one[:, 3]) == pytest.approx(1.0)
    assert np.all(one[:, 3] > 0.0)
    assert two[:, [0, 2]] == pytest.approx(2.0 * one[:, [0, 2]])
    assert np.array_equal(two[:, [1, 3]], one[:, [1, 3]])


def test_how_far_a_machine_wanders_is_learned() -> None:
    hours = np.arange(0.0, 40.0, 0.125)
    far = [
        wandering(ornstein_uhlenbeck(sd, 1.0, hours, 5), hours).wander.far_var ** 0.5
        for sd in (0.0, 0.005, 0.02)
    ]
    assert far[0] < 0.002
    assert 0.003 < far[1] < 0.009
    assert 0.01 < far[2] < 0.03


def test_wear_shows_beside_what_wanders() -> None:
    hours = np.arange(0.0, 30.0, 0.125)
    path = 0.003 * hours + ornstein_uhlenbeck(0.004, 1.0, hours, 11)
    drift = wandering(path, hours)
    gone, sd = drift.gone(30.0)
    assert gone == pytest.approx(0.09, abs=3.0 * sd)
    assert gone > 5.0 * sd


def test_what_follows_the_time_of_the_day_is_learned_and_foretold() -> None:
    hours = np.arange(0.0, 96.0, 0.25)
    path = 0.006 * np.sin(2.0 * np.pi * hours / 24.0)
    wander = wandering(path, hours).wander
    assert np.hypot(wander.cosine, wander.sine) == pytest.approx(0.006, abs=0.001)
    assert wander.far_var**0.5 < 0.003


def test_area_is_off_by_what_is_measured() -> None:
    """Level, slope, what wanders and the time of the day add up to the newest values."""
    hours = np.arange(0.0, 48.0, 0.125)
    daily = 0.006 * np.sin(2.0 * np.pi * (hours - 3.0) / 24.0)
    path = 0.01 + 0.0005 * hours + daily + ornstein_uhlenbeck(0.008, 2.0, hours, 9)
    off = wandering(path, hours).off(hours[-1])
    assert off == pytest.approx(path[-1], abs=0.002)
    assert abs(off) > 0.02


def test_a_machine_left_alone_is_known_less_surely() -> None:
    hours = np.arange(0.0, 40.0, 0.125)
    wander = wandering(ornstein_uhlenbeck(0.01, 1.0, hours, 5), hours).wander
    assert wander.near_var < 0.5 * wander.far_var
    assert wander.rate > 0.2


def test_an_area_far_off_is_gone_though_no_slope_is_sure() -> None:
    """4 % within an hour after ten still ones: it may come back, but nothing here did so."""
    hours = np.arange(0.0, 11.0, 0.125)
    drift = wandering(0.04 * np.clip(hours - 10.0, 0.0, 1.0), hours)
    gone, sd = drift.gone(11.0)
    assert gone == pytest.approx(0.035, abs=0.004)
    assert gone > 4.0 * sd
    assert drift.line.slope < 3.0 * drift.line.slope_sd


def test_a_bend_leaves_the_level_and_frees_the_slope() -> None:
    hours = np.arange(0.0, 10.0, 0.125)
    drift = wandering(0.0 * hours, hours)
    before = drift.line
    drift.bends(10.0)
    drift.update(10.0, 0.0, clock=500_010.0)
    after = drift.line
    assert after.at(10.0)[0] == pytest.approx(before.at(10.0)[0], abs=3e-4)
    assert after.slope_sd > 2.0 * before.slope_sd

"""The change detector against published tables of run lengths and against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from river import base, drift

from borewarden.model.change import (
    Cusum,
    StepProbability,
    average_run_length,
    locate_step,
    siegmund_run_length,
    threshold,
)

# Lucas & Crosier (1982, Technometrics 24, 199-205), Table 1, two-sided, k = 0.5, h = 4. NIST/
# SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.1, prints the same columns (336 and 8.38
# there, as the task for this project quotes it; 336 is the value of one side in control).
LUCAS_CROSIER = {
    0.25: 74.2,
    0.5: 26.6,
    0.75: 13.3,
    1.0: 8.38,
    1.5: 4.75,
    2.0: 3.34,
    2.5: 2.62,
    3.0: 2.19,
    4.0: 1.71,
    5.0: 1.31,
}


def two_sided(k: float, h: float, shift: float) -> float:
    """Two one-sided charts run together (Montgomery, Statistical Quality Control)."""
    upper = average_run_length(k, h, shift)
    lower = average_run_length(k, h, -shift)
    return 1.0 / (1.0 / upper + 1.0 / lower)


@pytest.mark.parametrize(("shift", "published"), LUCAS_CROSIER.items())
def test_run_lengths_of_lucas_and_crosier(shift: float, published: float) -> None:
    # the last digit that is printed
    assert two_sided(0.5, 4.0, shift) == pytest.approx(published, rel=0.004)


def test_run_length_of_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3.1: one-sided, h = 4, k = 0.5
    assert average_run_length(0.5, 4.0) == pytest.approx(336.0, rel=0.003)
    assert average_run_length(0.5, 4.0, 1.0) == pytest.approx(8.38, abs=0.005)
    assert two_sided(0.5, 4.0, 0.0) == pytest.approx(168.0, rel=0.003)


def test_run_length_of_brook_and_evans() -> None:
    # Brook & Evans (1972, Biometrika 59, 539-549), sec. 4.3: k = 0.5, h = 3
    assert average_run_length(0.5, 3.0) == pytest.approx(117.59, rel=0.002)
    assert average_run_length(0.5, 3.0, 1.5) == pytest.approx(3.75, rel=0.002)


@pytest.mark.parametrize(
    ("shift", "published"),
    [(-0.125, 400.28), (0.0, 124.66), (0.25, 36.71), (0.5, 20.37), (1.0, 10.75)],
)
def test_run_lengths_of_vance(shift: float, published: float) -> None:
    # Vance (1986, J. Qual. Technol. 18, 189-193), Table 1: one-sided, k = 0, h = 10
    assert average_run_length(0.0, 10.0, shift) == pytest.approx(published, rel=1e-3)


@pytest.mark.parametrize("h", [3.0, 4.0, 5.0])
def test_siegmund_is_near_the_integral_equation(h: float) -> None:
    # Siegmund (1985): good to a few per cent
    for shift in (0.0, 0.5, 1.0):
        assert siegmund_run_length(0.5, h, shift) == pytest.approx(
            average_run_length(0.5, h, shift), rel=0.03
        )
    assert siegmund_run_length(0.5, h, 0.5) == pytest.approx((h + 1.166) ** 2)


@pytest.mark.parametrize("freedom", [5.0, np.inf])
def test_threshold_gives_the_run_length_asked_for_in_simulation(freedom: float) -> None:
    rng = np.random.default_rng(11)
    h = threshold(0.5, 400.0, freedom)
    lengths = []
    for _ in range(600):
        cusum = Cusum(0.5, h)
        n = 0
        while not cusum.drift_detected:
            z = rng.standard_normal() if np.isinf(freedom) else rng.standard_t(freedom)
            cusum.update(z)
            n += 1
        lengths.append(n)
    mean, error = np.mean(lengths), np.std(lengths) / len(lengths) ** 0.5
    # the clipping of wild values only lengthens the run: more so with heavy tails
    assert mean > 400.0 - 3.0 * error
    assert mean < (460.0 if np.isinf(freedom) else 2000.0) + 3.0 * error


def test_threshold_says_when_noise_is_too_large() -> None:
    with pytest.raises(ValueError, match="noise is too large"):
        threshold(0.0, 1e9)


def alarms(detector: base.DriftDetector, values: list[float]) -> list[int]:
    """Indices at which a river drift detector fires: the loop that river's guide shows."""
    fired = []
    for i, value in enumerate(values):
        detector.update(value)
        if detector.drift_detected:
            fired.append(i)
    return fired


def test_one_wild_value_does_not_alarm() -> None:
    cusum = Cusum(0.5, 4.0)
    assert alarms(cusum, [1e6]) == []
    assert cusum.statistic == pytest.approx(2.4)
    assert alarms(cusum, [1e6, 0.0, 0.0]) == [0]  # and it starts again after an alarm
    assert cusum.statistic == 0.0


def test_cusum_runs_where_rivers_own_detectors_run() -> None:
    values = [0.0] * 200 + [3.0] * 200
    assert alarms(Cusum(0.5, 5.0), values)[0] == 201  # 2.5 a value: two of them reach 5
    assert alarms(drift.ADWIN(), values)[0] > 201


def test_probability_follows_bayes_for_one_value() -> None:
    # Shiryaev (1963): odds = h / (1 - h) * likelihood ratio for a change before the first value
    model = StepProbability(hazard=0.01, sizes=[2.0], clip=10.0)
    model.update(3.0)
    odds = 0.01 / 0.99 * np.exp(2.0 * 3.0 - 2.0)
    assert model.probability == pytest.approx(odds / (1.0 + odds), rel=1e-12)


def test_probability_is_low_in_noise_and_high_after_a_step() -> None:
    rng = np.random.default_rng(3)
    model = StepProbability(hazard=1e-4, sizes=[1.0, 2.0, 4.0], clip=8.0)
    before = []
    for z in rng.standard_normal(2000):
        model.update(z)
        before.append(model.probability)
    assert np.mean(before) < 0.01
    for z in rng.standard_normal(20) + 2.0:
        model.update(z)
    assert model.probability > 0.999


def test_step_is_located_and_sized() -> None:
    rng = np.random.default_rng(5)
    misses, sizes = [], []
    for _ in range(200):
        values = rng.normal(0.0, 0.01, 120)
        values[100:] += 0.03
        step = locate_step(values, 0.01)
        misses.append(step.first - 100)
        sizes.append(step.size)
    # Hinkley (1970): at three sigmas the onset is found to within a value or two
    assert np.median(np.abs(misses)) == 0
    assert np.mean(np.abs(misses)) < 0.5
    assert np.mean(sizes) == pytest.approx(0.03, rel=0.02)
    assert step.size_sd == pytest.approx(0.01 / 20**0.5, rel=0.2)


def test_no_values_no_step() -> None:
    with pytest.raises(ValueError, match="no values"):
        locate_step(np.array([]), 1.0)

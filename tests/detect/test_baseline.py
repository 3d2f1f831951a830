"""The baseline of a jewel: its noise against series of known noise, its area by plain means."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from statsmodels.robust import mad
from statsmodels.stats.meta_analysis import _fit_tau_iterative

from borewarden.detect.baseline import learn_baseline, robust_noise, scatter_between
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS

N = 20_000


def white(n: int = N, seed: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng(seed).standard_normal(n)


def still(n: int = N) -> NDArray[np.float64]:
    """No uncertainty of timing."""
    return np.zeros(n)


# -- the noise


@pytest.mark.parametrize("scatter", [0.0, 0.02, 0.1])
def test_scatter_beside_what_each_value_is_known_to_is_statsmodels(scatter: float) -> None:
    """Their Paule-Mandel estimate, of values of which some are known ten times as well."""
    rng = np.random.default_rng(4)
    sd = rng.choice([0.003, 0.03], 40)
    values = rng.normal(0.0, np.hypot(sd, scatter))
    theirs, _ = _fit_tau_iterative(values, sd**2, atol=1e-9, maxiter=1000)
    assert scatter_between(values, sd) == pytest.approx(max(theirs, 0.0) ** 0.5, rel=1e-6)


def test_values_as_alike_as_they_are_known_have_no_scatter_of_their_own() -> None:
    assert scatter_between(np.array([0.99, 1.0, 1.01]), np.full(3, 0.02)) == 0.0


def test_noise_of_white_values_is_their_standard_deviation() -> None:
    noise = robust_noise(5.0 + 0.02 * white(), still())
    assert noise.sigma == pytest.approx(0.02, rel=0.02)
    assert noise.autocorrelation < 0.01
    assert noise.effective_count > 0.98 * N


@pytest.mark.parametrize("r", [0.3, 0.6])
def test_noise_of_neighbours_that_resemble_each_other_is_that_of_long_means(r: float) -> None:
    """AR(1) (Bayley & Hammersley 1946): a long mean varies as 1 / (1 - r)² a value."""
    series = signal.lfilter([1.0], [1.0, -r], white())
    noise = robust_noise(series, still())
    assert noise.autocorrelation == pytest.approx(r, abs=0.03)
    assert noise.sigma == pytest.approx(1.0 / (1.0 - r), rel=0.05)
    assert noise.effective_count == pytest.approx(N * (1.0 - r) / (1.0 + r), rel=0.08)


def test_likeness_of_neighbours_is_believed_within_bounds() -> None:
    """A straight line is all likeness: no more than 0.8. Values to and fro have none."""
    rising = robust_noise(np.arange(400.0), still(400))
    assert rising.autocorrelation == 0.8
    assert rising.effective_count == pytest.approx(400.0 / 9.0)
    assert rising.sigma == pytest.approx(3.0 * np.std(np.arange(400.0), ddof=1))
    to_and_fro = robust_noise(np.tile([1.0, -1.0], 200), still(400))
    assert to_and_fro.autocorrelation == 0.0
    assert to_and_fro.sigma == pytest.approx(np.std(np.tile([1.0, -1.0], 200), ddof=1))


def test_likeness_of_few_values_is_less_one_standard_error() -> None:
    """Of white noise r is 0 with a standard error of 1 / sqrt(n) (Bartlett 1946, from memory)."""
    believed = [robust_noise(white(100, seed), still(100)).autocorrelation for seed in range(300)]
    share = np.mean(np.array(believed) > 0.0)
    assert share == pytest.approx(0.16, abs=0.06)  # of a normal law, beyond one standard deviation


def test_what_timing_adds_is_no_noise_of_the_machine() -> None:
    """Variances of independent errors add."""
    timing = np.full(N, 0.03)
    values = 0.04 * white() + timing * white(seed=2)
    assert robust_noise(values, timing).sigma == pytest.approx(0.04, rel=0.02)
    assert robust_noise(values, np.full(N, 0.06)).sigma == 0.0  # less than timing explains


def test_a_wild_value_counts_as_four_deviations() -> None:
    values = white(200)
    wild = values.copy()
    wild[77] = 1e6
    kept = values.copy()
    kept[77] = np.median(wild) + 4.0 * float(mad(wild))
    assert robust_noise(wild, still(200)).sigma == pytest.approx(np.std(kept, ddof=1), rel=1e-3)
    # whole counts: most values are the same, and the others one count of it off
    lumpy = np.where(np.arange(200) % 10 == 0, 0.05, 0.0)
    assert robust_noise(lumpy, np.full(200, 0.0125)).sigma > 0.008


# -- the area


def jewel(bore: float = 0.25e-3, coefficient: float | None = None) -> Jewel:
    return Jewel(bore=bore, material="ruby", fitted_ns=0, discharge_coefficient=coefficient)


def test_area_is_the_mean_by_time_without_what_is_far_off() -> None:
    areas = np.append(np.tile([2.00e-8, 2.04e-8], 20), 9e-8)
    times = np.append(np.tile([30.0, 10.0], 20), 20.0)
    learned = learn_baseline(areas, times, np.zeros(41), [jewel()], 0.0, 1e-4)
    expected = math.exp(0.75 * math.log(2.00e-8) + 0.25 * math.log(2.04e-8))
    assert learned.area == pytest.approx(expected, rel=1e-9)
    assert learned.discharge_coefficient == pytest.approx(expected / (math.pi / 4.0 * 0.25e-3**2))


@pytest.mark.parametrize(("off", "counts"), [(3.7, True), (4.3, False)])
def test_an_area_beyond_four_standard_deviations_is_left_out(off: float, counts: bool) -> None:
    """As far as that, the noise counts it, too (Hampel 1974, see `robust_noise`)."""
    floor = 0.003
    areas = np.append(np.full(40, 2e-8), 2e-8 * math.exp(off * floor))
    learned = learn_baseline(areas, np.full(41, 20.0), np.zeros(41), [jewel()], 0.0, floor)
    grown = off * floor / 41 if counts else 0.0
    assert math.log(learned.area / 2e-8) == pytest.approx(grown, abs=1e-9)


def test_area_of_jewels_whose_coefficients_are_known_is_not_learned() -> None:
    """Areas of open heads add."""
    two = [jewel(0.25e-3, 0.6), jewel(0.30e-3, 0.7)]
    learned = learn_baseline(np.full(9, 3e-8), np.full(9, 20.0), np.zeros(9), two, 0.0, 0.002)
    assert learned.area == pytest.approx(math.pi / 4.0 * (0.6 * 0.25e-3**2 + 0.7 * 0.30e-3**2))
    one_known = [two[0], jewel(0.30e-3)]
    learned = learn_baseline(np.full(9, 3e-8), np.full(9, 20.0), np.zeros(9), one_known, 0.0, 0.002)
    assert learned.area == pytest.approx(3e-8)
    assert learned.noise.sigma == 0.002  # nothing is believed to be less noisy than the floor


@pytest.mark.parametrize(("flow_uncertainty", "wider"), [(0.0, 0.0), (0.02, 0.04)])
def test_coefficients_are_plausible_within_two_deviations_of_the_flow(
    flow_uncertainty: float, wider: float
) -> None:
    ruby = DISCHARGE_COEFFICIENTS["ruby"]
    low, high = ruby.low * (1.0 - wider), ruby.high * (1.0 + wider)
    whole = math.pi / 4.0 * 0.25e-3**2
    for coefficient, plausible in (
        (low * 0.999, False),
        (low * 1.001, True),
        (high * 0.999, True),
        (high * 1.001, False),
    ):
        areas = np.full(9, coefficient * whole)
        learned = learn_baseline(
            areas, np.full(9, 20.0), np.zeros(9), [jewel()], flow_uncertainty, 0.002
        )
        assert learned.is_plausible is plausible

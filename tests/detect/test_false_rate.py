"""How often a step is told falsely: by peaks of the statistic, against what is known of them."""

from __future__ import annotations

import copy

import numpy as np
import pytest
from scipy import stats

from borewarden.detect.false_rate import APART, FEWEST, KEPT, LEVEL, PRIOR, FalseRate, Peaks

A_BATCH = 1.0 / 180.0  # h
ASKED = 1e-3  # 1/h


def peaks_of(ratios: np.ndarray, told: np.ndarray | None = None) -> Peaks:
    """What is made of `ratios`, one a batch of 20 s."""
    peaks = Peaks()
    words = np.zeros(len(ratios), dtype=bool) if told is None else told
    hours = A_BATCH * np.arange(1, len(ratios) + 1)
    peaks.take(zip(ratios.tolist(), hours.tolist(), words.tolist(), strict=True))
    return peaks


def rate_of(ratios: np.ndarray, told: np.ndarray | None = None) -> FalseRate:
    """What is believed by then."""
    rate = peaks_of(ratios, told).rate(ASKED)
    assert rate is not None
    return rate


def poisson_peaks(
    seed: int, hours: float, often: float, mean: float, share: float
) -> tuple[np.ndarray, np.ndarray]:
    """Peaks of one batch each, `often` an hour above `LEVEL`, with exponential excess.

    So large a `share` of those that reach the threshold lasts and is told.
    """
    rng = np.random.default_rng(seed)
    ratios, told = np.zeros((2, round(hours / A_BATCH)))
    places = rng.choice(len(ratios) // (APART + 1), rng.poisson(often * hours), replace=False)
    ratios[places * (APART + 1)] = LEVEL + rng.exponential(mean, len(places))
    told[1:] = (ratios[:-1] >= 1.0) & (rng.random(len(told) - 1) < share)
    return ratios, told > 0.0


@pytest.mark.parametrize("share", [0.8, 0.3, 0.05])
@pytest.mark.parametrize(("often", "mean"), [(0.5, 0.1), (2.0, 0.15), (0.3, 0.25), (1.0, 0.4)])
def test_the_interval_holds_the_true_rate_as_often_as_it_says(
    often: float, mean: float, share: float
) -> None:
    """95 % of 40 runs of 60 h; fewer than 33 come by chance once in 300 times."""
    true = often * np.exp(-(1.0 - LEVEL) / mean) * share
    held = 0
    for seed in range(40):
        rate = rate_of(*poisson_peaks(seed, 60.0, often, mean, share))
        held += rate.low <= true <= rate.high
    assert held >= 33


def test_what_reaches_the_threshold_and_does_not_last_is_not_foretold() -> None:
    """Of ten one was told: two in twelve by the rule of succession (Laplace 1814; from memory)."""
    ratios, told = np.zeros((2, 2000))
    ratios[100:1100:100] = 1.4
    told[101] = 1.0
    rate, all_told = rate_of(ratios, told > 0.0), rate_of(ratios, np.roll(ratios, 1) > 0.0)
    assert (rate.peaks, rate.told, rate.gone) == (10, 1, 1)
    assert all_told.gone == 10
    of_ten, of_all = stats.beta(2, 10).median(), stats.beta(11, 1).median()
    assert rate.middle / all_told.middle == pytest.approx(of_ten / of_all, rel=0.01)
    assert rate.high < all_told.middle


def test_what_is_told_with_the_batch_that_reaches_the_threshold_has_lasted() -> None:
    ratios = np.zeros(2000)
    ratios[100:1100:100] = 1.4
    at_once, then = rate_of(ratios, ratios > 0.0), rate_of(ratios, np.roll(ratios, 1) > 0.0)
    assert (at_once.peaks, at_once.gone) == (then.peaks, then.gone) == (10, 10)
    assert at_once.middle == pytest.approx(then.middle, rel=0.01)


def test_few_peaks_make_a_bound_that_falls_with_the_hours() -> None:
    day, week = rate_of(np.zeros(16 * 180)), rate_of(np.zeros(80 * 180))
    assert day.is_bound
    assert week.is_bound
    assert week.high < day.high < 0.02
    ratios = np.zeros(40 * 180)
    ratios[: 100 * FEWEST : 100] = 0.5
    assert not rate_of(ratios).is_bound


def test_a_peak_goes_on_until_it_was_low_for_long_enough() -> None:
    ratios = np.zeros(500)
    ratios[[100, 100 + APART, 300]] = 0.5
    assert rate_of(ratios).peaks == 2
    ratios[100 + APART] = 0.0
    ratios[101 + APART] = 0.5
    assert rate_of(ratios).peaks == 3


def test_an_alarm_that_went_away_was_a_false_one() -> None:
    ratios, told = np.zeros(1000), np.zeros(1000, dtype=bool)
    ratios[200] = 1.4
    told[201:230] = True
    rate, before = rate_of(ratios, told), rate_of(ratios[:200])
    assert (rate.told, rate.gone, rate.peaks) == (1, 1, 1)
    assert rate.hours == pytest.approx(A_BATCH * (999 - 29))
    assert rate.middle > before.middle


def test_an_alarm_that_stands_says_nothing_of_false_ones() -> None:
    ratios, told = np.zeros(1000), np.zeros(1000, dtype=bool)
    ratios[200:] = 1.4
    told[201:] = True
    rate = rate_of(ratios, told)
    assert (rate.told, rate.gone, rate.peaks) == (1, 0, 0)


def test_something_else_that_was_told_cuts_a_peak_short() -> None:
    ratios, told = np.zeros(1000), np.zeros(1000, dtype=bool)
    ratios[200] = 0.8
    told[203:300] = True
    rate = rate_of(ratios, told)
    assert (rate.told, rate.gone, rate.peaks) == (1, 1, 0)


def test_of_many_peaks_the_highest_count() -> None:
    low, high = np.zeros(20_000), np.zeros(20_000)
    low[::100], high[::100] = 0.4, 0.4
    high[:5000:100] = 0.9
    assert rate_of(high).peaks == rate_of(low).peaks == KEPT
    assert rate_of(high).middle > 10.0 * rate_of(low).middle


def test_more_alarms_than_peaks_are_kept_are_no_error() -> None:
    ratios = np.zeros(20_000)
    ratios[::100] = 1.2
    rate = rate_of(ratios, np.roll(ratios, 1) > 0.0)
    assert rate.low < rate.middle < rate.high
    assert rate.middle == pytest.approx(KEPT / rate.hours, rel=0.05)


def test_a_peak_that_told_an_alarm_is_known_to_have_reached_the_threshold_and_no_more() -> None:
    """Exponential excess with some of it censored (Lawless 2003, sec. 4.1; from memory)."""
    ratios, told = np.zeros(2000), np.zeros(2000, dtype=bool)
    for start in range(100, 1100, 200):
        ratios[start] = 0.6
        ratios[start + 100] = 1.4
        told[start + 101 : start + 110] = True
    rate = rate_of(ratios, told)
    assert (rate.peaks, rate.gone) == (10, 5)
    count, total = PRIOR
    excess = 5 * (0.6 - LEVEL) + 5 * (1.0 - LEVEL)
    often = stats.gamma(10.5).median() / rate.hours
    fall = stats.gamma(5 + count).median() / (excess + total)
    lasts = stats.beta(6, 1).median()  # five of five
    assert rate.middle == pytest.approx(often * np.exp(-(1.0 - LEVEL) * fall) * lasts)


def test_nothing_is_believed_before_any_hour() -> None:
    assert Peaks().rate(ASKED) is None


def test_blocks_of_any_size_and_copies_come_to_the_same() -> None:
    rng = np.random.default_rng(3)
    ratios = rng.exponential(0.2, 3000).tolist()
    batches = [(ratio, A_BATCH * k, k % 700 > 600) for k, ratio in enumerate(ratios)]
    whole, cut = Peaks(), Peaks()
    whole.take(batches)
    for start in range(0, len(batches), 7):
        cut = copy.deepcopy(cut)
        cut.take(batches[start : start + 7])
    assert repr(cut.rate(ASKED)) == repr(whole.rate(ASKED))
    assert whole.rate(ASKED) is not None

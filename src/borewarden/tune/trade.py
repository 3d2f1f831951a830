"""Detection delay against false alarms: intervals, the Pareto front, and a tested choice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from borewarden.tune.days import CHIP_JET, Shop
from borewarden.tune.outcome import Outcome

Floats = NDArray[np.float64]

COVERAGE = 0.90  # of the intervals of delays
RATE_COVERAGE = 0.95  # of false-alarm rates
PER_HOURS = 1000.0
BETTER = 0.01  # significance at which another setting counts as better than today's
UNNAMED = 0.05  # of the chips that may be named worse than today
WORSE = 0.05  # at which one counts as over-fitted, or as having too many false alarms


class Estimate(NamedTuple):
    """A value with the ends of its interval."""

    value: float
    low: float
    high: float


def quantile(values: Floats, q: float, coverage: float = COVERAGE) -> Estimate:
    """Quantile of `values`, shape (n,), infinite ones included, with its exact interval; 0 < q < 1.

    The sample quantile is the order statistic of rank ceil(n q); the ends are those whose binomial
    ranks have the `coverage`, whatever the distribution (David & Nagaraja 2003, "Order Statistics",
    sec. 7.1). With few values an end may be 0 or infinite; with none all is NaN.
    """
    ordered = np.sort(values)
    n = len(ordered)
    if n == 0:
        return Estimate(float("nan"), float("nan"), float("nan"))
    low, high = _binomial_ranks(n, q, coverage)
    rank = int(np.ceil(n * q))
    return Estimate(
        float(ordered[rank - 1]),
        float(ordered[low - 1]) if low >= 1 else 0.0,
        float(ordered[high - 1]) if high <= n else float("inf"),
    )


@lru_cache(maxsize=4096)  # the same few for every setting and day left out
def _binomial_ranks(n: int, q: float, coverage: float) -> tuple[int, int]:
    tail = 0.5 * (1.0 - coverage)
    return int(stats.binom.ppf(tail, n, q)), int(stats.binom.ppf(1.0 - tail, n, q)) + 1


def false_alarm_rate(count: int, hours: float, coverage: float = RATE_COVERAGE) -> Estimate:
    """False alarms per 1,000 jet hours with the exact Poisson interval (Garwood 1936).

    Biometrika 28, 437-442: half the chi-squared quantiles of 2 n and 2 n + 2 degrees of freedom.
    """
    if not hours > 0.0:
        return Estimate(float("nan"), 0.0, float("inf"))
    return Estimate(*(PER_HOURS * n / hours for n in (float(count), *_garwood(count, coverage))))


@lru_cache(maxsize=4096)
def _garwood(count: int, coverage: float) -> tuple[float, float]:
    tail = 0.5 * (1.0 - coverage)
    low = 0.5 * float(stats.chi2.ppf(tail, 2 * count)) if count else 0.0
    return low, 0.5 * float(stats.chi2.ppf(1.0 - tail, 2 * count + 2))


class Days(NamedTuple):
    """Which of the days, trials and labelled events count, as masks."""

    days: NDArray[np.bool_]
    trials: NDArray[np.bool_]
    labels: NDArray[np.bool_]


def chosen_days(shop: Shop, days: NDArray[np.bool_]) -> Days:
    """Everything that belongs to the `days`, a mask."""
    return Days(
        days,
        np.array([days[trial.day] for trial in shop.trials], dtype=np.bool_),
        np.array([days[window.day] for window in shop.windows], dtype=np.bool_),
    )


@dataclass(frozen=True)
class Summary:
    """One setting in figures, over the days that count.

    Delays in s of jet time over the chips that began while the watcher was watching, of which
    there are `watched` out of `chips`; `worth` is their mean with the longest look for a chip in
    place of those not found. `wear` is the growth at which wear was told.
    """

    hours: float
    false: int
    rate: Estimate
    median: Estimate
    late: Estimate  # the 95 % quantile
    chips: int
    watched: int
    found: int
    right: int
    worth: float
    wear: Estimate
    wears_watched: int
    wears_found: int
    labels_found: int
    labels_right: int


def delays(shop: Shop, outcome: Outcome, which: Days) -> Floats:
    """Delays of the injected chips, s of jet time; NaN where nobody watched."""
    return _of_kind(shop, outcome, which, "chip")


def _of_kind(shop: Shop, outcome: Outcome, which: Days, kind: str) -> Floats:
    told = [
        delay
        for trial, delay, counts in zip(shop.trials, outcome.delay, which.trials, strict=True)
        if counts and trial.kind == kind
    ]
    return np.array(told, dtype=np.float64)


def summarise(shop: Shop, outcome: Outcome, which: Days) -> Summary:
    """The figures of one setting."""
    told = delays(shop, outcome, which)
    watched = told[~np.isnan(told)]
    grown = _of_kind(shop, outcome, which, "wear")
    grown_watched = grown[~np.isnan(grown)]
    hours = float(np.sum(np.array(outcome.hours)[which.days]))
    false = int(np.sum(np.array(outcome.false)[which.days]))
    found = [f for f, counts in zip(outcome.found, which.labels, strict=True) if counts]
    right = sum(
        named
        for trial, named, counts in zip(shop.trials, outcome.right, which.trials, strict=True)
        if counts and trial.kind == "chip"
    )
    return Summary(
        hours=hours,
        false=false,
        rate=false_alarm_rate(false, hours),
        median=quantile(watched, 0.5),
        late=quantile(watched, 0.95),
        chips=len(told),
        watched=len(watched),
        found=int(np.sum(np.isfinite(watched))),
        right=right,
        worth=_worth(watched),
        wear=quantile(grown_watched, 0.5),
        wears_watched=len(grown_watched),
        wears_found=int(np.sum(np.isfinite(grown_watched))),
        labels_found=sum(math.isfinite(f.delay) for f in found),
        labels_right=sum(f.right for f in found),
    )


def _worth(watched: Floats) -> float:
    return float(np.mean(np.minimum(watched, CHIP_JET))) if len(watched) else float("nan")


def pareto(summaries: Sequence[Summary]) -> list[bool]:
    """Which settings none other betters in median delay and false-alarm rate at once."""
    points = [(s.median.value, s.rate.value) for s in summaries]

    def bettered(a: tuple[float, float]) -> bool:
        return any(b[0] <= a[0] and b[1] <= a[1] and b != a for b in points)

    return [bool(np.isfinite(p).all()) and not bettered(p) for p in points]


class Choice(NamedTuple):
    """The setting to take, as its place in the list, and why."""

    number: int
    reason: str


def choose(
    shop: Shop,
    outcomes: Sequence[Outcome],
    which: Days,
    wanted_rate: float,
    designed: Sequence[float],
) -> Choice:
    """Which setting these days speak for; `outcomes[0]` is today's.

    Acceptable is what finds and names as many labelled events as today's settings do, names at most
    5 % fewer of the chips for what they are, misses no more wear, and whose false alarms are not
    significantly more than `wanted_rate` per 1,000 jet hours (exact Poisson test). `designed` are
    the jet hours between false alarms that each setting asks for; where that is less than wanted
    and than today's, these days have to prove it. Among those with no more false alarms than today
    the one with the least mean delay is taken, if it beats today's on the same chips (Wilcoxon's
    signed-rank test, 1945, Biometrics Bulletin 1, 80-83, at 1 %); else today's stay.
    """
    figures = [summarise(shop, outcome, which) for outcome in outcomes]
    today = figures[0]

    def acceptable(k: int) -> bool:
        s = figures[k]
        proven = s.rate.high <= wanted_rate
        if designed[k] < min(PER_HOURS / wanted_rate, designed[0]) and not proven:
            return False
        expected = wanted_rate * s.hours / PER_HOURS
        quiet = s.false == 0 or float(stats.poisson.sf(s.false - 1, expected)) >= WORSE
        finds = s.labels_found >= today.labels_found and s.labels_right >= today.labels_right
        missed = s.wears_watched - s.wears_found
        sees = s.watched > 0 or s.chips == 0
        names = s.watched - s.right <= today.watched - today.right + UNNAMED * s.watched
        return (
            quiet and finds and sees and names and missed <= today.wears_watched - today.wears_found
        )

    def delay(k: int) -> float:
        return figures[k].worth if figures[k].watched else 0.0

    good = [k for k in range(len(figures)) if acceptable(k)]
    if not good:
        k = min(range(len(figures)), key=lambda k: (figures[k].rate.value, delay(k), k))
        return Choice(k, "none is acceptable; this one has the fewest false alarms")
    if 0 not in good:
        k = min(good, key=lambda k: (figures[k].rate.value, delay(k), k))
        return Choice(k, "today's settings give too many false alarms; this one does not")
    quiet = [k for k in good if figures[k].false <= today.false]
    best = min(quiet, key=lambda k: (delay(k), k))
    if best == 0:
        return Choice(0, "no setting that is otherwise as good is faster than today's")
    p = _sooner(delays(shop, outcomes[best], which), delays(shop, outcomes[0], which))
    if p >= BETTER:
        return Choice(0, f"the fastest is not clearly faster than today's (p = {p:.2g})")
    return Choice(best, f"clearly faster than today's on the same chips (p = {p:.2g})")


def _sooner(ours: Floats, theirs: Floats) -> float:
    """Significance of `ours` being sooner, on the same chips; 1 if there is nothing to tell."""
    both = ~(np.isnan(ours) | np.isnan(theirs))
    apart = np.minimum(ours[both], CHIP_JET) - np.minimum(theirs[both], CHIP_JET)
    if not np.any(apart):
        return 1.0
    return float(stats.wilcoxon(apart, alternative="less").pvalue)


class Fold(NamedTuple):
    """One day left out: what the other days chose, and how it and today's did on that day."""

    day: int
    number: int
    held_out: Summary
    today: Summary


class OverFitted(NamedTuple):
    """A setting that some days chose and the days left out did not bear out, and why."""

    number: int
    reason: str


def leave_one_day_out(
    shop: Shop, outcomes: Sequence[Outcome], wanted_rate: float, designed: Sequence[float]
) -> list[Fold]:
    """Choose without each day in turn (Stone 1974, J. R. Stat. Soc. B 36, 111-147).

    Empty if all chips are on one day: without it nothing could be chosen.
    """
    count = len(shop.days)
    if len({trial.day for trial in shop.trials if trial.kind == "chip"}) < 2:
        return []
    folds = []
    for day in range(count):
        out = np.arange(count) == day
        held_out = chosen_days(shop, out)
        number = choose(shop, outcomes, chosen_days(shop, ~out), wanted_rate, designed).number
        folds.append(
            Fold(
                day,
                number,
                summarise(shop, outcomes[number], held_out),
                summarise(shop, outcomes[0], held_out),
            )
        )
    return folds


def over_fitted(shop: Shop, outcomes: Sequence[Outcome], folds: Sequence[Fold]) -> list[OverFitted]:
    """Settings that did worse on the days left out than on those that chose them, at 5 %.

    False alarms by the exact conditional test of two Poisson rates (Przyborowski & Wilenski 1940,
    Biometrika 31, 313-323), delays by Mann & Whitney's (1947, Ann. Math. Stat. 18, 50-60).
    """
    found = []
    for number in sorted({fold.number for fold in folds if fold.number != 0}):
        out = np.zeros(len(shop.days), dtype=np.bool_)
        out[[fold.day for fold in folds if fold.number == number]] = True
        inside, outside = chosen_days(shop, ~out), chosen_days(shop, out)
        if not np.any(~out):  # chosen whichever day is left out: no day is apart from the others
            continue
        a = summarise(shop, outcomes[number], inside)
        b = summarise(shop, outcomes[number], outside)
        share = b.hours / max(a.hours + b.hours, 1e-9)
        p_rate = float(stats.binom.sf(b.false - 1, a.false + b.false, share)) if b.false else 1.0
        if p_rate < WORSE:
            found.append(
                OverFitted(number, f"{b.false} false alarms on days left out, p = {p_rate:.2g}")
            )
            continue
        ours, theirs = (
            values[~np.isnan(values)]
            for values in (
                delays(shop, outcomes[number], outside),
                delays(shop, outcomes[number], inside),
            )
        )
        if len(ours) and len(theirs):
            p = float(stats.mannwhitneyu(ours, theirs, alternative="greater").pvalue)
            if p < WORSE:
                found.append(OverFitted(number, f"slower on days left out, p = {p:.2g}"))
    return found


@dataclass(frozen=True)
class Trade:
    """All that a sweep came to; lists are by setting."""

    figures: list[Summary]
    front: list[bool]
    choice: Choice
    folds: list[Fold]
    over_fitted: list[OverFitted]


def weigh_settings(
    shop: Shop, outcomes: Sequence[Outcome], wanted_rate: float, designed: Sequence[float]
) -> Trade:
    """The trade-off over all days, and the choice with its test; see `choose`."""
    everything = chosen_days(shop, np.ones(len(shop.days), dtype=np.bool_))
    figures = [summarise(shop, outcome, everything) for outcome in outcomes]
    folds = leave_one_day_out(shop, outcomes, wanted_rate, designed)
    doubtful = over_fitted(shop, outcomes, folds)
    choice = choose(shop, outcomes, everything, wanted_rate, designed)
    for number, reason in doubtful:
        if choice.number == number:
            choice = Choice(0, f"the best of these days is over-fitted: {reason}")
    return Trade(figures, pareto(figures), choice, folds, doubtful)

"""A count beside the earlier ones of the same jewel: has the bore opened up since?

Gauge, plate and jewel are the same each time, so what is wrong with them cancels. What is left is
the stroke more or less, the thumb on the stop-watch and the reading of the dial.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from borewarden.counts.count import WATCH_SD, Doubt, HandCount, spreads_of
from borewarden.counts.estimate import Estimate, estimate, leak_of, point
from borewarden.watcher.verdict import State

REFERENCE = 3  # the first counts of a jewel that later ones are compared with; invented
SURE = 1.96  # standard deviations, 95 %
LEAST_FOR_TREND = 3  # counts
LEAST_SPAN = 3.0  # days that a trend must cover; invented
LEAKS = 0.03  # share of the strokes lost dead-headed that counts as a leak; invented
BYPASS_OPENS = 0.99  # of the rated pressure
MOST_STROKES = 10_000
DAY_NS = 86_400 * 10**9
WEEK = 7.0  # days


class Change(NamedTuple):
    """Growth of the effective area (0.08: +8 %) since the `counts` first counts of the jewel."""

    counts: int
    growth: float
    sd: float
    probability: float  # that it has grown at all


class Trend(NamedTuple):
    """Growth of the effective area per week over `counts` counts, and the weeks to the limit."""

    counts: int
    weekly: float
    sd: float
    weeks_left: float | None  # None: not clearly growing

    @property
    def is_clear(self) -> bool:
        """Whether it grows, and not by chance."""
        return self.weekly > SURE * self.sd


@dataclass(frozen=True)
class Judged:
    """A count with what it shows by itself and beside the earlier ones of its jewel.

    `needed` are the strokes to count for an answer worth having, None where no number is enough;
    `costliest` the unknown fact that costs most certainty, with the standard uncertainty of the log
    area as it is and as it would be were that known. `again`: one count alone is no alarm.
    """

    count: HandCount
    estimate: Estimate
    state: State
    reason: str
    change: Change | None
    trend: Trend | None
    needed: int | None
    costliest: Doubt | None
    area_sd_known: float
    again: bool


def judge(count: HandCount, earlier: Sequence[HandCount]) -> Judged:
    """`count` beside `earlier` counts of the same machine, in order of time.

    Those of another jewel are left out. All of them are worked out with the plate of `count`, so
    that a fact known only now does not look like wear.
    """
    own = estimate(count)
    alike = [each for each in earlier if is_same_jewel(each, count)]
    before = [replace(each, plate=count.plate) for each in alike]
    change = _change(count, before)
    trend = _trend([*before, count])
    usual = [leak for leak, _ in map(leak_of, alike) if not math.isnan(leak)]
    state, reason = _verdict(count, own, change, trend, own.leak - float(np.mean(usual or [0.0])))
    previous = _change(before[-1], before[:-1]) if before else None
    doubts = {d: own.parts[d] for d in unknown_doubts(count) if d in own.parts}
    costliest = max(doubts, key=lambda doubt: doubts[doubt], default=None)
    return Judged(
        count,
        own,
        state,
        reason,
        change,
        trend,
        strokes_needed(count, own),
        costliest,
        math.sqrt(max(own.area_sd**2 - doubts[costliest] ** 2, 0.0)) if costliest else own.area_sd,
        again=state in (State.OPENED, State.WEARING, State.CANNOT_TELL)
        and not (previous is not None and _stands_out(previous)),
    )


def judge_all(counts: Sequence[HandCount]) -> list[Judged]:
    """Each of `counts`, in order of time, beside those before it."""
    in_order = sorted(counts, key=lambda count: count.time_ns)
    return [
        judge(count, [each for each in in_order[:i] if each.machine == count.machine])
        for i, count in enumerate(in_order)
    ]


def is_same_jewel(one: HandCount, other: HandCount) -> bool:
    """Whether both were counted with the same jewels."""
    return (one.jewel_ns, one.bores, one.materials) == (
        other.jewel_ns,
        other.bores,
        other.materials,
    )


def unknown_doubts(count: HandCount) -> list[Doubt]:
    """The facts that nobody gave, so that a range stands in for each."""
    return [doubt for doubt, spread in spreads_of(count).items() if spread.unknown]


def strokes_needed(count: HandCount, own: Estimate) -> int | None:
    """Strokes to count so that a growth by half of the limit stands out; None: no number does.

    The change between two such counts then has a 95 % interval of half the limit to each side.
    """
    if count.speed is not None:
        return None
    wanted = 0.5 * math.log1p(count.limit) / SURE / math.sqrt(2.0)
    of_counting = (Doubt.STROKES, Doubt.WATCH)
    rest = own.repeat_sd**2 - sum(own.parts[doubt] ** 2 for doubt in of_counting)
    left = wanted**2 - rest
    if left <= 0.0:
        return None
    needed = math.ceil(math.sqrt((1.0 / 3.0 + (WATCH_SD * count.rate) ** 2) / left))
    return needed if needed <= MOST_STROKES else None


def _same_gauge(one: HandCount, other: HandCount) -> bool:
    return (one.on_oil, one.gauge_class, one.full_scale) == (
        other.on_oil,
        other.gauge_class,
        other.full_scale,
    )


def _change(count: HandCount, before: Sequence[HandCount]) -> Change | None:
    """Growth since the first counts of the jewel, weighted by how sure each is."""
    first = before[:REFERENCE]
    if not first:
        return None
    now, were = point(count), [point(each) for each in first]
    weights = np.array([1.0 / each.repeat_sd**2 for each in were])
    reference = float(np.average([each.log_area for each in were], weights=weights))
    variance = now.repeat_sd**2 + float(1.0 / weights.sum())
    if not all(_same_gauge(each, count) for each in first):
        variance += 2.0 * estimate(count).parts[Doubt.GAUGE] ** 2
    growth, sd = now.log_area - reference, math.sqrt(variance)
    return Change(len(first), math.expm1(growth), sd, float(ndtr(growth / sd)))


def _stands_out(change: Change) -> bool:
    return math.log1p(change.growth) > SURE * change.sd


def _trend(counts: Sequence[HandCount]) -> Trend | None:
    """Weighted straight line of the log area over days; None for too few counts or days."""
    days = np.array([each.time_ns for each in counts], dtype=float) / DAY_NS
    if len(counts) < LEAST_FOR_TREND or np.ptp(days) < LEAST_SPAN:
        return None
    points = [point(each) for each in counts]
    y = np.array([each.log_area for each in points])
    weights = np.array([1.0 / each.repeat_sd**2 for each in points])
    x = days - np.average(days, weights=weights)
    spread = float(np.sum(weights * x**2))
    slope = float(np.sum(weights * x * y)) / spread
    weekly, sd = WEEK * slope, WEEK / math.sqrt(spread)
    left = None
    if weekly > SURE * sd:
        grown = slope * (days[-1] - days[0])
        left = max(math.log1p(counts[-1].limit) - grown, 0.0) / weekly
    return Trend(len(counts), weekly, sd, left)


def _verdict(
    count: HandCount, own: Estimate, change: Change | None, trend: Trend | None, leak: float
) -> tuple[State, str]:
    """The state, and why; `leak` is the share of strokes newly lost, nan where not counted."""
    plate = count.plate
    if (
        plate.regulation == "bypass"
        and plate.rated_pressure
        and own.pressure >= BYPASS_OPENS * plate.rated_pressure
    ):
        return State.CANNOT_TELL, (
            "the bypass holds the pressure and spills what is left over, so pressure and speed say "
            "nothing about the bore"
        )
    if change is None:
        return _by_itself(count, own)
    limit = math.log1p(count.limit)
    growth = math.log1p(change.growth)
    if growth < -SURE * change.sd:
        return State.CANNOT_TELL, (
            "the effective area is smaller than at first: something blocks the orifice, another "
            "bore was fitted, or the gauge has drifted"
        )
    if _stands_out(change):
        if leak > max(LEAKS, SURE * own.leak_sd, 0.5 * growth):
            return State.OTHER_FAULT, (
                "dead-headed, the pump keeps stroking: a leak takes much of the water that a "
                "larger bore would explain"
            )
        if growth >= limit:
            return State.OPENED, "the effective area has grown by the limit or more"
        return State.WEARING, "the effective area has grown, and not by chance"
    if trend is not None and trend.is_clear:
        return State.WEARING, "no single count stands out, and the line through all of them rises"
    if SURE * change.sd > limit:
        return State.CANNOT_TELL, (
            "so few strokes can't show a growth by the limit; count more of them"
        )
    return State.SOUND, "no change since the first counts of this jewel that this one could show"


def _by_itself(count: HandCount, own: Estimate) -> tuple[State, str]:
    low, high = own.bore_interval
    stated = math.sqrt(sum(bore**2 for bore in count.bores))
    if low > stated or high < stated:
        size = "larger" if low > stated else "smaller"
        if count.plate.is_intensifier and 2.0 * low**2 < stated**2 < 2.0 * high**2:
            return State.CANNOT_TELL, (
                "half of the strokes to expect: count every travel of the plunger, to and fro"
            )
        return State.NOT_STATED_BORE, (
            f"the effective bore is {size} than stated, by more than all unknown facts together"
        )
    return State.LEARNING, (
        "first count of this jewel: it agrees with the stated bore, and later ones are compared "
        "with it"
    )

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
FIRST_SURE = 2.0  # standard deviations by which a first count may be above the stated bore
LEAST_FOR_TREND = 3  # counts
LEAST_SPAN = 3.0  # days that a trend must cover; invented
LEAKS = 0.03  # share of the strokes lost dead-headed that counts as a leak; invented
BYPASS_OPENS = 0.99  # of the rated pressure
MOST_STROKES = 10_000
DAY_NS = 86_400 * 10**9
WEEK = 7.0  # days


class Change(NamedTuple):
    """Growth of the effective area (0.08: +8 %) since the `counts` reference counts of the jewel.

    `with_leak` is the growth as counted. Where both this count and the reference have a dead-headed
    one, `leak_off` is set and `growth` has the strokes newly lost taken off; else both are the
    same. `lost` is the share of strokes newly lost and `lost_sd` its standard uncertainty, nan
    where this count has no dead-headed one.
    """

    counts: int
    growth: float
    sd: float
    probability: float  # that it has grown at all
    with_leak: float
    leak_off: bool
    lost: float
    lost_sd: float

    @property
    def is_leak(self) -> bool:
        """Whether a leak explains half of the growth as counted, or more."""
        return self.lost > max(LEAKS, SURE * self.lost_sd, 0.5 * math.log1p(self.with_leak))


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


class _Past(NamedTuple):
    """What the earlier counts of a jewel leave for the next: those that it is compared with.

    `told` are the latest counts in a row that were told as grown, `opened` those of them told as
    opened up.
    """

    reference: tuple[HandCount, ...] = ()
    told: int = 0
    opened: int = 0


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
    past = _past(before)
    change = _change(count, past.reference)
    trend = _trend([*before, count])
    state, reason = _verdict(count, own, change, trend, past)
    if trend is not None and trend.weeks_left is not None:
        if state is State.OPENED:
            trend = trend._replace(weeks_left=0.0)  # past the limit, whatever the line says
        elif state is State.OTHER_FAULT:
            trend = trend._replace(weeks_left=None)  # the pace is that of the leak
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
        again=state in (State.OPENED, State.WEARING, State.CANNOT_TELL) and not past.told,
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


def starts_high(count: HandCount, own: Estimate) -> bool:
    """Whether the count alone shows more area than stated, by more than twice its uncertainty.

    C_d is left out: a jewel that was opened when first counted looks like one of a high C_d.
    """
    return own.log_area - math.log(count.stated_area) > FIRST_SURE * own.area_sd


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


def _past(before: Sequence[HandCount]) -> _Past:
    """What the counts `before`, of one jewel and in order of time, leave for the next.

    A count that is suspect never joins the reference, or a bore that has opened would be compared
    with itself. Once two in a row were told as grown, nothing joins it any more.
    """
    past, is_closed = _Past(), False
    for i, each in enumerate(before):
        change = _change(each, past.reference)
        reference = past.reference
        grown = change is not None and _stands_out(change) and not change.is_leak
        told = past.told + 1 if grown else 0
        is_closed = is_closed or told > 1
        if not is_closed and len(reference) < REFERENCE and not _is_suspect(change):
            trend = _trend(before[: i + 1])
            if trend is None or not trend.is_clear:
                reference = (*reference, each)
        opens = grown and (past.opened > 0 or (change is not None and change.growth >= each.limit))
        past = _Past(reference, told, past.opened + 1 if opens else 0)
    return past


def _is_suspect(change: Change | None) -> bool:
    """Whether the area has changed either way, with the leak or without it, and not by chance."""
    if change is None:
        return False
    growths = (change.growth, change.with_leak)
    return any(abs(math.log1p(growth)) > SURE * change.sd for growth in growths)


def _change(count: HandCount, first: Sequence[HandCount]) -> Change | None:
    """Growth since the `first` counts of the jewel, weighted by how sure each is."""
    if not first:
        return None
    now, were = point(count), [point(each) for each in first]
    weights = np.array([1.0 / each.repeat_sd**2 for each in were])
    reference = float(np.average([each.log_area for each in were], weights=weights))
    variance = now.repeat_sd**2 + float(1.0 / weights.sum())
    if not all(_same_gauge(each, count) for each in first):
        variance += 2.0 * estimate(count).parts[Doubt.GAUGE] ** 2
    with_leak = growth = now.log_area - reference
    leak, lost_sd = leak_of(count)
    usual = [each for each in map(leak_of, first) if not math.isnan(each[0])]
    usual_leak = float(np.mean([share for share, _ in usual])) if usual else 0.0
    leak_off = bool(usual) and not math.isnan(leak)
    if leak_off:
        growth += math.log1p(-leak) - math.log1p(-usual_leak)
        lost_sd = math.hypot(lost_sd, math.hypot(*(sd for _, sd in usual)) / len(usual))
        variance += lost_sd**2
    sd = math.sqrt(variance)
    return Change(
        len(first),
        math.expm1(growth),
        sd,
        float(ndtr(growth / sd)),
        math.expm1(with_leak),
        leak_off,
        leak - usual_leak,
        lost_sd,
    )


def _stands_out(change: Change) -> bool:
    return math.log1p(change.growth) > SURE * change.sd


def _trend(counts: Sequence[HandCount]) -> Trend | None:
    """Weighted straight line of the log area over days; None for too few counts or days.

    Counts that lie further off the line than their uncertainties allow make it less sure by the
    Birge ratio (Phys. Rev. 40, 207, 1932), so one wrong count among three makes no trend.
    """
    days = np.array([each.time_ns for each in counts], dtype=float) / DAY_NS
    if len(counts) < LEAST_FOR_TREND or np.ptp(days) < LEAST_SPAN:
        return None
    points = [point(each) for each in counts]
    y = np.array([each.log_area for each in points])
    weights = np.array([1.0 / each.repeat_sd**2 for each in points])
    x = days - np.average(days, weights=weights)
    spread = float(np.sum(weights * x**2))
    slope = float(np.sum(weights * x * y)) / spread
    off = y - np.average(y, weights=weights) - slope * x
    birge = math.sqrt(float(np.sum(weights * off**2)) / (len(counts) - 2))
    weekly, sd = WEEK * slope, WEEK / math.sqrt(spread) * max(birge, 1.0)
    left = None
    if weekly > SURE * sd:
        grown = slope * (days[-1] - days[0])
        left = max(math.log1p(counts[-1].limit) - grown, 0.0) / weekly
    return Trend(len(counts), weekly, sd, left)


def _verdict(
    count: HandCount, own: Estimate, change: Change | None, trend: Trend | None, past: _Past
) -> tuple[State, str]:
    """The state, and why."""
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
    if change.is_leak and math.log1p(change.with_leak) > SURE * change.sd:
        return State.OTHER_FAULT, (
            "dead-headed, the pump keeps stroking: a leak takes much of the water that a "
            "larger bore would explain"
        )
    if growth < -SURE * change.sd:
        return State.CANNOT_TELL, (
            "the effective area is smaller than at first: something blocks the orifice, another "
            "bore was fitted, or the gauge has drifted"
        )
    if _stands_out(change):
        return _grown(growth >= limit, past)
    if trend is not None and trend.is_clear:
        return State.WEARING, "no single count stands out, and the line through all of them rises"
    if SURE * change.sd > limit:
        return State.CANNOT_TELL, (
            "so few strokes can't show a growth by the limit; count more of them"
        )
    return State.SOUND, "no change since the first counts of this jewel that this one could show"


def _grown(by_limit: bool, past: _Past) -> tuple[State, str]:
    """The verdict on a count that stands out; one told before as opened up is not taken back."""
    times = "twice" if past.opened == 1 else f"{past.opened + 1} times in a row"
    told = f"told {times}: opened up; " if past.opened else ""
    if by_limit:
        return State.OPENED, f"{told}the effective area has grown by the limit or more"
    if past.opened:
        return State.OPENED, (
            f"{told}the effective area had grown by the limit or more, and this count too shows "
            "growth that is not by chance"
        )
    return State.WEARING, "the effective area has grown, and not by chance"


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
    if starts_high(count, own):
        return State.LEARNING, (
            "first count of this jewel, and it shows a larger area than the stated bore by more "
            "than its uncertainty: the jewel may already be open, or its C_d is high"
        )
    return State.LEARNING, (
        "first count of this jewel: it agrees with the stated bore, and later ones are compared "
        "with it"
    )

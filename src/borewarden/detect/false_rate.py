"""How often is a step told that is none, by how near this machine's noise comes to an alarm?

Peaks over a threshold (Pickands 1975, Ann. Stat. 3, 119-131; Coles 2001, "An Introduction to
Statistical Modeling of Extreme Values", ch. 4 and 5). The statistic of steps up, over its
threshold, comes in peaks. What a peak exceeds a level by is taken for exponential. Not all of those
that reach the threshold last for as long as a step has to before it is told, so that

    alarms per hour = peaks per hour * exp(-(1 - level) * decay) * share that lasts.

It changes no verdict.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, gammaincinv

# All of these are invented.
LEVEL = 0.3  # of the threshold: a peak has to be higher
APART = 30  # batches below `LEVEL` after which a peak is over
KEPT = 50  # peaks, the highest
FEWEST = 8  # peaks from which on there is more than an upper bound
PRIOR = (3.0, 0.5)  # peaks known beforehand, and by how much they exceed the level together
ENDS = (0.025, 0.5, 0.975)  # of the belief: lower end, middle and upper end of the interval


@dataclass(frozen=True)
class FalseRate:
    """How many steps are told falsely, by what was seen of this jewel, and what was told.

    `low`, `middle` and `high` are per jet hour, with 95 % between the outer two; below `FEWEST`
    `peaks` only `high` means anything. `asked` is what the settings ask for. Within the `hours` in
    which nothing was told, alerts began `told` times; `gone` of them went away by themselves.
    `watched` are all jet hours since the jewel was learned, 0 in older rows.
    """

    low: float
    middle: float
    high: float
    asked: float
    peaks: int
    hours: float
    told: int = 0
    gone: int = 0
    watched: float = 0.0

    @property
    def is_bound(self) -> bool:
        """Whether too few peaks were seen for more than an upper bound."""
        return self.peaks < FEWEST


class Peaks:
    """The highest peaks of one jewel's statistic over its threshold.

    What is told as a fault and stands says nothing of false alarms. An alarm that went away by
    itself was one: its peak is known to have reached the threshold, and no more. A peak that
    reached it and was not told did not last.
    """

    def __init__(self) -> None:
        self._highest: list[float] = []  # one more than are used, the lowest first
        self._hours = 0.0  # of jet in which nothing was told
        self._watched = 0.0  # of jet
        self._reached = 0.0  # by the peak that is not over yet; 0 if there is none
        self._below = 0  # batches since it was above `LEVEL`
        self._last_hours: float | None = None
        self._is_told = False
        self._told = self._gone = 0
        self._lasted = self._passed = 0  # peaks that reached the threshold: told and gone; untold

    def take(self, batches: Iterable[tuple[float, float, bool]]) -> None:
        """Take the newest batches, in order.

        Each is its statistic over the threshold, the jet hours by then, and whether a change is
        told by then.
        """
        for ratio, hours, told in batches:
            took = 0.0 if self._last_hours is None else max(hours - self._last_hours, 0.0)
            self._last_hours = hours
            self._watched += took
            if told:
                if not self._is_told:
                    self._told += 1
                    self._reached = max(self._reached, ratio)  # some are told at once
                self._is_told = True
                continue
            if self._is_told:
                self._is_told = False
                self._gone += 1
                if self._reached < 1.0:  # something else was told, and this peak was cut short
                    self._reached = 0.0
                self._lasted += self._reached >= 1.0
                self._end_peak()
            self._hours += took
            if ratio > LEVEL:
                self._reached, self._below = max(self._reached, ratio), 0
            elif self._reached > 0.0:
                self._below += 1
                if self._below >= APART:
                    self._passed += self._reached >= 1.0
                    self._end_peak()

    def _end_peak(self) -> None:
        if self._reached > 0.0:
            insort(self._highest, min(self._reached, 1.0))
            del self._highest[: -KEPT - 1]
        self._reached, self._below = 0.0, 0

    def rate(self, asked: float) -> FalseRate | None:
        """What is believed by now; None before any jet hour. `asked` is per jet hour, too.

        Peaks come as a Poisson process with Jeffreys' prior, and the decay has a gamma prior, so
        both have gamma distributions. Beforehand any share that lasts is as probable as another
        (Laplace's rule of succession), so it has a beta distribution. The ends are joined on the
        log scale as in Zou & Donner (2008, Stat. Med. 27, 1693-1702).
        """
        if self._hours <= 0.0:
            return None
        level, above = LEVEL, self._highest
        if len(above) > KEPT:
            level, *above = above
        ended = sum(peak < 1.0 for peak in above)
        excess = sum(above) - level * len(above)
        often = np.log(_quantiles(len(above) + 0.5, self._hours))
        known, sum_known = PRIOR
        fall = (1.0 - level) * _quantiles(ended + known, excess + sum_known)
        lasts = np.log(betaincinv(self._lasted + 1.0, self._passed + 1.0, ENDS))
        parts = np.array([often, -fall[::-1], lasts])
        ends = np.linalg.norm(parts - parts[:, 1:2], axis=0) * [-1.0, 0.0, 1.0]
        low, middle, high = np.exp(parts[:, 1].sum() + ends).tolist()
        return FalseRate(
            low=low,
            middle=middle,
            high=high,
            asked=asked,
            peaks=len(above),
            hours=self._hours,
            told=self._told,
            gone=self._gone,
            watched=self._watched,
        )


def _quantiles(count: float, total: float) -> NDArray[np.float64]:
    """Lower end, middle and upper end of what was seen `count` times in `total`, for one."""
    return np.asarray(gammaincinv(count, ENDS) / total)

"""A second opinion: what a general-purpose detector makes of the batches that the watcher judges.

It takes one number a batch, and knows nothing of pressure, of what wanders, or of causes. It
changes no verdict. Where the two disagree, people may want to know.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from river.drift import PageHinkley

DELTA = 0.5  # standard deviations of a batch: a change of the mean below it is none; invented
# For one false alarm in 1,000 jet hours of white noise, batches of 10 s: simulated by
# `tests/benchmarks/bench_second_opinion.py`.
THRESHOLD = 11.5
FEWEST = 30  # values of a level before a change of it is looked for; river's default
SETTLES = 20  # batches after an alarm until it may have come to nothing; invented


@dataclass(frozen=True)
class Opinion:
    """What the detector says of a jewel's area, and how often it and the watcher saw the same.

    `since_ns` is when it saw the area change, None while it sees no change. The rest counts the
    times at which at least one of the two saw a change, this one included.
    """

    since_ns: int | None = None
    both: int = 0
    only_watcher: int = 0
    only_detector: int = 0


class SecondOpinion:
    """river's two-sided Page-Hinkley test (Page 1954, Biometrika 41, 100-115) of one jewel.

    It begins at the baseline. `alpha` is 1: with river's default, what pulls the sums back is
    forgotten, and they alarm by themselves some thirty times as often. After an alarm the test
    starts anew at the level it is at. The change stands until the mean since the newest alarm is
    within `DELTA` of the baseline.
    """

    def __init__(self) -> None:
        self._test = PageHinkley(min_instances=FEWEST, delta=DELTA, threshold=THRESHOLD, alpha=1.0)
        for _ in range(FEWEST):
            self._test.update(0.0)  # the baseline
        self._since_ns: int | None = None
        self._sum, self._count = 0.0, 0  # of the values since the newest alarm
        self._watcher = self._detector = False  # who has seen what goes on now
        self._over = [0, 0, 0]  # times that are over: both, only the watcher, only the detector

    @property
    def opinion(self) -> Opinion:
        """What it says by now."""
        times = self._over.copy()
        if self._watcher or self._detector:
            times[self._kind()] += 1
        return Opinion(self._since_ns, *times)

    def take(self, batches: Iterable[tuple[float, int, bool]]) -> None:
        """Take the newest batches, in order.

        Each is its log area ratio over its noise, its end (ns), and whether the watcher tells of a
        change by then.
        """
        test = self._test
        for value, end_ns, told in batches:
            test.update(value)
            if test.drift_detected:
                self._since_ns = end_ns if self._since_ns is None else self._since_ns
                self._sum, self._count = 0.0, 0
            elif self._since_ns is not None:
                self._settle(value)
            if told or self._since_ns is not None:
                self._watcher |= told
                self._detector |= self._since_ns is not None
            elif self._watcher or self._detector:
                self._over[self._kind()] += 1
                self._watcher = self._detector = False

    def _settle(self, value: float) -> None:
        """See whether the change has gone, or come to nothing."""
        self._sum, self._count = self._sum + value, self._count + 1
        if self._count >= SETTLES and abs(self._sum) < DELTA * self._count:
            self._since_ns = None

    def _kind(self) -> int:
        """The place in `_over` of what goes on now."""
        return 0 if self._watcher and self._detector else 1 if self._watcher else 2

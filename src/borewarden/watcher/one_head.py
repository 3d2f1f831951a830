"""The watch of a single stated head, on a pump to which others may be connected, too.

A head that nobody has stated doubles the area while it is open. The first time, that is an event
like any other, but told once however long it stays. Once it has come and gone, it is known for a
day: its batches are left out, and nothing more is told of it. Until then every batch goes straight
to the `BoreWatch`.

Where the baseline was learned with more heads open, that is told with it. What is left when one of
them closes is known then, and is left out, too.
"""

from __future__ import annotations

import copy
import math
from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.baseline import Baseline
from borewarden.detect.habits import HabitsByHeads
from borewarden.gate.batch import BatchKind
from borewarden.watcher.batch_loop import NO_RESULTS, RESULT
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import LowPressureEvent, Monitor, StepEvent, Watching
from borewarden.watcher.heads import area_told
from borewarden.watcher.known import Known
from borewarden.watcher.levels import words_of
from borewarden.watcher.monitor import AT_BASELINE
from borewarden.watcher.verdict import STATES, State, Verdict

MORE = math.log(1.5)  # in log area: what opens up by so much may be another head; invented
WHOLE = 0.2  # off a whole number of heads, at most; invented
BETWEEN = 0.08  # in log area: a batch so far off may have ended with another head; invented
DAY_NS = 86_400 * 10**9
BY_TURNS = (
    "and no bore does that by itself: if another head cuts by turns, state it, with a [[jewel]] "
    "and a valve signal for each head"
)
SETTLES = "a [[jewel]] and a valve signal for each head would settle it"
NUMBERS = {2: "two", 3: "three", 4: "four"}
QUIET = (State.LEARNING, State.SOUND)
RESTING = (State.SOUND, State.NOT_STATED_BORE)  # while nothing happens
_IS_OF_JETS = np.isin(list(BatchKind), (BatchKind.STEADY, BatchKind.LOW))  # by kind
_PLACES = {state: place for place, state in enumerate(STATES)}


class OneHeadWatch:
    """A `BoreWatch`, and what is known of a head beside it that was not stated."""

    def __init__(self, bore: BoreWatch) -> None:
        self.bore = bore
        self._stated = bore.monitor.setup.jewels[0].nominal_area
        self._heads = 1  # open at the newest event
        self._told: State | None = None  # of more heads, as long as they stay
        self._seen_ns: int | None = None  # when a head that comes and goes was last open
        self._is_open = False
        self._held: NDArray[np.void] | None = None  # waits to show how it ended

    @property
    def state(self) -> State:
        """What is told of the bore."""
        return self._told or self.bore.state

    @property
    def reason(self) -> str:
        """Why that is told."""
        return self.bore.reason

    @property
    def baseline(self) -> Baseline | None:
        """What was learned of the jewel, None before that."""
        return self.bore.baseline

    @property
    def monitor(self) -> Monitor:
        """The state as it is now."""
        return self.bore.monitor

    @property
    def habits(self) -> HabitsByHeads:
        """What to leave to the next jewel."""
        habits, (jewel,) = self.bore.habits, self.monitor.setup.jewels
        return {words_of([jewel.head]): habits} if habits else {}

    def known(self) -> tuple[Known, ...]:
        """What was learned, and how well."""
        return (self.bore.known(),)

    def fork(self) -> Self:
        """A copy to go on with."""
        other = copy.copy(self)
        other.bore = self.bore.fork()
        return other

    def verdict(self) -> Verdict:
        """The state now, with the numbers of the last few batches."""
        verdict = self.bore.verdict()
        if self._told is not None:
            verdict = replace(verdict, state=self._told)
        verdict = self._in_words(verdict)
        if self._heads > 1 or not self._is_open:
            return verdict
        now = "fewer heads are" if self._learned_with > 1 else "another head is"
        return replace(verdict, reason=f"{now} open now; before: {verdict.reason}")

    @property
    def _learned_with(self) -> int:
        """How many heads were open while the baseline was learned, by what the stated one takes."""
        baseline = self.bore.baseline
        if baseline is None or baseline.discharge_coefficient <= baseline.plausible_high:
            return 1
        return heads_of(math.log(baseline.area / self._stated))

    def _in_words(self, verdict: Verdict) -> Verdict:
        """The `verdict` with the heads that may be open."""
        if verdict.reason == AT_BASELINE and self._seen_ns is None:
            return replace(verdict, reason=f"{AT_BASELINE}, {BY_TURNS}")
        heads = self._heads if verdict.state not in RESTING else self._learned_with
        if heads == 1 or verdict.state in QUIET:
            return verdict
        return replace(verdict, reason=f"{more_heads(heads)} ({verdict.reason}); {SETTLES}")

    def learn_many(self, batches: NDArray[np.void]) -> tuple[NDArray[np.void], list[Verdict]]:
        """Take batches of the gate, as a `BoreWatch` does."""
        if len(batches) == 0:  # most calls, where samples come one by one
            return NO_RESULTS, []
        usual = self._usual(batches)
        if usual == len(batches):  # nearly always
            found, told = self.bore.learn_many(batches)
            return found, [self._in_words(verdict) for verdict in told]
        rows, changes = np.zeros(len(batches), dtype=RESULT), list[Verdict]()
        taken, made = 0, 0
        while taken < len(batches):
            row, changed, count = self._take_first(batches[taken:])
            rows[made : made + len(row)] = row
            made += len(row)
            changes += changed
            taken += count
        return rows[:made], changes

    def _take_first(self, batches: NDArray[np.void]) -> tuple[NDArray[np.void], list[Verdict], int]:
        """Take as many of the first `batches` as are alike; also returns how many."""
        if self.bore.baseline is None:
            rows, told, count = self.bore.learn_first(batches)
            return rows, [self._in_words(verdict) for verdict in told], count
        usual = self._usual(batches)
        if usual:
            rows, told = self.bore.learn_many(batches[:usual])
            return rows, [self._in_words(verdict) for verdict in told], usual
        return *self._take(batches[:1]), 1

    def _usual(self, batches: NDArray[np.void]) -> int:
        """How many of the first `batches` are those of one head, once that is known."""
        if self._seen_ns is not None or self._heads > 1 or self.bore.baseline is None:
            return 0
        more = np.flatnonzero(self._off(batches) > MORE)
        return int(more[0]) if len(more) else len(batches)

    def _off(self, batches: NDArray[np.void]) -> NDArray[np.float64]:
        """How far jets are off the baseline, in log area, towards more heads; nan if not known.

        Towards fewer, where it was learned with more; what is less than one head takes is no head.
        """
        if self.bore.baseline is None:
            return np.full(len(batches), np.nan)
        growth = np.log(np.maximum(batches["area"] / self.bore.baseline.area, 1e-9))
        growth[~_IS_OF_JETS[batches["kind"]]] = np.nan
        heads = self._learned_with
        if heads > 1:
            growth = np.where(heads * np.exp(growth) < 1.0 - WHOLE, 0.0, -growth)
        return np.asarray(growth)

    def _take(self, one: NDArray[np.void]) -> tuple[NDArray[np.void], list[Verdict]]:
        end_ns = int(one["end_ns"][0])
        if self._seen_ns is not None and end_ns - self._seen_ns > DAY_NS:
            self._seen_ns, self._is_open = None, False
        off = float(self._off(one)[0])
        if off > MORE and self._learned_with > 1:
            self._seen_ns = end_ns  # that there are more was told with the baseline
        if self._seen_ns is None or math.isnan(off):
            return self._give(one)
        if off > MORE:
            self._seen_ns, self._is_open, self._held = end_ns, True, None
            return self._left_out(one), []
        if self._is_open:  # the first one after it began with both
            self._is_open = False
            return self._left_out(one), []
        if self._held is not None:
            _, changes = self._give(self._held)
            self._held = None
            row, more = self._give(one)
            return row, changes + more
        if off > BETWEEN and self.state in RESTING:
            self._held = one.copy()
            return self._left_out(one), []
        return self._give(one)

    def _give(self, one: NDArray[np.void]) -> tuple[NDArray[np.void], list[Verdict]]:
        """Give one batch to the watch, and see whether that ends an event of another head."""
        rows, found = self.bore.learn_many(one)
        changes = []
        monitor = self.bore.monitor
        event = monitor.event if isinstance(monitor, Watching) else None
        for verdict in found:
            before = self._heads
            if verdict.state in RESTING:
                self._heads = 1
            elif isinstance(event, StepEvent | LowPressureEvent):
                self._heads = heads_of(event.step.size)
                area = area_told(monitor) if verdict.state is not State.OPENED else None
                if self._heads == 1 and area is not None and self.bore.baseline is not None:
                    # it may have come bit by bit
                    self._heads = heads_of(area - math.log(self.bore.baseline.area))
            if before > 1 and self._heads == 1 and not self._off(one)[0] > MORE:
                self._seen_ns = verdict.time_ns
            if self._heads == 1:
                self._told = None
            elif before == 1 or verdict.state is State.OPENED:
                self._told = verdict.state
            else:  # told already
                continue
            changes.append(self._in_words(verdict))
        if self._told is not None:
            rows["state"] = _PLACES[self._told]
        return rows, changes

    def _left_out(self, one: NDArray[np.void]) -> NDArray[np.void]:
        """The row of a batch that the watch does not take."""
        rows = self.bore.fork().learn_many(one)[0]
        rows["state"] = _PLACES[self.state]
        rows["probability"] = self.bore.verdict().probability
        return rows


def heads_of(growth: float) -> int:
    """How many heads a step of the log area, from one of them, may mean; 1 if it is no such one."""
    heads = round(math.exp(growth))
    near = abs(math.exp(growth) - heads) <= WHOLE * heads
    return heads if growth > MORE and near else 1


def more_heads(heads: int) -> str:
    """That more heads are open than were stated."""
    return f"more heads open than you stated: {NUMBERS.get(heads, heads)}?"

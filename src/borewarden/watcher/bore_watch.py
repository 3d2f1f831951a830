"""Keeps the loop going: batches in, rows and verdicts out.

The arrays of the loop are the one thing here that changes in place. At each stop they are read
into the state, `monitor.transition` says which state follows, and that is written back.
"""

from __future__ import annotations

import copy
import math
from bisect import bisect_left
from dataclasses import replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.baseline import Baseline
from borewarden.detect.false_rate import Peaks
from borewarden.detect.habits import Habits
from borewarden.detect.second_opinion import SecondOpinion
from borewarden.detect.step import RING, WINDOW
from borewarden.diagnose.features import Idle
from borewarden.gate.batch import HEADS, ONLY_KEPT, BatchKind
from borewarden.jewels.jewel import Jewel, stated_area, stated_bores_area
from borewarden.physics.pump import Pump
from borewarden.watcher.batch_loop import (
    LOOP,
    NO_RESULTS,
    OTHER_HEADS,
    RESULT,
    Block,
    Mode,
    Reference,
    Running,
    Stop,
    judge,
)
from borewarden.watcher.events import Learning, Monitor, Setup, changed
from borewarden.watcher.known import Known, known_of
from borewarden.watcher.monitor import (
    JudgeAgain,
    Notice,
    Observation,
    Told,
    seconds_wanted,
    transition,
    with_line_batches,
)
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.summary import verdict_of
from borewarden.watcher.verdict import NO_CHANGE, STATES, State, Verdict

_TELLS = np.array([state not in NO_CHANGE for state in STATES])
_IS_ONLY_KEPT = np.isin(list(BatchKind), ONLY_KEPT)  # by kind; looking it up costs next to nothing
_PLACES = {state: place for place, state in enumerate(STATES)}
# Of the record, those that the monitor writes; each has the name of its field in a state.
_PARTS = ("reference", "expected", "detector", "running", "block", "signals")


class BoreWatch:
    """One jewel (or the jewels of several heads on one pump), from fitting to removal.

    `habits` are what the watch of the jewel before has left.
    """

    def __init__(
        self,
        pump: Pump,
        jewels: list[Jewel],
        settings: WatchSettings,
        habits: Habits | None = None,
    ) -> None:
        hours = max(jewel.jet_hours for jewel in jewels)
        area = stated_area(jewels)
        self._monitor: Monitor = Learning(
            setup=Setup(pump, tuple(jewels), settings, habits),
            told=State.LEARNING,
            reason="no steady cutting yet",
            reference=Reference(hours, area, area / stated_bores_area(jewels)),
            running=Running(hours=hours),
            idle={kind: Idle() for kind in BatchKind},
        )
        self._ring = np.zeros(WINDOW, dtype=RING)
        self._record = np.zeros(1, dtype=LOOP)
        self._second = SecondOpinion()
        self._peaks = Peaks()
        self._write(None, self._monitor)

    @property
    def state(self) -> State:
        """What is told of the bore."""
        return self._monitor.told

    @property
    def reason(self) -> str:
        """Why that is told."""
        return self._monitor.reason

    @property
    def baseline(self) -> Baseline | None:
        """What was learned of the jewel, None before that."""
        return None if isinstance(self._monitor, Learning) else self._monitor.baseline

    @property
    def habits(self) -> Habits | None:
        """What to leave to the next jewel: its own, or those it was given where it has none."""
        return self.own_habits or self._monitor.setup.habits

    @property
    def own_habits(self) -> Habits | None:
        """What the pump has shown to this watch itself."""
        return None if isinstance(self._monitor, Learning) else self._monitor.habits

    @property
    def ring(self) -> NDArray[np.void]:
        """The newest batches, dtype `RING`; a view."""
        return self._ring

    @property
    def monitor(self) -> Monitor:
        """The state as it is now, with the figures that the loop has got to."""
        *_, running, block, signals = self._record[0].item()
        return changed(
            self._monitor,
            running=Running(*running),
            block=Block(*block),
            signals=self._monitor.signals._replace(mean=signals[0].copy()),
        )

    def known(self, heads: str = "") -> Known:
        """What was learned, and how well."""
        monitor = self.monitor
        return known_of(monitor, self._ring, seconds_wanted(monitor), heads)

    def learn_from(self, habits: Habits, baseline_time: float) -> None:
        """Go by what the same pump has shown elsewhere meanwhile, as long as this still learns.

        So `baseline_time`, s of steady jet, is enough. Habits of its own come first.
        """
        monitor = self._monitor
        if not isinstance(monitor, Learning):
            return
        setup = monitor.setup
        settings = replace(setup.settings, baseline_time=baseline_time)
        setup = setup._replace(settings=settings, habits=setup.habits or habits)
        self._monitor = changed(monitor, setup=setup)

    def fork(self) -> Self:
        """A copy to go on with. What never changes is shared."""
        other = copy.copy(self)
        other._ring, other._record = self._ring.copy(), self._record.copy()
        other._second = copy.deepcopy(self._second)
        other._peaks = copy.deepcopy(self._peaks)
        return other

    def verdict(self) -> Verdict:
        """The state now, with the numbers of the last few batches."""
        verdict = verdict_of(self.monitor, self._ring)
        if isinstance(self._monitor, Learning):
            return verdict
        asked = 1.0 / self._monitor.setup.settings.false_alarm_hours
        opinion, rate = self._second.opinion, self._peaks.rate(asked)
        return replace(verdict, second_opinion=opinion, false_rate=rate)

    def learn_many(self, batches: NDArray[np.void]) -> tuple[NDArray[np.void], list[Verdict]]:
        """Take batches of the gate, dtype `BATCH`: a row of dtype `RESULT` for each steady one.

        Also returns the verdict at each change of what is told.
        """
        if len(batches) == 0:  # most calls, where samples come one by one
            return NO_RESULTS, []
        results = np.zeros(len(batches), dtype=RESULT)
        changes: list[Verdict] = []
        _, made = self._take(batches, results, changes)
        return np.array(results[:made]), changes

    def learn_first(self, batches: NDArray[np.void]) -> tuple[NDArray[np.void], list[Verdict], int]:
        """Take batches until the baseline is known; also returns how many."""
        results = np.zeros(len(batches), dtype=RESULT)
        changes: list[Verdict] = []
        taken, made = self._take(batches, results, changes, to_baseline=True)
        return np.array(results[:made]), changes, taken

    def _take(
        self, batches: Any, results: Any, changes: list[Verdict], to_baseline: bool = False
    ) -> tuple[int, int]:
        """Take `batches`, or those up to the baseline; how many of them, and rows made."""
        taken, made = 0, 0
        unheard, heard = 0, 0
        of_the_line = np.flatnonzero(_IS_ONLY_KEPT[batches["kind"]])
        places, kept = of_the_line.tolist(), 0
        displacement = self._monitor.setup.pump.displacement
        while taken < len(batches):
            taken, made, stop = judge(
                batches, taken, self._record, self._ring, displacement, results, made
            )
            notices: tuple[Notice, ...] = ()
            by_now = bisect_left(places, taken, kept)
            if by_now > kept:
                line_batches = batches[of_the_line[kept:by_now]]
                self._monitor = with_line_batches(self._monitor, line_batches)
                kept = by_now
            if stop != Stop.NOTHING:
                notices = self._think(Stop(stop), batches[taken - 1], results[made - 1 : made])
            if notices or taken == len(batches):  # before a verdict is asked for, and at the end
                self._let_hear(batches[unheard:taken], results[heard:made])
                unheard, heard = taken, made
            self._tell(notices, changes)
            if to_baseline and self.baseline is not None:
                break
        return taken, made

    def _let_hear(self, batches: Any, rows: Any) -> None:
        """Let those hear of `batches` that only look on; `rows` are those of the steady ones.

        But for those that the watch leaves out, since other heads were on.
        """
        if len(rows) == 0 or np.isnan(rows["log_ratio"][-1]):
            return
        usual = self._monitor.reference.heads
        if math.isfinite(usual):
            heads = batches["signals"][:, HEADS][batches["kind"] == BatchKind.STEADY]
            rows = rows[~(np.abs(heads - usual) > OTHER_HEADS)]
        noise = 2.0 * rows["bore_sd"] / rows["bore"]  # of the log area
        values = rows["log_ratio"] / noise
        told = _TELLS[rows["state"]].tolist()
        self._second.take(zip(values.tolist(), rows["end_ns"].tolist(), told, strict=True))
        ratios = rows["statistic"] / rows["threshold"]
        self._peaks.take(zip(ratios.tolist(), rows["jet_hours"].tolist(), told, strict=True))

    def _think(self, stop: Stop, batch: np.void, row: Any) -> tuple[Notice, ...]:
        """Let the monitor answer a stop of the loop. `row` is that of `batch`, if it was steady."""
        before = self.monitor
        self._monitor, notices = transition(before, Observation(stop, batch, self._ring))
        self._write(before, self._monitor)
        if stop is not Stop.OTHER_KIND:
            row["state"] = _PLACES[self.state]
            if self._monitor.mode is not Mode.LEARNING:
                row["probability"] = self._monitor.running.probability
        return notices

    def _tell(self, notices: tuple[Notice, ...], changes: list[Verdict]) -> None:
        """Do what the monitor asks for."""
        for notice in notices:
            match notice:
                case Told():
                    changes.append(self.verdict())
                case JudgeAgain(again):
                    self._take(again, np.zeros(len(again), dtype=RESULT), changes)

    def _write(self, before: Monitor | None, now: Monitor) -> None:
        """Set the record of the loop by the state, where that has changed."""
        record = self._record[0]
        if before is None or now.mode is not before.mode:
            record["mode"] = now.mode
        if before is None or now.told is not before.told:
            record["told"] = _PLACES[now.told]
        old, new = vars(before) if before else {}, vars(now)
        for name in _PARTS:
            if new[name] is not old.get(name):
                record[name] = new[name]

"""One machine under watch: samples in, batches, alerts and a verdict out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.detect.habits import HabitsByHeads
from borewarden.detect.shape import explained
from borewarden.detect.step import RING
from borewarden.detect.wear import follow, moments
from borewarden.gate.batch import BatchKind
from borewarden.gate.gate import HOUR, Gate, GateSettings
from borewarden.gate.gate_loop import run_on_bytes
from borewarden.gate.speed_levels import MOST_SAME
from borewarden.jewels.fitting import FittedSet, fitted_sets
from borewarden.jewels.jewel import Jewel
from borewarden.physics import is_compiled
from borewarden.physics.pump import Pump
from borewarden.watcher.batch_loop import NO_RESULTS, judge
from borewarden.watcher.chatter import Chatter, contradictory, heard, quiet
from borewarden.watcher.events import Watching
from borewarden.watcher.heads import gate_of
from borewarden.watcher.heads_watch import HeadsWatch, watch_of
from borewarden.watcher.known import Known
from borewarden.watcher.one_head import OneHeadWatch
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import FIRST_LEARNED, NO_CHANGE, STATES, State, Verdict

CANNOT_TELL = STATES.index(State.CANNOT_TELL)
NEVER = np.iinfo(np.int64).max
AT_CEILING = (1.0125, 1.025)  # of its area: half way to a jet's, within these bounds; invented
CLEAR = 1.03  # of the larger of two levels, from which on it is neither; invented
FEW_AT_CEILING = 0.1  # of the first batches, which do no harm; invented
OFTEN = 0.02  # of the jet's time, that a crank idles: then it may be a closed jet's; invented
NO_ROWS = np.zeros(0, dtype=RING)
TWO_LEVELS = (
    "at one speed of the crank the pressure goes to and fro between two levels, and which of them "
    "is the open jet's can't be told without a valve signal; meanwhile the lower one is watched"
)
WENT_TO_AND_FRO = (
    "besides, the pressure went to and fro between two levels before, and which of them was the "
    "open jet's can't be told without a valve signal"
)
TOLD_BY_CRANK = (
    "which of the two levels is the open jet's is known by now: the crank slows down from the "
    "other one"
)
LOG_THE_VALVE = "log the valve signal of each head, which shows when the jet is open"


@dataclass(frozen=True)
class Alert:
    """A change of state that somebody should hear of, with the verdict at that moment."""

    time_ns: int
    verdict: Verdict

    @property
    def is_all_clear(self) -> bool:
        """Whether this one says that the bore is sound again."""
        return self.verdict.state is State.SOUND


class Handed(NamedTuple):
    """The habits of the pump with which the jewels fitted at `since_ns` begin."""

    since_ns: int
    habits: HabitsByHeads


class Learned(NamedTuple):
    """What one block of samples gave: `phases` has shape (n,).

    `batches` are the rows that closed in it, dtype `RESULT`, shape (m,). `handed` has, for each set
    of jewels that was fitted in it, since when, and what the one before has left to it.
    """

    phases: NDArray[np.int8]
    batches: NDArray[np.void]
    alerts: list[Alert]
    handed: tuple[Handed, ...] = ()


def join(parts: list[Learned]) -> Learned:
    """What several blocks gave, in order, as if they had been one. There has to be one at least."""
    return Learned(
        np.concatenate([part.phases for part in parts]),
        np.concatenate([part.batches for part in parts]),
        [alert for part in parts for alert in part.alerts],
        tuple(handed for part in parts for handed in part.handed),
    )


class Watcher:
    """Follows one machine. Live service and replay feed it alike, in blocks of any size.

    `gate.nominal_area` is taken from the `jewels`, which may be fitted before or during the data,
    in any order; whatever comes or goes starts a new baseline, as `fitted_sets` has it. Samples
    from before the first fitting are judged by the first jewels all the same. `jewels` are those
    in the heads now. `valve_heads` are the heads that have a valve signal each, in the order of
    their bits in `Samples.open_heads`. Raises ValueError if there are no jewels.
    """

    def __init__(
        self,
        pump: Pump,
        gate: GateSettings,
        jewels: list[Jewel],
        settings: WatchSettings | None = None,
        valve_heads: Sequence[str] = (),
    ) -> None:
        if not jewels:
            raise ValueError("state at least one fitted jewel")
        self.pump = pump
        self.settings = settings or WatchSettings()
        self.valve_heads = tuple(valve_heads)
        self._to_come = fitted_sets(jewels)
        self._chatter: Chatter
        # where one level is taken for the closed jet: relative area between it and the open one
        self._between: float | None
        self._ceiling: float  # m², the effective area up to which it may look like that
        self._larger: float  # m², the effective area of the other level
        self._is_sure: bool  # that what the bore's state says is none of the two
        self.bore: OneHeadWatch | HeadsWatch
        self._known: tuple[Known, ...] | None = None  # as of the newest batch, once asked for
        self._gate_settings = gate
        self.gate = Gate(gate, pump.displacement)
        self._earlier_jet_hours = self._earlier_missed_hours = self._earlier_idle_hours = 0.0
        self._given: Handed | None = None
        self._habits: HabitsByHeads = {}  # with which the jewels now in the heads began
        self._hours_before: dict[Jewel, float] = {}  # of jewels from earlier sets, where not stated
        # of the newest batch that was judged: its end, and the hours of jet by then
        self._judged_ns = 0
        self._judged_at: float
        self._judged_hours = 0.0  # of jet, in all such batches
        self.jewels: list[Jewel] = []
        self._fit(self._to_come[0])

    def learn_many(self, samples: Samples) -> Learned:
        """Take a block of samples in time order."""
        if not self._to_come:  # nearly always
            return self._learn_part(samples)
        parts: list[Learned] = []
        start = 0
        while self._to_come:
            reached = np.flatnonzero(samples.time_ns[start:] >= self._to_come[0].since_ns)
            if len(reached) == 0:
                break
            stop = start + int(reached[0])
            part = self._learn_part(rows(samples, start, stop))
            fitted = self._to_come.pop(0)
            self._fit(fitted)
            parts.append(part._replace(handed=(Handed(fitted.since_ns, self._habits),)))
            start = stop
        parts.append(self._learn_part(rows(samples, start) if start else samples))
        return parts[0] if len(parts) == 1 else join(parts)

    def expect(self, sets: list[FittedSet], newest_ns: int) -> None:
        """Take note of the `sets` to come after the newest sample seen, of `newest_ns`.

        Those up to then have to be as they were.
        """
        self._to_come = [s for s in sets if s.since_ns > newest_ns]

    def learn_one(self, time_ns: int, **channels: float) -> Learned:
        """Take one sample: a block of one; see `Samples` for the names and units."""
        columns = {name: np.array([value], float) for name, value in channels.items()}
        return self.learn_many(samples_of(np.array([time_ns], dtype=np.int64), **columns))

    @property
    def jet_hours(self) -> float:
        """Hours with the jet on, over all jewels seen."""
        return self._earlier_jet_hours + self.gate.jet_hours

    @property
    def head_hours(self) -> dict[str, float]:
        """Jet hours of the jewel in each head, those from before it was fitted included.

        Of a head without a valve signal they are the pump's, as `store.jet_times` counts them, too.
        """
        return {jewel.head: self._hours_of(jewel) for jewel in self.jewels}

    def expected_at(self, time_ns: int) -> list[Jewel]:
        """The jewels that will be in the heads at `time_ns`; before any sample was learned."""
        sets = [fitted.jewels for fitted in self._to_come if fitted.since_ns <= time_ns]
        return sets[-1] if sets else self.jewels

    def begin_with(self, hours: Mapping[Jewel, float], handed: Handed | None = None) -> None:
        """Take over what was learned before the first sample to come.

        The jet hours of jewels that were fitted before, and what the jewels before those had left.
        """
        self._hours_before.update(hours)
        self._given = handed

    @property
    def missed_hours(self) -> float:
        """Hours that went unseen while the jet was on when last seen."""
        return self._earlier_missed_hours + self.gate.missed_hours

    @property
    def idle_hours(self) -> float:
        """Hours of `jet_hours` in which the crank idled, without a valve signal."""
        return self._earlier_idle_hours + self.gate.idle_hours

    @property
    def unjudged_hours(self) -> float:
        """Hours with the jet on since the newest batch that was judged, or since the fitting.

        Cuts too short or too unsteady to judge make them.
        """
        return self.gate.jet_hours - self._judged_at

    @property
    def judged_hours(self) -> float:
        """Hours of steady jet that were judged, or learned from, over all jewels seen."""
        return self._judged_hours

    def known(self) -> tuple[Known, ...]:
        """What was learned of the fitted jewels, how well, and what is missing."""
        if self._known is None:
            self._known = self.bore.known()
        hours = self.gate.jet_hours  # those of batches alone would stand still in short cuts
        less, mean_time = self.gate.less_hours, self.gate.mean_time
        return tuple(
            replace(
                each,
                jet_hours=max(hours, each.jet_hours),
                less_hours=less * (place == 0),
                mean_time=mean_time,
            )
            for place, each in enumerate(self._known)
        )

    def verdict(self) -> Verdict:
        """The verdict now."""
        verdict = self._by_batches()
        if self.pump.floats:
            idle = self.gate.idle_hours
            if idle > OFTEN * self.gate.jet_hours:  # the crank tells, or is about to
                verdict = replace(verdict, closed_known=False, idle_hours=idle)
            else:
                stated = self._gate_settings.bypass_pressure < np.inf
                verdict = replace(verdict, level_known=verdict.closed_known or stated)
        hidden = self.gate.bypass_hours * HOUR > self.settings.baseline_time
        if verdict.state is State.LEARNING and hidden:
            reason = (
                "the bypass spilled whenever the jet was steady, so the jet's flow is not known; a "
                "larger bore or a lower crank speed would close the bypass"
            )
            return replace(verdict, state=State.CANNOT_TELL, reason=reason)
        return verdict

    def _by_batches(self) -> Verdict:
        """The verdict as an alert tells it.

        Nothing in it is the gate's own, which is further on by then if samples come in blocks.
        """
        verdict = replace(self.bore.verdict(), judged_ns=self._judged_ns)
        if self._chatter.since_ns is not None:
            return contradictory(verdict, self._chatter)
        return self._with_ceiling(verdict, self._is_sure)

    def _learn_part(self, samples: Samples) -> Learned:
        phases, closed = self.gate.learn_many(samples)
        if len(closed) == 0:  # most calls, where samples come one by one
            return Learned(phases, NO_RESULTS, [])
        self._known = None
        news = np.flatnonzero(closed["kind"] == BatchKind.CEILING)
        if len(news) == 0:  # nearly always
            return Learned(phases, *self._judge(closed))
        parts = [self._judge(closed[: news[0]])]
        for first, after in zip(news, [*news[1:], len(closed)], strict=True):
            parts.append((NO_RESULTS, self._take_ceiling(closed[first])))
            parts.append(self._judge(closed[first + 1 : after]))
        batches, alerts = zip(*parts, strict=True)
        return Learned(phases, np.concatenate(batches), [each for told in alerts for each in told])

    def _judge(self, closed: NDArray[np.void]) -> tuple[NDArray[np.void], list[Alert]]:
        """The rows and the alerts that batches of the gate make."""
        if self._between is not None:
            closed = closed[~self._is_of_ceiling(closed)]
            if len(closed) > 1:  # whether it is beyond both is asked as things stand at each batch
                parts = [self._judge(closed[i : i + 1]) for i in range(len(closed))]
                rows, alerts = zip(*parts, strict=True)
                return np.concatenate(rows), [alert for told in alerts for alert in told]
        steady = closed[closed["kind"] == BatchKind.STEADY]
        if len(steady):
            self._judged_ns = int(steady["end_ns"][-1])
            self._judged_at = float(steady["jet_seconds"][-1]) / HOUR
            for seconds in steady["time"].tolist():  # one by one, to the last bit
                self._judged_hours += seconds / HOUR
        before = self.bore.state if self._is_sure else State.CANNOT_TELL
        batches, changes = self.bore.learn_many(closed)
        if len(batches) == 0 and not changes:
            return batches, []
        sure = [self._is_sure, *map(self._is_beyond, changes)]
        told = []
        for verdict in map(self._with_ceiling, changes, sure[1:]):
            same = verdict.state is before and verdict.reason == TWO_LEVELS
            if not same and (before, verdict.state) != FIRST_LEARNED:
                told.append(verdict)
            before = verdict.state
        if self._between is not None:
            since = np.searchsorted([v.time_ns for v in changes], batches["end_ns"], side="right")
            batches["state"][~np.array(sure)[since]] = CANNOT_TELL
        self._is_sure = sure[-1]
        return batches, self._without_chatter(batches, told)

    def _take_ceiling(self, seen: np.void) -> list[Alert]:
        """Say that a level is taken for the closed jet; learn anew what was learned with it in."""
        if np.isnan(seen["resolution"]):
            return self._take_closed_level(seen)
        self._between = float(seen["resolution"])
        self._ceiling = float(seen["area"]) * float(np.clip(1.0 + 0.5 * self._between, *AT_CEILING))
        self._larger = float(seen["area"]) * (1.0 + self._between)
        if self._may_have_ceiling():
            self._watch_anew()
        self._is_sure = self._is_beyond(self.bore.verdict())
        if self._is_sure:
            return []
        verdict = replace(self._by_batches(), time_ns=int(seen["end_ns"]))
        return [Alert(verdict.time_ns, verdict)]

    def _take_closed_level(self, seen: np.void) -> list[Alert]:
        """Say, if it was not, that the closed jet's level is known by the crank."""
        was_sure, told = self._is_sure, self.bore.state
        self._between, self._ceiling, self._larger = None, np.nan, np.nan
        self._is_sure = True
        in_doubt = told is not State.OPENED and (told in NO_CHANGE or self._learned_closed(seen))
        if not was_sure or in_doubt:
            self._watch_anew()  # until now, closed jets were among what was learned
        if was_sure:
            return []
        verdict = self._by_batches()
        reason = f"{TOLD_BY_CRANK}; {verdict.reason}" if verdict.reason else TOLD_BY_CRANK
        verdict = replace(verdict, time_ns=int(seen["end_ns"]), reason=reason)
        return [Alert(verdict.time_ns, verdict)]

    def _learned_closed(self, seen: np.void) -> bool:
        """Whether the closed jet's level is in what was learned, at whatever speed of the crank."""
        rows = self._first_rows()
        alike = np.abs(rows["area"] / seen["area"] - 1.0) <= MOST_SAME
        return len(rows) > 0 and bool(np.mean(alike) > FEW_AT_CEILING)

    def _watching(self) -> Watching | None:
        """What a watch of one head goes by, once it has learned its baseline."""
        monitor = self.bore.monitor if isinstance(self.bore, OneHeadWatch) else None
        return monitor if isinstance(monitor, Watching) else None

    def _first_rows(self) -> NDArray[np.void]:
        watching = self._watching()
        return NO_ROWS if watching is None else watching.first_rows

    def _is_of_ceiling(self, rows: NDArray[np.void]) -> NDArray[np.bool_]:
        """Which batches look as small as the closed jet, at whatever speed of the crank."""
        small: NDArray[np.bool_] = rows["area"] < self._ceiling
        return small

    def _may_have_ceiling(self) -> bool:
        """Whether what was learned may be the closed jet's level, or nothing was learned yet."""
        rows = self._first_rows()
        return len(rows) == 0 or bool(np.mean(self._is_of_ceiling(rows)) > FEW_AT_CEILING)

    def _is_beyond(self, verdict: Verdict) -> bool:
        """Whether it may be told while an open jet can't be told from a closed one.

        That is a bore that opened up by more than what lies between the two, or to more than
        either of them took, or one that never was the stated one.
        """
        if self._between is None or verdict.state is State.NOT_STATED_BORE:
            return True
        if verdict.state in NO_CHANGE:
            return False
        opened = verdict.state is State.OPENED
        return (opened and verdict.step > self._between) or self._exceeds_both()

    def _exceeds_both(self) -> bool:
        """Whether the area is larger now than at either of the two levels."""
        watching = self._watching()
        event = None if watching is None else watching.event
        if event is None or len(event.after) == 0:
            return False
        return bool(np.median(event.after["area"]) > CLEAR * self._larger)

    def _with_ceiling(self, verdict: Verdict, is_sure: bool) -> Verdict:
        if self._between is None:
            return verdict
        verdict = replace(verdict, closed_known=False, level_known=False)
        if not is_sure:
            return verdict.that_cannot_tell(TWO_LEVELS, LOG_THE_VALVE)
        if verdict.state in NO_CHANGE:
            return verdict
        off = f"the size may be off by up to {100.0 * self._between:.1f} %"
        return replace(verdict, reason=f"{verdict.reason}; {WENT_TO_AND_FRO}, so {off}")

    def _without_chatter(self, batches: NDArray[np.void], changes: list[Verdict]) -> list[Alert]:
        """The alerts that the `changes` make; `batches` get the state that is told meanwhile."""
        alerts = []
        for verdict in changes:
            before = batches[: np.searchsorted(batches["end_ns"], verdict.time_ns)]
            alerts += self._keep_quiet(before)
            batches = batches[len(before) :]
            self._chatter, tell = heard(self._chatter, verdict)
            alerts += [Alert(tell.time_ns, tell)] if tell else []
        return alerts + self._keep_quiet(batches)

    def _keep_quiet(self, batches: NDArray[np.void]) -> list[Alert]:
        """Let the time of `batches` go by: while too much has changed, they can't tell."""
        if self._chatter.since_ns is None:  # nearly always
            return []
        for place, time_ns in enumerate(batches["end_ns"].tolist()):
            self._chatter, tell = quiet(self._chatter, time_ns)
            if tell:
                return [Alert(time_ns, tell)]
            batches["state"][place] = CANNOT_TELL
        return []

    def _hours_of(self, jewel: Jewel) -> float:
        hours = self.gate.jet_hours
        several = max(len(self.jewels), len(self.valve_heads)) > 1
        if several and jewel.head in self.valve_heads:
            hours = self.gate.head_hours[self.valve_heads.index(jewel.head)]
        return self._hours_before.get(jewel, jewel.jet_hours) + hours

    def _fit(self, fitted: FittedSet) -> None:
        """Start over with the jewels that are in the heads from now on.

        The hours of jewels that stay and the habits of the pump are carried over, and nothing else.
        So the state is a function of these and of the samples since then: a service that restarts
        has only to feed those again.
        """
        given = self._given
        if given is not None and given.since_ns == fitted.since_ns:
            self._habits = given.habits
        elif self.jewels:
            self._habits = self.bore.habits
        jewels = fitted.jewels
        for jewel in self.jewels:
            if jewel in jewels and jewel.fitted_ns < fitted.since_ns:
                self._hours_before[jewel] = self._hours_of(jewel)
        self._chatter = Chatter()
        self._between, self._ceiling, self._larger = None, np.nan, np.nan
        self._is_sure = True
        self._judged_ns, self._judged_at = 0, 0.0
        self.jewels = jewels
        self._earlier_jet_hours += self.gate.jet_hours
        self._earlier_missed_hours += self.gate.missed_hours
        self._earlier_idle_hours += self.gate.idle_hours
        displacement = self.pump.displacement
        self.gate = gate_of(self._gate_settings, displacement, jewels, self.valve_heads)
        self._watch_anew()

    def _watch_anew(self) -> None:
        jewels, habits = self.jewels, self._habits
        self.bore = watch_of(self.pump, jewels, self.settings, self.valve_heads, habits)
        self._known = None


def loops_compiled() -> bool:
    """Whether a watcher can begin at once; if not, its first samples wait for the compiler."""
    return is_compiled(run_on_bytes, judge, explained, follow, moments)

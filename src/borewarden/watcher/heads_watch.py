"""Keeps a watch for each combination of open heads, and one verdict over all of them.

Looks like a `BoreWatch` from outside. Batches go to the watch of their combination one by one, and
after each of them `heads.merge` says what that makes of the machine.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.habits import HabitsByHeads
from borewarden.gate.batch import BatchKind
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Pump
from borewarden.watcher.batch_loop import NO_RESULTS
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import Watching
from borewarden.watcher.heads import QUIET, Merged, Part, area_told, merge, with_heads
from borewarden.watcher.known import Known
from borewarden.watcher.levels import (
    NEAR,
    Combination,
    Given,
    Jet,
    Levels,
    may_be_a_twin,
    may_be_others,
    sort,
    words_of,
)
from borewarden.watcher.monitor import SHORT_CUTS
from borewarden.watcher.one_head import OneHeadWatch
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import STATES, State, Verdict, head_of

_PLACES = {state: place for place, state in enumerate(STATES)}
HOUR = 3600.0  # s
_OF_A_JET = (BatchKind.STEADY, BatchKind.LOW)
WHICH_HEADS = (
    "which heads are open can't be told from pressure and rate: a valve signal for each head, or a "
    "count of open heads, would settle it; check, too, that bores and pump figures are as stated, "
    "and that no more heads are open than you stated"
)
TO_AND_FRO = (
    "the area was off and is back, as where one of two heads has changed and they cut by turns: "
    "which head it is of, and whether it changed at all, can't be told from pressure and rate"
)
TWINS = (
    "a head now takes what the other one of its bore does: whether its jewel has changed by just "
    "that, or the other one cuts, can't be told from pressure and rate"
)
DAY_NS = 86_400 * 10**9  # for which that is told
LOG_THE_HEADS = "log a valve signal for each head, or a count of the open heads"


class HeadsWatch:
    """The jewels of several heads on one pump, from fitting to the next change of one of them.

    `valve_heads` have a valve signal each, in the order of their bits in a batch.
    """

    def __init__(
        self,
        pump: Pump,
        jewels: list[Jewel],
        settings: WatchSettings,
        valve_heads: Sequence[str],
        habits: HabitsByHeads | None = None,
    ) -> None:
        self._pump, self._jewels, self._settings = pump, jewels, settings
        self._valve_heads = tuple(valve_heads)
        self._given = habits or {}
        self._watches: dict[Combination, BoreWatch] = {}
        self._seconds: dict[Combination, float] = {}  # of jet, as far as known
        self._last: tuple[Combination | None, float] = (None, 0.0)  # jet seconds of the pump then
        self._levels = Levels()  # of batches whose heads no valve signal names
        self._by_area = False  # whether nothing counts the open heads either
        self._aside = BoreWatch(pump, jewels, settings)  # takes what nobody can judge
        self._merged = Merged(State.LEARNING, 0)
        self._cannot_tell = False  # which heads are open: told once, until the next jewel
        self._named: str | None = None  # the one head that was told
        # an event of a head that is not known, which another head explains as well:
        self._off = False  # whether there is one now
        self._doubt = ""  # why nothing is told of it, for a day
        self._doubt_ns = 0  # since when
        self._opened: Verdict | None = None  # what is told all the same since then

    @property
    def state(self) -> State:
        """What is told of the bores."""
        if self._is_lost or (self._in_doubt and self._opened is None):
            return State.CANNOT_TELL
        return State.OPENED if self._in_doubt else self._merged.state

    @property
    def _in_doubt(self) -> bool:
        """Whether another head explains what is seen now, and what was told stays."""
        if not self._doubt or self._merged.state is State.OPENED:
            return False
        return self._merged.state in QUIET or self._off

    @property
    def reason(self) -> str:
        """Why that is told."""
        return self.verdict().reason

    @property
    def _is_lost(self) -> bool:
        """Whether nothing is told but that it can't be told which heads are open."""
        return self._cannot_tell and self._merged.state in QUIET

    @property
    def habits(self) -> HabitsByHeads:
        """What to leave to the next jewels, of combinations whose heads are known."""
        known = {each.words: w.habits for each, w in self._watches.items() if each.is_known}
        return {**self._given, **{words: habits for words, habits in known.items() if habits}}

    def known(self) -> tuple[Known, ...]:
        """What was learned of each combination of open heads, and how well."""
        if not self._watches:
            return (self._aside.known(),)
        known = {each: watch.known(each.words) for each, watch in self._watches.items()}
        return tuple(replace(k, heads=_which(each, known)) for each, k in known.items())

    def fork(self) -> Self:
        """A copy to go on with."""
        other = copy.copy(self)
        other._watches = {key: watch.fork() for key, watch in self._watches.items()}
        other._seconds = self._seconds.copy()
        other._aside = self._aside.fork()
        return other

    def verdict(self) -> Verdict:
        """The state now, with the numbers of the combination that says most."""
        if not self._watches:
            verdict = self._aside.verdict()
        else:
            combination, watch = list(self._watches.items())[self._merged.lead]
            hours = max(jewel.jet_hours for jewel in self._jewels) + self._last[1] / HOUR
            verdict = with_heads(watch.verdict(), self._merged)
            verdict = replace(verdict, jet_hours=hours, open_heads=combination.words)
        if self._in_doubt and not self._is_lost:
            if self._opened is None:
                return verdict.that_cannot_tell(self._doubt, LOG_THE_HEADS)
            return replace(self._opened, time_ns=verdict.time_ns, jet_hours=verdict.jet_hours)
        if not self._is_lost:
            return verdict
        if verdict.state not in QUIET:  # what was learned may be of other heads, too
            verdict = replace(verdict, discharge_coefficient=float("nan"))
        return verdict.that_cannot_tell(WHICH_HEADS, LOG_THE_HEADS)

    def learn_many(self, batches: NDArray[np.void]) -> tuple[NDArray[np.void], list[Verdict]]:
        """Take batches of the gate, dtype `BATCH`: a row of dtype `RESULT` for each steady one.

        Also returns the verdict at each change of what is told.
        """
        if len(batches) == 0:
            return NO_RESULTS, []
        rows = [NO_RESULTS]
        changes: list[Verdict] = []
        for place in range(len(batches)):
            one = batches[place : place + 1]
            before, doubt = self.state, self._in_doubt
            row = self._take(one)
            self._merge()
            self._weigh_doubt(int(one["end_ns"][0]))
            row["state"] = _PLACES[self.state]
            rows.append(row)
            named = self._names_a_head()
            said = self._in_doubt and self._opened is None and not doubt
            if named or self.state is not before or said:
                changes.append(self.verdict())
        return np.concatenate(rows), changes

    def _take(self, one: NDArray[np.void]) -> NDArray[np.void]:
        """Give a batch to those whom it concerns."""
        if int(one["kind"][0]) not in _OF_A_JET:
            for watch in self._watches.values():
                watch.learn_many(one)
            return NO_RESULTS.copy()
        row = NO_RESULTS.copy()
        for combination, batch in self._sorted(one):
            row = self._watch_of(combination).learn_many(self._own_time(combination, batch))[0]
        if len(row) == 0 and int(one["kind"][0]) == BatchKind.STEADY:
            row = self._aside.learn_many(one)[0]  # it waits, or its heads hold no stated jewel
        row["jet_hours"] = max(j.jet_hours for j in self._jewels) + one["jet_seconds"] / HOUR
        return row

    def _own_time(self, combination: Combination, batch: NDArray[np.void]) -> NDArray[np.void]:
        """The `batch` with the jet time of its own combination, in place of the pump's.

        What happens to an area while others cut would else pass for wear that takes hours.
        """
        last, before = self._last
        now = float(batch["jet_seconds"][0])
        own = now - before if last == combination else float(batch["time"][0])
        self._seconds[combination] = self._seconds.get(combination, 0.0) + max(own, 0.0)
        self._last = combination, now
        batch = batch.copy()
        batch["jet_seconds"] = self._seconds[combination]
        return batch

    def _sorted(self, one: NDArray[np.void]) -> Given:
        """Which batches now go to which combination, after this one."""
        open_heads, steady = int(one["open_heads"][0]), int(one["kind"][0]) == BatchKind.STEADY
        stated = frozenset(jewel.head for jewel in self._jewels)
        if open_heads > 0:
            named = (head for k, head in enumerate(self._valve_heads) if open_heads >> k & 1)
            heads = frozenset(named)
            return [(Combination((heads,)), one)] if heads <= stated else []
        if -open_heads == len(stated):
            self._levels = self._levels._replace(jet=Jet())  # one of them may go on, or the other
            return [(Combination((stated,)), one)]
        if not steady or self._valve_heads or -open_heads > len(stated):
            return []
        self._by_area = open_heads == 0
        self._levels, given = sort(self._levels, one, -open_heads, self._jewels)
        return given

    def _watch_of(self, combination: Combination) -> BoreWatch:
        if combination not in self._watches:
            own = [jewel for jewel in self._jewels if jewel.head in combination.options[0]]
            habits = self._given.get(combination.words)
            settings = self._settings
            if not combination.is_known:  # it may be of two jewels, as near to each other as that
                settings = replace(
                    settings,
                    smallest_step=settings.smallest_step + NEAR,
                    wear_notice=settings.wear_notice + NEAR,
                )
            self._watches[combination] = BoreWatch(self._pump, own, settings, habits)
        watch = self._watches[combination]
        if watch.baseline is None:
            self._help_to_learn(watch)
        return watch

    def _help_to_learn(self, watch: BoreWatch) -> None:
        """Let a `watch` that still learns go by what others have learned of the pump by now.

        Noise, wander and leaks are the pump's. What is left to learn is a level, and a third of
        the time is enough for that, as where cuts are short.
        """
        habits = next((w.own_habits for w in self._watches.values() if w.own_habits), None)
        if habits is not None:
            watch.learn_from(habits, self._settings.baseline_time * SHORT_CUTS)

    def _names_a_head(self) -> bool:
        """Whether it is now known which head it is, and was not before; once for each event."""
        if self._merged.state in QUIET:
            self._named = None
            return False
        head = head_of(self._merged.heads)
        if head is None or self._named is not None:
            return False
        self._named = head
        return True

    def _merge(self) -> None:
        self._cannot_tell |= self._levels.unfit > self._settings.baseline_time
        if not self._watches:
            return
        parts = [
            Part(combination, watch.monitor, watch.ring)
            for combination, watch in self._watches.items()
        ]
        guesses = {place for place, part in enumerate(parts) if self._is_a_guess(part)}
        self._cannot_tell |= bool(guesses)
        twins = {place for place, part in enumerate(parts) if self._is_of_a_twin(part)}
        if twins and not self._doubt:
            self._doubt, self._doubt_ns = TWINS, max(parts[k].monitor.running.end_ns for k in twins)
        unsure = guesses | twins
        sure = [place for place in range(len(parts)) if place not in unsure]
        if not sure:
            self._merged = Merged(State.LEARNING, min(unsure))
            return
        merged = merge([parts[place] for place in sure], self._jewels, self._merged.state)
        self._merged = merged._replace(lead=sure[merged.lead])

    def _weigh_doubt(self, end_ns: int) -> None:
        """See whether an event came and went that another head of the same bore explains, too.

        Whoever cuts with the other head takes the old area back, and leaves a chip as it is. So
        that is no sound bore: it can't be told, and is said so once. An opened bore that is told
        from then on stays.
        """
        if self._doubt and end_ns - self._doubt_ns > DAY_NS:
            self._doubt, self._opened = "", None
        if self._off and self._merged.state is State.SOUND and not self._doubt:
            self._doubt, self._doubt_ns = TO_AND_FRO, end_ns
        if not self._watches:
            return
        combination, watch = list(self._watches.items())[self._merged.lead]
        told = self._merged.state not in QUIET
        self._off = told and not combination.is_known and area_told(watch.monitor) is not None
        if self._doubt and self._off and self._merged.state is State.OPENED:
            self._opened = with_heads(watch.verdict(), self._merged)

    def _is_of_a_twin(self, part: Part) -> bool:
        """Whether what it tells may be the other jewel of one bore, cutting by turns with it."""
        area = None if part.combination.is_known else area_told(part.monitor)
        return area is not None and may_be_a_twin(self._levels, area, part.combination)

    def _is_a_guess(self, part: Part) -> bool:
        """Whether what it tells may as well come of other heads being open, or none."""
        area = area_told(part.monitor) if self._by_area else None
        if area is None or not isinstance(part.monitor, Watching):
            return False
        if part.monitor.resting is State.NOT_STATED_BORE:
            return True
        return may_be_others(self._levels, area, part.combination, self._jewels)


_BY_ORDER = {  # whether others are smaller, whether others are larger
    (True, True): "between",
    (True, False): "with the larger area",
    (False, True): "with the smaller area",
    (False, False): "learned first",
}


def _which(combination: Combination, known: Mapping[Combination, Known]) -> str:
    """The heads of a combination in words, and which of them where others have the same words."""
    if combination.is_known:
        return combination.words
    alike = [each for each in known if each.options == combination.options]
    one = combination.words
    if len(alike) == 1:
        return f"{one}, whichever cut"
    own, areas = known[combination].coefficient, [known[each].coefficient for each in alike]
    if math.isnan(own):
        return f"{one}, the one not learned yet"
    order = any(area < own for area in areas), any(area > own for area in areas)
    return f"{one}, the one {_BY_ORDER[order]}"


def watch_of(
    pump: Pump,
    jewels: list[Jewel],
    settings: WatchSettings,
    valve_heads: Sequence[str] = (),
    habits: HabitsByHeads | None = None,
) -> OneHeadWatch | HeadsWatch:
    """A new watch of these `jewels`: of one head plainly, of several by combinations.

    `habits` are those that the watch before has left.
    """
    if max(len(jewels), len(valve_heads)) == 1:
        own = (habits or {}).get(words_of([jewels[0].head]))
        return OneHeadWatch(BoreWatch(pump, jewels, settings, own))
    return HeadsWatch(pump, jewels, settings, valve_heads, habits)

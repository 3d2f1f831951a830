"""The states of the monitor and the events in the life of a jewel: values that never change.

A state holds everything that the monitor knows, so that the next one follows from it and what was
observed. An event is a step, something slow, a growth that only jets at low pressure show, or a
signal by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from typing import Any, ClassVar, NamedTuple, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.baseline import Baseline, Noise
from borewarden.detect.habits import Habits, habits_of
from borewarden.detect.step import Step
from borewarden.detect.wear import Drift
from borewarden.diagnose.causes import USUAL_AT_STOP, Belief, Cause
from borewarden.diagnose.feature_table import FeatureShift
from borewarden.diagnose.features import (
    NO_SCATTER,
    NO_STRETCHES,
    Comparison,
    Course,
    Idle,
    Scatter,
    scatter_of,
)
from borewarden.diagnose.posterior import weigh_causes
from borewarden.diagnose.signatures import Circumstances
from borewarden.gate.batch import SIGNALS, BatchKind
from borewarden.jewels.jewel import Jewel, stated_bores_area
from borewarden.physics.orifice import bore_of_area
from borewarden.physics.pump import Intensifier, Pump
from borewarden.watcher.batch_loop import (
    Block,
    Detector,
    Expected,
    Mode,
    Reference,
    Running,
    Signals,
)
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.to_and_fro import Levels
from borewarden.watcher.verdict import State

# -- events


@dataclass(frozen=True, eq=False)
class Weighed:
    """What an event was last weighed by, and what came of it."""

    shift: FeatureShift
    circumstances: Circumstances
    beliefs: tuple[Belief, ...]  # by falling probability
    check: str

    @cached_property
    def causes(self) -> tuple[Belief, ...]:
        """The same with their evidence in words, which are made when first asked for."""
        return weigh_causes(self.shift, self.circumstances)

    def probability(self, cause: Cause) -> float:
        """Of this cause; 0 if this kind of pump can't have it."""
        return next((b.probability for b in self.beliefs if b.cause is cause), 0.0)


class Undo(NamedTuple):
    """What there was before a step was found, should it come to nothing."""

    event: Event | None
    told: State
    reason: str
    past: Past
    standing: float


class Sharpening(NamedTuple):
    """A step just found is located anew with each batch."""

    undo: Undo


class Returning(NamedTuple):
    """A step back, of this `sign`, is given time to show how far it goes."""

    sign: float


@dataclass(frozen=True, eq=False, kw_only=True)
class _Happened:
    """What every event has. `before` and `after` are batches to compare, dtype `RING`."""

    course: ClassVar[Course]
    sign: float  # of the change of area; 0 where that did not raise it
    before: NDArray[np.void]
    after: NDArray[np.void]
    wear_then: Drift  # the wear line when this was found
    onset_ns: int = 0  # 0 where no moment is known
    at_stop: bool = False  # whether it began with a stop of the machine
    stop_chance: float = USUAL_AT_STOP  # how probable that is for what has nothing to do with one
    look: Sharpening | Returning | None = None  # what each batch is looked at for
    batches: int = 0  # thought about since it was found, or since a step back was
    idle_batches: int = 0
    weighed: Weighed | None = None

    @property
    def sound_wear(self) -> Drift:
        """The wear line without what this event made of it."""
        return self.wear_then.before_a_bend()

    @property
    def compared(self) -> Comparison:
        """What there was before and what came after."""
        return Comparison(self.course, self.onset_ns, self.before, self.after)


@dataclass(frozen=True, eq=False, kw_only=True)
class StepEvent(_Happened):
    """The area changed at once, at `onset_ns`."""

    course = Course.STEP
    step: Step
    found_ns: int
    ramp: float = 0.0  # log likelihood ratio of a change over minutes over one at once
    largest: float = 0.0  # size of the step up when it was largest, in log area
    in_one_jet: bool = False  # the jet stayed on as it came
    came_from: float = 0.0  # the level, in log area over the baseline

    @property
    def sound_wear(self) -> Drift:
        """The wear line as it was: what comes at once is not in it yet."""
        return self.wear_then


@dataclass(frozen=True, eq=False, kw_only=True)
class SlowEvent(_Happened):
    """The area has gone slowly since the baseline."""

    course = Course.GRADUAL


@dataclass(frozen=True, eq=False, kw_only=True)
class LowPressureEvent(_Happened):
    """The area grew so far that the pressure can't be held: seen in jets at low pressure only."""

    course = Course.LOW_PRESSURE
    step: Step  # from the baseline


@dataclass(frozen=True, eq=False, kw_only=True)
class SignalEvent(_Happened):
    """Another signal left its place, or a closed jet passes water; the area tells nothing yet."""

    course = Course.GRADUAL


Event: TypeAlias = StepEvent | SlowEvent | LowPressureEvent | SignalEvent

# -- states


class Setup(NamedTuple):
    """What is watched, and by which thresholds; `habits` are those the jewel before has left."""

    pump: Pump
    jewels: tuple[Jewel, ...]
    settings: WatchSettings
    habits: Habits | None = None

    @property
    def is_intensifier(self) -> bool:
        """Else it is a crank pump."""
        return isinstance(self.pump, Intensifier)

    @property
    def pressure_floats(self) -> bool:
        """Whether nothing holds the pressure: it follows the crank's speed and the bore."""
        return self.pump.floats

    @property
    def nominal_bore(self) -> float:
        """The stated bore, m; of several heads, the one bore of the same area."""
        return float(bore_of_area(stated_bores_area(list(self.jewels))))


class Healed(NamedTuple):
    """A step up that went back by itself: its size, in log area, and how long it was there.

    `may_be_shut` says that it may have been a shut line, where the line is known to hold.
    """

    size: float
    seconds: float
    may_be_shut: bool = False


class Past(NamedTuple):
    """What earlier events leave behind, until the next all-clear."""

    opened: bool = False  # one of them had opened the bore
    probability: float = 0.0  # that it had
    other_sure: bool = False  # a cause other than the bore was all but sure
    had_step: bool = False  # ever: an all-clear does not take this back
    healed: tuple[Healed, ...] = ()  # nor that
    left: Levels = frozenset()  # from which the area came down again; nor that


class Leaves(NamedTuple):
    """What a sound jewel has shown of its pump."""

    noise: Noise
    wear: Drift
    jumps: bool
    stretches: NDArray[np.float64]
    earlier: Scatter

    @property
    def habits(self) -> Habits:
        """The same as the next jewel is told."""
        scatter, scattered = (
            tuple(part.tolist()) for part in scatter_of(self.stretches, self.earlier)
        )
        return habits_of(self.noise, self.wear, self.jumps, scatter, scattered)


def _no_signals() -> Signals:
    unknown = np.full(len(SIGNALS), np.nan)
    return Signals(unknown, unknown, unknown)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Known:
    """What every state has: what is told, and the parts of the loop's record, `batch_loop.LOOP`."""

    setup: Setup
    told: State
    reason: str
    reference: Reference
    idle: Mapping[BatchKind, Idle]
    expected: Expected = field(default_factory=Expected)
    detector: Detector = field(default_factory=Detector)
    running: Running = field(default_factory=Running)
    block: Block = field(default_factory=Block)
    signals: Signals = field(default_factory=_no_signals)

    @property
    def watched_hours(self) -> float:
        """Jet hours since the watch began: where the wear line is anchored."""
        return self.running.hours - self.reference.earlier_hours


@dataclass(frozen=True, eq=False, kw_only=True)
class Learning(_Known):
    """The first batches are being collected."""

    mode: ClassVar = Mode.LEARNING
    first: tuple[Any, ...] = ()  # records of dtype BATCH
    seconds: float = 0.0  # of steady jet in them


@dataclass(frozen=True, eq=False, kw_only=True)
class Watching(_Known):
    """The baseline is known; `event` is what has happened since, None while nothing has."""

    baseline: Baseline
    first_rows: NDArray[np.void]  # batches of the baseline, dtype RING
    signal_limit: NDArray[np.float64]  # while nothing has been told of a signal
    usual_idle: float  # dead-headed flow during the baseline, of the working flow
    run_length: float  # mean batches between false alarms
    noise: Noise  # as it is by now
    wear: Drift  # never changed in place
    resting: State = State.SOUND  # what is told while nothing happens
    resting_reason: str = ""
    event: Event | None = None
    past: Past = field(default_factory=Past)
    # what the signals showed over stretches of the sound jewel, shape (n, SIGNALS), oldest first,
    # and the days (since 1970, UTC) that they are of
    stretches: NDArray[np.float64] = field(default_factory=NO_STRETCHES.copy)
    stretch_days: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    earlier: Scatter = NO_SCATTER  # of the signals, by the jewels before
    leaves: Leaves | None = None  # as of when nothing had happened yet
    unjudged: NDArray[np.void] | None = None  # first batches after those of the baseline

    @property
    def mode(self) -> Mode:
        """Whether the loop is to stop at every batch."""
        looking = self.event is not None and self.event.look is not None
        return Mode.FOLLOWING if looking else Mode.WATCHING

    @property
    def habits(self) -> Habits | None:
        """What to leave to the next jewel, None before anything is known."""
        return None if self.leaves is None else self.leaves.habits


Monitor: TypeAlias = Learning | Watching
Changing = TypeVar("Changing", bound=_Known | _Happened)


class Phase(Enum):
    """What the monitor is about: the name of a row in its table."""

    LEARNING = "learning the baseline"
    QUIET = "nothing has happened"
    STEP_FOUND = "a step was found and is being sharpened"
    STEP = "a step stands"
    STEP_BACK = "a step back is being looked at"
    SLOW = "the area has gone slowly"
    LOW_PRESSURE = "jets at low pressure show a growth"
    SIGNAL = "a signal has left its place by itself"


_OF_EVENT: dict[type[Any], Phase] = {
    StepEvent: Phase.STEP,
    SlowEvent: Phase.SLOW,
    LowPressureEvent: Phase.LOW_PRESSURE,
    SignalEvent: Phase.SIGNAL,
}


def phase_of(monitor: Monitor) -> Phase:
    """The phase that a state is in."""
    if isinstance(monitor, Learning):
        return Phase.LEARNING
    if monitor.event is None:
        return Phase.QUIET
    if isinstance(monitor.event.look, Sharpening):
        return Phase.STEP_FOUND
    if isinstance(monitor.event.look, Returning):
        return Phase.STEP_BACK
    return _OF_EVENT[type(monitor.event)]


def changed(old: Changing, **changes: Any) -> Changing:
    """The `old` state or event with other values for some fields.

    As `dataclasses.replace`, which takes several times as long for so many fields.
    """
    new = object.__new__(type(old))
    assert changes.keys() <= old.__dict__.keys(), changes.keys() - old.__dict__.keys()
    new.__dict__.update(old.__dict__, **changes)
    return new


def with_event(state: Watching, event: Event, **changes: Any) -> Watching:
    """The `state` with its event changed."""
    return changed(state, event=changed(event, **changes))

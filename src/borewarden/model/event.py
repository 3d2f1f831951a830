"""One event in the life of a jewel: what was there before, what came after, how they differ."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.step import Step
from borewarden.diagnose.causes import Belief, Cause
from borewarden.diagnose.feature_table import (
    AREA,
    FEATURES,
    IDLE,
    LOW_AREA,
    NAMES,
    PRESSURE,
    RIPPLE,
    SCATTER,
    ZERO,
    FeatureShift,
)
from borewarden.diagnose.posterior import weigh_causes
from borewarden.diagnose.signatures import Circumstances
from borewarden.gate.batch import SIGNALS
from borewarden.gate.batch import BatchKind as Kind

HEAT_TIME = 120.0  # s of jet until 63 % of a leak's heat shows, and of none until it is gone;
# invented
HOTTEST = 4  # batches that say how hot it gets


class IdleBatch(NamedTuple):
    """A batch of a kind other than steady jet; see `borewarden.model.gate.BATCH`."""

    start_ns: int
    end_ns: int
    time: float
    area: float
    resolution: float
    pressure: float
    stops: int
    signals: NDArray[np.float64]


def idle_batch(batch: np.void) -> IdleBatch:
    """What is kept of a `batch` of the gate."""
    return IdleBatch(
        int(batch["start_ns"]),
        int(batch["end_ns"]),
        float(batch["time"]),
        float(batch["area"]),
        float(batch["resolution"]),
        float(batch["pressure"]),
        int(batch["stops"]),
        batch["signals"].copy(),
    )


class Idle(NamedTuple):
    """Batches of one kind other than steady jet: the first ones, and the newest."""

    first: list[IdleBatch]
    recent: deque[IdleBatch]


@dataclass
class Event:
    """Something has changed: a step at `onset_ns`, or else slowly since the baseline."""

    sign: float
    step: Step | None
    onset_ns: int
    before: NDArray[np.void]  # batches to compare with, dtype RING
    after: NDArray[np.void]  # and those in which it was seen
    at_stop: bool
    found_ns: int = 0
    low: Step | None = None  # found by the jet at low pressure, where it fell to
    shift: FeatureShift | None = None  # what it was last weighed by,
    circumstances: Circumstances | None = None
    causes: tuple[Belief, ...] = ()  # and what came of that
    check: str = ""
    returning: float = 0.0  # sign of a step back that is being looked at
    batches: int = 0  # since it was found
    idle_batches: int = 0

    def probability(self, cause: Cause) -> float:
        """Of this cause; 0 before causes were weighed."""
        return next((b.probability for b in self.causes if b.cause is cause), 0.0)

    def spoken(self) -> tuple[Belief, ...]:
        """The causes with their evidence in words, which are made when they are first asked for."""
        if self.shift is not None and self.circumstances is not None:
            self.causes = weigh_causes(self.shift, self.circumstances)
            self.shift = None
        return self.causes


SIGNAL_OF = {
    NAMES.index(feature): SIGNALS.index(signal)
    for feature, signal in (
        ("load", "load_ratio"),
        ("boost", "boost"),
        ("weep", "weep_rise"),
        ("bypass", "bypass_rise"),
        ("valves", "valve_rise"),
        ("sides", "side_ratio"),
        ("slip", "slip"),
        ("scatter", "scatter"),
        ("ripple", "ripple"),
    )
}
# heat takes a minute or two to get there
SLUGGISH = {NAMES.index("weep"), NAMES.index("bypass"), NAMES.index("valves")}
# may be compared between the working pressure and a low one
AT_ANY_PRESSURE = SLUGGISH | {NAMES.index("boost"), NAMES.index("sides"), NAMES.index("slip")}


def shift_of(
    event: Event,
    step: Step,
    idle: Mapping[Kind, Idle],
    hot: NDArray[np.float64],
    area: float,
    working: float,
    holds_pressure: bool,
) -> FeatureShift:
    """What each feature shows now, beside what it showed before the event.

    `area` and `working` are the baseline's effective area in m² and pressure in Pa, `idle` the
    batches of other kinds, `hot` the signals with the jet on, see `warmed`. The pressure counts
    as a feature only where the pump `holds_pressure`.
    """
    seen = np.full(len(FEATURES), np.nan)
    sd = np.full(len(FEATURES), np.nan)
    seen[AREA], sd[AREA] = step.size, step.size_sd
    before, after = event.before, event.after
    if len(hot) and len(before) > 1:
        for feature, signal in SIGNAL_OF.items():
            if event.low is not None and feature not in AT_ANY_PRESSURE:
                continue
            a = hot if event.low is not None else after["signals"]
            a, b = a[:, signal], before["signals"][:, signal]
            if feature in SLUGGISH:
                a = np.sort(hot[:, signal])[-HOTTEST:]  # it cools in every pause
            seen[feature], sd[feature] = _difference(b, a, feature in SLUGGISH)
            if feature in SLUGGISH and seen[feature] < 0.0:
                seen[feature] = 0.0  # less pressure warms less; no fault makes anything colder
        for feature in (SCATTER, RIPPLE):
            if seen[feature] < 0.0:  # faults make strokes uneven; quieter ones say nothing
                seen[feature] = np.nan
        if holds_pressure and event.low is None:
            seen[PRESSURE], sd[PRESSURE] = _difference(
                np.log(before["pressure"]), np.log(after["pressure"])
            )
    for feature, kind in ((LOW_AREA, Kind.LOW), (IDLE, Kind.DEAD_HEAD), (ZERO, Kind.STOPPED)):
        old, new = _before_and_since(event, idle[kind])
        if not old or not new:
            continue
        columns = [
            np.array([_idle_value(b, kind, area, working) for b in part]) for part in (old, new)
        ]
        seen[feature], sd[feature] = _difference(columns[0], columns[1])
        if kind is not Kind.STOPPED:
            one = max(b.resolution for b in (*old, *new))
            timing = float(np.hypot(timing_sd(old, one), timing_sd(new, one)))
            # few strokes make dead-headed batches uneven, and that is counted already
            dead_headed = kind is Kind.DEAD_HEAD
            sd[feature] = timing / area if dead_headed else max(float(sd[feature]), timing)
    return FeatureShift(seen, sd)


def _before_and_since(event: Event, idle: Idle) -> tuple[list[IdleBatch], list[IdleBatch]]:
    """Batches before the event and all since; without an onset the first and the last three."""
    if event.step is None and not event.onset_ns:
        return idle.first, list(idle.recent)[-3:]
    every = {batch.end_ns: batch for batch in (*idle.first, *idle.recent)}.values()
    old = [batch for batch in every if batch.end_ns <= event.onset_ns]
    return old, [batch for batch in idle.recent if batch.start_ns > event.onset_ns]


def known_mean(values: NDArray[np.float64]) -> float:
    """Mean of what is known of `values`; NaN if nothing is."""
    known = values[np.isfinite(values)]
    return float(np.mean(known)) if len(known) else float("nan")


def known_spread(values: NDArray[np.float64]) -> float:
    """Standard deviation of what is known of `values`."""
    known = values[np.isfinite(values)]
    return float(np.std(known)) if len(known) > 1 else 0.0


def _difference(
    before: NDArray[np.float64], after: NDArray[np.float64], moving: bool = False
) -> tuple[float, float]:
    """Mean of `after` less that of `before`, and its standard uncertainty.

    What is `moving` spreads by that afterwards, and only the spread before says how sure it is.
    """
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if len(before) == 0 or len(after) == 0:
        return float("nan"), float("nan")
    spread = max(known_spread(before), 0.0 if moving or len(after) <= 3 else known_spread(after))
    # neighbours resemble each other: half as many count
    sd = spread * (2.0 / len(before) + 2.0 / len(after)) ** 0.5
    return float(np.mean(after) - np.mean(before)), sd


def warmed(event: Event, idle: Mapping[Kind, Idle]) -> tuple[NDArray[np.float64], float]:
    """Signals of all batches with the jet on since the event began, shape (n, SIGNALS).

    And the share of a leak's heat that the hottest of them should show: it comes with the jet, and
    goes in the pauses. Low pressure counts too, as a leak may let no other be.
    """
    low = _before_and_since(event, idle[Kind.LOW])[1] if event.onset_ns else []
    signals = np.array([batch.signals for batch in low]).reshape(-1, len(SIGNALS))
    jets = [(batch.start_ns, batch.end_ns, batch.time) for batch in low]
    if event.low is None:
        after = event.after
        signals = np.concatenate([after["signals"], signals])
        jets += zip(*(after[k].tolist() for k in ("start_ns", "end_ns", "time")), strict=True)
    if event.step is None and event.low is None:
        return signals, 1.0
    warm, ended_ns, shown = 0.0, event.onset_ns, []
    for start_ns, end_ns, time in sorted(jets):
        warm = warm * math.exp(-max(start_ns - ended_ns, 0) / 1e9 / HEAT_TIME) + time
        ended_ns = end_ns
        shown.append(-math.expm1(-warm / HEAT_TIME))
    hottest = sorted(shown)[-HOTTEST:]
    return signals, sum(hottest) / len(hottest) if hottest else 1.0


def timing_sd(batches: Sequence[IdleBatch], one: float) -> float:
    """What counting strokes leaves open of the mean area of `batches`, at least `one` batch's."""
    squares = sum(b.resolution**2 for b in batches)
    return float(max(squares, one**2) ** 0.5 / len(batches))


def _idle_value(batch: IdleBatch, kind: Kind, area: float, working: float) -> float:
    if kind is Kind.LOW:
        return math.log(batch.area / area)
    return batch.area / area if kind is Kind.DEAD_HEAD else batch.pressure / working


def falls_in_a_stop(rows: NDArray[np.void], first: int) -> bool:
    """Whether the machine was stopped within a batch of where the step begins."""
    around = rows["stops"][max(first - 2, 0) : first + 1]
    return bool(len(around) > 1 and around[-1] != around[0])


def onset_of(rows: NDArray[np.void], step: Step) -> int:
    """When `step` began, ns: perhaps within the batch before its first one."""
    onset_ns = int(rows["start_ns"][step.first])
    if step.first > 0 and step.size != 0.0:
        # the batch before may hold the onset: its mean shows what part of it came after
        before = rows[step.first - 1]
        part = min(max(float(before["value"]) / step.size, 0.0), 1.0)
        onset_ns -= int(part * (int(before["end_ns"]) - int(before["start_ns"])))
    return onset_ns

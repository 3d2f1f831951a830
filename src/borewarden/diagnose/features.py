"""What there was before an event and what came after, feature by feature."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from operator import itemgetter
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.baseline import mean, median
from borewarden.detect.step import Step
from borewarden.diagnose.causes import USUAL_AT_STOP
from borewarden.diagnose.feature_table import (
    AREA,
    FALL,
    FEATURES,
    IDLE,
    LOAD,
    LOW_AREA,
    NAMES,
    PRESSURE,
    RIPPLE,
    RISE,
    SCATTER,
    SHUT,
    ZERO,
    FeatureShift,
)
from borewarden.gate.batch import BATCH, LINE_KINDS, SIGNALS, BatchKind, valve_is_logged

HEAT_TIME = 120.0  # s of jet until 63 % of a leak's heat shows, and of none until it has gone;
# invented
HOTTEST = 4  # batches that say how hot it gets: those that would have warmed most; invented
# A drain line hangs in the room and is fed by the water: K by which it follows 1 K of that, mean
# and standard deviation of anything between 0 and 1.
FOLLOWS_WATER, FOLLOWS_UNSURE = 0.5, 0.29
# Share of a crank pump's torque at its working pressure that does not grow with pressure, mean and
# standard deviation: mechanical efficiencies of 85 to 95 % (common practice, no source), part of
# the rest.
TORQUE_AT_NOTHING, TORQUE_UNSURE = 0.07, 0.045
NEWEST_IDLE = 3  # idle batches that count as now where no onset is known; invented
IN_A_RUN = 6  # batches whose mean is compared with that of others; invented
USUAL_AT_FIRST, AS_IF_SEEN = 0.25, 3.0  # ln; as of so many runs, before there are any; invented
# ln of scatter, from so much of ln of crank speed on: that moves the alias of some 20 pulses from
# row to row, as three plungers make in a second, by a tenth. Invented; tuned on 71,007 and 71,031.
ALIASED, ANOTHER_SPEED = 0.7, 0.005
FEW = 3  # values that say too little of their own spread; invented
TURNS_ANYWAY = (
    0.06  # dead-headed flow of a crank, of the working flow, that no seal needs; invented
)
SWINGS_SCATTER, SWINGS_SEEN = 0.06, 4.0  # ln, as of so many, before there are any; invented
MOST_BY_CHANCE = 0.9  # probability of a stop near a step, for what has nothing to do with it
STOPS_SCATTER = 0.04  # ln, the same of a run-down, which is longer; invented
MOST_OFF = 5.0  # times that, by which one of them is counted as off; invented
SHUT_SCATTER = 0.004  # of the working flow, the same of what a shut line loses; invented
# What scatters was hardly resolved by transducer or log, and then what it shows is off, too, by so
# many times its scatter; invented.
SWINGS_BIAS = 0.4
STRETCHES, DAYS = 120, 8  # kept of a sound jewel, and days that they come from; invented
EARLIER_WORTH = 20.0  # stretches that what earlier jewels showed counts for, at most; invented
NOT_YET_SOUND = 3  # newest of them, or one part in so many, that may hold what is slow; invented
NS = 1e9  # nanoseconds in a second


class IdleBatch(NamedTuple):
    """A batch of a kind other than steady jet; see `borewarden.gate.batch.BATCH`."""

    start_ns: int
    end_ns: int
    time: float
    area: float
    resolution: float
    pressure: float
    stops: int
    signals: NDArray[np.float64]
    temperature: float


_KEPT = itemgetter(*map(BATCH.names.index, IdleBatch._fields))  # type: ignore[union-attr]
_SIGNALS = IdleBatch._fields.index("signals")


def idle_batch(batch: np.void) -> IdleBatch:
    """What is kept of a `batch` of the gate."""
    kept = list(_KEPT(batch.item()))  # field by field it takes three times as long
    kept[_SIGNALS] = kept[_SIGNALS].copy()
    return IdleBatch._make(kept)


class Idle(NamedTuple):
    """Batches of one kind other than steady jet: the first ones, and the newest. Oldest first."""

    first: tuple[IdleBatch, ...] = ()
    recent: tuple[IdleBatch, ...] = ()


class Jets(NamedTuple):
    """Batches with the jet on: signals, water, pressure, and how warm a leak would run in each.

    Shapes (n, SIGNALS), (n,) in K, (n,) in Pa, and (n,) from 0 to 1; that is 0 where no signal
    shows the heat of a leak. `measured` are the signals that are known of any batch: most machines
    lack some, and what isn't measured costs nothing.
    """

    signals: NDArray[np.float64]
    temperature: NDArray[np.float64]
    pressure: NDArray[np.float64]
    warm: NDArray[np.float64]
    measured: frozenset[int]

    @property
    def late(self) -> NDArray[np.bool_]:
        """Those that would have warmed most, `HOTTEST` at least if there are so many.

        What a pause has warmed, as a bypass that takes the water then, has cooled in them.
        """
        if len(self.warm) <= HOTTEST:
            return np.ones(len(self.warm), dtype=np.bool_)
        late: NDArray[np.bool_] = self.warm >= np.sort(self.warm)[-HOTTEST]
        return late


NO_STRETCHES = np.zeros((0, len(SIGNALS)))
UNKNOWN = np.full(len(FEATURES), np.nan)


class Scatter(NamedTuple):
    """How far the signals go to and fro on a sound machine, both of shape (SIGNALS,)."""

    variance: NDArray[np.float64]  # in the unit of each; 0 where nothing is known
    rests_on: NDArray[np.float64]  # so many stretches


NO_SCATTER = Scatter(np.zeros(len(SIGNALS)), np.zeros(len(SIGNALS)))


class Sound(NamedTuple):
    """What the signals of a machine did while it was sound.

    `stretches` with this jewel, oldest first, as `stretch_of` has them; `earlier` with others.
    """

    stretches: NDArray[np.float64]
    earlier: Scatter = NO_SCATTER


UNKNOWN_YET = Sound(NO_STRETCHES)


def scatter_of(stretches: NDArray[np.float64], earlier: Scatter = NO_SCATTER) -> Scatter:
    """That of the `stretches` of one jewel and of those before, each stretch alike.

    `earlier` counts for `EARLIER_WORTH` stretches at most.
    """
    known = np.isfinite(stretches)
    count = np.sum(known, axis=0, dtype=np.float64)
    middle = np.sum(np.where(known, stretches, 0.0), axis=0) / np.maximum(count, 1.0)
    squares = np.sum(np.where(known, stretches - middle, 0.0) ** 2, axis=0)
    before = np.minimum(earlier.rests_on, EARLIER_WORTH)
    total = count + before
    return Scatter((squares + before * earlier.variance) / np.maximum(total, 1.0), total)


def with_stretch(
    stretches: NDArray[np.float64],
    days: NDArray[np.int64],
    newest: NDArray[np.float64],
    day: int,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The `stretches`, and the `days` that they are of, with the `newest` one.

    Those of `DAYS` days are kept, and where they are more than `STRETCHES`, one less of the day
    that has most: how a machine differs from day to day takes days to show.
    """
    stretches, days = np.concatenate([stretches, newest]), np.append(days, day)
    known, counts = np.unique(days, return_counts=True)
    if len(known) > DAYS:
        stretches, days = stretches[days > known[0]], days[days > known[0]]
    elif len(days) > STRETCHES:
        of_it = np.flatnonzero(days == known[int(np.argmax(counts))])
        left_out = of_it[len(of_it) // 2] if len(known) > 1 else 0
        stretches, days = np.delete(stretches, left_out, axis=0), np.delete(days, left_out)
    return stretches, days


class Course(Enum):
    """How an event came about."""

    STEP = "at once, as steady jets show"
    LOW_PRESSURE = "at once, as only jets at low pressure show"
    GRADUAL = "gradually"


@dataclass(frozen=True, eq=False)
class Comparison:
    """The batches on either side of an event.

    `before` and `after` are steady ones, dtype `RING`; `onset_ns` is when it began, 0 where no
    moment is known.
    """

    course: Course
    onset_ns: int
    before: NDArray[np.void]
    after: NDArray[np.void]


ANOTHER_RECIPE = 0.06  # in log pressure: beyond, somebody set another one; invented
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
HEATED_SIGNALS = tuple(SIGNAL_OF[feature] for feature in sorted(SLUGGISH))
# may be compared between the working pressure and a low one
AT_ANY_PRESSURE = SLUGGISH | {NAMES.index("boost"), NAMES.index("sides"), NAMES.index("slip")}


def shift_of(
    compared: Comparison,
    step: Step,
    idle: Mapping[BatchKind, Idle],
    jets: Jets,
    area: float,
    working: float,
    holds_pressure: bool,
    is_intensifier: bool = True,
    sound: Sound = UNKNOWN_YET,
) -> FeatureShift:
    """What each feature shows now, beside what it showed before the event.

    `area` and `working` are the baseline's effective area in m² and pressure in Pa, `idle` the
    batches of other kinds, `jets` those with the jet on since, see `warmed`, and `sound` what the
    machine showed while it was. The pressure counts as a feature only
    where the pump `holds_pressure`. A crank pump, which doesn't count strokes, shows its pulses as
    aliases, and its torque holds friction.
    """
    before, after = compared.before, compared.after
    seen, sd, usual = (UNKNOWN.copy() for _ in FeatureShift._fields)
    if len(jets.warm) and len(before) > 1:
        seen, sd, usual = _signals_differ(compared, jets, working, is_intensifier, sound)
        if holds_pressure and compared.course is not Course.LOW_PRESSURE:
            was, now = np.log(before["pressure"]), np.log(after["pressure"])
            now = now[np.abs(now - median(was)) < ANOTHER_RECIPE]
            seen[PRESSURE], sd[PRESSURE] = _difference(was, now)
    if compared.course is not Course.GRADUAL or not compared.onset_ns or len(after):
        seen[AREA], sd[AREA] = step.size, step.size_sd  # else no steady jet has shown it since
    through_a_valve = not is_intensifier and _may_idle_through_a_valve(compared)
    for feature, kind in (
        (LOW_AREA, BatchKind.LOW),
        (IDLE, BatchKind.DEAD_HEAD),
        (ZERO, BatchKind.STOPPED),
    ):
        old, new = before_and_since(compared, idle[kind])
        if feature == IDLE and not is_intensifier and _turns_anyway(old, area):
            continue
        if feature == LOW_AREA and through_a_valve:
            continue
        if old and new:
            seen[feature], sd[feature] = _idle_differs(old, new, kind, area, working)
    _line_differs(compared, idle, through_a_valve, seen, sd)
    for feature in (SCATTER, RIPPLE):
        if np.isfinite(seen[feature]):
            usual[feature] = _usual(before["signals"][:, SIGNAL_OF[feature]])
            alias = 0.0 if is_intensifier else _alias(before["rate"], after["rate"])
            sd[feature] = math.hypot(sd[feature], usual[feature], alias)
    return FeatureShift(seen, sd, usual)


def _turns_anyway(dead_headed: Sequence[IdleBatch], area: float) -> bool:
    """Whether a crank turns faster than its seals need while dead-headed: it hides a leak then."""
    return known_mean(np.array([batch.area / area for batch in dead_headed])) > TURNS_ANYWAY


def _may_idle_through_a_valve(compared: Comparison) -> bool:
    """Whether a crank may pump through a valve while it idles, which then looks like a jet.

    No valve signal says so, and a valve made for the jet's flow has the jet's area, but for some
    per cent: one that takes 1.04 times as much made a leak of a bore (a plant of another hand,
    invented).
    """
    return not valve_is_logged(compared.before) and compared.course is not Course.LOW_PRESSURE


def stretch_of(rows: NDArray[np.void], working: float, is_intensifier: bool) -> NDArray[np.float64]:
    """What the signals show over some `rows` of dtype `RING`, shape (1, SIGNALS)."""
    jets = _jets_of(rows, working)
    signals = _comparable(jets, working, is_intensifier)
    shown = np.full((1, len(SIGNALS)), np.nan)
    for k in jets.measured:
        part = signals[jets.late] if k in HEATED_SIGNALS else signals
        shown[0, k] = known_mean(part[:, k])
    return shown


def _wandered(sound: Sound, was: NDArray[np.float64], course: Course) -> NDArray[np.float64]:
    """How far each signal goes by itself until something is compared, standard deviation.

    That is from one stretch to the next where a step is compared with what was just before it, else
    from what it was at the beginning, and then what earlier jewels showed counts, too. Little
    history says that little is known to wander: what the model allows for anyway is not in it.
    """
    at_once = course is Course.STEP
    stretches, earlier = sound
    newest = max(NOT_YET_SOUND, len(stretches) // NOT_YET_SOUND)
    off = np.diff(stretches, axis=0) if at_once else stretches[:-newest] - was
    known = np.isfinite(off)
    squares = np.sum(np.where(known, off, 0.0) ** 2, axis=0)
    count = np.sum(known, axis=0)
    if not at_once:
        before = np.minimum(earlier.rests_on, EARLIER_WORTH)
        squares, count = squares + before * earlier.variance, count + before
    wandered: NDArray[np.float64] = np.sqrt(squares / (AS_IF_SEEN + count))
    return wandered


def _usual(sound: NDArray[np.float64]) -> float:
    """How far the means of some batches in a row go to and fro on the sound machine.

    A scaled inverse chi-square prior says how far with little history (Gelman et al. 2013,
    "Bayesian Data Analysis", sec. 2.6; from memory); its figures are invented.
    """
    known = sound[np.isfinite(sound)]
    runs = len(known) // IN_A_RUN
    means = known[len(known) - runs * IN_A_RUN :].reshape(runs, IN_A_RUN).mean(axis=1)
    off = means - means.mean() if runs > 1 else np.zeros(0)
    freedom = max(runs - 1, 0)
    squares = AS_IF_SEEN * USUAL_AT_FIRST**2 + float(off @ off)
    return math.sqrt(squares / (AS_IF_SEEN + freedom))


def _alias(before: NDArray[np.float64], after: NDArray[np.float64]) -> float:
    """What another crank speed may make of the scatter, ln.

    Plungers pulse some tens of times a second, and no log has so many rows: they show the pulse's
    alias, whose scatter changes by a factor with some tenths of a per cent of speed.
    """
    moved = abs(float(np.log(np.mean(after) / np.mean(before))))
    return ALIASED * min(moved / ANOTHER_SPEED, 1.0) if math.isfinite(moved) else 0.0


def _comparable(jets: Jets, working: float, is_intensifier: bool) -> NDArray[np.float64]:
    """Signals that a sound machine shows alike with any water, at any pressure: (n, SIGNALS)."""
    signals = jets.signals.copy()
    for signal in jets.measured:
        if signal in HEATED_SIGNALS:
            signals[:, signal] += FOLLOWS_WATER * jets.temperature
        elif signal == SIGNAL_OF[LOAD] and not is_intensifier:
            signals[:, signal] -= np.log(_over_torque(jets, working, TORQUE_AT_NOTHING))
    return signals


def _measured(signals: NDArray[np.float64]) -> frozenset[int]:
    """Which of the `signals`, shape (n, SIGNALS), are known of any batch."""
    return frozenset(np.flatnonzero(np.isfinite(signals).any(axis=0)).tolist())


def _over_torque(jets: Jets, working: float, share: float) -> NDArray[np.float64]:
    """Pressure over torque, 1 at the `working` pressure, shape (n,).

    Torque is a + b p; a has this `share` in it at the working pressure.
    """
    part = jets.pressure / working
    over: NDArray[np.float64] = part / (share + (1.0 - share) * part)
    return over


def _signals_differ(
    compared: Comparison,
    jets: Jets,
    working: float,
    is_intensifier: bool,
    sound: Sound,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """`FeatureShift` of the features that further channels show; NaN of the others."""
    seen, sd, usual = (UNKNOWN.copy() for _ in FeatureShift._fields)
    at_low = compared.course is Course.LOW_PRESSURE
    first = _jets_of(compared.before, working)
    was, now = (_comparable(part, working, is_intensifier) for part in (first, jets))
    steady = now if at_low else now[: len(compared.after)]
    measured = first.measured & jets.measured
    shown = {
        feature: signal
        for feature, signal in SIGNAL_OF.items()
        if signal in measured and (feature in AT_ANY_PRESSURE or not at_low)
    }
    means = np.full(len(SIGNALS), np.nan)
    for feature, signal in shown.items():
        before, after = was[:, signal], steady[:, signal]
        sluggish, unsure = feature in SLUGGISH, 0.0
        if sluggish:
            late = jets.late
            as_late = before[first.warm >= np.min(jets.warm[late])]
            after = now[late, signal]
            before = as_late if np.isfinite(as_late).any() else before
            warmer = known_mean(jets.temperature[late]) - known_mean(first.temperature)
            unsure = FOLLOWS_UNSURE * warmer
        elif feature == LOAD and not is_intensifier:
            less, more = (_unsure_of_torque(part, working) for part in (first, jets))
            unsure = more - less
        seen[feature], sd[feature] = _difference(before, after, sluggish)
        sd[feature] = math.hypot(sd[feature], unsure)
        means[signal] = known_mean(before)
        if sluggish and seen[feature] < 0.0:
            seen[feature] = 0.0  # less pressure warms less; no fault makes anything colder
    by_itself = {
        feature: signal
        for feature, signal in shown.items()
        if feature not in (SCATTER, RIPPLE) and math.isfinite(seen[feature])
    }
    if by_itself:
        wandered = _wandered(sound, means, compared.course)
        for feature, signal in by_itself.items():
            usual[feature] = wandered[signal]
            sd[feature] = math.hypot(sd[feature], usual[feature])
    for feature in (SCATTER, RIPPLE):
        if seen[feature] < 0.0:  # faults make strokes uneven; quieter ones say nothing
            seen[feature] = np.nan
    return seen, sd, usual


def _unsure_of_torque(jets: Jets, working: float) -> float:
    """What a standard deviation of `TORQUE_AT_NOTHING` makes of the load, ln."""
    more, usual = (
        _over_torque(jets, working, share)
        for share in (TORQUE_AT_NOTHING + TORQUE_UNSURE, TORQUE_AT_NOTHING)
    )
    return known_mean(np.log(more / usual))


def _idle_differs(
    old: Sequence[IdleBatch], new: Sequence[IdleBatch], kind: BatchKind, area: float, working: float
) -> tuple[float, float]:
    before, after = (_idle_values(part, kind, area, working) for part in (old, new))
    seen, sd = _difference(before, after)
    if kind is BatchKind.STOPPED:
        return seen, sd
    one = max(b.resolution for b in (*old, *new))
    timing = float(np.hypot(timing_sd(old, one), timing_sd(new, one)))
    if kind is BatchKind.LOW:
        return seen, max(sd, timing)
    # few strokes make dead-headed batches uneven, and that is counted already
    by_itself = max(_spread(before) ** 2 - (one / area) ** 2, 0.0)
    return seen, math.sqrt((timing / area) ** 2 + by_itself)


def _line_differs(
    compared: Comparison,
    idle: Mapping[BatchKind, Idle],
    through_a_valve: bool,
    seen: NDArray[np.float64],
    sd: NDArray[np.float64],
) -> None:
    """What the line's own mass balance shows, into `seen` and `sd` of every feature.

    Where a crank idles `through_a_valve`, the line falls through that as the crank slows down.
    """
    parts = {kind: before_and_since(compared, idle[kind]) for kind in LINE_KINDS}
    falls = _swings_differ(((), ()) if through_a_valve else parts[BatchKind.FALL], SWINGS_SCATTER)
    stops = _swings_differ(parts[BatchKind.RUN_DOWN], STOPS_SCATTER)
    seen[FALL], sd[FALL] = _joined((falls, stops))
    seen[RISE], sd[RISE] = _swings_differ(parts[BatchKind.RISE], SWINGS_SCATTER)
    old, new = parts[BatchKind.SHUT]
    if not (old and new):
        return
    swings = (BatchKind.FALL, BatchKind.RUN_DOWN, BatchKind.RISE)
    whole = np.array([batch.area for kind in swings for batch in parts[kind][0]])
    if len(whole):
        # the stored volume cancels
        before, after = (np.array([b.area for b in part]) / median(whole) for part in (old, new))
        seen[SHUT], sd[SHUT] = _medians_differ(before, after, SHUT_SCATTER)


def _swings_differ(parts: BeforeAndSince, usual: float) -> tuple[float, float]:
    """Log area over stored volume, now less before, and its standard uncertainty."""
    before, after = (np.log([batch.area for batch in part]) for part in parts)
    return _medians_differ(before, after, usual)


def _medians_differ(
    before: NDArray[np.float64], after: NDArray[np.float64], usual: float
) -> tuple[float, float]:
    """Median of `after` less that of `before`, and its standard uncertainty; NaN without both.

    As few values say little of their scatter, an `usual` one counts as so many more: a scaled
    inverse chi-square prior, as in `_usual`.
    """
    if len(before) == 0 or len(after) == 0:
        return math.nan, math.nan
    was, now = median(before), median(after)
    off = np.abs(np.concatenate([before - was, after - now]))
    off = np.minimum(off, MOST_OFF * usual)  # now and then it was another swing
    squares = SWINGS_SEEN * usual**2 + float(off @ off)
    variance = squares / (SWINGS_SEEN + max(len(off) - 2, 0))
    by_chance = 1.0 / len(before) + 1.0 / len(after)
    return now - was, math.sqrt(variance * (by_chance + SWINGS_BIAS**2))


def _joined(differences: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """One difference of several, each weighed by its variance; NaN where none is known."""
    known = [(value, 1.0 / sd**2) for value, sd in differences if math.isfinite(value)]
    if not known:
        return math.nan, math.nan
    total = sum(weight for _, weight in known)
    return sum(value * weight for value, weight in known) / total, total**-0.5


BeforeAndSince: TypeAlias = tuple[tuple[IdleBatch, ...], tuple[IdleBatch, ...]]


def before_and_since(compared: Comparison, idle: Idle) -> BeforeAndSince:
    """Batches before the event and all since; without an onset the first and the last three."""
    onset_ns = compared.onset_ns
    if compared.course is not Course.STEP and not onset_ns:
        return idle.first, idle.recent[-NEWEST_IDLE:]
    every = (*idle.first, *idle.recent)  # the same one may be in both
    old = {batch.end_ns: batch for batch in every if batch.end_ns <= onset_ns}
    return tuple(old.values()), tuple(b for b in idle.recent if b.start_ns > onset_ns)


def known_mean(values: NDArray[np.float64]) -> float:
    """Mean of what is known of `values`; NaN if nothing is."""
    known = values[np.isfinite(values)]
    return mean(known) if len(known) else float("nan")


def known_spread(values: NDArray[np.float64]) -> float:
    """Standard deviation of what is known of `values`."""
    return _spread(values[np.isfinite(values)])


# As numpy's own to the last bit, which takes several times as long for few values.
def _spread(values: NDArray[np.float64]) -> float:
    if len(values) < 2:
        return 0.0
    off = values - np.add.reduce(values) / len(values)
    return float(np.sqrt(np.add.reduce(off * off) / len(values)))


def _difference(
    before: NDArray[np.float64], after: NDArray[np.float64], moving: bool = False
) -> tuple[float, float]:
    """Mean of `after` less that of `before`, and its standard uncertainty.

    What is `moving` spreads by that afterwards, and only the spread before says how sure it is.
    """
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if len(before) == 0 or len(after) == 0:
        return float("nan"), float("nan")
    spread = _spread(before)
    if not moving and len(after) > FEW:
        spread = max(spread, _spread(after))
    # neighbours resemble each other: half as many count
    sd = spread * (2.0 / len(before) + 2.0 / len(after)) ** 0.5
    return mean(after) - mean(before), sd


def warmed(
    compared: Comparison, idle: Mapping[BatchKind, Idle], working: float
) -> tuple[Jets, float]:
    """All batches with the jet on since the event began.

    And the share of a leak's heat that those which tell it should show, of what it makes at the
    `working` pressure, Pa: it comes with the jet, and goes in the pauses. Low pressure counts too,
    since a leak may allow no other. All of it where no signal shows heat.
    """
    low = before_and_since(compared, idle[BatchKind.LOW])[1] if compared.onset_ns else ()
    signals = np.array([batch.signals for batch in low]).reshape(-1, len(SIGNALS))
    temperature = np.array([batch.temperature for batch in low])
    pressure = np.array([batch.pressure for batch in low])
    if compared.course is not Course.LOW_PRESSURE:
        after = compared.after
        signals = np.concatenate([after["signals"], signals])
        temperature = np.concatenate([after["temperature"], temperature])
        pressure = np.concatenate([after["pressure"], pressure])
    measured = _measured(signals)
    if measured.isdisjoint(HEATED_SIGNALS):
        return Jets(signals, temperature, pressure, np.zeros(len(signals)), measured), 1.0
    spans = [(batch.start_ns, batch.end_ns, batch.time) for batch in low]
    if compared.course is not Course.LOW_PRESSURE:
        spans = [*_spans(compared.after), *spans]
    warm = _warm(spans, compared.onset_ns) * np.minimum(pressure / working, 1.0)
    jets = Jets(signals, temperature, pressure, warm, measured)
    if compared.course is Course.GRADUAL or not spans:
        return jets, 1.0
    return jets, float(np.mean(np.sort(jets.warm)[-HOTTEST:]))


def _jets_of(rows: NDArray[np.void], working: float) -> Jets:
    """Those of `rows` of dtype `RING`; what was before them counts as a pause."""
    warm, measured = np.zeros(len(rows)), _measured(rows["signals"])
    if not measured.isdisjoint(HEATED_SIGNALS):
        warm = _warm(_spans(rows), 0) * np.minimum(rows["pressure"] / working, 1.0)
    return Jets(rows["signals"], rows["temperature"], rows["pressure"], warm, measured)


_Span: TypeAlias = tuple[int, int, float]  # start and end, ns, and s of jet between them


def _spans(rows: NDArray[np.void]) -> list[_Span]:
    return list(zip(*(rows[k].tolist() for k in ("start_ns", "end_ns", "time")), strict=True))


def _warm(spans: Sequence[_Span], began_ns: int) -> NDArray[np.float64]:
    """Share of a leak's heat that each of `spans` should show, in their order."""
    shown = np.zeros(len(spans))
    warm, ended_ns = 0.0, began_ns
    for k in sorted(range(len(spans)), key=spans.__getitem__):
        start_ns, end_ns, time = spans[k]
        warm = warm * math.exp(-max(start_ns - ended_ns, 0) / NS / HEAT_TIME) + time
        ended_ns = end_ns
        shown[k] = -math.expm1(-warm / HEAT_TIME)
    return shown


def timing_sd(batches: Sequence[IdleBatch], one: float) -> float:
    """What counting strokes leaves open of the mean area of `batches`, at least `one` batch's."""
    squares = sum(b.resolution**2 for b in batches)
    return float(max(squares, one**2) ** 0.5 / len(batches))


def _idle_values(
    batches: Sequence[IdleBatch], kind: BatchKind, area: float, working: float
) -> NDArray[np.float64]:
    if kind is BatchKind.LOW:
        return np.array([math.log(batch.area / area) for batch in batches])
    if kind is BatchKind.DEAD_HEAD:
        return np.array([batch.area for batch in batches]) / area
    return np.array([batch.pressure for batch in batches]) / working


def falls_in_a_stop(rows: NDArray[np.void], first: int) -> bool:
    """Whether the machine was stopped within a batch of where the step begins."""
    around = rows["stops"][max(first - 2, 0) : first + 1]
    return bool(around[-1] != around[0])


def chance_of_a_stop(rows: NDArray[np.void], first: int) -> float:
    """How probable a stop is, where the step begins at `first`, for whatever has nothing to do
    with one: by the jet time around it, and how often the machine stopped before.
    """
    jet, stops = rows["jet_seconds"][: first + 1], rows["stops"][: first + 1]
    before = float(jet[-1] - jet[0])
    if before <= 0.0:
        return USUAL_AT_STOP
    around = float(jet[-1] - jet[max(first - 2, 0)])
    chance = -np.expm1(-float(stops[-1] - stops[0]) * around / before)
    return float(min(max(chance, USUAL_AT_STOP), MOST_BY_CHANCE))


def onset_of(rows: NDArray[np.void], step: Step) -> int:
    """When `step` began, ns: perhaps within the batch before its first one."""
    onset_ns = int(rows["start_ns"][step.first])
    if step.first > 0 and step.size != 0.0:
        # the batch before may hold the onset: its mean shows what part of it came after
        before = rows[step.first - 1]
        part = min(max(float(before["value"]) / step.size, 0.0), 1.0)
        onset_ns -= int(part * (int(before["end_ns"]) - int(before["start_ns"])))
    return onset_ns

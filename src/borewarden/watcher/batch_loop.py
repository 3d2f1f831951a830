"""The compiled loop over batches: compares each with the baseline and stops at what needs thought.

Stops are rare: a baseline to be learned, a threshold crossed, a value for the wear line, a signal
that left its place, a batch of another kind than steady jet. What the loop goes by is one record,
dtype `LOOP`. Its parts have the names of the tuples below, through which the monitor reads and
writes them. The loop itself writes only `Running`, `Block` and the means of `Signals`.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.compiling import compilable, record_of
from borewarden.detect.step import (
    COUNTED,
    EXCEEDED,
    REACH_NS,
    THREE,
    TWO,
    TWO_APART,
    clip,
    mean_at,
    weigh,
)
from borewarden.detect.wear import TIMES_OF_A_DAY
from borewarden.gate.batch import HEADS, ONLY_KEPT, SIGNALS, BatchKind
from borewarden.physics import compiled
from borewarden.physics.orifice import bore_of_area
from borewarden.physics.pump import Displacement, event_rate

DRIFT_BLOCK = 40  # batches in one value of the wear line; invented
FORGET = 0.08  # weight of the newest batch in the running mean of a signal; invented
STEP_SIZES = (0.03, 0.05, 0.08, 0.12, 0.20, 0.35)  # relative area, equally likely beforehand;
# invented
JUMPED, JUMPED_BEFORE = 1, 2  # values of `Detector.jumps`: on this jewel, on the one before
OTHER_HEADS = 0.25  # heads commanded on, mean of a batch: further off, they were changed; invented

# One steady batch and what was made of it: a row of the derived series. SI, NaN where unknown.
RESULT = np.dtype(
    [
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("jet_hours", np.float64),  # of the jewel
        ("pressure", np.float64),
        ("temperature", np.float64),
        ("rate", np.float64),
        ("rate_expected", np.float64),
        ("area", np.float64),
        ("bore", np.float64),
        ("bore_sd", np.float64),
        ("log_ratio", np.float64),
        ("line", np.float64),  # what the wear line expected of log_ratio
        ("statistic", np.float64),
        ("threshold", np.float64),
        ("probability", np.float64),  # that the bore has opened up
        ("state", np.int8),  # index in STATES
    ]
)
NO_RESULTS = np.zeros(0, dtype=RESULT)


class Mode(IntEnum):
    """How the loop takes a steady batch."""

    LEARNING = 0  # it is one of the first, and goes into the baseline
    WATCHING = 1
    FOLLOWING = 2  # something is being looked at, so each batch is thought about


class Stop(IntEnum):
    """What stopped the loop."""

    NOTHING = 0  # the batches ran out
    LEARN = 1  # a batch for the baseline
    OTHER_KIND = 2  # not a steady jet
    UP = 3  # the detector crossed its threshold
    DOWN = 4
    FOLLOW = 5  # one more batch since an alarm
    BLOCK = 6  # a value for the wear line
    SIGNAL = 7  # a signal left its place


# Constants for the compiled loop.
NS_PER_H = 3600e9
_SIZES = np.log1p(np.array(STEP_SIZES))
_STEADY = int(BatchKind.STEADY)
_ONLY_KEPT = tuple(int(kind) for kind in ONLY_KEPT)
_LEARNING, _, _FOLLOWING = (int(mode) for mode in Mode)
_NOTHING, _LEARN, _OTHER_KIND, _UP, _DOWN, _FOLLOW, _BLOCK, _SIGNAL = (int(stop) for stop in Stop)


class Reference(NamedTuple):
    """What batches are compared with."""

    earlier_hours: float  # of jet on the jewel before the watch began
    area: float  # of the baseline, m²; as stated until that is learned
    discharge_coefficient: float
    heads: float = np.nan  # commanded on while the baseline was learned
    pressure: float = np.nan  # of the baseline, Pa
    rate: float = (
        np.nan
    )  # of the baseline, Hz, where nothing sets the pressure but the crank's speed


class Expected(NamedTuple):
    """The log area ratio that is expected: the wear line, what wanders, and the steps so far."""

    level: float = 0.0
    slope: float = 0.0  # 1/h of jet
    level_sd: float = 0.0  # of the whole at `clock`
    offset: float = 0.0  # steps since the baseline
    by_pressure: float = 0.0  # log area by log pressure over the baseline's
    level_with_pressure: float = 0.0  # covariance
    by_pressure_var: float = 0.0
    clock: float = 0.0  # h, the moment from which on what follows is foretold
    wander: float = 0.0  # that comes and goes, then
    rate: float = 0.0  # 1/h, by which that decays
    far_sd: float = 0.0  # of the whole, once nothing is left of it
    cosine: float = 0.0  # of the time of the day, and so on
    sine: float = 0.0


class Detector(NamedTuple):
    """How the detector of steps is set. Sizes in log area."""

    sigma: float = 0.0  # noise of one batch beside its timing
    smallest: float = 0.0  # step of interest
    h: float = 0.0  # log likelihood ratio of an alarm
    hazard: float = 0.0  # of a step, per batch
    share: float = 0.0  # of steps up that are the bore's
    standing: float = 0.0  # probability that the bore has opened up by what was found
    since: int = 0  # batches put into the ring before the detector last started anew
    timing: float = 0.0  # variance of its timing that a batch usually has
    jumps: int = 0  # else something jumps and comes back on this machine


class Running(NamedTuple):
    """Where the loop has got to."""

    taken: int = 0  # batches ever put into the ring
    hours: float = 0.0  # of jet on the jewel, at the last steady batch
    end_ns: int = 0  # of the last batch of any kind
    up: float = 0.0  # log likelihood ratio of a step up
    down: float = 0.0
    probability: float = 0.0  # that the bore has opened up


class Block(NamedTuple):
    """Sums over the batches of the next value for the wear line, weighted by time and worth.

    A batch of many short cuts, each timed for itself, is worth less than one as usual.
    """

    batches: float = 0.0  # as usual, that it is worth
    time: float = 0.0  # s, by their worth; and so on
    hours: float = 0.0  # h s, since the watch began
    clock: float = 0.0  # h s
    ratio: float = 0.0  # s, log area ratio less the steps so far
    operating: float = 0.0  # s, `operating_point`


class Signals(NamedTuple):
    """Of each of `SIGNALS`: where it is, where it was, and how far it may leave that."""

    mean: NDArray[np.float64]
    base: NDArray[np.float64]
    limit: NDArray[np.float64]


_OF_SIGNALS = np.dtype([(name, np.float64, (len(SIGNALS),)) for name in Signals._fields])
LOOP = np.dtype(
    [
        ("mode", np.int8),  # a `Mode`
        ("told", np.int8),  # index in STATES
        ("reference", record_of(Reference)),
        ("expected", record_of(Expected)),
        ("detector", record_of(Detector)),
        ("running", record_of(Running)),
        ("block", record_of(Block)),
        ("signals", _OF_SIGNALS),
    ]
)


@compilable
def operating_point(reference: Any, pressure: Any, rate: Any) -> Any:
    """Log of the pressure that is set over the baseline's; works element by element.

    Where the pressure floats it is that of a fixed bore, which goes as the square of the speed.
    What it truly is goes with the area, too: any chip would look like another set pressure.
    """
    if reference.rate > 0.0:
        return 2.0 * np.log(rate / reference.rate)
    return np.log(pressure / reference.pressure)


@compiled
def _put(row: Any, batch: Any, value: float, operating: float, clipped: float) -> None:
    row.start_ns = batch.start_ns
    row.end_ns = batch.end_ns
    row.value = value
    row.operating = operating
    row.clipped = clipped
    row.time = batch.time
    row.timing = batch.timing
    row.shared = batch.shared
    row.area = batch.area
    row.rate = batch.rate
    row.pressure = batch.pressure
    row.temperature = batch.temperature
    row.resolution = batch.resolution
    row.stops = batch.stops
    row.jet_seconds = batch.jet_seconds
    row.openings = batch.openings
    row.leak = batch.leak
    row.closed_known = batch.closed_known
    row.signals[:] = batch.signals


@compiled
def _clock(b: Any) -> float:
    """The end of a batch, h."""
    return float(b.end_ns) / NS_PER_H


@compiled
def _add_to_block(
    block: Any, b: Any, worth: float, hours: float, ratio: float, operating: float
) -> None:
    time = b.time * worth
    block.batches += worth
    block.time += time
    block.hours += time * hours
    block.clock += time * _clock(b)
    block.ratio += time * ratio
    block.operating += time * operating


@compiled
def _signal_left_its_place(signals: Any, now: NDArray[np.float64]) -> bool:
    """Take the signals of a batch into their running means; whether one is off its limit."""
    left = False
    for k in range(len(signals.mean)):
        if np.isfinite(now[k]) and np.isfinite(signals.mean[k]):
            signals.mean[k] += FORGET * (now[k] - signals.mean[k])
            if abs(signals.mean[k] - signals.base[k]) > signals.limit[k]:
                left = True
    return left


@compiled
def _foretold(expected: Any, b: Any, hours: float) -> Any:
    """(line, level_sd) at the end of a batch: what is expected of its log area ratio, how surely.

    `hours` are those of the jet since the watch began. The steps so far and the pressure are not
    in it.
    """
    clock = _clock(b)
    left = np.exp(-expected.rate * max(clock - expected.clock, 0.0))
    phase = TIMES_OF_A_DAY * clock
    line = expected.level + expected.slope * hours + expected.wander * left
    line += expected.cosine * np.cos(phase) + expected.sine * np.sin(phase)
    near = left * left
    var = near * expected.level_sd**2 + (1.0 - near) * expected.far_sd**2
    return line, np.sqrt(var)


@compiled
def _detect(loop: Any, ring: Any, level_sd: float) -> None:
    """Weigh a step that ends at the newest batch, and what that makes of the bore."""
    d, running, expected = loop.detector, loop.running, loop.expected
    up, down, odds = weigh(
        ring,
        running.taken,
        d.sigma,
        level_sd,
        d.smallest,
        _SIZES,
        running.taken - d.since,
        expected.by_pressure,
        expected.level_with_pressure,
        expected.by_pressure_var,
    )
    running.up = up
    running.down = down
    odds *= d.hazard
    new = d.share * odds / (1.0 + odds)
    running.probability = 1.0 - (1.0 - d.standing) * (1.0 - new)


@compiled
def _to_agree(loop: Any, ring: Any, b: Any) -> int:
    """Which batches have to agree with this one before it is a step."""
    if loop.detector.jumps == 0:
        return TWO
    before = ring[(loop.running.taken - 1) % len(ring)]
    return TWO_APART if b.end_ns - before.start_ns >= REACH_NS else THREE


@compiled
def _judge_steady(
    loop: Any,
    ring: Any,
    b: Any,
    log_ratio: float,
    line: float,
    level_sd: float,
    operating: float,
) -> int:
    """Take one steady batch; whether something has to be thought about, a `Stop`."""
    learned, expected = loop.mode != _LEARNING, loop.expected
    value = log_ratio - line if learned else 0.0
    # a planned change of the number of heads is none of the jewel's
    if abs(b.signals[HEADS] - loop.reference.heads) > OTHER_HEADS:
        return _NOTHING
    clipped = value
    own = 0.0
    usual, usual_var = 0.0, 0.0
    by_pressure = expected.by_pressure * operating  # may be known better later on
    if learned:
        own = loop.detector.sigma * loop.detector.sigma + b.timing / (b.time * b.time)
        more = 2.0 * expected.level_with_pressure + operating * expected.by_pressure_var
        here = max(level_sd * level_sd + operating * more, 0.0)
        if here > 2.0 * level_sd * level_sd:  # most of it for another pressure
            count = loop.running.taken
            since = count - loop.detector.since
            mean, var = mean_at(ring, count, since, loop.detector.sigma, operating)
            if var > 0.0:  # Bishop 2006, eq. 2.141 and 2.142: a normal prior and a mean
                prior, var = here - level_sd * level_sd, var + level_sd * level_sd
                usual = (mean - by_pressure) * prior / (prior + var)
                usual_var = prior * var / (prior + var)
                here = level_sd * level_sd + usual_var
        joined = own - b.shared / (b.time * b.time)  # of a sum with its neighbour
        agree = _to_agree(loop, ring, b)
        told = EXCEEDED[agree] * loop.detector.h
        most = joined / COUNTED[agree] + here
        clipped = usual + clip(value - usual, most, told, loop.detector.smallest)
    row = ring[loop.running.taken % len(ring)]
    _put(row, b, value + by_pressure, operating, clipped + by_pressure)
    row.usual = usual + by_pressure
    row.usual_var = usual_var
    loop.running.taken += 1
    if not learned:
        return _LEARN
    if loop.mode == _FOLLOWING:
        return _FOLLOW
    _detect(loop, ring, level_sd)
    hours = loop.running.hours - loop.reference.earlier_hours
    as_usual = loop.detector.sigma * loop.detector.sigma + loop.detector.timing
    worth = min(as_usual / own, 1.0) if own > 0.0 else 1.0
    ratio = log_ratio - expected.offset
    _add_to_block(loop.block, b, worth, hours, ratio, operating)
    left = _signal_left_its_place(loop.signals, b.signals)
    if loop.running.up >= loop.detector.h:
        return _UP
    if loop.running.down >= loop.detector.h:
        return _DOWN
    if loop.block.batches >= DRIFT_BLOCK:
        return _BLOCK
    return _SIGNAL if left else _NOTHING


@compiled
def _report(
    r: Any, loop: Any, b: Any, displacement: Displacement, log_ratio: float, line: float
) -> None:
    """Write the row of one steady batch."""
    reference, sigma = loop.reference, loop.detector.sigma
    learned = loop.mode != _LEARNING
    r.start_ns = b.start_ns
    r.end_ns = b.end_ns
    r.jet_hours = loop.running.hours
    r.pressure = b.pressure
    r.temperature = b.temperature
    r.rate = b.rate
    r.rate_expected = event_rate(displacement, reference.area, b.pressure, b.temperature)
    r.area = b.area
    r.bore = bore_of_area(b.area / reference.discharge_coefficient)
    r.bore_sd = 0.5 * r.bore * np.sqrt(sigma * sigma + b.resolution * b.resolution)
    r.log_ratio = log_ratio
    r.line = line
    r.statistic = loop.running.up if learned else np.nan
    r.threshold = loop.detector.h if learned else np.nan
    r.probability = loop.running.probability if learned else np.nan
    r.state = loop.told


@compiled
def judge(
    batches: Any,
    first: int,
    record: Any,
    ring: Any,
    displacement: Displacement,
    results: Any,
    made: int,
) -> Any:
    """Take `batches` from `first` on until something needs thought.

    `record` has shape (1,), dtype `LOOP`; `ring` is of dtype `RING`. Writes a row of `results`,
    dtype `RESULT`, for each steady batch, from row `made` on. Returns the index after the last
    batch taken, the number of rows made so far, and the `Stop` as an integer.
    """
    loop = record[0]
    for i in range(first, len(batches)):
        b = batches[i]
        if b.kind in _ONLY_KEPT:
            continue  # whoever thinks about the next stop has them by then
        loop.running.end_ns = b.end_ns
        if b.kind != _STEADY:
            return i + 1, made, _OTHER_KIND
        hours = loop.reference.earlier_hours + b.jet_seconds / 3600.0
        loop.running.hours = hours
        log_ratio = np.nan
        line = np.nan
        level_sd = 0.0
        operating = 0.0
        if loop.mode != _LEARNING:
            expected = loop.expected
            log_ratio = np.log(b.area / loop.reference.area)
            operating = operating_point(loop.reference, b.pressure, b.rate)
            line, level_sd = _foretold(expected, b, hours - loop.reference.earlier_hours)
            line += expected.offset + expected.by_pressure * operating
        stop = _judge_steady(loop, ring, b, log_ratio, line, level_sd, operating)
        _report(results[made], loop, b, displacement, log_ratio, line)
        made += 1
        if stop != _NOTHING:
            return i + 1, made, stop
    return len(batches), made, _NOTHING

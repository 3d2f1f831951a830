"""Jet hours of stored samples, counted by their phases just as the gate counted them live."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from enum import Enum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import HALF, Samples, valve_of
from borewarden.gate.batch import Phase
from borewarden.gate.gate import GateSettings
from borewarden.gate.gate_loop import GAP_INTERVALS

JET_ON = np.zeros(len(Phase), dtype=bool)
JET_ON[[Phase.RAMP, Phase.PIERCE, Phase.STEADY, Phase.BYPASS]] = True

MAX_GAP: float = GateSettings._field_defaults["max_gap"]
FIRST_STARTS = 5  # of a jewel are looked at; invented
FIRST_JET_TIME = 600.0  # s of a jewel's jet that are, if they are over first; invented
# s below `LOW_SHARE`; a crank pump takes some seconds to build its pressure up; invented
LOW_TIME = 10.0
LOW_SHARE = 0.75  # of the pressure at which the jet first settled; invented
HOUR = 3600.0  # s
NS_PER_HOUR = 3600e9


class JetTime(NamedTuple):
    """What went through the jet; `pressure_hours` in Pa h: pressure summed over jet time.

    `missed_hours` went unseen while the jet was on when last seen. In `partly_hours` of the jet
    hours fewer heads were commanded on than the `heads` that held a jewel, and no signal said
    which.
    """

    jet_hours: float = 0.0
    pressure_hours: float = 0.0
    missed_hours: float = 0.0
    partly_hours: float = 0.0


class Opening(Enum):
    """How the jet of a newly fitted jewel was opened, as far as telemetry tells."""

    LOW = "at low pressure, raised after"
    FULL = "at full pressure"
    UNKNOWN = "cannot tell"


def add_up(parts: Iterable[JetTime]) -> JetTime:
    """All parts together."""
    return JetTime(*(sum(values) for values in zip(JetTime(), *parts, strict=True)))


def count_jet_time(
    blocks: Iterable[tuple[Samples, NDArray[np.int8]]],
    edges_ns: NDArray[np.int64],
    heads: NDArray[np.int64],
    max_gap: float,
    valve: int | None = None,
) -> list[JetTime]:
    """Jet time between neighbouring `edges_ns`, shape (n + 1,), ascending; n `heads` fitted there.

    `blocks` are samples in order of time with their phases. The rule is the gate's own: a
    reading that can't be used doesn't move the clock, a silence longer than `max_gap` s is a gap,
    and a gap is missed if the jet was on before it. An interval over an edge counts to nobody, as
    nobody fits a jewel with the jet on. The pressure of an interval is that at its end. With the
    place of a head's `valve` signal, only that head's time counts where the signal is known.
    """
    segments = len(edges_ns) - 1
    jet, pressure, missed, partly = np.zeros((4, segments + 2))
    last_ns, last_on, last_pressure = None, False, np.nan
    for samples, phases in blocks:
        used, last_pressure = _usable(samples, phases, last_pressure)
        times = samples.time_ns[used]
        if len(times) == 0:
            continue
        # a stuck transducer is phase NO_DATA, with the jet on
        on = JET_ON[phases[used]] | (phases[used] == Phase.NO_DATA)
        named = np.zeros(len(on), dtype=bool)
        if valve is not None:
            is_open = valve_of(samples, valve)[used]
            named = np.isfinite(is_open)
            on &= ~named | (is_open > HALF)
        before_ns = np.concatenate(([times[0] if last_ns is None else last_ns], times[:-1]))
        before_on = np.concatenate(([last_on], on[:-1]))
        last_ns, last_on = times[-1], bool(on[-1])
        place = np.searchsorted(edges_ns, times, side="right")
        within = place == np.searchsorted(edges_ns, before_ns, side="right")
        hours = (times - before_ns) / NS_PER_HOUR
        gap = hours > max_gap / HOUR
        seen = np.where(on & ~gap & within, hours, 0.0)
        heads_there = np.concatenate(([0], heads, [0]))[place]
        on_heads = samples.valve[used]
        few = (on_heads > HALF) & (on_heads < heads_there - HALF)
        for total, values in (
            (jet, seen),
            (pressure, seen * np.nan_to_num(samples.pressure[used])),
            (missed, np.where(before_on & gap & within, hours, 0.0)),
            (partly, np.where(few & ~named, seen, 0.0)),
        ):
            total += np.bincount(place, values, segments + 2)
    return [
        JetTime(*(float(total[i]) for total in (jet, pressure, missed, partly)))
        for i in range(1, segments + 1)
    ]


def silences(
    samples: Samples, phases: NDArray[np.int8], max_gap: float = MAX_GAP
) -> NDArray[np.int64]:
    """Begins and ends, ns, of times without a usable reading at which the pump was not at rest.

    Shape (n, 2). A silence counts unless the pump was stopped both before and after it, as it is
    overnight: nobody knows what it did meanwhile, and the jet may have been on though it was off
    when last seen.
    """
    used, _ = _usable(samples, phases, np.nan)
    times, phase = samples.time_ns[used], phases[used]
    steps = np.diff(times)
    if len(steps) == 0:
        return np.empty((0, 2), dtype=np.int64)
    longest = max(max_gap * 1e9, GAP_INTERVALS * float(np.median(steps)))
    rests = (phase[:-1] == Phase.STOPPED) & (phase[1:] == Phase.STOPPED)
    at = np.flatnonzero((steps > longest) & ~rests)
    return np.stack((times[at], times[at + 1]), axis=1)


def rows_to_keep(
    samples: Samples, phases: NDArray[np.int8], spacing: float, still_spacing: float
) -> NDArray[np.bool_]:
    """Rows by which `count_jet_time` and `judge_opening` come out as by all of them, shape (n,).

    Every change of phase and of commanded heads, and both sides of every silence, stay; so does
    each row of an opening jet. Of the rest two rows in each `spacing` s stay, and in each
    `still_spacing` s while the jet is off. `spacing` has to be below the `max_gap` that is counted
    by; pressure-hours are then of fewer readings.
    """
    unusable = (phases == Phase.NO_DATA) | (phases == Phase.UNUSABLE)
    flow = np.where(np.isnan(samples.stroke_count), samples.rate, samples.stroke_count)
    every = np.where(JET_ON[phases] | unusable, spacing, still_spacing)
    keys = (
        phases.astype(np.int64),
        samples.valve.view(np.int64),  # bit by bit, so that what is not known is the same
        (samples.time_ns / (every * 1e9)).astype(np.int64),
        np.where(unusable, samples.pressure, 0.0).view(np.int64),
        (unusable & (flow >= 0.0)).astype(np.int64),
    )
    begins = phases == Phase.RAMP
    if len(begins):
        begins[0] = True
    for key in keys:
        begins[1:] |= key[1:] != key[:-1]
    ends = np.append(begins[1:], True)[: len(begins)]
    return np.asarray(begins | ends)


def _usable(
    samples: Samples, phases: NDArray[np.int8], last_pressure: float
) -> tuple[NDArray[np.bool_], float]:
    """Which samples move the gate's clock, shape (n,), and the newest pressure that did.

    NO_DATA is a reading that can't be used, unless it is a stuck transducer's: that one repeats
    the pressure of the sample before, and the strokes or turns are there.
    """
    used = (phases != Phase.NO_DATA) & (phases != Phase.UNUSABLE)
    if used.all():
        return used, float(samples.pressure[-1]) if len(used) else last_pressure
    newest = np.maximum.accumulate(np.where(used, np.arange(len(used)), -1))
    known = np.concatenate((samples.pressure, [last_pressure]))[newest]  # -1: from before
    flow = np.where(np.isnan(samples.stroke_count), samples.rate, samples.stroke_count)
    stuck = (phases == Phase.NO_DATA) & (samples.pressure == known) & (flow >= 0.0)
    return used | stuck, float(known[-1])


def judge_opening(
    samples: Samples, phases: NDArray[np.int8], max_gap: float = MAX_GAP
) -> tuple[Opening, int, int]:
    """How the jet was opened for the first times, from samples since the jewel was fitted.

    Of the first `FIRST_STARTS`, or of those within `FIRST_JET_TIME` of jet. A start is low if the
    jet settles below the working pressure (a low-pressure pierce, phase PIERCE), or if it took
    more than `LOW_TIME` to come near the pressure at which it settles; one too short to settle says
    nothing. Returns what the first start was, how many were low, and how many could be judged. The
    first one is unknown if the jet was on when first seen, or if full pressure never followed a
    low one. The limits are invented.
    """
    used, _ = _usable(samples, phases, np.nan)
    times = np.asarray(samples.time_ns[used] * 1e-9, dtype=np.float64)
    pressure = samples.pressure[used]
    phase = phases[used]
    on = JET_ON[phase] | (phase == Phase.NO_DATA)
    if not on.any():
        return Opening.UNKNOWN, 0, 0
    steps = np.diff(times, prepend=times[0])
    # a gap ends a start, and what comes behind it with the jet on has not been seen to open
    begins = on & (~np.concatenate(([False], on[:-1])) | (steps > max_gap))
    seen = begins & np.concatenate(([False], ~on[:-1])) & (steps <= max_gap)
    jet_time = np.cumsum(np.where(on & (steps <= max_gap), steps, 0.0))
    starts = np.flatnonzero(begins)
    low: list[bool] = []
    for start, end in itertools.pairwise([*starts, len(on)]):
        if len(low) == FIRST_STARTS or (low and jet_time[start] > FIRST_JET_TIME):
            break
        is_low = _is_low(times, pressure, phase, start, end)
        if seen[start] and is_low is not None:
            low.append(is_low)
    raised = bool(np.isin(phase, (Phase.STEADY, Phase.BYPASS)).any())
    opening = Opening.UNKNOWN
    if low and seen[starts[0]] and (raised or not low[0]):
        opening = Opening.LOW if low[0] else Opening.FULL
    return opening, sum(low), len(low)


def _is_low(
    times: NDArray[np.float64],
    pressure: NDArray[np.float64],
    phase: NDArray[np.int8],
    start: int,
    end: int,
) -> bool | None:
    """Whether the jet opened at row `start` at low pressure; None if it did not settle."""
    settled = np.flatnonzero(np.isin(phase[start:end], (Phase.PIERCE, Phase.STEADY, Phase.BYPASS)))
    if len(settled) == 0:
        return None
    first = start + int(settled[0])
    if phase[first] == Phase.PIERCE:
        return True
    below = np.flatnonzero(pressure[start : first + 1] < LOW_SHARE * pressure[first])
    return len(below) > 0 and bool(times[start + below[-1]] - times[start] > LOW_TIME)

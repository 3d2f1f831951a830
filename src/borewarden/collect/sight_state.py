"""What the loop of `sight` keeps from sample to sample, in nested records, and its faults."""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import Floats

NEVER = -1  # ns


class Fault(IntEnum):
    """What is wrong with a channel."""

    NONE = 0
    MISSING = 1
    OUT_OF_RANGE = 2
    WRONG_SCALE = 3  # out of range for a while
    FROZEN = 4
    FULL_SCALE = 5  # frozen, and above the plate
    MISFIT = 6  # pressure and strokes can't both be right
    OTHER_UNIT = 7
    STANDS = 8  # no stroke though the jet is on
    JUMPS = 9
    TOO_FAST = 10
    REPEATS = 11  # what it showed before, over and over
    SELDOM = 12  # readings are too far apart
    SECONDS = 13  # a counter that counts seconds
    ABOVE = 14  # held above the plate
    DROPS = 15  # a counter that shows nought now and then


PROVEN = 2.5  # times `stuck_time` at pressure, sound, after a restart: five windows; invented
LOOP = 24  # readings in a row that tell a repetition


class Plate(NamedTuple):
    """What of a pump, and of how it is read, decides whether a reading can be right; SI.

    `strokes` says that the pump strokes for the jet only, as an intensifier does, and `pistons`
    that it is one; `counts` that strokes or turns come as a counter; `reads_rate` that the rate is
    measured and not stated.
    """

    strokes: bool
    pistons: bool
    counts: bool
    reads_rate: bool
    max_rate: float  # Hz, of the plate
    highest_rate: float  # Hz, that a reading may show for a moment
    rated_pressure: float  # Pa
    stopped_pressure: float
    working_pressure: float
    max_pressure: float
    stuck_time: float  # s that what can't be right has to last
    max_gap: float  # s


CHANNEL = np.dtype(
    [
        ("fault", np.int8),
        ("value", np.float64),  # that was found wrong
        ("since_ns", np.int64),
        ("outside", np.float64),  # s above the range,
        ("outside_ns", np.int64),  # since when
        ("held", np.float64),  # s above what is held for long,
        ("held_ns", np.int64),  # since when
        ("inside", np.float64),  # s like a working pump since
    ]
)

# Since the pressure last changed.
STILL = np.dtype(
    [
        ("since_ns", np.int64),
        ("seconds", np.float64),
        ("strokes", np.float64),
        ("valve", np.float64),  # s with the valve open
        ("turning", np.float64),  # s
        ("pauses", np.float64),  # of the jet
        ("paused", np.bool_),
        ("steps", np.float64),  # changes so far,
        ("step", np.float64),  # Pa, the least one
    ]
)

# The pressure against the plate.
ABOVE = np.dtype(
    [
        ("since_ns", np.int64),  # it first went above,
        ("seconds", np.float64),  # for how long in all, lately,
        ("stretch", np.float64),  # s since it last did
        ("sound", np.float64),  # s at work below it since
    ]
)

RATE = np.dtype(
    [
        ("last", np.float64),
        ("since_ns", np.int64),  # it last changed
        ("seconds", np.float64),  # since then, with the jet on
        ("changes", np.float64),
        ("jet", np.float64),  # s, over all changes
        ("change", np.float64),  # Hz, over all changes
        ("step", np.float64),  # Hz, the least one
        ("sizes", np.float64),  # small changes, jet on or not yet known,
        ("size", np.float64),  # Hz, over all of them
        ("least", np.float64),  # Hz, the least one
        ("longest", np.float64),  # s that it stood, at most
        ("moved", np.float64),  # readings that changed it,
        ("stood", np.float64),  # and that did not, lately, until it last changed
        ("same", np.float64),  # readings since then,
        ("same_time", np.float64),  # s
        ("held", np.float64),  # s at working pressure since it last changed
        ("valve", np.float64),  # of the sample before,
        ("same_valve", np.float64),  # s since it last moved
        ("was_open", np.bool_),  # for a while since the rate last changed,
        ("was_shut", np.bool_),
        ("flips", np.float64),  # how often it was the other for a shorter while
        ("shown", np.float64),  # the valve when it last was so for that while
        ("level", np.float64),  # Pa, the mean since `level_time` s
        ("level_time", np.float64),
        ("lowest", np.float64),  # Pa, of these means since the rate last changed
        ("highest", np.float64),
    ]
)

# The newest readings of the pressure that differed from the one before, and those remembered.
REPEATED = np.dtype(
    [
        ("newest", np.float64, (LOOP,)),
        ("place", np.int64),  # of the oldest one in it
        ("count", np.int64),
        ("remembered", np.float64, (LOOP,)),
        ("has", np.bool_),
        ("at_ns", np.int64),  # the remembered ones came,
        ("at_count", np.int64),
        ("same_ns", np.int64),  # they came again
        ("period_ns", np.int64),
    ]
)

# How the pressure moves while nothing is cut: a display that resolves its noise can't stand.
NOISE = np.dtype(
    [
        ("step", np.float64),  # Pa, the newest one
        ("readings", np.float64),  # in pauses that are over,
        ("turns", np.float64),  # how often it turned there,
        ("moves", np.float64),  # and moved,
        ("moved", np.float64),  # Pa, by how much in all
        ("late", np.float64),  # the same of this pause
        ("late_turns", np.float64),
        ("late_moves", np.float64),
        ("late_moved", np.float64),
        ("same", np.float64),  # readings that did not change it,
        ("same_time", np.float64),  # s
    ]
)

# Since the last stroke; of a crank pump, since the last turn.
REST = np.dtype(
    [
        ("since_ns", np.int64),
        ("seconds", np.float64),
        ("part", np.float64),  # of a stroke, where a rate is read
        ("settled", np.float64),  # s at working pressure in which it should be quiet,
        ("moves", np.float64),  # and how often it moved
        ("late", np.float64),  # the same of the last moments, in which a jet may have opened
        ("late_moves", np.float64),
        ("valve", np.float64),  # s with the valve open,
        ("missed", np.float64),  # and the strokes that the stated bore would have taken
        ("rate", np.float64),  # s in which a rate says that the pump strokes
        ("held", np.float64),  # s at working pressure
        ("low", np.bool_),  # the pressure was down
        ("build_ups", np.int64),
        ("idle", np.float64),  # s at working pressure since the last jet; see `HELD_LONGEST`
        ("idle_ns", np.int64),
    ]
)

# How often the pressure moves while the pump strokes, and while it rests.
PACE = np.dtype(
    [
        ("on", np.float64),  # s
        ("on_moves", np.float64),
        ("off", np.float64),  # s
        ("off_moves", np.float64),
        ("period", np.float64),  # s between two strokes, lately
    ]
)

SUMS = np.dtype(
    [
        ("start_ns", np.int64),
        ("seconds", np.float64),
        ("strokes", np.float64),
        ("flux", np.float64),  # kg/m²
        ("late", np.float64),  # the same since the last stroke, and
        ("busy", np.float64),  # up to it, without pauses
        ("mass", np.float64),  # kg
        ("pressure", np.float64),  # Pa s
        ("square", np.float64),  # Pa² s
        ("odd", np.int64),  # windows in a row that did not fit,
        ("odd_ns", np.int64),  # since when
    ]
)

# A stretch in which a counter may have counted seconds.
TICKS = np.dtype(
    [
        ("seconds", np.float64),
        ("counts", np.float64),
        ("flux", np.float64),  # kg/m²
        ("mass", np.float64),  # kg
    ]
)

# At working pressure, over the last windows.
USUAL = np.dtype(
    [
        ("windows", np.float64),
        ("pressure", np.float64),  # Pa
        ("rate", np.float64),  # Hz
        ("area", np.float64),  # m²
    ]
)

SIGHT = np.dtype(
    [
        ("started", np.bool_),
        ("time_ns", np.int64),
        ("usable_ns", np.int64),
        ("unproven", np.float64),  # s at pressure that have to be sound before all is
        ("pressure", CHANNEL),
        ("flow", CHANNEL),
        ("last_pressure", np.float64),
        ("counted", np.bool_),
        ("count", np.float64),
        ("edge_ns", np.int64),  # the counter last moved
        ("jumps", np.float64),
        ("jumps_ns", np.int64),  # the first of them
        ("good_ns", np.int64),
        ("returns", np.float64),  # how often it dropped to nought and came back, lately
        ("return_ns", np.int64),  # the newest of them
        ("first_return_ns", np.int64),
        ("good", np.float64),  # the newest count that was reached by counting
        ("fell", np.bool_),  # the counter went back, and has not counted since
        ("since_fall", np.float64),  # counts since it last went back
        ("falls", np.float64),  # how often it went back, lately
        ("first_fall_ns", np.int64),
        ("last_fall_ns", np.int64),
        ("gap", np.float64),  # s between the newest two readings
        ("lone", np.int64),  # readings in a row, each too far from the one before
        ("stale", np.int64),  # times that many counts came late, with a pressure as late
        ("in_time", np.float64),  # counts, or other news, in a row that did not
        ("quiet", np.float64),  # s without news, where strokes are not counted,
        ("before", np.float64),  # s that this lasted when news came late before,
        ("late", np.float64),  # how often in a row all news came at once as late again,
        ("beat", np.float64),  # s that this lasted when small news came late,
        ("beats", np.float64),  # and how often it lasted as long again
        ("ticks", TICKS),
        ("still", STILL),
        ("above", ABOVE),
        ("rate", RATE),
        ("repeated", REPEATED),
        ("noise", NOISE),
        ("rest", REST),
        ("pace", PACE),
        ("below", np.float64),  # s of strokes below working pressure, before any at it
        ("window", SUMS),
        ("low_window", SUMS),  # of a crank pump below working pressure
        ("usual", USUAL),
    ]
)


class Range(NamedTuple):
    """What a reading may be; from `works` on it is that of a pump at work."""

    low: float
    works: float
    held: float  # more is wrong if it lasts
    high: float
    stuck_time: float  # s, of the `Plate`


class Sample(NamedTuple):
    """What is looked at of one sample."""

    time_ns: int
    pressure: float
    rate: float
    counter: float
    valve: float


class Reading(NamedTuple):
    """One sample, and the time since the last one."""

    time_ns: int
    seconds: float  # 0 after a gap
    pressure: float
    rate: float  # NaN where it is not read
    valve: float
    strokes: float  # or turns, in that time
    flux: float  # kg/(s m²)
    delivery: float  # kg a stroke


class Channels(NamedTuple):
    """What is looked at of a block, and what comes of it.

    Handing on all of `Samples` would take twice as long.
    """

    time_ns: NDArray[np.int64]
    pressure: Floats
    rate: Floats
    stroke_count: Floats
    valve: Floats
    unusable: NDArray[np.bool_]  # written


class Seen(NamedTuple):
    """What the loop says of the newest sample; see `SIGHT`."""

    usable_ns: int
    pressure_fault: int
    pressure_value: float
    pressure_since_ns: int
    flow_fault: int
    flow_value: float
    flow_since_ns: int
    unproven: float  # s, see `SIGHT`
    pressure_still: float  # s that the pressure has not changed, where that proves nothing; else 0
    flow_still: float  # s that the rate, or at pressure the counter, has not
    is_late: bool  # whether news may come too seldom
    below: float  # s of strokes below working pressure, before any at it
    flow_little: float  # s at working pressure with strokes that no jet takes, or none

"""What the sample loop goes by, and the state that it keeps from sample to sample, in records."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from borewarden.base.compiling import compilable, record_of
from borewarden.base.samples import MOST_HEADS
from borewarden.gate.batch import LINE_KINDS, SIGNALS
from borewarden.physics.pump import Displacement


class GateSettings(NamedTuple):
    """What the gate needs to know of the machine; SI.

    `nominal_area` is C_d A of the stated bores (m²); the jet counts as on where the flow passes
    `jet_on_fraction` of what that area would take. Defaults are invented, but for
    `default_temperature`: 20 °C is common practice, no source.
    """

    nominal_area: float
    max_rate: float  # Hz, overstroke limit or rated crank speed
    max_pressure: float  # Pa, readings above are out of range
    working_pressure: float  # Pa, a steady jet below is a low-pressure pierce
    stopped_pressure: float  # Pa, below is stopped
    uses_counter: bool  # strokes come as a counter, not as a rate
    flow_shows_jet: bool  # an intensifier stands still while dead-headed; a crank pump does not
    turns_on: bool = False  # with the jet closed it goes on at some least speed
    bypass_pressure: float = np.inf  # Pa, at and above the bypass spills
    rate_resolution: float = 0.0  # Hz, least step of a rate reading
    strokes_per_count: float = 1.0  # least step of the stroke counter
    stored_volume: float = 0.0  # m³ of water under pressure, from the check valves to the jewels
    default_temperature: float = 293.15  # K, where no water temperature is measured
    batch_time: float = 10.0  # s that the stated area takes to pass the water of a batch
    longest_pause: float = 60.0  # s without steady jet within a batch
    settle_time: float = 6.0  # s after the jet opens or its pressure moves
    hold_time: float = 4.0  # s of rate readings held back in case the jet is closing
    max_gap: float = 10.0  # s, a longer silence is a gap
    steady_band: float = 0.04  # fast against slow smoothed pressure, relative
    fast_time: float = 2.0  # s
    slow_time: float = 20.0  # s
    jet_on_fraction: float = 0.6
    stuck_time: float = 120.0  # s of one unchanging pressure with the jet on


@compilable
def is_intensifier(g: GateSettings) -> bool:
    """Whether it is a pump whose strokes show the jet, and stop with it."""
    return bool(g.flow_shows_jet and not g.turns_on)


# The same as records, of which compiled code can be handed the bytes.
SETTINGS = record_of(GateSettings)
GIVEN = np.dtype([("settings", SETTINGS), ("displacement", record_of(Displacement))])

SUMS = np.dtype(
    [
        ("time", np.float64),  # s
        ("events", np.float64),  # strokes or turns
        ("mass", np.float64),  # kg; kg s per event while a counter's edge is awaited
        ("flux", np.float64),  # kg/m²
        ("pressure", np.float64),  # Pa s
        ("rise", np.float64),  # Pa, of the smoothed pressure
    ]
)

PIECE = np.dtype(
    [
        ("good", np.bool_),  # the phase has been the right one throughout
        ("start_ns", np.int64),
        ("end_ns", np.int64),  # once it is held back
        ("sums", SUMS),
        ("signal_sums", np.float64, (len(SIGNALS),)),
        ("signal_counts", np.float64, (len(SIGNALS),)),
    ]
)

# What was gathered without a break, while counter edges follow each other.
RUN = np.dtype(
    [
        ("open", np.bool_),  # the batch's last interval joins the next one
        ("joined", np.bool_),  # the batch starts in the run in which the batch before ended
        ("edge", np.float64),  # s², variance of timing the end of the run
        ("period", np.float64),  # s from count to count, followed; 0: none yet
        ("flux", np.float64),  # kg/(s m²), at which it takes that
        ("other", np.float64),  # s from count to count, mean of the newest that are alike
        ("others", np.int64),  # how many these are
        ("looks", np.int64),  # of a coarse log, in a row, that are alike
        ("area", np.float64),  # m², mean of theirs
    ]
)

OPEN_BATCH = np.dtype(
    [
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("sums", SUMS),
        ("timing", np.float64),  # s², variance of its timing
        ("shared", np.float64),  # s², of it the edge at which the batch before ended
        ("signal_sums", np.float64, (len(SIGNALS),)),
        ("signal_counts", np.float64, (len(SIGNALS),)),
    ]
)

# A jet that gathers: at working pressure or below it.
GATHER = np.dtype(
    [
        ("piece", PIECE),  # the newest: counter edge to counter edge, or hold_time long
        ("held", PIECE),  # the one before, until the newest shows that the jet was not closing
        ("run", RUN),
        ("batch", OPEN_BATCH),
    ]
)

# The open batch of a pump whose jet is closed, or that is stopped.
IDLE = np.dtype(
    [
        ("start_ns", np.int64),
        ("runs", np.float64),  # stretches of dead-heading that began in it
        ("sums", SUMS),
        ("held", SUMS),  # the newest, until it is known that the jet was not opening
        ("opened", np.bool_),  # whether what is held begins a stretch
    ]
)

# A reading smoothed twice, and how far the two usually are apart while the jet is steady.
SMOOTHED = np.dtype(
    [
        ("fast", np.float64),
        ("slow", np.float64),
        ("spread", np.float64),  # relative, upper decile of |fast - slow|
        ("scatter", np.float64),  # the same of |reading - slow|
        ("since", np.float64),  # s since they started anew
        ("side", np.float64),  # sign of fast - slow
        ("one_sided", np.float64),  # s, for which it has been that
        ("apart", np.float64),  # fast - slow, smoothed in turn
        ("not_leaking", np.float64),  # s since it last fell as a line does that is shut
    ]
)

# By what part of what is new smoothed readings move on, at one interval between samples.
PACES = np.dtype(
    [
        ("seconds", np.float64),  # since the last sample
        ("interval", np.float64),  # s, the usual one
        ("fast", np.float64),
        ("slow", np.float64),
        ("apart", np.float64),  # how far these two are apart
        ("noise", np.float64),  # sd of what moves at the usual `fast` over a single reading's
    ]
)

RISES = 8  # openings of the jet that are remembered

# The flow, as the effective area that it would take over the stated one.
FLOW = np.dtype(
    [
        ("area", SMOOTHED),
        ("noise", np.float64),  # sd of a single reading
        ("now", np.float64),  # at this sample
        ("before", np.float64),  # at the one before
        ("settled_time", np.float64),  # s since it last moved
        ("wait", np.float64),  # s that it has to be settled for, after it moved
        ("fell", np.float64),  # by how much it has fallen on and on
        ("fastest", np.float64),  # 1/s, that it did so
        ("low_ns", np.int64),  # newest time at which a closed jet took next to nothing; 0: none
        ("rises", np.float64, (RISES,)),  # s, from next to nothing to a jet
        ("rise", np.int64),  # how many there have been
    ]
)

# The last usable sample.
LAST = np.dtype(
    [
        ("pressure", np.float64),  # Pa
        ("change", np.float64),  # of its log from the one before; NaN unless the jet was steady
        ("rate", np.float64),  # Hz
        ("left", np.float64),  # s, stroke times
        ("right", np.float64),
    ]
)

JET = np.dtype(
    [
        ("on", np.bool_),
        ("by_valve", np.bool_),  # whether its signal says so
        ("settled_time", np.float64),  # s since it opened or its pressure last moved
        ("seconds", np.float64),  # total with the jet on
        ("head_seconds", np.float64, (MOST_HEADS,)),  # of it by the place of the valve signal
        ("bypass_seconds", np.float64),  # of it with the bypass spilling
        ("off_seconds", np.float64),  # since it was on last
        ("less_seconds", np.float64),  # with less than a jet's flow, for long, and more than leaks
        ("missed_seconds", np.float64),  # total not seen while the jet was on
        ("fastest", np.float64),  # Hz, of a crank with the jet on, as it seems
        ("idle_seconds", np.float64),  # total with it much slower than that, without a valve signal
    ]
)

PARKED = 8  # combinations of open heads whose open batches are kept while others cut; invented

# The heads, which are open, and the batches that wait for others to open again.
OPEN_HEADS = np.dtype(
    [
        ("count", np.int64),  # of heads that hold a jewel or have a valve signal
        ("areas", np.float64, (MOST_HEADS,)),  # m², by the place of the signal; 0 without jewel
        ("heads", np.int64),  # which are open, or were last, as in `BATCH`
        ("area", np.float64),  # m², effective one of their stated bores; of all if not known
        (
            "parked",
            np.dtype([("heads", np.int64), ("steady", OPEN_BATCH), ("low", OPEN_BATCH)]),
            (PARKED,),
        ),
    ]
)

COUNTER = np.dtype(
    [
        ("anchored", np.bool_),  # a first reading is known
        ("count", np.float64),
        ("since_edge", np.float64),  # s since it last moved
        ("step", np.float64),  # the least counts that it usually moves by; 0: none yet
    ]
)

CEILINGS = 4  # speeds of the crank; invented

# The highest level that a pump of fixed flow goes to at one speed, and comes back to from jets.
CEILING = np.dtype(
    [
        ("rate", np.float64),  # Hz; 0: none yet
        ("pressure", np.float64),  # Pa
        ("jet_pressure", np.float64),  # Pa, of the level below it; 0: none yet
        ("is_below", np.bool_),  # the newest level was that
        ("below_ns", np.int64),  # when the pressure was last seen there
        ("turns", np.int64),  # from a jet to the ceiling
        ("turn_ns", np.int64),  # the newest of these
        # of the closed jet, by the crank, see `borewarden.gate.speed_levels`
        ("shut", np.float64),  # m², effective area that its level looks like
        ("shut_seen", np.int64),  # how often, of late
        ("open", np.float64),  # m², the same of the jet that the crank sped up for last; 0: none
        ("apart", np.int64),  # how often, of late, these two were apart
        ("was_alike", np.bool_),  # for so long, that the jet has changed if they are apart by now
    ]
)

# The level that the pressure is at, and the ceilings.
LEVELS = np.dtype(
    [
        ("pressure", np.float64),  # Pa, now
        ("rate", np.float64),  # Hz, now
        ("seconds", np.float64),  # for which both have stayed
        ("left", np.bool_),  # whether the newest reading was somewhere else
        ("later", np.float64),  # Pa, the pressure after the first of these seconds
        ("newest", np.int64),  # index of the ceiling
        ("ceilings", CEILING, (CEILINGS,)),
        ("turns", np.int64),  # from a jet to a ceiling, the most at one speed
        ("is_told", np.bool_),
        ("settled_rate", np.float64),  # Hz, when both had last stayed
        ("settled_pressure", np.float64),  # Pa
        ("settled_ns", np.int64),
        ("jet_rate", np.float64),  # Hz, of a jet that closed as the crank ran free; else 0
        ("area", np.float64),  # m², effective area that the level looks like
        ("before", np.int64),  # levels at this speed, since the crank came to it
        ("stood", np.float64),  # Hz, speed at which the crank stood last
        ("came_from", np.float64),  # Hz, and before that
        ("slowing", np.int64),  # of the level that it slows down from: index of its ceiling, and
        ("slowing_area", np.float64),  # m², effective area; 0: it does not
        ("slowing_rate", np.float64),  # Hz, speed
        ("slowing_time", np.float64),  # s since then
        ("is_known", np.bool_),  # that it was told which level is the closed jet's
        ("is_lower", np.bool_),  # it has less pressure than the jet's
    ]
)

EMPTIES = 3  # times that a closed jet was seen to empty the line, before it is known; invented
HOLDS = 3  # times that a line was seen to hold, before it is known to; invented

# A line that keeps its pressure while the jet is closed and the crank turns on.
HELD_LINE = np.dtype(
    [
        ("rate", np.float64),  # Hz, of the crank when the pressure was last as now
        ("pressure", np.float64),  # Pa, then
        ("seconds", np.float64),  # for which the crank has had another speed since
        ("leak_seconds", np.float64),  # for which the pressure has leaked away
        ("times", np.int64),  # how often it was seen that the line holds
        ("is_shut", np.bool_),  # it holds, and has not moved since that was seen
        ("level", np.float64),  # Pa, of the pressure, followed as slowly as a line leaks
        ("moved", np.bool_),  # whether the pressure has left that since it was last steady
        ("highest", np.float64),  # Pa, from where
        ("lowest", np.float64),  # Pa, it was since
        ("openings", np.int64),  # how often the jet has opened
        ("shut_seconds", np.float64),  # for which it has been shut now
        ("shut_level", np.float64),  # Pa, since which
        ("leak", np.float64),  # 1/s, relative, by which it leaks while it is shut; 0: not known
        ("open_rate", np.float64),  # Hz, of the crank with the jet that was on last; else 0
        ("empty_seconds", np.float64),  # for which the flow has been more than any jet's since
        ("emptied", np.int64),  # how often a closed jet was seen so
    ]
)

# A pressure reading that stands still.
SAME = np.dtype(
    [
        ("time", np.float64),  # s since it last changed
        ("longest", np.float64),  # s, that it was the same of late
        ("changes", np.int64),
    ]
)

# A stretch of the line's mass balance, see `borewarden.gate.swing`.
PARTS = np.dtype(
    [
        ("stored", np.float64),  # kg/m³, by which the water in the line got less dense
        ("out", np.float64),  # kg/m², that left for each m² of effective area
        ("fed", np.float64),  # kg
        ("time", np.float64),  # s
    ]
)

# What is known of one of `LINE_KINDS`, and its next batch.
MADE = np.dtype(
    [
        ("seen", np.int64),  # how many there have been
        ("usual", np.float64),  # log of the area over the stored volume, 1/m
        ("highest", np.float64),  # Pa, of late
        ("odd", np.int64),  # in a row that were unlike those
        ("count", np.float64),  # in the next batch, and so on
        ("value", np.float64),
        ("time", np.float64),  # s
        ("pressure", np.float64),  # Pa
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("told_ns", np.int64),  # when the last one was told
    ]
)

# How the line's pressure moves.
LINE = np.dtype(
    [
        ("pressure", np.float64),  # Pa, at the last look
        ("flux", np.float64),  # kg/(s m²), at the last sample
        ("gives", np.float64),  # kg/s, what the pump fed then
        ("on", np.bool_),  # the jet, at the last look
        ("step", PARTS),  # since then
        ("side", np.float64),  # which way it goes: 1 up, -1 down, 0 neither
        ("steps", np.int64),  # that it has gone that way
        ("first", np.float64),  # Pa, where that began
        ("top", np.float64),  # Pa, the highest of the swing that is over
        ("start_ns", np.int64),  # and when
        ("began_on", np.bool_),  # with the jet on
        ("held", PARTS),  # the newest step, which may be the last one
        ("sums", PARTS),  # those between the first and that
        ("supply", np.float64),  # flux over what is fed, 1/m², of a steady jet; 0: none yet
        ("steady_time", np.float64),  # s, that it has been steady
        ("waits", np.bool_),  # a swing is over, and its jet not steady yet
        ("ended_ns", np.int64),
        ("waiting", PARTS),
        ("waiting_kind", np.int64),
        ("shut", PARTS),  # of a shut line; time below 0: it is none
        ("shut_pressure", np.float64),  # Pa, at its beginning
        ("falls", np.int64),  # looks in a row in which it fell
        ("made", MADE, (len(LINE_KINDS),)),
    ]
)

CUTS = 3  # short ones that make a batch: the middle one of them; invented

# Cuts too short to settle, see `borewarden.gate.short_cuts`.
SHORT = np.dtype(
    [
        ("opened", np.bool_),  # the jet was seen to be closed, and has not settled since
        ("open_time", np.float64),  # s since then
        ("unsettled", np.bool_),  # the jet is on, and has not settled yet
        ("peak", np.float64),  # Hz, highest reading of late
        ("since_peak", np.float64),  # s since then
        ("high", np.float64),  # Hz, highest reading since it last fell
        ("since_fall", np.float64),  # s since then
        ("since_dip", np.float64),  # s since it was less than usual
        ("before", np.float64),  # Hz, the last reading but one
        ("noise", np.float64),  # sd of a single one, relative
        ("place", np.float64),  # Pa, where the pressure is, roughly
        ("in_place", np.float64),  # s, for which it has been there
        ("away", np.float64),  # s, for which it has now been away
        ("flux", np.float64),  # kg/(m² s), that it has made flow there of late
        ("pressure", np.float64),  # Pa, at which the pressure has stayed
        ("rate", np.float64),  # Hz, and the reading
        ("stays", np.float64),  # s, for which both have
        ("start_ns", np.int64),  # of what is gathered
        ("newest", SUMS),  # which may be that of a jet that closes
        ("held", SUMS),  # before it
        ("sums", SUMS),  # before that
        ("first", SUMS),  # first seconds of a cut that has settled
        ("seen", np.int64),  # cuts that settled, by which the first seconds are known
        ("usual", np.float64),  # log of what they show over what follows
        ("variance", np.float64),  # and its variance
        ("alike", np.int64),  # cuts that did not settle and agree, as long as that is not known
        ("spread", np.float64),  # variance of theirs
        ("level", np.float64),  # log of the area, m², of late: settled, or larger by short cuts
        (
            "cuts",
            np.dtype(
                [
                    ("value", np.float64),  # log of the area, m², corrected
                    ("time", np.float64),  # s
                    ("rate", np.float64),  # Hz
                    ("pressure", np.float64),  # Pa
                    ("start_ns", np.int64),
                    ("end_ns", np.int64),
                ]
            ),
            (CUTS,),
        ),
        ("count", np.int64),  # how many of these wait
        ("told", np.float64),  # log of the area, m², of the newest batch
        ("told_ns", np.int64),  # when it ended; 0 if it says no more
        ("density", np.float64),  # kg/m³, at the last sample; of a line that fills
        ("volume", np.float64),  # m³, of the line
        ("fills", np.int64),  # cuts that have shown it
        ("same_speed", np.float64),  # s, for which the crank has turned as fast as now
        ("same_before", np.float64),  # s, the same of the speed before
        ("speeds_up", np.bool_),  # it turned slower before that, and nothing has closed since
    ]
)

STATE = np.dtype(
    [
        ("started", np.bool_),
        ("time_ns", np.int64),
        ("interval", np.float64),  # s, the median between samples, followed; 0: none yet
        ("phase", np.int8),  # at time_ns
        ("temperature", np.float64),  # last known, K
        ("paces", PACES),
        ("smoothed", SMOOTHED),  # pressure, Pa
        ("flow", FLOW),
        ("last", LAST),
        ("same", SAME),
        ("idle_time", np.float64),  # s since the jet closed, or since the pump stopped
        ("stops", np.int64),  # how often the machine has been stopped
        ("jet", JET),
        ("open", OPEN_HEADS),
        ("counter", COUNTER),
        ("levels", LEVELS),
        ("held_line", HELD_LINE),
        ("line", LINE),
        ("short", SHORT),
        ("steady", GATHER),
        ("low", GATHER),
        ("dead_head", IDLE),
        ("stopped", IDLE),
    ]
)


class Sample(NamedTuple):
    """One row of `Samples`. Handing on scalars is several times faster than handing on arrays."""

    time_ns: int
    pressure: float
    rate: float
    stroke_count: float
    temperature: float
    valve: float
    oil_pressure: float
    boost_pressure: float
    weep_temperature: float
    bypass_temperature: float
    left_stroke_time: float
    right_stroke_time: float
    motor_speed: float
    motor_torque: float
    check_valve_temperature: float
    open_heads: float


class Interval(NamedTuple):
    """What the pump did from the last usable sample to this one."""

    seconds: float  # 0 after a gap
    pressure: float  # Pa, at its end
    flux: float  # kg/(s m²), what a unit of effective area takes at that pressure
    delivery: float  # kg a stroke or turn
    rate: float  # Hz
    events: float  # counts since; 0 where the pump has no counter
    rise: float  # Pa, of the smoothed pressure; 0 after a gap

"""The compiled loop that decides, sample by sample, whether a machine's readings are usable.

Scalar code with all its state in one record, like the gate's: a day in one block and a day sample
by sample agree to the last bit. A fault that took time to find stays until a reading disproves it,
also over a gap: what stood still has to move, and what did not fit has to fit for a while.

All figures in here are invented by this project.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from borewarden.base.compiling import compiled
from borewarden.collect.sight_state import (
    LOOP,
    PROVEN,
    SIGHT,
    Channels,
    Fault,
    Plate,
    Range,
    Reading,
    Sample,
    Seen,
)
from borewarden.physics.orifice import mass_flux
from borewarden.physics.pump import Displacement, delivered_mass

S_PER_NS = 1e-9
TEMPERATURE = 293.15  # K; 20 K more change the flow of a jet by less than a percent
VALVE_ON = 0.5  # heads, halfway between none and one
TURNING = 0.02  # of the highest rate: above, a crank turns
LEAK = 0.05  # of the highest rate: fewer strokes may be a leak's

HELD_RATE = 1.1  # of the highest one: no pump goes on like that for `stuck_time`; as `reach` has it
OUTSIDE = 0.25  # of `stuck_time` above the range: the scale is wrong, until for
INSIDE = 0.5  # of it there was a reading like that of a working pump, and none above
ABOVE_RATED = 1.05  # of the rated pressure: nobody holds that for `stuck_time` to the last digit
HELD_ABOVE = 1.1  # of it: the relief valve opens before, whatever the last digit does
SPIKE = 0.05  # of `stuck_time`: a valve that closes may make one
ABOVE_MEMORY = 3600.0  # s in which stretches above the plate add up
STANDS_LONGEST = 3600.0  # s of one and the same pressure while nothing else shows work
LEAST_STROKES = 3.0  # that a pressure has to show
COARSE = 1e-3  # of the rated pressure: a gauge of larger steps may stand on a steady cut,
WHOLE, EXACT = (1e6, 100 * 6894.757293), 1e-6  # Pa, of such gauges, and of a step
STEPS_KNOWN = 10.0  # changes that show how large its steps are,
PAUSES = 3.0  # but not through so many pauses of the jet

CHANGES = 200.0  # of a rate with a steady jet, to know how often it changes,
SMALL_CHANGE = 0.02  # of itself at a time; more is a jet that opens
USUAL_STEPS = 1.25  # least steps at a time, or a coarse display may stand still on a normal day
LONGER = 3.0  # times as long as it ever stood
PAUSE = 2.0  # stroke periods after the last stroke, the noise is that of a pressure that is held
NOISE_KNOWN, NOISE_MEMORY = 30.0, 3000.0  # readings
RESOLVED = 2.0  # least steps of the gauge at a time: it shows the noise, and not its own rounding
NOISY = 0.3  # turns a reading; of pure noise it is 2/3
STRETCH = 0.25  # of `stuck_time`: controllers average over less
FLIP_TIME = 0.06  # of `stuck_time` that a valve stays, and
FLIPS = 6.0  # of it without a change of the rate
RATE_MOVES = 0.25  # of itself, that the pressure would have moved it,
COARSE_RATE = 1.5 / 60.0  # Hz; some panels show whole strokes/min
PINNED = 0.95  # of the highest rate
UNPROVEN = 5.0  # times `stuck_time` without a change: that may be right, and may not
JET_LIKE = 0.5  # of the usual rate; less may be a leak's, which is steady
SELDOM = 60.0  # times the usual time between two changes

OFTEN = 0.9  # of the readings change it: then a few that don't are enough;
LESS_OFTEN = 0.6  # will do where it changes by `RESOLVED` steps: it is polled faster than renewed
OFTEN_KNOWN, OFTEN_MEMORY = 60.0, 300.0  # readings
SAME = 20.0  # readings

TURNS = 8  # up or down, and
VARIED = 12  # of `LOOP` readings that have to differ, or a coarse display may repeat itself
MATCHED = 18  # of the `LOOP` readings that have to come again, in their order, with
MISSED = 2  # others between two of them
REMEMBERED = 5.0  # times `stuck_time` after which others are remembered: no longer loop is found
OUT_OF_STEP = 0.02  # of the time that a loop takes
LOOPS_LOST = 2.5  # loops without a repetition: it has ended
LONE = 3  # readings
IN_TIME = 20.0  # counts, one by one
MANY = 4.0  # counts at once: none of them was seen when it was made
LATE = 6.0  # readings
BEATS = 8.0  # times in a row as late, to a reading or so: a clock renews them,
OFF_BEAT = 1.5  # readings

STROKES_MISSED = 10.0  # that the stated bore would have taken while the valve was open
MISSED_TIME = 0.5  # of `stuck_time`
MOVE, LARGEST_MOVE = 0.01, 0.1  # of the pressure between two samples: a stroke, and not a stop
LOG_ODDS = 20.0  # that moves come at the pace of a stroking pump and not of one at rest
MANY_MOVES = 60.0  # without a stroke ever seen,
MOVES_OFTEN = 0.1  # Hz: twice as often as any pump at rest of the second plant
PACE_KNOWN = 0.5  # of `stuck_time`
PACE_MEMORY = 3600.0  # s
DIES_AWAY = 3.0  # stroke periods after the last stroke: the jet has closed and the pressure settled
BUILD_UPS = 3  # of the pressure without a stroke
HELD_LONGEST = 7200.0  # s of pressure without a jet, or of a turning crank without pressure
SELDOM_STROKES = 4.0  # times the usual time between two strokes: no jet takes so few
SELDOM_STATED = 6.0  # times that of the stated bore, which the plate may make half as long
PLATE_OFF = 2.5  # strokes a count (2) and plunger or bore (1.2) may be stated wrong at once;
RATE_OFF = 2.0  # a rate has no strokes a count
LONGEST_PERIOD = 30.0  # s between two strokes of a working pump

COUNT_SLACK = 2.0  # counts
COUNT_MARGIN = 3.0  # times the most that the pump makes
MOST_COUNTS = 2.0**32 - 2.0  # more were not made in a century; all ones stand for no value
NEAR_ZERO = 3.0  # counts: there, a counter begins anew
JUMPS = 3.0
JUMP_KEPT = 0.8  # of what is held against a counter, after a stroke that it counted well
FALLS = 3.0  # that are no reset for a job or a shift
FALLS_KEPT = 3600.0  # s
OFTEN_RESET = 20.0  # counts between two

WINDOW = 0.5  # of `stuck_time` of a pump at work, and
WINDOW_STROKES = 10.0  # that are counted, or
WINDOW_RATED = 5.0  # that a rate says
TICKS_TIME = 5.0  # times `stuck_time`, to
TICKS_ANYWAY = 15.0  # or, with no more of them than a jet may take, to
TICKS_OFF = 2.5  # counts: no pump keeps time like that
IN_A_ROW = 2  # windows that have to agree, or
NEVER_IN_A_ROW = 5  # where working pressure was never seen
AREA_LOW = 3.5  # times the stated area below working pressure; or, at a third of the usual one,
AREA_USUAL = 2.2  # times the usual area; or, at working pressure,
AREA_HIGH = 6.0  # times the stated one: all no jet's,
AREA_LEAST = 0.5  # as is less than that of the stated one
OVERSPEED = 1.5  # of the highest rate
USUAL_KNOWN = 5.0  # windows
USUAL_MEMORY = 10.0  # windows
UNITS = (6.894757293, 10.0, 14.503773773)  # MPa in a kpsi, bar in a MPa, psi in a bar
THIRD = 1.0 / 3.0
UNIT_BAND = 0.08
RATE_BAND = 0.05
STEADY_BAND = 0.03  # of the pressure, from sample to sample and as standard deviation


# -- faults


@compiled
def _find(channel: Any, fault: int, value: float, since_ns: int) -> None:
    """Note a fault that took time to find, unless there is one already."""
    if channel.fault <= Fault.OUT_OF_RANGE:
        if channel.fault == Fault.NONE or since_ns < channel.since_ns:
            channel.since_ns = since_ns
        channel.fault = fault
        channel.value = value


@compiled
def _clear(channel: Any, fault: int) -> None:
    if channel.fault == fault:
        channel.fault = Fault.NONE


@compiled
def _add_held(channel: Any, value: float, limits: Range, seconds: float, t: int) -> None:
    """A reading that may be so for a moment, and not for long."""
    channel.inside = 0.0
    if channel.held == 0.0:
        channel.held_ns = t
    channel.held += seconds
    if channel.held > limits.stuck_time:
        _find(channel, Fault.WRONG_SCALE, value, channel.held_ns)


@compiled
def _in_range(channel: Any, value: float, limits: Range, seconds: float, t: int) -> bool:
    """Whether `value` is there and possible; if not, it is told in `channel`.

    A machine that stands shows zero, which fits any scale, so it does not clear one that was seen
    to be wrong.
    """
    possible = limits.low <= value <= limits.high
    if limits.held < value <= limits.high:
        _add_held(channel, value, limits, seconds, t)
    elif value > limits.high:
        channel.inside = 0.0
        if channel.outside == 0.0:
            channel.outside_ns = t
        channel.outside += seconds
        if channel.outside > OUTSIDE * limits.stuck_time:
            _find(channel, Fault.WRONG_SCALE, value, channel.outside_ns)
    elif value >= limits.works:
        channel.inside += seconds
        if channel.inside > INSIDE * limits.stuck_time:
            channel.outside = channel.held = 0.0
            _clear(channel, Fault.WRONG_SCALE)
    if channel.fault <= Fault.OUT_OF_RANGE:
        fault = Fault.NONE
        if not possible:
            fault = Fault.OUT_OF_RANGE if np.isfinite(value) else Fault.MISSING
        if fault != channel.fault:
            channel.fault = fault
            channel.value = value
            channel.since_ns = t
    return possible


@compiled
def _turns(plate: Plate, x: Reading) -> bool:
    return bool(x.strokes > TURNING * plate.max_rate * x.seconds)


# -- what stands still


@compiled
def _pressure_moved(s: Any, step: float, t: int) -> None:
    still = s.still
    if step > 0.0:  # not the first one
        still.step = min(still.step, step) if still.steps > 0.0 else step
        still.steps += 1.0
    still.pauses = 0.0
    still.paused = False
    still.since_ns = t
    still.seconds = 0.0
    still.strokes = 0.0
    still.valve = 0.0
    still.turning = 0.0
    _clear(s.pressure, Fault.FROZEN)
    _clear(s.pressure, Fault.FULL_SCALE)


@compiled
def _is_coarse(still: Any, plate: Plate) -> bool:
    """Whether the gauge is known to have large steps."""
    return bool(still.steps >= STEPS_KNOWN and still.step > COARSE * plate.rated_pressure)


@compiled
def _may_be_coarse(still: Any, plate: Plate, pressure: float) -> bool:
    """The same, or that a pressure looks like it while too few steps were seen to know."""
    whole = False
    for step in WHOLE:
        whole = whole or abs(pressure / step - np.rint(pressure / step)) < EXACT
    return bool(_is_coarse(still, plate) or (still.steps < STEPS_KNOWN and whole))


@compiled
def _works_meanwhile(s: Any, plate: Plate, pressure: float, is_up: bool) -> bool:
    """Whether the machine worked while the pressure stood; a coarse gauge may stand on a cut."""
    still = s.still
    if _may_be_coarse(still, plate, pressure) and is_up and still.pauses < PAUSES:
        return False
    if plate.strokes:
        works = still.strokes >= max(LEAST_STROKES, LEAK * plate.max_rate * still.seconds)
    else:
        works = still.turning > plate.stuck_time
    return bool(works or still.valve > plate.stuck_time)


@compiled
def _watch_pressure(s: Any, plate: Plate, x: Reading) -> None:
    """Whether the pressure stands still to the last digit while the machine works."""
    still = s.still
    if x.pressure != s.last_pressure:
        _pressure_moved(s, abs(x.pressure - s.last_pressure), x.time_ns)
        return
    is_up = x.pressure > plate.stopped_pressure
    turns = _turns(plate, x)
    still.seconds += x.seconds
    still.strokes += x.strokes
    if turns and is_up:
        still.turning += x.seconds
    # a valve that is left open says nothing of a pump that stands
    if x.valve >= VALVE_ON and (is_up or (turns and (plate.counts or plate.reads_rate))):
        still.valve += x.seconds
    if plate.strokes and s.pace.period > 0.0:
        pauses = s.rest.seconds > DIES_AWAY * s.pace.period
        still.pauses += pauses and not still.paused
        still.paused = pauses
    if still.seconds <= plate.stuck_time:
        return
    if x.pressure > ABOVE_RATED * plate.rated_pressure:
        _find(s.pressure, Fault.FULL_SCALE, x.pressure, still.since_ns)
    elif _works_meanwhile(s, plate, x.pressure, is_up) or (
        is_up and still.seconds > STANDS_LONGEST
    ):
        _clear(s.pressure, Fault.MISFIT)  # the better word
        _find(s.pressure, Fault.FROZEN, x.pressure, still.since_ns)


@compiled
def _watch_noise(s: Any, plate: Plate, x: Reading) -> None:
    """Whether a pressure stands that used to move at nearly every reading, jet on or off."""
    noise = s.noise
    step = x.pressure - s.last_pressure
    if x.strokes > 0.0:  # only now is it known to have been a pause
        kept = np.exp(-noise.late / NOISE_MEMORY)
        noise.readings = kept * noise.readings + noise.late
        noise.turns = kept * noise.turns + noise.late_turns
        noise.moves = kept * noise.moves + noise.late_moves
        noise.moved = kept * noise.moved + noise.late_moved
        noise.late = noise.late_turns = noise.late_moves = noise.late_moved = 0.0
    quiet = PAUSE * s.pace.period if s.pace.period > 0.0 else LONGEST_PERIOD
    is_up = x.pressure > plate.stopped_pressure
    if is_up and x.strokes == 0.0 and s.rest.seconds > quiet:
        noise.late += 1.0
        noise.late_turns += step * noise.step < 0.0
        noise.late_moves += step != 0.0
        noise.late_moved += abs(step)
    if step != 0.0 or not is_up:
        noise.step = step
        noise.same = noise.same_time = 0.0
        return
    noise.same += 1.0
    noise.same_time += x.seconds
    is_noisy = noise.readings >= NOISE_KNOWN and noise.turns >= NOISY * noise.readings
    is_resolved = noise.moved >= RESOLVED * s.still.step * noise.moves
    if is_noisy and is_resolved and noise.same >= SAME and noise.same_time > plate.stuck_time:
        _find(s.pressure, Fault.FROZEN, x.pressure, s.still.since_ns)


@compiled
def _is_at_work(s: Any, plate: Plate, x: Reading) -> bool:
    """Whether the jet is on, by strokes or turns, at working pressure."""
    if x.pressure < plate.working_pressure:
        return False
    if not plate.strokes:
        return _turns(plate, x)
    return bool(s.rest.seconds <= DIES_AWAY * s.pace.period)


@compiled
def _watch_plate(s: Any, plate: Plate, x: Reading) -> None:
    """Whether the pressure is above what the pump is built for, at once or cut by cut."""
    above = s.above
    if (x.time_ns - above.since_ns) * S_PER_NS > ABOVE_MEMORY and above.stretch == 0.0:
        above.seconds = 0.0
    if x.pressure > HELD_ABOVE * plate.rated_pressure:
        if above.seconds == 0.0 and above.stretch == 0.0:
            above.since_ns = x.time_ns
        above.stretch += x.seconds
        if above.stretch > SPIKE * plate.stuck_time:
            above.seconds += x.seconds
        above.sound = 0.0
        # one that stands is found as such
        if above.seconds > plate.stuck_time and x.pressure != s.last_pressure:
            _find(s.pressure, Fault.ABOVE, x.pressure, above.since_ns)
        return
    above.stretch = 0.0
    if _is_at_work(s, plate, x):
        above.sound += x.seconds
        if above.sound > INSIDE * plate.stuck_time:
            above.seconds = 0.0
            _clear(s.pressure, Fault.ABOVE)


@compiled
def _rate_changed(rate: Any, x: Reading) -> None:
    """A rate moved: how often and how far it does so while the jet is on and steady."""
    change = abs(x.rate - rate.last)
    if 0.0 < change < SMALL_CHANGE * x.rate:
        rate.least = min(rate.least, change) if rate.sizes > 0.0 else change
        rate.size += change
        rate.sizes += 1.0
    if rate.seconds > 0.0 and change < SMALL_CHANGE * x.rate:  # not as a jet opens
        rate.jet += rate.seconds
        rate.longest = max(rate.longest, rate.seconds)
        rate.step = min(rate.step, change) if rate.changes > 0.0 else change
        rate.change += change
        rate.changes += 1.0
    if x.rate > 0.0 and rate.last > 0.0:
        kept = np.exp(-(rate.same + 1.0) / OFTEN_MEMORY)
        rate.moved = kept * rate.moved + 1.0
        rate.stood = kept * rate.stood + rate.same
    rate.same = rate.same_time = 0.0
    rate.last = x.rate
    rate.since_ns = x.time_ns
    rate.seconds = 0.0
    rate.held = 0.0
    rate.same_valve = 0.0
    rate.was_open = rate.was_shut = False
    rate.flips = 0.0
    rate.shown = np.nan
    rate.level = rate.level_time = 0.0
    rate.lowest, rate.highest = np.inf, 0.0


@compiled
def _is_contradicted(rate: Any, plate: Plate, x: Reading) -> bool:
    """Whether one and the same rate of an intensifier can't be right for all it has lasted.

    It has to follow a valve, and it goes by the square root of the pressure.
    """
    least = STRETCH * plate.stuck_time
    rate.same_valve = rate.same_valve + x.seconds if x.valve == rate.valve else 0.0
    rate.valve = x.valve
    if rate.same_valve > least:
        rate.was_open = rate.was_open or x.valve >= VALVE_ON
        rate.was_shut = rate.was_shut or x.valve < VALVE_ON
    if rate.same_valve > FLIP_TIME * plate.stuck_time and x.valve != rate.shown:
        rate.flips += 1.0 if np.isfinite(rate.shown) else 0.0
        rate.shown = x.valve
    rate.level += x.pressure * x.seconds
    rate.level_time += x.seconds
    if rate.level_time >= least:
        level = max(rate.level / rate.level_time, plate.stopped_pressure)
        rate.lowest = min(rate.lowest, level)
        rate.highest = max(rate.highest, level)
        rate.level = rate.level_time = 0.0
    if x.rate > PINNED * plate.max_rate:  # at its limit, the pressure gives way
        return False
    expected = x.rate * (np.sqrt(rate.highest / rate.lowest) - 1.0) if rate.highest > 0.0 else 0.0
    flipped = (rate.was_open and rate.was_shut) or rate.flips >= FLIPS
    return bool(flipped or expected > max(RATE_MOVES * x.rate, COARSE_RATE))


@compiled
def _used_to_move(rate: Any, plate: Plate, x: Reading) -> bool:
    """Whether a rate stands that changed at nearly every reading before.

    Not at the limit of the pump, where the pressure gives way.
    """
    rate.same += 1.0
    rate.same_time += x.seconds
    readings = rate.moved + rate.stood
    is_resolved = rate.sizes > 0.0 and rate.size >= RESOLVED * rate.least * rate.sizes
    least = LESS_OFTEN if is_resolved else OFTEN
    often = readings >= OFTEN_KNOWN and rate.moved >= least * readings
    stands = rate.same >= SAME and rate.same_time > plate.stuck_time
    return bool(often and stands and x.rate < PINNED * plate.max_rate)


@compiled
def _watch_rate(s: Any, plate: Plate, x: Reading) -> None:
    """Whether a rate stands still that has to move, or that used to while the jet was on."""
    rate = s.rate
    if x.rate != rate.last:
        _rate_changed(rate, x)
        _clear(s.flow, Fault.FROZEN)
        return
    if x.rate <= LEAK * plate.max_rate:
        return
    works = x.pressure >= plate.working_pressure
    rate.held += x.seconds if works else 0.0
    is_lie = plate.pistons and _used_to_move(rate, plate, x)
    if is_lie or (plate.pistons and _is_contradicted(rate, plate, x)):
        _find(s.flow, Fault.FROZEN, x.rate, rate.since_ns)
    if works and x.rate > JET_LIKE * s.usual.rate > 0.0:
        rate.seconds += x.seconds
        if rate.changes >= CHANGES and rate.change >= USUAL_STEPS * rate.step * rate.changes:
            usual = max(SELDOM * rate.jet / rate.changes, LONGER * rate.longest)
            if rate.seconds > max(plate.stuck_time, usual):
                _find(s.flow, Fault.FROZEN, x.rate, rate.since_ns)


# -- what comes again and again


@compiled
def _is_varied(values: Any) -> bool:
    """Whether enough of `values` differ from all before them, and go up and down.

    A pressure that is built up or bled goes through the same whole numbers each time.
    """
    different = 0
    turns = 0
    for i in range(LOOP):
        if 0 < i < LOOP - 1:
            turns += (values[i] > values[i - 1]) != (values[i + 1] > values[i])
        new = True
        for j in range(i):
            new = new and values[i] != values[j]
        different += new
    return different >= VARIED and turns >= TURNS


@compiled
def _come_again(r: Any) -> int:
    """How many of those remembered came again in their order; some polls may miss one."""
    found, place = 0, LOOP
    for back in range(LOOP):
        for skipped in range(MISSED + 1):
            at = place - 1 - skipped
            if at >= 0 and r.newest[(r.place + at) % LOOP] == r.remembered[LOOP - 1 - back]:
                found += 1
                place = at
                break
    return found


@compiled
def _watch_repeats(s: Any, plate: Plate, x: Reading) -> None:
    """Whether the pressure goes through the very readings that it showed before.

    On a gauge of large steps one cut may look like another: there it has to come twice, in step.
    """
    r = s.repeated
    since = (x.time_ns - r.same_ns) * S_PER_NS
    if s.pressure.fault == Fault.REPEATS and since > LOOPS_LOST * r.period_ns * S_PER_NS:
        _clear(s.pressure, Fault.REPEATS)
        r.has = False
    if x.pressure == s.last_pressure:
        return
    r.newest[r.place] = x.pressure
    r.place = (r.place + 1) % LOOP
    r.count += 1
    if r.count < LOOP:
        return
    is_new = r.has and r.count >= r.at_count + LOOP
    if is_new and x.pressure == r.remembered[LOOP - 1] and _come_again(r) >= MATCHED:
        period_ns = x.time_ns - max(r.same_ns, r.at_ns)
        in_step = abs(period_ns - r.period_ns) <= OUT_OF_STEP * period_ns
        r.period_ns = period_ns
        r.same_ns = x.time_ns
        if in_step or not _is_coarse(s.still, plate):
            _find(s.pressure, Fault.REPEATS, r.period_ns * S_PER_NS, r.at_ns)
    old = (x.time_ns - max(r.same_ns, r.at_ns)) * S_PER_NS > REMEMBERED * plate.stuck_time
    if s.pressure.fault != Fault.REPEATS and (old or not r.has) and _is_varied(r.newest):
        for i in range(LOOP):
            r.remembered[i] = r.newest[(r.place + i) % LOOP]
        r.has = True
        r.at_count = r.count
        r.at_ns = x.time_ns


@compiled
def _watch_age(s: Any, plate: Plate, x: Reading, waited: float) -> None:
    """Whether a gateway says the same for long and then has new counts and pressure at once.

    Only counts that come in time, one after the other, show that it no longer does.
    """
    if x.strokes <= 0.0:
        return
    is_late = waited > plate.max_gap and s.still.seconds + x.seconds > plate.max_gap
    if not is_late or x.pressure == s.last_pressure:
        s.in_time += 1.0
        if s.stale < LONE or s.in_time >= IN_TIME:
            s.stale = 0
        return
    s.in_time = 0.0
    s.stale += x.strokes >= MANY
    if s.stale >= LONE:
        _find(s.pressure, Fault.SELDOM, waited, s.still.since_ns)


@compiled
def _is_in_step(s: Any, x: Reading) -> bool:
    """Whether late news has come after the same time often enough, or after twice that and so on.

    Not sooner than strokes follow each other.
    """
    times = np.rint(s.quiet / s.beat) if s.beat > 0.0 else 0.0
    if times >= 1.0 and abs(s.quiet - times * s.beat) <= OFF_BEAT * x.seconds:
        s.beats += 1.0
    else:
        s.beat, s.beats = s.quiet, 0.0
    return bool(s.beat > LONGEST_PERIOD and s.beats >= BEATS)


@compiled
def _watch_news(s: Any, plate: Plate, x: Reading) -> None:
    """Whether a gateway says the same for long and then has a new pressure and rate at once.

    A display of large steps may stand as long on a steady jet, but then not both move by a little
    at one reading, nor in step with a clock. A jet that opens or closes shows nothing of that. A
    counter is looked at by `_watch_age`.
    """
    if plate.counts:
        return
    step, turn = abs(x.pressure - s.last_pressure), abs(x.rate - s.rate.last)
    has_news = step > 0.0 or turn > 0.0
    in_time = s.quiet + x.seconds <= max(plate.max_gap, LATE * x.seconds)
    if x.seconds == 0.0 or (has_news and in_time):
        s.quiet = 0.0
        s.in_time += has_news
        s.late = s.beats = 0.0
        if s.stale < LONE or s.in_time >= IN_TIME:
            s.stale = 0
        return
    s.quiet += x.seconds
    if not has_news:
        return
    s.in_time = 0.0
    both = step > 0.0 and turn > 0.0
    is_as_late = abs(s.quiet - s.before) <= OFF_BEAT * x.seconds
    s.late = s.late + 1.0 if both and is_as_late else 0.0
    s.before = s.quiet
    is_small = step < STEADY_BAND * x.pressure and turn < RATE_MOVES * x.rate
    if is_small and x.pressure > plate.stopped_pressure:
        s.stale = s.stale + 1 if both else s.stale if s.stale >= LONE else 0
        if s.stale >= LONE or _is_in_step(s, x):
            s.stale = max(s.stale, LONE)
            _find(s.pressure, Fault.SELDOM, s.quiet, x.time_ns - round(s.quiet / S_PER_NS))
    s.quiet = 0.0


@compiled
def _watch_gaps(s: Any, plate: Plate, seconds: float, t: int) -> None:
    """Whether readings are so far apart that nothing can be made of them."""
    if seconds > 0.0:
        s.lone = 0
        if s.stale < LONE:
            _clear(s.pressure, Fault.SELDOM)
    elif s.gap > plate.max_gap:
        s.lone += 1
        if s.lone >= LONE:
            _find(s.pressure, Fault.SELDOM, s.gap, max(s.usable_ns, 0))


@compiled
def _end_rest(s: Any, time_ns: int, is_jet: bool) -> None:
    """A stroke was made: what came before it was rest, or the time of a stroke.

    `is_jet` says that it came soon enough after the one before to be a jet's.
    """
    rest = s.rest
    pace = s.pace
    if rest.seconds < LONGEST_PERIOD:
        pace.period += (rest.seconds - pace.period) / 16.0 if pace.period > 0.0 else rest.seconds
    if is_jet:
        rest.idle = 0.0
        rest.idle_ns = time_ns
        _clear(s.flow, Fault.STANDS)
    if s.flow.fault != Fault.STANDS:
        kept = np.exp(-rest.settled / PACE_MEMORY)
        pace.off = kept * pace.off + rest.settled
        pace.off_moves = kept * pace.off_moves + rest.moves
    rest.since_ns = time_ns
    rest.seconds = 0.0
    rest.settled = 0.0
    rest.moves = 0.0
    rest.late = 0.0
    rest.late_moves = 0.0
    rest.valve = 0.0
    rest.missed = 0.0
    rest.rate = 0.0
    rest.held = 0.0
    rest.low = False
    rest.build_ups = 0


@compiled
def _add_to_pace(s: Any, x: Reading) -> None:
    """Whether the pressure moves, soon after a stroke and long after one."""
    rest = s.rest
    pace = s.pace
    step = abs(x.pressure - s.last_pressure)
    moved = 1.0 if MOVE * x.pressure < step < LARGEST_MOVE * x.pressure else 0.0
    if rest.seconds <= DIES_AWAY * pace.period:
        kept = np.exp(-x.seconds / PACE_MEMORY)
        pace.on = kept * pace.on + x.seconds
        pace.on_moves = kept * pace.on_moves + moved
        return
    # a jet opens before its first stroke is over
    rest.late += x.seconds
    rest.late_moves += moved
    if rest.late > DIES_AWAY * pace.period:
        rest.settled += rest.late
        rest.moves += rest.late_moves
        rest.late = 0.0
        rest.late_moves = 0.0


@compiled
def _add_to_rest(s: Any, plate: Plate, x: Reading, area: float) -> None:
    """A time without a stroke: what in it speaks for an open jet."""
    rest = s.rest
    rest.seconds += x.seconds
    if x.pressure < plate.stopped_pressure:
        rest.low = True
    elif x.pressure >= plate.working_pressure:
        rest.idle += x.seconds
        rest.held += x.seconds
        if rest.low:
            rest.low = False
            rest.build_ups += 1
        if x.seconds > 0.0:
            _add_to_pace(s, x)
    if x.pressure > plate.stopped_pressure:
        if x.valve >= VALVE_ON:
            rest.valve += x.seconds
            rest.missed += area * x.flux / x.delivery * x.seconds
        if x.rate > LEAK * plate.max_rate:
            rest.rate += x.seconds


@compiled
def _moves_like_strokes(s: Any, plate: Plate) -> bool:
    """Whether the pressure moves as it does while the pump strokes, and not as it does at rest.

    Both are taken for Poisson processes, whose log likelihood ratio this is. One move at rest is
    added to those seen: a quiet pump may have been lucky.
    """
    rest = s.rest
    pace = s.pace
    if pace.on == 0.0:  # no stroke was ever seen
        return bool(rest.moves > MANY_MOVES and rest.moves > MOVES_OFTEN * rest.settled)
    if min(pace.on, pace.off) < PACE_KNOWN * plate.stuck_time:
        return False
    on = pace.on_moves / pace.on
    off = (pace.off_moves + 1.0) / pace.off
    if on <= off:
        return False
    return bool(rest.moves * np.log(on / off) - (on - off) * rest.settled > LOG_ODDS)


@compiled
def _watch_strokes(s: Any, plate: Plate, x: Reading, area: float) -> None:
    """Whether strokes are missing that pressure, valve or rate show."""
    rest = s.rest
    rest.part += x.strokes
    if rest.part >= 1.0:
        made = np.floor(rest.part)  # a crank makes several from one reading to the next
        rest.part -= made
        if s.usual.windows >= USUAL_KNOWN:
            is_jet = rest.seconds * s.usual.rate < SELDOM_STROKES * made
        else:
            is_jet = rest.seconds * area * x.flux < SELDOM_STATED * made * x.delivery
        _end_rest(s, x.time_ns, is_jet)
        if not plate.pistons:  # any turn shows that the crank turns
            _clear(s.flow, Fault.STANDS)
    _add_to_rest(s, plate, x, area)
    stands = (
        (rest.valve > MISSED_TIME * plate.stuck_time and rest.missed > STROKES_MISSED)
        or (plate.counts and rest.rate > plate.stuck_time)
        or rest.build_ups >= BUILD_UPS
        or _moves_like_strokes(s, plate)
    )
    if stands:
        _find(s.flow, Fault.STANDS, x.pressure, rest.since_ns)
    # a drive that holds the pressure may idle for hours at its least speed
    elif rest.idle > HELD_LONGEST and plate.pistons:
        _find(s.flow, Fault.STANDS, x.pressure, rest.idle_ns)


@compiled
def _watch_turns(s: Any, plate: Plate, x: Reading) -> None:
    """Whether a crank stands still while the pressure is up."""
    rest = s.rest
    if _turns(plate, x):
        rest.since_ns = x.time_ns
        rest.seconds = 0.0
        _clear(s.flow, Fault.STANDS)
    elif x.pressure >= plate.working_pressure:
        rest.seconds += x.seconds
        if rest.seconds > plate.stuck_time:
            _find(s.flow, Fault.STANDS, x.pressure, rest.since_ns)


# -- strokes counted


@compiled
def _fell(s: Any, t: int) -> None:
    """A counter that went back has counted on: a reset, or it shows old counts again.

    A new job or shift may reset it; nothing resets it every few counts, and nothing sets it back
    to a count that it had before.
    """
    s.fell = False
    old = s.since_fall >= OFTEN_RESET and s.count <= NEAR_ZERO
    since = (t - s.last_fall_ns) * S_PER_NS
    if s.falls == 0.0 or old or since > FALLS_KEPT:
        s.falls = 0.0
        s.first_fall_ns = t
    if not old:
        s.falls += 1.0
        s.last_fall_ns = t
        if s.falls >= FALLS:
            _find(s.flow, Fault.REPEATS, s.falls, s.first_fall_ns)
    s.since_fall = 0.0


@compiled
def _came_back(s: Any, t: int) -> None:
    """A counter dropped to nought, and is now where it would be without that."""
    if s.returns == 0.0 or (t - s.return_ns) * S_PER_NS > FALLS_KEPT:
        s.returns = 0.0
        s.first_return_ns = t
    s.returns += 1.0
    s.return_ns = t
    if s.returns >= FALLS:
        _find(s.flow, Fault.DROPS, s.returns, s.first_return_ns)


@compiled
def _counted_well(s: Any, made: float, t: int) -> None:
    if s.fell:
        _fell(s, t)
    s.since_fall += made
    s.good = s.count + made
    s.good_ns = t
    if s.flow.fault == Fault.DROPS:
        apart = (s.return_ns - s.first_return_ns) / max(s.returns - 1.0, 1.0)
        if t - s.return_ns > LOOPS_LOST * apart:
            _clear(s.flow, Fault.DROPS)
            s.returns = 0.0
    s.jumps *= JUMP_KEPT
    if s.jumps < 1.0:
        _clear(s.flow, Fault.JUMPS)
    if s.flow.fault == Fault.REPEATS and s.since_fall > OFTEN_RESET:
        usual = (s.last_fall_ns - s.first_fall_ns) / max(s.falls - 1.0, 1.0)
        if t - s.last_fall_ns > LOOPS_LOST * usual:
            _clear(s.flow, Fault.REPEATS)
            s.falls = 0.0


@compiled
def _count(s: Any, plate: Plate, reading: float, seconds: float, t: int) -> float:
    """Counts since the last sample; 0 where the counter jumped."""
    made = reading - s.count
    if not s.counted or made == 0.0:
        made = 0.0
        if not s.counted:
            s.edge_ns = t
            s.good = reading
            s.good_ns = t
            s.since_fall = np.inf
    else:
        waited = (t - s.edge_ns) * S_PER_NS
        s.edge_ns = t
        if not 0.0 <= made <= COUNT_SLACK + COUNT_MARGIN * plate.max_rate * max(waited, 0.0):
            since_good = (t - s.good_ns) * S_PER_NS
            most = COUNT_SLACK + COUNT_MARGIN * plate.max_rate * max(since_good, 0.0)
            if s.count <= NEAR_ZERO and MANY < s.good <= reading <= s.good + most:
                _came_back(s, t)
            s.fell = reading < s.good  # one wrong reading comes back
            if reading > NEAR_ZERO and seconds > 0.0:
                if s.jumps < 1.0:
                    s.jumps_ns = t
                s.jumps += 1.0
                if s.jumps >= JUMPS:
                    _find(s.flow, Fault.JUMPS, made, s.jumps_ns)
            made = 0.0
        else:
            _counted_well(s, made, t)
            if seconds == 0.0:  # over a gap
                made = 0.0
                _end_rest(s, t, True)
    s.counted = True
    s.count = reading
    return float(made)


# -- pressure and strokes against each other


@compiled
def _begin_window(window: Any, time_ns: int) -> None:
    window.start_ns = time_ns
    window.seconds = 0.0
    window.strokes = 0.0
    window.flux = 0.0
    window.late = window.busy = 0.0
    window.mass = 0.0
    window.pressure = 0.0
    window.square = 0.0


@compiled
def _add_to_window(window: Any, x: Reading) -> None:
    window.seconds += x.seconds
    window.strokes += x.strokes
    window.flux += x.flux * x.seconds
    window.late += x.flux * x.seconds
    if x.strokes > 0.0:
        window.busy += window.late
        window.late = 0.0
    window.mass += x.strokes * x.delivery
    window.pressure += x.pressure * x.seconds
    window.square += x.pressure * x.pressure * x.seconds


@compiled
def _learn_usual(usual: Any, pressure: float, rate: float, area: float) -> None:
    share = 1.0 / min(usual.windows + 1.0, USUAL_MEMORY)
    usual.windows += 1.0
    usual.pressure += share * (pressure - usual.pressure)
    usual.rate += share * (rate - usual.rate)
    usual.area += share * (area - usual.area)


@compiled
def _odd_in_a_row(window: Any, is_odd: bool) -> bool:
    """Whether enough windows in a row did not fit, this one included."""
    if not is_odd:
        window.odd = 0
        return False
    if window.odd == 0:
        window.odd_ns = window.start_ns
    window.odd += 1
    return bool(window.odd >= IN_A_ROW)


@compiled
def _watch_fit(s: Any, plate: Plate, x: Reading, area: float) -> None:
    """Whether the strokes of an intensifier are those of a jet at the pressure that is shown."""
    window = s.window
    if s.rest.seconds > LONGEST_PERIOD:  # at rest, nothing has to fit
        _begin_window(window, x.time_ns)
        return
    # nor in a pause, which a rate shows at once
    is_over = s.pace.period > 0.0 and s.rest.seconds > DIES_AWAY * s.pace.period
    if is_over or (not plate.counts and x.strokes <= LEAK * plate.max_rate * x.seconds):
        window.late = 0.0
        return
    _add_to_window(window, x)
    least = WINDOW_STROKES if plate.counts else WINDOW_RATED
    if window.seconds < WINDOW * plate.stuck_time or window.strokes < least:
        return
    usual = s.usual
    pressure = window.pressure / window.seconds
    rate = window.strokes / window.seconds
    passed = window.mass / max(window.flux, 1e-9)  # m², what would let it pass
    busy = window.mass / max(window.busy, 1e-9)  # m², while strokes followed each other
    is_low = pressure < plate.working_pressure
    too_fast = rate > OVERSPEED * plate.max_rate
    unlike = (
        usual.windows >= USUAL_KNOWN
        and pressure < THIRD * usual.pressure
        and passed > AREA_USUAL * usual.area
    )
    misfit = is_low and (passed > AREA_LOW * area or unlike)
    too_fast = too_fast or (not is_low and passed > AREA_HIGH * area)
    # where the pressure was never that of a jet, less will do, but it has to last
    is_new = is_low and usual.windows == 0.0
    s.below = s.below + window.seconds if is_new else 0.0
    never = is_new and busy > (PLATE_OFF if plate.counts else RATE_OFF) * area
    in_a_row = _odd_in_a_row(window, misfit or too_fast or never)
    if in_a_row and (misfit or too_fast or window.odd >= NEVER_IN_A_ROW):
        if misfit or never:
            _find(s.pressure, Fault.MISFIT, pressure, window.odd_ns)
        else:
            _find(s.flow, Fault.TOO_FAST, rate, window.odd_ns)
    elif window.odd == 0:
        _clear(s.flow, Fault.TOO_FAST)
        # below working pressure, a part of what does not fit may look as if it did
        if not is_low:
            _clear(s.pressure, Fault.MISFIT)
        if not is_low and passed > AREA_LEAST * area:
            _learn_usual(usual, pressure, rate, passed)
    _begin_window(window, x.time_ns)


@compiled
def _watch_ticks(s: Any, plate: Plate, x: Reading, area: float) -> None:
    """Whether a counter counts seconds: a clock, or the hours run."""
    ticks = s.ticks
    if x.seconds == 0.0:
        ticks.seconds = ticks.counts = ticks.flux = ticks.mass = 0.0
        return
    ticks.seconds += x.seconds
    ticks.counts += x.strokes
    ticks.flux += x.flux * x.seconds
    ticks.mass += x.strokes * x.delivery
    lasts = ticks.seconds > TICKS_TIME * plate.stuck_time
    if abs(ticks.counts - ticks.seconds) > TICKS_OFF:
        _clear(s.flow, Fault.SECONDS)
        ticks.seconds = ticks.counts = ticks.flux = ticks.mass = 0.0
    elif (lasts and ticks.mass > PLATE_OFF * area * ticks.flux) or (
        ticks.seconds > TICKS_ANYWAY * plate.stuck_time
    ):
        since_ns = x.time_ns - round(ticks.seconds / S_PER_NS)
        _find(s.flow, Fault.SECONDS, ticks.counts, since_ns)


@compiled
def _is_in_another_unit(window: Any, usual: Any) -> bool:
    """Whether this is the usual pressure in another unit, at the usual speed of the crank."""
    pressure = window.pressure / window.seconds
    rate = window.strokes / window.seconds
    scatter = window.square / window.seconds - pressure * pressure
    if abs(rate / usual.rate - 1.0) > RATE_BAND or scatter > (STEADY_BAND * pressure) ** 2:
        return False
    found = False
    for unit in UNITS:
        found = found or abs(pressure * unit / usual.pressure - 1.0) < UNIT_BAND
    return found


@compiled
def _watch_unit(s: Any, plate: Plate, x: Reading) -> None:
    """Whether the steady pressure of a crank pump is the usual one in another unit."""
    if abs(x.pressure - s.last_pressure) > STEADY_BAND * x.pressure:
        return
    usual = s.usual
    if x.pressure >= plate.working_pressure:
        _add_to_window(s.window, x)
        if s.window.seconds >= WINDOW * plate.stuck_time:
            pressure = s.window.pressure / s.window.seconds
            passed = s.window.mass / s.window.flux
            _learn_usual(usual, pressure, s.window.strokes / s.window.seconds, passed)
            _begin_window(s.window, x.time_ns)
            _begin_window(s.low_window, x.time_ns)
            s.low_window.odd = 0
            _clear(s.pressure, Fault.OTHER_UNIT)
    elif usual.windows >= USUAL_KNOWN and x.pressure > 0.5 * plate.stopped_pressure:
        if abs(x.strokes / (x.seconds * usual.rate) - 1.0) > RATE_BAND:
            return
        window = s.low_window
        _add_to_window(window, x)
        if window.seconds >= WINDOW * plate.stuck_time:
            pressure = window.pressure / window.seconds
            if _odd_in_a_row(window, _is_in_another_unit(window, usual)):
                _find(s.pressure, Fault.OTHER_UNIT, pressure, window.odd_ns)
            _begin_window(window, x.time_ns)


@compiled
def _watch_crank(s: Any, plate: Plate, x: Reading, area: float) -> None:
    """Whether the pressure can be that of a turning crank pump."""
    rest = s.rest
    if x.pressure >= plate.stopped_pressure:
        rest.idle = 0.0
        rest.idle_ns = x.time_ns
    if x.pressure >= plate.working_pressure:
        _clear(s.pressure, Fault.MISFIT)
    if not _turns(plate, x):
        rest.valve = 0.0
        return
    if x.seconds > 0.0:
        _watch_unit(s, plate, x)
    # an open jet does not let that much water pass at so little pressure
    sound = s.usual.area if s.usual.windows >= USUAL_KNOWN else area
    passes = x.strokes * x.delivery > AREA_LOW * sound * x.flux * x.seconds
    rest.valve = rest.valve + x.seconds if passes and x.valve >= VALVE_ON else 0.0
    if rest.valve > plate.stuck_time:
        since_ns = x.time_ns - round(rest.valve / S_PER_NS)
        _find(s.pressure, Fault.MISFIT, x.pressure, since_ns)
    rest.idle += x.seconds
    if rest.idle > HELD_LONGEST and plate.reads_rate and s.usual.windows >= USUAL_KNOWN:
        _find(s.pressure, Fault.MISFIT, x.pressure, rest.idle_ns)


# -- the loop


@compiled
def _pass_over(s: Any, gap_ns: int) -> None:
    """What comes again in a loop is not over because nobody looked meanwhile."""
    s.repeated.at_ns += gap_ns
    s.repeated.same_ns += gap_ns
    s.first_fall_ns += gap_ns
    s.last_fall_ns += gap_ns
    s.first_return_ns += gap_ns
    s.return_ns += gap_ns


@compiled
def _prove(s: Any, plate: Plate, pressure: float, seconds: float) -> None:
    """Have readings that were unusable before a restart be sound for a while.

    At rest, they show nothing, nor below the pressure of a jet.
    """
    if s.unproven <= 0.0:
        return
    if s.pressure.fault != Fault.NONE or s.flow.fault != Fault.NONE:
        s.unproven = PROVEN * plate.stuck_time
    elif pressure >= plate.working_pressure:
        s.unproven -= seconds


@compiled
def _move_clock(s: Any, plate: Plate, t: int) -> float:
    """Go on to time `t`: s since the last sample, 0 after a gap or a clock that was set back."""
    seconds = (t - s.time_ns) * S_PER_NS if s.started else 0.0
    s.gap = seconds
    if not s.started or seconds < 0.0 or seconds > plate.max_gap:
        _begin_window(s.window, t)
        _begin_window(s.low_window, t)
        s.usable_ns = min(s.usable_ns, t)
        _pass_over(s, t - s.time_ns if s.started else 0)
        seconds = 0.0
    if not s.started:
        s.rest.since_ns = s.rest.idle_ns = t
    s.started = True
    s.time_ns = t
    return seconds


@compiled
def _look(s: Any, plate: Plate, displacement: Displacement, area: float, now: Sample) -> None:
    """Take one sample."""
    t, hold = now.time_ns, plate.stuck_time
    seen_before = s.started
    seconds = _move_clock(s, plate, t)
    _watch_gaps(s, plate, seconds, t)
    # both are looked at, so that both are told
    # of a pressure, `_watch_plate` looks at what is held
    limits = Range(
        -plate.stopped_pressure,
        plate.working_pressure,
        plate.max_pressure,
        plate.max_pressure,
        hold,
    )
    has_pressure = _in_range(s.pressure, now.pressure, limits, seconds, t)
    if plate.counts:
        limits = Range(0.0, 0.0, MOST_COUNTS, MOST_COUNTS, hold)
        has_flow = _in_range(s.flow, now.counter, limits, seconds, t)
        edge_ns = s.edge_ns
        strokes = _count(s, plate, now.counter, seconds, t) if has_flow else 0.0
    else:
        most = min(HELD_RATE * plate.max_rate, plate.highest_rate)
        limits = Range(0.0, LEAK * plate.max_rate, most, plate.highest_rate, hold)
        has_flow = _in_range(s.flow, now.rate, limits, seconds, t)
        edge_ns = t
        strokes = now.rate * seconds
    if has_flow and has_pressure:
        p = max(now.pressure, 0.0)
        flux = float(mass_flux(p, TEMPERATURE))
        delivery = float(delivered_mass(displacement, p, TEMPERATURE))
        x = Reading(t, seconds, now.pressure, now.rate, now.valve, strokes, flux, delivery)
        if plate.counts and plate.pistons:
            _watch_age(s, plate, x, (t - edge_ns) * S_PER_NS)
        _watch_pressure(s, plate, x)
        _watch_news(s, plate, x)
        _watch_plate(s, plate, x)
        _watch_repeats(s, plate, x)
        if plate.reads_rate and not plate.counts:
            _watch_rate(s, plate, x)
        if plate.strokes:
            _watch_noise(s, plate, x)
            _watch_strokes(s, plate, x, area)
            _watch_fit(s, plate, x, area)
            if plate.pistons and plate.counts:
                _watch_ticks(s, plate, x, area)
        else:
            _watch_turns(s, plate, x)
            _watch_crank(s, plate, x, area)
        s.last_pressure = now.pressure
    _prove(s, plate, now.pressure, seconds)
    # one reading after a gap shows no more than that the link is there
    is_joined = seconds > 0.0 or not seen_before
    if (
        s.pressure.fault == Fault.NONE
        and s.flow.fault == Fault.NONE
        and is_joined
        and s.unproven <= 0.0
    ):
        s.usable_ns = t
    if s.pressure.fault != Fault.NONE:
        s.usable_ns = min(s.usable_ns, s.pressure.since_ns)
    if s.flow.fault != Fault.NONE:
        s.usable_ns = min(s.usable_ns, s.flow.since_ns)


@compiled
def _may_be_late(s: Any) -> bool:
    """Whether it looks as if pressure and rate were renewed seldom, without being sure."""
    in_step = s.beat > LONGEST_PERIOD and s.beats >= LONE
    is_regular = s.before > LONGEST_PERIOD and s.late >= LONE
    return bool(s.stale >= LONE - 1 or is_regular or in_step)


@compiled
def _unproven(still: float, plate: Plate) -> float:
    return still if still > UNPROVEN * plate.stuck_time else 0.0


@compiled
def look_on_bytes(
    state: NDArray[np.uint8],
    plate: Plate,
    displacement: Displacement,
    area: float,
    channels: Channels,
) -> Seen:
    """Take samples in order; `area` is the stated effective one, m².

    Writes to `channels.unusable` which samples can't be right, though they are numbers.

    `state` are the bytes of a record of `SIGHT`: plain bytes reach compiled code at a fraction of
    what records cost.
    """
    s = state.view(SIGHT)[0]
    c = channels
    for i in range(len(c.time_ns)):
        now = Sample(c.time_ns[i], c.pressure[i], c.rate[i], c.stroke_count[i], c.valve[i])
        _look(s, plate, displacement, area, now)
        c.unusable[i] = s.unproven > 0.0 or max(s.pressure.fault, s.flow.fault) > Fault.OUT_OF_RANGE
    return Seen(
        s.usable_ns,
        s.pressure.fault,
        s.pressure.value,
        s.pressure.since_ns,
        s.flow.fault,
        s.flow.value,
        s.flow.since_ns,
        s.unproven,
        _unproven(s.still.seconds, plate) if s.last_pressure > plate.stopped_pressure else 0.0,
        _unproven(max(s.rate.held, s.rest.held), plate) if plate.strokes else 0.0,
        _may_be_late(s),
        _unproven(s.below, plate),
        _unproven(s.rest.idle, plate) if plate.strokes else 0.0,
    )

"""What the line's pressure tells as it swings through the open jet, and as it stands shut.

Every day holds experiments that need no further sensor. The water in the line, of volume V between
check valves and jewels, has the mass balance

    V drho = (fed - A f(p)) dt,

with the density rho and the jet's mass flux f at the pressure p, and the effective area A of all
that is open. Over any stretch in which little or nothing is fed,

    A / V = (rho_first - rho_last) / (integral of f dt - what was fed over A).

Nothing in it depends on the pump's efficiency, and V stays what it is: how this ratio moves is how
the area behind the check valves moves, whatever the strokes say. Four experiments give it:

- a fall: an intensifier whose set pressure was lowered holds still while the jet brings the line
  down to it; the drive of a crank pump runs down;
- a rise: the drive of a crank pump brings the line up through the open jet, at a speed that is
  read. What it feeds is scaled so that it is the jet's flow once the pressure is steady;
- a run-down: the pump stops with the jet open, and the line empties through it;
- a shut line that nothing is fed into: the area is that of what leaks.

The first step of a swing holds the opening of the valve and the last one its end, so both are left
out. A line that rises through the open jet stores less and less from step to step; one that stores
much more held the opening, too, and the swing begins there. What a transducer's mean over a second
or two makes of the rest stays alike from day to day.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from borewarden.base.compiling import compilable
from borewarden.gate.batch import LINE_KINDS, Phase
from borewarden.gate.state import HOLDS, GateSettings, Interval, is_intensifier
from borewarden.physics.water import density

S_PER_NS = 1e-9
STEP, LONGEST_STEP = 0.9, 2.5  # s from look to look; all invented, as what follows
MOVES = 0.03  # relative, by which the pressure goes one way from look to look
FEWEST = 3  # steps of a swing, of which the first and the last are left out
JUMPS = 1.5  # times what the step before stored: the jet opened in between
COMES_DOWN = 0.2  # of the first pressure, below which a line has run down, and is not held
ENDS = 0.1  # of the first pressure, below which a transducer's shift counts too much
HARDLY_FED = 0.1  # of what left, that a pump which stands still feeds at most
SUPPLY_TIME = 4.0  # s of steady jet, over which it is taken what the pump feeds
SETTLES = 20.0  # s, within which the jet has to be steady after a swing
ALIKE = float(np.log(1.6))  # beyond, it is not the jet alone that was open
ABOUT_STATED = float(np.log(1.8))  # the same beside what bore and stored volume say
LEVEL_FADES, SAME_LEVEL = 0.998, 0.75  # of the highest pressure of a swing
PACE, MOST = 0.1, 0.05  # by which the usual ratio is followed, and at most
# Swings unlike the usual ones, after which they are the usual ones. Slower ones may be a leak's,
# with the jet closed, so that goes for the first ones only.
ODD_IN_A_ROW, YOUNG = 4, 12
KNOWN = 3  # swings, from which on it is known what is usual
EVERY = 20.0  # s from batch to batch
STANDS = 120.0  # s without a stroke, from which on a pump feeds next to nothing
LOOK, LOOKS = 10.0, 2.0  # s of a shut line to look at, and how many make a batch
SHORT_LOOK, FALLS = 4.0, 0.03  # s, where it falls by so much, relative
FALLS_ON = 2  # looks in a row, after which it is no jet's doing
BLED = 0.1  # relative, by which it does so from sample to sample where somebody bleeds it down
LEAST_SHUT = 0.3  # of the working pressure, below which a shut line says little
FALL, RISE, RUN_DOWN, SHUT = range(len(LINE_KINDS))
_STEADY, _PIERCE, _JET_OFF = int(Phase.STEADY), int(Phase.PIERCE), int(Phase.JET_OFF)


@compilable
def _clear(parts: Any) -> None:
    parts.stored = 0.0
    parts.out = 0.0
    parts.fed = 0.0
    parts.time = 0.0


@compilable
def _add(parts: Any, more: Any) -> None:
    parts.stored += more.stored
    parts.out += more.out
    parts.fed += more.fed
    parts.time += more.time


@compilable
def break_off(line: Any, pressure: float, flux: float, gives: float) -> None:
    """Forget the swing that may be under way: nobody looked for a while."""
    line.pressure = pressure
    line.flux = flux
    line.gives = gives
    line.side = 0.0
    line.waits = False
    line.steady_time = 0.0
    _clear(line.step)
    line.shut.time = -1.0


@compilable
def _is_near(line: Any, g: GateSettings, kind: int, by_valve: bool, value: float) -> bool:
    """Whether a ratio can be that of the jet alone, as log of 1/m."""
    if kind != RUN_DOWN:
        return True
    fall = line.made[FALL]
    if fall.seen >= KNOWN:
        return bool(abs(value - fall.usual) <= ALIKE)
    if g.stored_volume > 0.0:
        stated = np.log(g.nominal_area / g.stored_volume)
        return bool(abs(value - stated) <= ABOUT_STATED)
    return by_valve


@compilable
def _take(s: Any, g: GateSettings, kind: int, parts: Any) -> None:
    """Take a whole swing into the next batch of its kind, unless it is like none before."""
    line = s.line
    highest = line.top
    net = parts.out - line.supply * parts.fed
    ratio = parts.stored / net if net != 0.0 else 0.0
    if not ratio > 0.0:
        return
    value = np.log(ratio)
    made = line.made[kind]
    made.highest = max(highest, LEVEL_FADES * made.highest)
    alike = highest >= SAME_LEVEL * made.highest
    if not (alike and _is_near(line, g, kind, s.jet.by_valve, value)):
        return
    if made.seen == 0:
        made.usual = value
    off = value - made.usual
    may_be_usual = made.seen < YOUNG or off > 0.0
    made.odd = made.odd + 1 if abs(off) > ALIKE and may_be_usual else 0
    if made.odd >= ODD_IN_A_ROW:  # what was taken for usual was not
        made.usual = value
        made.odd = 0
        made.count = made.value = made.time = made.pressure = 0.0
    made.usual += min(max(PACE * off, -MOST), MOST)
    made.seen += 1
    if abs(off) > ALIKE:
        return
    if made.count == 0.0:
        made.start_ns = line.start_ns
    made.end_ns = s.time_ns
    made.count += 1.0
    made.value += value
    made.time += parts.time
    made.pressure += highest


@compilable
def _is_the_jets(s: Any, g: GateSettings) -> bool:
    """Whether it is the jet that empties the line of a pump that stops feeding it.

    Of a crank pump of fixed flow a valve does, unless the line is known to hold as the jet closes.
    """
    return bool(g.flow_shows_jet or s.jet.by_valve or s.held_line.times >= HOLDS)


@compilable
def _end_swing(s: Any, g: GateSettings, is_piston: bool) -> None:
    """The pressure goes on no further."""
    line = s.line
    side, first, last = line.side, line.first, line.pressure
    line.side = 0.0
    line.top = first
    if line.steps < FEWEST:
        return
    idle = line.supply * line.sums.fed <= HARDLY_FED * line.sums.out
    still = is_piston or (idle and line.supply > 0.0 and _is_the_jets(s, g))
    if side < 0.0 and last < COMES_DOWN * first:
        if still and line.began_on:
            _take(s, g, RUN_DOWN, line.sums)
    elif side < 0.0 and still:
        _take(s, g, FALL, line.sums)
    elif not is_piston:
        line.waits = True
        line.ended_ns = s.time_ns
        line.waiting = line.sums
        line.waiting_kind = FALL if side < 0.0 else RISE


@compilable
def _look(s: Any, g: GateSettings, pressure: float, is_piston: bool) -> None:
    """Whether the pressure goes one way, from the last look to this one."""
    line = s.line
    before = line.pressure
    moved = pressure - before
    side = 0.0
    if abs(moved) > MOVES * max(pressure, before) and line.step.time <= LONGEST_STEP:
        side = np.sign(moved)
    if side != 0.0:
        line.step.stored = density(before, s.temperature) - density(pressure, s.temperature)
    goes_on = side == line.side and pressure >= ENDS * line.first
    if side > 0.0 and goes_on and line.step.stored < JUMPS * line.held.stored:
        goes_on = False  # both are below 0: until now, what was fed went elsewhere
    if side != 0.0 and goes_on:
        line.steps += 1
        if line.steps >= FEWEST:
            _add(line.sums, line.held)
        line.held = line.step
    else:
        if line.side != 0.0:
            _end_swing(s, g, is_piston)
        if side != 0.0:
            line.waits = False
            line.side = side
            line.steps = 1
            line.first = before
            line.start_ns = s.time_ns - int(line.step.time / S_PER_NS)
            line.began_on = line.on
            _clear(line.sums)
            line.held = line.step
    line.on = s.jet.on
    line.pressure = pressure
    _clear(line.step)


@compilable
def _stands(s: Any, g: GateSettings, x: Interval, is_piston: bool) -> bool:
    """Whether the pump has fed nothing for so long that it stands, or holds a tight line."""
    if not is_piston:
        return bool(x.rate <= 0.0)
    if g.uses_counter:
        return bool(s.counter.since_edge > STANDS)
    return bool(x.rate <= 0.0 and s.idle_time > STANDS)


@compilable
def _watch_shut(s: Any, g: GateSettings, x: Interval, is_piston: bool) -> None:
    """What a line loses that is shut and that nothing is fed into.

    A pump that runs holds its pressure by strokes. Where that falls without any, it stands.
    """
    line = s.line
    shut = line.shut
    before = s.last.pressure
    bled = before - x.pressure > BLED * before
    fed = x.rate > 0.0 if not is_piston else g.uses_counter and x.events > 0.0
    if s.phase != _JET_OFF or fed or bled or x.pressure < LEAST_SHUT * g.working_pressure:
        shut.time = -1.0
        return
    if shut.time < 0.0:
        _clear(shut)
        line.falls = 0
        line.shut_pressure = x.pressure
        return
    shut.time += x.seconds
    shut.out += x.flux * x.seconds
    falls = line.shut_pressure - x.pressure > FALLS * line.shut_pressure
    if shut.time < (SHORT_LOOK if falls else LOOK):
        return
    line.falls = line.falls + 1 if falls else 0
    # a jet too short to be seen lets the pressure fall, too, and strokes follow at once
    if line.falls > (FALLS_ON if is_piston else 0) or _stands(s, g, x, is_piston):
        t = s.temperature
        stored = density(line.shut_pressure, t) - density(x.pressure, t)
        made = line.made[SHUT]
        if made.count == 0.0:
            made.start_ns = s.time_ns - int(shut.time / S_PER_NS)
        made.end_ns = s.time_ns
        made.count += 1.0
        made.value += stored / shut.out
        made.time += shut.time
        made.pressure += x.pressure
    _clear(shut)
    line.shut_pressure = x.pressure


@compilable
def watch_line(s: Any, g: GateSettings, x: Interval) -> None:
    """Take an interval. Where several heads may be open, or looks are rare, nothing is taken.

    What a piston feeds counts as nothing: its strokes are not known to the second.
    """
    line = s.line
    is_piston = is_intensifier(g)
    gives = 0.0 if is_piston else x.rate * x.delivery
    if x.seconds == 0.0 or s.open.count > 1:
        break_off(line, x.pressure, x.flux, gives)
        return
    step = line.step
    step.time += x.seconds
    step.out += 0.5 * (line.flux + x.flux) * x.seconds
    step.fed += 0.5 * (line.gives + gives) * x.seconds
    line.flux = x.flux
    line.gives = gives
    _watch_shut(s, g, x, is_piston)
    if step.time >= STEP:
        _look(s, g, max(x.pressure, 0.0), is_piston)
    if is_piston or not (s.phase == _STEADY or s.phase == _PIERCE) or not x.rate > 0.0:
        line.steady_time = 0.0
        return
    line.steady_time += x.seconds
    mean = x.seconds / min(line.steady_time, SUPPLY_TIME)
    line.supply += min(mean, 1.0) * (x.flux / (x.rate * x.delivery) - line.supply)
    if line.waits and line.steady_time >= SUPPLY_TIME:
        line.waits = False
        if (s.time_ns - line.ended_ns) * S_PER_NS <= SETTLES:
            line.top = x.pressure
            _take(s, g, line.waiting_kind, line.waiting)


@compilable
def due(line: Any, time_ns: int) -> int:
    """Which of `LINE_KINDS` has a batch to tell, as index; -1: none."""
    for kind in range(len(LINE_KINDS)):
        made = line.made[kind]
        enough = made.count >= (LOOKS if kind == SHUT else 1.0)
        if enough and (time_ns - made.told_ns) * S_PER_NS >= EVERY:
            return kind
    return -1


@compilable
def empty_into(made: Any, kind: int, time_ns: int, batch: Any) -> None:
    """Write what was `made` of this kind, index in `LINE_KINDS`, into a batch that says when."""
    mean = made.value / made.count
    batch.time = made.time
    batch.area = mean if kind == SHUT else np.exp(mean)
    batch.resolution = 0.0
    batch.rate = made.count / made.time
    batch.pressure = made.pressure / made.count
    batch.signals[:] = np.nan
    made.count = made.value = made.time = made.pressure = 0.0
    made.told_ns = time_ns

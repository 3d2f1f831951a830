"""What cuts of a crank pump tell that are too short for its pressure to settle.

As the jet opens, a pump of fixed flow brings the line up to the pressure at which the jet takes all
of it. Until then part of the water stays in the line, of volume V:

    fed - V drho = A f(p) dt,

with the density rho, the jet's mass flux f and its effective area A. So the area shows from the
first seconds on, once V is known. Cuts that do settle tell that: their area is known in the end,
and what their first seconds were fed above it was stored. V is the median of what they show, and
holds the give of hoses and a transducer's lag as well.

It has to be the jet that is fed. A line that empties as the jet closes is fed through nothing else.
Where a valve spills instead, or the line stays full, a crank that idles meanwhile tells: it
speeds up for the jet, and the cut ends when the area seems to change or the crank slows down. Once
the valve's level is known, a cut counts as well if its area is not the valve's. A line that is
shut stores nothing more, so one that holds counts only while it is filled.

What is left of error is the machine's own, and is learned as in `borewarden.gate.short_cuts`.
"""

from __future__ import annotations

from typing import Any

from borewarden.base.compiling import compilable
from borewarden.gate.batch import Phase
from borewarden.gate.short_cuts import (
    KNOWN,
    LONGEST_LOOK,
    drop_cuts,
    fed,
    gather,
    keep_cut,
    learn_first,
    start_looking,
)
from borewarden.gate.speed_levels import crank_tells, may_be_the_jet
from borewarden.gate.state import EMPTIES, HOLDS, GateSettings, Interval
from borewarden.gate.sums import clear_sums
from borewarden.physics.water import density

MOST_STORED = 0.2  # of what is fed: with more the transducer's lag counts too much; all invented
FIRST = 2.0  # s, by which it is learned how far off cuts are that do not settle
STAYS = 0.05  # relative, within which the area has to stay from look to look
MOVES = 3.0  # kg/m³, by which the density has to move for a cut to say what the line stores
SETTLES_AS = 1.7  # pressure by flux: 2 at a jet, less what a pump delivers less at more of it
SAME_SPEED = 0.01  # relative, by which the crank may turn faster or slower from look to look
LEAST_STORED = 0.02  # of what is fed, of a line that holds: with less it may be shut
LAGS = 1.0  # s, for which it has to: before, a mean of the pressure is of another speed
RUNS_ON = 5.0  # s, for which it turns as fast once the jet is closed, before it idles
LEAST_SD = 0.015  # in log area: the transducer's lag makes all cuts of a day too large, or small
FEWEST = 5  # cuts that show the volume
LEAST_VOLUME = 1e-5  # m³, to begin with
FIRST_PACE, PACE = 0.5, 0.02  # by which the median is followed at first, over how many, and later
_STOPPED, _RAMP, _STEADY = int(Phase.STOPPED), int(Phase.RAMP), int(Phase.STEADY)


@compilable
def _volume(short: Any) -> float:
    """Volume of the line, m³; 0 until enough cuts have shown it."""
    return float(short.volume) if short.fills >= FEWEST else 0.0


@compilable
def _is_of_one_area(short: Any, mass: float, flux: float) -> bool:
    """Whether the jet is as large in this interval as in the first ones, and those gathered."""
    first = short.first
    so_far = short.newest.flux + short.held.flux + short.sums.flux + first.flux
    if so_far == 0.0 or _volume(short) == 0.0:
        return True
    area = (short.newest.mass + short.held.mass + short.sums.mass + first.mass) / so_far
    return bool(abs(mass - area * flux) <= STAYS * area * flux)


@compilable
def _learn_volume(short: Any) -> None:
    """Learn from a cut that has settled what its first seconds stored: the median of such cuts.

    With the area a of both, fed - V rise = a flux holds for the first seconds and the settled ones,
    in which a large line still fills a little. Now and then a cut is fed air, or closes unseen
    before another one settles.
    """
    first, sums = short.first, short.sums
    share = first.flux / sums.flux
    rise = first.rise - share * sums.rise
    if abs(first.rise) < MOVES or abs(rise) < MOVES:
        return
    shown = (first.mass + _volume(short) * first.rise - share * sums.mass) / rise
    if short.fills == 0:
        short.volume = max(shown, LEAST_VOLUME)
    else:
        step = 1.0 + max(FIRST_PACE / short.fills, PACE)
        short.volume *= step if shown > short.volume else 1.0 / step
    short.fills += 1


@compilable
def _follow_speed(s: Any, x: Interval) -> None:
    """Follow for how long the crank has turned as fast, and whether it had to speed up to that."""
    short = s.short
    if abs(x.rate - s.last.rate) <= SAME_SPEED * x.rate:
        short.same_speed += x.seconds
    else:
        if short.same_speed > 0.0:
            short.same_before = short.same_speed
        short.same_speed = 0.0
        short.speeds_up = x.rate > s.last.rate


@compilable
def _is_surely_open(s: Any) -> bool:
    """Whether it is the jet that is fed: a line that is known to empty is fed through nothing else.

    Where a valve spills what the closed jet leaves, that valve is fed as well. But a crank that
    idles meanwhile speeds up for the jet alone.
    """
    return bool(s.held_line.emptied >= EMPTIES or s.short.speeds_up)


@compilable
def _is_open(s: Any) -> bool:
    """Whether it is the jet that is fed, or the area will tell: the closed jet's is known."""
    return bool(_is_surely_open(s) or crank_tells(s.levels))


@compilable
def _may_be_shut(s: Any, mass: float, stored: float) -> bool:
    """Whether a line that holds its pressure may be shut: then nothing more is stored."""
    known = s.held_line.times >= HOLDS and _volume(s.short) > 0.0
    return bool(known and stored < LEAST_STORED * mass)


@compilable
def _leave_out_the_closed_jet(s: Any) -> None:
    """Leave out what may be of the closed jet, where the crank slows down and a valve spills.

    Where the area did not seem to change as the jet closed, it may have been closed all the time.
    """
    short = s.short
    of_the_jet = s.held_line.emptied >= EMPTIES or s.held_line.times >= HOLDS
    if of_the_jet or short.same_speed > 0.0:
        return
    short.sums = short.first
    if short.same_before < LAGS + FIRST + RUNS_ON:
        clear_sums(short.first)
        clear_sums(short.sums)


@compilable
def _end_cut(s: Any, g: GateSettings, x: Interval) -> None:
    """Keep what a cut has shown that did not settle, or closed before that said more; look anew."""
    short = s.short
    if not short.unsettled and short.first.time > 0.0:
        short.sums = short.first
    _leave_out_the_closed_jet(s)
    sums = short.sums
    known = short.seen >= KNOWN and abs(short.usual) <= LEAST_SD  # else the volume is not
    area = sums.mass / sums.flux if sums.mass > 0.0 else 0.0
    if known and area > 0.0 and may_be_the_jet(s.levels, x.rate, area, _is_surely_open(s)):
        stored = _volume(short) * sums.rise
        sums.pressure *= ((sums.mass + stored) / sums.mass) ** SETTLES_AS  # where it would settle
        keep_cut(s, g)
    clear_sums(short.first)
    start_looking(short, x.pressure, x.rate)


@compilable
def _close(s: Any, g: GateSettings, x: Interval) -> None:
    """End the cut, since the area seems to change: from now on the closed jet may be fed."""
    _end_cut(s, g, x)
    s.short.speeds_up = False


@compilable
def _take_settled(s: Any, g: GateSettings, x: Interval) -> None:
    short = s.short
    if short.unsettled:
        short.unsettled = False
        start_looking(short, x.pressure, x.rate)
    if short.first.time == 0.0:
        short.speeds_up = False  # what comes next may be the closed jet
        return
    out = x.flux * x.seconds
    if not _is_of_one_area(short, fed(x) - _volume(short) * x.rise, out):
        _close(s, g, x)  # and the pressure has not told yet
        return
    gather(short, s.time_ns, x, fed(x), out)
    if short.sums.time >= g.hold_time and not _is_surely_open(s):
        clear_sums(short.first)  # the volume is learned of nothing but the jet
        start_looking(short, x.pressure, x.rate)
    elif short.sums.time >= g.hold_time:
        volume = _volume(short)
        _learn_volume(short)
        if volume > 0.0:
            short.sums.mass -= volume * short.sums.rise
            learn_first(short)
            short.variance = max(short.variance, LEAST_SD * LEAST_SD)
        clear_sums(short.first)
        start_looking(short, x.pressure, x.rate)


@compilable
def _take_rising(s: Any, g: GateSettings, x: Interval) -> None:
    """Take an interval, of which `rise` is by how much the density rose, kg/m³."""
    short = s.short
    stored, out = _volume(short) * x.rise, x.flux * x.seconds
    mass = fed(x) - stored
    if not short.unsettled:  # the pressure seemed to have settled before, or the jet has opened
        if short.same_speed == 0.0:
            _end_cut(s, g, x)  # it has closed, and the crank idles
        elif not _is_of_one_area(short, mass, out):
            _close(s, g, x)
        short.unsettled = True
        if _volume(short) == 0.0 and not short.speeds_up:  # nothing tells which
            clear_sums(short.first)
        start_looking(short, x.pressure, x.rate)
    known = short.same_speed >= LAGS and _is_open(s)
    fills = known and x.pressure >= g.working_pressure and abs(stored) <= MOST_STORED * fed(x)
    if not fills:
        _end_cut(s, g, x)
        return
    if _may_be_shut(s, fed(x), stored):
        return
    if not _is_of_one_area(short, mass, out):
        _close(s, g, x)
        if not _is_open(s):
            return
    gather(short, s.time_ns, x, mass, out)
    if short.first.time == 0.0 and short.sums.time >= FIRST:
        short.first = short.sums


@compilable
def forget_filling(short: Any) -> None:
    """Learn anew what the line stores, since closed jets may have been in it."""
    short.fills = 0
    short.volume = 0.0
    short.seen = 0
    short.alike = 0
    short.usual = 0.0
    short.variance = 0.0
    short.count = 0
    clear_sums(short.first)


@compilable
def watch_filling(s: Any, g: GateSettings, x: Interval) -> None:
    """Take an interval of a crank pump that floats, with one head."""
    if g.flow_shows_jet or g.uses_counter or s.open.count > 1:
        return
    short = s.short
    _follow_speed(s, x)
    if s.levels.is_lower:  # the line fills and empties by less than its volume shows
        drop_cuts(short)
        clear_sums(short.first)
        short.unsettled = False
        return
    before, short.density = short.density, density(max(x.pressure, 0.0), s.temperature)
    rise, flux = short.density - before, 0.5 * (short.flux + x.flux)
    short.flux = x.flux
    if x.seconds == 0.0 or x.seconds > LONGEST_LOOK:
        short.unsettled = False
        drop_cuts(short)
        clear_sums(short.first)
    elif s.phase in (_RAMP, _STEADY):
        mean = Interval(x.seconds, x.pressure, flux, x.delivery, x.rate, x.events, rise)
        if s.phase == _RAMP:
            _take_rising(s, g, mean)
        else:
            _take_settled(s, g, mean)
    else:
        _end_cut(s, g, x)
        short.unsettled = False
        if s.phase == _STOPPED:
            drop_cuts(short)

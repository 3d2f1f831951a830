"""Levels of pressure that a pump of fixed flow stands at, at one speed of its crank.

A bore that takes the same flow at two pressures by turns is none: one of the two is the closed
jet's, held by a relief valve or unloader that nobody stated. And a line that is shut holds its
pressure while the crank runs free.

Which of the two is the closed jet's, the crank tells. It is slowed down with the jet closed, to
idle or for the next pierce, and speeds up for the jet: so the closed jet's level is the one that it
slows down from, after another one at the same speed, and the jet's is the one that it speeds up to
(common practice, no source). Where it slows down just as the jet closes, no such level is seen.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from borewarden.base.compiling import compilable
from borewarden.gate.state import CEILINGS, EMPTIES, HOLDS, GateSettings, Interval

S_PER_NS = 1e-9
LEAST_WAIT = 1e-9  # s, to divide by: the step of the clock
LEVEL = 0.01  # relative, within which the pressure of a pump of fixed flow stays; invented
LEVEL_TIME = 8.0  # s, for which it has to; invented
LEVEL_INTERVALS = 3.0  # usual intervals, for which it has to at least; invented
QUICK_TURN = 20.0  # s, from a jet's level to the ceiling; invented
STAYS = 0.002  # relative, from these to the next seconds: a shut line leaks away; invented
SAME_JET = 0.03  # relative, by which the level of a jet may differ from one to the next; invented
BELOW_CEILING = (0.7, 0.95)  # of the ceiling, where a jet's level may be; invented
RUNS_FREE = 0.05  # relative, by which a crank turns faster once it pumps no more; invented
OPENS = 0.02  # relative, by which the pressure moves at once as the jet opens; invented
SAME_SPEED = 0.015  # relative, by which a belt slips more under load; invented
TURNS_WITHIN = 10800.0  # s, from one to the next, which are else no habit of the line; invented
TURNS = 2  # times from a jet to the ceiling, after which that is no jet; invented
# relative, in area, by which the closed jet's level may differ, at most; invented
SAME_SHUT, MOST_SAME = 0.01, 0.015
MOST_SMALLER = 0.05  # the same, by which it may be smaller than both; tuned on 98,001 to 98,160
EXCEEDS = 0.035  # by which a cut is larger than both: two sd and more; tuned on 93,001 to 93,160
APART = 0.02  # the same, from which on the jet's level is another one; invented
SHUT_KNOWN, SHUT_MOST = 3, 8  # times that the crank slowed down from it, and most; invented
# What it counts for that it sped up to another level: after a short cut it may be the closed one's,
# unseen, so one that is apart outweighs some that are alike; from where on it is known; invented
APART_COUNTS, APART_KNOWN, APART_MOST = 3, 4, 12
ALIKE_KNOWN, ALIKE_MOST = -3, -6
FOLLOWS = 0.2  # by which the closed jet's level is followed; invented
NEAR_SPEED = 0.04  # relative, by which the speed may differ: areas hardly go with it; invented
SLOWER, SLOWEST = 0.9, 0.2  # times as fast: it has slowed down, and has not stopped; invented
SLOWS_WITHIN = 15.0  # s, from the level to the lower speed; invented
STAYS_SLOW = 0.02  # relative, to which a crank stands at a speed from look to look; invented
OTHER_SPEED = 0.05  # relative, from which on it is another one; invented


@compilable
def area_of(x: Interval) -> float:
    """Effective area, m², that takes what the crank delivers; 0 without pressure."""
    return float(x.rate * x.delivery / x.flux) if x.flux > 0.0 else 0.0


@compilable
def _ceiling_at(levels: Any, rate: float) -> int:
    """Index of the ceiling at this speed; a new one takes the place of the next in turn."""
    for k in range(CEILINGS):
        known = levels.ceilings[k].rate
        if known > 0.0 and abs(rate - known) <= SAME_SPEED * known:
            return k
    k = int((levels.newest + 1) % CEILINGS)
    for free in range(CEILINGS):
        if levels.ceilings[free].rate == 0.0:
            k = free
            break
    ceiling = levels.ceilings[k]
    ceiling.rate = rate
    ceiling.pressure = 0.0
    ceiling.jet_pressure = 0.0
    ceiling.is_below = False
    ceiling.turns = 0
    ceiling.shut_seen = 0
    ceiling.open = 0.0
    ceiling.apart = 0
    ceiling.was_alike = False
    return k


@compilable
def _level_time(interval: float) -> float:
    """Time, s, for which pressure and crank speed have to stay to be a level."""
    return float(max(LEVEL_TIME, LEVEL_INTERVALS * interval))


@compilable
def runs_free(s: Any, x: Interval) -> bool:
    """Whether the crank runs faster than with the jet, and the pressure is as it was.

    A jet that takes more water by so much shows it in its pressure. A line that is shut holds it,
    and a crank that pumps no more against it runs free.
    """
    levels = s.levels
    if levels.jet_rate > 0.0:
        as_before = x.rate <= (1.0 + SAME_SPEED) * levels.jet_rate
        moved = abs(x.pressure - s.smoothed.slow) > OPENS * s.smoothed.slow
        if as_before or moved:
            levels.jet_rate = 0.0
    if abs(x.pressure - levels.settled_pressure) > OPENS * levels.settled_pressure:
        levels.settled_rate = np.inf  # the jet has opened since
    if levels.seconds >= _level_time(s.interval):
        faster = levels.rate > (1.0 + RUNS_FREE) * levels.settled_rate
        same = abs(levels.pressure - levels.settled_pressure) <= LEVEL * levels.settled_pressure
        since = (s.time_ns - levels.settled_ns) * S_PER_NS
        if faster and same and since <= QUICK_TURN + LEVEL_INTERVALS * s.interval:
            levels.jet_rate = levels.settled_rate
        if levels.jet_rate == 0.0:
            levels.settled_rate = levels.rate
            levels.settled_pressure = levels.later
            levels.settled_ns = s.time_ns
    return bool(levels.jet_rate > 0.0)


@compilable
def _end_turn(ceiling: Any, time_ns: int, seconds: float) -> None:
    """At the ceiling, so many `seconds` after a jet: quick turns count, unless hours apart."""
    if ceiling.is_below and seconds <= QUICK_TURN:
        soon = (time_ns - ceiling.turn_ns) * S_PER_NS <= TURNS_WITHIN
        ceiling.turns = ceiling.turns + 1 if soon else 1
        ceiling.turn_ns = time_ns
    ceiling.is_below = False


@compilable
def _end_level(levels: Any, x: Interval, long_enough: float, at_speed: bool) -> None:
    """Take note of the level that ends, where it has been one, and of what the crank does then."""
    sped_up = SLOWEST * levels.rate < levels.came_from <= SLOWER * levels.rate
    if levels.before == 0 and at_speed and sped_up and levels.seconds >= 2.0 * long_enough:
        _take_open(levels.ceilings[levels.newest], levels.area)
    elif levels.before > 0 and not (at_speed or levels.left) and x.rate < levels.rate:
        levels.slowing = levels.newest
        levels.slowing_area = levels.area
        levels.slowing_rate = levels.rate
        levels.slowing_time = 0.0
    levels.before += 1


@compilable
def _take_open(c: Any, area: float) -> None:
    """Take the level that the crank has sped up to: that of the jet."""
    apart = abs(area - c.shut) > APART * c.shut
    if apart or c.apart < APART_KNOWN:
        c.open = area
    if c.shut_seen >= SHUT_KNOWN:
        c.apart += APART_COUNTS if apart else -1
        c.apart = min(max(c.apart, ALIKE_MOST), APART_MOST)
        c.was_alike = c.was_alike or c.apart <= ALIKE_MOST


@compilable
def _take_shut(c: Any, area: float) -> None:
    """Take the level that the crank has slowed down from: that of the closed jet.

    Now and then it does so just as the jet closes, from the jet's own level.
    """
    if c.apart >= APART_KNOWN and abs(area - c.open) <= SAME_SHUT * c.open:
        return
    if c.shut_seen > 0 and abs(area - c.shut) <= MOST_SAME * c.shut:
        c.shut_seen = min(c.shut_seen + 1, SHUT_MOST)
        c.shut += FOLLOWS * (area - c.shut)
    elif c.shut_seen > 1:
        c.shut_seen -= 1
    else:
        c.shut = area
        c.shut_seen = 1
        c.apart = 0
        c.was_alike = False


@compilable
def _follow_slowing(s: Any, x: Interval) -> None:
    """Whether the crank goes on at a lower speed after the level that it has left.

    A line that holds, or empties, has no level of a closed jet at one speed.
    """
    levels, line = s.levels, s.held_line
    if levels.slowing_area == 0.0:
        return
    levels.slowing_time += x.seconds
    slow = SLOWEST * levels.slowing_rate < x.rate <= SLOWER * levels.slowing_rate
    if levels.slowing_time > SLOWS_WITHIN:
        levels.slowing_area = 0.0
    elif slow and abs(x.rate - s.last.rate) <= STAYS_SLOW * x.rate:
        if line.times < HOLDS and line.emptied < EMPTIES:
            _take_shut(levels.ceilings[levels.slowing], levels.slowing_area)
        else:
            for k in range(CEILINGS):
                levels.ceilings[k].shut_seen = 0
        levels.slowing_area = 0.0


@compilable
def _follow_speed(levels: Any, x: Interval, last_rate: float) -> None:
    """At which speed the crank stands, and at which it stood before."""
    if abs(x.rate - last_rate) > STAYS_SLOW * x.rate:
        return
    if abs(x.rate - levels.stood) > OTHER_SPEED * levels.stood:
        levels.came_from = levels.stood
    levels.stood = x.rate


@compilable
def _follow_level(levels: Any, x: Interval, long_enough: float) -> None:
    """Where the pressure stays at one speed of the crank, and for how long it has."""
    stays = abs(x.pressure - levels.pressure) <= LEVEL * levels.pressure
    at_speed = abs(x.rate - levels.rate) <= SAME_SPEED * levels.rate and x.rate > 0.0
    area = area_of(x)
    if at_speed and stays:
        levels.seconds += x.seconds
        if levels.seconds <= long_enough:  # from then on it is to stay where it is
            weight = x.seconds / max(levels.seconds, LEAST_WAIT)
            levels.pressure += weight * (x.pressure - levels.pressure)
            levels.later = levels.pressure
            levels.area += weight * (area - levels.area)
        else:
            weight = min(x.seconds / (levels.seconds - long_enough), 1.0)
            levels.later += weight * (x.pressure - levels.later)
            levels.area += weight * (area - levels.area)
        levels.left = False
    elif at_speed and not levels.left:  # a single reading may be wild
        levels.left = True
    else:
        if levels.seconds >= long_enough and levels.rate > 0.0:
            _end_level(levels, x, long_enough, at_speed)
        if not at_speed:
            levels.before = 0
        levels.left = False
        levels.pressure = x.pressure
        levels.rate = x.rate
        levels.area = area
        levels.seconds = 0.0


@compilable
def _is_told_apart(c: Any) -> bool:
    """Whether the closed jet's level at one speed is known, and is another one than the jet's."""
    return bool(c.shut_seen >= SHUT_KNOWN and c.apart >= APART_KNOWN)


@compilable
def _is_apart_now(c: Any) -> bool:
    """Whether it is known, and the crank sped up to another one just now."""
    newest = c.open > 0.0 and abs(c.open - c.shut) > APART * c.shut
    return bool(c.shut_seen >= SHUT_KNOWN and (c.apart >= APART_KNOWN or newest))


@compilable
def shut_is_known(levels: Any, rate: float) -> bool:
    """Whether the closed jet's level at this speed is known: another one than the jet's, or not."""
    for k in range(CEILINGS):
        c = levels.ceilings[k]
        settled = c.apart >= APART_KNOWN or c.apart <= ALIKE_KNOWN
        known = c.shut_seen >= SHUT_KNOWN and settled
        if known and abs(rate - c.rate) <= NEAR_SPEED * c.rate:
            return True
    return False


@compilable
def _were_alike(c: Any) -> bool:
    """Whether the two levels at one speed have been alike for so long that it is known."""
    return bool(c.shut_seen >= SHUT_KNOWN and c.was_alike)


@compilable
def crank_tells(levels: Any) -> bool:
    """Whether the crank tells at any speed which of two levels is the closed jet's.

    Or told that both are alike: then what differs by now is the jet.
    """
    for k in range(CEILINGS):
        c = levels.ceilings[k]
        if _is_told_apart(c) or _were_alike(c):
            return True
    return False


@compilable
def told_apart(levels: Any) -> int:
    """Index of the ceiling whose speed tells which level is the closed jet's; -1: none does.

    What was alike, at any speed, and is apart by now is the doing of the jet.
    """
    apart = -1
    for k in range(CEILINGS):
        c = levels.ceilings[k]
        if _were_alike(c):
            return -1
        if apart < 0 and _is_told_apart(c):
            apart = k
    return apart


@compilable
def _is_shut(area: float, shut: float, jet: float) -> bool:
    """Whether an area looks like the closed jet's, or is half way to it from the open jet's.

    What is smaller than both is the closed jet's as well: a bore does not shrink by so much.
    """
    off = area - shut
    if off * (jet - shut) > 0.0:
        most = 0.5 * abs(jet - shut)
    else:
        most = (MOST_SMALLER if shut < jet and off < 0.0 else MOST_SAME) * shut
    return bool(abs(off) <= most)


@compilable
def may_be_the_jet(levels: Any, rate: float, area: float, sped_up: bool) -> bool:
    """Whether the area of a cut that did not settle may be the jet's.

    Where the crank tells the two levels apart, it is if it is on the jet's side. While the line
    fills, the closed jet's valve takes less than at its level, so what is beyond that is no jet,
    either. Where both are alike, it is if the crank `sped_up` for it, or if it exceeds them.
    """
    place = told_apart(levels)
    if place >= 0:
        c = levels.ceilings[place]
        for k in range(place + 1, CEILINGS):
            other = levels.ceilings[k]
            if _is_told_apart(other) and abs(rate - other.rate) < abs(rate - c.rate):
                c = other
        return bool((area - c.open) * (c.shut - c.open) < 0.5 * (c.shut - c.open) ** 2)
    if sped_up or not crank_tells(levels):
        return True
    for k in range(CEILINGS):
        c = levels.ceilings[k]
        if c.shut_seen >= SHUT_KNOWN and abs(rate - c.rate) <= NEAR_SPEED * c.rate:
            return bool(area > (1.0 + EXCEEDS) * c.shut)
    return False


@compilable
def _is_at_ceiling(levels: Any, x: Interval) -> bool:
    """Whether the pressure is at the closed jet's level, as far as that is known.

    By the crank at its speed, or else by what lies between the two levels at another one. Where the
    crank tells nothing it is the higher of two.
    """
    area = area_of(x)
    nearest, place = np.inf, -1
    for k in range(CEILINGS):
        c = levels.ceilings[k]
        off = abs(x.rate - c.rate)
        if _is_apart_now(c) and off < nearest:
            nearest, place = off, k
    if place >= 0:
        known = levels.ceilings[place]
        levels.is_lower = known.shut > known.open
        if nearest <= NEAR_SPEED * known.rate:
            return _is_shut(area, known.shut, known.open)
        for k in range(CEILINGS):
            c = levels.ceilings[k]
            near = abs(c.open - known.open) < 0.5 * abs(known.shut - known.open)
            if near and abs(x.rate - c.rate) <= SAME_SPEED * c.rate:
                seen = c.shut_seen > 0 and _is_shut(area, c.shut, c.open)
                return bool(seen or _is_shut(area, c.open * known.shut / known.open, c.open))
        return _is_shut(area, known.shut, known.open)
    levels.is_lower = False
    for k in range(CEILINGS):
        c = levels.ceilings[k]
        same_speed = abs(x.rate - c.rate) <= SAME_SPEED * c.rate
        enough = c.turns >= (1 if levels.turns >= TURNS else TURNS)
        if enough and same_speed:
            return bool(x.pressure >= (1.0 - LEVEL) * c.pressure)
    return False


@compilable
def watch_levels(s: Any, g: GateSettings, x: Interval) -> bool:
    """Whether a pump of fixed flow stands at a relief valve or unloader that nobody stated.

    A bore that takes the same flow at two pressures by turns is none: at one speed of the crank
    the pressure goes to the valve's level whenever the jet closes, and down again with the jet.
    """
    levels = s.levels
    long_enough = _level_time(s.interval)
    _follow_level(levels, x, long_enough)
    _follow_speed(levels, x, s.last.rate)
    _follow_slowing(s, x)
    if levels.seconds >= long_enough and levels.pressure >= g.working_pressure:
        levels.newest = _ceiling_at(levels, x.rate)
        c = levels.ceilings[levels.newest]
        least, most = BELOW_CEILING
        if levels.pressure > (1.0 + LEVEL) * c.pressure:
            c.pressure = levels.pressure
            c.jet_pressure = 0.0
            c.turns = 0
            c.is_below = False
        elif levels.pressure >= (1.0 - LEVEL) * c.pressure:
            # a valve closes within seconds; what takes longer is the machine wandering
            since = (s.time_ns - c.below_ns) * S_PER_NS - levels.seconds
            _end_turn(c, s.time_ns, since)
            levels.turns = max(levels.turns, c.turns)
        elif (
            levels.seconds >= 2.0 * long_enough
            and abs(levels.later - levels.pressure) <= STAYS * levels.pressure
            and least * c.pressure <= levels.pressure <= most * c.pressure
        ):
            if abs(levels.pressure - c.jet_pressure) > SAME_JET * c.jet_pressure:
                c.turns = 0
            c.jet_pressure = levels.pressure
            c.is_below = True
            c.below_ns = s.time_ns
    return _is_at_ceiling(levels, x)

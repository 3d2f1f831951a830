"""Which heads a batch is of, where no valve signal says so: by its area, next to those stated.

With a count of open heads, or none, a batch only shows how much area was open. That tells how many
heads it were; which of them stays open. Jewels of one bore differ by some per cent, so heads that
cut by turns make levels side by side, of which each gets a watch of its own. A batch between two
levels began with the one and ended with the other: it waits for the next one, and counts only if
that is like it. Pure functions.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.jewels.jewel import Jewel, stated_area

Heads = frozenset[str]
Batches = NDArray[np.void]

NEAR = 0.02  # in log area: what is no further from a level belongs to it; invented
SPREADS = 3.0  # and of the batch's own resolution; invented
ALIKE = 0.12  # in log area: sets of heads so close to each other can't be told apart; invented
UNKNOWN_OFF = 0.16  # the same before any level is known: C_d may be off by as much; invented
OPENED = 0.5  # of the area of a jewel: a set takes no more than with that on top; invented
PLAUSIBLE = 0.09  # in log area, that jewels of one bore may differ by; invented
TO_BEGIN = 3  # batches alike that make a new level; invented
TO_COUNT = 2  # batches alike that are off all levels, to be taken for a change; invented
SEEN_BY_THEN = 8.0 * 3600.0  # s of steady jet of so many heads, by which all have cut; invented
PAUSE_NS = 20 * 10**9  # between batches, in which another head may begin; invented
TO_SETTLE = 40  # batches of few strokes, by whose mean a level is known; invented
LONG_RUN = 20  # batches in the mean of a run; invented
FOLLOW = 0.1  # weight of the newest batch in the place of a level; invented
MOVED = 0.03  # in log area: what has gone so far from where it was, has another jewel; invented
SETTLES = 20.0  # s: a jet takes no longer after a step; else others were open between; invented
LOOKS = 2.0  # s: what two looks at a jet may differ by, without it being closed between; invented


class Combination(NamedTuple):
    """Heads that are open together: one of `options`, of about the same stated area.

    `place` tells levels apart that have the same options.
    """

    options: tuple[Heads, ...]
    place: int = 0

    @property
    def words(self) -> str:
        """Such as "head 1", "head 1 and 2", or "head 1 or head 2" where that is open."""
        return " or ".join(words_of(heads) for heads in self.options)

    @property
    def is_known(self) -> bool:
        """Whether it is known which heads these are."""
        return len(self.options) == 1


def words_of(heads: Iterable[str]) -> str:
    """Heads that are open together, in words."""
    return f"head {' and '.join(sorted(heads))}"


class Level(NamedTuple):
    """An area that comes again and again: `centre` is its log, m², and `home` what it was at first.

    `time` is how long, s, it was seen, in so many `batches`. `hint` is the log area with which a
    jet of it ended, where that was another one already.
    """

    combination: Combination
    number: int  # of open heads
    centre: float
    home: float
    time: float = 0.0
    hint: float | None = None
    batches: int = 0

    @property
    def has_moved(self) -> bool:
        """Whether its jewel has another area by now than at first."""
        return abs(self.centre - self.home) > MOVED


class Run(NamedTuple):
    """Batches without a pause between them: their number and the mean of their log areas."""

    end_ns: int = 0
    batches: int = 0
    mean: float = 0.0


class Jet(NamedTuple):
    """The jet since it was last closed: as a `Run`, and the place of the level that it is of.

    That does not change while the jet is on: whoever closes one head and opens another closes the
    jet. So a step in the midst of it is one of its jewel.
    """

    run: Run = Run()
    jet_seconds: float = 0.0  # of the pump, at its end
    number: int = 0  # of open heads
    place: int | None = None


class Levels(NamedTuple):
    """The levels seen so far, the run that goes on, and batches that wait for the next one.

    `unfit` is how long, s, an area was seen that no set of stated heads takes. `is_coarse` says
    that a batch has so few strokes that it does not show which of two jewels of one bore it is of.
    """

    known: tuple[Level, ...] = ()
    run: Run = Run()
    jet: Jet = Jet()
    held: tuple[Batches, ...] = ()  # each of shape (1,)
    unfit: float = 0.0
    is_coarse: bool = False


Given = list[tuple[Combination, Batches]]


def sort(
    levels: Levels, one: Batches, number: int, jewels: Sequence[Jewel]
) -> tuple[Levels, Given]:
    """Take `one` batch, of shape (1,), of a `number` of open heads, 0 if that is not known.

    Returns the levels after it, and which batches now go to which combination: none if it waits.
    """
    run, jet = _run_with(levels.run, one), _jet_with(levels.jet, one, number)
    levels = levels._replace(is_coarse=_near(one, 1) > NEAR)
    if number == 0:
        if not _fits_any(levels, one, jewels):
            return _nobodys(levels._replace(run=Run(), jet=Jet()), [one]), []
        jet = _jet_by_area(levels, jet, one, jewels)
    levels = levels._replace(run=run, jet=jet)
    mine = [k for k, level in enumerate(levels.known) if number in (0, level.number)]
    if levels.held and run.batches == 1:
        levels, given = _without_held(levels, mine)
        levels, more = _place(levels, mine, one, number, jewels)
        return levels, given + more
    return _place(levels, mine, one, number, jewels)


def _place(
    levels: Levels, mine: list[int], one: Batches, number: int, jewels: Sequence[Jewel]
) -> tuple[Levels, Given]:
    """Give `one` batch, the last of the run, to one of the levels `mine`, or let it wait."""
    run, jet = levels.run, levels.jet
    if jet.place is not None:
        return _stay(levels, jet.place, one)
    nearest = min(mine, key=lambda k: abs(levels.known[k].centre - run.mean), default=None)
    if nearest is not None and _is_near(levels.known[nearest], run.mean, one, run.batches):
        may_have_a_twin = _may_have_a_twin(levels, nearest)
        if _may_be_another(levels, mine, one, may_have_a_twin):
            return levels._replace(held=(*levels.held, one)), []
        # where no signal tells heads apart, what waited was partly of one, partly of another
        is_its = number or _is_of(levels.known[nearest], levels.held)
        waited = list(levels.held) if is_its else []
        levels = _settled(levels, mine, one, may_have_a_twin)
        return _follow(levels, nearest, [*waited, one])
    if levels.held and run.batches == 1 and not (number and _is_like_held(levels, one)):
        before = levels.held
        levels = levels._replace(held=(one,))
        if number and nearest is not None:
            return _follow(levels, nearest, list(before), held=(one,))
        return levels, []
    held = (*levels.held, one)
    mean = _mean(held)
    left = next((k for k in mine if _goes_on_from(levels.known[k], mean, one)), None)
    if left is not None and len(held) >= TO_COUNT:
        return _follow(_moved(levels, left, mean), left, list(held))
    found = _new_level(levels, held, number, jewels)
    if len(held) < (TO_COUNT if found is None and nearest is not None else TO_BEGIN):
        return levels._replace(held=held), []
    if found is not None and found.combination.place > 0 and _near(one, len(held)) > NEAR:
        return levels._replace(held=held), []  # few strokes make no other jewel
    if found is None:
        return _of_no_level(levels, nearest, held, mean, jewels if number == 0 else None)
    found = found._replace(batches=len(held))
    made = levels._replace(known=(*levels.known, found), held=())
    made = _with_time(made, len(levels.known), list(held))
    return made, [(found.combination, each) for each in held]


def _jet_by_area(levels: Levels, jet: Jet, one: Batches, jewels: Sequence[Jewel]) -> Jet:
    """The `jet`, of no level yet if another head was opened, or shut, meanwhile."""
    if jet.place is None:
        return jet
    level, value = levels.known[jet.place], _log_area(one)
    is_off = abs(value - level.centre) > _near(one, 1)
    if is_off and may_be_others(levels, value, level.combination, jewels):
        return jet._replace(run=_run_with(levels.run, one), place=None)
    return jet


def _of_no_level(
    levels: Levels,
    nearest: int | None,
    held: tuple[Batches, ...],
    mean: float,
    jewels: Sequence[Jewel] | None,
) -> tuple[Levels, Given]:
    """What becomes of `held` that is off all levels; `jewels` where nothing counts the heads."""
    if jewels is not None and not _may_take(levels, nearest, mean, jewels):
        return _nobodys(levels, held), []
    if nearest is None:
        return levels, []
    if not levels.is_coarse:
        # the jet goes on as that level's: batches just as near as another jewel make none of it
        levels = levels._replace(jet=levels.jet._replace(place=nearest))
    return _follow(levels, nearest, list(held))


def _nobodys(levels: Levels, batches: Sequence[Batches]) -> Levels:
    """The levels after `batches` that no set of open heads explains for sure."""
    unfit = levels.unfit + sum(float(each["time"][0]) for each in batches)
    return levels._replace(held=(), unfit=unfit)


def _may_take(levels: Levels, place: int | None, log_area: float, jewels: Sequence[Jewel]) -> bool:
    """Whether an area that is off all levels may be a change of the one at `place`."""
    if place is None:
        return False
    return not may_be_others(levels, log_area, levels.known[place].combination, jewels)


def may_be_others(
    levels: Levels, log_area: float, combination: Combination, jewels: Sequence[Jewel]
) -> bool:
    """Whether heads other than those of the `combination` may take this area, or none at all.

    It is none of its own where it is too small, as with a jet that is shut while the pump turns on,
    or too large, and it may be another set's where that takes about as much.
    """
    stated, off = _stated(tuple(jewels)), _off(levels, jewels)
    others = (area for heads, area in stated.items() if heads not in combination.options)
    if any(abs(log_area - area - off) <= ALIKE for area in others):
        return True
    return not any(_fits(log_area - off, heads, stated[heads]) for heads in combination.options)


def may_be_a_twin(levels: Levels, log_area: float, combination: Combination) -> bool:
    """Whether this area of the `combination` is that of another jewel of the same bore.

    Strokes are few in a batch, so one now and then goes to the wrong one of two levels.
    """
    twins = (
        level
        for level in levels.known
        if level.combination.options == combination.options
        and level.combination.place != combination.place
    )
    return levels.is_coarse and any(abs(level.home - log_area) <= MOVED for level in twins)


def _fits_any(levels: Levels, one: Batches, jewels: Sequence[Jewel]) -> bool:
    """Whether any set of heads may take what the batch shows."""
    value, near = _log_area(one) - _off(levels, jewels), _near(one, 1)
    if not levels.known:
        near += UNKNOWN_OFF - ALIKE
    return any(_fits(value, h, a, near) for h, a in _stated(tuple(jewels)).items())


def _fits(value: float, heads: Heads, stated: float, near: float = 0.0) -> bool:
    """Whether these `heads` may take this log area: as `stated`, or with one jewel opened up."""
    grown = math.log1p(OPENED / len(heads))
    return -ALIKE - near <= value - stated <= grown + near


@lru_cache(maxsize=64)
def _stated(jewels: tuple[Jewel, ...]) -> dict[Heads, float]:
    """The stated log area, m², of each set of heads."""
    return {
        heads: math.log(stated_area([jewel for jewel in jewels if jewel.head in heads]))
        for heads in _sets(jewels)
    }


def _off(levels: Levels, jewels: Sequence[Jewel]) -> float:
    """By how much the levels are off the stated areas.

    Pump figures are off for all of them alike, however many heads are open.
    """
    stated = _stated(tuple(jewels))
    offs = [level.home - stated[level.combination.options[0]] for level in levels.known]
    return sum(offs) / len(offs) if offs else 0.0


def _log_area(one: Batches) -> float:
    return math.log(float(one["area"][0]))


def _near(one: Batches, batches: int) -> float:
    """How near the mean of so many `batches` has to be to a level; their edges cancel."""
    return max(NEAR, SPREADS * float(one["resolution"][0]) / batches)


def _mean(batches: Sequence[Batches]) -> float:
    return sum(map(_log_area, batches)) / len(batches)


def _is_near(level: Level, mean: float, one: Batches, batches: int) -> bool:
    """Whether the `mean` of so many `batches` may be that of the `level`, itself such a mean."""
    return abs(level.centre - mean) <= _near_level(level, one, batches)


def _near_level(level: Level, one: Batches, batches: int) -> float:
    """How near the mean of so many `batches` has to be to a `level`, itself a mean of a few."""
    own = _near(one, 1)
    if own <= NEAR:
        return own
    return math.hypot(_near(one, batches), own / max(min(level.batches, TO_SETTLE), 1) ** 0.5)


def _is_of(level: Level, batches: Sequence[Batches]) -> bool:
    """Whether `batches` that follow each other are of the `level`."""
    return bool(batches) and _is_near(level, _mean(batches), batches[-1], len(batches))


def _may_be_another(levels: Levels, mine: list[int], one: Batches, may_have_a_twin: bool) -> bool:
    """Whether the run, of few strokes so far, may as well be of another level, seen or not."""
    run = levels.run
    if _near(one, run.batches) <= NEAR:
        return False
    alike = [k for k in mine if _is_near(levels.known[k], run.mean, one, run.batches)]
    return may_have_a_twin or len(alike) > 1


def _without_held(levels: Levels, mine: list[int]) -> tuple[Levels, Given]:
    """The levels after a run has ended: what waited of it goes to the level next to it, if any."""
    mean = _mean(levels.held)
    nearest = min(mine, key=lambda k: abs(levels.known[k].centre - mean), default=None)
    if nearest is None or not _is_of(levels.known[nearest], levels.held):
        return levels, []
    return _follow(levels, nearest, list(levels.held))


def _is_like_held(levels: Levels, one: Batches) -> bool:
    """Whether it shows what those that wait do: short cuts are runs of one batch each."""
    return abs(_log_area(one) - _mean(levels.held)) <= _near(one, 1)


def _run_with(run: Run, one: Batches) -> Run:
    """The run with one more batch, or a new one after a pause or where it is unlike the others."""
    value, end_ns = _log_area(one), int(one["end_ns"][0])
    goes_on = int(one["start_ns"][0]) - run.end_ns <= PAUSE_NS
    if not goes_on or abs(value - run.mean) > _near(one, 1):  # nothing is like an empty run
        return Run(end_ns, 1, value)
    batches = min(run.batches + 1, LONG_RUN)
    return Run(end_ns, batches, run.mean + (value - run.mean) / batches)


def _jet_with(jet: Jet, one: Batches, number: int) -> Jet:
    """The jet with one more batch, or a new one where it was closed before or within that batch."""
    start_ns, end_ns = int(one["start_ns"][0]), int(one["end_ns"][0])
    seconds = float(one["jet_seconds"][0])
    closed = (end_ns - jet.run.end_ns) * 1e-9 - (seconds - jet.jet_seconds)
    unsteady = (end_ns - start_ns) * 1e-9 - float(one["time"][0])
    follows = start_ns == jet.run.end_ns and number == jet.number
    if follows and closed <= LOOKS and unsteady <= SETTLES:
        return Jet(_run_with(jet.run, one), seconds, number, jet.place)
    whole = unsteady <= LOOKS
    return Jet(Run(end_ns, 1, _log_area(one)) if whole else Run(end_ns), seconds, number)


def _may_have_a_twin(levels: Levels, place: int) -> bool:
    """Whether heads of the same stated area may have another level than those seen so far."""
    options = levels.known[place].combination.options
    return sum(level.combination.options == options for level in levels.known) < len(options)


def _settled(levels: Levels, mine: list[int], one: Batches, may_have_a_twin: bool) -> Levels:
    """The levels, knowing which one the jet is of, if it can't be another one, seen or not."""
    run = levels.jet.run
    if run.batches == 0:
        return levels  # it began with another one
    off = sorted((abs(levels.known[k].centre - run.mean), k) for k in mine)
    near = _near(one, run.batches)
    if off[0][0] > near or (len(off) > 1 and off[1][0] <= 2.0 * near):
        return levels
    if may_have_a_twin and near > NEAR:
        return levels  # a batch of few strokes is like both
    return levels._replace(jet=levels.jet._replace(place=off[0][1]))


def _stay(levels: Levels, place: int, one: Batches) -> tuple[Levels, Given]:
    """Give a batch to the level that its jet is of, wherever that goes."""
    level, value = levels.known[place], _log_area(one)
    if abs(value - level.centre) > _near(one, 1):
        if _goes_on_from(level, value, one):
            levels = _moved(levels, place, value)
        else:
            levels = _with_level(levels, place, level._replace(hint=value))
        levels = _with_time(levels, place, [one])
        return levels._replace(held=()), [(level.combination, one)]
    return _follow(levels, place, [one])


def _goes_on_from(level: Level, value: float, one: Batches) -> bool:
    """Whether this `value` is at least as far off, on the same side, as the jet ended with."""
    if level.hint is None:
        return False
    side = math.copysign(1.0, level.hint - level.centre)
    return side * (value - level.hint) > -_near(one, 1)


def _with_level(levels: Levels, place: int, level: Level) -> Levels:
    known = (*levels.known[:place], level, *levels.known[place + 1 :])
    return levels._replace(known=known)


def _with_time(levels: Levels, place: int, batches: list[Batches]) -> Levels:
    level = levels.known[place]
    time = level.time + sum(float(each["time"][0]) for each in batches)
    return _with_level(levels, place, level._replace(time=time))


def _moved(levels: Levels, place: int, value: float) -> Levels:
    """The levels where the one at `place` has gone to another `value`."""
    return _with_level(levels, place, levels.known[place]._replace(centre=value, hint=None))


def _follow(
    levels: Levels, place: int, batches: list[Batches], held: tuple[Batches, ...] = ()
) -> tuple[Levels, Given]:
    """Give `batches` to the level at `place`, which goes where they are."""
    level = levels.known[place]
    centre, home = level.centre, level.home
    for count, each in enumerate(batches, level.batches + 1):
        value = _log_area(each)
        is_coarse = _near(each, 1) > NEAR
        weight = max(FOLLOW, 1.0 / count) if is_coarse else FOLLOW
        centre += weight * (value - centre)
        if is_coarse and count <= TO_SETTLE and abs(value - home) <= _near(each, 1):
            home += (value - home) / count
        elif abs(value - home) <= NEAR:
            home += FOLLOW * (value - home)
    seen = level.batches + len(batches)
    level = level._replace(centre=centre, home=home, hint=None, batches=seen)
    levels = _with_time(_with_level(levels, place, level), place, batches)._replace(held=held)
    return levels, [(level.combination, each) for each in batches]


def _new_level(
    levels: Levels, held: Sequence[Batches], number: int, jewels: Sequence[Jewel]
) -> Level | None:
    """The level that begins with those `held`; None if all that it may be is there."""
    value, last, batches = _mean(held), held[-1], len(held)
    every, off = _stated(tuple(jewels)), _off(levels, jewels)
    stated = {heads: area for heads, area in every.items() if number in (0, len(heads))}
    best = min(stated, key=lambda heads: abs(stated[heads] + off - value))
    alike = [level for level in levels.known if level.number == len(best)]
    late = sum(level.time for level in alike) > SEEN_BY_THEN
    # another jewel, as large as one whose area has changed since
    twin = any(level.has_moved and abs(level.home - value) <= NEAR for level in alike)
    near_one = any(
        abs(level.home - value) <= PLAUSIBLE - NEAR + _near_level(level, last, batches)
        for level in alike
    )
    if alike and not twin and (late or not near_one):
        return None
    if levels.known and abs(stated[best] + off - value) > ALIKE:
        return None
    options = tuple(
        heads
        for heads in stated
        if abs(stated[heads] - stated[best]) <= ALIKE and len(heads) == len(best)
    )
    place = sum(level.combination.options == options for level in levels.known)
    if place >= len(options):
        return None
    return Level(Combination(options, place), len(best), value, value)


def _sets(jewels: Sequence[Jewel]) -> list[Heads]:
    heads = sorted(jewel.head for jewel in jewels)
    return [
        frozenset(some)
        for size in range(1, len(heads) + 1)
        for some in itertools.combinations(heads, size)
    ]

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
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from borewarden.jewels.jewel import Jewel, stated_area

Heads = frozenset[str]

NEAR = 0.02  # in log area: what is no further from a level belongs to it; invented
SPREADS = 3.0  # and of the batch's own resolution; invented
ALIKE = 0.12  # in log area: sets of heads so close to each other can't be told apart; invented
PLAUSIBLE = 0.15  # in log area, that a head may be off what is stated; invented
TO_BEGIN = 3  # batches alike that make a new level; invented
TO_COUNT = 2  # batches alike that are off all levels, to be taken for a change; invented
FOLLOW = 0.2  # weight of the newest batch in the place of a level; invented


class Combination(NamedTuple):
    """Heads that are open together: one of `options`, of about the same stated area.

    `place` tells levels apart that have the same options.
    """

    options: tuple[Heads, ...]
    place: int = 0

    @property
    def is_known(self) -> bool:
        """Whether it is known which heads these are."""
        return len(self.options) == 1


class Level(NamedTuple):
    """An area that comes again and again: `centre` is its log, m²."""

    combination: Combination
    number: int  # of open heads
    centre: float


class Levels(NamedTuple):
    """The levels seen so far, and batches (one-row arrays) that wait for the next one."""

    known: tuple[Level, ...] = ()
    held: tuple[np.ndarray, ...] = ()


Given = list[tuple[Combination, np.ndarray]]


def sort(
    levels: Levels, one: np.ndarray, number: int, jewels: Sequence[Jewel]
) -> tuple[Levels, Given]:
    """Take `one` batch, of shape (1,), of a `number` of open heads, 0 if that is not known.

    Returns the levels after it, and which batches now go to which combination: none if it waits.
    """
    value, near = _place(one)
    mine = [level for level in levels.known if number in (0, level.number)]
    nearest = min(mine, key=lambda level: abs(level.centre - value), default=None)
    if nearest is not None and abs(nearest.centre - value) <= near:
        return _follow(levels, nearest, [one])
    if levels.held and abs(_place(levels.held[-1])[0] - value) > near:
        return levels._replace(held=(one,)), []
    held = (*levels.held, one)
    mean = float(np.mean([_place(each)[0] for each in held]))
    found = _new_level(levels, mean, number, jewels)
    if found is None and nearest is not None:
        if len(held) < TO_COUNT:
            return levels._replace(held=held), []
        return _follow(levels, nearest, list(held))
    if found is None or len(held) < TO_BEGIN:
        return levels._replace(held=held), []
    made = Levels((*levels.known, found))
    return made, [(found.combination, each) for each in held]


def _place(one: np.ndarray) -> tuple[float, float]:
    """Log area of a batch, and how near a level has to be."""
    return math.log(float(one["area"][0])), max(NEAR, SPREADS * float(one["resolution"][0]))


def _follow(levels: Levels, level: Level, batches: list[np.ndarray]) -> tuple[Levels, Given]:
    centre = level.centre
    for each in batches:
        centre += FOLLOW * (_place(each)[0] - centre)
    known = tuple(level._replace(centre=centre) if o is level else o for o in levels.known)
    return Levels(known), [(level.combination, each) for each in batches]


def _new_level(levels: Levels, value: float, number: int, jewels: Sequence[Jewel]) -> Level | None:
    """The level that begins at this `value`; None if all that it may be is there."""
    stated = {
        heads: math.log(stated_area([j for j in jewels if j.head in heads]))
        for heads in _sets(jewels)
        if number in (0, len(heads))
    }
    # pump figures that are off are off for all levels alike
    offs = [
        level.centre - stated[level.combination.options[0]]
        for level in levels.known
        if level.combination.options[0] in stated
    ]
    off = float(np.mean(offs)) if offs else 0.0
    best = min(stated, key=lambda heads: abs(stated[heads] + off - value))
    if levels.known and abs(stated[best] + off - value) > PLAUSIBLE:
        return None
    options = tuple(
        heads
        for heads in stated
        if abs(stated[heads] - stated[best]) <= ALIKE and len(heads) == len(best)
    )
    place = sum(level.combination.options == options for level in levels.known)
    if place >= len(options):
        return None
    return Level(Combination(options, place), len(best), value)


def _sets(jewels: Sequence[Jewel]) -> list[Heads]:
    heads = sorted(jewel.head for jewel in jewels)
    return [
        frozenset(some)
        for size in range(1, len(heads) + 1)
        for some in itertools.combinations(heads, size)
    ]

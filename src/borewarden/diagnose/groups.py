"""Which causes this machine's signals can't tell apart: they are shown as one.

A cause is told from the jet's own only by what it alone does. Where none of that is measured,
nothing but prior odds speaks for the one or the other, so both go by one probability.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

from borewarden.diagnose.causes import Belief, Cause
from borewarden.diagnose.feature_table import (
    BOOST,
    BYPASS,
    FALL,
    IDLE,
    LOAD,
    SHUT,
    SIDES,
    SLIP,
    VALVES,
    WEEP,
)

BY_ITSELF = ""  # nobody measures it: the watcher reads how the line's pressure moves
# What would confirm or rule out a cause, by the feature that measures it, as people ask for it.
TELLS: Mapping[Cause, Mapping[int, str]] = {
    Cause.LEAK: {
        IDLE: "strokes while dead-headed",
        WEEP: "temperature of the weep lines",
        VALVES: "temperature of the check valves",
        SIDES: "stroke time of each side",
        FALL: BY_ITSELF,
    },
    Cause.TRANSDUCER: {LOAD: "oil pressure or motor torque", FALL: BY_ITSELF},
    Cause.FEED: {BOOST: "feed (boost) pressure", FALL: BY_ITSELF},
    Cause.SLIP: {SLIP: "crank speed beside motor speed", FALL: BY_ITSELF},
    Cause.BYPASS: {
        IDLE: "strokes while dead-headed",
        BYPASS: "temperature of the bypass line",
        SHUT: BY_ITSELF,
    },
}
ONLY_INTENSIFIER = frozenset({IDLE, SIDES})
FURTHER = frozenset({LOAD, BOOST, WEEP, BYPASS, SIDES, SLIP, VALVES})  # beyond pressure and rate
OF_THE_JET = (Cause.BORE, Cause.BLOCKED)
MOST_ON_TWO_SIGNALS = 0.95  # probability said on pressure and rate alone; by decision
SHARES = 0.05  # probability from which a cause is named as one of a group; invented
IN_DOUBT = 0.1  # that the others of a group hold together, from which the first is not said alone
CACHED_SETS = 512  # of known features: a machine has a few


class Group(NamedTuple):
    """Causes that can't be told apart, the most probable first, and their probability together."""

    causes: tuple[Cause, ...]
    probability: float


@lru_cache(maxsize=CACHED_SETS)
def unseparated(causes: tuple[Cause, ...], known: frozenset[int]) -> tuple[tuple[Cause, ...], ...]:
    """For each of `causes`, the others that none of the `known` features tells from it.

    Nor do those that tell both of two causes from the jet's own, and nothing else of either.
    """
    told = {c: known & TELLS[c].keys() for c in causes if c in TELLS}
    alike = {c for c in causes if c in OF_THE_JET or (c in told and not told[c])}

    def others(cause: Cause) -> tuple[Cause, ...]:
        if cause in alike:
            return tuple(c for c in causes if c in alike and c is not cause)
        return tuple(c for c in told if c is not cause and told[c] == told.get(cause))

    return tuple(map(others, causes))


def groups(beliefs: Sequence[Belief]) -> list[Group]:
    """All of `beliefs`, the most probable group first."""
    found, left = [], list(beliefs)
    while left:
        group = group_of_first(left)
        found.append(group)
        left = [b for b in left if b.cause not in group.causes]
    return sorted(found, key=lambda group: -group.probability)


def group_of_first(beliefs: Sequence[Belief]) -> Group:
    """The group that holds the first of `beliefs`, the most probable.

    Others join it only where all that look the same hold `IN_DOUBT` together, so that a headline
    and the table below it name the same. Then another cause joins if it is `SHARES` probable
    itself: less changes no figure that people read. Where none is, the most probable of them join,
    down to half as probable as that one.
    """
    first, *others = beliefs
    alike = [b for b in others if b.cause in first.alike]
    least = SHARES
    if not _in_doubt(beliefs):
        alike = []
    if alike and alike[0].probability < SHARES:
        least = alike[0].probability / 2.0
    near = [b for b in alike if b.probability >= least and first.probability >= SHARES]
    members = (first, *near)
    return Group(tuple(b.cause for b in members), sum(b.probability for b in members))


def named_with(beliefs: Sequence[Belief]) -> tuple[Cause, ...]:
    """The causes to name along with the first of `beliefs`: nothing measured tells them from it."""
    return group_of_first(beliefs).causes[1:]


def _in_doubt(beliefs: Sequence[Belief]) -> bool:
    return together(beliefs) - beliefs[0].probability >= IN_DOUBT


def together(beliefs: Sequence[Belief]) -> float:
    """Probability of the first of `beliefs` with all that look the same, however little each."""
    first = beliefs[0]
    return first.probability + sum(b.probability for b in beliefs if b.cause in first.alike)


def to_split(group: Group, is_intensifier: bool) -> list[str]:
    """What to measure to tell the causes of a group apart."""
    return list(to_measure(group.causes, is_intensifier).values())


def to_measure(causes: Sequence[Cause], is_intensifier: bool) -> dict[int, str]:
    """What people may measure to confirm or rule out each of `causes`, by feature."""
    return {
        feature: words
        for cause in causes
        for feature, words in TELLS.get(cause, {}).items()
        if words and (is_intensifier or feature not in ONLY_INTENSIFIER)
    }

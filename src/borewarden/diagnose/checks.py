"""The cheapest check that separates the two most probable causes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER, Belief, Cause
from borewarden.diagnose.feature_table import (
    BOOST,
    BYPASS,
    FALL,
    IDLE,
    LOAD,
    SLIP,
    VALVES,
    WEEP,
    FeatureShift,
)


class Check(NamedTuple):
    """Something to look at, and the causes that it would confirm or rule out.

    Hand `words` to people only behind the cautions; they follow on as a clause.
    """

    words: str
    tells: frozenset[Cause]
    only: str = ""  # INTENSIFIER, DIRECT_DRIVE or "" for either
    measured_by: int | None = None  # the feature that answers it already
    compares: bool = False  # with the same stop while the jewel was sound, which has to be known


# The cheapest first: from the desk, from the control panel, at the machine, with the jewel out.
# Which check tells what is common practice, no source.
CHECKS = (
    Check(
        "look at the job list and the control panel for a second head or valve that is open",
        frozenset({Cause.SECOND_HEAD}),
    ),
    Check(
        "ask whether a jewel was changed at the last stop and which bore went in; record it",
        frozenset({Cause.OTHER_BORE}),
    ),
    Check(
        "at the control panel, compare the pressure reading with oil pressure times the "
        "intensification ratio",
        frozenset({Cause.TRANSDUCER}),
        INTENSIFIER,
        LOAD,
    ),
    Check(
        "see whether the pressure reading goes back to zero once the pump is stopped and bled "
        "down, but never verify zero pressure by this reading: it is in doubt",
        frozenset({Cause.TRANSDUCER}),
        DIRECT_DRIVE,
    ),
    Check(
        "read the feed (boost) pressure and the gauges of the inlet filters; open no housing",
        frozenset({Cause.FEED}),
        "",
        BOOST,
    ),
    Check(
        "only if the pump maker's manual allows it, guards closed and nobody near: from the "
        "control panel, close the jet, hold pressure for two minutes and count the strokes",
        frozenset({Cause.LEAK}),
        INTENSIFIER,
        IDLE,
    ),
    Check(
        "only if the pump maker's manual and local codes allow it, let qualified people make a "
        "planned stop with the jet open, guards closed and nobody near, water only, as `inspect` "
        "says at its step stop-with-jet. The watcher compares it with such stops of the sound "
        "jewel: a larger bore empties the line quicker; a leaking seal, poor feed and a drifting "
        "transducer do not",
        frozenset({Cause.LEAK, Cause.FEED, Cause.TRANSDUCER}),
        INTENSIFIER,
        FALL,
        compares=True,
    ),
    Check(
        "let a qualified person measure the temperature of the weep lines from outside the guards, "
        "with a contactless thermometer",
        frozenset({Cause.LEAK}),
        "",
        WEEP,
    ),
    Check(
        "let a qualified person measure the temperature of the check valves from outside the "
        "guards, with a contactless thermometer",
        frozenset({Cause.LEAK}),
        "",
        VALVES,
    ),
    Check(
        "let a qualified person measure the temperature of the bypass line from outside the "
        "guards, with a contactless thermometer",
        frozenset({Cause.BYPASS}),
        DIRECT_DRIVE,
        BYPASS,
    ),
    Check(
        "let a qualified person compare crank speed with the speed that the drive shows",
        frozenset({Cause.SLIP}),
        DIRECT_DRIVE,
        SLIP,
    ),
    Check(
        "with the pump locked out and bled down, take the jewel out and look at its rim under a "
        "microscope",
        frozenset({Cause.BORE, Cause.BLOCKED}),
    ),
)


def may_tell(words: str, first: Cause, second: Cause) -> bool:
    """Whether the check of these `words` may tell the one cause from the other; so may the last."""
    found = [each.tells for each in CHECKS[:-1] if each.words == words]
    return all((first in tells) != (second in tells) for tells in found)


def cheapest_check(
    beliefs: tuple[Belief, ...],
    shift: FeatureShift,
    is_intensifier: bool,
    has_stopped: bool = False,
) -> str:
    """Return the first of `CHECKS` that would separate the two most probable causes, in words.

    What the machine measures already counts in `beliefs`, so nobody is asked for it again.
    `beliefs` are the most probable first, two at least. `has_stopped`: the pump has stopped with
    the jet open while the jewel was sound, so that such a stop can be compared.
    """
    pump_kind = INTENSIFIER if is_intensifier else DIRECT_DRIVE
    first, second = beliefs[0].cause, beliefs[1].cause
    for check in CHECKS:
        if check.only not in ("", pump_kind) or (check.compares and not has_stopped):
            continue
        if check.measured_by is not None and np.isfinite(shift.seen[check.measured_by]):
            continue
        if (first in check.tells) != (second in check.tells):
            return check.words
    return CHECKS[-1].words

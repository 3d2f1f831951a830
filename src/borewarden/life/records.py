"""From the register to records of life: which ends count, and which only say "not yet".

The watcher's jet hours go with each fitting; what the register says of its end decides whether
those hours were its life:

- chipped, worn, cut quality: ended;
- plugged: ended, since it stopped a cut, and dirt is one of the ways in which jewels go early;
- unknown, or taken out without a word: ended, since jewels seldom come out for nothing, and lives
  taken for too short cost less than lives taken for too long;
- planned, mishandled: taken off sound, since it might have gone on (a fall is no life);
- still fitted: not ended.

All of it is a decision of this project. A jewel that is cleaned and fitted again is a fitting of
its own, with its earlier hours: it enters late (left truncation), so that its first hours are not
counted twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from borewarden.life.posterior import Conditions, JewelRecord
from borewarden.store.register import End, Fitting

ENDED = frozenset({End.CHIPPED, End.WORN, End.CUT_QUALITY, End.PLUGGED, End.UNKNOWN})

# Kinds as the posterior names them; None in the register stays unknown.
CHAMBER = {True: "mixing chamber", False: "no mixing chamber", None: None}
FILTER = {True: "last-chance filter", False: "no last-chance filter", None: None}


class Tally(NamedTuple):
    """How many fittings of a material stand behind its lives, and how they count."""

    ended: int
    unknown: int  # of those ended: nobody said why
    sound: int  # taken off sound
    fitted: int  # still cutting
    no_hours: int  # left out: no jet hours are known of them


def conditions_of(fitting: Fitting) -> Conditions:
    """What the jewel of `fitting` cuts under."""
    return Conditions(
        tds_ppm=fitting.tds_ppm,
        low_pressure_start=fitting.low_pressure_start,
        mixing_chamber=CHAMBER[fitting.mixing_chamber],
        filter=FILTER[fitting.last_chance_filter],
    )


def is_ended(fitting: Fitting) -> bool:
    """Whether the jewel was at its end when it came out."""
    return fitting.out_ns is not None and (fitting.end or End.UNKNOWN) in ENDED


def records_of(fittings: Iterable[tuple[Fitting, float | None]]) -> list[JewelRecord]:
    """Records of `fittings` with the jet hours that each has seen since it was fitted.

    Earlier hours come on top. Fittings whose hours are not known (None) are left out: an age of
    nought would be wrong.
    """
    return [
        JewelRecord(
            fitting.material,
            fitting.earlier_hours + hours,
            is_ended(fitting),
            fitting.earlier_hours,
            conditions_of(fitting),
        )
        for fitting, hours in fittings
        if hours is not None
    ]


def tally(fittings: Sequence[tuple[Fitting, float | None]], material: str) -> Tally:
    """Count the `fittings` of `material`, each with its jet hours."""
    own = [(fitting, hours) for fitting, hours in fittings if fitting.material == material]
    known = [fitting for fitting, hours in own if hours is not None]
    ended = [fitting for fitting in known if is_ended(fitting)]
    fitted = sum(fitting.out_ns is None for fitting in known)
    return Tally(
        ended=len(ended),
        unknown=sum((fitting.end or End.UNKNOWN) is End.UNKNOWN for fitting in ended),
        sound=len(known) - len(ended) - fitted,
        fitted=fitted,
        no_hours=len(own) - len(known),
    )

"""From the register to records of life: which ends count, and which only say "not yet".

Telemetry gives the jet hours of each fitting. What the register says about its end decides whether
those hours were its life:

- chipped, worn, cut quality: ended;
- plugged: ended, since it stopped a cut, and dirt is one way in which jewels fail early;
- unknown, or taken out without a reason: ended, since jewels seldom come out for nothing, and to
  think lives too short costs less than to think them too long;
- planned, mishandled: removed in good condition, since it might have lasted (a fall is not wear);
- still fitted, or lost track of: not ended.

Where somebody noted the jet hours of a jewel, they hold in place of the telemetry's.

All of this is invented. A jewel that is cleaned and fitted again is a new fitting with its earlier
hours: it enters late (left truncation), so that its first hours do not count twice. So does one
that was cutting when the watch began: had it ended before, nobody would have stated its hours.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from borewarden.jewels.fitting import End, Fitting
from borewarden.lives.posterior import Conditions, JewelRecord

ENDED = frozenset({End.CHIPPED, End.WORN, End.CUT_QUALITY, End.PLUGGED, End.UNKNOWN})

# Kinds as the posterior names them; None in the register stays unknown.
CHAMBER = {True: "mixing chamber", False: "no mixing chamber", None: None}
FILTER = {True: "last-chance filter", False: "no last-chance filter", None: None}


class Watched(NamedTuple):
    """A fitting and the jet hours recorded since it was fitted, or noted.

    `hours` is None if they are not known. `to_end` is False if telemetry was lost for long before
    the jewel came out: it was last seen sound after these hours.
    """

    fitting: Fitting
    hours: float | None
    to_end: bool = True

    @property
    def ended(self) -> bool:
        """Whether these hours were its last."""
        out_ns, end = self.fitting.out_ns, self.fitting.end or End.UNKNOWN
        return self.to_end and out_ns is not None and end in ENDED


class Tally(NamedTuple):
    """How many fittings a material's lives are based on, and how they count."""

    ended: int
    unknown: int  # of those ended: no reason given
    sound: int  # removed in good condition
    fitted: int  # still cutting
    lost: int  # lost track of before they came out
    no_hours: int  # left out: their jet hours are not known
    stated: int  # of those not left out: hours as stated, wholly or in part


def conditions_of(fitting: Fitting) -> Conditions:
    """The conditions under which the jewel of `fitting` cuts."""
    return Conditions(
        tds_ppm=fitting.tds_ppm,
        low_pressure_start=fitting.low_pressure_start,
        mixing_chamber=CHAMBER[fitting.mixing_chamber],
        filter=FILTER[fitting.last_chance_filter],
    )


def records_of(watched: Iterable[Watched]) -> list[JewelRecord]:
    """Records of jewels; earlier hours are added to those recorded.

    Those whose hours are not known are left out: an age of zero would be wrong.
    """
    return [
        JewelRecord(
            jewel.fitting.material,
            jewel.fitting.earlier_hours + jewel.hours,
            jewel.ended,
            jewel.fitting.earlier_hours,
            conditions_of(jewel.fitting),
        )
        for jewel in watched
        if jewel.hours is not None
    ]


def tally(watched: Iterable[Watched], material: str) -> Tally:
    """Count the jewels of `material`."""
    own = [jewel for jewel in watched if jewel.fitting.material == material]
    known = [jewel for jewel in own if jewel.hours is not None]
    ended = [jewel for jewel in known if jewel.ended]
    fitted = sum(jewel.fitting.out_ns is None for jewel in known)
    lost = sum(jewel.fitting.out_ns is not None and not jewel.to_end for jewel in known)
    return Tally(
        ended=len(ended),
        unknown=sum((jewel.fitting.end or End.UNKNOWN) is End.UNKNOWN for jewel in ended),
        sound=len(known) - len(ended) - fitted - lost,
        fitted=fitted,
        lost=lost,
        no_hours=len(own) - len(known),
        stated=sum(jewel.fitting.is_stated for jewel in known),
    )

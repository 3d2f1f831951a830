"""Which jewel was in which head, from when to when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from typing import NamedTuple

from borewarden.jewels.jewel import Jewel


class FittedSet(NamedTuple):
    """The jewels that are in the heads from `since_ns` on, until the next such set."""

    since_ns: int
    jewels: list[Jewel]


def fitted_sets(jewels: list[Jewel]) -> list[FittedSet]:
    """What is in the heads when, in order of time; each set starts a baseline of its own.

    A later jewel on the same head replaces the earlier one. One that is taken out leaves the rest;
    while none is left the set stays the old one, since there is no jet to judge until the next one
    is fitted. `out_ns` is not in the sets: the next set shows it.
    """
    in_order = sorted(jewels, key=lambda jewel: jewel.fitted_ns)
    times = {jewel.fitted_ns for jewel in jewels}
    times |= {jewel.out_ns for jewel in jewels if jewel.out_ns is not None}
    sets: list[FittedSet] = []
    newest: dict[str, Jewel] = {}
    reached = 0
    for time_ns in sorted(times):
        while reached < len(in_order) and in_order[reached].fitted_ns <= time_ns:
            newest[in_order[reached].head] = in_order[reached]
            reached += 1
        there = [
            replace(jewel, out_ns=None)
            for jewel in newest.values()
            if jewel.out_ns is None or jewel.out_ns > time_ns
        ]
        if there and (not sets or there != sets[-1].jewels):
            sets.append(FittedSet(time_ns, there))
    return sets


def stale_since(used: list[FittedSet], now: list[FittedSet], newest_ns: int) -> int | None:
    """From when on to judge the samples up to `newest_ns` again: sets were `used`, hold `now`.

    None if nothing has changed up to then. What carries over from one set to the next is kept, so
    the latest one before the first difference is far enough back. What came before the first of
    them stays as it was judged, perhaps by jewels that are no longer stated.
    """
    differ = [s.since_ns for s in (*used, *now) if (s in used) != (s in now)]
    first = min((time_ns for time_ns in differ if time_ns <= newest_ns), default=None)
    if first is None:
        return None if used[0] == now[0] else now[0].since_ns
    return max((s.since_ns for s in now if s.since_ns <= first), default=now[0].since_ns)


class End(Enum):
    """Why a jewel was taken out."""

    CHIPPED = "chipped"
    WORN = "worn"
    PLUGGED = "plugged"
    CUT_QUALITY = "cut quality"
    PLANNED = "planned"
    MISHANDLED = "mishandled"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Fitting:
    """One jewel in one head, from fitting to removal; SI, times ns since 1970 UTC, None unknown.

    `earlier_hours` are the jet hours that the jewel had when it was fitted, or when the watch of
    its machine began if it was cutting by then. `noted_hours` are those of a jewel that is out,
    from fitting to removal, by the shop's notes: they hold in place of the telemetry's. Both are as
    somebody stated them. Chamber and tube hours are those they had when the jewel was fitted.
    """

    machine: str
    head: str
    fitted_ns: int
    bore: float
    material: str
    out_ns: int | None = None  # still fitted
    end: End | None = None
    earlier_hours: float = 0.0
    noted_hours: float | None = None
    discharge_coefficient: float | None = None
    batch: str = ""  # the supplier's, free text
    mixing_chamber: bool | None = None
    chamber_hours: float | None = None
    tube_bore: float | None = None
    tube_hours: float | None = None
    last_chance_filter: bool | None = None
    tds_ppm: float | None = None
    low_pressure_start: bool | None = None  # as stated; telemetry has its own say
    handling: str = ""  # how cleanly it was handled, free text
    note: str = ""

    @property
    def is_stated(self) -> bool:
        """Whether its jet hours are as stated, wholly or in part."""
        return self.noted_hours is not None or self.earlier_hours > 0.0


def number_in_head(held: Mapping[int, Fitting], machine: str, head: str) -> int | None:
    """Number of the fitting that is still in a head; None if the head holds no jewel."""
    wanted = (machine, head, None)
    return next((n for n, f in held.items() if (f.machine, f.head, f.out_ns) == wanted), None)

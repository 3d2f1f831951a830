"""Which figure that nobody knows costs most certainty, by the ranges that counts by hand take."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from borewarden.base.samples import HEAD, is_switch
from borewarden.base.text import either
from borewarden.counts.plate import DEAD_SHARE, EFFICIENCY, Range
from borewarden.look.level import DEAD_SHARE as GUESSED_SHARE
from borewarden.look.level import TEMPERATURE, Level
from borewarden.look.looked import Looked, Seen
from borewarden.look.machine_file import Figure
from borewarden.look.roles import Told
from borewarden.physics.pump import Displacement, delivered_mass
from borewarden.settings.guesses import GUESSED, SIZES, UNKNOWN

SLOW_LOG = 5.0  # s between readings; invented


class Cost(NamedTuple):
    """What a figure adds to the effective area: a relative standard uncertainty; inf: all of it.

    `source` says where the range is from in which it may lie.
    """

    name: str
    area_sd: float
    source: str


def costs_of(figures: Mapping[str, Figure], level: Level) -> list[Cost]:
    """The figures that are not known, the costliest first; each as uniform within its range."""
    kind = figures["kind"].value.strip('"')
    found = [Cost(name, math.inf, "") for name in SIZES if _is_open(figures[name])]
    if _is_open(figures["volumetric_efficiency"]):
        spread = EFFICIENCY[kind]
        found.append(Cost("volumetric_efficiency", _sd(spread) / spread.middle, spread.source))
    if _is_open(figures["dead_volume"]):
        spread = DEAD_SHARE[kind]
        masses = [
            float(delivered_mass(Displacement(1.0, share, 1.0), level.pressure, TEMPERATURE))
            for share in (spread.low, spread.high, GUESSED_SHARE)
        ]
        per_share = abs(masses[0] - masses[1]) / (spread.high - spread.low) / masses[2]
        found.append(Cost("dead_volume", per_share * _sd(spread), spread.source))
    return sorted(found, key=lambda cost: -cost.area_sd)


def open_words(
    seen: Seen, told: Told, figures: Mapping[str, Figure], costs: list[Cost]
) -> list[str]:
    """What is open, in words: of the heads, of the name plate, of the readings."""
    cost = doubt_words(costs)
    missing = missing_words(seen, told, figures)
    return [*heads_words(seen, figures), *([cost] * bool(cost)), *missing]


def heads_words(seen: Seen, figures: Mapping[str, Figure]) -> list[str]:
    """What nobody stated of the heads, in words; a machine file of too few is wrong throughout."""
    lines = []
    heads = figures["heads"].value
    if heads == "1" and _is_open(figures["heads"]):
        lines.append(
            f"One head is assumed: {figures['heads'].comment.removeprefix(f'{GUESSED}: ')}. If the "
            "pump feeds several, cutting together or by turns, say so with --heads. Log a valve "
            "signal for each, too: without one, another head looks like another bore."
        )
    if heads != "1" and not any(role.channel.startswith(HEAD) for role in seen.roles):
        lines.append(
            f"The pump feeds {heads} heads, and nothing says which of them is open: log a valve "
            "signal for each. Without one, an opened bore can often not be given to its head."
        )
    return lines


def missing_words(seen: Seen, told: Told, figures: Mapping[str, Figure]) -> list[str]:
    """What else would make the watch surer, in words: it is not in the readings or is guessed."""
    lines = []
    if "regulation" in figures and _is_open(figures["regulation"]):
        lines.append(
            "Find out regulation, too: whether the pressure floats, the crank's speed holds it, or "
            "a bypass does. With the wrong one, an opened bore does not show."
        )
    if "strokes_per_count" in figures and figures["strokes_per_count"].value == "1":
        lines.append(
            "Whether the log counts each stroke, or to and fro as one, can't be told while nothing "
            "says how many heads are open. The manual or the panel may. If to and fro count as "
            "one, set strokes_per_count = 2: without it, half of the water is missed."
        )
    if not any(is_switch(role.channel) for role in seen.roles):
        valves = [each.column for each in seen.left_out(told) if each.channel == "valve"]
        why = (
            f"No valve signal is used, since {either(valves)} is left out (see above)"
            if valves
            else "There is no valve signal"
        )
        lines.append(
            f"{why}: when the jet is open has to be told from pressure and rate. With the jet's "
            "valve, chips are told sooner and false alarms are fewer."
        )
    if isinstance(seen, Looked) and seen.usual_step >= SLOW_LOG:
        lines.append(
            f"There is a reading every {seen.usual_step:.0f} s: cuts shorter than three readings "
            "tell nothing. One reading a second, or ten, are better."
        )
    return lines


def _is_open(figure: Figure) -> bool:
    return figure.comment.startswith((GUESSED, UNKNOWN))


def _sd(spread: Range) -> float:
    return spread.half / math.sqrt(3.0)


def doubt_words(costs: list[Cost]) -> str:
    """Which of them costs most, in words; empty where all are known."""
    if not costs:
        return ""
    sizes = [cost.name for cost in costs if math.isinf(cost.area_sd)]
    if sizes:
        them = "it" if len(sizes) == 1 else "them"
        return (
            f"Find out {' and '.join(sizes)} first: without {them} the size of the bore is not a "
            "measurement, and only its changes count."
        )
    parts = [f"{cost.name} (\u00b1 {100.0 * cost.area_sd:.1f} %, {cost.source})" for cost in costs]
    then = f", then {parts[1]}" if len(parts) > 1 else ""
    return (
        f"Find out {parts[0]} first{then}: in brackets, how far the effective area may be off for "
        "not knowing it, as a standard uncertainty."
    )

"""Columns that behave like a channel, or are called one, and were not taken: why, and what would.

What is left out without a word is missed for months, so every near miss is said.
"""

from __future__ import annotations

import shlex
from collections.abc import Collection, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from borewarden.base.samples import SI_UNITS
from borewarden.base.shown import US, chosen, shown
from borewarden.look.level import rate_of_counts
from borewarden.look.roles import (
    BOOST,
    CELSIUS,
    CRANK,
    FAHRENHEIT,
    FIT,
    OIL,
    SMOOTH,
    STROKES,
    TWO,
    WATER,
    Floats,
    Readings,
    Role,
    Told,
    against_valve,
    falls_off,
    in_range,
    in_si,
    is_alive,
    is_counter,
    level_at_work,
    moves,
    scatter_of_area,
    tracks,
    work_of,
)
from borewarden.look.unit_words import (
    FOREIGN,
    HEAD_WORDS,
    NOT_WATER,
    OTHER_WORDS,
    SET_WORDS,
    WORDS,
    has_word,
    stated_kind,
)

NO_UNIT = "it has no unit"
TENTHS = 0.1  # of a degree, as controllers often have it
NO_PRESSURE = ("temp", "flow", "level", "filter")
OTHER_RATES = ("flow", "durchfluss", "debit", "débit")  # among the words of a rate


class LeftOut(NamedTuple):
    """A column that was not taken for a channel, the reason, and the options that take it."""

    column: str
    channel: str
    why: str
    option: str


def left_out(
    readings: Readings, roles: Sequence[Role], told: Told, scaled: bool = False
) -> list[LeftOut]:
    """Near misses among the columns that have no role; `scaled` if a unit may have a scale."""
    taken = {role.column for role in roles}
    settled = {role.channel for role in roles} | set(told.column)
    pressure = next(role for role in roles if role.channel == "pressure")
    water = in_si(readings.values[pressure.column], pressure.unit, "Pa")
    works = work_of(readings, roles)
    found: list[LeftOut] = []
    for column in readings.values:
        if column not in taken:
            found += list(_near(readings, column, (water, works), settled, scaled))[:1]
    return found


def _near(
    readings: Readings,
    column: str,
    pump: tuple[Floats, Floats],
    settled: Collection[str],
    scaled: bool,
) -> Iterator[LeftOut]:
    """What the column may be, the likeliest first.

    The `pump` has the water's pressure, Pa, and what shows that it works.
    """
    water, works = pump
    values, unit = readings.values[column], readings.units.get(column, "")
    tries = {
        "stroke_count": (_why_no_count(readings, column, settled), ""),
        "rate": (_why_no_rate(values, column, unit, water), _rate_unit(values, column)),
        "oil_pressure": (_why_no_pressure(values, column, unit, "oil_pressure", OIL), "bar"),
        "boost_pressure": (_why_no_pressure(values, column, unit, "boost_pressure", BOOST), "bar"),
        "temperature": _why_no_water(values, column, unit, scaled),
        "valve": (_why_no_valve(values, column, works), ""),
    }
    for channel, (why, wanted) in tries.items():
        if why and channel not in settled:
            option = f"--is {shlex.quote(f'{channel}={column}')}"
            if SI_UNITS[channel] and (not unit or "unit" in why):
                option += f" --unit {shlex.quote(f'{channel}={wanted}')}"
            yield LeftOut(column, channel, why, option)


def _why_no_count(readings: Readings, column: str, settled: Collection[str]) -> str:
    values = readings.values[column]
    if not is_counter(values):
        return ""
    a_minute = 60.0 * rate_of_counts(readings, column)
    if in_range(a_minute, STROKES):
        return f"it counts {a_minute:.3g} a minute, but not as the pressure would have strokes"
    is_named = has_word(column, WORDS["stroke_count"]) and "rate" not in settled
    return f"it counts {a_minute:.3g} a minute, and strokes are 3 to 200" if is_named else ""


def _why_no_rate(values: Floats, column: str, unit: str, water: Floats) -> str:
    kind = stated_kind(unit)
    is_one = kind is not None and kind[0] in ("Hz", "m^3/s")
    other_kind = kind is not None and kind[0] in ("Pa", "K", "s", "dimensionless")
    named = has_word(column, WORDS["rate"]) and not has_word(
        column, (*SET_WORDS, *NOT_WATER, *FOREIGN)
    )
    is_like = is_alive(values) and not is_counter(values) and falls_off(values)
    is_like = is_like and not has_word(column, FOREIGN) and not tracks(values, water)
    if other_kind or not moves(values) or is_counter(values):
        return ""
    if named or is_one:
        if unit and not is_one:
            return f"its unit {unit!r} is none of strokes, speed or flow"
        if is_one:
            return "it does not go with the pressure as strokes, speed or flow of a jet would"
        return f"{NO_UNIT}" + ("" if falls_off(values) else ", and was never off")
    if not unit and is_like and scatter_of_area(water, values) <= FIT:
        return f"it goes with the jet as strokes, speed or flow would, but {NO_UNIT}"
    return ""


def _rate_unit(values: Floats, column: str) -> str:
    """The unit that a rate would most likely have."""
    if has_word(column, OTHER_RATES):
        return "gal/min" if chosen("flow") == US["flow"] else "l/min"
    return "rpm" if level_at_work(values) >= CRANK[0] else "strokes/min"


def _why_no_pressure(
    values: Floats, column: str, unit: str, channel: str, bounds: tuple[float, float]
) -> str:
    if not has_word(column, OTHER_WORDS[channel]) or has_word(column, NO_PRESSURE):
        return ""
    if is_counter(values) or not moves(values):
        return ""
    kind = stated_kind(unit)
    if kind is None:
        return NO_UNIT
    if kind[0] != "Pa":
        return ""
    low, high = (shown("pressure").brief(each) for each in bounds)
    return f"it does not lie within {low} to {high}, or does not go with the water's pressure"


def _why_no_water(values: Floats, column: str, unit: str, scaled: bool) -> tuple[str, str]:
    """Why a column is not taken for the water's temperature, and the unit that it may have."""
    known = values[np.isfinite(values)]
    kind = stated_kind(unit)
    named = has_word(column, WORDS["temperature"]) and not has_word(column, ("press", "flow"))
    usual = "degF" if chosen("temperature") == US["temperature"] else "degC"
    if not len(known) or has_word(column, NOT_WATER) or is_counter(values):
        return "", usual
    if kind is not None and kind[0] != "K":
        return "", usual
    if kind is not None:
        low, high = (shown("temperature").brief(each) for each in WATER)
        return f"feed water has {low} to {high}, and changes slowly", usual
    for scale in (1.0, TENTHS)[: 1 + scaled]:
        for each, bounds in (("degC", CELSIUS), ("degF", FAHRENHEIT)):
            ends = np.quantile(known, [0.02, 0.98]) * scale
            steady = ends[1] - ends[0] <= SMOOTH and moves(values)
            if (named or steady) and all(in_range(float(end), bounds) for end in ends):
                as_written = each if scale == 1.0 else f"{scale:g} {each}"
                why = f"it may be {as_written} of water, but {NO_UNIT}"
                return why, as_written
    return (NO_UNIT if named and moves(values) else ""), usual


def _why_no_valve(values: Floats, column: str, works: Floats) -> str:
    known = values[np.isfinite(values)]
    if not set(np.unique(known)) <= {0.0, 1.0} or np.count_nonzero(np.diff(known)) < TWO:
        return ""
    if has_word(column, (*WORDS["valve"], *HEAD_WORDS)):
        return against_valve(values, works) or "another column goes with the jet, too"
    return ""

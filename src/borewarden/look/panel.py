"""Which number is the one on the machine's panel, at which scale and in which unit.

A register says 25000: 2,500 bar in tenths, or 25,000 psi. What the panel shows at that moment
settles it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
from pydantic_core import PydanticCustomError

from borewarden.base.errors import BadInput
from borewarden.base.numbers import split_quantity
from borewarden.base.units import Unit, conversion, is_flow
from borewarden.look.question import Question
from borewarden.look.roles import (
    CHOICES,
    Readings,
    in_si,
    is_alive,
    is_counter,
    level_at_work,
    moves,
)
from borewarden.look.unit_words import stated_kind, unit_as_logged

NEAR = 0.03  # of what the panel shows, since it moves and is rounded; invented
ROUNDED = 0.05  # of it, at most, that a number without decimals is off besides; invented
SAME = 0.01  # apart, and two columns are one measurement; invented
FARTHEST = 4  # power of ten of a scale
PRESSURE = Unit("Pa", 1e6, 1.2e9, '"2,500 bar" or "54,000 psi"')
RATE = Unit("Hz", 0.01, 100.0, '"24 strokes/min" or "305 rpm"')
FLOW = Unit("m^3/s", 1e-6, 1e-3, '"3.1 l/min" or "0.8 gpm"')
TEMPERATURE = Unit("K", 272.0, 335.0, '"18 °C" or "64 °F"')


class Shown(NamedTuple):
    """What a panel shows, in SI, and the unit that it has there; `text` as a person typed it."""

    value: float
    unit: str
    si: str
    text: str


class Scaled(NamedTuple):
    """A column that is what the panel shows: in it are `unit` times `scale`."""

    column: str
    unit: str
    scale: float


def shown_on(channel: str, text: str) -> Shown:
    """What a person reads off the panel. Raises BadInput."""
    unit = split_quantity(text)[1]
    kinds = {"pressure": PRESSURE, "temperature": TEMPERATURE}
    kind = kinds.get(channel) or (FLOW if is_flow(unit_as_logged(unit, "m^3/s")) else RATE)
    plain = unit_as_logged(unit, kind.si)
    try:
        value = kind(text[: len(text) - len(unit)] + plain if unit else text)
    except PydanticCustomError as error:
        wrong, _, right = error.message().partition("; ")
        raise BadInput("--panel", f"{channel}={text}", wrong, right) from None
    return Shown(value, plain, kind.si, text)


def matching(
    readings: Readings, columns: Iterable[str], shown: Shown, near: float = NEAR
) -> list[Scaled]:
    """The columns whose level while the jet is on is what the panel shows, the likeliest first.

    Pressure has many values; strokes a minute in whole numbers, or water, may have two or three.
    """
    may_be = is_alive if shown.si == "Pa" else moves
    found = [
        scaled
        for column in columns
        if may_be(readings.values[column]) and not is_counter(readings.values[column])
        if (scaled := next(_scales(readings, column, shown, near), None)) is not None
    ]
    as_shown = [each for each in found if each.unit == shown.unit]  # hardly anybody mixes units
    return sorted(as_shown or found, key=lambda each: abs(math.log10(each.scale)))


def _scales(readings: Readings, column: str, shown: Shown, near: float) -> Iterator[Scaled]:
    """Units and scales in which the column is what the panel shows."""
    level = level_at_work(readings.values[column])
    if _is_whole(readings.values[column]):
        near += min(1.0 / level, ROUNDED) if level > 0.0 else 0.0
    stated = stated_kind(readings.units.get(column))
    units = [shown.unit, *(unit for unit in CHOICES.get(shown.si, ()) if unit != shown.unit)]
    if stated is not None:
        units = [unit_as_logged(readings.units[column], shown.si)]
    for unit in units:
        try:
            factor, offset = conversion(unit, shown.si)
        except ValueError:
            continue
        ratio = (shown.value - offset) / (level * factor) if level > 0.0 else 0.0
        power = round(math.log10(ratio)) if ratio > 0.0 else FARTHEST + 1
        if stated is not None and power != 0:
            continue
        if abs(power) <= FARTHEST and abs(ratio / 10.0**power - 1.0) <= near:
            yield Scaled(column, unit, 10.0**power)


def _is_whole(values: np.ndarray) -> bool:
    known = values[np.isfinite(values)]
    return bool(np.all(known == np.rint(known)))


def the_one(readings: Readings, found: list[Scaled], channel: str, shown: Shown) -> Scaled:
    """The likeliest of the columns `found`, unless another one is something else. Raises Question.

    Raises BadInput where there is none.
    """
    if not found:
        raise BadInput(
            readings.path, f"--panel {channel}",
            f"no number that moves is {shown.text} in any unit and scale while the jet is on",
            "read the panel again while the jet is on, or name the place, as in "
            f"--is '{channel}=PLACE' --unit '{channel}=0.1 {shown.unit}'",
        )  # fmt: skip
    if all(is_counter(readings.values[each.column]) for each in found):
        if len(found) == 1:
            return found[0]
        raise Question(
            readings.path, "places", "several count as the panel shows", "--is",
            [f"{channel}={each.column}" for each in found],
        )  # fmt: skip
    first = _values(readings, found[0], shown)
    other = [
        each for each in found[1:]
        if float(np.nanmedian(np.abs(_values(readings, each, shown) / first - 1.0))) > SAME
    ]  # fmt: skip
    if other:
        raise Question(
            readings.path, "places", f"several show what the panel shows as {channel}", "--is",
            [f"{channel}={each.column}" for each in (found[0], *other)],
        )  # fmt: skip
    return found[0]


def _values(readings: Readings, scaled: Scaled, shown: Shown) -> np.ndarray:
    values = readings.values[scaled.column]
    working = np.where(values > 0.5 * level_at_work(values), values, np.nan)
    return in_si(working * scaled.scale, scaled.unit, shown.si)

"""Quantities with units, converted once, at the edge, with pint."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Any

import pint
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from borewarden.base.numbers import split_quantity


@cache
def _units() -> pint.UnitRegistry[Any]:
    units: pint.UnitRegistry[Any] = pint.UnitRegistry(
        autoconvert_offset_to_baseunit=True, on_redefinition="ignore"
    )
    # To pint a turn is 2 pi rad, which would make 60 rpm 6.28 /s; here turns are counts.
    for counted in (
        "stroke = [] = _ = strokes",
        "revolution = [] = rev",
        "turn = []",
        "cycle = []",
        "gpm = gallon / minute",
        "lpm = liter / minute",
    ):
        units.define(counted)
    return units


def bad_value(wrong: str, right: str) -> PydanticCustomError:
    """What a validator raises: what is wrong, and how to fix it."""
    return PydanticCustomError("bad_value", "{wrong}; {right}", {"wrong": wrong, "right": right})


# Pint works out whatever looks like arithmetic, so only this much of it gets there: up to four
# names, each with a power from 1 to 3 or so.
_NAME = r"[^\W\d_][\w]*|%"
_TERM = rf"(?:{_NAME})(?:\s?(?:\^|\*\*)\s?-?[1-3])?"
_UNIT = re.compile(rf"(?:1|{_TERM})(?:\s?[*/]\s?(?:{_TERM})){{0,3}}")
_MARKS = {"²": "^2", "³": "^3", "·": "*", "µ": "u", "μ": "u", " per ": "/", "″": '"', "”": '"'}
# What a shop writes, in small letters, and pint's name for it.
_WORDS = {
    '"': "inch", "in": "inch", "in.": "inch", "inch": "inch", "inches": "inch",
    "thou": "thou", "thous": "thou", "mil": "thou", "mils": "thou",
    "psi": "psi", "psig": "psi", "kpsi": "kpsi", "ksi": "kpsi", "kpsig": "kpsi",
    "bar": "bar", "barg": "bar", "kbar": "kbar", "mpa": "MPa", "kpa": "kPa",
    "hp": "horsepower", "bhp": "horsepower", "kw": "kW",
    "rpm": "revolution/minute", "spm": "stroke/minute", "hz": "Hz",
    "gpm": "gallon/minute", "lpm": "liter/minute",
    "cc": "cm^3", "cm3": "cm^3", "mm3": "mm^3", "in3": "inch^3", "cu in": "inch^3",
    "cu. in.": "inch^3", "cu.in.": "inch^3", "cubic inch": "inch^3", "cubic inches": "inch^3",
    "sec": "second", "secs": "second", "min": "minute", "mins": "minute", "hr": "hour",
    "hrs": "hour", "mm": "mm", "cm": "cm",
}  # fmt: skip
_DEGREES = {"c": "degC", "f": "degF", "°c": "degC", "°f": "degF", "deg c": "degC", "deg f": "degF",
            "degc": "degC", "degf": "degF"}  # fmt: skip
_OF_THE_US = ("psi", "kpsi", "inch", "thou", "horsepower", "gallon", "degF")


@cache
def _unit(text: str) -> pint.Unit | None:
    """The unit that `text` names, or None; on nonsense pint raises all sorts of errors."""
    if text and not _UNIT.fullmatch(text):
        return None
    try:
        return _units().Unit(text)
    except Exception:
        return None


def _named(unit: str, si: str) -> str:
    """Pint's text for what a shop may have written, such as `"` or "HP"."""
    for mark, name in _MARKS.items():
        unit = unit.replace(mark, name)
    small = unit.strip().lower()
    if si == "K" and small in _DEGREES:
        return _DEGREES[small]
    if unit == "mPa":  # a thousandth of a pascal, and not a million
        return unit
    return _WORDS.get(small, unit)


def conversion(unit: str, si: str) -> tuple[float, float]:
    """Factor and offset that take a value in `unit` to the unit `si`: SI = value * factor + offset.

    Raises ValueError if there is no such unit, or it is one of something else.
    """
    named = _unit(_named(unit, si))
    if named is None:
        raise ValueError(f"{unit!r} is not a unit")
    if not named.is_compatible_with(si):
        raise ValueError(f"{unit!r} is a unit of something else")
    make = _units().Quantity
    try:
        # a difference, so that degF gets exactly 5/9 and not a rounded one
        difference = make(1.0, named) - make(0.0, named)
        factor = float(difference.to("delta_degC" if si == "K" else si).m)
        offset = float(make(0.0, named).to(si).m)
    except Exception:  # pint's logarithmic units, dBm for one, are compatible but not linear
        raise ValueError(f"{unit!r} can't be used as a unit here") from None
    return factor, offset


def is_flow(unit: str) -> bool:
    """Whether `unit` is one of volume by time, as a flow meter has it."""
    named = _unit(unit)
    return named is not None and named.is_compatible_with("m^3/s")


@dataclass(frozen=True)
class Unit:
    """Makes a field take text such as "60 kpsi" and hold SI; `si` is "" for a bare number.

    `low` and `high` bound the value in SI, `examples` are for the messages.
    """

    si: str
    low: float
    high: float
    examples: str

    def __call__(self, value: Any) -> float:
        """`value` in SI, or a validation error that says how to fix it."""
        right = f"give a value such as {self.examples}"
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise bad_value(f"{value!r} is not a quantity", right)
        readings, unit = split_quantity(str(value))
        if not readings:
            raise bad_value(f"{value!r} is not a number with a unit", right)
        if not unit and self.si:
            two = f" and can be read as {_both(readings)}" if len(readings) > 1 else ""
            raise bad_value(f"{value!r} has no unit{two}", right)
        try:
            factor, offset = conversion(unit, self.si)
        except ValueError as error:
            raise bad_value(str(error), right) from None
        possible = [r for r in readings if self.low <= r * factor + offset <= self.high]
        if len(possible) > 1 and not _named(unit, self.si).startswith(_OF_THE_US):
            plain = (f'"{reading:.15g} {unit}"'.replace(' "', '"') for reading in possible)
            raise bad_value(
                f"{value!r} can be read as {_both(possible)}", f"write {' or '.join(plain)}"
            )
        if not possible:
            low, high = ((limit - offset) / factor for limit in (self.low, self.high))
            limits = f"{low:.6g} to {high:.6g} {unit}".rstrip()
            raise bad_value(f"{value!r} is out of range", f"it must be within {limits}; {right}")
        return possible[0] * factor + offset

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """For pydantic: validate by calling this."""
        return core_schema.no_info_plain_validator_function(self)


def _both(readings: list[float]) -> str:
    return " or ".join(f"{reading:.15g}" for reading in readings)


MM = 1e-3  # m


INCH = 0.0254  # m


MPA = 1e6  # Pa


PSI = 6894.757  # Pa


PER_MINUTE = 1.0 / 60.0  # Hz

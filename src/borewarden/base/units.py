"""Quantities with units, converted once, at the edge, with pint."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Any

import pint
from pydantic_core import CoreSchema, PydanticCustomError, core_schema


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
    ):
        units.define(counted)
    return units


def bad_value(wrong: str, right: str) -> PydanticCustomError:
    """What a validator raises: what is wrong, and how to fix it."""
    return PydanticCustomError("bad_value", "{wrong}; {right}", {"wrong": wrong, "right": right})


# what may stand for a unit: names with one digit as power, joined by / and * or a blank. To pint
# any sum is a unit, and some would take for ever: in**9**9**9
_FACTOR = r"(?:[^\W\d_]\w*|%|°[CF]?)(?:\s*(?:\^|\*\*)\s*[-+]?\d)?"
_GRAMMAR = re.compile(rf"\s*(?:1(?=\s*/)|{_FACTOR})(?:\s*[*/·]\s*{_FACTOR}|\s+{_FACTOR})*\s*")
LONGEST_UNIT = 40  # characters


def _unit(text: str) -> pint.Unit | None:
    """The unit that `text` names, or None; on nonsense pint raises all sorts of errors."""
    if text and (len(text) > LONGEST_UNIT or not _GRAMMAR.fullmatch(text)):
        return None
    try:
        return _units().Unit(text)
    except Exception:
        return None


def conversion(unit: str, si: str) -> tuple[float, float]:
    """Factor and offset that take a value in `unit` to the unit `si`: SI = value * factor + offset.

    Raises ValueError if there is no such unit, or it is one of something else.
    """
    named = _unit(unit)
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


_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S.*?)?\s*")


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
        match = _NUMBER.fullmatch(str(value))
        if match is None:
            raise bad_value(f"{value!r} is not a number with a unit", right)
        unit = match[2] or ""
        if not unit and self.si:
            raise bad_value(f"{value!r} has no unit", right)
        try:
            factor, offset = conversion(unit, self.si)
        except ValueError as error:
            raise bad_value(str(error), right) from None
        converted = float(match[1]) * factor + offset
        if not self.low <= converted <= self.high:
            limits = f"{self.low:.6g} to {self.high:.6g} {self.si}".rstrip()
            raise bad_value(f"{value!r} is out of range", f"it must be within {limits}; {right}")
        return converted

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """For pydantic: validate by calling this."""
        return core_schema.no_info_plain_validator_function(self)


MM = 1e-3  # m


INCH = 0.0254  # m


MPA = 1e6  # Pa


PSI = 6894.757  # Pa


PER_MINUTE = 1.0 / 60.0  # Hz

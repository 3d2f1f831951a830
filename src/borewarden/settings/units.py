"""Quantities with units, converted once, and the types of the fields that hold them."""

from __future__ import annotations

import difflib
import re
import zoneinfo
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any

import pint
from pydantic import AfterValidator, Field
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS


@cache
def _units() -> pint.UnitRegistry[Any]:
    units: pint.UnitRegistry[Any] = pint.UnitRegistry(
        autoconvert_offset_to_baseunit=True, on_redefinition="ignore"
    )
    # Pint takes a turn for 2 pi rad, which would make 60 rpm 6.28 /s; here they are counts.
    for counted in (
        "stroke = [] = _ = strokes",
        "revolution = [] = rev",
        "turn = []",
        "cycle = []",
    ):
        units.define(counted)
    return units


def _wrong(wrong: str, right: str) -> PydanticCustomError:
    return PydanticCustomError("bad_value", "{wrong}; {right}", {"wrong": wrong, "right": right})


def _unit(text: str) -> pint.Unit | None:
    """The unit that `text` names, or None; pint raises all sorts of things on nonsense."""
    try:
        return _units().Unit(text)
    except Exception:
        return None


def conversion(unit: str, si: str) -> tuple[float, float]:
    """Factor and offset that take a value in `unit` to the unit `si`: SI = value * factor + offset.

    Raises ValueError if there is no such unit or it measures something else.
    """
    named = _unit(unit)
    if named is None:
        raise ValueError(f"{unit!r} is no unit")
    if not named.is_compatible_with(si):
        raise ValueError(f"{unit!r} measures something else")
    make = _units().Quantity
    try:
        # a difference, so that degF gets 5/9 and not what is left of two large numbers
        difference = make(1.0, named) - make(0.0, named)
        factor = float(difference.to("delta_degC" if si == "K" else si).m)
        offset = float(make(0.0, named).to(si).m)
    except Exception:  # pint's logarithmic units, dBm for one, are compatible but not linear
        raise ValueError(f"{unit!r} is no unit that can be used here") from None
    return factor, offset


_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S.*?)?\s*")


@dataclass(frozen=True)
class Unit:
    """Makes a field take text such as "60 kpsi" and hold SI; `si` is "" where dimensionless.

    `low` and `high` bound the value in SI, `examples` are for the messages.
    """

    si: str
    low: float
    high: float
    examples: str

    def __call__(self, value: Any) -> float:
        """`value` in SI, or a validation error that says what would be right."""
        right = f"give a value such as {self.examples}"
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise _wrong(f"{value!r} is no quantity", right)
        match = _NUMBER.fullmatch(str(value))
        if match is None:
            raise _wrong(f"{value!r} is no number with a unit", right)
        unit = match[2] or ""
        if not unit and self.si:
            raise _wrong(f"{value!r} has no unit", right)
        try:
            factor, offset = conversion(unit, self.si)
        except ValueError as error:
            raise _wrong(str(error), right) from None
        converted = float(match[1]) * factor + offset
        if not self.low <= converted <= self.high:
            limits = f"{self.low:.4g} to {self.high:.4g} {self.si}".rstrip()
            raise _wrong(f"{value!r} is out of range", f"it has to lie within {limits}; {right}")
        return converted

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """For pydantic: validate by calling this."""
        return core_schema.no_info_plain_validator_function(self)


Pressure = Annotated[float, Unit("Pa", 1e5, 1.2e9, '"400 MPa", "60 kpsi" or "4000 bar"')]
RatedPressure = Annotated[float, Unit("Pa", 5e7, 1.2e9, '"400 MPa" or "60 kpsi"')]
Power = Annotated[float, Unit("W", 500.0, 1e6, '"37 kW" or "50 hp"')]
Bore = Annotated[float, Unit("m", 5e-5, 1e-3, '"0.010 in" or "0.25 mm"')]
Diameter = Annotated[float, Unit("m", 3e-3, 0.1, '"22 mm" or "0.875 in"')]
Travel = Annotated[float, Unit("m", 5e-3, 2.0, '"200 mm" or "7.5 in"')]
Volume = Annotated[float, Unit("m^3", 0.0, 1e-3, '"8 cm^3" or "0.5 in^3"')]
StrokeRate = Annotated[float, Unit("Hz", 0.01, 50.0, '"60 strokes/min" or "1 Hz"')]
CrankSpeed = Annotated[float, Unit("Hz", 0.1, 100.0, '"275 rpm" or "4.6 Hz"')]
RateStep = Annotated[float, Unit("Hz", 0.0, 10.0, '"0.1 strokes/min" or "1 rpm"')]
Temperature = Annotated[float, Unit("K", 272.0, 335.0, '"20 degC" or "68 degF"')]
Time = Annotated[float, Unit("s", 0.05, 86400.0, '"20 s" or "2 min"')]
JetTime = Annotated[float, Unit("hour", 0.0, 1e5, '"50 h"')]
WatchTime = Annotated[float, Unit("hour", 0.1, 1e6, '"1000 h"')]
Share = Annotated[float, Unit("", 1e-6, 1.0, '"8 %" or 0.08')]
Efficiency = Annotated[float, Unit("", 0.3, 1.0, '"97 %" or 0.97')]
Ratio = Annotated[float, Unit("", 2.0, 100.0, "20")]
DriveRatio = Annotated[float, Unit("", 0.01, 2.0, "0.2")]
Coefficient = Annotated[float, Unit("", 0.3, 1.0, "0.65")]


def _unit_of(si: str, examples: str) -> AfterValidator:
    """A text field that has to name a unit compatible with `si`."""

    def check(unit: str) -> str:
        try:
            conversion(unit, si)
        except ValueError as error:
            raise _wrong(str(error), f"give a unit such as {examples}") from None
        return unit

    return AfterValidator(check)


def _one_of(known: Callable[[], Iterable[str]], what: str) -> AfterValidator:
    """A text field that has to be one of the `known` names."""

    def check(name: str) -> str:
        names = sorted(known())
        if name in names:
            return name
        near = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
        right = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(names[:8])}"
        raise _wrong(f"{name!r} is no known {what}", right)

    return AfterValidator(check)


PressureUnit = Annotated[str, _unit_of("Pa", '"bar", "MPa" or "psi"')]
RateUnit = Annotated[str, _unit_of("Hz", '"strokes/min", "rpm" or "Hz"')]
TemperatureUnit = Annotated[str, _unit_of("K", '"degC" or "degF"')]
SpeedUnit = Annotated[str, _unit_of("Hz", '"rpm" or "Hz"')]
TorqueUnit = Annotated[str, _unit_of("dimensionless", '"percent"')]
TimeUnit = Annotated[str, _unit_of("s", '"s" or "ms"')]
TimeZone = Annotated[str, _one_of(zoneinfo.available_timezones, "time zone")]
Material = Annotated[str, _one_of(lambda: DISCHARGE_COEFFICIENTS, "material")]
Name = Annotated[str, Field(min_length=1)]

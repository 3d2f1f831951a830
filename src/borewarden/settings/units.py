"""Quantities with units, converted once, and the field types that hold them."""

from __future__ import annotations

import codecs
import datetime as dt
import difflib
import re
import zoneinfo
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Annotated, Any

from pydantic import AfterValidator, Field
from pydantic_core import CoreSchema, core_schema

from borewarden.base.shown import NAMED, UNITS
from borewarden.base.text import known_name
from borewarden.base.units import Unit, bad_value, conversion, is_flow
from borewarden.collect.layout import SEPARATORS, SINCE
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS


class UnitChoice:
    """Makes a setting take "metric", "US", or a table of units by quantity, and hold the latter."""

    def __call__(self, value: Any) -> dict[str, str] | None:
        """The unit of each quantity that was chosen, None if none was, or a validation error."""
        if value is None:
            return None
        right = 'give "metric", "US", or units by quantity, such as { pressure = "psi" }'
        if isinstance(value, str) and value.lower() in NAMED:
            return dict(NAMED[value.lower()])
        if not isinstance(value, Mapping) or not value:
            raise bad_value(f"{value!r} is not a choice of units", right)
        for quantity, unit in value.items():
            if quantity not in UNITS:
                raise bad_value(f"{quantity!r} is not a quantity", f"give {', '.join(UNITS)}")
            if unit not in UNITS[quantity]:
                allowed = ", ".join(UNITS[quantity])
                raise bad_value(f"{unit!r} is not a unit of {quantity} here", f"give {allowed}")
        return dict(value)

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """For pydantic: validate by calling this."""
        return core_schema.no_info_plain_validator_function(self)


ShownUnits = Annotated[str | dict[str, str] | None, UnitChoice()]
Pressure = Annotated[float, Unit("Pa", 1e5, 1.2e9, '"400 MPa", "60 kpsi" or "4000 bar"')]
RatedPressure = Annotated[float, Unit("Pa", 5e7, 1.2e9, '"400 MPa" or "60 kpsi"')]
Power = Annotated[float, Unit("W", 500.0, 1e6, '"37 kW" or "50 hp"')]
Bore = Annotated[float, Unit("m", 5e-5, 1e-3, '"0.010 in" or "0.25 mm"')]
Diameter = Annotated[float, Unit("m", 3e-3, 0.1, '"22 mm" or "0.875 in"')]
Travel = Annotated[float, Unit("m", 5e-3, 2.0, '"200 mm" or "7.5 in"')]
Volume = Annotated[float, Unit("m^3", 0.0, 1e-3, '"8 cm^3" or "0.5 in^3"')]
StoredVolume = Annotated[float, Unit("m^3", 0.0, 0.02, '"2 l" or "120 in^3"')]
StrokeRate = Annotated[float, Unit("Hz", 0.01, 50.0, '"60 strokes/min" or "1 Hz"')]
CrankSpeed = Annotated[float, Unit("Hz", 0.1, 100.0, '"275 rpm" or "4.6 Hz"')]
RateStep = Annotated[float, Unit("Hz", 0.0, 10.0, '"0.1 strokes/min" or "1 rpm"')]
Temperature = Annotated[float, Unit("K", 272.0, 335.0, '"20 degC" or "68 degF"')]
Time = Annotated[float, Unit("s", 0.05, 86400.0, '"20 s" or "2 min"')]
ClockTolerance = Annotated[float, Unit("s", 1.0, 3600.0, '"5 s" or "2 min"')]
JetTime = Annotated[float, Unit("hour", 0.0, 1e5, '"50 h"')]
WatchTime = Annotated[float, Unit("hour", 0.1, 1e6, '"1000 h"')]
Share = Annotated[float, Unit("", 1e-6, 1.0, '"8 %" or 0.08')]
Efficiency = Annotated[float, Unit("", 0.3, 1.0, '"97 %" or 0.97')]
Ratio = Annotated[float, Unit("", 2.0, 100.0, "20")]
DriveRatio = Annotated[float, Unit("", 0.01, 2.0, "0.2")]
Coefficient = Annotated[float, Unit("", 0.3, 1.0, "0.65")]


TIME_FORM = re.compile(r"(?:%[aAbBdfHIjmMpSyYzZ%]|[^%])+")


def _unit_of(si: str, examples: str) -> AfterValidator:
    """A text field that must name a unit compatible with `si`."""

    def check(unit: str) -> str:
        try:
            conversion(unit, si)
        except ValueError as error:
            raise bad_value(str(error), f"give a unit such as {examples}") from None
        return unit

    return AfterValidator(check)


def _one_of(known: Callable[[], Iterable[str]], what: str) -> AfterValidator:
    """A text field that must be one of the `known` names."""

    def check(name: str) -> str:
        names = sorted(known())
        if found := known_name(name, names):
            return found
        # of time zones suggest only places, or CEST would become EST
        places = [name for name in names if "/" in name] or names
        near = difflib.get_close_matches(name, places, n=1, cutoff=0.5)
        near = near or _places_like(name, places)
        meant = " or ".join(map(repr, near))
        right = f"did you mean {meant}?" if near else f"known: {', '.join(places[:8])}"
        raise bad_value(f"{name!r} is not a known {what}", right)

    return AfterValidator(check)


def _places_like(name: str, places: Iterable[str]) -> list[str]:
    """Those whose town is spelt most like `name`, two at most: Wien is near Europe/Vienna."""
    towns = {place.rpartition("/")[2].lower(): place for place in places}
    town = name.rpartition("/")[2].lower().replace(" ", "_")
    return [towns[each] for each in difflib.get_close_matches(town, towns, n=2, cutoff=0.6)]


def _rate_unit(unit: str) -> str:
    """A unit of rate, or of the flow that a meter in the feed line shows."""
    if not is_flow(unit):
        try:
            conversion(unit, "Hz")
        except ValueError as error:
            right = 'give a unit such as "strokes/min", "rpm" or "Hz", of a flow meter "l/min"'
            raise bad_value(str(error), right) from None
    return unit


def _encoding(name: str) -> str:
    try:
        codecs.lookup(name)
    except LookupError:
        right = 'give one such as "utf-8", "utf-16" or "cp1252"'
        raise bad_value(f"{name!r} is not a known encoding", right) from None
    return name


def _separator(sign: str) -> str:
    if sign in SEPARATORS or (len(sign) == 1 and not sign.isalnum() and sign not in '"\r\n'):
        return sign
    raise bad_value(f"{sign!r} separates nothing", 'give one sign, or "tab" or "blanks"')


def _time_form(form: str) -> str:
    if SINCE.fullmatch(form) or form == "":
        return form
    if "%" not in form or not TIME_FORM.fullmatch(form):
        raise bad_value(
            f"{form!r} is not a form of time",
            'give one such as "%d.%m.%Y %H:%M:%S", "ms since 1970" or "s since start"',
        )
    return form


PressureUnit = Annotated[str, _unit_of("Pa", '"bar", "MPa" or "psi"')]
RateUnit = Annotated[str, AfterValidator(_rate_unit)]
TemperatureUnit = Annotated[str, _unit_of("K", '"degC" or "degF"')]
SpeedUnit = Annotated[str, _unit_of("Hz", '"rpm" or "Hz"')]
TorqueUnit = Annotated[str, _unit_of("dimensionless", '"percent"')]
Day = Annotated[dt.date, Field()]
Encoding = Annotated[str, AfterValidator(_encoding)]
Separator = Annotated[str, AfterValidator(_separator)]
TimeForm = Annotated[str, AfterValidator(_time_form)]
TimeUnit = Annotated[str, _unit_of("s", '"s" or "ms"')]
TimeZone = Annotated[str, _one_of(cache(zoneinfo.available_timezones), "time zone")]
Material = Annotated[str, _one_of(lambda: DISCHARGE_COEFFICIENTS, "material")]
Name = Annotated[str, Field(min_length=1)]

LONGEST_LABEL = 80  # characters of a name that people read


def _label(name: str) -> str:
    if not name.isprintable() or len(name) > LONGEST_LABEL or not name.strip():
        raise bad_value(
            f"{name[:LONGEST_LABEL]!r} can't be read as a name",
            f"give one of {LONGEST_LABEL} printable characters at most",
        )
    return name


READABLE = AfterValidator(_label)
Label = Annotated[Name, READABLE]

"""The machine file: TOML with units in, SI objects of the model out.

Every dimensional figure is text with its unit ("60 kpsi") and is converted once, here. Values of
the environment, `BOREWARDEN_` + path joined by `__` (BOREWARDEN_PUMP__STROKE="210 mm"), beat the
file. Whatever is wrong is a `BadInput` that names the field and what would be right.
"""

from __future__ import annotations

import difflib
import math
import os
import re
import tomllib
import zoneinfo
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

import pint
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import CoreSchema, ErrorDetails, PydanticCustomError, core_schema
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    SettingsError,
)

from borewarden.collect import BadInput
from borewarden.collect.logged import Channel, LogFormat, local_ns
from borewarden.model.baseline import Jewel, stated_area
from borewarden.model.bore import WatchSettings
from borewarden.model.gate import GateSettings
from borewarden.physics.orifice import (
    DISCHARGE_COEFFICIENTS,
    STOCK_BORES_INCH,
    bore_area,
    hydraulic_power,
    jet_speed,
)
from borewarden.physics.pump import DirectDrive, Intensifier, Pump, event_rate

ENV_PREFIX = "BOREWARDEN_"
INCH = 0.0254  # m, exact
REFERENCE_TEMPERATURE = 293.15  # K, water for the check whether the pump feeds the bore


# -- quantities


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
TimeZone = Annotated[str, _one_of(zoneinfo.available_timezones, "time zone")]
Material = Annotated[str, _one_of(lambda: DISCHARGE_COEFFICIENTS, "material")]
Name = Annotated[str, Field(min_length=1)]


# -- the sections of the file


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    def given(self) -> dict[str, Any]:
        """Only what was stated."""
        return self.model_dump(exclude_none=True, exclude_unset=True)


class IntensifierPump(_Section):
    """[pump] of a hydraulic intensifier; SI. See `physics.pump.Intensifier`."""

    kind: Literal["intensifier"]
    rated_pressure: RatedPressure
    rated_power: Power
    plunger_diameter: Diameter
    stroke: Travel
    dead_volume: Volume
    max_stroke_rate: StrokeRate
    intensification_ratio: Ratio
    volumetric_efficiency: Efficiency = 1.0

    def build(self) -> Intensifier:
        """The physics of it."""
        return Intensifier(**self.model_dump(exclude={"kind"}))


class DirectDrivePump(_Section):
    """[pump] of a crank pump; SI. See `physics.pump.DirectDrive`."""

    kind: Literal["direct drive"]
    rated_pressure: RatedPressure
    rated_power: Power
    plungers: int = Field(ge=1, le=12)
    plunger_diameter: Diameter
    stroke: Travel
    dead_volume: Volume
    crank_speed: CrankSpeed
    volumetric_efficiency: Efficiency = 0.95
    regulation: Literal["none", "speed", "bypass"] = "none"

    def build(self) -> DirectDrive:
        """The physics of it."""
        return DirectDrive(**self.model_dump(exclude={"kind"}))


class PressureColumn(_Section):
    """[log.pressure]."""

    column: Name
    unit: PressureUnit


class RateColumn(_Section):
    """[log.rate]: stroke rate or crank speed."""

    column: Name
    unit: RateUnit = "strokes/min"
    strokes_per_count: float = Field(default=1.0, gt=0.0, le=1000.0)


class CountColumn(_Section):
    """[log.stroke_count]: a counter of strokes, or of turns of a crank."""

    column: Name
    strokes_per_count: float = Field(default=1.0, gt=0.0, le=1000.0)


class TemperatureColumn(_Section):
    """[log.temperature] of the water."""

    column: Name
    unit: TemperatureUnit


class ValveColumn(_Section):
    """[log.valve]: 1 or true where the jet is commanded on."""

    column: Name


class Log(_Section):
    """[log]: which columns hold what; `rate_resolution` in Hz."""

    time: Name
    pressure: PressureColumn
    rate: RateColumn | None = None
    stroke_count: CountColumn | None = None
    temperature: TemperatureColumn | None = None
    valve: ValveColumn | None = None
    rate_resolution: RateStep = 0.0


class GateOverrides(_Section):
    """[gate]: what to set otherwise than `model.gate.GateSettings` does; SI."""

    working_pressure: Pressure | None = None
    stopped_pressure: Pressure | None = None
    max_pressure: Pressure | None = None
    bypass_pressure: Pressure | None = None
    default_temperature: Temperature | None = None
    batch_time: Time | None = None
    longest_pause: Time | None = None
    settle_time: Time | None = None
    hold_time: Time | None = None
    max_gap: Time | None = None
    steady_band: Share | None = None
    fast_time: Time | None = None
    slow_time: Time | None = None
    jet_on_fraction: Share | None = None
    stuck_time: Time | None = None


class WatchOverrides(_Section):
    """[watch]: what to set otherwise than `model.bore.WatchSettings` does.

    `false_alarm_time` and `jewel_life` in h, `baseline_time` in s.
    """

    smallest_step: Share | None = None
    limit: Share | None = None
    wear_notice: Share | None = None
    false_alarm_time: WatchTime | None = None
    jewel_life: WatchTime | None = None
    second_head_step: Share | None = None
    flow_uncertainty: Share | None = None
    level_uncertainty: Share | None = None
    noise_floor: Share | None = None
    baseline_time: Time | None = None


class FittedJewel(_Section):
    """One [[jewel]]: `bore` in m, `jet_hours` in h, `fitted` local where it has no offset."""

    fitted: datetime
    bore: Bore
    material: Material
    head: Annotated[str, Field(min_length=1, coerce_numbers_to_str=True)] = "1"
    discharge_coefficient: Coefficient | None = None
    jet_hours: JetTime = 0.0


class MachineSettings(BaseSettings):
    """One machine: what pump, what its log looks like, which jewels are fitted when."""

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, env_prefix=ENV_PREFIX, env_nested_delimiter="__"
    )

    name: Name
    time_zone: TimeZone
    pump: IntensifierPump | DirectDrivePump = Field(discriminator="kind")
    log: Log
    gate: GateOverrides = GateOverrides()
    watch: WatchOverrides = WatchOverrides()
    jewel: list[FittedJewel] = Field(min_length=1)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment beats the file, which `load_machine` hands in as the init values."""
        return env_settings, init_settings

    def build_pump(self) -> Pump:
        """The pump, SI."""
        return self.pump.build()

    def jewels(self) -> list[Jewel]:
        """The jewels in the order of the file; `load_machine` made sure that the times exist."""
        return [
            Jewel(
                bore=jewel.bore,
                material=jewel.material,
                fitted_ns=local_ns(jewel.fitted, self.time_zone),
                head=jewel.head,
                discharge_coefficient=jewel.discharge_coefficient,
                jet_hours=jewel.jet_hours,
            )
            for jewel in self.jewel
        ]

    def gate_settings(self) -> GateSettings:
        """What the gate needs to know, SI; `nominal_area` is that of the newest jewel a head."""
        pump = self.build_pump()
        rated = pump.rated_pressure
        spills = isinstance(pump, DirectDrive) and pump.regulation == "bypass"
        newest = {j.head: j for j in sorted(self.jewels(), key=lambda jewel: jewel.fitted_ns)}
        settings = GateSettings(
            nominal_area=stated_area(list(newest.values())),
            max_rate=pump.max_rate,
            max_pressure=1.3 * rated,
            working_pressure=0.6 * rated,
            stopped_pressure=0.05 * rated,
            uses_counter=self.log.stroke_count is not None,
            flow_shows_jet=isinstance(pump, Intensifier),
            bypass_pressure=0.99 * rated if spills else math.inf,
            rate_resolution=self.log.rate_resolution,
        )
        return settings._replace(**self.gate.given())

    def watch_settings(self) -> WatchSettings:
        """Thresholds of the verdict."""
        given = self.watch.given()
        hours = {"false_alarm_time": "false_alarm_hours", "jewel_life": "jewel_life_hours"}
        for stated, name in hours.items():
            if stated in given:
                given[name] = given.pop(stated)
        return WatchSettings(**given)

    def log_format(self) -> LogFormat:
        """How to read a log of this machine."""
        pump = self.build_pump()
        rated = pump.rated_pressure
        log = self.log
        factor, offset = conversion(log.pressure.unit, "Pa")
        channels = {
            "pressure": Channel(
                log.pressure.column, log.pressure.unit, factor, offset, -0.25 * rated, 1.25 * rated
            )
        }
        if log.rate:
            factor = conversion(log.rate.unit, "Hz")[0] * log.rate.strokes_per_count
            # a rate worked out from single strokes overshoots for moments, a crank's does not
            most = (3.0 if isinstance(pump, Intensifier) else 1.5) * pump.max_rate
            channels["rate"] = Channel(log.rate.column, log.rate.unit, factor, 0.0, 0.0, most)
        if log.stroke_count:
            per_count = log.stroke_count.strokes_per_count
            channels["stroke_count"] = Channel(
                log.stroke_count.column, "counts", per_count, 0.0, 0.0, math.inf
            )
        if log.temperature:
            factor, offset = conversion(log.temperature.unit, "K")
            channels["temperature"] = Channel(
                log.temperature.column, log.temperature.unit, factor, offset, 272.0, 335.0
            )
        if log.valve:
            channels["valve"] = Channel(log.valve.column, "0 or 1", 1.0, 0.0, 0.0, 1.0)
        turns_alike = isinstance(pump, DirectDrive) and not log.rate and not log.stroke_count
        return LogFormat(
            time_column=log.time,
            time_zone=self.time_zone,
            channels=channels,
            constant_rate=pump.max_rate if turns_alike else None,
            rated_pressure=rated,
        )


# -- reading it


def load_machine(path: Path | str) -> MachineSettings:
    """The machine described by the TOML file at `path`, overridden by the environment.

    Raises BadInput: no such file, broken TOML, a field that is unknown, missing or out of range,
    parts that do not fit one another, or a bore that the pump can't feed.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise BadInput(
            path, "file", "there is no such file", "give a machine's TOML file"
        ) from None
    except OSError as error:
        reason = error.strerror or "can't be read"
        raise BadInput(path, "file", reason, "give a machine file") from None
    except UnicodeDecodeError as error:
        raise BadInput(
            path, f"byte {error.start + 1}", "isn't UTF-8 text", "save it as UTF-8"
        ) from None
    except (ValueError, RecursionError) as error:
        line = re.search(r"line (\d+)", str(error))
        raise BadInput(
            path,
            f"line {line[1]}" if line else "end of file",
            f"broken TOML: {error}",
            "write it as in the machine files under config/",
        ) from None
    try:
        settings = MachineSettings(**data)
    except ValidationError as error:
        raise _first_mistake(path, error) from None
    except SettingsError as error:
        raise BadInput(
            "environment",
            f"{ENV_PREFIX}*",
            str(error),
            f"set single fields, such as {ENV_PREFIX}PUMP__STROKE",
        ) from None
    _check_together(path, settings)
    return settings


_SECTIONS: dict[str, type[BaseModel]] = {
    "": MachineSettings,
    "intensifier": IntensifierPump,
    "direct drive": DirectDrivePump,
    "log": Log,
    "pressure": PressureColumn,
    "rate": RateColumn,
    "stroke_count": CountColumn,
    "temperature": TemperatureColumn,
    "valve": ValveColumn,
    "gate": GateOverrides,
    "watch": WatchOverrides,
    "jewel": FittedJewel,
}


def _first_mistake(path: Path, error: ValidationError) -> BadInput:
    # a misspelt name makes two mistakes, and only the unknown one says what to do
    mistakes = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    mistake = mistakes[0]
    where = _field_path(mistake["loc"])
    variable = ENV_PREFIX + where.upper().replace(".", "__")
    if any(name.upper() == variable for name in os.environ):
        where += f" (from {variable})"
    wrong, right = _explain(mistake)
    return BadInput(path, where, wrong, right)


def _field_path(loc: tuple[int | str, ...]) -> str:
    """Such as 'pump.stroke' or 'jewel[2].bore', counted from one; without pydantic's union tags."""
    path = ""
    for i, part in enumerate(loc):
        if isinstance(part, int):
            path += f"[{part + 1}]"
        elif not (i == 1 and loc[0] == "pump" and part in ("intensifier", "direct drive")):
            path += f".{part}" if path else part
    return path


def _section_of(loc: tuple[int | str, ...]) -> type[BaseModel] | None:
    names = [part for part in loc[:-1] if isinstance(part, str)]
    return _SECTIONS.get(names[-1] if names else "")


def _explain(mistake: ErrorDetails) -> tuple[str, str]:
    """What is wrong, what would be right."""
    loc = mistake["loc"]
    section = _section_of(loc)
    field = str(loc[-1]) if loc else ""
    context = mistake.get("ctx", {})
    match mistake["type"]:
        case "bad_value":
            return context["wrong"], context["right"]
        case "extra_forbidden":
            names = sorted(section.model_fields) if section else []
            near = difflib.get_close_matches(field, names, n=1, cutoff=0.5)
            right = f"did you mean {near[0]!r}?" if near else f"known here are {', '.join(names)}"
            return "unknown field", right
        case "missing":
            return "is missing", f"state it, such as {field} = {_example(section, field)}"
        case "union_tag_not_found":
            return "pump.kind is missing", 'state kind = "intensifier" or "direct drive"'
        case "union_tag_invalid":
            return (
                f"{context.get('tag')!r} is no kind of pump",
                'kind is "intensifier" or "direct drive"',
            )
        case "literal_error":
            return f"{mistake['input']!r} is not known", f"it is {context.get('expected')}"
        case "too_short":
            return "no jewel is stated", "add a [[jewel]] with fitted, bore and material"
    return f"{mistake['input']!r}: {mistake['msg']}", "see the machine files under config/"


def _example(section: type[BaseModel] | None, field: str) -> str:
    examples = {
        "name": '"North"',
        "time_zone": '"Europe/Vienna"',
        "pump": "a section [pump]",
        "log": "a section [log]",
        "pressure": "a section [log.pressure]",
        "jewel": "a section [[jewel]]",
        "column": '"the column\'s name"',
        "time": '"the column\'s name"',
        "unit": '"degC"' if section is TemperatureColumn else '"bar"',
        "plungers": "3",
        "material": '"ruby"',
        "fitted": "2026-03-02T06:00:00",
    }
    if section and field in section.model_fields:
        for unit in section.model_fields[field].metadata:
            if isinstance(unit, Unit):
                return unit.examples
    return examples.get(field, "in the machine files under config/")


# -- what can only be judged together


def _check_together(path: Path, settings: MachineSettings) -> None:
    pump = settings.build_pump()
    log = settings.log
    if isinstance(pump, Intensifier) and not (log.rate or log.stroke_count):
        raise BadInput(
            path,
            "log",
            "an intensifier's strokes are needed to judge its bore, and none are logged",
            "add [log.stroke_count] or [log.rate]",
        )
    if isinstance(pump, DirectDrive) and pump.regulation == "speed" and not log.rate:
        raise BadInput(
            path,
            "log.rate",
            "the drive trims the crank speed, but the speed is not logged",
            "add [log.rate] with the crank speed",
        )
    for i, jewel in enumerate(settings.jewel):
        try:
            local_ns(jewel.fitted, settings.time_zone)
        except ValueError as error:
            raise BadInput(
                path, f"jewel[{i + 1}].fitted", str(error), "give a time that the clock showed"
            ) from None
    gate = settings.gate_settings()
    limits = (gate.stopped_pressure, gate.working_pressure, gate.max_pressure)
    if not limits[0] < limits[1] < limits[2]:
        found = ", ".join(f"{limit / 1e6:.0f} MPa" for limit in limits)
        raise BadInput(
            path,
            "gate.working_pressure",
            f"stopped, working and highest pressure are {found}",
            "they have to rise in that order",
        )
    _check_bores(path, settings, pump)


def _check_bores(path: Path, settings: MachineSettings, pump: Pump) -> None:
    """Whether the pump feeds every set of jewels that is fitted at one time."""
    working = settings.gate_settings().working_pressure
    jewels = settings.jewels()
    fitted: dict[str, Jewel] = {}
    for i in sorted(range(len(jewels)), key=lambda k: jewels[k].fitted_ns):
        jewel = jewels[i]
        others = stated_area([j for head, j in fitted.items() if head != jewel.head])
        fitted[jewel.head] = jewel
        # heads fitted at the same moment are judged once all of them are there
        wrong = _misfit(pump, others + jewel.nominal_area, working)
        if wrong is None or ("too small" in wrong and _more_come(jewels, i, fitted)):
            continue
        fits = [
            inch
            for inch in STOCK_BORES_INCH
            if not _misfit(
                pump,
                others + float(bore_area(inch * INCH)) * jewel.plausible.typical,
                working,
            )
        ]
        if fits and "too small" in wrong:
            right = f"the smallest stock bore that fits is {fits[0]:.3f} in"
        elif fits:
            right = f"the largest stock bore that fits is {fits[-1]:.3f} in"
        else:
            right = "no stock bore fits; are the figures of [pump] right?"
        raise BadInput(path, f"jewel[{i + 1}].bore", wrong, right)


def _more_come(jewels: list[Jewel], i: int, fitted: dict[str, Jewel]) -> bool:
    return any(j.fitted_ns == jewels[i].fitted_ns and j.head not in fitted for j in jewels)


def _misfit(pump: Pump, area: float, working: float) -> str | None:
    """Why the pump can't feed the effective `area` in m² or is throttled by it; None if it fits."""
    temperature = REFERENCE_TEMPERATURE
    pressure = pump.rated_pressure
    if isinstance(pump, Intensifier):
        rate = float(event_rate(pump.displacement, area, pressure, temperature))
        if not 0.0 < rate <= pump.max_rate:
            return (
                f"the pump can't feed it: at {pressure / 1e6:.0f} MPa it takes "
                f"{60 * rate:.0f} strokes/min, the pump makes {60 * pump.max_rate:.0f}"
            )
    else:
        try:
            reached = float(pump.expected_pressure(area, temperature, pump.crank_speed))
        except ValueError:
            reached = math.inf
        if reached < working:
            return (
                f"the pump can't feed it: at {60 * pump.crank_speed:.0f} rpm it reaches "
                f"{reached / 1e6:.0f} MPa, working pressure is {working / 1e6:.0f} MPa"
            )
        if pump.regulation == "none":
            if reached > 1.3 * pressure:
                return (
                    "it is too small: nothing holds the pressure, which would pass "
                    f"{1.3 * pressure / 1e6:.0f} MPa, 1.3 times what the pump is rated"
                )
            pressure = reached
        pressure = min(pressure, reached)
    power = float(hydraulic_power(pressure, area * jet_speed(pressure, temperature)))
    if power > pump.rated_power:
        return (
            f"the jet takes {power / 1e3:.1f} kW at {pressure / 1e6:.0f} MPa, "
            f"the pump's motor gives {pump.rated_power / 1e3:.1f} kW"
        )
    return None

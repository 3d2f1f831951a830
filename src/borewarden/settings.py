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
from collections.abc import AsyncGenerator, Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Generic, Literal, TypeVar

import pint
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    ValidationError,
)
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
from borewarden.model.watcher import Watcher
from borewarden.physics.orifice import (
    DISCHARGE_COEFFICIENTS,
    STOCK_BORES_INCH,
    bore_area,
    hydraulic_power,
    jet_speed,
)
from borewarden.physics.pump import DirectDrive, Intensifier, Pump, event_rate

if TYPE_CHECKING:  # the protocols' libraries are slow to import, and a replay needs none of them
    from borewarden.collect.link import Received
    from borewarden.collect.live import Source

ENV_PREFIX = "BOREWARDEN_"
Settings = TypeVar("Settings", bound=BaseSettings)
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


# -- the live source


class _Point(_Section):
    """Where one channel is read live: in `unit` it is value * `scale` + `offset`."""

    unit: str | None = None
    scale: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)
    strokes_per_count: float | None = Field(default=None, gt=0.0, le=1000.0)


class RegisterPoint(_Point):
    """[source.pressure] and so on by Modbus. The valve's bit has no `type`."""

    function: Literal[1, 2, 3, 4]
    address: int = Field(ge=0, le=65535)
    type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"] | None = None
    word_order: Literal["big", "little"] | None = None
    byte_order: Literal["big", "little"] | None = None


class NodeOf(_Point):
    """[source.pressure] and so on by OPC UA; `bits` is the width of a counter that wraps."""

    node: Name
    bits: Literal[16, 32] | None = None


class FieldOf(_Point):
    """[source.pressure] and so on by MQTT; `field` is "" where the payload is a bare number."""

    field: str
    topic: Name | None = None
    bits: Literal[16, 32] | None = None


Point = TypeVar("Point", bound=_Point)


class _Source(_Section, Generic[Point]):
    """[source]: what every kind has; `rate_resolution` in Hz."""

    pressure: Point
    rate: Point | None = None
    stroke_count: Point | None = None
    temperature: Point | None = None
    valve: Point | None = None
    rate_resolution: RateStep = 0.0

    def points(self) -> dict[str, Point]:
        """What is read, by the fields of `Samples`."""
        names = ("pressure", "rate", "stroke_count", "temperature", "valve")
        return {name: point for name in names if (point := getattr(self, name)) is not None}


class _Modbus(_Source[RegisterPoint]):
    unit_id: int = Field(default=1, ge=0, le=255)
    interval: Time = 1.0
    timeout: Time = 1.0
    word_order: Literal["big", "little"] = "big"
    byte_order: Literal["big", "little"] = "big"
    read_across: int = Field(default=0, ge=0, le=100)


class ModbusTcp(_Modbus):
    """[source] of kind "modbus tcp"; times in s. See `collect.modbus.ModbusSource`."""

    kind: Literal["modbus tcp"]
    host: Name
    port: int = Field(default=502, ge=1, le=65535)


class ModbusRtu(_Modbus):
    """[source] of kind "modbus rtu"; times in s. See `collect.modbus.ModbusSource`."""

    kind: Literal["modbus rtu"]
    device: Name
    baud_rate: int = Field(default=19200, ge=300, le=4_000_000)
    parity: Literal["none", "even", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1


class OpcUa(_Source[NodeOf]):
    """[source] of kind "opc ua"; times in s. See `collect.opcua.OpcUaSource`.

    `clear_password` lets a password go to a server that has no encryption.
    """

    kind: Literal["opc ua"]
    url: str = Field(pattern=r"^opc\.tcp://[^@/\s]+(/\S*)?$")
    interval: Time = 1.0
    timeout: Time = 4.0
    mode: Literal["subscribe", "poll"] = "subscribe"
    security: Literal["none", "Basic256Sha256"] = "none"
    certificate: Path | None = None
    private_key: Path | None = None
    server_certificate: Path | None = None
    user: Name | None = None
    password: SecretStr | None = None
    user_certificate: Path | None = None
    user_private_key: Path | None = None
    clear_password: bool = False


class Mqtt(_Source[FieldOf]):
    """[source] of kind "mqtt"; times in s. See `collect.mqtt.MqttSource`."""

    kind: Literal["mqtt"]
    host: Name
    port: int = Field(default=1883, ge=1, le=65535)
    topic: Name
    time: Name | None = None
    silence: Time = 30.0
    timeout: Time = 5.0
    user: Name | None = None
    password: SecretStr | None = None
    client_id: Name | None = None
    tls: bool = False
    ca: Path | None = None


_SOURCE_FILES = (
    "certificate",
    "private_key",
    "server_certificate",
    "user_certificate",
    "user_private_key",
    "ca",
)
# SI unit and what is read if no unit is stated
_LIVE_UNITS = {"pressure": ("Pa", None), "rate": ("Hz", "strokes/min"), "temperature": ("K", None)}


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
    """One machine: what pump, its log or live source or both, which jewels are fitted when."""

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, env_prefix=ENV_PREFIX, env_nested_delimiter="__"
    )

    name: Name
    time_zone: TimeZone
    pump: IntensifierPump | DirectDrivePump = Field(discriminator="kind")
    log: Log | None = None
    source: ModbusTcp | ModbusRtu | OpcUa | Mqtt | None = Field(default=None, discriminator="kind")
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

    def build_watcher(self) -> Watcher:
        """A fresh watcher of this machine."""
        return Watcher(
            self.build_pump(), self.gate_settings(), self.jewels(), self.watch_settings()
        )

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
        given = self.log or self.source
        newest = {j.head: j for j in sorted(self.jewels(), key=lambda jewel: jewel.fitted_ns)}
        settings = GateSettings(
            nominal_area=stated_area(list(newest.values())),
            max_rate=pump.max_rate,
            max_pressure=1.3 * rated,
            working_pressure=0.6 * rated,
            stopped_pressure=0.05 * rated,
            uses_counter=given is not None and given.stroke_count is not None,
            flow_shows_jet=isinstance(pump, Intensifier),
            bypass_pressure=0.99 * rated if spills else math.inf,
            rate_resolution=given.rate_resolution if given else 0.0,
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
        """How to read a log of this machine. Raises BadInput if no [log] describes it."""
        log = self.log
        if log is None:
            raise BadInput(
                self.name, "log", "is missing", "add a section [log] to replay logged days"
            )
        channels = {"pressure": self._channel("pressure", log.pressure.column, log.pressure.unit)}
        if log.rate:
            per_count = log.rate.strokes_per_count
            channels["rate"] = self._channel("rate", log.rate.column, log.rate.unit, per_count)
        if log.stroke_count:
            per_count = log.stroke_count.strokes_per_count
            channels["stroke_count"] = self._channel(
                "stroke_count", log.stroke_count.column, None, per_count
            )
        if log.temperature:
            channels["temperature"] = self._channel(
                "temperature", log.temperature.column, log.temperature.unit
            )
        if log.valve:
            channels["valve"] = self._channel("valve", log.valve.column, None)
        return LogFormat(
            time_column=log.time,
            time_zone=self.time_zone,
            channels=channels,
            constant_rate=self._constant_rate(log),
            rated_pressure=self.build_pump().rated_pressure,
        )

    def live_source(self) -> Source | None:
        """What to read live, and how; None if there is no [source]."""
        from borewarden.collect import modbus, mqtt, opcua

        source = self.source
        if source is None:
            return None
        channels = {
            name: self._channel(
                name,
                _place(point),
                point.unit or _LIVE_UNITS.get(name, ("", None))[1],
                point.strokes_per_count or 1.0,
                point.scale,
                point.offset,
            )
            for name, point in source.points().items()
        }
        constant_rate = self._constant_rate(source)
        match source:
            case ModbusTcp() | ModbusRtu():
                base = modbus.ModbusSource(
                    {
                        name: modbus.Register(
                            channels[name],
                            point.function,
                            point.address,
                            point.type or "bit",
                            point.word_order or source.word_order,
                            point.byte_order or source.byte_order,
                        )
                        for name, point in source.points().items()
                    },
                    unit_id=source.unit_id,
                    interval=source.interval,
                    timeout=source.timeout,
                    read_across=source.read_across,
                    constant_rate=constant_rate,
                )
                if isinstance(source, ModbusTcp):
                    return replace(base, host=source.host, port=source.port)
                return replace(
                    base,
                    device=source.device,
                    baud_rate=source.baud_rate,
                    parity=source.parity[0].upper(),
                    stop_bits=source.stop_bits,
                )
            case OpcUa():
                return opcua.OpcUaSource(
                    {
                        name: opcua.NodePoint(channels[name], point.node, point.bits)
                        for name, point in source.points().items()
                    },
                    url=source.url,
                    interval=source.interval,
                    timeout=source.timeout,
                    mode=source.mode,
                    encrypted=source.security != "none",
                    certificate=source.certificate,
                    private_key=source.private_key,
                    server_certificate=source.server_certificate,
                    user=source.user,
                    password=_revealed(source.password),
                    user_certificate=source.user_certificate,
                    user_private_key=source.user_private_key,
                    constant_rate=constant_rate,
                )
            case Mqtt():
                return mqtt.MqttSource(
                    {
                        name: mqtt.JsonField(channels[name], point.field, point.topic, point.bits)
                        for name, point in source.points().items()
                    },
                    topic=source.topic,
                    host=source.host,
                    port=source.port,
                    time_path=source.time,
                    silence=source.silence,
                    timeout=source.timeout,
                    user=source.user,
                    password=_revealed(source.password),
                    client_id=source.client_id,
                    tls=source.tls,
                    ca=source.ca,
                    constant_rate=constant_rate,
                )

    def open_source(self) -> AsyncGenerator[Received, None]:
        """Endless live samples and link states. Raises BadInput if there is no [source]."""
        from borewarden.collect.live import live_samples

        source = self.live_source()
        if source is None:
            raise BadInput(self.name, "source", "is missing", "add a section [source]")
        return live_samples(source)

    def _channel(
        self,
        name: str,
        place: str,
        unit: str | None,
        per_count: float = 1.0,
        scale: float = 1.0,
        offset: float = 0.0,
    ) -> Channel:
        """From the value at `place`, which is scaled and moved into `unit`, to SI."""
        pump = self.build_pump()
        rated = pump.rated_pressure
        match name:
            case "pressure":
                low, high = -0.25 * rated, 1.25 * rated
            case "rate":
                # a rate worked out from single strokes overshoots for moments, a crank's does not
                low, high = 0.0, (3.0 if isinstance(pump, Intensifier) else 1.5) * pump.max_rate
            case "temperature":
                low, high = 272.0, 335.0
            case "valve":
                return Channel(place, "0 or 1", scale, offset, 0.0, 1.0)
            case _:
                return Channel(place, "counts", scale * per_count, offset, 0.0, math.inf)
        assert unit is not None
        factor, zero = conversion(unit, _LIVE_UNITS[name][0])
        if name == "rate":
            factor, zero = factor * per_count, 0.0
        return Channel(place, unit, scale * factor, offset * factor + zero, low, high)

    def _constant_rate(self, given: Log | _Source[Any]) -> float | None:
        """The crank speed in Hz where nothing trims it and nobody reads it."""
        pump = self.build_pump()
        turns_alike = isinstance(pump, DirectDrive) and not given.rate and not given.stroke_count
        return pump.max_rate if turns_alike else None


def _place(point: _Point) -> str:
    """Register, node or field, for messages."""
    match point:
        case RegisterPoint():
            return f"register {point.address}"
        case NodeOf():
            return point.node
        case FieldOf():
            return point.field
    return ""


def _revealed(secret: SecretStr | None) -> str | None:
    return secret.get_secret_value() if secret else None


# -- reading it


def load_machine(path: Path | str) -> MachineSettings:
    """The machine described by the TOML file at `path`, overridden by the environment.

    Raises BadInput: no such file, broken TOML, a field that is unknown, missing or out of range,
    parts that do not fit one another, or a bore that the pump can't feed.
    """
    path = Path(path)
    data = read_toml(path)
    if isinstance(data.get("source"), dict):
        data["source"] = _completed(path, data["source"])
    settings = settings_of(MachineSettings, path, data)
    _check_together(path, settings)
    return settings


def _completed(path: Path, source: dict[str, Any]) -> dict[str, Any]:
    """[source] with its files looked for beside the machine file, and with its password.

    That is in a file named like the machine file in the directory of secrets, config/north.toml:
    north.password; systemd's credentials will do. The environment beats it, as ever.
    """
    if "password" in source:
        raise BadInput(
            path,
            "source.password",
            "a password does not belong in this file",
            f"put it into {ENV_PREFIX}SOURCE__PASSWORD, or into a file {path.stem}.password in "
            f"the directory {ENV_PREFIX}SECRETS_DIR",
        )
    files = {
        name: path.parent / source[name]
        for name in _SOURCE_FILES
        if isinstance(source.get(name), str)
    }
    completed = source | files
    if source.get("user"):
        for variable in (f"{ENV_PREFIX}SECRETS_DIR", "CREDENTIALS_DIRECTORY"):
            secret = Path(os.environ.get(variable, ""), f"{path.stem}.password")
            if os.environ.get(variable) and secret.is_file():
                try:
                    completed["password"] = secret.read_text(encoding="utf-8").strip("\r\n")
                except (OSError, UnicodeDecodeError):
                    raise BadInput(
                        path, "source.password", f"{secret} can't be read", "make it readable"
                    ) from None
                break
    return completed


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of the TOML file at `path`. Raises BadInput for a missing or broken one."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
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


def settings_of(kind: type[Settings], path: Path, data: dict[str, Any]) -> Settings:
    """Settings of `kind` from the tables of the file at `path`. Raises BadInput, see above."""
    try:
        return kind(**data)
    except ValidationError as error:
        raise _first_mistake(path, error) from None
    except SettingsError as error:
        raise BadInput(
            "environment",
            f"{ENV_PREFIX}*",
            str(error),
            f"set single fields, such as {ENV_PREFIX}PUMP__STROKE",
        ) from None


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
_SOURCES: dict[str, tuple[type[BaseModel], type[BaseModel]]] = {
    "modbus tcp": (ModbusTcp, RegisterPoint),
    "modbus rtu": (ModbusRtu, RegisterPoint),
    "opc ua": (OpcUa, NodeOf),
    "mqtt": (Mqtt, FieldOf),
}
_TAGS = {"pump": ("intensifier", "direct drive"), "source": tuple(_SOURCES)}


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
        elif not (i == 1 and part in _TAGS.get(str(loc[0]), ())):
            path += f".{part}" if path else part
    return path


def _section_of(loc: tuple[int | str, ...]) -> type[BaseModel] | None:
    names = [part for part in loc[:-1] if isinstance(part, str)]
    if names[:1] == ["source"]:
        kinds = _SOURCES.get(names[1]) if len(names) > 1 else None
        return kinds[min(len(names), 3) - 2] if kinds else None
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
            near = difflib.get_close_matches(field, names, n=1, cutoff=0.55)
            right = f"did you mean {near[0]!r}?" if near else f"known here are {', '.join(names)}"
            return "unknown field", right
        case "missing":
            return "is missing", f"state it, such as {field} = {_example(section, field)}"
        case "union_tag_not_found":
            kinds = _TAGS[field]
            return f"{field}.kind is missing", f"state kind = {_alternatives(kinds)}"
        case "union_tag_invalid":
            kinds = _TAGS[field]
            near = difflib.get_close_matches(str(context.get("tag")), kinds, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}? " if near and field == "source" else ""
            return (
                f"{context.get('tag')!r} is no kind of {field}",
                f"{hint}kind is {_alternatives(kinds)}",
            )
        case "literal_error":
            return f"{mistake['input']!r} is not known", f"it is {context.get('expected')}"
        case "too_short":
            return "no jewel is stated", "add a [[jewel]] with fitted, bore and material"
        case "string_pattern_mismatch" if field == "url":
            shown = "that" if "@" in mistake["input"] else repr(mistake["input"])
            return (
                f"{shown} is no address of an OPC UA server",
                'give one such as "opc.tcp://192.168.0.10:4840/"; user and password go elsewhere',
            )
    if field in ("password", "source"):  # secrets stay out of messages
        return mistake["msg"], "see the machine files under config/live/"
    return f"{mistake['input']!r}: {mistake['msg']}", "see the machine files under config/"


def _alternatives(names: Iterable[str]) -> str:
    return " or ".join(f'"{name}"' for name in names)


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
        "function": "4",
        "address": "0",
        "host": '"192.168.0.10"',
        "device": '"/dev/ttyUSB0"',
        "url": '"opc.tcp://192.168.0.10:4840/"',
        "node": '"ns=2;s=Pump.Pressure"',
        "field": '"pressure"',
        "topic": '"shop/north/pump"',
    }
    if section and field in section.model_fields:
        for unit in section.model_fields[field].metadata:
            if isinstance(unit, Unit):
                return unit.examples
    return examples.get(field, "in the machine files under config/")


# -- what can only be judged together


def _check_together(path: Path, settings: MachineSettings) -> None:
    pump = settings.build_pump()
    given = [("log", settings.log), ("source", settings.source)]
    if not any(read for _, read in given):
        raise BadInput(
            path,
            "log",
            "is missing, and so is source",
            "state a section [log] to replay logged days, a section [source] to watch live, or "
            "both",
        )
    for where, read in given:
        if read is None:
            continue
        if isinstance(pump, Intensifier) and not (read.rate or read.stroke_count):
            raise BadInput(
                path,
                where,
                "an intensifier's strokes are needed to judge its bore, and none are "
                f"{'logged' if where == 'log' else 'read'}",
                f"add [{where}.stroke_count] or [{where}.rate]",
            )
        if isinstance(pump, DirectDrive) and pump.regulation == "speed" and not read.rate:
            raise BadInput(
                path,
                f"{where}.rate",
                "the drive trims the crank speed, but the speed is not "
                f"{'logged' if where == 'log' else 'read'}",
                f"add [{where}.rate] with the crank speed",
            )
    if settings.source is not None:
        _check_source(path, settings, settings.source)
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


def _check_source(path: Path, settings: MachineSettings, source: _Source[Any]) -> None:
    if settings.log and (settings.log.stroke_count is None) != (source.stroke_count is None):
        raise BadInput(
            path,
            "source",
            "the log and the live source don't both have the stroke counter",
            "read the strokes alike in [log] and [source], or keep two machine files",
        )
    for name, point in source.points().items():
        where = f"source.{name}"
        si, usual = _LIVE_UNITS.get(name, ("", None))
        if point.scale == 0.0:
            raise BadInput(path, f"{where}.scale", "0 is no scale", "give value * scale in unit")
        if si:
            examples = {"Pa": '"bar"', "Hz": '"strokes/min" or "rpm"', "K": '"degC"'}[si]
            unit = point.unit or usual
            if unit is None:
                raise BadInput(
                    path, f"{where}.unit", "is missing", f"give a unit such as {examples}"
                )
            try:
                conversion(unit, si)
            except ValueError as error:
                raise BadInput(
                    path, f"{where}.unit", str(error), f"give a unit such as {examples}"
                ) from None
        elif point.unit is not None:
            raise BadInput(path, f"{where}.unit", f"{name} has no unit", "leave it out")
        if point.strokes_per_count is not None and name not in ("rate", "stroke_count"):
            raise BadInput(
                path, f"{where}.strokes_per_count", f"{name} counts nothing", "leave it out"
            )
        if isinstance(point, RegisterPoint):
            _check_register(path, name, point)
    if isinstance(source, OpcUa):
        _check_security(path, source)
    for name in _SOURCE_FILES:
        file = getattr(source, name, None)
        if file is not None and not file.is_file():
            raise BadInput(
                path, f"source.{name}", f"there is no file {file}", "give one beside this file"
            )


def _check_register(path: Path, name: str, point: RegisterPoint) -> None:
    where = f"source.{name}"
    if point.function <= 2 and name != "valve":
        raise BadInput(
            path,
            f"{where}.function",
            f"function {point.function} reads single bits",
            "3 reads holding registers, 4 input registers",
        )
    if point.function <= 2 and point.type is not None:
        raise BadInput(path, f"{where}.type", "a bit has no type", "leave it out")
    if point.function >= 3 and point.type is None:
        raise BadInput(path, f"{where}.type", "is missing", 'state it, such as type = "uint16"')


def _check_security(path: Path, source: OpcUa) -> None:
    if source.security != "none":
        for name in ("certificate", "private_key", "server_certificate"):
            if getattr(source, name) is None:
                raise BadInput(
                    path,
                    f"source.{name}",
                    f"is missing, and security is {source.security!r}",
                    "give the file: DER or PEM, beside this file",
                )
    elif source.user and not source.clear_password:
        raise BadInput(
            path,
            "source.security",
            "the password would go over the network for everyone to read",
            'state security = "Basic256Sha256", or clear_password = true if the server has none',
        )
    if source.user and source.password is None:
        raise BadInput(
            path,
            "source.password",
            f"there is none for the user {source.user!r}",
            f"put it into {ENV_PREFIX}SOURCE__PASSWORD, or into a file {path.stem}.password in "
            f"the directory {ENV_PREFIX}SECRETS_DIR",
        )
    if (source.user_certificate is None) != (source.user_private_key is None):
        raise BadInput(
            path,
            "source.user_certificate",
            "a user's certificate and private key go together",
            "give user_certificate and user_private_key",
        )


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

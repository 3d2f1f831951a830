"""The sections of the machine file: pump, log, gate, watch, jewel."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource

from borewarden.base.samples import HEAD, SI_UNITS
from borewarden.collect.layout import Layout
from borewarden.physics.pump import DirectDrive, Intensifier
from borewarden.settings.units import (
    READABLE,
    Bore,
    Coefficient,
    CrankSpeed,
    Day,
    Diameter,
    DriveRatio,
    Efficiency,
    Encoding,
    JetTime,
    Material,
    Name,
    Power,
    Pressure,
    PressureUnit,
    RatedPressure,
    RateStep,
    RateUnit,
    Ratio,
    Separator,
    Share,
    SpeedUnit,
    StoredVolume,
    StrokeRate,
    Temperature,
    TemperatureUnit,
    Time,
    TimeForm,
    TimeUnit,
    TorqueUnit,
    Travel,
    Volume,
    WatchTime,
)

VALVE_HEADS = "valve_heads"  # the field that [log.valve.HEAD] and so on end up in


class Section(BaseModel):
    """A table of the file: unknown fields are mistakes, and nothing changes after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    def given(self) -> dict[str, Any]:
        """Only the fields that were stated."""
        return self.model_dump(exclude_none=True, exclude_unset=True)


class FileSettings(BaseSettings):
    """A whole file, given as the init values; the environment overrides it."""

    @classmethod
    def secrets(cls) -> list[PydanticBaseSettingsSource]:
        """Further sources, which override the file but not the environment."""
        return []

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Environment first, then `secrets`, then the file."""
        return env_settings, *cls.secrets(), init_settings


class IntensifierPump(Section):
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
    stored_volume: StoredVolume | None = None

    def build(self) -> Intensifier:
        """Its physics."""
        return Intensifier(**self.model_dump(exclude={"kind", "stored_volume"}))


class DirectDrivePump(Section):
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
    drive_ratio: DriveRatio | None = None
    stored_volume: StoredVolume | None = None

    def build(self) -> DirectDrive:
        """Its physics."""
        return DirectDrive(**self.model_dump(exclude={"kind", "stored_volume"}))


class LoggedColumn(Section):
    """A column of a log, or a tag: its name, the column of its own times, and its hold in s."""

    column: Name
    time: Name | None = None
    hold: Time | None = None


class PressureColumn(LoggedColumn):
    """[log.pressure]; [log.oil_pressure] of an intensifier, [log.boost_pressure] of its feed."""

    unit: PressureUnit


class RateColumn(LoggedColumn):
    """[log.rate]: stroke rate or crank speed."""

    unit: RateUnit = "strokes/min"
    strokes_per_count: float = Field(default=1.0, gt=0.0, le=1000.0)


class CountColumn(LoggedColumn):
    """[log.stroke_count]: a counter of strokes, or of turns of a crank."""

    strokes_per_count: float = Field(default=1.0, gt=0.0, le=1000.0)


class TemperatureColumn(LoggedColumn):
    """[log.temperature] of the water; [log.weep_temperature] and the like."""

    unit: TemperatureUnit


class ValveColumn(LoggedColumn):
    """[log.valve]: 1 or true where the jet is commanded on, or the number of heads that are.

    [log.valve.HEAD]: 1 or true where that head is commanded on.
    """


class WithValves(Section):
    """A section in which `valve` is one signal, or a table with one for each head."""

    @model_validator(mode="before")
    @classmethod
    def _valve_of_each_head(cls, data: Any) -> Any:
        """Tables within `valve` are those of the heads, by their names."""
        valve = data.get("valve") if isinstance(data, dict) else None
        if not valve or not isinstance(valve, dict):
            return data
        if not all(isinstance(each, dict) for each in valve.values()):
            return data
        return {name: each for name, each in data.items() if name != "valve"} | {
            "valve_heads": valve
        }

    def _by_channel(self) -> dict[str, Any]:
        """What is stated for each channel, by the fields of `Samples`, or "valve.HEAD"."""
        stated = {name: getattr(self, name, None) for name in SI_UNITS}
        of_heads = {f"{HEAD}{head}": each for head, each in getattr(self, VALVE_HEADS).items()}
        return {name: each for name, each in stated.items() if each is not None} | of_heads


class StrokeTimeColumn(LoggedColumn):
    """[log.left_stroke_time], [log.right_stroke_time]: how long the last whole stroke took."""

    unit: TimeUnit


class SpeedColumn(LoggedColumn):
    """[log.motor_speed] of the drive's shaft."""

    unit: SpeedUnit


class TorqueColumn(LoggedColumn):
    """[log.motor_torque] of the drive, as a share of its rated torque."""

    unit: TorqueUnit = "percent"


Column = (
    PressureColumn
    | RateColumn
    | CountColumn
    | TemperatureColumn
    | ValveColumn
    | StrokeTimeColumn
    | SpeedColumn
    | TorqueColumn
)


class LogFields(WithValves):
    """What [log] states of the form of a log; `hold` and `every` in s. See `collect.layout`."""

    time: Name
    clock: Name | None = None
    time_format: TimeForm = ""
    date: Day | None = None
    start: datetime | None = None
    order: Literal["oldest first", "newest first"] = "oldest first"
    encoding: Encoding = "utf-8"
    separator: Separator = ","
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", "'", "\u2019", "blank"] = ""
    header: bool = True
    skip: int = Field(default=0, ge=0, le=10_000)
    skip_below: int = Field(default=0, ge=0, le=100)
    skip_end: int = Field(default=0, ge=0, le=1000)
    sheet: Name | None = None
    missing: list[str] = []
    tag: Name | None = None
    value: Name | None = None
    quality: Name | None = None
    good: list[str] = ["Good"]
    hold: Time | None = None
    every: Time = 1.0


class Log(LogFields):
    """[log]: its form, and which columns hold what; `rate_resolution` in Hz."""

    pressure: PressureColumn
    rate: RateColumn | None = None
    stroke_count: CountColumn | None = None
    temperature: TemperatureColumn | None = None
    valve: ValveColumn | None = None
    valve_heads: dict[str, ValveColumn] = Field(default_factory=dict)
    oil_pressure: PressureColumn | None = None
    boost_pressure: PressureColumn | None = None
    weep_temperature: TemperatureColumn | None = None
    bypass_temperature: TemperatureColumn | None = None
    left_stroke_time: StrokeTimeColumn | None = None
    right_stroke_time: StrokeTimeColumn | None = None
    motor_speed: SpeedColumn | None = None
    motor_torque: TorqueColumn | None = None
    check_valve_temperature: TemperatureColumn | None = None
    rate_resolution: RateStep = 0.0

    def columns(self) -> dict[str, Column]:
        """What is logged, by the fields of `Samples`, or "valve.HEAD"."""
        return self._by_channel()

    def layout(self) -> Layout | None:
        """The form of the log, None if nothing is stated of it: then it is the plain one."""
        columns = self.columns().items()
        times = {name: column.time for name, column in columns if column.time}
        stated = self.model_fields_set & (LogFields.model_fields.keys() - {"time"})
        if not stated and not times:
            return None
        zero = self.start
        if self.date is not None:
            zero = datetime.combine(self.date, datetime.min.time())
        return Layout(
            zero=zero,
            newest_first=self.order == "newest first",
            missing=tuple(self.missing),
            good=tuple(self.good),
            times=times,
            holds={name: column.hold for name, column in columns if column.hold},
            **{name: getattr(self, name) for name in _AS_STATED},
        )


_AS_STATED = (
    "encoding", "separator", "decimal", "thousands", "header", "skip", "skip_below", "skip_end",
    "sheet", "clock", "time_format", "tag", "value", "quality", "hold", "every",
)  # fmt: skip


class GateOverrides(Section):
    """[gate]: what to set differently from `gate.GateSettings`; SI."""

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


class WatchOverrides(Section):
    """[watch]: what to set differently from the defaults of `WatchSettings`.

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


class FittedJewel(Section):
    """One [[jewel]]: `bore` in m, `jet_hours` in h, `fitted` local where it has no offset."""

    fitted: datetime
    bore: Bore
    material: Material
    head: Annotated[str, Field(min_length=1, coerce_numbers_to_str=True), READABLE] = "1"
    discharge_coefficient: Coefficient | None = None
    jet_hours: JetTime = 0.0

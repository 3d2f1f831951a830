"""The sections of the machine file: pump, log, gate, watch, jewel."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource

from borewarden.base.samples import SI_UNITS
from borewarden.physics.pump import DirectDrive, Intensifier
from borewarden.settings.units import (
    READABLE,
    Bore,
    Coefficient,
    CrankSpeed,
    Diameter,
    DriveRatio,
    Efficiency,
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
    Share,
    SpeedUnit,
    StrokeRate,
    Temperature,
    TemperatureUnit,
    Time,
    TimeUnit,
    TorqueUnit,
    Travel,
    Volume,
    WatchTime,
)


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

    def build(self) -> Intensifier:
        """Its physics."""
        return Intensifier(**self.model_dump(exclude={"kind"}))


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

    def build(self) -> DirectDrive:
        """Its physics."""
        return DirectDrive(**self.model_dump(exclude={"kind"}))


class PressureColumn(Section):
    """[log.pressure]; [log.oil_pressure] of an intensifier, [log.boost_pressure] of its feed."""

    column: Name
    unit: PressureUnit


class RateColumn(Section):
    """[log.rate]: stroke rate or crank speed."""

    column: Name
    unit: RateUnit = "strokes/min"
    strokes_per_count: float = Field(default=1.0, gt=0.0, le=1000.0)


class CountColumn(Section):
    """[log.stroke_count]: a counter of strokes, or of turns of a crank."""

    column: Name
    strokes_per_count: float = Field(default=1.0, gt=0.0, le=1000.0)


class TemperatureColumn(Section):
    """[log.temperature] of the water; [log.weep_temperature] and the like."""

    column: Name
    unit: TemperatureUnit


class ValveColumn(Section):
    """[log.valve]: 1 or true where the jet is commanded on, or the number of heads that are."""

    column: Name


class StrokeTimeColumn(Section):
    """[log.left_stroke_time], [log.right_stroke_time]: how long the last whole stroke took."""

    column: Name
    unit: TimeUnit


class SpeedColumn(Section):
    """[log.motor_speed] of the drive's shaft."""

    column: Name
    unit: SpeedUnit


class TorqueColumn(Section):
    """[log.motor_torque] of the drive, as a share of its rated torque."""

    column: Name
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


class Log(Section):
    """[log]: which columns hold what; `rate_resolution` in Hz."""

    time: Name
    pressure: PressureColumn
    rate: RateColumn | None = None
    stroke_count: CountColumn | None = None
    temperature: TemperatureColumn | None = None
    valve: ValveColumn | None = None
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
        """What is logged, by the fields of `Samples`."""
        return {name: column for name in SI_UNITS if (column := getattr(self, name)) is not None}


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

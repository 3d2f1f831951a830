"""One machine as its file describes it, and what model and collectors are built from."""

from __future__ import annotations

import math
from collections.abc import AsyncGenerator, Iterable
from typing import TYPE_CHECKING, Any

from pydantic import Field, PrivateAttr, model_validator
from pydantic_settings import SettingsConfigDict

from borewarden.base.errors import BadInput
from borewarden.base.samples import HEAD, Channel, si_unit
from borewarden.base.times import local_ns
from borewarden.base.units import conversion, is_flow
from borewarden.collect.logged import LogFormat
from borewarden.collect.sight import BLIND_AFTER, Plate, Sight
from borewarden.gate.gate import GateSettings
from borewarden.jewels.fitting import Fitting
from borewarden.jewels.jewel import Jewel, stated_area
from borewarden.physics.pump import DirectDrive, Intensifier, Pump, feed_volume
from borewarden.settings.guesses import SIZES
from borewarden.settings.sections import (
    DirectDrivePump,
    FileSettings,
    FittedJewel,
    GateOverrides,
    IntensifierPump,
    Log,
    WatchOverrides,
)
from borewarden.settings.source import (
    USUAL_UNITS,
    AnySource,
    LiveSource,
    build_source,
    place_of,
)
from borewarden.settings.units import Label, ShownUnits, TimeZone
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.watcher import Watcher

if TYPE_CHECKING:  # the protocols' libraries are slow to import, and a replay needs none of them
    from borewarden.collect.link import Received
    from borewarden.collect.live import Source

ENV_PREFIX = "BOREWARDEN_"
MOST_INTERVALS = 2.5  # of a source between two readings, or they are too far apart; invented
JEWEL_FACTS = ("bore", "material", "fitted")  # that a look at a log may guess
# s; counts lag behind nothing, so the pressure alone settles; tuned on seeds 75,001 to 77,080
SETTLE_OF_COUNTS = 2.0
SAME_NS = 60 * 10**9  # two records of one fitting may differ by this


class MachineSettings(FileSettings):
    """One machine: its pump, its log or live source or both, and which jewel was fitted when."""

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, env_prefix=ENV_PREFIX, env_nested_delimiter="__"
    )

    name: Label
    time_zone: TimeZone
    units: ShownUnits = None
    by_hand: bool = False  # nobody can read its controller: it is counted, not watched
    pump: IntensifierPump | DirectDrivePump = Field(discriminator="kind")
    log: Log | None = None
    source: AnySource | None = Field(default=None, discriminator="kind")
    gate: GateOverrides = GateOverrides()
    watch: WatchOverrides = WatchOverrides()
    jewel: list[FittedJewel] = Field(min_length=1)
    _guessed: frozenset[str] = PrivateAttr(default=frozenset())

    @model_validator(mode="before")
    @classmethod
    def _password_for_users_only(cls, data: dict[str, Any]) -> dict[str, Any]:
        """One variable is set for a whole folder: its password goes to sources with a user."""
        source = data.get("source")
        if not isinstance(source, dict) or "password" not in source or source.get("user"):
            return data
        rest = {name: value for name, value in source.items() if name != "password"}
        return data | {"source": rest or None}

    @property
    def shown_units(self) -> dict[str, str] | None:
        """The unit of each quantity that was chosen to be shown; None for the usual ones."""
        return None if self.units is None or isinstance(self.units, str) else self.units

    def note_guesses(self, names: Iterable[str]) -> None:
        """Note which fields the file calls guessed or not known, such as `pump.stroke`."""
        self._guessed = frozenset(names)

    def guessed_of(self, jewels: Iterable[Jewel]) -> tuple[str, ...]:
        """Names of the figures of the pump, and of any of `jewels`, that are only guessed."""
        pump = (name for name in type(self.pump).model_fields if f"pump.{name}" in self._guessed)
        return (*pump, *dict.fromkeys(name for jewel in jewels for name in jewel.guessed))

    def build_watcher(self, register: Iterable[Fitting] = ()) -> Watcher:
        """A new watcher for this machine, with the jewels of the file and the `register`."""
        return Watcher(
            self.build_pump(),
            self.gate_settings(),
            self.jewels(register),
            self.watch_settings(),
            self.valve_heads,
        )

    @property
    def valve_heads(self) -> tuple[str, ...]:
        """The heads that have a valve signal of their own, in the order of these signals."""
        given = [read.valve_heads for read in (self.source, self.log) if read is not None]
        return tuple(next((heads for heads in given if heads), ()))

    def build_sight(self) -> Sight:
        """What tells usable readings of this machine, as yet without a history."""
        pump, gate = self.build_pump(), self.gate_settings()
        given = self.source or self.log
        plate = Plate(
            strokes=gate.flow_shows_jet,
            pistons=isinstance(pump, Intensifier),
            counts=gate.uses_counter,
            reads_rate=given is not None and given.rate is not None,
            max_rate=pump.max_rate,
            highest_rate=_highest_rate(pump),
            rated_pressure=pump.rated_pressure,
            stopped_pressure=gate.stopped_pressure,
            working_pressure=gate.working_pressure,
            max_pressure=gate.max_pressure,
            stuck_time=gate.stuck_time,
            max_gap=max(
                gate.max_gap,
                MOST_INTERVALS * getattr(given, "interval", 0.0),
                getattr(given, "silence", 0.0),
            ),
        )
        return Sight(plate, pump.displacement)

    @property
    def blind_after(self) -> float:
        """Seconds without a usable reading, after which the machine counts as not seen."""
        return BLIND_AFTER if self.source is None else self.source.blind_after

    def build_pump(self) -> Pump:
        """The pump, SI."""
        return self.pump.build()

    def jewels(self, register: Iterable[Fitting] = ()) -> list[Jewel]:
        """The jewels in the order of the file, then those of the `register`, in its order.

        The register adds to the file. A jewel of the file on the same head within a minute of one
        in the register is the same jewel, and the register wins. `load_machine` has checked that
        the file's times exist.
        """
        recorded = [
            Jewel(
                bore=fitting.bore,
                material=fitting.material,
                fitted_ns=fitting.fitted_ns,
                head=fitting.head,
                discharge_coefficient=fitting.discharge_coefficient,
                jet_hours=fitting.earlier_hours,
                out_ns=fitting.out_ns,
            )
            for fitting in register
            if fitting.machine == self.name
        ]
        stated = [
            Jewel(
                bore=jewel.bore,
                material=jewel.material,
                fitted_ns=local_ns(jewel.fitted, self.time_zone),
                head=jewel.head,
                discharge_coefficient=jewel.discharge_coefficient,
                jet_hours=jewel.jet_hours,
                guessed=tuple(
                    name for name in JEWEL_FACTS if f"jewel[{number}].{name}" in self._guessed
                ),
            )
            for number, jewel in enumerate(self.jewel, 1)
        ]
        return [
            jewel
            for jewel in stated
            if not any(
                jewel.head == other.head and abs(jewel.fitted_ns - other.fitted_ns) <= SAME_NS
                for other in recorded
            )
        ] + recorded

    def gate_settings(self) -> GateSettings:
        """What the gate needs to know, SI; `nominal_area` is that of each head's newest jewel."""
        pump = self.build_pump()
        rated = pump.rated_pressure
        spills = isinstance(pump, DirectDrive) and pump.regulation == "bypass"
        is_set = isinstance(pump, Intensifier) or pump.regulation == "speed"  # the pressure
        given = self.log or self.source
        uses_counter = given is not None and given.stroke_count is not None
        newest = {j.head: j for j in sorted(self.jewels(), key=lambda jewel: jewel.fitted_ns)}
        settings = GateSettings(
            nominal_area=stated_area(list(newest.values())),
            max_rate=pump.max_rate,
            max_pressure=1.3 * rated,
            # where the pressure falls as the bore opens, a low one may be just that
            working_pressure=(0.6 if is_set else 0.45) * rated,
            stopped_pressure=0.05 * rated,
            uses_counter=uses_counter,
            flow_shows_jet=is_set,
            turns_on=not isinstance(pump, Intensifier),
            bypass_pressure=0.99 * rated if spills else math.inf,
            rate_resolution=given.rate_resolution if given else 0.0,
            strokes_per_count=_strokes_per_count(given),
            stored_volume=self.pump.stored_volume or 0.0,
        )
        if uses_counter and isinstance(pump, Intensifier):
            settings = settings._replace(settle_time=SETTLE_OF_COUNTS)
        return settings._replace(**self.gate.given())

    def watch_settings(self) -> WatchSettings:
        """Thresholds of the verdict."""
        given = self.watch.given()
        hours = {"false_alarm_time": "false_alarm_hours", "jewel_life": "jewel_life_hours"}
        is_guessed = any(name in SIZES for name in self.guessed_of(()))
        if is_guessed and "flow_uncertainty" not in given:
            given["flow_uncertainty"] = math.inf  # whatever it delivers, it fits the bore
        for stated, name in hours.items():
            if stated in given:
                given[name] = given.pop(stated)
        return WatchSettings(**given)

    def log_format(self) -> LogFormat:
        """How to read a log of this machine. Raises BadInput if there is no [log]."""
        log = self.log
        if log is None:
            raise BadInput(
                self.name, "log", "is missing", "add a section [log] to replay logged days"
            )
        channels = {
            name: self._channel(
                name,
                column.column,
                getattr(column, "unit", None),
                getattr(column, "strokes_per_count", 1.0),
            )
            for name, column in log.columns().items()
        }
        return LogFormat(
            time_column=log.time,
            time_zone=self.time_zone,
            channels=channels,
            constant_rate=self._constant_rate(log),
            rated_pressure=self.build_pump().rated_pressure,
            layout=log.layout(),
        )

    def live_source(self) -> Source | None:
        """What to read live, and how; None if there is no [source]."""
        source = self.source
        if source is None:
            return None
        channels = {
            name: self._channel(
                name,
                place_of(point),
                point.unit or USUAL_UNITS.get(name),
                point.strokes_per_count or 1.0,
                (point.scale, point.offset),
            )
            for name, point in source.points().items()
        }
        return build_source(self.name, source, channels, self._constant_rate(source))

    def open_source(self, aside: bool = False) -> AsyncGenerator[Received, None]:
        """Endless live samples and link states. Raises BadInput if there is no [source].

        With `aside`, a watcher of this machine that runs meanwhile is not disturbed.
        """
        from borewarden.collect.live import live_samples, set_aside

        source = self.live_source()
        if source is None:
            raise BadInput(self.name, "source", "is missing", "add a section [source]")
        return live_samples(set_aside(source) if aside else source)

    def _channel(
        self,
        name: str,
        place: str,
        unit: str | None,
        per_count: float = 1.0,
        linear: tuple[float, float] = (1.0, 0.0),
    ) -> Channel:
        """From the value at `place`, scaled and shifted into `unit`, to SI.

        `linear` are the scale and the offset that lead to `unit`.
        """
        scale, offset = linear
        pump = self.build_pump()
        rated = pump.rated_pressure
        match name.partition(".")[0]:
            case "pressure":
                low, high = -0.25 * rated, 1.25 * rated
            case "rate":
                low, high = 0.0, _highest_rate(pump)
            case "temperature":
                low, high = 272.0, 335.0
            case "stroke_count":
                return Channel(place, "counts", scale * per_count, offset, 0.0, math.inf)
            case "valve":
                of_one = name.startswith(HEAD)
                heads = 1 if of_one else len({jewel.head for jewel in self.jewel})
                return Channel(place, "heads that are on", scale, offset, 0.0, heads)
            case "oil_pressure":
                oil = rated / pump.intensification_ratio if isinstance(pump, Intensifier) else rated
                low, high = -0.25 * oil, 1.5 * oil  # seal friction comes on top of the water's
            case "boost_pressure":
                low, high = -0.1e6, 10e6
            case "weep_temperature" | "bypass_temperature" | "check_valve_temperature":
                low, high = 253.15, 423.15  # throttled from 400 MPa water is 80 K hotter (IAPWS-95)
            case "left_stroke_time" | "right_stroke_time":
                low, high = 0.0, 3600.0  # dead-headed, a stroke takes minutes
            case "motor_torque":
                low, high = -0.5, 3.0  # of the rated one
            case _:
                ratio = pump.drive_ratio if isinstance(pump, DirectDrive) else None
                low, high = 0.0, 1.5 * pump.max_rate / ratio if ratio else 200.0
        assert unit is not None
        factor, zero = _to_si(name, unit, per_count, pump)
        return Channel(place, unit, scale * factor, offset * factor + zero, low, high)

    def _constant_rate(self, given: Log | LiveSource[Any]) -> float | None:
        """The crank speed in Hz if nothing trims it and nobody reads it."""
        pump = self.build_pump()
        is_constant = isinstance(pump, DirectDrive) and not given.rate and not given.stroke_count
        return pump.max_rate if is_constant else None


def _strokes_per_count(given: Log | LiveSource[Any] | None) -> float:
    """The least step of the stroke counter; 1 where there is none."""
    counter = given.stroke_count if given is not None else None
    return getattr(counter, "strokes_per_count", None) or 1.0


def _highest_rate(pump: Pump) -> float:
    """The most that a rate may show, Hz; worked out from single strokes, it overshoots briefly."""
    return (3.0 if isinstance(pump, Intensifier) else 1.5) * pump.max_rate


def _to_si(name: str, unit: str, per_count: float, pump: Pump) -> tuple[float, float]:
    """Factor and offset from `unit` to SI; a flow becomes the rate at which the pump takes it."""
    if name != "rate":
        return conversion(unit, si_unit(name))
    if is_flow(unit):
        return conversion(unit, "m^3/s")[0] / feed_volume(pump), 0.0
    return conversion(unit, "Hz")[0] * per_count, 0.0

"""The name plate of a pump, and the ranges assumed for what it does not say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, Pump


class Range(NamedTuple):
    """The values between which an unknown fact lies, each as likely as the others."""

    low: float
    high: float
    source: str

    @property
    def middle(self) -> float:
        """Middle of the range."""
        return 0.5 * (self.low + self.high)

    @property
    def half(self) -> float:
        """Half of its width."""
        return 0.5 * (self.high - self.low)


COMMON, INVENTED = "common practice, no source", "invented"

# Dead volume over swept volume of one chamber, dimensionless.
DEAD_SHARE = {
    INTENSIFIER: Range(0.04, 0.25, INVENTED),
    DIRECT_DRIVE: Range(0.15, 0.90, INVENTED),
}
# Volumetric efficiency, leaks and filling together, dimensionless.
EFFICIENCY = {
    INTENSIFIER: Range(0.92, 1.00, INVENTED),
    DIRECT_DRIVE: Range(0.85, 0.98, INVENTED),
}
FILLING = Range(0.98, 1.00, INVENTED)  # what is left of it where a dead-headed count has the leaks
# Intensification ratio, and the share of the oil's push that seal friction takes, dimensionless.
RATIO = Range(18.0, 24.0, COMMON)
FRICTION = Range(0.005, 0.04, INVENTED)

# Strokes or turns of the crank per second that no pump of that kind makes, Hz, where the plate
# does not say what this one does at most; and how far a plate may be passed. Invented.
HIGHEST_RATE = {INTENSIFIER: 150 / 60.0, DIRECT_DRIVE: 2000 / 60.0}
OVER_PLATE = 1.1

# How far off a fact may be that somebody stated: half width, as a share of it. Invented.
STATED_TRAVEL = 0.01  # a plunger turns back a little before or after the end that the drawing has
STATED_DEAD = 0.10
STATED_EFFICIENCY = 0.01
STATED_RATIO = 0.005


@dataclass(frozen=True)
class Plate:
    """What is known of a pump; SI, None where not known.

    `kind` is INTENSIFIER or DIRECT_DRIVE, `plunger_diameter` and `stroke` in m, `dead_volume` in
    m³ a chamber, `max_rate` the overstroke limit or the rated crank speed in Hz, `rated_pressure`
    in Pa. `regulation` says what holds the pressure of a crank pump; see `physics.DirectDrive`.
    """

    kind: str
    plunger_diameter: float
    stroke: float
    plungers: int = 1
    dead_volume: float | None = None
    efficiency: float | None = None
    ratio: float | None = None
    max_rate: float | None = None
    rated_pressure: float | None = None
    regulation: str = "none"

    @property
    def is_intensifier(self) -> bool:
        """Whether it strokes; else it has a crank."""
        return self.kind == INTENSIFIER

    @property
    def swept_volume(self) -> float:
        """Volume swept by one plunger in one stroke, m³."""
        return float(bore_area(self.plunger_diameter)) * self.stroke

    @property
    def highest_rate(self) -> float:
        """Strokes or turns of the crank above which a count must be wrong, Hz."""
        return OVER_PLATE * self.max_rate if self.max_rate else HIGHEST_RATE[self.kind]

    @property
    def floats(self) -> bool:
        """Whether a larger bore shows as less pressure: a crank that nothing trims."""
        return not self.is_intensifier and self.regulation == "none"


def plate_of(pump: Pump) -> Plate:
    """The plate of a pump whose figures are all known."""
    if isinstance(pump, Intensifier):
        return Plate(
            kind=INTENSIFIER,
            plunger_diameter=pump.plunger_diameter,
            stroke=pump.stroke,
            dead_volume=pump.dead_volume,
            efficiency=pump.volumetric_efficiency,
            ratio=pump.intensification_ratio,
            max_rate=pump.max_stroke_rate,
            rated_pressure=pump.rated_pressure,
        )
    return Plate(
        kind=DIRECT_DRIVE,
        plunger_diameter=pump.plunger_diameter,
        stroke=pump.stroke,
        plungers=pump.plungers,
        dead_volume=pump.dead_volume,
        efficiency=pump.volumetric_efficiency,
        max_rate=pump.crank_speed,
        rated_pressure=pump.rated_pressure,
        regulation=pump.regulation,
    )


def crank_pump(plate: Plate, dead_volume: float, efficiency: float) -> DirectDrive:
    """The crank pump of `plate`, for its pressure; what it may do at most is left open."""
    return DirectDrive(
        plungers=plate.plungers,
        plunger_diameter=plate.plunger_diameter,
        stroke=plate.stroke,
        dead_volume=dead_volume,
        crank_speed=plate.max_rate or 1.0,
        rated_pressure=plate.rated_pressure or float("inf"),
        rated_power=float("inf"),
        volumetric_efficiency=efficiency,
    )

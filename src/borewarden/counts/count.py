"""One count by hand, and how sure each figure of it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from borewarden.counts.plate import (
    COMMON,
    DEAD_SHARE,
    EFFICIENCY,
    FILLING,
    FRICTION,
    INVENTED,
    RATIO,
    STATED_DEAD,
    STATED_EFFICIENCY,
    STATED_RATIO,
    STATED_TRAVEL,
    Plate,
    Range,
)
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS, bore_area

# EN 837-1: a gauge of class c is right within c % of its full scale.
USUAL_CLASS = 2.5  # of a gauge whose class nobody gave; common practice, no source
USUAL_SCALE = 1.5  # full scale over reading, where nobody gave it; common practice, no source
USUAL_DIVISION = 0.01  # of the full scale; common practice, no source
# A thumb on a stop-watch is off by tens or hundreds of ms (NIST SP 960-12, 2009); 0.1 s at the
# start and 0.1 s at the stop, standard deviation.
WATCH_SD = 0.1 * math.sqrt(2.0)  # s
SPEED_HALF = 0.01  # of a crank speed that somebody read; invented
DAY_SD = 0.005  # what the effective area of a sound pump does from day to day, relative; invented
USUAL_TEMPERATURE = Range(283.15, 303.15, INVENTED)  # K, of water that nobody measured
READ_TEMPERATURE = 2.0  # K, of one that somebody read; invented


@dataclass(frozen=True)
class HandCount:
    """What somebody counted with the jet on; SI, `time_ns` in ns since 1970 UTC.

    `pressure` is the reading of the gauge in Pa; with `on_oil` that of the hydraulic oil. Either
    `strokes` in `seconds` or a crank `speed` in Hz. `gauge_class` in per cent of `full_scale` in
    Pa, `division` the smallest step of its dial in Pa, 0 where not known. `idle_strokes` in
    `idle_seconds` were counted dead-headed: jet off, pressure held. `bores` in m and `materials`
    are those of every open head. `jewel_ns` tells one jewel from the next: when it was fitted, 0
    where nobody said.
    """

    machine: str
    time_ns: int
    plate: Plate
    bores: tuple[float, ...]
    materials: tuple[str, ...]
    pressure: float
    on_oil: bool = False
    strokes: float | None = None
    seconds: float | None = None
    speed: float | None = None
    idle_strokes: float | None = None
    idle_seconds: float | None = None
    gauge_class: float | None = None
    full_scale: float | None = None
    division: float | None = None
    temperature: float | None = None
    limit: float = 0.08
    jewel_ns: int = 0
    by: str = ""
    note: str = ""

    @property
    def rate(self) -> float:
        """Strokes or turns per second, Hz."""
        if self.speed is not None:
            return self.speed
        assert self.strokes is not None
        assert self.seconds is not None
        return self.strokes / self.seconds

    @property
    def idle_rate(self) -> float | None:
        """Strokes per second while dead-headed, Hz."""
        if self.idle_strokes is None or self.idle_seconds is None:
            return None
        return self.idle_strokes / self.idle_seconds

    @property
    def bore_area(self) -> float:
        """Geometric area of the stated bores together, m²."""
        return sum(float(bore_area(bore)) for bore in self.bores)

    @property
    def stated_area(self) -> float:
        """Effective area of the stated jewels together, m²."""
        pairs = zip(self.bores, self.materials, strict=True)
        return sum(float(bore_area(b)) * DISCHARGE_COEFFICIENTS[m].typical for b, m in pairs)


class Doubt(Enum):
    """What makes a count uncertain, in the words that people read."""

    STROKES = "the stroke more or less"
    WATCH = "the stop-watch"
    SPEED = "the crank speed as read"
    DIVISION = "reading the gauge"
    DAY = "the pump from day to day"
    IDLE = "the dead-headed strokes"
    GAUGE = "the class of the gauge"
    TEMPERATURE = "the water temperature"
    TRAVEL = "the travel of the plunger"
    DEAD = "the dead volume"
    EFFICIENCY = "the volumetric efficiency"
    RATIO = "the intensification ratio"
    FRICTION = "the friction of the seals"
    COEFFICIENT = "C_d of a sound jewel"


# These differ from one count of a pump to its next; all others are the same each time.
REPEAT = (Doubt.STROKES, Doubt.WATCH, Doubt.SPEED, Doubt.DIVISION, Doubt.DAY, Doubt.TEMPERATURE)


class Spread(NamedTuple):
    """One figure: uniform within `half` of `middle`, or normal with the standard deviation `half`.

    `unknown` says that nobody gave it, so that a range of common practice stands in for it.
    """

    middle: float
    half: float
    source: str
    is_normal: bool = False
    unknown: bool = False

    @property
    def sd(self) -> float:
        """Standard uncertainty: JCGM 100:2008, 4.3.7, of a uniform distribution half/sqrt(3)."""
        return self.half if self.is_normal else self.half / math.sqrt(3.0)


def spreads_of(count: HandCount) -> dict[Doubt, Spread]:
    """Every figure that the effective area of `count` rests on, SI, dimensionless where a share."""
    plate = count.plate
    found = _rate_spreads(count) | _gauge_spreads(count)
    found[Doubt.DAY] = Spread(0.0, DAY_SD, INVENTED, is_normal=True)
    found[Doubt.TEMPERATURE] = _fact(count.temperature, READ_TEMPERATURE, USUAL_TEMPERATURE)
    found[Doubt.TRAVEL] = Spread(1.0, STATED_TRAVEL, INVENTED)
    share = None if plate.dead_volume is None else plate.dead_volume / plate.swept_volume
    found[Doubt.DEAD] = _fact(share, STATED_DEAD * (share or 0.0), DEAD_SHARE[plate.kind])
    if count.idle_rate is None:
        stated = plate.efficiency
        half = STATED_EFFICIENCY * (stated or 0.0)
        found[Doubt.EFFICIENCY] = _fact(stated, half, EFFICIENCY[plate.kind])
    else:
        found[Doubt.EFFICIENCY] = Spread(FILLING.middle, FILLING.half, FILLING.source)
        found[Doubt.IDLE] = _idle_spread(count.idle_strokes or 0.0)
    if count.on_oil:
        found[Doubt.RATIO] = _fact(plate.ratio, STATED_RATIO * (plate.ratio or 0.0), RATIO)
        found[Doubt.FRICTION] = Spread(FRICTION.middle, FRICTION.half, FRICTION.source)
    jewel = DISCHARGE_COEFFICIENTS[count.materials[0]]
    relative = 0.25 * (jewel.high - jewel.low) / jewel.typical  # two sd each side
    found[Doubt.COEFFICIENT] = Spread(1.0, relative, jewel.source, is_normal=True)
    return found


def _idle_spread(strokes: float) -> Spread:
    """Strokes counted dead-headed, one either way; who counted none may have missed part of one."""
    low, high = max(strokes - 1.0, 0.0), strokes + 1.0
    return Spread(0.5 * (low + high), 0.5 * (high - low), "one stroke either way")


def _fact(stated: float | None, half: float, usual: Range) -> Spread:
    if stated is None:
        return Spread(usual.middle, usual.half, usual.source, unknown=True)
    return Spread(stated, half, INVENTED)


def _rate_spreads(count: HandCount) -> dict[Doubt, Spread]:
    if count.speed is not None:
        return {Doubt.SPEED: Spread(count.speed, SPEED_HALF * count.speed, INVENTED)}
    assert count.strokes is not None
    assert count.seconds is not None
    return {
        Doubt.STROKES: Spread(count.strokes, 1.0, "one stroke either way"),
        Doubt.WATCH: Spread(count.seconds, WATCH_SD, "NIST SP 960-12", is_normal=True),
    }


def _gauge_spreads(count: HandCount) -> dict[Doubt, Spread]:
    """Errors of the gauge, Pa: of its class, and of reading between two marks of its dial."""
    full_scale = count.full_scale or USUAL_SCALE * count.pressure
    division = USUAL_DIVISION * full_scale if count.division is None else count.division
    its_class = count.gauge_class
    unknown = its_class is None
    half = (USUAL_CLASS if its_class is None else its_class) / 100.0 * full_scale
    source = COMMON if unknown else "EN 837-1"
    return {
        Doubt.GAUGE: Spread(0.0, half, source, unknown=unknown),
        Doubt.DIVISION: Spread(0.0, 0.5 * division, COMMON),
    }

"""The effective bore that a count by hand shows, and how sure that is.

The uncertainty is JCGM 100:2008 (GUM) type B: every figure has a distribution of its own. Since
most of them are uniform and one or two outweigh the rest, the 95 % interval comes from drawing all
of them (JCGM 101:2008) and not from a factor of 1.96.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from borewarden.counts.count import REPEAT, Doubt, HandCount, Spread, spreads_of
from borewarden.counts.plate import crank_pump
from borewarden.physics import Real
from borewarden.physics.orifice import bore_of_area
from borewarden.physics.pump import Displacement, area_of_rate, event_rate

DRAWS = 20_000
SEED = 837  # any will do, as long as the same count gives the same answer
LEAST_LEFT = 0.02  # share of a stroke that must be left after leaks, or there is no jet to speak of
HIGHEST_PRESSURE = 620e6  # Pa; the water's state equation ends there


class Estimate(NamedTuple):
    """What one count shows; SI, intervals 95 %, uncertainties standard ones.

    `rate` and `pressure` of the water as counted, and what each should be with a sound jewel of the
    stated bore: `rate_expected` at that pressure and, on a crank pump that nothing trims,
    `pressure_expected` at that speed (else nan). `log_area` is that of the effective area in m².
    `parts` is what each figure adds to the uncertainty of the log area, C_d aside, and `repeat_sd`
    what differs from one count to the next. `leak` is the share of the strokes that a dead-headed
    count shows to be lost; nan where there was none.
    """

    rate: float
    rate_expected: float
    pressure: float
    pressure_expected: float
    log_area: float
    area_sd: float
    bore: float
    bore_interval: tuple[float, float]
    parts: dict[Doubt, float]
    coefficient_sd: float
    repeat_sd: float
    leak: float
    leak_sd: float


class Point(NamedTuple):
    """Log of the effective area in m² by a count, as if nobody had counted dead-headed.

    So counts with and without a dead-headed one can be compared. `repeat_sd` is what differs from
    one count to the next.
    """

    log_area: float
    repeat_sd: float


@lru_cache(maxsize=8192)
def point(count: HandCount) -> Point:
    """One point of a series, see `Point`."""
    plain = replace(count, idle_strokes=None, idle_seconds=None)
    spreads = spreads_of(plain)
    middle = {doubt: spread.middle for doubt, spread in spreads.items()}
    parts = [_part(plain, middle, spreads, doubt) for doubt in REPEAT if doubt in spreads]
    return Point(float(_log_area(plain, middle)), math.hypot(*parts))


@lru_cache(maxsize=1024)
def estimate(count: HandCount) -> Estimate:
    """What `count` shows, see `Estimate`."""
    spreads = spreads_of(count)
    middle = {doubt: spread.middle for doubt, spread in spreads.items()}
    parts = {doubt: _part(count, middle, spreads, doubt) for doubt in spreads}
    coefficient_sd = parts.pop(Doubt.COEFFICIENT)
    log_area = float(_log_area(count, middle))
    drawn = _log_area(count, _draw(spreads, np.random.default_rng(SEED)))
    low, high = np.exp(0.5 * np.quantile(drawn, (0.025, 0.975)))
    bore = _bore_of(count, log_area)
    pressure, displacement = _pressure(count, middle), _displacement(count, middle)
    temperature = middle[Doubt.TEMPERATURE]
    pressure_expected = math.nan
    if count.plate.floats:
        dead = middle[Doubt.DEAD] * count.plate.swept_volume
        pump = crank_pump(count.plate, dead, middle[Doubt.EFFICIENCY])
        pressure_expected = float(
            pump.expected_pressure(count.stated_area, temperature, count.rate)
        )
    leak, leak_sd = leak_of(count)
    scale = bore / math.exp(0.5 * log_area)
    return Estimate(
        rate=count.rate,
        rate_expected=float(event_rate(displacement, count.stated_area, pressure, temperature)),
        pressure=float(pressure),
        pressure_expected=pressure_expected,
        log_area=log_area,
        area_sd=math.sqrt(sum(part**2 for part in parts.values())),
        bore=bore,
        bore_interval=(scale * float(low), scale * float(high)),
        parts=parts,
        coefficient_sd=coefficient_sd,
        repeat_sd=math.sqrt(sum(parts[doubt] ** 2 for doubt in REPEAT if doubt in parts)),
        leak=leak,
        leak_sd=leak_sd,
    )


def water_pressure(count: HandCount) -> float:
    """Pressure of the water, Pa, that the gauge's reading stands for."""
    return float(_pressure(count, {d: s.middle for d, s in spreads_of(count).items()}))


def _bore_of(count: HandCount, log_area: float) -> float:
    """Effective bore, m: all stated bores as one, the jewel's C_d the typical one."""
    ratio = math.exp(log_area) / count.stated_area
    return float(bore_of_area(count.bore_area * ratio))


def _log_area(count: HandCount, values: Mapping[Doubt, Real]) -> Real:
    """Log of the effective area, m², at these figures; C_d and the day scale it."""
    pressure = _pressure(count, values)
    if count.speed is not None:
        rate = values[Doubt.SPEED]
    else:
        rate = values[Doubt.STROKES] / values[Doubt.WATCH]
    temperature = values[Doubt.TEMPERATURE]
    area = area_of_rate(_displacement(count, values), rate, pressure, temperature)
    result: Real = np.log(area) + values[Doubt.DAY] - np.log(values[Doubt.COEFFICIENT])
    return result


def _pressure(count: HandCount, values: Mapping[Doubt, Real]) -> Real:
    pressure = count.pressure + values[Doubt.GAUGE] + values[Doubt.DIVISION]
    if count.on_oil:
        pressure = pressure * values[Doubt.RATIO] * (1.0 - values[Doubt.FRICTION])
    result: Real = np.minimum(pressure, HIGHEST_PRESSURE)
    return result


def _displacement(count: HandCount, values: Mapping[Doubt, Real]) -> Displacement:
    """Volumes of one counted event, m³; floats or arrays."""
    plate = count.plate
    swept = plate.plungers * plate.swept_volume
    efficiency = values[Doubt.EFFICIENCY]
    if Doubt.IDLE in values:
        assert count.idle_seconds is not None
        lost = values[Doubt.IDLE] / count.idle_seconds / count.rate
        efficiency = efficiency * np.maximum(1.0 - lost, LEAST_LEFT)
    travel, dead = values[Doubt.TRAVEL], values[Doubt.DEAD]
    return Displacement(swept * travel, swept * dead, efficiency)  # type: ignore[arg-type]


def _draw(spreads: Mapping[Doubt, Spread], rng: np.random.Generator) -> dict[Doubt, Real]:
    """`DRAWS` values of each figure."""
    return {
        doubt: s.middle
        + s.half * (rng.standard_normal(DRAWS) if s.is_normal else rng.uniform(-1.0, 1.0, DRAWS))
        for doubt, s in spreads.items()
    }


def _part(
    count: HandCount,
    middle: Mapping[Doubt, float],
    spreads: Mapping[Doubt, Spread],
    doubt: Doubt,
) -> float:
    """What one figure adds to the standard uncertainty of the log area: GUM 5.1.3, note 2."""
    sd = spreads[doubt].sd
    up, down = (
        float(_log_area(count, {**middle, doubt: middle[doubt] + sign * sd})) for sign in (1, -1)
    )
    return 0.5 * abs(up - down)


def leak_of(count: HandCount) -> tuple[float, float]:
    """Share of the strokes lost while dead-headed and its standard uncertainty; nan if unknown."""
    if count.idle_rate is None or count.idle_seconds is None:
        return math.nan, math.nan
    one = 1.0 / count.idle_seconds / count.rate
    return count.idle_rate / count.rate, one / math.sqrt(3.0)

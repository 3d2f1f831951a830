"""The level at which a pump works in a log, and what figures of a pump would make it so.

Where nobody knows plunger or crank, the one figure that counts is what a stroke delivers. It is
chosen so that the fitted jewel begins at its usual C_d; from there on, changes are watched.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.units import conversion, is_flow
from borewarden.look.roles import Readings, Role, counted_rate, open_heads
from borewarden.physics.orifice import (
    DISCHARGE_COEFFICIENTS,
    STOCK_BORES_INCH,
    bore_area,
    mass_flux,
)
from borewarden.physics.pump import Displacement, area_of_rate, delivered_mass
from borewarden.physics.water import density_at_atmosphere

Floats = NDArray[np.float64]

TEMPERATURE = 293.15  # K, for the sums of this page
DEAD_SHARE = 0.1  # of the swept volume; invented, see docs/first-hour.md
INCH = 0.0254  # m
PLAUSIBLE = (0.53, 0.86)  # of C_d: that of all jewels, a tenth more each way; invented
FIRST = 3600.0  # s
AT_WORK = 0.6  # of its usual level, above which a pressure or a rate is that of the jet
REGULAR = 1.6  # of the usual time between two counts: longer is a pause
TRIMMED, HELD = 0.03, 0.02  # scatter of speed and pressure where a drive holds the pressure
# Of the usual speed and pressure, as a jet closes; invented. A crank that idles runs at 0.6 to 0.7
# of its speed on two plants, one that holds a closed line turns at 0 to 0.25 of it.
SLOWED, STAYS = 0.5, 0.9
CLOSINGS = 5  # in the first hour, more than a pump is stopped with its line shut; invented
USUAL = 0.03  # of pressure and speed, about their usual levels; invented
FILLING = (0.5, 0.97)  # of the usual pressure, while the line fills; invented
CLIMBS, SOON = 0.01, 10.0  # of the usual pressure a reading, and s until it is there; invented
FASTER = 1.05  # of the usual speed: a belt or motor without load gains 3 % at most; invented
# Readings that tell, and how many of them are that fast: 0.57 to 1.0 where a drive holds the
# pressure, none where it floats (seeds 90,001 to 90,030).
FILLS, OFTEN = 5, 0.3


class Level(NamedTuple):
    """Pressure in Pa, rate in Hz and flow in m³/s (one of them NaN) while the jet is on.

    `highest` are the most of pressure and rate, 99 % quantiles, of a rate over all the log; `trims`
    says whether a drive trims the speed to hold the pressure, None where nothing tells;
    `holds_dead_head` that there is pressure while nothing flows. It is the level of so many open
    `heads`.
    """

    pressure: float
    rate: float
    flow: float
    highest_pressure: float
    highest_rate: float
    trims: bool | None
    holds_dead_head: bool
    heads: int


def level_of(readings: Readings, roles: Sequence[Role], heads: int = 1) -> Level:
    """At which level the pump works in its first hour: that is what is learned.

    That is with all of its `heads` open where nothing counts the open ones.
    """
    by = {role.channel: role for role in roles}
    all_rates, _ = _rate_of(readings, by)
    whole, readings = readings, _first_hour(readings, roles[0])
    pressure = _si(readings, by["pressure"], "Pa")
    rate, is_flow_meter = _rate_of(readings, by)
    usual = float(np.nanquantile(pressure, 0.9))
    with np.errstate(invalid="ignore"):
        at_work = pressure > AT_WORK * usual
        dead = np.zeros(len(pressure), dtype=bool)
        if rate is not None:
            busy = rate > AT_WORK * float(np.nanquantile(rate, 0.9))
            dead = at_work & (rate < 0.2 * float(np.nanquantile(rate, 0.9)))
            at_work &= busy
    works = float(np.nanmedian(pressure[at_work]))
    usual_rate, top, spread, closings = math.nan, math.nan, 0.0, 0
    if rate is not None:
        counter = by.get("stroke_count")
        usual_rate = (
            rate_of_counts(readings, counter.column)
            if counter
            else float(np.nanmedian(rate[at_work]))
        )
        # counts within some seconds scatter too much to tell a highest rate
        assert all_rates is not None
        top = usual_rate if counter else float(np.nanquantile(all_rates, 0.99))
        spread = _spread(rate[at_work])
        with np.errstate(invalid="ignore"):
            slowed = (rate < SLOWED * usual_rate) & (pressure > STAYS * works)
        if "rate" in by and by["rate"].unit == "rpm":  # an intensifier stops stroking, too
            closings = int(np.count_nonzero(np.diff(slowed.astype(np.int8)) > 0))
    follows = spread > TRIMMED and _spread(pressure[at_work]) < HELD
    trims: bool | None = closings > CLOSINGS or follows or None
    if all_rates is not None and "rate" in by:
        filling = _while_filling(
            whole.seconds, _si(whole, by["pressure"], "Pa") / works, all_rates / usual_rate
        )
        if len(filling) >= FILLS:
            trims = bool(np.mean(filling > FASTER) > OFTEN)
    is_open = open_heads(readings, roles)
    if is_open is not None:
        at_level = is_open[at_work & (is_open > 0)]
        heads = int(np.median(at_level)) if len(at_level) else 1
    return Level(
        pressure=works,
        rate=math.nan if is_flow_meter else usual_rate,
        flow=usual_rate if is_flow_meter else math.nan,
        highest_pressure=float(np.nanquantile(pressure, 0.99)),
        highest_rate=top,
        trims=trims,
        holds_dead_head=bool(np.count_nonzero(dead) > 0.02 * len(pressure)),
        heads=heads,
    )


def _while_filling(seconds: Floats, pressure: Floats, rate: Floats) -> Floats:
    """Rates while the line fills, up to the usual pressure and rate; all as shares of the usual.

    A drive that holds the pressure runs faster until it is there. A crank that nothing trims turns
    at one speed with the jet open, whatever the pressure, and slower at most while it is closed.
    """
    with np.errstate(invalid="ignore"):
        is_usual = (np.abs(pressure - 1.0) < USUAL) & (np.abs(rate - 1.0) < USUAL)
        fills = (pressure > FILLING[0]) & (pressure < FILLING[1])
        fills &= np.gradient(pressure) > CLIMBS
        fills &= np.isfinite(rate)
    there = np.append(seconds[:-1][is_usual[:-1] & is_usual[1:]], np.inf)
    begins = seconds[fills]
    return rate[fills][there[np.searchsorted(there, begins)] - begins <= SOON]


def _first_hour(readings: Readings, pressure: Role) -> Readings:
    """The readings from the first working pressure on, for an hour."""
    values = readings.values[pressure.column]
    with np.errstate(invalid="ignore"):
        works = np.flatnonzero(values > AT_WORK * float(np.nanquantile(values, 0.9)))
    begins = readings.seconds[works[0]]
    early = (readings.seconds >= begins) & (readings.seconds <= begins + FIRST)
    rest = {name: each[early] for name, each in readings.values.items()}
    return dataclasses.replace(readings, seconds=readings.seconds[early], values=rest)


def rate_of_counts(readings: Readings, column: str) -> float:
    """Counts a second while they come regularly, Hz: pauses are left out."""
    values = readings.values[column]
    known = np.isfinite(values)
    steps = np.diff(values[known])
    times = readings.seconds[known][1:]
    rises = steps > 0
    apart = np.diff(times[rises])
    regular = apart <= REGULAR * np.median(apart)
    return float(steps[rises][1:][regular].sum() / apart[regular].sum())


def _si(readings: Readings, role: Role, si: str) -> Floats:
    factor, offset = conversion(role.unit, si)
    return readings.values[role.column] * factor + offset


def _rate_of(readings: Readings, by: Mapping[str, Role]) -> tuple[Floats | None, bool]:
    """Rate in Hz, or flow in m³/s and True; None if there is neither."""
    if "stroke_count" in by:
        return counted_rate(readings, by["stroke_count"].column, 10), False
    if "rate" not in by:
        return None, False
    flows = is_flow(by["rate"].unit)
    return _si(readings, by["rate"], "m^3/s" if flows else "Hz"), flows


def _spread(values: Floats) -> float:
    low, mid, high = np.nanquantile(values, [0.16, 0.5, 0.84])
    return float((high - low) / (2.0 * mid)) if mid else 0.0


def bore_of_flow(level: Level, material: str) -> float:
    """The stock bore, m, that takes the flow at the usual C_d of its kind."""
    mass = level.flow * density_at_atmosphere(TEMPERATURE)
    area = float(mass / mass_flux(level.pressure, TEMPERATURE)) / level.heads
    return _stock_bore(area, material)


def bore_of_rate(level: Level, swept: float, material: str) -> float:
    """The stock bore, m, that takes what a pump of that `swept` volume (m³) delivers.

    Dead volume and efficiency are the usual ones; each stroke is taken to be counted.
    """
    displacement = Displacement(swept, DEAD_SHARE * swept, 0.95)
    area = area_of_rate(displacement, level.rate, level.pressure, TEMPERATURE)
    return _stock_bore(float(area) / level.heads, material)


def _stock_bore(area: float, material: str) -> float:
    """The stock bore, m, nearest to an effective `area`, m², at the usual C_d of its kind."""
    bore = math.sqrt(4.0 * area / math.pi / DISCHARGE_COEFFICIENTS[material].typical)
    return min(STOCK_BORES_INCH, key=lambda inch: abs(math.log(inch * INCH / bore))) * INCH


def coefficient(level: Level, displacement: Displacement, bore: float) -> float:
    """C_d of a `bore` (m) that the level means for a pump of that `displacement`; NaN unless known.

    Water delivered at the level, over what the bore's whole area would pass: see `area_of_rate`.
    """
    area = area_of_rate(displacement, level.rate, level.pressure, TEMPERATURE)
    return float(area) / level.heads / float(bore_area(bore))


def fits(found: float) -> bool:
    """Whether a C_d is that of a jewel, as it may be with figures of a name plate."""
    return PLAUSIBLE[0] <= found <= PLAUSIBLE[1]


def step_of(values: Floats) -> float:
    """The least step between two readings, 0 where they are as good as continuous."""
    known = np.unique(values[np.isfinite(values)])
    steps = np.diff(known)
    if not len(steps):
        return 0.0
    step = float(f"{steps.min():.3g}")
    return step if np.allclose(known / step, np.rint(known / step), atol=0.02) else 0.0


def swept_volume(level: Level, bore: float, material: str, rate: float, share: float) -> float:
    """Swept volume, m³ a stroke or turn, that feeds the `bore` (m) at that `rate` (Hz).

    That is the bore of each of the open heads.

    The dead volume is DEAD_SHARE of it, `share` the volumetric efficiency.
    """
    mass_of_one = float(
        delivered_mass(Displacement(1.0, DEAD_SHARE, share), level.pressure, TEMPERATURE)
    )
    area = level.heads * DISCHARGE_COEFFICIENTS[material].typical * float(bore_area(bore))
    return float(area * mass_flux(level.pressure, TEMPERATURE)) / (rate * mass_of_one)

"""The stand-in pump: pressure and strokes from an orifice that opens, closes and chips.

Lumped mass balance of the high-pressure water between plunger and orifice, stepped at `STEP`
seconds: dp/dt = K / (rho V) (m_pump - m_jet), with K and rho from the state equation. All figures
of the plant (volumes of attenuators, dwell, droop, cooling of drain lines) are invented.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.physics import compilable, compiled
from borewarden.physics.orifice import mass_flux
from borewarden.physics.pump import Displacement, compression_fraction, delivered_mass
from borewarden.physics.water import bulk_modulus, density, density_at_atmosphere, throttling_rise

STEP = 0.02  # s
LEFT, RIGHT, BOTH = range(3)  # sides of an intensifier
SEAL, OUTLET_CHECK, INLET_CHECK = range(3)  # where it leaks

Floats = NDArray[np.float64]


class Plant(NamedTuple):
    """The pump and its pipe. SI."""

    is_intensifier: bool
    displacement: Displacement
    max_rate: float  # Hz
    attenuator_volume: float = 1.2e-3  # m³ of water under pressure
    reversal_time: float = 0.06  # s without delivery at each reversal
    droop_time: float = 0.05  # s, how stiffly the oil side holds the pressure
    dump_time: float = 0.6  # s, a crank pump dumps when the jet closes
    cooling_flow: float = 1e-3  # kg/s that loses half its heat on the way to a drain's sensor
    drain_time: float = 90.0  # s, lag of that sensor


class Course(NamedTuple):
    """What the plant is told to do, one entry per step, shape (n,)."""

    running: NDArray[np.bool_]
    set_pressure: Floats  # Pa, intensifier
    crank_speed: Floats  # Hz, crank pump
    jet_open: NDArray[np.bool_]
    area: Floats  # effective area of the orifice while open, m²
    temperature: Floats  # K


class Ills(NamedTuple):
    """What is wrong with the plant; arrays of length 0 where nothing is. See `Fault`.

    `leaks`, shape (k, n), is the flow of each leak at `leak_pressure`, kg/s; it goes with
    (p / leak_pressure)^exponent. A seal or an inlet check leaks while its own side is under
    pressure, an outlet check while the other side is. `open_area` and `bypass_area`, shape (n,),
    are effective areas, m², that are open whenever the pump runs. `shortfall`, shape (n,), is the
    mean share of a stroke or turn that does not fill; `uneven`, shape (m,), is the factor on it of
    each stroke or turn.
    """

    leaks: Floats = np.zeros((0, 0))
    exponents: Floats = np.zeros(0)
    places: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
    sides: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
    leak_pressure: float = 1.0
    open_area: Floats = np.zeros(0)
    bypass_area: Floats = np.zeros(0)
    shortfall: Floats = np.zeros(0)
    uneven: Floats = np.ones(1)


class Run(NamedTuple):
    """What the plant did, at the end of every step asked for, shape (n // every,).

    `strokes` counts strokes or turns. `left_time` and `right_time` are the durations of the last
    whole stroke each way, s (NaN before the first). `weep_rise`, `bypass_rise` and `valve_rise` are
    how much throttled water heats the leak-off of the seals, the bypass line and the hottest check
    valve, K. `ends` are the steps at which strokes ended.
    """

    pressure: Floats
    strokes: Floats
    left_time: Floats
    right_time: Floats
    weep_rise: Floats
    bypass_rise: Floats
    valve_rise: Floats
    ends: NDArray[np.int64]


SOUND = Ills()


def run_plant(plant: Plant, course: Course, ills: Ills = SOUND, every: int = 1) -> Run:
    """What the plant does on `course`, at the end of every step number `every`."""
    (pressure, strokes, left, right, weep, bypass, valve), ends = _run(plant, course, ills, every)
    return Run(pressure, strokes, left, right, weep, bypass, valve, ends)


class _Stroke(NamedTuple):
    """Where the plunger is; of a crank pump only the turns count."""

    position: float  # within the stroke, 0 to 1
    dwell: float  # s of the reversal that are left
    void: float  # share of this stroke that did not fill
    lasted: float  # s of running since it began
    events: float  # strokes or turns so far
    side: int


class _Leaks(NamedTuple):
    """Where water leaks to, kg/s."""

    chamber: float  # from the chamber under pressure
    line: float  # the jet, all that is open beside it, and what goes back through a check valve
    seal: float  # past the seals
    valve: float  # through the worst check valve


class _Heat(NamedTuple):
    """What throttled water heats each sensor by, K."""

    weep: float
    bypass: float
    valve: float


@compiled
def _run(plant: Plant, course: Course, ills: Ills, every: int) -> tuple[Floats, NDArray[np.int64]]:
    """The fields of `Run` one below the other, shape (7, n // every), and the ends of strokes."""
    n = len(course.area)
    told = np.empty((7, n // every))
    # a plunger that meets no water moves at 4 max_rate
    ends = np.empty(int(4.2 * plant.max_rate * STEP * n) + 16, dtype=np.int64)
    ended = 0
    p = 0.0
    stroke = _Stroke(0.0, 0.0, 0.0, 0.0, 0.0, 0)
    last_time = np.full(2, np.nan)
    heat = _Heat(0.0, 0.0, 0.0)
    for i in range(n):
        running = course.running[i]
        if running or p > 0.0:
            t = course.temperature[i]
            stiffness = float(bulk_modulus(p, t)) / (float(density(p, t)) * plant.attenuator_volume)
            flux = float(mass_flux(max(p, 0.0), t))
            jet = course.area[i] * flux if course.jet_open[i] else 0.0
            spilled = 0.0
            if running and len(ills.open_area):
                jet += ills.open_area[i] * flux
            if running and len(ills.bypass_area):
                spilled = ills.bypass_area[i] * flux
                jet += spilled
            leaks = _Leaks(0.0, jet, 0.0, 0.0)
            if running and len(ills.places):
                leaks = _leaks_at(plant.is_intensifier, ills, i, p, stroke, jet)
            loaded = True
            if not running:
                fed = -p / 4.0 / stiffness  # bled down
            elif plant.is_intensifier:
                fed, loaded, stroke = _push(
                    plant, course.set_pressure[i], p, t, stiffness, leaks.chamber, stroke
                )
                if stroke.position >= 1.0 - 1e-9:
                    last_time[stroke.side] = stroke.lasted
                    if ended < len(ends):
                        ends[ended] = i
                        ended += 1
                    events = stroke.events + 1.0
                    void = _unfilled(ills, i, events) if len(ills.shortfall) else stroke.void
                    stroke = _Stroke(0.0, plant.reversal_time, void, 0.0, events, 1 - stroke.side)
            else:
                speed = course.crank_speed[i]
                events = stroke.events + speed * STEP
                stroke = _Stroke(0.0, 0.0, 0.0, 0.0, events, 0)
                if course.jet_open[i]:
                    void = _unfilled(ills, i, events) if len(ills.shortfall) else 0.0
                    fed = speed * _turn_mass(plant, p, t, void) - leaks.chamber
                else:
                    fed = -p / plant.dump_time / stiffness  # dumped to the drain
            if len(ills.places):
                heat = _warmed_by_leaks(plant, heat, p, t, leaks, loaded)
            if len(ills.bypass_area):
                heat = _warmed_by_bypass(plant, heat, p, t, spilled)
            p = max(p + stiffness * (fed - leaks.line) * STEP, 0.0)
            if not running and p < 1e-9:
                p = 0.0  # the rest of the decay would be spent on denormal numbers
        else:
            heat = _cooled(plant, heat)
        if (i + 1) % every == 0:
            row = i // every
            told[0, row], told[1, row] = p, stroke.events
            told[2, row], told[3, row] = last_time[0], last_time[1]
            told[4, row], told[5, row], told[6, row] = heat.weep, heat.bypass, heat.valve
    return told, ends[:ended].copy()


@compilable
def _leaks_at(
    is_intensifier: bool, ills: Ills, i: int, p: float, stroke: _Stroke, jet: float
) -> _Leaks:
    """What leaks at step `i`, at the pressure `p` in Pa; `jet` is all that is open, kg/s."""
    chamber = 0.0
    seal = 0.0
    valve = 0.0
    for k in range(len(ills.places)):
        leak = ills.leaks[k, i]
        if leak <= 0.0 or p <= 0.0:
            continue
        leak *= (p / ills.leak_pressure) ** ills.exponents[k]
        if ills.places[k] != SEAL:
            valve = max(valve, leak)
        if not is_intensifier:  # one plunger's, in its third of the turn
            chamber += 3.0 * leak if stroke.events % 1.0 < 1.0 / 3.0 else 0.0
            leak *= 1.0 if ills.places[k] == SEAL else 0.0
        elif ills.places[k] == OUTLET_CHECK:
            if ills.sides[k] != stroke.side:
                jet += leak
            continue
        elif ills.sides[k] != BOTH and ills.sides[k] != stroke.side:
            continue
        else:
            chamber += leak
        if ills.places[k] == SEAL:
            seal += leak
    return _Leaks(chamber, jet, seal, valve)


@compilable
def _push(
    plant: Plant,
    set_pressure: float,
    p: float,
    t: float,
    stiffness: float,
    leak: float,
    stroke: _Stroke,
) -> tuple[float, bool, _Stroke]:
    """One step of an intensifier: kg/s delivered, whether the chamber is under load, the stroke.

    `leak` is what the chamber under pressure loses, kg/s.
    """
    position, dwell = stroke.position, stroke.dwell
    stroke_mass = float(delivered_mass(plant.displacement, p, t))
    squeeze = float(compression_fraction(plant.displacement, p, t))
    most = 1.2 * plant.max_rate * stroke_mass / (1.0 - squeeze)
    if stroke.void > 0.0:
        stroke_mass -= _void_mass(plant, t, stroke.void)
        squeeze += stroke.void
    fed = 0.0
    loaded = False
    if dwell > 0.0:
        dwell -= STEP
    elif position < squeeze - 1e-6:  # as water warms, it takes a trace more
        # the chamber is compressed with all the oil there is, nothing comes out yet; one that
        # leaks gives way to the oil also while the pressure is held
        if p < set_pressure or leak > 0.0:
            position = min(position + 4.0 * plant.max_rate * STEP, squeeze)
    else:
        loaded = True
        wanted = (set_pressure - p) / (stiffness * plant.droop_time)
        left = (1.0 - position) / (1.0 - squeeze) * stroke_mass / STEP
        fed = min(max(wanted, 0.0), max(most - leak, 0.0), max(left - leak, 0.0))
        position += (fed + leak) * (1.0 - squeeze) / stroke_mass * STEP
    lasted = stroke.lasted + STEP
    return fed, loaded, _Stroke(position, dwell, stroke.void, lasted, stroke.events, stroke.side)


@compilable
def _turn_mass(plant: Plant, p: float, t: float, void: float) -> float:
    """What one turn of a crank pump delivers, kg, if the share `void` of it did not fill."""
    mass = float(delivered_mass(plant.displacement, p, t))
    return mass - _void_mass(plant, t, void) if void > 0.0 else mass


@compilable
def _void_mass(plant: Plant, t: float, void: float) -> float:
    """What a stroke or turn lacks if the share `void` of it did not fill, kg."""
    d = plant.displacement
    return d.volumetric_efficiency * float(density_at_atmosphere(t)) * d.swept_volume * void


@compilable
def _unfilled(ills: Ills, i: int, events: float) -> float:
    """The share of the stroke or turn number `events` that does not fill."""
    share: float = min(ills.shortfall[i] * ills.uneven[int(events) % len(ills.uneven)], 0.6)
    return share


@compilable
def _warmed_by_leaks(
    plant: Plant, heat: _Heat, p: float, t: float, leaks: _Leaks, loaded: bool
) -> _Heat:
    rise = float(throttling_rise(p, t))
    seal = leaks.seal if loaded else 0.0
    at_weep = rise * seal / (seal + plant.cooling_flow)
    weep = heat.weep + (at_weep - heat.weep) * STEP / plant.drain_time
    # it mixes with what its own chamber draws in and delivers again
    of_flow = 0.5 if plant.is_intensifier else 1.0 / 3.0  # the chamber's share
    at_valve = rise * (leaks.valve / (leaks.valve + max(leaks.line, 1e-9) * of_flow))
    valve = heat.valve + (at_valve - heat.valve) * STEP / plant.drain_time
    return _Heat(weep, heat.bypass, valve)


@compilable
def _warmed_by_bypass(plant: Plant, heat: _Heat, p: float, t: float, spilled: float) -> _Heat:
    at_line = float(throttling_rise(p, t)) * spilled / (spilled + plant.cooling_flow)
    bypass = heat.bypass + (at_line - heat.bypass) * STEP / plant.drain_time
    return _Heat(heat.weep, bypass, heat.valve)


@compilable
def _cooled(plant: Plant, heat: _Heat) -> _Heat:
    return _Heat(
        heat.weep - heat.weep * STEP / plant.drain_time,
        heat.bypass - heat.bypass * STEP / plant.drain_time,
        heat.valve - heat.valve * STEP / plant.drain_time,
    )

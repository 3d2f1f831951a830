"""The virtual pump: pressure and strokes from an orifice that opens, closes and chips.

Lumped mass balance of the high-pressure water between plunger and orifice, stepped at `STEP`
seconds: dp/dt = K / (rho V) (m_pump - m_jet), with K and rho from the state equation. All figures
of the plant (volumes of attenuators, dwell, droop, cooling of drain lines) are invented.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.physics import compiled
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
    """What is asked of the plant, one entry a step, shape (n,)."""

    running: NDArray[np.bool_]
    set_pressure: Floats  # Pa, intensifier
    crank_speed: Floats  # Hz, crank pump
    jet_open: NDArray[np.bool_]
    area: Floats  # effective area of the orifice while open, m²
    temperature: Floats  # K


class Ills(NamedTuple):
    """What is wrong with the plant; arrays of length 0 where nothing is. See `Fault`.

    `leaks` has shape (k, n): the flow of each leak at `leak_pressure` in kg/s, which goes with
    (p / leak_pressure)^exponent. A seal or an inlet check leaks while its own side is under
    pressure, an outlet check while the other side is. `open_area` and `bypass_area`, shape (n,),
    are effective areas in m² that are open whenever the pump runs. `shortfall`, shape (n,), is the
    mean share of a stroke or turn that doesn't fill, `uneven`, shape (m,), what one stroke or turn
    makes of it.
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

    `strokes` counts strokes or turns; `left_time` and `right_time` are the durations in s of the
    last whole stroke each way (NaN before the first), `weep_rise`, `bypass_rise` and `valve_rise`
    what throttled water heats the leak-off of the seals, the bypass line and the hottest check
    valve by, in K. `ends` are the steps at
    which strokes ended.
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
    """What the plant does on `course`, told at the end of every step number `every`."""
    return Run(*_run(plant, course, ills, every))


@compiled
def _run(
    plant: Plant, course: Course, ills: Ills, every: int
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, NDArray[np.int64]]:
    n = len(course.area)
    rows = n // every
    pressure = np.empty(rows)
    count = np.empty(rows)
    stroke_time = np.full((2, rows), np.nan)
    weep_rise = np.zeros(rows)
    bypass_rise = np.zeros(rows)
    valve_rise = np.zeros(rows)
    # a plunger that meets no water moves at 4 max_rate
    ends = np.empty(int(4.2 * plant.max_rate * STEP * n) + 16, dtype=np.int64)
    ended = 0
    p = 0.0
    position = 0.0  # of the plunger within the stroke, 0 to 1
    events = 0.0
    dwell = 0.0
    side = 0
    a_chamber = 0.5 if plant.is_intensifier else 1.0 / 3.0  # its share of the flow
    void = 0.0  # share of this stroke that didn't fill
    lasted = 0.0  # s of running since the stroke began
    last_time = np.full(2, np.nan)
    weep = 0.0
    bypass_heat = 0.0
    valve_heat = 0.0
    for i in range(n):
        seal = 0.0
        spilled = 0.0
        through_valve = 0.0  # the leak of the worst check valve
        if course.running[i] or p > 0.0:
            t = course.temperature[i]
            rho = float(density(p, t))
            stiffness = float(bulk_modulus(p, t)) / (rho * plant.attenuator_volume)
            flux = float(mass_flux(max(p, 0.0), t))
            jet = course.area[i] * flux if course.jet_open[i] else 0.0
            chamber = 0.0  # leaks from the chamber under pressure
            if course.running[i]:
                if len(ills.open_area):
                    jet += ills.open_area[i] * flux
                if len(ills.bypass_area):
                    spilled = ills.bypass_area[i] * flux
                    jet += spilled
                for k in range(len(ills.places)):
                    leak = ills.leaks[k, i]
                    if leak <= 0.0 or p <= 0.0:
                        continue
                    leak *= (p / ills.leak_pressure) ** ills.exponents[k]
                    if ills.places[k] != SEAL:
                        through_valve = max(through_valve, leak)
                    if not plant.is_intensifier:  # one plunger's, in its third of the turn
                        chamber += 3.0 * leak if events % 1.0 < 1.0 / 3.0 else 0.0
                        leak *= 1.0 if ills.places[k] == SEAL else 0.0
                    elif ills.places[k] == OUTLET_CHECK:
                        if ills.sides[k] != side:
                            jet += leak
                        continue
                    elif ills.sides[k] != BOTH and ills.sides[k] != side:
                        continue
                    else:
                        chamber += leak
                    if ills.places[k] == SEAL:
                        seal += leak
            fed = 0.0
            if not course.running[i]:
                fed = -p / 4.0 / stiffness  # bled down
            elif plant.is_intensifier:
                lasted += STEP
                stroke_mass = float(delivered_mass(plant.displacement, p, t))
                squeeze = float(compression_fraction(plant.displacement, p, t))
                most = 1.2 * plant.max_rate * stroke_mass / (1.0 - squeeze)
                if void > 0.0:
                    d = plant.displacement
                    rho_0 = float(density_at_atmosphere(t))
                    stroke_mass -= d.volumetric_efficiency * rho_0 * d.swept_volume * void
                    squeeze += void
                if dwell > 0.0:
                    dwell -= STEP
                    seal = 0.0
                elif position < squeeze - 1e-6:  # as water warms, it takes a trace more
                    # the chamber is compressed with all the oil there is, nothing comes out yet;
                    # one that leaks gives way to the oil also while the pressure is held
                    if p < course.set_pressure[i] or chamber > 0.0:
                        position = min(position + 4.0 * plant.max_rate * STEP, squeeze)
                    seal = 0.0
                else:
                    wanted = (course.set_pressure[i] - p) / (stiffness * plant.droop_time)
                    left = (1.0 - position) / (1.0 - squeeze) * stroke_mass / STEP
                    fed = min(max(wanted, 0.0), max(most - chamber, 0.0), max(left - chamber, 0.0))
                    position += (fed + chamber) * (1.0 - squeeze) / stroke_mass * STEP
                if position >= 1.0 - 1e-9:
                    position = 0.0
                    events += 1.0
                    dwell = plant.reversal_time
                    last_time[side] = lasted
                    lasted = 0.0
                    side = 1 - side
                    if ended < len(ends):
                        ends[ended] = i
                        ended += 1
                    if len(ills.shortfall):
                        uneven = ills.uneven[int(events) % len(ills.uneven)]
                        void = min(ills.shortfall[i] * uneven, 0.6)
            else:
                events += course.crank_speed[i] * STEP
                if course.jet_open[i]:
                    turn_mass = float(delivered_mass(plant.displacement, p, t))
                    if len(ills.shortfall):
                        d = plant.displacement
                        uneven = ills.uneven[int(events) % len(ills.uneven)]
                        void = min(ills.shortfall[i] * uneven, 0.6)
                        rho_0 = float(density_at_atmosphere(t))
                        turn_mass -= d.volumetric_efficiency * rho_0 * d.swept_volume * void
                    fed = course.crank_speed[i] * turn_mass - chamber
                else:
                    fed = -p / plant.dump_time / stiffness  # dumped to the drain
            if len(ills.places):
                heat = float(throttling_rise(p, t)) * seal / (seal + plant.cooling_flow)
                weep += (heat - weep) * STEP / plant.drain_time
                # it mixes with what its own chamber draws in and delivers again
                own = through_valve / (through_valve + max(jet, 1e-9) * a_chamber)
                heat = float(throttling_rise(p, t)) * own
                valve_heat += (heat - valve_heat) * STEP / plant.drain_time
            if len(ills.bypass_area):
                heat = float(throttling_rise(p, t)) * spilled / (spilled + plant.cooling_flow)
                bypass_heat += (heat - bypass_heat) * STEP / plant.drain_time
            p = max(p + stiffness * (fed - jet) * STEP, 0.0)
            if not course.running[i] and p < 1e-9:
                p = 0.0  # the rest of the decay would be spent on denormal numbers
        else:
            weep -= weep * STEP / plant.drain_time
            valve_heat -= valve_heat * STEP / plant.drain_time
            bypass_heat -= bypass_heat * STEP / plant.drain_time
        if (i + 1) % every == 0:
            row = i // every
            pressure[row] = p
            count[row] = events
            stroke_time[0, row] = last_time[0]
            stroke_time[1, row] = last_time[1]
            weep_rise[row] = weep
            bypass_rise[row] = bypass_heat
            valve_rise[row] = valve_heat
    left_time, right_time = stroke_time[0], stroke_time[1]
    return (
        pressure,
        count,
        left_time,
        right_time,
        weep_rise,
        bypass_rise,
        valve_rise,
        ends[:ended].copy(),
    )

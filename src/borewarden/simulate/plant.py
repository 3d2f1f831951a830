"""The virtual pump: pressure and strokes from an orifice that opens, closes and chips.

Lumped mass balance of the high-pressure water between plunger and orifice, stepped at `STEP`
seconds: dp/dt = K / (rho V) (m_pump - m_jet), with K and rho from the state equation. All figures
of the plant (volumes of attenuators, dwell, droop, noise) are invented.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.physics import compiled
from borewarden.physics.orifice import mass_flux
from borewarden.physics.pump import Displacement, compression_fraction, delivered_mass
from borewarden.physics.water import bulk_modulus, density

STEP = 0.02  # s

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


class Course(NamedTuple):
    """What is asked of the plant, one entry a step, shape (n,)."""

    running: NDArray[np.bool_]
    set_pressure: Floats  # Pa, intensifier
    crank_speed: Floats  # Hz, crank pump
    jet_open: NDArray[np.bool_]
    area: Floats  # effective area of the orifice while open, m²
    temperature: Floats  # K


@compiled
def run_plant(plant: Plant, course: Course) -> tuple[Floats, Floats]:
    """Pressure (Pa) and count of strokes or turns at the end of each step, shape (n,) each."""
    n = len(course.area)
    pressure = np.empty(n)
    count = np.empty(n)
    p = 0.0
    position = 0.0  # of the plunger within the stroke, 0 to 1
    events = 0.0
    dwell = 0.0
    for i in range(n):
        t = course.temperature[i]
        rho = float(density(p, t))
        stiffness = float(bulk_modulus(p, t)) / (rho * plant.attenuator_volume)
        jet = course.area[i] * float(mass_flux(max(p, 0.0), t)) if course.jet_open[i] else 0.0
        fed = 0.0
        if not course.running[i]:
            fed = -p / 4.0 / stiffness  # bled down
        elif plant.is_intensifier:
            stroke_mass = float(delivered_mass(plant.displacement, p, t))
            squeeze = float(compression_fraction(plant.displacement, p, t))
            most = 1.2 * plant.max_rate * stroke_mass / (1.0 - squeeze)
            if dwell > 0.0:
                dwell -= STEP
            elif position < squeeze:
                # the chamber is compressed with all the oil there is, nothing comes out yet
                if p < course.set_pressure[i]:
                    position = min(position + 4.0 * plant.max_rate * STEP, squeeze)
            else:
                wanted = (course.set_pressure[i] - p) / (stiffness * plant.droop_time)
                left = (1.0 - position) / (1.0 - squeeze) * stroke_mass / STEP
                fed = min(max(wanted, 0.0), most, left)
                position += fed * (1.0 - squeeze) / stroke_mass * STEP
            if position >= 1.0 - 1e-9:
                position = 0.0
                events += 1.0
                dwell = plant.reversal_time
        else:
            events += course.crank_speed[i] * STEP
            if course.jet_open[i]:
                fed = course.crank_speed[i] * float(delivered_mass(plant.displacement, p, t))
            else:
                fed = -p / plant.dump_time / stiffness  # dumped to the drain
        p = max(p + stiffness * (fed - jet) * STEP, 0.0)
        pressure[i] = p
        count[i] = events
    return pressure, count

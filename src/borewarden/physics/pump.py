"""Intensifiers and direct-drive crank pumps: what a stroke or a turn delivers, and the limits.

Both kinds move a plunger through a swept volume, compress what is in the chamber and push the
rest out, so both share one `Displacement` per counted event: a stroke of an intensifier or a
turn of a crank. From there on the model of the watcher does not know which pump it watches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
from scipy.optimize import brentq, elementwise

from borewarden.physics import Real, compilable
from borewarden.physics.orifice import bore_area, mass_flux
from borewarden.physics.water import density, density_at_atmosphere, expansion_work

REFERENCE_TEMPERATURE = 293.15  # K, of the feed water
LOWEST_ROOT, HIGHEST_ROOT = 1e3, 1e9  # Pa, between which a pressure is looked for


class Displacement(NamedTuple):
    """Volumes of one counted event (a stroke, or a turn of the crank), m³.

    `dead_volume` is what stays in the chambers at the end of the delivery and has to be
    compressed anew; `volumetric_efficiency` is the share left after seals and valves.
    """

    swept_volume: float
    dead_volume: float
    volumetric_efficiency: float


@compilable
def delivered_mass(displacement: Displacement, pressure: Real, temperature: Real) -> Real:
    """Mass pushed out per counted event against `pressure`, kg.

    `pressure` in Pa gauge, `temperature` in K. Mass balance of one chamber: it fills at rho0 to
    swept + dead volume and keeps the dead volume at rho(p),

        m = eta_v (rho0 V_swept - (rho(p) - rho0) V_dead)

    so at 400 MPa a plunger moves about 12 % of its swept volume before the first drop leaves.
    """
    rho_0 = density_at_atmosphere(temperature)
    rho_p = density(pressure, temperature)
    return displacement.volumetric_efficiency * (
        rho_0 * displacement.swept_volume - (rho_p - rho_0) * displacement.dead_volume
    )


def cycle_work(displacement: Displacement, pressure: Real, temperature: Real) -> Real:
    """Work on the water in one counted event against `pressure`, J: the integral of p dV.

    Fill at the atmosphere, compress, push out, and let the dead volume expand and give its work
    back: by the first law, the mass that leaves the chamber times the integral of dp/rho. Water
    that seals and valves lose has cost the same work. `pressure` in Pa gauge, `temperature` in K;
    compression without heat exchange, as it is in a stroke, takes up to 1.5 % more (IAPWS-95, see
    the tests). Friction is left out.
    """
    lossless = displacement._replace(volumetric_efficiency=1.0)
    return delivered_mass(lossless, pressure, temperature) * expansion_work(pressure, temperature)


@compilable
def compression_fraction(displacement: Displacement, pressure: Real, temperature: Real) -> Real:
    """Share of the stroke spent on compressing before the delivery starts, dimensionless.

    Mass balance: rho0 (V_swept + V_dead) = rho(p) (V_swept (1 - x) + V_dead).
    """
    ratio = density_at_atmosphere(temperature) / density(pressure, temperature)
    return (1.0 - ratio) * (1.0 + displacement.dead_volume / displacement.swept_volume)


@compilable
def event_rate(displacement: Displacement, area: Real, pressure: Real, temperature: Real) -> Real:
    """Counted events per second, Hz, that feed the effective `area` (m²) at `pressure`."""
    flow = area * mass_flux(pressure, temperature)
    return flow / delivered_mass(displacement, pressure, temperature)


def area_of_rate(displacement: Displacement, rate: Real, pressure: Real, temperature: Real) -> Real:
    """Effective area, m², that a `rate` in Hz feeds at `pressure`: inverse of `event_rate`."""
    flow = rate * delivered_mass(displacement, pressure, temperature)
    return flow / mass_flux(pressure, temperature)


def overstroke_margin(rate: Real, max_stroke_rate: float) -> Real:
    """Share of the stroke rate still free, 1 - f/f_max; 0 is overstroke, dimensionless."""
    return 1.0 - rate / max_stroke_rate


@dataclass(frozen=True)
class Intensifier:
    """A double-acting hydraulic intensifier; volumes of one stroke in one direction.

    `plunger_diameter`, `stroke` in m, `dead_volume` in m³ a chamber, `max_stroke_rate` in Hz,
    `rated_pressure` in Pa, `rated_power` in W, `intensification_ratio` = oil area / plunger area.
    """

    plunger_diameter: float
    stroke: float
    dead_volume: float
    intensification_ratio: float
    max_stroke_rate: float
    rated_pressure: float
    rated_power: float
    volumetric_efficiency: float = 1.0

    @property
    def floats(self) -> bool:
        """Whether nothing holds the pressure: the oil side does."""
        return False

    @property
    def displacement(self) -> Displacement:
        """Volumes of one stroke."""
        swept = float(bore_area(self.plunger_diameter)) * self.stroke
        return Displacement(swept, self.dead_volume, self.volumetric_efficiency)

    @property
    def max_rate(self) -> float:
        """Most counted events per second: the overstroke limit, Hz."""
        return self.max_stroke_rate

    def oil_pressure(self, pressure: Real) -> Real:
        """Oil pressure, Pa, that balances the water's, seal friction left out."""
        return pressure / self.intensification_ratio

    def oil_flow(self, stroke_rate: Real) -> Real:
        """Oil used by a `stroke_rate` in Hz, m³/s: the oil piston sweeps the same stroke."""
        return stroke_rate * self.displacement.swept_volume * self.intensification_ratio

    def oil_power(self, pressure: Real, stroke_rate: Real) -> Real:
        """Power in the oil, W: `oil_pressure` times `oil_flow`."""
        return self.oil_pressure(pressure) * self.oil_flow(stroke_rate)


@dataclass(frozen=True)
class DirectDrive:
    """A crank pump with `plungers` plungers; volumes of one turn of the crank.

    `plunger_diameter`, `stroke` in m, `dead_volume` in m³ a plunger, `crank_speed` the rated
    speed in Hz, `rated_pressure` in Pa, `rated_power` in W. `regulation` says what holds the
    pressure: "none" (it floats with the orifice), "speed" (a drive that trims the crank speed)
    or "bypass" (a valve that spills the surplus at `rated_pressure`). `drive_ratio` is crank speed
    over motor speed, None where it is not known.
    """

    plungers: int
    plunger_diameter: float
    stroke: float
    dead_volume: float
    crank_speed: float
    rated_pressure: float
    rated_power: float
    volumetric_efficiency: float = 0.95
    regulation: Literal["none", "speed", "bypass"] = "none"
    drive_ratio: float | None = None

    @property
    def floats(self) -> bool:
        """Whether nothing holds the pressure: it follows the crank's speed and the bore."""
        return self.regulation == "none"

    @property
    def displacement(self) -> Displacement:
        """Volumes of one turn of the crank."""
        swept = self.plungers * float(bore_area(self.plunger_diameter)) * self.stroke
        return Displacement(swept, self.plungers * self.dead_volume, self.volumetric_efficiency)

    @property
    def max_rate(self) -> float:
        """Most counted events per second: the rated crank speed, Hz."""
        return self.crank_speed

    def expected_pressure(self, area: Real, temperature: Real, speed: Real) -> Real:
        """Pressure, Pa, at which orifices of effective `area` (m²) pass all that the pump feeds.

        Broadcasts over arrays. `speed` is the crank speed in Hz, `temperature` in K; the areas of
        several open heads add. With a bypass the pressure stops at `rated_pressure`. Solves
        delivered mass = jet mass by Chandrupatla's method (1997, Adv. Eng. Softw. 28, 145-149), for
        one value by Brent's (1973, Algorithms for Minimization Without Derivatives, ch. 4).
        Raises ValueError where no pressure from 1 kPa to 1 GPa would do.
        """
        area = self._with_bypass(area, temperature, speed)
        passes = self._passes(area, temperature, speed)
        if not np.all(passes):
            raise ValueError(
                "no pressure from 1 kPa to 1 GPa passes the pump's flow through an effective area "
                f"of {float(np.min(area)):.3e} m² at a crank speed of {float(np.min(speed)):.3g} Hz"
            )
        pressure: Real
        if np.ndim(passes):
            pressure = elementwise.find_root(
                self._surplus, (LOWEST_ROOT, HIGHEST_ROOT), args=(area, temperature, speed)
            ).x
        else:  # for one value that takes twenty times as long
            ends = LOWEST_ROOT, HIGHEST_ROOT
            pressure = float(brentq(self._surplus, *ends, (area, temperature, speed), 1e-6))
        if self.regulation == "bypass":
            pressure = np.minimum(pressure, self.rated_pressure)
        return pressure

    def reached_pressure(self, area: Real, temperature: Real, speed: Real) -> Real:
        """As `expected_pressure`, but NaN where no pressure from 1 kPa to 1 GPa would do."""
        can = self._passes(self._with_bypass(area, temperature, speed), temperature, speed)
        if np.ndim(can) == 0:
            return self.expected_pressure(area, temperature, speed) if can else np.nan
        reached = np.full(can.shape, np.nan)
        if can.any():
            given = (np.broadcast_to(each, can.shape)[can] for each in (area, temperature, speed))
            reached[can] = self.expected_pressure(*given)
        return reached

    def _with_bypass(self, area: Real, temperature: Real, speed: Real) -> Real:
        """The area with what a bypass adds: what it is short of the rated pressure's."""
        if self.regulation != "bypass":
            return area
        least = area_of_rate(self.displacement, speed, self.rated_pressure, temperature)
        return np.maximum(area, least)

    def _surplus(self, pressure: Real, area: Real, temperature: Real, speed: Real) -> Real:
        """Mass fed at this pressure less what the jet takes, kg/s."""
        fed = speed * delivered_mass(self.displacement, pressure, temperature)
        return fed - area * mass_flux(pressure, temperature)

    def _passes(self, area: Real, temperature: Real, speed: Real) -> Any:
        """Where some pressure passes all that is fed."""
        given = area, temperature, speed
        return self._surplus(LOWEST_ROOT, *given) * self._surplus(HIGHEST_ROOT, *given) <= 0.0

    def bypass_flow(self, area: Real, pressure: Real, temperature: Real, speed: Real) -> Real:
        """Mass spilled by the bypass, kg/s: what the pump feeds less what the jet takes."""
        return self._surplus(pressure, area, temperature, speed)


Pump = Intensifier | DirectDrive


def feed_volume(pump: Pump, temperature: float = REFERENCE_TEMPERATURE) -> float:
    """Feed water that one stroke, or one turn of the crank, takes in at rated pressure, m³.

    What a flow meter in the feed line shows, over this, is the rate: delivered mass over the
    density at atmosphere. With a dead volume of a tenth of the swept one, it is 0.4 % more at
    three quarters of the pressure.
    """
    mass = delivered_mass(pump.displacement, pump.rated_pressure, temperature)
    return float(mass / density_at_atmosphere(temperature))

"""The jewel orifice: pressure and effective area to jet speed and flow, and back.

What a pump sees of an orifice is the product C_d * A, its *effective area*. A chip or a rounded
edge raises C_d before the bore itself grows, so a bore that is worked back from a flow is an
*effective bore*: the sharp bore that would pass the same water.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from borewarden.physics import Real, compilable
from borewarden.physics.water import density, density_at_atmosphere, expansion_work


class DischargeCoefficient(NamedTuple):
    """A plausible range of C_d for one kind of jewel and edge, with where it comes from."""

    low: float
    typical: float
    high: float
    source: str


# Plausible C_d of a sound, freshly fitted jewel. The edge sets it: Idelchik (1966, "Handbook of
# Hydraulic Resistance", AEC-tr-6630, diagrams 4-17 and 4-18, zeta against inlet rounding r/d of a
# hole in a large wall, C_d = 1/sqrt(zeta)) gives 0.592 for a sharp edge, 0.625 at r/d = 0.02,
# 0.664 at 0.04 and 0.729 at 0.08. Which rounding a kind of jewel comes with is a value from
# memory: man-made corundum is sold with the sharpest edge, lapped diamond with a rounder one.
# `low` and `high` are read as two standard deviations each side where a sigma is needed.
DISCHARGE_COEFFICIENTS: dict[str, DischargeCoefficient] = {
    "ruby": DischargeCoefficient(
        0.59, 0.65, 0.71, "Idelchik 1966, r/d 0 to 0.07; typical value from memory"
    ),
    "sapphire": DischargeCoefficient(
        0.59, 0.65, 0.71, "Idelchik 1966, r/d 0 to 0.07; typical value from memory"
    ),
    "man-made": DischargeCoefficient(
        0.60, 0.67, 0.74, "Idelchik 1966, r/d 0.01 to 0.08; typical value from memory"
    ),
    "diamond": DischargeCoefficient(
        0.62, 0.70, 0.78, "Idelchik 1966, r/d 0.02 to 0.11; typical value from memory"
    ),
}

# Diameters that jewels are usually sold in, inch. Common practice, no source.
STOCK_BORES_INCH = (0.007, 0.008, 0.009, 0.010, 0.011, 0.012, 0.013, 0.014, 0.015, 0.016, 0.018)


@compilable
def jet_speed(pressure: Real, temperature: Real) -> Real:
    """Speed of the jet at the vena contracta, m/s.

    `pressure` in Pa gauge (>= 0), `temperature` in K. Bernoulli for a compressible liquid,
    v = sqrt(2 * integral of dp/rho), with the state equation of `borewarden.physics.water`.
    """
    result: Real = np.sqrt(2.0 * expansion_work(pressure, temperature))
    return result


def jet_speed_hashish(
    pressure: Real, density_0: float = 997.05, L: float = 300e6, c: float = 0.1368
) -> Real:
    """Speed of the jet, m/s, by Hashish's closed form for water at 25 °C.

    `pressure` in Pa gauge, `density_0` in kg/m³, `L` in Pa. From rho = rho0 (1 + p/L)^c; Hashish
    (1989, "Pressure effects in abrasive-waterjet (AWJ) machining", ASME J. Eng. Mater. Technol.
    111, 221-228). Kept as the literature's yardstick for `jet_speed`.
    """
    work = L / (density_0 * (1.0 - c)) * ((1.0 + pressure / L) ** (1.0 - c) - 1.0)
    result: Real = np.sqrt(2.0 * work)
    return result


@compilable
def mass_flux(pressure: Real, temperature: Real) -> Real:
    """Mass flow per effective area, kg/(s·m²).

    `pressure` in Pa gauge (>= 0), `temperature` in K: the density after expansion times the jet's
    speed. The flow of an orifice is `mass_flux(p, T) * C_d * A`.
    """
    return density_at_atmosphere(temperature) * jet_speed(pressure, temperature)


def mass_flux_sensitivity(pressure: Real, temperature: Real) -> Real:
    """D ln(mass_flux) / d ln(pressure), dimensionless.

    One half where water is incompressible, less at ultra-high pressure (0.474 at 400 MPa). The
    derivative of `mass_flux` in closed form.
    """
    work = expansion_work(pressure, temperature)
    return pressure / density(pressure, temperature) / (2.0 * work)


@compilable
def bore_area(bore: Real) -> Real:
    """Cross-section of a round bore, m², from its diameter in m."""
    return np.pi / 4.0 * bore * bore


@compilable
def bore_of_area(area: Real) -> Real:
    """Diameter of a round bore, m, from its cross-section in m² (>= 0)."""
    result: Real = np.sqrt(4.0 / np.pi * area)
    return result


def mass_flow(bore: Real, discharge_coefficient: Real, pressure: Real, temperature: Real) -> Real:
    """Water through an orifice, kg/s.

    `bore` in m, `pressure` in Pa gauge, `temperature` in K: m = C_d A rho v.
    """
    return discharge_coefficient * bore_area(bore) * mass_flux(pressure, temperature)


def volume_flow(bore: Real, discharge_coefficient: Real, pressure: Real, temperature: Real) -> Real:
    """Water through an orifice as volume at atmospheric pressure, m³/s: Q = C_d A v."""
    return discharge_coefficient * bore_area(bore) * jet_speed(pressure, temperature)


def effective_area(flow: Real, pressure: Real, temperature: Real) -> Real:
    """Effective area C_d A, m², of whatever passes the mass `flow` in kg/s at `pressure`.

    The inverse of `mass_flow`; areas of several heads open at once add.
    """
    return flow / mass_flux(pressure, temperature)


def effective_bore(
    flow: Real, discharge_coefficient: Real, pressure: Real, temperature: Real
) -> Real:
    """Effective bore, m: the bore that passes `flow` (kg/s) with the given C_d."""
    return bore_of_area(effective_area(flow, pressure, temperature) / discharge_coefficient)


def effective_area_uncertainty(
    flow_rel: Real,
    pressure: Real,
    pressure_rel: Real,
    temperature: Real,
    temperature_k: Real = 0.0,
) -> Real:
    """Relative standard uncertainty of an effective area, first order.

    `flow_rel` and `pressure_rel` are relative standard uncertainties, `temperature_k` one in K.
    Law of propagation, JCGM 100:2008 (GUM) eq. 10, independent inputs. The temperature acts
    through sqrt(rho0), d ln sqrt(rho0)/dT = -1.3e-4 /K at 25 °C and -1.8e-4 /K at 40 °C: small
    beside the others.
    """
    by_pressure = mass_flux_sensitivity(pressure, temperature) * pressure_rel
    by_temperature = 1.3e-4 * temperature_k
    result: Real = np.sqrt(flow_rel**2 + by_pressure**2 + by_temperature**2)
    return result


def hydraulic_power(pressure: Real, flow_volume: Real) -> Real:
    """Hydraulic power p Q, W, of `flow_volume` in m³/s at `pressure` in Pa."""
    return pressure * flow_volume

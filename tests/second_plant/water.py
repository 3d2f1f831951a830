"""Water as the plant sees it: tables of IAPWS-95, and the jet that they give.

The equation of state is IAPWS R6-95(2018), taken from the library iapws. `water_table.csv` holds
what the plant needs of it, on a grid of gauge pressure (0 to 660 MPa) and temperature (0 to 80 °C);
`python -m second_plant.water` writes it anew (half a minute). Nothing here is a fitted formula.

The jet leaves into the open air, so that its speed w follows from the enthalpy that the water loses
on its way at constant entropy, w² = 2 (h(p, T) - h(p_air, s(p, T))), and its mass flux, per area of
the contracted stream, is the speed times the density behind the orifice.
"""

from pathlib import Path
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

TABLE = Path(__file__).with_name("water_table.csv")
AIR = 101_325.0  # Pa, published: standard atmosphere
STEP_PRESSURE = 10e6  # Pa, between two rows of the table
STEP_TEMPERATURE = 5.0  # K
COLUMNS = ("gauge_mpa", "celsius", "density", "flux", "warming", "pressed_density", "throttled")


# Which table: last index of what `load` returns.
DENSITY = 0  # kg/m³, at that pressure and temperature
ROOT_FLUX = 1  # mass flux of the ideal jet over the root of the gauge pressure, kg/(m² s Pa^½):
# it hardly bends, so that it can be interpolated linearly down to no pressure at all
WARMING = (
    2  # K, of water that is pressed that far at constant entropy, from that temperature in air
)
PRESSED = 3  # kg/m³ of it then
THROTTLED = 4  # °C, of water that leaked out from there, at constant enthalpy

Water = NDArray[np.float64]


def load() -> Water:
    """The tables, (pressures, temperatures, 5)."""
    rows = np.genfromtxt(TABLE, delimiter=",", names=True)
    shape = (np.unique(rows["gauge_mpa"]).size, np.unique(rows["celsius"]).size)
    grid = {name: rows[name].reshape(shape) for name in COLUMNS}
    root_flux = grid["flux"] / np.sqrt(np.maximum(grid["gauge_mpa"], 1e-9) * 1e6)
    # Without compression flux² = 2 ρ p holds exactly; that is the limit of the first row.
    root_flux[0] = np.sqrt(2 * grid["density"][0])
    names = ("warming", "pressed_density", "throttled")
    return np.stack([grid["density"], root_flux, *(grid[name] for name in names)], axis=-1)


@njit(cache=True)
def lookup(water, which, gauge, celsius):
    """Bilinear in gauge pressure, Pa, and temperature, °C; held at the edges of the table."""
    u = min(max(gauge / 10e6, 0.0), water.shape[0] - 1.000001)
    v = min(max(celsius / 5.0, 0.0), water.shape[1] - 1.000001)
    i, j = int(u), int(v)
    u -= i
    v -= j
    low = water[i, j, which] + v * (water[i, j + 1, which] - water[i, j, which])
    high = water[i + 1, j, which] + v * (water[i + 1, j + 1, which] - water[i + 1, j, which])
    return low + u * (high - low)


@njit(cache=True)
def slope(water, which, gauge, celsius):
    """Derivative of `lookup` by pressure, 1/Pa."""
    i = int(min(max(gauge / 10e6, 0.0), water.shape[0] - 1.000001))
    v = min(max(celsius / 5.0, 0.0), water.shape[1] - 1.000001)
    j = int(v)
    v -= j
    low = water[i, j, which] + v * (water[i, j + 1, which] - water[i, j, which])
    high = water[i + 1, j, which] + v * (water[i + 1, j + 1, which] - water[i + 1, j, which])
    return (high - low) / 10e6


@njit(cache=True)
def jet_flux(water, gauge, celsius):
    """Mass flux of the ideal jet, kg/(m² s), from water of that gauge pressure and temperature."""
    return lookup(water, ROOT_FLUX, gauge, celsius) * np.sqrt(max(gauge, 0.0))


# --- making the table -------------------------------------------------------------------------


class _State(NamedTuple):
    density: float  # kg/m³
    enthalpy: float  # J/kg
    entropy: float  # J/(kg K)


def _states():
    """Density, enthalpy and entropy of liquid water by absolute pressure, Pa, and temperature, K.

    iapws refuses supercooled water, which a very cold jet comes to; its Helmholtz function doesn't,
    so the density is found here: Newton's rule on p(ρ, T).
    """
    from iapws import IAPWS95  # here: only needed to make the table

    equation = IAPWS95(T=300, rho=1000)

    def state(pressure: float, kelvin: float) -> _State:
        density = 1000 * (1 + max(pressure - AIR, 0) / 365e6) ** 0.162  # a start, nothing more
        for _ in range(50):
            now = equation._Helmholtz(density, kelvin)
            stiffness = 1000 * _pressure_by_density(equation, now, density, kelvin)
            change = (pressure - 1000 * now["P"]) / stiffness
            density += change
            if abs(change) < 1e-9 * density:
                break
        else:
            raise ArithmeticError(f"no density at {pressure} Pa, {kelvin} K")
        now = equation._Helmholtz(density, kelvin)
        return _State(density, 1000 * now["h"], 1000 * now["s"])

    return state


def _pressure_by_density(equation, now, density: float, kelvin: float) -> float:
    """∂p/∂ρ at constant temperature, kPa m³/kg: IAPWS R6-95, Table 3."""
    delta = now["delta"]
    return equation.R * kelvin * (1 + 2 * delta * now["fird"] + delta**2 * now["firdd"])


def _root(function, start: float) -> float:
    """Where `function` crosses zero, by the secant rule."""
    a, b = start, start - 0.5
    at_a, at_b = function(a), function(b)
    for _ in range(60):
        if abs(b - a) < 1e-8:
            return b
        a, at_a, b = b, at_b, b - at_b * (b - a) / (at_b - at_a)
        at_b = function(b)
    raise ArithmeticError("no root")


def build() -> NDArray[np.float64]:
    """Rows of the table, in the order of COLUMNS."""
    state = _states()
    rows = []
    for i in range(67):
        pressure = AIR + i * STEP_PRESSURE
        for j in range(17):
            celsius = j * STEP_TEMPERATURE
            kelvin = celsius + 273.15
            here, loose = state(pressure, kelvin), state(AIR, kelvin)
            if i == 0:
                rows.append([0, celsius, here.density, 0, 0, here.density, celsius])
                continue
            out = _root(lambda t, s=here.entropy: state(AIR, t).entropy - s, kelvin - 1)
            behind = state(AIR, out)
            speed = np.sqrt(2 * (here.enthalpy - behind.enthalpy))
            hot = _root(lambda t, s=loose.entropy, p=pressure: state(p, t).entropy - s, kelvin + 1)
            throttled = _root(lambda t, h=here.enthalpy: state(AIR, t).enthalpy - h, kelvin + 1)
            rows.append(
                [
                    i * STEP_PRESSURE / 1e6,
                    celsius,
                    here.density,
                    speed * behind.density,
                    hot - kelvin,
                    state(pressure, hot).density,
                    throttled - 273.15,
                ]
            )
    return np.array(rows)


if __name__ == "__main__":
    np.savetxt(TABLE, build(), fmt="%.8g", delimiter=",", header=",".join(COLUMNS), comments="")

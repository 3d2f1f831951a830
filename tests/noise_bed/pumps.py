"""Two pumps of our own invention, and the machine files that fit them."""

from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

KINDS = ("rate", "counter", "floating", "regulated")
TABLE = Path(__file__).parents[1] / "second_plant" / "water_table.csv"  # IAPWS-95
CELSIUS = 20.0  # what the product takes where no temperature is logged

FULL, REDUCED = 380e6, 260e6  # Pa, set pressures; common practice, no source
BORE_INCH = 0.011
AREA = 0.65 * np.pi / 4 * (BORE_INCH * 0.0254) ** 2  # m², C_d A of the jewel
RESTING_LEAK = 0.005  # share of the flow at 380 MPa that leaks, where a row states none


class Plant(NamedTuple):
    """Swept and dead volume of one stroke or turn in m³, and the share that arrives."""

    swept: float
    dead: float
    efficiency: float


INTENSIFIER = Plant(np.pi / 4 * 0.024**2 * 0.18, 7e-6, 0.97)
CRANK = Plant(3 * np.pi / 4 * 0.010**2 * 0.04, 3e-6, 0.93)


@cache
def _water() -> tuple[Floats, Floats, Floats]:
    rows = np.genfromtxt(TABLE, delimiter=",", names=True)
    rows = rows[rows["celsius"] == CELSIUS]
    pressure = rows["gauge_mpa"] * 1e6
    root_flux = rows["flux"] / np.sqrt(np.maximum(pressure, 1.0))
    root_flux[0] = np.sqrt(2 * rows["density"][0])  # Bernoulli, where water is not pressed yet
    return pressure, rows["density"], root_flux


def jet_flux(pressure: Floats | float) -> Floats:
    """Mass flux of the ideal jet, kg/(m² s), at gauge pressures in Pa."""
    grid, _, root_flux = _water()
    return np.interp(pressure, grid, root_flux) * np.sqrt(pressure)


def delivered(plant: Plant, pressure: Floats | float) -> Floats:
    """Mass of one stroke or turn, kg: what is swept less what was only pressed."""
    grid, density, _ = _water()
    now = np.interp(pressure, grid, density)
    return plant.efficiency * (density[0] * plant.swept - (now - density[0]) * plant.dead)


def leak_flow(share: float, pressure: Floats | float) -> Floats:
    """kg/s, by pressure squared; `share` is of the jet's flow at the full pressure."""
    return share * AREA * jet_flux(FULL) * (np.asarray(pressure) / FULL) ** 2


def crank_speed(share: float, pressure: float) -> float:
    """Turns per second that hold the pressure with the sound jewel."""
    flow = AREA * jet_flux(pressure) + leak_flow(share, pressure)
    return float(flow / delivered(CRANK, pressure))


def floating_pressure(share: float, speed: float, area: Floats) -> Floats:
    """Pressure at which jet and leak take what a crank of fixed speed delivers, Pa."""
    pressure = np.linspace(20e6, 640e6, 1241)
    passes = (delivered(CRANK, pressure) * speed - leak_flow(share, pressure)) / jet_flux(pressure)
    return np.interp(area, passes[::-1], pressure[::-1])


def machine_file(kind: str, valve: bool) -> str:
    """The machine file that a shop would write; every setting has its default."""
    common = f"""# Invented: a machine of the noise bed.
name = "Bed"
time_zone = "UTC"
[[jewel]]
fitted = 2026-03-02T00:00:00Z
bore = "{BORE_INCH} in"
material = "ruby"
[pump]
rated_pressure = "400 MPa"
rated_power = "22 kW"
"""
    if kind in ("rate", "counter"):
        pump = """kind = "intensifier"
plunger_diameter = "24 mm"
stroke = "180 mm"
dead_volume = "7 cm^3"
max_stroke_rate = "60 strokes/min"
intensification_ratio = 20
volumetric_efficiency = "97 %"
"""
    else:
        speed = crank_speed(RESTING_LEAK, FULL) * (1.0 if kind == "floating" else 1.25)
        pump = f"""kind = "direct drive"
plungers = 3
plunger_diameter = "10 mm"
stroke = "40 mm"
dead_volume = "1 cm^3"
volumetric_efficiency = "93 %"
crank_speed = "{60 * speed:.2f} rpm"
regulation = "{"none" if kind == "floating" else "speed"}"
"""
    log = """[log]
time = "time"
[log.pressure]
column = "pressure"
unit = "MPa"
"""
    if kind == "counter":
        log += '[log.stroke_count]\ncolumn = "strokes"\n'
    else:
        log += (
            f'[log.rate]\ncolumn = "rate"\nunit = "{"rpm" if kind != "rate" else "strokes/min"}"\n'
        )
    if valve:
        log += '[log.valve]\ncolumn = "valve"\n'
    return common + pump + log

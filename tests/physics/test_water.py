"""Water's state equation against IAPWS-95 and against its own calculus.

The yardstick is the `iapws` library's IAPWS-95 (Wagner & Pruss 2002, J. Phys. Chem. Ref. Data 31,
387-535), itself anchored on the verification table of IAPWS R6-95.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from iapws import IAPWS95
from scipy.integrate import quad

from borewarden.physics import Real
from borewarden.physics.water import (
    ATMOSPHERE,
    bulk_modulus,
    density,
    density_at_atmosphere,
    expansion_work,
    tait_b,
    throttling_rise,
)

CELSIUS = np.arange(5.0, 60.1, 5.0)
GAUGE_MPA = np.array([0.0, 10, 20, 50, 100, 150, 200, 250, 300, 350, 400, 450, 500, 550, 600, 620])
ROOM = 298.15  # K

# IAPWS R6-95, table 7, at 300 K: density in kg/m³, absolute pressure in MPa.
TABLE_7 = [(996.5560, 0.0992418352), (1005.308, 20.0022515), (1188.202, 700.004704)]


def reference(gauge: float, temperature: float) -> IAPWS95:
    """IAPWS-95 state at `gauge` Pa and `temperature` K (the library takes MPa absolute)."""
    return IAPWS95(P=(gauge + ATMOSPHERE) / 1e6, T=temperature)


@pytest.mark.parametrize(("rho", "pressure_mpa"), TABLE_7)
def test_yardstick_reproduces_its_verification_table(rho: float, pressure_mpa: float) -> None:
    """IAPWS R6-95, table 7: the printed digits, so the library is IAPWS-95."""
    calculated = IAPWS95(rho=rho, T=300.0).P
    assert calculated == pytest.approx(pressure_mpa, rel=1e-8)


@pytest.mark.parametrize(("rho", "pressure_mpa"), TABLE_7)
def test_density_at_verification_points(rho: float, pressure_mpa: float) -> None:
    """IAPWS R6-95, table 7; 700 MPa lies past the fitted range and still holds."""
    assert density(pressure_mpa * 1e6 - ATMOSPHERE, 300.0) == pytest.approx(rho, rel=0.0012)


@pytest.mark.parametrize(
    ("pressure_mpa", "rho"), [(0.1, 997.05), (100, 1037.87), (400, 1126.58), (600, 1170.15)]
)
def test_density_at_25_celsius(pressure_mpa: float, rho: float) -> None:
    """Values of IAPWS-95 at 25 °C, absolute pressure."""
    gauge = pressure_mpa * 1e6 - ATMOSPHERE
    assert reference(gauge, ROOM).rho == pytest.approx(rho, abs=0.01)
    assert density(gauge, ROOM) == pytest.approx(rho, rel=0.0005)


def test_density_over_the_whole_range() -> None:
    """IAPWS-95, 5-60 °C and 0-620 MPa gauge: the project's bar is 0.5 %, the fit does better."""
    pressure, temperature = np.meshgrid(GAUGE_MPA * 1e6, CELSIUS + 273.15)
    expected = np.vectorize(lambda p, t: reference(p, t).rho)(pressure, temperature)
    error = density(pressure, temperature) / expected - 1.0
    row, column = np.unravel_index(np.argmax(np.abs(error)), error.shape)
    print(f"density: {error[row, column]:+.4%} at {CELSIUS[row]} °C, {GAUGE_MPA[column]} MPa")
    assert np.max(np.abs(error)) < 0.0012


def test_density_starts_at_the_atmosphere() -> None:
    """No source: at zero gauge pressure the two functions are one by construction."""
    temperature = CELSIUS + 273.15
    np.testing.assert_array_equal(density(0.0, temperature), density_at_atmosphere(temperature))


def test_bulk_modulus_is_the_derivative_of_density() -> None:
    """Definition K = rho dp/drho (any thermodynamics text), by central difference."""
    pressure, temperature = np.meshgrid(GAUGE_MPA[1:] * 1e6, CELSIUS + 273.15)
    step = 1e4
    slope = (density(pressure + step, temperature) - density(pressure - step, temperature)) / (
        2.0 * step
    )
    numeric = density(pressure, temperature) / slope
    np.testing.assert_allclose(bulk_modulus(pressure, temperature), numeric, rtol=1e-6)


def test_bulk_modulus_over_the_whole_range() -> None:
    """IAPWS-95's isothermal compressibility; a fitted density loses some in its derivative."""
    pressure, temperature = np.meshgrid(GAUGE_MPA * 1e6, CELSIUS + 273.15)
    kappa = np.vectorize(lambda p, t: reference(p, t).kappa)(pressure, temperature)  # 1/MPa
    error = bulk_modulus(pressure, temperature) * kappa / 1e6 - 1.0
    print(f"bulk modulus: largest difference {np.max(np.abs(error)):.2%}")
    assert np.max(np.abs(error)) < 0.045


@pytest.mark.parametrize("celsius", [5.0, 25.0, 60.0])
@pytest.mark.parametrize("mpa", [1.0, 100.0, 400.0, 620.0])
def test_expansion_work_is_the_integral_of_specific_volume(mpa: float, celsius: float) -> None:
    """Definition, integral of dp/rho, by adaptive quadrature."""
    temperature = celsius + 273.15
    numeric, _ = quad(lambda p: 1.0 / density(p, temperature), 0.0, mpa * 1e6, epsrel=1e-12)
    assert expansion_work(mpa * 1e6, temperature) == pytest.approx(numeric, rel=1e-10)


@pytest.mark.parametrize("celsius", [15.0, 25.0, 60.0])
@pytest.mark.parametrize(
    ("mpa", "bar"), [(20.0, 0.001), (100.0, 0.001), (200.0, 0.01), (400.0, 0.01), (600.0, 0.012)]
)
def test_expansion_work_near_the_isentropic_enthalpy_drop(
    mpa: float, bar: float, celsius: float
) -> None:
    """IAPWS-95 enthalpy along the isentrope a jet follows: a little less than our isotherm's."""
    before = reference(mpa * 1e6, celsius + 273.15)
    after = IAPWS95(P=ATMOSPHERE / 1e6, s=before.s)
    distance = expansion_work(mpa * 1e6, before.T) / (1e3 * (before.h - after.h)) - 1.0
    print(f"expansion work, {celsius} °C, {mpa} MPa: {distance:+.3%} of the isentropic drop")
    assert abs(distance) < bar
    if mpa >= 200.0:
        assert 0.0 < distance < 0.005, "the sign and size the docstring of expansion_work states"


@pytest.mark.parametrize("formula", [density, bulk_modulus, expansion_work])
def test_scalars_and_arrays_agree(formula: Callable[[Real, Real], Real]) -> None:
    """No source: the package promises the same figures, broadcast."""
    pressure, temperature = np.array([50e6, 200e6, 400e6]), np.array([[283.0], [313.0]])
    table = formula(pressure, temperature)
    one_by_one = [[formula(float(p), float(t)) for p in pressure] for t in temperature[:, 0]]
    assert np.shape(table) == (2, 3)
    assert all(np.ndim(value) == 0 for row in one_by_one for value in row)
    np.testing.assert_allclose(table, one_by_one, rtol=1e-14)


@pytest.mark.parametrize("formula", [density_at_atmosphere, tait_b])
def test_scalars_and_arrays_agree_in_temperature(formula: Callable[[Real], Real]) -> None:
    """No source: as above, for the functions of temperature alone."""
    temperature = np.array([283.0, 298.15, 313.0])
    one_by_one = [formula(float(t)) for t in temperature]
    assert all(np.ndim(value) == 0 for value in one_by_one)
    np.testing.assert_allclose(formula(temperature), one_by_one, rtol=1e-14)


@pytest.mark.parametrize("celsius", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("gauge_mpa", [50.0, 150.0, 250.0, 330.0])
def test_throttled_water_warms_as_its_enthalpy_says(celsius: float, gauge_mpa: float) -> None:
    """IAPWS-95: the temperature at atmospheric pressure that has the enthalpy of before."""
    temperature = celsius + 273.15
    before = reference(gauge_mpa * 1e6, temperature)
    after = IAPWS95(P=ATMOSPHERE / 1e6, h=before.h)
    assert after.x == 0.0  # still liquid
    rise = float(throttling_rise(gauge_mpa * 1e6, temperature))
    assert rise == pytest.approx(after.T - temperature, rel=0.008)

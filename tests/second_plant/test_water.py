"""The water of the second plant against the equation of state itself and against print."""

import numpy as np
import pytest
from iapws import IAPWS95

from second_plant.water import AIR, DENSITY, PRESSED, WARMING, jet_flux, load, lookup

WATER = load()
PSI = 6894.757
GALLON_A_MINUTE = 3.785412e-3 / 60
INCH = 0.0254


@pytest.mark.parametrize(("gauge", "celsius"), [(55e6, 12.0), (237e6, 28.0), (380e6, 33.0)])
def test_density_and_jet_follow_the_equation_of_state_between_the_rows(gauge, celsius):
    here = IAPWS95(P=(gauge + AIR) / 1e6, T=celsius + 273.15)
    behind = IAPWS95(P=AIR / 1e6, s=here.s)
    flux = behind.rho * np.sqrt(2000 * (here.h - behind.h))
    assert lookup(WATER, DENSITY, gauge, celsius) == pytest.approx(here.rho, rel=1e-4)
    assert jet_flux(WATER, gauge, celsius) == pytest.approx(flux, rel=1e-4)


def test_water_that_is_pressed_keeps_its_entropy():
    loose = IAPWS95(P=AIR / 1e6, T=288.15)
    pressed = IAPWS95(P=400 + AIR / 1e6, T=288.15 + lookup(WATER, WARMING, 400e6, 15.0))
    assert pressed.s == pytest.approx(loose.s, abs=2e-4)
    assert lookup(WATER, PRESSED, 400e6, 15.0) == pytest.approx(pressed.rho, rel=1e-5)


@pytest.mark.parametrize("psi", [10_000, 40_000, 60_000, 90_000])
def test_density_is_that_of_a_printed_formula(psi):
    """Olsen, 'Abrasive jet mechanics', The Fabricator: ρ = ρ₀ (1 + P/53,000)^0.162 at 70 °F."""
    printed = 998.0 * (1 + psi / 53_000) ** 0.162
    assert lookup(WATER, DENSITY, psi * PSI, 21.1) == pytest.approx(printed, rel=5e-3)


def test_a_weak_jet_is_that_of_the_printed_incompressible_formula():
    """WJTA conference paper, eq. 13: Q = 29.91 D² √P in gpm, inch and psi, for C_d = 1."""
    printed = 29.91 * 0.012**2 * np.sqrt(1000) * GALLON_A_MINUTE * 998.0
    ours = np.pi / 4 * (0.012 * INCH) ** 2 * jet_flux(WATER, 1000 * PSI, 20.0)
    assert ours == pytest.approx(printed, rel=5e-3)


def test_a_strong_jet_falls_short_of_that_formula_as_the_water_gives_way():
    """Water that has been compressed does less work for its mass: some per cent at 60 kpsi."""
    printed = 29.91 * 0.012**2 * np.sqrt(60_000) * GALLON_A_MINUTE * 998.0
    ours = np.pi / 4 * (0.012 * INCH) ** 2 * jet_flux(WATER, 60_000 * PSI, 20.0)
    assert 0.95 < ours / printed < 0.98


@pytest.mark.parametrize(("inch", "psi"), [(0.014, 60_000), (0.010, 90_000)])
def test_a_jet_takes_the_power_of_the_pump_that_print_gives_it(inch, psi):
    """A trade article gives 0.014 in as the limit of 50 hp at 60 kpsi, 0.010 in at 90 kpsi.

    Olsen, 'Jet power': hp at the nozzle = 0.58 P Q in kpsi and gpm. A pump turns 55 to 75 % of its
    motor's power into that (common practice, no source).
    """
    flow = 0.65 * np.pi / 4 * (inch * INCH) ** 2 * jet_flux(WATER, psi * PSI, 25.0) / 998.0
    horsepower = 0.58 * psi / 1000 * flow / GALLON_A_MINUTE
    assert 0.55 < horsepower / 50 < 0.75

"""Both kinds of pump against explicit mass and energy balances. The pumps are made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from iapws import IAPWS95
from numba import njit
from scipy.optimize import brentq

from borewarden.physics.orifice import bore_area, hydraulic_power, jet_speed, mass_flux
from borewarden.physics.pump import (
    DirectDrive,
    Displacement,
    Intensifier,
    area_of_rate,
    compression_fraction,
    cycle_work,
    delivered_mass,
    event_rate,
    overstroke_margin,
)
from borewarden.physics.water import (
    ATMOSPHERE,
    bulk_modulus,
    density,
    density_at_atmosphere,
    throttling_rise,
)

UNITS = pint.UnitRegistry()
ROOM = 298.15  # K
CHAMBER = Displacement(swept_volume=60e-6, dead_volume=9e-6, volumetric_efficiency=0.94)
INTENSIFIER = Intensifier(
    plunger_diameter=0.022,
    stroke=0.16,
    dead_volume=8e-6,
    intensification_ratio=20.0,
    max_stroke_rate=1.2,
    rated_pressure=410e6,
    rated_power=37e3,
    volumetric_efficiency=0.96,
)
CRANK = DirectDrive(
    plungers=3,
    plunger_diameter=0.012,
    stroke=0.04,
    dead_volume=1.5e-6,
    crank_speed=10.0,
    rated_pressure=380e6,
    rated_power=45e3,
)
BYPASS = replace(CRANK, regulation="bypass")

CHAMBERS = st.builds(
    Displacement, st.floats(5e-6, 200e-6), st.floats(0.0, 2e-6), st.floats(0.7, 1.0)
)
BORES = st.floats(0.1e-3, 0.6e-3)
PRESSURES = st.floats(5e6, 600e6)
TEMPERATURES = st.floats(278.15, 333.15)


def effective(bore: float) -> float:
    """Effective area, m², of a bore in m at a round C_d."""
    return 0.65 * float(bore_area(bore))


def iapws_density(gauge: float) -> float:
    """IAPWS-95 density at 25 °C, kg/m³ (Wagner & Pruss 2002)."""
    return float(IAPWS95(P=(gauge + ATMOSPHERE) / 1e6, T=ROOM).rho)


# --- what a stroke or a turn delivers ---


def test_delivered_mass_is_what_the_chamber_loses() -> None:
    """Conservation of mass: full chamber at rho0 before, dead volume at rho(p) after."""
    pressure = np.array([0.0, 100e6, 250e6, 400e6, 600e6])
    full = density_at_atmosphere(ROOM) * (60e-6 + 9e-6)
    left = np.array([density(p, ROOM) * 9e-6 for p in pressure])
    np.testing.assert_allclose(
        delivered_mass(CHAMBER, pressure, ROOM), 0.94 * (full - left), rtol=1e-12
    )
    assert np.all(np.diff(delivered_mass(CHAMBER, pressure, ROOM)) < 0.0)


@pytest.mark.parametrize("mpa", [100.0, 400.0, 600.0])
def test_delivered_mass_with_the_density_of_iapws_95(mpa: float) -> None:
    """The same balance with IAPWS-95 (Wagner & Pruss 2002) in place of our state equation."""
    balance = 0.94 * (iapws_density(0.0) * 69e-6 - iapws_density(mpa * 1e6) * 9e-6)
    assert delivered_mass(CHAMBER, mpa * 1e6, ROOM) == pytest.approx(balance, rel=1e-3)


@pytest.mark.parametrize("mpa", [50.0, 200.0, 400.0, 620.0])
def test_work_of_a_turn_is_that_of_iapws_95(mpa: float) -> None:
    """IAPWS-95 (Wagner & Pruss 2002): enthalpy gained without heat exchange, by the mass delivered.

    The pressure times the volume at atmosphere, as trade tables have it, is 4 to 10 % more from 200
    to 620 MPa: the water is pushed out compressed.
    """
    before = IAPWS95(P=ATMOSPHERE / 1e6, T=ROOM)
    high = mpa + ATMOSPHERE / 1e6
    warmed = brentq(lambda t: IAPWS95(P=high, T=t).s - before.s, ROOM, ROOM + 40.0, xtol=1e-3)
    after = IAPWS95(P=high, T=warmed)
    mass = before.rho * 69e-6 - iapws_density(mpa * 1e6) * 9e-6
    work = cycle_work(CHAMBER, mpa * 1e6, ROOM)
    assert work == pytest.approx(mass * 1e3 * (after.h - before.h), rel=0.015)
    if mpa >= 200.0:
        assert 1.03 < mpa * 1e6 * mass / before.rho / work < 1.10


@pytest.mark.parametrize("mpa", [100.0, 400.0, 620.0])
def test_work_of_a_turn_is_the_area_of_its_cycle(mpa: float) -> None:
    """Definition, the integral of p dV around the cycle, by quadrature over our own density."""
    pressure = mpa * 1e6

    def volume(p: float, mass: float) -> float:
        return mass / float(density(p, ROOM))

    full, left = float(density(0.0, ROOM)) * 69e-6, float(density(pressure, ROOM)) * 9e-6
    p = np.linspace(0.0, pressure, 4001)
    area = np.trapezoid([volume(x, full) - volume(x, left) for x in p], p)
    assert cycle_work(CHAMBER, pressure, ROOM) == pytest.approx(area, rel=1e-6)


@given(swept=st.floats(1e-6, 1e-3), pressure=PRESSURES, temperature=TEMPERATURES)
@settings(deadline=None)
def test_no_dead_volume_delivers_the_whole_fill(
    swept: float, pressure: float, temperature: float
) -> None:
    """Conservation of mass: with nothing left behind, rho0 V at any pressure."""
    mass = delivered_mass(Displacement(swept, 0.0, 1.0), pressure, temperature)
    assert mass == pytest.approx(density_at_atmosphere(temperature) * swept, rel=1e-12)


@pytest.mark.parametrize(("mpa", "rho"), [(400.0, 1126.58), (600.0, 1170.15)])
def test_compression_share_without_dead_volume(mpa: float, rho: float) -> None:
    """1 - rho0/rho from IAPWS-95 at 25 °C, rho0 = 997.05 kg/m³: 11.50 and 14.79 %."""
    share = compression_fraction(CHAMBER._replace(dead_volume=0.0), mpa * 1e6, ROOM)
    assert share == pytest.approx(1.0 - 997.05 / rho, abs=0.0015)
    assert share == pytest.approx({400.0: 0.115, 600.0: 0.1479}[mpa], abs=0.0015)


@pytest.mark.parametrize("dead_volume", [0.0, 9e-6, 30e-6])
def test_compression_share_is_where_the_delivery_starts(dead_volume: float) -> None:
    """Conservation of mass: push the plunger in, closed, until the water is as dense as rho(p)."""
    chamber = CHAMBER._replace(dead_volume=dead_volume)
    travel = np.linspace(0.0, 0.4, 400_001)
    mass = density_at_atmosphere(ROOM) * (60e-6 + dead_volume)
    closed = mass / (60e-6 * (1.0 - travel) + dead_volume)
    starts = np.interp(density(400e6, ROOM), closed, travel)
    assert compression_fraction(chamber, 400e6, ROOM) == pytest.approx(starts, abs=1e-6)


# --- rates and areas; mathematics, no source needed ---


@given(chamber=CHAMBERS, bore=BORES, pressure=PRESSURES, temperature=TEMPERATURES)
@settings(deadline=None)
def test_area_of_rate_undoes_event_rate(
    chamber: Displacement, bore: float, pressure: float, temperature: float
) -> None:
    """Inverse functions, and the rate feeds just what the jet takes."""
    area = effective(bore)
    rate = event_rate(chamber, area, pressure, temperature)
    assert area_of_rate(chamber, rate, pressure, temperature) == pytest.approx(area, rel=1e-9)
    fed = rate * delivered_mass(chamber, pressure, temperature)
    assert fed == pytest.approx(area * mass_flux(pressure, temperature), rel=1e-9)


@given(
    chamber=CHAMBERS,
    bore=BORES,
    pressure=st.floats(5e6, 300e6),
    temperature=TEMPERATURES,
    growth=st.floats(1.0001, 2.0),
)
@settings(deadline=None)
def test_event_rate_grows_with_bore_and_pressure(
    chamber: Displacement, bore: float, pressure: float, temperature: float, growth: float
) -> None:
    """A larger hole or a harder push needs more strokes."""
    rate = event_rate(chamber, effective(bore), pressure, temperature)
    assert event_rate(chamber, effective(bore * growth), pressure, temperature) > rate
    assert event_rate(chamber, effective(bore), pressure * growth, temperature) > rate


def test_overstroke_margin() -> None:
    """Definition 1 - f/f_max: all free at rest, none at the limit, negative past it."""
    rate = INTENSIFIER.max_rate * np.array([0.0, 0.75, 1.0, 1.1])
    margin = overstroke_margin(rate, INTENSIFIER.max_stroke_rate)
    np.testing.assert_allclose(margin, [1.0, 0.25, 0.0, -0.1], atol=1e-12)


def test_compiled_loops_see_the_same_formulas() -> None:
    """No source: `compilable` promises one formula, compiled or not."""

    @njit  # type: ignore[untyped-decorator]
    def compiled(p: float, t: float) -> tuple[float, float, float, float, float]:
        mass, share = delivered_mass(CHAMBER, p, t), compression_fraction(CHAMBER, p, t)
        return mass, share, mass_flux(p, t), bulk_modulus(p, t), throttling_rise(p, t)

    np.testing.assert_allclose(compiled(380e6, 303.0), compiled.py_func(380e6, 303.0), rtol=1e-14)


# --- the intensifier ---


def test_intensifier_displacement_is_one_stroke() -> None:
    """Volume of a cylinder; one direction, one chamber's dead volume."""
    assert INTENSIFIER.displacement == pytest.approx((np.pi * 0.011**2 * 0.16, 8e-6, 0.96))


def test_oil_pressure_is_the_force_balance() -> None:
    """Force balance without friction (any hydraulics text): 400 MPa at 20:1 take 20 MPa of oil."""
    assert INTENSIFIER.oil_pressure(400e6) == pytest.approx(20e6)
    plunger, piston = np.pi * 0.011**2, 20.0 * np.pi * 0.011**2
    assert INTENSIFIER.oil_pressure(333e6) * piston == pytest.approx(333e6 * plunger)


def test_oil_flow_fills_the_large_cylinder() -> None:
    """Continuity: piston area times stroke times rate."""
    assert INTENSIFIER.oil_flow(0.8) == pytest.approx(20.0 * np.pi * 0.011**2 * 0.16 * 0.8)


@given(bore=BORES, pressure=PRESSURES, temperature=TEMPERATURES)
@settings(deadline=None)
def test_oil_power_covers_the_jet(bore: float, pressure: float, temperature: float) -> None:
    """Conservation of energy: p times swept flow goes in, and the jet's power is less."""
    area = effective(bore)
    rate = event_rate(INTENSIFIER.displacement, area, pressure, temperature)
    swept_flow = rate * INTENSIFIER.displacement.swept_volume
    power = INTENSIFIER.oil_power(pressure, rate)
    speed = jet_speed(pressure, temperature)
    hydraulic = hydraulic_power(pressure, area * speed)
    assert power == pytest.approx(pressure * swept_flow, rel=1e-12)
    assert power > hydraulic > area * mass_flux(pressure, temperature) * speed**2 / 2.0


def test_oil_power_of_an_ideal_intensifier_is_the_hydraulic_power() -> None:
    """Conservation of energy: nothing is lost without dead volume and leakage."""
    ideal = replace(INTENSIFIER, dead_volume=0.0, volumetric_efficiency=1.0)
    area = effective(0.3e-3)
    rate = event_rate(ideal.displacement, area, 400e6, ROOM)
    hydraulic = hydraulic_power(400e6, area * jet_speed(400e6, ROOM))
    assert ideal.oil_power(400e6, rate) == pytest.approx(hydraulic, rel=1e-12)


# --- the crank pump ---


def test_crank_displacement_is_one_turn() -> None:
    """Volume of three cylinders, and their three dead volumes."""
    swept = 3.0 * np.pi * 0.006**2 * 0.04
    assert CRANK.displacement == pytest.approx((swept, 4.5e-6, 0.95))
    assert CRANK.max_rate == 10.0


@given(pressure=st.floats(5e6, 600e6), temperature=TEMPERATURES, speed=st.floats(1.0, 15.0))
@settings(deadline=None)
def test_expected_pressure_undoes_area_of_rate(
    pressure: float, temperature: float, speed: float
) -> None:
    """Inverse functions: the area that a pressure implies settles at that pressure again."""
    area = float(area_of_rate(CRANK.displacement, speed, pressure, temperature))
    settled = CRANK.expected_pressure(area, temperature, speed)
    assert settled == pytest.approx(pressure, rel=1e-9)
    back = area_of_rate(CRANK.displacement, speed, settled, temperature)
    assert back == pytest.approx(area, rel=1e-9)


def test_two_heads_settle_like_one_of_their_summed_area() -> None:
    """Continuity: what the pump feeds leaves through both heads at the settled pressure."""
    heads = [effective(0.30e-3), effective(0.35e-3)]
    pressure = CRANK.expected_pressure(sum(heads), ROOM, 10.0)
    through = sum(area * mass_flux(pressure, ROOM) for area in heads)
    fed = 10.0 * delivered_mass(CRANK.displacement, pressure, ROOM)
    assert through == pytest.approx(fed, rel=1e-9)
    one_bore = effective(float(np.hypot(0.30e-3, 0.35e-3)))
    assert CRANK.expected_pressure(one_bore, ROOM, 10.0) == pytest.approx(pressure, rel=1e-9)


def test_more_area_means_less_pressure() -> None:
    """Continuity; arrays broadcast and agree with scalars."""
    areas = np.array([effective(bore) for bore in np.linspace(0.5e-3, 0.9e-3, 9)])
    pressures = CRANK.expected_pressure(areas, ROOM, 10.0)
    assert np.all(np.diff(pressures) < 0.0)
    one_by_one = [CRANK.expected_pressure(float(area), ROOM, 10.0) for area in areas]
    assert all(isinstance(pressure, float) for pressure in one_by_one)
    np.testing.assert_allclose(pressures, one_by_one, rtol=1e-12)
    table = CRANK.expected_pressure(areas, ROOM, np.array([[8.0], [10.0]]))
    assert np.shape(table) == (2, 9)
    assert np.all(table[1] > table[0]), "a faster crank must raise the pressure"


@pytest.mark.parametrize("bore", [0.50e-3, 0.30e-3, 0.0])
def test_bypass_caps_the_pressure_and_spills_the_surplus(bore: float) -> None:
    """Continuity: fed = jet + spilled, at the rated pressure, down to a closed head."""
    area = effective(bore)
    pressure = BYPASS.expected_pressure(area, ROOM, 10.0)
    assert pressure == pytest.approx(BYPASS.rated_pressure, rel=1e-12)
    spilled = BYPASS.bypass_flow(area, pressure, ROOM, 10.0)
    fed = 10.0 * delivered_mass(BYPASS.displacement, pressure, ROOM)
    assert 0.0 < spilled <= fed
    assert spilled + area * mass_flux(pressure, ROOM) == pytest.approx(fed, rel=1e-12)


def test_without_the_bypass_the_pressure_would_pass_the_rated_one() -> None:
    """Continuity; the same pump and bore as above, unregulated."""
    assert CRANK.expected_pressure(effective(0.50e-3), ROOM, 10.0) > BYPASS.rated_pressure


def test_bypass_broadcasts() -> None:
    """No source: capped and floating areas side by side in one array."""
    areas = np.array([effective(bore) for bore in (0.0, 0.3e-3, 0.5e-3, 0.7e-3, 0.9e-3)])
    pressures = BYPASS.expected_pressure(areas, ROOM, 10.0)
    np.testing.assert_allclose(pressures[:3], BYPASS.rated_pressure, rtol=1e-12)
    floating = CRANK.expected_pressure(areas[3:], ROOM, 10.0)
    np.testing.assert_allclose(pressures[3:], floating, rtol=1e-12)
    assert np.all(floating < BYPASS.rated_pressure)


@pytest.mark.parametrize("pump", [CRANK, BYPASS])
def test_nothing_is_spilled_below_the_rated_pressure(pump: DirectDrive) -> None:
    """Continuity: where the pressure floats, the jet takes all that is fed."""
    area = effective(0.60e-3)
    pressure = pump.expected_pressure(area, ROOM, 10.0)
    assert pressure == CRANK.expected_pressure(area, ROOM, 10.0) < pump.rated_pressure
    fed = 10.0 * delivered_mass(pump.displacement, pressure, ROOM)
    assert pump.bypass_flow(area, pressure, ROOM, 10.0) == pytest.approx(0.0, abs=1e-9 * fed)


def test_too_small_an_area_is_refused() -> None:
    """No source: the documented refusal, also when only one of several areas is too small."""
    tiny = effective(0.02e-3)
    with pytest.raises(ValueError, match=f"{tiny:.3e}"):
        CRANK.expected_pressure(tiny, ROOM, 10.0)
    with pytest.raises(ValueError, match="no pressure from 1 kPa to 1 GPa"):
        CRANK.expected_pressure(np.array([effective(0.5e-3), tiny]), ROOM, 10.0)


def test_delivered_power_in_horsepower() -> None:
    """engineeringtoolbox.com d_1464: hp = psi gpm / 1714, of what a crank pump delivers."""
    pressure = CRANK.expected_pressure(effective(0.60e-3), ROOM, 10.0)
    delivered = 10.0 * delivered_mass(CRANK.displacement, pressure, ROOM)
    flow = delivered / density_at_atmosphere(ROOM)
    psi = UNITS.Quantity(pressure, "Pa").to("psi").magnitude
    gpm = UNITS.Quantity(flow, "m^3/s").to("gallon/minute").magnitude
    power = UNITS.Quantity(hydraulic_power(pressure, flow), "W").to("horsepower").magnitude
    assert power == pytest.approx(psi * gpm / 1714.0, rel=3e-4)


def test_no_pressure_is_reached_where_none_would_do() -> None:
    """An area learned while the crank idled is far too small for its full speed."""
    areas = np.array([effective(0.45e-3), effective(0.10e-3)])
    reached = CRANK.reached_pressure(areas, ROOM, 10.0)
    assert reached[0] == CRANK.expected_pressure(areas[:1], ROOM, 10.0)[0]
    assert np.isnan(reached[1])
    assert np.isnan(CRANK.reached_pressure(effective(0.10e-3), ROOM, 10.0))
    with pytest.raises(ValueError, match="no pressure"):
        CRANK.expected_pressure(areas, ROOM, 10.0)

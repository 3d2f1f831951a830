"""What each cause is expected to show, against plain balances of water, force and heat."""

from __future__ import annotations

import numpy as np
import pytest

from borewarden.diagnose.causes import ONLY_DIRECT_DRIVE, PRIOR, Cause
from borewarden.diagnose.feature_table import FLOOR, LOAD, NAMES, Floats
from borewarden.diagnose.signatures import (
    FLUTTER,
    FRICTION,
    FRICTION_WITH_AREA,
    THROTTLED,
    Circumstances,
    signatures_of,
)
from borewarden.physics.orifice import mass_flux
from borewarden.physics.water import throttling_rise

ROOM = 298.15  # K
BORE = 0.254e-3  # m
INTENSIFIER = Circumstances(is_intensifier=True, at_stop=False, pierce_ratio=0.25, bore=BORE)
CRANK = INTENSIFIER._replace(is_intensifier=False)


def expected(cause: Cause, c: Circumstances) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Mean and spread of every hypothesis of `cause`, by feature."""
    made = signatures_of(c.is_intensifier, c.pierce_ratio, c.bore)
    ends = np.append(made.first, len(made.mean))
    k = made.causes.index(cause)
    mean, spread = (of[ends[k] : ends[k + 1]].T for of in (made.mean, made.spread))
    return dict(zip(NAMES, mean, strict=True)), dict(zip(NAMES, spread, strict=True))


def shown(cause: Cause, c: Circumstances) -> dict[str, Floats]:
    return expected(cause, c)[0]


@pytest.mark.parametrize("c", [INTENSIFIER, CRANK])
def test_a_leak_at_a_quarter_of_the_pressure(c: Circumstances) -> None:
    """A laminar gap leaks as p, a gap that pressure widens up to p³ (plane Poiseuille flow, any
    hydraulics text); the jet as the root. So of the share there is left 1/2, 1/8 and 1/32."""
    leak = shown(Cause.LEAK, c)
    left = np.expm1(leak["low_area"]) / np.expm1(leak["area"])
    assert np.unique(np.round(left, 9)).tolist() == [1 / 32, 1 / 8, 1 / 2]


@pytest.mark.parametrize("c", [INTENSIFIER, CRANK])
def test_what_a_wrong_reading_makes_of_the_area(c: Circumstances) -> None:
    """The water stays as it was, and the area is reckoned from it at the pressure that is read."""
    wrong = shown(Cause.TRANSDUCER, c)
    drift = wrong["load"]  # oil pressure or torque know the true pressure
    assert drift.min() < -0.15 < 0.15 < drift.max()
    for key, pressure, off in (
        ("area", 300e6, drift),
        ("low_area", 75e6, wrong["zero"] / 0.25 + drift - wrong["zero"]),
    ):
        reckoned = np.log(mass_flux(pressure, ROOM) / mass_flux(pressure * np.exp(off), ROOM))
        assert wrong[key] == pytest.approx(reckoned, rel=0.06)  # less than a root at high pressure
    shifts = np.unique(np.round(wrong["zero"] / drift, 9)).tolist()
    assert shifts == [0.0, 0.5, 1.0]  # from a wrong gain alone to a shift alone
    if c.is_intensifier:
        assert wrong["pressure"] == pytest.approx(drift)  # the oil holds what is read
    else:
        assert not np.any(wrong["pressure"])


def test_plungers_that_do_not_fill_take_less_torque() -> None:
    """Work of a turn is pressure times what is pushed out: 1 / (1 + share) of a full one."""
    feed, unsure = expected(Cause.FEED, CRANK)
    assert np.all(feed["load"] > 0.0)
    assert np.all(np.abs(feed["load"] - feed["area"]) < unsure["load"])
    assert np.all(feed["boost"] < 0.0)
    assert np.all(feed["low_area"] >= 0.0)
    assert np.all(feed["low_area"] <= feed["area"])
    assert not np.any(shown(Cause.FEED, INTENSIFIER)["load"])  # oil and water stay in balance


@pytest.mark.parametrize(("c", "chambers"), [(INTENSIFIER, 2), (CRANK, 3)])
def test_heat_of_a_leak_is_that_of_its_water(c: Circumstances, chambers: int) -> None:
    """A check valve's leak mixes with what its own chamber delivers; a seal's comes out by itself.

    Water throttled from 300 to 400 MPa warms as its enthalpy says; lines cool it on the way.
    """
    assert throttling_rise(300e6, ROOM) < THROTTLED < throttling_rise(400e6, ROOM)
    leak = shown(Cause.LEAK, c)
    at_seal = leak["weep"] > 0.0
    assert np.all(leak["valves"][at_seal] == 0.0)
    assert np.all(leak["valves"][~at_seal] > 0.0)
    # the line cools a little leak, so a larger one comes out hotter, never hotter than throttled
    by_size = np.argsort(leak["area"][at_seal], kind="stable")
    assert np.all(np.diff(leak["weep"][at_seal][by_size]) >= 0.0)
    assert np.all(leak["weep"][at_seal] < THROTTLED)
    hot = np.expm1(leak["area"]) * chambers  # kg of leak for each kg that its chamber delivers
    mixed = THROTTLED * hot / (1.0 + hot)
    warmer = leak["valves"] > mixed + 1e-9  # dead-headed it mixes with nothing, and gets hotter
    assert leak["valves"][~at_seal & ~warmer] == pytest.approx(mixed[~at_seal & ~warmer])
    assert np.any(warmer & ~at_seal) == c.is_intensifier


def test_a_side_that_leaks_has_the_shorter_stroke() -> None:
    """It leaks in its own stroke only, so twice as fast as on average; the stroke is as much
    shorter, and the other side's is as long as ever."""
    leak = shown(Cause.LEAK, INTENSIFIER)
    share, left_over_right = np.expm1(leak["area"]), np.exp(leak["sides"])
    shorter = 1.0 / (1.0 + 2.0 * share)
    on_left, on_right = left_over_right < 0.999, left_over_right > 1.001
    assert left_over_right[on_left] == pytest.approx(shorter[on_left])
    assert left_over_right[on_right] == pytest.approx(1.0 / shorter[on_right])
    # as many hypotheses on the left as on the right and on both
    assert on_left.sum() == on_right.sum() == len(share) // 3


def test_a_slipping_belt_shows_in_the_speeds_or_in_the_area() -> None:
    """A crank that turns 1 / (1 + slip) as fast: seen by its own sensor, or taken for more area."""
    slip = shown(Cause.SLIP, CRANK)
    seen, taken = slip["slip"] != 0.0, slip["area"] != 0.0
    assert np.all(seen != taken)
    assert np.all(slip["slip"][seen] < 0.0)
    assert np.all(slip["area"][taken] > slip["low_area"][taken])
    assert -slip["slip"][seen] == pytest.approx(slip["area"][taken])


@pytest.mark.parametrize("c", [INTENSIFIER, CRANK])
def test_the_jets_own_area_is_the_same_at_every_pressure(c: Circumstances) -> None:
    for cause in (Cause.BORE, Cause.BLOCKED, Cause.OTHER_BORE, Cause.SECOND_HEAD):
        jet = shown(cause, c)
        assert jet["low_area"] == pytest.approx(jet["area"])
        wrong = 1.0 if cause is Cause.BLOCKED else 0.0
        same_again = cause is Cause.OTHER_BORE  # one of its jewels has the bore of the one before
        assert np.sum(np.sign(jet["area"]) == wrong) == int(same_again)
        # more water pulsates more, less not less
        assert np.all((jet["ripple"] > 0.0) == (jet["area"] > 0.0))
        assert np.all(jet["ripple"] >= 0.0)


@pytest.mark.parametrize("c", [INTENSIFIER, CRANK])
def test_bores_of_the_neighbours_in_stock(c: Circumstances) -> None:
    """0.008, 0.009, 0.011 and 0.012 inch beside 0.010, and that again: area goes as the square."""
    found = np.exp(shown(Cause.OTHER_BORE, c)["area"])
    assert found == pytest.approx([0.64, 0.81, 1.21, 1.44, 1.0])


def test_a_second_head_that_stays_open_takes_its_own_water_while_the_first_is_closed() -> None:
    head = shown(Cause.SECOND_HEAD, INTENSIFIER)
    second = np.expm1(head["area"])
    stays = head["idle"] > 0.0
    assert head["idle"][stays] == pytest.approx(second[stays])
    assert stays.mean() == pytest.approx(1 / 3)
    assert second.min() == pytest.approx(0.49)  # 0.007 inch
    assert second.max() == pytest.approx(1.96)  # 0.014 inch


@pytest.mark.parametrize(
    ("cause", "feature"),
    [
        (Cause.LEAK, "idle"),
        (Cause.LEAK, "sides"),
        (Cause.LEAK, "low_area"),
        (Cause.SECOND_HEAD, "idle"),
        (Cause.TRANSDUCER, "zero"),
        (Cause.TRANSDUCER, "load"),
        (Cause.TRANSDUCER, "pressure"),
        (Cause.TRANSDUCER, "low_area"),
        (Cause.SLIP, "slip"),
        (Cause.SLIP, "low_area"),
        (Cause.BYPASS, "idle"),
        (Cause.BLOCKED, "low_area"),
    ],
)
def test_what_a_cause_shows_is_unsure_in_proportion_over_the_floor(
    cause: Cause, feature: str
) -> None:
    """What it does not show is as sure as the sensor; independent uncertainties add in squares."""
    c = CRANK if cause in ONLY_DIRECT_DRIVE else INTENSIFIER
    mean, spread = (part[feature] for part in expected(cause, c))
    floor = FLOOR[NAMES.index(feature)]
    shows = mean != 0.0
    assert np.any(shows)
    assert spread[~shows] == pytest.approx(floor)
    relative = np.sqrt(spread[shows] ** 2 - floor**2) / np.abs(mean[shows])
    assert relative == pytest.approx(relative[0])
    assert 0.0 < relative[0] < 0.5


def test_a_leak_of_one_plunger_makes_a_crank_pump_pulsate() -> None:
    """Its own pulse comes on top of what was there, uncorrelated: squares add. A log of an
    intensifier shows its reversals by chance anyway."""
    leak = shown(Cause.LEAK, CRANK)
    share = np.expm1(leak["area"])
    as_of_a_larger_jet = FLUTTER.direct_drive * share
    own = (np.expm1(2.0 * (leak["ripple"] - as_of_a_larger_jet))) ** 0.5
    pulses = np.unique(np.round(own / share, 6))
    assert len(pulses) == 3
    assert pulses[0] == 1.0  # as much as what it takes of the flow, at least
    assert len(np.unique(shown(Cause.LEAK, INTENSIFIER)["ripple"])) == 1


def test_a_leak_goes_on_while_dead_headed_or_not_at_all() -> None:
    """A seal under pressure leaks with the jet closed, too: about as much as with it open."""
    leak = shown(Cause.LEAK, INTENSIFIER)
    over = np.unique(np.round(leak["idle"] / np.expm1(leak["area"]), 9))
    assert len(over) == 3
    assert over[0] == 0.0
    assert over[1] < 1.0 < over[2] < 2.0


@pytest.mark.parametrize("c", [INTENSIFIER, CRANK])
def test_a_leak_is_as_likely_at_a_seal_as_at_a_check_valve(c: Circumstances) -> None:
    """Common practice, no source."""
    made = signatures_of(c.is_intensifier, c.pierce_ratio, c.bore)
    ends, k = np.append(made.first, len(made.mean)), made.causes.index(Cause.LEAK)
    odds = made.weight[ends[k] : ends[k + 1]]
    at_seal = shown(Cause.LEAK, c)["weep"] > 0.0
    assert odds[at_seal].sum() == pytest.approx(odds[~at_seal].sum())
    assert odds.sum() == pytest.approx(PRIOR[Cause.LEAK])


def test_most_of_a_jewel_goes_in_one_chip_of_fifty() -> None:
    """Common practice, no source: that it is rare; the figure is invented."""
    made = signatures_of(True, 0.25, BORE)
    k = made.causes.index(Cause.BORE)
    odds = made.weight[made.first[k] : made.first[k + 1]]
    growth = np.expm1(shown(Cause.BORE, INTENSIFIER)["area"])
    assert odds[growth > 0.35].sum() / odds.sum() == pytest.approx(0.02)
    assert 0.01 < growth.min() < 0.02
    assert growth.max() > 2.0


@pytest.mark.parametrize("c", [INTENSIFIER, CRANK])
def test_friction_leaves_the_torque_of_a_crank_less_sure(c: Circumstances) -> None:
    """A larger flow has another share of friction; the oil side of an intensifier has none."""
    for cause in (Cause.BORE, Cause.BLOCKED):
        mean, spread = expected(cause, c)
        if c.is_intensifier:
            assert spread["load"] == pytest.approx(FLOOR[LOAD])
        else:
            friction = FRICTION + FRICTION_WITH_AREA * np.abs(mean["area"])
            assert spread["load"] == pytest.approx(np.hypot(FLOOR[LOAD], friction))


def test_a_leaking_bypass_takes_the_same_water_while_dead_headed_or_takes_all_of_it_anyway() -> (
    None
):
    bypass = shown(Cause.BYPASS, CRANK)
    over = bypass["idle"] / np.expm1(bypass["area"])
    assert np.unique(np.round(over, 9)).tolist() == [0.0, 1.0]
    assert np.all(bypass["bypass"] > 0.0)

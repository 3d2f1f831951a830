"""Quantities in the units that people chose; without a choice, as ever, in both."""

from __future__ import annotations

import pytest

from borewarden.base.shown import (
    METRIC,
    UNITS,
    US,
    plus_minus,
    quantity_text,
    shown,
    shown_in,
)
from borewarden.base.units import conversion
from borewarden.settings.units import UnitChoice

SI = {"pressure": "Pa", "bore": "m", "temperature": "K", "flow": "m^3/s"}
SI |= {"power": "W", "volume": "m^3"}


def test_without_a_choice_words_have_both() -> None:
    assert quantity_text("pressure", 374.6e6) == "374.6 MPa (54,300 psi)"
    assert quantity_text("bore", 0.254e-3) == "0.254 mm (0.0100 in)"
    assert plus_minus("bore", 0.2642e-3, 0.8e-6, 1) == ("0.2642 ± 0.0008 mm (0.01040 ± 0.00003 in)")
    assert shown("pressure").label == "MPa"


def test_a_choice_holds_within_its_block_only() -> None:
    with shown_in(US):
        assert quantity_text("pressure", 374.6e6) == "54,300 psi"
        assert quantity_text("bore", 0.254e-3) == "0.0100 in"
        assert shown("temperature").text(293.15) == "68.0 °F"
        with shown_in({"pressure": "bar"}):
            assert quantity_text("pressure", 374.6e6) == "3746 bar"
            assert quantity_text("bore", 0.254e-3) == "0.254 mm (0.0100 in)"
        assert quantity_text("pressure", 374.6e6) == "54,300 psi"
    with shown_in(METRIC):
        assert quantity_text("pressure", 374.6e6) == "374.6 MPa"
    assert quantity_text("pressure", 374.6e6) == "374.6 MPa (54,300 psi)"


def test_messages_have_four_digits() -> None:
    assert shown("pressure").brief(400e6) == "400 MPa"
    assert shown("pressure").brief(3800e6) == "3800 MPa"
    with shown_in(US):
        assert shown("pressure").brief(400e6) == "58,020 psi"


@pytest.mark.parametrize(("quantity", "unit"), [(q, u) for q, us in UNITS.items() for u in us])
def test_factors_are_those_of_the_unit_library(quantity: str, unit: str) -> None:
    each = UNITS[quantity][unit]
    assert (each.factor, each.offset) == pytest.approx(conversion(unit, SI[quantity]), rel=1e-12)


def test_what_a_setting_takes() -> None:
    take = UnitChoice()
    assert take("metric") == METRIC
    assert take("US") == take("us") == US
    assert take({"pressure": "kpsi"}) == {"pressure": "kpsi"}
    for wrong, says in (
        ("imperial", "metric"),
        ({"pressure": "atm"}, "MPa, psi"),
        ({"weight": "lb"}, "pressure, bore"),
        (7, "metric"),
    ):
        with pytest.raises(ValueError, match=says):
            take(wrong)

"""Quantities as people write them, by a closed grammar."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic_core import PydanticCustomError

from borewarden.base.numbers import split_quantity
from borewarden.base.units import Unit, conversion

PRESSURE = Unit("Pa", 1e5, 1.2e9, '"400 MPa" or "60 kpsi"')
LENGTH = Unit("m", 1e-5, 2.0, '"0.010 in"')
OTHERS = {
    "W": Unit("W", 500.0, 1e6, '"50 hp"'),
    "K": Unit("K", 272.0, 335.0, '"20 degC"'),
    "m^3": Unit("m^3", 0.0, 1e-3, '"8 cm^3"'),
    "Hz": Unit("Hz", 0.01, 50.0, '"60 spm"'),
    "": Unit("", 0.0, 1e6, "20"),
}


@pytest.mark.parametrize(
    ("text", "pascal"),
    [
        ("60,000 psi", 60000 * 6894.757293168361),
        ("60k psi", 60000 * 6894.757293168361),
        ("60K PSI", 60000 * 6894.757293168361),
        ("60 kpsi", 60000 * 6894.757293168361),
        ("60 ksi", 60000 * 6894.757293168361),
        ("54,300 psi", 54300 * 6894.757293168361),
        ("60 000 psi", 60000 * 6894.757293168361),
        ("60'000 psi", 60000 * 6894.757293168361),
        ("4.137 kbar", 413.7e6),
        ("3.500,5 bar", 350.05e6),
        ("3,500.5 bar", 350.05e6),
        ("400,5 MPa", 400.5e6),
        ("400 mpa", 400e6),
        ("4137 BAR", 413.7e6),
    ],
)
def test_pressures_as_people_write_them(text: str, pascal: float) -> None:
    assert PRESSURE(text) == pytest.approx(pascal, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "metre"),
    [
        ("7/8 in", 0.022225),
        ('7/8"', 0.022225),
        ("1 7/8 in", 0.047625),
        ('1-7/8"', 0.047625),
        ("10 thou", 0.000254),
        ('.010"', 0.000254),
        ("0,254 mm", 0.000254),
        ("1,125 in", 0.028575),
        ("22 mm", 0.022),
    ],
)
def test_lengths_as_people_write_them(text: str, metre: float) -> None:
    assert LENGTH(text) == pytest.approx(metre, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "si", "value"),
    [
        ("50 HP", "W", 50 * 745.6998715822702),
        ("37 kw", "W", 37e3),
        ("68 F", "K", 293.15),
        ("20 °C", "K", 293.15),
        ("300 K", "K", 300.0),
        ("8 cm3", "m^3", 8e-6),
        ("0.5 cu in", "m^3", 0.5 * 0.0254**3),
        ("0.5 in³", "m^3", 0.5 * 0.0254**3),
        ("60 spm", "Hz", 1.0),
        ("60 strokes per minute", "Hz", 1.0),
        ("97 %", "", 0.97),
    ],
)
def test_other_quantities_as_people_write_them(text: str, si: str, value: float) -> None:
    assert OTHERS[si](text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "text", "says"),
    [
        (PRESSURE, "8,702", "can be read as 8702 or 8.702"),
        (PRESSURE, "8,702 bar", 'write "8702 bar" or "8.702 bar"'),
        (OTHERS[""], "8,702", 'write "8702" or "8.702"'),
        (PRESSURE, "60,00 0 psi", "is not a"),
        (PRESSURE, "60 psi psi", "is not a unit"),
        (PRESSURE, "400 mPa", "is out of range"),
        (PRESSURE, "1/0 bar", "is out of range"),
        (PRESSURE, "1e999 bar", "is out of range"),
        (LENGTH, "0.010 in**9**9**9", "is not a unit"),
        (LENGTH, "0.010 in^9", "is not a unit"),
        (LENGTH, "0.010 (in)", "is not a unit"),
        (LENGTH, "1" * 1000 + " in", "is not a number"),
        (LENGTH, "in", "is not a number"),
    ],
)
def test_what_is_refused(unit: Unit, text: str, says: str) -> None:
    with pytest.raises(PydanticCustomError) as caught:
        unit(text)
    assert says in str(caught.value)


@pytest.mark.parametrize("unit", ["in**9**9**9", "9**9**9", "in^99", "(in)", "in+in", "lambda: 1"])
def test_no_arithmetic_reaches_the_unit_library(unit: str) -> None:
    with pytest.raises(ValueError, match="is not a unit"):
        conversion(unit, "m")


@given(st.text(alphabet="0123456789.,'/ -+eEkKinpsbar*^%\"()", max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        value = PRESSURE(text)
    except PydanticCustomError:
        return
    assert PRESSURE.low <= value <= PRESSURE.high


@given(st.floats(min_value=1e-6, max_value=1e9))
def test_numbers_as_python_writes_them_are_read_to_the_last_bit(number: float) -> None:
    assert split_quantity(f"{number!r} bar") == ([number], "bar")

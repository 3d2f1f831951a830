"""Units against NIST SP 811, and the text that stands for a quantity."""

from __future__ import annotations

import pytest

from borewarden.settings import Unit, conversion

# NIST SP 811 (2008), appendix B.8 and B.9; those marked exact there to the last digit it prints.
NIST_SP_811 = [
    ("psi", "Pa", 6.894757e3, 1e-7),
    ("kpsi", "Pa", 6.894757e6, 1e-7),
    ("bar", "Pa", 1e5, 1e-15),  # exact
    ("in", "m", 2.54e-2, 1e-15),  # exact
    ("in^3", "m^3", 1.638706e-5, 1e-6),
    ("hp", "W", 7.456999e2, 1e-7),  # 550 ft lbf/s
    ("degF", "K", 1.0 / 1.8, 1e-12),
    ("min", "s", 60.0, 1e-15),  # exact
    ("h", "s", 3600.0, 1e-15),  # exact
    ("rpm", "Hz", 1.666667e-2, 1e-6),  # as a count of turns, not 1.047198E-01 rad/s
]


@pytest.mark.parametrize(("unit", "si", "factor", "relative"), NIST_SP_811)
def test_factors_against_nist(unit: str, si: str, factor: float, relative: float) -> None:
    assert conversion(unit, si)[0] == pytest.approx(factor, rel=relative)


@pytest.mark.parametrize(
    ("text", "si", "expected"),
    [
        ("60 kpsi", "Pa", 413.68542e6),
        ("0.010 in", "m", 0.254e-3),
        ("400MPa", "Pa", 400e6),
        ("4e3 bar", "Pa", 400e6),
        ("45 strokes/min", "Hz", 0.75),
        ("1450 rpm", "Hz", 1450 / 60),
        ("5 rev/min", "Hz", 5 / 60),
        ("30 cycles/min", "Hz", 0.5),
        ("15 cm^3", "m^3", 15e-6),
        ("22 degC", "K", 295.15),
        ("68 degF", "K", 293.15),
        ("-1 degC", "K", 272.15),
        ("37 kW", "W", 37e3),
        ("1000 h", "hour", 1000.0),
        ("8 %", "", 0.08),
        ("8%", "", 0.08),
        ("0.08", "", 0.08),
        (0.08, "", 0.08),
        (20, "", 20.0),
    ],
)
def test_quantities(text: object, si: str, expected: float) -> None:
    assert Unit(si, -1e12, 1e12, "x")(text) == pytest.approx(expected, rel=1e-6)

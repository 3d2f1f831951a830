"""Usual figures of pumps, and figures worked out, as text in the units that the shop chose.

The sizes are common practice of the trade, no source.
"""

from __future__ import annotations

from borewarden.base.shown import US, chosen, shown
from borewarden.base.units import INCH, MM, conversion

RATED = {  # by the unit that was chosen; None: nobody chose
    None: ("350 MPa", "380 MPa", "400 MPa", "60 kpsi", "600 MPa", "90 kpsi"),
    "MPa": ("350 MPa", "380 MPa", "400 MPa", "414 MPa", "600 MPa", "620 MPa"),
    "bar": ("3500 bar", "3800 bar", "4000 bar", "4140 bar", "6000 bar", "6200 bar"),
    "psi": ("50 kpsi", "55 kpsi", "60 kpsi", "87 kpsi", "90 kpsi"),
    "kpsi": ("50 kpsi", "55 kpsi", "60 kpsi", "87 kpsi", "90 kpsi"),
}
MOTORS = {
    "kW": (7.5, 11, 15, 18.5, 22, 30, 37, 45, 55, 75, 90, 110, 132, 160),
    "hp": (10, 15, 20, 25, 30, 40, 50, 60, 75, 100, 125, 150, 200),
}
SAME = 1e-6  # apart, and two units are one
OF_PSI = {"psi", "kpsi"}  # people read either from the other
ABOVE = 1.02  # of the highest pressure seen, and a pump may be rated so


def rated_above(highest: float) -> tuple[str, float]:
    """The lowest usual rated pressure above the `highest` seen, Pa: as text, and in Pa."""
    known = [(text, _pascals(text)) for text in RATED[chosen("pressure")]]
    return next((each for each in known if each[1] >= ABOVE * highest), known[-1])


def _pascals(text: str) -> float:
    number, unit = text.split(" ")
    return float(number) * conversion(unit, "Pa")[0]


def motor_for(power: float) -> str:
    """The smallest usual motor that gives `power`, W."""
    unit = shown("power")
    sizes = MOTORS[unit.label]
    return f"{next((s for s in sizes if s >= unit.value(power)), sizes[-1]):g} {unit.label}"


def bore_text(bore: float) -> str:
    """A stock bore, m; in inches, as it is sold, unless another unit was chosen."""
    if chosen("bore") in (None, "in"):
        return f"{bore / INCH:.3f} in"
    return shown("bore").brief(bore)


def length_text(length: float) -> str:
    """A length of a plunger, m; a shop that has its bores in inches has these in inches, too."""
    if chosen("bore") in (None, "mm"):
        return f"{length / MM:.4g} mm"
    return f"{length / INCH:.4g} in"


def volume_text(volume: float) -> str:
    """A dead volume, m³."""
    unit = chosen("volume") or "cm^3"
    return f"{volume / conversion(unit, 'm^3')[0]:.3g} {unit}"


def in_both(level: float, unit: str, si: str, quantity: str, digits: int = 5) -> str:
    """A `level` in its own `unit`, and behind it in that of the shop where that is another one."""
    factor, offset = conversion(unit, si)
    own, people = f"{level:.{digits}g} {unit}", shown(quantity)
    if abs(factor / people.factor - 1.0) < SAME or {unit, people.label} <= OF_PSI:
        return own
    return f"{own}, {people.brief(level * factor + offset)}"


def pressure_example() -> str:
    """What a panel may show as the pressure, such as "3,700 bar"."""
    return "54,000 psi" if chosen("pressure") == US["pressure"] else "3,700 bar"

"""The units in which people read quantities: metric, those of the US, or both.

What is shown is a matter of who reads it, not of the computation, so it is not handed from function
to function. A command, a request or a mail begins `shown_in` the units of its machine, and every
function that turns a quantity into words asks here. Without a setting most words have both.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from typing import NamedTuple


class Shown(NamedTuple):
    """One unit as people read it: value in it = (SI - `offset`) / `factor`, and its usual digits.

    `digits` below 0 round to tens or hundreds, as for 54,300 psi.
    """

    label: str
    factor: float
    offset: float
    digits: int

    @property
    def _commas(self) -> str:
        """Thousands are grouped only where numbers are that large."""
        return "," if self.digits < 0 else ""

    def value(self, si: float) -> float:
        """`si` in this unit; arrays too."""
        return (si - self.offset) / self.factor

    def number(self, si: float, extra: int = 0) -> str:
        """`si` in this unit, without its label, with `extra` digits more than usual."""
        digits = self.digits + extra
        return f"{round(self.value(si), digits) + 0.0:{self._commas}.{max(digits, 0)}f}"

    def brief(self, si: float) -> str:
        """`si` in this unit to four digits, with its label, as in messages: "400 MPa"."""
        value = self.value(si)
        if not math.isfinite(value) or value == 0.0:
            return f"{value:g} {self.label}"
        digits = 3 - math.floor(math.log10(abs(value)))
        words = f"{round(value, digits):{self._commas}.{max(digits, 0)}f}"
        return f"{words.rstrip('0').rstrip('.') if '.' in words else words} {self.label}"

    def text(self, si: float, extra: int = 0) -> str:
        """`si` in this unit, with its label."""
        return f"{self.number(si, extra)} {self.label}"


PSI = 6894.757293168361  # Pa, exact to the last digit
GALLON = 3.785411784e-3  # m³, of the US, exact

# By quantity, the metric unit first, then that of the US, then what else there is.
UNITS = {
    "pressure": {
        "MPa": Shown("MPa", 1e6, 0.0, 1),
        "psi": Shown("psi", PSI, 0.0, -2),
        "bar": Shown("bar", 1e5, 0.0, 0),
        "kpsi": Shown("kpsi", 1e3 * PSI, 0.0, 1),
    },
    "bore": {
        "mm": Shown("mm", 1e-3, 0.0, 3),
        "in": Shown("in", 0.0254, 0.0, 4),
        "thou": Shown("thou", 2.54e-5, 0.0, 1),
    },
    "temperature": {
        "degC": Shown("°C", 1.0, 273.15, 1),
        "degF": Shown("°F", 5.0 / 9.0, 459.67 * 5.0 / 9.0, 1),
    },
    "flow": {
        "l/min": Shown("l/min", 1e-3 / 60.0, 0.0, 2),
        "gal/min": Shown("gal/min", GALLON / 60.0, 0.0, 2),
    },
    "volume": {
        "cm^3": Shown("cm³", 1e-6, 0.0, 2),
        "in^3": Shown("in³", 0.0254**3, 0.0, 3),
    },
    "power": {
        "kW": Shown("kW", 1e3, 0.0, 1),
        "hp": Shown("hp", 745.6998715822702, 0.0, 1),
    },
}
METRIC = {quantity: next(iter(units)) for quantity, units in UNITS.items()}
US = {quantity: list(units)[1] for quantity, units in UNITS.items()}
NAMED = {"metric": METRIC, "us": US}

_CHOSEN: ContextVar[Mapping[str, str] | None] = ContextVar("units that are shown", default=None)


def show_in(units: Mapping[str, str] | None) -> None:
    """Show `units`, by quantity, from here on; None for the usual ones."""
    _CHOSEN.set(units)


@contextmanager
def shown_in(units: Mapping[str, str] | None) -> Iterator[None]:
    """Show `units`, by quantity, within this block; None for the usual ones."""
    token = _CHOSEN.set(units)
    try:
        yield
    finally:
        _CHOSEN.reset(token)


def chosen(quantity: str) -> str | None:
    """Name of the unit that was chosen for `quantity`; None where nobody chose."""
    return (_CHOSEN.get() or {}).get(quantity)


def shown(quantity: str) -> Shown:
    """The one unit for plots, columns and single figures: as chosen, else the metric one."""
    return UNITS[quantity][chosen(quantity) or METRIC[quantity]]


def quantity_text(quantity: str, si: float, extra: int = 0, us_extra: int | None = None) -> str:
    """`si` in words: in the unit chosen, else in the metric one with that of the US behind it.

    `extra` digits more than usual; `us_extra` for what stands behind, if they differ.
    """
    if chosen(quantity) is not None:
        return shown(quantity).text(si, extra)
    first, second = (UNITS[quantity][each[quantity]] for each in (METRIC, US))
    behind = extra if us_extra is None else us_extra
    return f"{first.text(si, extra)} ({second.text(si, behind)})"


def plus_minus(quantity: str, si: float, sd: float, extra: int = 0) -> str:
    """`si` with its uncertainty `sd` in words, as `quantity_text` has it."""
    names = [chosen(quantity)] if chosen(quantity) else [METRIC[quantity], US[quantity]]
    units = [UNITS[quantity][name] for name in names if name]
    texts = [
        f"{unit.number(si, extra)} ± {unit.number(sd + unit.offset, extra)} {unit.label}"
        for unit in units
    ]
    return texts[0] if len(texts) == 1 else f"{texts[0]} ({texts[1]})"

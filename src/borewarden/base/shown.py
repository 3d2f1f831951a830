"""The units in which people read quantities: metric, those of the US, or both.

What is shown is a matter of who reads it, not of the computation, so it is not handed from function
to function. A command, a request or a mail begins `shown_in` the units of its machine, and every
function that turns a quantity into words asks here. Without a setting most words have both.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, NamedTuple

from pydantic_core import CoreSchema, core_schema

from borewarden.base.units import bad_value, conversion


class Shown(NamedTuple):
    """One unit as people read it: value in it = (SI - `offset`) / `factor`, and its usual digits.

    `digits` below 0 round to tens or hundreds, as for 54,300 psi.
    """

    label: str
    factor: float
    offset: float
    digits: int

    def value(self, si: float) -> float:
        """`si` in this unit; arrays too."""
        return (si - self.offset) / self.factor

    def number(self, si: float, extra: int = 0) -> str:
        """`si` in this unit, without its label, with `extra` digits more than usual."""
        digits = self.digits + extra
        return f"{round(self.value(si), digits) + 0.0:,.{max(digits, 0)}f}"

    def text(self, si: float, extra: int = 0) -> str:
        """`si` in this unit, with its label."""
        return f"{self.number(si, extra)} {self.label}"


def _shown(label: str, unit: str, si: str, digits: int) -> Shown:
    factor, offset = conversion(unit, si)
    return Shown(label, factor, offset, digits)


# By quantity, the metric unit first, then that of the US, then what else there is.
UNITS = {
    "pressure": {
        "MPa": _shown("MPa", "MPa", "Pa", 1),
        "psi": _shown("psi", "psi", "Pa", -2),
        "bar": _shown("bar", "bar", "Pa", 0),
        "kpsi": _shown("kpsi", "kpsi", "Pa", 1),
    },
    "bore": {
        "mm": _shown("mm", "mm", "m", 3),
        "in": _shown("in", "in", "m", 4),
        "thou": _shown("thou", "thou", "m", 1),
    },
    "temperature": {
        "degC": _shown("°C", "degC", "K", 1),
        "degF": _shown("°F", "degF", "K", 1),
    },
    "flow": {
        "l/min": _shown("l/min", "l/min", "m^3/s", 2),
        "gal/min": _shown("gal/min", "gal/min", "m^3/s", 2),
    },
    "power": {
        "kW": _shown("kW", "kW", "W", 1),
        "hp": _shown("hp", "hp", "W", 1),
    },
}
METRIC = {quantity: next(iter(units)) for quantity, units in UNITS.items()}
US = {quantity: list(units)[1] for quantity, units in UNITS.items()}
NAMED = {"metric": METRIC, "us": US}

_CHOSEN: ContextVar[Mapping[str, str] | None] = ContextVar("units that are shown", default=None)


class UnitChoice:
    """Makes a setting take "metric", "US", or a table of units by quantity, and hold the latter."""

    def __call__(self, value: Any) -> dict[str, str]:
        """The unit of each quantity that was chosen, or a validation error."""
        right = 'give "metric", "US", or units by quantity, such as { pressure = "psi" }'
        if isinstance(value, str) and value.lower() in NAMED:
            return dict(NAMED[value.lower()])
        if not isinstance(value, Mapping) or not value:
            raise bad_value(f"{value!r} is not a choice of units", right)
        for quantity, unit in value.items():
            if quantity not in UNITS:
                raise bad_value(f"{quantity!r} is not a quantity", f"give {', '.join(UNITS)}")
            if unit not in UNITS[quantity]:
                allowed = ", ".join(UNITS[quantity])
                raise bad_value(f"{unit!r} is not a unit of {quantity} here", f"give {allowed}")
        return dict(value)

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """For pydantic: validate by calling this."""
        return core_schema.no_info_plain_validator_function(self)


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


def quantity_text(quantity: str, si: float, extra: int = 0) -> str:
    """`si` in words: in the unit chosen, else in the metric one with that of the US behind it."""
    if chosen(quantity) is not None:
        return shown(quantity).text(si, extra)
    first, second = (UNITS[quantity][each[quantity]] for each in (METRIC, US))
    return f"{first.text(si, extra)} ({second.text(si, extra)})"


def plus_minus(quantity: str, si: float, sd: float, extra: int = 0) -> str:
    """`si` with its uncertainty `sd` in words, as `quantity_text` has it."""
    names = [chosen(quantity)] if chosen(quantity) else [METRIC[quantity], US[quantity]]
    units = [UNITS[quantity][name] for name in names if name]
    texts = [
        f"{unit.number(si, extra)} ± {unit.number(sd + unit.offset, extra)} {unit.label}"
        for unit in units
    ]
    return texts[0] if len(texts) == 1 else f"{texts[0]} ({texts[1]})"

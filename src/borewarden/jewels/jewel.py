"""One jewel as the shop stated it, and the areas that follow."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from borewarden.physics.orifice import (
    DISCHARGE_COEFFICIENTS,
    STOCK_BORES_INCH,
    DischargeCoefficient,
    bore_area,
)


@dataclass(frozen=True)
class Jewel:
    """One jewel as the shop stated it: `bore` in m, `fitted_ns` in ns since 1970 UTC.

    `discharge_coefficient` is known if an earlier log has learned the baseline, and `jet_hours`
    are the hours the jewel had then; otherwise the first steady minutes give it. `out_ns` is when
    it was taken out, None while it is fitted or if only its successor tells. `guessed` names the
    fields that nobody stated.
    """

    bore: float
    material: str
    fitted_ns: int
    head: str = "1"
    discharge_coefficient: float | None = None
    jet_hours: float = 0.0
    out_ns: int | None = None
    guessed: tuple[str, ...] = field(default=(), compare=False)

    @property
    def plausible(self) -> DischargeCoefficient:
        """The range of C_d that its material allows."""
        return DISCHARGE_COEFFICIENTS[self.material]

    @property
    def nominal_area(self) -> float:
        """Effective area at the typical C_d of its material, m²."""
        return float(bore_area(self.bore)) * self.plausible.typical


def stated_bores_area(jewels: list[Jewel]) -> float:
    """Geometric area of the stated bores together, m²."""
    return sum(float(bore_area(jewel.bore)) for jewel in jewels)


def stated_area(jewels: list[Jewel]) -> float:
    """Effective area of the stated jewels together, m²: areas of open heads add."""
    return sum(jewel.nominal_area for jewel in jewels)


def nearest_stock_bore(area: float, discharge_coefficient: float) -> float:
    """The usual stock bore, m, whose effective area is nearest to `area`, by ratio."""
    bores = np.array(STOCK_BORES_INCH) * 0.0254
    ratio = np.log(bore_area(bores) * discharge_coefficient / area)
    return float(bores[np.argmin(np.abs(ratio))])

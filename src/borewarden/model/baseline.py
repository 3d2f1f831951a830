"""What the fitted jewel passes while it is known to be sound, and how noisy that figure is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.physics.orifice import (
    DISCHARGE_COEFFICIENTS,
    STOCK_BORES_INCH,
    DischargeCoefficient,
    bore_area,
)

MAD_TO_SIGMA = 1.4826  # of a normal distribution


@dataclass(frozen=True)
class Jewel:
    """One jewel as the shop stated it: `bore` in m, `fitted_ns` in ns since 1970 UTC.

    `discharge_coefficient` is known where a baseline was learned in an earlier log, with
    `jet_hours` the hours it then had; else it is learned from the first steady minutes. `out_ns` is
    when it was taken out, None while it is fitted or if only its successor tells.
    """

    bore: float
    material: str
    fitted_ns: int
    head: str = "1"
    discharge_coefficient: float | None = None
    jet_hours: float = 0.0
    out_ns: int | None = None

    @property
    def plausible(self) -> DischargeCoefficient:
        """The range of C_d that its material allows."""
        return DISCHARGE_COEFFICIENTS[self.material]

    @property
    def nominal_area(self) -> float:
        """Effective area at the typical C_d of its material, m²."""
        return float(bore_area(self.bore)) * self.plausible.typical


class FittedSet(NamedTuple):
    """The jewels that are in the heads from `since_ns` on, until the next such set."""

    since_ns: int
    jewels: list[Jewel]


def fitted_sets(jewels: list[Jewel]) -> list[FittedSet]:
    """What is in the heads when, in order of time; each set starts a baseline of its own.

    A later jewel on the same head replaces the earlier one. One that is taken out leaves the rest;
    while none is left the set stays the old one, as there is no jet to judge until the next is
    fitted. `out_ns` is left out of the sets: it is told by what follows.
    """
    in_order = sorted(jewels, key=lambda jewel: jewel.fitted_ns)
    times = {jewel.fitted_ns for jewel in jewels}
    times |= {jewel.out_ns for jewel in jewels if jewel.out_ns is not None}
    sets: list[FittedSet] = []
    newest: dict[str, Jewel] = {}
    reached = 0
    for time_ns in sorted(times):
        while reached < len(in_order) and in_order[reached].fitted_ns <= time_ns:
            newest[in_order[reached].head] = in_order[reached]
            reached += 1
        there = [
            replace(jewel, out_ns=None)
            for jewel in newest.values()
            if jewel.out_ns is None or jewel.out_ns > time_ns
        ]
        if there and (not sets or there != sets[-1].jewels):
            sets.append(FittedSet(time_ns, there))
    return sets


def stale_since(used: list[FittedSet], now: list[FittedSet], newest_ns: int) -> int | None:
    """From when on samples up to `newest_ns` have to be judged anew: sets were `used`, hold `now`.

    None if nothing up to then has changed. Nothing is carried over from one set to the next, so the
    latest one before the first difference is far enough back. What came before the first of them
    stays as it was judged, perhaps by jewels that nobody states any longer.
    """
    differ = [s.since_ns for s in (*used, *now) if (s in used) != (s in now)]
    first = min((time_ns for time_ns in differ if time_ns <= newest_ns), default=None)
    if first is None:
        return None if used[0] == now[0] else now[0].since_ns
    return max((s.since_ns for s in now if s.since_ns <= first), default=now[0].since_ns)


class Noise(NamedTuple):
    """Scale of batch values about their mean, and how many independent ones it rests on.

    `sigma` leaves out what the timing of strokes adds, which each batch states for itself.
    """

    sigma: float
    effective_count: float
    autocorrelation: float


def _median(values: NDArray[np.float64]) -> float:
    """As numpy's, which takes ten times as long for the few values of a watch's window."""
    ordered = np.sort(values)
    n = len(ordered)
    return float(0.5 * (ordered[(n - 1) // 2] + ordered[n // 2]))


def robust_noise(values: NDArray[np.float64], resolution: NDArray[np.float64]) -> Noise:
    """Long-run noise scale of batch `values`, shape (n,), n >= 3, beside their `resolution`, (n,).

    Standard deviation after winsorising at four scaled median absolute deviations (Hampel 1974, J.
    Am. Stat. Assoc. 69, 383-393), or at four `resolution`s where whole counts make the values so
    lumpy that the median deviation is no guide; less the variance of the resolution. Widened for
    neighbouring batches that still resemble each other: with lag-one autocorrelation r the mean of
    many AR(1) values varies as if sigma² were sigma² (1 + r)/(1 - r) (Bayley & Hammersley 1946,
    Suppl. J. R. Stat. Soc. 8, 184-197). r is the winsorised values' own, less one standard error,
    kept within 0 and 0.8: the negative r that shared edges make belongs to the resolution.
    """
    centred = values - _median(values)
    lumps = _median(resolution)
    reach = 4.0 * max(MAD_TO_SIGMA * _median(np.abs(centred)), lumps, 1e-12)
    kept = np.clip(centred, -reach, reach)
    kept = kept - np.mean(kept)
    variance = float(np.sum(kept**2)) / (len(kept) - 1)
    r = 0.0
    if variance > 0.0:
        r = float(np.mean(kept[1:] * kept[:-1])) / variance - len(values) ** -0.5
    r = min(max(r, 0.0), 0.8)
    inflation = (1.0 + r) / (1.0 - r)
    beside = max(variance - float(np.mean(resolution**2)), 0.0)
    return Noise((beside * inflation) ** 0.5, len(values) / inflation, r)


@dataclass(frozen=True)
class Baseline:
    """The effective area of the sound jewel, m², and the noise of its logarithm."""

    area: float
    discharge_coefficient: float
    noise: Noise
    plausible_low: float
    plausible_high: float

    @property
    def is_plausible(self) -> bool:
        """Whether the C_d learned fits the stated bore and material."""
        return self.plausible_low <= self.discharge_coefficient <= self.plausible_high


def stated_bores_area(jewels: list[Jewel]) -> float:
    """Geometric area of the stated bores together, m²."""
    return sum(float(bore_area(jewel.bore)) for jewel in jewels)


def stated_area(jewels: list[Jewel]) -> float:
    """Effective area of the stated jewels together, m²: areas of open heads add."""
    return sum(jewel.nominal_area for jewel in jewels)


def learn_baseline(
    areas: NDArray[np.float64],
    times: NDArray[np.float64],
    resolutions: NDArray[np.float64],
    jewels: list[Jewel],
    flow_uncertainty: float,
    floor: float,
) -> Baseline:
    """Baseline of the fitted `jewels` from the effective `areas` (m²) of their first batches.

    `times` are the seconds in each, `resolutions` the relative standard uncertainties of the areas
    from whole counts, `flow_uncertainty` the relative standard uncertainty of the pump's own
    delivery figures (they widen the plausible range by two of it), `floor` the least noise scale
    to believe. Where every jewel's C_d is given, that is the baseline and the areas only show the
    noise.
    """
    bores_area = stated_bores_area(jewels)
    logs = np.log(areas)
    noise = robust_noise(logs, resolutions)
    sigma = max(noise.sigma, floor)
    given = [jewel.discharge_coefficient for jewel in jewels]
    # the mean, not the median: whole counts make the values lumpy; outliers are left out
    reach = 4.0 * np.hypot(max(noise.sigma, floor), resolutions)
    sound = np.abs(logs - np.median(logs)) <= reach
    area = float(np.exp(np.average(logs[sound], weights=times[sound])))
    if all(c is not None for c in given):
        area = sum(float(bore_area(j.bore)) * (j.discharge_coefficient or 0.0) for j in jewels)

    low = sum(float(bore_area(j.bore)) * j.plausible.low for j in jewels) / bores_area
    high = sum(float(bore_area(j.bore)) * j.plausible.high for j in jewels) / bores_area
    return Baseline(
        area=area,
        discharge_coefficient=area / bores_area,
        noise=noise._replace(sigma=sigma),
        plausible_low=low * (1.0 - 2.0 * flow_uncertainty),
        plausible_high=high * (1.0 + 2.0 * flow_uncertainty),
    )


def nearest_stock_bore(area: float, discharge_coefficient: float) -> float:
    """The usual stock bore, m, whose effective area is nearest to `area` in ratio."""
    bores = np.array(STOCK_BORES_INCH) * 0.0254
    ratio = np.log(bore_area(bores) * discharge_coefficient / area)
    return float(bores[np.argmin(np.abs(ratio))])

"""What the fitted jewel passes while it is known to be sound, and how noisy that figure is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from borewarden.base.statistics import MAD_TO_SIGMA
from borewarden.jewels.jewel import Jewel, stated_bores_area
from borewarden.physics.orifice import (
    bore_area,
)

TINY = 1e-12  # a variance that is as good as none


class Noise(NamedTuple):
    """Scale of batch values about their mean, and how many independent ones it rests on.

    `sigma` leaves out what the timing of strokes adds, which each batch states for itself.
    """

    sigma: float
    effective_count: float
    autocorrelation: float


def median(values: NDArray[np.float64]) -> float:
    """As numpy's, which takes ten times as long for the few values of a watch's window."""
    ordered = np.sort(values)
    n = len(ordered)
    return float(0.5 * (ordered[(n - 1) // 2] + ordered[n // 2]))


def mean(values: NDArray[np.float64]) -> float:
    """As numpy's to the last bit, which takes three times as long for few values."""
    return float(np.add.reduce(values) / len(values))


def robust_scatter(values: NDArray[np.float64]) -> float:
    """Standard deviation of `values`, shape (n,), n >= 1, by their median absolute deviation."""
    return MAD_TO_SIGMA * median(np.abs(values - median(values)))


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
    centred = values - median(values)
    lumps = median(resolution)
    reach = 4.0 * max(MAD_TO_SIGMA * median(np.abs(centred)), lumps, 1e-12)
    kept = np.minimum(np.maximum(centred, -reach), reach)  # as `np.clip`, which takes longer
    kept = kept - mean(kept)
    variance = float((kept**2).sum()) / (len(kept) - 1)
    r = 0.0
    if variance > 0.0:
        r = mean(kept[1:] * kept[:-1]) / variance - len(values) ** -0.5
    r = min(max(r, 0.0), 0.8)
    inflation = (1.0 + r) / (1.0 - r)
    beside = max(variance - mean(resolution**2), 0.0)
    return Noise((beside * inflation) ** 0.5, len(values) / inflation, r)


def scatter_between(values: NDArray[np.float64], sd: NDArray[np.float64]) -> float:
    """Standard deviation of what `values` estimate one by one, beside the `sd` of each estimate.

    Both have shape (n,), n >= 2; 0 where `sd` explains it all. Each value weighs by what is known
    of it (Paule & Mandel 1982, J. Res. Natl. Bur. Stand. 87, 377-385).
    """

    def misfit(variance: float) -> float:
        weights = 1.0 / (sd**2 + variance)
        off = values - np.average(values, weights=weights)
        return float(np.sum(weights * off**2)) - (len(values) - 1.0)

    least, most = TINY, float(np.sum((values - np.mean(values)) ** 2)) + TINY
    if misfit(least) <= 0.0:
        return 0.0
    return float(optimize.brentq(misfit, least, most) ** 0.5)


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

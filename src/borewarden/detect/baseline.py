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
# Batches in a sum: fewer hold too much of what cancels, of more there are few in a baseline; and
# how many such sums side by side show a scatter. Tuned on seeds 42,001 to 42,030
JOINED, FEWEST_SUMS = (4, 8), 3


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
    kept = _winsorised(values, resolution)
    variance = float((kept**2).sum()) / (len(kept) - 1)
    r = 0.0
    if variance > 0.0:
        r = mean(kept[1:] * kept[:-1]) / variance - len(values) ** -0.5
    r = min(max(r, 0.0), 0.8)
    inflation = (1.0 + r) / (1.0 - r)
    beside = max(variance - mean(resolution**2), 0.0)
    return Noise((beside * inflation) ** 0.5, len(values) / inflation, r)


def _winsorised(
    values: NDArray[np.float64], resolution: NDArray[np.float64]
) -> NDArray[np.float64]:
    """`values` less their mean, none of them further off than `robust_noise` says."""
    centred = values - median(values)
    lumps = median(resolution)
    reach = 4.0 * max(MAD_TO_SIGMA * median(np.abs(centred)), lumps, TINY)
    kept = np.minimum(np.maximum(centred, -reach), reach)  # as `np.clip`, which takes longer
    return kept - mean(kept)


def noise_that_adds_up(values: NDArray[np.float64], rows: NDArray[np.void]) -> Noise:
    """As `robust_noise` of one of the `values` for each of `rows`, less what cancels in sums.

    `rows` are of dtype `BATCH` or `RING`. A count is seen with the next sample. So the time of
    strokes that take k + f intervals, k whole, is off by a variance of f (1 - f) squared intervals:
    up to half as much again as the 1/6 of two ends anywhere. What one batch has too much of it, the
    next has too little. So the noise is what sums show, too: the least that single batches and
    overlapping sums of `JOINED` have beside the timing of their ends.
    """
    noise = robust_noise(values, rows["resolution"])
    if not rows["shared"].any():
        return noise
    variances = [
        _variance_by_sums(values, rows, joined)
        for joined in JOINED
        if len(rows) >= FEWEST_SUMS * joined
    ]
    return noise._replace(sigma=max(min([noise.sigma**2, *variances]), 0.0) ** 0.5)


def _variance_by_sums(values: NDArray[np.float64], rows: NDArray[np.void], joined: int) -> float:
    """Variance of one of the `values` by means of so many `joined`; below 0 where timing is all."""
    ones = np.ones(joined)
    time, ends, squares, total = (
        np.convolve(each, ones, "valid")
        for each in (rows["time"], rows["timing"], rows["time"] ** 2, values * rows["time"])
    )
    ends -= 2.0 * np.convolve(rows["shared"][1:], ones[1:], "valid")
    ends = np.maximum(ends, 0.0) / time**2  # where a neighbour was left out
    means = _winsorised(total / time, ends**0.5)
    # sums side by side are n / joined: so much less do they scatter about their own mean
    variance = mean(means**2) / (1.0 - joined / len(rows))
    return (variance - mean(ends)) / mean(squares / time**2)


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
    rows: NDArray[np.void], jewels: list[Jewel], flow_uncertainty: float, floor: float
) -> Baseline:
    """Baseline of the fitted `jewels` from their first batches, `rows` of dtype `BATCH`.

    `flow_uncertainty` is the relative standard uncertainty of the pump's own delivery figures (they
    widen the plausible range by two of it), `floor` the least noise scale to believe. Where every
    jewel's C_d is given, that is the baseline and the areas only show the noise.
    """
    bores_area = stated_bores_area(jewels)
    logs = np.log(rows["area"])
    noise = noise_that_adds_up(logs, rows)
    sigma = max(noise.sigma, floor)
    given = [jewel.discharge_coefficient for jewel in jewels]
    # the mean, not the median: whole counts make the values lumpy; outliers are left out
    reach = 4.0 * np.hypot(max(noise.sigma, floor), rows["resolution"])
    sound = np.abs(logs - np.median(logs)) <= reach
    area = float(np.exp(np.average(logs[sound], weights=rows["time"][sound])))
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

"""How long until wear is at the limit? By a straight line, and by laws under which it accelerates.

A crack that has grown grows faster, and a worn edge may wear faster, too. How much faster is not
known of a jewel that is sound, and shows late. So the hours to the limit come from several laws at
once, each as probable as the measured values make it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from borewarden.base.statistics import Interval
from borewarden.detect.wear import Line

Array = NDArray[np.float64]

STRAIGHT = 0.7  # probability beforehand that the rate of wear stays as it is; invented
MOST_FASTER = 6.0  # otherwise, times as fast at the limit as at the baseline, at most; invented
CURVED = 12  # laws with a rate that grows, equally likely beforehand
FASTER = np.array([1.0, *(MOST_FASTER ** ((k + 0.5) / CURVED) for k in range(CURVED))])
BEFOREHAND = np.array([STRAIGHT, *[(1.0 - STRAIGHT) / CURVED] * CURVED])
# how far the rate from now on may be off, which no simple law knows; relative; invented
AHEAD_SD = np.where(FASTER > 1.0, 0.3, 0.05)
LEAST_LIMIT = 0.02  # in log area, over which the rate grows by that much; invented
TINY = 1e-300  # a variance that is none would divide by zero
QUANTILES = (0.05, 0.5, 0.95)
CLOSER, PIECES = 4, 8  # how often, and in how many pieces, they are looked for more closely
SPAN = np.concatenate([[0.0], np.geomspace(1e-4, 1e7, 50)])  # of the hours so far, to look ahead


class Laws(NamedTuple):
    """The posterior of each law of wear, each shape (n,), as a straight line on a scale of its own.

    The rate of wear grows e-fold with the log area: d log area / d hours = rate exp(b log area).
    Then u = (1 - exp(-b log area)) / b grows in a straight line, and `limit` is the u of the limit.
    `wander_var` is that of what comes and goes, at the limit, `ahead_sd` that of the rate from now
    on, over the rate.
    """

    weights: Array
    level: Array
    slope: Array  # 1/h
    level_var: Array
    covariance: Array
    slope_var: Array
    limit: Array
    wander_var: Array
    ahead_sd: Array

    def past(self, hours: Array, now: float) -> Array:
        """By how many standard deviations each law is past the limit at each of `hours`: (m, n)."""
        x = np.asarray(hours)[:, np.newaxis]
        variance = self.level_var + x * (2.0 * self.covariance + x * self.slope_var)
        variance = variance + self.wander_var + (self.ahead_sd * self.slope * (x - now)) ** 2
        over = self.level + self.slope * x - self.limit
        by: Array = over / np.sqrt(np.maximum(variance, TINY))
        return by

    def reached(self, hours: Array, now: float) -> Array:
        """Probability that the limit is reached by each of `hours`, shape (m,)."""
        chances: Array = special.ndtr(self.past(hours, now)) @ self.weights
        return chances


def laws(line: Line, limit: float) -> Laws:
    """What the measured values, and a `limit` in log area, make of each law.

    The line with a free curvature (`line.curve`) says all that they tell: its log area at the
    baseline, half-way and at the newest value. Each law says where half-way is, given both ends. By
    how likely that is, the law is weighed, and given it, the ends are corrected. Without a curve
    there is the straight line alone.
    """
    curve = line.curve
    if curve is None:
        known = (1.0, *line[:5], limit, 0.0, 0.0)
        return Laws(*(np.array([x]) for x in known))
    growth = np.log(FASTER) / max(limit, LEAST_LIMIT)
    end = curve.hours
    at = np.array([[1.0, h, h * h] for h in (0.0, 0.5 * end, end)])
    means = at @ [curve.level, curve.slope, curve.curve]
    spread = at @ np.array(curve.covariance) @ at.T

    shrink = np.exp(-growth[:, np.newaxis] * means[[0, 2]])
    half = 0.5 * np.sum(_scaled(growth[:, np.newaxis], means[[0, 2]]), axis=1)
    off = means[1] - _unscaled(growth, half)
    slopes = -shrink / np.sum(shrink, axis=1)[:, np.newaxis]
    by_off = np.column_stack([slopes[:, 0], np.ones(len(growth)), slopes[:, 1]]) @ spread
    variance = by_off[:, 0] * slopes[:, 0] + by_off[:, 1] + by_off[:, 2] * slopes[:, 1]
    likelihood = -0.5 * (off**2 / variance + np.log(variance))
    weights = BEFOREHAND * np.exp(likelihood - np.max(likelihood))

    shares = by_off / variance[:, np.newaxis]
    ends = means - shares * off[:, np.newaxis]
    first, last = ends[:, 0], ends[:, 2]
    left = spread - shares[:, :, np.newaxis] * by_off[:, np.newaxis, :]
    d_first, d_last = np.exp(-growth * first), np.exp(-growth * last)
    u = _scaled(growth, first)
    var_first = left[:, 0, 0] * d_first**2
    with_last = left[:, 0, 2] * d_first * d_last
    var_last = left[:, 2, 2] * d_last**2
    return Laws(
        weights / np.sum(weights),
        u,
        (_scaled(growth, last) - u) / end,
        var_first,
        (with_last - var_first) / end,
        (var_first - 2.0 * with_last + var_last) / end**2,
        _scaled(growth, np.full(len(growth), limit)),
        curve.wander_var * np.exp(-2.0 * growth * limit),
        AHEAD_SD,
    )


def _scaled(growth: Array, log_area: Array) -> Array:
    """(1 - exp(-growth log area)) / growth, the log area itself for a growth of 0."""
    safe = np.where(growth > 0.0, growth, 1.0)
    return np.where(growth > 0.0, -np.expm1(-safe * log_area) / safe, log_area)


def _unscaled(growth: Array, scaled: Array) -> Array:
    safe = np.where(growth > 0.0, growth, 1.0)
    return np.where(growth > 0.0, -np.log1p(-growth * scaled) / safe, scaled)


def hours_to(
    limit: float, line: Line, now: float, chances: tuple[float, ...] = QUANTILES
) -> Interval:
    """Jet hours from `now` until wear passes `limit`: median and 90 % interval.

    These are where it has passed it with each of the three `chances`, mixed over `laws`. With the
    straight line alone this is Fieller's interval (1954, J. R. Stat. Soc. B 16, 175-185) for the
    calibration problem limit = level + slope * x. Infinite where so much of the chance never comes,
    since wear could be zero. Times already past read 0.
    """
    known = laws(line, limit)
    ahead = now + SPAN * max(now, 1.0)
    reached = np.maximum.accumulate(known.reached(ahead, now))
    after = np.searchsorted(reached, chances)  # the first at which so much is reached
    found = np.where(after < len(ahead), 0.0, np.inf)
    inside = np.flatnonzero((after > 0) & (after < len(ahead)))
    if len(inside) > 0:
        wanted = np.array(chances)[inside]
        low, high = ahead[after[inside] - 1], ahead[after[inside]]
        for _ in range(CLOSER):
            between = low + (high - low) * np.linspace(0.0, 1.0, PIECES + 1)[:, np.newaxis]
            reached = known.reached(between.ravel(), now).reshape(between.shape)
            above = np.maximum.accumulate(reached, axis=0) >= wanted
            k = np.clip(np.argmax(above, axis=0), 1, PIECES)
            column = np.arange(len(inside))
            low, high = between[k - 1, column], between[k, column]
            below, past = reached[k - 1, column], reached[k, column]
        share = (wanted - below) / np.maximum(past - below, TINY)
        found[inside] = low + (high - low) * np.clip(share, 0.0, 1.0) - now
    return Interval(*found.tolist())


def log_likelihood(hours: Array, line: Line, now: float, limit: float) -> Array:
    """Log likelihood of what was measured if the limit is reached at just each of `hours`.

    Shape (m,), less a constant: exp(-z² / 2) with Fieller's pivot z, mixed over `laws`.
    """
    known = laws(line, limit)
    z = known.past(hours, now)
    mixed: Array = special.logsumexp(-0.5 * z**2, b=known.weights, axis=1)
    return mixed

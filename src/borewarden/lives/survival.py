"""What a law of life says: survival, mean, quantiles, and the chance that a jewel lasts.

The law has two kinds of jewels. A share q fails early, from dirt, a bad seat or a flaw, with an
exponential life; the others wear out with a Weibull life:

    R(t) = q exp(-t / early_scale) + (1 - q) exp(-(t / scale)^shape).

One Weibull alone can't describe both: a fifth of the rubies fail in the first hours, and the rest
fail at about the same age. It settles at a shape near one, at which no planned change ever pays
(`tests/benchmarks/bench_life.py` prints what that costs). With q = 0 the law is the Weibull.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from borewarden.base.statistics import Interval
from borewarden.detect.ahead import log_likelihood
from borewarden.detect.wear import Line

Array = NDArray[np.float64]
AHEAD = 1000  # times ahead at which the wear line is asked, less than a hundredth apart


class Lives(NamedTuple):
    """Laws of life, one per draw of the posterior; arrays of shape (n,), times in jet hours."""

    scale: Array  # 63 % of the jewels that don't fail early have ended by then
    shape: Array
    early_share: Array  # 0 to 1
    early_scale: Array  # mean life of those that fail early

    def __len__(self) -> int:
        """Number of draws, not of fields."""
        return len(self.scale)


def interval(draws: Array) -> Interval:
    """Central 90 % of `draws`, shape (n,), and their median."""
    return Interval(*(float(x) for x in np.quantile(draws, [0.05, 0.5, 0.95])))


def survival(lives: Lives, hours: ArrayLike) -> Array:
    """Chance that a new jewel lasts each of `hours`, shape (m,): shape (n, m)."""
    return np.exp(log_survival(lives, np.atleast_1d(np.asarray(hours, dtype=float))))


def log_survival(lives: Lives, hours: Array) -> Array:
    """Log of `survival`, exact far out in the tail. `hours` of shape (m,) or (n, m)."""
    early, worn = _log_parts(lives, hours)
    return np.logaddexp(early, worn)


def _log_parts(lives: Lives, hours: Array) -> tuple[Array, Array]:
    """Logs of the two terms of R(t), shape (n, m) each."""
    scale, shape, share, early_scale = (x[:, None] for x in lives)
    with np.errstate(divide="ignore"):  # log 0 where a share is 0 or 1
        return np.log(share) - hours / early_scale, np.log1p(-share) - (hours / scale) ** shape


def mean_life(lives: Lives, until: ArrayLike = np.inf) -> Array:
    """Mean jet hours of jewels changed at the ages `until`, shape (m,), or at their end: (n, m).

    The integral of R from 0 to T, in closed form: early_scale (1 - exp(-T / early_scale)) and
    scale Gamma(1 + 1/shape) P(1/shape, (T / scale)^shape), P the regularised lower incomplete
    gamma function (Abramowitz & Stegun 1964, 6.5.1); for T = inf the Weibull mean.
    """
    age = np.atleast_1d(np.asarray(until, dtype=float))
    scale, shape, share, early_scale = (x[:, None] for x in lives)
    worn = scale * special.gamma(1.0 + 1.0 / shape)
    worn = worn * special.gammainc(1.0 / shape, (age / scale) ** shape)
    early = -early_scale * np.expm1(-age / early_scale)
    result: Array = share * early + (1.0 - share) * worn
    return result


def quantile(lives: Lives, ended: float) -> Array:
    """Jet hours by which the share `ended` (0 to 1, both excluded) of new jewels has ended: (n,).

    `quantile(lives, 0.5)` is the median life. By bisection in the logarithm, between the
    quantiles of the two parts.
    """
    cumulative_hazard = -np.log1p(-ended)
    worn = lives.scale * cumulative_hazard ** (1.0 / lives.shape)
    parts = np.log([lives.early_scale * cumulative_hazard, worn])
    low, high = parts.min(axis=0), parts.max(axis=0)
    low = np.where(lives.early_share == 0.0, parts[1], low)
    for _ in range(50):
        middle = 0.5 * (low + high)
        lasts = log_survival(lives, np.exp(middle)[:, None])[:, 0] > -cumulative_hazard
        low, high = np.where(lasts, middle, low), np.where(lasts, high, middle)
    result: Array = np.exp(high)
    return result


def draw_life(lives: Lives, age: float, rng: np.random.Generator) -> Array:
    """One random remaining life, jet hours, of a jewel aged `age` under each law: shape (n,)."""
    early, worn = (part[:, 0] for part in _log_parts(lives, np.array([age])))
    goes_early = np.log(rng.random(len(lives))) < early - np.logaddexp(early, worn)
    hazard = rng.standard_exponential(len(lives))
    worn_life = _worn_life(lives, age, hazard[:, None])[:, 0]
    return np.where(goes_early, lives.early_scale * hazard, worn_life)


def _worn_life(lives: Lives, age: float, hazard: Array) -> Array:
    """Hours beyond `age` in which the wearing part gathers cumulative `hazard`, shape (n, m)."""
    scale, shape = lives.scale[:, None], lives.shape[:, None]
    return np.maximum(scale * ((age / scale) ** shape + hazard) ** (1.0 / shape) - age, 0.0)


def chance_to_last(lives: Lives, age: float, hours: float) -> Interval:
    """Chance that a jewel sound at `age` jet hours lasts `hours` more: R(age + hours) / R(age).

    `middle` is the mean over the posterior, which is the chance itself; `low` and `high` show how
    uncertain it is with the shop's few jewels. The records must hold the fitted jewels, as not
    ended, or the posterior does not know that they have lasted this long.
    """
    at = log_survival(lives, np.array([age, age + hours]))
    return _chance(np.exp(at[:, 1] - at[:, 0]))


def chance_to_last_given_wear(
    lives: Lives, age: float, hours: float, line: Line, now: float, limit: float
) -> Interval:
    """`chance_to_last`, for a jewel whose wear has been measured.

    `line` is its wear line (`borewarden.detect.wear`), `now` the present place on it in jet
    hours, `limit` the log area ratio at which it is worn. Bayes's rule on the remaining life t of
    a jewel that wears out: its density by the shop's jewels, times the likelihood of the measured
    line if it passed the limit after just t (`log_likelihood`): for a straight line

        exp(-z² / 2),  z = (limit - level - slope (now + t)) / sd(now + t),

    where z is the pivot of Fieller (1954) that `hours_to` uses. A line that says nothing yet leaves
    the chance as it was; a good one outweighs the shop's average; one past the limit makes it 0.

    Assumptions: given the remaining life, measured wear and the other jewels' lives are
    independent; wear continues by one of the laws of `borewarden.detect.ahead`, straight or faster
    and faster, and a jewel that does not fail early ends at the limit. A jewel that fails early
    fails suddenly, without showing wear. If jewels also chip late without wear, the answer is too
    high, and `chance_to_last` is the bound.
    """
    if line.level + line.slope * now >= limit:
        return Interval(0.0, 0.0, 0.0)
    return _chance(lasts_given_wear(lives, age, np.array([hours]), (line, now), limit)[:, 0])


def lasts_given_wear(
    lives: Lives, age: float, hours: Array, wear: tuple[Line, float], limit: float
) -> Array:
    """The chance under each law to last each of `hours` more, shape (m,): (n, m).

    `wear` is the line and the present place on it, not past the limit yet; the rest is as in
    `chance_to_last_given_wear`.
    """
    line, now = wear
    n, points = len(lives), 400
    early, worn = (part[:, 0] for part in _log_parts(lives, np.array([age])))
    is_early = np.exp(early - np.logaddexp(early, worn))
    hazard = -np.log1p(-(np.arange(points) + 0.5) / points)  # equal shares of the wearing part
    left = _worn_life(lives, age, np.broadcast_to(hazard, (n, points)))
    farthest = float(np.max(left))
    ahead = np.concatenate([[0.0], np.geomspace(1e-3 * farthest, farthest, AHEAD)])
    told = np.interp(left, ahead, log_likelihood(now + ahead, line, now, limit))
    weight = np.exp(told - told.max(axis=1, keepdims=True))
    whole = np.sum(weight, axis=1)
    worn_lasts = np.column_stack([np.sum(weight * (left > t), axis=1) / whole for t in hours])
    early_lasts = np.exp(-hours / lives.early_scale[:, None])
    lasts: Array = is_early[:, None] * early_lasts + (1.0 - is_early[:, None]) * worn_lasts
    return lasts


def _chance(draws: Array) -> Interval:
    low, _, high = interval(draws)
    mean = float(np.mean(draws))
    return Interval(min(low, mean), mean, max(high, mean))

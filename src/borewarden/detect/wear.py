"""Is the bore wearing? A Bayesian line through the log area over jet hours, and the time left."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from river import linear_model

from borewarden.base.statistics import Interval

QUANTILE = 1.6449  # standard normal, 95 %
BENDS = 100  # values among which a bend is looked for
BENT = 6.0  # log likelihood ratio from which on a line counts as bent
PRESSURE_SD = 0.05  # of log area by log pressure, beforehand: leaks and fill; invented


class Line(NamedTuple):
    """Posterior of log area = level + slope * jet hours + by_pressure * log of relative pressure.

    What a sound pump's leaks and fill make of another set pressure is in the last term.
    """

    level: float
    slope: float
    level_var: float
    covariance: float
    slope_var: float
    by_pressure: float = 0.0
    by_pressure_var: float = 0.0
    level_with_pressure: float = 0.0  # covariance
    slope_with_pressure: float = 0.0  # covariance, 1/h

    def at(self, hours: float) -> tuple[float, float]:
        """Mean and standard deviation of the line at `hours`, at the pressure of the baseline."""
        variance = self.level_var + hours * (2.0 * self.covariance + hours * self.slope_var)
        return self.level + self.slope * hours, float(max(variance, 0.0) ** 0.5)

    @property
    def slope_sd(self) -> float:
        """Standard deviation of the slope, 1/h."""
        return float(self.slope_var**0.5)


class Drift:
    """Level and slope of the log area ratio over the jet hours of one jewel, and by pressure.

    Wraps river's BayesianLinearRegression (Bishop 2006, "Pattern Recognition and Machine
    Learning", sec. 3.3) with priors N(0, `level_sd`²) for the level, N(0, `slope_sd`²) per hour
    for the slope and N(0, `pressure_sd`²) by log pressure, and noise `sigma` per value. Values
    further than 4 `sigma` off the line count as 4 `sigma`, so a chip that is not yet found bends
    the line only a little.
    """

    def __init__(
        self,
        sigma: float,
        level_sd: float = 0.01,
        slope_sd: float = 0.01,
        pressure_sd: float = PRESSURE_SD,
    ) -> None:
        self.sigma = sigma
        self._scales = (level_sd, slope_sd, pressure_sd)
        self._regression = linear_model.BayesianLinearRegression(alpha=1.0, beta=1.0 / sigma**2)
        self.line = Line(0.0, 0.0, level_sd**2, 0.0, slope_sd**2, by_pressure_var=pressure_sd**2)
        self.values: list[tuple[float, float, float]] = []  # (hours, value, log pressure) so far

    def update(self, hours: float, value: float, pressure: float = 0.0) -> None:
        """Take one value at `hours` of jet time since the baseline.

        `pressure` is the log of the pressure over that of the baseline.
        """
        mean, variance = self._posterior(1.0, hours, pressure)
        reach = 4.0 * (self.sigma**2 + variance) ** 0.5
        self._regression.learn_one(
            self._features(1.0, hours, pressure), min(max(value, mean - reach), mean + reach)
        )
        self.values.append((hours, value, pressure))
        level, level_var = self._posterior(1.0, 0.0, 0.0)
        slope, slope_var = self._posterior(0.0, 1.0, 0.0)
        by_pressure, by_pressure_var = self._posterior(0.0, 0.0, 1.0)
        self.line = Line(
            level,
            slope,
            level_var,
            0.5 * (self._posterior(1.0, 1.0, 0.0)[1] - level_var - slope_var),
            slope_var,
            by_pressure,
            by_pressure_var,
            0.5 * (self._posterior(1.0, 0.0, 1.0)[1] - level_var - by_pressure_var),
            0.5 * (self._posterior(0.0, 1.0, 1.0)[1] - slope_var - by_pressure_var),
        )

    def before_a_bend(self) -> Drift:
        """The line by the values before the likeliest bend among the newest; all if it is straight.

        Least squares of a line and of one with a bend, with this line's priors for its slopes.
        """
        hours, values, pressure = np.array(self.values[-BENDS:]).reshape(-1, 3).T
        straight = np.column_stack([np.ones_like(hours), hours, pressure])
        bends = range(2, len(hours) - 1)
        misfits = [
            self._misfit(
                np.column_stack([straight, np.maximum(hours - hours[k], 0.0)]),
                values,
            )
            for k in bends
        ]
        kept = len(self.values)
        if misfits and 0.5 * (self._misfit(straight, values) - min(misfits)) > BENT:
            kept += bends[int(np.argmin(misfits))] + 1 - len(hours)
        before = Drift(self.sigma, *self._scales)
        for value in self.values[:kept]:
            before.update(*value)
        return before

    def _misfit(self, columns: NDArray[np.float64], values: NDArray[np.float64]) -> float:
        """Least sum of squares over the variance; a bend may be as steep as it likes."""
        prior = np.eye(3, columns.shape[1]) / np.array(self._scales)[:, np.newaxis]
        a = np.vstack([columns / self.sigma, prior])
        b = np.concatenate([values / self.sigma, np.zeros(3)])
        return float(np.sum((a @ np.linalg.lstsq(a, b, rcond=None)[0] - b) ** 2))

    def _features(self, level: float, hours: float, pressure: float) -> dict[str, float]:
        level_sd, slope_sd, pressure_sd = self._scales
        return {
            "level": level * level_sd,
            "slope": hours * slope_sd,
            "pressure": pressure * pressure_sd,
        }

    def _posterior(self, level: float, hours: float, pressure: float) -> tuple[float, float]:
        features = self._features(level, hours, pressure)
        predicted = self._regression.predict_one(features, with_dist=True)
        return float(predicted.mu), max(float(predicted.sigma) ** 2 - self.sigma**2, 0.0)


def hours_to(limit: float, line: Line, now: float, z: float = QUANTILE) -> Interval:
    """Jet hours from `now` until the line passes `limit`: a 90 % interval at the default `z`.

    The ends are where the line's own 5 % and 95 % bounds meet the limit: Fieller's interval
    (1954, J. R. Stat. Soc. B 16, 175-185) for the calibration problem limit = level + slope * x.
    Where the slope could be nought the high end is infinite. Times already past read 0.
    """
    middle = (limit - line.level) / line.slope if line.slope > 0.0 else np.inf
    low = _first_crossing(limit, line, z, now)
    high = _first_crossing(limit, line, -z, now)
    return Interval(*(max(x - now, 0.0) for x in (low, middle, high)))


def _first_crossing(limit: float, line: Line, z: float, now: float) -> float:
    """First x >= now at which mean(x) + z sd(x) >= limit; infinite if there is none."""
    mean, sd = line.at(now)
    if mean + z * sd >= limit:
        return now
    # (limit - level - slope x)² = z² (level_var + 2 covariance x + slope_var x²)
    gap = limit - line.level
    a = line.slope**2 - z**2 * line.slope_var
    b = -2.0 * (gap * line.slope + z**2 * line.covariance)
    c = gap**2 - z**2 * line.level_var
    roots = np.roots([a, b, c])
    for x in sorted(float(r.real) for r in roots if abs(r.imag) < 1e-9 * (1.0 + abs(r.real))):
        # squaring made a mirror root, where the other bound crosses: z tells them apart
        if x > now and z * (gap - line.slope * x) >= 0.0:
            return x
    return np.inf

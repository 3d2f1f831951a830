"""Is the bore wearing? A line through the log area over jet hours, beside what wanders by itself.

A sound machine's area is not still: water and hall warm up, seals settle, a regulator drifts. What
wanders comes back; wear does not. Both are estimated together, so that the one is not taken for
the other, and how far this machine wanders is learned from it.
"""

from __future__ import annotations

from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

BENDS = 100  # values among which a bend is looked for
BENT = 6.0  # log likelihood ratio from which on a line counts as bent
PRESSURE_SD = 0.05  # of log area by log pressure, beforehand: leaks and fill; invented
OUTLIER = 4.0  # standard deviations; a value further off counts as this far
BY_NOW = 27  # values, some three jet hours, in which a change that is no wander may hide; invented
MOST_EVIDENCE = 12.0  # against a hypothesis, which may yet come true; invented
REMEMBERS = 0.998  # of what was found, from one value to the next; invented
TIMES_OF_A_DAY = 2.0 * np.pi / 24.0  # 1/h

# How far a sound machine may wander: standard deviation and time constant (h) of what comes and
# goes, standard deviation of the amplitude of what follows the time of the day, probability.
# Deviations by `level_uncertainty`. All invented.
STILL = np.array([[0.0, 1.0, 0.0, 1.0]])
WANDERS = np.array(
    [
        (sd, hours, daily, of_sd / (1.0 if sd == 0.0 else 4.0) * of_daily)
        for sd, of_sd in ((0.0, 0.25), (0.5, 0.35), (1.0, 0.25), (2.0, 0.1), (4.0, 0.05))
        for hours in (0.25, 1.0, 4.0, 16.0)
        for daily, of_daily in ((0.0, 0.6), (1.0, 0.4))
        if sd > 0.0 or hours == 1.0
    ]
)

LEVEL_SD = 0.03  # of a level not yet measured, in log area; invented

LEVEL, SLOPE, PRESSURE, COSINE, SINE, WANDER = range(6)
WEIGHT = 3  # the place of the probability in a row of `WANDERS`

CURVE_SD = 1e-3  # 1/h², of curvature beforehand: next to nothing is known; invented


def wanders_within(uncertainty: float) -> NDArray[np.float64]:
    """`WANDERS` for a machine whose level is uncertain by about `uncertainty`, in log area."""
    return WANDERS * [uncertainty, 1.0, uncertainty, 1.0]


class Curve(NamedTuple):
    """Posterior of log area = level + slope * hours + curve * hours², curvature next to unknown."""

    level: float
    slope: float
    curve: float
    covariance: tuple[tuple[float, ...], ...]  # of the three, (3, 3)
    hours: float  # of the newest value
    wander_var: float  # of what comes and goes beside it


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
    curve: Curve | None = None  # of the same values, if the line may bend; None: it may not

    def at(self, hours: float) -> tuple[float, float]:
        """Mean and standard deviation of the line at `hours`, at the pressure of the baseline."""
        variance = self.level_var + hours * (2.0 * self.covariance + hours * self.slope_var)
        return self.level + self.slope * hours, float(max(variance, 0.0) ** 0.5)

    @property
    def slope_sd(self) -> float:
        """Standard deviation of the slope, 1/h."""
        return float(self.slope_var**0.5)


class Wander(NamedTuple):
    """What comes and goes beside the line, as the newest value left it.

    `value` decays by `rate`; the terms of the day are `cosine` and `sine` times those of `phase`.
    The log area is known to `near_var` at first, and once nothing is left of `value`, to `far_var`.
    """

    value: float
    rate: float  # 1/h
    cosine: float
    sine: float
    near_var: float
    far_var: float
    clock: float  # h, of the newest value


class Drift:
    """Level and slope of the log area over the jet hours of one jewel, by pressure, and wander.

    A bank of Kalman filters (Kalman 1960, J. Basic Eng. 82, 35-45), one for each row of `wanders`,
    mixed by how well each foretold the values (Magill 1965, IEEE Trans. Autom. Control 10,
    434-439). In each, log area = level + slope * hours + by_pressure * log pressure + a cosine and
    a sine of the time of the day + an Ornstein-Uhlenbeck process, with priors N(0, `level_sd`²),
    N(0, `slope_sd`²) per hour and N(0, `PRESSURE_SD`²), and noise `sigma` a value.
    With `STILL`, the default, this is Bayesian linear regression (Bishop 2006, "Pattern Recognition
    and Machine Learning", sec. 3.3). An area that is off by more than `beyond`, and further than
    anything that wanders here, is gone as well as one that has a slope. Values further than 4
    standard deviations off count as 4, so a chip that is not yet found bends the line only a
    little.
    """

    def __init__(
        self,
        sigma: float,
        level_sd: float = 0.01,
        slope_sd: float = 0.01,
        wanders: NDArray[np.float64] = STILL,
        beyond: float = np.inf,
    ) -> None:
        self.sigma = sigma
        self._beyond = beyond
        self._usual_pressure = 0.0
        self._scales = (level_sd, slope_sd, PRESSURE_SD)
        self._wanders = wanders
        sd, _, daily, weight = wanders.T
        self._prior = weight / np.sum(weight)
        self._weights: NDArray[np.float64] = self._prior
        self._means = np.zeros((len(wanders), 6))
        scales = np.zeros((len(wanders), 6))
        scales[:, [LEVEL, SLOPE, PRESSURE]] = self._scales
        scales[:, [COSINE, SINE]] = daily[:, np.newaxis]
        scales[:, WANDER] = sd
        self._covariances = scales[:, :, np.newaxis] ** 2 * np.eye(6)
        self._lasts = np.full((len(wanders), 6), np.inf)  # time constant of each of the means, h
        self._lasts[:, WANDER] = wanders[:, 1]
        # what one unit of curvature would do to the means, and what is known of it
        self._by_curve = np.zeros((len(wanders), 6))
        self._curve_information = np.full(len(wanders), CURVE_SD**-2)
        self._curve_score = np.zeros(len(wanders))
        self._curved_weights = self._prior
        # (hours, value, log pressure, clock) so far
        self.values: list[tuple[float, float, float, float]] = []
        self.line = self._line()
        self.wander = self._wander(0.0, 0.0)
        self._far_vars = [self.wander.far_var]  # of the newest values
        self._is_bent = False  # by `bends`

    def fork(self) -> Self:
        """A copy to go on with: what a line changes, it makes anew."""
        other = object.__new__(type(self))
        vars(other).update(vars(self))
        return other

    @property
    def weights(self) -> NDArray[np.float64]:
        """Probability of each of the `wanders` by now."""
        return self._weights

    def expect_pressure(self, by_pressure: float, sd: float) -> None:
        """Take this for what the pressure does, before the first value."""
        self._usual_pressure = by_pressure
        self._scales = (self._scales[LEVEL], self._scales[SLOPE], sd)
        self._means[:, PRESSURE] = by_pressure
        self._covariances[:, PRESSURE, PRESSURE] = sd * sd
        self.line = self._line()

    def update(
        self, hours: float, value: float, pressure: float = 0.0, clock: float | None = None
    ) -> None:
        """Take one value at `hours` of jet time since the baseline.

        `pressure` is the log of the pressure over that of the baseline, `clock` the time in hours
        from any fixed moment on; without it, jet hours are all that passes.
        """
        now = hours if clock is None else clock
        self._let_pass(max(now - self.wander.clock, 0.0) if self.values else 0.0)
        row = _row(hours, pressure, now)
        gains = self._covariances @ row
        variances = gains @ row + self.sigma**2
        expected = self._means @ row
        middle, spread = _mixed(self._weights, expected, variances)
        reach = OUTLIER * spread**0.5
        errors = min(max(value, middle - reach), middle + reach) - expected

        self._weights = self._reweighted(self._weights, errors, variances)
        shares = gains / variances[:, np.newaxis]
        by_curve = self._by_curve @ row + hours**2
        self._curved_weights = self._reweighted(
            self._curved_weights,
            errors - by_curve * self._curve_score / self._curve_information,
            variances + by_curve**2 / self._curve_information,
        )
        self._curve_information = self._curve_information + by_curve**2 / variances
        self._curve_score = self._curve_score + by_curve * errors / variances
        self._by_curve = self._by_curve - shares * by_curve[:, np.newaxis]
        self._means = self._means + shares * errors[:, np.newaxis]
        self._covariances = self._covariances - shares[:, :, np.newaxis] * gains[:, np.newaxis, :]
        self.values = [*self.values, (hours, value, pressure, now)]
        self.line = self._line()
        self.wander = self._wander(hours, now)
        self._far_vars = [*self._far_vars, self.wander.far_var][-BY_NOW:]

    def may_bend(self) -> Line:
        """The line, and what the same values say if it may bend.

        Each filter goes on as if there were no curvature. What one of a unit would do to it is
        known, so what it should have been follows (Friedland 1969, IEEE Trans. Autom. Control 14,
        359-367).
        """
        if not self.values or self.values[-1][0] <= 0.0:
            return self.line
        variance = 1.0 / self._curve_information
        curve = self._curve_score * variance
        by_curve = np.column_stack([self._by_curve[:, [LEVEL, SLOPE]], np.ones_like(curve)])
        means = by_curve * curve[:, np.newaxis]
        means[:, [LEVEL, SLOPE]] += self._means[:, [LEVEL, SLOPE]]
        weights = self._curved_weights
        mean = weights @ means
        apart = means - mean
        spread = np.einsum("k,ki,kj->ij", weights, apart, apart)
        spread += np.einsum("k,ki,kj->ij", weights * variance, by_curve, by_curve)
        spread[:2, :2] += np.einsum("k,kij->ij", weights, self._covariances[:, :2, :2])
        sd, *_ = self._wanders.T
        level, slope, bend = mean.tolist()
        curved = Curve(
            level,
            slope,
            bend,
            tuple(map(tuple, spread.tolist())),
            self.values[-1][0],
            float(weights @ sd**2),
        )
        return self.line._replace(curve=curved)

    def _reweighted(
        self,
        weights: NDArray[np.float64],
        errors: NDArray[np.float64],
        variances: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """The `weights` of the filters, once each has erred by `errors` about a value."""
        evidence = REMEMBERS * np.log(weights / self._prior)
        evidence -= 0.5 * (errors**2 / variances + np.log(variances))
        evidence -= evidence.max()
        weights = self._prior * np.exp(np.maximum(evidence, -MOST_EVIDENCE))
        weights /= weights.sum()
        return weights

    def off(self, hours: float) -> float:
        """How far the area is off the baseline by the newest value."""
        wander, (level, _) = self.wander, self.line.at(hours)
        phase = TIMES_OF_A_DAY * wander.clock
        daily = wander.cosine * np.cos(phase) + wander.sine * np.sin(phase)
        return float(level + wander.value + daily)

    def gone(self, hours: float) -> tuple[float, float]:
        """How far the area has gone for good by `hours`, and the standard deviation of that.

        A fault that grows makes a machine look as if it wandered, so how far off is too far goes by
        how it was before.
        """
        off, far = self.off(hours), float(min(self._far_vars) ** 0.5)
        if abs(off) > max(self._beyond, OUTLIER * far):
            return off, far
        return self.line.slope * hours, self.line.slope_sd * hours

    def bends(self, hours: float) -> None:
        """Let the slope be another one from `hours` on: a damaged bore wears otherwise."""
        self._is_bent = True
        turn = np.zeros(6)
        turn[[LEVEL, SLOPE]] = -hours, 1.0
        self._covariances = self._covariances + self._scales[SLOPE] ** 2 * np.outer(turn, turn)
        self._by_curve = np.zeros_like(self._by_curve)  # nothing is known of one that begins here
        self._by_curve[:, [LEVEL, SLOPE]] = hours**2, -2.0 * hours
        self._curve_information = np.full_like(self._curve_information, CURVE_SD**-2)
        self._curve_score = np.zeros_like(self._curve_score)

    def before_a_bend(self) -> Self:
        """The line by the values before the likeliest bend among the newest; itself if straight.

        Least squares of a line and of one with a bend, with this line's priors for its slopes.
        """
        hours, values, pressure, _ = np.array(self.values[-BENDS:]).reshape(-1, 4).T
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
        if kept == len(self.values) and not self._is_bent:
            return self
        before = type(self)(self.sigma, *self._scales[:2], self._wanders, self._beyond)
        before.expect_pressure(self._usual_pressure, self._scales[PRESSURE])
        for value in self.values[:kept]:
            before.update(*value)
        return before

    def _misfit(self, columns: NDArray[np.float64], values: NDArray[np.float64]) -> float:
        """Least sum of squares over the variance; a bend may be as steep as it likes."""
        scales = np.array(self._scales)
        prior = np.eye(3, columns.shape[1]) / scales[:, np.newaxis]
        a = np.vstack([columns / self.sigma, prior])
        b = np.concatenate([values / self.sigma, [0.0, 0.0, self._usual_pressure] / scales])
        return float(np.sum((a @ np.linalg.lstsq(a, b, rcond=None)[0] - b) ** 2))

    def _let_pass(self, hours: float) -> None:
        """What comes and goes, so many hours on."""
        left = np.exp(-hours / self._lasts)
        sd, decay = self._wanders[:, 0], left[:, WANDER]
        self._means = self._means * left
        self._by_curve = self._by_curve * left
        covariances = self._covariances * left[:, :, np.newaxis] * left[:, np.newaxis, :]
        covariances[:, WANDER, WANDER] += sd**2 * (1.0 - decay**2)
        self._covariances = covariances

    def _line(self) -> Line:
        mean = self._weights @ self._means
        apart = self._means - mean
        spread = np.einsum("k,kij->ij", self._weights, self._covariances)
        spread += np.einsum("k,ki,kj->ij", self._weights, apart, apart)
        return Line(
            float(mean[LEVEL]),
            float(mean[SLOPE]),
            float(spread[LEVEL, LEVEL]),
            float(spread[LEVEL, SLOPE]),
            float(spread[SLOPE, SLOPE]),
            float(mean[PRESSURE]),
            float(spread[PRESSURE, PRESSURE]),
            float(spread[LEVEL, PRESSURE]),
            float(spread[SLOPE, PRESSURE]),
        )

    def _wander(self, hours: float, clock: float) -> Wander:
        sd, time, _, _ = self._wanders.T
        row = _row(hours, 0.0, clock)
        near = _mixed(
            self._weights, self._means @ row, np.einsum("kij,i,j->k", self._covariances, row, row)
        )
        row[WANDER] = 0.0
        far = _mixed(
            self._weights, self._means @ row, np.einsum("kij,i,j->k", self._covariances, row, row)
        )
        mean = self._weights @ self._means
        # the rate by what each may wander: one that is still has none
        variance = sd**2
        worth = self._weights * variance
        total = worth.sum()
        rate = float(worth @ (1.0 / time) / total) if total > 0.0 else 0.0
        return Wander(
            float(mean[WANDER]),
            rate,
            float(mean[COSINE]),
            float(mean[SINE]),
            near[1],
            far[1] + float(self._weights @ variance),
            clock,
        )


def _row(hours: float, pressure: float, clock: float) -> NDArray[np.float64]:
    phase = TIMES_OF_A_DAY * clock
    return np.array([1.0, hours, pressure, np.cos(phase), np.sin(phase), 1.0])


def _mixed(
    weights: NDArray[np.float64], means: NDArray[np.float64], variances: NDArray[np.float64]
) -> tuple[float, float]:
    """Mean and variance of a mixture."""
    mean = float(weights @ means)
    return mean, float(weights @ (variances + (means - mean) ** 2))

"""Is the bore wearing? A line through the log area over jet hours, beside what wanders by itself.

A sound machine's area is not still: water and hall warm up, seals settle, a regulator drifts. What
wanders comes back; wear does not. Both are estimated together, so that the one is not taken for
the other, and how far this machine wanders is learned from it.
"""

from __future__ import annotations

from typing import Any, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from borewarden.physics import compilable, compiled

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

# One Kalman filter of the bank, for one row of `WANDERS`.
_FILTER = np.dtype(
    [
        ("prior", np.float64),  # its probability beforehand
        ("weight", np.float64),  # and by now
        ("wander_sd", np.float64),  # of what comes and goes
        ("wander_time", np.float64),  # h
        ("mean", np.float64, (6,)),
        ("covariance", np.float64, (6, 6)),
        # what one unit of curvature would do to the mean, and what is known of it
        ("by_curve", np.float64, (6,)),
        ("curve_information", np.float64),
        ("curve_score", np.float64),
        ("curved_weight", np.float64),  # its probability, if the line may bend
    ]
)


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
        sd, time, daily, weight = wanders.T
        filters = np.zeros(len(wanders), dtype=_FILTER)
        for name in ("prior", "weight", "curved_weight"):
            filters[name] = weight / np.sum(weight)
        filters["wander_sd"], filters["wander_time"] = sd, time
        for place, scale in enumerate((*self._scales, daily, daily, sd)):
            filters["covariance"][:, place, place] = scale**2
        filters["curve_information"] = CURVE_SD**-2
        self._filters = filters
        # (hours, value, log pressure, clock) so far
        self.values: list[tuple[float, float, float, float]] = []
        self.line, self.wander = _mixture(filters, 0.0, 0.0)
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
        weights: NDArray[np.float64] = self._filters["weight"]
        return weights

    def expect_pressure(self, by_pressure: float, sd: float) -> None:
        """Take this for what the pressure does, before the first value."""
        self._usual_pressure = by_pressure
        self._scales = (self._scales[LEVEL], self._scales[SLOPE], sd)
        self._filters["mean"][:, PRESSURE] = by_pressure
        self._filters["covariance"][:, PRESSURE, PRESSURE] = sd * sd
        self.line, _ = _mixture(self._filters, 0.0, 0.0)

    def update(
        self, hours: float, value: float, pressure: float = 0.0, clock: float | None = None
    ) -> None:
        """Take one value at `hours` of jet time since the baseline.

        `pressure` is the log of the pressure over that of the baseline, `clock` the time in hours
        from any fixed moment on; without it, jet hours are all that passes.
        """
        now = hours if clock is None else clock
        passed = max(now - self.wander.clock, 0.0) if self.values else 0.0
        self._filters = self._filters.copy()
        follow(self._filters, _row(hours, pressure, now), passed, value, self.sigma)
        self.values = [*self.values, (hours, value, pressure, now)]
        self.line, self.wander = _mixture(self._filters, hours, now)
        self._far_vars = [*self._far_vars, self.wander.far_var][-BY_NOW:]

    def may_bend(self) -> Line:
        """The line, and what the same values say if it may bend.

        Each filter goes on as if there were no curvature. What one of a unit would do to it is
        known, so what it should have been follows (Friedland 1969, IEEE Trans. Autom. Control 14,
        359-367).
        """
        if not self.values or self.values[-1][0] <= 0.0:
            return self.line
        filters = self._filters
        variance = 1.0 / filters["curve_information"]
        curve = filters["curve_score"] * variance
        by_curve = np.column_stack([filters["by_curve"][:, [LEVEL, SLOPE]], np.ones_like(curve)])
        means = by_curve * curve[:, np.newaxis]
        means[:, [LEVEL, SLOPE]] += filters["mean"][:, [LEVEL, SLOPE]]
        weights = filters["curved_weight"]
        mean = weights @ means
        apart = means - mean
        spread = np.einsum("k,ki,kj->ij", weights, apart, apart)
        spread += np.einsum("k,ki,kj->ij", weights * variance, by_curve, by_curve)
        spread[:2, :2] += np.einsum("k,kij->ij", weights, filters["covariance"][:, :2, :2])
        level, slope, bend = mean.tolist()
        curved = Curve(
            level,
            slope,
            bend,
            tuple(map(tuple, spread.tolist())),
            self.values[-1][0],
            float(weights @ filters["wander_sd"] ** 2),
        )
        return self.line._replace(curve=curved)

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
        filters = self._filters.copy()
        filters["covariance"] += self._scales[SLOPE] ** 2 * np.outer(turn, turn)
        filters["by_curve"] = 0.0  # nothing is known of a curvature that begins here
        filters["by_curve"][:, [LEVEL, SLOPE]] = hours**2, -2.0 * hours
        filters["curve_information"], filters["curve_score"] = CURVE_SD**-2, 0.0
        self._filters = filters

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


def _row(hours: float, pressure: float, clock: float) -> NDArray[np.float64]:
    phase = TIMES_OF_A_DAY * clock
    return np.array([1.0, hours, pressure, np.cos(phase), np.sin(phase), 1.0])


def _mixture(filters: NDArray[np.void], hours: float, clock: float) -> tuple[Line, Wander]:
    """What all `filters` say of the line, and of what comes and goes, as of the newest value."""
    mean, spread = moments(filters)
    level, slope, by_pressure, cosine, sine, wandered = mean.tolist()
    of_level, of_slope, of_pressure, *_ = spread.tolist()
    line = Line(
        level,
        slope,
        of_level[LEVEL],
        of_level[SLOPE],
        of_slope[SLOPE],
        by_pressure,
        of_pressure[PRESSURE],
        of_level[PRESSURE],
        of_slope[PRESSURE],
    )
    near = _row(hours, 0.0, clock)
    far = near.copy()
    far[WANDER] = 0.0
    # the rate by what each may wander: one that is still has none
    worth = filters["weight"] * filters["wander_sd"] ** 2
    total = float(worth.sum())
    wander = Wander(
        wandered,
        float(worth @ (1.0 / filters["wander_time"])) / total if total > 0.0 else 0.0,
        cosine,
        sine,
        float(near @ spread @ near),
        float(far @ spread @ far) + total,
        clock,
    )
    return line, wander


@compiled
def moments(filters: Any) -> Any:
    """Mean, shape (6,), and covariance, (6, 6), of all `filters` together."""
    mean, spread = np.zeros(6), np.zeros((6, 6))
    for k in range(len(filters)):
        f = filters[k]
        for i in range(6):
            mean[i] += f.weight * f.mean[i]
    for k in range(len(filters)):
        f = filters[k]
        for i in range(6):
            for j in range(6):
                apart = (f.mean[i] - mean[i]) * (f.mean[j] - mean[j])
                spread[i, j] += f.weight * (f.covariance[i, j] + apart)
    return mean, spread


@compiled
def follow(
    filters: Any,
    row: NDArray[np.float64],
    passed: float,
    value: float,
    sigma: float,
) -> None:
    """Have each of the `filters` take one value, `passed` hours after the one before.

    `row`, shape (6,), is what the mean of a filter is multiplied by for what it expects.
    """
    count = len(filters)
    gains, expected, variances = np.empty((count, 6)), np.empty(count), np.empty(count)
    for k in range(count):
        f = filters[k]
        _let_pass(f, np.exp(-passed / f.wander_time))
        expected[k] = _foretells(f.mean, row)
        for i in range(6):
            gains[k, i] = _foretells(f.covariance[i], row)
        variances[k] = _foretells(gains[k], row) + sigma * sigma
    middle = np.sum(filters["weight"] * expected)
    spread = np.sum(filters["weight"] * (variances + (expected - middle) ** 2))
    reach = OUTLIER * np.sqrt(spread)
    taken = min(max(value, middle - reach), middle + reach)
    straight, bent = np.empty(count), np.empty(count)
    for k in range(count):
        f = filters[k]
        error = taken - expected[k]
        by_curve = _foretells(f.by_curve, row) + row[SLOPE] * row[SLOPE]
        straight[k] = _evidence(f.weight / f.prior, error, variances[k])
        bent[k] = _evidence(
            f.curved_weight / f.prior,
            error - by_curve * f.curve_score / f.curve_information,
            variances[k] + by_curve * by_curve / f.curve_information,
        )
        f.curve_information += by_curve * by_curve / variances[k]
        f.curve_score += by_curve * error / variances[k]
        for i in range(6):
            share = gains[k, i] / variances[k]
            f.by_curve[i] -= share * by_curve
            f.mean[i] += share * error
            for j in range(6):
                f.covariance[i, j] -= share * gains[k, j]
    filters["weight"][:] = _weighted(filters["prior"], straight)
    filters["curved_weight"][:] = _weighted(filters["prior"], bent)


@compilable
def _let_pass(f: Any, left: float) -> None:
    """What comes and goes, once `left` of it is left."""
    f.mean[WANDER] *= left
    f.by_curve[WANDER] *= left
    for i in range(6):
        f.covariance[WANDER, i] *= left
        f.covariance[i, WANDER] *= left
    f.covariance[WANDER, WANDER] += f.wander_sd * f.wander_sd * (1.0 - left * left)


@compilable
def _foretells(coefficients: Any, row: Any) -> float:
    total = 0.0
    for i in range(6):
        total += coefficients[i] * row[i]
    return total


@compilable
def _evidence(ratio: float, error: float, variance: float) -> float:
    """Log of what a filter is worth beside its prior, once it has erred by `error`."""
    return float(REMEMBERS * np.log(ratio) - 0.5 * (error * error / variance + np.log(variance)))


@compilable
def _weighted(prior: Any, evidence: Any) -> Any:
    """Probabilities of the filters."""
    worth = prior * np.exp(np.maximum(evidence - np.max(evidence), -MOST_EVIDENCE))
    return worth / np.sum(worth)

"""At what age to change a jewel before it fails, if at all: age replacement."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize

from borewarden.base.statistics import Interval
from borewarden.lives.survival import Array, Lives, interval, mean_life, quantile, survival


class Costs(NamedTuple):
    """What one end of a jewel costs, in any one currency.

    `planned`: the jewel and the minutes to change it. `failed`: those, plus what the bad jet ruins
    (part, mixing chamber, focusing tube) and the disturbance.
    """

    planned: float
    failed: float


EVEN = 0.05  # share of the cost; a smaller saving that may as well be a loss is none; invented
NEXT_TO_NONE = 0.01  # share of jewels; a change that so few live to see is no plan; invented


class Advice(Enum):
    """What a plan says to do."""

    CHANGE = "change at the planned age"
    RUN = "run to failure"
    NO_DIFFERENCE = "no difference"


class Plan(NamedTuple):
    """The age to change jewels at, and what that saves.

    Cost rates are per jet hour; intervals are over the posterior, at the age with the lowest mean
    cost, `best`. Where changing then costs as much as running to failure, as far as is known,
    `advice` says so, and nothing is planned.
    """

    advice: Advice
    best: float  # jet hours; infinite where running to failure costs least
    cost_rate: Interval
    run_to_failure: Interval  # cost rate
    saving: Interval  # share of the run-to-failure cost
    cheaper: float  # chance that the plan costs less than running to failure

    @property
    def age(self) -> float:
        """The planned age, jet hours; infinite unless the advice is to change."""
        return self.best if self.advice is Advice.CHANGE else np.inf


def cost_rate(lives: Lives, ages: ArrayLike, costs: Costs) -> Array:
    """Long-run cost per jet hour of changing at each of `ages`, shape (m,), or at failure: (n, m).

    C(T) = (planned R(T) + failed F(T)) / integral of R from 0 to T, by the renewal reward theorem
    (Barlow & Hunter 1960, "Optimum preventive maintenance policies", Oper. Res. 8, 90-100, policy
    I). T = inf is running to failure.
    """
    age = np.atleast_1d(np.asarray(ages, dtype=float))
    lasts = survival(lives, age)
    result: Array = (costs.planned * lasts + costs.failed * (1.0 - lasts)) / mean_life(lives, age)
    return result


def plan(lives: Lives, costs: Costs, worth: float = 0.01) -> Plan:
    """The age with the lowest cost rate, averaged over the posterior, and whether to keep to it.

    Both policies are compared on the same draws. The advice is to change if that saves `EVEN` of
    the cost on average, or surely something and `worth` of it on average. It is to run to failure
    if changing surely saves less than `worth`: if the hazard does not rise (shape <= 1), or so
    little that the curve is flat. "Surely" is by the 90 % interval. In between there is no
    difference, so that the luck of the draws never turns one advice into the other. Raises
    ValueError unless 0 < planned <= failed.
    """
    if not 0.0 < costs.planned <= costs.failed < np.inf:
        raise ValueError(
            f"a planned change costs {costs.planned}, a failure {costs.failed}; "
            "costs must be positive, and a failure can't cost less than a planned change"
        )

    def mean_cost(log_age: float) -> float:
        return float(np.mean(cost_rate(lives, np.exp(log_age), costs)))

    first, last = np.log(np.min(quantile(lives, 0.001))), np.log(np.max(quantile(lives, 0.999)))
    log_ages = np.linspace(first, last, 120)
    mean_costs = np.mean(cost_rate(lives, np.exp(log_ages), costs), axis=0)
    best = int(np.argmin(mean_costs))
    around = log_ages[max(best - 1, 0)], log_ages[min(best + 1, len(log_ages) - 1)]
    found = optimize.minimize_scalar(
        mean_cost, bounds=around, method="bounded", options={"xatol": 1e-6}
    )
    to_failure = cost_rate(lives, np.inf, costs)[:, 0]
    age = float(np.exp(found.x))
    on_average = 1.0 - found.fun / float(np.mean(to_failure))
    low, _, high = interval(1.0 - cost_rate(lives, age, costs)[:, 0] / to_failure)
    if on_average > max(worth, EVEN) or (low > 0.0 and on_average > worth):
        return compare(lives, age, costs)
    if max(high, on_average) < worth or on_average <= 0.0:
        return compare(lives, np.inf, costs, Advice.RUN)
    return compare(lives, age, costs, Advice.NO_DIFFERENCE)


def compare(lives: Lives, age: float, costs: Costs, advice: Advice = Advice.CHANGE) -> Plan:
    """What changing at `age` costs, and saves compared with running to failure."""
    planned, to_failure = cost_rate(lives, [age, np.inf], costs).T
    return Plan(
        advice,
        age,
        interval(planned),
        interval(to_failure),
        interval(1.0 - planned / to_failure),
        float(np.mean(planned < to_failure)),
    )


def hours_to_change(left: Array, chance: Array, costs: Costs, rate: float) -> float:
    """Jet hours until it costs least to change the jewel that is fitted now; 0: now.

    `chance`, shape (m,), is the chance that it lasts each of `left`, jet hours from now, rising
    from 0. To keep it for t more costs planned R(t) + failed (1 - R(t)), and puts off the cycles
    that follow, at the lowest long-run `rate`, by the integral of R: the least of the difference
    (Barlow & Proschan 1965, "Mathematical Theory of Reliability", ch. 4; from memory). Infinite
    where next to none lasts until the least.
    """
    steps = 0.5 * (chance[1:] + chance[:-1]) * np.diff(left)
    kept = np.concatenate([[0.0], np.cumsum(steps)])
    excess = costs.planned * chance + costs.failed * (1.0 - chance) - rate * kept
    best = int(np.argmin(excess))
    return np.inf if chance[best] < NEXT_TO_NONE else float(left[best])

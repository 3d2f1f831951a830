"""At what age to change a jewel before it fails, if at all: age replacement."""

from __future__ import annotations

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


class Plan(NamedTuple):
    """The age to change jewels at, and what that saves.

    Cost rates are per jet hour; intervals are over the posterior, at the one planned `age`.
    """

    age: float  # jet hours; infinite: run to failure
    cost_rate: Interval
    run_to_failure: Interval  # cost rate
    saving: Interval  # share of the run-to-failure cost
    cheaper: float  # chance that the plan costs less than running to failure


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
    """The age with the lowest cost rate, averaged over the posterior.

    Runs to failure if changing early saves less than the share `worth` of the cost: if the hazard
    does not rise (shape <= 1), or so little that the curve is flat. Raises ValueError unless
    0 < planned <= failed.
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
    if found.fun > (1.0 - worth) * np.mean(to_failure):
        age = np.inf
    return compare(lives, age, costs)


def compare(lives: Lives, age: float, costs: Costs) -> Plan:
    """What changing at `age` costs, and saves compared with running to failure."""
    planned, to_failure = cost_rate(lives, [age, np.inf], costs).T
    return Plan(
        age,
        interval(planned),
        interval(to_failure),
        interval(1.0 - planned / to_failure),
        float(np.mean(planned < to_failure)),
    )

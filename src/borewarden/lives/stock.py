"""How many jewels of a kind to hold so that the shelf seldom runs empty before delivery."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.statistics import Interval
from borewarden.lives.survival import Lives, draw_life, interval

REPEATS = 4  # simulated lead times per draw of the posterior


class Head(NamedTuple):
    """A cutting head that takes jewels of the kind in question."""

    lives: Lives  # under this head's conditions; all heads from the same posterior
    jet_hours_per_week: float
    age: float = 0.0  # jet hours of the jewel that is in it now
    change_at: float = np.inf  # planned age
    change_in: float | None = None  # jet hours left to the present one; None: up to that age

    @property
    def left(self) -> float:
        """Jet hours until the present jewel is changed, if it lasts so long."""
        if self.change_in is None:
            return max(self.change_at - self.age, 0.0)
        return self.change_in


class Stock(NamedTuple):
    """What to hold, and the demand it covers."""

    hold: int
    demand: Interval  # jewels in the lead time
    service: float  # chance that `hold` jewels last through the lead time


def demand(heads: Sequence[Head], weeks: float, seed: int = 0) -> NDArray[np.int64]:
    """Jewels that `heads` use up in `weeks` together, simulated: shape (n * REPEATS,).

    Each head is a renewal process in its own jet hours that starts at the age of its present
    jewel. A jewel ends at its life or at the planned age, whichever comes first; the present
    one may have a planned time of its own. One law of life is drawn from the posterior for all
    heads and the whole time, so the spread holds both chance and what is not known. Exact
    except for the number of draws. Raises ValueError for draws that don't match and for
    negative hours or ages.
    """
    if len({len(head.lives) for head in heads}) > 1:
        raise ValueError("the heads' lives must be draws of one posterior, equally many")
    rng = np.random.default_rng(seed)
    used = np.zeros(REPEATS * len(heads[0].lives) if heads else REPEATS, dtype=np.int64)
    for head in heads:
        hours = head.jet_hours_per_week * weeks
        if not (
            0.0 <= hours < np.inf and head.age >= 0.0 and head.change_at > 0.0 and head.left >= 0.0
        ):
            raise ValueError(
                f"{head.jet_hours_per_week} jet hours per week for {weeks} weeks, age {head.age}, "
                f"change at {head.change_at}, the present one in {head.left}; hours must be finite "
                "and not negative, and the age to change at above 0"
            )
        lives = Lives(*(np.tile(x, REPEATS) for x in head.lives))
        left = np.minimum(draw_life(lives, head.age, rng), head.left)
        while np.any(running := left <= hours):
            used += running
            left = left + np.minimum(draw_life(lives, 0.0, rng), head.change_at)
    return used


def jewels_to_hold(
    heads: Sequence[Head], lead_weeks: float, service: float = 0.95, seed: int = 0
) -> Stock:
    """The smallest stock that covers the demand of the lead time with chance `service`.

    The order-point rule for cycle service: smallest s with P(demand in the lead time <= s) >=
    service (Silver, Pyke & Peterson 1998, "Inventory Management and Production Planning and
    Scheduling", ch. 7, measure P1), on the simulated demand in place of their normal one,
    mean + k sd, which it approaches for many heads. Order the next batch when that many are left.
    Raises ValueError unless 0 < service < 1.
    """
    if not 0.0 < service < 1.0:
        raise ValueError(f"service is {service}; it must be above 0 and below 1")
    used = demand(heads, lead_weeks, seed)
    hold = int(np.quantile(used, service, method="inverted_cdf"))
    return Stock(hold, interval(used.astype(float)), float(np.mean(used <= hold)))

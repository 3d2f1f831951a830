"""What the shop does with the pump: cuts, pauses, stops, nights, set pressures. All invented."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .rows import HOUR

Floats = NDArray[np.float64]

CUT = (120.0, 1200.0)  # s
PAUSE = (10.0, 60.0)  # s, dead-headed
BETWEEN_STOPS = (2 * HOUR, 4 * HOUR)
STOP = 1800.0  # s
SHIFT, NIGHT = 16 * HOUR, 8 * HOUR
BETWEEN_RECIPES = (0.5 * HOUR, 1.5 * HOUR)


class Duty(NamedTuple):
    """Moments in s since the log begins.

    `opens` and `closes` are the moments of each cut, `starts` and `stops` those of the pump,
    `mornings` the starts after a night, `recipes` which of two set pressures each cut has.
    """

    opens: Floats
    closes: Floats
    starts: Floats
    stops: Floats
    mornings: list[float]
    recipes: NDArray[np.int64]


def draw(rng: np.random.Generator, jet_s: float, nights: bool, recipes: bool) -> Duty:
    """So much jet time. Without `nights` the shop works round the clock."""
    opens, closes, recipe = [], [], []
    starts, stops, mornings = [5.0], [], []
    now, cut = 5.0, 0.0
    stop_at = now + rng.uniform(*BETWEEN_STOPS)
    night_at = now + rng.random() * SHIFT if nights else np.inf
    chosen, change_at = 0, now + rng.uniform(*BETWEEN_RECIPES) if recipes else np.inf
    while cut < jet_s:
        now += rng.uniform(*PAUSE)
        opens.append(now)
        length = rng.uniform(*CUT)
        now += length
        cut += length
        closes.append(now)
        recipe.append(chosen)
        if now > change_at:
            chosen, change_at = 1 - chosen, now + rng.uniform(*BETWEEN_RECIPES)
        if now > min(stop_at, night_at):
            now += rng.uniform(*PAUSE)
            stops.append(now)
            night = now > night_at
            now += NIGHT if night else STOP
            starts.append(now)
            stop_at = now + rng.uniform(*BETWEEN_STOPS)
            if night:
                mornings.append(now)
                night_at = now + SHIFT
    stops.append(now + 30.0)
    return Duty(
        np.array(opens), np.array(closes), np.array(starts), np.array(stops), mornings,
        np.array(recipe),
    )  # fmt: skip


def seconds_within(begins: Floats, ends: Floats, at: Floats) -> Floats:
    """Seconds within the spans until each moment `at`, shape (n,)."""
    edges = np.stack([begins, ends], axis=1).ravel()
    inside = np.cumsum(np.stack([np.zeros(len(begins)), ends - begins], axis=1).ravel())
    return np.interp(at, edges, inside, left=0.0)

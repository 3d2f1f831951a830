"""Whether an area was there before and went away again, without a stop: then it is no bore's.

No bore shrinks, and nobody fits another one while the crank turns. Pure functions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

STOOD = 3  # batches in a row that make a level: air in the water passes; invented
ALIKE = 0.01  # in log area, that these may differ by; invented
SAME_SPEED = 0.015  # relative, of the crank: a belt slips more under load; invented
FELL = 0.02  # in log area, by which the next level is lower; invented


Levels = frozenset[int]  # log areas, m², in steps of `ALIKE`


def may_be_there(levels: Levels, rows: NDArray[np.void], within: float) -> bool:
    """Whether the newest of `rows`, dtype `RING`, may be at one of the `levels`, or on the way.

    What stands elsewhere, in log area by more than `within`, is none of them, nor is what is larger
    than all of them, whether it stands or not: batches of short cuts end in other ones.
    """
    if not levels:
        return False
    newest = np.log(rows["area"][-STOOD:])
    off = newest - np.array(list(levels))[:, None] * ALIKE
    moves = bool(np.ptp(newest) > ALIKE)
    return bool((moves and (off <= within).any()) or (np.abs(off) <= within).any())


def came_down(rows: NDArray[np.void]) -> Levels:
    """The levels from which the area came down at one speed of the crank.

    `rows` have dtype `RING`.
    """
    if len(rows) < 2 * STOOD:
        return frozenset()
    area, speed, stops = (
        np.lib.stride_tricks.sliding_window_view(values, STOOD)
        for values in (np.log(rows["area"]), np.log(rows["rate"]), rows["stops"])
    )
    stood = (np.ptp(area, axis=1) <= ALIKE) & (np.ptp(speed, axis=1) <= SAME_SPEED)
    stood &= np.ptp(stops, axis=1) == 0
    level, rate, stop = area[stood].mean(axis=1), speed[stood].mean(axis=1), stops[stood, 0]
    alike = np.abs(rate[:, None] - rate) <= SAME_SPEED
    alike &= stop[:, None] == stop
    fell = np.triu(alike & (level[:, None] - level > FELL)).any(axis=1)
    return frozenset(np.round(level[fell] / ALIKE).astype(int).tolist())

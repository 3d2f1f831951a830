"""How long to wait before trying a failing peer again."""

from __future__ import annotations

import random


def back_off(
    failures: int, first: float, longest: float, chance: random.Random | None = None
) -> float:
    """Seconds to wait after `failures` in a row, from 1: doubled each time, capped, jittered.

    `first` and `longest` in s; the wait is half of that to all of it. The jitter keeps many
    watchers from coming back all at once to a controller or a server that was restarted. The same
    `chance` gives the same waits.
    """
    most = min(longest, first * 2.0 ** min(failures - 1, 30))
    return most * (chance or random).uniform(0.5, 1.0)

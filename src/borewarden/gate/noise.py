"""Noise of a single reading, while what it reads goes up and down."""

from __future__ import annotations

from borewarden.base.compiling import compilable

SPREAD_PACE = 0.03  # 1/s, by which a spread is followed; invented
SPREAD_STEP = 0.2  # the most at once; invented
LEAST_SPREAD = 2e-4  # relative; invented
MOST_SPREAD = 0.05  # relative; invented
SECOND_DIFFERENCE = 1.652  # its median of normal noise: 0.6745 sqrt(1 + 4 + 1) sd


@compilable
def noise_by_now(noise: float, before: float, last: float, now: float, seconds: float) -> float:
    """The `noise`, an sd, moved towards that of the newest of three readings in a row.

    It is followed by the median of their second differences, which are next to nothing while a
    running mean goes up or down in a line. All relative to the same level.
    """
    off = abs(now - 2.0 * last + before) / SECOND_DIFFERENCE
    pace = min(SPREAD_PACE * seconds, SPREAD_STEP)
    noise *= 1.0 + (0.5 * pace if off > noise else -0.5 * pace)
    return float(min(max(noise, LEAST_SPREAD), MOST_SPREAD))

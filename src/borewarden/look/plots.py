"""Small plots of columns for a terminal, in plain characters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MARKS = " .:|"  # empty, and a cell filled to a third, two thirds, whole


def plot(values: NDArray[np.float64], width: int = 60, height: int = 3) -> list[str]:
    """`height` lines of `width` characters: means over equal stretches, blank where none is known.

    The bottom of the lowest line is the least, the top of the highest the most.
    """
    columns = min(width, len(values))
    if columns == 0:
        return [""] * height
    means = [
        float(np.nanmean(part)) if np.isfinite(part).any() else float("nan")
        for part in np.array_split(values, columns)
    ]
    known = [mean for mean in means if np.isfinite(mean)]
    low, high = min(known, default=0.0), max(known, default=0.0)
    levels = len(MARKS) - 1
    span = (high - low) or 1.0
    filled = [
        0 if not np.isfinite(mean) else 1 + round((mean - low) / span * (height * levels - 1))
        for mean in means
    ]
    return [
        "".join(MARKS[int(np.clip(each - line * levels, 0, levels))] for each in filled)
        for line in range(height - 1, -1, -1)
    ]

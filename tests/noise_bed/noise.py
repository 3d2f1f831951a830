"""Noise of the log of the effective area, one value a second of the clock."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from .rows import Row

Floats = NDArray[np.float64]
BATCH = 20  # s of steady jet, over which `Row.white` is stated
FREEDOM = 3.0  # degrees of freedom of the shocks
FADES = 1200.0  # s until a cold start has faded, in a straight line


def white(rng: np.random.Generator, n: int, sd: float, window: int) -> Floats:
    """Means over the last `window` s of white noise, whose means over a batch have that `sd`."""
    weights = np.convolve(np.full(window, 1 / window), np.full(BATCH, 1 / BATCH))
    raw = rng.normal(0.0, sd / np.sqrt(np.sum(weights**2)), n + window)
    total = np.cumsum(raw)
    return (total[window:] - total[:-window]) / window


def shocks(rng: np.random.Generator, n: int, sd: float) -> Floats:
    """A value for each 20 s, Student's t, from a moment on that is drawn."""
    cell = (np.arange(n) + int(rng.integers(BATCH))) // BATCH
    values = rng.standard_t(FREEDOM, int(cell[-1]) + 1)
    return (sd / np.sqrt(FREEDOM / (FREEDOM - 2)) * values)[cell]


def wander(rng: np.random.Generator, n: int, sd: float, time: float) -> Floats:
    """AR(1) with that time constant in s, stationary from its beginning."""
    keeps = np.exp(-1.0 / time)
    steps = rng.normal(0.0, sd * np.sqrt(1 - keeps**2), n)
    steps[0] = rng.normal(0.0, sd)
    return np.asarray(lfilter([1.0], [1.0, -keeps], steps))


def swing(rng: np.random.Generator, n: int, amplitude: float, period: float) -> Floats:
    """A sine with a phase that is drawn."""
    return amplitude * np.sin(2 * np.pi * (np.arange(n) / period + rng.random()))


def cold(mornings: Sequence[float], n: int, size: float) -> Floats:
    """Reads low by `size` at each of the `mornings`, in s, and less and less for 20 min."""
    second = np.arange(n, dtype=float)
    starts = np.array([-np.inf, *mornings])
    since = second - starts[np.searchsorted(starts, second, side="right") - 1]
    return -size * np.clip(1.0 - since / FADES, 0.0, 1.0)


def of_row(
    row: Row, rng: np.random.Generator, n: int, window: int, mornings: Sequence[float]
) -> Floats:
    """All that a row has, added up."""
    total = np.zeros(n)
    if row.white:
        total += white(rng, n, row.white, window)
    if row.shocks:
        total += shocks(rng, n, row.shocks)
    if row.wander:
        total += wander(rng, n, row.wander, row.wander_s)
    if row.swing:
        total += swing(rng, n, row.swing, row.swing_s)
    if row.cold:
        total += cold(mornings, n, row.cold)
    return total

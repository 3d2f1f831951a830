"""What a pump shows whichever jewel is in it: how noisy it is, how it wanders, what its leaks do.

A new jewel on a pump that was watched before does not begin with nothing. What was known comes in
as if it had been seen a little, so what the new jewel shows soon outweighs it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.baseline import Noise
from borewarden.detect.wear import PRESSURE_SD, WEIGHT, Drift

# All of these are invented.
WORTH = 30.0  # independent batches that earlier noise counts for, at most
OTHER_NOISE = 1.6  # by which noise differs, either way, if the pump is another one by now
TRUST = 0.5  # in how it wandered; what any machine may do keeps the rest
PRESSURE_CHANGES = 0.01  # of log area by log pressure, from one jewel to the next


class Habits(NamedTuple):
    """What one jewel leaves to the next on the same pump, with the same heads open.

    `sigma` of a batch rests on `effective_count` batches. `wanders` are the probabilities of the
    hypotheses of the wear line, in their order. The log area goes by `by_pressure`, known to
    `by_pressure_sd`, with the log of the pressure. `jumps` says that something jumped and came
    back. `scatter` is the variance of each of the signals from stretch to stretch, in its unit,
    which rests on `scattered` of them; both empty in what earlier versions have left.
    """

    sigma: float
    effective_count: float
    wanders: tuple[float, ...]
    by_pressure: float
    by_pressure_sd: float
    jumps: bool
    scatter: tuple[float, ...] = ()
    scattered: tuple[float, ...] = ()


HabitsByHeads = Mapping[str, Habits]  # by the words for the heads that are open


def habits_of(
    noise: Noise,
    wear: Drift,
    jumps: bool,
    scatter: tuple[float, ...] = (),
    scattered: tuple[float, ...] = (),
) -> Habits:
    """What the next jewel should know."""
    return Habits(
        noise.sigma,
        noise.effective_count,
        tuple(wear.weights.tolist()),
        wear.line.by_pressure,
        float(wear.line.by_pressure_var**0.5),
        jumps,
        scatter,
        scattered,
    )


def that_fit(habits: Habits | None, own: Noise, wanders: NDArray[np.float64]) -> Habits | None:
    """The `habits`, unless the new jewel's `own` noise shows that the pump has changed.

    Nor are they of use to a version that knows of other `wanders`.
    """
    if habits is None or len(habits.wanders) != len(wanders):
        return None
    times = own.sigma / habits.sigma
    return habits if 1.0 / OTHER_NOISE < times < OTHER_NOISE else None


def pooled(own: Noise, habits: Habits | None) -> Noise:
    """The noise by both: variances weighted by how many batches they rest on."""
    if habits is None:
        return own
    earlier = min(habits.effective_count, WORTH)
    count = own.effective_count + earlier
    variance = (own.effective_count * own.sigma**2 + earlier * habits.sigma**2) / count
    return own._replace(sigma=float(variance**0.5), effective_count=count)


def as_known(wanders: NDArray[np.float64], habits: Habits | None) -> NDArray[np.float64]:
    """The hypotheses `wanders` as probable as this pump has made them; none of them dies."""
    if habits is None:
        return wanders
    wanders = wanders.copy()
    general = wanders[:, WEIGHT] / np.sum(wanders[:, WEIGHT])
    wanders[:, WEIGHT] = (1.0 - TRUST) * general + TRUST * np.array(habits.wanders)
    return wanders


def pressure_prior(habits: Habits | None) -> tuple[float, float]:
    """Mean and standard deviation of log area by log pressure, beforehand."""
    if habits is None:
        return 0.0, PRESSURE_SD
    return habits.by_pressure, min(
        float(np.hypot(habits.by_pressure_sd, PRESSURE_CHANGES)), PRESSURE_SD
    )

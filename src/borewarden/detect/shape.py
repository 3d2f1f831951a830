"""How a change came: at once, over minutes, or in a line of hours or days?"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.step import Step
from borewarden.physics import compilable, compiled

NS = 1e9  # nanoseconds in a second
AT_ONCE = 1.0  # s
RAMPS = (240.0, 480.0, 960.0, 1920.0, 3840.0)  # s that a change may take; invented
BEFORE, AFTER = 50, 60  # batches around the onset that are looked at; invented
OTHER_ONSETS = 40  # batches on either side of where a step began that may be the onset; invented
WITHIN = np.arange(1, 8) / 8.0  # parts of a batch
NEIGHBOURS = 0.5  # neighbours resemble each other: half as many count
MOST = 5.0  # log of a likelihood ratio; no straight ramp can say more; invented
LEAST_SQUARE = 1e-12  # keeps the division finite where nothing of a change shows
FEWEST = 3  # batches after the onset that have a shape

# 1/h of jet, at which the log area may grow or shrink: over some days, or within an hour; invented
PACES = np.geomspace(0.001, 0.128, 8)
BENDS = 40  # newest values of the wear line at which a slow line may have begun; invented
LOOKED_AT = 2 * BENDS  # newest values
GROWS_FOR = np.array([0.5, 1.0, 2.0, 4.0, np.inf])  # h of jet; invented
FEWEST_OF_A_LINE = 3  # values


class Shown(NamedTuple):
    """Batches, all of shape (n,): `start` and `end` in s, and `values`.

    A change of one, of which s seconds have come in a batch, makes its value `weights` times s.
    """

    start: NDArray[np.float64]
    end: NDArray[np.float64]
    weights: NDArray[np.float64]
    values: NDArray[np.float64]


def ramp_over_step(rows: NDArray[np.void], step: Step, sigma: float) -> float:
    """Log likelihood ratio of a ramp of minutes over a step, by `rows` of dtype `RING`.

    Each shape has its best onset and height by generalised least squares: two batches of one run
    share the stroke between them, so their errors cancel in the sum. A ramp is the mean over its
    lengths. `sigma` is the noise of one batch beside its timing. Between -MOST and MOST; 0 where
    too few batches follow.
    """
    first = max(step.first - BEFORE, 0)
    part = rows[first : step.first + AFTER]
    place = step.first - first
    if len(part) - place < FEWEST:
        return 0.0
    began = int(part["start_ns"][0])
    start, end = ((part[key] - began) / NS for key in ("start_ns", "end_ns"))
    near = start[max(place - OTHER_ONSETS, 0) : place + OTHER_ONSETS + 1]
    ends = end[max(place - OTHER_ONSETS, 0) : place + OTHER_ONSETS + 1]
    # of batches that follow each other, one ends as the next begins
    onsets = np.unique(
        np.concatenate([near, 0.5 * (near + ends), ends, _within(start, end, place)])
    )
    weights = part["time"] / np.maximum(end - start, AT_ONCE)
    shown = Shown(start, end, weights, part["value"] * part["time"])
    lengths = np.array([*RAMPS, AT_ONCE])
    *ramps, at_once = NEIGHBOURS * explained(shown, _covariance(part, sigma), onsets, lengths)
    ratio = np.logaddexp.reduce(ramps) - np.log(len(RAMPS)) - at_once
    return float(np.clip(ratio, -MOST, MOST))


@compiled
def explained(
    batches: Shown,
    covariance: NDArray[np.float64],
    onsets: NDArray[np.float64],
    lengths: NDArray[np.float64],
) -> Any:
    """Log likelihood that a change of each of `lengths` (s) gains, at its best onset and height.

    `covariance` is that of the values, (2, n), as `_covariance` has it. What each batch shows
    beside what the one before foretells of it is independent of all before (Kailath 1968, IEEE
    Trans. Autom. Control 13, 646-655).
    """
    start, end, weights, values = batches
    own = values.copy()
    follows = np.zeros(len(values))  # how far a batch follows the one before
    certain = 1.0 / covariance[0]
    for i in range(1, len(values)):
        follows[i] = covariance[1, i - 1] * certain[i - 1]
        certain[i] = 1.0 / (covariance[0, i] - follows[i] * covariance[1, i - 1])
        own[i] -= follows[i] * own[i - 1]
    most = np.zeros(len(lengths))
    for k, length in enumerate(lengths):
        for onset in onsets:
            shown, product, square = 0.0, 0.0, LEAST_SQUARE
            for i in range(len(values)):
                if end[i] > onset:
                    came = _come_by(end[i] - onset, length) - _come_by(start[i] - onset, length)
                    shown = weights[i] * came - follows[i] * shown
                    product += own[i] * shown * certain[i]
                    square += shown * shown * certain[i]
            most[k] = max(most[k], 0.5 * product * product / square)
    return most


def pace_evidence(
    hours: NDArray[np.float64], values: NDArray[np.float64], sd: float, sign: float
) -> NDArray[np.float64]:
    """Log likelihood of each of `PACES`, the best 0: of a line between two levels.

    `values` in log area at `hours` of jet, oldest first, shape (n,), have the standard deviation
    `sd` each; `sign` says which way they go. The line begins where that is likeliest, among the
    newest `BENDS`, and goes on for the likeliest of `GROWS_FOR`. Zeros where there are too few.
    """
    if len(values) < FEWEST_OF_A_LINE:
        return np.zeros(len(PACES))
    hours, values = hours[-LOOKED_AT:], sign * values[-LOOKED_AT:]
    begins = np.concatenate([[0.0], hours])[-BENDS - 1 : -1, None, None]
    # (begins, lengths, values), h
    come = np.minimum(np.maximum(hours - begins, 0.0), GROWS_FOR[:, None])
    come -= come.mean(axis=2, keepdims=True)
    # half the squares of what a line of each pace leaves, less those of a level
    gained = PACES * (come @ values)[..., None]
    come *= come
    gained -= 0.5 * PACES**2 * come.sum(axis=2)[..., None]
    gained = NEIGHBOURS / sd**2 * gained.max(axis=(0, 1))
    evidence: NDArray[np.float64] = np.maximum(gained - gained.max(), -MOST)
    return evidence


@compilable
def _come_by(t: float, length: float) -> float:
    """Integral up to `t` s of the share that has come of a change that takes `length` s."""
    inside = min(max(t, 0.0), length)
    return inside * inside / (2.0 * length) + max(t - length, 0.0)


def _within(
    start: NDArray[np.float64], end: NDArray[np.float64], place: int
) -> NDArray[np.float64]:
    """Onsets at parts of the batches next to the one at `place`: a step may lie anywhere in one."""
    next_to = slice(max(place - 2, 0), place + 2)
    first, last = start[next_to, None], end[next_to, None]
    within: NDArray[np.float64] = (first + WITHIN * (last - first)).ravel()
    return within


def _covariance(part: NDArray[np.void], sigma: float) -> NDArray[np.float64]:
    """Of value times time of each batch, s²: its diagonal, and the one below it, shape (2, n).

    Neighbours share a stroke.
    No more than half the timing of either is shared, so that the matrix stays positive definite
    where a batch between two has been left out.
    """
    timing = part["timing"]
    noise = sigma**2 * part["time"] ** 2 + timing
    most = 0.5 * np.minimum(timing[1:], timing[:-1])
    shared = np.minimum(part["shared"][1:], most)
    covariance: NDArray[np.float64] = np.array([noise, [*-shared, 0.0]])
    return covariance

"""How a change began: at once, or over minutes?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky_banded, solve_banded

from borewarden.detect.step import Step

NS = 1e9  # nanoseconds in a second
AT_ONCE = 1.0  # s
RAMPS = (240.0, 480.0, 960.0, 1920.0, 3840.0)  # s that a change may take; invented
BEFORE, AFTER = 50, 60  # batches around the onset that are looked at; invented
OTHER_ONSETS = 40  # batches on either side of where a step began that may be the onset; invented
WITHIN = np.arange(1, 8) / 8.0  # parts of a batch
NEIGHBOURS = 0.5  # neighbours resemble each other: half as many count
MOST = 5.0  # log of a likelihood ratio; no straight ramp can say more; invented
FEWEST = 3  # batches after the onset that have a shape


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
    lower = cholesky_banded(_covariance(part, sigma), lower=True)
    values = solve_banded((1, 0), lower, part["value"] * part["time"])

    def explained(length: float) -> float:
        shapes = _shape(start, end, onsets, length) * part["time"]
        shapes = solve_banded((1, 0), lower, shapes.T)
        squares = np.maximum(np.sum(shapes**2, axis=0), 1e-12)
        return NEIGHBOURS * 0.5 * float(np.max((values @ shapes) ** 2 / squares))

    ramps = np.array([explained(length) for length in RAMPS])
    ratio = np.logaddexp.reduce(ramps) - np.log(len(RAMPS)) - explained(AT_ONCE)
    return float(np.clip(ratio, -MOST, MOST))


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


def _shape(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    onsets: NDArray[np.float64],
    length: float,
) -> NDArray[np.float64]:
    """Mean share of a change taking `length` s that has come in each batch: (onsets, batches)."""

    def come_by(t: NDArray[np.float64]) -> NDArray[np.float64]:
        inside = np.clip(t, 0.0, length)
        integral: NDArray[np.float64] = inside**2 / (2.0 * length) + np.maximum(t - length, 0.0)
        return integral

    span = np.maximum(end - start, AT_ONCE)
    shape: NDArray[np.float64] = come_by(end - onsets[:, None]) - come_by(start - onsets[:, None])
    return shape / span

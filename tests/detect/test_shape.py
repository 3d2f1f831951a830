"""A step or a ramp: by made batches with known onsets."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.detect.shape import MOST, ramp_over_step
from borewarden.detect.step import RING, locate_step

SIGMA, LENGTH = 0.006, 20.0  # log area; s


def batches(minutes: float, size: float = 0.08, seed: int = 0, after: int = 40) -> NDArray[np.void]:
    """Batches of `LENGTH`, the change beginning after 40 of them and taking so many minutes."""
    rows = np.zeros(40 + after, RING)
    ends = LENGTH * np.arange(1, len(rows) + 1)
    rows["start_ns"], rows["end_ns"] = (1e9 * (ends - LENGTH), 1e9 * ends)
    rows["time"] = LENGTH
    grown = np.clip((ends - 0.5 * LENGTH - 40 * LENGTH) / max(60.0 * minutes, 1.0), 0.0, 1.0)
    rows["value"] = size * grown + SIGMA * np.random.default_rng(seed).standard_normal(len(rows))
    return rows


def ratio(rows: NDArray[np.void]) -> float:
    return ramp_over_step(rows, locate_step(rows, SIGMA, 1.0), SIGMA)


@pytest.mark.parametrize("seed", range(5))
def test_a_chip_is_a_step_and_a_seal_a_ramp(seed: int) -> None:
    assert ratio(batches(0.0, seed=seed)) < 0.0
    assert ratio(batches(10.0, seed=seed)) > 3.0
    assert ratio(batches(20.0, seed=seed, after=60)) > 3.0


def test_few_batches_and_little_change_say_nothing() -> None:
    assert ratio(batches(0.0, after=2)) == 0.0
    assert abs(ratio(batches(5.0, size=0.004))) < 2.0
    assert ratio(batches(15.0, size=1.0)) == MOST


def test_batches_left_out_do_not_stop_it() -> None:
    """What two batches share may exceed the timing of one whose neighbour is missing."""
    rows = batches(10.0)
    rows["timing"], rows["shared"] = 1.0, 0.5
    rows["timing"][::3] = 0.2
    assert np.isfinite(ratio(rows))


def test_sign_and_clock_do_not_matter() -> None:
    rows = batches(10.0)
    later, smaller = rows.copy(), rows.copy()
    for key in ("start_ns", "end_ns"):
        later[key] += 10**18
    smaller["value"] *= -1.0
    assert ratio(later) == pytest.approx(ratio(rows))
    found = ramp_over_step(smaller, locate_step(smaller, SIGMA, -1.0), SIGMA)
    assert found == pytest.approx(ratio(rows))

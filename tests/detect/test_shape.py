"""A step or a ramp: by made batches with known onsets."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.detect.shape import (
    AT_ONCE,
    MOST,
    OTHER_ONSETS,
    PACES,
    RAMPS,
    pace_evidence,
    ramp_over_step,
)
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


@pytest.mark.parametrize(("longer", "minutes", "size"), [(1, 4.0, 0.02), (4, 16.0, 0.04)])
def test_ratio_is_that_of_plain_generalised_least_squares(
    longer: int, minutes: float, size: float
) -> None:
    """Aitken (1936, Proc. R. Soc. Edinb. 55, 42-48): two batches of one run share an edge, which is
    timed late for the one and early for the other. Half as many batches count."""
    rows = batches(minutes / longer, size=size, seed=3)
    for name in ("start_ns", "end_ns", "time"):
        rows[name] *= longer
    rows["timing"], rows["shared"] = 0.02, 0.008
    rows["time"] += np.random.default_rng(4).uniform(-2.0, 2.0, len(rows))
    step = locate_step(rows, SIGMA, 1.0)
    start, end = rows["start_ns"] / 1e9, rows["end_ns"] / 1e9
    near = slice(max(step.first - OTHER_ONSETS, 0), step.first + OTHER_ONSETS + 1)
    onsets = np.concatenate([start[near], 0.5 * (start[near] + end[near]), end[near]])
    for k in range(step.first - 2, step.first + 2):  # a step may lie anywhere in a batch
        onsets = np.concatenate([onsets, np.linspace(start[k], end[k], 9)])
    time = rows["time"]
    covariance = np.diag((SIGMA * time) ** 2 + rows["timing"])
    neighbours = np.arange(len(rows) - 1)
    covariance[neighbours, neighbours + 1] = covariance[neighbours + 1, neighbours] = -0.008
    weight = np.linalg.inv(covariance)
    y = rows["value"] * time
    moments = np.linspace(start, end, 201)

    def explained(length: float) -> float:
        gains = []
        for onset in onsets:
            x = time * np.clip((moments - onset) / length, 0.0, 1.0).mean(axis=0)
            gains.append((x @ weight @ y) ** 2 / max(x @ weight @ x, 1e-12))
        return 0.5 * 0.5 * max(gains)

    ramps = np.array([explained(length) for length in RAMPS])
    expected = np.log(np.mean(np.exp(ramps - ramps.max()))) + ramps.max() - explained(AT_ONCE)
    assert 0.1 < abs(expected) < MOST
    assert ramp_over_step(rows, step, SIGMA) == pytest.approx(expected, abs=0.01)


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
    assert locate_step(rows, SIGMA, 1.0).size_sd > 0.0


def test_sign_and_clock_do_not_matter() -> None:
    rows = batches(10.0)
    later, smaller = rows.copy(), rows.copy()
    for key in ("start_ns", "end_ns"):
        later[key] += 10**18
    smaller["value"] *= -1.0
    assert ratio(later) == pytest.approx(ratio(rows))
    found = ramp_over_step(smaller, locate_step(smaller, SIGMA, -1.0), SIGMA)
    assert found == pytest.approx(ratio(rows))


HOURS = 0.12 * np.arange(1, 81)  # of jet, one value for 20 batches


def line(pace: float, for_hours: float = np.inf, seed: int = 0) -> NDArray[np.float64]:
    """Log area that stays as it is for 5 h of jet and then goes by `pace`, 1/h."""
    noise = 0.003 * np.random.default_rng(seed).standard_normal(len(HOURS))
    return pace * np.clip(HOURS - 5.0, 0.0, for_hours) + noise


@pytest.mark.parametrize("for_hours", [1.0, 2.0, np.inf])
@pytest.mark.parametrize("pace", [-0.03, 0.02, 0.06])
def test_pace_of_a_line_is_found_while_it_goes_on_and_once_it_has_stopped(
    pace: float, for_hours: float
) -> None:
    evidence = pace_evidence(HOURS, line(pace, for_hours), 0.006, float(np.sign(pace)))
    assert evidence.shape == PACES.shape
    assert evidence.max() == 0.0
    assert evidence.min() >= -MOST
    assert abs(np.log(PACES[int(np.argmax(evidence))] / abs(pace))) < np.log(2.0)


def test_nothing_that_moves_says_that_it_goes_slowly_if_at_all() -> None:
    of_noise = [pace_evidence(HOURS, line(0.0, seed=seed), 0.006, 1.0) for seed in range(40)]
    evidence = np.mean(of_noise, axis=0)
    assert np.argmax(evidence) < len(PACES) // 2
    assert evidence[-1] < evidence.max() - 0.5
    assert not pace_evidence(HOURS[:2], line(0.1)[:2], 0.006, 1.0).any()  # two say nothing

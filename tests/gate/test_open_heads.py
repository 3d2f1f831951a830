"""Batches of each combination of open heads; all samples are invented."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.base.samples import Samples
from borewarden.gate.batch import BatchKind, Phase
from borewarden.gate.gate import Gate
from borewarden.physics.pump import Intensifier
from steady import gate_settings, steady_samples

ONE, OTHER = 2.0e-8, 3.0e-8  # m², effective


def gate_of(pump: Intensifier, counter: bool) -> Gate:
    made = gate_settings(pump, uses_counter=counter, nominal_area=ONE + OTHER)
    return Gate(made, pump.displacement, 2, (ONE, OTHER))


def gather(
    pump: Intensifier, open_heads: NDArray[np.int64], named: bool, counter: bool
) -> tuple[NDArray[np.int8], NDArray[np.void]]:
    """Phases and steady batches of a day on which these heads are open."""
    areas = (open_heads & 1) * ONE + (open_heads >> 1 & 1) * OTHER
    samples: Samples = steady_samples(pump, np.maximum(areas, 1e-12), as_counter=counter)
    count = (open_heads & 1) + (open_heads >> 1 & 1)
    samples = samples._replace(valve=count.astype(float))
    if named:
        samples = samples._replace(open_heads=open_heads.astype(float))
    gate = gate_of(pump, counter)
    phases, batches = gate.learn_many(samples)
    return phases, batches[batches["kind"] == BatchKind.STEADY]


@pytest.mark.parametrize("counter", [True, False])
def test_a_batch_never_mixes_combinations(intensifier: Intensifier, counter: bool) -> None:
    """They change every 50 s, so that most batches are gathered over several stretches."""
    stretches = np.random.default_rng(3).choice([1, 2, 3], 100)
    _, batches = gather(intensifier, np.repeat(stretches, 50), True, counter)
    expected = {1: ONE, 2: OTHER, 3: ONE + OTHER}
    assert set(batches["open_heads"]) == set(expected)
    assert len(batches) > 60
    off = [b["area"] / expected[int(b["open_heads"])] - 1.0 for b in batches]
    assert np.max(np.abs(off)) < (4.0 * np.max(batches["resolution"]) if counter else 1e-3)


def test_a_count_keeps_numbers_apart(intensifier: Intensifier) -> None:
    _, batches = gather(intensifier, np.repeat([1, 3, 1, 3], 200), False, False)
    assert set(batches["open_heads"]) == {-1, -2}
    np.testing.assert_allclose(batches["area"][batches["open_heads"] == -1], ONE, rtol=1e-3)


def test_the_jet_is_on_by_the_area_of_the_open_heads(intensifier: Intensifier) -> None:
    """The smaller head takes 40 % of all: too little for a jet if both were open."""
    phases, batches = gather(intensifier, np.full(300, 1), True, False)
    assert np.count_nonzero(phases == Phase.STEADY) > 250
    # a batch is over once its own heads have passed its water
    assert np.median(batches["time"]) < 25.0


def test_a_pause_is_no_change_of_heads(intensifier: Intensifier) -> None:
    """With all heads closed the batch waits, as with one head."""
    _, batches = gather(intensifier, np.tile(np.repeat([3, 0], [30, 5]), 60), True, True)
    assert len(batches) > 20
    assert set(batches["open_heads"]) == {3}


def test_an_unknown_signal_says_nothing(intensifier: Intensifier) -> None:
    samples = steady_samples(intensifier, np.full(600, ONE + OTHER), as_counter=False)
    gate = gate_of(intensifier, False)
    _, batches = gate.learn_many(samples)
    assert set(batches["open_heads"]) == {0}

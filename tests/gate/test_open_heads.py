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


# -- where nothing says which heads are open


def gate_of_two_alike(pump: Intensifier, counter: bool) -> Gate:
    made = gate_settings(pump, uses_counter=counter, nominal_area=2.0 * ONE)
    gate = Gate(made, pump.displacement, 2)
    gate.state.open.area = ONE  # one of them alone is a jet, too
    return gate


@pytest.mark.parametrize("first", [2, 1])
def test_strokes_of_other_heads_are_no_pauses(intensifier: Intensifier, first: int) -> None:
    """Two heads make a stroke in half the time: the other half is more than a stroke may hide.

    Strokes of one head that were timed too short would be all that is left of it.
    """
    heads = np.repeat([first, 3 - first, first], 300)
    gate = gate_of_two_alike(intensifier, True)
    batches = gate.learn_many(steady_samples(intensifier, ONE * heads))[1]
    middle = (batches["start_ns"] > 320e9) & (batches["end_ns"] < 600e9)
    assert np.sum(batches["time"][middle]) > 220.0
    mean = np.average(batches["area"][middle], weights=batches["time"][middle])
    assert mean == pytest.approx(ONE * (3 - first), rel=0.02)


@pytest.mark.parametrize("period", [12, 30])
def test_wobble_of_a_mean_is_none_of_its_scatter(intensifier: Intensifier, period: int) -> None:
    """A controller's mean over short cuts of two heads wobbles about the area of one.

    However slowly the wobble comes, to 10 % within an hour, it is not got used to.
    """
    seconds = np.arange(3600)
    wobble = 1.0 + 0.1 * seconds / 3600.0 * np.sin(2.0 * np.pi * seconds / period)
    samples = steady_samples(intensifier, np.full(3600, ONE), as_counter=False)
    gate = gate_of_two_alike(intensifier, False)
    batches = gate.learn_many(samples._replace(rate=samples.rate * wobble))[1]
    assert np.sum(batches["time"][batches["end_ns"] < 600e9]) > 500.0
    assert not np.any(batches["start_ns"] > 1800e9)

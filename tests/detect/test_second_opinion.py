"""The second opinion: what river's test sees, since when, and who saw what."""

from __future__ import annotations

import copy

import numpy as np
import pytest
from river.drift import PageHinkley

from borewarden.detect.second_opinion import (
    DELTA,
    FEWEST,
    SETTLES,
    THRESHOLD,
    Opinion,
    SecondOpinion,
)


def opinion_of(values: np.ndarray, told: np.ndarray | None = None) -> Opinion:
    """What it says of `values`, one a second; `told` is whether the watcher tells of a change."""
    second = SecondOpinion()
    words = np.zeros(len(values), dtype=bool) if told is None else told
    ends_ns = range(1, len(values) + 1)
    second.take(zip(values.tolist(), ends_ns, words.tolist(), strict=True))
    return second.opinion


@pytest.mark.parametrize("step", [1.0, -2.0, 4.0])
def test_it_alarms_where_rivers_test_does(step: float) -> None:
    values = np.random.default_rng(1).standard_normal(300)
    values[100:] += step
    test = PageHinkley(min_instances=FEWEST, delta=DELTA, threshold=THRESHOLD, alpha=1.0)
    for value in [0.0] * FEWEST + values.tolist():
        test.update(value)
        if test.drift_detected:
            break
    seen = opinion_of(values)
    assert seen.since_ns == test._x_mean.n - FEWEST
    assert 100 < seen.since_ns < 180
    assert seen == Opinion(seen.since_ns, only_detector=1)


def test_white_noise_of_forty_jet_hours_is_no_change() -> None:
    """By luck a change is seen with a chance of 4 %, at one false alarm in 1,000 h."""
    assert opinion_of(np.random.default_rng(2).standard_normal(40 * 180)) == Opinion()


def test_a_change_stands_until_the_level_is_back() -> None:
    up, back = np.full(200, 4.0), np.zeros(200)
    still = np.zeros(100)
    assert opinion_of(np.concatenate([still, up])).since_ns == 104
    assert opinion_of(np.concatenate([still, up, back])) == Opinion(None, only_detector=1)
    again = np.concatenate([still, up, back, up])
    assert opinion_of(again) == Opinion(504, only_detector=2)


def test_a_change_just_after_the_baseline_is_one_off_that() -> None:
    assert opinion_of(np.zeros(200)) == Opinion()
    seen = opinion_of(np.full(200, 4.0))
    assert seen == Opinion(seen.since_ns, only_detector=1)
    assert seen.since_ns is not None
    assert seen.since_ns < 20


def test_an_alarm_that_comes_to_nothing_is_dropped() -> None:
    wild = np.zeros(200)
    wild[100] = 20.0
    assert opinion_of(wild[: 101 + SETTLES - 1]).since_ns == 101
    assert opinion_of(wild[: 101 + SETTLES]) == Opinion(None, only_detector=1)


def test_it_counts_who_saw_a_change() -> None:
    values, told = np.zeros(900), np.zeros(900, dtype=bool)
    values[100:200] = 5.0  # both, the watcher a little later
    told[110:210] = True
    told[400:450] = True  # only the watcher
    values[600:700] = -5.0  # only the detector
    assert opinion_of(values, told) == Opinion(None, both=1, only_watcher=1, only_detector=1)
    assert opinion_of(values[:420], told[:420]) == Opinion(None, both=1, only_watcher=1)


def test_blocks_of_any_size_and_copies_come_to_the_same() -> None:
    rng = np.random.default_rng(3)
    values = rng.standard_normal(2000) + 3.0 * (np.arange(2000) // 300 % 2)
    batches = [(value, k, k % 700 > 500) for k, value in enumerate(values.tolist())]
    whole, cut = SecondOpinion(), SecondOpinion()
    whole.take(batches)
    for start in range(0, len(batches), 7):
        cut = copy.deepcopy(cut)
        cut.take(batches[start : start + 7])
    assert cut.opinion == whole.opinion
    assert whole.opinion.both > 1

"""The second opinion beside the watcher: it changes nothing, and the verdict carries it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.second_opinion import Opinion, SecondOpinion
from borewarden.gate.batch import HEADS
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State, Verdict
from invented_watch import FIRST, PUMP, RUBY, batches, quiet_watch

SIGNALS = {"weep_rise": 5.0, "load_ratio": 3.0}


def judged(rows: NDArray[np.void]) -> tuple[Verdict, list[Verdict]]:
    """The verdict after `rows` that follow the baseline, and those told on the way."""
    watch = quiet_watch()
    changes = watch.learn_many(rows)[1]
    return watch.verdict(), changes


def test_there_is_none_before_the_jewel_is_learned() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST - 1)))
    assert watch.verdict().second_opinion is None
    watch.learn_many(batches([0.0], start=FIRST - 1))
    assert watch.verdict().second_opinion == Opinion()


def test_both_see_a_chip() -> None:
    rows = batches(np.where(np.arange(90) < 30, 0.0, 0.08), start=FIRST, **SIGNALS)
    verdict, changes = judged(rows)
    assert changes[0].state is State.OPENED
    seen = verdict.second_opinion
    assert seen is not None
    assert seen.since_ns is not None
    assert rows["end_ns"][30] <= seen.since_ns <= rows["end_ns"][33]
    assert seen == Opinion(seen.since_ns, both=1)
    assert not verdict.disagrees


def test_the_watcher_alone_sees_a_leak_that_leaves_the_area() -> None:
    verdict, changes = judged(batches(np.zeros(60), start=FIRST, weep_rise=40.0, load_ratio=3.0))
    assert changes[0].state is State.OTHER_FAULT
    assert changes[0].disagrees
    assert verdict.second_opinion == Opinion(only_watcher=1)


def test_the_detector_alone_sees_a_step_that_is_too_small_to_matter() -> None:
    rows = batches(np.where(np.arange(60) < 30, 0.0, 0.01), start=FIRST, **SIGNALS)
    verdict, changes = judged(rows)
    assert (verdict.state, changes) == (State.SOUND, [])
    assert verdict.disagrees
    assert verdict.second_opinion is not None
    assert verdict.second_opinion.only_detector == 1


def test_it_does_not_hear_of_batches_with_other_heads_on() -> None:
    rows = batches(np.full(60, 0.7), start=FIRST, **SIGNALS)
    rows["signals"][:, HEADS] = 2.0
    assert judged(rows)[0].second_opinion == Opinion()


def test_a_step_while_learning_is_a_change_for_it_too() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.where(np.arange(FIRST + 30) < 15, 0.0, 0.08)))
    verdict = watch.verdict()
    assert verdict.state is State.OPENED
    assert verdict.second_opinion is not None
    assert verdict.second_opinion.both == 1


def test_blocks_of_any_size_and_forks_give_the_same() -> None:
    rng = np.random.default_rng(4)
    growth = np.repeat([0.0, 0.08, 0.0, 0.01], 60) + rng.normal(0.0, 0.002, 240)
    rows = batches(growth, start=FIRST, noise=0.0, **SIGNALS)
    whole, cut = quiet_watch(), quiet_watch()
    told = whole.learn_many(rows)[1]
    told_in_parts: list[Verdict] = []
    start = 0
    for size in [1] * 40 + [3] * 30 + [110]:
        left = cut
        cut = cut.fork()
        left.learn_many(batches(np.full(20, 0.2), start=FIRST + start))  # is none of its business
        told_in_parts += cut.learn_many(rows[start : start + size])[1]
        start += size
    assert start == len(rows)
    assert len(told) > 1
    assert repr(told_in_parts) == repr(told)
    assert repr(cut.verdict()) == repr(whole.verdict())


def test_it_changes_no_verdict(monkeypatch) -> None:
    rows = batches(np.repeat([0.0, 0.08, 0.0], 60), start=FIRST, **SIGNALS)
    watch, deaf = quiet_watch(), quiet_watch()
    made = watch.learn_many(rows)[0]
    monkeypatch.setattr(SecondOpinion, "take", lambda self, batches: None)
    assert deaf.learn_many(rows)[0].tobytes() == made.tobytes()
    assert deaf.verdict().second_opinion == Opinion()

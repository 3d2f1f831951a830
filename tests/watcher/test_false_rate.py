"""How often a step is told falsely, beside the watcher: what it hears, and what it says."""

from __future__ import annotations

import numpy as np

from borewarden.detect.false_rate import FalseRate
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State
from invented_watch import FIRST, PUMP, RUBY, batches, quiet_watch

SIGNALS = {"weep_rise": 5.0, "load_ratio": 3.0}


def rate_after(growth: list[float]) -> tuple[FalseRate, list[State]]:
    """What is believed after batches that follow the baseline, and the states told on the way."""
    watch = quiet_watch()
    changes = watch.learn_many(batches(growth, start=FIRST, **SIGNALS))[1]
    rate = watch.verdict().false_rate
    assert rate is not None
    return rate, [verdict.state for verdict in changes]


def test_there_is_none_before_the_jewel_is_learned() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST - 1)))
    assert watch.verdict().false_rate is None


def test_the_settings_ask_for_it() -> None:
    watch = quiet_watch(false_alarm_hours=250.0)
    watch.learn_many(batches(np.zeros(90), start=FIRST, **SIGNALS))
    rate = watch.verdict().false_rate
    assert rate is not None
    assert rate.asked == 1.0 / 250.0
    assert abs(rate.hours - 0.5) < 0.01


def test_a_chip_that_stands_is_told_and_is_no_false_alarm() -> None:
    sound, _ = rate_after([0.0] * 30)
    rate, states = rate_after([0.0] * 30 + [0.08] * 90)
    assert states[-1] is State.OPENED
    assert (rate.told, rate.gone, rate.peaks) == (1, 0, 0)
    assert rate.hours < sound.hours + 0.05  # what is told is not watched for false alarms
    assert abs(rate.watched - 4.0 * sound.watched) < 0.05  # and yet the jewel is as old


def test_hours_since_learning_go_on_while_something_is_told() -> None:
    rate, _ = rate_after([0.0] * 30 + [0.08] * 60 + [0.0] * 60)
    assert abs(rate.watched - 150 / 180) < 0.02
    assert rate.hours < rate.watched - 0.2


def test_a_step_that_goes_away_by_itself_was_one() -> None:
    sound, _ = rate_after([0.0] * 150)
    rate, states = rate_after([0.0] * 30 + [0.08] * 60 + [0.0] * 60)
    assert states == [State.OPENED, State.SOUND]
    assert (rate.told, rate.gone, rate.peaks) == (1, 1, 1)
    assert rate.middle > sound.middle


def test_how_near_noise_comes_to_an_alarm_shows() -> None:
    still, _ = rate_after([0.0] * 2000)
    rng = np.random.default_rng(5)
    noisy, states = rate_after(np.repeat(rng.normal(0.0, 0.008, 1000), 2).tolist())
    assert noisy.peaks > still.peaks
    assert noisy.middle > still.middle
    assert states.count(State.OPENED) == noisy.gone

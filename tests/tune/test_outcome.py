"""A setting judged on batches is what the watcher itself says; false alarms, delays and labels."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pytest

from borewarden.base.samples import Samples
from borewarden.collect.labels import read_labels
from borewarden.collect.logged import read_log
from borewarden.jewels.jewel import Jewel
from borewarden.simulate.day import Chip
from borewarden.tune.days import CHIP_JET, Wanted, fitted_stretches, injected
from borewarden.tune.outcome import gather, judge_setting, watch_stretch
from borewarden.watcher.watcher import Watcher
from invented_days import FIRST, ROOT, at_ns, label, logged, machine_of, shop_of

LOGS = {
    "north": ["north-2026-03-04-chip.csv", "north-2026-03-09-wear.parquet"],
    "south": ["south-2026-03-05-chip.csv"],
    "west": ["west-2026-03-03-sound.parquet"],
}


def read(name: str) -> Samples:
    """All logged days of a machine: North's go over a change of jewel."""
    form = machine_of(name).log_format()
    parts = [read_log(ROOT / "replay_data" / log, form) for log in LOGS[name]]
    return Samples._make(np.concatenate(channels) for channels in zip(*parts, strict=True))


@pytest.mark.parametrize("name", LOGS)
def test_todays_settings_alarm_exactly_as_the_watcher_does(name: str) -> None:
    machine, samples = machine_of(name), read(name)
    learned = machine.build_watcher().learn_many(samples)
    shop = shop_of(name, samples, Wanted(chips=4, wears=0))
    gathered = gather(shop, machine.gate_settings())
    parts, alerts = watch_stretch(shop, gathered, machine.watch_settings())
    assert repr(alerts) == repr(learned.alerts)
    assert np.concatenate(parts).tobytes() == learned.batches.tobytes()
    outcome = judge_setting(shop, gathered, machine.watch_settings())
    said = [(alert.time_ns, alert.verdict.state.value) for alert in learned.alerts]
    assert outcome.alerts == said


def test_jewels_are_taken_where_the_watcher_takes_them() -> None:
    """Before, at, between and after the samples, on one head or on two, in any order."""
    samples = logged("west")
    start, end = int(samples.time_ns[0]), int(samples.time_ns[-1])
    middle = (start + end) // 2
    times = [middle, start - 10**12, start - 10**9, end + 10**12, middle + 7 * 10**11]
    heads = ["1", "1", "2", "1", "2"]
    jewel = machine_of("west").jewels()[0]
    jewels = [
        replace(jewel, fitted_ns=time, head=head, bore=jewel.bore * (0.75 if head == "2" else 1.0))
        for time, head in zip(times, heads, strict=True)
    ]
    machine = machine_of("west")
    watcher = Watcher(machine.build_pump(), machine.gate_settings(), jewels)
    learned = watcher.learn_many(samples)
    shop = replace(shop_of("west", samples), jewels=jewels, trials=[])
    parts, alerts = watch_stretch(shop, gather(shop, machine.gate_settings()), watcher.settings)
    assert np.concatenate(parts).tobytes() == learned.batches.tobytes()
    assert repr(alerts) == repr(learned.alerts)
    found = fitted_stretches(jewels, samples.time_ns)
    assert [len(part.jewels) for part in found] == [2, 2, 2]
    assert sum(part.stop - part.start for part in found) == len(samples.time_ns)
    late = [Jewel(jewel.bore, "ruby", end + 10**12)]
    assert len(fitted_stretches(late, samples.time_ns)) == 1


def test_a_trial_is_the_watcher_fed_with_the_injected_samples() -> None:
    """Forks of gate and detector at the onset give what a replay from the start would."""
    machine, samples = machine_of("south"), logged("south")
    shop = shop_of("south", samples, Wanted(chips=3, wears=0))
    outcome = judge_setting(shop, gather(shop, machine.gate_settings()), machine.watch_settings())
    for number, trial in enumerate(shop.trials):
        tail = injected(shop, trial)
        whole = Samples._make(
            np.concatenate([a[: trial.onset], b]) for a, b in zip(samples, tail, strict=True)
        )
        (alert, *_) = machine.build_watcher().learn_many(whole).alerts
        jet = float(shop.jet_at(alert.time_ns) - shop.jet_clock[trial.onset])
        assert outcome.delay[number] == jet
        assert 0.0 < jet < CHIP_JET


def test_sound_days_have_hours_and_no_false_alarm() -> None:
    samples = logged("west", days=2)
    shop = shop_of("west", samples)
    machine = machine_of("west")
    gathered = gather(shop, machine.gate_settings())
    outcome = judge_setting(shop, gathered, machine.watch_settings())
    assert outcome.false == [0, 0]
    # all but what it takes to learn the baseline, and what is left of the last batch
    assert 0.9 < sum(outcome.hours) / (shop.jet_clock[-1] / 3600.0 - 10 / 60) < 1.1
    eager = replace(machine.watch_settings(), smallest_step=0.001, false_alarm_hours=0.1)
    eager = replace(eager, noise_floor=1e-5, level_uncertainty=1e-5)
    assert sum(judge_setting(shop, gathered, eager).false) > 0


def test_an_unlabelled_chip_counts_as_false_and_a_labelled_one_as_found() -> None:
    at = dt.datetime.combine(FIRST, dt.time(8, 5))
    samples = logged("west", chips=(Chip(at, 0.0, 0.10),), end_hour=10.0)
    machine = machine_of("west")

    def judged(*labels):
        shop = shop_of("west", samples, Wanted(chips=2, wears=0), labels)
        outcome = judge_setting(
            shop, gather(shop, machine.gate_settings()), machine.watch_settings()
        )
        return shop, outcome

    _, outcome = judged()
    assert outcome.false == [1]
    shop, outcome = judged(label("west", at, "chip"))
    assert outcome.false == [0]
    assert not shop.sound[0]
    (found,) = outcome.found
    assert found.right
    assert found.state == "probably opened up"
    assert 0.0 < found.delay <= found.wall < 1800.0
    # no trial reaches into what happened
    assert all(samples.time_ns[t.stop - 1] < at_ns("west", at) for t in shop.trials)
    _, outcome = judged(label("west", at, "leak"))
    assert math.isfinite(outcome.found[0].delay)
    assert not outcome.found[0].right
    _, outcome = judged(label("west", dt.datetime.combine(FIRST, dt.time(7)), "chip", at))
    assert outcome.found[0].delay == math.inf
    assert outcome.false == [1]


def test_wear_is_told_near_the_growth_that_is_to_be_noticed() -> None:
    samples = logged("west", days=2, end_hour=13.0)
    shop = shop_of("west", samples, Wanted(chips=0, wears=2, wear_rate=0.02))
    machine = machine_of("west")
    outcome = judge_setting(shop, gather(shop, machine.gate_settings()), machine.watch_settings())
    assert [trial.kind for trial in shop.trials] == ["wear", "wear"]
    assert all(0.015 < growth < 0.06 for growth in outcome.delay)
    assert all(outcome.right)


def test_replay_datas_own_labels_are_all_found() -> None:
    for name, logs in LOGS.items():
        for log in logs:
            path = ROOT / "replay_data" / log
            labels = read_labels(
                path.with_name(path.name.split(".")[0] + ".labels.csv"), "Europe/Vienna"
            )
            samples = read_log(path, machine_of(name).log_format())
            shop = shop_of(name, samples, Wanted(chips=1, wears=0), tuple(labels))
            machine = machine_of(name)
            outcome = judge_setting(
                shop, gather(shop, machine.gate_settings()), machine.watch_settings()
            )
            assert sum(outcome.false) == 0
            assert all(math.isfinite(f.delay) and f.right for f in outcome.found)
            events = sum(known.event not in ("none", "tube wear") for known in labels)
            assert len(outcome.found) == events


def test_stopping_at_onsets_changes_no_batch() -> None:
    samples = logged("west")
    shop = shop_of("west", samples)
    machine = machine_of("west")
    whole = gather(replace(shop, trials=[]), machine.gate_settings())
    forked = gather(shop, machine.gate_settings())
    assert whole[0].batches.tobytes() == forked[0].batches.tobytes()

"""Days, windows of labels and where trials are put."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from borewarden.base.errors import BadInput
from borewarden.base.samples import rows
from borewarden.tune.days import LEAST_JET, Wanted, injected, make_shop
from invented_days import FIRST, at_ns, label, logged, machine_of, shop_of


def hour(hours: float, day: int = 0) -> dt.datetime:
    return dt.datetime.combine(FIRST + dt.timedelta(days=day), dt.time()) + dt.timedelta(
        hours=hours
    )


def test_trials_are_the_same_for_the_same_seed_and_spread_over_the_days() -> None:
    samples = logged("west", days=2)
    first, again, other = (
        shop_of("west", samples, Wanted(chips=20, wears=0, seed=seed)).trials for seed in (3, 3, 4)
    )
    assert first == again
    assert first != other
    assert [trial.day for trial in first] == [0] * 10 + [1] * 10


def test_trials_begin_with_the_jewel_learned_and_jet_left() -> None:
    samples = logged("west", days=2)
    shop = shop_of("west", samples, Wanted(chips=30, wears=0))
    for trial in shop.trials:
        assert shop.on[trial.onset]
        assert shop.jet_clock[trial.onset] >= 1200.0
        assert shop.jet_clock[trial.stop - 1] - shop.jet_clock[trial.onset] >= LEAST_JET - 2.0
        assert len(injected(shop, trial).time_ns) == trial.stop - trial.onset


def test_an_event_lasts_until_its_end_or_the_next_jewel() -> None:
    samples = logged("west", days=2)
    machine = machine_of("west")
    changed = replace(machine.jewels()[0], fitted_ns=at_ns("west", hour(6, 1)))
    labels = [
        label("west", hour(7), "leak", hour(7.5)),
        label("west", hour(9), "chip"),
        label("west", hour(0, 1), "none"),
        label("west", hour(9, 1), "feed"),
    ]
    shop = make_shop(
        machine.build_pump(), machine.gate_settings(), [*machine.jewels(), changed], samples,
        labels, machine.time_zone, 600.0, Wanted(chips=0),
    )  # fmt: skip
    ends = [(window.label.event, window.end_ns, window.day) for window in shop.windows]
    assert ends == [
        ("leak", at_ns("west", hour(7.5)), 0),
        ("chip", changed.fitted_ns, 0),
        ("feed", int(samples.time_ns[-1]) + 1, 1),
    ]
    assert shop.sound.tolist() == [False, False]


def test_a_label_of_a_jewel_changed_ends_what_was_before() -> None:
    samples = logged("west", days=2)
    labels = (label("west", hour(9), "chip"), label("west", hour(5.5, 1), "jewel changed"))
    shop = shop_of("west", samples, labels=labels)
    assert shop.windows[0].end_ns == labels[1].start_ns
    assert shop.sound.tolist() == [False, True]


def test_days_are_local_and_those_without_samples_are_left_out() -> None:
    samples = logged("west", days=3)
    first = np.searchsorted(samples.time_ns, at_ns("west", hour(0, 1)))
    last = np.searchsorted(samples.time_ns, at_ns("west", hour(0, 2)))
    kept = np.r_[0:first, last : len(samples.time_ns)]
    shop = shop_of("west", type(samples)._make(channel[kept] for channel in samples))
    assert shop.days == [FIRST, FIRST + dt.timedelta(days=2)]
    assert shop.day_starts_ns.tolist() == [at_ns("west", hour(0)), at_ns("west", hour(0, 2))]
    assert shop.day_of(np.array([at_ns("west", hour(23, 2))])).tolist() == [1]


@pytest.mark.parametrize(("day", "end"), [(-3, None), (-3, -2), (4, None)])
def test_labels_outside_the_logs_are_refused(day: int, end: int | None) -> None:
    given = label("west", hour(9, day), "chip", None if end is None else hour(9, end))
    with pytest.raises(BadInput, match="outside the logs"):
        shop_of("west", logged("west"), labels=(given,))


def test_no_sound_day_is_said() -> None:
    samples = rows(logged("west"), 0, 2500)  # half an hour of work
    with pytest.raises(BadInput, match="no sound day"):
        shop_of("west", samples)
    with pytest.raises(BadInput, match="there are none"):
        shop_of("west", rows(samples, 0, 0))


def test_a_chip_that_the_pump_could_not_feed_is_refused() -> None:
    shop = shop_of("west", logged("west"), Wanted(chips=1, chip_size=1.5, wears=0))
    with pytest.raises(BadInput, match="overstroke"):
        injected(shop, shop.trials[0])

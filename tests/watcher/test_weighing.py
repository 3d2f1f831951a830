"""When something is told of an event, and in which words."""

from __future__ import annotations

import numpy as np
import pytest

from borewarden.diagnose.causes import Belief, Cause
from borewarden.diagnose.feature_table import AREA, PRESSURE
from borewarden.gate.batch import SIGNALS, BatchKind
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import (
    LowPressureEvent,
    Past,
    SignalEvent,
    SlowEvent,
    Watching,
    Weighed,
)
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State
from borewarden.watcher.weighing import named, probable_words
from invented_watch import FIRST, PUMP, RUBY, batches, quiet_watch

CHIPPED = 20  # batches before the chip


def chip_told_after(**signals: float) -> int:
    """How many batches after a chip of 8 % it is told, where these signals are measured."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST), **signals))
    growth = np.where(np.arange(60) < CHIPPED, 0.0, np.log(1.08))
    (told,) = watch.learn_many(batches(growth, start=FIRST, **signals))[1]
    assert told.state is State.OPENED
    return int(told.time_ns / 30e9) - FIRST - CHIPPED


def test_a_chip_waits_for_signals_that_may_speak_for_another_cause() -> None:
    """Oil pressure shows at once; a weep line takes a minute or two to warm."""
    plain = chip_told_after()
    assert plain < chip_told_after(load_ratio=3.0) < chip_told_after(weep_rise=5.0) < plain + 10


def test_a_chip_waits_for_a_batch_or_two_that_show_how_it_came() -> None:
    """A seal grows; two batches that agree do not show that yet."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST)))
    growth = np.where(np.arange(60) < CHIPPED, 0.0, np.log(1.08))
    rows, (told,) = watch.learn_many(batches(growth, start=FIRST))
    crossed = int(np.flatnonzero(rows["statistic"] >= rows["threshold"])[0])
    assert crossed < np.flatnonzero(rows["end_ns"] == told.time_ns)[0] <= crossed + 3


@pytest.mark.parametrize("signals", [{"scatter": 1.0}, {"ripple": 1.0}])
def test_scatter_and_flutter_hold_up_no_alarm(signals: dict[str, float]) -> None:
    assert chip_told_after(**signals) == chip_told_after()


@pytest.mark.parametrize(("stopped", "at_stop"), [(5, False), (10, True)])
def test_growth_that_low_pressure_shows_may_have_come_in_a_stop_just_before(
    stopped: int, at_stop: bool
) -> None:
    """Ten steady batches, then two at low pressure; the pump was stopped before this one."""
    watch = quiet_watch()
    steady = batches(np.zeros(10), start=FIRST, weep_rise=5.0, load_ratio=3.0)
    steady["stops"] = np.arange(10) >= stopped
    low = batches([0.2] * 2, BatchKind.LOW, FIRST + 10, weep_rise=5.0)
    low["stops"] = 1
    watch.learn_many(np.concatenate([steady, low]))
    state = watch.monitor
    assert isinstance(state, Watching)
    assert isinstance(state.event, LowPressureEvent)
    assert state.event.at_stop == at_stop


def test_of_what_goes_slowly_nobody_knows_whether_it_came_at_once() -> None:
    watch = quiet_watch()
    rows = batches(np.linspace(0.0, 0.06, 200), start=FIRST, weep_rise=5.0, load_ratio=3.0)
    rows["jet_seconds"] *= 20.0  # twenty times the hours
    watch.learn_many(rows)
    state = watch.monitor
    assert isinstance(state, Watching)
    assert isinstance(state.event, SlowEvent)
    assert state.event.weighed is not None
    assert state.event.weighed.circumstances.ramp == 0.0


@pytest.mark.parametrize(
    ("told", "cause", "probability", "expected"),
    [
        (State.SOUND, Cause.BORE, 0.75, State.OPENED),
        (State.SOUND, Cause.BORE, 0.55, State.CANNOT_TELL),
        (State.SOUND, Cause.LEAK, 0.55, State.OTHER_FAULT),
        (State.SOUND, Cause.LEAK, 0.45, State.CANNOT_TELL),
        (State.SOUND, Cause.UNKNOWN, 0.99, State.CANNOT_TELL),
        (State.CANNOT_TELL, Cause.BORE, 0.55, State.CANNOT_TELL),
        # one batch is not to unsay what was told
        (State.OPENED, Cause.BORE, 0.45, State.OPENED),
        (State.WEARING, Cause.BORE, 0.45, State.OPENED),
        (State.OTHER_FAULT, Cause.LEAK, 0.45, State.OTHER_FAULT),
        (State.OPENED, Cause.BORE, 0.25, State.CANNOT_TELL),
        (State.OTHER_FAULT, Cause.LEAK, 0.25, State.CANNOT_TELL),
        # nor is another fault to become the bore unless that is all but sure
        (State.OTHER_FAULT, Cause.BORE, 0.8, State.CANNOT_TELL),
        (State.OTHER_FAULT, Cause.BORE, 0.95, State.OPENED),
    ],
)
def test_what_is_told_of_the_most_probable_cause(
    told: State, cause: Cause, probability: float, expected: State
) -> None:
    top = Belief(cause, probability)
    assert named(told, Past(), top, grown=True) is expected
    if expected is State.OPENED:
        assert named(told, Past(), top, grown=False) is State.WEARING
    else:
        assert named(told, Past(), top, grown=False) is expected


def test_what_was_told_before_counts_until_the_all_clear() -> None:
    leak, bore, sure = Belief(Cause.LEAK, 0.99), Belief(Cause.BORE, 0.8), Belief(Cause.BORE, 0.95)
    assert named(State.CANNOT_TELL, Past(opened=True), leak, grown=False) is State.OPENED
    other = Past(other_sure=True)
    assert named(State.CANNOT_TELL, other, bore, grown=True) is State.CANNOT_TELL
    assert named(State.CANNOT_TELL, other, sure, grown=True) is State.OPENED


def test_causes_that_nothing_tells_apart_are_named_together() -> None:
    bore = Belief(Cause.BORE, 0.6, alike=(Cause.FEED,))
    feed = Belief(Cause.FEED, 0.25, alike=(Cause.BORE,))
    leak = Belief(Cause.LEAK, 0.15)
    assert probable_words([bore, feed, leak]) == (
        "bore opened up or feed starvation or air in the water (85 %)"
    )
    assert probable_words([leak, bore]) == "plunger seal or check valve leaking (15 %)"


def reason_of(growth: float | np.ndarray, hours: float = 1.0, **signals: float) -> str:
    """What is said in the end of batches with this growth, in log area."""
    watch = quiet_watch()
    off = np.broadcast_to(growth, (100,)) * (np.arange(100) >= CHIPPED)
    rows = batches(off, start=FIRST, **{"weep_rise": 5.0, "load_ratio": 3.0} | signals)
    rows["jet_seconds"] *= hours
    watch.learn_many(rows)
    return watch.reason


def test_reason_says_what_was_seen_and_how_it_came() -> None:
    chip = reason_of(float(np.log(1.08)))
    assert chip.startswith("effective area up 8.")
    assert " % in one step; most probable: bore opened up" in chip
    blocked = reason_of(float(np.log(0.9)))
    assert blocked.startswith(("effective area down 10.0 % in one step", "effective area down 9.9"))
    assert "most probable: orifice or last-chance filter partly blocked" in blocked
    hot = reason_of(0.0, weep_rise=40.0)
    assert hot.startswith("effective area unchanged, but other signals have moved; most probable: ")
    slow = reason_of(np.linspace(0.0, 0.05, 100), hours=30.0)
    assert slow.startswith("effective area up ")
    assert " %, changing by +0." in slow
    assert " % per jet hour; most probable: " in slow
    seal = reason_of(np.clip(np.linspace(-0.02, 0.13, 100), 0.0, 0.09))
    assert seal.startswith("effective area up ")
    assert " % over minutes; most probable: " in seal


def test_growth_over_minutes_alone_is_not_called_an_opened_bore() -> None:
    """A seal goes so; a rim chips in an instant."""
    watch = quiet_watch()
    growth = np.clip(np.arange(100) - 20.0, 0.0, 20.0) * 0.005  # 10 % in ten minutes
    told = watch.learn_many(batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0))[1]
    assert State.OPENED not in [verdict.state for verdict in told]


def test_a_seal_that_goes_over_minutes_and_gets_hot_is_another_fault() -> None:
    watch = quiet_watch()
    growth = np.clip(np.arange(100) - 20.0, 0.0, 20.0) * 0.005
    rows = batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0)
    rows["signals"][20:, SIGNALS.index("weep_rise")] = 40.0
    told = watch.learn_many(rows)[1]
    assert told[-1].state is State.OTHER_FAULT
    assert told[-1].causes[0].cause is Cause.LEAK


def test_smaller_area_is_told_once_it_has_lasted() -> None:
    """Ramps and short cuts make an area look smaller for some minutes, never larger."""
    for lasts, states in ((20, []), (80, [State.OTHER_FAULT])):
        growth = np.where((np.arange(120) >= 20) & (np.arange(120) < 20 + lasts), -0.1, 0.0)
        watch = quiet_watch()
        told = watch.learn_many(batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0))[1]
        assert [v.state for v in told if v.state is not State.SOUND] == states


def weighed_after(rows: np.ndarray, low: float = 0.0) -> Weighed:
    """What came of weighing a step, after jets at a `low` pressure, Pa."""
    watch = quiet_watch()
    if low:
        pierces = batches([0.0] * 4, BatchKind.LOW, FIRST, weep_rise=5.0)
        pierces["pressure"] = low
        watch.learn_many(pierces)
    watch.learn_many(rows)
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.event is not None
    assert state.event.weighed is not None
    return state.event.weighed


@pytest.mark.parametrize(("rate", "holds"), [(0.7, True), (0.98, False)])
def test_pressure_says_nothing_once_the_pump_overstrokes(rate: float, holds: bool) -> None:
    """Up to 60 strokes a minute, the most that it makes, the oil side holds what was set."""
    rows = batches(np.repeat([0.0, 0.1], 20), start=FIRST + 4, weep_rise=5.0, load_ratio=3.0)
    rows["rate"][20:] = rate
    assert np.isfinite(weighed_after(rows).shift.seen[PRESSURE]) == holds


def test_low_pressure_is_that_of_the_pierces_seen() -> None:
    rows = batches(np.repeat([0.0, 0.1], 20), start=FIRST + 4, weep_rise=5.0, load_ratio=3.0)
    assert weighed_after(rows, low=114e6).circumstances.pierce_ratio == pytest.approx(0.3)
    assert 0.2 < weighed_after(rows).circumstances.pierce_ratio < 0.8  # where there were none


def test_beside_a_signal_the_area_is_that_of_the_newest_batches() -> None:
    """Of which half count, and no surer than the level."""
    watch = quiet_watch()
    grown = batches(np.full(40, 0.012), start=FIRST, weep_rise=40.0, load_ratio=3.0)
    watch.learn_many(grown)
    state = watch.monitor
    assert isinstance(state, Watching)
    assert isinstance(state.event, SignalEvent)
    assert state.event.weighed is not None
    shift = state.event.weighed.shift
    assert shift.seen[AREA] == pytest.approx(0.012, abs=0.002)
    newest = min(len(state.event.after), 12)
    sd = np.hypot(state.expected.level_sd, state.noise.sigma * (2 / newest) ** 0.5)
    assert shift.sd[AREA] == pytest.approx(sd, rel=0.1)

"""When something is told of an event, and in which words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from borewarden.detect.step import RING, Step
from borewarden.diagnose.causes import Belief, Cause
from borewarden.diagnose.feature_table import AREA, PRESSURE
from borewarden.gate.batch import HEADS, SIGNALS, BatchKind
from borewarden.physics.pump import DirectDrive
from borewarden.watcher.batch_loop import DRIFT_BLOCK
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import (
    Healed,
    LowPressureEvent,
    Past,
    Phase,
    SignalEvent,
    SlowEvent,
    StepEvent,
    Watching,
    Weighed,
)
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State
from borewarden.watcher.weighing import (
    BY_NOW,
    LASTS,
    SETTLED,
    STANDS,
    _may_take,
    _newest_of,
    falls_in_one_jet,
    is_to_last,
    is_whole_at_times,
    looks_like_a_shut_line,
    named,
    probable_words,
    weighed,
)
from invented_watch import AREA as NEW_AREA
from invented_watch import (
    FIRST,
    PUMP,
    RUBY,
    SECOND,
    batches,
    event_of,
    quiet_watch,
    watching,
)

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
    beliefs = (Belief(cause, probability, alike=(Cause.FEED,)), Belief(Cause.FEED, 0.1))
    assert named(told, Past(), beliefs, grown=True) is expected
    if expected is State.OPENED:
        assert named(told, Past(), beliefs, grown=False) is State.WEARING
    else:
        assert named(told, Past(), beliefs, grown=False) is expected


def test_a_bore_is_not_blamed_while_a_signal_speaks_for_something_else() -> None:
    """What nothing measured tells from the bore takes nothing off that; what is told apart does."""
    told_apart = (Belief(Cause.BORE, 0.7), Belief(Cause.LEAK, 0.3))
    alike = (Belief(Cause.BORE, 0.7, alike=(Cause.LEAK,)), Belief(Cause.LEAK, 0.3))
    assert named(State.SOUND, Past(), told_apart, grown=True) is State.CANNOT_TELL
    assert named(State.SOUND, Past(), alike, grown=True) is State.OPENED
    assert named(State.OPENED, Past(), told_apart, grown=True) is State.OPENED


def test_what_was_told_before_counts_until_the_all_clear() -> None:
    leak, bore, sure = Belief(Cause.LEAK, 0.99), Belief(Cause.BORE, 0.8), Belief(Cause.BORE, 0.95)
    assert named(State.CANNOT_TELL, Past(opened=True), (leak,), grown=False) is State.OPENED
    other = Past(other_sure=True)
    assert named(State.CANNOT_TELL, other, (bore,), grown=True) is State.CANNOT_TELL
    assert named(State.CANNOT_TELL, other, (sure,), grown=True) is State.OPENED


def test_causes_that_nothing_tells_apart_are_named_together() -> None:
    bore = Belief(Cause.BORE, 0.6, alike=(Cause.FEED,))
    feed = Belief(Cause.FEED, 0.25, alike=(Cause.BORE,))
    leak = Belief(Cause.LEAK, 0.15)
    assert probable_words([bore, feed, leak]) == (
        "bore opened up, or feed starvation or air in the water (85 %)"
    )
    three = replace(bore, alike=(Cause.FEED, Cause.LEAK))
    assert probable_words([three, feed, leak]) == (
        "one of (1) bore opened up, (2) feed starvation or air in the water, "
        "(3) plunger seal or check valve leaking (above 99 %)"
    )
    assert probable_words([leak, bore]) == "plunger seal or check valve leaking (15 %)"


def reason_of(growth: float | np.ndarray, hours: float = 1.0, **signals: float) -> str:
    """What is said in the end of batches with this growth, in log area."""
    watch = quiet_watch()
    n = CHIPPED + LASTS + 10 if np.isscalar(growth) else len(growth)
    off = np.broadcast_to(growth, (n,)) * (np.arange(n) >= CHIPPED)
    rows = batches(off, start=FIRST, **{"weep_rise": 5.0, "load_ratio": 3.0} | signals)
    rows["jet_seconds"] *= hours
    watch.learn_many(rows)
    return watch.reason


def test_reason_says_what_was_seen_and_how_it_came() -> None:
    chip = reason_of(float(np.log(1.08)))
    assert chip.startswith("effective area up in one step; most probable: bore opened up")
    blocked = reason_of(float(np.log(0.9)))
    assert blocked.startswith("effective area down in one step")
    assert "most probable: orifice or last-chance filter partly blocked" in blocked
    hot = reason_of(0.0, weep_rise=40.0)
    assert hot.startswith("effective area unchanged, but other signals have moved; most probable: ")
    slow = reason_of(np.linspace(0.0, 0.05, 100), hours=30.0)
    assert slow.startswith("effective area up ")
    assert " % by its trend, changing by +0." in slow
    assert " % per jet hour; most probable: " in slow
    seal = reason_of(np.clip(0.0015 * (np.arange(120) - DRIFT_BLOCK), 0.0, 0.09))
    assert seal.startswith("effective area up over minutes; most probable: ")


def test_reason_says_how_far_the_area_has_gone_slowly() -> None:
    watch = quiet_watch()
    rows = batches(np.linspace(0.0, 0.075, 200), start=FIRST, weep_rise=5.0, load_ratio=3.0)
    rows["jet_seconds"] *= 20.0
    watch.learn_many(rows)
    state = watch.monitor
    assert isinstance(state, Watching)
    assert isinstance(state.event, SlowEvent)
    assert state.event.weighed is not None
    gone = np.expm1(state.event.weighed.shift.seen[AREA]) * 100.0
    assert gone > 5.0
    assert f"effective area up {gone:.1f} % by its trend, changing by" in watch.reason


@pytest.mark.parametrize(
    ("ramp", "heard", "every", "tells"),
    [
        (-5.0, 0, 15.0, True),
        (0.0, 1, 15.0, False),
        (0.0, 1, 40.0, True),  # short cuts, a minute and more from the first to the third
        (0.0, 0, 40.0, False),  # air in the water makes two within a minute
        (0.0, 0, 80.0, True),
        (0.0, 2, 15.0, True),
        (5.0, 1, 80.0, False),
        (5.0, 4, 15.0, False),
        (5.0, 5, 15.0, True),
    ],
)
def test_a_step_waits_for_its_shape(ramp: float, heard: int, every: float, tells: bool) -> None:
    """At once or over minutes: two batches or a minute show the one, five the other."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST)))
    state = watch.monitor
    assert isinstance(state, Watching)
    event = event_of(Phase.STEP_FOUND, state)
    assert isinstance(event, StepEvent)
    after = event.after.copy()
    after["value"], after["area"] = 0.2, NEW_AREA * np.exp(0.2)
    after = after[: heard + 2]
    after["start_ns"] = np.arange(len(after)) * round(every * 1e9)
    after["end_ns"] = after["start_ns"] + 10 * 10**9
    step = Step(0, 0.2, 0.005)
    event = replace(event, step=step, after=after, ramp=ramp, batches=heard)
    assert (weighed(state, event).told is not State.SOUND) == tells


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
    for lasts, states in ((LASTS // 2, []), (LASTS + 10, [State.OTHER_FAULT])):
        growth = np.repeat([0.0, -0.1, 0.0], [20, lasts, 20])
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


@pytest.mark.parametrize(("rate", "holds"), [(0.7, True), (0.93, False), (0.98, False)])
def test_pressure_says_nothing_once_the_pump_overstrokes(rate: float, holds: bool) -> None:
    """Up to 60 strokes a minute, or most of the motor's power, the oil side holds what was set."""
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
    newest = min(len(state.event.after), BY_NOW)
    sd = np.hypot(state.expected.level_sd, state.noise.sigma * (2 / newest) ** 0.5)
    assert shift.sd[AREA] == pytest.approx(sd, rel=0.1)


# -- what may pass


def tens(growth: Sequence[float] | np.ndarray, start: int) -> np.ndarray:
    """Batches of ten seconds without a pause, grown by `growth`."""
    rows = batches(np.log1p(growth), start=start)
    number = start + np.arange(len(rows))
    rows["start_ns"], rows["end_ns"] = number * 10 * SECOND, (number + 1) * 10 * SECOND
    rows["time"], rows["jet_seconds"] = 10.0, (number + 1) * 10.0
    return rows


def told_of(*parts: tuple[float, int]) -> tuple[list[tuple[State, int]], BoreWatch]:
    """What is told, and how many s after the parts began: growths for so many batches."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(tens(np.zeros(2 * FIRST), 0))
    growth = np.repeat([p[0] for p in parts], [p[1] for p in parts])
    changes = watch.learn_many(tens(growth, 2 * FIRST))[1]
    begun = 2 * FIRST * 10
    return [(verdict.state, verdict.time_ns // SECOND - begun) for verdict in changes], watch


def healed_in(watch: BoreWatch) -> tuple[Healed, ...]:
    state = watch.monitor
    assert isinstance(state, Watching)
    return state.past.healed


def test_a_transient_of_fifty_seconds_is_not_told_and_its_time_is_kept() -> None:
    """As air in the water makes; it was there for 50 s, though it took longer to see it gone."""
    told, watch = told_of((0.0, 60), (0.08, 5), (0.0, 60))
    assert told == []
    (healed,) = healed_in(watch)
    assert healed.seconds == 50.0
    assert healed.size == pytest.approx(np.log(1.08), abs=0.003)


def test_what_stays_beyond_a_minute_is_told_and_more_than_air_makes_is_told_sooner() -> None:
    (small,), _ = told_of((0.0, 60), (0.08, 12))
    assert small == (State.OPENED, 660)
    (large,), _ = told_of((0.0, 60), (0.12, 12))
    assert large[0] is State.OPENED
    assert 610 < large[1] < 660


@pytest.mark.parametrize(("next_one", "waits"), [(0.10, True), (0.15, True), (0.18, False)])
def test_a_machine_that_showed_a_transient_waits_longer_with_the_like(
    next_one: float, waits: bool
) -> None:
    """Of 8 % for 100 s: one and a half times that for the next, unless twice as large.

    From the ninth batch on each sixteenth is weighed, so that 150 s are over at 180 s.
    """
    told, watch = told_of((0.0, 60), (0.08, 10), (0.0, 60), (next_one, 40))
    assert [state for state, _ in told] == [State.OPENED, State.SOUND, State.OPENED]
    assert [healed.seconds for healed in healed_in(watch)] == [100.0]
    after = told[-1][1] - 1300
    assert (150 <= after <= 180) if waits else (0 < after < 60)


SIZE = float(np.log(1.08))


def after_openings(
    openings: Sequence[int], leak: float = 0.0, gap: float = 600.0, own_leak: float = 0.0
) -> StepEvent:
    """A step of 8 %, after a pause of `gap` s, in batches that follow so many openings.

    Within each opening the area grows by `leak` a second, as that of a shut line seems to.
    `own_leak` is that of the pressure as the gate has seen it, 0: not at all.
    """
    ring = quiet_watch()._ring[: len(openings) + 1].copy()
    number = np.arange(len(ring))
    ring["end_ns"] = (15 * number + gap * (number > 0)) * 1e9
    ring["start_ns"] = ring["end_ns"] - 15 * SECOND
    ring["openings"] = [1, *openings]
    ring["leak"] = own_leak
    ring["timing"] = 0.0
    first = [list(openings).index(each) for each in openings]
    since = 15.0 * (number[1:] - 1 - np.array(first))
    noise = 5e-4 * np.resize([1.0, -1.0], len(openings))
    ring["value"][1:] = SIZE + leak * since + noise
    return StepEvent(
        sign=1.0,
        before=ring[:1],
        after=ring[1:],
        wear_then=watching(quiet_watch()).wear,
        step=Step(0, SIZE, 0.001),
        found_ns=0,
        in_one_jet=falls_in_one_jet(np.concatenate([ring[:1], ring]), 2),
    )


@pytest.mark.parametrize(
    ("openings", "leak", "gap", "may_be"),
    [
        ([0, 0, 0], 0.0, 600.0, False),  # the line is not known to hold its pressure
        ([7, 7, 7], 0.0, 600.0, True),
        ([7, 8, 8], 0.0, 600.0, True),
        ([7, 8, 9], 0.0, 600.0, False),  # shut again and again, it would hold another pressure
        ([1, 1, 1], 0.0, 15.0, False),  # while the jet was on
        ([1, 1, 1], 0.0, 600.0, True),
        ([7] * 20, 0.0, 600.0, True),  # such a line may leak next to nothing
        ([7] * 20, 6e-5, 600.0, True),
        ([*[7] * 6, *[8] * 6, *[9] * 6], 6e-5, 600.0, True),
    ],
)
def test_what_may_be_a_line_that_is_shut(
    openings: list[int], leak: float, gap: float, may_be: bool
) -> None:
    assert looks_like_a_shut_line(after_openings(openings, leak, gap), SIZE) is may_be


@pytest.mark.parametrize(
    ("batches", "leak", "own_leak", "may_be"),
    [
        (6, 0.0, 0.0, True),  # nobody knows how such a line leaks
        (6, 0.0, 2e-3, False),
        (2, 0.0, 2e-3, True),
        (6, 8e-4, 2e-3, True),
        (20, 0.0, 1e-4, False),
        (20, 0.0, 3e-5, True),  # so little can't be told from none
    ],
)
def test_a_line_whose_leak_is_known_shows_sooner_that_it_is_open(
    batches: int, leak: float, own_leak: float, may_be: bool
) -> None:
    assert (
        looks_like_a_shut_line(after_openings([7] * batches, leak, 600.0, own_leak), SIZE) is may_be
    )


@pytest.mark.parametrize(
    ("filled", "size", "may_be"), [(3, 1.0, False), (2, 1.0, True), (3, 0.5, True)]
)
def test_a_line_that_cuts_are_seen_to_fill_is_not_shut(
    filled: int, size: float, may_be: bool
) -> None:
    event = after_openings([7, 7, 7, 8, 8])
    event.after["timing"][:filled] = 1.0
    event.after["value"][:filled] *= size  # of the step
    assert looks_like_a_shut_line(event, SIZE) is may_be


@pytest.mark.parametrize(
    ("start", "openings", "in_one"),
    [(50.0, [7, 7, 7], True), (130.0, [7, 7, 7], False), (50.0, [7, 8, 8], False)],
)
def test_a_chip_may_take_the_pressure_some_time_to_settle(
    start: float, openings: list[int], in_one: bool
) -> None:
    """The batch before, the one that holds the step, and the first one after it, by `start` s."""
    rows = quiet_watch()._ring[:3].copy()
    rows["start_ns"] = np.array([-50.0, 0.0, start]) * 1e9
    rows["end_ns"] = np.array([0.0, 30.0, start + 10.0]) * 1e9
    rows["openings"] = openings
    assert falls_in_one_jet(rows, 2) is in_one


def test_pauses_that_hold_other_pressures_are_no_bore() -> None:
    event = after_openings([7, 8, 9, 10, 11, 12])
    event.after["value"][3:] *= 0.5
    assert looks_like_a_shut_line(event, SIZE)


def test_an_opening_that_leaks_away_from_its_first_batch_on_shows_no_bore() -> None:
    """Its last batch is like those of the other openings, its first one is not."""
    event = after_openings([7, 7, 8, 8, 9, 9])
    assert not looks_like_a_shut_line(event, SIZE)
    event.after["value"][4] *= 0.8
    assert looks_like_a_shut_line(event, SIZE)


def test_how_long_a_step_may_take_to_pass() -> None:
    """Half as long again as those no less than half its size; a minute where air may be."""
    size = float(np.log(1.08))
    assert _may_take((), size) == 60.0
    assert _may_take((), float(np.log(1.12))) == 0.0
    once = (Healed(size, 100.0), Healed(0.5 * size, 400.0))
    assert _may_take(once, 1.2 * size) == 150.0
    assert _may_take(once, 2.1 * size) == 0.0
    assert _may_take(once, 0.9 * size) == 600.0


def test_a_signal_that_is_where_it_was_is_no_event_and_speaks_for_no_opened_bore() -> None:
    state = watching(Phase.SIGNAL)
    assert state.event is not None
    before = replace(
        state,
        running=state.running._replace(probability=0.3),
        detector=state.detector._replace(standing=0.3),
    )
    after = weighed(before, state.event)
    assert (after.event, after.told) == (None, State.SOUND)
    assert after.running.probability == after.detector.standing == 0.0


@pytest.mark.parametrize(("went_back", "waits"), [(0.1, True), (0.093, True), (0.12, False)])
def test_what_went_back_at_the_same_size_before_has_to_last(went_back: float, waits: bool) -> None:
    """No bore heals: that was another state of the machine, and it may have come again."""
    state = watching(Phase.STEP_FOUND)
    event = state.event
    assert isinstance(event, StepEvent)
    running = state.running._replace(end_ns=event.onset_ns + 1000 * SECOND)
    now = replace(state, past=Past(healed=(Healed(went_back, 100.0),)), running=running)
    assert is_to_last(now, replace(event, batches=LASTS - 1), event.step) == waits
    assert not is_to_last(now, replace(event, batches=LASTS), event.step)


def test_what_was_over_as_air_passes_was_no_state_of_the_machine() -> None:
    """A chip of the same size by chance waits no longer than for air."""
    state = watching(Phase.STEP_FOUND)
    event = state.event
    assert isinstance(event, StepEvent)
    assert not state.setup.pressure_floats
    running = state.running._replace(end_ns=event.onset_ns + 1000 * SECOND)
    now = replace(state, past=Past(healed=(Healed(event.step.size, 50.0),)), running=running)
    assert not is_to_last(now, replace(event, batches=1), event.step)


@pytest.mark.parametrize("known", [True, False])
def test_where_the_closed_jet_is_known_what_went_back_holds_up_nothing_for_long(
    known: bool,
) -> None:
    state = watching(Phase.STEP_FOUND)
    event = state.event
    assert isinstance(event, StepEvent)
    after = event.after.copy()
    after["closed_known"], after["openings"] = known, 0
    after["signals"][:, HEADS] = np.nan
    event = replace(event, after=after, batches=LASTS - 1)
    pump = DirectDrive(3, 0.0085, 0.032, 0.3e-6, 8.4, 410e6, 30e3)
    running = state.running._replace(end_ns=event.onset_ns + 1000 * SECOND)
    now = replace(
        state,
        setup=state.setup._replace(pump=pump),
        past=Past(healed=(Healed(event.step.size, 200.0),)),
        running=running,
    )
    assert is_to_last(now, event, event.step) != known


@pytest.mark.parametrize("shown", [0.0, 0.4, 0.6])
def test_stands_of_a_shut_line_stay_untold_while_cuts_deny_them(shown: float) -> None:
    """However long: cuts that fill the line go on showing the jet as it was."""
    state = watching(Phase.STEP_FOUND)
    event = after_openings([7, 7, 7, 7, 8, 9, 10])
    event.after["timing"][-3:] = 1.0
    event.after["value"][-3:] = shown * SIZE
    event = replace(event, batches=2 * LASTS)
    running = state.running._replace(end_ns=event.onset_ns + 1000 * SECOND)
    assert looks_like_a_shut_line(event, SIZE)
    now = replace(state, running=running, past=Past())
    assert is_to_last(now, event, event.step) == (shown < 0.5)


def test_cuts_that_show_a_smaller_area_deny_no_step_down() -> None:
    """What is blocked shows in them as well, and is told once it has lasted."""
    state = watching(Phase.STEP_FOUND)
    event = after_openings([7, 8, 9, 10, 11, 12, 13])
    event.after["timing"][-3:] = 1.0
    event.after["value"] *= -1.0
    event = replace(event, sign=-1.0, step=Step(0, -SIZE, 0.001), batches=2 * LASTS)
    running = state.running._replace(end_ns=event.onset_ns + 1000 * SECOND)
    now = replace(state, running=running, past=Past())
    assert is_to_last(now, replace(event, batches=LASTS - 1), event.step)
    assert not is_to_last(now, event, event.step)


@pytest.mark.parametrize("in_one_jet", [True, False])
@pytest.mark.parametrize("was_like_one", [True, False])
def test_on_a_line_that_holds_no_stand_of_it_holds_back_what_is_none(
    in_one_jet: bool, was_like_one: bool
) -> None:
    """What went back and was like a shut line counts as long as this may be one, too."""
    state = watching(Phase.STEP_FOUND)
    event = state.event
    assert isinstance(event, StepEvent)
    after = event.after.copy()
    after["openings"], after["value"], after["timing"] = 7, event.step.size, 0.0
    event = replace(event, after=after, in_one_jet=in_one_jet, batches=LASTS)
    running = state.running._replace(end_ns=event.onset_ns + 100 * SECOND)
    past = Past(healed=(Healed(0.1, 400.0, was_like_one),))
    waits = not was_like_one or not in_one_jet
    assert is_to_last(replace(state, past=past, running=running), event, event.step) == waits


@pytest.mark.parametrize("valve_is_known", [True, False])
def test_where_the_jet_is_known_to_be_on_nothing_waits_beyond_three_minutes(
    valve_is_known: bool,
) -> None:
    """An intensifier shows it by its strokes, a crank only by a valve signal."""
    state = watching(Phase.STEP_FOUND)
    event = state.event
    assert isinstance(event, StepEvent)
    pump = DirectDrive(3, 0.0085, 0.032, 0.3e-6, 8.4, 410e6, 30e3)
    after = event.after.copy()
    after["signals"][:, HEADS] = 1.0 if valve_is_known else np.nan
    after["closed_known"] = True
    event = replace(event, after=after)
    past = Past(healed=(Healed(0.15, 300.0),))
    for seconds, may_pass in ((170, True), (190, not valve_is_known), (460, False)):
        end = event.onset_ns + seconds * SECOND
        now = replace(
            state,
            setup=state.setup._replace(pump=pump),
            past=past,
            running=state.running._replace(end_ns=end),
        )
        assert is_to_last(now, event, event.step) == may_pass


@pytest.mark.parametrize(
    ("closed_known", "hours", "went_back", "batches", "waits"),
    [
        (True, 0.5, 0.0, 4, False),
        (False, 0.5, 0.0, 4, True),
        (False, 0.5, 0.0, STANDS, True),
        (False, SETTLED + 0.5, 0.0, 4, False),  # by then the closed jet would have shown
        (False, SETTLED + 0.5, 0.1, 4, True),  # and has: it went to and fro
        (False, SETTLED + 0.5, 0.1, STANDS, False),
    ],
)
def test_what_may_be_the_closed_jet_of_a_floating_crank_has_to_stand(
    closed_known: bool, hours: float, went_back: float, batches: int, waits: bool
) -> None:
    state = watching(Phase.STEP_FOUND)
    event = state.event
    assert isinstance(event, StepEvent)
    after = event.after.copy()
    after["signals"][:, HEADS] = np.nan
    after["closed_known"] = closed_known
    event = replace(event, after=after, batches=batches)
    pump = DirectDrive(3, 0.0085, 0.032, 0.3e-6, 8.4, 410e6, 30e3)
    begun = state.reference.earlier_hours
    running = state.running._replace(hours=begun + hours, end_ns=event.onset_ns + 200 * SECOND)
    past = Past(healed=(Healed(went_back, 10.0),) if went_back else ())
    now = replace(state, setup=state.setup._replace(pump=pump), past=past, running=running)
    assert is_to_last(now, event, event.step) == waits


@pytest.mark.parametrize("leak", [0.0, 1e-4])
def test_what_grows_on_is_no_jet_of_a_crank_whose_closed_one_was_never_seen(leak: float) -> None:
    """A line that is shut and leaks away looks larger and larger; a chip stays as it is."""
    event = after_openings([0] * 6, leak, 15.0)
    event.after["signals"][:, HEADS] = np.nan
    state = watching(Phase.STEP_FOUND)
    pump = DirectDrive(3, 0.0085, 0.032, 0.3e-6, 8.4, 410e6, 30e3)
    hours = state.reference.earlier_hours + SETTLED + 0.5
    running = state.running._replace(hours=hours, end_ns=event.onset_ns + 90 * SECOND)
    now = replace(state, setup=state.setup._replace(pump=pump), running=running)
    assert is_to_last(now, replace(event, batches=4), event.step) == (leak > 0.0)


def test_what_is_blocked_is_never_whole_and_hidden_pauses_are_at_times() -> None:
    rng = np.random.default_rng(4)
    blocked = -0.1 + rng.normal(0.0, 0.02, 80)
    pauses = -0.2 * rng.random(80) * rng.choice([0.0, 1.0], 80, p=[0.25, 0.75])
    assert not is_whole_at_times(blocked, float(np.mean(blocked)))
    assert is_whole_at_times(pauses, float(np.mean(pauses)))
    assert not is_whole_at_times(np.zeros(0), -0.1)
    for growth, states in ((blocked, [State.OTHER_FAULT]), (pauses, [])):
        watch = BoreWatch(PUMP, [RUBY], WatchSettings())
        watch.learn_many(batches(rng.normal(0.0, 0.02, FIRST)))
        off = np.concatenate([np.zeros(20), growth, growth])
        told = watch.learn_many(batches(off, start=FIRST))[1]
        assert [verdict.state for verdict in told] == states


def test_a_step_up_that_only_goes_back_to_the_baseline_is_not_told() -> None:
    """What had made the area smaller, little by little, is gone."""
    for back, states in ((0.0, []), (0.08, [State.OPENED])):
        watch = quiet_watch()
        growth = np.concatenate([np.linspace(0.0, -0.036, 400), np.full(60, back)])
        rows = batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0)
        rows["jet_seconds"] *= 20.0
        results, told = watch.learn_many(rows)
        crossed = results["statistic"] >= results["threshold"]
        assert crossed[400:].any()
        assert [verdict.state for verdict in told] == states


@pytest.mark.parametrize(
    ("counted", "shown"), [(False, -0.018), (True, (0.078 - 0.018 - 2 * 0.014) / 4.0)]
)
def test_a_step_is_still_there_by_as_many_batches_as_are_timed_well(
    counted: bool, shown: float
) -> None:
    """Three batches of a valve that stuck, five after it: of a counter one is off by 4 %.

    Timed to a quarter of 3 % were six, but no more than the newer half can show it.
    """
    after = np.zeros(8, dtype=RING)
    after["value"] = [0.083, 0.082, 0.080, -0.014, -0.014, -0.014, 0.078, -0.018]
    after["time"] = 10.0
    if counted:
        after["timing"], after["shared"] = 1.0 / 6.0, 1.0 / 12.0
    assert _newest_of(after, 0.03) == pytest.approx(shown)
    one_of_a_large_step = _newest_of(after, 0.2)
    assert one_of_a_large_step == pytest.approx(-0.018)

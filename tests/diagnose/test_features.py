"""What came after an event beside what there was before, feature by feature."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from borewarden.detect.step import RING, Step
from borewarden.diagnose.feature_table import (
    AREA,
    FALL,
    IDLE,
    LOAD,
    LOW_AREA,
    NAMES,
    PRESSURE,
    SCATTER,
    ZERO,
)
from borewarden.diagnose.features import (
    DAYS,
    EARLIER_WORTH,
    HEAT_TIME,
    HOTTEST,
    NO_STRETCHES,
    STRETCHES,
    Comparison,
    Course,
    Idle,
    IdleBatch,
    Jets,
    Scatter,
    Sound,
    before_and_since,
    falls_in_a_stop,
    idle_batch,
    known_mean,
    known_spread,
    onset_of,
    scatter_of,
    shift_of,
    stretch_of,
    timing_sd,
    warmed,
    with_stretch,
)
from borewarden.gate.batch import BATCH, SIGNALS, BatchKind

SECOND = 10**9
ONSET = 10_000 * SECOND
WORKING = 380e6  # Pa
BASE = 3e-8  # m² of the baseline
NOTHING = {kind: Idle() for kind in BatchKind}
WEEP = NAMES.index("weep")


def rows(n: int, first_ns: int, **columns: float | NDArray[np.float64]) -> NDArray[np.void]:
    """Steady batches of 20 s, 30 s apart; signals by their name."""
    made = np.zeros(n, dtype=RING)
    made["start_ns"] = first_ns + 30 * SECOND * np.arange(n)
    made["end_ns"] = made["start_ns"] + 20 * SECOND
    made["time"], made["pressure"], made["rate"] = 20.0, WORKING, 1.0
    made["signals"] = np.nan
    for name, value in columns.items():
        if name in SIGNALS:
            made["signals"][:, SIGNALS.index(name)] = value
        else:
            made[name] = value
    return made


def compared(course: Course = Course.STEP, **after: float) -> Comparison:
    """Ten batches on either side of the onset, all signals but those of `after` at 1."""
    known = dict.fromkeys(("load_ratio", "weep_rise", "scatter", "boost"), 1.0)
    return Comparison(
        course,
        ONSET if course is not Course.GRADUAL else 0,
        rows(10, ONSET - 400 * SECOND, **known),
        rows(10, ONSET, **known | after),
    )


def idle(start: float, **changes: float) -> IdleBatch:
    """One batch of a minute, `start` seconds off the onset."""
    start_ns = ONSET + int(start * SECOND)
    signals = np.full(len(SIGNALS), np.nan)
    signals[SIGNALS.index("weep_rise")] = changes.pop("weep_rise", np.nan)
    made = IdleBatch(start_ns, start_ns + 60 * SECOND, 60.0, BASE, 0.001, 190e6, 0, signals, 0.0)
    return made._replace(**changes)


def shown(what: Comparison, others: dict[BatchKind, Idle] = NOTHING, holds: bool = True) -> NDArray:
    jets, _ = warmed(what, others, WORKING)
    return shift_of(what, Step(0, 0.1, 0.01), others, jets, BASE, WORKING, holds).seen


def jets_of(what: Comparison) -> Jets:
    return warmed(what, NOTHING, WORKING)[0]


def test_what_is_not_measured_is_not_known() -> None:
    what = Comparison(Course.STEP, ONSET, rows(10, ONSET - 400 * SECOND), rows(10, ONSET))
    seen = shown(what)
    assert seen[AREA] == 0.1
    assert seen[PRESSURE] == 0.0
    assert np.isnan(np.delete(seen, [AREA, PRESSURE])).all()


def test_signal_shows_by_how_much_it_moved() -> None:
    assert shown(compared(load_ratio=1.04))[LOAD] == pytest.approx(0.04)


def test_pressure_says_nothing_where_the_pump_does_not_hold_it() -> None:
    assert np.isnan(shown(compared(), holds=False)[PRESSURE])
    assert shown(compared(pressure=WORKING * 1.01))[PRESSURE] == pytest.approx(np.log(1.01))


def test_no_fault_makes_anything_colder() -> None:
    assert shown(compared(weep_rise=-4.0))[WEEP] == 0.0


def test_quieter_strokes_say_nothing() -> None:
    assert np.isnan(shown(compared(scatter=0.5))[SCATTER])
    assert shown(compared(scatter=1.5))[SCATTER] == pytest.approx(0.5)


def test_heat_is_read_from_the_batches_with_the_longest_jet() -> None:
    what = compared()
    what.after["signals"][:, SIGNALS.index("weep_rise")] = np.arange(10.0)
    assert shown(what)[WEEP] == pytest.approx(np.mean(np.arange(10.0)[-HOTTEST:]) - 1.0)


def test_a_line_that_hangs_in_the_room_is_no_hotter_for_colder_water() -> None:
    what = compared(weep_rise=11.0)  # by 10 K
    what.before["temperature"], what.after["temperature"] = 293.0, 283.0
    shift = shift_of(what, Step(0, 0.1, 0.01), NOTHING, jets_of(what), BASE, WORKING, True)
    assert shift.seen[WEEP] == pytest.approx(5.0)
    assert shift.sd[WEEP] == pytest.approx(2.9, rel=0.01)


def test_what_a_pause_has_warmed_is_no_leak() -> None:
    what = compared()
    cools = 60.0 * 0.5 ** np.arange(10.0)  # while the jet is on
    what.before["signals"][:, SIGNALS.index("bypass_rise")] = cools
    what.after["signals"][:, SIGNALS.index("bypass_rise")] = 1.1 * cools
    assert shown(what)[NAMES.index("bypass")] < 0.3


def test_friction_makes_no_transducer_drift_of_another_recipe() -> None:
    torque = 0.07 * WORKING + 0.93 * np.array([WORKING, 0.6 * WORKING])
    what = compared(load_ratio=float(np.log(0.6 * WORKING / torque[1])), pressure=0.6 * WORKING)
    what.before["signals"][:, SIGNALS.index("load_ratio")] = np.log(WORKING / torque[0])
    jets = jets_of(what)
    step = Step(0, 0.1, 0.01)
    shift = shift_of(what, step, NOTHING, jets, BASE, WORKING, False, is_intensifier=False)
    assert shift.seen[LOAD] == pytest.approx(0.0, abs=1e-12)
    assert 0.01 < shift.sd[LOAD] < 0.05


@pytest.mark.parametrize("course", [Course.STEP, Course.GRADUAL])
def test_what_wandered_while_sound_says_that_much_less(course: Course) -> None:
    what = compared(course, weep_rise=9.0)
    jet = rows(20, ONSET - 10_000 * SECOND, weep_rise=1.0)
    quiet = np.concatenate([stretch_of(jet, WORKING, True)] * 20)
    hot = np.where(np.arange(20) % 2 == 0, 6.0, -6.0)[:, None] + quiet
    step, jets = Step(0, 0.1, 0.01), jets_of(what)
    sound, wanders = (
        shift_of(what, step, NOTHING, jets, BASE, WORKING, True, sound=Sound(known))
        for known in (quiet, hot)
    )
    assert sound.sd[WEEP] == 0.0
    assert 4.0 < wanders.sd[WEEP] < 12.0
    assert wanders.usual is not None
    assert wanders.usual[WEEP] == wanders.sd[WEEP]


def test_more_than_the_working_pressure_makes_no_leak_warmer() -> None:
    """The four hottest batches of ten are the last ones, even if one before had twice as much;
    half of it, and the last one shows half of its heat."""
    for pressure, place, expected in ((2.0, 4, 7.5), (0.5, 9, 6.5)):
        jet = rows(10, ONSET, weep_rise=np.arange(10.0))
        jet["pressure"][place] *= pressure
        assert stretch_of(jet, WORKING, True)[0, SIGNALS.index("weep_rise")] == expected
        what = replace(compared(), after=jet)
        warm, share = warmed(what, NOTHING, WORKING)
        last = [k for k in range(10) if pressure > 1.0 or k != place][-4:]
        assert np.flatnonzero(warm.late).tolist() == last
        assert share == pytest.approx(np.mean(warm.warm[last]))
        assert np.all(warm.warm < 1.0)


def test_low_pressure_shows_only_what_may_be_compared_across_pressures() -> None:
    others = NOTHING | {BatchKind.LOW: Idle((), (idle(10.0, weep_rise=9.0),))}
    seen = shown(compared(Course.LOW_PRESSURE, load_ratio=2.0), others)
    assert seen[WEEP] == pytest.approx(8.0)
    assert np.isnan(seen[[LOAD, PRESSURE, SCATTER]]).all()


def test_batches_of_other_kinds_show_area_leak_and_zero() -> None:
    before = tuple(idle(-600.0 + 100.0 * k) for k in range(3))
    since = tuple(idle(100.0 * k + 1.0) for k in range(3))
    grown = tuple(b._replace(area=1.1 * BASE) for b in since)
    leaking = tuple(b._replace(area=0.05 * BASE, resolution=0.001 * BASE) for b in since)
    tight = tuple(b._replace(area=0.01 * BASE, resolution=0.001 * BASE) for b in before)
    off_zero = tuple(b._replace(pressure=0.02 * WORKING) for b in since)
    at_zero = tuple(b._replace(pressure=0.0) for b in before)
    others = NOTHING | {
        BatchKind.LOW: Idle(before, grown),
        BatchKind.DEAD_HEAD: Idle(tight, leaking),
        BatchKind.STOPPED: Idle(at_zero, off_zero),
    }
    what = compared()
    shift = shift_of(
        what, Step(0, 0.1, 0.01), others, warmed(what, others, WORKING)[0], BASE, WORKING, True
    )
    assert shift.seen[LOW_AREA] == pytest.approx(math.log(1.1))
    assert shift.seen[IDLE] == pytest.approx(0.04)
    assert shift.seen[ZERO] == pytest.approx(0.02)
    one = 0.001 * 3.0**0.5 / 3.0  # three batches a side
    assert shift.sd[IDLE] == pytest.approx(one * 2.0**0.5)


def test_a_crank_with_a_least_speed_shows_no_leak_while_dead_headed() -> None:
    what, step = compared(), Step(0, 0.1, 0.01)
    for usual, shows in ((0.02, True), (0.1, False)):
        one = idle(-600.0)._replace(area=usual * BASE)
        since = idle(1.0)._replace(area=usual * BASE)
        stopped = idle(-500.0)._replace(pressure=0.0)
        off_zero = idle(90.0)._replace(pressure=0.02 * WORKING)
        others = NOTHING | {
            BatchKind.DEAD_HEAD: Idle((one,), (since,)),
            BatchKind.STOPPED: Idle((stopped,), (off_zero,)),
        }
        jets, _ = warmed(what, others, WORKING)
        crank = shift_of(what, step, others, jets, BASE, WORKING, False, is_intensifier=False)
        assert np.isfinite(crank.seen[IDLE]) == shows
        assert crank.seen[ZERO] == pytest.approx(0.02)  # the transducer's, whatever turns


@pytest.mark.parametrize(
    ("usual", "heads", "shows"), [(1.0, np.nan, False), (0.85, np.nan, False), (0.85, 1.0, True)]
)
def test_a_valve_that_a_crank_idles_through_shows_nothing_of_the_bore(
    usual: float, heads: float, shows: bool
) -> None:
    """A valve's area stays as it was; a valve signal says that it was a jet after all."""
    what, step = compared(), Step(0, 0.1, 0.01)
    what.before["signals"][:, SIGNALS.index("heads")] = heads
    swings = tuple(idle(-600.0 + 100.0 * k, area=1e-4) for k in range(3))
    since = tuple(idle(100.0 * k + 1.0, area=1e-4) for k in range(3))
    others = NOTHING | {
        BatchKind.LOW: Idle(
            (idle(-600.0, area=usual * BASE),), (idle(1.0, area=1.1 * usual * BASE),)
        ),
        BatchKind.FALL: Idle(swings, since),
        BatchKind.RUN_DOWN: Idle(swings, since),
    }
    jets, _ = warmed(what, others, WORKING)
    crank = shift_of(what, step, others, jets, BASE, WORKING, False, is_intensifier=False)
    assert np.isfinite(crank.seen[LOW_AREA]) == shows
    if shows:
        assert crank.seen[LOW_AREA] == pytest.approx(math.log(1.1))
    assert crank.seen[FALL] == pytest.approx(0.0)  # of the stops, at least
    others |= {BatchKind.RUN_DOWN: Idle()}
    crank = shift_of(what, step, others, jets, BASE, WORKING, False, is_intensifier=False)
    assert np.isfinite(crank.seen[FALL]) == shows
    low = replace(what, course=Course.LOW_PRESSURE)
    crank = shift_of(low, step, others, jets, BASE, WORKING, False, is_intensifier=False)
    assert np.isfinite(crank.seen[LOW_AREA])


@pytest.mark.parametrize(("off", "by_itself"), [(0.005, 0.003), (0.0041, 0.0009), (0.002, 0.0)])
def test_few_strokes_make_dead_headed_batches_uneven_and_count_once(
    off: float, by_itself: float
) -> None:
    """Counting them and the pump's own unevenness are independent: their variances add."""
    one = 0.004  # of the working area: what counting leaves open of one batch
    before = tuple(
        idle(-900.0 + 100.0 * k, area=(0.02 + side * off) * BASE, resolution=one * BASE)
        for k, side in enumerate((-1.0, 1.0, -1.0, 1.0))
    )
    since = tuple(idle(100.0 * k + 1.0, area=0.05 * BASE, resolution=one * BASE) for k in range(4))
    others = NOTHING | {BatchKind.DEAD_HEAD: Idle(before, since)}
    what = compared()
    jets, _ = warmed(what, others, WORKING)
    shift = shift_of(what, Step(0, 0.1, 0.01), others, jets, BASE, WORKING, True)
    assert shift.seen[IDLE] == pytest.approx(0.03)
    counting = one * (1 / 4 + 1 / 4) ** 0.5  # four batches a side
    assert shift.sd[IDLE] == pytest.approx(math.hypot(counting, by_itself))


def test_without_an_onset_the_last_three_count_as_now() -> None:
    first, newest = (idle(-500.0),), tuple(idle(100.0 * k) for k in range(5))
    old, new = before_and_since(compared(Course.GRADUAL), Idle(first, newest))
    assert old == first
    assert new == newest[-3:]


def test_with_an_onset_each_batch_is_on_its_side_once() -> None:
    early, late, across = idle(-500.0), idle(100.0), idle(-30.0)
    old, new = before_and_since(compared(), Idle((early,), (early, across, late)))
    assert old == (early,)
    assert new == (late,)


def test_heat_comes_with_the_jet_and_goes_in_the_pauses() -> None:
    after = rows(1, ONSET, time=HEAT_TIME, weep_rise=1.0)
    what = Comparison(Course.STEP, ONSET, rows(10, ONSET - 400 * SECOND), after)
    assert warmed(what, NOTHING, WORKING)[1] == pytest.approx(1.0 - math.exp(-1.0))
    late = rows(1, ONSET + int(HEAT_TIME) * SECOND, time=HEAT_TIME, weep_rise=1.0)
    late["start_ns"] = ONSET + int(HEAT_TIME) * SECOND
    what = Comparison(Course.STEP, ONSET, what.before, late)
    assert warmed(what, NOTHING, WORKING)[1] == pytest.approx(
        1.0 - math.exp(-1.0)
    )  # nothing to lose yet


def test_where_nothing_shows_heat_none_is_waited_for() -> None:
    what = Comparison(Course.STEP, ONSET, rows(10, ONSET - 400 * SECOND), rows(1, ONSET))
    jets, share = warmed(what, NOTHING, WORKING)
    assert (jets.warm.tolist(), share) == ([0.0], 1.0)


def test_what_goes_gradually_has_warmed_through() -> None:
    assert warmed(compared(Course.GRADUAL), NOTHING, WORKING)[1] == 1.0


def test_nothing_seen_since_has_nothing_to_warm() -> None:
    what = compared(Course.LOW_PRESSURE)
    jets, share = warmed(what, NOTHING, WORKING)
    assert (len(jets.warm), share) == (0, 1.0)


def test_where_no_jet_has_been_on_since_the_signals_say_nothing() -> None:
    seen = shown(compared(Course.LOW_PRESSURE))
    assert seen[AREA] == 0.1
    assert np.isnan(np.delete(seen, AREA)).all()


@given(st.lists(st.floats(-1e3, 1e3) | st.just(float("nan")), max_size=70))
def test_mean_and_spread_are_those_of_numpy_to_the_last_bit(values: list[float]) -> None:
    array = np.array(values, dtype=np.float64)
    known = array[np.isfinite(array)]
    if len(known):
        assert known_mean(array) == float(np.mean(known))
    else:
        assert np.isnan(known_mean(array))
    assert known_spread(array) == (float(np.std(known)) if len(known) > 1 else 0.0)


def test_timing_of_several_batches_is_at_least_that_of_one() -> None:
    two = [idle(0.0, resolution=0.03), idle(60.0, resolution=0.04)]
    assert timing_sd(two, 0.01) == pytest.approx(0.05 / 2.0)
    assert timing_sd(two, 0.2) == pytest.approx(0.2 / 2.0)


def test_a_stop_counts_within_a_batch_of_the_step() -> None:
    made = rows(6, ONSET)
    made["stops"] = [0, 0, 0, 1, 1, 1]
    assert [falls_in_a_stop(made, k) for k in range(6)] == [False, False, False, True, True, False]


def test_onset_may_lie_within_the_batch_before() -> None:
    made = rows(4, ONSET, value=np.array([0.0, 0.05, 0.1, 0.1]))
    start = int(made["start_ns"][2])
    assert onset_of(made, Step(2, 0.1, 0.01)) == start - 10 * SECOND  # half of its 20 s
    assert onset_of(made, Step(0, 0.1, 0.01)) == int(made["start_ns"][0])
    assert onset_of(made, Step(2, 0.0, 0.01)) == start
    assert onset_of(made, Step(2, -0.1, 0.01)) == start


def test_what_is_kept_of_an_idle_batch_is_a_copy() -> None:
    batch = np.zeros(1, dtype=BATCH)
    batch["area"], batch["stops"] = 2e-9, 3
    kept = idle_batch(batch[0])
    batch["signals"] = 7.0
    assert (kept.area, kept.stops) == (2e-9, 3)
    assert not kept.signals.any()


# -- how sure a change is


def sure(before: NDArray[np.void], after: NDArray[np.void], strokes: bool = True) -> NDArray:
    what = Comparison(Course.STEP, ONSET, before, after)
    jets, _ = warmed(what, NOTHING, WORKING)
    step = Step(0, 0.1, 0.01)
    return shift_of(what, step, NOTHING, jets, BASE, WORKING, True, strokes).sd


def test_a_change_is_as_sure_as_the_means_on_both_sides() -> None:
    """Variances of independent means add; neighbours resemble each other, so half of them count."""
    spread = np.tile([-0.01, 0.01], 10)
    before = rows(20, ONSET - 1000 * SECOND, load_ratio=spread)
    quiet = sure(before, rows(10, ONSET, load_ratio=0.0))[LOAD]
    assert quiet == pytest.approx(0.01 * (1 / 10 + 1 / 5) ** 0.5)
    wild = sure(before, rows(10, ONSET, load_ratio=3.0 * spread[:10]))[LOAD]
    assert wild == pytest.approx(3.0 * quiet)
    # two say nothing of their own spread, and what is warming up spreads by that
    few = sure(before, rows(2, ONSET, load_ratio=3.0 * spread[:2]))[LOAD]
    assert few == pytest.approx(0.01 * (1 / 10 + 1) ** 0.5)
    warm = rows(20, ONSET - 1000 * SECOND, load_ratio=0.0, weep_rise=100.0 * spread)
    heating = rows(10, ONSET, load_ratio=0.0, weep_rise=np.arange(10.0))
    # of the 20 before, 14 had been on for as long as the warmest since
    assert sure(warm, heating)[WEEP] == pytest.approx((2 / 14 + 2 / HOTTEST) ** 0.5)


@pytest.mark.parametrize(
    ("faster", "alias"), [(1.0, 0.0), (0.9975, 0.35), (1.006, 0.7), (1.2, 0.7)]
)
def test_scatter_of_a_crank_pump_is_less_sure_at_another_speed(faster: float, alias: float) -> None:
    """A log at 1 Hz shows an alias of the pulses, which another speed moves."""
    before = rows(10, ONSET - 400 * SECOND, scatter=1.0, rate=25.0)
    after = rows(10, ONSET, scatter=1.5, rate=25.0 * faster)
    counted, aliased = (sure(before, after, strokes)[SCATTER] for strokes in (True, False))
    assert (aliased**2 - counted**2) ** 0.5 == pytest.approx(alias, abs=0.005)


def test_how_far_scatter_goes_by_itself_is_learned_from_runs_of_batches() -> None:
    """The mean of six independent values goes by 1 / sqrt(6) of one."""
    rng = np.random.default_rng(4)
    noise = rng.standard_normal(1200)
    before = rows(1200, ONSET - 40_000 * SECOND, scatter=noise, load_ratio=0.0)
    learned = sure(before, rows(10, ONSET, scatter=10.0, load_ratio=0.0))[SCATTER]
    assert learned == pytest.approx((1 / 6 + 2 / 10) ** 0.5, rel=0.1)


def test_of_two_runs_of_scatter_the_prior_still_says_most() -> None:
    """A scaled inverse chi-square prior of three and the one degree of freedom of two means."""
    before = rows(12, ONSET - 400 * SECOND, scatter=np.repeat([0.5, -0.5], 6), load_ratio=0.0)
    found = sure(before, rows(10, ONSET, scatter=10.0, load_ratio=0.0))[SCATTER]
    usual = ((3 * 0.25**2 + 2 * 0.5**2) / (3 + 1)) ** 0.5
    assert found == pytest.approx(math.hypot(0.5 * (2 / 12 + 2 / 10) ** 0.5, usual))


def of_days(days: int, a_day: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Stretches of so many days, each with its number in all signals."""
    known, numbers = NO_STRETCHES, np.zeros(0, np.int64)
    for k in range(days * a_day):
        newest = np.full((1, len(SIGNALS)), float(k))
        known, numbers = with_stretch(known, numbers, newest, 20_000 + k // a_day)
    return known, numbers


def test_stretches_of_eight_days_are_kept_each_as_many_as_the_others() -> None:
    known, numbers = of_days(12, 40)
    kept, counts = np.unique(numbers, return_counts=True)
    assert kept.tolist() == list(range(20_012 - DAYS, 20_012))
    assert len(known) <= STRETCHES
    # the days before today gave way to it evenly
    assert counts[:-1].max() - counts[:-1].min() <= 1
    assert known[-1, 0] == 12 * 40 - 1
    assert np.all(np.diff(known[:, 0]) > 0.0)


def test_the_newest_of_one_long_day_are_kept() -> None:
    known, numbers = of_days(1, STRETCHES + 30)
    assert known[:, 0].tolist() == [float(k) for k in range(30, STRETCHES + 30)]
    assert len(numbers) == STRETCHES


def test_scatter_is_that_of_this_jewel_and_of_those_before() -> None:
    stretches = np.full((10, len(SIGNALS)), np.nan)
    stretches[:, 2] = np.tile([-1.0, 1.0], 5)
    own = scatter_of(stretches)
    assert (own.variance[2], own.rests_on[2]) == (1.0, 10.0)
    assert own.variance[3] == own.rests_on[3] == 0.0
    much = Scatter(np.full(len(SIGNALS), 4.0), np.full(len(SIGNALS), 1000.0))
    both = scatter_of(stretches, much)
    assert both.rests_on[2] == 10.0 + EARLIER_WORTH
    assert both.variance[2] == pytest.approx((10.0 + EARLIER_WORTH * 4.0) / (10.0 + EARLIER_WORTH))


@pytest.mark.parametrize(("course", "heard"), [(Course.GRADUAL, False), (Course.STEP, True)])
def test_what_wandered_with_earlier_jewels_says_less_of_what_goes_slowly(
    course: Course, heard: bool
) -> None:
    what = compared(course, weep_rise=9.0)
    jet = rows(20, ONSET - 10_000 * SECOND, weep_rise=1.0)
    quiet = np.concatenate([stretch_of(jet, WORKING, True)] * 20)
    earlier = Scatter(np.full(len(SIGNALS), 36.0), np.full(len(SIGNALS), 20.0))
    shift = shift_of(
        what, Step(0, 0.1, 0.01), NOTHING, jets_of(what), BASE, WORKING, True,
        sound=Sound(quiet, earlier),
    )  # fmt: skip
    assert bool(shift.sd[WEEP] == 0.0) is heard
    assert heard or 3.0 < shift.sd[WEEP] < 6.0

"""A count beside the earlier ones of its jewel."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from borewarden.counts.count import REPEAT, WATCH_SD, Doubt, HandCount
from borewarden.counts.next_check import answers_of, causes_of, next_step
from borewarden.counts.plate import Plate
from borewarden.counts.series import DAY_NS, judge, judge_all, starts_high, strokes_needed
from borewarden.diagnose.causes import Cause
from borewarden.watcher.verdict import State

PLATE = Plate("intensifier", 22e-3, 0.2, dead_volume=8e-6, efficiency=0.97, max_rate=1.0)
FIRST = HandCount(
    "North", 10**18, PLATE, (0.254e-3,), ("ruby",), 374.6e6, strokes=80.0, seconds=210.0
)


def week(n: float, strokes: float, **more: float) -> HandCount:
    return replace(FIRST, time_ns=FIRST.time_ns + int(7 * n * DAY_NS), strokes=strokes, **more)


def test_the_first_count_of_a_jewel_is_what_later_ones_are_compared_with() -> None:
    judged = judge(FIRST, [])
    assert judged.state is State.LEARNING
    assert judged.change is None
    assert next_step(judged) is None


def test_a_first_count_far_off_the_stated_bore_says_so() -> None:
    judged = judge(replace(FIRST, strokes=112.0), [])
    assert judged.state is State.NOT_STATED_BORE
    assert "larger" in judged.reason
    assert next_step(judged) is not None


def test_strokes_counted_one_way_only_are_noticed() -> None:
    judged = judge(replace(FIRST, strokes=40.0), [])
    assert judged.state is State.CANNOT_TELL
    assert "to and fro" in judged.reason


def test_the_same_rate_again_is_sound() -> None:
    judged = judge(week(1, 80.0), [FIRST])
    assert judged.state is State.SOUND
    assert judged.change is not None
    assert judged.change.growth == pytest.approx(0.0, abs=1e-12)


def test_too_few_strokes_are_never_shown_as_sound() -> None:
    judged = judge(replace(week(1, 8.0), seconds=21.0), [FIRST])
    assert judged.state is State.CANNOT_TELL
    assert "count more" in judged.reason
    assert judged.needed is not None
    assert judged.needed > 8


def test_one_count_that_stands_out_has_to_be_counted_again() -> None:
    grown = week(1, 92.0)
    judged = judge(grown, [FIRST])
    assert judged.state is State.OPENED
    assert judged.again
    assert not judge(week(1.1, 92.0), [FIRST, grown]).again


def test_a_leak_found_dead_headed_is_not_taken_for_the_bore() -> None:
    bore, leak = (
        week(1, 92.0, idle_strokes=0.0, idle_seconds=120.0),
        week(1, 92.0, idle_strokes=6.0, idle_seconds=120.0),
    )
    assert judge(bore, [FIRST]).state is State.OPENED
    judged = judge(leak, [FIRST])
    assert judged.state is State.OTHER_FAULT
    assert causes_of(judged)[0].cause is Cause.LEAK
    assert causes_of(judge(bore, [FIRST]))[0].cause is Cause.BORE
    assert answers_of(judged) == {"dead-head": "goes on"}


def test_a_count_told_as_grown_never_joins_the_reference() -> None:
    counts = [FIRST, *(week(1 + i / 10, 88.0) for i in range(4))]
    judged = judge_all(counts)
    for each in judged[1:]:
        assert each.state is State.OPENED
        assert each.change is not None
        assert each.change.counts == 1
        assert each.change.growth == pytest.approx(0.1)
    assert judged[1].again
    assert "told" not in judged[1].reason
    assert judged[2].reason.startswith("told twice: opened up")
    assert judged[4].reason.startswith("told 4 times in a row: opened up")
    assert not judged[2].again


def test_a_recount_a_little_lower_confirms_all_the_same() -> None:
    judged = judge(week(1.1, 85.0), [FIRST, week(1, 88.0)])
    assert judged.change is not None
    assert judged.change.growth < FIRST.limit
    assert judged.state is State.OPENED
    assert judged.reason.startswith("told twice: opened up")


def test_a_recount_as_at_first_refutes_and_joins_the_reference() -> None:
    counts = [FIRST, week(1, 88.0), week(1.1, 80.0), week(2, 80.0)]
    judged = judge_all(counts)
    assert [each.state for each in judged[2:]] == [State.SOUND, State.SOUND]
    assert judged[3].change is not None
    assert judged[3].change.counts == 2


def test_past_the_limit_no_time_is_left_until_it() -> None:
    """By the line alone, the limit is still a day away; the last count is past it."""
    strokes = (80.0, 81.0, 80.0, 81.0, 82.0, 83.0, 87.0)
    judged = judge_all([week(i / 4, each) for i, each in enumerate(strokes)])[-1]
    assert judged.state is State.OPENED
    assert judged.trend is not None
    assert judged.trend.is_clear
    assert judged.trend.weeks_left == 0.0


def test_one_wrong_count_among_three_makes_no_trend() -> None:
    trend = judge_all([FIRST, week(1, 88.0), week(1.1, 80.0)])[-1].trend
    assert trend is not None
    assert not trend.is_clear


def test_a_first_count_above_its_uncertainty_may_already_be_open() -> None:
    own = judge(FIRST, []).estimate
    above = own.rate_expected * math.exp(2.2 * own.area_sd) * 210.0
    high = judge(replace(FIRST, strokes=float(math.ceil(above))), [])
    assert starts_high(high.count, high.estimate)
    assert "may already be open" in high.reason
    assert "agrees" not in high.reason
    assert not starts_high(FIRST, own)


def test_growth_has_the_leak_off_where_both_were_counted_dead_headed() -> None:
    first = replace(FIRST, idle_strokes=1.0, idle_seconds=120.0)
    later = week(1, 88.0, idle_strokes=5.0, idle_seconds=120.0)
    change, plain = judge(later, [first]).change, judge(later, [FIRST]).change
    assert change is not None
    assert plain is not None
    kept = (1 - 5 / 120 / (88 / 210)) / (1 - 1 / 120 / (80 / 210))
    assert change.leak_off
    assert change.with_leak == pytest.approx(0.1)
    assert change.growth == pytest.approx(1.1 * kept - 1.0)
    assert not plain.leak_off
    assert plain.growth == pytest.approx(0.1)


def test_a_smaller_area_is_no_opened_bore() -> None:
    judged = judge(week(1, 70.0), [FIRST])
    assert judged.state is State.CANNOT_TELL
    assert {b.cause for b in causes_of(judged)} == {
        Cause.BLOCKED,
        Cause.TRANSDUCER,
        Cause.OTHER_BORE,
    }


def test_another_jewel_starts_a_series_of_its_own() -> None:
    assert judge(replace(week(1, 84.0), jewel_ns=5), [FIRST]).state is State.LEARNING


def test_a_trend_over_weeks_shows_before_any_count_stands_out() -> None:
    counts = [week(i, strokes) for i, strokes in enumerate((80, 80.5, 81, 82, 82.5, 83, 84))]
    judged = judge_all(counts)[-1]
    assert judged.trend is not None
    assert judged.trend.is_clear
    assert judged.state is State.WEARING
    assert 0.005 < judged.trend.weekly < 0.011
    assert judged.trend.weeks_left is not None
    assert 1.0 < judged.trend.weeks_left < 8.0


def test_counts_of_one_day_make_no_trend() -> None:
    assert judge_all([week(0.01 * i, 80.0) for i in range(6)])[-1].trend is None


def test_a_plate_fact_known_later_does_not_look_like_wear() -> None:
    later = replace(week(1, 80.0), plate=replace(PLATE, dead_volume=16e-6))
    change = judge(later, [FIRST]).change
    assert change is not None
    assert change.growth == pytest.approx(0.0, abs=1e-12)


def test_what_is_the_same_each_time_cancels() -> None:
    judged = judge(week(1, 80.0), [FIRST])
    assert judged.change is not None
    parts = judged.estimate.parts
    repeat = math.sqrt(sum(parts[doubt] ** 2 for doubt in REPEAT if doubt in parts))
    assert judged.change.sd == pytest.approx(repeat * math.sqrt(2.0), rel=0.01)
    assert Doubt.GAUGE not in REPEAT


def test_another_gauge_does_not_cancel() -> None:
    other = replace(week(1, 80.0), gauge_class=4.0)
    change, same = judge(other, [FIRST]).change, judge(week(1, 80.0), [FIRST]).change
    assert change is not None
    assert same is not None
    assert change.sd > same.sd


def test_so_many_strokes_give_the_certainty_that_they_promise() -> None:
    own = judge(FIRST, []).estimate
    needed = strokes_needed(FIRST, own)
    assert needed is not None
    enough = replace(FIRST, strokes=float(needed), seconds=needed / FIRST.rate)
    change = judge(replace(enough, time_ns=enough.time_ns + DAY_NS), [enough]).change
    assert change is not None
    assert 1.96 * change.sd == pytest.approx(0.5 * math.log1p(FIRST.limit), rel=0.05)


def test_a_gauge_too_coarse_is_said() -> None:
    coarse = replace(FIRST, division=60e6)
    assert judge(coarse, []).needed is None


def test_a_bypass_hides_the_bore() -> None:
    plate = Plate(
        "direct drive", 10e-3, 0.04, plungers=3, rated_pressure=380e6, regulation="bypass"
    )
    count = HandCount("West", 0, plate, (0.3e-3,), ("ruby",), 379e6, speed=5.0)
    assert judge(count, []).state is State.CANNOT_TELL


def test_false_alarms_of_sound_pumps_are_few() -> None:
    """By two-sided 95 %, one sound count in 40 shows growth; the first three are the reference."""
    rng = np.random.default_rng(3)
    alarms = 0
    for _ in range(100):
        counts = []
        for i in range(4):
            strokes = math.floor(0.38 * 180.0) + int(rng.integers(0, 2))
            seconds = 180.0 + rng.normal(0.0, WATCH_SD)
            counts.append(replace(week(i, float(strokes)), seconds=seconds))
        alarms += judge(counts[-1], counts[:-1]).state in (State.OPENED, State.WEARING)
    assert alarms <= 8

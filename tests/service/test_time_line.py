"""The time line of a machine: whatever clocks do, it goes forward and loses nothing.

This computer's clock can't be set for a test, so the tests say what it shows. No published source:
common practice.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.service.time_line import BLED_NS, CLOCK_NS, PAUSE_NS, STILL_NS, TimeLine

NS = 10**9
START = 1_772_000_000 * NS  # invented
HOUR, DAY = 3600.0, 86_400.0
JET, STOPPED = 380e6, 0.0  # Pa


def block(seconds: list[float], pressure: float | list[float] = JET) -> Samples:
    times = START + np.round(np.array(seconds) * NS).astype(np.int64)
    pressures = np.broadcast_to(np.array(pressure, dtype=np.float64), times.shape).copy()
    return samples_of(times, pressure=pressures)


def line(newest: float = -1.0, ahead: float = 0.0) -> TimeLine:
    return TimeLine(START + round(newest * NS), 20e6, ahead)


def take(at: TimeLine, samples: Samples, now: float) -> list[float]:
    """Where rows went, s since START, taken when our clock shows `now`."""
    taken = at.take(samples, START + round(now * NS))
    return ((taken.time_ns - START) / NS).tolist()


def test_rows_go_where_their_time_is_and_once_only() -> None:
    at = line()
    assert take(at, block([0.0, 1.0, 2.0]), 2.0) == [0.0, 1.0, 2.0]
    assert take(at, block([1.0, 2.0, 3.0]), 3.0) == [3.0]
    assert take(at, block([2.0]), 3.0) == []
    assert at.words() == ""


@pytest.mark.parametrize("step", [-HOUR, -3 * DAY, -90.0, -20 * 365 * DAY])
@pytest.mark.parametrize("pressure", [JET, STOPPED, np.nan])
def test_clock_that_is_set_back_ends_the_line_in_the_open(step: float, pressure: float) -> None:
    at = line()
    take(at, block([0.0, 1.0, 2.0]), 2.0)
    places = [take(at, block([3.0 + s + step], pressure), 3.0 + s + step) for s in range(100)]
    assert all(len(place) == 1 for place in places)  # nothing is dropped
    assert places[0] == [2.0 + PAUSE_NS / NS]  # for everybody to see
    steps = np.diff(np.concatenate(places))
    assert steps == pytest.approx(1.0)
    assert "set back" in at.words()
    assert "later" in at.words()


def test_rows_of_a_pump_that_has_bled_down_are_put_close_together() -> None:
    at = line()
    take(at, block([0.0]), 0.0)
    take(at, block([-HOUR]), -HOUR)
    places = []
    for s in range(1, 400):
        places += take(at, block([s - HOUR], JET if s == 200 else STOPPED), s - HOUR)
    steps = np.diff(places) * NS
    bled = BLED_NS // NS
    assert steps[: bled - 1] == pytest.approx(NS)  # the gate sees it stop as ever
    assert steps[bled - 1 : 198] == pytest.approx(STILL_NS)
    assert steps[198 : 199 + bled] == pytest.approx(NS)
    assert steps[200 + bled :] == pytest.approx(STILL_NS)


def test_clock_catches_up_while_the_pump_stands_still() -> None:
    at = line()
    take(at, block([0.0]), 0.0)
    own = -HOUR
    for _ in range(600):
        own += 1.0
        assert take(at, block([own]), own)
    late = at.late_ns
    assert late == pytest.approx((HOUR + 60.0) * NS, abs=2 * NS)
    stood = 0
    while at.late_ns:
        own += 1.0
        stood += 1
        assert take(at, block([own], STOPPED), own)
    assert stood == pytest.approx((late + BLED_NS) / NS, abs=8)
    assert at.words() == ""
    assert take(at, block([own + 1.0]), own + 1.0) == [own + 1.0]


def test_longer_silence_leaves_a_minute_of_gap_and_lets_the_clock_catch_up() -> None:
    at = line()
    take(at, block([0.0]), 0.0)
    assert take(at, block([-HOUR]), -HOUR) == [60.0]
    assert take(at, block([-HOUR + 600.0]), -HOUR + 600.0) == [120.0]
    assert take(at, block([0.0]), 0.0) == [180.0]
    assert take(at, block([1000.0]), 1000.0) == [1000.0]
    assert at.late_ns == 0


def test_clock_that_is_set_forward_is_a_gap() -> None:
    at = line()
    take(at, block([0.0]), 0.0)
    assert take(at, block([HOUR + 1.0]), HOUR + 1.0) == [HOUR + 1.0]
    assert at.words() == ""


def test_clock_that_is_set_back_and_right_again_goes_on_by_the_clock() -> None:
    at = line()
    take(at, block([0.0]), 0.0)
    take(at, block([1.0 - HOUR]), 1.0 - HOUR)
    assert take(at, block([2.0]), 2.0) == [120.0]  # which is still late
    assert take(at, block([3.0], STOPPED), 3.0) == [121.0]
    assert take(at, block([130.0]), 130.0)[0] >= 130.0


def test_clock_that_is_set_back_twice_loses_nothing() -> None:
    at = line()
    take(at, block([0.0]), 0.0)
    assert take(at, block([-HOUR]), -HOUR) == [60.0]
    assert take(at, block([-DAY]), -DAY) == [120.0]
    assert take(at, block([1.0 - DAY]), 1.0 - DAY) == [121.0]


def test_rows_of_a_source_that_may_be_ahead_are_told_from_a_clock_that_was_set_back() -> None:
    at = line(newest=4.0, ahead=5.0)
    assert take(at, block([3.0]), 0.0) == []  # came before, from a source that is 4 s ahead
    at = line(newest=4.0)
    assert take(at, block([3.0]), 0.0) == [64.0]
    assert CLOCK_NS == NS


def test_restart_goes_on_behind_what_is_kept() -> None:
    at = line(newest=2 * DAY)
    assert take(at, block([0.0]), 0.0) == [2 * DAY + 60.0]
    assert take(at, block([1.0]), 1.0) == [2 * DAY + 61.0]


@given(
    st.lists(st.tuples(st.integers(-100, 100), st.booleans()), min_size=1, max_size=40),
    st.lists(st.integers(0, 40), max_size=5),
)
def test_block_by_block_is_row_by_row_and_times_only_go_up(
    moves: list[tuple[int, bool]], cuts: list[int]
) -> None:
    own = np.cumsum([move for move, _ in moves]).tolist()
    pressure = [STOPPED if stands else JET for _, stands in moves]
    samples = block([float(t) for t in own], pressure)
    one, other = line(newest=50.0), line(newest=50.0)
    singly = [one.take(rows(samples, i, i + 1), START) for i in range(len(own))]
    edges = sorted({0, len(own), *(cut for cut in cuts if cut < len(own))})
    blocks = [other.take(rows(samples, a, b), START) for a, b in itertools.pairwise(edges)]
    a = [np.concatenate(c) for c in zip(*singly, strict=True)]
    b = [np.concatenate(c) for c in zip(*blocks, strict=True)]
    for x, y in zip(a, b, strict=True):
        np.testing.assert_array_equal(x, y)
    assert np.all(np.diff(a[0]) > 0)
    assert (one.newest_ns, one.late_ns) == (other.newest_ns, other.late_ns)

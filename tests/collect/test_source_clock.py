"""Clocks of sources, on a clock of the test's own. No published source: common practice."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.collect.source_clock import Arrivals, SourceClock

NS = 10**9
START = 1_772_000_000 * NS  # s since 1970, invented
HOUR, DAY = 3600.0, 86_400.0
FAR = datetime(2099, 1, 1, tzinfo=UTC).timestamp()


def times_of(
    messages: Iterable[tuple[float, float]], ahead: float = 5.0
) -> tuple[list[tuple[float, int]], Arrivals[int]]:
    """Times that messages get, s since START, with their numbers; (source's time, arrival)."""
    arrivals: Arrivals[int] = Arrivals(ahead)
    made: list[tuple[float, int]] = []
    after = 0
    for i, (source, arrived) in enumerate(messages):
        arrived_ns = START + round(arrived * NS)
        for time_ns, row in arrivals.take(START + round(source * NS), arrived_ns, i, after):
            if time_ns > after:
                after = time_ns
                made.append(((time_ns - START) / NS, row))
    return made, arrivals


def live(seconds: int, offset: float = 0.0, pace: float = 1.0, delay: float = 0.05, start: int = 0):
    """Messages once a second, `delay` s on the way, of a clock that is off."""
    return [(s * pace + offset, s + delay) for s in range(start, start + seconds)]


# -- messages


@pytest.mark.parametrize("offset", [2 * HOUR, 2 * DAY, HOUR, -HOUR, -3 * DAY, -20 * 365 * DAY])
def test_clock_that_was_wrong_from_the_start_is_put_right_and_no_message_is_lost(
    offset: float,
) -> None:
    made, arrivals = times_of(live(40, offset))
    assert [row for _, row in made] == list(range(40))
    assert [time for time, _ in made] == pytest.approx(range(40), abs=0.1)
    steps = [b - a for (a, _), (b, _) in itertools.pairwise(made[12:])]
    assert steps == pytest.approx([1.0] * 27, abs=1e-9)  # those of the source again
    way = "ahead" if offset > 0.0 else "behind"
    assert way in arrivals.clock.words
    assert "put right" in arrivals.clock.words


@pytest.mark.parametrize("step", [-HOUR, HOUR, -3 * DAY, 2 * DAY, -30.0, -100.0])
def test_clock_that_is_set_loses_no_message_and_does_not_move_the_times(step: float) -> None:
    made, arrivals = times_of([*live(300), *live(300, step, start=300)])
    assert [row for _, row in made] == list(range(600))
    assert [time for time, _ in made] == pytest.approx(range(600), abs=0.1)
    assert "put right" in arrivals.clock.words


def test_clock_that_is_set_right_again_is_no_longer_put_right() -> None:
    messages = [*live(300, 2 * HOUR), *live(300, 0.0, start=300)]
    made, arrivals = times_of(messages)
    assert [row for _, row in made] == list(range(600))
    assert [time for time, _ in made] == pytest.approx(range(600), abs=0.1)
    _, arrivals = times_of([*messages, *live(200, 0.0, start=600)])
    assert arrivals.clock.words == ""


@pytest.mark.parametrize("date", [FAR - START / NS, 2 * DAY, -5 * DAY])
def test_one_message_of_another_time_moves_nothing(date: float) -> None:
    messages = live(100)
    messages[50] = (date, 50.05)
    made, arrivals = times_of(messages)
    others = [(time, row) for time, row in made if row != 50]
    assert [row for _, row in others] == [i for i in range(100) if i != 50]
    assert [time for time, _ in others] == [float(row) for _, row in others]
    assert all(abs(time - 50.0) < 0.1 for time, row in made if row == 50)
    assert arrivals.clock.words == ""
    assert (arrivals.refused_ns is not None) == (date > 0.0)


@pytest.mark.parametrize("date", [FAR - START / NS, 2 * DAY])
def test_first_message_of_another_time_moves_nothing(date: float) -> None:
    made, _ = times_of([(date, 0.0), *live(30, start=1)])
    assert [time for time, _ in made] == pytest.approx(range(30 + 1), abs=0.1)


def test_messages_that_were_kept_back_keep_their_times() -> None:
    kept_back = [(float(s), 3600.0 + s * 0.01) for s in range(3600)]
    made, arrivals = times_of([*kept_back, *live(100, start=3637)])
    assert [row for _, row in made] == list(range(3700))
    assert [time for time, _ in made[:3600]] == [float(s) for s in range(3600)]
    assert arrivals.clock.words == ""


def test_what_waits_is_not_forgotten_when_nothing_follows() -> None:
    made, arrivals = times_of(live(5, -HOUR))
    assert made == []
    assert arrivals.waiting == 5
    assert [(time - START) / NS for time, _ in arrivals.settle()] == [s - HOUR for s in range(5)]
    assert arrivals.waiting == 0


def test_message_that_comes_again_is_left_out() -> None:
    made, _ = times_of([m for m in live(50) for _ in range(3)])
    assert [time for time, _ in made] == [float(s) for s in range(50)]


def test_messages_that_a_gateway_sends_later_do_not_come_between() -> None:
    late = [(s - 1800.0, s + 0.5) for s in range(200)]
    both = [m for pair in zip(live(200), late, strict=True) for m in pair]
    made, arrivals = times_of(both)
    assert [time for time, _ in made] == [float(s) for s in range(200)]
    assert arrivals.clock.words == ""


@pytest.mark.parametrize("pace", [0.98, 1.02, 0.999])
def test_gateway_that_is_slow_or_fast_is_followed_without_a_step(pace: float) -> None:
    seconds = 4 * 3600
    made, arrivals = times_of(live(seconds, pace=pace))
    assert [row for _, row in made] == list(range(seconds))
    off = [time - row for time, row in made]
    assert max(map(abs, off)) < 8.0
    steps = [b - a for (a, _), (b, _) in itertools.pairwise(made)]
    assert min(steps) > 0.95
    assert max(steps) < 1.05
    assert steps[600:] == pytest.approx([1.0] * (seconds - 601), abs=0.004)
    if abs(pace - 1.0) > 0.01:
        way = "slow" if pace < 1.0 else "fast"
        assert f"runs 2.0 % {way}" in arrivals.clock.words


@pytest.mark.parametrize("local", [datetime(2026, 3, 29), datetime(2026, 10, 25)])
def test_clock_that_shows_local_time_as_if_it_were_utc_changes_without_a_gap(
    local: datetime,
) -> None:
    """As many a controller does: summer time begins, or ends, at 01:00 UTC."""
    change = datetime(local.year, local.month, local.day, 1, tzinfo=UTC)
    vienna = ZoneInfo("Europe/Vienna")
    messages = []
    for s in range(-300, 300):
        now = change + timedelta(seconds=s)
        shown = now.astimezone(vienna).replace(tzinfo=UTC)
        messages.append((shown.timestamp() - START / NS, now.timestamp() - START / NS + 0.05))
    made, arrivals = times_of(messages)
    assert len(made) == 600
    steps = [b - a for (a, _), (b, _) in itertools.pairwise(made)]
    assert steps == pytest.approx([1.0] * 599, abs=0.1)
    assert "put right" in arrivals.clock.words


def test_our_own_clock_that_is_set_moves_the_difference_and_nothing_else() -> None:
    arrivals: Arrivals[int] = Arrivals(5.0)
    made = []
    for s in range(400):
        ours = s + (HOUR if s >= 200 else 0.0)
        if s == 200:
            arrivals.ours_was_set(round(HOUR * NS))
        made += arrivals.take(START + s * NS, START + round((ours + 0.05) * NS), s, 0)
    assert [row for _, row in made] == list(range(400))
    assert (made[-1][0] - START) / NS == pytest.approx(399 + HOUR, abs=0.1)
    assert "1 h behind" in arrivals.clock.words or "60 min behind" in arrivals.clock.words


@given(st.lists(st.tuples(st.integers(-(10**6), 10**6), st.integers(0, 30)), max_size=60))
def test_no_message_is_dated_ahead_or_given_twice(messages: list[tuple[int, int]]) -> None:
    arrivals: Arrivals[int] = Arrivals(5.0)
    arrived, after, made = START, 0, []
    for i, (source, passed) in enumerate(messages):
        arrived += passed * NS
        for time_ns, row in arrivals.take(START + source * NS, arrived, i, after):
            assert time_ns <= arrived + 5 * NS
            after = max(after, time_ns)
            made.append(row)
    made += [row for _, row in arrivals.settle()]
    assert len(set(made)) == len(made)


# -- looks at a clock


def looked(pace: float, hours: float, step: float = 0.0, offset: float = 0.0, whole: bool = False):
    """Errors (s) of a clock that is looked at once a minute and used once a second."""
    clock = SourceClock(5.0, 5.0)
    errors = []
    for s in range(round(hours * 3600)):
        source = START + round((s * pace + offset + (step if s >= 1800 else 0.0)) * NS)
        if s % 60 == 0:
            clock.look(source // NS * NS if whole else source, START + s * NS)
        errors.append((clock.here(source) - START) / NS - s)
    return errors, clock


@pytest.mark.parametrize("whole", [False, True])
@pytest.mark.parametrize("pace", [0.98, 1.02])
def test_controller_that_is_two_per_cent_off_stays_within_seconds(pace: float, whole: bool) -> None:
    errors, clock = looked(pace, 6.0, whole=whole)
    assert max(map(abs, errors)) < 6.0
    steps = [1.0 + b - a for a, b in itertools.pairwise(errors)]
    assert steps[1200:] == pytest.approx([1.0] * (len(steps) - 1200), abs=0.01)
    assert "%" in clock.words


def test_good_clock_is_left_alone() -> None:
    errors, clock = looked(1.0, 6.0, offset=1.5)
    assert set(errors) == {1.5}
    assert clock.words == ""
    errors, clock = looked(1.0 + 2e-5, 6.0, whole=True)
    assert max(map(abs, errors)) < 1.0
    assert clock.words == ""


def test_controller_that_is_set_is_put_right_at_the_next_look() -> None:
    for step in (-HOUR, HOUR, -3 * DAY, 10.0):
        errors, clock = looked(1.0, 1.0, step=step)
        assert max(map(abs, errors[1860:])) < 0.001
        assert "put right" in clock.words


def test_small_step_is_taken_back_little_by_little() -> None:
    errors, _ = looked(1.0, 3.0, step=3.0)
    steps = [1.0 + b - a for a, b in itertools.pairwise(errors[1801:])]
    assert steps == pytest.approx([1.0] * len(steps), abs=0.02)
    assert max(map(abs, errors[6000:])) < 2.0

"""A head beside the stated one that comes and goes: told once, and then left out."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.monitor import AT_BASELINE
from borewarden.watcher.one_head import OneHeadWatch, heads_of, more_heads
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import STATES, State
from invented_watch import FIRST, PUMP, RUBY, SECOND, batches

BOTH = float(np.log(2.0))
DAY = 86_400 * SECOND


def after_a_second_head() -> tuple[OneHeadWatch, list[State], int]:
    """A watch that has seen a second head open and close, what it told, and the next batch."""
    watch = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    growth = np.concatenate([np.zeros(FIRST + 20), np.full(30, BOTH), np.zeros(30)])
    told = watch.learn_many(batches(growth))[1]
    return watch, [verdict.state for verdict in told], len(growth)


def later(start: int, *growth: float) -> NDArray[np.void]:
    return batches(np.array(growth), start=start)


def test_it_is_told_with_its_number_and_then_an_all_clear() -> None:
    watch = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    watch.learn_many(batches(np.zeros(FIRST + 20)))
    told = watch.learn_many(batches(np.full(30, BOTH), start=FIRST + 20))[1]
    assert [verdict.state for verdict in told] == [State.OTHER_FAULT]
    assert told[0].reason.startswith("more heads open than you stated: two? (effective area up ")
    assert watch.verdict().reason.startswith("more heads open than you stated: two? (effective")
    told = watch.learn_many(batches(np.zeros(30), start=FIRST + 50))[1]
    assert [verdict.state for verdict in told] == [State.SOUND]
    assert "heads" not in told[0].reason
    assert "heads" not in watch.verdict().reason


def test_an_area_that_comes_back_by_itself_may_be_the_turn_of_another_head() -> None:
    """Its jewel is 8 % larger; no bore shrinks, so the all-clear says what else it may be."""
    watch = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    changes_over(watch, 0, 0.0, FIRST + 40)
    told = changes_over(watch, FIRST + 40, 0.08, 120)
    told += changes_over(watch, FIRST + 160, 0.0, 60)
    assert [state for state, _ in told][-1] is State.SOUND
    assert told[-1][1].startswith(
        f"{AT_BASELINE}, and no bore does that by itself: if another head cuts"
    )
    assert told[-1][1].endswith("a [[jewel]] and a valve signal for each head")
    assert watch.verdict().reason == told[-1][1]
    assert all("another head" not in reason for _, reason in told[:-1])


def test_what_is_known_to_come_and_go_is_left_out() -> None:
    watch, told, n = after_a_second_head()
    assert told == [State.SOUND, State.OTHER_FAULT, State.SOUND]  # learned, then open and shut
    rows, told_again = watch.learn_many(later(n, *[BOTH] * 30))
    assert told_again == []
    assert watch.verdict().reason.startswith("another head is open now; before: ")
    assert watch.state is State.SOUND
    assert rows["log_ratio"] == pytest.approx(BOTH, abs=0.01)
    assert {STATES[k] for k in rows["state"]} == {State.SOUND}
    assert np.all(rows["probability"] < 0.1)
    # the first batch of one head began with both
    rows, told_again = watch.learn_many(later(n + 30, 0.5 * BOTH, *[0.0] * 30))
    assert told_again == []
    assert len(rows) == 31
    assert "another head" not in watch.verdict().reason


def test_a_batch_that_ended_with_both_is_left_out_and_a_chip_is_not() -> None:
    watch, _, n = after_a_second_head()
    taken = watch.monitor.running.taken
    assert watch.learn_many(later(n, 0.3))[1] == []  # it may be either
    assert watch.monitor.running.taken == taken
    assert watch.learn_many(later(n + 1, BOTH, 0.0, 0.0))[1] == []
    assert watch.monitor.running.taken == taken + 1  # the first of one head began with both
    told = watch.learn_many(later(n + 4, *[0.12] * 12))[1]
    assert [verdict.state for verdict in told] == [State.OPENED]
    assert watch.monitor.running.taken == taken + 13  # what waited is given, too


def test_after_a_day_without_it_a_second_head_is_told_anew() -> None:
    for passed, expected in ((DAY - 3600 * SECOND, []), (DAY, [State.OTHER_FAULT])):
        watch, _, n = after_a_second_head()
        rows = later(n, *[BOTH] * 30)
        for name in ("start_ns", "end_ns"):
            rows[name] += passed
        assert [verdict.state for verdict in watch.learn_many(rows)[1]] == expected


@pytest.mark.parametrize(
    ("times", "heads"), [(1.4, 1), (1.6, 2), (2.0, 2), (2.39, 2), (2.45, 1), (3.0, 3), (0.5, 1)]
)
def test_only_about_a_whole_number_of_areas_is_one_of_heads(times: float, heads: int) -> None:
    assert heads_of(float(np.log(times))) == heads


def test_number_of_heads_in_words() -> None:
    assert more_heads(3) == "more heads open than you stated: three?"
    assert more_heads(7) == "more heads open than you stated: 7?"


def changes_over(
    watch: OneHeadWatch, start: int, growth: float, n: int = 60
) -> list[tuple[State, str]]:
    """What is told over `n` batches of this growth, and where."""
    changes = watch.learn_many(batches(np.full(n, growth), start=start))[1]
    return [(verdict.state, verdict.reason) for verdict in changes]


def test_a_chip_while_a_second_head_is_open_is_told_of_the_bore() -> None:
    watch = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    changes_over(watch, 0, 0.0, FIRST + 20)
    assert [state for state, _ in changes_over(watch, FIRST + 20, BOTH)] == [State.OTHER_FAULT]
    changes = changes_over(watch, FIRST + 80, BOTH + 0.12, 80)
    assert changes[-1][0] is State.OPENED
    assert not any("heads open" in reason for _, reason in changes)
    assert "heads open" not in watch.verdict().reason
    # and when that head closes, the chip stays
    assert changes_over(watch, FIRST + 160, 0.12, 80) == []
    assert watch.state is State.OPENED


def test_three_heads_are_three_and_a_third_one_on_top_is_no_news() -> None:
    three = float(np.log(3.0))
    watch = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    changes_over(watch, 0, 0.0, FIRST + 20)
    changes = changes_over(watch, FIRST + 20, three)
    assert [state for state, _ in changes] == [State.OTHER_FAULT]
    assert changes[0][1].startswith("more heads open than you stated: three? (")
    other = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    changes_over(other, 0, 0.0, FIRST + 20)
    changes_over(other, FIRST + 20, BOTH)
    assert changes_over(other, FIRST + 80, three) == []
    assert other.verdict().reason.startswith("more heads open than you stated: two? (")
    assert [state for state, _ in changes_over(other, FIRST + 140, 0.0)] == [State.SOUND]
    # either number of them is left out from then on
    for start, growth in ((FIRST + 200, BOTH), (FIRST + 260, three)):
        assert changes_over(other, start, growth) == []
        assert other.verdict().reason.startswith("another head is open now")


def test_what_is_no_whole_number_of_heads_is_never_left_out() -> None:
    growth = float(np.log(2.45))
    watch = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    changes_over(watch, 0, 0.0, FIRST + 20)
    for start in (FIRST + 20, FIRST + 140):
        changes = changes_over(watch, start, growth)
        assert [state for state, _ in changes] == [State.OTHER_FAULT]
        assert "heads open" not in changes[0][1]
        assert "heads open" not in watch.verdict().reason
        assert [state for state, _ in changes_over(watch, start + 60, 0.0)] == [State.SOUND]


def learned_with_two() -> OneHeadWatch:
    """A watch whose baseline was learned with a second head open."""
    watch = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    ((state, reason),) = changes_over(watch, 0, BOTH, FIRST + 20)
    assert state is State.NOT_STATED_BORE
    assert reason.startswith("more heads open than you stated: two? (pump figures or bore do not")
    assert reason.endswith("; a [[jewel]] and a valve signal for each head would settle it")
    return watch


def test_a_baseline_of_two_heads_is_told_once_whichever_are_open_then() -> None:
    watch = learned_with_two()
    for start in (FIRST + 20, FIRST + 140):
        assert changes_over(watch, start, 0.0) == []
        assert watch.verdict().reason.startswith("fewer heads are open now; before: more heads")
        assert changes_over(watch, start + 60, BOTH) == []
        assert watch.verdict().reason.startswith("more heads open than you stated: two? (")
    assert watch.state is State.NOT_STATED_BORE


def test_a_chip_is_told_against_a_baseline_of_two_heads() -> None:
    watch = learned_with_two()
    changes_over(watch, FIRST + 20, 0.0)
    changes = changes_over(watch, FIRST + 80, BOTH + 0.1)
    assert changes[-1][0] is State.OPENED
    assert "heads open" not in changes[-1][1]


def test_less_than_one_of_two_heads_takes_is_told() -> None:
    changes = changes_over(learned_with_two(), FIRST + 20, float(np.log(0.7)), 200)
    assert [state for state, _ in changes] == [State.OTHER_FAULT]


def test_more_heads_are_told_once_however_their_cause_wavers() -> None:
    plain = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch = OneHeadWatch(BoreWatch(PUMP, [RUBY], WatchSettings()))
    for each in (plain, watch):
        each.learn_many(batches(np.zeros(FIRST + 20)))
    opening = later(FIRST + 20, *np.linspace(0.3, 0.8, 10), *[BOTH] * 40)
    causes = [verdict.state for verdict in plain.learn_many(opening)[1]]
    assert causes == [State.OTHER_FAULT, State.CANNOT_TELL, State.OTHER_FAULT]
    rows, told = watch.learn_many(opening)
    assert [verdict.state for verdict in told] == causes[:2]
    assert told[-1].reason.startswith("more heads open than you stated: two? (")
    assert watch.state is watch.verdict().state is State.CANNOT_TELL
    assert STATES[rows["state"][-1]] is State.CANNOT_TELL
    assert [state for state, _ in changes_over(watch, FIRST + 70, 0.0)] == [State.SOUND]

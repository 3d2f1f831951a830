"""Which jewels are in the heads when, and from when on a change of that makes verdicts stale."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.base.samples import rows
from borewarden.jewels.fitting import FittedSet, fitted_sets, stale_since
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Intensifier
from borewarden.watcher.watcher import Watcher, join
from steady import gate_settings, steady_samples

PUMP = Intensifier(
    plunger_diameter=0.022, stroke=0.2, dead_volume=8e-6, intensification_ratio=20.0,
    max_stroke_rate=1.0, rated_pressure=400e6, rated_power=37e3,
)  # fmt: skip


def jewel(at: int, head: str = "1", out: int | None = None, bore: float = 0.254e-3) -> Jewel:
    return Jewel(bore, "ruby", at, head=head, out_ns=out)


def bare(*sets: tuple[int, list[Jewel]]) -> list[FittedSet]:
    return [FittedSet(since_ns, jewels) for since_ns, jewels in sets]


@pytest.mark.parametrize(
    ("jewels", "sets"),
    [
        ([jewel(5)], bare((5, [jewel(5)]))),
        # in any order; the later one replaces the earlier one, closed by it or not
        ([jewel(9), jewel(5)], bare((5, [jewel(5)]), (9, [jewel(9)]))),
        ([jewel(5, out=9), jewel(9)], bare((5, [jewel(5)]), (9, [jewel(9)]))),
        # a head without a jewel for a while: nothing to judge, and nothing starts anew
        ([jewel(5, out=7), jewel(9)], bare((5, [jewel(5)]), (9, [jewel(9)]))),
        ([jewel(5, out=7)], bare((5, [jewel(5)]))),
        # one of two is taken out: the other one alone from then on
        (
            [jewel(5), jewel(5, "2", out=8)],
            bare((5, [jewel(5), jewel(5, "2")]), (8, [jewel(5)])),
        ),
        # the last one is taken out, then one is fitted on another head
        ([jewel(5, out=7), jewel(9, "2")], bare((5, [jewel(5)]), (9, [jewel(9, "2")]))),
        # out later than its successor came: the successor tells
        ([jewel(5, out=12), jewel(9)], bare((5, [jewel(5)]), (9, [jewel(9)]))),
        # stated twice at one time: the last one stated holds
        ([jewel(5), jewel(5, bore=3e-4)], bare((5, [jewel(5, bore=3e-4)]))),
    ],
)
def test_sets_follow_what_comes_and_goes(jewels: list[Jewel], sets: list[FittedSet]) -> None:
    assert fitted_sets(jewels) == sets


def test_what_is_stale_begins_with_the_set_before_the_first_difference() -> None:
    before = fitted_sets([jewel(5), jewel(20), jewel(40)])
    for jewels, newest, since in (
        ([jewel(5), jewel(20), jewel(40)], 50, None),
        ([jewel(5, out=9), jewel(20), jewel(40)], 50, None),  # the successor told that already
        ([jewel(5), jewel(20), jewel(40), jewel(60)], 50, None),  # yet to come
        ([jewel(5), jewel(20), jewel(40), jewel(60)], 60, 60),
        ([jewel(5), jewel(20), jewel(40, bore=3e-4)], 50, 40),
        ([jewel(5), jewel(20), jewel(45)], 50, 20),  # from 40 to 45 the one of 20 was in
        ([jewel(5), jewel(20)], 50, 20),
        ([jewel(5), jewel(20), jewel(45)], 39, None),
        ([jewel(5), jewel(15), jewel(40)], 50, 15),
        # what came before the first jewel stated is left alone
        ([jewel(6), jewel(20), jewel(40)], 50, 6),
        ([jewel(1), jewel(5), jewel(20), jewel(40)], 50, 1),
        ([jewel(6), jewel(20), jewel(40)], 4, 6),  # and the watcher waits for that one
        ([jewel(6), jewel(20), jewel(40)], 5, 6),
    ):
        assert stale_since(before, fitted_sets(jewels), newest) == since


SECONDS = 2400
AREAS = np.where(np.arange(SECONDS) < 1300, 3.3e-8, 3.7e-8)
SAMPLES = steady_samples(PUMP, AREAS, seed=3)


jewels_drawn = st.lists(
    st.builds(
        lambda at, head, long, bore: jewel(
            at * 10**9, head, None if long is None else (at + long) * 10**9, bore
        ),
        st.integers(-100, SECONDS + 100),
        st.sampled_from("12"),
        st.none() | st.integers(1, 900),
        st.sampled_from([0.25e-3, 0.254e-3]),
    ),
    min_size=1,
    max_size=4,
)


@settings(max_examples=25, deadline=None)
@given(jewels_drawn, jewels_drawn, st.integers(1, SECONDS))
def test_going_by_another_record_from_the_stale_time_on_is_a_replay_by_it(
    before: list[Jewel], after: list[Jewel], seen: int
) -> None:
    """What the live service does when the register changes after `seen` samples."""
    used, now = fitted_sets(before), fitted_sets(after)
    replayed = Watcher(PUMP, gate_settings(PUMP), after)
    whole = replayed.learn_many(SAMPLES)
    watcher = Watcher(PUMP, gate_settings(PUMP), before)
    parts = [watcher.learn_many(rows(SAMPLES, 0, seen))]
    newest_ns = int(SAMPLES.time_ns[seen - 1])
    since_ns = stale_since(used, now, newest_ns)
    if since_ns is None:
        watcher.expect(now, newest_ns)
        first = 0
    else:
        watcher = Watcher(PUMP, gate_settings(PUMP), after)
        first = int(np.searchsorted(SAMPLES.time_ns, since_ns))
        parts = [watcher.learn_many(rows(SAMPLES, first, seen))]
    parts.append(watcher.learn_many(rows(SAMPLES, seen)))
    made = join(parts)
    assert (
        made.phases[len(made.phases) - (SECONDS - first) :].tobytes()
        == whole.phases[first:].tobytes()
    )
    ours, due = (
        part.batches[part.batches["end_ns"] >= (since_ns or 0)].tobytes() for part in (made, whole)
    )
    assert ours == due
    told, due_alerts = (
        repr([alert for alert in part.alerts if alert.time_ns >= (since_ns or 0)])
        for part in (made, whole)
    )
    assert told == due_alerts
    assert watcher.jewels == replayed.jewels
    if now[0].since_ns <= SAMPLES.time_ns[-1]:
        assert repr(watcher.verdict()) == repr(replayed.verdict())

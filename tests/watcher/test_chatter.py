"""Alarms that chatter are folded into one message; by themselves, and through the watcher."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from borewarden.base.samples import rows
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import Intensifier
from borewarden.show.wording import advice, headline
from borewarden.watcher.chatter import MOST_CHANGES, WINDOW_NS, Chatter, heard, quiet
from borewarden.watcher.verdict import State, Verdict
from borewarden.watcher.watcher import Learned, Watcher, join
from invented_watch import quiet_watch
from steady import gate_settings, steady_samples

MINUTE = 60 * 10**9
OFF_AND_ON = (State.OPENED, State.SOUND)


def verdict(minute: float, state: State) -> Verdict:
    return replace(quiet_watch().verdict(), time_ns=round(minute * MINUTE), state=state)


def told(minutes: list[float]) -> tuple[Chatter, list[Verdict]]:
    """What is told of changes at these minutes, to opened and to sound by turns."""
    chatter, said = Chatter(), []
    for i, minute in enumerate(minutes):
        chatter, tell = heard(chatter, verdict(minute, OFF_AND_ON[i % 2]))
        said += [tell] if tell else []
    return chatter, said


def test_changes_that_are_far_apart_are_all_told_as_they_are() -> None:
    chatter, said = told([0, 30, 59, 61, 91, 122, 400])
    assert [v.state for v in said] == [OFF_AND_ON[i % 2] for i in range(7)]
    assert [v.time_ns // MINUTE for v in said] == [0, 30, 59, 61, 91, 122, 400]
    assert chatter.since_ns is None


def test_the_fourth_change_within_an_hour_is_told_as_a_contradiction_and_then_nothing() -> None:
    chatter, said = told([0, 10, 20, 30, 40, 50])
    assert [v.state for v in said] == [State.OPENED, State.SOUND, State.OPENED, State.CANNOT_TELL]
    assert said[-1].time_ns == chatter.since_ns == 30 * MINUTE
    assert "contradictory signals" in said[-1].reason
    assert "4 times" in said[-1].reason
    assert State.SOUND.value in said[-1].reason  # the last word of all


@pytest.mark.parametrize(
    ("minutes", "states"),
    [
        ([0, 3, 5, 10], "OPENED OTHER_FAULT CANNOT_TELL OTHER_FAULT"),
        ([0, 90, 95, 100, 105], "OPENED OTHER_FAULT CANNOT_TELL OTHER_FAULT CANNOT_TELL"),
    ],
)
def test_an_opened_bore_that_was_told_stays_told(minutes: list[float], states: str) -> None:
    chatter = Chatter()
    for minute, state in zip(minutes, states.split(), strict=True):
        chatter, tell = heard(chatter, replace(verdict(minute, State[state]), step=0.134))
    assert tell is not None
    assert tell.state is State.CANNOT_TELL
    assert "once to “probably opened up” (effective area +13.4 %), last to" in tell.reason
    assert headline(tell) == "The signals contradict each other; the bore may have opened up"
    assert any("running cut" in step for step in advice(tell).steps)


def test_that_an_opened_bore_was_told_is_a_field_and_not_read_from_the_reason() -> None:
    for states, opened in (
        ((State.OPENED, State.SOUND, State.OPENED, State.SOUND), True),  # once
        ((State.SOUND, State.OPENED, State.SOUND, State.OPENED), True),  # last
        ((State.OTHER_FAULT, State.SOUND, State.OTHER_FAULT, State.SOUND), False),
    ):
        chatter = Chatter()
        for minute, state in enumerate(states):
            chatter, tell = heard(chatter, verdict(float(minute), state))
        assert tell is not None
        assert tell.was_told_opened is opened
        other_words = replace(tell, reason="in other words")
        assert headline(other_words) == headline(tell)
        assert ("contradict" in headline(tell)) is opened


def test_one_that_was_told_long_before_is_not_said_again() -> None:
    chatter = Chatter()
    states = [State.OPENED, State.SOUND] + 2 * [State.OTHER_FAULT, State.SOUND]
    for minute, state in zip([0, 5, 90, 95, 100, 105], states, strict=True):
        chatter, tell = heard(chatter, verdict(minute, state))
    assert tell is not None
    assert "contradictory signals" in tell.reason
    assert "opened up" not in tell.reason
    assert "contradict" not in headline(tell)


def test_a_change_just_an_hour_old_counts_no_more() -> None:
    assert MOST_CHANGES == 3
    _, said = told([0, 1, 2, 60])
    assert said[-1].state is State.SOUND
    _, said = told([0, 1, 2, 59.99])
    assert said[-1].state is State.CANNOT_TELL


def test_after_a_quiet_hour_what_holds_is_told_again() -> None:
    chatter, _ = told([0, 10, 20, 30, 40])
    still, tell = quiet(chatter, 40 * MINUTE + WINDOW_NS - 1)
    assert (still, tell) == (chatter, None)
    after, tell = quiet(chatter, 40 * MINUTE + WINDOW_NS)
    assert tell is not None
    assert (tell.state, tell.time_ns) == (State.OPENED, 100 * MINUTE)
    assert (after.changes, after.since_ns) == ((), None)
    assert quiet(after, 10**18) == (after, None)
    assert heard(after, verdict(101, State.SOUND))[1] == verdict(101, State.SOUND)


def test_quiet_alone_tells_nothing() -> None:
    chatter, _ = told([0, 10])
    assert quiet(chatter, 10**18) == (chatter, None)


def test_nothing_given_is_changed() -> None:
    chatter, _ = told([0, 10, 20])
    before = repr(chatter)
    heard(chatter, verdict(25, State.SOUND))
    quiet(chatter, 10**18)
    assert repr(chatter) == before


# -- through the watcher: invented, a jet whose area jumps up and down every eight minutes

PUMP = Intensifier(0.022, 0.2, 8e-6, 20.0, 1.0, 400e6, 37e3)
RUBY = Jewel(0.254e-3, "ruby", 0)
QUIET, EACH, JUMPS = 3600, 480, 8  # s, s


def watcher() -> Watcher:
    return Watcher(PUMP, gate_settings(PUMP), [RUBY])


def jumping() -> np.ndarray:
    growth = np.concatenate(
        [
            np.zeros(QUIET),
            np.repeat([0.25 * ((i + 1) % 2) for i in range(JUMPS)], EACH),
            np.zeros(5400),
        ]
    )
    return 0.65 * float(bore_area(RUBY.bore)) * (1.0 + growth)


def in_blocks(cuts: list[int]) -> Learned:
    samples = steady_samples(PUMP, jumping())
    made = watcher()
    edges = [0, *cuts, len(samples.time_ns)]
    return join([made.learn_many(rows(samples, a, b)) for a, b in pairwise(edges)])


def test_a_jet_that_jumps_is_told_once_as_a_contradiction_and_again_when_it_is_quiet() -> None:
    learned = in_blocks([])
    states = [alert.verdict.state for alert in learned.alerts]
    assert states.count(State.CANNOT_TELL) == 1
    place = states.index(State.CANNOT_TELL)
    assert place == MOST_CHANGES
    assert states[place + 1 :] == [State.SOUND]
    during, after = learned.alerts[place], learned.alerts[-1]
    assert "contradictory" in during.verdict.reason
    assert after.time_ns - during.time_ns >= WINDOW_NS
    # the rows between the two say so, too
    ends = learned.batches["end_ns"]
    between = (ends > during.time_ns) & (ends < after.time_ns)
    assert between.sum() > 100
    cannot = list(State).index(State.CANNOT_TELL)
    assert set(learned.batches["state"][between]) == {cannot}
    assert set(learned.batches["state"][ends > after.time_ns]) == {list(State).index(State.SOUND)}


@pytest.mark.parametrize("cut", [1, 7, 500])
def test_stream_and_block_agree_while_it_chatters(cut: int) -> None:
    whole = in_blocks([])
    begin = QUIET + 3 * EACH
    parts = in_blocks(list(range(begin, begin + 400 * min(cut, 12), cut)))
    assert repr(parts.alerts) == repr(whole.alerts)
    assert parts.batches.tobytes() == whole.batches.tobytes()
    assert np.array_equal(parts.phases, whole.phases)


def test_verdict_asked_for_meanwhile_says_the_same() -> None:
    samples = steady_samples(PUMP, jumping())
    made = watcher()
    made.learn_many(rows(samples, 0, QUIET + 6 * EACH))
    assert made.verdict().state is State.CANNOT_TELL
    assert "contradictory" in made.verdict().reason
    made.learn_many(rows(samples, QUIET + 6 * EACH))
    assert made.verdict().state is State.SOUND

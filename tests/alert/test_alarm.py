"""Alarms: ISA-18.2 / IEC 62682 states (from memory), delays, rationed notices."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.alert.alarm import BURST, Alarm, AlarmSettings, AlarmState, Notice
from borewarden.watcher.verdict import State

S = 10**9
START = 1_772_449_200 * S
SETTINGS = AlarmSettings(on_delay=30, off_delay=60, repeat=3600)


def bore_alarm() -> Alarm:
    return Alarm("North", SETTINGS)


def at(seconds: float) -> int:
    return START + round(seconds * S)


def kinds(notices: list[Notice]) -> list[str]:
    return [notice.kind for notice in notices]


def opened(alarm: Alarm, seconds: float = 0.0) -> list[Notice]:
    """Opened up at `seconds`, and told of."""
    return alarm.update(State.OPENED, "stepped up", at(seconds)) + alarm.tick(at(seconds + 30))


def test_a_state_has_to_last_before_it_is_told():
    alarm = bore_alarm()
    assert alarm.update(State.OPENED, "stepped up", at(0)) == []
    assert alarm.tick(at(29.9)) == []
    assert alarm.state is AlarmState.NORMAL
    (notice,) = alarm.tick(at(30))
    assert notice.earlier_ns == 0
    assert (notice.kind, notice.machine, notice.reason) == ("alarm", "North", "stepped up")
    assert notice.state is State.OPENED
    assert notice.verdict is None
    assert notice.first_ns == notice.time_ns == at(30)
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert alarm.tick(at(31)) == []


def test_what_passes_within_the_delay_is_never_told():
    alarm = bore_alarm()
    for second in range(0, 600, 20):  # 10 s on, 10 s off
        assert alarm.update(State.OPENED, "", at(second)) == []
        assert alarm.update(State.SOUND, "", at(second + 10)) == []
    assert alarm.tick(at(10_000)) == []


def test_trouble_that_keeps_changing_its_name_is_told_all_the_same():
    alarm = bore_alarm()
    told = []
    for second in range(0, 60, 10):
        state = State.OPENED if second % 20 else State.CANNOT_TELL
        told += alarm.update(state, "", at(second))
    assert kinds(told) == ["alarm"]


def test_reminders_until_acknowledged():
    alarm = bore_alarm()
    opened(alarm)
    assert alarm.tick(at(30 + 3599)) == []
    (reminder,) = alarm.tick(at(30 + 3600))
    assert reminder.kind == "repeat"
    assert reminder.first_ns == reminder.earlier_ns == at(30)
    alarm.acknowledge(at(4000), "Ada")
    assert alarm.state is AlarmState.ACKNOWLEDGED
    assert (alarm.acknowledged_by, alarm.acknowledged_ns) == ("Ada", at(4000))
    assert alarm.tick(at(100_000)) == []
    assert kinds(alarm.update(State.SOUND, "back", at(100_001)) + alarm.tick(at(100_061))) == [
        "all-clear"
    ]
    assert alarm.state is AlarmState.NORMAL


def test_returned_unacknowledged_then_acknowledged():
    alarm = bore_alarm()
    opened(alarm)
    assert alarm.update(State.SOUND, "back", at(100)) == []
    (clear,) = alarm.tick(at(160))
    assert (clear.kind, clear.state, clear.first_ns) == ("all-clear", State.SOUND, at(30))
    assert clear.earlier_ns == at(30)
    assert alarm.state is AlarmState.RETURNED
    assert alarm.tick(at(50_000)) == []  # an alarm that is over is not reminded of
    alarm.acknowledge(at(50_001), "Ada")
    assert alarm.state is AlarmState.NORMAL
    (again,) = opened(alarm, 60_000.0)
    assert again.earlier_ns == 0  # that one is over


def test_a_worse_state_is_a_new_alarm():
    alarm = bore_alarm()
    alarm.update(State.WEARING, "wears", at(0))
    assert kinds(alarm.tick(at(30))) == ["alarm"]
    alarm.acknowledge(at(40), "Ada")
    alarm.update(State.OPENED, "chipped", at(50))
    (worse,) = alarm.tick(at(80))
    assert (worse.kind, worse.state, worse.first_ns) == ("alarm", State.OPENED, at(30))
    assert worse.earlier_ns == at(30)
    (reminder,) = alarm.tick(at(80 + 3600))
    assert (reminder.first_ns, reminder.earlier_ns) == (at(30), at(80))
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert alarm.acknowledged_by is None


def test_a_new_jewel_is_no_all_clear_until_it_is_known():
    alarm = bore_alarm()
    opened(alarm)
    assert alarm.update(State.LEARNING, "learning", at(100)) == []
    assert alarm.tick(at(20_000)) == []  # nor is anybody reminded of the old one
    alarm.update(State.SOUND, "within the noise", at(20_001))
    assert kinds(alarm.tick(at(20_061))) == ["all-clear"]


def test_what_had_lasted_when_the_jewel_was_changed_is_still_told():
    alarm = bore_alarm()
    alarm.update(State.OPENED, "stepped up", at(0))
    assert kinds(alarm.update(State.LEARNING, "learning", at(40))) == ["alarm"]
    assert alarm.tick(at(20_000)) == []
    assert alarm.state is AlarmState.UNACKNOWLEDGED


def test_no_reminder_while_it_may_just_be_over():
    alarm = bore_alarm()
    opened(alarm)
    alarm.update(State.SOUND, "back", at(3620))
    assert alarm.tick(at(3640)) == []
    assert kinds(alarm.tick(at(3680))) == ["all-clear"]


def test_shelving_keeps_quiet_until_its_end():
    alarm = bore_alarm()
    opened(alarm)
    alarm.shelve(at(40), at(5000), "Ada")
    assert (alarm.state, alarm.shelved_by) == (AlarmState.SHELVED, "Ada")
    assert (alarm.shelved_ns, alarm.shelved_until_ns) == (at(40), at(5000))
    assert alarm.tick(at(4999)) == []
    (again,) = alarm.tick(at(5000))  # it still holds
    assert again.kind == "repeat"
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    alarm.shelve(at(5001), at(6000), "Ada")
    alarm.update(State.SOUND, "back", at(5100))
    assert alarm.tick(at(5999)) == []
    assert kinds(alarm.tick(at(6000))) == ["all-clear"]


def test_what_came_and_went_while_shelved_is_not_told():
    alarm = bore_alarm()
    alarm.shelve(at(0), at(1000), "Ada")
    assert opened(alarm, 10) == []
    alarm.update(State.SOUND, "back", at(500))
    assert alarm.tick(at(1000)) == []


def test_shelving_can_be_ended_early():
    alarm = bore_alarm()
    alarm.shelve(at(0), at(1000), "Ada")
    assert opened(alarm, 10) == []
    assert kinds(alarm.unshelve(at(100), "Grace")) == ["alarm"]
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert (alarm.unshelved_by, alarm.unshelved_ns) == ("Grace", at(100))
    assert alarm.shelved_by is alarm.shelved_ns is alarm.shelved_until_ns is None
    alarm.unshelve(at(200), "Hedy")  # nothing on the shelf: nobody took it off
    assert alarm.unshelved_by == "Grace"


@pytest.mark.parametrize(
    ("until", "words"), [(0, "must end in the future"), (8 * 86400, "at most 168 h")]
)
def test_shelving_needs_an_end_that_is_ahead_and_near(until, words):
    with pytest.raises(ValueError, match=words):
        bore_alarm().shelve(at(0), at(until), "Ada")


@pytest.mark.parametrize("wrong", [{"on_delay": -1.0}, {"repeat": 0.0}])
def test_senseless_settings_are_refused(wrong):
    with pytest.raises(ValueError, match=r"alarm|repeat"):
        AlarmSettings(**wrong)


def test_a_blind_watcher_says_so_and_when_it_sees_again():
    alarm = Alarm("North", AlarmSettings(on_delay=120, off_delay=60, repeat=3600), "sight")
    alarm.see(False, "link down", at(0))
    assert alarm.tick(at(119)) == []
    (blind,) = alarm.tick(at(120))
    assert (blind.kind, blind.about, blind.state) == ("blind", "sight", None)
    assert kinds(alarm.tick(at(120 + 3600))) == ["repeat"]
    alarm.see(True, "connected", at(4000))
    (again,) = alarm.tick(at(4060))
    assert (again.kind, again.first_ns) == ("sight again", at(120))


def test_a_clock_set_back_neither_delays_nor_repeats_anything():
    alarm = bore_alarm()
    alarm.update(State.OPENED, "", at(0))
    alarm.tick(at(20))
    assert alarm.tick(at(20 - 3600)) == []
    assert kinds(alarm.tick(at(30 - 3600))) == ["alarm"]
    assert alarm.tick(at(30 - 3600 - 200)) == []  # a few minutes: time stands still
    assert kinds(alarm.tick(at(30))) == ["repeat"]


def test_a_late_reading_does_not_count_twice():
    alarm = bore_alarm()
    for second in range(29):
        assert alarm.tick(at(second)) == []
        assert alarm.update(State.OPENED, "", at(second - 20)) == []
    assert alarm.tick(at(29.9)) == []
    assert kinds(alarm.tick(at(30))) == ["alarm"]


STEPS = st.lists(
    st.tuples(
        st.sampled_from([*State, "tick", "acknowledge", "shelve", "unshelve"]),
        st.floats(0.0, 5000.0),
    ),
    max_size=80,
)


def run(alarm: Alarm, steps: list[tuple[State | str, float]], restart: bool) -> list[Notice]:
    notices: list[Notice] = []
    now = START
    for what, gap in steps:
        now += round(gap * S)
        if isinstance(what, State):
            notices += alarm.update(what, what.value, now)
        elif what == "acknowledge":
            alarm.acknowledge(now, "Ada")
        elif what == "shelve":
            alarm.shelve(now, now + 1800 * S, "Ada")
        elif what == "unshelve":
            notices += alarm.unshelve(now, "Ada")
        else:
            notices += alarm.tick(now)
        if restart:
            alarm = Alarm.from_json(alarm.to_json())
    return notices


@given(STEPS)
def test_never_a_storm(steps):
    notices = run(bore_alarm(), steps, restart=False)
    span = sum(gap for _, gap in steps)
    assert len(notices) <= math.ceil(span / SETTINGS.repeat) + BURST
    for i, first in enumerate(notices):  # over any stretch of time, not only from the start
        for j, last in enumerate(notices[i:], start=1):
            stretch = (last.time_ns - first.time_ns) / S
            assert j <= stretch / SETTINGS.repeat + BURST + 1e-6


@given(st.lists(st.sampled_from(list(State)), min_size=1, max_size=200))
def test_nothing_that_lasts_stays_untold(states):
    """However it flapped before: once it lasts, people end up knowing how it stands."""
    alarm = bore_alarm()
    told = []
    for i, state in enumerate(states):
        told += alarm.update(state, "", at(40 * i))
    told += alarm.update(State.OPENED, "lasts", at(40 * len(states)))
    for hour in range(1, 4):
        told += alarm.tick(at(40 * len(states) + 3600 * hour))
    assert told[-1].state is State.OPENED
    told += alarm.update(State.SOUND, "back", at(10**6)) + alarm.tick(at(10**6 + 60))
    assert told[-1].kind == "all-clear"


@given(STEPS)
def test_a_restart_changes_nothing(steps):
    assert run(bore_alarm(), steps, restart=True) == run(bore_alarm(), steps, restart=False)


def test_new_settings_hold_after_a_restart():
    kept = Alarm.from_json(bore_alarm().to_json(), AlarmSettings(on_delay=5))
    kept.update(State.OPENED, "", at(0))
    assert kinds(kept.tick(at(5))) == ["alarm"]

"""What an inspection comes to, in words, and how the alarm takes it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.alert.alarm import BURST, Alarm, AlarmSettings, AlarmState, Notice
from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER, Belief, Cause
from borewarden.inspection.cautions import CAUTIONS
from borewarden.inspection.outcome import beliefs_of, conclude, guarded_step, next_check, remarks
from borewarden.inspection.record import Finding, Inspection
from borewarden.inspection.steps import BY_NAME, STEPS, Place
from borewarden.watcher.verdict import State, Verdict

S = 10**9
START = 1_772_449_200 * S
ONSET = START - 60 * S
SETTINGS = AlarmSettings(on_delay=30, off_delay=60, repeat=3600)
CAUSES = (
    Belief(Cause.BORE, 0.75),
    Belief(Cause.LEAK, 0.15),
    Belief(Cause.SECOND_HEAD, 0.06),
    Belief(Cause.OTHER_BORE, 0.04),
)


def verdict(state: State = State.OPENED, causes: tuple[Belief, ...] = CAUSES) -> Verdict:
    return Verdict(
        time_ns=START,
        state=state,
        reason="stepped up",
        jet_hours=12.0,
        nominal_bore=0.254e-3,
        bore=0.264e-3,
        bore_sd=1e-6,
        area_ratio=1.08,
        discharge_coefficient=0.7,
        rate_expected=0.5,
        rate_seen=0.54,
        pressure_expected=380e6,
        pressure_seen=380e6,
        overstroke_margin=0.3,
        probability=0.75,
        onset_ns=ONSET if state is State.OPENED else None,
        step=0.08,
        causes=causes,
    )


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_every_step_says_the_cautions_first(step):
    told = guarded_step(step)
    assert told.cautions == CAUTIONS
    lines = told.lines
    assert step.ask in lines[-1]
    if step.place is Place.OPENED:
        assert "locked out, bled down and verified at zero pressure" in step.ask


def test_whoever_looks_at_the_stream_stays_outside_the_guards():
    assert BY_NAME["stream"].place is Place.OUTSIDE
    assert "from outside the guards" in BY_NAME["stream"].ask
    assert "7 MPa" in BY_NAME["stream"].ask


@pytest.mark.parametrize(("rim", "cause"), [("chipped", Cause.BORE), ("worn", Cause.BORE)])
def test_a_chip_under_the_microscope_confirms_the_bore(rim, cause):
    found = conclude(verdict(), {"rim": rim})
    assert (found.finding, found.cause) == (Finding.CONFIRMED, cause)
    assert found.next_step.startswith("Change the jewel")
    for words in ("locked out", "bled down", "zero pressure", "maker's manual"):
        assert words in found.next_step
    assert found.probability > 0.95


def test_a_sound_rim_closes_an_alert_of_the_bore_and_names_what_is_left():
    found = conclude(verdict(), {"rim": "sound", "second-head": "no", "jewel-changed": "no"})
    assert found.finding is Finding.RULED_OUT
    assert found.cause is None
    assert Cause.LEAK.value in found.reason
    assert BY_NAME["dead-head"].ask in found.next_step
    slow = conclude(verdict(State.WEARING, ()), {"rim": "sound"})
    assert slow.finding is Finding.RULED_OUT


@pytest.mark.parametrize("state", [State.OTHER_FAULT, State.CANNOT_TELL, State.NOT_STATED_BORE])
def test_a_sound_rim_does_not_close_an_alert_of_something_else(state):
    found = conclude(verdict(state), {"rim": "sound"})
    assert found.finding is Finding.UNDECIDED


def test_a_second_head_explains_the_alert_and_a_leak_is_a_fault_all_the_same():
    likely = (Belief(Cause.BORE, 0.6), Belief(Cause.SECOND_HEAD, 0.4))
    found = conclude(verdict(causes=likely), {"second-head": "yes", "dead-head": "stops"})
    assert (found.finding, found.cause) == (Finding.EXPLAINED, Cause.SECOND_HEAD)
    found = conclude(verdict(), {"dead-head": "goes on", "weep": "hot"})
    assert (found.finding, found.cause) == (Finding.CONFIRMED, Cause.LEAK)


def test_a_stream_alone_decides_nothing_however_probable_the_bore():
    nearly = (Belief(Cause.BORE, 0.97), Belief(Cause.LEAK, 0.03))
    found = conclude(verdict(causes=nearly), {"stream": "spread"})
    assert found.finding is Finding.UNDECIDED
    assert BY_NAME["rim"].ask in found.next_step
    assert "can't tell" in remarks(verdict(causes=nearly), {"stream": "spread"})[0]
    astray = remarks(verdict(), {"stream": "spread", "tube": "tear-drop"})
    assert any("misaligned" in line and "loads the pump no more" in line for line in astray)
    assert remarks(verdict(), {"stream": "tight"}) == []


def test_a_naked_eye_settles_nothing_and_the_microscope_is_still_the_next():
    found = conclude(verdict(), {"rim": "naked eye", "dead-head": "stops", "second-head": "no"})
    assert found.finding is Finding.UNDECIDED
    assert "without a microscope" in found.reason
    assert next_check(INTENSIFIER, found.beliefs, {"rim": "naked eye"}) is not None


def test_what_is_all_done_and_undecided_goes_to_somebody_qualified():
    usual = {s.name: max(zip(s.usual, s.answers, strict=True))[1] for s in STEPS}
    usual["rim"] = "doubtful"
    found = conclude(verdict(), usual)
    assert found.finding is Finding.UNDECIDED
    assert "qualified" in found.next_step


def test_routine_inspections_find_nothing_a_chip_or_a_reason_to_look_further():
    nothing = conclude(None, {"stream": "tight", "cut": "good"}, INTENSIFIER)
    assert nothing.finding is Finding.NOTHING_FOUND
    assert conclude(None, {}, "").finding is Finding.NOTHING_FOUND
    chip = conclude(None, {"rim": "chipped"}, DIRECT_DRIVE)
    assert (chip.finding, chip.cause) == (Finding.CONFIRMED, Cause.BORE)
    further = conclude(None, {"stream": "spread"}, INTENSIFIER)
    assert further.finding is Finding.UNDECIDED
    assert "microscope" in further.next_step


def test_a_slow_alert_has_the_prior_for_its_causes():
    assert beliefs_of(verdict(State.WEARING, ()))[0].cause is Cause.BORE
    assert math.fsum(b.probability for b in beliefs_of(verdict(State.WEARING, ()))) == 1.0


# -- the alarm


def inspection(finding: Finding, cause: Cause | None = None, **other: object) -> Inspection:
    made = Inspection(
        machine="North",
        time_ns=START + 600 * S,
        by="Ada",
        answers={},
        finding=finding,
        reason="because",
        next_step="Do it.",
        cause=cause,
        alert_ns=START,
        alert_state=State.OPENED.value,
        onset_ns=ONSET,
        step=0.08,
    )
    return replace(made, **other)  # type: ignore[arg-type]


def at(seconds: float) -> int:
    return START + round(seconds * S)


def raised() -> Alarm:
    alarm = Alarm("North", SETTINGS)
    alarm.update(State.OPENED, "stepped up", at(0), ONSET)
    [notice] = alarm.update(State.OPENED, "stepped up", at(30), ONSET)
    assert notice.kind == "alarm"
    return alarm


def test_confirmed_stays_raised_is_acknowledged_and_says_what_next():
    alarm = raised()
    assert alarm.inspect(7, [inspection(Finding.CONFIRMED, Cause.BORE)], at(600)) == []
    assert alarm.state is AlarmState.ACKNOWLEDGED
    assert alarm.condition == State.OPENED.value
    assert alarm.inspected == "confirmed: bore opened up (because). Do it."
    assert (alarm.inspected_by, alarm.acknowledged_by, alarm.inspection) == ("Ada", "Ada", 7)
    assert alarm.tick(at(100_000)) == []
    # another jewel: what was found of the last one is over
    alarm.update(State.LEARNING, "", at(100_001))
    assert alarm.inspected == ""
    alarm.update(State.SOUND, "sound", at(100_100))
    assert [n.kind for n in alarm.tick(at(100_160))] == ["all-clear"]


@pytest.mark.parametrize("finding", [Finding.RULED_OUT, Finding.EXPLAINED])
def test_closed_tells_nothing_more_of_that_event(finding):
    alarm = raised()
    assert alarm.inspect(1, [inspection(finding)], at(600)) == []
    told = []
    for hour in range(1, 30):
        # reckoned anew, and under another name, it is the same event
        state = State.OPENED if hour % 2 else State.CANNOT_TELL
        told += alarm.update(state, "still", at(3600 * hour), ONSET + 100 * S)
        told += alarm.tick(at(3600 * hour + 40))
        assert alarm.state is AlarmState.CLOSED
        alarm = Alarm.from_json(alarm.to_json())
    assert told == []
    assert alarm.inspected.endswith("(because). Do it.")
    told = alarm.update(State.SOUND, "sound", at(200_000)) + alarm.tick(at(200_100))
    assert told == []
    assert alarm.state is AlarmState.NORMAL


def test_another_event_is_told_though_the_last_one_was_closed():
    alarm = raised()
    alarm.inspect(1, [inspection(Finding.RULED_OUT)], at(600))
    alarm.update(State.OPENED, "again", at(7200), at(7000))
    [notice] = alarm.update(State.OPENED, "again", at(7231), at(7000))
    assert (notice.kind, notice.reason) == ("alarm", "again")
    assert alarm.state is AlarmState.UNACKNOWLEDGED


def test_once_gone_for_the_off_delay_the_same_slow_thing_is_news_again():
    alarm = Alarm("North", SETTINGS)
    alarm.update(State.WEARING, "wears", at(0))
    alarm.tick(at(30))
    slow = inspection(Finding.RULED_OUT, alert_state=State.WEARING.value, onset_ns=None)
    alarm.inspect(1, [slow], at(60))
    alarm.update(State.SOUND, "sound", at(100))
    alarm.update(State.WEARING, "wears", at(130))  # it flaps: nothing
    assert alarm.tick(at(200)) == []
    alarm.update(State.SOUND, "sound", at(300))
    alarm.update(State.SOUND, "sound", at(361))
    alarm.update(State.WEARING, "wears", at(400))
    assert [n.kind for n in alarm.tick(at(430))] == ["alarm"]


def test_struck_out_it_is_open_again():
    alarm = raised()
    alarm.inspect(1, [inspection(Finding.RULED_OUT)], at(600))
    assert alarm.inspect(2, [], at(700)) == []
    [notice] = alarm.tick(at(730))
    assert notice.kind == "alarm"
    assert (alarm.inspected, alarm.inspection) == ("", 2)


def test_the_last_inspection_of_this_event_counts_and_no_other():
    alarm = raised()
    held = [
        inspection(Finding.RULED_OUT),
        inspection(Finding.CONFIRMED, Cause.BORE),
        inspection(Finding.RULED_OUT, onset_ns=ONSET - 86_400 * S),
        inspection(Finding.NOTHING_FOUND, alert_ns=None, alert_state=None, onset_ns=None),
    ]
    alarm.inspect(4, held, at(600))
    assert alarm.inspected.startswith("confirmed")
    assert alarm.state is AlarmState.ACKNOWLEDGED


def test_undecided_leaves_the_alarm_as_it_is():
    alarm = raised()
    alarm.inspect(1, [inspection(Finding.UNDECIDED)], at(600))
    assert alarm.state is AlarmState.UNACKNOWLEDGED
    assert [n.kind for n in alarm.tick(at(30 + 3600))] == ["repeat"]


WHAT = st.sampled_from([*State, *Finding, "strike", "acknowledge"])
STEPS_TAKEN = st.lists(st.tuples(WHAT, st.floats(0.0, 5000.0)), max_size=80)


def taken(
    steps: list[tuple[State | Finding | str, float]], restart: bool
) -> tuple[Alarm, list[Notice]]:
    alarm, notices, now = Alarm("North", SETTINGS), [], START
    for entry, (what, gap) in enumerate(steps, start=1):
        now += round(gap * S)
        if isinstance(what, State):
            onset = ONSET if what is State.OPENED else None
            notices += alarm.update(what, what.value, now, onset)
        elif isinstance(what, Finding):
            notices += alarm.inspect(entry, [inspection(what)], now)
        elif what == "strike":
            notices += alarm.inspect(entry, [], now)
        else:
            alarm.acknowledge(now, "Ada")
        if restart:
            alarm = Alarm.from_json(alarm.to_json())
    return alarm, notices


@given(STEPS_TAKEN)
def test_whatever_is_inspected_and_unsaid_there_is_never_a_storm(steps):
    alarm, notices = taken(steps, restart=False)
    assert len(notices) <= math.ceil(sum(gap for _, gap in steps) / SETTINGS.repeat) + BURST
    assert taken(steps, restart=True) == (alarm, notices)


@given(STEPS_TAKEN)
def test_however_it_was_inspected_another_event_that_lasts_is_told(steps):
    later = sum(gap for _, gap in steps) + 10 * 86_400.0
    alarm, _ = taken(steps, restart=False)
    alarm.update(State.SOUND, "", at(later - 3600))
    alarm.tick(at(later - 1800))
    told = alarm.update(State.OPENED, "", at(later), at(later))
    told += alarm.tick(at(later + 31))
    assert [(notice.kind, notice.state) for notice in told] == [("alarm", State.OPENED)]


def test_nobody_is_sent_to_pressure_with_the_jewel_out() -> None:
    found = conclude(verdict(), {"rim": "sound", "second-head": "no", "jewel-changed": "no"})
    assert found.next_step.startswith("First have qualified people refit jewel and head")
    assert "release the machine" in found.next_step


def test_a_second_head_that_does_not_explain_the_alert_is_said_so() -> None:
    said = remarks(verdict(causes=(Belief(Cause.BORE, 0.98), Belief(Cause.SECOND_HEAD, 1e-6))),
                   {"second-head": "yes"})  # fmt: skip
    assert any("does not explain this alert" in line for line in said)
    assert remarks(verdict(), {"second-head": "no"}) == []
    assert any("rate at which the open jet empties" in line
               for line in remarks(verdict(), {"stop-with-jet": "made"}))  # fmt: skip


def test_a_planned_stop_says_what_may_not_be_done() -> None:
    ask = BY_NAME["stop-with-jet"].ask
    for words in ("local codes", "qualified people", "never bypass an interlock", "emergency stop",
                  "bleed down", "verify zero", "spread stream"):  # fmt: skip
        assert words in ask
    assert "not allowed" in BY_NAME["stop-with-jet"].no_say

import re
from dataclasses import replace

import numpy as np
import pytest

from borewarden.base.statistics import Interval
from borewarden.base.text import counted, either, every_nth, probability_words
from borewarden.base.times import local_time
from borewarden.detect.false_rate import FalseRate
from borewarden.detect.second_opinion import Opinion
from borewarden.diagnose.causes import Belief, Cause
from borewarden.diagnose.checks import CHECKS, may_tell
from borewarden.diagnose.feature_table import FEATURES, FeatureShift
from borewarden.diagnose.posterior import weigh_causes
from borewarden.diagnose.signatures import Circumstances
from borewarden.inspection.cautions import CAUTIONS
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, area_of_rate
from borewarden.show.wording import (
    ALERT_COLUMNS,
    CLOSED_COUNTS,
    THEN,
    advice,
    alert_row,
    alert_rows,
    alert_words,
    alerts_title,
    bore_words,
    came_words,
    cause_lines,
    evidence,
    figure_lines,
    headline,
    headline_then,
    heads_words,
    jet_hours_words,
    jewel_words,
    pressure_words,
    probable_causes,
    since,
    told_then,
    told_words,
    undecided,
    verdict_lines,
    what_happened,
)
from borewarden.watcher.verdict import State, Verdict
from borewarden.watcher.watcher import Alert

NAN = float("nan")
INTENSIFIER = Intensifier(0.022, 0.2, 1e-5, 20.0, 1.0, 400e6, 37e3)
CRANK = DirectDrive(3, 0.0127, 0.05, 1.5e-6, 8.0, 380e6, 22e3)
NOON_NS = 1_772_449_200 * 10**9  # 2026-03-02 11:00 UTC, 12:00 in Berlin

OPENED = Verdict(
    time_ns=NOON_NS,
    state=State.OPENED,
    reason="the effective area stepped up by 10.0%",
    jet_hours=12.34,
    nominal_bore=0.254e-3,
    bore=0.2664e-3,
    bore_sd=0.0011e-3,
    area_ratio=1.1,
    discharge_coefficient=0.651,
    rate_expected=0.80,
    rate_seen=0.88,
    pressure_expected=380e6,
    pressure_seen=380e6,
    overstroke_margin=0.12,
    probability=0.9876,
    onset_ns=NOON_NS - 600 * 10**9,
    step=0.1,
    step_sd=0.012,
    slope_per_hour=0.0004,
    slope_sd=0.0001,
    hours_to_limit=Interval(20.0, 25.0, 31.0),
)
UNKNOWN = Verdict(
    NOON_NS, State.LEARNING, "no steady cutting yet", 0.0, 0.254e-3, *(NAN,) * 8, None, 0.0
)


def in_state(state: State) -> Verdict:
    return replace(OPENED, state=state, onset_ns=None, step=0.0)


def all_verdicts() -> list[Verdict]:
    verdicts = [in_state(state) for state in State]
    verdicts += [replace(v, overstroke_margin=None) for v in verdicts]
    steps = [replace(OPENED, state=State.CANNOT_TELL, step=step) for step in (-0.2, 0.9)]
    return [*verdicts, *steps, OPENED, UNKNOWN]


def test_what_is_no_more_than_even_is_not_called_probable():
    feed, slip = Belief(Cause.FEED, 0.31), Belief(Cause.SLIP, 0.12)
    causes = (Belief(Cause.BORE, 0.42), feed, slip, Belief(Cause.LEAK, 0.03))
    held = replace(OPENED, probability=0.42, causes=causes)
    assert headline(held) == "It may be the bore (42 %) or poor feed (31 %) or belt slip (12 %)"
    assert told_words(held) == "Perhaps opened up, or poor feed or belt slip"
    assert headline(replace(held, probability=0.51)) == "The bore has probably opened up"
    slow = replace(held, state=State.WEARING, onset_ns=None, causes=causes[:2])
    assert headline(slow) == "Slow growth: it may be the bore (42 %) or poor feed (31 %)"
    assert headline(replace(held, causes=causes[:1])) == "The bore may have opened up (42 %)"
    since = replace(held, causes=(Belief(Cause.SLIP, 0.9), Belief(Cause.LEAK, 0.08)))
    assert headline(since) == "It may be the bore (42 %) or belt slip or a leak"
    other = replace(held, state=State.OTHER_FAULT, causes=(feed, *causes[:1]))
    assert headline(other) == "It may be poor feed (31 %) or the bore (42 %)"
    assert told_words(other) == "Perhaps another fault"


@pytest.mark.parametrize("verdict", all_verdicts(), ids=lambda v: v.state.name)
@pytest.mark.parametrize("pump", [INTENSIFIER, CRANK, replace(CRANK, regulation="bypass")])
def test_every_state_has_words(verdict, pump):
    assert headline(verdict)
    lines = evidence(verdict, pump, "Europe/Berlin")
    assert f"Device status (NAMUR NE 107): {verdict.state.ne107}" in lines
    assert advice(verdict).steps
    everything = "\n".join(verdict_lines(verdict, pump, "Europe/Berlin"))
    assert not re.search(r"\b(nan|inf|None)\b", everything)


@pytest.mark.parametrize("verdict", all_verdicts(), ids=lambda v: v.state.name)
def test_cautions_come_first_in_every_advice(verdict):
    told = advice(verdict)
    assert told.cautions == CAUTIONS
    assert told.lines == [*CAUTIONS, *told.steps]


def test_cautions_say_what_keeps_people_whole():
    text = " ".join(CAUTIONS).lower()
    for words in ("lock it out", "bleed", "verify zero pressure", "near the jet", "feel for leaks"):
        assert words in text
    for words in ("hospital at once", "high-pressure injection", "looks small", "local codes"):
        assert words in text
    for words in ("qualified", "manual", "not a safety device"):
        assert words in text


def test_verdicts_are_hedged():
    for state in set(State) - {State.LEARNING, State.CANNOT_TELL}:
        assert "probably" in headline(in_state(state)).lower()
    assert "probably" in headline(blamed(Cause.UNKNOWN, State.CANNOT_TELL))
    assert headline(in_state(State.CANNOT_TELL)) == "Cannot tell whether the bore is sound"


def test_bores_and_areas_are_effective_or_stated_ones():
    for verdict in all_verdicts():
        for line in evidence(verdict, INTENSIFIER, "UTC"):
            for match in re.finditer(r"\b(bore|area)\b", line):
                before = line[: match.start()].lower().rstrip()
                assert before.endswith(("effective", "stated"))


def test_hours_of_a_jewel_from_before_the_watch_are_as_stated():
    jewel = Jewel(0.254e-3, "ruby", 1_772_600_000 * 10**9, jet_hours=25.0)
    said = jewel_words(jewel, "UTC")
    assert said.endswith("fitted 2026-03-04 04:53 UTC, 25.0 h before that, as stated")
    assert said.startswith(jewel_words(replace(jewel, jet_hours=0.0), "UTC"))


def test_numbers_of_an_intensifier():
    text = "\n".join(evidence(OPENED, INTENSIFIER, "Europe/Berlin"))
    assert "0.2664 ± 0.0011 mm (0.01049 ± 0.00004 in)" in text
    assert "Stated bore: 0.254 mm (0.0100 in)" in text
    assert "52.8 strokes/min seen, 48.0 expected (+10.0 %)" in text
    assert "380.0 MPa (55,100 psi)" in text
    assert "Overstroke margin: 7 strokes/min left before the limit of 60 strokes/min" in text
    assert "Onset: 2026-03-02 11:50 CET" in text
    assert "Probability: 99 % that the effective bore has opened up" in text
    assert "Jet hours of this jewel: 12.3 h" in text
    assert "failure" in text


def test_a_crank_pump_shows_it_by_its_pressure():
    verdict = replace(
        OPENED, overstroke_margin=None, pressure_seen=300e6, pressure_expected=375e6, rate_seen=8.0
    )
    text = "\n".join(evidence(verdict, CRANK, "UTC"))
    assert "300.0 MPa (43,500 psi) seen, 375.0 MPa (54,400 psi) expected (-20.0 %)" in text
    assert "480.0 turns/min" in text
    assert "strok" not in text
    held = "\n".join(evidence(verdict, replace(CRANK, regulation="speed"), "UTC"))
    assert "Crank speed: 480.0 turns/min seen, 48.0 expected" in held


def test_time_left_is_an_interval_and_left_out_after_a_step():
    wearing = in_state(State.WEARING)
    text = "\n".join(evidence(wearing, INTENSIFIER, "UTC"))
    assert "Wear: effective area +0.04 ± 0.01 % per jet hour" in text
    assert "Jet hours left before the limit: 25 (90 %: 20 to 31)" in text
    endless = replace(wearing, hours_to_limit=Interval(20.0, 50.0, np.inf))
    assert "at least 20;" in "\n".join(evidence(endless, INTENSIFIER, "UTC"))
    after = "\n".join(evidence(OPENED, INTENSIFIER, "UTC"))
    assert "Wear before the step" in after
    assert "left before the limit:" not in after


def test_checks_fit_what_happened():
    fallen = " ".join(advice(replace(OPENED, state=State.CANNOT_TELL, step=-0.2)).steps)
    assert "plugged" in fallen
    assert "second head" not in fallen
    opened = " ".join(advice(OPENED).steps)
    for words in ("second head", "weeping", "dead-headed", "changed the jewel", "microscope"):
        assert words in opened
    assert opened.index("second head") < opened.index("microscope")
    assert "unloading" in " ".join(advice(replace(OPENED, overstroke_margin=None)).steps)


def test_jewel_comes_out_only_from_a_pump_without_pressure():
    for verdict in all_verdicts():
        for line in advice(verdict).steps:
            if "take out" in line:
                assert "stopped, locked out, bled down and verified at zero pressure" in line


def test_units():
    assert bore_words(0.0254e-2) == "0.254 mm (0.0100 in)"
    assert pressure_words(413.685e6) == "413.7 MPa (60,000 psi)"
    assert probability_words(1.0) == "above 99 %"
    assert probability_words(0.0) == "below 1 %"
    assert [probability_words(p) for p in (0.005, 0.0051, 0.828, 0.9949, 0.9951)] == [
        "below 1 %",
        "1 %",
        "83 %",
        "99 %",
        "above 99 %",
    ]
    ordinals = ["each", "every second", "every third", "every 11th", "every 21st", "every 102nd"]
    assert [every_nth(n) for n in (1, 2, 3, 11, 21, 102)] == ordinals
    assert local_time(NOON_NS, "America/Chicago") == "2026-03-02 05:00 CST"


def test_since_and_alert_row():
    assert since(UNKNOWN, "UTC") is None
    assert since(OPENED, "UTC") == (
        "Since about 2026-03-02 10:50 UTC: effective area +10.0 ± 1.2 % against just before"
    )
    row = alert_row(Alert(NOON_NS, OPENED), "UTC")
    assert len(row) == len(ALERT_COLUMNS)
    assert row.time == "2026-03-02 11:00 UTC"
    assert row.state == "Probably opened up (failure)"
    assert row.size == "+10.0 ± 1.2 %"
    assert alert_row(Alert(NOON_NS, in_state(State.WEARING)), "UTC").onset == "–"
    unlearned = replace(OPENED, onset_ns=None, area_ratio=NAN)
    assert alert_row(Alert(NOON_NS, unlearned), "UTC").size == "none, as no steady jet was seen"


@pytest.mark.parametrize("learned", [True, False])
@pytest.mark.parametrize("state", [State.LEARNING, State.CANNOT_TELL])
def test_what_tells_of_no_fault_is_called_a_message_and_says_why_it_has_no_area(state, learned):
    verdict = replace(in_state(state), reason="why")
    if not learned:
        verdict = replace(verdict, area_ratio=NAN, discharge_coefficient=NAN)
    row, alert = (alert_row(Alert(NOON_NS, each), "UTC") for each in (verdict, OPENED))
    assert row.state == f"Message, not an alert: {state.value} (function check)"
    area = ": none yet, as this jewel is not learned"
    if learned:
        area = " +10.0 % in the newest batches"
    assert f"(function check), effective area{area}" in alert_words(row)
    assert alerts_title([alert]) == "Alerts"
    assert alerts_title([alert, row]) == "Alerts and messages"
    caused = replace(verdict, causes=(Belief(Cause.LEAK, 0.4), Belief(Cause.BORE, 0.4)))
    if state is State.CANNOT_TELL:  # something changed
        assert not alert_row(Alert(NOON_NS, caused), "UTC").state.startswith("Message")


def test_an_alert_that_corrects_the_one_before_says_which_one_it_replaces() -> None:
    later = replace(in_state(State.OTHER_FAULT), onset_ns=OPENED.onset_ns + 60 * 10**9)
    other = replace(in_state(State.OPENED), onset_ns=OPENED.onset_ns + 3600 * 10**9)
    told = [
        Alert(NOON_NS, OPENED),
        Alert(NOON_NS + 600 * 10**9, later),
        Alert(NOON_NS + 7200 * 10**9, other),
    ]
    reasons = [row.reason for row in alert_rows(told, "Europe/Berlin")]
    corrected = f"this replaces the alert of 12:00: {OPENED.reason}"
    assert reasons == [OPENED.reason, corrected, OPENED.reason]
    assert alert_rows([], "UTC") == []


def test_counts_have_the_right_plural_and_many_names_are_a_list() -> None:
    assert [counted(n, "jet hour") for n in (0, 1, 1.4, 2, 1234.5)] == [
        "0 jet hours", "1 jet hour", "1 jet hour", "2 jet hours", "1,234 jet hours",
    ]  # fmt: skip
    assert either(["a"]) == "a"
    assert either(["a", "b or c"]) == "a, or b or c"
    assert either(["a", "b or c", "d"]) == "one of (1) a, (2) b or c, (3) d"


def test_what_an_area_is_against_is_said() -> None:
    lines = evidence(OPENED, INTENSIFIER, "UTC")
    assert any(
        line.startswith(
            "Effective area now: +10.0 % against the baseline, mean of the newest batches since "
            "the onset, 24 at most"
        )
        for line in lines
    )
    worn = evidence(in_state(State.WEARING), INTENSIFIER, "UTC")
    assert any("against the baseline, mean of the last 24 batches" in line for line in worn)
    assert any(
        line.startswith("Onset: ") and line.endswith(" against just before") for line in lines
    )


@pytest.mark.parametrize(
    ("hours", "words"),
    [(0.3, "less than half a jet hour"), (1.2, "1 jet hour"), (3.4, "3 jet hours")],
)
def test_few_hours_are_said_as_people_do(hours: float, words: str) -> None:
    rate = FalseRate(1e-6, 1e-3, 0.098, 1e-3, 2, hours)
    lines = evidence(replace(OPENED, false_rate=rate), INTENSIFIER, "UTC")
    assert f"Step alerts on this jewel so far: none in {words}" in lines
    (expected,) = (line for line in lines if line.startswith("False step alerts"))
    assert f"fewer than 98 in 1,000 jet hours; {words} can't show more" in expected


def test_a_bound_that_bounds_nothing_is_not_shown() -> None:
    rate = FalseRate(1e-6, 1e-3, 2.667, 1e-3, 2, 1.1)
    lines = evidence(replace(OPENED, false_rate=rate), INTENSIFIER, "UTC")
    (expected,) = (line for line in lines if line.startswith("False step alerts"))
    assert "not known yet, after 1 jet hour;" in expected
    assert "fewer than" not in expected


def test_a_sound_bore_that_was_not_judged_for_long_is_one_of_then() -> None:
    sound = replace(in_state(State.SOUND), judged_ns=NOON_NS)
    assert headline_then(sound, 0.2, "UTC") == headline(sound)
    said = headline_then(sound, 1.3, "UTC")
    assert said.startswith("Not judged since ")
    assert "1.3 h of jet: the bore was probably sound then" in said
    assert (
        evidence(sound, INTENSIFIER, "UTC", (), THEN)[0]
        == "Device status then (NAMUR NE 107): good"
    )
    assert "not judged since" in told_then(sound, 1.3, "UTC")
    for fault in (State.OPENED, State.CANNOT_TELL):  # stays told until something better is seen
        assert headline_then(in_state(fault), 1.3, "UTC") == headline(in_state(fault))


def test_what_cannot_be_told_shows_its_reason_and_no_probability() -> None:
    lost = in_state(State.SOUND).that_cannot_tell("two levels", "log the valve")
    lines = evidence(lost, INTENSIFIER, "UTC")
    assert "Cannot tell: two levels" in lines
    assert not any(line.startswith("Probability") for line in lines)
    (step,) = advice(lost).steps
    assert step.startswith("Log the valve: that settles it.")
    assert alert_row(Alert(0, lost), "UTC").probability == "\u2013"


def test_where_the_stated_bore_does_not_fit_the_kind_of_pump_is_in_question_too() -> None:
    steps = advice(in_state(State.NOT_STATED_BORE)).steps
    assert any("its kind, plunger, stroke" in step for step in steps)


# -- causes


def weighed(is_intensifier=True, **seen):
    """Causes as the model weighs them, of `seen` features (value, standard uncertainty)."""
    shift = FeatureShift(np.full(len(FEATURES), NAN), np.full(len(FEATURES), NAN))
    for i, feature in enumerate(FEATURES):
        if feature.name in seen:
            shift.seen[i], shift.sd[i] = seen[feature.name]
    return weigh_causes(shift, Circumstances(is_intensifier, False, 0.5, 0.254e-3))


def blamed(cause, state=State.OTHER_FAULT, check=CHECKS[0].words, **changes):
    """A verdict whose most probable cause is `cause`, before the bore or a leak."""
    second = Cause.LEAK if cause is Cause.BORE else Cause.BORE
    causes = (
        Belief(cause, 0.8, ("a", "b", "c", "d"), ("e", "f", "g")),
        Belief(second, 0.15),
        Belief(Cause.FEED if cause is not Cause.FEED else Cause.LEAK, 0.049),
        Belief(Cause.UNKNOWN, 0.001),
    )
    return replace(OPENED, state=state, causes=causes, check=check, **changes)


def test_probable_causes_stand_in_the_evidence_the_first_one_with_its_points():
    lines = evidence(blamed(Cause.LEAK), INTENSIFIER, "UTC")
    assert [line for line in lines if line.startswith("Probable cause: ")] == [
        "Probable cause: plunger seal or check valve leaking, 80 % (starting odds invented)",
        "Probable cause: bore opened up, 15 % (starting odds invented)",
    ]
    of = "“plunger seal or check valve leaking”: "
    assert [line[-1] for line in lines if line.startswith(f"Points to {of}")] == ["a", "b", "c"]
    assert [line[-1] for line in lines if line.startswith(f"Speaks against {of}")] == ["e", "f"]
    assert "focusing tube does not load the pump" in lines[-1]


def test_three_causes_at_most_and_none_while_nothing_happened():
    even = tuple(Belief(cause, 0.1) for cause in Cause)
    assert len(probable_causes(replace(OPENED, causes=even))) == 3
    assert probable_causes(OPENED) == []
    text = "\n".join(evidence(OPENED, INTENSIFIER, "UTC"))
    assert "cause:" not in text
    assert "focusing tube" not in text


def test_probability_is_that_of_an_opened_bore_and_not_of_any_step():
    (line,) = [x for x in evidence(OPENED, INTENSIFIER, "UTC") if x.startswith("Probability")]
    assert "99 %" in line
    assert "not chance and not another fault" in line


@pytest.mark.parametrize("cause", Cause, ids=lambda cause: cause.name)
@pytest.mark.parametrize("check", CHECKS, ids=range(len(CHECKS)))
def test_cheapest_check_comes_first_after_the_cautions(cause, check):
    verdict = blamed(cause, check=check.words)
    told = advice(verdict)
    assert told.cautions == CAUTIONS
    first = told.steps[0]
    if not may_tell(check.words, cause, verdict.causes[1].cause):
        assert not any("cheapest way" in line for line in told.steps)
        return
    assert first.lower().startswith(check.words.lower())
    assert f"“{cause.words}”" in first
    assert f"“{verdict.causes[1].cause.words}”" in first
    assert len(told.steps) > 1  # the usual ones still follow
    for line in told.steps:
        if "jewel out" in line or "take out" in line or "have the last-chance filter" in line:
            assert "stopped, locked out, bled down and verified at zero pressure" in line


def test_jewel_is_taken_out_once_even_if_that_is_the_cheapest_check():
    told = list(advice(blamed(Cause.BORE, State.OPENED, CHECKS[-1].words)).steps)
    assert sum("microscope" in line for line in told) == 1


@pytest.mark.parametrize(
    ("cause", "words"),
    [
        (Cause.LEAK, "weeping"),
        (Cause.SECOND_HEAD, "second head"),
        (Cause.BLOCKED, "clogged filter"),
        (Cause.TRANSDUCER, "second gauge"),
        (Cause.FEED, "water supply"),
        (Cause.SLIP, "slipping belt"),
        (Cause.BYPASS, "bypass valve"),
        (Cause.OTHER_BORE, "changed the jewel"),
        (Cause.UNKNOWN, "weeping"),
    ],
)
def test_another_fault_is_named_and_has_its_own_checks(cause, words):
    verdict = blamed(cause, check="")
    assert headline(verdict) == f"Probably another fault: {cause.words}"
    assert words in " ".join(advice(verdict).steps)


@pytest.mark.parametrize("first", [cause for cause in Cause if cause is not Cause.BORE])
@pytest.mark.parametrize("check", ["", CHECKS[0].words, CHECKS[-1].words])
@pytest.mark.parametrize(("share", "looks"), [(0.06, 1), (0.04, 0)])
def test_the_jewel_is_looked_at_as_long_as_it_may_be_the_bore(first, check, share, looks):
    causes = (Belief(first, 0.9), Belief(Cause.LEAK, 0.03), Belief(Cause.BORE, share))
    told = replace(blamed(first, check=check), probability=0.0, causes=causes)
    for verdict in (told, replace(told, open_heads="head 1 and 2")):
        found = sum("microscope" in step for step in advice(verdict).steps)
        if first is Cause.OTHER_BORE or check == CHECKS[-1].words:  # it is among them anyway
            assert found == 1
        else:
            assert found == looks


@pytest.mark.parametrize(
    ("state", "causes", "said"),
    [
        (State.OPENED, (Cause.BORE, Cause.LEAK), "Probably the bore, or a leak; nothing measured"),
        (State.WEARING, (Cause.BORE, Cause.LEAK), "Slow growth, probably of the bore, or a leak;"),
        (State.OTHER_FAULT, (Cause.LEAK, Cause.BYPASS), "Probably a leak, or a leaking bypass"),
        (State.OPENED, (Cause.LEAK, Cause.BORE), "The bore has probably opened up"),  # before that
        (State.CANNOT_TELL, (Cause.BORE, Cause.LEAK), "Something has probably changed"),
    ],
)
def test_a_headline_names_no_cause_alone_that_others_look_like(state, causes, said):
    first, second = causes
    beliefs = (Belief(first, 0.75, alike=(second,)), Belief(second, 0.15, alike=(first,)))
    assert headline(replace(OPENED, state=state, causes=beliefs)).startswith(said)
    verdict = replace(OPENED, state=state, causes=beliefs)
    table = alert_row(Alert(NOON_NS, verdict), "UTC").state
    with_others = state in (State.OPENED, State.WEARING) and first is Cause.BORE
    assert (", or a leak (" in table) is with_others
    sure = (replace(beliefs[0], alike=()), beliefs[1])
    assert "nothing measured here" not in headline(replace(OPENED, state=state, causes=sure))


def test_more_than_three_causes_that_look_the_same_are_a_short_list():
    others = (Cause.LEAK, Cause.FEED, Cause.SLIP)
    beliefs = (
        Belief(Cause.BORE, 0.4, alike=others),
        *(Belief(cause, 0.2, alike=(Cause.BORE,)) for cause in others),
    )
    verdict = replace(OPENED, causes=beliefs)
    assert headline(verdict) == (
        "Probably the bore, or one of these: a leak, poor feed, belt slip; "
        "nothing measured here tells which"
    )
    lines = "\n".join(evidence(verdict, CRANK, "UTC"))
    assert "Probable cause: one of (1) bore opened up, (2) plunger seal" in lines


def test_what_pressure_and_stroke_rate_alone_leave_open_is_said():
    causes = (Belief(Cause.BORE, 0.5), Belief(Cause.LEAK, 0.4), Belief(Cause.FEED, 0.1))
    opened = replace(OPENED, causes=causes)
    assert "pressure and stroke rate alone" in " ".join(undecided(opened, INTENSIFIER))
    text = " ".join(advice(opened).steps)
    assert "To be sure, have a qualified person measure: " in text
    for signal in ("dead-headed", "weep lines", "each side", "feed (boost) pressure"):
        assert signal in text
    assert "bypass" not in text
    assert "pressure and crank speed alone" in " ".join(undecided(opened, CRANK))
    (asked,) = (line for line in advice(replace(opened, overstroke_margin=None)).steps
                if line.startswith("To be sure"))  # fmt: skip
    assert "weep lines" in asked
    assert "dead-headed" not in asked
    assert undecided(replace(OPENED, causes=causes[:1]), CRANK) == []


def test_a_signal_that_has_spoken_is_not_asked_for():
    steady = {"area": (0.08, 0.004), "scatter": (0.0, 0.05), "ripple": (0.0, 0.05)}

    def asked(**seen):
        causes = weighed(is_intensifier=False, **steady, **seen)
        verdict = replace(OPENED, causes=causes, overstroke_margin=None)
        told = [cause for group in probable_causes(verdict) for cause in group.causes]
        said = [*undecided(verdict, CRANK), *advice(verdict).steps]
        return told, "\n".join(line for line in said if line.startswith(("Bear in mind", "To ")))

    told, text = asked()
    assert Cause.BYPASS in told
    assert "here, have a qualified person measure: temperature of the by" in text
    assert "pressure and crank speed alone" in text
    for seen in (0.3, 30.0):  # K: cold, then hot
        told, text = asked(bypass=(seen, 0.5))
        assert (Cause.BYPASS in told) is (seen > 1.0)
        assert "bypass" not in text
    assert "alone" not in text


def test_crank_pump_says_that_a_drifting_gain_looks_like_the_bore():
    causes = (Belief(Cause.BORE, 0.8), Belief(Cause.TRANSDUCER, 0.2))
    verdict = replace(OPENED, causes=causes)
    assert "only a second gauge can tell" in "\n".join(undecided(verdict, CRANK))
    on_intensifier = "\n".join(undecided(verdict, INTENSIFIER))
    assert "gauge" not in on_intensifier
    assert "oil pressure" in " ".join(advice(verdict).steps)


ASKS = re.compile(r"\b(measure|look (for|at)|check (the|whether)|compare|ask|take|have)\b", re.I)


@pytest.mark.parametrize("verdict", [*all_verdicts(), *map(blamed, Cause)], ids=lambda v: v.reason)
@pytest.mark.parametrize("pump", [INTENSIFIER, CRANK])
def test_evidence_states_and_asks_nothing_of_anybody(verdict, pump):
    lines = evidence(verdict, pump, "UTC", ("bore", "stroke", "fitted", "max_stroke_rate"))
    assert [line for line in lines if ASKS.search(line)] == []


def test_what_was_guessed_is_called_assumed():
    stated, guessed = (
        "\n".join(evidence(OPENED, INTENSIFIER, "UTC", names))
        for names in ((), ("stroke", "max_stroke_rate", "bore", "fitted"))
    )
    assert "assumed" not in stated.lower()
    assert "Assumed bore (guessed in the machine file): 0.254 mm" in guessed
    assert "Stated bore" not in guessed
    assert "if the assumed stroke and the assumed bore are right" in guessed
    assert "from assumed figures" in guessed
    assert "left before the limit of 60 strokes/min, which is assumed" in guessed
    assert "at least 12.3 h; the date when it was fitted is assumed" in guessed
    unsure = "\n".join(evidence(replace(OPENED, closed_known=False), CRANK, "UTC", ("fitted",)))
    assert "about 12.3 h; a closed jet that holds its pressure may count as an open one" in unsure
    assert "a valve signal would tell; the date when it was fitted is assumed" in unsure
    ruby = Jewel(0.254e-3, "ruby", NOON_NS)
    assert "assumed" not in jewel_words(ruby, "UTC")
    for names, said in (
        (("bore",), "(bore assumed)"),
        (("bore", "material", "fitted"), "(bore, material and date assumed)"),
    ):
        assert jewel_words(replace(ruby, guessed=names), "UTC").endswith(said)


def test_a_level_that_may_be_a_valves_is_said_once_beside_bore_and_hours():
    known = replace(OPENED, overstroke_margin=None, closed_known=False)
    told = replace(known, level_known=False)
    lines = evidence(told, CRANK, "UTC")
    (place,) = (i for i, line in enumerate(lines) if line.startswith("Not certain: "))
    assert lines[place - 1].startswith("Effective area")
    for word in ("bore, C_d, wear and jet hours", "valve and not of the jet", "signal settles it"):
        assert word in lines[place]
    (hours,) = (line for line in lines if line.startswith("Jet hours"))
    assert "about 12.3 h, which may be half of the true ones" in hours
    assert CLOSED_COUNTS not in hours
    last = advice(told).steps[-1]
    assert last.startswith("To see whose pressure is watched: from the operator's station")
    assert "380.0 MPa" in last
    assert "Not certain" not in "".join(evidence(known, CRANK, "UTC"))
    assert not any("whose pressure" in step for step in advice(known).steps)
    unseen = replace(told, pressure_seen=NAN, state=State.LEARNING)
    assert "the pressure shown here" in advice(unseen).steps[-1]


def test_jet_hours_are_a_range_where_the_crank_idled():
    idled = replace(OPENED, closed_known=False, jet_hours=23.5, idle_hours=5.49)
    assert jet_hours_words(idled) == "between 16.4 and 23.5 h"
    (hours,) = (x for x in evidence(idled, CRANK, "UTC") if x.startswith("Jet hours"))
    assert "between 16.4 and 23.5 h; the crank idled for 5.5 h of these" in hours
    assert jet_hours_words(replace(idled, idle_hours=22.0)) == "between 0.0 and 23.5 h"
    assert jet_hours_words(replace(idled, idle_hours=0.0)) == "about 23.5 h"


SINCE = local_time(NOON_NS, "Europe/Berlin")


@pytest.mark.parametrize(
    ("state", "opinion", "words"),
    [
        (State.OPENED, Opinion(NOON_NS, both=1), "agrees"),
        (State.SOUND, Opinion(), "agrees"),
        (State.OPENED, Opinion(only_watcher=1), "sees no change in the area"),
        (
            State.SOUND,
            Opinion(NOON_NS, only_detector=1),
            f"sees a change in the area since {SINCE}, the watcher does not",
        ),
    ],
)
def test_a_second_opinion_is_told_and_a_disagreement_stands_beside_the_alert(
    state, opinion, words
) -> None:
    verdict = replace(in_state(state), second_opinion=opinion)
    lines = evidence(verdict, INTENSIFIER, "Europe/Berlin")
    said = f"a general-purpose detector (Page-Hinkley) {words}"
    assert f"Second opinion: {said}" in lines
    (changes,) = (line for line in lines if line.startswith("Changes on this jewel so far: "))
    for count, by in (
        (opinion.both, "seen by the watcher and the second opinion"),
        (opinion.only_watcher, "only by the watcher"),
        (opinion.only_detector, "only by the second opinion"),
    ):
        assert (f"{count} {by}" in changes) is (by in changes) is bool(count)
    assert changes.endswith(": none") is (opinion.both + opinion.only_watcher
                                          + opinion.only_detector == 0)  # fmt: skip
    reason = alert_row(Alert(NOON_NS, verdict), "Europe/Berlin").reason
    assert reason == (OPENED.reason if words == "agrees" else f"{OPENED.reason}; {said}")


@pytest.mark.parametrize(
    ("low", "middle", "high", "peaks", "words"),
    [
        (3e-4, 1.4e-3, 5e-3, 9, "about 1.4 in 1,000 jet hours (0.3 to 5)"),
        (1e-6, 1e-5, 3e-4, 9, "fewer than 0.3 in 1,000 jet hours"),
        (1e-9, 1e-8, 1e-6, 9, "fewer than 0.1 in 1,000 jet hours"),
        (1e-4, 0.4, 1.23456, 99, "about 400 in 1,000 jet hours (0.1 to 1,235)"),
        (
            1e-6,
            1e-3,
            1.2e-2,
            7,
            "fewer than 12 in 1,000 jet hours; 212 jet hours can't show more",
        ),
        (1e-6, 1e-4, 1.9e-3, 7, "fewer than 1.9 in 1,000 jet hours"),
    ],
)
def test_how_often_false_is_told_as_believed_and_as_it_came(
    low, middle, high, peaks, words
) -> None:
    rate = FalseRate(low, middle, high, 2e-3, peaks, 212.4, told=3, gone=1)
    lines = evidence(replace(OPENED, false_rate=rate), INTENSIFIER, "UTC")
    assert f"False step alerts to expect: {words}; the setting allows 2" in lines
    came = "3, of which 1 went away without a repair; 212 jet hours without an alert"
    assert f"Step alerts on this jewel so far: {came}" in lines
    quiet = replace(OPENED, false_rate=replace(rate, told=0, gone=0))
    lines = evidence(quiet, INTENSIFIER, "UTC")
    assert "Step alerts on this jewel so far: none in 212 jet hours" in lines


def test_what_came_of_alerts_is_told_once_there_were_any() -> None:
    assert came_words(0, 0, 0) == ""
    kept = "Alerts kept: 5, 2 confirmed and 1 found false by inspection"
    assert came_words(5, 2, 1) == kept


def test_there_is_no_second_opinion_in_an_old_verdict() -> None:
    text = "\n".join(evidence(OPENED, INTENSIFIER, "UTC"))
    assert "Second opinion" not in text
    assert "False alerts" not in text
    assert alert_row(Alert(NOON_NS, OPENED), "UTC").reason == OPENED.reason


@pytest.mark.parametrize(
    ("kept", "read"),
    [
        ("head 1", "head 1"),
        ("head left 1 and right", "heads left 1 and right"),
        ("head 1 and 2 and 3", "heads 1 and 2 and 3"),
        ("head 1 or head 2 and 3", "head 1 or heads 2 and 3"),
        ("head 1 or head 2, whichever cut", "head 1 or head 2, whichever cut"),
    ],
)
def test_several_heads_that_are_open_together_are_heads(kept: str, read: str) -> None:
    assert heads_words(kept) == read


def test_nobody_is_asked_to_log_heads_that_are_logged() -> None:
    """One more head seems open, while each stated one has a valve signal."""
    blamed_head = blamed(Cause.SECOND_HEAD)
    assert "have the valve signal or the settings say so" in " ".join(advice(blamed_head).steps)
    two = replace(blamed_head, open_heads="head 1 and 2", check=CHECKS[1].words)
    steps = " ".join(advice(two).steps)
    assert "have the valve signal" not in steps
    assert "a head that is not stated here" in steps


def test_steps_of_one_of_several_heads_are_said_to_be_its_own() -> None:
    rate = FalseRate(3e-4, 1.4e-3, 5e-3, 1e-3, 9, 212.4, told=1)
    verdict = replace(OPENED, false_rate=rate, second_opinion=Opinion(both=1), open_heads="head 2")
    lines = evidence(verdict, INTENSIFIER, "UTC")
    came = "1; 212 jet hours without an alert"
    assert f"Step alerts with head 2 open so far: {came}" in lines
    assert any(line.startswith("Changes with head 2 open so far: 1 seen") for line in lines)


def test_evidence_is_what_happened_then_causes_then_figures() -> None:
    verdict = blamed(Cause.BORE, State.OPENED)
    parts = (
        what_happened(verdict, "UTC"),
        cause_lines(verdict, INTENSIFIER),
        figure_lines(verdict, INTENSIFIER, "UTC"),
    )
    assert all(parts)
    assert evidence(verdict, INTENSIFIER, "UTC") == [line for part in parts for line in part]


def test_jet_hours_that_were_not_counted_yet_are_not_shown() -> None:
    lines = evidence(UNKNOWN, INTENSIFIER, "UTC", ("fitted",))
    assert not any(line.startswith("Jet hours") for line in lines)


def test_another_jewel_has_one_name_wherever_it_is_told() -> None:
    words = "another jewel was fitted and not recorded"
    assert Cause.OTHER_BORE.words == words
    assert Cause("another bore fitted without a record") is Cause.OTHER_BORE  # as it is kept


# -- sound, or only as learned


def sound_for(hours: float) -> Verdict:
    """A sound verdict after so many jet hours without an alert."""
    rate = FalseRate(0.0, 0.0, 1e-3, 1e-3, 0, hours)
    return replace(in_state(State.SOUND), judged_ns=NOON_NS, false_rate=rate)


def test_a_bore_learned_a_short_while_ago_is_only_as_it_was_learned() -> None:
    young, old = sound_for(6.0), sound_for(40.0)
    assert headline(young) == "The bore has probably not changed since it was learned"
    assert young.false_rate is not None  # an alert came and went meanwhile:
    older = replace(young, false_rate=replace(young.false_rate, watched=9.0))
    assert headline(older) == "The bore is probably sound"
    assert headline(old) == "The bore is probably sound"
    assert told_then(young, 0.0, "UTC") == "Not changed since learned"
    assert told_then(old, 0.0, "UTC") == "Sound"
    assert headline_then(young, 2.0, "UTC").endswith(
        ": the bore had probably not changed since it was learned"
    )
    assert "the bore was probably sound then" in headline_then(old, 2.0, "UTC")
    assert "sound" not in " ".join(advice(young).steps)
    opened = replace(OPENED, false_rate=young.false_rate)
    assert headline(opened) == "The bore has probably opened up"


def test_a_bore_that_is_not_learned_has_no_figure() -> None:
    learning = replace(in_state(State.LEARNING), discharge_coefficient=NAN)
    said = "\n".join(figure_lines(learning, INTENSIFIER, "UTC"))
    assert "Effective bore now: not known until the jewel is learned" in said
    assert "±" not in said.partition("Stated bore")[0]


def test_of_the_running_cut_it_says_what_it_knows_and_leaves_the_rest_to_the_shop() -> None:
    steps = advice(OPENED).steps
    (cut,) = (step for step in steps if "running cut" in step)
    assert "your shop's own rule" in cut
    assert not any("running cut" in step for step in advice(in_state(State.SOUND)).steps)


# -- a dead volume that nobody stated


def floating_step(deadly: float, guess: float, growth: float = 0.12) -> tuple[Verdict, DirectDrive]:
    """A step as a floating crank of a `deadly` share of dead volume shows it to one of `guess`."""
    sound = 0.65 * OPENED.nominal_bore**2 * np.pi / 4.0
    swept = float(bore_area(0.0127)) * 0.05
    true, assumed = (replace(CRANK, dead_volume=share * swept) for share in (deadly, guess))
    before, after = true.expected_pressure(sound * np.array([1.0, 1.0 + growth]), 293.15, 2.0)
    areas = [
        float(area_of_rate(assumed.displacement, 2.0, each, 293.15)) for each in (before, after)
    ]
    step = areas[1] / areas[0] - 1.0
    return replace(OPENED, step=step, pressure_expected=before, pressure_seen=after), assumed


@pytest.mark.parametrize(("deadly", "place"), [(0.15, 0), (0.9, 1)])
def test_range_of_a_guessed_dead_volume_reaches_the_true_step(deadly: float, place: int) -> None:
    verdict, pump = floating_step(deadly, 0.1)
    guessed = ["plunger_diameter", "dead_volume"]
    lines = evidence(verdict, pump, "UTC", guessed)
    (line,) = (each for each in lines if "dead volume is" in each)
    ends = [float(each) for each in re.findall(r"([+][\d.]+) %", line)]
    assert ends[place] == pytest.approx(12.0, abs=0.1)
    assert "15 to 90 % of the swept volume (invented)" in line
    assert line.endswith("with the assumed 10 %")
    bore = next(
        x for x in evidence(verdict, pump, "UTC", guessed) if x.startswith("Effective bore")
    )
    assert bore.endswith("plunger is right; the change in area hardly depends on that")


def test_a_stated_dead_volume_or_a_held_pressure_has_no_range() -> None:
    verdict, pump = floating_step(0.6, 0.1)
    held = replace(pump, regulation="speed")
    for each, guessed in ((pump, ["stroke"]), (held, ["stroke", "dead_volume"])):
        assert not any("dead volume is" in x for x in evidence(verdict, each, "UTC", guessed))
    assert any(
        "the change in area holds either way" in x
        for x in evidence(verdict, held, "UTC", ["stroke", "dead_volume"])
    )


# -- a change that is not told


@pytest.mark.parametrize("step", [0.1, -0.1])
def test_a_change_that_is_not_told_is_not_said_as_if_it_were(step: float) -> None:
    beliefs = (Belief(Cause.UNKNOWN, 0.8, (), ()),)
    pending = replace(OPENED, state=State.SOUND, step=step, causes=beliefs)
    lines = evidence(pending, CRANK, "Europe/Berlin")
    assert not any(line.startswith(("Onset", "Probability:", "Probable cause:")) for line in lines)
    told = f"effective area {100.0 * step:+.1f} ± 1.2 % against just before"
    assert f"Not told, as it may come to nothing: since 2026-03-02 11:50 CET: {told}" in lines
    assert any(line.startswith("Probable cause if it stays: ") for line in lines)
    assert any(line.startswith("Probability if it stays: ") for line in lines) is (step > 0.0)
    assert since(pending, "UTC") is None
    assert "Onset: " in "".join(evidence(OPENED, CRANK, "UTC"))

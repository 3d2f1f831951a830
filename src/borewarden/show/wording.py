"""A verdict in words: what has probably happened, the evidence, and what to check first.

Pure functions on a `Verdict`. Every instruction to a person goes out through `advice`, which puts
the cautions first. The watcher itself only reads: it never acts on the machine.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import NamedTuple

from borewarden.alert.alarm import SAME_EVENT_NS
from borewarden.base.shown import plus_minus, quantity_text
from borewarden.base.text import TWO, counted, either, probability_words
from borewarden.base.times import clock_time, local_time
from borewarden.base.units import PER_MINUTE
from borewarden.counts.plate import DEAD_SHARE
from borewarden.detect.second_opinion import Opinion
from borewarden.diagnose.causes import DIRECT_DRIVE, Belief, Cause
from borewarden.diagnose.checks import CHECKS, may_tell
from borewarden.diagnose.evidence import features_in
from borewarden.diagnose.feature_table import NAMES, OF_THE_LINE
from borewarden.diagnose.groups import (
    FURTHER,
    Group,
    groups,
    named_with,
    to_measure,
    to_split,
)
from borewarden.inspection.cautions import Guarded, caution_lines, guarded
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import (
    REFERENCE_TEMPERATURE,
    DirectDrive,
    Displacement,
    Intensifier,
    Pump,
    delivered_mass,
)
from borewarden.watcher.monitor import RECENT
from borewarden.watcher.verdict import (
    UNLIKELY,
    State,
    Verdict,
    is_no_more_than_even,
    is_of_then,
)
from borewarden.watcher.watcher import Alert

HEADLINES = {
    State.LEARNING: "No verdict yet: still learning",
    State.SOUND: "The bore is probably sound",
    State.WEARING: "The bore is probably wearing",
    State.OPENED: "The bore has probably opened up",
    State.NOT_STATED_BORE: "The fitted jewel is probably not the stated bore",
    State.OTHER_FAULT: "Probably a fault other than the orifice",
    State.CANNOT_TELL: "Cannot tell whether the bore is sound",
}


_HEADLINES_OF_HEADS = {
    State.WEARING: "The bore of {} is probably wearing",
    State.OPENED: "The bore of {} has probably opened up",
    State.NOT_STATED_BORE: "The jewel in {} is probably not the stated bore",
    State.OTHER_FAULT: "Probably a fault at {} other than the orifice",
    State.CANNOT_TELL: "Cannot tell whether the bore of {} is sound",
}
# What a headline calls causes that can't be told apart
_IN_SHORT = {
    Cause.BORE: "the bore",
    Cause.LEAK: "a leak",
    Cause.BLOCKED: "a blocked orifice or filter",
    Cause.TRANSDUCER: "a drifting pressure reading",
    Cause.FEED: "poor feed",
    Cause.SLIP: "belt slip",
    Cause.BYPASS: "a leaking bypass or relief valve",
    Cause.SECOND_HEAD: "another open head",
    Cause.OTHER_BORE: "another jewel that was not recorded",
    Cause.UNKNOWN: "a fault not known here",
}
_OF_A_CAUSE = (State.WEARING, State.OPENED, State.OTHER_FAULT)
_LOOK_AT_THE_JEWEL = (
    "Then, with the pump stopped, locked out, bled down and verified at zero pressure: take out "
    "the jewel and check its edge and bore under a microscope. The naked eye is not enough "
    "(common practice, no source)."
)
_OTHER_WAYS_OUT = (
    "Check whether a second head or any other valve on this pump is open, by the panel and the "
    "valves' indicators only; turn none under pressure. It takes water just as a larger bore does.",
    "From the operator's station, look only: is a seal, a fitting or a check valve weeping? Water "
    "at the weep holes points there (common practice, no source).",
)
_STROKES_DEAD_HEADED = (
    "From the operator's station, watch the pump with the jet closed. If it keeps stroking while "
    "dead-headed, it is losing water elsewhere, at a seal or a check valve (common practice, no "
    "source)."
)
_CRANK_PUMP_LEAKS = (
    "From the operator's station, look at the drain of the unloading or bypass valve, if it can be "
    "seen from there; open and touch nothing. Water that passes while the jet is on lowers the "
    "pressure just as a larger bore does (common practice, no source)."
)
_JEWEL_CHANGED = (
    "Ask whether someone changed the jewel without recording it. If so, enter the new jewel; "
    "learning restarts."
)
_BLOCKED_WAYS = (
    "Look for what holds the water back: a plugged orifice, a clogged filter, a valve that does "
    "not open fully."
)
# The usual check that a cheapest one already is.
_SAME_AS = {
    CHECKS[1].words: _JEWEL_CHANGED,
    CHECKS[-1].words: _LOOK_AT_THE_JEWEL,
}
_RUNNING_CUT = (
    "Whether the running cut may be finished is for your shop's own rule. The watcher knows what "
    "the pump delivers, and nothing of the part: a larger bore takes more water and may cut badly."
)
_NO_PRESSURE = "with the pump stopped, locked out, bled down and verified at zero pressure"
_CHECKS_OF = {
    Cause.SECOND_HEAD: (
        _OTHER_WAYS_OUT[0],
        "If it is meant to be open, have the valve signal or the settings say so. Until then the "
        "bore can't be watched.",
    ),
    Cause.BLOCKED: (
        _BLOCKED_WAYS,
        f"Then, {_NO_PRESSURE}: have the last-chance filter and the jewel looked at.",
    ),
    Cause.TRANSDUCER: (
        "Compare the pressure transducer with a second gauge that is already fitted.",
        "Until the reading is right, trust neither the pressure shown nor what the watcher says "
        "about the bore.",
    ),
    Cause.FEED: (
        "Check the water supply: feed pressure, inlet filters, a half-shut supply valve, a hose "
        "that draws air (common practice, no source).",
    ),
    Cause.SLIP: (
        "From outside the guards, listen for a slipping belt, and compare the speed that the drive "
        "shows with its set point.",
        "Leave belts and couplings to qualified people, with the drive locked out.",
    ),
    Cause.BYPASS: (_CRANK_PUMP_LEAKS,),
    Cause.OTHER_BORE: (
        _JEWEL_CHANGED,
        "Check the stated bore against the record of what was fitted.",
        _LOOK_AT_THE_JEWEL,
    ),
}

UNKNOWN = "–"
NOT_LEARNED = "none yet, as this jewel is not learned"
NO_JET = "none, as no steady jet was seen"
A_MESSAGE = "Message, not an alert: "
ALERTS_TITLES = ("Alerts", "Alerts and messages")
_TOGETHER = re.compile(r"\bhead ((?:(?! or ).)*?) and\b")
HEADS = "Heads by themselves"  # title of the table of levels
AGAINST_ONSET = "against just before"  # a step's size; "now" is against the baseline
AT_THE_END, THEN = "at the end of the log", "then"  # instead of "now", in `evidence`
NOTHING_TO_CHECK = "Nothing to check: the bore is probably sound."
NOT_CHANGED = "has probably not changed since it was learned"
A_DAY = 8.0  # jet hours since it was learned; before, a jewel is only as sound as that; invented
DETECTOR = "a general-purpose detector (Page-Hinkley)"
INVENTED = "starting odds invented"  # stands beside every probability of a cause
_FACTS = {"fitted": "date"}  # of a jewel, by the words of a list
_SWEEP = {"plunger_diameter": "the assumed plunger", "stroke": "the assumed stroke",
          "bore": "the assumed bore"}  # fmt: skip
_SIZES = frozenset({"bore", "plunger_diameter", "stroke", "plungers", "dead_volume",
                    "volumetric_efficiency"})  # what C_d follows from  # fmt: skip
PROBABLE = 0.05  # causes below that are not shown
ADDS_UP = 1.005  # shares that come to more are not of one whole
CLOSED_COUNTS = (
    "; a closed jet that holds its pressure may count as an open one here, or an open one as "
    "closed; a valve signal would tell"
)
_WHOSE_LEVEL = (
    "Not certain: bore, C_d, wear and jet hours may be those of a relief or unloader valve and not "
    "of the jet. With the jet closed, such a valve may take as much water as a jet does, at a "
    "steady pressure of its own, and nothing shows yet which level is the open jet's. A valve "
    "signal settles it; one look at the pressure as the jet closes shows it, too"
)
# Of the hours in which a crank idled, those that were no jet: with those of the closed jet at full
# speed 0.87 to 1.22 on five machines of a fresh pair of eyes, four days each (invented)
IDLE_AND_MORE = 1.3
HALF = 0.5  # jet hour: fewer are not shown as a number
MANY = 0.1  # per hour, of false alerts: that there are fewer is no news
LEAST_RATE = 1e-4  # per hour, of false alerts: less is not worth a word
MOST_CAUSES, MOST_FOR, MOST_AGAINST = 3, 3, 2
_SHARES = (
    "How to read the percentages: the causes add up to the change that was seen, the heads to a "
    "change of a jewel; the probability of an opened bore allows for chance, too"
)
_NOT_WATCHED = (
    "Not watched: a worn mixing chamber or focusing tube does not load the pump, so the watcher "
    "can't see it"
)


def headline(verdict: Verdict) -> str:
    """The verdict in one sentence: no cause alone where others that look the same are probable.

    What was told stays told down to less than an even chance; the words follow the figures.
    """
    if is_no_more_than_even(verdict):
        return _may_be(verdict)
    if verdict.state in _OF_A_CAUSE and (alike := _alike(verdict)):
        return _one_of(verdict, alike)
    if verdict.state is State.OTHER_FAULT and verdict.causes:
        return f"Probably another fault: {verdict.causes[0].cause.words}"
    if verdict.was_told_opened:
        of_which = f" of {verdict.suspects}" if verdict.suspects else ""
        return f"The signals contradict each other; the bore{of_which} may have opened up"
    if verdict.state is State.CANNOT_TELL and verdict.causes:
        return "Something has probably changed, and the cause is not clear"
    if verdict.suspects:
        return _HEADLINES_OF_HEADS.get(verdict.state, "{}").format(verdict.suspects)
    return f"The bore {NOT_CHANGED}" if _is_as_learned(verdict) else HEADLINES[verdict.state]


def _may_be(verdict: Verdict) -> str:
    """Such as "It may be the bore (42 %) or poor feed (31 %)"; what was told comes first.

    That of a bore told before goes on, and what came since has shares of its own: they do not
    add up, and only the bore's is said.
    """
    rivals = _rivals(verdict)
    told_before = verdict.state is not State.OTHER_FAULT and (
        verdict.probability + sum(b.probability for b in rivals) > ADDS_UP
    )
    others = [
        _IN_SHORT[b.cause]
        if told_before
        else f"{_IN_SHORT[b.cause]} ({probability_words(b.probability)})"
        for b in rivals
    ]
    begins = "Slow growth: it may be" if verdict.state is State.WEARING else "It may be"
    if verdict.state is State.OTHER_FAULT:
        return f"{begins} {' or '.join(others)}"
    of_which = f" of {verdict.suspects}" if verdict.suspects else ""
    share = probability_words(verdict.probability)
    if not others:
        verb = "be wearing" if verdict.state is State.WEARING else "have opened up"
        return f"The bore{of_which} may {verb} ({share})"
    return f"{begins} {' or '.join([f'the bore{of_which} ({share})', *others])}"


def _rivals(verdict: Verdict) -> list[Belief]:
    """The probable causes, without a bore that is told; two of them, and one that is told."""
    told = [] if verdict.state is State.OTHER_FAULT else [Cause.BORE]
    probable = [b for b in verdict.causes if b.probability >= PROBABLE and b.cause not in told]
    return probable[: MOST_CAUSES - len(told)]


def _is_as_learned(verdict: Verdict) -> bool:
    """Whether "sound" means no more than as it was learned a short while ago, chipped or not."""
    rate = verdict.false_rate
    if verdict.state is not State.SOUND or rate is None:
        return False
    return max(rate.watched, rate.hours) < A_DAY


def words_of_then(verdict: Verdict) -> str:
    """What a `verdict` that is one of then said."""
    if verdict.state is State.LEARNING:
        return "still learning"
    if _is_as_learned(verdict):
        return "the bore had probably not changed since it was learned"
    return "the bore was probably sound then"


def headline_then(verdict: Verdict, unjudged_hours: float, time_zone: str) -> str:
    """The `headline` of a log's end: of then, where much jet went by without being judged."""
    if not is_of_then(verdict, unjudged_hours):
        return headline(verdict)
    words = _not_judged(verdict, unjudged_hours, time_zone)
    return f"{words[0].upper()}{words[1:]}: {words_of_then(verdict)}"


def _not_judged(verdict: Verdict, unjudged_hours: float, time_zone: str) -> str:
    since = f" since {local_time(verdict.judged_ns, time_zone)}" if verdict.judged_ns else ""
    return f"not judged{since}, {unjudged_hours:.1f} h of jet"


def _alike(verdict: Verdict) -> tuple[Cause, ...]:
    """The causes that the `verdict` stands for, where they are several that look the same."""
    if not verdict.causes:
        return ()
    first, others = verdict.causes[0].cause, named_with(verdict.causes)
    # an opened bore stays told, whatever comes on top of it
    fits = (first is Cause.BORE) is not (verdict.state is State.OTHER_FAULT)
    return (first, *others) if others and fits else ()


def _one_of(verdict: Verdict, alike: Sequence[Cause]) -> str:
    """Such as "Probably the bore, or a leak or poor feed; nothing measured here tells which"."""
    first, *others = [_IN_SHORT[cause] for cause in alike]
    if alike[0] is Cause.BORE and verdict.suspects:
        first = f"{first} of {verdict.suspects}"
    begins = "Slow growth, probably of" if verdict.state is State.WEARING else "Probably"
    return f"{begins} {first}, or {_others(others)}; nothing measured here tells which"


def _others(names: Sequence[str]) -> str:
    """Such as "a leak or poor feed"; a list of more than two, or if one has an "or" of its own."""
    words = " or ".join(names)
    return words if words.count(" or ") < TWO else f"one of these: {', '.join(names)}"


def is_unjudged(verdict: Verdict) -> bool:
    """Whether no steady jet was seen yet, so that the verdict is of no moment."""
    return verdict.state is State.LEARNING and verdict.judged_ns == 0


def since(verdict: Verdict, time_zone: str) -> str | None:
    """Since when, and by how much; None where no step is known, or none is told."""
    if verdict.onset_ns is None or _is_pending(verdict):
        return None
    return f"Since about {_onset_words(verdict, verdict.onset_ns, time_zone)}"


def _is_pending(verdict: Verdict) -> bool:
    """Whether there may be a change that is not told, and the bore still counts as sound."""
    return verdict.state is State.SOUND and verdict.onset_ns is not None


def _if_it_stays(verdict: Verdict) -> str:
    return " if it stays" if _is_pending(verdict) else ""


def _onset_words(verdict: Verdict, onset_ns: int, time_zone: str) -> str:
    return (
        f"{local_time(onset_ns, time_zone)}: effective area{with_heads(verdict)} "
        f"{_step_words(verdict)} {AGAINST_ONSET}"
    )


def with_heads(verdict: Verdict) -> str:
    """Which heads were open as an area was seen; empty with one head."""
    return f" with {heads_words(verdict.open_heads)} open" if verdict.open_heads else ""


def heads_words(heads: str) -> str:
    """Such as "heads 1 and 2" for "head 1 and 2", as verdicts and stores have it."""
    return _TOGETHER.sub(r"heads \1 and", heads)


def _step_words(verdict: Verdict) -> str:
    return f"{100.0 * verdict.step:+.1f} ± {100.0 * verdict.step_sd:.1f} %"


def _newest_words(verdict: Verdict) -> str:
    """How far the area is off its baseline by now, where no step is known."""
    if math.isfinite(verdict.area_ratio):
        return f"{change_words(verdict.area_ratio)} in the newest batches"
    return NOT_LEARNED if _is_unlearned(verdict) else NO_JET


def _is_unlearned(verdict: Verdict) -> bool:
    return math.isnan(verdict.discharge_coefficient)


def state_words(state: State) -> str:
    """The state as tables show it, with a capital letter."""
    return state.value[0].upper() + state.value[1:]


def told_words(verdict: Verdict) -> str:
    """The state of a verdict as tables show it, with all causes that it stands for.

    Such as "Probably opened up, or a leak or poor feed".
    """
    if _is_as_learned(verdict):
        return "Not changed since learned"
    others = [_IN_SHORT[cause] for cause in _alike(verdict)[1:]]
    of_the_bore = verdict.state in (State.WEARING, State.OPENED)
    words = state_words(verdict.state)
    if is_no_more_than_even(verdict):
        words = f"Perhaps {verdict.state.value.removeprefix('probably ')}"
        others = [_IN_SHORT[b.cause] for b in _rivals(verdict)]
    named = f", or {_others(others)}" if others and of_the_bore else ""
    return f"{words}{named}"


def told_then(verdict: Verdict, unjudged_hours: float, time_zone: str) -> str:
    """The `told_words` of a log's end, and since when that was not judged where it matters."""
    words = told_words(verdict)
    if not is_of_then(verdict, unjudged_hours):
        return words
    return f"{words}, {_not_judged(verdict, unjudged_hours, time_zone)}"


def when_of(verdict: Verdict, unjudged_hours: float) -> str:
    """When the figures at a log's end are of."""
    return THEN if is_of_then(verdict, unjudged_hours) else AT_THE_END


def bore_words(bore: float) -> str:
    """A bore in m in words."""
    return quantity_text("bore", bore)


def jewel_words(jewel: Jewel, time_zone: str) -> str:
    """Which jewel that is: bore, material, head, when it was fitted, and its hours as stated.

    What nobody stated is called assumed.
    """
    stated = f", {jewel.jet_hours:.1f} h before that, as stated" if jewel.jet_hours > 0.0 else ""
    facts = [_FACTS.get(name, name) for name in jewel.guessed]
    listed = " and ".join(filter(None, (", ".join(facts[:-1]), *facts[-1:])))
    assumed = f" ({listed} assumed)" if facts else ""
    return (
        f"{jewel.material} {bore_words(jewel.bore)}, head {jewel.head}, fitted "
        f"{local_time(jewel.fitted_ns, time_zone)}{stated}{assumed}"
    )


def guessed_line(names: Collection[str]) -> str:
    """Which figures nobody stated, by their names in the machine file."""
    return f"Assumed, since the machine file only guesses them: {', '.join(names)}"


def pressure_words(pressure: float) -> str:
    """A pressure in Pa in words."""
    return quantity_text("pressure", pressure)


def change_words(ratio: float) -> str:
    """How far a ratio is from 1; what rounds to zero is +0.0, and what is not known a dash."""
    return "–" if math.isnan(ratio) else f"{round(100.0 * (ratio - 1.0), 1) + 0.0:+.1f} %"


def evidence(
    verdict: Verdict,
    pump: Pump,
    time_zone: str,
    guessed: Collection[str] = (),
    when: str = "now",
) -> list[str]:
    """The numbers behind the verdict, one a line, without those not known yet.

    What happened comes first. They state and ask nothing of anybody: what to do stands in `advice`.
    `guessed` names the figures of pump and jewel that nobody stated; `when` the verdict is of.
    """
    return [
        *what_happened(verdict, time_zone, when),
        *cause_lines(verdict, pump),
        *figure_lines(verdict, pump, time_zone, guessed, when),
    ]


def what_happened(verdict: Verdict, time_zone: str, when: str = "now") -> list[str]:
    """The first part of the `evidence`: the state, since when, how probable, and which head."""
    status = f"Device status{' then' if when == THEN else ''} (NAMUR NE 107)"
    lines = [f"{status}: {verdict.state.ne107}"]
    if verdict.onset_ns is not None:
        onset = _onset_words(verdict, verdict.onset_ns, time_zone)
        begins = "Not told, as it may come to nothing: since" if _is_pending(verdict) else "Onset:"
        lines.append(f"{begins} {onset}")
    learned = not math.isnan(verdict.discharge_coefficient)
    if is_without_word(verdict):
        lines.append(f"Cannot tell: {verdict.reason}")
    elif learned and not (_is_pending(verdict) and verdict.step < 0.0):  # no bore shrinks
        lines.append(
            f"Probability{_if_it_stays(verdict)}: {probability_words(verdict.probability)} that "
            "the effective bore has opened up, not chance and not another fault"
            f"{_together_words(verdict)}"
        )
    return [*lines, *head_chances(verdict)]


def figure_lines(
    verdict: Verdict,
    pump: Pump,
    time_zone: str,
    guessed: Collection[str] = (),
    when: str = "now",
) -> list[str]:
    """The last part of the `evidence`, behind the `cause_lines`: bore, pump, wear and the like."""
    lines = [_SHARES] if verdict.heads and verdict.causes else []
    if math.isfinite(verdict.bore):
        lines += _bore_lines(verdict, pump, guessed, when)
        lines += whose_level_lines(verdict)
        lines += _pump_lines(verdict, pump, guessed)
    if not math.isnan(verdict.discharge_coefficient):
        lines += _wear_lines(verdict)
    lines += second_opinion_lines(verdict, time_zone)
    lines += false_rate_lines(verdict)
    hours = jet_hours_words(verdict)
    hours += _closed_counts(verdict)
    if "fitted" in guessed:
        least = "at least " if verdict.closed_known else ""
        hours = f"{least}{hours}; the date when it was fitted is assumed"
    if verdict.jet_hours > 0.0:  # they are counted from the first steady cut on
        lines.append(f"{hours_of(verdict)}: {hours}")
    if verdict.causes:
        lines.append(_NOT_WATCHED)
    return [*lines, guessed_line(guessed)] if guessed else lines


def hours_of(verdict: Verdict) -> str:
    """What the jet hours of the `verdict` are of: with several heads, any of them may cut."""
    return "Jet hours with these jewels" if verdict.open_heads else "Jet hours of this jewel"


def jet_hours_words(verdict: Verdict) -> str:
    """How many they are, "about" so many where a closed jet may pass for an open one."""
    return hours_words(verdict, verdict.jet_hours, verdict.idle_hours, 1)


def hours_words(verdict: Verdict, hours: float, idle_hours: float, digits: int) -> str:
    """So many `hours` of jet, as sure as the `verdict` is; a range where the crank idled."""
    if idle_hours:
        least = max(hours - IDLE_AND_MORE * idle_hours, 0.0)
        return f"between {least:.{digits}f} and {hours:.{digits}f} h"
    return f"{'' if verdict.closed_known else 'about '}{hours:.{digits}f} h"


def _closed_counts(verdict: Verdict) -> str:
    """Why the jet hours are not sure, said once."""
    if not verdict.level_known:
        return ", which may be half of the true ones or too many; see “Not certain”"
    if verdict.idle_hours:
        return (
            f"; the crank idled for {verdict.idle_hours:.1f} h of these, most likely with the jet "
            "closed; a valve signal would tell"
        )
    return "" if verdict.closed_known else CLOSED_COUNTS


def whose_level_lines(verdict: Verdict) -> list[str]:
    """That bore and area may be a valve's and no jet's, and what settles it; else none."""
    return [] if verdict.level_known else [_WHOSE_LEVEL]


def _whose_level_checks(verdict: Verdict) -> list[str]:
    """How to see whose level is watched; it goes out through `advice` only."""
    if verdict.level_known:
        return []
    watched = "the pressure shown here"
    if math.isfinite(verdict.pressure_seen):
        watched = f"{pressure_words(verdict.pressure_seen)}, which is watched here,"
    return [
        "To see whose pressure is watched: from the operator's station, let the jet close at the "
        "end of a cut, with the pump left running as it is, and read the pressure just before and "
        f"some ten seconds after. If {watched} is that of the closed jet, then bore, C_d, wear and "
        "jet hours are those of the valve, and say nothing of the jewel. Either way, log the valve "
        "signal: the watcher learns of it by nothing else."
    ]


def _together_words(verdict: Verdict) -> str:
    """What the figure becomes with the causes that can't be told from the bore; usually empty."""
    group = next(iter(probable_causes(verdict)), None)
    if group is None or Cause.BORE not in group.causes or len(group.causes) == 1:
        return ""
    share = probability_words(group.probability)
    return f"; with the causes that can't be told from it here, {share}"


def is_without_word(verdict: Verdict) -> bool:
    """Whether nothing is said of the bore, so that no probability stands for anything."""
    nothing = verdict.onset_ns is None and not verdict.causes
    return verdict.state is State.CANNOT_TELL and nothing


def disagreement(verdict: Verdict, time_zone: str) -> str:
    """That the second opinion differs from the verdict; empty where it does not."""
    if verdict.second_opinion is None or not verdict.disagrees:
        return ""
    since_ns = verdict.second_opinion.since_ns
    if since_ns is None:
        return f"{DETECTOR} sees no change in the area"
    when = local_time(since_ns, time_zone)
    return f"{DETECTOR} sees a change in the area since {when}, the watcher does not"


def second_opinion_lines(verdict: Verdict, time_zone: str) -> list[str]:
    """What the second opinion is, and how often the two have agreed; none while learning."""
    opinion = verdict.second_opinion
    if opinion is None:
        return []
    agrees = f"{DETECTOR} agrees"
    return [
        f"Second opinion: {disagreement(verdict, time_zone) or agrees}",
        f"Changes{_where(verdict)} so far: {_seen_by(opinion)}",
    ]


def _where(verdict: Verdict) -> str:
    """What was counted of: one jewel, or the heads that were open."""
    return with_heads(verdict) or " on this jewel"


def _seen_by(opinion: Opinion) -> str:
    """Such as "2 seen by the watcher and the second opinion, 1 only by the watcher"."""
    counts = (
        (opinion.both, "seen by the watcher and the second opinion"),
        (opinion.only_watcher, "only by the watcher"),
        (opinion.only_detector, "only by the second opinion"),
    )
    return ", ".join(f"{count} {words}" for count, words in counts if count) or "none"


def false_rate_lines(verdict: Verdict) -> list[str]:
    """How often a step is told falsely, as believed and as it came; none while learning."""
    rate = verdict.false_rate
    if rate is None:
        return []
    if rate.is_bound or rate.middle < LEAST_RATE / 2.0:
        expected = f"fewer than {_in_1000(max(rate.high, LEAST_RATE))} in 1,000 jet hours"
        if rate.is_bound and rate.high > rate.asked:
            seen = _hours_words(rate.hours)
            expected = (
                f"not known yet, after {seen}" if rate.high > MANY else
                f"{expected}; {seen} can't show more"
            )  # fmt: skip
    else:
        expected = (
            f"about {_in_1000(rate.middle)} in 1,000 jet hours "
            f"({_in_1000(rate.low)} to {_in_1000(rate.high)})"
        )
    came = f"none in {_hours_words(rate.hours)}"
    if rate.told:
        gone = f", of which {rate.gone} went away without a repair" if rate.gone else ""
        came = f"{rate.told}{gone}; {_hours_words(rate.hours)} without an alert"
    return [
        f"False step alerts to expect: {expected}; the setting allows {_in_1000(rate.asked)}",
        f"Step alerts{_where(verdict)} so far: {came}",
    ]


def _hours_words(hours: float) -> str:
    return counted(hours, "jet hour") if hours >= HALF else "less than half a jet hour"


def came_words(told: int, confirmed: int, false: int) -> str:
    """What came of the alerts of a machine; empty while there were none."""
    if not told:
        return ""
    return f"Alerts kept: {told}, {confirmed} confirmed and {false} found false by inspection"


def _in_1000(per_hour: float) -> str:
    """A rate per hour as one in 1,000 hours, to two digits and no further than to a tenth."""
    tenths = f"{1000.0 * per_hour:.1f}".removesuffix(".0")
    return tenths if len(tenths) <= len("9.9") else f"{1000.0 * per_hour:,.0f}"


def probable_causes(verdict: Verdict) -> list[Group]:
    """The causes worth showing, the most probable first; none while nothing has happened.

    Those that can't be told apart here are one.
    """
    return [g for g in groups(verdict.causes) if g.probability >= PROBABLE][:MOST_CAUSES]


def group_words(group: Group) -> str:
    """Such as "bore opened up, or belt slip (can't be told apart here)"."""
    names = [cause.words for cause in group.causes]
    apart = " (can't be told apart here)" if len(names) > 1 else ""
    return f"{either(names)}{apart}"


def cause_lines(verdict: Verdict, pump: Pump) -> list[str]:
    """The probable causes, and what speaks for the first of them and against it."""
    causes = probable_causes(verdict)
    if not causes:
        return []
    first = next(b for b in verdict.causes if b.cause is causes[0].causes[0])
    name = f"“{first.cause.words}”"
    return [
        *(
            f"Probable cause{_if_it_stays(verdict)}: {group_words(g)}, "
            f"{probability_words(g.probability)} ({INVENTED})"
            for g in causes
        ),
        *(f"Points to {name}: {point}" for point in first.evidence_for[:MOST_FOR]),
        *(f"Speaks against {name}: {point}" for point in first.evidence_against[:MOST_AGAINST]),
        *undecided(verdict, pump),
    ]


def head_chances(verdict: Verdict) -> list[str]:
    """How probable each head is, if it is a jewel."""
    if not verdict.heads:
        return []
    shown = (f"head {b.head} {probability_words(b.probability)}" for b in verdict.heads)
    return [f"Which head, if it is a jewel: {', '.join(shown)}"]


def undecided(verdict: Verdict, pump: Pump) -> list[str]:
    """Why the probable causes can't be told apart for sure."""
    causes = _open_causes(verdict)
    if not causes:
        return []
    is_intensifier = isinstance(pump, Intensifier)
    lines = []
    if not _spoken(verdict) & {NAMES[feature] for feature in (*FURTHER, *OF_THE_LINE)}:
        rate = "stroke rate" if is_intensifier else "crank speed"
        lines.append(
            f"Bear in mind: pressure and {rate} alone can't rule out other causes, so the "
            "percentages rest mostly on the starting odds"
        )
    if Cause.TRANSDUCER in causes and not is_intensifier:
        lines.append(
            "Bear in mind: on a crank pump, a drifting pressure transducer looks just like a "
            "change in effective area; only a second gauge can tell"
        )
    return lines


def _open_causes(verdict: Verdict) -> list[Cause]:
    """The probable causes, and the second one in any case; none where there is no other.

    One alone may be probable only because nothing is measured that would speak for the next.
    """
    named = [cause for group in probable_causes(verdict) for cause in group.causes]
    causes = [b.cause for b in verdict.causes if b.cause in named or b in verdict.causes[:2]]
    return causes if len(causes) > 1 else []


def _spoken(verdict: Verdict) -> set[str]:
    """The features that the evidence of the causes mentions."""
    return features_in(p for b in verdict.causes for p in (*b.evidence_for, *b.evidence_against))


def _measurements(verdict: Verdict) -> list[str]:
    """What to measure to tell the probable causes apart; it goes out through `advice` only.

    A verdict does not say what the machine measures, so a signal is asked for unless the evidence
    of a cause mentions it.
    """
    causes = _open_causes(verdict)
    if not causes:
        return []
    is_intensifier = verdict.overstroke_margin is not None
    groups_of_many = (g for g in probable_causes(verdict) if len(g.causes) > 1)
    if (together := next(groups_of_many, None)) is not None:
        aim, signals = "To tell apart what looks the same here", to_split(together, is_intensifier)
    else:
        spoken = _spoken(verdict)
        aim, signals = (
            "To be sure",
            [
                words
                for feature, words in to_measure(causes, is_intensifier).items()
                if NAMES[feature] not in spoken
            ],
        )
    if not signals:
        return []
    return [f"{aim}, have a qualified person measure: {', '.join(signals)}."]


def bore_of(verdict: Verdict) -> str:
    """Which heads a bore is of, such as ", heads 1 and 2 as one hole"; empty with one head."""
    heads = heads_words(verdict.open_heads)
    if verdict.jewels == 1:
        return f", {heads}" if heads else ""
    return f", {heads or f'{verdict.jewels} jewels'} as one hole"


def _bore_lines(verdict: Verdict, pump: Pump, guessed: Collection[str], when: str) -> list[str]:
    of_which = bore_of(verdict)
    now = f"Effective bore {when}: {plus_minus('bore', verdict.bore, verdict.bore_sd, 1)}, "
    now += f"standard uncertainty{of_which}"
    if sizes := [words for name, words in _SWEEP.items() if name in guessed]:
        verb = "is" if len(sizes) == 1 else "are"
        now += f", if {' and '.join(sizes)} {verb} right; the change in area "
        now += "hardly depends on that" if pump.floats else "holds either way"
    which = "Assumed bore (guessed in the machine file)" if "bore" in guessed else "Stated bore"
    if verdict.state is State.NOT_STATED_BORE:  # a bore in millimetres would be no measurement
        now = verdict.reason[:1].upper() + verdict.reason[1:]
    elif not math.isfinite(verdict.discharge_coefficient):  # nor with a C_d that is only usual
        now = f"Effective bore {when}: not known until the jewel is learned{of_which}"
    lines = [now, f"{which}: {bore_words(verdict.nominal_bore)}{of_which}"]
    if math.isfinite(verdict.discharge_coefficient):
        assumed = ", from assumed figures" if _SIZES.intersection(guessed) else ""
        lines.append(
            f"Effective area {when}: {change_words(verdict.area_ratio)}{with_heads(verdict)} "
            f"against the baseline, mean{_of_batches(verdict)} "
            f"(learned C_d {verdict.discharge_coefficient:.3f}{assumed})"
        )
    if "dead_volume" in guessed and verdict.onset_ns is not None:
        lines += _dead_volume_lines(verdict, pump)
    return lines


def _dead_volume_lines(verdict: Verdict, pump: Pump) -> list[str]:
    """Between which sizes a step lies for what nobody knows of the dead volume.

    Less pressure leaves more of a turn to deliver, the more so the larger the dead volume is. So
    where a larger bore shows as less pressure, it makes the step larger; at a held pressure it
    makes none.
    """
    if not (pump.floats and verdict.pressure_seen > 0.0 and verdict.pressure_expected > 0.0):
        return []
    one = pump.displacement

    def gained(displacement: Displacement) -> float:
        """What a turn delivers at the pressure after the step, over that before."""
        after, before = (
            float(delivered_mass(displacement, each, REFERENCE_TEMPERATURE))
            for each in (verdict.pressure_seen, verdict.pressure_expected)
        )
        return after / before

    share = DEAD_SHARE[DIRECT_DRIVE]
    least, most = (
        (1.0 + verdict.step) * gained(one._replace(dead_volume=each * one.swept_volume))
        / gained(one)
        for each in (share.low, share.high)
    )  # fmt: skip
    if not math.isfinite(least + most) or change_words(least) == change_words(most):
        return []
    return [
        f"Step if the assumed dead volume is wrong: {change_words(least)} to {change_words(most)} "
        f"with one of {100.0 * share.low:.0f} to {100.0 * share.high:.0f} % of the swept volume "
        f"({share.source}), and {change_words(1.0 + verdict.step)} with the assumed "
        f"{100.0 * one.dead_volume / one.swept_volume:.0f} %"
    ]


def _of_batches(verdict: Verdict) -> str:
    """Of which batches the figures of now are means."""
    if verdict.onset_ns is None:
        return f" of the last {RECENT} batches"
    return f" of the newest batches since the onset, {RECENT} at most"


def _pump_lines(verdict: Verdict, pump: Pump, guessed: Collection[str]) -> list[str]:
    """What the pump itself shows of a larger bore: more strokes, or less pressure."""
    rate = f"{verdict.rate_seen / PER_MINUTE:.1f}"
    means = f"means{_of_batches(verdict)}"
    change = change_words(verdict.rate_seen / verdict.rate_expected)
    expected = f"{verdict.rate_expected / PER_MINUTE:.1f} expected"
    if isinstance(pump, Intensifier):
        lines = [
            f"Stroke rate: {rate} strokes/min seen, {expected} ({change}) "
            f"at {pressure_words(verdict.pressure_seen)}, {means}"
        ]
        if verdict.overstroke_margin is not None:
            left = verdict.overstroke_margin * pump.max_stroke_rate / PER_MINUTE
            assumed = ", which is assumed" if "max_stroke_rate" in guessed else ""
            margin = f"{left:.0f} strokes/min {margin_words(pump)}{assumed}"
            lines.append(f"Overstroke margin: {margin}")
        return lines
    if pump.floats:
        expected = "none that would feed the baseline"
        if math.isfinite(verdict.pressure_expected):
            change = change_words(verdict.pressure_seen / verdict.pressure_expected)
            expected = f"{pressure_words(verdict.pressure_expected)} expected ({change})"
        return [
            f"Pressure: {pressure_words(verdict.pressure_seen)} seen, {expected} "
            f"at {rate} turns/min of the crank, {means}"
        ]
    return [
        f"Crank speed: {rate} turns/min seen, {expected} ({change}) "
        f"at {pressure_words(verdict.pressure_seen)}, {means}"
    ]


def margin_words(pump: Intensifier) -> str:
    """What follows the strokes that are left, such as "left before the limit of 60 strokes/min"."""
    return f"left before the limit of {pump.max_stroke_rate / PER_MINUTE:.0f} strokes/min"


def _wear_lines(verdict: Verdict) -> list[str]:
    slope = (
        f"effective area {round(100.0 * verdict.slope_per_hour, 2) + 0.0:+.2f} ± "
        f"{100.0 * verdict.slope_sd:.2f} % per jet hour"
    )
    if verdict.onset_ns is not None:
        # since the step it is a different jewel: the time it had left would mislead
        return [f"Wear before the step: {slope}"]
    lines = [f"Wear: {slope}"]
    if verdict.state not in (State.SOUND, State.WEARING):
        return lines
    if verdict.hours_to_limit is not None:
        low, middle, high = verdict.hours_to_limit
        if math.isinf(low):
            left = "no end in sight, even if wear speeds up"
        elif math.isinf(high):
            left = f"at least {low:.0f}; no upper bound, since wear may be zero or speed up"
        else:
            left = f"{middle:.0f} (90 %: {low:.0f} to {high:.0f}), as wear may speed up"
        lines.append(f"Jet hours left before the limit: {left}")
    return lines


def _first_checks(verdict: Verdict) -> list[str]:
    """What to check first at the machine; it goes out through `advice` only.

    The cheapest check that would separate the two most probable causes comes first.
    """
    if verdict.check and is_without_word(verdict):
        what = f"{verdict.check[0].upper()}{verdict.check[1:]}"
        return [f"{what}: that settles it. Nothing here says that the bore is sound or is not."]
    usual = [*_which_head(verdict), *_measurements(verdict), *_usual_checks(verdict)]
    if not verdict.check or len(verdict.causes) < 2:
        return usual
    two = [belief.cause for belief in verdict.causes[:2]]
    if not may_tell(verdict.check, *two):  # what the other heads show has left other causes
        return usual
    first, second = (cause.words for cause in two)
    what = f"{verdict.check[0].upper()}{verdict.check[1:]}"
    check = f"{what}. This is the cheapest way to tell “{first}” from “{second}”."
    same = _another_head(verdict) if verdict.check == CHECKS[0].words else ""
    usual = [line for line in usual if line not in (same, _SAME_AS.get(verdict.check))]
    if verdict.check == CHECKS[-1].words:  # the jewel comes out: say it all
        check += f" Only {_NO_PRESSURE}."
    return [check, *usual]


def _which_head(verdict: Verdict) -> list[str]:
    """The cheapest way to settle which head it is, where that is open."""
    likely = [each.head for each in verdict.heads if each.probability >= UNLIKELY]
    if verdict.head is not None or len(likely) <= 1:
        return []
    first, others = likely[0], sorted(likely[1:])  # the most probable one settles most
    work = "strokes faster at its pressure"
    if verdict.overstroke_margin is None:
        work = "turns faster, or shows less pressure,"
    return [
        f"Cut for two minutes with head {first} alone, as you cut any part. This is the cheapest "
        f"way to tell head {first} from head {' or '.join(others)}: it is head {first} if the pump "
        f"then {work} than it used to with that head (“{HEADS}” lists what it did)."
    ]


def _another_head(verdict: Verdict) -> str:
    """To look for an open head that is none of those stated."""
    if not verdict.open_heads:
        return _OTHER_WAYS_OUT[0]
    return _OTHER_WAYS_OUT[0].replace("a second head", "a head that is not stated here")


def _blames_a_stated_head(verdict: Verdict) -> bool:
    """Whether one more head seems open, and it is known which of those stated are."""
    return verdict.causes[0].cause is Cause.SECOND_HEAD and _heads_are_logged(verdict)


def _heads_are_logged(verdict: Verdict) -> bool:
    """Whether it is known which heads are open, so that nobody has to log them."""
    return bool(verdict.open_heads) and " or " not in verdict.open_heads


def _usual_checks(verdict: Verdict) -> list[str]:
    is_intensifier = verdict.overstroke_margin is not None
    ways = [_another_head(verdict), *_OTHER_WAYS_OUT[1:]]
    leaks = [*ways, _STROKES_DEAD_HEADED if is_intensifier else _CRANK_PUMP_LEAKS]
    match verdict.state:
        case State.LEARNING:
            return ["Nothing to check yet: the watcher first needs some minutes of steady cutting."]
        case State.SOUND:
            as_learned = f"Nothing to check: the bore {NOT_CHANGED}."
            return [as_learned if _is_as_learned(verdict) else NOTHING_TO_CHECK]
        case State.WEARING:
            return [
                *leaks,
                "Have a spare jewel ready, and plan the change before the effective area reaches "
                "the limit.",
                _LOOK_AT_THE_JEWEL,
            ]
        case _ if verdict.state is State.OPENED or verdict.was_told_opened:
            return [_RUNNING_CUT, *leaks, _JEWEL_CHANGED, _LOOK_AT_THE_JEWEL]
        case State.NOT_STATED_BORE:
            return [
                "Check the stated bore and material against the record of what was fitted: another "
                "bore fits the effective area better.",
                *leaks,
                "Check the pump's figures in the settings (its kind, plunger, stroke, dead volume, "
                "efficiency) and the scale of the pressure transducer.",
                _LOOK_AT_THE_JEWEL,
            ]
        case State.OTHER_FAULT:
            checks = leaks
            if verdict.causes[:1] and _blames_a_stated_head(verdict):
                checks = [_another_head(verdict)]
            elif verdict.causes and verdict.causes[0].cause in _CHECKS_OF:
                checks = [*_CHECKS_OF[verdict.causes[0].cause]]
            may_be_bore = _bore_is_probable(verdict) and _LOOK_AT_THE_JEWEL not in checks
            return [*checks, *[_LOOK_AT_THE_JEWEL] * may_be_bore]
        case State.CANNOT_TELL if verdict.step < 0.0:
            return [
                _BLOCKED_WAYS,
                "Compare the pressure transducer with a second gauge: upward drift looks like a "
                "smaller effective area.",
                _JEWEL_CHANGED,
                _LOOK_AT_THE_JEWEL,
            ]
        case _:
            return [*leaks, _JEWEL_CHANGED, _LOOK_AT_THE_JEWEL]


def _bore_is_probable(verdict: Verdict) -> bool:
    """Whether the bore may still be it, though another cause leads."""
    weighed = (b.probability for b in verdict.causes if b.cause is Cause.BORE)
    return max((verdict.probability, *weighed)) >= PROBABLE


def advice(verdict: Verdict) -> Guarded:
    """What to check first, behind the cautions: instructions go out to people in this way only."""
    return guarded(*_first_checks(verdict), *_whose_level_checks(verdict))


def verdict_lines(verdict: Verdict, pump: Pump, time_zone: str) -> list[str]:
    """The whole verdict as plain lines, for a terminal or a message."""
    told = advice(verdict)
    return [
        headline(verdict),
        f"{local_time(verdict.time_ns, time_zone)}: {verdict.reason}",
        *(f"- {line}" for line in evidence(verdict, pump, time_zone)),
        *caution_lines(told.cautions),
        *(f"{number}. {line}" for number, line in enumerate(told.steps, start=1)),
    ]


class AlertRow(NamedTuple):
    """One alert as cells of a table."""

    time: str
    state: str
    onset: str
    size: str
    probability: str
    reason: str


ALERT_COLUMNS = AlertRow(
    "Time",
    "State (device status)",
    "Onset",
    "Effective area",
    "Probability that the bore opened up",
    "Reason",
)


def alert_rows(
    alerts: Sequence[Alert], time_zone: str, present: Verdict | None = None
) -> list[AlertRow]:
    """The cells of `alerts` of one machine, in order of time, under `ALERT_COLUMNS`.

    One that corrects the one before it, which was about the same event, says so. The newest is as
    the `present` verdict knows it by now, if that is about the same event still.
    """
    if alerts and present is not None and _is_known_better(alerts[-1].verdict, present):
        *earlier, newest = alerts
        *rows, last = alert_rows([*earlier, replace(newest, verdict=present)], time_zone)
        if was := _as_told(newest.verdict, present, time_zone):
            last = last._replace(reason=f"{last.reason}; as first told: {was}")
        return [*rows, last]
    rows = [alert_row(alert, time_zone) for alert in alerts]
    for place, (before, now) in enumerate(itertools.pairwise(alerts), start=1):
        if _is_of_one_event(before.verdict, now.verdict):
            when = clock_time(before.time_ns, time_zone)
            reason = f"this replaces the alert of {when}: {rows[place].reason}"
            rows[place] = rows[place]._replace(reason=reason)
    return rows


def _is_known_better(told: Verdict, present: Verdict) -> bool:
    """Whether the `present` verdict is about what was `told`: a step, or other causes by now."""
    if told.state is not present.state:
        return False
    is_slow = told.onset_ns is None and present.onset_ns is None
    return _is_of_one_event(told, present) or (is_slow and told_words(told) != told_words(present))


def _as_told(told: Verdict, present: Verdict, time_zone: str) -> str:
    """What of an alert no longer holds, a size from beyond its own uncertainty on."""
    before, now = (
        (told_words(v), v.onset_ns and f"since {local_time(v.onset_ns, time_zone)}")
        for v in (told, present)
    )
    changed = [was for was, by_now in zip(before, now, strict=True) if was and was != by_now]
    if abs(told.step - present.step) > told.step_sd or told.open_heads != present.open_heads:
        changed.append(f"{_step_words(told)}{with_heads(told)}")
    return ", ".join(changed)


def _is_of_one_event(before: Verdict, now: Verdict) -> bool:
    if before.onset_ns is None or now.onset_ns is None:
        return False
    return abs(now.onset_ns - before.onset_ns) <= SAME_EVENT_NS


def alert_row(alert: Alert, time_zone: str) -> AlertRow:
    """The cells of one alert, under `ALERT_COLUMNS`."""
    verdict = alert.verdict
    no_step = verdict.onset_ns is None
    known = math.isfinite(verdict.discharge_coefficient) and not is_without_word(verdict)
    return AlertRow(
        time=local_time(alert.time_ns, time_zone),
        state=f"{_kind_words(verdict)} ({verdict.state.ne107})",
        onset=UNKNOWN if verdict.onset_ns is None else local_time(verdict.onset_ns, time_zone),
        size=f"{_newest_words(verdict) if no_step else _step_words(verdict)}{with_heads(verdict)}",
        probability=probability_words(verdict.probability) if known else UNKNOWN,
        reason="; ".join(filter(None, (verdict.reason, disagreement(verdict, time_zone)))),
    )


def alerts_title(rows: Sequence[AlertRow]) -> str:
    """What a table of `rows` is called: messages say nothing of a fault."""
    return ALERTS_TITLES[any(row.state.startswith(A_MESSAGE) for row in rows)]


def _kind_words(verdict: Verdict) -> str:
    """What an alert tells; that it is none, where it only says what can be told or not."""
    words = told_words(verdict)
    nothing_told = is_without_word(verdict) and not verdict.was_told_opened
    if verdict.state is State.LEARNING or nothing_told:
        return f"{A_MESSAGE}{words[0].lower()}{words[1:]}"
    return words


def alert_words(row: AlertRow) -> str:
    """An alert in one cell, for a narrow terminal: its time stands beside it."""
    colon = ":" * row.size.startswith((NOT_LEARNED, NO_JET))
    what = [row.state, f"effective area{colon} {row.size}"]
    what += [f"since {row.onset}"] * (row.onset != UNKNOWN)
    what += [f"{row.probability} that the bore opened up"] * (row.probability != UNKNOWN)
    return f"{', '.join(what)}. {row.reason[:1].upper()}{row.reason[1:]}"


def pump_words(pump: Pump) -> str:
    """The kind of pump, and what holds its pressure."""
    match pump:
        case Intensifier():
            return "intensifier"
        case DirectDrive(regulation="none"):
            return "direct drive, pressure floats with the orifice"
        case DirectDrive(regulation="speed"):
            return "direct drive, crank speed holds the pressure"
        case _:
            return "direct drive, a bypass holds the pressure"

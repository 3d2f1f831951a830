"""What people found at the machine, and what that says of the causes: Bayes' rule once more.

Each step of an inspection asks one thing, and each of its answers has a probability under each
cause. Those figures are invented by this project; which way they point is common practice, no
source. A misaligned jet loads the pump no more than a straight one, so it is no cause of what the
pump shows; but a spread stream, a bad cut and a tear-drop at the tube's exit may each come of it.
It is carried as a second unknown beside the cause, so that three signs of one misalignment do not
count three times for a bad jewel, and a tear-drop explains a spread stream away.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from borewarden.model.cause import PRIOR, Belief, Cause, possible_causes

INTENSIFIER, DIRECT_DRIVE = "intensifier", "direct drive"
PRIOR_MISALIGNED = 0.1  # of a jet, at any time; invented
BEARS = 0.02  # a cause less probable than that is not worth a question
SPEAKS = math.log(2.0)  # an answer twice as likely, or half, is evidence


class Place(Enum):
    """Where a step is done; the cheapest first."""

    DESK = "from the desk"
    PANEL = "from the control panel"
    OUTSIDE = "from outside the guards"
    OPENED = "locked out, bled down and verified at zero pressure"


class Step(NamedTuple):
    """One question, its answers in words, and P(answer | cause) in the order of the answers.

    `usual` holds under each cause without a row of its own in `given`. `misaligned`, where there is
    one, holds while the jet is misaligned, whatever the cause. `points` says which cause an answer
    is a finding of, and not only more likely under. `no_say` are answers that are kept but settle
    nothing.
    """

    name: str
    place: Place
    ask: str
    answers: Mapping[str, str]
    usual: tuple[float, ...]
    given: Mapping[Cause, tuple[float, ...]]
    points: Mapping[str, Cause] = {}
    misaligned: tuple[float, ...] | None = None
    only: str = ""  # INTENSIFIER, DIRECT_DRIVE or either
    no_say: Mapping[str, str] = {}

    def likelihood(self, answer: str, cause: Cause, misaligned: bool) -> float:
        """P(answer | cause, alignment of the jet)."""
        row = self.given.get(cause, self.usual)
        if misaligned and self.misaligned is not None:
            row = self.misaligned
        return row[list(self.answers).index(answer)]


# The cheapest first. All figures invented; their direction is common practice, no source.
STEPS = (
    Step(
        "second-head",
        Place.DESK,
        "Look at the job list and the control panel: is a second head or valve open?",
        {"no": "no", "yes": "a second head or valve is open"},
        (0.98, 0.02),
        {Cause.SECOND_HEAD: (0.03, 0.97)},
        {"yes": Cause.SECOND_HEAD},
    ),
    Step(
        "jewel-changed",
        Place.DESK,
        "Ask: was a jewel changed at the last stop, and which bore went in?",
        {"no": "no", "same bore": "yes, the stated bore", "other bore": "yes, another bore"},
        (0.85, 0.14, 0.01),
        {Cause.OTHER_BORE: (0.2, 0.2, 0.6)},
        {"other bore": Cause.OTHER_BORE},
    ),
    Step(
        "cut",
        Place.DESK,
        "Look at the newest parts: is the cut as good as usual?",
        {"good": "as good as usual", "bad": "worse than usual"},
        (0.85, 0.15),
        {Cause.BORE: (0.3, 0.7), Cause.BLOCKED: (0.5, 0.5), Cause.FEED: (0.5, 0.5)},
        misaligned=(0.2, 0.8),
    ),
    Step(
        "oil-pressure",
        Place.PANEL,
        "Compare the pressure shown with the oil pressure times the intensification ratio, both "
        "read at the control panel: do they agree as they usually do?",
        {"agree": "they agree", "disagree": "they do not agree"},
        (0.97, 0.03),
        {Cause.TRANSDUCER: (0.1, 0.9)},
        {"disagree": Cause.TRANSDUCER},
        only=INTENSIFIER,
    ),
    Step(
        "zero",
        Place.PANEL,
        "Once the pump is stopped and bled down as the pump maker's manual says: does the pressure "
        "shown go back to zero? Never verify zero pressure by this reading: it is in doubt.",
        {"zero": "it shows zero", "not zero": "it does not show zero"},
        (0.97, 0.03),
        {Cause.TRANSDUCER: (0.5, 0.5)},  # one whose gain alone drifts shows zero
        {"not zero": Cause.TRANSDUCER},
    ),
    Step(
        "feed",
        Place.PANEL,
        "Read the feed (boost) pressure and the state of the inlet filters: are they as usual?",
        {"as usual": "as usual", "low": "low pressure, or filters clogged"},
        (0.95, 0.05),
        {Cause.FEED: (0.1, 0.9)},
        {"low": Cause.FEED},
    ),
    Step(
        "dead-head",
        Place.PANEL,
        "From the control panel: close the jet, hold the pressure for two minutes and count the "
        "strokes. Does the pump go on stroking?",
        {"stops": "it all but stops", "goes on": "it goes on stroking"},
        (0.95, 0.05),
        {Cause.LEAK: (0.15, 0.85), Cause.SECOND_HEAD: (0.6, 0.4)},
        {"goes on": Cause.LEAK},
        only=INTENSIFIER,
    ),
    Step(
        "weep",
        Place.OUTSIDE,
        "Let a qualified person measure the temperature of the weep lines from outside the guards: "
        "is one hotter than usual?",
        {"cool": "as cool as usual", "hot": "one is hot"},
        (0.97, 0.03),
        {Cause.LEAK: (0.5, 0.5)},  # a leaking check valve's water stays inside
        {"hot": Cause.LEAK},
    ),
    Step(
        "check-valves",
        Place.OUTSIDE,
        "Let a qualified person measure the temperature of the check valves from outside the "
        "guards: is one hotter than the others?",
        {"alike": "all about as warm", "hot": "one is hot"},
        (0.97, 0.03),
        {Cause.LEAK: (0.5, 0.5)},  # a leaking seal's water goes out by the weep line
        {"hot": Cause.LEAK},
    ),
    Step(
        "bypass-line",
        Place.OUTSIDE,
        "Let a qualified person measure the temperature of the bypass line from outside the "
        "guards: is it hotter than usual?",
        {"cool": "as cool as usual", "hot": "it is hot"},
        (0.97, 0.03),
        {Cause.BYPASS: (0.1, 0.9)},
        {"hot": Cause.BYPASS},
        only=DIRECT_DRIVE,
    ),
    Step(
        "speed",
        Place.OUTSIDE,
        "Let a qualified person compare the crank speed with the speed that the drive shows: is "
        "the crank slower than their ratio says?",
        {"agree": "they agree", "slower": "the crank is slower"},
        (0.98, 0.02),
        {Cause.SLIP: (0.1, 0.9)},
        {"slower": Cause.SLIP},
        only=DIRECT_DRIVE,
    ),
    Step(
        "stream",
        Place.OUTSIDE,
        "Low-pressure stream test: let the pressure drain to roughly 1,000 psi (7 MPa) as the pump "
        "maker's manual says, and look from outside the guards at the thread of water. Tight and "
        "clear: sound and aligned. A spread shower: a bad jewel or a misaligned one, this test "
        "can't tell which (common practice, no source).",
        {"tight": "tight and clear", "spread": "a spread shower"},
        (0.96, 0.04),
        {Cause.BORE: (0.15, 0.85), Cause.BLOCKED: (0.5, 0.5)},
        misaligned=(0.1, 0.9),
        only=INTENSIFIER,
    ),
    Step(
        "tube",
        Place.OPENED,
        "With the machine locked out, bled down and verified at zero pressure, look at the exit of "
        "the focusing tube: is it round, or worn to a tear-drop?",
        {"round": "round", "tear-drop": "tear-drop"},
        (0.95, 0.05),
        {Cause.BORE: (0.8, 0.2)},
        misaligned=(0.3, 0.7),
    ),
    Step(
        "rim",
        Place.OPENED,
        "With the machine locked out, bled down and verified at zero pressure, and by people who "
        "may: have the jewel taken out and look at its rim under a microscope. A chip over 10 to "
        "15 degrees of the rim is enough; a look with the naked eye does not settle it (both "
        "common practice, no source).",
        {
            "sound": "no chip that matters",
            "doubtful": "a chip of a doubtful size",
            "chipped": "chipped",
            "worn": "evenly worn or widened",
            "plugged": "something sits in the bore",
        },
        (0.86, 0.07, 0.01, 0.03, 0.03),
        {
            Cause.BORE: (0.02, 0.08, 0.6, 0.28, 0.02),
            Cause.BLOCKED: (0.45, 0.05, 0.01, 0.03, 0.46),
        },
        {"chipped": Cause.BORE, "worn": Cause.BORE, "plugged": Cause.BLOCKED},
        no_say={"naked eye": "looked at without a microscope only"},
    ),
)
BY_NAME = {step.name: step for step in STEPS}
NOT_LOOKED = "not looked"


class Finding(Enum):
    """What an inspection comes to."""

    CONFIRMED = "confirmed"  # there is a fault, and this is it
    EXPLAINED = "explained"  # nothing is broken: a second head, another bore
    RULED_OUT = "bore ruled out"
    UNDECIDED = "undecided"
    NOTHING_FOUND = "nothing found"  # a routine inspection, without an alert

    @property
    def closes(self) -> bool:
        """Whether the alarm is over by it."""
        return self in (Finding.EXPLAINED, Finding.RULED_OUT)


@dataclass(frozen=True)
class Picture:
    """A picture that is kept: SHA-256 of its bytes in hex, name, and its rim as measured if it was.

    `chip_angle_deg` is the missing rim in degrees of 360, `measured` the finding in words.
    """

    sha256: str
    name: str
    measured: str | None = None
    chip_angle_deg: float | None = None


@dataclass(frozen=True)
class Inspection:
    """One inspection of one machine; times ns since 1970 UTC, None where not known.

    `answers` are by name of the step; what nobody looked at is left out. `alert_ns`, `alert_state`,
    `onset_ns` and `step` (relative change of area) are of the alert that it is about, None for a
    routine inspection. `cause` and `probability`: what it came to.
    """

    machine: str
    time_ns: int
    by: str
    answers: Mapping[str, str]
    finding: Finding
    reason: str
    next_step: str
    cause: Cause | None = None
    probability: float | None = None
    alert_ns: int | None = None
    alert_state: str | None = None
    onset_ns: int | None = None
    step: float | None = None
    pictures: tuple[Picture, ...] = ()
    note: str = ""

    @property
    def outcome(self) -> str:
        """What it came to, in words."""
        what = f": {self.cause.value}" if self.cause else ""
        return f"{self.finding.value}{what} ({self.reason})"


def prior_beliefs(kind: str) -> tuple[Belief, ...]:
    """The causes that the kind of pump can have by `PRIOR` alone, the most probable first.

    For an alert that knows of no causes: of slow wear, say. Any kind of pump if `kind` is "".
    """
    causes = possible_causes(kind == INTENSIFIER)
    total = sum(PRIOR[cause] for cause in causes)
    return _sorted([Belief(cause, PRIOR[cause] / total) for cause in causes])


def steps_for(kind: str, beliefs: tuple[Belief, ...]) -> list[Step]:
    """The steps that bear on what is probable, cheapest first; all of the kind of pump if nothing.

    `kind` is INTENSIFIER, DIRECT_DRIVE or "" for not known.
    """
    probable = {belief.cause for belief in beliefs if belief.probability >= BEARS} or set(Cause)
    return [
        step
        for step in STEPS
        if (not kind or step.only in ("", kind))
        and (not probable.isdisjoint(step.given) or (step.misaligned and Cause.BORE in probable))
    ]


def weigh_answers(
    beliefs: tuple[Belief, ...], answers: Mapping[str, str], steps: tuple[Step, ...] = STEPS
) -> tuple[Belief, ...]:
    """The beliefs after `answers` by name of the step, the most probable first.

    Bayes' rule over cause and alignment of the jet, answers independent given these two. Answers
    without a say, and `NOT_LOOKED`, change nothing. Raises ValueError: unknown step or answer.
    """
    joint = _joint(beliefs, answers, steps)
    if not joint:
        return beliefs
    weighed = []
    for belief in beliefs:
        speaks_for, speaks_against = _evidence(belief, beliefs, answers, steps)
        weighed.append(
            Belief(
                belief.cause,
                joint[belief.cause, False] + joint[belief.cause, True],
                (*speaks_for, *belief.evidence_for),
                (*speaks_against, *belief.evidence_against),
            )
        )
    return _sorted(weighed)


def misalignment(
    beliefs: tuple[Belief, ...], answers: Mapping[str, str], steps: tuple[Step, ...] = STEPS
) -> float:
    """How probable it is that the jet is misaligned, be the jewel good or bad."""
    joint = _joint(beliefs, answers, steps)
    return sum(share for (_, misaligned), share in joint.items() if misaligned)


def check_answer(name: str, answer: str, steps: tuple[Step, ...] = STEPS) -> Step:
    """The step called `name`. Raises ValueError if there is none, or no such `answer` to it."""
    step = next((step for step in steps if step.name == name), None)
    if step is None:
        raise ValueError(f"no step {name!r}: there are {', '.join(step.name for step in steps)}")
    allowed = [*step.answers, *step.no_say, NOT_LOOKED]
    if answer not in allowed:
        raise ValueError(f"{answer!r} is no answer to {name!r}: give one of {', '.join(allowed)}")
    return step


def _joint(
    beliefs: tuple[Belief, ...], answers: Mapping[str, str], steps: tuple[Step, ...]
) -> dict[tuple[Cause, bool], float]:
    """Posterior of cause and misalignment; always multiplied in the order of `steps`."""
    for name, answer in answers.items():
        check_answer(name, answer, steps)
    shares = {
        (belief.cause, misaligned): belief.probability
        * (PRIOR_MISALIGNED if misaligned else 1.0 - PRIOR_MISALIGNED)
        for belief in beliefs
        for misaligned in (False, True)
    }
    for step in steps:
        answer = answers.get(step.name, NOT_LOOKED)
        if answer in step.answers:
            for key in shares:
                shares[key] *= step.likelihood(answer, *key)
    total = math.fsum(shares.values())
    return {key: share / total for key, share in shares.items()}


def _evidence(
    belief: Belief,
    beliefs: tuple[Belief, ...],
    answers: Mapping[str, str],
    steps: tuple[Step, ...],
) -> tuple[list[str], list[str]]:
    """The answers that speak for `belief`, and those that speak against it, in words."""
    others = [other for other in beliefs if other.cause is not belief.cause]
    weight = math.fsum(other.probability for other in others)
    speaks_for, speaks_against = [], []
    for step in steps:
        answer = answers.get(step.name, NOT_LOOKED)
        if answer not in step.answers or not weight:
            continue
        own = _seen_in(step, answer, belief.cause)
        rest = math.fsum(o.probability * _seen_in(step, answer, o.cause) for o in others) / weight
        gain = math.log(own / rest)
        words = f"inspection, {step.name}: {step.answers[answer]}"
        if gain > SPEAKS:
            speaks_for.append(words)
        elif gain < -SPEAKS:
            speaks_against.append(words)
    return speaks_for, speaks_against


def _seen_in(step: Step, answer: str, cause: Cause) -> float:
    """P(answer | cause), the jet as often misaligned as any."""
    straight, astray = (step.likelihood(answer, cause, misaligned) for misaligned in (False, True))
    return (1.0 - PRIOR_MISALIGNED) * straight + PRIOR_MISALIGNED * astray


def _sorted(beliefs: list[Belief]) -> tuple[Belief, ...]:
    return tuple(sorted(beliefs, key=lambda belief: -belief.probability))

"""The steps of a guided inspection: one question each, the cheapest first."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import NamedTuple

from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER, Belief, Cause
from borewarden.inspection.evidence import EVIDENCE

BEARS = 0.02  # probability below which a cause is not worth a question; invented
NOT_LOOKED = "not looked"


class Place(Enum):
    """Where a step is done; the cheapest first."""

    DESK = "from the desk"
    PANEL = "from the control panel"
    OUTSIDE = "from outside the guards"
    OPENED = "locked out, bled down and verified at zero pressure"


class InspectionStep(NamedTuple):
    """One question with its answers in words, and their likelihoods.

    Hand `ask` to people only behind the cautions. `usual`, `given`, `points` and `misaligned` are
    those of `evidence.Likelihoods`, their rows in the order of `answers`. `no_say` are answers
    that are kept but settle nothing.
    """

    name: str
    place: Place
    ask: str
    answers: Mapping[str, str]
    usual: tuple[float, ...]
    given: Mapping[Cause, tuple[float, ...]]
    points: Mapping[str, Cause] = {}
    misaligned: tuple[float, ...] | None = None
    only: str = ""  # INTENSIFIER, DIRECT_DRIVE or "" for either
    no_say: Mapping[str, str] = {}

    def likelihood(self, answer: str, cause: Cause, misaligned: bool) -> float:
        """Return P(answer | cause, alignment of the jet)."""
        row = self.given.get(cause, self.usual)
        if misaligned and self.misaligned is not None:
            row = self.misaligned
        return row[list(self.answers).index(answer)]


def _step(
    name: str,
    place: Place,
    ask: str,
    *answers: str,
    only: str = "",
    no_say: Mapping[str, str] | None = None,
) -> InspectionStep:
    """The step with its likelihoods; `answers` are the words of theirs, in the same order."""
    known, usual, given, points, misaligned = EVIDENCE[name]
    words = dict(zip(known, answers, strict=True))
    return InspectionStep(
        name, place, ask, words, usual, given, points, misaligned, only, no_say or {}
    )


# The cheapest first: common practice, no source.
STEPS = (
    _step(
        "second-head",
        Place.DESK,
        "Look at the job list and the control panel: is a second head or valve open?",
        "no",
        "a second head or valve is open",
    ),
    _step(
        "jewel-changed",
        Place.DESK,
        "Ask: was a jewel changed at the last stop, and which bore went in?",
        "no",
        "yes, the stated bore",
        "yes, a different bore",
    ),
    _step(
        "cut",
        Place.DESK,
        "Look at the newest parts: is the cut as good as usual?",
        "as good as usual",
        "worse than usual",
    ),
    _step(
        "oil-pressure",
        Place.PANEL,
        "Compare the pressure reading with oil pressure times the intensification ratio, both read "
        "at the control panel: do they agree as they usually do?",
        "they agree",
        "they disagree",
        only=INTENSIFIER,
    ),
    _step(
        "zero",
        Place.PANEL,
        "Once the pump is stopped and bled down as the pump maker's manual says: does the pressure "
        "reading go back to zero? Never verify zero pressure by this reading: it is in doubt.",
        "it shows zero",
        "it does not show zero",
    ),
    _step(
        "feed",
        Place.PANEL,
        "Read the feed (boost) pressure and the gauges of the inlet filters; open no housing. Are "
        "they as usual?",
        "as usual",
        "low pressure or clogged filters",
    ),
    _step(
        "dead-head",
        Place.PANEL,
        "Only if the pump maker's manual allows it, guards closed and nobody near: from the "
        "control panel, close the jet, hold pressure for two minutes and count the "
        "strokes: does the pump keep stroking?",
        "it nearly stops",
        "it keeps stroking",
        only=INTENSIFIER,
    ),
    _step(
        "stop-with-jet",
        Place.PANEL,
        "Only if the pump maker's manual and local codes allow it, by qualified people, guards "
        "closed and nobody near; not after a spread stream, and not where the machine shuts the "
        "head or bleeds down by itself at a stop: never bypass an interlock. Water only, the "
        "abrasive off, the head over the catcher and away from any part. Open the jet at full "
        "pressure for ten seconds, then stop the pump from the control panel as usual, not by the "
        "emergency stop. Leave head and bleed-down valve as they are until the jet has died, seen "
        "from the operator's station; if it has not within a minute, bleed down from the panel as "
        "the manual says. Whatever the reading shows, the line may still hold pressure: bleed down "
        "and verify zero by the manual's own means before anybody goes near. It needs such a stop "
        "from when the jewel was sound to be compared with. Was it made?",
        "yes, and the watcher weighs it by itself",
        only=INTENSIFIER,
        no_say={"not allowed": "not allowed on this machine"},
    ),
    _step(
        "weep",
        Place.OUTSIDE,
        "Let a qualified person measure the temperature of the weep lines from outside the guards, "
        "with a contactless thermometer: "
        "is one hotter than usual?",
        "as cool as usual",
        "one is hot",
    ),
    _step(
        "check-valves",
        Place.OUTSIDE,
        "Let a qualified person measure the temperature of the check valves from outside the "
        "guards, with a contactless thermometer: is one hotter than the others?",
        "all about equally warm",
        "one is hot",
    ),
    _step(
        "bypass-line",
        Place.OUTSIDE,
        "Let a qualified person measure the temperature of the bypass line from outside the "
        "guards, with a contactless thermometer: is it hotter than usual?",
        "as cool as usual",
        "it is hot",
        only=DIRECT_DRIVE,
    ),
    _step(
        "speed",
        Place.OUTSIDE,
        "Let a qualified person compare crank speed with the speed that the drive shows: is the "
        "crank slower than the drive ratio says?",
        "they agree",
        "the crank is slower",
        only=DIRECT_DRIVE,
    ),
    _step(
        "stream",
        Place.OUTSIDE,
        "Low-pressure stream test: let the pressure drain to roughly 1,000 psi (7 MPa) as the pump "
        "maker's manual says, and look at the thread of water from outside the guards: it still "
        "injects. Tight and "
        "clear: sound and aligned. A spread shower: a bad jewel or a misaligned one; this test "
        "can't tell which (common practice, no source).",
        "tight and clear",
        "a spread shower",
        only=INTENSIFIER,
    ),
    _step(
        "tube",
        Place.OPENED,
        "With the machine locked out, bled down and verified at zero pressure, look at the exit of "
        "the focusing tube: is it round, or worn to a teardrop?",
        "round",
        "worn to a teardrop",
    ),
    _step(
        "rim",
        Place.OPENED,
        "With the machine locked out, bled down and verified at zero pressure, have qualified "
        "people take the jewel out and look at its rim under a microscope. A chip over 10 to 15 "
        "degrees of the rim is enough; the naked eye does not settle it (both common practice, no "
        "source).",
        "no chip that matters",
        "a chip of doubtful size",
        "chipped",
        "evenly worn or widened",
        "something sits in the bore",
        no_say={"naked eye": "looked at without a microscope only"},
    ),
)
BY_NAME = {step.name: step for step in STEPS}


def steps_for(pump_kind: str, beliefs: tuple[Belief, ...]) -> list[InspectionStep]:
    """Return the steps that bear on the probable causes, the cheapest first.

    `pump_kind` is INTENSIFIER, DIRECT_DRIVE or "" for not known. Where no cause is probable, all
    steps of that kind of pump.
    """
    probable = {belief.cause for belief in beliefs if belief.probability >= BEARS} or set(Cause)
    return [
        step
        for step in STEPS
        if (not pump_kind or step.only in ("", pump_kind))
        and (not probable.isdisjoint(step.given) or (step.misaligned and Cause.BORE in probable))
    ]


def check_answer(
    name: str, answer: str, steps: tuple[InspectionStep, ...] = STEPS
) -> InspectionStep:
    """Return the step called `name`.

    Raises ValueError if there is no such step, or if `answer` is not one of its answers.
    """
    step = next((step for step in steps if step.name == name), None)
    if step is None:
        names = ", ".join(step.name for step in steps)
        raise ValueError(f"there is no step {name!r}: give one of {names}")
    allowed = [*step.answers, *step.no_say, NOT_LOOKED]
    if answer not in allowed:
        raise ValueError(
            f"{answer!r} is not an answer to {name!r}: give one of {', '.join(allowed)}"
        )
    return step

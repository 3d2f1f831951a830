"""An inspection in words: what to look at, the cautions first, and what the answers come to.

Pure functions. The steps, their answers and their probabilities are in `model.inspection`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from borewarden.base.text import probability_words
from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER, Belief, Cause
from borewarden.inspection.cautions import Guarded, guarded
from borewarden.inspection.posterior import misalignment, prior_beliefs, weigh_answers
from borewarden.inspection.record import Finding
from borewarden.inspection.steps import BY_NAME, STEPS, InspectionStep, Place, steps_for
from borewarden.watcher.verdict import State, Verdict

SETTLED = 0.9  # a cause that an answer is a finding of, and that is at least so probable; invented
_OF_THE_BORE = (State.OPENED, State.WEARING)
_NO_FAULT = (Cause.SECOND_HEAD, Cause.OTHER_BORE)
_NO_PRESSURE = (
    "by people who may, by the pump maker's manual, the pump stopped, locked out, bled down and "
    "verified at zero pressure"
)
_NEXT = {
    Cause.BORE: f"Change the jewel, {_NO_PRESSURE}; then record it, so that the watcher learns "
    "the new one.",
    Cause.LEAK: f"Have the plunger seals and check valves looked at, {_NO_PRESSURE}.",
    Cause.SECOND_HEAD: "If it is meant to be open, let the valve signal or the settings say so: "
    "the bore can't be watched meanwhile.",
    Cause.BLOCKED: f"Have the jewel and the last-chance filter cleaned or changed, {_NO_PRESSURE}.",
    Cause.TRANSDUCER: "Have the transducer checked against a second gauge and changed if need be. "
    "Until then trust neither the pressure shown nor what the watcher says of the bore, and never "
    "verify zero pressure by that reading.",
    Cause.FEED: "Have the water supply and the inlet filters put right, as the pump maker's manual "
    "says.",
    Cause.SLIP: "Have the belt or coupling looked at by people qualified for it, the drive locked "
    "out.",
    Cause.BYPASS: f"Have the bypass or relief valve looked at, {_NO_PRESSURE}.",
    Cause.OTHER_BORE: "Record which jewel is fitted, so that the watcher learns it afresh.",
    Cause.UNKNOWN: "Have somebody qualified for this pump look at it.",
}
_MISALIGNED = (
    "The jet may be misaligned ({}): that loads the pump no more than a straight one, so it does "
    "not explain the alert, but it spoils the cut and the focusing tube."
)
_STOP = (
    "The watcher weighs the planned stop by itself, as soon as its log has come in or is replayed: "
    "the live page and `replay` then show “rate at which the open jet empties the line” among the "
    "reasons, if it counted. Run `inspect` again after that."
)
_SECOND = (
    "A second head adds about as much area again as the first one: it does not explain this alert. "
    "Close it, and look again."
)
_REFIT = (
    "First have qualified people refit jewel and head, and release the machine as the pump maker's "
    "manual says. Then, the "
)
_SPREAD = "A spread stream can't tell a bad jewel from a misaligned one."


class Outcome(NamedTuple):
    """What an inspection comes to. `cause` is the one found, else None.

    `beliefs` are those after the answers, empty for a routine inspection without an alert.
    """

    finding: Finding
    cause: Cause | None
    reason: str
    next_step: str
    beliefs: tuple[Belief, ...]

    @property
    def probability(self) -> float | None:
        """Of the cause found; of an opened bore where none was."""
        wanted = self.cause or Cause.BORE
        return next((b.probability for b in self.beliefs if b.cause is wanted), None)


def guarded_step(step: InspectionStep) -> Guarded:
    """One step for people, behind the cautions: the only way in which it goes out to them."""
    return guarded(f"{step.ask} ({step.place.value})")


def kind_of(verdict: Verdict) -> str:
    """The kind of pump that a verdict is of."""
    return DIRECT_DRIVE if verdict.overstroke_margin is None else INTENSIFIER


def beliefs_of(verdict: Verdict) -> tuple[Belief, ...]:
    """The causes of an alert; by their prior alone where it is too slow to have any."""
    return verdict.causes or prior_beliefs(kind_of(verdict))


def next_check(
    kind: str, beliefs: tuple[Belief, ...], answers: Mapping[str, str]
) -> InspectionStep | None:
    """The cheapest step nobody has done that tells the two most probable causes apart.

    Once the first is probable enough, that is the one that would be a finding of it. If there is no
    such step, the cheapest that bears on the probable causes at all; None if all are done.
    """
    left = [step for step in steps_for(kind, beliefs) if answers.get(step.name) not in step.answers]
    if len(beliefs) > 1:
        first, second = (belief.cause for belief in beliefs[:2])
        for step in left:
            if beliefs[0].probability >= SETTLED and first not in step.points.values():
                continue
            if step.given.get(first, step.usual) != step.given.get(second, step.usual):
                return step
    return left[0] if left else None


def conclude(verdict: Verdict | None, answers: Mapping[str, str], kind: str = "") -> Outcome:
    """What `answers` come to, for the alert of `verdict`; None: a routine inspection.

    A microscope settles it by itself: a rim that is chipped or worn confirms the bore, whatever
    else there is, and one that is sound closes an alert of the bore. Any other cause is confirmed
    by an answer that is a finding of it, once it is at least `SETTLED` probable. Raises ValueError
    for an unknown step or answer.
    """
    beliefs = weigh_answers(beliefs_of(verdict) if verdict else prior_beliefs(kind), answers)
    rim = answers.get("rim", "")
    found = {name: BY_NAME[name].points.get(answer) for name, answer in answers.items()}
    if found.get("rim") is Cause.BORE:
        return Outcome(
            Finding.CONFIRMED,
            Cause.BORE,
            f"the rim is {BY_NAME['rim'].answers[rim]} under the microscope",
            _NEXT[Cause.BORE],
            beliefs if verdict else (),
        )
    if verdict is None:
        return _routine(answers, found)
    top = beliefs[0]
    if top.probability >= SETTLED and top.cause in found.values():
        by = next(name for name, cause in found.items() if cause is top.cause)
        return Outcome(
            Finding.EXPLAINED if top.cause in _NO_FAULT else Finding.CONFIRMED,
            top.cause,
            f"{BY_NAME[by].answers[answers[by]]} ({by}); {top.cause.words}, "
            f"{probability_words(top.probability)}",
            _NEXT[top.cause],
            beliefs,
        )
    sound = rim == "sound" and verdict.state in _OF_THE_BORE
    left = tuple(b for b in beliefs if not sound or b.cause is not Cause.BORE)
    check = next_check(kind_of(verdict), left, answers)
    next_words = f"Cheapest next check: {check.ask}" if check else _NEXT[Cause.UNKNOWN]
    if check and check.place is Place.OPENED:
        next_words = f"Surest next check: {check.ask}"
    if sound and check:
        next_words = f"{_REFIT}{next_words[0].lower()}{next_words[1:]}"
    if sound:
        return Outcome(
            Finding.RULED_OUT,
            None,
            "the rim is sound under the microscope; the water that the pump shows "
            f"goes elsewhere, most probably: {left[0].cause.words}",
            next_words,
            beliefs,
        )
    reasons = [
        f"most probable: {top.cause.words}, {probability_words(top.probability)}",
        *(f"{name}: {BY_NAME[name].no_say[a]}" for name, a in answers.items()
          if a in BY_NAME[name].no_say),
    ]  # fmt: skip
    return Outcome(Finding.UNDECIDED, None, "; ".join(reasons), next_words, beliefs)


def remarks(verdict: Verdict | None, answers: Mapping[str, str], kind: str = "") -> list[str]:
    """What else the answers say: of the jet's alignment, and of who weighs a planned stop."""
    told = answers.get("rim", "") in BY_NAME["rim"].answers
    lines = [_SPREAD] if answers.get("stream") == "spread" and not told else []
    lines += [_STOP] if answers.get("stop-with-jet") == "made" else []
    beliefs = beliefs_of(verdict) if verdict else prior_beliefs(kind)
    if verdict and answers.get("second-head") == "yes":
        top = weigh_answers(beliefs, answers)[0].cause
        lines += [_SECOND] if top is not Cause.SECOND_HEAD else []
    astray = misalignment(beliefs, answers)
    if astray >= 0.25:
        lines.append(_MISALIGNED.format(probability_words(astray)))
    return lines


def _routine(answers: Mapping[str, str], found: Mapping[str, Cause | None]) -> Outcome:
    odd = [f"{BY_NAME[name].answers[answers[name]]} ({name})" for name, c in found.items() if c]
    odd += [
        f"{BY_NAME[name].answers[answers[name]]} ({name})"
        for name in ("cut", "stream", "tube")
        if answers.get(name) in ("bad", "spread", "tear-drop")
    ]
    if not odd:
        looked = [name for name, answer in answers.items() if answer in BY_NAME[name].answers]
        reason = f"nothing unusual: {', '.join(looked)}" if looked else "nobody looked at anything"
        return Outcome(Finding.NOTHING_FOUND, None, reason, "Nothing to do by these answers.", ())
    left = [step for step in STEPS if step.name == "rim" and answers.get("rim") != "sound"]
    next_words = f"Surest next check: {left[0].ask}" if left else _NEXT[Cause.UNKNOWN]
    return Outcome(Finding.UNDECIDED, None, "; ".join(odd), next_words, ())

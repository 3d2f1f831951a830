"""How probable each cause is after the answers of an inspection: Bayes' rule once more.

A misaligned jet is carried as a second unknown beside the cause. So three signs of one
misalignment do not count three times for a bad jewel, and a teardrop explains a spread stream
away.

References
----------
.. [1] Pearl 1988, "Probabilistic Reasoning in Intelligent Systems": explaining away; value from
   memory.

"""

from __future__ import annotations

import math
from collections.abc import Mapping

from borewarden.diagnose.causes import INTENSIFIER, PRIOR, Belief, Cause, possible_causes
from borewarden.inspection.evidence import PRIOR_MISALIGNED
from borewarden.inspection.steps import NOT_LOOKED, STEPS, InspectionStep, check_answer

SPEAKS = math.log(2.0)  # an answer twice as likely, or half as likely, is evidence; invented


def prior_beliefs(pump_kind: str) -> tuple[Belief, ...]:
    """Return the causes that the kind of pump can have by `PRIOR` alone, the most probable first.

    For an alert without causes, of slow wear for example. Any kind of pump if `pump_kind` is "".
    """
    causes = possible_causes(pump_kind == INTENSIFIER)
    total = sum(PRIOR[cause] for cause in causes)
    return _sorted([Belief(cause, PRIOR[cause] / total) for cause in causes])


def weigh_answers(
    beliefs: tuple[Belief, ...],
    answers: Mapping[str, str],
    steps: tuple[InspectionStep, ...] = STEPS,
) -> tuple[Belief, ...]:
    """Return the beliefs after `answers`, by name of the step, the most probable first.

    Bayes' rule over the cause and the alignment of the jet; answers are independent given both.
    `NOT_LOOKED` and answers without a say change nothing. Raises ValueError for an unknown step or
    answer.
    """
    joint = _joint(beliefs, answers, steps)
    if not joint:
        return beliefs
    weighed = []
    for belief in beliefs:
        speaks_for, speaks_against = _reasons(belief, beliefs, answers, steps)
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
    beliefs: tuple[Belief, ...],
    answers: Mapping[str, str],
    steps: tuple[InspectionStep, ...] = STEPS,
) -> float:
    """Return how probable it is that the jet is misaligned, with a good jewel or a bad one."""
    joint = _joint(beliefs, answers, steps)
    return sum(share for (_, misaligned), share in joint.items() if misaligned)


def _joint(
    beliefs: tuple[Belief, ...], answers: Mapping[str, str], steps: tuple[InspectionStep, ...]
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


def _reasons(
    belief: Belief,
    beliefs: tuple[Belief, ...],
    answers: Mapping[str, str],
    steps: tuple[InspectionStep, ...],
) -> tuple[list[str], list[str]]:
    """The answers that speak for `belief`, and those that speak against it, in words."""
    others = [other for other in beliefs if other.cause is not belief.cause]
    weight = math.fsum(other.probability for other in others)
    speaks_for, speaks_against = [], []
    for step in steps:
        answer = answers.get(step.name, NOT_LOOKED)
        if answer not in step.answers or not weight:
            continue
        own = _seen_under(step, answer, belief.cause)
        rest = (
            math.fsum(o.probability * _seen_under(step, answer, o.cause) for o in others) / weight
        )
        gain = math.log(own / rest)
        words = f"inspection, {step.name}: {step.answers[answer]}"
        if gain > SPEAKS:
            speaks_for.append(words)
        elif gain < -SPEAKS:
            speaks_against.append(words)
    return speaks_for, speaks_against


def _seen_under(step: InspectionStep, answer: str, cause: Cause) -> float:
    """P(answer | cause), the jet misaligned as often as any."""
    straight, astray = (step.likelihood(answer, cause, misaligned) for misaligned in (False, True))
    return (1.0 - PRIOR_MISALIGNED) * straight + PRIOR_MISALIGNED * astray


def _sorted(beliefs: list[Belief]) -> tuple[Belief, ...]:
    return tuple(sorted(beliefs, key=lambda belief: -belief.probability))

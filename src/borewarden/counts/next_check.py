"""What to look at next after a count, the cheapest first, by the causes that fit it."""

from __future__ import annotations

import math

from borewarden.counts.series import LEAKS, Judged
from borewarden.diagnose.causes import Belief, Cause
from borewarden.inspection.outcome import next_check
from borewarden.inspection.posterior import prior_beliefs, weigh_answers
from borewarden.inspection.steps import InspectionStep
from borewarden.watcher.verdict import State

SMALLER = (Cause.BLOCKED, Cause.TRANSDUCER, Cause.OTHER_BORE)  # only these lower the area
TROUBLED = (State.OPENED, State.WEARING, State.OTHER_FAULT, State.NOT_STATED_BORE)


def causes_of(judged: Judged) -> tuple[Belief, ...]:
    """The causes that fit what was counted, the most probable first; none while all is as it was.

    By how often each begins, and by the dead-headed count where there was one.
    """
    change = judged.change
    grown = judged.estimate.rate > judged.estimate.rate_expected
    shrinks = change.growth < 0.0 if change else not grown
    if judged.state not in TROUBLED and not (
        judged.state is State.CANNOT_TELL and change and change.growth < -1.96 * change.sd
    ):
        return ()
    usual = prior_beliefs(judged.count.plate.kind)
    fitting = [b for b in usual if (b.cause in SMALLER) == shrinks or b.cause in SMALLER[1:]]
    if shrinks:
        fitting = [b for b in fitting if b.cause in SMALLER]
    total = sum(belief.probability for belief in fitting)
    beliefs = tuple(Belief(b.cause, b.probability / total) for b in fitting)
    return weigh_answers(beliefs, answers_of(judged))


def answers_of(judged: Judged) -> dict[str, str]:
    """What the count answers of the steps of an inspection."""
    leak = judged.estimate.leak
    if math.isnan(leak):
        return {}
    return {"dead-head": "goes on" if leak > LEAKS else "stops"}


def next_step(judged: Judged) -> InspectionStep | None:
    """The cheapest step that tells the probable causes apart; None where there is no trouble.

    Hand it to people through `inspection.outcome.guarded_step` only.
    """
    beliefs = causes_of(judged)
    if not beliefs:
        return None
    return next_check(judged.count.plate.kind, beliefs, answers_of(judged))

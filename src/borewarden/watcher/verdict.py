"""The verdict: the state of the bore, in a word and in numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from borewarden.base.statistics import Interval
from borewarden.detect.false_rate import FalseRate
from borewarden.detect.second_opinion import Opinion
from borewarden.diagnose.causes import Belief
from borewarden.diagnose.groups import group_of_first


class State(Enum):
    """What the watcher believes of the fitted bore."""

    LEARNING = "learning"
    SOUND = "sound"
    WEARING = "wearing"
    OPENED = "probably opened up"
    OTHER_FAULT = "probably another fault"
    NOT_STATED_BORE = "not the stated bore"
    CANNOT_TELL = "cannot tell"

    @property
    def ne107(self) -> str:
        """Status category of NAMUR NE 107 (2006): the plant-wide words for device health."""
        return _NE107[self]


_NE107 = {
    State.LEARNING: "function check",
    State.SOUND: "good",
    State.WEARING: "maintenance required",
    State.OPENED: "failure",
    State.OTHER_FAULT: "failure",
    State.NOT_STATED_BORE: "out of specification",
    State.CANNOT_TELL: "function check",
}


SURE_OF_HEAD = 0.9  # from which one head alone is named; invented
UNLIKELY = 0.05  # below that a head is not named; invented


@dataclass(frozen=True)
class HeadBelief:
    """One head, and how probable it is that its jewel is the one, if it is a jewel."""

    head: str
    probability: float


def head_of(heads: Sequence[HeadBelief]) -> str | None:
    """The one head that is sure enough to be named, if there is one."""
    return next((each.head for each in heads if each.probability >= SURE_OF_HEAD), None)


EVEN = 0.5  # up to which nothing is called probable; by decision
QUIET_AFTER = 900.0  # s without a judged jet, after which a verdict is one of then; invented
STATES = tuple(State)  # tables of batches hold the place in here
FIRST_LEARNED = (State.LEARNING, State.SOUND)  # that one follows the other is no news
NO_CHANGE = (State.LEARNING, State.SOUND, State.NOT_STATED_BORE)  # all others tell of one


@dataclass(frozen=True)
class Verdict:
    """The state at `time_ns` and the evidence for it. SI; NaN or None where not known.

    `judged_ns` is when the newest steady jet ended that it was judged by, or learned from; 0 before
    the first of these jewels, and in alerts, which tell of what was just judged.

    Bores and areas are effective ones, of as many `jewels` as are open together, as one hole:
    those of `open_heads`, such as "head 1 and 2", which is empty with one head.
    `bore`, `area_ratio`, rates and pressures are means of the newest batches, of those since
    `onset_ns` where a step is told. `step` is the relative change of area at once, against just
    before the onset; `area_ratio` is against the baseline, so it has what wore before, too.
    `hours_to_limit` are of wear alone: None since a step, and while nothing can be told.
    `bore_sd` is a standard uncertainty, `overstroke_margin` the free share of the stroke rate
    (crank pumps: None). Without `closed_known` a closed jet may pass for an open one, so
    `jet_hours` may be too many, or too few. Without `level_known` bore and area
    may be those of the valve that takes the water with the jet closed. In `idle_hours` a crank
    idled, most likely with the jet closed, where that often counts as jet. `was_told_opened`: the
    verdicts contradict each other now, and one of them was that the bore opened up.
    `probability` is that the bore has opened up, `causes` the posterior over what changed (empty
    while nothing did), `check` the cheapest thing to look at that would separate the first two.
    `heads` says which head's jewel it is, the most probable first; empty with one head, while all
    is sound, and where it is the pump. `second_opinion` is that of a general-purpose detector,
    which changes nothing here; `false_rate` is how often a step is told falsely. Both are None
    before the jewel is learned.
    """

    time_ns: int
    state: State
    reason: str
    jet_hours: float  # of the jewel
    nominal_bore: float
    bore: float
    bore_sd: float
    area_ratio: float  # to the baseline
    discharge_coefficient: float
    rate_expected: float
    rate_seen: float
    pressure_expected: float
    pressure_seen: float
    overstroke_margin: float | None
    probability: float
    onset_ns: int | None = None
    step: float = 0.0
    step_sd: float = 0.0
    slope_per_hour: float = 0.0
    slope_sd: float = 0.0
    hours_to_limit: Interval | None = None
    causes: tuple[Belief, ...] = ()
    check: str = ""
    heads: tuple[HeadBelief, ...] = ()
    second_opinion: Opinion | None = None
    false_rate: FalseRate | None = None
    judged_ns: int = 0
    jewels: int = 1
    open_heads: str = ""
    closed_known: bool = True
    was_told_opened: bool = False
    level_known: bool = True
    idle_hours: float = 0.0  # of the jewel's jet hours

    def that_cannot_tell(self, reason: str, check: str) -> Verdict:
        """The same while nothing can be told of the bore; `check` is what would change that.

        What was made of a change meanwhile is left out.
        """
        return replace(
            self,
            state=State.CANNOT_TELL,
            reason=reason,
            probability=0.0,
            onset_ns=None,
            step=0.0,
            step_sd=0.0,
            hours_to_limit=None,
            causes=(),
            check=check,
        )

    @property
    def disagrees(self) -> bool:
        """Whether the second opinion sees a change and the verdict tells of none, or conversely."""
        if self.second_opinion is None:
            return False
        return (self.second_opinion.since_ns is None) is (self.state not in NO_CHANGE)

    @property
    def head(self) -> str | None:
        """The one head whose jewel it is; None where that is not known."""
        return head_of(self.heads)

    @property
    def suspects(self) -> str:
        """Such as "head 1" or "head 1 or 2"; empty where no head is suspected."""
        likely = [each.head for each in self.heads if each.probability >= UNLIKELY]
        if self.head is not None:
            likely = [self.head]
        return f"head {' or '.join(sorted(likely))}" if likely else ""


def is_of_then(verdict: Verdict, unjudged_hours: float) -> bool:
    """Whether a calm `verdict` is one of then: as many hours went by without a judged jet.

    A fault stays told until something better is seen.
    """
    calm = verdict.state in (State.SOUND, State.LEARNING)
    return calm and 3600.0 * unjudged_hours > QUIET_AFTER


def is_no_more_than_even(verdict: Verdict) -> bool:
    """Whether what the state names is no more probable than not.

    That is an opened or worn bore, or another fault with those that look the same.
    """
    if verdict.state in (State.OPENED, State.WEARING):
        return verdict.probability <= EVEN
    if verdict.state is not State.OTHER_FAULT or not verdict.causes:
        return False
    return group_of_first(verdict.causes).probability <= EVEN

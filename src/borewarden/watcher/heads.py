"""Which head it is: what the watches of all combinations of open heads say together.

Each combination of heads that cuts has a `BoreWatch` of its own. A jewel that has opened up adds
its area wherever its head is open, and nowhere else. A leak takes as much water whichever heads are
open, and a wrong pressure or speed the same share of it. So the combinations that moved, and those
that did not, tell heads and pump apart: Bayes' rule over these hypotheses, each with a normal prior
for its size, so that the changes seen are jointly normal (Bishop 2006, "Pattern Recognition and
Machine Learning", 3.3, value from memory). Pure functions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.text import probability_words
from borewarden.detect.baseline import median
from borewarden.detect.step import WINDOW, newest
from borewarden.diagnose.causes import Belief, Cause
from borewarden.gate.gate import Gate, GateSettings
from borewarden.jewels.jewel import Jewel, stated_area
from borewarden.physics.pump import Displacement
from borewarden.watcher.events import (
    LowPressureEvent,
    Monitor,
    SignalEvent,
    SlowEvent,
    StepEvent,
    Watching,
)
from borewarden.watcher.levels import Combination
from borewarden.watcher.verdict import HeadBelief, State, Verdict
from borewarden.watcher.weighing import MOST_PROBABLE, named, probable_words

LIKELY_SIZE = 0.2  # standard deviation of what one jewel, or the pump, may be off; invented
UNSURE = 0.012  # relative, of what another combination shows: pump and pressure wander; invented
UNLEARNED = 0.05  # relative, of two jewels against each other where nothing was learned; invented
UNSTATED = 0.04  # relative, of a learned C_d about its material's; invented
MORE_LIKELY = 0.6  # from which a head that is not sure is called the most probable; invented
FEWEST = 2  # batches since the onset, to have a say; invented
FEWEST_BEFORE = 3  # and before it; invented
RECENT = 60  # batches before and after that are compared; invented
NEVER = np.iinfo(np.int64).max
QUIET = (State.LEARNING, State.SOUND)
RANK = (  # what is told first where the combinations differ
    State.OPENED,
    State.WEARING,
    State.OTHER_FAULT,
    State.CANNOT_TELL,
    State.NOT_STATED_BORE,
    State.SOUND,  # what is still to be learned of some heads is no news
    State.LEARNING,
)
OF_A_JET = (Cause.BORE, Cause.BLOCKED, Cause.OTHER_BORE)
OF_ALL_ALIKE = (Cause.TRANSDUCER, Cause.FEED, Cause.SLIP)  # the same share of any flow
OF_THE_PUMP = (Cause.LEAK, Cause.BYPASS, Cause.SECOND_HEAD)  # as much water with any heads open


class Part(NamedTuple):
    """One combination, and what its watch has come to; `ring` is of dtype `RING`."""

    combination: Combination
    monitor: Monitor
    ring: NDArray[np.void]


class Merged(NamedTuple):
    """What all combinations say together; `lead` is the place of the one that says most."""

    state: State
    lead: int
    heads: tuple[HeadBelief, ...] = ()
    causes: tuple[Belief, ...] = ()  # empty where nothing but the lead bears on them


class _Seen(NamedTuple):
    """How far combinations have moved, in log area; (k,) each but for `places`."""

    places: list[int]
    moved: NDArray[np.float64]
    sd: NDArray[np.float64]
    area: NDArray[np.float64]  # m², before


# -- what is set up


def gate_of(
    settings: GateSettings,
    displacement: Displacement,
    jewels: Sequence[Jewel],
    valve_heads: Sequence[str],
) -> Gate:
    """A new gate for these `jewels`; each of `valve_heads` has a valve signal.

    Where nothing says which heads are open, the smallest jewel alone is a jet, too.
    """
    areas = {jewel.head: jewel.nominal_area for jewel in jewels}
    gate = Gate(
        settings._replace(nominal_area=stated_area(list(jewels))),
        displacement,
        max(len(jewels), len(valve_heads)),
        [areas.get(head, 0.0) for head in valve_heads],
    )
    if not valve_heads:
        gate.state.open.area = min(areas.values())
    return gate


# -- what is told


def merge(parts: Sequence[Part], jewels: Sequence[Jewel], told: State) -> Merged:
    """Make one state of those of all combinations, where `told` was told so far."""
    lead = _lead(parts)
    monitor = parts[lead].monitor
    if monitor.told in QUIET:
        return Merged(monitor.told, lead)
    heads = tuple(jewel.head for jewel in jewels)
    seen = _seen(parts, lead, jewels)
    likely = {head: _likelihood(parts, seen, lead, head) for head in heads}
    of_jets = sum(likely.values())
    if of_jets <= 0.0:
        return Merged(monitor.told, lead)
    beliefs = sorted(
        (HeadBelief(head, value / of_jets) for head, value in likely.items()),
        key=lambda belief: -belief.probability,
    )
    event = monitor.event if isinstance(monitor, Watching) else None
    if isinstance(event, SignalEvent):
        return Merged(monitor.told, lead)  # the area says nothing
    alone = len(seen.places) <= 1
    unsure = monitor.told in (State.OTHER_FAULT, State.CANNOT_TELL)
    if alone and isinstance(event, SlowEvent) and unsure:
        return Merged(monitor.told, lead)  # the pump may do that slowly, too
    if event is None or event.weighed is None or alone:
        return Merged(monitor.told, lead, tuple(beliefs))
    causes = _weigh_again(event.weighed.beliefs, parts, seen, lead, of_jets)
    assert isinstance(monitor, Watching)
    state = monitor.told
    if state not in (State.WEARING, State.OPENED) or causes[0].cause is not Cause.BORE:
        before = told if told not in QUIET else state
        state = named(before, monitor.past, causes, isinstance(event, StepEvent))
    return Merged(state, lead, tuple(beliefs), causes)


def _lead(parts: Sequence[Part]) -> int:
    """The combination that says most; of several that say the same the first, or the newest."""

    def order(place: int) -> tuple[int, int, int]:
        monitor = parts[place].monitor
        return RANK.index(monitor.told), _onset_ns(monitor) or NEVER, -monitor.running.end_ns

    return min(range(len(parts)), key=order)


def _onset_ns(monitor: Monitor) -> int:
    """Since when the area is off by a step that is told of; 0 if it is not."""
    event = monitor.event if isinstance(monitor, Watching) else None
    told = monitor.told not in QUIET
    return event.onset_ns if told and isinstance(event, StepEvent | LowPressureEvent) else 0


def with_heads(verdict: Verdict, merged: Merged) -> Verdict:
    """The `verdict` of the leading combination as that of the machine."""
    if merged.state in QUIET:
        return verdict
    words = {belief.cause: belief for belief in verdict.causes}
    causes = tuple(
        replace(words.get(each.cause, each), probability=each.probability) for each in merged.causes
    )
    probability = _of_the_bore(verdict, causes) if causes else verdict.probability
    causes = causes or verdict.causes
    verdict = replace(
        verdict, probability=probability, state=merged.state, heads=merged.heads, causes=causes
    )
    reason = verdict.reason
    if merged.causes:
        what, most, _ = reason.partition(MOST_PROBABLE)
        reason = f"{what}{most}{probable_words(causes)}" if most else reason
    if merged.state is State.OTHER_FAULT and causes and causes[0].cause not in OF_A_JET:
        return replace(verdict, reason=reason, heads=())
    if verdict.suspects:
        reason = f"{_suspected(verdict)}: {reason}"
    return replace(verdict, reason=reason)


def _of_the_bore(verdict: Verdict, causes: Sequence[Belief]) -> float:
    """Probability that the bore has opened up, where the `causes` were weighed again."""
    before, now = (
        sum(each.probability for each in given if each.cause is Cause.BORE)
        for given in (verdict.causes, causes)
    )
    return min(verdict.probability * now / before, now) if before > 0.0 else now


def _suspected(verdict: Verdict) -> str:
    """Such as "head 1", or "head 1 or 2, most probably 2 (71 % if it is a jewel)"."""
    first = verdict.heads[0]
    if verdict.head is not None or first.probability < MORE_LIKELY:
        return verdict.suspects
    share = probability_words(first.probability)
    return f"{verdict.suspects}, most probably {first.head} ({share} if it is a jewel)"


def area_told(monitor: Monitor) -> float | None:
    """The log area, m², of what is told of; None where nothing is, or nothing of the area."""
    if not isinstance(monitor, Watching) or monitor.told in QUIET:
        return None
    event = monitor.event
    if isinstance(event, SignalEvent):
        return None
    if event is None or len(event.after) == 0:
        return float(np.log(monitor.baseline.area))
    return _mean(event.after)


# -- how far each combination has moved


def _seen(parts: Sequence[Part], lead: int, jewels: Sequence[Jewel]) -> _Seen:
    """What each combination of known heads, and the lead, has moved by since the lead did."""
    monitor = parts[lead].monitor
    event = monitor.event if isinstance(monitor, Watching) else None
    # others may have shown it before the lead did
    onsets_ns = [_onset_ns(part.monitor) for part in parts if _same_way(part.monitor, monitor)]
    onset_ns = min((ns for ns in onsets_ns if ns), default=0) if _onset_ns(monitor) else 0
    last_ns = _unmoved_until(parts, monitor, onset_ns)
    found: list[tuple[int, float, float, float]] = []
    for place, part in enumerate(parts):
        if place != lead and not part.combination.is_known:
            continue
        if event is None:
            moved = _off_the_stated(part)
        elif onset_ns:
            moved = _moved_since(part, last_ns, onset_ns)
            moved = moved or _against(part, parts[lead], onset_ns, jewels)
        else:
            moved = _drifted(part, parts[lead])
        if moved is not None:
            found.append((place, *moved))
    if lead not in [place for place, *_ in found]:
        return _Seen([], *np.zeros((3, 0)))
    columns = np.array([rest for _, *rest in found]).T
    return _Seen([place for place, *_ in found], *columns)


def _same_way(one: Monitor, other: Monitor) -> bool:
    """Whether two events have the same sign."""
    if not isinstance(one, Watching) or not isinstance(other, Watching):
        return False
    return one.event is not None and other.event is not None and one.event.sign == other.event.sign


def _unmoved_until(parts: Sequence[Part], monitor: Monitor, onset_ns: int) -> int:
    """The end of the last batch before the step in a combination that has moved as `monitor` has.

    From then on until the onset nobody saw whether it was there already: a combination that was
    learned meanwhile may have been learned with it.
    """
    last_ns = 0
    for part in parts:
        event = part.monitor.event if isinstance(part.monitor, Watching) else None
        if event is not None and _onset_ns(part.monitor) and _same_way(part.monitor, monitor):
            # the ring may not hold those before any more
            ends = np.concatenate((event.before["end_ns"], _rows(part)["end_ns"]))
            last_ns = max(last_ns, int(np.max(ends[ends <= onset_ns], initial=0)))
    return last_ns or onset_ns


def _rows(part: Part) -> NDArray[np.void]:
    return newest(part.ring, part.monitor.running.taken, WINDOW)


def _noise(part: Part, rows: NDArray[np.void]) -> float:
    """Standard deviation of the mean of the log areas of `rows`."""
    one = float(np.std(np.log(rows["area"])))
    if isinstance(part.monitor, Watching):
        one = float(np.hypot(part.monitor.detector.sigma, median(rows["resolution"])))
    return float(one / len(rows) ** 0.5)


def _mean(rows: NDArray[np.void]) -> float:
    return float(np.average(np.log(rows["area"]), weights=rows["time"]))


def _moved_since(part: Part, last_ns: int, onset_ns: int) -> tuple[float, float, float] | None:
    """How far batches since `onset_ns` are off those up to `last_ns`, its uncertainty, the area."""
    rows = _rows(part)
    before = rows[rows["end_ns"] <= last_ns][-RECENT:]
    after = rows[rows["start_ns"] >= onset_ns][-RECENT:]
    if len(after) < FEWEST:
        return None
    if len(before) >= FEWEST_BEFORE:
        level, sd = _mean(before), _noise(part, before)
    elif isinstance(part.monitor, Watching) and part.monitor.first_rows[-1]["end_ns"] <= last_ns:
        level, sd = float(np.log(part.monitor.reference.area)), 0.0
    else:
        return None
    spread = float(np.hypot(np.hypot(sd, _noise(part, after)), UNSURE))
    return _mean(after) - level, spread, float(np.exp(level))


def _against(
    part: Part, lead: Part, onset_ns: int, jewels: Sequence[Jewel]
) -> tuple[float, float, float] | None:
    """The same of one that nothing is known of from before: by its share of the stated areas."""
    rows = _rows(part)
    after = rows[rows["start_ns"] >= onset_ns][-RECENT:]
    if len(after) < FEWEST or not lead.combination.is_known or not part.combination.is_known:
        return None
    area = lead.monitor.reference.area * _stated(part, jewels) / _stated(lead, jewels)
    spread = float(np.hypot(np.hypot(_noise(part, after), UNSURE), UNLEARNED))
    return _mean(after) - float(np.log(area)), spread, float(area)


def _stated(part: Part, jewels: Sequence[Jewel]) -> float:
    (heads,) = part.combination.options
    return stated_area([jewel for jewel in jewels if jewel.head in heads])


def _drifted(part: Part, lead: Part) -> tuple[float, float, float] | None:
    """How far the area has gone slowly since the baseline.

    The less of the lead's time it was watched, too, and the further the lead has gone since, the
    less that says.
    """
    if not isinstance(part.monitor, Watching) or not isinstance(lead.monitor, Watching):
        return None
    gone, sd = part.monitor.wear.gone(part.monitor.watched_hours)
    of_lead, _ = lead.monitor.wear.gone(lead.monitor.watched_hours)
    (began, ended), (from_ns, until_ns) = _watched(part.monitor), _watched(lead.monitor)
    both = min(ended, until_ns) - max(began, from_ns)
    unwatched = 1.0 - max(both, 0) / max(until_ns - from_ns, 1)
    since = _gone_since(lead, ended) if ended < until_ns else 0.0
    spread = float(np.linalg.norm([sd, UNSURE, unwatched * of_lead, since]))
    return gone, spread, part.monitor.reference.area


def _gone_since(part: Part, time_ns: int) -> float:
    """How far the area has gone since then, if that was but the last that was seen of it."""
    rows = _rows(part)
    before, after = rows[rows["end_ns"] <= time_ns], rows[rows["start_ns"] >= time_ns]
    if len(before) == 0 or len(after) == 0:
        return 0.0
    return _mean(after[-RECENT:]) - _mean(before[-RECENT:])


def _watched(monitor: Watching) -> tuple[int, int]:
    """From the end of the baseline to the newest batch, ns."""
    return int(monitor.first_rows[-1]["end_ns"]), monitor.running.end_ns


def _off_the_stated(part: Part) -> tuple[float, float, float] | None:
    if not isinstance(part.monitor, Watching):
        return None
    stated = stated_area(list(part.monitor.setup.jewels))
    return float(np.log(part.monitor.baseline.area / stated)), UNSTATED, stated


# -- hypotheses


def _likelihood(parts: Sequence[Part], seen: _Seen, lead: int, head: str) -> float:
    """Of what was seen, if it is the jewel in this `head`; next to that of other heads."""
    options = parts[lead].combination.options
    share = sum(head in heads for heads in options) / len(options)
    if share == 0.0 or not seen.places:
        return share
    area = float(np.mean(seen.area))
    in_it = np.array([k == lead or head in parts[k].combination.options[0] for k in seen.places])
    return share * _evidence(seen, lead, in_it * area / seen.area)


def _evidence(seen: _Seen, lead: int, shape: NDArray[np.float64]) -> float:
    """Likelihood of what the others show, given the lead, if all move in proportion to `shape`."""
    both = np.diag(seen.sd**2) + LIKELY_SIZE**2 * np.outer(shape, shape)
    k = seen.places.index(lead)
    log_all = _log_normal(seen.moved, both)
    log_lead = _log_normal(seen.moved[k : k + 1], both[k : k + 1, k : k + 1])
    return float(np.exp(log_all - log_lead))


def _log_normal(values: NDArray[np.float64], covariance: NDArray[np.float64]) -> float:
    _, log_det = np.linalg.slogdet(2.0 * np.pi * covariance)
    return float(-0.5 * (log_det + values @ np.linalg.solve(covariance, values)))


def _weigh_again(
    beliefs: Sequence[Belief], parts: Sequence[Part], seen: _Seen, lead: int, of_jets: float
) -> tuple[Belief, ...]:
    """The causes by what other combinations show, too: by falling probability."""
    options = parts[lead].combination.options
    jets = of_jets / (sum(map(len, options)) / len(options))
    alike = _evidence(seen, lead, np.ones(len(seen.places)))
    pump = _evidence(seen, lead, np.mean(seen.area) / seen.area)
    weight = {
        **dict.fromkeys(OF_A_JET, jets),
        **dict.fromkeys(OF_ALL_ALIKE, alike),
        **dict.fromkeys(OF_THE_PUMP, pump),
        Cause.UNKNOWN: min(jets, alike, pump),
    }
    weights = np.array([belief.probability * weight[belief.cause] for belief in beliefs])
    shares = weights / np.sum(weights)
    again = [replace(b, probability=float(p)) for b, p in zip(beliefs, shares, strict=True)]
    return tuple(sorted(again, key=lambda belief: -belief.probability))

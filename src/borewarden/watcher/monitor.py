"""The state machine: what an observation makes of the state, and a table of what may follow what.

The loop over batches stops at what needs thought; `transition` then takes the state and what
stopped the loop, and returns the next state. It is pure: nothing that it is given changes. The
rows of `TABLE` say which function answers for each phase and stop, and which phases may follow.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.baseline import median, robust_noise, robust_scatter
from borewarden.detect.shape import ramp_over_step
from borewarden.detect.step import WINDOW, Step, locate_step, newest, put_at_one_pressure
from borewarden.detect.wear import Drift
from borewarden.diagnose.features import (
    Idle,
    IdleBatch,
    chance_of_a_stop,
    falls_in_a_stop,
    idle_batch,
    onset_of,
    stretch_of,
    timing_sd,
    with_stretch,
)
from borewarden.gate.batch import BATCH, HEADS, BatchKind
from borewarden.watcher.batch_loop import DRIFT_BLOCK, JUMPED, NS_PER_H, OTHER_HEADS, Block, Stop
from borewarden.watcher.events import (
    Event,
    Healed,
    Learning,
    Leaves,
    LowPressureEvent,
    Monitor,
    Past,
    Phase,
    Returning,
    Sharpening,
    SignalEvent,
    SlowEvent,
    StepEvent,
    Undo,
    Watching,
    changed,
    phase_of,
    with_event,
)
from borewarden.watcher.learning import (
    FEWEST_FIRST,
    MAX_DEGREES_OF_FREEDOM,
    is_of_short_cuts,
    is_unsteady,
    learned,
    learned_anew,
    may_be_a_shut_line,
    usual_idle,
    with_line,
    with_noise,
    without_closed_jet,
)
from borewarden.watcher.to_and_fro import came_down
from borewarden.watcher.verdict import State
from borewarden.watcher.weighing import (
    FAR,
    IDLE_LIMIT,
    SETTLED,
    SHRUNK,
    STANDS,
    closed_jet_is_hidden,
    falls_in_one_jet,
    is_to_last,
    is_whole_at_times,
    looks_like_a_shut_line,
    may_hide_pauses,
    off_baseline,
    over_baseline,
    weighed,
    worn,
)

# All of these are invented by this project. Counts are of batches.
AT_BASELINE = "effective area back at its baseline"
RECENT = 24  # in "now"
JUST_NOW = 6  # by which a signal that left its place had surely done so
BEFORE = 60  # before an event to compare with
CLOSE_LOOK = 8  # after an alarm that are each weighed
LATER_LOOK = 16  # and later every so many
SLOW_LOOK = 160  # the same for what goes slowly
LONG_ENOUGH = 0.75  # jet hours, after which fewer batches make a baseline
FEWEST_OF_SHORT_CUTS = 10  # of them, then
SHORT_CUTS = 1.0 / 3.0  # of the usual time of steady jet, then
REFERENCE = 10  # of another kind that say what is usual
FEWEST_REFERENCE = 5  # of them, before a dead-headed flow is called unusual
BACK_AFTER_STOP = 0.05  # off the baseline, in log area: perhaps another jewel of the same bore
IDLE_SPEED = 0.8  # of the crank's greatest since a step, below which it may idle; invented
BACK = 0.5  # of the smallest step: as near to the baseline as that is back at it
COME_TO_NOTHING = 0.25  # of the smallest step: a step that shrank to less was none
IDLE_SCATTERS = 2.0  # standard deviations of the first batches that it may be beyond them
IDLE_SURENESS = 3.0  # standard deviations that it has to be beyond that
HEALED = 8  # steps that went back by themselves are remembered
NS_PER_DAY = 86_400 * 10**9
HEALS_NS = 30 * 60 * 10**9  # within which they have to
LOW_LIMIT = 0.1  # growth of effective area at low pressure, in log area
LOW_SURENESS = 4.0  # standard deviations that it has to be beyond that
LOW_SD = 0.02  # standard uncertainty of that growth, in log area
SLOPE_SURENESS = 3.0  # standard deviations that a slope has to be off zero
DRIFT_SURENESS = 2.0  # the same of what the area has gone by
QUIET_DETECTOR = 0.3  # of the threshold: the noise is refreshed while the detector shows less
NEW_NOISE = 0.2  # weight of the noise just found
JUMP = 4.5  # standard deviations of a batch, which chance makes once in 150,000 batches
FURTHER_OFF = 1.3  # times as far as it was when it told nothing
NOT_STEADY = (
    "learning this jewel: its area is not steady yet; most likely the cuts are too short or the "
    "pauses between them too short to be seen; longer cuts or a valve signal would show it"
)
MAY_BE_SHUT = (
    "learning this jewel: its area is larger than the stated bore can take; the line may be shut "
    "and hold its pressure, or bore or pump figures are wrong; a valve signal would show it"
)
NOISE_SHRINKS = 0.5  # least noise, of the baseline's
NOISE_GROWS = 2.0  # greatest noise, of the baseline's


class Observation(NamedTuple):
    """What stopped the loop: why, at which batch (dtype `BATCH`), and the ring as it is then."""

    stop: Stop
    batch: np.void
    ring: NDArray[np.void]


class Told(NamedTuple):
    """Another state of the bore is told than before."""

    before: State
    now: State


class JudgeAgain(NamedTuple):
    """The loop is to judge these batches, which the baseline was not learned from."""

    batches: NDArray[np.void]


Notice: TypeAlias = Told | JudgeAgain


def transition(monitor: Monitor, seen: Observation) -> tuple[Monitor, tuple[Notice, ...]]:
    """The state that follows when `seen` stops the loop, and what the world should hear of it.

    `monitor` holds the figures of the loop as they are then. Raises KeyError for a stop that
    can't come in its phase.
    """
    after = TABLE[phase_of(monitor), seen.stop].does(monitor, seen)
    notices: tuple[Notice, ...] = ()
    if after.told is not monitor.told:
        notices = (Told(monitor.told, after.told),)
    if isinstance(after, Watching) and after.unjudged is not None:
        notices += (JudgeAgain(after.unjudged),)
        after = changed(after, unjudged=None)
    return after, notices


# -- the first batches


def seconds_wanted(state: Monitor) -> float:
    """How many seconds of steady jet a baseline takes: fewer where cuts are short."""
    wanted = state.setup.settings.baseline_time
    if isinstance(state, Learning) and len(state.first) >= FEWEST_OF_SHORT_CUTS:
        return wanted * SHORT_CUTS if state.watched_hours > LONG_ENOUGH else wanted
    return wanted  # little of each short cut is steady


def _learn(state: Learning, seen: Observation) -> Monitor:
    """Collect the first batches, and learn the baseline once there are enough."""
    first = (*state.first, seen.batch.copy())
    done = state.seconds + float(seen.batch["time"])
    state = changed(state, first=first, seconds=done)
    wanted = seconds_wanted(state)
    reason = f"learning this jewel: {done // 60.0:.0f} of {wanted / 60.0:.0f} min"
    state = changed(state, reason=reason)
    if done < wanted:
        return state
    if is_unsteady(state):
        return _without_oldest(state, wanted, NOT_STEADY)
    if may_be_a_shut_line(state):
        return _without_oldest(state, wanted, MAY_BE_SHUT)
    return learned(state, np.array(list(first), dtype=BATCH), seen.ring)


def _without_oldest(state: Learning, wanted: float, reason: str) -> Learning:
    """Forget first batches that `wanted` seconds of newer ones can do without."""
    first, seconds = state.first, state.seconds
    while seconds - float(first[0]["time"]) >= wanted:
        seconds -= float(first[0]["time"])
        first = first[1:]
    return changed(state, first=first, seconds=seconds, reason=reason)


def _keep_first_idle(state: Learning, seen: Observation) -> Monitor:
    """Keep a batch of another kind as one of those from when the jewel was new."""
    kind, kept = BatchKind(int(seen.batch["kind"])), [idle_batch(seen.batch)]
    idle = state.idle[kind]
    return changed(state, idle={**state.idle, kind: _kept(idle, kept, BEFORE)})


def _keep_idle(state: Watching, seen: Observation) -> Watching:
    """Keep a batch of another kind as one of the newest."""
    kind, kept = BatchKind(int(seen.batch["kind"])), [idle_batch(seen.batch)]
    idle = state.idle[kind]
    # few stand dead-headed while they learn
    held = _kept(idle, kept, REFERENCE if phase_of(state) is Phase.QUIET else 0)
    state = changed(state, idle={**state.idle, kind: held})
    if kind is BatchKind.DEAD_HEAD and held.first is not idle.first:
        state = changed(state, usual_idle=usual_idle(held, state.reference.area))
    return state


def with_line_batches(state: Monitor, batches: NDArray[np.void]) -> Monitor:
    """The `state` with batches of `LINE_KINDS`, dtype `BATCH`: nothing by themselves, they bear on
    the cause of what the jet shows.
    """
    held = dict(state.idle)
    wanted = {Phase.LEARNING: BEFORE, Phase.QUIET: REFERENCE}.get(phase_of(state), 0)
    kinds, new = batches["kind"].tolist(), [idle_batch(batch) for batch in batches]
    for kind in set(kinds):
        own = [batch for its_kind, batch in zip(kinds, new, strict=True) if its_kind == kind]
        held[kind] = _kept(held[kind], own, wanted)
    return changed(state, idle=held)


def _kept(idle: Idle, batches: Sequence[IdleBatch], wanted: int) -> Idle:
    """The batches of a kind with more, which are the first ones as long as those are fewer."""
    missing = max(wanted - len(idle.first), 0)
    first = (*idle.first, *batches[:missing]) if missing else idle.first
    return Idle(first, (*idle.recent, *batches)[-BEFORE:])


# -- steps


class _Located(NamedTuple):
    """A step that a detector has crossed by, and the rows that it was located in."""

    rows: NDArray[np.void]
    sign: float
    step: Step
    at_stop: bool
    stop_chance: float


def _locate(state: Watching, seen: Observation, sign: float) -> _Located:
    rows = _rows(state, seen)
    step = locate_step(rows, state.detector.sigma, sign)
    chance = chance_of_a_stop(rows, step.first)
    return _Located(rows, sign, step, falls_in_a_stop(rows, step.first), chance)


def _rows(state: Watching, seen: Observation) -> NDArray[np.void]:
    """The batches since the detector last started anew, as far as the ring goes back; a copy."""
    count = state.running.taken
    rows = newest(seen.ring, count, count - state.detector.since)
    put_at_one_pressure(rows, state.expected.by_pressure)
    return rows


def _with_left(
    state: Watching, seen: Observation, past: Past, before_ns: int | None = None
) -> Past:
    """The `past` with the levels that the area has come down from, where that may be a closed jet.

    The newest batches up to `before_ns` count, whatever the detector looks at.
    """
    if not state.setup.pressure_floats:
        return past
    rows = newest(seen.ring, state.running.taken)
    if not closed_jet_is_hidden(state.setup, rows):
        return past
    if before_ns is not None:
        rows = rows[rows["end_ns"] <= before_ns]
    return past._replace(left=past.left | came_down(rows))


def _first_step(state: Watching, seen: Observation) -> Watching:
    """A detector has crossed: say since when, how far, and what that looks like."""
    return _begin_step(state, seen, _locate(state, seen, _sign(seen)))


def _another_step(state: Watching, seen: Observation) -> Watching:
    """A detector has crossed during an event: it is over, it goes back, or there is another."""
    event = _event_of(state)
    found = _locate(state, seen, _sign(seen))
    offset = state.expected.offset
    total = offset + found.step.size
    clear = _if_as_before(state, total + _gone_slowly(state, event), found.at_stop)
    if clear is not None and not _idles(state, event, seen):
        return clear
    if clear is not None or 0.0 < total * event.sign < offset * event.sign:
        # going back, wholly or in part: the same event, not another one
        state = changed(state, block=Block())
        return with_event(state, event, look=Returning(found.sign), batches=0)
    return _begin_step(state, seen, found)


def _sign(seen: Observation) -> float:
    return 1.0 if seen.stop is Stop.UP else -1.0


def _event_of(state: Watching) -> Event:
    assert state.event is not None
    return state.event


def _begin_step(state: Watching, seen: Observation, found: _Located) -> Watching:
    rows, step, past = found.rows, found.step, state.past
    standing = state.detector.standing
    undo = Undo(state.event, state.told, state.reason, past, standing)
    opened = past.opened or state.told is State.OPENED
    probability = max(past.probability, standing) if opened else past.probability
    before = rows[max(step.first - 1 - BEFORE, 0) : max(step.first - 1, 0)]
    # what comes and goes would else be compared with itself
    if past.had_step or len(before) < FEWEST_FIRST:
        before = state.first_rows
    event = StepEvent(
        sign=found.sign,
        before=before,
        after=rows[step.first :],
        wear_then=state.wear if state.event is None else state.event.sound_wear,
        onset_ns=onset_of(rows, step),
        at_stop=found.at_stop,
        stop_chance=found.stop_chance,
        look=Sharpening(undo),
        step=step,
        found_ns=int(seen.batch["end_ns"]),
        largest=step.size,
        ramp=ramp_over_step(rows, step, state.detector.sigma),
        in_one_jet=falls_in_one_jet(rows, step.first),
        came_from=state.expected.offset,
    )
    past = past._replace(opened=opened, probability=probability, had_step=True)
    past = _with_left(state, seen, past, event.onset_ns)
    return weighed(changed(state, past=past, block=Block()), event)


def _sharpen(state: Watching, seen: Observation) -> Watching:
    """After an alarm: sharpen the onset for a while, and see whether it all went back."""
    event = _event_of(state)
    assert isinstance(event, StepEvent)
    assert isinstance(event.look, Sharpening)
    n, smallest = event.batches + 1, state.detector.smallest
    found = _locate(state, seen, event.sign)
    rows, step = found.rows, found.step
    recent = float(rows["value"][-RECENT:].mean())
    left = min(event.sign * recent, event.sign * step.size)
    if n >= RECENT and left < COME_TO_NOTHING * smallest:
        return _withdraw(state, event.look.undo)
    if n >= STANDS and _came_from_a_closed_jet(state, event, step):
        anew = without_closed_jet(state, rows[step.first :], seen.ring)
        if anew is not state:
            return anew
    # a stop that came after the alarm is no beginning of it
    known = int(rows["start_ns"][step.first]) <= event.found_ns
    event = changed(
        event,
        batches=n,
        step=step,
        largest=max(event.largest, step.size),
        onset_ns=onset_of(rows, step),
        at_stop=known and found.at_stop,
        stop_chance=found.stop_chance,
        after=rows[step.first :],
        in_one_jet=falls_in_one_jet(rows, step.first),
    )
    if n <= CLOSE_LOOK or n % LATER_LOOK == 0 or _has_waited(state, event, step):
        event = changed(event, ramp=ramp_over_step(rows, step, state.detector.sigma))
        state = weighed(state, event)
    else:
        state = changed(state, event=event)
    if n < DRIFT_BLOCK or is_to_last(state, event, step):
        return state
    offset = state.expected.offset
    if offset != 0.0 and abs(offset + step.size) < BACK * smallest:
        return _all_clear(state, 0.0, False)
    return _from_new_level(state, offset + step.size)


def _came_from_a_closed_jet(state: Watching, event: StepEvent, step: Step) -> bool:
    """Whether a smaller area that stands may be the jet's, and the one before the closed jet's.

    So it may be before it is known which of them is the jet's.
    """
    if step.size > 0.0 or state.told is not state.resting:
        return False
    began = state.watched_hours - (state.running.end_ns - event.onset_ns) / NS_PER_H
    return began < SETTLED and closed_jet_is_hidden(state.setup, event.after)


def _has_waited(state: Watching, event: StepEvent, step: Step) -> bool:
    """Whether nothing is told of it yet, and it need not last any longer."""
    return state.told is state.resting and not is_to_last(state, event, step)


def _look_back(state: Watching, seen: Observation) -> Watching:
    """How far an event has gone back; the watch goes on from there."""
    event = _event_of(state)
    assert isinstance(event.look, Returning)
    n = event.batches + 1
    if n < RECENT or _idles(state, event, seen):
        return with_event(state, event, batches=n)
    found = _locate(state, seen, event.look.sign)
    total = state.expected.offset + found.step.size
    clear = _if_as_before(state, total, found.at_stop)
    if clear is not None:
        return clear
    return _from_new_level(with_event(state, event, batches=n), total)


def _idles(state: Watching, event: Event, seen: Observation) -> bool:
    """Whether the newest batch may be of a crank that idles, its jet closed.

    What a valve spills then looks like the jet at a lower pressure, and says nothing of the bore.
    """
    rows = newest(seen.ring, state.running.taken, 1)
    if not closed_jet_is_hidden(state.setup, rows) or len(event.after) == 0:
        return False
    return bool(rows["rate"][-1] < IDLE_SPEED * event.after["rate"].max())


def _from_new_level(state: Watching, offset: float) -> Watching:
    """Watch on, `offset` off the baseline in log area, with the event no longer looked at."""
    wear = state.wear.fork()
    wear.bends(state.watched_hours)
    state = with_event(changed(state, wear=wear), _event_of(state), look=None)
    return _start_anew(state, offset)


def _start_anew(state: Watching, offset: float) -> Watching:
    return changed(
        state,
        expected=state.expected._replace(offset=offset),
        detector=state.detector._replace(since=state.running.taken),
    )


def _withdraw(state: Watching, undo: Undo) -> Watching:
    """The step has come to nothing: all is as it was before it."""
    offset, past = state.expected.offset, undo.past
    if undo.event is None:
        return _all_clear(state, offset, False)
    state = changed(
        state,
        event=undo.event,
        told=undo.told,
        reason=undo.reason,
        past=state.past._replace(opened=past.opened, probability=past.probability),
        detector=state.detector._replace(standing=undo.standing),
        running=state.running._replace(up=0.0, down=0.0, probability=undo.standing),
        block=Block(),
    )
    return _start_anew(state, offset)


def _gone_slowly(state: Watching, event: Event) -> float:
    """How far the wear line has gone with a slow event, in log area; 0 if it is a step."""
    if isinstance(event, StepEvent):
        return 0.0
    now = state.watched_hours
    return state.wear.off(now) - event.sound_wear.off(now)


def _if_as_before(state: Watching, total: float, at_stop: bool) -> Watching | None:
    """The all-clear if the level, `total` off the baseline, is all but back at it."""
    if abs(total) >= (BACK_AFTER_STOP if at_stop else BACK * state.detector.smallest):
        return None
    return _all_clear(state, total if at_stop else 0.0, at_stop)


def _healed(state: Watching, event: StepEvent) -> bool:
    """Whether the area was larger for a while only, in which nobody fits another jewel."""
    soon = state.running.end_ns - event.onset_ns < HEALS_NS
    was_larger = event.largest + event.came_from > SHRUNK * event.largest
    if may_hide_pauses(state.setup, event.after) and not was_larger:
        return False  # pauses had made it smaller, and they were over
    return 0.0 < event.largest < FAR and (soon or _ran_on(state, event))


def _ran_on(state: Watching, event: StepEvent) -> bool:
    """Whether a crank whose closed jet is hidden has not stopped since before this event."""
    if not closed_jet_is_hidden(state.setup, event.after):
        return False
    return bool(event.before["stops"][-1] == event.after["stops"][-1])


def _lasted(state: Watching, event: StepEvent) -> float:
    """Time, s, for which the area was larger, without that in which it was seen to be back."""
    end = state.running.end_ns
    if isinstance(event.look, Sharpening):
        shows = event.after["value"] > 0.5 * event.largest
        end = int(event.after["end_ns"][shows][-1]) if shows.any() else event.found_ns
    return (end - event.onset_ns) / 1e9


def _all_clear(state: Watching, offset: float, at_stop: bool) -> Watching:
    reason = AT_BASELINE
    if at_stop:
        reason = (
            "effective area near its baseline again after a stop; if the jewel was changed then, "
            "record it, and learning restarts"
        )
    event = _event_of(state)
    past = state.past._replace(opened=False, probability=0.0, other_sure=False)
    if isinstance(event, StepEvent) and not at_stop and _healed(state, event):
        shown = changed(event, after=event.after[event.after["value"] > 0.5 * event.largest])
        may_be_shut = len(shown.after) > 0 and looks_like_a_shut_line(shown, event.largest)
        healed = Healed(event.largest, _lasted(state, event), may_be_shut)
        past = past._replace(healed=(*past.healed, healed)[-HEALED:])
    state = changed(
        state,
        told=state.resting,
        reason=reason if state.resting is State.SOUND else state.resting_reason,
        event=None,
        past=past,
        wear=event.sound_wear,  # what it learned of the fault is not the jewel's
        detector=state.detector._replace(standing=0.0),
        running=state.running._replace(up=0.0, down=0.0, probability=0.0),
        block=Block(),
    )
    return _start_anew(with_line(state), offset)


# -- what is slow


def _quiet_block(state: Watching, seen: Observation) -> Watching:
    """A value for the wear line: has the area gone slowly?"""
    state, rows = _take_block(state, seen)
    anew = learned_anew(state, rows, seen.ring)
    if anew is not state:
        return anew
    gone = _surely_gone(state, rows)
    if gone == 0.0:
        pressure, is_intensifier = state.reference.pressure, state.setup.is_intensifier
        newest_one = stretch_of(rows[-DRIFT_BLOCK:], pressure, is_intensifier)
        day = int(rows["start_ns"][-1] // NS_PER_DAY)
        known, days = with_stretch(state.stretches, state.stretch_days, newest_one, day)
        return _with_habits(changed(state, stretches=known, stretch_days=days))
    event = SlowEvent(
        sign=float(np.sign(gone)),
        before=state.first_rows,
        after=rows[-RECENT // 2 :],
        wear_then=state.wear,
    )
    return _weigh_block(state, event, rows, gone)


def _with_habits(state: Watching) -> Watching:
    """The `state` with what it would leave to the next jewel; nothing of a bore in doubt."""
    if state.resting is not State.SOUND:
        return state
    jumps = state.detector.jumps == JUMPED
    leaves = Leaves(state.noise, state.wear, jumps, state.stretches, state.earlier)
    return changed(state, leaves=leaves)


def _slow_block(state: Watching, seen: Observation) -> Watching:
    """A value for the wear line while something goes slowly: is it as it was, or further gone?"""
    event = _event_of(state)
    state, rows = _take_block(state, seen)
    if _is_back(state):
        limits = state.signals._replace(limit=state.signal_limit)
        return changed(_all_clear(state, 0.0, False), signals=limits)
    gone = _surely_gone(state, rows)
    return _weigh_block(state, event, rows, gone) if gone != 0.0 else state


def _step_block(state: Watching, seen: Observation) -> Watching:
    """A value for the wear line after a step: has wear gone on to the limit?"""
    event = _event_of(state)
    state, rows = _take_block(state, seen)
    gone = _surely_gone(state, rows)
    level = gone + state.expected.offset
    if state.told is State.OTHER_FAULT and gone * event.sign > 0.0:
        return state  # whatever goes on growing is that fault's
    if gone <= 0.0 or level < _limit(state) or state.told is State.OPENED:
        return state
    if over_baseline(state, rows[-RECENT:]) < BACK * level:
        return state  # the line goes on growing from where pauses had made the area smaller
    past = state.past._replace(opened=True)
    return changed(state, past=past, told=State.OPENED, reason=worn(level))


def _take_block(state: Watching, seen: Observation) -> tuple[Watching, NDArray[np.void]]:
    """Take a value into the wear line, and the noise as it is by now."""
    block = state.block
    sums = (block.hours, block.ratio, block.operating, block.clock)
    wear = _with_value(state.wear, *(total / block.time for total in sums))
    state = with_line(changed(state, wear=wear, block=Block()))
    past = _with_left(state, seen, state.past)
    state, rows = changed(state, past=past), _rows(state, seen)
    shown = max(state.running.up, state.running.down)
    if len(rows) >= WINDOW // 2 and shown < QUIET_DETECTOR * state.detector.h:
        state = _refresh_noise(state, rows)
    return state, rows


def _with_value(wear: Drift, hours: float, ratio: float, operating: float, clock: float) -> Drift:
    """The line with one more value; the old one stays as it was."""
    new = wear.fork()
    new.update(hours, ratio, operating, clock)
    return new


def _refresh_noise(state: Watching, rows: NDArray[np.void]) -> Watching:
    """Follow the noise, never the level, and within bounds: no fault is learned as normal."""
    found, old = robust_noise(rows["value"], rows["resolution"]), state.noise
    floor, first = state.setup.settings.noise_floor, state.baseline.noise.sigma
    variance = (1.0 - NEW_NOISE) * old.sigma**2 + NEW_NOISE * max(found.sigma, floor) ** 2
    least, most = max(NOISE_SHRINKS * first, floor), NOISE_GROWS * first
    count = old.effective_count + NEW_NOISE * found.effective_count
    noise = old._replace(
        sigma=float(min(max(variance**0.5, least), most)),
        effective_count=min(count, MAX_DEGREES_OF_FREEDOM),
    )
    return _heed_jumps(with_noise(state, noise), rows)


def _heed_jumps(state: Watching, rows: NDArray[np.void]) -> Watching:
    """What jumps and comes back lies in two batches at times: then three have to agree."""
    detector = state.detector
    sd = np.sqrt(detector.sigma**2 + rows["timing"] / rows["time"] ** 2)
    jumps = np.abs(rows["value"] - median(rows["value"])) > JUMP * sd
    if not jumps.any():
        return state
    return changed(state, detector=detector._replace(jumps=JUMPED))


def _surely_gone(state: Watching, rows: NDArray[np.void]) -> float:
    """How far the wear line has gone, in log area; 0 if that is not sure or too little to tell.

    `rows` are the newest batches, by which an area that went down has to have done so.
    """
    settings = state.setup.settings
    gone, sd = state.wear.gone(state.watched_hours)
    if abs(gone) < SLOPE_SURENESS * sd:
        return 0.0
    unsure = DRIFT_SURENESS * float(np.hypot(sd, settings.level_uncertainty))
    # no bore shrinks: what makes the area a little less spoils no part, and is often short cuts
    least = settings.wear_notice if gone > 0.0 else settings.smallest_step
    if abs(gone) - unsure <= 0.0 or abs(gone) <= np.log1p(least):
        return 0.0
    if gone < 0.0 and is_whole_at_times(off_baseline(state, rows), gone):
        return 0.0
    if 0.0 < gone < _limit(state) and is_of_short_cuts(state):
        return 0.0  # pauses in the baseline that are over look the same: long jets show which
    return gone


def _limit(state: Watching) -> float:
    return float(np.log1p(state.setup.settings.limit))


def _weigh_block(state: Watching, event: Event, rows: NDArray[np.void], gone: float) -> Watching:
    """Weigh what goes slowly, at first every block and later now and then."""
    n = event.batches + DRIFT_BLOCK
    worn_out = state.told is State.WEARING and gone + state.expected.offset >= _limit(state)
    if worn_out or n <= SLOW_LOOK or n % SLOW_LOOK == 0:
        return weighed(state, changed(event, batches=n, after=_so_far(event, rows)))
    return with_event(state, event, batches=n)


def _so_far(event: Event, rows: NDArray[np.void]) -> NDArray[np.void]:
    """Those of `rows` that show the event: a recipe or an hour that shows less unsays nothing."""
    if isinstance(event, LowPressureEvent):
        return rows[-RECENT * 2 :]
    began = event.onset_ns + 1 if event.onset_ns else event.after["start_ns"][0]
    return rows.take(np.flatnonzero(rows["start_ns"] >= began)[-BEFORE:])


def _is_back(state: Watching) -> bool:
    """Whether what had gone slowly is as it was: area, signals and dead-headed flow."""
    if abs(state.wear.off(state.watched_hours)) >= BACK * state.setup.settings.wear_notice:
        return False
    if np.any(np.abs(state.signals.mean - state.signals.base) > BACK * state.signal_limit):
        return False
    idle = [b.area / state.reference.area for b in state.idle[BatchKind.DEAD_HEAD].recent[-2:]]
    return not (idle and max(idle) > state.usual_idle + BACK * IDLE_LIMIT)


# -- signals


def _first_signal(state: Watching, seen: Observation) -> Watching:
    """A signal left its place while the area tells nothing (yet)."""
    state, rows = _told_once(state, seen), _rows(state, seen)
    event = SignalEvent(
        sign=0.0,
        before=state.first_rows,
        after=rows[-JUST_NOW:],
        wear_then=state.wear,
    )
    after = weighed(state, event)
    return after if after.event is not None else _to_be_heard_again(after)


def _to_be_heard_again(state: Watching) -> Watching:
    """What was off its limit and told nothing is heard once it has gone on: it had just begun."""
    signals = state.signals
    further = FURTHER_OFF * np.abs(signals.mean - signals.base)
    again = np.fmax(further, state.signal_limit)
    limit = np.where(np.isinf(signals.limit), again, signals.limit)
    return changed(state, signals=signals._replace(limit=limit))


def _another_signal(state: Watching, seen: Observation) -> Watching:
    """A further signal left its place, which bears on what goes slowly."""
    event = _event_of(state)
    after = _so_far(event, _rows(state, seen))
    return weighed(_told_once(state, seen), changed(event, after=after))


def _told_once(state: Watching, seen: Observation) -> Watching:
    """No signal that is off its limit is heard again."""
    signals = state.signals
    off = np.abs(signals.mean - signals.base) > signals.limit
    limit = np.where(off, np.inf, signals.limit)
    return changed(state, signals=signals._replace(limit=limit))


# -- jets at low pressure, dead-heading, stops


def _quiet_idle(state: Watching, seen: Observation) -> Watching:
    """A batch of another kind: does a closed jet pass water, or an open one far too much?"""
    kind = BatchKind(int(seen.batch["kind"]))
    known = len(state.idle[kind].first) >= FEWEST_REFERENCE  # what is usual here, without this one
    state = _keep_idle(state, seen)
    if _other_heads(state, seen):
        return _forget_newest(state, kind)
    if state.running.taken <= state.detector.since:
        return state
    two = state.idle[kind].recent[-2:]
    if kind is BatchKind.DEAD_HEAD and known and _passes_water(state, two):
        return weighed(state, _closed_jet_event(state, seen, two))
    if kind is BatchKind.LOW and _grew_at_low(state, two):
        return weighed(state, _low_pressure_event(state, seen, two))
    return state


def _idle_in_event(state: Watching, seen: Observation) -> Watching:
    """A batch of another kind during an event: it bears on the cause."""
    kind = BatchKind(int(seen.batch["kind"]))
    state = _keep_idle(state, seen)
    if _other_heads(state, seen):
        return _forget_newest(state, kind)
    event = _event_of(state)
    if kind is BatchKind.RUN_DOWN:  # somebody stopped the pump with the jet on to hear this
        return weighed(state, event)
    if isinstance(event, SignalEvent) and event.onset_ns:
        event = changed(event, after=_so_far(event, _rows(state, seen)))
    n = event.idle_batches + 1
    if n <= CLOSE_LOOK or n % LATER_LOOK == 0:
        return weighed(state, changed(event, idle_batches=n))
    return with_event(state, event, idle_batches=n)


def _other_heads(state: Watching, seen: Observation) -> bool:
    """Whether a jet at low pressure has other heads on: planned, and none of the jewel's."""
    low = BatchKind(int(seen.batch["kind"])) is BatchKind.LOW
    return low and abs(float(seen.batch["signals"][HEADS]) - state.reference.heads) > OTHER_HEADS


def _forget_newest(state: Watching, kind: BatchKind) -> Watching:
    idle = state.idle[kind]
    return changed(state, idle={**state.idle, kind: Idle(idle.first, idle.recent[:-1])})


def _passes_water(state: Watching, two: tuple[IdleBatch, ...]) -> bool:
    """Whether two dead-headed batches in a row pass more than when the jewel was new.

    And more than what a stroke that only ended here can make of it.
    """
    area = state.reference.area
    flow = sum(b.area for b in two) / 2.0
    if len(two) < 2 or not flow / area > state.usual_idle + IDLE_LIMIT:
        return False
    first = np.array([b.area for b in state.idle[BatchKind.DEAD_HEAD].first]) / area
    scatter = robust_scatter(first)
    usual = state.usual_idle + IDLE_LIMIT + IDLE_SCATTERS * scatter
    recent = state.idle[BatchKind.DEAD_HEAD].recent
    sd = timing_sd(two, max(b.resolution for b in recent))
    return (flow - IDLE_SURENESS * sd) / area > usual


def _closed_jet_event(
    state: Watching, seen: Observation, two: tuple[IdleBatch, ...]
) -> SignalEvent:
    onset_ns, rows = two[0].start_ns - 1, _rows(state, seen)
    return SignalEvent(
        sign=0.0,
        before=state.first_rows,
        after=rows[rows["start_ns"] > onset_ns],
        wear_then=state.wear,
        onset_ns=onset_ns,
    )


def _grown_at_low(state: Watching, two: tuple[IdleBatch, ...]) -> list[float]:
    return [float(np.log(b.area / state.reference.area)) for b in two]


def _grew_at_low(state: Watching, two: tuple[IdleBatch, ...]) -> bool:
    """Whether the area is so large that the pressure can't be held any more."""
    grown = _grown_at_low(state, two)
    sure = [v - LOW_SURENESS * b.resolution for v, b in zip(grown, two, strict=True)]
    return len(sure) == 2 and min(sure) > float(np.log1p(LOW_LIMIT))


def _low_pressure_event(
    state: Watching, seen: Observation, two: tuple[IdleBatch, ...]
) -> LowPressureEvent:
    rows = _rows(state, seen)
    return LowPressureEvent(
        sign=1.0,
        before=state.first_rows,
        after=rows[-RECENT // 2 :],
        wear_then=state.wear,
        onset_ns=two[0].start_ns - 1,
        at_stop=bool(two[0].stops != rows[-1]["stops"]),
        step=Step(0, float(np.mean(_grown_at_low(state, two))), LOW_SD),
    )


# -- what may follow what


class Rule(NamedTuple):
    """In this `phase`, a stop for any of `stops` is answered by `does`; one of `to` follows."""

    phase: Phase
    stops: tuple[Stop, ...]
    does: Callable[[Any, Observation], Monitor]
    to: frozenset[Phase]


_CROSSED = (Stop.UP, Stop.DOWN)
_IDLE, _FOLLOW, _BLOCK, _SIGNAL = (Stop.OTHER_KIND,), (Stop.FOLLOW,), (Stop.BLOCK,), (Stop.SIGNAL,)
_P = Phase

RULES = (
    Rule(_P.LEARNING, (Stop.LEARN,), _learn, frozenset({_P.LEARNING, _P.QUIET})),
    Rule(_P.LEARNING, _IDLE, _keep_first_idle, frozenset({_P.LEARNING})),
    Rule(_P.QUIET, _CROSSED, _first_step, frozenset({_P.STEP_FOUND})),
    Rule(_P.QUIET, _BLOCK, _quiet_block, frozenset({_P.QUIET, _P.SLOW})),
    Rule(_P.QUIET, _SIGNAL, _first_signal, frozenset({_P.QUIET, _P.SIGNAL})),
    Rule(_P.QUIET, _IDLE, _quiet_idle, frozenset({_P.QUIET, _P.SIGNAL, _P.LOW_PRESSURE})),
    # a step that comes to nothing leaves the event that was there before it
    Rule(
        _P.STEP_FOUND,
        _FOLLOW,
        _sharpen,
        frozenset({_P.STEP_FOUND, _P.STEP, _P.QUIET, _P.SLOW, _P.LOW_PRESSURE, _P.SIGNAL}),
    ),
    Rule(_P.STEP_FOUND, _IDLE, _idle_in_event, frozenset({_P.STEP_FOUND})),
    Rule(_P.STEP, _CROSSED, _another_step, frozenset({_P.QUIET, _P.STEP_FOUND, _P.STEP_BACK})),
    Rule(_P.STEP, _BLOCK, _step_block, frozenset({_P.STEP})),
    Rule(_P.STEP, _SIGNAL, _told_once, frozenset({_P.STEP})),
    Rule(_P.STEP, _IDLE, _idle_in_event, frozenset({_P.STEP})),
    # whatever goes back may have been a step, or have gone slowly from another level
    Rule(
        _P.STEP_BACK,
        _FOLLOW,
        _look_back,
        frozenset({_P.STEP_BACK, _P.QUIET, _P.STEP, _P.SLOW, _P.LOW_PRESSURE}),
    ),
    Rule(_P.STEP_BACK, _IDLE, _idle_in_event, frozenset({_P.STEP_BACK, _P.QUIET})),
    Rule(_P.SLOW, _CROSSED, _another_step, frozenset({_P.QUIET, _P.STEP_FOUND, _P.STEP_BACK})),
    Rule(_P.SLOW, _BLOCK, _slow_block, frozenset({_P.SLOW, _P.QUIET})),
    Rule(_P.SLOW, _SIGNAL, _another_signal, frozenset({_P.SLOW, _P.QUIET})),
    Rule(_P.SLOW, _IDLE, _idle_in_event, frozenset({_P.SLOW, _P.QUIET})),
    Rule(
        _P.LOW_PRESSURE,
        _CROSSED,
        _another_step,
        frozenset({_P.QUIET, _P.STEP_FOUND, _P.STEP_BACK}),
    ),
    Rule(_P.LOW_PRESSURE, _BLOCK, _slow_block, frozenset({_P.LOW_PRESSURE, _P.QUIET})),
    Rule(_P.LOW_PRESSURE, _SIGNAL, _another_signal, frozenset({_P.LOW_PRESSURE, _P.QUIET})),
    Rule(_P.LOW_PRESSURE, _IDLE, _idle_in_event, frozenset({_P.LOW_PRESSURE, _P.QUIET})),
    # a signal has no sign of area, so no step is a step back from it
    Rule(_P.SIGNAL, _CROSSED, _another_step, frozenset({_P.QUIET, _P.STEP_FOUND})),
    Rule(_P.SIGNAL, _BLOCK, _slow_block, frozenset({_P.SIGNAL, _P.QUIET})),
    Rule(_P.SIGNAL, _SIGNAL, _another_signal, frozenset({_P.SIGNAL, _P.QUIET})),
    Rule(_P.SIGNAL, _IDLE, _idle_in_event, frozenset({_P.SIGNAL, _P.QUIET})),
)
TABLE = {(rule.phase, stop): rule for rule in RULES for stop in rule.stops}

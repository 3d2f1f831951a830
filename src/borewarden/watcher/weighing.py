"""What an event is put down to, and what is told of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from borewarden.base.text import either, probability_words
from borewarden.detect.baseline import robust_noise
from borewarden.detect.shape import FEWEST, LOOKED_AT, NS, pace_evidence
from borewarden.detect.step import Step
from borewarden.diagnose.causes import Belief, Cause
from borewarden.diagnose.checks import cheapest_check
from borewarden.diagnose.feature_table import FeatureShift
from borewarden.diagnose.features import (
    SIGNAL_OF,
    SLUGGISH,
    Sound,
    before_and_since,
    known_mean,
    shift_of,
    warmed,
)
from borewarden.diagnose.groups import group_of_first, together
from borewarden.diagnose.posterior import chance_of_nothing, posterior
from borewarden.diagnose.signatures import Circumstances
from borewarden.gate.batch import BatchKind, valve_is_logged
from borewarden.physics.pump import Intensifier
from borewarden.watcher.batch_loop import NS_PER_H, operating_point
from borewarden.watcher.events import (
    Event,
    Healed,
    LowPressureEvent,
    Past,
    Setup,
    SignalEvent,
    SlowEvent,
    StepEvent,
    Watching,
    Weighed,
    changed,
)
from borewarden.watcher.to_and_fro import may_be_there
from borewarden.watcher.verdict import State

HEAR_SIGNALS = 3  # batches after an alarm that further signals get to have their say; invented
BY_NOW = 24  # newest batches that say where the area is by now; invented
# Log likelihood ratio of a ramp over a step from which on it grows, and below which it came at
# once; batches after which the latter is taken for granted, and the former told. Invented.
GROWS, CAME_AT_ONCE = 0.3, -1.0
SHAPED, GROWN = 2, 5
SHAPED_FOR = 60.0  # s, over which as few as have a shape show it, too; invented
# Times as long as what went back, if that was no less than one over so many times the step; s, at
# most, where it is known whether the jet is on; invented
LONGER, ALIKE, LONGEST = 1.5, 2.0, 180.0
AIR_PASSES, AIR_MAKES = 60.0, float(np.log(1.1))  # s; in log area, at most; invented
LASTS_AT_LOW = 8  # batches that a crank has to show a larger area at low pressure; invented
ALIKE_AGAIN = 0.12  # of a step, by which batches that show it may differ; invented
AT_ONCE = 60.0  # s, within which a bore opens up while the jet is on; invented
MOST_OPENINGS = 0.67  # of those since; invented
REOPENED = 3  # openings of the jet that have to show the same; invented
FILLS_OFF = 0.04  # in log area, by which all cuts of a line that is filled may be off; invented
FEWEST_TO_STAY = 4  # batches that show whether the area stays; invented
OF_A_LEAK = 0.25  # of a shut line's own leak: the area goes as the root of its pressure; invented
LEAST_LEAK = 1e-5  # 1/s, in log area: less of it can't be told from none in minutes; invented
SETTLED = 2.0  # jet hours, by which a crank has shown what its closed jet looks like; invented
STANDS = 240  # batches that a level stands, that a closed jet may make; invented
TO_AND_FRO = 0.02  # in log area, by which a step may exceed one that went back; invented
LASTS = 80  # batches that the area has to stay smaller, before that is told; invented
STILL_THERE = 0.75  # of the step, that the newest batches have to show; invented
TIMED = 0.25  # of the step, to which these have to be timed; tuned on seeds 41,001 to 41,040
SHRUNK = 0.5  # of the smallest step, or of the step: what turns out less is not told; invented
# Noise of a batch beside whole counts, of batches that no jet makes: they hold pauses; invented
MOST_APART_OF_A_RATE = 0.025
AT_TIMES, WHOLE = 0.9, 0.3  # of the batches, at least of a step down: then it is whole; invented
HEATED = 0.5  # share of a leak's heat to wait for; invented
FAR = float(np.log(1.3))  # in log area, as a line that is dumped may look; invented
SAME_STEP = 0.01  # in log area, by which a step may differ from one that went back; invented
UNSETTLED = 0.45  # relative uncertainty of a step that has not settled yet; invented
# Probabilities of the first cause; all invented
LEFT_BY_ITSELF = 0.5  # that a signal left its place without any cause: nothing is told
SURE_AT_ONCE = 0.95  # told without waiting for further signals
SURE_OF_ANY_SHAPE = 0.99  # that it is the bore, however it began
LEAST_TO_BLAME = 0.6  # at which the bore is called opened up
LEAST_WITH_ALIKE = 0.8  # that it is the bore or what nothing measured tells from it
LEAST_TO_SUSPECT = 0.5  # at which another cause is named
LEAST_TO_STAY = 0.35  # at which what was named stays so: one batch is not to unsay it
SURE_TO_UNSAY = 0.9  # that it is the bore after all, once another cause was as sure
IDLE_LIMIT = 0.03  # dead-headed flow beyond the usual, of the working flow; invented
FEWEST_UNEVEN = 5  # batches that show how unlike each other they are; invented
FEWEST_OF_A_LEAK = 3  # batches of a closed jet that show it, the greatest apart; invented
# Share of the greatest stroke rate from which on the oil side can't hold the pressure; invented
OVERSTROKE_NEAR = 0.95
# The same of the motor's power; what oil pump and ram leave of it is common practice, no source
POWER_NEAR = 0.7
UNKNOWN_PIERCE_RATIO = 0.5  # of low over working pressure, where none was seen; invented
MOST_PROBABLE = "; most probable: "  # between what is seen and its cause
SHOWN_GROWTH = 0.01  # of the area, relative: less is not worth a word; invented


def weighed(state: Watching, event: Event) -> Watching:
    """The `state` with the causes of `event` weighed anew, and what is told drawn from them."""
    settings = state.setup.settings
    step = _size_of(state, event)
    found, heated = _weigh(state, event, step)
    event = changed(event, weighed=found)
    top = found.beliefs[0]
    gone = max(abs(step.size), abs(state.wear.off(state.watched_hours)))
    small = gone < np.log1p(settings.wear_notice)
    untold = state.told is state.resting  # what was told stays until all is as it was
    if untold and small and not isinstance(event, StepEvent) and _is_no_matter(found):
        return with_standing(changed(state, event=None), 0.0)
    state = changed(state, event=event)
    state = with_standing(state, max(found.probability(Cause.BORE), state.past.probability))
    if _waits(state, event, step, found, heated):
        return state
    grown = isinstance(event, StepEvent) or step.size >= np.log1p(settings.limit)
    told = named(state.told, state.past, found.beliefs, grown)
    if told is State.OPENED and _is_in_doubt(state, event, step, top):
        told = State.CANNOT_TELL
    if told is not state.told and _has_no_shape_yet(event, top):
        return state  # a chip is a step, a seal grows: the next batches show which
    heard = not isinstance(event, StepEvent) or event.batches >= HEAR_SIGNALS
    if told is State.OTHER_FAULT and top.probability >= SURE_TO_UNSAY and heard:
        state = changed(state, past=state.past._replace(other_sure=True))
    reason = _say(told, event, step, state.wear.line.slope, found.beliefs)
    return changed(state, told=told, reason=reason)


def _is_in_doubt(state: Watching, event: Event, step: Step, top: Belief) -> bool:
    """Whether a bore is not to be called opened up.

    Since the step is below the smallest of interest, and another cause was all but sure; or since
    it still grows: a seal or the bore, what it does next tells.
    """
    past = state.past
    if past.opened:
        return False
    unsure = past.other_sure and abs(step.size) < state.detector.smallest
    return unsure or _still_grows(event, top)


def _waits(state: Watching, event: Event, step: Step, found: Weighed, heated: float) -> bool:
    """Whether what the next batches say is to be heard before anything is told."""
    if isinstance(event, SignalEvent):
        # a closed jet passed water: a leak takes from the open jet's flow, too
        if event.onset_ns > 0 and state.told is state.resting and _may_be_short_jets(state, event):
            return True
        return event.onset_ns > 0 and len(event.after) < HEAR_SIGNALS
    if isinstance(event, SlowEvent):
        return _may_be_the_closed_jet(state, event, step)
    if _is_early(state, event, step, found, heated):
        return True
    if isinstance(event, StepEvent) and step.size > 0.0 and _is_no_larger(state, event):
        return True
    shown_elsewhere = _hears(found.shift) and _known_to_make_it(found.beliefs[0])
    if state.told is not state.resting or shown_elsewhere:
        return False
    return _comes_to_nothing(state, event, step)


def _may_be_short_jets(state: Watching, event: SignalEvent) -> bool:
    """Whether what a closed jet passed may be jets too short to be seen, in one batch or two.

    A leak goes on: it shows in the newest two, and without the batch that shows most.
    """
    if not may_hide_pauses(state.setup, event.before):
        return False
    since = [b.area for b in state.idle[BatchKind.DEAD_HEAD].recent if b.start_ns > event.onset_ns]
    rest = sorted(since)[:-1]
    if len(rest) < FEWEST_OF_A_LEAK:
        return True
    least = min(sum(rest) / len(rest), sum(since[-2:]) / 2.0)
    return least / state.reference.area <= state.usual_idle + IDLE_LIMIT


def _comes_to_nothing(state: Watching, event: Event, step: Step) -> bool:
    """Whether by what followed it is no step of interest, or the newest batches are without it."""
    if not isinstance(event, StepEvent):
        return False
    after = event.after
    if step.size < 0.0 and (
        is_whole_at_times(after["value"], step.size) or _is_uneven(state, after)
    ):
        return True
    if abs(step.size) < SHRUNK * state.detector.smallest:
        return True
    return bool(event.sign * _newest_of(after, abs(step.size)) < STILL_THERE * abs(step.size))


def _newest_of(after: NDArray[np.void], size: float) -> float:
    """Mean value of the newest of `after`: one, or as many as are timed well enough for `size`.

    A single batch of few counts is off by as much as a step, either way. The newer half at most:
    all of them are the step itself, whether it went back or not.
    """
    total, time, ends, newer_shared = 0.0, 0.0, 0.0, 0.0
    for row in after[len(after) // 2 :][::-1]:
        total += row["value"] * row["time"]
        time += row["time"]
        ends += row["timing"] - 2.0 * newer_shared
        newer_shared = row["shared"]
        if ends <= (TIMED * size * time) ** 2:
            break
    return float(total / time)


def is_whole_at_times(values: NDArray[np.float64], size: float) -> bool:
    """Whether some of the batches that make the area smaller, by `size`, have all of it.

    What is blocked stays so. Pauses too short to be seen take more or less of a batch, or nothing.
    `values` are log areas over what was there before, shape (n,).
    """
    return bool(len(values) > 0 and float(np.quantile(values, AT_TIMES)) > WHOLE * size)


def _is_uneven(state: Watching, after: NDArray[np.void]) -> bool:
    """Whether batches that are smaller are unlike each other, as pauses make them and no jet."""
    if len(after) < FEWEST_UNEVEN or not may_hide_pauses(state.setup, after):
        return False
    return robust_noise(after["value"], after["resolution"]).sigma > MOST_APART_OF_A_RATE


def _is_no_larger(state: Watching, event: StepEvent) -> bool:
    """Whether the area only went back up to where it was when the jewel was new."""
    off = over_baseline(state, event.after)
    if not may_hide_pauses(state.setup, event.after):
        return off < SHRUNK * state.detector.smallest
    # what pauses made smaller before is no part of a step, nor what they made of a pressure
    off = min(off, float(np.mean(np.log(event.after["area"] / state.reference.area))))
    return off < SHRUNK * max(event.step.size, state.detector.smallest)


def _has_no_shape_yet(event: Event, top: Belief) -> bool:
    """Whether too few batches followed to say that the area came at once."""
    if not isinstance(event, StepEvent) or top.probability >= SURE_OF_ANY_SHAPE:
        return False
    if event.batches < SHAPED and not _goes_on(event.after):
        return event.ramp > CAME_AT_ONCE
    return event.batches < GROWN and event.ramp > GROWS


def _goes_on(after: NDArray[np.void]) -> bool:
    """Whether as few batches as have a shape go on for so long that they show it.

    Two do if the newer one began so much later: air in the water makes both within a minute.
    """
    if len(after) < SHAPED:
        return False
    newest = after["end_ns" if len(after) >= FEWEST else "start_ns"][-1]
    return bool((newest - after["start_ns"][0]) / NS > SHAPED_FOR)


def _still_grows(event: Event, top: Belief) -> bool:
    """Whether the area came over minutes, as a seal goes, and nothing else makes it the bore."""
    over_minutes = isinstance(event, StepEvent) and event.ramp > GROWS
    return over_minutes and top.probability < SURE_OF_ANY_SHAPE


def with_standing(state: Watching, probability: float) -> Watching:
    """The `state` with this `probability` that what was found so far is an opened bore."""
    return changed(
        state,
        detector=state.detector._replace(standing=probability),
        running=state.running._replace(probability=probability),
    )


def named(told: State, past: Past, beliefs: Sequence[Belief], grown: bool) -> State:
    """What to tell, where `told` was told so far; `beliefs` by falling probability.

    `grown` says whether the area has gone far enough to call the bore opened up, not worn.
    """
    top = beliefs[0]
    if past.opened:
        return State.OPENED
    if top.probability < _least_to_name(told, top.cause) or top.cause is Cause.UNKNOWN:
        return State.CANNOT_TELL
    if top.cause is not Cause.BORE:
        return State.OTHER_FAULT
    of_the_bore = told in (State.OPENED, State.WEARING)
    if not of_the_bore and together(beliefs) < LEAST_WITH_ALIKE:
        return State.CANNOT_TELL  # a signal still speaks for something else
    other = past.other_sure or told is State.OTHER_FAULT
    if other and top.probability < SURE_TO_UNSAY:
        return State.CANNOT_TELL
    return State.OPENED if grown else State.WEARING


def _least_to_name(told: State, cause: Cause) -> float:
    """How probable the first cause has to be."""
    if told in (State.OPENED, State.WEARING, State.OTHER_FAULT):
        return LEAST_TO_STAY
    return LEAST_TO_BLAME if cause is Cause.BORE else LEAST_TO_SUSPECT


def _is_no_matter(found: Weighed) -> bool:
    """Whether a signal alone has moved, by itself or by what leaves the signals alone."""
    if not _known_to_make_it(found.beliefs[0]):
        return True
    return chance_of_nothing(found.shift, found.circumstances) > LEFT_BY_ITSELF


def _known_to_make_it(top: Belief) -> bool:
    """Whether a fault is known that moves a signal and leaves the area alone."""
    of_the_jet = top.cause in (Cause.BORE, Cause.BLOCKED, Cause.UNKNOWN)
    return not of_the_jet and top.probability >= LEAST_TO_SUSPECT


def _size_of(state: Watching, event: Event) -> Step:
    """How far the area has gone: at once, by now beside a signal, or else by the wear line."""
    if isinstance(event, StepEvent | LowPressureEvent):
        return event.step
    if isinstance(event, SignalEvent) and len(event.after):
        return _by_now(state, event.after[-BY_NOW:])
    return Step(0, state.wear.off(state.watched_hours), state.expected.level_sd)


def _by_now(state: Watching, rows: NDArray[np.void]) -> Step:
    """How far the area is off its baseline in `rows`: the wear line takes hours to follow."""
    sd = np.hypot(state.expected.level_sd, state.noise.sigma * (2.0 / len(rows)) ** 0.5)
    return Step(0, float(np.mean(off_baseline(state, rows))), float(sd))


def off_baseline(state: Watching, rows: NDArray[np.void]) -> NDArray[np.float64]:
    """Log area of `rows` over the baseline's, without the steps so far and what pressure makes."""
    expected, reference = state.expected, state.reference
    operating = operating_point(reference, rows["pressure"], rows["rate"])
    off: NDArray[np.float64] = np.log(rows["area"] / reference.area)
    off -= expected.by_pressure * operating + expected.offset
    return off


def over_baseline(state: Watching, rows: NDArray[np.void]) -> float:
    """Mean of `off_baseline` in `rows`, with the steps so far."""
    return float(np.mean(off_baseline(state, rows))) + state.expected.offset


def _weigh(state: Watching, event: Event, step: Step) -> tuple[Weighed, float]:
    """What comes of weighing, and the share of a leak's heat that has come by now."""
    working = known_mean(state.first_rows["pressure"]) if len(state.first_rows) else np.nan
    compared = event.compared
    jets, heated = warmed(compared, state.idle, working)
    shift = shift_of(
        compared,
        step,
        state.idle,
        jets,
        state.reference.area,
        working,
        _follows_the_set_pressure(state, event),
        state.setup.is_intensifier,
        Sound(state.stretches, state.earlier),
    )
    low = [batch.pressure for batch in state.idle[BatchKind.LOW].recent]
    ratio = known_mean(np.array(low)) / working if low else np.nan
    is_intensifier = state.setup.is_intensifier
    circumstances = Circumstances(
        is_intensifier=is_intensifier,
        at_stop=event.at_stop,
        pierce_ratio=ratio if np.isfinite(ratio) else UNKNOWN_PIERCE_RATIO,
        bore=state.setup.nominal_bore,
        heated=heated,
        ramp=event.ramp if isinstance(event, StepEvent) else 0.0,
        pace=_pace(state, event),
        stop_chance=event.stop_chance,
    )
    beliefs = posterior(shift, circumstances)
    stops, _ = before_and_since(compared, state.idle[BatchKind.RUN_DOWN])
    check = cheapest_check(beliefs, shift, is_intensifier, len(stops) > 0)
    return Weighed(shift, circumstances, beliefs, check), heated


def _pace(state: Watching, event: Event) -> NDArray[np.float64] | None:
    """How probable each pace is by the values of the wear line, where the area goes slowly."""
    if not isinstance(event, SlowEvent):
        return None
    wear, least = state.wear, state.setup.settings.level_uncertainty
    hours, values, pressure, _ = np.array(wear.values[-LOOKED_AT:]).reshape(-1, 4).T
    values = values - wear.line.by_pressure * pressure
    return pace_evidence(hours, values, float(np.hypot(wear.sigma, least)), event.sign)


def _follows_the_set_pressure(state: Watching, event: Event) -> bool:
    """Whether the oil side still holds the pressure.

    It can't once the pump overstrokes, nor where the motor has no more power to give.
    """
    pump = state.setup.pump
    if not isinstance(pump, Intensifier) or not len(event.after):
        return False
    rate, pressure = (float(event.after[name].mean()) for name in ("rate", "pressure"))
    power = pressure * pump.displacement.swept_volume * rate  # W, at the plunger
    overstrokes = rate >= OVERSTROKE_NEAR * pump.max_stroke_rate
    return not overstrokes and power < POWER_NEAR * pump.rated_power


def _is_early(state: Watching, event: Event, step: Step, found: Weighed, heated: float) -> bool:
    """Whether to wait for what the next batches say before anything is told."""
    few = _heard(event) < HEAR_SIGNALS
    if few and step.size_sd > UNSETTLED * abs(step.size):
        return True  # it still moves
    if is_to_last(state, event, step):
        return True
    feels = bool(np.isfinite(found.shift.seen)[list(SLUGGISH)].any()) and heated < HEATED
    sure = found.beliefs[0].probability >= SURE_AT_ONCE
    return ((few and _hears(found.shift)) or feels) and not sure


def _heard(event: Event) -> int:
    """Batches thought about since it was found, of the kind that shows it."""
    return event.batches if isinstance(event, StepEvent) else event.idle_batches


def _hears(shift: FeatureShift) -> bool:
    """Whether there are further signals, scatter and ripple apart."""
    return bool(np.isfinite(shift.seen)[list(SIGNAL_OF)][:-2].any())


def is_to_last(state: Watching, event: Event, step: Step) -> bool:
    """Whether it has not been for long that the area is smaller, or larger by what may go back.

    What is blocked spoils no part and stays so; short cuts, pauses and ramps that nobody logged
    make an area look smaller for some minutes. A crank turns on with the jet closed, and a line
    that is dumped then looks like a jet through a far larger area: a valve signal tells. No bore
    heals: an area that went back by itself was another state of the machine.
    """
    unknown = not (state.setup.is_intensifier or valve_is_logged(event.after))
    if isinstance(event, LowPressureEvent):
        return unknown and _heard(event) < LASTS_AT_LOW  # a set pressure at which some water spills
    if _may_be_the_closed_jet(state, event, step):
        return True
    may_be_closed = unknown and step.size > FAR
    may_be_shut = looks_like_a_shut_line(event, step.size)
    alike = _healed_alike(state, event, may_be_shut)
    known = state.setup.pressure_floats and not closed_jet_is_hidden(state.setup, event.after)
    healed = not known and any(
        abs(step.size - h.size) < SAME_STEP and _was_a_state(state, h) for h in alike
    )
    if _heard(event) < LASTS and (step.size < 0.0 or may_be_closed or healed or may_be_shut):
        return True
    if may_be_shut and _is_denied_by_cuts(event.after, step.size):
        return True
    lasted = (state.running.end_ns - event.onset_ns) / 1e9
    return lasted < min(_may_take(alike, step.size), np.inf if unknown else LONGEST)


def _was_a_state(state: Watching, healed: Healed) -> bool:
    """Whether what went back by itself may have been another state of the machine, and come again.

    Where nothing hides a closed jet, what was over as soon as air has passed was no state.
    """
    return state.setup.pressure_floats or healed.seconds > AIR_PASSES


def _healed_alike(state: Watching, event: Event, may_be_shut: bool) -> Sequence[Healed]:
    """Those steps that went back by themselves which this one may be like.

    On a line that is known to hold, they were stands of the shut line but for those that did not
    look like one, and so may not be this one if it does not, either.
    """
    healed = state.past.healed
    if event.after["openings"][-1] == 0 or may_be_shut:
        return healed
    return [h for h in healed if not h.may_be_shut]


def _may_be_the_closed_jet(state: Watching, event: Event, step: Step) -> bool:
    """Whether what a closed jet looks like is not known, so that this may be it.

    A line that is dumped as the jet closes takes about what the jet does, more or less. By and by
    that shows: the level goes to and fro, or nothing but the jet's is ever seen.
    """
    if not closed_jet_is_hidden(state.setup, event.after):
        return False
    if not isinstance(event, StepEvent):
        little = step.size < np.log1p(state.setup.settings.limit)  # as more and more pauses look
        return bool(little) or state.watched_hours < SETTLED
    if event.batches >= STANDS:
        return state.watched_hours < SETTLED
    lasted = (state.running.end_ns - event.onset_ns) / NS_PER_H
    to_and_fro = any(step.size < h.size + TO_AND_FRO for h in state.past.healed)
    was_there = step.size > 0.0 and may_be_there(state.past.left, event.after, TO_AND_FRO)
    slope, margin = _slope_within(event.after)
    leaks = slope > margin  # as a line that is shut and holds
    return to_and_fro or was_there or leaks or state.watched_hours - lasted < SETTLED


def closed_jet_is_hidden(setup: Setup, rows: NDArray[np.void]) -> bool:
    """Whether a closed jet may look like an open one, since it was never seen to look otherwise.

    `rows` are the newest batches, dtype `RING`.
    """
    if not closed_jet_is_unlogged(setup, rows):
        return False
    return len(rows) > 0 and not rows["closed_known"][-1]


def closed_jet_is_unlogged(setup: Setup, rows: NDArray[np.void]) -> bool:
    """Whether nothing logged says when the jet is closed: no valve signal, no set pressure."""
    return setup.pressure_floats and not valve_is_logged(rows)


def may_hide_pauses(setup: Setup, rows: NDArray[np.void]) -> bool:
    """Whether pauses may make an area look smaller: no valve signal, and flow that stops with them.

    `rows` are batches, dtype `BATCH` or `RING`.
    """
    return setup.is_intensifier and not valve_is_logged(rows)


def looks_like_a_shut_line(event: Event, size: float) -> bool:
    """Whether what looks larger by `size` may be a shut line that holds its pressure.

    A bore shows the same from opening to opening, or all at once while the jet is on. Shut again, a
    line holds another pressure, and lets it leak away.
    """
    rows = event.after
    if rows["openings"][-1] == 0:
        return False
    alike = np.abs(rows["value"] - size) < ALIKE_AGAIN * size
    if isinstance(event, StepEvent) and event.in_one_jet and alike[1:].all():
        return False
    fills = _of_filling(rows)  # then it is not shut
    filled = size > FILLS_OFF and len(fills) >= REOPENED
    if filled and float(np.median(fills)) > STILL_THERE * size:
        return False
    seen = rows["openings"]
    slope, margin = _slope_within(rows[alike & (seen == seen[-1])])
    leak = OF_A_LEAK * rows["leak"][-1]
    if leak > LEAST_LEAK and slope + margin < leak:
        return False
    slope, margin = _slope_within(rows[alike])
    if slope > margin:
        return True
    shown = np.setdiff1d(seen, seen[~alike])  # with all of their batches: a bore's do not leak
    return len(shown) < max(REOPENED, MOST_OPENINGS * len(np.unique(seen)))


def _is_denied_by_cuts(rows: NDArray[np.void], size: float) -> bool:
    """Whether the newest cuts that fill the line show nothing of a step up, dtype `RING`."""
    fills = _of_filling(rows)[-REOPENED:]
    return size > 0.0 and len(fills) == REOPENED and float(np.median(fills)) < SHRUNK * size


def _of_filling(rows: NDArray[np.void]) -> NDArray[np.float64]:
    """The values of those `rows` that are of cuts while the line is filled."""
    values: NDArray[np.float64] = rows["value"][rows["timing"] > 0.0]
    return values


def falls_in_one_jet(rows: NDArray[np.void], first: int) -> bool:
    """Whether the jet stayed on from the batches before a step to `first`, the first one after it.

    The one between them may hold the step itself. `rows` have dtype `RING`.
    """
    if first <= 1:
        return False
    near = rows[first - 2 : first + 1]
    gaps = (near["start_ns"][1:] - near["end_ns"][:-1]) / NS
    return bool((gaps < AT_ONCE).all() and (near["openings"] == near["openings"][0]).all())


def _slope_within(rows: NDArray[np.void]) -> tuple[float, float]:
    """How fast the area grows within the openings of the jet, in log area a second.

    Least squares with a level for each opening (Draper & Smith 1998, Applied Regression Analysis,
    1.4), and half the 95 % interval by Student's t; (0, inf) where there are too few `rows`,
    dtype `RING`.
    """
    if len(rows) < FEWEST_TO_STAY:
        return 0.0, np.inf
    _, opening = np.unique(rows["openings"], return_inverse=True)
    many = np.bincount(opening)
    time = (rows["end_ns"] - rows["end_ns"][0]) / 1e9
    time = time - (np.bincount(opening, time) / many)[opening]
    value = rows["value"] - (np.bincount(opening, rows["value"]) / many)[opening]
    squares, free = float(np.sum(time**2)), len(rows) - len(many) - 1
    if free < 1 or squares == 0.0:
        return 0.0, np.inf
    slope = float(np.sum(time * value)) / squares
    sd = np.sqrt(np.sum((value - slope * time) ** 2) / free / squares)
    return slope, float(stats.t.isf(0.025, free) * sd)


def _may_take(healed: Sequence[Healed], size: float) -> float:
    """Time, s, after which a step of this `size` is none of those that went back by themselves.

    Air in the water makes an area look some per cent larger for less than a minute.
    """
    alike = [h.seconds for h in healed if h.size > size / ALIKE]
    return max(LONGER * max(alike, default=0.0), AIR_PASSES if size < AIR_MAKES else 0.0)


def _say(told: State, event: Event, step: Step, slope: float, causes: Sequence[Belief]) -> str:
    grown = float(np.expm1(step.size))
    way = "up" if grown > 0.0 else "down"
    if isinstance(event, StepEvent | LowPressureEvent):
        over_minutes = isinstance(event, StepEvent) and event.ramp > GROWS
        came = "over minutes" if over_minutes else "in one step"
        # a step's size is known better later on, and stands beside the reason
        size = "" if isinstance(event, StepEvent) else f"{abs(grown) * 100:.1f} % "
        what = f"effective area {way} {size}{came}"
    elif told is State.OPENED:
        what = worn(step.size)
    elif abs(grown) > SHOWN_GROWTH:
        what = (
            f"effective area {way} {abs(grown) * 100:.1f} % by its trend, changing by "
            f"{slope * 100.0:+.2f} % per jet hour"
        )
    else:
        what = "effective area unchanged, but other signals have moved"
    return f"{what}{MOST_PROBABLE}{probable_words(causes)}"


def probable_words(causes: Sequence[Belief]) -> str:
    """The most probable cause, with those that can't be told from it, and how probable they are."""
    group = group_of_first(causes)
    names = either([cause.words for cause in group.causes])
    return f"{names} ({probability_words(group.probability)})"


def worn(level: float) -> str:
    """That the area has grown to its limit, `level` in log area."""
    gone = float(np.expm1(level)) * 100
    return f"worn to the limit: effective area up {gone:.1f} % by its trend"

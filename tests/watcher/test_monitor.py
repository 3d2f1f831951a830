"""The state machine of the watch: every row of its table, and that nothing it is given changes."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from borewarden.detect.wear import Drift
from borewarden.diagnose.causes import Cause
from borewarden.diagnose.features import Idle, idle_batch
from borewarden.gate.batch import HEADS, SIGNALS, BatchKind
from borewarden.physics.pump import DirectDrive
from borewarden.watcher import bore_watch, monitor
from borewarden.watcher.batch_loop import DRIFT_BLOCK, Block, Stop
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import (
    Learning,
    Monitor,
    Phase,
    Sharpening,
    SlowEvent,
    Undo,
    Watching,
    changed,
    phase_of,
)
from borewarden.watcher.monitor import (
    RECENT,
    RULES,
    TABLE,
    JudgeAgain,
    Observation,
    Told,
    transition,
)
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State, Verdict
from invented_watch import (
    AREA,
    BATCH_TIME,
    FIRST,
    PUMP,
    RUBY,
    SECOND,
    batches,
    event_of,
    quiet_watch,
    watching,
    wear,
)

P = Phase
LEAKS = {"weep_rise": 40.0, "load_ratio": 3.0}  # K and log: only a leak heats the weep lines so


@dataclass(frozen=True)
class Case:
    """In `phase`, with batches that are `growth` off the wear line, a stop leads to `to`."""

    phase: Phase
    stop: Stop
    to: Phase
    growth: list[float] = field(default_factory=list)
    kind: BatchKind = BatchKind.STEADY
    idle: float = 0.0  # growth of the batches of another kind
    signals: dict[str, float] = field(default_factory=dict)
    changes: Callable[[Watching], dict[str, Any]] = lambda state: {}

    def __str__(self) -> str:
        return f"{self.phase.name}-{self.stop.name}-{self.to.name}"


def look_for(batches_seen: int) -> Callable[[Watching], dict[str, Any]]:
    """The event has been looked at for so many batches."""
    return lambda state: {"event": replace(state.event, batches=batches_seen)}


def stepped(offset: float, batches_seen: int | None = None) -> Callable[[Watching], dict[str, Any]]:
    """The watch goes on from another level."""

    def changes(state: Watching) -> dict[str, Any]:
        made: dict[str, Any] = {"expected": state.expected._replace(offset=offset)}
        if batches_seen is not None:
            made["event"] = replace(state.event, batches=batches_seen)
        return made

    return changes


def worn(growth: float) -> Callable[[Watching], dict[str, Any]]:
    """The wear line has gone so far in ten hours."""

    def changes(state: Watching) -> dict[str, Any]:
        reference = state.reference._replace(earlier_hours=state.running.hours - 10.0)
        return {"wear": wear(growth), "reference": reference}

    return changes


def shrunk(state: Watching) -> dict[str, Any]:
    """A step down from 10 % above the baseline has been sharpened for long."""
    event = event_of(P.STEP_FOUND, state, -1.0)
    assert event is not None
    return stepped(0.1, 2 * DRIFT_BLOCK)(changed(state, event=event))


def over(phase: Phase) -> Callable[[Watching], dict[str, Any]]:
    """The step that is being sharpened was found during an event of this phase."""

    def changes(state: Watching) -> dict[str, Any]:
        assert state.event is not None
        before = event_of(phase, state)
        undo = Undo(before, State.OTHER_FAULT, "as it was", state.past, 0.2)
        return {"event": replace(state.event, look=Sharpening(undo), batches=RECENT)}

    return changes


def going_back(phase: Phase, batches_seen: int) -> Callable[[Watching], dict[str, Any]]:
    """A step back is looked at during an event of this phase, 10 % off the baseline."""

    def changes(state: Watching) -> dict[str, Any]:
        event, back = event_of(phase, state), event_of(P.STEP_BACK, state)
        assert event is not None
        assert back is not None
        expected = state.expected._replace(offset=0.1)
        return {
            "event": replace(event, look=back.look, batches=batches_seen),
            "expected": expected,
        }

    return changes


def known_idle(state: Watching) -> dict[str, Any]:
    """Five dead-headed batches without any flow have said what is usual."""
    five = tuple(idle_batch(b) for b in batches([0.0] * 5, BatchKind.DEAD_HEAD))
    return {"idle": {**state.idle, BatchKind.DEAD_HEAD: Idle(five, five)}}


UP, DOWN, NONE = [0.1] * 8, [-0.1] * 8, [0.0] * 20
LOOKED = RECENT - 1  # batches for which a step back was looked at: the next one settles it
GRADUAL = (P.SLOW, P.LOW_PRESSURE, P.SIGNAL)
CASES = (
    Case(P.QUIET, Stop.UP, P.STEP_FOUND, UP),
    Case(P.QUIET, Stop.DOWN, P.STEP_FOUND, DOWN),
    Case(P.QUIET, Stop.BLOCK, P.QUIET, NONE),
    Case(P.QUIET, Stop.BLOCK, P.SLOW, NONE, changes=worn(0.05)),
    Case(P.QUIET, Stop.SIGNAL, P.QUIET, NONE, signals={"side_ratio": 0.2}),
    Case(P.QUIET, Stop.SIGNAL, P.SIGNAL, NONE, signals=LEAKS),
    Case(P.QUIET, Stop.OTHER_KIND, P.QUIET, NONE, BatchKind.STOPPED),
    Case(P.QUIET, Stop.OTHER_KIND, P.QUIET, NONE, BatchKind.DEAD_HEAD, 0.2, LEAKS),
    Case(P.QUIET, Stop.OTHER_KIND, P.SIGNAL, NONE, BatchKind.DEAD_HEAD, 0.2, LEAKS, known_idle),
    Case(P.QUIET, Stop.OTHER_KIND, P.LOW_PRESSURE, NONE, BatchKind.LOW, 0.5),
    Case(P.STEP_FOUND, Stop.FOLLOW, P.STEP_FOUND, UP),
    Case(P.STEP_FOUND, Stop.FOLLOW, P.STEP, UP, changes=look_for(DRIFT_BLOCK - 1)),
    Case(P.STEP_FOUND, Stop.FOLLOW, P.QUIET, NONE, changes=look_for(RECENT)),
    Case(P.STEP_FOUND, Stop.FOLLOW, P.QUIET, [-0.1] * 80, changes=shrunk),
    Case(P.STEP_FOUND, Stop.FOLLOW, P.STEP, [-0.05] * 80, changes=shrunk),
    *(Case(P.STEP_FOUND, Stop.FOLLOW, before, NONE, changes=over(before)) for before in GRADUAL),
    Case(P.STEP_FOUND, Stop.OTHER_KIND, P.STEP_FOUND, UP, BatchKind.STOPPED),
    Case(P.STEP, Stop.UP, P.STEP_FOUND, UP, changes=stepped(0.1)),
    Case(P.STEP, Stop.DOWN, P.STEP_FOUND, [-0.3] * 8, changes=stepped(0.1)),
    Case(P.STEP, Stop.DOWN, P.QUIET, DOWN, changes=stepped(0.1)),
    Case(P.STEP, Stop.DOWN, P.STEP_BACK, [-0.05] * 8, changes=stepped(0.1)),
    Case(P.STEP, Stop.BLOCK, P.STEP, NONE),
    Case(P.STEP, Stop.SIGNAL, P.STEP, NONE, signals=LEAKS),
    Case(P.STEP, Stop.OTHER_KIND, P.STEP, NONE, BatchKind.STOPPED),
    Case(P.STEP_BACK, Stop.FOLLOW, P.STEP_BACK, [-0.05] * 8, changes=stepped(0.1)),
    Case(P.STEP_BACK, Stop.FOLLOW, P.QUIET, [-0.1] * RECENT, changes=stepped(0.1, LOOKED)),
    *(
        Case(P.STEP_BACK, Stop.FOLLOW, kept, [-0.05] * RECENT, changes=going_back(kept, LOOKED))
        for kept in (P.STEP, P.SLOW, P.LOW_PRESSURE)
    ),
    Case(P.STEP_BACK, Stop.OTHER_KIND, P.STEP_BACK, NONE, BatchKind.STOPPED),
    Case(
        P.STEP_BACK,
        Stop.OTHER_KIND,
        P.QUIET,
        NONE,
        BatchKind.STOPPED,
        changes=going_back(P.SLOW, 3),
    ),
    *(Case(phase, Stop.UP, P.STEP_FOUND, UP) for phase in GRADUAL),
    *(Case(phase, Stop.DOWN, P.QUIET, [-0.05] * 8, changes=stepped(0.05)) for phase in GRADUAL),
    *(
        Case(phase, Stop.DOWN, P.STEP_BACK, [-0.05] * 8, changes=stepped(0.1))
        for phase in (P.SLOW, P.LOW_PRESSURE)
    ),
    *(Case(phase, Stop.BLOCK, phase, NONE, changes=worn(0.05)) for phase in GRADUAL),
    *(Case(phase, Stop.BLOCK, P.QUIET, NONE) for phase in GRADUAL),
    *(Case(phase, Stop.SIGNAL, phase, NONE, signals=LEAKS) for phase in GRADUAL),
    *(
        Case(phase, Stop.SIGNAL, P.QUIET, NONE, signals={"side_ratio": 0.2})
        for phase in (P.SLOW, P.SIGNAL)
    ),
    *(
        Case(phase, Stop.OTHER_KIND, phase, NONE, BatchKind.DEAD_HEAD, 0.2, LEAKS, worn(0.05))
        for phase in GRADUAL
    ),
    *(
        Case(phase, Stop.OTHER_KIND, P.QUIET, NONE, BatchKind.STOPPED)
        for phase in (P.SLOW, P.SIGNAL)
    ),
)


def at(case: Case) -> tuple[Watching, Observation]:
    """The state and the observation of a case."""
    state = watching(case.phase)
    state = replace(state, **case.changes(state))
    assert phase_of(state) is case.phase
    watch = quiet_watch()
    ring = watch._ring.copy()
    signals = {"weep_rise": 5.0, "load_ratio": 3.0} | case.signals
    rows = batches(case.growth, start=FIRST, **signals)
    taken = state.running.taken
    for place, (row, value) in enumerate(zip(rows, case.growth, strict=True)):
        put = ring[(taken + place) % len(ring) :][:1]
        for name in ring.dtype.names:
            if name not in ("value", "clipped", "operating", "usual", "usual_var"):
                put[name] = row[name]
        put["value"] = put["clipped"] = value
    end = int(rows["end_ns"][-1])
    running = state.running._replace(taken=taken + len(rows), end_ns=end)
    mean = np.where(np.isfinite(rows["signals"][-1]), rows["signals"][-1], state.signals.mean)
    seconds = DRIFT_BLOCK * BATCH_TIME
    line = state.wear.line.at(state.watched_hours)[0]
    state = replace(
        state,
        running=running,
        signals=state.signals._replace(mean=mean),
        block=Block(DRIFT_BLOCK, seconds, seconds * state.watched_hours, seconds * line),
    )
    batch = rows[-1]
    if case.kind is not BatchKind.STEADY:
        two = batches([case.idle] * 2, case.kind, FIRST + len(rows), **signals)
        # the one before it was seen already
        seen = Observation(Stop.OTHER_KIND, two[0], ring)
        kept = monitor._keep_idle(state, seen)
        state, batch = replace(state, idle=kept.idle), two[1]
    return state, Observation(case.stop, batch, ring)


@pytest.mark.parametrize(("speed", "to"), [(1.0, P.QUIET), (0.7, P.STEP_BACK)])
def test_a_crank_that_idles_with_its_jet_closed_heals_no_bore(speed: float, to: Phase) -> None:
    """What a valve spills then may look like the jet at a lower pressure."""
    changes = stepped(0.1, LOOKED)
    state, seen = at(Case(P.STEP_BACK, Stop.FOLLOW, to, [-0.1] * RECENT, changes=changes))
    assert state.event is not None
    after = state.event.after.copy()
    newest = seen.ring[(state.running.taken - 1) % len(seen.ring) :][:1]
    for rows in (after, newest):
        rows["signals"][:, HEADS], rows["closed_known"] = np.nan, False
    newest["rate"] = speed * after["rate"].max()
    pump = DirectDrive(3, 0.0085, 0.032, 0.3e-6, 8.4, 410e6, 30e3)
    event = changed(state.event, after=after)
    now = replace(state, setup=state.setup._replace(pump=pump), event=event)
    assert phase_of(transition(now, seen)[0]) is to


@pytest.mark.parametrize("case", CASES, ids=str)
def test_row_of_the_table_leads_where_it_says(case: Case) -> None:
    after, _ = transition(*at(case))
    assert phase_of(after) is case.to
    assert case.to in TABLE[case.phase, case.stop].to


@pytest.mark.parametrize("case", CASES, ids=str)
def test_transition_is_pure(case: Case) -> None:
    state, seen = at(case)
    before = pickle.dumps((state, seen))
    first, told = transition(state, seen)
    assert pickle.dumps((state, seen)) == before
    again, told_again = transition(state, seen)
    assert pickle.dumps(first) == pickle.dumps(again)
    assert repr(told) == repr(told_again)


def test_every_row_has_a_case() -> None:
    rows = {(rule.phase, stop, to) for rule in RULES for stop in rule.stops for to in rule.to}
    watched = {row for row in rows if row[0] is not P.LEARNING}
    shown = {(case.phase, case.stop, case.to) for case in CASES}
    # either sign of a step is the same row, with the signs turned round
    turned = {
        (phase, Stop(Stop.UP + Stop.DOWN - stop), to)
        for phase, stop, to in shown
        if stop in (Stop.UP, Stop.DOWN)
    }
    missing = watched - shown - turned
    # what jets at low pressure show is a growth of a tenth or more: too little to tell only where
    # `wear_notice` is set above that
    assert missing == {
        (P.LOW_PRESSURE, Stop.SIGNAL, P.QUIET),
        (P.LOW_PRESSURE, Stop.OTHER_KIND, P.QUIET),
    }


def test_no_two_rows_answer_the_same_stop() -> None:
    pairs = [(rule.phase, stop) for rule in RULES for stop in rule.stops]
    assert len(pairs) == len(set(pairs)) == len(TABLE)


def test_a_stop_that_cannot_come_is_an_error() -> None:
    state, seen = at(Case(P.QUIET, Stop.FOLLOW, P.QUIET, NONE))
    with pytest.raises(KeyError):
        transition(state, seen)


def test_baseline_is_learned_after_its_time() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    first = batches(np.zeros(FIRST))
    watch.learn_many(first[:-1])
    state = watch.monitor
    assert isinstance(state, Learning)
    assert len(state.first) == FIRST - 1
    watch.learn_many(first[-1:])
    assert isinstance(watch.monitor, Watching)
    assert watch.baseline is not None
    assert watch.baseline.area == pytest.approx(AREA, rel=1e-3)


def off_the_stated_bore(growth: np.ndarray) -> tuple[BoreWatch, list[Verdict]]:
    """A watch whose area is `growth` off what the stated bore should take, and what it tells."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    return watch, watch.learn_many(batches(growth, weep_rise=5.0, load_ratio=3.0))[1]


def test_what_does_not_fit_is_told_once_and_is_the_level_to_watch_against() -> None:
    watch, told = off_the_stated_bore(np.full(FIRST, 0.4))
    assert [verdict.state for verdict in told] == [State.NOT_STATED_BORE]
    assert "do not fit" in told[0].reason
    assert "whether the kind of pump is right" in told[0].reason
    quiet = batches(np.full(120, 0.4), start=FIRST, weep_rise=5.0, load_ratio=3.0)
    assert watch.learn_many(quiet)[1] == []
    assert phase_of(watch.monitor) is P.QUIET
    assert watch.state is State.NOT_STATED_BORE
    assert watch.verdict().area_ratio == pytest.approx(1.0, abs=3e-3)


def test_a_chip_of_what_does_not_fit_is_told_and_the_all_clear_returns_to_the_finding() -> None:
    growth = 0.4 + np.repeat([0.0, np.log(1.08), 0.0], 60)
    watch, told = off_the_stated_bore(np.concatenate([np.full(FIRST, 0.4), growth]))
    assert [verdict.state for verdict in told] == [
        State.NOT_STATED_BORE,
        State.OPENED,
        State.NOT_STATED_BORE,
    ]
    assert told[1].step == pytest.approx(0.08, abs=0.01)
    assert told[1].reason.endswith(f"; besides, {told[0].reason}")
    assert told[2].reason == told[0].reason
    assert phase_of(watch.monitor) is P.QUIET


def idle_after(watch: BoreWatch, flows: list[float], start: int) -> list[State]:
    """What dead-headed batches of these `flows`, of the working one, make of the watch."""
    told = []
    for place, flow in enumerate(flows):
        number = start + 2 * place
        for kind, growth in ((BatchKind.STEADY, 0.0), (BatchKind.DEAD_HEAD, flow)):
            batch = batches([growth], kind, number + kind, **LEAKS)
            told += [verdict.state for verdict in watch.learn_many(batch)[1]]
    return told


@pytest.mark.parametrize("usual", [0.0, 0.15])
def test_dead_headed_flow_is_a_matter_only_beyond_what_is_usual_here(usual: float) -> None:
    """None stood dead-headed while the baseline was learned, so the first ones after it count."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST), **LEAKS))
    assert idle_after(watch, [usual] * 12, FIRST) == []
    assert watch.state is State.SOUND
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.usual_idle == pytest.approx(usual, abs=1e-4)
    assert idle_after(watch, [usual + 0.02] * 4, FIRST + 24) == []
    told = idle_after(watch, [usual + 0.1] * 4, FIRST + 32)
    assert told == [State.OTHER_FAULT]
    assert watch.verdict().causes[0].cause is Cause.LEAK


def test_what_is_usual_is_not_learned_from_few_batches_nor_from_the_fault_itself() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST), **LEAKS))
    idle_after(watch, [0.0] * 4, FIRST)
    assert idle_after(watch, [0.2] * 1, FIRST + 8) == []  # four are too few to tell by
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST), **LEAKS))
    idle_after(watch, [0.0] * 10 + [0.2] * 20, FIRST)
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.usual_idle == 0.0


@pytest.mark.parametrize(
    ("first", "resolution", "told"),
    [
        ([0.0], 0.001, [State.OTHER_FAULT]),
        ([0.0], 0.04, []),  # a stroke that only ended here may make all of it
        ([0.0, 0.06], 0.001, []),  # they were as uneven when the jewel was new
    ],
)
def test_dead_headed_flow_has_to_be_beyond_what_strokes_and_the_first_batches_show(
    first: list[float], resolution: float, told: list[State]
) -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST), **LEAKS))
    idle_after(watch, (first * 10)[:10], FIRST)
    later = batches([0.08] * 3, BatchKind.DEAD_HEAD, FIRST + 30, **LEAKS)
    later["resolution"] = resolution * AREA
    steady = batches(np.zeros(8), start=FIRST + 34, **LEAKS)
    changes = watch.learn_many(np.concatenate([later, steady, later]))[1]
    assert [verdict.state for verdict in changes] == told


def test_water_through_a_closed_jet_is_told_once_three_open_jets_had_their_say() -> None:
    """A leak takes from the open jet's flow, too."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST), **LEAKS))
    idle_after(watch, [0.0] * 6, FIRST)
    closed = batches([0.1] * 3, BatchKind.DEAD_HEAD, FIRST + 12, **LEAKS)
    assert watch.learn_many(closed)[1] == []
    watch.learn_many(batches(np.zeros(3), start=FIRST + 15, **LEAKS))
    (told,) = watch.learn_many(batches([0.1], BatchKind.DEAD_HEAD, FIRST + 18, **LEAKS))[1]
    assert told.state is State.OTHER_FAULT


def test_wear_is_told_worn_out_in_the_block_in_which_it_reaches_the_limit() -> None:
    """Long since found, it is weighed now and then only; the limit of 8 % is not waited for."""
    watch = quiet_watch()
    growth = np.linspace(0.0, 0.12, 1200)
    rows = batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0)
    rows["jet_seconds"] *= 20.0
    told = watch.learn_many(rows)[1]
    assert [verdict.state for verdict in told] == [State.WEARING, State.OPENED]
    worn_out = int(told[1].time_ns / (30 * SECOND)) - FIRST
    reached = int(np.searchsorted(growth, np.log(1.08)))
    assert abs(worn_out - reached) <= DRIFT_BLOCK


def test_what_goes_slowly_is_compared_by_all_batches_since_it_was_found() -> None:
    watch = quiet_watch()
    rows = batches(np.linspace(0.0, 0.05, 500), start=FIRST, weep_rise=5.0, load_ratio=3.0)
    rows["jet_seconds"] *= 20.0
    counts = []
    for start in range(0, len(rows), DRIFT_BLOCK):
        watch.learn_many(rows[start : start + DRIFT_BLOCK])
        state = watch.monitor
        assert isinstance(state, Watching)
        if isinstance(state.event, SlowEvent):
            counts.append(len(state.event.after))
    assert counts[:2] == [RECENT // 2, RECENT // 2 + DRIFT_BLOCK]


@pytest.mark.parametrize(("values", "sure"), [(6, False), (60, True)])
def test_a_slope_has_to_be_sure_before_the_area_has_gone_slowly(values: int, sure: bool) -> None:
    """By 6 % in ten hours: two standard deviations of the line by few values, five by many."""
    line = Drift(0.04, 0.005, slope_sd=0.02)
    for hours in np.linspace(0.0, 10.0, values):
        line.update(float(hours), 0.006 * float(hours))
    state = watching(P.QUIET)
    hours = state.reference.earlier_hours + 10.0
    state = replace(state, wear=line, running=state.running._replace(hours=hours))
    gone = monitor._surely_gone(state, state.first_rows)
    assert gone == (pytest.approx(0.06, abs=0.002) if sure else 0.0)


def test_short_cuts_make_a_baseline_of_fewer_batches() -> None:
    """After 0.75 jet hours a third of the ten minutes will do: here at the tenth batch."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    rows = batches(np.zeros(12))
    rows["jet_seconds"] *= 20.0  # of 400 s of jet each, 20 s are steady
    watch.learn_many(rows[:9])
    assert isinstance(watch.monitor, Learning)
    watch.learn_many(rows[9:10])
    assert isinstance(watch.monitor, Watching)


def learn_notices(jewel: Any, growth: np.ndarray) -> tuple[Monitor, tuple[Any, ...]]:
    watch = BoreWatch(PUMP, [jewel], WatchSettings())
    first = batches(growth)
    watch.learn_many(first[:-1])
    state = watch.monitor
    running = state.running._replace(taken=FIRST, hours=FIRST * BATCH_TIME / 3600.0)
    return transition(
        replace(state, running=running), Observation(Stop.LEARN, first[-1], watch._ring)
    )


def test_a_given_baseline_judges_the_first_batches_too() -> None:
    after, (told, again) = learn_notices(replace(RUBY, discharge_coefficient=0.65), np.zeros(FIRST))
    assert told == Told(State.LEARNING, State.SOUND)
    assert isinstance(again, JudgeAgain)
    assert len(again.batches) == FIRST
    assert isinstance(after, Watching)
    assert after.unjudged is None


def test_a_step_among_the_first_batches_is_left_out_of_the_baseline() -> None:
    growth = np.where(np.arange(FIRST) < 15, 0.0, 0.1)
    after, (_, again) = learn_notices(RUBY, growth)
    assert isinstance(after, Watching)
    assert after.baseline.area == pytest.approx(AREA, rel=3e-3)
    assert isinstance(again, JudgeAgain)
    assert 15 <= len(again.batches) <= 17


def visited(monkeypatch: pytest.MonkeyPatch, *blocks: np.ndarray) -> list[Phase]:
    """The phases that these blocks lead through, each named once in a row."""
    seen: list[Phase] = [P.QUIET]

    def watched(state: Monitor, what: Observation) -> tuple[Monitor, Any]:
        after, notices = transition(state, what)
        assert phase_of(after) in TABLE[phase_of(state), what.stop].to
        if phase_of(after) is not seen[-1]:
            seen.append(phase_of(after))
        return after, notices

    watch = quiet_watch()
    monkeypatch.setattr(bore_watch, "transition", watched)
    for block in blocks:
        watch.learn_many(block)
    return seen


def after_first(growth: np.ndarray, **signals: float) -> np.ndarray:
    return batches(growth, start=FIRST, **{"weep_rise": 5.0, "load_ratio": 3.0} | signals)


def test_a_chip_that_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    growth = np.where(np.arange(120) < 40, 0.0, 0.1)
    assert visited(monkeypatch, after_first(growth)) == [P.QUIET, P.STEP_FOUND, P.STEP]


def test_a_blocking_that_clears_in_two_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    growth = np.repeat([0.0, -0.2, -0.1, 0.0], 60)
    assert visited(monkeypatch, after_first(growth)) == [
        P.QUIET,
        P.STEP_FOUND,
        P.STEP,
        P.STEP_BACK,
        P.STEP,
        P.QUIET,
    ]


def test_a_leak_that_only_the_weep_line_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    n = 80
    leaking = batches(np.zeros(n), start=FIRST, **LEAKS)
    mended = batches(np.zeros(n), start=FIRST + n, weep_rise=5.0, load_ratio=3.0)
    assert visited(monkeypatch, leaking, mended) == [P.QUIET, P.SIGNAL, P.QUIET]


def test_wear_then_a_chip_then_back(monkeypatch: pytest.MonkeyPatch) -> None:
    n = 600
    worn_down = after_first(np.linspace(0.0, 0.12, n))
    worn_down["jet_seconds"] *= 20.0  # twenty times the hours
    phases = visited(monkeypatch, worn_down)
    assert phases[:2] == [P.QUIET, P.SLOW]


def test_opened_bore_stays_opened_until_the_all_clear() -> None:
    watch = quiet_watch()
    growth = np.where(np.arange(120) < 20, 0.0, 0.1)
    changes = watch.learn_many(batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0))[1]
    assert [verdict.state for verdict in changes] == [State.OPENED]
    assert changes[0].causes[0].cause is Cause.BORE
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.expected.offset == pytest.approx(0.1, abs=0.01)
    assert state.event is not None
    assert state.event.look is None


def test_a_blocking_does_not_unsay_an_opened_bore() -> None:
    watch = quiet_watch()
    growth = np.repeat([0.0, 0.1, -0.1], [20, DRIFT_BLOCK + 10, 120])
    watch.learn_many(after_first(growth))
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.event is not None
    assert state.event.sign < 0.0
    assert watch.state is State.OPENED
    assert watch.verdict().probability > 0.5


def test_fork_goes_its_own_way() -> None:
    watch = quiet_watch()
    other = watch.fork()
    before = pickle.dumps(watch)
    other.learn_many(batches(np.full(60, 0.1), start=FIRST, weep_rise=5.0, load_ratio=3.0))
    assert other.state is State.OPENED
    assert pickle.dumps(watch) == before
    assert watch.state is State.SOUND


def test_pickled_watch_goes_on_to_the_last_bit() -> None:
    rows = batches(np.repeat([0.0, 0.1, 0.0], 50), start=FIRST, weep_rise=5.0, load_ratio=3.0)
    whole, parts = quiet_watch(), quiet_watch()
    results, changes = whole.learn_many(rows)
    made, told = [], []
    for a, b in pairwise([0, 7, 55, 61, 77, 110, len(rows)]):
        parts = pickle.loads(pickle.dumps(parts))
        result, change = parts.learn_many(rows[a:b])
        made.append(result)
        told += change
    assert np.concatenate(made).tobytes() == results.tobytes()
    assert repr(told) == repr(changes)
    assert repr(parts.verdict()) == repr(whole.verdict())


@pytest.mark.parametrize(
    ("told", "growth", "after"),
    [
        (State.CANNOT_TELL, 0.10, State.OPENED),  # worn on to the limit, whatever the step was
        (State.CANNOT_TELL, 0.05, State.CANNOT_TELL),  # not yet
        (State.OTHER_FAULT, 0.10, State.OTHER_FAULT),  # what goes on growing is that fault's
    ],
)
def test_wear_after_a_step_goes_on_to_the_limit(told: State, growth: float, after: State) -> None:
    case = Case(P.STEP, Stop.BLOCK, P.STEP, [growth] * len(NONE), changes=worn(growth))
    state, seen = at(case)
    found, _ = transition(replace(state, told=told), seen)
    assert found.told is after


def test_a_line_that_goes_on_past_what_the_batches_show_is_no_wear() -> None:
    """It does where pauses made the area smaller, and are over."""
    case = Case(P.STEP, Stop.BLOCK, P.STEP, NONE, changes=worn(0.10))
    state, seen = at(case)
    found, _ = transition(replace(state, told=State.CANNOT_TELL), seen)
    assert found.told is State.CANNOT_TELL


# -- what a step is compared with


@pytest.mark.parametrize(("stopped", "at_stop"), [(20, True), (19, True), (10, False), (26, False)])
def test_a_step_falls_in_a_stop_just_before_it_and_in_none_after_the_alarm(
    stopped: int, at_stop: bool
) -> None:
    """Within a batch of where it begins, the 21st."""
    rows = after_first(np.where(np.arange(60) < 20, 0.0, 0.1))
    rows["stops"] = np.arange(60) >= stopped
    watch = quiet_watch()
    watch.learn_many(rows)
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.event is not None
    assert state.event.at_stop == at_stop


def test_a_first_step_is_compared_with_just_before_and_later_ones_with_the_new_jewel() -> None:
    """Else what comes and goes is compared with itself. The batch before may hold the step."""
    watch = quiet_watch()
    growth = np.repeat([0.0, 0.1, 0.0, 0.1], [40, 40, 60, 40])
    rows = after_first(growth)
    watch.learn_many(rows[:80])
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.event is not None
    assert state.event.before["start_ns"].tolist() == rows["start_ns"][:39].tolist()
    assert state.event.after["start_ns"][0] == rows["start_ns"][40]
    watch.learn_many(rows[80:140])
    assert watch.state is State.SOUND
    watch.learn_many(rows[140:])
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.event is not None
    assert state.event.before.tobytes() == state.first_rows.tobytes()


# -- when all is clear again


def said(verdicts: list[Verdict]) -> list[State]:
    return [verdict.state for verdict in verdicts]


@pytest.mark.parametrize("stopped", [True, False])
def test_a_level_near_the_baseline_after_a_stop_may_be_another_jewel(stopped: bool) -> None:
    """Up by a tenth, then 3 % off: not back at the baseline, but jewels differ by as much."""
    opened = DRIFT_BLOCK + 10  # batches: long enough to be watched from there
    growth = np.repeat([0.0, 0.1, 0.03], [20, opened, 120])
    rows = after_first(growth)
    rows["stops"] = stopped * (np.arange(len(growth)) >= 20 + opened)
    watch = quiet_watch()
    told = watch.learn_many(rows)[1]
    state = watch.monitor
    assert isinstance(state, Watching)
    assert state.expected.offset == pytest.approx(0.03, abs=0.005)  # what is watched from now on
    assert said(told) == [State.OPENED, State.SOUND][: 1 + stopped]
    assert ("if the jewel was changed then, record it" in watch.reason) == stopped
    if stopped:
        assert max(told[1].probability, watch.verdict().probability) < 0.01
        again = batches(np.full(40, 0.13), start=FIRST + len(growth), weep_rise=5.0, load_ratio=3.0)
        again["stops"] = 1
        assert said(watch.learn_many(again)[1]) == [State.OPENED]


@pytest.mark.parametrize(("weep", "clear"), [(14.0, False), (11.0, True)])
def test_a_signal_that_told_is_back_once_it_is_half_way_to_its_limit(
    weep: float, clear: bool
) -> None:
    """5 K while sound, 15 K the limit of its rise."""
    watch = quiet_watch()
    assert said(watch.learn_many(after_first(np.zeros(60), **LEAKS))[1]) == [State.OTHER_FAULT]
    mended = batches(np.zeros(60), start=FIRST + 60, weep_rise=weep, load_ratio=3.0)
    assert said(watch.learn_many(mended)[1]) == [State.SOUND] * clear
    if clear:  # and is heard again
        leaks = batches(np.zeros(60), start=FIRST + 120, **LEAKS)
        assert said(watch.learn_many(leaks)[1]) == [State.OTHER_FAULT]


def test_a_signal_that_told_nothing_is_heard_again_a_third_further_off() -> None:
    """Weep lines that went to and fro by themselves, 16 K up: that may be the weather."""
    weep = SIGNALS.index("weep_rise")

    def wanders(state: Watching) -> dict[str, Any]:
        stretches = np.full((40, len(SIGNALS)), np.nan)
        stretches[:, weep] = np.tile([-15.0, 25.0], 20)
        return {"stretches": stretches}

    case = Case(P.QUIET, Stop.SIGNAL, P.QUIET, NONE, signals={"weep_rise": 21.0}, changes=wanders)
    after, notices = transition(*at(case))
    assert isinstance(after, Watching)
    assert (after.event, notices) == (None, ())
    assert after.signals.limit[weep] == pytest.approx(1.3 * 16.0)
    calm = replace(case, to=P.SIGNAL, changes=lambda state: {})
    after, _ = transition(*at(calm))
    assert phase_of(after) is P.SIGNAL
    assert after.signals.limit[weep] == np.inf  # told once


@pytest.mark.parametrize(("flow", "clear"), [(0.02, False), (0.01, True)])
def test_a_closed_jet_that_told_is_back_once_it_passes_half_of_what_is_usual(
    flow: float, clear: bool
) -> None:
    """3 % of the working flow is a matter."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST), **LEAKS))
    assert idle_after(watch, [0.0] * 12, FIRST) == []
    assert idle_after(watch, [0.1] * 4, FIRST + 24) == [State.OTHER_FAULT]
    idle_after(watch, [flow] * 4, FIRST + 32)
    watch.learn_many(batches(np.zeros(60), start=FIRST + 40, **LEAKS))
    assert (watch.state is State.SOUND) == clear


@pytest.mark.parametrize("before", GRADUAL)
def test_a_step_that_comes_to_nothing_leaves_what_was_told(before: Phase) -> None:
    state, seen = at(Case(P.STEP_FOUND, Stop.FOLLOW, before, NONE, changes=over(before)))
    running = state.running._replace(up=9.0, down=9.0)
    state = replace(
        state, running=running, told=State.OPENED, past=state.past._replace(opened=True)
    )
    found, _ = transition(state, seen)
    assert isinstance(found, Watching)
    assert (found.told, found.reason) == (State.OTHER_FAULT, "as it was")
    assert not found.past.opened
    assert found.detector.standing == found.running.probability == 0.2
    assert found.running.up == found.running.down == 0.0
    assert found.detector.since == found.running.taken
    assert found.block == Block()


# -- what is too little to tell


@pytest.mark.parametrize(
    ("growth", "unsure", "told"),
    [
        (0.015, 0.005, []),  # less than the 2 % at which wear is reported
        (0.03, 0.005, [State.WEARING]),
        (0.03, 0.02, []),  # within two standard uncertainties of the level
        (-0.03, 0.005, []),  # less than the smallest step: no bore shrinks
        (-0.05, 0.005, [State.OTHER_FAULT]),
    ],
)
def test_slow_growth_is_told_once_it_is_sure(
    growth: float, unsure: float, told: list[State]
) -> None:
    watch = quiet_watch(level_uncertainty=unsure)
    rows = after_first(np.linspace(0.0, growth, 600))
    rows["jet_seconds"] *= 20.0
    assert said(watch.learn_many(rows)[1]) == told


@pytest.mark.parametrize("batches_of_wear", [500, 530, 600])
def test_wear_is_told_at_its_limit_within_two_values_of_the_line(batches_of_wear: int) -> None:
    """However long ago it was told that the jewel wears."""
    growth = np.linspace(0.0, 0.12, batches_of_wear)
    rows = after_first(growth)
    rows["jet_seconds"] *= 20.0
    wearing, opened = quiet_watch().learn_many(rows)[1]
    assert (wearing.state, opened.state) == (State.WEARING, State.OPENED)
    reached = rows["end_ns"][np.searchsorted(growth, np.log(1.08))]
    assert 0 < opened.time_ns - reached <= 2 * DRIFT_BLOCK * 30 * SECOND


def test_jets_at_low_pressure_tell_nothing_with_other_heads_or_before_a_steady_one() -> None:
    watch = quiet_watch()
    watch.learn_many(batches([0.5] * 2, BatchKind.LOW, FIRST, weep_rise=5.0))
    assert phase_of(watch.monitor) is P.QUIET
    watch.learn_many(batches([0.0] * 5, start=FIRST + 2, weep_rise=5.0, load_ratio=3.0))
    watch.learn_many(batches([0.7] * 4, BatchKind.LOW, FIRST + 7, heads=2.0, weep_rise=5.0))
    assert phase_of(watch.monitor) is P.QUIET
    # nor do they count as one of two in a row
    watch.learn_many(batches([0.5], BatchKind.LOW, FIRST + 11, weep_rise=5.0))
    assert len(watch.monitor.idle[BatchKind.LOW].recent) == 3
    watch.learn_many(batches([0.5], BatchKind.LOW, FIRST + 12, weep_rise=5.0))
    assert phase_of(watch.monitor) is P.LOW_PRESSURE


def test_while_it_learns_it_says_how_far_it_is() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    assert watch.reason == "no steady cutting yet"
    watch.learn_many(batches(np.zeros(10)))
    assert watch.reason == "learning this jewel: 3 of 10 min"


def test_of_batches_of_another_kind_the_first_and_the_newest_sixty_are_kept() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST - 1)))
    watch.learn_many(batches(np.zeros(70), BatchKind.STOPPED, FIRST))
    idle = watch.monitor.idle[BatchKind.STOPPED]
    starts = [b.start_ns // (30 * SECOND) - FIRST for b in idle.first]
    assert starts == list(range(60))
    assert [b.start_ns // (30 * SECOND) - FIRST for b in idle.recent] == list(range(10, 70))


def test_wear_within_its_notice_does_not_take_a_step_to_the_limit() -> None:
    """7 % at once and 1.8 % by and by are beyond 8 %, but the latter is still no news."""

    def changes(state: Watching) -> dict[str, Any]:
        setup = state.setup._replace(settings=WatchSettings(level_uncertainty=0.001))
        return {**worn(0.018)(state), **stepped(0.07)(state), "setup": setup}

    state, seen = at(Case(P.STEP, Stop.BLOCK, P.STEP, NONE, changes=changes))
    found, _ = transition(replace(state, told=State.CANNOT_TELL), seen)
    assert found.told is State.CANNOT_TELL

"""The verdict: its words and places are stored, so they stay; and what it says in each phase."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from borewarden.diagnose.causes import Cause
from borewarden.gate.batch import HEADS
from borewarden.physics.pump import DirectDrive
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import StepEvent, Watching
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.summary import verdict_of
from borewarden.watcher.verdict import STATES, HeadBelief, State, Verdict
from invented_watch import AREA, BATCH_TIME, FIRST, PUMP, RUBY, SECOND, batches, quiet_watch


def test_places_of_the_states_are_those_in_stored_rows() -> None:
    assert [state.value for state in STATES] == [
        "learning",
        "sound",
        "wearing",
        "probably opened up",
        "probably another fault",
        "not the stated bore",
        "cannot tell",
    ]


@pytest.mark.parametrize("state", State)
def test_every_state_has_a_status_of_ne_107(state: State) -> None:
    words = {
        "function check",
        "good",
        "maintenance required",
        "failure",
        "out of specification",
    }
    assert state.ne107 in words


def test_only_sound_is_good() -> None:
    assert [state for state in State if state.ne107 == "good"] == [State.SOUND]


def test_verdict_does_not_change() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        quiet_watch().verdict().state = State.OPENED  # type: ignore[misc]


def test_before_any_batch() -> None:
    fitted = dataclasses.replace(RUBY, fitted_ns=5 * SECOND, jet_hours=3.0)
    verdict = BoreWatch(PUMP, [fitted], WatchSettings()).verdict()
    assert verdict.state is State.LEARNING
    assert verdict.time_ns == 5 * SECOND
    assert verdict.jet_hours == 3.0
    assert verdict.nominal_bore == pytest.approx(RUBY.bore)
    assert np.isnan([verdict.bore, verdict.area_ratio, verdict.discharge_coefficient]).all()
    assert (verdict.causes, verdict.check, verdict.onset_ns) == ((), "", None)
    assert verdict.hours_to_limit is None


@pytest.mark.parametrize(
    ("hours", "known", "words"),
    [(0.5, False, "not told in the first 2 jet hours"), (5.0, False, "told late"), (0.5, True, "")],
)
def test_sound_says_what_a_floating_crank_can_not_show_yet(
    hours: float, known: bool, words: str
) -> None:
    """Without a valve signal a closed jet may look like a larger bore."""
    watch = quiet_watch()
    pump = DirectDrive(3, 0.0085, 0.032, 0.3e-6, 8.4, 410e6, 30e3)
    state = watch.monitor
    state = dataclasses.replace(
        state,
        setup=state.setup._replace(pump=pump),
        running=state.running._replace(hours=state.reference.earlier_hours + hours),
    )
    ring = watch._ring.copy()
    ring["closed_known"] = known
    ring["signals"][:, HEADS] = np.nan
    reason = verdict_of(state, ring).reason
    assert reason.startswith("no change since this jewel was learned")
    assert words in reason
    assert ("valve signal" in reason) is not known


def test_of_a_sound_bore() -> None:
    verdict = quiet_watch().verdict()
    assert verdict.state is State.SOUND
    assert verdict.reason == "no change since this jewel was learned"
    assert verdict.bore == pytest.approx(RUBY.bore, rel=2e-3)
    assert verdict.area_ratio == pytest.approx(1.0, abs=2e-3)
    assert verdict.jet_hours == pytest.approx(FIRST * BATCH_TIME / 3600.0)
    assert verdict.overstroke_margin == pytest.approx(
        1.0 - verdict.rate_seen / PUMP.max_stroke_rate
    )
    assert verdict.pressure_expected == verdict.pressure_seen  # the oil side holds it
    assert verdict.hours_to_limit is not None
    assert verdict.hours_to_limit.high == np.inf


def test_of_a_wrong_bore_tells_what_was_learned() -> None:
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.full(FIRST, 0.4)))
    verdict = watch.verdict()
    assert verdict.state is State.NOT_STATED_BORE
    assert verdict.discharge_coefficient == pytest.approx(0.65 * np.exp(0.4), rel=3e-3)
    assert verdict.hours_to_limit is None
    assert "mm" in verdict.reason


def test_of_a_chip_tells_step_onset_causes_and_a_check() -> None:
    watch = quiet_watch()
    growth = np.where(np.arange(60) < 20, 0.0, 0.1)
    watch.learn_many(batches(growth, start=FIRST, weep_rise=5.0, load_ratio=3.0))
    verdict = watch.verdict()
    assert verdict.state is State.OPENED
    assert np.log1p(verdict.step) == pytest.approx(0.1, abs=0.01)
    assert verdict.onset_ns is not None
    assert abs(verdict.onset_ns / SECOND - 30.0 * (FIRST + 20)) <= 30.0
    assert verdict.check
    first = verdict.causes[0]
    assert sum(belief.probability for belief in verdict.causes) == pytest.approx(1.0)
    assert verdict.probability == pytest.approx(first.probability)


def test_a_step_that_is_not_told_yet_leaves_the_causes_of_what_was_told() -> None:
    """After a chip, short cuts make the area look smaller: nothing blocks, and nothing is told."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings())
    watch.learn_many(batches(np.zeros(FIRST)))
    watch.learn_many(batches(np.full(100, np.log(1.08)), start=FIRST))
    told = watch.verdict()
    watch.learn_many(batches(np.full(30, np.log(0.85)), start=FIRST + 100))
    assert isinstance(watch.monitor, Watching)
    event = watch.monitor.event
    assert isinstance(event, StepEvent)
    assert event.sign < 0.0
    assert event.weighed is not None
    assert event.weighed.beliefs[0].cause is Cause.BLOCKED
    now = watch.verdict()
    assert (now.state, now.reason, now.causes, now.onset_ns, now.step) == (
        State.OPENED,
        told.reason,
        told.causes,
        told.onset_ns,
        told.step,
    )
    # once it has lasted, it is told
    watch.learn_many(batches(np.full(200, np.log(0.85)), start=FIRST + 130))
    assert watch.verdict().onset_ns != told.onset_ns


def test_asking_changes_nothing() -> None:
    watch = quiet_watch()
    watch.learn_many(batches(np.full(20, 0.1), start=FIRST, weep_rise=5.0, load_ratio=3.0))
    verdict = watch.verdict()
    first = repr(verdict)
    state = watch.monitor
    assert isinstance(state, Watching)
    assert verdict_of(state, watch._ring).reason == verdict.reason
    assert repr(watch.verdict()) == first


def test_crank_pump_of_fixed_speed_should_show_its_pressure(direct_drive: DirectDrive) -> None:
    pump = dataclasses.replace(direct_drive)
    watch = BoreWatch(pump, [RUBY], WatchSettings())
    rows = batches(np.zeros(FIRST))
    rows["rate"] = 8.4
    watch.learn_many(rows)
    verdict = watch.verdict()
    assert verdict.overstroke_margin is None
    assert verdict.pressure_expected == pytest.approx(
        float(pump.expected_pressure(AREA, 293.15, 8.4)), rel=2e-3
    )


def test_a_verdict_needs_no_evidence() -> None:
    fields = {f.name for f in dataclasses.fields(Verdict) if f.default is not dataclasses.MISSING}
    assert {"onset_ns", "causes", "check", "hours_to_limit"} <= fields


@pytest.mark.parametrize(
    ("chances", "suspects"),
    [
        ((), ""),
        ((0.5, 0.46, 0.04), "head 1 or 2"),
        ((0.04, 0.06, 0.9), "head 3"),
        ((0.05, 0.06, 0.89), "head 1 or 2 or 3"),
    ],
)
def test_heads_that_are_not_unlikely_are_suspected(
    chances: tuple[float, ...], suspects: str
) -> None:
    heads = tuple(HeadBelief(str(k), chance) for k, chance in enumerate(chances, start=1))
    assert dataclasses.replace(quiet_watch().verdict(), heads=heads).suspects == suspects

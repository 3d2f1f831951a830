"""Days drawn at random are what they say they are, and the same again by the same seed."""

from __future__ import annotations

import dataclasses
import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from borewarden.diagnose.causes import Cause
from borewarden.diagnose.signatures import BROKEN
from borewarden.physics.pump import DirectDrive, Intensifier
from borewarden.simulate.day import duty, log_day
from borewarden.simulate.draw import PUMPS, PumpKind, causes_of, draw_day
from borewarden.simulate.plant import STEP

CASES = [(kind, cause) for kind in ("intensifier", "direct drive") for cause in causes_of(kind)]
SEEDS = range(8)


def test_same_seed_same_day() -> None:
    first, again = draw_day(3), draw_day(3)
    assert first == again
    assert first != draw_day(4)
    samples = [log_day(d.day, d.pump, d.jewel) for d in (first, again)]
    for a, b in zip(*samples, strict=True):
        assert np.array_equal(a, b, equal_nan=True)


def jet_around(seed: int, kind: PumpKind, cause: Cause) -> tuple[float, float]:
    """Seconds of jet that the duty of a drawn day has before and after what happens."""
    drawn = draw_day(seed, kind=kind, cause=cause)
    day = drawn.day
    names, steps = duty(day, np.random.default_rng(day.seed))
    ends = np.cumsum(steps) * STEP
    zone = ZoneInfo(day.time_zone)
    midnight = dt.datetime.combine(day.first, dt.time(), zone).timestamp()
    assert drawn.truth.at_ns is not None
    at = drawn.truth.at_ns / 1e9 - midnight
    jet = (names == "pierce") | (names == "cut")
    before = np.clip(at - (ends - steps * STEP), 0.0, steps * STEP)
    return float(before[jet].sum()), float((steps * STEP - before)[jet].sum())


@pytest.mark.parametrize(("kind", "cause"), CASES)
def test_each_cause_has_enough_jet_before_and_after(kind: PumpKind, cause: Cause) -> None:
    for seed in SEEDS:
        drawn = draw_day(seed, kind=kind, cause=cause)
        assert drawn.truth.cause is cause
        assert [fault.cause for fault in drawn.day.faults] == [cause]
        assert isinstance(drawn.pump, Intensifier if kind == "intensifier" else DirectDrive)
        before, after = jet_around(seed, kind, cause)
        assert before >= 1500.0 - 0.1
        assert after >= 2400.0 - 0.1


@pytest.mark.parametrize(("kind", "cause"), CASES)
def test_sizes_can_be_seen(kind: PumpKind, cause: Cause) -> None:
    changes = [draw_day(seed, kind=kind, cause=cause).truth.area_change for seed in range(40)]
    # a transducer's error counts half, and may lie below what any watcher could see
    least = 0.012 if cause is Cause.TRANSDUCER else 0.025
    assert np.all(np.abs(changes) > least)
    if cause in (Cause.LEAK, Cause.BLOCKED, Cause.FEED, Cause.SLIP, Cause.BYPASS):
        assert np.all(np.abs(changes) < 0.26)
    if cause is Cause.BORE:  # seldom, most of the jewel goes
        broken = [change for change in changes if change > 0.26]
        assert len(broken) <= 4
        assert all(BROKEN[0] < change < BROKEN[1] for change in broken)
    if cause is Cause.BLOCKED:
        assert np.all(np.array(changes) < 0.0)


@pytest.mark.parametrize("kind", ["intensifier", "direct drive"])
def test_without_a_fault_the_machine_cuts_at_its_pressure(kind: PumpKind) -> None:
    scenarios = set()
    for seed in SEEDS:
        drawn = draw_day(seed, kind=kind, signals="full", cause="none")
        assert drawn.truth.cause is None
        scenarios.add(drawn.truth.scenario)
        samples = log_day(drawn.day, drawn.pump, drawn.jewel)
        open_for = (samples.valve >= 1.0) & (np.roll(samples.valve, 20) >= 1.0)
        working = np.nanmedian(samples.pressure[open_for])
        assert 0.7 < working / drawn.pump.rated_pressure < 1.05
        assert np.nanmax(samples.valve) == (
            2.0 if drawn.truth.scenario == "planned second head" else 1.0
        )
    assert len(scenarios) >= 3


def test_any_draws_all_sorts_of_days() -> None:
    drawn = [draw_day(seed) for seed in range(300)]
    assert {d.truth.cause for d in drawn} == {None, *Cause} - {Cause.UNKNOWN}
    assert {d.machine for d in drawn} == set(PUMPS)
    sound = np.mean([d.truth.cause is None for d in drawn])
    assert 0.17 < sound < 0.33  # one in four


def test_fault_is_seen_at_the_time_that_the_truth_says() -> None:
    drawn = draw_day(5, kind="direct drive", signals="full", cause=Cause.BORE)
    fault = dataclasses.replace(drawn.day.faults[0], ramp=0.0, size=0.2)
    day = dataclasses.replace(drawn.day, faults=(fault,))
    sound = log_day(dataclasses.replace(day, faults=()), drawn.pump, drawn.jewel)
    opened = log_day(day, drawn.pump, drawn.jewel)
    apart = np.abs(sound.pressure - opened.pressure) > 1e6
    assert drawn.truth.at_ns is not None
    late = (sound.time_ns[np.argmax(apart)] - drawn.truth.at_ns) * 1e-9
    assert 0.0 <= late < 3.0 * day.sample_time


def test_an_intensifier_is_not_asked_for_a_slipping_belt() -> None:
    with pytest.raises(ValueError, match="no intensifier has the cause SLIP"):
        draw_day(1, kind="intensifier", cause=Cause.SLIP)

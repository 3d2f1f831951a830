"""Drawn days on which an earlier watcher blamed the wrong thing, watched from end to end."""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from borewarden.diagnose.causes import Cause
from borewarden.gate.gate import GateSettings
from borewarden.physics.pump import Intensifier
from borewarden.settings import load_machine
from borewarden.simulate.day import Chip, Day, log_day
from borewarden.simulate.draw import Drawn, draw_day
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Learned, Watcher


@lru_cache
def watched(seed: int) -> tuple[Drawn, Watcher, Learned]:
    """A day with all signals, and what came of it."""
    drawn = draw_day(seed, signals="full")
    samples = log_day(drawn.day, drawn.pump, drawn.jewel)
    rated = drawn.pump.rated_pressure
    gate = GateSettings(
        nominal_area=0.0,
        max_rate=drawn.pump.max_rate,
        max_pressure=1.3 * rated,
        working_pressure=0.6 * rated,
        stopped_pressure=0.05 * rated,
        uses_counter=bool(np.isfinite(samples.stroke_count).any()),
        flow_shows_jet=isinstance(drawn.pump, Intensifier),
    )
    watcher = Watcher(drawn.pump, gate, [drawn.jewel])
    return drawn, watcher, watcher.learn_many(samples)


@pytest.mark.parametrize(
    ("seed", "cause"),
    [
        (900025, Cause.LEAK),  # an inlet check, which gets hotter while dead-headed than cutting
        (910712, Cause.LEAK),  # of both seals, with the weep line all but boiling
        (920141, Cause.LEAK),  # with a pause just after it began, in which the valve cools
        (910443, Cause.BYPASS),  # whose line is not yet hot when the area steps
        (920438, Cause.BYPASS),  # and which lets the pump no longer reach its working pressure
        (900448, Cause.FEED),  # that surges, so that steps come to nothing
    ],
)
def test_bore_is_not_blamed_for_what_another_fault_did(seed: int, cause: Cause) -> None:
    drawn, _, learned = watched(seed)
    assert drawn.truth.cause is cause
    states = {alert.verdict.state for alert in learned.alerts}
    assert State.OPENED not in states
    assert State.OTHER_FAULT in states
    named = [a.verdict for a in learned.alerts if a.verdict.state is State.OTHER_FAULT]
    assert named[-1].causes[0].cause is cause


def test_a_small_leak_that_nothing_else_shows_is_left_open() -> None:
    """3 % at a check valve that warms by a few kelvin: more like a bore, and not surely enough."""
    drawn, _, learned = watched(910328)
    assert drawn.truth.cause is Cause.LEAK
    assert {alert.verdict.state for alert in learned.alerts} == {State.CANNOT_TELL}
    assert Cause.LEAK in [belief.cause for belief in learned.alerts[-1].verdict.causes[:2]]


def test_step_that_comes_to_nothing_gives_way_to_what_was_there_before() -> None:
    """A feed that surges looks like a step for some minutes; then it is the slow event again."""
    _, watcher, learned = watched(900448)
    assert watcher.verdict().onset_ns is None
    assert watcher.verdict().state is learned.alerts[-1].verdict.state


def test_bore_that_looked_like_starving_feed_for_a_batch_is_first_told_as_the_bore() -> None:
    """Pressure and crank speed alone: nothing makes it surer than some 70 % that it is the bore.

    It looked like a feed that starves while its shape was not known: until then nothing is told.
    """
    machine = load_machine(Path(__file__).parents[2] / "config" / "south.toml")
    pump, zone = machine.build_pump(), machine.time_zone
    chip = Chip(dt.datetime(2026, 3, 3, 11, 59, 25), 0.047, 1.08 / 1.047 - 1.0)
    day = Day(dt.date(2026, 3, 3), 1, 1010, zone, 0.70, chips=(chip,))
    alerts = machine.build_watcher().learn_many(log_day(day, pump, machine.jewels()[0])).alerts
    named = [alert.verdict.causes[0].cause for alert in alerts]
    assert set(named) == {Cause.BORE}
    assert alerts[-1].verdict.state is State.OPENED

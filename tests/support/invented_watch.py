"""A watch over invented batches, of an invented intensifier with one ruby."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.step import Step
from borewarden.detect.wear import Drift
from borewarden.gate.batch import BATCH, HEADS, SIGNALS, BatchKind
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import Intensifier
from borewarden.watcher.bore_watch import BoreWatch
from borewarden.watcher.events import (
    Event,
    LowPressureEvent,
    Phase,
    Returning,
    Sharpening,
    SignalEvent,
    SlowEvent,
    StepEvent,
    Undo,
    Watching,
)
from borewarden.watcher.settings import WatchSettings

PUMP = Intensifier(0.022, 0.2, 8e-6, 20.0, 1.0, 400e6, 37e3)
RUBY = Jewel(0.254e-3, "ruby", 0)
AREA = 0.65 * float(bore_area(RUBY.bore))
SECOND = 10**9
BATCH_TIME = 20.0  # s
PRESSURE = 380e6  # Pa
FIRST = 30  # batches of 20 s in the ten minutes that a baseline takes


def batches(
    growth: Sequence[float] | NDArray[np.float64],
    kind: BatchKind = BatchKind.STEADY,
    start: int = 0,
    noise: float = 0.002,
    **signals: float,
) -> NDArray[np.void]:
    """Batches whose log area is `growth` off the stated one, numbered from `start` on.

    Of a dead-headed pump `growth` is the flow as a share of the working one. `signals` that are
    not given are not known; one head is on.
    """
    n = len(growth)
    made = np.zeros(n, dtype=BATCH)
    number = start + np.arange(n)
    off = np.asarray(growth, dtype=np.float64)
    made["kind"] = kind
    made["start_ns"] = number * 30 * SECOND
    made["end_ns"] = made["start_ns"] + 20 * SECOND
    made["time"] = BATCH_TIME
    made["jet_seconds"] = (number + 1) * BATCH_TIME
    wobble = noise * np.sin(37.0 * number)
    made["area"] = AREA * (off if kind is BatchKind.DEAD_HEAD else np.exp(off + wobble))
    made["resolution"] = 0.001 * AREA if kind is BatchKind.DEAD_HEAD else 0.001
    made["timing"], made["shared"] = 0.02, 0.01
    made["rate"] = 0.5 * np.exp(off)
    made["pressure"] = 190e6 if kind is BatchKind.LOW else PRESSURE
    made["temperature"] = 293.15
    made["signals"] = np.nan
    made["signals"][:, HEADS] = 1.0
    for name, value in signals.items():
        made["signals"][:, SIGNALS.index(name)] = value
    return made


def quiet_watch(**settings: float) -> BoreWatch:
    """A watch that has just learned its baseline, with signals of weep lines and oil known."""
    watch = BoreWatch(PUMP, [RUBY], WatchSettings(**settings))
    watch.learn_many(batches(np.zeros(FIRST), weep_rise=5.0, load_ratio=3.0))
    return watch


def wear(growth: float) -> Drift:
    """A line that has gone by `growth` in ten hours of jet, and goes on so."""
    line = Drift(0.001, 0.005)
    for hours in np.linspace(0.0, 10.0, 60):
        line.update(float(hours), growth * float(hours) / 10.0)
    return line


def event_of(phase: Phase, state: Watching, sign: float = 1.0) -> Event | None:
    """An event that puts `state` into `phase`; None for those without one."""
    common = {
        "sign": sign,
        "before": state.first_rows,
        "after": state.first_rows[-6:].copy(),
        "wear_then": state.wear,
        "batches": 40,
    }
    step = Step(0, 0.1 * sign, 0.005)
    onset = int(state.first_rows["end_ns"][-1])
    undo = Undo(None, state.told, state.reason, state.past, 0.0)
    found = {"step": step, "found_ns": onset + 60 * SECOND, "onset_ns": onset}
    made: dict[Phase, Event] = {
        Phase.STEP_FOUND: StepEvent(**common | {"look": Sharpening(undo), "batches": 0}, **found),
        Phase.STEP: StepEvent(**common, **found),
        Phase.STEP_BACK: StepEvent(**common | {"look": Returning(-sign), "batches": 0}, **found),
        Phase.SLOW: SlowEvent(**common),
        Phase.LOW_PRESSURE: LowPressureEvent(**common, step=step, onset_ns=onset),
        Phase.SIGNAL: SignalEvent(**common | {"sign": 0.0}),
    }
    return made.get(phase)


def watching(phase: Phase, **changes: object) -> Watching:
    """A state in `phase`, with other values for some of its fields."""
    state = quiet_watch().monitor
    assert isinstance(state, Watching)
    return replace(state, **{"event": event_of(phase, state)} | changes)

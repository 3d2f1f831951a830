"""What a watch has learned of the fitted jewel, how well, and what it has not seen yet."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.baseline import robust_scatter
from borewarden.detect.step import newest
from borewarden.diagnose.features import known_mean
from borewarden.gate.batch import BatchKind
from borewarden.physics.pump import DirectDrive, event_rate
from borewarden.watcher.events import Learning, LowPressureEvent, Monitor, StepEvent, Watching
from borewarden.watcher.monitor import RECENT


@dataclass(frozen=True)
class Known:
    """What is known of the jewel of `heads`, or of all jewels where that is "".

    `steady` are the seconds of steady jet that were taken to learn from, in `batches`, of `wanted`,
    from `first_ns` to `last_ns` (0 before the first);
    `jet_hours` how long the jet was on meanwhile. `coefficient` is the C_d that was learned with
    its relative standard uncertainty `coefficient_sd` beside the pump's own figures, and `noise`
    the scatter of the log of one batch; NaN before that. `dead_headed` counts batches of a closed
    jet under pressure, by which a leak is told from a larger bore, and `less_hours` are
    those of a jet that seems closed, in which the pump delivers much all the same. `mean_time` are
    the seconds, roughly, of which the stroke rate is a mean; 0 if not known, or of a counter.

    `rate`, 1/s, at `pressure`, Pa, is what the pump showed as that was learned, and `rate_now`, at
    `pressure_now`, what it takes to feed the area of the newest batches, to `now_ns`: `area_ratio`
    times the learned one. One of the two stays as it was.
    """

    heads: str
    steady: float
    wanted: float
    batches: int
    jet_hours: float
    coefficient: float
    coefficient_sd: float
    noise: float
    dead_headed: int
    emptied: int = 0
    emptied_sd: float = math.nan
    shut: int = 0
    first_ns: int = 0
    last_ns: int = 0
    less_hours: float = 0.0
    mean_time: float = 0.0
    rate: float = math.nan
    pressure: float = math.nan
    rate_now: float = math.nan
    pressure_now: float = math.nan
    area_ratio: float = math.nan
    now_ns: int = 0


def known_of(monitor: Monitor, ring: NDArray[np.void], wanted: float, heads: str = "") -> Known:
    """What the `monitor` knows; `wanted` are the seconds that it learns from.

    The newest batches are in `ring`, dtype `RING`.
    """
    rows = monitor.first if isinstance(monitor, Learning) else monitor.first_rows
    coefficient = spread = noise = math.nan
    if not isinstance(monitor, Learning):
        coefficient, noise = monitor.baseline.discharge_coefficient, monitor.noise.sigma
        spread = math.hypot(
            monitor.baseline.noise.sigma / max(len(rows), 1) ** 0.5,
            monitor.setup.settings.level_uncertainty,
        )
    swings = np.log(
        [b.area for kind in (BatchKind.FALL, BatchKind.RUN_DOWN) for b in monitor.idle[kind].first]
    )
    known = Known(
        heads=heads,
        steady=sum(float(row["time"]) for row in rows),
        wanted=wanted,
        batches=len(rows),
        jet_hours=monitor.watched_hours,
        coefficient=coefficient,
        coefficient_sd=spread,
        noise=noise,
        dead_headed=len(monitor.idle[BatchKind.DEAD_HEAD].first),
        first_ns=int(rows[0]["start_ns"]) if len(rows) else 0,
        last_ns=int(rows[-1]["end_ns"]) if len(rows) else 0,
        emptied=len(swings),
        emptied_sd=robust_scatter(swings) if len(swings) > 1 else math.nan,
        shut=len(monitor.idle[BatchKind.SHUT].first),
    )
    return known if isinstance(monitor, Learning) else _with_level(known, monitor, ring)


def _with_level(known: Known, monitor: Watching, ring: NDArray[np.void]) -> Known:
    """The same with the level that was learned, and what the newest batches make of it."""
    rows, learned = newest(ring, monitor.running.taken, RECENT), monitor.first_rows
    if isinstance(monitor.event, StepEvent | LowPressureEvent):
        since = rows[rows["start_ns"] >= monitor.event.onset_ns]
        rows = since if len(since) else rows
    pump, area, area_now = monitor.setup.pump, monitor.baseline.area, known_mean(rows["area"])
    pressure, rate, temperature = (
        known_mean(learned[name]) for name in ("pressure", "rate", "temperature")
    )
    pressure_now, rate_now = pressure, rate
    if monitor.setup.pressure_floats:
        assert isinstance(pump, DirectDrive)
        pressure_now = float(pump.reached_pressure(area_now, temperature, rate))
    else:
        rate_now = float(event_rate(pump.displacement, area_now, pressure, temperature))
    now_ns = int(rows["end_ns"][-1]) if len(rows) else 0
    return replace(
        known,
        rate=rate,
        pressure=pressure,
        rate_now=rate_now,
        pressure_now=pressure_now,
        area_ratio=area_now / area,
        now_ns=now_ns,
    )

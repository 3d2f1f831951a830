"""What a watch has learned of the fitted jewel, how well, and what it has not seen yet."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from borewarden.detect.baseline import robust_scatter
from borewarden.gate.batch import BatchKind
from borewarden.watcher.events import Learning, Monitor


@dataclass(frozen=True)
class Known:
    """What is known of the jewel of `heads`, or of all jewels where that is "".

    `steady` are the seconds of steady jet that were taken to learn from, in `batches`, of `wanted`,
    from `first_ns` to `last_ns` (0 before the first);
    `jet_hours` how long the jet was on meanwhile. `coefficient` is the C_d that was learned with
    its relative standard uncertainty `coefficient_sd` beside the pump's own figures, and `noise`
    the scatter of the log of one batch; NaN before that. `dead_headed` counts batches of a closed
    jet under pressure, by which a leak is told from a larger bore, and `less_hours` are
    those of a jet that seems closed, in which the pump delivers much all the same.
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


def known_of(monitor: Monitor, wanted: float, heads: str = "") -> Known:
    """What the `monitor` knows; `wanted` are the seconds that it learns from."""
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
    return Known(
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

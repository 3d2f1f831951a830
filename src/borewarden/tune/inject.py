"""A chip or wear that did not happen, put into samples that were truly logged.

The shop's own noise stays in them: only what a larger jet would have changed is changed. On an
intensifier that is how often it strokes while the jet is on; its pressure is held. On a crank pump
whose pressure floats it is the pressure, where the pump's flow meets the larger area; with a drive
that trims the speed to hold the pressure it is the speed. Pulsation, oil pressure and temperatures
are left as they were, and so is whatever a spilling bypass hides.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from borewarden.model.gate import Phase, Samples
from borewarden.physics.pump import DirectDrive, Intensifier, Pump, area_of_rate, event_rate

Floats = NDArray[np.float64]

_ON = np.array([Phase.RAMP, Phase.PIERCE, Phase.STEADY, Phase.BYPASS], dtype=np.int8)
IDLE_SHARE = 0.02  # of a working pump's strokes that a dead-headed one may make
WATER = 293.15  # K, where none is measured


def jet_on(phases: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Whether the jet was on at each sample, shape (n,); what was not seen is as it was before."""
    seen = np.where(phases == Phase.NO_DATA, 0, np.arange(len(phases)))
    on: NDArray[np.bool_] = np.isin(phases[np.maximum.accumulate(seen)], _ON)
    return on


def inject(
    samples: Samples,
    on: NDArray[np.bool_],
    growth: Floats,
    pump: Pump,
    stopped_pressure: float,
    strokes_per_count: float = 1.0,
) -> Samples:
    """`samples` as they would be with the effective area larger by `growth` (relative).

    `on` and `growth` have shape (n,); `stopped_pressure` in Pa, below which the jet takes nothing.
    A stroke counter is worked out from its own edges, so the samples should begin a stroke or more
    before the growth does. Raises ValueError where the pump could not feed the larger jet: an
    intensifier beyond its overstroke limit, a crank pump at no pressure at all.
    """
    factor = np.where(on, 1.0 + growth, 1.0)
    water = np.where(np.isfinite(samples.temperature), samples.temperature, WATER)
    if isinstance(pump, Intensifier):
        return _faster_strokes(samples, on, factor, water, pump, strokes_per_count)
    if pump.regulation == "speed":
        return samples._replace(rate=samples.rate * factor)
    return _less_pressure(samples, factor, water, pump, stopped_pressure)


def _faster_strokes(
    samples: Samples,
    on: NDArray[np.bool_],
    factor: Floats,
    water: Floats,
    pump: Intensifier,
    strokes_per_count: float,
) -> Samples:
    rate = samples.rate * factor
    steady = np.isfinite(rate) & (factor > 1.0)
    if np.count_nonzero(steady) and float(np.median(rate[steady])) > pump.max_stroke_rate:
        raise ValueError("the pump would overstroke with so much larger a jet")
    pressure = np.maximum(np.nan_to_num(samples.pressure), 1.0)
    weight = np.asarray(event_rate(pump.displacement, 1.0, pressure, water))
    weight = weight / max(float(np.max(weight)), 1e-12) * np.where(on, 1.0, IDLE_SHARE)
    return samples._replace(
        rate=rate,
        stroke_count=_counted(
            samples.stroke_count, samples.time_ns, weight, factor, strokes_per_count
        ),
        left_stroke_time=samples.left_stroke_time / factor,
        right_stroke_time=samples.right_stroke_time / factor,
    )


def _counted(
    count: Floats, time_ns: NDArray[np.int64], weight: Floats, factor: Floats, quantum: float
) -> Floats:
    """What a counter shows where the strokes between its edges come `factor` times as fast.

    Between two edges the plunger is taken to move in proportion to `weight`. A counter that goes
    back or leaps was reset, and does so here.
    """
    known = np.flatnonzero(np.isfinite(count))
    if len(known) < 2:
        return count
    c = count[known]
    moved = np.diff(c, prepend=c[0])
    done = np.cumsum(weight[known] * np.diff(time_ns[known], prepend=time_ns[known[0]]) * 1e-9)
    edges = np.flatnonzero(moved != 0.0)
    if len(edges) < 2:
        return count
    spans, strokes = np.diff(done[edges]), moved[edges[1:]]
    usual = float(np.median(strokes / np.maximum(spans, 1e-9)))
    sound = (strokes > 0.0) & (strokes <= 3.0 * quantum + 3.0 * usual * spans)
    pace = np.where(sound, strokes / np.maximum(spans, 1e-9), 0.0)
    # before the first edge and after the last one the pace is the usual one
    which = np.searchsorted(edges, np.arange(len(c)), side="left")
    paces = np.concatenate([[usual], pace, [usual]])[which]
    steps = paces * np.diff(done, prepend=done[0])
    reset = np.zeros(len(c))
    reset[edges[1:]] = np.where(sound, 0.0, strokes)
    began = c[edges[0]] - float(np.sum(steps[: edges[0] + 1]))
    gained = np.cumsum(steps * factor[known] + reset)
    shown = count.copy()
    shown[known] = c[0] + quantum * np.floor((began + gained - c[0]) / quantum + 1e-6)
    return np.where(shown < 0.0, count, shown)


def _less_pressure(
    samples: Samples, factor: Floats, water: Floats, pump: DirectDrive, stopped_pressure: float
) -> Samples:
    p, rate = samples.pressure, samples.rate
    spills = pump.regulation == "bypass"
    known = np.isfinite(p) & np.isfinite(rate) & (rate > 0.0) & (factor != 1.0)
    known &= p > stopped_pressure
    if spills:
        known &= p < 0.99 * pump.rated_pressure
    pressure = p.copy()
    if np.any(known):
        # each reading has an area of its own, so that its noise stays with it
        area = area_of_rate(pump.displacement, rate[known], p[known], water[known])
        pressure[known] = pump.expected_pressure(area * factor[known], water[known], rate[known])
    return samples._replace(pressure=pressure)

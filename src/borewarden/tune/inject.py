"""A chip or wear that did not happen, put into samples that were truly logged.

The shop's own noise stays in them: only what a larger jet would have changed is changed. On an
intensifier that is how often it strokes while the jet is on; its pressure is held. On a crank pump
whose pressure floats it is the pressure, which falls within seconds to where the pump's flow meets
the larger area; with a drive that trims the speed to hold the pressure it is the speed. Pulsation,
oil pressure and temperatures are left as they were, and so is whatever a spilling bypass hides.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import Samples
from borewarden.gate.batch import Phase
from borewarden.physics.pump import DirectDrive, Intensifier, Pump, area_of_rate, event_rate

Floats = NDArray[np.float64]

_ON = np.array([Phase.RAMP, Phase.PIERCE, Phase.STEADY, Phase.BYPASS], dtype=np.int8)
WATER = 293.15  # K, where none is measured
# s in which the water of attenuator and chambers lets the pressure of a crank pump fall to a new
# level (1/e). That of the virtual pump, whose attenuator of 1.2 litres is invented; it goes with
# the volume, which no machine file states.
RELAXATION = 4.5


def jet_on(phases: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Whether the jet was on at each sample, shape (n,); what was not seen is as it was before."""
    seen = np.where(np.isin(phases, (Phase.NO_DATA, Phase.UNUSABLE)), 0, np.arange(len(phases)))
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
    water = np.where(np.isfinite(samples.temperature), samples.temperature, WATER)
    if isinstance(pump, Intensifier):
        return _faster_strokes(samples, on, growth, water, pump, strokes_per_count)
    factor = np.where(on, 1.0 + growth, 1.0)
    if pump.regulation == "speed":
        rate = samples.rate * factor
        if _median(rate[factor > 1.0]) > pump.max_rate:
            raise ValueError("the drive could not turn fast enough for so much larger a jet")
        return samples._replace(rate=rate)
    return _less_pressure(samples, factor, water, pump, stopped_pressure)


def _faster_strokes(
    samples: Samples,
    on: NDArray[np.bool_],
    growth: Floats,
    water: Floats,
    pump: Intensifier,
    strokes_per_count: float,
) -> Samples:
    factor = np.where(on, 1.0 + growth, 1.0)
    rate = samples.rate * factor
    if _median(rate[factor > 1.0]) > pump.max_stroke_rate:
        raise ValueError("the pump would overstroke with so much larger a jet")
    pressure = np.maximum(np.nan_to_num(samples.pressure), 1.0)
    # what a unit of area would make it stroke, were the jet on
    draw = np.asarray(event_rate(pump.displacement, 1.0, pressure, water))
    return samples._replace(
        rate=rate,
        stroke_count=_counted(samples, on, draw, 1.0 + growth, strokes_per_count),
        left_stroke_time=samples.left_stroke_time / factor,
        right_stroke_time=samples.right_stroke_time / factor,
    )


def _median(rate: Floats) -> float:
    known = rate[np.isfinite(rate)]
    return float(np.median(known)) if len(known) else 0.0


def _counted(
    samples: Samples, on: NDArray[np.bool_], draw: Floats, factor: Floats, quantum: float
) -> Floats:
    """What a counter shows where the strokes that the jet takes come `factor` times as fast.

    Between two edges with the jet on the plunger moves in proportion to `draw`. Where the jet was
    closed and opened again in between, nobody saw how far into the stroke: as one closes as likely
    here as there, those parts are spread evenly over the strokes, and the plunger stands still in
    between. A counter that goes back or leaps was reset, and does so here.
    """
    count = samples.stroke_count
    known = np.flatnonzero(np.isfinite(count))
    c, seconds = count[known], samples.time_ns[known] * 1e-9
    edges = np.flatnonzero(np.diff(c, prepend=c[:1]) != 0.0)
    if len(edges) < 2:
        return count
    done = np.cumsum(draw[known] * np.diff(seconds, prepend=seconds[0]))
    strokes, spans = np.diff(c[edges]), np.maximum(np.diff(done[edges]), 1e-12)
    # of each sample: the span between edges that it lies in, the first edge's sample not included
    span = np.searchsorted(edges, np.arange(len(c))) - 1
    inside = (span >= 0) & (span < len(strokes))
    jet = np.bincount(span[inside], weights=on[known][inside], minlength=len(strokes))
    whole = np.bincount(span[inside], minlength=len(strokes))
    pace = strokes / spans
    running = (jet == whole) & (strokes > 0.0)
    usual = float(np.median(pace[running])) if running.any() else float(np.median(pace))
    reset = (strokes < 0.0) | (strokes > 3.0 * quantum + 3.0 * usual * spans)
    broken = (jet > 0.0) & (jet < whole) & ~reset

    k = np.clip(span, 0, len(strokes) - 1)
    since = done - done[edges[k]]
    ended = np.isin(np.arange(len(c)), edges)
    share = np.where(ended, 1.0, since / spans[k])
    # broken spans: at the usual pace until the jet closes, and again from when it opens
    before = np.minimum(usual * since, strokes[k] * (0.618034 * (k + 1.0) % 1.0))
    after = strokes[k] - usual * (spans[k] - since)
    part_way = np.where(ended, strokes[k], np.clip(after, before, strokes[k]))
    moved = np.where(broken[k], part_way, strokes[k] * share)
    moved = np.where(reset[k] & ~ended, 0.0, moved)
    # it had not reached the next count where that did not show
    moved = np.where(ended, moved, np.minimum(moved, (1.0 - 1e-5) * quantum))
    at = np.where(inside, c[edges[k]] + moved, c)
    # beyond the outer edges the pace is the usual one, as far as the next edge was not reached
    early = np.arange(len(c)) <= edges[0]
    at[early] = c[edges[0]] - np.minimum(usual * (done[edges[0]] - done[early]), quantum)
    late = np.arange(len(c)) > edges[-1]
    at[late] = c[edges[-1]] + np.minimum(usual * (done[late] - done[edges[-1]]), 0.999 * quantum)

    by_jet = np.where(inside, ((running & ~reset) | broken)[k], on[known])
    steps = np.diff(at, prepend=at[0])
    shown = count.copy()
    made = at[0] + np.cumsum(steps * np.where(by_jet, factor[known], 1.0))
    shown[known] = c[0] + quantum * np.floor((made - c[0]) / quantum + 1e-6)
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
        level = pump.expected_pressure(area * factor[known], water[known], rate[known])
        dt = np.diff(samples.time_ns, prepend=samples.time_ns[0]) * 1e-9
        since = np.cumsum(np.where(factor != 1.0, dt, 0.0))[known]  # of growth with the jet on
        pressure[known] += (level - p[known]) * -np.expm1(-since / RELAXATION)
    return samples._replace(pressure=pressure)

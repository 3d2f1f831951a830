"""How far the reading of the flow lags behind the jet: a controller's running mean.

It goes up as the jet opens and down as it closes, and how quickly it does so says how long it is.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from borewarden.base.compiling import compilable
from borewarden.gate.batch import COARSE
from borewarden.gate.state import GateSettings, Interval

S_PER_NS = 1e-9
NEXT_TO_NOTHING = 0.1  # of the jet's flow: what a closed jet takes at most; invented
LAG_OF_RISE = 2.5  # of the time from there to a jet: 2, and something to spare; invented
MEAN_OF_LAG = 2.0 / LAG_OF_RISE  # a mean over W s takes W / 2 to rise
FALL = 0.25  # of the jet's flow, that a reading has to fall to show how it lags; invented
FIRST_RISE = 12.0  # s, of an opening of which nothing is known: a mean over 24 s; invented


@compilable
def flow_lag(flow: Any) -> float:
    """Lag of the flow's reading, s, by the second fastest of the last openings of the jet.

    A controller's running mean over W s goes up in a line, so from a tenth to `jet_on_fraction` of
    the jet's flow takes it some W / 2. Nothing makes it faster, a pump that starts makes it slower.
    """
    first, second = np.inf, np.inf
    for rise in flow.rises:
        if rise < first:
            first, second = rise, first
        elif rise < second:
            second = rise
    return float(LAG_OF_RISE * second)


@compilable
def mean_time(flow: Any) -> float:
    """Time, s, roughly, that the flow's reading is a mean of: over W s it takes W / 2 to rise."""
    return float(MEAN_OF_LAG * flow_lag(flow))


@compilable
def watch_rise(s: Any, g: GateSettings, ratio: float, pressure: float) -> None:
    """Time an opening of the jet: from next to nothing, with the pressure up, to a jet."""
    flow = s.flow
    if pressure < g.stopped_pressure:
        flow.low_ns = 0
    elif ratio < NEXT_TO_NOTHING:
        flow.low_ns = s.time_ns
    elif ratio >= g.jet_on_fraction and flow.low_ns > 0:
        seconds = (s.time_ns - flow.low_ns) * S_PER_NS
        if s.interval > COARSE:  # it may have been shorter by all the time that nobody looked
            seconds = max(seconds - s.interval, min(seconds, FIRST_RISE))
        _keep_rise(flow, seconds)
        flow.low_ns = 0


@compilable
def _keep_rise(flow: Any, seconds: float) -> None:
    flow.rises[flow.rise % len(flow.rises)] = seconds
    if flow.rise == 0:
        flow.rises[1] = seconds  # the best that is known until the next one
    flow.rise += 1


@compilable
def watch_fall(s: Any, x: Interval) -> None:
    """How quickly the reading falls as the jet closes: a mean over W s by a Wth of it a second.

    It need not fall to nothing: a crank turns on at its least speed.
    """
    flow = s.flow
    fell = (s.last.rate - x.rate) * x.delivery / (s.open.area * x.flux)
    if fell > 0.0 and x.seconds > 0.0:
        flow.fell += fell
        flow.fastest = max(flow.fastest, fell / x.seconds)
        return
    if flow.fell >= FALL:
        _keep_rise(flow, 0.5 / flow.fastest)
    flow.fell = 0.0
    flow.fastest = 0.0

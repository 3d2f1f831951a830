"""The state of the monitor, and the numbers of the last few batches, as a verdict."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from borewarden.base.statistics import Interval
from borewarden.detect.ahead import hours_to
from borewarden.detect.step import newest
from borewarden.diagnose.features import known_mean
from borewarden.physics.orifice import bore_of_area
from borewarden.physics.pump import Intensifier, Pump, event_rate, overstroke_margin
from borewarden.watcher.events import (
    Event,
    Learning,
    Monitor,
    Sharpening,
    StepEvent,
    Watching,
)
from borewarden.watcher.monitor import RECENT
from borewarden.watcher.verdict import State, Verdict
from borewarden.watcher.weighing import SETTLED, closed_jet_is_hidden

# Of the area, that a step is off beside its scatter: what the first minutes behind it show beside
# the jewel (tuned on seeds 51000 to 51006 of another plant); and of the step, where the pressure
# floats: pump figures that are off, stated or guessed, are more so at another pressure (tuned on
# 64001 to 64020, looked at again on 66001 to 66030)
STEP_IS_OFF, OF_ITS_SIZE = 0.005, 0.07


def verdict_of(monitor: Monitor, ring: NDArray[np.void]) -> Verdict:
    """The verdict by the state and the newest batches in the `ring`, dtype `RING`."""
    setup, reference = monitor.setup, monitor.reference
    rows = newest(ring, monitor.running.taken, RECENT)
    event = _told_event(monitor)
    step = event.step if isinstance(event, StepEvent) else None
    reason = _reason(monitor, rows)
    closed_known = not closed_jet_is_hidden(setup, rows)
    if event is not None and step is not None:  # what was before it is of another jewel
        since = rows[rows["start_ns"] >= event.onset_ns]
        rows = since if len(since) else rows
    area, rate, pressure, temperature, resolution = (
        known_mean(rows[name]) for name in ("area", "rate", "pressure", "temperature", "resolution")
    )
    bore = float(bore_of_area(area / reference.discharge_coefficient))
    one = max(monitor.detector.sigma, resolution if np.isfinite(resolution) else 0.0)
    relative = float(np.sqrt(one**2 / max(len(rows), 1) + setup.settings.level_uncertainty**2))
    expected = event_rate(setup.pump.displacement, reference.area, pressure, temperature)
    learned = None if isinstance(monitor, Learning) else monitor.baseline.discharge_coefficient
    weighed = event.weighed if event is not None else None
    grown = float(np.expm1(step.size)) if step else 0.0
    step_off, bore_off = STEP_IS_OFF, 0.0
    if step and setup.pressure_floats:
        step_off = bore_off = float(np.hypot(STEP_IS_OFF, OF_ITS_SIZE * grown))
    slope, slope_sd, hours_left = _wear(monitor)
    return Verdict(
        time_ns=monitor.running.end_ns or setup.jewels[0].fitted_ns,
        state=monitor.told,
        reason=reason,
        jet_hours=monitor.running.hours,
        nominal_bore=setup.nominal_bore,
        jewels=len(setup.jewels),
        bore=bore,
        bore_sd=0.5 * bore * float(np.hypot(relative, bore_off)),
        area_ratio=area / reference.area,
        discharge_coefficient=float("nan") if learned is None else learned,
        rate_expected=float(expected),
        rate_seen=rate,
        pressure_expected=_expected_pressure(
            setup.pump, reference.area, rate, pressure, temperature
        ),
        pressure_seen=pressure,
        overstroke_margin=_free_rate(setup.pump, rate),
        probability=monitor.running.probability,
        onset_ns=event.onset_ns if event is not None and step is not None else None,
        step=grown,
        step_sd=float(np.hypot(step.size_sd, step_off)) if step else 0.0,
        slope_per_hour=slope,
        slope_sd=slope_sd,
        hours_to_limit=None if step else hours_left,
        causes=weighed.causes if weighed else (),
        check=weighed.check if weighed else "",
        closed_known=closed_known,
    )


def _reason(monitor: Monitor, rows: NDArray[np.void]) -> str:
    """Why the state is what it is, and what can't be seen meanwhile."""
    if isinstance(monitor, Learning):
        return monitor.reason
    if monitor.told is not monitor.resting:
        misfit = f"; besides, {monitor.resting_reason}" * (monitor.resting is State.NOT_STATED_BORE)
        return f"{monitor.reason}{misfit}"
    if not closed_jet_is_hidden(monitor.setup, rows):
        return monitor.reason
    early = monitor.watched_hours < SETTLED
    told = f"not told in the first {SETTLED:.0f} jet hours" if early else "told late"
    return (
        f"{monitor.reason}; a larger bore is {told}: how the line looks with the jet closed is "
        "not known yet (a valve signal would show it)"
    )


def _told_event(monitor: Monitor) -> Event | None:
    """The event that the verdict is about: one that is not told yet leaves the one before it."""
    event = monitor.event if isinstance(monitor, Watching) else None
    while event is not None and isinstance(event.look, Sharpening):
        undo = event.look.undo
        if undo.event is None or (undo.told, undo.reason) != (monitor.told, monitor.reason):
            break
        event = undo.event
    return event


def _wear(monitor: Monitor) -> tuple[float, float, Interval | None]:
    """Slope of the wear line, 1/h of jet, its standard uncertainty, and hours to the limit."""
    if not isinstance(monitor, Watching):
        return 0.0, 0.0, None
    line = monitor.wear.may_bend()
    if monitor.resting is not State.SOUND:  # how long what nobody has stated will last, is unknown
        return line.slope, line.slope_sd, None
    limit = float(np.log1p(monitor.setup.settings.limit) - monitor.expected.offset)
    return line.slope, line.slope_sd, hours_to(limit, line, monitor.watched_hours)


def _expected_pressure(
    pump: Pump, area: float, rate: float, pressure: float, temperature: float
) -> float:
    """What the pump should show at this `rate`, Pa; what it shows where it holds the pressure."""
    if isinstance(pump, Intensifier) or not pump.floats or not rate > 0.0:
        return pressure
    return float(pump.reached_pressure(area, temperature, rate))


def _free_rate(pump: Pump, rate: float) -> float | None:
    if not isinstance(pump, Intensifier):
        return None
    return float(overstroke_margin(rate, pump.max_stroke_rate))

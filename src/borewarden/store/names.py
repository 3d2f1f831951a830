"""The names under which figures leave: the same in line protocol and in `/metrics`.

A metric `borewarden_pressure_pascals` is the field `pressure_pascals` of the measurement
`borewarden`. VictoriaMetrics joins the two with "_", so it has the same name whichever way a
figure came. Units are base units, spelt out as Prometheus wants them
(prometheus.io/docs/practices/naming); what only ever counts up ends in `_total`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from borewarden.physics.pump import Intensifier, Pump, overstroke_margin
from borewarden.watcher.verdict import STATES, State, Verdict

MACHINE = "borewarden"  # measurement of a machine's results, and of the watcher itself
SAMPLE = "borewarden_sample"
ALERT = "borewarden_alert"
LINK = "borewarden_link"
OLD_SAMPLE = "sample"  # measurement of samples up to version 0.1, with the channels as fields

HOUR = 3600.0  # s
CODES = ", ".join(f"{code} {state.value}" for code, state in enumerate(STATES))


class Figure(NamedTuple):
    """What leaves under one name: its help text says what it is."""

    name: str
    help: str


# by channel of `Samples`
SAMPLE_FIGURES = {
    "pressure": Figure("pressure_pascals", "Water pressure, gauge"),
    "rate": Figure("rate_hertz", "Strokes or crank turns"),
    "stroke_count": Figure("strokes_total", "Strokes or turns counted"),
    "temperature": Figure("temperature_kelvin", "Feed water"),
    "valve": Figure("heads_on", "Heads commanded on"),
    "oil_pressure": Figure("oil_pressure_pascals", "Hydraulic oil of an intensifier"),
    "boost_pressure": Figure("boost_pressure_pascals", "Feed water before the pump"),
    "weep_temperature": Figure("weep_temperature_kelvin", "Leak-off of the high-pressure seals"),
    "bypass_temperature": Figure("bypass_temperature_kelvin", "Line behind the bypass valve"),
    "left_stroke_time": Figure("left_stroke_seconds", "Last whole stroke to the left"),
    "right_stroke_time": Figure("right_stroke_seconds", "Last whole stroke to the right"),
    "motor_speed": Figure("motor_speed_hertz", "Shaft of the drive"),
    "motor_torque": Figure("motor_torque_ratio", "Torque of the drive over its rated torque"),
    "check_valve_temperature": Figure(
        "check_valve_temperature_kelvin", "Body of the hottest check valve"
    ),
    "open_heads": Figure("heads_on_mask", "Heads commanded on: the sum of 2 to the k for head k"),
}
PHASE = Figure("phase", "What the gate made of the sample")

BATCH_FIGURES = (
    Figure("jet_seconds_total", "Time with the jet on of the fitted jewel"),
    Figure("pressure_pascals", "Mean water pressure of the newest steady batch, gauge"),
    Figure("temperature_kelvin", "Feed water in the newest steady batch"),
    Figure("rate_hertz", "Strokes or crank turns in the newest steady batch"),
    Figure("rate_expected_hertz", "Strokes or crank turns of a sound bore"),
    Figure("effective_area_square_meters", "Effective area: discharge coefficient times area"),
    Figure("effective_bore_meters", "Effective bore in the newest steady batch"),
    Figure("effective_bore_uncertainty_meters", "Standard uncertainty of the effective bore"),
    Figure("effective_area_ratio", "Effective area over its baseline"),
    Figure("area_limit_ratio", "Effective area over its baseline that counts as opened up"),
    Figure("wear_line_ratio", "Effective area over its baseline as the wear line has it"),
    Figure("step_statistic", "Log likelihood ratio of the likeliest step up"),
    Figure("step_threshold", "Log likelihood ratio at which the step detector alarms"),
    Figure("opened_probability", "Probability that the bore has opened up"),
    Figure("overstroke_margin_ratio", "Share of the stroke rate that is left before the limit"),
    Figure("verdict_code", f"State of the verdict: {CODES}"),
)
ALERT_FIGURES = (
    Figure("verdict_code", f"The state that the alert told of: {CODES}"),
    Figure("onset_timestamp_seconds", "Unix time at which the step began"),
    Figure("step_ratio", "Relative change of the effective area at the step"),
    Figure("opened_probability", "Probability that the bore has opened up"),
    Figure("cause_probability", "Probability of the most probable cause"),
)
HEAD_FIGURES = (
    Figure("head_opened_probability", "Probability that it is this head, if a jewel opened up"),
    Figure("head_stated_bore_meters", "Bore of the jewel in this head, as stated"),
    Figure("head_jet_seconds_total", "Time with the jet on of the jewel in this head"),
    Figure("head_fitted_timestamp_seconds", "Unix time at which the jewel of this head was fitted"),
)


class Stated(NamedTuple):
    """What a machine file states that figures are held against.

    `limit` is the relative growth of area that counts as opened up, `max_rate` the most strokes of
    an intensifier, Hz.
    """

    limit: float
    max_rate: float | None = None


def stated_of(pump: Pump, limit: float) -> Stated:
    """The same of a pump."""
    return Stated(limit, pump.max_stroke_rate if isinstance(pump, Intensifier) else None)


def batch_values(batch: Mapping[str, Any], stated: Stated) -> dict[str, float]:
    """The figures of one batch by name.

    `batch` has the fields of `RESULT`; its state may be a place in `STATES` or a word. What is not
    known is NaN.
    """

    def of(field: str) -> float:
        return math.nan if batch[field] is None else float(batch[field])

    state = batch["state"]
    values = {
        "jet_seconds_total": HOUR * of("jet_hours"),
        "pressure_pascals": of("pressure"),
        "temperature_kelvin": of("temperature"),
        "rate_hertz": of("rate"),
        "rate_expected_hertz": of("rate_expected"),
        "effective_area_square_meters": of("area"),
        "effective_bore_meters": of("bore"),
        "effective_bore_uncertainty_meters": of("bore_sd"),
        "effective_area_ratio": math.exp(of("log_ratio")),
        "area_limit_ratio": 1.0 + stated.limit,
        "wear_line_ratio": math.exp(of("line")),
        "step_statistic": of("statistic"),
        "step_threshold": of("threshold"),
        "opened_probability": of("probability"),
        "verdict_code": float(code_of(State(state)) if isinstance(state, str) else state),
    }
    if stated.max_rate is not None:
        margin = overstroke_margin(of("rate"), stated.max_rate)
        values["overstroke_margin_ratio"] = float(margin)
    return values


def step_values(verdict: Verdict) -> dict[str, float]:
    """The figures of an alert by name; what is not known is left out."""
    values = {
        "verdict_code": float(code_of(verdict.state)),
        "opened_probability": verdict.probability,
    }
    if verdict.onset_ns is not None:
        values |= {"onset_timestamp_seconds": verdict.onset_ns * 1e-9, "step_ratio": verdict.step}
    if verdict.causes:
        values["cause_probability"] = verdict.causes[0].probability
    return values


def code_of(state: State) -> int:
    """The number of a state: its place in `STATES`, which never changes."""
    return STATES.index(state)

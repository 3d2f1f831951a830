"""What Prometheus scrapes: the numbers of every machine, in base units.

`borewarden_cusum_statistic` and `_threshold` are old names of the step detector's figures, kept
for dashboards that still ask for them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np
from prometheus_client import generate_latest
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.registry import Collector

from borewarden.service.machine_view import is_unacknowledged
from borewarden.service.own_health import Health
from borewarden.service.own_metrics import health_families
from borewarden.service.status import MachineStatus
from borewarden.store.outbox import Backlog
from borewarden.watcher.verdict import State

LONGEST_LABEL = 200  # characters
QUANTILES = (0.5, 0.9, 0.99)
_STATES = "Whether this is the state of the verdict, 1 or 0"

_Value = Callable[[MachineStatus, Mapping[str, Any]], float | None]
# By name: the help text, and the value of a machine from its status and its newest batch.
_GAUGES: dict[str, tuple[str, _Value]] = {
    "effective_bore_meters": ("Effective bore now", lambda s, _: s.verdict.bore),
    "stated_bore_meters": ("Bore of the jewel as stated", lambda s, _: s.verdict.nominal_bore),
    "effective_area_ratio": (
        "Effective area over its baseline",
        lambda s, _: s.verdict.area_ratio,
    ),
    "step_statistic": (
        "Step detector: log likelihood ratio of the likeliest step",
        lambda _, batch: batch.get("statistic"),
    ),
    "step_threshold": (
        "Log likelihood ratio at which the step detector alarms",
        lambda _, batch: batch.get("threshold"),
    ),
    "cusum_statistic": (
        "Old name of borewarden_step_statistic",
        lambda _, batch: batch.get("statistic"),
    ),
    "cusum_threshold": (
        "Old name of borewarden_step_threshold",
        lambda _, batch: batch.get("threshold"),
    ),
    "step_probability": (
        "Probability that the bore has opened up",
        lambda s, _: s.verdict.probability,
    ),
    "rate_hertz": ("Strokes or crank turns seen", lambda s, _: s.verdict.rate_seen),
    "rate_expected_hertz": (
        "Strokes or crank turns of a sound bore",
        lambda s, _: s.verdict.rate_expected,
    ),
    "pressure_pascals": ("Pressure seen", lambda s, _: s.verdict.pressure_seen),
    "pressure_expected_pascals": (
        "Pressure of a sound bore",
        lambda s, _: s.verdict.pressure_expected,
    ),
    "overstroke_margin_ratio": (
        "Share of the stroke rate that is left before the limit",
        lambda s, _: s.verdict.overstroke_margin,
    ),
    "jet_hours": ("Jet hours of the fitted jewel", lambda s, _: s.verdict.jet_hours),
    "missed_jet_hours": ("Jet hours not recorded", lambda s, _: s.missed_hours),
    "link_connected": (
        "Whether the controller answers, 1 or 0",
        lambda s, _: s.link is not None and s.link.connected,
    ),
    "sight": (
        "Whether there was a usable reading lately, 1 or 0",
        lambda s, _: s.is_seen,
    ),
    "last_sample_timestamp_seconds": (
        "Unix time of the newest sample, 0 if there was none",
        lambda s, _: s.last_sample_ns * 1e-9,
    ),
    "alarm_unacknowledged": (
        "Whether the alarm waits for somebody to acknowledge it, 1 or 0",
        lambda s, _: is_unacknowledged(s),
    ),
    "alarm_shelved_until_timestamp_seconds": (
        "Unix time at which the shelving of the alarm ends, 0 if it is not shelved",
        lambda s, _: (s.shelved_until_ns or 0) * 1e-9,
    ),
}


class _Families(Collector):
    """What `generate_latest` wants to ask for metrics."""

    def __init__(self, families: Iterable[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterable[Metric]:
        return self._families


def latency_quantiles(status: MachineStatus) -> dict[float, float]:
    """X"""
    latencies = list(status.latency_s)
    if not latencies:
        return {}
    return dict(zip(QUANTILES, np.quantile(latencies, QUANTILES).tolist(), strict=True))


def metrics_text(
    statuses: Mapping[str, MachineStatus],
    newest: Mapping[str, Mapping[str, Any]],
    backlogs: Mapping[str, Backlog],
    health: Health | None = None,
) -> bytes:
    """All metrics as Prometheus text.

    `newest` holds the newest batch of each machine, if known, `backlogs` the outbox by sink.
    """
    families = [
        *_families(statuses, newest),
        *_outbox_families(backlogs),
        *health_families(health or Health(), statuses),
    ]
    return generate_latest(_Families(families))


def _outbox_families(backlogs: Mapping[str, Backlog]) -> list[Metric]:
    gauges = {
        name: GaugeMetricFamily(f"borewarden_outbox_{name}", help_text, labels=["sink"])
        for name, help_text in (
            ("waiting", "Payloads still to be sent"),
            ("refused", "Payloads that the server refused: kept, not sent"),
            ("expired", "Payloads too old to be sent: kept, not sent"),
        )
    }
    last = InfoMetricFamily(
        "borewarden_outbox_last_aside",
        "Why the latest payload was refused or expired",
        labels=["sink"],
    )
    for sink, backlog in backlogs.items():
        for name, family in gauges.items():
            family.add_metric([sink], getattr(backlog, name))
        if backlog.last_reason:
            last.add_metric([sink], {"reason": backlog.last_reason[:LONGEST_LABEL]})
    return [*gauges.values(), last]


def _families(
    statuses: Mapping[str, MachineStatus], newest: Mapping[str, Mapping[str, Any]]
) -> list[Metric]:
    gauges: list[Metric] = []
    for name, (help_text, value_of) in _GAUGES.items():
        family = GaugeMetricFamily(f"borewarden_{name}", help_text, labels=["machine"])
        for machine, status in statuses.items():
            value = value_of(status, newest.get(machine, {}))
            if value is not None and math.isfinite(value):  # what is not known is left out
                family.add_metric([machine], float(value))
        gauges.append(family)
    samples = CounterMetricFamily(
        "borewarden_samples", "Samples kept since the service started", labels=["machine"]
    )
    states = GaugeMetricFamily("borewarden_verdict", _STATES, labels=["machine", "state"])
    latency = Metric(
        "borewarden_sample_to_kept_seconds", "Time from a sample until it is kept", "summary"
    )
    for machine, status in statuses.items():
        samples.add_metric([machine], status.samples)
        for state in State:
            states.add_metric([machine, state.value], status.verdict.state is state)
        for quantile, seconds in latency_quantiles(status).items():
            labels = {"machine": machine, "quantile": str(quantile)}
            latency.add_sample(latency.name, labels, seconds)
    return [*gauges, samples, states, latency]

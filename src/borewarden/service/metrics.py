"""What Prometheus scrapes: the numbers of every machine, in base units."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
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

from borewarden.service.health import Health
from borewarden.service.health_metrics import health_families
from borewarden.service.machine_view import is_unacknowledged
from borewarden.service.status import MachineStatus
from borewarden.store.outbox import Backlog
from borewarden.watcher.verdict import State

LONGEST_LABEL = 200  # characters
QUANTILES = (0.5, 0.9, 0.99)
_STATES = "Whether this is the state of the verdict, 1 or 0"


class _Families(Collector):
    """What `generate_latest` wants to ask for metrics."""

    def __init__(self, families: Iterable[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterable[Metric]:
        return self._families


def latency_quantiles(status: MachineStatus) -> dict[float, float]:
    """Seconds from sample to kept, of the latest samples, by quantile; empty if there are none."""
    latencies = list(status.latency_s)
    if not latencies:
        return {}
    return dict(zip(QUANTILES, np.quantile(latencies, QUANTILES).tolist(), strict=True))


def metrics_text(
    statuses: Mapping[str, MachineStatus],
    newest: Mapping[str, Mapping[str, Any]],
    backlogs: Mapping[str, Backlog],
    health: Health,
) -> bytes:
    """All metrics as Prometheus text.

    `newest` holds the newest batch of each machine, if known, `backlogs` the outbox by sink.
    """
    families = [
        *_families(statuses, newest),
        *_outbox_families(backlogs),
        *health_families(health, statuses),
    ]
    return generate_latest(_Families(families))


def _outbox_families(backlogs: Mapping[str, Backlog]) -> list[Metric]:
    gauges = {
        name: GaugeMetricFamily(f"borewarden_outbox_{name}", help_text, labels=["sink"])
        for name, help_text in (
            ("waiting", "Payloads that have yet to be sent"),
            ("refused", "Payloads that the server refused: kept, not sent"),
            ("expired", "Payloads too old to be sent: kept, not sent"),
        )
    }
    last = InfoMetricFamily(
        "borewarden_outbox_last_aside",
        "Why a payload was refused or expired, of the last one",
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
    families: dict[str, Metric] = {}

    def gauge(name: str, help_text: str, machine: str, value: float | None) -> None:
        family = families.setdefault(
            name, GaugeMetricFamily(f"borewarden_{name}", help_text, labels=["machine"])
        )
        if value is not None and math.isfinite(value):  # what is not known is left out
            family.add_sample(f"borewarden_{name}", {"machine": machine}, float(value))

    samples = CounterMetricFamily(
        "borewarden_samples", "Samples kept since the service started", labels=["machine"]
    )
    states = GaugeMetricFamily("borewarden_verdict", _STATES, labels=["machine", "state"])
    latency = Metric("borewarden_sample_to_kept_seconds", "Time from a sample to kept", "summary")
    for name, status in statuses.items():
        verdict, batch = status.verdict, newest.get(name, {})
        gauge("effective_bore_meters", "Effective bore now", name, verdict.bore)
        gauge("stated_bore_meters", "Bore of the jewel as stated", name, verdict.nominal_bore)
        gauge("effective_area_ratio", "Effective area over its baseline", name, verdict.area_ratio)
        gauge("cusum_statistic", "Step detector", name, batch.get("statistic"))
        gauge("cusum_threshold", "Where the step detector alarms", name, batch.get("threshold"))
        gauge(
            "step_probability", "Probability that the bore has opened up", name, verdict.probability
        )
        gauge("rate_hertz", "Strokes or crank turns seen", name, verdict.rate_seen)
        gauge("rate_expected_hertz", "The same of a sound bore", name, verdict.rate_expected)
        gauge("pressure_pascals", "Pressure seen", name, verdict.pressure_seen)
        gauge(
            "pressure_expected_pascals", "The same of a sound bore", name, verdict.pressure_expected
        )
        gauge(
            "overstroke_margin_ratio",
            "Share of the stroke rate still free",
            name,
            verdict.overstroke_margin,
        )
        gauge("jet_hours", "Jet hours of the fitted jewel", name, verdict.jet_hours)
        gauge("missed_jet_hours", "Jet hours that went unseen", name, status.missed_hours)
        gauge(
            "link_connected",
            "Whether the controller answers, 1 or 0",
            name,
            status.link is not None and status.link.connected,
        )
        gauge(
            "last_sample_timestamp_seconds",
            "Unix time of the newest sample, 0 if there was none",
            name,
            status.last_sample_ns * 1e-9,
        )
        gauge(
            "alarm_unacknowledged",
            "Whether somebody has yet to take note of the alarm, 1 or 0",
            name,
            is_unacknowledged(status),
        )
        gauge(
            "alarm_shelved_until_timestamp_seconds",
            "Unix time at which the shelving of the alarm ends, 0 if it is not shelved",
            name,
            (status.shelved_until_ns or 0) * 1e-9,
        )
        samples.add_metric([name], status.samples)
        for state in State:
            states.add_metric([name, state.value], verdict.state is state)
        for quantile, seconds in latency_quantiles(status).items():
            latency.add_sample(latency.name, {"machine": name, "quantile": str(quantile)}, seconds)
    return [*families.values(), samples, states, latency]

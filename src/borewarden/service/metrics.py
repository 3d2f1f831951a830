"""What Prometheus scrapes: the numbers of every machine, in base units.

What is also forwarded has the same name there: see `store.names`.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

import numpy as np
from prometheus_client import ProcessCollector, generate_latest
from prometheus_client.core import GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector

import borewarden
from borewarden.base.statistics import Interval
from borewarden.service.machine_view import is_unacknowledged
from borewarden.service.own_health import Health
from borewarden.service.own_metrics import health_families
from borewarden.service.status import MachineStatus
from borewarden.store.names import (
    ALERT,
    ALERT_FIGURES,
    BATCH_FIGURES,
    HEAD_FIGURES,
    HOUR,
    LINK,
    MACHINE,
    PHASE,
    SAMPLE,
    SAMPLE_FIGURES,
    Figure,
    batch_values,
    stated_of,
    step_values,
)
from borewarden.store.outbox import Backlog
from borewarden.watcher.verdict import State

LONGEST_LABEL = 200  # characters
QUANTILES = (0.5, 0.9, 0.99)

_process = ProcessCollector(registry=None)


def _believed(status: MachineStatus, name: str) -> float | None:
    """A rate of false alerts as believed, 1/s of jet; no middle by few peaks."""
    rate = status.verdict.false_rate
    if rate is None or (rate.is_bound and name == "middle"):
        return None
    return float(getattr(rate, name)) / HOUR


_Value = Callable[[MachineStatus], float | None]
# what only the status has: the value of a machine by it
_OF_STATUS: tuple[tuple[Figure, _Value], ...] = (
    (
        Figure("stated_bore_meters", "Bore as stated; of several heads, the bore of their area"),
        lambda s: s.verdict.nominal_bore,
    ),
    (
        Figure("pressure_expected_pascals", "Pressure of a sound bore; of a crank pump"),
        lambda s: s.verdict.pressure_expected,
    ),
    (
        Figure("missed_jet_seconds_total", "Time with the jet on that was not recorded"),
        lambda s: HOUR * s.missed_hours,
    ),
    (
        Figure("sight", "Whether there was a usable reading lately, 1 or 0"),
        lambda s: s.is_seen,
    ),
    (
        Figure("jet_age_seconds", "From the newest judged jet to the newest sample"),
        lambda s: s.jet_age,
    ),
    (
        Figure(
            "jet_to_limit_seconds",
            "Time with the jet on until wear, which may speed up, is at the limit, where bounded",
        ),
        lambda s: _to_limit(s).middle if math.isfinite(_to_limit(s).high) else None,
    ),
    (
        Figure(
            "jet_to_limit_least_seconds",
            "The same at the least: 95 in 100 that it takes longer",
        ),
        lambda s: _to_limit(s).low,
    ),
    (
        Figure("last_sample_timestamp_seconds", "Unix time of the newest sample, 0 without one"),
        lambda s: s.last_sample_ns * 1e-9,
    ),
    (
        Figure("alarm_unacknowledged", "Whether the alarm waits to be acknowledged, 1 or 0"),
        lambda s: is_unacknowledged(s),
    ),
    (
        Figure(
            "alarm_shelved_until_timestamp_seconds",
            "Unix time at which the shelving of the alarm ends, 0 if it is not shelved",
        ),
        lambda s: (s.shelved_until_ns or 0) * 1e-9,
    ),
    (
        Figure("alerts_told", "Changes told of, as far as the store goes back"),
        lambda s: s.came.told,
    ),
    (
        Figure("alerts_confirmed", "Of these, those that an inspection confirmed"),
        lambda s: s.came.confirmed,
    ),
    (
        Figure("alerts_found_false", "Of these, those that an inspection found to be false"),
        lambda s: s.came.false,
    ),
    (
        Figure("false_alerts_believed_hertz", "False alerts of a step in a second of jet, middle"),
        lambda s: _believed(s, "middle"),
    ),
    (
        Figure("false_alerts_at_most_hertz", "The same, upper end of the 95 % interval"),
        lambda s: _believed(s, "high"),
    ),
    (
        Figure("samples_total", "Samples kept since the service started"),
        lambda s: s.samples,
    ),
)
_CONNECTED = Figure("connected", "Whether the controller answers, 1 or 0")


def _to_limit(status: MachineStatus) -> Interval:
    """Seconds with the jet on that are left by wear alone; infinite where the page tells none."""
    left = status.verdict.hours_to_limit
    if left is None or status.verdict.state not in (State.SOUND, State.WEARING):
        return Interval(math.inf, math.inf, math.inf)
    return Interval(*(HOUR * hours for hours in left))


class _Families(Collector):
    """What `generate_latest` wants to ask for metrics."""

    def __init__(self, families: Iterable[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterable[Metric]:
        return self._families


def latency_quantiles(status: MachineStatus) -> dict[float, float]:
    """Time from a sample until it is kept, s, by quantile; of the newest ones."""
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
        *_results(statuses, newest),
        _states(statuses),
        *standing_families(statuses, backlogs, health or Health()),
    ]
    return generate_latest(_Families(families))


def standing_families(
    statuses: Mapping[str, MachineStatus], backlogs: Mapping[str, Backlog], health: Health
) -> list[Metric]:
    """What is so at the moment, rather than what was found in a sample or a batch."""
    links = {name: status.link for name, status in statuses.items()}
    return [
        *(
            _family(MACHINE, figure, {name: value_of(each) for name, each in statuses.items()})
            for figure, value_of in _OF_STATUS
        ),
        _family(
            LINK, _CONNECTED, {n: link is not None and link.connected for n, link in links.items()}
        ),
        *_heads(statuses),
        _latency(statuses),
        *_outbox_families(backlogs),
        *health_families(health, statuses),
        *_program(),
    ]


def _program() -> Iterator[Metric]:
    """Which program this is, and what it takes of its computer."""
    build = InfoMetricFamily("borewarden_build", "Version of the watcher and of its Python")
    build.add_metric(
        [], {"version": borewarden.__version__, "python_version": platform.python_version()}
    )
    yield build
    yield from _process.collect()


def _family(
    measurement: str,
    figure: Figure,
    values: Mapping[str, float | None],
    labels: Mapping[str, Mapping[str, str]] | None = None,
) -> Metric:
    """One figure of each machine; what is not known is left out."""
    name = f"{measurement}_{figure.name}"
    kind = "counter" if name.endswith("_total") else "gauge"
    family = Metric(name.removesuffix("_total"), figure.help, kind)
    for machine, value in values.items():
        if value is not None and math.isfinite(value):
            more = labels.get(machine, {}) if labels else {}
            family.add_sample(name, {"machine": machine, **more}, float(value))
    return family


def _results(
    statuses: Mapping[str, MachineStatus], newest: Mapping[str, Mapping[str, Any]]
) -> Iterator[Metric]:
    """The newest sample and batch of each machine, and the step that its verdict stands on."""
    samples = {name: status.newest_sample for name, status in statuses.items()}
    yield _family(SAMPLE, PHASE, {name: found.get("phase") for name, found in samples.items()})
    for channel, figure in SAMPLE_FIGURES.items():
        yield _family(SAMPLE, figure, {name: found.get(channel) for name, found in samples.items()})
    batches = {
        name: batch_values(newest[name], stated_of(status.pump, status.limit))
        for name, status in statuses.items()
        if newest.get(name)
    }
    for figure in BATCH_FIGURES:
        yield _family(
            MACHINE, figure, {name: found.get(figure.name) for name, found in batches.items()}
        )
    steps = {
        name: step_values(status.verdict)
        for name, status in statuses.items()
        if status.verdict.onset_ns is not None
    }
    states = {name: {"state": status.verdict.state.value} for name, status in statuses.items()}
    for figure in ALERT_FIGURES:
        values = {name: found.get(figure.name) for name, found in steps.items()}
        yield _family(ALERT, figure, values, states)


def _heads(statuses: Mapping[str, MachineStatus]) -> list[Metric]:
    """What each head holds, and how probable it is that its jewel opened up."""
    families = {figure.name: _family(MACHINE, figure, {}) for figure in HEAD_FIGURES}

    def add(name: str, machine: str, head: str, value: float) -> None:
        labels = {"machine": machine, "head": head}
        families[name].add_sample(f"{MACHINE}_{name}", labels, value)

    for machine, status in statuses.items():
        for head in status.verdict.heads:
            add("head_opened_probability", machine, head.head, head.probability)
        for jewel in status.jewels:
            add("head_stated_bore_meters", machine, jewel.head, jewel.bore)
            add("head_fitted_timestamp_seconds", machine, jewel.head, jewel.fitted_ns * 1e-9)
        for name, hours in status.head_hours.items():
            add("head_jet_seconds_total", machine, name, HOUR * hours)
    return [*families.values()]


def _states(statuses: Mapping[str, MachineStatus]) -> Metric:
    family = GaugeMetricFamily(
        "borewarden_verdict",
        "Whether this is the state of the verdict, 1 or 0",
        labels=["machine", "state"],
    )
    for machine, status in statuses.items():
        for state in State:
            family.add_metric([machine, state.value], status.verdict.state is state)
    return family


def _latency(statuses: Mapping[str, MachineStatus]) -> Metric:
    name = "borewarden_sample_to_kept_seconds"
    family = Metric(name, "Time from a sample until it is kept", "summary")
    for machine, status in statuses.items():
        for quantile, seconds in latency_quantiles(status).items():
            labels = {"machine": machine, "quantile": str(quantile)}
            family.add_sample(name, labels, seconds)
        family.add_sample(f"{name}_sum", {"machine": machine}, status.latency_sum_s)
        family.add_sample(f"{name}_count", {"machine": machine}, status.latency_count)
    return family


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

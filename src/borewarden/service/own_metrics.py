"""What Prometheus scrapes of the watcher itself: its store, its mails, the servers it sends to."""

from __future__ import annotations

from collections.abc import Iterable

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
)

from borewarden.service.own_health import Health
from borewarden.store.influx import SINK as INFLUX
from borewarden.store.mails import SINK as MAIL

LONGEST_LABEL = 200  # characters
DAY = 86_400.0  # s


def health_families(health: Health, machines: Iterable[str]) -> list[Metric]:
    """All of it, as it stands now."""
    keeping, troubles = health.keeping, health.troubles()
    healthy = GaugeMetricFamily(
        "borewarden_service_healthy",
        "Whether this part of the watcher is well, 1 or 0",
        labels=["part"],
    )
    for part in ("store", "disk", "mail"):
        healthy.add_metric([part], part not in troubles)
    in_memory = GaugeMetricFamily(
        "borewarden_samples_not_stored", "Samples that only the memory holds", value=keeping.samples
    )
    lost = CounterMetricFamily(
        "borewarden_samples_lost", "Samples neither disk nor memory could hold", value=keeping.lost
    )
    free = GaugeMetricFamily("borewarden_disk_free_bytes", "Free on the disk of the store")
    to_full = GaugeMetricFamily(
        "borewarden_disk_seconds_to_full", "Time until that disk is full, as fast as it fills now"
    )
    for room in health.room:
        free.add_metric([], room.free)
        to_full.add_metric([], DAY * room.days)
    undelivered = GaugeMetricFamily(
        "borewarden_mails_undelivered",
        "Mails that somebody never got, until they are acknowledged",
        labels=["machine"],
    )
    for machine in machines:
        undelivered.add_metric([machine], len(health.undelivered_of(machine)))
    failing = GaugeMetricFamily(
        "borewarden_outbox_failing",
        "Whether the last attempt to send failed, 1 or 0",
        labels=["sink"],
    )
    since = GaugeMetricFamily(
        "borewarden_outbox_failing_since_timestamp_seconds",
        "Unix time since which nothing could be sent, 0 if the last attempt did not fail",
        labels=["sink"],
    )
    why = InfoMetricFamily(
        "borewarden_outbox_failure", "Why the last attempt to send failed", labels=["sink"]
    )
    refused = CounterMetricFamily(
        "borewarden_outbox_refused_rows", "Rows that the server refused", labels=["sink"]
    )
    for sink in (INFLUX, MAIL):
        outage = health.outages.get(sink)
        failing.add_metric([sink], outage is not None)
        since.add_metric([sink], 0.0 if outage is None else outage.since_ns * 1e-9)
        if outage is not None:
            why.add_metric([sink], {"reason": outage.reason[:LONGEST_LABEL]})
    refused.add_metric([INFLUX], health.refused_rows[INFLUX])
    return [healthy, in_memory, lost, free, to_full, undelivered, failing, since, why, refused]

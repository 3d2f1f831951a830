"""Logged days from wherever they are kept: files, the embedded store, a time-series server."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from borewarden.base.errors import BadInput
from borewarden.base.samples import Samples, rows
from borewarden.base.times import local_ns
from borewarden.collect.labels import Label, labels_path, read_labels
from borewarden.collect.logged import read_log
from borewarden.inspection.labels import labels_of
from borewarden.jewels.jewel import Jewel
from borewarden.replay.one_machine import join_logs
from borewarden.settings import MachineSettings
from borewarden.store.database import open_store, read_samples, whole_since
from borewarden.store.influx import InfluxSettings
from borewarden.store.influx import read_samples as read_from_influx
from borewarden.store.inspections import inspections
from borewarden.store.register import fittings
from borewarden.tune.days import Shop, Wanted, make_shop


@dataclass(frozen=True)
class Source:
    """Where days are kept: `logs` as they are, or a `store` or a server, `influx`, within a time.

    `since` and `until` are local to the machine where they have no offset.
    """

    logs: list[Path] = field(default_factory=list)
    store: Path | None = None
    influx: InfluxSettings | None = None
    since: dt.datetime | None = None
    until: dt.datetime | None = None


class Taken(NamedTuple):
    """Days of one machine: samples, the jewels fitted in them, and labels of what happened."""

    samples: Samples
    jewels: list[Jewel]
    labels: list[Label]


def take_days(machine: MachineSettings, source: Source, labels: list[Path]) -> Taken:
    """The days of `machine`; `labels` are files beside those that the source knows by itself.

    Raises BadInput if there is not one place to take them from, or nothing in it.
    """
    if (bool(source.logs), source.store is not None, source.influx is not None).count(True) != 1:
        raise BadInput(
            "command line", "days", "need exactly one source",
            "name logs, or --store FILE, or --influx URL",
        )  # fmt: skip
    if source.logs:
        if source.since or source.until:
            raise BadInput(
                "command line", "--from, --to", "logs are taken whole", "name fewer logs"
            )
        samples, known = from_logs(machine, source.logs, labels)
        return Taken(samples, machine.jewels(), known)
    if source.since is None or source.until is None or not source.since < source.until:
        raise BadInput(
            "command line",
            "--from, --to",
            "a store may hold years",
            "give --from and a later --to, such as 2026-03-01",
        )
    first_ns, last_ns = (local_ns(t, machine.time_zone) for t in (source.since, source.until))
    known = labels_from(machine, labels)
    if source.store is not None:
        samples = from_store(machine, source.store, first_ns, last_ns)
        jewels, inspected = known_of(machine, source.store, first_ns, last_ns)
        return Taken(samples, jewels, [*known, *inspected])
    assert source.influx is not None
    samples = from_influx(machine, source.influx, first_ns, last_ns)
    return Taken(samples, machine.jewels(), known)


def shop_of(machine: MachineSettings, taken: Taken, wanted: Wanted) -> Shop:
    """The stretch that was `taken`, laid out for trials by the machine's settings of today."""
    counter = machine.log.stroke_count if machine.log else None
    return make_shop(
        machine.build_pump(),
        machine.gate_settings(),
        taken.jewels,
        taken.samples,
        taken.labels,
        machine.time_zone,
        machine.watch_settings().baseline_time,
        wanted,
        counter.strokes_per_count if counter else 1.0,
        valve_heads=machine.valve_heads,
    )


def logs_by_machine(machines: list[MachineSettings], logs: list[Path]) -> list[list[Path]]:
    """The `logs` of each machine: each goes to the one that can read it.

    Raises BadInput for a log that no machine can read, or more than one.
    """
    if len(machines) == 1:
        return [logs]
    parts: list[list[Path]] = [[] for _ in machines]
    for log in logs:
        fits = []
        for k, of_machine in enumerate(machines):
            try:
                read_log(log, of_machine.log_format())
                fits.append(k)
            except BadInput as bad:
                reason = bad
        if not fits:
            raise reason
        if len(fits) > 1:
            names = " and ".join(machines[k].name for k in fits)
            raise BadInput(
                log, "columns", f"both {names} log such", "compare one machine at a time"
            )
        parts[fits[0]].append(log)
    return parts


def from_logs(
    machine: MachineSettings, logs: list[Path], labels: list[Path]
) -> tuple[Samples, list[Label]]:
    """Samples of the `logs`, in order of time, and the labels beside them and in `labels`."""
    log_format = machine.log_format()
    samples = join_logs(logs, [read_log(log, log_format) for log in logs])
    beside = [path for log in logs if (path := labels_path(log)).exists()]
    return samples, labels_from(machine, [*beside, *labels])


def labels_from(machine: MachineSettings, files: list[Path]) -> list[Label]:
    """The labels of several files."""
    return [label for file in files for label in read_labels(file, machine.time_zone)]


def from_store(machine: MachineSettings, store: Path, first_ns: int, last_ns: int) -> Samples:
    """Samples of the embedded store within a time. Raises BadInput if there are none."""
    if not store.is_file():
        raise BadInput(
            store, "file", "there is no such store", "give one that replay or watch made"
        )
    with open_store(store) as connection:
        whole_ns = whole_since(connection, machine.name)
        if first_ns < whole_ns:
            day = dt.datetime.fromtimestamp(whole_ns / 1e9, ZoneInfo(machine.time_zone)).date()
            raise BadInput(
                store,
                "--from",
                f"samples up to {day} are thinned out, and nothing can be judged by them",
                "begin with a later day",
            )
        parts = []
        for block in read_samples(connection, machine.name, first_ns):
            parts.append(rows(block, 0, int(np.searchsorted(block.time_ns, last_ns, "right"))))
            if block.time_ns[-1] > last_ns:
                break
    if not sum(len(part.time_ns) for part in parts):
        raise _nothing(str(store), machine)
    return Samples._make(np.concatenate(channels) for channels in zip(*parts, strict=True))


def known_of(
    machine: MachineSettings, store: Path, first_ns: int, last_ns: int
) -> tuple[list[Jewel], list[Label]]:
    """What the store's books say: jewels by its register, and labels by inspections in the time."""
    with open_store(store) as connection:
        jewels = machine.jewels(fittings(connection, machine.name).values())
        settled = labels_of(inspections(connection, machine.name).values())
    labels = settled.get(machine.name, [])
    return jewels, [label for label in labels if first_ns <= label.start_ns <= last_ns]


def from_influx(
    machine: MachineSettings, settings: InfluxSettings, first_ns: int, last_ns: int
) -> Samples:
    """Samples of a time-series server within a time. Raises BadInput if there are none."""
    samples = read_from_influx(settings, machine.name, first_ns, last_ns)
    if len(samples.time_ns) == 0:
        raise _nothing(f"{settings.url}, {settings.bucket}", machine)
    return samples


def _nothing(where: str, machine: MachineSettings) -> BadInput:
    return BadInput(
        where,
        f"machine {machine.name!r}",
        "there are no samples of it in this time",
        "look at --from and --to, and at the name in the machine file",
    )

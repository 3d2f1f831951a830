"""Logged days from wherever they are kept: files, the embedded store, a time-series server."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from borewarden.base.errors import BadInput
from borewarden.base.samples import Samples, rows
from borewarden.collect.labels import Label, labels_path, read_labels
from borewarden.collect.logged import read_log
from borewarden.inspection.labels import labels_of
from borewarden.jewels.jewel import Jewel
from borewarden.replay.one_machine import join_logs
from borewarden.settings import MachineSettings
from borewarden.store.database import open_store, read_samples
from borewarden.store.influx import InfluxSettings
from borewarden.store.influx import read_samples as read_from_influx
from borewarden.store.inspections import inspections
from borewarden.store.register import fittings


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

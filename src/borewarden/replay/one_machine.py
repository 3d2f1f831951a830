"""Replay logged days through the very watcher that runs live."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from borewarden.base.errors import BadInput
from borewarden.base.samples import Samples, rows
from borewarden.collect.labels import Label, labels_path, read_labels
from borewarden.collect.logged import read_log
from borewarden.jewels.fitting import Fitting
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Pump
from borewarden.settings import MachineSettings
from borewarden.store.database import (
    forget,
    newest_sample_ns,
    open_store,
    open_to_read,
    transaction,
    write_learned,
)
from borewarden.store.owner import owned
from borewarden.store.queries import is_watched
from borewarden.store.register import fittings, newest_entry, set_judged_by
from borewarden.watcher.known import Known
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import Verdict
from borewarden.watcher.watcher import Alert, Learned, Watcher, join

BLOCK = 65_536  # samples handed over at a time, for the progress bar


@dataclass(frozen=True)
class Replayed:
    """All that a replay saw and found; arrays of shape (n,), one entry a sample."""

    machine: str
    time_zone: str
    pump: Pump
    settings: WatchSettings
    jewels: list[Jewel]  # in the heads at the end
    samples: Samples
    phases: NDArray[np.int8]
    batches: NDArray[np.void]  # dtype RESULT, one row a batch
    alerts: list[Alert]
    verdict: Verdict
    labels: list[Label]
    jet_hours: float
    missed_hours: float
    judged_hours: float  # of steady jet
    unjudged_hours: float  # of jet, since the newest batch that was judged
    known: tuple[Known, ...] = ()
    idle_hours: float = 0.0  # of the jet hours, in which the crank idled
    guessed: tuple[str, ...] = ()  # figures of the pump and of these jewels that nobody stated


def replay_samples(
    watcher: Watcher, samples: Samples, block: int = BLOCK
) -> Iterator[tuple[Samples, Learned]]:
    """Feed `samples` to `watcher` block by block, and give each block with what came of it."""
    for start in range(0, len(samples.time_ns), block):
        part = rows(samples, start, start + block)
        yield part, watcher.learn_many(part)


def replay_logs(
    machine: MachineSettings,
    logs: list[Path],
    store: Path | None = None,
    progress: Callable[[int, int], None] = lambda done, of: None,
    books: Path | None = None,
) -> Replayed:
    """Replay logged days of one machine, in the order given, as one stretch of time.

    Jewels are those of the machine's file and, where there is a `store`, of the register in it; if
    that has none of this machine, of the register in `books`, another store. All `logs` are read
    and checked before anything is written; the store then takes all of the replay or none of it.
    `progress` hears of samples done, and of how many. Raises BadInput, also for a store that
    another process writes to, or into which this machine is watched.
    """
    log_format = machine.log_format()
    parts = [read_log(log, log_format) for log in logs]
    samples = join_logs(logs, parts)
    _check_fitted(machine, logs, parts)
    labels = [
        label
        for log, part in zip(logs, parts, strict=True)
        if labels_path(log).exists()
        for label in read_labels(
            labels_path(log), machine.time_zone, (int(part.time_ns[0]), int(part.time_ns[-1]))
        )
    ]
    total = len(samples.time_ns)
    learned: list[Learned] = []
    with ExitStack() as stack:
        connection = None
        register = registered(books, machine.name)
        if store is not None:
            stack.enter_context(owned(store, "borewarden replay"))
            connection = stack.enter_context(open_store(store))
            check_not_watched(connection, store, machine.name)
            stack.enter_context(transaction(connection))
            register = list(fittings(connection, machine.name).values()) or register
            forget(connection, machine.name, int(samples.time_ns[0]), int(samples.time_ns[-1]))
            if newest_sample_ns(connection, machine.name) is None:  # this is all there is
                set_judged_by(connection, machine.name, newest_entry(connection))
        watcher = machine.build_watcher(register)
        done = 0
        for part, made in replay_samples(watcher, samples):
            learned.append(made)
            if connection is not None:
                write_learned(connection, machine.name, part, made)
            done += len(part.time_ns)
            progress(done, total)
    whole = join(learned)
    return Replayed(
        machine=machine.name,
        time_zone=machine.time_zone,
        pump=watcher.pump,
        settings=watcher.settings,
        jewels=watcher.jewels,
        samples=samples,
        phases=whole.phases,
        batches=whole.batches,
        alerts=whole.alerts,
        verdict=watcher.verdict(),
        labels=labels,
        jet_hours=watcher.jet_hours,
        missed_hours=watcher.missed_hours,
        judged_hours=watcher.judged_hours,
        unjudged_hours=watcher.unjudged_hours,
        idle_hours=watcher.idle_hours,
        known=watcher.known(),
        guessed=machine.guessed_of(watcher.jewels),
    )


def registered(books: Path | None, machine: str) -> list[Fitting]:
    """What the register in the store `books` holds of `machine`; nothing if there is none."""
    if books is None or not books.exists():
        return []
    try:
        with open_to_read(books) as connection:
            query = "SELECT 1 FROM sqlite_master WHERE name = 'register'"
            has_one = connection.execute(query).fetchone() is not None
            return list(fittings(connection, machine).values()) if has_one else []
    except sqlite3.DatabaseError as error:
        raise BadInput(books, "file", f"is not a store ({error})", "give a store") from None


def check_not_watched(connection: sqlite3.Connection, store: Path, machine: str) -> None:
    """BadInput if `machine` is watched into `store`: a logged day would be its newest verdict."""
    if is_watched(connection, machine):
        raise BadInput(
            store,
            f"machine {machine!r}",
            "it is watched live into this store, and a logged day must not mix with that",
            "give the replay a store of its own: --store replay.db",
        )


def join_logs(logs: list[Path], parts: list[Samples]) -> Samples:
    """One stretch of samples from several logs. Raises BadInput if they overlap or go back."""
    for earlier, later, log in zip(parts, parts[1:], logs[1:], strict=False):
        if later.time_ns[0] <= earlier.time_ns[-1]:
            raise BadInput(
                log,
                "first row",
                "it starts before the log named before it ends",
                "name the logs in order of time, each hour once",
            )
    return Samples._make(np.concatenate(channels) for channels in zip(*parts, strict=True))


def _check_fitted(machine: MachineSettings, logs: list[Path], parts: list[Samples]) -> None:
    """BadInput for a log that ends before any jewel was fitted: nobody states its bore."""
    first_ns = min(jewel.fitted_ns for jewel in machine.jewels())
    for log, part in zip(logs, parts, strict=True):
        if part.time_ns[-1] < first_ns:
            fitted = datetime.fromtimestamp(first_ns / 1e9, ZoneInfo(machine.time_zone))
            raise BadInput(
                log,
                "last row",
                f"the log ends before the first jewel was fitted, {fitted.isoformat()}",
                "state the jewel of that day as a [[jewel]] of the machine",
            )

"""Replay the logged days of many machines, here or on a cluster.

A watcher has to see the samples of its machine in order of time and needs no other machine, so one
machine is one task. A task reads logs and gives back what it found; it writes nothing. The store
and the table are written by the one who asked.
"""

from __future__ import annotations

import csv
import io
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.cells import harmless
from borewarden.base.errors import BadInput
from borewarden.base.files import read_file, resolved
from borewarden.base.parallel import spread
from borewarden.base.samples import samples_of
from borewarden.replay.one_machine import check_not_watched, replay_logs
from borewarden.settings import MachineSettings, load_machine
from borewarden.store.database import forget_learned, open_store, transaction, write_learned
from borewarden.store.owner import owned
from borewarden.watcher.verdict import Verdict
from borewarden.watcher.watcher import Alert, Learned

LOG_KINDS = (".csv", ".parquet", ".xlsx", ".ods")


class MachineLogs(NamedTuple):
    """One task: a machine and its logs in order of time."""

    machine: MachineSettings
    logs: tuple[Path, ...]
    file: Path | None = None  # of the machine


@dataclass(frozen=True)
class Found:
    """What the replay of one machine found, but for its batches; samples stay in the logs."""

    machine: str
    first_ns: int
    last_ns: int
    samples: int
    jet_hours: float
    missed_hours: float
    unjudged_hours: float  # of jet, since the newest batch that was judged
    verdict: Verdict
    alerts: list[Alert]


@dataclass(frozen=True)
class Refused:
    """A machine that could not be replayed, and why."""

    machine: str
    reason: str


def replay_machine(task: MachineLogs) -> tuple[Found, NDArray[np.void]] | Refused:
    """Replay one machine, and give its batches too: dtype `RESULT`, one row a batch.

    It comes out the same on whatever computer it is done.
    """
    try:
        result = replay_logs(task.machine, list(task.logs))
    except BadInput as bad:
        return Refused(task.machine.name, str(bad))
    found = Found(
        machine=result.machine,
        first_ns=int(result.samples.time_ns[0]),
        last_ns=int(result.samples.time_ns[-1]),
        samples=len(result.samples.time_ns),
        jet_hours=result.jet_hours,
        missed_hours=result.missed_hours,
        unjudged_hours=result.unjudged_hours,
        verdict=result.verdict,
        alerts=result.alerts,
    )
    return found, result.batches


def replay_fleet(
    tasks: list[MachineLogs],
    store: Path | None = None,
    processes: int = 1,
    scheduler: str | None = None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> list[Found | Refused]:
    """Replay every machine, see `spread` for where; the answers are in the order of `tasks`.

    Batches and alerts go into `store` machine by machine as they come, in place of those of the
    same hours. What is wrong with one machine holds up no other. Raises as `spread` does, and
    BadInput for a store that another process writes to, or into which one of them is watched.
    """
    answers: dict[int, Found | Refused] = {}
    with ExitStack() as stack:
        connection = None
        if store is not None:
            stack.enter_context(owned(store, "borewarden fleet"))
            connection = stack.enter_context(open_store(store))
            for task in tasks:
                check_not_watched(connection, store, task.machine.name)
        for i, answer in spread(replay_machine, tasks, processes, scheduler):
            match answer:
                case (found, batches):
                    if connection is not None:
                        _write(connection, found, batches)
                    answers[i] = found
                case Refused():
                    answers[i] = answer
                case error:
                    answers[i] = Refused(tasks[i].machine.name, f"{type(error).__name__}: {error}")
            progress(len(answers), len(tasks))
    return [answers[i] for i in range(len(tasks))]


def _write(connection: sqlite3.Connection, found: Found, batches: NDArray[np.void]) -> None:
    no_samples = samples_of(np.empty(0, dtype=np.int64))
    learned = Learned(np.empty(0, dtype=np.int8), batches, found.alerts)
    with transaction(connection):
        forget_learned(connection, found.machine, found.first_ns, found.last_ns)
        write_learned(connection, found.machine, no_samples, learned)


# -- which machines, which logs


def tasks_of_folders(machines: Path, logs: Path) -> tuple[list[MachineLogs], list[Path]]:
    """A task for each NAME.toml in `machines` that has logs, and the logs that nobody claims.

    The logs of NAME.toml are the CSV, Parquet and spreadsheet files in `logs` whose names begin
    with "NAME-", and all of those in a folder `logs`/NAME, in the order of their names. Raises
    BadInput.
    """
    for folder in (machines, logs):
        if not folder.is_dir():
            raise BadInput(folder, "folder", "there is no such folder", "give a folder")
    files = sorted(machines.glob("*.toml"))
    claimed: dict[str, list[Path]] = {file.stem: [] for file in files}
    unclaimed = []
    for log in sorted(path for kind in LOG_KINDS for path in logs.rglob(f"*{kind}")):
        if log.name.endswith(".labels.csv"):
            continue
        names = [log.parent.name] if log.parent != logs else []
        # the longest one, so that north-2.toml is not robbed by north.toml
        names += sorted((n for n in claimed if log.name.startswith(f"{n}-")), key=len)[-1:]
        name = next((name for name in names if name in claimed), None)
        if name is None:
            unclaimed.append(log)
        else:
            claimed[name].append(log)
    wanted = [(file, claimed[file.stem]) for file in files if claimed[file.stem]]
    if not wanted:
        raise BadInput(
            logs,
            "folder",
            f"it has no log of any machine file in {machines}",
            "name logs like the machine file, north.toml: north-2026-03-04.csv or north/….csv",
        )
    return _tasks(wanted), unclaimed


def tasks_of_list(path: Path) -> list[MachineLogs]:
    """A task for each machine of a CSV file with the columns `machine` and `log`, a row a log.

    Paths are relative to that file; logs are in order of time. Raises BadInput.
    """
    columns = ("machine", "log")
    wanted: dict[Path, list[Path]] = {}
    content = read_file(path, "give a list")
    try:
        with io.StringIO(content.decode("utf-8-sig"), newline="") as file:
            rows = csv.DictReader(file)
            if not set(columns) <= set(rows.fieldnames or ()):
                raise BadInput(path, "header", f"has {rows.fieldnames or 'nothing'}", "machine,log")
            for row in rows:
                machine, log = (row[column] for column in columns)
                if not machine or not log or "\0" in machine + log:
                    raise BadInput(
                        path,
                        f"line {rows.line_num}",
                        "lacks a field, or has one that is not a path",
                        "machine file, log file",
                    )
                wanted.setdefault(path.parent / machine, []).append(path.parent / log)
    except (UnicodeDecodeError, csv.Error):
        raise BadInput(path, "file", "is not UTF-8 text", "save it as UTF-8 CSV") from None
    if not wanted:
        raise BadInput(path, "rows", "there are none", "a row for each log: machine,log")
    return _tasks(wanted.items())


def _tasks(wanted: Iterable[tuple[Path, list[Path]]]) -> list[MachineLogs]:
    tasks: list[MachineLogs] = []
    files: dict[str, Path] = {}
    for file, logs in wanted:
        machine = load_machine(file)
        if machine.name in files:
            raise BadInput(
                file,
                "name",
                f"{machine.name!r} is in {files[machine.name]} too",
                "name each machine once",
            )
        files[machine.name] = file
        # a worker has a working directory of its own
        tasks.append(MachineLogs(machine, tuple(resolved(log) for log in logs), file))
    return tasks


# -- the table

COLUMNS = (
    "machine", "state", "ne107", "jet_hours", "missed_hours", "unjudged_hours", "samples",
    "first", "last", "alerts", "first_alert", "onset", "step", "probability", "cause", "reason",
)  # fmt: skip


def write_table(answers: list[Found | Refused], path: Path) -> None:
    """Write a CSV file, one row a machine, times UTC; of a refused one only `reason`."""
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.DictWriter(file, COLUMNS)
        rows.writeheader()
        for answer in answers:
            if isinstance(answer, Refused):
                row: dict[str, object] = {"machine": answer.machine, "reason": answer.reason}
            else:
                row = _row(answer)
            rows.writerow({name: harmless(cell) for name, cell in row.items()})


def _row(found: Found) -> dict[str, object]:
    verdict = found.verdict
    return {
        "machine": found.machine,
        "state": verdict.state.value,
        "ne107": verdict.state.ne107,
        "jet_hours": found.jet_hours,
        "missed_hours": found.missed_hours,
        "unjudged_hours": found.unjudged_hours,
        "samples": found.samples,
        "first": _utc(found.first_ns),
        "last": _utc(found.last_ns),
        "alerts": len(found.alerts),
        "first_alert": _utc(found.alerts[0].time_ns) if found.alerts else "",
        "onset": "" if verdict.onset_ns is None else _utc(verdict.onset_ns),
        "step": verdict.step,
        "probability": verdict.probability,
        "cause": verdict.causes[0].cause.value if verdict.causes else "",
        "reason": verdict.reason,
    }


def _utc(time_ns: int) -> str:
    return datetime.fromtimestamp(time_ns // 1_000_000 / 1e3, UTC).isoformat()

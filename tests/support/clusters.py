"""A real dask cluster on loopback for the tests: a scheduler and workers, each a process."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

PATIENCE = 60.0  # s, a bound only


class Cluster(NamedTuple):
    """Where the scheduler is, and the processes; the workers' by their names."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: dict[str, subprocess.Popen[bytes]]


@contextmanager
def cluster(folder: Path, workers: int) -> Iterator[Cluster]:
    """A scheduler with so many workers of one thread each; their words go to files in `folder`."""
    started: list[subprocess.Popen[bytes]] = []

    def start(module: str, name: str, *options: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.{module}", *options, "--no-dashboard"]
        with (folder / f"{name}.log").open("wb") as words:
            started.append(subprocess.Popen(command, cwd=folder, stdout=words, stderr=words))
        return started[-1]

    try:
        scheduler = start("dask_scheduler", "scheduler", "--host=127.0.0.1", "--port=0")
        address = ""
        until = time.monotonic() + PATIENCE
        while not address:
            assert time.monotonic() < until, (folder / "scheduler.log").read_text()
            time.sleep(0.05)
            for line in (folder / "scheduler.log").read_text().splitlines():
                if "Scheduler at:" in line:
                    address = line.split()[-1]
        names = [f"worker-{i}" for i in range(workers)]
        options = (address, "--host=127.0.0.1", "--nthreads=1", "--no-nanny")
        by_name = {name: start("dask_worker", name, *options, f"--name={name}") for name in names}
        yield Cluster(address, scheduler, by_name)
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()

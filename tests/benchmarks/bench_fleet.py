"""Figures, not tests: `borewarden fleet` on 1 and 2 workers of a real dask cluster, and without.

`python tests/benchmarks/bench_fleet.py [MACHINES]` replays that many copies of the invented days,
times each way, and prints the memory of the workers. Bounded in count; loopback only.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "support"))

from distributed import Client  # noqa: E402

from borewarden.base.parallel import spread  # noqa: E402
from borewarden.replay.fleet import (  # noqa: E402
    Found,
    MachineLogs,
    Refused,
    _write,
    replay_fleet,
    replay_machine,
)
from borewarden.settings import load_machine  # noqa: E402
from borewarden.store.database import open_store  # noqa: E402
from clusters import cluster  # noqa: E402

DAYS = {
    "north": "north-2026-03-04-chip.csv",
    "south": "south-2026-03-05-chip.csv",
    "west": "west-2026-03-03-sound.parquet",
}


def peak(pid: int) -> float:
    """The most resident memory that a process had so far, MiB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024
    return 0.0


def written_a_second(folder: Path) -> float:
    """Batches that one client writes in a second."""
    machine = load_machine(ROOT / "config" / "north.toml")
    log = ROOT / "replay_data" / "north-2026-03-09-wear.parquet"
    answer = replay_machine(MachineLogs(machine, (log,)))
    assert not isinstance(answer, Refused)
    found, batches = answer
    with open_store(folder / "written.db") as connection:
        begun = time.monotonic()
        for i in range(100):
            _write(connection, replace(found, machine=f"North {i}"), batches)
        return 100 * len(batches) / (time.monotonic() - begun)


def main() -> None:
    machines = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    tasks = []
    for i in range(machines):
        name = list(DAYS)[i % len(DAYS)]
        machine = load_machine(ROOT / "config" / f"{name}.toml")
        machine = machine.model_copy(update={"name": f"{machine.name} {i:05d}"})
        tasks.append(MachineLogs(machine, (ROOT / "replay_data" / DAYS[name],)))
    replay_fleet(tasks[:3])  # compiles

    def timed(way: str, store: Path, scheduler: str | None = None, processes: int = 1) -> float:
        begun = time.monotonic()
        answers = replay_fleet(tasks, store, processes, scheduler)
        took = time.monotonic() - begun
        samples = sum(answer.samples for answer in answers if isinstance(answer, Found))
        print(
            f"{way}: {machines} machine days, {samples} samples, {took:.1f} s, "
            f"{machines / took:.1f} machine days/s, {samples / took:,.0f} samples/s"
        )
        return took

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(f"one client writes {written_a_second(folder):,.0f} batches/s")
        timed("plain loop", folder / "loop.db")
        timed("2 processes, their start included", folder / "two.db", processes=2)
        took = []
        for workers in (1, 2):
            place = folder / str(workers)
            place.mkdir()
            with cluster(place, workers) as at:
                with Client(at.address, set_as_default=False) as client:
                    client.wait_for_workers(workers, 60)
                replay_fleet(tasks[: 6 * workers], scheduler=at.address)  # imports
                if workers == 2:
                    begun = time.monotonic()
                    count = sum(1 for _ in spread(abs, range(5000), scheduler=at.address))
                    print(f"{count / (time.monotonic() - begun):.0f} empty tasks/s")
                took.append(
                    timed(f"{workers} workers of a cluster", place / "fleet.db", at.address)
                )
                peaks = [peak(worker.pid) for worker in at.workers.values()]
                print("  most memory of a worker: " + ", ".join(f"{p:.0f} MiB" for p in peaks))
        with closing(sqlite3.connect(place / "fleet.db")) as connection:
            (batches,) = connection.execute("SELECT count(*) FROM batch").fetchone()
        size = (place / "fleet.db").stat().st_size
        print(f"{size / batches:.0f} B a batch in the store, its alerts included")
        print(f"2 workers are {took[0] / took[1]:.2f} times as quick as 1")


if __name__ == "__main__":
    main()

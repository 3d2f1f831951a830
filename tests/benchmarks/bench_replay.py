"""Figures, not tests: `python tests/benchmarks/bench_replay.py` prints speed and ratios.

Samples a second of the replay on one core, beside plain reading of the same file and beside
river's own drift detectors on the same numbers in the same run. Nothing is asserted.
"""

from __future__ import annotations

import pickle
import resource
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from river import drift

from borewarden.base.samples import rows
from borewarden.collect.logged import read_log
from borewarden.replay.one_machine import replay_logs, replay_samples
from borewarden.settings import load_machine

ROOT = Path(__file__).parents[2]
LOGS = (
    ("north", "north-2026-03-09-wear.parquet"),
    ("north", "north-2026-03-04-chip.csv"),
    ("south", "south-2026-03-05-chip.csv"),
    ("west", "west-2026-03-03-sound.parquet"),
)


def best(function: Callable[[], object], times: int = 5) -> float:
    """Least wall time of `times` runs, s."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        function()
        took.append(time.perf_counter() - start)
    return min(took)


def against(function: Callable[[], object], other: Callable[[], object], times: int = 15) -> float:
    """How many times the wall time of `other` a `function` takes: median of pairs in turn."""
    return statistics.median(best(function, 1) / best(other, 1) for _ in range(times))


def main() -> None:
    for name, log in LOGS:
        machine = load_machine(ROOT / "config" / f"{name}.toml")
        path = ROOT / "replay_data" / log
        log_format = machine.log_format()
        samples = read_log(path, log_format)
        n = len(samples.time_ns)
        plain = pd.read_parquet if path.suffix == ".parquet" else pd.read_csv

        def watch() -> None:
            for _ in replay_samples(machine.build_watcher(), samples):  # noqa: B023
                pass

        model = best(watch)
        raw = best(lambda: plain(path))  # noqa: B023
        read = against(lambda: read_log(path, log_format), lambda: plain(path))  # noqa: B023
        without = best(lambda: replay_logs(machine, [path]))  # noqa: B023
        with tempfile.TemporaryDirectory() as folder:
            store = Path(folder) / "bench.db"
            stored = best(lambda: replay_logs(machine, [path], store), 3)  # noqa: B023
        print(f"{log}: {n} samples")
        print(f"  watcher alone          {n / model:12,.0f} samples/s  {model / n * 1e6:6.2f} us")
        print(
            f"  replay, read included  {n / without:12,.0f} samples/s  {without / n * 1e6:6.2f} us"
        )
        print(f"  replay into the store  {n / stored:12,.0f} samples/s  {stored / n * 1e6:6.2f} us")
        print(f"  watcher / plain pandas read of the file  {model / raw:6.2f}")
        print(f"  read_log / plain pandas read             {read:6.2f}")

    values = np.random.default_rng(1).normal(size=50_000).tolist()
    for detector in (drift.ADWIN(), drift.PageHinkley()):

        def feed() -> None:
            for value in values:
                detector.update(value)  # noqa: B023

        took = best(feed, 3) / len(values)
        print(f"river {type(detector).__name__:12s} {took * 1e6:6.2f} us an update")
    machine = load_machine(ROOT / "config" / "south.toml")
    samples = read_log(ROOT / "replay_data" / "south-2026-03-05-chip.csv", machine.log_format())
    watcher = machine.build_watcher()

    # a collector hands over blocks of its own making, so cutting them out of a log is not counted
    ones = [rows(samples, i, i + 1) for i in range(20_000, 25_000)]

    def live() -> None:
        for one in ones:
            watcher.learn_many(one)

    print(f"live, one sample a call  {best(live, 1) / 5000 * 1e6:6.2f} us a sample")
    held = len(pickle.dumps(watcher)) / 1024.0
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"a watcher holds {held:.0f} KiB; most memory of all this: {most:.0f} MiB")


if __name__ == "__main__":
    main()

"""Figures, not tests: `python tests/benchmarks/bench_jet_time.py` counts three months of jet hours.

7.8 million invented samples at 1 Hz in a real store, two jewels a week: how long the jet hours and
pressure-hours of all of them take, how their jet was first opened, and how long the last days take
to be judged anew after the register has changed. Nothing is asserted.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np

from borewarden.collect.logged import read_log
from borewarden.jewels.fitting import Fitting
from borewarden.settings import load_machine
from borewarden.store.database import judge_anew, open_store, transaction, write_learned
from borewarden.store.jet_times import jet_times, openings
from borewarden.watcher.watcher import Learned

ROOT = Path(__file__).parents[2]
DAYS = 90
DAY_NS = 86_400 * 10**9


def main() -> None:
    machine = load_machine(ROOT / "config" / "north.toml")
    log = ROOT / "replay_data" / "north-2026-03-04-chip.csv"
    samples = read_log(log, machine.log_format())
    phases, _ = machine.build_watcher().gate.learn_many(samples)
    day = np.resize(np.arange(len(phases)), 86_400)  # the logged hours over and over
    samples = type(samples)._make(channel[day] for channel in samples)
    start_ns = int(samples.time_ns[0])
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "a.db") as connection:
        for i in range(DAYS):
            time_ns = start_ns + i * DAY_NS + np.arange(86_400) * 10**9
            with transaction(connection):
                block = samples._replace(time_ns=time_ns)
                learned = Learned(phases[day], np.zeros(0, dtype="i1,i1"), [])
                write_learned(connection, "North", block, learned)
        half_week = 3.5 * DAY_NS
        held = {
            i: Fitting(
                "North", "1", start_ns + round(i * half_week), 0.254e-3, "ruby",
                out_ns=start_ns + round((i + 1) * half_week),
            )
            for i in range(round(2 * DAYS / 7))
        }  # fmt: skip
        for what, count in (("jet hours", jet_times), ("first starts", openings)):
            begun = time.perf_counter()
            count(connection, held)
            took = time.perf_counter() - begun
            print(f"{what} of {len(held)} jewels, {DAYS * 86_400} samples: {took:.2f} s")
        for days in (1, 30):
            begun = time.perf_counter()
            watcher = machine.build_watcher()
            with transaction(connection):
                since_ns = start_ns + (DAYS - days) * DAY_NS
                for _ in judge_anew(connection, "North", since_ns, watcher.learn_many):
                    pass
            print(f"{days} days judged anew: {time.perf_counter() - begun:.2f} s")


if __name__ == "__main__":
    main()

"""Figures, not tests: how often the second opinion alarms by itself, and how soon it sees a step.

`python tests/benchmarks/bench_second_opinion.py [JET_HOURS] [RUNS]` feeds it simulated white noise,
one value a batch of 10 s, jewel after jewel of 40 jet hours. Then come so many sound jewels of 40
jet hours for each row of `tests/noise_bed`, through the `Watcher`: who saw a change that was none.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from borewarden import MachineSettings, load_machine
from borewarden.base.samples import samples_of
from borewarden.detect.second_opinion import Opinion, SecondOpinion
from borewarden.tune.trade import false_alarm_rate
from noise_bed import ROWS, Row, machine_file, make

AN_HOUR = 360  # batches
HOURS = 40  # of jet on one jewel
JEWEL = HOURS * AN_HOUR
TIMES = 2000  # that a step is made
BEFORE = AN_HOUR  # batches before a step
PATIENCE = 500
STEPS = (1.0, 2.0, 4.0, 8.0)  # standard deviations of a batch


def fed(opinion: SecondOpinion, values: np.ndarray) -> SecondOpinion:
    """`opinion`, when it has taken the `values`; the watcher tells of nothing."""
    opinion.take([(value, place, False) for place, value in enumerate(values.tolist(), 1)])
    return opinion


def false_alarms(rng: np.random.Generator, hours: int) -> tuple[int, float]:
    """How often it saw a change of white noise in `hours` of jet, and s of processor a batch."""
    alarms, spent = 0, 0.0
    for _ in range(hours * AN_HOUR // JEWEL):
        values = rng.standard_normal(JEWEL)
        start = time.process_time()
        alarms += fed(SecondOpinion(), values).opinion.only_detector
        spent += time.process_time() - start
    return alarms, spent / (hours * AN_HOUR)


def delays(rng: np.random.Generator, step: float) -> np.ndarray:
    """Batches from a step to the end of the one by which it is seen."""
    found = []
    for _ in range(TIMES):
        values = rng.standard_normal(BEFORE + PATIENCE)
        values[BEFORE:] += step
        since = fed(SecondOpinion(), values).opinion.since_ns
        found.append(np.inf if since is None else max(since - BEFORE, 0))
    return np.array(found)


def on_the_bed(machine: MachineSettings, row: Row, runs: int) -> list[int]:
    """Changes seen by both, by the watcher alone and by the detector alone, on sound jewels."""
    times = np.zeros(3, dtype=int)
    for seed in range(510_000, 510_000 + runs):
        run = make(row, "rate", seed, jet_hours=HOURS)
        watcher = machine.build_watcher()
        watcher.learn_many(samples_of(run.time_ns, **run.channels))
        seen = watcher.verdict().second_opinion or Opinion()
        times += (seen.both, seen.only_watcher, seen.only_detector)
    return [int(n) for n in times]


def main() -> None:
    rng = np.random.default_rng(7)
    hours = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    alarms, spent = false_alarms(rng, hours)
    rate, low, high = false_alarm_rate(alarms, hours, 0.95)
    print(f"{alarms} in {hours:,} h: {rate:.2f} ({low:.2f} to {high:.2f}) in 1,000 jet hours")
    print(f"{1e6 * spent:.2f} us a batch")
    for step in STEPS:
        found = delays(rng, step)
        median, late = np.quantile(found, [0.5, 0.95], method="higher")
        print(f"step of {step:g} sd: median {median:g}, 95 % {late:g} batches")
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bed.toml"
        file.write_text(machine_file("rate", valve=False))
        machine = load_machine(file)
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    print(f"sound jewels, {HOURS * runs} jet hours a row: both, watcher alone, detector alone")
    for row in ROWS.values():
        print(f"{row.name}: {on_the_bed(machine, row, runs)}", flush=True)


if __name__ == "__main__":
    main()

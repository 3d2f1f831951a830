"""Figures, not tests: how often a step is told falsely, as believed and as it came.

`python tests/benchmarks/bench_false_rate.py [FIRST_SEED] [RUNS] [--rows 1,2] [--asked 0.5,5]` feeds
sound jewels of `tests/noise_bed`, 40 jet hours each, to the `Watcher`, once for each
`false_alarm_time` in h: the less is asked for, the more alarms come to be counted. Seeds below
100,000 are for tuning.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from borewarden import MachineSettings, load_machine
from borewarden.base.samples import samples_of
from borewarden.detect.false_rate import FalseRate
from borewarden.tune.trade import false_alarm_rate
from borewarden.watcher.watcher import Alert, Watcher
from noise_bed import ROWS, machine_file, make

HOURS = 40.0  # of jet on one jewel
STEPS = ("OPENED", "OTHER_FAULT", "CANNOT_TELL")  # states that a step up may be told as


def steps_told(alerts: list[Alert]) -> int:
    """How many events began with a step up."""
    told, quiet = 0, True
    for alert in alerts:
        verdict = alert.verdict
        is_step = verdict.state.name in STEPS and verdict.step > 0.0
        told += quiet and is_step
        quiet = verdict.state.name in ("SOUND", "LEARNING")
    return told


def judged(machine: MachineSettings, row: int, seed: int, asked: float) -> tuple[FalseRate, int]:
    """What is believed at the end of one jewel, and how many steps up were told."""
    made = machine.build_watcher()
    settings = replace(made.settings, false_alarm_hours=asked)
    watcher = Watcher(made.pump, made.gate.settings, made.jewels, settings)
    run = make(ROWS[row], "rate", seed, jet_hours=HOURS)
    alerts = watcher.learn_many(samples_of(run.time_ns, **run.channels)).alerts
    rate = watcher.verdict().false_rate
    assert rate is not None
    return rate, steps_told(alerts)


def report(row: int, asked: float, found: list[tuple[FalseRate, int]]) -> None:
    rates = [rate for rate, _ in found]
    hours, steps = sum(rate.hours for rate in rates), sum(steps for _, steps in found)
    told = sum(rate.told for rate in rates)
    counted, low, high = false_alarm_rate(steps, hours, 0.95)
    middle, lower, upper = (
        1e3 * float(np.median([getattr(rate, name) for rate in rates]))
        for name in ("middle", "low", "high")
    )
    held = np.mean([1e3 * r.low <= high and low <= 1e3 * r.high for r in rates])
    bounds = np.mean([rate.is_bound for rate in rates])
    print(
        f"{row:2d} {ROWS[row].name:36s} asked {1e3 / asked:g}: counted {counted:.2f} ({low:.2f} to "
        f"{high:.2f}), {steps} of {told} alerts in {hours:.0f} h | believed by one jewel, medians: "
        f"{middle:.2g} ({lower:.2g} to {upper:.2g}), a bound only {bounds:.0%}; meets what was "
        f"counted {held:.0%}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", nargs="?", type=int, default=1)
    parser.add_argument("runs", nargs="?", type=int, default=12)
    parser.add_argument("--rows", default="1,2,3,4,5,6,12")
    parser.add_argument("--asked", default="0.5,5,50")
    wanted = parser.parse_args()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bed.toml"
        file.write_text(machine_file("rate", valve=False))
        machine = load_machine(file)
    for row in map(int, wanted.rows.split(",")):
        for asked in map(float, wanted.asked.split(",")):
            seeds = range(wanted.first, wanted.first + wanted.runs)
            report(row, asked, [judged(machine, row, seed, asked) for seed in seeds])
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()

"""Figures, not tests: delay, onset error and false alarms on simulated days.

`python tests/benchmarks/bench_detection.py [DAYS]` simulates, for each logging of the invented
shop, DAYS days with a +8 % chip in a cut and DAYS sound days, and prints what was measured.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import multiprocessing
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from borewarden.base.samples import Samples
from borewarden.gate.batch import Phase
from borewarden.settings import load_machine
from borewarden.simulate.day import Chip, Day, log_day
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Watcher

ROOT = Path(__file__).parents[2]
LOGGINGS = (
    ("north", 1.0, "intensifier, stroke counter, 1 Hz"),
    ("north", 0.5, "intensifier, stroke counter, 2 Hz"),
    ("north", 0.1, "intensifier, stroke counter, 10 Hz"),
    ("west", 1.0, "intensifier, stroke rate, 1 Hz"),
    ("south", 1.0, "direct drive, 1 Hz"),
)
FIRST = dt.date(2026, 3, 3)


def watch(machine: str, day: Day) -> tuple[Samples, Watcher, list, np.ndarray]:
    """One simulated day through a fresh watcher."""
    settings = load_machine(ROOT / "config" / f"{machine}.toml")
    watcher = settings.build_watcher()
    samples = log_day(day, watcher.pump, settings.jewels()[0])
    learned = watcher.learn_many(samples)
    return samples, watcher, learned.alerts, learned.phases


def one(task: tuple[str, float, int]) -> tuple[float, float, float, int, float]:
    """Delay in jet seconds, onset error in s, at the alert and at the end of the day; false alerts
    and jet hours of the same day without the chip."""
    machine, sample_time, seed = task
    rng = np.random.default_rng(seed)
    day = Day(
        FIRST,
        1,
        seed,
        "Europe/Vienna",
        0.70 if machine == "south" else 0.65,
        sample_time=sample_time,
        logs_rate=machine == "west",
    )
    samples, watcher, alerts, phases = watch(machine, day)
    false_alerts, jet_hours = len(alerts), watcher.gate.jet_hours
    # chip at a steady moment of the sound day, in the second to eighth hour
    hours = (samples.time_ns - samples.time_ns[0]) / 3600e9
    steady = np.flatnonzero((phases == Phase.STEADY) & (hours > 2.0) & (hours < 8.0))
    at_ns = int(samples.time_ns[rng.choice(steady)])
    at = dt.datetime.fromtimestamp(at_ns / 1e9, ZoneInfo("Europe/Vienna")).replace(tzinfo=None)
    chip = Chip(at, 0.047, 1.08 / 1.047 - 1.0)
    samples, watcher, alerts, phases = watch(machine, dataclasses.replace(day, chips=(chip,)))
    opened = [alert for alert in alerts if alert.verdict.state is State.OPENED]
    if not opened:
        return np.inf, np.inf, np.inf, false_alerts, jet_hours
    step = np.diff(samples.time_ns, prepend=samples.time_ns[0]) / 1e9
    on = np.isin(phases, [Phase.RAMP, Phase.PIERCE, Phase.STEADY])
    span = (samples.time_ns > at_ns) & (samples.time_ns <= opened[0].time_ns)
    error = ((opened[0].verdict.onset_ns or 0) - at_ns) / 1e9
    later = ((watcher.verdict().onset_ns or 0) - at_ns) / 1e9  # after a look at more batches
    return float(step[on & span].sum()), error, later, false_alerts, jet_hours


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    print(f"+8 % chip in a cut, {days} days each; default settings")
    with multiprocessing.Pool(2) as pool:
        for machine, sample_time, name in LOGGINGS:
            tasks = [(machine, sample_time, 1000 + i) for i in range(days)]
            delay, error, later, false_alerts, hours = np.array(pool.map(one, tasks)).T
            median, late = np.quantile(delay, [0.5, 0.95])
            in_time, dated = np.mean(delay < 180.0), np.mean(np.abs(error) < 60.0)
            settled = np.mean(np.abs(later) < 60.0)
            print(
                f"{name}: delay in jet time median {median:.0f} s, 95 % {late:.0f} s, "
                f"within 180 s {in_time:.0%}; onset within 60 s {dated:.0%}, later {settled:.0%}; "
                f"false alerts {false_alerts.sum():.0f} in {hours.sum():.0f} jet hours",
                flush=True,
            )


if __name__ == "__main__":
    main()

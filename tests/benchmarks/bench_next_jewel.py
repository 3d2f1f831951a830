"""Figures, not tests: what a new jewel gains from the pump's earlier one.

`python tests/benchmarks/bench_next_jewel.py [FIRST_SEED] [RUNS] [--rows 1,2] [--kinds rate]` has a
pump of `tests/noise_bed` cut for 12 jet hours with one jewel and for some with the next, through
the machine file and the `Watcher`; the second one chips `AFTER` so many jet hours. Beside it, the
same second jewel on a pump of which nothing is known. Seeds below 100,000 are for tuning.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from borewarden import MachineSettings, load_machine
from borewarden.base.samples import Samples, samples_of
from borewarden.tune.trade import false_alarm_rate
from borewarden.watcher.watcher import Alert, Handed, Watcher
from noise_bed import ROWS, machine_file, make

EARLIER, SOUND = 12.0, 6.0  # jet hours of the first jewel, and of the second while it is sound
AFTER = (0.3, 1.0, 3.0)  # jet hours of the second jewel until it chips
SIZES = (0.04, 0.06)
PATIENCE = 2.0  # jet hours after that
QUIET = ("SOUND", "LEARNING", "WEARING")


class Chip(NamedTuple):
    """A chip of the second jewel, by the jet hours it had then; of size 0 if it stays sound."""

    after: float
    size: float


@cache
def machine(kind: str) -> MachineSettings:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bed.toml"
        file.write_text(machine_file(kind, valve=False))
        return load_machine(file)


def cut(row: int, kind: str, seed: int, hours: float, chip: Chip | None) -> tuple[Samples, float]:
    """Samples of so many jet hours, and the moment of the chip, ns."""
    if chip is None or chip.size == 0.0:
        run = make(ROWS[row], kind, seed, jet_hours=hours)
        return samples_of(run.time_ns, **run.channels), np.inf
    at = chip.after * 3600.0
    run = make(ROWS[row], kind, seed, jet_hours=hours, step=chip.size, step_at=at)
    chipped = int(np.searchsorted(run.jet_s, at))
    return samples_of(run.time_ns, **run.channels), float(run.time_ns[chipped])


def second(kind: str, samples: Samples, handed: Handed | None) -> list[Alert]:
    """Alerts of the second jewel, with what the first has left, if that is known."""
    watcher = machine(kind).build_watcher()
    first = watcher.jewels[0]
    fitted_ns = int(samples.time_ns[0]) - 1
    jewel = replace(first, fitted_ns=fitted_ns)
    watcher = Watcher(watcher.pump, watcher.gate.settings, [jewel], watcher.settings)
    if handed is not None:
        watcher.begin_with({}, handed._replace(since_ns=fitted_ns))
    return watcher.learn_many(samples).alerts


def left_by(kind: str, samples: Samples) -> Handed:
    """What the first jewel leaves to one that is fitted after its last sample."""
    watcher = machine(kind).build_watcher()
    first, end_ns = watcher.jewels[0], int(samples.time_ns[-1])
    jewels = [first, replace(first, fitted_ns=end_ns + 1)]
    watcher = Watcher(watcher.pump, watcher.gate.settings, jewels, watcher.settings)
    one_more = Samples._make(channel[-1:] for channel in samples)
    watcher.learn_many(samples)
    learned = watcher.learn_many(one_more._replace(time_ns=one_more.time_ns + 2))
    (handed,) = learned.handed
    return handed


def delay(alerts: Sequence[Alert], chipped_ns: float) -> float:
    """Seconds by the clock from the chip to the first alert, `PATIENCE` at most.

    nan if one came before the chip.
    """
    told = [a.time_ns for a in alerts if a.verdict.state.name not in QUIET]
    if told and told[0] <= chipped_ns:
        return np.nan
    return min((told[0] - chipped_ns) * 1e-9 if told else np.inf, PATIENCE * 3600.0)


def garwood(count: int, hours: float) -> str:
    rate = false_alarm_rate(count, hours, 0.95)
    return f"{count} in {hours:.0f} h ({rate.low:.1f} to {rate.high:.1f} in 1,000 h)"


def on_row(row: int, kind: str, first: int, runs: int) -> None:
    chips = [Chip(after, size) for after in AFTER for size in SIZES]
    delays = {(chip, known): list[float]() for chip in chips for known in (False, True)}
    false = {False: 0, True: 0}
    for seed in range(first, first + runs):
        earlier, _ = cut(row, kind, seed, EARLIER, None)
        handed = left_by(kind, earlier)
        for known in (False, True):
            sound, _ = cut(row, kind, seed + 10_000, SOUND, None)
            alerts = second(kind, sound, handed if known else None)
            false[known] += sum(a.verdict.state.name not in QUIET for a in alerts)
        for chip in chips:
            samples, chipped_ns = cut(row, kind, seed + 20_000, chip.after + PATIENCE, chip)
            for known in (False, True):
                alerts = second(kind, samples, handed if known else None)
                delays[chip, known].append(delay(alerts, chipped_ns))
    print(f"{row} {ROWS[row].name}, {kind}")
    for known in (False, True):
        words = "with" if known else "without"
        print(f"  {words}: false alerts {garwood(false[known], SOUND * runs)}")
    for chip in chips:
        for known in (False, True):
            found = np.array(delays[chip, known])
            kept = found[~np.isnan(found)]
            print(
                f"  +{100 * chip.size:.0f} % after {chip.after:g} h, "
                f"{'with' if known else 'without'}: median {np.median(kept):.0f}, "
                f"mean {np.mean(kept):.0f}, 95 % {np.quantile(kept, 0.95):.0f} s; told before "
                f"{len(found) - len(kept)}",
                flush=True,
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", nargs="?", type=int, default=1)
    parser.add_argument("runs", nargs="?", type=int, default=40)
    parser.add_argument("--rows", default="1,2,3,4,5,7,9,12")
    parser.add_argument("--kinds", default="rate")
    asked = parser.parse_args()
    began = time.perf_counter()
    for kind in asked.kinds.split(","):
        for row in asked.rows.split(","):
            on_row(int(row), kind, asked.first, asked.runs)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()

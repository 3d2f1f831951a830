"""Days of the second plant, made once and kept, so that any version is judged on them in seconds.

    python tests/benchmarks/kept_days.py make FOLDER KIND FROM TO [INTERVAL] [DAYS]
    python tests/benchmarks/kept_days.py judge FOLDER KIND FROM TO [INTERVAL] [DAYS]

Of `bench_second_plant` eight days in a row of forty machines take minutes, nearly all of them to
make and read the days. `make` keeps what was read, of the last day once sound and once with a chip;
`judge` lets the watcher of this tree learn from it and prints a line for each machine and one for
all. What is told, and when, is the same. KIND is counter, rate, floating or regulated. Folders are
Python's own files: read none that others made. Seeds below 100,000 are for tuning.
"""

from __future__ import annotations

import copy
import pickle
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_second_plant import (
    CHIPS,
    LOGGED,
    SLOW,
    SOON,
    cause_of,
    due_after,
    jet_seconds,
    raised,
    read,
)

from second_plant import day

KINDS = dict(zip(("counter", "rate", "floating", "regulated"), LOGGED, strict=True))
Place = tuple[str, str, int, float, int]  # folder, kind, seed, s between rows, days in a row


def _file(place: Place) -> Path:
    folder, kind, seed, interval, days = place
    return Path(folder) / f"{kind}-{interval:g}-{days}" / f"{seed}.pickle"


def make(place: Place) -> None:
    """Make the days of one machine, and keep them."""
    _, kind, seed, interval, days = place
    pump, signals = LOGGED[KINDS[kind]]
    kept: dict[str, Any] = {"days": []}
    made = None
    for k in range(days):
        last = k == days - 1
        chip = {"fault": "chip", "size": CHIPS[seed % len(CHIPS)]}
        for fault in ({}, chip) if last else ({},):
            one = day(
                pump, seed + 10**7 * k, machine=seed, signals=signals, interval=interval,
                after=made, **fault,
            )  # fmt: skip
            machine, samples, jets = read(one)
            kept.setdefault("machine", machine)
            chip_ns = one.truth["faults"][0]["at_ns"] if fault else None
            kept["days"].append((samples, jets, chip_ns))
        made = one if not last else None
    path = _file(place)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(pickle.dumps(kept))


def judge(place: Place) -> tuple[str, int, float, bool, bool]:
    """What is told of one machine: a line, false alerts, jet h, in time, the bore named first."""
    _, kind, seed, interval, _ = place
    kept = pickle.loads(_file(place).read_bytes())
    watcher = kept["machine"].build_watcher()
    *before, sound, chipped = kept["days"]
    alerts = [alert for samples, _, _ in before for alert in watcher.learn_many(samples).alerts]
    other = copy.deepcopy(watcher)
    alerts += watcher.learn_many(sound[0]).alerts
    false = raised(alerts)
    hours = sum(float(np.sum(on[:, 1] - on[:, 0])) for _, on, _ in (*before, sound)) / 3600e9
    samples, jets, chip_ns = chipped
    told = raised(other.learn_many(samples).alerts, chip_ns)
    delay = jet_seconds(jets, chip_ns, told[0].time_ns) if told else np.inf
    due = due_after(jets, chip_ns, samples.time_ns, interval) if interval >= SLOW else SOON
    first = f"{told[0].verdict.state.name} {cause_of(told[0].verdict)}" if told else "nothing"
    line = f"{kind} {seed}: {len(false)} false alerts in {hours:.1f} jet h; "
    line += f"{first} after {delay:.0f} s of jet"
    return line, len(false), hours, delay <= due, first.endswith("BORE")


if __name__ == "__main__":
    what, folder, kind, first, last = sys.argv[1:6]
    interval = float(sys.argv[6]) if len(sys.argv) > 6 else 1.0
    days = int(sys.argv[7]) if len(sys.argv) > 7 else 8
    places: list[Place] = [
        (folder, kind, seed, interval, days) for seed in range(int(first), int(last) + 1)
    ]
    with ProcessPoolExecutor(2) as workers:
        if what == "make":
            list(workers.map(make, [place for place in places if not _file(place).exists()]))
            sys.exit()
        found = list(workers.map(judge, places))
    print("\n".join(line for line, *_ in found))
    print(
        f"{sum(f[1] for f in found)} false alerts in {sum(f[2] for f in found):.0f} jet h, "
        f"{sum(f[3] for f in found)} of {len(found)} in time, "
        f"the bore named first on {sum(f[4] for f in found)}"
    )

"""Figures, not tests: how long even one who knows all must wait before a step is no disturbance.

`python tests/benchmarks/bench_least_wait.py MACHINES [FIRST_SEED] [DAYS]` takes the disturbances
of `tests/second_plant` from the truth of its days: a valve that sticks, a feed that dips, which
make the area look larger by so much for so long. It asks two things, for so many false alerts in
1,000 jet hours. How long must a step last that is as large as some of them? And how long does it
take to tell a larger step from the largest of them in white noise, by Wald's sequential test (1945,
Ann. Math. Stat. 16, 117-186), which no other test of that error does sooner on average? The watcher
has no part in it.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from second_plant import day

KINDS = ("intensifier", "floating", "regulated")
ASKED = (1.0, 10.0)  # false alerts in 1,000 jet hours
LEAST = (0.02, 0.03, 0.04)  # size of a disturbance, from which on it looks like the step
STEPS = (0.08, 0.15, 0.30)
NOISE = (0.011, 0.02)  # of means over `BATCH`
BATCH = 20.0  # s


def disturbed(machines: int, first: int, days: int) -> tuple[np.ndarray, float]:
    """Size and s of jet of each disturbance, shape (n, 2), and the jet hours."""
    found: list[tuple[float, float]] = []
    hours = 0.0
    for kind in KINDS:
        for seed in range(first, first + machines):
            made = None
            for k in range(days):
                made = day(kind, seed + 10**7 * k, machine=seed, after=made)
                jets = np.array(made.truth["jets"][0]["jet_on"], dtype=float).reshape(-1, 2)
                hours += float(np.sum(jets[:, 1] - jets[:, 0])) / 3600e9
                for one in made.truth["disturbances"]:
                    inside = np.clip(jets, *one["from_to"])
                    seconds = float(np.sum(inside[:, 1] - inside[:, 0])) * 1e-9
                    if seconds > 0.0:
                        found.append((one["size"], seconds))
    return np.array(found), hours


def least_wait(seconds: np.ndarray, allowed: float) -> float:
    """S of jet that no more than `allowed` of them outlast."""
    longest = np.sort(seconds)[::-1]
    return float(longest[int(allowed)]) if allowed < len(longest) else 0.0


def sequential(step: float, largest: float, noise: float, error: float) -> float:
    """Mean s of Wald's test of a step against a disturbance, by (normal) means over `BATCH`."""
    apart = (math.log1p(step) - math.log1p(largest)) / noise
    return BATCH * -math.log(error) / (0.5 * apart * apart)


def main() -> None:
    machines = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 6001
    days = int(sys.argv[3]) if len(sys.argv) > 3 else 8
    found, hours = disturbed(machines, first, days)
    size, seconds = found.T
    print(f"{len(found)} disturbances in {hours:.0f} jet h, up to {size.max():.1%}")
    for asked in ASKED:
        allowed = asked * hours / 1000.0
        for least in LEAST:
            alike = seconds[size >= least]
            print(
                f"asked {asked:g}: {1000 * len(alike) / hours:.0f} in 1,000 h of {least:.0%} and "
                f"more; a step has to last {least_wait(alike, allowed):.0f} s"
            )
        for noise in NOISE:
            for step in STEPS:
                wait = sequential(step, float(size.max()), noise, allowed / len(found))
                last = least_wait(seconds, allowed)
                print(f"asked {asked:g}, {noise:.1%}, +{step:.0%}: {min(wait, last):.0f} s")


if __name__ == "__main__":
    main()

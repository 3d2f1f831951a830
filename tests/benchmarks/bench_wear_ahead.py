"""Figures, not tests: does the interval of the jet hours left hold the truth where wear speeds up?

`python tests/benchmarks/bench_wear_ahead.py [FIRST_SEED] [RUNS]` lets the bore of an invented pump
grow as measured cracks and laser currents did (tests/published), or in a straight line, at 1 Hz
through the `Watcher`. Each growth is scaled so that its limit is the bore's (+8 %), its time so
that the limit comes after some 100 jet hours. Half-way and three quarters of the way to the limit
it asks for the hours left. RUNS straight lines wear to the limit in 100 h, and as many in 25 h.
Seeds below 100,000 are for tuning, those from 100,000 on for reports.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from borewarden.base.samples import rows
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import Intensifier
from borewarden.watcher.watcher import Watcher
from published import crack_growth, laser_growth
from steady import gate_settings, steady_samples

PUMP = Intensifier(0.022, 0.2, 8e-6, 20.0, 1.0, 400e6, 37e3)
JEWEL = Jewel(bore=0.254e-3, material="ruby", fitted_ns=0)
AREA = 0.65 * float(bore_area(JEWEL.bore))
NOISE = 0.03  # of a rate reading, relative: some 0.7 % a batch; invented
LIMIT = 0.08
SHARES = (0.5, 0.75)


class Asked(NamedTuple):
    """Hours left in truth, and what the watcher said: low, middle and high."""

    truth: float
    low: float
    middle: float
    high: float


def growths(
    paths: list[NDArray[np.float64]], hours: float, limit: float
) -> Iterator[NDArray[np.float64]]:
    """Hours and growth of the bore, for each path that comes to its `limit`."""
    for at, growth in paths:
        if growth[-1] >= limit:
            yield np.array([at * hours, growth * LIMIT / limit])


def ask(path: NDArray[np.float64], seed: int) -> list[Asked]:
    """Feed a watcher with a bore that grows so, and ask at each of `SHARES` of the limit."""
    grown = PchipInterpolator(*path)
    second = np.arange(1, int(path[0, -1] * 3600.0))
    growth = np.asarray(grown(second / 3600.0))
    fails = int(np.argmax(growth >= LIMIT)) / 3600.0
    rng = np.random.default_rng(seed)
    samples = steady_samples(PUMP, AREA * (1.0 + growth), as_counter=False, seed=seed)
    noise = 1.0 + rng.normal(0.0, NOISE, len(growth))
    samples = samples._replace(rate=samples.rate * noise)
    watcher = Watcher(PUMP, gate_settings(PUMP, uses_counter=False), [JEWEL])
    asked, began = [], 0
    for share in SHARES:
        until = int(np.argmax(growth >= share * LIMIT))
        watcher.learn_many(rows(samples, began, until))
        began = until
        left = watcher.verdict().hours_to_limit
        assert left is not None
        asked.append(Asked(fails - until / 3600.0, *left))
    return asked


def main() -> None:
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 0
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    crack, laser = crack_growth(), laser_growth()
    straight = [np.array([[0.0, 1.2], [0.0, 1.2 * LIMIT]])] * runs
    kinds = {
        "cracks, to 1.60 in": growths(crack, 1000.0, 1.6 / 0.9 - 1.001),
        "cracks, to 1.26 in": growths(crack, 1000.0, 0.4),
        "lasers, to 5 %": growths(laser, 1.0 / 30.0, 0.05),
        "straight, 100 h": growths(straight, 100.0, LIMIT),
        "straight, 25 h": growths(straight, 25.0, LIMIT),
    }
    print("growth, share of limit: paths, held, middle over truth, width over truth (medians)")
    for name, paths in kinds.items():
        asked = np.array([ask(path, first + k) for k, path in enumerate(paths)])
        for share, one in zip(SHARES, np.moveaxis(asked, 1, 0), strict=True):
            truth, low, middle, high = one.T
            held = np.mean((low <= truth) & (truth <= high))
            print(
                f"{name}, {share}: {len(one)}, {held:.2f}, {np.median(middle / truth):.2f}, "
                f"{np.median((high - low) / truth):.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()

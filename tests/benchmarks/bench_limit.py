"""Figures, not tests: how near the detector comes to the theoretical limit, and river and ruptures.

`python tests/benchmarks/bench_limit.py [RUNS]` prints

1. the mean number of batches between false alarms against the one asked for, on noise of several
   kinds whose scale was learned from 30 batches or from 240, with 95 % intervals;
2. the delay to steps of +2, 4, 8 and 15 % of area at one and the same false-alarm rate, against
   Lorden's (1971, Ann. Math. Stat. 42, 1897-1908) bound log(run length) / KL, KL = step² / (2
   sigma²), river's PageHinkley, ADWIN and KSWIN tuned to that rate, and ruptures' Binseg with the
   whole series before it (the error of its onset: hindsight needs no delay).

All noise is invented. Batches are the unit: 20 s of jet by default.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from river import drift

from borewarden.detect.baseline import robust_noise
from borewarden.detect.step import EXCEEDED, RING, TWO, WINDOW, clip, threshold, weigh
from borewarden.physics import compiled
from borewarden.watcher.learning import MAX_DEGREES_OF_FREEDOM

Floats = NDArray[np.float64]
SIZES = np.log1p(np.array([0.03, 0.05, 0.08, 0.12, 0.20, 0.35]))
SIGMA = 0.02
RUN_LENGTH = 2000.0


@compiled
def first_alarm(
    ring: Any, values: Floats, sigma: float, smallest: float, h: float, sizes: Floats
) -> int:
    for i in range(len(values)):
        row = ring[i % len(ring)]
        row.time = 20.0
        row.timing = 0.0
        row.shared = 0.0
        row.clipped = clip(values[i], 0.5 * sigma * sigma, EXCEEDED[TWO] * h, smallest)
        if weigh(ring, i + 1, sigma, 0.0, smallest, sizes)[0] >= h:
            return i + 1
    return -1


def ours(values: Floats, sigma: float, h: float, smallest: float = 0.02) -> int:
    ring = np.zeros(WINDOW, dtype=RING).view(np.recarray)
    return int(first_alarm(ring, values, sigma, math.log1p(smallest), h, SIZES))


def noise(kind: str, n: int, rng: np.random.Generator) -> Floats:
    white = rng.normal(0.0, 1.0, n)
    if kind == "heavy tails (t, 4)":
        white = rng.standard_t(4.0, n) / math.sqrt(2.0)
    elif kind == "autocorrelated (0.4)":
        for i in range(1, n):
            white[i] = 0.4 * white[i - 1] + math.sqrt(1.0 - 0.16) * white[i]
    elif kind == "quantised (1 sigma)":
        white = np.round(white)
    elif kind == "pulsating":
        beat = math.sqrt(2.0) * np.sin(2.0 * np.pi * (np.arange(n) / 7.3 + rng.random()))
        white = math.sqrt(0.5) * (white + beat)
    return SIGMA * white


def false_alarms(runs: int) -> None:
    print(f"false alarms: batches between them, {RUN_LENGTH:.0f} asked for (95 % interval)")
    for kind in (
        "white",
        "heavy tails (t, 4)",
        "autocorrelated (0.4)",
        "quantised (1 sigma)",
        "pulsating",
    ):
        for learned in (30, 240):
            rng = np.random.default_rng(7)
            alarms, batches = 0, 0
            for _ in range(runs):
                values = noise(kind, learned + 4000, rng)
                first = values[:learned]
                found = robust_noise(first, np.zeros(learned))
                freedom = min(max(found.effective_count - 1.0, 3.0), MAX_DEGREES_OF_FREEDOM)
                h = threshold(RUN_LENGTH, round(freedom))
                # the level is taken as known: the drift line sees to it
                at = ours(values[learned:], found.sigma, h)
                alarms += at > 0
                batches += at if at > 0 else 4000
            low, high = (batches / max(alarms + z * math.sqrt(alarms), 0.5) for z in (1.96, -1.96))
            print(
                f"  {kind:22} learned of {learned:3}: {batches / max(alarms, 1):8.0f}"
                f" ({low:.0f} to {high:.0f})"
            )


def river_alarm(make: Callable[[], Any], values: Floats) -> int:
    detector = make()
    for i, value in enumerate(values):
        detector.update(float(value))
        if detector.drift_detected and (
            not hasattr(detector, "estimation") or detector.estimation > -np.inf
        ):
            return i + 1
    return -1


def run_length_of(make: Callable[[], Any], rng: np.random.Generator, runs: int) -> float:
    alarms, batches = 0, 0
    for _ in range(runs):
        at = river_alarm(make, noise("white", 4000, rng) / SIGMA)
        alarms += at > 0
        batches += at if at > 0 else 4000
    return batches / max(alarms, 0.5)


def tuned(make: Callable[[float], Callable[[], Any]], low: float, high: float, runs: int) -> float:
    """The setting, between `low` (eager) and `high` (slow), that gives the run length."""
    for _ in range(9):
        middle = math.sqrt(low * high)
        if run_length_of(make(middle), np.random.default_rng(3), runs) < RUN_LENGTH:
            low = middle
        else:
            high = middle
    return high


def delays(runs: int) -> None:
    h = threshold(RUN_LENGTH, MAX_DEGREES_OF_FREEDOM)
    makers: dict[str, tuple[Callable[[float], Callable[[], Any]], float, float]] = {
        "river PageHinkley": (
            lambda x: (
                lambda: drift.PageHinkley(
                    min_instances=30, delta=0.5, threshold=x, alpha=1.0, mode="up"
                )
            ),
            2.0,
            60.0,
        ),
        "river ADWIN": (lambda x: lambda: drift.ADWIN(delta=1.0 / x, clock=1), 10.0, 1e9),
        "river KSWIN": (
            lambda x: lambda: drift.KSWIN(alpha=1.0 / x, window_size=100, stat_size=20, seed=1),
            100.0,
            1e9,
        ),
    }
    chosen = {
        name: (make, tuned(make, low, high, max(runs // 20, 10)))
        for name, (make, low, high) in makers.items()
    }
    print(f"delay in batches after 200 sound ones, sigma {SIGMA:.0%} a batch, equal false alarms")
    for step in (0.02, 0.04, 0.08, 0.15):
        size = math.log1p(step)
        bound = math.log(RUN_LENGTH) / (0.5 * (size / SIGMA) ** 2)
        print(f" +{step:.0%}: Lorden's bound {bound:.2f}")
        rng = np.random.default_rng(11)
        series = [noise("white", 400, rng) + size * (np.arange(400) >= 200) for _ in range(runs)]
        table = {"borewarden": [ours(values, SIGMA, h) - 200 for values in series]}
        for name, (make, setting) in chosen.items():
            few = series[: max(runs // 4, 50)]
            table[name] = [river_alarm(make(setting), values / SIGMA) - 200 for values in few]
        for name, found in table.items():
            after = np.array([d if d > 0 else 200 for d in found if d > 0 or d < -200], dtype=float)
            print(
                f"   {name:18} mean {after.mean():7.2f} = {after.mean() / bound:5.2f} x bound"
                f" ({after.mean() / max(bound, 2.0):.2f} x the least two batches allow),"
                f" 95 % within {np.quantile(after, 0.95):.0f}"
            )
        hindsight(series[:50])


def hindsight(series: list[Floats]) -> None:
    try:
        import ruptures
    except ImportError:
        print("   ruptures is not installed")
        return
    off = [
        abs(ruptures.Binseg(model="l2", jump=1).fit(values).predict(n_bkps=1)[0] - 200)
        for values in series
    ]
    print(f"   ruptures, hindsight: onset off by {np.mean(off):.1f} batches on the mean")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    false_alarms(count)
    delays(count)

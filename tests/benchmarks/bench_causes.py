"""Figures, not tests: is the right cause named, and are the probabilities what they say?

`python tests/benchmarks/bench_causes.py [DAYS] [SIGNALS] [FIRST_SEED]` draws DAYS invented days of
machines with "full" or "minimal" signals (pressure and stroke rate alone), a fault on three in
four, and prints the confusion table, "bore opened" on days of sound jewels and of other faults,
delays, a reliability table and the Brier score, and the cost a sample. The cause named is that of
the last event of the day. Two processes.
"""

from __future__ import annotations

import collections
import multiprocessing
import sys
import time
from typing import Any

import numpy as np
from scipy import stats

from borewarden.model.cause import PRIOR, Cause
from borewarden.model.gate import GateSettings, rows
from borewarden.model.verdict import State
from borewarden.model.watcher import Watcher
from borewarden.physics.pump import Intensifier
from borewarden.simulate.day import log_day
from borewarden.simulate.draw import draw_day

BLOCK = 600  # samples between two looks at the probability


def watch(task: tuple[int, str]) -> dict[str, Any]:
    seed, signals = task
    drawn = draw_day(seed, signals=signals)  # type: ignore[arg-type]
    samples = log_day(drawn.day, drawn.pump, drawn.jewel)
    pump, rated = drawn.pump, drawn.pump.rated_pressure
    gate = GateSettings(
        nominal_area=0.0,
        max_rate=pump.max_rate,
        max_pressure=1.3 * rated,
        working_pressure=0.6 * rated,
        stopped_pressure=0.05 * rated,
        uses_counter=bool(np.isfinite(samples.stroke_count).any()),
        flow_shows_jet=isinstance(pump, Intensifier),
    )
    watcher = Watcher(pump, gate, [drawn.jewel])
    truth = drawn.truth
    alerts, looks = [], []
    spent = 0.0
    for start in range(0, len(samples.time_ns), BLOCK):
        part = rows(samples, start, start + BLOCK)
        begun = time.process_time()
        alerts += watcher.learn_many(part).alerts
        spent += time.process_time() - begun
        verdict = watcher.verdict()
        after = truth.at_ns is not None and part.time_ns[-1] > truth.at_ns + 600 * 10**9
        before = truth.at_ns is None or part.time_ns[-1] < truth.at_ns
        if verdict.state is not State.LEARNING and (after or before):
            opened = after and truth.cause is not None and truth.cause.name == "BORE"
            looks.append((verdict.probability, opened))
    causes = watcher.verdict().causes or next(
        (alert.verdict.causes for alert in reversed(alerts) if alert.verdict.causes), ()
    )
    first = next(
        (a.time_ns for a in alerts if truth.at_ns is None or a.time_ns > truth.at_ns), None
    )
    return {
        "truth": truth.cause.name if truth.cause else "none",
        "top": causes[0].cause.name if causes else "none",
        "opened": any(alert.verdict.state is State.OPENED for alert in alerts),
        "false": any(truth.at_ns is None or alert.time_ns < truth.at_ns for alert in alerts),
        "delay": (first - truth.at_ns) / 1e9 if first and truth.at_ns else np.nan,
        "hours": watcher.jet_hours,
        "looks": looks,
        "weight": PRIOR[truth.cause] / PRIOR[Cause.BORE] if truth.cause else 1.0,
        "us": spent / len(samples.time_ns) * 1e6,
        "intensifier": isinstance(pump, Intensifier),
    }


def share(hits: int, of: int) -> str:
    low, high = stats.binomtest(hits, of).proportion_ci(method="exact") if of else (0.0, 1.0)
    return f"{hits} of {of} = {hits / max(of, 1):.1%} (95 %: {low:.1%} to {high:.1%})"


def main(days: int = 200, signals: str = "full", first: int = 100_000) -> None:
    with multiprocessing.Pool(2) as pool:
        found = pool.map(watch, [(seed, signals) for seed in range(first, first + days)], 10)
    tops = sorted({day["top"] for day in found})
    table = collections.Counter((day["truth"], day["top"]) for day in found)
    print("truth \\ named".ljust(14), *(top[:10].rjust(11) for top in tops))
    for truth in sorted({day["truth"] for day in found}):
        print(truth.ljust(14), *(str(table[truth, top] or ".").rjust(11) for top in tops))
    for name, kept in (
        ("all faults", lambda d: True),
        ("intensifier", lambda d: d["intensifier"]),
        ("direct drive", lambda d: not d["intensifier"]),
    ):
        faults = [day for day in found if day["truth"] != "none" and kept(day)]
        right = sum(day["truth"] == day["top"] for day in faults)
        print(f"right cause, {name}: {share(right, len(faults))}")
    other = [day for day in found if day["truth"] not in ("BORE", "none")]
    sound = [day for day in found if day["truth"] == "none"]
    for name, kept in (("other faults", other), ("no fault", sound)):
        hours = sum(day["hours"] for day in kept)
        opened = sum(day["opened"] for day in kept)
        print(f'"bore opened" on days of {name}: {share(opened, len(kept))}, {hours:.0f} jet hours')
    hours = sum(day["hours"] for day in found)
    print(
        f"any alert before its fault: {sum(day['false'] for day in found)}, {hours:.0f} jet hours"
    )
    delays = [day["delay"] for day in found if day["truth"] == "BORE"]
    delays = [delay for delay in delays if np.isfinite(delay)]
    print(f"opened bores found: {len(delays)}, median delay {np.median(delays):.0f} s")
    looks = np.array([look for day in found for look in day["looks"]], dtype=float)
    # days are drawn with every cause alike; probabilities hold where causes are as usual as PRIOR
    weight = np.array([day["weight"] for day in found for _ in day["looks"]])
    print("probability of an opened bore, how often it was so with causes as usual as assumed:")
    for low, high in ((0, 0.01), (0.01, 0.1), (0.1, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        inside = (looks[:, 0] >= low) & (looks[:, 0] < high)
        if inside.any():
            mean, so = np.average(looks[inside], axis=0, weights=weight[inside])
            print(f"  {low:.2f} to {high:.2f}: said {mean:.3f}, so {so:.3f}, {inside.sum()} looks")
    squares = (looks[:, 0] - looks[:, 1]) ** 2
    print(f"Brier score {np.average(squares, weights=weight):.4f}, unweighted {squares.mean():.4f}")
    print(f"processor time a sample, causes on: {np.mean([day['us'] for day in found]):.2f} us")


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 200,
        sys.argv[2] if len(sys.argv) > 2 else "full",
        int(sys.argv[3]) if len(sys.argv) > 3 else 100_000,
    )

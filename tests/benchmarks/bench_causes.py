"""Figures, not tests: is the right cause named, and are the probabilities what they say?

`python tests/benchmarks/bench_causes.py [DAYS] [SIGNALS] [FIRST_SEED]` draws DAYS invented days of
machines with "full" or "minimal" signals (pressure and stroke rate alone), a fault on three in
four, every cause alike, and prints the confusion table, "bore opened" on days of sound jewels and
of other faults, delays, and the cost a sample. The cause named is that of the last event of the
day. `bench_causes.py as-usual [DAYS] [SIGNALS] [FIRST_SEED]` draws the faults as often as `PRIOR`
has them, and prints a reliability table of the probability that the page shows, minute by minute,
with 95 % intervals (bootstrap of days), and the Brier score. Two processes.
"""

from __future__ import annotations

import collections
import itertools
import multiprocessing
import sys
import time
from typing import Any

import numpy as np
from scipy import stats

from borewarden.base.samples import Samples, rows
from borewarden.diagnose.causes import PRIOR, Cause
from borewarden.gate.gate import GateSettings
from borewarden.physics.pump import Intensifier
from borewarden.simulate.day import log_day
from borewarden.simulate.draw import Drawn, causes_of, draw_day
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Watcher

NO_FAULT = 0.25  # share of days
LOOK_NS = 60 * 10**9  # from one look at the probability to the next


def opened_from(drawn: Drawn) -> float:
    """When the bore has grown by `wear_notice`, ns; infinite on days on which it does not."""
    truth = drawn.truth
    if truth.cause is not Cause.BORE or truth.at_ns is None:
        return np.inf
    [fault] = drawn.day.faults
    return truth.at_ns + 1e9 * fault.ramp * min(WatchSettings().wear_notice / fault.size, 1.0)


def draw(seed: int, signals: str, usual: bool) -> Drawn:
    """A day of any cause alike, or of each as usual as assumed."""
    if not usual:
        return draw_day(seed, signals=signals)  # type: ignore[arg-type]
    rng = np.random.default_rng((seed, 80))
    kind = "intensifier" if rng.random() < 0.5 else "direct drive"
    causes = causes_of(kind)  # type: ignore[arg-type]
    weights = np.array([PRIOR[cause] for cause in causes])
    picked = causes[int(rng.choice(len(causes), p=weights / weights.sum()))]
    cause = "none" if rng.random() < NO_FAULT else picked
    return draw_day(seed, kind=kind, signals=signals, cause=cause)  # type: ignore[arg-type]


def watcher_of(drawn: Drawn, samples: Samples) -> Watcher:
    """A watcher of the machine of a drawn day."""
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
    return Watcher(pump, gate, [drawn.jewel])


def watch(task: tuple[int, str, bool]) -> dict[str, Any]:
    drawn = draw(*task)
    samples = log_day(drawn.day, drawn.pump, drawn.jewel)
    pump, watcher = drawn.pump, watcher_of(drawn, samples)
    truth = drawn.truth
    alerts, looks = [], []
    spent = 0.0
    opened_ns = opened_from(drawn)
    times = np.arange(samples.time_ns[0], samples.time_ns[-1] + LOOK_NS, LOOK_NS)
    for start, stop in itertools.pairwise(np.searchsorted(samples.time_ns, times).tolist()):
        if start == stop:
            continue
        part = rows(samples, start, stop)
        begun = time.process_time()
        alerts += watcher.learn_many(part).alerts
        spent += time.process_time() - begun
        verdict = watcher.verdict()
        if verdict.state is not State.LEARNING:
            looks.append((verdict.probability, part.time_ns[-1] > opened_ns))
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
        "us": spent / len(samples.time_ns) * 1e6,
        "intensifier": isinstance(pump, Intensifier),
    }


def share(hits: int, of: int) -> str:
    low, high = stats.binomtest(hits, of).proportion_ci(method="exact") if of else (0.0, 1.0)
    return f"{hits} of {of} = {hits / max(of, 1):.1%} (95 %: {low:.1%} to {high:.1%})"


def reliability(days: int, signals: str, first: int) -> None:
    with multiprocessing.Pool(2) as pool:
        found = pool.map(watch, [(seed, signals, True) for seed in range(first, first + days)], 10)
    faults = [day for day in found if day["truth"] != "none"]
    sound = [day for day in found if day["truth"] == "none"]
    # of so many jet hours between faults as the watcher assumes, most are on days without one
    per_hour = sum(PRIOR.values()) / PRIOR[Cause.BORE] / WatchSettings().jewel_life_hours
    hours = float(np.mean([day["hours"] for day in found]))
    share = min(per_hour * hours, 0.9)
    weight = (1.0 - share) / share * len(faults) / len(sound)
    weights = np.array([weight if day["truth"] == "none" else 1.0 for day in found])
    edges = np.array([0.0, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 1.01])
    # by day and bin: looks, sum of probabilities, how many of them so, squares
    sums = np.zeros((len(found), len(edges) - 1, 4))
    for day, row in zip(found, sums, strict=True):
        said, so = np.array(day["looks"], dtype=float).reshape(-1, 2).T
        place = np.digitize(said, edges) - 1
        for k, values in enumerate((np.ones_like(said), said, so, (said - so) ** 2)):
            row[:, k] = np.bincount(place, values, len(edges) - 1)
    rng = np.random.default_rng(1)
    again = rng.multinomial(len(found), np.full(len(found), 1.0 / len(found)), 1000) * weights
    table = np.einsum("d,dbk->bk", weights, sums)
    drawn = np.einsum("rd,dbk->rbk", again, sums)
    print(f"{days} days, {signals} signals, {len(faults)} with a fault as usual as assumed, each")
    print(f"sound day counted {weight:.2f} times; probability of an opened bore, minute by minute:")
    for k, (low, high) in enumerate(itertools.pairwise(edges)):
        if table[k, 0] > 0.0:
            with np.errstate(invalid="ignore"):
                ends = np.nanquantile(drawn[:, k, 2] / drawn[:, k, 0], [0.025, 0.975])
            on = int(np.sum(sums[:, k, 0] > 0.0))
            print(
                f"  {low:.2f} to {min(high, 1.0):.2f}: said {table[k, 1] / table[k, 0]:.3f}, "
                f"so {table[k, 2] / table[k, 0]:.3f} (95 %: {ends[0]:.3f} to {ends[1]:.3f}), "
                f"{table[k, 0] / table[:, 0].sum():.2%} of the time, {on} days"
            )
    brier = table[:, 3].sum() / table[:, 0].sum()
    always = table[:, 2].sum() / table[:, 0].sum()
    print(f"Brier score {brier:.4f} (always saying {always:.3f}: {always * (1.0 - always):.4f})")


def main(days: int = 200, signals: str = "full", first: int = 100_000) -> None:
    with multiprocessing.Pool(2) as pool:
        found = pool.map(watch, [(seed, signals, False) for seed in range(first, first + days)], 10)
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
    bores = [day for day in found if day["truth"] == "BORE"]
    print(f"opened bores found: {len(delays)}, median delay {np.median(delays):.0f} s;", end=" ")
    print(f"called so: {share(sum(day['opened'] for day in bores), len(bores))}")
    print(f"processor time a sample, causes on: {np.mean([day['us'] for day in found]):.2f} us")


if __name__ == "__main__":
    usual = "as-usual" in sys.argv
    words = [word for word in sys.argv[1:] if word != "as-usual"]
    words += ["200", "full", "100000"][len(words) :]
    (reliability if usual else main)(int(words[0]), words[1], int(words[2]))

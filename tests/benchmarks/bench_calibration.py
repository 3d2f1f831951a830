"""Figures, not tests: how often a sound jewel alarms under noise that is not white, and how soon a
real step is told.

`python tests/benchmarks/bench_calibration.py [FIRST_SEED] [HOURS] [--rows 4,5] [--kinds rate]
[--intervals 1,10] [--valve no,yes] [--delays RUNS] [--processes 2]` feeds the runs of
`tests/noise_bed` to the `Watcher` of a machine file with default settings, HOURS of jet for each
row and kind. A run is one sound jewel for 40 jet hours; it ends at its first alert, and the next
begins. Seeds below 100,000 are for tuning, those from 100,000 on for reports. `--delays` takes so
many runs for each step; without it there are none.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).parents[1]))

from borewarden import MachineSettings, Watcher, load_machine
from borewarden.base.parallel import spread
from borewarden.base.samples import rows, samples_of
from borewarden.tune.trade import false_alarm_rate
from borewarden.watcher.watcher import TWO_LEVELS
from noise_bed import KINDS, ROWS, Run, machine_file, make

QUIET = ("SOUND", "LEARNING")
WEARING = "WEARING"
JEWEL = 40.0  # jet hours of one run
CHUNK = 125.0  # jet hours of one task
AHEAD_S = 3 * 3600  # s of log that go to the watcher at a time
LOOK_S = 120  # and while it still learns
STEPS = (0.04, 0.08, 0.15, 0.30)
STEP_ROWS, STEP_KINDS = (0, 1, 2), ("rate", "floating")
QUIET_BEFORE = (4 * 3600.0, 6 * 3600.0)  # s of jet before a step
PATIENCE = 4 * 3600.0  # s of jet after it
SOON = 300.0  # s of jet
BATCH = 20  # s
USUAL = 1e-3  # alerts in a jet hour, where none was measured


class Way(NamedTuple):
    """What is run and how it is logged: a row, a kind of pump, s between rows, a valve signal."""

    row: int
    kind: str
    interval: int
    valve: bool

    def __str__(self) -> str:
        return f"{self.kind}, {self.interval} s, {'valve' if self.valve else 'no valve'}"


class Told(NamedTuple):
    """What the watcher said of one run, in s of jet; `word` is "" where it raised nothing."""

    jet_s: float  # until the first alert, or the end
    word: str
    wearing: bool
    learning_s: float


class Chunk(NamedTuple):
    """Runs one after the other, until they have `hours` of jet together."""

    way: Way
    seed: int
    hours: float


class Step(NamedTuple):
    """A run whose area grows by `size`; `rate` of false alerts by jet hour is the CUSUM's."""

    way: Way
    seed: int
    size: float
    rate: float


class Answer(NamedTuple):
    """Delays in s of jet, inf where nothing was told, nan where something was told before."""

    task: Step
    delay: float
    state: str
    wearing: bool
    cusum: float


@cache
def machine(kind: str, valve: bool) -> MachineSettings:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bed.toml"
        file.write_text(machine_file(kind, valve))
        return load_machine(file)


def alerts(
    watcher: Watcher, run: Run, last_s: float, step_at: float = np.inf
) -> Iterator[tuple[float, Any]]:
    """Each alert until `last_s` of jet, with its s of jet; (that, None) after each block that it
    learns from.

    From `step_at` s of jet on the rows come one by one, and an alert counts from the row with
    which it is said: the batch that it rests on has ended some seconds before.
    """
    samples = samples_of(run.time_ns, **run.channels)
    end = int(np.searchsorted(run.jet_s, last_s, side="right"))
    spacing = max(round(float(np.median(np.diff(run.time_ns[:100]))) * 1e-9), 1)
    stepped = int(np.searchsorted(run.jet_s, step_at))
    start, learning = 0, True
    while start < end:
        ahead = (LOOK_S if learning else AHEAD_S) // spacing
        stop = start + 1 if start >= stepped else min(start + ahead, stepped, end)
        for alert in watcher.learn_many(rows(samples, start, stop)).alerts:
            row = int(np.searchsorted(run.time_ns, alert.time_ns, side="right")) - 1
            row = start if start >= stepped else max(row, 0)
            yield float(run.jet_s[row]), alert.verdict
        if learning:
            learning = watcher.verdict().state.name == "LEARNING"
            if learning:
                yield float(run.jet_s[stop - 1]), None
        start = stop


def word_of(verdict: Any) -> str:
    """State and first cause."""
    if verdict.reason == TWO_LEVELS:
        return f"{verdict.state.name}, two levels"
    cause = verdict.causes[0].cause.name if verdict.causes else "no cause"
    return f"{verdict.state.name}, {cause}"


def listen(way: Way, seed: int, most_s: float) -> Told:
    """A sound jewel, until its first alert or `most_s` of jet."""
    last_s = min(JEWEL * 3600, most_s)
    run = make(
        ROWS[way.row], way.kind, seed,
        jet_hours=JEWEL, interval=way.interval, valve=way.valve,
    )  # fmt: skip
    wearing, learning_s = False, 0.0
    for at, verdict in alerts(machine(way.kind, way.valve).build_watcher(), run, last_s):
        if verdict is None:
            learning_s = at
        elif verdict.state.name == WEARING:
            wearing = True
        elif verdict.state.name not in QUIET:
            return Told(at, word_of(verdict), wearing, learning_s)
    return Told(last_s, "", wearing, learning_s)


def listen_on(chunk: Chunk) -> list[Told]:
    told: list[Told] = []
    left = chunk.hours * 3600
    while left > 1.0:
        told.append(listen(chunk.way, chunk.seed + len(told), left))
        left -= max(told[-1].jet_s, 1.0)
    return told


def step(task: Step) -> Answer:
    """How soon the watcher and the CUSUM tell one step."""
    rng = np.random.default_rng([task.seed, 7])
    at = rng.uniform(*QUIET_BEFORE)
    way = task.way
    run = make(
        ROWS[way.row], way.kind, task.seed, jet_hours=(at + PATIENCE) / 3600,
        interval=way.interval, valve=way.valve, step=task.size, step_at=at,
    )  # fmt: skip
    delay, state, wearing = np.inf, "", False
    for told_at, verdict in alerts(machine(way.kind, way.valve).build_watcher(), run, np.inf, at):
        if verdict is None or verdict.state.name in QUIET:
            continue
        if told_at < at:
            if verdict.state.name != WEARING:
                delay, state = np.nan, verdict.state.name
                break
        elif verdict.state.name == WEARING:
            wearing = True
        else:
            delay, state = told_at - at, verdict.state.name
            break
    return Answer(task, delay, state, wearing, cusum_delay(task, run, at))


def cusum_delay(task: Step, run: Run, at: float) -> float:
    """Delay of Page's one-sided CUSUM (1954, Biometrika 41, 100-115), in s of jet.

    It knows step and sigma, and sees means over 20 s of the very noise of the area; it begins anew
    with the jewel and with every alarm before the step.
    """
    n = len(run.jet_noise) // BATCH * BATCH
    ends = run.jet_noise_s[:n].reshape(-1, BATCH)[:, -1]
    grown = np.log1p(task.size) * (run.jet_noise_s[:n] > at)
    x = (run.jet_noise[:n] + grown).reshape(-1, BATCH).mean(axis=1)
    sigma = ROWS[task.way.row].white
    half = np.log1p(task.size) / sigma / 2
    limit = cusum_limit(half, 3600 / BATCH / task.rate)
    level = 0.0
    for value, end in zip(x / sigma - half, ends, strict=True):
        level = max(level + value, 0.0)
        if level > limit:
            if end > at:
                return float(end - at)
            level = 0.0
    return np.inf


def cusum_run_length(half: float, limit: float, states: int = 200) -> float:
    """Mean values between alarms of a CUSUM of standard normal values less `half`.

    Markov chain of Brook & Evans (1972, Biometrika 59, 539-549).
    """
    width = 2 * limit / (2 * states - 1)
    to = np.arange(states) * width
    upper = norm.cdf(to[None, :] + width / 2 - to[:, None] + half)
    lower = norm.cdf(to[None, :] - width / 2 - to[:, None] + half)
    lower[:, 0] = 0.0
    return float(np.linalg.solve(np.eye(states) - (upper - lower), np.ones(states))[0])


@cache
def cusum_limit(half: float, run_length: float) -> float:
    """Threshold for that run length; 0 where a single value above `half` is rarer than that."""
    if 1 / norm.sf(half) > run_length:
        return 0.0

    def surplus(limit: float) -> float:
        return float(np.log(cusum_run_length(half, limit) / run_length))

    high = 0.1  # not far beyond: the chain's matrix is singular where nothing ever alarms
    while surplus(high) < 0:
        high += 0.1
    return float(brentq(surplus, 1e-6, high, xtol=1e-3))


def garwood(k: int, hours: float) -> str:
    """k events in 1,000 jet hours with the exact 95 % interval (Garwood 1936, Biometrika 28)."""
    rate = false_alarm_rate(k, hours, 0.95)
    return f"{rate.value:6.1f} ({rate.low:.1f} to {rate.high:.1f})"


def report_rate(way: Way, told: Sequence[Told]) -> float:
    """Print one line; return alerts in a jet hour, `USUAL` where there was none."""
    hours = sum(t.jet_s for t in told) / 3600
    words = Counter(t.word for t in told if t.word)
    count = sum(words.values())
    learning = sum(t.learning_s for t in told) / 3600
    split = "; ".join(f"{n} {word}" for word, n in words.most_common())
    print(
        f"{way.row:2d} {ROWS[way.row].name:36s} {way!s:26s} {garwood(count, hours):26s} "
        f"{count:4d} in {hours:.0f} h, {sum(t.wearing for t in told)} wearing, "
        f"learning {100 * learning / hours:.1f} %, "
        f"{learning / len(told):.2f} h a run | {split}",
        flush=True,
    )
    return count / hours if count else USUAL


def report_delay(way: Way, size: float, answers: Sequence[Answer]) -> None:
    kept = [a for a in answers if not np.isnan(a.delay)]
    delays = np.array([a.delay for a in kept])
    told = np.isfinite(delays)
    censored = np.where(told, delays, PATIENCE)
    cusum = np.array([a.cusum for a in kept])
    cusum = np.where(np.isfinite(cusum), cusum, PATIENCE)
    mean = f"{'' if told.all() else '≥ '}{censored.mean():.0f}"
    print(
        f"{way.row:2d} {ROWS[way.row].name:22s} {way!s:26s} +{100 * size:2.0f} %: "
        f"median {np.median(censored):.0f}, mean {mean}, 95 % {np.quantile(censored, 0.95):.0f} s; "
        f"CUSUM mean {cusum.mean():.0f} s, ratio {censored.mean() / cusum.mean():.2f}; "
        f"within 5 min {np.mean(delays <= SOON):.0%}; first word OPENED "
        f"{sum(a.state == 'OPENED' for a in kept)} of {told.sum()}, wearing before it "
        f"{sum(a.wearing for a in kept)}; told before the step {len(answers) - len(kept)}",
        flush=True,
    )


def answered(function: Any, tasks: Iterable[Any], processes: int) -> Iterator[tuple[Any, Any]]:
    """Each task and its answer; what failed is printed."""
    listed = list(tasks)
    for i, answer in spread(function, listed, processes=processes):
        if isinstance(answer, Exception):
            print(f"{listed[i]}: {type(answer).__name__}: {answer}")
        else:
            yield listed[i], answer


def run_rates(ways: Sequence[Way], first: int, hours: float, processes: int) -> dict[Way, float]:
    chunks = max(round(hours / CHUNK), 1)
    tasks = [
        Chunk(way, first + 1000 * i, hours / chunks) for way in ways for i in range(chunks)
    ]  # fmt: skip
    told: dict[Way, list[list[Told]]] = {}
    rates = {}
    print("alerts in 1,000 jet hours (Garwood's 95 %)")
    for task, answer in answered(listen_on, tasks, processes):
        told.setdefault(task.way, []).append(answer)
        if len(told[task.way]) == chunks:
            rates[task.way] = report_rate(task.way, [t for each in told[task.way] for t in each])
    return rates


def run_steps(
    ways: Sequence[Way], first: int, count: int, rates: dict[Way, float], processes: int
) -> None:
    ways = [way for way in ways if way.row in STEP_ROWS and way.kind in STEP_KINDS]
    tasks = [
        Step(way, first + 50_000 + i, size, rates.get(way, USUAL))
        for way in ways
        for size in STEPS
        for i in range(count)
    ]
    print("delays in s of jet")
    done: dict[tuple[Way, float], list[Answer]] = {}
    for task, answer in answered(step, tasks, processes):
        own = done.setdefault((task.way, task.size), [])
        own.append(answer)
        if len(own) == count:
            report_delay(task.way, task.size, own)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", nargs="?", type=int, default=1)
    parser.add_argument("hours", nargs="?", type=float, default=1000.0)
    parser.add_argument("--rows", default="1,2,3,4,5,6,7,8,9,10,11,12")
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--intervals", default="1")
    parser.add_argument("--valve", default="no")
    parser.add_argument("--delays", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    ways = [
        Way(int(row), kind, int(interval), valve == "yes")
        for kind, interval, valve, row in itertools.product(
            asked.kinds.split(","), asked.intervals.split(","), asked.valve.split(","),
            asked.rows.split(","),
        )
    ]  # fmt: skip
    began = time.perf_counter()
    rates = run_rates(ways, asked.first, asked.hours, asked.processes) if asked.hours else {}
    if asked.delays:
        run_steps(ways, asked.first, asked.delays, rates, asked.processes)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()

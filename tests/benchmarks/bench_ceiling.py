"""Figures, not tests: what anybody could tell from pressure and rate alone, on slow logs too.

`python tests/benchmarks/bench_ceiling.py [CHIPS] [SOUND] [FIRST_SEED] [PROCESSES] [-v]` draws so
many days with a chip of each kind of pump, as `bench_second_plant.py` does, and so many sound ones
from FIRST_SEED + 1,000 on. Each day is read at 1, 10, 30 and 60 s by an observer kinder than any
real watcher. It knows when the jet was on, which pressure was asked for, what the sensors average,
and the machine itself: it lets the plant live the same day once more with a sound jewel and once
with a larger one. So it foresees each row, and what a chip would add to it, be the row wholly in
jet or not. It does not know when the chip came nor its size, how warm the feed is, how leaks drift,
air, stuck valves, the mains and where in a stroke the piston was. Rows of a stuck reading and, on
stroke counters and rates, of long pauses are left out by truth.

Page's test sums up what the rows have beyond a growth of `DRIFT`, each by its weight: what a chip
adds to it over what the phase of the strokes hides. The limit is the highest sum of the sound days,
so that as many jet hours again should pass it once. There are four ways to hear the same log:

- all: every row.
- quiet: every row but those near air and stuck valves, by truth.
- settled: rows whose mean lies wholly in settled jet, against a level learned from the sound part.
- unaided: who isn't told of the jet, but what a sound one shows at each recipe. A row that shows
  less says nothing. Not for a floating crank, nor for a counter below 20 s.

`-v` lists the chips that "all" tells late.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_oracle import _within, page
from bench_second_plant import CHIPS, LOGGED, SOON, due_after, jet_seconds, share

from borewarden.base.parallel import spread
from second_plant import Day, day
from second_plant.machine import FULL
from second_plant.plant import WATER
from second_plant.pumps import TICK, Trace, run
from second_plant.sensors import PASCALS, Troubles, _mean, _stroke_rate, log
from second_plant.water import DENSITY, slope

Array = NDArray[np.float64]
INTERVALS = (1.0, 10.0, 30.0, 60.0)  # s
WAYS = ("all", "quiet", "settled", "unaided")
DRIFT = 0.03  # relative growth that Page's test takes off: half the smallest chip
LARGER = 0.10  # growth of the jewel of the second life
MOST = 0.2  # relative growth, the most that one row may say
LOOSE = 0.01  # relative growth; a row weighs half where the phase of the strokes hides as much
PHASES = np.arange(12) / 12  # of the strokes, over which a shown rate is foreseen
NEAR = 30.0  # s from the jet in which rows count, or after air and stuck valves
FEED = 14.0  # °C, the middle of what the mains bring; no log has it
SOUND_FROM = 1_000  # seeds from the chips to the sound days


class Task(NamedTuple):
    """A day: kind of the plant, seed, size of its chip (0: sound)."""

    kind: str
    seed: int
    chip: float


class Heard(NamedTuple):
    """One log of a day, heard in one way; times in s of jet from the chip.

    highest: sum of Page's test before the chip; hours: of jet until then
    sums: (s, sum) wherever the sum is higher than ever since the chip, (n, 2)
    due: as of `bench_second_plant`; left: until the evening
    settled: rows in settled jet until `SOON` at 1 Hz, until due in slower logs
    """

    task: Task
    logged: str
    interval: float
    way: str
    hours: float
    highest: float
    sums: Array
    due: float
    left: float
    settled: int


def live(made: Day, growth: float) -> Trace:
    """The same duty, as far as the observer knows it, with a jewel larger by that."""
    assert made.told is not None
    unit, told = made.machine, made.told.copy().view(np.recarray)
    cold = np.exp(-np.cumsum(told.on) * TICK / unit.warm_up_time)
    told.area[:, 0] = made.truth["jets"][0]["area_m2"][0][1] * (1 + growth)
    told.seals[:] = (unit.seal_leak * (1 + unit.warm_up_leak * cold))[:, None]
    told.filling, told.feed, told.motor = unit.fill, FEED, 1.0
    return run(WATER, unit.line, told, unit.pump, np.random.default_rng(0))


def shown_rates(trace: Trace) -> list[Array]:
    """Strokes/s by ticks, as the controller has them from the last two, by phase of the strokes."""
    ends = TICK * np.arange(1, trace.ticks.size + 1)
    turns, rates = np.maximum.accumulate(trace.ticks.turns), []
    for phase in PHASES:
        times = np.interp(np.arange(1, int(turns[-1])) + phase, turns, ends)
        other: Any = SimpleNamespace(ticks=SimpleNamespace(pressure=ends), stroke_times=times)
        rates.append(_stroke_rate(other))
    return rates


def read(made: Day, interval: float) -> tuple[Any, Any, Any]:
    """Times, columns and sensors of that day as logged at that interval."""
    truth = made.truth
    if interval == made.interval:
        return made.times, made.columns, truth["sensors"]
    troubles = {
        name: [tuple(round((x - truth["begin"]) / 1e9 / TICK) for x in pair) for pair in pairs]
        for name, pairs in truth["troubles"].items()
    }
    assert made.trace is not None
    assert made.told is not None
    times, columns, _, sensors = log(
        made.machine, made.told, made.trace, tuple(made.channels), interval, "all",
        Troubles(**troubles, jitter=True), made.counted - float(made.trace.ticks.turns[-1]),
        np.random.default_rng([13, made.seed, round(interval)]),
    )  # fmt: skip
    return truth["begin"] + times, columns, sensors


def hear(made: Day, lives: Any, rates: Any, task: Task, logged: str, interval: float):
    """That log, in each way, of a day that was lived with a sound and with a larger jewel."""
    times, columns, sensors = read(made, interval)
    name = {"intensifier, counter": "counter", "crank, floating": "pressure"}.get(logged, "rate")
    column, truth, unit = made.channels[name], made.truth, made.machine
    there = np.isfinite(columns[column.name])
    times, shown = times[there], columns[column.name][there]
    t = (times - truth["begin"]) * 1e-9
    at, lasted = np.floor(t / TICK + 1e-6).astype(np.int64), np.diff(t, prepend=t[0] - interval)
    jet = _within(truth["jets"][0]["jet_on"], truth["begin"])
    average, doubt, counts, seconds = sensors["averaging_s"], 0.0, name == "counter", 1.0
    crank = unit.kind != "intensifier"
    # `reach`: s before a row in which the jet must have been on for the row to be settled
    if counts:
        strokes = float(column.strokes_per_count or 1)
        shown = np.diff(shown, prepend=shown[0]) % 2**16 * strokes
        sound, larger = (np.diff(x.ticks.turns[at], prepend=x.ticks.turns[at[0]]) for x in lives)
        reach, seconds = lasted + 3.0, np.maximum(lasted, 1.0)
    elif name == "pressure":
        shown = shown * PASCALS[column.unit or ""] / (1 + sensors["gain"])
        sound, larger = (_mean(x.ticks.pressure, average, at) for x in lives)
        fill = 2 * FULL * unit.line.volume * slope(WATER, DENSITY, FULL, 25.0) / unit.design
        reach = average + 3 * fill
    elif unit.kind == "intensifier":
        window = sensors["rate_window_s"]
        phases, others = ([60 * _mean(x, window, at) for x in own] for own in rates)
        sound, larger, doubt = np.mean(phases, 0), np.mean(others, 0), np.std(phases, 0)
        reach = window + 2.5 * 60 / np.maximum(sound, 1.0) + 1.0
    else:
        sound, larger = (60 * _mean(x.ticks.speed, average, at) for x in lives)
        reach = average + 3.0
    use = (jet(t + NEAR) > jet(t - NEAR)) & ~_touches(truth["troubles"]["stuck"], times, 0.0)
    settled = use & (jet(t) - jet(t - reach) >= reach - 1e-3)
    gain = (larger - sound) / LARGER
    on = jet(t) - jet(t - 0.1) > 0.09
    if counts:  # whole strokes: what one row lacks the next one has, so all weigh the same
        full = gain.sum() / jet(t[-1])
        excess, clock, scale = (shown - sound) / full, gain / full, 1.0 + strokes / full
    else:
        full, scale = np.quantile(np.abs(gain[on]), 0.8) * np.sign(gain[on].sum()), 1.0
        doubt = np.hypot(doubt / full, LOOSE * ~(settled | crank))
        weight = gain / full / (1 + (doubt / LOOSE) ** 2)
        excess = weight * np.clip((shown - sound) / full, -MOST, MOST)
        clock = weight * gain / full
    air = _touches([d["from_to"] for d in truth["disturbances"]], times, NEAR)
    chip = truth["faults"][0]["at_ns"] if task.chip else truth["end"] + 1
    passed, before = jet(t) - jet((chip - truth["begin"]) * 1e-9), times < chip
    known = before if task.chip else jet(t) < jet(t[-1]) / 2  # a sound day: its first half
    usual = excess[settled & known].sum() / max(clock[settled & known].sum(), 1e-9)
    ways = {
        "all": np.where(use, excess - DRIFT * clock, 0.0) / scale,
        "quiet": np.where(use & ~air, excess - DRIFT * clock, 0.0) / scale,
        "settled": np.where(settled, excess - (usual + DRIFT) * clock, 0.0) / scale,
    }
    if name == "rate" or (counts and interval >= 20.0):
        own = (x / seconds for x in (shown, sound, larger))
        growth = beyond_full(*own, settled, made.duty.level[at])
        pressure = columns[made.channels["pressure"].name][there] / made.told.target[at]
        holds = pressure > 0.99 * np.nanmedian(pressure[settled & known])
        rows = (growth > -DRIFT) & (growth < MOST) & holds
        usual = np.mean(growth[rows & known]) if np.any(rows & known) else 0.0
        ways["unaided"] = np.where(rows, growth - usual - DRIFT, 0.0)
    jets, hours = np.array(truth["jets"][0]["jet_on"], float), float(jet(t[before][-1])) / 3600
    due = due_after(jets, chip, times, interval) if task.chip else np.nan
    soon = ~before & (passed <= (SOON if interval == 1.0 else due))
    left = jet_seconds(jets, chip, truth["end"])
    for way, steps in ways.items():
        sums = page(steps)
        after = np.column_stack([passed, sums])[~before]
        rises = after[:, 1] > np.maximum.accumulate(np.append(0.0, after[:-1, 1]))[: len(after)]
        yield Heard(
            task, logged, interval, way, hours, float(sums[before].max()), after[rises], due, left,
            int((settled & soon).sum()),
        )  # fmt: skip


def beyond_full(shown: Array, sound: Array, larger: Array, settled: Any, recipe: Any) -> Array:
    """Relative growth that each row would mean if its jet was on all the time, by recipe."""
    growth = np.full(shown.size, np.nan)
    for one in np.unique(recipe[settled]):
        rows = settled & (recipe == one)
        full, wider = np.median(sound[rows]), np.median(larger[rows])
        growth[recipe == one] = (shown[recipe == one] - full) / (wider - full) * LARGER
    return growth


def _touches(spans: Sequence[Any], times: NDArray[np.int64], longer: float) -> NDArray[np.bool_]:
    """Rows within these spans (ns), or less than `longer` s after one of them."""
    inside = np.zeros(times.size, bool)
    for a, b in spans:
        inside |= (times >= a) & (times < b + longer * 1e9)
    return inside


def judge(task: Task) -> list[Heard]:
    """All that can be heard of one day."""
    fault: dict[str, Any] = {"fault": "chip", "size": task.chip} if task.chip else {}
    signals = ("pressure", "counter", "rate") if task.kind == "intensifier" else None
    made = day(task.kind, task.seed, signals=signals or ("pressure", "rate"), keep=True, **fault)
    lives = live(made, 0.0), live(made, LARGER)
    rates = [shown_rates(x) for x in lives] if task.kind == "intensifier" else []
    return [
        heard
        for logged in LOGGED
        for interval in INTERVALS
        if LOGGED[logged][0] == task.kind
        for heard in hear(made, lives, rates, task, logged, interval)
    ]


def report(heard: Sequence[Heard], verbose: bool) -> None:
    """Print the figures of one log, heard in one way."""
    sound, chips = [h for h in heard if not h.task.chip], [h for h in heard if h.task.chip]
    limit, first = max(h.highest for h in sound), heard[0]
    delay = np.array([min(h.sums[h.sums[:, 1] > limit, 0], default=np.inf) for h in chips])
    size, due = np.array([[h.task.chip, h.due] for h in chips]).T
    print(
        f"{first.logged}, {first.interval:.0f} s, {first.way}: limit {limit:.3f} by "
        f"{sum(h.hours for h in sound):.0f} sound jet h; passed before the chip on "
        f"{sum(h.highest > limit for h in chips)} days in {sum(h.hours for h in chips):.0f} jet h"
    )
    medians = ", ".join(f"{np.median(delay[size == s]):.0f}" for s in CHIPS)
    soon, large, told = delay <= SOON, size >= 0.1, np.isfinite(delay)
    print(f"  within 5 min of jet: {_of(soon)}; medians {medians} s; ever {told.sum()}")
    print(f"    +6 and +8 %: {_of(soon[~large])}; +10 % and more: {_of(soon[large])}")
    if first.interval > 1.0:
        soon = told & (delay <= due)
        print(f"  due: {_of(soon)}; +10 % and more: {_of(soon[large])}")
    for i in np.flatnonzero(~soon) if verbose and first.way == "all" else ():
        h = chips[i]
        print(
            f"    {h.task.seed} +{100 * h.task.chip:.0f} %: {delay[i]:.0f} s, due {h.due:.0f} s, "
            f"jet left {h.left:.0f} s; settled rows until then {h.settled}"
        )


def _of(which: NDArray[np.bool_]) -> str:
    return share(int(which.sum()), int(which.size))


def main() -> None:
    """Draw and judge them all."""
    numbers = [int(x) for x in sys.argv[1:] if x != "-v"]
    chips, sound, start, processes = numbers + [40, 170, 32_001, 2][len(numbers) :]
    seeds = [(s, CHIPS[s % len(CHIPS)]) for s in range(start, start + chips)]
    seeds += [(s, 0.0) for s in range(start + SOUND_FROM, start + SOUND_FROM + sound)]
    kinds = dict.fromkeys(kind for kind, _ in LOGGED.values())
    tasks, heard = [Task(kind, seed, chip) for seed, chip in seeds for kind in kinds], []
    for i, answer in spread(judge, tasks, processes=processes):
        if isinstance(answer, Exception):
            print(f"{tasks[i]}: {type(answer).__name__}: {answer}")
        else:
            heard += answer
    for logged in LOGGED:
        for interval in INTERVALS:
            for way in WAYS:
                own = [h for h in heard if (h.logged, h.interval, h.way) == (logged, interval, way)]
                if own:
                    report(own, "-v" in sys.argv)


if __name__ == "__main__":
    main()

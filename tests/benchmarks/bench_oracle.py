"""Figures, not tests: what pressure and rate alone allow, by one who knows the second plant.

`python tests/benchmarks/bench_oracle.py CHIPS [FIRST_SEED] [SOUND] [PROCESSES] [-v]` draws so many
days with a chip of each kind of pump, as `bench_second_plant.py` does, and so many sound ones from
FIRST_SEED + 200 on. An oracle sees what was logged, but is told when the jet was truly on, what the
sensors average, and pump and orifice as they truly were before the chip; not what disturbs them.
Page's test (1954, Biometrika 41, 100-115) sums up what the strokes or turns give beyond the water
that the sound orifice takes. Its limit is the highest sum of the sound days, so that as many jet
hours again should pass it once. There are two oracles: `steady` leaves the line's mass balance out
and takes only seconds in which jet and reading have settled; `balance` takes all that can be
reckoned. Beside them stands the watcher on the same days; `-v` lists chips that one of them missed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_second_plant import CHIPS, LOGGED, SOON, Task, share, tell

from borewarden.base.parallel import spread
from second_plant import Day, day
from second_plant.machine import FULL
from second_plant.plant import WATER
from second_plant.pumps import TICK, Crank
from second_plant.sensors import PASCALS, _mean, _stroke_rate
from second_plant.water import DENSITY, PRESSED, WARMING, jet_flux, lookup

Array = NDArray[np.float64]
ORACLES = ("steady", "balance")
DRIFT = 0.03  # relative growth that Page's test takes off: half the smallest chip
GRID = np.linspace(0.0, 450e6, 181)  # Pa
FEED = 14.0  # °C
LEAST = 60e6  # Pa: below, the line is still being filled
LOOSE = 0.25  # weight of a mean that has not settled, and
BIAS = 0.015  # what may be wrong with it; both as SETTLE by trial on seeds 66,001 to 66,400
APART = 200  # seeds from the chips to the sound days
STUCK = 5  # rows of the very same pressure
NEAR = 30.0  # s from the jet in which strokes still count
SETTLE = 3.0  # time constants of the line, of a crank's jet if its mass balance is left out
OPENING = 0.5  # s of a crank's jet, if it is not
MOST = 0.2  # relative excess of one row of a steady reading


class Knows(NamedTuple):
    """The sound plant by pressure, on `GRID`: kg a stroke or turn, kg/s, kg, kg/s."""

    stroke: Array
    leak: Array
    stored: Array
    flow: Array


class Rows(NamedTuple):
    """By rows of the log: s since it began, s of jet since then; s that count, s too much.

    unit: s that a limit is stated in: one count and a second of a counter, else one second
    """

    end: Array
    jet: Array
    clock: Array
    excess: Array
    unit: float = 1.0


class Judged(NamedTuple):
    """One day until its chip: jet hours and the highest sum; then s of jet and sums, (n, 2)."""

    hours: float
    highest: float
    after: Array
    heard: float  # s that counted of the first `SOON` after the chip


def knows(made: Day) -> Knows:
    """The plant of that day before its chip."""
    unit, pump, line = made.machine, made.machine.pump, made.machine.line
    swept, many = (pump.swept, 3) if isinstance(pump, Crank) else (pump.area * pump.stroke, 1)
    share_full = unit.fill - np.sqrt(2 / np.pi) * unit.scatter
    full = lookup(WATER, DENSITY, 0.0, FEED) * (swept + pump.dead) * share_full
    pressed = np.array([lookup(WATER, PRESSED, p, FEED) for p in GRID])
    warm = [FEED + lookup(WATER, WARMING, p, FEED) * (1 - line.cooling) for p in GRID]
    hot = float(np.interp(FULL, GRID, warm))
    area, flow = made.truth["jets"][0]["area_m2"][0][1], np.zeros(GRID.size)
    for _ in range(30):  # the pressure lost on the way to the head goes with the flow
        head = np.maximum(GRID - unit.loss * flow**2, 0.0)
        ideal = np.array([jet_flux(WATER, p, c) for p, c in zip(head, warm, strict=True)])
        flow = (flow + area * ideal * (1 + line.by_pressure * (head - line.reference))) / 2
    return Knows(
        many * (full - pressed * pump.dead),
        unit.seal_leak * (GRID / line.reference) ** line.exponent,
        np.array([line.volume * lookup(WATER, DENSITY, p, hot) for p in GRID]),
        flow,
    )


def _within(spans: Any, begin: int) -> Callable[[Any], Any]:
    """Seconds within these spans (ns, (n, 2)) until a time in s after `begin`."""
    edges = (np.array(spans, dtype=float).ravel() - begin) * 1e-9
    inside = np.diff(edges) * (np.arange(edges.size - 1) % 2 == 0)
    passed = np.concatenate([[0.0], np.cumsum(inside)])
    return lambda at: np.interp(at, edges, passed)


def rows(made: Day, oracle: str) -> Rows:
    """What the log has beyond the sound plant, in s of jet."""
    truth, sensors, unit = made.truth, made.truth["sensors"], made.machine
    jet = _within(truth["jets"][0]["jet_on"], truth["begin"])
    runs = _within(truth["running"], truth["begin"])
    shown, other = (made.columns[c.name] for c in made.channels.values())
    there = np.isfinite(shown) & np.isfinite(other)
    t, done = (made.times[there] - truth["begin"]) * 1e-9, other[there]
    p = shown[there] * PASCALS[made.channels["pressure"].unit or ""] / (1 + sensors["gain"])
    sound, balance = knows(made), oracle == "balance"
    stroke, leak, stored, flow = (np.interp(p, GRID, y) for y in sound)
    leak *= 1 + unit.warm_up_leak * np.exp(-runs(t) / unit.warm_up_time)
    a, b, lasted, on = t[:-1], t[1:], np.diff(t), np.diff(jet(t))
    use = ~_stuck(p)[1:] & (p[1:] > LEAST) & (p[:-1] > LEAST) & (lasted < 3.0)
    lost = _mid(leak) * lasted + (np.diff(stored) if balance else 0.0)
    taken = np.maximum(_mid(flow), 1e-9)
    if "counter" in made.channels:
        each = made.channels["counter"].strokes_per_count or 1
        use &= (jet(b + NEAR) > jet(b - NEAR)) & (runs(b) - runs(a) > 0.99 * lasted)
        excess = (np.diff(done) % 2**16 * each * _mid(stroke) - lost) / taken - on
        full = np.interp(FULL, GRID, sound.stroke / np.maximum(sound.flow, 1e-9))
        seen = Rows(b, jet(b), on, excess, 1.0 + each * float(full))
    elif isinstance(unit.pump, Crank):
        settle = OPENING if balance else SETTLE * _time_constant(sound)
        use &= _jet_only(jet, a - sensors["averaging_s"] - settle, b)
        excess = (_mid(done) / 60 * _mid(stroke) * lasted - lost) / taken - on
        seen = Rows(b, jet(b), on, np.clip(excess, -MOST * on, MOST * on))
    else:
        taken, window = np.maximum(flow[1:], 1e-9), sensors["rate_window_s"]
        period = stroke[1:] / taken
        settled = _jet_only(jet, a - window - 2.5 * period - 1.0, b)
        steady = (done[1:] / 60 * stroke[1:] - leak[1:]) / taken - 1
        excess, clock = np.clip(steady, -MOST, MOST) * on, on
        if balance:
            late = b - 1.5 * period
            part = LOOSE * (jet(late) - jet(late - window)) / window * lasted
            given = _reading(made, sound, t, p, jet, runs)[1:]
            loose = LOOSE * (done[1:] / 60 - given) * period * lasted - BIAS * part
            use &= settled | (part > 0.0)
            excess, clock = np.where(settled, excess, loose), np.where(settled, on, part)
        else:
            use &= settled
        seen = Rows(b, jet(b), clock, excess)
    return seen._replace(clock=np.where(use, seen.clock, 0), excess=np.where(use, seen.excess, 0))


def _time_constant(sound: Knows) -> float:
    """S in which a line at the full recipe comes near its pressure, with a jet of √p."""
    give = np.gradient(sound.stored, GRID) / np.maximum(sound.flow, 1e-9)
    return float(2 * FULL * np.interp(FULL, GRID, give))


def _mid(values: Array) -> Array:
    return 0.5 * (values[1:] + values[:-1])


def _jet_only(jet: Callable[[Any], Any], a: Array, b: Array) -> NDArray[np.bool_]:
    return np.asarray(jet(b) - jet(a) >= b - a - 1e-6)


def _stuck(p: Array) -> NDArray[np.bool_]:
    """Rows of a reading that has stopped moving: the same figure `STUCK` times or more."""
    first = np.flatnonzero(np.concatenate([[True], p[1:] != p[:-1]]))
    lengths = np.diff(np.concatenate([first, [p.size]]))
    return np.repeat(lengths >= STUCK, lengths)


def _reading(made: Day, sound: Knows, t: Array, p: Array, jet: Any, runs: Any) -> Array:
    """Strokes a second that the controller would show of the sound plant, by rows.

    How a controller counts is the plant's own; when strokes began nobody knows, so the mean over
    eight phases.
    """
    truth, unit = made.truth, made.machine
    ends = TICK * np.arange(1, round((truth["end"] - truth["begin"]) * 1e-9 / TICK) + 1)
    stroke, leak, stored, flow = (np.interp(np.interp(ends, t, p), GRID, y) for y in sound)
    leak *= 1 + unit.warm_up_leak * np.exp(-runs(ends) / unit.warm_up_time)
    given = np.diff(jet(ends), prepend=0.0) * flow + leak * TICK
    given += np.diff(stored, prepend=stored[0])
    strokes = np.cumsum(np.maximum(given, 0.0) * np.diff(runs(ends), prepend=0.0) / TICK / stroke)
    at, shown = np.minimum((t / TICK).astype(np.int64), ends.size - 1), np.zeros(t.size)
    for phase in np.arange(8) / 8:
        times = np.interp(np.arange(1, int(strokes[-1])) + phase, strokes, ends)
        trace: Any = SimpleNamespace(ticks=SimpleNamespace(pressure=ends), stroke_times=times)
        shown += _mean(_stroke_rate(trace), made.truth["sensors"]["rate_window_s"], at) / 8
    return shown


def page(steps: Array) -> Array:
    """Sums of Page's test: how far the sum of all steps stands above its least, or above 0."""
    total = np.cumsum(steps)
    return np.asarray(total - np.minimum.accumulate(np.minimum(total, 0.0)))


def judge(made: Day, oracle: str) -> Judged:
    """The test on one day; what is usual is known from before the chip, or half a sound day."""
    seen, faults = rows(made, oracle), made.truth["faults"]
    chip = (faults[0]["at_ns"] - made.truth["begin"]) * 1e-9 if faults else np.inf
    before = seen.end < chip if faults else seen.jet < seen.jet[-1] / 2
    usual = seen.excess[before].sum() / max(seen.clock[before].sum(), 1.0)
    sums = page(seen.excess - (usual + DRIFT) * seen.clock) / seen.unit
    jet, later = float(np.interp(chip, seen.end, seen.jet)), seen.end >= chip
    after = np.column_stack([seen.jet[later] - jet, sums[later]])
    heard = float(seen.clock[later][after[:, 0] <= SOON].sum())
    return Judged(jet / 3600, float(sums[~later].max()), after, heard)


def both(task: Task) -> tuple[Task, dict[str, Judged], float]:
    """What the oracles make of a day, and the watcher's delay on one with a chip."""
    kind, signals = LOGGED[task.logged]
    fault: dict[str, Any] = {"fault": "chip", "size": task.chip} if task.chip else {}
    made = day(kind, task.seed, machine=task.seed, signals=signals, **fault)
    return task, {o: judge(made, o) for o in ORACLES}, tell(task).delay if task.chip else np.nan


def report(logged: str, days: list[tuple[Task, dict[str, Judged], float]], verbose: bool) -> None:
    """Print the figures of one way of logging."""
    sound, chips = [d for d in days if not d[0].chip], [d for d in days if d[0].chip]
    size, watcher = np.array([d[0].chip for d in chips]), np.array([d[2] for d in chips]) <= SOON
    print(f"{logged}; limits by {sum(d[1]['steady'].hours for d in sound):.0f} sound jet h")
    groups = {"all": size > 0.0, "+6 and +8 %": size < 0.1, "+10 % and more": size >= 0.1}
    for name, own in groups.items():
        print(f"  watcher, {name}: {share(int(watcher[own].sum()), int(own.sum()))}")
    for oracle in ORACLES:
        limit = max(d[1][oracle].highest for d in sound)
        told = [d[1][oracle].after[d[1][oracle].after[:, 1] > limit, 0] for d in chips]
        delay = np.array([min(t, default=np.inf) for t in told])
        soon, early = delay <= SOON, sum(d[1][oracle].highest > limit for d in chips)
        for name, own in groups.items():
            print(f"  {oracle}, {name}: {share(int(soon[own].sum()), int(own.sum()))}")
        medians = ", ".join(f"{np.median(delay[size == s]):.0f}" for s in CHIPS)
        print(f"    limit {limit:.2f}, passed before the chip on {early} days; medians {medians} s")
        pairs = [int(np.sum(x & y)) for x in (soon, ~soon) for y in (watcher, ~watcher)]
        print("    both {}, only oracle {}, only watcher {}, neither {}".format(*pairs))
        for i in np.flatnonzero(~(soon & watcher)) if verbose else ():
            task, judged, late = chips[i]
            print(
                f"      {task.seed} +{100 * task.chip:.0f} %: oracle {delay[i]:.0f} s, watcher "
                f"{late:.0f} s; of {SOON:.0f} s of jet count {judged[oracle].heard:.0f}"
            )


def main() -> None:
    """Draw and judge them all."""
    numbers = [int(x) for x in sys.argv[1:] if x != "-v"]
    chips, first, sound, processes = numbers + [60, 66_001, 200, 2][len(numbers) :]
    tasks = [
        Task(logged, seed, chip, 1.0)
        for logged in LOGGED
        for seeds, faulty in ((range(first, first + chips), True),
                              (range(first + APART, first + APART + sound), False))
        for seed in seeds
        for chip in ([CHIPS[seed % len(CHIPS)]] if faulty else [0.0])
    ]  # fmt: skip
    days = []
    for i, answer in spread(both, tasks, processes=processes):
        if isinstance(answer, Exception):
            print(f"{tasks[i]}: {type(answer).__name__}: {answer}")
        else:
            days.append(answer)
    for logged in LOGGED:
        report(logged, [d for d in days if d[0].logged == logged], "-v" in sys.argv)


if __name__ == "__main__":
    main()

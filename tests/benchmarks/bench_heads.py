"""Figures, not tests: pumps with two heads on days of a plant that is not ours.

`python tests/benchmarks/bench_heads.py DAYS [FIRST_SEED [MINUTES]] [-v]` runs so many sound days
and so many days with a chip in one of two heads, for each kind of pump, way of cutting and valve
signal, through the files, the machine file and the `Watcher`, as `replay` does. Kinds, ways, sizes
and heads come by turns, and no new day begins after so many minutes. One day is logged once for
each valve signal. Nothing may be tuned on the seeds that are reported: seeds below 100,000 are for
tuning, those from 100,000 on are looked at once.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from borewarden import load_machine, read_log
from borewarden.base.errors import BadInput
from borewarden.base.samples import Samples, rows
from borewarden.settings.machine import MachineSettings
from borewarden.watcher.heads_watch import WHICH_HEADS
from borewarden.watcher.watcher import TWO_LEVELS
from second_plant import day, write

LOGGED = {  # the name here, kind of the plant, signals beside the valves
    "intensifier, counter": ("intensifier", ("pressure", "counter")),
    "intensifier, rate": ("intensifier", ("pressure", "rate")),
    "crank, floating": ("floating", ("pressure", "rate")),
    "crank, speed-regulated": ("regulated", ("pressure", "rate")),
}
WAYS = {  # the name here, mode of the plant, whether the pump could feed both heads
    "together": ("together", True),
    "turns": ("turns", True),
    "turns, small pump": ("turns", False),
    "mixed": ("mixed", True),
}
VALVES = {"each head": ("valve_1", "valve_2"), "count": ("valve",), "none": ()}
QUIET = ("SOUND", "LEARNING")
CHIPS = (0.08, 0.10, 0.12, 0.15)
LARGE, SOON = 0.10, 300.0  # chips that are to be told soon, and how soon, s of jet of that head
LOOK = 300  # rows between looks at the verdict
STRIDE = 5  # through the kinds and ways, of which there are 14
# s: a head has been seen if it has cut for so long before and after, in cuts not over at once
LONG_CUT, BEFORE, AFTER = 60, 900, 300


class Task(NamedTuple):
    """One day: how it is logged and cut, its seed, the size of the chip (0: sound)."""

    logged: str
    way: str
    valves: str
    seed: int
    chip: float


class Told(NamedTuple):
    """What the watcher told on one day; `alerts` with hours since the log began."""

    task: Task
    alerts: tuple[tuple[float, str, str], ...]  # h, state, suspects
    two_levels: int  # how often it was told that on and off can't be told apart
    which_heads: int  # and which heads are open
    jet_hours: float  # with a head on
    cut: float  # s of jet of the head from the chip on
    seen: int  # steady batches in the first `SOON` of them with that head open
    chip_at: float
    delay: float  # s of jet of that head from the chip to the first alert, inf if there was none
    told: str  # the state first told after the chip
    head: str  # whose jewel chipped
    last: str  # state in the evening
    named: str  # the head named in the evening, and what else was suspected
    can_tell: (
        bool  # the head has cut long enough before and after the chip, and not only with others
    )
    wrong: bool  # another head was named with more than 90 % at one of the looks
    reason: str


def possible(logged: str, way: str) -> bool:
    """A floating pump has one pressure for each number of heads, and never feeds them all alone."""
    return logged != "crank, floating" or way in ("together", "turns")


def logged_days(logged: str, way: str, seed: int, chip: float) -> Iterator[tuple[str, Any]]:
    """The same day with each valve signal: its name, then machine, samples and truth.

    In their place the error where the machine file is refused.
    """
    kind, signals = LOGGED[logged]
    mode, roomy = WAYS[way]
    fault: dict[str, Any] = {"fault": "chip", "size": chip, "head": seed % 2} if chip else {}
    valves = sorted({name for names in VALVES.values() for name in names})
    made = day(kind, seed, signals=(*signals, *valves), heads=2, mode=mode, roomy=roomy, **fault)
    for name, own in VALVES.items():
        channels = {signal: made.channels[signal] for signal in (*signals, *own)}
        with tempfile.TemporaryDirectory() as folder:
            log, machine_file, _ = write(replace(made, channels=channels), folder)
            try:
                machine = load_machine(machine_file)
            except BadInput as error:
                yield name, error
                continue
            yield name, (machine, read_log(log, machine.log_format()), made.truth)


def tell(task: Task, machine: MachineSettings, samples: Samples, truth: dict[str, Any]) -> Told:
    """Let a watcher read the day."""
    head = task.seed % 2
    watcher = machine.build_watcher()
    began, ended = int(samples.time_ns[0]), int(samples.time_ns[-1])
    chip_ns = truth["faults"][0]["at_ns"] if task.chip else np.iinfo(np.int64).max
    alerts, wrong, spans = [], False, []
    for start in range(0, len(samples.time_ns), LOOK):
        learned = watcher.learn_many(rows(samples, start, start + LOOK))
        alerts += learned.alerts
        spans += learned.batches[["start_ns", "end_ns"]].tolist()
        now = watcher.verdict()
        wrong |= now.state.name not in QUIET and now.head not in (None, str(head + 1))
    two_levels = [a for a in alerts if a.verdict.reason == TWO_LEVELS]
    which_heads = [a for a in alerts if a.verdict.reason == WHICH_HEADS]
    alerts = [a for a in alerts if a.verdict.reason not in (TWO_LEVELS, WHICH_HEADS)]
    after = [a for a in alerts if a.time_ns >= chip_ns and a.verdict.state.name not in QUIET]

    def cut(since_ns: int, until_ns: int) -> float:
        jets = np.array(truth["jets"][head]["jet_on"], dtype=float).reshape(-1, 2)
        inside = np.clip(jets, since_ns, max(until_ns, since_ns))
        return float(np.sum(inside[:, 1] - inside[:, 0]) * 1e-9)

    in_time = [(a, b) for a, b in spans if a >= chip_ns and cut(chip_ns, b) <= SOON]
    verdict = watcher.verdict()
    can_tell = task.valves == "each head" and bool(task.chip) and _can_tell(truth, chip_ns, head)
    return Told(
        task,
        tuple(
            ((a.time_ns - began) / 3600e9, a.verdict.state.name, a.verdict.suspects) for a in alerts
        ),
        len(two_levels),
        len(which_heads),
        watcher.jet_hours,
        cut(chip_ns, ended),
        sum(cut(a, b) > 0.5e-9 * (b - a) for a, b in in_time),
        (chip_ns - began) / 3600e9 if task.chip else np.nan,
        cut(chip_ns, after[0].time_ns) if after else np.inf,
        after[0].verdict.state.name if after else "",
        str(head + 1),
        verdict.state.name,
        verdict.suspects,
        can_tell,
        wrong,
        verdict.reason,
    )


def _can_tell(truth: dict[str, Any], chip_ns: int, chipped: int) -> bool:
    """Whether the head has cut alone, or with the other one that cut alone, before and after."""
    ends = [ns for jet in truth["jets"] for ns in np.ravel(jet["jet_on"]).tolist()]
    seconds = np.arange(min(ends), max(ends), 10**9)
    on = []
    for jet in truth["jets"]:
        edges = np.ravel(jet["jet_on"])
        on.append(np.searchsorted(edges, seconds, side="right") % 2 == 1)
    head, other = on[chipped], on[1 - chipped]
    cut = {
        name: _cut_long_enough(where, seconds < chip_ns)
        for name, where in (("it", head & ~other), ("other", other & ~head), ("both", head & other))
    }
    return cut["it"] or (cut["both"] and cut["other"])


def _cut_long_enough(where: Any, before: Any) -> bool:
    """Whether these seconds are enough long cuts before the chip, and after it."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], where, [0])))).reshape(-1, 2)
    lasted = np.diff(edges)[:, 0]
    long, early = lasted >= LONG_CUT, before[edges[:, 0]]
    return bool(lasted[long & early].sum() >= BEFORE and lasted[long & ~early].sum() >= AFTER)


def share(k: int, n: int) -> str:
    """k of n with the 95 % interval of Wilson 1927 (J. Am. Stat. Assoc. 22, 209-212)."""
    if n == 0:
        return "none"
    z2 = 1.959964**2
    middle, half = (k + z2 / 2) / (n + z2), (z2 * (k * (n - k) / n + z2 / 4)) ** 0.5 / (n + z2)
    low, high = 100 * (middle - half), 100 * (middle + half)
    return f"{k} of {n} = {100 * k / n:.0f} % ({low:.0f} to {high:.0f})"


def report(title: str, told: Sequence[Told]) -> None:
    """Print the figures of these days."""
    sound = [t for t in told if not t.task.chip]
    chips = [t for t in told if t.task.chip]
    print(title)
    if sound:
        _report_sound(sound)
    if chips:
        _report_chips(chips)


def _report_sound(sound: Sequence[Told]) -> None:
    raised = [sum(state not in QUIET for _, state, _ in t.alerts) for t in sound]
    hours = sum(t.jet_hours for t in sound)
    print(f"  sound: {sum(raised)} alerts in {hours:.0f} jet h; days without: "
          f"{share(raised.count(0), len(sound))}")  # fmt: skip
    levels = [t.two_levels for t in sound]
    print(f"    days with two levels: {sum(n > 0 for n in levels)}, told {sum(levels)} times")
    heads = [t.which_heads for t in sound]
    print(f"    days on which it can't be told which heads are open: {sum(n > 0 for n in heads)}, "
          f"told {sum(heads)} times")  # fmt: skip


def _report_chips(chips: Sequence[Told]) -> None:
    seen = [t for t in chips if np.isfinite(t.delay)]
    can = [t for t in chips if t.can_tell]
    right = [t for t in can if t.named == f"head {t.head}"]
    delays = [t.delay for t in chips]
    print(f"  chips told: {share(len(seen), len(chips))}; median delay {np.median(delays):.0f} s")
    large = [t for t in chips if t.task.chip >= LARGE and t.cut >= SOON]
    print(f"    from +10 % on: {sum(t.task.chip >= LARGE and t.cut < SOON for t in chips)} whose "
          f"head cut less than {SOON:.0f} s; of the others within that of its jet: "
          f"{share(sum(t.delay <= SOON for t in large), len(large))}")  # fmt: skip
    gathered = [t for t in large if t.seen >= 2]
    print(f"      with two steady batches by then: "
          f"{share(sum(t.delay <= SOON for t in gathered), len(gathered))}")  # fmt: skip
    few = [t for t in large if t.seen < 2]
    print(f"      with none or one: {sum(t.delay <= SOON for t in few)} of {len(few)}")
    print(f"    as an opened bore first: {share(sum(t.told == 'OPENED' for t in seen), len(seen))}")
    print(f"    so in the evening: {share(sum(t.last == 'OPENED' for t in seen), len(seen))}")
    told_of = sum(bool(np.isfinite(t.delay)) for t in can)
    print(f"    where the head can be told: {share(told_of, len(can))} told")
    print(f"      right head named in the evening: {share(len(right), len(can))}")
    print(f"    wrong head ever named: {share(sum(t.wrong for t in chips), len(chips))}")
    before = sum(state not in QUIET and h < t.chip_at for t in chips for h, state, _ in t.alerts)
    a_day = np.mean([len(t.alerts) for t in chips])
    print(f"    alerts before the chip: {before}; changes a day: {a_day:.2f}")


def plan(first: int, days: int) -> Iterator[tuple[str, str, int, float]]:
    """Kind, way, seed and size of chip of each day, in an order that leaves none for the end."""
    cases = [case for case in itertools.product(LOGGED, WAYS) if possible(*case)]
    for seed in range(first, first + days):
        for k in range(len(cases)):
            place = k * STRIDE % len(cases)
            for chip in (0.0, CHIPS[(seed // 2 + k) % len(CHIPS)]):
                yield (*cases[place], seed, chip)


def main() -> None:
    """Run them all."""
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    wanted = [a for a in sys.argv[1:] if not a.isdigit() and a != "-v"]
    days, first, minutes = (*numbers, *(5, 1, 10**6)[len(numbers) :])
    told: list[Told] = []
    ends = time.monotonic() + 60.0 * minutes
    for logged, way, seed, chip in plan(first, days):
        if time.monotonic() > ends:
            break
        if not all(w in (logged, way, *VALVES) for w in wanted):
            continue
        for valves, made in logged_days(logged, way, seed, chip):
            task = Task(logged, way, valves, seed, chip)
            if not all(w in task[:3] for w in wanted):
                continue
            if isinstance(made, Exception):
                print(f"{task}: refused")
            else:
                told.append(tell(task, *made))
    for valves in VALVES:
        report(valves, [t for t in told if t.task.valves == valves])
        for logged, way in itertools.product(LOGGED, WAYS):
            own = [t for t in told if t.task[:3] == (logged, way, valves)]
            if own and "-v" in sys.argv:
                report(f"{valves} | {logged} | {way}", own)
                list_days(own)


def list_days(told: Sequence[Told]) -> None:
    """Print a line for each day."""
    for t in sorted(told, key=lambda each: each.task):
        alerts = ", ".join(f"{at:.2f} {state} [{who}]" for at, state, who in t.alerts)
        what = f"{t.task.seed} {t.task.chip} head {t.head} at {t.chip_at:.2f}, {t.delay:.0f} s"
        can = "" if t.can_tell else " (can't be told)"
        print(f"    {what}, {t.seen} batches{can}: {alerts}; {t.last} [{t.named}] {t.reason}")


if __name__ == "__main__":
    main()

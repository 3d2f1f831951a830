"""Figures, not tests: the watcher on days of a plant that is not ours, pressure and rate alone.

`python tests/benchmarks/bench_second_plant.py DAYS [FIRST_SEED] [INTERVAL]` runs so many sound days
and so many days with a chip of each kind of pump through the files, the machine file and the
`Watcher`, as `replay` does, and prints what it told. Nothing may be tuned on the seeds that are
reported: seeds below 100,000 are for tuning, those from 100,000 on are looked at once.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from scipy.stats import beta, chi2

sys.path.insert(0, str(Path(__file__).parents[1]))

from borewarden import load_machine, read_log
from borewarden.base.parallel import spread
from borewarden.watcher.watcher import TWO_LEVELS
from second_plant import day, write

LOGGED = {  # the name here, kind of the plant, signals: nothing but pressure and rate or counter
    "intensifier, counter": ("intensifier", ("pressure", "counter")),
    "intensifier, rate": ("intensifier", ("pressure", "rate")),
    "crank, floating": ("floating", ("pressure", "rate")),
    "crank, speed-regulated": ("regulated", ("pressure", "rate")),
}
APART = "on and off can't be told apart"  # in place of a cause
QUIET = ("SOUND", "LEARNING")
BORE = ("OPENED",)
SOON = 300.0  # s of jet
CHIPS = (0.06, 0.08, 0.10, 0.15)


class Task(NamedTuple):
    """One day: how it is logged, its seed, the size of the chip (0: sound), s between rows."""

    logged: str
    seed: int
    chip: float
    interval: float


class Told(NamedTuple):
    """What the watcher told on one day; times in s of jet, nan where nothing was told.

    `closed` is what the pump does while the jet is closed.
    """

    closed: str
    task: Task
    jet_hours: float
    alerts: tuple[tuple[float, str, str], ...]  # h since the log began, state, first cause
    chip_at: float  # h since the log began
    first: str  # state first told after the chip
    first_cause: str
    delay: float  # s of jet from the chip to that
    last: str
    last_cause: str
    reason: str


def tell(task: Task) -> Told:
    """Make the day, and let a watcher read its files."""
    kind, signals = LOGGED[task.logged]
    fault: dict[str, Any] = {"fault": "chip", "size": task.chip} if task.chip else {}
    made = day(kind, task.seed, signals=signals, interval=task.interval, **fault)
    with tempfile.TemporaryDirectory() as folder:
        log, machine_file, _ = write(made, folder)
        machine = load_machine(machine_file)
        samples = read_log(log, machine.log_format())
    watcher = machine.build_watcher()
    learned = watcher.learn_many(samples)
    began = int(samples.time_ns[0])
    alerts = tuple(
        ((a.time_ns - began) / 3600e9, a.verdict.state.name, _cause(a.verdict))
        for a in learned.alerts
    )
    verdict = watcher.verdict()
    chip_at, first, first_cause, delay = np.nan, "", "", np.nan
    jets = np.array(made.truth["jets"][0]["jet_on"], dtype=float).reshape(-1, 2)
    if task.chip:
        chip_ns = made.truth["faults"][0]["at_ns"]
        chip_at = (chip_ns - began) / 3600e9
        after = [a for a in learned.alerts if a.time_ns >= chip_ns]
        after = [
            a for a in after if a.verdict.state.name not in QUIET and _cause(a.verdict) != APART
        ]
        if after:
            first, first_cause = after[0].verdict.state.name, _cause(after[0].verdict)
            told_ns = after[0].time_ns
            inside = np.clip(jets, chip_ns, told_ns)
            delay = float(np.sum(inside[:, 1] - inside[:, 0]) * 1e-9)
    return Told(
        made.machine.closed, task, float(np.sum(jets[:, 1] - jets[:, 0]) / 3600e9), alerts,
        chip_at, first, first_cause, delay, verdict.state.name, _cause(verdict), verdict.reason,
    )  # fmt: skip


def _cause(verdict: Any) -> str:
    if verdict.reason == TWO_LEVELS:
        return APART
    return verdict.causes[0].cause.name if verdict.causes else ""


def raises(state: str, cause: str) -> bool:
    """Whether that is an alert, and not the word that nothing can be told."""
    return state not in QUIET and cause != APART


def alarm_rates(days: Sequence[Told]) -> str:
    """Changes told, as a person counts them.

    EEMUA 191 and ISA-18.2 (values from memory) call one in 10 min manageable and 10 too many, and
    an alarm that comes and goes three times in a minute chattering.
    """
    told = [np.array([at for at, _, _ in t.alerts]) for t in days]
    tens = [max((np.sum((at >= a) & (at < a + 1 / 6)) for a in at), default=0) for at in told]
    minutes = [max((np.sum((at >= a) & (at < a + 1 / 60)) for a in at), default=0) for at in told]
    return (
        f"told on the worst day: {max(map(len, told))}; most in 10 min: {max(tens)}; days that "
        f"chatter: {sum(m >= 3 for m in minutes)} of {len(days)}"
    )


def share(k: int, n: int) -> str:
    """k of n with the exact 95 % interval (Clopper & Pearson 1934)."""
    if n == 0:
        return "none"
    low = beta.ppf(0.025, k, n - k + 1) if k else 0.0
    high = beta.ppf(0.975, k + 1, n - k) if k < n else 1.0
    return f"{k} of {n} = {100 * k / n:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def rate(k: int, hours: float) -> str:
    """k events in 1,000 jet hours with the exact 95 % interval (Garwood 1936)."""
    low = chi2.ppf(0.025, 2 * k) / 2 if k else 0.0
    high = chi2.ppf(0.975, 2 * (k + 1)) / 2
    return f"{1e3 * k / hours:.1f} ({1e3 * low / hours:.1f} to {1e3 * high / hours:.1f})"


def report(logged: str, told: Sequence[Told]) -> None:
    """Print the figures of one way of logging."""
    sound = [t for t in told if not t.task.chip]
    chips = [t for t in told if t.task.chip]
    hours = sum(t.jet_hours for t in sound)
    raised = sum(raises(state, cause) for t in sound for _, state, cause in t.alerts)
    before = sum(raises(s, c) and at < t.chip_at for t in chips for at, s, c in t.alerts)
    changes = sum(len(t.alerts) for t in sound) / len(sound)
    states = [t.last for t in sound]
    print(logged)
    print(f"  sound: {len(sound)} days, {hours:.0f} jet h")
    print(f"    alerts in 1,000 jet h: {rate(raised, hours)}")
    print(f"    changes of state a day: {changes:.2f}; alerts before a chip: {before}")
    print(f"    still learning in the evening: {share(states.count('LEARNING'), len(sound))}")
    print(f"    {alarm_rates(sound)}")
    for closed in sorted({t.closed for t in sound}):
        said = [sum(c == APART for _, _, c in t.alerts) for t in sound if t.closed == closed]
        print(
            f"    closed jet {closed}: {APART}, said once on {said.count(1)}, more often on "
            f"{sum(n > 1 for n in said)} of {len(said)} days"
        )
    print(f"    not the stated bore: {share(states.count('NOT_STATED_BORE'), len(sound))}")
    if not chips:
        return
    soon = share(sum(t.delay <= SOON for t in chips), len(chips))
    print(f"  chips told within 5 min of jet: {soon}")
    for size in CHIPS:
        own = [t.delay if np.isfinite(t.delay) else np.inf for t in chips if t.task.chip == size]
        soon = share(sum(delay <= SOON for delay in own), len(own))
        print(f"    +{100 * size:.0f} %: median {np.median(own):.0f} s; {soon}")
    named = [t for t in chips if t.first]
    right = [t for t in named if t.first in BORE or t.first_cause == "BORE"]
    kept = sum(t.last in BORE or t.last_cause == "BORE" for t in right)
    print(f"  first word right: {share(len(right), len(named))}")
    print(f"    and so in the evening: {share(kept, len(right))}")


def main() -> None:
    """Run them all, in two processes."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    interval = float(sys.argv[3]) if len(sys.argv) > 3 else 1.0
    verbose = "-v" in sys.argv
    tasks = [
        Task(logged, seed, chip, interval)
        for logged in LOGGED
        for seed in range(first, first + days)
        for chip in (0.0, CHIPS[seed % len(CHIPS)])
    ]
    told: list[Told] = []
    for i, answer in spread(tell, tasks, processes=2):
        if isinstance(answer, Exception):
            print(f"{tasks[i]}: {type(answer).__name__}: {answer}")
            continue
        told.append(answer)
    for logged in LOGGED:
        own = [t for t in told if t.task.logged == logged]
        report(logged, own)
        if verbose:
            for t in sorted(own, key=lambda each: each.task):
                alerts = ", ".join(f"{at:.2f} {state} {cause}" for at, state, cause in t.alerts)
                print(f"    {t.task.seed} {t.task.chip} at {t.chip_at:.2f}: {alerts}; {t.reason}")


if __name__ == "__main__":
    main()

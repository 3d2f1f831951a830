"""Figures, not tests: the watcher on days of a plant that is not ours, pressure and rate alone.

`python tests/benchmarks/bench_second_plant.py MACHINES [FIRST_SEED] [INTERVAL] [DAYS]` runs so many
sound machines and so many with a chip on the last day, of each kind of pump, through the files, the
machine file and the `Watcher`, as `replay` does, and prints what it told. With DAYS, 1 by default,
each machine is watched on so many days in a row. Nothing may be tuned on the seeds that are
reported: seeds below 100,000 are for tuning, those from 100,000 on are looked at once.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).parents[1]))

from borewarden import load_machine, read_log
from borewarden.base.parallel import spread
from borewarden.tune.trade import false_alarm_rate
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
SLOW = 5.0  # s between rows, from which a chip is due by samples
FEWEST, SLOWEST = 10, 900.0  # samples of steady jet and s of jet, whichever is longer
CHIPS = (0.06, 0.08, 0.10, 0.15)


class Task(NamedTuple):
    """One machine: how it is logged, its seed, the size of the chip on the last day (0: sound)."""

    logged: str
    seed: int
    chip: float
    interval: float  # s between rows
    days: int = 1  # in a row


class Told(NamedTuple):
    """What the watcher told of one machine; times in s of jet, nan where nothing was told.

    `closed` is what the pump does while the jet is closed.
    """

    closed: str
    task: Task
    jet_hours: float
    first_jet_hours: float  # on the first day
    alerts: tuple[tuple[float, str, str], ...]  # h since the log began, state, first cause
    chip_at: float  # h since the log began
    first: str  # state first told after the chip
    first_cause: str
    delay: float  # s of jet from the chip to that
    due: float  # s of jet from the chip by which a slow log should have told it
    last: str
    last_cause: str
    reason: str


def read(made: Any) -> tuple[Any, Any, Any]:
    """Machine and samples of a day, through its files, and the begins and ends of its jets."""
    with tempfile.TemporaryDirectory() as folder:
        log, machine_file, _ = write(made, folder)
        machine = load_machine(machine_file)
        samples = read_log(log, machine.log_format())
    return machine, samples, np.array(made.truth["jets"][0]["jet_on"], dtype=float).reshape(-1, 2)


def tell(task: Task) -> Told:
    """Make the days, and let a watcher read their files."""
    kind, signals = LOGGED[task.logged]
    fault: dict[str, Any] = {"fault": "chip", "size": task.chip} if task.chip else {}
    alerts: list[Any] = []
    jets: list[Any] = []
    made = None
    for k in range(task.days):
        last = k == task.days - 1
        made = day(
            kind, task.seed + 10**7 * k, machine=task.seed, signals=signals,
            interval=task.interval, after=made, **(fault if last else {}),
        )  # fmt: skip
        machine, samples, on = read(made)
        if k == 0:
            watcher, began = machine.build_watcher(), int(samples.time_ns[0])
        alerts += watcher.learn_many(samples).alerts
        jets.append(on)
    assert made is not None
    verdict = watcher.verdict()
    chip_at, first, first_cause, delay, due = np.nan, "", "", np.nan, np.nan
    if task.chip:
        chip_ns = made.truth["faults"][0]["at_ns"]
        chip_at = (chip_ns - began) / 3600e9
        if after := raised(alerts, chip_ns):
            first, first_cause = after[0].verdict.state.name, cause_of(after[0].verdict)
            delay = jet_seconds(jets[-1], chip_ns, after[0].time_ns)
        due = due_after(jets[-1], chip_ns, samples.time_ns, task.interval)
    hours = [float(np.sum(on[:, 1] - on[:, 0]) / 3600e9) for on in jets]
    told = [
        ((a.time_ns - began) / 3600e9, a.verdict.state.name, cause_of(a.verdict)) for a in alerts
    ]
    return Told(
        made.machine.closed, task, sum(hours), hours[0], tuple(told), chip_at, first, first_cause,
        delay, due, verdict.state.name, cause_of(verdict), verdict.reason,
    )  # fmt: skip


def jet_seconds(jets: Any, begin_ns: int, end_ns: int) -> float:
    """Seconds of jet between two times; `jets` are its begins and ends, shape (n, 2)."""
    inside = np.clip(jets, begin_ns, end_ns)
    return float(np.sum(inside[:, 1] - inside[:, 0]) * 1e-9)


def due_after(jets: Any, chip_ns: int, time_ns: Any, interval: float) -> float:
    """Seconds of jet by which `FEWEST` samples with nothing but jet in them have come, or more."""
    begin_ns = time_ns - round(interval * 1e9)
    of = np.searchsorted(jets[:, 0], begin_ns, side="right") - 1
    whole = (of >= 0) & (time_ns <= jets[of, 1]) & (begin_ns >= chip_ns)
    steady = time_ns[whole]
    if len(steady) < FEWEST:
        return np.inf
    return max(SLOWEST, jet_seconds(jets, chip_ns, int(steady[FEWEST - 1])))


def cause_of(verdict: Any) -> str:
    if verdict.reason == TWO_LEVELS:
        return APART
    return verdict.causes[0].cause.name if verdict.causes else ""


def raised(alerts: Sequence[Any], since_ns: int = 0) -> list[Any]:
    """Those of the `alerts` that raise one, since a time."""
    return [
        a
        for a in alerts
        if a.time_ns >= since_ns and raises(a.verdict.state.name, cause_of(a.verdict))
    ]


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
        f"told on the worst machine: {max(map(len, told))}; most in 10 min: {max(tens)}; that "
        f"chatter: {sum(m >= 3 for m in minutes)} of {len(days)} machines"
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
    value, low, high = false_alarm_rate(k, hours, 0.95)
    return f"{value:.1f} ({low:.1f} to {high:.1f})"


def report(logged: str, told: Sequence[Told]) -> None:
    """Print the figures of one way of logging."""
    sound = [t for t in told if not t.task.chip]
    chips = [t for t in told if t.task.chip]
    days = sound[0].task.days
    hours = sum(t.jet_hours for t in sound)
    at = np.array([at for t in sound for at, s, c in t.alerts if raises(s, c)])
    before = sum(raises(s, c) and at < t.chip_at for t in chips for at, s, c in t.alerts)
    changes = sum(len(t.alerts) for t in sound) / len(sound) / days
    states = [t.last for t in sound]
    print(logged)
    print(f"  sound: {len(sound)} machines, {len(sound) * days} days, {hours:.0f} jet h")
    print(f"    alerts in 1,000 jet h: {rate(len(at), hours)}")
    if days > 1:
        early = sum(t.first_jet_hours for t in sound)
        print(f"      on the first day: {rate(int(np.sum(at < 24.0)), early)}")
        print(f"      later: {rate(int(np.sum(at >= 24.0)), hours - early)}")
    print(f"    changes of state a day: {changes:.2f}; alerts before a chip: {before}")
    print(f"    still learning in the evening: {share(states.count('LEARNING'), len(sound))}")
    print(f"    {alarm_rates(sound)}")
    for closed in sorted({t.closed for t in sound}):
        said = [sum(c == APART for _, _, c in t.alerts) for t in sound if t.closed == closed]
        print(
            f"    closed jet {closed}: {APART}, said once on {said.count(1)}, more often on "
            f"{sum(n > 1 for n in said)} of {len(said)} machines"
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
    if chips[0].task.interval >= SLOW:
        for name, least in (("all", 0.0), ("+10 % and more", 0.10)):
            own_chips = [t for t in chips if t.task.chip >= least]
            in_time = sum(t.delay <= t.due for t in own_chips)
            never_due = sum(np.isinf(t.due) and not t.first for t in own_chips)
            print(
                f"    in {FEWEST} samples of steady jet or {SLOWEST / 60:.0f} min, {name}: "
                f"{share(in_time, len(own_chips))}; not told, and fewer such samples: {never_due}"
            )
    named = [t for t in chips if t.first]
    right = [t for t in named if t.first in BORE or t.first_cause == "BORE"]
    kept = sum(t.last in BORE or t.last_cause == "BORE" for t in right)
    print(f"  first word right: {share(len(right), len(named))}")
    print(f"    and so in the evening: {share(kept, len(right))}")


def main() -> None:
    """Run them all, in two processes."""
    machines = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    interval = float(sys.argv[3]) if len(sys.argv) > 3 else 1.0
    days = int(sys.argv[4]) if len(sys.argv) > 4 and sys.argv[4] != "-v" else 1
    verbose = "-v" in sys.argv
    tasks = [
        Task(logged, seed, chip, interval, days)
        for logged in LOGGED
        for seed in range(first, first + machines)
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

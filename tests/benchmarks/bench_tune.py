"""Figures, not tests: how long a sweep takes, and whether injected chips are like true ones.

`python tests/benchmarks/bench_tune.py [DAYS] [SETTINGS]` has the virtual pump log invented days of
the machine West at 1 Hz, and prints the time of a sweep of so many settings over them with one
process and with two, beside replaying the log anew for each setting (which injects nothing), the
time of all that comes after it, and the most memory that this process and each worker took.
Processor seconds are printed too: on busy cores they say more.

`python tests/benchmarks/bench_tune.py like [RUNS [MACHINE]]` compares delay and step of injected
chips of +8 % with truly simulated ones at the same moments of the same invented days.
"""

from __future__ import annotations

import datetime as dt
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from multiprocessing import forkserver
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from borewarden.base.samples import Samples, rows
from borewarden.collect.logged import read_log
from borewarden.replay.one_machine import replay_logs
from borewarden.settings import load_machine
from borewarden.show.tune_report import write_tune_report
from borewarden.simulate.day import Chip, Day, log_day
from borewarden.tune.days import Shop, Wanted, injected, make_shop
from borewarden.tune.grid import USUAL_RANGES, candidates
from borewarden.tune.outcome import QUIET
from borewarden.tune.sweep import sweep
from borewarden.tune.trade import weigh_settings

CONFIG = Path(__file__).parents[2] / "config"


def seconds() -> float:
    """Processor time of this process and of those that it ended."""
    return sum(
        used.ru_utime + used.ru_stime
        for used in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


def megabytes(whose: int) -> float:
    return resource.getrusage(whose).ru_maxrss / 1024.0


def workers() -> list[int]:
    """The processes of the pool: children of the fork server, which is a child of this one."""
    parents = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):  # it has ended
            parents[int(stat.parent.name)] = int(stat.read_text().rpartition(")")[2].split()[1])
    return [pid for pid, above in parents.items() if parents.get(above) == os.getpid()]


@contextmanager
def memory_of_workers() -> Iterator[dict[int, dict[str, float]]]:
    """The most that each worker took, MiB: in all, and what it shares with nobody."""
    most: dict[int, dict[str, float]] = {}
    over = threading.Event()

    def look() -> None:
        while not over.wait(0.1):
            for pid in workers():
                with suppress(OSError):
                    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
                    now = dict(line.split(":", 1) for line in lines)
                    for field in ("VmHWM", "RssAnon"):
                        if field in now:
                            taken = int(now[field].split()[0]) / 1024.0
                            known = most.setdefault(pid, {"VmHWM": 0.0, "RssAnon": 0.0})
                            known[field] = max(known[field], taken)

    looking = threading.Thread(target=look)
    looking.start()
    try:
        yield most
    finally:
        over.set()
        looking.join()


def shop_of(name: str, samples: Samples, wanted: Wanted) -> Shop:
    machine = load_machine(CONFIG / f"{name}.toml")
    return make_shop(
        machine.build_pump(),
        machine.gate_settings(),
        machine.jewels(),
        samples,
        (),
        machine.time_zone,
        machine.watch_settings().baseline_time,
        wanted,
    )


def day_of(name: str, seed: int, days: int, end_hour: float) -> Day:
    machine = load_machine(CONFIG / f"{name}.toml")
    typical = machine.jewels()[0].plausible.typical
    return Day(
        dt.date(2026, 3, 3), days, seed, machine.time_zone, typical, end_hour=end_hour,
        logs_rate=name == "west",
    )  # fmt: skip


def sweeps(days: int, settings: int) -> None:
    file = CONFIG / "west.toml"
    machine = load_machine(file)
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "days.parquet"
        # in a process of its own: it takes more memory than all that comes after
        command = [sys.executable, "-m", "borewarden.cli", "simulate", str(log), "--machine"]
        command += [str(file), "--first", "2026-03-03", "--days", str(days), "--seed", "5"]
        subprocess.run(command, check=True)
        replay_logs(machine, [log])  # compiles
        start = time.perf_counter()
        for _ in range(3):
            replay_logs(machine, [log])
        naive = (time.perf_counter() - start) / 3
        samples = read_log(log, machine.log_format())
    shop = shop_of("west", samples, Wanted())
    tried = candidates(machine, file, USUAL_RANGES, settings, 1)[:settings]
    print(
        f"{days} days, {len(samples.time_ns)} samples, {shop.jet_clock[-1] / 3600:.0f} jet hours, "
        f"{len(tried)} settings, {len(shop.trials)} trials"
    )
    print(f"replay anew for each setting  {naive * len(tried):7.1f} s ({naive:.2f} s each)")
    for processes in (1, 2):
        start, used = time.perf_counter(), seconds()
        with memory_of_workers() as most:
            outcomes = sweep(shop, tried, None, processes)
        forkserver._forkserver._stop()  # type: ignore[attr-defined]  # its workers count when it ends
        print(
            f"sweep, {processes} process{'es' if processes > 1 else '  '}            "
            f"{time.perf_counter() - start:7.1f} s, {seconds() - used:.1f} s of processor"
        )
    start, used = time.perf_counter(), seconds()
    designed = [candidate.watch.false_alarm_hours for candidate in tried]
    trade = weigh_settings(shop, outcomes, 1.0, designed)
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "page.html"
        write_tune_report("West", machine.time_zone, shop, tried, outcomes, trade, "", page, 2)
    forkserver._forkserver._stop()  # type: ignore[attr-defined]
    print(
        f"trade-off and report, 2 processes {time.perf_counter() - start:3.1f} s, "
        f"{seconds() - used:.1f} s of processor"
    )
    print(
        f"most memory: this process {megabytes(resource.RUSAGE_SELF):.0f} MiB, each worker", end=" "
    )
    print(", ".join(f"{m['VmHWM']:.0f} MiB ({m['RssAnon']:.0f} its own)" for m in most.values()))


def alarm_and_step(name: str, samples: Samples) -> tuple[int | None, float]:
    watcher = load_machine(CONFIG / f"{name}.toml").build_watcher()
    alerts = [a for a in watcher.learn_many(samples).alerts if a.verdict.state not in QUIET]
    return (alerts[0].time_ns if alerts else None), watcher.verdict().step


def likeness(runs: int, *names: str) -> None:
    for name in names or ("north", "west", "south"):
        machine = load_machine(CONFIG / f"{name}.toml")
        pump, jewel, zone = machine.build_pump(), machine.jewels()[0], ZoneInfo(machine.time_zone)
        found = []
        for seed in range(runs):
            day = day_of(name, seed, 1, 10.0)
            sound = log_day(day, pump, jewel)
            shop = shop_of(name, sound, Wanted(chips=1, wears=0, seed=seed))
            trial = shop.trials[0]
            onset_ns = int(sound.time_ns[trial.onset])
            at = dt.datetime.fromtimestamp(onset_ns / 1e9, zone).replace(tzinfo=None)
            true = log_day(replace(day, chips=(Chip(at, 0.0, 0.08),)), pump, jewel)
            tail = injected(shop, trial)
            ours = Samples._make(
                np.concatenate([a[: trial.onset], b]) for a, b in zip(sound, tail, strict=True)
            )
            row = []
            for samples in (ours, rows(true, 0, trial.stop)):
                told, step = alarm_and_step(name, samples)
                jet = shop.jet_at(told) - shop.jet_at(onset_ns) if told else np.inf
                row += [jet, 100.0 * step]
            found.append(row)
        delay, step = np.array(found)[:, 0::2], np.array(found)[:, 1::2]
        apart = step[:, 0] - step[:, 1]
        later = delay[:, 0] - delay[:, 1]
        print(
            f"{name}: injected / true: delay median {np.median(delay[:, 0]):.0f} / "
            f"{np.median(delay[:, 1]):.0f} s, 95 % {np.quantile(delay[:, 0], 0.95):.0f} / "
            f"{np.quantile(delay[:, 1], 0.95):.0f} s, later by {np.mean(later):+.1f} "
            f"+- {np.std(later) / runs**0.5:.1f} s; step {np.mean(step[:, 0]):.2f} / "
            f"{np.mean(step[:, 1]):.2f} %, sd {np.std(step[:, 0]):.2f} / {np.std(step[:, 1]):.2f}, "
            f"apart by {np.mean(apart):+.3f} +- {np.std(apart) / runs**0.5:.3f}"
        )


if __name__ == "__main__":
    if sys.argv[1:2] == ["like"]:
        likeness(int(sys.argv[2]) if len(sys.argv) > 2 else 60, *sys.argv[3:])
    else:
        sweeps(*(int(word) for word in [*sys.argv[1:], "30", "200"][:2]))

"""Figures, not tests: is the right cause named on days of a plant that is not ours?

`python tests/benchmarks/bench_second_causes.py DAYS [FIRST_SEED] [all|cold|two] [usual|slow]
[dumped|held|open]` runs
DAYS days of each kind of fault through the files, the machine file and the `Watcher`, with all
further signals, with all but temperatures, or with pressure and rate alone, and prints what was
said first and last; "slow": of faults that grow over hours; "dumped", "held", "open": what the
line does at a stop, see tests/second_plant/README.md.
Nothing may be tuned on the seeds that are reported: those below 100,000 are for tuning, later ones
are looked at once. One process.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_second_plant import share

from borewarden import Samples, Verdict, Watcher, load_machine, read_log
from borewarden.diagnose.causes import Belief
from borewarden.diagnose.groups import named_with
from second_plant import day, write

PISTON = (
    "pressure", "counter", "temperature", "oil_pressure", "boost_pressure", "weep_temperature",
    "check_valve_temperature", "left_stroke_time", "right_stroke_time",
)  # fmt: skip
CRANK = (
    "pressure", "rate", "temperature", "boost_pressure", "weep_temperature",
    "check_valve_temperature", "bypass_temperature", "motor_speed", "motor_torque",
)  # fmt: skip
TEMPERATURES = ("weep_temperature", "check_valve_temperature", "bypass_temperature")
ALONE = {"intensifier": ("pressure", "counter"), "crank": ("pressure", "rate")}
GROWS = (5.0, 25.0)  # min that a leak takes to grow


class Kind(NamedTuple):
    """Days of one kind: the plant's, its fault with what is drawn of it, and the right cause."""

    plant: str
    fault: str
    more: dict[str, Any]
    right: str


KINDS = (
    Kind("intensifier", "chip", {"size": 0.08}, "BORE"),
    Kind("intensifier", "leak", {"side": "both", "ramp": GROWS}, "LEAK"),
    Kind("intensifier", "leak", {"side": "left"}, "LEAK"),
    Kind("intensifier", "transducer", {}, "TRANSDUCER"),
    Kind("intensifier", "feed", {}, "FEED"),
    Kind("regulated", "chip", {"size": 0.06}, "BORE"),
    Kind("regulated", "leak", {"ramp": GROWS}, "LEAK"),
    Kind("regulated", "bypass", {}, "BYPASS"),
    Kind("floating", "chip", {"size": 0.08}, "BORE"),
    Kind("floating", "leak", {"ramp": GROWS}, "LEAK"),
    Kind("floating", "transducer", {"size": -0.06}, "TRANSDUCER"),
    Kind("floating", "slip", {}, "SLIP"),
)
OVER_HOURS = (90.0, 240.0)  # min
SLOW_KINDS = (
    Kind("intensifier", "wear", {"size": 0.01}, "BORE"),
    Kind("intensifier", "leak", {"side": "both", "ramp": OVER_HOURS}, "LEAK"),
    Kind("intensifier", "transducer", {"ramp": OVER_HOURS}, "TRANSDUCER"),
    Kind("intensifier", "feed", {"ramp": OVER_HOURS}, "FEED"),
    Kind("regulated", "wear", {"size": 0.01}, "BORE"),
    Kind("regulated", "leak", {"ramp": OVER_HOURS}, "LEAK"),
    Kind("regulated", "bypass", {"ramp": OVER_HOURS}, "BYPASS"),
    Kind("floating", "wear", {"size": 0.01}, "BORE"),
    Kind("floating", "leak", {"ramp": OVER_HOURS}, "LEAK"),
    Kind("floating", "transducer", {"size": -0.06, "ramp": OVER_HOURS}, "TRANSDUCER"),
)


class Said(NamedTuple):
    """What one day told: the first word, whether ever "opened up", how surely, and the last."""

    first: str
    first_sure: float
    opened: bool
    surest: float  # P(bore) of any alert
    last: str
    alone: bool  # whether the first headline names the bore and nothing that looks the same
    named: bool  # whether the right cause is one of those that the first headline names


def watched(
    kind: Kind, seed: int, signals: str, **more: Any
) -> tuple[list[Verdict], tuple[Belief, ...]]:
    """What a day told of its fault: each alert, and the causes named last. `more` is for `day`."""
    rng = np.random.default_rng((seed, 5))
    more |= {k: rng.uniform(*v) if isinstance(v, tuple) else v for k, v in kind.more.items()}
    piston = kind.plant == "intensifier"
    logged = ALONE["intensifier" if piston else "crank"]
    if signals != "two":
        logged = PISTON if piston else CRANK
    if signals == "cold":
        logged = tuple(name for name in logged if name not in TEMPERATURES)
    made = day(kind.plant, seed, signals=logged, fault=kind.fault, **more)
    with tempfile.TemporaryDirectory() as folder:
        log, machine_file, _ = write(made, folder)
        machine = load_machine(machine_file)
        samples = read_log(log, machine.log_format())
    watcher = machine.build_watcher()
    return told_of(watcher, samples, made.truth["faults"][0]["at_ns"])


def told_of(
    watcher: Watcher, samples: Samples, at_ns: int
) -> tuple[list[Verdict], tuple[Belief, ...]]:
    """The same of the `samples` of any day, whose fault began at `at_ns`."""
    alerts = [a.verdict for a in watcher.learn_many(samples).alerts if a.time_ns >= at_ns]
    alerts = [v for v in alerts if v.state.name not in ("SOUND", "LEARNING")]
    return alerts, watcher.verdict().causes or (alerts[-1].causes if alerts else ())


def tell(kind: Kind, seed: int, signals: str, stops: str) -> Said:
    alerts, named = watched(kind, seed, signals, stops=stops)
    tops = [v.causes[0] for v in alerts if v.causes]
    weighed = alerts[0].causes if alerts else ()
    others = named_with(weighed) if weighed else ()
    return Said(
        f"{alerts[0].state.name}/{tops[0].cause.name if tops else '-'}" if alerts else "nothing",
        tops[0].probability if tops else np.nan,
        any(v.state.name == "OPENED" for v in alerts),
        max((v.probability for v in alerts if v.state.name == "OPENED"), default=0.0),
        named[0].cause.name if named else "nothing",
        bool(alerts) and alerts[0].state.name == "OPENED" and not others,
        kind.right in [cause.name for cause in (*(b.cause for b in weighed[:1]), *others)],
    )


def main(
    days: int,
    first: int = 1,
    signals: str = "all",
    speed: str = "usual",
    stops: str = "dumped",
) -> None:
    every: list[tuple[Kind, Said]] = []
    for kind in SLOW_KINDS if speed == "slow" else KINDS:
        said = [tell(kind, seed, signals, stops) for seed in range(first, first + days)]
        every += [(kind, one) for one in said]
        right = share(sum(one.last == kind.right for one in said), days)
        opened = sum(one.opened for one in said)
        words = f"{kind.plant}, {kind.fault} {kind.more.get('side', '')}".rstrip()
        firsts = ", ".join(f"{k} {n}" for k, n in Counter(o.first for o in said).most_common())
        surest = max(one.surest for one in said)
        print(f"{words}: right at the end {right}; ever opened {opened}, P at most {surest:.2f}")
        print(f"    first {firsts}; last {dict(Counter(one.last for one in said))}", flush=True)
    bores = [one for kind, one in every if kind.right == "BORE"]
    others = [one for kind, one in every if kind.right != "BORE"]
    print(f"chips called opened: {share(sum(one.opened for one in bores), len(bores))}")
    for words, hits in (
        ("chips, the first headline names the bore alone", [o.alone for o in bores]),
        ("chips, the first headline names the bore, alone or not", [o.named for o in bores]),
        ("other faults, the first headline names the bore alone", [o.alone for o in others]),
        ("other faults, the first headline names the right cause", [o.named for o in others]),
        ('other faults, first word "opened up"', [o.first.startswith("OPENED") for o in others]),
        ('other faults, ever "opened up"', [o.opened for o in others]),
    ):
        print(f"{words}: {share(sum(hits), len(hits))}")
    right_ones = sum(one.last == kind.right for kind, one in every)
    print(f"right cause at the end: {share(right_ones, len(every))}")


if __name__ == "__main__":
    words = [*sys.argv[1:], *["4", "1", "all", "usual", "dumped"][len(sys.argv) - 1 :]]
    main(int(words[0]), int(words[1]), *words[2:])

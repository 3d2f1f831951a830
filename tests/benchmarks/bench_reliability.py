"""Figures, not tests: do the probabilities of causes mean what they say?

`python tests/benchmarks/bench_reliability.py [DAYS] [FIRST_SEED]` draws DAYS days of each kind of
fault on three plants: our own, the second one, and the second one with disturbances twice as many
and twice as wide. It takes the probability of the cause or group named first, at the first alert
after the fault began and in the evening, and whether the truth was in it, and prints them by plant,
kind of pump and signals. A bin with at least 50 days that is more than 0.10 off is marked.

Faults come alike here, while the probabilities are those of a shop where they come as often as
`PRIOR` has them. "As usual" is the share of right ones with each fault weighted like that. Nothing
may be tuned on the seeds that are reported: those below 100,000 are for tuning, later ones are
looked at once. Two processes, or as many as a third argument says; Ctrl-C prints what is there.
"""

from __future__ import annotations

import contextlib
import itertools
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_causes import watcher_of
from bench_second_causes import KINDS, told_of, watched

from borewarden.base.parallel import spread
from borewarden.diagnose.causes import PRIOR, Cause
from borewarden.diagnose.groups import groups
from borewarden.simulate.day import log_day
from borewarden.simulate.draw import PumpKind, causes_of, draw_day
from second_plant import figures

OWN, SECOND, WIDE = "our own plant", "second plant", "second plant, disturbances twice as wide"
TWO, ALL = "pressure and rate alone", "all signals"
# what moves the delivery without a fault; as many again of the first two by `messy`
WIDENED = (
    "DISTURBANCE_TIME", "DISTURBANCE_SIZE", "LEAK_WANDER", "WARM_UP_LEAK", "FILL_SCATTER",
)  # fmt: skip
EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0)
ENOUGH, OFF = 50, 0.10  # days, and difference, from which a bin is marked
APART = 1000  # seeds between one kind of fault and the next


class Task(NamedTuple):
    """One day; `fault` is the place of its kind of fault among those of the plant."""

    plant: str
    signals: str
    fault: int
    seed: int


class Named(NamedTuple):
    """Probability of the cause or group named first, and whether the truth is in it."""

    probability: float
    right: bool


class Told(NamedTuple):
    """What a day told of its fault; None where it named no cause."""

    task: Task
    pump: str
    truth: Cause
    first: Named | None
    evening: Named | None


OURS: list[tuple[PumpKind, Cause]] = [
    (kind, cause)
    for kind in ("intensifier", "direct drive")  # type: ignore[attr-defined]
    for cause in causes_of(kind)
]


def tell(task: Task) -> Told:
    seed = task.seed + APART * task.fault
    if task.plant == OWN:
        pump, truth = OURS[task.fault]
        signals: Literal["minimal", "full"] = "minimal" if task.signals == TWO else "full"
        drawn = draw_day(seed, pump, signals, truth)
        samples = log_day(drawn.day, drawn.pump, drawn.jewel)
        assert drawn.truth.at_ns is not None
        alerts, last = told_of(watcher_of(drawn, samples), samples, drawn.truth.at_ns)
    else:
        kind = KINDS[task.fault]
        pump, truth = kind.plant, Cause[kind.right]
        alerts, last = watched(kind, seed, "two" if task.signals == TWO else "all", **wide(task))
    beliefs = [next((v.causes for v in alerts if v.causes), ()), last]
    first, evening = (_named(each, truth) for each in beliefs)
    return Told(task, pump, truth, first, evening)


def wide(task: Task) -> dict[str, object]:
    """What makes a day of the second plant a wide one: twice what it would draw, for the day."""
    if task.plant != WIDE:
        return {}
    rng = np.random.default_rng((task.seed, task.fault, 6))
    usual = {name: getattr(figures, name) for name in WIDENED}
    held = {
        name: 2.0 * (f.draw(rng) if isinstance(f, figures.Spread) else f.value)
        for name, f in usual.items()
    }
    return {"messy": 2, "held": held}


def _named(beliefs: Sequence, truth: Cause) -> Named | None:
    if not beliefs:
        return None
    first = groups(beliefs)[0]
    return Named(first.probability, truth in first.causes)


def as_usual(told: Sequence[Told]) -> dict[Task, float]:
    """The weight of each day with which its fault comes as often as assumed."""
    there = [one.truth for one in told]
    return {one.task: PRIOR[one.truth] / there.count(one.truth) for one in told}


def report(title: str, told: Sequence[Told]) -> None:
    """A table for the first alert and one for the evening."""
    weights = as_usual(told)
    for when in ("first", "evening"):
        said = [(one.task, named) for one in told if (named := getattr(one, when)) is not None]
        stated = np.round([named.probability for _, named in said], 6)  # 0.95 is the most of two
        place = np.maximum(np.searchsorted(EDGES, stated) - 1, 0)
        print(f"{title}; {when}: {len(said)} of {len(told)} days named a cause")
        for i, (low, high) in enumerate(itertools.pairwise(EDGES)):
            own = [one for one, bin_ in zip(said, place, strict=True) if bin_ == i]
            if own:
                print(f"  {bin_words(low, high)}: {line(own, weights)}")
    sys.stdout.flush()


def bin_words(low: float, high: float) -> str:
    if low == 0.0:
        return f"   < {100 * high:.0f} %"
    return f"   > {100 * low:.0f} %" if high == 1.0 else f"{100 * low:.0f}-{100 * high:.0f} %"


def line(said: Sequence[tuple[Task, Named]], weights: dict[Task, float]) -> str:
    """One bin: days, mean stated, share right with its exact interval (Clopper & Pearson 1934)."""
    n, right = len(said), sum(named.right for _, named in said)
    stated = float(np.mean([named.probability for _, named in said]))
    low, high = stats.binomtest(right, n).proportion_ci(0.95, method="exact")
    usual = np.average([named.right for _, named in said], weights=[weights[t] for t, _ in said])
    mark = "  OFF" if n >= ENOUGH and abs(right / n - stated) > OFF else ""
    return (
        f"{n:4d} days, stated {stated:.3f}, right {right / n:.3f} ({low:.3f} to {high:.3f}), "
        f"as usual {usual:.3f}{mark}"
    )


def tasks(days: int, first: int) -> Iterable[Task]:
    faults = {OWN: len(OURS), SECOND: len(KINDS), WIDE: len(KINDS)}
    for seed, plant, signals in itertools.product(range(first, first + days), faults, (TWO, ALL)):
        for fault in range(faults[plant]):
            yield Task(plant, signals, fault, seed)


def main(days: int = 8, first: int = 1, processes: int = 2) -> None:
    every = list(tasks(days, first))
    told: list[Told] = []
    with contextlib.suppress(KeyboardInterrupt):
        for i, answer in spread(tell, every, processes):
            if isinstance(answer, Exception):
                print(f"{every[i]}: {type(answer).__name__}: {answer}", flush=True)
                continue
            told.append(answer)
            if len(told) % 50 == 0:
                print(f"{len(told)} of {len(every)} days", file=sys.stderr, flush=True)
    told.sort(key=lambda one: (one.pump, one.task))
    for plant, signals in itertools.product((OWN, SECOND, WIDE), (TWO, ALL)):
        own = [one for one in told if one.task[:2] == (plant, signals)]
        report(f"{plant}, {signals}, all pumps", own)
        for pump, kin in itertools.groupby(own, key=lambda one: one.pump):
            report(f"{plant}, {signals}, {pump}", list(kin))


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:4]))

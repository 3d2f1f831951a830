"""What a shop does with a pump on one day: when it runs, at which pressure, which head cuts what.

All of it is invented, after common practice: sheets with many short cuts, long contours, pierces at
low pressure, travel, pauses, a lunch stop, a cold start in the morning, jewels changed at a stop.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

TICKS = 10  # a second, of everything that the plant is told and tells

MODES = ("together", "turns", "mixed")
LEVELS = (0, 1, 2)  # 0 pierce, 1 reduced, 2 full
STOPS = ("dumped", "held", "open")  # what happens to the line when the pump stops


@dataclass
class Duty:
    """One day, a value each tick of 0.1 s.

    on: the pump's motor runs
    level: recipe that is called for, one of LEVELS
    trim: relative, what the operator adds to the recipe
    valves: a head is commanded open, (ticks, heads)
    dumped: the line is bled down
    stops: (first, last) tick of each stop
    changes: those of them that were asked for, to change a jewel
    pauses: those of them that came in a pause between two sheets or jobs
    how: of each stop: dumped, held, bled (held, later bled down) or open
    """

    on: NDArray[np.bool_]
    level: NDArray[np.int8]
    trim: NDArray[np.float64]
    valves: NDArray[np.bool_]
    dumped: NDArray[np.bool_]
    stops: list[tuple[int, int]] = field(default_factory=list)
    changes: list[tuple[int, int]] = field(default_factory=list)
    pauses: list[tuple[int, int]] = field(default_factory=list)
    how: list[str] = field(default_factory=list)


@dataclass
class Habits:
    """How a shop works; drawn once for each machine."""

    low_pierce: float  # share of jobs that pierce at low pressure
    reduced: float  # share of jobs at reduced pressure
    short: float  # share of jobs with short cuts
    busy: float  # above 1: shorter pauses
    stops_in_pauses: float  # chance that a pause of minutes stops the pump

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "Habits":
        return cls(
            low_pierce=rng.uniform(0.2, 0.8),
            reduced=rng.uniform(0.0, 0.3),
            short=rng.uniform(0.25, 0.75),
            busy=rng.uniform(0.7, 1.6),
            stops_in_pauses=rng.uniform(0.1, 0.5),
        )


class _Day:
    """Fills a Duty from its beginning to its end; `now` only ever goes on."""

    def __init__(self, ticks: int, heads: int):
        self.duty = Duty(
            on=np.zeros(ticks, bool),
            level=np.full(ticks, 2, np.int8),
            trim=np.zeros(ticks),
            valves=np.zeros((ticks, heads), bool),
            dumped=np.ones(ticks, bool),
        )
        self.now = 0
        self.ticks = ticks

    @property
    def over(self) -> bool:
        return self.now >= self.ticks

    def stop(self, seconds: float) -> None:
        last = min(self.now + round(seconds * TICKS), self.ticks)
        self.duty.stops.append((self.now, last))
        self.now = last

    def run(self, seconds: float, level: int, trim: float = 0.0, heads=()) -> None:
        span = slice(self.now, min(self.now + max(round(seconds * TICKS), 1), self.ticks))
        self.duty.on[span] = True
        self.duty.dumped[span] = False
        self.duty.level[span] = level
        self.duty.trim[span] = trim
        for head, delay in heads:
            self.duty.valves[span.start + delay : span.stop, head] = True
        self.now = span.stop


def _heads(rng: np.random.Generator, heads: int, mode: str, job: int) -> list[tuple[int, int]]:
    """Which heads a job uses, and by how many ticks each one opens later."""
    if mode == "together":
        chosen = list(range(heads))
    elif mode == "turns":
        chosen = [job % heads]
    else:
        chosen = sorted(rng.choice(heads, rng.integers(1, heads + 1), replace=False).tolist())
    return [(head, 0 if i == 0 else int(rng.integers(0, 4))) for i, head in enumerate(chosen)]


def _job(day: _Day, rng, habits: Habits, heads, levels: bool, until: int) -> None:
    level = 1 if levels and rng.random() < habits.reduced else 2
    low_pierce = levels and rng.random() < habits.low_pierce
    short = rng.random() < habits.short
    median = np.exp(rng.uniform(np.log(3), np.log(25)) if short else rng.uniform(4, 6.5))
    cuts = int(rng.integers(5, 60)) if short else int(rng.integers(1, 8))
    travel = rng.uniform(1.0, 6.0)
    trim = rng.choice([0.0, 0.0, 0.0, rng.normal(0, 0.012)])
    for _sheet in range(int(rng.integers(1, 7))):
        for _cut in range(cuts):
            pierce = rng.uniform(0.3, 2.5) if short else rng.uniform(1.0, 15.0)
            if low_pierce:
                day.run(travel * rng.uniform(0.6, 1.6), 0, trim)
                day.run(pierce, 0, trim, heads)
            day.run(median * np.exp(rng.normal(0, 0.45)), level, trim, heads)
            day.run(travel * rng.uniform(0.6, 1.6), level, trim)
            if day.now > until or day.over:
                return
            if rng.random() < 0.004:  # a part has tipped up, the operator looks
                day.run(rng.uniform(20, 240), level, trim)
        _pause(day, rng, habits, level, trim)


def _pause(day: _Day, rng, habits: Habits, level: int, trim: float) -> None:
    """Sheets are unloaded and loaded; a long pause may stop the pump."""
    seconds = np.exp(rng.normal(np.log(90), 0.8)) / habits.busy
    if seconds > 150 and rng.random() < habits.stops_in_pauses:
        day.stop(seconds)
        day.duty.pauses.append(day.duty.stops[-1])
    else:
        day.run(seconds, level, trim)


def shift(
    rng: np.random.Generator,
    habits: Habits,
    *,
    hours: float,
    heads: int,
    mode: str,
    levels: bool,
    changes: tuple[float, ...] = (),
) -> Duty:
    """One day's duty.

    hours: length of the day, h
    mode: one of MODES: which heads cut at a time
    levels: whether there are recipes but the full pressure
    changes: hours from the beginning of the day at whose next end of a job the pump is stopped for
        minutes and a jewel may be changed
    """
    day = _Day(round(hours * 3600 * TICKS), heads)
    end = day.ticks - round(min(300, 60 * hours) * TICKS)
    day.stop(rng.uniform(60, 600) if hours > 3 else rng.uniform(20, 60))
    if rng.random() < 0.5:  # a warm-up at low pressure, the valve opened now and then
        for _ in range(3):
            day.run(rng.uniform(5, 25), 0 if levels else 2)
            day.run(rng.uniform(5, 20), 0 if levels else 2, 0.0, _heads(rng, heads, mode, 0))
    due = sorted([*(round(h * 3600 * TICKS) for h in changes)])
    lunch = round(rng.uniform(0.42, 0.55) * day.ticks) if hours > 5 else day.ticks
    job = 0
    while day.now < end:
        until = min([end, lunch, *due])
        _job(day, rng, habits, _heads(rng, heads, mode, job), levels, until)
        job += 1
        if day.over:
            break
        if due and day.now >= due[0]:
            due.pop(0)
            day.stop(rng.uniform(300, 720))
            day.duty.changes.append(day.duty.stops[-1])
        elif day.now >= lunch:
            lunch = day.ticks
            day.stop(rng.uniform(1500, 2700))
        else:
            _pause(day, rng, habits, 2, 0.0)
    if not day.over:
        day.stop(day.ticks / TICKS)
    return day.duty


def stop_line(duty: Duty, stops: str, rng: np.random.Generator) -> None:
    """What becomes of the line at each stop of this duty, in place; `stops` is one of STOPS.

    The log begins with a line that was bled down the evening before, whatever `stops` is.
    """
    for first, last in duty.stops:
        bled, lead, late = rng.uniform(60, 120), rng.uniform(3, 10), rng.uniform(15, 25)
        how = "dumped" if first == 0 else stops
        if (first, last) in duty.changes and how != "dumped":
            how = "bled"  # nobody opens a head that has pressure; a stop cut short is bled sooner
            duty.dumped[first : first + min(round(bled * TICKS), (last - first) // 3)] = False
        elif how == "open" and (first, last) in duty.pauses and duty.on[first - 1]:
            heads = duty.valves[np.flatnonzero(duty.valves[:first].any(axis=1))[-1]]
            before = slice(max(first - round(lead * TICKS), 0), first)
            duty.valves[before, heads] |= duty.on[before, None]
            duty.valves[first : min(first + round(late * TICKS), last), heads] = True
            duty.dumped[first:last] = False
        elif how != "dumped":
            how = "held"
            duty.dumped[first:last] = False
        duty.how.append(how)

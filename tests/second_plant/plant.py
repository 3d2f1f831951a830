"""A day of the second plant: duty, faults, pump and sensors together, and what truly happened."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import figures as f
from .duty import STOPS, TICKS, Duty, shift, stop_line
from .machine import FULL, Jewel, Machine, draw, opened
from .pumps import TICK, TOLD, Piston, Trace, run
from .sensors import Column, Troubles, log
from .water import jet_flux, load

WATER = load()
FAULTS = tuple(f.FAULT_SIZES)
MORNING = np.timedelta64(4 * 60 + 45, "m")  # UTC: a quarter to six in the winter of Vienna
SIGNALS = {
    "intensifier": ("pressure", "counter", "temperature"),
    "servo": ("pressure", "rate", "temperature"),
    "floating": ("pressure", "rate", "temperature"),
    "regulated": ("pressure", "rate", "temperature"),
}


@dataclass(frozen=True)
class Fault:
    """One fault of the day.

    name: one of FAULTS
    at: h from the beginning of the log; drawn from the middle of the day if None
    size: see `figures.FAULT_SIZES`, which also has what is taken if None
    ramp: min, that it takes to grow; 0 is at once
    head: which one, from 0; of chip, wear, blocked and other bore
    side: of a piston's leak: left, right or both
    until: h, when it is over; never if None
    """

    name: str
    at: float | None = None
    size: float | None = None
    ramp: float = 0.0
    head: int = 0
    side: str = "left"
    until: float | None = None


@dataclass
class Day:
    """One logged day.

    times: UTC, ns since 1970, (rows,)
    columns: by name of the column in the log, (rows,), NaN where nothing was logged
    channels: what each column is, by name of the signal
    truth: what truly happened; plain numbers and lists, ready for JSON. Times in it are UTC ns
    """

    machine: Machine
    seed: int
    date: dt.date
    interval: float
    times: NDArray[np.int64]
    columns: dict[str, NDArray[np.float64]]
    channels: dict[str, Column]
    truth: dict[str, Any]
    fitted: list[tuple[int, int, Jewel]]  # ns, head, jewel: what the shop has on record
    counted: float  # strokes or turns until the evening
    trace: Trace | None = None
    told: np.recarray | None = None
    duty: Duty | None = field(default=None, repr=False)


def day(
    kind: str,
    seed: int,
    *,
    heads: int = 1,
    mode: str = "together",
    fault: str | None = None,
    at: float | None = None,
    size: float | None = None,
    ramp: float = 0.0,
    head: int = 0,
    side: str = "left",
    until: float | None = None,
    faults: Sequence[Fault] = (),
    hours: float = 8.0,
    interval: float = 1.0,
    signals: Sequence[str] | None = None,
    report: str = "all",
    messy: float = 1.0,
    jewel_changes: int = 0,
    material: str | None = None,
    roomy: bool = True,
    closed: str | None = None,
    pressure_unit: str | None = None,
    machine: int | None = None,
    date: str = "2026-03-04",
    after: Day | None = None,
    held: dict[str, float] | None = None,
    keep: bool = False,
    stops: str = "dumped",
) -> Day:
    """One day of one machine; the same arguments give the same day to the last bit.

    kind: intensifier, servo, floating or regulated
    seed: of the day, and of the machine where `machine` names no other
    heads, mode: how many, and whether they cut together, by turns or mixed
    fault, at, size, ramp, head, side, until: one fault, as in Fault; `faults` takes several
    hours: length of the log, h
    interval: between rows, s, from 0.1 to 60
    signals: names of `[log]`, with "counter" for `stroke_count`; the usual ones of the kind if None
    report: "all" rows, "change" (only rows in which a value is new), "change-blank" (and only the
        new values in them)
    messy: how many gaps, NaN, stuck stretches and short disturbances, 0 for none, 1 as usual
    jewel_changes: how many times a jewel is changed on record
    roomy: whether heads that cut by turns have a pump for all of them; a floating one never has
    closed: what a crank pump does with its heads closed: floating holds, falls or dumps; regulated
        creeps or minimum. Drawn if None
    after: the machine's day before; jewels and counter go on from it, and the date is the next
    held: figures of `figures.py` to hold at a value, by name, such as {"SEAL_LEAK": 0.0}
    keep: leave what the plant was told and did in `told`, `trace` and `duty`
    stops: what becomes of the line when the pump stops: "dumped" at once, "held" shut, or "open":
        in pauses the jet stays on and the line drains through it, else held. To change a jewel it
        is always bled down
    """
    if stops not in STOPS:
        raise ValueError(f"stops is {stops!r}, one of {STOPS} would be right")
    asked = [*faults, *([Fault(fault, at, size, ramp, head, side, until)] if fault else [])]
    own = seed if machine is None else machine
    with f.held(held or {}):
        if after is None:
            unit = draw(kind, own, WATER, heads, mode, material, closed, pressure_unit, roomy)
        else:
            unit = after.machine
        when = after.date + dt.timedelta(days=1) if after else dt.date.fromisoformat(date)
        return _live(
            unit, when, seed, asked, hours, interval, tuple(signals or SIGNALS[kind]), report,
            messy, jewel_changes, after, keep, stops,
        )  # fmt: skip


def _live(
    unit, when, seed, asked, hours, interval, signals, report, messy, jewel_changes, after, keep,
    stops,
) -> Day:  # fmt: skip
    """The day of that machine; arguments as of `day`."""
    rng = np.random.default_rng([11, seed])
    asked = [_complete(one, hours, rng) for one in asked]
    refits = [one.at for one in asked if one.name == "other bore"]
    changes = [*refits, *(rng.uniform(0.15, 0.8, jewel_changes) * hours)]
    levels = unit.kind != "floating" or "rate" in signals or "counter" in signals
    duty = shift(
        rng, unit.habits, hours=hours, heads=unit.heads, mode=unit.mode, levels=levels,
        changes=tuple(changes),
    )  # fmt: skip
    asked = [_in_a_cut(one, duty, rng) for one in asked]
    stop_line(duty, stops, np.random.default_rng([12, seed]))
    story = _Story(unit, duty, asked, rng, messy)
    told = story.told()
    trace = run(WATER, unit.line, told, unit.pump, rng)
    begin = int((np.datetime64(when, "ns") + MORNING).astype(np.int64))
    counted = after.counted if after else float(rng.integers(0, 60_000))
    troubles = Troubles.draw(rng, told.size, messy)
    times, columns, channels, sensors = log(
        unit, told, trace, signals, interval, report, troubles, counted, rng
    )
    truth = {"seed": seed, "date": when.isoformat(), "interval_s": interval}
    truth |= _truth(unit, duty, told, trace, story, begin)
    truth["troubles"] = {
        name: [[_ns(begin, a), _ns(begin, b)] for a, b in pairs]
        for name, pairs in troubles.spans().items()
    }
    truth["sensors"] = sensors
    return Day(
        machine=replace(unit, jewels=story.jewels),
        seed=seed,
        date=when,
        interval=interval,
        times=begin + times,
        columns=columns,
        channels=channels,
        truth=truth,
        fitted=_fitted(after, unit, story, begin),
        counted=counted + float(trace.ticks.turns[-1]),
        trace=trace if keep else None,
        told=told if keep else None,
        duty=duty if keep else None,
    )


def _complete(one: Fault, hours: float, rng) -> Fault:
    if one.name not in FAULTS:
        raise ValueError(f"fault is {one.name!r}, one of {FAULTS} would be right")
    size = f.FAULT_SIZES[one.name].value if one.size is None else one.size
    at = one.at
    if at is None and one.name == "other bore":
        at = float(rng.uniform(0.3, 0.6) * hours)
    return replace(one, at=at, size=size)


def _in_a_cut(one: Fault, duty: Duty, rng) -> Fault:
    """A fault whose time nobody named comes while a jet is on, in the middle of the day."""
    if one.at is not None:
        return one
    cutting = np.flatnonzero(duty.valves.any(axis=1))
    tick = cutting[int(rng.uniform(0.3, 0.7) * cutting.size)]
    return replace(one, at=float(tick) / TICKS / 3600)


class _Story:
    """All that happens to the plant within a day; `told()` has it by ticks.

    jewels: those in the heads in the evening
    fittings: (tick, head, jewel, on record)
    """

    def __init__(self, unit: Machine, duty: Duty, faults: list[Fault], rng, messy: float):
        self.unit, self.duty, self.faults, self.rng, self.messy = unit, duty, faults, rng, messy
        self.ticks, self.heads = duty.valves.shape
        self.hours = np.arange(self.ticks) * TICK / 3600
        self.jewels = list(unit.jewels)
        self.fittings: list[tuple[int, int, Jewel, bool]] = []
        self.disturbances: list[tuple[str, int, int, float]] = []
        self.chipped: dict[int, Jewel] = {}  # by place of the fault, the jewel after it
        self.growth = np.ones((self.ticks, self.heads))  # by chips, wear and dirt
        self.fresh = np.zeros((self.ticks, self.heads))

    def grown(self, one: Fault) -> NDArray[np.float64]:
        """0 before the fault, 1 when it is all there; a ramp between."""
        at = one.at or 0.0
        rise = np.clip((self.hours - at) / max(one.ramp / 60, 1e-9), 0, 1)
        rise[self.hours < at] = 0.0
        if one.until is not None:
            rise[self.hours >= one.until] = 0.0
        return rise

    def sizes(self, *names: str) -> NDArray[np.float64]:
        """Size over the day of all faults of these names."""
        total = np.zeros(self.ticks)
        for one in self.faults:
            if one.name in names:
                total += one.size * self.grown(one)
        return total

    def told(self) -> np.recarray:
        unit, duty, rng = self.unit, self.duty, self.rng
        running = np.cumsum(duty.on) * TICK
        cold = np.exp(-running / unit.warm_up_time)
        level = np.array(
            [f.PIERCE_PRESSURE.value, f.REDUCED_PRESSURE.value, f.FULL_PRESSURE.value]
        )[duty.level]
        preset = np.array([f.PIERCE_SPEED.value, f.LOW_SPEED.value, 1.0])[duty.level]
        wander = _wander(rng, self.ticks, 600.0, 0.0015)
        target = level * (1 + duty.trim) * (1 + wander + unit.friction * cold)
        fill, scatter, seals = self._filling(cold)
        self._areas()
        nominal = jet_flux(WATER, FULL, 23.0)
        told = np.zeros(self.ticks, TOLD).view(np.recarray)
        told.on, told.dumped = duty.on, duty.dumped
        told.target, told.preset = target, preset * (1 + duty.trim / 2)
        told.valves[:, : self.heads] = duty.valves
        told.area[:, : self.heads] = self.fresh * self.growth
        told.stray = self.sizes("second head") * self.fresh[:, 0]
        told.loss = unit.loss + self.sizes("filter") * FULL / unit.design**2
        told.seals = seals
        told.back = self.sizes("check valve") * unit.one_jet / nominal
        told.bleed = self.sizes("bypass") * unit.one_jet / nominal
        told.filling, told.scatter = fill, scatter
        told.feed = self._feed()
        told.reading = 1 + self.sizes("transducer")
        told.slip = self.sizes("slip")
        told.motor = 1 + _wander(rng, self.ticks, 60.0, f.MAINS.value)
        return told

    def _filling(self, cold):
        """Share of each filling, its scatter, and the leak of the seals of each side, kg/s."""
        unit, rng = self.unit, self.rng
        fill = np.full(self.ticks, unit.fill)
        leak = unit.seal_leak * (1 + unit.warm_up_leak * cold)
        leak *= 1 + _wander(rng, self.ticks, 3600.0, f.LEAK_WANDER.value)
        seals = np.stack([leak, leak], axis=1)
        shifts = self.hours[-1] / 8
        for _ in range(rng.poisson(f.DISTURBANCES.value * self.messy * shifts)):
            first = int(rng.uniform(0.05, 0.95) * self.ticks)
            last = min(first + int(f.DISTURBANCE_TIME.draw(rng) * TICKS), self.ticks)
            depth = f.DISTURBANCE_SIZE.draw(rng)
            what = str(rng.choice(["feed dips", "a valve sticks"]))
            if what == "feed dips":
                fill[first:last] -= depth
            else:
                seals[first:last] += depth * unit.design
            self.disturbances.append((what, first, last, depth))
        for one in self.faults:
            if one.name == "leak":
                both = one.side == "both" or not isinstance(unit.pump, Piston)
                for i, side in enumerate(("left", "right")):
                    if both or one.side == side:
                        seals[:, i] += one.size * unit.one_jet * self.grown(one)
        # Half of what starvation takes is steady, half comes and goes from stroke to stroke.
        starved = self.sizes("feed")
        scatter = unit.scatter + 0.5 * starved / np.sqrt(2 / np.pi)
        return fill - 0.5 * starved, scatter, seals

    def _areas(self) -> None:
        """Effective area of each head, jewel by jewel, and what grew of it."""
        duty = self.duty
        for head, jewel in enumerate(self.jewels):
            self.fresh[:, head] = jewel.area
        self._fit_jewels()
        for place, one in enumerate(self.faults):
            share = self.grown(one) * self._until_changed(one)
            if one.name == "chip":
                tick = min(int((one.at or 0.0) * 3600 * TICKS), self.ticks - 1)
                there = replace(
                    self._jewel_at(one.head, tick), area=float(self.fresh[tick, one.head])
                )
                rounding = float(self.rng.uniform(0.2, 1.0))
                self.chipped[place] = opened(there, one.size, rounding)
                self.growth[:, one.head] *= 1 + one.size * share
            elif one.name == "blocked":
                self.growth[:, one.head] *= 1 - one.size * share
            elif one.name == "wear":
                cut = np.cumsum(duty.valves[:, one.head] * self.grown(one)) * TICK / 3600
                self.growth[:, one.head] *= 1 + one.size * cut * self._until_changed(one)
        last = self.fresh[-1] * self.growth[-1]
        self.jewels = [replace(j, area=float(a)) for j, a in zip(self.jewels, last, strict=True)]

    def _fit_jewels(self) -> None:
        """At each stop that was asked for, a jewel: on record, or another bore and nobody says so.

        Another bore comes at the first of these stops that is not before the hour of the fault.
        """
        stops = [(first, last) for first, last in sorted(self.duty.changes)]
        unrecorded = {}
        for place, one in enumerate(self.faults):
            if one.name == "other bore":
                asked = int((one.at or 0.0) * 3600 * TICKS)
                later = [i for i, s in enumerate(stops) if s[0] >= asked and i not in unrecorded]
                if not later:
                    raise ValueError(f"no stop after {one.at} h of this day to fit a bore in")
                unrecorded[later[0]] = place
        for i, (first, last) in enumerate(stops):
            tick = (first + last) // 2
            head, place = int(self.rng.integers(self.heads)), unrecorded.get(i)
            bore = self.unit.jewels[head].bore
            if place is not None:
                one = self.faults[place]
                head, bore = one.head, _other_bore(self.unit.jewels[one.head].bore, one.size)
                self.faults[place] = replace(one, at=tick / TICKS / 3600)
            jewel = Jewel.draw(self.rng, bore, self.jewels[head].material)
            self.jewels[head] = jewel
            self.fresh[tick:, head] = jewel.area
            self.fittings.append((tick, head, jewel, place is None))

    def _jewel_at(self, head: int, tick: int) -> Jewel:
        there = self.unit.jewels[head]
        for fitted, where, jewel, _ in self.fittings:
            there = jewel if where == head and fitted <= tick else there
        return there

    def _until_changed(self, one: Fault):
        """1 while the jewel that was there when the fault came is in the head, 0 after."""
        there = np.ones(self.ticks)
        for tick, head, _, _ in self.fittings:
            if head == one.head and tick / TICKS / 3600 > (one.at or 0.0):
                there[tick:] = 0.0
        return there

    def _feed(self):
        rng = self.rng
        mains, stagnant = f.FEED_TEMPERATURE.draw(rng), f.STAGNANT_TEMPERATURE.draw(rng)
        settles, drift = f.FEED_SETTLES.draw(rng), f.FEED_DRIFT.draw(rng)
        flowed = np.cumsum(self.duty.valves.any(axis=1)) * TICK
        feed = mains + (stagnant - mains) * np.exp(-flowed / settles)
        feed += drift * np.linspace(0, 1, self.ticks)
        return feed + _wander(rng, self.ticks, 900.0, 0.2)


def _other_bore(bore: float, steps: float) -> float:
    index = f.STOCK_BORES_INCH.index(bore) + round(steps)
    return f.STOCK_BORES_INCH[min(max(index, 0), len(f.STOCK_BORES_INCH) - 1)]


def _wander(rng, ticks: int, seconds: float, deviation: float) -> NDArray[np.float64]:
    """A slow random drift around nothing, correlated over so many seconds."""
    step = max(int(seconds * TICKS / 10), 1)
    knots = ticks // step + 3
    keep = np.exp(-step * TICK / seconds)
    shocks = rng.standard_normal(knots) * deviation * np.sqrt(1 - keep**2)
    value = rng.standard_normal() * deviation
    walk = np.empty(knots)
    for i in range(knots):
        value = keep * value + shocks[i]
        walk[i] = value
    return np.interp(np.arange(ticks) / step, np.arange(knots), walk)


def spans(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First tick and the one behind the last of each stretch that is true."""
    edges = np.flatnonzero(np.diff(flags.astype(np.int8), prepend=0, append=0))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _ns(begin: int, tick: float) -> int:
    return begin + round(tick * TICK * 1e9)


def _truth(unit, duty, told, trace, story, begin: int) -> dict[str, Any]:
    def pair(a: float, b: float) -> list[int]:
        return [_ns(begin, a), _ns(begin, b)]

    ticks = trace.ticks
    return {
        "kind": unit.kind,
        "heads": unit.heads,
        "mode": unit.mode,
        "closed": unit.closed,
        "begin": begin,
        "end": _ns(begin, told.size),
        "jets": [_jet_truth(head, duty, told, begin) for head in range(unit.heads)],
        "running": [pair(a, b) for a, b in spans(duty.on)],
        "stops": [[*pair(*stop), how] for stop, how in zip(duty.stops, duty.how, strict=True)],
        "faults": [_fault_truth(i, one, story, begin) for i, one in enumerate(story.faults)],
        "fittings": [
            {"at_ns": _ns(begin, tick), "head": head, "recorded": recorded} | asdict(jewel)
            for tick, head, jewel, recorded in story.fittings
        ],
        "overstroke": [pair(a, b) for a, b in _overstroke(unit, trace)],
        "disturbances": [
            {"what": what, "size": depth, "from_to": pair(a, b)}
            for what, a, b, depth in story.disturbances
        ],
        "machine": {
            "size": unit.size._asdict(),
            "pump": unit.pump._asdict(),
            "line": unit.line._asdict(),
            "jewels": [asdict(jewel) for jewel in unit.jewels],
            "fill": unit.fill,
            "seal_leak_kg_s": unit.seal_leak,
            "one_jet_kg_s": unit.one_jet,
            "design_kg_s": unit.design,
            "stated_efficiency": unit.stated_efficiency,
        },
        "ledger_kg": {
            "intake": float(ticks.intake.sum()),
            "jets": ticks.jets.sum(axis=0).tolist(),
            "leaked": float(ticks.leaked.sum()),
            "spilled": float(ticks.spilled.sum()),
            "stored": float(ticks.stored[-1] - ticks.stored[0]),
        },
    }


def _overstroke(unit: Machine, trace: Trace) -> list[tuple[int, int]]:
    """Stretches of 20 s in which a piston does more strokes than its name plate allows."""
    if not isinstance(unit.size, f.PistonSize):
        return []
    edges = np.arange(0, trace.ticks.size + 1, 20 * TICKS)
    done, _ = np.histogram(trace.stroke_times / TICK, edges)
    return [(a * 200, b * 200) for a, b in spans(3 * done > unit.size.strokes_per_min)]


def _jet_truth(head: int, duty: Duty, told, begin: int) -> dict[str, Any]:
    """When this head was open, for how long, and its effective area: (time, m²) where it changes.

    Between two points of a slow change, which has one a minute, the area goes straight.
    """
    area = told.area[:, head]
    moved = np.abs(np.diff(area)) / area[:-1]
    steps = np.flatnonzero(moved > 1e-3)
    slow = np.flatnonzero((moved > 0) & (moved <= 1e-3))[::600]
    points = sorted({0, area.size - 1, *steps.tolist(), *(steps + 1).tolist(), *slow.tolist()})
    return {
        "head": head,
        "jet_on": [[_ns(begin, a), _ns(begin, b)] for a, b in spans(duty.valves[:, head])],
        "jet_hours": float(duty.valves[:, head].sum() * TICK / 3600),
        "area_m2": [[_ns(begin, i), float(area[i])] for i in points],
    }


def _fault_truth(place: int, one: Fault, story: _Story, begin: int) -> dict[str, Any]:
    record = asdict(one) | {"unit": f.FAULT_SIZES[one.name].unit}
    record["at_ns"] = _ns(begin, (one.at or 0.0) * 3600 * TICKS)
    record["until_ns"] = None if one.until is None else _ns(begin, one.until * 3600 * TICKS)
    if place in story.chipped:
        record["jewel_after"] = asdict(story.chipped[place])
    return record


def _fitted(after: Day | None, unit: Machine, story: _Story, begin: int):
    """The shop's own record of jewels; what was fitted unrecorded is not in it."""
    evening = begin - int(12 * 3600e9)
    known = list(after.fitted) if after else [(evening, i, j) for i, j in enumerate(unit.jewels)]
    known += [
        (_ns(begin, tick), head, jewel)
        for tick, head, jewel, recorded in story.fittings
        if recorded
    ]
    return known

"""A day of the second plant: duty, faults, pump and sensors put together, and what truly happened."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date as Date
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import figures as f
from .duty import MODES, TICKS, Duty, shift
from .machine import FULL, Jewel, Machine, draw
from .pumps import MOST_HEADS, TICK, TOLD, Piston, Trace, run
from .sensors import Column, Troubles, log
from .water import Water, jet_flux, load

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
    date: Date
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
    closed: str | None = None,
    pressure_unit: str | None = None,
    machine: int | None = None,
    date: str = "2026-03-04",
    after: Day | None = None,
    keep: bool = False,
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
    closed: what a crank pump does with its heads closed: floating holds, falls or dumps; regulated
        creeps or minimum. Drawn if None
    after: the machine's day before; jewels and counter go on from it, and the date is the next
    keep: leave what the plant was told and did in `told`, `trace` and `duty`
    """
    if mode not in MODES:
        raise ValueError(f"mode is {mode!r}, one of {MODES} would be right")
    if not 0.1 <= interval <= 60:
        raise ValueError(f"interval is {interval} s, 0.1 to 60 s would be right")
    signals = tuple(signals or SIGNALS[kind])
    if after is None:
        unit = draw(
            kind,
            seed if machine is None else machine,
            WATER,
            heads=heads,
            mode=mode,
            material=material,
            closed=closed,
            pressure_unit=pressure_unit,
        )
        when = Date.fromisoformat(date)
    else:
        unit, when = after.machine, after.date + timedelta(days=1)
    rng = np.random.default_rng([11, seed, len(signals)])
    asked = list(faults) + ([Fault(fault, at, size, ramp, head, side, until)] if fault else [])
    asked = [_complete(one, hours, rng) for one in asked]
    refits = [one.at for one in asked if one.name == "other bore"]
    changes = [*refits, *(rng.uniform(0.15, 0.8, jewel_changes) * hours)]
    duty = shift(
        rng,
        unit.habits,
        hours=hours,
        heads=unit.heads,
        mode=unit.mode,
        levels=unit.kind != "floating" or "rate" in signals or "counter" in signals,
        changes=tuple(changes),
    )
    asked = [_in_a_cut(one, duty, rng) for one in asked]
    story = _Story(unit, duty, asked, rng, messy, before=after)
    told = story.told()
    trace = run(WATER, unit.line, told, unit.pump, rng)
    start = np.datetime64(when, "ns") + MORNING
    begin = int(start.astype(np.int64))
    counted = after.counted if after else float(rng.integers(0, 60_000))
    noise = Troubles.draw(rng, told.on.size, messy)
    times, columns, channels, seen = log(
        unit, told, trace, signals, interval, report, noise, counted, rng
    )
    truth = _truth(unit, duty, told, trace, story, begin, noise, seen)
    truth |= {"seed": seed, "date": when.isoformat(), "interval_s": interval}
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

    def __init__(self, unit: Machine, duty: Duty, faults: list[Fault], rng, messy, before):
        self.unit, self.duty, self.faults, self.rng = unit, duty, faults, rng
        self.ticks, self.heads = duty.valves.shape
        self.hours = np.arange(self.ticks) * TICK / 3600
        self.jewels = list(unit.jewels)
        self.fittings: list[tuple[int, int, Jewel, bool]] = []
        self.disturbances: list[dict[str, Any]] = []
        self.messy = messy
        self.first_day = before is None
        self.growth = np.ones((self.ticks, self.heads))  # by chips, wear and dirt
        self.fresh = np.full((self.ticks, self.heads), 0.0)
        self.fault_ticks: list[int] = []

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
        told.fill, told.scatter = fill, scatter
        told.feed = self._feed()
        told.reading = 1 + self.sizes("transducer")
        told.slip = self.sizes("slip")
        told.motor = 1 + _wander(rng, self.ticks, 60.0, f.MAINS.value)
        return told

    def _filling(self, cold):
        """Share of each filling, its scatter, and the leak of the seals of each side, kg/s."""
        unit, rng = self.unit, self.rng
        fill = np.full(self.ticks, unit.fill)
        seals = np.repeat(
            (unit.seal_leak * (1 + unit.warm_up_leak * cold) * (1 + _wander(rng, self.ticks, 3600.0, 0.08)))[
                :, None
            ],
            2,
            axis=1,
        )
        for _ in range(rng.poisson(3 * self.messy * self.hours[-1] / 8)):
            first = int(rng.uniform(0.05, 0.95) * self.ticks)
            span = slice(first, first + int(rng.uniform(5, 40) * TICKS))
            what = str(rng.choice(["feed dips", "a valve sticks"]))
            depth = float(rng.uniform(0.01, 0.05))
            if what == "feed dips":
                fill[span] -= depth
            else:
                seals[span] += depth * unit.design
            self.disturbances.append({"what": what, "ticks": [first, span.stop], "size": depth})
        starved = self.sizes("feed")
        # Half of what starvation takes is steady, half comes and goes from stroke to stroke.
        fill = fill - 0.5 * starved
        scatter = unit.scatter + 0.5 * starved / np.sqrt(2 / np.pi)
        for one in self.faults:
            if one.name == "leak":
                leak = one.size * unit.one_jet * self.grown(one)
                both = one.side == "both" or not isinstance(unit.pump, Piston)
                for i, side in enumerate(("left", "right")):
                    if both or one.side == side:
                        seals[:, i] += leak
        return fill, scatter, seals

    def _areas(self) -> None:
        """Effective area of each head, jewel by jewel, and what grew of it."""
        unit, duty, rng = self.unit, self.duty, self.rng
        for head, jewel in enumerate(self.jewels):
            self.fresh[:, head] = jewel.area
        others = [one for one in self.faults if one.name == "other bore"]
        hours = sorted((first / TICKS / 3600, last) for first, last in duty.changes)
        due = sorted((one.at or 0.0, i) for i, one in enumerate(others))
        unrecorded = {}
        for asked, i in due:  # the first stop at or after the hour that was asked for
            stop = next((k for k, (hour, _) in enumerate(hours) if hour >= asked - 1e-6 and k not in unrecorded), None)
            if stop is None:
                raise ValueError(f"the day has no stop after {asked} h to fit another bore in")
            unrecorded[stop] = others[i]
        for k, (_, last) in enumerate(hours):
            tick = max(last - 600, 0)
            one = unrecorded.get(k)
            head = one.head if one else int(rng.integers(self.heads))
            bore = _other_bore(self.jewels[head].bore, one.size) if one else unit.jewels[head].bore
            jewel = Jewel.draw(rng, bore, self.jewels[head].material)
            self.jewels[head] = jewel
            self.fresh[tick:, head] = jewel.area
            self.fittings.append((tick, head, jewel, one is None))
            if one:
                index = self.faults.index(one)
                self.faults[index] = replace(one, at=tick / TICKS / 3600)
        for one in self.faults:
            fitted = self._until_changed(one)
            if one.name == "chip":
                self.growth[:, one.head] *= 1 + one.size * self.grown(one) * fitted
            elif one.name == "blocked":
                self.growth[:, one.head] *= 1 - one.size * self.grown(one) * fitted
            elif one.name == "wear":
                cut = np.cumsum(duty.valves[:, one.head] * self.grown(one)) * TICK / 3600
                self.growth[:, one.head] *= 1 + one.size * cut * fitted
        for head, jewel in enumerate(self.jewels):
            self.jewels[head] = replace(jewel, area=float(self.fresh[-1, head] * self.growth[-1, head]))

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


def _truth(unit, duty, told, trace, story, begin: int, noise, seen) -> dict[str, Any]:
    tick_ns = round(TICK * 1e9)

    def ns(tick: float) -> int:
        return begin + round(tick * tick_ns)

    heads = []
    for head in range(unit.heads):
        on = spans(duty.valves[:, head])
        area = told.area[:, head]
        changed = np.flatnonzero(np.diff(area)) + 1
        # A ramp changes at every tick: a point a minute is enough of it, and every step stays.
        steps = np.abs(np.diff(area))[changed - 1] > 1e-3 * area[changed - 1]
        points = sorted({0, *changed[steps].tolist(), *changed[::600].tolist(), area.size - 1})
        heads.append(
            {
                "head": head,
                "jet_on": [[ns(a), ns(b)] for a, b in on],
                "jet_hours": float(duty.valves[:, head].sum() * TICK / 3600),
                "area_m2": [[ns(i), float(area[i])] for i in points],
            }
        )
    return {
        "kind": unit.kind,
        "heads": unit.heads,
        "mode": unit.mode,
        "closed": unit.closed,
        "begin": begin,
        "end": ns(told.on.size),
        "jets": heads,
        "running": [[ns(a), ns(b)] for a, b in spans(duty.on)],
        "faults": [
            asdict(one)
            | {
                "at_ns": ns((one.at or 0.0) * 3600 * TICKS),
                "until_ns": None if one.until is None else ns(one.until * 3600 * TICKS),
                "unit": f.FAULT_SIZES[one.name].unit,
            }
            for one in story.faults
        ],
        "fittings": [
            {"at_ns": ns(tick), "head": head, "recorded": recorded} | asdict(jewel)
            for tick, head, jewel, recorded in story.fittings
        ],
        "disturbances": [
            {"what": d["what"], "size": d["size"], "from": ns(d["ticks"][0]), "to": ns(d["ticks"][1])}
            for d in story.disturbances
        ],
        "troubles": {name: [[ns(a), ns(b)] for a, b in pairs] for name, pairs in noise.spans().items()},
        "machine": {
            "pump": _plain(unit.pump),
            "line": _plain(unit.line),
            "jewels": [asdict(j) for j in unit.jewels],
            "size": unit.size._asdict(),
            "seal_leak_kg_s": unit.seal_leak,
            "fill": unit.fill,
            "one_jet_kg_s": unit.one_jet,
            "design_kg_s": unit.design,
        },
        "ledger_kg": {
            "intake": float(trace.ticks.intake.sum()),
            "jets": [float(x) for x in trace.ticks.jets.sum(axis=0)],
            "leaked": float(trace.ticks.leaked.sum()),
            "spilled": float(trace.ticks.spilled.sum()),
            "stored": float(trace.ticks.stored[-1] - trace.ticks.stored[0]),
        },
        "sensors": seen,
    }


def _plain(record) -> dict[str, Any]:
    return {k: (v.item() if isinstance(v, np.generic) else v) for k, v in record._asdict().items()}


def _fitted(after: Day | None, unit: Machine, story: _Story, begin: int):
    """The shop's own record of jewels; what was fitted unrecorded is not in it."""
    evening = begin - int(12 * 3600e9)
    known = list(after.fitted) if after else [(evening, i, j) for i, j in enumerate(unit.jewels)]
    known += [
        (begin + round(tick * TICK * 1e9), head, jewel)
        for tick, head, jewel, recorded in story.fittings
        if recorded
    ]
    return known

"""Invented cutting days: duty of the shop, what befalls the jewel, and what the sensors log."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from borewarden.model.baseline import Jewel
from borewarden.model.gate import Samples, samples_of
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import Intensifier, Pump
from borewarden.simulate.plant import STEP, Course, Plant, run_plant

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Chip:
    """A piece breaks off the rim at `at` (local time): the edge and the bore both let go.

    `edge` is the relative rise of C_d, `area` that of the bore's own area.
    """

    at: dt.datetime
    edge: float
    area: float

    @property
    def growth(self) -> float:
        """Relative growth of the effective area."""
        return (1.0 + self.edge) * (1.0 + self.area) - 1.0


@dataclass(frozen=True)
class Day:
    """One invented stretch of shifts to log. Times are local; Sundays are days like any other.

    `wear_per_hour` is the relative growth of effective area a jet hour, `discharge_coefficient`
    that of the sound jewel, `sample_time` in s, `hold_pressure` in Pa (intensifier).
    """

    first: dt.date
    days: int
    seed: int
    time_zone: str
    discharge_coefficient: float
    sample_time: float = 1.0
    hold_pressure: float = 380e6
    wear_per_hour: float = 0.0
    chips: tuple[Chip, ...] = ()
    logs_rate: bool = False
    start_hour: float = 5.75
    end_hour: float = 15.0


def _shift(rng: np.random.Generator, hours: float) -> list[tuple[float, str]]:
    """One shift as (seconds, what) pieces: nests of pierces and cuts, changes of plate, lunch."""
    pieces = [(float(rng.uniform(120, 300)), "stopped"), (20.0, "idle")]
    passed = sum(seconds for seconds, _ in pieces)
    lunched = False
    while passed < hours * 3600.0:
        nest: list[tuple[float, str]] = []
        for _ in range(int(rng.integers(8, 25))):
            nest.append((float(rng.uniform(2, 8)), "idle"))
            nest.append((float(rng.uniform(4, 9)), "pierce"))
            nest.append((float(rng.uniform(15, 140)), "cut"))
        nest.append((float(rng.uniform(90, 420)), "idle"))
        if not lunched and passed > 0.5 * hours * 3600.0:
            nest.append((1800.0, "stopped"))
            nest.append((20.0, "idle"))
            lunched = True
        pieces += nest
        passed += sum(seconds for seconds, _ in nest)
    return pieces


def _duty(day: Day, rng: np.random.Generator) -> tuple[list[str], NDArray[np.int64]]:
    """What the machine is asked to do from the first midnight on: names, and steps of each."""
    names: list[str] = []
    steps: list[int] = []
    for _ in range(day.days):
        pieces = [(day.start_hour * 3600.0, "stopped")]
        pieces += _shift(rng, day.end_hour - day.start_hour)
        pieces.append((24 * 3600.0 - sum(seconds for seconds, _ in pieces), "stopped"))
        for seconds, name in pieces:
            names.append(name)
            steps.append(round(seconds / STEP))
    return names, np.array(steps)


def log_day(day: Day, pump: Pump, jewel: Jewel) -> Samples:
    """The samples that the sensors of the virtual machine log on `day`, shape (n,) a channel.

    Deterministic by `day.seed`. Night hours are left out, as a logger that is switched off would.
    """
    rng = np.random.default_rng(day.seed)
    names, steps = _duty(day, rng)
    what = np.repeat(np.array(names), steps)
    n = len(what)
    zone = ZoneInfo(day.time_zone)
    midnight = dt.datetime.combine(day.first, dt.time(), zone)
    start_ns = round(midnight.timestamp()) * 10**9
    seconds: Floats = np.arange(1.0, n + 1.0) * STEP

    jet_open = (what == "pierce") | (what == "cut")
    area = np.full(n, day.discharge_coefficient * float(bore_area(jewel.bore)))
    area *= 1.0 + day.wear_per_hour * np.cumsum(jet_open) * STEP / 3600.0
    for chip in day.chips:
        at = (chip.at.replace(tzinfo=zone) - midnight).total_seconds()
        area[seconds >= at] *= 1.0 + chip.growth
    is_intensifier = isinstance(pump, Intensifier)
    hours = seconds % 86400.0 / 3600.0
    course = Course(
        running=what != "stopped",
        set_pressure=np.where(what == "pierce", 0.45, 1.0) * day.hold_pressure,
        crank_speed=np.where(what == "pierce", 0.72, 1.0) * pump.max_rate,
        jet_open=jet_open,
        area=area,
        # the mains warm up through the day
        temperature=288.0 + 5.0 * np.clip((hours - 6.0) / 9.0, 0.0, 1.0),
    )
    pressure, count = run_plant(Plant(is_intensifier, pump.displacement, pump.max_rate), course)
    return _sense(day, rng, start_ns, seconds, course, pressure, count, is_intensifier)


def _sense(
    day: Day,
    rng: np.random.Generator,
    start_ns: int,
    seconds: Floats,
    course: Course,
    pressure: Floats,
    count: Floats,
    is_intensifier: bool,
) -> Samples:
    """What transducer, counter and thermometer make of the truth: noise, steps, lost rows."""
    every = round(day.sample_time / STEP)
    at = np.arange(every - 1, len(seconds), every)
    in_shift = np.abs(seconds[at] % 86400.0 / 3600.0 - 12.0) < 24.0
    hour = seconds[at] % 86400.0 / 3600.0
    in_shift &= (hour > day.start_hour - 0.1) & (hour < day.end_hour + 1.6)
    kept = at[in_shift & (rng.random(len(at)) > 0.002)]  # a row in five hundred is lost
    m = len(kept)
    noise = 0.6e6 if is_intensifier else 1.5e6  # a crank pump's ripple is faster than the log
    seen = np.maximum(pressure[kept] + rng.normal(0.0, noise, m), 0.0)
    seen[rng.random(m) < 0.001] = np.nan
    temperature = np.round(course.temperature[kept] + rng.normal(0.0, 0.05, m), 1)
    if not is_intensifier:
        turning = np.where(course.running[kept], course.crank_speed[kept], 0.0)
        rate = np.where(turning > 0.0, turning + rng.normal(0.0, 0.003, m), 0.0)
        flow = {"rate": rate}
    elif day.logs_rate:
        # a controller's reading: strokes over the last four seconds, interpolated in a stroke
        back = np.maximum(kept - round(4.0 / STEP), 0)
        smooth = np.interp(np.arange(len(count)), *_edges(count))
        rate = (smooth[kept] - smooth[back]) / 4.0 * (1.0 + rng.normal(0.0, 0.004, m))
        flow = {"rate": rate}
    else:
        flow = {"stroke_count": np.floor(count[kept])}
    time_ns = start_ns + np.round(seconds[kept] * 1e9).astype(np.int64)
    return samples_of(time_ns, pressure=seen, temperature=temperature, **flow)


def _edges(count: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Steps at which the stroke counter moved, and its value there."""
    moved = np.flatnonzero(np.diff(count, prepend=count[0] - 1.0) > 0.0)
    return moved, count[moved]

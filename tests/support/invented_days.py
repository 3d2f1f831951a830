"""Invented shops to tune on: days of the virtual pump, read the way logged ones are."""

from __future__ import annotations

import datetime as dt
from functools import cache
from pathlib import Path

import numpy as np

from borewarden.base.samples import Samples
from borewarden.base.times import local_ns
from borewarden.collect.labels import Label
from borewarden.settings import MachineSettings, load_machine
from borewarden.simulate.day import Chip, Day, log_day
from borewarden.tune.days import Shop, Wanted, make_shop

ROOT = Path(__file__).parents[2]
FIRST = dt.date(2026, 3, 3)


@cache
def machine_of(name: str) -> MachineSettings:
    return load_machine(ROOT / "config" / f"{name}.toml")


@cache
def logged(
    name: str,
    days: int = 1,
    seed: int = 5,
    end_hour: float = 10.0,
    chips: tuple[Chip, ...] = (),
    wear_per_hour: float = 0.0,
) -> Samples:
    """Short days of one of the shop's machines."""
    machine = machine_of(name)
    jewel = machine.jewels()[0]
    day = Day(
        FIRST, days, seed, machine.time_zone, jewel.plausible.typical, end_hour=end_hour,
        logs_rate=name == "west", chips=chips, wear_per_hour=wear_per_hour,
    )  # fmt: skip
    return log_day(day, machine.build_pump(), jewel)


def at_ns(name: str, time: dt.datetime) -> int:
    return local_ns(time, machine_of(name).time_zone)


def shop_of(
    name: str,
    samples: Samples,
    wanted: Wanted | None = None,
    labels: tuple[Label, ...] = (),
) -> Shop:
    machine = machine_of(name)
    return make_shop(
        machine.build_pump(),
        machine.gate_settings(),
        machine.jewels(),
        samples,
        labels,
        machine.time_zone,
        machine.watch_settings().baseline_time,
        wanted or Wanted(chips=6, wears=0),
    )


def label(name: str, time: dt.datetime, event: str, end: dt.datetime | None = None) -> Label:
    end_ns = None if end is None else at_ns(name, end)
    return Label(at_ns(name, time), end_ns, event, np.nan, "invented")

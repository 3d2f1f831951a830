"""How machines and days differ: noise, pulsation, leakage while dead-headed, jet hours, alerts."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.cells import harmless
from borewarden.base.samples import Samples
from borewarden.base.statistics import MAD_TO_SIGMA
from borewarden.gate.batch import BatchKind
from borewarden.jewels.jewel import Jewel
from borewarden.settings import MachineSettings
from borewarden.tune.days import Wanted, make_shop
from borewarden.tune.outcome import gather, watch_stretch

FEWEST = 4  # batches that a noise can be told from
NEAR = 0.05  # relative, of the pressure of the steady jet; invented


class DayRow(NamedTuple):
    """One machine on one day; NaN where there is too little to tell.

    `noise` is the relative standard deviation of a batch's effective area, from the differences of
    neighbours, which hardly feel a step; `timing` what timing of strokes and steps of the reading
    may make of it. `pulsation` is the relative scatter of the pressure from sample to sample while
    the jet is steady, `idle_share` the flow while dead-headed over the working flow, an
    intensifier's only. `area` in m². `unshared` counts the alerts that differed from the second
    opinion.
    """

    machine: str
    day: date
    jet_hours: float
    batches: int
    noise: float
    timing: float
    pulsation: float
    idle_share: float
    pressure: float  # Pa
    area: float
    alerts: int
    unshared: int


def compare_days(
    machine: MachineSettings, samples: Samples, jewels: list[Jewel] | None = None
) -> list[DayRow]:
    """A row for each local day of `samples`, by the machine's settings of today.

    Cut with `jewels`; with those of the machine file if none are given.
    """
    shop = make_shop(
        machine.build_pump(),
        machine.gate_settings(),
        machine.jewels() if jewels is None else jewels,
        samples,
        (),
        machine.time_zone,
        machine.watch_settings().baseline_time,
        Wanted(chips=0, wears=0),
        must_try=False,
        valve_heads=machine.valve_heads,
    )
    gathered = gather(shop, machine.gate_settings())
    _, alerts = watch_stretch(shop, gathered, machine.watch_settings())
    batches = np.concatenate([part.batches for part in gathered])
    of_batch = shop.day_of(batches["end_ns"])
    of_alert = shop.day_of(np.array([alert.time_ns for alert in alerts], dtype=np.int64))
    differed = np.array([alert.verdict.disagrees for alert in alerts], dtype=bool)
    of_sample = shop.day_of(samples.time_ns)
    gained = np.diff(shop.jet_clock, prepend=0.0)
    jet = np.bincount(of_sample, weights=gained, minlength=len(shop.days)) / 3600.0
    rows = [
        _row(
            machine,
            day,
            batches[of_batch == k],
            float(jet[k]),
            (int(np.sum(of_alert == k)), int(np.sum(differed & (of_alert == k)))),
        )
        for k, day in enumerate(shop.days)
    ]
    on = gained > 0.0
    readings = [samples.pressure[on & (of_sample == k)] for k in range(len(rows))]
    return [
        row._replace(pulsation=_pulsation(seen, row.pressure))
        for row, seen in zip(rows, readings, strict=True)
    ]


def write_rows(rows: Iterable[DayRow], path: Path) -> None:
    """Write a CSV file, one row a machine and day; what can't be told is left empty."""
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow(DayRow._fields)
        for row in rows:
            writer.writerow(
                [
                    "" if isinstance(value, float) and math.isnan(value) else harmless(value)
                    for value in row
                ]
            )


def _pulsation(readings: NDArray[np.float64], pressure: float) -> float:
    """Relative scatter of a jet's pressure `readings`, shape (n,), where it stays near `pressure`.

    Half the mean square of the differences of single values is their variance.
    """
    near = np.abs(readings / pressure - 1.0) < NEAR
    both = near[1:] & near[:-1]
    if not both.any():
        return float("nan")
    steps = np.log(readings[1:][both] / readings[:-1][both])
    return float(np.sqrt(0.5 * np.mean(steps**2)))


def _row(
    machine: MachineSettings,
    day: date,
    batches: NDArray[np.void],
    jet: float,
    alerts: tuple[int, int],
) -> DayRow:
    steady = batches[batches["kind"] == BatchKind.STEADY]
    idle = batches[batches["kind"] == BatchKind.DEAD_HEAD]
    nan = float("nan")
    noise = timing = pulsation = pressure = area = idle_share = nan
    if len(steady) >= FEWEST:
        logs = np.log(steady["area"])
        timing = float(np.mean(steady["resolution"] ** 2) ** 0.5)
        noise = _scatter(np.diff(logs), timing)
        area = float(np.exp(np.average(logs, weights=steady["time"])))
        pressure = float(np.average(steady["pressure"], weights=steady["time"]))
        if len(idle):
            idle_share = float(np.average(idle["area"], weights=idle["time"])) / area
    return DayRow(
        machine.name,
        day,
        jet,
        len(steady),
        noise,
        timing,
        pulsation,
        idle_share,
        pressure,
        area,
        *alerts,
    )


def _scatter(apart: NDArray[np.float64], timing: float) -> float:
    """Standard deviation of values whose differences are `apart`; a step counts as 4 of it."""
    middle = MAD_TO_SIGMA * float(np.median(np.abs(apart)))
    reach = 4.0 * max(middle, 2.0**0.5 * timing)
    return float(np.std(np.clip(apart, -reach, reach)) / np.sqrt(2.0))

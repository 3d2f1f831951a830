"""Invented days as somebody asks for them: sound, with a chip, wearing, or with one fault."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from borewarden.base.errors import BadInput
from borewarden.base.times import local_ns
from borewarden.diagnose.causes import Cause, possible_causes
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Intensifier, Pump
from borewarden.simulate.day import Chip, Day, Fault, Side, Signals

FaultName = Literal[
    "bore", "leak", "second-head", "blocked", "transducer", "feed", "slip", "bypass", "other-bore"
]


@dataclass(frozen=True)
class Asked:
    """What is to happen, from the day `first` on; times are local.

    `chip_size` and `wear`, a jet hour, are relative growths of the effective area, `sample_time`
    is in s. The fault begins at the clock time `at` of the first day and grows for `ramp` minutes.
    """

    first: dt.datetime
    days: int = 1
    seed: int = 1
    sample_time: float = 1.0
    chip_at: dt.datetime | None = None
    chip_size: float = 0.08
    wear: float = 0.0
    fault: FaultName | None = None
    at: dt.time = dt.time(9)
    size: float = 0.08
    ramp: float = 0.0
    side: Side = "both"
    signals: Signals = "minimal"


def invent_day(
    asked: Asked,
    pump: Pump,
    jewels: Sequence[Jewel],
    time_zone: str,
    place: Path | str,
    logs_rate: bool = False,
) -> Day:
    """The days that are `asked` for, by a machine with these `jewels`.

    Raises BadInput, about `place` if no jewel is fitted by the first evening.
    """
    evening_ns = local_ns(asked.first + dt.timedelta(hours=24), time_zone)
    fitted = [jewel for jewel in jewels if jewel.fitted_ns < evening_ns]
    if not fitted:
        raise BadInput(place, "jewel", f"no jewel is fitted by {asked.first:%Y-%m-%d}", "add one")
    day = Day(
        first=asked.first.date(),
        days=asked.days,
        seed=asked.seed,
        time_zone=time_zone,
        discharge_coefficient=fitted[-1].plausible.typical,
        sample_time=asked.sample_time,
        wear_per_hour=asked.wear,
        logs_rate=logs_rate,
        signals=asked.signals,
    )
    return _with_fault(_with_chip(day, asked), asked, pump)


def _with_chip(day: Day, asked: Asked) -> Day:
    """The day with its chip: the edge goes first, then the bore's area."""
    at, size = asked.chip_at, asked.chip_size
    if at is None:
        return day
    if not 0 <= (at.date() - day.first).days < day.days:
        right = f"give a time from {day.first} on, within {day.days} day{'s' * (day.days > 1)}"
        raise BadInput("--chip-at", "time", f"{at} is not within the invented days", right)
    edge = (1.0 + size) ** 0.6 - 1.0
    return replace(day, chips=(Chip(at, edge, (1.0 + size) / (1.0 + edge) - 1.0),))


def _with_fault(day: Day, asked: Asked, pump: Pump) -> Day:
    """The day with its fault."""
    name, size = asked.fault, asked.size
    if name is None:
        return day
    cause = Cause[name.upper().replace("-", "_")]
    if cause not in possible_causes(isinstance(pump, Intensifier)):
        raise BadInput("--fault", name, "intensifiers don't have this fault", "take a direct drive")
    low, high = (-0.5, 0.5) if cause is Cause.TRANSDUCER else (0.0, 0.9)
    if cause is Cause.OTHER_BORE:
        low, high = -0.9, 5.0
    elif cause in (Cause.SECOND_HEAD, Cause.BORE):
        high = 5.0
    if not low <= size <= high:
        raise BadInput(
            "--size", name, f"{size:g} is impossible", f"give a share, {low:g} to {high:g}"
        )
    when = dt.datetime.combine(day.first, asked.at)
    return replace(day, faults=(Fault(cause, when, size, 60.0 * asked.ramp, side=asked.side),))

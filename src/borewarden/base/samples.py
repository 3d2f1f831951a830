"""What one sample holds, and how one column of readings becomes SI."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SI_UNITS = {  # of the channels of `Samples`, "" where it is a number
    "pressure": "Pa",
    "rate": "Hz",
    "stroke_count": "",
    "temperature": "K",
    "valve": "",
    "oil_pressure": "Pa",
    "boost_pressure": "Pa",
    "weep_temperature": "K",
    "bypass_temperature": "K",
    "left_stroke_time": "s",
    "right_stroke_time": "s",
    "motor_speed": "Hz",
    "motor_torque": "dimensionless",
    "check_valve_temperature": "K",
}


@dataclass(frozen=True)
class Channel:
    """One column: SI = value * `scale` + `offset`; `low` and `high` are plausible, in SI.

    `unit` is the unit of the column, for the messages.
    """

    column: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    low: float = -math.inf
    high: float = math.inf


class Samples(NamedTuple):
    """A block of samples, one array a channel, all of shape (n,); NaN where not known.

    `time_ns` are int64 nanoseconds since 1970 UTC, `pressure` in Pa gauge, `rate` the stroke rate
    or crank speed in Hz, `stroke_count` the stroke counter, `temperature` of the water in K,
    `valve` the number of heads commanded on. The rest helps to tell causes apart where a machine
    has it: `oil_pressure` of the hydraulics and `boost_pressure` of the feed water in Pa,
    `weep_temperature` at the leak-off of the high-pressure seals and `bypass_temperature` behind
    the bypass or relief valve in K, `left_stroke_time` and `right_stroke_time` the durations of
    the last whole stroke each way in s, `motor_speed` of the drive's shaft in Hz, `motor_torque`
    of the drive as a share of its rated torque, `check_valve_temperature` of the body of the
    hottest check valve in K.
    """

    time_ns: NDArray[np.int64]
    pressure: Floats
    rate: Floats
    stroke_count: Floats
    temperature: Floats
    valve: Floats
    oil_pressure: Floats
    boost_pressure: Floats
    weep_temperature: Floats
    bypass_temperature: Floats
    left_stroke_time: Floats
    right_stroke_time: Floats
    motor_speed: Floats
    motor_torque: Floats
    check_valve_temperature: Floats


def samples_of(time_ns: NDArray[np.int64], **channels: Floats) -> Samples:
    """Samples of the `channels` given by name; the others are not known."""
    unknown = np.full(len(time_ns), np.nan)
    return Samples(time_ns, *(channels.get(name, unknown) for name in Samples._fields[1:]))


def rows(samples: Samples, start: int, stop: int | None = None) -> Samples:
    """Rows `start` to `stop` of every channel."""
    return Samples._make(channel[start:stop] for channel in samples)

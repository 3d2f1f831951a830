"""What one sample holds, and how one column of readings becomes SI."""

from __future__ import annotations

import math
from dataclasses import dataclass

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

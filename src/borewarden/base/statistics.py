"""The few statistics that several layers share."""

from __future__ import annotations

from typing import NamedTuple

MAD_TO_SIGMA = 1.4826  # of a normal distribution


class Interval(NamedTuple):
    """Central 90 % interval; `high` (or all) may be infinite."""

    low: float
    middle: float
    high: float

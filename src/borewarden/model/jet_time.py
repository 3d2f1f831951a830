"""The old place of `borewarden.gate.jet_time`."""

from borewarden.gate.jet_time import (
    FIRST_JET_TIME,
    FIRST_STARTS,
    JET_ON,
    LOW_SHARE,
    LOW_TIME,
    MAX_GAP,
    JetTime,
    Opening,
    add_up,
    count_jet_time,
    judge_opening,
)

__all__ = [
    "FIRST_JET_TIME",
    "FIRST_STARTS",
    "JET_ON",
    "LOW_SHARE",
    "LOW_TIME",
    "MAX_GAP",
    "JetTime",
    "Opening",
    "add_up",
    "count_jet_time",
    "judge_opening",
]

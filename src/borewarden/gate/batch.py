"""Phases of a machine, and the batches that samples are gathered into."""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class Phase(IntEnum):
    """What the machine does at one sample."""

    NO_DATA = 0  # missing, out of range, or a stuck transducer
    STOPPED = 1  # no pressure
    JET_OFF = 2  # pressure held, no flow: dead-headed
    RAMP = 3  # jet on, pressure still moving or jet just opened
    PIERCE = 4  # jet on and steady, below the working pressure
    STEADY = 5  # jet on and steady at working pressure
    BYPASS = 6  # jet on, but the bypass spills: the jet's flow is not known
    UNUSABLE = 7  # numbers that can't be right, as `collect.sight` found while they came in


class BatchKind(IntEnum):
    """What a batch was gathered from."""

    STEADY = 0  # jet on and steady at working pressure
    LOW = 1  # jet on and steady, below it
    DEAD_HEAD = 2  # pressure held, jet closed: `area` is that of a leak
    STOPPED = 3  # bled down: only `pressure` counts
    CEILING = 4  # no batch, but news: such a level is from now on taken for the closed jet
    # how the line's pressure moves: `area` is over the volume of the stored water, 1/m
    FALL = 5  # through the open jet, the pump standing still or nearly so
    RISE = 6  # through the open jet, by what a crank feeds
    RUN_DOWN = 7  # through the open jet, the pump stopped
    SHUT = 8  # of a line that is shut and that nothing is fed into


LINE_KINDS = (BatchKind.FALL, BatchKind.RISE, BatchKind.RUN_DOWN, BatchKind.SHUT)
# Those that are only kept. A run-down is thought about at once: somebody may wait for it.
ONLY_KEPT = (BatchKind.FALL, BatchKind.RISE, BatchKind.SHUT)


# What the further channels say, as means over a batch; NaN where a machine lacks them.
SIGNALS = (
    "load_ratio",  # log of water over oil pressure, or of a crank pump over motor torque
    "boost",  # log of the feed pressure, Pa
    "weep_rise",  # K above the water temperature
    "bypass_rise",  # K above the water temperature
    "side_ratio",  # log of left over right stroke time
    "slip",  # log of crank over motor speed
    "heads",  # commanded on
    "scatter",  # log of the relative scatter from stroke to stroke, or from reading to reading
    "ripple",  # log of the relative scatter of pressure from sample to sample
    "valve_rise",  # of the check valves, K above the water temperature
)
LOAD_RATIO, BOOST, WEEP_RISE, BYPASS_RISE, SIDE_RATIO, SLIP, HEADS, SCATTER, RIPPLE, VALVE_RISE = (
    range(len(SIGNALS))
)

BATCH = np.dtype(
    [
        ("kind", np.int8),  # a `BatchKind`
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("time", np.float64),  # s of steady jet in it
        ("jet_seconds", np.float64),  # with the jet on, from the first sample to its end
        ("area", np.float64),  # effective area, m²
        # relative standard uncertainty of area from whole counts; of a leak's area: in m²; of a
        # ceiling: what lies between its area and the jet's, relative
        ("resolution", np.float64),
        ("timing", np.float64),  # s², variance of timing its ends
        ("shared", np.float64),  # s², of it the edge at which the batch before ended
        ("rate", np.float64),  # Hz
        ("pressure", np.float64),  # Pa
        ("temperature", np.float64),  # K
        ("stops", np.int64),  # how often the machine had been stopped by then
        # how often a jet had opened, where a line that is shut may look like one; else 0
        ("openings", np.int64),
        ("leak", np.float64),  # 1/s, relative, by which its pressure falls; 0: not known
        ("interval", np.float64),  # s, usual time between samples
        ("closed_known", np.bool_),  # whether it was seen how the closed jet of a crank looks
        ("signals", np.float64, (len(SIGNALS),)),
        # of a jet: sum of 2 to the k for each open head k; -n: n of them; 0: not known
        ("open_heads", np.int64),
    ]
)

COARSE = 5.0  # s between samples, from which on a short pause hides between two; invented

NO_BATCHES = np.zeros(0, dtype=BATCH)


def valve_is_logged(rows: NDArray[np.void]) -> bool:
    """Whether a valve signal, or a count, says which heads are on in any of `rows`.

    They are batches, with the field `signals` of `BATCH`.
    """
    return bool(np.isfinite(rows["signals"][:, HEADS]).any())

"""What a fault can change: one row for each feature, with its unit and how far it is trusted.

A change is a natural logarithm of now over before, a share of the working flow or the working
pressure, or a temperature difference in K. Each row says which.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PERCENT = 100.0  # per cent in 1


class FeatureShift(NamedTuple):
    """How far each feature has moved since before the event.

    Parameters
    ----------
    seen : shape (FEATURES,)
        Change, in the unit of each row of `FEATURES`; NaN if not known.
    sd : shape (FEATURES,)
        Standard uncertainty of `seen`, same units; NaN if not known. What the machine does by
        itself is in it.
    usual : shape (FEATURES,) or None
        How far each feature goes to and fro on this machine by itself, standard deviation, same
        units; NaN if it isn't learned.

    """

    seen: Floats
    sd: Floats
    usual: Floats | None = None


class Scale(NamedTuple):
    """How a change is given, and how people read it, as in "9 % of working flow".

    Parameters
    ----------
    amount
        Turns a change into the number that people read.
    unit
        Unit of that number.
    over
        What it is a share of, or counted from; "" for the value before the event.

    """

    amount: Callable[[float], float]
    unit: str
    over: str = ""


LOG_RATIO = Scale(lambda change: float(PERCENT * np.expm1(change)), "%")  # ln(now / before)
OF_FLOW = Scale(lambda change: PERCENT * change, "%", "of working flow")
OF_PRESSURE = Scale(lambda change: PERCENT * change, "%", "of working pressure")
FROM_WATER = Scale(lambda change: change, "°C", "relative to water temperature")  # K


class Feature(NamedTuple):
    """One thing that a fault can change.

    Parameters
    ----------
    name
        Short name in code.
    words
        What people call it.
    scale
        How its change is given.
    floor
        What the model or the sensor may be off by itself (standard deviation, unit of the change).
    wide
        Scale of a surprise that no cause explains (unit of the change).

    """

    name: str
    words: str
    scale: Scale
    floor: float
    wide: float


# All floors and wide scales are invented.
FEATURES = (
    Feature("area", "effective area", LOG_RATIO, 0.005, 0.3),
    Feature("low_area", "effective area at low pressure", LOG_RATIO, 0.015, 0.3),
    Feature("idle", "dead-head flow", OF_FLOW, 0.006, 0.2),
    Feature("pressure", "cutting pressure", LOG_RATIO, 0.004, 0.1),
    Feature("load", "pressure reading against oil pressure or torque", LOG_RATIO, 0.004, 0.1),
    Feature("boost", "feed pressure", LOG_RATIO, 0.03, 0.5),
    Feature("weep", "weep line", FROM_WATER, 1.8, 20.0),
    Feature("bypass", "bypass line", FROM_WATER, 1.8, 20.0),
    Feature("sides", "left stroke time against right", LOG_RATIO, 0.008, 0.2),
    Feature("slip", "crank speed against motor speed", LOG_RATIO, 0.003, 0.1),
    Feature("scatter", "stroke-to-stroke scatter", LOG_RATIO, 0.15, 1.0),
    Feature("ripple", "pressure flutter", LOG_RATIO, 0.1, 1.0),
    Feature("zero", "pressure reading while stopped", OF_PRESSURE, 0.003, 0.05),
    Feature("valves", "hottest check valve", FROM_WATER, 1.8, 20.0),
    Feature("fall", "rate at which the open jet empties the line", LOG_RATIO, 0.012, 0.3),
    Feature("rise", "rate at which the line settles through the open jet", LOG_RATIO, 0.05, 0.3),
    Feature("shut", "flow that the shut line loses", OF_FLOW, 0.01, 0.2),
)
NAMES = tuple(feature.name for feature in FEATURES)
AREA, LOW_AREA, IDLE, PRESSURE, LOAD, BOOST, WEEP = (NAMES.index(name) for name in NAMES[:7])
BYPASS, SIDES, SLIP, SCATTER, RIPPLE, ZERO, VALVES = (NAMES.index(name) for name in NAMES[7:14])
FALL, RISE, SHUT = (NAMES.index(name) for name in NAMES[14:])
OF_THE_LINE = (FALL, RISE, SHUT)  # of its own mass balance
HEATED_BY_A_LEAK = [WEEP, BYPASS, VALVES]  # these need jet time to show
FLOOR = np.array([feature.floor for feature in FEATURES])
WIDE = np.array([feature.wide for feature in FEATURES])

"""What one sample holds, and how one column of readings becomes SI."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

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
    "open_heads": "",
}
HEAD = "valve."  # begins the name of the signal of one head's valve, such as "valve.1"
MOST_HEADS = 8  # with a valve signal of their own; invented
HALF = 0.5  # above, a valve signal says that its head is commanded on; halfway between 0 and 1


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
    hottest check valve in K. `open_heads` says which heads are commanded on where each has a valve
    signal: the sum of 2 to the k for head k of those signals.
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
    open_heads: Floats


CHANNEL_NAMES = Samples._fields[1:]


def is_switch(name: str) -> bool:
    """Whether a channel is on or off, as the signal of a valve is, and not a number."""
    return name == "valve" or name.startswith(HEAD)


def si_unit(name: str) -> str:
    """SI unit of a channel, or of the valve signal of one head."""
    return SI_UNITS["valve" if name.startswith(HEAD) else name]


def with_open_heads(channels: Mapping[str, Floats]) -> dict[str, Floats]:
    """The `channels` with those of single heads put into `open_heads` and their number, `valve`.

    The order of the heads is that of their signals. Where one is not known, neither is the sum.
    """
    signals = [values for name, values in channels.items() if name.startswith(HEAD)]
    if not signals:
        return dict(channels)
    rest = {name: values for name, values in channels.items() if not name.startswith(HEAD)}
    known = np.all([np.isfinite(values) for values in signals], axis=0)
    on = [(values > HALF).astype(np.float64) for values in signals]
    mask = np.sum([2.0**k * each for k, each in enumerate(on)], axis=0)
    rest["open_heads"] = np.where(known, mask, np.nan)
    rest["valve"] = np.where(known, np.sum(on, axis=0), np.nan)
    return rest


def channels_of(samples: Samples, names: Iterable[str]) -> dict[str, Floats]:
    """The channels of these `names`, of single heads' valves too: `with_open_heads` undone."""
    names = list(names)
    heads = [name for name in names if name.startswith(HEAD)]
    return {
        name: valve_of(samples, heads.index(name)) if name in heads else getattr(samples, name)
        for name in names
    }


def valve_of(samples: Samples, place: int) -> Floats:
    """The valve signal of the head at that `place` among them: 1 open, 0 closed."""
    return np.floor(samples.open_heads / 2.0**place) % 2.0


def samples_of(time_ns: NDArray[np.int64], **channels: Floats) -> Samples:
    """Samples of the `channels` given by name; the others are not known.

    What is given in another layout is copied, for the loops are compiled for each layout anew.
    """
    unknown = np.empty(len(time_ns))
    unknown.fill(np.nan)  # `np.full` takes longer than all the rest of one live sample
    given = {name: _plain(values) for name, values in channels.items()}
    return Samples(_plain(time_ns), *[given.get(name, unknown) for name in CHANNEL_NAMES])


def _plain(values: NDArray[Any]) -> NDArray[Any]:
    """`values` as one writable piece of memory."""
    return values if values.flags.carray else values.copy()


def rows(samples: Samples, start: int, stop: int | None = None) -> Samples:
    """Rows `start` to `stop` of every channel."""
    return Samples._make(channel[start:stop] for channel in samples)

"""Rows from channels that each have times of their own, and how long a value may stand.

A historian that logs by exception writes a value only when it has changed. Until the next one it
stands, but nobody knows for how long: the sensor, the network or the historian may have stopped.
So a value is held for no longer than a stated time, and then it is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Stream(NamedTuple):
    """Readings of one channel, shape (n,), in order of time; NaN where the reading is missing."""

    time_ns: NDArray[np.int64]
    values: NDArray[np.float64]


def rows_of(
    streams: Mapping[str, Stream], holds: Mapping[str, float] | None, every: float
) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]:
    """One time for all channels, and their values there, NaN where nothing is known.

    Without `holds`, a row is there for each time that any channel has, and only what was read at
    that very time is in it. With `holds` (s, by channel), rows are `every` (s) apart, at whole
    multiples of it since 1970, and each has what was read last, if that is no older than the
    channel's hold. A row without anything in it is left out, so the watcher sees a gap.
    """
    times = np.unique(np.concatenate([stream.time_ns for stream in streams.values()]))
    ages = dict.fromkeys(streams, 0)
    if holds is not None and len(times):
        ages = {name: round(hold * 1e9) for name, hold in holds.items()}
        times = _steps(times, max(ages.values()), round(every * 1e9))
    values = {name: _at(times, stream, ages[name]) for name, stream in streams.items()}
    known = np.any([np.isfinite(each) for each in values.values()], axis=0)
    return times[known], {name: each[known] for name, each in values.items()}


def _steps(read_ns: NDArray[np.int64], ages: int, step: int) -> NDArray[np.int64]:
    """Whole multiples of `step` at which something read at `read_ns` still stands, all ns.

    Nothing stands beyond the last reading: what comes after the end of a file is not known.
    """
    first = -(-read_ns // step)
    ends = np.append(read_ns[1:] - 1, read_ns[-1] + step - 1)
    count = np.maximum(np.minimum(read_ns + ages, ends) // step - first + 1, 0)
    before = np.repeat(np.cumsum(count) - count, count)
    steps: NDArray[np.int64] = np.repeat(first, count) + np.arange(int(count.sum())) - before
    return steps * step


def _at(times: NDArray[np.int64], stream: Stream, ages: int) -> NDArray[np.float64]:
    """What was read last at each of `times`, NaN if that is older than `ages` (ns)."""
    if not len(stream.time_ns):
        return np.full(len(times), np.nan)
    at = np.searchsorted(stream.time_ns, times, side="right") - 1
    age = times - stream.time_ns[np.maximum(at, 0)]
    fresh = (at >= 0) & (age <= ages)
    return np.where(fresh, stream.values[np.maximum(at, 0)], np.nan)

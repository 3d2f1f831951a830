"""What an address has to offer, while nobody knows yet what is what: places, and their readings."""

from __future__ import annotations

from collections.abc import AsyncGenerator, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from borewarden.collect.standing import Stream

Tell = Callable[[str], None]
"""Takes a line for the person who waits."""
Rounds = AsyncGenerator[None, None]
"""Yields once the places are known, and then after each round of readings; raises OSError."""


def plain_name(text: str) -> str:
    """A name that a machine gave, as it can be shown and written: without line breaks and so on."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


@dataclass(frozen=True)
class Place:
    """One number that can be read.

    `settings` is what a channel of [source] says to read it, `unit` and `note` what the machine
    says of it. A `bare` number has neither a name nor a unit, or is whole without a unit: it may
    have any scale.
    """

    settings: Mapping[str, Any]
    unit: str = ""
    note: str = ""
    bare: bool = False


@dataclass
class Survey:
    """The places at an address and what was read there so far, oldest first.

    `times` is the field of the time in messages, by topic; "" where there is none.
    """

    places: dict[str, Place] = field(default_factory=dict)
    times: dict[str, str] = field(default_factory=dict)
    _times: dict[str, list[int]] = field(default_factory=dict)
    _values: dict[str, list[float]] = field(default_factory=dict)

    def take(self, name: str, time_ns: int, value: float) -> None:
        """Keep a reading, unless it is not after the last one of its place."""
        times = self._times.setdefault(name, [])
        if not times or time_ns > times[-1]:
            times.append(time_ns)
            self._values.setdefault(name, []).append(value)

    @property
    def most(self) -> int:
        """How many readings there are of the place that has most."""
        return max(map(len, self._times.values()), default=0)

    def streams(self) -> dict[str, Stream]:
        """All readings by place."""
        return {
            name: Stream(np.array(times, dtype=np.int64), np.array(self._values[name]))
            for name, times in self._times.items()
        }

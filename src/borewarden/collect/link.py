"""What the collectors of live protocols share: link states, SI rows, reconnecting.

A collector is an endless stream of `Received`. Whatever a network or a controller does wrong ends
up in it as a `LinkState` or as NaN, never as an exception.
"""

from __future__ import annotations

import asyncio
import logging
import math
import random
import time
from collections.abc import AsyncGenerator, Callable, Iterable, Mapping
from contextlib import aclosing
from dataclasses import dataclass, field

import numpy as np

from borewarden.base.backoff import back_off
from borewarden.base.plain_errors import plain_reason
from borewarden.base.samples import (
    HEAD,
    SI_UNITS,
    Channel,
    Samples,
    samples_of,
    si_unit,
    with_open_heads,
)

FIRST_DELAY = 1.0  # s
LONGEST_DELAY = 30.0  # s; a pump that comes back is not to run unwatched for long
CLOCK_STEP = 1.0  # s, less than that is the clock being disciplined
TOGETHER = 0.05  # s in which ticks of many machines are made one
SET_BACK = 5.0  # s, a last row so far in the future has the time of another clock
LASTING = 3  # times in a row, and a problem is told
NOT_FINITE = "not a finite number"

# They log every lost packet, some with a traceback; what matters of it is in the link states.
for _library in ("asyncua", "pymodbus", "mqtt"):
    logging.getLogger(_library).setLevel(logging.CRITICAL)


@dataclass(frozen=True)
class LinkState:
    """The connection went up or down, or what is wrong with it changed: `reason`, in plain words.

    `time_ns` is this computer's clock, ns since 1970 UTC. `channels` has what of that is wrong with
    single channels, by the fields of `Samples`.
    """

    time_ns: int
    connected: bool
    reason: str
    channels: Mapping[str, str] = field(default_factory=dict)


Received = Samples | LinkState
Session = Callable[[], AsyncGenerator[Received, None]]


# -- reconnecting


async def keep_connected(
    session: Session, chance: random.Random | None = None
) -> AsyncGenerator[Received, None]:
    """Run `session` again and again, with back-off.

    A session connects, yields a `LinkState` once it has had an answer, then samples, and raises
    whatever it likes when the connection is lost; that becomes a `LinkState` here. While the link
    stays down, the same reason is given once only.
    """
    failures = 0  # in a row
    told = ""  # the reason last given while down; empty while up
    while True:
        reason = "the connection ended"
        try:
            async with aclosing(session()) as stream:
                async for received in stream:
                    _stop_if_cancelled()
                    if isinstance(received, LinkState) and received.connected:
                        told = ""
                        failures = 0
                    yield received
        except asyncio.CancelledError:
            # asyncua cancels its futures when the socket breaks; that is no wish of our caller's
            _stop_if_cancelled()
        except Exception as error:  # an always-on watcher outlives whatever a library comes up with
            reason = plain_reason(error)
        if reason != told:
            told = reason
            yield LinkState(time.time_ns(), False, reason)
        _stop_if_cancelled()
        failures += 1
        await asyncio.sleep(back_off(failures, FIRST_DELAY, LONGEST_DELAY, chance))


def _stop_if_cancelled() -> None:
    """Raise CancelledError if our caller wants that, whatever the libraries made of it.

    `asyncio.wait_for`, which they all use, loses it up to Python 3.11 if an answer comes just then.
    """
    task = asyncio.current_task()
    if task is None or task.cancelling():
        raise asyncio.CancelledError


# -- time


class Clock:
    """The computer's time in ns since 1970 UTC, evenly running until a step is asked for.

    Between calls of `step` it follows the monotonic clock, so that a clock that is set does not
    stretch or squeeze a stroke.
    """

    def __init__(self) -> None:
        self._offset_ns = time.time_ns() - time.monotonic_ns()

    def now(self) -> int:
        """The time now."""
        return time.monotonic_ns() + self._offset_ns

    def step(self) -> float:
        """By how many seconds the clock was set since the last call, 0.0 if it was not; adopts."""
        offset_ns = time.time_ns() - time.monotonic_ns()
        seconds = (offset_ns - self._offset_ns) * 1e-9
        if abs(seconds) < CLOCK_STEP:
            return 0.0
        self._offset_ns = offset_ns
        return seconds


async def ticks(interval: float) -> AsyncGenerator[None, None]:
    """Tick now and every `interval` s, but for ticks that came due while the consumer was busy.

    A hall of pumps is not to be asked in one and the same instant, even if all of them were begun
    with, or held up, together. So the second tick comes after a random part of the interval, and
    one that comes late does not shift the next. But those of one instant of `TOGETHER` are served
    in one go: each by itself would find the processor asleep and its caches full of something
    else, which takes half as long again.
    """
    yield
    due = time.monotonic() + interval * random.random()
    together = min(TOGETHER, interval / 20.0)
    while True:
        at = math.ceil(due / together) * together
        await asyncio.sleep(max(0.0, at - time.monotonic()))
        yield
        due += interval * max(1.0, (time.monotonic() - due) // interval)


# -- rows


class Rows:
    """Makes rows of SI samples out of raw values, with times that only go up.

    `channels` has the fields of `Samples` as keys, or "valve.HEAD" of one head. `counter_bits` is
    the width of the stroke counter's register if that is known: its wraps are then counted through.
    `constant_rate` in Hz stands in for a crank speed that nobody reads.
    """

    def __init__(
        self,
        channels: Mapping[str, Channel],
        counter_bits: int | None = None,
        constant_rate: float | None = None,
    ) -> None:
        self._channels = channels
        self._temperatures = {name for name in channels if si_unit(name) == "K"}
        self._bits = counter_bits
        self._constant_rate = constant_rate
        self._raw_count = math.nan
        self._count = math.nan
        self._last_ns = 0

    def make(self, time_ns: int, raw: Mapping[str, float]) -> Samples | None:
        """One row; None if `time_ns` is not after the last row's. What `raw` lacks is NaN."""
        if time_ns <= self._last_ns:
            return None
        self._last_ns = time_ns
        values = {name: self._si(name, raw.get(name, math.nan)) for name in self._channels}
        if self._constant_rate is not None:
            values.setdefault("rate", self._constant_rate)
        columns = with_open_heads({name: np.array([value]) for name, value in values.items()})
        return samples_of(np.array([time_ns], dtype=np.int64), **columns)

    @property
    def last_ns(self) -> int:
        """Time of the last row, 0 if there was none."""
        return self._last_ns

    def restart_time(self) -> None:
        """Take earlier times again, after a clock was set back and a `LinkState` said so."""
        self._last_ns = 0

    def resume(self, now_ns: int) -> None:
        """At a new connection: take earlier times again if a clock was set back meanwhile."""
        if self._last_ns > now_ns + round(SET_BACK * 1e9):
            self.restart_time()

    def _si(self, name: str, raw: float) -> float:
        channel = self._channels[name]
        if name == "stroke_count" and self._bits is not None and math.isfinite(raw):
            raw = self._unwrap(raw, 2.0**self._bits)
        value = raw * channel.scale + channel.offset
        if not math.isfinite(value):
            return math.nan
        # a broken sensor; the model takes any temperature it is given
        if name in self._temperatures and not channel.low <= value <= channel.high:
            return math.nan
        return value

    def _unwrap(self, raw: float, modulus: float) -> float:
        raw %= modulus  # a signed register shows the upper half as negative
        forward = (raw - self._raw_count) % modulus
        if math.isfinite(self._count) and forward < modulus / 2.0:
            self._count += forward
        else:
            self._count = raw  # first reading, or the counter was reset: the gate starts anew
        self._raw_count = raw
        return self._count


def clock_was_set(step: float, time_ns: int, rows: Rows, whose: str) -> list[LinkState]:
    """What to yield where `whose` clock was set by `step` s: down and up again; none if it is 0.

    `rows` then takes earlier times, too.
    """
    if step == 0.0:
        return []
    way = "back" if step < 0.0 else "forward"
    reason = f"the clock of {whose} was set {way} by {abs(step):.0f} s"
    rows.restart_time()
    return [LinkState(time_ns, False, reason), LinkState(time_ns, True, f"connected; {reason}")]


class Problems:
    """Words for the link state: what is wrong while the link is up.

    Only what lasts is told; a glitch is a NaN among the samples and no news. What is wrong with one
    channel begins with its name, as in "pressure: BadSensorFailure".
    """

    def __init__(self, connected: str) -> None:
        self._connected = connected
        self._told: list[str] | None = None
        self._found: list[str] | None = None
        self._times = 0

    @property
    def none_told(self) -> bool:
        """Whether nothing was ever told, not even that the link is up."""
        return self._told is None

    def tell(self, found: list[str], time_ns: int) -> list[LinkState]:
        """The link state to yield, if there is news in what was `found` this time."""
        self._times = self._times + 1 if found == self._found else 1
        self._found = found
        if found == self._told or not (self._told is None or self._times >= LASTING):
            return []
        self._told = found
        reason = "; ".join([self._connected, *found])
        return [LinkState(time_ns, True, reason, _by_channel(found))]


def _by_channel(found: Iterable[str]) -> dict[str, str]:
    """Those of the problems `found` that are one channel's, by its name."""
    told = {}
    for text in found:
        name, colon, words = text.partition(": ")
        if colon and (name in SI_UNITS or name.startswith(HEAD)):
            told[name] = words
    return told

"""How long the disk lasts: what is free on it, and how fast that becomes less."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
import time
from collections import deque
from pathlib import Path
from typing import NamedTuple

import structlog

from borewarden.base.files import resolved
from borewarden.store.database import open_to_read
from borewarden.store.queries import bytes_of_samples

log = structlog.get_logger("borewarden")

EVERY = 60.0  # s from one look to the next
DAY = 86_400.0  # s
LOOKED_BACK = 7 * DAY  # for how fast the free space becomes less
FIRST_RATE = DAY  # s after which that can be told: one large file is not a trend
SHORTEST = 600.0  # s of samples that tell how fast they come
BESIDE_SAMPLES = 1.3  # bytes of the store for each of samples: batches, indexes; invented
FAR = 3_652.0  # days, ten years, beyond which nobody wants a number
SOON = 7.0  # days, after which somebody should have looked at it; invented


class Room(NamedTuple):
    """What is `free` on the disk, bytes, and how much less of it there is each day."""

    free: int
    bytes_a_day: float

    @property
    def days(self) -> float:
        """Until the disk is full."""
        return self.free / self.bytes_a_day if self.bytes_a_day > 0.0 else float("inf")

    def words(self) -> str:
        """For the foot of the page."""
        free = f"Disk: {self.free / 1e9:.3g} GB free"
        if self.bytes_a_day <= 0.0:
            return f"{free}."
        near = self.days < FAR
        return f"{free}, full in {f'about {self.days:,.0f} days' if near else 'ten years or more'}."

    def trouble(self) -> str:
        """What to do if it is full soon; "" if not."""
        if self.days >= SOON:
            return ""
        return (
            f"The disk is full in about {self.days:.1f} days: {self.free / 1e9:.2g} GB are free, "
            f"and {self.bytes_a_day / 1e6:.0f} MB go a day. To do: free some space on it; "
            "`borewarden store prune` and `store compact` make the store smaller."
        )


class RoomWatch:
    """Measures `store`'s disk; the faster of two rates counts, see `look`."""

    def __init__(self, store: Path) -> None:
        self.store = store
        self.seen: deque[tuple[float, int]] = deque()  # s, bytes free

    def look(self, now: float) -> Room:
        """The room at `now`, s.

        It becomes less by what the samples of the last day, or since the first one, take in the
        store, or by what all programs together have taken since the service started.
        """
        free = shutil.disk_usage(resolved(self.store).parent).free
        self.seen.append((now, free))
        while now - self.seen[0][0] > LOOKED_BACK:
            self.seen.popleft()
        since, before = self.seen[0]
        fall = (before - free) / (now - since) * DAY if now - since >= FIRST_RATE else 0.0
        with open_to_read(self.store) as connection:
            now_ns = time.time_ns()
            count, first_ns = bytes_of_samples(connection, now_ns - round(DAY * 1e9))
        span = DAY if first_ns is None else (now_ns - first_ns) * 1e-9
        own = BESIDE_SAMPLES * count / max(span, SHORTEST) * DAY
        return Room(free, max(own, fall))


async def follow_room(store: Path, told: list[Room]) -> None:
    """Keep the newest `Room` in `told`, for ever."""
    watch = RoomWatch(store)
    while True:
        try:
            told[:] = [await asyncio.to_thread(watch.look, time.monotonic())]
        except (OSError, sqlite3.Error) as failed:
            log.warning("disk", failed=str(failed))
        await asyncio.sleep(EVERY)

"""Rows on their way to a time-series server."""

from __future__ import annotations

import asyncio
import time
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import numpy as np
from pydantic import SecretStr

from borewarden.base.samples import Samples, samples_of
from borewarden.store.database import open_store, transaction
from borewarden.store.influx import (
    SINK,
    InfluxSettings,
    forward,
)
from borewarden.store.outbox import put, waiting

TOKEN = "not-to-be-logged"


FAST = {"idle": 0.01, "first_pause": 0.01, "longest_pause": 0.1}


def samples(n: int, start_ns: int = 0) -> Samples:
    time_ns = start_ns + np.arange(n, dtype=np.int64) * 10**9
    return samples_of(
        time_ns,
        pressure=370e6 + np.arange(n) * 1.5,
        stroke_count=np.arange(n) * 1.0,
        valve=np.ones(n),
    )


def influx_settings(url: str) -> InfluxSettings:
    return InfluxSettings(url, "shop", "pumps", SecretStr(TOKEN), timeout=5.0)


@asynccontextmanager
async def forwarding(store: Path, to: str | InfluxSettings, **options):
    """`forward` beside the block; whatever it raises is raised at the end."""
    settings = influx_settings(to) if isinstance(to, str) else to
    task = asyncio.create_task(forward(store, settings, **{**FAST, **options}))
    try:
        async with asyncio.timeout(60):
            yield task
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def queue(store: Path, kind: str, lines: list[str], every: int = 1) -> None:
    with open_store(store) as connection, transaction(connection):
        for i in range(0, len(lines), every):
            put(connection, SINK, kind, i, "\n".join(lines[i : i + every]))


async def until_empty(store: Path) -> None:
    with open_store(store) as connection:
        while waiting(connection, SINK).payloads:
            await asyncio.sleep(0.02)


def recent(n: int) -> Samples:
    return samples(n, (int(time.time()) - n) * 10**9)

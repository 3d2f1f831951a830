"""24 h of one machine at 1 Hz while the time-series server is away: what waits, and catching up.

    python tests/benchmarks/bench_outage.py [hours [there]]

The service is the real one: watch, store, outbox, page, forwarder with the pauses of the product.
The samples come one by one, as from a controller, only faster than in life. The server is Debian's
victoria-metrics, stopped, and started once all is in the outbox. Then every sample is read back
from it. The day is invented: the log of South, over and over. With "there" the server is never
away: what the same day takes of memory then.
"""

from __future__ import annotations

import asyncio
import json
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import NamedTuple

import numpy as np

from borewarden.base.samples import Samples
from borewarden.collect.logged import read_log
from borewarden.settings import load_machine
from forwarded import Forwarded, forwarded
from held import CHIP, SOUTH
from victoria import Server

PAUSES = {"idle": 1.0, "first_pause": 1.0, "longest_pause": 300.0}  # those of the product
WARM = 600  # samples that come while the server is there
PATIENCE = 3600.0  # s, a bound only


def day(count: int) -> Samples:
    """`count` samples at 1 Hz up to now."""
    log = read_log(CHIP, load_machine(SOUTH).log_format())
    places = np.arange(count) % len(log.time_ns)
    first = int(time.time()) - count
    times = (first + np.arange(count, dtype=np.int64)) * 10**9
    return Samples(times, *(channel[places] for channel in log[1:]))


def memory() -> float:
    """Resident memory of this process now, MB (proc(5))."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024.0


async def until(happened: Callable[[], object], every: float = 0.1) -> None:
    async with asyncio.timeout(PATIENCE):
        while not happened():
            await asyncio.sleep(every)


class Run(NamedTuple):
    """A service that has kept and sent `WARM` of the `samples`, and took `before` MB then."""

    it: Forwarded
    server: Server
    samples: Samples
    count: int
    before: float


@asynccontextmanager
async def warm(folder: Path, hours: float) -> AsyncIterator[Run]:
    """A run of so many hours beside its server, which is stopped after the block."""
    samples = day(WARM + round(3600 * hours))
    server = Server(folder / "victoria")
    it = Forwarded(folder / "live.db", server.url, samples)
    await asyncio.to_thread(server.start)
    try:
        async with forwarded(it, **PAUSES):
            it.go_on(WARM)
            await until(lambda: it.kept() == WARM and it.waiting() == 0)
            yield Run(it, server, samples, len(samples.time_ns), memory())
    finally:
        await asyncio.to_thread(server.stop, True)


async def control(folder: Path, hours: float) -> None:
    """The same with the server there."""
    async with warm(folder, hours) as (it, _, _, count, before):
        it.go_on(count)
        await until(lambda: it.kept() == count and it.waiting() == 0)
        print(f"there: memory {before:.0f} MB before, {memory():.0f} MB after {hours:g} h")


async def measured(folder: Path, hours: float) -> None:
    async with warm(folder, hours) as (it, server, samples, count, before):
        await asyncio.to_thread(server.stop)
        began = time.monotonic()
        it.go_on(count)
        await until(lambda: it.kept() == count and it.waiting() >= count - WARM)
        took = time.monotonic() - began
        size = sum(file.stat().st_size for file in folder.glob("live.db*"))
        print(
            f"away: {count - WARM} samples in {took:.0f} s; {it.waiting():,} payloads wait, "
            f"store {size / 1e6:.0f} MB; memory {before:.0f} MB before, {memory():.0f} MB now"
        )
        print("page:", await it.foot())
        print("status:", json.loads(await it.ask("/status"))["service"]["outages"])
        for line in (await it.ask("/metrics")).splitlines():
            if line.startswith("borewarden_outbox") and 'sink="influx"' in line:
                print("metrics:", line)
        await asyncio.to_thread(server.start)
        back = time.monotonic()
        await until(lambda: not it.health.outages)
        noticed, most = time.monotonic(), 0.0
        while it.waiting():
            most = max(most, memory())
            await asyncio.sleep(0.1)
        done = time.monotonic()
        print(
            f"back: noticed after {noticed - back:.1f} s, caught up {done - noticed:.1f} s "
            f"later, {(count - WARM) / (done - noticed):.0f} rows/s; memory at most "
            f"{most:.0f} MB"
        )
        found = server.series("borewarden_sample_phase")["South"]
        due = (samples.time_ns // 10**6).tolist()
        lost = len(set(due) - {at for at, _ in found})
        print(f"server: {len(found)} samples of {count}; {lost} lost, {len(found) - count} doubled")
        assert [at for at, _ in found] == due


def main(hours: str = "24", there: str = "") -> None:
    with tempfile.TemporaryDirectory() as name:
        asyncio.run((control if there else measured)(Path(name), float(hours)))


if __name__ == "__main__":
    main(*sys.argv[1:3])

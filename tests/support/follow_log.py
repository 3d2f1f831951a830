"""Helper process of test_watch: follow a log as if it were live, from where the store left off."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import numpy as np

from borewarden.base.samples import Samples, rows
from borewarden.collect.link import LinkState, Received
from borewarden.collect.logged import read_log
from borewarden.service.watch import watch
from borewarden.settings import load_machine
from borewarden.store import database as embedded
from borewarden.store.database import newest_sample_ns, open_store


def yet_to_come(samples: Samples, machine: str, store: Path) -> Samples:
    """What a logger has still to say to a watcher that kept some of it."""
    with open_store(store) as connection:
        newest = newest_sample_ns(connection, machine) or 0
    return rows(samples, int(np.searchsorted(samples.time_ns, newest, side="right")))


async def paced(samples: Samples, block: int, pause: float = 0.0) -> AsyncIterator[Received]:
    """The samples, `block` at a time, giving way to the other tasks for `pause` s in between."""
    if len(samples.time_ns) == 0:
        return
    yield LinkState(int(samples.time_ns[0]), True, "following a log")
    for start in range(0, len(samples.time_ns), block):
        yield rows(samples, start, start + block)
        await asyncio.sleep(pause)


def main(machine_path: str, log: str, store: str, block: str) -> None:
    machine = load_machine(machine_path)
    embedded.GATHERED = 50  # so that some of the kills fall into gathering
    whole = read_log(Path(log), machine.log_format())
    samples = yet_to_come(whole, machine.name, Path(store))
    asyncio.run(watch([machine], Path(store), {machine.name: paced(samples, int(block), 0.001)}))


if __name__ == "__main__":
    main(*sys.argv[1:])

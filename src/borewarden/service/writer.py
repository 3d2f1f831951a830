"""The one task that writes: all that waits in one transaction, then it is told."""

from __future__ import annotations

import asyncio
import sqlite3
import time

import numpy as np
import structlog

from borewarden.base.samples import samples_of
from borewarden.gate.batch import Phase
from borewarden.service.messages import (
    Block,
    Effects,
    Ended,
    Judged,
    Kept,
    Queue,
)
from borewarden.service.status import MachineStatus
from borewarden.store.database import (
    judge_anew,
    transaction,
    write_learned,
)
from borewarden.store.register import set_judged_by
from borewarden.watcher.watcher import join

log = structlog.get_logger()

LATENCIES = 1000  # kept for the quantiles
TOGETHER = 0.02  # s in which blocks are waited for, to be kept in one transaction


async def keep(
    connection: sqlite3.Connection,
    queue: Queue,
    statuses: dict[str, MachineStatus],
    effects: Effects,
) -> None:
    """Write what is handed over, all that waits in one transaction; retry while the disk can't."""
    while True:
        waiting = [await queue.get()]
        await asyncio.sleep(TOGETHER)
        while not queue.empty():
            waiting.append(queue.get_nowait())
        wait = 0.5
        while True:
            try:
                await asyncio.to_thread(_write, connection, waiting, effects)
                break
            except sqlite3.OperationalError as failed:  # disk full, or locked by someone
                log.error("store", failed=str(failed), waiting=len(waiting), retry_s=wait)
                effects(connection, Ended(False))
                await asyncio.sleep(wait)
                wait = min(2.0 * wait, 30.0)
        for block in waiting:
            if isinstance(block, Kept):
                tell(statuses[block.machine], block)
            elif isinstance(block, Judged):
                tell_anew(statuses[block.machine], block)
        effects(connection, Ended(True))
        for _ in waiting:
            queue.task_done()


def _write(
    connection: sqlite3.Connection,
    waiting: list[Block],
    effects: Effects,
) -> None:
    with transaction(connection):
        for block in waiting:
            if isinstance(block, Kept):
                write_learned(connection, block.machine, block.samples, block.learned)
            elif isinstance(block, Judged):
                judge(connection, block)
            effects(connection, block)


def judge(connection: sqlite3.Connection, block: Judged) -> None:
    """Judge the stored samples anew, all those that were handed over before `block`."""
    if block.done.cancelled():  # on the way out; the next start will do it
        return
    set_judged_by(connection, block.machine, block.entry)
    if block.since_ns is None:
        return
    block.watcher = block.fresh()
    nothing = block.watcher.learn_many(samples_of(np.zeros(0, dtype=np.int64)))
    made = [nothing]
    for learned in judge_anew(connection, block.machine, block.since_ns, block.watcher.learn_many):
        if block.done.cancelled():  # what waits behind it is to be kept first
            raise sqlite3.OperationalError("stopped while judging anew")
        made.append(learned)
    block.learned = join(made)


def tell(status: MachineStatus, block: Kept) -> None:
    """Bring the status up to a block that is kept."""
    status.samples += len(block.samples.time_ns)
    status.phase = Phase(int(block.learned.phases[-1])).name.lower().replace("_", " ")
    status.last_sample_ns = int(block.samples.time_ns[-1])
    status.missed_hours = block.missed_hours
    status.jewels = block.jewels
    if block.verdict is not None:
        status.verdict = block.verdict
    status.latency_s.append(time.monotonic() - block.received_at)
    del status.latency_s[:-LATENCIES]


def tell_anew(status: MachineStatus, block: Judged) -> None:
    """Bring the status up to what was judged anew, and let the machine go on by it."""
    if block.watcher is not None:
        status.verdict = block.watcher.verdict()
        status.missed_hours = block.watcher.missed_hours
        status.jewels = block.watcher.jewels
    if not block.done.done():
        block.done.set_result(block.watcher)

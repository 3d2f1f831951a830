"""The one task that writes: all that waits in one transaction, then it is told.

While the disk can't be written, the same goes into a store in memory, is told from there at once
as not stored, and is poured into the store on disk as soon as that takes it.
"""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections import defaultdict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import structlog
from numpy.typing import NDArray

from borewarden.base.samples import Samples, samples_of
from borewarden.gate.batch import Phase
from borewarden.service.head_hours import hours_before
from borewarden.service.messages import (
    Acknowledgement,
    Block,
    Effects,
    Ended,
    Hurry,
    Judged,
    Kept,
    Queue,
    Shelving,
    StoreReplaced,
    TimePassed,
)
from borewarden.service.own_health import Keeping
from borewarden.service.status import MachineStatus
from borewarden.store import outbox, spare
from borewarden.store.database import (
    handed_at,
    has_batches,
    judge_anew,
    transaction,
    whole_since,
    write_results,
    write_samples,
)
from borewarden.store.register import set_judged_by
from borewarden.store.rescue import is_damage
from borewarden.watcher.watcher import join

log = structlog.get_logger()

LATENCIES = 1000  # kept for the quantiles
TOGETHER = 0.02  # s in which blocks are waited for, to be kept in one transaction
MOST_TOGETHER = 2000  # blocks that wait for longer
FIRST_PAUSE, LONGEST_PAUSE = 0.5, 30.0  # s from one attempt to write the disk to the next


@dataclass
class Disk:
    """The store on disk. `renew` replaces a damaged one, and gives the new one and what happened.

    That goes on in a thread of its own, by the task `renewing`.
    """

    connection: sqlite3.Connection
    renew: Callable[[int], tuple[sqlite3.Connection, str]]
    commit_every: float = TOGETHER  # s
    is_damaged: bool = False
    renewing: asyncio.Task[tuple[sqlite3.Connection, str]] | None = None


async def keep(
    disk: Disk,
    queue: Queue,
    statuses: dict[str, MachineStatus],
    effects: Effects,
    keeping: Keeping | None = None,
) -> None:
    """Write what is handed over, all that waits in one transaction.

    Samples wait for up to `disk.commit_every` s, whatever tells of anything for no longer than an
    instant. `keeping` tells how that goes. `queue.join` waits for what is on disk.
    """
    keeping = keeping or Keeping()
    keeping.newest_id = outbox.newest_id(disk.connection)
    held, pause, retry_at = 0, FIRST_PAUSE, 0.0  # blocks that only the memory has
    try:
        while True:
            until = None if keeping.spare is None else retry_at
            waiting = await _next(queue, until, disk.commit_every)
            if any(isinstance(block, Hurry) for block in waiting):
                disk.commit_every = TOGETHER
            if keeping.spare is None or time.monotonic() >= retry_at:
                failed = await _on_disk(disk, waiting, effects, keeping, queue)
                if failed is not None and _give_up_judging(queue, waiting, failed):
                    failed = await _on_disk(disk, waiting, effects, keeping, queue)
                if failed is None:
                    _tell(statuses, waiting)
                    effects(disk.connection, Ended(True))
                    for _ in range(held + len(waiting)):
                        queue.task_done()
                    held, pause = 0, FIRST_PAUSE
                    continue
                log.error("store", failed=str(failed), in_memory=keeping.samples, retry_s=pause)
                retry_at = time.monotonic() + pause
                pause = FIRST_PAUSE if disk.renewing else min(2.0 * pause, LONGEST_PAUSE)
            else:
                _give_up_judging(queue, waiting, sqlite3.OperationalError(keeping.failed))
            await _in_memory(waiting, effects, keeping)
            _tell(statuses, waiting)
            assert keeping.spare is not None
            effects(keeping.spare, Ended(True))
            held += len(waiting)
    finally:
        if disk.renewing is not None:  # not to be left between two steps
            await asyncio.wait({disk.renewing})
        if keeping.samples:
            log.error("store", lost_at_the_end=keeping.samples, failed=keeping.failed)


async def _next(queue: Queue, until: float | None, commit_every: float) -> list[Block]:
    """What waits, or what comes next; nothing if that is not before `until`, `time.monotonic`."""
    waiting = []
    try:
        async with asyncio.timeout(None if until is None else until - time.monotonic()):
            waiting.append(await queue.get())
    except TimeoutError:
        return []
    if until is None and commit_every > TOGETHER:
        with suppress(TimeoutError):
            async with asyncio.timeout(commit_every):
                while _may_wait(waiting[-1]) and len(waiting) < MOST_TOGETHER:
                    waiting.append(await queue.get())
    await asyncio.sleep(TOGETHER)
    while not queue.empty():
        waiting.append(queue.get_nowait())
    return waiting


def _may_wait(block: Block) -> bool:
    """Whether nobody has to hear of `block` at once."""
    match block:
        case Kept(learned=learned):
            return not learned.alerts
        case TimePassed():
            return True
        case _:
            return False


async def _on_disk(
    disk: Disk, waiting: list[Block], effects: Effects, keeping: Keeping, queue: Queue
) -> Exception | None:
    """Keep what the memory holds and what waits; returns why that failed, if it did."""
    if disk.is_damaged and (why := await _renewed(disk, keeping, queue)) is not None:
        return why
    keeping.asked_at = time.monotonic()
    try:
        async with keeping.turn:
            keeping.newest_id = await _written(disk.connection, waiting, effects, keeping.spare)
            if keeping.spare is not None:
                log.info("store", works="again", samples_from_memory=keeping.samples)
                keeping.spare.close()
                keeping.spare, keeping.failed, keeping.samples = None, "", 0
    except sqlite3.DatabaseError as failed:
        effects(disk.connection, Ended(False))
        keeping.since_ns = keeping.since_ns if keeping.failed else time.time_ns()
        keeping.failed = str(failed)
        disk.is_damaged = is_damage(failed)
        return failed
    finally:
        keeping.asked_at = None
    return None


async def _renewed(disk: Disk, keeping: Keeping, queue: Queue) -> Exception | None:
    """Have a damaged store replaced; until that is done, returns why it is not."""
    if disk.renewing is None:
        log.error("store", damaged=str(keeping.store), failed=keeping.failed)
        renewing = asyncio.to_thread(disk.renew, keeping.newest_id)
        disk.renewing = asyncio.create_task(renewing, name="renewing")
    done, _ = await asyncio.wait({disk.renewing}, timeout=FIRST_PAUSE)
    if not done:
        return sqlite3.OperationalError("the store was damaged and is just being replaced")
    ended, disk.renewing = disk.renewing, None
    try:
        disk.connection, words = ended.result()
    except (sqlite3.Error, OSError) as failed:
        keeping.failed = str(failed)
        return failed
    disk.is_damaged = False
    log.error("store", replaced=words)
    with suppress(asyncio.QueueFull):
        queue.put_nowait(StoreReplaced(time.time_ns(), words))
    return None


async def _in_memory(waiting: list[Block], effects: Effects, keeping: Keeping) -> None:
    """Keep what waits in the store in memory, whose older samples make room if it is full."""
    async with keeping.turn:
        if keeping.spare is None:
            keeping.spare = spare.open_spare(keeping.newest_id)
        while True:
            try:
                await _written(keeping.spare, waiting, effects)
                break
            except sqlite3.OperationalError:
                effects(keeping.spare, Ended(False))
                if not (lost := spare.make_room(keeping.spare)):
                    raise
                keeping.samples -= lost
                keeping.lost += lost
                log.error("store", lost_for_want_of_memory=lost, failed=keeping.failed)
    keeping.samples += sum(len(b.samples.time_ns) for b in waiting if isinstance(b, Kept))


def _give_up_judging(queue: Queue, waiting: list[Block], failed: Exception) -> bool:
    """Take what is to be judged anew out of `waiting`: it takes a store, and comes again.

    Returns whether there was any. Whoever asked for it hears why.
    """
    given_up = [block for block in waiting if isinstance(block, Judged)]
    waiting[:] = [block for block in waiting if not isinstance(block, Judged)]
    for block in given_up:
        if not block.done.done():
            block.done.set_exception(sqlite3.OperationalError(str(failed)))
        queue.task_done()
    return bool(given_up)


async def _written(
    connection: sqlite3.Connection,
    waiting: list[Block],
    effects: Effects,
    poured: sqlite3.Connection | None = None,
) -> int:
    """`_write` in a thread of its own, which has always ended when this returns.

    To close a connection in the midst of a commit ends the whole process.
    """
    writing = asyncio.ensure_future(asyncio.to_thread(_write, connection, waiting, effects, poured))
    try:
        return await asyncio.shield(writing)
    finally:
        await asyncio.wait({writing})


def _write(
    connection: sqlite3.Connection,
    waiting: list[Block],
    effects: Effects,
    poured: sqlite3.Connection | None = None,
) -> int:
    """Returns the newest id in the outbox."""
    with transaction(connection):
        if poured is not None:
            spare.pour(poured, connection)
        samples: defaultdict[str, list[tuple[Samples, NDArray[np.int8]]]] = defaultdict(list)
        for block in waiting:
            if isinstance(block, Kept):
                samples[block.machine].append((block.samples, block.learned.phases))
                write_results(connection, block.machine, block.learned)
            elif isinstance(block, Judged):
                write_samples(connection, block.machine, samples.pop(block.machine, []))
                judge(connection, block)
            effects(connection, block)
        for machine, parts in samples.items():
            write_samples(connection, machine, parts)
        return outbox.newest_id(connection)


def _tell(statuses: dict[str, MachineStatus], waiting: list[Block]) -> None:
    for block in waiting:
        match block:
            case Kept():
                tell(statuses[block.machine], block)
                for alert in block.learned.alerts:
                    log.warning("alert", machine=block.machine, state=alert.verdict.state.value)
            case Judged():
                tell_anew(statuses[block.machine], block)
            case (
                Acknowledgement(kept=asyncio.Future() as kept)
                | Shelving(kept=asyncio.Future() as kept)
            ) if not kept.done():
                kept.set_result(None)


def judge(connection: sqlite3.Connection, block: Judged) -> None:
    """Judge the stored samples anew, all those that were handed over before `block`."""
    if block.done.cancelled():  # on the way out; the next start will do it
        return
    set_judged_by(connection, block.machine, block.entry)
    since_ns = block.since_ns
    if since_ns is None:
        return
    block.watcher = block.fresh()
    gate = block.watcher.gate.settings
    latest = round((gate.hold_time + gate.max_gap) * 1e9)  # by which the end of a batch is known
    handed = handed_at(connection, block.machine, since_ns)
    if block.set_before_ns is not None and (
        # what the set before leaves to this one is not known
        (handed is None or handed.since_ns != since_ns)
        # the last of them may have become known only by samples that now belong to other jewels
        or has_batches(connection, block.machine, since_ns - latest, since_ns)
    ):
        since_ns = block.set_before_ns
        handed = handed_at(connection, block.machine, since_ns)
    # what was thinned out can't be judged anew: it stays as it was
    since_ns = max(since_ns, whole_since(connection, block.machine))
    hours = hours_before(connection, block.machine, block.watcher, since_ns)
    block.watcher.begin_with(hours, handed)
    nothing = block.watcher.learn_many(samples_of(np.zeros(0, dtype=np.int64)))
    made = [nothing]
    for learned in judge_anew(connection, block.machine, since_ns, block.watcher.learn_many):
        if block.done.cancelled():  # what waits behind it is to be kept first
            raise sqlite3.OperationalError("stopped while judging anew")
        made.append(learned)
    block.learned = join(made)


def tell(status: MachineStatus, block: Kept) -> None:
    """Bring the status up to a block that is kept."""
    status.samples += len(block.samples.time_ns)
    phase = Phase(int(block.learned.phases[-1]))
    status.phase = phase.name.lower().replace("_", " ")
    newest = {name: float(channel[-1]) for name, channel in block.samples._asdict().items()}
    status.newest_sample = newest | {"phase": float(phase)}
    status.last_sample_ns = int(block.samples.time_ns[-1])
    status.missed_hours = block.missed_hours
    status.jewels, status.known = block.jewels, block.known
    status.head_hours = block.head_hours
    if block.verdict is not None:
        status.verdict = block.verdict
    latency = time.monotonic() - block.received_at
    status.latency_sum_s += latency
    status.latency_count += 1
    status.latency_s.append(latency)
    del status.latency_s[:-LATENCIES]


def tell_anew(status: MachineStatus, block: Judged) -> None:
    """Bring the status up to what was judged anew, and let the machine go on by it."""
    if block.watcher is not None:
        status.verdict = block.watcher.verdict()
        status.missed_hours = block.watcher.missed_hours
        status.jewels = block.watcher.jewels
        status.known = block.watcher.known()
        status.head_hours = block.watcher.head_hours
    if not block.done.done():
        block.done.set_result(block.watcher)

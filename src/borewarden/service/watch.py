"""Follow machines live: received, learned, kept in the store, and only then told.

One task a machine receives and learns; one writer keeps what all of them hand over, many blocks
to a transaction. A restart feeds the stored samples since the jewel was fitted, and what the jewel
before it had left, to a fresh watcher, so the state after a kill is the state that was kept, to the
last bit.

The register is looked at every few seconds. A jewel fitted later than the newest sample is handed
to the running watcher; what changes the past has the stored samples since then judged anew, in
line with the blocks that come, so that all is as if the register had been so from the start.
"""

from __future__ import annotations

import asyncio
import functools
import gc
import sqlite3
import time
from collections.abc import AsyncGenerator, Callable, Mapping
from contextlib import ExitStack, aclosing, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import structlog

from borewarden.alert.alarm import Alarm
from borewarden.base.shown import show_in, shown_in
from borewarden.collect.link import LinkState, Received
from borewarden.collect.sight import Sight
from borewarden.gate.batch import Phase
from borewarden.jewels.fitting import FittedSet, Fitting, fitted_sets, stale_since
from borewarden.jewels.jewel import Jewel
from borewarden.service.head_hours import hours_before
from borewarden.service.messages import (
    Hurry,
    Judged,
    Kept,
    LinkNews,
    Queue,
    Started,
    StoreReplaced,
    TimePassed,
)
from borewarden.service.own_health import Keeping
from borewarden.service.status import MachineStatus, SightStatus
from borewarden.service.time_line import TimeLine
from borewarden.service.writer import TOGETHER, Disk, keep
from borewarden.settings import MachineSettings
from borewarden.store import mails, outbox
from borewarden.store.database import (
    gather,
    handed_at,
    newest_sample_ns,
    open_store,
    open_to_read,
    read_alarm,
    read_books,
    read_phases,
    transaction,
    whole_since,
)
from borewarden.store.register import fittings, judged_by, newest_entry
from borewarden.store.rescue import finish_setting_aside, is_damage, set_aside, was_ours
from borewarden.watcher.usable import learn_usable
from borewarden.watcher.watcher import Watcher

log = structlog.get_logger("borewarden")

QUEUE_BLOCKS = 10_000  # blocks waiting for the disk before receiving has to wait too
BEAT = 5.0  # s
LAST_WRITE = 6.0  # s for the disk to take what waits on the way out
LOOK = 2.0  # s from one look at the register to the next
BEFORE_ALARM_NS = 600 * 10**9  # in which what it was raised for was found; invented
SPREAD = 1.0  # s over which the machines are begun with


@dataclass
class Followed:
    """One machine as it is followed. Whoever learns or changes the watcher takes its `turn`."""

    settings: MachineSettings
    watcher: Watcher
    entry: int  # newest one of the register that the watcher reckons with,
    sets: list[FittedSet]  # and what it made of them
    newest_ns: int  # received
    sight: Sight
    usable_ns: int | None = None  # the newest usable reading that is kept
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)

    def time_line(self) -> TimeLine:
        """Where the samples to come are put, behind those that there are."""
        source = self.settings.source
        return TimeLine(
            self.newest_ns,
            self.watcher.gate.settings.stopped_pressure,
            0.0 if source is None else source.clock_tolerance,
        )


def restore(machine: MachineSettings, connection: sqlite3.Connection) -> Followed:
    """The watcher as it was when its newest stored sample was kept, by the register as it then was.

    What was recorded since is noticed like any other change. Where no sample is kept there is
    nothing to be judged anew, and all that is recorded holds from the first one on.
    """
    entry = judged_by(connection, machine.name)
    newest = newest_sample_ns(connection, machine.name)
    known = fittings(connection, machine.name, up_to=None if newest is None else entry)
    watcher, sight = machine.build_watcher(known.values()), machine.build_sight()
    sets = fitted_sets(machine.jewels(known.values()))
    usable_ns = wrong_ns = None
    if newest is not None:
        since = max((s.since_ns for s in sets if s.since_ns <= newest), default=0)
        handed = handed_at(connection, machine.name, since)
        since = max(since, whole_since(connection, machine.name))
        watcher.begin_with(hours_before(connection, machine.name, watcher, since), handed)
        for samples, phases in read_phases(connection, machine.name, since):
            learn_usable(watcher.learn_many, samples, phases == Phase.UNUSABLE)
            usable_ns = sight.learn_many(samples, watcher.gate.settings.nominal_area).newest_ns
            wrong = np.flatnonzero(phases == Phase.UNUSABLE)
            wrong_ns = int(samples.time_ns[wrong[-1]]) if len(wrong) else wrong_ns
        if wrong_ns is not None and (
            wrong_ns == newest or _was_blind(connection, machine.name, wrong_ns)
        ):
            sight.distrust()
    return Followed(machine, watcher, entry, sets, newest or 0, sight, usable_ns)


def _was_blind(connection: sqlite3.Connection, machine: str, wrong_ns: int) -> bool:
    """Whether an alarm about unusable readings, the newest of `wrong_ns`, still stood."""
    kept = read_alarm(connection, machine, "sight")
    alarm = Alarm.from_json(kept) if kept is not None else None
    if alarm is None or alarm.condition is None or alarm.raised_ns is None:
        return False
    return wrong_ns > alarm.raised_ns - BEFORE_ALARM_NS


async def follow(
    machine: Followed,
    source: AsyncGenerator[Received, None],
    status: MachineStatus,
    queue: Queue,
    delay: float = 0.0,
) -> None:
    """Receive, learn and hand over, until the source ends or the task is cancelled.

    Begins after `delay` s, so that a hall of pumps is not asked in one and the same instant.
    Whatever fails in here makes this machine blind, which is told like a lost link, and no other.
    """
    show_in(machine.settings.shown_units)  # of this task
    try:
        async with aclosing(source):
            await asyncio.sleep(delay)
            await _follow(machine, source, status, queue)
    except Exception as error:
        reason = f"the watcher of this machine failed: {type(error).__name__}: {error}"
        status.link = LinkState(time.time_ns(), False, reason)
        log.error("failed", machine=status.name, reason=reason)
        await queue.put(LinkNews(status.name, status.link))


async def _follow(
    machine: Followed,
    source: AsyncGenerator[Received, None],
    status: MachineStatus,
    queue: Queue,
) -> None:
    name = status.name
    told: list[Jewel] = []  # with the newest verdict
    line = machine.time_line()
    link = LinkState(time.time_ns(), True, "samples arrive")
    async for received in source:
        samples, said = None, line.words()
        if isinstance(received, LinkState):
            link = received
            status.sight = status.sight.with_link(received)
        else:
            samples = line.take(received, time.time_ns())
            link = replace(link, time_ns=time.time_ns())
        if samples is None or bool(said) is not bool(line.words()):
            reason = "; ".join(filter(None, (link.reason, line.words())))
            status.link = replace(link, reason=reason)
            log.info("link", machine=name, connected=link.connected, reason=reason)
            await queue.put(LinkNews(name, status.link))
        if samples is None or len(samples.time_ns) == 0:
            continue
        seen = machine.sight.learn_many(samples, machine.watcher.gate.settings.nominal_area)
        status.sight = status.sight.with_reading(seen, int(samples.time_ns[-1]))
        received_at = time.monotonic()
        async with machine.turn:
            watcher = machine.watcher
            learned = learn_usable(watcher.learn_many, samples, seen.unusable)
            machine.newest_ns = int(samples.time_ns[-1])
            news = len(learned.batches) > 0 or told is not watcher.jewels
            verdict = watcher.verdict() if news else None
            told = watcher.jewels
            block = Kept(
                name, received_at, samples, learned, verdict, watcher.missed_hours, told,
                watcher.known(), watcher.head_hours,
            )  # fmt: skip
            await queue.put(block)


async def follow_register(store: Path, machines: list[Followed], queue: Queue) -> None:
    """Notice what is recorded in the register, by whatever process, and have it reckoned with."""
    seen: int | None = None

    def look() -> tuple[int, list[Fitting]]:
        with open_to_read(store) as connection:
            newest = newest_entry(connection)
            return newest, list(fittings(connection).values()) if newest != seen else []

    while True:
        try:
            newest, register = await asyncio.to_thread(look)
            if newest != seen:
                for machine in machines:
                    await take_over(machine, newest, register, queue)
                seen = newest
        except sqlite3.DatabaseError as failed:  # locked for long, full, damaged: next time, then
            log.error("register", failed=str(failed))
        await asyncio.sleep(LOOK)


async def take_over(machine: Followed, entry: int, register: list[Fitting], queue: Queue) -> None:
    """Go by the `register`, whose newest entry is `entry`, for the future and for the past."""
    if entry == machine.entry:
        return
    name = machine.settings.name
    async with machine.turn:  # nothing more is learned until it is done
        sets = fitted_sets(machine.settings.jewels(register))
        since_ns = stale_since(machine.sets, sets, machine.newest_ns)
        block = Judged(
            name,
            entry,
            since_ns,
            max((s.since_ns for s in sets if s.since_ns < (since_ns or 0)), default=None),
            functools.partial(machine.settings.build_watcher, register),
            asyncio.get_running_loop().create_future(),
        )
        await queue.put(block)
        watcher = await block.done
        if watcher is not None:
            machine.watcher = watcher
        elif sets != machine.sets:
            machine.watcher.expect(sets, machine.newest_ns)
        if sets != machine.sets:
            log.info("register", machine=name, entry=entry, judged_anew_since_ns=since_ns)
        machine.entry, machine.sets = entry, sets


async def beat(queue: Queue) -> None:
    """Let the effects know that time passes, also while nothing is received."""
    while True:
        await asyncio.sleep(BEAT)
        await queue.put(TimePassed(time.time_ns()))


def status_of(machine: MachineSettings, followed: Followed) -> MachineStatus:
    """What is known of a machine before its first sample comes in."""
    return MachineStatus(
        name=machine.name,
        time_zone=machine.time_zone,
        pump=followed.watcher.pump,
        verdict=followed.watcher.verdict(),
        limit=followed.watcher.settings.limit,
        last_sample_ns=followed.newest_ns,
        jewels=followed.watcher.jewels,
        guessed_pump=machine.guessed_of(()),
        known=followed.watcher.known(),
        sight=SightStatus(before_ns=followed.usable_ns),
        head_hours=followed.watcher.head_hours,
        blind_after=machine.blind_after,
        units=machine.shown_units,
    )


async def _restored(
    machines: list[MachineSettings],
    store: Path,
    opened: ExitStack,
    restoring: Callable[[str], None],
) -> tuple[sqlite3.Connection, dict[str, Followed], str]:
    """The store, open until `opened` is closed, and every machine as it was when it was last kept.

    A damaged store is set aside first; what happened to it is given in words, else "". It may be
    cancelled between two machines.
    """
    finish_setting_aside(store)
    words = ""
    while True:
        try:
            connection = opened.enter_context(open_store(store, any_thread=True))
            read_books(connection)
            mails.undelivered(connection)
            outbox.newest_id(connection)
            with suppress(sqlite3.OperationalError), transaction(connection):
                gather(connection)  # only to read faster: a full disk is no reason not to start
            followed = {}
            for machine in machines:
                restoring(machine.name)
                await asyncio.sleep(0)
                with shown_in(machine.shown_units):
                    followed[machine.name] = restore(machine, connection)
            return connection, followed, words
        except sqlite3.DatabaseError as error:
            is_store = "not a database" not in str(error) or was_ours(store)
            if words or not (is_damage(error) and is_store):
                raise
            opened.close()
            log.error("store", damaged=str(store), failed=str(error))
            restoring("the store")
            words = set_aside(store).words()
            log.error("store", replaced=words)


async def watch(
    machines: list[MachineSettings],
    store: Path,
    sources: Mapping[str, AsyncGenerator[Received, None]],
    started: Started = lambda connection, statuses, queue: lambda connection, block: None,
    restoring: Callable[[str], None] = lambda machine: None,
    keeping: Keeping | None = None,
    commit_every: float = TOGETHER,
) -> None:
    """Follow `machines` until every source ends or the task is cancelled; then keep the rest.

    `sources` by the machine's name. `restoring` hears of each machine before its stored samples are
    learned again, which may take minutes. `started` is told the live statuses once all machines are
    restored, may put blocks of its own on the queue, and returns what is to run inside each
    transaction that keeps a block. `keeping` is told how it goes with the disk. Samples are written
    every `commit_every` s.
    """
    keeping = keeping or Keeping()
    keeping.store = store
    with ExitStack() as opened:
        connection, followed, replaced = await _restored(machines, store, opened, restoring)

        def renew(newest_id: int) -> tuple[sqlite3.Connection, str]:
            opened.close()
            words = set_aside(store, newest_id).words()
            return opened.enter_context(open_store(store, any_thread=True)), words

        statuses = {m.name: status_of(m, followed[m.name]) for m in machines}
        # all of this lives as long as the watch: to look through it for garbage takes 0.3 s
        gc.collect()
        gc.freeze()
        queue: Queue = asyncio.Queue(QUEUE_BLOCKS)
        effects = started(connection, statuses, queue)
        if replaced:
            queue.put_nowait(StoreReplaced(time.time_ns(), replaced))
        async with asyncio.TaskGroup() as tasks:
            # if the writer fails there is no use in receiving: the group ends with its error
            disk = Disk(connection, renew, commit_every)
            writer = tasks.create_task(keep(disk, queue, statuses, effects, keeping))
            clock = tasks.create_task(beat(queue))
            register = tasks.create_task(follow_register(store, [*followed.values()], queue))
            following = [
                tasks.create_task(
                    follow(
                        followed[name],
                        sources[name],
                        statuses[name],
                        queue,
                        delay=SPREAD * i / len(statuses),
                    )
                )
                for i, name in enumerate(statuses)
            ]
            try:
                if following:
                    await asyncio.wait(following)
                else:  # all machines are counted by hand: there is only the page
                    await asyncio.Event().wait()
            finally:
                clock.cancel()
                register.cancel()
                # what was received is kept, also on the way out
                with suppress(asyncio.QueueFull):
                    queue.put_nowait(Hurry())
                drained = asyncio.create_task(queue.join())
                await asyncio.wait(
                    {drained, writer}, timeout=LAST_WRITE, return_when=asyncio.FIRST_COMPLETED
                )
                drained.cancel()
                writer.cancel()
                gc.unfreeze()

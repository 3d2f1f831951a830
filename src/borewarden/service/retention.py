"""What the store keeps for how long: old samples are thinned out, very old batches dropped.

Nothing is touched that a restart has to learn again, so no verdict changes: the samples since the
fitted jewel's change stay whole. Jet hours come out the same by what is left. Alerts, register,
inspections and pictures are never removed.
"""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import NamedTuple

import structlog

from borewarden.gate.jet_time import rows_to_keep
from borewarden.jewels.fitting import fitted_sets
from borewarden.settings import MachineSettings
from borewarden.settings.service import StoreSection
from borewarden.store.database import (
    drop_batches,
    gather,
    newest_sample_ns,
    open_store,
    thin_block,
    transaction,
)
from borewarden.store.register import fittings, judged_by

log = structlog.get_logger("borewarden")

STILL_SPACING = 600.0  # s between two rows of a machine whose jet is off
WITHIN_A_GAP = 0.9  # of `max_gap`, so that no interval becomes a gap
FIRST, EVERY = 900.0, 86_400.0  # s from a start of the service to the first time, and to the next
BREATH = 0.05  # s between two transactions, for whoever else wants to write


class Pruned(NamedTuple):
    """What became of one machine's rows."""

    machine: str
    samples_before: int
    samples_after: int
    batches_dropped: int


def prune_machine(
    connection: sqlite3.Connection,
    machine: MachineSettings,
    keeps: StoreSection,
    now_ns: int,
    breathe: Callable[[], None] = lambda: None,
) -> Pruned:
    """Prune the rows of `machine`, block by block in transactions of their own."""
    name = machine.name
    fitted_ns = _needed_since(connection, machine)
    thin_ns, drop_ns = (
        min(fitted_ns, now_ns - round(age * 1e9))
        for age in (keeps.thin_samples_after, keeps.drop_batches_after)
    )
    waits = "SELECT 1 FROM recent WHERE machine = ? AND last_ns < ? LIMIT 1"
    if connection.execute(waits, (name, thin_ns)).fetchone() is not None:
        with transaction(connection):
            gather(connection)
    spacing = WITHIN_A_GAP * machine.gate_settings().max_gap
    keep = partial(rows_to_keep, spacing=spacing, still_spacing=STILL_SPACING)
    before = after = dropped = 0
    while True:
        with transaction(connection):
            counts = thin_block(connection, name, thin_ns, keep)
        if counts is None:
            break
        before, after = before + counts[0], after + counts[1]
        breathe()
    while True:
        with transaction(connection):
            count = drop_batches(connection, name, drop_ns)
        if count == 0:
            return Pruned(name, before, after, dropped)
        dropped += count
        breathe()


def _needed_since(connection: sqlite3.Connection, machine: MachineSettings) -> int:
    """Since when the samples are needed for a restart, by the register as it is and as judged."""
    newest = newest_sample_ns(connection, machine.name)
    if newest is None:
        return 0
    since = []
    for up_to in (None, judged_by(connection, machine.name)):
        sets = fitted_sets(machine.jewels(fittings(connection, machine.name, up_to).values()))
        since.append(max((s.since_ns for s in sets if s.since_ns <= newest), default=0))
    return min(since)


def prune_store(
    store: Path,
    machines: Iterable[MachineSettings],
    keeps: StoreSection,
    breathe: Callable[[], None] = lambda: None,
) -> list[Pruned]:
    """Prune `store` for each of `machines`, also while a watch writes to it."""
    with open_store(store, patience=60.0) as connection:
        now_ns = time.time_ns()
        return [prune_machine(connection, each, keeps, now_ns, breathe) for each in machines]


async def prune_daily(store: Path, machines: list[MachineSettings], keeps: StoreSection) -> None:
    """Prune once a day, for ever."""
    pause = FIRST
    while True:
        await asyncio.sleep(pause)
        pause = EVERY
        try:
            done = await asyncio.to_thread(
                prune_store, store, machines, keeps, partial(time.sleep, BREATH)
            )
        except sqlite3.DatabaseError as failed:  # full, locked, damaged: the writer says so, too
            log.error("prune", failed=str(failed))
            continue
        for each in done:
            if each.samples_before or each.batches_dropped:
                log.info("pruned", **each._asdict())

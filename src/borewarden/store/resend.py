"""Sends once more what the store keeps: a stretch of time, or rows that a server refused.

A row overwrites one of the same measurement, tags and time, so sending it twice does no harm.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.backoff import back_off
from borewarden.base.samples import rows
from borewarden.store.database import open_store, open_to_read, read_phases, read_table, transaction
from borewarden.store.influx import (
    SINK,
    InfluxSettings,
    alert_lines,
    batch_lines,
    sample_lines,
    writing,
)
from borewarden.store.names import Stated
from borewarden.store.outbox import Deliver, NotNow
from borewarden.store.queries import alerts
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.verdict import STATES, State

TOGETHER = 5000  # lines
TRIES = 6  # of one request, before it is given up; with the pauses between them, a minute


@dataclass
class Sent:
    """How it went with one machine; `reason` is of the row that was refused last."""

    machine: str
    samples: int = 0
    batches: int = 0
    alerts: int = 0
    refused: int = 0
    reason: str = ""


class Refused(NamedTuple):
    """Rows of one kind that a server refused for one reason."""

    kind: str
    first_ns: int
    last_ns: int
    rows: int
    reason: str


async def send_stored(
    store: Path,
    settings: InfluxSettings,
    machines: Mapping[str, tuple[Stated, int, int]],
    sent: Callable[[int], None] = lambda rows: None,
) -> list[Sent]:
    """Send samples, batches and alerts of `machines` from the embedded store, in order of time.

    `machines` has, by name, what its file states, and the first and the last time, ns. `sent` is
    told the rows so far. A server that is busy is waited for, as long as it says. Raises
    ConnectionError if it takes nothing; then it can be begun again.
    """
    done, total = [], 0
    with open_to_read(store) as connection:
        async with writing(settings) as deliver:
            for machine, (stated, first_ns, last_ns) in machines.items():
                result = Sent(machine)
                for kind, lines in _stored(connection, machine, stated, first_ns, last_ns):
                    for start in range(0, len(lines), TOGETHER):
                        await _send(deliver, lines[start : start + TOGETHER], result)
                    setattr(result, kind, getattr(result, kind) + len(lines))
                    total += len(lines)
                    sent(total)
                done.append(result)
    return done


def _stored(
    connection: sqlite3.Connection,
    machine: str,
    stated: Stated,
    first_ns: int,
    last_ns: int,
) -> Iterator[tuple[str, list[str]]]:
    """What is stored of a stretch of time, as lines by their kind."""
    for samples, phases in read_phases(connection, machine, first_ns):
        stop = int(np.searchsorted(samples.time_ns, last_ns, "right"))
        yield "samples", sample_lines(machine, rows(samples, 0, stop), phases[:stop])
        if stop < len(phases):
            break
    found = _batches(connection, machine, first_ns)
    yield "batches", batch_lines(machine, found[found["end_ns"] <= last_ns], stated)
    told = [a for a in alerts(connection, machine, last_ns) if a.time_ns >= first_ns]
    yield "alerts", alert_lines(machine, told)


def _batches(connection: sqlite3.Connection, machine: str, first_ns: int) -> NDArray[np.void]:
    stored = read_table(connection, "batch", machine, first_ns)
    batches = np.zeros(len(stored), dtype=RESULT)
    for name in RESULT.names or ():
        batches[name] = (
            [STATES.index(State(word)) for word in stored[name]]
            if name == "state"
            else stored[name].to_numpy()
        )
    return batches


async def _send(deliver: Deliver, lines: list[str], result: Sent) -> None:
    """Send the lines; if they are refused, halve them until the one at fault is found."""
    reason = await _patiently(deliver, lines)
    if reason is None:
        return
    if len(lines) == 1:
        result.refused, result.reason = result.refused + 1, reason
        return
    half = len(lines) // 2
    await _send(deliver, lines[:half], result)
    await _send(deliver, lines[half:], result)


async def _patiently(deliver: Deliver, lines: list[str]) -> str | None:
    payload = ["\n".join(lines).encode()]
    for failures in range(1, TRIES):
        try:
            return await deliver(payload)
        except NotNow as busy:
            await asyncio.sleep(busy.after)
        except OSError:
            await asyncio.sleep(back_off(failures, 1.0, 30.0))
    return await deliver(payload)


def refused_rows(store: Path) -> list[Refused]:
    """What a time-series server refused and the store keeps, by kind and reason."""
    query = """
        SELECT kind, min(time_ns), max(time_ns),
            sum(1 + length(payload) - length(replace(CAST(payload AS TEXT), char(10), ''))), refused
        FROM outbox WHERE sink = ? AND refused IS NOT NULL GROUP BY kind, refused ORDER BY 2
    """
    with open_to_read(store) as connection:
        return [Refused._make(row) for row in connection.execute(query, (SINK,))]


def put_back(store: Path) -> int:
    """Have all of it sent again by the watch; returns how many payloads that are."""
    query = "UPDATE outbox SET refused = NULL WHERE sink = ? AND refused IS NOT NULL"
    with open_store(store) as connection, transaction(connection):
        return connection.execute(query, (SINK,)).rowcount

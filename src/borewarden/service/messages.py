"""What goes through the service's one queue to the writer, and what the writer calls for each."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from borewarden.base.samples import Samples
from borewarden.collect.link import LinkState
from borewarden.jewels.jewel import Jewel
from borewarden.service.status import MachineStatus
from borewarden.watcher.known import Known
from borewarden.watcher.verdict import Verdict
from borewarden.watcher.watcher import Learned, Watcher


@dataclass(frozen=True)
class Kept:
    """A block on its way to the store, and what is to be told once it is there.

    `verdict` is that after this block, if it closed a batch or is the first one; else None.
    """

    machine: str
    received_at: float  # time.monotonic
    samples: Samples
    learned: Learned
    verdict: Verdict | None
    missed_hours: float
    jewels: list[Jewel]
    known: tuple[Known, ...] = ()
    head_hours: Mapping[str, float] = field(default_factory=dict)  # of the jewel in each head


@dataclass
class Judged:
    """The register has changed up to `entry`; samples from `since_ns` on are to be judged anew.

    None: none of those stored so far. `set_before_ns` is since when the jewels before were fitted.
    `watcher` and `learned` are filled in as that is written, and `done` is told the watcher once
    it is kept.
    """

    machine: str
    entry: int
    since_ns: int | None
    set_before_ns: int | None
    fresh: Callable[[], Watcher]
    done: asyncio.Future[Watcher | None]
    watcher: Watcher | None = None
    learned: Learned | None = None


@dataclass(frozen=True)
class LinkNews:
    """News of a machine's connection, on its way to the store."""

    machine: str
    link: LinkState


@dataclass(frozen=True)
class TimePassed:
    """A beat of the service's clock, ns since 1970 UTC, in line with what is to be stored."""

    time_ns: int


class Person(NamedTuple):
    """Who did something: whoever is logged in, or the `name` that somebody typed."""

    name: str
    is_account: bool = False


@dataclass(frozen=True)
class Acknowledgement:
    """Somebody has taken note of a machine's alarms; `kept` is told once that is kept."""

    machine: str
    who: Person
    kept: asyncio.Future[None] | None = None


@dataclass(frozen=True)
class Shelving:
    """Somebody keeps a machine's alarms quiet until `until_ns`; None: not any longer.

    `time_ns` is when that was said, and allowed. `kept` is told once it is kept.
    """

    machine: str
    who: Person
    time_ns: int
    until_ns: int | None
    kept: asyncio.Future[None] | None = None


@dataclass(frozen=True)
class Hurry:
    """All is about to end: from now on nothing waits to be kept."""


@dataclass(frozen=True)
class StoreReplaced:
    """The store was damaged and has been replaced by a new one; `words` say how that went."""

    time_ns: int
    words: str


@dataclass(frozen=True)
class Ended:
    """The transaction is over. If it was not `kept`, its blocks will come again in another one."""

    kept: bool


Block = (
    Kept
    | Judged
    | LinkNews
    | TimePassed
    | Acknowledgement
    | Shelving
    | Hurry
    | StoreReplaced
    | Ended
)


Queue = asyncio.Queue[Block]


# What else is to happen in the transaction that keeps a block: outboxes, alarms. `Ended` comes
# after it.
Effects = Callable[[sqlite3.Connection, Block], None]


Started = Callable[[sqlite3.Connection, dict[str, MachineStatus], Queue], Effects]

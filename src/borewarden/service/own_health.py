"""How the watcher itself is: its store, its mails, and the servers it sends to.

All of it stands in memory, so that it can be told while the disk takes and gives nothing.
"""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from borewarden.base.text import span_words
from borewarden.service.disk_room import Room
from borewarden.store.influx import SINK as INFLUX
from borewarden.store.mails import SINK as MAIL
from borewarden.store.mails import Undelivered
from borewarden.store.upkeep import set_aside_files

ITSELF = "The watcher itself"
SLOW_DISK = 8.0  # s without an answer
SLOW_MAIL = 120.0  # s without an answer; servers may take that long, but somebody is waiting
USUAL_DELAY = 900.0  # s that a server may put a mail off, as greylisting does; invented

# what SQLite says: what that is, and what to do about it
STORE_WORDS = {
    "disk is full": ("the disk is full", "free some space on it"),
    "open: end that program": ("the store is damaged", "end the program that has it open"),
    "malformed": ("the store is damaged", "nothing: it is being replaced by a new one"),
    "not a database": ("the store is damaged", "nothing: it is being replaced by a new one"),
    "just being replaced": ("the store is damaged", "nothing: it is being replaced by a new one"),
    "locked": ("another program keeps the store locked", "end that program"),
    "readonly": ("the store may not be written", "look at the rights of its file and folder"),
    "I/O error": ("the disk fails", "look at the system's log, and save what is on the disk"),
}


@dataclass
class Keeping:
    """Whether what comes in is kept: on disk, or meanwhile in `spare`, a store in memory.

    Whoever uses `spare` takes `turn`. `failed` is why the disk can't be written, "" while it can;
    `since_ns` since when; `samples` how many only the memory has; `lost` how many it had to forget.
    `asked_at` is when the disk was asked for what it has not answered yet (`time.monotonic`),
    `newest_id` the highest id in the outbox on disk. `store` is where the store is, once known.
    """

    turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    spare: sqlite3.Connection | None = None
    failed: str = ""
    since_ns: int = 0
    samples: int = 0
    lost: int = 0
    asked_at: float | None = None
    newest_id: int = 0
    store: Path | None = None

    def trouble(self) -> str:
        """What is wrong, in words; "" if nothing is."""
        if self.asked_at is not None and (slow := time.monotonic() - self.asked_at) > SLOW_DISK:
            return f"The disk has not answered for {span_words(slow)}: nothing is kept meanwhile."
        if not self.failed:
            return aside_words(self.store)
        what, remedy = next(
            (words for said, words in STORE_WORDS.items() if said in self.failed),
            ("the store can't be written", "see the log"),
        )
        words = (
            f"Nothing has been stored for {span_words((time.time_ns() - self.since_ns) * 1e-9)}: "
            f"{what} ({self.failed}). To do: {remedy}. Watching goes on, and alarms are mailed "
            f"straight from memory. Only in memory so far: {self.samples} samples."
        )
        return f"{words} Lost for want of memory: {self.lost}." if self.lost else words


def aside_words(store: Path | None) -> str:
    """What there is to say of damaged stores beside `store`, for as long as they lie there."""
    aside = [] if store is None else set_aside_files(store)
    if not aside:
        return ""
    return (
        f"The store was damaged and set aside as {', '.join(map(str, aside))}; watching goes on in "
        "a new one, with what could be read. To do: look at the disk, copy that file to another "
        "one, then remove it there."
    )


class Outage(NamedTuple):
    """A server that does not take what is sent to it."""

    since_ns: int
    reason: str


class Late(NamedTuple):
    """A mail that somebody has yet to get, after an attempt that failed."""

    machine: str
    since_ns: int
    reason: str
    is_grave: bool


@dataclass
class Health:
    """What is wrong besides the machines; `outages` by sink, mails by their id in the outbox."""

    keeping: Keeping = field(default_factory=Keeping)
    outages: dict[str, Outage] = field(default_factory=dict)
    undelivered: dict[int, Undelivered] = field(default_factory=dict)
    late: dict[int, Late] = field(default_factory=dict)
    asked_at: dict[int, float] = field(default_factory=dict)  # mails being sent, time.monotonic
    refused_rows: Counter[str] = field(default_factory=Counter)  # by sink, since the start
    room: list[Room] = field(default_factory=list)  # on the disk, the newest; empty until known

    def report(self, sink: str) -> Callable[[str | None], None]:
        """What a sender tells of each attempt: why it failed, or None."""

        def reported(reason: str | None) -> None:
            if reason is None:
                self.outages.pop(sink, None)
            else:
                old = self.outages.get(sink)
                self.outages[sink] = Outage(old.since_ns if old else time.time_ns(), reason)

        return reported

    def refused(self, sink: str) -> Callable[[int], None]:
        """What a sender tells of rows that the server will never take."""

        def counted(rows: int) -> None:
            self.refused_rows[sink] += rows

        return counted

    def undelivered_of(self, machine: str) -> dict[int, Undelivered]:
        """The mails about `machine` that were set aside unsent and that nobody has seen."""
        return {i: mail for i, mail in self.undelivered.items() if mail.machine == machine}

    def undelivered_words(self, machine: str) -> str:
        """The same for its card on the page, "" if there is none; "" is the watcher itself."""
        mails = self.undelivered_of(machine)
        if not mails:
            return ""
        newest = mails[max(mails)]
        about = "" if machine else " about the watcher itself"
        count = (
            f"A mail{about} was not delivered"
            if len(mails) == 1
            else f"{len(mails)} mails{about} were not delivered, the last one"
        )
        return f"{count} ({newest.kind}): {newest.reason}. Acknowledge once you have seen this."

    def troubles(self) -> dict[str, str]:
        """What makes the watcher ill: "store", "disk" and "mail"; empty if nothing does."""
        found = {
            "store": self.keeping.trouble(),
            "disk": self.disk_trouble(),
            "mail": " ".join(self._mail_troubles()),
        }
        return {what: words for what, words in found.items() if words}

    def _mail_troubles(self) -> list[str]:
        now_ns, now = time.time_ns(), time.monotonic()
        words = []
        if outage := self.outages.get(MAIL):
            age = span_words((now_ns - outage.since_ns) * 1e-9)
            words.append(f"No mail goes out since {age}: {outage.reason}.")
        for mail in self.late.values():
            age_s = (now_ns - mail.since_ns) * 1e-9
            if mail.is_grave or age_s > USUAL_DELAY:
                age = span_words(age_s)
                words.append(f"{mail.machine or ITSELF}: tried for {age}: {mail.reason}.")
        slowest = now - min(self.asked_at.values(), default=now)
        if slowest > SLOW_MAIL:
            words.append(f"The mail server has not answered for {span_words(slowest)}.")
        for machine in dict.fromkeys(mail.machine for mail in self.undelivered.values()):
            words.append(f"{machine or ITSELF}: {self.undelivered_words(machine)}")
        return words

    def disk_trouble(self) -> str:
        """What to do about a disk that is full soon; "" if it is not."""
        return self.room[0].trouble() if self.room else ""

    def room_words(self) -> str:
        """What is free on the disk, and for how long it lasts; "" as long as that is not known."""
        return self.room[0].words() if self.room else ""

    def outage_words(self, waiting: int | None = None) -> str:
        """What does not reach a time-series server, for the foot of the page; "" if all does.

        `waiting` are the payloads in its outbox, if that can be read.
        """
        if (outage := self.outages.get(INFLUX)) is None:
            return ""
        age = span_words((time.time_ns() - outage.since_ns) * 1e-9)
        wait = f"{waiting:,} messages wait" if waiting else "Rows wait"
        return f"Time-series server: nothing taken since {age}: {outage.reason}. {wait}."

    def as_json(self) -> dict[str, Any]:
        """All of it, for /status."""
        keeping = self.keeping
        return {
            "store": {
                "failed": keeping.failed,
                "since_ns": keeping.since_ns,
                "samples_not_stored": keeping.samples,
                "samples_lost": keeping.lost,
            },
            "disk": {
                "free_bytes": self.room[0].free if self.room else None,
                "bytes_a_day": self.room[0].bytes_a_day if self.room else None,
                "days_to_full": self.room[0].days if self.room else None,
            },
            "outages": {sink: outage._asdict() for sink, outage in self.outages.items()},
            "late_mails": [mail._asdict() for mail in self.late.values()],
            "undelivered_mails": [mail._asdict() for mail in self.undelivered.values()],
            "refused_rows": dict(self.refused_rows),
        }

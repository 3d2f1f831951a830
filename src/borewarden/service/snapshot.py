"""What every open page is told each second, made once for all of them."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections import deque
from pathlib import Path
from typing import Any

from borewarden.base.plain import json_text
from borewarden.base.shown import shown_in
from borewarden.service.health import Age
from borewarden.service.machine_view import aside_words, batches_since, card, newest_alert_rows
from borewarden.service.own_health import Health
from borewarden.service.status import MachineStatus
from borewarden.store.database import open_to_read
from borewarden.store.influx import SINK as INFLUX
from borewarden.store.outbox import backlogs
from borewarden.store.queries import newest_batch

EVENT_INTERVAL = 1.0  # s
AT_ONCE = 20  # cards that are made before others have their turn
TOLD_AGAIN = 60  # events in which a batch is told: a page may still be reading the history


class Snapshot:
    """The newest event, for as long as anybody asks for it."""

    def __init__(
        self, store: Path, statuses: dict[str, MachineStatus], age: Age, own: Health
    ) -> None:
        self.store = store
        self.statuses = statuses
        self.age = age
        self.own = own
        self.turn = asyncio.Lock()
        self.made_at = float("-inf")
        self.event = b""
        self.marks: deque[dict[str, int]] = deque(maxlen=TOLD_AGAIN)  # newest batches, as told

    def _is_old(self) -> bool:
        return time.monotonic() - self.made_at > 0.9 * EVENT_INTERVAL

    async def newest(self) -> bytes:
        """The newest event: all cards, and the batches of the last minute."""
        if self._is_old():
            async with self.turn:
                if self._is_old():
                    self.event = await self._make()
                    self.made_at = time.monotonic()
        return self.event

    async def _make(self) -> bytes:
        now_ns = time.time_ns()
        own, is_stored = self.own, not self.own.keeping.failed
        machines = list(self.statuses.values())
        cards = []
        for number, status in enumerate(machines):
            if number % AT_ONCE == 0:
                await asyncio.sleep(0.0)  # samples that have come in are not to wait for all cards
            with shown_in(status.units):
                words = map(own.undelivered_words, (status.name, ""))
                undelivered = " ".join(filter(None, words))
                cards.append(card(status, self.age(status, now_ns), undelivered, is_stored))
        said = {
            "problem": [own.keeping.trouble(), own.disk_trouble()],
            "aside": [own.room_words()],
        }
        return await asyncio.to_thread(self._event, machines, cards, now_ns, said)

    def _event(
        self,
        machines: list[MachineStatus],
        cards: list[dict[str, Any]],
        now_ns: int,
        said: dict[str, list[str]],
    ) -> bytes:
        """The event, with what is in the store; to encode a thousand cards takes a while, too."""
        stored = self._add_stored(machines, cards)
        outage = self.own.outage_words(stored["waiting"])
        told = {
            "cards": cards,
            "now_ms": now_ns // 10**6,
            "problem": " ".join(filter(None, [*said["problem"], stored["problem"]])),
            "aside": " ".join(filter(None, [outage, stored["aside"], *said["aside"]])),
        }
        return f"event: cards\ndata: {json_text(told)}\n\n".encode()

    def _add_stored(
        self, machines: list[MachineStatus], cards: list[dict[str, Any]]
    ) -> dict[str, Any]:
        """Put alerts and new batches into `cards`.

        Returns words for the whole page: `problem`, what is wrong with the store, and `aside`, what
        was not sent. Each is empty if there is nothing to say. `waiting` are the payloads for a
        time-series server, None if that can't be read.
        """
        if time.monotonic() - self.made_at > TOLD_AGAIN * EVENT_INTERVAL:
            self.marks.clear()  # nobody was looking; a page asks for the history itself
        problem = aside = ""
        waiting = None
        for each in cards:
            each["alerts"], each["batches"] = [], {}
        try:
            with open_to_read(self.store) as connection:
                marks = dict(self.marks[-1]) if self.marks else {}
                for status, each in zip(machines, cards, strict=True):
                    name = status.name
                    each["alerts"] = newest_alert_rows(connection, status)
                    if name not in marks:
                        marks[name] = newest_batch(connection, name).get("end_ns", 0)
                    since = self.marks[0] if self.marks else marks
                    new = batches_since(connection, status, since.get(name, marks[name]))
                    each["batches"] = new
                    marks[name] = max(new["end_ns"], default=marks[name])
                self.marks.append(marks)
                outbox = backlogs(connection)
                aside = aside_words(outbox)
                waiting = outbox[INFLUX].waiting if INFLUX in outbox else 0
        except sqlite3.Error as error:
            problem = f"The store can't be read: {error}."
        return {"problem": problem, "aside": aside, "waiting": waiting}

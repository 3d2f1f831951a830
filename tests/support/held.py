"""Side effects of a watch that are held in memory, and what they say."""

from __future__ import annotations

import email
import email.policy
import json
import sqlite3
from pathlib import Path

from borewarden.alert.alarm import AlarmSettings
from borewarden.service.effects import Effects
from borewarden.service.messages import Queue
from borewarden.service.own_health import Health
from borewarden.service.status import MachineStatus
from borewarden.store import outbox
from borewarden.store.database import open_store, read_alarm

ROOT = Path(__file__).parents[2]


SOUTH = ROOT / "config" / "south.toml"


CHIP = ROOT / "replay_data" / "south-2026-03-05-chip.csv"


AT_ONCE = AlarmSettings(on_delay=0.0, off_delay=0.0, repeat=3600.0)


class Held:
    """Keeps hold of what `watch` hands to its `started`."""

    def __init__(self, health: Health | None = None) -> None:
        self.health = health or Health()

    def __call__(
        self, connection: sqlite3.Connection, statuses: dict[str, MachineStatus], queue: Queue
    ) -> Effects:
        self.statuses, self.queue = statuses, queue
        self.effects = Effects(
            connection, statuses, AT_ONCE, AT_ONCE,
            to_influx=True, to_mail=True, health=self.health,
        )  # fmt: skip
        return self.effects


def mails(store: Path) -> list[email.message.EmailMessage]:
    with open_store(store) as connection:
        return [
            email.message_from_bytes(payload.content, policy=email.policy.default)
            for payload in outbox.take(connection, "mail", 100)
        ]


def stored_alarm(store: Path, about: str = "bore") -> dict:
    with open_store(store) as connection:
        content = read_alarm(connection, "South", about)
    assert content is not None
    alarm: dict = json.loads(content)
    return alarm

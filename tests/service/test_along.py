"""What goes along with the kept blocks: outbox lines, alarms, mail; all in one transaction."""

from __future__ import annotations

import email
import email.policy
import sqlite3
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from follow_log import paced, yet_to_come

from borewarden.alert.alarm import AlarmSettings
from borewarden.collect.link import LinkState, Received
from borewarden.collect.logged import read_log
from borewarden.model.gate import Samples
from borewarden.service.along import Along
from borewarden.service.status import MachineStatus
from borewarden.service.watch import Acknowledgement, Queue, watch
from borewarden.settings import load_machine
from borewarden.store import outbox
from borewarden.store.embedded import open_store

ROOT = Path(__file__).parents[2]
SOUTH = ROOT / "config" / "south.toml"
CHIP = ROOT / "replay_data" / "south-2026-03-05-chip.csv"
AT_ONCE = AlarmSettings(on_delay=0.0, off_delay=0.0, repeat=3600.0)


class Held:
    """Keeps hold of what `watch` hands to its `started`."""

    def __call__(
        self, connection: sqlite3.Connection, statuses: dict[str, MachineStatus], queue: Queue
    ) -> Along:
        self.statuses, self.queue = statuses, queue
        self.along = Along(connection, statuses, AT_ONCE, AT_ONCE, to_influx=True, to_mail=True)
        return self.along


def again(samples: Samples, store: Path) -> AsyncIterator[Received]:
    """The link comes up once more, and what the store has not seen follows."""
    return paced(yet_to_come(samples, "South", store), 200)


def mails(store: Path) -> list[email.message.EmailMessage]:
    with open_store(store) as connection:
        return [
            email.message_from_bytes(payload.content, policy=email.policy.default)
            for payload in outbox.take(connection, "mail", 100)
        ]


async def test_chip_makes_one_mail_and_every_sample_a_line(tmp_path: Path) -> None:
    store = tmp_path / "along.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    held = Held()
    await watch([machine], store, {"South": paced(samples, 200)}, held)
    [mail] = mails(store)
    assert mail["Subject"] == "South: The bore has probably opened up"
    text = mail.get_body(("plain",))
    assert text is not None
    words = " ".join(text.get_content().split())
    for said in ("Effective bore now", "lock it out", "hospital", "microscope"):
        assert said in words
    with open_store(store) as connection:
        payloads = outbox.take(connection, "influx", 10_000)
    lines = [line for payload in payloads for line in payload.content.decode().split("\n")]
    assert sum(line.startswith("sample,") for line in lines) == len(samples.time_ns)
    assert sum(line.startswith("alert,") for line in lines) == 1
    assert held.statuses["South"].alarm == "unacknowledged"
    # a restart tells nothing twice
    await watch([machine], store, {"South": again(samples, store)}, Held())
    assert len(mails(store)) == 1


async def test_acknowledgement_is_kept_over_a_restart(tmp_path: Path) -> None:
    store = tmp_path / "along.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    held = Held()

    async def then_acknowledged() -> AsyncIterator[Received]:
        async for received in paced(samples, 200):
            yield received
        await held.queue.join()
        assert held.along.has_open("South")
        await held.queue.put(Acknowledgement("South", "Ada"))

    await watch([machine], store, {"South": then_acknowledged()}, held)
    assert held.statuses["South"].alarm == "acknowledged"
    later = Held()
    await watch([machine], store, {"South": again(samples, store)}, later)
    assert not later.along.has_open("South")


@pytest.mark.parametrize("comes_back", [True, False])
async def test_lost_link_is_told_as_blindness(tmp_path: Path, comes_back: bool) -> None:
    store = tmp_path / "along.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())

    async def torn() -> AsyncIterator[Received]:
        n = 0
        async for received in paced(samples, 200):
            n += 1
            if n == 10:
                yield LinkState(int(samples.time_ns[2000]), False, "connection refused")
                if not comes_back:
                    return
            yield received

    await watch([machine], store, {"South": torn()}, Held())
    subjects = [mail["Subject"] for mail in mails(store)]
    assert subjects[0] == "South: Cannot see the machine: the bore is not being watched"
    assert ("South: The watcher sees the machine again" in subjects) == comes_back
    with open_store(store) as connection:
        links = [p for p in outbox.take(connection, "influx", 10_000) if p.kind == "link"]
    assert b"connection refused" in links[-1].content

"""Side effects committed with each stored block: outbox lines, alarms, mail; one transaction."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from borewarden.alert.alarm import AlarmSettings
from borewarden.base.samples import Samples
from borewarden.collect.link import LinkState, Received
from borewarden.collect.logged import read_log
from borewarden.service import writer
from borewarden.service.effects import Effects
from borewarden.service.messages import (
    Acknowledgement,
    Block,
    Ended,
    Kept,
    Person,
    Shelving,
    TimePassed,
)
from borewarden.service.status import MachineStatus
from borewarden.service.watch import restore, status_of, watch
from borewarden.settings import load_machine
from borewarden.store import outbox
from borewarden.store.database import open_store, open_to_read, transaction
from borewarden.store.queries import newest_alerts
from follow_log import paced, yet_to_come
from held import CHIP, SOUTH, Held, mails, stored_alarm


def again(samples: Samples, store: Path) -> AsyncIterator[Received]:
    """The link comes up once more, and what the store has not seen follows."""
    return paced(yet_to_come(samples, "South", store), 200)


async def test_chip_makes_one_mail_and_every_sample_a_line(tmp_path: Path) -> None:
    store = tmp_path / "effects.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    held = Held()
    await watch([machine], store, {"South": paced(samples, 200)}, held)
    [mail] = mails(store)
    assert (
        mail["Subject"].strip()
        == "South: Probably the bore, or one of these: a leak, a leaking bypass or relief valve; "
        "nothing measured here tells which"
    )
    text = mail.get_body(("plain",))
    assert text is not None
    words = " ".join(text.get_content().split())
    for said in ("Effective bore now", "lock it out", "hospital", "microscope"):
        assert said in words
    with open_store(store) as connection:
        payloads = outbox.take(connection, "influx", 10_000)
    lines = [line for payload in payloads for line in payload.content.decode().split("\n")]
    assert sum(line.startswith("borewarden_sample,") for line in lines) == len(samples.time_ns)
    assert sum(line.startswith("borewarden_alert,") for line in lines) == 1
    assert held.statuses["South"].alarm == "unacknowledged"
    # what a reminder would say is what holds by now, and not what the first batches showed
    with open_to_read(store) as connection:
        (alert,) = newest_alerts(connection, "South", 5)
    assert stored_alarm(store)["reason"] == held.statuses["South"].verdict.reason
    assert stored_alarm(store)["reason"] != alert.verdict.reason
    # a restart tells nothing twice
    await watch([machine], store, {"South": again(samples, store)}, Held())
    assert len(mails(store)) == 1


async def test_acknowledgement_is_kept_over_a_restart(tmp_path: Path) -> None:
    store = tmp_path / "effects.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    held = Held()

    async def then_acknowledged() -> AsyncIterator[Received]:
        async for received in paced(samples, 200):
            yield received
        await held.queue.join()
        assert held.effects.has_open("South")
        await held.queue.put(Acknowledgement("South", Person("Ada")))

    await watch([machine], store, {"South": then_acknowledged()}, held)
    assert held.statuses["South"].alarm == "acknowledged"
    later = Held()
    await watch([machine], store, {"South": again(samples, store)}, later)
    assert not later.effects.has_open("South")


async def test_shelving_is_kept_over_a_restart_and_ends_by_itself(tmp_path: Path) -> None:
    store = tmp_path / "effects.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    held, asked_ns = Held(), time.time_ns()
    until_ns = asked_ns + 3600 * 10**9

    async def shelved_first() -> AsyncIterator[Received]:
        await held.queue.put(Shelving("South", Person("Ada"), asked_ns, until_ns))
        async for received in paced(samples, 200):
            yield received

    await watch([machine], store, {"South": shelved_first()}, held)
    assert mails(store) == []  # the chip has opened the bore meanwhile, and nobody is told
    status = held.statuses["South"]
    assert (status.alarm, status.shelved_until_ns, status.shelved_by) == (
        "shelved", until_ns, "Ada",
    )  # fmt: skip
    for about in ("bore", "sight"):
        alarm = stored_alarm(store, about)
        assert (alarm["shelved_by"], alarm["shelved_ns"], alarm["shelved_until_ns"]) == (
            "Ada", asked_ns, until_ns,
        )  # fmt: skip

    # after a restart it stands there before anything else has come in
    with open_store(store) as connection:
        later = Held()
        effects = later(connection, {"South": status}, held.queue)
        assert effects.is_shelved("South")
        assert status.shelved_until_ns == until_ns
        # its time comes: the clock of the stored alarm is set on, since nobody waits for an hour
        for alarm in effects.alarms.values():
            alarm.shelved_until_ns = time.time_ns()
        effects(connection, TimePassed(time.time_ns()))
        assert status.alarm == "shelved"  # not told before it is kept
        effects(connection, Ended(True))
    assert (status.alarm, status.shelved_until_ns, status.shelved_by) == (
        "unacknowledged", None, None,
    )  # fmt: skip
    [mail] = mails(store)
    assert (
        mail["Subject"].strip()
        == "South: Probably the bore, or a leak; nothing measured here tells which"
    )
    assert stored_alarm(store)["shelved_until_ns"] is None


async def test_taken_off_the_shelf_it_is_told_at_once(tmp_path: Path) -> None:
    store = tmp_path / "effects.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    held, asked_ns = Held(), time.time_ns()

    async def shelved_meanwhile() -> AsyncIterator[Received]:
        await held.queue.put(Shelving("South", Person("Ada"), asked_ns, asked_ns + 3600 * 10**9))
        async for received in paced(samples, 200):
            yield received
        await held.queue.join()
        assert held.effects.is_shelved("South")
        assert mails(store) == []
        await held.queue.put(Shelving("South", Person("Grace"), time.time_ns(), None))

    await watch([machine], store, {"South": shelved_meanwhile()}, held)
    assert not held.effects.is_shelved("South")
    assert held.statuses["South"].alarm == "unacknowledged"
    assert len(mails(store)) == 1
    alarm = stored_alarm(store)
    assert alarm["unshelved_by"] == "Grace"
    assert alarm["unshelved_ns"] >= asked_ns
    assert alarm["shelved_by"] is None


def test_shelving_that_was_allowed_is_kept_however_long_it_waited(tmp_path: Path) -> None:
    """Held up by a full disk until it is over: no error of the writer, and over it is."""
    with open_store(tmp_path / "effects.db") as connection:
        pump = load_machine(SOUTH).build_pump()
        verdict = load_machine(SOUTH).build_watcher().verdict()
        status = MachineStatus("South", "Europe/Vienna", pump, verdict)
        effects = Held()(connection, {"South": status}, asyncio.Queue())
        long_ago = time.time_ns() - 7200 * 10**9
        effects(connection, Shelving("South", Person("Ada"), long_ago, long_ago + 3600 * 10**9))
        effects(connection, TimePassed(time.time_ns()))
        effects(connection, Ended(True))
        assert status.alarm == "normal"
        with pytest.raises(ValueError, match="must end in the future"):
            effects.check_shelving(time.time_ns(), long_ago)


async def test_a_transaction_that_fails_is_told_at_once_and_only_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full just as the alarm is raised: its mail waits in memory, then in the store."""
    store = tmp_path / "effects.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    write, failures = writer._write, []

    def cramped(
        connection: sqlite3.Connection,
        waiting: list[Block],
        effects: Effects,
        *poured: sqlite3.Connection | None,
    ) -> int:
        def and_no_room(connection: sqlite3.Connection, block: Block) -> None:
            effects(connection, block)
            if isinstance(block, Kept) and block.learned.alerts:
                connection.execute("PRAGMA max_page_count = 1")  # no less than there are
                outbox.put(connection, "influx", "link", 0, b"x" * 10**6)

        if not poured:  # memory
            return write(connection, waiting, effects)
        try:
            return write(connection, waiting, effects if failures else and_no_room, *poured)
        except sqlite3.OperationalError as full:
            failures.append(str(full))
            connection.execute(f"PRAGMA max_page_count = {10**6}")
            raise

    monkeypatch.setattr(writer, "_write", cramped)
    held = Held()
    await watch([machine], store, {"South": paced(samples, 200)}, held)
    assert failures == ["database or disk is full"]
    [mail] = mails(store)
    assert (
        mail["Subject"].strip()
        == "South: Probably the bore, or one of these: a leak, a leaking bypass or relief valve; "
        "nothing measured here tells which"
    )
    assert held.statuses["South"].alarm == "unacknowledged"
    assert stored_alarm(store)["told"] == "probably opened up"


@pytest.mark.parametrize("comes_back", [True, False])
async def test_lost_link_is_told_as_blindness(tmp_path: Path, comes_back: bool) -> None:
    store = tmp_path / "effects.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    held = Held()

    async def time_passes() -> None:
        await held.queue.put(TimePassed(time.time_ns()))
        await held.queue.join()

    async def torn() -> AsyncIterator[Received]:
        n = 0
        async for received in paced(samples, 200):
            n += 1
            if n == 10:
                await time_passes()
                assert mails(store) == []
                yield LinkState(int(samples.time_ns[2000]), False, "connection refused")
                held.statuses["South"].blind_after = 0.0  # nobody waits for a minute
                await time_passes()
                held.statuses["South"].blind_after = 60.0
                if not comes_back:
                    return
            yield received
        await time_passes()

    await watch([machine], store, {"South": torn()}, held)
    subjects = [mail["Subject"] for mail in mails(store)]
    assert subjects[0] == "South: Cannot see the machine: the bore is not being watched"
    assert ("South: The watcher sees the machine again" in subjects) == comes_back
    with open_store(store) as connection:
        links = [p for p in outbox.take(connection, "influx", 10_000) if p.kind == "link"]
    assert b"connection refused" in links[-1].content


async def test_once_a_minute_it_is_forwarded_how_things_stand(tmp_path: Path) -> None:
    store = tmp_path / "effects.db"
    machine = load_machine(SOUTH)
    with open_store(store) as connection, transaction(connection):
        statuses = {"South": status_of(machine, restore(machine, connection))}
        effects = Effects(connection, statuses, AlarmSettings(), to_influx=True, to_mail=False)
        for second in range(0, 180, 5):
            effects(connection, TimePassed((1_000_000 + second) * 10**9))
        payloads = outbox.take(connection, "influx", 100)
    assert [payload.kind for payload in payloads] == ["standing"] * 3
    lines = payloads[-1].content.decode().splitlines()
    assert any(line.startswith("borewarden,machine=South ") and "sight=0" in line for line in lines)
    # what waits to be sent goes along: two payloads by then
    (sink,) = (line for line in lines if "sink=influx" in line)
    assert "outbox_waiting=2" in sink

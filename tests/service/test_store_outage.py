"""A disk that is full, a store that is damaged: nobody is left in the dark while it lasts.

All of it real: a small file system, SQLite's own file overwritten, a mail server that others wrote,
the page over HTTP.
"""

from __future__ import annotations

import asyncio
import json
import re
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pandas as pd
import pytest

from beside import beside
from borewarden.base.samples import rows
from borewarden.collect.link import Received
from borewarden.collect.logged import read_log
from borewarden.replay.one_machine import replay_logs
from borewarden.service.listening import serve_page
from borewarden.service.mailing import Mailing
from borewarden.service.messages import Acknowledgement, Person
from borewarden.service.own_health import Health
from borewarden.service.watch import watch
from borewarden.service.web import page_app
from borewarden.settings import load_machine
from borewarden.settings.service import PageSection
from borewarden.store.database import open_store, read_table
from follow_log import paced
from held import CHIP, SOUTH, Held, stored_alarm
from mailing import PATIENCE, QUICK, left, mail_settings, until
from peers import MailServer, smtp_peer
from peers.process import free_port
from small_disk import mounted

BEFORE = 8000  # samples that are kept before anything goes wrong; the chip comes after 25,000


@pytest.fixture(scope="module")
def server() -> Iterator[MailServer]:
    with smtp_peer() as peer:
        yield peer


class Service:
    """A watch of the machine South with its mails and its page; the log is followed in parts."""

    def __init__(self, store: Path, server: MailServer) -> None:
        self.store = store
        self.health = Health()
        self.held = Held(self.health)
        self.machine = load_machine(SOUTH)
        self.samples = read_log(CHIP, self.machine.log_format())
        self.port = free_port()
        self.settings = mail_settings(server.port)
        self.until = 0  # rows that may be followed
        self.more = asyncio.Event()
        self.mails_before = len(server.messages())
        self.server = server

    async def _source(self) -> AsyncIterator[Received]:
        at = 0
        while at < len(self.samples.time_ns):
            await self.more.wait()
            self.more.clear()
            at, first = self.until, at
            async for received in paced(rows(self.samples, first, at), 100):
                yield received
        await asyncio.Event().wait()

    async def follow(self, until_row: int) -> None:
        """Follow the log up to this row, and wait until the page has it."""
        self.until = until_row
        self.more.set()
        await until(lambda: self.held.statuses["South"].samples == until_row)

    async def ask(self, path: str, **form: str) -> tuple[int, dict]:
        url = f"http://127.0.0.1:{self.port}"
        body = urllib.parse.urlencode(form).encode() if form else None
        request = urllib.request.Request(url + path, body, {"Origin": url})

        def asked() -> tuple[int, dict]:
            try:
                with urllib.request.urlopen(request, timeout=10) as answer:
                    return answer.status, json.load(answer)
            except urllib.error.HTTPError as refused:
                return refused.code, json.load(refused)

        return await asyncio.to_thread(asked)

    async def card(self) -> tuple[dict, dict]:
        """The first event of the page's stream, and South's card in it."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        writer.write(b"GET /events HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n")
        data = b""
        while not data.endswith(b"\n\n") or b"event: cards" not in data:
            data += await reader.read(65536)
        writer.close()
        told = json.loads(data.partition(b"data: ")[2].splitlines()[0])
        return told, told["cards"][0]

    def mails(self) -> list[str]:
        """Text of each mail that the server took since the start."""
        bodies = [mail.get_body(("plain",)) for mail in self.server.messages()]
        return [body.get_content() for body in bodies[self.mails_before :] if body is not None]


@asynccontextmanager
async def service(store: Path, server: MailServer) -> AsyncIterator[Service]:
    it = Service(store, server)
    watching = asyncio.create_task(
        watch([it.machine], store, {"South": it._source()}, it.held, keeping=it.health.keeping)
    )
    await until(lambda: hasattr(it.held, "effects") or watching.done())

    async def acknowledge(machine: str, who: Person) -> bool:
        if not it.held.effects.has_open(machine):
            return False
        await it.held.queue.put(Acknowledgement(machine, who))
        return True

    async def shelve(machine: str, who: Person, until_ns: int | None) -> bool:
        return False

    app = page_app(store, it.held.statuses, acknowledge, shelve, health=it.health)
    tasks = [
        watching,
        asyncio.create_task(Mailing(store, it.settings, it.health, QUICK).run()),
        asyncio.create_task(serve_page(app, PageSection(port=it.port))),
    ]
    async with beside(*tasks):
        yield it


def fill(disk: Path) -> Path:
    """Take all the room there is left on `disk`."""
    more = disk / "more"
    with more.open("ab", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(4096))
    return more


def damage(store: Path) -> None:
    """Overwrite all pages of the store but the first, behind the back of whoever has it open."""
    with open_store(store) as other:
        other.execute("INSERT INTO judged_by VALUES ('nobody', 1)")
        # once the writer's pages are out of date it has to read the file again
        assert other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
        (page,) = other.execute("PRAGMA page_size").fetchone()
    with store.open("r+b") as file:
        file.seek(0, 2)
        size = file.tell()
        file.seek(page)
        file.write(b"\xa5" * (size - page))


async def test_a_full_disk_silences_nothing(tmp_path: Path, server: MailServer) -> None:
    replayed = tmp_path / "replayed.db"
    replay_logs(load_machine(SOUTH), [CHIP], replayed)
    with mounted(tmp_path / "disk", free=20 * 2**20) as disk:
        async with service(disk / "live.db", server) as it:
            await it.follow(100)
            await it.ask("/healthz")  # from here on it goes by what comes in, not by its old times
            await it.follow(BEFORE)
            assert await it.ask("/healthz") == (
                200, {"healthy": True, "troubles": {}, "service": {}},
            )  # fmt: skip
            more = fill(disk)
            it.until = BEFORE + 10_000
            it.more.set()
            async with asyncio.timeout(PATIENCE):
                while (await it.ask("/healthz"))[0] == 200:
                    await asyncio.sleep(0.1)
            code, told = await it.ask("/healthz")
            assert code == 503
            assert "the disk is full (database or disk is full)" in told["service"]["store"]
            assert "free some space" in told["service"]["store"]

            await it.follow(len(it.samples.time_ns))  # the jewel chips
            await until(it.mails)
            [text] = it.mails()
            words = " ".join(text.split())
            assert "Not stored: the watcher can't write to its disk" in words
            assert re.search("Probably the bore, or|The bore has probably opened up", words)
            assert "lock it out" in words  # the cautions
            status = (await it.ask("/status"))[1]
            assert status["machines"]["South"]["verdict"]["state"] == "probably opened up"
            assert status["machines"]["South"]["alarm"] == "unacknowledged"
            unstored = status["service"]["store"]["samples_not_stored"]
            assert 0 < unstored <= len(it.samples.time_ns) - BEFORE
            told, card = await it.card()
            assert card["alarm"] == "Alarm: unacknowledged (not stored)"
            assert "the disk is full" in told["problem"]
            assert f"Only in memory so far: {unstored} samples" in told["problem"]
            assert (await it.ask("/acknowledge", machine="South", by="Ada"))[0] == 200
            await until(lambda: it.held.statuses["South"].alarm == "acknowledged")
            with open_store(it.store) as connection:
                assert len(read_table(connection, "alert", "South")) == 0

            more.unlink()
            await until(lambda: not it.health.keeping.failed)
            assert (await it.ask("/healthz"))[0] == 200
            told, card = await it.card()
            async with asyncio.timeout(PATIENCE):  # all browsers share a snapshot, of a second
                while told["problem"]:
                    told, card = await it.card()
            assert card["alarm"] == "Alarm: acknowledged"
            assert left(it.store) == []
            await asyncio.sleep(0.5)  # some looks of the mailing
            assert len(it.mails()) == 1
            assert stored_alarm(it.store)["acknowledged_by"] == "Ada"
            with open_store(it.store) as ours, open_store(replayed) as theirs:
                for name in ("sample", "batch", "alert"):
                    pd.testing.assert_frame_equal(
                        read_table(ours, name, "South"),
                        read_table(theirs, name, "South"),
                        check_exact=True,
                    )
                lines = ours.execute(
                    "SELECT payload FROM outbox WHERE sink = 'influx' AND kind = 'sample'"
                ).fetchall()
        count = sum(content.count(b"\n") + 1 for (content,) in lines)
        assert count == len(it.samples.time_ns)


async def test_a_damaged_store_is_set_aside_and_silences_nothing(
    tmp_path: Path, server: MailServer, capsys: pytest.CaptureFixture[str]
) -> None:
    async with service(tmp_path / "live.db", server) as it:
        await it.follow(BEFORE)
        damage(it.store)
        await it.follow(BEFORE + 500)
        await until(lambda: [*tmp_path.glob("live.db.damaged-*")] and not it.health.keeping.failed)
        [aside] = tmp_path.glob("live.db.damaged-*Z")
        code, told = await it.ask("/healthz")
        assert code == 503
        assert str(aside) in told["service"]["store"]
        await it.follow(len(it.samples.time_ns))
        await until(lambda: len(it.mails()) == 2)
        own, alarm = sorted(it.mails(), key=lambda text: "set aside" not in text)
        assert str(aside) in own
        assert "verify zero pressure" in own
        assert "South: Probably the bore, or a leak" in alarm
        assert (await it.ask("/status"))[1]["machines"]["South"]["alarm"] == "unacknowledged"
        told, _ = await it.card()
        assert str(aside) in told["problem"]
        metrics = await asyncio.to_thread(
            lambda: urllib.request.urlopen(f"http://127.0.0.1:{it.port}/metrics").read().decode()
        )
        assert 'borewarden_service_healthy{part="store"} 0.0' in metrics
        assert it.health.keeping.samples == 0
        with open_store(it.store) as connection:
            stored = len(read_table(connection, "sample", "South"))
        assert len(it.samples.time_ns) - BEFORE <= stored < len(it.samples.time_ns)
        aside.unlink()  # somebody has looked at it, and taken it away
        assert "store" not in (await it.ask("/healthz"))[1]["service"]
    said = "".join(capsys.readouterr())
    assert "Traceback" not in said
    assert "lost_at_the_end" not in said
    assert str(aside) in said


def damage_the_ids(store: Path) -> None:
    """Overwrite only the page with the newest ids, which nothing reads until something is told."""
    with open_store(store) as other:
        assert other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
        (size,) = other.execute("PRAGMA page_size").fetchone()
        (page,) = other.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'sqlite_sequence'"
        ).fetchone()
    with store.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xa5" * size)


def damage_the_names(store: Path) -> None:
    """Flip bits in the names of channels, which then are no text any more."""
    with open_store(store) as other:
        for table in ("block", "recent"):
            other.execute(f"UPDATE {table} SET channels = CAST(x'70726580ff' AS TEXT)")


@pytest.mark.parametrize("damage", [damage, damage_the_ids, damage_the_names])
async def test_a_store_found_damaged_at_the_start_is_set_aside(
    tmp_path: Path, server: MailServer, damage: Callable[[Path], None]
) -> None:
    store = tmp_path / "live.db"
    async with service(store, server) as it:
        await it.follow(BEFORE)
    damage(store)
    async with service(store, server) as it:
        [aside] = tmp_path.glob("live.db.damaged-*Z")
        await until(lambda: any(str(aside) in mail for mail in it.mails()))
        if damage is not damage_the_ids:  # else the samples were brought over, and come again
            await it.follow(500)
        assert str(aside) in it.health.troubles()["store"]
        with open_store(store) as connection:
            assert len(read_table(connection, "sample", "South")) >= 500


async def test_a_store_that_another_program_keeps_locked_silences_nothing(
    tmp_path: Path, server: MailServer
) -> None:
    async with service(tmp_path / "live.db", server) as it:
        await it.follow(BEFORE)
        with open_store(it.store) as other:
            other.execute("BEGIN IMMEDIATE")
            it.until = len(it.samples.time_ns)
            it.more.set()
            await until(it.mails)
            assert "another program keeps the store locked" in it.health.troubles()["store"]
            other.execute("ROLLBACK")
        await until(lambda: not it.health.keeping.failed and not left(it.store))
        await it.follow(len(it.samples.time_ns))
        assert len(it.mails()) == 1
        with open_store(it.store) as connection:
            assert len(read_table(connection, "sample", "South")) == len(it.samples.time_ns)

"""A running service takes up what the command writes into its store: real page, real process."""

from __future__ import annotations

import asyncio
import json
import socket
import sys
import urllib.request
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.collect.link import Received
from borewarden.collect.logged import read_log
from borewarden.service import watch as watch_module
from borewarden.service.listening import serve_page
from borewarden.service.watch import watch
from borewarden.service.web import page_app
from borewarden.settings import load_machine
from borewarden.settings.service import PageSection
from follow_log import paced, yet_to_come
from held import AT_ONCE, CHIP, SOUTH, Held, mails, stored_alarm


class Service:
    """The watch of South and its page, in this loop; the log has been followed to its end."""

    def __init__(self, store: Path) -> None:
        self.store = store
        self.held = Held()
        self.machine = load_machine(SOUTH)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.over = asyncio.Event()

    async def __aenter__(self) -> Service:
        whole = read_log(CHIP, self.machine.log_format())
        samples = yet_to_come(whole, "South", self.store)
        followed = asyncio.Event()

        async def then_nothing() -> AsyncIterator[Received]:
            async for received in paced(samples, 200):
                yield received
            followed.set()
            await self.over.wait()

        self.watching = asyncio.create_task(
            watch([self.machine], self.store, {"South": then_nothing()}, self.held)
        )
        await asyncio.wait_for(followed.wait(), 60.0)
        page = page_app(self.store, self.held.statuses, self.nobody, self.nobody)
        self.page = asyncio.create_task(serve_page(page, PageSection(port=self.port)))
        return self

    async def nobody(self, *_: object) -> bool:
        return False

    async def __aexit__(self, *_: object) -> None:
        self.over.set()
        await self.watching
        self.page.cancel()
        await asyncio.gather(self.page, return_exceptions=True)

    def get(self, path: str) -> dict:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=5) as answer:
            if path == "/events":
                while not (line := answer.readline()).startswith(b"data:"):
                    pass
                told: dict = json.loads(line[5:])["cards"][0]
                return told
            status: dict = json.load(answer)["machines"]["South"]
            return status

    async def sees(self, condition: Callable[[dict], bool]) -> dict:
        """The status once `condition` holds of it."""
        async with asyncio.timeout(60.0):
            while True:
                try:
                    status = await asyncio.to_thread(self.get, "/status")
                    if condition(status):
                        return status
                except OSError:  # the page is not open yet
                    pass
                await asyncio.sleep(0.05)

    async def inspect_beside(self, *words: str) -> str:
        """The command in a process of its own."""
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "borewarden.cli", "inspect", "--machine", "South"),
            *("--store", str(self.store), "--by", "Ada", *words),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        said, _ = await process.communicate()
        assert process.returncode == 0, said.decode()
        return said.decode()

    async def inspect(self, *words: str) -> None:
        """The same in a thread of this one, which spares the time to start."""
        arguments = ["--machine", "South", "--store", str(self.store), "--by", "Ada", *words]
        done = await asyncio.to_thread(CliRunner().invoke, app, ["inspect", *arguments])
        assert done.exit_code == 0, done.output


@pytest.fixture(autouse=True)
def quick_beat(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch_module, "BEAT", 0.1)


async def test_ruled_out_closes_the_alarm_and_a_correction_raises_it_again(tmp_path: Path) -> None:
    store = tmp_path / "live.db"
    async with Service(store) as service:
        await service.sees(lambda status: status["alarm"] == "unacknowledged")
        assert len(mails(store)) == 1
        said = await service.inspect_beside("--answer", "rim=sound")
        assert "The alarm is closed" in said
        closed = await service.sees(lambda status: status["alarm"] == "closed by inspection")
        assert closed["inspection"].startswith("Inspected by Ada, ")
        assert "bore ruled out (the rim is sound under the microscope" in closed["inspection"]
        card = await asyncio.to_thread(service.get, "/events")
        assert (card["alarm"], card["open"]) == ("Alarm: closed by inspection", False)
        assert card["inspection"] == closed["inspection"]
        counted = await service.sees(lambda status: status["came"]["false"] == 1)
        assert counted["came"] == {"told": 1, "confirmed": 0, "false": 1}
    # over a restart nothing is told of it either
    async with Service(store) as service:
        status = await service.sees(lambda status: status["alarm"] != "normal")
        assert status["alarm"] == "closed by inspection"
        assert len(mails(store)) == 1
        await service.inspect("--correct", "1", "--why", "wrong jewel", "--answer", "rim=chipped")
        again = await service.sees(lambda status: status["alarm"] == "unacknowledged")
        assert "confirmed: bore opened up" in again["inspection"]
        assert "Change the jewel" in again["inspection"]
        await service.sees(lambda status: status["came"]["confirmed"] == 1)
        card = await asyncio.to_thread(service.get, "/events")
        assert "Alerts kept: 1, 1 confirmed and 0 found false by inspection" in card["came"]
    assert len(mails(store)) == 2
    assert AT_ONCE.on_delay == 0.0  # so that nobody had to wait


async def test_confirmed_stays_raised_and_is_acknowledged(tmp_path: Path) -> None:
    store = tmp_path / "live.db"
    async with Service(store) as service:
        await service.sees(lambda status: status["alarm"] == "unacknowledged")
        await service.inspect("--answer", "cut=bad")
        undecided = await service.sees(lambda status: "undecided" in status["inspection"])
        assert undecided["alarm"] == "unacknowledged"
        await service.inspect("--answer", "rim=chipped")
        status = await service.sees(lambda status: status["alarm"] == "acknowledged")
        assert "confirmed: bore opened up" in status["inspection"]
    alarm = stored_alarm(store)
    assert (alarm["condition"], alarm["acknowledged_by"]) == ("probably opened up", "Ada")
    assert alarm["inspection"] == 2

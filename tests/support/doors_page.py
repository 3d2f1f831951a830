"""A page of one machine over a real socket, and the accounts to come in with."""

from __future__ import annotations

import asyncio
import http.client
import socket
import threading
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.collect.link import LinkState
from borewarden.gate.gate import GateSettings
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Intensifier
from borewarden.service.listening import serve_page
from borewarden.service.messages import Person
from borewarden.service.status import MachineStatus
from borewarden.service.web import page_app
from borewarden.settings.service import PageSection
from borewarden.store.accounts import trail
from borewarden.store.database import open_to_read
from borewarden.watcher.watcher import Watcher

PASSWORD = "four random words, or so"
PUMP = Intensifier(0.022, 0.2, 1e-5, 20.0, 1.1, 400e6, 37e3)
GATE = GateSettings(0.0, 1.1, 620e6, 250e6, 20e6, True, True)


def account(store: Path, *words: str, password: str = PASSWORD) -> Any:
    """`borewarden account …`, with the password on standard input."""
    return CliRunner().invoke(
        app, ["account", *words, "--store", str(store)], input=f"{password}\n"
    )


def steps(store: Path) -> list[tuple[str, bool, str]]:
    """Who did what, oldest first, and whether the name was checked."""
    with open_to_read(store) as connection:
        return [(each.by, each.account, each.what) for each in reversed(trail(connection, 1000))]


def north_status() -> MachineStatus:
    """An invented machine that has not been heard of yet."""
    watcher = Watcher(PUMP, GATE, [Jewel(0.254e-3, "sapphire", 0)])
    link = LinkState(1, True, "connected")
    return MachineStatus("North", "Europe/Vienna", PUMP, watcher.verdict(), link=link)


def asked(
    connection: http.client.HTTPConnection,
    origin: str,
    method: str,
    path: str,
    form: dict[str, str] | None = None,
    **headers: str,
) -> tuple[int, Any, bytes]:
    """Status, headers and body of one answer, of a page that is known as `origin`."""
    sent = {"Origin": origin} if method == "POST" else {}
    if form is not None:
        sent["Content-Type"] = "application/x-www-form-urlencoded"
    sent |= {name.replace("_", "-"): text for name, text in headers.items()}
    connection.request(method, path, None if form is None else urlencode(form), sent)
    answer = connection.getresponse()
    told = answer.status, answer.headers, answer.read()
    connection.close()
    return told


class Page:
    """A page of one machine over a real socket, served by a loop of its own."""

    def __init__(self, store: Path, **page: Any) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.store = store
        self.page = PageSection(port=self.port, **page)
        self.acknowledged: list[tuple[str, Person]] = []
        north = north_status()

        async def acknowledge(machine: str, who: Person) -> bool:
            self.acknowledged.append((machine, who))
            return True

        async def shelve(machine: str, who: Person, until_ns: int | None) -> bool:
            return True

        self.app = page_app(store, {"North": north}, acknowledge, shelve, page=self.page)
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()
        self.serving = asyncio.run_coroutine_threadsafe(serve_page(self.app, self.page), self.loop)
        until = time.monotonic() + 30.0
        while time.monotonic() < until:
            with socket.socket() as there:
                if there.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        raise AssertionError("nothing listens")

    def end(self) -> None:
        if not self.thread.is_alive():
            return
        self.serving.cancel()
        while any(not task.done() for task in asyncio.all_tasks(self.loop)):
            time.sleep(0.01)
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join(30.0)

    def ask(
        self, method: str, path: str, form: dict[str, str] | None = None, **headers: str
    ) -> tuple[int, Any, bytes]:
        """Status, headers and body of one answer."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        return asked(connection, f"http://127.0.0.1:{self.port}", method, path, form, **headers)

    def log_in(self, name: str, password: str = PASSWORD, **headers: str) -> tuple[int, Any, bytes]:
        return self.ask("POST", "/login", {"name": name, "password": password}, **headers)

    def cookie(self, name: str, **headers: str) -> str:
        """What the browser of somebody who has logged in sends back."""
        code, told, _ = self.log_in(name, **headers)
        assert (code, told["location"]) == (303, "./")
        return str(told["set-cookie"]).partition(";")[0]

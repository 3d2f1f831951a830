"""A watch of the machine South that forwards its rows, with its page, and servers that are away."""

from __future__ import annotations

import asyncio
import json
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from aiohttp import web

from beside import beside
from borewarden.base.samples import Samples, rows
from borewarden.collect.link import Received
from borewarden.service.listening import serve_page
from borewarden.service.own_health import Health
from borewarden.service.watch import watch
from borewarden.service.web import page_app
from borewarden.settings import load_machine
from borewarden.settings.service import PageSection
from borewarden.store.database import open_to_read
from borewarden.store.influx import SINK, forward
from borewarden.store.outbox import waiting
from follow_log import paced
from forward import FAST, influx_settings
from held import SOUTH, Held
from peers.process import free_port

SAMPLE = "borewarden_sample"


@dataclass
class Answers:
    """A time-series server of our own, for answers that no real one gives when asked to.

    It answers `status` with `headers` and `words` until told otherwise, and keeps what it took.
    """

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    words: str = ""
    asked: int = 0
    taken: Counter[str] = field(default_factory=Counter)  # times and names of rows of samples
    port: int = field(default_factory=free_port)
    _runner: web.AppRunner | None = None

    async def _write(self, request: web.Request) -> web.Response:
        self.asked += 1
        if self.status >= 300:
            said = {"code": "x", "message": self.words}
            return web.json_response(said, status=self.status, headers=self.headers)
        for line in (await request.read()).decode().splitlines():
            if line.startswith(f"{SAMPLE},"):
                self.taken[line] += 1
        return web.Response(status=204)

    async def start(self) -> None:
        app = web.Application(client_max_size=64 * 2**20)
        app.router.add_post("/api/v2/write", self._write)
        self._runner = web.AppRunner(app)
        await self._runner.setup()
        await web.TCPSite(self._runner, "127.0.0.1", self.port).start()

    async def stop(self) -> None:
        if self._runner is not None:
            await self._runner.cleanup()
            self._runner = None


class Forwarded:
    """The service; `samples` are followed one by one as far as it is told to."""

    def __init__(self, store: Path, url: str, samples: Samples) -> None:
        self.store, self.samples = store, samples
        self.settings = influx_settings(url)
        self.health = Health()
        self.held = Held(self.health)
        self.machine = load_machine(SOUTH)
        self.port = free_port()
        self.until = 0
        self.more = asyncio.Event()

    async def source(self) -> AsyncIterator[Received]:
        at = 0
        while True:
            await self.more.wait()
            self.more.clear()
            at, first = self.until, at
            async for received in paced(rows(self.samples, first, at), 1):
                yield received

    def go_on(self, until_row: int) -> None:
        """Let the samples up to this row come."""
        self.until = until_row
        self.more.set()

    def kept(self) -> int:
        """Samples that the page has, on disk or in memory."""
        return self.held.statuses["South"].samples

    def waiting(self) -> int:
        """Payloads that the outbox on disk holds."""
        with open_to_read(self.store) as connection:
            return waiting(connection, SINK).payloads

    async def ask(self, path: str) -> str:
        """What the page's server answers."""

        def asked() -> str:
            try:
                url = f"http://127.0.0.1:{self.port}{path}"
                with urllib.request.urlopen(url, timeout=30) as answer:
                    return str(answer.read().decode())
            except urllib.error.HTTPError as refused:
                return str(refused.read().decode())

        return await asyncio.to_thread(asked)

    async def foot(self) -> str:
        """The foot of the page, as the first event of its stream has it."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        writer.write(b"GET /events HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n")
        data = b""
        while not data.endswith(b"\n\n") or b"event: cards" not in data:
            data += await reader.read(65536)
        writer.close()
        return str(json.loads(data.partition(b"data: ")[2].splitlines()[0])["aside"])


@asynccontextmanager
async def forwarded(it: Forwarded, **pauses: float) -> AsyncIterator[Forwarded]:
    """`it` beside the block."""
    watching = asyncio.create_task(
        watch([it.machine], it.store, {"South": it.source()}, it.held, keeping=it.health.keeping)
    )
    async with asyncio.timeout(120.0):
        while not hasattr(it.held, "effects") and not watching.done():
            await asyncio.sleep(0.01)

    async def nobody(*_: object) -> bool:
        return False

    app = page_app(it.store, it.held.statuses, nobody, nobody, health=it.health)
    sending = forward(
        it.store,
        it.settings,
        **{**FAST, **pauses},
        report=it.health.report(SINK),
        refused=it.health.refused(SINK),
    )
    tasks = [
        watching,
        asyncio.create_task(sending),
        asyncio.create_task(serve_page(app, PageSection(port=it.port))),
    ]
    async with beside(*tasks):
        yield it

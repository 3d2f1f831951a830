"""What the store keeps is sent once more, to a real web server that is busy and particular."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from aiohttp import web
from typer.testing import CliRunner

from borewarden.base.samples import rows
from borewarden.cli import app
from borewarden.store.database import open_store, transaction, write_learned
from borewarden.store.influx import SINK
from borewarden.store.names import Stated
from borewarden.store.outbox import backlogs, put, refuse, take
from borewarden.store.resend import refused_rows, send_stored
from borewarden.watcher.watcher import Learned, Watcher
from forward import forwarding, influx_settings, until_empty
from invented_days import logged, machine_of
from wire import free_port

DAY = rows(logged("north"), 0, 12_000)
HERE = Stated(0.08, 1.0)


class Particular:
    """A server that is busy twice, and refuses what holds `bad`."""

    def __init__(self, bad: bytes = b"") -> None:
        self.bad = bad
        self.busy = 2
        self.lines: list[bytes] = []

    async def write(self, request: web.Request) -> web.Response:
        body = await request.read()  # unpacked by the library
        if self.busy:
            self.busy -= 1
            return web.Response(status=429, headers={"Retry-After": "0"})
        if self.bad and self.bad in body:
            return web.Response(status=400, text="not this row")
        self.lines += body.splitlines()
        return web.Response(status=204)


@asynccontextmanager
async def serving(server: Particular) -> AsyncIterator[str]:
    page = web.Application(client_max_size=2**26)
    page.router.add_post("/api/v2/write", server.write)
    runner = web.AppRunner(page)
    await runner.setup()
    port = free_port()
    await web.TCPSite(runner, "127.0.0.1", port).start()
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        await runner.cleanup()


@pytest.fixture(scope="module")
def learned() -> Learned:
    machine = machine_of("north")
    watcher = Watcher(
        machine.build_pump(), machine.gate_settings(), machine.jewels(), machine.watch_settings()
    )
    return watcher.learn_many(DAY)


@pytest.fixture
def store(tmp_path: Path, learned: Learned) -> Path:
    path = tmp_path / "a.db"
    with open_store(path) as connection, transaction(connection):
        write_learned(connection, "North", DAY, learned)
    return path


async def test_a_stretch_of_time_goes_out_and_one_bad_row_is_named(
    store: Path, learned: Learned
) -> None:
    first, last = int(DAY.time_ns[1000]), int(DAY.time_ns[10_999])
    server = Particular(bad=b" %d" % DAY.time_ns[5000])
    async with serving(server) as url:
        (sent,) = await send_stored(store, influx_settings(url), {"North": (HERE, first, last)})
    batches = learned.batches[(learned.batches["end_ns"] >= first)]
    batches = batches[batches["end_ns"] <= last]
    assert (sent.samples, sent.batches, sent.refused) == (10_000, len(batches), 1)
    assert "not this row" in sent.reason
    assert len(batches) > 50
    assert len(server.lines) == 10_000 + len(batches) + sent.alerts - 1
    times = [int(line.rsplit(b" ", 1)[1]) for line in server.lines]
    assert (min(times), max(times)) == (first, last)


async def test_a_server_that_is_gone_is_told_and_nothing_is_lost(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("borewarden.store.resend.back_off", lambda *_: 0.0)  # else half a minute
    nobody = influx_settings(f"http://127.0.0.1:{free_port()}")
    with pytest.raises(ConnectionError):
        await send_stored(store, nobody, {"North": (HERE, 0, 2**62)})


async def test_refused_rows_are_shown_and_put_back_by_one_command(tmp_path: Path) -> None:
    store = tmp_path / "a.db"
    with open_store(store) as connection, transaction(connection):
        for i in range(3):
            put(connection, SINK, "batch", i * 10**9, f"row a={i} {i}\nrow b={i} {i}")
        put(connection, "mail", "alarm", 9, "a mail")
        ids = [payload.id for payload in take(connection, SINK, 2)]
        refuse(connection, SINK, ids, "HTTP 400: no such field")
        refuse(connection, "mail", [4], "550 no")
    (told,) = refused_rows(store)
    assert told == ("batch", 0, 10**9, 4, "HTTP 400: no such field")
    shown = CliRunner().invoke(app, ["store", "resend", "--show", "--store", str(store)])
    assert shown.exit_code == 0
    assert "no such field" in shown.stdout
    assert refused_rows(store) == [told]
    done = CliRunner().invoke(app, ["store", "resend", "--store", str(store)])
    assert done.exit_code == 0
    assert "4 rows put back" in done.stdout
    with open_store(store) as connection:
        left = backlogs(connection)
    assert (left[SINK].waiting, left[SINK].refused, left["mail"].refused) == (3, 0, 1)
    server = Particular()
    async with serving(server) as url, forwarding(store, url):
        await until_empty(store)
    assert len(server.lines) == 6


def test_without_a_server_or_a_store_it_is_said(tmp_path: Path) -> None:
    def forward(*options: str) -> str:
        done = CliRunner().invoke(app, ["forward", "--config", str(tmp_path), *options])
        assert done.exit_code == 2
        return done.output

    machine = (Path(__file__).parents[2] / "config" / "north.toml").read_text()
    (tmp_path / "north.toml").write_text(machine)
    assert "url and bucket" in forward()
    service = '[influx]\nurl = "http://127.0.0.1:1"\norg = "shop"\nbucket = "pumps"\n'
    (tmp_path / "service.toml").write_text(service)
    assert "there is no such store" in forward("--store", str(tmp_path / "none.db"))

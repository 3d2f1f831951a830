"""Clocks and messages through the whole way: gateway, mosquitto, `watch`, store; and a restart.

The machine is West of config/live/, invented.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
import numpy as np
import pandas as pd
import pytest

from borewarden.collect import source_clock
from borewarden.service.messages import Queue
from borewarden.service.status import MachineStatus
from borewarden.service.watch import watch
from borewarden.settings import MachineSettings, load_machine
from borewarden.simulate.serve import modbus_server
from borewarden.store.database import open_store, read_table
from peers import Broker, mosquitto_peer
from wire import PATIENCE, free_port

WEST = Path(__file__).parents[2] / "config" / "live" / "west-mqtt.toml"
HOUR, DAY = 3600.0, 86_400.0
FAR = datetime(2099, 1, 1, tzinfo=UTC).timestamp()


@pytest.fixture(scope="module")
def shop() -> Iterator[Broker]:
    with mosquitto_peer() as peer:
        yield peer


@pytest.fixture
def machine(
    shop: Broker, tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> MachineSettings:
    monkeypatch.setattr(source_clock, "WATCHED", 0.5)  # s; in ten the test would see no more
    text = WEST.read_text().replace("port = 1883", f"port = {shop.port}")
    text = text.replace('name = "West live"', f'name = "{request.node.name[-70:]}"')
    text = text.replace("lindgrat/west", f"lindgrat/{request.node.name.encode().hex()}")
    path = tmp_path / "west.toml"
    path.write_text(text)
    return load_machine(path)


@contextlib.asynccontextmanager
async def watching(machine: MachineSettings, store: Path) -> AsyncIterator[MachineStatus]:
    """`watch` for the length of a `with`, once it has connected."""
    seen: dict[str, MachineStatus] = {}

    def started(connection, statuses: dict[str, MachineStatus], queue: Queue):
        seen.update(statuses)
        return lambda connection, block: None

    sources = {machine.name: machine.open_source()}
    task = asyncio.create_task(watch([machine], store, sources, started=started))
    try:
        async with asyncio.timeout(PATIENCE):
            while not seen:
                await asyncio.sleep(0.02)
        yield seen[machine.name]
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class Gateway:
    """Publishes what West's pump shows, `off` s ahead; strokes number the messages."""

    def __init__(self, machine: MachineSettings) -> None:
        self.source = machine.live_source()
        self.off = 0.0
        self.sent = 0

    async def send(
        self, rows: int, psi: float = 55_200.0, at: float | None = None, pause: float = 0.03
    ) -> None:
        async with aiomqtt.Client(self.source.host, self.source.port) as client:
            for _ in range(rows):
                self.sent += 1
                row = {
                    "t": time.time() + self.off if at is None else at,
                    "pump": {"psi": psi, "spm": 20.0 + self.sent / 1000.0, "water_c": 15.0},
                }
                await client.publish(self.source.topic, json.dumps(row), qos=1)
                await asyncio.sleep(pause)

    async def send_until_kept(self, status: MachineStatus, more: int) -> None:
        """Send, `more` rows at the least, until all that was sent before is kept."""
        async with asyncio.timeout(PATIENCE):
            start = status.samples
            while status.samples < start + more:
                await self.send(1)


def kept(store: Path, machine: MachineSettings) -> pd.DataFrame:
    """All samples, with the number of the message that each came of."""
    with open_store(store) as connection:
        table = read_table(connection, "sample", machine.name)
    table["message"] = np.round((table["rate"] * 60.0 - 20.0) * 1000.0).astype(int)
    return table


async def until_all_kept(gateway: Gateway, store: Path, machine: MachineSettings) -> None:
    async with asyncio.timeout(PATIENCE):
        while gateway.sent not in kept(store, machine)["message"].to_numpy():
            await asyncio.sleep(0.1)


@pytest.mark.parametrize("date", [FAR, 2 * DAY])
async def test_one_message_of_another_time_does_not_move_the_line(
    machine: MachineSettings, tmp_path: Path, date: float
) -> None:
    """Nor does it after a restart, with the pump stopped."""
    gateway, store, begun = Gateway(machine), tmp_path / "w.db", time.time()
    async with watching(machine, store) as status:
        await gateway.send_until_kept(status, 10)
        await gateway.send(1, at=date if date > 10 * DAY else time.time() + date)
        await gateway.send(10)
        await until_all_kept(gateway, store, machine)
        assert status.link is not None
        assert "its time of arrival is taken" in status.link.reason
    async with watching(machine, store) as status:
        await gateway.send(20, psi=0.0)
        await until_all_kept(gateway, store, machine)
        assert status.phase == "stopped"
    table = kept(store, machine)
    first = int(table["message"].iloc[0])
    assert table["message"].tolist() == list(range(first, gateway.sent + 1))
    assert np.all(np.diff(table["time_ns"]) > 0)
    assert begun < table["time_ns"].iloc[0] * 1e-9 < table["time_ns"].iloc[-1] * 1e-9 < time.time()


@pytest.mark.parametrize("psi", [55_200.0, 0.0])
@pytest.mark.parametrize("step", [2 * HOUR, -HOUR, -3 * DAY])
@pytest.mark.parametrize("restarted", [False, True])
async def test_gateway_whose_clock_is_set_moves_nothing_and_loses_nothing(
    machine: MachineSettings, tmp_path: Path, step: float, restarted: bool, psi: float
) -> None:
    gateway, store, begun = Gateway(machine), tmp_path / "w.db", time.time()
    async with contextlib.AsyncExitStack() as stack:
        status = await stack.enter_async_context(watching(machine, store))
        await gateway.send_until_kept(status, 10)
        await until_all_kept(gateway, store, machine)
        gateway.off = step
        if restarted:
            await stack.aclose()
            status = await stack.enter_async_context(watching(machine, store))
        await gateway.send(40, psi)
        await until_all_kept(gateway, store, machine)
        assert "put right" in status.link.reason
        assert status.link.connected
        assert status.phase != "stopped" or psi == 0.0
    table = kept(store, machine)
    first = int(table["message"].iloc[0])
    assert table["message"].tolist() == list(range(first, gateway.sent + 1))
    times = table["time_ns"].to_numpy() * 1e-9
    assert np.all(np.diff(table["time_ns"]) > 0)
    assert begun - 1.0 < times[0]
    assert times[-1] < time.time() + 1.0


async def test_what_is_published_while_the_watcher_restarts_is_kept_once(
    machine: MachineSettings, tmp_path: Path
) -> None:
    gateway, store = Gateway(machine), tmp_path / "w.db"
    async with watching(machine, store) as status:
        await gateway.send_until_kept(status, 5)
        await until_all_kept(gateway, store, machine)
    before = time.time_ns()
    await gateway.send(60, pause=0.01)
    after = time.time_ns()
    async with watching(machine, store):
        await gateway.send(5)
        await until_all_kept(gateway, store, machine)
    table = kept(store, machine)
    first = int(table["message"].iloc[0])
    assert table["message"].tolist() == list(range(first, gateway.sent + 1))
    away = table[table["message"].between(gateway.sent - 64, gateway.sent - 5)]
    assert away["time_ns"].between(before, after).all()


@pytest.mark.parametrize("hours", [-1.0, -72.0, 1.0])
async def test_our_own_clock_that_is_set_is_told_and_the_phase_stays_true(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hours: float
) -> None:
    """A controller by Modbus, whose samples have the time of our clock; set with the jet on.

    Only what Python sees of the clock is set: that of the computer can't be, for a test.
    """
    text = (WEST.parent / "north-modbus.toml").read_text()
    text = text.replace("port = 5020", f"port = {free_port()}")
    path = tmp_path / "north.toml"
    path.write_text(text.replace('interval = "1 s"', 'interval = "50 ms"'))
    machine, store = load_machine(path), tmp_path / "n.db"
    source = machine.live_source()
    values = dict.fromkeys(source.registers, 0.0)
    channel = source.registers["pressure"].channel
    values["pressure"] = (380e6 - channel.offset) / channel.scale
    server = modbus_server(source, values)
    await server.serve_forever(background=True)
    wall = time.time_ns
    try:
        async with watching(machine, store) as status, asyncio.timeout(PATIENCE):

            async def more(rows: int) -> None:
                start = status.samples
                while status.samples < start + rows:
                    await asyncio.sleep(0.02)

            await more(20)
            monkeypatch.setattr(time, "time_ns", lambda: wall() + round(hours * 3600e9))
            await more(20)
            assert status.link.connected
            assert "was set" in status.link.reason
            assert ("samples are kept as" in status.link.reason) == (hours < 0.0)
            values["pressure"] = 0.0
            while status.phase != "stopped":
                await more(1)
    finally:
        await server.shutdown()
    with open_store(store) as connection:
        times = read_table(connection, "sample", machine.name)["time_ns"].to_numpy()
    gaps = np.diff(times) * 1e-9
    assert np.all(gaps > 0.0)
    long = gaps[gaps > 10.0]
    assert long == pytest.approx([60.0 if hours < 0.0 else 3600.0], abs=10.0)

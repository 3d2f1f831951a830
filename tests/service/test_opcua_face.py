"""The verdicts as an OPC UA server, read by asyncua's client.

DeviceHealth as in OPC 10000-100: NORMAL 0, FAILURE 1, CHECK_FUNCTION 2, OFF_SPEC 3,
MAINTENANCE_REQUIRED 4. Machines are invented.
"""

from __future__ import annotations

import asyncio
import json
import re
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from asyncua import Client, ua

from borewarden.base.errors import BadInput
from borewarden.service.opcua_face import NAMESPACE, VARIABLES, offer
from borewarden.service.status import MachineStatus, SightStatus
from borewarden.settings.service import load_service
from borewarden.watcher.verdict import State, Verdict
from invented_days import machine_of
from peers.node import HERE, node
from wire import PATIENCE, free_port

PUMP = machine_of("north").build_pump()
SOUND = Verdict(1, State.SOUND, "no change", *(1.0,) * 10, None, 0.01)
REFUSED = r"(?i)denied|not allow|not writable"
UNCERTAIN = ua.StatusCodes.UncertainNoCommunicationLastUsableValue


def status(name: str = "Hall 2/North") -> MachineStatus:
    made = MachineStatus(name, "UTC", PUMP, SOUND, last_sample_ns=1_772_431_200 * 10**9)
    made.sight = replace(SightStatus(), usable=SightStatus().begun)
    return made


class Screen:
    """A client of the server that shows one machine."""

    def __init__(self, client: Client, machine: str) -> None:
        self.client = client
        self.machine = machine

    async def node(self, name: str) -> Any:
        space = await self.client.get_namespace_index(NAMESPACE)
        return self.client.get_node(ua.NodeId(f"{self.machine}.{name}", space))

    async def shows(self, name: str) -> tuple[Any, int]:
        """Value and status of a variable."""
        node = await self.node(name)
        found = await node.read_data_value(raise_on_bad_status=False)
        return found.Value.Value, found.StatusCode.value

    async def until(self, name: str, value: Any, code: int = ua.StatusCodes.Good) -> None:
        async with asyncio.timeout(PATIENCE):
            while await self.shows(name) != (value, code):
                await asyncio.sleep(0.02)


async def has_begun(screen: Screen) -> bool:
    try:
        return bool((await screen.shows("Alarm"))[0])
    except (ua.UaError, ValueError):  # namespace or node are not there yet
        return False


@asynccontextmanager
async def screen_of(machine: MachineStatus) -> AsyncIterator[Screen]:
    port = free_port()
    task = asyncio.create_task(offer({machine.name: machine}, port, look=0.02))
    try:
        client = Client(f"opc.tcp://127.0.0.1:{port}/")
        async with asyncio.timeout(PATIENCE):
            while True:
                try:
                    await client.connect()
                    break
                except OSError:
                    assert not task.done(), task
                    await asyncio.sleep(0.05)
        try:
            screen = Screen(client, machine.name)
            async with asyncio.timeout(PATIENCE):
                while not await has_begun(screen):
                    assert not task.done(), task
                    await asyncio.sleep(0.02)
            yield screen
        finally:
            await client.disconnect()
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def test_device_health_follows_the_verdict_and_is_never_normal_unseen() -> None:
    machine = status()
    async with screen_of(machine) as screen:
        await screen.until("DeviceHealth", 0)
        await screen.until("OpenedProbability", 0.01)
        await screen.until("JetHours", 1.0)
        assert (await screen.shows("NewestSample"))[0].isoformat() == "2026-03-02T06:00:00+00:00"
        assert await screen.shows("Reason") == ("no change", ua.StatusCodes.Good)
        for state, health in [
            (State.OPENED, 1),
            (State.LEARNING, 2),
            (State.NOT_STATED_BORE, 3),
            (State.WEARING, 4),
            (State.SOUND, 0),
        ]:
            machine.verdict = replace(SOUND, state=state, probability=float("nan"))
            await screen.until("DeviceHealth", health)
            assert (await screen.shows("OpenedProbability"))[1] == ua.StatusCodes.BadNoData
        machine.sight = SightStatus()  # nobody sees it any more, and its verdict is old
        await screen.until("DeviceHealth", 2, UNCERTAIN)
        await screen.until("IsSeen", False)
        for name in ("State", "Headline", "Reason", "EffectiveAreaRatio", "EffectiveBore"):
            assert (await screen.shows(name))[1] == UNCERTAIN, name


async def test_a_client_can_change_nothing() -> None:
    async with screen_of(status()) as screen:
        for name in VARIABLES:
            node = await screen.node(name)
            with pytest.raises(ua.UaError, match=REFUSED):
                await node.write_value(ua.Variant(0, ua.VariantType.Int32))
        with pytest.raises(ua.UaError, match=REFUSED):
            await screen.client.nodes.objects.add_object(2, "mine")
        with pytest.raises(ua.UaError, match=REFUSED):
            await screen.client.delete_nodes([await screen.node("Reason")])
        assert await screen.shows("DeviceHealth") == (0, ua.StatusCodes.Good)


async def test_a_screen_that_others_wrote_browses_reads_and_hears_and_may_not_write() -> None:
    """The client of node-opcua, which shares no code with the server's library."""
    machine = status()
    async with screen_of(machine) as screen:
        url = screen.client.server_url.geturl()
        command = (node(), str(HERE / "screen.js"), url, machine.name)
        shown = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE)
        assert shown.stdout is not None
        try:

            async def told(key: str) -> dict[str, Any]:
                """The next line that has `key`; the library writes lines of its own."""
                async with asyncio.timeout(PATIENCE):
                    while line := await shown.stdout.readline():
                        with suppress(ValueError):
                            found: dict[str, Any] = json.loads(line)
                            if key in found:
                                return found
                raise AssertionError(f"it ended before it told {key}")

            found = await told("machines")
            assert found["machines"] == [machine.name]
            assert set(VARIABLES) <= set(found["variables"])
            assert (found["health"], found["status"]) == (0, "Good")
            assert re.search(REFUSED, (await told("written"))["written"])
            assert (await told("heard")) == {"heard": 0, "status": "Good"}
            machine.verdict = replace(SOUND, state=State.OPENED)
            assert (await told("heard")) == {"heard": 1, "status": "Good"}
        finally:
            shown.kill()
            await shown.wait()


async def test_a_port_that_is_taken_is_told_and_waited_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("borewarden.service.opcua_face.back_off", lambda *_: 0.05)
    reports: list[str | None] = []
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        task = asyncio.create_task(offer({}, port, reports.append, look=0.02))
        async with asyncio.timeout(PATIENCE):
            while not reports:
                await asyncio.sleep(0.02)
    assert reports[0]
    async with asyncio.timeout(PATIENCE):
        while None not in reports:
            await asyncio.sleep(0.02)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


def test_it_is_off_unless_it_is_stated_and_only_this_computer_is_served(tmp_path: Path) -> None:
    assert load_service(tmp_path / "none.toml").opc_ua is None
    path = tmp_path / "service.toml"
    path.write_text("[opc_ua]\nport = 4846\n")
    stated = load_service(path).opc_ua
    assert stated is not None
    assert stated.port == 4846
    path.write_text('[opc_ua]\nhost = "0.0.0.0"\n')
    with pytest.raises(BadInput, match="host"):
        load_service(path)

"""Verdicts on a real mosquitto, as a client of its own sees them."""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import aiomqtt
import pytest

from borewarden.base.errors import BadInput
from borewarden.service.publishing import PublishSettings, machine_topic, publish
from borewarden.service.status import MachineStatus, SightStatus
from borewarden.settings.service import load_service
from borewarden.watcher.verdict import State, Verdict
from broker import broker
from invented_days import machine_of
from wire import PATIENCE, free_port

PUMP = machine_of("north").build_pump()
SOUND = Verdict(1, State.SOUND, "no change", *(1.0,) * 10, None, 0.01)


def status(name: str = "Hall 2/North") -> MachineStatus:
    made = MachineStatus(name, "UTC", PUMP, SOUND)
    made.sight = replace(SightStatus(), usable=SightStatus().begun)
    return made


class Screen:
    """A client that knows what the broker says last of each topic."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.said: dict[str, str] = {}

    async def until(self, topic: str, words: str) -> str:
        """Wait until a new client is told these `words` under `topic`: it is retained, then."""
        async with asyncio.timeout(PATIENCE):
            async with aiomqtt.Client("127.0.0.1", self.port) as client:
                await client.subscribe("#")
                async for message in client.messages:
                    payload = message.payload
                    assert isinstance(payload, bytes)
                    self.said[str(message.topic)] = payload.decode()
                    if words in self.said.get(topic, ""):
                        break
        return self.said[topic]


async def test_screens_are_told_of_verdicts_and_of_a_watcher_that_is_gone(tmp_path: Path) -> None:
    port = free_port()
    settings = PublishSettings("127.0.0.1", port)
    machine = status()
    topic = machine_topic(settings, machine.name)
    assert topic == "borewarden/machine/Hall 2_North"
    reports: list[str | None] = []
    async with broker(port, tmp_path):
        task = asyncio.create_task(
            publish({machine.name: machine}, settings, reports.append, look=0.02)
        )
        screen = Screen(port)
        told = json.loads(await screen.until(topic, "sound"))
        assert (told["machine"], told["verdict_code"], told["ne107"]) == (machine.name, 1, "good")
        assert told["is_seen"] is True
        assert await screen.until("borewarden/status", "online") == "online"
        machine.verdict = replace(SOUND, state=State.OPENED, reason="stepped up", onset_ns=7)
        told = json.loads(await screen.until(topic, "stepped up"))
        assert (told["state"], told["onset_ns"]) == ("probably opened up", 7)
        machine.sight = SightStatus()  # nobody sees it any more: its verdict is old
        told = json.loads(await screen.until(topic, "function check"))
        assert told["is_seen"] is False
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        assert await screen.until("borewarden/status", "offline") == "offline"
    assert reports == [None]


async def test_a_broker_that_is_away_is_told_and_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("borewarden.service.publishing.back_off", lambda *_: 0.05)
    port, machine = free_port(), status("North")
    reports: list[str | None] = []
    settings = PublishSettings("127.0.0.1", port)
    task = asyncio.create_task(publish({"North": machine}, settings, reports.append, look=0.02))
    async with asyncio.timeout(PATIENCE):
        while not reports:
            await asyncio.sleep(0.02)
    assert reports[0]
    async with broker(port, tmp_path):
        await Screen(port).until(machine_topic(settings, "North"), "sound")
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert None in reports


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        ('host = "broker.example.org"\nuser = "watcher"', "tls = true"),
        ('host = "broker.example.org"\ntopic = "a/#"', "leave them out"),
        ('host = "broker.example.org"\ncolour = "red"', "colour"),
    ],
)
def test_what_can_not_be_published_to_is_refused(tmp_path: Path, stated: str, said: str) -> None:
    path = tmp_path / "service.toml"
    path.write_text(f"[publish]\n{stated}\n")
    with pytest.raises(BadInput) as refused:
        load_service(path)
    assert said in str(refused.value)

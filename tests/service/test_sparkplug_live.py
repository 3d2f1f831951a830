"""The watch of a machine behind an edge node of Sparkplug B that others wrote. It is invented."""

from __future__ import annotations

import asyncio
import itertools
import math
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from peers import EdgeNode, mosquitto_peer, sparkplug_peer
from watched import intensifier, watched

FASTER = 20.0


def machine(port: int) -> str:
    return f"""
{intensifier(FASTER)}
[source]
kind = "sparkplug b"
host = "127.0.0.1"
port = {port}
group = "Lindgrat"
node = "Hall 2"
device = "North"
silence = "2 s"
blind_after = "2 s"

[source.pressure]
metric = "Pressure"
unit = "bar"

[source.stroke_count]
metric = "Strokes"
"""


def values(begun: float, **more: Any) -> list[dict[str, Any]]:
    """The pump's jet is on for 4 s and off for 1.5 s."""
    t = time.monotonic() - begun
    on, off = 4.0, 1.5
    jet = t % (on + off) < on
    strokes = (t // (on + off) * on + min(t % (on + off), on)) * FASTER / 3.0
    bar = 2500.0 + 5.0 * math.sin(40.0 * t) - 60.0 * (jet and strokes % 1 < 0.3)
    return [
        {"alias": 1, "type": "Double", "value": bar},
        {"alias": 2, "type": "UInt32", "value": 100 + int(strokes)},
    ]


def births(begun: float) -> dict[str, Any]:
    pressure, strokes = values(begun)
    return {"": [], "North": [{"name": "Pressure", **pressure}, {"name": "Strokes", **strokes}]}


class Node:
    """Publishes the pump's data all the time, and its births once a second where `is_reborn`."""

    def __init__(self, port: int, peer: EdgeNode, begun: float) -> None:
        self.port = port
        self.is_reborn = True  # a busy computer may lose a connection, and so the birth
        self._peer = peer
        self._begun = begun

    async def publish(self) -> None:
        for count in itertools.count():
            if self.is_reborn and count % 20 == 0:
                self._peer.births(births(self._begun))
            self._peer.data("North", *values(self._begun))
            await asyncio.sleep(0.05)


@pytest.fixture
async def node() -> AsyncIterator[Node]:
    begun = time.monotonic()
    with (
        mosquitto_peer() as broker,
        sparkplug_peer(
            broker=broker.port, group="Lindgrat", node="Hall 2", births=births(begun)
        ) as peer,
    ):
        node = Node(broker.port, peer, begun)
        publishing = asyncio.create_task(node.publish())
        yield node
        publishing.cancel()
        with pytest.raises(asyncio.CancelledError):
            await publishing


async def test_a_watch_that_is_restarted_sees_nothing_before_the_next_birth(
    node: Node, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with watched(tmp_path, machine(node.port), monkeypatch) as live:
        await live.is_seen()
    node.is_reborn = False
    async with watched(tmp_path, machine(node.port), monkeypatch) as again:
        await again.is_blind("Link down: no birth of Hall 2 came since the watcher connected")
        node.is_reborn = True
        await again.is_seen()

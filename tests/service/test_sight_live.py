"""What a machine sends, over real sockets from servers that others wrote, and whether it is seen.

The pump of tests/peers is invented. Where its times go with the values (OPC UA, MQTT), its day
passes twenty times as fast as ours; by Modbus it can't.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from borewarden.watcher.verdict import State
from peers import Modbus, OpcUa, modbus_peer, opcua_peer
from watched import Live, watched

SPEED = 20.0
HOUR = 3600.0  # s by which the pump's clock is behind, so that it never shows a time to come


@pytest.fixture(scope="module")
def _controller() -> Iterator[OpcUa]:
    with opcua_peer(start=time.time() - HOUR, speed=SPEED, first_count=100) as peer:
        yield peer


@pytest.fixture
def controller(_controller: OpcUa) -> OpcUa:
    _controller.clear_faults()
    return _controller


def opcua(peer: OpcUa, *more: str) -> str:
    return f"""
[source]
kind = "opc ua"
url = "{peer.url}"
interval = "0.1 s"
blind_after = "1 s"

[source.pressure]
node = "ns=2;s=Pump.Pressure"
unit = "bar"

[source.stroke_count]
node = "ns=2;s=Pump.StrokeCount"
bits = 32

[source.temperature]
node = "ns=2;s=Pump.WaterTemperature"
unit = "degC"
""" + "\n".join(more)


VALVE = """
[source.valve]
node = "ns=2;s=Pump.JetValve"
"""


async def test_learned_as_sound_and_then_text(
    controller: OpcUa, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The gateway gets a new program, which sends the numbers as text."""
    async with watched(tmp_path, opcua(controller), monkeypatch) as live:
        await live.until(lambda: live.status.verdict.state is State.SOUND)
        await live.is_seen()
        assert live.card["headline"] == "The bore is probably sound"
        controller.set_fault("text", channel="pressure")
        await live.is_blind("Pressure: ")
        assert live.card["headline"].endswith("s ago: The bore is probably sound")
        assert live.subjects == ["North: Cannot see the machine: the bore is not being watched"]
        controller.clear_faults()
        await live.is_seen()
        await live.until(lambda: len(live.subjects) == 2)
        assert live.subjects[1] == "North: The watcher sees the machine again"


NOTHING_USABLE = [
    ({"name": "bad_status", "channel": "pressure", "status": "BadSensorFailure"},
     "Pressure: BadSensorFailure"),
    ({"name": "bad_status", "channel": "stroke_count", "status": "BadSensorFailure"},
     "Stroke counter: BadSensorFailure"),
    ({"name": "missing", "channel": "pressure"}, "Pressure: BadNodeIdUnknown"),
    ({"name": "missing", "channel": "stroke_count"}, "Stroke counter: BadNodeIdUnknown"),
    ({"name": "no_access", "channel": "pressure"}, "Pressure: Bad"),
    ({"name": "array", "channel": "pressure"}, "Pressure: an array"),
    ({"name": "array", "channel": "stroke_count"}, "Stroke counter: an array"),
    ({"name": "text", "channel": "stroke_count"}, "Stroke counter: text"),
    ({"name": "null", "channel": "pressure"}, "Pressure: "),
    ({"name": "nan", "channel": "pressure"}, "Pressure: "),
    ({"name": "frozen", "channel": "pressure"}, "Pressure: stands still at"),
    ({"name": "full_scale", "channel": "pressure"}, "Pressure: stuck at 450 MPa"),
    ({"name": "psi"}, "Pressure: 36"),
    ({"name": "value", "channel": "pressure", "value": 18.0}, "Pressure: stands still at 1.8 MPa"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("fault", "said"), NOTHING_USABLE, ids=["-".join(map(str, f.values())) for f, _ in NOTHING_USABLE]
)
async def test_from_the_start_and_then_repaired(
    controller: OpcUa,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    fault: dict[str, Any],
    said: str,
) -> None:
    """Never "Still learning", also not before the first news; and seen once it is repaired."""
    controller.set_fault(**fault)
    async with watched(tmp_path, opcua(controller), monkeypatch) as live:
        assert live.card["headline"] == "No verdict"
        await live.is_blind(said)
        controller.clear_faults()
        await live.is_seen()
        await live.until(lambda: live.subjects[-1:] == ["North: The watcher sees the machine again"])
    assert len(live.subjects) == 2

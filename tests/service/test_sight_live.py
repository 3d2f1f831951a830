"""What a machine sends, over real sockets from servers that others wrote, and whether it is seen.

The machines are invented. Those by Modbus and MQTT are twenty times as fast as the one by OPC UA,
so that nobody waits for their strokes.
"""

from __future__ import annotations

import asyncio
import json
import math
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from borewarden.watcher.verdict import State
from peers import Broker, Modbus, OpcUa, modbus_peer, mosquitto_peer, opcua_peer
from watched import Live, intensifier, learned_as_sound, watched

FASTER = 20.0
BLIND = "North: Cannot see the machine: the bore is not being watched"
SEEN = "North: The watcher sees the machine again"
SOUND = "The bore has probably not changed since it was learned"


async def repaired(live: Live, repair: Callable[[], None]) -> None:
    """Once it is repaired, and not before, there is one all-clear."""
    before = live.subjects  # a slow start may have been told, too
    assert before[-1] == BLIND
    await asyncio.to_thread(repair)
    await live.is_seen()
    await live.until(lambda: live.subjects == [*before, SEEN])


# -- OPC UA, from node-opcua


@pytest.fixture(scope="module")
def _controller() -> Iterator[OpcUa]:
    with opcua_peer(step=0.1, jet=(1e9, 0), first_count=100) as peer:
        yield peer


@pytest.fixture
def controller(_controller: OpcUa) -> OpcUa:
    _controller.clear_faults()
    return _controller


def by_opcua(peer: OpcUa, *more: str) -> str:
    source = f"""
[source]
kind = "opc ua"
url = "{peer.url}"
interval = "0.2 s"
blind_after = "2 s"

[source.pressure]
node = "ns=2;s=Pump.Pressure"
unit = "bar"

[source.stroke_count]
node = "ns=2;s=Pump.StrokeCount"
bits = 32

[source.temperature]
node = "ns=2;s=Pump.WaterTemperature"
unit = "degC"
"""
    return "\n".join([intensifier(), source, *more])


RATE = """
[source.rate]
node = "ns=2;s=Pump.StrokeRate"
unit = "strokes/min"
"""


async def test_learned_as_sound_and_then_text(
    controller: OpcUa, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The gateway gets a new program, which sends the numbers as text."""
    machine = by_opcua(controller)
    await learned_as_sound(tmp_path, machine)
    async with watched(tmp_path, machine, monkeypatch) as live:
        assert live.status.verdict.state is State.SOUND
        assert live.card["headline"].endswith(f"ago: {SOUND}")  # nothing has come in yet
        await live.is_seen()
        assert live.card["headline"] == SOUND
        controller.set_fault("text", channel="pressure")
        await live.is_blind("Pressure: text")
        assert live.card["headline"].endswith(f"s ago: {SOUND}")
        await repaired(live, controller.clear_faults)
        assert live.card["headline"] == SOUND


NOTHING_USABLE = [
    ("Pressure: BadSensorFailure",
     {"name": "bad_status", "channel": "pressure", "status": "BadSensorFailure"}),
    ("Stroke counter: BadSensorFailure",
     {"name": "bad_status", "channel": "stroke_count", "status": "BadSensorFailure"}),
    ("Pressure: BadNodeIdUnknown", {"name": "missing", "channel": "pressure"}),
    ("Stroke counter: BadNodeIdUnknown", {"name": "missing", "channel": "stroke_count"}),
    ("Pressure: BadUserAccessDenied", {"name": "no_access", "channel": "pressure"}),
    ("Pressure: an array", {"name": "array", "channel": "pressure"}),
    ("Stroke counter: an array", {"name": "array", "channel": "stroke_count"}),
    ("Stroke counter: text", {"name": "text", "channel": "stroke_count"}),
    ("Pressure: true, which is no number", {"name": "boolean", "channel": "pressure"}),
    ("Stroke counter: true, which is no number", {"name": "boolean", "channel": "stroke_count"}),
    ("Pressure: there is no value in it", {"name": "null", "channel": "pressure"}),
    ("Pressure: not a finite number", {"name": "nan", "channel": "pressure"}),
    ("Pressure: stands still at", {"name": "frozen", "channel": "pressure"}),
    ("Pressure: stuck at 450 MPa", {"name": "full_scale", "channel": "pressure"}),
    ("MPa is out of range; the pump is rated 400 MPa", {"name": "psi"}),
]  # fmt: skip


@pytest.mark.parametrize(("said", "fault"), NOTHING_USABLE)
async def test_nothing_usable_from_the_start(
    controller: OpcUa,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    said: str,
    fault: dict[str, Any],
) -> None:
    """Never "Still learning", also not before the first news; and seen once it is repaired."""
    controller.set_fault(**fault)
    async with watched(tmp_path, by_opcua(controller), monkeypatch) as live:
        assert live.card["headline"] == "No verdict"
        await live.is_blind(said)
        await repaired(live, controller.clear_faults)


async def test_a_server_that_comes_back_without_a_pressure(
    controller: OpcUa, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was away, and answers again; that alone is no all-clear."""
    async with watched(tmp_path, by_opcua(controller), monkeypatch) as live:
        await live.is_seen()
        await asyncio.to_thread(controller.down)
        await live.is_blind("Link down: ")
        controller.set_fault("missing", channel="pressure")
        await asyncio.to_thread(controller.up)
        await live.until(lambda: live.status.link is not None and live.status.link.connected)
        await live.is_blind("Pressure: BadNodeIdUnknown")
        await repaired(live, controller.clear_faults)


@pytest.mark.parametrize("channel", ["pressure", "stroke_count"])
async def test_a_node_that_is_deleted_and_comes_back_is_subscribed_to_anew(
    controller: OpcUa, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, channel: str
) -> None:
    """node-opcua never tells the old monitored item anything again."""
    async with watched(tmp_path, by_opcua(controller), monkeypatch) as live:
        await live.is_seen()
        controller.set_fault("missing", channel=channel)
        await live.is_blind("BadNodeIdUnknown")
        await repaired(live, controller.clear_faults)
        asked = len(controller.log())

        def comes_by_itself() -> bool:
            requests = [entry["request"] for entry in controller.log()[asked:]][-12:]
            return len(requests) == 12 and requests.count("ReadRequest") <= 3

        await live.until(comes_by_itself)


async def test_a_counter_stops_whose_controller_is_another_one(
    controller: OpcUa, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The server goes on saying what it last heard of it."""
    async with watched(tmp_path, by_opcua(controller, RATE), monkeypatch) as live:
        await live.is_seen()
        controller.set_fault("stale", channel="stroke_count")
        await live.is_blind("Stroke counter: shows no strokes at 2")
        await repaired(live, controller.clear_faults)


async def test_a_pressure_stops_whose_controller_is_another_one(
    controller: OpcUa, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with watched(tmp_path, by_opcua(controller), monkeypatch) as live:
        await live.is_seen()
        controller.set_fault("stale", channel="pressure")
        await live.is_blind("Pressure: stands still at 2")
        await repaired(live, controller.clear_faults)


async def test_the_unit_changes_with_a_new_program(
    controller: OpcUa, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with watched(tmp_path, by_opcua(controller), monkeypatch) as live:
        await live.is_seen()
        controller.set_fault("psi")
        await live.is_blind("Pressure: 36", "MPa is out of range", "wrong unit or scale?")
        await repaired(live, controller.clear_faults)


# -- Modbus, from modbus-serial


@pytest.fixture(scope="module")
def _plc() -> Iterator[Modbus]:
    with modbus_peer(speed=FASTER, jet=(1e9, 0)) as peer:
        yield peer


@pytest.fixture
def plc(_plc: Modbus) -> Modbus:
    _plc.clear_faults()
    return _plc


def by_modbus(peer: Modbus) -> str:
    return f"""
{intensifier(FASTER)}
[source]
kind = "modbus tcp"
host = "{peer.host}"
port = {peer.port}
interval = "0.1 s"
blind_after = "2 s"

[source.pressure]
function = 4
address = 0
type = "float32"
unit = "bar"

[source.stroke_count]
function = 4
address = 10
type = "uint32"

[source.temperature]
function = 4
address = 17
type = "int16"
scale = 0.1
unit = "degC"
"""


REGISTERS = [
    (["Pressure: ", "illegal data address", "Stroke counter: "], {"name": "exception", "code": 2}),
    (["Pressure: ", "illegal data address"], {"name": "exception", "code": 2, "addresses": [0]}),
    (["Pressure: not a finite number"], {"name": "nan", "channel": "pressure"}),
    (["Pressure: "], {"name": "swapped_words", "channel": "pressure"}),
    (["Stroke counter: jumps"], {"name": "swapped_words", "channel": "stroke_count"}),
    (["Pressure: 1.", "does not fit the strokes"], {"name": "swapped_channels"}),
    (["Pressure: stands still at 2"], {"name": "frozen", "channel": "pressure"}),
    (["Pressure: stuck at 450 MPa"], {"name": "value", "channel": "pressure", "value": 4500.0}),
]


@pytest.mark.parametrize("since", ["the start", "later"])
@pytest.mark.parametrize(("said", "fault"), REGISTERS)
async def test_registers_that_give_nothing_usable(
    plc: Modbus,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    since: str,
    said: list[str],
    fault: dict[str, Any],
) -> None:
    if since == "the start":
        plc.set_fault(**fault)
    async with watched(tmp_path, by_modbus(plc), monkeypatch) as live:
        if since == "later":
            await live.is_seen()
            await live.until(lambda: live.status.samples > 20)
            plc.set_fault(**fault)
        await live.is_blind(*said)
        await repaired(live, plc.clear_faults)


# -- MQTT, from a test by way of mosquitto


@pytest.fixture(scope="module")
def broker() -> Iterator[Broker]:
    with mosquitto_peer() as peer:
        yield peer


def by_mqtt(peer: Broker, *, pressure: str = "bar") -> str:
    return f"""
{intensifier(FASTER)}
[source]
kind = "mqtt"
host = "{peer.host}"
port = {peer.port}
topic = "north/pressure"
silence = "2 s"
blind_after = "2 s"

[source.pressure]
field = "{pressure}"
unit = "bar"

[source.stroke_count]
topic = "north/strokes"
field = "count"
"""


class Gateway:
    """Publishes what two controllers say; what it makes of that may be changed at any time."""

    def __init__(self) -> None:
        self.pressure: Callable[[float], Any] = lambda bar: bar
        self.count: Callable[[int], Any] = lambda count: count
        self.topics = {"north/strokes", "north/pressure"}

    async def publish(self, broker: Broker) -> None:
        begun = time.monotonic()
        async with aiomqtt.Client(broker.host, broker.port) as client:
            while True:
                t = time.monotonic() - begun
                on, off = 4.0, 1.5  # s of jet, and between two
                jet = t % (on + off) < on
                strokes = (t // (on + off) * on + min(t % (on + off), on)) * FASTER / 3.0
                bar = 2500.0 + 5.0 * math.sin(40.0 * t) - 60.0 * (jet and strokes % 1 < 0.3)
                told = {
                    "north/strokes": {"count": self.count(100 + int(strokes))},
                    "north/pressure": {"bar": self.pressure(bar)},
                }
                for topic, values in told.items():
                    if topic in self.topics:
                        await client.publish(topic, json.dumps(values))
                await asyncio.sleep(0.05)


@pytest.fixture
async def gateway(broker: Broker) -> AsyncIterator[Gateway]:
    gateway = Gateway()
    publishing = asyncio.create_task(gateway.publish(broker))
    yield gateway
    publishing.cancel()
    with pytest.raises(asyncio.CancelledError):
        await publishing


async def test_a_field_of_another_name(
    broker: Broker, gateway: Gateway, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with watched(tmp_path, by_mqtt(broker, pressure="psi"), monkeypatch) as live:
        await live.is_blind("Pressure: ")


async def test_true_is_no_number(
    broker: Broker, gateway: Gateway, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A field that says whether there is a pressure, and not which."""
    gateway.pressure = lambda bar: bar > 0.0
    async with watched(tmp_path, by_mqtt(broker), monkeypatch) as live:
        await live.is_blind("Pressure: true, which is no number")
        gateway.pressure, gateway.count = lambda bar: bar, lambda count: count > 0
        await live.is_blind("Stroke counter: true, which is no number")


async def test_what_does_not_agree_with_what_the_machine_has_shown_before(
    broker: Broker, gateway: Gateway, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The scale of a gateway changes; or a counter stands, and only the pressure shows strokes."""
    async with watched(tmp_path, by_mqtt(broker), monkeypatch) as live:
        await live.is_seen()
        await live.until(lambda: live.status.samples > 700)
        for factor, said in [
            (0.1, "Pressure: 24"),  # far below a jet, with the strokes of one
            (10.0, "MPa is out of range"),
            (1.0 / 14.503773773, "Pressure: 17"),  # a program that says bar where it said psi
        ]:
            await live.is_seen()
            gateway.pressure = lambda bar, factor=factor: bar * factor
            await live.is_blind(said, "wrong unit")
            gateway.pressure = lambda bar: bar
        await live.is_seen()
        gateway.count = lambda count: 170
        await live.is_blind("Stroke counter: shows no strokes")
        gateway.count = lambda count: count
        await live.is_seen()


@pytest.mark.parametrize(
    ("stops", "said"), [("north/strokes", "Stroke counter: "), ("north/pressure", "Link down: ")]
)
async def test_one_of_two_controllers_says_nothing_any_more(
    broker: Broker,
    gateway: Gateway,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    stops: str,
    said: str,
) -> None:
    async with watched(tmp_path, by_mqtt(broker), monkeypatch) as live:
        await live.is_seen()
        gateway.topics.remove(stops)
        await live.is_blind(said)
        await repaired(live, lambda: gateway.topics.add(stops))

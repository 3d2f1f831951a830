"""What gateways and brokers do, by a real mosquitto: clocks, sessions, wildcards, certificates.

Sessions as in MQTT 3.1.1 (OASIS), 3.1.2.4 and 4.1, and MQTT 5.0, 3.1.2.11.2. Machines, names and
figures are invented.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import math
import ssl
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
import pytest

from borewarden.base.samples import Channel
from borewarden.collect import source_clock
from borewarden.collect.broker import covers, filters
from borewarden.collect.mqtt import JsonField, MqttSource, mqtt_samples
from borewarden.collect.payload import find
from borewarden.simulate.serve import payloads
from broker import broker
from peers import Broker, mosquitto_peer
from wire import PATIENCE, Stream, free_port, streaming

NS = 10**9
HOUR, DAY = 3600.0, 86_400.0
FIELDS = {
    "pressure": JsonField(Channel("bar", "bar", 1e5), "bar"),
    "stroke_count": JsonField(Channel("n", "counts"), "n"),
}
SOURCE = MqttSource(
    fields=FIELDS,
    topic="pump/north",
    host="127.0.0.1",
    time_path="t",
    client_id="watchernorth",
    silence=20.0,
)


@pytest.fixture(scope="module")
def _shop() -> Iterator[Broker]:
    with mosquitto_peer() as peer:
        yield peer


@pytest.fixture
def shop(_shop: Broker, request: pytest.FixtureRequest) -> MqttSource:
    """A source of its own at the shop's broker."""
    name = request.node.name.encode().hex()[-40:]
    return replace(SOURCE, port=_shop.port, topic=f"pump/{name}", client_id=f"w{name}")


def row_of(count: int, off: float = 0.0, **changes: object) -> str:
    return json.dumps({"t": time.time() + off, "bar": 3800.0, "n": count, **changes})


class Gateway:
    """Publishes rows of a machine, with a clock that is `off` s ahead."""

    def __init__(self, source: MqttSource, off: float = 0.0) -> None:
        self.source = source
        self.off = off
        self.count = 0

    async def send(self, rows: int = 1, pause: float = 0.05, **changes: object) -> None:
        async with aiomqtt.Client(self.source.host, self.source.port) as client:
            for _ in range(rows):
                self.count += 1
                row = row_of(self.count, self.off, **changes)
                await client.publish(self.source.topic, row, qos=1)
                await asyncio.sleep(pause)

    async def until(self, happened: Callable[[], object], **changes: object) -> None:
        """Sends until something happened."""
        async with asyncio.timeout(PATIENCE):
            while not happened():
                await self.send(pause=0.02, **changes)


def counts(stream: Stream) -> list[float]:
    return stream.column("stroke_count").tolist()


def reasons(stream: Stream) -> str:
    return " | ".join(link.reason for link in stream.links)


def age(stream: Stream, row: int = -1) -> float:
    """How long ago a row was, s."""
    return time.time() - int(stream.rows[row].time_ns[0]) * 1e-9


# -- clocks


@pytest.fixture
def sooner(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a second of messages is enough."""
    monkeypatch.setattr(source_clock, "WATCHED", 0.5)


@pytest.mark.usefixtures("sooner")
@pytest.mark.parametrize("off", [2 * HOUR, HOUR, -HOUR, -3 * DAY])
async def test_gateway_whose_clock_is_wrong_is_put_right(shop: MqttSource, off: float) -> None:
    gateway = Gateway(shop, off)
    async with streaming(mqtt_samples(shop)) as stream:
        await gateway.until(lambda: "put right" in reasons(stream))
        await gateway.until(lambda: len(stream.rows) > 20)
        assert abs(age(stream)) < 5.0
    first = counts(stream)[0]
    assert counts(stream) == [first + i for i in range(len(stream.rows))]
    assert all(link.connected for link in stream.links)
    words = {2.0: "2 h ahead", 1.0: "60 min ahead", -1.0: "60 min behind", -72.0: "3 d behind"}
    assert f"whose clock is {words[off / HOUR]}: its times are put right" in reasons(stream)


@pytest.mark.usefixtures("sooner")
@pytest.mark.parametrize(
    ("off", "then"),
    [(0.0, -HOUR), (0.0, HOUR), (0.0, -3 * DAY), (2 * HOUR, HOUR), (HOUR, 2 * HOUR)],
)
async def test_gateway_whose_clock_is_set_loses_no_row(
    shop: MqttSource, off: float, then: float
) -> None:
    """The last two are daylight saving time that ends and begins, with local time for UTC."""
    gateway = Gateway(shop, off)
    async with streaming(mqtt_samples(shop)) as stream:
        await gateway.until(lambda: not off or "put right" in reasons(stream))
        await gateway.until(lambda: len(stream.rows) > 10 and abs(age(stream)) < 5.0)
        before = len(stream.links)
        gateway.off = then
        await gateway.until(lambda: "put right" in reasons(stream) and len(stream.links) > before)
        await gateway.until(lambda: abs(age(stream)) < 5.0)
        sent = gateway.count
        await stream.until(lambda: counts(stream)[-1] == sent)
    assert counts(stream) == [float(n) for n in range(int(counts(stream)[0]), sent + 1)]
    times = [int(row.time_ns[0]) for row in stream.rows]
    assert max(b - a for a, b in itertools.pairwise(times)) < 5 * NS
    assert all(link.connected for link in stream.links)


@pytest.mark.parametrize("date", [datetime(2099, 1, 1, tzinfo=UTC).timestamp(), 2 * DAY])
async def test_one_message_of_another_time_is_told_and_moves_nothing(
    shop: MqttSource, date: float
) -> None:
    date = date if date > 10 * DAY else time.time() + date
    gateway = Gateway(shop)
    async with streaming(mqtt_samples(shop)) as stream:
        await gateway.until(lambda: len(stream.rows) > 5)
        await gateway.send(t=date)
        await gateway.until(lambda: "its time of arrival is taken" in reasons(stream))
        assert abs(age(stream)) < 5.0
        sent = gateway.count
        await stream.until(lambda: counts(stream)[-1] == sent)
    assert counts(stream) == [float(n) for n in range(int(counts(stream)[0]), sent + 1)]
    assert f"a message was dated {datetime.fromtimestamp(date, UTC):%Y-%m-%d}" in reasons(stream)
    assert all(link.connected for link in stream.links)


async def test_gateway_that_repeats_its_last_message_has_nothing_new(shop: MqttSource) -> None:
    gateway = Gateway(shop)
    shop = replace(shop, silence=0.5)
    at = time.time()
    async with streaming(mqtt_samples(shop)) as stream:
        await gateway.until(lambda: stream.is_up)
        at = time.time() + 1.0
        await gateway.until(lambda: stream.is_down, t=at)
        assert len([row for row in stream.rows if int(row.time_ns[0]) == round(at * NS)]) <= 1
    assert "nothing new" in stream.links[-1].reason


# -- sessions


@pytest.mark.parametrize("version", ["3.1.1", "5"])
async def test_what_comes_while_the_watcher_is_away_comes_after_the_restart(
    shop: MqttSource, version
) -> None:
    shop = replace(shop, version=version)
    gateway = Gateway(shop)
    async with streaming(mqtt_samples(shop)) as stream:
        await gateway.until(lambda: len(stream.rows) > 3)
        sent = gateway.count
        await stream.until(lambda: counts(stream)[-1] == sent)
    away = time.time_ns()
    await gateway.send(60, pause=0.01)
    back = time.time_ns()
    async with streaming(mqtt_samples(shop)) as again:
        await again.until(lambda: len(again.rows) == 60)
        await gateway.until(lambda: len(again.rows) > 63)
    assert counts(again) == [float(sent + 1 + i) for i in range(len(again.rows))]
    times = [int(row.time_ns[0]) for row in again.rows[:60]]
    assert away < times[0] < times[-1] < back  # when they were so, not when they came


@pytest.mark.parametrize(
    "changes", [{"time_path": None}, {"qos": 0}, {"keep_session": False}, {"client_id": None}]
)
async def test_without_time_or_name_nothing_is_kept(shop: MqttSource, changes: dict) -> None:
    gateway = Gateway(shop)
    shop = replace(shop, **changes)
    assert not shop.is_kept
    for _ in range(2):
        async with streaming(mqtt_samples(shop)) as stream:
            await gateway.until(lambda stream=stream: stream.rows)
            first = counts(stream)[0]
        before = gateway.count
        await gateway.send(5, pause=0.0)
    assert first > before - 60
    async with streaming(mqtt_samples(shop)) as stream:
        await gateway.until(lambda: stream.rows)
    assert counts(stream)[0] > before + 5


async def test_broker_that_grants_less_is_said(tmp_path: Path) -> None:
    source = replace(SOURCE, port=free_port())
    async with (
        broker(source.port, tmp_path, "max_qos 0"),
        streaming(mqtt_samples(source)) as stream,
        aiomqtt.Client(source.host, source.port) as client,
    ):
        while not stream.links:
            await client.publish(source.topic, row_of(1), qos=0)
            await asyncio.sleep(0.05)
    assert "grants QoS 0 only" in reasons(stream)


async def test_two_programs_of_one_name_are_said(shop: MqttSource) -> None:
    gateway = Gateway(shop)
    async with streaming(mqtt_samples(shop)) as stream:
        await gateway.until(lambda: stream.is_up)
        async with aiomqtt.Client(shop.host, shop.port, identifier=shop.client_id):
            pass
        await stream.until(lambda: stream.is_down)
    assert f"closed the connection of client_id {shop.client_id!r}" in reasons(stream)
    assert "give each its own client_id" in reasons(stream)


# -- wildcards


@pytest.mark.parametrize(
    ("wider", "topic", "has"),
    [
        ("pump/+/bar", "pump/north/bar", True),
        ("pump/+/bar", "pump/north/west/bar", False),
        ("pump/#", "pump", True),
        ("pump/#", "pump/north/bar", True),
        ("#", "pump/north", True),
        ("#", "$SYS/uptime", False),
        ("+/uptime", "$SYS/uptime", False),
        ("$SYS/#", "$SYS/uptime", True),
        ("pump/north", "pump/north", True),
        ("pump/north", "pump/north/bar", False),
        ("pump/+", "pump/", True),
        ("pump/+", "pump", False),
        ("pump/#", "pump/+/bar", True),
        ("pump/+/bar", "pump/#", False),
        ("pump/+", "pump/+", True),
    ],
)
def test_wildcards(wider: str, topic: str, has: bool) -> None:
    assert covers(wider, topic) is has


def test_overlapping_subscriptions_are_one() -> None:
    assert filters({"a/#", "a/b", "a/+/c", "b"}) == ["a/#", "b"]


async def test_channels_behind_wildcards(shop: MqttSource) -> None:
    base = shop.topic
    fields = {
        "pressure": replace(FIELDS["pressure"], topic=f"{base}/+/pressure"),
        "stroke_count": replace(FIELDS["stroke_count"], path="", topic=f"{base}/#"),
    }
    source = replace(shop, fields=fields)
    gateway = Gateway(replace(shop, topic=f"{base}/high/pressure"))
    async with (
        streaming(mqtt_samples(source)) as stream,
        aiomqtt.Client(shop.host, shop.port) as client,
        asyncio.timeout(PATIENCE),
    ):

        async def strokes(topic: str) -> None:
            await client.publish(f"{base}/{topic}", "7", qos=1)
            await client.publish(f"{base}/status", "running", qos=1)
            await gateway.send(pause=0.02)

        while not (stream.rows and stream.rows[-1].stroke_count[0] == 7.0):
            await strokes("count")
        while not math.isnan(stream.rows[-1].stroke_count[0]):
            await strokes("other/count")
        while "name the topic" not in reasons(stream):
            await strokes("other/count")
    assert stream.rows[-1].pressure[0] == pytest.approx(380e6)
    assert f"stroke_count: comes on {base}/count and {base}/other/count" in reasons(stream)


# -- what is published


async def test_text_lists_and_commas_are_read_and_what_is_refused_is_said(
    shop: MqttSource,
) -> None:
    fields = {
        "pressure": replace(FIELDS["pressure"], path="values[0]"),
        "stroke_count": replace(FIELDS["stroke_count"], path="values.1"),
        "temperature": JsonField(Channel("c", "degC", 1.0, 273.15), "water"),
    }
    source = replace(shop, fields=fields)
    gateway = Gateway(source)
    async with streaming(mqtt_samples(source)) as stream:
        while not stream.rows:
            text = f"{time.time():.3f}"
            await gateway.send(t=text, values=["3746.5", "7"], water="14,5")
        row = stream.rows[-1]
        assert row.pressure[0] == pytest.approx(374.65e6)
        assert row.stroke_count[0] == 7.0
        assert row.temperature[0] == pytest.approx(287.65)
        assert abs(age(stream)) < 5.0
        assert reasons(stream) == f"connected to {source.name}"
        bad = {"values": ["3,746", "7"], "water": "14.5 degC"}
        await gateway.until(lambda: len(stream.links) > 1, **bad)
        assert math.isnan(stream.rows[-1].pressure[0])
    assert (
        "pressure: a comma that may stand for decimals or for thousands, such as '3,746'"
        in stream.links[-1].reason
    )
    assert "temperature: text, not a number, such as '14.5 degC'" in stream.links[-1].reason


async def test_field_and_topic_that_are_not_there_are_said(shop: MqttSource) -> None:
    fields = {
        **FIELDS,
        "temperature": JsonField(Channel("c", "degC", 1.0, 273.15), "wather"),
        "valve": JsonField(Channel("v", "0 or 1"), "", f"{shop.topic}/valve"),
    }
    source = replace(shop, fields=fields, silence=0.5)
    gateway = Gateway(source)
    async with streaming(mqtt_samples(source)) as stream:
        await gateway.until(lambda: "temperature: no such field" in reasons(stream), water=14.5)
        await gateway.until(lambda: f"valve: nothing on {shop.topic}/valve" in reasons(stream))
    assert all(link.connected for link in stream.links)


# -- certificates


async def test_client_certificates() -> None:
    rights = "user watcher\ntopic read pump/#\nuser north\ntopic write pump/north"
    with mosquitto_peer(security="client certificates", rights=rights) as shop:
        made, north = shop.client("watcher"), shop.client("north")
        source = replace(
            SOURCE,
            port=shop.port,
            tls=True,
            ca=shop.ca,
            certificate=made.pem,
            private_key=made.key,
            silence=2.0,
        )
        gateway = replace(source, certificate=north.pem, private_key=north.key)
        context = ssl.create_default_context(cafile=shop.ca)
        context.load_cert_chain(gateway.certificate, gateway.private_key)
        async with (
            streaming(mqtt_samples(source)) as stream,
            aiomqtt.Client(shop.host, shop.port, tls_context=context) as client,
        ):
            while not stream.rows:
                await client.publish(source.topic, row_of(1), qos=1)
                await asyncio.sleep(0.05)
        assert stream.rows[0].pressure[0] == pytest.approx(380e6)
        assert not any("PUBLISH from watcher" in line for line in shop.log())
        for changes, says in (
            ({"certificate": None, "private_key": None}, "want a client's certificate"),
            ({"private_key": north.key}, "are not a certificate and its private key"),
            ({"private_key": made.pem}, "are not a certificate and its private key"),
        ):
            wrong = replace(source, timeout=1.0, **changes)
            async with streaming(mqtt_samples(wrong)) as stream:
                await stream.until(lambda stream=stream: stream.is_down)
            assert says in stream.links[0].reason
            assert not stream.rows


def test_the_stand_in_publishes_where_wildcards_and_places_in_lists_are_looked_for() -> None:
    fields = {
        "pressure": replace(FIELDS["pressure"], path="values[0]", topic="pump/+/data"),
        "stroke_count": replace(FIELDS["stroke_count"], path="", topic="pump/count/#"),
    }
    source = replace(SOURCE, fields=fields)
    raw = {"pressure": 3800.0, "stroke_count": 7.0}
    (_, count), (topic, text) = payloads(source, raw, 1_772_431_200 * NS)
    assert covers("pump/+/data", topic)
    assert find(json.loads(text), "values[0]") == 3800.0
    assert json.loads(count) == 7.0

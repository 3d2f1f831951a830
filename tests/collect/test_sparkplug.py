"""Sparkplug B through a real mosquitto, from an edge node that others wrote (Eclipse Tahu's).

By Eclipse Sparkplug 3.0.0; the chapters are named beside what they rule. Machines are invented.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import aiomqtt
import pytest

from borewarden.base.samples import Channel
from borewarden.collect.sparkplug import MetricPoint, SparkplugSource, sparkplug_samples
from borewarden.collect.sparkplug_payload import encode
from borewarden.simulate.edge_node import StandInNode, publish_sparkplug
from peers import Broker, EdgeNode, mosquitto_peer, sparkplug_peer
from wire import PATIENCE, Stream, streaming

METRICS = {
    "pressure": MetricPoint(Channel("Pump/Pressure", "bar", 1e5), "Pump/Pressure"),
    "stroke_count": MetricPoint(Channel("Pump/Strokes", "counts"), "Pump/Strokes", bits=32),
    "valve": MetricPoint(Channel("Jet", "0 or 1"), "Jet"),
    "temperature": MetricPoint(
        Channel("Water", "degC", 1.0, 273.15, 272.0, 335.0), "Water", device=""
    ),
}
DEVICE = "Pump"
BIRTHS = {
    "": [{"name": "Water", "alias": 1, "type": "Int16", "value": -1}],
    DEVICE: [
        {"name": "Pump/Pressure", "alias": 2, "type": "Float", "value": 3800.0},
        {"name": "Pump/Strokes", "alias": 3, "type": "UInt32", "value": 7},
        {"name": "Jet", "alias": 4, "type": "Boolean", "value": True},
        {"name": "Pump/Name", "alias": 5, "type": "String", "value": "North"},
    ],
}


@pytest.fixture(scope="module")
def broker() -> Iterator[Broker]:
    with mosquitto_peer() as peer:
        yield peer


@pytest.fixture(scope="module")
def source(broker: Broker) -> SparkplugSource:
    """A machine at the broker."""
    return SparkplugSource(
        metrics=METRICS,
        group="Lindgrat",
        node="Hall 2",
        device=DEVICE,
        host=broker.host,
        port=broker.port,
        silence=20.0,
    )


@pytest.fixture(scope="module")
def node(broker: Broker, source: SparkplugSource) -> Iterator[EdgeNode]:
    """Its edge node, which publishes its births before anybody listens."""
    with sparkplug_peer(
        broker=broker.port, group=source.group, node=source.node, births=BIRTHS
    ) as peer:
        yield peer


async def born(stream: Stream, node: EdgeNode) -> None:
    """Births until one is heard, since nobody sees when the collector has subscribed."""
    first = {**BIRTHS, DEVICE: [{**BIRTHS[DEVICE][0], "value": 3900.0}, *BIRTHS[DEVICE][1:]]}
    async with asyncio.timeout(PATIENCE):
        while not stream.rows:
            await asyncio.to_thread(node.births, first)
            await asyncio.sleep(0.05)
    await asyncio.to_thread(node.births, BIRTHS)
    await stream.until(lambda: stream.rows[-1].pressure[0] == pytest.approx(380e6))


def pressure(value: Any, **changes: Any) -> dict[str, Any]:
    return {"alias": 2, "type": "Float", "value": value, **changes}


def strokes(value: Any, **changes: Any) -> dict[str, Any]:
    return {"alias": 3, "type": "UInt32", "value": value, **changes}


async def say(node: EdgeNode, *metrics: dict[str, Any], device: str = DEVICE) -> None:
    await asyncio.to_thread(node.data, device, *metrics)


async def until_said(stream: Stream, node: EdgeNode, words: str) -> None:
    """Data until the link says so: it waits whether a fault lasts."""
    await data_until(node, lambda: stream.links and words in stream.links[-1].reason)


async def data_until(node: EdgeNode, happened: Callable[[], object]) -> None:
    count = 100
    async with asyncio.timeout(PATIENCE):
        while not happened():
            count += 1
            await say(node, pressure(3700.0), strokes(count))
            await asyncio.sleep(0.02)


# -- births and data


async def test_birth_then_data_by_alias(source: SparkplugSource, node: EdgeNode) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        row = stream.rows[-1]
        assert row.pressure[0] == pytest.approx(380e6)
        assert row.stroke_count[0] == 7.0
        assert row.valve[0] == 1.0
        assert row.temperature[0] == pytest.approx(272.15)  # two's complement, 6.4.16
        assert abs(int(row.time_ns[0]) - time.time_ns()) < 5e9
        before = len(stream.rows)
        await say(node, pressure(3700.5), strokes(8))
        await say(node, {"alias": 1, "type": "Int16", "value": 20}, device="")
        await asyncio.sleep(0.002)  # times are in ms
        await say(node, pressure(3700.0))
        await stream.until(lambda: len(stream.rows) == before + 2)
    first, second = stream.rows[-2:]
    assert first.pressure[0] == pytest.approx(370.05e6)
    assert first.stroke_count[0] == second.stroke_count[0] == 8.0
    assert first.valve[0] == second.valve[0] == 1.0  # a value holds until the next
    assert second.temperature[0] == pytest.approx(293.15)
    assert stream.is_up
    assert stream.links[-1].reason == f"connected to {source.name}"


async def test_several_values_of_one_metric_are_rows_at_their_own_times(
    source: SparkplugSource, node: EdgeNode
) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        before = len(stream.rows)
        at = time.time_ns() // 10**6
        values = [pressure(3701.0 + i, timestamp=at + 10 * i) for i in range(3)]
        await say(node, *values, strokes(9, timestamp=at + 10))
        await stream.until(lambda: len(stream.rows) == before + 3)
    rows = stream.rows[-3:]
    assert [int(row.time_ns[0]) // 10**6 - at for row in rows] == [0, 10, 20]
    assert [row.pressure[0] for row in rows] == pytest.approx([370.1e6, 370.2e6, 370.3e6])
    assert [row.stroke_count[0] for row in rows] == [7.0, 9.0, 9.0]


async def test_null_and_bad_quality_are_unknown_and_said(
    source: SparkplugSource, node: EdgeNode
) -> None:
    bad = {"Quality": {"type": "Int32", "value": 0}}  # 6.4.7
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        async with asyncio.timeout(PATIENCE):
            while len(stream.links[-1].channels) < 2:
                await say(node, pressure(3700.0, properties=bad), strokes(None))
                await asyncio.sleep(0.02)
        assert math.isnan(stream.rows[-1].pressure[0])
        assert math.isnan(stream.rows[-1].stroke_count[0])
        assert stream.links[-1].channels == {
            "pressure": "its quality is bad",
            "stroke_count": "null",
        }
        await data_until(node, lambda: not stream.links[-1].channels)
        assert stream.rows[-1].pressure[0] == pytest.approx(370e6)


async def test_true_is_no_number_but_of_a_valve(source: SparkplugSource, node: EdgeNode) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        true = {"type": "Boolean", "value": True}
        async with asyncio.timeout(PATIENCE):
            while len(stream.links[-1].channels) < 2:
                await say(node, pressure(True, type="Boolean"), strokes(**true))
                await asyncio.sleep(0.02)
        assert stream.links[-1].channels == dict.fromkeys(
            ("pressure", "stroke_count"), "true, which is no number"
        )
        assert math.isnan(stream.rows[-1].pressure[0])
        assert stream.rows[-1].valve[0] == 1.0
        await data_until(node, lambda: not stream.links[-1].channels)


async def test_values_of_the_past_are_left_out_and_said(
    source: SparkplugSource, node: EdgeNode
) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        past = time.time_ns() // 10**6 - 600_000
        await say(node, pressure(1.0, timestamp=past, isHistorical=True))
        await until_said(stream, node, "values of the past (is_historical) are left out")
    assert 1e5 not in stream.column("pressure").tolist()
    assert min(int(row.time_ns[0]) for row in stream.rows) // 10**6 > past + 500_000


async def test_metric_that_the_birth_does_not_have_is_said(
    source: SparkplugSource, node: EdgeNode
) -> None:
    wrong = replace(METRICS["stroke_count"], metric="Pump/Stroks")
    source = replace(source, metrics={**METRICS, "stroke_count": wrong})
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
    words = f"the birth of {source.node}/Pump has no metric 'Pump/Stroks'"
    assert stream.links[0].channels == {"stroke_count": f"{words}; did you mean 'Pump/Strokes'?"}
    assert math.isnan(stream.rows[-1].stroke_count[0])
    assert stream.rows[-1].pressure[0] == pytest.approx(380e6)


# -- what ends a session


async def test_without_a_birth_nothing_is_seen_and_it_is_said(
    source: SparkplugSource, node: EdgeNode
) -> None:
    asked = node.commands
    async with streaming(sparkplug_samples(source)) as stream:
        await until_said(stream, node, "no birth of")
        assert stream.is_down
        assert not stream.rows
        assert "came since the watcher connected" in stream.links[-1].channels["stroke_count"]
        assert "ask_for_births" in stream.links[-1].reason
        await born(stream, node)
        assert stream.is_up
    assert node.commands == asked  # nobody asked for it


async def test_restart_in_the_midst_sees_nothing_until_the_node_is_born_again(
    source: SparkplugSource, node: EdgeNode
) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
    async with streaming(sparkplug_samples(source)) as again:
        await until_said(again, node, "no birth of")
        assert not again.rows
        await born(again, node)
    assert again.is_up


async def test_lost_message_ends_what_aliases_mean(source: SparkplugSource, node: EdgeNode) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        await asyncio.to_thread(node.skip)
        before = len(stream.rows)
        await until_said(stream, node, "a message of")
        assert "was lost (number 4 came after 1)" not in stream.links[-1].reason
        assert "was lost (number 3 came after 1), and no birth came since" in (
            stream.links[-1].reason
        )
        assert stream.is_down
        assert len(stream.rows) == before
        await asyncio.to_thread(node.births, BIRTHS)
        await stream.until(lambda: stream.is_up)
        assert stream.rows[-1].pressure[0] == pytest.approx(380e6)


async def test_numbers_that_begin_anew_after_255_are_no_gap(
    source: SparkplugSource, node: EdgeNode
) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        for count in range(260):
            await say(node, strokes(count))
        await say(node, pressure(3700.0), strokes(300))
        await stream.until(lambda: stream.rows[-1].stroke_count[0] == 300.0)
    assert stream.is_up
    assert len(stream.links) == 1


async def test_death_of_the_device_and_its_birth(source: SparkplugSource, node: EdgeNode) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        await asyncio.to_thread(node.death, DEVICE)
        await stream.until(lambda: stream.is_down)
        assert f"{source.node}/Pump is gone (DDEATH)" in stream.links[-1].reason
        before = len(stream.rows)
        await say(node, pressure(3700.0))
        await asyncio.to_thread(node.births, BIRTHS)
        await stream.until(lambda: stream.is_up)
    assert stream.rows[before].pressure[0] == pytest.approx(380e6)


@pytest.mark.parametrize("kill", [True, False])
async def test_death_of_the_node_by_its_will_and_by_its_word(
    source: SparkplugSource, node: EdgeNode, kill: bool
) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        await asyncio.to_thread(node.down, kill)
        await stream.until(lambda: stream.is_down)
        assert f"{source.node} is gone (NDEATH)" in stream.links[-1].reason
        assert set(stream.links[-1].channels) == set(METRICS)
        await asyncio.to_thread(node.up)
        await stream.until(lambda: stream.is_up)
        assert stream.rows[-1].pressure[0] == pytest.approx(380e6)


async def test_will_of_an_earlier_connection_kills_nobody(
    source: SparkplugSource, node: EdgeNode
) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        earlier = [{"name": "bdSeq", "datatype": 8, "long_value": 41}]  # the node's own is 0
        async with aiomqtt.Client(source.host, source.port) as client:
            topic = f"spBv1.0/{source.group}/NDEATH/{source.node}"
            await client.publish(topic, encode(time.time_ns(), None, earlier), qos=1)
        await say(node, pressure(3700.0), strokes(8))
        await stream.until(lambda: stream.rows[-1].stroke_count[0] == 8.0)
    assert stream.is_up


async def test_what_can_not_be_decoded_is_a_lost_message(
    source: SparkplugSource, node: EdgeNode
) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        await born(stream, node)
        async with aiomqtt.Client(source.host, source.port) as client:
            topic = f"spBv1.0/{source.group}/DDATA/{source.node}/{DEVICE}"
            await client.publish(topic, b"\xff no protobuf", qos=1)
        await stream.until(lambda: stream.is_down)
        assert "could not be decoded" in stream.links[-1].reason


async def test_births_are_asked_for_only_where_that_is_set(
    source: SparkplugSource, node: EdgeNode
) -> None:
    await asyncio.to_thread(node.births, BIRTHS)
    asked = node.commands
    async with streaming(sparkplug_samples(replace(source, ask_for_births=True))) as stream:
        await stream.until(lambda: stream.is_up)
        assert stream.rows[0].pressure[0] == pytest.approx(380e6)
    assert node.commands == [*asked, "Node Control/Rebirth"]


# -- by name, and by the stand-in


async def test_names_with_their_datatype_need_no_birth(
    source: SparkplugSource, node: EdgeNode
) -> None:
    async with streaming(sparkplug_samples(source)) as stream:
        async with asyncio.timeout(PATIENCE):
            while not stream.rows:
                await say(
                    node,
                    {"name": "Pump/Pressure", "type": "Double", "value": 3700.0},
                    {"name": "Pump/Strokes", "type": "UInt32", "value": 2**32 - 1},
                )
                await asyncio.sleep(0.02)
    assert stream.rows[0].pressure[0] == pytest.approx(370e6)
    assert stream.rows[0].stroke_count[0] == 2**32 - 1
    assert stream.is_up
    assert "valve" in stream.links[0].channels  # it came neither by name nor in a birth


async def test_the_stand_in_leaves_datatypes_to_its_birth(source: SparkplugSource) -> None:
    source = replace(source, node="Stand-in")
    raw = {"pressure": 3800.0, "stroke_count": -1.0, "valve": 1.0, "temperature": math.nan}
    heard: list[object] = []

    async def rows() -> Any:
        while len(heard) < 5:
            await asyncio.sleep(0.02)
            yield time.time_ns(), raw

    asking = replace(source, ask_for_births=True)
    async with streaming(sparkplug_samples(asking)) as stream:
        serving = asyncio.create_task(publish_sparkplug(source, rows()))
        await stream.until(lambda: len(stream.rows) > 5)
        heard.extend(range(5))
        await serving
        await stream.until(lambda: stream.is_down)  # it says that it goes
    assert stream.rows[-1].stroke_count[0] == 2**32 - 1
    assert math.isnan(stream.rows[-1].temperature[0])
    assert StandInNode(source).topic("DDATA", DEVICE).endswith("/Pump")

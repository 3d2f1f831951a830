"""What `look` makes of an edge node of Sparkplug B, through a real broker. It is invented."""

from __future__ import annotations

import asyncio
import random
import tomllib
from collections.abc import AsyncIterator
from contextlib import aclosing
from typing import Any

import aiomqtt
import pytest

from borewarden.base.errors import BadInput
from borewarden.collect import mqtt_listen
from borewarden.collect.mqtt import MqttSource
from borewarden.collect.sparkplug_payload import DOUBLE, encode
from borewarden.collect.survey import Survey
from borewarden.look.machine_file import Plate, figures_of, machine_text
from borewarden.look.network import heard_at
from borewarden.look.roles import Told
from peers import Broker, mosquitto_peer

START = 1_772_431_200 * 10**9
NAMES = {
    "HP/Actual": "bar",
    "HP/Count": "",
    "Feed/Temperature": "degC",
}


def metrics(second: int, chance: random.Random) -> list[dict[str, Any]]:
    """A jet that is on for 40 s and off for 20 s, with 24 strokes a minute."""
    is_on = second % 60 < 40
    on = second // 60 * 40 + min(second % 60, 40)
    values = (3740.0 + chance.gauss(0.0, 6.0) + 25.0 * (not is_on), 100 + int(0.4 * on), 18.0)
    values = (*values[:2], values[2] + chance.gauss(0.0, 0.05))
    return [{"alias": alias, "double_value": value} for alias, value in enumerate(values, 1)]


async def publish(port: int, rows: int, first: int = 0) -> None:
    """The node's day, as fast as it goes; without its births if it is not `first` 0."""
    chance = random.Random(4)
    async with aiomqtt.Client("127.0.0.1", port) as client:
        if not first:
            await client.publish("spBv1.0/Lindgrat/NBIRTH/Hall 2", encode(START, 0, []))
        for second in range(first, first + rows):
            told = metrics(second, chance)
            if second == 0:
                for metric, (name, unit) in zip(told, NAMES.items(), strict=True):
                    metric |= {"name": name, "datatype": DOUBLE}
                    metric["properties"] = {
                        "keys": ["engUnit"], "values": [{"string_value": unit}]
                    }  # fmt: skip
            verb = "DDATA" if second else "DBIRTH"
            content = encode(START + second * 10**9, (second + 1) % 256, told)
            await client.publish(f"spBv1.0/Lindgrat/{verb}/Hall 2/P 4", content, qos=1)


@pytest.fixture
async def broker() -> AsyncIterator[Broker]:
    with mosquitto_peer() as peer:
        yield peer


def everything(broker: Broker) -> MqttSource:
    return MqttSource(fields={}, topic="#", host=broker.host, port=broker.port)


async def test_file_names_group_node_device_and_metrics(broker: Broker) -> None:
    survey, told = Survey(), []
    async with aclosing(mqtt_listen.listening(everything(broker), survey, told.append)) as rounds:
        first = asyncio.ensure_future(anext(rounds))
        while not told:  # connected, and subscribed
            await asyncio.sleep(0.01)
        await publish(broker.port, 400)
        await first
        while survey.most < 400:
            await asyncio.sleep(0.01)
    address = f"mqtt://127.0.0.1:{broker.port}"
    section = {"kind": "mqtt", "host": "127.0.0.1", "port": broker.port, "topic": "#"}
    heard = heard_at(address, section, survey, []).told_anew(Told())
    text = machine_text(heard, Plate(), figures_of(heard, Plate()), "UTC")
    source = tomllib.loads(text)["source"]
    assert source == {
        "kind": "sparkplug b",
        "host": "127.0.0.1",
        "port": broker.port,
        "group": "Lindgrat",
        "node": "Hall 2",
        "device": "P 4",
        "pressure": {"metric": "HP/Actual", "unit": "bar"},
        "stroke_count": {"metric": "HP/Count"},
        "temperature": {"metric": "Feed/Temperature", "unit": "degC"},
    }
    assert "the machine states it" in text


async def test_node_whose_birth_was_missed_is_said(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_listen, "BIRTH_PATIENCE", 1.5)
    survey, told = Survey(), []
    async with aclosing(mqtt_listen.listening(everything(broker), survey, told.append)) as rounds:
        first = asyncio.ensure_future(anext(rounds))
        while not told:
            await asyncio.sleep(0.01)
        await publish(broker.port, 3, first=7)
        with pytest.raises(BadInput, match="no birth of Lindgrat/Hall 2 came within"):
            await first
    assert "Lindgrat/Hall 2 speaks Sparkplug B" in told[-1]

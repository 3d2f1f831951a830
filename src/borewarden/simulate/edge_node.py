"""The stand-in pump behind an edge node of Sparkplug B, which answers requests for its births."""

from __future__ import annotations

import math
from collections.abc import AsyncIterable, Mapping
from contextlib import suppress
from typing import Any

import aiomqtt

from borewarden.collect.sparkplug import SparkplugSource
from borewarden.collect.sparkplug_node import BIRTH_NUMBER, MODULUS, NAMESPACE, OWN
from borewarden.collect.sparkplug_payload import BOOLEAN, DOUBLE, INT64, REBIRTH, UINT64, encode

Rows = AsyncIterable[tuple[int, Mapping[str, float]]]


class StandInNode:
    """What such a node publishes: births with names and aliases, then data by alias.

    Aliases are the places of the channels in `source.metrics`, from 1.
    """

    def __init__(self, source: SparkplugSource) -> None:
        self._source = source
        self._seq = 0
        devices = [source.device_of(name) for name in source.metrics]
        self._devices = sorted({OWN, *devices})  # the node's own come first

    def topic(self, verb: str, device: str = OWN) -> str:
        """Where a message of this kind goes."""
        topic = f"{NAMESPACE}/{self._source.group}/{verb}/{self._source.node}"
        return f"{topic}/{device}" if device else topic

    def death(self, time_ns: int) -> tuple[str, bytes]:
        """The node's will."""
        return self.topic("NDEATH"), encode(time_ns, None, [_birth_number()])

    def births(self, time_ns: int, raw: Mapping[str, float]) -> list[tuple[str, bytes]]:
        """The births of node and devices, with what the channels are now."""
        self._seq = 0
        made = []
        for device in self._devices:
            metrics = self._metrics(device, time_ns, raw, is_birth=True)
            if device == OWN:
                rebirth = {"name": REBIRTH, "datatype": BOOLEAN, "boolean_value": False}
                metrics += [_birth_number(), rebirth]
            verb = "DBIRTH" if device else "NBIRTH"
            made.append((self.topic(verb, device), encode(time_ns, self._next(), metrics)))
        return made

    def data(self, time_ns: int, raw: Mapping[str, float]) -> list[tuple[str, bytes]]:
        """One row of data, a message for each device that has channels."""
        made = []
        for device in self._devices:
            if metrics := self._metrics(device, time_ns, raw, is_birth=False):
                verb = "DDATA" if device else "NDATA"
                made.append((self.topic(verb, device), encode(time_ns, self._next(), metrics)))
        return made

    def _next(self) -> int:
        seq, self._seq = self._seq, (self._seq + 1) % MODULUS
        return seq

    def _metrics(
        self, device: str, time_ns: int, raw: Mapping[str, float], is_birth: bool
    ) -> list[dict[str, Any]]:
        found = []
        for alias, (name, point) in enumerate(self._source.metrics.items(), 1):
            if self._source.device_of(name) != device:
                continue
            metric: dict[str, Any] = {"alias": alias, "timestamp": time_ns // 10**6}
            is_count = name == "stroke_count"
            if is_birth:
                metric |= {"name": point.metric, "datatype": INT64 if is_count else DOUBLE}
            if math.isnan(raw[name]):
                metric["is_null"] = True
            elif is_count:
                metric["long_value"] = round(raw[name]) % 2 ** (point.bits or 64)
            else:
                metric["double_value"] = raw[name]
            found.append(metric)
        return found


def _birth_number() -> dict[str, Any]:
    return {"name": BIRTH_NUMBER, "datatype": UINT64, "long_value": 0}


async def publish_sparkplug(source: SparkplugSource, rows: Rows) -> None:
    """Publish `rows`, raw values by channel and their times, to the broker of `source`.

    Raises OSError where there is no broker.
    """
    node = StandInNode(source)
    is_born = False
    try:
        async with aiomqtt.Client(
            source.host,
            source.port,
            username=source.user,
            password=source.password,
            timeout=source.timeout,
            will=aiomqtt.Will(*node.death(0), qos=1),
        ) as client:
            await client.subscribe(node.topic("NCMD"), qos=1)
            async for time_ns, raw in rows:
                if len(client.messages):  # the only command that it knows
                    await anext(client.messages)
                    is_born = False
                made = node.data(time_ns, raw) if is_born else node.births(time_ns, raw)
                is_born = True
                for topic, content in made:
                    await client.publish(topic, content, qos=0)
            with suppress(aiomqtt.MqttError):  # gone already: then the will has said so
                await client.publish(*node.death(0), qos=0)
    except aiomqtt.MqttError as error:
        raise OSError(f"broker {source.name}: {error}") from None

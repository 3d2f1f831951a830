"""Listen to an MQTT broker whose topics nobody has told us. Subscribes and never publishes."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import aclosing
from typing import Any

import aiomqtt

from borewarden.base.errors import BadInput
from borewarden.collect import payload
from borewarden.collect.broker import REFUSED, connected_to
from borewarden.collect.link import Clock, ticks
from borewarden.collect.mqtt import MqttSource
from borewarden.collect.sparkplug_node import (
    BIRTH_NUMBER,
    BIRTHS,
    DATA,
    DEATHS,
    NAMESPACE,
    OWN,
    EdgeNode,
)
from borewarden.collect.sparkplug_payload import decode, number
from borewarden.collect.survey import Place, Rounds, Survey, Tell, plain_name

MOST_NUMBERS = 500  # fields on all topics
DEEPEST = 6  # objects within one another
LONGEST_LIST = 20  # values of a list that are taken
PATIENCE = 10.0  # s for a first number
BIRTH_PATIENCE = 120.0  # s, where only the birth of a Sparkplug node is missing


async def listening(source: MqttSource, survey: Survey, tell: Tell) -> Rounds:
    """Take what is published on the topics of `source`, each number as a place of its own.

    What the broker kept from before is left out. Raises OSError where it does not answer, closes
    the connection, or does not let us subscribe.
    """
    async with connected_to(source) as client:
        (code,) = await client.subscribe(source.topic, qos=0)
        if (code if isinstance(code, int) else code.value) >= REFUSED:
            raise PermissionError(f"{source.name} does not let us subscribe to {source.topic}")
        tell(f"connected to {source.name}, listening to {source.topic}")
        heard = _Heard(survey)
        taking = asyncio.create_task(heard.take_all(client))
        try:
            async with aclosing(ticks(1.0)) as beats:
                waited = 0
                async for _ in beats:
                    if taking.done():
                        raise ConnectionError(f"the broker {source.name} closed the connection")
                    waited += 1
                    heard.tell_unborn(tell)
                    if not survey.places and waited > heard.patience:
                        raise heard.nothing(source)
                    if survey.places:
                        yield
        finally:
            taking.cancel()


class _Heard:
    """Puts messages into a survey."""

    def __init__(self, survey: Survey) -> None:
        self._survey = survey
        self._clock = Clock()
        self._nodes: dict[tuple[str, str], EdgeNode] = {}  # of Sparkplug B
        self._unborn: set[str] = set()  # those that nobody can understand before their births
        self._told: set[str] = set()

    @property
    def patience(self) -> float:
        """For how many seconds to wait for a first number."""
        return BIRTH_PATIENCE if self._unborn else PATIENCE

    def tell_unborn(self, tell: Tell) -> None:
        """Say which nodes have to publish their births, each once."""
        for name in sorted(self._unborn - self._told):
            tell(
                f"{name} speaks Sparkplug B, and its values have no names before its next birth: "
                "restart it, or have your SCADA ask it for a rebirth"
            )
        self._told |= self._unborn

    def nothing(self, source: MqttSource) -> BadInput:
        """That no number came."""
        if not self._unborn:
            return BadInput(
                source.name, source.topic, f"no number came within {PATIENCE:g} s",
                "look whether anybody publishes, and give the topic behind the port",
            )  # fmt: skip
        return BadInput(
            source.name, source.topic,
            f"no birth of {', '.join(sorted(self._unborn))} came within {BIRTH_PATIENCE:g} s",
            "have it published meanwhile, or write [source] by hand, as in "
            "config/live/north-sparkplug.toml",
        )  # fmt: skip

    async def take_all(self, client: aiomqtt.Client) -> None:
        """Take messages until the connection ends."""
        try:
            async for message in client.messages:
                if not message.retain:
                    self._take(str(message.topic), message.payload)
        except aiomqtt.MqttError:
            return

    def _take(self, topic: str, content: Any) -> None:
        if topic.startswith(f"{NAMESPACE}/"):
            self._take_sparkplug(topic, content)
            return
        parsed, wrong = payload.parse(content)
        if wrong:
            return
        fields = dict(_numbers(parsed, ""))
        timed = self._survey.times.setdefault(topic, _time_field(parsed))
        now_ns = self._clock.now()
        time_ns = payload.time(payload.find(parsed, timed))[0] if timed else None
        for path, value in fields.items():
            if path == timed or payload.time(value)[0] is not None:
                continue
            name = plain_name(f"{topic} {path}".rstrip())
            if name not in self._survey.places:
                if len(self._survey.places) >= MOST_NUMBERS:
                    continue
                self._survey.places[name] = Place({"topic": topic, "field": path})
            self._survey.take(name, time_ns or now_ns, value)

    def _take_sparkplug(self, topic: str, content: Any) -> None:
        """Each number of an edge node as a place, once a birth has named it."""
        _, group, verb, *rest = topic.split("/")
        if verb not in (*BIRTHS, *DATA, *DEATHS) or not rest:
            return
        name, device = rest[0], (rest[1] if len(rest) > 1 else OWN)
        node = self._nodes.setdefault((group, name), EdgeNode(name))
        heard = node.take(verb, device, decode(content))
        if node.unknown(device) and not heard.metrics:
            self._unborn.add(f"{group}/{name}")
        if heard.is_birth and device:
            self._unborn.discard(f"{group}/{name}")
        for metric in heard.metrics:
            value, wrong = number(metric, metric.datatype)
            if wrong or metric.name == BIRTH_NUMBER or metric.name.startswith("Node Control/"):
                continue
            called = plain_name(f"{topic.replace(verb, '+', 1)} {metric.name}")
            if called not in self._survey.places:
                if len(self._survey.places) >= MOST_NUMBERS:
                    continue
                where = {"metric": metric.name, "device": device, "node": name, "group": group}
                self._survey.places[called] = Place(where, metric.unit)
            self._survey.take(called, metric.time_ns or self._clock.now(), value)


def _numbers(value: Any, path: str, depth: int = 0) -> Iterator[tuple[str, float]]:
    """The numbers in a payload, by their paths as [source] has them."""
    if isinstance(value, dict) and depth < DEEPEST:
        for name, inner in value.items():
            yield from _numbers(inner, f"{path}.{name}" if path else str(name), depth + 1)
    elif isinstance(value, list) and depth < DEEPEST:
        for at, inner in enumerate(value[:LONGEST_LIST]):
            yield from _numbers(inner, f"{path}[{at}]", depth + 1)
    else:
        found, wrong = payload.number(value)
        if not wrong:
            yield path, found


def _time_field(parsed: Any) -> str:
    """The first field of a message that is a time of our days, "" if none is."""
    return next((path for path, value in _leaves(parsed, "") if _is_time(value)), "")


def _leaves(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _leaves(inner, f"{path}.{name}" if path else str(name))
    elif path:
        yield path, value


def _is_time(value: Any) -> bool:
    return payload.time(value)[0] is not None

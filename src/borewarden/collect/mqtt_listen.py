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
from borewarden.collect.survey import Place, Rounds, Survey, Tell, plain_name

MOST_NUMBERS = 500  # fields on all topics
DEEPEST = 6  # objects within one another
LONGEST_LIST = 20  # values of a list that are taken
PATIENCE = 10.0  # s for a first number


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
                    if not survey.places and waited > PATIENCE:
                        raise BadInput(
                            source.name, source.topic, f"no number came within {PATIENCE:g} s",
                            "look whether anybody publishes, and give the topic behind the port",
                        )  # fmt: skip
                    if survey.places:
                        yield
        finally:
            taking.cancel()


class _Heard:
    """Puts messages into a survey."""

    def __init__(self, survey: Survey) -> None:
        self._survey = survey
        self._clock = Clock()

    async def take_all(self, client: aiomqtt.Client) -> None:
        """Take messages until the connection ends."""
        try:
            async for message in client.messages:
                if not message.retain:
                    self._take(str(message.topic), message.payload)
        except aiomqtt.MqttError:
            return

    def _take(self, topic: str, content: Any) -> None:
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

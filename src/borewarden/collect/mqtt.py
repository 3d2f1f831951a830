"""Samples from an MQTT broker: JSON, a field a channel. Subscribes and never publishes."""

from __future__ import annotations

import math
import random
from collections.abc import AsyncGenerator, Mapping
from dataclasses import dataclass
from typing import Any

from borewarden.base.samples import Channel
from borewarden.base.text import span_words
from borewarden.collect import payload
from borewarden.collect.broker import Broker, Intake, Raw, broker_samples, covers
from borewarden.collect.link import Received, Rows


@dataclass(frozen=True)
class JsonField:
    """Where one channel is: `path` of the field in the payload, "pump.pressure" for nested ones,
    "values[0]" in a list, "" where the whole payload is the number. `topic` if it is not the
    source's. `bits` is the width of a counter that wraps.
    """

    channel: Channel
    path: str
    topic: str | None = None
    bits: int | None = None


@dataclass(frozen=True, kw_only=True)
class MqttSource(Broker):
    """A machine that publishes to a broker. `fields` has the fields of `Samples` as keys.

    One row a message on the pressure's topic. `time_path` is the field with its time: ISO 8601
    with offset, or a number of s, ms, us or ns since 1970; without one, the time of arrival holds.
    Values of other topics are held for `silence`.

    With `keep_session`, the broker is asked to keep what comes while nobody is connected, as the
    client `client_id`; that needs a `time_path`, or nobody knew when it was so, and `qos` 1 or 2.
    """

    fields: Mapping[str, JsonField]
    topic: str
    time_path: str | None = None
    keep_session: bool = True

    @property
    def is_kept(self) -> bool:
        """Whether the broker is asked to keep messages while nobody is connected."""
        named = self.client_id is not None
        return self.keep_session and named and self.time_path is not None and self.qos > 0

    def topic_of(self, name: str) -> str:
        """The topic that the channel `name` comes on; it may have wildcards."""
        return self.fields[name].topic or self.topic


def mqtt_samples(
    source: MqttSource, chance: random.Random | None = None
) -> AsyncGenerator[Received, None]:
    """Endless samples from `source` and the states of the link; SI.

    A field that is missing, null or not a number is NaN. Messages that a broker kept from before
    (retained) are left out, as are times that are not after the last. Raises nothing but
    CancelledError.
    """
    topics = {source.topic_of(name) for name in source.fields}
    return broker_samples(source, topics, _JsonIntake(source), chance)


@dataclass(frozen=True)
class _Held:
    """What a channel said last, when that came, and what is wrong with it."""

    came_ns: int
    value: float
    wrong: str


class _JsonIntake(Intake):
    """Makes rows and link states out of JSON."""

    def __init__(self, source: MqttSource) -> None:
        counter = source.fields.get("stroke_count")
        channels = {name: point.channel for name, point in source.fields.items()}
        bits = counter.bits if counter else None
        super().__init__(source, Rows(channels, bits, source.constant_rate))
        self._source = source
        self._held: dict[str, _Held] = {}
        self._topics: dict[str, dict[str, int]] = {name: {} for name in source.fields}
        self._examples: dict[str, str] = {}  # of text that is not a number

    def clock_was_set(self, step: float, now_ns: int) -> None:
        """Our own clock was set by `step` s."""
        super().clock_was_set(step, now_ns)
        self._held.clear()

    def nothing_new(self) -> str:
        """Words for a silence."""
        return f"nothing new on {self._source.topic_of('pressure')} from {self._source.name}"

    def take(self, topic: str, content: bytes, now_ns: int) -> list[Received]:
        """What comes of one message: rows, and news of what is wrong with them."""
        parsed, wrong = payload.parse(content)
        channels = [
            name for name in self._source.fields if self._read(name, topic, parsed, wrong, now_ns)
        ]
        if "pressure" not in channels:
            return []
        waiting = self._arrivals.waiting
        made = self.made(self._of_message(parsed, now_ns))
        if made or self._arrivals.waiting > waiting:
            self.newest_ns = now_ns
        return [*self.tell(wrong, now_ns), *made] if made else []

    def _read(self, name: str, topic: str, parsed: Any, wrong: str, now_ns: int) -> bool:
        """Hold what the message says of a channel; False if it says nothing."""
        wanted = self._source.topic_of(name)
        if not covers(wanted, topic):
            return False
        found = payload.find(parsed, self._source.fields[name].path)
        value, why = (math.nan, wrong) if wrong else payload.number(found)
        if truth := payload.no_switch(name, found):
            value, why = math.nan, truth
        if isinstance(found, str) and why:
            why += f", such as {self._examples.setdefault(name, found[:40])!r}"
        if topic != wanted:  # a wildcard: other things come, too
            since_ns = now_ns - self._silence_ns
            topics = {t: came for t, came in self._topics[name].items() if came >= since_ns}
            if why and topic not in topics:
                return False
            self._topics[name] = topics | {topic: now_ns}
            if len(self._topics[name]) > 1:
                both = " and ".join(sorted(self._topics[name])[:2])
                value, why = math.nan, f"comes on {both}; name the topic of this machine"
        self._held[name] = _Held(now_ns, value, why)
        return True

    def _of_message(self, parsed: Any, now_ns: int) -> list[tuple[int, Raw]]:
        """The row of this message, and others whose time is known by now."""
        since_ns = now_ns - self._silence_ns
        raw = {name: held.value for name, held in self._held.items() if held.came_ns >= since_ns}
        if self._source.time_path is None:
            return [(now_ns, raw)]
        time_ns, self._time_wrong = payload.time(payload.find(parsed, self._source.time_path))
        return self.timed(time_ns, raw, now_ns)

    def wrong(self, now_ns: int) -> list[str]:
        """What is wrong with which channel."""
        since_ns = now_ns - self._silence_ns
        found = []
        for name in self._source.fields:
            held = self._held.get(name)
            if held is not None and held.came_ns >= since_ns:
                found += [f"{name}: {held.wrong}"] if held.wrong else []
            elif self.begun_ns < since_ns:
                silence = span_words(self._source.silence)
                found.append(f"{name}: nothing on {self._source.topic_of(name)} for {silence}")
        return found

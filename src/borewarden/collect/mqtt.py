"""Samples from an MQTT broker: JSON, a field a channel. Subscribes and never publishes."""

from __future__ import annotations

import asyncio
import json
import math
import random
import ssl
from collections.abc import AsyncGenerator, AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import aiomqtt

from borewarden.base.samples import Channel
from borewarden.base.times import EARLIEST, LATEST
from borewarden.collect.link import (
    Clock,
    LinkState,
    Problems,
    Received,
    Rows,
    clock_was_set,
    keep_connected,
)

QUEUE = 10_000  # messages kept while the consumer is busy
REFUSED = 128  # SUBACK return code (MQTT 3.1.1, 3.9.3)
NOT_LET_IN = {4, 5, 134, 135}  # CONNACK: bad user name or password, not authorized (3.1.1; 5.0)


@dataclass(frozen=True)
class JsonField:
    """Where one channel is: `path` of the field in the payload, "pump.pressure" for nested ones,
    "" where the whole payload is the number. `topic` if it is not the source's. `bits` is the
    width of a counter that wraps.
    """

    channel: Channel
    path: str
    topic: str | None = None
    bits: int | None = None


@dataclass(frozen=True)
class MqttSource:
    """A machine that publishes to a broker. `fields` has the fields of `Samples` as keys.

    One row a message on the pressure's topic. `time_path` is the field with its time: ISO 8601
    with offset, or a number of s, ms, us or ns since 1970; without one, the time of arrival holds.
    Without a message for `silence` (s) the link counts as down; values of other topics are held
    that long. `ca` is a PEM file to check a TLS broker by; `tls` without it uses the system's.
    `constant_rate` in Hz stands in for a crank speed that is not published.
    """

    fields: Mapping[str, JsonField]
    topic: str
    host: str
    port: int = 1883
    time_path: str | None = None
    silence: float = 30.0
    timeout: float = 5.0
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    client_id: str | None = None
    tls: bool = False
    ca: Path | None = None
    constant_rate: float | None = None

    @property
    def name(self) -> str:
        """Host and port."""
        return f"{self.host}:{self.port}"

    def topic_of(self, name: str) -> str:
        """The topic that the channel `name` comes on."""
        return self.fields[name].topic or self.topic


def mqtt_samples(
    source: MqttSource, chance: random.Random | None = None
) -> AsyncGenerator[Received, None]:
    """Endless samples from `source` and the states of the link; SI.

    A field that is missing, null or no number is NaN. Messages that a broker kept from before
    (retained) are left out, as are times that are not after the last. Raises nothing but
    CancelledError.
    """
    counter = source.fields.get("stroke_count")
    rows = Rows(
        {name: point.channel for name, point in source.fields.items()},
        counter.bits if counter else None,
        source.constant_rate,
    )
    return keep_connected(lambda: _session(source, rows), chance)


@asynccontextmanager
async def _connected(source: MqttSource) -> AsyncIterator[aiomqtt.Client]:
    """The broker, connected to. Raises PermissionError where it does not let the user in."""
    try:
        async with aiomqtt.Client(
            source.host,
            source.port,
            username=source.user,
            password=source.password,
            identifier=source.client_id,
            timeout=source.timeout,
            keepalive=max(5, round(source.silence)),
            tls_context=ssl.create_default_context(cafile=source.ca) if source.tls else None,
            max_queued_incoming_messages=QUEUE,
        ) as client:
            yield client
    except aiomqtt.MqttCodeError as error:
        if getattr(error.rc, "value", error.rc) not in NOT_LET_IN:
            raise
        who = f"user {source.user!r} with this password" if source.user else "anybody without user"
        raise PermissionError(f"the broker {source.name} does not let in {who}") from None


async def _session(source: MqttSource, rows: Rows) -> AsyncGenerator[Received, None]:
    clock = Clock()
    rows.resume(clock.now())
    connected = f"connected to {source.name}"
    topics = sorted({source.topic_of(name) for name in source.fields})
    held: dict[str, tuple[int, float]] = {}  # when it came, and the raw value
    async with _connected(source) as client:
        granted = await client.subscribe([(topic, 1) for topic in topics])
        if any(isinstance(code, int) and code >= REFUSED for code in granted):
            raise PermissionError(f"{source.name} does not let us subscribe to {topics}")
        problems = Problems(connected)
        is_up = False
        newest_ns = clock.now()  # when there was last something to take
        while True:
            wait = source.silence - (clock.now() - newest_ns) * 1e-9
            message = await _next(client, wait)
            for state in clock_was_set(clock.step(), clock.now(), rows, "this computer"):
                newest_ns = clock.now()
                yield state
            now = clock.now()
            if now - newest_ns >= source.silence * 1e9:
                # also where all that comes has times from before: the publisher's clock was set
                rows.restart_time()
                newest_ns = now
                if is_up or problems.none_told:
                    reason = f"nothing new on {source.topic} from {source.name}"
                    if problems.none_told and source.user:
                        # a broker may well say yes to the subscription and hold the messages back
                        reason += f"; is it published, and may {source.user!r} read it?"
                    is_up = False
                    problems.tell([], now)
                    yield LinkState(now, False, reason)
            if message is None or message.retain:
                continue
            topic = str(message.topic)
            payload, wrong = _parse(message.payload)
            for name, point in source.fields.items():
                if source.topic_of(name) == topic:
                    held[name] = (now, _number(_get(payload, point.path)))
            if topic != source.topic_of("pressure"):
                continue
            time_ns, odd = _time_ns(payload, source.time_path, now)
            oldest_ns = now - round(source.silence * 1e9)
            raw = {name: value for name, (came_ns, value) in held.items() if came_ns >= oldest_ns}
            row = rows.make(time_ns, raw)
            if row is None:
                continue
            newest_ns = now
            if not is_up:
                is_up = True
                problems = Problems(connected)
            for state in problems.tell([text for text in (wrong, odd) if text], now):
                yield state
            yield row


async def _next(client: aiomqtt.Client, wait: float) -> aiomqtt.Message | None:
    """The next message, or None after `wait` s. Raises MqttError if the connection is lost."""
    try:
        async with asyncio.timeout(max(wait, 0.01)):
            return await anext(client.messages)
    except TimeoutError:
        return None


# -- payloads


def _parse(payload: Any) -> tuple[Any, str]:
    """What the payload holds, and what is wrong with it."""
    try:
        return json.loads(payload), ""
    except (ValueError, TypeError, RecursionError):
        return None, "the payload is no JSON"


def _get(payload: Any, path: str) -> Any:
    """The field at `path`: of that very name, or else nested along the dots; None if not there."""
    if path == "":
        return payload
    if isinstance(payload, dict) and path in payload:
        return payload[path]
    for part in path.split("."):
        if not isinstance(payload, dict):
            return None
        payload = payload.get(part)
    return payload


def _number(value: Any) -> float:
    if not isinstance(value, (bool, int, float)):
        return math.nan
    try:
        return float(value)
    except OverflowError:
        return math.nan


def _time_ns(payload: Any, path: str | None, now: int) -> tuple[int, str]:
    """When it was so, ns since 1970 UTC, and what is wrong with that; `now` where it can't be."""
    if path is None:
        return now, ""
    value = _get(payload, path)
    if isinstance(value, str):
        try:
            time = datetime.fromisoformat(value)
        except ValueError:
            return now, f"{value[:40]!r} is no time; that of arrival is taken"
        if time.tzinfo is None:
            return now, "the time has no offset from UTC; that of arrival is taken"
        since = time - datetime(1970, 1, 1, tzinfo=UTC)
        found = (since.days * 86_400 + since.seconds) * 10**9 + since.microseconds * 1000
        if EARLIEST <= found <= LATEST:
            return found, ""
    number = _number(value)
    for factor in (10**9, 10**6, 10**3, 1):
        if EARLIEST <= number * factor <= LATEST:
            # integers whole, floats to the microsecond that they hold
            exact = isinstance(value, int)
            found = value * factor if exact else round(number * factor / 1000.0) * 1000
            return found, ""
    return now, "there is no time in it; that of arrival is taken"

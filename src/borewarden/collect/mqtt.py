"""Samples from an MQTT broker: JSON, a field a channel. Subscribes and never publishes."""

from __future__ import annotations

import asyncio
import math
import random
import ssl
from collections.abc import AsyncGenerator, AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from borewarden.base.samples import HEAD, Channel
from borewarden.base.text import span_words
from borewarden.base.times import iso_time
from borewarden.collect import payload
from borewarden.collect.link import (
    Clock,
    LinkState,
    Problems,
    Received,
    Rows,
    clock_was_set,
    keep_connected,
)
from borewarden.collect.source_clock import Arrivals

QUEUE = 10_000  # messages kept while the consumer is busy
REFUSED = 128  # SUBACK return code (MQTT 3.1.1, 3.9.3), and all above (5.0, 3.9.3)
NOT_LET_IN = {4, 5, 134, 135}  # CONNACK: bad user name or password, not authorized (3.1.1; 5.0)
SESSION = 86_400  # s; how long a broker is asked to remember us (MQTT 5.0, 3.1.2.11.2)
TOLD_FOR = 60.0  # s for which a single refused time is told
BRIEF = 10.0  # s; a connection that ends sooner may have been taken over

QoS = Literal[0, 1, 2]


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


@dataclass(frozen=True)
class MqttSource:
    """A machine that publishes to a broker. `fields` has the fields of `Samples` as keys.

    One row a message on the pressure's topic. `time_path` is the field with its time: ISO 8601
    with offset, or a number of s, ms, us or ns since 1970; without one, the time of arrival holds.
    A time that is more than `clock_tolerance` (s) ahead of ours is put right, see `Arrivals`.
    Without a message for `silence` (s) the link counts as down; values of other topics are held
    that long.

    With `keep_session`, the broker is asked to keep what comes while nobody is connected, as the
    client `client_id`; that needs a `time_path`, or nobody knew when it was so, and `qos` 1 or 2.

    `ca` is a PEM file to check a TLS broker by; `tls` without it uses the system's. `certificate`
    and `private_key` are the client's own, PEM. `constant_rate` in Hz stands in for a crank speed
    that is not published.
    """

    fields: Mapping[str, JsonField]
    topic: str
    host: str
    port: int = 1883
    time_path: str | None = None
    clock_tolerance: float = 5.0
    silence: float = 30.0
    timeout: float = 5.0
    version: Literal["3.1.1", "5"] = "3.1.1"
    qos: QoS = 1
    keep_session: bool = True
    client_id: str | None = None
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca: Path | None = None
    certificate: Path | None = None
    private_key: Path | None = None
    constant_rate: float | None = None

    @property
    def name(self) -> str:
        """Host and port."""
        return f"{self.host}:{self.port}"

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
    intake = _Intake(source)
    return keep_connected(lambda: _session(source, intake), chance)


# -- the connection


@asynccontextmanager
async def connected_to(source: MqttSource) -> AsyncIterator[aiomqtt.Client]:
    """The broker, connected to. Raises PermissionError where it does not let the user in."""
    is_5 = source.version == "5"
    properties = Properties(PacketTypes.CONNECT) if is_5 else None  # type: ignore[no-untyped-call]
    if properties is not None and source.is_kept:
        properties.SessionExpiryInterval = SESSION
    try:
        async with aiomqtt.Client(
            source.host,
            source.port,
            username=source.user,
            password=source.password,
            identifier=source.client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if is_5 else aiomqtt.ProtocolVersion.V311,
            clean_session=None if is_5 else not source.is_kept,
            clean_start=not source.is_kept if is_5 else MQTT_CLEAN_START_FIRST_ONLY,
            properties=properties,
            timeout=source.timeout,
            keepalive=max(5, round(source.silence)),
            tls_context=_tls_context(source) if source.tls else None,
            max_queued_incoming_messages=QUEUE,
        ) as client:
            yield client
    except aiomqtt.MqttCodeError as error:
        if getattr(error.rc, "value", error.rc) not in NOT_LET_IN:
            raise
        who = f"user {source.user!r} with this password" if source.user else "anybody without user"
        raise PermissionError(f"the broker {source.name} does not let in {who}") from None


def _tls_context(source: MqttSource) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=source.ca)
    if source.certificate is None:
        return context
    refused = ""
    try:
        # without a password of its own, OpenSSL would ask for one at the terminal
        context.load_cert_chain(source.certificate, source.private_key, password="")
    except ssl.SSLError as error:
        refused = error.reason or str(error)
    if refused:
        raise OSError(
            f"{source.certificate} and {source.private_key} are not a certificate and its private "
            f"key, in PEM and without a password ({refused})"
        )
    return context


async def _session(source: MqttSource, intake: _Intake) -> AsyncGenerator[Received, None]:
    clock = Clock()
    begun_ns = clock.now()
    async with connected_to(source) as client:
        intake.begin(clock.now(), await _subscribe(source, client))
        while True:
            wait = source.silence - (clock.now() - intake.newest_ns) * 1e-9
            is_lost, message = await _next(client, wait)
            if is_lost:
                raise ConnectionError(_closed(source, clock.now() - begun_ns < BRIEF * 1e9))
            step = clock.step()
            for state in clock_was_set(step, clock.now(), intake.rows, "this computer"):
                intake.clock_was_set(step, clock.now())
                yield state
            for received in intake.look_for_silence(clock.now()):
                yield received
            if message is None or message.retain:
                continue
            for received in intake.take(str(message.topic), message.payload, clock.now()):
                yield received


async def _next(client: aiomqtt.Client, wait: float) -> tuple[bool, aiomqtt.Message | None]:
    """Whether the connection is lost, and the next message if one came within `wait` s."""
    try:
        async with asyncio.timeout(max(wait, 0.01)):
            return False, await anext(client.messages)
    except TimeoutError:
        return False, None
    except aiomqtt.MqttError:
        return True, None


def _closed(source: MqttSource, is_brief: bool) -> str:
    words = f"the broker {source.name} closed the connection"
    if is_brief and source.client_id is not None:
        # it does so with the older of two clients of one name (MQTT 3.1.1, 3.1.4)
        words += f" of client_id {source.client_id!r}"
    return words


async def _subscribe(source: MqttSource, client: aiomqtt.Client) -> str:
    """Subscribe, and say where less is granted. Raises PermissionError where nothing is."""
    topics = filters({source.topic_of(name) for name in source.fields})
    asked: list[tuple[str, int]] = [(topic, source.qos) for topic in topics]
    granted = await client.subscribe(asked)
    codes = [code if isinstance(code, int) else code.value for code in granted]
    refused = [topic for topic, code in zip(topics, codes, strict=True) if code >= REFUSED]
    if refused:
        raise PermissionError(f"{source.name} does not let us subscribe to {', '.join(refused)}")
    if source.is_kept and min(codes) == 0:
        return f"{source.name} grants QoS 0 only: what comes while the watcher is away is lost"
    return ""


# -- topics


def covers(wider: str, topic: str) -> bool:
    """Whether the filter `wider` has all that the topic, or the filter, `topic` has.

    Wildcards as in MQTT 3.1.1, 4.7: "+" is one level, "#" is all from there on, and neither has
    topics that begin with "$".
    """
    levels, others = wider.split("/"), topic.split("/")
    if topic.startswith("$") and levels[0] in ("+", "#"):
        return False
    for i, level in enumerate(levels):
        if level == "#":
            return True
        if i >= len(others) or others[i] == "#" or level not in ("+", others[i]):
            return False
    return len(levels) == len(others)


def filters(topics: set[str]) -> list[str]:
    """The fewest of `topics` that have all: of two that overlap, a message may come twice."""
    return sorted(
        topic
        for topic in topics
        if not any(other != topic and covers(other, topic) for other in topics)
    )


# -- messages


@dataclass(frozen=True)
class _Held:
    """What a channel said last, when that came, and what is wrong with it."""

    came_ns: int
    value: float
    wrong: str


class _Intake:
    """Makes rows and link states out of messages; outlives connections.

    `newest_ns` is when there was last something to take.
    """

    def __init__(self, source: MqttSource) -> None:
        counter = source.fields.get("stroke_count")
        self.rows = Rows(
            {name: point.channel for name, point in source.fields.items()},
            counter.bits if counter else None,
            source.constant_rate,
        )
        self.newest_ns = 0
        self._source = source
        self._arrivals: Arrivals[Mapping[str, float]] = Arrivals(source.clock_tolerance)
        self._held: dict[str, _Held] = {}
        self._topics: dict[str, dict[str, int]] = {name: {} for name in source.fields}
        self._silence_ns = round(source.silence * 1e9)
        self._examples: dict[str, str] = {}  # of text that is not a number
        self._time_wrong = ""
        self._refused = 0, ""  # when a time was last refused, and how that is told
        self._begun_ns = 0
        self._granted = ""
        self._words = ""
        self._problems = Problems("")
        self._is_up = False

    def begin(self, now_ns: int, granted: str) -> None:
        """A new connection; `granted` says what the broker grants less of than was asked."""
        self.rows.resume(now_ns)
        self.newest_ns = self._begun_ns = now_ns
        self._granted, self._words = granted, ""
        self._problems = Problems("")
        self._is_up = False

    def clock_was_set(self, step: float, now_ns: int) -> None:
        """Our own clock was set by `step` s."""
        self._arrivals.ours_was_set(round(step * 1e9))
        self.newest_ns = now_ns
        self._held.clear()

    def look_for_silence(self, now_ns: int) -> list[Received]:
        """What to tell if nothing new has come for too long."""
        if now_ns - self.newest_ns < self._silence_ns:
            return []
        self.newest_ns = now_ns
        if made := self._rows(self._arrivals.settle()):
            return [*self._tell("", now_ns), *made]
        if not self._is_up and not self._problems.none_told:
            return []
        source = self._source
        reason = f"nothing new on {source.topic_of('pressure')} from {source.name}"
        if self._problems.none_told and source.user:
            # a broker may well say yes to the subscription and hold the messages back
            reason += f"; is it published, and may {source.user!r} read it?"
        self._is_up = False
        self._problems.tell([], now_ns)
        return [LinkState(now_ns, False, reason)]

    def take(self, topic: str, content: bytes, now_ns: int) -> list[Received]:
        """What comes of one message: rows, and news of what is wrong with them."""
        parsed, wrong = payload.parse(content)
        channels = [
            name for name in self._source.fields if self._read(name, topic, parsed, wrong, now_ns)
        ]
        if "pressure" not in channels:
            return []
        waiting = self._arrivals.waiting
        made = self._rows(self._timed(parsed, now_ns))
        if made or self._arrivals.waiting > waiting:
            self.newest_ns = now_ns
        return [*self._tell(wrong, now_ns), *made] if made else []

    def _read(self, name: str, topic: str, parsed: Any, wrong: str, now_ns: int) -> bool:
        """Hold what the message says of a channel; False if it says nothing."""
        wanted = self._source.topic_of(name)
        if not covers(wanted, topic):
            return False
        found = payload.find(parsed, self._source.fields[name].path)
        value, why = (math.nan, wrong) if wrong else payload.number(found)
        if isinstance(found, bool) and not (name == "valve" or name.startswith(HEAD)):
            value, why = math.nan, f"{str(found).lower()}, which is no number"
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

    def _timed(self, parsed: Any, now_ns: int) -> list[tuple[int, Mapping[str, float]]]:
        """The newest row, and others whose time is known by now."""
        since_ns = now_ns - self._silence_ns
        raw = {name: held.value for name, held in self._held.items() if held.came_ns >= since_ns}
        if self._source.time_path is None:
            return [(now_ns, raw)]
        time_ns, self._time_wrong = payload.time(payload.find(parsed, self._source.time_path))
        if time_ns is None:
            return [*self._arrivals.settle(), (now_ns, raw)]
        timed = self._arrivals.take(time_ns, now_ns, raw, self.rows.last_ns)
        if self._arrivals.refused_ns is not None:
            if now_ns - self._refused[0] >= TOLD_FOR * 1e9:
                self._refused = now_ns, _refused_words(self._arrivals.refused_ns, now_ns)
            self._arrivals.refused_ns = None
        return timed

    def _rows(self, timed: list[tuple[int, Mapping[str, float]]]) -> list[Received]:
        made = (self.rows.make(time_ns, raw) for time_ns, raw in timed)
        return [row for row in made if row is not None]

    def _tell(self, wrong: str, now_ns: int) -> list[LinkState]:
        words = self._arrivals.clock.words
        if not self._is_up or words != self._words:
            self._is_up, self._words, self._refused = True, words, (0, "")
            connected = f"connected to {self._source.name}"
            self._problems = Problems(f"{connected}, {words}" if words else connected)
        found = [wrong] if wrong else self._wrong(now_ns)
        if self._time_wrong and not wrong:
            found.append(f"{self._time_wrong}; the time of arrival is taken")
        refused_ns, refused = self._refused
        if now_ns - refused_ns < TOLD_FOR * 1e9:
            found.append(refused)
        if self._granted:
            found.append(self._granted)
        return self._problems.tell(found, now_ns)

    def _wrong(self, now_ns: int) -> list[str]:
        """What is wrong with which channel."""
        since_ns = now_ns - self._silence_ns
        found = []
        for name in self._source.fields:
            held = self._held.get(name)
            if held is not None and held.came_ns >= since_ns:
                found += [f"{name}: {held.wrong}"] if held.wrong else []
            elif self._begun_ns < since_ns:
                silence = span_words(self._source.silence)
                found.append(f"{name}: nothing on {self._source.topic_of(name)} for {silence}")
        return found


def _refused_words(time_ns: int, now_ns: int) -> str:
    when, ahead = iso_time(time_ns, "UTC"), span_words((time_ns - now_ns) * 1e-9)
    return (
        f"a message was dated {when}, {ahead} ahead of this computer's clock: its time of arrival "
        "is taken"
    )

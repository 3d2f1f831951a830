"""The broker that machines publish to: the connection, and how messages become rows.

What the readers of the payloads share. Subscribes, and publishes nothing unless `ask` does.
"""

from __future__ import annotations

import asyncio
import random
import ssl
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from borewarden.base.text import span_words
from borewarden.base.times import iso_time
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
Ask = Callable[[aiomqtt.Client, int], Awaitable[None]]
"""Publishes what is to be asked for, if anything is, at a time in ns since 1970 UTC."""
Raw = Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Broker:
    """A broker, and how to come to it.

    A time that is more than `clock_tolerance` (s) ahead of ours is put right, see `Arrivals`.
    Without anything new for `silence` (s) the link counts as down. `ca` is a PEM file to check a
    TLS broker by; `tls` without it uses the system's. `certificate` and `private_key` are the
    client's own, PEM. `constant_rate` in Hz stands in for a crank speed that is not published.
    """

    host: str
    port: int = 1883
    clock_tolerance: float = 5.0
    silence: float = 30.0
    timeout: float = 5.0
    version: Literal["3.1.1", "5"] = "3.1.1"
    qos: QoS = 1
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
        return False


def broker_samples(
    broker: Broker,
    topics: set[str],
    intake: Intake,
    chance: random.Random | None = None,
    ask: Ask | None = None,
) -> AsyncGenerator[Received, None]:
    """Endless samples that `intake` makes of the messages on `topics`, and states of the link.

    Messages that a broker kept from before (retained) are left out. `ask` is called before each
    message, and when none comes. Raises nothing but CancelledError.
    """
    return keep_connected(lambda: _session(broker, topics, intake, ask), chance)


# -- the connection


@asynccontextmanager
async def connected_to(broker: Broker) -> AsyncIterator[aiomqtt.Client]:
    """The broker, connected to. Raises PermissionError where it does not let the user in."""
    is_5 = broker.version == "5"
    properties = Properties(PacketTypes.CONNECT) if is_5 else None  # type: ignore[no-untyped-call]
    if properties is not None and broker.is_kept:
        properties.SessionExpiryInterval = SESSION
    try:
        async with aiomqtt.Client(
            broker.host,
            broker.port,
            username=broker.user,
            password=broker.password,
            identifier=broker.client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if is_5 else aiomqtt.ProtocolVersion.V311,
            clean_session=None if is_5 else not broker.is_kept,
            clean_start=not broker.is_kept if is_5 else MQTT_CLEAN_START_FIRST_ONLY,
            properties=properties,
            timeout=broker.timeout,
            keepalive=max(5, round(broker.silence)),
            tls_context=_tls_context(broker) if broker.tls else None,
            max_queued_incoming_messages=QUEUE,
        ) as client:
            yield client
    except aiomqtt.MqttCodeError as error:
        if getattr(error.rc, "value", error.rc) not in NOT_LET_IN:
            raise
        who = f"user {broker.user!r} with this password" if broker.user else "anybody without user"
        raise PermissionError(f"the broker {broker.name} does not let in {who}") from None


def _tls_context(broker: Broker) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=broker.ca)
    if broker.certificate is None:
        return context
    refused = ""
    try:
        # without a password of its own, OpenSSL would ask for one at the terminal
        context.load_cert_chain(broker.certificate, broker.private_key, password="")
    except ssl.SSLError as error:
        refused = error.reason or str(error)
    if refused:
        raise OSError(
            f"{broker.certificate} and {broker.private_key} are not a certificate and its private "
            f"key, in PEM and without a password ({refused})"
        )
    return context


async def _session(
    broker: Broker, topics: set[str], intake: Intake, ask: Ask | None
) -> AsyncGenerator[Received, None]:
    clock = Clock()
    begun_ns = clock.now()
    async with connected_to(broker) as client:
        intake.begin(clock.now(), await _subscribe(broker, topics, client))
        while True:
            if ask is not None:
                await ask(client, clock.now())
            wait = broker.silence - (clock.now() - intake.newest_ns) * 1e-9
            is_lost, message = await _next(client, wait)
            if is_lost:
                raise ConnectionError(_closed(broker, clock.now() - begun_ns < BRIEF * 1e9))
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


def _closed(broker: Broker, is_brief: bool) -> str:
    words = f"the broker {broker.name} closed the connection"
    if is_brief and broker.client_id is not None:
        # it does so with the older of two clients of one name (MQTT 3.1.1, 3.1.4)
        words += f" of client_id {broker.client_id!r}"
    return words


async def _subscribe(broker: Broker, topics: set[str], client: aiomqtt.Client) -> str:
    """Subscribe, and say where less is granted. Raises PermissionError where nothing is."""
    wanted = filters(topics)
    asked: list[tuple[str, int]] = [(topic, broker.qos) for topic in wanted]
    granted = await client.subscribe(asked)
    codes = [code if isinstance(code, int) else code.value for code in granted]
    refused = [topic for topic, code in zip(wanted, codes, strict=True) if code >= REFUSED]
    if refused:
        raise PermissionError(f"{broker.name} does not let us subscribe to {', '.join(refused)}")
    if broker.is_kept and min(codes) == 0:
        return f"{broker.name} grants QoS 0 only: what comes while the watcher is away is lost"
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


class Intake:
    """Makes rows and link states out of messages; outlives connections.

    What all payloads have in common. `newest_ns` is when there was last something to take.
    """

    def __init__(self, broker: Broker, rows: Rows) -> None:
        self.rows = rows
        self.newest_ns = 0
        self.begun_ns = 0
        self._broker = broker
        self._arrivals: Arrivals[Raw] = Arrivals(broker.clock_tolerance)
        self._silence_ns = round(broker.silence * 1e9)
        self._time_wrong = ""
        self._refused = 0, ""  # when a time was last refused, and how that is told
        self._granted = ""
        self._words = ""
        self._problems = Problems("")
        self._is_up = False

    def take(self, topic: str, content: bytes, now_ns: int) -> list[Received]:
        """What comes of one message: rows, and news of what is wrong with them."""
        raise NotImplementedError

    def wrong(self, now_ns: int) -> list[str]:
        """What is wrong with which channel, as in "pressure: null"."""
        raise NotImplementedError

    def nothing_new(self) -> str:
        """Words for a silence."""
        raise NotImplementedError

    def begin(self, now_ns: int, granted: str) -> None:
        """A new connection; `granted` says what the broker grants less of than was asked."""
        self.rows.resume(now_ns)
        self.newest_ns = self.begun_ns = now_ns
        self._granted, self._words = granted, ""
        self._problems = Problems("")
        self._is_up = False

    def clock_was_set(self, step: float, now_ns: int) -> None:
        """Our own clock was set by `step` s."""
        self._arrivals.ours_was_set(round(step * 1e9))
        self.newest_ns = now_ns

    def look_for_silence(self, now_ns: int) -> list[Received]:
        """What to tell if nothing new has come for too long."""
        if now_ns - self.newest_ns < self._silence_ns:
            return []
        self.newest_ns = now_ns
        if made := self.made(self._arrivals.settle()):
            return [*self.tell("", now_ns), *made]
        if not self._is_up and not self._problems.none_told:
            return []
        reason = self.nothing_new()
        if self._problems.none_told and self._broker.user:
            # a broker may well say yes to the subscription and hold the messages back
            reason += f"; is it published, and may {self._broker.user!r} read it?"
        return self.tell_down(reason, now_ns)

    def timed(self, time_ns: int | None, raw: Raw, now_ns: int) -> list[tuple[int, Raw]]:
        """The newest row, and others whose time is known by now."""
        if time_ns is None:
            return [*self._arrivals.settle(), (now_ns, raw)]
        timed = self._arrivals.take(time_ns, now_ns, raw, self.rows.last_ns)
        if self._arrivals.refused_ns is not None:
            if now_ns - self._refused[0] >= TOLD_FOR * 1e9:
                self._refused = now_ns, _refused_words(self._arrivals.refused_ns, now_ns)
            self._arrivals.refused_ns = None
        return timed

    def made(self, timed: list[tuple[int, Raw]]) -> list[Received]:
        """Rows of SI samples, but for those whose time is not after the last one's."""
        made = (self.rows.make(time_ns, raw) for time_ns, raw in timed)
        return [row for row in made if row is not None]

    def tell(self, wrong: str, now_ns: int) -> list[Received]:
        """The link is up: the state to yield if that, or what is wrong, is news.

        `wrong` is what is wrong with the message as a whole.
        """
        words = self._arrivals.clock.words
        if not self._is_up or words != self._words:
            self._is_up, self._words, self._refused = True, words, (0, "")
            connected = f"connected to {self._broker.name}"
            self._problems = Problems(f"{connected}, {words}" if words else connected)
        found = [wrong] if wrong else self.wrong(now_ns)
        if self._time_wrong and not wrong:
            found.append(f"{self._time_wrong}; the time of arrival is taken")
        refused_ns, refused = self._refused
        if now_ns - refused_ns < TOLD_FOR * 1e9:
            found.append(refused)
        if self._granted:
            found.append(self._granted)
        return list(self._problems.tell(found, now_ns))

    def tell_down(
        self, reason: str, now_ns: int, channels: Mapping[str, str] | None = None
    ) -> list[Received]:
        """The link is down, as far as the machine goes: the state to yield."""
        self._is_up = False
        self._problems.tell([], now_ns)
        return [LinkState(now_ns, False, reason, channels or {})]


def _refused_words(time_ns: int, now_ns: int) -> str:
    when, ahead = iso_time(time_ns, "UTC"), span_words((time_ns - now_ns) * 1e-9)
    return (
        f"a message was dated {when}, {ahead} ahead of this computer's clock: its time of arrival "
        "is taken"
    )

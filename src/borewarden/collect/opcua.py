"""Samples from a controller by OPC UA. Reads only: Read, Browse and Subscription services.

Services, status codes and timestamps as in OPC 10000-4 (reference.opcfoundation.org).
"""

from __future__ import annotations

import asyncio
import math
import random
import re
from collections import deque
from collections.abc import AsyncGenerator, Mapping
from contextlib import aclosing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from asyncua import Client, Node, ua
from asyncua.common.subscription import Subscription
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256
from cryptography import x509

from borewarden.base.samples import Channel, Samples
from borewarden.base.times import EARLIEST, LATEST
from borewarden.collect.link import (
    NOT_FINITE,
    Clock,
    Problems,
    Received,
    Rows,
    clock_was_set,
    keep_connected,
    ticks,
)
from borewarden.collect.payload import no_switch
from borewarden.collect.source_clock import LOOK, Arrivals, SourceClock

SERVER_TIME = ua.NodeId(ua.ObjectIds.Server_ServerStatus_CurrentTime)
LOOK_IF_ODD = 1.0  # s from one look at the server's clock to the next while times seem wrong
TOLD_FOR_NS = 60 * 10**9  # for which a single refused timestamp is told
QUIET_TICKS = 2  # without news of the pressure, and it is asked for
DEAF = 5.0  # s for which a node has had another value than the one that came
RETRY = 60.0  # s from one attempt to subscribe to the next
QUEUE = 200  # values a node that the server keeps between two publishings
INBOX = 20_000  # values kept here while the consumer is busy; then the oldest go

NODE_ID = re.compile(r"(?:ns=\d+;|nsu=[^;]+;)?[isgb]=")


@dataclass(frozen=True)
class NodePoint:
    """Where one channel is: `node` is a node id such as "ns=2;s=Pump.Pressure", or with a
    namespace's URI "nsu=urn:shop;s=Pump.Pressure", or a browse path from the Root folder such as
    "0:Objects/2:Pump/2:Pressure". `bits` is the width of a counter that wraps.
    """

    channel: Channel
    node: str
    bits: int | None = None


@dataclass(frozen=True)
class OpcUaSource:
    """A controller that speaks OPC UA. `nodes` has the fields of `Samples` as keys.

    `interval` (s) is that of sampling and publishing, `timeout` (s) that of a request. A server's
    clock that is off by more than `clock_tolerance` (s) is put right. With `encrypted` the policy
    is Basic256Sha256, SignAndEncrypt; the server has to be the one that owns
    `server_certificate`. Certificates and keys are PEM or DER files. `constant_rate` in Hz stands
    in for a crank speed that is not read.
    """

    nodes: Mapping[str, NodePoint]
    url: str
    interval: float = 1.0
    timeout: float = 4.0
    clock_tolerance: float = 5.0
    mode: Literal["subscribe", "poll"] = "subscribe"
    encrypted: bool = False
    certificate: Path | None = None
    private_key: Path | None = None
    server_certificate: Path | None = None
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    user_certificate: Path | None = None
    user_private_key: Path | None = None
    constant_rate: float | None = None


def opcua_samples(
    source: OpcUaSource, chance: random.Random | None = None
) -> AsyncGenerator[Received, None]:
    """Endless samples from `source`, one row a pressure value, and the states of the link; SI.

    A row has the source timestamp of its pressure, put right by `SourceClock` as the server's clock
    is off ours, and by `Arrivals` if the timestamps still can't be right. A pressure that does not
    change is asked for, and has the time of asking. Values that are Bad or Uncertain are NaN.
    Raises nothing but CancelledError.
    """
    counter = source.nodes.get("stroke_count")
    rows = Rows(
        {name: point.channel for name, point in source.nodes.items()},
        counter.bits if counter else None,
        source.constant_rate,
    )
    times = _Times(source, rows)
    return keep_connected(lambda: _session(source, rows, times), chance)


class _Inbox:
    """Takes the notifications of a subscription: (channel, value). `told` are the newest."""

    def __init__(self, names: Mapping[ua.NodeId, str]) -> None:
        self._names = names
        self.news: deque[tuple[str, ua.DataValue]] = deque(maxlen=INBOX)
        self.told: dict[str, ua.DataValue] = {}

    def datachange_notification(self, node: Node, _: Any, data: Any) -> None:
        name, value = self._names[node.nodeid], data.monitored_item.Value
        self.news.append((name, value))
        self.told[name] = value

    def take(self) -> list[tuple[str, ua.DataValue]]:
        """What came in since, in order of source time; of equal times the pressure is the last."""
        news = sorted(self.news, key=lambda item: (source_time_ns(item[1]), item[0] == "pressure"))
        self.news.clear()
        return news


async def _session(
    source: OpcUaSource, rows: Rows, times: _Times
) -> AsyncGenerator[Received, None]:
    clock = Clock()
    rows.resume(clock.now())
    client = Client(source.url, timeout=source.timeout)
    try:
        await secure(client, source)
        await client.connect()
        news = _News(client, source)
        await news.find()
        await _look(client, clock, times.server)
        look_ns, words = clock.now(), times.words
        problems = Problems(_connected(source, words))
        held: dict[str, ua.DataValue] = {}
        await news.subscribe(clock.now())
        quiet = QUIET_TICKS  # so that the first row is read
        async with aclosing(ticks(source.interval)) as polls:
            async for _ in polls:
                step = clock.step()
                for state in clock_was_set(step, clock.now(), rows, "this computer"):
                    times.ours_was_set(step)
                    yield state
                came = _at_each_pressure(news.inbox.take(), held)
                quiet = 0 if came else quiet + 1
                is_asked = quiet >= QUIET_TICKS or not news.subscribed
                if is_asked:
                    quiet = 0 if problems.none_told else quiet  # what is subscribed to comes now
                    held = await news.read()
                    came.append(dict(held))
                await news.check(clock.now())
                if not came:
                    continue
                wait = LOOK_IF_ODD if times.is_odd(came[-1], clock.now()) else LOOK
                if step or clock.now() - look_ns > wait * 1e9:
                    await _look(client, clock, times.server)
                    look_ns = clock.now()
                made = times.rows_of(came, is_asked, clock.now())
                if times.words != words:
                    words = times.words
                    problems = Problems(_connected(source, words))
                found = [*news.words, *times.refused(clock.now()), *_bad(came[-1])]
                for state in problems.tell(found, clock.now()):
                    yield state
                for row in made:
                    yield row
    finally:
        with suppress(Exception):
            async with asyncio.timeout(source.timeout):
                await client.disconnect()


def _at_each_pressure(
    news: list[tuple[str, ua.DataValue]], held: dict[str, ua.DataValue]
) -> list[dict[str, ua.DataValue]]:
    """All channels as they were with each pressure of the `news`; `held` is brought up to it."""
    came = []
    for name, value in news:
        before, held[name] = held.get(name), value
        if name == "pressure" and not _is_same(before, value):
            came.append(dict(held))
    return came


def _is_same(before: ua.DataValue | None, value: ua.DataValue) -> bool:
    """Whether a value is the one that was there before: a subscription begins with it."""
    time = value.SourceTimestamp
    return (
        before is not None
        and time is not None
        and time == before.SourceTimestamp
        and ((value.Value, value.StatusCode) == (before.Value, before.StatusCode))
    )


class _Times:
    """The times of rows. `server` is the server's clock, as looked at; it outlives connections."""

    def __init__(self, source: OpcUaSource, rows: Rows) -> None:
        self.server = SourceClock(source.clock_tolerance, source.clock_tolerance)
        self._arrivals: Arrivals[Mapping[str, ua.DataValue]] = Arrivals(source.clock_tolerance)
        self._ahead_ns = round(source.clock_tolerance * 1e9)
        self._rows = rows
        self._newest_ns = 0  # source timestamp of the newest pressure
        self._refused_ns = -TOLD_FOR_NS  # when one was last refused

    @property
    def words(self) -> str:
        """What is put right; empty if nothing is."""
        return self.server.words or self._arrivals.clock.words

    def ours_was_set(self, step: float) -> None:
        """Our own clock was set by `step` s."""
        self.server.ours_was_set(round(step * 1e9))

    def is_odd(self, values: Mapping[str, ua.DataValue], now_ns: int) -> bool:
        """Whether the server's clock may have been set: the newest pressure has a time of others.

        A time that is not new is that of a pressure which has not changed.
        """
        source_ns = source_time_ns(values["pressure"])
        time_ns = self.server.here(source_ns)
        return source_ns not in (0, self._newest_ns) and not (
            self._rows.last_ns < time_ns <= now_ns + self._ahead_ns
        )

    def rows_of(
        self, came: list[dict[str, ua.DataValue]], is_asked: bool, now_ns: int
    ) -> list[Samples]:
        """Rows of what came, the last of it asked for if `is_asked`, whose time is known by now."""
        timed: list[tuple[int, Mapping[str, ua.DataValue]]] = []
        for i, values in enumerate(came):
            source_ns = source_time_ns(values["pressure"])
            is_new = source_ns != self._newest_ns and EARLIEST <= source_ns <= LATEST
            self._newest_ns = source_ns
            if is_new:
                time_ns = self.server.here(source_ns)
                timed += self._arrivals.take(time_ns, now_ns, values, self._rows.last_ns)
            elif i == len(came) - 1 and not (is_asked and self._arrivals.is_catching_up(now_ns)):
                timed += [*self._arrivals.settle(), (now_ns, values)]  # it is so now
                if source_ns and not is_asked:
                    self._refused_ns = now_ns
        if self._arrivals.refused_ns is not None:
            self._arrivals.refused_ns, self._refused_ns = None, now_ns
        made = (
            self._rows.make(time_ns, {name: _channel(name, each) for name, each in values.items()})
            for time_ns, values in timed
        )
        return [row for row in made if row is not None]

    def refused(self, now_ns: int) -> list[str]:
        """Words for source timestamps that can't be right."""
        if now_ns - self._refused_ns > TOLD_FOR_NS:
            return []
        return ["the pressure's source time can't be right: its time of arrival is taken"]


def _connected(source: OpcUaSource, clock: str) -> str:
    return f"connected to {source.url}" + (f", {clock}" if clock else "")


async def secure(client: Client, source: OpcUaSource) -> None:
    """Give the client the user, the certificates and the keys of `source`."""
    if source.user is not None:
        client.set_user(source.user)
        client.set_password(source.password or "")
    if source.user_certificate and source.user_private_key:
        await client.load_client_certificate(str(source.user_certificate))
        await client.load_private_key(source.user_private_key)
    if source.encrypted:
        assert source.certificate
        assert source.private_key
        assert source.server_certificate
        # a server compares the client's name with that in its certificate
        client.application_uri = _application_uri(source.certificate) or client.application_uri
        await client.set_security(
            SecurityPolicyBasic256Sha256,
            str(source.certificate),
            str(source.private_key),
            server_certificate=str(source.server_certificate),
            mode=ua.MessageSecurityMode.SignAndEncrypt,
        )


def _application_uri(certificate: Path) -> str | None:
    data = certificate.read_bytes()
    pem = b"-----BEGIN" in data
    cert = x509.load_pem_x509_certificate(data) if pem else x509.load_der_x509_certificate(data)
    try:
        names = cert.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return None
    uris = names.get_values_for_type(x509.UniformResourceIdentifier)
    return str(uris[0]) if uris else None


async def _find_all(client: Client, source: OpcUaSource) -> tuple[dict[str, Node], list[str]]:
    """The node of each channel, and what is wrong where there is none.

    Raises LookupError if there is none of the pressure.
    """
    nodes, missing = {}, []
    for name, point in source.nodes.items():
        try:
            nodes[name] = await _find(client, point.node)
        except LookupError as error:
            missing.append(f"{name}: {error}")
    if "pressure" not in nodes:
        raise LookupError("; ".join(missing))
    return nodes, missing


async def _find(client: Client, node: str) -> Node:
    """The node of that id or browse path. Raises LookupError if there is none."""
    try:
        if not NODE_ID.match(node):
            return await client.nodes.root.get_child(node.strip("/").split("/"))
        if node.startswith("nsu="):
            uri, identifier = node.removeprefix("nsu=").split(";", 1)
            known = await client.get_namespace_array()
            if uri not in known:
                raise LookupError(f"there is no namespace {uri!r}, only {', '.join(known)}")
            node = f"ns={known.index(uri)};{identifier}"
        return client.get_node(node)
    except (ua.UaError, ValueError) as error:
        raise LookupError(f"there is no node {node!r} ({type(error).__name__})") from None


async def _look(client: Client, clock: Clock, times: SourceClock) -> None:
    """Look at the server's clock, if it shows one."""
    asked_ns = clock.now()
    (value,) = await client.read_attributes([client.get_node(SERVER_TIME)])
    here_ns = (asked_ns + clock.now()) // 2
    time = value.Value.Value if value.Value is not None else None
    if _good(value) and isinstance(time, datetime) and EARLIEST <= _ns(time) <= LATEST:
        times.look(_ns(time), here_ns)


class _News:
    """How news of the nodes come: subscribed to, or asked for.

    A subscription may go deaf: some servers forget what is monitored of a node that is deleted,
    also when it is back. So now and then what came is compared with what is there.
    """

    def __init__(self, client: Client, source: OpcUaSource) -> None:
        self._client = client
        self._source = source
        self._nodes: dict[str, Node] = {}
        self._missing: list[str] = []
        self._subscription: Subscription | None = None
        self._refused = ""
        self._begun_ns = 0  # when the subscription was begun, or refused
        self._bad: list[str] = []  # channels, when it was refused
        self._newest: dict[str, ua.DataValue] = {}  # as read
        self._read_ns = 0
        self._was_deaf = False  # the subscription before this one
        self._doubted: dict[str, tuple[ua.DataValue | None, int]] = {}
        self.inbox = _Inbox({})

    @property
    def subscribed(self) -> bool:
        """Whether news come by themselves."""
        return self._subscription is not None

    @property
    def words(self) -> list[str]:
        """What there is to say of that."""
        refused = f"polled, since there is no subscription: {self._refused}"
        return [*self._missing, *([refused] if self._refused else [])]

    async def find(self) -> None:
        """Find the nodes. Raises LookupError if there is none of the pressure."""
        self._nodes, self._missing = await _find_all(self._client, self._source)

    async def read(self) -> dict[str, ua.DataValue]:
        """All values as they are now."""
        values = await self._client.read_attributes(self._nodes.values())
        self._newest = dict(zip(self._nodes, values, strict=True))
        return dict(self._newest)

    async def subscribe(self, now_ns: int) -> None:
        """Subscribe anew if that is wanted; where the server won't, it is asked."""
        if self._subscription is not None:
            with suppress(ua.UaError):
                await self._subscription.delete()
        self._subscription, self._refused, self._begun_ns = None, "", now_ns
        self._doubted.clear()
        self.inbox = _Inbox({node.nodeid: name for name, node in self._nodes.items()})
        if self._source.mode == "poll":
            return
        period = self._source.interval * 1000.0
        try:
            self._subscription = await self._client.create_subscription(period, self.inbox)
            handles = await self._subscription.subscribe_data_change(
                list(self._nodes.values()), queuesize=QUEUE, sampling_interval=period
            )
            refusals = [handle.name for handle in handles if not isinstance(handle, int)]
        except ua.UaError as error:
            refusals = [type(error).__name__]
        if refusals:
            await self._give_up(refusals[0])

    async def check(self, now_ns: int) -> None:
        """Find and subscribe anew where that would bring more."""
        late = now_ns - self._begun_ns > RETRY * 1e9
        anew = late and bool(self._missing)
        if self.subscribed:
            if now_ns - self._read_ns < DEAF / 2 * 1e9:
                return
            self._read_ns = now_ns
            await self.read()
            if self._is_deaf(now_ns):
                if self._was_deaf and not late:
                    await self._give_up("it brings no news")
                    return
                self._was_deaf = anew = True
            elif late:
                self._was_deaf = False
        elif self._refused:
            anew = late or _bad(self._newest) != self._bad  # for what was bad then, it may be
        if anew:
            await self.find()
            await self.subscribe(now_ns)

    async def _give_up(self, why: str) -> None:
        if self._subscription is not None:
            with suppress(ua.UaError):
                await self._subscription.delete()
        self._subscription, self._refused = None, why
        self._bad = _bad(await self.read())

    def _is_deaf(self, now_ns: int) -> bool:
        """Whether a node has another value than the one that came, and has had one for long."""
        doubted = {}
        for name, value in self._newest.items():
            told = self.inbox.told.get(name)
            if told is None or not _says_the_same(told, value):
                before, since_ns = self._doubted.get(name, (told, now_ns))
                doubted[name] = (told, since_ns if before is told else now_ns)
        self._doubted = doubted
        return any(now_ns - since_ns > DEAF * 1e9 for _, since_ns in doubted.values())


# -- values


def _good(value: ua.DataValue) -> bool:
    # severity is in the two highest bits: 00 Good, 01 Uncertain, 10 Bad (OPC 10000-4, 7.38)
    return value.StatusCode is None or value.StatusCode.value >> 30 == 0


def _bad(values: Mapping[str, ua.DataValue]) -> list[str]:
    """What is wrong with which channel."""
    return [f"{name}: {why}" for name, each in values.items() if (why := _unfit(name, each))]


def _wrong(value: ua.DataValue) -> str:
    """Why the value is not a good number; empty if it is one."""
    if value.StatusCode is not None and not _good(value):
        return str(value.StatusCode.name)
    found = value.Value.Value if value.Value is not None else None
    match found:
        case None:
            return "there is no value in it"
        case bool() | int():
            return ""
        case float():
            return "" if math.isfinite(found) else NOT_FINITE
        case str():
            return "text, not a number"
        case list():
            return "an array, not one number"
    return f"{type(found).__name__}, not a number"


def _unfit(name: str, value: ua.DataValue) -> str:
    """Why it is no value for this channel; empty if it is one."""
    return _wrong(value) or no_switch(name, value.Value.Value)


def _channel(name: str, value: ua.DataValue) -> float:
    return math.nan if _unfit(name, value) else float(value.Value.Value)


def number_of(value: ua.DataValue) -> float:
    """The value if it is good and a number, else NaN."""
    return math.nan if _wrong(value) else float(value.Value.Value)


def _says_the_same(one: ua.DataValue, other: ua.DataValue) -> bool:
    """Whether two values are equal, at whatever time."""
    if _wrong(one) or _wrong(other):
        return _wrong(one) == _wrong(other)
    return bool(one.Value.Value == other.Value.Value)


def _ns(time: datetime) -> int:
    since = (time if time.tzinfo else time.replace(tzinfo=UTC)) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000


def source_time_ns(value: ua.DataValue) -> int:
    """When the value was true, by the server's clock; 0 if it does not say."""
    time = value.SourceTimestamp or value.ServerTimestamp
    return _ns(time) if time is not None else 0

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
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256
from cryptography import x509

from borewarden.base.samples import Channel
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

SERVER_TIME = ua.NodeId(ua.ObjectIds.Server_ServerStatus_CurrentTime)
TOLERATED_DIFFERENCE = 2.0  # s between the clocks; servers show theirs in steps of up to a second
CLOCK_CHECK = 60.0  # s between looks at the server's clock
QUIET_TICKS = 2  # without news of the pressure, and it is asked for
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

    `interval` (s) is that of sampling and publishing, `timeout` (s) that of a request. With
    `encrypted` the policy is Basic256Sha256, SignAndEncrypt; the server has to be the one that
    owns `server_certificate`. Certificates and keys are PEM or DER files. `constant_rate` in Hz
    stands in for a crank speed that is not read.
    """

    nodes: Mapping[str, NodePoint]
    url: str
    interval: float = 1.0
    timeout: float = 4.0
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

    A row has the source timestamp of its pressure, put right by the difference of the clocks where
    that is more than `TOLERATED_DIFFERENCE`; a pressure that does not change is asked for, and has
    the time of asking. Values that are Bad or Uncertain are NaN. Raises nothing but
    CancelledError.
    """
    counter = source.nodes.get("stroke_count")
    rows = Rows(
        {name: point.channel for name, point in source.nodes.items()},
        counter.bits if counter else None,
        source.constant_rate,
    )
    return keep_connected(lambda: _session(source, rows), chance)


class _Inbox:
    """Takes the notifications of a subscription: (channel, value)."""

    def __init__(self, names: Mapping[ua.NodeId, str]) -> None:
        self._names = names
        self.news: deque[tuple[str, ua.DataValue]] = deque(maxlen=INBOX)

    def datachange_notification(self, node: Node, _: Any, data: Any) -> None:
        self.news.append((self._names[node.nodeid], data.monitored_item.Value))

    def take(self) -> list[tuple[str, ua.DataValue]]:
        """What came in since, in order of source time; of equal times the pressure is the last."""
        news = sorted(self.news, key=lambda item: (_source_ns(item[1]), item[0] == "pressure"))
        self.news.clear()
        return news


async def _session(source: OpcUaSource, rows: Rows) -> AsyncGenerator[Received, None]:
    clock = Clock()
    rows.resume(clock.now())
    client = Client(source.url, timeout=source.timeout)
    try:
        await _secure(client, source)
        await client.connect()
        nodes, missing = await _find_all(client, source)
        ahead_ns = await _server_ahead(client, clock, 0)
        problems = Problems(_connected(source, ahead_ns))
        held: dict[str, ua.DataValue] = {}
        inbox = _Inbox({node.nodeid: name for name, node in nodes.items()})
        hint = await _subscribe(client, source, list(nodes.values()), inbox)
        quiet = QUIET_TICKS  # so that the first row is read
        look_ns = clock.now()
        async with aclosing(ticks(source.interval)) as polls:
            async for _ in polls:
                step = clock.step()
                for state in clock_was_set(step, clock.now(), rows, "this computer"):
                    yield state
                if step or abs(clock.now() - look_ns) > CLOCK_CHECK * 1e9:
                    look_ns = clock.now()
                    change_ns = await _server_ahead(client, clock, ahead_ns) - ahead_ns
                    ahead_ns += change_ns
                    if not step:
                        who = "the controller"
                        for state in clock_was_set(change_ns * 1e-9, clock.now(), rows, who):
                            yield state
                quiet += 1
                times: list[tuple[int, dict[str, ua.DataValue]]] = []
                for name, value in inbox.take():
                    held[name] = value
                    if name == "pressure":
                        quiet = 0
                        times.append((_source_ns(value) - ahead_ns, dict(held)))
                if quiet >= QUIET_TICKS or not hint.subscribed:
                    values = await client.read_attributes(nodes.values())
                    held = dict(zip(nodes, values, strict=True))
                    time_ns = _source_ns(held["pressure"]) - ahead_ns
                    if time_ns <= rows.last_ns:
                        time_ns = clock.now()  # unchanged, and seen to be so now
                    times.append((time_ns, held))
                if times:
                    found = missing + hint.words + _bad(times[-1][1])
                    for state in problems.tell(found, clock.now()):
                        yield state
                for time_ns, values_then in times:
                    # no time at all, or one that no clock of our days shows
                    plausible = EARLIEST <= time_ns <= LATEST
                    raw = {name: _number(value) for name, value in values_then.items()}
                    row = rows.make(time_ns if plausible else clock.now(), raw)
                    if row is not None:
                        yield row
    finally:
        with suppress(Exception):
            async with asyncio.timeout(source.timeout):
                await client.disconnect()


def _connected(source: OpcUaSource, ahead_ns: int) -> str:
    words = f"connected to {source.url}"
    if ahead_ns:
        way = "ahead" if ahead_ns > 0 else "behind"
        words += f", whose clock is {abs(ahead_ns) * 1e-9:.0f} s {way}: its times are put right"
    return words


async def _secure(client: Client, source: OpcUaSource) -> None:
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


async def _server_ahead(client: Client, clock: Clock, known_ns: int) -> int:
    """By how many ns the server's clock is ahead of ours; `known_ns` while that still holds."""
    asked_ns = clock.now()
    (value,) = await client.read_attributes([client.get_node(SERVER_TIME)])
    here_ns = (asked_ns + clock.now()) // 2
    time = value.Value.Value if value.Value is not None else None
    if not _good(value) or not isinstance(time, datetime):
        return known_ns
    if not EARLIEST <= _ns(time) <= LATEST:
        return known_ns  # it has none
    ahead_ns = _ns(time) - here_ns
    return known_ns if abs(ahead_ns - known_ns) < TOLERATED_DIFFERENCE * 1e9 else ahead_ns


@dataclass
class _Hint:
    subscribed: bool
    words: list[str]


async def _subscribe(
    client: Client, source: OpcUaSource, nodes: list[Node], inbox: _Inbox
) -> _Hint:
    """Subscribe if that is wanted; where the server won't, say that it is polled."""
    if source.mode == "poll":
        return _Hint(False, [])
    period = source.interval * 1000.0
    subscription = None
    try:
        subscription = await client.create_subscription(period, inbox)
        handles = await subscription.subscribe_data_change(
            nodes, queuesize=QUEUE, sampling_interval=period
        )
        refusals = [handle.name for handle in handles if not isinstance(handle, int)]
    except ua.UaError as error:
        refusals = [type(error).__name__]
    if not refusals:
        return _Hint(True, [])
    if subscription is not None:
        with suppress(ua.UaError):
            await subscription.delete()
    return _Hint(False, [f"polled, as there is no subscription: {refusals[0]}"])


# -- values


def _good(value: ua.DataValue) -> bool:
    # severity is in the two highest bits: 00 Good, 01 Uncertain, 10 Bad (OPC 10000-4, 7.38)
    return value.StatusCode is None or value.StatusCode.value >> 30 == 0


def _bad(values: Mapping[str, ua.DataValue]) -> list[str]:
    """What is wrong with which channel."""
    return [f"{name}: {wrong}" for name, value in values.items() if (wrong := _wrong(value))]


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


def _number(value: ua.DataValue) -> float:
    """The value if it is good and a number, else NaN."""
    return math.nan if _wrong(value) else float(value.Value.Value)


def _ns(time: datetime) -> int:
    since = (time if time.tzinfo else time.replace(tzinfo=UTC)) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000


def _source_ns(value: ua.DataValue) -> int:
    """When the value was true, by the server's clock; 0 if it does not say."""
    time = value.SourceTimestamp or value.ServerTimestamp
    return _ns(time) if time is not None else 0

"""OPC UA against real asyncua servers on loopback.

Services, status codes and the binary encoding as in OPC 10000-4 and 10000-6
(reference.opcfoundation.org). All machines are invented.
"""

from __future__ import annotations

import contextlib
import math
import random
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from asyncua import Client, Server, ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.cert_gen import setup_self_signed_certificate
from asyncua.crypto.permission_rules import User, UserRole
from cryptography.x509.oid import ExtendedKeyUsageOID

from borewarden.base.samples import Channel
from borewarden.collect.opcua import NodePoint, OpcUaSource, opcua_samples
from borewarden.simulate.serve import data_value, offer
from wire import Proxy, free_port, services_in, streaming

NODES = {
    "pressure": NodePoint(Channel("p", "MPa", 1e6), "ns=2;s=Pump.Pressure"),
    "stroke_count": NodePoint(Channel("n", "counts"), "nsu=urn:shop:pump;s=Pump.Strokes", 16),
    "temperature": NodePoint(
        Channel("t", "degC", 1.0, 273.15, 272.0, 335.0), "0:Objects/2:Pump/2:Water"
    ),
    "valve": NodePoint(Channel("v", "0 or 1"), "ns=2;i=77"),
}
VALUES = {"pressure": 380.5, "stroke_count": 7.0, "temperature": 14.5, "valve": 1.0}
READ_SERVICES = {  # ids of the binary encodings, OPC 10000-6, A.3 (NodeIds.csv)
    428: "GetEndpoints",
    446: "OpenSecureChannel",
    452: "CloseSecureChannel",
    461: "CreateSession",
    467: "ActivateSession",
    473: "CloseSession",
    527: "Browse",
    554: "TranslateBrowsePathsToNodeIds",
    631: "Read",
    751: "CreateMonitoredItems",
    781: "DeleteMonitoredItems",
    787: "CreateSubscription",
    826: "Publish",
    832: "Republish",
    847: "DeleteSubscriptions",
}
WRITE_REQUEST = 673


class Virtual:
    """A server with the nodes of `NODES`; values are set by name."""

    def __init__(self, server: Server) -> None:
        self.server = server
        self.nodes = {}

    async def put(self, time_ns: int | None = None, status: int | None = None, **values) -> None:
        for name, value in values.items():
            data = data_value(value, time_ns or time.time_ns(), NODES[name], name)
            if status is not None:
                data = ua.DataValue(
                    data.Value, ua.StatusCode(status), SourceTimestamp=data.SourceTimestamp
                )
            await self.server.write_attribute_value(self.nodes[name].nodeid, data)


@contextlib.asynccontextmanager
async def serving(url: str, prepare=None, **server_options) -> AsyncIterator[Virtual]:
    server = Server(**server_options)
    await server.init()
    server.disable_clock()  # stopping would wait for its next second
    server.set_endpoint(url)
    await server.register_namespace("urn:shop:pump")
    if prepare:
        await prepare(server)
    virtual = Virtual(server)
    for name, point in NODES.items():
        virtual.nodes[name] = await offer(server, name, point)
    await virtual.put(**VALUES)
    await server.start()
    try:
        yield virtual
    finally:
        with contextlib.suppress(Exception):
            await server.stop()


def source_at(port: int, **changes) -> OpcUaSource:
    source = OpcUaSource(NODES, f"opc.tcp://127.0.0.1:{port}/", interval=0.05, timeout=2.0)
    return replace(source, **changes)


def quick() -> random.Random:
    """Back-off without the wait."""

    class Now(random.Random):
        def uniform(self, a: float, b: float) -> float:
            return 0.05

    return Now()


# -- values


@pytest.mark.parametrize("mode", ["subscribe", "poll"])
async def test_values_arrive_in_si_by_node_id_by_namespace_and_by_path(mode) -> None:
    source = source_at(free_port(), mode=mode)
    async with serving(source.url) as server, streaming(opcua_samples(source)) as stream:
        await stream.more_rows(1)
        await server.put(pressure=381.0, stroke_count=8.0, temperature=15.5, valve=0.0)
        await stream.until(lambda: stream.rows[-1].valve[0] == 0.0)
    first, last = stream.rows[0], stream.rows[-1]
    assert first.pressure[0] == pytest.approx(380.5e6)
    assert first.stroke_count[0] == 7.0
    assert first.temperature[0] == pytest.approx(287.65)
    assert first.valve[0] == 1.0
    assert last.pressure[0] == pytest.approx(381e6)
    assert last.stroke_count[0] == 8.0
    assert [link.connected for link in stream.links] == [True]


async def test_the_further_channels_come_too() -> None:
    further = {
        "boost_pressure": NodePoint(Channel("b", "bar", 1e5), "ns=2;s=Feed.Pressure"),
        "bypass_temperature": NodePoint(
            Channel("t", "degC", 1.0, 273.15, 253.15, 423.15), "ns=2;s=Bypass.Temperature"
        ),
        "motor_speed": NodePoint(Channel("m", "rpm", 1.0 / 60.0), "ns=2;s=Motor.Speed"),
    }
    source = source_at(free_port(), nodes={**NODES, **further})

    async def prepare(server: Server) -> None:
        for name, value in (("Feed.Pressure", 6.2), ("Bypass.Temperature", 3276.7)):
            await server.nodes.objects.add_variable(f"ns=2;s={name}", f"2:{name}", value)
        speed = ua.Variant(1485, ua.VariantType.UInt16)
        await server.nodes.objects.add_variable("ns=2;s=Motor.Speed", "2:Motor.Speed", speed)

    async with serving(source.url, prepare) as server, streaming(opcua_samples(source)) as stream:
        await server.put(valve=2.0)
        await stream.until(lambda: stream.rows and stream.rows[-1].valve[0] == 2.0)
    row = stream.rows[-1]
    assert row.boost_pressure[0] == pytest.approx(6.2e5)
    assert math.isnan(row.bypass_temperature[0])  # no water is that hot: a torn wire
    assert row.motor_speed[0] == pytest.approx(24.75)


async def test_a_pressure_alone_is_subscribed_to() -> None:
    source = source_at(free_port(), nodes={"pressure": NODES["pressure"]}, constant_rate=5.0)
    async with serving(source.url) as server, streaming(opcua_samples(source)) as stream:
        await stream.more_rows(1)
        assert len(server.server.iserver.subscription_service.subscriptions) == 1
    assert "polled" not in stream.links[0].reason


async def test_every_change_comes_with_its_source_time() -> None:
    source = source_at(free_port())
    async with serving(source.url) as server, streaming(opcua_samples(source)) as stream:
        await stream.more_rows(1)
        start = time.time_ns() // 1000 * 1000
        times = [start + i * 10_000_000 for i in range(1, 21)]
        for i, time_ns in enumerate(times):
            await server.put(time_ns, pressure=300.0 + i)
        await stream.until(lambda: stream.rows[-1].pressure[0] == pytest.approx(319e6))
    seen = {int(row.time_ns[0]): row.pressure[0] for row in stream.rows}
    for i, time_ns in enumerate(times):
        assert seen[time_ns] == pytest.approx((300.0 + i) * 1e6)


async def test_a_counter_of_16_bits_is_counted_through() -> None:
    source = source_at(free_port(), mode="poll")
    async with serving(source.url) as server, streaming(opcua_samples(source)) as stream:
        for count in (65534.0, 65535.0, 65536.0, 65540.0):
            await server.put(stroke_count=count)
            await stream.more_rows(2)
    assert stream.column("stroke_count")[-1] == 65540.0


@pytest.mark.parametrize("mode", ["subscribe", "poll"])
@pytest.mark.parametrize(
    "status", [ua.StatusCodes.BadSensorFailure, ua.StatusCodes.UncertainLastUsableValue]
)
async def test_bad_and_uncertain_values_are_never_good(mode, status) -> None:
    source = source_at(free_port(), mode=mode)
    async with serving(source.url) as server, streaming(opcua_samples(source)) as stream:
        await stream.more_rows(1)
        await server.put(status=status, pressure=999.0)
        await stream.until(lambda: math.isnan(stream.rows[-1].pressure[0]))
        assert stream.rows[-1].temperature[0] == pytest.approx(287.65)
        await server.put(pressure=381.0)
        await stream.until(lambda: stream.rows[-1].pressure[0] == pytest.approx(381e6))
    pressure = stream.column("pressure")
    assert set(np.round(pressure[np.isfinite(pressure)] / 1e6, 3)) == {380.5, 381.0}


async def test_a_problem_that_lasts_is_told() -> None:
    source = source_at(free_port(), mode="poll")
    async with serving(source.url) as server, streaming(opcua_samples(source)) as stream:
        await stream.more_rows(1)
        await server.put(status=ua.StatusCodes.BadSensorFailure, temperature=1.0)
        await stream.until(lambda: len(stream.links) == 2)
    assert stream.links[-1].connected
    assert "temperature: BadSensorFailure" in stream.links[-1].reason


async def test_text_for_a_number_is_unknown() -> None:
    text = NodePoint(NODES["temperature"].channel, "ns=2;s=Text")
    source = source_at(free_port(), nodes={**NODES, "temperature": text})

    async def prepare(server: Server) -> None:
        await server.nodes.objects.add_variable("ns=2;s=Text", "2:Text", "20 degC")

    async with serving(source.url, prepare), streaming(opcua_samples(source)) as stream:
        row = (await stream.more_rows(1))[0]
    assert row.pressure[0] == pytest.approx(380.5e6)
    assert math.isnan(row.temperature[0])


async def test_a_pressure_that_does_not_change_is_asked_for() -> None:
    source = source_at(free_port())
    async with serving(source.url), streaming(opcua_samples(source)) as stream:
        rows = await stream.more_rows(5)
    assert all(row.pressure[0] == pytest.approx(380.5e6) for row in rows)


async def test_a_server_clock_that_is_wrong_is_put_right() -> None:
    source = source_at(free_port())
    hour = 3600 * 10**9
    async with serving(source.url) as server:
        clock = server.server.get_node(ua.ObjectIds.Server_ServerStatus_CurrentTime)
        past = ua.DataValue(
            ua.Variant(datetime.fromtimestamp(time.time() - 3600.0, UTC)),
            SourceTimestamp=datetime.now(UTC),
        )
        await server.server.write_attribute_value(clock.nodeid, past)
        await server.put(time.time_ns() - hour, pressure=380.0)
        async with streaming(opcua_samples(source)) as stream:
            await stream.more_rows(1)
            await server.put(time.time_ns() - hour, pressure=381.0)
            await stream.until(lambda: stream.rows[-1].pressure[0] == pytest.approx(381e6))
    assert abs(int(stream.rows[-1].time_ns[0]) - time.time_ns()) < 60 * 10**9
    assert "clock is" in stream.links[0].reason
    assert "behind" in stream.links[0].reason


# -- read only


@pytest.mark.parametrize("mode", ["subscribe", "poll"])
async def test_no_write_service_is_ever_sent(mode) -> None:
    port = free_port()
    async with (
        serving(f"opc.tcp://127.0.0.1:{port}/") as server,
        Proxy(port) as proxy,
    ):
        source = source_at(proxy.port, mode=mode)
        async with streaming(opcua_samples(source)) as stream:
            for i in range(5):
                await server.put(pressure=380.0 + i)
                await stream.more_rows(2)
    services = services_in(bytes(proxy.sent))
    assert WRITE_REQUEST not in services
    assert services <= set(READ_SERVICES), services - set(READ_SERVICES)
    assert 631 in services
    assert (787 in services) == (mode == "subscribe")


async def test_the_proof_would_see_a_write() -> None:
    port = free_port()
    async with (
        serving(f"opc.tcp://127.0.0.1:{port}/") as server,
        Proxy(port) as proxy,
        Client(f"opc.tcp://127.0.0.1:{proxy.port}/") as client,
    ):
        with pytest.raises(ua.UaError):  # and the virtual pump refuses it
            await client.get_node(server.nodes["pressure"].nodeid).write_value(1.0)
    assert WRITE_REQUEST in services_in(bytes(proxy.sent))


# -- faults


async def test_a_server_that_restarts_is_down_and_up_again() -> None:
    source = source_at(free_port(), timeout=1.0)
    async with streaming(opcua_samples(source, quick())) as stream:
        await stream.until(lambda: stream.is_down)  # not there yet
        async with serving(source.url):
            await stream.more_rows(3)
            assert stream.is_up
        await stream.until(lambda: stream.is_down)
        async with serving(source.url):
            await stream.more_rows(3)
            assert stream.is_up


async def test_a_line_that_is_cut_is_down_and_up_again() -> None:
    port = free_port()
    async with serving(f"opc.tcp://127.0.0.1:{port}/"):
        relay = Proxy(port)
        source = source_at(relay.port, timeout=1.0)
        async with streaming(opcua_samples(source, quick())) as stream:
            async with relay:
                await stream.more_rows(3)
                relay.cut()
            await stream.until(lambda: stream.is_down)
            async with relay:
                await stream.more_rows(3)
            assert stream.is_up


async def test_a_server_that_falls_silent_is_down_and_up_again() -> None:
    port = free_port()
    async with serving(f"opc.tcp://127.0.0.1:{port}/"), Proxy(port) as proxy:
        source = source_at(proxy.port, timeout=0.5)
        async with streaming(opcua_samples(source, quick())) as stream:
            await stream.more_rows(3)
            proxy.lose = 1.0
            await stream.until(lambda: stream.is_down)
            proxy.lose = 0.0
            await stream.until(lambda: stream.is_up)
            await stream.more_rows(3)


async def test_a_node_that_is_not_there_is_bad_and_said_so() -> None:
    point = NodePoint(NODES["temperature"].channel, "ns=2;s=Nowhere")
    source = source_at(free_port(), nodes={**NODES, "temperature": point})
    async with serving(source.url), streaming(opcua_samples(source)) as stream:
        rows = await stream.more_rows(2)
    assert all(row.pressure[0] == pytest.approx(380.5e6) for row in rows)
    assert np.isnan(stream.column("temperature")).all()
    assert "temperature: BadNodeIdUnknown" in stream.links[0].reason


@pytest.mark.parametrize(
    ("node", "words"),
    [
        ("0:Objects/2:Nowhere", "there is no node '0:Objects/2:Nowhere'"),
        ("nsu=urn:nowhere;s=Water", "there is no namespace 'urn:nowhere', only http://opcfound"),
    ],
)
async def test_a_path_that_leads_nowhere_is_said(node: str, words: str) -> None:
    point = NodePoint(NODES["temperature"].channel, node)
    source = source_at(free_port(), nodes={**NODES, "temperature": point})
    async with serving(source.url), streaming(opcua_samples(source)) as stream:
        rows = await stream.more_rows(2)
    assert all(row.pressure[0] == pytest.approx(380.5e6) for row in rows)
    assert np.isnan(stream.column("temperature")).all()
    assert words in stream.links[0].channels["temperature"]
    nowhere = NodePoint(NODES["pressure"].channel, node)
    source = source_at(free_port(), nodes={**NODES, "pressure": nowhere})
    async with serving(source.url), streaming(opcua_samples(source, quick())) as stream:
        await stream.until(lambda: stream.is_down)
    assert f"pressure: {words}" in stream.links[0].reason


# -- security


class OneUser:
    """Lets the user "watcher" in, by password."""

    def get_user(self, iserver, username=None, password=None, certificate=None) -> User | None:
        if username == "watcher" and password == "invented":
            return User(role=UserRole.User, name=username)
        return None


async def certificate(folder: Path, name: str) -> tuple[Path, Path]:
    """A fresh self-signed certificate of an application: certificate, key."""
    key, cert = folder / f"{name}.pem", folder / f"{name}.der"
    usages = [ExtendedKeyUsageOID.CLIENT_AUTH, ExtendedKeyUsageOID.SERVER_AUTH]
    await setup_self_signed_certificate(key, cert, f"urn:test:{name}", "localhost", usages, {})
    return cert, key


def secured(server_cert: tuple[Path, Path], trusted: Path):
    """Prepares a server that takes only the certificate `trusted` of clients."""
    good = trusted.read_bytes()

    async def validate(cert, _) -> None:
        from cryptography.hazmat.primitives.serialization import Encoding

        if cert.public_bytes(Encoding.DER) != good:
            raise ServiceError(ua.StatusCodes.BadCertificateUntrusted)

    async def prepare(server: Server) -> None:
        await server.set_application_uri("urn:test:server")
        server.set_security_policy([ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt])
        await server.load_certificate(str(server_cert[0]))
        await server.load_private_key(str(server_cert[1]))
        server.set_certificate_validator(validate)

    return prepare


@pytest.mark.parametrize("user", [None, "watcher"])
async def test_signed_and_encrypted_with_and_without_a_user(tmp_path: Path, user) -> None:
    theirs, ours = await certificate(tmp_path, "server"), await certificate(tmp_path, "watcher")
    source = source_at(
        free_port(),
        encrypted=True,
        certificate=ours[0],
        private_key=ours[1],
        server_certificate=theirs[0],
        user=user,
        password="invented" if user else None,
    )
    options = {"user_manager": OneUser()} if user else {}
    async with (
        serving(source.url, secured(theirs, ours[0]), **options),
        streaming(opcua_samples(source)) as stream,
    ):
        await stream.more_rows(2)
    assert stream.column("pressure")[0] == pytest.approx(380.5e6)


async def test_what_is_encrypted_can_not_be_read_on_the_wire(tmp_path: Path) -> None:
    theirs, ours = await certificate(tmp_path, "server"), await certificate(tmp_path, "watcher")
    port = free_port()
    async with (
        serving(f"opc.tcp://127.0.0.1:{port}/", secured(theirs, ours[0]), user_manager=OneUser()),
        Proxy(port) as proxy,
    ):
        source = source_at(
            proxy.port,
            encrypted=True,
            certificate=ours[0],
            private_key=ours[1],
            server_certificate=theirs[0],
            user="watcher",
            password="invented",
        )
        async with streaming(opcua_samples(source)) as stream:
            await stream.more_rows(2)
    assert b"invented" not in proxy.sent
    assert b"watcher" not in proxy.sent.replace(b"urn:test:watcher", b"")
    assert b"Pump.Pressure" not in proxy.sent
    assert "invented" not in repr(source)


async def test_a_refused_certificate_is_a_link_that_is_down(tmp_path: Path) -> None:
    theirs, ours = await certificate(tmp_path, "server"), await certificate(tmp_path, "watcher")
    other = await certificate(tmp_path, "other")
    source = source_at(
        free_port(),
        encrypted=True,
        certificate=ours[0],
        private_key=ours[1],
        server_certificate=theirs[0],
    )
    async with (
        serving(source.url, secured(theirs, other[0])),
        streaming(opcua_samples(source, quick())) as stream,
    ):
        await stream.until(lambda: stream.is_down)
    assert not stream.rows
    assert "does not trust our certificate" in stream.links[0].reason


async def test_a_server_with_another_certificate_is_not_talked_to(tmp_path: Path) -> None:
    theirs, ours = await certificate(tmp_path, "server"), await certificate(tmp_path, "watcher")
    other = await certificate(tmp_path, "other")
    source = source_at(
        free_port(),
        timeout=1.0,
        encrypted=True,
        certificate=ours[0],
        private_key=ours[1],
        server_certificate=other[0],
    )
    async with (
        serving(source.url, secured(theirs, ours[0])),
        streaming(opcua_samples(source, quick())) as stream,
    ):
        await stream.until(lambda: stream.is_down)
    assert not stream.rows


async def test_a_wrong_password_is_a_link_that_is_down(tmp_path: Path) -> None:
    theirs, ours = await certificate(tmp_path, "server"), await certificate(tmp_path, "watcher")
    source = source_at(
        free_port(),
        encrypted=True,
        certificate=ours[0],
        private_key=ours[1],
        server_certificate=theirs[0],
        user="watcher",
        password="wrong",
    )
    async with (
        serving(source.url, secured(theirs, ours[0]), user_manager=OneUser()),
        streaming(opcua_samples(source, quick())) as stream,
    ):
        await stream.until(lambda: stream.is_down)
    assert not stream.rows
    assert "wrong" not in stream.links[0].reason


async def test_a_certificate_file_that_is_no_certificate_is_down(tmp_path: Path) -> None:
    (tmp_path / "empty.der").write_bytes(b"nothing")
    empty = tmp_path / "empty.der"
    source = source_at(
        free_port(),
        encrypted=True,
        certificate=empty,
        private_key=empty,
        server_certificate=empty,
    )
    async with streaming(opcua_samples(source, quick())) as stream:
        await stream.until(lambda: stream.is_down)


# -- a user's certificate (X509IdentityToken, OPC 10000-4, 7.41.5)


class OneCertificate:
    """Lets in whoever owns the private key of one certificate."""

    def __init__(self, certificate: Path) -> None:
        self._der = certificate.read_bytes()

    def get_user(self, iserver, username=None, password=None, certificate=None) -> User | None:
        return User(role=UserRole.User, name="watcher") if certificate == self._der else None


def for_users_of_certificates(prepare=None):
    """Prepares a server that takes no anonymous users and no passwords."""

    async def prepared(server: Server) -> None:
        if prepare:
            await prepare(server)
        server.set_identity_tokens([ua.X509IdentityToken])

    return prepared


async def the_user_is_let_in(tmp_path: Path, user: tuple[Path, Path], encrypted: bool) -> str:
    """Watch a server that knows the user "known"; the reason of the first link state."""
    theirs, ours = await certificate(tmp_path, "server"), await certificate(tmp_path, "watcher")
    source = source_at(
        free_port(),
        encrypted=encrypted,
        certificate=ours[0],
        private_key=ours[1],
        server_certificate=theirs[0],
        user_certificate=user[0],
        user_private_key=user[1],
    )

    async def offers_both(server: Server) -> None:
        await secured(theirs, ours[0])(server)
        server.set_security_policy(
            [
                ua.SecurityPolicyType.NoSecurity,
                ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
            ]
        )
        if not encrypted:
            # a server is to ignore an application's certificate then (OPC 10000-4, 5.7.2.2), which
            # asyncua's does not do: the client sends the user's there
            server.set_certificate_validator(None)

    known = OneCertificate(tmp_path / "known.der")
    async with (
        serving(source.url, for_users_of_certificates(offers_both), user_manager=known),
        streaming(opcua_samples(source, quick())) as stream,
    ):
        await stream.until(lambda: stream.links)
        if stream.is_up:
            await stream.more_rows(2)
            assert stream.column("pressure")[-1] == pytest.approx(380.5e6)
        else:
            assert not stream.rows
    return stream.links[0].reason


@pytest.mark.parametrize("encrypted", [True, False])
async def test_a_users_certificate_is_accepted(tmp_path: Path, encrypted: bool) -> None:
    known = await certificate(tmp_path, "known")
    assert "connected" in await the_user_is_let_in(tmp_path, known, encrypted)


@pytest.mark.parametrize("encrypted", [True, False])
async def test_an_unknown_users_certificate_is_refused(tmp_path: Path, encrypted: bool) -> None:
    await certificate(tmp_path, "known")
    unknown = await certificate(tmp_path, "unknown")
    reason = await the_user_is_let_in(tmp_path, unknown, encrypted)
    assert "BadUserAccessDenied" in reason


async def test_a_certificate_without_its_key_is_refused(tmp_path: Path) -> None:
    known, unknown = await certificate(tmp_path, "known"), await certificate(tmp_path, "unknown")
    reason = await the_user_is_let_in(tmp_path, (known[0], unknown[1]), True)
    assert "BadIdentityToken" in reason


# -- servers without subscriptions


def refusing(service: str, status: int):
    """Prepares a server whose `service` of subscriptions answers `status`, as a small one does."""

    async def refuse(*_, **__) -> None:
        raise ServiceError(status)

    async def prepare(server: Server) -> None:
        setattr(server.iserver.subscription_service, service, refuse)

    return prepare


async def no_subscriptions_left(server: Server) -> None:
    server.iserver.max_subscriptions = 0


async def never_publishes(server: Server) -> None:
    """Takes the subscription and the items, then falls silent about them."""
    service = server.iserver.subscription_service
    create = service.create_subscription

    async def create_and_forget(params, callback, *others, **how):
        async def nothing(*_) -> None:
            return None

        return await create(params, nothing, *others, **how)

    service.create_subscription = create_and_forget


@pytest.mark.parametrize(
    ("prepare", "says"),
    [
        (
            refusing("create_subscription", ua.StatusCodes.BadServiceUnsupported),
            "BadServiceUnsupported",
        ),
        (
            refusing("create_monitored_items", ua.StatusCodes.BadServiceUnsupported),
            "BadServiceUnsupported",
        ),
        (no_subscriptions_left, "BadTooManySubscriptions"),
        (never_publishes, ""),
    ],
)
async def test_a_server_without_subscriptions_is_polled(prepare, says: str) -> None:
    source = source_at(free_port())
    async with serving(source.url, prepare) as server, streaming(opcua_samples(source)) as stream:
        for i in range(3):
            await server.put(pressure=381.0 + i)
            await stream.until(lambda i=i: (381.0 + i) * 1e6 in stream.column("pressure"))
        rows = await stream.more_rows(3)
    assert [link.connected for link in stream.links] == [True]
    assert says in stream.links[0].reason
    assert ("polled" in stream.links[0].reason) == bool(says)
    assert all(row.stroke_count[0] == 7.0 for row in rows)


async def test_of_items_that_are_refused_no_subscription_is_left_behind() -> None:
    async def refuse_each(server: Server) -> None:
        async def refuse(params) -> list[ua.MonitoredItemCreateResult]:
            status = ua.StatusCode(ua.StatusCodes.BadMonitoringModeInvalid)
            return [ua.MonitoredItemCreateResult(StatusCode=status) for _ in params.ItemsToCreate]

        server.iserver.subscription_service.create_monitored_items = refuse

    refuse_all = refusing("create_monitored_items", ua.StatusCodes.BadTooManyOperations)
    for prepare, says in (
        (refuse_each, "BadMonitoringModeInvalid"),
        (refuse_all, "BadTooManyOperations"),
    ):
        source = source_at(free_port())
        async with (
            serving(source.url, prepare) as server,
            streaming(opcua_samples(source)) as stream,
        ):
            await stream.more_rows(3)
            assert not server.server.iserver.subscription_service.subscriptions
        assert f"polled, since there is no subscription: {says}" in stream.links[0].reason

"""The table of plain words, tried on errors that real libraries raise at real servers.

node-opcua, modbus-serial, smtp-server, mosquitto, victoria-metrics and influxd; certificates by
trustme. InfluxDB 2 itself is not to be had here: its answers are those of its published
specification (docs.influxdata.com, "InfluxDB v2 API"), given by a web server of the test's own.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any, Literal

import aiomqtt
import aiosmtplib
import pytest
import trustme
from aiohttp import web
from pydantic import SecretStr

from borewarden.base.plain_errors import TABLE, plain_channel, plain_reason
from borewarden.base.samples import Channel
from borewarden.collect.link import LinkState, Received
from borewarden.collect.modbus import ModbusSource, Register, modbus_samples
from borewarden.collect.mqtt import JsonField, MqttSource, mqtt_samples
from borewarden.collect.opcua import NodePoint, OpcUaSource, opcua_samples
from borewarden.service.listening import serve_page
from borewarden.settings.service import PageSection
from borewarden.simulate.serve import serve
from borewarden.store import influx
from borewarden.store.influx import InfluxSettings
from forward import samples
from influxd import influxd
from peers import modbus_peer, mosquitto_peer, opcua_peer, self_signed, smtp_peer
from victoria import Server
from wire import free_port

CHANNEL = Channel("here", "bar", scale=1e5)
REFUSED = ("connection refused", "whether the server is running")
UNKNOWN = ("the name of the host is not known", "IP address")


async def error_of(work: Awaitable[Any]) -> str:
    """The plain words for what `work` raises."""
    with pytest.raises(Exception) as raised:  # noqa: PT011 - whatever a library comes up with
        await work
    return plain_reason(raised.value)


async def refusal(source: Any) -> str:
    """Why a collector's link is down, which is the first that it says."""
    first: Received = await anext(source)
    await source.aclose()
    assert isinstance(first, LinkState), first
    assert not first.connected
    return first.reason


def says(words: str, *parts: str) -> None:
    """Both halves are there: what is wrong, and after a semicolon what to do next."""
    for part in parts:
        assert part in words, words
    assert ";" in words, words
    for jargon in ("Errno", "Error:", "Traceback", "_ssl.c", "Exception"):
        assert jargon not in words, words


async def mail(port: int, host: str = "127.0.0.1", **options: Any) -> None:
    given = {"start_tls": False, "timeout": 2.0, **options}
    async with aiosmtplib.SMTP(hostname=host, port=port, **given) as server:
        await server.noop()


async def broker(port: int, host: str = "127.0.0.1", **options: Any) -> None:
    async with aiomqtt.Client(host, port, timeout=2.0, **options):
        pass


async def write(url: str, api: Literal["v1", "v2"] = "v2") -> str | None:
    """Why the server does not take a row; raises where the connection fails."""
    settings = InfluxSettings(url, "shop", "bores", SecretStr("t"), timeout=2.0, api=api)
    async with influx.writing(settings) as deliver:
        return await deliver([b"sample value=1"])


async def refused(url: str, api: Literal["v1", "v2"] = "v2") -> str:
    """The plain words for what `write` raises or returns."""
    try:
        words = await write(url, api)
    except ConnectionError as error:
        words = plain_reason(error)
    assert words is not None
    return words


def opcua(port: int, host: str = "127.0.0.1", **options: Any) -> Any:
    nodes = {"pressure": NodePoint(CHANNEL, options.pop("node", "ns=2;s=Pump.Pressure"))}
    url = f"opc.tcp://{host}:{port}/"
    return opcua_samples(OpcUaSource(nodes, url, timeout=2.0, **options))


def modbus(port: int, host: str = "127.0.0.1", **options: Any) -> Any:
    registers = {"pressure": Register(CHANNEL, 3, 0, "float32")}
    registers |= {"temperature": Register(CHANNEL, 3, 17), "valve": Register(CHANNEL, 3, 20)}
    given = {"interval": 0.05, "timeout": 0.2, **options}
    return modbus_samples(ModbusSource(registers, host=host, port=port, **given))


def mqtt(port: int, host: str = "127.0.0.1", **options: Any) -> Any:
    fields = {"pressure": JsonField(CHANNEL, "bar")}
    return mqtt_samples(
        MqttSource(fields=fields, topic="shop/pump", host=host, port=port, timeout=2.0, **options)
    )


Dial = Callable[..., Awaitable[str]]
DIALS: dict[str, Dial] = {
    "mail": lambda port, host="127.0.0.1": error_of(mail(port, host)),
    "broker": lambda port, host="127.0.0.1": refusal(mqtt(port, host)),
    "time series": lambda port, host="127.0.0.1": refused(f"http://{host}:{port}"),
    "opc ua": lambda port, host="127.0.0.1": refusal(opcua(port, host)),
    "modbus": lambda port, host="127.0.0.1": refusal(modbus(port, host)),
}
dials = pytest.mark.parametrize("dial", DIALS.values(), ids=DIALS)


@contextmanager
def silent_port() -> Iterator[int]:
    """The system accepts connections there, and nobody ever says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening.getsockname()[1]


@asynccontextmanager
async def tls_port(certificate: trustme.LeafCert) -> AsyncIterator[int]:
    """A server that speaks TLS with this certificate, and then nothing more."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    certificate.configure_cert(context)

    async def wait(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()
        writer.close()

    server = await asyncio.start_server(wait, "127.0.0.1", 0, ssl=context)
    async with server:
        yield server.sockets[0].getsockname()[1]


# -- sockets


@dials
async def test_nobody_listens(dial: Dial) -> None:
    says(await dial(free_port()), *REFUSED)


@dials
async def test_no_such_host(dial: Dial) -> None:
    says(await dial(1883, "no-such-host.invalid"), *UNKNOWN)


async def test_two_addresses_and_nobody_at_either() -> None:
    async def both() -> None:
        await asyncio.open_connection("localhost", free_port(), happy_eyeballs_delay=0.1)

    says(await error_of(both()), *REFUSED)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("mail", ("does not greet as a mail server does", '"tls"')),
        ("broker", ("does not answer", "check host and port")),
        ("time series", ("no answer within the time-out", "firewall")),
        ("opc ua", ("no answer within the time-out", "firewall")),
        ("modbus", ("did not answer", "unit_id")),
    ],
)
async def test_silence_is_not_a_closed_connection(name: str, expected: tuple[str, ...]) -> None:
    with silent_port() as port:
        words = await DIALS[name](port)
    says(words, *expected)
    assert "closed" not in words


@pytest.mark.parametrize("name", ["mail", "time series", "opc ua", "modbus"])
async def test_a_connection_that_is_closed_at_once(name: str) -> None:
    async def close(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.close()

    async with await asyncio.start_server(close, "127.0.0.1", 0) as server:
        says(await DIALS[name](server.sockets[0].getsockname()[1]), "closed the connection")


async def test_a_port_that_another_program_has() -> None:
    with silent_port() as port:
        words = await error_of(serve_page(web.Application(), PageSection(port=port)))  # type: ignore[arg-type]
    says(words, "another program already has that port", "ss -ltnp")


async def test_a_port_that_the_stand_in_pump_does_not_get() -> None:
    with silent_port() as port:
        source = ModbusSource({"pressure": Register(CHANNEL, 3, 0)}, "127.0.0.1", port)
        words = await error_of(serve(source, samples(2)))
    says(words, "nothing can listen at that port", "ss -ltnp")


async def test_a_serial_device_that_is_not_there() -> None:
    words = await refusal(modbus(0, None, device="/dev/ttyINVENTED"))
    says(words, "there is no serial device /dev/ttyINVENTED", "by-id")


# -- TLS


async def test_a_certificate_that_nobody_vouches_for() -> None:
    with smtp_peer(security="starttls") as server:
        words = await error_of(mail(server.port, start_tls=True))
    says(words, "it is self-signed", "ca_file")
    with mosquitto_peer(security="tls") as server:
        words = await refusal(mqtt(server.port, tls=True))
    says(words, "does not know the authority", "as ca")


async def test_a_certificate_that_has_expired() -> None:
    with smtp_peer(security="tls", certificate_days=-1) as server:
        words = await error_of(mail(server.port, use_tls=True, cert_bundle=server.certificate))
    says(words, "has expired", "clock")


async def test_a_certificate_for_another_host(tmp_path: Path) -> None:
    authority = trustme.CA()
    ca = tmp_path / "ca.pem"
    authority.cert_pem.write_to_path(str(ca))
    async with tls_port(authority.issue_cert("other.example")) as port:
        for words in (
            await error_of(mail(port, use_tls=True, cert_bundle=str(ca))),
            await refusal(mqtt(port, tls=True, ca=ca)),
        ):
            says(words, "the server's certificate is not for 127.0.0.1", "by the name")
        words = await refused(f"https://127.0.0.1:{port}")
        says(words, "does not know the authority", "SSL_CERT_FILE")


async def test_tls_where_there_is_none_and_the_reverse(tmp_path: Path) -> None:
    with smtp_peer() as server:
        words = await error_of(mail(server.port, use_tls=True))
        says(words, "does not speak TLS on this port", "465")
        says(await error_of(mail(server.port, start_tls=True)), "no STARTTLS", "security =")
    with smtp_peer(security="tls") as server:
        words = await error_of(mail(server.port))
        says(words, "does not greet", 'security = "tls"')
    with mosquitto_peer() as server:
        words = await refusal(mqtt(server.port, tls=True))
        says(words, "cut the connection", "TLS is set on both sides or on neither")
    with mosquitto_peer(security="tls") as server:
        says(await refusal(mqtt(server.port)), "cuts the connection", "tls = true")
    certificate = self_signed(tmp_path, "influxd")
    with influxd(tmp_path, certificate.pem, certificate.key) as url:
        says(await refused(url), "speaks TLS on this port", "https://")


async def test_a_broker_that_wants_a_clients_certificate() -> None:
    with mosquitto_peer(security="client certificates") as server:
        words = await refusal(mqtt(server.port, tls=True, ca=server.ca))
    says(words, "client's certificate")


# -- mail


async def test_a_password_that_the_mail_server_does_not_accept() -> None:
    login = {"username": "bore", "password": "not-this-one"}
    with smtp_peer(security="starttls", users={"bore": "invented"}) as server:
        ca = {"cert_bundle": server.certificate}
        words = await error_of(mail(server.port, start_tls=True, **ca, **login))
        says(words, "does not accept this user with this password", "MAIL_PASSWORD")
        assert "not-this-one" not in words
        words = await error_of(mail(server.port, **login))
        says(words, "no login without encryption", "starttls")
    with smtp_peer() as server:
        says(await error_of(mail(server.port, **login)), "takes no login", "leave user out")


async def hand_in(port: int) -> None:
    async with aiosmtplib.SMTP(hostname="127.0.0.1", port=port, start_tls=False) as server:
        await server.ehlo()
        await server.mail("watch@shop.example")
        await server.rcpt("lead@shop.example")


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ({"name": "relay_refused", "domains": []}, ("does not relay to lead@shop.example", "log")),
        (
            {"command": "RCPT", "code": 550, "text": "5.1.1 no such user"},
            ("refuses the recipient lead@shop.example (550 5.1.1 no such user)", "check the addr"),
        ),
        (
            {"command": "RCPT", "code": 451, "text": "4.7.1 greylisted"},
            ("puts the recipient lead@shop.example off (451 4.7.1 greylisted)", "wait"),
        ),
        (
            {"command": "MAIL", "code": 553, "text": "5.7.1 not yours"},
            ("refuses the sender watch@shop.example (553 5.7.1 not yours)", "give a sender"),
        ),
        ({"command": "CONNECT", "code": 554, "text": "no"}, ("the mail server refuses (554",)),
    ],
)
async def test_what_a_mail_server_refuses(fault: dict[str, Any], expected: tuple[str, ...]) -> None:
    with smtp_peer() as server:
        server.set_fault(**{"name": "answer", **fault})
        says(await error_of(hand_in(server.port)), *expected)


# -- the time-series server


async def test_a_server_without_the_write_api(tmp_path: Path) -> None:
    with influxd(tmp_path) as url:  # 404
        says(await refused(url), "there is no InfluxDB 2 write API", 'api = "v1"')
        says(await refused(url, "v1"), "the server has no such database", "create it")
    server = Server(tmp_path / "vm")
    server.start()
    try:
        words = await refused(f"{server.url}/wrong")  # 400
    finally:
        server.stop()
    says(words, "there is no InfluxDB 2 write API", "check url")


async def test_a_token_that_is_not_accepted(tmp_path: Path) -> None:
    server = Server(tmp_path, "-httpAuth.username=shop", "-httpAuth.password=invented")
    server.get = lambda *_, **__: ""  # it has no password
    server.start()
    try:
        words = ""
        while not words or words.startswith("connection refused"):
            words = await refused(server.url)
    finally:
        server.stop()
    says(words, "does not accept the token", "INFLUX_TOKEN")


@pytest.mark.parametrize(
    ("status", "code", "message", "expected"),
    [
        (401, "unauthorized", "unauthorized access", ("token", "INFLUX_TOKEN")),
        (403, "forbidden", "insufficient permissions for write", ("may not", "right to write")),
        (404, "not found", 'bucket "bores" not found', ("no such bucket", "create it")),
        (404, "not found", 'organization name "shop" not found', ("no such org", "org in")),
        (429, "too many requests", "limit", ("fewer writes", "wait")),
        (503, "unavailable", "", ("trouble of its own", "HTTP 503")),
        (
            422,
            "unprocessable entity",
            "beyond retention",
            ("refuses it", "HTTP 422 beyond"),
        ),
    ],
)
async def test_what_influxdb_2_answers(
    status: int, code: str, message: str, expected: tuple[str, ...]
) -> None:
    async def answer(_: web.Request) -> web.Response:
        return web.json_response({"code": code, "message": message}, status=status)

    app = web.Application()
    app.router.add_post("/api/v2/write", answer)
    runner = web.AppRunner(app)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", free_port())
    await site.start()
    try:
        says(await refused(site.name), *expected)
    finally:
        await runner.cleanup()


# -- OPC UA


async def test_what_an_opcua_controller_refuses(tmp_path: Path) -> None:
    ours = self_signed(tmp_path, "ours", uri="urn:invented-shop:watcher")
    other = self_signed(tmp_path, "other", uri="urn:invented-shop:other")
    with opcua_peer(users={"watcher": "invented"}, anonymous=False) as server:
        words = await refusal(opcua(server.port))
        says(words, "may want a user and a password (BadIdentityTokenInvalid)", "user in [source]")
        words = await refusal(opcua(server.port, user="watcher", password="not-this-one"))
        says(words, "this password", "BadUserAccessDenied", "SOURCE__PASSWORD")
        assert "not-this-one" not in words
        login = {"user": "watcher", "password": "invented"}
        encrypted = {
            "encrypted": True,
            "certificate": ours.pem,
            "private_key": ours.key,
            "server_certificate": server.certificate,
            **login,
        }
        for wrong in ({"server_certificate": other.pem}, {"private_key": other.key}):
            words = await refusal(opcua(server.port, **{**encrypted, **wrong}))
            says(words, "BadTcpInternalError", "server_certificate", "private_key")
        server.set_fault("untrusted")
        words = await refusal(opcua(server.port, **encrypted))  # an AssertionError without words
        says(words, "does not trust our certificate yet", "trusted")
        words = await refusal(opcua(server.port, node="0:Objects/2:Nowhere", **login))
        says(words, "there is no node '0:Objects/2:Nowhere'", "OPC UA browser")


def test_status_codes_of_values() -> None:
    says(plain_channel("BadNodeIdUnknown"), "no such node (BadNodeIdUnknown)", "browser")
    says(plain_channel("BadSensorFailure"), "no good value (BadSensorFailure)", "sensor")
    says(plain_channel("BadShutdown"), "the controller says BadShutdown", "10000-4")
    says(plain_channel("illegal data address"), "illegal data address", "40001")
    says(plain_channel("coil 7: exception 77"), "coil 7: exception 77", "manual")
    says(plain_channel("text, not a number"), "text, not a number", "sent as a number")


# -- Modbus and MQTT


async def test_a_unit_that_is_not_there() -> None:
    with modbus_peer(unit_id=1) as server:
        words = await refusal(modbus(server.port, unit_id=7))
    says(words, "did not answer", "check unit_id")


async def test_a_broker_that_does_not_let_in_or_read() -> None:
    with mosquitto_peer(users={"watcher": "invented"}) as server:
        words = await refusal(mqtt(server.port, user="watcher", password="not-this-one"))
        says(words, "does not let in user 'watcher' with this password", "SOURCE__PASSWORD")
        assert "not-this-one" not in words


# -- the rest


def test_what_no_row_knows_keeps_its_own_words() -> None:
    assert plain_reason(ValueError("odd")) == "ValueError: odd"
    assert plain_reason(ValueError()) == "ValueError"
    assert plain_reason(PermissionError(13, "", "key.pem")) == "Permission denied: key.pem"
    assert plain_reason(AssertionError()) == "AssertionError"  # one of ours is no controller's


def test_each_row_says_what_to_do_next() -> None:
    for row in TABLE:
        assert row.right
        assert row.wrong or row.says or row.kinds in ("SSLError", "channel")

"""Each fault of a peer is what its name says, as seen by clients that others wrote."""

from __future__ import annotations

import asyncio
import os
import ssl
import struct
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
import aiosmtplib
import pytest
from asyncua import Client, ua
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256
from asyncua.ua.uaerrors import UaStatusCodeError
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from peers import (
    MailServer,
    Modbus,
    OpcUa,
    exim_peer,
    modbus_peer,
    mosquitto_peer,
    opcua_peer,
    rows_of,
    self_signed,
    smtp_peer,
)

PATIENCE = 30.0  # s, a bound only
DAY = 1_772_431_200.0  # 2026-03-02T06:00:00Z, when the invented pump's day begins
PRESSURE = "ns=2;s=Pump.Pressure"
COUNT = "ns=2;s=Pump.StrokeCount"
URI = "urn:invented-shop:watcher"


async def until(happened: Callable[[], object]) -> None:
    async with asyncio.timeout(PATIENCE):
        while not happened():
            await asyncio.sleep(0.02)


@pytest.fixture(scope="module")
def _controller() -> Iterator[OpcUa]:
    users = {"watcher": "invented"}
    with opcua_peer(users=users, start=DAY, speed=20, jet=(1e9, 0), first_count=100) as peer:
        yield peer


@pytest.fixture
def controller(_controller: OpcUa) -> OpcUa:
    _controller.clear_faults()
    return _controller


@pytest.fixture
async def client(controller: OpcUa) -> AsyncIterator[Client]:
    async with Client(controller.url, timeout=PATIENCE) as client:
        yield client


async def read(client: Client, node: str = PRESSURE) -> ua.DataValue:
    return await client.get_node(node).read_data_value(raise_on_bad_status=False)


async def test_opcua_pump_has_units_and_runs(client: Client) -> None:
    pump = client.get_node("ns=2;s=Pump")
    names = {(await node.read_browse_name()).Name for node in await pump.get_children()}
    assert names == {"Pressure", "StrokeCount", "StrokeRate", "JetValve", "WaterTemperature"}
    assert await unit_and_top(client) == ("bar", 4500.0)
    assert 2400 < (await read(client)).Value.Value < 2600
    first = await read(client, COUNT)
    assert first.Value.VariantType == ua.VariantType.UInt32
    assert first.Value.Value >= 100
    assert DAY <= first.SourceTimestamp.replace(tzinfo=UTC).timestamp() < DAY + 86_400
    async with asyncio.timeout(PATIENCE):
        while (await read(client, COUNT)).Value.Value == first.Value.Value:
            await asyncio.sleep(0.05)


async def unit_and_top(client: Client) -> tuple[str, float]:
    pressure = client.get_node(PRESSURE)
    unit = await (await pressure.get_child("0:EngineeringUnits")).read_value()
    extent = await (await pressure.get_child("0:EURange")).read_value()
    return unit.DisplayName.Text, extent.High


@pytest.mark.parametrize(
    ("fault", "given", "status"),
    [
        ("bad_status", {"status": "BadSensorFailure"}, "BadSensorFailure"),
        ("bad_status", {"status": "UncertainLastUsableValue"}, "UncertainLastUsableValue"),
        ("missing", {}, "BadNodeIdUnknown"),
        ("no_access", {}, "BadUserAccessDenied"),
    ],
)
async def test_opcua_status_of_one_channel(
    controller: OpcUa, client: Client, fault: str, given: dict[str, str], status: str
) -> None:
    controller.set_fault(fault, channel="pressure", **given)
    assert (await read(client)).StatusCode.name == status
    assert (await read(client, COUNT)).StatusCode.is_good()
    controller.clear_faults()
    assert (await read(client)).StatusCode.is_good()


async def test_opcua_values(controller: OpcUa, client: Client) -> None:
    async def under(fault: str, **given: object) -> object:
        controller.clear_faults()
        controller.set_fault(fault, **given)
        return (await read(client)).Value.Value

    text = await under("text", channel="pressure")
    assert isinstance(text, str)
    assert 2400 < float(text) < 2600
    array = await under("array", channel="pressure")
    assert isinstance(array, list)
    assert len(array) == 2
    assert await under("null", channel="pressure") is None
    assert str(await under("nan", channel="pressure")) == "nan"
    assert await under("value", channel="pressure", value=12.5) == 12.5
    assert await under("full_scale", channel="pressure") == 4500.0
    assert await under("psi") > 30_000
    assert await unit_and_top(client) == ("bar", 4500.0)
    assert await under("psi", announced=True) > 30_000
    assert await unit_and_top(client) == ("psi", pytest.approx(65_267, rel=1e-5))


async def test_opcua_frozen_values_and_stale_ones(controller: OpcUa, client: Client) -> None:
    controller.set_fault("frozen", channel="pressure")
    controller.set_fault("stale", channel="temperature")
    nodes = (PRESSURE, "ns=2;s=Pump.WaterTemperature", COUNT)
    first = later = [await read(client, node) for node in nodes]
    async with asyncio.timeout(PATIENCE):
        while later[2].Value.Value == first[2].Value.Value:
            later = [await read(client, node) for node in nodes]
            await asyncio.sleep(0.05)
    assert later[0].Value.Value == first[0].Value.Value
    assert later[0].SourceTimestamp > first[0].SourceTimestamp
    assert later[1].SourceTimestamp == first[1].SourceTimestamp


async def test_opcua_times(controller: OpcUa, client: Client) -> None:
    far = datetime(2099, 1, 1, tzinfo=UTC)
    controller.set_fault("source_time", channel="pressure", at=far.timestamp())
    assert (await read(client)).SourceTimestamp.replace(tzinfo=UTC) == far
    controller.clear_faults()
    before = (await read(client)).SourceTimestamp
    for offset in (3600.0, -86_400.0):
        controller.set_fault("clock", offset=offset)
        moved = ((await read(client)).SourceTimestamp - before).total_seconds()
        assert moved == pytest.approx(offset, abs=20 * PATIENCE)
        current = await client.get_node("i=2258").read_value()  # ServerStatus.CurrentTime
        ahead = current.replace(tzinfo=UTC).timestamp() - time.time()
        assert ahead == pytest.approx(offset, abs=PATIENCE)


class Changes:
    """What a subscription brings."""

    def __init__(self) -> None:
        self.seen: list[str] = []

    def datachange_notification(self, node: object, value: object, data: object) -> None:
        self.seen.append(data.monitored_item.Value.StatusCode.name)  # type: ignore[attr-defined]


async def test_opcua_subscription_sees_faults(controller: OpcUa, client: Client) -> None:
    seen_before = len(controller.log())
    changes = Changes()
    subscription = await client.create_subscription(50, changes)
    await subscription.subscribe_data_change(client.get_node(PRESSURE), queuesize=50)
    await until(lambda: "Good" in changes.seen)
    controller.set_fault("bad_status", channel="pressure", status="BadSensorFailure")
    await until(lambda: "BadSensorFailure" in changes.seen)
    controller.set_fault("missing", channel="pressure")
    await until(lambda: "BadNodeIdInvalid" in changes.seen)
    requests = [entry["request"] for entry in controller.log()[seen_before:]]
    assert "PublishRequest" in requests
    assert "WriteRequest" not in requests


@asynccontextmanager
async def encrypted(peer: OpcUa, folder: Path, password: str = "invented") -> AsyncIterator[Client]:
    own = self_signed(folder, "watcher", uri=URI)
    client = Client(peer.url, timeout=PATIENCE)
    client.application_uri = URI
    client.set_user("watcher")
    client.set_password(password)
    await client.set_security(
        SecurityPolicyBasic256Sha256,
        str(own.pem),
        str(own.key),
        server_certificate=str(peer.certificate),
    )
    async with client:
        yield client


async def test_opcua_encrypted_with_user_and_trust(controller: OpcUa, tmp_path: Path) -> None:
    async with encrypted(controller, tmp_path) as client:
        assert 2400 < await client.get_node(PRESSURE).read_value() < 2600
    with pytest.raises(ua.uaerrors.BadUserAccessDenied):
        async with encrypted(controller, tmp_path, password="wrong"):
            pass
    controller.set_fault("untrusted")
    # asyncua 2.1 fails an assert of its own over the server's BadCertificateUntrusted
    with pytest.raises((UaStatusCodeError, AssertionError)):
        async with encrypted(controller, tmp_path):
            pass
    assert list((controller.folder / "pki" / "rejected").iterdir())
    controller.clear_faults()
    async with encrypted(controller, tmp_path) as client:
        assert 2400 < await client.get_node(PRESSURE).read_value() < 2600


async def test_opcua_write_is_refused_and_logged(controller: OpcUa, client: Client) -> None:
    seen_before = len(controller.log())
    with pytest.raises(UaStatusCodeError):
        await client.get_node(PRESSURE).write_value(ua.Variant(1.0, ua.VariantType.Double))
    assert "WriteRequest" in [entry["request"] for entry in controller.log()[seen_before:]]


async def test_opcua_server_comes_back_changed(controller: OpcUa) -> None:
    async with Client(controller.url, timeout=PATIENCE) as client:
        count = (await read(client, COUNT)).Value.Value
        await asyncio.to_thread(controller.down)
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection(controller.host, controller.port)
    controller.set_fault("missing", channel="pressure")
    controller.set_fault("namespace")
    await asyncio.to_thread(controller.up)
    async with Client(controller.url, timeout=PATIENCE) as client:
        assert (await read(client, COUNT)).StatusCode.name == "BadNodeIdUnknown"
        assert (await read(client, "ns=3;s=Pump.StrokeCount")).Value.Value >= count
        pressure = await read(client, "ns=3;s=Pump.Pressure")
        assert pressure.StatusCode.name == "BadNodeIdUnknown"
    with pytest.raises(ValueError, match="while the server is down"):
        controller.clear_faults("namespace")
    controller.down()
    controller.clear_faults()
    await asyncio.to_thread(controller.up)
    async with Client(controller.url, timeout=PATIENCE) as client:
        assert (await read(client)).StatusCode.is_good()


async def test_opcua_server_hangs(controller: OpcUa, client: Client) -> None:
    controller.hang()
    try:
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(read(client), 0.3)
    finally:
        controller.resume()
    assert (await read(client)).StatusCode.is_good()


def test_opcua_faults_with_slips_are_refused(controller: OpcUa) -> None:
    for name, given, words in [
        ("broken", {}, "no fault"),
        ("text", {"chanel": "pressure"}, "takes channel"),
        ("text", {"channel": "presure"}, "no channel"),
        ("bad_status", {"channel": "pressure", "status": "BadLuck"}, "no status"),
    ]:
        with pytest.raises(ValueError, match=words):
            controller.set_fault(name, **given)


@pytest.fixture(scope="module")
def _plc() -> Iterator[Modbus]:
    with modbus_peer(speed=200, jet=(1e9, 0), first_count=65_530) as peer:
        yield peer


@pytest.fixture
def plc(_plc: Modbus) -> Modbus:
    _plc.clear_faults()
    _plc.up()
    return _plc


@asynccontextmanager
async def modbus(peer: Modbus, timeout: float = PATIENCE) -> AsyncIterator[AsyncModbusTcpClient]:
    client = AsyncModbusTcpClient(
        peer.host, port=peer.port, timeout=timeout, retries=0, reconnect_delay=0
    )
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


async def words(client: AsyncModbusTcpClient, address: int, count: int, unit: int = 1) -> list[int]:
    answer = await client.read_input_registers(address, count=count, device_id=unit)
    assert not answer.isError(), answer
    return list(answer.registers)


def as_float(registers: list[int], order: str) -> float:
    sent = struct.pack(">2H", *registers)
    return float(struct.unpack(">f", bytes(sent[order.index(letter)] for letter in "ABCD"))[0])


async def test_modbus_registers(plc: Modbus) -> None:
    async with modbus(plc) as client:
        for _ in range(50):  # the pump goes on while it answers, as a real one does
            seen = await words(client, 0, 19)
            floats = [
                as_float(seen[2 * i : 2 * i + 2], order)
                for i, order in enumerate(("ABCD", "CDAB", "BADC", "DCBA"))
            ]
            big, little = seen[10] << 16 | seen[11], seen[13] << 16 | seen[12]
            coarse = abs(seen[8] / 10 - floats[0]) < 0.051 and big % 2**16 == seen[9]
            if len(set(floats)) == 1 and big == little and coarse:
                break
        held = await client.read_holding_registers(8, count=1, device_id=1)
        coil = await client.read_coils(0, count=1, device_id=1)
        bit = await client.read_discrete_inputs(0, count=1, device_id=1)
    assert len(set(floats)) == 1
    assert 2400 < floats[0] < 2600
    assert seen[8] / 10 == pytest.approx(floats[0], abs=0.051)
    assert 24_000 < held.registers[0] < 26_000
    assert big == little >= 65_530
    assert big % 2**16 == seen[9]  # which wraps
    assert (seen[14], seen[18], coil.bits[0], bit.bits[0]) == (200, 1, True, True)
    assert as_float(seen[15:17], "ABCD") == 20.0
    assert 170 < seen[17] < 190
    assert set(plc.functions) == {1, 2, 3, 4}


async def test_modbus_counter_wraps(plc: Modbus) -> None:
    async with modbus(plc) as client, asyncio.timeout(PATIENCE):
        while (await words(client, 9, 1))[0] > 30_000:
            await asyncio.sleep(0.02)
        assert (await words(client, 10, 2))[0] == 1


async def test_modbus_exceptions(plc: Modbus) -> None:
    async with modbus(plc) as client:
        hole = await client.read_input_registers(30, count=1, device_id=1)
        half = await client.read_input_registers(9, count=12, device_id=1)
        assert hole.exception_code == 2
        assert half.exception_code == 2
        plc.set_fault("exception", code=2, addresses=[8])
        across = await client.read_input_registers(6, count=4, device_id=1)
        assert across.exception_code == 2
        assert await words(client, 9, 3)
        plc.set_fault("exception", code=6)
        assert (await client.read_coils(0, count=1, device_id=1)).exception_code == 6
        assert (await client.read_input_registers(9, count=1, device_id=1)).exception_code == 6


async def test_modbus_no_answer(plc: Modbus) -> None:
    async with modbus(plc, timeout=0.2) as client:
        with pytest.raises(ModbusException):
            await words(client, 8, 1, unit=7)
    plc.set_fault("silent")
    async with modbus(plc, timeout=0.2) as client:
        with pytest.raises(ModbusException):
            await words(client, 8, 1)


async def test_modbus_connection_is_closed(plc: Modbus) -> None:
    plc.set_fault("close")
    reader, writer = await asyncio.open_connection(plc.host, plc.port)
    writer.write(bytes.fromhex("000100000006010400080001"))  # read input register 8 of unit 1
    async with asyncio.timeout(PATIENCE):
        assert await reader.read() == b""
    writer.close()


async def test_modbus_delay(plc: Modbus) -> None:
    plc.set_fault("delay", seconds=0.5)
    async with modbus(plc, timeout=0.1) as client:
        with pytest.raises(ModbusException):
            await words(client, 8, 1)
    async with modbus(plc) as client:
        assert await words(client, 8, 1)
        plc.set_fault("exception", code=4)
        answer = await client.read_input_registers(8, count=1, device_id=1)
        assert answer.exception_code == 4


async def test_modbus_values(plc: Modbus) -> None:
    async with modbus(plc) as client:
        plc.set_fault("frozen", channel="pressure")
        first, count = await words(client, 0, 2), await words(client, 10, 2)
        async with asyncio.timeout(PATIENCE):
            while await words(client, 10, 2) == count:
                await asyncio.sleep(0.02)
        assert await words(client, 0, 2) == first
        plc.set_fault("value", channel="pressure", value=2500.0)
        right = await words(client, 0, 2)
        plc.set_fault("swapped_words", channel="pressure")
        assert await words(client, 0, 2) == right[::-1]
        plc.clear_faults()
        plc.set_fault("nan", channel="pressure")
        assert str(as_float(await words(client, 0, 2), "ABCD")) == "nan"
        plc.clear_faults()
        plc.set_fault("swapped_channels")
        assert (await words(client, 8, 1))[0] < 300
        assert (await words(client, 17, 1))[0] > 24_000


async def test_modbus_writes_are_refused_and_logged(plc: Modbus) -> None:
    assert not {5, 6, 15, 16} & set(plc.functions)
    async with modbus(plc) as client:
        assert (await client.write_register(8, 1, device_id=1)).exception_code == 1
        assert (await client.write_coil(0, True, device_id=1)).exception_code == 1
    assert {5, 6} <= set(plc.functions)


async def test_modbus_server_stops_is_killed_and_comes_back(plc: Modbus) -> None:
    for kill in (False, True):
        async with modbus(plc) as client:
            plc.down(kill=kill)
            await until(lambda client=client: not client.connected)
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(plc.host, plc.port)
        plc.up()
        async with modbus(plc) as client:
            assert await words(client, 8, 1)


async def test_a_logged_day_is_played(tmp_path: Path) -> None:
    log = Path(__file__).parents[2] / "replay_data" / "north-2026-03-04-chip.csv"
    lines = log.read_text().splitlines()
    part = tmp_path / "part.csv"
    part.write_text("\n".join([lines[0], *lines[20_000:22_000]]))
    day = rows_of(part, pressure="pressure_bar", stroke_count="strokes")
    assert [at for at, _ in day[:3]] == [0.0, 0.5, 1.0]
    assert day[0][1]["stroke_count"] < day[-1][1]["stroke_count"]
    with modbus_peer(speed=1e6, rows=day) as peer:  # over at once
        async with modbus(peer) as client, asyncio.timeout(PATIENCE):
            last = day[-1][1]["stroke_count"]
            while (await words(client, 9, 1))[0] != last % 2**16:
                await asyncio.sleep(0.02)
            lacking = await client.read_input_registers(17, count=1, device_id=1)
            assert lacking.exception_code == 2


async def test_a_bore_opens() -> None:
    with modbus_peer(chip=(0.0, 0.08)) as peer:
        async with modbus(peer) as client:
            assert as_float(await words(client, 15, 2), "ABCD") == pytest.approx(21.6)


@pytest.fixture(scope="module")
def _mail() -> Iterator[MailServer]:
    with smtp_peer() as peer:
        yield peer


@pytest.fixture
def mail(_mail: MailServer) -> MailServer:
    _mail.clear_faults()
    return _mail


TEXT = "Subject: bore\r\n\r\nThe bore has probably opened up.\r\n"
LEAD, NIGHT = "lead@invented-shop.example", "night@invented-shop.example"


async def send(
    peer: MailServer, *recipients: str, timeout: float = PATIENCE, **options: object
) -> dict[str, tuple[int, str]]:
    given = {"start_tls": False, "use_tls": False, **options}
    client = aiosmtplib.SMTP(hostname=peer.host, port=peer.port, timeout=timeout, **given)  # type: ignore[arg-type]
    async with client:
        refused, _ = await client.sendmail("watch@invented-shop.example", recipients, TEXT)
    return {to: (answer.code, answer.message) for to, answer in refused.items()}


async def test_smtp_keeps_mails(mail: MailServer) -> None:
    before = len(mail.messages())
    assert await send(mail, LEAD, NIGHT) == {}
    assert [m["Subject"] for m in mail.messages()[before:]] == ["bore"]
    kept = [entry for entry in mail.log() if "kept" in entry][-1]
    assert kept["to"] == [LEAD, NIGHT]
    assert any(entry.get("client") == "DATA" for entry in mail.log())


async def test_smtp_refuses_one_recipient_for_a_while(mail: MailServer) -> None:
    mail.set_fault("answer", command="RCPT", recipient=NIGHT, code=451, text="4.2.1 later", times=1)
    assert await send(mail, LEAD, NIGHT) == {NIGHT: (451, "4.2.1 later")}
    assert [e for e in mail.log() if "kept" in e][-1]["to"] == [LEAD]
    assert await send(mail, LEAD, NIGHT) == {}


@pytest.mark.parametrize(
    ("command", "code", "text", "error"),
    [
        ("CONNECT", 421, "too busy", aiosmtplib.SMTPConnectResponseError),
        ("MAIL", 552, "5.2.2 full", aiosmtplib.SMTPSenderRefused),
        ("RCPT", 550, "5.1.1 unknown", aiosmtplib.SMTPRecipientsRefused),
        ("DATA", 550, "5.7.1 not from you", aiosmtplib.SMTPDataError),
        ("END", 550, "5.6.0 not this text", aiosmtplib.SMTPDataError),
    ],
)
async def test_smtp_answers(
    mail: MailServer, command: str, code: int, text: str, error: type[Exception]
) -> None:
    before = len(mail.messages())
    mail.set_fault("answer", command=command, code=code, text=text)
    with pytest.raises(error) as caught:
        await send(mail, LEAD)
    refusal = caught.value
    if isinstance(refusal, aiosmtplib.SMTPRecipientsRefused):
        refusal = refusal.recipients[0]
    assert (refusal.code, refusal.message) == (code, text)  # type: ignore[attr-defined]
    assert len(mail.messages()) == before
    asked = [e["client"] for e in mail.log() if "client" in e][-3:]
    assert (command == "DATA") <= ("DATA" in asked)


async def test_smtp_relay_is_refused(mail: MailServer) -> None:
    mail.set_fault("relay_refused", domains=["invented-shop.example"])
    away = "someone@elsewhere.example"
    assert await send(mail, LEAD, away) == {away: (550, "5.7.1 relaying denied")}


async def test_smtp_takes_a_mail_and_does_not_say_so(mail: MailServer) -> None:
    for fault, given in [("delay", {"seconds": 2.0}), ("drop", {})]:
        before = len(mail.messages())
        mail.clear_faults()
        mail.set_fault(fault, command="END", **given)
        with pytest.raises((aiosmtplib.SMTPException, TimeoutError)):
            await send(mail, LEAD, timeout=0.5)
        assert len(mail.messages()) == before + 1


async def test_smtp_encrypted_with_a_user() -> None:
    with smtp_peer(security="starttls", users={"watcher": "invented"}) as peer:
        assert peer.certificate is not None
        trusting = ssl.create_default_context(cafile=peer.certificate)
        login = {"username": "watcher", "password": "invented"}
        with pytest.raises(ssl.SSLCertVerificationError, match="self-signed certificate"):
            await send(peer, LEAD, start_tls=True, **login)
        assert await send(peer, LEAD, start_tls=True, tls_context=trusting, **login) == {}
        kept = [entry for entry in peer.log() if "kept" in entry][-1]
        assert (kept["user"], kept["encrypted"]) == ("watcher", True)
        login["password"] = "wrong"
        with pytest.raises(aiosmtplib.SMTPAuthenticationError, match=r"5\.7\.8"):
            await send(peer, LEAD, start_tls=True, tls_context=trusting, **login)
        with pytest.raises(aiosmtplib.SMTPResponseException, match="530"):
            await send(peer, LEAD)


async def test_smtp_tls_from_the_first_byte_with_an_old_certificate() -> None:
    with smtp_peer(security="tls", certificate_days=-1) as peer:
        assert peer.certificate is not None
        context = ssl.create_default_context(cafile=peer.certificate)
        with pytest.raises((aiosmtplib.SMTPException, ssl.SSLError), match="expired"):
            await send(peer, LEAD, use_tls=True, tls_context=context)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        assert await send(peer, LEAD, use_tls=True, tls_context=context) == {}


async def test_broker_knows_clients_by_their_certificates() -> None:
    rights = "user north\ntopic write pump/north/#\nuser watcher\ntopic read pump/#"
    with mosquitto_peer(security="client certificates", rights=rights) as broker:

        def client(name: str) -> aiomqtt.Client:
            context = ssl.create_default_context(cafile=broker.ca)
            made = broker.client(name)
            context.load_cert_chain(made.pem, made.key)
            return aiomqtt.Client(
                broker.host, broker.port, identifier=name, tls_context=context, timeout=PATIENCE
            )

        stranger = ssl.create_default_context(cafile=broker.ca)
        reader, writer = await asyncio.open_connection(broker.host, broker.port, ssl=stranger)
        with pytest.raises((ssl.SSLError, ConnectionError), match=r"certificate required|reset"):
            await reader.read()
        writer.close()
        async with client("watcher") as watcher, client("north") as north:
            await watcher.subscribe("pump/#", qos=1)
            await north.publish("pump/south", "not mine", qos=1)
            await north.publish("pump/north/psi", "1", qos=1)
            message = await anext(aiter(watcher.messages))
            assert (str(message.topic), message.payload) == ("pump/north/psi", b"1")
            broker.set_fault("no_access")
            await north.publish("pump/north/psi", "2", qos=1)
            broker.clear_faults()
            await north.publish("pump/north/psi", "3", qos=1)
            assert (await anext(aiter(watcher.messages))).payload == b"3"
        assert any("Received PUBLISH from north" in line for line in broker.log())
        assert not any("Received PUBLISH from watcher" in line for line in broker.log())


async def test_broker_remembers_and_forgets_passwords() -> None:
    with mosquitto_peer(users={"north": "invented"}) as broker:

        def client(identifier: str, clean: bool = True) -> aiomqtt.Client:
            return aiomqtt.Client(
                broker.host, broker.port, username="north", password="invented",
                identifier=identifier, clean_session=clean, timeout=PATIENCE,
            )  # fmt: skip

        async with client("watcher", clean=False) as watcher:
            await watcher.subscribe("pump/#", qos=1)
        async with client("north") as north:
            await north.publish("pump/north", "away", qos=1)
        broker.down()
        broker.up()
        async with client("watcher", clean=False) as watcher:
            assert (await anext(aiter(watcher.messages))).payload == b"away"
        broker.set_fault("wrong_password")
        with pytest.raises(aiomqtt.MqttError, match=r"[Nn]ot authori"):
            async with client("north"):
                pass
        with pytest.raises(ValueError, match="no fault"):
            broker.set_fault("broken")


def test_peers_end_with_the_test_that_started_them(tmp_path: Path) -> None:
    with modbus_peer(), mosquitto_peer():
        pass  # skips here, where they are not installed
    program = """
import os, signal
from peers import modbus_peer, mosquitto_peer
with modbus_peer() as plc, mosquitto_peer() as broker:
    print(plc._process.pid, broker._process.pid, flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""
    here = Path(__file__).parents[1]
    run = subprocess.run(
        [sys.executable, "-c", program],
        cwd=here,
        # nobody is left to clear the folder away
        env={**os.environ, "TMPDIR": str(tmp_path), "PYTHONPATH": str(here / "support")},
        stdout=subprocess.PIPE,
        text=True,
        check=False,
        timeout=PATIENCE,
    )
    left = [int(pid) for pid in run.stdout.split()]
    assert len(left) == 2
    deadline = time.monotonic() + PATIENCE
    while any(_lives(pid) for pid in left):
        assert time.monotonic() < deadline
        time.sleep(0.02)


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_what_is_not_installed_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shutil.which", lambda *_, **__: None)
    for peer in (opcua_peer, modbus_peer, smtp_peer, mosquitto_peer):
        monkeypatch.delenv("BOREWARDEN_REQUIRE_PEERS", raising=False)
        with pytest.raises(pytest.skip.Exception, match="tests/peers/install"), peer():
            pass
        monkeypatch.setenv("BOREWARDEN_REQUIRE_PEERS", "1")
        with pytest.raises(pytest.fail.Exception, match="tests/peers/install"), peer():
            pass
    monkeypatch.delenv("BOREWARDEN_REQUIRE_SERVERS", raising=False)
    with pytest.raises(pytest.skip.Exception, match="exim4-daemon-light"), exim_peer({}, ()):
        pass
    monkeypatch.setenv("BOREWARDEN_REQUIRE_SERVERS", "1")
    with pytest.raises(pytest.fail.Exception, match="exim4-daemon-light"), exim_peer({}, ()):
        pass

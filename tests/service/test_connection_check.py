"""`reach` at controllers and servers that others wrote: what it proves, and what it refuses.

node-opcua, modbus-serial, smtp-server, mosquitto, victoria-metrics, vmagent and influxd. InfluxDB 2
is not to be had here: reading back by Flux was not run.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
import urllib.request
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import numpy as np
import pytest
from pydantic import SecretStr
from typer.testing import CliRunner

from borewarden.alert.delivery import MailSettings
from borewarden.base.samples import samples_of
from borewarden.cli import app
from borewarden.service import connection_check
from borewarden.service.connection_check import Reached, reach_influx, reach_machine, reach_mail
from borewarden.settings import load_machine
from borewarden.store.influx import InfluxSettings
from influxd import influxd
from peers import (
    Broker,
    MailServer,
    Modbus,
    OpcUa,
    modbus_peer,
    mosquitto_peer,
    opcua_peer,
    smtp_peer,
)
from victoria import Agent, Server

CONFIG = Path(__file__).parents[2] / "config"
PUMP = (CONFIG / "live" / "north-modbus.toml").read_text().split("[source]")[0]
JEWEL = '[[jewel]]\nfitted = 2026-03-02T06:00:00\nbore = "0.010 in"\nmaterial = "ruby"\n'
OPCUA = """
[source]
kind = "opc ua"
url = "{url}"
interval = "0.3 s"
[source.pressure]
node = "ns=2;s=Pump.Pressure"
unit = "bar"
[source.stroke_count]
node = "ns=2;s=Pump.StrokeCount"
[source.temperature]
node = "ns=2;s=Pump.WaterTemperature"
unit = "degC"
[source.valve]
node = "ns=2;s=Pump.JetValve"
"""
MODBUS = """
[source]
kind = "modbus tcp"
host = "127.0.0.1"
port = {port}
interval = "0.3 s"
timeout = "0.3 s"
[source.pressure]
function = 3
address = 0
type = "float32"
unit = "bar"
[source.stroke_count]
function = 3
address = 10
type = "uint32"
[source.temperature]
function = 3
address = 17
type = "int16"
unit = "degC"
scale = 0.1
"""
MQTT = """
[source]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
topic = "shop/north/pump"
time = "t"
silence = "1 s"
timeout = "2 s"
[source.pressure]
field = "bar"
unit = "bar"
[source.rate]
field = "spm"
[source.temperature]
field = "water"
unit = "degC"
"""
Answers = dict[str, Reached]


@pytest.fixture(autouse=True)
def _brief(monkeypatch: pytest.MonkeyPatch) -> None:
    """A second of readings is enough for what does not have to move."""
    monkeypatch.setattr(connection_check, "SPAN", 1.0)


@pytest.fixture(scope="module")
def opcua() -> Iterator[OpcUa]:
    with opcua_peer(jet=(100_000.0, 1.0)) as server:
        yield server


@pytest.fixture(scope="module")
def modbus() -> Iterator[Modbus]:
    with modbus_peer(jet=(100_000.0, 1.0)) as server:
        yield server


@pytest.fixture(scope="module")
def broker() -> Iterator[Broker]:
    with mosquitto_peer() as server:
        yield server


async def reached(folder: Path, source: str, *changes: tuple[str, str]) -> Answers:
    for old, new in changes:
        assert old in source, old
        source = source.replace(old, new, 1)
    path = folder / "machine.toml"
    path.write_text(PUMP + source + JEWEL)
    return {each.part: each for each in await reach_machine(load_machine(path))}


def answers_of(found: Answers) -> dict[str, str]:
    return {part: each.answer for part, each in found.items()}


# -- OPC UA


async def test_a_pump_that_cuts_is_proven(
    tmp_path: Path, opcua: OpcUa, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection_check, "SPAN", 7.0)
    found = await reached(tmp_path, OPCUA.format(url=opcua.url))
    assert set(answers_of(found).values()) == {"yes"}, found
    assert opcua.url in found["connection"].words
    assert "s of this computer's clock" in found["connection"].words
    assert " MPa (ns=2;s=Pump.Pressure, in bar)" in found["pressure"].words
    assert "it counts, " in found["stroke count"].words


async def test_what_stands_still_while_the_pump_cuts(
    tmp_path: Path, opcua: OpcUa, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection_check, "SPAN", 7.0)
    opcua.set_fault("frozen", channel="pressure")
    found = await reached(tmp_path, OPCUA.format(url=opcua.url))
    opcua.clear_faults()
    assert found["pressure"].answer == "NO"
    assert "stood still to the last digit" in found["pressure"].words
    opcua.set_fault("frozen", channel="stroke_count")
    found = await reached(tmp_path, OPCUA.format(url=opcua.url))
    opcua.clear_faults()
    assert found["stroke count"].answer == "NO"
    assert "although the valve was open" in found["stroke count"].words


@pytest.mark.parametrize(
    ("fault", "part", "words"),
    [
        ({"name": "bad_status", "status": "BadSensorFailure"}, "pressure", "BadSensorFailure"),
        ({"name": "bad_status", "status": "BadNotConnected"}, "stroke_count", "BadNotConnected"),
        ({"name": "missing"}, "pressure", "no such node (BadNodeIdUnknown); look it up"),
        ({"name": "missing"}, "stroke_count", "no such node (BadNodeIdUnknown); look it up"),
        ({"name": "no_access"}, "pressure", "BadUserAccessDenied"),
        ({"name": "text"}, "pressure", "text, not a number"),
        ({"name": "array"}, "pressure", "an array, not one number"),
        ({"name": "null"}, "stroke_count", "no value in it"),
        ({"name": "nan"}, "pressure", "not a finite number"),
        ({"name": "full_scale"}, "pressure", "the plate says 400.0 MPa"),
        ({"name": "psi"}, "pressure", 'with unit = "psi" it would be'),
        ({"name": "value", "value": -3000}, "pressure", "far below zero"),
    ],
    ids=lambda value: value["name"] if isinstance(value, dict) else "",
)
async def test_a_channel_that_can_not_be_used(
    tmp_path: Path, opcua: OpcUa, fault: dict[str, Any], part: str, words: str
) -> None:
    channel = {} if fault["name"] == "psi" else {"channel": part}
    opcua.set_fault(**fault, **channel)
    try:
        found = await reached(tmp_path, OPCUA.format(url=opcua.url))
    finally:
        opcua.clear_faults()
    answer = found[part.replace("_", " ")]
    assert answer.answer == "NO", found
    assert words in answer.words
    assert ";" in answer.words  # what to do next
    assert found["temperature"].answer == "yes"


async def test_what_the_watch_can_do_without_is_no_failure(tmp_path: Path, opcua: OpcUa) -> None:
    opcua.set_fault("missing", channel="temperature")
    found = await reached(tmp_path, OPCUA.format(url=opcua.url))
    opcua.clear_faults()
    assert found["temperature"].answer == "no"
    assert "NO" not in answers_of(found).values()


async def test_wrong_namespaces(tmp_path: Path, opcua: OpcUa) -> None:
    text = OPCUA.format(url=opcua.url)
    found = await reached(tmp_path, text.replace("ns=2", "ns=3"))
    assert answers_of(found)["pressure"] == answers_of(found)["stroke count"] == "NO"
    assert "ns=3;s=Pump.Pressure: there is no such node" in found["pressure"].words
    found = await reached(tmp_path, text, ("ns=2;s=Pump.StrokeCount", "nsu=urn:other;s=Strokes"))
    assert found["pressure"].answer != "NO"
    assert "no namespace 'urn:other', only " in found["stroke count"].words
    assert "urn:invented-shop:pump" in found["stroke count"].words
    found = await reached(tmp_path, text, ("ns=2;s=Pump.Pressure", "0:Objects/2:Nowhere"))
    assert answers_of(found) == {"connection": "NO"}
    assert "there is no node '0:Objects/2:Nowhere'" in found["connection"].words


async def test_the_clock_of_a_controller(tmp_path: Path) -> None:
    with opcua_peer() as server:
        server.set_fault("clock", offset=600)
        found = await reached(tmp_path, OPCUA.format(url=server.url))
    assert "whose clock is" in found["connection"].words
    assert "ahead" in found["connection"].words


@pytest.mark.parametrize(
    ("source", "says"),
    [
        (OPCUA.format(url="opc.tcp://127.0.0.1:4840"), "which dates its values itself"),
        (MODBUS.format(port=502), "clock was set meanwhile"),
        (MQTT.format(port=1883), 'take time = "t" out of [source]'),
        (MQTT.format(port=1883).replace('time = "t"', ""), "clock was set meanwhile"),
    ],
)
def test_advice_on_a_clock_fits_what_the_machine_file_has(
    source: str, says: str, tmp_path: Path
) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(PUMP + source + JEWEL)
    live = load_machine(path).live_source()
    assert live is not None
    late = [samples_of(np.array([10**18]), pressure=np.array([3e8]))]
    heard = connection_check._Heard(late, [10**18 + 3600 * 10**9])
    said = connection_check._connection("North", live, "connected", heard)
    assert said.answer == "NO"
    assert "60 min behind this computer's clock" in said.words
    assert says in said.words
    assert ("out of [source]" in said.words) is ("[source]" in says)


# -- Modbus


async def test_registers_in_a_wrong_order(tmp_path: Path, modbus: Modbus) -> None:
    text = MODBUS.format(port=modbus.port)
    for address, setting in (
        (2, 'with word_order = "little" it would be'),
        (4, 'with byte_order = "little" it would be'),
        (6, 'with word_order = "little" and byte_order = "little" it would be'),
    ):
        found = await reached(tmp_path, text, ("address = 0", f"address = {address}"))
        assert found["pressure"].answer == "NO"
        assert setting in found["pressure"].words
    found = await reached(tmp_path, text, ("address = 10", "address = 12"))
    assert found["stroke count"].answer != "yes"


@pytest.mark.parametrize(
    ("fault", "changes", "part", "words"),
    [
        ({"name": "exception", "code": 2}, [], "pressure", "illegal data address; the contr"),
        ({"name": "exception", "code": 2}, [], "stroke count", "holding registers 10 to 11"),
        (
            {"name": "exception", "code": 2, "addresses": [10]},
            [],
            "stroke count",
            "40001, the wire from 0",
        ),
        ({"name": "exception", "code": 4}, [], "pressure", "device failure; look at the sensor"),
        (None, [("address = 10", "address = 100")], "stroke count", "illegal data address"),
        ({"name": "nan"}, [], "pressure", "not a finite number; check type"),
        (None, [("port", "unit_id = 7\nport")], "connection", "check unit_id"),
        ({"name": "close"}, [], "connection", "closed the connection"),
        ({"name": "silent"}, [], "connection", "did not answer"),
    ],
)
async def test_what_a_modbus_controller_does_not_give(
    tmp_path: Path,
    modbus: Modbus,
    fault: dict[str, Any] | None,
    changes: list[tuple[str, str]],
    part: str,
    words: str,
) -> None:
    if fault is not None:
        modbus.set_fault(**fault)
    try:
        found = await reached(tmp_path, MODBUS.format(port=modbus.port), *changes)
    finally:
        modbus.clear_faults()
    assert found[part].answer == "NO", found
    assert words in found[part].words
    if fault is not None and "addresses" in fault:
        assert found["pressure"].answer == "yes"


# -- MQTT


@asynccontextmanager
async def publishing(port: int, **fields: Any) -> AsyncIterator[None]:
    """A gateway that publishes a reading five times a second; `t` is how far its clock is off."""
    ahead = fields.pop("t", 0.0)

    async def publish() -> None:
        async with aiomqtt.Client("127.0.0.1", port) as client:
            for i in range(10_000):
                reading = {"bar": 2500.0 + i % 7, "spm": 20.0 + 0.1 * (i % 3), "water": 18.0}
                message = {"t": time.time() + ahead, **reading, **fields}
                await client.publish("shop/north/pump", json.dumps(message))
                await asyncio.sleep(0.2)

    task = asyncio.create_task(publish())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_a_gateway_that_publishes(tmp_path: Path, broker: Broker) -> None:
    text = MQTT.format(port=broker.port)
    async with publishing(broker.port):
        found = await reached(tmp_path, text)
        assert set(answers_of(found).values()) == {"yes"}, found
        found = await reached(tmp_path, text, ('field = "bar"', 'field = "psi"'))
        assert found["pressure"].answer == "NO"
        assert "psi: no" in found["pressure"].words
    async with publishing(broker.port, spm="twenty"):
        found = await reached(tmp_path, text)
    assert found["rate"].answer == "NO"


async def test_a_gateway_that_says_nothing(tmp_path: Path, broker: Broker) -> None:
    found = await reached(tmp_path, MQTT.format(port=broker.port))
    assert answers_of(found) == {"connection": "NO"}
    assert "nothing new on shop/north/pump" in found["connection"].words


async def test_a_gateway_whose_clock_is_wrong(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection_check, "SPAN", 12.0)  # until then it might be a lone message
    async with publishing(broker.port, t=7200.0):
        found = await reached(tmp_path, MQTT.format(port=broker.port))
    assert "ahead" in found["connection"].words
    assert "clock" in found["connection"].words


# -- the time-series server


def influx(url: str, **changes: Any) -> InfluxSettings:
    given = {"url": url, "org": "shop", "bucket": "bores", "token": SecretStr("t"), **changes}
    return InfluxSettings(**given)


async def test_a_row_that_is_taken_and_given_back(tmp_path: Path) -> None:
    server = Server(tmp_path / "data")
    server.start()
    try:
        (answer,) = await reach_influx(influx(server.url))
    finally:
        server.stop()
    assert answer.answer == "yes"
    assert "gave it back" in answer.words


async def test_a_row_that_is_taken_and_not_to_be_seen_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection_check, "READ_BACK", 1.0)
    relabelling = tmp_path / "relabelling.yml"
    relabelling.write_text("[]\n")
    agent = Agent(tmp_path / "queues", {"http://127.0.0.1:9": relabelling})
    agent.start()
    try:
        (answer,) = await reach_influx(influx(agent.url))
    finally:
        agent.stop()
    assert answer.answer == "not proven"
    assert "takes writes, but the row can't be read back" in answer.words


async def test_a_server_that_does_not_take_rows(tmp_path: Path) -> None:
    with influxd(tmp_path) as url:
        (answer,) = await reach_influx(influx(url))
    assert answer.answer == "NO"
    assert "there is no InfluxDB 2 write API" in answer.words


async def test_a_row_is_asked_for_by_influxql_too(tmp_path: Path) -> None:
    with influxd(tmp_path) as url:
        for path, body in (
            ("/query?q=CREATE%20DATABASE%20bores", b""),
            ("/write?db=bores", b"reach,by=borewarden mark=1234567890i"),
        ):
            request = urllib.request.Request(url + path, body, method="POST")
            urllib.request.urlopen(request, timeout=10).close()
        assert await connection_check._gives_back(influx(url), "1234567890")


# -- mail


@pytest.fixture(scope="module")
def mail_server() -> Iterator[MailServer]:
    with smtp_peer() as server:
        yield server


def mail(server: MailServer, **changes: Any) -> MailSettings:
    return MailSettings(
        **{
            "host": server.host,
            "port": server.port,
            "sender": "watch@shop.example",
            "recipients": ("lead@shop.example", "night@other.example"),
            "security": "none",
            **changes,
        }
    )


async def test_each_recipient_is_asked_for_and_nothing_sent(mail_server: MailServer) -> None:
    found = await reach_mail(mail(mail_server))
    assert [(each.part, each.answer) for each in found] == [
        ("connection", "yes"),
        ("lead@shop.example", "yes"),
        ("night@other.example", "yes"),
    ]
    said = [entry["client"].split(":")[0] for entry in mail_server.log() if "client" in entry]
    assert said[-5:] == ["MAIL FROM", "RCPT TO", "RCPT TO", "RSET", "QUIT"]
    assert mail_server.messages() == []


@pytest.mark.parametrize(
    ("fault", "answers", "words"),
    [
        (
            {"name": "relay_refused", "domains": ["shop.example"]},
            ["yes", "yes", "NO"],
            "does not relay to night@other.example",
        ),
        (
            {"command": "RCPT", "code": 550, "text": "5.1.1 no such user"},
            ["yes", "NO", "NO"],
            "refuses the recipient lead@shop.example (550 5.1.1 no such user)",
        ),
        (
            {
                "command": "RCPT",
                "code": 451,
                "text": "4.7.1 greylisted",
                "recipient": "lead@shop.example",
            },
            ["yes", "not proven", "yes"],
            "puts the recipient lead@shop.example off",
        ),
        (
            {"command": "MAIL", "code": 553, "text": "5.7.1 not yours"},
            ["NO"],
            "refuses the sender",
        ),
        ({"name": "drop", "command": "RCPT"}, ["yes", "NO"], "closed the connection"),
    ],
)
async def test_what_a_mail_server_refuses(
    mail_server: MailServer, fault: dict[str, Any], answers: list[str], words: str
) -> None:
    mail_server.set_fault(**{"name": "answer", **fault})
    try:
        found = await reach_mail(mail(mail_server))
    finally:
        mail_server.clear_faults()
    assert [each.answer for each in found] == answers
    assert words in " ".join(each.words for each in found)


async def test_a_login() -> None:
    with smtp_peer(security="starttls", users={"bore": "invented"}) as server:
        safe = {"security": "starttls", "ca_file": server.certificate}
        good = mail(server, user="bore", password=SecretStr("invented"), **safe)
        assert {each.answer for each in await reach_mail(good)} == {"yes"}
        bad = mail(server, user="bore", password=SecretStr("not-this-one"), **safe)
        (answer,) = await reach_mail(bad)
        assert answer.answer == "NO"
        assert "does not accept this user with this password" in answer.words
        (answer,) = await reach_mail(mail(server, **safe))
        assert "only from users that log in" in answer.words
        (answer,) = await reach_mail(mail(server, security="starttls"))
        assert "it is self-signed" in answer.words


# -- the command


def test_the_command_has_an_exit_code_and_json(tmp_path: Path, modbus: Modbus) -> None:
    machine = tmp_path / "north.toml"
    text = PUMP + MODBUS.format(port=modbus.port) + JEWEL
    machine.write_text(text.replace("address = 17", "address = 170"))
    done = CliRunner().invoke(app, ["reach", "--config", str(tmp_path), "--json"])
    told = {each["part"]: each["answer"] for each in json.loads(done.stdout)}
    assert done.exit_code == 0, done.stdout
    assert told["temperature"] == "no"
    assert told["pressure"] == "yes"
    machine.write_text(text.replace("address = 10", "address = 100"))
    done = CliRunner().invoke(app, ["reach", "--config", str(tmp_path)])
    assert done.exit_code == 1
    assert "illegal data address" in " ".join(done.stdout.split())

"""The section [source] of a machine file: what comes out, and what is said of mistakes.

All machines are invented here.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from borewarden.base.errors import BadInput
from borewarden.collect.live import set_aside
from borewarden.collect.modbus import ModbusSource
from borewarden.collect.mqtt import MqttSource
from borewarden.collect.opcua import OpcUaSource
from borewarden.settings import load_machine
from borewarden.settings.service import load_folder

CONFIG = Path(__file__).parents[2] / "config"
MODBUS = (CONFIG / "live" / "north-modbus.toml").read_text()
OPCUA = (CONFIG / "live" / "south-opcua.toml").read_text()
SPARKPLUG = (CONFIG / "live" / "north-sparkplug.toml").read_text()
MQTT = (CONFIG / "live" / "west-mqtt.toml").read_text()
LOG = """
[log]
time = "time"
[log.pressure]
column = "p"
unit = "bar"
[log.stroke_count]
column = "n"
[gate]
"""


@pytest.fixture(autouse=True)
def _clean(monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("BOREWARDEN_SECRETS_DIR", "CREDENTIALS_DIRECTORY"):
        monkeypatch.delenv(variable, raising=False)


def machine(folder: Path, text: str, *changes: tuple[str, str]) -> Path:
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "machine.toml"
    path.write_text(text)
    return path


# -- what comes out


def test_a_register_is_scaled_into_its_unit_and_that_into_si(tmp_path: Path) -> None:
    source = load_machine(CONFIG / "live" / "north-modbus.toml").live_source()
    assert isinstance(source, ModbusSource)
    pressure = source.registers["pressure"].channel
    assert 38052 * pressure.scale + pressure.offset == pytest.approx(380.52e6)
    water = source.registers["temperature"].channel
    assert 145 * water.scale + water.offset == pytest.approx(287.65)
    assert source.registers["stroke_count"].kind == "uint32"
    assert (source.host, source.port, source.unit_id) == ("127.0.0.1", 5020, 1)
    assert source.constant_rate is None


def test_an_offset_is_in_the_unit_and_strokes_to_and_fro_count_twice(tmp_path: Path) -> None:
    path = machine(
        tmp_path,
        MODBUS,
        ('unit = "degC"\nscale = 0.1', 'unit = "degF"\nscale = 0.1\noffset = -40'),
        ("strokes_per_count = 1", "strokes_per_count = 2"),
        ('word_order = "big" ', 'word_order = "little" '),
        ('type = "int16"', 'type = "int16"\nword_order = "big"'),
    )
    source = load_machine(path).live_source()
    water = source.registers["temperature"].channel
    assert 1000 * water.scale + water.offset == pytest.approx(288.7055556)  # 60 °F
    assert source.registers["stroke_count"].channel.scale == 2.0
    assert source.registers["stroke_count"].words == "little"
    assert source.registers["temperature"].words == "big"


def test_a_serial_line(tmp_path: Path) -> None:
    path = machine(
        tmp_path,
        MODBUS,
        ("modbus tcp", "modbus rtu"),
        ('host = "127.0.0.1" ', 'device = "/dev/ttyUSB0"\nparity = "none" '),
        ("port = 5020 ", "baud_rate = 9600 "),
    )
    source = load_machine(path).live_source()
    assert (source.host, source.device, source.baud_rate, source.parity) == (
        None,
        "/dev/ttyUSB0",
        9600,
        "N",
    )


def test_a_crank_speed_that_is_not_read_is_the_constant_one(tmp_path: Path) -> None:
    rate = OPCUA[OPCUA.index("[source.rate]") : OPCUA.index("[source.temperature]")]
    source = load_machine(machine(tmp_path, OPCUA, (rate, ""))).live_source()
    assert isinstance(source, OpcUaSource)
    assert source.constant_rate == pytest.approx(305 / 60)
    assert load_machine(machine(tmp_path, OPCUA)).live_source().constant_rate is None


def test_the_gate_knows_what_is_read_live(tmp_path: Path) -> None:
    assert load_machine(machine(tmp_path, MODBUS)).gate_settings().uses_counter
    gate = load_machine(machine(tmp_path, OPCUA)).gate_settings()
    assert not gate.uses_counter
    assert gate.rate_resolution == pytest.approx(1 / 60)


def test_log_and_source_in_one_file_or_one_of_them(tmp_path: Path) -> None:
    both = load_machine(machine(tmp_path, MODBUS, ("[gate]", LOG)))
    assert both.log_format().channels["pressure"].column == "p"
    assert both.live_source() is not None
    live = load_machine(machine(tmp_path, MODBUS))
    with pytest.raises(BadInput, match=r"\[log\]"):
        live.log_format()
    logged = load_machine(CONFIG / "north.toml")
    assert logged.live_source() is None
    with pytest.raises(BadInput, match=r"\[source\]"):
        logged.open_source()


def test_the_environment_beats_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOREWARDEN_SOURCE__PORT", "1502")
    assert load_machine(machine(tmp_path, MODBUS)).live_source().port == 1502


def test_a_client_id_is_the_same_each_time_and_every_broker_takes_it(tmp_path: Path) -> None:
    source = load_machine(machine(tmp_path, MQTT)).live_source()
    assert isinstance(source, MqttSource)
    assert source.client_id == load_machine(machine(tmp_path, MQTT)).live_source().client_id
    assert source.client_id.isalnum()
    assert len(source.client_id) <= 23  # MQTT 3.1.1, 3.1.3.1
    assert source.is_kept
    other = load_machine(machine(tmp_path, MQTT, ('"West live"', '"East live"'))).live_source()
    assert other.client_id != source.client_id
    stated = load_machine(
        machine(tmp_path, MQTT, ("port = 1883", 'client_id = "hall-2"'))
    ).live_source()
    assert stated.client_id == "hall-2"


def test_a_second_reader_does_not_take_the_place_of_the_first() -> None:
    source = load_machine(CONFIG / "live" / "west-mqtt.toml").live_source()
    assert set_aside(source).client_id is None
    assert not set_aside(source).is_kept
    modbus = load_machine(CONFIG / "live" / "north-modbus.toml").live_source()
    assert set_aside(modbus) == modbus


def test_certificates_are_beside_the_file(tmp_path: Path) -> None:
    (tmp_path / "watcher.pem").touch()
    (tmp_path / "watcher.key").touch()
    stated = 'tls = true\ncertificate = "watcher.pem"\nprivate_key = "watcher.key"'
    source = load_machine(machine(tmp_path, MQTT, ("port = 1883", stated))).live_source()
    assert (source.certificate, source.private_key) == (
        tmp_path / "watcher.pem",
        tmp_path / "watcher.key",
    )


# -- secrets

USER = ("time = ", 'user = "watcher"\ntime = ')


def test_a_password_comes_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BOREWARDEN_SOURCE__PASSWORD", "s3cret")
    settings = load_machine(machine(tmp_path, MQTT, USER))
    source = settings.live_source()
    assert isinstance(source, MqttSource)
    assert source.password == "s3cret"
    for shown in (repr(settings), str(settings), repr(source), settings.model_dump_json()):
        assert "s3cret" not in shown


@pytest.mark.parametrize("variable", ["BOREWARDEN_SECRETS_DIR", "CREDENTIALS_DIRECTORY"])
def test_a_password_comes_from_a_directory_of_secrets(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, variable: str
) -> None:
    secrets = tmp_path / "secrets"
    secrets.mkdir()
    (secrets / "machine.password").write_text("s3cret\n")
    monkeypatch.setenv(variable, str(secrets))
    assert load_machine(machine(tmp_path, MQTT, USER)).live_source().password == "s3cret"
    monkeypatch.setenv("BOREWARDEN_SOURCE__PASSWORD", "other")
    assert load_machine(machine(tmp_path, MQTT, USER)).live_source().password == "other"


def test_a_password_for_the_folder_goes_to_sources_with_a_user(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BOREWARDEN_SOURCE__PASSWORD", "s3cret")
    for name, text, changes in (
        ("north", MODBUS, ()),
        ("south", OPCUA, ()),
        ("west", MQTT, (USER,)),
        ("logged", (CONFIG / "north.toml").read_text(), ()),
    ):
        text = machine(tmp_path, text, *changes).read_text()
        (tmp_path / f"{name}.toml").write_text(text)
    (tmp_path / "machine.toml").unlink()
    assert load_machine(tmp_path / "logged.toml").source is None
    (tmp_path / "logged.toml").unlink()
    north, south, west = load_folder(tmp_path)[0]
    assert north.source.kind == "modbus tcp"
    assert south.source.password is None
    assert west.source.password.get_secret_value() == "s3cret"


def test_a_user_has_a_password_or_a_certificate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BOREWARDEN_SOURCE__PASSWORD", "s3cret")
    both = 'user = "w"\nclear_password = true\nuser_certificate = "u.der"\n'
    path = machine(tmp_path, OPCUA, ('mode = "subscribe"', both))
    with pytest.raises(BadInput, match=r"source.user_certificate: .*give only one of the two"):
        load_machine(path)


def test_a_password_is_not_shown_by_a_mistake_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BOREWARDEN_SOURCE__PASSWORD", "s3cret")
    for old, new in (("silence", "silense"), ("port = 1883 ", "port = 0 "), ("mqtt", "mtqq")):
        with pytest.raises(BadInput) as caught:
            load_machine(machine(tmp_path, MQTT, (old, new)))
        assert "s3cret" not in str(caught.value)


# -- mistakes


@pytest.mark.parametrize(
    ("text", "old", "new", "where", "says"),
    [
        (
            MODBUS,
            "modbus tcp",
            "modbus tpc",
            "source.kind",
            ["is not a kind of source", "'modbus tcp'"],
        ),
        (MODBUS, 'kind = "modbus tcp" ', "", "source.kind", ["is missing", '"opc ua"']),
        (MODBUS, "unit_id", "unit_ip", "source.unit_ip", ["unknown", "'unit_id'"]),
        (MODBUS, "host = ", "#", "source.host", ["is missing", "192.168"]),
        (MODBUS, "function = 4", "function = 6", "source.pressure.function", ["1, 2, 3 or 4"]),
        (MODBUS, "function = 4", "", "source.pressure.function", ["is missing"]),
        (MODBUS, "function = 4", "function = 1", "source.pressure.function", ["single bits"]),
        (MODBUS, "address = 0", "adress = 0", "source.pressure.adress", ["'address'"]),
        (MODBUS, "address = 0", "address = 70000", "source.pressure.address", ["65535"]),
        (MODBUS, '"uint16"', '"int17"', "source.pressure.type", ["'uint16'"]),
        (MODBUS, 'type = "uint16"', "", "source.pressure.type", ["is missing", "uint16"]),
        (MODBUS, 'unit = "bar"', "", "source.pressure.unit", ["is missing", "bar"]),
        (MODBUS, 'unit = "bar"', 'unit = "K"', "source.pressure.unit", ["something else"]),
        (MODBUS, 'unit = "bar"', 'unit = "brr"', "source.pressure.unit", ["is not a unit"]),
        (MODBUS, "scale = 0.1", "scale = 0", "source.pressure.scale", ["must not be 0"]),
        (MODBUS, "scale = 0.1", "scale = nan", "source.pressure.scale", ["finite"]),
        (
            MODBUS,
            "strokes_per_count = 1",
            'unit = "bar"',
            "source.stroke_count.unit",
            ["leave it out"],
        ),
        (
            MODBUS,
            "scale = 0.1",
            "strokes_per_count = 2",
            "source.pressure.strokes_per_count",
            ["counts nothing"],
        ),
        (MODBUS, 'interval = "1 s"', 'interval = "1 bar"', "source.interval", ["something else"]),
        (MODBUS, "[source.stroke_count]", "[source.strokes]", "source.strokes", ["stroke_count"]),
        (MODBUS, "[gate]", LOG.replace("stroke_count", "rate"), "source", ["the same way"]),
        (OPCUA, "opc.tcp://", "http://", "source.url", ["not the address", "opc.tcp://192"]),
        (OPCUA, "opc.tcp://", "opc.tcp://me:pw@", "source.url", ["without user and password"]),
        (OPCUA, "node = ", "nod = ", "source.pressure.nod", ["'node'"]),
        (OPCUA, 'mode = "subscribe"', 'mode = "push"', "source.mode", ["'subscribe'"]),
        (
            OPCUA,
            'mode = "subscribe"',
            'security = "Basic256Sha256"',
            "source.certificate",
            ["is missing"],
        ),
        (
            OPCUA,
            'mode = "subscribe"',
            'user = "watcher"',
            "source.security",
            ["in clear text", "Basic256Sha256"],
        ),
        (
            OPCUA,
            'mode = "subscribe"',
            'user = "watcher"\nclear_password = true',
            "source.password",
            ["no password for the user", "BOREWARDEN_SOURCE__PASSWORD", "machine.password"],
        ),
        (
            OPCUA,
            'mode = "subscribe"',
            'user_certificate = "no.der"',
            "source.user_certificate",
            ["together"],
        ),
        (MQTT, "lindgrat/west/pump", "spBv1.0/shop/DDATA/west", "source.topic", ["Sparkplug B"]),
        (
            MQTT,
            'field = "pump.psi"',
            'field = "psi"\ntopic = "spBv1.0/shop/DDATA/west"',
            "source.topic",
            ["not JSON", "sparkplug b"],
        ),
        (SPARKPLUG, 'node = "Hall 2"', "", "source.node", ["is missing"]),
        (SPARKPLUG, '"Hall 2"', '"Hall/2"', "source.node", ["level of a topic"]),
        (SPARKPLUG, '"Lindgrat"', '"+"', "source.group", ["level of a topic"]),
        (SPARKPLUG, 'metric = "Pump/Strokes"', "", "source.stroke_count.metric", ["is missing"]),
        (
            SPARKPLUG,
            'metric = "Pump/Strokes"',
            'metric = "Pump/Pressure"',
            "source.stroke_count",
            ["already has this place"],
        ),
        (SPARKPLUG, "port = 1883", 'topic = "x"', "source.topic", ['field of kind = "mqtt"']),
        (
            SPARKPLUG,
            'host = "127.0.0.1"',
            'user = "watcher"\nhost = "10.0.0.1"',
            "source.tls",
            ["clear text"],
        ),
        (MQTT, "topic = ", "topik = ", "source.topik", ["'topic'"]),
        (MQTT, 'field = "pump.psi"', "", "source.pressure.field", ["is missing"]),
        (MQTT, "port = 1883", 'ca = "no.pem"', "source.ca", ["there is no file"]),
        (
            MQTT,
            "lindgrat/west/pump",
            "lindgrat/west/#/x",
            "source.topic",
            ["wildcard", "whole level"],
        ),
        (
            MQTT,
            'field = "pump.psi"',
            'field = ""\ntopic = "$share/all/lindgrat/west"',
            "source.topic",
            ["shared"],
        ),
        (MQTT, "port = 1883", 'certificate = "machine.toml"', "source.certificate", ["together"]),
        (
            MQTT,
            "port = 1883",
            'certificate = "machine.toml"\nprivate_key = "machine.toml"',
            "source.certificate",
            ["TLS"],
        ),
        (MQTT, "port = 1883", 'ca = "machine.toml"', "source.ca", ["TLS"]),
        (MQTT, "qos = 1", "qos = 3", "source.qos", ["0, 1 or 2"]),
        (
            MQTT,
            'clock_tolerance = "5 s"',
            'clock_tolerance = "2 h"',
            "source.clock_tolerance",
            ["2 min"],
        ),
        (MQTT, "port = 1883", 'password = "x"', "source.password", ["must not be"]),
    ],
)
def test_mistakes_are_said_with_field_and_hint(
    tmp_path: Path, text: str, old: str, new: str, where: str, says: list[str]
) -> None:
    text = text.replace("[source]", "[source]\n", 1)
    path = machine(tmp_path, text[text.index("name =") :], (old, new))
    with pytest.raises(BadInput) as caught:
        load_machine(path)
    assert caught.value.where == where
    assert "me:pw" not in str(caught.value)
    for words in says:
        assert words in str(caught.value)


def test_neither_log_nor_source(tmp_path: Path) -> None:
    source = MODBUS[MODBUS.index("[source]") : MODBUS.index("[gate]")]
    with pytest.raises(BadInput, match=r"\[log\].*\[source\]"):
        load_machine(machine(tmp_path, MODBUS, (source, "")))


def test_an_intensifier_without_strokes_is_refused(tmp_path: Path) -> None:
    strokes = MODBUS[MODBUS.index("[source.stroke_count]") : MODBUS.index("[source.temperature]")]
    with pytest.raises(BadInput, match=r"source.stroke_count\] or \[source.rate"):
        load_machine(machine(tmp_path, MODBUS, (strokes, "")))

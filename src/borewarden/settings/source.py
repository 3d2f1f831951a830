"""[source]: the live protocols, and the collector's source that a section describes."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Generic, Literal, TypeVar

from pydantic import AfterValidator, Field, SecretStr

from borewarden.base.samples import Channel
from borewarden.base.units import bad_value
from borewarden.collect.sight import BLIND_AFTER
from borewarden.settings.sections import Section, WithValves
from borewarden.settings.units import ClockTolerance, Name, RateStep, Time

if TYPE_CHECKING:  # the protocols' libraries are slow to import, and a replay needs none of them
    from borewarden.collect.live import Source


class _Point(Section):
    """Where one channel is read live: value * `scale` + `offset` is in `unit`."""

    unit: str | None = None
    scale: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)
    strokes_per_count: float | None = Field(default=None, gt=0.0, le=1000.0)


class RegisterPoint(_Point):
    """[source.pressure] and so on by Modbus. The valve's bit has no `type`."""

    function: Literal[1, 2, 3, 4]
    address: int = Field(ge=0, le=65535)
    type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"] | None = None
    word_order: Literal["big", "little"] | None = None
    byte_order: Literal["big", "little"] | None = None


class NodeOf(_Point):
    """[source.pressure] and so on by OPC UA; `bits` is the width of a counter that wraps."""

    node: Name
    bits: Literal[16, 32] | None = None


class FieldOf(_Point):
    """[source.pressure] and so on by MQTT; `field` is "" where the payload is a bare number."""

    field: str
    topic: Name | None = None
    bits: Literal[16, 32] | None = None


def _one_level(name: str) -> str:
    if set(name) & set("/+#"):  # Sparkplug 3.0.0, 4.1
        raise bad_value(
            f"{name!r} is not a name in Sparkplug B",
            "give one level of a topic, without /, + and #",
        )
    return name


SparkplugName = Annotated[str, Field(min_length=1), AfterValidator(_one_level)]


class MetricOf(_Point):
    """[source.pressure] and so on by Sparkplug B; `device` is "" for the node's own metrics."""

    metric: Name
    device: Annotated[str, AfterValidator(_one_level)] | None = None
    bits: Literal[16, 32] | None = None


Point = TypeVar("Point", bound=_Point)


class LiveSource(WithValves, Generic[Point]):
    """[source]: what all kinds have; `rate_resolution` in Hz, `blind_after` in s."""

    pressure: Point
    rate: Point | None = None
    stroke_count: Point | None = None
    temperature: Point | None = None
    valve: Point | None = None
    valve_heads: dict[str, Point] = Field(default_factory=dict)
    oil_pressure: Point | None = None
    boost_pressure: Point | None = None
    weep_temperature: Point | None = None
    bypass_temperature: Point | None = None
    left_stroke_time: Point | None = None
    right_stroke_time: Point | None = None
    motor_speed: Point | None = None
    motor_torque: Point | None = None
    check_valve_temperature: Point | None = None
    rate_resolution: RateStep = 0.0
    blind_after: Time = BLIND_AFTER

    def points(self) -> dict[str, Point]:
        """What is read, by the fields of `Samples`, or "valve.HEAD"."""
        return self._by_channel()


class _Modbus(LiveSource[RegisterPoint]):
    clock_tolerance: ClassVar[float] = 0.0  # it carries no times
    unit_id: int = Field(default=1, ge=0, le=255)
    interval: Time = 1.0
    timeout: Time = 1.0
    word_order: Literal["big", "little"] = "big"
    byte_order: Literal["big", "little"] = "big"
    read_across: int = Field(default=0, ge=0, le=100)


class ModbusTcp(_Modbus):
    """[source] of kind "modbus tcp"; times in s. See `collect.modbus.ModbusSource`."""

    kind: Literal["modbus tcp"]
    host: Name
    port: int = Field(default=502, ge=1, le=65535)


class ModbusRtu(_Modbus):
    """[source] of kind "modbus rtu"; times in s. See `collect.modbus.ModbusSource`."""

    kind: Literal["modbus rtu"]
    device: Name
    baud_rate: int = Field(default=19200, ge=300, le=4_000_000)
    parity: Literal["none", "even", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1


class OpcUa(LiveSource[NodeOf]):
    """[source] of kind "opc ua"; times in s. See `collect.opcua.OpcUaSource`.

    `clear_password` allows sending a password to a server without encryption.
    """

    kind: Literal["opc ua"]
    url: str = Field(pattern=r"^opc\.tcp://[^@/\s]+(/\S*)?$")
    interval: Time = 1.0
    timeout: Time = 4.0
    clock_tolerance: ClockTolerance = 5.0
    mode: Literal["subscribe", "poll"] = "subscribe"
    security: Literal["none", "Basic256Sha256"] = "none"
    certificate: Path | None = None
    private_key: Path | None = None
    server_certificate: Path | None = None
    user: Name | None = None
    password: SecretStr | None = None
    user_certificate: Path | None = None
    user_private_key: Path | None = None
    clear_password: bool = False


class _Broker(LiveSource[Point]):
    """[source] of the kinds that come through an MQTT broker. See `collect.broker.Broker`.

    `clear_password` allows sending a password to a far broker without TLS.
    """

    host: Name
    port: int = Field(default=1883, ge=1, le=65535)
    clock_tolerance: ClockTolerance = 5.0
    silence: Time = 30.0
    timeout: Time = 5.0
    version: Literal["3.1.1", "5"] = "3.1.1"
    qos: Literal[0, 1, 2] = 1
    client_id: Name | None = None
    user: Name | None = None
    password: SecretStr | None = None
    clear_password: bool = False
    tls: bool = False
    ca: Path | None = None
    certificate: Path | None = None
    private_key: Path | None = None


class Mqtt(_Broker[FieldOf]):
    """[source] of kind "mqtt"; times in s. See `collect.mqtt.MqttSource`."""

    kind: Literal["mqtt"]
    topic: Name
    time: Name | None = None
    keep_session: bool = True


class SparkplugB(_Broker[MetricOf]):
    """[source] of kind "sparkplug b"; times in s. See `collect.sparkplug.SparkplugSource`."""

    kind: Literal["sparkplug b"]
    group: SparkplugName
    node: SparkplugName
    device: SparkplugName | None = None
    ask_for_births: bool = False


AnySource = ModbusTcp | ModbusRtu | OpcUa | Mqtt | SparkplugB

SOURCE_FILES = (
    "certificate",
    "private_key",
    "server_certificate",
    "user_certificate",
    "user_private_key",
    "ca",
)
USUAL_UNITS = {
    "rate": "strokes/min",
    "motor_torque": "percent",
}  # what is read if no unit is stated


def client_id_of(machine: str) -> str:
    """The same one for a machine each time, in letters and figures that every broker takes.

    23 of them at most (MQTT 3.1.1, 3.1.3.1).
    """
    return f"borewarden{hashlib.sha256(machine.encode()).hexdigest()[:12]}"


def build_source(
    machine: str,
    source: AnySource,
    channels: Mapping[str, Channel],
    constant_rate: float | None,
) -> Source:
    """What the collectors take; `channels` by the fields of `Samples`, `constant_rate` in Hz."""
    match source:
        case ModbusTcp() | ModbusRtu():
            return _build_modbus(source, channels, constant_rate)
        case OpcUa():
            return _build_opcua(source, channels, constant_rate)
        case Mqtt():
            return _build_mqtt(machine, source, channels, constant_rate)
        case SparkplugB():
            return _build_sparkplug(machine, source, channels, constant_rate)


def _build_modbus(
    source: ModbusTcp | ModbusRtu, channels: Mapping[str, Channel], constant_rate: float | None
) -> Source:
    from borewarden.collect import modbus

    base = modbus.ModbusSource(
        {
            name: modbus.Register(
                channels[name],
                point.function,
                point.address,
                point.type or "bit",
                point.word_order or source.word_order,
                point.byte_order or source.byte_order,
            )
            for name, point in source.points().items()
        },
        unit_id=source.unit_id,
        interval=source.interval,
        timeout=source.timeout,
        read_across=source.read_across,
        constant_rate=constant_rate,
    )
    if isinstance(source, ModbusTcp):
        return replace(base, host=source.host, port=source.port)
    return replace(
        base,
        device=source.device,
        baud_rate=source.baud_rate,
        parity=source.parity[0].upper(),
        stop_bits=source.stop_bits,
    )


def _build_opcua(
    source: OpcUa, channels: Mapping[str, Channel], constant_rate: float | None
) -> Source:
    from borewarden.collect import opcua

    return opcua.OpcUaSource(
        {
            name: opcua.NodePoint(channels[name], point.node, point.bits)
            for name, point in source.points().items()
        },
        url=source.url,
        interval=source.interval,
        timeout=source.timeout,
        clock_tolerance=source.clock_tolerance,
        mode=source.mode,
        encrypted=source.security != "none",
        certificate=source.certificate,
        private_key=source.private_key,
        server_certificate=source.server_certificate,
        user=source.user,
        password=_revealed(source.password),
        user_certificate=source.user_certificate,
        user_private_key=source.user_private_key,
        constant_rate=constant_rate,
    )


def _build_mqtt(
    machine: str, source: Mqtt, channels: Mapping[str, Channel], constant_rate: float | None
) -> Source:
    from borewarden.collect import mqtt

    return mqtt.MqttSource(
        fields={
            name: mqtt.JsonField(channels[name], point.field, point.topic, point.bits)
            for name, point in source.points().items()
        },
        topic=source.topic,
        time_path=source.time,
        keep_session=source.keep_session,
        constant_rate=constant_rate,
        **_broker(machine, source),
    )


def _build_sparkplug(
    machine: str, source: SparkplugB, channels: Mapping[str, Channel], constant_rate: float | None
) -> Source:
    from borewarden.collect import sparkplug

    return sparkplug.SparkplugSource(
        metrics={
            name: sparkplug.MetricPoint(channels[name], point.metric, point.device, point.bits)
            for name, point in source.points().items()
        },
        group=source.group,
        node=source.node,
        device=source.device or "",
        ask_for_births=source.ask_for_births,
        constant_rate=constant_rate,
        **_broker(machine, source),
    )


def _broker(machine: str, source: _Broker[Any]) -> dict[str, Any]:
    """The fields of `collect.broker.Broker`."""
    same = (
        "host", "port", "clock_tolerance", "silence", "timeout", "version", "qos", "user", "tls",
        "ca", "certificate", "private_key",
    )  # fmt: skip
    return {
        **{name: getattr(source, name) for name in same},
        "client_id": source.client_id or client_id_of(machine),
        "password": _revealed(source.password),
    }


def place_of(point: _Point) -> str:
    """Register, node, field or metric, for messages."""
    match point:
        case RegisterPoint():
            return f"register {point.address}"
        case NodeOf():
            return point.node
        case FieldOf():
            return point.field
        case MetricOf():
            return point.metric
    return ""


def _revealed(secret: SecretStr | None) -> str | None:
    return secret.get_secret_value() if secret else None

"""The stand-in pump on real protocols: offers just what a machine's `[source]` section maps.

For the demo and the tests; everything it says is invented. Clients can't write to it.
"""

from __future__ import annotations

import asyncio
import json
import math
import time
from collections.abc import AsyncGenerator, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlsplit

import aiomqtt
import numpy as np
from asyncua import Server, ua
from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from borewarden.base.samples import Channel, Samples, channels_of, rows
from borewarden.collect.live import Source
from borewarden.collect.modbus import ModbusSource, Register, encode
from borewarden.collect.mqtt import MqttSource
from borewarden.collect.opcua import NODE_ID, NodePoint, OpcUaSource
from borewarden.collect.payload import parts
from borewarden.collect.sparkplug import SparkplugSource
from borewarden.simulate.edge_node import publish_sparkplug

_WHY_NOT_FASTER = (
    "a counter that runs faster looks like a faster pump; serve a stroke counter at speed 1"
)
STANDSTILL = 10  # rows
LONGEST_PAUSE = 5.0  # s; nobody waits for the night between two logged shifts


def raw_values(samples: Samples, i: int, channels: Mapping[str, Channel]) -> dict[str, float]:
    """Row `i` as the controller has it: each channel in its own unit."""
    row = channels_of(rows(samples, i, i + 1), channels)
    return {
        name: (float(row[name][0]) - channel.offset) / channel.scale
        for name, channel in channels.items()
    }


def awake(samples: Samples) -> Samples:
    """`samples` from `STANDSTILL` rows before the first pressure: nobody waits for a shift."""
    running = samples.pressure > 0.1 * np.nanmax(samples.pressure)
    return rows(samples, max(0, int(np.argmax(running)) - STANDSTILL))


def rebased(samples: Samples, speed: float, start_ns: int) -> Samples:
    """`samples` with times that end when their serving, begun at `start_ns`, does.

    At real time the first one is now. Faster ones begin in the past and catch up, so that none is
    ever in the future. Pauses are cut to `LONGEST_PAUSE`.
    """
    steps = np.diff(samples.time_ns, prepend=samples.time_ns[0])
    since = np.cumsum(np.minimum(steps, round(LONGEST_PAUSE * 1e9)))
    early_ns = round(int(since[-1]) * (1.0 - 1.0 / speed))
    return samples._replace(time_ns=start_ns - early_ns + since)


async def played(samples: Samples, speed: float) -> AsyncGenerator[tuple[int, int], None]:
    """Row numbers of `rebased` samples and their times in ns, each when it is due."""
    begun = time.monotonic()
    first_ns = int(samples.time_ns[0])
    for i, time_ns in enumerate(samples.time_ns.tolist()):
        await asyncio.sleep(begun + (time_ns - first_ns) * 1e-9 / speed - time.monotonic())
        yield i, time_ns


def at(source: Source, host: str = "127.0.0.1", port: int | None = None) -> Source:
    """`source` at another host, and at another port if one is given. A serial one stays."""
    if isinstance(source, OpcUaSource):
        url = urlsplit(source.url)
        netloc = f"{host}:{port or url.port or 4840}"
        return replace(source, url=url._replace(netloc=netloc).geturl())
    if source.host is None:
        return source
    return replace(source, host=host, port=port or source.port)


async def serve(source: Source, samples: Samples, speed: float = 1.0) -> None:
    """Serve `samples` where `source` would read them, `speed` times faster than they were logged.

    Modbus and OPC UA are served at the host and port of `source`, see `at`; by MQTT and
    Sparkplug B the samples are published to its broker. Skips a standstill at the start and ends
    with the last sample. Raises ValueError for a speed that would make a counter lie, OSError if
    the port is taken or there is no broker.
    """
    if not speed > 0.0 or not len(samples.time_ns):
        raise ValueError("give samples and a speed above 0")
    samples = rebased(awake(samples), speed, time.time_ns())
    match source:
        case ModbusSource():
            if "stroke_count" in source.registers and speed != 1.0:
                raise ValueError(f"Modbus carries no times, and {_WHY_NOT_FASTER}")
            await serve_modbus(source, samples, speed)
        case OpcUaSource():
            await serve_opcua(source, samples, speed)
        case MqttSource():
            if source.time_path is None and "stroke_count" in source.fields and speed != 1.0:
                raise ValueError(f"no time field is stated, and {_WHY_NOT_FASTER}")
            await publish_mqtt(source, samples, speed)
        case SparkplugSource():
            await publish_sparkplug(source, _raw_rows(source, samples, speed))


async def _raw_rows(
    source: SparkplugSource, samples: Samples, speed: float
) -> AsyncGenerator[tuple[int, dict[str, float]], None]:
    channels = {name: point.channel for name, point in source.metrics.items()}
    async for i, time_ns in played(samples, speed):
        yield time_ns, raw_values(samples, i, channels)


# -- Modbus


async def serve_modbus(source: ModbusSource, samples: Samples, speed: float) -> None:
    """Serve `samples`, as they are, by Modbus TCP or RTU. What is NaN is a device failure."""
    channels = {name: register.channel for name, register in source.registers.items()}
    values = dict.fromkeys(channels, math.nan)
    server = modbus_server(source, values)
    try:
        try:
            await server.serve_forever(background=True)
        except RuntimeError as error:
            raise OSError(f"{source.name}: {error}") from None
        async for i, _ in played(samples, speed):
            values.update(raw_values(samples, i, channels))
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


def modbus_server(
    source: ModbusSource, values: Mapping[str, float]
) -> ModbusTcpServer | ModbusSerialServer:
    """A read-only server of `values`, raw by channel, which the caller keeps up to date."""

    async def on_request(
        function: int,
        start: int,
        address: int,
        count: int,
        current: list[int],
        new: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        if new is not None or function > 4:
            return ExcCodes.ILLEGAL_FUNCTION
        for name, register in source.registers.items():
            if register.function != function:
                continue
            value = values[name]
            asked = register.address < address + count * (16 if function <= 2 else 1)
            if asked and register.address + register.count > address and math.isnan(value):
                return ExcCodes.DEVICE_FAILURE
            if math.isnan(value):
                continue
            if function <= 2:
                word, bit = divmod(register.address, 16)
                mask = 1 << bit
                current[word - start] = current[word - start] & ~mask | (mask if value else 0)
            else:
                at = register.address - start
                current[at : at + register.count] = encode(register, value)
        return None

    tables = [_table(source.registers, function) for function in (1, 2, 3, 4)]
    device = SimDevice(
        source.unit_id, (tables[0], tables[1], tables[2], tables[3]), action=on_request
    )
    if source.host is not None:
        return ModbusTcpServer(device, address=(source.host, source.port))
    return ModbusSerialServer(
        device,
        framer=FramerType.RTU,
        port=source.device,
        baudrate=source.baud_rate,
        parity=source.parity,
        stopbits=source.stop_bits,
    )


def _table(registers: Mapping[str, Register], function: int) -> list[SimData]:
    """What `function` can read; everything else is an illegal address."""
    there = [r for r in registers.values() if r.function == function]
    if function <= 2:
        last = max((r.address for r in there), default=0)
        return [SimData(0, values=[False] * (last + 1), datatype=DataType.BITS)]
    taken = sorted({r.address + i for r in there for i in range(r.count)})
    if not taken:
        return [SimData(0, count=1, datatype=DataType.INVALID)]
    return [SimData(address, values=0, datatype=DataType.REGISTERS) for address in taken]


# -- OPC UA


async def serve_opcua(source: OpcUaSource, samples: Samples, speed: float) -> None:
    """Serve `samples`, as they are, by OPC UA without security. What is NaN is a sensor failure."""
    server = Server()
    await server.init()
    server.set_endpoint(source.url)
    server.set_server_name("Stand-in pump, invented")
    nodes = {name: await offer(server, name, point) for name, point in source.nodes.items()}
    channels = {name: point.channel for name, point in source.nodes.items()}
    await server.start()
    try:
        async for i, time_ns in played(samples, speed):
            for name, value in raw_values(samples, i, channels).items():
                await server.write_attribute_value(
                    nodes[name].nodeid, data_value(value, time_ns, source.nodes[name], name)
                )
    finally:
        with suppress(Exception):
            await server.stop()


async def offer(server: Server, name: str, point: NodePoint) -> Any:
    """The variable that `point` names, made with its parent objects; clients can't write it."""
    first = data_value(math.nan, time.time_ns(), point, name)
    if NODE_ID.match(point.node):
        node = point.node
        if node.startswith("nsu="):
            uri, identifier = node.removeprefix("nsu=").split(";", 1)
            node = f"ns={await server.register_namespace(uri)};{identifier}"
        node_id = ua.NodeId.from_string(node)
        while len(await server.get_namespace_array()) <= node_id.NamespaceIndex:
            count = len(await server.get_namespace_array())
            await server.register_namespace(f"urn:borewarden:stand-in-pump:{count}")
        called = (node_id, ua.QualifiedName(name, node_id.NamespaceIndex))
        parent = server.nodes.objects
    else:
        *way, last = point.node.strip("/").split("/")
        parent = server.nodes.root
        for part in way:
            try:
                parent = await parent.get_child(part)
            except ua.UaError:
                wanted = ua.QualifiedName.from_string(part)
                parent = await parent.add_object(wanted.NamespaceIndex, wanted.Name)
        wanted = ua.QualifiedName.from_string(last)
        called = (wanted.NamespaceIndex, wanted.Name)
    kind = _variant_type(name, point)
    variable = await parent.add_variable(*called, ua.Variant(_zero(kind), kind))
    await server.write_attribute_value(variable.nodeid, first)
    return variable


def data_value(value: float, time_ns: int, point: NodePoint, name: str) -> Any:
    """A raw `value` with its source timestamp and status, as the server keeps it."""
    kind = _variant_type(name, point)
    time = datetime.fromtimestamp(time_ns // 1000 / 1e6, UTC)
    if math.isnan(value):
        status = ua.StatusCode(ua.StatusCodes.BadSensorFailure)
        return ua.DataValue(ua.Variant(_zero(kind), kind), status, time)
    if kind == ua.VariantType.Double:
        variant = ua.Variant(value, kind)
    else:
        whole = round(value)
        variant = ua.Variant(whole % 2**point.bits if point.bits else whole, kind)
    return ua.DataValue(variant, ua.StatusCode(ua.StatusCodes.Good), time)


def _variant_type(name: str, point: NodePoint) -> Any:
    if name == "valve":
        return ua.VariantType.Byte
    if name != "stroke_count":
        return ua.VariantType.Double
    return {16: ua.VariantType.UInt16, 32: ua.VariantType.UInt32}.get(
        point.bits or 0, ua.VariantType.Int64
    )


def _zero(kind: Any) -> Any:
    return 0.0 if kind == ua.VariantType.Double else 0


# -- MQTT


async def publish_mqtt(source: MqttSource, samples: Samples, speed: float) -> None:
    """Publish `samples`, as they are, to the broker of `source`. What is NaN is null."""
    channels = {name: field.channel for name, field in source.fields.items()}
    try:
        async with aiomqtt.Client(
            source.host,
            source.port,
            username=source.user,
            password=source.password,
            timeout=source.timeout,
        ) as client:
            async for i, time_ns in played(samples, speed):
                for topic, payload in payloads(source, raw_values(samples, i, channels), time_ns):
                    await client.publish(topic, payload, qos=1)
    except aiomqtt.MqttError as error:
        raise OSError(f"broker {source.name}: {error}") from None


def payloads(source: MqttSource, raw: Mapping[str, float], time_ns: int) -> list[tuple[str, str]]:
    """(topic, JSON) of one row; the pressure's topic is the last."""
    bodies: dict[str, Any] = {}
    for name, field in source.fields.items():
        value = None if math.isnan(raw[name]) else raw[name]
        topic = _within(source.topic_of(name))
        if field.path == "":
            bodies[topic] = value
            continue
        body = bodies.setdefault(topic, {})
        if source.time_path is not None:
            _put(body, source.time_path, time_ns // 1000 / 1e6)
        _put(body, field.path, value)
    pressure = _within(source.topic_of("pressure"))
    bodies[pressure] = bodies.pop(pressure)
    return [(topic, json.dumps(body)) for topic, body in bodies.items()]


def _within(topic: str) -> str:
    """A topic that a filter has: nobody can publish to wildcards."""
    return topic.replace("+", "pump").replace("#", "pump")


def _put(body: dict[str, Any], path: str, value: Any) -> None:
    *way, last = parts(path)  # a place in a list is taken from an object as well
    for part in way:
        body = body.setdefault(part, {})
    body[last] = value

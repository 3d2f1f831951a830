"""MQTT through a real broker, mosquitto, on loopback.

Control packets as in MQTT 3.1.1 (OASIS), section 2.2.1. All machines are invented.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
import time
from dataclasses import replace
from pathlib import Path

import aiomqtt
import numpy as np
import pytest
import trustme

from borewarden.base.samples import Channel
from borewarden.collect.mqtt import JsonField, MqttSource
from borewarden.collect.mqtt import mqtt_samples as collect
from borewarden.simulate.serve import payloads
from broker import broker
from wire import Proxy, free_port, needs, packets_in, streaming

FIELDS = {
    "pressure": JsonField(Channel("pump.bar", "bar", 1e5), "pump.bar"),
    "stroke_count": JsonField(Channel("pump.strokes", "counts"), "pump.strokes", bits=16),
    "temperature": JsonField(Channel("water", "degC", 1.0, 273.15, 272.0, 335.0), "water"),
    "valve": JsonField(Channel("jet", "0 or 1"), "jet"),
}
RAW = {"pressure": 3805.0, "stroke_count": 7.0, "temperature": 14.5, "valve": 1.0}
START = 1_772_000_000 * 10**9


def source_at(port: int, **changes) -> MqttSource:
    source = MqttSource(
        fields=FIELDS, topic="shop/pump", host="127.0.0.1", port=port, silence=20.0, timeout=2.0
    )
    return replace(source, **changes)


def quick() -> random.Random:
    """Back-off without the wait."""

    class Now(random.Random):
        def uniform(self, a: float, b: float) -> float:
            return 0.05

    return Now()


def mqtt_samples(source: MqttSource):
    return collect(source, quick())


async def publish_until(port: int, stream, happened, source: MqttSource, raw=RAW, **how) -> None:
    """Publish rows, each with a later time, until the collector has seen enough."""
    async with aiomqtt.Client("127.0.0.1", port) as client:
        for i in range(1, 400):
            for topic, payload in payloads(source, raw, START + i * 10**9):
                await client.publish(topic, payload, qos=1, **how)
            await asyncio.sleep(0.02)
            if happened():
                return
    raise AssertionError("it never happened")


# -- values


async def test_values_arrive_in_si_with_the_times_of_the_payload(tmp_path: Path) -> None:
    source = source_at(free_port(), time_path="t")
    async with broker(source.port, tmp_path), streaming(mqtt_samples(source)) as stream:
        await publish_until(source.port, stream, lambda: len(stream.rows) >= 3, source)
    row = stream.rows[0]
    assert row.pressure[0] == pytest.approx(380.5e6)
    assert row.stroke_count[0] == 7.0
    assert row.temperature[0] == pytest.approx(287.65)
    assert row.valve[0] == 1.0
    assert math.isnan(row.rate[0])
    assert (int(row.time_ns[0]) - START) % 10**9 == 0
    assert [link.connected for link in stream.links] == [True]


async def test_channels_may_come_on_topics_of_their_own_as_bare_numbers(tmp_path: Path) -> None:
    fields = {name: JsonField(field.channel, "", f"shop/{name}") for name, field in FIELDS.items()}
    source = source_at(free_port(), fields=fields)
    async with broker(source.port, tmp_path), streaming(mqtt_samples(source)) as stream:
        before = time.time_ns()
        await publish_until(source.port, stream, lambda: len(stream.rows) >= 2, source)
    assert stream.rows[-1].pressure[0] == pytest.approx(380.5e6)
    assert stream.rows[-1].temperature[0] == pytest.approx(287.65)
    assert before <= int(stream.rows[0].time_ns[0]) <= time.time_ns()


async def test_the_further_channels_come_too(tmp_path: Path) -> None:
    further = {
        "weep_temperature": JsonField(
            Channel("seals.weep_c", "degC", 1.0, 273.15, 253.15, 423.15), "seals.weep_c"
        ),
        "right_stroke_time": JsonField(Channel("stroke.ms", "ms", 1e-3), "stroke.ms"),
    }
    source = source_at(free_port(), fields={**FIELDS, **further})
    raw = {**RAW, "valve": 2.0, "weep_temperature": 41.5, "right_stroke_time": 1450.0}
    async with broker(source.port, tmp_path), streaming(mqtt_samples(source)) as stream:
        await publish_until(source.port, stream, lambda: stream.rows, source, raw)
    row = stream.rows[0]
    assert row.valve[0] == 2.0
    assert row.weep_temperature[0] == pytest.approx(314.65)
    assert row.right_stroke_time[0] == pytest.approx(1.45)
    assert math.isnan(row.left_stroke_time[0])


async def test_what_is_not_a_number_is_unknown_and_never_raises(tmp_path: Path) -> None:
    source = source_at(free_port())
    bad = [
        b"",
        b"no json",
        b"\xff\xfe",
        b"[1, 2]",
        b"{}",
        b"3",
        b'{"pump": 3}',
        b'{"pump": {"bar": "high"}}',
        b'{"pump": {"bar": null}}',
        b'{"pump": {"bar": true}}',
        b'{"pump": {"bar": 1e999}}',
        b'{"pump": {"bar": 1' + b"0" * 400 + b"}}",
        b"[" * 100_000,
    ]
    async with broker(source.port, tmp_path), streaming(mqtt_samples(source)) as stream:
        await publish_until(source.port, stream, lambda: stream.rows, source)
        n = len(stream.rows)
        async with aiomqtt.Client("127.0.0.1", source.port) as client:
            for payload in bad:
                await client.publish(source.topic, payload, qos=1)
        await stream.until(lambda: len(stream.rows) >= n + len(bad))
    pressure = stream.column("pressure")
    assert np.isnan(pressure[-len(bad) :]).all()


async def test_what_a_broker_kept_from_before_is_no_sample(tmp_path: Path) -> None:
    source = source_at(free_port())
    async with broker(source.port, tmp_path):
        async with aiomqtt.Client("127.0.0.1", source.port) as client:
            await client.publish(source.topic, b'{"pump": {"bar": 1}}', qos=1, retain=True)
        async with streaming(mqtt_samples(source)) as stream:
            await publish_until(source.port, stream, lambda: len(stream.rows) >= 2, source)
    assert set(stream.column("pressure").tolist()) == {3805.0 * 1e5}


async def test_repeated_and_late_rows_are_left_out(tmp_path: Path) -> None:
    source = source_at(free_port(), time_path="t")
    async with broker(source.port, tmp_path), streaming(mqtt_samples(source)) as stream:
        await publish_until(source.port, stream, lambda: stream.rows, source)
        at = int(stream.rows[-1].time_ns[0])
        async with aiomqtt.Client("127.0.0.1", source.port) as client:
            for s, strokes in ((5000, 1), (5000, 2), (4000, 3), (5001, 4)):
                row = {**RAW, "stroke_count": float(strokes)}
                ((topic, payload),) = payloads(source, row, at + s * 10**9)
                await client.publish(topic, payload, qos=1)
        await stream.until(lambda: stream.rows[-1].stroke_count[0] == 4.0)
    assert stream.column("stroke_count")[-2:].tolist() == [1.0, 4.0]


# -- reading only


async def test_nothing_is_ever_published(tmp_path: Path) -> None:
    port = free_port()
    async with broker(port, tmp_path), Proxy(port) as proxy:
        source = source_at(proxy.port)
        async with streaming(mqtt_samples(source)) as stream:
            await publish_until(port, stream, lambda: len(stream.rows) >= 5, source)
    packets = packets_in(bytes(proxy.sent))
    # CONNECT, PUBACK for what was received, SUBSCRIBE, PINGREQ, DISCONNECT
    assert set(packets) <= {1, 4, 8, 12, 14}
    assert {1, 4, 8} <= set(packets)


# -- faults


async def test_a_broker_that_restarts_is_down_and_up_again(tmp_path: Path) -> None:
    source = source_at(free_port(), time_path="t")
    async with streaming(mqtt_samples(source)) as stream:
        await stream.until(lambda: stream.is_down)  # not there yet
        async with broker(source.port, tmp_path):
            await publish_until(source.port, stream, lambda: stream.is_up, source)
        await stream.until(lambda: stream.is_down)
        late = replace(source, time_path=None)
        async with broker(source.port, tmp_path):
            await publish_until(source.port, stream, lambda: stream.is_up, late)
    assert [link.connected for link in stream.links][:4] == [False, True, False, True]


async def test_silence_is_down_though_the_broker_is_there(tmp_path: Path) -> None:
    source = source_at(free_port(), silence=0.3)
    async with broker(source.port, tmp_path), streaming(mqtt_samples(source)) as stream:
        await publish_until(source.port, stream, lambda: stream.is_up, source)
        await stream.until(lambda: stream.is_down)
        assert "nothing new on shop/pump" in stream.links[-1].reason
        await publish_until(source.port, stream, lambda: stream.is_up, source)


async def test_a_user_by_password_and_a_wrong_one(tmp_path: Path) -> None:
    needs("mosquitto_passwd")
    passwords = tmp_path / "passwords"
    process = await asyncio.create_subprocess_exec(
        needs("mosquitto_passwd"), "-c", "-b", str(passwords), "watcher", "invented"
    )
    assert await process.wait() == 0
    passwords.chmod(0o644)
    for folder in (tmp_path, *list(tmp_path.parents)[:3]):  # mosquitto gives up being root
        with contextlib.suppress(PermissionError):
            folder.chmod(0o755)
    source = source_at(free_port(), user="watcher", password="wrong")
    assert "wrong" not in repr(source)
    async with broker(source.port, tmp_path, f"password_file {passwords}"):
        async with streaming(mqtt_samples(source)) as stream:
            await stream.until(lambda: stream.is_down)
        assert "wrong" not in stream.links[0].reason
        right = replace(source, password="invented", silence=0.3)
        async with streaming(mqtt_samples(right)) as stream:
            await stream.until(lambda: stream.is_down)
        assert "nothing new" in stream.links[0].reason  # it was let in


async def test_a_broker_with_a_certificate_that_nobody_vouches_for(tmp_path: Path) -> None:
    authority, other = trustme.CA(), trustme.CA()
    cert = authority.issue_cert("127.0.0.1")
    cert.private_key_pem.write_to_path(tmp_path / "key.pem")
    cert.cert_chain_pems[0].write_to_path(tmp_path / "cert.pem")
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    other.cert_pem.write_to_path(tmp_path / "other.pem")
    for file in tmp_path.iterdir():
        file.chmod(0o644)
    for folder in (tmp_path, *list(tmp_path.parents)[:3]):
        with contextlib.suppress(PermissionError):
            folder.chmod(0o755)
    options = (f"certfile {tmp_path / 'cert.pem'}", f"keyfile {tmp_path / 'key.pem'}")
    source = source_at(free_port(), tls=True, ca=tmp_path / "ca.pem", silence=0.3)
    async with broker(source.port, tmp_path, *options):
        async with streaming(mqtt_samples(source)) as stream:
            await stream.until(lambda: stream.is_down)
        assert "nothing new" in stream.links[0].reason  # encrypted, and let in
        wrong = replace(source, ca=tmp_path / "other.pem")
        async with streaming(mqtt_samples(wrong)) as stream:
            await stream.until(lambda: stream.is_down)
    assert "ertificate" in stream.links[0].reason

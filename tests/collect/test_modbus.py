"""Modbus by real sockets and a real serial line (a pseudo-terminal pair).

Frames as in the MODBUS Application Protocol Specification V1.1b3 and the MODBUS Messaging on
TCP/IP Implementation Guide V1.0b (modbus.org). All machines are invented.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import random
import struct
import tty
from collections.abc import AsyncIterator, Mapping
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import AsyncModbusTcpClient

from borewarden.base.samples import Channel
from borewarden.collect.modbus import (
    FORMATS,
    ModbusSource,
    Register,
    decode,
    encode,
    modbus_samples,
    plan,
)
from borewarden.simulate.serve import modbus_server
from wire import Proxy, free_port, functions_of, streaming

NAN = math.nan
BAR = Channel("pressure", "bar", 1e5)
COUNTS = Channel("stroke_count", "counts")
CELSIUS = Channel("temperature", "degC", 1.0, 273.15, 272.0, 335.0)
VALVE = Channel("valve", "0 or 1")
REGISTERS = {
    "pressure": Register(BAR, 4, 100, "uint16"),
    "stroke_count": Register(COUNTS, 4, 101, "uint32"),
    "temperature": Register(CELSIUS, 4, 103, "float32"),
    "valve": Register(VALVE, 2, 7, "bit"),
}
VALUES = {"pressure": 3805.0, "stroke_count": 123456.0, "temperature": 14.5, "valve": 1.0}


def source_at(port: int, registers: Mapping[str, Register] = REGISTERS, **changes) -> ModbusSource:
    settings = ModbusSource(registers, host="127.0.0.1", port=port, interval=0.03, timeout=0.3)
    return replace(settings, **changes)


@contextlib.asynccontextmanager
async def serving(source: ModbusSource, values: Mapping[str, float]) -> AsyncIterator[None]:
    server = modbus_server(source, values)
    await server.serve_forever(background=True)
    try:
        yield
    finally:
        await server.shutdown()


def quick() -> random.Random:
    """Back-off without the wait."""

    class Now(random.Random):
        def uniform(self, a: float, b: float) -> float:
            return 0.01

    return Now()


# -- values


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("words", ["big", "little"])
@pytest.mark.parametrize("kind", sorted(FORMATS))
async def test_each_type_in_each_order_comes_over_the_wire(
    kind: str, words: Literal["big", "little"], order: Literal["big", "little"]
) -> None:
    register = Register(Channel("p", "Pa"), 3, 9, kind, words, order)
    value = {"int16": -12345.0, "uint16": 54321.0, "int32": -123456789.0, "uint32": 4e9}.get(kind)
    value = 1234.5625 if value is None else value
    source = source_at(free_port(), {"pressure": register})
    async with serving(source, {"pressure": value}), streaming(modbus_samples(source)) as stream:
        rows = await stream.more_rows(1)
    assert rows[0].pressure[0] == value


def test_words_and_bytes_lie_as_the_specification_has_them() -> None:
    # 1.0 is 3F80 0000 in IEEE 754; registers are big-endian (specification, section 4.2)
    one = [0x3F80, 0x0000]
    assert decode(Register(BAR, 3, 0, "float32"), one) == 1.0
    assert decode(Register(BAR, 3, 0, "float32", words="little"), one[::-1]) == 1.0
    assert decode(Register(BAR, 3, 0, "float32", order="little"), [0x803F, 0]) == 1.0
    assert decode(Register(BAR, 3, 0, "uint32", words="little"), [1, 2]) == 2 * 65536 + 1
    assert decode(Register(BAR, 3, 0, "int16"), [0xFFFE]) == -2.0


@given(
    st.sampled_from(sorted(FORMATS)),
    st.sampled_from(["big", "little"]),
    st.sampled_from(["big", "little"]),
    st.integers(0, 30000),
)
def test_decode_undoes_encode(kind: str, words, order, value: int) -> None:
    register = Register(BAR, 3, 0, kind, words, order)
    assert decode(register, encode(register, float(value))) == value


async def test_values_arrive_in_si_with_the_valve_from_a_bit() -> None:
    source = source_at(free_port())
    async with serving(source, VALUES), streaming(modbus_samples(source)) as stream:
        row = (await stream.more_rows(1))[0]
    assert row.pressure[0] == pytest.approx(380.5e6)
    assert row.stroke_count[0] == 123456.0
    assert row.temperature[0] == pytest.approx(287.65)
    assert row.valve[0] == 1.0
    assert math.isnan(row.rate[0])
    assert [link.connected for link in stream.links] == [True]


async def test_a_crank_speed_that_nobody_reads_is_the_constant_one() -> None:
    registers = {"pressure": REGISTERS["pressure"]}
    source = source_at(free_port(), registers, constant_rate=5.1)
    async with serving(source, VALUES), streaming(modbus_samples(source)) as stream:
        await stream.more_rows(1)
    assert stream.column("rate")[0] == 5.1


async def test_a_counter_is_counted_through_its_wrap_and_starts_anew_after_a_reset() -> None:
    registers = {"stroke_count": Register(COUNTS, 3, 0, "uint16")}
    source = source_at(free_port(), registers)
    values = {"stroke_count": 65534.0}
    async with serving(source, values), streaming(modbus_samples(source)) as stream:
        for count in (65534.0, 65535.0, 65536.0, 65540.0, 3.0):
            values["stroke_count"] = count
            await stream.more_rows(3)
    seen = stream.column("stroke_count")
    assert sorted({*seen.tolist()}) == [3.0, 65534.0, 65535.0, 65536.0, 65540.0]
    assert np.all(np.diff(seen[: int(np.argmax(seen)) + 1]) >= 0.0)


async def test_an_impossible_water_temperature_and_a_float_nan_are_unknown() -> None:
    source = source_at(free_port())
    values = {**VALUES, "temperature": 3276.7}
    async with serving(source, values), streaming(modbus_samples(source)) as stream:
        await stream.more_rows(1)
    assert np.isnan(stream.column("temperature")).all()


async def test_the_further_channels_come_too_and_a_hot_one_is_a_broken_sensor() -> None:
    weep = Channel("weep", "degC", 1.0, 273.15, 253.15, 423.15)
    registers = {
        **REGISTERS,
        "valve": Register(Channel("heads", "heads that are on"), 3, 7, "uint16"),
        "oil_pressure": Register(BAR, 3, 8, "uint16"),
        "weep_temperature": Register(weep, 3, 10, "float32"),
        "bypass_temperature": Register(weep, 3, 12, "float32"),
        "left_stroke_time": Register(Channel("left", "ms", 1e-3), 3, 14, "uint16"),
        "motor_speed": Register(Channel("motor", "rpm", 1.0 / 60.0), 3, 15, "uint16"),
    }
    further = {
        "valve": 2.0,
        "oil_pressure": 190.0,
        "weep_temperature": 41.5,
        "bypass_temperature": 3276.7,
        "left_stroke_time": 1450.0,
        "motor_speed": 1485.0,
    }
    source = source_at(free_port(), registers)
    async with (
        serving(source, {**VALUES, **further}),
        streaming(modbus_samples(source)) as stream,
    ):
        row = (await stream.more_rows(1))[0]
    assert row.valve[0] == 2.0
    assert row.oil_pressure[0] == 190e5
    assert row.weep_temperature[0] == pytest.approx(314.65)
    assert math.isnan(row.bypass_temperature[0])
    assert row.left_stroke_time[0] == pytest.approx(1.45)
    assert row.motor_speed[0] == pytest.approx(24.75)
    assert math.isnan(row.right_stroke_time[0])


# -- requests


async def test_neighbours_are_read_in_one_request_and_only_read_codes_are_sent() -> None:
    source = source_at(free_port())
    async with (
        serving(source, VALUES),
        Proxy(source.port) as proxy,
        streaming(modbus_samples(replace(source, port=proxy.port))) as stream,
    ):
        await stream.more_rows(10)
    codes = functions_of(bytes(proxy.sent))
    polls = [codes[i : i + 2] for i in range(0, len(codes) - 1, 2)]
    assert len(polls) >= 10
    assert all(poll == [2, 4] for poll in polls)  # the bit, and five registers at once


@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.integers(0, 400), st.sampled_from(sorted(FORMATS))),
        min_size=1,
        max_size=30,
    ),
    st.integers(0, 20),
)
def test_every_register_is_in_one_request_of_a_size_that_is_allowed(places, across: int) -> None:
    registers = {
        f"c{i}": Register(BAR, function, address, "bit" if function <= 2 else kind)
        for i, (function, address, kind) in enumerate(places)
    }
    requests = plan(registers, across)
    assert sorted(name for request in requests for name in request.names) == sorted(registers)
    for request in requests:
        assert request.count <= (2000 if request.function <= 2 else 125)
        for name in request.names:
            register = registers[name]
            assert register.function == request.function
            assert request.address <= register.address
            assert register.address + register.count <= request.address + request.count


def test_a_gap_is_read_across_only_where_that_is_asked_for() -> None:
    registers = {"pressure": Register(BAR, 3, 10), "rate": Register(BAR, 3, 13)}
    assert [r.count for r in plan(registers)] == [1, 1]
    assert [r.count for r in plan(registers, read_across=2)] == [4]


async def test_the_virtual_pump_refuses_to_be_written_to() -> None:
    source = source_at(free_port(), {"pressure": Register(BAR, 3, 0)})
    async with serving(source, {"pressure": 1.0}):
        client = AsyncModbusTcpClient("127.0.0.1", port=source.port, reconnect_delay=0)
        assert await client.connect()
        refused = await client.write_register(0, 5, device_id=1)
        assert refused.isError()
        assert (await client.read_holding_registers(0, device_id=1)).registers == [1]
        client.close()


# -- faults


async def test_a_server_that_restarts_is_down_and_up_again() -> None:
    source = source_at(free_port())
    async with streaming(modbus_samples(source, quick())) as stream:
        await stream.until(lambda: stream.is_down)  # not there yet
        async with serving(source, VALUES):
            await stream.more_rows(3)
            assert stream.is_up
        await stream.until(lambda: stream.is_down)
        async with serving(source, VALUES):
            await stream.more_rows(3)
    assert [link.connected for link in stream.links] == [False, True, False, True]
    assert "connection refused" in stream.links[0].reason


async def test_an_exception_response_is_nan_in_its_channels_and_said() -> None:
    source = source_at(free_port())
    wrong = {**REGISTERS, "temperature": Register(CELSIUS, 4, 300, "float32")}
    asking = replace(source, registers=wrong)
    async with serving(source, VALUES), streaming(modbus_samples(asking)) as stream:
        rows = await stream.more_rows(3)
    assert all(row.pressure[0] == pytest.approx(380.5e6) for row in rows)
    assert np.isnan(stream.column("temperature")).all()
    assert [link.connected for link in stream.links] == [True]
    assert "input registers 300 to 301: illegal data address" in stream.links[0].reason


async def test_a_lost_transducer_is_nan_while_it_lasts() -> None:
    registers = {"pressure": Register(BAR, 4, 0), "stroke_count": Register(COUNTS, 4, 9)}
    source = source_at(free_port(), registers)
    values = {"pressure": 3800.0, "stroke_count": 5.0}
    async with serving(source, values), streaming(modbus_samples(source)) as stream:
        await stream.more_rows(2)
        values["pressure"] = NAN
        await stream.until(lambda: math.isnan(stream.rows[-1].pressure[0]))
        assert stream.rows[-1].stroke_count[0] == 5.0
        await stream.until(lambda: len(stream.links) == 2)  # told once it has lasted
        values["pressure"] = 3900.0
        await stream.until(lambda: stream.rows[-1].pressure[0] == 3900e5)
        await stream.until(lambda: len(stream.links) == 3)
    assert [link.connected for link in stream.links] == [True, True, True]
    assert "device failure" in stream.links[1].reason


async def test_a_tenth_of_all_replies_lost_does_not_break_the_link() -> None:
    source = source_at(free_port(), timeout=0.05)
    async with (
        serving(source, VALUES),
        Proxy(source.port, lose=0.1) as proxy,
        streaming(modbus_samples(replace(source, port=proxy.port))) as stream,
    ):
        await stream.more_rows(60)
    assert proxy.lost > 3
    assert all(link.connected for link in stream.links)
    pressure = stream.column("pressure")
    assert set(pressure[np.isfinite(pressure)].tolist()) == {3805.0 * 1e5}
    assert np.isfinite(pressure).mean() > 0.9


@contextlib.asynccontextmanager
async def raw_server(answer) -> AsyncIterator[int]:
    """A server that answers each request with whatever `answer(request, count)` gives."""
    writers: list[asyncio.StreamWriter] = []

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        n = 0
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                request = await reader.readexactly(12)
                reply = await answer(request, n)
                n += 1
                if reply is None:
                    writer.close()
                    return
                writer.write(reply)

    port = free_port()
    server = await asyncio.start_server(talk, "127.0.0.1", port)
    try:
        yield port
    finally:
        for writer in writers:
            writer.close()
        server.close()


def good_reply(request: bytes, words: list[int]) -> bytes:
    data = b"".join(word.to_bytes(2, "big") for word in words)
    return (
        request[:4]
        + struct.pack(">HBBB", 3 + len(data), request[6], request[7], len(data))
        + (data)
    )


ONE = {"pressure": Register(BAR, 4, 0)}


async def test_truncated_frames_are_nan_and_leave_the_next_reply_alone() -> None:
    async def answer(request: bytes, n: int) -> bytes:
        whole = good_reply(request, [3800])
        return whole[:9] if n % 4 in (1, 2) else whole  # a request and its repetition

    async with raw_server(answer) as port:
        source = source_at(port, ONE, timeout=0.05)
        async with streaming(modbus_samples(source, quick())) as stream:
            await stream.until(lambda: np.isnan(stream.column("pressure")).sum() >= 2)
            await stream.more_rows(3)
    pressure = stream.column("pressure")
    assert set(pressure[np.isfinite(pressure)].tolist()) == {380e6}


@pytest.mark.parametrize(
    "nonsense",
    [
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        bytes(range(256)) * 20,
        b"\0\1\0\0\0\3\1\xff\x01",
        b"\0\0\0\0\0\5\1\x04\x64\x0e\xd8",
    ],
)
async def test_nonsense_for_an_answer_takes_the_link_down_and_never_raises(nonsense) -> None:
    async def answer(request: bytes, n: int) -> bytes:
        return nonsense

    async with raw_server(answer) as port:
        source = source_at(port, ONE, timeout=0.05)
        async with streaming(modbus_samples(source, quick())) as stream:
            await stream.until(lambda: stream.is_down)
    assert not np.isfinite(stream.column("pressure")).any()


async def test_too_few_registers_are_nan_and_said() -> None:
    async def answer(request: bytes, n: int) -> bytes:
        return good_reply(request, [1])

    async with raw_server(answer) as port:
        source = source_at(port, {"pressure": Register(BAR, 4, 0, "float32")})
        async with streaming(modbus_samples(source, quick())) as stream:
            await stream.more_rows(2)
    assert np.isnan(stream.column("pressure")).all()
    assert "too short" in stream.links[0].reason


async def test_replies_that_come_too_late_are_never_taken_for_later_ones() -> None:
    sent: list[int] = []

    async def answer(request: bytes, n: int) -> bytes:
        if n % 3 == 1:
            await asyncio.sleep(0.15)  # past the time-out, before the reply to the repetition
        sent.append(n)
        return good_reply(request, [1000 + n])

    async with raw_server(answer) as port:
        source = source_at(port, ONE, timeout=0.1)
        async with streaming(modbus_samples(source, quick())) as stream:
            await stream.more_rows(8)
    pressure = stream.column("pressure")
    pressure = pressure[np.isfinite(pressure)]
    assert len(pressure) > 2
    assert np.all(np.diff(pressure) > 0.0)


async def test_a_controller_that_stays_silent_is_down() -> None:
    async def answer(request: bytes, n: int) -> bytes:
        return good_reply(request, [3800]) if n < 2 else b""

    async with raw_server(answer) as port:
        source = source_at(port, ONE, timeout=0.03)
        async with streaming(modbus_samples(source)) as stream:
            await stream.until(lambda: stream.is_down)
    assert "did not answer" in stream.links[-1].reason
    assert np.isnan(stream.rows[-1].pressure[0])


async def test_a_connection_closed_in_mid_request_comes_back() -> None:
    async def answer(request: bytes, n: int) -> bytes | None:
        return good_reply(request, [3800]) if n < 3 else None

    async with raw_server(answer) as port:
        source = source_at(port, ONE, timeout=0.1)
        async with streaming(modbus_samples(source, quick())) as stream:
            await stream.until(lambda: len(stream.links) >= 4)
    assert [link.connected for link in stream.links[:4]] == [True, False, True, False]


# -- RTU


@contextlib.asynccontextmanager
async def serial_pair() -> AsyncIterator[tuple[str, str]]:
    """Two serial devices with a line between them: two pseudo-terminals, copied across."""
    loop = asyncio.get_running_loop()
    (left, left_end), (right, right_end) = os.openpty(), os.openpty()
    for end in (left_end, right_end, left, right):
        tty.setraw(end)
    for one, other in ((left, right), (right, left)):
        loop.add_reader(one, lambda one=one, other=other: os.write(other, os.read(one, 4096)))
    try:
        yield os.ttyname(left_end), os.ttyname(right_end)
    finally:
        for one in (left, right):
            loop.remove_reader(one)
        for fd in (left, right, left_end, right_end):
            os.close(fd)


async def test_modbus_rtu_over_a_serial_line() -> None:
    pytest.importorskip("serial")
    async with serial_pair() as (ours, theirs):
        source = source_at(0, host=None, device=ours, parity="N", unit_id=3)
        async with (
            serving(replace(source, device=theirs), VALUES),
            streaming(modbus_samples(source, quick())) as stream,
        ):
            await stream.more_rows(3)
    assert stream.column("pressure")[0] == pytest.approx(380.5e6)
    assert stream.column("temperature")[0] == pytest.approx(287.65)
    assert stream.column("valve")[0] == 1.0


async def test_a_serial_device_that_is_not_there_is_down() -> None:
    source = source_at(0, host=None, device="/dev/borewarden-has-no-such-device")
    async with streaming(modbus_samples(source)) as stream:
        await stream.until(lambda: stream.is_down)
    assert "no serial device /dev/borewarden-has-no-such-device" in stream.links[0].reason

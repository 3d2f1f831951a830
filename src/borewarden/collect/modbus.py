"""Samples from a controller by Modbus, TCP or RTU. Reads only: function codes 1 to 4.

Formats as in the MODBUS Application Protocol Specification V1.1b3 (modbus.org), sections 6.1-6.4.
"""

from __future__ import annotations

import asyncio
import math
import os
import random
import struct
import sys
from collections.abc import AsyncGenerator, Mapping, Sequence
from contextlib import aclosing
from dataclasses import dataclass
from typing import Literal

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU

from borewarden.base.samples import Channel
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

MOST_REGISTERS = 125  # in one request, section 6.3
MOST_BITS = 2000  # section 6.1
SILENT_POLLS = 3  # without any answer, and the connection is given up
FORMATS = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
    "float64": ">d",
}
REFUSALS = (2, 3)  # of addresses, or of how many
EXCEPTIONS = {  # section 7
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge, not ready",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target does not respond",
}

Order = Literal["big", "little"]
Client = AsyncModbusTcpClient | AsyncModbusSerialClient


@dataclass(frozen=True)
class Register:
    """Where one channel lies. `function` is 1 (coils), 2 (discrete inputs), 3 (holding) or 4
    (input registers), `address` the one on the wire, from 0. `kind` is "bit" or one of `FORMATS`.
    `words`: "big" has the high register first; `order`: "big" has the high byte first in each.
    """

    channel: Channel
    function: int
    address: int
    kind: str = "uint16"
    words: Order = "big"
    order: Order = "big"

    @property
    def count(self) -> int:
        """How many registers, or bits, it takes."""
        return 1 if self.kind == "bit" else struct.calcsize(FORMATS[self.kind]) // 2

    @property
    def bits(self) -> int | None:
        """Width of the integer; None of a float or a bit."""
        return int(self.kind.removeprefix("u")[3:]) if "int" in self.kind else None


@dataclass(frozen=True)
class ModbusSource:
    """A controller that speaks Modbus. `registers` has the fields of `Samples` as keys.

    TCP if `host` is given, else RTU on the serial `device`. `interval`, `timeout` in s; `parity`
    is "N", "E" or "O". Gaps of up to `read_across` registers are read along to save a request.
    `constant_rate` in Hz stands in for a crank speed that is not read.
    """

    registers: Mapping[str, Register]
    host: str | None = None
    port: int = 502
    device: str = ""
    baud_rate: int = 19200
    parity: str = "E"
    stop_bits: int = 1
    unit_id: int = 1
    interval: float = 1.0
    timeout: float = 1.0
    read_across: int = 0
    constant_rate: float | None = None

    @property
    def name(self) -> str:
        """Host and port, or the serial device."""
        return f"{self.host}:{self.port}" if self.host is not None else self.device


@dataclass(frozen=True)
class Request:
    """Registers, or bits, `address` to `address + count - 1`; `names` are the channels in it."""

    function: int
    address: int
    count: int
    names: tuple[str, ...]

    def __str__(self) -> str:
        """In words."""
        table = ("coil", "discrete input", "holding register", "input register")[self.function - 1]
        if self.count == 1:
            return f"{table} {self.address}"
        return f"{table}s {self.address} to {self.address + self.count - 1}"


def plan(registers: Mapping[str, Register], read_across: int = 0) -> list[Request]:
    """The fewest requests for `registers`: those that touch one another are read in one."""
    requests: list[Request] = []
    placed = sorted(registers.items(), key=lambda item: (item[1].function, item[1].address))
    for name, register in placed:
        end = register.address + register.count
        if requests:
            last = requests[-1]
            count = max(end, last.address + last.count) - last.address
            most = MOST_BITS if register.function <= 2 else MOST_REGISTERS
            gap = register.address - (last.address + last.count)
            if register.function == last.function and gap <= read_across and count <= most:
                names = (*last.names, name)
                requests[-1] = Request(last.function, last.address, count, names)
                continue
        requests.append(Request(register.function, register.address, register.count, (name,)))
    return requests


def decode(register: Register, words: list[int]) -> float:
    """The raw value of `register` out of its `words`, in the order of their addresses."""
    if register.words == "little":
        words = words[::-1]
    data = b"".join([word.to_bytes(2, register.order) for word in words])
    return float(struct.unpack(FORMATS[register.kind], data)[0])


def encode(register: Register, value: float) -> list[int]:
    """The words that `decode` makes `value` of; integers are rounded and wrap. For the server."""
    form = FORMATS[register.kind]
    size = struct.calcsize(form)
    if register.bits is not None:
        data = (round(value) % 2**register.bits).to_bytes(size, "big")
    else:
        data = struct.pack(form, value)
    words = [int.from_bytes(data[i : i + 2], register.order) for i in range(0, size, 2)]
    return words[::-1] if register.words == "little" else words


def modbus_samples(
    source: ModbusSource, chance: random.Random | None = None
) -> AsyncGenerator[Received, None]:
    """Endless samples from `source`, one row a poll, and the states of the link; SI.

    The time of a row is the middle between asking and having the answer. What a controller refuses
    or does not answer is NaN. Raises nothing but CancelledError.
    """
    counter = source.registers.get("stroke_count")
    rows = Rows(
        {name: register.channel for name, register in source.registers.items()},
        counter.bits if counter else None,
        source.constant_rate,
    )
    return keep_connected(lambda: _session(source, rows), chance)


def client_of(source: ModbusSource) -> Client:
    """A client of `source`, not connected yet, that never reconnects by itself."""
    client: Client
    if source.host is not None:
        # reconnecting is left to `keep_connected`, which says so
        client = AsyncModbusTcpClient(
            source.host, port=source.port, timeout=source.timeout, retries=1, reconnect_delay=0
        )
    else:
        # no retries: on a serial line nothing tells a late answer from the one to the next request
        client = AsyncModbusSerialClient(
            source.device,
            framer=FramerType.RTU,
            baudrate=source.baud_rate,
            parity=source.parity,
            stopbits=source.stop_bits,
            timeout=source.timeout,
            retries=0,
            reconnect_delay=0,
        )
    # giving up is left to `SILENT_POLLS`: a controller that is silent did not close the connection
    client.ctx.max_until_disconnect = client.ctx.count_until_disconnect = sys.maxsize
    take = client.ctx.callback_data

    def take_or_drop(data: bytes, addr: tuple[str, int] | None = None) -> int:
        try:
            return take(data, addr)
        except Exception:  # pymodbus raises into asyncio, which logs a traceback for each
            return len(data)

    client.ctx.callback_data = take_or_drop  # type: ignore[method-assign]
    return client


async def _session(source: ModbusSource, rows: Rows) -> AsyncGenerator[Received, None]:
    requests = plan(source.registers, source.read_across)
    clock = Clock()
    rows.resume(clock.now())
    client = client_of(source)
    problems = Problems(f"connected to {source.name}")
    silent = 0
    try:
        if not await client.connect():
            await knock(source)
            raise ConnectionError(f"can't connect to {source.name}")
        async with aclosing(ticks(source.interval)) as polls:
            async for _ in polls:
                for state in clock_was_set(clock.step(), clock.now(), rows, "this computer"):
                    yield state
                asked_ns = clock.now()
                raw, found, answered = await _poll(client, source, requests)
                silent = 0 if answered else silent + 1
                if silent >= SILENT_POLLS:
                    raise TimeoutError(f"{source.name} did not answer {silent} times running")
                if answered:
                    for state in problems.tell(found, clock.now()):
                        yield state
                if problems.none_told:
                    continue  # a port that is open, but nobody has answered yet
                row = rows.make((asked_ns + clock.now()) // 2, raw)
                if row is not None:
                    yield row
    finally:
        client.close()


async def knock(source: ModbusSource) -> None:
    """Raise the OSError that keeps us from `source`; pymodbus keeps it to itself."""
    if source.host is None:
        os.close(os.open(source.device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK))
        return
    async with asyncio.timeout(source.timeout):
        _, writer = await asyncio.open_connection(source.host, source.port)
    writer.close()


async def _poll(
    client: Client, source: ModbusSource, requests: list[Request]
) -> tuple[dict[str, float], list[str], bool]:
    """Raw values, what is wrong with which channel, and whether the controller answered at all.

    Of `requests`, one for several channels that is refused is made one for each, so that one wrong
    register does not hide the others. Raises ConnectionError if the connection is gone.
    """
    raw: dict[str, float] = {}
    problems: list[str] = []
    answered = False
    for request in list(requests):
        if not client.connected:
            raise ConnectionError(f"{source.name} closed the connection")
        try:
            response = await read(client, request, source.unit_id)
        except ConnectionException:
            raise ConnectionError(f"{source.name} closed the connection") from None
        except ModbusException:  # no answer in time, or none that can be made out
            problems += [f"{name}: {request}: no answer" for name in request.names]
            if source.host is None:
                await asyncio.sleep(source.timeout)  # let a late answer go by
            continue
        answered = True
        values = response.bits if request.function <= 2 else response.registers
        wrong = ""
        if response.isError():
            code = response.exception_code
            wrong = f"{request}: {EXCEPTIONS.get(code, f'exception {code}')}"
            if code in REFUSALS and len(request.names) > 1:
                at = requests.index(request)
                apart = {name: source.registers[name] for name in request.names}
                requests[at : at + 1] = [r for n, one in apart.items() for r in plan({n: one})]
        elif len(values) < request.count:
            wrong = f"{request}: the answer is too short"
        for name in request.names:
            value = math.nan if wrong else _raw(source.registers[name], request, values)
            if math.isfinite(value):
                raw[name] = value
            else:
                problems.append(f"{name}: {wrong or NOT_FINITE}")
    return raw, problems, answered


def _raw(register: Register, request: Request, values: Sequence[int] | Sequence[bool]) -> float:
    """The value of one channel out of those that a request got."""
    at = register.address - request.address
    if register.kind == "bit":
        return float(values[at])
    return decode(register, [int(value) for value in values[at : at + register.count]])


async def read(client: Client, request: Request, unit_id: int) -> ModbusPDU:
    """The answer to a request. Raises ModbusException where there is none."""
    # the only four requests that this program ever sends to a Modbus device
    match request.function:
        case 1:
            request_of = client.read_coils
        case 2:
            request_of = client.read_discrete_inputs
        case 3:
            request_of = client.read_holding_registers
        case _:
            request_of = client.read_input_registers
    return await request_of(request.address, count=request.count, device_id=unit_id)

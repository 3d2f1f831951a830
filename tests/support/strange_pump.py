"""An intensifier whose map nobody has, on the real protocols. Every figure and name is invented.

It strokes 132 times a minute, so that a test need not wait.
Its jet is on for 3 s and off for 1.5 s.
"""

from __future__ import annotations

import asyncio
import json
import random
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress

import aiomqtt
from asyncua import Server, ua

from borewarden.base.samples import Channel
from borewarden.collect.modbus import ModbusSource, Register
from borewarden.simulate.serve import modbus_server

ON, OFF = 3.0, 1.5  # s
RATE = 2.2  # Hz
RENEWED = 0.05  # s


Jet = Callable[[float], bool]
"""Whether the jet is on so many seconds after the start."""


def by_itself(seconds: float) -> bool:
    """The jet of a machine that cuts."""
    return seconds % (ON + OFF) < ON


class StrangePump:
    """What it measures, since it was made: bar, strokes a minute, degrees C, A."""

    def __init__(self, is_on: Jet = by_itself) -> None:
        self._begun = self._last = time.monotonic()
        self._is_on = is_on
        self._jet = 0.0  # s that it was on
        self._chance = random.Random(4)

    def now(self) -> dict[str, float]:
        """All that its controller knows."""
        since, self._last = self._last, time.monotonic()
        passed = self._last - self._begun
        on = self._is_on(passed)
        self._jet += self._last - since if on else 0.0
        jet = self._jet
        noise = self._chance.gauss
        pressure = noise(3740.0, 6.0) + (0.0 if on else 25.0)
        return {
            "pressure": pressure,
            "set_point": 3750.0,
            "oil": pressure / 19.3 + noise(4.0, 0.4),
            "strokes": float(65_400 + int(RATE * jet)),
            "rate": noise(60.0 * RATE, 0.8) if on else 0.0,
            "jet": float(on),
            "water": 18.0 + noise(0.0, 0.03),
            "current": noise(41.0, 0.6) if on else noise(12.0, 0.3),
            "jet_seconds": float(int(jet)),
            "milliseconds": passed * 1000.0 % 65536,
        }


async def _renewing(put: Callable[[Mapping[str, float]], object], is_on: Jet) -> None:
    pump = StrangePump(is_on)
    while True:
        done = put(pump.now())
        if asyncio.iscoroutine(done):
            await done
        await asyncio.sleep(RENEWED)


@asynccontextmanager
async def _kept_up(
    put: Callable[[Mapping[str, float]], object], is_on: Jet = by_itself
) -> AsyncIterator[None]:
    task = asyncio.create_task(_renewing(put, is_on))
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def by_modbus(port: int, is_on: Jet = by_itself) -> AsyncIterator[None]:
    """pymodbus, with holes in its map: tenths of bar, little word first in the counter."""
    at = {
        "set_point": (100, "uint16", 0.1), "oil": (101, "uint16", 0.1),
        "current": (102, "uint16", 0.1), "strokes": (104, "uint32", 1.0),
        "pressure": (107, "uint16", 0.1), "rate": (108, "uint16", 0.1),
        "water": (110, "int16", 0.1), "jet": (112, "uint16", 1.0),
        "jet_seconds": (113, "uint16", 1.0), "milliseconds": (114, "uint16", 1.0),
        **{f"spare {at}": (at, "uint16", 1.0) for at in (103, 106, 111)},
    }  # fmt: skip
    registers = {
        name: Register(Channel(name, ""), 3, address, kind, "little")
        for name, (address, kind, _) in at.items()
    }
    values = dict.fromkeys(at, 0.0)
    server = modbus_server(ModbusSource(registers, "127.0.0.1", port), values)
    await server.serve_forever(background=True)
    try:
        async with _kept_up(
            lambda now: values.update({n: now[n] / at[n][2] for n in at if n in now}), is_on
        ):
            yield
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


@asynccontextmanager
async def by_opcua(port: int) -> AsyncIterator[None]:
    """asyncua, without units for most, in folders of a line."""
    server = Server()
    await server.init()
    server.disable_clock()
    server.set_endpoint(f"opc.tcp://127.0.0.1:{port}/")
    space = await server.register_namespace("urn:invented-shop:line")
    line = await server.nodes.objects.add_folder(space, "Line 4")
    unit = await line.add_object(space, "Unit\n2")  # a name may have anything in it
    names = {
        "pressure": "PT 17", "set_point": "SP 17", "oil": "PT 3 Oil", "strokes": "Z 1",
        "rate": "Q 1", "jet": "Y 4", "water": "TT 2", "current": "M 1 current",
    }  # fmt: skip
    nodes = {}
    for name, shown in names.items():
        kind = {"strokes": ua.VariantType.UInt16, "jet": ua.VariantType.Boolean}.get(
            name, ua.VariantType.Double
        )
        nodes[name] = (await unit.add_variable(space, shown, ua.Variant(0, kind)), kind)
    bar = ua.EUInformation(DisplayName=ua.LocalizedText("bar"))
    await nodes["pressure"][0].add_property(0, "EngineeringUnits", bar)
    await nodes["pressure"][0].add_property(0, "EURange", ua.Range(Low=0.0, High=4500.0))
    celsius = ua.EUInformation(DisplayName=ua.LocalizedText("°C"))
    await nodes["water"][0].add_property(0, "EngineeringUnits", celsius)

    async def put(now: Mapping[str, float]) -> None:
        for name, (node, kind) in nodes.items():
            value = bool(now[name]) if name == "jet" else now[name]
            whole = round(now[name]) % 65536 if name == "strokes" else value
            await node.write_value(ua.DataValue(ua.Variant(whole, kind)))

    await server.start()
    try:
        async with _kept_up(put):
            yield
    finally:
        with suppress(Exception):
            await server.stop()


@asynccontextmanager
async def by_mqtt(port: int) -> AsyncIterator[None]:
    """A gateway that publishes to a broker: two objects with a time, and a topic of its own."""
    async with aiomqtt.Client("127.0.0.1", port) as client:

        async def put(now: Mapping[str, float]) -> None:
            stamp = {"ts": round(time.time() * 1000)}
            psi = round(now["pressure"] * 14.5038)
            hot = {"hp": {"v": psi, "u": "psi"}, "counts": now["strokes"], "on": bool(now["jet"])}
            slow = {"water_c": now["water"], "oil_bar": now["oil"], "sp_bar": now["set_point"]}
            await client.publish("hall 2/cell/p4/fast", json.dumps(stamp | hot))
            await client.publish("hall 2/cell/p4/slow", json.dumps(stamp | slow))
            await client.publish("hall 2/cell/p4/state", "RUN")

        async with _kept_up(put):
            yield

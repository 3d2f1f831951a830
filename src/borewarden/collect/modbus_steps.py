"""Step through the registers of a Modbus device whose map nobody has: function codes 3 and 4 only.

Bounded and polite: one request at a time, a pause after each, and an end where nothing answers.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Iterator
from dataclasses import dataclass
from itertools import pairwise

from pymodbus.exceptions import ConnectionException, ModbusException

from borewarden.base.errors import BadInput
from borewarden.collect.link import Clock
from borewarden.collect.modbus import (
    EXCEPTIONS,
    MOST_REGISTERS,
    SILENT_POLLS,
    Client,
    ModbusSource,
    Request,
    client_of,
    knock,
    read,
)
from borewarden.collect.survey import Place, Rounds, Survey, Tell

AsyncBlocks = AsyncGenerator[Request, None]
TABLES = {4: "input", 3: "holding"}  # registers, by function code
NO_SUCH_FUNCTION = 1  # exception code


@dataclass(frozen=True)
class Steps:
    """Registers `first` to `last`, as on the wire, of both tables; `pause` s after each request."""

    first: int
    last: int
    pause: float = 0.1

    @property
    def most_requests(self) -> int:
        """How many it takes where every other register is refused, and so each is asked for."""
        return 2 * len(TABLES) * (self.last - self.first + 1)


def word_name(function: int, address: int) -> str:
    """How a register is called."""
    return f"{TABLES[function]} {address}"


async def stepping(source: ModbusSource, steps: Steps, survey: Survey, tell: Tell) -> Rounds:
    """Find the registers that can be read, and read them again and again.

    Raises OSError where nothing answers, or nothing does any more.
    """
    client = client_of(source)
    asking = _Asking(client, source, steps.pause)
    try:
        if not await client.connect():
            await knock(source)
            raise ConnectionError(f"can't connect to {source.name}")
        tell(f"connected to {source.name}")
        blocks = []
        for function in TABLES:
            found = [block async for block in _readable(asking, function, steps)]
            tell(f"{TABLES[function]} registers: {sum(b.count for b in found)} can be read")
            blocks += [block async for block in _joined(asking, found)]
        if not blocks:
            raise BadInput(
                source.name, f"registers {steps.first} to {steps.last}", "none can be read",
                "state others with --registers, or another --source unit_id=NUMBER",
            )  # fmt: skip
        for block in blocks:
            for address in range(block.address, block.address + block.count):
                point = {"function": block.function, "address": address, "type": "uint16"}
                survey.places[word_name(block.function, address)] = Place(point, bare=True)
        yield
        clock = Clock()
        while True:
            for block in blocks:
                words, _ = await asking.ask(block)
                now_ns = clock.now()
                for at, word in enumerate(words):
                    survey.take(word_name(block.function, block.address + at), now_ns, float(word))
            yield
    finally:
        client.close()


@dataclass
class _Asking:
    """One request at a time, with a pause after each."""

    client: Client
    source: ModbusSource
    pause: float
    silent: int = 0

    async def ask(self, block: Request) -> tuple[list[int], int]:
        """The words of a block, none and the exception code where it is refused or not answered."""
        try:
            response = await read(self.client, block, self.source.unit_id)
        except ConnectionException:
            raise ConnectionError(f"{self.source.name} closed the connection") from None
        except ModbusException:
            if not self.client.connected:
                raise ConnectionError(f"{self.source.name} closed the connection") from None
            self.silent += 1
            if self.silent >= SILENT_POLLS:
                raise TimeoutError(
                    f"no answer from unit {self.source.unit_id} at {self.source.name}"
                ) from None
            return [], 0
        finally:
            await asyncio.sleep(self.pause)
        self.silent = 0
        if response.isError():
            return [], response.exception_code
        words = [int(word) for word in response.registers]
        return (words, 0) if len(words) >= block.count else ([], 0)


async def _readable(asking: _Asking, function: int, steps: Steps) -> AsyncBlocks:
    """Blocks that can be read, halved where one is refused, down to single registers."""
    waiting = list(_blocks(function, steps))[::-1]
    while waiting:
        block = waiting.pop()
        words, code = await asking.ask(block)
        if words:
            yield block
        elif code == NO_SUCH_FUNCTION:
            return
        elif block.count > 1 and code in EXCEPTIONS:
            waiting += [*_halves(block)][::-1]


async def _joined(asking: _Asking, blocks: list[Request]) -> AsyncBlocks:
    """Neighbours as one block where the device takes that: their words are of one moment then."""
    joined: list[Request] = []
    for block in blocks:
        if joined:
            last = joined[-1]
            both = Request(last.function, last.address, last.count + block.count, ())
            touch = last.address + last.count == block.address
            if touch and both.count <= MOST_REGISTERS and (await asking.ask(both))[0]:
                joined[-1] = both
                continue
        joined.append(block)
    for block in joined:
        yield block


def _blocks(function: int, steps: Steps) -> Iterator[Request]:
    borders = [*range(steps.first, steps.last + 1, MOST_REGISTERS), steps.last + 1]
    for begin, end in pairwise(borders):
        yield Request(function, begin, end - begin, ())


def _halves(block: Request) -> Iterator[Request]:
    half = block.count // 2
    yield Request(block.function, block.address, half, ())
    yield Request(block.function, block.address + half, block.count - half, ())

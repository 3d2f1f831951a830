"""Real sockets for the tests of the collectors, on loopback only."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import logging
import os
import random
import shutil
import socket
import struct
from collections.abc import AsyncGenerator, AsyncIterator, Callable

import numpy as np
import pytest

from borewarden.base.samples import Samples
from borewarden.collect.link import LinkState, Received

PATIENCE = 30.0  # s, a bound only; nothing here takes that long


def needs(program: str, package: str = "") -> str:
    """Path of a server program; skips where it is not installed, unless it has to be."""
    package = package or program
    path = shutil.which(program, path=f"{os.environ['PATH']}:/usr/sbin:/usr/local/sbin")
    if path is None:
        if os.environ.get("BOREWARDEN_REQUIRE_SERVERS"):
            pytest.fail(f"{program} is missing; install Debian's package {package}")
        pytest.skip(f"needs {program}, of Debian's package {package}")
    return path


def free_port() -> int:
    """A TCP port on loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Stream:
    """What a collector yields, taken in the background of a test."""

    def __init__(self, source: AsyncGenerator[Received, None]) -> None:
        self.seen: list[Received] = []
        self._task = asyncio.create_task(self._take(source))
        self._news = asyncio.Event()

    async def _take(self, source: AsyncGenerator[Received, None]) -> None:
        async with contextlib.aclosing(source):
            async for received in source:
                self.seen.append(received)
                self._news.set()

    @property
    def links(self) -> list[LinkState]:
        """The link states so far."""
        return [r for r in self.seen if isinstance(r, LinkState)]

    @property
    def rows(self) -> list[Samples]:
        """The rows so far."""
        return [r for r in self.seen if isinstance(r, Samples)]

    @property
    def is_down(self) -> bool:
        """Whether the last link state says so."""
        return bool(self.links) and not self.links[-1].connected

    @property
    def is_up(self) -> bool:
        """Whether the last link state says so."""
        return bool(self.links) and self.links[-1].connected

    def column(self, name: str) -> np.ndarray:
        """One channel of all rows so far."""
        return np.array([float(getattr(row, name)[0]) for row in self.rows])

    async def until(self, happened: Callable[[], object]) -> None:
        """Wait, with a bound, until something is true; the collector may not have ended."""
        async with asyncio.timeout(PATIENCE):
            while not happened():
                assert not self._task.done(), self._task
                self._news.clear()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._news.wait(), 0.05)

    async def more_rows(self, n: int) -> list[Samples]:
        """Wait for `n` more rows and give them."""
        before = len(self.rows)
        await self.until(lambda: len(self.rows) >= before + n)
        return self.rows[before:]

    async def close(self) -> None:
        """Cancel the collector; it has to pass that on, and nothing else."""
        self._task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await self._task


class _Log(logging.Handler):
    """Keeps what is logged with a traceback: nothing should be."""

    def __init__(self) -> None:
        super().__init__()
        self.tracebacks: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.exc_info:
            self.tracebacks.append(self.format(record))


@contextlib.asynccontextmanager
async def streaming(source: AsyncGenerator[Received, None]) -> AsyncIterator[Stream]:
    """Run a collector for the length of a `with`, then check what every collector promises."""
    stream = Stream(source)
    log = _Log()
    logging.getLogger().addHandler(log)
    try:
        yield stream
    finally:
        await stream.close()
        logging.getLogger().removeHandler(log)
    assert not log.tracebacks
    times = [int(row.time_ns[0]) for row in stream.rows]
    assert all(a < b for a, b in itertools.pairwise(times)), "times have to go up"
    assert all(link.reason for link in stream.links)
    first = next(iter(stream.seen), None)
    assert first is None or isinstance(first, LinkState), "no samples before a link state"


class Proxy:
    """A TCP proxy that records both ways and may lose what the server sends."""

    def __init__(self, port: int, lose: float = 0.0, seed: int = 1) -> None:
        self.port = free_port()
        self.sent = bytearray()  # by the collector
        self.answered = bytearray()
        self.connections = 0
        self.lost = 0
        self.lose = lose  # share of what the server sends, may be changed at any time
        self._chance = random.Random(seed)
        self._to = port
        self._open: list[asyncio.StreamWriter] = []

    def cut(self) -> None:
        """Cut all connections."""
        for writer in self._open:
            writer.close()

    async def __aenter__(self) -> Proxy:
        self._server = await asyncio.start_server(self._relay, "127.0.0.1", self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        self.cut()

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._open.append(writer)
        there, back = await asyncio.open_connection("127.0.0.1", self._to)
        ways = [
            asyncio.create_task(self._copy(reader, back, self.sent)),
            asyncio.create_task(self._copy(there, writer, self.answered)),
        ]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            back.close()
            writer.close()

    async def _copy(
        self,
        source: asyncio.StreamReader,
        target: asyncio.StreamWriter,
        record: bytearray,
    ) -> None:
        with contextlib.suppress(ConnectionError):
            while data := await source.read(65536):
                record += data
                if record is self.answered and self._chance.random() < self.lose:
                    self.lost += 1
                    continue
                target.write(data)
                await target.drain()


# -- what was sent


def functions_of(sent: bytes) -> list[int]:
    """Function codes of the requests in a recorded stream; MBAP header: length at byte 4."""
    codes = []
    at = 0
    while at < len(sent):
        protocol, length = struct.unpack(">HH", sent[at + 2 : at + 6])
        assert protocol == 0
        codes.append(sent[at + 7])
        at += 6 + length
    assert at == len(sent), "whole frames only"
    return codes


def packets_in(sent: bytes) -> list[int]:
    """Types of the control packets in a recorded stream."""
    found = []
    at = 0
    while at < len(sent):
        found.append(sent[at] >> 4)
        length, shift, at = 0, 0, at + 1
        while True:
            length |= (sent[at] & 127) << shift
            shift += 7
            at += 1
            if sent[at - 1] < 128:
                break
        at += length
    assert at == len(sent)
    return found


def services_in(sent: bytes) -> set[int]:
    """Type ids of all requests in a recorded stream of channels without security."""
    found = set()
    at = 0
    while at < len(sent):
        kind, final = sent[at : at + 3], sent[at + 3 : at + 4]
        (size,) = struct.unpack("<I", sent[at + 4 : at + 8])
        if kind in (b"MSG", b"CLO", b"OPN"):
            assert final == b"F", "chunked messages are not expected here"
            body = at + 24
            if kind == b"OPN":  # policy and two certificates instead of the token
                body = at + 12
                for _ in range(3):
                    (length,) = struct.unpack("<i", sent[body : body + 4])
                    body += 4 + max(length, 0)
                body += 8
            assert sent[body] == 1  # a NodeId of four bytes
            found.add(struct.unpack("<H", sent[body + 2 : body + 4])[0])
        at += size
    assert at == len(sent), "whole messages only"
    return found

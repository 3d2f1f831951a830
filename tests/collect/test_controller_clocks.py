"""Clocks of a controller, node-opcua's: wrong, set, and timestamps that can't be right.

Its clock is set by the peer's fault "clock", which moves all times that the server tells. The
machine is invented.
"""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from borewarden.base.samples import Channel
from borewarden.collect import opcua, source_clock
from borewarden.collect.opcua import NodePoint, OpcUaSource, opcua_samples
from peers import OpcUa, opcua_peer
from wire import Stream, streaming

NS = 10**9
HOUR, DAY = 3600.0, 86_400.0
NODES = {
    "pressure": NodePoint(Channel("bar", "bar", 1e5), "ns=2;s=Pump.Pressure"),
    "stroke_count": NodePoint(Channel("n", "counts"), "ns=2;s=Pump.StrokeCount", 32),
}


@pytest.fixture(scope="module")
def _plc() -> Iterator[OpcUa]:
    with opcua_peer(step=0.1, jet=(1e9, 0.0)) as peer:
        yield peer


@pytest.fixture
def plc(_plc: OpcUa) -> Iterator[OpcUa]:
    yield _plc
    _plc.clear_faults()


def source_of(plc: OpcUa, **changes: object) -> OpcUaSource:
    return replace(OpcUaSource(NODES, plc.url, interval=0.1, timeout=4.0), **changes)


@pytest.fixture(autouse=True)
def _sooner(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looks at the controller's clock half a second apart while times seem wrong."""
    monkeypatch.setattr(opcua, "LOOK_IF_ODD", 0.2)
    monkeypatch.setattr(opcua, "TOLD_FOR_NS", NS)


def reasons(stream: Stream) -> str:
    return " | ".join(link.reason for link in stream.links)


def ages(stream: Stream) -> list[float]:
    """How long ago each row was, s, by its own time."""
    return [time.time() - int(row.time_ns[0]) * 1e-9 for row in stream.rows]


def longest_gap(stream: Stream) -> float:
    times = [int(row.time_ns[0]) for row in stream.rows]
    return max(b - a for a, b in itertools.pairwise(times)) / NS


@pytest.mark.parametrize("mode", ["subscribe", "poll"])
@pytest.mark.parametrize("offset", [2 * HOUR, -HOUR, -3 * DAY])
async def test_controller_whose_clock_is_wrong_is_put_right(
    plc: OpcUa, mode: str, offset: float
) -> None:
    await asyncio.to_thread(plc.set_fault, "clock", offset=offset)
    async with streaming(opcua_samples(source_of(plc, mode=mode))) as stream:
        await stream.more_rows(8)
        assert max(map(abs, ages(stream)[-3:])) < 5.0
    assert "put right" in stream.links[0].reason
    assert ("ahead" if offset > 0.0 else "behind") in stream.links[0].reason


@pytest.mark.parametrize("step", [-HOUR, HOUR, -3 * DAY])
async def test_controller_whose_clock_is_set_loses_nothing(plc: OpcUa, step: float) -> None:
    async with streaming(opcua_samples(source_of(plc))) as stream:
        await stream.more_rows(8)
        await asyncio.to_thread(plc.set_fault, "clock", offset=step)
        await stream.until(lambda: "put right" in reasons(stream) or stream.is_down)
        await stream.until(lambda: stream.is_up)
        rows = await stream.more_rows(15)
        assert max(map(abs, ages(stream)[-3:])) < 5.0
    assert len(rows) >= 15
    # a server whose clock jumps by days cuts the connection off: nothing is there to be lost then
    if all(link.connected for link in stream.links):
        assert longest_gap(stream) < 3.0


@pytest.mark.parametrize("mode", ["subscribe", "poll"])
@pytest.mark.parametrize(
    "at", [datetime(2099, 1, 1, tzinfo=UTC).timestamp(), 2 * DAY, -2 * HOUR, -5 * DAY]
)
async def test_source_times_that_can_not_be_right_move_nothing(
    plc: OpcUa, mode: str, at: float
) -> None:
    at = at if at > 30 * DAY else time.time() + at
    async with streaming(opcua_samples(source_of(plc, mode=mode))) as stream:
        await stream.more_rows(5)
        await asyncio.to_thread(plc.set_fault, "source_time", channel="pressure", at=at)
        await stream.more_rows(10)
        told = "its time of arrival is taken"
        if at > time.time():
            await stream.until(lambda: told in reasons(stream))
        await asyncio.to_thread(plc.clear_faults)
        await stream.more_rows(10)
        await stream.until(lambda: told not in stream.links[-1].reason)
        assert max(map(abs, ages(stream)[-3:])) < 5.0
    assert longest_gap(stream) < 3.0
    assert all(link.connected for link in stream.links)


async def test_controller_that_is_two_per_cent_slow_is_followed(
    plc: OpcUa, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its clock is set back by a little, over and over; looks come sooner than in a minute."""
    monkeypatch.setattr(opcua, "LOOK", 0.5)
    monkeypatch.setattr(source_clock, "LOOK", 0.5)
    monkeypatch.setattr(source_clock, "WANDERED", 0.2)
    begun = time.monotonic()
    async with streaming(opcua_samples(source_of(plc))) as stream:
        await stream.more_rows(3)
        while "slow" not in reasons(stream):
            lost = 0.02 * (time.monotonic() - begun)
            await asyncio.to_thread(plc.set_fault, "clock", offset=-lost)
            await asyncio.sleep(0.1)
        await stream.more_rows(3)
        assert max(map(abs, ages(stream)[-3:])) < 3.0
    assert all(link.connected for link in stream.links)
    assert longest_gap(stream) < 3.0


@pytest.mark.parametrize("mode", ["subscribe", "poll"])
@pytest.mark.parametrize("behind", [2 * HOUR, -2 * HOUR])
async def test_device_whose_clock_is_not_the_servers_is_put_right(
    monkeypatch: pytest.MonkeyPatch, behind: float, mode: str
) -> None:
    monkeypatch.setattr(source_clock, "WATCHED", 0.5)
    with opcua_peer(step=0.1, jet=(1e9, 0.0), start=time.time() - behind) as plc:
        async with streaming(opcua_samples(source_of(plc, mode=mode))) as stream:
            await stream.until(lambda: "put right" in reasons(stream))
            await stream.more_rows(10)
            assert max(map(abs, ages(stream)[-8:])) < 5.0
        assert all(link.connected for link in stream.links)
        assert longest_gap(stream) < 3.0 or behind > 0.0  # the first reading may be old

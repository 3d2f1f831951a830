"""What the collectors share: reconnecting, clocks, rows. No published source: common practice."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import math
import random
import time
from collections.abc import AsyncGenerator
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.base.samples import Channel
from borewarden.collect import link
from borewarden.collect.link import (
    Clock,
    LinkState,
    Problems,
    Received,
    Rows,
    keep_connected,
    ticks,
)
from borewarden.collect.modbus import ModbusSource, Register, modbus_samples
from borewarden.simulate.serve import modbus_server
from wire import free_port, streaming

COUNT = {"stroke_count": Channel("n", "counts")}


# -- reconnecting


async def test_a_reason_that_stays_is_given_once_and_delays_grow(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    waited: list[float] = []

    async def sleep(seconds: float) -> None:
        waited.append(seconds)

    monkeypatch.setattr(link.asyncio, "sleep", sleep)
    reasons = iter(["a", "a", "a", "b", "b", "up", "a"])

    async def session() -> AsyncGenerator[Received, None]:
        reason = next(reasons)
        if reason == "up":
            yield LinkState(1, True, "up")
        raise OSError(reason)

    class Most(random.Random):
        def uniform(self, a: float, b: float) -> float:
            return b

    stream = keep_connected(session, Most())
    seen = [await anext(stream) for _ in range(5)]
    await stream.aclose()
    assert [(s.connected, s.reason) for s in seen] == [
        (False, "a"),
        (False, "b"),
        (True, "up"),
        (False, "up"),
        (False, "a"),
    ]
    assert waited[:6] == [1.0, 2.0, 4.0, 8.0, 16.0, 1.0]


async def test_a_cancellation_that_a_library_swallows_still_ends_the_stream() -> None:
    async def session() -> AsyncGenerator[Received, None]:
        yield LinkState(1, True, "up")
        while True:
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.sleep(0.01)
            yield LinkState(1, True, "still up")

    async def follow() -> None:
        async for _ in keep_connected(session):
            pass

    task = asyncio.create_task(follow())
    await asyncio.sleep(0.05)
    task.cancel()
    done, _ = await asyncio.wait([task], timeout=10.0)
    assert done
    assert task.cancelled()


async def test_a_cancellation_that_a_library_made_up_is_a_lost_connection() -> None:
    async def session() -> AsyncGenerator[Received, None]:
        yield LinkState(1, True, "up")
        raise asyncio.CancelledError

    stream = keep_connected(session)
    assert (await anext(stream)).connected
    assert not (await anext(stream)).connected
    await stream.aclose()


# -- clocks


def test_the_clock_runs_evenly_until_it_is_asked_for_a_step(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock = Clock()
    before = clock.now()
    wall = time.time_ns
    monkeypatch.setattr(time, "time_ns", lambda: wall() - 3600 * 10**9)
    assert 0 <= clock.now() - before < 60 * 10**9
    assert clock.step() == pytest.approx(-3600.0, abs=1.0)
    assert clock.now() < before
    assert clock.step() == 0.0


@pytest.mark.parametrize("hours", [-1, 1])
async def test_a_clock_set_by_an_hour_is_told_and_the_samples_go_on(
    hours: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    registers = {"pressure": Register(Channel("p", "bar", 1e5), 3, 0)}
    source = ModbusSource(registers, "127.0.0.1", free_port(), interval=0.03)
    server = modbus_server(source, {"pressure": 3800.0})
    await server.serve_forever(background=True)
    wall = time.time_ns
    try:
        async with streaming(modbus_samples(source)) as stream:
            await stream.more_rows(3)
            monkeypatch.setattr(time, "time_ns", lambda: wall() + hours * 3600 * 10**9)
            await stream.until(lambda: len(stream.links) >= 3)
            await stream.more_rows(3)
            received, stream.seen = stream.seen, stream.seen[:1]
    finally:
        await server.shutdown()
    links = [(i, r) for i, r in enumerate(received) if isinstance(r, LinkState)]
    assert [r.connected for _, r in links] == [True, False, True]
    assert "was set" in links[1][1].reason
    times = [0 if isinstance(r, LinkState) else int(r.time_ns[0]) for r in received]
    at = links[1][0]
    assert (times[-1] - times[at - 1]) / 3.6e12 == pytest.approx(hours, abs=0.05)
    for part in (times[1:at], times[at + 2 :]):
        assert all(a < b for a, b in itertools.pairwise(part))


async def test_a_clock_set_back_while_the_link_is_down_costs_no_samples(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    registers = {"pressure": Register(Channel("p", "bar", 1e5), 3, 0)}
    source = ModbusSource(registers, "127.0.0.1", free_port(), interval=0.03, timeout=0.2)
    wall = time.time_ns
    async with streaming(modbus_samples(source)) as stream:
        for _ in range(2):
            server = modbus_server(source, {"pressure": 3800.0})
            await server.serve_forever(background=True)
            await stream.more_rows(3)
            await server.shutdown()
            await stream.until(lambda: stream.is_down)
            monkeypatch.setattr(time, "time_ns", lambda: wall() - 3600 * 10**9)
        received, stream.seen = stream.seen, stream.seen[:1]
    links = [r.connected for r in received if isinstance(r, LinkState)]
    assert links[-4:] == [True, False, True, False]


async def test_pumps_held_up_together_are_not_asked_together_ever_after(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On a clock of the test's own: nothing else makes sleeping exact."""
    now = 0.0

    async def sleep(seconds: float) -> None:
        nonlocal now
        now += seconds

    monkeypatch.setattr(link, "time", SimpleNamespace(monotonic=lambda: now))
    monkeypatch.setattr(link, "asyncio", SimpleNamespace(sleep=sleep))
    phases = []
    for _ in range(200):
        now = 0.0
        times = []
        async with contextlib.aclosing(ticks(1.0)) as ticking:
            async for _ in ticking:
                times.append(now)
                if len(times) == 5:
                    now = 7.0  # everything stood still
                elif len(times) == 10:
                    break
        assert times[0] == 0.0
        due = times[1] + np.arange(9)
        assert times[1:5] == pytest.approx(due[:4])
        assert times[5] == 7.0  # one late tick for all that were missed
        assert times[6:] == pytest.approx(times[1] + 7.0 + np.arange(4))
        phases.append(times[-1] % 1.0)
    counts, _ = np.histogram(phases, bins=4, range=(0.0, 1.0))
    assert counts.min() > 20  # 50 expected in each quarter, standard deviation 6


# -- rows


@given(st.lists(st.integers(0, 30_000), min_size=1, max_size=30), st.sampled_from([16, 32]))
def test_no_stroke_is_lost_however_often_a_counter_wraps(steps: list[int], bits: int) -> None:
    rows = Rows(COUNT, bits)
    true = list(itertools.accumulate(steps))
    seen = []
    for i, count in enumerate(true):
        row = rows.make(i + 1, {"stroke_count": float(count % 2**bits)})
        assert row is not None
        seen.append(row.stroke_count[0])
    assert [s - seen[0] for s in seen] == [t - true[0] for t in true]


def test_a_signed_register_counts_on_past_its_sign() -> None:
    rows = Rows(COUNT, 16)
    seen = [rows.make(i + 1, {"stroke_count": n}) for i, n in enumerate((32767.0, -32768.0))]
    assert [row.stroke_count[0] for row in seen if row] == [32767.0, 32768.0]


def test_times_only_go_up_until_they_are_restarted() -> None:
    rows = Rows(COUNT)
    assert rows.make(5, {}) is not None
    assert rows.make(5, {}) is None
    assert rows.make(4, {}) is None
    rows.restart_time()
    row = rows.make(4, {})
    assert row is not None
    assert math.isnan(row.stroke_count[0])


def test_infinite_values_are_unknown() -> None:
    row = Rows({"pressure": Channel("p", "bar", 1e5)}).make(1, {"pressure": math.inf})
    assert row is not None
    assert math.isnan(row.pressure[0])


def test_a_glitch_is_no_news_and_what_lasts_is_told_once() -> None:
    problems = Problems("connected")
    found = [[], ["x"], [], ["x"], ["x"], ["x"], ["x"], [], [], [], []]
    told = [problems.tell(f, 1) for f in found]
    assert [i for i, t in enumerate(told) if t] == [0, 5, 9]
    assert told[5][0].reason == "connected; x"

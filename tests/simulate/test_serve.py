"""The virtual pump on real protocols, read back by the machine files in config/live."""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.collect.live import live_samples
from borewarden.settings import MachineSettings, load_machine
from borewarden.simulate.day import Day, log_day
from borewarden.simulate.serve import LONGEST_PAUSE, STANDSTILL, at, awake, rebased, serve
from wire import free_port, streaming

LIVE = Path(__file__).parent.parent.parent / "config" / "live"


def an_hour(settings: MachineSettings) -> Samples:
    """Invented samples of a machine, from a time at which it cuts."""
    jewel = settings.jewels()[-1]
    day = Day(
        first=dt.date(2026, 3, 4),
        days=1,
        seed=3,
        time_zone=settings.time_zone,
        discharge_coefficient=jewel.plausible.typical,
        logs_rate=not settings.gate_settings().uses_counter,
    )
    samples = log_day(day, settings.build_pump(), jewel)
    start = int(np.argmax(samples.pressure > 3e8)) + 60
    return rows(samples, start, start + 3600)


@contextlib.asynccontextmanager
async def serving(source, samples: Samples, speed: float) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(serve(source, samples, speed))
    try:
        yield task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_modbus_as_the_machine_file_says() -> None:
    settings = load_machine(LIVE / "north-modbus.toml")
    source = replace(at(settings.live_source(), port=free_port()), interval=0.1)
    samples = an_hour(settings)
    async with serving(source, samples, 1.0), streaming(live_samples(source)) as stream:
        await stream.until(lambda: len(stream.rows) >= 3 and stream.is_up)
    pressure = stream.column("pressure")
    assert np.abs(pressure[-1] - samples.pressure[:10]).min() <= 0.5 * 1e4 + 1.0
    assert stream.column("stroke_count")[-1] in samples.stroke_count[:10]
    assert abs(stream.column("temperature")[-1] - samples.temperature[0]) < 1.0


async def test_opc_ua_as_the_machine_file_says_and_faster() -> None:
    settings = load_machine(LIVE / "south-opcua.toml")
    source = replace(at(settings.live_source(), port=free_port()), interval=0.2)
    samples = an_hour(settings)
    async with serving(source, samples, 50.0), streaming(live_samples(source)) as stream:
        await stream.until(lambda: len(stream.rows) >= 40)
    _same_course(stream, samples)


async def test_mqtt_as_the_machine_file_says_and_faster(tmp_path: Path) -> None:
    from broker import broker

    settings = load_machine(LIVE / "west-mqtt.toml")
    source = at(settings.live_source(), port=free_port())
    samples = an_hour(settings)
    async with (
        broker(source.port, tmp_path),
        streaming(live_samples(source)) as stream,
        serving(source, samples, 50.0),
    ):
        await stream.until(lambda: len(stream.rows) >= 40)
    _same_course(stream, samples)


def _same_course(stream, samples: Samples) -> None:
    """Each row that came is one of `samples`, and the seconds between them are theirs."""
    served = rebased(samples, 50.0, 0)
    pressure = stream.column("pressure")
    steady = pressure > 1e7  # no two of these are equal; zeros are
    index = [int(np.nanargmin(np.abs(samples.pressure - p))) for p in pressure[steady]]
    assert len(index) > 10
    assert np.allclose(samples.pressure[index], pressure[steady], rtol=1e-9)
    times = np.array([int(row.time_ns[0]) for row in stream.rows])[steady]
    offset = times - served.time_ns[index]
    assert np.ptp(offset) < 10**6  # to the microsecond that the protocols carry
    assert times[-1] < time.time_ns()
    rate = stream.column("rate")[steady]
    assert np.allclose(rate, samples.rate[index], rtol=1e-9)


async def test_a_taken_port_and_a_missing_broker_are_os_errors() -> None:
    settings = load_machine(LIVE / "north-modbus.toml")
    samples = an_hour(settings)
    source = at(settings.live_source(), port=free_port())
    async with serving(source, samples, 1.0) as task:
        await asyncio.sleep(0.2)
        assert not task.done()
        with pytest.raises(OSError, match=str(source.port)):
            await serve(source, samples)
    west = at(load_machine(LIVE / "west-mqtt.toml").live_source(), port=free_port())
    with pytest.raises(OSError, match="broker"):
        await serve(west, samples)


async def test_a_counter_is_not_served_faster_where_that_would_lie() -> None:
    settings = load_machine(LIVE / "north-modbus.toml")
    says = "Modbus carries no times, and .* serve a stroke counter at speed 1"
    with pytest.raises(ValueError, match=says):
        await serve(settings.live_source(), an_hour(settings), 10.0)


def test_times_begin_now_or_catch_up_with_it() -> None:
    second = 10**9
    time_ns = np.array([5, 6, 7, 7 + 3600, 7 + 3601]) * second
    samples = samples_of(time_ns, pressure=np.zeros(5))
    pause = int(LONGEST_PAUSE * second)
    real = rebased(samples, 1.0, 1000 * second).time_ns
    assert (real - 1000 * second).tolist() == [
        0,
        second,
        2 * second,
        2 * second + pause,
        3 * second + pause,
    ]
    fast = rebased(samples, 10.0, 1000 * second).time_ns
    assert np.diff(fast).tolist() == np.diff(real).tolist()
    assert fast[-1] == 1000 * second + (3 * second + pause) // 10


async def test_the_end_of_the_day_is_the_end_of_serving() -> None:
    settings = load_machine(LIVE / "south-opcua.toml")
    source = at(settings.live_source(), port=free_port())
    async with asyncio.timeout(30), asyncio.TaskGroup() as group:
        group.create_task(serve(source, rows(an_hour(settings), 0, 20), 40.0))


def test_a_standstill_before_the_shift_is_not_waited_for() -> None:
    pressure = np.array([np.nan] + [0.0] * 400 + [3e8] * 50 + [0.0] * 50)
    time_ns = np.arange(len(pressure)) * 10**9
    day = samples_of(time_ns, pressure=pressure)
    assert len(awake(day).time_ns) == STANDSTILL + 100
    still = day._replace(pressure=np.zeros(len(pressure)))
    assert len(awake(still).time_ns) == len(pressure)

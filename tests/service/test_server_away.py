"""The time-series server is away, or says no: it is said everywhere, and nothing is lost.

The service is the real one, with its page over HTTP. The server is one of our own, since no real
one gives such answers when asked to; `tests/store/test_influx.py` has real ones that are stopped,
and `tests/benchmarks/bench_outage.py` 24 h of rows.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
from prometheus_client.parser import text_string_to_metric_families

from borewarden.base.samples import Samples, rows
from borewarden.collect.logged import read_log
from borewarden.settings import load_machine
from forwarded import Answers, Forwarded, forwarded
from held import CHIP, SOUTH
from small_disk import mounted

PATIENCE = 240.0  # s, a bound only: the loops may have to be compiled first
EACH = 150  # samples that come during each outage

FAULTS = {  # what the server answers, and what has to be said of it
    "401 wrong token": ((401, {}, "unauthorized access"), "unauthorized access"),
    "404": ((404, {}, 'bucket "pumps" not found'), 'bucket "pumps" not found'),
    "429": ((429, {"Retry-After": "1"}, "rate limit exceeded"), "rate limit exceeded"),
    "500": ((500, {}, "internal error"), "internal error"),
    "gone": (None, "refused"),
}


def log() -> Samples:
    return rows(read_log(CHIP, load_machine(SOUTH).log_format()), 22_000, 24_000)


async def until(happened: Callable[[], object]) -> None:
    async with asyncio.timeout(PATIENCE):
        while not happened():
            await asyncio.sleep(0.02)


async def metric(it: Forwarded, name: str) -> float:
    """A figure of `/metrics` about the time-series server."""
    text = await it.ask("/metrics")
    return next(
        sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.name == name and sample.labels.get("sink") == "influx"
    )


async def said(it: Forwarded, words: str) -> None:
    """Page, `/status` and `/metrics` say that nothing is taken: since when, why, how much waits."""
    told = json.loads(await it.ask("/status"))
    outage = told["service"]["outages"]["influx"]
    assert words in outage["reason"]
    assert 0 <= time.time_ns() - outage["since_ns"] < PATIENCE * 1e9
    assert told["outbox"]["influx"]["waiting"] >= EACH
    assert told["outbox"]["influx"]["refused"] == 0
    assert await metric(it, "borewarden_outbox_failing") == 1.0
    assert await metric(it, "borewarden_outbox_waiting") >= EACH
    since = await metric(it, "borewarden_outbox_failing_since_timestamp_seconds")
    assert round(since * 1e3) == round(outage["since_ns"] * 1e-6)
    assert words.replace('"', '\\"') in await it.ask("/metrics")
    async with asyncio.timeout(PATIENCE):  # all browsers share an event, of a second
        while words not in (foot := await it.foot()):
            await asyncio.sleep(0.1)
    assert "Time-series server: nothing taken since" in foot
    assert "messages wait" in foot


def _reason(it: Forwarded) -> str:
    """Why the time-series server takes nothing, "" where nothing is known of that yet."""
    outage = it.health.outages.get("influx")
    return outage.reason if outage else ""


def all_taken(server: Answers, it: Forwarded) -> None:
    """Each sample so far is there, once."""
    times = sorted(int(line.rsplit(" ", 1)[1]) for line in server.taken.elements())
    np.testing.assert_array_equal(times, it.samples.time_ns[: it.until])


async def test_whatever_the_server_says_it_is_told_and_nothing_is_lost(tmp_path: Path) -> None:
    server = Answers()
    it = Forwarded(tmp_path / "live.db", f"http://127.0.0.1:{server.port}", log())
    await server.start()
    try:
        async with forwarded(it):
            for answer, words in FAULTS.values():
                if answer is None:
                    await server.stop()
                else:
                    server.status, server.headers, server.words = answer
                it.go_on(it.until + EACH)
                await until(lambda: it.kept() == it.until and it.waiting() >= EACH)
                await until(lambda: words in _reason(it))  # noqa: B023
                await said(it, words)
                server.status, server.headers = 204, {}
                if answer is None:
                    await server.start()
                await until(lambda: it.waiting() == 0)
                all_taken(server, it)
                await until(lambda: not it.health.outages)
                assert await metric(it, "borewarden_outbox_failing") == 0.0
                since = "borewarden_outbox_failing_since_timestamp_seconds"
                assert await metric(it, since) == 0.0
                assert it.health.refused_rows["influx"] == 0
    finally:
        await server.stop()


async def test_a_disk_that_is_full_while_the_server_is_away_loses_nothing(tmp_path: Path) -> None:
    server = Answers(status=500, words="internal error")
    await server.start()
    try:
        with mounted(tmp_path / "disk", free=20 * 2**20) as disk:
            it = Forwarded(disk / "live.db", f"http://127.0.0.1:{server.port}", log())
            async with forwarded(it):
                it.go_on(200)
                await until(lambda: it.kept() == 200 and it.waiting() >= 200)
                with (disk / "more").open("ab", buffering=0) as more, suppress(OSError):
                    while True:
                        more.write(bytes(4096))
                it.go_on(1800)
                await until(lambda: it.kept() == 1800)
                await until(lambda: it.health.keeping.failed)
                told = json.loads(await it.ask("/status"))
                assert told["service"]["store"]["samples_not_stored"] > 0
                assert told["service"]["store"]["samples_lost"] == 0
                assert "internal error" in told["service"]["outages"]["influx"]["reason"]
                server.status = 204  # the server is back first, and takes what is on the disk
                (disk / "more").unlink()
                await until(lambda: not it.health.keeping.failed)
                await until(lambda: it.waiting() == 0 and not it.health.outages)
                assert set(server.taken.values()) == {1}
                all_taken(server, it)
    finally:
        await server.stop()

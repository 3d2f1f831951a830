"""The outbox: durable, in order, at least once, bounded without ever losing an alert."""

from __future__ import annotations

import asyncio
import itertools
import logging
import sqlite3
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.store import database as embedded
from borewarden.store import outbox
from borewarden.store.database import open_store, read_alarm, transaction, write_alarm
from borewarden.store.outbox import done, drain, put, take, thin, waiting
from kill import write_until_killed

WRITE = 'put(connection, "influx", "sample", i, f"line {i}")'

DRAINER = """
import asyncio, sys
from pathlib import Path
from borewarden.store.outbox import drain

async def deliver(payloads):
    # as a server would: taken, and only then answered
    with open(sys.argv[2], "ab") as file:
        for payload in payloads:
            file.write(payload + b"\\n")
    return None

asyncio.run(drain(Path(sys.argv[1]), "influx", deliver, limit=5, idle=0.01))
"""


def fill(path: Path, count: int, sink: str = "influx", kind: str = "sample") -> None:
    with open_store(path) as connection, transaction(connection):
        for i in range(count):
            put(connection, sink, kind, i, f"line {i}")


async def until_empty(path: Path, sink: str = "influx") -> None:
    with open_store(path) as connection:
        while waiting(connection, sink).payloads:
            await asyncio.sleep(0.01)


async def drained(path: Path, deliver, **options) -> None:
    """Drain until nothing waits any more, half a minute at most."""
    options = {"idle": 0.01, "first_pause": 0.001, "longest_pause": 0.01, **options}
    task = asyncio.create_task(drain(path, "influx", deliver, **options))
    try:
        async with asyncio.timeout(30):
            await until_empty(path)
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def test_sinks_do_not_mix_and_order_is_kept(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        for i in (3, 1, 2):
            put(connection, "influx", "sample", i, f"line {i}")
            put(connection, "mail", "mail", i, b"\xff\x00")
        assert [p.content for p in take(connection, "influx", 2)] == [b"line 3", b"line 1"]
        assert [p.content for p in take(connection, "influx", 2)] == [b"line 3", b"line 1"]
        ids = [p.id for p in take(connection, "influx", 2)]
        done(connection, "mail", ids)  # another sink's: nothing happens
        done(connection, "influx", ids)
        (left,) = take(connection, "influx", 9)
        assert (left.kind, left.time_ns, left.content) == ("sample", 2, b"line 2")
        assert waiting(connection, "influx") == (1, 6)
        assert waiting(connection, "mail") == (3, 6)
        assert waiting(connection, "none") == (0, 0)


def test_ids_are_never_used_again(tmp_path: Path) -> None:
    """Or a late `done` would drop what nobody has sent."""
    with open_store(tmp_path / "a.db") as connection:
        put(connection, "influx", "sample", 0, "a")
        (first,) = take(connection, "influx", 1)
        done(connection, "influx", [first.id])
        put(connection, "influx", "sample", 1, "b")
        (second,) = take(connection, "influx", 1)
        assert second.id > first.id


def test_a_transaction_that_fails_queues_nothing(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        with suppress(RuntimeError), transaction(connection):
            put(connection, "influx", "sample", 0, "a")
            raise RuntimeError
        assert waiting(connection, "influx") == (0, 0)


def test_what_was_queued_survives_a_kill(tmp_path: Path) -> None:
    store = tmp_path / "killed.db"
    committed = write_until_killed(store, WRITE, count=7, at_least=140)
    with open_store(store) as connection:
        payloads = take(connection, "influx", 10**6)
        assert [p.content for p in payloads] == [b"line %d" % i for i in range(len(payloads))]
        assert len(payloads) % 7 == 0
        assert len(payloads) >= committed
        assert waiting(connection, "influx").payloads == len(payloads)


async def test_a_killed_drain_loses_nothing(tmp_path: Path) -> None:
    """Killed eight times at random: everything arrives, in order, with repeats of a batch only."""
    store, taken = tmp_path / "a.db", tmp_path / "taken.txt"
    fill(store, 600)
    taken.touch()
    rng = np.random.default_rng(4)
    for _ in range(8):
        drainer = subprocess.Popen([sys.executable, "-c", DRAINER, str(store), str(taken)])
        size = taken.stat().st_size
        for _ in range(3000):  # until it has begun to work
            if taken.stat().st_size > size or drainer.poll() is not None:
                break
            await asyncio.sleep(0.01)
        await asyncio.sleep(float(rng.uniform(0.0, 0.05)))
        drainer.kill()
        drainer.wait()
        with open_store(store) as connection:
            if not waiting(connection, "influx").payloads:
                break

    async def deliver(payloads: list[bytes]) -> None:
        with taken.open("ab") as file:
            file.writelines(payload + b"\n" for payload in payloads)

    await drained(store, deliver)
    numbers = [int(line.split()[1]) for line in taken.read_text().splitlines()]
    assert list(dict.fromkeys(numbers)) == list(range(600))  # first arrivals in order, none missing
    assert len(numbers) <= 600 + 8 * 5


async def test_an_outage_is_told_once_and_nothing_is_lost(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    fill(tmp_path / "a.db", 30)
    taken: list[bytes] = []
    reports: list[str | None] = []
    attempts = 0

    async def deliver(payloads: list[bytes]) -> None:
        nonlocal attempts
        attempts += 1
        if attempts <= 5:
            raise ConnectionError("nobody there")
        taken.extend(payloads)

    with caplog.at_level(logging.INFO, "borewarden"):
        await drained(tmp_path / "a.db", deliver, limit=7, report=reports.append)
    assert taken == [b"line %d" % i for i in range(30)]
    assert reports[:6] == ["nobody there"] * 5 + [None]
    assert [r.levelname for r in caplog.records] == ["WARNING", "INFO"]
    assert "Traceback" not in caplog.text


async def test_what_is_refused_is_set_aside_and_does_not_hold_up_the_rest(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    fill(tmp_path / "a.db", 30)
    taken: list[bytes] = []

    async def deliver(payloads: list[bytes]) -> str | None:
        if b"line 11" in payloads:
            return "400 bad line"
        taken.extend(payloads)
        return None

    task = asyncio.create_task(
        drain(tmp_path / "a.db", "influx", deliver, limit=8, idle=0.01, first_pause=0.001)
    )
    with open_store(tmp_path / "a.db") as connection:
        async with asyncio.timeout(30):
            while waiting(connection, "influx").payloads > 1:
                await asyncio.sleep(0.01)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        assert take(connection, "influx", 9) == []
        row = connection.execute("SELECT payload, refused FROM outbox").fetchone()
        assert row == (b"line 11", "400 bad line")
    assert taken == [b"line %d" % i for i in range(30) if i != 11]
    assert (
        "rows refused and set aside: 1; the last one, of kind sample: 400 bad line" in caplog.text
    )


async def test_refused_rows_are_counted_and_told_in_one_line_a_minute(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_store(tmp_path / "a.db") as connection, transaction(connection):
        for i in range(20):
            put(connection, "influx", "batch", i, f"bad {i}\nand {i}\nand {i}")
    counted: list[int] = []

    async def deliver(payloads: list[bytes]) -> str | None:
        return "400 bad line"

    task = asyncio.create_task(
        drain(tmp_path / "a.db", "influx", deliver, limit=4, idle=0.01, refused=counted.append)
    )
    while sum(counted) < 60:
        await asyncio.sleep(0.01)
    lines = [record.getMessage() for record in caplog.records]
    assert lines == [
        "influx: rows refused and set aside: 3; the last one, of kind batch: 400 bad line"
    ]
    monkeypatch.setattr(outbox, "BETWEEN_LINES", 0.0)  # as if a minute had gone by
    fill(tmp_path / "a.db", 1)
    while sum(counted) < 61:
        await asyncio.sleep(0.01)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert caplog.records[-1].getMessage() == (
        "influx: rows refused and set aside: 58; the last one, of kind sample: 400 bad line"
    )


async def test_another_reason_is_told_at_once_and_the_same_one_only_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    fill(tmp_path / "a.db", 1)
    reasons = ["HTTP 500"] * 3 + ["HTTP 401 token"] * 2 + ["HTTP 500"]

    async def deliver(payloads: list[bytes]) -> None:
        if reasons:
            raise ConnectionError(reasons.pop(0))

    with caplog.at_level(logging.INFO, "borewarden"):
        await drained(tmp_path / "a.db", deliver)
    told = [record.getMessage().rpartition(": ")[2] for record in caplog.records]
    assert told == ["HTTP 500", "HTTP 401 token", "HTTP 500", "delivering again"]


async def test_a_server_that_says_when_is_not_asked_before(tmp_path: Path) -> None:
    """Neither sooner than it says, nor after our own longer pause."""
    fill(tmp_path / "a.db", 1)
    times: list[float] = []

    async def deliver(payloads: list[bytes]) -> None:
        times.append(time.monotonic())
        if len(times) < 3:
            raise outbox.NotNow("busy", 0.3)

    await drained(tmp_path / "a.db", deliver, first_pause=0.01, longest_pause=0.01)
    await asyncio.sleep(0)
    assert all(later - earlier >= 0.3 for earlier, later in itertools.pairwise(times))
    fill(tmp_path / "b.db", 1)
    times.clear()
    async with asyncio.timeout(30):
        await drained(tmp_path / "b.db", deliver, first_pause=0.01, longest_pause=3600.0)
    assert len(times) == 3


def test_backlogs_count_by_the_index_and_not_by_reading_everything(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        with transaction(connection):
            for sink in ("influx", "mail"):
                for i in range(10):
                    put(connection, sink, "alarm", i, f"{sink} {i}")
                ids = [payload.id for payload in take(connection, sink, 10)]
                outbox.refuse(connection, sink, ids[1:4], f"400 no, says {sink}")
                outbox.refuse(connection, sink, ids[:1], outbox.EXPIRED + "too old")
        assert outbox.backlogs(connection) == {
            sink: (6, 3, 1, f"400 no, says {sink}") for sink in ("influx", "mail")
        }
        statements: list[str] = []
        connection.set_trace_callback(statements.append)
        outbox.backlogs(connection)
        connection.set_trace_callback(None)
        plan = connection.execute("EXPLAIN QUERY PLAN " + statements[0]).fetchall()
    steps = [row[3] for row in plan]
    assert not [step for step in steps if "SCAN outbox" in step], steps


async def test_a_locked_store_is_an_outage_too(tmp_path: Path) -> None:
    fill(tmp_path / "a.db", 3)
    taken: list[bytes] = []
    reports: list[str | None] = []
    with open_store(tmp_path / "a.db") as writer:

        async def deliver(payloads: list[bytes]) -> None:
            taken.extend(payloads)

        writer.execute("BEGIN IMMEDIATE")
        task = asyncio.create_task(
            drain(tmp_path / "a.db", "influx", deliver, first_pause=0.01, report=reports.append)
        )
        async with asyncio.timeout(30):
            while not reports:
                await asyncio.sleep(0.01)
            writer.execute("ROLLBACK")
            await until_empty(tmp_path / "a.db")
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
    assert "locked" in str(reports[0])
    assert list(dict.fromkeys(taken)) == [b"line 0", b"line 1", b"line 2"]


def test_a_full_outbox_loses_every_other_old_sample_first(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection, transaction(connection):
        for i in range(100):
            put(connection, "influx", "sample", i, b"x" * 100)
        assert thin(connection, "influx", 10_000) == 0
        assert thin(connection, "influx", 9_000) == 19  # what is over, and a tenth
        left = [p.time_ns for p in take(connection, "influx", 200)]
        assert left == [*range(1, 39, 2), *range(38, 100)]
        assert waiting(connection, "influx").bytes == 8_100
        # thinned ones are not thinned again as long as there are others
        thin(connection, "influx", 8_000)
        assert [p.time_ns for p in take(connection, "influx", 19)] == [*range(1, 39, 2)]
        # all thinned: now the oldest go
        thin(connection, "influx", 2_000)
        left = [p.time_ns for p in take(connection, "influx", 200)]
        assert left == sorted(left)
        assert left[-1] == 99
        assert all(a % 2 for a in left)
        assert left[0] > 50


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["sample", "batch", "alert", "link", "mail"]), st.integers(1, 500)
        ),
        max_size=120,
    ),
    st.integers(0, 20_000),
)
def test_thinning_never_touches_anything_but_samples(puts, room) -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    connection.executescript(embedded.SCHEMA)
    queued = {"influx": [], "mail": []}
    for i, (kind, size) in enumerate(puts):
        sink = "mail" if kind == "mail" else "influx"
        put(connection, sink, kind, i, b"x" * size)
        queued[sink].append((kind, i, size))
        thin(connection, sink, room)
    for sink, was in queued.items():
        left = [(p.kind, p.time_ns, len(p.content)) for p in take(connection, sink, 1000)]
        assert [row for row in left if row[0] != "sample"] == [r for r in was if r[0] != "sample"]
        assert [row for row in was if row in left] == left  # in order
        bytes_left = sum(size for _, _, size in left)
        assert waiting(connection, sink) == (len(left), bytes_left)
        samples = sum(size for kind, _, size in left if kind == "sample")
        assert bytes_left <= room or samples == 0
    connection.close()


def test_alarm_states_are_kept(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as connection:
        assert read_alarm(connection, "North", "bore") is None
        write_alarm(connection, "North", "bore", '{"a": 1}')
        write_alarm(connection, "North", "sight", "{}")
        write_alarm(connection, "North", "bore", '{"a": 2}')
    with open_store(tmp_path / "a.db") as connection:
        assert read_alarm(connection, "North", "bore") == '{"a": 2}'

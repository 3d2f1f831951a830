"""The live loop: the same answer as a replay, also after being killed again and again."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from borewarden.base.samples import Samples, rows
from borewarden.collect.link import LinkState, Received
from borewarden.collect.logged import read_log
from borewarden.replay.one_machine import replay_logs
from borewarden.service import writer
from borewarden.service.messages import (
    Effects,
    Ended,
    Hurry,
    LinkNews,
    Queue,
    Started,
    TimePassed,
)
from borewarden.service.own_health import Keeping
from borewarden.service.status import MachineStatus
from borewarden.service.watch import watch
from borewarden.settings import load_machine
from borewarden.store.database import open_store, read_table
from borewarden.watcher.verdict import State
from follow_log import paced
from small_disk import BALLAST, mounted

ROOT = Path(__file__).parents[2]
SOUTH = ROOT / "config" / "south.toml"
CHIP = ROOT / "replay_data" / "south-2026-03-05-chip.csv"
KILLS = int(os.environ.get("BOREWARDEN_KILLS", "3"))  # a run with 100 is in docs/benchmarks.md


def tables(store: Path) -> dict[str, pd.DataFrame]:
    with open_store(store) as connection:
        return {
            name: read_table(connection, name, "South") for name in ("sample", "batch", "alert")
        }


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pd.DataFrame]:
    store = tmp_path_factory.mktemp("replayed") / "replayed.db"
    replay_logs(load_machine(SOUTH), [CHIP], store)
    return tables(store)


def assert_same(store: Path, replayed: dict[str, pd.DataFrame]) -> None:
    for name, table in tables(store).items():
        pd.testing.assert_frame_equal(table, replayed[name], check_exact=True)


async def test_writing_has_ended_when_the_writer_is_cancelled(tmp_path: Path) -> None:
    """To close the store in the midst of a commit would end the process."""
    queue: Queue = asyncio.Queue()
    begun, ended = threading.Event(), threading.Event()

    def slowly(connection: sqlite3.Connection, block: object) -> None:
        if isinstance(block, TimePassed):
            begun.set()
            time.sleep(0.3)
            ended.set()

    with open_store(tmp_path / "live.db", any_thread=True) as connection:
        disk = writer.Disk(connection, lambda newest_id: (connection, ""))
        writing = asyncio.create_task(writer.keep(disk, queue, {}, slowly))
        await queue.put(TimePassed(1))
        await asyncio.to_thread(begun.wait)
        writing.cancel()
        with pytest.raises(asyncio.CancelledError):
            await writing
        assert ended.is_set()
        assert not connection.in_transaction


async def test_samples_wait_for_each_other_and_nothing_else_does(tmp_path: Path) -> None:
    """What tells of anything is written at once, with all that waits; so is the rest at the end."""
    queue: Queue = asyncio.Queue()
    kept: list[list[object]] = [[]]

    def note(connection: sqlite3.Connection, block: object) -> None:
        if isinstance(block, Ended):
            kept.append([])
        else:
            kept[-1].append(block)

    with open_store(tmp_path / "live.db", any_thread=True) as connection:
        disk = writer.Disk(connection, lambda newest_id: (connection, ""), 3600.0)
        writing = asyncio.create_task(writer.keep(disk, queue, {}, note))
        first, second, third = (TimePassed(i) for i in range(3))
        news = LinkNews("North", LinkState(1, True, "found"))
        for block in (first, second, news):
            await queue.put(block)
        await queue.join()
        await queue.put(third)
        await queue.put(Hurry())
        await queue.join()
        await queue.put(third)  # what still comes does not wait any more
        await queue.join()
        writing.cancel()
        await asyncio.wait({writing})
    assert kept == [[first, second, news], [third, Hurry()], [third], []]


async def test_what_waits_is_written_in_time(tmp_path: Path) -> None:
    queue: Queue = asyncio.Queue()
    with open_store(tmp_path / "live.db", any_thread=True) as connection:
        disk = writer.Disk(connection, lambda newest_id: (connection, ""), 0.2)
        writing = asyncio.create_task(writer.keep(disk, queue, {}, lambda connection, block: None))
        for i in range(3):
            await queue.put(TimePassed(i))
        await queue.join()
        assert queue.empty()
        writing.cancel()
        await asyncio.wait({writing})


def noting(seen: dict[str, MachineStatus]) -> Started:
    """Keep hold of the live statuses; let nothing go with the blocks."""

    def started(
        connection: sqlite3.Connection, statuses: dict[str, MachineStatus], queue: Queue
    ) -> Effects:
        seen.update(statuses)
        return lambda connection, block: None

    return started


async def test_live_is_replay_to_the_last_bit(
    tmp_path: Path, replayed: dict[str, pd.DataFrame]
) -> None:
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    seen: dict[str, MachineStatus] = {}
    await watch(
        [machine], tmp_path / "live.db", {"South": paced(samples, 100)}, started=noting(seen)
    )
    assert_same(tmp_path / "live.db", replayed)
    status = seen["South"]
    assert status.samples == len(samples.time_ns)
    assert status.verdict.state is State.OPENED
    assert status.link == LinkState(int(samples.time_ns[0]), True, "following a log")


async def test_what_is_told_belongs_to_what_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slow disk: the watcher is many blocks ahead, and none of that is told before its time."""
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    tell, write = writer.tell, writer._write
    told: list[tuple[int, int, float, str]] = []
    at_once: list[int] = []

    def slowly(
        connection: sqlite3.Connection, waiting: list, effects: object, *poured: object
    ) -> int:
        at_once.append(len(waiting))
        time.sleep(0.02)
        return write(connection, waiting, effects, *poured)

    def and_note(status: MachineStatus, *block: object) -> None:
        tell(status, *block)
        # as text, in which NaN equals NaN
        told.append(
            (status.samples, status.last_sample_ns, status.missed_hours, repr(status.verdict))
        )

    monkeypatch.setattr(writer, "_write", slowly)
    monkeypatch.setattr(writer, "tell", and_note)
    await watch([machine], tmp_path / "slow.db", {"South": paced(samples, 200)})
    assert max(at_once) > 3  # or nothing was ahead of anything
    watcher, due = machine.build_watcher(), []
    for start in range(0, len(samples.time_ns), 200):
        block = rows(samples, start, start + 200)
        if len(watcher.learn_many(block).batches) or start == 0:
            verdict = repr(watcher.verdict())
        newest = int(block.time_ns[-1])
        due.append((start + len(block.time_ns), newest, watcher.missed_hours, verdict))
    assert told == due


def test_killed_at_random_points_is_replay_all_the_same(
    tmp_path: Path, replayed: dict[str, pd.DataFrame]
) -> None:
    """No sample lost or doubled, and the same alerts, after SIGKILL in the middle of anything."""
    store = tmp_path / "killed.db"
    rng = random.Random(31)
    command = [
        sys.executable,
        str(Path(__file__).parents[1] / "support" / "follow_log.py"),
        str(SOUTH),
        str(CHIP),
        str(store),
        "7",
    ]
    whole = len(replayed["sample"])
    for kill in range(KILLS):
        process = subprocess.Popen(command)
        aim = int(whole * (kill + rng.random()) / (KILLS + 1))  # kill at about this many samples
        while process.poll() is None:
            if stored(store) >= aim:
                time.sleep(rng.random() * 0.02)
                process.send_signal(signal.SIGKILL)
                break
            time.sleep(0.002)
        process.wait()
    assert stored(store) < whole, "the kills came too late to mean anything"
    assert subprocess.run(command, check=False).returncode == 0
    assert_same(store, replayed)


def stored(store: Path) -> int:
    if not store.exists():
        return 0
    try:
        connection = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
        tables = "SELECT samples FROM block UNION ALL SELECT samples FROM recent"
        query = f"SELECT ifnull(sum(samples), 0) FROM ({tables})"
        count: int = connection.execute(query).fetchone()[0]
        connection.close()
    except sqlite3.OperationalError:  # not made yet
        return 0
    return count


async def test_full_disk_holds_things_up_and_loses_nothing(
    tmp_path: Path, replayed: dict[str, pd.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own page limit stands for the full disk: the same error, lifted after a while."""
    store = tmp_path / "full.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    write, failures = writer._write, []

    def cramped(
        connection: sqlite3.Connection, waiting: list, effects: object, *poured: object
    ) -> int:
        if not connection.execute("PRAGMA database_list").fetchone()[2]:  # memory
            return write(connection, waiting, effects, *poured)
        pages = 10**6 if len(failures) >= 2 else 200
        connection.execute(f"PRAGMA max_page_count = {pages}")
        try:
            return write(connection, waiting, effects, *poured)
        except sqlite3.OperationalError as full:
            failures.append(str(full))
            raise

    monkeypatch.setattr(writer, "_write", cramped)
    await watch([machine], store, {"South": paced(samples, 500)})
    assert failures == ["database or disk is full"] * 2
    assert_same(store, replayed)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with mounted(tmp_path / "disk") as disk:
        yield disk


async def test_really_full_disk_holds_things_up_and_loses_nothing(
    small_disk: Path, replayed: dict[str, pd.DataFrame], capsys: pytest.CaptureFixture[str]
) -> None:
    store = small_disk / "full.db"
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    whole = len(samples.time_ns)
    received, kept = 0, asyncio.Event()
    seen: dict[str, MachineStatus] = {}

    async def counting() -> AsyncIterator[Received]:
        nonlocal received
        async for block in paced(samples, 50):
            received += 0 if isinstance(block, LinkState) else len(block.time_ns)
            yield block
        await kept.wait()

    async def until(condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(60.0):
            while not condition():
                assert not watching.done(), watching
                await asyncio.sleep(0.01)

    said = ""

    def complains() -> bool:
        nonlocal said
        said += "".join(capsys.readouterr())
        return "database or disk is full" in said

    keeping = Keeping()
    watching = asyncio.create_task(
        watch([machine], store, {"South": counting()}, noting(seen), keeping=keeping)
    )
    await until(lambda: complains() and received == whole)
    await until(lambda: seen["South"].samples == whole)  # watched all the same
    held_up = stored(store)
    assert 0 < held_up < whole
    assert keeping.samples == whole - held_up
    assert "the disk is full" in keeping.trouble()
    (small_disk / BALLAST).unlink()
    await until(lambda: stored(store) == whole)
    await until(lambda: not keeping.failed)
    assert (keeping.samples, keeping.lost, keeping.trouble()) == (0, 0, "")
    kept.set()
    await watching
    complains()
    assert "Traceback" not in said
    assert "Exception" not in said
    assert_same(store, replayed)


async def test_samples_that_come_twice_are_kept_once(
    tmp_path: Path, replayed: dict[str, pd.DataFrame]
) -> None:
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())

    async def stuttering() -> AsyncIterator[Received]:
        async for received in paced(samples, 300):
            yield received
            yield received

    await watch([machine], tmp_path / "twice.db", {"South": stuttering()})
    assert_same(tmp_path / "twice.db", replayed)


@pytest.mark.parametrize(
    ("hours", "restarted"),
    [(-1.0, False), (1.0, False), (-72.0, False), (-1.0, True), (-72.0, True)],
)
async def test_clock_that_is_set_loses_nothing(
    tmp_path: Path,
    replayed: dict[str, pd.DataFrame],
    monkeypatch: pytest.MonkeyPatch,
    hours: float,
    restarted: bool,
) -> None:
    """Set at 11:00 while cutting; the chip of 13:05 is found all the same, and nothing else.

    What this computer's clock shows is made up here: it can't be set for a test.
    """
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    cutting = np.flatnonzero(samples.pressure > 350e6)
    at = int(cutting[np.searchsorted(cutting, 5.3 * 3600)])
    jumped = samples.time_ns.copy()
    jumped[at:] += round(hours * 3600e9)
    wall = jumped[0]
    monkeypatch.setattr(time, "time_ns", lambda: int(wall))
    said: set[str] = set()

    async def rows_of(*parts: tuple[int, int]) -> AsyncIterator[Received]:
        nonlocal wall
        for part in parts:
            async for received in paced(rows(samples._replace(time_ns=jumped), *part), 50):
                if isinstance(received, Samples):
                    wall = received.time_ns[-1]
                yield received
                said.add(seen["South"].link.reason if seen["South"].link else "")

    parts = [(0, at), (at, len(jumped))]
    seen: dict[str, MachineStatus] = {}
    for run in ([part] for part in parts) if restarted else [parts]:
        await watch([machine], tmp_path / "set.db", {"South": rows_of(*run)}, started=noting(seen))
    found = tables(tmp_path / "set.db")
    assert np.all(np.diff(found["sample"]["time_ns"]) > 0)
    assert len(found["sample"]) == len(samples.time_ns)  # idle or not, all are kept
    np.testing.assert_array_equal(found["sample"]["pressure"], samples.pressure)
    assert np.array_equal(found["alert"]["state"], replayed["alert"]["state"])
    assert found["alert"]["step"][0] == pytest.approx(replayed["alert"]["step"][0], abs=0.01)
    assert any("set back" in reason for reason in said) == (hours < 0.0)
    assert seen["South"].phase == "stopped"  # as the log ends


async def test_one_machine_going_down_leaves_the_other_alone(tmp_path: Path) -> None:
    machines = [load_machine(ROOT / "config" / f"{name}.toml") for name in ("south", "west")]
    south = read_log(CHIP, machines[0].log_format())
    west = read_log(
        ROOT / "replay_data" / "west-2026-03-03-sound.parquet", machines[1].log_format()
    )

    async def lost() -> AsyncIterator[Received]:
        n = 0
        async for received in paced(south, 300):
            n += 1
            if n == 20:
                yield LinkState(int(south.time_ns[5000]), False, "no answer")
                return
            yield received

    seen: dict[str, MachineStatus] = {}
    sources: dict[str, AsyncIterator[Received]] = {"South": lost(), "West": paced(west, 300)}
    await watch(machines, tmp_path / "two.db", sources, started=noting(seen))
    assert seen["South"].link is not None
    assert not seen["South"].link.connected
    assert seen["West"].samples == len(west.time_ns)
    assert seen["West"].verdict.state is State.SOUND


async def test_failure_in_one_machine_makes_that_one_blind(tmp_path: Path) -> None:
    machines = [load_machine(ROOT / "config" / f"{name}.toml") for name in ("south", "west")]
    south = read_log(CHIP, machines[0].log_format())
    west = read_log(
        ROOT / "replay_data" / "west-2026-03-03-sound.parquet", machines[1].log_format()
    )

    async def faulty() -> AsyncIterator[Received]:
        yield rows(south, 0, 100)
        raise ZeroDivisionError("a mistake of ours")

    seen: dict[str, MachineStatus] = {}
    sources = {"South": faulty(), "West": paced(west, 300)}
    await watch(machines, tmp_path / "two.db", sources, started=noting(seen))
    assert seen["South"].link is not None
    assert "a mistake of ours" in seen["South"].link.reason
    assert not seen["South"].link.connected
    assert seen["West"].samples == len(west.time_ns)


async def test_writer_that_fails_for_good_ends_the_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())

    def broken(*_: object) -> None:
        raise RuntimeError("a mistake of ours")

    monkeypatch.setattr(writer, "_write", broken)
    with pytest.raises(ExceptionGroup) as group:
        await watch([machine], tmp_path / "broken.db", {"South": paced(samples, 100, 0.001)})
    assert group.group_contains(RuntimeError, match="a mistake of ours")


async def test_cancelled_watch_keeps_what_it_received(tmp_path: Path) -> None:
    machine = load_machine(SOUTH)
    samples = read_log(CHIP, machine.log_format())
    handed_over = asyncio.Event()

    async def endless() -> AsyncIterator[Received]:
        async for received in paced(samples, 1000):
            yield received
            if isinstance(received, Samples):
                handed_over.set()
                await asyncio.sleep(3600)

    task = asyncio.create_task(watch([machine], tmp_path / "cut.db", {"South": endless()}))
    await handed_over.wait()
    await asyncio.sleep(0.01)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    kept = tables(tmp_path / "cut.db")["sample"]["time_ns"]
    assert np.array_equal(kept, samples.time_ns[: len(kept)])
    assert len(kept) == 1000

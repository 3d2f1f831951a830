"""The register changes while machines are watched: all is as if it had been so from the start."""

from __future__ import annotations

import asyncio
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from follow_log import paced, yet_to_come
from test_along import Held, mails

from borewarden.collect.link import Received
from borewarden.collect.logged import read_log
from borewarden.model.gate import Samples, rows
from borewarden.model.verdict import State
from borewarden.replay import replay
from borewarden.service import watch as watch_module
from borewarden.service.watch import Followed, watch
from borewarden.settings import load_machine
from borewarden.store import influx, outbox
from borewarden.store.embedded import open_store, read_table, transaction
from borewarden.store.register import (
    End,
    Fitting,
    fittings,
    judged_by,
    newest_entry,
    record,
    set_judged_by,
)

ROOT = Path(__file__).parents[2]
SOUTH = ROOT / "config" / "south.toml"
CHIP = ROOT / "replay_data" / "south-2026-03-05-chip.csv"
MACHINE = load_machine(SOUTH)
SAMPLES = read_log(CHIP, MACHINE.log_format())
SECONDS = len(SAMPLES.time_ns)
CHIPPED = 25_500  # rows, a little before 13:05:40, at which the rim truly chips
DIAMOND = Fitting("South", "1", int(SAMPLES.time_ns[9000]), 0.3048e-3, "diamond")


@pytest.fixture(autouse=True)
def looked_at_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch_module, "LOOK", 0.02)


def at(row: int, **fields: object) -> Fitting:
    return replace(DIAMOND, fitted_ns=int(SAMPLES.time_ns[row]), **fields)


def write(store: Path, content: Fitting | None, number: int | None = None) -> int:
    """Record something by a connection of its own, as another process would."""
    with open_store(store) as connection, transaction(connection):
        return record(connection, content, "Eva", "", number)


def tables(store: Path) -> dict[str, pd.DataFrame]:
    with open_store(store) as connection:
        return {
            name: read_table(connection, name, "South") for name in ("sample", "batch", "alert")
        }


def assert_is_a_replay(store: Path, folder: Path) -> None:
    """The very tables, to the last bit, of a replay of the same samples with the same register."""
    fresh = folder / "replayed.db"
    fresh.unlink(missing_ok=True)
    with open_store(store) as connection:
        held = fittings(connection)
        assert judged_by(connection, "South") == newest_entry(connection)
    for fitting in held.values():
        write(fresh, fitting)
    replay(MACHINE, [CHIP], fresh)
    found, due = tables(store), tables(fresh)
    for name, table in found.items():
        pd.testing.assert_frame_equal(table, due[name], check_exact=True)


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(60.0):
        while not condition():
            await asyncio.sleep(0.01)


def reckoned_with(store: Path) -> bool:
    """Whether the live service goes by the newest entry."""
    connection = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
    try:
        return judged_by(connection, "South") == newest_entry(connection)
    finally:
        connection.close()


async def stretches(
    store: Path, *parts: tuple[int, Callable[[], object]], samples: Samples = SAMPLES
) -> AsyncIterator[Received]:
    """Samples up to each row, then what somebody does, until it is reckoned with."""
    start = 0
    for stop, then in (*parts, (len(samples.time_ns), lambda: None)):
        async for block in paced(rows(samples, start, stop), 700):
            yield block
        start = stop
        await asyncio.to_thread(then)
        await until(lambda: reckoned_with(store))


@pytest.mark.parametrize(
    ("fitted", "recorded"),
    [
        (9000, 9100),  # minutes after it was done
        (9000, 9000),
        (9000, 8990),  # before the samples of that time came in
        (9000, 38_000),  # at the end of the day, with the chip in between
        (26_000, 25_000),
        (0, 20_000),
        (CHIPPED, SECONDS),  # after the last sample of the day
    ],
)
async def test_fitting_recorded_by_another_connection_gives_what_a_replay_gives(
    tmp_path: Path, fitted: int, recorded: int
) -> None:
    store = tmp_path / "live.db"
    source = stretches(store, (recorded, lambda: write(store, at(fitted))))
    await watch([MACHINE], store, {"South": source})
    assert_is_a_replay(store, tmp_path)


async def test_fitting_recorded_by_the_command_in_another_process(tmp_path: Path) -> None:
    store = tmp_path / "live.db"
    time = "2026-03-05T10:30:00"
    command = [
        *(sys.executable, "-m", "borewarden.cli", "register", "fit", "--machine", str(SOUTH)),
        *("--bore", "0.012 in", "--material", "diamond", "--by", "Eva", "--at", time),
        *("--store", str(store)),
    ]
    source = stretches(store, (20_000, lambda: subprocess.run(command, check=True)))
    held = Held()
    await watch([MACHINE], store, {"South": source}, held)
    assert_is_a_replay(store, tmp_path)
    (jewel,) = held.statuses["South"].jewels
    assert jewel.fitted_ns == next(iter(fittings_of(store).values())).fitted_ns
    assert held.statuses["South"].verdict.state is State.OPENED


def fittings_of(store: Path) -> dict[int, Fitting]:
    with open_store(store) as connection:
        return fittings(connection)


async def test_entry_corrected_taken_out_and_struck_again_gives_what_a_replay_gives(
    tmp_path: Path,
) -> None:
    store = tmp_path / "live.db"
    source = stretches(
        store,
        (12_000, lambda: write(store, at(9000))),
        (15_000, lambda: write(store, at(10_000, discharge_coefficient=0.68), 1)),
        (20_000, lambda: write(store, at(17_000))),
        (21_000, lambda: write(store, at(17_000, bore=0.3e-3), 2)),
        (30_000, lambda: write(store, at(9000, head="2", bore=0.15e-3))),
        (31_000, lambda: write(store, None, 3)),
        (33_000, lambda: write(store, None, 1)),
    )
    await watch([MACHINE], store, {"South": source})
    assert_is_a_replay(store, tmp_path)


async def test_note_and_closing_of_an_entry_have_nothing_judged_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    since: list[int | None] = []
    judge = watch_module.judge

    def noting(connection: sqlite3.Connection, block: watch_module.Judged) -> None:
        since.append(block.since_ns)
        judge(connection, block)

    monkeypatch.setattr(watch_module, "judge", noting)
    store = tmp_path / "live.db"
    out = at(9000, out_ns=int(SAMPLES.time_ns[19_000]), end=End.WORN)
    source = stretches(
        store,
        (12_000, lambda: write(store, at(9000))),
        (20_000, lambda: write(store, out, 1)),
        (21_000, lambda: write(store, replace(out, note="rim"), 1)),
    )
    await watch([MACHINE], store, {"South": source})
    assert since == [DIAMOND.fitted_ns, None, None]
    assert_is_a_replay(store, tmp_path)


async def test_what_was_recorded_while_nobody_watched_is_reckoned_with_at_the_start(
    tmp_path: Path,
) -> None:
    store = tmp_path / "live.db"
    await watch([MACHINE], store, {"South": paced(rows(SAMPLES, 0, 30_000), 700)})
    write(store, at(9000))
    write(store, at(28_000))
    rest = yet_to_come(SAMPLES, "South", store)
    await watch([MACHINE], store, {"South": stretches(store, (1000, lambda: None), samples=rest)})
    assert_is_a_replay(store, tmp_path)


async def test_stopped_while_judging_anew_keeps_all_and_does_it_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "live.db"
    learn, busy = watch_module.judge_anew, asyncio.Event()
    loop = asyncio.get_running_loop()

    def slowly(*words: object) -> object:
        loop.call_soon_threadsafe(busy.set)
        for learned in learn(*words):
            yield learned
            asyncio.run(asyncio.sleep(0.3))

    with monkeypatch.context() as patch:
        patch.setattr(watch_module, "judge_anew", slowly)
        source = stretches(store, (30_000, lambda: write(store, at(9000))))
        watching = asyncio.create_task(watch([MACHINE], store, {"South": source}))
        await busy.wait()
        watching.cancel()
        with pytest.raises(asyncio.CancelledError):
            await watching
    kept = tables(store)["sample"]
    assert len(kept) == 30_000
    assert not reckoned_with(store)
    rest = yet_to_come(SAMPLES, "South", store)
    await watch([MACHINE], store, {"South": stretches(store, (1000, lambda: None), samples=rest)})
    assert_is_a_replay(store, tmp_path)


async def test_alert_that_the_new_truth_brings_is_told_once_and_no_other_twice(
    tmp_path: Path,
) -> None:
    """A fitting stated at the very chip hides it. Struck out, the chip is an alert after all."""
    store = tmp_path / "live.db"
    write(store, at(CHIPPED))
    held = Held()
    told: list[int] = []
    source = stretches(
        store,
        (38_000, lambda: told.append(len(mails(store)))),
        (38_000, lambda: write(store, None, 1)),
        (38_000, lambda: told.append(len(mails(store)))),
        (38_500, lambda: write(store, at(100, note="a note"))),
        (38_500, lambda: write(store, at(100, note="another"), 2)),
        (38_900, lambda: told.append(len(mails(store)))),
    )
    await watch([MACHINE], store, {"South": source}, held)
    assert told == [0, 1, 1]
    [mail] = mails(store)
    assert mail["Subject"] == "South: The bore has probably opened up"
    assert held.statuses["South"].verdict.state is State.OPENED
    assert_is_a_replay(store, tmp_path)
    with open_store(store) as connection:
        lines = [p.content for p in outbox.take(connection, influx.SINK, 10_000)]
    alerts = [line for line in lines if line.startswith(b"alert,")]
    assert len(set(alerts)) == len(alerts) >= 1


async def test_alert_that_was_a_change_of_jewel_ends_with_one_all_clear(tmp_path: Path) -> None:
    """Told as an opened bore at 13:07; then somebody records that another jewel was fitted."""
    store = tmp_path / "live.db"
    held = Held()
    source = stretches(store, (32_000, lambda: write(store, at(CHIPPED, bore=0.315e-3))))
    await watch([MACHINE], store, {"South": source}, held)
    assert [mail["Subject"] for mail in mails(store)][0] == "South: The bore has probably opened up"
    assert len(mails(store)) == 2
    assert held.statuses["South"].verdict.state is State.SOUND
    assert list(tables(store)["alert"]["state"]) == []
    assert_is_a_replay(store, tmp_path)


async def test_other_machines_are_left_alone(tmp_path: Path) -> None:
    store = tmp_path / "live.db"
    anew: list[Followed] = []
    source = stretches(store, (20_000, lambda: write(store, at(9000, machine="West"))))
    await watch([MACHINE], store, {"South": source})
    assert anew == []
    assert_is_a_replay(store, tmp_path)


def test_replay_of_all_there_is_reckons_with_the_register(tmp_path: Path) -> None:
    store = tmp_path / "a.db"
    write(store, at(9000))
    replayed = replay(MACHINE, [CHIP], store)
    assert [jewel.fitted_ns for jewel in replayed.jewels] == [DIAMOND.fitted_ns]
    assert reckoned_with(store)
    with open_store(store) as connection:
        set_judged_by(connection, "South", 0)
    replay(MACHINE, [CHIP], store)
    assert reckoned_with(store)
    assert replay(MACHINE, [CHIP]).jewels == MACHINE.jewels()

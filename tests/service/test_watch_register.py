"""The register changes while machines are watched: all is as if it had been so from the start."""

from __future__ import annotations

import asyncio
import signal
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path

import pandas as pd
import pytest

from borewarden.base.samples import Samples, rows
from borewarden.collect.link import Received
from borewarden.jewels.fitting import End, Fitting, fitted_sets
from borewarden.replay.one_machine import replay_logs, replay_samples
from borewarden.service import watch as watch_module
from borewarden.service import writer
from borewarden.service.machine_view import card
from borewarden.service.messages import Judged
from borewarden.service.watch import watch
from borewarden.store import database as embedded
from borewarden.store import influx, outbox
from borewarden.store.database import (
    newest_sample_ns,
    open_store,
    open_to_read,
    read_table,
    transaction,
    write_learned,
)
from borewarden.store.register import fittings, judged_by, newest_entry, record, set_judged_by
from borewarden.watcher.verdict import State
from follow_log import paced, yet_to_come
from follow_register import CHIP, MACHINE, SAMPLES, SOUTH, reckoned_with, until
from held import Held, mails

SECONDS = len(SAMPLES.time_ns)
CHIPPED = 4746  # row of 13:05:40, at which the rim truly chips
DIAMOND = Fitting("South", "1", int(SAMPLES.time_ns[1000]), 0.3048e-3, "diamond")


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
    watcher = MACHINE.build_watcher(held.values())
    with open_store(fresh) as connection, transaction(connection):
        for part, learned in replay_samples(watcher, SAMPLES):
            write_learned(connection, "South", part, learned)
    found, due = tables(store), tables(fresh)
    for name, table in found.items():
        pd.testing.assert_frame_equal(table, due[name], check_exact=True)


def newest_of(store: Path) -> int | None:
    with open_to_read(store) as connection:
        return newest_sample_ns(connection, "South")


async def stretches(
    store: Path, *parts: tuple[int, Callable[[], object]], samples: Samples = SAMPLES
) -> AsyncIterator[Received]:
    """Samples up to each row; once those are kept what somebody does, until it is reckoned with."""
    start = 0
    for stop, then in (*parts, (len(samples.time_ns), lambda: None)):
        async for block in paced(rows(samples, start, stop), 500):
            yield block
        start = stop
        await until(lambda: newest_of(store) == samples.time_ns[stop - 1])  # noqa: B023
        await asyncio.to_thread(then)
        await until(lambda: reckoned_with(store))


@pytest.mark.parametrize(
    ("fitted", "recorded"),
    [
        (1000, 1100),  # minutes after it was done
        (1000, 1000),
        (1000, 990),  # before the samples of that time came in
        (1000, SECONDS),  # after the last sample, with the chip in between
        (0, 6000),
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
    time = "2026-03-05T12:30:00"
    command = [
        *(sys.executable, "-m", "borewarden.cli", "register", "fit", "--machine", str(SOUTH)),
        *("--bore", "0.012 in", "--material", "diamond", "--by", "Eva", "--at", time),
        *("--store", str(store)),
    ]
    source = stretches(store, (7000, lambda: subprocess.run(command, check=True)))
    held = Held()
    await watch([MACHINE], store, {"South": source}, held)
    assert_is_a_replay(store, tmp_path)
    (jewel,) = held.statuses["South"].jewels
    assert jewel.fitted_ns == next(iter(fittings_of(store).values())).fitted_ns
    assert held.statuses["South"].verdict.state is State.OPENED
    shown = card(held.statuses["South"], 0.0)["jewels"]
    assert shown == "diamond 0.305 mm (0.0120 in), head 1, fitted 2026-03-05 12:30 CET"


def fittings_of(store: Path) -> dict[int, Fitting]:
    with open_store(store) as connection:
        return fittings(connection)


async def test_entry_corrected_taken_out_and_struck_again_gives_what_a_replay_gives(
    tmp_path: Path,
) -> None:
    store = tmp_path / "live.db"
    source = stretches(
        store,
        (2000, lambda: write(store, at(1000))),
        (2500, lambda: write(store, at(1100, discharge_coefficient=0.68), 1)),
        (4000, lambda: write(store, at(3000))),
        (4000, lambda: write(store, at(3000, bore=0.3e-3), 2)),
        (8000, lambda: write(store, at(1000, head="2", bore=0.15e-3))),
        (8500, lambda: write(store, None, 3)),
        (9000, lambda: write(store, None, 1)),
    )
    await watch([MACHINE], store, {"South": source})
    assert_is_a_replay(store, tmp_path)


async def test_note_and_closing_of_an_entry_have_nothing_judged_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    since: list[int | None] = []
    judge = writer.judge

    def noting(connection: sqlite3.Connection, block: Judged) -> None:
        since.append(block.since_ns)
        judge(connection, block)

    monkeypatch.setattr(writer, "judge", noting)
    store = tmp_path / "live.db"
    out = at(1000, out_ns=int(SAMPLES.time_ns[1900]), end=End.WORN)
    source = stretches(
        store,
        (1200, lambda: write(store, at(1000))),
        (2000, lambda: write(store, out, 1)),
        (2100, lambda: write(store, replace(out, note="rim"), 1)),
    )
    await watch([MACHINE], store, {"South": source})
    assert since == [DIAMOND.fitted_ns, None, None]
    assert_is_a_replay(store, tmp_path)


async def test_what_was_recorded_while_nobody_watched_is_reckoned_with_at_the_start(
    tmp_path: Path,
) -> None:
    store = tmp_path / "live.db"
    await watch([MACHINE], store, {"South": paced(rows(SAMPLES, 0, 8000), 500)})
    write(store, at(1000))
    write(store, at(7000))
    rest = yet_to_come(SAMPLES, "South", store)
    await watch([MACHINE], store, {"South": stretches(store, (1000, lambda: None), samples=rest)})
    assert_is_a_replay(store, tmp_path)


async def test_stopped_while_judging_anew_keeps_all_and_does_it_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "live.db"
    learn, busy = writer.judge_anew, asyncio.Event()
    loop = asyncio.get_running_loop()

    def slowly(*words: object) -> object:
        loop.call_soon_threadsafe(busy.set)
        for learned in learn(*words):
            yield learned
            asyncio.run(asyncio.sleep(0.3))

    with monkeypatch.context() as patch:
        patch.setattr(writer, "judge_anew", slowly)
        source = stretches(store, (8000, lambda: write(store, at(1000))))
        watching = asyncio.create_task(watch([MACHINE], store, {"South": source}))
        await busy.wait()
        watching.cancel()
        with pytest.raises(asyncio.CancelledError):
            await watching
    kept = tables(store)["sample"]
    assert len(kept) == 8000
    assert not reckoned_with(store)
    rest = yet_to_come(SAMPLES, "South", store)
    await watch([MACHINE], store, {"South": stretches(store, (1000, lambda: None), samples=rest)})
    assert_is_a_replay(store, tmp_path)


def test_machine_without_samples_goes_by_the_register_from_its_first_one_on(
    tmp_path: Path,
) -> None:
    """And not only from the first look on, which may come after an alert."""
    store = tmp_path / "live.db"
    write(store, at(1000))
    with open_store(store) as connection:
        assert watch_module.restore(MACHINE, connection).sets == fitted_sets(
            MACHINE.jewels([at(1000)])
        )
        with transaction(connection):
            learned = MACHINE.build_watcher().learn_many(rows(SAMPLES, 0, 10))
            write_learned(connection, "South", rows(SAMPLES, 0, 10), learned)
        # these ten were judged by no register; what is in it now is noticed by the first look
        assert watch_module.restore(MACHINE, connection).sets == fitted_sets(MACHINE.jewels())


def of_the_bore(store: Path) -> list[EmailMessage]:
    """Mails, without those of a computer so busy that the watcher lost sight for a while."""
    return [mail for mail in mails(store) if "see" not in mail["Subject"]]


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
        (8000, lambda: told.append(len(of_the_bore(store)))),
        (8000, lambda: write(store, None, 1)),
        (8000, lambda: told.append(len(of_the_bore(store)))),
        (8500, lambda: write(store, at(100))),
        (8500, lambda: write(store, at(100, discharge_coefficient=0.7), 2)),
        (9000, lambda: told.append(len(of_the_bore(store)))),
    )
    await watch([MACHINE], store, {"South": source}, held)
    assert told == [0, 1, 1]
    [mail] = of_the_bore(store)
    assert (
        mail["Subject"].strip()
        == "South: Probably the bore, or a leak; nothing measured here tells which"
    )
    assert held.statuses["South"].verdict.state is State.OPENED
    assert_is_a_replay(store, tmp_path)
    with open_store(store) as connection:
        lines = [p.content for p in outbox.take(connection, influx.SINK, 10_000)]
    points = {
        line.split(b" ")[-1]
        for line in b"\n".join(lines).splitlines()
        if line.startswith(b"borewarden_alert,")
    }
    assert len(points) == len(tables(store)["alert"]) == 1  # once over the other, on the server


async def test_alert_that_was_a_change_of_jewel_ends_with_one_all_clear(tmp_path: Path) -> None:
    """Told as an opened bore at 13:07; then somebody records that another jewel was fitted."""
    store = tmp_path / "live.db"
    held = Held()
    source = stretches(store, (7000, lambda: write(store, at(CHIPPED, bore=0.315e-3))))
    await watch([MACHINE], store, {"South": source}, held)
    opened, clear = [mail["Subject"] for mail in of_the_bore(store)]
    assert (
        opened.strip()
        == "South: Probably the bore, or one of these: a leak, a leaking bypass or relief valve; "
        "nothing measured here tells which"
    )
    assert clear.strip().endswith("The bore has probably not changed since it was learned")
    assert held.statuses["South"].verdict.state is State.SOUND
    assert list(tables(store)["alert"]["state"]) == []
    assert_is_a_replay(store, tmp_path)


def judged_by_a_process(store: Path, kill_at: str | None) -> None:
    """Watch in another process until it says `kill_at`, and SIGKILL it then; or to the end."""
    script = str(Path(__file__).parents[1] / "support" / "judge_aloud.py")
    with subprocess.Popen(
        [sys.executable, script, str(store)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        said = (line.strip() for line in process.stdout)
        if kill_at is None:
            assert "kept" in [*said]
        else:
            assert kill_at in said  # reads on until it is said
            process.send_signal(signal.SIGKILL)
    assert process.returncode == (0 if kill_at is None else -signal.SIGKILL)


async def test_killed_while_judging_anew_is_a_replay_all_the_same_and_tells_nothing_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SIGKILL within the stored blocks, after the last one, and just after it was kept.

    First the jewel was said to have been fitted at the very chip, then long before: the chip is an
    alert after all. In the end another bore was fitted there, which makes an all-clear of it.
    """
    store = tmp_path / "live.db"
    write(store, at(CHIPPED))
    monkeypatch.setattr(embedded, "GATHERED", 2)  # long blocks of 1,000 samples
    await watch([MACHINE], store, {"South": paced(rows(SAMPLES, 0, 8000), 500)}, Held())
    before = tables(store)
    write(store, at(100), 1)
    for kill_at in ("block 3", "judged"):
        judged_by_a_process(store, kill_at)
        assert not reckoned_with(store)
        assert of_the_bore(store) == []
        for name, table in tables(store).items():  # as it was, but for what came in since
            pd.testing.assert_frame_equal(table[: len(before[name])], before[name])
    judged_by_a_process(store, "kept")
    assert reckoned_with(store)
    assert len(of_the_bore(store)) == 1
    write(store, at(CHIPPED, bore=0.315e-3))
    judged_by_a_process(store, None)
    opened, clear = [mail["Subject"] for mail in of_the_bore(store)]
    assert (
        opened.strip()
        == "South: Probably the bore, or one of these: a leak, a leaking bypass or relief valve; "
        "nothing measured here tells which"
    )
    assert clear.strip().endswith("The bore has probably not changed since it was learned")
    assert len(tables(store)["sample"]) == SECONDS
    assert_is_a_replay(store, tmp_path)


async def test_other_machines_are_left_alone(tmp_path: Path) -> None:
    store = tmp_path / "live.db"
    source = stretches(store, (7000, lambda: write(store, at(1000, machine="West"))))
    await watch([MACHINE], store, {"South": source})
    assert_is_a_replay(store, tmp_path)


def test_replay_of_all_there_is_reckons_with_the_register(tmp_path: Path) -> None:
    store = tmp_path / "a.db"
    write(store, at(1000))
    replayed = replay_logs(MACHINE, [CHIP], store)
    assert [jewel.fitted_ns for jewel in replayed.jewels] == [DIAMOND.fitted_ns]
    assert reckoned_with(store)
    with open_store(store) as connection:
        set_judged_by(connection, "South", 0)
    replay_logs(MACHINE, [CHIP], store)
    assert reckoned_with(store)
    assert replay_logs(MACHINE, [CHIP]).jewels == MACHINE.jewels()

"""Old samples are thinned out and old batches dropped: no verdict and no jet hour changes by it."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from borewarden.base.errors import BadInput
from borewarden.base.samples import rows as part_of
from borewarden.cli import app
from borewarden.jewels.fitting import Fitting
from borewarden.replay.one_machine import replay_logs
from borewarden.service import retention
from borewarden.service.retention import prune_daily, prune_machine
from borewarden.service.watch import restore
from borewarden.settings import load_machine
from borewarden.settings.service import StoreSection
from borewarden.store.database import (
    open_store,
    read_samples,
    read_table,
    transaction,
    whole_since,
    write_learned,
)
from borewarden.store.jet_times import jet_times, openings
from borewarden.store.register import fittings, newest_entry, record, set_judged_by
from borewarden.tune.sources import from_store
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.watcher import Learned
from invented_days import ROOT

MACHINE = load_machine(ROOT / "config" / "south.toml")
CHIP = ROOT / "replay_data" / "south-2026-03-05-chip.csv"
DAY_NS = 86_400 * 10**9
KEEPS = StoreSection(thin_samples_after="30 days", drop_batches_after="400 days")  # type: ignore[arg-type]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A replayed day, its samples in blocks of ten minutes."""
    path = tmp_path / "a.db"
    replay_logs(MACHINE, [CHIP], path)
    with open_store(path) as connection, transaction(connection):
        [samples] = read_samples(connection, "South", 0, 10**6)
        phases = read_table(connection, "sample", "South")["phase"].to_numpy(np.int8)
        connection.execute("DELETE FROM block")
        for first in range(0, len(phases), 600):
            part = Learned(phases[first : first + 600], np.zeros(0, RESULT), [])
            write_learned(connection, "South", part_of(samples, first, first + 600), part)
    return path


def fit(connection: sqlite3.Connection, fitted_ns: int) -> None:
    with transaction(connection):
        record(connection, Fitting("South", "1", fitted_ns, 0.3e-3, "ruby"), "Jo")
        set_judged_by(connection, "South", newest_entry(connection))


def rows(connection: sqlite3.Connection, table: str) -> int:
    count: int = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    return count


def test_nothing_is_touched_that_a_restart_has_to_learn_again(store: Path) -> None:
    with open_store(store) as connection:
        samples = read_table(connection, "sample", "South")
        in_a_year = int(samples["time_ns"].iloc[-1]) + 2000 * DAY_NS
        pruned = prune_machine(connection, MACHINE, KEEPS, in_a_year)
        assert pruned == ("South", 0, 0, 0)
        assert read_table(connection, "sample", "South").equals(samples)
        assert whole_since(connection, "South") == 0


def test_what_is_older_than_the_jewel_is_thinned_and_counts_the_same(store: Path) -> None:
    with open_store(store) as connection:
        samples = read_table(connection, "sample", "South")
        first_ns, last_ns = (int(samples["time_ns"].iloc[i]) for i in (0, -1))
        fit(connection, first_ns - DAY_NS)
        fit(connection, last_ns - 600 * 10**9)  # ten minutes before the end
        held = fittings(connection, "South")
        hours, opened = jet_times(connection, held), openings(connection, held)
        batches, alerts = rows(connection, "batch"), rows(connection, "alert")
        as_restarted = repr(restore(MACHINE, connection).watcher.verdict())  # NaN equals NaN
        pruned = prune_machine(connection, MACHINE, KEEPS, last_ns + 31 * DAY_NS)
        assert pruned.samples_before > 0
        assert pruned.samples_after < 0.35 * pruned.samples_before
        assert rows(connection, "batch") == batches
        assert rows(connection, "alert") == alerts
        for number, before in hours.items():
            after = jet_times(connection, held)[number]
            assert after.jet_hours == pytest.approx(before.jet_hours, abs=1e-6)
            assert after.missed_hours == pytest.approx(before.missed_hours, abs=1e-6)
            assert after.pressure_hours == pytest.approx(before.pressure_hours, rel=0.01)
        assert openings(connection, held) == opened
        assert repr(restore(MACHINE, connection).watcher.verdict()) == as_restarted
        left = read_table(connection, "sample", "South")
        whole = whole_since(connection, "South")
        assert (
            left[left["time_ns"] >= whole]
            .reset_index(drop=True)
            .equals(samples[samples["time_ns"] >= whole].reset_index(drop=True))
        )
        # once more: what is thinned is not thinned again
        again = prune_machine(connection, MACHINE, KEEPS, last_ns + 31 * DAY_NS)
        assert again.samples_before == 0
        # then the batches, and never the alerts
        dropped = prune_machine(connection, MACHINE, KEEPS, last_ns + 500 * DAY_NS)
        assert dropped.batches_dropped > 0
        assert rows(connection, "batch") == batches - dropped.batches_dropped
        assert rows(connection, "alert") == alerts
    with pytest.raises(BadInput, match="are thinned out"):
        from_store(MACHINE, store, first_ns, last_ns)


def test_a_fitting_put_further_back_does_not_judge_by_thinned_samples(store: Path) -> None:
    with open_store(store) as connection:
        samples = read_table(connection, "sample", "South")
        last_ns = int(samples["time_ns"].iloc[-1])
        fit(connection, last_ns - 600 * 10**9)
        prune_machine(connection, MACHINE, KEEPS, last_ns + 31 * DAY_NS)
        whole = whole_since(connection, "South")
        assert whole > int(samples["time_ns"].iloc[0])
        fit(connection, int(samples["time_ns"].iloc[0]) - DAY_NS)
        with transaction(connection):
            record(connection, None, "Jo", "never was", 1)
            set_judged_by(connection, "South", newest_entry(connection))
        by_whole = MACHINE.build_watcher(fittings(connection, "South").values())
        for part in read_samples(connection, "South", whole):
            by_whole.learn_many(part)
        assert repr(restore(MACHINE, connection).watcher.verdict()) == repr(by_whole.verdict())


def test_the_command_prunes_by_the_file_beside_the_machines(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    config = tmp_path / "config"
    config.mkdir()
    (config / "south.toml").write_text((ROOT / "config" / "south.toml").read_text())
    (config / "service.toml").write_text('[store]\nthin_samples_after = "30 days"\n')
    with open_store(store) as connection:
        fit(connection, int(read_table(connection, "sample", "South")["time_ns"].iloc[-1]) - 10**9)
    assert time.time_ns() > 1_775_000_000 * 10**9  # the log is of March 2026
    done = CliRunner().invoke(app, ["store", "prune", "--config", "config", "--store", str(store)])
    assert done.exit_code == 0, done.output
    assert "South" in done.stdout
    with open_store(store) as connection:
        assert whole_since(connection, "South") > 0
    (config / "service.toml").write_text('[store]\nthin_samples_after = "2 days"\n')
    done = CliRunner().invoke(app, ["store", "prune", "--config", "config", "--store", str(store)])
    assert done.exit_code == 2
    assert "thin_samples_after" in done.stderr


async def test_the_watch_prunes_by_itself(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retention, "FIRST", 0.0)
    with open_store(store) as connection:
        fit(connection, int(read_table(connection, "sample", "South")["time_ns"].iloc[-1]) - 10**9)
        pruning = asyncio.create_task(prune_daily(store, [MACHINE], KEEPS))
        async with asyncio.timeout(60.0):
            while whole_since(connection, "South") == 0:
                await asyncio.sleep(0.02)
        pruning.cancel()
        await asyncio.wait({pruning})
        assert pruning.cancelled()

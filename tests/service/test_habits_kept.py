"""What a new jewel took over is kept, so a restart in its midst is a watch without one."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from borewarden import MachineSettings, load_machine
from borewarden.base.samples import Samples, rows, samples_of
from borewarden.service.watch import restore
from borewarden.store.database import (
    forget,
    handed_at,
    open_store,
    transaction,
    write_learned,
)
from borewarden.watcher.watcher import Watcher
from noise_bed import ROWS, machine_file, make

HOUR_NS = 3600 * 10**9
SECOND = "2026-03-02T04:00:00Z"  # when the second jewel is fitted
SECOND_NS = 1_772_409_600 * 10**9 + 4 * HOUR_NS


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> MachineSettings:
    text = machine_file("rate", valve=False)
    start, end = text.index("[[jewel]]"), text.index("[pump]")
    again = text[start:end].replace("2026-03-02T00:00:00Z", SECOND)
    file: Path = tmp_path_factory.mktemp("bed") / "bed.toml"
    file.write_text(text[:end] + again + text[end:])
    return load_machine(file)


@pytest.fixture(scope="module")
def samples() -> Samples:
    run = make(ROWS[1], "rate", 3, jet_hours=5.0)
    return samples_of(run.time_ns, **run.channels)


def noise_of(watcher: Watcher) -> str:
    return repr([(each.noise, each.batches) for each in watcher.known()])


def test_a_restart_goes_on_with_what_the_jewel_before_had_left(
    machine: MachineSettings, samples: Samples, tmp_path: Path
) -> None:
    watcher = machine.build_watcher()
    with open_store(tmp_path / "kept.db") as connection:
        with transaction(connection):
            for k in range(0, len(samples.time_ns), 5000):
                part = rows(samples, k, k + 5000)
                write_learned(connection, machine.name, part, watcher.learn_many(part))
        kept = handed_at(connection, machine.name, int(samples.time_ns[-1]))
        assert kept is not None
        assert kept.since_ns == SECOND_NS
        assert kept.habits["head 1"].sigma > 0.0
        again = restore(machine, connection).watcher
        assert repr(again.verdict()) == repr(watcher.verdict())
        assert noise_of(again) == noise_of(watcher)
        with transaction(connection):
            connection.execute("DELETE FROM habits")
        forgetful = restore(machine, connection).watcher
        assert noise_of(forgetful) != noise_of(watcher)


def test_what_is_forgotten_takes_along_what_came_of_it(
    machine: MachineSettings, samples: Samples, tmp_path: Path
) -> None:
    with open_store(tmp_path / "kept.db") as connection:
        with transaction(connection):
            write_learned(
                connection, machine.name, samples, machine.build_watcher().learn_many(samples)
            )
        kept = connection.execute("SELECT since_ns, content FROM habits ORDER BY since_ns")
        (_, first), (since_ns, second) = kept.fetchall()
        assert json.loads(first) == {}  # nothing was known of the pump
        assert json.loads(second).keys() == {"head 1"}
        with transaction(connection):
            forget(connection, machine.name, since_ns, int(np.iinfo(np.int64).max))
        left = handed_at(connection, machine.name, since_ns)
        assert left is not None
        assert left.since_ns < since_ns
        assert left.habits == {}

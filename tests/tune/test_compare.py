"""Machines and days side by side, against what was put into them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from borewarden.base.samples import rows
from borewarden.collect.logged import read_log
from borewarden.show.tune_words import day_cells
from borewarden.tune.compare import _scatter, compare_days
from invented_days import FIRST, ROOT, logged, machine_of
from steady import steady_samples


def test_a_day_of_each_machine() -> None:
    samples = logged("west", days=2)
    first, second = compare_days(machine_of("west"), samples)
    assert (first.machine, first.day) == ("West", FIRST)
    assert first.alerts == second.alerts == 0
    watcher = machine_of("west").build_watcher()
    learned = watcher.learn_many(samples)
    assert first.jet_hours + second.jet_hours == pytest.approx(watcher.jet_hours, rel=1e-3)
    assert first.batches + second.batches == len(learned.batches)
    assert 300e6 < first.pressure < 400e6
    # the virtual intensifier leaks some per cent while dead-headed; nobody knows of a crank pump's
    assert 0.002 < first.idle_share < 0.03
    (south,) = compare_days(machine_of("south"), logged("south"))
    assert math.isnan(south.idle_share)
    assert 0.0 < south.pulsation < 0.02


def test_alerts_stand_at_their_day() -> None:
    log = ROOT / "replay_data" / "north-2026-03-09-wear.parquet"
    machine = machine_of("north")
    days = compare_days(machine, read_log(log, machine.log_format()))
    assert [row.alerts for row in days] == [1, 0, 0, 1]
    assert [row.unshared for row in days] == [1, 0, 0, 0]  # the second opinion sees it later
    assert [day_cells(days[k])[-1] for k in (0, 3)] == ["1 (1 unshared)", "1"]
    assert day_cells(days[0]._replace(alerts=3, unshared=2))[-1] == "3 (2 unshared)"
    areas = [row.area for row in days]
    assert areas == sorted(areas)  # it wears


def test_noise_is_that_of_the_batches_and_not_of_a_step() -> None:
    rng = np.random.default_rng(2)
    values = rng.normal(0.0, 0.01, 400)
    assert _scatter(np.diff(values), 0.0) == pytest.approx(0.01, rel=0.1)
    values[200:] += 0.3
    assert _scatter(np.diff(values), 0.0) == pytest.approx(0.01, rel=0.1)


def test_pulsation_is_the_scatter_of_the_reading(intensifier) -> None:
    n = 4000
    quiet = steady_samples(intensifier, np.full(n, 3.3e-8), as_counter=False)
    noise = np.random.default_rng(1).normal(0.0, 0.01, n)
    noisy = quiet._replace(pressure=quiet.pressure * (1.0 + noise))
    machine = machine_of("west")
    (row,) = compare_days(machine, replace_time(noisy))
    assert row.pulsation == pytest.approx(0.01, rel=0.1)


def replace_time(samples):
    """The same, on a morning after the jewel of the machine file was fitted."""
    start = int(logged("west").time_ns[0])
    return samples._replace(time_ns=samples.time_ns + start)


def test_too_little_to_tell_is_left_open() -> None:
    samples = rows(logged("west"), 0, 100)
    (row,) = compare_days(machine_of("west"), samples)
    assert row.batches == 0
    assert math.isnan(row.noise)
    assert row.jet_hours == 0.0

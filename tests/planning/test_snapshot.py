"""What is read of each machine: jewels, hours, silences, wear, alerts. The rows are invented."""

from __future__ import annotations

import dataclasses
import math
import sqlite3
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from borewarden.alert.alarm import Alarm
from borewarden.base.errors import BadInput
from borewarden.base.samples import samples_of
from borewarden.gate.batch import Phase
from borewarden.jewels.fitting import End, Fitting
from borewarden.lives.records import records_of
from borewarden.planning.snapshot import (
    SILENCE_NS,
    MachineSeen,
    held_at,
    hours_a_week,
    hours_of,
    see,
    see_shop,
    watched,
    wear_of,
)
from borewarden.replay.one_machine import replay_logs
from borewarden.settings import MachineSettings, load_machine
from borewarden.store.database import (
    open_store,
    read_table,
    transaction,
    write_alarm,
    write_learned,
)
from borewarden.store.jet_times import jet_times
from borewarden.store.queries import silences
from borewarden.store.register import fittings, record
from borewarden.watcher.batch_loop import NO_RESULTS
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Alert, Learned
from invented_register import write_batches, write_machines

ROOT = Path(__file__).parents[2]
HOUR = 3600 * 10**9
DAY = 24 * HOUR
NOW = 1_773_000_000 * 10**9  # 2026-03-08 20:00 UTC


@pytest.fixture
def store(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    with open_store(tmp_path / "store.db") as connection:
        yield connection


@pytest.fixture
def machine(tmp_path: Path) -> MachineSettings:
    write_machines(tmp_path, [("North", "ruby")])
    return load_machine(tmp_path / "north.toml")


def fitting(fitted_ns: int, **changes: object) -> Fitting:
    return Fitting("North", "1", fitted_ns, 0.254e-3, "ruby", **changes)  # type: ignore[arg-type]


def cut(
    connection: sqlite3.Connection,
    since_ns: int,
    hours: float,
    slope: float = 0.0,
    state: str = "sound",
    first: float = 0.0,
) -> None:
    """Batches of a machine that cuts without a break, its jewel wearing by `slope` a jet hour."""
    jet = np.arange(1, round(hours * 180) + 1) / 180.0
    noise = np.random.default_rng(1).normal(0.0, 0.004, len(jet))
    times = [since_ns + round(h * HOUR) for h in jet]
    with transaction(connection):
        write_batches(connection, "North", times, first + jet, slope * jet + noise, 0.254e-3, state)


def looked(store: sqlite3.Connection, machine: MachineSettings, at_ns: int) -> MachineSeen:
    return see(store, machine, held_at(store, at_ns), at_ns)


# -- the register


def test_fitted_jewel_is_that_of_the_register_with_its_hours(
    store: sqlite3.Connection, machine: MachineSettings
) -> None:
    record(store, fitting(NOW - 5 * DAY, out_ns=NOW - 2 * DAY, end=End.WORN), "eva")
    record(store, fitting(NOW - 2 * DAY, batch="K7"), "eva")
    cut(store, NOW - 5 * DAY, 9.0)
    cut(store, NOW - 2 * DAY, 3.0)
    seen = looked(store, machine, NOW)
    (head,) = seen.heads
    assert (head.recorded, head.fitting.batch) == (True, "K7")
    assert head.hours == head.age == pytest.approx(3.0)
    assert seen.state is State.SOUND
    assert seen.bore == pytest.approx(0.254e-3, rel=2e-3)


def test_without_a_register_the_machine_file_tells(
    store: sqlite3.Connection, machine: MachineSettings
) -> None:
    seen = looked(store, machine, NOW)
    (head,) = seen.heads
    assert (head.recorded, head.fitting.material, head.age) == (False, "ruby", None)
    assert (seen.state, seen.newest_ns, seen.wear, seen.hours_a_week) == (None, None, None, None)
    assert math.isnan(seen.bore)


def test_a_jewel_taken_out_leaves_the_head_empty(
    store: sqlite3.Connection, machine: MachineSettings
) -> None:
    record(store, fitting(NOW - 5 * DAY, out_ns=NOW - DAY, end=End.CHIPPED), "eva")
    assert looked(store, machine, NOW).heads == ()
    (head,) = looked(store, machine, NOW - 2 * DAY).heads  # as it stood before
    assert (head.fitting.out_ns, head.fitting.end) == (None, None)


def test_one_that_nobody_took_out_ended_when_the_next_one_came(tmp_path: Path) -> None:
    write_machines(tmp_path, [("North", "ruby")])
    with open_store(tmp_path / "store.db") as connection:
        record(connection, fitting(NOW - 5 * DAY), "eva")
        record(connection, fitting(NOW - 2 * DAY), "eva")
        cut(connection, NOW - 5 * DAY, 9.0)
        cut(connection, NOW - 2 * DAY, 3.0)
    seen = see_shop(tmp_path, tmp_path / "store.db", datetime(2026, 3, 8, 21, 0))
    first, second = seen.jewels
    assert (first.ended, first.hours) == (True, pytest.approx(9.0))
    assert (second.ended, second.hours) == (False, pytest.approx(3.0))


@pytest.mark.parametrize(("stated", "counts"), [(None, True), (False, False)])
def test_telemetry_says_how_a_jewel_was_started_where_nobody_did(
    store: sqlite3.Connection, stated: bool | None, counts: bool
) -> None:
    """Off, a pierce at 170 MPa, then 380 MPa: a low-pressure start."""
    off, ramp, pierce, steady = (
        int(p) for p in (Phase.JET_OFF, Phase.RAMP, Phase.PIERCE, Phase.STEADY)
    )
    phases = np.array([off] * 5 + [ramp] * 6 + [pierce] * 60 + [ramp] * 6 + [steady] * 60, np.int8)
    pressure = np.where(np.isin(phases, (pierce,)), 170e6, 380e6)
    time_ns = NOW - DAY + np.arange(len(phases), dtype=np.int64) * 10**9
    with transaction(store):
        record(store, fitting(NOW - DAY - HOUR, low_pressure_start=stated), "Eva")
        samples = samples_of(time_ns, pressure=pressure)
        write_learned(store, "North", samples, Learned(phases, NO_RESULTS, []))
    (held,) = held_at(store, NOW)
    assert held.low_pressure_start is counts


@pytest.mark.parametrize("told", [0.0, 20.0])
def test_earlier_hours_are_no_hours_of_this_fitting(store: sqlite3.Connection, told: float) -> None:
    """Whether the machine file told the watcher of them (so that it counts on) or not."""
    cut(store, NOW - DAY, 6.0, first=told)
    (hours,) = hours_of(store, [fitting(NOW - DAY, earlier_hours=20.0)], NOW, {})
    assert hours == pytest.approx(6.0)


def test_another_heads_change_begins_the_count_anew_and_loses_no_hours(
    store: sqlite3.Connection,
) -> None:
    """Conservation: what was cut before and after it adds up, and no more than time went by."""
    cut(store, NOW - DAY, 6.0)
    cut(store, NOW - DAY + 7 * HOUR, 4.0)
    cut(store, NOW - DAY + 12 * HOUR, 2.0, first=300.0)
    (hours,) = hours_of(store, [fitting(NOW - DAY)], NOW, {})
    assert hours == pytest.approx(6.0 + 4.0 + 2.0, abs=1.1)


def test_a_day_of_many_short_cuts_has_the_hours_that_the_register_shows(
    store: sqlite3.Connection, machine: MachineSettings
) -> None:
    """Twenty minutes of cutting, then cuts of 8 s, too short for batches: 324 of them."""
    steady, cycles, off, on = 1200, 324, 12, 8
    jet = np.concatenate([np.ones(steady), np.tile(np.repeat([0.0, 1.0], [off, on]), cycles)])
    samples = samples_of(
        NOW - 4 * HOUR + np.arange(len(jet), dtype=np.int64) * 10**9,
        pressure=np.full(len(jet), 375e6),
        stroke_count=np.floor(np.cumsum(jet * 24.0 / 60.0)),
        temperature=np.full(len(jet), 288.0),
        valve=jet,
    )
    watcher = machine.build_watcher()
    with transaction(store):
        number = record(store, fitting(NOW - 5 * HOUR), "eva")
        write_learned(store, "North", samples, watcher.learn_many(samples))
    seen = looked(store, machine, NOW)
    (head,) = seen.heads
    assert head.hours == pytest.approx((steady - 1 + cycles * on) / 3600.0)
    assert head.hours == jet_times(store, fittings(store))[number].jet_hours
    assert seen.hours_a_week == pytest.approx(head.hours)
    by_batches = store.execute("SELECT max(jet_hours) FROM batch").fetchone()[0]
    assert by_batches < 0.5 * head.hours  # no batch closed after the long cut
    assert seen.newest_ns == samples.time_ns[-1]
    midst = NOW - 3 * HOUR
    (then,) = looked(store, machine, midst).heads
    assert then.hours == pytest.approx(jet[1:3601].sum() / 3600.0)


def test_hours_of_a_fleets_batches_and_of_samples_that_followed_add_up(
    store: sqlite3.Connection,
) -> None:
    cut(store, NOW - 5 * DAY, 6.0)
    times = NOW - DAY + np.arange(3601, dtype=np.int64) * 10**9
    samples = samples_of(times, pressure=np.full(3601, 380e6), rate=np.ones(3601))
    phases = np.full(3601, int(Phase.STEADY), np.int8)
    with transaction(store):
        write_learned(store, "North", samples, Learned(phases, NO_RESULTS, []))
    cut(store, NOW - DAY, 0.9, first=6.0)  # the batches of those samples count for nothing
    hours = hours_of(store, [fitting(NOW - 6 * DAY), fitting(NOW - DAY // 2)], NOW, {})
    assert hours == [pytest.approx(6.0 + 1.0, abs=1e-3), None]
    assert hours_a_week(store, "North", NOW) == pytest.approx(7.0, abs=0.01)


# -- silences


def test_what_is_cut_in_a_long_silence_nobody_knows(store: sqlite3.Connection) -> None:
    cut(store, NOW - 20 * DAY, 10.0)
    cut(store, NOW - 10 * DAY, 5.0)
    silent = silences(store, "North", NOW - 9 * DAY, SILENCE_NS)
    lost_ns = NOW - 20 * DAY + 10 * HOUR
    assert silent[-1] == (lost_ns, pytest.approx(NOW - 10 * DAY, abs=HOUR))

    def seen(fitted_ns: int, out_ns: int):
        jewel = fitting(fitted_ns, out_ns=out_ns, end=End.WORN)
        return watched(store, [jewel], {"North": silent}, NOW - 9 * DAY, {})[0]

    before = seen(NOW - 20 * DAY, lost_ns)
    assert (before.hours, before.ended) == (pytest.approx(10.0), True)
    through = seen(NOW - 20 * DAY, NOW - 9 * DAY)
    assert (through.hours, through.ended) == (pytest.approx(10.0), False)
    within = seen(NOW - 15 * DAY, NOW - 9 * DAY)
    assert (within.hours, within.ended) == (None, False)
    after = seen(NOW - 10 * DAY, NOW - 9 * DAY)
    assert (after.hours, after.ended) == (pytest.approx(5.0), True)


def test_a_jewel_from_notes_lived_as_noted_whatever_telemetry_saw(
    store: sqlite3.Connection,
) -> None:
    """One of before the watch, one that it saw the end of, one with a week of silence within."""
    cut(store, NOW - 20 * DAY, 10.0)
    cut(store, NOW - 10 * DAY, 5.0)
    jewels = [
        fitting(NOW - 50 * DAY, out_ns=NOW - 45 * DAY, end=End.PLANNED, noted_hours=38.0),
        fitting(NOW - 30 * DAY, out_ns=NOW - 19 * DAY, end=End.WORN, noted_hours=61.5),
        fitting(
            NOW - 19 * DAY, out_ns=NOW - 9 * DAY, end=End.CHIPPED, noted_hours=8.0,
            earlier_hours=3.0,
        ),
    ]  # fmt: skip
    silent = {"North": silences(store, "North", NOW, SILENCE_NS)}
    records = records_of(watched(store, jewels, silent, NOW, {}))
    assert [(r.entry_hours, r.jet_hours, r.ended) for r in records] == [
        (0.0, 38.0, False), (0.0, 61.5, True), (3.0, 11.0, True)
    ]  # fmt: skip


def test_a_jewel_that_was_cutting_before_the_watch_enters_at_its_stated_age(
    store: sqlite3.Connection, machine: MachineSettings
) -> None:
    """Fitted ten days before the first telemetry: its age is known if somebody stated it."""
    cut(store, NOW - 10 * DAY, 5.0, first=25.0)
    silent = {"North": silences(store, "North", NOW, SILENCE_NS)}
    stated = fitting(NOW - 20 * DAY, earlier_hours=25.0, out_ns=NOW - 9 * DAY, end=End.WORN)
    unstated = dataclasses.replace(stated, earlier_hours=0.0)
    (record_,) = records_of(watched(store, [stated, unstated], silent, NOW, {}))
    assert (record_.entry_hours, record_.ended) == (25.0, True)
    assert record_.jet_hours == pytest.approx(30.0)
    record(store, dataclasses.replace(stated, out_ns=None, end=None), "eva")
    (head,) = looked(store, machine, NOW - 9 * DAY).heads
    assert (head.hours, head.age) == (pytest.approx(5.0), pytest.approx(30.0))


def test_before_any_telemetry_the_age_is_the_stated_one(
    store: sqlite3.Connection, machine: MachineSettings
) -> None:
    record(store, fitting(NOW - 3 * DAY, earlier_hours=25.0), "eva")
    record(store, fitting(NOW - 9 * DAY, out_ns=NOW - 4 * DAY, noted_hours=50.0), "eva")
    (head,) = looked(store, machine, NOW).heads
    assert (head.hours, head.age) == (None, 25.0)
    (head,) = looked(store, machine, NOW - 5 * DAY).heads  # its notes were not written by then
    assert (head.hours, head.age) == (None, None)


def test_a_machine_that_stands_still_is_not_silent(store: sqlite3.Connection) -> None:
    cut(store, NOW - 20 * DAY, 10.0)
    cut(store, NOW - 2 * DAY, 5.0)
    first = NOW - 20 * DAY
    assert (
        len(silences(store, "North", NOW - DAY, SILENCE_NS)) == 2
    )  # before the first batch, and between
    times = np.arange(first, NOW - 2 * DAY, HOUR)
    samples = samples_of(times, pressure=np.zeros(len(times)))
    phases = np.zeros(len(times), dtype=np.int8)
    write_learned(store, "North", samples, Learned(phases, np.zeros(0), []))
    assert silences(store, "North", NOW - DAY, SILENCE_NS) == [(0, first)]


def test_a_weekend_is_no_silence(store: sqlite3.Connection) -> None:
    cut(store, NOW - 4 * DAY, 8.0)
    cut(store, NOW - DAY, 8.0)
    assert silences(store, "North", NOW, SILENCE_NS)[1:] == []
    assert SILENCE_NS > 3 * DAY


# -- telemetry


def test_wear_line_is_that_of_the_watcher_on_a_logged_wear(tmp_path: Path) -> None:
    """The same batches and the same regression as the watcher's own, from the store alone."""
    north = load_machine(ROOT / "config" / "north.toml")
    log = ROOT / "replay_data" / "north-2026-03-09-wear.parquet"
    verdict = replay_logs(north, [log], tmp_path / "store.db").verdict
    with open_store(tmp_path / "store.db") as connection:
        fitted_ns = north.jewels()[-1].fitted_ns
        wear = wear_of(connection, "North", fitted_ns, 2**62, north.watch_settings().noise_floor)
        batches = read_table(connection, "batch", "North")
    assert wear is not None
    assert wear.line.slope == pytest.approx(
        0.0036, rel=0.05
    )  # the label of the log: +0.36 % an hour
    # the store does not hold what each batch was worth
    assert wear.line.slope == pytest.approx(verdict.slope_per_hour, rel=0.08)
    assert wear.line.slope_sd == pytest.approx(verdict.slope_sd, rel=0.6)
    last = batches[batches["state"].isin(["sound", "wearing"])].iloc[-1]
    mean, sd = wear.line.at(wear.now)
    # the mean of the logs of whole counts, as the watcher takes it, is 0.4 % lower
    assert mean == pytest.approx(last["line"], abs=4.0 * sd + 0.002)


def test_wear_line_leaves_out_what_was_a_fault_and_needs_some_jet(
    store: sqlite3.Connection,
) -> None:
    since = NOW - 3 * DAY
    cut(store, since, 10.0, 0.001)
    sound = wear_of(store, "North", since, NOW, 0.003)
    jet = 10.0 + np.arange(1, 200) / 180.0
    times = [since + round(h * HOUR) for h in jet]
    write_batches(store, "North", times, jet, np.full(199, 0.3), 0.254e-3, State.OTHER_FAULT.value)
    assert wear_of(store, "North", since, NOW, 0.003) == sound
    assert sound is not None
    assert sound.line.slope == pytest.approx(0.001, abs=3.0 * sound.line.slope_sd)
    assert sound.now == pytest.approx(10.0, abs=0.1)
    assert wear_of(store, "North", since, since + HOUR // 6, 0.003) is None


def test_long_lives_get_longer_blocks_and_the_same_line(store: sqlite3.Connection) -> None:
    since = NOW - 20 * DAY
    cut(store, since, 90.0, 0.0005)  # 16,200 batches: 490 blocks of 33
    wear = wear_of(store, "North", since, NOW, 0.0)
    assert wear is not None
    assert wear.line.slope == pytest.approx(0.0005, abs=3.0 * wear.line.slope_sd)
    assert wear.line.slope_sd < 2e-6


def test_hours_a_week_over_four_weeks_over_a_new_jewel_and_a_first_day(
    store: sqlite3.Connection,
) -> None:
    assert hours_a_week(store, "North", NOW) is None
    cut(store, NOW - DAY, 8.0)
    assert hours_a_week(store, "North", NOW) == pytest.approx(8.0, abs=0.05)  # not 56
    cut(store, NOW - 14 * DAY, 30.0)
    # a used jewel, an hour later: no 170 hours in a moment
    cut(store, NOW - 14 * DAY + 31 * HOUR, 30.0, first=200.0)
    assert hours_a_week(store, "North", NOW) == pytest.approx(68.0 / 2.0, rel=0.03)
    cut(store, NOW - 60 * DAY, 100.0)  # long ago
    assert hours_a_week(store, "North", NOW) == pytest.approx(68.0 / 4.0, rel=0.03)


# -- alerts


def alert(north_verdict, time_ns: int, state: State) -> Alert:
    return Alert(time_ns, dataclasses.replace(north_verdict, time_ns=time_ns, state=state))


def test_newest_alert_holds_until_an_all_clear_or_another_jewel(
    store: sqlite3.Connection, machine: MachineSettings
) -> None:
    verdict = machine.build_watcher().verdict()
    record(store, fitting(NOW - 5 * DAY), "eva")
    cut(store, NOW - 5 * DAY, 9.0)

    def tell(time_ns: int, state: State) -> None:
        nothing = samples_of(np.zeros(0, dtype=np.int64), pressure=np.zeros(0))
        learned = Learned(np.zeros(0, np.int8), np.zeros(0), [alert(verdict, time_ns, state)])
        write_learned(store, "North", nothing, learned)

    tell(NOW - 4 * DAY, State.OPENED)
    seen = looked(store, machine, NOW)
    assert seen.alert is not None
    assert (seen.alert.verdict.state, seen.state) == (State.OPENED, State.OPENED)
    tell(NOW - 3 * DAY, State.SOUND)
    assert looked(store, machine, NOW).alert is None
    tell(NOW - 2 * DAY, State.OPENED)
    assert looked(store, machine, NOW - 3 * DAY).alert is None  # as it stood then
    record(store, fitting(NOW - DAY), "eva")
    assert looked(store, machine, NOW).alert is None


def test_alarms_that_are_not_normal_come_along(
    store: sqlite3.Connection, machine: MachineSettings
) -> None:
    blind = Alarm("North", about="sight")
    blind.see(False, "no answer", NOW - DAY)
    blind.tick(NOW - DAY + HOUR)
    write_alarm(store, "North", "sight", blind.to_json())
    write_alarm(store, "North", "bore", Alarm("North").to_json())
    (alarm,) = looked(store, machine, NOW).alarms
    assert (alarm.about, alarm.reason) == ("sight", "no answer")


# -- the shop


def test_stated_jet_hours_stand_in_for_telemetry_only(tmp_path: Path) -> None:
    write_machines(tmp_path, [("North", "ruby"), ("South", "ruby")])
    (tmp_path / "shop.toml").write_text(
        '[jet_hours_per_week]\nNorth = "40 h/week"\nSouth = "30 h/week"\n', encoding="utf-8"
    )
    with open_store(tmp_path / "store.db") as connection:
        cut(connection, NOW - 7 * DAY, 20.0)
    seen = see_shop(tmp_path, tmp_path / "store.db", datetime(2026, 3, 8, 21, 0))
    assert [machine.hours_a_week for machine in seen.machines] == pytest.approx(
        [20.0, 30.0], rel=0.02
    )


def test_no_store_and_no_such_time_are_refused(tmp_path: Path) -> None:
    write_machines(tmp_path, [("North", "ruby")])
    with pytest.raises(BadInput, match="no such store"):
        see_shop(tmp_path, tmp_path / "none.db")
    assert not (tmp_path / "none.db").exists()
    with open_store(tmp_path / "store.db"), pytest.raises(BadInput, match="skipped by the clocks"):
        see_shop(tmp_path, tmp_path / "store.db", datetime(2026, 3, 29, 2, 30))

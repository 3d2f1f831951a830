"""The main job on the logged days of the invented shop, with default settings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from borewarden.base.errors import BadInput
from borewarden.collect.logged import read_log
from borewarden.diagnose.causes import Cause
from borewarden.gate.batch import Phase
from borewarden.replay.one_machine import Replayed, join_logs, replay_logs, replay_samples
from borewarden.settings import load_machine
from borewarden.store.database import open_store, read_table
from borewarden.watcher.verdict import State

ROOT = Path(__file__).parents[2]
DAYS = {
    "sound": ("west", "west-2026-03-03-sound.parquet"),
    "intensifier chip": ("north", "north-2026-03-04-chip.csv"),
    "direct drive chip": ("south", "south-2026-03-05-chip.csv"),
    "wear": ("north", "north-2026-03-09-wear.parquet"),
}


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Replayed, Path]]:
    results = {}
    for day, (machine, log) in DAYS.items():
        store = tmp_path_factory.mktemp("store") / "days.db"
        settings = load_machine(ROOT / "config" / f"{machine}.toml")
        results[day] = (replay_logs(settings, [ROOT / "replay_data" / log], store), store)
    return results


def jet_on_seconds(result: Replayed, start_ns: int, end_ns: int) -> float:
    """Jet-on time between two moments, from the phases of the samples."""
    time = result.samples.time_ns
    dt = np.diff(time, prepend=time[0]) / 1e9
    on = np.isin(result.phases, [Phase.RAMP, Phase.PIERCE, Phase.STEADY])
    return float(dt[on & (time > start_ns) & (time <= end_ns)].sum())


def test_no_alert_on_the_sound_day(replayed: dict[str, tuple[Replayed, Path]]) -> None:
    result, _ = replayed["sound"]
    assert result.alerts == []
    assert result.verdict.state is State.SOUND
    assert result.jet_hours > 5.0


@pytest.mark.parametrize("day", ["intensifier chip", "direct drive chip"])
def test_chip_is_alerted_in_three_jet_minutes_and_dated_within_one(
    replayed: dict[str, tuple[Replayed, Path]], day: str
) -> None:
    result, _ = replayed[day]
    [label] = result.labels
    [alert] = result.alerts
    assert alert.verdict.state is State.OPENED
    assert 0.0 < jet_on_seconds(result, label.start_ns, alert.time_ns) < 180.0
    assert alert.verdict.onset_ns is not None
    assert abs(alert.verdict.onset_ns - label.start_ns) < 60e9
    assert result.verdict.step == pytest.approx(label.area_change, abs=0.01)
    # area alone: a leak would show the same, so the bore can't be more certain than it is likely
    assert alert.verdict.probability > 0.7
    assert alert.verdict.causes[0].cause is Cause.BORE


def test_wear_is_reported_before_its_limit(replayed: dict[str, tuple[Replayed, Path]]) -> None:
    result, _ = replayed["wear"]
    assert [alert.verdict.state for alert in result.alerts] == [State.WEARING, State.OPENED]
    # the label: +0.36 % a jet hour, so +8 % after 22.2 jet hours
    limit_hours = 0.08 / 0.0036
    wearing, worn = (alert.verdict for alert in result.alerts)
    assert wearing.jet_hours < 0.5 * limit_hours
    assert wearing.hours_to_limit is not None
    left = limit_hours - wearing.jet_hours
    assert wearing.hours_to_limit.low < left < wearing.hours_to_limit.high
    assert worn.jet_hours == pytest.approx(limit_hours, rel=0.1)


@pytest.mark.parametrize("day", DAYS)
def test_store_holds_what_was_replayed(
    replayed: dict[str, tuple[Replayed, Path]], day: str
) -> None:
    result, store = replayed[day]
    with open_store(store) as connection:
        samples = read_table(connection, "sample", result.machine)
        batches = read_table(connection, "batch", result.machine)
        alerts = read_table(connection, "alert", result.machine)
    assert np.array_equal(samples["time_ns"], result.samples.time_ns)
    assert np.array_equal(samples["pressure"], result.samples.pressure, equal_nan=True)
    assert np.array_equal(samples["phase"], result.phases)
    assert batches["area"].tolist() == result.batches["area"].tolist()
    assert alerts["reason"].tolist() == [alert.verdict.reason for alert in result.alerts]


def test_replaying_again_replaces_and_other_hours_stay(tmp_path: Path) -> None:
    store = tmp_path / "days.db"
    machine = load_machine(ROOT / "config" / "west.toml")
    log = ROOT / "replay_data" / DAYS["sound"][1]
    first = replay_logs(machine, [log], store)
    with open_store(store) as connection:
        connection.execute("INSERT INTO batch (machine, start_ns, end_ns) VALUES ('West', 1, 2)")
        connection.execute("INSERT INTO batch (machine, start_ns, end_ns) VALUES ('East', 1, 3)")
    again = replay_logs(machine, [log], store)
    assert again.batches.tobytes() == first.batches.tobytes()
    with open_store(store) as connection:
        assert len(read_table(connection, "sample", "West")) == len(first.samples.time_ns)
        assert len(read_table(connection, "batch", "West")) == len(first.batches) + 1
        assert len(read_table(connection, "batch", "East")) == 1


def test_bad_log_leaves_the_store_untouched(tmp_path: Path) -> None:
    store = tmp_path / "days.db"
    machine = load_machine(ROOT / "config" / "north.toml")
    good = ROOT / "replay_data" / DAYS["intensifier chip"][1]
    half = tmp_path / "half.csv"
    half.write_bytes(good.read_bytes()[:100_003])
    with pytest.raises(BadInput, match="half"):
        replay_logs(machine, [good, half], store)
    assert not store.exists()


def test_store_takes_all_or_nothing(tmp_path: Path) -> None:
    store = tmp_path / "days.db"
    machine = load_machine(ROOT / "config" / "west.toml")
    log = ROOT / "replay_data" / DAYS["sound"][1]

    def stop(done: int, of: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        replay_logs(machine, [log], store, stop)
    with open_store(store) as connection:
        assert len(read_table(connection, "sample", "West")) == 0


def test_logs_out_of_order_are_refused() -> None:
    machine = load_machine(ROOT / "config" / "north.toml")
    chip, wear = (ROOT / "replay_data" / DAYS[day][1] for day in ("intensifier chip", "wear"))
    samples = [read_log(log, machine.log_format()) for log in (wear, chip)]
    with pytest.raises(BadInput, match="order of time"):
        join_logs([wear, chip], samples)
    joined = join_logs([chip, wear], samples[::-1])
    assert np.all(np.diff(joined.time_ns) > 0)


def test_block_size_of_the_replay_changes_nothing() -> None:
    machine = load_machine(ROOT / "config" / "south.toml")
    samples = read_log(ROOT / "replay_data" / DAYS["direct drive chip"][1], machine.log_format())
    found = []
    for block in (997, 10**9):
        learned = [made for _, made in replay_samples(machine.build_watcher(), samples, block)]
        found.append(
            (
                np.concatenate([made.batches for made in learned]).tobytes(),
                repr([alert for made in learned for alert in made.alerts]),
            )
        )
    assert found[0] == found[1]

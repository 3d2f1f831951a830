"""Processes, what is kept, and going on after a stop."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from multiprocessing import active_children
from pathlib import Path

import pytest
from click.testing import Result
from distributed import Client
from typer.testing import CliRunner

from borewarden.base.errors import BadInput
from borewarden.cli import app
from borewarden.tune import sweep as module
from borewarden.tune.days import Wanted
from borewarden.tune.grid import candidates
from borewarden.tune.outcome import judge_setting
from borewarden.tune.sweep import sweep
from clusters import Cluster, cluster
from invented_days import ROOT, logged, machine_of, shop_of

WEST = ROOT / "config" / "west.toml"
SOUND = ROOT / "replay_data" / "west-2026-03-03-sound.parquet"
SETTINGS = 48  # so many that a Ctrl-C comes in the midst of them, however busy the computer
RANGES = {"smallest_step": ["3 %", "5 %"], "batch_time": ["10 s", "20 s"]}


def shop():
    return shop_of("west", logged("west"), Wanted(chips=4, wears=0))


def tried(ranges=RANGES):
    return candidates(machine_of("west"), WEST, ranges, 50, 1)


def test_any_number_of_processes_gives_the_same() -> None:
    one, two = (repr(sweep(shop(), tried(), None, workers)) for workers in (1, 2))
    assert one == two  # by repr: a NaN is not itself


# -- a cluster


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with cluster(tmp_path_factory.mktemp("cluster"), 2) as at:
        yield at


def test_a_worker_killed_in_the_midst_loses_nothing_and_changes_no_bit(
    tmp_path: Path, two_workers: Cluster
) -> None:
    many = tried(RANGES | {"noise_floor": ["0.2 %", "0.3 %", "0.4 %"], "baseline_time": ["5 min"]})
    at_work_when_killed: list[str] = []
    heard: list[tuple[int, int]] = []
    with Client(two_workers.address, set_as_default=False) as onlooker:
        onlooker.wait_for_workers(2, 60)
        addresses = {w["name"]: a for a, w in onlooker.scheduler_info()["workers"].items()}

        def kill_one(done: int, of: int) -> None:
            heard.append((done, of))
            if done == 3:
                victim = two_workers.workers["worker-1"]
                at_work_when_killed.extend(onlooker.processing()[addresses["worker-1"]])
                victim.send_signal(signal.SIGKILL)
                victim.wait()

        there = sweep(shop(), many, tmp_path, 1, two_workers.address, kill_one)
        left = [worker["name"] for worker in onlooker.scheduler_info()["workers"].values()]
    assert at_work_when_killed
    assert left == ["worker-0"]
    assert len(many) > 12
    assert heard == [(done, len(many)) for done in range(len(many) + 1)]
    assert repr(there) == repr(sweep(shop(), many, None, 1))
    (file,) = tmp_path.iterdir()
    assert len({json.loads(line)[0] for line in file.read_text().splitlines()}) == len(many)


def test_the_command_says_the_same_from_a_cluster(
    tmp_path: Path, two_workers: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    def tuned(*words: str) -> Result:
        usual = ["--vary", "smallest_step=3 %", "--chips", "3", "--wears", "0"]
        return CliRunner().invoke(app, ["tune", str(SOUND), "--machine", str(WEST), *usual, *words])

    there = tuned("--kept", "there", "--scheduler", two_workers.address)
    assert there.exit_code == 0, there.stderr
    assert there.stdout == tuned("--kept", "here", "--workers", "1").stdout
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{nobody.getsockname()[1]}"
        monkeypatch.setattr("borewarden.base.parallel.PATIENCE", 1.0)
        lost = tuned("--kept", "lost", "--scheduler", address)
    assert lost.exit_code == 2
    assert f"can't tune: no scheduler answers at {address}" in lost.stderr
    assert "stopped: 0 of 2 settings are kept in lost" in lost.stderr
    # whatever is kept already needs no cluster
    assert tuned("--kept", "there", "--scheduler", address).stdout == there.stdout


def test_a_worker_of_another_version_is_refused() -> None:
    few = tried({"smallest_step": ["4 %"]})
    bench = module._Bench(judge_setting, shop(), "another")
    with pytest.raises(ValueError, match="install the same on all"):
        module._at(bench, few[0])


def test_a_process_that_goes_down_is_said_and_what_was_done_is_kept(tmp_path: Path) -> None:
    def kill_both(done: int, of: int) -> None:
        for process in active_children() if done == 1 else []:
            process.kill()

    with pytest.raises(ChildProcessError, match="BrokenProcessPool: A process"):
        sweep(shop(), tried(), tmp_path, 2, None, kill_both)
    (file,) = tmp_path.iterdir()
    assert len(file.read_text().splitlines()) >= 1


# -- what is kept


def test_what_is_kept_is_not_worked_out_again(tmp_path: Path) -> None:
    first = sweep(shop(), tried(), tmp_path, 1)
    (file,) = tmp_path.iterdir()
    lines = file.read_text().splitlines()
    assert len(lines) == len(tried())
    # a stop in the middle of a line, and a forged result to know a kept one by
    forged = json.loads(lines[1])
    forged[1]["false"] = [77]
    file.write_text("\n".join([lines[0], json.dumps(forged), lines[2][:40]]))
    heard: list[tuple[int, int]] = []
    again = sweep(shop(), tried(), tmp_path, 1, None, lambda *done: heard.append(done))
    assert heard[0] == (2, len(tried()))
    assert heard[-1] == (len(tried()), len(tried()))
    assert [k for k, made in enumerate(again) if made.false == [77]] == [1]  # setting by setting
    assert repr(again[:1] + again[2:]) == repr(first[:1] + first[2:])
    # more settings take what is there, too
    heard.clear()
    more = tried(RANGES | {"noise_floor": ["0.3 %", "0.5 %"]})
    sweep(shop(), more, tmp_path, 1, None, lambda *done: heard.append(done))
    assert heard[0][0] == len(tried())


def test_other_samples_trials_or_labels_are_another_file(tmp_path: Path) -> None:
    few = tried({"smallest_step": ["4 %"]})
    sweep(shop(), few, tmp_path, 1)
    sweep(shop_of("west", logged("west"), Wanted(chips=5, wears=0)), few, tmp_path, 1)
    sweep(shop_of("west", logged("west", seed=6), Wanted(chips=4, wears=0)), few, tmp_path, 1)
    assert len(list(tmp_path.iterdir())) == 3


@pytest.mark.parametrize("workers", [1, 2])
def test_a_setting_that_can_not_be_watched_with_is_said(workers: int) -> None:
    with pytest.raises(BadInput, match="false alarm every"):
        sweep(shop(), tried({"false_alarm_time": ["0.1 h"]}), None, workers)


def interrupted(folder: Path, command: list[str]) -> list[str]:
    """Run the command, and press Ctrl-C: SIGINT to the whole group, as a terminal sends it.

    Gives the lines that are kept.
    """
    running = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
        # where the tests run in the background, Ctrl-C is ignored, and would be here, too
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    deadline = time.monotonic() + 120.0
    while time.monotonic() < deadline and running.poll() is None:
        files = list((folder / "kept").glob("*.jsonl"))
        if files and len(files[0].read_text().splitlines()) >= 3:
            break
        time.sleep(0.02)
    os.killpg(running.pid, signal.SIGINT)
    _, err = running.communicate(timeout=60)
    assert running.returncode == 130, err
    assert "Traceback" not in err
    said = re.search(rf"stopped: (\d+) of {SETTINGS} settings are kept", err)
    assert said, err
    (file,) = (folder / "kept").glob("*.jsonl")
    kept = file.read_text().splitlines()
    assert 3 <= len(kept) < SETTINGS
    assert len(kept) >= int(said[1])
    assert all(json.loads(line) for line in kept)
    return kept


def command() -> list[str]:
    values = ",".join(f"{1 + k / 12:.4f} %" for k in range(SETTINGS))
    return [
        sys.executable, "-m", "borewarden.cli", "tune", str(SOUND), "--machine", str(WEST),
        "--vary", f"smallest_step={values}", "--chips", "3", "--wears", "0", "--kept", "kept",
    ]  # fmt: skip


def test_a_sweep_that_is_interrupted_goes_on_where_it_was(tmp_path: Path) -> None:
    kept = interrupted(tmp_path, command())
    second = subprocess.run(command(), cwd=tmp_path, capture_output=True, text=True, check=False)
    assert second.returncode == 0, second.stderr
    (file,) = (tmp_path / "kept").glob("*.jsonl")
    lines = file.read_text().splitlines()
    assert lines[: len(kept)] == kept
    assert len(lines) == SETTINGS
    assert len({json.loads(line)[0] for line in lines}) == SETTINGS


def test_a_cluster_is_left_alone_once_a_sweep_is_interrupted(
    tmp_path: Path, two_workers: Cluster
) -> None:
    interrupted(tmp_path, [*command(), "--scheduler", two_workers.address])
    with Client(two_workers.address, set_as_default=False) as onlooker:
        deadline = time.monotonic() + 60.0
        while any(onlooker.has_what().values()) or any(onlooker.processing().values()):
            assert time.monotonic() < deadline, onlooker.processing()
            time.sleep(0.05)

"""Processes, what is kept, and going on after a stop."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from invented_days import ROOT, logged, machine_of, shop_of

from borewarden.collect import BadInput
from borewarden.tune.grid import candidates
from borewarden.tune.shop import Wanted
from borewarden.tune.sweep import sweep

WEST = ROOT / "config" / "west.toml"
SOUND = ROOT / "replay_data" / "west-2026-03-03-sound.parquet"
RANGES = {"smallest_step": ["3 %", "5 %"], "batch_time": ["15 s", "20 s"]}


def shop():
    return shop_of("west", logged("west"), Wanted(chips=4, wears=0))


def tried(ranges=RANGES):
    return candidates(machine_of("west"), WEST, ranges, 50, 1)


def test_any_number_of_processes_gives_the_same() -> None:
    one, two = (repr(sweep(shop(), tried(), None, workers)) for workers in (1, 2))
    assert one == two  # by repr: a NaN is not itself


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
    again = sweep(shop(), tried(), tmp_path, 1, lambda *done: heard.append(done))
    assert heard[0] == (2, len(tried()))
    assert heard[-1] == (len(tried()), len(tried()))
    assert [k for k, made in enumerate(again) if made.false == [77]] == [2]  # gate by gate
    assert repr(again[:2] + again[3:]) == repr(first[:2] + first[3:])
    # more settings take what is there, too
    heard.clear()
    more = tried(RANGES | {"noise_floor": ["0.3 %", "0.5 %"]})
    sweep(shop(), more, tmp_path, 1, lambda *done: heard.append(done))
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


def test_a_sweep_that_is_interrupted_goes_on_where_it_was(tmp_path: Path) -> None:
    """A real Ctrl-C: SIGINT to the whole group, as a terminal sends it."""
    values = ",".join(f"{1 + k / 4:.2f} %" for k in range(16))
    command = [
        sys.executable, "-m", "borewarden.cli", "tune", str(SOUND), "--machine", str(WEST),
        "--vary", f"smallest_step={values}", "--chips", "3", "--wears", "0",
        "--kept", str(tmp_path / "kept"),
    ]  # fmt: skip
    first = subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 120.0
    while time.monotonic() < deadline and first.poll() is None:
        files = list((tmp_path / "kept").glob("*.jsonl"))
        if files and len(files[0].read_text().splitlines()) >= 3:
            break
        time.sleep(0.02)
    os.killpg(first.pid, signal.SIGINT)
    _, err = first.communicate(timeout=60)
    assert first.returncode == 130, err
    said = re.search(r"stopped: (\d+) of 16 settings are kept", err)
    assert said, err
    (file,) = (tmp_path / "kept").glob("*.jsonl")
    kept = file.read_text().splitlines()
    assert 3 <= len(kept) < 16
    assert len(kept) >= int(said[1])
    assert all(json.loads(line) for line in kept)

    second = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert second.returncode == 0, second.stderr
    lines = file.read_text().splitlines()
    assert lines[: len(kept)] == kept
    assert len(lines) == 16
    assert len({json.loads(line)[0] for line in lines}) == 16

"""The command as a person types it: output, exit codes, and no traceback for bad input."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).parents[1]
NORTH = str(ROOT / "config" / "north.toml")
CHIP = str(ROOT / "replay_data" / "north-2026-03-04-chip.csv")


def borewarden(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "borewarden.cli", *words]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def test_replay_prints_verdict_evidence_cautions_and_writes(tmp_path: Path) -> None:
    done = borewarden(tmp_path, "replay", CHIP, "--machine", NORTH)
    assert done.returncode == 0, done.stderr
    for words in ("probably opened up", "Effective bore now", "NE 107", "lock it out"):
        assert words in done.stdout
    assert (tmp_path / "reports" / "north-2026-03-04-chip.html").stat().st_size > 1_000_000
    assert (tmp_path / "borewarden.db").exists()


@pytest.mark.parametrize(
    ("log", "machine", "code"),
    [
        ("north-2026-03-04-chip.csv", "north", 20),
        ("west-2026-03-03-sound.parquet", "west", 0),
    ],
)
def test_exit_code_tells_the_verdict(tmp_path: Path, log: str, machine: str, code: int) -> None:
    done = borewarden(
        tmp_path,
        "replay",
        str(ROOT / "replay_data" / log),
        "--machine",
        str(ROOT / "config" / f"{machine}.toml"),
        "--exit-code",
        "--no-store",
    )
    assert done.returncode == code, done.stderr
    assert not (tmp_path / "borewarden.db").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["replay", "missing.csv", "--machine", NORTH], ["missing.csv", "no such file"]),
        (["replay", CHIP, "--machine", "missing.toml"], ["missing.toml"]),
        (
            ["replay", CHIP, "--machine", str(ROOT / "config" / "south.toml")],
            ["pressure_mpa", "did you mean 'pressure_bar'"],
        ),
        (["replay", CHIP, "--machine", NORTH, "--store", "/proc/nothing/a.db"], ["can't"]),
        (
            ["simulate", "a.xlsx", "--machine", NORTH, "--first", "2026-03-04"],
            [".csv or .parquet"],
        ),
        (
            ["simulate", "a.csv", "--machine", NORTH, "--first", "2020-01-01"],
            ["none is fitted by 2020-01-01"],
        ),
    ],
)
def test_bad_input_is_said_plainly(tmp_path: Path, words: list[str], said: list[str]) -> None:
    done = borewarden(tmp_path, *words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr + done.stdout
    for text in said:
        assert text in done.stderr
    assert not (tmp_path / "borewarden.db").exists()


def test_half_written_log_leaves_the_store_as_it_was(tmp_path: Path) -> None:
    first = borewarden(tmp_path, "replay", CHIP, "--machine", NORTH)
    assert first.returncode == 0
    before = (tmp_path / "borewarden.db").read_bytes()
    half = tmp_path / "half.csv"
    half.write_bytes(Path(CHIP).read_bytes()[:200_001])
    done = borewarden(tmp_path, "replay", str(half), "--machine", NORTH)
    assert done.returncode == 2
    assert "half.csv" in done.stderr
    assert (tmp_path / "borewarden.db").read_bytes() == before


def test_simulated_day_is_the_one_in_replay_data(tmp_path: Path) -> None:
    """The command of replay_data/README.md makes the very log that is kept there."""
    done = borewarden(
        tmp_path,
        "simulate",
        "day.csv",
        "--machine",
        str(ROOT / "config" / "south.toml"),
        "--first=2026-03-05",
        "--seed=13",
        "--chip-at=2026-03-05T13:05:40",
    )
    assert done.returncode == 0, done.stderr
    kept = ROOT / "replay_data" / "south-2026-03-05-chip.csv"
    made, stored = pd.read_csv(tmp_path / "day.csv"), pd.read_csv(kept)
    pd.testing.assert_frame_equal(made, stored)
    labels = (tmp_path / "day.labels.csv").read_text()
    assert labels == kept.with_name("south-2026-03-05-chip.labels.csv").read_text()

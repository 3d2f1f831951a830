"""The command as a person types it: output, exit codes, and no traceback for bad input."""

from __future__ import annotations

import subprocess
import sys
from contextlib import chdir
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from skimage.io import imsave
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.cli.logged import EXIT_CODES
from borewarden.collect.labels import labels_path, read_labels
from borewarden.inspection.cautions import CAUTIONS
from borewarden.watcher.verdict import State

ROOT = Path(__file__).parents[2]
NORTH = str(ROOT / "config" / "north.toml")
CHIP = str(ROOT / "replay_data" / "north-2026-03-04-chip.csv")


def installed(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own."""
    command = [sys.executable, "-m", "borewarden.cli", *words]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def borewarden(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The command in this process, which spares it some seconds of imports each time."""
    with chdir(folder):
        done = CliRunner().invoke(app, list(words))
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return subprocess.CompletedProcess(words, done.exit_code, done.stdout, done.stderr)


def test_replay_prints_verdict_evidence_cautions_and_writes(tmp_path: Path) -> None:
    done = installed(tmp_path, "replay", CHIP, "--machine", NORTH)
    assert done.returncode == 0, done.stderr
    at_the_end = "Effective bore at the end of the log"
    for words in ("probably opened up", at_the_end, "NE 107", "lock it out"):
        assert words in done.stdout
    assert (tmp_path / "reports" / "north-2026-03-04-chip.html").stat().st_size > 1_000_000
    assert (tmp_path / "replay.db").exists()


def test_replay_prints_the_probable_causes_and_the_cheapest_check_first(tmp_path: Path) -> None:
    south = str(ROOT / "config" / "south.toml")
    log = str(ROOT / "replay_data" / "south-2026-03-05-chip.csv")
    done = borewarden(tmp_path, "replay", log, "--machine", south, "--no-store")
    assert done.returncode == 0, done.stderr
    said = " ".join(done.stdout.replace("│", " ").split())
    alike = "bore opened up, or plunger seal or check valve leaking"
    assert f"Probable cause: {alike} (can't be told apart here), " in said
    split = said.index("To tell apart what looks the same here, have a qualified person measure: ")
    assert said.index(CAUTIONS[-1]) < said.index("What to check first 1. ") < split
    assert "focusing tube does not load the pump" in said
    check = said.index("1. Let a qualified person measure the temperature of the weep lines")
    assert said.index(CAUTIONS[-1]) < check < said.index("Check whether a second head")
    assert said.count("changed the jewel") == 1  # once is enough
    for caution in CAUTIONS:  # each on its own
        assert f"! {caution}" in said


def test_every_state_has_an_exit_code_and_the_help_names_it(tmp_path: Path) -> None:
    assert set(EXIT_CODES) == set(State)
    said = " ".join(borewarden(tmp_path, "replay", "--help").stdout.replace("│", " ").split())
    for code in sorted({*EXIT_CODES.values()}):
        assert f"{code} " in said
    assert "25 probably another fault" in said
    page = (ROOT / "docs" / "commands.md").read_text()
    assert "25 probably another fault" in page


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
    assert not (tmp_path / "replay.db").exists()


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
            ["no jewel is fitted by 2020-01-01"],
        ),
        (
            ["simulate", "a.csv", "--machine", NORTH, "--first=2026-03-04", "--fault=slip"],
            ["--fault", "intensifiers don't have this fault", "direct drive"],
        ),
        (
            [
                "simulate",
                "a.csv",
                "--machine",
                NORTH,
                "--first=2026-03-04",
                "--fault=leak",
                "--size=3",
            ],
            ["--size", "3 is impossible", "0 to 0.9"],
        ),
    ],
)
def test_bad_input_is_said_plainly(tmp_path: Path, words: list[str], said: list[str]) -> None:
    done = borewarden(tmp_path, *words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr + done.stdout
    for text in said:
        assert text in done.stderr
    assert not (tmp_path / "replay.db").exists()


def test_half_written_log_leaves_the_store_as_it_was(tmp_path: Path) -> None:
    first = borewarden(tmp_path, "replay", CHIP, "--machine", NORTH)
    assert first.returncode == 0
    before = (tmp_path / "replay.db").read_bytes()
    half = tmp_path / "half.csv"
    half.write_bytes(Path(CHIP).read_bytes()[:200_001])
    done = borewarden(tmp_path, "replay", str(half), "--machine", NORTH)
    assert done.returncode == 2
    assert "half.csv" in done.stderr
    assert (tmp_path / "replay.db").read_bytes() == before


def test_simulated_fault_stands_in_the_labels(tmp_path: Path) -> None:
    done = borewarden(
        tmp_path,
        "simulate",
        "day.csv",
        "--machine",
        NORTH,
        "--first=2026-03-04",
        "--fault=leak",
        "--at=10:30",
        "--size=0.1",
        "--ramp=20",
        "--side=left",
        "--signals=full",
    )
    assert done.returncode == 0, done.stderr
    (label,) = read_labels(tmp_path / "day.labels.csv", "Europe/Vienna")
    assert label.event == "leak"
    assert label.start_ns == pd.Timestamp("2026-03-04 10:30", tz="Europe/Vienna").value
    assert "size +10.00%, seal, left, growing for 20.0 min" in label.note
    assert len(pd.read_csv(tmp_path / "day.csv")) > 30_000


COMMANDS = [
    line.split()[1:]
    for line in (ROOT / "replay_data" / "README.md").read_text().splitlines()
    if line.startswith("borewarden simulate")
]


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: Path(words[1]).stem)
def test_simulated_day_is_the_one_in_replay_data(tmp_path: Path, words: list[str]) -> None:
    """The commands of replay_data/README.md make the very logs that are kept there."""
    kept = ROOT / words[1]
    machine = str(ROOT / words[3])
    done = borewarden(tmp_path, words[0], kept.name, words[2], machine, *words[4:])
    assert done.returncode == 0, done.stderr
    made = tmp_path / kept.name
    if kept.suffix == ".csv":
        assert made.read_bytes() == kept.read_bytes()
    else:  # the bytes of Parquet depend on the version of pyarrow
        pd.testing.assert_frame_equal(pd.read_parquet(made), pd.read_parquet(kept))
    assert labels_path(made).read_bytes() == labels_path(kept).read_bytes()


def test_bores_lists_what_fits_the_pump(tmp_path: Path) -> None:
    done = borewarden(tmp_path, "bores", "--machine", NORTH)
    assert done.returncode == 0, done.stderr
    assert "0.356" in done.stdout
    assert "one head that leaves 10 % of the rate and 10 % of the power: 0.381 mm" in done.stdout
    refused = borewarden(tmp_path, "bores", "--machine", NORTH, "--pressure", "38 K")
    assert refused.returncode == 2
    assert "--pressure" in refused.stderr
    assert "Traceback" not in refused.stderr


def test_rim_measures_a_picture_and_refuses_what_is_none(tmp_path: Path) -> None:
    y, x = np.mgrid[-200:200, -200:200] / 120.0
    radius, angle = np.hypot(x, y), np.degrees(np.arctan2(y, x))
    # a rendered rim with a chip of 30 degrees, a tenth of the radius deep
    rim = np.where(np.abs(angle) < 15.0, 1.1, 1.0)
    picture = np.clip(0.5 + (rim - radius) * 60.0, 0.1, 0.9)
    imsave(tmp_path / "rim.png", (picture * 255).astype(np.uint8), check_contrast=False)
    done = borewarden(tmp_path, "rim", "rim.png")
    assert done.returncode == 0, done.stderr
    cautions, _, chip = done.stdout.partition("chipped: chip over ")
    assert cautions.startswith("! Only people who are qualified")
    assert 25.0 < float(chip.split()[0]) < 35.0
    (tmp_path / "text.png").write_text("no picture")
    refused = installed(tmp_path, "rim", "text.png")
    assert refused.returncode == 2
    assert "Traceback" not in refused.stderr

"""`borewarden tune` and `borewarden compare` as a person types them."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.replay.one_machine import replay_logs
from borewarden.settings import load_machine
from invented_days import ROOT

NORTH, SOUTH, WEST = (str(ROOT / "config" / f"{name}.toml") for name in ("north", "south", "west"))
SOUND = str(ROOT / "replay_data" / "west-2026-03-03-sound.parquet")
CHIP = str(ROOT / "replay_data" / "south-2026-03-05-chip.csv")
QUICK = ["--chips", "8", "--wears", "0", "--workers", "1"]


@pytest.fixture(autouse=True)
def _wide_and_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "140")


def borewarden(*words: str) -> Result:
    """In this process: test_sweep has a command that runs as one of its own."""
    return CliRunner().invoke(app, words)


def plain(text: str) -> str:
    return " ".join(text.split())


def test_a_change_is_printed_and_written_but_never_applied(tmp_path: Path) -> None:
    machine = tmp_path / "west.toml"
    machine.write_text(Path(WEST).read_text().replace("[gate]", '[gate]\nbatch_time = "30 s"'))
    before = machine.read_text()
    done = borewarden(
        "tune", SOUND, "--machine", "west.toml", *QUICK, "--chips", "30",
        "--vary", "batch_time=10 s,30 s", "--patch", "change.diff",
    )  # fmt: skip
    assert done.exit_code == 0, done.stderr
    assert machine.read_text() == before
    change = (tmp_path / "change.diff").read_text()
    assert '+batch_time = "10 s"' in change
    assert change in done.stdout
    said = plain(done.stdout)
    assert "1 day, 1 of them sound" in said
    assert "2 settings; 30 chips of +8.0 %" in said
    assert "Choice: batch_time 10 s. clearly faster" in said
    assert "the rate may still be up to" in said
    assert "Not applied" in said
    if program := shutil.which("patch"):
        subprocess.run([program, "-p0", "-i", "change.diff"], cwd=tmp_path, check=True)
        assert load_machine(machine).gate_settings().batch_time == 10.0


def test_labelled_events_are_shown_under_each_setting(tmp_path: Path) -> None:
    done = borewarden(
        "tune", CHIP, "--machine", SOUTH, *QUICK, "--vary", "smallest_step=3 %,4 %,30 %"
    )
    assert done.exit_code == 0, done.stderr
    said = plain(done.stdout)
    assert "What labelled events would have given" in said
    assert "13:05" in said
    assert "chip: found by" in said
    assert "of 3 settings" in said
    # again, from what is kept, and the same to the letter
    again = borewarden(
        "tune", CHIP, "--machine", SOUTH, *QUICK, "--vary", "smallest_step=3 %,4 %,30 %"
    )
    assert again.stdout == done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([SOUND, "--vary", "smallest_stp=3 %"], ["unknown setting", "smallest_step"]),
        ([SOUND, "--vary", "batch_time=20"], ["gate.batch_time", "has no unit"]),
        ([SOUND, "--ranges", "missing.toml"], ["missing.toml", "no such file"]),
        ([SOUND, "--settings", "0"], ["--settings", "give 1 or more"]),
        ([SOUND, "--labels", CHIP], ["is missing", "there are time, pressure_mpa"]),
        (["missing.csv"], ["missing.csv", "no such file"]),
        ([], ["need exactly one source"]),
        ([SOUND, "--store", "a.db"], ["need exactly one source"]),
        ([SOUND, "--from", "2026-03-01"], ["logs are taken whole"]),
        (["--store", "a.db"], ["--from"]),
        (
            ["--store", "a.db", "--from", "2026-03-02", "--to", "2026-03-01"],
            ["a later --to"],
        ),
        (
            ["--store", "missing.db", "--from", "2026-03-01", "--to", "2026-03-09"],
            ["missing.db", "no such store"],
        ),
        (
            [SOUND, "--vary", "false_alarm_time=0.1 h", "--vary", "batch_time=20 s"],
            ["watch.false_alarm_time", "50 or more"],
        ),
    ],
)
def test_bad_input_is_said_plainly(tmp_path: Path, words: list[str], said: list[str]) -> None:
    done = borewarden("tune", *words, "--machine", WEST, *QUICK)
    assert done.exit_code == 2, done.stdout
    for part in said:
        assert part in plain(done.stderr)
    assert "Traceback" not in done.stderr


def test_machines_and_days_are_compared_from_logs(tmp_path: Path) -> None:
    done = borewarden(
        "compare", SOUND, CHIP, "--machine", WEST, "--machine", SOUTH, "--csv", "a.csv"
    )
    assert done.exit_code == 0, done.stderr
    rows = list(csv.DictReader((tmp_path / "a.csv").open()))
    assert [(row["machine"], row["day"], row["alerts"]) for row in rows] == [
        ("West", "2026-03-03", "0"),
        ("South", "2026-03-05", "1"),
    ]
    assert rows[1]["idle_share"] == ""
    assert "2026-03-05" in done.stdout
    refused = borewarden("compare", SOUND, "--machine", NORTH, "--machine", SOUTH)
    assert refused.exit_code == 2
    assert "is missing" in plain(refused.stderr)


def test_machines_are_compared_and_tuned_from_a_store(tmp_path: Path) -> None:
    for log, machine in ((SOUND, WEST), (CHIP, SOUTH)):
        replay_logs(load_machine(machine), [Path(log)], tmp_path / "borewarden.db")
    days = ["--store", "borewarden.db", "--from", "2026-03-01", "--to", "2026-03-10"]
    done = borewarden("compare", "--machine", WEST, "--machine", SOUTH, *days)
    assert done.exit_code == 0, done.stderr
    assert "2026-03-03" in done.stdout
    assert "2026-03-05" in done.stdout
    tuned = borewarden("tune", "--machine", WEST, *days, *QUICK, "--vary", "smallest_step=3 %")
    assert tuned.exit_code == 0, tuned.stderr
    assert "1 day, 1 of them sound" in plain(tuned.stdout)


def test_sweep_and_comparison_as_json(tmp_path: Path) -> None:
    words = ("tune", CHIP, "--machine", SOUTH, *QUICK, "--vary", "smallest_step=3 %,4 %,30 %")
    done = borewarden(*words, "--json")
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    assert (told["machine"], told["report"]) == ("South", "reports/tune-south.html")
    assert told["days"] == [{"day": "2026-03-05", "sound": False}]
    assert [setting["changed"] for setting in told["settings"]] == [
        {},
        {"smallest_step": "3 %"},
        {"smallest_step": "30 %"},
    ]
    today, _, blunt = told["settings"]
    assert today["today"]
    assert today["median"]["low"] <= today["median"]["value"] <= today["median"]["high"]
    late = blunt["events"][0]["delay"]
    assert late is None or late > 900.0  # by the wear line alone, if at all
    assert today["events"][0]["cause"] == "bore opened up"
    assert told["events"][0]["area_change"] == pytest.approx(0.08)
    chosen = told["choice"]["number"]
    assert [setting["chosen"] for setting in told["settings"]] == [k == chosen for k in range(3)]
    compared = borewarden("compare", CHIP, "--machine", SOUTH, "--json", "--csv", "a.csv")
    [row] = json.loads(compared.stdout)
    [same] = csv.DictReader((tmp_path / "a.csv").open())
    assert (row["machine"], row["day"], row["idle_share"]) == ("South", "2026-03-05", None)
    assert row["pressure"] == pytest.approx(float(same["pressure"]))
    assert row["pressure"] > 300e6

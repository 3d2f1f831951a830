"""The demo that comes along in the package: what it says, writes, and never overwrites."""

from __future__ import annotations

import shutil
import subprocess
import sys
from contextlib import chdir
from importlib.resources import files
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.cli.demo import FOLDER, LOG, MACHINE, README, REPORT, STORE, demo_files
from borewarden.inspection.cautions import CAUTIONS
from borewarden.settings import load_machine
from borewarden.store.database import open_store
from borewarden.store.queries import alerts


def demo(folder: Path, *words: str) -> Result:
    with chdir(folder):
        return CliRunner().invoke(app, ["demo", *words], catch_exceptions=False)


def contents(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


@pytest.fixture(scope="module")
def tried(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A folder in which the demo has run, in a process of its own, and what it printed."""
    folder = tmp_path_factory.mktemp("tried")
    command = [sys.executable, "-m", "borewarden", "demo"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return folder, done.stdout


def test_verdict_cautions_and_what_to_try_next(tried: tuple[Path, str]) -> None:
    folder, said = tried
    assert "North: The bore has probably opened up" in said
    assert all(caution in said for caution in CAUTIONS)
    assert said.index(CAUTIONS[-1]) < said.index("Try next")
    assert "That was an invented day of an invented shop" in said
    assert [each.name for each in folder.iterdir()] == [FOLDER.name]
    made = folder / FOLDER
    assert {each.name for each in made.iterdir()} >= {*demo_files(), STORE, REPORT}
    assert (made / REPORT).stat().st_size > 1_000_000
    with open_store(made / STORE) as connection:
        [alert] = alerts(connection, "North")
    assert alert.verdict.state.value == "probably opened up"


def test_it_runs_again_over_its_own_files_only(tried: tuple[Path, str], tmp_path: Path) -> None:
    shutil.copytree(tried[0] / FOLDER, tmp_path / FOLDER)
    (tmp_path / FOLDER / "notes.txt").write_text("mine")
    assert demo(tmp_path).exit_code == 0
    assert (tmp_path / FOLDER / "notes.txt").read_text() == "mine"


@pytest.mark.parametrize("name", [MACHINE, LOG, README])
def test_a_file_that_was_changed_is_left_alone(
    tried: tuple[Path, str], tmp_path: Path, name: str
) -> None:
    shutil.copytree(tried[0] / FOLDER, tmp_path / FOLDER)
    changed = tmp_path / FOLDER / name
    changed.write_bytes(changed.read_bytes() + b"\n")
    before = contents(tmp_path / FOLDER)
    refused = demo(tmp_path)
    assert refused.exit_code == 2
    assert f"{FOLDER}/{name}" in refused.stderr
    assert contents(tmp_path / FOLDER) == before


@pytest.mark.parametrize("name", [STORE, REPORT, MACHINE])
def test_what_others_put_there_is_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / FOLDER).mkdir()
    (tmp_path / FOLDER / name).write_text("mine")
    refused = demo(tmp_path)
    assert refused.exit_code == 2
    assert "--folder" in refused.stderr
    assert contents(tmp_path / FOLDER) == {name: b"mine"}
    (tmp_path / "file").write_text("mine")
    assert demo(tmp_path, "--folder", "file").exit_code == 2
    assert (tmp_path / "file").read_text() == "mine"


def test_what_comes_along_is_small_marked_and_made_by_the_stand_in(tmp_path: Path) -> None:
    packaged = [file for file in files("borewarden").joinpath("demo").iterdir() if file.is_file()]
    assert sum(len(file.read_bytes()) for file in packaged) < 300_000
    held = demo_files()
    readme = held[README].decode()
    assert readme.startswith("Everything in this folder is invented")
    assert "Invented" in held[MACHINE].decode().splitlines()[0]
    [command] = [line for line in readme.splitlines() if line.startswith("borewarden simulate")]
    (tmp_path / MACHINE).write_bytes(held[MACHINE])
    assert load_machine(tmp_path / MACHINE).live_source() is not None
    with chdir(tmp_path):
        done = CliRunner().invoke(app, command.split()[1:], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    made = contents(tmp_path)
    assert {name: made[name] for name in held if name != README} == {
        name: content for name, content in held.items() if name != README
    }

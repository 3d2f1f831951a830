"""No command overwrites what it reads, and no logged day gets into a watched machine's store."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.store.database import open_store, write_alarm
from borewarden.store.owner import owned
from borewarden.store.queries import newest_batch
from invented_days import ROOT

LOG, MACHINE = "north-2026-03-04-chip.csv", "north.toml"


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a log, a machine file, a list and a store."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(ROOT / "replay_data" / LOG, tmp_path)
    shutil.copy(ROOT / "config" / MACHINE, tmp_path)
    (tmp_path / "list.csv").write_text(f"machine,log\n{MACHINE},{LOG}\n")
    with open_store(tmp_path / "a.db"):
        pass
    for name in (LOG, MACHINE, "a.db"):
        (tmp_path / f"hard-{name}.out").hardlink_to(tmp_path / name)
    return tmp_path


def borewarden(*words: str) -> Result:
    return CliRunner().invoke(app, words)


@pytest.mark.parametrize("target", [LOG, MACHINE, "a.db", f"hard-{LOG}.out", f"hard-{MACHINE}.out"])
@pytest.mark.parametrize(
    "words",
    [
        ("replay", LOG, "--machine", MACHINE, "--report"),
        ("tune", LOG, "--machine", MACHINE, "--report"),
        ("tune", LOG, "--machine", MACHINE, "--patch"),
        ("compare", LOG, "--machine", MACHINE, "--csv"),
        ("fleet", "list.csv", "--table"),
    ],
    ids=lambda words: f"{words[0]} {words[-1]}",
)
def test_what_is_read_is_never_overwritten(here: Path, words: tuple[str, ...], target: str) -> None:
    before = {path.name: path.read_bytes() for path in here.iterdir()}
    done = borewarden(*words, target)
    assert done.exit_code == 2
    assert "it would overwrite" in done.stderr
    assert {path.name: path.read_bytes() for path in here.iterdir()} == before


@pytest.mark.parametrize(
    "words",
    [
        ("fleet", "list.csv", "--table", "list.csv"),
        ("fleet", "list.csv", "--store", "new.db", "--table", "new.db"),
        ("tune", LOG, "--machine", MACHINE, "--report", "x", "--patch", "x"),
        ("shift", "--config", MACHINE, "--store", "a.db", "--report", "a.db"),
        ("life", "--config", MACHINE, "--store", "a.db", "--report", MACHINE),
        ("register", "export", "a.db", "--store", "a.db"),
        ("simulate", "a.db", "--machine", MACHINE, "--first", "2026-03-04"),
    ],
    ids=" ".join,
)
def test_no_output_is_a_list_a_store_or_another_output(here: Path, words: tuple[str, ...]) -> None:
    done = borewarden(*words)
    assert done.exit_code == 2
    assert "it would overwrite" in done.stderr


def test_a_replay_has_a_store_of_its_own_and_says_so(here: Path) -> None:
    done = borewarden("replay", LOG, "--machine", MACHINE)
    assert done.exit_code == 0
    assert "store:  replay.db" in done.stdout
    assert sorted(path.name for path in here.glob("*.db*")) == [
        "a.db",
        "hard-a.db.out",
        "replay.db",
    ]


def test_a_replay_goes_by_the_register_of_the_watch(here: Path) -> None:
    fit = ("register", "fit", "--machine", MACHINE, "--bore", "0.254 mm", "--material", "ruby")
    assert borewarden(*fit, "--by", "Jo", "--at", "2026-03-01T06:00").exit_code == 0
    done = borewarden("replay", LOG, "--machine", MACHINE)
    assert done.exit_code == 0
    assert "the register in borewarden.db" in done.stdout
    with open_store(here / "borewarden.db") as connection:
        assert newest_batch(connection, "North") == {}


@pytest.mark.parametrize(
    "words",
    [("replay", LOG, "--machine", MACHINE, "--store"), ("fleet", "list.csv", "--store")],
    ids=["replay", "fleet"],
)
def test_a_logged_day_never_gets_into_a_watched_machine(here: Path, words: tuple[str, ...]) -> None:
    store = here / "live.db"
    with open_store(store) as connection:
        write_alarm(connection, "North", "bore", "{}")  # as every watch does with its first beat
    done = borewarden(*words, "live.db")
    assert done.exit_code == 2
    assert "it is watched live into this store" in done.stderr
    with open_store(store) as connection:
        assert newest_batch(connection, "North") == {}


def test_nothing_is_replayed_into_a_store_that_has_an_owner(here: Path) -> None:
    with owned(here / "live.db", "borewarden watch"):
        done = borewarden("replay", LOG, "--machine", MACHINE, "--store", "live.db")
    assert done.exit_code == 2
    assert "`borewarden watch`, process " in done.stderr
    assert not (here / "live.db").exists()

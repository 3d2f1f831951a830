"""What is written never harms what was there: inputs, stores, settings, by whatever name."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from borewarden.base.errors import BadInput
from borewarden.base.files import check_output
from borewarden.cli.logged import report_name


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A log, a machine file and a store, each with a link and a hard link."""
    (tmp_path / "day.csv").write_text("time\n")
    (tmp_path / "north.toml").write_text("[pump]\n")
    connection = sqlite3.connect(tmp_path / "a.db")
    connection.execute("CREATE TABLE t (a)")
    connection.close()
    for name in ("day.csv", "north.toml", "a.db"):
        (tmp_path / f"link-{name}.out").symlink_to(tmp_path / name)
        (tmp_path / f"hard-{name}.out").hardlink_to(tmp_path / name)
    return tmp_path


@pytest.mark.parametrize("name", ["day.csv", "north.toml", "a.db"])
@pytest.mark.parametrize("form", ["{}", "link-{}.out", "hard-{}.out", "../{folder}/{}"])
def test_an_input_is_never_an_output(folder: Path, name: str, form: str) -> None:
    path = folder / form.format(name, folder=folder.name)
    inputs = [folder / "day.csv", folder / "north.toml", folder / "a.db", None]
    with pytest.raises(BadInput, match="it would overwrite"):
        check_output("--report", path, inputs)


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("a.db", "database"),
        ("link-a.db.out", "database"),
        ("hard-a.db.out", "database"),
        ("a.db-wal", "database"),
        ("a.db.owner", "database"),
        ("north.toml", "settings"),
        ("link-north.toml.out", "settings"),
        (".", "directory"),
        ("day.csv/page.html", "nothing can be written"),
    ],
)
def test_stores_and_settings_are_safe_though_nobody_named_them(
    folder: Path, name: str, what: str
) -> None:
    with pytest.raises(BadInput, match=what):
        check_output("--report", folder / name)


def test_a_store_that_is_yet_to_be_made_is_safe(folder: Path) -> None:
    with pytest.raises(BadInput, match=r"new\.db"):
        check_output("--report", folder / "x" / ".." / "new.db", [folder / "new.db"])


@pytest.mark.parametrize("name", ["page.html", "new/folder/page.html", "other.csv"])
def test_what_harms_nothing_is_allowed(folder: Path, name: str) -> None:
    (folder / "page.html").write_text("yesterday's")
    check_output("--report", folder / name, [folder / "day.csv"])
    assert not (folder / "new").exists()


def test_reports_of_different_days_machines_and_spans_have_different_names() -> None:
    machines = [Path("north.toml"), Path("other/south.toml")]
    logs = [["2026.03.04.csv"], ["2026.03.05.csv"], ["2026.03.04.parquet"], ["2026.03.csv"]]
    logs += [["2026.03.04.csv", "2026.03.05.csv"], ["2026.03.04.csv", "2026.03.06.csv"]]
    names = [report_name(machine, [*map(Path, each)]) for machine in machines for each in logs]
    assert len(set(names)) == len(names)
    assert report_name(machines[0], [Path("a/north-2026-03-04.csv")]) == "north-2026-03-04.html"

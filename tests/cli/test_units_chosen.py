"""One setting of units holds in tables, reports, the shift page and errors."""

from __future__ import annotations

import re
from contextlib import chdir
from pathlib import Path

import pytest
from typer.testing import CliRunner

from borewarden.base.errors import BadInput
from borewarden.base.shown import METRIC, US, chosen
from borewarden.cli import app
from borewarden.settings import load_machine
from borewarden.settings.service import common_units, load_folder, load_machines

ROOT = Path(__file__).parents[2]
METRIC_WORDS = re.compile(r"\bMPa\b|\d\smm\b|°C|\bkW\b|\bl/min|cm³")
TOP = 'name = "North"'


def machine(folder: Path, top: str = "", name: str = "north.toml") -> Path:
    path = folder / name
    text = (ROOT / "config" / "north.toml").read_text()
    path.write_text(text.replace(TOP, f"{TOP}\n{top}"))
    return path


def run(folder: Path, *words: str, code: int = 0) -> str:
    with chdir(folder):
        done = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done.output


def test_a_replay_and_its_report_have_the_units_of_the_machine_file(tmp_path: Path) -> None:
    file = machine(tmp_path, 'units = "US"')
    log = ROOT / "replay_data" / "north-2026-03-04-chip.csv"
    text = run(tmp_path, "replay", str(log), "--machine", str(file))
    assert "54,300 psi" in text
    assert not METRIC_WORDS.search(text)
    page = (tmp_path / "reports" / "north-2026-03-04-chip.html").read_text()
    told = re.sub(r"(?s)<(script|style).*?</\1>", "", page)
    assert "Pressure, psi" in told
    assert "Effective bore, in" in told
    assert not METRIC_WORDS.search(told)
    assert chosen("pressure") is None  # it ended with the command
    run(tmp_path, "register", "fit", "--machine", str(file), "--bore", "10 thou", "--material",
        "ruby", "--by", "Ada", "--at", "2026-03-02T06:00")  # fmt: skip
    shift = run(tmp_path, "shift", "--config", str(file), "--at", "2026-03-05")
    assert "0.0100 in" in shift
    assert not METRIC_WORDS.search(shift + (tmp_path / "reports" / "shift.html").read_text())
    assert "psi h" in run(tmp_path, "register", "show", "--config", str(file))


def test_tables_have_the_units_of_the_machine_file(tmp_path: Path) -> None:
    both = run(tmp_path, "bores", "--machine", str(machine(tmp_path)))
    us = run(tmp_path, "bores", "--machine", str(machine(tmp_path, 'units = "US"')))
    assert re.search(r"mm +in +heads +MPa +l/min +kW", both)
    assert re.search(r"in +heads +psi +gal/min +hp", us)
    assert not METRIC_WORDS.search(us)


def test_errors_have_them_too(tmp_path: Path) -> None:
    file = machine(tmp_path, 'units = "US"')
    text = run(tmp_path, "bores", "--machine", str(file), "--pressure", "90,000 psi", code=2)
    assert "can't give 90,000 psi" in text
    assert "58,020 psi" in text
    file.write_text(file.read_text().replace('"37 kW"', '"5 hp"'))
    with pytest.raises(BadInput) as caught:
        load_machine(file)
    assert "hp at 58,000 psi" in str(caught.value)


def test_by_quantity_the_others_stay(tmp_path: Path) -> None:
    file = machine(tmp_path, 'units = { pressure = "bar" }')
    text = run(tmp_path, "count", "--machine", str(file), "--pressure", "3746 bar", "--strokes",
               "60", "--seconds", "158", "--no-store")  # fmt: skip
    assert "at 3746 bar" in text
    assert "0.254 mm (0.0100 in)" in text


def test_the_services_units_hold_for_machines_without_their_own(tmp_path: Path) -> None:
    machine(tmp_path, "by_hand = true")
    other = machine(tmp_path, 'by_hand = true\nunits = "metric"', "other.toml")
    other.write_text(other.read_text().replace(TOP, 'name = "Other"'))
    (tmp_path / "service.toml").write_text('units = "US"\n')
    north, other_one = load_folder(tmp_path)[0]
    assert (north.shown_units, other_one.shown_units) == (US, METRIC)
    assert common_units(load_machines(tmp_path / "north.toml").values()) == US
    assert common_units([north, other_one]) is None


def test_the_environment_beats_the_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = machine(tmp_path, 'units = "metric"')
    monkeypatch.setenv("BOREWARDEN_UNITS", "US")
    assert load_machine(file).shown_units == US
    text = run(tmp_path, "count", "--name", "P", "--kind", "intensifier", "--plunger", "7/8 in",
               "--stroke", "7.5 in", "--bore", "10 thou", "--pressure", "55,000 psi", "--strokes",
               "60", "--seconds", "158", "--no-store")  # fmt: skip
    assert not METRIC_WORDS.search(text)
    monkeypatch.setenv("BOREWARDEN_UNITS", "imperial")
    assert "BOREWARDEN_UNITS" in run(tmp_path, "counts", code=2)


def test_a_wrong_choice_is_said(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as caught:
        load_machine(machine(tmp_path, 'units = { pressure = "atm" }'))
    assert caught.value.where == "units"
    assert "MPa, psi, bar, kpsi" in caught.value.right

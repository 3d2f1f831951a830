"""Ranges, names and units as in the machine file; grids and Latin hypercubes; the patch."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from borewarden.base.errors import BadInput
from borewarden.settings import load_machine
from borewarden.tune.grid import (
    SECTION_OF,
    USUAL_RANGES,
    candidate_of,
    candidates,
    ranges_of,
    read_ranges,
)
from borewarden.tune.patch import diff, patched
from invented_days import ROOT, machine_of

NORTH = ROOT / "config" / "north.toml"


def test_a_grid_has_todays_settings_first_and_no_two_alike() -> None:
    ranges = {"smallest_step": ["3 %", "4 %", "0.04"], "batch_time": ["10 s", "30 s"]}
    made = candidates(machine_of("north"), NORTH, ranges, 100, 1)
    assert [c.changed for c in made] == [
        {},  # 4 % and 10 s are today's
        {"smallest_step": "3 %"},
        {"smallest_step": "3 %", "batch_time": "30 s"},
        {"batch_time": "30 s"},
    ]
    assert made[2].watch.smallest_step == pytest.approx(0.03)
    assert made[2].gate.batch_time == 30.0
    assert made[0].watch == machine_of("north").watch_settings()
    assert made[0].words == "as today"


def test_a_large_grid_is_thinned_to_a_latin_hypercube() -> None:
    machine = machine_of("north")
    first, again, other = (candidates(machine, NORTH, USUAL_RANGES, 60, s) for s in (1, 1, 2))
    assert first == again
    assert first != other
    assert 40 <= len(first) <= 61
    # each level of each setting comes about equally often: that is what the hypercube is for
    steps = [c.watch.smallest_step for c in first[1:]]
    assert all(steps.count(size) >= 8 for size in (0.02, 0.03, 0.04, 0.05, 0.06))


def test_every_usual_range_is_known_and_holds_todays_default() -> None:
    for name, values in USUAL_RANGES.items():
        assert SECTION_OF[name] in ("watch", "gate")
        found = [candidate_of(machine_of("west"), NORTH, {name: value}) for value in values]
        assert sum(c.changed == {} for c in found) == 1


def test_hours_and_shares_are_read_as_in_the_machine_file(tmp_path: Path) -> None:
    values = {"false_alarm_time": "2 weeks", "limit": "5 %", "working_pressure": "40 kpsi"}
    made = candidate_of(machine_of("north"), NORTH, values)
    assert made.watch.false_alarm_hours == pytest.approx(336.0)
    assert made.gate.working_pressure == pytest.approx(275.8e6, rel=1e-3)
    file = tmp_path / "north.toml"
    file.write_text(patched(NORTH.read_text(), values))
    machine = load_machine(file)
    assert (machine.gate_settings(), machine.watch_settings()) == (made.gate, made.watch)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["smallest_stp=3 %"], "did you mean 'smallest_step'"),
        (["smallest_step"], "is not a range"),
        (["smallest_step=3 %,"], "is not a range"),
        (["nonsense=1"], "known are"),
    ],
)
def test_ranges_that_are_none_are_refused(words: list[str], said: str) -> None:
    with pytest.raises(BadInput, match=said):
        ranges_of(words)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"smallest_step": ["3 bar"]}, "is a unit of something else"),
        ({"smallest_step": ["300 %"]}, "out of range"),
        ({"batch_time": ["20"]}, "has no unit"),
        ({"batch_time": ["soon"]}, "not a number"),
        ({"working_pressure": ["600 MPa"]}, "must rise"),
    ],
)
def test_values_that_the_machine_file_could_not_have_are_refused(values, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        candidates(machine_of("north"), NORTH, values, 10, 1)


def test_ranges_file(tmp_path: Path) -> None:
    file = tmp_path / "ranges.toml"
    file.write_text('[watch]\nlimit = ["6 %", "8 %"]\n[gate]\nbatch_time = ["15 s"]\n')
    assert read_ranges(file) == {"limit": ["6 %", "8 %"], "batch_time": ["15 s"]}
    for text, said in (
        ("[watch]\nlimits = []", "did you mean 'limit'"),
        ("[watch]\nbatch_time = []", "unknown setting"),
        ('[watch]\nlimit = "8 %"', "is not a list"),
        ("[watch]\nlimit = []", "is not a list"),
        ("[pump]\nstroke = []", "not a section of ranges"),
        ("[watch", "broken TOML"),
    ):
        file.write_text(text)
        with pytest.raises(BadInput, match=said):
            read_ranges(file)
    with pytest.raises(BadInput, match="no such file"):
        read_ranges(tmp_path / "missing.toml")


# -- patch


@pytest.mark.parametrize("name", ["north", "south", "west"])
def test_the_patch_keeps_comments_and_gives_the_settings(name: str, tmp_path: Path) -> None:
    text = (ROOT / "config" / f"{name}.toml").read_text()
    changed = {"smallest_step": "3 %", "limit": "6 %", "batch_time": "15 s"}
    new = patched(text, changed)
    lines = new.splitlines()
    lost = [line for line in text.splitlines() if line not in lines]
    assert lost == [line for line in text.splitlines() if line.startswith("limit =")]
    if name == "north":
        at = lines.index('smallest_step = "3 %"')
        assert lines[at - 1].startswith('limit = "6 %"')
        assert "# area growth at which" in lines[at - 1]
        assert lines[at + 1] == ""
    file = tmp_path / f"{name}.toml"
    file.write_text(new)
    machine = load_machine(file)
    tried = candidate_of(machine_of(name), NORTH, changed)
    assert (machine.gate_settings(), machine.watch_settings()) == (tried.gate, tried.watch)


def test_no_change_is_no_patch() -> None:
    assert diff(NORTH, NORTH.read_text(), {}) == ""


@pytest.mark.parametrize("ending", ["\n", ""])
def test_the_real_patch_program_takes_the_diff(tmp_path: Path, ending: str) -> None:
    program = shutil.which("patch")
    if program is None:
        pytest.skip("the program `patch` is not installed")
    file = tmp_path / "north.toml"
    text = NORTH.read_text().rstrip("\n") + ending
    file.write_text(text)
    changed = {"level_uncertainty": "0.8 %", "batch_time": "15 s"}
    made = diff(Path("north.toml"), text, changed)
    subprocess.run([program, "-p0"], input=made, text=True, cwd=tmp_path, check=True)
    assert file.read_text() == patched(text, changed)

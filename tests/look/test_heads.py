"""Heads of a pump: what a look makes of a count of open heads, of a valve for each, of neither.

Days of the second plant: invented machines with two heads.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner

from borewarden import load_machine
from borewarden.base.errors import BadInput
from borewarden.cli import app
from borewarden.look.form import Answers
from borewarden.look.looked import look_at
from borewarden.look.roles import Told
from second_plant import day, write

KINDS = ("intensifier", "floating", "regulated")


def log_of(folder: Path, kind: str, mode: str, *signals: str, seed: int = 71_002) -> Path:
    """Three hours of a pump with two heads; the columns are called as the plant calls them."""
    made = day(kind, seed, signals=("pressure", "rate", *signals), heads=2, mode=mode, hours=3.0)
    log, _, _ = write(made, folder)
    return Path(log)


def looked(log: Path, *options: str) -> tuple[dict[str, Any], str, Path]:
    """What `look` found, as JSON, the text of the machine file, and where that is."""
    target = log.with_suffix(".toml").with_stem("looked")
    words = ["look", str(log), "--json", "--out", str(target), "--time-zone", "UTC", *options]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout), target.read_text(), target


@pytest.mark.parametrize(
    ("kind", "mode"),
    [("intensifier", "mixed"), ("regulated", "mixed"), ("floating", "together")],
)
def test_a_count_of_open_heads_is_one_and_each_head_has_a_jewel(
    kind: str, mode: str, tmp_path: Path
) -> None:
    found, text, target = looked(log_of(tmp_path, kind, mode, "valve"))
    channels = {role["channel"]: role for role in found["roles"]}
    assert channels["valve"]["column"] == "heads_open"
    assert "how many heads are open" in channels["valve"]["why"]
    assert "rate" in channels
    assert found["heads"] == 2
    machine = load_machine(target)
    assert [jewel.head for jewel in machine.jewels()] == ["1", "2"]
    assert machine.valve_heads == ()  # it is a count, and names no head
    assert text.count("[log.valve]") == 1


@pytest.mark.parametrize("kind", KINDS)
def test_a_valve_of_each_head_names_the_heads(kind: str, tmp_path: Path) -> None:
    found, _, target = looked(log_of(tmp_path, kind, "turns", "valve_1", "valve_2"))
    assert {"valve.1", "valve.2"} <= {role["channel"] for role in found["roles"]}
    machine = load_machine(target)
    assert machine.valve_heads == ("1", "2")
    assert [jewel.head for jewel in machine.jewels()] == ["1", "2"]


def test_one_head_is_said_to_be_assumed_where_nothing_tells_of_heads(tmp_path: Path) -> None:
    log = log_of(tmp_path, "intensifier", "turns")
    target = tmp_path / "looked.toml"
    words = ["look", str(log), "--yes", "--out", str(target), "--time-zone", "UTC"]
    done = CliRunner().invoke(app, words)
    said = " ".join(done.output.split())
    assert "One head is assumed: nothing tells how many heads there are" in said
    assert said.index("One head is assumed") < said.index("Find out ") < said.index("no valve sig")
    assert len(load_machine(target).jewels()) == 1
    assert "Give each further head a [[jewel]] of its own" in target.read_text()


@pytest.mark.parametrize("signals", [(), ("valve",)])
def test_of_several_heads_without_a_signal_each_it_says_what_that_costs(
    tmp_path: Path, signals: tuple[str, ...]
) -> None:
    log = log_of(tmp_path, "intensifier", "mixed", *signals)
    words = ["look", str(log), "--yes", "--heads", "2", "--out", str(tmp_path / "m.toml")]
    done = CliRunner().invoke(app, [*words, "--time-zone", "UTC"])
    assert "The pump feeds 2 heads, and nothing says which of them is open" in done.output


def test_the_number_of_heads_can_be_stated(tmp_path: Path) -> None:
    log = log_of(tmp_path, "intensifier", "turns")
    found, _, target = looked(log, "--heads", "2")
    assert found["heads"] == 2
    assert len(load_machine(target).jewels()) == 2


def test_a_second_jewel_is_refused_with_the_figures_that_are_only_guessed(tmp_path: Path) -> None:
    _, text, target = looked(log_of(tmp_path, "intensifier", "turns", seed=71_001))
    jewel = text[text.index("[[jewel]]") : text.index("# One head")]
    target.write_text(f'{text}\n{jewel}head = "2"\n')
    with pytest.raises(BadInput, match=r"rated_power.* of \[pump\] are only guessed"):
        load_machine(target)


def test_fewer_heads_than_a_column_counts_are_refused(tmp_path: Path) -> None:
    log = log_of(tmp_path, "intensifier", "mixed", "valve")
    done = CliRunner().invoke(app, ["look", str(log), "--yes", "--heads", "1"])
    assert done.exit_code == 2
    assert "heads_open shows at least 2" in done.output


@pytest.mark.parametrize(
    ("names", "heads"),
    [
        (("Head A open", "Head B open"), ["A", "B"]),
        (("PLC1 jet 1", "PLC1 jet 2"), ["1", "2"]),
        (("kopf1", "kopf2"), ["1", "2"]),
        (("X7", "X8"), []),  # nothing says that these are heads
    ],
)
def test_heads_are_named_as_their_columns_are(
    names: tuple[str, str], heads: list[str], tmp_path: Path
) -> None:
    log = log_of(tmp_path, "intensifier", "turns", "valve_1", "valve_2")
    frame = pd.read_csv(log, dtype=str)
    frame.columns = [*frame.columns[:-2], *names]
    frame.to_csv(log, index=False)
    roles = look_at([log], Answers(), Told()).roles
    found = [role.channel.removeprefix("valve.") for role in roles if role.column in names]
    assert [head for head in found if head != "valve"] == heads


# -- strokes that are counted in twos, or heads that cut by turns


def plate_of(machine_file: Path) -> list[str]:
    """The options that state the name plate and the bore of a machine file of the plant."""
    stated = tomllib.loads(machine_file.read_text())
    pump = {name: value for name, value in stated["pump"].items() if name != "kind"}
    words = [word for name, value in pump.items() for word in ("--plate", f"{name}={value}")]
    jewel = stated["jewel"][0]
    return ["--bore", jewel["bore"], "--material", jewel["material"], *words]


def strokes_looked(folder: Path, seed: int, mode: str, *signals: str) -> tuple[str, Any, str]:
    """What is said of a log with two heads and all figures stated; its rate in the machine file."""
    made = day("intensifier", seed, signals=("pressure", *signals), heads=2, mode=mode, hours=3.0)
    log, plant, _ = write(made, folder)
    target = folder / "looked.toml"
    words = ["look", str(log), "--yes", "--heads", "2", "--out", str(target), "--time-zone", "UTC"]
    done = CliRunner().invoke(app, [*words, *plate_of(plant)])
    assert done.exit_code == 0, done.output
    read = tomllib.loads(target.read_text())["log"]
    rate = read.get("stroke_count") or read["rate"]
    return " ".join(done.output.split()), rate, target.read_text()


@pytest.mark.parametrize(("signal", "seed"), [("counter", 50_003), ("rate", 50_000)])
def test_heads_that_cut_by_turns_are_not_taken_for_strokes_counted_in_twos(
    signal: str, seed: int, tmp_path: Path
) -> None:
    said, rate, text = strokes_looked(tmp_path, seed, "turns", signal)
    assert rate["strokes_per_count"] == 1
    assert "the bore fits with 1 head open, or with 2 heads open and 2 here" in text
    assert "Whether the log counts each stroke, or to and fro as one, can't be told" in said


def test_strokes_in_twos_are_told_where_no_number_of_heads_fits_without(tmp_path: Path) -> None:
    said, rate, _ = strokes_looked(tmp_path, 50_001, "turns", "counter")
    assert rate["strokes_per_count"] == 2
    assert "so to and fro count as one" in said
    assert "can't be told while" not in said


@pytest.mark.parametrize(("seed", "per_count"), [(50_003, None), (50_001, 2)])
def test_a_count_of_open_heads_tells_how_strokes_are_counted(
    seed: int, per_count: int | None, tmp_path: Path
) -> None:
    said, rate, _ = strokes_looked(tmp_path, seed, "turns", "counter", "valve")
    assert rate.get("strokes_per_count") == per_count
    assert "can't be told while" not in said

"""The command look: what it asks, what it refuses, and that it never overwrites."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.collect.labels import labels_path
from borewarden.look.plots import plot
from borewarden.look.time_form import text_form
from borewarden.settings import load_machine
from shop_logs import Form, forms, write

FORMS = {form.key: form for form in forms()}


def look(*words: object) -> Any:
    return CliRunner().invoke(app, ["look", *map(str, words)])


def files(key: str, folder: Path) -> list[Path]:
    form: Form = FORMS[key]
    return write(form, folder)


def test_a_machine_file_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    machine = tmp_path / "north.toml"
    machine.write_text("mine")
    done = look(*files("iso", tmp_path), "--yes", "--out", machine)
    assert done.exit_code == 2
    assert "is not overwritten" in done.output
    assert machine.read_text() == "mine"


def test_without_anybody_to_ask_it_wants_yes(tmp_path: Path) -> None:
    done = look(*files("iso", tmp_path), "--out", tmp_path / "m.toml")
    assert done.exit_code == 2
    assert "nobody to ask" in done.output
    assert not (tmp_path / "m.toml").exists()


def test_every_figure_says_where_it_comes_from(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    done = look(*files("iso", tmp_path), "--yes", "--out", machine, "--bore", "0.010 in",
                "--plate", "rated_pressure=60 kpsi", "--time-zone", "Europe/Vienna")  # fmt: skip
    assert done.exit_code == 0, done.output
    text = machine.read_text()
    pump = text[text.index("[pump]") : text.index("[log]")].strip().splitlines()[1:]
    sources = ("from the name plate", "guessed, please check", "not known: watched relative to")
    assert all(any(source in line for source in sources) for line in pump), pump
    stated = tomllib.loads(text)
    assert stated["pump"]["rated_pressure"] == "60 kpsi"
    assert '"60 kpsi"' in next(line for line in pump if "from the name plate" in line)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--is", "pressure=nothing"], "there are pressure_bar, strokes, water_c"),
        (["--is", "pressure"], "write it as --is NAME=VALUE"),
        (["--is", "weather=strokes"], "known are pressure"),
        (["--date-order", "week-first"], "day-first or month-first"),
        (["--fitted", "yesterday"], "give one such as 2026"),
        (["--plate", "wheels=4"], "known are rated_pressure"),
        (["--plate", "stroke=long"], "pump.stroke"),
        (["--plate", "intensification_ratio=high"], "pump.intensification_ratio"),
        (["--bore", "tiny"], "0.010 in"),
        (["--time-zone", "Lindgrat"], "time_zone"),
        (["--material", "glass"], "known: ruby"),
        (["--pump", "piston"], "intensifier or direct drive"),
    ],
)
def test_wrong_options_are_named_and_nothing_is_written(
    options: list[str], says: str, tmp_path: Path
) -> None:
    machine = tmp_path / "m.toml"
    done = look(*files("iso", tmp_path), "--yes", "--out", machine, *options)
    assert done.exit_code == 2
    assert says in " ".join(done.output.split())
    assert not machine.exists()


def two_pressures(folder: Path) -> Path:
    log = folder / "two.csv"
    lines = files("iso", folder)[0].read_text().splitlines()
    head, *rows = (line.split(",") for line in lines)
    table = [[head[0], "PT1", "PT2", head[2]], *([r[0], r[1], r[1], r[2]] for r in rows)]
    log.write_text("\n".join(map(",".join, table)) + "\n")
    return log


def test_two_columns_that_could_be_the_pressure_are_asked_about(tmp_path: Path) -> None:
    log, machine = two_pressures(tmp_path), tmp_path / "m.toml"
    done = look(log, "--yes", "--out", machine)
    assert done.exit_code == 2
    assert "--is pressure=PT1 or --is pressure=PT2" in " ".join(done.output.split())
    done = look(log, "--yes", "--out", machine, "--is", "pressure=PT2", "--unit", "pressure=bar")
    assert done.exit_code == 0, done.output
    assert tomllib.loads(machine.read_text())["log"]["pressure"]["column"] == "PT2"


def test_a_rate_that_could_be_strokes_a_second_or_a_flow_is_asked_about(tmp_path: Path) -> None:
    log = files("hertz", tmp_path)[0]
    log.write_text(log.read_text().replace("Strokes [Hz]", "F12"))
    done = look(log, "--yes", "--out", tmp_path / "m.toml")
    assert done.exit_code == 2
    assert "--unit rate=Hz" in " ".join(done.output.split())


def test_a_log_without_a_pressure_is_refused(tmp_path: Path) -> None:
    log = files("iso", tmp_path)[0]
    rows = [line.split(",") for line in log.read_text().splitlines()]
    log.write_text("".join(f"{row[0]},{row[2]},{row[3]}\n" for row in rows))
    done = look(log, "--yes", "--out", tmp_path / "m.toml")
    assert done.exit_code == 2
    assert "no column moves like the pressure of a jet" in " ".join(done.output.split())


def test_a_sign_that_can_be_both_is_asked_about(tmp_path: Path) -> None:
    log = files("kpsi", tmp_path)[0]
    rows = [line.split(",") for line in log.read_text().splitlines()]
    log.write_text("".join(f"{row[0]};{row[1]};{row[2].split('.')[0]}\n" for row in rows))
    done = look(log, "--yes", "--out", tmp_path / "m.toml")
    assert done.exit_code == 2
    assert "--decimal point or --decimal comma" in " ".join(done.output.split())


def test_half_a_line_at_the_end_is_no_summary(tmp_path: Path) -> None:
    log = files("semicolon", tmp_path)[0]
    log.write_bytes(log.read_bytes()[:-13])
    done = look(log, "--yes", "--out", tmp_path / "m.toml", "--date-order", "day-first")
    assert done.exit_code == 2
    assert "half written" in done.output


def test_dialogue_asks_what_the_log_leaves_open(tmp_path: Path) -> None:
    (log,) = files("either-day-first", tmp_path)
    machine = tmp_path / "m.toml"
    ours, theirs = pty.openpty()
    # the order of the date, the columns are right, a name, a zone, a figure that can't be and the
    # right one, then Enter at each figure
    os.write(ours, b"1\n\nNorth\nEurope/Vienna\nmuch\n60 kpsi\n" + b"\n" * 20)
    done = subprocess.run(
        [sys.executable, "-m", "borewarden", "look", str(log), "--out", str(machine)],
        stdin=theirs, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    os.close(ours)
    os.close(theirs)
    assert done.returncode == 0, done.stderr
    assert "1  day-first" in done.stdout
    assert "'much' is not a number with a unit" in done.stdout
    stated = tomllib.loads(machine.read_text())
    assert (stated["name"], stated["time_zone"]) == ("North", "Europe/Vienna")
    assert stated["pump"]["rated_pressure"] == "60 kpsi"
    assert stated["log"]["time_format"] == "%d/%m/%Y %H:%M:%S"


@pytest.mark.parametrize(
    ("cells", "pattern"),
    [
        (["26-03-17 05:00:00"], None),  # 2026 or 2017: asked
        (["31/12/2026 05:00"], "%d/%m/%Y %H:%M"),
        (["2026/12/31 5:00:00 pm"], "%Y/%m/%d %I:%M:%S %p"),
        (["17. 03. 2026 05:00:00"], "%d. %m. %Y %H:%M:%S"),
        (["2026-03-17 05:00:00", "2026-03-17 05:00:00.5"], ""),
    ],
)
def test_forms_of_time(cells: list[str], pattern: str | None) -> None:
    if pattern is None:
        with pytest.raises(ValueError, match="--date-order"):
            text_form(Path("a.csv"), "t", cells, None)
        return
    form = text_form(Path("a.csv"), "t", cells, None)
    assert form is not None
    assert form.pattern == pattern


def test_plot_shows_least_and_most_and_what_is_missing() -> None:
    lines = plot(np.array([0.0, 1.0, np.nan, 0.5]), 4, 3)
    assert lines == [" |  ", " | :", ".| |"]


def test_days_are_not_invented_in_a_form_that_the_stand_in_does_not_write(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    done = look(*files("tab", tmp_path), "--yes", "--out", machine)
    assert done.exit_code == 0, done.output
    words = ["simulate", tmp_path / "day.csv", "--machine", machine, "--first", "2026-03-17"]
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 2
    assert "the plain one" in done.output
    assert not (tmp_path / "day.csv").exists()


@pytest.mark.parametrize("name", ["day.xlsx", "day.txt", "day.csv.gz", "day.txt.gz", "DAY.ODS"])
def test_labels_lie_beside_a_log_of_any_kind(name: str) -> None:
    assert labels_path(name).name.lower() == "day.labels.csv"


@pytest.mark.parametrize(("twos", "per_count"), [(False, None), (True, 2)])
def test_strokes_counted_in_twos_are_told_by_the_plate(
    twos: bool, per_count: int | None, tmp_path: Path
) -> None:
    log = files("iso", tmp_path)[0]
    if twos:
        head, *rows = (line.split(",") for line in log.read_text().splitlines())
        rows = [[row[0], row[1], str(int(row[2]) // 2), row[3]] for row in rows]
        log.write_text("\n".join(map(",".join, [head, *rows])) + "\n")
    machine = tmp_path / "m.toml"
    plate = ["plunger_diameter=22 mm", "stroke=200 mm", "dead_volume=8 cm^3"]
    words = [word for figure in plate for word in ("--plate", figure)]
    done = look(log, "--yes", "--out", machine, "--bore", "0.010 in", *words)
    assert done.exit_code == 0, done.output
    counted = tomllib.loads(machine.read_text())["log"]["stroke_count"]
    assert counted.get("strokes_per_count") == per_count


def test_step_of_a_coarse_rate_is_stated(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    done = look(*files("west", tmp_path), "--yes", "--out", machine)
    assert done.exit_code == 0, done.output
    assert load_machine(machine).log.rate_resolution == pytest.approx(0.1 / 60)  # type: ignore[union-attr]

"""The command look: what it asks, what it refuses, and that it never overwrites."""

from __future__ import annotations

import datetime as dt
import json
import os
import pty
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from borewarden.base.shown import chosen
from borewarden.cli import app
from borewarden.cli.look import _target
from borewarden.collect.labels import labels_path
from borewarden.look.help import CHOICES, FIGURES
from borewarden.look.machine_file import DIRECT, INTENSIFIER, KINDS
from borewarden.look.plots import plot
from borewarden.look.time_form import text_form
from borewarden.look.unit_words import spelled
from borewarden.settings import load_machine
from shop_logs import Form, forms, write

ROOT = Path(__file__).parents[2]

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
    assert "nobody can be asked" in done.output
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


def test_what_stands_on_no_name_plate_is_not_said_to_be_from_there(tmp_path: Path) -> None:
    one = tmp_path / "one.toml"
    given = ("--yes", "--pump", "direct drive", "--time-zone", "Europe/Vienna", "--bore", "0.3 mm")
    log = ROOT / "replay_data" / "south-2026-03-05-chip.csv"
    for stated, says in (((), "# guessed, please check:"), (("none",), "# as stated")):
        plate = [word for each in stated for word in ("--plate", f"regulation={each}")]
        one.unlink(missing_ok=True)
        done = look(log, *given, *plate, "--out", one)
        assert done.exit_code == 0, done.output
        (line,) = (each for each in one.read_text().splitlines() if "regulation" in each)
        assert says in line
        assert "name plate" not in line


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--is", "pressure=nothing"], "there are pressure_bar, strokes, water_c"),
        (["--is", "pressure"], "write it as --is NAME=VALUE"),
        (["--is", "weather=strokes"], "known are pressure"),
        (["--date-order", "week-first"], "day-first or month-first"),
        (["--fitted", "yesterday"], "give one such as 2026"),
        (["--is", "pressure=water_c", "--unit", "pressure=kPa"], "which no jet does"),
        (["--unit", "pressure=degC", "--is", "pressure=pressure_bar"], "is not one of pressure"),
        (["--plate", "wheels=4"], "known are rated_pressure"),
        (["--plate", "stroke=long"], "can't use --plate where: stroke=long"),
        (["--plate", "intensification_ratio=high"], "can't use --plate where: intensification_rat"),
        (["--bore", "tiny"], "0.010 in"),
        (["--bore", "25 mm"], "--bore"),
        (["--time-zone", "Lindgrat"], "can't use --time-zone where: Lindgrat"),
        (["--time-zone", "Wien"], "did you mean 'Europe/Vienna'"),
        (["--material", "glass"], "known: ruby"),
        (["--pump", "piston"], "intensifier or direct drive"),
        (["--units", "imperial"], "give metric or US"),
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


@pytest.mark.parametrize(
    ("figures", "blamed"),
    [
        (["plunger_diameter=6 mm"], "plunger_diameter=6 mm"),
        (["plunger_diameter=3 mm", "rated_power=37 kW"], "plunger_diameter=3 mm"),
        (["stroke=6 mm"], "stroke=6 mm"),
        (["rated_power=5 hp"], "rated_power=5 hp"),
        (["rated_pressure=100 MPa"], "rated_pressure=100 MPa"),
        (["max_stroke_rate=9 strokes/min"], "max_stroke_rate=9 strokes/min"),
        (["dead_volume=900 cm^3"], "dead_volume=900 cm^3"),
        (["rated_pressure=400 MPa", "intensification_ratio=900"], "intensification_ratio=900"),
    ],
)
def test_a_wrong_figure_of_the_plate_is_blamed_and_not_the_log(
    figures: list[str], blamed: str, tmp_path: Path
) -> None:
    machine = tmp_path / "m.toml"
    plate = [word for figure in figures for word in ("--plate", figure)]
    done = look(*files("iso", tmp_path), "--yes", "--out", machine, *plate)
    said = " ".join(done.output.split())
    assert done.exit_code == 2, done.output
    assert f"can't use --plate where: {blamed}" in said
    assert not machine.exists()


def test_a_unit_is_shown_as_the_trade_writes_it_however_a_header_does(tmp_path: Path) -> None:
    log, machine = files("iso", tmp_path)[0], tmp_path / "m.toml"
    head, *rows = (line.split(",") for line in log.read_text().splitlines())
    head[1] = "pressure_mpa"
    table = [head, *([row[0], row[1] and f"{float(row[1]) / 10.0:.2f}", *row[2:]] for row in rows)]
    log.write_text("\n".join(map(",".join, table)) + "\n")
    done = look(log, "--yes", "--out", machine)
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert re.search(r"pressure_mpa: \S+ to \S+ MPa", said)
    assert re.search(r"nine readings in ten are below \S+ MPa", said)
    assert re.search(r"water_c: \S+ to \S+ °C", said)
    assert " mpa" not in said
    written = tomllib.loads(machine.read_text())["log"]
    assert (written["pressure"]["unit"], written["temperature"]["unit"]) == ("MPa", "°C")


def test_a_thousandth_of_a_pascal_is_not_taken_for_a_million() -> None:
    assert [spelled(each) for each in ("mpa", "mPa", "MPa", "A", "bar")] == [
        "MPa", "mPa", "MPa", "A", "bar"
    ]  # fmt: skip


METRIC = re.compile(r"\bMPa\b|\d\s?mm\b|°C|degC|\bkW\b|\bl/min|cm[³^]|millimetre")


@pytest.mark.parametrize("key", ["west", "kpsi", "flow-gpm", "tags-psi"])
@pytest.mark.parametrize("by", ["option", "service", "environment"])
def test_units_of_the_us_are_all_that_is_said_and_written(
    key: str, by: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = tmp_path / "m.toml"
    if by == "service":
        (tmp_path / "service.toml").write_text('units = "US"\n')
    elif by == "environment":
        monkeypatch.setenv("BOREWARDEN_UNITS", "US")
    elif key != "west":
        pytest.skip("one log is enough for each way to say so")
    options = ["--units", "US"] if by == "option" else []
    done = look(*files(key, tmp_path), "--yes", "--out", machine, *options)
    assert done.exit_code == 0, done.output
    written = machine.read_text()
    assert not METRIC.search(done.stdout), METRIC.findall(done.stdout)
    assert not METRIC.search(written), METRIC.findall(written)
    assert ('units = "US"' in written) is (by == "option")
    assert chosen("pressure") is None  # it ended with the command
    assert load_machine(machine).build_pump().rated_pressure > 350e6


def test_metric_units_are_all_that_is_written(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    done = look(*files("iso", tmp_path), "--yes", "--out", machine, "--units", "metric")
    assert done.exit_code == 0, done.output
    assert not re.search(r"psi|\d in\b|°F|hp\b", machine.read_text())


def test_the_next_command_has_paths_with_blanks_in_quotes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log, machine = tmp_path / "a day.csv", tmp_path / "my pump.toml"
    files("iso", tmp_path)[0].rename(log)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr(sys, "argv", [".venv/bin/borewarden"])
    done = look(log.name, "--yes", "--out", machine.name)
    assert done.exit_code == 0, done.output
    said = "next: .venv/bin/borewarden replay 'a day.csv' --machine 'my pump.toml'"
    assert said in done.stdout


def test_the_file_of_an_address_is_called_as_the_machine() -> None:
    address = "modbus://192.0.2.9:1502"
    assert _target([address], None, None) == Path("pump-at-192-0-2-9-1502.toml")
    assert _target([address], None, "Cell 3") == Path("Cell-3.toml")
    assert _target(["days/a.csv"], None, "Cell 3") == Path("a.toml")


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


def dialogue(
    log: Path, machine: Path, replies: str, *options: str
) -> subprocess.CompletedProcess[str]:
    """The command at a terminal, with what a person types there, then Enter at each question."""
    ours, theirs = pty.openpty()
    os.write(ours, replies.encode() + b"\n" * 20)
    done = subprocess.run(
        [sys.executable, "-m", "borewarden", "look", str(log), "--out", str(machine), *options],
        stdin=theirs, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    os.close(ours)
    os.close(theirs)
    return done


def test_dialogue_asks_what_the_log_leaves_open(tmp_path: Path) -> None:
    (log,) = files("either-day-first", tmp_path)
    machine = tmp_path / "m.toml"
    # the order of the date, the columns are right, a name, a zone, the kind of pump, a figure that
    # can't be and the right one
    done = dialogue(log, machine, "1\n\nNorth\nEurope/Vienna\n\nmuch\n60 kpsi\n")
    assert done.returncode == 0, done.stderr
    assert "1  day-first" in done.stdout
    assert "'much' is not a number with a unit" in done.stdout
    stated = tomllib.loads(machine.read_text())
    assert (stated["name"], stated["time_zone"]) == ("North", "Europe/Vienna")
    assert stated["pump"]["rated_pressure"] == "60 kpsi"
    assert stated["log"]["time_format"] == "%d/%m/%Y %H:%M:%S"


def test_a_wrong_answer_is_asked_again(tmp_path: Path) -> None:
    (log,) = files("thousands-every-cell", tmp_path)
    machine = tmp_path / "m.toml"
    replies = ["nein", "pressure=Hübe/min", "pressure=", "", "", "Wien", "", "yes", "",
               "", "", "24 mm", "180 mm"]  # fmt: skip
    done = dialogue(log, machine, "\n".join(replies) + "\n")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("COLUMN is one of Druck HD [bar], Hübe/min") == 3
    assert "not one of pressure" in done.stdout
    assert "did you mean 'Europe/Vienna'" in done.stdout
    assert "give intensifier or direct drive" in done.stdout
    stated = tomllib.loads(machine.read_text())
    assert stated["log"]["pressure"]["column"] == "Druck HD [bar]"
    pump = stated["pump"]
    assert (pump["kind"], pump["plunger_diameter"], pump["stroke"]) == (
        "intensifier", "24 mm", "180 mm",
    )  # fmt: skip
    assert pump["dead_volume"] == "8.14 cm^3"  # pi/4 (24 mm)^2 180 mm = 81.43 cm^3


@pytest.mark.parametrize("figure", ["stroke=long", "plunger_diameter=6 mm"])
def test_a_wrong_option_ends_before_the_figures_are_asked(figure: str, tmp_path: Path) -> None:
    (log,) = files("iso", tmp_path)
    done = dialogue(log, tmp_path / "m.toml", "", "--plate", figure)
    assert done.returncode == 2, done.stdout + done.stderr  # a signal, and where it struck
    assert f"can't use --plate\n  where: {figure}" in done.stderr
    assert not (tmp_path / "m.toml").exists()


def test_a_question_mark_explains_and_closed_sets_are_listed(tmp_path: Path) -> None:
    (log,) = files("either-day-first", tmp_path)
    machine = tmp_path / "m.toml"
    replies = ["?", "9", "day-first", "?", "", *["?", ""] * 3, *[""] * 8, "?", "0", "2",
               "?", "0.010 in", "?", "Sapphire"]  # fmt: skip
    done = dialogue(log, machine, "\n".join(replies) + "\n")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "03/04/2026 is 3 April (day-first)" in done.stdout
    assert "'9' is none of them; give a number from 1 to 2" in done.stdout
    assert "Type what a column is if the table above has it wrong" in done.stdout
    assert "Europe/Vienna or America/Chicago" in done.stdout
    assert "whether they cut together or by turns" in done.stdout
    assert "'0' is not a number of heads; give 1 to 8" in done.stdout
    assert machine.read_text().count("[[jewel]]") == 2
    assert "on the job sheet or its box: 0.010 in" in done.stdout
    assert "material (ruby, sapphire, man-made, diamond) [ruby, " in done.stdout
    jewel = tomllib.loads(machine.read_text())["jewel"][0]
    assert (jewel["bore"], jewel["material"]) == ("0.010 in", "sapphire")


def test_every_figure_that_is_asked_has_a_help() -> None:
    assert set(FIGURES) >= {*INTENSIFIER, *DIRECT, "name", "time_zone", "kind", "bore", "material"}
    assert set(CHOICES) <= set(FIGURES)
    assert CHOICES["kind"] == KINDS


def test_a_wrong_date_is_asked_again(tmp_path: Path) -> None:
    (log,) = files("time-only", tmp_path)
    machine = tmp_path / "m.toml"
    done = dialogue(log, machine, "nein\n2026-03-17\n")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "is not a time" in done.stdout
    assert tomllib.loads(machine.read_text())["log"]["date"] == dt.date(2026, 3, 17)


@pytest.mark.parametrize(("key", "sign"), [("thousands-every-cell", "."),
                                           ("thousands-every-cell-english", ",")])  # fmt: skip
def test_thousands_sign_is_stated_and_replay_reads_it(
    key: str, sign: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # the report goes there
    (log,), machine = files(key, tmp_path), tmp_path / "m.toml"
    done = look(log, "--yes", "--out", machine, "--time-zone", "Europe/Vienna")
    assert done.exit_code == 0, done.output
    assert tomllib.loads(machine.read_text())["log"]["thousands"] == sign
    replayed = CliRunner().invoke(app, ["replay", str(log), "--machine", str(machine), "--json"])
    assert replayed.exit_code == 0, replayed.output
    told = json.loads(replayed.stdout)
    assert told["labels"] == []
    assert {"stroke", "bore", "fitted"} <= set(told["guessed"])
    assert told["jewels"][0]["guessed"] == ["bore", "material", "fitted"]


@pytest.mark.parametrize(
    ("key", "header", "options", "kind"),
    [
        ("thousands-every-cell", "Hübe/min", [], "intensifier"),
        ("thousands-every-cell", "Pump strokes/min", [], "intensifier"),
        ("thousands-every-cell", "Plunger [1/min]", [], "intensifier"),
        ("south", "Hübe/min", ["--pump", "direct drive"], "direct drive"),
        ("south", "Crank rpm", [], "direct drive"),
        ("south", "Drehzahl [1/min]", [], "direct drive"),
        ("south", "Hübe/min", ["--plate", "plungers=3"], "direct drive"),
    ],
)
def test_a_rate_of_strokes_is_that_of_an_intensifier(
    key: str, header: str, options: list[str], kind: str, tmp_path: Path
) -> None:
    (log,), machine = files(key, tmp_path), tmp_path / "m.toml"
    rate = FORMS[key].right["rate"][0]
    log.write_text(log.read_text("cp1252").replace(rate, header), "cp1252")
    done = look(log, "--yes", "--out", machine, *options)
    assert done.exit_code == 0, done.output
    assert tomllib.loads(machine.read_text())["pump"]["kind"] == kind


def test_dead_volume_is_that_of_the_plate(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    done = look(*files("iso", tmp_path), "--yes", "--out", machine, "--bore", "0,25 mm",
                "--plate", "plunger_diameter=22 mm", "--plate", "stroke=200 mm")  # fmt: skip
    assert done.exit_code == 0, done.output
    assert tomllib.loads(machine.read_text())["pump"]["dead_volume"] == "7.6 cm^3"
    assert load_machine(machine).jewels()[0].bore == pytest.approx(0.25e-3)


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


def test_bore_is_told_by_plunger_stroke_and_rate(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    plate = ["--plate", "plunger_diameter=22 mm", "--plate", "stroke=200 mm"]
    done = look(*files("iso", tmp_path), "--yes", "--out", machine, *plate)
    assert done.exit_code == 0, done.output
    line = next(each for each in machine.read_text().splitlines() if each.startswith("bore"))
    assert "plunger, stroke and rate tell it" in line
    assert load_machine(machine).jewels()[0].bore == pytest.approx(0.254e-3, rel=0.11)


POOR = ["--plate", "rated_power=7.5 kW", "--plate", "rated_pressure=400 MPa"]


def test_a_guessed_bore_that_does_not_fit_is_named(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    done = look(*files("iso", tmp_path), "--yes", "--out", machine, *POOR)
    said = " ".join(done.output.split())
    assert done.exit_code == 2
    assert "the guessed bore 0.010 in" in said
    assert "the largest stock bore that fits is 0.008 in" in said
    assert not machine.exists()


def test_a_bore_that_does_not_fit_puts_the_kind_of_pump_in_question(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    words = ["--yes", "--out", machine, "--bore", "0.010 in", "--pump", "direct drive"]
    done = look("replay_data/west-2026-03-03-sound.parquet", *words)  # of an intensifier
    said = " ".join(done.output.split())
    assert done.exit_code == 2
    assert "if the bore is right, check the kind of pump (direct drive), too" in said
    done = look("replay_data/north-2026-03-04-chip.csv", *words)
    assert done.exit_code == 2
    assert "or correct the kind of pump if it counts strokes" in " ".join(done.output.split())
    assert not machine.exists()


def test_a_bore_that_does_not_fit_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (log,), machine = files("iso", tmp_path), tmp_path / "m.toml"
    monkeypatch.setattr("borewarden.cli.look._is_asked", lambda *_: True)  # as at a terminal
    # the columns are right, then Enter twelve times; a bore too large, the right one
    words = ["look", str(log), "--out", str(machine), *POOR]
    done = CliRunner().invoke(app, words, input="\n" * 13 + "0.4 mm\n0.20 mm\n")
    assert done.exit_code == 0, done.output
    assert "0.4 mm: the jet takes" in done.output
    assert tomllib.loads(machine.read_text())["jewel"][0]["bore"] == "0.20 mm"


def test_bores_says_what_is_guessed_and_has_metric_rows(tmp_path: Path) -> None:
    machine = tmp_path / "m.toml"
    stated = ["--bore", "0.25 mm", "--material", "ruby", "--plate", "rated_power=37 kW"]
    done = look(*files("iso", tmp_path), "--yes", "--out", machine, *stated)
    assert done.exit_code == 0, done.output
    done = CliRunner().invoke(app, ["bores", "--machine", str(machine)])
    assert done.exit_code == 0, done.output
    assert "0.250 0.0098" in " ".join(done.stdout.split())
    line = next(each for each in done.stdout.splitlines() if each.startswith("Guessed"))
    assert "max_stroke_rate" in line
    assert "rated_power" not in line
    assert done.stdout.count("from guessed figures") == 2


@pytest.mark.parametrize(
    ("stated", "costliest"),
    [
        ([], "Find out plunger_diameter and stroke first: without them"),
        (["plunger_diameter=22 mm"], "Find out stroke first: without it"),
        # uniform over 92 to 100 %: 0.08 / sqrt(12) / 0.96; invented range
        (["plunger_diameter=22 mm", "stroke=200 mm"], "volumetric_efficiency (± 2.4 %, invented)"),
        (["plunger_diameter=22 mm", "stroke=200 mm", "dead_volume=8 cm^3",
          "volumetric_efficiency=97 %"], ""),
    ],
)  # fmt: skip
def test_the_unknown_that_costs_most_is_named(
    stated: list[str], costliest: str, tmp_path: Path
) -> None:
    plate = [word for figure in stated for word in ("--plate", figure)]
    done = look(*files("iso", tmp_path), "--yes", "--out", tmp_path / "m.toml", *plate)
    assert done.exit_code == 0, done.output
    assert costliest in " ".join(done.output.split())
    assert ("Find out" in done.output) == bool(costliest)


def test_a_valve_that_is_left_out_is_not_said_to_be_missing(tmp_path: Path) -> None:
    log = files("iso", tmp_path)[0]
    head, *rows = log.read_text().splitlines()
    flips = [f"{row},{at // 7 % 2}" for at, row in enumerate(rows)]
    log.write_text("\n".join([f"{head},jet valve", *flips]) + "\n")
    done = look(log, "--yes", "--out", tmp_path / "m.toml")
    said = " ".join(done.output.split())
    assert done.exit_code == 0, done.output
    assert "No valve signal is used, since jet valve is left out (see above)" in said
    assert "There is no valve signal" not in said

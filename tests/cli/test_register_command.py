"""The register's commands: what a person types and reads; whatever is refused leaves nothing."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from borewarden.cli import app
from borewarden.jewels.fitting import End, Fitting
from borewarden.store.database import open_store
from borewarden.store.register import fittings, history, newest_entry

ROOT = Path(__file__).parents[2]
CONFIG = str(ROOT / "config")
NORTH = str(ROOT / "config" / "north.toml")
HEADER = "machine,head,fitted,bore,material,out,end,tds_ppm,mixing_chamber,chamber_hours,note"
GOOD = "North,1,2026-03-02T06:00,0.010 in,ruby,,,120,yes,12 h,"


@pytest.fixture(autouse=True)
def in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")


def register(*words: str) -> Result:
    """The real app in this process, since a process of its own takes a second or two each."""
    return CliRunner().invoke(app, ["register", *words])


def done(*words: str) -> str:
    result = register(*words)
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def refused(*words: str) -> str:
    result = register(*words)
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    return " ".join(result.output.split())


def held() -> dict[int, Fitting]:
    with open_store(Path("borewarden.db")) as connection:
        return fittings(connection)


def fit(at: str, *words: str, bore: str = "0.010 in") -> str:
    stated = ("--machine", NORTH, "--bore", bore, "--material", "ruby", "--by", "Eva", "--at", at)
    return done("fit", *stated, *words)


def test_commands_run_as_a_process_of_their_own(tmp_path: Path) -> None:
    def run(*words: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "borewarden.cli", "register", *words]
        return subprocess.run(command, capture_output=True, text=True, check=False)

    stated = ("--machine", NORTH, "--bore", "0.010 in", "--material", "ruby", "--by", "Eva")
    fitted = run("fit", *stated, "--at", "2026-03-02T06:00")
    assert fitted.returncode == 0, fitted.stderr
    assert fitted.stdout == "fitting 1: ruby 0.254 mm (0.010 in), head 1 of North\n"
    wrong = run("fit", *stated, "--at", "2026-03-29T02:30")
    assert wrong.returncode == 2
    assert "was skipped by the clocks of Europe/Vienna" in wrong.stderr
    assert list(held()) == [1]


def test_everything_that_can_be_stated_is_kept() -> None:
    fit(
        "2026-03-02T06:00", "--head", "2", "--batch", "LOT 7", "--mixing-chamber", "yes",
        "--chamber-hours", "30 h", "--tube-bore", "0.76 mm", "--tube-hours", "12 h",
        "--last-chance-filter", "no", "--tds-ppm", "120", "--low-pressure-start", "yes",
        "--handling", "gloves, under the hood", "--earlier-hours", "3.5 h",
        "--discharge-coefficient", "0.66", "--note", "from stock",
    )  # fmt: skip
    (kept,) = held().values()
    assert kept == Fitting(
        "North", "2", 1_772_427_600 * 10**9, pytest.approx(0.254e-3), "ruby",
        earlier_hours=3.5, discharge_coefficient=0.66, batch="LOT 7", mixing_chamber=True,
        chamber_hours=30.0, tube_bore=pytest.approx(0.76e-3), tube_hours=12.0,
        last_chance_filter=False, tds_ppm=120.0, low_pressure_start=True,
        handling="gloves, under the hood", note="from stock",
    )  # fmt: skip


def test_next_jewel_closes_the_one_before_and_says_so() -> None:
    fit("2026-03-02T06:00")
    said = fit("2026-03-09T05:40")
    assert "fitting 1 was still in head 1 of North: closed at the time of the next one" in said
    first, second = held().values()
    assert (first.out_ns, first.end) == (second.fitted_ns, End.UNKNOWN)
    assert second.out_ns is None


def test_jewel_taken_out_with_its_end() -> None:
    fit("2026-03-02T06:00")
    out = ("out", "--machine", NORTH, "--by", "Eva")
    assert "did you mean 'chipped'?" in refused(*out, "--end", "chiped")
    assert "out before it is fitted" in refused(*out, "--end", "worn", "--at", "2026-03-01T06:00")
    assert "no jewel in head '2'" in refused(*out, "--end", "worn", "--head", "2")
    said = done(*out, "--end", "chipped", "--at", "2026-03-05T06:00", "--note", "rim")
    assert said == "fitting 1: out, chipped"
    assert held()[1].end is End.CHIPPED
    assert held()[1].note == "rim"
    assert "the register has no jewel in head '1'" in refused(*out, "--end", "worn")
    assert "closed" not in fit("2026-03-09T05:40")


def past(*words: str, at: str = "2026-01-12", out: str = "2026-01-16") -> list[str]:
    return [
        "fit", "--machine", NORTH, "--bore", "0.010 in", "--material", "ruby", "--by", "Eva",
        "--at", at, "--out", out, *words,
    ]  # fmt: skip


def test_jewels_from_notes_are_kept_and_marked_as_stated() -> None:
    fit("2026-03-02T06:00", "--earlier-hours", "25 h")
    said = done(*past("--hours", "38 h", "--end", "chipped", "--note", "blue card"))
    assert said.endswith("head 1 of North; 38.0 h by the notes, as stated; taken out, end chipped")
    assert done(*past("--hours", "38", "--end", "chipped", "--note", "blue card")).startswith(
        "that fitting is in the register already"
    )
    assert held()[2] == Fitting(
        "North", "1", 1_768_172_400 * 10**9, pytest.approx(0.254e-3), "ruby",
        1_768_518_000 * 10**9, End.CHIPPED, noted_hours=38.0, note="blue card",
    )  # fmt: skip
    shown = done("show", "--config", CONFIG)
    assert "38.0 as stated" in shown
    assert "25.0 as stated" in shown
    said = done("out", "--machine", NORTH, "--by", "Eva", "--end", "planned", "--hours", "12.5 h")
    assert said == "fitting 1: out, planned; 25.0 h before and 12.5 h by the notes, as stated"
    assert "37.5 as stated" in done("show", "--config", CONFIG)
    done("correct", "1", "--by", "Eva", "--why", "still in", "--set", "out=")
    assert held()[1].noted_hours is None


@pytest.mark.parametrize(
    ("words", "where", "wrong"),
    [
        (past("--hours", "121 h", "--end", "worn"), "--hours", "121 h of jet are more than"),
        (past("--hours", "about 20", "--end", "worn"), "--hours", "is not a number"),
        (past("--hours", "-3 h", "--end", "worn"), "--hours", "out of range"),
        (past("--hours", "3 bar", "--end", "worn"), "--hours", "is a unit of something else"),
        (past("--hours", "3 h", "--end", "changed"), "--end", "known: chipped, worn, plugged"),
        (past("--hours", "3 h", "--end", "worn", out="2026-01-12"), "--out", "a day alone means"),
        (past("--hours", "3 h", "--end", "worn", at="12.1.2026"), "--at", "is not a time"),
        (past("--hours", "3 h", out=""), "--hours", "this one has no time out"),
        (past("--hours", "3 h", "--end", "worn", out=""), "--end", "but no time out"),
        (past("--hours", "3 h", "--end", "worn", out="2026-03-04"), "--at", "overlaps"),
    ],
)
def test_notes_that_cannot_be_are_refused(words: list[str], where: str, wrong: str) -> None:
    fit("2026-03-02T06:00")
    said = refused(*words)
    assert f"where: {where}" in said
    assert wrong in said
    still_in = ("--by", "Eva", "--why", "card", "--set", "noted_hours=20")
    assert "the watch began (--set earlier_hours)" in refused("correct", "1", *still_in)
    out = words.index("--out")
    if "--hours" in words and words[out + 1] == "" and "worn" not in words:
        assert "state when it came out (--out); of one" in said
        assert "the watch began (--earlier-hours)" in said
    assert list(held()) == [1]


def test_correction_keeps_who_why_and_what_stood_there() -> None:
    fit("2026-03-02T06:00")
    mend = ("correct", "1", "--by", "Jo", "--why", "read the box again", "--config", CONFIG)
    said = done(*mend, "--set", "bore=0.012 in", "--set", "fitted=2026-03-02T06:30")
    assert said == "fitting 1 corrected"
    with open_store(Path("borewarden.db")) as connection:
        assert [(entry.by, entry.why) for entry in history(connection, 1)] == [
            ("Eva", ""),
            ("Jo", "read the box again"),
        ]
    told = done("history", "1", "--config", CONFIG)
    assert "by Jo (read the box again):" in told
    assert "bore: 0.012 in (was 0.254 mm)" in told
    for change, words in (
        ("bore=0.012 in", "that is what stands there"),
        ("bor=0.012 in", "names no field"),
        ("bore", "names no field"),
        ("bore=", "is missing"),
        ("bore=0.5 mm", "the pump can't feed it"),
        ("machine=Nord", "there is no machine 'Nord'"),
        ("end=worn", "there is an end but no time out"),
    ):
        assert words in refused(*mend, "--set", change)
    said = done(*mend, "--set", "out=2026-03-04T06:00", "--set", "end=worn", "--set", "note=x")
    assert held()[1].end is End.WORN
    done(*mend, "--set", "out=")
    assert (held()[1].out_ns, held()[1].end, held()[1].note) == (None, None, "x")
    assert "there is no fitting 5" in refused(*("correct", "5"), *mend[2:], "--set", "head=2")
    assert "says nothing" in refused("strike", "1", "--by", "Jo", "--why", " ")


def test_correction_into_the_time_of_another_jewel_is_refused() -> None:
    fit("2026-03-02T06:00")
    fit("2026-03-09T06:00")
    late = "out=2026-03-10T06:00+01:00"
    said = refused("correct", "1", "--by", "J", "--why", "x", "--set", late)
    assert "it overlaps fitting 2" in said or "it overlaps fitting 1" in said


def test_struck_out_fitting_is_gone_but_not_its_history() -> None:
    fit("2026-03-02T06:00")
    assert done("strike", "1", "--by", "Jo", "--why", "twice") == "fitting 1 struck out"
    assert held() == {}
    assert "by Jo (twice): struck out" in done("history", "1")
    assert "there is no fitting 1" in refused("strike", "1", "--by", "Jo", "--why", "twice")
    assert "the register in borewarden.db holds no jewel" in done("show")


def test_striking_a_wrong_entry_opens_the_jewel_that_it_had_closed() -> None:
    fit("2026-03-02T06:00")
    fit("2026-03-09T05:40")
    said = done("strike", "2", "--by", "Jo", "--why", "other machine")
    assert said == "fitting 2 struck out fitting 1 is in head 1 of North again"
    assert (held()[1].out_ns, held()[1].end) == (None, None)
    fit("2026-03-10T06:00")
    fit("2026-03-12T06:00")
    said = done("strike", "3", "--by", "Jo", "--why", "twice")
    assert "fitting 1 now counts as out when the next one in its head was fitted" in said
    assert held()[1].out_ns == held()[4].fitted_ns
    # one that was moved closes the jewel before it at its new time
    later = ("correct", "4", "--config", CONFIG, "--by", "Jo", "--why", "wrong day")
    done(*later, "--set", "fitted=2026-03-13T06:00")
    assert held()[1].out_ns == held()[4].fitted_ns
    done(*later, "--set", "head=2")
    assert held()[1].out_ns is None


def test_a_jewel_that_somebody_took_out_stays_out_and_the_mend_is_named() -> None:
    fit("2026-03-02T06:00")
    at = "2026-03-09T05:40"
    done("out", "--machine", NORTH, "--by", "Eva", "--end", "worn", "--at", at)
    fit(at)
    said = done("strike", "2", "--by", "Jo", "--why", "twice")
    assert "fitting 1 stays out, as stated; if it was never taken out:" in said
    assert "register correct 1 --set out=" in said
    assert held()[1].end is End.WORN


def test_without_telemetry_hours_are_not_known_but_where_stated() -> None:
    fit("2026-03-02T06:00")
    done(*past("--hours", "38"))
    done(*past(at="2026-01-02", out="2026-01-05"))
    shown = done("show", "--config", CONFIG)
    assert shown.count("not known") == 2
    assert "0.0 " not in shown.replace("38.0 as stated", "")
    told = json.loads(register("show", "--json").stdout)
    assert [each["jet_hours"] for each in told] == [None, None, None]


def guessed(folder: Path, **changes: str) -> str:
    """A machine file whose one jewel has a date that was guessed."""
    text = Path(NORTH).read_text().split("[[jewel]]")[0]
    jewel = {"fitted": "2026-03-03T00:00:00", "bore": '"0.010 in"', "material": '"ruby"'} | changes
    lines = [f"{name} = {value}  # guessed, please check" for name, value in jewel.items()]
    (folder / "guessed.toml").write_text("\n".join([text, "[[jewel]]", *lines, ""]))
    return str(folder / "guessed.toml")


@pytest.mark.parametrize(
    ("at", "hours", "changes", "says"),
    [
        ("2026-02-26T06:00", "25", {}, "that of the machine file from 2026-03-03 00:00 on"),
        ("2026-02-26T06:00", "", {}, "fitted 2026-03-03 00:00, a guess"),
        ("2026-03-05T06:00", "25", {}, "that of the register from 2026-03-05 06:00 on"),
        ("2026-03-05T06:00", "", {}, ""),  # the next jewel
        ("2026-03-03T00:00", "25", {"jet_hours": '"38 h"'}, "The register counts. Correct"),
        ("2026-03-03T00:00", "25", {}, ""),
    ],
)
def test_entries_of_register_and_machine_file_that_contradict_each_other_are_told(
    at: str, hours: str, changes: dict[str, str], says: str, tmp_path: Path
) -> None:
    machine = guessed(tmp_path, **changes)
    words = ["--machine", machine, "--bore", "0.010 in", "--material", "ruby", "--by", "Eva"]
    said = done("fit", *words, "--at", at, *(["--earlier-hours", hours] if hours else []))
    assert ("register and machine file disagree" in said) is bool(says)
    assert says in said
    shown = done("show", "--machine", machine)
    assert ("register and machine file disagree" in shown) is bool(says)


def test_what_the_other_store_holds_is_named(tmp_path: Path) -> None:
    with open_store(Path("replay.db")) as connection:
        connection.execute(
            "INSERT INTO batch (machine, start_ns, end_ns, state) VALUES ('North', 1, 2, 'sound')"
        )
    said = fit("2026-03-02T06:00")
    assert "jewels of North are in borewarden.db, its jet hours in replay.db" in said
    assert "register export jewels.csv --store borewarden.db" in said
    said = done("show", "--machine", NORTH, "--store", "replay.db")
    assert "add --store replay.db" in said
    done("export", "jewels.csv")
    done("import", "jewels.csv", "--store", "replay.db", "--by", "Eva")
    said = done("show", "--machine", NORTH)
    assert "borewarden.db has no telemetry of North, replay.db has: add --store replay.db" in said
    assert "note:" not in done("show", "--machine", NORTH, "--store", "replay.db")


def test_names_are_taken_in_any_case() -> None:
    fit("2026-03-02T06:00", "--material", "Ruby")
    done("out", "--machine", NORTH, "--by", "Eva", "--end", "Chipped", "--at", "2026-03-05")
    assert (held()[1].material, held()[1].end) == ("ruby", End.CHIPPED)


def test_table_shows_jet_hours_and_what_telemetry_says_of_the_start(tmp_path: Path) -> None:
    log = ROOT / "replay_data" / "north-2026-03-04-chip.csv"
    replayed = CliRunner().invoke(
        app,
        ["replay", str(log), "--machine", NORTH, "--store", "borewarden.db", "--report", "r.html"],
    )
    assert replayed.exit_code == 0, replayed.output
    fit("2026-03-02T06:00", "--earlier-hours", "2 h", "--low-pressure-start", "yes")
    shown = done("show", "--machine", NORTH)
    assert (
        "1 North 1 ruby 0.254 mm (0.010 in) 2026-03-02 06:00 8.8 (2.0 as stated) 2527 0.0 low"
        in shown
    )
    assert "at full pressure (0 of 5 low)" in shown


def test_export_is_imported_again_to_the_same_content(tmp_path: Path) -> None:
    fit("2026-03-02T06:00", "--note", 'said "new", then left', "--tds-ppm", "85.5")
    fit("2026-03-09T05:40", bore="0.3 mm")
    assert "2 fittings" in done("export", "a.csv")
    assert "2 recorded, 0 skipped" in done(
        "import", "a.csv", "--by", "Jo", "--store", "b.db", "--config", CONFIG
    )
    with open_store(tmp_path / "b.db") as connection:
        assert fittings(connection) == held()
    done("export", "b.csv", "--store", "b.db")
    assert Path("a.csv").read_bytes() == Path("b.csv").read_bytes()
    said = done("import", "a.csv", "--by", "Jo")
    assert said == (
        "line 2: in the register already, skipped line 3: in the register already, skipped "
        "0 recorded, 2 skipped"
    )
    with open_store(Path("borewarden.db")) as connection:
        assert newest_entry(connection) == 3  # two fitted, one of them closed


def test_printed_commands_run(tmp_path: Path) -> None:
    (tmp_path / "config").symlink_to(ROOT / "config")
    printed = (ROOT / "docs" / "jewels.md").read_text().split("<!-- register commands -->")[1]
    lines = printed.split("```sh\n")[1].split("```")[0].splitlines()
    assert len(lines) >= 7
    for line in lines:
        program, *words = shlex.split(line)
        assert (program, words[0]) == (".venv/bin/borewarden", "register")
        said = done(*words[1:])
    assert said == "line 2: in the register already, skipped 0 recorded, 1 skipped"
    assert held()[1].tds_ppm == 95.0


def test_printed_commands_of_jewels_from_notes_run(tmp_path: Path) -> None:
    (tmp_path / "config").symlink_to(ROOT / "config")
    printed = (ROOT / "docs" / "jewels.md").read_text().split("<!-- notes commands -->")[1]
    for line in printed.split("```sh\n")[1].split("```")[0].splitlines():
        said = done(*shlex.split(line)[2:])
    for words in ("25.0 as stated", "38.0 as stated", "44.0 as stated"):
        assert words in said


LATER = "North,1,2026-03-09T06:00,0.010 in,ruby,,,,,,"


@pytest.mark.parametrize(
    ("header", "row", "where", "wrong"),
    [
        (HEADER.replace("bore", "boer"), GOOD, "line 1", "unknown column 'boer'"),
        (HEADER.replace("bore", "tube"), GOOD, "line 1", "unknown column 'tube'"),
        (HEADER.replace("note", "head"), GOOD, "line 1", "column 'head' is there twice"),
        (HEADER.replace(",head", ",batch"), GOOD, "line 1", "there is no column 'head'"),
        (HEADER.replace(",", ";"), GOOD.replace(",", ";"), "line 1", "unknown column"),
        (HEADER, "", "file", "there is only a header"),
        (HEADER, GOOD[:-1], "line 2", "10 fields"),
        (HEADER, GOOD + ",more", "line 2", "12 fields"),
        (HEADER, GOOD + '"x"y"', "line 2", "is not CSV"),
        (HEADER, GOOD + '"never closed', "line 3", "is not CSV"),
        (HEADER, GOOD.replace("North", "Nord"), "column 'machine'", "no machine 'Nord'"),
        (HEADER, GOOD.replace("North", ""), "column 'machine'", "is missing"),
        (HEADER, GOOD.replace("North,1", "North,"), "column 'head'", "is missing"),
        (HEADER, GOOD.replace("0.010 in", ""), "column 'bore'", "is missing"),
        (HEADER, GOOD.replace("0.010 in", "0.010"), "column 'bore'", "has no unit"),
        (
            HEADER,
            GOOD.replace("0.010 in", "10 bar"),
            "column 'bore'",
            "is a unit of something else",
        ),
        (HEADER, GOOD.replace("0.010 in", "10 zoll"), "column 'bore'", "is not a unit"),
        (HEADER, GOOD.replace("0.010 in", "0.010 m"), "column 'bore'", "is out of range"),
        (HEADER, GOOD.replace("0.010 in", "ten in"), "column 'bore'", "is not a number"),
        (HEADER, GOOD.replace("0.010 in", "nan mm"), "column 'bore'", "is not a number"),
        (HEADER, GOOD.replace("0.010 in", "0.01 in**9**9"), "column 'bore'", "is not a unit"),
        (HEADER, GOOD.replace("0.010 in", "0.5 mm"), "line 2, column 'bore'", "can't feed it"),
        (HEADER, GOOD.replace("ruby", "rubi"), "column 'material'", "is not a known material"),
        (HEADER, GOOD.replace("120", "120 mg"), "column 'tds_ppm'", "is a unit of something else"),
        (HEADER, GOOD.replace("120", "-1"), "column 'tds_ppm'", "out of range"),
        (HEADER, GOOD.replace("yes", "maybe"), "column 'mixing_chamber'", "neither yes nor no"),
        (HEADER, GOOD.replace("yes", "no"), "column 'chamber_hours'", "no mixing chamber"),
        (HEADER, GOOD.replace("12 h", "12 bar"), "column 'chamber_hours'", "something else"),
        (HEADER, GOOD.replace("2026-03-02T06:00", "2.3.2026"), "column 'fitted'", "is not a time"),
        (HEADER, GOOD.replace("2026-03-02T06:00", ""), "column 'fitted'", "is missing"),
        (HEADER, GOOD.replace("2026", "2126"), "column 'fitted'", "outside 2000 to 2100"),
        (HEADER, GOOD.replace("2026", "2096"), "column 'fitted'", "is in the future"),
        (HEADER, GOOD.replace("2026", "1996"), "column 'fitted'", "outside 2000 to 2100"),
        (HEADER, GOOD.replace("03-02T06", "03-29T02"), "column 'fitted'", "was skipped"),
        (HEADER, GOOD.replace("2026-03-02T06", "2025-10-26T02"), "column 'fitted'", "twice"),
        (HEADER, GOOD.replace("ruby,,", "ruby,2026-03-01T06:00,"), "column 'out'", "before"),
        (HEADER, GOOD.replace("ruby,,", "ruby,2026-03-02T06:00,"), "column 'out'", "before"),
        (HEADER, GOOD.replace("ruby,,", "ruby,2096-03-02T06:00,"), "column 'out'", "in the future"),
        (HEADER, GOOD.replace("ruby,,", "ruby,,worn"), "column 'end'", "but no time out"),
        (HEADER, GOOD.replace("ruby,,", "ruby,2026-03-05,wron"), "column 'end'", "for an end"),
        (HEADER, GOOD.replace("ruby,,", "ruby,2026-03-12,"), "line 2", "overlaps"),
        (HEADER, LATER.replace("ruby", "diamond"), "line 2", "same head and time, and differs"),
        (HEADER, GOOD + '"two\nlines"', "column 'note'", "is not a line of text"),
        (HEADER, GOOD + "\x1b[31m", "column 'note'", "is not a line of text"),
        (HEADER, GOOD + "x" * 501, "column 'note'", "is not a line of text"),
    ],
)
def test_file_with_one_wrong_row_is_refused_whole(
    header: str, row: str, where: str, wrong: str
) -> None:
    """The good row stands behind the wrong one: it isn't taken either."""
    fit("2026-03-09T06:00")
    more = f"{row}\nNorth,2,2026-03-01T06:00,0.006 in,ruby,,,,,,\n" if row else ""
    Path("wrong.csv").write_text(f"{header}\n{more}", newline="")
    said = refused("import", "wrong.csv", "--by", "Jo", "--config", CONFIG)
    assert where in said
    assert wrong in said
    with open_store(Path("borewarden.db")) as connection:
        assert newest_entry(connection) == 1


def test_without_a_machine_file_any_machine_will_do_but_times_need_an_offset() -> None:
    Path("a.csv").write_text(f"{HEADER}\n{GOOD}\n".replace("North", "Elsewhere"))
    said = refused("import", "a.csv", "--by", "Jo")
    assert "has no offset from UTC, and the time zone is not known here" in said
    Path("a.csv").write_text(Path("a.csv").read_text().replace("06:00", "06:00Z"))
    assert "1 recorded" in done("import", "a.csv", "--by", "Jo")


def test_what_is_only_looked_at_is_not_made() -> None:
    for words in (("show",), ("history", "1"), ("export", "a.csv")):
        assert "there is no such store" in refused(*words)
    assert not Path("borewarden.db").exists()
    assert not Path("a.csv").exists()


def test_show_and_history_as_json() -> None:
    fit("2026-03-02T06:00", "--note", "[from stock]", "--earlier-hours", "3.5 h")
    done("correct", "1", "--by", "Jo", "--why", "read again", "--set", "tds_ppm=95")
    [shown] = json.loads(register("show", "--json").stdout)
    assert (shown["fitting"], shown["machine"], shown["note"]) == (1, "North", "[from stock]")
    assert shown["fitted_ns"] == 1_772_427_600 * 10**9
    assert shown["bore"] == pytest.approx(0.254e-3)
    assert (shown["out_ns"], shown["end"], shown["earlier_hours"]) == (None, None, 3.5)
    assert (shown["jet_hours"], shown["opening"]) == (None, "cannot tell")  # no telemetry
    first, second = json.loads(register("history", "1", "--json").stdout)
    assert (first["by"], first["content"]["tds_ppm"]) == ("Eva", None)
    assert (second["why"], second["content"]["tds_ppm"]) == ("read again", 95.0)
    done("strike", "1", "--by", "Jo", "--why", "never was")
    assert json.loads(register("show", "--json").stdout) == []
    assert json.loads(register("history", "1", "--json").stdout)[-1]["content"] is None

"""`borewarden count` and `counts`: a psi gauge, a stop-watch, and what is said of them."""

from __future__ import annotations

import json
import re
import shlex
from contextlib import chdir
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.inspection.cautions import CAUTIONS

CONFIG = Path(__file__).parents[2] / "config"
PLATE = ["--kind", "intensifier", "--plunger", "7/8 in", "--stroke", "7.5 in", "--bore", "10 thou"]
COUNT = ["--pressure", "55,000 psi", "--strokes", "60", "--seconds", "2:38"]
NAMED = ["count", "--name", "Pump 2"]


def run(folder: Path, *words: str, code: int = 0) -> str:
    with chdir(folder):
        done = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done.output


def told(folder: Path, *words: str) -> Any:
    return json.loads(run(folder, *words, "--json"))


def test_plate_facts_a_gauge_and_a_stop_watch_are_enough(tmp_path: Path) -> None:
    text = run(tmp_path, *NAMED, *PLATE, *COUNT)
    assert "First count of this jewel" in text
    assert "22.8 strokes/min seen" in text
    assert "the volumetric efficiency costs most certainty" in text
    assert "not given: 92.0 to 100.0 % (invented)" in text
    assert re.search(r"count \d+ strokes \(about \d+ min \d+ s\)", text)
    for caution in CAUTIONS:
        assert caution in text


def test_plate_bore_and_gauge_are_remembered_and_growth_is_seen(tmp_path: Path) -> None:
    at = "2026-03-04T08:00"
    first = told(tmp_path, *NAMED, *PLATE, *COUNT, "--gauge-class", "1.6", "--at", at)
    grown = told(tmp_path, *NAMED, "--pressure", "55k psi", "--strokes", "68", "--seconds", "158",
                 "--at", "2026-03-11T08:00")  # fmt: skip
    assert (first["state"], first["growth"]) == ("learning", None)
    assert grown["state"] == "probably opened up"
    assert grown["growth"] == pytest.approx(68 / 60 - 1, rel=1e-6)
    assert grown["count_again"] is True
    assert grown["uncertainty"]["gauge"] == pytest.approx(first["uncertainty"]["gauge"])
    assert grown["next_check"] == "cut"


def test_dead_headed_strokes_tell_a_leak(tmp_path: Path) -> None:
    run(tmp_path, *NAMED, *PLATE, *COUNT, "--at", "2026-03-04T08:00")
    leak = told(tmp_path, *NAMED, "--pressure", "55,000 psi", "--strokes", "68", "--seconds", "158",
                "--idle-strokes", "5", "--idle-seconds", "2:00")  # fmt: skip
    assert leak["state"] == "probably another fault"
    assert leak["leak"] == pytest.approx(5 / 120 / (68 / 158))


def test_growth_says_whether_the_leak_is_taken_off(tmp_path: Path) -> None:
    later = [*NAMED, "--pressure", "55,000 psi", "--strokes", "68", "--seconds", "158",
             "--idle-strokes", "5", "--idle-seconds", "2:00"]  # fmt: skip
    first, dead_headed = tmp_path / "first", tmp_path / "dead-headed"
    for folder, idle in ((first, []), (dead_headed, ["--idle-strokes", "1", *later[-2:]])):
        folder.mkdir()
        run(folder, *NAMED, *PLATE, *COUNT, *idle, "--at", "2026-03-04T08:00")
    text = run(first, *later)
    assert "effective area +13.3 ±" in text
    assert "growth includes the leak: nobody counted dead-headed at first" in text
    assert "it is +2.4 % without the leak" in text
    text = run(dead_headed, *later)
    assert "effective area +4.7 ±" in text
    assert "are taken off that growth; with them it would be +13.3 %" in text


def test_machine_file_and_crank_pump(tmp_path: Path) -> None:
    south = told(tmp_path, "count", "--machine", str(CONFIG / "south.toml"),
                 "--pressure", "330 MPa",
                 "--speed", "305 rpm", "--at", "2026-03-10T08:00")  # fmt: skip
    assert south["machine"] == "South"
    assert south["bores_stated"] == [pytest.approx(0.012 * 0.0254)]
    assert south["pressure_expected"] > south["pressure"]
    text = run(tmp_path, "count", "--machine", str(CONFIG / "south.toml"), "--pressure", "330 MPa")
    assert "Pressure: 330.0 MPa" in text
    assert "305.0 turns/min of the crank" in text
    assert "Assumed" not in text
    plate = (CONFIG / "south.toml").read_text()
    line = 'stroke = "40 mm"'
    assert line in plate
    (tmp_path / "guessed.toml").write_text(plate.replace(line, f"{line} # guessed, please check"))
    text = run(tmp_path, "count", "--machine", "guessed.toml", "--pressure", "330 MPa")
    assert "the machine file only guesses them: stroke" in text


def test_the_list_has_the_trend_and_the_page(tmp_path: Path) -> None:
    for week, strokes in enumerate((120, 121, 122, 124, 125, 127)):
        at = f"2026-0{3 + week // 4}-{1 + 7 * (week % 4):02d}T08:00"
        run(tmp_path, *NAMED, *PLATE, "--pressure", "55,000 psi", "--strokes", str(strokes),
            "--seconds", "316", "--at", at)  # fmt: skip
    listed = told(tmp_path, "counts")
    assert [each["number"] for each in listed] == [1, 2, 3, 4, 5, 6]
    assert listed[-1]["weekly_growth"] > 1.96 * listed[-1]["weekly_growth_sd"]
    text = run(tmp_path, "counts", "--report", "reports/counts.html")
    assert "At that pace it reaches the limit" in text
    page = (tmp_path / "reports/counts.html").read_text()
    assert "data:image/png;base64," in page
    assert CAUTIONS[1] in page
    assert page.count("<tr>") == 7


def test_a_wrong_count_is_struck_out_and_its_history_stays(tmp_path: Path) -> None:
    run(tmp_path, *NAMED, *PLATE, *COUNT)
    run(tmp_path, *NAMED, "--pressure", "55,000 psi", "--strokes", "160", "--seconds", "158")
    assert "is missing" in run(tmp_path, "counts", "--strike", "2", code=2)
    run(tmp_path, "counts", "--strike", "2", "--by", "Ada", "--why", "another pump's strokes")
    assert [each["number"] for each in told(tmp_path, "counts")] == [1]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([*PLATE, *COUNT[2:]], "--pressure: is missing"),
        ([*PLATE, *COUNT, "--oil-pressure", "2,750 psi"], "both water and oil pressure"),
        ([*PLATE, "--pressure", "8,702 bar", *COUNT[2:]], "out of range"),
        ([*PLATE, "--pressure", "8,702", *COUNT[2:]], "8702 or 8.702"),
        ([*PLATE, *COUNT[:4]], "--seconds: is missing"),
        ([*PLATE, *COUNT[:3], "2", "--seconds", "5"], "too few"),
        ([*COUNT], "--kind: is missing"),
        ([*PLATE, *COUNT, "--speed", "305 rpm"], "has no crank"),
        ([*PLATE, *COUNT, "--idle-strokes", "2"], "--idle-seconds: is missing"),
        ([*PLATE, *COUNT, "--bore", "0.010 in**9**9**9"], "is not a unit"),
        ([*PLATE, *COUNT, "--material", "glass"], "not a known material"),
        ([*PLATE, *COUNT, "--rated-pressure", "30,000 psi"], "1.8 times the rated pressure"),
        ([*PLATE, *COUNT, "--at", "2099-01-01"], "has not come yet"),
        ([*PLATE, *COUNT, "--at", "24.11.2026 08:00"], "did you mean 2026-11-24T08:00?"),
        ([*PLATE, *COUNT, "--at", "this morning"], "'this morning' is not a time"),
        ([*PLATE, *COUNT[:5], "2.38"], "makes 1,513 strokes/min, and no pump of this kind"),
        ([*PLATE, *COUNT[:5], "2.38"], "did you mean 2:38?"),
        ([*PLATE, *COUNT[:5], "1:00", "--max-rate", "50 spm"], "the plate says 50"),
        ([*PLATE, *COUNT[:3], "60.5", *COUNT[4:]], "60.5 is not a whole number"),
        ([*PLATE, *COUNT, "--idle-strokes", "2.5", "--idle-seconds", "2:00"], "count whole"),
        ([*PLATE, *COUNT, "--idle-strokes", "4", "--idle-seconds", "2.00"], "did you mean 2:00?"),
    ],
)
def test_what_can_not_be_used_is_said_and_makes_no_store(
    words: list[str], says: str, tmp_path: Path
) -> None:
    text = run(tmp_path, *NAMED, *words, code=2)
    assert says in text.replace("\n  ", " ").replace("where: ", "").replace(" wrong: ", ": ")
    assert list(tmp_path.iterdir()) == []


def test_a_pump_that_nobody_counted_is_unknown_and_the_known_ones_are_named(
    tmp_path: Path,
) -> None:
    run(tmp_path, *NAMED, *PLATE, *COUNT)
    for words in (["count", *COUNT], ["counts"]):
        text = run(tmp_path, *words, "--name", "Pumpe 2", code=2)
        assert "unknown pump 'Pumpe 2'; known: Pump 2" in text.replace("\n  ", " ")
    assert len(told(tmp_path, "counts")) == 1


def test_recounts_confirm_an_opened_bore(tmp_path: Path) -> None:
    run(tmp_path, *NAMED, *PLATE, *COUNT, "--at", "2026-03-04T08:00")
    again = [*NAMED, "--pressure", "55,000 psi", "--strokes", "66", "--seconds", "2:38", "--at"]
    texts = [run(tmp_path, *again, f"2026-03-{day:02d}T08:00") for day in (8, 9, 10, 11)]
    assert "Count again" in texts[0]
    assert "told twice: opened up" in texts[1]
    assert "told 4 times in a row: opened up" in texts[3]
    for text in texts:
        assert "effective area +10.0 ±" in text
        assert "At that pace it reaches" not in text


def test_a_first_count_above_the_stated_bore_may_already_be_open(tmp_path: Path) -> None:
    text = run(tmp_path, *NAMED, *PLATE, *COUNT[:3], "68", *COUNT[4:])
    assert "may already be open" in text
    assert "check the jewel before you take this as the reference" in text
    assert "agrees with the stated bore" not in text


def test_every_command_of_the_docs_page_runs_as_printed(tmp_path: Path) -> None:
    page = (CONFIG.parent / "docs" / "count.md").read_text()
    lines = re.findall(r"(?m)^\.venv/bin/borewarden (.*)$", page)
    (tmp_path / "config").symlink_to(CONFIG)
    told = [run(tmp_path, *shlex.split(line)) for line in lines]
    assert len(told) == 8
    assert "First count of this jewel" in told[0]
    assert "The bore has probably opened up" in told[1]
    assert "First count of this jewel" in told[2]
    assert "Probably a fault other than the orifice" in told[3]
    assert (tmp_path / "reports" / "counts.html").exists()

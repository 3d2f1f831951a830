"""The command that guides an inspection, as a person or a script runs it, on a real store."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from skimage.io import imsave
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.diagnose.causes import Cause
from borewarden.inspection import labels as pictures
from borewarden.inspection.cautions import CAUTIONS
from borewarden.inspection.labels import labels_of
from borewarden.inspection.record import Finding, Inspection
from borewarden.replay.one_machine import replay_logs
from borewarden.settings import load_machine
from borewarden.store.database import open_store
from borewarden.store.inspections import inspection_history, inspections, read_picture

ROOT = Path(__file__).parents[2]
NORTH = ROOT / "config" / "north.toml"
WEST = ROOT / "config" / "west.toml"


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which North has chipped and West is sound."""
    store = tmp_path_factory.mktemp("replayed") / "shop.db"
    replay_logs(load_machine(NORTH), [ROOT / "replay_data" / "north-2026-03-04-chip.csv"], store)
    replay_logs(load_machine(WEST), [ROOT / "replay_data" / "west-2026-03-03-sound.parquet"], store)
    return store


@pytest.fixture
def store(replayed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(replayed, tmp_path / "shop.db"))


def chipped_rim(path: Path) -> Path:
    """A rendered rim with a chip of 30 degrees, a tenth of the radius deep."""
    y, x = np.mgrid[-200:200, -200:200] / 120.0
    rim = np.where(np.abs(np.degrees(np.arctan2(y, x))) < 15.0, 1.1, 1.0)
    picture = np.clip(0.5 + (rim - np.hypot(x, y)) * 60.0, 0.1, 0.9)
    imsave(path, (picture * 255).astype(np.uint8), check_contrast=False)
    return path


def inspect(store: Path, *words: str, machine: str = "North", typed: str = "") -> Result:
    arguments = ["inspect", "--machine", machine, "--store", str(store), *words]
    return CliRunner().invoke(app, arguments, input=typed)


def said(result: Result) -> str:
    return " ".join(result.output.replace("│", " ").split())


def held(store: Path) -> dict[int, Inspection]:
    with open_store(store) as connection:
        return inspections(connection)


def test_answers_file_picture_and_outcome_as_a_script_runs_it(store: Path, tmp_path: Path) -> None:
    """The real command in a process of its own."""
    picture = chipped_rim(tmp_path / "rim.png")
    answers = tmp_path / "answers.toml"
    answers.write_text(
        'by = "Ada"\nnote = "after the shift"\nmeasure = true\npictures = ["rim.png"]\n'
        '[answers]\nstream = "spread"\n"second-head" = "no"\nweep = "not looked"\n'
    )
    done = subprocess.run(
        [
            *(sys.executable, "-m", "borewarden.cli", "inspect", "--machine", str(NORTH)),
            *("--store", str(store), "--answers", str(answers)),
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    words = " ".join(done.stdout.split())
    assert "North, alert of 2026-03-04 10:18 CET: The bore has probably opened up" in words
    assert "confirmed: bore opened up" in words
    assert "Next: Change the jewel" in words
    assert words.index(CAUTIONS[-1]) < words.index("Change the jewel")
    [found] = held(store).values()
    assert found.answers == {"stream": "spread", "second-head": "no", "rim": "chipped"}
    assert (found.by, found.note) == ("Ada", "after the shift")
    assert (found.finding, found.cause) == (Finding.CONFIRMED, Cause.BORE)
    [kept] = found.pictures
    assert kept.sha256 == hashlib.sha256(picture.read_bytes()).hexdigest()
    assert (kept.name, kept.measured) == ("rim.png", "chipped")
    assert kept.chip_angle_deg == pytest.approx(30.0, abs=5.0)
    with open_store(store) as connection:
        assert read_picture(connection, kept.sha256) == picture.read_bytes()
    [label] = labels_of(held(store).values())["North"]
    assert label.event == "chip"
    assert label.start_ns == found.onset_ns

    folder = tmp_path / "pictures"
    listed = CliRunner().invoke(
        app, ["inspections", "--store", str(store), "--pictures", str(folder)]
    )
    assert listed.exit_code == 0
    [written] = folder.iterdir()
    assert written.read_bytes() == picture.read_bytes()


def test_question_by_question_cheapest_first_with_the_cautions_at_each(store: Path) -> None:
    typed = "Ada\n" + "2\n" + "9\n1\n" + "\n" * 10
    done = inspect(store, typed=typed, machine=str(NORTH))
    assert done.exit_code == 0, done.output
    words = said(done)
    asked = [
        name
        for name in (
            *("second-head:", "cut:", "feed:", "dead-head:", "stop-with-jet:", "weep:"),
            *("check-valves:", "stream:", "tube:"),
        )
        if name in words
    ]
    steps = [
        *("cut:", "dead-head:", "stop-with-jet:", "weep:", "check-valves:", "stream:", "tube:")
    ]
    assert asked == steps
    places = [words.index(name) for name in asked]
    assert places == sorted(places)
    assert "'9' is none of them" in words
    # at each of the eight steps, and with the outcome
    assert all(words.count(caution) == 9 for caution in CAUTIONS)
    [found] = held(store).values()
    assert found.answers == {"cut": "bad", "dead-head": "stops"}
    assert found.finding is Finding.UNDECIDED


def test_what_was_found_before_counts_and_a_finding_ends_the_questions(store: Path) -> None:
    assert inspect(store, "--by", "Ada", "--answer", "stream=tight").exit_code == 0
    done = inspect(store, typed="Grace\n" + "\n" + "goes on\nmade\nhot\n\n")
    assert done.exit_code == 0, done.output
    words = said(done)
    assert "That settles it" in words
    assert "stream:" not in words.replace("inspection, stream:", "")
    first, second = held(store).values()
    assert first.alert_ns == second.alert_ns
    assert second.answers == {"dead-head": "goes on", "stop-with-jet": "made", "weep": "hot"}
    assert "The watcher weighs the planned stop by itself" in words
    assert (second.finding, second.cause) == (Finding.CONFIRMED, Cause.LEAK)


def test_what_was_answered_before_is_shown_and_giving_up_keeps_nothing(store: Path) -> None:
    inspect(store, "--by", "Ada", "--answer", "cut=bad")
    done = inspect(store, typed="Grace\n")
    assert done.exit_code == 1
    assert "answered before: bad" in said(done)
    assert len(held(store)) == 1


def test_where_nobody_looked_nothing_is_kept(store: Path) -> None:
    done = inspect(store, typed="Ada\n" + "\n" * 12)
    assert (done.exit_code, "nothing is kept" in said(done)) == (0, True)
    assert "rim:" in said(done)
    assert held(store) == {}


def test_a_store_that_takes_nothing_costs_nobody_their_answers(store: Path) -> None:
    with open_store(store) as connection:
        connection.execute(
            "CREATE TRIGGER full BEFORE INSERT ON inspection "
            "BEGIN SELECT RAISE(FAIL, 'the disk is full'); END"
        )
    done = inspect(store, typed="Ada\nbad\ngoes on\n" + "\n" * 8)
    assert done.exit_code == 2
    assert "can't inspect: the disk is full" in said(done)
    assert '--answer "cut=bad" --answer "dead-head=goes on"' in said(done)
    assert held(store) == {}


def test_the_picture_of_the_rim_is_measured_when_asked(store: Path, tmp_path: Path) -> None:
    picture = chipped_rim(tmp_path / "rim.png")
    typed = "Ada\n" + "\n" * 7 + f"missing.png\n{picture}\ny\n\n\n"
    done = inspect(store, typed=typed)
    assert done.exit_code == 0, done.output
    assert "there is no such" in said(done) or "no such file" in said(done)
    [found] = held(store).values()
    assert found.answers == {"rim": "chipped"}
    assert found.pictures[0].measured == "chipped"


def test_without_the_extra_a_picture_is_refused_and_the_answers_stay(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "skimage", None)
    for name in [name for name in sys.modules if name.startswith("skimage.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delitem(sys.modules, "borewarden.jewels.rim_image", raising=False)
    (tmp_path / "rim.png").write_bytes(b"x")
    typed = "Ada\nbad\n" + "\n" * 6 + f"{tmp_path / 'rim.png'}\n\nchipped\n\n"
    done = inspect(store, typed=typed)
    assert done.exit_code == 0, done.output
    assert "pip install 'borewarden[rim]'" in said(done)
    [found] = held(store).values()
    assert found.answers == {"cut": "bad", "rim": "chipped"}


def test_corrections_keep_history_and_move_what_was_concluded_later(store: Path) -> None:
    inspect(store, "--by", "Ada", "--answer", "rim=sound")
    inspect(store, "--by", "Grace", "--answer", "feed=as usual")
    assert [each.finding for each in held(store).values()] == [Finding.RULED_OUT] * 2
    done = inspect(
        store, "--correct", "1", "--by", "Hedy", "--why", "wrong jewel", "--answer", "rim=chipped"
    )
    assert done.exit_code == 0, done.output
    first, second = held(store).values()
    assert (first.finding, first.answers) == (Finding.CONFIRMED, {"rim": "chipped"})
    assert (second.finding, second.answers) == (Finding.CONFIRMED, {"feed": "as usual"})
    done = inspect(store, "--strike", "1", "--by", "Hedy", "--why", "another machine")
    assert done.exit_code == 0, done.output
    [second] = held(store).values()
    assert second.finding is Finding.UNDECIDED
    with open_store(store) as connection:
        whys = [entry.why for entry in inspection_history(connection, 1)]
    assert whys == ["", "wrong jewel", "another machine"]
    shown = CliRunner().invoke(app, ["inspections", "--store", str(store), "--history", "1"])
    assert "struck out" in said(shown)


def test_a_later_look_with_the_naked_eye_unsays_no_microscope(store: Path) -> None:
    inspect(store, "--by", "Ada", "--answer", "rim=sound")
    inspect(store, "--by", "Grace", "--answer", "rim=naked eye")
    assert [each.finding for each in held(store).values()] == [Finding.RULED_OUT] * 2
    # but whoever corrects says what they meant
    inspect(
        store, "--by", "Ada", "--answer", "rim=naked eye", "--correct", "1", "--why", "no scope"
    )
    assert [each.finding for each in held(store).values()] == [Finding.UNDECIDED] * 2


def test_without_an_open_alert_it_is_a_routine_inspection(store: Path) -> None:
    done = inspect(
        store, "--by", "Ada", "--answer", "cut=good", "--note", "monthly", machine="West"
    )
    assert done.exit_code == 0, done.output
    assert "no open alert, so this is a routine inspection" in said(done)
    [found] = held(store).values()
    assert (found.finding, found.alert_ns) == (Finding.NOTHING_FOUND, None)


def test_an_earlier_alert_may_be_named_by_its_time(store: Path) -> None:
    with open_store(store) as connection:  # another jewel is being learned by now
        connection.execute(
            "UPDATE batch SET state = 'learning' WHERE machine = 'North' AND end_ns = "
            "(SELECT max(end_ns) FROM batch WHERE machine = 'North')"
        )
    words = ("--by", "Ada", "--answer", "rim=chipped", "--at", "2026-03-04T16:00")
    assert "routine" in said(inspect(store, *words, machine=str(NORTH)))
    done = inspect(store, *words, "--about", "2026-03-04T10:18", machine=str(NORTH))
    assert done.exit_code == 0, done.output
    routine, about = held(store).values()
    assert routine.alert_ns is None
    assert about.alert_state == "probably opened up"
    assert about.time_ns == 1_772_636_400 * 10**9  # 16:00 in Vienna
    refused = inspect(store, *words, "--about", "2026-03-04T12:00", machine=str(NORTH))
    assert refused.exit_code == 2
    assert "2026-03-04 10:18 CET" in said(refused)


def test_json_answers_and_no_store_or_machine_file(store: Path, tmp_path: Path) -> None:
    answers = tmp_path / "answers.json"
    answers.write_text(json.dumps({"by": "Ada", "answers": {"rim": "naked eye"}}))
    done = inspect(store, "--answers", str(answers))
    assert done.exit_code == 0, done.output
    [found] = held(store).values()
    assert found.finding is Finding.UNDECIDED
    assert "without a microscope" in found.reason


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--answer", "rim=splendid"], ["'splendid' is not an answer to 'rim'", "one of sound"]),
        (["--answer", "rims=sound"], ["there is no step 'rims'", "one of second-head"]),
        (["--answer", "rim"], ["no '='"]),
        (["--answer", "speed=slower"], ["speed", "intensifier", "leave it out"]),
        (["--picture", "missing.png"], ["missing.png", "no such file"]),
        (["--picture", "text.png"], ["text.png", "is not a picture"]),
        (["--picture", "blank.png", "--measure"], ["blank.png", "too dark"]),
        (["--answers", "missing.toml"], ["missing.toml", "no such file"]),
        (["--answers", "broken.toml"], ["broken.toml", "broken"]),
        (["--answers", "list.json"], ["list.json", "not a table"]),
        (["--answers", "unknown.toml"], ["unknown.toml", "answer"]),
        (["--answer", "rim=sound", "--by", " "], ["--by", "is not a name"]),
        (["--answer", "rim=sound", "--at", "yesterday"], ["--at", "2026-03-04T10:17"]),
        (["--answer", "rim=sound", "--correct", "7"], ["no such inspection"]),
        (["--strike", "7"], ["no such inspection"]),
    ],
)
def test_what_cannot_be_used_is_said_plainly_and_nothing_is_kept(
    store: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    expected: list[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("text.png").write_text("no picture")
    imsave("blank.png", np.zeros((100, 100), dtype=np.uint8), check_contrast=False)
    Path("broken.toml").write_text("[answers\n")
    Path("list.json").write_text("[1]")
    Path("unknown.toml").write_text('answer = "rim"\n')
    by = [] if "--by" in words else ["--by", "Ada"]
    done = inspect(store, *by, *words)
    assert done.exit_code == 2, done.output
    for text in expected:
        assert text in said(done)
    assert "Traceback" not in done.output
    assert held(store) == {}
    with open_store(store) as connection:
        assert connection.execute("SELECT count(*) FROM picture").fetchone() == (0,)


def test_unknown_machine_store_and_too_big_a_picture_are_refused(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = ("--by", "Ada", "--answer", "rim=sound")
    done = inspect(store, *answer, machine="Nord")
    assert done.exit_code == 2
    assert "there is North, West" in said(done)
    done = inspect(store, *answer, machine="nowhere.toml")
    assert (done.exit_code, "nowhere.toml" in done.output) == (2, True)
    done = inspect(tmp_path / "none.db", *answer)
    assert (done.exit_code, "no such store" in said(done)) == (2, True)
    assert not (tmp_path / "none.db").exists()
    (tmp_path / "text.db").write_text("this is no database, however long it goes on" * 100)
    done = inspect(tmp_path / "text.db", *answer)
    assert (done.exit_code, "not a database" in said(done)) == (2, True)
    monkeypatch.setattr(pictures, "LARGEST_PICTURE", 100)
    done = inspect(store, *answer, "--picture", str(chipped_rim(tmp_path / "rim.png")))
    assert (done.exit_code, "has more than" in said(done)) == (2, True), said(done)
    inspect(store, *answer)
    done = inspect(store, *answer, "--correct", "1", "--why", "", machine="North")
    assert (done.exit_code, "say why" in said(done)) == (2, True)
    done = inspect(store, *answer, "--correct", "1", "--why", "x", machine="West")
    assert (done.exit_code, "is of 'North'" in said(done)) == (2, True)


def test_what_was_found_is_there_as_json(store: Path) -> None:
    inspect(store, "--by", "Ada", "--answer", "rim=sound", "--note", "[monthly]")
    inspect(
        store, "--by", "Ada", "--answer", "rim=chipped", "--correct", "1", "--why", "wrong jewel"
    )
    words = ["inspections", "--store", str(store), "--json"]
    [found] = json.loads(CliRunner().invoke(app, words).stdout)
    [kept] = held(store).values()
    assert found["inspection"] == 1
    assert found["answers"] == {"rim": "chipped"}
    assert (found["finding"], found["cause"]) == ("confirmed", "bore opened up")
    assert (found["time_ns"], found["onset_ns"]) == (kept.time_ns, kept.onset_ns)
    assert (found["note"], found["pictures"]) == ("[monthly]", [])
    entries = json.loads(CliRunner().invoke(app, [*words, "--history", "1"]).stdout)
    assert [(each["why"], each["content"]["finding"]) for each in entries] == [
        ("", "bore ruled out"),
        ("wrong jewel", "confirmed"),
    ]


def test_inspections_of_one_machine_by_its_name_or_its_file(store: Path) -> None:
    inspect(store, "--by", "Ada", "--answer", "rim=sound")

    def listed(machine: str) -> Result:
        return CliRunner().invoke(app, ["inspections", "--store", str(store), "--machine", machine])

    assert "Ada" in said(listed("North"))
    assert "Ada" in said(listed(str(NORTH)))
    nobody = listed("Norht")
    assert nobody.exit_code == 2
    assert "there is North" in said(nobody)

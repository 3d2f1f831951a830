"""What people read of two heads: the terminal, the report, the live page's card, the mail.

The day is the second plant's: an intensifier, by turns and together, a chip in head 2.
"""

from __future__ import annotations

import json
import re
from contextlib import chdir
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from typer.testing import CliRunner

from borewarden.alert.alarm import Notice
from borewarden.cli import app
from borewarden.replay.one_machine import Replayed, replay_logs
from borewarden.service.machine_view import card
from borewarden.service.status import MachineStatus
from borewarden.settings import load_machine
from borewarden.show.learned_words import HEAD_COLUMNS, head_rows
from borewarden.show.mail import compose
from borewarden.show.wording import HEADS, alert_rows, evidence
from borewarden.watcher.verdict import State
from report_figures import figure, numbers
from second_plant import day, write

SEED, CHIP = 1, 0.12
SIGNALS = ("pressure", "counter", "valve_1", "valve_2")


class Day(NamedTuple):
    """One replayed day: what the command printed, its report, and what was found."""

    said: str
    page: str
    found: Replayed
    path: Path


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Day:
    """Two heads, one of which chips."""
    folder = tmp_path_factory.mktemp("two")
    made = day(
        "intensifier", SEED, signals=SIGNALS, heads=2, mode="mixed", roomy=True,
        fault="chip", size=CHIP, head=1,
    )  # fmt: skip
    log, machine, _ = write(made, folder)
    # so that head 2 alone shows it first, in one alert
    machine.write_text(machine.read_text() + '\n[gate]\nsettle_time = "6 s"\n')
    with chdir(folder):
        words = ["replay", str(log), "--machine", str(machine), "--no-store", "--report", "r.html"]
        done = CliRunner().invoke(app, words)
        assert done.exit_code == 0, done.output
    page = re.sub(r"(?s)<script.*?</script>", "", (folder / "r.html").read_text())
    found = replay_logs(load_machine(machine), [log], None)
    path = folder / "r.html"
    return Day(" ".join(done.stdout.split()), " ".join(page.split()), found, path)


def test_a_plot_never_falls_to_nothing_under_the_headline_of_another_head(two: Day) -> None:
    traces, _ = figure(two.path, "probability")
    shown = numbers(traces["probability"]["y"])
    shown = shown[np.isfinite(shown)]
    assert shown[-1] == pytest.approx(100.0 * two.found.verdict.probability, abs=10.0)
    told = np.flatnonzero(shown > 60.0)[0]
    assert np.min(shown[told:]) > 50.0  # other heads cut meanwhile


def test_a_mean_is_of_the_same_heads(two: Day) -> None:
    traces, _ = figure(two.path, "bore")
    mean = numbers(traces["effective bore, mean of 24 batches"]["y"])
    learned = numbers(traces["as learned"]["y"])
    off = np.abs(mean / learned - 1.0)
    assert np.nanmax(learned) > 1.3 * np.nanmin(learned)  # one head, and both
    assert np.nanmax(off) < 0.5 * CHIP + 0.02


def test_a_size_says_which_heads_were_open_and_what_it_is_against(two: Day) -> None:
    assert re.search(
        r"Onset: [-0-9: ]+ CET: effective area with head 2 open \+[0-9.]+ ± [0-9.]+ % against",
        two.said,
    )
    assert re.search(
        r"Effective area at the end of the log: \+[0-9.]+ % with head 2 open", two.said
    )
    assert "standard uncertainty, head 2" in two.said
    assert "Jet hours with these jewels: 6.0 h" in two.said
    for clumsy in ("jewels together", "Effective bore now", "Jet hours of this jewel"):
        assert clumsy not in two.said
        assert clumsy not in two.page


def test_what_each_percentage_is_of_is_said_once(two: Day) -> None:
    assert two.said.count("How to read the percentages: the causes add up") == 1
    assert "Which head, if it is a jewel: head 2 above 99 %, head 1 below 1 %" in two.said
    assert "Not certain" not in two.said  # beside "above 99 %"
    assert "percentages rest mostly on the starting odds" in two.said


def test_what_happened_comes_before_the_figures_and_the_causes_stand_once(two: Day) -> None:
    order = [two.said.index(word) for word in (
        "Onset: ", "Probability: ", "Which head", "Probable cause: ", "Effective bore ",
        "Stroke rate: ", "Wear before", "Jet hours", HEADS + " Open", "Alerts Time",
    )]  # fmt: skip
    assert order == sorted(order)
    assert "<dt>Probable cause</dt>" not in two.page  # the table below has them
    assert two.page.count("percentages rest mostly on the starting odds") == 1


def test_the_level_that_each_head_had_stands_beside_the_one_it_has(two: Day) -> None:
    rows = {row.heads: row for row in head_rows(two.found.known, two.found.pump, "UTC")}
    assert set(rows) == {"head 1", "head 2", "heads 1 and 2"}
    change = {heads: float(row.change.removesuffix(" %")) for heads, row in rows.items()}
    assert change["head 2"] == pytest.approx(100.0 * CHIP, abs=3.0)
    assert 2.0 < change["heads 1 and 2"] < change["head 2"]
    assert abs(change["head 1"]) < 2.0
    for row in rows.values():
        then, now = (float(re.match(r"[0-9.]+", cell)[0]) for cell in (row.then, row.now))
        assert now / then - 1.0 == pytest.approx(
            float(row.change.removesuffix(" %")) / 100.0, abs=0.006
        )
        assert row.then in two.page
    assert all(column in two.page for column in HEAD_COLUMNS)
    assert two.said.count("what had changed before one was learned counts as normal") == 1


def test_the_alert_says_once_what_it_named_and_the_verdict_no_longer_does(two: Day) -> None:
    (alert,) = two.found.alerts
    (row,) = alert_rows([alert], "UTC", two.found.verdict)
    assert row.state == "Probably opened up, or poor feed (failure)"
    assert row.reason.endswith("; as first told: Probably opened up, or a leak or poor feed")
    assert two.said.count("; as first told: Probably opened up, or a leak or poor feed") == 1
    assert two.page.count("; as first told: Probably opened up, or a leak or poor feed") == 1
    # one onset and one size on the page
    assert row.onset in evidence(two.found.verdict, two.found.pump, "UTC")[1]
    assert row.size.partition(" with")[0] in evidence(two.found.verdict, two.found.pump, "UTC")[1]


def test_a_size_or_an_onset_that_no_longer_holds_is_said_with_its_heads(two: Day) -> None:
    (alert,) = two.found.alerts
    told = replace(alert.verdict, step=0.2, step_sd=0.02, open_heads="head 1 and 2",
                   onset_ns=two.found.verdict.onset_ns - 120 * 10**9)  # fmt: skip
    (row,) = alert_rows([replace(alert, verdict=told)], "UTC", two.found.verdict)
    first = row.reason.partition("; as first told: ")[2]
    assert re.fullmatch(
        r"Probably opened up, .*, since [-0-9: ]+ UTC, \+20\.0 ± 2\.0 % with heads 1 and 2 open",
        first,
    )


def test_what_goes_slowly_is_as_it_was_told_until_other_causes_are(two: Day) -> None:
    (alert,) = two.found.alerts
    told = replace(alert.verdict, onset_ns=None, state=State.WEARING, area_ratio=1.02)
    slow = replace(alert, verdict=told)
    later = replace(told, area_ratio=1.05)
    assert alert_rows([slow], "UTC", later) == alert_rows([slow], "UTC")
    (row,) = alert_rows([slow], "UTC", replace(later, causes=two.found.verdict.causes))
    assert row.size == "+5.0 % in the newest batches with head 2 open"
    assert "; as first told: Wearing, or a leak or poor feed" in row.reason


def test_an_alert_of_another_event_or_state_is_left_as_it_was_told(two: Day) -> None:
    (alert,) = two.found.alerts
    as_told = alert_rows([alert], "UTC")
    later = replace(two.found.verdict, onset_ns=alert.verdict.onset_ns + 3600 * 10**9)
    assert alert_rows([alert], "UTC", later) == as_told
    assert alert_rows([alert], "UTC", replace(two.found.verdict, state=State.SOUND)) == as_told
    assert alert_rows([alert], "UTC", alert.verdict) == as_told
    assert alert_rows([], "UTC", later) == []


def test_the_card_of_the_live_page_has_the_heads(two: Day) -> None:
    status = MachineStatus("Two", "UTC", two.found.pump, two.found.verdict, known=two.found.known)
    words = card(status, 0.0)
    assert [row[0] for row in words["heads"]] == ["head 2", "heads 1 and 2", "head 1"]
    assert words["which_head"].startswith("Which head, if it is a jewel: head 2 above 99 %")
    assert words["area_note"] == "against its baseline with head 2 open"
    assert words["bore_note"].endswith(", head 2")
    assert words["hours_title"] == "Jet hours with these jewels"
    assert (words["by_heads"], words["level_title"]) == (True, "as learned")
    assert json.dumps(words)


def test_a_mail_speaks_of_now(two: Day) -> None:
    notice = Notice("repeat", "Two", two.found.verdict.time_ns, two.found.verdict.reason,
                    verdict=two.found.verdict, state=two.found.verdict.state)  # fmt: skip
    body = compose(notice, two.found.pump, "UTC").get_body(("plain",))
    assert body is not None
    text = " ".join(body.get_content().split())
    assert "State: Probably opened up, or poor feed" in text
    assert "Effective area now: +" in text
    assert "% with head 2 open against the baseline" in text
    assert "leak" not in text.partition("EVIDENCE")[0]

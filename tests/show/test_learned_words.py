"""What was learned of a jewel, how well, and what is missing, from the first minute on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier
from borewarden.service.machine_view import card
from borewarden.service.status import MachineStatus
from borewarden.show.learned_words import head_rows, learned_lines
from borewarden.watcher.known import Known
from borewarden.watcher.watcher import Watcher
from steady import gate_settings, steady_samples

UNKNOWN = float("nan")


def watched(pump: Intensifier, ruby: Jewel, minutes: float) -> Watcher:
    areas = np.full(round(60 * minutes), 0.66 * float(bore_area(ruby.bore)))
    watcher = Watcher(pump, gate_settings(pump), [ruby])
    watcher.learn_many(steady_samples(pump, areas))
    return watcher


@pytest.mark.parametrize(
    ("minutes", "says"),
    [
        (0.2, "Learned: nothing yet; 0.0 of 10 min of steady jet"),
        (5.0, "min of steady jet, out of 5 min with the jet on: about"),
        (15.0, "Learned: C_d 0.6"),
    ],
)
def test_learning_is_told_from_the_first_minute(
    intensifier: Intensifier, ruby: Jewel, minutes: float, says: str
) -> None:
    watcher = watched(intensifier, ruby, minutes)
    status = MachineStatus("North", "UTC", intensifier, watcher.verdict(), known=watcher.known())
    learned = card(status, 1.0)["learned"]
    assert says in learned
    assert "not yet seen dead-headed" in learned
    is_learned = "C_d" in learned
    assert ("what had changed before that counts as normal" in learned) is is_learned


def test_the_page_calls_assumed_what_nobody_stated(intensifier: Intensifier, ruby: Jewel) -> None:
    verdict = Watcher(intensifier, gate_settings(intensifier), [ruby]).verdict()
    for names, word in (((), "stated"), (("bore",), "assumed")):
        jewels = [replace(ruby, guessed=names)]
        status = MachineStatus("North", "UTC", intensifier, verdict, jewels=jewels)
        assert word in card(status, 1.0)["bore_note"]
        assert ("(bore assumed)" in card(status, 1.0)["jewels"]) is bool(names)
        assert status.guessed == names


def test_learned_c_d_lies_within_its_uncertainty(intensifier: Intensifier, ruby: Jewel) -> None:
    (known,) = watched(intensifier, ruby, 15.0).known()
    assert known.coefficient == pytest.approx(0.66, abs=3.0 * 0.66 * known.coefficient_sd)
    assert known.steady >= known.wanted == 600.0


@pytest.mark.parametrize(
    ("known", "says"),
    [
        (Known("", 0, 600, 0, 0.0, UNKNOWN, UNKNOWN, UNKNOWN, 0), "the jet was not on yet"),
        (Known("", 0, 600, 0, 0.2, UNKNOWN, UNKNOWN, UNKNOWN, 0), "first seconds of a cut do not"),
        # 10 min of steady jet can be hours of short cuts: 1 min an hour leaves 9 h
        (
            Known("", 60, 600, 3, 1.0, UNKNOWN, UNKNOWN, UNKNOWN, 0),
            "about 9 h of jet to go; the cuts are short, and little of each is steady. Longer cuts",
        ),
        (
            Known("", 600, 600, 20, 0.2, 0.65, 0.006, 0.02, 4),
            "unseen pauses, or a pulsating pressure do that",
        ),
    ],
)
def test_what_is_to_go_and_what_is_missing(
    intensifier: Intensifier, known: Known, says: str
) -> None:
    lines = learned_lines([known], intensifier, "UTC")
    assert says in lines[0]
    assert len(lines) == (1 if known.dead_headed else 2)


def test_what_the_line_showed_and_what_it_is_for(intensifier: Intensifier) -> None:
    known = Known("", 600, 600, 20, 0.2, 0.65, 0.006, 0.002, 4, 11, 0.012, 1)
    _, emptied, shut = learned_lines([known], intensifier, "UTC")
    assert emptied.endswith("seen 11 times, to 1 %; it tells a larger bore from a leak at the pump")
    assert shut.endswith("what the line loses while shut, seen 1 time")
    _, once = learned_lines([replace(known, emptied=1, shut=0)], intensifier, "UTC")
    assert once.endswith("seen 1 time; it tells a larger bore from a leak at the pump")


def test_hours_of_less_than_a_jet_are_not_judged(intensifier: Intensifier, ruby: Jewel) -> None:
    """One of two heads, whose areas together are taken for the jewel's, cuts for an hour."""
    area = 0.66 * float(bore_area(ruby.bore))
    for share, is_said in ((0.5, True), (0.1, False)):  # a tenth is a leak
        areas = area * np.repeat([1.0, share], 3600)
        watcher = Watcher(intensifier, gate_settings(intensifier), [ruby])
        watcher.learn_many(steady_samples(intensifier, areas))
        lines = learned_lines(watcher.known(), intensifier, "UTC")
        said = [line for line in lines if line.startswith("Not judged: ")]
        assert (len(said) == 1) is is_said
        if is_said:
            assert said[0].startswith("Not judged: 1.0 h more")


def test_a_crank_whose_pressure_floats_shows_the_level_of_a_head_by_its_pressure() -> None:
    crank = DirectDrive(3, 0.0127, 0.05, 1.5e-6, 8.0, 380e6, 22e3)
    known = Known(
        "head 1", 600, 600, 47, 0.2, 0.654, 0.005, 0.005, 4, last_ns=60 * 10**9, rate=4.7,
        pressure=316.6e6, rate_now=4.7, pressure_now=277.6e6, area_ratio=1.064,
        now_ns=3600 * 10**9,
    )  # fmt: skip
    to_learn = Known("head 2", 60, 180, 3, 0.2, UNKNOWN, UNKNOWN, UNKNOWN, 0)
    first, second = head_rows([known, to_learn], crank, "UTC")
    assert (first.heads, first.change) == ("head 1", "+6.4 %")
    assert first.then == "316.6 MPa (45,900 psi) at 282.0 turns/min"
    assert first.now.startswith("277.6 MPa (40,300 psi) at that speed, seen until ")
    assert first.learned.startswith("1970-01-01 00:00 UTC to 00:01: 47 batches, scatter 0.5 %; C_d")
    assert second.change == "not learned yet"
    assert second.learned == "1.0 of 3 min of steady jet so far"
    nowhere = head_rows([replace(known, pressure_now=float("nan")), to_learn], crank, "UTC")[0]
    assert nowhere.now.startswith("no pressure would feed it, seen until ")
    held = head_rows([known], replace(crank, regulation="speed"), "UTC")[0]
    assert held.then == "282.0 turns/min at 316.6 MPa (45,900 psi)"
    assert head_rows([replace(known, heads="")], crank, "UTC") == []


def test_what_makes_a_cranks_batches_scatter_are_no_strokes() -> None:
    crank = DirectDrive(3, 0.0127, 0.05, 1.5e-6, 8.0, 380e6, 22e3)
    known = Known("", 600, 600, 20, 0.2, 0.65, 0.006, 0.02, 4)
    (line, *_) = learned_lines([known], crank, "UTC")
    assert "closed jets or short cuts among them, or a pulsating pressure do that" in line
    assert "strokes" not in line

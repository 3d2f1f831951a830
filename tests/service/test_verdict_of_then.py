"""A verdict that is no longer one of now is never a bare "sound". The machine is invented."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from pathlib import Path

import pytest

from borewarden.base.statistics import Interval
from borewarden.service.machine_view import card
from borewarden.service.metrics import metrics_text
from borewarden.service.publishing import verdict_object
from borewarden.service.status import MachineStatus, SightStatus
from borewarden.settings import load_machine
from borewarden.watcher.verdict import State

ROOT = Path(__file__).parents[2]
THEN_NS = 1_772_623_200 * 10**9  # 2026-03-04 12:20 in Vienna
MINUTE_NS = 60 * 10**9


def status_of(state: State, minutes: float, **doubts: str) -> MachineStatus:
    """A machine whose newest judged jet is `minutes` old; its readings go on."""
    machine = load_machine(ROOT / "config" / "north.toml")
    verdict = replace(
        machine.build_watcher().verdict(),
        time_ns=THEN_NS,
        judged_ns=THEN_NS,
        state=state,
        probability=0.9 if state is State.OPENED else 0.0,
        pressure_seen=370e6,
    )
    return MachineStatus(
        name="North",
        time_zone="Europe/Vienna",
        pump=machine.build_pump(),
        verdict=verdict,
        sight=SightStatus(usable=time.monotonic(), doubts=doubts),
        last_sample_ns=THEN_NS + round(minutes * MINUTE_NS),
        samples=1,
    )


def shown(status: MachineStatus) -> tuple[str, str, str, str]:
    """Sign, headline and group of the card, and the category that is published."""
    words = card(status, 0.0)
    assert verdict_object(status)["headline"] == words["headline"]
    return words["sign"], words["headline"], words["group"], verdict_object(status)["ne107"]


def test_a_sound_bore_is_green_while_jets_are_judged() -> None:
    sound = "The bore is probably sound"
    assert shown(status_of(State.SOUND, 14.0)) == ("good", sound, "good", "good")


@pytest.mark.parametrize(
    ("state", "then"),
    [(State.SOUND, "the bore was probably sound then"), (State.LEARNING, "still learning")],
)
def test_without_a_jet_the_verdict_is_one_of_then(state: State, then: str) -> None:
    """A night, a gateway that sends zeros for good, one that is frozen at rest: all the same."""
    status = status_of(state, 70.0)
    said = f"No steady jet since 2026-03-04 12:20 CET (70 min): {then}"
    assert shown(status) == ("function-check", said, "no jet lately", "function check")
    assert (status.jet_age, status.is_proven) == (4200.0, False)


def test_a_doubt_takes_the_green_sign_away() -> None:
    status = status_of(State.SOUND, 1.0, rate="has not changed for 27 min")
    sign, headline, group, ne107 = shown(status)
    assert (sign, group, ne107) == ("function-check", "not proven", "function check")
    assert headline == "Not proven: the bore is probably sound"


def test_an_opened_bore_stays_one() -> None:
    opened = "The bore has probably opened up"
    status = status_of(State.OPENED, 70.0, rate="has not changed for 27 min")
    assert shown(status) == ("failure", opened, "failure", "failure")


@pytest.mark.parametrize(
    ("state", "hours", "told"),
    [
        (State.WEARING, Interval(10.0, 20.0, 40.0), {"": 72_000.0, "_least": 36_000.0}),
        (State.SOUND, Interval(10.0, 500.0, math.inf), {"_least": 36_000.0}),
        (State.SOUND, Interval(math.inf, math.inf, math.inf), {}),
        (State.OPENED, Interval(0.0, 8.0, math.inf), {}),  # of the jewel before the step
        (State.LEARNING, None, {}),
    ],
)
def test_metrics_tell_the_jet_time_left_as_far_as_the_page_does(
    state: State, hours: Interval | None, told: dict[str, float]
) -> None:
    status = status_of(state, 1.0)
    status.verdict = replace(status.verdict, hours_to_limit=hours)
    rows = metrics_text({"North": status}, {}, {}).decode().splitlines()
    found = {
        row.removeprefix("borewarden_jet_to_limit").partition("_seconds")[0]: float(row.split()[-1])
        for row in rows
        if row.startswith("borewarden_jet_to_limit")
    }
    assert found == told

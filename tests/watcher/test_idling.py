"""Where a crank idles with the jet closed, the jet hours are about so many, and said to be."""

from __future__ import annotations

from pathlib import Path

import pytest

from borewarden import load_machine, read_log
from borewarden.base.samples import rows
from borewarden.show.wording import jet_hours_words
from borewarden.watcher.watcher import TWO_LEVELS
from second_plant import day, write


@pytest.mark.parametrize(
    ("seed", "closed", "signals", "about"),
    [
        (90_044, "holds", ("pressure", "rate"), True),
        (90_041, "falls", ("pressure", "rate"), False),
        (90_044, "holds", ("pressure", "rate", "valve"), False),
    ],
)
def test_jet_hours_are_about_where_an_idling_crank_may_look_like_the_jet(
    seed: int, closed: str, signals: tuple[str, ...], about: bool, tmp_path: Path
) -> None:
    made = day("floating", seed, signals=signals, closed=closed, hours=3.0, messy=0)
    log, machine_file, _ = write(made, tmp_path)
    machine = load_machine(machine_file)
    samples = read_log(log, machine.log_format())
    whole, in_parts = machine.build_watcher(), machine.build_watcher()
    whole.learn_many(samples)
    for start in range(0, len(samples.time_ns), 997):
        in_parts.learn_many(rows(samples, start, start + 997))
    verdict = whole.verdict()
    assert repr(in_parts.verdict()) == repr(verdict)
    assert jet_hours_words(verdict).startswith(("about ", "between ")) is about


def test_what_an_alert_says_of_an_idling_crank_is_no_matter_of_blocks(tmp_path: Path) -> None:
    """It is told in the middle of a block, and the gate is at its end by then."""
    made = day("floating", 93_014, machine=93_014, signals=("pressure", "rate"))
    log, machine_file, _ = write(made, tmp_path)
    machine = load_machine(machine_file)
    samples = rows(read_log(log, machine.log_format()), 0, 9000)
    whole, in_parts = machine.build_watcher(), machine.build_watcher()
    told = [repr(alert) for alert in whole.learn_many(samples).alerts]
    parts = []
    for start in range(0, len(samples.time_ns), 61):
        parts += in_parts.learn_many(rows(samples, start, start + 61)).alerts
    assert any(alert.verdict.reason == TWO_LEVELS for alert in parts)
    assert [repr(alert) for alert in parts] == told

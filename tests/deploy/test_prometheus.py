"""Prometheus' own `promtool` reads and unit-tests what `deploy/prometheus` has for it."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
import yaml

from borewarden.watcher.verdict import State
from wire import needs

ROOT = Path(__file__).parents[2]
PROMETHEUS = ROOT / "deploy" / "prometheus"
RULES = "borewarden.rules.yaml"


@pytest.mark.parametrize(
    "command",
    [
        ("check", "config", "prometheus.yaml"),
        ("check", "rules", "--lint-fatal", RULES, "old-names.rules.yaml"),
        ("test", "rules", "rules.tests.yaml"),
    ],
    ids=" ".join,
)
def test_promtool_finds_nothing_wrong(command: tuple[str, ...]) -> None:
    program = needs("promtool", "prometheus")
    done = subprocess.run([program, *command], cwd=PROMETHEUS, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "SUCCESS" in done.stdout


def alerts() -> dict[str, dict]:
    groups = yaml.safe_load((PROMETHEUS / RULES).read_text())["groups"]
    return {rule["alert"]: rule for group in groups for rule in group["rules"] if "alert" in rule}


def test_every_alert_is_tested() -> None:
    tests = (PROMETHEUS / "rules.tests.yaml").read_text()
    assert [name for name in alerts() if name not in tests] == []


def test_alerts_speak_of_states_that_there_are() -> None:
    told = {
        state: rule["labels"]["ne107"]
        for rule in alerts().values()
        for state in re.findall(r'state="([^"]+)"', rule["expr"])
    }
    states = {state.value: state for state in State}
    assert {"probably opened up", "wearing"} <= told.keys()
    assert {state: states[state].ne107 for state in told} == told


def test_a_call_to_the_machine_carries_the_cautions() -> None:
    words = alerts()["BoreProbablyOpenedUp"]["annotations"]["description"].lower()
    for caution in ("lock it out", "verify zero pressure", "never put a hand near the jet"):
        assert caution in words

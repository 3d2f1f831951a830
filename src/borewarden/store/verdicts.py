"""Verdicts as the store keeps them, both ways."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

from borewarden.base.statistics import Interval
from borewarden.detect.false_rate import FalseRate
from borewarden.detect.second_opinion import Opinion
from borewarden.diagnose.causes import Belief, Cause
from borewarden.watcher.verdict import HeadBelief, State, Verdict
from borewarden.watcher.watcher import Alert


def verdict_of(fields: dict[str, Any]) -> Verdict:
    """A verdict as the store keeps it; older ones lack what is newer."""
    limit, opinion = fields.get("hours_to_limit"), fields.get("second_opinion")
    rate = fields.get("false_rate")
    return Verdict(
        **{
            **fields,
            "state": State(fields["state"]),
            "hours_to_limit": None if limit is None else Interval(*limit),
            "causes": tuple(_belief(each) for each in fields.get("causes", ())),
            "heads": tuple(HeadBelief(**each) for each in fields.get("heads", ())),
            "second_opinion": None if opinion is None else Opinion(**opinion),
            "false_rate": None if rate is None else FalseRate(**rate),
        }
    )


def _belief(fields: dict[str, Any]) -> Belief:
    return Belief(
        Cause(fields["cause"]),
        fields["probability"],
        tuple(fields["evidence_for"]),
        tuple(fields["evidence_against"]),
        tuple(Cause(each) for each in fields.get("alike", ())),
    )


def _alert_row(machine: str, alert: Alert) -> tuple[object, ...]:
    verdict = alert.verdict
    causes = [
        {
            **dataclasses.asdict(belief),
            "cause": belief.cause.value,
            "alike": [cause.value for cause in belief.alike],
        }
        for belief in verdict.causes
    ]
    full = {**dataclasses.asdict(verdict), "state": verdict.state.value, "causes": causes}
    return (
        machine,
        alert.time_ns,
        verdict.state.value,
        verdict.state.ne107,
        verdict.onset_ns,
        verdict.step,
        verdict.probability,
        verdict.reason,
        json.dumps(full),
    )

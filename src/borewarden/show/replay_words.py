"""What a replay found, on one machine or on many: lines, rows, and objects for programs."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from borewarden.base.times import local_time
from borewarden.gate.jet_time import NS_PER_HOUR, silences
from borewarden.replay.fleet import Found, Refused
from borewarden.replay.one_machine import Replayed
from borewarden.show.learned_words import learned_lines, little_seen
from borewarden.show.wording import (
    evidence,
    hours_words,
    jewel_words,
    told_then,
    when_of,
)
from borewarden.watcher.verdict import Verdict
from borewarden.watcher.watcher import Alert

FLEET_COLUMNS = ("machine", "state", "NE 107", "jet hours", "alerts", "first alert")


def evidence_lines(result: Replayed) -> list[str]:
    """What the verdict is based on."""
    return [
        *seen_lines(result),
        *evidence(
            result.verdict,
            result.pump,
            result.time_zone,
            result.guessed,
            when_of(result.verdict, result.unjudged_hours),
        ),
        *(f"Jewel: {jewel_words(jewel, result.time_zone)}" for jewel in result.jewels),
        *learned_lines(result.known, result.pump, result.time_zone),
        f"Jet on in this log: {jet_words(result)}",
        *(": ".join(row) for row in missed_rows(result)),
    ]


def seen_lines(result: Replayed) -> list[str]:
    """What was not seen, to be said first."""
    begin_ns = int(result.samples.time_ns[0]) if len(result.samples.time_ns) else 0
    zone, judged = result.time_zone, result.judged_hours
    return little_seen(result.known, result.jet_hours, judged, begin_ns, zone)


def jet_words(result: Replayed) -> str:
    """How long the jet was on, and how much of it could be judged."""
    verdict = result.verdict
    idle_hours = result.idle_hours if verdict.idle_hours else 0.0
    return (
        f"{hours_words(verdict, result.jet_hours, idle_hours, 2)}, of which "
        f"{result.judged_hours:.2f} h were steady enough to be judged; "
        f"{result.unjudged_hours:.2f} h since the last of these"
    )


def missed_rows(result: Replayed) -> list[tuple[str, str]]:
    """Jet time that was not recorded, and how long nothing was while the pump was at work."""
    rows = [("Jet time not recorded", f"{result.missed_hours:.2f} h")]
    silent = silences(result.samples, result.phases)
    if len(silent):
        lasts = silent[:, 1] - silent[:, 0]
        begin, end = (int(each) for each in silent[np.argmax(lasts)])
        hours = float(lasts.sum()) / NS_PER_HOUR
        gaps = "in one gap" if len(silent) == 1 else f"in {len(silent)} gaps, the longest"
        rows.append(
            (
                "No readings",
                f"for {hours:.2f} h {gaps} from {local_time(begin, result.time_zone)} to "
                f"{local_time(end, result.time_zone)}, with the pump at work before or after. "
                "Nothing was watched meanwhile, and the jet may have been on",
            )
        )
    return rows


def mend_guesses(machine_file: Path) -> str:
    """What to do about the guesses in a machine file."""
    return (
        f"in {machine_file}, put in what name plate and job sheet say, and delete the comment "
        "behind each figure that is right"
    )


def fleet_row(found: Found, time_zone: str) -> tuple[str, ...]:
    """A row under `FLEET_COLUMNS`."""
    ne107 = found.verdict.state.ne107
    first = local_time(found.alerts[0].time_ns, time_zone) if found.alerts else ""
    hours = f"{found.jet_hours:.2f}"
    words = told_then(found.verdict, found.unjudged_hours, time_zone)
    return found.machine, words, ne107, hours, str(len(found.alerts)), first


def verdict_object(verdict: Verdict) -> dict[str, Any]:
    """A verdict by the fields that the store keeps, and its NAMUR NE 107 category."""
    return asdict(verdict) | {"ne107": verdict.state.ne107}


def alert_object(alert: Alert) -> dict[str, Any]:
    """An alert by the columns of the store's table."""
    verdict = alert.verdict
    return {
        "time_ns": alert.time_ns,
        "state": verdict.state,
        "ne107": verdict.state.ne107,
        "onset_ns": verdict.onset_ns,
        "step": verdict.step,
        "probability": verdict.probability,
        "reason": verdict.reason,
        "verdict": verdict_object(verdict),
    }


def replayed_object(result: Replayed) -> dict[str, Any]:
    """A replay for programs, without its samples and batches: those are in the store."""
    return {
        "machine": result.machine,
        "time_zone": result.time_zone,
        "first_ns": int(result.samples.time_ns[0]),
        "last_ns": int(result.samples.time_ns[-1]),
        "samples": len(result.samples.time_ns),
        "batches": len(result.batches),
        "jet_hours": result.jet_hours,
        "missed_hours": result.missed_hours,
        "judged_hours": result.judged_hours,
        "unjudged_hours": result.unjudged_hours,
        "verdict": verdict_object(result.verdict),
        "alerts": [alert_object(alert) for alert in result.alerts],
        "jewels": [asdict(jewel) for jewel in result.jewels],
        "guessed": list(result.guessed),
        "known": [asdict(each) for each in result.known],
        "labels": [asdict(label) for label in result.labels],
    }


def fleet_object(answer: Found | Refused) -> dict[str, Any]:
    """One machine of a fleet for programs; of a refused one only `refused`, the reason."""
    if isinstance(answer, Refused):
        return {"machine": answer.machine, "refused": answer.reason}
    return {
        "machine": answer.machine,
        "first_ns": answer.first_ns,
        "last_ns": answer.last_ns,
        "samples": answer.samples,
        "jet_hours": answer.jet_hours,
        "missed_hours": answer.missed_hours,
        "unjudged_hours": answer.unjudged_hours,
        "verdict": verdict_object(answer.verdict),
        "alerts": [alert_object(alert) for alert in answer.alerts],
    }

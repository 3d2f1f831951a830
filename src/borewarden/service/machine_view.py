"""What the page shows: a machine's status in words, with its stored batches and alerts."""

from __future__ import annotations

import datetime as dt
import math
import sqlite3
import time
from collections.abc import Mapping
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from borewarden.base.shown import UNITS, chosen, shown
from borewarden.base.text import every_nth, probability_words, span_words
from borewarden.base.times import local_time
from borewarden.base.units import PER_MINUTE
from borewarden.physics.pump import DirectDrive, Intensifier, Pump
from borewarden.service.health import Age, doubt_words, sight_words
from borewarden.service.status import MachineStatus
from borewarden.show.learned_words import head_rows, learned_lines
from borewarden.show.wording import (
    INVENTED,
    advice,
    alert_rows,
    bore_of,
    bore_words,
    came_words,
    change_words,
    false_rate_lines,
    group_words,
    head_chances,
    headline,
    hours_of,
    is_unjudged,
    jet_hours_words,
    jewel_words,
    margin_words,
    probable_causes,
    pump_words,
    second_opinion_lines,
    since,
    undecided,
    whose_level_lines,
    with_heads,
    words_of_then,
)
from borewarden.store.outbox import Backlog
from borewarden.store.queries import batches_after, count_batches, newest_alerts, newest_batch
from borewarden.watcher.verdict import State, Verdict

STALE_AFTER = 60.0  # s without a sample; the page then says that it is out of date
MOST_POINTS = 2000  # of one plot; a browser draws a few thousand at most
ALERTS_SHOWN = 5
UNKNOWN = "–"
SINKS = {"mail": "Mail", "influx": "Time-series server"}


class Seen(NamedTuple):
    """One figure of the pump as seen, and as expected with a sound bore."""

    title: str
    unit: str
    seen: str
    expected: str


def sample_age() -> Age:
    """A function of a status and the time now, ns: seconds since samples last came in.

    It compares their count each time it is asked, because a controller's clock may be wrong and a
    virtual machine's may run fast. Only the first time does it have to trust the samples' times.
    """
    came_in: dict[str, tuple[int, bool, int]] = {}

    def age(status: MachineStatus, now_ns: int) -> float:
        # a machine that is seen has just sent one, whatever its clock says; it is kept soon
        last_ns = now_ns if status.is_seen else min(status.last_sample_ns, now_ns)
        first = status.samples, status.is_seen, last_ns
        count, was_seen, since_ns = came_in.get(status.name, first)
        if status.samples != count or (status.is_seen and not was_seen):
            since_ns = now_ns
        came_in[status.name] = status.samples, status.is_seen, since_ns
        return (now_ns - since_ns) * 1e-9

    return age


def _causes_notes(verdict: Verdict, pump: Pump) -> list[str]:
    """What to know of the probable causes; nothing while there are none."""
    if not probable_causes(verdict):
        return []
    return [f"Probabilities: {INVENTED}", *undecided(verdict, pump)]


def card(
    status: MachineStatus, age: float, undelivered: str = "", is_stored: bool = True
) -> dict[str, Any]:
    """All words of one machine's card; an empty text is one that is not shown.

    `age` is how long ago its newest sample came in, s; `undelivered` words on mails that nobody
    got; `is_stored`: whether what is shown is on disk.
    """
    verdict, link, zone = status.verdict, status.link, status.time_zone
    learned = math.isfinite(verdict.discharge_coefficient)
    load, margin = _load(verdict, status.pump), _margin(verdict, status.pump)
    return {
        "name": status.name,
        "pump": pump_words(status.pump),
        **_verdict_words(status),
        "since": since(verdict, zone) or "",
        "reason": _reason(verdict, zone),
        "second_opinion": _second_opinion(verdict, zone),
        "came": ". ".join(filter(None, (*false_rate_lines(verdict), came_words(*status.came)))),
        "learned": ". ".join(learned_lines(status.known, status.pump, zone)),
        "heads": [list(row) for row in head_rows(status.known, status.pump, zone)],
        "which_head": "".join(f"{line}." for line in head_chances(verdict)),
        "stale": _stale(status, age) if status.is_seen else "",
        "doubt": doubt_words(status) if status.is_seen else "",
        "bore": _known(verdict.bore, shown("bore").text(verdict.bore)) if learned else UNKNOWN,
        "bore_note": _bore_note(verdict, "bore" in status.guessed),
        "area": change_words(verdict.area_ratio) if learned else UNKNOWN,
        "load_title": load.title,
        "load_unit": load.unit,
        "load": load.seen,
        "load_expected": load.expected,
        "margin_title": margin.title,
        "margin_unit": margin.unit,
        "margin": margin.seen,
        "margin_note": margin.expected,
        "area_note": f"against its baseline{with_heads(verdict)}",
        "not_certain": "".join(f"{line}." for line in whose_level_lines(verdict)),
        "hours_title": hours_of(verdict),
        "jet_hours": jet_hours_words(verdict),
        "jewels": "; ".join(jewel_words(jewel, zone) for jewel in status.jewels),
        "missed": _missed(status),
        "link": _link(status, zone),
        "link_state": "unknown" if link is None else "up" if link.connected else "down",
        "sample": f"newest sample {span_words(age)} ago" if status.last_sample_ns else "no sample",
        "phase": status.phase,
        "alarm": _alarm(status) + " (not stored)" * (not is_stored),
        "undelivered": undelivered,
        "inspection": status.inspection,
        "open": is_unacknowledged(status) or undelivered != "",
        "shelved": status.shelved_until_ns is not None,
        "causes": [
            {
                "cause": group_words(group),
                "probability": group.probability,
                "percent": probability_words(group.probability),
            }
            for group in probable_causes(verdict)
        ],
        "causes_note": " ".join(f"{line}." for line in _causes_notes(verdict, status.pump)),
        "checks": advice(verdict).steps,  # the page has the cautions above them
        "bore_title": f"Effective bore, {shown('bore').label}",
        "level_title": "as learned" if verdict.open_heads else "stated bore",
        # for the plots, SI
        "units": {name: shown(name)._asdict() for name in ("bore", "pressure")},
        "floats": status.pump.floats,
        "by_heads": verdict.open_heads != "",
        "nominal_bore": verdict.nominal_bore,
        "limit_bore": verdict.nominal_bore * (1.0 + status.limit) ** 0.5,
        "onset_ms": verdict.onset_ns and _local_ms(verdict.onset_ns, ZoneInfo(zone)),
    }


def _missed(status: MachineStatus) -> str:
    return f"{status.missed_hours:.1f} h not recorded" if status.missed_hours > 0.05 else ""


def _reason(verdict: Verdict, time_zone: str) -> str:
    """Why the verdict is what it is, and as of when; before the first cut it is of no moment."""
    if is_unjudged(verdict):
        return f"{verdict.reason[:1].upper()}{verdict.reason[1:]}."
    return f"As of {local_time(verdict.time_ns, time_zone)}: {verdict.reason}."


def _second_opinion(verdict: Verdict, time_zone: str) -> str:
    """What the second opinion says, once the two have disagreed on this jewel."""
    opinion = verdict.second_opinion
    if opinion is None:
        return ""
    differed = verdict.disagrees or opinion.only_watcher + opinion.only_detector > 0
    lines = second_opinion_lines(verdict, time_zone) if differed else []
    return " ".join(f"{line}." for line in lines)


def is_unacknowledged(status: MachineStatus) -> bool:
    """Whether the alarm still has to be acknowledged, even if its cause is gone."""
    return "unacknowledged" in status.alarm


def aside_words(backlogs: Mapping[str, Backlog]) -> str:
    """What was set aside unsent, for each sink; empty if nothing was."""
    return " ".join(
        f"{SINKS.get(sink, sink)}: {each.refused} refused, {each.expired} expired; kept in the "
        f"store but not sent. Last reason: {each.last_reason}."
        for sink, each in backlogs.items()
        if each.last_reason
    )


def _alarm(status: MachineStatus) -> str:
    if status.shelved_until_ns is None:
        return f"Alarm: {status.alarm}"
    until = local_time(status.shelved_until_ns, status.time_zone)
    return f"Alarm: {status.alarm} until {until}, by {status.shelved_by}"


def _known(value: float, words: str) -> str:
    return words if math.isfinite(value) else UNKNOWN


def _bore_note(verdict: Verdict, assumed: bool) -> str:
    """The bore in inches, and which one was stated, or else assumed."""
    which = "assumed" if assumed else "stated"
    stated = f"{which} {bore_words(verdict.nominal_bore)}{bore_of(verdict)}"
    if chosen("bore") or not math.isfinite(verdict.bore * verdict.discharge_coefficient):
        return stated
    return f"{UNITS['bore']['in'].text(verdict.bore)}; {stated}"


def headline_now(status: MachineStatus) -> str:
    """The verdict in one sentence, with its age where it is no longer one of now."""
    verdict = status.verdict
    words = headline(verdict)
    if not status.is_seen:
        if verdict.state is State.LEARNING:
            return "No verdict"
        return f"{span_words(_verdict_age(status))} ago: {words}"
    if status.is_quiet:
        when = local_time(verdict.judged_ns, status.time_zone)
        age = span_words(status.jet_age or 0.0)
        return f"No steady jet since {when} ({age}): {words_of_then(verdict)}"
    if status.sight.doubts and verdict.state is State.SOUND:
        return f"Not proven: {words[0].lower()}{words[1:]}"
    return words


def _verdict_words(status: MachineStatus) -> dict[str, Any]:
    """The verdict as the page may show it: with its age, and greyed out, where it is one of then.

    `group` is what the machine counts as in the head of the page. A fault keeps its sign.
    """
    ne107 = status.verdict.state.ne107
    words = {
        "blind": "",
        "sign": ne107.replace(" ", "-"),
        "headline": headline_now(status),
        "category": f"Device status: {ne107} (NE 107)",
        "group": ne107,
        "is_proven": status.is_proven,
    }
    neutral = State.CANNOT_TELL.ne107.replace(" ", "-")
    if not status.is_seen:
        blind = f"Not seeing the machine. {sight_words(status)}"
        return words | {
            "blind": blind, "sign": neutral, "category": "Not seen", "group": "not seen"
        }  # fmt: skip
    if status.is_quiet:
        return words | {
            "sign": neutral,
            "category": f"Device status then: {ne107} (NE 107)",
            "group": "no jet lately",
        }  # fmt: skip
    if status.sight.doubts and status.verdict.state is State.SOUND:
        return words | {
            "sign": neutral,
            "category": f"Device status: {ne107}? (NE 107)",
            "group": "not proven",
        }
    return words


def _verdict_age(status: MachineStatus) -> float:
    """How long ago the machine was last seen, s; before this start, by the machine's clock."""
    if status.sight.usable is not None:
        return status.sight.age
    return (time.time_ns() - status.verdict.time_ns) * 1e-9


def _stale(status: MachineStatus, age: float) -> str:
    if not status.last_sample_ns:
        return "No data yet: this verdict is from before."
    if age < STALE_AFTER:
        return ""
    return f"No data for {span_words(age)}: everything here is older."


def _link(status: MachineStatus, zone: str) -> str:
    if status.link is None:
        return "Link: not known yet"
    if status.link.connected:
        return f"Link: {status.link.reason}"
    return f"Link: down since {local_time(status.link.time_ns, zone)}, {status.link.reason}"


def _load(verdict: Verdict, pump: Pump) -> Seen:
    """What a larger bore changes: strokes or turns, or the pressure where it floats."""
    if pump.floats:
        # whole MPa as ever
        shown_as, digits = shown("pressure"), 0 if chosen("pressure") else -1
        title, unit = "Pressure", shown_as.label
        seen, expected = verdict.pressure_seen, verdict.pressure_expected
        seen_words, expected_words = (shown_as.number(p, digits) for p in (seen, expected))
    else:
        is_intensifier = isinstance(pump, Intensifier)
        title = "Stroke rate" if is_intensifier else "Crank speed"
        unit = "strokes/min" if is_intensifier else "turns/min"
        seen, expected = verdict.rate_seen, verdict.rate_expected
        seen_words, expected_words = (f"{rate / PER_MINUTE:.1f}" for rate in (seen, expected))
    change = change_words(seen / expected) if expected > 0.0 else UNKNOWN
    return Seen(
        title,
        unit,
        _known(seen, seen_words),
        _known(expected, f"{expected_words} expected, {change}"),
    )


def _margin(verdict: Verdict, pump: Pump) -> Seen:
    """What the pump has left, or what else it shows; `expected` holds the note."""
    if isinstance(pump, Intensifier):
        margin = math.nan if verdict.overstroke_margin is None else verdict.overstroke_margin
        left = margin * pump.max_stroke_rate / PER_MINUTE
        seen = _known(left, f"{left:.0f}")
        return Seen("Overstroke margin", "strokes/min", seen, margin_words(pump))
    if pump.floats:
        turns = verdict.rate_seen / PER_MINUTE
        return Seen("Crank speed", "turns/min", _known(turns, f"{turns:.1f}"), "")
    unit, pressure = shown("pressure"), verdict.pressure_seen
    words = unit.number(pressure, 0 if chosen("pressure") else -1)
    return Seen("Pressure", unit.label, _known(pressure, words), "")


# -- the store


def batches_since(
    connection: sqlite3.Connection, status: MachineStatus, after_ns: int
) -> dict[str, list[Any]]:
    """Batches of a machine that ended after `after_ns`, by column, SI, in order of time.

    Besides the columns of the store there is `local_ms`, the wall-clock time of the machine as
    plotly takes it, and, where the pressure floats with the orifice, `pressure_expected`.
    """
    return with_derived(batches_after(connection, status.name, after_ns), status)


def history(connection: sqlite3.Connection, status: MachineStatus, hours: float) -> dict[str, Any]:
    """The last `hours` of batches, counted back from the newest one.

    Of more than `MOST_POINTS` only every nth is given: `every` says which, `batch_words` in words.
    """
    newest = newest_batch(connection, status.name).get("end_ns", 0)
    after_ns = newest - round(hours * 3600e9)
    every = max(-(-count_batches(connection, status.name, after_ns) // MOST_POINTS), 1)
    columns = batches_after(connection, status.name, after_ns, every)
    return {
        "machine": status.name,
        "every": every,
        "batch_words": f"{every_nth(every)} batch",
        "batches": with_derived(columns, status),
    }


def with_derived(columns: dict[str, list[Any]], status: MachineStatus) -> dict[str, list[Any]]:
    """`columns` of batches, and what else the plots need."""
    zone = ZoneInfo(status.time_zone)
    columns["local_ms"] = [_local_ms(time_ns, zone) for time_ns in columns["end_ns"]]
    if status.pump.floats:
        columns["pressure_expected"] = _pressure_expected(columns, status.pump)
    return columns


def newest_alert_rows(connection: sqlite3.Connection, status: MachineStatus) -> list[list[str]]:
    """The newest alerts of a machine as cells under `wording.ALERT_COLUMNS`, newest first."""
    # and the one before them, which the oldest of them may replace
    newest = newest_alerts(connection, status.name, ALERTS_SHOWN + 1)
    rows = alert_rows(newest[::-1], status.time_zone, status.verdict)[::-1]
    return [list(row) for row in rows[:ALERTS_SHOWN]]


def _local_ms(time_ns: int, zone: ZoneInfo) -> float:
    offset = dt.datetime.fromtimestamp(time_ns // 10**9, zone).utcoffset() or dt.timedelta()
    return time_ns / 1e6 + offset / dt.timedelta(milliseconds=1)


def _pressure_expected(columns: dict[str, list[Any]], pump: Pump) -> list[float]:
    assert isinstance(pump, DirectDrive)
    area, log_ratio, temperature, rate = (
        np.array(columns[name], dtype=np.float64)
        for name in ("area", "log_ratio", "temperature", "rate")
    )
    expected = np.asarray(pump.reached_pressure(area * np.exp(-log_ratio), temperature, rate))
    values: list[float] = expected.tolist()
    return values

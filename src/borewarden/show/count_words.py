"""A count by hand in words: what it shows, how sure that is, and what to do next."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from borewarden.base.shown import quantity_text
from borewarden.base.text import probability_words, span_words
from borewarden.base.times import local_time
from borewarden.base.units import PER_MINUTE
from borewarden.counts.count import Doubt, HandCount, Spread, spreads_of
from borewarden.counts.next_check import causes_of, next_step
from borewarden.counts.series import SURE, Change, Judged, starts_high, unknown_doubts
from borewarden.inspection.cautions import CAUTIONS, Guarded, guarded
from borewarden.show.wording import HEADLINES, INVENTED
from borewarden.watcher.verdict import State

WEEK = 7 * 86_400.0  # s
COLUMNS = ("no.", "time", "machine", "rate, /min", "at", "effective bore", "growth", "verdict")
LEAST_SHOWN = 5e-4  # of the area, that a figure adds
DOUBT_COLUMNS = ("what makes it uncertain", "± of the effective area, 1 sd", "taken as")
_WITH_THE_JET_ON = (
    "Count from the operator's station, with the guards shut: watch or listen to the reversals. "
    "Start the watch on a reversal without counting it, and stop it on the last one you count."
)
DEAD_HEAD = (
    "Only if the pump maker's manual allows it, guards closed and nobody near: from the control "
    "panel, close the jet, hold pressure for two minutes and count the strokes: that count tells a "
    "leak from an opened bore."
)


def count_headline(judged: Judged, time_zone: str) -> str:
    """Machine, time and verdict in one sentence."""
    when = local_time(judged.count.time_ns, time_zone)
    words = HEADLINES[judged.state]
    if judged.state is State.LEARNING:
        high = starts_high(judged.count, judged.estimate)
        words = f"First count of this jewel{', which may already be open' if high else ''}"
    elif judged.state is State.SOUND:
        words = "No change that this count could show"
    return f"{judged.count.machine}, {when}: {words}"


def answer_lines(judged: Judged) -> list[str]:
    """The figures behind the verdict, one a line."""
    return [
        *_seen_lines(judged),
        *_bore_lines(judged),
        *_change_lines(judged),
        f"Why: {judged.reason}.",
        *_certainty_lines(judged),
    ]


def what_next(judged: Judged) -> Guarded:
    """What to do next, behind the cautions."""
    lines = []
    if judged.again:
        lines.append("Count again before you act on it: one count alone is no alarm.")
    if judged.change is None and starts_high(judged.count, judged.estimate):
        lines.append(
            "The jewel may already be open: check the jewel before you take this as the reference."
        )
    beliefs = causes_of(judged)
    if beliefs:
        probable = ", ".join(
            f"{b.cause.words} {probability_words(b.probability)}" for b in beliefs[:3]
        )
        lines.append(f"Probable causes ({INVENTED}): {probable}.")
    step = next_step(judged)
    if step is not None:
        lines.append(f"Cheapest next check: {step.ask} ({step.place.value})")
    if judged.count.plate.is_intensifier and math.isnan(judged.estimate.leak) and step is None:
        lines.append(DEAD_HEAD)
    lines.append(_needed_line(judged))
    if judged.count.speed is None:
        lines.append(_WITH_THE_JET_ON)
    return guarded(*lines)


def doubt_rows(judged: Judged) -> list[tuple[str, str, str]]:
    """Rows under `DOUBT_COLUMNS`, the largest first, C_d aside."""
    spreads = spreads_of(judged.count)
    parts = sorted(judged.estimate.parts.items(), key=lambda item: -item[1])
    return [
        (doubt.value, f"{100.0 * part:.1f} %", _taken_as(judged.count, doubt, spreads[doubt]))
        for doubt, part in parts
        if part >= LEAST_SHOWN
    ]


def _taken_as(count: HandCount, doubt: Doubt, spread: Spread) -> str:
    low, high = spread.middle - spread.half, spread.middle + spread.half
    match doubt:
        case Doubt.EFFICIENCY | Doubt.FRICTION:
            what = f"{100.0 * low:.1f} to {100.0 * min(high, 1.0):.1f} %"
        case Doubt.DEAD:
            what = f"{100.0 * low:.0f} to {100.0 * high:.0f} % of the swept volume"
        case Doubt.RATIO:
            what = f"{low:.3g} to {high:.3g}"
        case Doubt.GAUGE | Doubt.DIVISION:
            what = f"± {quantity_text('pressure', spread.half)}"
        case Doubt.TEMPERATURE:
            what = f"{quantity_text('temperature', low)} to {quantity_text('temperature', high)}"
        case Doubt.WATCH:
            what = f"± {spread.half:.2f} s, standard deviation"
        case Doubt.STROKES | Doubt.IDLE:
            what = "± 1"
        case _:
            what = f"± {100.0 * spread.half / (spread.middle or 1.0):.1f} %"
    return f"{'not given: ' if spread.unknown else ''}{what} ({spread.source})"


def _seen_lines(judged: Judged) -> list[str]:
    """What the pump itself shows of a larger bore."""
    own, plate = judged.estimate, judged.count.plate
    pressure = quantity_text("pressure", own.pressure)
    if plate.floats:
        change = own.pressure / own.pressure_expected - 1.0
        return [
            f"Pressure: {pressure} seen, {quantity_text('pressure', own.pressure_expected)} "
            f"expected ({100.0 * change:+.1f} %) at {own.rate / PER_MINUTE:.1f} turns/min of the "
            "crank"
        ]
    change = own.rate / own.rate_expected - 1.0
    title, unit = ("Stroke rate", "strokes/min") if plate.is_intensifier else (
        "Crank speed", "turns/min"
    )  # fmt: skip
    lines = [
        f"{title}: {own.rate / PER_MINUTE:.1f} {unit} seen, {own.rate_expected / PER_MINUTE:.1f} "
        f"expected ({100.0 * change:+.1f} %) at {pressure}"
    ]
    if plate.max_rate and own.rate > plate.max_rate:
        lines.append(
            f"That is more than the pump's limit of {plate.max_rate / PER_MINUTE:.0f} {unit}"
        )
    if not math.isnan(own.leak):
        lines.append(
            f"Dead-headed: {100.0 * own.leak:.1f} ± {100.0 * SURE * own.leak_sd:.1f} % of the "
            "strokes are lost, and taken off the effective bore below"
        )
    return lines


def _bore_lines(judged: Judged) -> list[str]:
    low, high = judged.estimate.bore_interval
    stated = math.sqrt(sum(bore**2 for bore in judged.count.bores))
    heads = "" if len(judged.count.bores) == 1 else ", all open heads as one"
    return [
        f"Effective bore: {quantity_text('bore', judged.estimate.bore, 1)}, 95 %: "
        f"{quantity_text('bore', low)} to {quantity_text('bore', high)}",
        f"Stated bore: {quantity_text('bore', stated)}{heads}",
    ]


def _change_lines(judged: Judged) -> list[str]:
    lines = []
    change, trend = judged.change, judged.trend
    if change is not None:
        since = "the first count" if change.counts == 1 else f"the first {change.counts} counts"
        lines.append(
            f"Since {since} of this jewel: effective area {100.0 * change.growth:+.1f} ± "
            f"{100.0 * SURE * change.sd:.1f} % (95 %); that it has grown: "
            f"{probability_words(change.probability)}"
        )
        lines += _leak_lines(change)
    if trend is not None:
        lines.append(
            f"Over {trend.counts} counts: effective area {100.0 * trend.weekly:+.2f} ± "
            f"{100.0 * SURE * trend.sd:.2f} % a week (95 %)"
        )
        if trend.weeks_left is not None:
            limit = f"the limit of {100.0 * judged.count.limit:+.0f} %"
            left = span_words(WEEK * trend.weeks_left)
            lines.append(
                f"At that pace it reaches {limit} in about {left}, straight on; wear may speed up"
                if trend.weeks_left > 0.0
                else f"It has reached {limit}"
            )
    return lines


def _leak_lines(change: Change) -> list[str]:
    """Whether the growth has the leak taken off; nothing where nobody counted dead-headed."""
    if math.isnan(change.lost):
        return []
    if change.leak_off:
        return [
            "The strokes newly lost dead-headed are taken off that growth; with them it would be "
            f"{100.0 * change.with_leak:+.1f} %"
        ]
    without = (1.0 + change.growth) * (1.0 - change.lost) - 1.0
    return [
        "That growth includes the leak: nobody counted dead-headed at first. If nothing leaked "
        f"then, it is {100.0 * without:+.1f} % without the leak"
    ]


def _certainty_lines(judged: Judged) -> list[str]:
    own = judged.estimate
    lines = [
        f"Standard uncertainty of the effective area: {100.0 * own.area_sd:.1f} %, of that "
        f"{100.0 * own.repeat_sd:.1f} % differs from count to count; what C_d the jewel had when "
        f"new adds {100.0 * own.coefficient_sd:.1f} % to its bore"
    ]
    if judged.costliest is not None:
        unknown = len(unknown_doubts(judged.count))
        lines.append(
            f"Of {unknown} unknown fact{'s' * (unknown != 1)}, {judged.costliest.value} costs most "
            f"certainty: were it known, {100.0 * own.area_sd:.1f} % would be "
            f"{100.0 * judged.area_sd_known:.1f} %"
        )
    return lines


def _needed_line(judged: Judged) -> str:
    count = judged.count
    if count.speed is not None:
        return "Read the crank speed and the gauge as finely as they allow."
    if judged.needed is None:
        return (
            "No number of strokes gives an answer worth having: read the gauge more finely, or "
            "give its --division."
        )
    seconds = judged.needed / count.rate
    enough = count.strokes is not None and count.strokes >= judged.needed
    counted = "which this count has" if enough else f"not {count.strokes:.0f}"
    return (
        f"For an answer worth having, count {judged.needed} strokes (about "
        f"{seconds // 60:.0f} min {seconds % 60:.0f} s), {counted}."
    )


def trend_lines(judged: Judged) -> list[str]:
    """Growth and trend of the newest count of a machine."""
    return _change_lines(judged) or ["one count so far; trends need three, over some days"]


def count_row(number: int, judged: Judged, time_zone: str) -> tuple[str, ...]:
    """A row under `COLUMNS`."""
    own, change = judged.estimate, judged.change
    growth = "first" if change is None else (
        f"{100.0 * change.growth:+.1f} ± {100.0 * SURE * change.sd:.1f} %"
    )  # fmt: skip
    return (
        str(number),
        local_time(judged.count.time_ns, time_zone),
        judged.count.machine,
        f"{own.rate / PER_MINUTE:.1f}",
        quantity_text("pressure", own.pressure),
        quantity_text("bore", own.bore),
        growth,
        count_headline(judged, time_zone).rpartition(": ")[2],
    )


def count_object(number: int | None, judged: Judged) -> dict[str, Any]:
    """A count for programs: SI, times in ns UTC, intervals [low, middle, high]."""
    own, change, trend = judged.estimate, judged.change, judged.trend
    step = next_step(judged)
    low, high = own.bore_interval
    return {
        "number": number,
        "machine": judged.count.machine,
        "time_ns": judged.count.time_ns,
        "state": judged.state,
        "reason": judged.reason,
        "count_again": judged.again,
        "rate": own.rate,
        "rate_expected": own.rate_expected,
        "pressure": own.pressure,
        "pressure_expected": own.pressure_expected,
        "area": math.exp(own.log_area),
        "area_sd": own.area_sd,
        "repeat_sd": own.repeat_sd,
        "bore": [low, own.bore, high],
        "bores_stated": judged.count.bores,
        "leak": own.leak,
        "growth": None if change is None else change.growth,
        "growth_with_leak": None if change is None else change.with_leak,
        "growth_sd": None if change is None else change.sd,
        "probability_grown": None if change is None else change.probability,
        "weekly_growth": None if trend is None else trend.weekly,
        "weekly_growth_sd": None if trend is None else trend.sd,
        "weeks_to_limit": None if trend is None else trend.weeks_left,
        "strokes_needed": judged.needed,
        "uncertainty": {doubt.name.lower(): part for doubt, part in own.parts.items()},
        "costliest_unknown": judged.costliest and judged.costliest.name.lower(),
        "next_check": step and step.name,
        "cautions": CAUTIONS,
        "by": judged.count.by,
        "note": judged.count.note,
    }


def newest_of_each(judged: Iterable[Judged]) -> list[Judged]:
    """The newest count of each machine, by name."""
    newest = {each.count.machine: each for each in judged}
    return [newest[name] for name in sorted(newest)]

"""A sweep of settings and a comparison of days in words: rows and lines for the terminal."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from borewarden.base.shown import shown
from borewarden.base.text import counted
from borewarden.show.wording import DETECTOR
from borewarden.tune.compare import DayRow
from borewarden.tune.days import Shop
from borewarden.tune.grid import Candidate
from borewarden.tune.outcome import Outcome
from borewarden.tune.trade import Estimate, Trade

TRADE_COLUMNS = (
    "setting", "median, s", "95 %, s", "found", "named", "false", "per 1,000 h", "wear, %",
)  # fmt: skip
TRADE_NOTE = (
    "T today's, C chosen, P none is better in both, O over-fitted. In brackets: exact intervals, "
    "90 % for delays and 95 % for false alarms. Found and named: of the chips. Wear: the growth at "
    "which it was reported."
)
EVENT_COLUMNS = ("event", "from", "setting", "found", "delay, jet", "said", "right")
DAY_NOTE = (
    "Noise: of a batch's effective area, from one batch to the next; timing: the part of it that "
    "stroke timing or reading steps may cause; pulses: of the pressure, from sample to sample; "
    "idle: flow while dead-headed, as a share of the working flow; unshared: alerts at which "
    f"{DETECTOR} saw otherwise."
)
MOST_ROWS = 10  # of a table
LONG_DELAY = 7200.0  # s, from which a delay is given in hours
HIGH_RATE = 100.0  # false alarms in 1,000 h; above it, tenths mean nothing


def day_columns() -> tuple[str, ...]:
    """The heads of the table of days."""
    return (
        "machine", "day", "jet h", "noise, %", "timing, %", "pulses, %", "idle, %",
        shown("pressure").label, "alerts",
    )  # fmt: skip


def tried_line(shop: Shop, tried: Sequence[Candidate], trade: Trade) -> str:
    """What was tried, and on which days."""
    chip_sizes = {trial.size for trial in shop.trials if trial.kind == "chip"}
    chips = f"chips of {100.0 * max(chip_sizes):+.1f} %" if chip_sizes else "no chips"
    injected = trade.figures[0].chips
    return (
        f"{counted(len(shop.days), 'day')}, {int(shop.sound.sum())} of them sound, "
        f"{float(shop.jet_clock[-1]) / 3600.0:.1f} jet hours; {counted(len(tried), 'setting')}; "
        f"{injected} {chips} and {counted(len(shop.trials) - injected, 'wearing jewel')} injected."
    )


def ranked(trade: Trade) -> list[int]:
    """Today's setting and the chosen one, the front by delay, then the others by delay."""
    first = list(dict.fromkeys([0, trade.choice.number]))
    rest = sorted(
        (k for k in range(len(trade.figures)) if k not in first),
        key=lambda k: (not trade.front[k], trade.figures[k].median.value, k),
    )
    return first + rest


def trade_rows(trade: Trade) -> list[tuple[str, ...]]:
    """Rows under `TRADE_COLUMNS`, the most telling settings first."""
    doubtful = {number for number, _ in trade.over_fitted}
    rows: list[tuple[str, ...]] = []
    for number in ranked(trade)[:MOST_ROWS]:
        s = trade.figures[number]
        rows.append(
            (
                f"{number} {_marks(number, trade, doubtful)}",
                _estimate(s.median, 0),
                _estimate(s.late, 0),
                f"{s.found}/{s.watched}",
                f"{s.right}/{s.watched}",
                f"{s.false}/{s.hours:.0f} h",
                _estimate(s.rate, 0 if s.rate.high > HIGH_RATE else 1),
                _estimate(s.wear, 1, 100.0),
            )
        )
    return rows


def setting_lines(tried: Sequence[Candidate], trade: Trade) -> list[str]:
    """What the numbers in `trade_rows` mean."""
    return [f"{number:>4}: {tried[number].words}" for number in ranked(trade)[:MOST_ROWS]]


def event_rows(
    shop: Shop, outcomes: Sequence[Outcome], trade: Trade, time_zone: str
) -> list[tuple[str, ...]]:
    """Rows under `EVENT_COLUMNS`: each labelled event, with today's setting, the chosen, the front.

    Empty if nothing is labelled.
    """
    shown = [
        k for k in ranked(trade)[:MOST_ROWS] if k in (0, trade.choice.number) or trade.front[k]
    ]
    rows: list[tuple[str, ...]] = []
    for place, window in enumerate(shop.windows):
        when = dt.datetime.fromtimestamp(window.label.start_ns / 1e9, ZoneInfo(time_zone))
        for number in shown:
            f = outcomes[number].found[place]
            found = math.isfinite(f.delay)
            jet = f"{f.delay:.0f} s" if f.delay < LONG_DELAY else f"{f.delay / 3600.0:.1f} h"
            rows.append(
                (
                    window.label.event,
                    f"{when:%Y-%m-%d %H:%M}",
                    str(number),
                    "yes" if found else "no",
                    jet if found else "–",
                    f.state or "–",
                    ("yes" if f.right else "no") if found else "–",
                )
            )
    return rows


def event_lines(shop: Shop, outcomes: Sequence[Outcome]) -> list[str]:
    """How many settings found and named each labelled event."""
    lines = []
    for place, window in enumerate(shop.windows):
        found_by = sum(math.isfinite(outcome.found[place].delay) for outcome in outcomes)
        named_by = sum(outcome.found[place].right for outcome in outcomes)
        lines.append(
            f"{window.label.event}: found by {found_by} of {len(outcomes)} settings, named by "
            f"{named_by}."
        )
    return lines


def doubt_lines(
    shop: Shop, tried: Sequence[Candidate], outcomes: Sequence[Outcome], trade: Trade
) -> list[str]:
    """Whether the choice holds on other days, and what may count wrongly as a false alarm."""
    lines = [_fold_line(trade)]
    for number, reason in trade.over_fitted:
        lines.append(f"Over-fitted: {tried[number].words}: {reason}")
    unlabelled = [day for day, count in zip(shop.days, outcomes[0].false, strict=True) if count]
    if unlabelled:
        days = ", ".join(map(str, unlabelled))
        lines.append(
            f"Today's settings alarm on {days} with nothing labelled. That counts as false: if "
            "something did happen then, label it and tune again."
        )
    return lines


def choice_lines(tried: Sequence[Candidate], trade: Trade) -> list[str]:
    """Which settings to take and why, and how many false alarms there may still be."""
    s = trade.figures[trade.choice.number]
    return [
        f"Choice: {tried[trade.choice.number].words}. {trade.choice.reason}.",
        f"With {counted(s.false, 'false alarm')} in {counted(s.hours, 'jet hour')}, the rate may "
        f"still be up to {_number(s.rate.high, 0)} in 1,000 h.",
    ]


def change_lines(change: str, patch: object) -> list[str]:
    """How to take the `change`, which is never applied; `patch` is the file that it is in."""
    if not change:
        return []
    if patch is None:
        how = "To take it, write it to a file with --patch and run patch -p0 < FILE."
    else:
        how = f"To take it: patch -p0 < {patch}"
    return [f"Not applied. {how}", change.rstrip("\n")]


def _marks(number: int, trade: Trade, doubtful: set[int]) -> str:
    """What a setting is, as letters."""
    return "".join(
        letter
        for letter, holds in (
            ("T", number == 0),
            ("C", number == trade.choice.number),
            ("P", trade.front[number]),
            ("O", number in doubtful),
        )
        if holds
    )


def _estimate(e: Estimate, digits: int, factor: float = 1.0) -> str:
    """Such as '46 (41–55)'."""
    if math.isnan(e.value):
        return "–"
    value, low, high = (_number(factor * x, digits) for x in e)
    return f"{value} ({low}–{high})"


def _number(value: float, digits: int) -> str:
    if math.isnan(value):
        return "–"
    return "∞" if math.isinf(value) else f"{value:.{digits}f}"


def _fold_line(trade: Trade) -> str:
    if not trade.folds:
        return "All chips are on one day, so nobody knows whether the choice holds on another."

    def total(which: str) -> str:
        parts = [getattr(fold, which) for fold in trade.folds]
        watched = sum(s.watched for s in parts)
        mean = sum(s.worth * s.watched for s in parts if s.watched) / watched if watched else None
        delay = "no chips" if mean is None else f"mean delay {mean:.0f} s of {watched} chips"
        return f"{delay}, {sum(s.false for s in parts)} false alarms"

    return (
        f"Each day left out in turn and judged with what the others chose: {total('held_out')}; "
        f"today's settings: {total('today')}."
    )


def trade_object(
    shop: Shop, tried: Sequence[Candidate], outcomes: Sequence[Outcome], trade: Trade, change: str
) -> dict[str, Any]:
    """The whole sweep for programs: SI, delays in s of jet time, rates in 1,000 jet hours."""
    doubtful = dict(trade.over_fitted)
    settings = [
        {
            "number": k,
            "changed": candidate.changed,
            "today": k == 0,
            "chosen": k == trade.choice.number,
            "front": trade.front[k],
            "over_fitted": doubtful.get(k),
            **asdict(trade.figures[k]),
            "events": outcomes[k].found,
        }
        for k, candidate in enumerate(tried)
    ]
    return {
        "days": [
            {"day": day, "sound": bool(sound)}
            for day, sound in zip(shop.days, shop.sound, strict=True)
        ],
        "jet_hours": float(shop.jet_clock[-1]) / 3600.0,
        "events": [window.label for window in shop.windows],
        "settings": settings,
        "folds": trade.folds,
        "choice": trade.choice,
        "change": change,
    }


def day_cells(row: DayRow) -> tuple[str, ...]:
    """A row under `day_columns`."""
    shares = (row.noise, row.timing, row.pulsation, row.idle_share)
    return (
        row.machine,
        str(row.day),
        f"{row.jet_hours:.2f}",
        *(_number(100.0 * share, 2) for share in shares),
        _number(row.pressure / shown("pressure").factor, 0),
        f"{row.alerts}" + f" ({row.unshared} unshared)" * (row.unshared > 0),
    )

"""One self-contained HTML page on a sweep of settings: the trade-off, day by day, side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from plotly.offline import get_plotlyjs

from borewarden.base.text import counted
from borewarden.show.pages import template_environment
from borewarden.tune.days import Shop
from borewarden.tune.grid import Candidate
from borewarden.tune.outcome import Gathered, Outcome, watch_stretch
from borewarden.tune.sweep import on_settings
from borewarden.tune.trade import Estimate, Summary, Trade
from borewarden.watcher.settings import WatchSettings

MOST_REPLAYED = 8  # settings to look at side by side


def write_tune_report(
    machine: str,
    time_zone: str,
    shop: Shop,
    tried: Sequence[Candidate],
    outcomes: Sequence[Outcome],
    trade: Trade,
    change: str,
    path: Path,
    workers: int = 1,
) -> None:
    """Write the page to `path`; `change` is the diff of the machine file, "" if there is none.

    The settings shown side by side are replayed once more, in `workers` processes.
    """
    zone = ZoneInfo(time_zone)
    shown = replayed_settings(trade)
    looked_at = [tried[k] for k in shown]
    series = on_settings(_series, replace(shop, trials=[]), looked_at, workers)
    choice = trade.choice
    data = {
        "days": [str(day) for day in shop.days],
        "jetHours": _jet_hours(shop),
        "sound": shop.sound.tolist(),
        "labels": _labels(shop, zone),
        "settings": [
            _setting(shop, k, tried[k], outcomes[k], trade, zone) for k in range(len(tried))
        ],
        "replayed": shown,
        "series": dict(sorted((shown[i], of_days) for i, of_days in series)),
        "chosen": choice.number,
    }
    page = (
        template_environment()
        .get_template("tune.html")
        .render(
            machine=machine,
            time_zone=time_zone,
            headline=(
                "Keep today's settings" if choice.number == 0 else "Other settings would do better"
            ),
            words=tried[choice.number].words,
            reason=choice.reason,
            shop_facts=_facts(shop, trade.figures[0], len(tried)),
            doubts=_doubts(trade.figures[choice.number]),
            change=change,
            folds=_folds(shop, tried, trade),
            over_fitted=[(tried[n].words, reason) for n, reason in trade.over_fitted],
            rows=[_row(k, tried[k], trade) for k in range(len(tried))],
            data=data,
            plotly_js=get_plotlyjs(),
        )
    )
    path.write_text(page, encoding="utf-8")


def replayed_settings(trade: Trade) -> list[int]:
    """Today's, the chosen one, and the fastest of the front."""
    front = sorted(
        (k for k, holds in enumerate(trade.front) if holds),
        key=lambda k: (trade.figures[k].median.value, k),
    )
    rest = sorted(range(len(trade.figures)), key=lambda k: (trade.figures[k].median.value, k))
    every = dict.fromkeys([0, trade.choice.number, *front, *rest])
    return list(every)[:MOST_REPLAYED]


# -- words


def _words(e: Estimate, digits: int, unit: str = "", factor: float = 1.0) -> str:
    if math.isnan(e.value):
        return "–"
    value, low, high = (
        "∞" if math.isinf(x) else f"{factor * x:.{digits}f}" for x in (e.value, e.low, e.high)
    )
    return f"{value}{unit} ({low} to {high})"


def _facts(shop: Shop, today: Summary, settings: int) -> list[tuple[str, str]]:
    wears = len(shop.trials) - today.chips
    return [
        ("Days", f"{len(shop.days)}, {int(shop.sound.sum())} of them with nothing labelled"),
        ("Jet on", f"{float(shop.jet_clock[-1]) / 3600.0:.1f} h"),
        ("Settings tried", f"{settings}"),
        ("Injected", f"{counted(today.chips, 'chip')}, {counted(wears, 'wearing jewel')}"),
    ]


def _doubts(s: Summary) -> str:
    return (
        f"{counted(s.false, 'false alarm')} in {counted(s.hours, 'jet hour')}: the rate may still "
        f"be up to {s.rate.high:.0f} in 1,000 h (95 %)."
    )


def _row(number: int, candidate: Candidate, trade: Trade) -> tuple[str, ...]:
    s = trade.figures[number]
    return (
        f"{number}",
        candidate.words,
        _words(s.median, 0, " s"),
        _words(s.late, 0, " s"),
        f"{s.found} of {s.watched}",
        f"{s.right} of {s.watched}",
        f"{s.false} in {s.hours:.0f} h",
    )


def _folds(shop: Shop, tried: Sequence[Candidate], trade: Trade) -> list[tuple[str, ...]]:
    def told(s: Summary) -> str:
        delay = f"{s.worth:.0f} s of {s.watched} chips" if s.watched else "no chips"
        return f"{delay}, {s.false} false alarms"

    return [
        (
            str(shop.days[fold.day]),
            tried[fold.number].words,
            told(fold.held_out),
            told(fold.today),
        )
        for fold in trade.folds
    ]


# -- data for the page's own script


def _jet_hours(shop: Shop) -> list[float]:
    gained = np.diff(shop.jet_clock, prepend=0.0)
    of_day = shop.day_of(shop.samples.time_ns)
    total = np.bincount(of_day, weights=gained, minlength=len(shop.days))
    return [round(float(hours) / 3600.0, 3) for hours in total]


def _clock(time_ns: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_ns / 1e9, zone):%H:%M:%S}"


def _seconds(shop: Shop, day: int, time_ns: int) -> float:
    return round((time_ns - int(shop.day_starts_ns[day])) * 1e-9, 1)


def _labels(shop: Shop, zone: ZoneInfo) -> list[dict[str, Any]]:
    return [
        {
            "day": window.day,
            "event": window.label.event,
            "clock": _clock(window.label.start_ns, zone),
            "s": _seconds(shop, window.day, window.label.start_ns),
        }
        for window in shop.windows
    ]


def _setting(
    shop: Shop, number: int, candidate: Candidate, outcome: Outcome, trade: Trade, zone: ZoneInfo
) -> dict[str, Any]:
    s = trade.figures[number]
    times = np.array([time_ns for time_ns, _ in outcome.alerts], dtype=np.int64)
    days, labelled = shop.day_of(times), shop.labelled(times)
    over = [reason for n, reason in trade.over_fitted if n == number]
    kinds = [
        word
        for word, holds in (
            ("today's", number == 0),
            ("chosen", number == trade.choice.number),
            ("none is better in both", trade.front[number]),
            ("over-fitted", bool(over)),
        )
        if holds
    ]

    def known(x: float) -> float | None:
        return x if math.isfinite(x) else None

    return {
        "words": candidate.words,
        "kinds": kinds,
        "front": trade.front[number],
        "delay": [known(x) for x in s.median],
        "rate": [known(x) for x in s.rate],
        "figures": [
            ("Delay, median", _words(s.median, 0, " s")),
            ("Delay, 95 %", _words(s.late, 0, " s")),
            ("Chips found", f"{s.found} of {s.watched}"),
            ("Bore named at once", f"{s.right} of {s.watched}"),
            ("False alarms", f"{s.false} in {counted(s.hours, 'jet hour')}"),
            ("In 1,000 jet hours", _words(s.rate, 1)),
            ("Wear reported at", _words(s.wear, 1, " %", 100.0)),
            *(("Over-fitted", reason) for reason in over),
            *(
                (
                    f"{window.label.event}, {shop.days[window.day]}",
                    f"{f.state} after {_span(f.delay)} of jet; "
                    f"{'right' if f.right else 'not the right cause'}"
                    if math.isfinite(f.delay)
                    else "not found",
                )
                for window, f in zip(shop.windows, outcome.found, strict=True)
            ),
        ],
        "alerts": [
            {
                "day": int(day),
                "clock": _clock(time_ns, zone),
                "s": _seconds(shop, int(day), time_ns),
                "state": state,
                "labelled": bool(within),
            }
            for (time_ns, state), day, within in zip(outcome.alerts, days, labelled, strict=True)
        ],
    }


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


def _series(
    shop: Shop, gathered: list[Gathered], settings: WatchSettings
) -> list[dict[str, list[float]]]:
    """Of each day: s since midnight, growth in %, statistic over threshold."""
    parts, _ = watch_stretch(shop, gathered, settings)
    rows = np.concatenate(parts)
    day = shop.day_of(rows["end_ns"])
    growth = 100.0 * np.expm1(rows["log_ratio"])
    ratio = rows["statistic"] / rows["threshold"]
    learned = np.isfinite(growth) & np.isfinite(ratio)
    return [
        {
            "s": np.rint((rows["end_ns"][here] - shop.day_starts_ns[k]) * 1e-9).tolist(),
            "growth": np.round(growth[here], 2).tolist(),
            "ratio": np.round(ratio[here], 2).tolist(),
        }
        for k in range(len(shop.days))
        for here in [learned & (day == k)]
    ]

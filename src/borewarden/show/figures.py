"""The small figure in a mail: effective bore and step detector over the last hours.

It is a PNG, because mail programs show no SVG and run no scripts.
"""

from __future__ import annotations

import io
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from borewarden.base.shown import shown
from borewarden.show.style import BLUE, GRID, INK, SKY, VERMILION
from borewarden.watcher.monitor import RECENT

GAP_NS = 600 * 10**9  # batches further apart than this are not joined by a line
SAME_LEVEL = 6  # digits of the log of an area: rounding is far below, other heads far above


def bore_figure(
    batches: pd.DataFrame,
    time_zone: str,
    *,
    nominal_bore: float,
    limit: float,
    onset_ns: int | None = None,
    hours: float = 8.0,
    of_heads: bool = False,
) -> bytes | None:
    """A PNG of the last `hours` of `batches`, which has the columns of `RESULT` in SI.

    `nominal_bore` is the stated bore, m, `limit` the relative growth of effective area at which
    it counts as opened up. `of_heads` says that several heads cut: means are then of the same ones.
    None if there is nothing to show.
    """
    # loading it takes half a second, so only a watcher with something to say does
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    if len(batches) == 0:
        return None
    ends = batches["end_ns"].to_numpy(dtype=np.int64)
    recent = ends >= ends[-1] - round(hours * 3600e9)
    batches, ends = batches[recent], ends[recent]
    level = levels_of(batches, of_heads)
    gaps = np.flatnonzero((np.diff(ends) > GAP_NS) | (np.diff(level) != 0)) + 1
    zone = ZoneInfo(time_zone)
    x = _datetimes(ends, zone)

    figure = Figure(figsize=(6.4, 4.0), dpi=150, layout="constrained")
    canvas = FigureCanvasAgg(figure)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    limit_bore = nominal_bore * (1.0 + limit) ** 0.5
    _draw_bore(
        upper,
        batches.assign(level=level),
        x,
        gaps,
        {"stated bore": nominal_bore, "limit": limit_bore},
    )
    _draw_detector(lower, batches, x, gaps)
    for axes in (upper, lower):
        if onset_ns is not None and ends[0] <= onset_ns <= ends[-1]:
            [onset] = _datetimes(np.array([onset_ns]), zone)
            axes.axvline(onset, color=INK, linestyle=":", linewidth=1.5, label="onset")
        axes.grid(color=GRID)
        axes.spines[["top", "right"]].set_visible(False)
    upper.legend(fontsize=8, ncols=3, loc="lower left", bbox_to_anchor=(0.0, 1.0), frameon=False)
    lower.legend(fontsize=8, loc="upper left", frameon=False)
    _label_times(lower, zone)
    content = io.BytesIO()
    canvas.print_png(content)
    return content.getvalue()


def levels_of(batches: pd.DataFrame, of_heads: bool) -> NDArray[np.int64]:
    """The place of the learned area that each batch is compared with; -1 where there is none.

    Each combination of open heads has one of its own, which never changes. Where no heads are told
    apart, which `of_heads` says, all have the same place.
    """
    if not of_heads:
        return np.zeros(len(batches), dtype=np.int64)
    learned = (np.log(batches["area"]) - batches["log_ratio"]).round(SAME_LEVEL)
    return np.asarray(pd.factorize(learned)[0], dtype=np.int64)


def recent_mean(values: NDArray[np.float64], alike: NDArray[np.int64]) -> NDArray[np.float64]:
    """Mean of each value and those `alike` before it, `RECENT` in all: the "now"."""
    rolling = pd.Series(values).groupby(alike, group_keys=False).rolling(RECENT, min_periods=1)
    means = rolling.mean()
    return np.asarray(means.droplevel(0).sort_index(), dtype=np.float64)


def _draw_bore(
    axes: Any,
    batches: pd.DataFrame,
    x: NDArray[np.object_],
    gaps: NDArray[np.intp],
    levels: dict[str, float],
) -> None:
    """The effective bore, a dot for each batch and the mean of those of one `level`.

    `levels` are bores in m.
    """
    unit = shown("bore")
    bore = np.asarray(batches["bore"], dtype=np.float64) / unit.factor
    smooth = recent_mean(bore, batches["level"].to_numpy())
    axes.plot(x, bore, ".", color=SKY, markersize=3, label="each batch")
    axes.plot(*_broken(x, smooth, gaps), color=BLUE, label=f"mean of {RECENT} batches")
    for (name, level), color, dash in zip(
        levels.items(), (INK, VERMILION), ("--", "-."), strict=True
    ):
        axes.axhline(level / unit.factor, color=color, linestyle=dash, linewidth=1, label=name)
    axes.set_ylabel(f"effective bore, {unit.label}")


def _draw_detector(
    axes: Any, batches: pd.DataFrame, x: NDArray[np.object_], gaps: NDArray[np.intp]
) -> None:
    """The log likelihood ratio of a step, and where it alarms."""
    statistic, threshold = (
        np.asarray(batches[name], dtype=np.float64) for name in ("statistic", "threshold")
    )
    axes.plot(*_broken(x, statistic, gaps), color=BLUE, drawstyle="steps-post", label="step")
    axes.plot(*_broken(x, threshold, gaps), color=VERMILION, ls="--", label="alarm threshold")
    axes.set_ylabel("step detector")
    axes.set_ylim(bottom=0.0)


def _broken(
    x: NDArray[np.object_], y: NDArray[np.float64], gaps: NDArray[np.intp]
) -> tuple[NDArray[np.object_], NDArray[np.float64]]:
    """The points of a line that is interrupted before each of `gaps`."""
    return np.insert(x, gaps, x[gaps]), np.insert(y, gaps, np.nan)


def _label_times(axes: Any, zone: ZoneInfo) -> None:
    from matplotlib import dates

    locator = dates.AutoDateLocator(tz=zone)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, tz=zone))
    axes.set_xlabel(zone.key)


def _datetimes(time_ns: NDArray[np.int64], zone: ZoneInfo) -> NDArray[np.object_]:
    """Times in ns since 1970 UTC as matplotlib takes them, which has no nanoseconds."""
    times = pd.to_datetime(time_ns, utc=True).floor("us").tz_convert(zone)
    datetimes: NDArray[np.object_] = times.to_pydatetime()
    return datetimes

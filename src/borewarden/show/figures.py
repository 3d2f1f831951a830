"""The small figure within a mail: effective bore and step detector over the last hours.

A PNG, because mail programs show no SVG and run no scripts.
"""

from __future__ import annotations

import io
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from borewarden.base.units import MM
from borewarden.show.style import BLUE, INK, SKY, VERMILION
from borewarden.watcher.monitor import RECENT

GAP_NS = 600 * 10**9  # batches further apart than this are not joined by a line


def bore_figure(
    batches: pd.DataFrame,
    time_zone: str,
    *,
    nominal_bore: float,
    limit: float,
    onset_ns: int | None = None,
    hours: float = 8.0,
) -> bytes | None:
    """A PNG on the last `hours` of `batches`, which has the columns of `RESULT` in SI.

    `nominal_bore` is the stated bore, m, `limit` the relative growth of effective area at which
    it counts as opened up. None if there is nothing to show.
    """
    # takes half a second to load, which only a watcher that has something to say should pay
    from matplotlib import dates
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    if len(batches) == 0:
        return None
    ends = batches["end_ns"].to_numpy(dtype=np.int64)
    recent = ends >= ends[-1] - round(hours * 3600e9)
    batches, ends = batches[recent], ends[recent]
    bore, statistic, threshold = (
        np.asarray(batches[name], dtype=np.float64) for name in ("bore", "statistic", "threshold")
    )
    smooth = np.asarray(pd.Series(bore).rolling(RECENT, min_periods=1).mean())
    gaps = np.flatnonzero(np.diff(ends) > GAP_NS) + 1

    zone = ZoneInfo(time_zone)
    x = _datetimes(ends, zone)
    broken_x = np.insert(x, gaps, x[gaps])

    figure = Figure(figsize=(6.4, 4.0), dpi=150, layout="constrained")
    canvas = FigureCanvasAgg(figure)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    upper.plot(x, bore / MM, ".", color=SKY, markersize=3, label="a batch")
    upper.plot(
        broken_x,
        np.insert(smooth / MM, gaps, np.nan),
        color=BLUE,
        label=f"mean of {RECENT} batches",
    )
    limit_bore = nominal_bore * (1.0 + limit) ** 0.5
    upper.axhline(nominal_bore / MM, color=INK, linestyle="--", linewidth=1, label="stated bore")
    upper.axhline(limit_bore / MM, color=VERMILION, linestyle="-.", linewidth=1, label="limit")
    upper.set_ylabel("effective bore, mm")
    lower.plot(
        broken_x,
        np.insert(statistic, gaps, np.nan),
        color=BLUE,
        drawstyle="steps-post",
        label="step",
    )
    lower.plot(
        broken_x,
        np.insert(threshold, gaps, np.nan),
        color=VERMILION,
        linestyle="--",
        label="alarm threshold",
    )
    lower.set_ylabel("step detector")
    lower.set_ylim(bottom=0.0)
    for axes in (upper, lower):
        if onset_ns is not None and ends[0] <= onset_ns <= ends[-1]:
            [onset] = _datetimes(np.array([onset_ns]), zone)
            axes.axvline(onset, color=INK, linestyle=":", linewidth=1.5, label="onset")
        axes.grid(color="#e3e6e8")
        axes.spines[["top", "right"]].set_visible(False)
    upper.legend(fontsize=8, ncols=3, loc="lower left", bbox_to_anchor=(0.0, 1.0), frameon=False)
    lower.legend(fontsize=8, loc="upper left", frameon=False)
    locator = dates.AutoDateLocator(tz=zone)
    lower.xaxis.set_major_locator(locator)
    lower.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, tz=zone))
    lower.set_xlabel(time_zone)
    content = io.BytesIO()
    canvas.print_png(content)
    return content.getvalue()


def _datetimes(time_ns: NDArray[np.int64], zone: ZoneInfo) -> NDArray[np.object_]:
    """Times in ns since 1970 UTC as matplotlib takes them, who knows of no nanoseconds."""
    times = pd.to_datetime(time_ns, utc=True).floor("us").tz_convert(zone)
    datetimes: NDArray[np.object_] = times.to_pydatetime()
    return datetimes

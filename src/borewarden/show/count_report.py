"""The page of the counts by hand: for each pump its trend, its counts, and what to do next."""

from __future__ import annotations

import base64
import io
import itertools
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from borewarden.base.files import write_private
from borewarden.base.shown import shown
from borewarden.base.times import computer_zone
from borewarden.counts.series import Judged, is_same_jewel
from borewarden.inspection.cautions import CAUTIONS
from borewarden.physics.orifice import bore_of_area
from borewarden.show.count_words import (
    COLUMNS,
    answer_lines,
    count_headline,
    count_row,
    newest_of_each,
    what_next,
)
from borewarden.show.pages import template_environment
from borewarden.show.style import BLUE, GRID, INK, VERMILION


def write_counts(
    judged: Sequence[Judged], zones: Mapping[str, str], numbers: Mapping[int, int], path: Path
) -> None:
    """Write the page of all `judged` counts; `zones` are time zones by machine, else ours.

    `numbers` are those of the counts, by `id` of a `HandCount`.
    """
    text = (
        template_environment()
        .get_template("counts.html")
        .render(title="Counts by hand", cautions=CAUTIONS, pumps=pump_views(judged, zones, numbers))
    )
    write_private(path, text)


def pump_views(
    judged: Sequence[Judged], zones: Mapping[str, str], numbers: Mapping[int, int]
) -> list[dict[str, Any]]:
    """What a page shows of each pump; see `write_counts`."""
    views = []
    for newest in newest_of_each(judged):
        name = newest.count.machine
        zone = zones.get(name) or computer_zone()
        own = [each for each in judged if each.count.machine == name]
        rows = [count_row(numbers[id(each.count)], each, zone) for each in own]
        views.append(
            {
                "name": name,
                "headline": count_headline(newest, zone),
                "lines": answer_lines(newest),
                "next": what_next(newest).steps,
                "columns": COLUMNS,
                "rows": rows[::-1],
                "figure": base64.b64encode(trend_figure(own, zone)).decode(),
            }
        )
    return views


def trend_figure(judged: Sequence[Judged], time_zone: str) -> bytes:
    """A PNG of the effective bore of one pump's counts over time, with what a count may be off."""
    from matplotlib import dates
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    newest = judged[-1]
    unit = shown("bore")
    zone = ZoneInfo(time_zone)
    times = np.array([each.count.time_ns for each in judged]).astype("datetime64[ns]")
    bores = np.array([unit.value(each.estimate.bore) for each in judged])
    # half of a relative error of the area
    errors = 1.96 * 0.5 * bores * np.array([each.estimate.repeat_sd for each in judged])
    figure = Figure(figsize=(7.0, 3.0), dpi=150, layout="constrained")
    canvas = FigureCanvasAgg(figure)
    axes: Any = figure.subplots()
    axes.errorbar(times, bores, errors, fmt="o", color=BLUE, capsize=3, label="count, 95 %")
    for before, after in itertools.pairwise(judged):
        if not is_same_jewel(before.count, after.count):
            moment = np.datetime64(after.count.time_ns, "ns")
            axes.axvline(moment, color=INK, linestyle=":", label="new jewel")
    own = [each for each in judged if is_same_jewel(each.count, newest.count)]
    first = math.exp(np.mean([each.estimate.log_area for each in own[:3]]))
    area = first / newest.count.stated_area * newest.count.bore_area
    growth = 1.0 + newest.count.limit
    for level, name, dash in ((area, "at first", "--"), (area * growth, "limit", "-.")):
        color = INK if level == area else VERMILION
        value = unit.value(float(bore_of_area(level)))
        axes.axhline(value, color=color, linestyle=dash, linewidth=1, label=name)
    axes.set_ylabel(f"effective bore, {unit.label}")
    day = np.timedelta64(1, "D")
    axes.set_xlim(times.min() - day, times.max() + day)
    locator = dates.AutoDateLocator(tz=zone)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, tz=zone))
    axes.grid(color=GRID)
    axes.spines[["top", "right"]].set_visible(False)
    handles, labels = axes.get_legend_handles_labels()
    alone = dict(zip(labels, handles, strict=True))
    axes.legend(
        alone.values(), alone.keys(), fontsize=8, ncols=4, loc="lower left",
        bbox_to_anchor=(0.0, 1.0), frameon=False,
    )  # fmt: skip
    content = io.BytesIO()
    canvas.print_png(content)
    return content.getvalue()

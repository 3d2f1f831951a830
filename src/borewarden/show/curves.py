"""Survival of jewels as a picture: the shop's own steps beside the posterior."""

from __future__ import annotations

import io
from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from borewarden.lives.posterior import JewelRecord
from borewarden.lives.product_limit import product_limit
from borewarden.lives.survival import Lives, interval, quantile, survival
from borewarden.show.style import BLUE, GRID, INK, SKY, VERMILION

POINTS = 120


def survival_svg(records: Sequence[JewelRecord], lives: Lives, title: str) -> bytes:
    """An SVG of the share of jewels that are still good, over jet hours.

    `records` are those of one material, drawn as the product-limit steps with a tick where a jewel
    was last seen sound; `lives` the posterior's laws, drawn as median and 90 % band.
    """
    longest = max((record.jet_hours for record in records), default=0.0)
    end = 1.1 * max(longest, 2.0 * interval(quantile(lives, 0.5)).middle)
    hours = np.linspace(0.0, end, POINTS)
    low, middle, high = np.quantile(survival(lives, hours), [0.05, 0.5, 0.95], axis=0)
    # small, so that it stays readable on a telephone, which shows it at this size
    figure = Figure(figsize=(4.4, 3.3), layout="constrained")
    axes = figure.subplots()
    axes.fill_between(
        hours,
        100.0 * low,
        100.0 * high,
        color=SKY,
        alpha=0.4,
        lw=0,
        label="records and assumptions, 90 %",
    )
    axes.plot(hours, 100.0 * middle, color=BLUE, lw=1.8, label="their median")
    if records:
        steps = product_limit(records)
        x = np.concatenate([[0.0], steps.hours, [max(longest, 0.0)]])
        y = 100.0 * np.concatenate([[1.0], steps.lasts, steps.lasts[-1:] if len(x) > 2 else [1.0]])
        axes.step(x, y, where="post", color=VERMILION, lw=1.5, ls="--", label="your jewels alone")
        place = np.searchsorted(steps.hours, steps.censored, side="right")
        ticks = 100.0 * np.concatenate([[1.0], steps.lasts])[place]
        axes.plot(steps.censored, ticks, "|", color=INK, ms=8, mew=1.2, label="last seen sound")
    axes.set_xlim(0.0, end)
    axes.set_ylim(0.0, 103.0)
    axes.set_xlabel("jet hours")
    axes.set_ylabel("still good, %")
    axes.set_title(title, loc="left", fontsize=11, fontweight="bold")
    axes.grid(color=GRID)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(fontsize=8, frameon=False)
    content = io.BytesIO()
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": title}):
        FigureCanvasSVG(figure).print_svg(content, metadata={"Date": None})
    return content.getvalue()

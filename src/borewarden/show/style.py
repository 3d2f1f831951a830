"""One palette and one look of lines for page, report, mail and dashboards."""

from __future__ import annotations

# Ink, and the colour-blind-safe palette of Okabe & Ito (2008, "Color Universal Design").
INK, BLUE, SKY, VERMILION = "#1b2026", "#0072b2", "#56b4e9", "#d55e00"
# More of theirs, told apart with any colour vision; dashes say the same once more.
GREEN = "#009e73"
PURPLE = "#a3477f"  # theirs, darkened to stand out from white
BAND = "rgba(86, 180, 233, 0.40)"

TICK_FORMATS = [  # by the time from tick to tick, ms
    {"dtickrange": [None, 59_999], "value": "%H:%M:%S\n%Y-%m-%d"},
    {"dtickrange": [60_000, 86_399_999], "value": "%H:%M\n%Y-%m-%d"},
    {"dtickrange": [86_400_000, None], "value": "%Y-%m-%d"},
]
DASHES = {"solid": "none", "dash": "7 4", "dot": "2 4", "dashdot": "8 3 2 3"}  # as SVG has them

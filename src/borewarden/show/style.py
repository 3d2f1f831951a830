"""The one palette, and one look of lines, for report, pages, mail and dashboards.

Every colour is here and nowhere else: templates take it as `palette`, style sheets as variables
(`css_palette`), the live page's script from the page.
"""

from __future__ import annotations

# Okabe & Ito (2008, "Color Universal Design"): told apart with any colour vision. Shapes, dashes
# and words say the same once more.
BLUE, SKY, VERMILION, GREEN = "#0072b2", "#56b4e9", "#d55e00", "#009e73"
ORANGE, YELLOW, LIGHT_PURPLE = "#e69f00", "#f0e442", "#cc79a7"
PURPLE = "#a3477f"  # their purple, darkened to stand out from white
BAND = "rgba(86, 180, 233, 0.40)"  # sky, see-through

INK, SOFT, RULE = "#1b2026", "#4d565e", "#c9ced2"  # text, text beside it, lines between rows
PAPER, GROUND, CAUTION = "#ffffff", "#f2f3f1", "#fff7e0"
GRID, AXIS = "#e3e6e8", "#8a9299"
GREY, DARK_GREY = "#999999", "#666666"
VEIL = "rgba(255, 255, 255, 0.8)"  # behind words that lie on a plot
CLEAR = "rgba(0, 0, 0, 0)"

PALETTE = {
    "ink": INK,
    "soft": SOFT,
    "rule": RULE,
    "paper": PAPER,
    "ground": GROUND,
    "caution": CAUTION,
    "grid": GRID,
    "axis": AXIS,
    "blue": BLUE,
    "sky": SKY,
    "vermilion": VERMILION,
    "green": GREEN,
    "yellow": YELLOW,
    "purple": PURPLE,
    "clear": CLEAR,
}

TICK_FORMATS = [  # by the time from tick to tick, ms
    {"dtickrange": [None, 59_999], "value": "%H:%M:%S\n%Y-%m-%d"},
    {"dtickrange": [60_000, 86_399_999], "value": "%H:%M\n%Y-%m-%d"},
    {"dtickrange": [86_400_000, None], "value": "%Y-%m-%d"},
]
DASHES = {"solid": "none", "dash": "7 4", "dot": "2 4", "dashdot": "8 3 2 3"}  # as SVG has them

# by category of NAMUR NE 107, as the live page signs it: "function check" is a dashed ring there
SIGN_COLOURS = {
    "failure": VERMILION,
    "out of specification": YELLOW,
    "maintenance required": SKY,
    "good": GREEN,
    "function check": RULE,
}


def css_palette() -> str:
    """The palette as CSS variables: `--ink` and so on."""
    variables = " ".join(f"--{name}: {colour};" for name, colour in PALETTE.items())
    return f":root {{ {variables} }}\n"

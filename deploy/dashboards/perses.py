"""The definition as dashboards of Perses (dashboards as JSON, Apache-2.0), in PromQL."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from definition import VERDICT, Board, Panel, Value, Words
from queries import heading, legend, promql

from borewarden.show.style import BLUE, DARK_GREY, INK, PAPER, RULE, SKY, VERMILION, YELLOW

Json = dict[str, Any]

FORMATS: dict[str, Json] = {
    "": {"unit": "decimal"},
    "percent": {"unit": "percent"},
    "bytes": {"unit": "bytes"},
    "seconds": {"unit": "seconds"},
    "celsius": {"unit": "celsius"},
}
MACHINE_VARIABLE: Json = {
    "kind": "ListVariable",
    "spec": {
        "name": "machine",
        "display": {"name": "Machine"},
        "allowAllValue": False,
        "allowMultiple": False,
        "sort": "alphabetical-asc",
        "plugin": {
            "kind": "PrometheusLabelValuesVariable",
            "spec": {"labelName": "machine", "matchers": ["borewarden_verdict_code"]},
        },
    },
}


EVERY_MACHINE: Json = {
    "kind": "ListVariable",
    "spec": {
        **MACHINE_VARIABLE["spec"],
        "allowAllValue": True,
        "allowMultiple": True,
        "defaultValue": ["$__all"],
    },
}

# a table puts words for a value in whichever column it stands, so a probability of 0 would be the
# word of code 0; the codes of a table are moved to where no other figure is
CODED = 1_000_000

# a figure of this interface is its colour on white or black, not on a ground of that colour
LEGIBLE = {YELLOW: DARK_GREY, RULE: DARK_GREY, SKY: BLUE}


def dashboard(board: Board) -> Json:
    """One dashboard of the project "borewarden"."""
    panels = {f"p{number}": _panel(panel) for number, panel in enumerate(board.panels, start=1)}
    rows: list[Json] = [{"kind": "Grid", "spec": {"items": _items(board.panels)}}]
    of_all = [p for p in board.panels if p.kind == "stat" and p.values == (VERDICT,) and not p.one]
    for panel in of_all:  # side by side they would be small: a row for each machine instead
        number = f"p{board.panels.index(panel) + 1}"
        panels[number] = _panel(replace(panel, one=True, title="$machine"))
        place = {"x": 0, "y": 0, "width": 24, "height": 5}
        items = [{**place, "content": {"$ref": f"#/spec/panels/{number}"}}]
        rows[0]["spec"]["items"] = [
            i for i in rows[0]["spec"]["items"] if i["content"] != items[0]["content"]
        ]
        rows.insert(0, {"kind": "Grid", "spec": {"repeatVariable": "machine", "items": items}})
    variables = [MACHINE_VARIABLE] if board.choose_machine else [EVERY_MACHINE] if of_all else []
    return {
        "kind": "Dashboard",
        "metadata": {"name": f"borewarden-{board.name}", "project": "borewarden"},
        "spec": {
            "display": {"name": board.title, "description": board.about},
            "duration": board.since,
            "refreshInterval": "15s",
            "variables": variables,
            "panels": panels,
            "layouts": rows,
        },
    }


def _items(panels: tuple[Panel, ...]) -> list[Json]:
    return [
        {
            "x": panel.place.x,
            "y": panel.place.y,
            "width": panel.place.width,
            "height": panel.place.height,
            "content": {"$ref": f"#/spec/panels/p{number}"},
        }
        for number, panel in enumerate(panels, start=1)
    ]


def _panel(panel: Panel) -> Json:
    plugin = {
        "stat": _stat,
        "timeline": _timeline,
        "graph": _graph,
        "bars": _graph,
        "table": _table,
        "alerts": _table,
        "text": lambda panel: {"kind": "Markdown", "spec": {"text": panel.text}},
    }[panel.kind](panel)
    display = {"name": panel.title} | ({"description": panel.about} if panel.about else {})
    made: Json = {"kind": "Panel", "spec": {"display": display, "plugin": plugin}}
    if panel.values:
        made["spec"]["queries"] = [_query(value, panel) for value in panel.values]
    return made


def _query(value: Value, panel: Panel) -> Json:
    coded = panel.kind == "table" and value.words
    spec = {
        "query": promql(value, panel) + (f" + {CODED}" if coded else ""),
        "seriesNameFormat": legend(value, panel) or value.name,
    }
    if panel.kind == "bars":
        spec["minStep"] = value.per
    if panel.kind == "timeline":
        spec["minStep"] = "5m"  # narrower cells are all border
    plugin = {"kind": "PrometheusTimeSeriesQuery", "spec": spec}
    return {"kind": "TimeSeriesQuery", "spec": {"plugin": plugin}}


def _format(value: Value) -> Json:
    return FORMATS[value.unit] | {"decimalPlaces": value.decimals}


def _mappings(words: Words) -> list[Json]:
    return [
        {
            "kind": "Value",
            "spec": {"value": str(number), "result": {"value": text, "color": colour}},
        }
        for number, (text, colour) in words.items()
    ]


def _stat(panel: Panel) -> Json:
    (value,) = panel.values
    spec: Json = {
        "calculation": "last-number",
        "format": _format(value),
        "valueFontSize": panel.size,
        "thresholds": {"defaultColor": value.colour},
    }
    if value.words:
        words = {
            n: (text, LEGIBLE.get(colour, colour)) for n, (text, colour) in value.words.items()
        }
        spec["mappings"] = _mappings(words)
    return {"kind": "StatChart", "spec": spec}


def _timeline(panel: Panel) -> Json:
    (value,) = panel.values
    return {
        "kind": "StatusHistoryChart",
        "spec": {
            "legend": {"position": "bottom", "mode": "list"},
            "mappings": _mappings(value.words or {}),
        },
    }


def _graph(panel: Panel) -> Json:
    axis: Json = {"format": _format(panel.values[0])}
    if panel.values[0].decimals == 0:  # else an axis up to 1 would read 0, 0, 0, 1, 1, 1
        del axis["format"]["decimalPlaces"]
    if panel.minimum is not None:
        axis["min"] = panel.minimum
    if panel.maximum is not None:
        axis["max"] = panel.maximum
    return {
        "kind": "TimeSeriesChart",
        "spec": {
            "legend": {"position": "bottom", "mode": "list"},
            "yAxis": axis,
            "visual": {
                "display": "bar" if panel.kind == "bars" else "line",
                "lineWidth": 2,
                "areaOpacity": 0.8 if panel.kind == "bars" else 0,
                "connectNulls": False,
                # by place: colours by name may be as good as the same
                "palette": {"mode": "categorical"},
            },
            "querySettings": [
                {
                    "queryIndex": index,
                    "colorMode": "fixed-single" if not legend(value, panel) else "fixed",
                    "colorValue": value.colour,
                    "lineStyle": "dashed" if value.dashed else "solid",
                }
                for index, value in enumerate(panel.values)
                if not legend(value, panel)
            ],
        },
    }


def _table(panel: Panel) -> Json:
    labels = panel.values[0].by
    several = len(panel.values) > 1
    columns: list[Json] = [{"name": "timestamp", "hide": True}]
    columns += [{"name": label, "header": label.capitalize()} for label in labels]
    cells: list[Json] = []
    for number, value in enumerate(panel.values, start=1):
        name = f"value #{number}" if several else "value"
        columns.append(
            {"name": name, "header": heading(value), "align": "right", "format": _format(value)}
        )
    for value in panel.values:
        for number, (text, colour) in (value.words or {}).items():
            cells.append(
                {
                    "condition": {"kind": "Value", "spec": {"value": str(CODED + int(number))}},
                    "text": text,
                    "textColor": PAPER if colour == VERMILION else INK,
                    "backgroundColor": colour,
                }
            )
    spec: Json = {"density": "comfortable", "columnSettings": columns}
    if cells:
        spec["cellSettings"] = cells
    if several:
        spec["transforms"] = [{"kind": "MergeSeries", "spec": {}}]
    return {"kind": "Table", "spec": spec}

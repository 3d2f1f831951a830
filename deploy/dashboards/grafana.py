"""The definition as dashboards of Grafana, in InfluxQL or in PromQL.

InfluxQL is what every generation of InfluxDB answers; PromQL is for Prometheus and VictoriaMetrics.
"""

from __future__ import annotations

from typing import Any, Literal

from definition import VERDICTS, Board, Panel, Value, Words
from queries import alerts_influxql, heading, influxql_row, legend, promql

from borewarden.show.style import GREY, LIGHT_PURPLE, VERMILION

Json = dict[str, Any]
Dialect = Literal["influxql", "promql"]

SOURCES: dict[str, Json] = {
    "influxql": {"type": "influxdb", "uid": "borewarden"},
    "promql": {"type": "prometheus", "uid": "borewarden-prometheus"},
}
UNITS = {"": "none", "percent": "percent"}
KINDS = {"stat": "stat", "timeline": "state-timeline", "graph": "timeseries", "bars": "timeseries"}


def dashboard(board: Board, dialect: Dialect) -> Json:
    """One dashboard."""
    panels = [_panel(panel, dialect) for panel in board.panels]
    uid = f"borewarden-{board.name}" + ("-promql" if dialect == "promql" else "")
    return {
        "uid": uid,
        "title": board.title,
        "description": board.about,
        "tags": [_tag(dialect)],
        "schemaVersion": 39,
        "timezone": "browser",
        "editable": True,
        "graphTooltip": 1,  # one crosshair through all graphs
        "refresh": "10s",
        "time": {"from": f"now-{board.since}", "to": "now"},
        "templating": {"list": [_machine_variable(dialect)] if board.choose_machine else []},
        "annotations": {"list": _marks(board) if dialect == "influxql" and board.marks else []},
        "links": [
            {
                "type": "dashboards",
                "title": "borewarden",
                "tags": [_tag(dialect)],
                "asDropdown": False,
                "includeVars": False,
                "keepTime": True,
                "targetBlank": False,
                "icon": "external link",
                "tooltip": "",
                "url": "",
            }
        ],
        "panels": [{"id": number, **made} for number, made in enumerate(panels, start=1)],
    }


def _tag(dialect: Dialect) -> str:
    return "borewarden" if dialect == "influxql" else "borewarden-promql"


def _machine_variable(dialect: Dialect) -> Json:
    query = 'SHOW TAG VALUES FROM "borewarden" WITH KEY = "machine"'
    if dialect == "promql":
        query = "label_values(borewarden_verdict_code, machine)"
    return {
        "type": "query",
        "name": "machine",
        "label": "Machine",
        "datasource": SOURCES[dialect],
        "query": query,
        "refresh": 2,  # whenever the time range changes
        "sort": 1,
        "multi": False,
        "includeAll": False,
        "current": {},
        "options": [],
        "hide": 0,
        "skipUrlSync": False,
    }


def _marks(board: Board) -> list[Json]:
    """Alerts and lost links as marks on every graph."""
    where = ' AND "machine" =~ /^${machine:regex}$/' if board.choose_machine else ""

    def marks(name: str, colour: str, query: str, tags: str) -> Json:
        return {
            "name": name,
            "datasource": SOURCES["influxql"],
            "enable": True,
            "hide": False,
            "iconColor": colour.upper(),  # as the types of Grafana want it
            "query": query,
            "titleColumn": "",
            "textColumn": "reason",
            "tagsColumn": tags,
            "timeEndColumn": "",
        }

    return [
        marks(
            "Alerts",
            VERMILION,
            'SELECT "reason", "ne107", "state", "machine" FROM "borewarden_alert" '
            f"WHERE $timeFilter{where}",
            "machine,state,ne107",
        ),
        marks(
            "Link lost",
            LIGHT_PURPLE,
            'SELECT "reason", "connected", "machine" FROM "borewarden_link" '
            f'WHERE "connected" = false AND $timeFilter{where}',
            "machine",
        ),
    ]


def _panel(panel: Panel, dialect: Dialect) -> Json:
    made = {
        "type": KINDS.get(panel.kind, "table"),
        "title": panel.title,
        "description": panel.about,
        "gridPos": dict(zip("xywh", panel.place, strict=True)),
        "datasource": SOURCES[dialect],
    }
    if panel.kind == "text":
        del made["datasource"]
        return {
            **made,
            "type": "text",
            "options": {"mode": "markdown", "content": panel.text},
        }
    parts = {"stat": _stat, "timeline": _timeline, "graph": _graph, "bars": _graph}
    return {
        **made,
        "targets": _targets(panel, dialect),
        **parts.get(panel.kind, _table)(panel, dialect),
    }


def _targets(panel: Panel, dialect: Dialect) -> list[Json]:
    is_table = panel.kind in ("table", "alerts")
    if dialect == "influxql":
        if panel.kind == "alerts":
            queries = [alerts_influxql(panel)]
        elif is_table:
            queries = [influxql_row(panel.values, panel)]
        else:
            queries = [influxql_row((value,), panel) for value in panel.values]
        return [
            {
                "refId": ref,
                "datasource": SOURCES[dialect],
                "rawQuery": True,
                "query": query,
                "resultFormat": "table" if is_table else "time_series",
                **({} if is_table else {"alias": _alias(value, panel)}),
            }
            for ref, query, value in zip("ABCDEFGHI", queries, panel.values, strict=False)
        ]
    newest = panel.kind in ("stat", "table", "alerts")
    return [
        {
            "refId": ref,
            "datasource": SOURCES[dialect],
            "expr": promql(value, panel),
            "instant": newest,
            "range": not newest,
            "format": "table" if is_table else "time_series",
            "legendFormat": legend(value, panel) or value.name,
            **({"interval": value.per} if panel.kind == "bars" else {}),
        }
        for ref, value in zip("ABCDEFGHI", panel.values, strict=False)
    ]


def _alias(value: Value, panel: Panel) -> str:
    return legend(value, panel, "$tag_%s") or "$col"


def _mappings(words: Words | None) -> list[Json]:
    options = {
        str(number): {"text": text, "color": colour, "index": index}
        for index, (number, (text, colour)) in enumerate((words or {}).items())
    }
    return [{"type": "value", "options": options}] if options else []


def _fixed(colour: str) -> Json:
    return {"mode": "fixed", "fixedColor": colour}


def _figures(value: Value) -> Json:
    """How figures are written."""
    made: Json = {"unit": UNITS[value.unit], "decimals": value.decimals}
    if value.words:
        made["mappings"] = _mappings(value.words)
    return made


def _stat(panel: Panel, dialect: Dialect) -> Json:
    (value,) = panel.values
    return {
        "fieldConfig": {
            "defaults": {**_figures(value), "color": _fixed(value.colour)},
            "overrides": [],
        },
        "options": {
            "reduceOptions": {"calcs": ["lastNotNull"], "values": False, "fields": ""},
            # a state is read from afar by its ground, a figure by its ink
            "colorMode": "background_solid" if value.words else "value",
            "graphMode": "none",
            # a panel that has the figure's own name needs no second one
            "textMode": "value_and_name" if legend(value, panel) else "value",
            "justifyMode": "center",
            # a row for each machine, as wide as the panel: its words are large
            "orientation": "horizontal" if value.words is VERDICTS else "auto",
            "wideLayout": False,  # the name above, so that the words may be wide
            "percentChangeColorMode": "standard",
            "showPercentChange": False,
        },
    }


def _timeline(panel: Panel, dialect: Dialect) -> Json:
    (value,) = panel.values
    return {
        "interval": "20s",
        "fieldConfig": {
            "defaults": {
                "mappings": _mappings(value.words),
                "color": _fixed(GREY),
                "custom": {"fillOpacity": 100, "lineWidth": 0},
            },
            "overrides": [],
        },
        "options": {
            "mergeValues": True,
            "showValue": "auto",
            "alignValue": "left",
            "rowHeight": 0.9,
            "legend": {"displayMode": "list", "placement": "bottom", "showLegend": True},
            "tooltip": {"mode": "single", "sort": "none"},
        },
    }


def _graph(panel: Panel, dialect: Dialect) -> Json:
    first = panel.values[0]
    is_bars = panel.kind == "bars"
    custom: Json = {
        "drawStyle": "line",
        # bars of several machines would cover each other
        "lineInterpolation": "stepAfter" if is_bars else "linear",
        "lineWidth": 2,
        "fillOpacity": 10 if is_bars else 0,
        "showPoints": "auto",
        "spanNulls": panel.gap * 1000,  # ms; a longer gap breaks the line
    }
    # there may be any number of machines: their names tell them apart
    colour = {"mode": "palette-classic"} if legend(first, panel) else _fixed(first.colour)
    defaults: Json = {**_figures(first), "custom": custom, "color": colour}
    for bound, figure in (("min", panel.minimum), ("max", panel.maximum)):
        if figure is not None:
            defaults[bound] = figure
    overrides = []
    for value in panel.values:
        if legend(value, panel):
            continue
        properties: Json = {"color": _fixed(value.colour)}
        if value.dashed:
            properties["custom.lineStyle"] = {"fill": "dash", "dash": [8, 6]}
        overrides.append(_override(value.name, properties))
    return {
        "interval": first.per or ("1s" if panel.gap == 60 else "20s"),
        "fieldConfig": {"defaults": defaults, "overrides": overrides},
        "options": {
            "legend": {
                "displayMode": "list",
                "placement": "bottom",
                "showLegend": True,
                "calcs": [],
            },
            "tooltip": {"mode": "multi", "sort": "none"},
        },
    }


def _override(name: str, properties: Json) -> Json:
    return {
        "matcher": {"id": "byName", "options": name},
        "properties": [{"id": key, "value": value} for key, value in properties.items()],
    }


def _table(panel: Panel, dialect: Dialect) -> Json:
    overrides = [
        _override("Time", {"custom.hidden": panel.kind != "alerts" or dialect == "promql"})
    ]
    if dialect == "influxql" and panel.kind == "alerts":
        return _written(_alert_columns())
    for label in panel.values[0].by if panel.kind == "table" or dialect == "promql" else ():
        width = {"custom.width": 80} if label == "head" else {}
        overrides.append(_override(label, {"displayName": label.capitalize(), **width}))
    for ref, value in zip("ABCDEFGHI", panel.values, strict=False):
        name = value.name if dialect == "influxql" else f"Value #{ref}"
        properties = _figures(value)
        if dialect == "promql":
            properties["displayName"] = heading(value)
        elif value.ago:
            properties = {"unit": "dateTimeAsIso", "custom.width": 180}
        if value.words:
            properties["custom.cellOptions"] = GROUND
        overrides.append(_override(name, properties))
    made = _written(overrides)
    if dialect == "promql":
        made["transformations"] = [{"id": "merge", "options": {}}]
    return made


def _alert_columns() -> list[Json]:
    """As wide as their words, at 1280 px; the reason has what is left."""
    states: Words = {text: (text, colour) for text, colour in VERDICTS.values()}
    ground = {"mappings": _mappings(states), "custom.cellOptions": GROUND, "custom.width": 170}
    return [
        _override("Time", {"custom.width": 170}),
        _override("Machine", {"custom.width": 120}),
        _override("Verdict", ground),
        _override("Onset", {"unit": "dateTimeAsIso", "custom.width": 170, "custom.align": "left"}),
        _override("Reason", {"custom.cellOptions": WRAPPED}),
    ]


def _written(overrides: list[Json]) -> Json:
    return {
        "fieldConfig": {
            "defaults": {"custom": {"align": "auto"}, "color": _fixed(GREY)},
            "overrides": overrides,
        },
        "options": {"showHeader": True, "cellHeight": "sm"},
    }


GROUND: Json = {"type": "color-background", "mode": "basic"}
WRAPPED: Json = {"type": "auto", "wrapText": True}

"""Writes the dashboards beside this file: `python deploy/grafana/make_dashboards.py`.

The panels share data source, units and colours, so a few functions are easier to maintain than a
few thousand lines of JSON. The JSON is kept too, because Grafana reads only that; a test compares.
Everything stored is SI; the query converts it where Grafana has no unit. Queries are InfluxQL,
which every generation of InfluxDB answers.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from borewarden.show.style import (
    BLUE,
    DARK_GREY,
    GREEN,
    GREY,
    LIGHT_PURPLE,
    ORANGE,
    SKY,
    VERMILION,
    YELLOW,
)

Json = dict[str, Any]

HERE = Path(__file__).parent / "dashboards"
SOURCE = {"type": "influxdb", "uid": "borewarden"}

STATE_COLOURS = {
    "learning": SKY,
    "sound": GREEN,
    "wearing": ORANGE,
    "probably opened up": VERMILION,
    "probably another fault": BLUE,
    "not the stated bore": LIGHT_PURPLE,
    "cannot tell": YELLOW,
}
PHASES = {
    0: ("no data", GREY),
    1: ("stopped", DARK_GREY),
    2: ("jet off, pressure held", SKY),
    3: ("ramp", YELLOW),
    4: ("low-pressure pierce", ORANGE),
    5: ("cutting, steady", GREEN),
    6: ("bypass spills", LIGHT_PURPLE),
    7: ("not usable", GREY),
}
SAMPLE_GAP = 60_000  # ms without a value from which on a line is broken
BATCH_GAP = 900_000

CAUTIONS = """**Ultra-high-pressure jets maim. Before opening anything: stop the pump, lock it out \
and tag it, bleed the pressure down, verify zero pressure.** Never put a hand near the jet, never \
feel for leaks. An injection injury is an emergency however small it looks: go to hospital at \
once and say that it is a high-pressure injection. Local codes, the pump maker's manual and \
qualified people come before anything shown here. borewarden only reads and estimates; it is not \
a safety device. *Effective* bore and area are what the pump sees: a bore has *probably* opened \
up, since other ways out for the water look the same."""

ONE = '"machine" =~ /^${machine:regex}$/'


# -- pieces of a panel


def target(query: str, alias: str = "", table: bool = False, ref: str = "A") -> Json:
    """One query; `alias` names its series, `$col` after the column."""
    made = {
        "refId": ref,
        "datasource": SOURCE,
        "rawQuery": True,
        "query": query,
        "resultFormat": "table" if table else "time_series",
    }
    return {**made, "alias": alias} if alias else made


def over_time(fields: str, measurement: str, source: str = "") -> str:
    """Means of the chosen machine, over the interval that suits the panel's width."""
    inner = source or f'"{measurement}"'
    return (
        f"SELECT {fields} FROM {inner} WHERE $timeFilter AND {ONE} "
        "GROUP BY time($__interval) fill(none)"
    )


def of_rows(expression: str, name: str) -> str:
    """Means of a value worked out for each batch: InfluxQL has no mean of an expression."""
    inner = f'(SELECT {expression} AS "v" FROM "batch" WHERE $timeFilter AND {ONE})'
    return (
        f'SELECT mean("v") AS "{name}" FROM {inner} WHERE $timeFilter '
        "GROUP BY time($__interval) fill(none)"
    )


def value_mappings(words: dict[Any, tuple[str, str]]) -> list[Json]:
    """Words and colours for values."""
    options = {
        str(value): {"text": text, "color": colour, "index": index}
        for index, (value, (text, colour)) in enumerate(words.items())
    }
    return [{"type": "value", "options": options}]


STATES = value_mappings({state: (state, colour) for state, colour in STATE_COLOURS.items()})
LINKS = value_mappings({"true": ("connected", GREEN), "false": ("lost", VERMILION)})


def override(name: str, **properties: Any) -> Json:
    """`properties` of the field `name`; "__" stands for the dot of "custom.hidden"."""
    return {
        "matcher": {"id": "byName", "options": name},
        "properties": [
            {"id": key.replace("__", "."), "value": value} for key, value in properties.items()
        ],
    }


def fixed(colour: str) -> Json:
    """One colour, for fieldConfig."""
    return {"mode": "fixed", "fixedColor": colour}


def panel(kind: str, title: str, description: str, place: tuple[int, int, int, int]) -> Json:
    """What all panels have; `place` is x, y, width, height on the grid of 24 columns."""
    x, y, w, h = place
    return {
        "type": kind,
        "title": title,
        "description": description,
        "gridPos": {"x": x, "y": y, "w": w, "h": h},
        "datasource": SOURCE,
    }


def cautions(y: int) -> Json:
    """The cautions, across the whole width."""
    made = panel("text", "Cautions", "", (0, y, 24, 4))
    del made["datasource"]
    return {**made, "options": {"mode": "markdown", "content": CAUTIONS}}


def graph(
    title: str,
    description: str,
    place: tuple[int, int, int, int],
    targets: list[Json],
    colours: dict[str, str],
    unit: str,
    gap: int = BATCH_GAP,
    dashed: tuple[str, ...] = (),
    **defaults: Any,
) -> Json:
    """Lines over time; `colours` by series name, `dashed` those that are not measured."""
    overrides = []
    for name, colour in colours.items():
        properties: Json = {"color": fixed(colour)}
        if name in dashed:
            properties["custom__lineStyle"] = {"fill": "dash", "dash": [8, 6]}
        overrides.append(override(name, **properties))
    custom = {
        "drawStyle": "line",
        "lineWidth": 2,
        "fillOpacity": 0,
        "showPoints": "auto",
        "spanNulls": False,
        "insertNulls": gap,
    }
    return {
        **panel("timeseries", title, description, place),
        "targets": targets,
        "interval": "1s" if gap == SAMPLE_GAP else "20s",
        "fieldConfig": {
            "defaults": {"unit": unit, "custom": custom, "color": fixed(BLUE), **defaults},
            "overrides": overrides,
        },
        "options": {
            "legend": {"displayMode": "list", "placement": "bottom", "showLegend": True},
            "tooltip": {"mode": "multi", "sort": "none"},
        },
    }


def table(
    title: str,
    description: str,
    place: tuple[int, int, int, int],
    query: str,
    overrides: list[Json],
) -> Json:
    """Rows and columns."""
    return {
        **panel("table", title, description, place),
        "targets": [target(query, table=True)],
        "fieldConfig": {
            "defaults": {"custom": {"align": "auto"}, "color": fixed(GREY)},
            "overrides": overrides,
        },
        "options": {"showHeader": True, "cellHeight": "sm"},
    }


def timeline(
    title: str,
    description: str,
    place: tuple[int, int, int, int],
    query: str,
    alias: str,
    mappings: list[Json],
) -> Json:
    """Coloured stretches of time, with the words in them."""
    return {
        **panel("state-timeline", title, description, place),
        "targets": [target(query, alias)],
        "fieldConfig": {
            "defaults": {
                "mappings": mappings,
                "color": fixed(GREY),
                "custom": {"fillOpacity": 85, "lineWidth": 0},
            },
            "overrides": [],
        },
        "options": {
            "mergeValues": True,
            "showValue": "auto",
            "alignValue": "left",
            "legend": {"displayMode": "list", "placement": "bottom", "showLegend": True},
            "tooltip": {"mode": "single", "sort": "none"},
        },
    }


STATE_CELL = override(
    "State", mappings=STATES, custom__cellOptions={"type": "color-background", "mode": "basic"}
)
NO_TIME = override("Time", custom__hidden=True)
# one line of figures of the newest batch; exp(), because the logarithm is stored
NEWEST = (
    'last("state") AS "State", last("bore") * 1000 AS "Effective bore", '
    '100 * (exp(last("log_ratio")) - 1) AS "Area growth", '
    '100 * last("overstroke_margin") AS "Overstroke margin", '
    'last("jet_hours") AS "Jet hours"'
)
NEWEST_UNITS = [
    override("Effective bore", unit="suffix: mm", decimals=4),
    override("Area growth", unit="percent", decimals=1),
    override("Overstroke margin", unit="percent", decimals=0),
    override("Jet hours", unit="suffix: h", decimals=1),
]


# -- dashboards


def annotations(where: str) -> Json:
    """Alerts and lost links as marks on every graph."""

    def marks(name: str, colour: str, query: str, tags: str) -> Json:
        return {
            "name": name,
            "datasource": SOURCE,
            "enable": True,
            "hide": False,
            "iconColor": colour.upper(),  # as the types of Grafana want it
            "query": query,
            "titleColumn": "",
            "textColumn": "reason",
            "tagsColumn": tags,
            "timeEndColumn": "",
        }

    return {
        "list": [
            marks(
                "Alerts",
                VERMILION,
                'SELECT "reason", "ne107", "state", "machine" FROM "alert" '
                f"WHERE $timeFilter{where}",
                "machine,state,ne107",
            ),
            marks(
                "Link lost",
                LIGHT_PURPLE,
                'SELECT "reason", "connected", "machine" FROM "link" '
                f'WHERE "connected" = false AND $timeFilter{where}',
                "machine",
            ),
        ]
    }


def machine_variable(several: bool) -> Json:
    """The choice of a machine, or of several."""
    made: Json = {
        "type": "query",
        "name": "machine",
        "label": "Machine",
        "datasource": SOURCE,
        "query": 'SHOW TAG VALUES FROM "sample" WITH KEY = "machine"',
        "refresh": 2,  # whenever the time range changes
        "sort": 1,
        "multi": several,
        "includeAll": several,
        "current": {"text": "All", "value": "$__all"} if several else {},
        "options": [],
        "hide": 0,
        "skipUrlSync": False,
    }
    return {**made, "allValue": ".*"} if several else made


LIMIT_VARIABLE: Json = {
    "type": "textbox",
    "name": "limit",
    "label": "Limit of area growth, %",
    "description": "The limit under [watch] in the machine file. It only moves the dashed line.",
    "query": "8",
    "current": {"text": "8", "value": "8"},
    "options": [{"text": "8", "value": "8", "selected": True}],
    "hide": 0,
    "skipUrlSync": False,
}


def dashboard(
    name: str,
    title: str,
    description: str,
    panels: list[Json],
    variables: list[Json],
    marks: Json,
    since: str = "now-24h",
) -> Json:
    """The whole of a dashboard; panels are numbered in order."""
    return {
        "uid": f"borewarden-{name}",
        "title": title,
        "description": description,
        "tags": ["borewarden"],
        "schemaVersion": 39,
        "timezone": "browser",
        "editable": True,
        "graphTooltip": 1,  # one crosshair through all graphs
        "refresh": "10s",
        "time": {"from": since, "to": "now"},
        "templating": {"list": variables},
        "annotations": marks,
        "links": [
            {
                "type": "dashboards",
                "title": "borewarden",
                "tags": ["borewarden"],
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


def fleet() -> Json:
    """All machines."""
    to_machine = {
        "title": "Look at this machine",
        "url": "/d/borewarden-machine?var-machine=${__value.raw}&${__url_time_range}",
        "targetBlank": False,
    }
    panels = [
        cautions(0),
        table(
            "Jewels at a glance",
            "The newest batch of each machine within the time range. A crank pump has no "
            "overstroke margin.",
            (0, 4, 24, 8),
            f'SELECT {NEWEST} FROM "batch" WHERE $timeFilter GROUP BY "machine"',
            [
                NO_TIME,
                override("machine", displayName="Machine", links=[to_machine]),
                STATE_CELL,
                *NEWEST_UNITS,
            ],
        ),
        timeline(
            "State of the fitted bore",
            "What the watcher believed, batch by batch. Empty while no jet is steady.",
            (0, 12, 24, 8),
            'SELECT last("state") AS "State" FROM "batch" WHERE $timeFilter '
            'GROUP BY time($__interval), "machine" fill(none)',
            "$tag_machine",
            STATES,
        ),
        table(
            "Link to the controller",
            "The newest change of each connection, however long ago. While a link is lost, nobody "
            "watches that pump.",
            (0, 20, 12, 7),
            'SELECT last("connected") AS "Link", "reason" AS "Reason" FROM "link" '
            'GROUP BY "machine"',
            [
                override("Time", displayName="Since", unit="dateTimeFromNow"),
                override("machine", displayName="Machine"),
                override(
                    "Link",
                    mappings=LINKS,
                    custom__cellOptions={"type": "color-background", "mode": "basic"},
                ),
            ],
        ),
        table(
            "Newest reading",
            "The age of each machine's newest sample, and its water pressure.",
            (12, 20, 12, 7),
            'SELECT last("pressure") / 1000000 AS "Pressure" FROM "sample" WHERE $timeFilter '
            'GROUP BY "machine"',
            [
                override("Time", displayName="Age", unit="dateTimeFromNow"),
                override("machine", displayName="Machine"),
                override("Pressure", unit="suffix: MPa", decimals=1),
            ],
        ),
        alerts_table((0, 27, 24, 8), ""),
    ]
    return dashboard(
        "fleet",
        "borewarden: all machines",
        "Every watched pump, with the state of its jewel and of its link.",
        panels,
        [],
        annotations(""),
    )


def alerts_table(place: tuple[int, int, int, int], where: str) -> Json:
    """The alerts, newest first."""
    return table(
        "Alerts",
        "Every change of state that somebody should know about, with its onset, its size and its "
        "probability, in the words of NAMUR NE 107.",
        place,
        'SELECT "machine" AS "Machine", "state" AS "Bore", "ne107" AS "NE 107", '
        '"onset_ns" / 1000000 AS "Onset", '
        '100 * "step" AS "Area step", 100 * "probability" AS "Probability of an opened bore", '
        f'"reason" AS "Reason" FROM "alert" WHERE $timeFilter{where} ORDER BY time DESC',
        [
            override("Bore", mappings=STATES),
            override("Onset", unit="dateTimeAsIso"),
            override("Area step", unit="percent", decimals=1),
            override("Probability of an opened bore", unit="percent", decimals=1),
        ],
    )


def one_machine() -> Json:
    """One machine, chosen above."""
    now = {
        **panel("stat", "Now", "The newest batch within the time range.", (0, 4, 24, 4)),
        "targets": [
            target(
                f'SELECT {NEWEST}, 100 * last("probability") AS "Probability of an opened bore" '
                f'FROM "batch" WHERE $timeFilter AND {ONE}',
                table=True,
            )
        ],
        "fieldConfig": {
            "defaults": {"color": fixed(BLUE)},
            "overrides": [
                override("State", mappings=STATES),
                *NEWEST_UNITS,
                override("Probability of an opened bore", unit="percent", decimals=1),
            ],
        },
        "options": {
            "reduceOptions": {"calcs": ["lastNotNull"], "values": False, "fields": "/^(?!Time)/"},
            "colorMode": "background_solid",
            "graphMode": "none",
            "textMode": "value_and_name",
            "justifyMode": "auto",
            "orientation": "auto",
            "wideLayout": True,
        },
    }
    bore = graph(
        "Effective bore and its limit",
        "The bore that the pump sees, at the learned C_d, with twice the standard uncertainty of a "
        "batch. At the limit, the area has grown by the figure above.",
        (0, 24, 12, 8),
        [
            target(
                over_time(
                    'mean("bore") * 1000 AS "Effective bore", '
                    '(mean("bore") + 2 * mean("bore_sd")) * 1000 AS "+2 s", '
                    '(mean("bore") - 2 * mean("bore_sd")) * 1000 AS "-2 s"',
                    "batch",
                ),
                "$col",
            ),
            target(
                of_rows(
                    '1000 * "bore" * exp(-0.5 * "log_ratio") * sqrt(1 + ${limit} / 100)', "Limit"
                ),
                "$col",
                ref="B",
            ),
        ],
        {"Effective bore": BLUE, "Limit": VERMILION},
        "suffix: mm",
        dashed=("Limit",),
        decimals=4,
    )
    bore["fieldConfig"]["overrides"] += [
        override("-2 s", color=fixed(SKY), custom__lineWidth=0),
        override(
            "+2 s",
            color=fixed(SKY),
            custom__lineWidth=0,
            custom__fillBelowTo="-2 s",
            custom__fillOpacity=25,
        ),
    ]
    panels = [
        cautions(0),
        now,
        graph(
            "Water pressure",
            "Behind the attenuator, as the controller reports it.",
            (0, 8, 12, 8),
            [
                target(
                    over_time(
                        'mean("pressure") / 1000000 AS "Pressure", '
                        'max("pressure") / 1000000 AS "Highest"',
                        "sample",
                    ),
                    "$col",
                )
            ],
            {"Pressure": BLUE, "Highest": SKY},
            "suffix: MPa",
            gap=SAMPLE_GAP,
        ),
        graph(
            "Stroke rate seen against expected",
            "Expected is what the fitted jewel should take at that moment's pressure. For a crank "
            "pump these are turns of the crank.",
            (12, 8, 12, 8),
            [
                target(
                    over_time(
                        '60 * mean("rate") AS "Seen", 60 * mean("rate_expected") AS "Expected"',
                        "batch",
                    ),
                    "$col",
                )
            ],
            {"Seen": BLUE, "Expected": ORANGE},
            "suffix: /min",
            dashed=("Expected",),
            decimals=1,
        ),
        timeline(
            "What the machine does",
            "The phase of the newest sample. The bore is judged only while cutting steadily.",
            (0, 16, 24, 4),
            over_time('last("phase") AS "Phase"', "sample"),
            "$col",
            value_mappings(PHASES),
        ),
        timeline(
            "State of the fitted bore",
            "What the watcher believed, batch by batch.",
            (0, 20, 24, 4),
            over_time('last("state") AS "State"', "batch"),
            "$col",
            STATES,
        ),
        bore,
        graph(
            "Growth of the effective area",
            "From the baseline of the fitted jewel, and the watcher's wear line. Empty until the "
            "jewel is learned.",
            (12, 24, 12, 8),
            [
                target(of_rows('100 * (exp("log_ratio") - 1)', "Area growth"), "$col"),
                target(of_rows('100 * (exp("line") - 1)', "Wear line"), "$col", ref="B"),
                target(of_rows('0 * "log_ratio" + ${limit}', "Limit"), "$col", ref="C"),
            ],
            {"Area growth": BLUE, "Wear line": ORANGE, "Limit": VERMILION},
            "percent",
            dashed=("Wear line", "Limit"),
            decimals=1,
        ),
        graph(
            "Margin to overstroke",
            "Share of the stroke rate left before the limit; at 0 the pump overstrokes. Empty for "
            "a crank pump.",
            (0, 32, 12, 8),
            [target(over_time('100 * mean("overstroke_margin") AS "Margin"', "batch"), "$col")],
            {"Margin": BLUE},
            "percent",
            min=0,
            max=100,
        ),
        graph(
            "Step detector (likelihood ratio)",
            "Log likelihood ratio of the likeliest step. At the threshold there is an alert; then "
            "it stands still for 20 batches.",
            (12, 32, 12, 8),
            [
                target(
                    over_time(
                        'mean("statistic") AS "Statistic", mean("threshold") AS "Threshold"',
                        "batch",
                    ),
                    "$col",
                )
            ],
            {"Statistic": BLUE, "Threshold": VERMILION},
            "none",
            dashed=("Threshold",),
            min=0,
        ),
        graph(
            "Probability that the bore opened up",
            "That the effective area stepped up, not by chance and not by another fault.",
            (0, 40, 12, 8),
            [target(over_time('100 * mean("probability") AS "Probability"', "batch"), "$col")],
            {"Probability": BLUE},
            "percent",
            min=0,
            max=100,
        ),
        graph(
            "Water temperature",
            "At the inlet. It changes the water's density, and so the strokes.",
            (12, 40, 12, 8),
            [
                target(
                    over_time('mean("temperature") - 273.15 AS "Water"', "sample"),
                    "$col",
                )
            ],
            {"Water": BLUE},
            "celsius",
            gap=SAMPLE_GAP,
        ),
        alerts_table((0, 48, 24, 8), f" AND {ONE}"),
    ]
    return dashboard(
        "machine",
        "borewarden: one machine",
        "One pump: what it does, what it should do, and what the watcher thinks of it.",
        panels,
        [machine_variable(several=False), LIMIT_VARIABLE],
        annotations(f" AND {ONE}"),
    )


def jet_hours() -> Json:
    """How long the jewels have cut."""
    # a new jewel counts from zero: the fall is not jet time
    gained = (
        '(SELECT non_negative_difference("jet_hours") AS "gain" FROM "batch" '
        f'WHERE $timeFilter AND {ONE} GROUP BY "machine")'
    )
    daily = graph(
        "Jet hours a day",
        "Time with the jet on, in days of UTC, without what was not recorded.",
        (0, 12, 24, 9),
        [
            target(
                f'SELECT sum("gain") AS "Jet hours" FROM {gained} WHERE $timeFilter '
                'GROUP BY time(1d), "machine" fill(none)',
                "$tag_machine",
            )
        ],
        {},
        "suffix: h",
        decimals=1,
        min=0,
    )
    course = graph(
        "Jet hours of the fitted jewel",
        "Rises while the jet is on; a fall to zero is a new jewel.",
        (0, 21, 24, 9),
        [
            target(
                'SELECT max("jet_hours") AS "Jet hours" FROM "batch" '
                f'WHERE $timeFilter AND {ONE} GROUP BY time($__interval), "machine" fill(none)',
                "$tag_machine",
            )
        ],
        {},
        "suffix: h",
        decimals=1,
        min=0,
    )
    for made in (daily, course):
        # there may be any number of machines: one hue, with lightness and name to tell them apart
        made["fieldConfig"]["defaults"]["color"] = {"mode": "shades", "fixedColor": BLUE}
    daily["fieldConfig"]["defaults"]["custom"].update(
        drawStyle="bars", fillOpacity=80, lineWidth=1, barAlignment=1
    )
    daily["interval"] = "1d"
    gauge = {
        **panel(
            "bargauge",
            "Jet hours of the fitted jewel, now",
            "Since it was fitted, as far as recorded.",
            (0, 4, 12, 8),
        ),
        "targets": [
            target(
                'SELECT last("jet_hours") AS "Jet hours" FROM "batch" '
                f'WHERE $timeFilter AND {ONE} GROUP BY "machine"',
                "$tag_machine",
            )
        ],
        "fieldConfig": {
            "defaults": {"unit": "suffix: h", "decimals": 1, "min": 0, "color": fixed(BLUE)},
            "overrides": [],
        },
        "options": {
            "displayMode": "basic",
            "orientation": "horizontal",
            "reduceOptions": {"calcs": ["lastNotNull"], "values": False, "fields": ""},
            "showUnfilled": True,
            "valueMode": "text",
        },
    }
    return dashboard(
        "jet-hours",
        "borewarden: jet hours",
        "How long each jewel has been cutting.",
        [
            cautions(0),
            gauge,
            table(
                "Jet hours within the time range",
                "Of all jewels fitted in that time.",
                (12, 4, 12, 8),
                f'SELECT sum("gain") AS "Jet hours" FROM {gained} WHERE $timeFilter '
                'GROUP BY "machine"',
                [
                    NO_TIME,
                    override("machine", displayName="Machine"),
                    override("Jet hours", unit="suffix: h", decimals=1),
                ],
            ),
            daily,
            course,
        ],
        [machine_variable(several=True)],
        annotations(f" AND {ONE}"),
        since="now-30d",
    )


def files() -> dict[str, str]:
    """The text of each file by its name."""
    return {
        f"{made['uid']}.json": json.dumps(made, indent=2, ensure_ascii=False) + "\n"
        for made in (fleet(), one_machine(), jet_hours())
    }


if __name__ == "__main__":
    HERE.mkdir(exist_ok=True)
    for name, text in files().items():
        (HERE / name).write_text(text, encoding="utf-8")

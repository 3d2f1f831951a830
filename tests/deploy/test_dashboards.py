"""Every query of the dashboards runs against a real InfluxDB; the JSON against Grafana's schema.

The server is Debian's `influxdb` (1.x), filled with the service's own line protocol of two replayed
days (invented, see replay_data/README.md). Grafana itself is not started: what it would put in for
its variables is put in here by the rules of its manual (grafana.com/docs, "Variables syntax" and
"InfluxDB template variables").
"""

from __future__ import annotations

import importlib.util
import json
import math
import os
import re
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import jsonschema
import numpy as np
import pytest
import yaml
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.cog.plugins import register_default_plugins
from grafana_foundation_sdk.models.dashboard import Dashboard

from borewarden.base.samples import Samples
from borewarden.collect.logged import read_log
from borewarden.gate.batch import Phase
from borewarden.physics.pump import Intensifier
from borewarden.settings import load_machine
from borewarden.store.influx import alert_lines, batch_lines, link_lines, sample_lines
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Watcher

ROOT = Path(__file__).parents[2]
GRAFANA = ROOT / "deploy" / "grafana"
FILES = sorted((GRAFANA / "dashboards").glob("*.json"))
DASHBOARDS = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in FILES}
PANELS = [
    pytest.param(panel, id=f"{name}-{panel['id']}")
    for name, board in DASHBOARDS.items()
    for panel in board["panels"]
]
PANEL_TYPES = {"bargauge", "stat", "state-timeline", "table", "text", "timeseries"}
SECOND = 1_000_000_000

DAYS = {"North": "north-2026-03-04-chip.csv", "South": "south-2026-03-05-chip.csv"}
STATES = {state.value for state in State}
NE107 = {state.ne107 for state in State}


# -- the queries of the dashboards


class Query(NamedTuple):
    board: str
    where: str
    text: str
    table: bool


def _queries() -> Iterator[Query]:
    for name, board in DASHBOARDS.items():
        for variable in board["templating"]["list"]:
            if variable["type"] == "query":
                yield Query(name, f"variable {variable['name']}", variable["query"], True)
        for mark in board["annotations"]["list"]:
            yield Query(name, f"annotation {mark['name']}", mark["query"], True)
        for panel in board["panels"]:
            for target in panel.get("targets", []):
                yield Query(
                    name,
                    f"panel {panel['title']}, {target['refId']}",
                    target["query"],
                    target["resultFormat"] == "table",
                )


QUERIES = list(_queries())


def _escape(text: str) -> str:
    """Grafana's format `regex` of one value."""
    return re.sub(r"([\\^$*+?.()|\[\]{}/])", r"\\\1", text)


def fill_in(query: str, first_ns: int, last_ns: int, machines: list[str], interval: str) -> str:
    """`query` with Grafana's variables replaced as Grafana would; none of them is left."""
    chosen = "|".join(_escape(name) for name in machines)
    values = {
        "$timeFilter": f"time >= {first_ns // 10**6}ms and time <= {last_ns // 10**6 + 1}ms",
        "$__interval": interval,
        "${machine:regex}": f"({chosen})" if len(machines) > 1 else chosen,
        "${limit}": "8",
    }
    for variable, value in values.items():
        query = query.replace(variable, value)
    assert "$" not in query.replace("$/", ""), f"a variable is left: {query}"
    return query


# -- a real server, filled by the service's own lines


@dataclass(frozen=True)
class Influx:
    """A server on loopback with a database "borewarden".

    `ranges` from the first sample of a day to its last steady one, ns since 1970 UTC.
    """

    url: str
    ranges: dict[str, tuple[int, int]]

    def post(self, path: str, body: bytes) -> bytes:
        request = urllib.request.Request(f"{self.url}{path}", data=body, method="POST")
        with urllib.request.urlopen(request, timeout=60) as answer:
            return bytes(answer.read())

    def ask(self, query: str) -> list[dict[str, Any]]:
        """The series that `query` answers; an error is a failed test."""
        body = urllib.parse.urlencode({"db": "borewarden", "q": query, "epoch": "ms"}).encode()
        results = json.loads(self.post("/query", body))["results"]
        assert "error" not in results[0], f"{results[0].get('error')}: {query}"
        series: list[dict[str, Any]] = results[0].get("series", [])
        return series


def _free_ports(count: int) -> list[int]:
    sockets = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [int(s.getsockname()[1]) for s in sockets]
    for s in sockets:
        s.close()
    return ports


def _influxd() -> str:
    found = shutil.which("influxd") or shutil.which("influxd", path="/usr/sbin:/usr/bin")
    if found is None:
        reason = "influxd is missing; Debian's package `influxdb` has it"
        if os.environ.get("BOREWARDEN_REQUIRE_SERVERS") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    program = _influxd()
    home = tmp_path_factory.mktemp("influxdb")
    backup, http = _free_ports(2)
    config = home / "influxdb.conf"
    config.write_text(
        f"""
        reporting-disabled = true
        bind-address = "127.0.0.1:{backup}"
        [meta]
        dir = "{home}/meta"
        [data]
        dir = "{home}/data"
        wal-dir = "{home}/wal"
        [http]
        bind-address = "127.0.0.1:{http}"
        log-enabled = false
        [monitor]
        store-enabled = false
        """,
        encoding="utf-8",
    )
    log = (home / "log").open("wb")
    server = subprocess.Popen([program, "-config", str(config)], stdout=log, stderr=log)
    try:
        url = f"http://127.0.0.1:{http}"
        _wait_for(f"{url}/ping", server, home / "log")
        made = Influx(url, {})
        made.post("/query", urllib.parse.urlencode({"q": "CREATE DATABASE borewarden"}).encode())
        for name, file in DAYS.items():
            lines, made.ranges[name] = _lines_of_day(name, file)
            for start in range(0, len(lines), 5000):
                made.post("/write?db=borewarden", "\n".join(lines[start : start + 5000]).encode())
        yield made
    finally:
        server.terminate()
        try:
            server.wait(timeout=30)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait(timeout=30)
        log.close()


def _wait_for(url: str, server: subprocess.Popen[bytes], log: Path) -> None:
    for _ in range(600):
        try:
            with urllib.request.urlopen(url, timeout=5):
                return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            assert server.poll() is None, log.read_text(errors="replace")
            time.sleep(0.1)
    pytest.fail(f"influxd does not answer: {log.read_text(errors='replace')}")


def _lines_of_day(name: str, file: str) -> tuple[list[str], tuple[int, int]]:
    machine = load_machine(ROOT / "config" / f"{name.lower()}.toml")
    assert machine.name == name
    samples: Samples = read_log(ROOT / "replay_data" / file, machine.log_format())
    pump = machine.build_pump()
    learned = Watcher(
        pump, machine.gate_settings(), machine.jewels(), machine.watch_settings()
    ).learn_many(samples)
    assert len(learned.batches)
    assert learned.alerts
    most = pump.max_rate if isinstance(pump, Intensifier) else None
    first = int(samples.time_ns[0])
    last = int(samples.time_ns[np.flatnonzero(learned.phases == Phase.STEADY)[-1]])
    lines = [
        *sample_lines(name, samples, learned.phases),
        *batch_lines(name, learned.batches, most),
        *alert_lines(name, learned.alerts),
        *link_lines(name, first, True, "first contact"),
        *link_lines(name, first + 3600 * SECOND, False, "no answer for 10 s"),
        *link_lines(name, first + 3610 * SECOND, True, "answers again"),
    ]
    return lines, (first, last)


# -- what each column may hold; a column that is not here has nobody who checks it

RANGES: dict[str, tuple[float, float]] = {
    "Effective bore": (0.24, 0.33),  # mm; 0.010 in is 0.254 of North, 0.012 in 0.305 of South
    "+2 s": (0.24, 0.34),
    "-2 s": (0.23, 0.33),
    "Limit": (0.26, 8.0),  # mm on one panel, 8 % on the other
    "Area growth": (-5.0, 15.0),  # %
    "Wear line": (-3.0, 12.0),
    "Overstroke margin": (20.0, 90.0),
    "Margin": (20.0, 90.0),
    "Jet hours": (0.0, 60.0),
    "Probability of an opened bore": (0.0, 100.0),
    "Probability": (0.0, 100.0),
    "Pressure": (-1.0, 430.0),  # MPa
    "Highest": (-1.0, 450.0),
    "Seen": (10.0, 700.0),  # strokes or turns a minute
    "Expected": (10.0, 700.0),
    "Water": (5.0, 35.0),  # °C
    "Statistic": (0.0, 1e3),
    "Threshold": (1.0, 100.0),
    "Phase": (0.0, 6.0),
    "Area step": (4.0, 13.0),
    "Onset": (1.7725e12, 1.7729e12),  # ms, early in March 2026
}
WORDS: dict[str, set[str] | set[bool] | None] = {
    "State": STATES,
    "Bore": STATES,
    "state": STATES,
    "NE 107": NE107,
    "ne107": NE107,
    "machine": set(DAYS),
    "Machine": set(DAYS),
    "Link": {True, False},
    "connected": {False},
    "Reason": None,  # any text
    "reason": None,
    "key": {"machine"},
    "value": set(DAYS),
}
EMPTY_OF_CRANK_PUMP = {"Overstroke margin", "Margin"}


def check_series(query: Query, series: list[dict[str, Any]], machines: list[str]) -> None:
    columns = {
        **{column: [] for made in series for column in made["columns"]},
        **{tag: [] for made in series for tag in made.get("tags", {})},
    }
    for made in series:
        assert made["values"]
        for column, values in zip(made["columns"], zip(*made["values"], strict=True), strict=True):
            columns[column] += [value for value in values if value is not None]
        for tag, value in made.get("tags", {}).items():
            columns[tag].append(value)
    named = set(re.findall(r' AS "([^"]+)"', query.text)) - {"v", "gain"}
    assert named <= set(columns), f"{query.where}: {columns.keys()}"
    for column, values in columns.items():
        if column == "time":
            continue
        if not values and column in EMPTY_OF_CRANK_PUMP and machines == ["South"]:
            continue
        assert values, f"{query.where}: nothing under {column!r}"
        if column in RANGES:
            low, high = RANGES[column]
            worst = [v for v in values if not (math.isfinite(v) and low <= v <= high)]
            assert not worst, f"{query.where}: {column!r} is {worst[:5]}"
        else:
            allowed = WORDS[column]
            assert all(isinstance(value, str | bool) for value in values)
            assert allowed is None or set(values) <= allowed, f"{query.where}: {set(values)}"


@pytest.mark.parametrize("query", QUERIES, ids=lambda q: f"{q.board}: {q.where}")
@pytest.mark.parametrize("interval", ["20s", "10m"])
def test_every_query_answers_with_rows(influx: Influx, query: Query, interval: str) -> None:
    one_machine = "${machine" in query.text and query.board == "borewarden-machine"
    choices = [[name] for name in DAYS] if one_machine else [list(DAYS)]
    for machines in choices:
        first = min(influx.ranges[name][0] for name in machines)
        last = max(influx.ranges[name][1] for name in machines)
        series = influx.ask(fill_in(query.text, first, last, machines, interval))
        if machines == ["South"] and query.where == "panel Margin to overstroke, A":
            assert not series  # a crank pump has none, its panel says so
            continue
        assert series, f"no rows: {query}"
        check_series(query, series, machines)
        if "machine" in series[0].get("tags", {}):
            assert {made["tags"]["machine"] for made in series} == set(machines)


def _only(
    influx: Influx, where: str, board: str = "borewarden-machine", machine: str = "North"
) -> list[dict[str, Any]]:
    (query,) = (q for q in QUERIES if q.board == board and q.where == where)
    answer = influx.ask(fill_in(query.text, *influx.ranges[machine], [machine], "60s"))
    (series,) = (made for made in answer if made.get("tags", {}).get("machine", machine) == machine)
    return [dict(zip(series["columns"], row, strict=True)) for row in series["values"]]


def test_dashboard_shows_the_chip(influx: Influx) -> None:
    """North's labelled chip: 2026-03-04 10:17:30 in Vienna, +8 % (invented)."""
    chip = 1_772_615_850_000
    (alert,) = _only(influx, "panel Alerts, A")
    assert alert["Bore"] == "probably opened up"
    assert alert["NE 107"] == "failure"
    assert abs(alert["Onset"] - chip) < 60_000
    # as far as it was known 27 s after the chip
    assert alert["Area step"] == pytest.approx(8.0, abs=3.0)
    # area alone leaves other causes
    assert alert["Probability of an opened bore"] > 70.0
    (mark,) = _only(influx, "annotation Alerts")
    assert 0 < mark["time"] - chip < 600_000  # most of it dead-headed
    assert "bore opened up" in mark["reason"]

    growth = _only(influx, "panel Growth of the effective area, A")
    after = [row["Area growth"] for row in growth if row["time"] > chip + 60_000]
    before = [row["Area growth"] for row in growth if row["time"] < chip]
    assert sum(before) / len(before) == pytest.approx(0.0, abs=1.0)
    assert sum(after) / len(after) == pytest.approx(8.0, abs=1.0)

    bore = _only(influx, "panel Effective bore and its limit, A")
    limit = _only(influx, "panel Effective bore and its limit, B")
    # the limit is a property of the jewel and its baseline: a level line, once there is a baseline
    assert max(r["Limit"] for r in limit) - min(r["Limit"] for r in limit) < 1e-9
    baseline = [r["Effective bore"] for r in bore if r["time"] < chip]
    assert limit[0]["Limit"] / (sum(baseline) / len(baseline)) == pytest.approx(
        math.sqrt(1.08), rel=0.01
    )

    (now,) = _only(influx, "panel Now, A")
    assert now["State"] == "probably opened up"
    assert now["Effective bore"] == pytest.approx(0.254 * math.sqrt(1.08), rel=0.02)


@pytest.mark.parametrize("machine", DAYS)
def test_units_of_a_machine_that_cuts(influx: Influx, machine: str) -> None:
    """Values that only one unit fits; config/north.toml and south.toml have the ratings."""
    (newest,) = _only(influx, "panel Newest reading, A", "borewarden-fleet", machine)
    assert 300 < newest["Pressure"] < 410
    assert newest["time"] == pytest.approx(influx.ranges[machine][1] / 1e6, abs=2)
    strokes = _only(influx, "panel Stroke rate seen against expected, A", machine=machine)
    low, high = (15, 40) if machine == "North" else (250, 330)
    assert all(low < row["Seen"] < high for row in strokes)
    pressure = _only(influx, "panel Water pressure, A", machine=machine)
    assert 300 < max(row["Pressure"] for row in pressure) < 430
    water = _only(influx, "panel Water temperature, A", machine=machine)
    assert all(10 < row["Water"] < 30 for row in water)


def test_margin_agrees_with_the_strokes_seen(influx: Influx) -> None:
    strokes = _only(influx, "panel Stroke rate seen against expected, A")
    margin = _only(influx, "panel Margin to overstroke, A")
    for seen, free in zip(strokes, margin, strict=True):
        # config/north.toml: 60 strokes/min at most
        assert free["Margin"] == pytest.approx(100 * (1 - seen["Seen"] / 60), abs=1e-6)


def test_jet_hours_a_day_are_those_of_the_jewel(influx: Influx) -> None:
    """One jewel all day: what was gained is its newest count less its first."""
    (total,) = _only(influx, "panel Jet hours within the time range, A", "borewarden-jet-hours")
    course = _only(influx, "panel Jet hours of the fitted jewel, A", "borewarden-jet-hours")
    counts = [row["Jet hours"] for row in course]
    assert total["Jet hours"] == pytest.approx(max(counts) - min(counts), abs=0.05)


def test_a_name_with_signs_of_regular_expressions_is_found(influx: Influx) -> None:
    name = "Hall 2/3 (old) + spare.1"
    influx.post("/write?db=borewarden", link_lines(name, SECOND, True, "tried")[0].encode())
    query = 'SELECT "reason" FROM "link" WHERE "machine" =~ /^${machine:regex}$/'
    (series,) = influx.ask(fill_in(query, 0, 0, [name], "1m"))
    assert series["values"] == [[1000, "tried"]]
    influx.post(
        "/query",
        urllib.parse.urlencode(
            {"db": "borewarden", "q": "DELETE FROM \"link\" WHERE time < '1970-01-02'"}
        ).encode(),
    )


# -- the JSON


def test_files_are_what_the_script_makes() -> None:
    spec = importlib.util.spec_from_file_location("make", GRAFANA / "make_dashboards.py")
    assert spec is not None
    assert spec.loader is not None
    make = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make)
    assert {path.name: path.read_text(encoding="utf-8") for path in FILES} == make.files()


# The parts that Grafana's published types leave open: queries of InfluxDB, and their annotations.
TARGET_SCHEMA = {
    "type": "object",
    "required": ["refId", "datasource", "query", "rawQuery", "resultFormat"],
    "additionalProperties": False,
    "properties": {
        "refId": {"type": "string", "pattern": "^[A-Z]$"},
        "datasource": {"const": {"type": "influxdb", "uid": "borewarden"}},
        "query": {"type": "string", "pattern": "^SELECT "},
        "rawQuery": {"const": True},
        "resultFormat": {"enum": ["time_series", "table"]},
        "alias": {"type": "string", "pattern": r"^\$(col|tag_machine)$"},
    },
}
COLUMN = {"type": "string"}
ANNOTATION_SCHEMA = {
    "type": "object",
    "required": ["name", "datasource", "enable", "iconColor", "query", "textColumn"],
    "additionalProperties": False,
    "properties": {
        "name": {"type": "string"},
        "datasource": {"const": {"type": "influxdb", "uid": "borewarden"}},
        "enable": {"const": True},
        "hide": {"type": "boolean"},
        "iconColor": {"type": "string", "pattern": "^#[0-9A-F]{6}$"},
        "query": {"type": "string", "pattern": "^SELECT "},
        "titleColumn": COLUMN,
        "textColumn": COLUMN,
        "tagsColumn": COLUMN,
        "timeEndColumn": COLUMN,
    },
}
PANEL_SCHEMA = {
    "type": "object",
    "required": ["id", "type", "title", "gridPos", "options"],
    "properties": {
        "id": {"type": "integer", "minimum": 1},
        "type": {"enum": sorted(PANEL_TYPES)},
        "title": {"type": "string", "minLength": 3},
        "gridPos": {
            "type": "object",
            "required": ["x", "y", "w", "h"],
            "properties": {
                "x": {"type": "integer", "minimum": 0, "maximum": 23},
                "y": {"type": "integer", "minimum": 0},
                "w": {"type": "integer", "minimum": 1, "maximum": 24},
                "h": {"type": "integer", "minimum": 3},
            },
        },
        "targets": {"type": "array", "minItems": 1, "items": TARGET_SCHEMA},
        "fieldConfig": {
            "type": "object",
            "required": ["defaults", "overrides"],
            "additionalProperties": False,
            "properties": {"defaults": {"type": "object"}, "overrides": {"type": "array"}},
        },
    },
}


@pytest.mark.parametrize("panel", PANELS)
def test_panel_keeps_to_the_hand_written_schema(panel: dict[str, Any]) -> None:
    jsonschema.validate(panel, PANEL_SCHEMA)
    assert ("targets" in panel) == (panel["type"] != "text")


def _lost(path: str, given: Any, kept: Any) -> list[str]:
    """Paths of `given` that are not in `kept`, or hold something else there."""
    if isinstance(given, dict) and isinstance(kept, dict):
        return [
            lost
            for key, value in given.items()
            for lost in (
                _lost(f"{path}.{key}", value, kept[key]) if key in kept else [f"{path}.{key}"]
            )
        ]
    if isinstance(given, list) and isinstance(kept, list) and len(given) == len(kept):
        pairs = enumerate(zip(given, kept, strict=True))
        return [lost for i, (g, k) in pairs for lost in _lost(f"{path}[{i}]", g, k)]
    return [] if given == kept else [path]


@pytest.mark.parametrize("name", DASHBOARDS)
def test_grafanas_own_types_know_every_field(name: str) -> None:
    """Reading and writing with Grafana's generated types (11.6) drops what they don't know."""
    register_default_plugins()
    board = DASHBOARDS[name]
    kept = json.loads(JSONEncoder().encode(Dashboard.from_json(board)))
    lost = _lost("", board, kept)
    # these belong to the InfluxDB data source and are in ANNOTATION_SCHEMA
    own = re.compile(r"\.annotations\.list\[\d\]\.(query|(title|text|tags|timeEnd)Column)$")
    assert [path for path in lost if not own.fullmatch(path)] == []
    for mark in board["annotations"]["list"]:
        jsonschema.validate(mark, ANNOTATION_SCHEMA)


def test_grafanas_own_types_would_tell() -> None:
    register_default_plugins()
    board = json.loads(json.dumps(DASHBOARDS["borewarden-machine"]))
    graph = next(p for p in board["panels"] if p["type"] == "timeseries")
    graph["fieldConfig"]["defaults"]["custom"]["lineWidht"] = 2
    graph["options"]["legent"] = {}
    lost = _lost("", board, json.loads(JSONEncoder().encode(Dashboard.from_json(board))))
    assert any(path.endswith(".custom.lineWidht") for path in lost)
    assert any(path.endswith(".options.legent") for path in lost)


@pytest.mark.parametrize("name", DASHBOARDS)
def test_panels_are_numbered_and_do_not_overlap(name: str) -> None:
    panels = DASHBOARDS[name]["panels"]
    assert len({panel["id"] for panel in panels}) == len(panels)
    taken: dict[tuple[int, int], str] = {}
    for panel in panels:
        place = panel["gridPos"]
        assert place["x"] + place["w"] <= 24
        for x in range(place["x"], place["x"] + place["w"]):
            for y in range(place["y"], place["y"] + place["h"]):
                assert (x, y) not in taken, f"{panel['title']} lies on {taken[x, y]}"
                taken[x, y] = panel["title"]


@pytest.mark.parametrize("panel", PANELS)
def test_overrides_name_columns_that_the_query_gives(panel: dict[str, Any]) -> None:
    queries = " ".join(target["query"] for target in panel.get("targets", []))
    columns = {*re.findall(r' AS "([^"]+)"', queries), *re.findall(r'BY .*"(\w+)"', queries)}
    for made in panel.get("fieldConfig", {}).get("overrides", []):
        assert made["matcher"]["options"] in columns | {"Time"}


def test_dashboards_are_told_apart_and_lead_to_each_other() -> None:
    uids = [board["uid"] for board in DASHBOARDS.values()]
    assert sorted(uids) == sorted(DASHBOARDS) == sorted(set(uids))
    for url in re.findall(r'"url": "/d/([\w-]+)', json.dumps(DASHBOARDS)):
        assert url in uids


@pytest.mark.parametrize("name", DASHBOARDS)
def test_every_dashboard_shows_the_cautions(name: str) -> None:
    (text,) = (p for p in DASHBOARDS[name]["panels"] if p["type"] == "text")
    words = text["options"]["content"].lower()
    for caution in (
        "stop the pump",
        "lock it out",
        "bleed the pressure down",
        "verify zero pressure",
        "never put a hand near the jet",
        "injection injury is an emergency",
        "local codes",
        "pump maker's manual",
        "qualified people",
    ):
        assert caution in words


def test_colours_are_told_apart_by_everybody() -> None:
    """Okabe & Ito (2008), and greys."""
    safe = {"#0072b2", "#e69f00", "#009e73", "#d55e00", "#cc79a7", "#56b4e9", "#f0e442"}
    text = json.dumps(DASHBOARDS)
    used = {colour.lower() for colour in re.findall(r"#[0-9A-Fa-f]{6}", text)}
    assert used - {"#999999", "#666666"} <= safe
    assert set(re.findall(r'"mode": "(fixed|shades|palette[\w-]*|thresholds)"', text)) == {
        "fixed",
        "shades",
    }


def test_every_state_has_a_colour() -> None:
    maps = [
        mapping["options"]
        for board in DASHBOARDS.values()
        for panel in board["panels"]
        for mapping in panel.get("fieldConfig", {}).get("defaults", {}).get("mappings", [])
        if "sound" in mapping["options"]
    ]
    assert maps
    for options in maps:
        assert set(options) == STATES
        assert len({option["color"] for option in options.values()}) == len(STATES)


# -- provisioning


def test_data_source_is_the_one_asked_for_and_holds_no_secret() -> None:
    path = GRAFANA / "provisioning" / "datasources" / "borewarden.yaml"
    (source,) = yaml.safe_load(path.read_text(encoding="utf-8"))["datasources"]
    assert (source["type"], source["uid"]) == ("influxdb", "borewarden")
    assert source["jsonData"]["version"] == "InfluxQL"
    assert source["jsonData"]["httpHeaderName1"] == "Authorization"
    assert source["secureJsonData"] == {"httpHeaderValue1": "Token $GF_BOREWARDEN_INFLUX_TOKEN"}

"""Every query of the dashboards answers with rows on real servers, and every dashboard is drawn.

The JSON is what was defined. The servers are Debian's `influxdb` 1.6 and `victoria-metrics`, filled
by the command `forward` and by the service's own outbox with an invented day of three machines, two
of which chip a jewel. What Grafana would put in for its variables is put in here by the rules of
its manual (grafana.com/docs, "Variables syntax" and "InfluxDB template variables").

They are drawn in the published components of Perses and of Grafana, in a real browser, from the
same servers: `deploy/perses/install` and `tests/deploy/grafana_panels/install` bring them from npm.
Set DASHBOARD_PICTURES to a folder to keep the pictures: how they look is for people to judge; what
a program can see of that is tested here.
"""

from __future__ import annotations

import asyncio
import importlib
import json
import math
import os
import re
import shutil
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import jsonschema
import pytest
import yaml
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.cog.plugins import register_default_plugins
from grafana_foundation_sdk.models.dashboard import Dashboard
from pydantic import SecretStr
from selenium.webdriver import Chrome

from borewarden.service.metrics import standing_families
from borewarden.service.own_health import Health
from borewarden.service.status import MachineStatus
from borewarden.settings import load_machine
from borewarden.show.style import PALETTE
from borewarden.store.influx import InfluxSettings, family_lines, link_lines
from borewarden.watcher.verdict import STATES, State
from chip_day import CHIP_NS, FIRST_NS, LAST_NS, MACHINES, delivered, sent, whole_day
from drawn import draw, serve
from influxd import influxd, query
from victoria import Server
from wire import needs

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
GRAFANA = DEPLOY / "grafana"
sys.path.insert(0, str(DEPLOY / "dashboards"))
definition = importlib.import_module("definition")
queries = importlib.import_module("queries")
make = importlib.import_module("make")

BOARDS = {
    path.relative_to(DEPLOY).with_suffix("").as_posix(): json.loads(path.read_text())
    for path in sorted(
        [*GRAFANA.glob("dashboards/*/*.json"), *DEPLOY.glob("perses/dashboards/*.json")]
    )
}
OF_GRAFANA = {name: board for name, board in BOARDS.items() if name.startswith("grafana")}
INFLUXQL = {name: board for name, board in OF_GRAFANA.items() if "/influxql/" in name}
PANELS = [
    pytest.param(panel, id=f"{name}-{panel['id']}")
    for name, board in OF_GRAFANA.items()
    for panel in board["panels"]
]


# -- what each figure may be; one that is not here has nobody who checks it

RANGES: dict[str, tuple[float, float]] = {
    "Verdict": (0, len(STATES) - 1),
    "Effective bore, mm": (0.24, 0.33),  # 0.010 in is 0.254 of North, 0.012 in 0.305 of South
    "Effective bore": (240.0, 330.0),  # µm
    "Limit": (7.9, 350.0),  # µm on one panel, 8 % on the other
    "Area growth": (-12.0, 18.0),  # %
    "Wear line": (-3.0, 12.0),
    "Stroke rate left": (20.0, 90.0),
    "Left": (20.0, 90.0),
    "Jet hours": (0.0, 60.0),
    "Not recorded": (0.0, 1.0),
    "Probability": (0.0, 100.0),
    "Pressure": (-1.0, 430.0),  # MPa
    "Pressure, MPa": (-1.0, 430.0),
    "Seen": (10.0, 700.0),  # strokes or turns a minute
    "Expected": (10.0, 700.0),
    "Water": (5.0, 35.0),  # °C
    "Statistic": (0.0, 1e3),
    "Threshold": (1.0, 100.0),
    "Phase": (0.0, 6.0),
    "Area step": (4.0, 13.0),  # %
    "Onset": (1.7726e12, 1.7727e12),  # ms, that day
    "Onset, hours ago": (0.0, 12.0),
    "Bore, mm": (0.25, 0.31),
    "Fitted": (1.7723e12, 1.7727e12),
    "Fitted, days ago": (1.0, 4.0),
    "Controller answers": (0, 1),
    "Readings usable": (0, 1),
    "Hours since jet": (0.0, 24.0),
    "At least": (100.0, 1e4),
    "Part": (0, 1),
    "Sending": (0, 1),
    "Sight": (0, 1),
    "Waiting": (0.0, 1e4),
    "Refused": (0.0, 0.0),
    "Samples": (0.0, 1300.0),
    "p99": (0.0, 1.0),
    "Free": (70.0, 80.0),
    "Memory": (10.0, 4000.0),
}
WORDS: dict[str, set[str] | None] = {
    "Verdict": {state.value for state in State},
    "NE 107": {state.ne107 for state in State},
    "ne107": {state.ne107 for state in State},
    "state": {state.value for state in State},
    "Machine": set(MACHINES),
    "machine": set(MACHINES),
    "Reason": None,  # any text
    "reason": None,
    "head": {"1"},
    "instance": None,
    "sink": {"influx", "mail"},
    "part": {"store", "disk", "mail"},
}
OF_INTENSIFIERS = {"Stroke rate left", "Left"}  # a crank pump has no overstroke
OF_SOUND = {"At least"}  # after a step there is no time left by wear
OF_SEVERAL_HEADS = {"This head"}  # none of these pumps has valve signals


def checked(name: str, values: list[Any]) -> None:
    """Each value under `name` is one that there can be."""
    if name in WORDS and all(isinstance(value, str) for value in values):
        allowed = WORDS[name]
        assert allowed is None or set(values) <= allowed, (name, values[:5])
        return
    low, high = RANGES[name]
    worst = [v for v in values if not (math.isfinite(float(v)) and low <= float(v) <= high)]
    assert not worst, f"{name!r} is {worst[:5]}"


# -- real servers, filled by the real forwarder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("day")


@pytest.fixture(scope="module")
def day(folder: Path) -> Path:
    return whole_day(folder)


def fill(folder: Path, day: Path, settings: InfluxSettings) -> None:
    """Send the day, what waits, and the day once more: a row that comes twice overwrites itself."""
    copy = folder / f"{settings.api}.db"
    copy.write_bytes(day.read_bytes())
    said = sent(folder, day, settings.url, settings.api)
    assert all(name in said for name in MACHINES)
    asyncio.run(delivered(copy, settings))
    sent(folder, day, settings.url, settings.api)


@pytest.fixture(scope="module")
def victoria(folder: Path, day: Path) -> Iterator[Server]:
    server = Server(folder / "victoria")
    server.start()
    try:
        where = InfluxSettings(server.url, "shop", "borewarden", SecretStr(""))
        fill(folder, day, where)
        server.get("/internal/force_flush")
        yield server
    finally:
        server.stop(kill=True)


@pytest.fixture(scope="module")
def influx(folder: Path, day: Path) -> Iterator[str]:
    data = folder / "influxd"
    data.mkdir()
    with influxd(data) as url:
        query(url, "CREATE DATABASE borewarden")
        where = InfluxSettings(url, "", "borewarden", SecretStr(""), api="v1")
        fill(folder, day, where)
        yield url


# -- InfluxQL


class Query(NamedTuple):
    board: str
    where: str
    text: str


def influxql_queries() -> Iterator[Query]:
    for name, board in INFLUXQL.items():
        for variable in board["templating"]["list"]:
            yield Query(name, f"variable {variable['name']}", variable["query"])
        for panel in board["panels"]:
            for target in panel.get("targets", []):
                where = f"{panel['title']}, {target['refId']}"
                yield Query(name, where, target["query"])


def fill_in(text: str, machine: str, interval: str) -> str:
    """`text` with Grafana's variables replaced as Grafana would; none of them is left."""
    chosen = re.sub(r"([\\^$*+?.()|\[\]{}/])", r"\\\1", machine)
    values = {
        "$timeFilter": f"time >= {FIRST_NS // 10**6}ms and time <= {LAST_NS // 10**6}ms",
        "$__interval": interval,
        "${machine:regex}": chosen,
    }
    for variable, value in values.items():
        text = text.replace(variable, value)
    assert "$" not in text.replace("$/", ""), f"a variable is left: {text}"
    return text


def columns_of(series: list[dict[str, Any]]) -> dict[str, list[Any]]:
    """What is known, by column and by tag."""
    columns: dict[str, list[Any]] = {}
    for made in series:
        for name, values in zip(made["columns"], zip(*made["values"], strict=True), strict=True):
            columns.setdefault(name, []).extend(value for value in values if value is not None)
        for name, value in made.get("tags", {}).items():
            columns.setdefault(name, []).append(value)
    return columns


INFLUXQL_QUERIES = list(influxql_queries())


@pytest.mark.parametrize("one", INFLUXQL_QUERIES, ids=lambda q: f"{q.board[-8:]}-{q.where}")
def test_every_query_in_influxql_answers_with_rows(influx: str, one: Query) -> None:
    chosen = ("North", "South") if "${machine" in one.text else ("",)
    for machine in chosen:
        for interval in ("20s", "10m"):
            text = fill_in(one.text, machine, interval)
            found = columns_of(query(influx, text, db="borewarden", epoch="ms"))
            found.pop("time", None)
            if one.where.startswith("variable"):
                assert set(found["value"]) == set(MACHINES)
                continue
            expected = set(re.findall(r' AS "([^"]+)"', one.text)) - {"v"} - OF_SEVERAL_HEADS
            if machine == "South":
                expected -= OF_INTENSIFIERS
            assert expected <= {name for name, values in found.items() if values}, text
            for name, values in found.items():
                if values:
                    checked(name, values)


LATER_NS = 2 * 86_400 * 10**9  # after the day: nobody else has rows there
BY_HEAD = {("Twin", "1"): 36_000.0, ("Twin", "2"): 9_000.0}  # s, invented


def two_heads(time_ns: int) -> bytes:
    """What the service forwards of a machine with two heads, beside one with one."""
    machine = load_machine(ROOT / "config" / "north.toml")
    (jewel,) = machine.jewels()[:1]
    watcher = machine.build_watcher()
    twin = MachineStatus(
        "Twin", machine.time_zone, watcher.pump, watcher.verdict(),
        jewels=[jewel, replace(jewel, head="2")],
        head_hours={head: seconds / 3600.0 for (_, head), seconds in BY_HEAD.items()},
    )  # fmt: skip
    families = standing_families({"Twin": twin}, {}, Health())
    return "\n".join(family_lines(families, time_ns)).encode()


def of_heads(kind: str) -> tuple[Any, Any]:
    """Panel and figure of the jet hours by head, on the board of the jewels."""
    return next(
        (panel, value)
        for panel in definition.jewels().panels
        for value in panel.values
        if panel.kind == kind and value.metric == definition.HEAD_JET
    )


@pytest.mark.parametrize("kind", ["stat", "table", "graph"])
def test_jet_hours_are_shown_of_each_head(influx: str, victoria: Server, kind: str) -> None:
    """Two heads of one machine are two rows, in both languages; the old rows stay as they are."""
    panel, value = of_heads(kind)
    at_ns = FIRST_NS + LATER_NS
    for url in (f"{influx}/write?db=borewarden", f"{victoria.url}/api/v2/write?bucket=borewarden"):
        urllib.request.urlopen(url, two_heads(at_ns), timeout=10).close()
    victoria.get("/internal/force_flush")
    due = {key: seconds / 3600.0 for key, seconds in BY_HEAD.items()}

    text = in_promql(value, panel, "").replace(f"[{(LAST_NS - FIRST_NS) // 10**9}s]", "[5m]")
    at = str(at_ns // 10**9 + 60)
    found = json.loads(victoria.get("/api/v1/query", query=text, time=at))["data"]["result"]
    by = {(s["metric"]["machine"], s["metric"]["head"]): float(s["value"][1]) for s in found}
    assert by == pytest.approx(due)

    text = fill_in(queries.influxql(value, panel), "", "1m")
    first, last = (f"{ns // 10**6}ms" for ns in (FIRST_NS, LAST_NS))
    text = text.replace(first, f"{at_ns // 10**6}ms")
    text = text.replace(last, f"{at_ns // 10**6 + 60_000}ms")
    rows = query(influx, text, db="borewarden")
    by = {(s["tags"]["machine"], s["tags"]["head"]): float(s["values"][0][1]) for s in rows}
    assert by == pytest.approx(due)

    name = "{{machine}}, head {{head}}"
    if kind != "table":
        assert name in json.dumps(BOARDS["grafana/dashboards/promql/borewarden-jewels"])
        assert name in json.dumps(BOARDS["perses/dashboards/jewels"])
        assert "$tag_machine, head $tag_head" in json.dumps(
            INFLUXQL["grafana/dashboards/influxql/borewarden-jewels"]
        )


def test_annotations_mark_the_chip_and_nothing_else(influx: str) -> None:
    marks = INFLUXQL["grafana/dashboards/influxql/borewarden-machine"]["annotations"]["list"]
    alerts, lost = (fill_in(mark["query"], "North", "1m") for mark in marks)
    found = columns_of(query(influx, alerts, db="borewarden", epoch="ms"))
    (time_ms,) = found["time"]
    assert 0 < time_ms - CHIP_NS / 1e6 < 600_000  # most of it dead-headed
    assert "bore opened up" in found["reason"][0]
    assert query(influx, lost, db="borewarden") == []  # `forward` knows no links


def test_a_name_with_signs_of_regular_expressions_is_found(influx: str) -> None:
    name = "Hall 2/3 (old) + spare.1"
    (line,) = link_lines(name, FIRST_NS, True, "tried")
    urllib.request.urlopen(f"{influx}/write?db=borewarden", line.encode(), timeout=10).close()
    text = 'SELECT "reason" FROM "borewarden_link" WHERE "machine" =~ /^${machine:regex}$/'
    (series,) = query(influx, fill_in(text, name, "1m"), db="borewarden", epoch="ns")
    assert series["values"] == [[FIRST_NS, "tried"]]


# -- PromQL

OF_PROMQL = [
    pytest.param(board, panel, value, id=f"{board.name}-{panel.title}-{value.name}")
    for board in definition.boards()
    for panel in board.panels
    for value in panel.values
]


def ask(server: Server, text: str, newest: bool) -> list[dict[str, Any]]:
    """The answer as Grafana and Perses ask for it."""
    end = LAST_NS // 10**9
    if newest:
        answer = server.get("/api/v1/query", query=text, time=str(end))
    else:
        start = str(FIRST_NS // 10**9)
        answer = server.get(
            "/api/v1/query_range", query=text, start=start, end=str(end), step="300"
        )
    told = json.loads(answer)
    assert told["status"] == "success", told
    result: list[dict[str, Any]] = told["data"]["result"]
    return result


def in_promql(value: Any, panel: Any, machine: str) -> str:
    text = queries.promql(value, panel)
    span = f"{(LAST_NS - FIRST_NS) // 10**9}s"
    replaced = text.replace("$machine", machine).replace("$__range", span)
    return str(replaced.replace("$__interval", "5m"))


@pytest.mark.parametrize(("board", "panel", "value"), OF_PROMQL)
def test_every_query_in_promql_answers_with_rows(
    victoria: Server, board: Any, panel: Any, value: Any
) -> None:
    newest = panel.kind in queries.NEWEST
    for machine in ("North", "South") if panel.one else ("",):
        if value.name in OF_INTENSIFIERS and machine == "South":
            continue
        found = ask(victoria, in_promql(value, panel, machine), newest)
        if value.name in OF_SEVERAL_HEADS:
            assert found == []
            continue
        assert found, queries.promql(value, panel)
        for series in found:
            points = [series["value"]] if newest else series["values"]
            checked(queries.heading(value), [float(figure) for _, figure in points])
            for label, text in series["metric"].items():
                checked(label, [text])
        if "machine" in value.by and not panel.one and "step" not in value.metric:
            shown = {series["metric"]["machine"] for series in found}
            assert shown <= set(MACHINES)
            assert len(shown) >= 2 or value.name in OF_SOUND


def test_prometheus_itself_understands_every_query(tmp_path: Path) -> None:
    """VictoriaMetrics is lenient: so `promtool` reads all of them, as recording rules."""
    texts = sorted(
        {
            in_promql(value, panel, "North")
            for board in definition.boards()
            for panel in board.panels
            for value in panel.values
        }
    )
    assert len(texts) > 30
    rules = [{"record": f"query{number}", "expr": text} for number, text in enumerate(texts)]
    path = tmp_path / "queries.yaml"
    path.write_text(yaml.safe_dump({"groups": [{"name": "queries", "rules": rules}]}))
    command = [needs("promtool", "prometheus"), "check", "rules", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"{len(texts)} rules found" in done.stdout


def test_both_languages_show_the_same_chip(influx: str, victoria: Server) -> None:
    """North's labelled chip: 2026-03-04 10:17:30 in Vienna, +8 % (invented)."""
    board = definition.machine()
    verdict = board.panels[0]
    (found,) = ask(victoria, in_promql(verdict.values[0], verdict, "North"), newest=True)
    assert STATES[int(found["value"][1])] is State.OPENED
    text = fill_in(queries.influxql(verdict.values[0], verdict), "North", "1m")
    (series,) = query(influx, text, db="borewarden")
    assert STATES[int(series["values"][0][1])] is State.OPENED

    growth = next(p for p in board.panels if p.title == "Growth of the effective area")
    text = fill_in(queries.influxql(growth.values[0], growth), "North", "5m")
    (series,) = query(influx, text, db="borewarden", epoch="ns")
    (found,) = ask(victoria, in_promql(growth.values[0], growth, "North"), newest=False)
    for rows in (
        [(at, v) for at, v in series["values"] if v is not None],
        [(at * 1e9, float(v)) for at, v in found["values"]],
    ):
        before = [v for at, v in rows if at < CHIP_NS - 300e9]
        after = [v for at, v in rows if at > CHIP_NS + 300e9]
        assert sum(before) / len(before) == pytest.approx(0.0, abs=1.0)
        assert sum(after) / len(after) == pytest.approx(8.0, abs=1.0)


def test_what_was_sent_twice_is_there_once(influx: str, victoria: Server, day: Path) -> None:
    points = victoria.series("borewarden_effective_bore_meters")
    for name, rows in points.items():
        times = [at for at, _ in rows]
        assert len(times) == len(set(times)) > 400, name
    text = 'SELECT count("effective_bore_meters") FROM "borewarden" GROUP BY "machine"'
    counted = {
        s["tags"]["machine"]: s["values"][0][1] for s in query(influx, text, db="borewarden")
    }
    assert counted == {name: len(rows) for name, rows in points.items()}


# -- as they are drawn

PERSES = DEPLOY / "perses"
PANELS_OF_GRAFANA = Path(__file__).parent / "grafana_panels"
WIDTHS = (1280, 1920)  # px
NAMES = [board.name for board in definition.boards()]
# not the full hour, at which Grafana cuts the last time of an axis
SHOWN_MS = {"start": FIRST_NS // 10**6, "end": LAST_NS // 10**6 + 600_000}


@contextmanager
def page(components: Path, folder: Path, boards: dict[str, Path], **servers: str) -> Iterator[str]:
    """All that a browser asks for: `components`, the dashboards, and where the servers are."""
    if not (components / "app.js").exists():
        reason = f"run {(components / 'install').relative_to(ROOT)}"
        if os.environ.get("BOREWARDEN_REQUIRE_PEERS"):
            pytest.fail(reason)
        pytest.skip(reason)
    made = folder / components.name
    (made / "dashboards").mkdir(parents=True)
    for name in ("index.html", "app.js", "app.css"):
        shutil.copy(components / name, made)
    for name, path in boards.items():
        board = json.loads(path.read_text())
        board.get("spec", {}).pop("refreshInterval", None)  # a slow computer would begin anew
        (made / "dashboards" / f"{name}.json").write_text(json.dumps(board))
    (made / "config.json").write_text(json.dumps({**servers, **SHOWN_MS}))
    server, url = serve(made)
    try:
        yield url
    finally:
        server.shutdown()


@pytest.fixture(scope="module")
def perses(folder: Path, victoria: Server) -> Iterator[str]:
    """The page of `deploy/perses`."""
    boards = {name: PERSES / "dashboards" / f"{name}.json" for name in NAMES}
    with page(PERSES, folder, boards, prometheus=victoria.url) as url:
        yield url


@pytest.fixture(scope="module")
def grafana(folder: Path, victoria: Server, influx: str) -> Iterator[str]:
    """Both sets of Grafana's dashboards."""
    boards = {
        f"{language}-{name}": GRAFANA / "dashboards" / language / f"borewarden-{name}.json"
        for language in ("influxql", "promql")
        for name in NAMES
    }
    with page(PANELS_OF_GRAFANA, folder, boards, prometheus=victoria.url, influx=influx) as url:
        yield url


def pictures(folder: Path, name: str) -> dict[int, Path]:
    kept = Path(os.environ.get("DASHBOARD_PICTURES", folder))
    return {width: kept / f"{name}-{width}.png" for width in WIDTHS}


@pytest.mark.parametrize("name", NAMES)
def test_perses_draws_every_panel_and_cuts_no_text(
    perses: str, browser: Chrome, tmp_path: Path, name: str
) -> None:
    chosen = "&var-machine=North" if name == "machine" else ""
    made = pictures(tmp_path, f"perses-{name}")
    assert draw(browser, f"{perses}/?board={name}{chosen}", made) == []
    assert min(path.stat().st_size for path in made.values()) > 20_000
    text = browser.find_element("tag name", "body").text
    for panel in BOARDS[f"perses/dashboards/{name}"]["spec"]["panels"].values():
        assert panel["spec"]["display"]["name"].replace("$machine", "North") in text
    if name == "fleet":  # an age of 0.0 and a probability of 0 % are no words
        assert "0.0\n" in text
        assert "NO\n" not in text
    if name in ("fleet", "machine"):
        sizes = sizes_of(browser, "h3")
        assert cap_height_mm(sizes) > 15.0
        assert max(sizes.values()) == sizes["probably opened up"]


@pytest.mark.parametrize("language", ["influxql", "promql"])
@pytest.mark.parametrize("name", NAMES)
def test_grafana_draws_every_panel_and_cuts_no_text(
    grafana: str, browser: Chrome, tmp_path: Path, name: str, language: str
) -> None:
    made = pictures(tmp_path, f"grafana-{language}-{name}")
    url = f"{grafana}/?board={language}-{name}&machine=North"
    assert draw(browser, url, made) == []
    assert min(path.stat().st_size for path in made.values()) > 20_000
    if name in ("fleet", "machine"):
        assert cap_height_mm(sizes_of(browser, "span")) > 15.0


def sizes_of(browser: Chrome, tag: str) -> dict[str, float]:
    """Size of the letters of each text in such elements, px."""
    sizes: dict[str, float] = {}
    for words, size in browser.execute_script(
        """return [...document.querySelectorAll(arguments[0])].map(
        (e) => [e.innerText, parseFloat(getComputedStyle(e).fontSize)])""",
        tag,
    ):
        sizes[words] = max(size, sizes.get(words, 0.0))
    return sizes


def cap_height_mm(sizes: dict[str, float]) -> float:
    """Of the verdict; 15 mm are read from 3 m (common practice, no source); 96 px/in."""
    return 0.7 * sizes["probably opened up"] * 25.4 / 96.0


def test_a_text_that_is_cut_and_one_that_nobody_filled_in_are_found(
    browser: Chrome, tmp_path: Path
) -> None:
    page = tmp_path / "cut.html"
    cut = "<div style='width: 60px; overflow: hidden; white-space: nowrap'>probably opened up</div>"
    page.write_text(f"{cut}<p>$machine</p><p>{'as long as a dashboard ' * 10}</p>")
    wrong = draw(browser, page.as_uri(), {600: tmp_path / "x.png"})
    assert wrong == ["600 px, cut: 'probably opened up'", "600 px: '$' is shown"]


# -- the JSON


def test_files_are_what_the_definition_makes() -> None:
    kept = {
        path.relative_to(DEPLOY).as_posix(): path.read_text(encoding="utf-8")
        for path in [*GRAFANA.glob("dashboards/**/*.json"), *DEPLOY.glob("perses/dashboards/*")]
    }
    assert kept == make.files()


def test_every_dashboard_is_there_for_every_interface() -> None:
    names = {board.name for board in definition.boards()}
    assert names == {"fleet", "machine", "jewels", "watcher"}
    assert {path.rsplit("/", 1)[1].removeprefix("borewarden-") for path in BOARDS} == names
    assert len(BOARDS) == 3 * len(names)


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
        "alias": {"type": "string", "pattern": r"^\$(col|tag_\w+)(, head \$tag_head)?$"},
    },
}
PROMQL_SCHEMA = {
    "type": "object",
    "required": ["refId", "datasource", "expr", "instant", "range", "format", "legendFormat"],
    "additionalProperties": False,
    "properties": {
        "refId": {"type": "string", "pattern": "^[A-Z]$"},
        "datasource": {"const": {"type": "prometheus", "uid": "borewarden-prometheus"}},
        "expr": {"type": "string", "pattern": "borewarden|process"},
        "instant": {"type": "boolean"},
        "range": {"type": "boolean"},
        "format": {"enum": ["time_series", "table"]},
        "legendFormat": {"type": "string"},
        "interval": {"type": "string"},
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
        "type": {"enum": ["stat", "state-timeline", "table", "text", "timeseries"]},
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
        "targets": {
            "type": "array",
            "minItems": 1,
            "items": {"anyOf": [TARGET_SCHEMA, PROMQL_SCHEMA]},
        },
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


@pytest.mark.parametrize("name", OF_GRAFANA)
def test_grafanas_own_types_know_every_field(name: str) -> None:
    """Reading and writing with Grafana's generated types (11.6) drops what they don't know."""
    register_default_plugins()
    board = OF_GRAFANA[name]
    kept = json.loads(JSONEncoder().encode(Dashboard.from_json(board)))
    lost = _lost("", board, kept)
    # these belong to the InfluxDB data source and are in ANNOTATION_SCHEMA
    own = re.compile(r"\.annotations\.list\[\d\]\.(query|(title|text|tags|timeEnd)Column)$")
    assert [path for path in lost if not own.fullmatch(path)] == []
    for mark in board["annotations"]["list"]:
        jsonschema.validate(mark, ANNOTATION_SCHEMA)


def test_grafanas_own_types_would_tell() -> None:
    register_default_plugins()
    board = json.loads(json.dumps(OF_GRAFANA["grafana/dashboards/influxql/borewarden-machine"]))
    graph = next(p for p in board["panels"] if p["type"] == "timeseries")
    graph["fieldConfig"]["defaults"]["custom"]["lineWidht"] = 2
    graph["options"]["legent"] = {}
    lost = _lost("", board, json.loads(JSONEncoder().encode(Dashboard.from_json(board))))
    assert any(path.endswith(".custom.lineWidht") for path in lost)
    assert any(path.endswith(".options.legent") for path in lost)


@pytest.mark.parametrize("name", OF_GRAFANA)
def test_panels_are_numbered_and_do_not_overlap(name: str) -> None:
    panels = OF_GRAFANA[name]["panels"]
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
    targets = panel.get("targets", [])
    asked = " ".join(target.get("query", "") for target in targets)
    columns = {*re.findall(r' AS "([^"]+)"', asked), *re.findall(r'"(\w+)"', asked), "Time"}
    for target in targets:
        if "expr" in target:
            columns |= {f"Value #{target['refId']}", target["legendFormat"]}
            for labels in re.findall(r"max by \(([^)]*)\)", target["expr"]):
                columns |= set(labels.split(", "))
    for made in panel.get("fieldConfig", {}).get("overrides", []):
        assert made["matcher"]["options"] in columns


def test_dashboards_are_told_apart() -> None:
    uids = [board["uid"] for board in OF_GRAFANA.values()]
    assert len(set(uids)) == len(uids) == 8


CAUTIONED = (
    "stop the pump",
    "lock it out",
    "bleed the pressure down",
    "verify zero pressure",
    "never put a hand near the jet",
    "injection injury is an emergency",
    "local codes",
    "pump maker's manual",
    "qualified people",
)


@pytest.mark.parametrize("name", BOARDS)
def test_every_dashboard_about_machines_shows_the_cautions(name: str) -> None:
    text = json.dumps(BOARDS[name], ensure_ascii=False).lower()
    if not name.endswith("watcher"):
        assert [caution for caution in CAUTIONED if caution not in text] == []


def test_colours_are_told_apart_by_everybody() -> None:
    """Okabe & Ito (2008), greys, and the ink and paper of the live page."""
    safe = {"#0072b2", "#e69f00", "#009e73", "#d55e00", "#cc79a7", "#56b4e9", "#f0e442"}
    greys = {"#999999", "#666666", "#c9ced2", "#1b2026", "#ffffff"}
    text = json.dumps(BOARDS)
    used = {colour.lower() for colour in re.findall(r"#[0-9A-Fa-f]{6}", text)}
    assert used <= safe | greys
    modes = set(re.findall(r'"mode": "(fixed|shades|palette[\w-]*|thresholds)"', text))
    assert modes == {"fixed", "palette-classic"}  # the second tells machines apart


def test_states_have_the_numbers_the_order_and_the_colours_of_the_live_page() -> None:
    page = (ROOT / "src/borewarden/show/templates/page.html").read_text()
    signs = dict(re.findall(r'id="sign-([a-z -]+)".*?fill="{{ palette\.(\w+) }}"', page, re.S))
    assert signs["failure"] == "vermilion"
    for code, (words, colour) in definition.VERDICTS.items():
        state = STATES[code]
        assert words == state.value
        sign = signs.get(state.ne107.replace(" ", "-"), "")
        if sign and sign != "paper":  # a ring there, since nothing is known
            assert colour == PALETTE[sign]
    assert list(definition.VERDICTS) == list(range(len(STATES)))


# -- provisioning


def test_data_source_is_the_one_asked_for_and_holds_no_secret() -> None:
    path = GRAFANA / "provisioning" / "datasources" / "borewarden.yaml"
    (source,) = yaml.safe_load(path.read_text(encoding="utf-8"))["datasources"]
    assert (source["type"], source["uid"]) == ("influxdb", "borewarden")
    assert source["jsonData"]["version"] == "InfluxQL"
    assert source["jsonData"]["httpHeaderName1"] == "Authorization"
    assert source["secureJsonData"] == {"httpHeaderValue1": "Token $GF_BOREWARDEN_INFLUX_TOKEN"}


def test_data_source_for_promql_is_the_one_asked_for() -> None:
    (source,) = yaml.safe_load((GRAFANA / "prometheus/datasource.yaml").read_text())["datasources"]
    assert (source["type"], source["uid"]) == ("prometheus", "borewarden-prometheus")

"""The dashboards in the published components of Perses and of Grafana, in a real browser.

`deploy/perses/install` and `tests/deploy/grafana_panels/install` bring the components from npm; CI
has those of Perses. Set DASHBOARD_PICTURES to a folder to keep the pictures: how they look is for
people to judge; what a program can see of that is tested here.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from pydantic import SecretStr
from selenium.webdriver import Chrome

from borewarden.store.influx import InfluxSettings
from chip_day import FIRST_NS, LAST_NS, delivered, sent, whole_day
from drawn import draw, serve
from influxd import influxd, query
from victoria import Server

DEPLOY = Path(__file__).parents[2] / "deploy"
PERSES = DEPLOY / "perses"
GRAFANA = Path(__file__).parent / "grafana_panels"
WIDTHS = (1280, 1920)  # px
BOARDS = ("fleet", "machine", "jewels", "watcher")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("drawn")


@pytest.fixture(scope="module")
def day(folder: Path) -> Path:
    return whole_day(folder)


@pytest.fixture(scope="module")
def victoria(folder: Path, day: Path) -> Iterator[str]:
    server = Server(folder / "victoria")
    server.start()
    try:
        sent(folder, day, server.url)
        copy = folder / "victoria.db"
        copy.write_bytes(day.read_bytes())
        asyncio.run(delivered(copy, InfluxSettings(server.url, "shop", "x", SecretStr(""))))
        server.get("/internal/force_flush")
        yield server.url
    finally:
        server.stop(kill=True)


@pytest.fixture(scope="module")
def influx(folder: Path, day: Path) -> Iterator[str]:
    data = folder / "influxd"
    data.mkdir()
    with influxd(data) as url:
        query(url, "CREATE DATABASE borewarden")
        sent(folder, day, url, "v1")
        copy = folder / "influx.db"
        copy.write_bytes(day.read_bytes())
        settings = InfluxSettings(url, "", "borewarden", SecretStr(""), api="v1")
        asyncio.run(delivered(copy, settings))
        yield url


def page(components: Path, folder: Path, boards: dict[str, Path], **config: str) -> Path:
    """A folder with all that a browser asks for."""
    made = folder / components.name
    (made / "dashboards").mkdir(parents=True)
    for name in ("index.html", "app.js", "app.css"):
        shutil.copy(components / name, made)
    for name, path in boards.items():
        shutil.copy(path, made / "dashboards" / f"{name}.json")
    span = {"start": FIRST_NS // 10**6, "end": LAST_NS // 10**6}
    (made / "config.json").write_text(json.dumps({**config, **span}))
    return made


@pytest.fixture(scope="module")
def perses(folder: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    """The page of `deploy/perses`, before a server with the day in it."""
    if not (PERSES / "app.js").exists():
        reason = "the components of Perses are not installed: bash deploy/perses/install"
        if os.environ.get("BOREWARDEN_REQUIRE_PEERS"):
            pytest.fail(reason)
        pytest.skip(reason)
    victoria = request.getfixturevalue("victoria")
    boards = {name: PERSES / "dashboards" / f"{name}.json" for name in BOARDS}
    with ExitStack() as opened:
        server, url = serve(page(PERSES, folder, boards, prometheus=victoria))
        opened.callback(server.shutdown)
        yield url


@pytest.fixture(scope="module")
def grafana(folder: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    """Both sets of Grafana's dashboards, before two servers with the day in them."""
    if not (GRAFANA / "app.js").exists():  # not in CI: npm takes a minute for these alone
        pytest.skip("no components of Grafana: bash tests/deploy/grafana_panels/install")
    servers = {
        "prometheus": request.getfixturevalue("victoria"),
        "influx": request.getfixturevalue("influx"),
    }
    made = DEPLOY / "grafana" / "dashboards"
    boards = {
        f"{language}-{name}": made / language / f"borewarden-{name}.json"
        for language in ("influxql", "promql")
        for name in BOARDS
    }
    with ExitStack() as opened:
        server, url = serve(page(GRAFANA, folder, boards, **servers))
        opened.callback(server.shutdown)
        yield url


def pictures(folder: Path, name: str) -> dict[int, Path]:
    kept = Path(os.environ.get("DASHBOARD_PICTURES", folder))
    return {width: kept / f"{name}-{width}.png" for width in WIDTHS}


@pytest.mark.parametrize("board", BOARDS)
def test_perses_draws_every_panel_and_cuts_no_text(
    perses: str, browser: Chrome, tmp_path: Path, board: str
) -> None:
    chosen = "&var-machine=North" if board == "machine" else ""
    made = pictures(tmp_path, f"perses-{board}")
    assert draw(browser, f"{perses}/?board={board}{chosen}", made) == []
    assert min(path.stat().st_size for path in made.values()) > 20_000
    definition = json.loads((PERSES / "dashboards" / f"{board}.json").read_text())
    text = browser.find_element("tag name", "body").text
    for panel in definition["spec"]["panels"].values():
        assert panel["spec"]["display"]["name"].replace("$machine", "North") in text
    if board == "machine":
        assert_verdict_is_read_from_afar(browser, "h3")


@pytest.mark.parametrize("language", ["influxql", "promql"])
@pytest.mark.parametrize("board", BOARDS)
def test_grafana_draws_every_panel_and_cuts_no_text(
    grafana: str, browser: Chrome, tmp_path: Path, board: str, language: str
) -> None:
    made = pictures(tmp_path, f"grafana-{language}-{board}")
    url = f"{grafana}/?board={language}-{board}&machine=North"
    assert draw(browser, url, made) == []
    assert min(path.stat().st_size for path in made.values()) > 20_000
    if board == "machine":
        assert_verdict_is_read_from_afar(browser, "span")


def assert_verdict_is_read_from_afar(browser: Chrome, tag: str) -> None:
    """Letters of 15 mm are read from 3 m (common practice, no source); 96 px/in."""
    sizes: dict[str, float] = {}
    for words, size in browser.execute_script(
        """return [...document.querySelectorAll(arguments[0])].map(
        (e) => [e.innerText, parseFloat(getComputedStyle(e).fontSize)])""",
        tag,
    ):
        sizes[words] = max(size, sizes.get(words, 0.0))
    assert max(sizes, key=lambda words: sizes[words]) == "probably opened up"
    cap_height_mm = 0.7 * sizes["probably opened up"] * 25.4 / 96.0
    assert cap_height_mm > 15.0


def test_a_text_that_is_cut_would_be_found(perses: str, browser: Chrome, tmp_path: Path) -> None:
    wrong = draw(browser, f"{perses}/?board=machine&var-machine=North", {600: tmp_path / "x.png"})
    assert "600 px, cut: 'probably opened up'" in wrong

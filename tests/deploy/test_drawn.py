"""The dashboards in the published components of Perses, in a real browser, over a real server.

`deploy/perses/install` brings the components from npm. Set DASHBOARD_PICTURES to a folder to keep
the pictures: how they look is for people to judge; what a program can see of that is tested here.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import SecretStr
from selenium.webdriver import Chrome

from borewarden.store.influx import InfluxSettings
from chip_day import FIRST_NS, LAST_NS, delivered, replayed_day, sent, standing
from drawn import draw, serve
from victoria import Server

PERSES = Path(__file__).parents[2] / "deploy" / "perses"
WIDTHS = (1280, 1920)  # px


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The page of `deploy/perses`, before a server with the day in it."""
    if not (PERSES / "app.js").exists():
        reason = "the components of Perses are not installed: bash deploy/perses/install"
        if os.environ.get("BOREWARDEN_REQUIRE_PEERS"):
            pytest.fail(reason)
        pytest.skip(reason)
    folder = tmp_path_factory.mktemp("drawn")
    store = replayed_day(folder)
    standing(store)
    victoria = Server(folder / "victoria")
    victoria.start()
    page = folder / "page"
    page.mkdir()
    for name in ("index.html", "app.js", "app.css"):
        shutil.copy(PERSES / name, page)
    shutil.copytree(PERSES / "dashboards", page / "dashboards")
    span = {"start": FIRST_NS // 10**6, "end": LAST_NS // 10**6}
    (page / "config.json").write_text(json.dumps({"prometheus": victoria.url, **span}))
    server, url = serve(page)
    try:
        sent(folder, store, victoria.url)
        asyncio.run(delivered(store, InfluxSettings(victoria.url, "shop", "x", SecretStr(""))))
        victoria.get("/internal/force_flush")
        yield url
    finally:
        server.shutdown()
        victoria.stop(kill=True)


def pictures(folder: Path, board: str) -> dict[int, Path]:
    kept = Path(os.environ.get("DASHBOARD_PICTURES", folder))
    return {width: kept / f"perses-{board}-{width}.png" for width in WIDTHS}


@pytest.mark.parametrize("board", ["fleet", "machine", "jewels", "watcher"])
def test_every_panel_is_drawn_and_no_text_is_cut(
    pages: str, browser: Chrome, tmp_path: Path, board: str
) -> None:
    chosen = "&var-machine=North" if board == "machine" else ""
    made = pictures(tmp_path, board)
    assert draw(browser, f"{pages}/?board={board}{chosen}", made) == []
    assert min(path.stat().st_size for path in made.values()) > 20_000
    definition = json.loads((PERSES / "dashboards" / f"{board}.json").read_text())
    text = browser.find_element("tag name", "body").text
    for panel in definition["spec"]["panels"].values():
        assert panel["spec"]["display"]["name"].replace("$machine", "North") in text
    if board == "machine":
        assert_verdict_is_read_from_afar(browser)


def assert_verdict_is_read_from_afar(browser: Chrome) -> None:
    """Letters of 15 mm are read from 3 m (common practice, no source); 96 px/in."""
    sizes: dict[str, float] = dict(
        browser.execute_script(
            """return [...document.querySelectorAll('h3')].map(
            (e) => [e.innerText, parseFloat(getComputedStyle(e).fontSize)])"""
        )
    )
    assert max(sizes, key=lambda words: sizes[words]) == "probably opened up"
    cap_height_mm = 0.7 * sizes["probably opened up"] * 25.4 / 96.0
    assert cap_height_mm > 15.0


def test_a_text_that_is_cut_would_be_found(pages: str, browser: Chrome, tmp_path: Path) -> None:
    wrong = draw(browser, f"{pages}/?board=machine&var-machine=North", {600: tmp_path / "x.png"})
    assert "600 px, cut: 'probably opened up'" in wrong

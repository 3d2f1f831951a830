"""Three months of an invented shop through register, commands and pages, in a browser."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import pytest
from selenium.webdriver import Chrome
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.cli.terminal import out
from borewarden.inspection.cautions import CAUTIONS
from borewarden.jewels.fitting import Fitting
from borewarden.lives.posterior import Conditions, learn
from borewarden.lives.records import records_of
from borewarden.lives.survival import interval, quantile
from borewarden.planning.snapshot import see_shop
from borewarden.settings.service import load_machines
from borewarden.store.database import open_store, transaction
from borewarden.store.register import record
from invented_register import AT, EXAMPLE, ROOT, SHOP, TRUTHS, write_machines, write_shop


@pytest.fixture(autouse=True)
def wide_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a table's cells stand in one line each."""
    monkeypatch.setattr(out, "_width", 240)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with six machines' files, shop.toml, and a store of three months."""
    folder = tmp_path_factory.mktemp("shop")
    write_machines(folder)
    shutil.copy(EXAMPLE, folder)
    fitted = write_shop(folder / "store.db", seed=0)
    assert len(fitted) >= 60
    return folder


def run(folder: Path, command: str, *more: str, at: str = AT) -> str:
    """What `borewarden COMMAND` prints, in one line."""
    words = [command, "--config", str(folder), "--store", str(folder / "store.db"), "--at", at]
    done = CliRunner().invoke(app, [*words, *more], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split())


def page_of(folder: Path, command: str, *more: str) -> Path:
    path = folder / "reports" / f"{command}.html"
    run(folder, command, "--report", str(path), *more)
    return path


# -- end to end


def test_three_months_through_the_register_find_the_truth(shop: Path) -> None:
    """The rubies' true median life lies within what is shown; the truth is the invented one."""
    seen = see_shop(shop, shop / "store.db", datetime.fromisoformat(AT))
    records = records_of(seen.jewels)
    assert len(records) >= 60
    assert sum(not record.ended for record in records) >= 6
    assert any(record.entry_hours > 0.0 for record in records)
    assert any(jewel.hours is None or not jewel.to_end for jewel in seen.jewels)
    usual = Conditions(tds_ppm=100.0, low_pressure_start=False)
    low, _, high = interval(quantile(learn(records).lives("ruby", usual), 0.5))
    assert low < TRUTHS["ruby"].facts()["median life"] < high
    pace = {machine.name: machine.hours_a_week for machine in seen.machines}
    for head in SHOP[:3]:
        assert pace[head.machine] == pytest.approx(head.hours_a_week, rel=0.05)


def test_life_names_lives_effects_priors_and_what_stands_behind(shop: Path) -> None:
    said = run(shop, "life", "--report", str(shop / "life.html"))
    for words in (
        "ruby",
        "Median life",
        "Fail early",
        "lost track of",
        "100 ppm more dissolved solids: life times 0.",
        "common practice, no source: 30 to 50 h",
        "Lasts 8 h more",
        "jewels have ended, on all machines",
        "are as stated, wholly or in part, not by telemetry",
    ):
        assert words in said
    text = (shop / "life.html").read_text(encoding="utf-8")
    pictures = re.findall(r"data:image/svg\+xml;base64,([^\"]+)", text)
    assert len(pictures) == 3
    first = base64.b64decode(pictures[0]).decode()
    for words in (
        "ruby: ",
        " ended, ",
        "your jewels alone",
        "records and assumptions, 90 %",
        "jet hours",
    ):
        assert words in first


def test_plan_stock_and_costs_say_what_they_rest_on(shop: Path) -> None:
    plan = run(shop, "plan")
    assert "ruby: a planned change costs 24.00 EUR, a failure 310.00 EUR" in plan
    assert re.search(r"M1, head 1 ruby 0\.254 mm \d+\.\d h", plan)
    assert "price of sapphire 16, not stated" in plan.lower()
    stock = run(shop, "stock")
    assert "The stock to hold has a 95 % chance of lasting until delivery (3 weeks)" in stock
    assert re.search(r"ruby 0\.254 mm 4 \d+ \d+ \(\d+ to \d+\)", stock)
    costs = run(shop, "costs")
    for words in ("mixing chamber", "focusing tube", "scrap", "total"):
        assert words in costs
    assert re.search(
        r"diamond, against man-made: (no clear difference .*?; )?costs (less below|more)", costs
    )


def test_shift_in_the_terminal_puts_the_cautions_first(shop: Path) -> None:
    command = [
        sys.executable, "-m", "borewarden.cli", "shift", "--config", str(shop), "--store",
        "store.db", "--at", AT, "--hours", "16",
    ]  # fmt: skip
    done = subprocess.run(command, cwd=shop, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    said = " ".join(done.stdout.split())
    assert said.index(CAUTIONS[-1]) < said.index("This shift") < said.index("M1, head 1")
    for words in (
        "Lasts 16 h more",
        "Effective bore",
        "Next planned change",
        "Stock",
        "h per week",
    ):
        assert words in said
    assert (shop / "reports" / "shift.html").stat().st_size < 200_000


def test_what_is_missing_is_said_and_the_rest_is_shown(tmp_path: Path) -> None:
    """No costs, no lead time, no register, no telemetry: what the machine file knows stands."""
    write_machines(tmp_path, [("North", "ruby")])
    with open_store(tmp_path / "store.db"):
        pass
    page = page_of(tmp_path, "shift").read_text(encoding="utf-8")
    for words in (
        "North, head 1",
        "ruby 0.254 mm",
        "not in the register, from the machine file",
        "No costs are stated",
        "No lead time is stated",
        "Not in the register: North, head 1",
        "No telemetry since the jewel was fitted: North",
        "no telemetry since it was fitted",
        "price of ruby 16, not stated",
    ):
        assert words.lower() in page.lower()
    assert "Jewels to stock" not in page
    for command in ("life", "plan", "stock", "costs"):
        assert "common practice, no source" in run(tmp_path, command)


def test_typed_text_stays_text(tmp_path: Path) -> None:
    write_machines(tmp_path, [("North", "ruby")])
    with open_store(tmp_path / "store.db") as connection, transaction(connection):
        nasty = Fitting(
            "North", "<b>1</b>", 1_772_000_000 * 10**9, 0.254e-3, "ruby", batch="[bold]K7"
        )
        record(connection, nasty, "eva")
    assert "[bold]K7" in run(tmp_path, "shift", "--report", str(tmp_path / "shift.html"))
    page = (tmp_path / "shift.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;1&lt;/b&gt;" in page
    assert "<b>1</b>" not in page
    assert "default-src 'none'" in page
    assert "<script" not in page
    assert not re.search(r"(?:href|src)=.?https?:", page)


def test_mistakes_end_with_exit_code_two_and_leave_nothing(tmp_path: Path) -> None:
    write_machines(tmp_path, [("North", "ruby")])
    words = ["shift", "--config", str(tmp_path), "--store", str(tmp_path / "none.db")]
    page = tmp_path / "shift.html"
    done = CliRunner().invoke(app, [*words, "--report", str(page)])
    assert done.exit_code == 2
    assert "no such store" in done.output
    assert list(tmp_path.glob("*.db")) == []
    assert not page.exists()
    (tmp_path / "shop.toml").write_text("[costs]\nscrap = -3\n", encoding="utf-8")
    done = CliRunner().invoke(app, [*words, "--report", str(page)])
    assert done.exit_code == 2
    assert "costs.scrap" in done.output


def test_printed_commands_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    printed = (ROOT / "docs" / "life.md").read_text(encoding="utf-8")
    _, _, block = printed.partition("<!-- life commands -->\n```sh\n")
    commands = block.partition("```")[0].splitlines()
    assert {line.split()[1] for line in commands} == {
        "replay", "shift", "life", "plan", "stock", "costs",
    }  # fmt: skip
    for name in ("config", "replay_data"):
        (tmp_path / name).symlink_to(ROOT / name)
    monkeypatch.chdir(tmp_path)
    for line in commands:
        done = CliRunner().invoke(app, line.split()[1:], catch_exceptions=False)
        assert done.exit_code == 0, done.output
    page = (tmp_path / "reports" / "shift.html").read_text(encoding="utf-8")
    for words in ("North, head 1", "Wearing", "West, head 1", "South, head 1", "no telemetry"):
        assert words in page


def test_example_register_is_what_the_import_takes() -> None:
    """Against the real reader of the register's CSV, as soon as that is there."""
    register = pytest.importorskip("borewarden.jewels.fitting_text")
    machines = load_machines(ROOT / "config").values()
    frame = register.Frame(time.time_ns(), {each.name: each.time_zone for each in machines})
    rows = register.read_csv(ROOT / "replay_data" / "register.csv", frame)
    placed = register.place_fittings({}, rows, "register.csv")
    assert len(placed.new) == 5
    assert not placed.closed
    assert all("invented" in fitting.note for _, fitting in placed.new)


# -- in a browser


@pytest.fixture(scope="module")
def pages(shop: Path) -> dict[str, Path]:
    return {name: page_of(shop, name) for name in ("shift", "life")}


@pytest.mark.parametrize("name", ["shift", "life"])
@pytest.mark.parametrize("width", [400, 1280])
def test_page_shows_without_errors_network_or_overflow(
    browser: Chrome, pages: dict[str, Path], name: str, width: int
) -> None:
    browser.get_log("browser")
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
    )
    browser.get(pages[name].as_uri())
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []
    fetched = browser.execute_script(
        "return performance.getEntriesByType('resource').map(entry => entry.name)"
    )
    assert [address for address in fetched if not address.startswith("data:")] == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.execute_script(
        "return [...document.images].every(image => image.naturalWidth > 100)"
    )
    rows = browser.find_elements("css selector", "table.stack tbody tr")
    assert len(rows) >= 6
    assert all(row.rect["width"] > 0.7 * min(width, 1000) for row in rows)
    sizes = browser.execute_script(
        "return [...document.querySelectorAll('td b, td small, li, p')]"
        ".map(place => parseFloat(getComputedStyle(place).fontSize))"
    )
    assert min(sizes) >= 13.0


BROKEN_WORDS = """
const broken = [];
for (const cell of document.querySelectorAll("td b, td small, th")) {
  const walker = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    for (const word of walker.currentNode.data.matchAll(/[^\\s-]+/g)) {
      const range = document.createRange();
      range.setStart(walker.currentNode, word.index);
      range.setEnd(walker.currentNode, word.index + word[0].length);
      const lines = new Set([...range.getClientRects()].map(box => Math.round(box.top)));
      if (lines.size > 1) broken.push(word[0]);
    }
  }
}
return broken;
"""


def test_no_word_breaks_where_there_is_no_telemetry(browser: Chrome, tmp_path: Path) -> None:
    """ "no telemetry" has to fit into the narrowest column, and the table into the window."""
    write_machines(tmp_path, [("North", "ruby"), ("South", "diamond")])
    with open_store(tmp_path / "store.db"):
        pass
    for page in (page_of(tmp_path, "shift"), page_of(tmp_path, "life")):
        for width in (320, 400, 1000, 1001, 1280):
            browser.execute_cdp_cmd(
                "Emulation.setDeviceMetricsOverride",
                {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
            )
            browser.get(page.as_uri())
            assert browser.execute_script(BROKEN_WORDS) == [], (page.name, width)
            assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_cautions_come_first_for_whoever_reads_from_the_top(
    browser: Chrome, pages: dict[str, Path]
) -> None:
    """In the order of the document, and on a narrow screen in that of the picture too."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 400, "height": 900, "deviceScaleFactor": 1, "mobile": False},
    )
    browser.get(pages["shift"].as_uri())
    cautions, to_do = (
        browser.find_element("css selector", kind).rect["y"] for kind in (".cautions", ".do")
    )
    assert cautions < to_do
    assert "lock it out" in browser.find_element("css selector", ".cautions").text


def test_shift_page_prints_on_a4(browser: Chrome, pages: dict[str, Path]) -> None:
    """Six heads with their stock: on three sheets at most, nothing cut off at the right."""
    browser.get(pages["shift"].as_uri())
    printed = browser.execute_cdp_cmd(
        "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False}
    )
    content = base64.b64decode(printed["data"])
    sheets = len(re.findall(rb"/Type\s*/Page\b", content))
    assert 1 <= sheets <= 3
    box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert box is not None
    assert [float(x) for x in box.groups()] == pytest.approx([595.0, 842.0], abs=2.0)


def test_every_command_that_sends_people_to_a_jewel_says_the_cautions_first(
    shop: Path, tmp_path: Path
) -> None:
    plan = run(shop, "plan")
    assert plan.index(CAUTIONS[-1]) < plan.index("Planned changes")
    black = tmp_path / "black.png"
    black.write_bytes(b"no picture")
    refused = CliRunner().invoke(app, ["rim", str(black)])
    assert refused.exit_code == 2
    said = " ".join(refused.output.split())
    assert said.index(CAUTIONS[1]) < said.index("can't use")

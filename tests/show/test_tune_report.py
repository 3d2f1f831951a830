"""The page of a sweep, first as a file, then as a real browser shows it."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path

import numpy as np
import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from borewarden.show.tune_report import replayed_settings, write_tune_report
from borewarden.simulate.day import Chip
from borewarden.tune.days import Wanted
from borewarden.tune.grid import candidates
from borewarden.tune.patch import diff
from borewarden.tune.sweep import sweep
from borewarden.tune.trade import weigh_settings
from borewarden.watcher.watcher import Watcher
from invented_days import FIRST, ROOT, label, logged, machine_of, shop_of

WEST = ROOT / "config" / "west.toml"
AT = dt.datetime.combine(FIRST + dt.timedelta(days=1), dt.time(8, 5))
RANGES = {"batch_time": ["10 s", "20 s", "30 s"], "smallest_step": ["3 %", "4 %", "30 %"]}


@pytest.fixture(scope="module")
def swept():
    """Two days, on the second of which a jewel chipped; a label with a tag in its note's place."""
    samples = logged("west", days=2, chips=(Chip(AT, 0.0, 0.10),))
    shop = shop_of("west", samples, Wanted(chips=20, wears=0), (label("west", AT, "chip"),))
    tried = candidates(machine_of("west"), WEST, RANGES, 100, 1)
    outcomes = sweep(shop, tried, None, 1)
    designed = [candidate.watch.false_alarm_hours for candidate in tried]
    return shop, tried, outcomes, weigh_settings(shop, outcomes, 1.0, designed)


@pytest.fixture(scope="module")
def page(swept, tmp_path_factory) -> Path:
    shop, tried, outcomes, trade = swept
    path = tmp_path_factory.mktemp("tune") / "tune.html"
    change = diff(WEST, WEST.read_text(), tried[trade.choice.number].changed)
    write_tune_report(
        "Table 2 <script>alert(1)</script>", "Europe/Vienna", shop, tried, outcomes, trade, change,
        path,
    )  # fmt: skip
    return path


# -- as a file


def data_of(page: Path):
    text = page.read_text(encoding="utf-8")
    return json.loads(re.search('id="data">(.*?)</script>', text)[1])


def test_nothing_is_fetched_and_a_name_stays_text(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert not re.search(r"<(?:link|script|img|iframe)[^>]*(?:src|href)=.?https?:", text)
    assert "default-src 'none'" in text
    assert "<script>alert(1)" not in text
    assert "Other settings would do better" in text
    assert "+batch_time = &#34;10 s&#34;" in text
    assert "No setting did significantly worse" in text


def test_side_by_side_is_what_the_watcher_gives(page: Path, swept) -> None:
    shop, tried, _, trade = swept
    data = data_of(page)
    assert data["replayed"][:2] == [0, trade.choice.number]
    assert data["replayed"] == replayed_settings(trade)
    machine = machine_of("west")
    for number in data["replayed"]:
        candidate = tried[number]
        watcher = Watcher(shop.pump, candidate.gate, machine.jewels(), candidate.watch)
        learned = watcher.learn_many(shop.samples)
        rows = learned.batches[np.isfinite(learned.batches["log_ratio"])]
        days = data["series"][str(number)]
        growth = [value for day in days for value in day["growth"]]
        assert growth == pytest.approx(100.0 * np.expm1(rows["log_ratio"]), abs=0.006)
        alerts = data["settings"][number]["alerts"]
        assert [a["state"] for a in alerts] == [a.verdict.state.value for a in learned.alerts]
        assert all(a["labelled"] and a["day"] == 1 for a in alerts)
    hours = sum(data["jetHours"])
    assert hours == pytest.approx(float(shop.jet_clock[-1]) / 3600.0, abs=0.01)


# -- in a browser


def open_page(browser, page: Path, width: int) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
    )
    browser.get(page.as_uri())
    WebDriverWait(browser, 60).until(
        lambda b: b.execute_script(
            "return [...document.querySelectorAll('.plot')]"
            ".every(plot => plot.querySelector('.main-svg'))"
        )
    )


@pytest.mark.parametrize("width", [400, 1280])
def test_page_draws_without_errors_network_or_overflow(browser, page: Path, width: int) -> None:
    browser.get_log("browser")
    open_page(browser, page, width)
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []
    fetched = browser.execute_script(
        "return performance.getEntriesByType('resource').map(entry => entry.name)"
    )
    assert [name for name in fetched if not name.startswith(("data:", "blob:"))] == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    for name in ("trade", "strip", "left-plot", "right-plot"):
        box = browser.find_element("css selector", f"#{name} .main-svg").rect
        assert box["width"] > 0.35 * min(width, 1000)
        assert box["height"] > 300
    assert len(browser.find_elements("css selector", "#trade .points path")) >= 9
    assert len(browser.find_elements("css selector", "#left-plot .points path")) > 100


def tab_to(browser, selector: str):
    for _ in range(40):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        if browser.execute_script(f"return document.activeElement.matches(`{selector}`)"):
            return browser.switch_to.active_element
    raise AssertionError(f"Tab does not reach {selector}")


def test_keyboard_alone_goes_through_settings_and_days(browser, page: Path, swept) -> None:
    open_page(browser, page, 1280)
    figures = swept[3].figures

    def picked() -> int:
        return int(Select(browser.find_element("id", "setting")).first_selected_option.text
                   .split(":")[0])  # fmt: skip

    first = picked()
    assert first == swept[3].choice.number
    tab_to(browser, "[data-step='1']").send_keys(Keys.ENTER)
    assert picked() != first
    trade = tab_to(browser, "#trade")
    trade.send_keys(Keys.ARROW_LEFT)
    assert picked() == first
    for _ in figures:
        trade.send_keys(Keys.ARROW_UP)
    seen = [picked()]
    for _ in figures:
        trade.send_keys(Keys.ARROW_RIGHT)
        seen.append(picked())
    # from the fastest to the slowest, each once, and no further
    assert sorted(set(seen)) == list(range(len(figures)))
    delays = [figures[n].median.value for n in seen]
    assert delays == sorted(delays)
    assert browser.find_element("id", "words").text == swept[1][seen[-1]].words

    title = browser.find_element("id", "left-title").text
    assert title == "0: as today"
    day = Select(browser.find_element("id", "day"))
    assert day.first_selected_option.text == str(AT.date())  # where something happened
    tab_to(browser, "[data-day='-1']").send_keys(Keys.SPACE)
    assert day.first_selected_option.text == str(FIRST)
    tab_to(browser, "#right").send_keys(Keys.ARROW_DOWN)
    right = Select(browser.find_element("id", "right")).first_selected_option.text
    assert browser.find_element("id", "right-title").text == right
    assert browser.get_log("browser") == []


def test_a_click_on_a_mark_picks_its_setting(browser, page: Path, swept) -> None:
    """With a mouse, on the mark furthest to the right."""
    open_page(browser, page, 1280)
    figures = swept[3].figures
    finite = [n for n in range(len(figures)) if np.isfinite(figures[n].median.value)]
    slowest = max(figures[n].median.value for n in finite)
    marks = browser.find_elements("css selector", "#trade .scatterlayer .points path")
    mark = max(marks, key=lambda m: m.rect["x"])
    ActionChains(browser).move_to_element(mark).pause(0.3).click().perform()
    WebDriverWait(browser, 30).until(
        lambda b: (
            figures[int(b.find_element("id", "setting").get_attribute("value"))].median.value
            == slowest
        )
    )
    picked = int(browser.find_element("id", "setting").get_attribute("value"))
    assert browser.find_element("id", "words").text == swept[1][picked].words
    said = browser.find_element("id", "figures").text
    assert f"{figures[picked].found} of {figures[picked].watched}" in said


def test_alerts_of_the_setting_picked_stand_in_the_strip(browser, page: Path) -> None:
    open_page(browser, page, 1280)
    said = browser.find_element("id", "said").text
    assert re.search(rf"{AT.date()} \d\d:\d\d:\d\d probably opened up\.", said)
    names = browser.execute_script(
        "return document.getElementById('strip').data.map(trace => trace.name)"
    )
    assert names == ["jet hours", "labelled", "probably opened up"]

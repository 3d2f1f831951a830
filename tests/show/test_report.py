"""The page, first as a file, then as a real browser shows it."""

import re
from dataclasses import replace

import numpy as np
import pytest
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.base.times import local_time
from borewarden.collect.labels import Label
from borewarden.diagnose.causes import Belief, Cause
from borewarden.gate.gate import GateSettings
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import DirectDrive, Intensifier, event_rate
from borewarden.replay.one_machine import Replayed
from borewarden.show.replay_words import evidence_lines
from borewarden.show.report import MARKER_KINDS, MOST_BINS, write_report
from borewarden.watcher.verdict import State
from borewarden.watcher.watcher import Watcher
from report_figures import figure, numbers

START_NS = 1_772_434_800 * 10**9  # 2026-03-02 07:00 UTC, 08:00 in Berlin
STEP_AT, LUNCH = 3600, slice(4800, 6300)  # s
JEWEL = Jewel(0.254e-3, "sapphire", START_NS)
INTENSIFIER = Intensifier(0.022, 0.2, 1e-5, 20.0, 1.1, 400e6, 37e3)
CRANK = DirectDrive(3, 0.0127, 0.05, 1.5e-6, 1.9, 380e6, 22e3)
PLOTS = ("pressure", "rate", "bore", "statistic", "probability")


def synthetic_day(pump=INTENSIFIER, growth=0.10, seconds=3 * 3600):
    """Hours of one steady cut with a lunch in it, whose effective area steps up after one hour."""
    rng = np.random.default_rng(5)
    second = np.arange(seconds)
    area = JEWEL.nominal_area * np.where(second < STEP_AT, 1.0, 1.0 + growth)
    if isinstance(pump, Intensifier):
        pressure = 380e6 + rng.normal(0.0, 0.5e6, seconds)
        rate = np.asarray(event_rate(pump.displacement, area, 380e6, 293.15))
    else:
        sound, opened = pump.expected_pressure(
            JEWEL.nominal_area * np.array([1.0, 1.0 + growth]), 293.15, 1.9
        )
        pressure = np.where(second < STEP_AT, sound, opened) + rng.normal(0.0, 0.5e6, seconds)
        rate = 1.9 + rng.normal(0.0, 0.002, seconds)
    pressure[LUNCH] = 0.0
    rate[LUNCH] = 0.0
    counted = np.floor(np.cumsum(rate))
    is_intensifier = isinstance(pump, Intensifier)
    flow = {"stroke_count": counted} if is_intensifier else {"rate": rate}
    samples = samples_of(
        START_NS + second * 10**9,
        pressure=pressure,
        temperature=np.full(seconds, 293.15),
        **flow,
    )
    gate = GateSettings(
        0.0, pump.max_rate, 620e6, 250e6, 20e6, uses_counter=is_intensifier,
        flow_shows_jet=is_intensifier,
    )  # fmt: skip
    watcher = Watcher(pump, gate, [JEWEL])
    learned = watcher.learn_many(samples)
    labels = [Label(START_NS + STEP_AT * 10**9, None, "chip", growth, "made <b>up</b>")]
    return Replayed(
        machine="Table 2 <script>alert(1)</script>",
        time_zone="Europe/Berlin",
        pump=pump,
        settings=watcher.settings,
        jewels=watcher.jewels,
        samples=samples,
        phases=learned.phases,
        batches=learned.batches,
        alerts=learned.alerts,
        verdict=watcher.verdict(),
        labels=labels,
        jet_hours=watcher.gate.jet_hours,
        missed_hours=watcher.gate.missed_hours,
        judged_hours=watcher.judged_hours,
        unjudged_hours=watcher.unjudged_hours,
    )


@pytest.fixture(scope="module")
def replayed():
    return synthetic_day()


@pytest.fixture(scope="module")
def page(replayed, tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "report.html"
    write_report(replayed, path)
    return path


# -- as a file


def test_the_synthetic_day_opens_the_bore(replayed):
    assert replayed.verdict.state is State.OPENED
    assert replayed.verdict.step == pytest.approx(0.10, abs=0.02)


def test_nothing_is_fetched_and_typed_text_stays_text(page):
    text = page.read_text(encoding="utf-8")
    assert not re.search(r"<(?:link|script|img|iframe)[^>]*(?:src|href)=.?https?:", text)
    assert "default-src 'none'" in text
    assert "Table 2 &lt;script&gt;" in text
    assert "<script>alert(1)" not in text
    assert "made <b>up</b>" not in text
    assert text.count("plotly.js v") == 1


def test_page_says_what_the_lead_needs(page):
    text = page.read_text(encoding="utf-8")
    for words in (
        '<html lang="en">',
        "Probably the bore, or a leak or poor feed; nothing measured here tells which",
        "Device status: failure (NE 107)",
        "Since about 2026-03-02",
        "high-pressure injection",
        "microscope",
        "Labels: what really happened",
        "Limit: area growth at which a bore counts as opened up",
    ):
        assert words in text


def test_a_gap_that_begins_with_the_pump_stopped_is_said(replayed, tmp_path):
    second = (replayed.samples.time_ns - START_NS) // 10**9
    seen = (second < 5000) | (second > 6400)  # out of the lunch, into the jet
    cut = replace(
        replayed,
        samples=Samples._make(channel[seen] for channel in replayed.samples),
        phases=replayed.phases[seen],
    )
    words = (
        "No readings: for 0.39 h in one gap from 2026-03-02 09:23 CET to 2026-03-02 09:46 CET, "
        "with the pump at work before or after. Nothing was watched meanwhile, and the jet may "
        "have been on"
    )
    assert words in evidence_lines(cut)
    assert not any(line.startswith("No readings") for line in evidence_lines(replayed))
    write_report(cut, tmp_path / "report.html")
    assert words.partition(": ")[2] in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_causes_stand_in_a_table_of_their_own(replayed, tmp_path):
    assert replayed.verdict.causes[0].cause is Cause.BORE
    causes = (
        Belief(Cause.LEAK, 0.6, ("hot <i>weep</i> line",), ("no idle flow",)),
        Belief(Cause.BORE, 0.39),
        Belief(Cause.FEED, 0.009),
    )
    verdict = replace(replayed.verdict, state=State.OTHER_FAULT, causes=causes, check="look twice")
    write_report(replace(replayed, verdict=verdict), tmp_path / "a.html")
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    head, table = text.split('<h2 id="causes">', 1)
    table = table[: table.index("</section>")]
    cells = re.findall(r'<td data-name="([^"]+)">(.*?)</td>', table)
    assert cells == [
        ("Cause", "plunger seal or check valve leaking"),
        ("Probability", "60 %"),
        ("For", "hot &lt;i&gt;weep&lt;/i&gt; line"),
        ("Against", "no idle flow"),
        ("Cause", "bore opened up"),
        ("Probability", "39 %"),
        ("For", "nothing that was measured"),
        ("Against", "nothing that was measured"),
    ]
    assert "Probably another fault: plunger seal" in head
    assert head.index("Safety first") < head.index("Look twice.")
    write_report(replace(replayed, verdict=replace(verdict, causes=())), tmp_path / "b.html")
    assert 'id="causes"' not in (tmp_path / "b.html").read_text(encoding="utf-8")


def test_only_lines_that_are_there_are_explained(replayed, tmp_path):
    legends = []
    for labels in (replayed.labels, []):
        write_report(replace(replayed, labels=labels), tmp_path / "c.html")
        text = (tmp_path / "c.html").read_text(encoding="utf-8")
        legends.append(re.findall(r"</svg>([^<]+)</span>", text))
    *usual, labels = MARKER_KINDS
    words = [kind.words for kind in usual]
    assert legends == [[*words, labels.words], words]


def test_pressure_is_thinned_out_and_loses_no_extreme(replayed, tmp_path):
    pressure = replayed.samples.pressure.copy()
    pressure[1234] = 555e6
    path = tmp_path / "report.html"
    write_report(replace(replayed, samples=replayed.samples._replace(pressure=pressure)), path)
    traces, layout = figure(path, "pressure")
    assert len(numbers(traces["mean"]["y"])) <= MOST_BINS + 100
    assert np.nanmax(numbers(traces["lowest to highest"]["y"])) == pytest.approx(555.0)
    # the axis shows local time: 08:00, not the 07:00 of UTC
    assert layout["xaxis"]["range"][0] / 3.6e6 % 24 == pytest.approx(8.0)


def test_lines_are_not_joined_over_lunch(page):
    for name, line in (
        ("rate", "seen, mean of 24 batches"),
        ("bore", "effective bore, mean of 24 batches"),
        ("bore", "stated bore"),
        ("statistic", "statistic"),
    ):
        trace = figure(page, name)[0][line]
        x, y = numbers(trace["x"]), numbers(trace["y"])
        drawn = np.isfinite(y[1:]) & np.isfinite(y[:-1])
        assert drawn.any()
        assert np.max(np.diff(x)[drawn]) < 900e3  # ms; lunch is longer


def test_bore_plot_shows_step_stated_bore_and_limit(page, replayed):
    traces, layout = figure(page, "bore")
    bore = numbers(traces["effective bore, mean of 24 batches"]["y"])
    assert np.nanmedian(bore[:50]) == pytest.approx(0.254, rel=0.005)
    assert bore[-1] == pytest.approx(0.254 * 1.1**0.5, rel=0.01)
    assert np.nanmax(numbers(traces["stated bore"]["y"])) == pytest.approx(0.254)
    assert np.nanmax(numbers(traces["limit"]["y"])) == pytest.approx(0.254 * 1.08**0.5)
    marks = {note["text"]: note["x"] for note in layout["annotations"]}
    assert set(marks) == {"alert 1", "onset found", "label: chip"}
    assert marks["label: chip"] / 3.6e6 % 24 == pytest.approx(9.0)
    assert abs(marks["onset found"] - marks["label: chip"]) < 120e3
    assert marks["alert 1"] > marks["label: chip"]
    assert len({shape["line"]["dash"] for shape in layout["shapes"]}) == 3


def test_stated_bore_follows_a_change_of_jewel(replayed, tmp_path):
    pump, changed_ns = replayed.pump, START_NS + 6600 * 10**9
    gate = GateSettings(0.0, pump.max_rate, 620e6, 250e6, 20e6, True, True)
    fitted = replace(JEWEL, bore=0.2664e-3, fitted_ns=changed_ns)
    watcher = Watcher(pump, gate, [JEWEL, fitted])
    learned = watcher.learn_many(replayed.samples)
    path = tmp_path / "report.html"
    write_report(replace(replayed, batches=learned.batches, verdict=watcher.verdict()), path)
    trace = figure(path, "bore")[0]["stated bore"]
    local_ms = changed_ns / 1e6 + 3.6e6
    x, y = numbers(trace["x"]), numbers(trace["y"])
    assert np.nanmax(np.abs(y[x < local_ms] - 0.254)) < 1e-6
    assert np.nanmax(np.abs(y[x > local_ms] - 0.2664)) < 1e-6


def test_crank_pump_shows_the_pressure_expected(tmp_path):
    path = tmp_path / "report.html"
    replayed = synthetic_day(CRANK)
    assert replayed.verdict.state is State.OPENED
    write_report(replayed, path)
    traces, _ = figure(path, "pressure")
    expected = numbers(traces["expected with a sound bore"]["y"])
    mean = numbers(traces["mean"]["y"])
    assert expected[-1] == pytest.approx(np.nanmedian(mean[:100]), rel=0.01)
    assert expected[-1] > 1.1 * mean[-1]


@pytest.mark.parametrize("count", [0, 1, 300])
def test_a_log_that_says_nothing_makes_a_page_all_the_same(replayed, tmp_path, count):
    watcher = Watcher(INTENSIFIER, GateSettings(0.0, 1.1, 620e6, 250e6, 20e6, True, True), [JEWEL])
    samples = rows(replayed.samples, 0, count)
    learned = watcher.learn_many(samples)
    path = tmp_path / "report.html"
    write_report(
        replace(
            replayed, samples=samples, phases=learned.phases, batches=learned.batches, alerts=[],
            verdict=watcher.verdict(), labels=[],
        ),
        path,
    )  # fmt: skip
    text = path.read_text(encoding="utf-8")
    assert "still learning" in text
    # what is missing stands in place of a plot, no axes without a line
    drawn = re.findall(r'<div id="(\w+)" class="plot"', text)
    assert set(drawn) <= {"pressure", "rate", "bore"}
    for name in drawn:
        traces, _ = figure(path, name)
        assert any(np.isfinite(numbers(trace["y"])).any() for trace in traces.values()), name
    assert text.count("Nothing to draw yet.") == (len(PLOTS) - len(drawn) if count else 0)
    if not drawn[1:] and count:  # nothing was judged: as of the end of the log
        assert f"<p>At {local_time(int(samples.time_ns[-1]), 'Europe/Berlin')}: " in text


# -- in a browser


def open_page(browser, page, width):
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
def test_page_draws_without_errors_network_or_overflow(browser, page, width):
    browser.get_log("browser")
    open_page(browser, page, width)
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []
    fetched = browser.execute_script(
        "return performance.getEntriesByType('resource').map(entry => entry.name)"
    )
    assert [name for name in fetched if not name.startswith(("data:", "blob:"))] == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert "Probably the bore, or a leak" in browser.find_element("tag name", "h1").text
    for name in PLOTS:
        box = browser.find_element("css selector", f"#{name} .main-svg").rect
        assert box["width"] > 0.7 * min(width, 1000)
        assert box["height"] > 200
        lines = browser.find_elements("css selector", f"#{name} .scatterlayer .js-line")
        assert any(line.get_attribute("d") for line in lines)
    names = browser.execute_script(
        "return document.getElementById('bore').data.map(trace => trace.name)"
    )
    assert {"stated bore", "limit", "± 2 standard uncertainties"} < set(names)


def test_keyboard_alone_hides_a_line_and_zooms_all_plots(browser, page):
    open_page(browser, page, 1280)

    def tab_to(selector):
        for _ in range(60):
            browser.switch_to.active_element.send_keys(Keys.TAB)
            if browser.execute_script(f"return document.activeElement.matches(`{selector}`)"):
                return browser.switch_to.active_element
        raise AssertionError(f"Tab does not reach {selector}")

    def spans():
        return browser.execute_script("return plots.map(rangeOf).map(([a, b]) => b - a)")

    whole = spans()
    assert len(whole) == len(PLOTS)
    tab_to("[data-range=closer]").send_keys(Keys.ENTER)
    WebDriverWait(browser, 30).until(lambda _: max(spans()) < 0.6 * whole[0])
    assert spans() == pytest.approx([0.5 * whole[0]] * len(PLOTS), rel=1e-3)

    tab_to("[data-plot=bore][data-trace='4']").send_keys(Keys.SPACE)
    visible = "return document.getElementById('bore').data[4].visible"
    WebDriverWait(browser, 30).until(lambda b: b.execute_script(visible) is False)


def test_zoom_of_one_plot_moves_the_others(browser, page):
    open_page(browser, page, 1280)
    browser.execute_script(
        "Plotly.relayout('bore', {'xaxis.range': ['2026-03-02 08:30', '2026-03-02 09:30:30.5']})"
    )
    eight_thirty = 1_772_440_200_000.0  # local wall-clock time read as if it were UTC
    WebDriverWait(browser, 30).until(
        lambda b: b.execute_script("return plots.every(p => rangeOf(p)[0] === arguments[0])",
                                   eight_thirty)
    )  # fmt: skip

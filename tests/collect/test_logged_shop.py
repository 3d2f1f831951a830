"""Logs in a shop's own form: what can't be used is named with file, line and column."""

from __future__ import annotations

import datetime as dt
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from borewarden.base.errors import BadInput, LogNote
from borewarden.base.samples import Channel
from borewarden.collect.layout import Layout
from borewarden.collect.logged import LogFormat, read_log
from shop_logs import xlsx

PRESSURE = Channel("p", "bar", 1e5, 0.0, -1e8, 5e8)
COUNT = Channel("n", "counts")
GOOD = "t;p;n\n17.03.2026 06:00:00;3.800,5;10\n17.03.2026 06:00:01;3.801,5;11\n"
GERMAN: dict[str, Any] = {
    "separator": ";", "decimal": ",", "thousands": ".", "time_format": "%d.%m.%Y %H:%M:%S",
}  # fmt: skip


def form(**layout: Any) -> LogFormat:
    channels = {"pressure": PRESSURE, "stroke_count": COUNT}
    return LogFormat("t", "Europe/Vienna", channels, None, 4e8, Layout(**{**GERMAN, **layout}))


def log(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "day.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_signs_and_times_are_read_as_stated(tmp_path: Path) -> None:
    samples = read_log(log(tmp_path, GOOD), form())
    np.testing.assert_allclose(samples.pressure, [3800.5e5, 3801.5e5])
    six = int(dt.datetime(2026, 3, 17, 5, tzinfo=dt.UTC).timestamp()) * 10**9
    assert samples.time_ns.tolist() == [six, six + 10**9]


@pytest.mark.parametrize(
    ("text", "layout", "where", "says"),
    [
        (GOOD.replace("3.801,5", "38O1"), {}, "line 3, column 'p'",
         ["'38O1' is not a number", "comma"]),
        (GOOD.replace("3.801,5", "38.01,5"), {}, "line 3, column 'p'", ["three digits"]),
        (GOOD.replace("3.801,5", "3801.5"), {"thousands": ""}, "line 2, column 'p'", ["a point"]),
        (GOOD.replace("17.03.2026 06:00:01", "17.13.2026 06:00:01"), {}, "line 3, column 't'",
         ["not a time of the form"]),
        (GOOD.replace("06:00:01", "05:00:01"), {}, "line 3", ["goes back"]),
        (GOOD + "17.03.2026 06:00:02;1\n", {}, "line 4", ["2 fields", "3 fields of the header"]),
        (GOOD, {"skip": 1}, "line 2", ["column 't' is missing"]),
        (GOOD, {"skip": 9}, "file", ["no rows"]),
        (GOOD, {"skip_below": 5}, "file", ["only a header"]),
        ("", {}, "file", ["empty"]),
        (GOOD.replace("t;p;n", "t;p;p"), {}, "line 1", ["'p' is there twice"]),
        (GOOD, {"separator": "|"}, "line 1", ["column 't' is missing"]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(
    text: str, layout: dict[str, Any], where: str, says: list[str], tmp_path: Path
) -> None:
    path = log(tmp_path, text)
    with pytest.raises(BadInput) as caught:
        read_log(path, form(**layout))
    bad = caught.value
    assert bad.file == str(path)
    assert bad.where == where
    assert all(word in f"{bad.wrong} {bad.right}" for word in says), (bad.wrong, bad.right)


def test_another_encoding_is_named_with_its_line(tmp_path: Path) -> None:
    path = log(tmp_path, GOOD.replace("06:00:01", "06:00:01ü"), "cp1252")
    with pytest.raises(BadInput, match=r"line 3: is not utf-8 text.*encoding"):
        read_log(path, form())


def test_row_of_a_sheet_is_named_as_the_spreadsheet_counts(tmp_path: Path) -> None:
    path = tmp_path / "day.xlsx"
    time, later = dt.datetime(2026, 3, 17, 6), dt.datetime(2026, 3, 17, 6, 0, 1)
    lines = [["title"], [], ["t", "p", "n"], [time, 3800.0, 1], [later, "off", 2]]
    path.write_bytes(xlsx({"Log": lines}))
    with pytest.raises(BadInput, match="row 5, column 'p'"):
        read_log(path, form(time_format="", skip=2))


TAGS = "tag;t;value;quality\np;17.03.2026 06:00:00;3.800,5;Good\nn;17.03.2026 06:00:00;10;Good\n"


@pytest.mark.parametrize(
    ("text", "where", "says"),
    [
        (TAGS.replace("n;", "m;"), "column 'tag'", "'n' is missing"),
        (TAGS + "n;17.03.2026 05:00:00;11;Good\n", "line 4", "goes back"),
        (TAGS + "n;17.03.2026 06:00:01;x;Good\n", "line 4, column 'value'", "'x' is not a number"),
    ],
)
def test_tag_exports_name_the_line_too(text: str, where: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput) as caught:
        read_log(log(tmp_path, text), form(tag="tag", value="value", quality="quality"))
    assert (caught.value.where, says in caught.value.wrong) == (where, True)


def test_reading_of_bad_quality_is_missing(tmp_path: Path) -> None:
    text = TAGS + "p;17.03.2026 06:00:01;0;Bad\nn;17.03.2026 06:00:01;11;Good\n"
    layout = {"tag": "tag", "value": "value", "quality": "quality", "hold": 60.0}
    samples = read_log(log(tmp_path, text), form(**layout))
    np.testing.assert_allclose(samples.pressure, [3800.5e5, np.nan])
    assert samples.stroke_count.tolist() == [10, 11]


def test_clock_past_midnight_is_the_next_day(tmp_path: Path) -> None:
    text = "t;p;n\n23:59:59;3.800,5;10\n00:00:00;3.801,5;11\n"
    layout = {"time_format": "%H:%M:%S", "zero": dt.datetime(2026, 3, 17)}
    samples = read_log(log(tmp_path, text), form(**layout))
    assert np.diff(samples.time_ns).tolist() == [10**9]


def test_hour_that_comes_twice_is_told_by_the_order(tmp_path: Path) -> None:
    rows = [f"25.10.2026 {hour}:{minute}:00;3.800,5;10" for hour, minute in
            (("02", "30"), ("02", "50"), ("02", "10"), ("03", "10"))]  # fmt: skip
    samples = read_log(log(tmp_path, "t;p;n\n" + "\n".join(rows) + "\n"), form())
    assert (np.diff(samples.time_ns) // (60 * 10**9)).tolist() == [20, 20, 60]


def test_tag_with_two_values_at_one_time_is_said(tmp_path: Path) -> None:
    """The same value again is nothing to speak of."""
    layout = {"tag": "tag", "value": "value", "quality": "quality"}
    again = "p;17.03.2026 06:00:00;3.800,5;Good\n"
    text = TAGS.replace("n;17", f"{again}n;17", 1)
    with warnings.catch_warnings():
        warnings.simplefilter("error", LogNote)
        read_log(log(tmp_path, text), form(**layout))
    other = TAGS.replace("n;17", f"{again.replace('3.800', '3.999')}n;17", 1)
    with pytest.warns(LogNote, match="line 3: 1 row has the time of the row before"):
        read_log(log(tmp_path, other), form(**layout))

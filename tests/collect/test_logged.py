"""Reading logs and labels: normal days exactly, malformed ones with a message that helps.

All files are invented here.
"""

from __future__ import annotations

import gzip
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from borewarden.base.errors import BadInput
from borewarden.base.samples import Channel
from borewarden.collect.columns import Table, numbers, steady_ns, times_ns
from borewarden.collect.labels import labels_path, read_labels
from borewarden.collect.logged import LogFormat, read_log
from borewarden.collect.logged_csv import careful_columns, plain_columns

RATED = 400e6
PRESSURE = Channel("p_bar", "bar", 1e5, 0.0, -1e8, 1.25 * RATED)
CHANNELS = {
    "pressure": PRESSURE,
    "stroke_count": Channel("strokes", "counts", 1.0),
    "temperature": Channel("water_c", "degC", 1.0, 273.15, 272.0, 335.0),
}
FORMAT = LogFormat("time", "Europe/Vienna", CHANNELS, None, RATED)
HEADER = "time,p_bar,strokes,water_c"
GOOD = (
    "2026-03-02T06:00:00,3800,10,20",
    "2026-03-02T06:00:01,3801,11,20.5",
    "2026-03-02T06:00:02,3802,11,21",
)
SIX = int(datetime(2026, 3, 2, 5, tzinfo=UTC).timestamp()) * 10**9  # 06:00 in Vienna


def csv_file(folder: Path, *lines: str, header: str = HEADER) -> Path:
    path = folder / "day.csv"
    path.write_text("\n".join((header, *lines)) + "\n", encoding="utf-8")
    return path


def parquet_file(folder: Path, **columns: object) -> Path:
    path = folder / "day.parquet"
    pq.write_table(pa.table(columns), path)
    return path


def seconds(samples_time: np.ndarray) -> list[float]:
    return [float(t) for t in (samples_time - samples_time[0]) * 1e-9]


# -- normal days


def test_reads_a_plain_day_exactly(tmp_path: Path) -> None:
    samples = read_log(csv_file(tmp_path, *GOOD), FORMAT)
    np.testing.assert_array_equal(samples.time_ns, SIX + np.arange(3) * 10**9)
    assert samples.time_ns.dtype == np.int64
    np.testing.assert_array_equal(samples.pressure, np.array([3800, 3801, 3802]) * 1e5)
    np.testing.assert_array_equal(samples.stroke_count, [10, 11, 11])
    np.testing.assert_array_equal(samples.temperature, np.array([20, 20.5, 21]) + 273.15)
    assert np.isnan(samples.rate).all()
    assert np.isnan(samples.valve).all()
    assert all(channel.shape == (3,) for channel in samples)


def test_empty_cells_infinities_and_gaps_are_normal(tmp_path: Path) -> None:
    samples = read_log(
        csv_file(
            tmp_path,
            "2026-03-02T06:00:00,3800,,20",
            "2026-03-02T06:00:01,,11,",
            "2026-03-02T09:00:00,inf,12,-inf",
            "2026-03-02T09:00:01,NaN,13,20",
        ),
        FORMAT,
    )
    np.testing.assert_array_equal(samples.pressure, [3.8e8, np.nan, np.nan, np.nan])
    np.testing.assert_array_equal(samples.stroke_count, [np.nan, 11, 12, 13])
    np.testing.assert_array_equal(samples.temperature, [293.15, np.nan, np.nan, 293.15])
    assert seconds(samples.time_ns) == [0, 1, 10800, 10801]


def test_a_number_beyond_all_floats_is_unknown(tmp_path: Path) -> None:
    lines = [GOOD[0], GOOD[1].replace("3801", "1" + "0" * 310), GOOD[2]]
    samples = read_log(csv_file(tmp_path, *lines), FORMAT)
    np.testing.assert_array_equal(samples.pressure, [3.8e8, np.nan, 3.802e8])


def test_repeated_times_keep_the_first(tmp_path: Path) -> None:
    lines = [GOOD[0], GOOD[1], GOOD[1].replace("3801", "3900"), GOOD[2]]
    samples = read_log(csv_file(tmp_path, *lines), FORMAT)
    np.testing.assert_array_equal(samples.pressure, np.array([3800, 3801, 3802]) * 1e5)


def test_header_with_bom_spaces_more_columns_and_blank_lines(tmp_path: Path) -> None:
    path = csv_file(
        tmp_path,
        "",
        '"a, b",3800,2026-03-02T06:00:00,7,10,20',
        "",
        "c, 3801 ,2026-03-02T06:00:01,8,11,20",
        header="\ufeffnote, p_bar ,time,more,strokes,water_c",
    )
    np.testing.assert_array_equal(read_log(path, FORMAT).pressure, [3.8e8, 3.801e8])


def test_a_broken_water_sensor_is_unknown_not_hot(tmp_path: Path) -> None:
    lines = [GOOD[0], GOOD[1].replace("20.5", "850"), GOOD[2].replace("21", "-200")]
    samples = read_log(csv_file(tmp_path, *lines), FORMAT)
    np.testing.assert_array_equal(samples.temperature, [293.15, np.nan, np.nan])


def test_a_single_glitch_of_pressure_is_left_to_the_gate(tmp_path: Path) -> None:
    lines = [GOOD[0], GOOD[1].replace("3801", "65535"), GOOD[2]]
    assert read_log(csv_file(tmp_path, *lines), FORMAT).pressure[1] == pytest.approx(6.5535e9)


def test_constant_rate_fills_an_unlogged_crank_speed(tmp_path: Path) -> None:
    form = LogFormat("time", "UTC", {"pressure": PRESSURE}, 5.0, RATED)
    np.testing.assert_array_equal(read_log(csv_file(tmp_path, *GOOD), form).rate, [5.0] * 3)
    low = [line.replace(",38", ",0") for line in GOOD]  # a pump out of use all day
    np.testing.assert_array_equal(read_log(csv_file(tmp_path, *low), form).rate, [5.0] * 3)


@pytest.mark.parametrize("name", ["day.csv.gz", "DAY.CSV"])
def test_other_suffixes(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    text = "\n".join((HEADER, *GOOD)).encode()
    path.write_bytes(gzip.compress(text) if name.endswith("gz") else text)
    np.testing.assert_array_equal(read_log(path, FORMAT).time_ns, SIX + np.arange(3) * 10**9)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("2026-03-02T06:00:00", "2026-03-02T06:00:00.5"),
        ("2026-03-02 06:00:00.000", "2026-03-02 06:00:00.500"),
        ("2026-03-02T05:00:00Z", "2026-03-02T05:00:00.5Z"),
        ("2026-03-02T06:00:00+01:00", "2026-03-02T00:00:00.5-0500"),
        ("1772427600", "1772427600.5"),
    ],
)
def test_ways_to_write_a_time(tmp_path: Path, first: str, second: str) -> None:
    path = csv_file(tmp_path, f"{first},3800,1,20", f"{second},3800,1,20")
    np.testing.assert_array_equal(read_log(path, FORMAT).time_ns, [SIX, SIX + 500_000_000])


def test_autumn_hour_that_comes_twice_is_told_by_the_order(tmp_path: Path) -> None:
    times = [
        "2025-10-26T01:30:00",
        "2025-10-26T02:00:00",
        "2025-10-26T02:30:00",
        "2025-10-26T02:30:00",
        "2025-10-26T02:00:00",
        "2025-10-26T02:30:00",
        "2025-10-26T03:00:00",
    ]
    path = csv_file(tmp_path, *(f"{t},3800,{i},20" for i, t in enumerate(times)))
    samples = read_log(path, FORMAT)
    start = int(datetime(2025, 10, 25, 23, 30, tzinfo=UTC).timestamp())
    np.testing.assert_array_equal(samples.time_ns, (start + np.arange(6) * 1800) * 10**9)
    np.testing.assert_array_equal(samples.stroke_count, [0, 1, 2, 4, 5, 6])


def test_spring_day_has_23_hours(tmp_path: Path) -> None:
    path = csv_file(tmp_path, "2026-03-29T01:59:59,3800,1,20", "2026-03-29T03:00:00,3800,2,20")
    assert seconds(read_log(path, FORMAT).time_ns) == [0, 1]


@pytest.mark.parametrize(
    "times",
    [
        pd.to_datetime(["2026-03-02 06:00:00", "2026-03-02 06:00:01"]),
        pd.to_datetime(["2026-03-02 05:00:00", "2026-03-02 05:00:01"]).tz_localize("UTC"),
        pd.to_datetime(["2026-03-02 06:00:00", "2026-03-02 06:00:01"]).as_unit("ms"),
        ["2026-03-02T06:00:00", "2026-03-02T06:00:01"],
        pa.array(["2026-03-02T06:00:00", "2026-03-02T06:00:01"]).dictionary_encode(),
        [1772427600, 1772427601],
        [1772427600.0, 1772427601.0],
    ],
)
def test_parquet_times_of_every_kind(tmp_path: Path, times: object) -> None:
    path = parquet_file(
        tmp_path, time=times, p_bar=[3800, None], strokes=[1, 2], water_c=pa.array([20.0, 21.0])
    )
    samples = read_log(path, FORMAT)
    np.testing.assert_array_equal(samples.time_ns, [SIX, SIX + 10**9])
    np.testing.assert_array_equal(samples.pressure, [3.8e8, np.nan])


def test_parquet_written_by_pandas_with_the_time_as_index(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {"p_bar": [3800.0, 3801.0], "strokes": [1, 2], "water_c": [20.0, 20.0]},
        index=pd.Index(pd.to_datetime(["2026-03-02 06:00", "2026-03-02 06:01"]), name="time"),
    )
    frame.to_parquet(tmp_path / "day.parquet")
    np.testing.assert_array_equal(
        read_log(tmp_path / "day.parquet", FORMAT).time_ns, [SIX, SIX + 60 * 10**9]
    )


def test_parquet_decimals_and_a_boolean_valve(tmp_path: Path) -> None:
    form = LogFormat(
        "time",
        "UTC",
        {"pressure": PRESSURE, "valve": Channel("open", "0 or 1", low=0.0, high=1.0)},
        None,
        RATED,
    )
    pressure = pa.array([3800, 3801]).cast(pa.decimal128(25, 2))
    path = parquet_file(tmp_path, time=[1772427600, 1772427601], p_bar=pressure, open=[True, False])
    samples = read_log(path, form)
    np.testing.assert_array_equal(samples.pressure, [3.8e8, 3.801e8])
    np.testing.assert_array_equal(samples.valve, [1.0, 0.0])


# -- the quick way and the careful one


PLACES = [0, 1, 2, 3]


@pytest.mark.parametrize(
    "text",
    [
        "\n".join((HEADER, *GOOD)),
        "\r\n".join((HEADER, *GOOD, "")),
        "\n".join(("\ufeff" + HEADER, "", *GOOD, "", "")),
        "\n".join((HEADER, *(line.replace(",", "+01:00,", 1) for line in GOOD))),
        "\n".join((HEADER, *(line.replace(",", ".0000001Z,", 1) for line in GOOD))),
        f"{HEADER}\n1772427600,3800,10,20\n1772427600.5,3801,10,20\n",
        f"{HEADER}\n{GOOD[0]},\n".replace("20,", "") + "2026-03-02T06:00:01,NaN,,\n",
        f"{HEADER},note\n{GOOD[0]},Düse\n",
    ],
)
def test_what_loggers_write_goes_the_quick_way(text: str) -> None:
    content = text.encode()
    fields = text.splitlines()[0].count(",") + 1
    quick = plain_columns(content, 1, fields, PLACES)
    assert quick is not None
    assert_same(quick, careful_columns(Path("day.csv"), content, fields, PLACES))


def assert_same(quick: dict[int, pd.Series], careful: dict[int, pd.Series]) -> None:
    """The same times and the same floats, to the last bit."""
    for place in PLACES:
        tables = [Table(Path("day.csv"), {"x": way[place]}, b"") for way in (quick, careful)]
        if place == 0:
            one, other = (times_ns(table, "x", "Europe/Vienna") for table in tables)
        else:
            one, other = (numbers(table, "x", False) + 0.0 for table in tables)
        assert one.tobytes() == other.tobytes()


STARTS = st.datetimes(datetime(1999, 12, 30), datetime(2100, 1, 3))
FORMS = st.sampled_from(
    ["%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%dT%H:%M",
     "%Y-%m-%dT%H:%M:%S.%f+05:30", "%Y-%m-%d %H:%M:%S-0800", "%Y-%m-%dT%H+01", "%Y-%m-%d"]
)  # fmt: skip
READINGS = st.one_of(
    st.floats().map(repr),
    st.floats(-1e4, 1e4).map(lambda x: f"{x:.2f}"),
    st.integers(-(10**22), 10**22).map(str),
    st.from_regex(r"[+-]?[0-9]{0,25}\.?[0-9]{0,25}([eE][+-]?[0-9]{1,3})?", fullmatch=True),
    st.sampled_from(
        ["", " 20", "20 ", "\t20", "NA", "nan", "NAN", "iNf", "-0", "007", "0x1F", "true"]
    ),
)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(start=STARTS, form=FORMS, rows=st.lists(st.tuples(*[READINGS] * 3), min_size=1, max_size=4))
def test_both_ways_give_the_same_bits(
    start: datetime, form: str, rows: list[tuple[str, ...]]
) -> None:
    times = [(start + timedelta(seconds=i)).strftime(form) for i in range(len(rows))]
    lines = [",".join((time, *row)) for time, row in zip(times, rows, strict=True)]
    content = "\n".join((HEADER, *lines, "")).encode()
    quick = plain_columns(content, 1, 4, PLACES)
    event(f"quick: {quick is not None}")
    if quick is not None:
        assert_same(quick, careful_columns(Path("day.csv"), content, 4, PLACES))


@settings(deadline=None)
@given(
    start=STARTS.filter(lambda time: 2000 < time.year < 2099),
    days=st.integers(0, 200),
    time_zone=st.sampled_from(
        ["Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "UTC"]
    ),
)
def test_steady_clocks_read_as_pandas_reads_them(
    start: datetime, days: int, time_zone: str
) -> None:
    stamps = pd.Series([start, start + timedelta(days=days)])
    local = steady_ns(stamps, time_zone)
    if local is not None:  # raises if the clock skipped one of them, or showed it twice
        expected = stamps.dt.tz_localize(time_zone, ambiguous="raise", nonexistent="raise")
        assert local.tolist() == [stamp.value for stamp in expected]


def test_clocks_that_change_are_not_steady() -> None:
    for start in ("2026-03-28T12:00", "2026-10-24T12:00"):
        stamps = pd.Series(pd.to_datetime([start, start])) + pd.to_timedelta(["0h", "18h"])
        assert steady_ns(stamps, "Europe/Vienna") is None
        assert steady_ns(stamps, "UTC") is not None


# -- malformed logs: what is in the file, where the message points, what it says


BAD_CSV = [
    ("", "file", ["empty"]),
    (" \n\n", "file", ["empty"]),
    (f"{HEADER}\n", "file", ["only a header"]),
    ("time,pbar,strokes,water_c\n1772427600,1,1,1\n", "line 1", ["'p_bar'", "mean 'pbar'"]),
    ("when,x\n1772427600,1\n", "line 1", ["'time' is missing", "there are when, x"]),
    (
        "time;p_bar;strokes;water_c\n2026-03-02T06:00:00;3800,5;1;20\n",
        "line 1",
        ["'time' is missing", "commas"],
    ),
    ("time,p_bar,p_bar,strokes,water_c\n1,1,1,1,1\n", "line 1", ["'p_bar' is there twice"]),
    (
        f"{HEADER}\n{GOOD[0]}\n\n2026-03-02T06:00:01,high,11,20\n",
        "line 4, column 'p_bar'",
        ["'high' is not a number", "decimal point"],
    ),
    (
        f'{HEADER}\n{GOOD[0]}\n2026-03-02T06:00:01,"3800,5",11,20\n',
        "line 3, column 'p_bar'",
        ["'3800,5' is not a number", "decimal point"],
    ),
    (
        f"{HEADER}\n{GOOD[0]}\n{GOOD[1]}x\n",
        "line 3, column 'water_c'",
        ["'20.5x' is not a number"],
    ),
    (
        f"{HEADER}\n2026-03-02T06:00:00,true,1,20\n",
        "line 2, column 'p_bar'",
        ["'True' is not a number"],
    ),
    (f"{HEADER}\n{GOOD[0]}\n2026-03-02T06:0", "line 3", ["too few fields", "half written"]),
    (f"{HEADER}\n{GOOD[0]}\n{GOOD[1]}\0\0\0", "line 3", ["NUL"]),
    (f"{HEADER}\n{GOOD[0]}\n{GOOD[1]},7,8\n{GOOD[2]}\n", "line 3", ["6 fields", "the 4 fields"]),
    (f"{HEADER}\n{GOOD[0]},7\n{GOOD[1]},7\n", "line 2", ["5 fields", "the 4 fields"]),
    (f'{HEADER}\n{GOOD[0]}\n"{GOOD[1]}\n', "line 3", ["a quote that is never closed"]),
    (
        f"{HEADER}\n{GOOD[0]}\nyesterday,3800,11,20\n{GOOD[2]}\n",
        "line 3, column 'time'",
        ["'yesterday' is not a time", "ISO 8601"],
    ),
    (
        f"{HEADER}\n02.03.2026 06:00:00,3800,11,20\n",
        "line 2, column 'time'",
        ["'02.03.2026 06:00:00' is not a time", "ISO 8601"],
    ),
    (
        f"{HEADER}\n{GOOD[0]}\n2026-02-30T06:00:00,3800,11,20\n",
        "line 3, column 'time'",
        ["'2026-02-30T06:00:00' is not a time"],
    ),
    (
        f"{HEADER}\n{GOOD[0]}\n,3800,11,20\n",
        "line 3, column 'time'",
        ["time is missing"],
    ),
    (
        f"{HEADER}\n{GOOD[0]}\n2026-03-02T06:00:01Z,3800,11,20\n",
        "line 2, column 'time'",
        ["no offset"],
    ),
    (
        f"{HEADER}\n1772427600000,3800,11,20\n",
        "line 2, column 'time'",
        ["outside 2000 to 2100", "milliseconds"],
    ),
    (
        f"{HEADER}\n1970-01-01T00:00:00,3800,11,20\n",
        "line 2, column 'time'",
        ["outside 2000 to 2100"],
    ),
    (
        f"{HEADER}\n9999-01-01T00:00:00,3800,11,20\n",
        "line 2, column 'time'",
        ["time"],
    ),
    (f"{HEADER}\ntrue,3800,11,20\n", "line 2, column 'time'", ["not a time"]),
    (f"{HEADER}\n{GOOD[0]}\nnow,3800,11,20\n", "line 3, column 'time'", ["'now' is not a time"]),
    (f"{HEADER}\n{GOOD[0]}\nNaT,3800,11,20\n", "line 3, column 'time'", ["'NaT' is not a time"]),
    (f"{HEADER}\n\x0b\n{GOOD[0]}\n", "line 2, column 'time'", ["is not a time"]),
    (f'{HEADER}\n""\n{GOOD[0]}\n', "line 2, column 'time'", ["time is missing"]),
    (f",,,\n{HEADER}\n{GOOD[0]}\n", "line 1", ["no column has a name", "first line"]),
    (
        f"{HEADER}\n{GOOD[0]}\n{GOOD[2]}\n{GOOD[1]}\n",
        "line 4",
        ["back from 2026-03-02T06:00:02+01:00 to 2026-03-02T06:00:01+01:00", "sort"],
    ),
    (
        f"{HEADER}\n1772427601,3800,1,20\n1772427600,3800,1,20\n",
        "line 3",
        ["back from 2026-03-02T06:00:01+01:00 to 2026-03-02T06:00:00+01:00"],
    ),
    (
        f"{HEADER}\n2026-03-29T01:59:59,3800,1,20\n2026-03-29T02:30:00,3800,1,20\n",
        "line 3, column 'time'",
        ["2026-03-29 02:30:00 was skipped", "offset"],
    ),
    (
        f"{HEADER}\n2025-10-26T01:00:00,3800,1,20\n2025-10-26T02:30:00,3800,1,20\n",
        "line 3, column 'time'",
        ["2025-10-26 02:30:00 came twice", "offset"],
    ),
    (
        f"{HEADER}\n2026-03-02T06:00:00,38000,1,20\n2026-03-02T06:00:01,38001,1,20\n",
        "column 'p_bar'",
        ["reaches 3800 MPa read as bar", "rated 400 MPa", "unit right"],
    ),
    (
        f"{HEADER}\n2026-03-02T06:00:00,38,1,20\n2026-03-02T06:00:01,38,2,20\n",
        "column 'p_bar'",
        ["stays below 3.8", "MPa read as bar", "rated 400 MPa", "unit right"],
    ),
    (
        f"{HEADER}\n2026-03-02T06:00:00,-3800,1,20\n2026-03-02T06:00:01,-3800,2,20\n",
        "column 'p_bar'",
        ["lies within -380 MPa", "unit right"],
    ),
    (
        f"{HEADER}\n2026-03-02T06:00:00,3800,1,70\n2026-03-02T06:00:01,3800,1,71\n",
        "column 'water_c'",
        ["lies within 70 °C and 70 °C read as degC", "unit right"],
    ),
    (
        f"{HEADER}\n2026-03-02T06:00:00,,1,20\n2026-03-02T06:00:01,inf,1,20\n",
        "column 'p_bar'",
        ["no pressure in the whole file"],
    ),
]


@pytest.mark.parametrize(("text", "where", "says"), BAD_CSV)
def test_malformed_csv(tmp_path: Path, text: str, where: str, says: list[str]) -> None:
    path = tmp_path / "day.csv"
    path.write_text(text, encoding="utf-8")
    assert_bad(path, FORMAT, where, says)


def assert_bad(path: Path, form: LogFormat, where: str, says: list[str]) -> None:
    with pytest.raises(BadInput) as caught:
        read_log(path, form)
    assert caught.value.file == str(path)
    assert caught.value.where == where
    for words in says:
        assert words in str(caught.value)
    assert caught.value.right


def test_a_rate_in_strokes_per_minute_read_as_hertz(tmp_path: Path) -> None:
    rate = Channel("rate", "Hz", 1.0, 0.0, 0.0, 3.0)
    form = LogFormat("time", "UTC", {"pressure": PRESSURE, "rate": rate}, None, RATED)
    path = csv_file(
        tmp_path, "1772427600,3800,0", "1772427601,3800,22", "1772427602,3800,22",
        header="time,p_bar,rate",
    )  # fmt: skip
    assert_bad(path, form, "column 'rate'", ["reaches 1320 /min read as Hz", "unit right"])


@pytest.mark.parametrize(
    ("name", "content", "where", "says"),
    [
        ("day.xlsx", b"PK", "file", ["not a spreadsheet", "save it anew"]),
        ("day.json", b"{}", "file name", ["'.json'", ".csv, .csv.gz or .parquet"]),
        ("day", b"x", "file name", ["no suffix", ".parquet"]),
        ("day.parquet", b"", "file", ["empty"]),
        ("day.parquet", b"PAR1 and then the power went", "file", ["half written", "footer"]),
        ("day.csv.gz", b"no gzip", "file", ["broken or half written"]),
        (
            "day.csv.gz",
            gzip.compress("\n".join((HEADER, *GOOD)).encode(), mtime=0)[:-12],
            "file",
            ["broken or half written"],
        ),
        ("day.csv.gz", gzip.compress(b"", mtime=0), "file", ["empty"]),
        ("day.csv", b"time,p_bar\n2026,3\xb0\n", "line 2", ["UTF-8"]),
        ("day.csv", "time,p_bar\n2026,3\n".encode("utf-16"), "line 1", ["UTF-16"]),
        ("day.csv", b"\xef\xbb\xbf", "file", ["empty"]),
    ],
)
def test_files_that_are_no_log(
    tmp_path: Path, name: str, content: bytes, where: str, says: list[str]
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert_bad(path, FORMAT, where, says)


@pytest.mark.parametrize("name", ["day.csv", "day.csv.gz", "day.parquet"])
def test_no_such_file_and_a_folder(tmp_path: Path, name: str) -> None:
    assert_bad(tmp_path / name, FORMAT, "file", ["there is no such file"])
    (tmp_path / name).mkdir()
    assert_bad(tmp_path / name, FORMAT, "file", ["directory"])


TEXTS = pa.array([b"20", b"20\xff"])
NO_UTF8 = pa.Array.from_buffers(pa.string(), 2, TEXTS.buffers())
FINE = {"time": [1772427600, 1772427601], "p_bar": [3800, 3801], "strokes": [1, 2]}


@pytest.mark.parametrize(
    ("columns", "where", "says"),
    [
        ({"water_C": [20, 20]}, "columns", ["'water_c' is missing", "mean 'water_C'"]),
        ({"water_c": ["20", "warm"]}, "row 2, column 'water_c'", ["'warm' is not a number"]),
        ({"water_c": [20, 20], "time": ["x", "y"]}, "row 1, column 'time'", ["'x' is not a time"]),
        (
            {"water_c": [20, 20], "time": [1772427601, 1772427600]},
            "row 2",
            ["back from 2026-03-02T06:00:01+01:00"],
        ),
        ({"water_c": [20, 20], "time": [1772427601, None]}, "row 2, column 'time'", ["missing"]),
        ({"water_c": [[1], [2]]}, "row 1, column 'water_c'", ["is not a number"]),
        (
            {"water_c": [20, 20], "time": pa.array([0, 2**62], pa.timestamp("us"))},
            "row 1, column 'time'",
            ["1970-01-01", "outside 2000 to 2100"],
        ),
        (
            {"water_c": [20, 20], "time": pa.array([-(2**62)] * 2, pa.timestamp("ms"))},
            "row 1, column 'time'",
            ["outside 2000 to 2100"],
        ),
        ({"water_c": NO_UTF8}, "file", ["broken"]),
    ],
)
def test_malformed_parquet(
    tmp_path: Path, columns: dict[str, object], where: str, says: list[str]
) -> None:
    assert_bad(parquet_file(tmp_path, **{**FINE, **columns}), FORMAT, where, says)


def test_parquet_without_rows_and_truncated(tmp_path: Path) -> None:
    path = parquet_file(tmp_path, **{k: pa.array([], pa.float64()) for k in (*FINE, "water_c")})
    assert_bad(path, FORMAT, "file", ["no samples"])
    path = parquet_file(tmp_path, **FINE, water_c=[20, 20])
    path.write_bytes(path.read_bytes()[:-20])
    assert_bad(path, FORMAT, "file", ["half written"])


# -- labels


def test_labels(tmp_path: Path) -> None:
    path = tmp_path / "day.labels.csv"
    path.write_text(
        "time,end,event,area_change,note\n"
        "2026-03-02T06:00:00,,chip,0.08,invented\n"
        '2026-03-02T05:00:00Z,2026-03-02T07:00:00,none,,"quiet, all day"\n'
    )
    first, second = read_labels(path, "Europe/Vienna")
    assert (first.start_ns, first.end_ns, first.event) == (SIX, None, "chip")
    assert first.area_change == 0.08
    assert (second.start_ns, second.end_ns) == (SIX, SIX + 3600 * 10**9)
    assert np.isnan(second.area_change)
    assert second.note == "quiet, all day"


LABEL_HEADER = "time,end,event,area_change,note"


@pytest.mark.parametrize(
    ("text", "where", "says"),
    [
        ("", "file", ["empty", LABEL_HEADER]),
        ("time,end,evnt,area_change,note\n", "line 1", ["'event' is missing", "mean 'evnt'"]),
        (f"{LABEL_HEADER}\n2026-03-02T06:00:00,,chipp,,\n", "line 2, column 'event'", ["'chip'?"]),
        (
            f"{LABEL_HEADER}\n2026-03-02T06:00:00,,,,\n",
            "line 2, column 'event'",
            ["known are chip"],
        ),
        (f"{LABEL_HEADER}\n,,chip,,\n", "line 2, column 'time'", ["time is missing", "ISO"]),
        (
            f"{LABEL_HEADER}\nsoon,,chip,,\n",
            "line 2, column 'time'",
            ["'soon' is not a time", "ISO"],
        ),
        (
            f"{LABEL_HEADER}\n1026-03-02,,chip,,\n",
            "line 2, column 'time'",
            ["outside 2000 to 2100"],
        ),
        (
            f"{LABEL_HEADER}\n2026-03-29T02:30:00,,chip,,\n",
            "line 2, column 'time'",
            ["skipped"],
        ),
        (
            f"{LABEL_HEADER}\n2026-03-02T06:00,2026-03-02T05:00,chip,,\n",
            "line 2, column 'end'",
            ["ends before it starts"],
        ),
        (
            f"{LABEL_HEADER}\n2026-03-02T06:00,,chip,8 %,\n",
            "line 2, column 'area_change'",
            ["'8 %'", "0.08 for 8 %"],
        ),
        (f"{LABEL_HEADER}\n2026-03-02T06:00,,chip,80,\n", "line 2, column 'area_change'", ["'80'"]),
        (f"{LABEL_HEADER}\n2026-03-02T06:00,,chip\n", "line 2", ["3 fields", "5 fields"]),
        (
            f"{LABEL_HEADER}\n2026-03-02T06:00,,chip,,a,b\n",
            "line 2",
            ["6 fields", "5 fields", "quote"],
        ),
        ("\xe9".encode("latin-1"), "file", ["UTF-8"]),
    ],
)
def test_malformed_labels(tmp_path: Path, text: str | bytes, where: str, says: list[str]) -> None:
    path = tmp_path / "day.labels.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(BadInput) as caught:
        read_labels(path, "Europe/Vienna")
    assert (caught.value.file, caught.value.where) == (str(path), where)
    for words in says:
        assert words in str(caught.value)


def test_no_labels_file(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="there is no such file"):
        read_labels(tmp_path / "x.labels.csv", "UTC")
    with pytest.raises(BadInput, match="directory"):
        read_labels(tmp_path, "UTC")


@pytest.mark.parametrize("name", ["x.csv", "x.csv.gz", "x.parquet"])
def test_labels_path(name: str) -> None:
    assert labels_path(Path("logs") / name) == Path("logs/x.labels.csv")


# -- whatever else may be in a file


FUZZ = settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def nothing_but_bad_input(path: Path) -> None:
    with suppress(BadInput):
        samples = read_log(path, FORMAT)
        assert (np.diff(samples.time_ns) > 0).all()
    with suppress(BadInput):
        read_labels(path, "Europe/Vienna")


@FUZZ
@given(content=st.binary(max_size=300), name=st.sampled_from(["f.csv", "f.csv.gz", "f.parquet"]))
def test_random_bytes_raise_nothing_but_bad_input(
    tmp_path: Path, content: bytes, name: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    nothing_but_bad_input(path)


CELLS = st.sampled_from(
    ["", "3800", "20", "1e999", "-1", "nan", '"', '"a', ",", "\n", "\r", "2026-03-29T02:30:00", "Z",
     "2025-10-26T02:10:00", "2026-03-02", "T", "0x10", "1_000", "99999999999999999999", "é", "\0",
     "2026-03-02T06:00:00+99:00", "true", "#", ";", "+01:00", "1772427600"]
)  # fmt: skip


@FUZZ
@given(
    cuts=st.lists(st.tuples(st.integers(0, 140), st.integers(0, 12), CELLS), max_size=5),
    rows=st.lists(st.lists(CELLS, min_size=1, max_size=5), max_size=4),
    labels=st.booleans(),
)
def test_mutated_csv_raises_nothing_but_bad_input(
    tmp_path: Path, cuts: list[tuple[int, int, str]], rows: list[list[str]], labels: bool
) -> None:
    text = "\n".join((LABEL_HEADER if labels else HEADER, *GOOD, *(",".join(row) for row in rows)))
    for start, length, cell in cuts:
        text = text[:start] + cell + text[start + length :]
    path = tmp_path / "f.csv"
    path.write_text(text, encoding="utf-8", newline="")
    nothing_but_bad_input(path)

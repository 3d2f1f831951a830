"""Logs in a shop's own form: cells become times and numbers by what [log] states of them.

Channels may have times of their own: in tag exports, where each row is one value, in logs with a
time beside each value, and where an empty cell means that the value still stands. Each such channel
is a stream, and `collect.standing` makes rows of them.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from borewarden.base.errors import BadInput
from borewarden.base.files import LARGEST_LOG, check_file, read_file, unpacked
from borewarden.base.samples import Channel
from borewarden.collect.columns import (
    Table,
    find_columns,
    in_order,
    numbers,
    say_conflicts,
    switched,
    times_ns,
)
from borewarden.collect.layout import (
    BLANKS,
    NAMELESS,
    SINCE,
    Cells,
    Layout,
    decoded,
    kind_of,
    sheet_of,
    split_text,
)
from borewarden.collect.logged_parquet import read_parquet
from borewarden.collect.standing import Stream, rows_of

NOTHING = ("", "NA", "N/A", "NULL", "NaN", "None", "n/a", "nan", "null")
LENGTHS = {
    "100 ns": 100, "ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9, "min": 60 * 10**9,
    "h": 3600 * 10**9, "days": 86_400 * 10**9,
}  # fmt: skip
# ns from 1970 to the epochs; days of a spreadsheet are local, the rest is UTC
EPOCHS = {
    "1601": -11_644_473_600 * 10**9, "1904": -2_082_844_800 * 10**9,
    "1899-12-30": -2_209_161_600 * 10**9, "1970": 0,
}  # fmt: skip
ON_OFF = "on or off"
HALF_DAY = np.timedelta64(12, "h")


def read_shop_log(
    path: Path, time_column: str, time_zone: str, channels: Mapping[str, Channel], layout: Layout
) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]:
    """Times in ns since 1970 UTC, in order, and the readings as printed, NaN where missing.

    Raises BadInput for whatever can't be used, with the row and column.
    """
    if layout.tag is not None or layout.hold is not None or layout.times:
        streams = streams_of(path, time_column, time_zone, channels, layout)
        holds = None
        if layout.hold is not None:
            holds = {name: layout.holds.get(name, layout.hold) for name in channels}
        return rows_of(streams, holds, layout.every)
    wanted = [channel.column for channel in channels.values()]
    clock = [layout.clock] if layout.clock else []
    table = shop_table(path, list(dict.fromkeys([time_column, *wanted, *clock])), layout)
    times = _times(table, time_column, time_zone, layout)
    kept = in_order(table, times, time_zone)
    values = {
        name: numbers_of(table, channel, layout, name.startswith("valve"))
        for name, channel in channels.items()
    }
    say_conflicts(table, kept, values.values())
    return times[kept], {name: each[kept] for name, each in values.items()}


def streams_of(
    path: Path,
    time_column: str,
    time_zone: str,
    channels: Mapping[str, Channel],
    layout: Layout,
) -> dict[str, Stream]:
    """Each channel with its own times, only what is there. Raises BadInput.

    Keys of `channels` may be any names here; those of the unit ON_OFF may be words, as valves are.
    """
    if layout.tag is not None:
        assert layout.value is not None
        columns = [time_column, layout.tag, layout.value]
        columns += [layout.quality] if layout.quality else []
    else:
        own = [layout.times.get(name, time_column) for name in channels]
        columns = [*own, *(channel.column for channel in channels.values())]
    columns += [layout.clock] if layout.clock else []
    table = shop_table(path, list(dict.fromkeys(columns)), layout)
    if layout.tag is not None:
        parts = _by_tag(table, channels, layout)
    else:
        parts = {name: _given(table, channel.column) for name, channel in channels.items()}
    streams = {}
    for name, part in parts.items():
        channel = channels[name]
        is_switch = name.startswith("valve") or channel.unit == ON_OFF
        if layout.value is not None:
            channel = Channel(layout.value, channel.unit)
        values = numbers_of(part, channel, layout, is_switch)
        time = layout.times.get(name, time_column)
        streams[name] = _stream(part, time, time_zone, layout, values)
    return streams


def shop_table(path: Path, columns: Sequence[str], layout: Layout) -> Table:
    """The `columns` of a file, unparsed, oldest row first. Raises BadInput."""
    kind = kind_of(path)
    if kind == "parquet":
        check_file(path, "give a logged file")
        table = read_parquet(path, list(columns))
        places = list(range(1, len(table.columns[columns[0]]) + 1))
        word = "row"
        found = table.columns
    else:
        word = "row" if kind == "book" else "line"
        cells = cells_of(path, layout)
        found, places = _named_columns(path, cells, columns, layout, word)
    if layout.newest_first:
        found = {name: series[::-1].reset_index(drop=True) for name, series in found.items()}
        places = places[::-1]
    return Table(path, found, None, (word, places))


def cells_of(path: Path, layout: Layout) -> Cells:
    """All rows of a text file or a sheet. Raises BadInput."""
    if kind_of(path) == "book":
        return sheet_of(path, layout.sheet)
    content = file_content(path)
    if not content or content.isspace():
        raise BadInput(path, "file", "the file is empty", "give a log with samples")
    text = decoded(path, content, layout.encoding)
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise BadInput(
            path, f"line {line}", "NUL bytes: half written, or another encoding",
            'copy the file anew, or state encoding = "utf-16" in [log]',
        )  # fmt: skip
    return split_text(path, text, layout.separator)


def file_content(path: Path) -> bytes:
    """The bytes of a file, unpacked where its name ends with .gz. Raises BadInput."""
    content = read_file(path, "give a logged file", LARGEST_LOG)
    return unpacked(path, content) if path.name.lower().endswith(".gz") else content


def _named_columns(
    path: Path, cells: Cells, columns: Sequence[str], layout: Layout, word: str
) -> tuple[dict[str, pd.Series[Any]], list[int]]:
    """The `columns` by their names, and the number of each row in the file."""
    above = sum(1 for place in cells.places if place <= layout.skip)
    rows, places = cells.rows[above:], cells.places[above:]
    if layout.skip_end:
        rows, places = rows[: -layout.skip_end], places[: -layout.skip_end]
    if not rows:
        raise BadInput(path, "file", "there are no rows", "check skip and skip_end in [log]")
    if layout.header:
        header, line = rows[0], places[0]
        below = sum(1 for place in places if place <= line + layout.skip_below)
        rows, places = rows[below:], places[below:]
    else:
        header, line = [NAMELESS.format(at) for at in range(1, len(rows[0]) + 1)], places[0]
    find_columns(path, f"{word} {line}", header, columns)
    again = [at for at, row in enumerate(rows) if row == header]  # each time the logger starts
    for at in reversed(again):
        del rows[at], places[at]
    for row, place in zip(rows, places, strict=True):
        if len(row) != len(header) and (word == "line" or any(row[len(header) :])):
            wrong = f"{len(row)} field{'s' * (len(row) != 1)}"
            right = f"every {word} has to have the {len(header)} fields of the header"
            raise BadInput(path, f"{word} {place}", wrong, right)
    if not rows:
        raise BadInput(path, "file", "there is only a header", "give a log with samples")
    found = {
        name: pd.Series([row[at] if at < len(row) else "" for row in rows], dtype=object)
        for name, at in ((name, header.index(name)) for name in columns)
    }
    return found, places


# -- streams


def _by_tag(table: Table, channels: Mapping[str, Channel], layout: Layout) -> dict[str, Table]:
    """The rows of each channel's tag."""
    tags = table.columns[layout.tag or ""].astype("str")
    there = list(dict.fromkeys(tags))
    for channel in channels.values():
        if channel.column not in there:
            near = difflib.get_close_matches(channel.column, there, n=1, cutoff=0.4)
            right = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(there[:20])}"
            where = f"column {layout.tag!r}"
            raise BadInput(table.path, where, f"tag {channel.column!r} is missing", right)
    return {
        name: _part(table, np.flatnonzero((tags == channel.column).to_numpy()))
        for name, channel in channels.items()
    }


def _given(table: Table, column: str) -> Table:
    """The rows that have something in the column."""
    series = table.columns[column]
    given = series.notna() & (series.astype("str") != "")
    return _part(table, np.flatnonzero(given.to_numpy()))


def _part(table: Table, at: NDArray[np.int64]) -> Table:
    assert table.places is not None
    word, places = table.places
    columns = {name: series.iloc[at].reset_index(drop=True) for name, series in
               table.columns.items()}  # fmt: skip
    return Table(table.path, columns, None, (word, [places[row] for row in at]))


def _stream(
    table: Table, time: str, time_zone: str, layout: Layout, values: NDArray[np.float64]
) -> Stream:
    """The `values` with the times of their rows; those of a bad quality are missing."""
    if not len(values):
        return Stream(np.empty(0, dtype=np.int64), values)
    times = _times(table, time, time_zone, layout)
    if layout.quality is not None:
        quality = table.columns[layout.quality].astype("str")
        values = np.where(quality.isin(layout.good).to_numpy(), values, np.nan)
    kept = in_order(table, times, time_zone, same_is_odd=False)
    say_conflicts(table, kept, [values])
    return Stream(times[kept], values[kept])


# -- numbers


def numbers_of(
    table: Table, channel: Channel, layout: Layout, is_valve: bool = False
) -> NDArray[np.float64]:
    """A column as floats, NaN where empty or marked as missing. Raises BadInput."""
    column = channel.column
    series = table.columns[column]
    if series.dtype != object and not pd.api.types.is_string_dtype(series.dtype):
        found = numbers(table, column, is_valve)
        marks = [float(mark) for mark in layout.missing if _is_number(mark)]
        return np.where(np.isin(found, marks), np.nan, found) if marks else found
    text = series.fillna("").astype("str").str.strip()
    text = text.mask(text.isin((*NOTHING, *layout.missing)))
    if is_valve:
        text = switched(text)
    if channel.unit:
        text = text.str.removesuffix(channel.unit).str.strip()
    plain = _plain(table, column, text, layout)
    return numbers(
        Table(table.path, {column: plain}, None, table.places, decimal=layout.decimal),
        column,
        False,
    )


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _plain(table: Table, column: str, text: pd.Series[Any], layout: Layout) -> pd.Series[Any]:
    """Numbers as text with a decimal point and no thousands signs. Raises BadInput."""
    point, signs = layout.decimal, BLANKS.get(layout.thousands, layout.thousands)
    if signs:
        grouped = text.str.contains(f"[{re.escape(signs)}]", regex=True, na=False)
        right = rf"[-+]?\d{{1,3}}(?:[{re.escape(signs)}]\d{{3}})+(?:{re.escape(point)}\d*)?"
        odd = grouped & ~text.str.fullmatch(right, na=False)
        if odd.any():
            row = int(np.flatnonzero(odd.to_numpy())[0])
            raise BadInput(
                table.path,
                table.where(row, column),
                f"{text.iloc[row][:60]!r}: a thousands sign has to have three digits behind it",
                "check decimal and thousands in [log]",
            )
        text = text.str.replace(f"[{re.escape(signs)}]", "", regex=True)
    if point == ".":
        return text
    odd = text.str.contains(".", regex=False, na=False)
    if odd.any() and (not table.places or table.places[0] == "line"):
        row = int(np.flatnonzero(odd.to_numpy())[0])
        raise BadInput(
            table.path,
            table.where(row, column),
            f"{text.iloc[row][:60]!r} has a point, the decimal sign is {point!r}",
            "check decimal and thousands in [log]",
        )
    return text.str.replace(point, ".", regex=False)


# -- times


def _times(table: Table, column: str, time_zone: str, layout: Layout) -> NDArray[np.int64]:
    """The times of a column, by `layout`, in ns since 1970 UTC."""
    series = table.columns[column]
    if layout.time_format == "" and layout.clock is None and layout.zero is None:
        if series.dtype == object:
            number = pd.to_numeric(series, errors="coerce")
            series = number if number.notna().all() else series
        return times_ns(Table(table.path, {column: series}, None, table.places), column, time_zone)
    stamps = time_stamps(table, column, layout)
    return times_ns(Table(table.path, {column: stamps}, None, table.places), column, time_zone)


def time_stamps(table: Table, column: str, layout: Layout) -> pd.Series[Any]:
    """The times of a column as `layout` says: with a zone where that is known, else local."""
    series = table.columns[column]
    since = SINCE.fullmatch(layout.time_format)
    if since is not None:
        return _counted(table, column, since[1], since[2], layout.zero)
    text = series.astype("str").str.strip()
    if layout.clock is not None:
        text = text + " " + table.columns[layout.clock].astype("str").str.strip()
    pattern = layout.time_format
    if layout.zero is not None:
        return _time_of_day(table, column, text, pattern, layout.zero)
    return _by_pattern(table, column, text, pattern)


def _by_pattern(table: Table, column: str, text: pd.Series[Any], pattern: str) -> pd.Series[Any]:
    """Text as times; each may have a fraction of the second or not."""
    aware = "%z" in pattern
    given = pattern or "ISO8601"
    stamps = pd.to_datetime(text, format=given, errors="coerce", utc=aware)
    if pattern.endswith("%S") and stamps.isna().any():
        finer = pd.to_datetime(text, format=f"{pattern}.%f", errors="coerce", utc=aware)
        stamps = stamps.fillna(finer)
    bad = np.flatnonzero(stamps.isna().to_numpy())
    if len(bad):
        row = int(bad[0])
        raise BadInput(
            table.path,
            table.where(row, column),
            f"{text.iloc[row][:60]!r} is not a time of the form {pattern or 'ISO 8601'}",
            "check time_format in [log]",
        )
    return stamps


def _time_of_day(
    table: Table, column: str, text: pd.Series[Any], pattern: str, day: dt.datetime
) -> pd.Series[Any]:
    """Times of day from `day` on: where the clock goes far back, the next day begins."""
    date = day.strftime("%Y-%m-%d")
    stamps = _by_pattern(table, column, f"{date} " + text, f"%Y-%m-%d {pattern or '%H:%M:%S'}")
    steps = np.diff(stamps.to_numpy())
    days = np.concatenate(([0], np.cumsum(steps < -HALF_DAY)))
    return stamps + pd.to_timedelta(days, unit="D")


def _counted(
    table: Table, column: str, unit: str, epoch: str, start: dt.datetime | None
) -> pd.Series[Any]:
    """Counts of a unit of time since an epoch as times, to the microsecond."""
    number = pd.to_numeric(table.columns[column].astype("str").str.replace(",", "."),
                           errors="coerce")  # fmt: skip
    bad = np.flatnonzero(number.isna().to_numpy())
    if len(bad):
        row = int(bad[0])
        raise BadInput(
            table.path,
            table.where(row, column),
            f"{str(table.columns[column].iloc[row])[:60]!r} is not a count of {unit}",
            "check time_format in [log]",
        )
    length = LENGTHS[unit]
    zero = pd.Timestamp(start).value if epoch == "start" and start else EPOCHS[epoch]
    counts = number.to_numpy()
    whole = counts.astype(np.int64)  # a whole number of ticks is too long for a float
    rest = counts - whole
    whole = whole + zero // length
    whole[np.abs(whole) > 2**62 // length] = 0  # far from our days, as the check finds
    nanoseconds = whole * length + zero % length
    nanoseconds += np.rint(rest * length / 1000.0).astype(np.int64) * 1000
    if unit == "days":  # a spreadsheet's float holds no more than this
        nanoseconds = (nanoseconds + 500_000) // 1_000_000 * 1_000_000
    stamps = pd.Series(nanoseconds.view("datetime64[ns]"))
    aware = start.tzinfo is not None if epoch == "start" and start else epoch in ("1601", "1970")
    return stamps.dt.tz_localize("UTC") if aware else stamps

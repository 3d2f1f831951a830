"""Columns of a log as numbers and times, and where in the file a bad cell is.

A clean column takes a handful of vectorised calls; only when one of them fails is the row looked
for that the message has to name. Rows of a CSV file are counted as lines of the file, from one,
with the header; rows of a Parquet file from one.
"""

from __future__ import annotations

import csv
import difflib
import io
import warnings
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import compute

from borewarden.base.errors import BadInput, LogNote
from borewarden.base.times import EARLIEST, LATEST, iso_time, steady_offset_ns

OFFSET = r"[T ].*(?:[Zz]|[+-]\d\d(?::?\d\d)?)\s*$"  # of an ISO 8601 time
ON = ("on", "open", "true", "yes", "ein", "auf")
OFF = ("off", "closed", "false", "no", "aus", "zu")
_SIGNS = {".": "point", ",": "comma"}
LONGEST_GAP = 366 * 86_400 * 10**9  # ns; a longer one in one file is a clock gone wrong
_NS = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}


@dataclass(frozen=True)
class Table:
    """The columns asked for, and how to find a row of them again in the file."""

    path: Path
    columns: dict[str, pd.Series[Any]]  # each of shape (n,), counted from 0
    text: bytes | None  # of a CSV file
    places: tuple[str, Sequence[int]] | None = None  # "line" or "row", and the number of each
    decimal: str = "."

    def where(self, row: int, column: str | None = None) -> str:
        """'line 12, column 'x'' of the data row `row`, which counts from 0."""
        if self.places is not None:
            place = f"{self.places[0]} {self.places[1][row]}"
        else:
            place = f"row {row + 1}" if self.text is None else f"line {self._line(row)}"
        return place if column is None else f"{place}, column {column!r}"

    def _line(self, row: int) -> int:
        # read like pandas does: blank lines are no rows, quoted line ends are no lines
        assert self.text is not None
        reader = csv.reader(io.StringIO(self.text.decode("utf-8-sig"), newline=""))
        data_rows = -2
        line = 0
        with suppress(csv.Error):  # a cell of a size that this reader does not take
            for fields in reader:
                line = reader.line_num
                if is_blank(fields):
                    continue
                data_rows += 1
                # pandas' parser splits where the csv module might not: never past the end
                if data_rows == row:
                    break
        return max(line, reader.line_num)


def is_blank(fields: Sequence[str]) -> bool:
    """Whether `fields` are those of a blank line, which counts as no row; `""` is a row."""
    return not fields or (len(fields) == 1 and fields[0] != "" and not fields[0].strip(" \t"))


def find_columns(path: Path, where: str, there: Sequence[str], wanted: Sequence[str]) -> None:
    """Raise BadInput unless each `wanted` column is `there` once; `where` they are named."""
    for column in wanted:
        if there.count(column) > 1:
            raise BadInput(path, where, f"column {column!r} is there twice", "rename one of them")
        if column in there:
            continue
        if not any(there):
            raise BadInput(path, where, "no column has a name", "name them in the first line")
        right = f"there are {', '.join(name[:60] for name in there[:20])}"
        if len(there) > 20:
            right += f" and {len(there) - 20} more"
        near = difflib.get_close_matches(column, there, n=1, cutoff=0.4)
        if len(there) == 1 and any(separator in there[0] for separator in ";\t| "):
            right += "; separate the columns by commas and write decimals with a point"
        elif near:
            right += f"; did you mean {near[0]!r}?"
        elif any(name.replace(".", "", 1).isdigit() for name in there):
            right += "; the first line has to name the columns"
        raise BadInput(path, where, f"column {column!r} is missing", right)


# -- numbers


def numbers(table: Table, column: str, may_be_bool: bool) -> NDArray[np.float64]:
    """The column as floats, shape (n,), NaN where empty or infinite; not to be written to."""
    series = table.columns[column]
    is_time = series.dtype.kind in "mM"  # which pandas would count in ns
    if is_time or (pd.api.types.is_bool_dtype(series.dtype) and not may_be_bool):
        series = series.astype("str")
    if not pd.api.types.is_numeric_dtype(series.dtype):
        if may_be_bool:
            series = switched(series)
        series = _parse_numbers(table, column, series)
    values = np.asarray(series.to_numpy(dtype=np.float64, na_value=np.nan))
    infinite = np.isinf(values)
    return np.where(infinite, np.nan, values) if infinite.any() else values


def switched(series: pd.Series[Any]) -> pd.Series[Any]:
    """A column with 1 and 0 in place of the words that a valve's signal has for on and off."""
    words = series.astype("str").str.strip().str.lower()
    return series.mask(words.isin(ON), "1").mask(words.isin(OFF), "0")


def _parse_numbers(table: Table, column: str, series: pd.Series[Any]) -> pd.Series[Any]:
    try:
        parsed = pd.to_numeric(series, errors="coerce")
    except OverflowError:  # a whole number beyond all floats: infinite, as it is with a point
        parsed = pd.to_numeric(series.astype("str"), errors="coerce")
    bad = np.flatnonzero((parsed.isna() & series.notna()).to_numpy())
    if len(bad) or not pd.api.types.is_numeric_dtype(parsed.dtype):
        row = int(bad[0]) if len(bad) else 0
        raise BadInput(
            table.path,
            table.where(row, column),
            f"{str(series.iloc[row])[:60]!r} is not a number",
            f"give a number with a decimal {_SIGNS[table.decimal]}, or leave the cell empty",
        )
    return parsed


# -- times


def times_ns(table: Table, column: str, time_zone: str) -> NDArray[np.int64]:
    """The time column in ns since 1970 UTC, shape (n,)."""
    series = table.columns[column]
    if series.hasnans:
        row = int(np.flatnonzero(series.isna().to_numpy())[0])
        _bad_time(table, column, row, "the time is missing")
    if pd.api.types.is_datetime64_any_dtype(series.dtype):
        stamps = series
    elif pd.api.types.is_bool_dtype(series.dtype):
        _bad_time(table, column, 0, f"{series.iloc[0]!r} is not a time")
    elif pd.api.types.is_numeric_dtype(series.dtype):
        return _epoch_ns(table, column, series.to_numpy(dtype=np.float64))
    else:
        stamps = _parse(table, column, series.astype("str"))
    if stamps.dt.tz is None:
        times = steady_ns(stamps, time_zone)
        if times is not None:
            return times
        # clocks far from our days can't be set to a zone
        _check_days(table, column, stamps.dt.tz_localize("UTC"), pd.Timedelta(days=1))
        stamps = _localize(table, column, stamps, time_zone)
    _check_days(table, column, stamps, pd.Timedelta(0))
    stamps = stamps.dt.tz_convert("UTC").dt.as_unit("ns")
    nanoseconds: NDArray[np.int64] = stamps.to_numpy(dtype="datetime64[ns]").view(np.int64)
    return nanoseconds


def _check_days(table: Table, column: str, stamps: pd.Series[Any], margin: pd.Timedelta) -> None:
    """BadInput for the first of `stamps` that is not within 2000 to 2100, give or take `margin`."""
    earliest, latest = (pd.Timestamp(end, tz="UTC") for end in (EARLIEST, LATEST))
    outside = (stamps < earliest - margin) | (stamps > latest + margin)
    if outside.any():
        row = int(np.flatnonzero(outside.to_numpy())[0])
        cell = table.columns[column].iloc[row]
        _bad_time(table, column, row, f"{cell} is outside 2000 to 2100; check the clock")


def steady_ns(stamps: pd.Series[Any], time_zone: str) -> NDArray[np.int64] | None:
    """Naive local times as ns since 1970 UTC; None where the clocks need a closer look."""
    local = stamps.to_numpy()
    scale = _NS[np.datetime_data(local.dtype)[0]]
    counts = local.view(np.int64)
    first, last = int(counts.min()) * scale, int(counts.max()) * scale
    day = 86_400 * 10**9
    if not (EARLIEST + day <= first and last <= LATEST - day):
        return None
    offset = steady_offset_ns(first, last, time_zone)
    if offset is None:
        return None
    nanoseconds = counts * scale
    nanoseconds -= offset
    return nanoseconds


def _bad_time(table: Table, column: str, row: int, wrong: str) -> NoReturn:
    raise BadInput(
        table.path,
        table.where(row, column),
        wrong,
        "give ISO 8601 such as 2026-03-02T06:00:00, or seconds since 1970",
    )


def _epoch_ns(table: Table, column: str, seconds: NDArray[np.float64]) -> NDArray[np.int64]:
    good = (seconds >= EARLIEST * 1e-9) & (seconds <= LATEST * 1e-9)
    if not good.all():
        row = int(np.flatnonzero(~good)[0])
        wrong = f"{table.columns[column].iloc[row]} s since 1970 is outside 2000 to 2100"
        for factor, unit in ((1e-3, "milli"), (1e-6, "micro"), (1e-9, "nano")):
            if EARLIEST * 1e-9 <= seconds[row] * factor <= LATEST * 1e-9:
                wrong += f" (are they {unit}seconds?)"
        if 36_526 <= seconds[row] <= 73_050:  # 2000 to 2099 in days since 1899-12-30
            wrong += " (are they a spreadsheet's days?)"
        _bad_time(table, column, row, wrong)
    whole = np.floor(seconds)
    # a float of this size holds microseconds, the digits below are noise
    micro = np.rint((seconds - whole) * 1e6)
    return whole.astype(np.int64) * 1_000_000_000 + micro.astype(np.int64) * 1000


def _parse(table: Table, column: str, text: pd.Series[Any]) -> pd.Series[Any]:
    """ISO 8601 text as timestamps, in UTC if it has offsets, else naive."""
    cells = pa.array(text, pa.large_string())
    offsets = _matches(cells, OFFSET)
    utc = bool(offsets.any())
    if utc and not offsets.all():
        row = int(np.flatnonzero(~offsets)[0])
        wrong = f"{text.iloc[row][:60]!r} has no offset from UTC, other times have"
        _bad_time(table, column, row, wrong)
    dates = _matches(cells, r"^\s*\d")  # pandas takes "now" too, and "NaT"
    try:
        if dates.all():
            return pd.to_datetime(text, format="ISO8601", utc=utc)
        row = int(np.flatnonzero(~dates)[0])
    except (ValueError, OverflowError):
        row = next((i for i, cell in enumerate(text) if _has_offset(cell) is not utc), 0)
    _bad_time(table, column, row, f"{text.iloc[row][:60]!r} is not a time")


def _matches(cells: pa.Array, pattern: str) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = compute.match_substring_regex(cells, pattern).to_numpy(
        zero_copy_only=False
    )
    return found


def _has_offset(text: str) -> bool | None:
    """Whether pandas reads an offset from UTC; None if it reads no time at all."""
    try:
        return pd.to_datetime(text, format="ISO8601").tzinfo is not None
    except (ValueError, OverflowError):
        return None


def _localize(table: Table, column: str, stamps: pd.Series[Any], time_zone: str) -> pd.Series[Any]:
    """Naive local times with their zone; the hour that comes twice is told by the order."""
    # repeated times say nothing of the order, and would disturb it
    first = stamps.ne(stamps.shift()).to_numpy()
    distinct = stamps[first]
    try:
        local = distinct.dt.tz_localize(time_zone, ambiguous="infer", nonexistent="raise")
    except (ValueError, OverflowError):
        as_summer = distinct.dt.tz_localize(
            time_zone, ambiguous=np.ones(len(distinct), dtype=bool), nonexistent="NaT"
        )
        skipped = np.flatnonzero(as_summer.isna().to_numpy())
        if len(skipped):
            row = int(np.flatnonzero(first)[skipped[0]])
            raise BadInput(
                table.path,
                table.where(row, column),
                f"{stamps.iloc[row]} was skipped by the clocks of {time_zone}",
                "is the time zone right? else log times with an offset from UTC",
            ) from None
        unclear = distinct.dt.tz_localize(time_zone, ambiguous="NaT", nonexistent="NaT").isna()
        row = int(np.flatnonzero(first)[np.flatnonzero(unclear.to_numpy())[0]])
        raise BadInput(
            table.path,
            table.where(row, column),
            f"{stamps.iloc[row]} came twice that day in {time_zone}, the order doesn't tell which",
            "log times with an offset from UTC",
        ) from None
    repeated: pd.Series[Any] = local.iloc[np.cumsum(first) - 1].reset_index(drop=True)
    return repeated


# -- order


def in_order(
    table: Table, times: NDArray[np.int64], time_zone: str, same_is_odd: bool = True
) -> NDArray[np.bool_] | slice:
    """Which rows do not repeat the time before. Raises BadInput where time goes back, and for
    times that are all the same, unless that is not odd.
    """
    if np.all(times[1:] > times[:-1]) and times[-1] - times[0] <= LONGEST_GAP:
        return slice(None)
    steps = np.diff(times)
    for odd, what, right in (
        (steps < 0, "goes back", "sort the rows by time, and give files of different clocks apart"),
        (steps > LONGEST_GAP, "jumps by more than a year", "give each year's log apart"),
    ):
        if odd.any():
            row = int(np.flatnonzero(odd)[0]) + 1
            before, after = (iso_time(int(t), time_zone) for t in times[row - 1 : row + 1])
            raise BadInput(
                table.path, table.where(row), f"the time {what} from {before} to {after}", right
            )
    if same_is_odd and len(times) > 1 and not steps.any():
        raise BadInput(
            table.path,
            table.where(1),
            f"every row has the same time, {iso_time(int(times[0]), time_zone)}",
            "log date and time of day, to the second, in one column",
        )
    return np.concatenate(([True], steps > 0))


def say_conflicts(
    table: Table, kept: NDArray[np.bool_] | slice, values: Iterable[NDArray[np.float64]]
) -> None:
    """Warn of rows that were dropped for their time, and have other `values` than the one kept."""
    if isinstance(kept, slice):
        return
    first = np.maximum.accumulate(np.where(kept, np.arange(len(kept)), 0))
    differs = np.zeros(len(kept), dtype=np.bool_)
    for each in values:
        differs |= (each != each[first]) & ~(np.isnan(each) & np.isnan(each[first]))
    rows = np.flatnonzero(differs)
    if len(rows):
        what = "row has" if len(rows) == 1 else "rows have"
        warnings.warn(
            f"{table.path}, {table.where(int(rows[0]))}: {len(rows)} {what} the time of the row "
            "before and other readings; the first of each counts",
            LogNote,
            stacklevel=2,
        )

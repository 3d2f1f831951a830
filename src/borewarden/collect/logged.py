"""Logged days from CSV or Parquet files, and the labels that people wrote beside them.

A clean file is read by a handful of vectorised calls; only when one of them fails is the row
looked for that the message has to name. Rows of a CSV file are counted as lines of the file, from
one, with the header; rows of a Parquet file from one.
"""

from __future__ import annotations

import csv
import difflib
import gzip
import io
import math
import re
import warnings
import zlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from borewarden.base.errors import BadInput
from borewarden.base.files import check_file, read_file
from borewarden.model.gate import Samples, samples_of

EVENTS = (
    "chip",
    "wear",
    "jewel changed",
    "none",
    "leak",
    "second head",
    "blocked",
    "transducer",
    "feed",
    "slip",
    "bypass",
    "other bore",
    "tube wear",
)
LABEL_COLUMNS = ("time", "end", "event", "area_change", "note")
EARLIEST = pd.Timestamp("2000-01-01", tz="UTC").value  # a clock that says otherwise is not set
LATEST = pd.Timestamp("2100-01-01", tz="UTC").value
LONGEST_GAP = 366 * 86_400 * 10**9  # ns; a longer one in one file is a clock gone wrong
LONGEST_OPEN = 31 * 86_400 * 10**9  # ns that something without an end may have lasted already
UNUSED_PRESSURE = 0.15  # of the rated one: below all day, a pump that strokes is in another unit
SI_UNITS = {  # of the channels of `Samples`, "" where it is a number
    "pressure": "Pa",
    "rate": "Hz",
    "stroke_count": "",
    "temperature": "K",
    "valve": "",
    "oil_pressure": "Pa",
    "boost_pressure": "Pa",
    "weep_temperature": "K",
    "bypass_temperature": "K",
    "left_stroke_time": "s",
    "right_stroke_time": "s",
    "motor_speed": "Hz",
    "motor_torque": "dimensionless",
    "check_valve_temperature": "K",
}
OFFSET = r"[T ].*(?:[Zz]|[+-]\d\d(?::?\d\d)?)\s*$"  # of an ISO 8601 time


@dataclass(frozen=True)
class Channel:
    """One column: SI = value * `scale` + `offset`; `low` and `high` are plausible, in SI.

    `unit` is the unit of the column, for the messages.
    """

    column: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True)
class LogFormat:
    """What the columns of a log are. Keys of `channels` are the fields of `Samples`.

    `constant_rate` in Hz stands in for a crank speed that is not logged, `rated_pressure` in Pa,
    `time_zone` is an IANA name for times without offset.
    """

    time_column: str
    time_zone: str
    channels: dict[str, Channel]
    constant_rate: float | None
    rated_pressure: float


@dataclass(frozen=True)
class Label:
    """What somebody knows to have happened: times in ns since 1970 UTC, `end_ns` None if open.

    `event` is one of `EVENTS`, `area_change` the relative change of effective area, NaN if unknown.
    """

    start_ns: int
    end_ns: int | None
    event: str
    area_change: float
    note: str


def local_ns(time: datetime, time_zone: str) -> int:
    """`time` in ns since 1970 UTC; local in `time_zone` if it has no offset.

    Of an hour that the clock showed twice the first is meant. Raises ValueError for one that it
    skipped in spring, and for times that are not within 2000 to 2100.
    """
    if not 2000 <= time.year <= 2100:
        raise ValueError(f"{time} is no time of our days")
    if time.tzinfo is None:
        zone = ZoneInfo(time_zone)
        local = time.replace(tzinfo=zone)
        if local.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != time:
            raise ValueError(f"{time} was skipped by the clocks of {time_zone}")
        time = local
    since = time - datetime(1970, 1, 1, tzinfo=UTC)
    ns = (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000
    if not EARLIEST <= ns <= LATEST:
        raise ValueError(f"{time} is no time of our days")
    return ns


# -- logs


def read_log(path: Path | str, format: LogFormat) -> Samples:
    """The samples of a logged file (.csv, .csv.gz or .parquet) in SI, in time order.

    Empty cells, infinities, channels that are not mapped and temperatures that no water has are
    NaN. A time that repeats the one before is dropped. Raises BadInput for whatever can't be
    used, with the row.
    """
    path = Path(path)
    table = _read_table(path, _columns_of(format))
    times = _times_ns(table, format.time_column, format.time_zone)
    values = {
        name: _numbers(table, channel.column, name == "valve") * channel.scale + channel.offset
        for name, channel in format.channels.items()
    }
    times, kept = _in_order(table, times, format.time_zone)
    channels = {name: channel[kept] for name, channel in values.items()}
    if "rate" not in channels and format.constant_rate is not None:
        channels["rate"] = np.full(len(times), format.constant_rate)
    _check_units(path, format, channels)
    for name, channel in format.channels.items():
        if SI_UNITS[name] == "K":  # a broken sensor; the model takes any temperature it is given
            water = channels[name]
            possible = (water >= channel.low) & (water <= channel.high)
            channels[name] = np.where(possible, water, np.nan)
    return samples_of(times, **channels)


@dataclass(frozen=True)
class _Table:
    """The columns asked for, and how to find a row of them again in the file."""

    path: Path
    frame: pd.DataFrame
    text: bytes | None  # of a CSV file

    def where(self, row: int, column: str | None = None) -> str:
        """'line 12, column 'x'' of the data row `row`, which counts from 0."""
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
                if not fields or (len(fields) == 1 and not fields[0].strip()):
                    continue
                data_rows += 1
                # pandas' parser splits where the csv module might not: never past the end
                if data_rows == row:
                    break
        return max(line, reader.line_num)


def _columns_of(format: LogFormat) -> list[str]:
    return [format.time_column, *(channel.column for channel in format.channels.values())]


def _read_table(path: Path, columns: list[str]) -> _Table:
    name = path.name.lower()
    right = "give a logged file"
    if name.endswith(".parquet"):
        check_file(path, right)
        return _read_parquet(path, columns)
    if name.endswith(".csv"):
        return _read_csv(path, read_file(path, right), columns)
    if name.endswith(".csv.gz"):
        try:
            text = gzip.decompress(read_file(path, right))
        except (EOFError, gzip.BadGzipFile, zlib.error):
            raise BadInput(
                path, "file", "the compressed file is broken or half written", "copy it anew"
            ) from None
        return _read_csv(path, text, columns)
    check_file(path, right)
    raise BadInput(
        path,
        "file name",
        f"{path.suffix or 'no suffix'!r} is no kind of log known here",
        "give a .csv, .csv.gz or .parquet file",
    )


def _find_columns(path: Path, where: str, there: Sequence[str], wanted: Sequence[str]) -> None:
    for column in wanted:
        if there.count(column) > 1:
            raise BadInput(path, where, f"column {column!r} is there twice", "rename one of them")
        if column in there:
            continue
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


def _read_parquet(path: Path, columns: list[str]) -> _Table:
    if path.stat().st_size == 0:
        raise BadInput(path, "file", "the file is empty", "give a log with samples")
    try:
        with path.open("rb") as handle:
            file = pq.ParquetFile(handle)
            _find_columns(path, "columns", list(file.schema_arrow.names), columns)
            table = file.read(columns=list(dict.fromkeys(columns)))
            for i, field in enumerate(table.schema):
                kind = field.type
                if pa.types.is_dictionary(kind):
                    table = table.set_column(i, field.name, table[i].cast(kind.value_type))
                elif pa.types.is_decimal(kind):
                    table = table.set_column(i, field.name, table[i].cast(pa.float64()))
            frame = table.to_pandas(ignore_metadata=True)
    except BadInput:
        raise
    except (pa.ArrowException, OSError, ValueError, KeyError):
        raise BadInput(
            path,
            "file",
            "no complete Parquet file: broken, or half written without its footer",
            "let the logger close it, or copy it anew",
        ) from None
    if not len(frame):
        raise BadInput(path, "file", "there are no samples in it", "give a log with samples")
    return _Table(path, frame, None)


_NO_CSV = (
    (b"\x1f\x8b", "compressed by gzip", "name it .csv.gz"),
    (b"PAR1", "Parquet", "name it .parquet"),
    (b"PK\3\4", "a zip archive or a spreadsheet", "unpack it, or export it as CSV"),
)


def _read_csv(path: Path, text: bytes, columns: list[str]) -> _Table:
    if not text.strip():
        raise BadInput(path, "file", "the file is empty", "give a log with samples")
    for start, kind, right in _NO_CSV:
        if text.startswith(start):
            raise BadInput(path, "file name", f"says CSV, yet the file is {kind}", right)
    if b"\0" in text:
        line = text[: text.index(b"\0")].count(b"\n") + 1
        raise BadInput(
            path,
            f"line {line}",
            "NUL bytes: half written, or saved as UTF-16",
            "copy the file anew, or save it as UTF-8",
        )
    try:
        text.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = text[: error.start].count(b"\n") + 1
        raise BadInput(path, f"line {line}", "isn't UTF-8 text", "save it as UTF-8") from None

    header_line, header = _first_fields(path, text)
    there = [column.strip() for column in header]
    _find_columns(path, f"line {header_line}", there, columns)
    last = text.rstrip()
    last = last[max(last.rfind(b"\n"), last.rfind(b"\r")) + 1 :]
    # a line end within quotes: then this is not the whole line
    whole = last.count(b'"') % 2 == 0
    if whole and last != text.strip() and last.count(b",") < len(there) - 1:
        line = text.rstrip().count(b"\n") + 1
        raise BadInput(
            path,
            f"line {line}",
            "the last line has too few fields: half written",
            "let the logger finish the line, or remove it",
        )
    wanted = sorted({there.index(column) for column in columns})
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            # all columns: with some of them only, pandas lets lines with too many fields pass
            frame = pd.read_csv(
                io.BytesIO(text),
                header=0,
                index_col=False,
                skipinitialspace=True,
                low_memory=False,
                encoding="utf-8-sig",
            )
    except (pd.errors.ParserError, pd.errors.ParserWarning, pd.errors.EmptyDataError) as error:
        raise _ragged_line(path, text, len(there), str(error)) from None
    # pandas fills up a line that was cut short; commas within quotes would hide that
    commas = (len(there) - 1) * (len(frame) + 1)
    if b'"' in text or text.count(b",") < commas:
        _check_fields(path, text, len(there))
    frame = frame.iloc[:, wanted]
    frame.columns = pd.Index([there[i] for i in wanted])
    if not len(frame):
        raise BadInput(path, "file", "there is only a header", "give a log with samples")
    return _Table(path, frame, text)


def _first_fields(path: Path, text: bytes) -> tuple[int, list[str]]:
    """Line and fields of the header."""
    reader = csv.reader(io.TextIOWrapper(io.BytesIO(text), "utf-8-sig", newline=""))
    try:
        for fields in reader:
            if any(field.strip() for field in fields):
                return reader.line_num, fields
    except csv.Error as error:
        raise BadInput(
            path, f"line {reader.line_num}", f"no CSV: {error}", "give a log with a header line"
        ) from None
    raise BadInput(path, "file", "the file is empty", "give a log with samples")


def _ragged_line(path: Path, text: bytes, fields: int, error: str) -> BadInput:
    """Which line pandas could not read for having too many fields, or a quote that stays open."""
    open_quote = re.search(r"EOF inside string starting at row (\d+)", error)
    if open_quote is not None:
        line = f"line {int(open_quote[1]) + 1}"
        return BadInput(path, line, "a quote that is never closed", "close it, or remove it")
    try:
        _check_fields(path, text, fields)
    except BadInput as bad:
        return bad
    right = f"every line has to have the {fields} fields of the header"
    return BadInput(path, "file", f"no CSV: {error.strip()}", right)


def _check_fields(path: Path, text: bytes, fields: int) -> None:
    """BadInput for the first line that has more or fewer `fields`; blank lines are none."""
    reader = csv.reader(io.StringIO(text.decode("utf-8-sig"), newline=""))
    with suppress(csv.Error):
        for found in reader:
            if len(found) != fields and any(field.strip() for field in found):
                wrong = f"{len(found)} field{'s' * (len(found) > 1)}"
                right = f"every line has to have the {fields} fields of the header"
                raise BadInput(path, f"line {reader.line_num}", wrong, right)


# -- numbers


def _numbers(table: _Table, column: str, may_be_bool: bool) -> NDArray[np.float64]:
    """The column as floats, shape (n,), NaN where empty or infinite."""
    series = table.frame[column]
    is_time = series.dtype.kind in "mM"  # which pandas would count in ns
    if is_time or (pd.api.types.is_bool_dtype(series.dtype) and not may_be_bool):
        series = series.astype("str")
    if pd.api.types.is_numeric_dtype(series.dtype):
        values = series.to_numpy(dtype=np.float64, na_value=np.nan, copy=True)
    else:
        numbers = pd.to_numeric(series, errors="coerce")
        bad = np.flatnonzero((numbers.isna() & series.notna()).to_numpy())
        is_number = not len(bad) and pd.api.types.is_numeric_dtype(numbers.dtype)
        if not is_number:
            row = int(bad[0]) if len(bad) else 0
            raise BadInput(
                table.path,
                table.where(row, column),
                f"{str(series.iloc[row])[:60]!r} is no number",
                "give a number with a decimal point, or leave the cell empty",
            )
        values = numbers.to_numpy(dtype=np.float64, na_value=np.nan, copy=True)
    values[~np.isfinite(values)] = np.nan
    return values


def _check_units(path: Path, format: LogFormat, values: dict[str, NDArray[np.float64]]) -> None:
    """BadInput where a channel can't be what it is said to be."""
    pressure_column = format.channels["pressure"]
    rated = f"the pump is rated {format.rated_pressure / 1e6:.4g} MPa; is the unit right?"
    for name, channel in format.channels.items():
        finite = values[name][np.isfinite(values[name])]
        where = f"column {channel.column!r}"
        if not len(finite):
            if name in ("pressure", "rate", "stroke_count"):
                wrong = f"no {name.replace('_', ' ')} in the whole file"
                raise BadInput(path, where, wrong, "is it the column?")
            continue
        # not the maximum: single glitches are the gate's business
        highest = float(np.quantile(finite, 0.999, method="lower"))
        right = rated if name == "pressure" else f"plausible is {_range(name, channel)}"
        if SI_UNITS[name] in ("Pa", "Hz") and highest > channel.high:
            wrong = f"reaches {_shown(name, highest)} read as {channel.unit}"
            raise BadInput(path, where, wrong, right)
        if np.all(finite > channel.high) or np.all(finite < channel.low):
            lowest = _shown(name, float(finite.min()))
            wrong = f"lies within {lowest} and {_shown(name, highest)} read as {channel.unit}"
            raise BadInput(path, where, wrong, right)

    strokes = values.get("stroke_count", np.empty(0))
    steps = np.diff(strokes[np.isfinite(strokes)])
    rises, falls = int(np.sum(steps > 0.0)), int(np.sum(steps < 0.0))
    if falls > max(rises, 2):  # resets and wraps are few
        where = f"column {format.channels['stroke_count'].column!r}"
        wrong = f"the counter goes down {falls} times and up {rises} times"
        raise BadInput(path, where, wrong, "log a counter that goes up")
    running = rises > 0
    if "rate" in format.channels:
        running = running or bool(np.any(values["rate"] > 0.0))
    highest = float(np.nanmax(values["pressure"]))  # a minute of pressure in a day will do
    if running and highest < UNUSED_PRESSURE * format.rated_pressure:
        raise BadInput(
            path,
            f"column {pressure_column.column!r}",
            f"the pump runs, yet stays below {_shown('pressure', highest, up=True)} read as "
            f"{pressure_column.unit}",
            rated,
        )


def _shown(name: str, value: float, up: bool = False) -> str:
    match SI_UNITS[name]:
        case "Pa":
            return f"{value / 1e6 * (1.0 + 5e-4 * up):.4g} MPa"
        case "Hz":
            return f"{value * 60:.4g} /min"
        case "K":
            return f"{value - 273.15:.4g} °C"
        case unit:
            return f"{value:.4g} {unit}".rstrip()


def _range(name: str, channel: Channel) -> str:
    if channel.high == math.inf:
        return f"{_shown(name, channel.low)} and more; is it the column?"
    return f"{_shown(name, channel.low)} to {_shown(name, channel.high)}; is the unit right?"


# -- times


def _times_ns(table: _Table, column: str, time_zone: str) -> NDArray[np.int64]:
    """The time column in ns since 1970 UTC, shape (n,)."""
    series = table.frame[column]
    missing = np.flatnonzero(series.isna().to_numpy())
    if len(missing):
        _bad_time(table, column, int(missing[0]), "the time is missing")
    if pd.api.types.is_datetime64_any_dtype(series.dtype):
        stamps = series
    elif pd.api.types.is_bool_dtype(series.dtype):
        _bad_time(table, column, 0, f"{series.iloc[0]!r} is no time")
    elif pd.api.types.is_numeric_dtype(series.dtype):
        return _epoch_ns(table, column, series.to_numpy(dtype=np.float64))
    else:
        stamps = _parse(table, column, series.astype("str"))
    if stamps.dt.tz is None:
        stamps = _localize(table, column, stamps, time_zone)
    earliest = pd.Timestamp(EARLIEST, tz="UTC")
    outside = (stamps < earliest) | (stamps > pd.Timestamp(LATEST, tz="UTC"))
    if outside.any():
        row = int(np.flatnonzero(outside.to_numpy())[0])
        _bad_time(table, column, row, f"{table.frame[column].iloc[row]} is no time of our days")
    stamps = stamps.dt.tz_convert("UTC").dt.as_unit("ns")
    nanoseconds: NDArray[np.int64] = stamps.to_numpy(dtype="datetime64[ns]").view(np.int64)
    return nanoseconds


def _bad_time(table: _Table, column: str, row: int, wrong: str) -> NoReturn:
    raise BadInput(
        table.path,
        table.where(row, column),
        wrong,
        "give ISO 8601 such as 2026-03-02T06:00:00, or seconds since 1970",
    )


def _epoch_ns(table: _Table, column: str, seconds: NDArray[np.float64]) -> NDArray[np.int64]:
    good = (seconds >= EARLIEST * 1e-9) & (seconds <= LATEST * 1e-9)
    if not good.all():
        row = int(np.flatnonzero(~good)[0])
        wrong = f"{table.frame[column].iloc[row]} s since 1970 is no time of our days"
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


def _parse(table: _Table, column: str, text: pd.Series[Any]) -> pd.Series[Any]:
    """ISO 8601 text as timestamps, in UTC if it has offsets, else naive."""
    offsets = text.str.contains(OFFSET, regex=True).to_numpy(dtype=bool)
    utc = bool(offsets.any())
    if utc and not offsets.all():
        row = int(np.flatnonzero(~offsets)[0])
        wrong = f"{text.iloc[row][:60]!r} has no offset from UTC, other times have"
        _bad_time(table, column, row, wrong)
    try:
        return pd.to_datetime(text, format="ISO8601", utc=utc)
    except (ValueError, OverflowError):
        row = next((i for i, cell in enumerate(text) if _has_offset(cell) is not utc), 0)
        _bad_time(table, column, row, f"{text.iloc[row][:60]!r} is no time")


def _has_offset(text: str) -> bool | None:
    """Whether pandas reads an offset from UTC; None if it reads no time at all."""
    try:
        return pd.to_datetime(text, format="ISO8601").tzinfo is not None
    except (ValueError, OverflowError):
        return None


def _localize(table: _Table, column: str, stamps: pd.Series[Any], time_zone: str) -> pd.Series[Any]:
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


def _in_order(
    table: _Table, times: NDArray[np.int64], time_zone: str
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Times without repeats, and which rows those are."""
    steps = np.diff(times)
    for odd, what, right in (
        (steps < 0, "goes back", "sort the rows by time, and give files of different clocks apart"),
        (steps > LONGEST_GAP, "jumps by more than a year", "give each year's log apart"),
    ):
        if odd.any():
            row = int(np.flatnonzero(odd)[0]) + 1
            before, after = (_local(int(t), time_zone) for t in times[row - 1 : row + 1])
            raise BadInput(
                table.path, table.where(row), f"the time {what} from {before} to {after}", right
            )
    if len(times) > 1 and not steps.any():
        raise BadInput(
            table.path,
            table.where(1),
            f"every row has the same time, {_local(int(times[0]), time_zone)}",
            "log date and time of day, to the second, in one column",
        )
    kept = np.concatenate(([True], steps > 0))
    return times[kept], kept


def _local(time_ns: int, time_zone: str) -> str:
    return pd.Timestamp(time_ns, tz="UTC").tz_convert(ZoneInfo(time_zone)).isoformat()


# -- labels


def labels_path(log: Path | str) -> Path:
    """Where the labels of a log are: `x.labels.csv` beside `x.csv`, `x.csv.gz` or `x.parquet`."""
    log = Path(log)
    stem = log.name
    for suffix in (".csv.gz", ".csv", ".parquet"):
        if stem.lower().endswith(suffix):
            stem = stem[: -len(suffix)]
            break
    return log.with_name(f"{stem}.labels.csv")


def read_labels(
    path: Path | str, time_zone: str, within: tuple[int, int] | None = None
) -> list[Label]:
    """The labels in a CSV file with the columns time, end, event, area_change and note.

    `end`, `area_change` (a relative one, 0.08 for 8 %) and `note` may be empty; times without
    offset are local in `time_zone`. `within` are first and last time of the log that they belong
    to, in ns since 1970 UTC. Raises BadInput with the line for whatever can't be used.
    """
    path = Path(path)
    try:
        text = read_file(path, "give a labels file").decode("utf-8-sig")
        if "\0" in text:
            line = text[: text.index("\0")].count("\n") + 1
            raise BadInput(path, f"line {line}", "NUL bytes: half written", "write it anew")
        reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
        there = [name.strip() for name in reader.fieldnames or []]
        if not there:
            raise BadInput(path, "file", "the file is empty", f"write {','.join(LABEL_COLUMNS)}")
        reader.fieldnames = there
        _find_columns(path, "line 1", there, LABEL_COLUMNS)
        labels = []
        for row in reader:
            line_number = f"line {reader.line_num}"
            labels.append(_label(path, line_number, row, time_zone))
            if within is not None:
                _check_within(path, line_number, labels[-1], within, time_zone)
        return labels
    except UnicodeDecodeError:
        raise BadInput(path, "file", "isn't UTF-8 text", "save it as UTF-8") from None
    except csv.Error as error:
        raise BadInput(path, "file", f"no CSV: {error}", "give a CSV file") from None


def _check_within(
    path: Path, line: str, label: Label, within: tuple[int, int], time_zone: str
) -> None:
    """BadInput if nothing of `label` can have happened during its log."""
    first, last = within
    right = f"label what happened from {_local(first, time_zone)} to {_local(last, time_zone)}"
    if label.start_ns > last:
        raise BadInput(path, f"{line}, column 'time'", "that is after the log's end", right)
    if label.end_ns is not None and label.end_ns < first:
        raise BadInput(path, f"{line}, column 'end'", "it was over before the log began", right)
    if label.end_ns is None and label.start_ns < first - LONGEST_OPEN:
        wrong = "it has no end, and that is more than a month before the log began"
        raise BadInput(path, f"{line}, column 'time'", wrong, right)


def _label(path: Path, line: str, row: dict[Any, Any], time_zone: str) -> Label:
    if None in row or None in row.values():
        found = sum(value is not None for name, value in row.items() if name is not None)
        found += len(row.get(None) or [])
        right = f"a line has the {len(row) - (None in row)} fields of the header, quote commas"
        raise BadInput(path, line, f"{found} fields", right)
    start = _label_time(path, line, row, "time", time_zone)
    end = _label_time(path, line, row, "end", time_zone) if row["end"].strip() else None
    if end is not None and end <= start:
        raise BadInput(
            path, f"{line}, column 'end'", "it ends before it starts", "give a later end"
        )
    event = row["event"].strip()
    if event not in EVENTS:
        near = difflib.get_close_matches(event, EVENTS, n=1, cutoff=0.5)
        right = f"known are {', '.join(EVENTS)}"
        right += f"; did you mean {near[0]!r}?" if near else ""
        raise BadInput(path, f"{line}, column 'event'", f"{event!r} is no known event", right)
    change = row["area_change"].strip()
    try:
        area_change = float(change) if change else math.nan
        if not (-0.95 <= area_change <= 20.0 or math.isnan(area_change)):
            raise ValueError
    except ValueError:
        raise BadInput(
            path,
            f"{line}, column 'area_change'",
            f"{change!r} is no relative change of area",
            "give 0.08 for 8 % more, or leave it empty",
        ) from None
    return Label(start, end, event, area_change, row["note"].strip())


def _label_time(path: Path, line: str, row: dict[str, str], column: str, time_zone: str) -> int:
    text = row[column].strip()
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(
            path,
            f"{line}, column {column!r}",
            f"{text!r} is no time" if text else "the time is missing",
            "give ISO 8601 such as 2026-03-02T06:00:00",
        ) from None
    try:
        return local_ns(time, time_zone)
    except (ValueError, OverflowError) as error:
        right = "give a time that the clock showed"
        raise BadInput(path, f"{line}, column {column!r}", str(error), right) from None

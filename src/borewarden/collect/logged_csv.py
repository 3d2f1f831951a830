"""The columns of a logged CSV file.

A plain file, as loggers write them, is read by Arrow, which is quick and takes no line that has
another number of fields than the header. Where anything in it is out of the ordinary, such as
quotes or a cell that is not a number, pandas reads the file again with care, and what can't be used
is found and named. Both give the same floats: those nearest to what is written.
"""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
from pyarrow import compute
from pyarrow import csv as arrow_csv

from borewarden.base.errors import BadInput
from borewarden.base.times import EARLIEST, LATEST
from borewarden.collect.columns import OFFSET, Table, find_columns, is_blank

_EMPTY = ("", "NA", "N/A", "NULL", "NaN", "None", "n/a", "nan", "null")  # pandas knows them too
_NO_CSV = (
    (b"\x1f\x8b", "compressed by gzip", "name it .csv.gz"),
    (b"PAR1", "Parquet", "name it .parquet"),
    (b"PK\3\4", "a zip archive or a spreadsheet", "unpack it, or export it as CSV"),
)


def read_csv(path: Path, text: bytes, columns: list[str]) -> Table:
    """The `columns`, that of the time first, of a CSV file with this `text`. Raises BadInput."""
    _check_text(path, text)
    header_line, header = _first_fields(path, text)
    there = [column.strip() for column in header]
    find_columns(path, f"line {header_line}", there, columns)
    places = {column: there.index(column) for column in columns}
    cells = plain_columns(text, header_line, len(there), list(places.values()))
    if cells is None:
        cells = careful_columns(path, text, len(there), places.values())
    return Table(path, {column: cells[place] for column, place in places.items()}, text)


def _check_text(path: Path, text: bytes) -> None:
    """BadInput for what is no text, or none that may be CSV."""
    if not text or text.isspace():
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
    if text.isascii():
        return
    try:
        text.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = text[: error.start].count(b"\n") + 1
        raise BadInput(path, f"line {line}", "is not UTF-8 text", "save it as UTF-8") from None


def _first_fields(path: Path, text: bytes) -> tuple[int, list[str]]:
    """Line and fields of the header."""
    reader = csv.reader(io.TextIOWrapper(io.BytesIO(text), "utf-8-sig", newline=""))
    try:
        for fields in reader:
            if not is_blank(fields):
                return reader.line_num, fields
    except csv.Error as error:
        raise BadInput(
            path, f"line {reader.line_num}", f"no CSV: {error}", "give a log with a header line"
        ) from None
    raise BadInput(path, "file", "the file is empty", "give a log with samples")


# -- the quick way


def plain_columns(
    text: bytes, header_line: int, fields: int, places: list[int]
) -> dict[int, pd.Series[Any]] | None:
    """The columns at `places`, that of the time first; None unless all in them is plain.

    Plain are finite numbers and empty cells, and times in one form that lie within 2000 to 2100.
    """
    if b'"' in text or (b"\r" in text and text.count(b"\r") != text.count(b"\r\n")):
        return None
    start = 0
    for _ in range(header_line):
        start = text.find(b"\n", start) + 1
        if start == 0:  # only a header
            return None
    first_row = text[start : start + 10_000].lstrip().split(b"\n", 1)[0].split(b",")
    if len(first_row) != fields:
        return None
    kinds = dict.fromkeys(map(str, places), pa.float64())
    kinds[str(places[0])] = _time_kind(first_row[places[0]].decode("utf-8", "replace").strip())
    try:
        table = arrow_csv.read_csv(
            pa.py_buffer(text).slice(start),
            arrow_csv.ReadOptions(column_names=[str(i) for i in range(fields)]),
            arrow_csv.ParseOptions(quote_char=False),
            arrow_csv.ConvertOptions(
                column_types=kinds, include_columns=list(kinds), null_values=_EMPTY
            ),
        )
    except pa.ArrowException:
        return None
    times, *values = (table[str(place)] for place in places)
    if not _are_times(times) or not all(map(_are_numbers, values)):
        return None
    return {place: table[str(place)].to_pandas() for place in places}


def _time_kind(cell: str) -> Any:
    """Arrow's type for times that are written like `cell`."""
    if cell.replace(".", "", 1).isdecimal():
        return pa.float64()
    return pa.timestamp("ns", "UTC" if re.search(OFFSET, cell) else None)


def _are_times(column: pa.ChunkedArray) -> bool:
    """Whether none is missing and all lie within 2000 to 2100, wherever the clock stands."""
    if column.null_count or (column.type == pa.float64() and not _are_numbers(column)):
        return False
    scale = 10**9
    if column.type != pa.float64():
        column, scale = column.cast(pa.int64()), 1
    day = 86_400 * 10**9
    ends = compute.min_max(column).as_py()
    return bool(EARLIEST + day <= ends["min"] * scale and ends["max"] * scale <= LATEST - day)


def _are_numbers(column: pa.ChunkedArray) -> bool:
    """Whether all are finite, empty cells aside."""
    return bool(compute.all(compute.is_finite(column), min_count=0).as_py())


# -- with care


def careful_columns(
    path: Path, text: bytes, fields: int, places: Iterable[int]
) -> dict[int, pd.Series[Any]]:
    """The columns at `places`, whatever there is in their cells. Raises BadInput for odd lines."""
    last = text.rstrip()
    last = last[max(last.rfind(b"\n"), last.rfind(b"\r")) + 1 :]
    # a line end within quotes: then this is not the whole line
    whole = last.count(b'"') % 2 == 0
    if whole and last != text.strip() and last.count(b",") < fields - 1:
        line = text.rstrip().count(b"\n") + 1
        raise BadInput(
            path,
            f"line {line}",
            "the last line has too few fields: half written",
            "let the logger finish the line, or remove it",
        )
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
        raise _ragged_line(path, text, fields, str(error)) from None
    # pandas fills up a line that was cut short; commas within quotes would hide that
    commas = (fields - 1) * (len(frame) + 1)
    if b'"' in text or text.count(b",") < commas:
        _check_fields(path, text, fields)
    if not len(frame):
        raise BadInput(path, "file", "there is only a header", "give a log with samples")
    return {place: frame.iloc[:, place] for place in places}


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

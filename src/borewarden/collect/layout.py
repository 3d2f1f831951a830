"""How a shop's own logs are laid out, and their cells: text of any kind, and spreadsheets."""

from __future__ import annotations

import csv
import datetime as dt
import functools
import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, NamedTuple

from borewarden.base.errors import BadInput
from borewarden.base.files import check_file, too_large

TEXTS = (".csv", ".txt", ".tsv", ".prn", ".dat", ".log", ".asc")
BOOKS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
SEPARATORS = {"tab": "\t", "blanks": " "}  # by name, where the sign itself would not be seen
BLANKS = {"blank": " \u00a0\u202f\u2009"}  # thousands signs that can't be seen, however wide
SINCE = re.compile(r"(100 ns|ns|us|ms|s|min|h|days) since (1601|1899-12-30|1904|1970|start)")
EXACT = 1e15  # whole numbers below are exact as floats
LARGEST_BOOK = 512 * 2**20  # bytes, unpacked
MOST_CELLS = 50_000_000  # of a sheet, empty ones too: a month at 1 Hz with 20 columns
CELL_AT = re.compile(rb'\br="([A-Z]{1,3})(\d{1,8})"')
NAMELESS = "column {}"  # of a log without a header, counted from one


@dataclass(frozen=True)
class Layout:
    """What [log] states of the form of a log; docs/settings.md says what each field means.

    `hold` and `every` are in s, `zero` is the day, or the time, that times count from.
    `times` has the columns of the times of channels that have their own, `holds` how long (s) the
    values of single channels stand.
    """

    encoding: str = "utf-8"
    separator: str = ","
    decimal: str = "."
    thousands: str = ""
    header: bool = True
    skip: int = 0
    skip_below: int = 0
    skip_end: int = 0
    sheet: str | None = None
    clock: str | None = None
    time_format: str = ""
    zero: dt.datetime | None = None
    newest_first: bool = False
    missing: tuple[str, ...] = ()
    tag: str | None = None
    value: str | None = None
    quality: str | None = None
    good: tuple[str, ...] = ("Good",)
    hold: float | None = None
    every: float = 1.0
    times: dict[str, str] = field(default_factory=dict)
    holds: dict[str, float] = field(default_factory=dict)


class Cells(NamedTuple):
    """All rows of a file as text, with the number that each has there, counted from one."""

    rows: list[list[str]]
    places: list[int]


def kind_of(path: Path) -> str:
    """`text`, `book` or `parquet`, by the ending of the name; "" for any other."""
    name = path.name.lower().removesuffix(".gz")
    if name.endswith(TEXTS):
        return "text"
    return "book" if name.endswith(BOOKS) else "parquet" if name.endswith(".parquet") else ""


# -- text


def decoded(path: Path, content: bytes, encoding: str) -> str:
    """`content` as text, without a byte order mark. Raises BadInput, with the line."""
    codec = "utf-8-sig" if encoding.lower() in ("utf-8", "utf8") else encoding
    try:
        text = content.decode(codec)
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise BadInput(
            path,
            f"line {line}",
            f"is not {encoding} text",
            'state encoding in [log], such as "cp1252" or "utf-16"',
        ) from None
    return text.removeprefix("\ufeff")


def split_text(path: Path, text: str, separator: str) -> Cells:
    """The rows of `text` that are not blank. Raises BadInput where a quote breaks it."""
    rows, places = [], []
    try:
        for place, fields in _split(text, SEPARATORS.get(separator, separator)):
            if any(fields):
                rows.append(fields)
                places.append(place)
    except csv.Error as error:
        raise BadInput(
            path, "file", f"is not a table: {error}", "state the separator in [log]"
        ) from None
    return Cells(rows, places)


def _split(text: str, sign: str) -> Iterator[tuple[int, list[str]]]:
    if sign == " ":
        yield from ((place, line.split()) for place, line in enumerate(text.splitlines(), 1))
        return
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign, skipinitialspace=True)
    for fields in reader:
        yield reader.line_num, [cell.strip() for cell in fields]


# -- spreadsheets


def sheets(path: Path) -> dict[str, Cells]:
    """The sheets of a spreadsheet, in their order, cells as text. Raises BadInput."""
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError

    check_file(path, "give a logged file")
    _check_size(path)
    try:
        book = CalamineWorkbook.from_path(str(path))
        found = {
            name: book.get_sheet_by_name(name).to_python(skip_empty_area=False)
            for name in book.sheet_names
        }
    except PasswordError:
        raise BadInput(path, "file", "it has a password", "save it without one") from None
    except (CalamineError, OSError, ValueError) as error:
        raise BadInput(
            path, "file", f"not a spreadsheet that can be read: {error}", "save it anew, or as CSV"
        ) from None
    return {name: _cells(rows) for name, rows in found.items()}


def _check_size(path: Path) -> None:
    """BadInput for a spreadsheet that unpacks to more than can be, or has cells far apart.

    Its reader sets aside room for all cells between the first and the last one.
    """
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as parts:
            if sum(part.file_size for part in parts.infolist()) > LARGEST_BOOK:
                raise too_large(path, LARGEST_BOOK)
            for part in parts.namelist():
                if part.startswith("xl/worksheets/") and part.endswith(".xml"):
                    with parts.open(part) as sheet:
                        _check_reach(path, part, sheet)
    except (zipfile.BadZipFile, zlib.error, OSError, RuntimeError, NotImplementedError):
        return  # the reader says what is wrong with it


def _check_reach(path: Path, part: str, sheet: IO[bytes]) -> None:
    lowest, widest = 0, b""
    rest = b""
    while piece := sheet.read(2**22):
        for letters, digits in CELL_AT.findall(rest + piece):
            lowest = max(lowest, int(digits))
            widest = max(widest, letters, key=lambda column: (len(column), column))
        rest = piece[-40:]
    columns = functools.reduce(lambda number, letter: 26 * number + letter - 64, widest, 0)
    if lowest * columns > MOST_CELLS:
        raise BadInput(
            path,
            part.rpartition("/")[2],
            f"has cells down to row {lowest:,} and out to column {widest.decode()}",
            f"delete what is far from the table: {MOST_CELLS:,} cells at most, empty ones too",
        )


def _cells(rows: Iterable[list[Any]]) -> Cells:
    kept = [
        (place, cells)
        for place, row in enumerate(rows, 1)
        if any(cells := [_shown(cell) for cell in row])
    ]
    return Cells([cells for _, cells in kept], [place for place, _ in kept])


def _shown(cell: Any) -> str:
    if isinstance(cell, dt.datetime | dt.date | dt.time):
        return cell.isoformat()
    if isinstance(cell, float):
        return repr(int(cell)) if cell.is_integer() and abs(cell) < EXACT else repr(cell)
    return str(cell).strip()


def sheet_of(path: Path, name: str | None) -> Cells:
    """The sheet `name`, or the first. Raises BadInput."""
    found = sheets(path)
    if name is None:
        return next(iter(found.values()))
    if name not in found:
        there = ", ".join(found)
        raise BadInput(path, f"sheet {name!r}", "there is no such sheet", f"there are {there}")
    return found[name]

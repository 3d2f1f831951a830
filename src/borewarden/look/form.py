"""The form of a log, from the file alone: what [log] has to state of it, and its columns."""

from __future__ import annotations

import dataclasses
import datetime as dt
import os
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from borewarden.base.errors import BadInput
from borewarden.collect.columns import Table
from borewarden.collect.layout import (
    NAMELESS,
    SEPARATORS,
    Cells,
    Layout,
    decoded,
    kind_of,
    sheets,
    split_text,
)
from borewarden.collect.logged_parquet import check_rows
from borewarden.collect.logged_shop import file_content, time_stamps
from borewarden.look.number_form import (
    LONGEST_UNIT,
    Marks,
    NumberForm,
    marks_of,
    number_form,
    split_unit,
)
from borewarden.look.question import Question
from borewarden.look.time_form import CLOCK, DAY, TimeForm, count_form, sample, text_form
from borewarden.look.unit_words import known_unit

LOOKED_AT = 400  # rows, to find separator and header
MOST_TITLES = 100  # rows above a header
FEWEST_COLUMNS = 2  # of a table
FEWEST_ROWS = 3  # from which an order can be told
LONGEST_WORD = 60  # characters in a cell that is neither time nor number
SHORT_UNIT = 4  # letters on each side of a stroke
LONGEST_STEP = 0.1  # days between two rows of a log
MOST_TAGS = 2000  # in an export
REPEATS = 5  # of each tag, on average, and of each quality
BRACKETS = re.compile(r"[(\[{]([^()\[\]{}]*)[)\]}]\s*$")
TAG_WORDS = ("tag", "name", "variable", "point", "signal", "channel", "sensor", "item", "kanal")
QUALITY_WORDS = ("qual", "status", "state", "good", "valid")
TIME_WORDS = ("time", "zeit", "elapsed", "heure", "hora", "sec", "temps", "dauer")
PLAIN = (".csv", ".csv.gz")  # endings of text in the plain form
# units, but at the end of a name rather a number, a side or a limit: "Pressure 1", "Pressure A"
NO_LAST_WORDS = ("1", "n", "a", "v", "w", "m", "k", "h", "s", "min")
GOOD = ("Good", "good", "GOOD", "OK", "ok", "192", "Valid", "valid")


@dataclass(frozen=True)
class Answers:
    """What a person has said about the form of a log; None where nothing."""

    date_order: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    separator: str | None = None
    sheet: str | None = None
    time: str | None = None
    date: dt.date | None = None
    start: dt.datetime | None = None


@dataclass(frozen=True)
class Form:
    """A form: its layout, the column of the time, and the columns of numbers with their marks.

    `units` are those that the file itself states, by column. In tag exports columns are tags.
    `odd` is what the plain form, with its quick reader, does not have, even if the rest is plain.
    """

    layout: Layout
    time: str
    marks: dict[str, Marks]
    units: dict[str, str] = field(default_factory=dict)
    odd: str = ""


@dataclass(frozen=True)
class Grid:
    """A file as a table of text: its named columns, and what of the layout is known by then."""

    path: Path
    names: list[str]
    columns: dict[str, list[str]]
    units: dict[str, str]
    layout: Layout
    repeats: bool = False  # the header comes again between the rows


# -- the table


def read_grid(path: Path, answers: Answers) -> Grid:
    """The table in a file: which rows are its header and data. Raises BadInput."""
    match kind_of(path):
        case "parquet":
            return _parquet_grid(path)
        case "book":
            return _book_grid(path, answers)
        case "text":
            return _text_grid(path, answers)
    raise BadInput(
        path, "file name", f"{path.suffix or 'no suffix'!r} is not a known kind of log",
        "give text (.csv, .txt, .tsv, .prn, .dat, .log), a spreadsheet or Parquet",
    )  # fmt: skip


def _parquet_grid(path: Path) -> Grid:
    try:
        with pa.OSFile(os.fsencode(path)) as handle:
            file = pq.ParquetFile(handle)
            check_rows(path, file.metadata.num_rows, file.metadata.num_columns)
            frame = file.read().to_pandas(ignore_metadata=True)
    except BadInput:
        raise
    except (pa.ArrowException, OSError, ValueError):
        raise BadInput(path, "file", "no complete Parquet file", "copy it anew") from None
    columns = {}
    for name in frame.columns:
        series = frame[name]
        if series.dtype.kind == "M" or hasattr(series.dtype, "tz"):
            cells = [stamp.isoformat() for stamp in series]
        else:
            cells = ["" if value is None or value != value else str(value) for value in series]
        columns[str(name)] = cells
    return Grid(path, list(columns), columns, {}, Layout())


def _book_grid(path: Path, answers: Answers) -> Grid:
    """The sheet that holds a table, the longest where there are several."""
    found = sheets(path)
    name = answers.sheet or max(found, key=lambda each: len(found[each].rows))
    if name not in found:
        raise BadInput(path, "--sheet", f"there is no sheet {name!r}", f"there: {', '.join(found)}")
    is_first = name == next(iter(found))
    return _grid_of(path, found[name], Layout(sheet=None if is_first else name))


def _text_grid(path: Path, answers: Answers) -> Grid:
    content = file_content(path)
    if not content or content.isspace():
        raise BadInput(path, "file", "the file is empty", "give a log with samples")
    encoding = answers.encoding or _encoding_of(content)
    text = decoded(path, content, encoding)
    separator = answers.separator or _separator_of(path, text)
    cells = split_text(path, text, separator)
    return _grid_of(path, cells, Layout(encoding=encoding, separator=separator))


def _encoding_of(content: bytes) -> str:
    """UTF-16 by its mark or its NULs, UTF-8 where it can be, else the Western Windows page."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    start = content[:4096]
    if b"\0" in start:
        return "utf-16-le" if start[1::2].count(0) > start[::2].count(0) else "utf-16-be"
    for encoding in ("utf-8", "cp1252"):
        try:
            content.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding
    return "latin-1"


def _separator_of(path: Path, text: str) -> str:
    """The separator that gives the most rows alike, with the most cells that are something."""
    lines = text.split("\n", MOST_TITLES + LOOKED_AT)[: MOST_TITLES + LOOKED_AT]
    part = "\n".join(line.rstrip("\r") for line in lines)
    best, found = (0.0, 0.0), ""
    for name in (";", "tab", "|", ",", "blanks"):
        rows = split_text(path, part, name).rows
        if name == "blanks" and found:  # there are blanks in times, names and units, too
            break
        widths = Counter(map(len, rows))
        width = max(widths, key=lambda each: widths[each])
        alike = [row for row in rows[-LOOKED_AT:] if len(row) == width]
        if width < FEWEST_COLUMNS or not alike:
            continue
        known = sum(_is_something(cell) for row in alike for cell in row)
        score = (len(alike) / len(rows) * known / sum(map(len, alike)), float(width))
        if (round(score[0], 1), score[1]) > (round(best[0], 1), best[1]):
            best, found = score, name
    if not found:
        raise Question(
            path, "file", "no separator gives a table", "--separator", [*SEPARATORS, ";", ","]
        )
    return found


def _is_something(cell: str) -> bool:
    """Whether a cell is a number, with a unit or without, a date, a clock, or a word."""
    number = split_unit(cell)
    if number is not None:
        rest = number[1]
        signs = {sign for sign in number[0] if sign in ".,"}
        plain = number[0].count(",") + number[0].count(".") <= len(signs) + 2
        return (
            len(rest) <= LONGEST_UNIT and plain and not re.search(r"[;|\t,]", rest)
        ) or _is_time(cell)
    return len(cell) <= LONGEST_WORD and not re.search(r"[;|\t,]", cell)


def _is_time(cell: str) -> bool:
    return bool(re.match(r"\d{4}-\d\d-\d\d", cell) or DAY.match(cell) or CLOCK.match(cell)) and (
        not re.search(r"[;|\t]", cell)
    )


def _is_datum(cell: str) -> bool:
    """Whether a cell is a number or begins like a time."""
    return bool(re.match(r"[-+]?[\d.,]*\d", cell))


def _grid_of(path: Path, cells: Cells, layout: Layout) -> Grid:
    """Header, rows of units below it and data, found from the data upwards."""
    if not cells.rows:
        raise BadInput(path, "file", "there is no row in it", "give a log with samples")
    widths = Counter(len(row) for row in cells.rows[-LOOKED_AT:])
    width = max(widths, key=lambda each: widths[each])
    data = [len(row) == width and sum(map(_is_datum, row)) >= FEWEST_COLUMNS for row in cells.rows]
    first = _first_datum(cells.rows, data)
    if first is None:
        raise BadInput(
            path, "file", "no rows of times and numbers in it", "give a log with samples"
        )
    last = max(at for at, is_datum in enumerate(data) if is_datum)
    for row, place in zip(cells.rows[last + 1 :], cells.places[last + 1 :], strict=True):
        if _is_time(row[0]):
            raise BadInput(
                path, f"line {place}", "a time, but too few readings: half written",
                "let the logger finish the line, or remove it",
            )  # fmt: skip
    head, units = _header(cells.rows[:first], width)
    layout = dataclasses.replace(layout, skip_end=len(cells.rows) - 1 - last)
    if head is None:
        names = [NAMELESS.format(at) for at in range(1, width + 1)]
        skip = cells.places[first - 1] if first else 0
        layout = dataclasses.replace(layout, header=False, skip=skip)
    else:
        names = cells.rows[head]
        skip = cells.places[head - 1] if head else 0
        below = cells.places[first - 1] - cells.places[head]
        layout = dataclasses.replace(layout, skip=skip, skip_below=below)
    rows = [row for row in cells.rows[first : last + 1] if row != names and len(row) == width]
    columns = {
        name: [row[at] for row in rows] for at, name in enumerate(names) if names.count(name) == 1
    }
    columns.pop("", None)
    stated = {name: unit for name, unit in zip(names, units, strict=False) if unit}
    repeats = names in cells.rows[first : last + 1]
    return Grid(path, names, columns, stated, layout, repeats)


def _first_datum(rows: Sequence[Sequence[str]], data: Sequence[bool]) -> int | None:
    """The first row of data: title rows may hold numbers too, but not row upon row alike."""
    for at in range(min(len(rows), MOST_TITLES)):
        near = data[at : at + 10]
        if data[at] and all(near) and not _is_units_row(rows[at]) and (
            at + 1 >= len(rows) or _alike(rows[at], rows[min(at + 5, len(rows) - 1)])
        ):  # fmt: skip
            return at
    return None


def _alike(one: Sequence[str], other: Sequence[str]) -> bool:
    """Whether two rows have numbers in the same places, give or take empty or marked cells."""
    same = sum(_is_datum(a) == _is_datum(b) for a, b in zip(one, other, strict=False))
    return same >= 0.5 * len(one)


def _is_units_row(row: Sequence[str]) -> bool:
    given = [cell.strip("[]() ") for cell in row if cell.strip("[]() -")]
    named = [cell for cell in given if known_unit(cell)]
    # a count's unit may be 1, but ones alone are readings
    return any(not _is_number(cell) for cell in named) and len(named) >= 0.5 * len(given)


def _header(above: Sequence[Sequence[str]], width: int) -> tuple[int | None, list[str]]:
    """Which of the rows above the data names the columns, and the units in a row below it."""
    units: list[str] = []
    for at in range(len(above) - 1, -1, -1):
        row = above[at]
        if len(row) != width:
            break
        if _is_units_row(row):
            units = [cell.strip("[]() ") for cell in row]
            continue
        given = [cell for cell in row if cell]
        if len(given) >= max(2, width - 1) and not any(map(_is_number, given)):
            return at, units
    return None, []


def _is_number(cell: str) -> bool:
    return bool(re.fullmatch(r"[-+]?\d+([.,]\d+)?", cell))


# -- the form


def form_of(grids: Sequence[Grid], answers: Answers) -> Form:
    """The form of a log from its files, which have to be of one form. Raises Question, BadInput."""
    grid = grids[0]
    for other in grids[1:]:
        if other.layout != grid.layout or other.names != grid.names:
            raise BadInput(
                other.path, "form", f"is not that of {grid.path}",
                "look at files of different forms apart, each for a machine file of its own",
            )  # fmt: skip
    cells = {
        name: sample(cell for each in grids for cell in each.columns[name]) for name in grid.columns
    }
    texts, forms = _times(grid.path, cells, answers)
    rest = {name: column for name, column in cells.items() if name not in forms}
    marks = {name: found for name, column in rest.items() if (found := marks_of(column))}
    decimal = {"point": ".", "comma": ",", None: None}[answers.decimal]
    measured = [rest[name] for name, mark in marks.items() if not mark.is_switch]
    numbers = (
        NumberForm(".", "")
        if kind_of(grid.path) == "parquet"
        else number_form(grid.path, measured, decimal)
    )
    layout = dataclasses.replace(grid.layout, decimal=numbers.decimal, thousands=numbers.thousands)
    form = Form(layout, "", marks, dict(grid.units))
    if not texts:
        form = _counted(grid, form, rest, answers)
    else:
        form = _stated(grid, form, forms, texts, answers)
    form = _long(grid, form, rest)
    form = _ordered(grid, form)
    return _with_missing(grids, _with_units(grid, form))


def _times(
    path: Path, cells: dict[str, list[str]], answers: Answers
) -> tuple[list[str], dict[str, TimeForm]]:
    """The columns that are times as text, those with a day first, and the form of each."""
    forms = {}
    for name, column in cells.items():
        if (
            answers.time is None
            or name == answers.time
            or CLOCK.fullmatch(column[0] if column else "")
        ):
            form = text_form(path, name, column, answers.date_order)
            if form is not None:
                forms[name] = form
    return sorted(forms, key=lambda name: not forms[name].has_day), forms


def _stated(
    grid: Grid, form: Form, forms: dict[str, TimeForm], texts: Sequence[str], answers: Answers
) -> Form:
    """The form with its times, which are text."""
    whole = [name for name in texts if forms[name].has_day and forms[name].has_clock]
    days = [name for name in texts if not forms[name].has_clock]
    clocks = [name for name in texts if not forms[name].has_day]
    layout = form.layout
    if len(whole) > 1:
        return _paired(grid, form, forms, whole)
    if whole:
        pattern = forms[whole[0]].pattern
        return _with_time(form, whole[0], dataclasses.replace(layout, time_format=pattern))
    if days and clocks:
        pattern = f"{forms[days[0]].pattern} {forms[clocks[0]].pattern}"
        layout = dataclasses.replace(layout, clock=clocks[0], time_format=pattern)
        return _with_time(form, days[0], layout)
    if clocks:
        if answers.date is None:
            wrong = "the times have no date"
            raise Question(grid.path, f"column {clocks[0]!r}", wrong, "--date")
        zero = dt.datetime.combine(answers.date, dt.time())
        layout = dataclasses.replace(layout, zero=zero, time_format=forms[clocks[0]].pattern)
        return _with_time(form, clocks[0], layout)
    raise BadInput(
        grid.path, f"column {days[0]!r}", "there is a date, but no time of day",
        "give a log with both",
    )  # fmt: skip


def _with_time(form: Form, name: str, layout: Layout) -> Form:
    return dataclasses.replace(form, time=name, layout=layout)


def _paired(grid: Grid, form: Form, forms: dict[str, TimeForm], whole: Sequence[str]) -> Form:
    """A log with a time beside each value, or one of several times."""
    names = [name for name in grid.names if name in form.marks or name in whole]
    pairs = {
        value: time
        for time, value in zip(names[::2], names[1::2], strict=False)
        if time in whole and value in form.marks
    }
    patterns = {forms[name].pattern for name in whole}
    if len(pairs) * 2 != len(names) or len(patterns) != 1:
        wrong = "there are several columns of times"
        raise Question(grid.path, "columns", wrong, "--time", list(whole))
    layout = dataclasses.replace(form.layout, time_format=patterns.pop(), times=pairs)
    return _with_time(form, names[0], layout)


def _counted(grid: Grid, form: Form, cells: dict[str, list[str]], answers: Answers) -> Form:
    """The form with its times, which are counts since an epoch or since the start."""
    elapsed = []
    for name, mark in form.marks.items():
        if answers.time not in (None, name) or mark.is_switch:
            continue
        values = as_numbers(cells[name], mark, form.layout)
        values = values[np.isfinite(values)]
        if len(values) < FEWEST_ROWS:
            continue
        steps = np.diff(values)
        ordered = bool(np.all(steps >= 0) or np.all(steps <= 0))
        low, high = float(values.min()), float(values.max())
        pattern = count_form(low, high, ordered and np.median(np.abs(steps)) < LONGEST_STEP)
        if pattern is not None:
            plain = pattern == "s since 1970" and form.layout.decimal == "."
            layout = dataclasses.replace(form.layout, time_format="" if plain else pattern)
            return _with_time(_without(form, name), name, layout)
        if ordered and np.all(steps >= 0) and any(word in name.lower() for word in TIME_WORDS):
            elapsed.append(name)
    if not elapsed:
        raise Question(grid.path, "columns", "no column of times is known", "--time", grid.names)
    name = elapsed[0]
    if answers.start is None:
        wrong = "counts from a start that the table does not have"
        raise Question(grid.path, f"column {name!r}", wrong, "--start")
    unit = unit_in(name) or grid.units.get(name) or "s"
    if unit not in ("ms", "s", "min", "h"):
        unit = "s"
    layout = dataclasses.replace(form.layout, zero=answers.start, time_format=f"{unit} since start")
    return _with_time(_without(form, name), name, layout)


def _without(form: Form, name: str) -> Form:
    rest = {each: mark for each, mark in form.marks.items() if each != name}
    return dataclasses.replace(form, marks=rest)


def as_numbers(cells: Sequence[str], mark: Marks, layout: Layout) -> np.ndarray:
    """Cells as floats, NaN where they are none; quick, for a first look."""
    out = np.full(len(cells), np.nan)
    signs = layout.thousands if layout.thousands != "blank" else " \u00a0\u202f\u2009"
    drop = str.maketrans("", "", signs)
    for at, cell in enumerate(cells):
        text = cell.removesuffix(mark.unit).translate(drop) if mark.unit else cell.translate(drop)
        try:
            out[at] = float(text.replace(layout.decimal, "."))
        except ValueError:
            continue
    return out


def _long(grid: Grid, form: Form, cells: dict[str, list[str]]) -> Form:
    """The form of a tag export, if it is one: each row is a time, a tag and a value."""
    texts = {name: set(column) for name, column in cells.items() if name not in form.marks}
    values = [name for name in form.marks if not form.marks[name].is_switch]
    tags = [
        name
        for name, words in texts.items()
        if 1 < len(words) <= MOST_TAGS and len(words) * REPEATS <= len(cells[name])
        and (len(words) > REPEATS or not _is_quality(name, words))
    ]  # fmt: skip
    named = [name for name in tags if any(word in name.lower() for word in TAG_WORDS)]
    quality = next((name for name in cells if name not in values and name not in tags
                    and _is_quality(name, set(cells[name]))), None)  # fmt: skip
    if not values or not tags or (not named and len(values) > 1):
        return form
    tag = (named or tags)[0]
    value = next((name for name in values if name.lower().startswith(("val", "wert"))), values[0])
    if quality is None:
        quality = next((name for name in tags if name != tag and _is_quality(name, texts[name])),
                       None)  # fmt: skip
    good = next((word for word in GOOD if quality and word in cells[quality]), "Good")
    layout = dataclasses.replace(
        form.layout, tag=tag, value=value, quality=quality,
        good=(good,) if quality else form.layout.good,
    )  # fmt: skip
    marks = dict.fromkeys(sorted(texts[tag]), form.marks[value])
    return dataclasses.replace(form, layout=layout, marks=marks)


def _is_quality(name: str, words: set[str]) -> bool:
    return any(word in name.lower() for word in QUALITY_WORDS) and bool(words & set(GOOD))


def _ordered(grid: Grid, form: Form) -> Form:
    """The form, with the newest row first where the last time is before the first."""
    rows: Sequence[int] = range(len(grid.columns[form.time]))
    if form.layout.tag is not None:  # tags may come one after the other
        tags = grid.columns[form.layout.tag]
        most = Counter(tags).most_common(1)[0][0]
        rows = [row for row in rows if tags[row] == most]
    if form.layout.zero is not None or len(rows) < FEWEST_ROWS:
        return form
    three = (rows[0], rows[len(rows) // 2], rows[-1])
    ends = [grid.columns[form.time][row] for row in three]
    columns = {form.time: _series(ends)}
    if form.layout.clock is not None:
        clock = grid.columns[form.layout.clock]
        columns[form.layout.clock] = _series([clock[row] for row in three])
    if form.layout.time_format == "" and form.layout.clock is None:
        try:
            counts = [float(end) for end in ends]
            newest = counts[0] > counts[1] > counts[2]
        except ValueError:
            newest = ends[0] > ends[1] > ends[2]
    else:
        table = Table(grid.path, columns, None, ("row", [1, 2, 3]))
        stamps = time_stamps(table, form.time, form.layout)
        newest = bool(stamps[0] > stamps[1] > stamps[2])
    return dataclasses.replace(form, layout=dataclasses.replace(form.layout, newest_first=newest))


def _series(cells: Sequence[str]) -> pd.Series[Any]:
    return pd.Series(list(cells), dtype=object)


# -- units and marks


def unit_in(name: str) -> str | None:
    """The unit in the name of a column: in brackets, behind a comma, or its last word."""
    bracket = BRACKETS.search(name)
    if bracket is not None:
        text = bracket[1].strip()
        return text if known_unit(text) or re.search("[/%^²³]", text) else None
    words = re.split(r"[\s,_]+", name)
    return _unit_at_end(words[-1]) if len(words) > 1 or "/" in name else None


def _unit_at_end(word: str) -> str | None:
    """The unit that a word is, or ends with as in p/bar; "lb/min" is one that nobody here knows."""
    before, stroke, last = word.rpartition("/")
    if stroke and known_unit(word):
        return word
    if known_unit(last) and (last.lower() not in NO_LAST_WORDS or (stroke and last == "1")):
        return last
    short = stroke and before and max(len(before), len(last)) <= SHORT_UNIT
    return word if short else None


def _with_units(grid: Grid, form: Form) -> Form:
    units = dict(form.units)
    for name, mark in form.marks.items():
        unit = mark.unit or unit_in(name) or units.get(name)
        if unit:
            units[name] = unit
        else:
            units.pop(name, None)
    return dataclasses.replace(form, units=units)


def _with_missing(grids: Sequence[Grid], form: Form) -> Form:
    missing = list(dict.fromkeys(word for mark in form.marks.values() for word in mark.missing))
    odd = "the header comes again" if any(grid.repeats for grid in grids) else ""
    if any(mark.unit for mark in form.marks.values()):
        odd = "there are units in the cells"
    if kind_of(grids[0].path) == "text" and not grids[0].path.name.lower().endswith(PLAIN):
        odd = "the file is not called .csv"
    layout = dataclasses.replace(form.layout, missing=tuple(missing))
    return dataclasses.replace(form, odd=odd, layout=layout)

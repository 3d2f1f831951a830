"""Labels beside a log: what somebody knows to have happened that day, in a CSV file of its own."""

from __future__ import annotations

import csv
import difflib
import io
import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from borewarden.base.errors import BadInput
from borewarden.base.files import read_file
from borewarden.base.times import iso_time, local_ns
from borewarden.collect.columns import find_columns
from borewarden.collect.layout import BOOKS, TEXTS

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
LONGEST_OPEN = 31 * 86_400 * 10**9  # ns that something without an end may have lasted already


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


def labels_path(log: Path | str) -> Path:
    """Where the labels of a log are: `x.labels.csv` beside `x.csv`, `x.xlsx` or any other."""
    log = Path(log)
    stem = log.name
    for suffix in (*(f"{text}.gz" for text in TEXTS), *TEXTS, *BOOKS, ".parquet"):
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
        find_columns(path, "line 1", there, LABEL_COLUMNS)
        labels = []
        for row in reader:
            line_number = f"line {reader.line_num}"
            labels.append(_label(path, line_number, row, time_zone))
            if within is not None:
                _check_within(path, line_number, labels[-1], within, time_zone)
        return labels
    except UnicodeDecodeError:
        raise BadInput(path, "file", "is not UTF-8 text", "save it as UTF-8") from None
    except csv.Error as error:
        raise BadInput(path, "file", f"no CSV: {error}", "give a CSV file") from None


def _check_within(
    path: Path, line: str, label: Label, within: tuple[int, int], time_zone: str
) -> None:
    """BadInput if nothing of `label` can have happened during its log."""
    first, last = within
    right = f"label what happened from {iso_time(first, time_zone)} to {iso_time(last, time_zone)}"
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
        raise BadInput(path, f"{line}, column 'event'", f"{event!r} is not a known event", right)
    change = row["area_change"].strip()
    try:
        area_change = float(change) if change else math.nan
        if not (-0.95 <= area_change <= 20.0 or math.isnan(area_change)):
            raise ValueError
    except ValueError:
        raise BadInput(
            path,
            f"{line}, column 'area_change'",
            f"{change!r} is not a relative change in area",
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
            f"{text!r} is not a time" if text else "the time is missing",
            "give ISO 8601 such as 2026-03-02T06:00:00",
        ) from None
    try:
        return local_ns(time, time_zone)
    except (ValueError, OverflowError) as error:
        right = "give a time that the clock showed"
        raise BadInput(path, f"{line}, column {column!r}", str(error), right) from None

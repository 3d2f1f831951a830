"""The jewel register as people write it: a text for each field, with units, and CSV files."""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import itertools
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from pydantic_core import PydanticCustomError

from borewarden.base.cells import as_written, harmless
from borewarden.base.errors import BadInput
from borewarden.base.files import read_file
from borewarden.base.text import known_name
from borewarden.base.times import local_ns
from borewarden.base.units import Unit
from borewarden.jewels.fitting import End, Fitting
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS

LONGEST_TEXT = 500  # characters
HOUR_NS = 3600 * 10**9
SLACK = 24.0  # h; notes often have the day alone
NO_ZONE = "the time zone is not known here"
HOURS = Unit("hour", 0.0, 1e5, '"50 h"')
BORE = Unit("m", 5e-5, 1e-3, '"0.010 in" or "0.25 mm"')
TUBE = Unit("m", 2e-4, 3e-3, '"0.76 mm" or "0.030 in"')
TDS = Unit("ppm", 0.0, 1e5, '"120 ppm" or 120')
COEFFICIENT = Unit("", 0.3, 1.0, "0.65")
YES = {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}


class _WrongError(ValueError):
    """A text that its field can't hold: what is wrong, and how to fix it."""

    def __init__(self, wrong: str, right: str) -> None:
        super().__init__(wrong)
        self.wrong, self.right = wrong, right


class Field(NamedTuple):
    """A column of the register's CSV: `attribute` of `Fitting`, how its text is read and shown.

    `read` takes the text and the machine's time zone, None if not known.
    """

    attribute: str
    read: Callable[[str, str | None], Any]
    show: Callable[[Any], str]
    required: bool = False


def _line(text: str, zone: str | None) -> str:
    if not text.isprintable() or len(text) > LONGEST_TEXT:
        raise _WrongError(
            f"{text[:60]!r} is not a line of text",
            f"give up to {LONGEST_TEXT} printable characters on one line",
        )
    return text


def _time(text: str, zone: str | None) -> int:
    right = "give ISO 8601 such as 2026-03-02T06:00:00"
    # datetime keeps microseconds and would silently drop the rest
    digits = re.search(r"\.\d{6}(\d{1,3})(?!\d)", text)
    cut = text[: digits.start(1)] + text[digits.end(1) :] if digits else text
    try:
        time = dt.datetime.fromisoformat(cut)
    except ValueError:
        raise _WrongError(f"{text[:60]!r} is not a time", right) from None
    if time.tzinfo is None and zone is None:
        raise _WrongError(
            f"{text!r} has no offset from UTC, and {NO_ZONE}",
            "give an offset, such as 2026-03-02T06:00:00+01:00, or the machine file",
        )
    try:
        ns = local_ns(time, zone or "UTC")
    except (ValueError, OverflowError) as error:
        raise _WrongError(str(error), "give a time that the clock showed") from None
    if time.tzinfo is None and local_ns(time.replace(fold=1), zone or "UTC") != ns:
        raise _WrongError(f"{text!r} came twice that night in {zone}", "add its offset from UTC")
    return ns + (int(digits[1].ljust(3, "0")) if digits else 0)


def time_text(time_ns: int) -> str:
    """A time as ISO 8601 in UTC, exact to the nanosecond."""
    seconds, rest = divmod(time_ns, 10**9)
    text = dt.datetime.fromtimestamp(seconds, dt.UTC).strftime("%Y-%m-%dT%H:%M:%S")
    if rest:
        text += f".{rest:09d}" if rest % 1000 else f".{rest // 1000:06d}"
    return text + "+00:00"


def _quantity(unit: Unit, *shown: str, plain: str = "") -> tuple[Any, Callable[[Any], str]]:
    """How to read a value in `unit`, and how to show it: in the first unit that is exact."""

    def read(text: str, zone: str | None = None) -> float:
        if plain and re.fullmatch(r"[-+.\deE]+", text):
            text = f"{text} {plain}"
        try:
            return unit(text)
        except PydanticCustomError as error:
            context = error.context or {}
            raise _WrongError(context["wrong"], context["right"]) from None

    def show(value: float) -> str:
        for name, factor in {"mm": 1e3, "in": 1.0 / 0.0254}.items() if unit.si == "m" else ():
            text = f"{value * factor:.9g} {name}"
            if read(text) == value:
                return text
        return f"{value!r} {shown[0]}".rstrip()

    return read, show


def _yes_or_no(text: str, zone: str | None) -> bool:
    try:
        return YES[text.lower()]
    except KeyError:
        raise _WrongError(f"{text[:60]!r} is neither yes nor no", "give yes or no") from None


def _one_of(names: Iterable[str], what: str) -> Callable[[str, str | None], str]:
    known = list(names)

    def read(text: str, zone: str | None) -> str:
        if name := known_name(text, known):
            return name
        near = difflib.get_close_matches(text, known, n=1)
        right = f"known: {', '.join(known)}"
        right = f"did you mean {near[0]!r}? {right}" if near else right
        raise _WrongError(f"{text[:60]!r} is not a known {what}", right)

    return read


_end = _one_of([end.value for end in End], "reason for an end")

FIELDS: dict[str, Field] = {
    "machine": Field("machine", _line, str, required=True),
    "head": Field("head", _line, str, required=True),
    "fitted": Field("fitted_ns", _time, time_text, required=True),
    "bore": Field("bore", *_quantity(BORE, "m"), required=True),
    "material": Field("material", _one_of(DISCHARGE_COEFFICIENTS, "material"), str, required=True),
    "out": Field("out_ns", _time, time_text),
    "end": Field("end", lambda text, zone: End(_end(text, zone)), lambda end: str(end.value)),
    "earlier_hours": Field("earlier_hours", *_quantity(HOURS, "h", plain="h")),
    "noted_hours": Field("noted_hours", *_quantity(HOURS, "h", plain="h")),
    "discharge_coefficient": Field("discharge_coefficient", *_quantity(COEFFICIENT, "")),
    "batch": Field("batch", _line, str),
    "mixing_chamber": Field("mixing_chamber", _yes_or_no, lambda yes: "yes" if yes else "no"),
    "chamber_hours": Field("chamber_hours", *_quantity(HOURS, "h", plain="h")),
    "tube_bore": Field("tube_bore", *_quantity(TUBE, "m")),
    "tube_hours": Field("tube_hours", *_quantity(HOURS, "h", plain="h")),
    "last_chance_filter": Field(
        "last_chance_filter", _yes_or_no, lambda yes: "yes" if yes else "no"
    ),
    "tds_ppm": Field("tds_ppm", *_quantity(TDS, "ppm", plain="ppm")),
    "low_pressure_start": Field(
        "low_pressure_start", _yes_or_no, lambda yes: "yes" if yes else "no"
    ),
    "handling": Field("handling", _line, str),
    "note": Field("note", _line, str),
}


@dataclass(frozen=True)
class Frame:
    """What texts are checked against: `zones` by machine name, None if any name will do."""

    now_ns: int
    zones: Mapping[str, str] | None = None


def texts_of(fitting: Fitting) -> dict[str, str]:
    """A fitting as a text for each of `FIELDS`, empty if not known; `fitting_of` undoes it."""
    values = {name: getattr(fitting, field.attribute) for name, field in FIELDS.items()}
    return {
        name: "" if value is None else FIELDS[name].show(value) for name, value in values.items()
    }


def fitting_of(
    texts: Mapping[str, str], frame: Frame, place: Path | str, where: Callable[[str], str]
) -> Fitting:
    """The fitting that `texts` describe, by the names of `FIELDS`; what is missing is not known.

    Raises BadInput about `place`; `where` says where the field of a name is.
    """
    values: dict[str, Any] = {}
    machine = texts.get("machine", "").strip()
    zone = None
    if frame.zones is not None:
        zone = frame.zones.get(machine)
        if machine and zone is None:
            raise BadInput(
                place,
                where("machine"),
                f"there is no machine {machine!r}",
                f"known: {', '.join(sorted(frame.zones))}",
            )
    for name, field in FIELDS.items():
        text = texts.get(name, "").strip()
        if not text:
            if field.required:
                raise BadInput(place, where(name), "is missing", f"state the {name} of every jewel")
            continue
        try:
            values[field.attribute] = field.read(text, zone)
        except _WrongError as error:
            raise BadInput(place, where(name), error.wrong, error.right) from None
        if name in ("fitted", "out") and values[field.attribute] > frame.now_ns:
            raise BadInput(
                place, where(name), f"{text} is in the future", "record only what has been done"
            )
    fitting = Fitting(**values)
    if fitting.out_ns is None and fitting.end is not None:
        raise BadInput(
            place, where("end"), "there is an end but no time out", "state when it was taken out"
        )
    if fitting.out_ns is not None:
        if fitting.out_ns <= fitting.fitted_ns:
            raise BadInput(
                place,
                where("out"),
                "it is out before it is fitted",
                "give a later time; a day alone means the midnight that it begins with",
            )
        fitting = replace(fitting, end=fitting.end or End.UNKNOWN)
    _check_noted(fitting, zone, place, where)
    if fitting.mixing_chamber is False and fitting.chamber_hours is not None:
        raise BadInput(
            place,
            where("chamber_hours"),
            "there is no mixing chamber, but it has hours",
            "leave one of the two out",
        )
    return fitting


def _check_noted(
    fitting: Fitting, zone: str | None, place: Path | str, where: Callable[[str], str]
) -> None:
    """Refuse hours by notes of a jewel that still cuts, or more than it can have cut."""
    if fitting.noted_hours is None:
        return
    if fitting.out_ns is None:
        raise BadInput(
            place,
            where("noted_hours"),
            "they are of a jewel that is out, and this one has no time out",
            f"state when it came out ({where('out')}); of one that still cuts, state the hours "
            f"that it had when the watch began ({where('earlier_hours')})",
        )
    most = (fitting.out_ns - fitting.fitted_ns) / HOUR_NS + SLACK
    if fitting.noted_hours > most:
        raise BadInput(
            place,
            where("noted_hours"),
            f"{fitting.noted_hours:g} h of jet are more than there were from "
            f"{shown_time(fitting.fitted_ns, zone)} to {shown_time(fitting.out_ns, zone)}",
            "check the hours and both times",
        )


def corrected(
    fitting: Fitting, changes: Iterable[str], frame: Frame, place: str, option: str
) -> Fitting:
    """`fitting` with the fields that `changes` give as FIELD=TEXT; FIELD= for not known.

    One that is given no time out is in its head again, and has neither an end nor noted hours.
    Raises BadInput about `place`, where changes are given by `option`.
    """
    texts = texts_of(fitting)
    named = set()
    for change in changes:
        name, equals, text = change.partition("=")
        if name not in FIELDS or not equals:
            raise BadInput(
                place,
                option,
                f"{change[:60]!r} names no field",
                f"give FIELD=TEXT; fields are {', '.join(FIELDS)}",
            )
        texts[name] = text
        named.add(name)
    if not texts["out"] and fitting.end is not None and "out" in named:
        texts |= {"end": "", "noted_hours": ""}
    return fitting_of(texts, frame, place, lambda name: f"{option} {name}")


# -- several fittings on one head


class Placed(NamedTuple):
    """What fits into the register: `new` fittings, each with its place, and old ones `closed`.

    Those are by number. `skipped` are the places of those that are in it already.
    """

    new: list[tuple[str, Fitting]]
    closed: dict[int, Fitting]
    skipped: list[str]


def place_fittings(
    held: Mapping[int, Fitting], rows: Iterable[tuple[str, Fitting]], place: Path | str
) -> Placed:
    """Put `rows`, each a place and a fitting, among the fittings that the register `held`.

    If a jewel is fitted on a head while another one is still in it, that one is closed at that
    time with end unknown. Raises BadInput about `place` if two are in one head at a time.
    """
    there: dict[tuple[str, str], list[_There]] = {}
    for number, fitting in held.items():
        there.setdefault((fitting.machine, fitting.head), []).append(_There(fitting, number))
    new: list[_There] = []
    skipped: list[str] = []
    for where, fitting in rows:
        on_head = there.setdefault((fitting.machine, fitting.head), [])
        same = next((t for t in on_head if t.fitting.fitted_ns == fitting.fitted_ns), None)
        if same is None:
            added = _There(fitting, where=where)
            on_head.append(added)
            new.append(added)
        elif fitting == same.fitting or (
            fitting.out_ns is None  # as it was before that one was taken out
            and replace(fitting, out_ns=same.fitting.out_ns, end=same.fitting.end) == same.fitting
        ):
            skipped.append(where)
        else:
            raise BadInput(
                place,
                where,
                f"{same.words} has the same head and time, and differs",
                "give each fitting once; to change one in the register, use `register correct`",
            )
    closed: dict[int, Fitting] = {}
    for on_head in there.values():
        on_head.sort(key=lambda t: t.fitting.fitted_ns)
        for earlier, later in itertools.pairwise(on_head):
            out_ns = earlier.fitting.out_ns
            if out_ns is None:
                earlier.fitting = replace(
                    earlier.fitting, out_ns=later.fitting.fitted_ns, end=End.UNKNOWN
                )
                if earlier.number is not None:
                    closed[earlier.number] = earlier.fitting
            elif out_ns > later.fitting.fitted_ns:
                one, other = (earlier, later) if later.number is not None else (later, earlier)
                raise BadInput(
                    place,
                    one.where,
                    f"it overlaps {other.words} on head {later.fitting.head}",
                    "a jewel must be out before the next one is fitted",
                )
    return Placed([(added.where, added.fitting) for added in new], closed, skipped)


@dataclass
class _There:
    fitting: Fitting
    number: int | None = None
    where: str = ""

    @property
    def words(self) -> str:
        return f"fitting {self.number}" if self.number is not None else f"the one in {self.where}"


# -- CSV


def read_csv(path: Path, frame: Frame) -> list[tuple[str, Fitting]]:
    """All fittings of the CSV file at `path`, each with the line that it ends on.

    Columns are the names of `FIELDS`, in any order; those not required may be missing. Raises
    BadInput with line and column for the first thing that can't be used.
    """
    try:
        text = read_file(path, "give a CSV file").decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadInput(
            path, f"byte {error.start + 1}", "is not UTF-8 text", "save it as UTF-8"
        ) from None
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    found: list[tuple[str, Fitting]] = []
    names: list[str] = []
    try:
        for cells in reader:
            line = f"line {reader.line_num}"
            if not any(cell.strip() for cell in cells):
                continue
            if not names:
                names = _header(path, line, cells)
                continue
            if len(cells) != len(names):
                raise BadInput(
                    path,
                    line,
                    f"has {len(cells)} fields",
                    f"give the {len(names)} fields of the header; quote text with commas",
                )
            texts = dict(zip(names, map(as_written, cells), strict=True))
            fitting = fitting_of(texts, frame, path, _column_of(line))
            found.append((line, fitting))
    except csv.Error as error:
        raise BadInput(
            path, f"line {reader.line_num}", f"is not CSV: {error}", "give a CSV file"
        ) from None
    if not found:
        wrong = "there is only a header" if names else "the file is empty"
        raise BadInput(path, "file", wrong, "give a line for each jewel fitted")
    return found


def _column_of(line: str) -> Callable[[str], str]:
    return lambda name: f"{line}, column {name!r}"


def _header(path: Path, line: str, cells: list[str]) -> list[str]:
    names = [cell.strip() for cell in cells]
    for i, name in enumerate(names):
        if name not in FIELDS:
            near = difflib.get_close_matches(name, FIELDS, n=1, cutoff=0.55)
            right = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(FIELDS)}"
            if ";" in name:
                right = "separate the fields by commas"
            raise BadInput(path, line, f"unknown column {name[:60]!r}", right)
        if name in names[:i]:
            raise BadInput(path, line, f"column {name!r} is there twice", "give each column once")
    for name, field in FIELDS.items():
        if field.required and name not in names:
            raise BadInput(path, line, f"there is no column {name!r}", "add it for every jewel")
    return names


def csv_text(fittings: Iterable[Fitting]) -> str:
    """The `fittings` as CSV, which `read_csv` reads back unchanged."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(FIELDS), lineterminator="\n")
    writer.writeheader()
    for fitting in fittings:
        writer.writerow({name: harmless(cell) for name, cell in texts_of(fitting).items()})
    return text.getvalue()


def shown_time(time_ns: int, zone: str | None) -> str:
    """A time for people, to the minute: local if the zone is known, else UTC."""
    time = dt.datetime.fromtimestamp(time_ns // 10**9, ZoneInfo(zone) if zone else dt.UTC)
    return time.strftime("%Y-%m-%d %H:%M" if zone else "%Y-%m-%d %H:%MZ")

"""The forms in which shops have their logs, from one invented day, with the right answers beside.

Each `Form` is named by its general kind. What is in the files is the same few minutes of the three
invented pumps: `Form.truth` has them in SI. The generator was written before the reader.
"""

from __future__ import annotations

import datetime as dt
import gzip
import io
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import xlsxwriter

from borewarden.base.samples import Samples, rows
from borewarden.settings import load_machine
from borewarden.simulate.day import Day, log_day

ROOT = Path(__file__).parents[2]
ZONE = ZoneInfo("Europe/Vienna")
PLAIN = dt.date(2026, 3, 17)  # a day that can't be a month
EITHER = dt.date(2026, 3, 4)  # 03/04 or 04/03

# factor and offset from SI to what people read
UNITS: dict[str, tuple[float, float]] = {
    "bar": (1e-5, 0.0), "MPa": (1e-6, 0.0), "psi": (1 / 6894.757293168, 0.0),
    "kpsi": (1 / 6894757.293168, 0.0), "degC": (1.0, -273.15), "degF": (1.8, -459.67),
    "strokes/min": (60.0, 0.0), "rpm": (60.0, 0.0), "Hz": (1.0, 0.0), "count": (1.0, 0.0),
    "on": (1.0, 0.0),
    # of a flow meter in the feed line: m³/s
    "l/min": (60000.0, 0.0), "gpm": (15850.323141489, 0.0),
}  # fmt: skip


@cache
def logged(pump: str, day: dt.date) -> Samples:
    """Twenty minutes of a pump, with every signal that it can have."""
    machine = load_machine(ROOT / "config" / f"{pump}.toml")
    jewel = machine.jewels()[0]
    made = log_day(
        Day(day, 1, 5, "Europe/Vienna", jewel.plausible.typical, end_hour=6.6,
            logs_rate=pump == "west", signals="full"),
        machine.build_pump(), jewel,
    )  # fmt: skip
    return rows(made, 640, 1840)


@dataclass(frozen=True)
class Column:
    """One column as it is printed: which channel, in which unit, with how many digits."""

    header: str
    channel: str  # of `Samples`, "flow", or "" for something the watcher has no use for
    unit: str
    digits: int = 1


@dataclass(frozen=True)
class Form:
    """One form of log. `right` is channel: (column, unit); `answers` are options that it needs.

    `asked` names the option without which the form must be refused, "" where nothing is to ask.
    `tolerance` is in seconds how far off the time of a reading may be, for logs by exception.
    """

    key: str
    kind: str
    pump: str
    files: dict[str, bytes]
    right: dict[str, tuple[str, str]]
    truth: Samples
    answers: tuple[str, ...] = ()
    asked: str = ""
    sparse: bool = False
    worth: dict[str, float] = field(default_factory=dict)  # dead band of a channel, in its unit


def column_values(pump: str, samples: Samples, column: Column) -> np.ndarray:
    if column.channel == "":
        return np.full(len(samples.time_ns), 3900.0 if column.unit == "set" else 7.0)
    if column.channel == "flow":
        return flow_of(pump, samples) * UNITS[column.unit][0]
    values = np.asarray(getattr(samples, column.channel), dtype=float)
    if column.channel == "stroke_count":
        values = np.nan_to_num(values) + 1200.0
    scale, offset = UNITS[column.unit]
    return values * scale + offset


def flow_of(pump: str, samples: Samples) -> np.ndarray:
    """What a flow meter in the feed line shows, m³/s: events a second times what each takes."""
    from borewarden.physics.pump import delivered_mass
    from borewarden.physics.water import density_at_atmosphere

    built = load_machine(ROOT / "config" / f"{pump}.toml").build_pump()
    temperature = samples.temperature
    mass = delivered_mass(built.displacement, samples.pressure, temperature)
    return samples.rate * mass / density_at_atmosphere(temperature)


def local_times(samples: Samples) -> list[dt.datetime]:
    return [
        dt.datetime.fromtimestamp(int(ns) // 10**9, ZONE).replace(
            microsecond=int(ns) % 10**9 // 1000
        )
        for ns in samples.time_ns
    ]


def strf(pattern: str) -> Callable[[dt.datetime], list[str]]:
    return lambda time: [time.strftime(pattern)]


ISO = strf("%Y-%m-%dT%H:%M:%S")


def split(*patterns: str) -> Callable[[dt.datetime], list[str]]:
    return lambda time: [time.strftime(pattern) for pattern in patterns]


def milli(time: dt.datetime, pattern: str, point: str) -> list[str]:
    return [f"{time.strftime(pattern)}{point}{time.microsecond // 1000:03d}"]


def number(value: float, digits: int, point: str = ".", thousands: str = "") -> str:
    if np.isnan(value):
        return ""
    text = f"{value:,.{digits}f}"
    return text.replace(",", "\0").replace(".", point).replace("\0", thousands)


BAR = Column("pressure_bar", "pressure", "bar")
STROKES = Column("strokes", "stroke_count", "count", 0)
WATER = Column("water_c", "temperature", "degC")
NORTH = (BAR, STROKES, WATER)
BARE = (
    Column("Pressure", "pressure", "bar"),
    Column("Strokes", "stroke_count", "count", 0),
    Column("Water", "temperature", "degC"),
)
PSI = Column("Pressure (psi)", "pressure", "psi", 0)
SPM = Column("Stroke rate (1/min)", "rate", "strokes/min")
FAHRENHEIT = Column("Water temp (F)", "temperature", "degF")
WEST = (PSI, SPM, FAHRENHEIT)
MPA = Column("P_MPa", "pressure", "MPa", 2)
CRANK = Column("Crank rpm", "rate", "rpm")
CELSIUS = Column("T_water", "temperature", "degC")
SOUTH = (MPA, CRANK, CELSIUS)


def right_of(columns: tuple[Column, ...]) -> dict[str, tuple[str, str]]:
    return {
        ("rate" if each.channel == "flow" else each.channel): (each.header, each.unit)
        for each in columns
        if each.channel
    }


def cells(
    pump: str,
    samples: Samples,
    columns: tuple[Column, ...],
    stamp: Callable[[dt.datetime], list[str]],
    point: str = ".",
    thousands: str = "",
    write: Callable[[str, Column], str] = lambda text, column: text,
) -> Iterator[list[str]]:
    table = [column_values(pump, samples, each) for each in columns]
    for at, time in enumerate(local_times(samples)):
        yield stamp(time) + [
            write(text, each) if (text := number(values[at], each.digits, point, thousands)) else ""
            for values, each in zip(table, columns, strict=True)
        ]


def joined(
    lines: Iterator[list[str]] | list[list[str]],
    separator: str = ",",
    end: str = "\n",
    quote: Callable[[str], bool] | None = None,
    tail: str = "",
) -> str:
    def cell(text: str) -> str:
        return f'"{text}"' if quote is not None and quote(text) else text

    return "".join(separator.join(map(cell, line)) + tail + end for line in lines)


@dataclass
class Maker:
    """Collects the forms."""

    forms: list[Form] = field(default_factory=list)

    def add(
        self,
        key: str,
        kind: str,
        pump: str,
        columns: tuple[Column, ...],
        files: dict[str, bytes],
        day: dt.date = PLAIN,
        **more: Any,
    ) -> None:
        right = more.pop("right", None) or right_of(columns)
        truth = more.pop("truth", None) or logged(pump, day)
        self.forms.append(Form(key, kind, pump, files, right, truth, **more))

    def text(
        self,
        key: str,
        kind: str,
        columns: tuple[Column, ...] = NORTH,
        *,
        pump: str = "north",
        day: dt.date = PLAIN,
        time: tuple[str, ...] = ("time",),
        stamp: Callable[[dt.datetime], list[str]] = ISO,
        separator: str = ",",
        point: str = ".",
        thousands: str = "",
        encoding: str = "utf-8",
        above: str = "",
        below: list[str] | None = None,
        header: bool = True,
        end: str = "\n",
        tail: str = "",
        quote: Callable[[str], bool] | None = None,
        write: Callable[[str, Column], str] = lambda text, column: text,
        change: Callable[[list[list[str]]], list[list[str]]] = lambda lines: lines,
        foot: str = "",
        suffix: str = "csv",
        **more: Any,
    ) -> None:
        lines = list(cells(pump, logged(pump, day), columns, stamp, point, thousands, write))
        lines = change(lines)
        top = [list(time) + [each.header for each in columns]] if header else []
        if below is not None:
            top.append(below)
        text = above + joined(top + lines, separator, end, quote, tail) + foot
        self.add(
            key, kind, pump, columns, {f"{key}.{suffix}": text.encode(encoding)}, day, **more
        )  # fmt: skip


GERMAN = "%d.%m.%Y %H:%M:%S"
EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def since(epoch: dt.datetime, unit: float, digits: int = 0) -> Callable[[dt.datetime], list[str]]:
    """Units of `unit` seconds since `epoch`, UTC."""
    return lambda time: [f"{(time - epoch) / dt.timedelta(seconds=1) / unit:.{digits}f}"]


def serial(time: dt.datetime) -> float:
    """Days since the spreadsheet's epoch, local time."""
    return (time.replace(tzinfo=None) - dt.datetime(1899, 12, 30)) / dt.timedelta(days=1)


def plain_texts(make: Maker) -> None:
    """Separators, decimal signs, encodings, what stands above and below the header."""
    semicolon: dict[str, Any] = {"separator": ";", "point": ",", "stamp": strf(GERMAN)}
    make.text("iso", "plain logger: ISO time, comma, point")
    make.text("txt", "the same under another ending", suffix="txt")
    make.text("semicolon", "spreadsheet export with decimal commas", **semicolon)
    make.text("semicolon-point", "semicolons, decimal points", separator=";")
    make.text("tab", "tab-separated, ISO with a blank", separator="\t",
              stamp=strf("%Y-%m-%d %H:%M:%S"), suffix="txt")  # fmt: skip
    make.text("tab-comma", "tab-separated, decimal commas", separator="\t", point=",",
              stamp=strf(GERMAN), suffix="txt")  # fmt: skip
    make.text("pipe", "separated by upright strokes", separator="|")
    make.text("blanks", "columns lined up with blanks", separator="   ", suffix="prn",
              write=lambda text, column: text.rjust(9), change=fill("-----"))  # fmt: skip
    make.text("quoted", "every cell in quotes", quote=lambda text: True)
    make.text("quoted-commas", "commas, decimal commas in quotes", point=",",
              quote=lambda text: "," in text)  # fmt: skip
    make.text("bom", "UTF-8 with a byte order mark", encoding="utf-8-sig", **semicolon)
    make.text("utf16", "spreadsheet's Unicode text: UTF-16, tabs", separator="\t", point=",",
              stamp=strf(GERMAN), encoding="utf-16", suffix="txt")  # fmt: skip
    big = Maker()
    big.text("utf16-be", "UTF-16, big end first", encoding="utf-16-be", above="\ufeff")
    make.forms += big.forms
    accents = (
        Column("Druck [bar]", "pressure", "bar"),
        Column("Hübe", "stroke_count", "count", 0),
        Column("Wassertemperatur [°C]", "temperature", "degC"),
    )
    make.text("cp1252", "a Windows code page, units in brackets", accents, encoding="cp1252",
              time=("Zeit",), **semicolon)  # fmt: skip
    make.text("utf8-accents", "UTF-8 accents, units in brackets", accents, time=("Zeit",),
              **semicolon)  # fmt: skip
    make.text("titles", "title lines above the header",
              above="Waterjet north\nLogger serial 4711\nInterval 1 s\n\n")  # fmt: skip
    make.text("titles-cells", "title lines with as many cells as the table",
              above="Device;Logger 12;;\nInterval;1;s;\nStart;17.03.2026 05:49:43;;\n;;;\n",
              **semicolon)  # fmt: skip
    make.text("comments", "comment lines above the header",
              above="# exported by the historian\n# quality: good only\n")  # fmt: skip
    make.text("sep-line", "a line that states the separator", above="sep=;\n", **semicolon)
    make.text("units-row", "a row of units below the header", BARE,
              below=["", "bar", "-", "°C"])  # fmt: skip
    make.text("units-and-format-row", "units row of a bench recorder", BARE, below=["s", "bar", "1",
              "degC"], above="Recorder\nChannel list\n", separator="\t", suffix="txt")  # fmt: skip
    make.text(
        "tail", "a separator at the end of each row, CR LF", tail=";", end="\r\n", **semicolon
    )
    make.text("footer", "a summary below the last row", foot="\nRecords: 1200\nEnd of file\n")
    make.text("no-header", "memory card of a controller: no header", header=False,
              right={"pressure": ("column 2", "bar"), "stroke_count": ("column 3", "count"),
                     "temperature": ("column 4", "degC")})  # fmt: skip
    make.text("header-again", "header repeated at each restart of the logger",
              change=lambda lines: [*lines[:500], ["time", *(each.header for each in NORTH)],
                                    *lines[500:]])  # fmt: skip
    make.text("row-number", "a number for each row in front", time=("No.", "Timestamp"),
              stamp=numbered())  # fmt: skip


def fill(mark: str) -> Callable[[list[list[str]]], list[list[str]]]:
    return lambda lines: [[cell or mark for cell in line] for line in lines]


def numbered() -> Callable[[dt.datetime], list[str]]:
    at = iter(range(1, 10**6))
    return lambda time: [str(next(at)), time.strftime("%Y-%m-%d %H:%M:%S")]


def times(make: Maker) -> None:
    """Forms of date and time."""
    make.text("two-columns", "date and time in two columns", time=("Date", "Time"),
              stamp=split("%Y-%m-%d", "%H:%M:%S"))  # fmt: skip
    make.text("two-columns-german", "two columns, day first, two-digit year",
              time=("Datum", "Uhrzeit"), stamp=split("%d.%m.%y", "%H:%M:%S"), separator=";",
              point=",")  # fmt: skip
    make.text("two-columns-am", "two columns, month first, AM and PM", WEST, pump="west",
              time=("Date", "Time"), stamp=split("%m/%d/%Y", "%I:%M:%S %p"))  # fmt: skip
    make.text("month-first", "month first, AM and PM", WEST, pump="west",
              stamp=strf("%m/%d/%Y %I:%M:%S %p"))  # fmt: skip
    make.text("day-first", "day first with strokes", stamp=strf("%d/%m/%Y %H:%M:%S"))
    make.text("either-day-first", "day or month first, can't be told: it is the day", day=EITHER,
              stamp=strf("%d/%m/%Y %H:%M:%S"), asked="--date-order",
              answers=("--date-order", "day-first"))  # fmt: skip
    make.text("either-month-first", "day or month first, can't be told: it is the month", WEST,
              pump="west", day=EITHER, stamp=strf("%m/%d/%Y %H:%M:%S"), asked="--date-order",
              answers=("--date-order", "month-first"))  # fmt: skip
    make.text("either-two-columns", "two columns, can't be told", WEST, pump="west", day=EITHER,
              time=("Date", "Time"), stamp=split("%m/%d/%Y", "%I:%M:%S %p"), asked="--date-order",
              answers=("--date-order", "month-first"))  # fmt: skip
    make.text("two-digit-year", "day first with points, two-digit year", separator=";",
              stamp=strf("%d.%m.%y %H:%M:%S"))  # fmt: skip
    make.text("month-name", "month as three letters", stamp=strf("%d-%b-%Y %H:%M:%S"))
    make.text("month-name-first", "month as a word, AM and PM, in quotes", WEST, pump="west",
              stamp=strf("%b %d, %Y %I:%M:%S %p"), quote=lambda text: "," in text)  # fmt: skip
    make.text("year-first-slash", "year first with strokes", stamp=strf("%Y/%m/%d %H:%M:%S"))
    make.text("compact", "fourteen digits", stamp=strf("%Y%m%d%H%M%S"))
    make.text("compact-t", "ISO without signs", stamp=strf("%Y%m%dT%H%M%S"))
    make.text("utc", "ISO, UTC, with a Z", stamp=utc("%Y-%m-%dT%H:%M:%SZ"))
    make.text("offset", "ISO with an offset", stamp=lambda time: [time.isoformat()])
    make.text("millis", "ISO with milliseconds",
              stamp=lambda time: milli(time, "%Y-%m-%d %H:%M:%S", "."))  # fmt: skip
    make.text("millis-comma", "decimal comma in the seconds, too", separator=";", point=",",
              stamp=lambda time: milli(time, GERMAN, ","))  # fmt: skip
    make.text("millis-colon", "milliseconds behind a colon", separator=";",
              stamp=lambda time: milli(time, "%Y-%m-%d %H:%M:%S", ":"))  # fmt: skip
    make.text("epoch", "seconds since 1970", stamp=since(EPOCH, 1.0))
    make.text("epoch-float", "seconds since 1970 with a fraction", stamp=since(EPOCH, 1.0, 3))
    make.text("epoch-ms", "milliseconds since 1970", stamp=since(EPOCH, 1e-3))
    make.text("epoch-us", "microseconds since 1970", stamp=since(EPOCH, 1e-6))
    make.text(
        "epoch-ns",
        "nanoseconds since 1970",
        stamp=lambda time: [f"{int((time - EPOCH) / dt.timedelta(seconds=1))}000000000"],
    )
    make.text("serial", "days of a spreadsheet",
              stamp=lambda time: [f"{serial(time):.8f}"])  # fmt: skip
    make.text("ticks", "tenths of microseconds since 1601",
              stamp=lambda time: [str(int((time - dt.datetime(1601, 1, 1, tzinfo=dt.UTC))
                                          / dt.timedelta(microseconds=1)) * 10)])  # fmt: skip
    make.text(
        "time-only",
        "time of day, the date in a title line",
        stamp=strf("%H:%M:%S"),
        above="Trend of 17.03.2026\n",
        asked="--date",
        answers=("--date", "2026-03-17"),
    )
    make.text("elapsed", "seconds since the start", stamp=elapsed(), time=("Elapsed (s)",),
              asked="--start", answers=("--start", "2026-03-17T05:49:43"))  # fmt: skip
    make.text("newest-first", "newest row first, as a historian's page prints it",
              stamp=strf("%Y-%m-%d %H:%M:%S"), change=lambda lines: lines[::-1])  # fmt: skip


def utc(pattern: str) -> Callable[[dt.datetime], list[str]]:
    return lambda time: [time.astimezone(dt.UTC).strftime(pattern)]


def elapsed() -> Callable[[dt.datetime], list[str]]:
    start = local_times(logged("north", PLAIN))[0]
    assert start.strftime("%H:%M:%S") == "05:49:43", start
    return lambda time: [f"{(time - start).total_seconds():.1f}"]


def numbers(make: Maker) -> None:
    """Thousands signs, marks for missing, units in cells, words for on and off."""
    both = lambda text: "," in text  # noqa: E731
    make.text("thousands-comma", "thousands commas in quotes", WEST, pump="west", thousands=",",
              quote=both)  # fmt: skip
    make.text("thousands-point", "thousands points, decimal commas", NORTH, separator=";",
              point=",", thousands=".", stamp=strf(GERMAN))  # fmt: skip
    hands = (Column("Druck HD [bar]", "pressure", "bar"), Column("Hübe/min", "rate", "strokes/min"))
    make.text("thousands-every-cell", "Windows code page, titles, both signs in every pressure",
              hands, pump="west", time=("Datum", "Uhrzeit"), separator=";", point=",",
              thousands=".", stamp=split("%d.%m.%Y", "%H:%M:%S"), encoding="cp1252",
              above="Hochdruckpumpe West\nAusdruck vom 18.03.2026\n")  # fmt: skip
    make.text("thousands-every-cell-english", "the same in English, in quotes where commas are",
              (Column("HP pressure [bar]", "pressure", "bar"),
               Column("Strokes/min", "rate", "strokes/min")), pump="west",
              time=("Date", "Time"), thousands=",", stamp=split("%d/%m/%Y", "%H:%M:%S"),
              above="High-pressure pump west\nPrinted on 18/03/2026\n", quote=both)  # fmt: skip
    make.text("thousands-apostrophe", "thousands apostrophes", separator=";", thousands="'",
              stamp=strf(GERMAN))  # fmt: skip
    make.text("thousands-blank", "hard blanks at the thousands, a Windows code page", separator=";",
              point=",", thousands="\xa0", encoding="cp1252", stamp=strf(GERMAN))  # fmt: skip
    make.text(
        "unit-in-cell",
        "the unit behind each number",
        BARE,
        write=lambda text, column: f"{text} bar" if column.unit == "bar" else text,
    )
    make.text("dashes", "three dashes where a reading is missing", change=knock_out("---"))
    make.text("bad-input", "words where a reading is missing", change=knock_out("Bad Input"))
    make.text("nines", "-9999 where a reading is missing", change=knock_out("-9999"))
    make.text("empty", "empty cells where a reading is missing", change=knock_out(""))
    make.text("on-off", "valve as words, set point beside the reading",
              (Column("Set pressure", "", "set", 0), Column("Actual pressure", "pressure", "bar"),
               STROKES, Column("Jet", "valve", "on", 0), Column("Program", "", "no", 0)),
              write=lambda text, column: ("ON" if text == "1" else "OFF")
              if column.channel == "valve" else text)  # fmt: skip
    make.text("true-false", "valve as true and false",
              (*NORTH, Column("valve_open", "valve", "on", 0)),
              write=lambda text, column: ("True" if text == "1" else "False")
              if column.channel == "valve" else text)  # fmt: skip
    make.text("exponents", "every number with an exponent",
              write=lambda text, column: f"{float(text):.6E}")  # fmt: skip


def knock_out(mark: str) -> Callable[[list[list[str]]], list[list[str]]]:
    """Every 97th pressure is missing."""

    def change(lines: list[list[str]]) -> list[list[str]]:
        return [
            [line[0], mark, *line[2:]] if at % 97 == 50 else line for at, line in enumerate(lines)
        ]

    return change


def quantities(make: Maker) -> None:
    """What the columns are: told by what they do, in any language and unit."""
    make.text("west", "psi, strokes a minute, Fahrenheit", WEST, pump="west")
    make.text("south", "crank pump: MPa, turns a minute", SOUTH, pump="south")
    make.text("south-bare", "crank pump: pressure and water only", (MPA, CELSIUS), pump="south")
    make.text("kpsi", "thousands of psi", (Column("Pump kpsi", "pressure", "kpsi", 3),
              SPM, FAHRENHEIT), pump="west")  # fmt: skip
    make.text("tags", "tag names that say nothing",
              (Column("AI_01", "pressure", "bar"), Column("CT_07", "stroke_count", "count", 0),
               Column("AI_04", "temperature", "degC")))  # fmt: skip
    make.text("tags-psi", "tag names that say nothing, psi and a rate",
              (Column("W100", "pressure", "psi", 0), Column("W104", "rate", "strokes/min"),
               Column("W108", "temperature", "degF")), pump="west")  # fmt: skip
    make.text("numbered", "numbers and sides in the names, the valve first",
              (Column("Jet 1", "valve", "on", 0), Column("Pressure 1", "pressure", "bar"),
               Column("Strokes A", "stroke_count", "count", 0),
               Column("Water 1", "temperature", "degC")))  # fmt: skip
    make.text("stroke-units", "units behind a stroke in the names", suffix="csv",
              columns=(Column("p/bar", "pressure", "bar"),
                       Column("n/1", "stroke_count", "count", 0),
                       Column("T/°C", "temperature", "degC")))  # fmt: skip
    make.text("french", "French headers",
              (Column("Pression (bar)", "pressure", "bar"),
               Column("Coups", "stroke_count", "count", 0),
               Column("Température eau (°C)", "temperature", "degC")),
              time=("Horodatage",), separator=";", point=",", encoding="cp1252",
              stamp=strf("%d/%m/%Y %H:%M:%S"))  # fmt: skip
    make.text("hertz", "strokes a second", (Column("P [MPa]", "pressure", "MPa", 2),
              Column("Strokes [Hz]", "rate", "Hz", 4)), pump="west")  # fmt: skip
    make.text("set-point", "set point, oil pressure and boost beside the water's",
              (Column("SP", "", "set", 0), Column("Oil [bar]", "oil_pressure", "bar"),
               Column("HP [bar]", "pressure", "bar"),
               Column("Boost [bar]", "boost_pressure", "bar", 2),
               STROKES, WATER))  # fmt: skip
    make.text("flow-l", "a flow meter, litres a minute",
              (Column("Pressure [bar]", "pressure", "bar"),
               Column("Flow [l/min]", "flow", "l/min", 3)), pump="west")  # fmt: skip
    make.text("flow-gpm", "a flow meter, gallons a minute",
              (PSI, Column("Flow (gpm)", "flow", "gpm", 3), FAHRENHEIT), pump="west")  # fmt: skip
    make.text("wrap", "a counter that wraps at 1500", change=wrap(1500))


def wrap(at: int) -> Callable[[list[list[str]]], list[list[str]]]:
    return lambda lines: [[*line[:2], str(int(line[2]) % at), *line[3:]] for line in lines]


def xlsx(sheets: dict[str, list[list[Any]]]) -> bytes:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    stamp = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    clock = book.add_format({"num_format": "hh:mm:ss"})
    for name, lines in sheets.items():
        sheet = book.add_worksheet(name)
        for row, line in enumerate(lines):
            for column, value in enumerate(line):
                if isinstance(value, dt.datetime):
                    sheet.write_datetime(row, column, value, stamp)
                elif isinstance(value, dt.date):
                    sheet.write_datetime(row, column, value, day)
                elif isinstance(value, dt.time):
                    sheet.write_datetime(row, column, value, clock)
                elif value == value:
                    sheet.write(row, column, value)
    book.close()
    return out.getvalue()


def ods(lines: list[list[Any]]) -> bytes:
    def cell(value: Any) -> str:
        if isinstance(value, dt.datetime):
            kind = f'office:value-type="date" office:date-value="{value.isoformat()}"'
        elif isinstance(value, (int, float)):
            kind = f'office:value-type="float" office:value="{value}"'
        else:
            kind = 'office:value-type="string"'
        return f"<table:table-cell {kind}><text:p>{escape(str(value))}</text:p></table:table-cell>"

    body = "".join(
        f"<table:table-row>{''.join(map(cell, line))}</table:table-row>" for line in lines
    )
    spaces = " ".join(
        f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{long}:1.0"'
        for short, long in (("office", "office"), ("table", "table"), ("text", "text"))
    )
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {spaces}><office:body>'
        f'<office:spreadsheet><table:table table:name="Log">{body}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        book.writestr("content.xml", content)
        book.writestr("META-INF/manifest.xml", "<manifest/>")
    return out.getvalue()


def table(
    pump: str, columns: tuple[Column, ...], stamp: Callable[[dt.datetime], list[Any]]
) -> list[list[Any]]:
    samples = logged(pump, PLAIN)
    values = [np.round(column_values(pump, samples, each), each.digits) for each in columns]
    return [
        [*stamp(time.replace(tzinfo=None)), *(float(each[at]) for each in values)]
        for at, time in enumerate(local_times(samples))
    ]


def books(make: Maker) -> None:
    """Spreadsheets and Parquet."""
    header = ["time", *(each.header for each in NORTH)]
    real = table("north", NORTH, lambda time: [time])
    make.add("xlsx", "workbook with real times", "north", NORTH,
             {"xlsx.xlsx": xlsx({"Log": [header, *real]})})  # fmt: skip
    make.add(
        "xlsx-titles",
        "workbook with a title and an empty row above the table",
        "north",
        NORTH,
        {"xlsx-titles.xlsx": xlsx({"Log": [["Waterjet log, north"], [], header, *real]})},
    )
    text = table("north", NORTH, lambda time: [time.strftime(GERMAN)])
    make.add("xlsx-text", "workbook with times as text", "north", NORTH,
             {"xlsx-text.xlsx": xlsx({"Log": [header, *text]})})  # fmt: skip
    make.add(
        "xlsx-sheets",
        "workbook with a cover sheet",
        "north",
        NORTH,
        {"xlsx-sheets.xlsx": xlsx({"Cover": [["Shop"], ["March"]], "Data": [header, *real]})},
    )
    two = table("north", NORTH, lambda time: [time.date(), time.time()])
    make.add("xlsx-two-columns", "workbook with date and time in two columns", "north", NORTH,
             {"two.xlsx": xlsx({"Log": [["Date", "Time", *header[1:]], *two]})})  # fmt: skip
    make.add("ods", "open spreadsheet with real times", "north", NORTH,
             {"ods.ods": ods([header, *real])})  # fmt: skip
    samples = logged("west", PLAIN)
    values = {each.header: column_values("west", samples, each) for each in WEST}
    stamps = {
        "parquet": ("Parquet with instants", pa.array(samples.time_ns, pa.timestamp("ns", "UTC"))),
        "parquet-local": ("Parquet with local times", pa.array(
            [time.replace(tzinfo=None) for time in local_times(samples)], pa.timestamp("us"))),
        "parquet-ms": ("Parquet with milliseconds since 1970",
                       pa.array(samples.time_ns // 10**6, pa.int64())),
        "parquet-text": ("Parquet with times as text", pa.array(
            [time.strftime("%Y-%m-%d %H:%M:%S") for time in local_times(samples)])),
    }  # fmt: skip
    for key, (kind, stamp) in stamps.items():
        make.add(key, kind, "west", WEST, {f"{key}.parquet": parquet({"time": stamp, **values})})


def parquet(columns: dict[str, Any]) -> bytes:
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out)
    return out.getvalue()


def changes(values: np.ndarray, band: float) -> np.ndarray:
    """Rows at which a historian with a dead band writes a value; the first it does anyway."""
    kept = [0]
    for at in range(1, len(values)):
        if not abs(values[at] - values[kept[-1]]) <= band and np.isfinite(values[at]):
            kept.append(at)
    return np.array(kept)


def long_rows(
    pump: str, columns: tuple[Column, ...], bands: dict[str, float] | None
) -> list[tuple[int, str, float, int]]:
    """(row, tag, value, digits) in order of time, all rows or by exception."""
    samples = logged(pump, PLAIN)
    out = []
    for order, each in enumerate(columns):
        values = np.round(column_values(pump, samples, each), each.digits)
        at = (
            np.flatnonzero(np.isfinite(values))
            if bands is None
            else changes(values, bands[each.header])
        )
        out += [(int(row), order, each.header, float(values[row]), each.digits) for row in at]
    return [(row, tag, value, digits) for row, _, tag, value, digits in sorted(out)]


def long_forms(make: Maker) -> None:
    """One row a value, logs by exception, and readings that stand until the next."""
    tags = (Column("PT101", "pressure", "bar"), Column("CT103", "stroke_count", "count", 0),
            Column("TT102", "temperature", "degC"))  # fmt: skip
    paths = tuple(
        Column(f"PLANT/WJ1/{name}.PV", each.channel, each.unit, each.digits)
        for name, each in zip(("PT101", "CT103", "TT102"), tags, strict=True)
    )
    bands = {each.header: band for each, band in zip(tags, (5.0, 0.0, 0.2), strict=True)}
    path_bands = {each.header: band for each, band in zip(paths, (5.0, 0.0, 0.2), strict=True)}
    stamps = local_times(logged("north", PLAIN))

    def iso(row: int) -> str:
        return stamps[row].strftime("%Y-%m-%d %H:%M:%S")

    every = long_rows("north", tags, None)
    some = long_rows("north", tags, bands)
    lines = [[iso(row), tag, number(value, digits)] for row, tag, value, digits in every]
    make.add("long", "tag export: time, tag, value, each second", "north", tags,
             {"long.csv": joined([["time", "tag", "value"], *lines]).encode()})  # fmt: skip
    lines = [[tag, iso(row), number(value, digits), "Good"] for row, tag, value, digits in some]
    held = {"pressure": 5.0, "temperature": 0.2}
    make.add("long-exception", "tag export by exception, with a quality", "north", tags,
             {"long-exception.csv": joined([["TagName", "DateTime", "Value", "Quality"],
                                            *lines]).encode()},
             sparse=True, worth=held)  # fmt: skip
    bad = [[*line[:2], "0", "Bad"] if at % 211 == 100 and line[0] == "PT101" else line
           for at, line in enumerate(lines)]  # fmt: skip
    make.add("long-bad", "tag export by exception, some of bad quality", "north", tags,
             {"long-bad.csv": joined([["TagName", "DateTime", "Value", "Quality"],
                                      *bad]).encode()},
             sparse=True, worth=held)  # fmt: skip
    lines = [[stamps[row].strftime(GERMAN), tag, number(value, digits, ",")]
             for row, tag, value, digits in long_rows("north", paths, path_bands)]  # fmt: skip
    make.add("long-paths", "tag export with long paths, decimal commas", "north", paths,
             {"long-paths.csv": joined([["Zeitstempel", "Variable", "Wert"], *lines],
                                       ";").encode("cp1252")}, sparse=True, worth=held)  # fmt: skip
    by_tag = sorted(some, key=lambda each: (each[1], each[0]))
    lines = [[tag, iso(row), number(value, digits)] for row, tag, value, digits in by_tag]
    make.add("long-by-tag", "tag export, one tag after the other", "north", tags,
             {"long-by-tag.csv": joined([["tag", "time", "value"], *lines]).encode()},
             sparse=True, worth=held)  # fmt: skip
    lines = [[tag, iso(row), number(value, digits)] for row, tag, value, digits in some[::-1]]
    make.add("long-newest", "tag export by exception, newest first", "north", tags,
             {"long-newest.csv": joined([["tag", "time", "value"], *lines]).encode()},
             sparse=True, worth=held)  # fmt: skip
    make.add(
        "long-parquet",
        "tag export as Parquet",
        "north",
        tags,
        {
            "long.parquet": parquet(
                {
                    "time": pa.array(
                        [int(logged("north", PLAIN).time_ns[row]) for row, *_ in every],
                        pa.timestamp("ns", "UTC"),
                    ),
                    "tag": [tag for _, tag, _, _ in every],
                    "value": [value for _, _, value, _ in every],
                }
            )
        },
    )
    wide_exceptions(make, tags, bands)


def wide_exceptions(make: Maker, tags: tuple[Column, ...], bands: dict[str, float]) -> None:
    samples = logged("north", PLAIN)
    stamps = local_times(samples)
    values = [np.round(column_values("north", samples, each), each.digits) for each in tags]
    kept = [
        set(changes(each, bands[column.header]).tolist())
        for each, column in zip(values, tags, strict=True)
    ]
    rows_written = sorted(set().union(*kept))
    top = ["time", *(each.header for each in tags)]
    held = {"pressure": 5.0, "temperature": 0.2}
    blanks = [[stamps[row].strftime("%Y-%m-%dT%H:%M:%S"),
               *(number(each[row], column.digits) if row in mine else ""
                 for each, mine, column in zip(values, kept, tags, strict=True))]
              for row in rows_written]  # fmt: skip
    make.add("wide-blanks", "a cell is empty until its value changes", "north", tags,
             {"wide-blanks.csv": joined([top, *blanks]).encode()}, sparse=True,
             worth=held)  # fmt: skip
    last = [max(row for row in mine if row <= 0) for mine in kept]
    repeated = []
    for row in rows_written:
        last = [row if row in mine else old for old, mine in zip(last, kept, strict=True)]
        repeated.append(
            [
                stamps[row].strftime("%Y-%m-%dT%H:%M:%S"),
                *(
                    number(each[old], column.digits)
                    for each, old, column in zip(values, last, tags, strict=True)
                ),
            ]
        )
    make.add("wide-irregular", "a row whenever one of the values changes", "north", tags,
             {"wide-irregular.csv": joined([top, *repeated]).encode()}, sparse=True,
             worth=held)  # fmt: skip
    pairs = [
        [
            cell
            for each, column in zip(values, tags, strict=True)
            for cell in (
                stamps[row].strftime("%Y-%m-%d %H:%M:%S"),
                number(each[row], column.digits),
            )
        ]
        for row in range(len(stamps))
    ]
    make.add("pairs", "trend export: a time beside each value", "north", tags,
             {"pairs.csv": joined([[cell for each in tags
                                    for cell in (f"{each.header} Time", each.header)],
                                   *pairs], ";").encode()})  # fmt: skip


def several(make: Maker) -> None:
    """Logs in pieces, or packed."""
    (plain,) = (form for form in make.forms if form.key == "semicolon")
    packed = gzip.compress(plain.files["semicolon.csv"], mtime=0)
    make.add("gz", "the same, compressed by the logger", "north", NORTH, {"gz.csv.gz": packed})
    lines = list(cells("north", logged("north", PLAIN), NORTH, strf(GERMAN), ","))
    top = [["time", *(each.header for each in NORTH)]]
    parts = {
        f"hour-{at}.csv": joined([*top, *part], ";").encode()
        for at, part in enumerate((lines[:400], lines[400:800], lines[800:]))
    }
    make.add("pieces", "one file for each stretch", "north", NORTH, parts)
    either = list(cells("west", logged("west", EITHER), WEST, strf("%m/%d/%Y %H:%M:%S")))
    other = list(cells("west", logged("west", PLAIN), WEST, strf("%m/%d/%Y %H:%M:%S")))
    top = [["time", *(each.header for each in WEST)]]
    make.add("pieces-told", "a later file tells that the month comes first", "west", WEST,
             {"a.csv": joined([*top, *either]).encode(), "b.csv": joined([*top, *other]).encode()},
             truth=Samples._make(np.concatenate(each) for each in zip(
                 logged("west", EITHER), logged("west", PLAIN), strict=True)))  # fmt: skip


@cache
def forms() -> tuple[Form, ...]:
    """All of them; their keys are unique."""
    make = Maker()
    for part in (plain_texts, times, numbers, quantities, books, long_forms, several):
        part(make)
    assert len({each.key for each in make.forms}) == len(make.forms)
    return tuple(make.forms)


def write(form: Form, folder: Path) -> list[Path]:
    """Its files, in order of time."""
    paths = []
    for name, content in form.files.items():
        (folder / name).write_bytes(content)
        paths.append(folder / name)
    return paths

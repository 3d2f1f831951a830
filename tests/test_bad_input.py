"""Every kind of file that people hand in, spoilt in many ways, through the real commands.

Each row of a table below spoils one thing. Whatever it is, the command has to say which file, where
in it, what is wrong and what would be right, end with code 2, and leave the store as it was.
Readers have finer tests of their own in tests/collect and tests/settings. All files are invented.
"""

from __future__ import annotations

import gzip
import io
import os
import re
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from contextlib import chdir
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import Result
from typer.testing import CliRunner

from borewarden.cli import app

ROOT = Path(__file__).parents[1]
MACHINE = (ROOT / "config" / "north.toml").read_text()
CRANK = (ROOT / "config" / "south.toml").read_text()
MODBUS = (ROOT / "config" / "live" / "north-modbus.toml").read_text()
OPCUA = (ROOT / "config" / "live" / "south-opcua.toml").read_text()
MQTT = (ROOT / "config" / "live" / "west-mqtt.toml").read_text()
SERVICE = """\
[page]
host = "127.0.0.1"
port = 0

[influx]
url = "http://127.0.0.1:1"
org = "shop"
bucket = "bores"

[mail]
host = "127.0.0.1"
port = 1
security = "none"
sender = "watcher@example.org"
recipients = ["lead@example.org"]

[alarm]
on_delay = "30 s"
"""
HEADER = "time,pressure_bar,strokes,water_c"
ROWS = [f"2026-03-02T09:00:{s:02d},{3800 + s % 3},{10 + s // 2},20.5" for s in range(60)]
LOG = "\n".join([HEADER, *ROWS]) + "\n"
LABELS = "time,end,event,area_change,note\n2026-03-02T09:00:10,,chip,0.08,invented\n"

Spoil = Callable[[Path], None]


@dataclass(frozen=True)
class Case:
    """What is spoilt in a folder that is sound otherwise, and the words that have to be said."""

    name: str
    spoil: Spoil
    says: tuple[str, ...]
    command: tuple[str, ...] = ("replay", "day.csv", "--machine", "machine.toml")
    environment: dict[str, str] = field(default_factory=dict)


def writes(name: str, content: str | bytes) -> Spoil:
    data = content if isinstance(content, bytes) else content.encode()
    return lambda folder: (folder / name).write_bytes(data) and None


def nothing(folder: Path) -> None:
    """Spoils no file: what is wrong stands in the command."""


def log(name: str, content: str | bytes, *says: str) -> Case:
    return Case(f"log: {name}", writes("day.csv", content), ("day.csv", *says))


def cell(row: int, column: int, value: str) -> str:
    """The log with one cell changed."""
    lines = LOG.splitlines()
    fields = lines[row].split(",")
    fields[column] = value
    lines[row] = ",".join(fields)
    return "\n".join(lines) + "\n"


def column(number: int, change: Callable[[str], str]) -> str:
    """The log with a whole column changed."""
    rows = [line.split(",") for line in LOG.splitlines()]
    for row in rows[1:]:
        row[number] = change(row[number])
    return "\n".join(map(",".join, rows)) + "\n"


def times(*several: str) -> str:
    return "\n".join([HEADER, *(f"{time},3800,{i},20" for i, time in enumerate(several))]) + "\n"


def zipped(content: str) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("day.csv", content)
    return file.getvalue()


def parquet_bytes(**changes: object) -> bytes:
    frame = pd.read_csv(io.StringIO(LOG), parse_dates=["time"])
    columns = {name: pa.array(frame[name]) for name in frame} | changes
    sink = io.BytesIO()
    pq.write_table(pa.table(columns), sink)
    return sink.getvalue()


LOGS = [
    log("semicolons", LOG.replace(",", ";"), "line 1", "separate the columns by commas"),
    log("tabs", LOG.replace(",", "\t"), "line 1", "separate the columns by commas"),
    log("pipes", LOG.replace(",", "|"), "line 1"),
    log("blanks", LOG.replace(",", " "), "line 1"),
    log("semicolons and decimal commas", LOG.replace(",", ";").replace(".", ","), "line 1"),
    log("decimal commas", LOG.replace("20.5", "20,5"), "line 2"),
    log("quoted decimal comma", cell(5, 1, '"3800,5"'), "line 6"),
    log("quoted thousands", cell(5, 1, '"3,800"'), "line 6"),
    log("thousands by blank", cell(5, 1, "3 800"), "line 6"),
    log("thousands by apostrophe", cell(5, 1, "3'800"), "line 6"),
    log("two points", cell(5, 1, "3.800.5"), "line 6"),
    log("unit in the cell", cell(5, 1, "3800 bar"), "line 6"),
    log("per cent", cell(5, 3, "20%"), "line 6"),
    log("hexadecimal", cell(5, 2, "0x1F"), "line 6"),
    log("underscore", cell(5, 2, "1_000"), "line 6"),
    log("spreadsheet error", cell(5, 1, "#REF!"), "line 6"),
    log("word", cell(5, 1, "overrange"), "line 6"),
    log("dashes", cell(5, 1, "---"), "line 6"),
    log("time in the pressure", cell(5, 1, "2026-03-02T09:00:04"), "line 6"),
    log("true in the strokes", cell(5, 2, "true"), "line 6"),
    log("UTF-16", LOG.encode("utf-16"), "line 1", "UTF-16"),
    log("UTF-16 without mark", LOG.encode("utf-16-le"), "line 1"),
    log("UTF-32", LOG.encode("utf-32"), "line 1"),
    log("latin-1", LOG.replace("water_c", "water_°c").encode("latin-1"), "line 1", "UTF-8"),
    log(
        "NUL in the middle",
        LOG.encode().replace(b"2026-03-02T09:00:30", b"\0" * 19),
        "line 32",
        "NUL",
    ),
    log("NULs at the end", LOG.encode() + b"\0" * 4096, "NUL"),
    log("gzip named CSV", gzip.compress(LOG.encode(), mtime=0)),
    log("zip named CSV", zipped(LOG)),
    log("Parquet named CSV", parquet_bytes()),
    log("empty", "", "empty"),
    log("blank lines only", "\n\n  \n", "empty"),
    log("header only", HEADER + "\n", "only a header"),
    log("rows without header", "\n".join(ROWS) + "\n"),
    log("words before the header", "Logger 7, shop\nserial 1\n" + LOG),
    log("units below the header", LOG.replace("\n", "\ns,bar,1,degC\n", 1), "line 2"),
    log("header again", LOG + LOG, "line 62"),
    log("column twice", LOG.replace("water_c", "strokes", 1), "twice"),
    log("no time", LOG.replace("time", "when", 1), "'time' is missing"),
    log("no pressure", LOG.replace("pressure_bar", "x", 1), "'pressure_bar' is missing"),
    log("no strokes", LOG.replace("strokes", "x", 1), "'strokes' is missing"),
    log("no temperature", LOG.replace("water_c", "x", 1), "'water_c' is missing"),
    log("capital column", LOG.replace("pressure_bar", "Pressure_bar", 1), "mean 'Pressure_bar'"),
    log("a field too many", LOG.replace("20.5", "20.5,7", 1), "line 2"),
    log("fields too few", LOG.replace(ROWS[30], ROWS[30][:-8]), "line 32"),
    log("half a line within", LOG.replace(ROWS[30], ROWS[30][:22]), "line 32"),
    log("half the last line", LOG[:-8], "line 61"),
    log("open quote", LOG.replace(ROWS[30], '"' + ROWS[30])),
    log("one huge line", "x" * 2_000_000),
    log("huge header", ",".join(["x" * 200] * 10_000) + "\n"),
    log("huge row", LOG + "1," * 1_000_000 + "\n", "line 62"),
    log("huge cell", LOG + "9" * 200_000 + ",1,1,1\n", "line 62"),
    log("German times", times("02.03.2026 09:00:00", "02.03.2026 09:00:01"), "line 2", "ISO 8601"),
    log("American times", times("03/02/2026 9:00:00 AM", "03/02/2026 9:00:01 AM"), "line 2"),
    log("mixed times", times("2026-03-02T09:00:00", "02.03.2026 09:00:01"), "line 3"),
    log("date, then seconds", times("2026-03-02T09:00:00", "1772438401"), "line 3"),
    log("clock only", times("09:00:00", "09:00:01"), "line 2"),
    log("date only", times("2026-03-02", "2026-03-02", "2026-03-02")),
    log("spreadsheet's days", times("46083.375", "46083.376"), "line 2"),
    log("milliseconds", times("1772438400000", "1772438401000"), "milliseconds"),
    log("nanoseconds", times("1772438400000000000", "1772438401000000000"), "nanoseconds"),
    log("negative seconds", times("-1", "0"), "line 2"),
    log("seconds from zero", times("0", "1"), "line 2"),
    log("some offsets", times("2026-03-02T09:00:00+01:00", "2026-03-02T09:00:01"), "line 3"),
    log("impossible offset", times("2026-03-02T09:00:00+99:00"), "line 2"),
    log("no such day", times("2026-02-29T09:00:00"), "line 2"),
    log("no such hour", times("2026-03-02T25:00:00"), "line 2"),
    log("missing time", times("2026-03-02T09:00:00", "", "2026-03-02T09:00:02"), "line 3"),
    log("skipped by the clocks", times("2026-03-29T01:59:59", "2026-03-29T02:00:00"), "line 3"),
    log("came twice", times("2026-10-25T02:30:00", "2026-10-25T02:31:00"), "line 2"),
    log("going back", times("2026-03-02T09:00:01", "2026-03-02T09:00:00"), "line 3", "back"),
    log("clock of 1970", times("1970-01-01T00:00:00", "1970-01-01T00:00:01"), "line 2"),
    log("far future", times("2126-03-02T09:00:00", "2126-03-02T09:00:01"), "line 2"),
    log("beyond all clocks", times("99999-03-02T09:00:00"), "line 2"),
    log("jump into the future", times("2026-03-02T09:00:00", "2062-03-02T09:00:01"), "line 3"),
    log("before the jewel", LOG.replace("2026-03-02T09", "2026-03-02T04")),
    log("bar given as kbar", column(1, lambda p: str(float(p) / 1000))),
    log("MPa where bar is stated", column(1, lambda p: str(float(p) / 10))),
    log("psi where bar is stated", column(1, lambda p: str(float(p) * 14.5))),
    log("Pa where bar is stated", column(1, lambda p: p + "00000")),
    log("kelvin where degC is stated", column(3, lambda t: "293.6")),
    log("degF where degC is stated", column(3, lambda t: "68.9")),
    log(
        "pressure and strokes exchanged",
        LOG.replace("pressure_bar,strokes", "strokes,pressure_bar"),
    ),
    log("no pressure at all", column(1, lambda p: "")),
    log("pressure always NaN", column(1, lambda p: "NaN")),
    log("pressure always infinite", column(1, lambda p: "inf")),
    log("negative pressure", column(1, lambda p: "-" + p)),
    log("no strokes at all", column(2, lambda n: "")),
    log("negative counter", column(2, lambda n: str(int(n) - 1000))),
    log("counter runs down", column(2, lambda n: str(1000 - int(n)))),
]


def parquet(name: str, content: bytes, *says: str) -> Case:
    command = ("replay", "day.parquet", "--machine", "machine.toml")
    return Case(f"Parquet: {name}", writes("day.parquet", content), ("day.parquet", *says), command)


N = 60
PARQUETS = [
    parquet("empty", b"", "empty"),
    parquet("CSV named Parquet", LOG.encode()),
    parquet("truncated", parquet_bytes()[:-30], "half written"),
    parquet("only the head", parquet_bytes()[:200], "half written"),
    parquet("page broken", parquet_bytes()[:60] + b"\xff" * 400 + parquet_bytes()[460:]),
    parquet("text pressure", parquet_bytes(pressure_bar=pa.array(["high"] * N)), "row 1"),
    parquet("list pressure", parquet_bytes(pressure_bar=pa.array([[1.0]] * N)), "row 1"),
    parquet("struct pressure", parquet_bytes(pressure_bar=pa.array([{"p": 1.0}] * N)), "row 1"),
    parquet("bool pressure", parquet_bytes(pressure_bar=pa.array([True] * N)), "row 1"),
    parquet("binary pressure", parquet_bytes(pressure_bar=pa.array([b"\xff"] * N)), "row 1"),
    parquet("null pressure", parquet_bytes(pressure_bar=pa.nulls(N)), "pressure"),
    parquet(
        "timestamp strokes", parquet_bytes(strokes=pa.array([0] * N, pa.timestamp("s"))), "row 1"
    ),
    parquet(
        "duration strokes", parquet_bytes(strokes=pa.array([0] * N, pa.duration("s"))), "row 1"
    ),
    parquet(
        "map water",
        parquet_bytes(water_c=pa.array([[("a", 1.0)]] * N, pa.map_(pa.string(), pa.float64()))),
        "row 1",
    ),
    parquet("date time", parquet_bytes(time=pa.array([20514] * N, pa.date32()))),
    parquet("clock time", parquet_bytes(time=pa.array(range(N), pa.time32("s")))),
    parquet("duration time", parquet_bytes(time=pa.array(range(N), pa.duration("s")))),
    parquet("struct time", parquet_bytes(time=pa.array([{"t": 1}] * N)), "row 1"),
    parquet("bool time", parquet_bytes(time=pa.array([True] * N)), "row 1"),
    parquet("missing time", parquet_bytes(time=pa.nulls(N, pa.timestamp("s"))), "row 1"),
    parquet(
        "time backwards", parquet_bytes(time=pa.array(range(1772438460, 1772438400, -1))), "row 2"
    ),
    parquet("far time", parquet_bytes(time=pa.array([2**62] * N)), "row 1"),
]


def machine(
    name: str, change: Callable[[str], str] | tuple[str, str], *says: str, of: str = MACHINE
) -> Case:
    if isinstance(change, tuple):
        old, new = change
        assert old in of, old
        text = of.replace(old, new, 1)
    else:
        text = change(of)
    return Case(f"machine: {name}", writes("machine.toml", text), ("machine.toml", *says))


def without(text: str, start: str, stop: str) -> str:
    return text[: text.index(start)] + text[text.index(stop) :]


def crank(name: str, change: tuple[str, str], *says: str) -> Case:
    return machine(name, change, *says, of=CRANK)


def after(section: str, line: str) -> tuple[str, str]:
    return (section, f"{section}\n{line}")


def jewel(fitted: str, **changes: str) -> Callable[[str], str]:
    fields = {"bore": '"0.010 in"', "material": '"ruby"', **changes}
    lines = [f"{name} = {value}" for name, value in fields.items()]
    return lambda text: text + "\n".join(["\n[[jewel]]", f"fitted = {fitted}", *lines]) + "\n"


def form(name: str, change: tuple[str, str], *says: str) -> Case:
    """A form that the machine file states, and the log does not have."""
    text = MACHINE.replace(*change, 1)
    return Case(f"form: {name}", writes("machine.toml", text), ("day.csv", *says))


LOOK = ("look", "day.csv", "--yes", "--out", "new.toml")
FORMS = [
    machine("separator is a word", after("[log]", 'separator = "semicolon"'), "log.separator"),
    machine("decimal is a word", after("[log]", 'decimal = "comma"'), "log.decimal"),
    machine("no such encoding", after("[log]", 'encoding = "windows"'), "log.encoding", "cp1252"),
    machine("time_format in words", after("[log]", 'time_format = "DD.MM.YYYY"'), "%d.%m.%Y"),
    machine("time_format of no sign", after("[log]", 'time_format = "%Q"'), "log.time_format"),
    machine("start without a count", after("[log]", "start = 2026-03-02T09:00:00"), "log.start"),
    machine("count without a start", after("[log]", 'time_format = "s since start"'), "log.start"),
    machine("clock alone", after("[log]", 'time_format = "%H:%M"'), "log.date", "date = 2026"),
    machine("tag without value", after("[log]", 'tag = "name"'), "log.tag", "value"),
    machine("quality without tag", after("[log]", 'quality = "q"'), "log.quality", "tag"),
    machine("hold without a unit", after("[log]", "hold = 60"), "log.hold", "20 s"),
    machine("a channel's hold alone", after("[log.temperature]", 'hold = "1 h"'), "log.hold"),
    machine("thousands like decimal", after("[log]", 'thousands = "."'), "log.thousands"),
    machine("lines below no header", after("[log]", "header = false\nskip_below = 1"), "log"),
    form("skips all", after("[log]", "skip = 100"), "no rows"),
    form("another separator", after("[log]", 'separator = ";"'), "line 1", "missing"),
    form("another form of time", after("[log]", 'time_format = "%d.%m.%Y %H:%M:%S"'), "line 2"),
    form("another encoding", after("[log]", 'encoding = "utf-16"'), "day.csv"),
    form("tags in a table", after("[log]", 'tag = "strokes"\nvalue = "water_c"'), "day.csv"),
    machine("flow in bar", ("[log.stroke_count]", '[log.rate]\ncolumn = "q"\nunit = "bar"\n'
            "[log.stroke_count]"), "log.rate.unit", "l/min"),
    Case("look: there already", writes("machine.toml", MACHINE), ("not overwritten",),
         ("look", "day.csv", "--yes", "--out", "machine.toml")),
    Case("look: no log", writes("day.csv", "hello\n"), ("day.csv",), LOOK),
    Case("look: empty", writes("day.csv", ""), ("day.csv", "empty"), LOOK),
    Case("look: binary", writes("day.csv", bytes(range(256)) * 9), ("day.csv",), LOOK),
    Case("look: no such file", lambda folder: (folder / "day.csv").unlink(), ("day.csv",), LOOK),
    Case("look: nothing like a jet", writes("day.csv", LOG.replace(",38", ",3")), ("jet",), LOOK),
    Case("look: two forms", lambda folder: None, ("labels.csv", "form"),
         ("look", "day.csv", "day.labels.csv", "--yes", "--out", "new.toml")),
]  # fmt: skip

MACHINES = [
    machine(
        "pump is text",
        lambda t: 'pump = "big"\n' + without(t, "[pump]", "[log]"),
        "pump",
        "not a section",
    ),
    machine(
        "log is a number",
        lambda t: "log = 1\n" + without(t, "[log]", "[gate]"),
        "log",
        "not a section",
    ),
    machine(
        "valve of a head without column",
        ("[gate]", "[log.valve.1]\n[gate]"),
        "log.valve.1.column",
        "is missing",
    ),
    machine(
        "valve of a head beside the number of heads",
        ("[gate]", '[log.valve]\ncolumn = "n"\n[log.valve.1]\ncolumn = "a"\n[gate]'),
        "log.valve.1",
        "unknown field",
    ),
    machine("name of two lines", ('name = "North"', 'name = "North\\nSouth"'), "name", "printable"),
    machine("name of a page", ('name = "North"', f'name = "{"N" * 81}"'), "name", "80 printable"),
    machine("head that is a bell", ('head = "1"', 'head = "\\u0007"'), "head", "printable"),
    machine(
        "a unit that is a sum",
        after("[gate]", 'settle_time = "6 s**9**9**9"'),
        "gate.settle_time",
        "'s**9**9**9' is not a unit",
    ),
    machine("gate is a list", ("[gate]", "[[gate]]"), "gate"),
    machine("watch is a list", ("[watch]", "[[watch]]"), "watch"),
    machine(
        "jewel is a table",
        lambda t: t[: t.rindex("[[jewel]]")].replace("[[jewel]]", "[jewel]"),
        "jewel",
    ),
    machine(
        "gate of the wrong dimension",
        after("[gate]", 'settle_time = "6 bar"'),
        "gate.settle_time",
        "is a unit of something else",
    ),
    machine("gate without unit", after("[gate]", "settle_time = 6"), "gate.settle_time", "no unit"),
    machine(
        "gate out of range",
        after("[gate]", 'settle_time = "1 us"'),
        "gate.settle_time",
        "out of range",
    ),
    machine(
        "gate unknown",
        after("[gate]", 'setle_time = "6 s"'),
        "gate.setle_time",
        "mean 'settle_time'",
    ),
    machine(
        "watch of the wrong dimension",
        after("[watch]", 'jewel_life = "50 MPa"'),
        "watch.jewel_life",
    ),
    machine("watch unknown", after("[watch]", "smallest = 1"), "watch.smallest", "smallest_step"),
    machine("watch out of range", after("[watch]", "smallest_step = 4"), "watch.smallest_step"),
    machine(
        "notice beyond the limit", after("[watch]", 'wear_notice = "10 %"'), "watch.wear_notice"
    ),
    machine(
        "step beyond the limit", after("[watch]", 'smallest_step = "10 %"'), "watch.smallest_step"
    ),
    machine(
        "learns less than a batch",
        after("[watch]", 'baseline_time = "10 s"'),
        "watch.baseline_time",
    ),
    machine("fast slower than slow", after("[gate]", 'fast_time = "25 s"'), "gate.fast_time"),
    machine("stopped above working", after("[gate]", 'stopped_pressure = "300 MPa"'), "gate."),
    machine(
        "highest below rated", after("[gate]", 'max_pressure = "300 MPa"'), "gate.max_pressure"
    ),
    machine(
        "bypass of an intensifier",
        after("[gate]", 'bypass_pressure = "390 MPa"'),
        "gate.bypass_pressure",
    ),
    machine("one column for two", ('"strokes"', '"pressure_bar"'), "log.stroke_count"),
    machine("time is the pressure", ('time = "time"', 'time = "pressure_bar"'), "log.pressure"),
    machine("column is a number", ('"strokes"', "3"), "log.stroke_count.column"),
    machine("column empty", ('"strokes"', '""'), "log.stroke_count.column"),
    machine("unit unknown", ('unit = "bar"', 'unit = "Bars"'), "log.pressure.unit"),
    machine(
        "strokes per count in words",
        ("strokes_per_count = 1 ", 'strokes_per_count = "one"'),
        "log.stroke_count.strokes_per_count",
    ),
    machine("same jewel twice", jewel("2026-03-09T05:40:00", head='"1"'), "jewel[3]"),
    machine("jewel in the year 1", jewel("0001-01-01T00:00:00"), "jewel[3].fitted"),
    machine("jewel fitted at a clock time", jewel("06:00:00"), "jewel[3].fitted"),
    machine("jewel fitted a number", jewel("12"), "jewel[3].fitted"),
    machine(
        "jewel of glass", jewel("2026-03-10T06:00:00", material='"glass"'), "jewel[3].material"
    ),
    machine("jewel of no bore", jewel("2026-03-10T06:00:00", bore='"0 mm"'), "jewel[3].bore"),
    machine(
        "jewel with a C_d of 2",
        jewel("2026-03-10T06:00:00", discharge_coefficient="2"),
        "jewel[3].discharge_coefficient",
    ),
    machine(
        "jewel with negative hours",
        jewel("2026-03-10T06:00:00", jet_hours='"-1 h"'),
        "jewel[3].jet_hours",
    ),
    machine("head is a list", jewel("2026-03-10T06:00:00", head="[1]"), "jewel[3].head"),
    machine("key twice", ('name = "North"', 'name = "North"\nname = "N"'), "line", "TOML"),
    machine("section twice", ("[watch]", "[gate]"), "line", "TOML"),
    machine("no end of string", ('name = "North"', 'name = "North'), "line", "TOML"),
    machine("YAML", lambda text: "name: North\npump:\n  kind: intensifier\n", "line 1", "TOML"),
    machine("JSON", lambda text: '{"name": "North"}', "line 1", "TOML"),
    machine("empty", lambda text: "", "name", "is missing"),
    machine("comma", ('= "250 MPa"', '= "2,503 bar"'), "gate.working_pressure", "2503 or 2.503"),
    machine("two units", ('= "400 MPa"', '= "400 MPa bar"'), "pump.rated_pressure"),
    machine("volume as length", ('"8 cm^3"', '"8 cm"'), "pump.dead_volume"),
    machine("rate as speed", ('"60 strokes/min"', '"60 m/s"'), "pump.max_stroke_rate"),
    machine(
        "not a number",
        ("intensification_ratio = 20", "intensification_ratio = nan"),
        "pump.intensification_ratio",
    ),
    machine(
        "infinite",
        ("intensification_ratio = 20", "intensification_ratio = inf"),
        "pump.intensification_ratio",
    ),
    machine("dead volume of a bucket", ("8 cm^3", "0.8 l"), "pump.dead_volume", "plunger sweeps"),
    crank("drive ratio reversed", after("[pump]", "drive_ratio = 5"), "pump.drive_ratio"),
    crank("plungers in words", ("plungers = 3", 'plungers = "three"'), "pump.plungers"),
    crank(
        "counts strokes of nothing",
        ("[log.temperature]", '[log.oil_pressure]\ncolumn = "o"\nunit = "bar"\n[log.temperature]'),
        "log.oil_pressure",
    ),
    Case(
        "machine: latin-1",
        writes("machine.toml", MACHINE.replace("North", "Süd").encode("latin-1")),
        ("machine.toml", "UTF-8"),
    ),
    Case(
        "machine: UTF-16",
        writes("machine.toml", MACHINE.encode("utf-16")),
        ("machine.toml", "UTF-8"),
    ),
    Case(
        "machine: NUL", writes("machine.toml", MACHINE.encode() + b"\0"), ("machine.toml", "TOML")
    ),
    Case("machine: binary", writes("machine.toml", bytes(range(256))), ("machine.toml",)),
]


def live(name: str, of: str, change: tuple[str, str], *says: str) -> Case:
    old, new = change
    assert old in of, old
    spoil = writes("machine.toml", of.replace(old, new, 1))
    return Case(
        f"source: {name}", spoil, ("machine.toml", *says), ("reach", "--config", "machine.toml")
    )


SOURCES = [
    live(
        "kind unknown", MODBUS, ('kind = "modbus tcp"', 'kind = "profinet"'), "source", "modbus tcp"
    ),
    live("kind missing", MODBUS, ('kind = "modbus tcp"', ""), "source.kind", "is missing"),
    live("port too high", MODBUS, ("port = 5020", "port = 70000"), "source.port"),
    live("port in words", MODBUS, ("port = 5020", 'port = "modbus"'), "source.port"),
    live("host empty", MODBUS, ('host = "127.0.0.1"', 'host = ""'), "source.host"),
    live("host missing", MODBUS, ('host = "127.0.0.1"', ""), "source.host", "is missing"),
    live("interval without unit", MODBUS, ('interval = "1 s"', "interval = 1"), "source.interval"),
    live("interval of bars", MODBUS, ('interval = "1 s"', 'interval = "1 bar"'), "source.interval"),
    live("writing function", MODBUS, ("function = 4", "function = 6"), "source.pressure.function"),
    live("bit function", MODBUS, ("function = 4", "function = 1"), "source.pressure.function"),
    live("address negative", MODBUS, ("address = 0", "address = -1"), "source.pressure.address"),
    live(
        "address as in manuals",
        MODBUS,
        ("address = 0", "address = 400001"),
        "source.pressure.address",
    ),
    live("address twice", MODBUS, ("address = 1", "address = 0"), "source.stroke_count"),
    live("type unknown", MODBUS, ('type = "uint16"', 'type = "word"'), "source.pressure.type"),
    live("scale zero", MODBUS, ("scale = 0.1", "scale = 0"), "source.pressure.scale"),
    live("scale not a number", MODBUS, ("scale = 0.1", "scale = nan"), "source.pressure.scale"),
    live(
        "unit of the counter",
        MODBUS,
        ("strokes_per_count = 1", 'unit = "bar"'),
        "source.stroke_count.unit",
    ),
    live(
        "word order", MODBUS, ('word_order = "big"', 'word_order = "middle"'), "source.word_order"
    ),
    live("no strokes", MODBUS, ("[source.stroke_count]", "[source.valve]"), "source"),
    live("node missing", OPCUA, ('node = "ns=2;s=Pump.Pressure"', ""), "source.pressure.node"),
    live("node twice", OPCUA, ("Pump.CrankSpeed", "Pump.Pressure"), "source.rate"),
    live("address of a web page", OPCUA, ("opc.tcp://", "http://"), "source.url"),
    live("password in the address", OPCUA, ("opc.tcp://", "opc.tcp://me:secret@"), "source.url"),
    live(
        "password in the file",
        OPCUA,
        ("mode = ", 'password = "secret"\nmode = '),
        "source.password",
    ),
    live(
        "user without password",
        OPCUA,
        ("mode = ", 'user = "me"\nclear_password = true\nmode = '),
        "source.password",
    ),
    live(
        "encrypted without keys",
        OPCUA,
        ("mode = ", 'security = "Basic256Sha256"\nmode = '),
        "source.certificate",
    ),
    live(
        "old encryption",
        OPCUA,
        ("mode = ", 'security = "Basic128Rsa15"\nmode = '),
        "source.security",
    ),
    live(
        "certificate missing",
        OPCUA,
        ("mode = ", 'certificate = "none.der"\nmode = '),
        "source.certificate",
    ),
    live("topic missing", MQTT, ('topic = "lindgrat/west/pump"', ""), "source.topic"),
    live("topic of Sparkplug", MQTT, ("lindgrat/west/pump", "spBv1.0/a/DDATA/b"), "source.topic"),
    live("topic empty", MQTT, ('"lindgrat/west/pump"', '""'), "source.topic"),
    live(
        "topic with a wildcard within",
        MQTT,
        ("lindgrat/west/pump", "lindgrat/we#st"),
        "source.topic",
    ),
    live("field missing", MQTT, ('field = "pump.psi"', ""), "source.pressure.field"),
    live("field twice", MQTT, ('field = "pump.spm"', 'field = "pump.psi"'), "source.rate"),
    live(
        "authority missing",
        MQTT,
        ("silence = ", 'tls = true\nca = "none.pem"\nsilence = '),
        "source.ca",
    ),
    live("silence negative", MQTT, ('silence = "30 s"', 'silence = "-30 s"'), "source.silence"),
    live(
        "bits odd",
        MQTT,
        ('field = "pump.psi"', 'field = "pump.psi"\nbits = 12'),
        "source.pressure.bits",
    ),
    live("only a log", MACHINE, ("[gate]", "[gate]"), "source"),
]


def service(name: str, change: tuple[str, str] | str, *says: str) -> Case:
    if isinstance(change, tuple):
        assert change[0] in SERVICE, change
        change = SERVICE.replace(*change, 1)
    return Case(
        f"service: {name}",
        writes("live/service.toml", change),
        ("service.toml", *says),
        ("reach", "--config", "live"),
    )


SERVICES = [
    service("page is text", 'page = "on"\n', "page"),
    service("port in words", ("port = 0", 'port = "http"'), "page.port"),
    service("port negative", ("port = 0", "port = -1"), "page.port"),
    service("host is a number", ('host = "127.0.0.1"', "host = 127"), "page.host"),
    service("section unknown", ("[mail]", "[mial]"), "mial", "mean 'mail'"),
    service("field unknown", ("sender", "from"), "mail.from", "sender"),
    service("no bucket", ('bucket = "bores"', ""), "influx.bucket", "is missing"),
    service("address without scheme", ("http://127.0.0.1:1", "127.0.0.1:8086"), "influx.url"),
    service("address empty", ("http://127.0.0.1:1", ""), "influx.url"),
    service("bucket empty", ('"bores"', '""'), "influx.bucket"),
    service("token in the file", ("[page]", 'influx_token = "x"\n[page]'), "influx_token"),
    service(
        "password in the section", ("port = 1\n", 'port = 1\npassword = "x"\n'), "mail.password"
    ),
    service("no recipient", ('["lead@example.org"]', "[]"), "mail.recipients"),
    service(
        "recipient not in a list", ('["lead@example.org"]', '"lead@example.org"'), "mail.recipients"
    ),
    service("recipient without @", ("lead@example.org", "lead"), "mail", "not a mail address"),
    service(
        "sender of two lines", ("watcher@example.org", "watcher@example.org\\nBcc: x@y.z"), "mail"
    ),
    service("security unknown", ('"none"', '"ssl"'), "mail.security"),
    service(
        "clear password",
        ('host = "127.0.0.1"\nport = 1\n', 'host = "mail.example.org"\nport = 1\nuser = "me"\n'),
        "mail",
    ),
    service(
        "authority missing", ("port = 1\n", 'port = 1\nca_file = "none.pem"\n'), "mail.ca_file"
    ),
    service("delay without unit", ('"30 s"', "30"), "alarm.on_delay"),
    service("delay of bars", ('"30 s"', '"30 bar"'), "alarm.on_delay"),
    service("delay negative", ('"30 s"', '"-30 s"'), "alarm.on_delay"),
    service("delay of a year", ('"30 s"', '"1 year"'), "alarm.on_delay"),
    service("repeat at once", ('on_delay = "30 s"', 'repeat = "0 s"'), "alarm.repeat"),
    service("key twice", ("port = 0", "port = 0\nport = 1"), "line", "TOML"),
    Case(
        "service: UTF-16",
        writes("live/service.toml", SERVICE.encode("utf-16")),
        ("service.toml", "UTF-8"),
        ("reach", "--config", "live"),
    ),
]


def labels(name: str, content: str | bytes, *says: str) -> Case:
    return Case(f"labels: {name}", writes("day.labels.csv", content), ("day.labels.csv", *says))


def label(old: str, new: str) -> str:
    assert old in LABELS, old
    return LABELS.replace(old, new, 1)


LABELS_FILES = [
    labels("empty", "", "empty"),
    labels(
        "column missing", label(",note", "").replace(",invented", ""), "line 1", "'note' is missing"
    ),
    labels("column misspelt", label("event", "evnt"), "mean 'evnt'"),
    labels("column twice", label("note", "end"), "twice"),
    labels("semicolons", LABELS.replace(",", ";"), "line 1", "commas"),
    labels("too few fields", label(",0.08,invented", ""), "line 2"),
    labels("too many fields", label("invented", "invented, yes"), "line 2", "quote"),
    labels("unknown event", label("chip", "cracked"), "line 2", "not a known event"),
    labels("near event", label("chip", "Chip"), "mean 'chip'"),
    labels("no event", label("chip", ""), "line 2"),
    labels("no time", label("2026-03-02T09:00:10", ""), "line 2", "missing"),
    labels("odd time", label("2026-03-02T09:00:10", "9 o'clock"), "line 2", "ISO 8601"),
    labels("seconds", label("2026-03-02T09:00:10", "1772438410"), "line 2"),
    labels("skipped", label("2026-03-02T09:00:10", "2026-03-29T02:30:00"), "skipped"),
    labels("another day's", label("2026-03-02T09:00:10", "2026-03-09T09:00:10"), "line 2"),
    labels("of the year before", label("2026-03-02T09:00:10,", "2025-03-02T09:00:10,"), "line 2"),
    labels(
        "over before the log",
        label("2026-03-02T09:00:10,", "2026-03-02T08:00:00,2026-03-02T08:30:00"),
        "line 2",
    ),
    labels("ends before", label("10,,", "10,2026-03-02T08:00:00,"), "ends before it starts"),
    labels("per cent", label("0.08", "8 %"), "0.08 for 8 %"),
    labels("8 for 8 %", label("0.08", "80"), "0.08 for 8 %"),
    labels("infinite change", label("0.08", "inf"), "line 2"),
    labels("decimal comma", label("0.08", '"0,08"'), "line 2"),
    labels("latin-1", label("invented", "Düse").encode("latin-1"), "UTF-8"),
    labels("UTF-16", LABELS.encode("utf-16")),
    labels("NUL", label("invented", "\0")),
    labels("open quote", label("invented", '"invented')),
    labels("huge note", label("invented", "x" * 200_000)),
]


def variable(name: str, value: str, *says: str, command: tuple[str, ...] | None = None) -> Case:
    base = Case(
        f"environment: {name}={value}",
        lambda folder: None,
        (name, *says),
        environment={name: value},
    )
    return (
        base
        if command is None
        else Case(base.name, base.spoil, base.says, command, base.environment)
    )


REACH = ("reach", "--config", "live")
ENVIRONMENT = [
    variable("BOREWARDEN_PUMP__STROKE", "200 kg", "pump.stroke"),
    variable("BOREWARDEN_PUMP__STROKE", "200", "no unit"),
    variable("BOREWARDEN_PUMP__STROKES", "200 mm", "mean 'stroke'"),
    variable("BOREWARDEN_PUMP__KIND", "steam"),
    variable("BOREWARDEN_PUMP", "big"),
    variable("BOREWARDEN_GATE__WORKING_PRESSURE", "900 MPa"),
    variable("BOREWARDEN_WATCH__LIMIT", "8 bar", "watch.limit"),
    variable("BOREWARDEN_LOG__PRESSURE__UNIT", "lbf", "log.pressure.unit"),
    variable("BOREWARDEN_TIME_ZONE", "CEST"),
    variable("BOREWARDEN_NAME", ""),
    variable("BOREWARDEN_JEWEL", "[]"),
    variable("BOREWARDEN_JEWEL", "{"),
    variable("BOREWARDEN_SOURCE__PORT", "0", command=("reach", "--config", "live")),
    variable("BOREWARDEN_SERVICE_PAGE__PORT", "http", "page.port", command=REACH),
    variable("BOREWARDEN_SERVICE_PAGE__PORTS", "1", command=REACH),
    variable("BOREWARDEN_SERVICE_ALARM__ON_DELAY", "1 MPa", "alarm.on_delay", command=REACH),
    variable("BOREWARDEN_SERVICE_MAIL", "me", command=REACH),
    variable("BOREWARDEN_PUMP_STROKE", "200 mm", "did you mean BOREWARDEN_PUMP__STROKE?"),
    variable("BOREWARDEN_PUPM__STROKE", "200 mm", "did you mean BOREWARDEN_PUMP__STROKE?"),
    variable("BOREWARDEN_SERVICE_PGAE__PORT", "1", "did you mean BOREWARDEN_SERVICE_PAGE__PORT?"),
    variable("BOREWARDEN_SHOP_COST__SCRAP", "1", "did you mean BOREWARDEN_SHOP_COSTS__SCRAP?"),
    variable("BOREWARDEN_SERVCIE_MAIL_PASSWORD", "x", "did you mean BOREWARDEN_SERVICE_MAIL_"),
    variable("BOREWARDEN_XYZ", "1", "nothing reads it", "docs/settings.md"),
    Case(
        "environment: secrets are no directory",
        nothing,
        ("environment", "secrets", "directory of readable files"),
        REACH,
        {"BOREWARDEN_SECRETS_DIR": "machine.toml"},
    ),
]


def links(name: str, target: str) -> Spoil:
    def spoil(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).symlink_to(target)

    return spoil


def makes(name: str, make: Callable[[Path], object]) -> Spoil:
    def spoil(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        make(folder / name)

    return spoil


def newer_store(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()


def other_database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE bookmark (url TEXT)")
    connection.close()


def replays(*words: str) -> tuple[str, ...]:
    return ("replay", *words, "--machine", "machine.toml")


PLACES = [
    Case("log: directory", makes("day.csv", Path.mkdir), ("day.csv", "directory")),
    Case("log: FIFO", makes("day.csv", os.mkfifo), ("day.csv", "not a regular file")),
    Case("log: device", links("day.csv", "/dev/zero"), ("day.csv", "not a regular file")),
    Case("log: link to nothing", links("day.csv", "gone.csv"), ("day.csv", "no such file")),
    Case("log: link to itself", links("day.csv", "day.csv"), ("day.csv",)),
    Case("log: that can't be read", links("day.csv", "/proc/self/mem"), ("day.csv",)),
    Case(
        "log: Parquet FIFO",
        makes("day.parquet", os.mkfifo),
        ("day.parquet",),
        replays("day.parquet"),
    ),
    Case(
        "log: spreadsheet in name only",
        writes("day.xlsx", zipped(LOG)),
        ("day.xlsx", "not a spreadsheet", "CSV"),
        replays("day.xlsx"),
    ),
    Case("log: of no kind", writes("day", LOG), ("day",), replays("day")),
    Case(
        "log: broken gzip",
        writes("day.csv.gz", gzip.compress(LOG.encode(), mtime=0)[:-9]),
        ("half written",),
        replays("day.csv.gz"),
    ),
    Case("log: CSV named gzip", writes("day.csv.gz", LOG), ("day.csv.gz",), replays("day.csv.gz")),
    Case("log: twice", nothing, ("day.csv",), replays("day.csv", "day.csv")),
    Case("log: too long a name", nothing, ("xxx",), replays("x" * 300 + ".csv")),
    Case(
        "log: labels in its place",
        nothing,
        ("day.labels.csv", "missing"),
        replays("day.labels.csv"),
    ),
    Case("machine: directory", makes("machine.toml", Path.mkdir), ("machine.toml", "directory")),
    Case("machine: FIFO", makes("machine.toml", os.mkfifo), ("machine.toml", "not a regular file")),
    Case(
        "machine: device",
        links("machine.toml", "/dev/zero"),
        ("machine.toml", "not a regular file"),
    ),
    Case("machine: a log", writes("machine.toml", LOG), ("machine.toml", "TOML")),
    Case(
        "machine: missing",
        makes("machine.toml", lambda path: None),
        ("machine.toml", "no such file"),
    ),
    Case("labels: directory", makes("day.labels.csv", Path.mkdir), ("day.labels.csv", "directory")),
    Case(
        "labels: FIFO", makes("day.labels.csv", os.mkfifo), ("day.labels.csv", "not a regular file")
    ),
    Case(
        "service: directory",
        makes("live/service.toml", Path.mkdir),
        ("service.toml", "directory"),
        REACH,
    ),
    Case(
        "service: FIFO",
        makes("live/service.toml", os.mkfifo),
        ("service.toml", "not a regular file"),
        REACH,
    ),
    Case("service: no folder", nothing, ("nowhere",), ("reach", "--config", "nowhere")),
    Case(
        "service: machine twice",
        writes("live/again.toml", MODBUS),
        ("two machines are named",),
        REACH,
    ),
    Case(
        "store: a text file",
        nothing,
        ("day.csv", "is not a store"),
        replays("day.csv", "--store", "day.csv"),
    ),
    Case("store: a folder", nothing, ("live",), replays("day.csv", "--store", "live")),
    Case(
        "store: no such folder", nothing, ("none/a.db",), replays("day.csv", "--store", "none/a.db")
    ),
    Case(
        "store: newer",
        makes("newer.db", newer_store),
        ("newer.db", "version 99"),
        replays("day.csv", "--store", "newer.db"),
    ),
    Case(
        "store: some other database",
        makes("other.db", other_database),
        ("other.db", "some other database"),
        replays("day.csv", "--store", "other.db"),
    ),
    Case("report: a folder", nothing, ("live",), replays("day.csv", "--report", "live")),
    Case(
        "report: below a file",
        nothing,
        ("day.csv",),
        replays("day.csv", "--report", "day.csv/page.html"),
    ),
    Case(
        "report: the log itself", nothing, ("day.csv",), replays("day.csv", "--report", "day.csv")
    ),
    Case(
        "simulate: zone",
        writes("machine.toml", MACHINE.replace("Vienna", "Wien")),
        ("time_zone",),
        ("simulate", "new.csv", "--machine", "machine.toml", "--first", "2026-03-04"),
    ),
    Case(
        "bores: pressure",
        nothing,
        ("--pressure",),
        ("bores", "--machine", "machine.toml", "--pressure", "4 m"),
    ),
    Case("rim: a log", nothing, ("day.csv", "not a picture"), ("rim", "day.csv")),
    Case("rim: FIFO", makes("rim.png", os.mkfifo), ("rim.png",), ("rim", "rim.png")),
]


def simulated(name: str, *words: str) -> Case:
    command = ("simulate", "new.csv", "--machine", "machine.toml", "--first=2026-03-04", *words)
    return Case(f"simulate: {name}", nothing, (words[0].split("=")[0],), command)


OPTIONS = [
    simulated("chip that closes the bore", "--chip-size=-2", "--chip-at=2026-03-04T10:00:00"),
    simulated("chip of no number", "--chip-size=nan", "--chip-at=2026-03-04T10:00:00"),
    simulated("chip of another day", "--chip-at=2026-03-05T10:00:00"),
    simulated("wear of no number", "--wear=nan"),
    simulated("wear backwards", "--wear=-1"),
    simulated("endless sample time", "--sample-time=inf"),
    simulated("seed below nought", "--seed=-1"),
    simulated("fault too large", "--size=3", "--fault=leak"),
    simulated("fault of no number", "--size=nan", "--fault=leak"),
    simulated("fault unknown", "--fault=rust"),
]

CASES = (
    OPTIONS
    + LOGS
    + PARQUETS
    + FORMS
    + MACHINES
    + SOURCES
    + SERVICES
    + LABELS_FILES
    + ENVIRONMENT
    + PLACES
)


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("BOREWARDEN_")]:
        monkeypatch.delenv(name)


@pytest.fixture(scope="module")
def kept_store(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store that holds the replay of the sound log, with sound labels."""
    folder = tmp_path_factory.mktemp("sound")
    fill(folder)
    done = run(folder, ("replay", "day.csv", "--machine", "machine.toml"))
    assert done.exit_code == 0, done.output
    return (folder / "replay.db").read_bytes()


def fill(folder: Path) -> None:
    (folder / "live").mkdir()
    (folder / "day.csv").write_text(LOG)
    (folder / "day.labels.csv").write_text(LABELS)
    (folder / "machine.toml").write_text(MACHINE)
    (folder / "live" / "north.toml").write_text(MODBUS)
    (folder / "live" / "service.toml").write_text(SERVICE)


def run(folder: Path, command: tuple[str, ...]) -> Result:
    with chdir(folder):
        return CliRunner().invoke(app, list(command))


def contents(folder: Path) -> dict[Path, bytes | None]:
    return {
        path: path.read_bytes() if path.is_file() and not path.is_symlink() else None
        for path in folder.rglob("*")
        if not path.is_symlink()
    }


def assert_refused(done: Result, says: tuple[str, ...]) -> None:
    assert isinstance(done.exception, SystemExit), done.exception
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    for words in says:
        assert words in done.stderr
    if "can't use" in done.stderr:  # not of what the library of the store says
        told = re.findall(r"(?m)^  (where|wrong|right): \S", done.stderr)
        assert told == ["where", "wrong", "right"]


def test_the_matrix_is_large_and_names_each_case_once() -> None:
    names = [case.name for case in CASES]
    assert len(set(names)) == len(names) > 250


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input_is_said_and_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kept_store: bytes, case: Case
) -> None:
    fill(tmp_path)
    for name in ("borewarden.db", "replay.db"):
        (tmp_path / name).write_bytes(kept_store)
    case.spoil(tmp_path)
    for name, value in case.environment.items():
        monkeypatch.setenv(name, value)
    before = contents(tmp_path)
    assert_refused(run(tmp_path, case.command), case.says)
    assert contents(tmp_path) == before


FINE = [
    ("byte order mark", writes("day.csv", "\ufeff" + LOG)),
    ("carriage returns", writes("day.csv", LOG.replace("\n", "\r\n"))),
    ("quoted cells", writes("day.csv", cell(5, 1, '"3800"'))),
    ("more columns", writes("day.csv", LOG.replace("\n", ',"a, b"\n'))),
    ("empty cells", writes("day.csv", cell(5, 3, ""))),
    ("constant readings", writes("day.csv", column(1, lambda p: "3800"))),
    ("counter that was reset", writes("day.csv", cell(5, 2, "0"))),
    ("dead thermometer", writes("day.csv", column(3, lambda t: ""))),
    ("labels without an end, of the day before", writes(
        "day.labels.csv", label("2026-03-02T09:00:10,", "2026-03-01T09:00:10,"))),
    ("fitted on a date", writes("machine.toml", jewel("2026-03-10")(MACHINE))),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "spoil"), FINE, ids=lambda value: value if isinstance(value, str) else ""
)
def test_what_is_unusual_but_usable_is_used(tmp_path: Path, name: str, spoil: Spoil) -> None:
    fill(tmp_path)
    spoil(tmp_path)
    done = run(tmp_path, ("replay", "day.csv", "--machine", "machine.toml"))
    assert done.exit_code == 0, done.output
    assert (tmp_path / "replay.db").exists()


@pytest.mark.parametrize("name", ["day.csv", "day.labels.csv", "machine.toml"])
def test_a_file_that_this_user_may_not_read(tmp_path: Path, name: str) -> None:
    fill(tmp_path)
    (tmp_path / name).chmod(0)
    tmp_path.chmod(0o755)
    root = os.geteuid() == 0
    command = ("replay", str(tmp_path / "day.csv"), "--machine", str(tmp_path / "machine.toml"))
    parents = [parent for parent in tmp_path.parents if parent.stat().st_uid == os.geteuid()]
    modes = [parent.stat().st_mode for parent in parents]
    try:
        if root:  # may read everything: be nobody for a while
            for parent, mode in zip(parents, modes, strict=True):
                parent.chmod(mode | 0o555)
            os.seteuid(65534)
        done = CliRunner().invoke(app, [*command, "--no-store"])
    finally:
        if root:
            os.seteuid(0)
            for parent, mode in zip(parents, modes, strict=True):
                parent.chmod(mode)
    assert_refused(done, (str(tmp_path / name), "Permission denied"))


@pytest.mark.parametrize(
    "name",
    ["machine: comma", "labels: unknown event", "log: FIFO"],
)
def test_the_installed_command_refuses_and_makes_no_store(tmp_path: Path, name: str) -> None:
    (case,) = [case for case in CASES if case.name == name]
    fill(tmp_path)
    case.spoil(tmp_path)
    words = [sys.executable, "-m", "borewarden.cli", *case.command]
    done = subprocess.run(
        words, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 2, done.stderr  # of a crash, what faulthandler says
    assert "Traceback" not in done.stderr
    for text in case.says:
        assert text in done.stderr
    assert not (tmp_path / "replay.db").exists()
    assert not (tmp_path / "reports").exists()


def test_watch_refuses_what_reach_refuses(tmp_path: Path) -> None:
    fill(tmp_path)
    (tmp_path / "live" / "service.toml").write_text(SERVICE.replace("[mail]", "[mial]"))
    done = run(tmp_path, ("watch", "--config", "live"))
    assert_refused(done, ("live/service.toml", "mial", "mean 'mail'"))
    assert not (tmp_path / "borewarden.db").exists()

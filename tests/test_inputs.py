"""One reader before every file, harmless cells, private files, and output that can't be written."""

from __future__ import annotations

import csv
import gzip
import io
import os
import sqlite3
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import xlsxwriter
from typer.testing import CliRunner

from borewarden.base import files
from borewarden.base.cells import as_written, harmless
from borewarden.base.errors import BadInput, LogNote
from borewarden.base.files import LARGEST_TEXT, read_file, unpacked, write_private
from borewarden.cli import app
from borewarden.collect import logged_parquet
from borewarden.collect.logged import read_log
from borewarden.jewels.fitting import Fitting
from borewarden.jewels.fitting_text import Frame, csv_text, read_csv
from borewarden.settings import load_machine
from borewarden.store.database import open_store, transaction
from borewarden.store.register import fittings

ROOT = Path(__file__).parents[1]
SOUTH = ROOT / "config" / "south.toml"
CHIP = ROOT / "replay_data" / "south-2026-03-05-chip.csv"
RIGHT = "give a file"


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, " ".join(done.output.split())


# -- kind and size


def readers(odd: Path) -> list[list[object]]:
    """Every command that reads a file, with `odd` in its place."""
    store = odd.parent / "none.db"
    return [
        ["replay", odd, "--machine", SOUTH, "--no-store"],
        ["replay", CHIP, "--machine", odd, "--no-store"],
        ["look", odd, "--yes"],
        ["tune", odd, "--machine", SOUTH],
        ["tune", CHIP, "--machine", SOUTH, "--labels", odd],
        ["tune", CHIP, "--machine", odd],
        ["compare", SOUTH, odd],
        ["fleet", "--list", odd],
        ["watch", "--config", odd],
        ["reach", "--config", odd],
        ["serve", "--machine", odd],
        ["simulate", odd.parent / "a.csv", "--machine", odd, "--first", "2026-03-04"],
        ["rim", odd],
        ["register", "import", odd, "--by", "Ada", "--store", store],
        ["inspect", "--machine", SOUTH, "--answers", odd, "--store", store],
        ["inspect", "--machine", SOUTH, "--picture", odd, "--by", "Ada", "--store", store],
        ["bores", "--machine", odd],
    ]


@pytest.mark.parametrize("kind", ["pipe", "device", "circle"])
@pytest.mark.parametrize("number", range(17))
def test_what_is_not_a_file_is_refused_at_once(tmp_path: Path, kind: str, number: int) -> None:
    odd = tmp_path / "odd.csv"
    if kind == "pipe":
        os.mkfifo(odd)
    elif kind == "device":
        odd.symlink_to("/dev/zero")
    else:
        odd.symlink_to(odd)
    code, said = run(*readers(odd)[number])
    assert code == 2, said
    assert len(readers(odd)) == 17


@pytest.mark.parametrize("kind", ["pipe", "circle"])
def test_what_is_no_store_is_refused_at_once(tmp_path: Path, kind: str) -> None:
    odd = tmp_path / "odd.db"
    if kind == "pipe":
        os.mkfifo(odd)
    else:
        odd.symlink_to(odd)
    for words in (
        ["register", "fit", "--machine", SOUTH, "--bore", "0.010 in", "--material", "ruby",
         "--by", "Ada", "--store", odd],
        ["register", "show", "--store", odd],
        ["account", "list", "--store", odd],
        ["store", "check", "--store", odd],
        ["store", "backup", tmp_path / "copy.db", "--store", odd],
        ["store", "compact", "--store", odd],
        ["counts", "--store", odd],
    ):  # fmt: skip
        code, said = run(*words)
        assert code in (1, 2), said


def test_larger_files_than_can_be_are_refused_unread(tmp_path: Path) -> None:
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(LARGEST_TEXT + 1)
    with pytest.raises(BadInput, match="more than 64 MiB"):
        read_file(large, RIGHT)
    code, said = run("register", "import", large, "--by", "Ada", "--store", tmp_path / "a.db")
    assert (code, "more than 64 MiB" in said) == (2, True)


@pytest.mark.parametrize("members", [1, 3])
def test_gzip_is_unpacked_as_it_was(members: int) -> None:
    text = os.urandom(3_000_000)
    packed = b"".join(gzip.compress(text) for _ in range(members))
    assert unpacked(Path("a.gz"), packed + b"\0" * 40) == text * members
    for broken in (packed[:-9], packed[:1000], b"\x1f\x8b" + packed[2:300], packed + b"rest"):
        with pytest.raises(BadInput, match="broken or half written"):
            unpacked(Path("a.gz"), broken)


def test_gzip_bomb_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "LARGE", 2**20)
    bomb = tmp_path / "south.csv.gz"
    bomb.write_bytes(gzip.compress(b"0" * 20_000_000))
    with pytest.raises(BadInput, match="more than 300 times its size"):
        unpacked(bomb, bomb.read_bytes())
    with pytest.raises(BadInput, match="more than 1 MiB"):
        unpacked(bomb, bomb.read_bytes(), 2**20)
    assert run("replay", bomb, "--machine", SOUTH, "--no-store")[0] == 2


def test_parquet_that_claims_too_much_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logged_parquet, "MOST_CELLS", 100_000)
    path = tmp_path / "bomb.parquet"
    names = ["time", "pressure_bar", "crank_rpm", "water_degc"]
    pq.write_table(pa.table([pa.nulls(60_000, pa.float64())] * 4, names=names), path)
    assert path.stat().st_size < 10_000
    for words in (["look", path, "--yes"], ["replay", path, "--machine", SOUTH, "--no-store"]):
        code, said = run(*words)
        assert (code, "60,000 rows of 4 columns" in said) == (2, True), said


@pytest.mark.parametrize("year", [1, 9999, 10_000, 200_000])
def test_parquet_with_times_beyond_our_days_is_refused(tmp_path: Path, year: int) -> None:
    stamps = np.array([(year - 1970) * 31_556_952 + i for i in range(100)], dtype=np.int64)
    for unit, scale in (("s", 1), ("us", 10**6)):
        if abs(int(stamps[0])) * scale > 2**62:
            continue
        path = tmp_path / f"{unit}.parquet"
        names = ["time", "pressure_bar", "crank_rpm", "water_degc"]
        columns = [pa.array(stamps * scale, pa.timestamp(unit)), *[pa.array([300.0] * 100)] * 3]
        pq.write_table(pa.table(columns, names=names), path)
        code, said = run("replay", path, "--machine", SOUTH, "--no-store")
        assert (code, "Traceback" in said) == (2, False), said
        assert run("look", path, "--yes")[0] == 2


def test_spreadsheet_with_a_cell_far_away_is_refused(tmp_path: Path) -> None:
    """Its reader would ask for 500 GB and end the process."""
    path = tmp_path / "far.xlsx"
    book = xlsxwriter.Workbook(path)
    sheet = book.add_worksheet()
    sheet.write(0, 0, "time")
    sheet.write(1_048_575, 16_383, 1.0)
    book.close()
    code, said = run("look", path, "--yes")
    assert (code, "down to row 1,048,576 and out to column XFD" in said) == (2, True), said


def _png(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body)
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress(b"\0" * 1000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.parametrize("sides", [(30_000, 30_000), (8000, 8000), (2**31 - 1, 2**31 - 1)])
def test_picture_bomb_is_refused_before_it_is_unpacked(
    tmp_path: Path, sides: tuple[int, int]
) -> None:
    pytest.importorskip("skimage")
    path = tmp_path / "rim.png"
    path.write_bytes(_png(*sides))
    code, said = run("rim", path)
    assert (code, "million pixels" in said or "not a picture" in said) == (2, True), said


def test_large_tiff_is_refused_by_its_size(tmp_path: Path) -> None:
    pytest.importorskip("skimage")
    path = tmp_path / "rim.tif"
    with path.open("wb") as file:
        file.write(b"II*\0\x08\0\0\0")
        file.truncate(800 * 2**20)
    code, said = run("rim", path)
    assert (code, "more than 64 MiB" in said) == (2, True)


# -- what is said, and what is written


def test_rows_of_one_time_with_other_readings_are_said(tmp_path: Path) -> None:
    lines = CHIP.read_text().splitlines()[:400]
    cells = lines[200].split(",")
    same, other = lines[200], ",".join([cells[0], "111.1", *cells[2:]])
    log = tmp_path / "south.csv"
    machine = load_machine(SOUTH)
    log.write_text("\n".join([*lines[:201], same, *lines[201:]]))
    plain = read_log(log, machine.log_format())
    log.write_text("\n".join([*lines[:201], other, other, *lines[201:]]))
    with pytest.warns(
        LogNote, match=r"south.csv, line 202: 2 rows have the time of the row before"
    ):
        again = read_log(log, machine.log_format())
    assert np.array_equal(plain.pressure, again.pressure, equal_nan=True)
    done = CliRunner().invoke(app, ["replay", str(log), "--machine", str(SOUTH), "--no-store"])
    assert done.exit_code == 0
    assert "note: " in done.stderr
    assert "line 202" in done.stderr


def test_no_cell_of_ours_is_a_formula(tmp_path: Path) -> None:
    for cell in ("=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1"):
        assert harmless(cell) == f"'{cell}"
        assert as_written(harmless(cell)) == cell
    for cell in ("-2.5", "+3", "1=1", "north", "", "'quoted'", 3, None, -1.5):
        assert harmless(cell) == cell
    assert as_written("'quoted'") == "'quoted'"
    assert as_written(harmless("'=1")) == "'=1"
    note = '=HYPERLINK("http://a.example";"x")'
    jewel = Fitting("@north", "-1", 1_772_500_000_000_000_000, 0.254e-3, "ruby", note=note)
    text = csv_text([jewel])
    [row] = list(csv.DictReader(io.StringIO(text)))
    assert not [cell for cell in row.values() if cell.startswith(("=", "@", "+"))]
    path = tmp_path / "register.csv"
    path.write_text(text)
    [(_, again)] = read_csv(path, Frame(2**62))
    assert again == jewel


def test_files_with_names_are_private(tmp_path: Path) -> None:
    old = os.umask(0o022)
    try:
        store = tmp_path / "borewarden.db"
        with open_store(store), open_store(tmp_path / "other.db"):
            assert {path.stat().st_mode & 0o777 for path in tmp_path.iterdir()} == {0o600}
        written = tmp_path / "register.csv"
        assert run("register", "export", written, "--store", store)[0] == 0
        assert run("store", "backup", tmp_path / "backup.db", "--store", store)[0] == 0
        for path in (written, tmp_path / "backup.db"):
            assert path.stat().st_mode & 0o777 == 0o600
        written.chmod(0o640)  # somebody wants others to read it
        write_private(written, "again")
        assert written.stat().st_mode & 0o777 == 0o640
    finally:
        os.umask(old)


# -- what a store holds


@pytest.mark.parametrize(
    "content",
    ["[]", '{"machine": 1}', "[" * 5000, "not JSON"],
)
def test_entry_of_another_shape_is_said(tmp_path: Path, content: str) -> None:
    store = tmp_path / "borewarden.db"
    tables = ("register", "inspection", "hand_count")
    with open_store(store) as connection, transaction(connection):
        for table in tables:
            connection.execute(
                f"INSERT INTO {table} ({'fitting' if table == 'register' else table}, machine, "
                "recorded_ns, by, why, content) VALUES (1, 'South', 1, 'Ada', '', ?)",
                (content,),
            )
        with pytest.raises(sqlite3.DatabaseError, match="not as borewarden writes it"):
            fittings(connection)
    for words in (
        ["register", "show", "--store", store],
        ["register", "history", "1", "--store", store],
        ["inspections", "--store", store],
        ["counts", "--store", store],
    ):
        code, said = run(*words)
        assert (code, "not as borewarden writes it" in said) == (2, True), said


# -- the environment, and the output


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("BOREWARDEN_PUMP", "[" * 5000),
        ("BOREWARDEN_PUMP", '{"kind": {"kind": {}}}'),
        ("BOREWARDEN_PUMP", "1"),
        ("BOREWARDEN_PUMP__RATED_PRESSURE__X", "1"),
        ("BOREWARDEN_LOG__PRESSURE__COLUMN__A__B__C", "1"),
        ("BOREWARDEN_PUMP__", "1"),
        ("BOREWARDEN_JEWEL", "[[[[1]]]]"),
        ("BOREWARDEN_JEWEL__0__BORE", "1"),
        ("BOREWARDEN_GATE", '"text"'),
        ("BOREWARDEN_GATE__MAX_GAP", "\udcff"),
        ("BOREWARDEN_UNITS", "[" * 5000),
        ("BOREWARDEN_SERVICE_PAGE", "[" * 5000),
        ("BOREWARDEN_SERVICE_PAGE__NAMES", '[["a"]]'),
        ("BOREWARDEN_SERVICE_PAGE__NAMES__0", "a"),
        ("BOREWARDEN_SERVICE_MAIL__RECIPIENTS", '{"a": [1]}'),
    ],
)
def test_nested_values_of_the_environment_are_refused(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str, value: str
) -> None:
    monkeypatch.setenv(name, value)
    if "SERVICE" in name:
        (tmp_path / "north.toml").write_text(
            (ROOT / "config" / "live" / "north-modbus.toml").read_text()
        )
        code, said = run("watch", "--config", tmp_path, "--store", tmp_path / "a.db")
    else:
        code, said = run("replay", CHIP, "--machine", SOUTH, "--no-store")
    assert (code, "Traceback" in said) == (2, False), said


@pytest.mark.parametrize("where", ["ascii", "full", "closed"])
def test_output_that_can_not_be_written_is_no_traceback(where: str) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "LC_ALL": "C"}
    words = ["bores", "--machine", str(SOUTH)] if where == "ascii" else ["--help"]
    command = [sys.executable, "-m", "borewarden.cli", *words]
    reader, closed = os.pipe()
    os.close(reader)
    full = os.open("/dev/full", os.O_WRONLY)
    out = {"ascii": subprocess.PIPE, "full": full, "closed": closed}[where]
    done = subprocess.run(
        command, stdout=out, stderr=subprocess.PIPE, env=environment, text=True, check=False
    )
    os.close(closed)
    os.close(full)
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    if where == "ascii":
        assert done.returncode == 0, done.stderr
        assert done.stdout.isascii()
    else:
        assert done.returncode in (1, 2)
        assert (where == "closed") is (done.stderr == "")

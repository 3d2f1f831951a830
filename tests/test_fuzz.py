"""Whatever bytes come in, the commands end well or refuse them plainly: never a traceback.

Files that are sound are cut up and spliced with what loggers, spreadsheets and people write. The
same examples in each run; `BOREWARDEN_FUZZ=5000` takes as many fresh ones for each test.
"""

from __future__ import annotations

import io
import os
from contextlib import chdir, suppress
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from borewarden.base.errors import BadInput
from borewarden.cli import app
from borewarden.settings.service import load_folder

ROOT = Path(__file__).parents[1]
LIVE = ("north-modbus", "south-opcua", "west-mqtt")
EXAMPLES = int(os.environ.get("BOREWARDEN_FUZZ", "0"))
FUZZ = settings(
    max_examples=EXAMPLES or 25,
    derandomize=not EXAMPLES,
    database=None,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)

ROWS = [
    f"2026-03-02T09:{s // 60:02d}:{s % 60:02d},{3800 + s % 3},{10 + s // 2},20.5" for s in range(90)
]
LOG = "\n".join(["time,pressure_bar,strokes,water_c", *ROWS]) + "\n"
SHIFT = "\n".join(  # long enough for a baseline; a jewel that opens up after half of it
    [
        LOG.splitlines()[0],
        *(
            f"{1772438400 + s},{3800 + s % 3},{int(0.43 * s + 0.06 * max(s - 700, 0))},20.5"
            for s in range(1400)
        ),
        "",
    ]
)
LABELS = (
    "time,end,event,area_change,note\n"
    "2026-03-02T09:00:10,,chip,0.08,invented\n"
    '2026-03-02T09:00:20,2026-03-02T09:01:00,none,,"quiet, all day"\n'
)
MACHINE = (ROOT / "config" / "north.toml").read_text()
SERVICE = (ROOT / "config" / "live" / "service.toml").read_text().replace("\n# ", "\n")

PIECES = [
    "", ",", ";", "\t", "\n", "\r", "\r\n", '"', "'", "\0", "\ufeff", "é", "\x1a", "#", "=", "[",
    "]", "[[", "{", "}", "-", "+", ".", "e", "nan", "inf", "-inf", "NaN", "null", "true", "1e308",
    "-1e308",
    "1e-308", "1e999", "0", "-1", "99999999999999999999", "0x1F", "1_000", "3800", "20.5", "3,800",
    "2026-03-02T09:00:30", "2026-03-29T02:30:00", "2026-10-25T02:30:00", "2026-03-02T09:00:30Z",
    "2026-03-02T09:00:30+99:00", "0001-01-01T00:00:00", "9999-12-31T23:59:59", "1772438400",
    "1772438400000", "2026-02-30", "T", "Z", "time", "chip", "wear", '"8 %"', '"0 s"', '"1 degC"',
    '"-1 MPa"', '"1e300 MPa"', '"1 dBm"', "''''", '"""', "\\u0000", "\\", "ruby", "x" * 5000,
]  # fmt: skip
TEXTS = st.text(max_size=6).map(lambda text: text.encode("utf-8", "replace"))
SPLICES = st.one_of(st.sampled_from(PIECES).map(str.encode), st.binary(max_size=6), TEXTS)
EDITS = st.lists(
    st.tuples(st.integers(0, 10_000), st.integers(0, 30), SPLICES), min_size=1, max_size=6
)


def spliced(content: bytes, edits: list[tuple[int, int, bytes]]) -> bytes:
    """`content` with pieces cut out and put in."""
    for start, length, piece in edits:
        start %= len(content) + 1
        content = content[:start] + piece + content[start + length :]
    return content


def with_cells(text: str, cells: list[tuple[int, int, str]]) -> bytes:
    """A CSV text with single cells changed, the columns kept."""
    rows = [line.split(",") for line in text.splitlines()]
    for i, j, cell in cells:
        row = rows[i % len(rows)]
        row[j % len(row)] = cell
    return "\n".join(",".join(row) for row in rows).encode("utf-8", "replace") + b"\n"


NUMBERS = st.one_of(
    st.floats(allow_nan=True).map(repr), st.integers().map(str), st.sampled_from(PIECES)
)
CELLS = st.lists(
    st.tuples(st.integers(0, 200), st.integers(0, 10), NUMBERS), min_size=1, max_size=30
)
LOGS = st.one_of(
    EDITS.map(lambda edits: spliced(LOG.encode(), edits)),
    CELLS.map(lambda cells: with_cells(LOG, cells)),
    st.binary(max_size=300),
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("shop")


def ends_well(folder: Path, **files: bytes) -> None:
    """Replay in a folder of `files`; the store either takes the day or is as it was."""
    sound = {
        "day.csv": LOG.encode(),
        "day.labels.csv": LABELS.encode(),
        "machine.toml": MACHINE.encode(),
    }
    given = {name.replace("__", "."): content for name, content in files.items()}
    log = "day.parquet" if "day.parquet" in given else "day.csv"
    for name, content in {**sound, **given}.items():
        (folder / name).write_bytes(content)
    store = folder / "replay.db"
    before = store.read_bytes() if store.exists() else None
    with chdir(folder):
        done = CliRunner().invoke(app, ["replay", log, "--machine", "machine.toml"])
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    assert done.exit_code in (0, 2), done.output
    if done.exit_code == 2:
        assert done.stderr.strip()
        assert (store.read_bytes() if store.exists() else None) == before


@FUZZ
@given(log=LOGS)
def test_logs(shop: Path, log: bytes) -> None:
    ends_well(shop, day__csv=log)


GERMAN = "Zeit;pressure_bar;strokes;water_c\n" + "".join(
    f"{day[8:10]}.{day[5:7]}.{day[:4]} {day[11:]};3.80{p[-1]},0;{n};20,5\n"
    for day, p, n, _ in (row.split(",") for row in ROWS)
)
FORM = MACHINE.replace(
    'time = "time"',
    '''time = "Zeit"
time_format = "%d.%m.%Y %H:%M:%S"
separator = ";"
decimal = ","
thousands = "."
hold = "30 s"''',
)


@FUZZ
@given(edits=EDITS)
def test_logs_in_a_form_of_their_own(shop: Path, edits: list[tuple[int, int, bytes]]) -> None:
    ends_well(shop, day__csv=spliced(GERMAN.encode(), edits), machine__toml=FORM.encode())


@FUZZ
@given(text=st.sampled_from([LOG, GERMAN, SHIFT]), edits=EDITS)
def test_look(shop: Path, text: str, edits: list[tuple[int, int, bytes]]) -> None:
    (shop / "any.csv").write_bytes(spliced(text.encode(), edits))
    (shop / "new.toml").unlink(missing_ok=True)
    words = ["look", "any.csv", "--yes", "--out", "new.toml", "--date-order", "day-first"]
    with chdir(shop):
        done = CliRunner().invoke(app, words)
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    assert done.exit_code in (0, 2), done.output
    assert (shop / "new.toml").exists() == (done.exit_code == 0)


def parquet_of(text: bytes) -> bytes:
    frame = pd.read_csv(io.BytesIO(text))
    sink = io.BytesIO()
    frame.to_parquet(sink)
    return sink.getvalue()


@FUZZ
@given(edits=EDITS)
def test_parquet_logs(shop: Path, edits: list[tuple[int, int, bytes]]) -> None:
    ends_well(shop, day__parquet=spliced(parquet_of(LOG.encode()), edits))


@FUZZ
@given(
    labels=st.one_of(
        EDITS.map(lambda edits: spliced(LABELS.encode(), edits)),
        CELLS.map(lambda cells: with_cells(LABELS, cells)),
        st.binary(max_size=200),
    )
)
def test_labels(shop: Path, labels: bytes) -> None:
    ends_well(shop, **{"day.labels__csv": labels})


LINES = [i for i, line in enumerate(MACHINE.splitlines()) if " = " in line and line[0] != "#"]
MANTISSAS = st.floats(-9.9, 9.9).map(lambda x: round(x, 2))
QUANTITIES = st.builds(
    lambda x, power, unit: f'"{x}e{power} {unit}"',
    MANTISSAS,
    st.integers(-9, 9),
    st.sampled_from(["MPa", "s", "h", "mm", "cm^3", "strokes/min", "%", "", "kW", "degC", "1/s"]),
)
TIMES = ("settle_time", "hold_time", "batch_time", "longest_pause", "max_gap", "fast_time")
SHARES = ("steady_band", "jet_on_fraction", "smallest_step", "limit", "wear_notice", "noise_floor")
STATED = st.one_of(  # settings of the right kind, of any size
    st.tuples(st.sampled_from((*TIMES, "slow_time", "stuck_time")), st.floats(0.05, 86_400.0)).map(
        lambda given: ("gate", f'{given[0]} = "{given[1]} s"')
    ),
    st.tuples(st.sampled_from(SHARES), st.floats(1e-6, 1.0)).map(
        lambda given: (
            "gate" if given[0] in ("steady_band", "jet_on_fraction") else "watch",
            f"{given[0]} = {given[1]!r}",
        )
    ),
    st.tuples(st.sampled_from(("flow_uncertainty", "level_uncertainty")), st.floats(1e-6, 1.0)).map(
        lambda given: ("watch", f"{given[0]} = {given[1]!r}")
    ),
    st.floats(0.05, 86_400.0).map(lambda time: ("watch", f'baseline_time = "{time} s"')),
    st.floats(0.1, 1e6).map(lambda time: ("watch", f'false_alarm_time = "{time} h"')),
    st.floats(0.0, 1e5).map(lambda time: ("watch", f'jewel_life = "{time} h"')),
)


def with_values(changes: list[tuple[int, str]]) -> bytes:
    lines = MACHINE.splitlines()
    for i, value in changes:
        lines[i] = f"{lines[i].split('=')[0]}= {value}"
    return "\n".join(lines).encode("utf-8", "replace")


def with_stated(stated: list[tuple[str, str]]) -> bytes:
    text = MACHINE.replace('limit = "8 %"', "")
    for section, line in stated:
        text = text.replace(f"[{section}]\n", f"[{section}]\n{line}\n", 1)
    return text.encode()


@FUZZ
@given(
    machine=st.one_of(
        EDITS.map(lambda edits: spliced(MACHINE.encode(), edits)),
        st.lists(
            st.tuples(st.sampled_from(LINES), st.one_of(NUMBERS, QUANTITIES)),
            min_size=1,
            max_size=3,
        ).map(with_values),
        st.lists(STATED, min_size=1, max_size=4, unique_by=lambda s: s[1].split()[0]).map(
            with_stated
        ),
    )
)
def test_machines(shop: Path, machine: bytes) -> None:
    ends_well(shop, machine__toml=machine, day__csv=SHIFT.encode())


@FUZZ
@given(which=st.sampled_from(LIVE), edits=EDITS, of_service=st.booleans())
def test_live_folders(
    tmp_path_factory: pytest.TempPathFactory,
    which: str,
    edits: list[tuple[int, int, bytes]],
    of_service: bool,
) -> None:
    """Only loaded: whatever host they name after that is not to be asked for anything."""
    folder = tmp_path_factory.mktemp("live")
    machine = (ROOT / "config" / "live" / f"{which}.toml").read_bytes()
    service = SERVICE.encode()
    if of_service:
        service = spliced(service, edits)
    else:
        machine = spliced(machine, edits)
    (folder / "machine.toml").write_bytes(machine)
    (folder / "service.toml").write_bytes(service)
    with suppress(BadInput):
        machines, loaded = load_folder(folder)
        assert machines[0].live_source() is not None
        assert loaded.alarm_settings().repeat > 0.0

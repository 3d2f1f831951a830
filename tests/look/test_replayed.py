"""From a shop's own log to a verdict: look, then replay with the machine file that it wrote."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from borewarden.cli import app
from borewarden.replay.one_machine import Replayed, replay_logs
from borewarden.settings import load_machine
from borewarden.watcher.verdict import State
from shop_logs import ROOT, changes, xlsx

DAY = ROOT / "replay_data" / "north-2026-03-04-chip.csv"
CHIP = dt.datetime.fromisoformat("2026-03-04T10:17:30+01:00").timestamp()


def looked(log: Path, *options: str) -> Replayed:
    machine = log.with_suffix(".toml")
    arguments = ["look", str(log), "--yes", "--out", str(machine), "--name", "North"]
    arguments += ["--time-zone", "Europe/Vienna", *options]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    return replay_logs(load_machine(machine), [log])


@cache
def frame() -> pd.DataFrame:
    return pd.read_csv(DAY).iloc[:36_000]  # until some minutes after the chip


@cache
def plain(folder: str) -> Replayed:
    log = Path(folder) / "plain.csv"
    frame().to_csv(log, index=False)
    return looked(log)


@cache
def morning() -> pd.DataFrame:
    return frame().iloc[:12_000]


@pytest.fixture(scope="module")
def as_logged(tmp_path_factory: pytest.TempPathFactory) -> Replayed:
    return plain(str(tmp_path_factory.mktemp("plain")))


def chip_seen(result: Replayed) -> bool:
    opened = [alert for alert in result.alerts if alert.verdict.state is State.OPENED]
    return bool(opened) and 0 < opened[0].time_ns / 1e9 - CHIP < 900


def test_a_stroke_that_nobody_knows_is_no_word_on_the_bore(tmp_path: Path) -> None:
    log = tmp_path / "day.csv"
    frame().to_csv(log, index=False)
    result = looked(log)
    machine = log.with_suffix(".toml")
    text = machine.read_text()
    (line,) = (each for each in text.splitlines() if each.startswith("stroke = "))
    for stroke, is_known in (("320 mm", False), ("320 mm", True)):  # short cuts may lead to it
        comment = "" if is_known else line.partition("#")[2]
        machine.write_text(text.replace(line, f'stroke = "{stroke}" # {comment}'))
        sizes = [each for each in text.splitlines() if each.startswith("plunger_diameter = ")]
        if is_known:
            known = sizes[0].partition("#")[0]
            machine.write_text(machine.read_text().replace(sizes[0], known))
        result = replay_logs(load_machine(machine), [log])
        told = {alert.verdict.state for alert in result.alerts}
        assert (State.NOT_STATED_BORE in told) is is_known
        assert chip_seen(result)
        assert not 0.53 < result.verdict.discharge_coefficient < 0.86


def test_what_would_make_the_watch_surer_is_said(tmp_path: Path) -> None:
    log = tmp_path / "slow.csv"
    frame().iloc[::30].to_csv(log, index=False)
    words = ["look", str(log), "--yes", "--out", str(tmp_path / "m.toml"), "--name", "North"]
    said = " ".join(CliRunner().invoke(app, words).output.split())
    assert "There is no valve signal" in said
    assert "There is a reading every 15 s" in said


def test_nothing_known_of_the_pump_yet_the_chip_is_seen(as_logged: Replayed) -> None:
    assert chip_seen(as_logged)
    assert as_logged.verdict.state is State.OPENED
    assert all(alert.verdict.state is State.OPENED for alert in as_logged.alerts)


def german(folder: Path) -> Path:
    times = pd.to_datetime(morning()["time"])
    log = folder / "german.csv"
    out = pd.DataFrame(
        {
            "Datum": times.dt.strftime("%d.%m.%Y"),
            "Uhrzeit": times.dt.strftime("%H:%M:%S,%f").str[:-3],
            "Druck [bar]": morning()["pressure_bar"].map(lambda v: str(v).replace(".", ",")),
            "Hübe": morning()["strokes"],
            "Wasser [°C]": morning()["water_c"].map(lambda v: str(v).replace(".", ",")),
        }
    )
    log.write_bytes(out.to_csv(sep=";", index=False).replace("nan", "").encode("cp1252"))
    return log


def book(folder: Path) -> Path:
    log = folder / "book.xlsx"
    times = pd.to_datetime(morning()["time"]).dt.to_pydatetime()
    cells = morning()[["pressure_bar", "strokes", "water_c"]].to_numpy(dtype=float)
    lines = [[time, *row] for time, row in zip(times, cells.tolist(), strict=True)]
    log.write_bytes(xlsx({"Log": [["time", "pressure_bar", "strokes", "water_c"], *lines]}))
    return log


@pytest.mark.parametrize("make", [german, book])
def test_same_readings_in_another_form_give_the_same_to_the_last_bit(
    make: Callable[[Path], Path], tmp_path: Path
) -> None:
    log = tmp_path / "as-logged.csv"
    morning().to_csv(log, index=False)
    as_logged = looked(log)
    options = ["--date-order", "day-first"] if make is german else []
    result = looked(make(tmp_path), *options)
    for one, other in zip(result.samples, as_logged.samples, strict=True):
        assert one.tobytes() == other.tobytes()
    assert result.batches.tobytes() == as_logged.batches.tobytes()


def test_chip_is_seen_in_an_export_by_exception(tmp_path: Path) -> None:
    rows = []
    for tag, band in (("pressure_bar", 3.0), ("strokes", 0.0), ("water_c", 0.2)):
        values = frame()[tag].to_numpy(dtype=float)
        kept = changes(values, band)
        rows += [(frame()["time"][at], tag, values[at]) for at in kept]
    log = tmp_path / "tags.csv"
    lines = [f"{time},{tag},{value:g}" for time, tag, value in sorted(rows)]
    log.write_text("\n".join(["time,tag,value", *lines]) + "\n")
    result = looked(log)
    assert chip_seen(result)
    assert all(alert.verdict.state is State.OPENED for alert in result.alerts)


def test_flow_meter_is_a_rate(tmp_path: Path) -> None:
    sound = pq.read_table(ROOT / "replay_data" / "west-2026-03-03-sound.parquet").to_pandas()
    log = tmp_path / "flow.csv"
    # what each stroke of the invented pump takes in, nearly: 73 cm³
    flow = sound["stroke_rate"] * 0.0725
    out = pd.DataFrame(
        {"time": sound["time"].astype("str"), "P (psi)": sound["pressure"], "Q (l/min)": flow}
    )
    out.to_csv(log, index=False)
    result = looked(log)
    assert result.verdict.state is State.SOUND
    assert not result.alerts
    assert np.nanmax(result.samples.rate) < 2.0

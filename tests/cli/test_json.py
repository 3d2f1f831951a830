"""`--json`: strict JSON and nothing else on standard output, in SI, by the store's own names."""

from __future__ import annotations

import json
import shutil
from contextlib import chdir
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from skimage.io import imsave
from typer.testing import CliRunner

from borewarden.cli import COMMANDS, app, load_command
from borewarden.store.database import open_store
from borewarden.store.queries import alerts
from invented_register import AT, EXAMPLE, write_machines, write_shop

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config"
LOGS = ROOT / "replay_data"
WITHOUT = {"demo", "simulate", "watch", "serve", "inspect"} | {
    "account",
    "register",
    "store",
}  # those within


def refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is not JSON")


def told(folder: Path, *words: str, code: int = 0) -> Any:
    with chdir(folder):
        done = CliRunner().invoke(app, [*words, "--json"], catch_exceptions=False)
    assert done.exit_code == code, done.output
    return json.loads(done.stdout, parse_constant=refuse)


def columns(store: Path, table: str) -> set[str]:
    with open_store(store) as connection:
        return {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - WITHOUT))
def test_whatever_prints_a_table_prints_json(name: str) -> None:
    assert any("--json" in parameter.opts for parameter in load_command(name).params)


def test_replay_by_the_names_of_the_store(tmp_path: Path) -> None:
    log = str(LOGS / "north-2026-03-04-chip.csv")
    day = told(tmp_path, "replay", log, "--machine", str(CONFIG / "north.toml"))
    [alert] = day["alerts"]
    store = tmp_path / day["store"]
    assert set(alert) == columns(store, "alert") - {"machine"}
    with open_store(store) as connection:
        [kept] = alerts(connection, "North")
    assert (alert["time_ns"], alert["onset_ns"]) == (kept.time_ns, kept.verdict.onset_ns)
    verdict = day["verdict"]
    assert (verdict["state"], verdict["ne107"]) == ("probably opened up", "failure")
    assert verdict["causes"][0]["cause"] == "bore opened up"
    assert verdict["nominal_bore"] == pytest.approx(0.254e-3)
    assert day["labels"][0]["event"] == "chip"
    assert (tmp_path / day["report"]).exists()


def test_the_verdict_is_the_exit_code_with_json_as_well(tmp_path: Path) -> None:
    log = str(LOGS / "west-2026-03-03-sound.parquet")
    words = ("replay", log, "--machine", str(CONFIG / "west.toml"), "--no-store", "--exit-code")
    day = told(tmp_path, *words)
    assert (day["alerts"], day["store"], day["verdict"]["onset_ns"]) == ([], None, None)


def test_fleet_names_what_was_refused(tmp_path: Path) -> None:
    for name in ("north", "south"):
        shutil.copy(CONFIG / f"{name}.toml", tmp_path)
    shutil.copy(LOGS / "south-2026-03-05-chip.csv", tmp_path)
    (tmp_path / "north-bad.csv").write_text("time\n")
    north, south = told(tmp_path, "fleet", str(tmp_path), code=2)
    assert (north["machine"], "north-bad.csv" in north["refused"]) == ("North", True)
    assert south["verdict"]["overstroke_margin"] is None  # a crank pump has none
    assert [alert["state"] for alert in south["alerts"]] == ["probably opened up"]


def test_bores_and_rim(tmp_path: Path) -> None:
    words = ("bores", "--machine", str(CONFIG / "north.toml"), "--pressure", "380 MPa")
    bores = told(tmp_path, *words)
    assert bores["pressure"] == pytest.approx(380e6)
    one, two = bores["largest"]
    assert (one["heads"], two["heads"]) == (1, 2)
    assert one["bore"] in [option["bore"] for option in bores["options"]]
    assert bores["options"][0]["rate"] < 1.0  # strokes a second
    y, x = np.mgrid[-200:200, -200:200] / 120.0
    rim = np.where(np.abs(np.degrees(np.arctan2(y, x))) < 15.0, 1.1, 1.0)
    picture = np.clip(0.5 + (rim - np.hypot(x, y)) * 60.0, 0.1, 0.9)
    imsave(tmp_path / "rim.png", (picture * 255).astype(np.uint8), check_contrast=False)
    measured = told(tmp_path, "rim", "rim.png")
    assert measured["finding"] == "chipped"
    assert measured["chip_angle_deg"] == pytest.approx(30.0, abs=5.0)
    assert measured["reasons"] == []


def test_reach_says_what_does_not_work(tmp_path: Path) -> None:
    text = (CONFIG / "live" / "north-modbus.toml").read_text()
    (tmp_path / "north.toml").write_text(text.replace("port = 5020", "port = 1"))
    answers = told(tmp_path, "reach", "--config", "north.toml", code=1)
    assert all(set(each) == {"what", "part", "answer", "words"} for each in answers)
    assert ("North live", "NO") in [(each["what"], each["answer"]) for each in answers]


# -- the shop's planning


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shop")
    write_machines(folder)
    shutil.copy(EXAMPLE, folder)
    write_shop(folder / "borewarden.db", seed=0)
    return folder


def test_shift_has_heads_stock_and_what_to_do(shop: Path) -> None:
    shift = told(shop, "shift", "--config", ".", "--at", AT, "--hours", "16")
    assert shift["hours"] == 16.0
    assert all(isinstance(line, str) for line in shift["to_do"])
    first = shift["heads"][0]
    low, middle, high = first["chance"]["chance"]
    assert 0.0 <= low <= middle <= high <= 1.0
    assert set(first["fitting"]) >= {"machine", "head", "fitted_ns", "bore", "material", "note"}
    assert first["plan"]["cost_rate"][0] <= first["plan"]["cost_rate"][2]
    ruby = next(row for row in shift["stock"] if row["material"] == "ruby")
    assert ruby["bore"] == pytest.approx(0.254e-3)
    assert ruby["hold"] >= ruby["demand"][0]
    assert (shop / shift["report"]).exists()


def test_life_plan_stock_and_costs(shop: Path) -> None:
    given = ("--config", ".", "--at", AT)
    life = told(shop, "life", *given)
    ruby = next(row for row in life["materials"] if row["material"] == "ruby")
    assert ruby["ended"] > 20
    assert ruby["median_life"] == sorted(ruby["median_life"])
    assert any(effect["condition"] == "tds_ppm" for effect in life["effects"])
    plan = told(shop, "plan", *given)
    assert (plan["currency"], plan["costs"]["ruby"]) == ("EUR", {"planned": 24.0, "failed": 310.0})
    assert all(
        (each["plan"]["age"] is None) == each["plan"]["to_failure"] for each in plan["heads"]
    )
    stock = told(shop, "stock", *given)
    assert stock["lead_time_weeks"] == 3.0
    assert all(row["to_order"] is None or row["to_order"] >= 0 for row in stock["stock"])
    costs = told(shop, "costs", *given)
    for row in costs["materials"]:
        assert sum(row["parts"].values()) == pytest.approx(row["total"][1], rel=1e-6)

"""What columns are is told by what they do; whatever else a shop logs beside is left alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from borewarden.look.form import Answers
from borewarden.look.looked import look_at
from borewarden.look.machine_file import Plate, pump_kind
from borewarden.look.question import Question
from borewarden.look.roles import Readings, Role, Told, find_roles
from second_plant import day, write
from shop_logs import NORTH, PLAIN, SOUTH, WEST, Column, column_values, local_times, logged

PUMPS = {"north": NORTH, "west": WEST, "south": SOUTH}


def beside(pump: str) -> dict[str, np.ndarray]:
    """Things that shops log beside the pump, some of which go with the jet. All invented."""
    samples = logged(pump, PLAIN)
    rng = np.random.default_rng(1)
    rows = len(samples.time_ns)
    on = samples.valve > 0
    return {
        "Motor current": np.where(on, 35, 12) + rng.normal(0, 0.4, rows),
        "Abrasive [g/min]": np.where(on, 350, 0) + np.abs(rng.normal(0, 2, rows)),
        "Dose lb/min": np.where(on, 0.8, 0) + np.abs(rng.normal(0, 0.01, rows)),
        "Load %": np.where(on, 72, 20) + rng.normal(0, 1, rows),
        "X": np.cumsum(rng.normal(0, 3, rows)) + 500,
        "Feed mm/min": np.where(on, 120, 8000) + rng.normal(0, 3, rows),
        "Parts": np.floor(np.arange(rows) / 97),
        "Hours": np.round(4711 + np.arange(rows) / 3600, 2),
        "Set": np.where(np.arange(rows) // 200 % 2, 3900, 3500.0),
        "Ambient": 22 + np.cumsum(rng.normal(0, 0.002, rows)),
        "Oil temp": 48 + np.cumsum(rng.normal(0, 0.005, rows)),
        "Tank level": 60 + np.cumsum(rng.normal(0, 0.02, rows)),
        "Alarm": np.zeros(rows),
        "Program no": np.floor(np.arange(rows) / 300) + 1204,
    }


def table(pump: str, heads: list[str], columns: tuple[Column, ...]) -> dict[str, np.ndarray]:
    samples = logged(pump, PLAIN)
    return {
        head: np.round(column_values(pump, samples, column), column.digits)
        for head, column in zip(heads, columns, strict=True)
    }


@pytest.mark.parametrize("first", [True, False])
@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("pump", PUMPS)
def test_nothing_else_is_taken_for_a_channel(
    pump: str, named: bool, first: bool, tmp_path: Path
) -> None:
    columns = PUMPS[pump]
    heads = [column.header if named else f"AI{at}" for at, column in enumerate(columns)]
    ours, others = table(pump, heads, columns), beside(pump)
    both = {**ours, **others} if first else {**others, **ours}
    times = [time.strftime("%Y-%m-%dT%H:%M:%S") for time in local_times(logged(pump, PLAIN))]
    log = tmp_path / "day.csv"
    pd.DataFrame({"time": times, **both}).round(3).to_csv(log, index=False)
    found = {role.channel: role.column for role in look_at([log], Answers(), Told()).roles}
    right = {column.channel: head for head, column in zip(heads, columns, strict=True)}
    if pump == "south" and not named:  # a constant speed without a name could be anything
        del right["rate"]
    assert found == right


# -- a crank, by its name


@pytest.mark.parametrize("name", ["crank_rpm", "Crank speed", "RPM", "Kurbel", "Drehzahl Pumpe"])
@pytest.mark.parametrize("turns", [305.0, 110.0])
def test_a_speed_that_hardly_moves_is_the_cranks_if_it_is_called_so(
    name: str, turns: float
) -> None:
    seconds = np.arange(600.0)
    on = seconds % 60.0 < 40.0
    pressure = np.where(on, 3740.0, 1200.0) + 6.0 * np.sin(seconds)
    speed = turns - on  # slip under load, in whole turns
    values = {"P": pressure, name: speed, f"{name} set": speed + 1.0, "crank temp": 0.2 * speed}
    found = find_roles(Readings("a log", seconds, values, {"P": "bar"}), Told())
    assert [(role.column, role.unit) for role in found if role.channel == "rate"] == [(name, "rpm")]


@pytest.mark.parametrize("name", ["crank_rpm", "crank speed", "n"])
@pytest.mark.parametrize("mode", ["turns", "mixed", "together"])
def test_a_crank_that_stands_while_the_line_holds_is_no_intensifier(
    name: str, mode: str, tmp_path: Path
) -> None:
    made = day("regulated", 71_001, signals=("pressure", "rate"), heads=2, mode=mode, hours=2.0)
    log, _, _ = write(made, tmp_path)
    frame = pd.read_csv(log, dtype=str).rename(columns={"crank_rpm": name})
    if name == "n":  # nothing says what that is, so the numbers have to
        frame[name] = (frame[name].astype(float) * 3.0).round().astype(str)
    frame.to_csv(log, index=False)
    looked = look_at([log], Answers(), Told())
    assert pump_kind(looked, Plate())[0] == "direct drive"


# -- a valve behind a rate that is a mean


def meaned(pause: float, window: int = 12, cut: float = 20.0) -> tuple[dict[str, np.ndarray], str]:
    """A log of `cut` s cuts at the jet's own pressure, and the rate as a mean; all invented."""
    seconds = np.arange(3600.0)
    on = (seconds % (cut + pause) < cut) & (seconds > 300.0)
    rate = np.convolve(24.0 * on, np.ones(window) / window)[: len(on)]
    pressure = np.where(seconds > 280.0, 3740.0, 0.0) + 6.0 * np.sin(seconds)
    return {"P": pressure, "strokes": np.round(rate, 1), "valve": on.astype(float)}, "strokes/min"


def found_in(values: dict[str, np.ndarray], unit: str, **told: str) -> dict[str, Role]:
    units = {"P": "bar", "strokes": unit}
    readings = Readings("a log", np.arange(3600.0), values, units)
    return {role.channel: role for role in find_roles(readings, Told(column=told))}


@pytest.mark.parametrize("pause", [3.0, 4.0])
def test_a_valve_whose_pauses_a_mean_rate_hides_is_taken(pause: float) -> None:
    role = found_in(*meaned(pause))["valve"]
    assert role.column == "valve"
    assert "the rate follows it, within" in role.why


def irregular(
    window: int, seed: int, pauses: tuple[float, float] = (3.0, 5.0)
) -> dict[str, np.ndarray]:
    """A log of cuts of 6 to 40 s, and the rate as a mean over `window` rows; all invented."""
    chance = np.random.default_rng(seed)
    ends = np.cumsum([chance.uniform(*each) for each in [(6.0, 40.0), pauses] * 300])
    on = np.searchsorted(ends, np.arange(3600.0)) % 2 == 0
    on[:60] = False
    rate = np.convolve(24.0 * on, np.ones(window) / window)[:3600] + chance.normal(0.0, 0.3, 3600)
    pressure = 3740.0 * (np.arange(3600) > 50) + chance.normal(0.0, 6.0, 3600)
    return {"P": pressure, "strokes": np.round(rate, 1).clip(0.0), "valve": on.astype(float)}


@pytest.mark.parametrize("window", [9, 15, 20])
@pytest.mark.parametrize("seed", range(3))
def test_pauses_behind_a_mean_of_any_length_are_found(window: int, seed: int) -> None:
    role = found_in(irregular(window, seed), "strokes/min")["valve"]
    within = float(role.why.rpartition("within ")[2].removesuffix(" s"))
    assert within == pytest.approx(0.9 * window, abs=1.1)


@pytest.mark.parametrize("window", [9, 15])
def test_a_valve_of_another_time_or_of_another_jet_is_not_taken(window: int) -> None:
    ours, others = irregular(window, 1), irregular(window, 2)
    for valve in (np.roll(ours["valve"], 90), np.roll(ours["valve"], -90), others["valve"]):
        assert "valve" not in found_in({**ours, "valve": valve}, "strokes/min")


def test_a_valve_that_a_drive_follows_is_taken_though_the_line_holds(tmp_path: Path) -> None:
    made = day("regulated", 50_002, signals=("pressure", "rate", "valve"), hours=2.0)
    log, _, _ = write(made, tmp_path)
    frame = pd.read_csv(log, dtype=str).rename(columns={"heads_open": "jet valve"})
    frame.to_csv(log, index=False)
    roles = {role.channel: role for role in look_at([log], Answers(), Told()).roles}
    assert roles["valve"].column == "jet valve"
    assert "the rate follows it" in roles["valve"].why
    frame["jet valve"] = np.roll(frame["jet valve"], 300)
    frame.to_csv(log, index=False)
    assert "valve" not in {role.channel for role in look_at([log], Answers(), Told()).roles}


def test_a_column_called_a_valve_that_goes_with_nothing_is_not_taken() -> None:
    values, unit = meaned(4.0)
    values["valve"] = np.random.default_rng(3).permutation(values["valve"])
    assert "valve" not in found_in(values, unit)


def test_a_valve_that_is_stated_is_taken_with_what_speaks_against_it() -> None:
    values, unit = meaned(4.0)
    values["Q4"] = np.random.default_rng(3).permutation(values.pop("valve"))
    role = found_in(values, unit, valve="Q4")["valve"]
    assert role.column == "Q4"
    assert "as stated, but the pump works as much while it is off (" in role.why


# -- the unit of a rate, and whose it is


def test_whoever_is_asked_for_the_unit_of_a_rate_is_offered_strokes() -> None:
    values, _ = meaned(40.0, window=1)
    values["flow"] = values.pop("strokes") * (0.1 + 1e-3 * np.sin(np.arange(3600.0)))
    with pytest.raises(Question) as asked:
        find_roles(Readings("a log", np.arange(3600.0), values, {"P": "bar"}), Told())
    assert "rate=strokes/min" in asked.value.choices


def test_the_rate_of_several_heads_says_how_many_were_open() -> None:
    values, unit = meaned(40.0)
    both = np.arange(3600) % 600 < 300
    values["strokes"] = values["strokes"] * (1 + both)
    values["heads open"] = values.pop("valve") * (1 + both)
    why = found_in(values, unit)["rate"].why
    assert why == "24 strokes/min with one head open, 48 strokes/min with 2 heads open"

"""A day as files: the log, the machine file that a shop would write, and the truth."""

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from . import figures as f
from .machine import Machine
from .plant import Day
from .pumps import MOST_HEADS
from .sensors import MOTOR_RATIO, Column

SECTIONS = {
    "counter": "stroke_count",
    **{f"valve_{head + 1}": f"valve.{head + 1}" for head in range(MOST_HEADS)},
}


def write(
    day: Day, folder: Path | str, *, name: str | None = None, parquet: bool = False
) -> tuple[Path, Path, Path]:
    """Write log, machine file and truth of a day; returns their paths in this order.

    Several days of one machine: write each; the machine file of the last has all jewels on record.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    name = name or f"{day.machine.kind}-{day.seed}"
    machine = folder / f"{name}.toml"
    machine.write_text(machine_file(day, name))
    truth = folder / f"{name}-{day.date}.truth.json"
    truth.write_text(json.dumps(day.truth, indent=1))
    log = folder / f"{name}-{day.date}.{'parquet' if parquet else 'csv'}"
    table = _table(day)
    if parquet:
        pyarrow.parquet.write_table(table, log)
    else:
        pyarrow.csv.write_csv(table, log)
    return log, machine, truth


def _table(day: Day) -> pa.Table:
    text = np.datetime_as_string(day.times.astype("datetime64[ns]").astype("datetime64[ms]"))
    columns: dict[str, pa.Array] = {"time": pa.array([f"{t}Z" for t in text])}
    for column in day.channels.values():
        values = day.columns[column.name]
        if column.step >= 1 and column.step == int(column.step):
            whole = np.nan_to_num(values).astype(np.int64)
            columns[column.name] = pa.array(whole, mask=np.isnan(values))
        else:
            columns[column.name] = pa.array(values, mask=np.isnan(values))
    return pa.table(columns)


def machine_file(day: Day, name: str) -> str:
    """The machine file: name plate and columns, honest but no better than a shop knows them."""
    lines = [
        "# Invented: a machine of the second plant, as its name plate has it, not as it truly is.",
        f'name = "{name}"',
        'time_zone = "Europe/Vienna"',
        "",
        "[pump]",
        *_pump(day.machine),
        "",
        "[log]",
        'time = "time"',
    ]
    rate = day.channels.get("rate")
    if rate is not None:
        lines.append(f'rate_resolution = "{rate.step:g} {rate.unit}"')
    for signal, column in day.channels.items():
        lines += ["", f"[log.{SECTIONS.get(signal, signal)}]", *_channel(column)]
    for ns, head, jewel in day.fitted:
        fitted = np.datetime64(ns, "ns").astype("datetime64[s]")
        lines += [
            "",
            "[[jewel]]",
            f"fitted = {fitted}Z",
            f'bore = "{jewel.bore:.3f} in"',
            f'material = "{jewel.material}"',
            f'head = "{head + 1}"',
        ]
    return "\n".join(lines) + "\n"


def _channel(column: Column) -> list[str]:
    lines = [f'column = "{column.name}"']
    if column.unit is not None:
        lines.append(f'unit = "{column.unit}"')
    if column.strokes_per_count is not None:
        lines.append(f"strokes_per_count = {column.strokes_per_count}")
    return lines


def _pump(unit: Machine) -> list[str]:
    size = unit.size
    common = [
        f'rated_pressure = "{f.RATED_PRESSURE[unit.kind].value / 1e6:g} MPa"',
        f'rated_power = "{size.power_kw:g} kW"',
        f'plunger_diameter = "{size.plunger_mm:g} mm"',
        f'stroke = "{size.stroke_mm:g} mm"',
        f'dead_volume = "{size.dead_cm3:g} cm^3"',
        f'volumetric_efficiency = "{100 * unit.stated_efficiency:g} %"',
    ]
    if isinstance(size, f.PistonSize):
        return [
            'kind = "intensifier"',
            *common,
            f'max_stroke_rate = "{size.strokes_per_min:g} strokes/min"',
            f"intensification_ratio = {f.INTENSIFICATION_RATIO.value:g}",
        ]
    return [
        'kind = "direct drive"',
        *common,
        "plungers = 3",
        f'crank_speed = "{unit.crank_rpm:g} rpm"',
        f'regulation = "{"speed" if unit.kind == "regulated" else "none"}"',
        f"drive_ratio = {MOTOR_RATIO}",
    ]

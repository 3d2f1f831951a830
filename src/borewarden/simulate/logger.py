"""Writes samples as a machine's log file, in its columns and units, with labels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from borewarden.base.samples import Samples
from borewarden.collect.labels import labels_path
from borewarden.collect.logged import LogFormat
from borewarden.diagnose.causes import Cause
from borewarden.simulate.day import Day, Fault

# of a value in the unit of its column
DECIMALS = {
    "pressure": 1,
    "rate": 1,
    "stroke_count": 0,
    "temperature": 1,
    "valve": 0,
    "oil_pressure": 2,
    "boost_pressure": 2,
    "weep_temperature": 1,
    "bypass_temperature": 1,
    "left_stroke_time": 3,
    "right_stroke_time": 3,
    "motor_speed": 1,
    "motor_torque": 1,
    "check_valve_temperature": 1,
}


def log_frame(samples: Samples, log_format: LogFormat) -> pd.DataFrame:
    """The columns of the log: local time without offset, then each channel in its unit."""
    utc = pd.DatetimeIndex(pd.to_datetime(samples.time_ns, unit="ns", utc=True))
    local = utc.tz_convert(log_format.time_zone).tz_localize(None).as_unit("ms")
    columns: dict[str, object] = {log_format.time_column: local}
    for name, channel in log_format.channels.items():
        values = (getattr(samples, name) - channel.offset) / channel.scale
        columns[channel.column] = np.round(values, DECIMALS.get(name, 3))
    return pd.DataFrame(columns)


def write_log(samples: Samples, log_format: LogFormat, path: Path) -> None:
    """Write `samples` to `path` as CSV or Parquet, by its ending; ValueError for another one.

    Also for a machine whose logs are not of the plain form.
    """
    if log_format.layout is not None:
        raise ValueError(
            f"{path}: the machine's [log] states a form; days are made in the plain one"
        )
    frame = log_frame(samples, log_format)
    if path.suffix == ".parquet":
        frame.to_parquet(path, index=False, compression="zstd")
    elif path.suffix == ".csv":
        counts = log_format.channels.get("stroke_count")
        if counts is not None:
            frame[counts.column] = frame[counts.column].astype("Int64")
        whole = bool(np.all(samples.time_ns % 10**9 == 0))
        seconds = "%Y-%m-%dT%H:%M:%S" if whole else "%Y-%m-%dT%H:%M:%S.%f"
        frame.to_csv(path, index=False, date_format=seconds)
    else:
        raise ValueError(f"{path}: the name of a log must end in .csv or .parquet")


def write_labels(day: Day, path: Path) -> None:
    """Write what truly happened on `day` beside the log at `path`."""
    rows = [
        (chip.at.isoformat(), "", "chip", f"{chip.growth:.4f}", "invented") for chip in day.chips
    ]
    for fault in day.faults:
        # only these change the area of the jewel itself
        change = {Cause.BORE: fault.size, Cause.OTHER_BORE: fault.size, Cause.BLOCKED: -fault.size}
        area = f"{change[fault.cause]:.4f}" if fault.cause in change else ""
        note = f"invented: {fault.cause.value}, size {fault.size:+.2%}"
        if fault.cause is Cause.LEAK:
            note += f", {fault.place}, {fault.side}"
        if fault.zero:
            note += f", zero {fault.zero / 1e6:+.2f} MPa"
        if fault.ramp:
            note += f", growing for {fault.ramp / 60.0:.1f} min"
        rows.append((fault.at.isoformat(), "", event_of(fault), area, note))
    if day.wear_per_hour > 0.0:
        start = f"{day.first.isoformat()}T00:00:00"
        note = f"invented: effective area {day.wear_per_hour:+.2%} a jet hour"
        rows.append((start, "", "wear", "", note))
    if day.tube_wear_per_hour > 0.0:
        start = f"{day.first.isoformat()}T00:00:00"
        note = f"invented: bore of the focusing tube {day.tube_wear_per_hour:+.2%} a jet hour"
        rows.append((start, "", "tube wear", "", note))
    if not rows:
        rows.append((f"{day.first.isoformat()}T00:00:00", "", "none", "0", "invented: all sound"))
    columns = ["time", "end", "event", "area_change", "note"]
    pd.DataFrame(rows, columns=columns).to_csv(labels_path(path), index=False)


def event_of(fault: Fault) -> str:
    """The event of a labels file, see `collect.logged.EVENTS`, that a fault is."""
    return "chip" if fault.cause is Cause.BORE else fault.cause.name.lower().replace("_", " ")

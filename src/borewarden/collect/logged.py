"""Logged days from files: read by the ending and [log], put into SI, checked as a whole."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from borewarden.base.errors import BadInput
from borewarden.base.files import check_file
from borewarden.base.samples import Channel, Samples, samples_of, si_unit, with_open_heads
from borewarden.base.shown import shown
from borewarden.collect.columns import Table, in_order, numbers, say_conflicts, times_ns
from borewarden.collect.layout import Layout, kind_of
from borewarden.collect.logged_csv import read_csv
from borewarden.collect.logged_parquet import read_parquet
from borewarden.collect.logged_shop import file_content, read_shop_log

UNUSED_PRESSURE = 0.15  # of the rated one: below all day, a pump that strokes is in another unit


@dataclass(frozen=True)
class LogFormat:
    """What the columns of a log are. Keys of `channels` are the fields of `Samples`.

    Or "valve.HEAD" of one head's valve.

    `constant_rate` in Hz stands in for a crank speed that is not logged, `rated_pressure` in Pa,
    `time_zone` is an IANA name for times without offset. `layout` is None for the plain form:
    UTF-8, commas, decimal points, ISO 8601 or seconds since 1970, or the same in a Parquet file.
    """

    time_column: str
    time_zone: str
    channels: dict[str, Channel]
    constant_rate: float | None
    rated_pressure: float
    layout: Layout | None = None


def read_log(path: Path | str, format: LogFormat) -> Samples:
    """The samples of a logged file (text, Parquet or a spreadsheet) in SI, in time order.

    Empty cells, infinities, channels that are not mapped and temperatures that no water has are
    NaN. A time that repeats the one before is dropped. Raises BadInput for whatever can't be
    used, with the row.
    """
    path = Path(path)
    times, values = _read(path, format)
    channels = {name: _scaled(values[name], channel) for name, channel in format.channels.items()}
    if "rate" not in channels and format.constant_rate is not None:
        channels["rate"] = np.full(len(times), format.constant_rate)
    _check_units(path, format, channels)
    for name, channel in format.channels.items():
        if si_unit(name) == "K":  # a broken sensor; the model takes any temperature it is given
            water = channels[name]
            possible = (water >= channel.low) & (water <= channel.high)
            if not possible.all():
                channels[name] = np.where(possible, water, np.nan)
    return samples_of(times, **with_open_heads(channels))


def _read(
    path: Path, format: LogFormat
) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]:
    """Times in order and the readings as printed, in either form of log."""
    layout = format.layout
    if layout is None and kind_of(path) == "book":
        layout = Layout()
    if layout is not None and kind_of(path):
        times, values = read_shop_log(
            path, format.time_column, format.time_zone, format.channels, layout
        )
        if not len(times):
            raise BadInput(path, "file", "there is no reading in it", "give a log with samples")
        return times, values
    table = _read_table(path, _columns_of(format))
    times = times_ns(table, format.time_column, format.time_zone)
    values = {
        name: numbers(table, channel.column, name.startswith("valve"))
        for name, channel in format.channels.items()
    }
    kept = in_order(table, times, format.time_zone)
    say_conflicts(table, kept, values.values())
    return times[kept], {name: each[kept] for name, each in values.items()}


def _scaled(values: NDArray[np.float64], channel: Channel) -> NDArray[np.float64]:
    scaled = values * channel.scale
    scaled += channel.offset
    return scaled


def _columns_of(format: LogFormat) -> list[str]:
    return [format.time_column, *(channel.column for channel in format.channels.values())]


def _read_table(path: Path, columns: list[str]) -> Table:
    name = path.name.lower()
    right = "give a logged file"
    if name.endswith(".parquet"):
        check_file(path, right)
        return read_parquet(path, columns)
    if name.endswith((".csv", ".csv.gz")):
        return read_csv(path, file_content(path), columns)
    check_file(path, right)
    raise BadInput(
        path,
        "file name",
        f"{path.suffix or 'no suffix'!r} is not a known kind of log",
        "give a .csv, .csv.gz or .parquet file, a spreadsheet, or text with its form in [log]",
    )


def _check_units(path: Path, format: LogFormat, values: dict[str, NDArray[np.float64]]) -> None:
    """BadInput where a channel can't be what it is said to be."""
    pressure_column = format.channels["pressure"]
    rated = f"the pump is rated {_shown('pressure', format.rated_pressure)}; is the unit right?"
    for name, channel in format.channels.items():
        if _is_plausible(values[name], channel):
            continue
        finite = values[name][np.isfinite(values[name])]
        where = f"column {channel.column!r}"
        if not len(finite):
            if name in ("pressure", "rate", "stroke_count"):
                wrong = f"no {name.replace('_', ' ')} in the whole file"
                raise BadInput(path, where, wrong, "is it the column?")
            continue
        highest = float(np.quantile(finite, 0.999, method="lower"))
        right = rated if name == "pressure" else f"plausible is {_range(name, channel)}"
        if si_unit(name) in ("Pa", "Hz") and highest > channel.high:
            wrong = f"reaches {_shown(name, highest)} read as {channel.unit}"
            raise BadInput(path, where, wrong, right)
        if np.all(finite > channel.high) or np.all(finite < channel.low):
            lowest = _shown(name, float(finite.min()))
            wrong = f"lies within {lowest} and {_shown(name, highest)} read as {channel.unit}"
            raise BadInput(path, where, wrong, right)

    strokes = values.get("stroke_count", np.empty(0))
    counted = np.isfinite(strokes)
    if not counted.all():
        strokes = strokes[counted]
    rises = int(np.count_nonzero(strokes[1:] > strokes[:-1]))
    falls = int(np.count_nonzero(strokes[1:] < strokes[:-1]))
    if falls > max(rises, 2):  # resets and wraps are few
        where = f"column {format.channels['stroke_count'].column!r}"
        wrong = f"the counter goes down {falls} times and up {rises} times"
        raise BadInput(path, where, wrong, "log a counter that goes up")
    running = rises > 0
    if "rate" in format.channels:
        running = running or bool(np.any(values["rate"] > 0.0))
    highest = float(np.fmax.reduce(values["pressure"]))  # a minute of pressure in a day will do
    if running and highest < UNUSED_PRESSURE * format.rated_pressure:
        raise BadInput(
            path,
            f"column {pressure_column.column!r}",
            f"the pump runs, yet stays below {_shown('pressure', highest, up=True)} read as "
            f"{pressure_column.unit}",
            rated,
        )


def _is_plausible(values: NDArray[np.float64], channel: Channel) -> bool:
    """Whether a quick look finds nothing wrong, which takes no copy of `values`."""
    known = np.count_nonzero(np.isfinite(values))
    # single glitches, below one in a thousand, are the gate's business
    too_high = np.count_nonzero(values > channel.high)
    highest = float(np.fmax.reduce(values))
    return bool(too_high < 0.001 * known) and channel.low <= highest < math.inf


def _shown(name: str, value: float, up: bool = False) -> str:
    match si_unit(name):
        case "Pa":
            return shown("pressure").brief(value * (1.0 + 5e-4 * up))
        case "Hz":
            return f"{value * 60:.4g} /min"
        case "K":
            return shown("temperature").brief(value)
        case unit:
            return f"{value:.4g} {unit}".rstrip()


def _range(name: str, channel: Channel) -> str:
    if channel.high == math.inf:
        return f"{_shown(name, channel.low)} and more; is it the column?"
    return f"{_shown(name, channel.low)} to {_shown(name, channel.high)}; is the unit right?"

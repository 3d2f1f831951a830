"""What a controller logs of the plant: means, noise, steps, gaps, rows only when a value is new."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from . import figures as f
from .duty import TICKS
from .machine import FULL, Machine
from .pumps import MOST_HEADS, TICK, Piston, Trace
from .water import DENSITY, THROTTLED, Water, load, lookup

WATER: Water = load()
REPORTS = ("all", "change", "change-blank")
PASCALS = {"MPa": 1e6, "bar": 1e5, "psi": 6894.757}


class Column(NamedTuple):
    """name: of the column; unit: as the machine file says it, None of a counter or a valve;
    step: of the logged figures, in that unit"""

    name: str
    unit: str | None
    step: float
    strokes_per_count: int | None = None


@dataclass
class Troubles:
    """Stretches of ticks: no rows (gaps), no values (blank), pressure that stands still (stuck)."""

    gaps: list[tuple[int, int]]
    blank: list[tuple[int, int]]
    stuck: list[tuple[int, int]]
    jitter: bool

    @classmethod
    def draw(cls, rng: np.random.Generator, ticks: int, messy: float) -> "Troubles":
        """How often is invented; by eight hours 1.5 gaps, 3 stretches of NaN, half a stuck one."""
        shifts = ticks * TICK / 28_800

        def some(rate: float, least: float, most: float) -> list[tuple[int, int]]:
            firsts = rng.uniform(0, ticks, rng.poisson(rate * messy * shifts))
            return [
                (int(a), min(int(a + rng.uniform(least, most) * TICKS), ticks))
                for a in np.sort(firsts)
            ]

        return cls(some(1.5, 5, 300), some(3, 1, 15), some(0.5, 20, 200), messy > 0)

    def spans(self) -> dict[str, list[tuple[int, int]]]:
        return {"gaps": self.gaps, "blank": self.blank, "stuck": self.stuck}


def log(
    unit: Machine,
    told: np.recarray,
    trace: Trace,
    signals: tuple[str, ...],
    interval: float,
    report: str,
    troubles: Troubles,
    counted: float,
    rng: np.random.Generator,
):
    """Times of the rows (ns from the beginning), columns, channels, and what the sensors are.

    counted: strokes or turns before the day
    """
    if report not in REPORTS:
        raise ValueError(f"report is {report!r}, one of {REPORTS} would be right")
    if not 0.1 <= interval <= 60:
        raise ValueError(f"interval is {interval} s, 0.1 to 60 s would be right")
    if "pressure" not in signals:
        raise ValueError("every log has the pressure")
    piston = isinstance(unit.pump, Piston)
    for signal in signals:
        if signal not in _MAKERS or signal in (FOR_CRANKS if piston else FOR_PISTONS):
            raise ValueError(f"a pump of kind {unit.kind} has no signal {signal!r}")
    at = _rows(told.on.size, interval, troubles, rng)
    sensors = {
        "gain": f.TRANSDUCER_GAIN.draw(rng),
        "noise_pa": f.TRANSDUCER_NOISE.draw(rng) * f.RATED_PRESSURE[unit.kind].value,
        "averaging_s": f.AVERAGING.draw(rng),
        "rate_window_s": f.RATE_WINDOW.draw(rng),
        "temperature_offset_k": float(rng.normal(0, 0.3)),
        "ripple_pa": _ripple(unit),
    }
    columns, channels = {}, {}
    for signal in signals:
        values, column = _MAKERS[signal](unit, told, trace, at, sensors, counted, rng)
        columns[column.name] = np.round(np.round(values / column.step) * column.step, 6)
        channels[signal] = column
    first = channels["pressure"].name
    for a, b in troubles.stuck:
        rows = np.flatnonzero((at >= a) & (at < b))
        if rows.size:
            columns[first][rows] = columns[first][rows[0]]
    for i, (a, b) in enumerate(troubles.blank):
        name = list(columns)[i % len(columns)]
        columns[name][(at >= a) & (at < b)] = np.nan
    # A row is read at some moment within its tick, as clocks of controllers do.
    moment = rng.uniform(0, 1, at.size) if troubles.jitter else np.zeros(at.size)
    times = (at * 100_000_000 + np.round(moment * 1000).astype(np.int64) * 50_000).astype(np.int64)
    if report != "all":
        times, columns = _changes(times, columns, report == "change-blank")
    return times, columns, channels, sensors


def _rows(ticks: int, interval: float, troubles: Troubles, rng) -> NDArray[np.int64]:
    """Ticks at which a row is read."""
    ideal = np.arange(0, ticks * TICK - 1e-9, interval)
    if troubles.jitter:
        late = rng.uniform(0, f.JITTER.value * interval, ideal.size)
        ideal = ideal + late
    at = np.unique(np.minimum(np.floor(ideal / TICK + 1e-6).astype(np.int64), ticks - 1))
    there = np.ones(at.size, bool)
    for a, b in troubles.gaps:
        there &= (at < a) | (at >= b)
    return at[there]


def _changes(times, columns, blank: bool):
    """Rows in which any value is new; if `blank`, with nothing where none is."""
    table = np.column_stack(list(columns.values()))
    same = (table[1:] == table[:-1]) | (np.isnan(table[1:]) & np.isnan(table[:-1]))
    new = np.vstack([np.ones(table.shape[1], bool), ~same])
    rows = new.any(axis=1)
    if blank:
        table = np.where(new, table, np.nan)
    return times[rows], {name: table[rows, i] for i, name in enumerate(columns)}


def _mean(values: NDArray[np.float64], seconds: float, at: NDArray[np.int64]):
    """Mean over the time before each row."""
    width = max(round(seconds * TICKS), 1)
    total = np.concatenate([[0.0], np.cumsum(values)])
    low = np.maximum(at + 1 - width, 0)
    return (total[at + 1] - total[low]) / (at + 1 - low)


def _lag(values: NDArray[np.float64], seconds: float, at: NDArray[np.int64]):
    """First-order lag, worked out once a second."""
    slow = values[::TICKS]
    keep = np.exp(-1 / seconds)
    state, _ = lfilter([1 - keep], [1, -keep], slow, zi=[keep * slow[0]])
    return np.interp(at / TICKS, np.arange(slow.size), state)


# --- one maker a signal: values in the column's unit, and the column -----------------------------


def _ripple(unit: Machine) -> float:
    """Amplitude of the pressure at the frequency of a triplex' plungers, Pa.

    A third of a turn is 14 % short of water while the next plunger presses it, and the line's water
    is as stiff as its density by pressure says. A piston's dips are in the trace already.
    """
    if isinstance(unit.pump, Piston):
        return 0.0
    stiff = lookup(WATER, DENSITY, FULL + 5e6, 25.0) - lookup(WATER, DENSITY, FULL - 5e6, 25.0)
    room = unit.line.volume * stiff / 10e6
    return 0.2 * unit.design / (room * 2 * np.pi * 3 * unit.pump.full_speed)


def _pressure(unit, told, trace, at, sensors, counted, rng):
    column = {"MPa": "pressure_mpa", "bar": "p_hp_bar", "psi": "press_psi"}[unit.pressure_unit]
    pressure = _mean(trace.ticks.pressure, sensors["averaging_s"], at)
    turns = trace.ticks.turns[at]
    ripple = sensors["ripple_pa"] * np.sin(2 * np.pi * 3 * turns) * (trace.ticks.speed[at] > 0.3)
    # A moving mean takes most of the ripple away.
    ripple /= 1 + 6 * sensors["averaging_s"]
    noise = sensors["noise_pa"] * rng.standard_t(f.NOISE_FREEDOM.value, at.size)
    read = (pressure + ripple) * (1 + sensors["gain"]) * told.reading[at] + noise
    step = f.PRESSURE_STEP[unit.pressure_unit].value
    return np.maximum(read, 0) / PASCALS[unit.pressure_unit], Column(
        column, unit.pressure_unit, step
    )


def _counter(unit, told, trace, at, sensors, counted, rng):
    per_count = unit.strokes_per_count if isinstance(unit.pump, Piston) else 1
    count = np.floor((counted + trace.ticks.turns[at]) / per_count)
    return count % 2**16, Column("stroke_counter", None, 1.0, per_count)


def _rate(unit, told, trace, at, sensors, counted, rng):
    if not isinstance(unit.pump, Piston):
        speed = 60 * _mean(trace.ticks.speed, sensors["averaging_s"], at)
        speed *= 1 + f.SPEED_NOISE.value * rng.standard_normal(at.size)
        return speed, Column("crank_rpm", "rpm", 1.0)
    rate = 60 * _mean(_stroke_rate(trace), sensors["rate_window_s"], at)
    return rate, Column("strokes_per_min", "strokes/min", 0.1)


def _stroke_rate(trace: Trace):
    """Strokes a second by ticks, as a controller has it from the times of the last two strokes."""
    ticks = trace.ticks.pressure.size
    ends = trace.stroke_times
    if ends.size < 3:
        return np.zeros(ticks)
    now = (np.arange(ticks) + 1) * TICK
    done = np.searchsorted(ends, now, side="right")
    known = done >= 3
    last = ends[np.maximum(done - 1, 0)]
    period = (last - ends[np.maximum(done - 3, 0)]) / 2
    since = now - last
    # The next stroke is overdue: it can't be quicker than the time since the last one.
    rate = 1 / np.maximum(np.maximum(period, since), 1e-3)
    rate[~known | (since > 60)] = 0.0
    return rate


def _temperature(unit, told, trace, at, sensors, counted, rng):
    feed = _lag(told.feed, 20.0, at) + sensors["temperature_offset_k"]
    return feed + 0.05 * rng.standard_normal(at.size), Column("water_in_c", "degC", 0.1)


def _valve(unit, told, trace, at, sensors, counted, rng):
    return told.valves[at].sum(axis=1).astype(float), Column("heads_open", None, 1.0)


def _valve_of(head: int):
    def make(unit, told, trace, at, sensors, counted, rng):
        return told.valves[at, head].astype(float), Column(f"head_{head + 1}_open", None, 1.0)

    return make


def _oil_pressure(unit, told, trace, at, sensors, counted, rng):
    oil = _mean(trace.ticks.pressure, 0.5, at) / f.INTENSIFICATION_RATIO.value * 1.04
    oil = np.where(told.on[at], oil, 0.0) * (1 + 0.003 * rng.standard_normal(at.size))
    return oil / 1e5, Column("oil_bar", "bar", 0.5)


def _boost_pressure(unit, told, trace, at, sensors, counted, rng):
    boost = np.full(told.on.size, f.BOOST_PRESSURE.draw(rng))
    short = np.clip(unit.fill - told.filling, 0, None) * 2 + (told.scatter - unit.scatter)
    boost *= np.clip(1 - 4 * short, 0.05, 1) * told.on
    boost = _mean(boost, 0.5, at) * (1 + 0.02 * rng.standard_normal(at.size))
    return np.maximum(boost, 0) / 1e5, Column("boost_bar", "bar", 0.01)


def _heated(unit, trace, flow, at, rng, lag: float, hold: float):
    """Temperature of a line that hot leakage runs through, °C; `flow` in kg/s by ticks."""
    room = f.ROOM.draw(rng)
    hot = np.array([min(lookup(WATER, THROTTLED, FULL, 18.0), 99.0)])[0]
    hot = room + (hot - room) * np.clip(trace.ticks.pressure / FULL, 0, 1)
    share = flow / (flow + hold * unit.one_jet)
    return _lag(room + (hot - room) * share, lag, at) + 0.1 * rng.standard_normal(at.size)


def _weep_temperature(unit, told, trace, at, sensors, counted, rng):
    return _heated(unit, trace, trace.ticks.leaked / TICK, at, rng, 75.0, 0.15), Column(
        "weep_c", "degC", 0.1
    )


def _bypass_temperature(unit, told, trace, at, sensors, counted, rng):
    return _heated(unit, trace, trace.ticks.spilled / TICK, at, rng, 40.0, 0.05), Column(
        "bypass_c", "degC", 0.1
    )


def _check_valve_temperature(unit, told, trace, at, sensors, counted, rng):
    return _heated(unit, trace, trace.ticks.returned / TICK, at, rng, 120.0, 0.04), Column(
        "valve_body_c", "degC", 0.1
    )


def _stroke_time(side: int, name: str):
    def make(unit, told, trace, at, sensors, counted, rng):
        ends = trace.stroke_times
        lasted = np.diff(ends, prepend=0.0)
        of_side = trace.stroke_sides == side
        ends, lasted = ends[of_side], lasted[of_side]
        done = np.searchsorted(ends, (at + 1) * TICK, side="right")
        known = np.concatenate([[0.0], np.minimum(lasted, 60.0)])
        return known[done], Column(name, "s", 0.01)

    return make


def _motor_speed(unit, told, trace, at, sensors, counted, rng):
    speed = 60 * _mean(trace.ticks.motor, 0.3, at) / MOTOR_RATIO
    return speed * (1 + 0.0003 * rng.standard_normal(at.size)), Column("motor_rpm", "rpm", 1.0)


def _motor_torque(unit, told, trace, at, sensors, counted, rng):
    rated = f.RATED_PRESSURE[unit.kind].value
    turning = trace.ticks.motor > 1e-3
    torque = (6 + 84 * trace.ticks.pressure / rated) * turning
    torque = _mean(torque, 0.5, at) + 0.5 * rng.standard_normal(at.size) * turning[at]
    return np.maximum(torque, 0), Column("torque_pct", "percent", 0.1)


MOTOR_RATIO = 0.2  # crank speed over motor speed; invented

_MAKERS: dict[str, Any] = {
    "pressure": _pressure,
    "counter": _counter,
    "rate": _rate,
    "temperature": _temperature,
    "valve": _valve,
    **{f"valve_{head + 1}": _valve_of(head) for head in range(MOST_HEADS)},
    "oil_pressure": _oil_pressure,
    "boost_pressure": _boost_pressure,
    "weep_temperature": _weep_temperature,
    "bypass_temperature": _bypass_temperature,
    "check_valve_temperature": _check_valve_temperature,
    "left_stroke_time": _stroke_time(0, "left_stroke_s"),
    "right_stroke_time": _stroke_time(1, "right_stroke_s"),
    "motor_speed": _motor_speed,
    "motor_torque": _motor_torque,
}
FOR_PISTONS = ("oil_pressure", "left_stroke_time", "right_stroke_time")
FOR_CRANKS = ("bypass_temperature", "motor_speed", "motor_torque")

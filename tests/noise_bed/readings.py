"""One run of one pump: what its controller reads, and the truth beside it."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from . import duty, noise, pumps
from .rows import ROWS, Row

Floats = NDArray[np.float64]

BEGINS_NS = 1_772_409_600 * 10**9  # 2026-03-02T00:00:00Z
WINDOW = 5  # s, over which the controller takes the mean of a rate
MOVES = 1.5  # s, time constant of the pressure
CLOSED_RISE = 1.01  # pressure of a dead-headed pump that holds its pressure, over the set one
UNLOADED = 12e6  # Pa, of the crank that floats, while its jet is closed
PRESSURE_NOISE = 0.0005  # of the transducer, relative
SPEED_NOISE = 0.0005  # of the crank's pick-up, relative
MISSING = 0.05  # share of single rows
BETWEEN_GAPS, GAP = 2 * 3600.0, (60.0, 300.0)  # s
BETWEEN_JUMPS = 4 * 3600.0  # s
FORWARD = (0.3, 60.0)  # s, of a clock that jumps
BACK = 0.3  # intervals, at most: the times of a log never go back


class Run(NamedTuple):
    """Readings, one a row of the log, SI; and what is true.

    `time_ns` and each of `channels` have shape (n,), as `jet_s` has, the seconds of jet since the
    log began. `jet_noise` is the log of the effective area over the sound one, without the step,
    for every second of the clock within a cut, `jet_noise_s` the seconds of jet at their ends.
    """

    time_ns: NDArray[np.int64]
    channels: dict[str, Floats]
    jet_s: Floats
    jet_noise: Floats
    jet_noise_s: Floats


def make(
    row: Row,
    kind: str,
    seed: int,
    *,
    jet_hours: float = 40.0,
    interval: int = 1,
    valve: bool = False,
    step: float = 0.0,
    step_at: float = np.inf,
) -> Run:
    """The run of that seed; the area grows by the share `step` after `step_at` s of jet.

    `interval` is in whole s. Raises ValueError if `kind` is none of `KINDS`.
    """
    if kind not in pumps.KINDS:
        raise ValueError(f"kind is {kind!r}, one of {pumps.KINDS} would be right")
    rng = np.random.default_rng([seed, list(ROWS.values()).index(row), pumps.KINDS.index(kind)])
    plan = duty.draw(rng, jet_hours * 3600, nights=row.cold > 0, recipes=row.leak > 0)
    n = int(plan.stops[-1]) + 60
    at = np.arange(1, n + 1, dtype=float)
    jet_s = duty.seconds_within(plan.opens, plan.closes, at)
    opened = np.diff(jet_s, prepend=0.0)
    running = np.diff(duty.seconds_within(plan.starts, plan.stops, at), prepend=0.0)
    window = max(WINDOW, interval)
    deviation = noise.of_row(row, rng, n, window, plan.mornings)
    grown = np.clip(jet_s - step_at, 0.0, opened) / np.maximum(opened, 1e-9)
    grown[jet_s - opened > step_at] = 1.0
    area = pumps.AREA * (1.0 + step * grown)
    full = _full_pressure(plan, at) if row.leak else np.ones(n, bool)
    read = _Signals(row, rng, opened, running, full, area, deviation, window)
    channels = read.floating() if kind == "floating" else read.held(kind)
    if valve:
        channels["valve"] = (opened > 0.5).astype(float)
    time_ns, keep = _clock(row, rng, at, interval)
    cutting = opened > 0.999
    return Run(
        time_ns[keep],
        {name: values[keep] for name, values in channels.items()},
        jet_s[keep],
        deviation[cutting],
        jet_s[cutting],
    )


def _full_pressure(plan: duty.Duty, at: Floats) -> NDArray[np.bool_]:
    """Whether the recipe of the full pressure is called for: from a cut's end to the next one's."""
    cut = np.minimum(np.searchsorted(plan.closes, at), len(plan.closes) - 1)
    return np.asarray(plan.recipes[cut] == 0)


class _Signals(NamedTuple):
    """What the pump is told, one value a second, and how it answers."""

    row: Row
    rng: np.random.Generator
    opened: Floats  # share of that second with the jet open
    running: Floats  # and with the pump running
    full: NDArray[np.bool_]
    area: Floats  # m², without its noise
    deviation: Floats  # noise of the log of the area, as it is read
    window: int  # s, of the controller's mean

    @property
    def leak(self) -> float:
        return self.row.leak or pumps.RESTING_LEAK

    def held(self, kind: str) -> dict[str, Floats]:
        """A pump that holds its pressure: strokes or turns answer the area."""
        plant = pumps.CRANK if kind == "regulated" else pumps.INTENSIFIER
        level = np.where(self.full, pumps.FULL, pumps.REDUCED)
        target = self.running * level * np.where(self.opened > 0.5, 1.0, CLOSED_RISE)
        pressure = np.maximum(_follows(target, target[0]), 0.0)
        lost = pumps.leak_flow(self.leak, pressure)
        jet = self.opened * pumps.jet_flux(pressure) * self.area
        stroke = pumps.delivered(plant, pressure)
        if kind == "counter":
            strokes = np.cumsum((jet * np.exp(self.deviation) + lost) / stroke)
            return {"pressure": self._read(pressure), "stroke_count": np.floor(strokes)}
        mean = _mean((jet + lost) / stroke, self.window)
        # what is read wanders by as much as the area would make it
        share = _mean(jet, self.window) / np.maximum(_mean(jet + lost, self.window), 1e-12)
        rate = mean * (1.0 + share * np.expm1(self.deviation))
        return {"pressure": self._read(pressure), "rate": rate}

    def floating(self) -> dict[str, Floats]:
        """A crank of fixed speed: the pressure answers the area, an unloader opens in pauses."""
        speeds = [pumps.crank_speed(self.leak, p) for p in (pumps.FULL, pumps.REDUCED)]
        area = self.area * np.exp(self.deviation)
        answers = [pumps.floating_pressure(self.leak, speed, area) for speed in speeds]
        jet = np.where(self.full, *answers)
        share = _follows(self.opened, 0.0)
        pressure = _follows(self.running, 0.0) * (UNLOADED + share * (jet - UNLOADED))
        speed = self.running * np.where(self.full, *speeds)
        speed *= 1.0 + SPEED_NOISE * self.rng.standard_normal(len(speed))
        return {"pressure": self._read(pressure), "rate": _mean(speed, self.window)}

    def _read(self, pressure: Floats) -> Floats:
        noise = PRESSURE_NOISE * self.rng.standard_normal(len(pressure))
        return pressure * (1.0 + noise) + 1e5 * self.rng.standard_normal(len(pressure))


def _follows(target: Floats, first: float) -> Floats:
    keeps = np.exp(-1.0 / MOVES)
    return np.asarray(lfilter([1 - keeps], [1.0, -keeps], target, zi=[keeps * first])[0])


def _mean(values: Floats, window: int) -> Floats:
    """Mean of the last `window` values, as a controller shows it."""
    total = np.cumsum(np.concatenate([np.zeros(window + 1), values]))
    return np.maximum(total[window + 1 :] - total[1:-window], 0.0) / window


def _clock(
    row: Row, rng: np.random.Generator, at: Floats, interval: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The controller's clock at each second, ns, and which seconds are in the log."""
    keep = np.arange(interval - 1, len(at), interval)
    clock = at.copy()
    if row.gaps:
        there = rng.random(len(keep)) >= MISSING
        for begin in rng.uniform(0, at[-1], rng.poisson(at[-1] / BETWEEN_GAPS)):
            there &= ~((at[keep] > begin) & (at[keep] < begin + rng.uniform(*GAP)))
        keep = keep[there]
        for begin in rng.uniform(0, at[-1], rng.poisson(at[-1] / BETWEEN_JUMPS)):
            forward = np.exp(rng.uniform(*np.log(FORWARD)))
            clock[at > begin] += forward if rng.random() < 0.5 else -BACK * interval * rng.random()
    return (BEGINS_NS + np.round(clock * 1e9)).astype(np.int64), keep

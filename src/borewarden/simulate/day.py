"""Invented cutting days: duty of the shop, what befalls the machine, and what the sensors log."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from borewarden.base.samples import Samples, samples_of
from borewarden.diagnose.causes import Cause
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area, mass_flux
from borewarden.physics.pump import Intensifier, Pump
from borewarden.simulate.plant import (
    BOTH,
    INLET_CHECK,
    LEFT,
    OUTLET_CHECK,
    RIGHT,
    SEAL,
    STEP,
    Course,
    Ills,
    Plant,
    Run,
    run_plant,
)

Floats = NDArray[np.float64]
Signals = Literal["minimal", "full"]
Place = Literal["seal", "outlet check", "inlet check"]
Side = Literal["left", "right", "both"]

BOOST_PRESSURE = 6e5  # Pa
BOILING = 373.15  # K, the most that a drain can reach
STOP_FOR_JEWEL = 900.0  # s that changing a jewel takes
# Standard deviation of each signal's own drift over hours, as in any hall and sensor: in K, or as a
# share of its reading. All invented.
WANDER = {
    "weep_temperature": 1.4,
    "check_valve_temperature": 1.4,
    "bypass_temperature": 1.4,
    "boost_pressure": 0.024,
    "oil_pressure": 0.003,
    "motor_torque": 0.003,
    "motor_speed": 0.002,
    "left_stroke_time": 0.006,
}
WANDER_TIME = 7200.0  # s over which it is forgotten
PLACES: dict[Place, int] = {"seal": SEAL, "outlet check": OUTLET_CHECK, "inlet check": INLET_CHECK}
SIDES: dict[Side, int] = {"left": LEFT, "right": RIGHT, "both": BOTH}


@dataclass(frozen=True)
class Chip:
    """A piece breaks off the rim at `at` (local time): both edge and bore give way.

    `edge` is the relative rise of C_d, `area` that of the bore's own area.
    """

    at: dt.datetime
    edge: float
    area: float

    @property
    def growth(self) -> float:
        """Relative growth of the effective area."""
        return (1.0 + self.edge) * (1.0 + self.area) - 1.0


@dataclass(frozen=True)
class Fault:
    """One thing that goes wrong at `at` (local time) and grows to `size` over `ramp` seconds.

    What `size` is a share of, by `cause`:

    - BORE, BLOCKED, OTHER_BORE: the jewel's effective area, added (blocked: taken away). Another
      bore is fitted during a stop of fifteen minutes that begins at `at`.
    - LEAK: the sound jet's flow at working pressure. Each leaking place passes that much while it
      is under pressure, so a leak on one side of an intensifier costs half of it on average. It
      goes with (p / working pressure)^`exponent`. `place` and `side` say where.
    - SECOND_HEAD: the jewel's effective area, for that of the second jewel. It opens with the jet,
      or stays open when the jet closes (`stays_open`). `wired`: the valve signal counts it.
    - TRANSDUCER: the pressure reading, of either sign; `zero`, Pa, is added.
    - FEED: the mean share of a stroke that does not fill; it comes and goes.
    - SLIP: crank speed. BYPASS: the jewel's effective area, always open on a direct drive.
    """

    cause: Cause
    at: dt.datetime
    size: float
    ramp: float = 0.0
    place: Place = "seal"
    side: Side = "both"
    exponent: float = 1.0
    stays_open: bool = False
    wired: bool = False
    zero: float = 0.0


@dataclass(frozen=True)
class Noise:
    """How noisy the pressure reading is, in place of the plain noise of a `Day`.

    `sigma`, Pa, is its scale, `degrees` are those of Student's t, `correlation` is that of
    neighbouring samples. `ripple`, Pa, is the amplitude of a slow beat between sampling and
    pulsation; `pressure_step`, Pa, and `rate_step`, Hz, are the smallest steps of the readings.
    `wander` is how far the other signals drift through the day, see `WANDER`.
    """

    sigma: float
    degrees: float = math.inf
    correlation: float = 0.0
    ripple: float = 0.0
    pressure_step: float = 0.0
    rate_step: float = 0.0
    wander: float = 0.0


@dataclass(frozen=True)
class Day:
    """One invented stretch of shifts to log. Times are local; Sundays are days like any other.

    `wear_per_hour` is the relative growth of effective area per jet hour, `discharge_coefficient`
    that of the sound jewel, `sample_time` is in s, `hold_pressure` in Pa (intensifier). Full
    signals are all that the kind of pump can have, see `Samples`. `crank_share` is crank speed over
    rated speed. A rate logged from the motor (`rate_from_motor`, with `motor_ratio` turns of the
    motor for one of the crank) does not show slip. `tube_wear_per_hour` is the growth of the
    focusing tube's bore: it is behind the jewel, so the pump sees nothing of it. `pierce_seconds`
    bounds the low-pressure pierces. `temperature_swing`, K, comes on top of the mains water warming
    up through the day. `attenuator_volume` is in m³; a smaller one pulsates more.
    """

    first: dt.date
    days: int
    seed: int
    time_zone: str
    discharge_coefficient: float
    sample_time: float = 1.0
    hold_pressure: float = 380e6
    wear_per_hour: float = 0.0
    chips: tuple[Chip, ...] = ()
    logs_rate: bool = False
    start_hour: float = 5.75
    end_hour: float = 15.0
    signals: Signals = "minimal"
    faults: tuple[Fault, ...] = ()
    noise: Noise | None = None
    crank_share: float = 1.0
    rate_from_motor: bool = False
    motor_ratio: float = 4.8
    tube_wear_per_hour: float = 0.0
    pierce_seconds: tuple[float, float] = (4.0, 9.0)
    temperature_swing: float = 0.0
    attenuator_volume: float = 1.2e-3


def _shift(rng: np.random.Generator, day: Day) -> list[tuple[float, str]]:
    """One shift as (seconds, what) pieces: nests of pierces and cuts, changes of plate, lunch."""
    hours = day.end_hour - day.start_hour
    pieces = [(float(rng.uniform(120, 300)), "stopped"), (20.0, "idle")]
    passed = sum(seconds for seconds, _ in pieces)
    lunched = False
    while passed < hours * 3600.0:
        nest: list[tuple[float, str]] = []
        for _ in range(int(rng.integers(8, 25))):
            nest.append((float(rng.uniform(2, 8)), "idle"))
            nest.append((float(rng.uniform(*day.pierce_seconds)), "pierce"))
            nest.append((float(rng.uniform(15, 140)), "cut"))
        nest.append((float(rng.uniform(90, 420)), "idle"))
        if not lunched and passed > 0.5 * hours * 3600.0:
            nest.append((1800.0, "stopped"))
            nest.append((20.0, "idle"))
            lunched = True
        pieces += nest
        passed += sum(seconds for seconds, _ in nest)
    return pieces


def duty(day: Day, rng: np.random.Generator) -> tuple[NDArray[np.str_], NDArray[np.int64]]:
    """What the machine has to do from the first midnight on: names, and steps of each."""
    names: list[str] = []
    steps: list[int] = []
    for _ in range(day.days):
        pieces = [(day.start_hour * 3600.0, "stopped")]
        pieces += _shift(rng, day)
        pieces.append((24 * 3600.0 - sum(seconds for seconds, _ in pieces), "stopped"))
        for seconds, name in pieces:
            names.append(name)
            steps.append(round(seconds / STEP))
    return np.array(names), np.array(steps)


def log_day(day: Day, pump: Pump, jewel: Jewel) -> Samples:
    """The samples that the stand-in pump's sensors log on `day`, shape (n,) per channel.

    `day.seed` decides everything. There are no night hours, as if the logger were switched off.
    """
    rng = np.random.default_rng(day.seed)
    names, steps = duty(day, rng)
    zone = ZoneInfo(day.time_zone)
    midnight = dt.datetime.combine(day.first, dt.time(), zone)
    start_ns = round(midnight.timestamp()) * 10**9
    every = round(day.sample_time / STEP)
    total = int(np.sum(steps))
    # nothing moves before the first shift, and nothing is logged after the last
    first = min(int(steps[0]), round((day.start_hour - 0.1) * 3600.0 / STEP)) // every * every
    last = round(((day.days - 1) * 24.0 + day.end_hour + 1.6) * 3600.0 / STEP) + every
    edges = np.clip(np.cumsum(steps), first, last)
    spell = np.repeat(np.arange(len(names)), np.diff(edges, prepend=first))
    seconds: Floats = np.arange(first + 1.0, first + len(spell) + 1.0) * STEP

    running = (names != "stopped")[spell]
    jet_open = ((names == "pierce") | (names == "cut"))[spell]
    pierces = names == "pierce"
    crank_speed = (np.where(pierces, 0.72, 1.0) * pump.max_rate * day.crank_share)[spell]
    hours = seconds % 86400.0 / 3600.0
    # the mains warm up through the day
    temperature = 288.0 + 5.0 * np.clip((hours - 6.0) / 9.0, 0.0, 1.0)
    if day.temperature_swing:
        temperature += day.temperature_swing * np.sin(2.0 * np.pi * (hours - day.start_hour) / 8.0)
    area = np.full(len(seconds), day.discharge_coefficient * float(bore_area(jewel.bore)))
    area *= 1.0 + day.wear_per_hour * np.cumsum(jet_open) * STEP / 3600.0
    for chip in day.chips:
        at = (chip.at.replace(tzinfo=zone) - midnight).total_seconds()
        area[seconds >= at] *= 1.0 + chip.growth
    course = Course(
        running=running,
        set_pressure=(np.where(pierces, 0.45, 1.0) * day.hold_pressure)[spell],
        crank_speed=crank_speed,
        jet_open=jet_open,
        area=area,
        temperature=temperature,
    )
    since = [(fault.at.replace(tzinfo=zone) - midnight).total_seconds() for fault in day.faults]
    happened = _befall(day, pump, jewel, seconds, since, course)
    plant = Plant(
        isinstance(pump, Intensifier),
        pump.displacement,
        pump.max_rate,
        attenuator_volume=day.attenuator_volume,
    )
    run = run_plant(plant, happened.course, happened.ills, every)
    # one row in five hundred is lost, and each day's log ends with its shift
    logged = np.arange(every - 1, total, every)
    hour = (logged + 1.0) * STEP % 86400.0 / 3600.0
    kept = (hour > day.start_hour - 0.1) & (hour < day.end_hour + 1.6)
    kept &= rng.random(len(logged)) > 0.002
    return _sense(day, pump, rng, start_ns, first, logged[kept], happened, run)


class _Happened(NamedTuple):
    """The day with its faults, one entry per step, shape (n,)."""

    course: Course
    ills: Ills
    heads: NDArray[np.int64]  # as the valve signal counts them
    driven_speed: Floats  # crank speed that the motor stands for, Hz
    gain: Floats | float  # of the pressure reading
    zero: Floats | float  # Pa
    boost: Floats | float  # share of the boost pressure that is left


def _befall(
    day: Day, pump: Pump, jewel: Jewel, seconds: Floats, since: list[float], course: Course
) -> _Happened:
    """The day's faults, each from `since` seconds after the first midnight on."""
    rng = np.random.default_rng((day.seed, 2))
    sound = day.discharge_coefficient * float(bore_area(jewel.bore))
    if isinstance(pump, Intensifier):
        working = day.hold_pressure
    else:
        speed = pump.max_rate * day.crank_share
        working = float(pump.expected_pressure(sound, 293.15, speed)) if day.faults else 1.0
    flow = sound * float(mass_flux(working, 293.15))
    heads = course.jet_open.astype(np.int64)
    driven = course.crank_speed
    area = course.area
    leaks: list[Floats] = []
    leaking: list[Fault] = []
    ills = Ills(leak_pressure=working)
    gain: Floats | float = 1.0
    zero: Floats | float = 0.0
    boost: Floats | float = 1.0
    for fault, start in zip(day.faults, since, strict=True):
        grown = np.clip((seconds - start) / max(fault.ramp, 1e-9), 0.0, 1.0)
        size = fault.size * grown
        match fault.cause:
            case Cause.BORE | Cause.OTHER_BORE:
                area = area * (1.0 + size)
            case Cause.BLOCKED:
                area = area * (1.0 - size)
            case Cause.LEAK:
                leaks.append(size * flow)
                leaking.append(fault)
            case Cause.SECOND_HEAD:
                if fault.stays_open:
                    ills = ills._replace(open_area=_sum(ills.open_area, sound * size))
                else:
                    area = area + sound * size
                if fault.wired:
                    heads += (size > 0.0) & (
                        course.running if fault.stays_open else course.jet_open
                    )
            case Cause.TRANSDUCER:
                gain = gain + size
                zero = zero + fault.zero * grown
            case Cause.FEED:
                surge = np.repeat(_surge(rng, len(seconds)), round(1.0 / STEP))[: len(seconds)]
                shortfall = size * surge
                ills = ills._replace(
                    shortfall=_sum(ills.shortfall, shortfall), uneven=rng.gamma(2.0, 0.5, 4096)
                )
                boost = boost * np.exp(-4.0 * shortfall)
            case Cause.SLIP | Cause.BYPASS if isinstance(pump, Intensifier):
                raise ValueError(f"an intensifier has no {fault.cause.name.lower()}")
            case Cause.SLIP:
                course = course._replace(crank_speed=course.crank_speed * (1.0 - size))
            case Cause.BYPASS:
                ills = ills._replace(bypass_area=_sum(ills.bypass_area, sound * size))
        if fault.cause is Cause.OTHER_BORE:
            busy = (seconds < start) | (seconds >= start + STOP_FOR_JEWEL)
            course = course._replace(running=course.running & busy, jet_open=course.jet_open & busy)
            heads = heads * busy
    if leaks:
        ills = ills._replace(
            leaks=np.array(leaks),
            exponents=np.array([fault.exponent for fault in leaking]),
            places=np.array([PLACES[fault.place] for fault in leaking]),
            sides=np.array([SIDES[fault.side] for fault in leaking]),
        )
    return _Happened(course._replace(area=area), ills, heads, driven, gain, zero, boost)


def _sum(so_far: Floats, more: Floats) -> Floats:
    return so_far + more if len(so_far) else more


def _surge(rng: np.random.Generator, steps: int) -> Floats:
    """How starvation comes and goes, by the second: mean one, correlated over half a minute."""
    tide = _correlated(rng.standard_normal(math.ceil(steps * STEP)), math.exp(-1.0 / 30.0))
    surge: Floats = np.exp(0.6 * tide - 0.18)
    return surge


def _correlated(white: Floats, correlation: float, *, steady: bool = False) -> Floats:
    """First-order autoregression with the variance of `white`; begins at 0 unless `steady`."""
    share = math.sqrt(1.0 - correlation**2)
    before = [correlation * white[0] if steady else 0.0]
    colored: Floats = lfilter([share], [1.0, -correlation], white, zi=np.array(before))[0]
    return colored


def _sense(
    day: Day,
    pump: Pump,
    rng: np.random.Generator,
    start_ns: int,
    first: int,
    kept: NDArray[np.int64],
    happened: _Happened,
    run: Run,
) -> Samples:
    """What the sensors read at the steps `kept`."""
    # Each new channel or kind of noise draws from a stream of its own, so that days logged before
    # it existed stay as they are.
    more = np.random.default_rng((day.seed, 1))
    is_intensifier = isinstance(pump, Intensifier)
    step = kept - first
    row = step // round(day.sample_time / STEP)
    m = len(kept)

    shown = run.pressure[row] * _at(happened.gain, step) + _at(happened.zero, step)
    # a crank pump's ripple is faster than the log
    noise = rng.normal(0.0, 0.6e6 if is_intensifier else 1.5e6, m)
    if day.noise is not None:
        noise = _untidy(day.noise, more, np.asarray((kept + 1.0) * STEP))
    # a pressure display stops at zero; a transducer's own signal does not
    seen = shown + noise if day.signals == "full" else np.maximum(shown + noise, 0.0)
    seen[rng.random(m) < 0.001] = np.nan
    water = happened.course.temperature[step]
    temperature = np.round(water + rng.normal(0.0, 0.05, m), 1)
    channels = {"pressure": seen, "temperature": temperature}
    channels |= _rate(day, is_intensifier, rng, first, kept, happened, run)
    if day.noise is not None:
        for name, least in (("pressure", day.noise.pressure_step), ("rate", day.noise.rate_step)):
            if least > 0.0 and name in channels:
                channels[name] = np.round(channels[name] / least) * least
    if day.signals == "full":
        channels |= _further(day, pump, more, step, row, happened, run)
    if day.noise is not None and day.noise.wander > 0.0:
        _let_wander(channels, day, np.random.default_rng((day.seed, 4)))
    time_ns = start_ns + np.round((kept + 1.0) * STEP * 1e9).astype(np.int64)
    return samples_of(time_ns, **channels)


def _at(values: Floats | float, step: NDArray[np.int64]) -> Floats | float:
    return values[step] if isinstance(values, np.ndarray) else values


def _rate(
    day: Day,
    is_intensifier: bool,
    rng: np.random.Generator,
    first: int,
    kept: NDArray[np.int64],
    happened: _Happened,
    run: Run,
) -> dict[str, Floats]:
    """How the log has the strokes or turns: as a rate or as a counter."""
    step = kept - first
    m = len(kept)
    if not is_intensifier:
        speed = happened.driven_speed if day.rate_from_motor else happened.course.crank_speed
        turning = np.where(happened.course.running[step], speed[step], 0.0)
        return {"rate": np.where(turning > 0.0, turning + rng.normal(0.0, 0.003, m), 0.0)}
    if not day.logs_rate:
        return {"stroke_count": np.floor(run.strokes[step // round(day.sample_time / STEP)])}
    # a controller's reading: strokes over the last four seconds, interpolated in a stroke
    edges = np.concatenate(([0], first + run.ends))
    counts = np.arange(len(edges), dtype=np.float64)
    back = np.maximum(kept - round(4.0 / STEP), 0)
    counted = np.interp(kept, edges, counts) - np.interp(back, edges, counts)
    return {"rate": counted / 4.0 * (1.0 + rng.normal(0.0, 0.004, m))}


def _further(
    day: Day,
    pump: Pump,
    more: np.random.Generator,
    step: NDArray[np.int64],
    row: NDArray[np.int64],
    happened: _Happened,
    run: Run,
) -> dict[str, Floats]:
    """All signals that this kind of pump can have, besides pressure, rate and water."""
    yet_more = np.random.default_rng((day.seed, 3))
    m = len(step)
    pressure, water = run.pressure[row], happened.course.temperature[step]
    channels = {"valve": happened.heads[step].astype(np.float64)}
    boost = BOOST_PRESSURE * _at(happened.boost, step)
    channels["boost_pressure"] = boost + more.normal(0.0, 0.04e5, m)
    weep = np.minimum(water + 3.0 + run.weep_rise[row], BOILING)
    channels["weep_temperature"] = weep + more.normal(0.0, 0.15, m)
    # squeezing the water warms it, and the steel around it
    squeezed = 12.0 * np.clip(pressure / 400e6, 0.0, 1.5)
    valves = np.minimum(water + 4.0 + squeezed + run.valve_rise[row], BOILING)
    channels["check_valve_temperature"] = valves + yet_more.normal(0.0, 0.3, m)
    if isinstance(pump, Intensifier):
        friction = 1.0 + more.uniform(0.005, 0.02)
        oil = pump.oil_pressure(pressure) * friction * (1.0 + more.normal(0.0, 0.003, m))
        channels["oil_pressure"] = oil + more.normal(0.0, 0.02e6, m)
        # the time of a stroke stays the reading until the next one is over
        done = run.strokes[row].astype(np.int64)
        wrong = 1.0 + more.normal(0.0, 0.007, int(done[-1]) + 2)
        channels["left_stroke_time"] = run.left_time[row] * wrong[done - 1 + done % 2]
        channels["right_stroke_time"] = run.right_time[row] * wrong[done - done % 2]
    else:
        turning = np.where(happened.course.running[step], happened.driven_speed[step], 0.0)
        channels["motor_speed"] = day.motor_ratio * turning * (1.0 + more.normal(0.0, 0.001, m))
        empty = happened.ills.shortfall
        channels["motor_torque"] = _torque(
            pump, pressure, turning, empty[step] if len(empty) else 0.0, yet_more
        )
        line = np.minimum(water + 2.0 + run.bypass_rise[row], BOILING)
        channels["bypass_temperature"] = line + more.normal(0.0, 0.15, m)
    return channels


def _let_wander(channels: dict[str, Floats], day: Day, rng: np.random.Generator) -> None:
    """Add each signal's own drift: all except pressure, rate, water and valve."""
    assert day.noise is not None
    for name, usual in WANDER.items():
        if name not in channels:
            continue
        white = rng.standard_normal(len(channels[name]))
        stray = _correlated(white, math.exp(-day.sample_time / WANDER_TIME), steady=True)
        stray *= day.noise.wander * usual
        if name.endswith("temperature"):
            channels[name] = channels[name] + stray
        else:
            channels[name] = channels[name] * (1.0 + stray)


def _torque(
    pump: Pump, pressure: Floats, speed: Floats, shortfall: Floats | float, rng: np.random.Generator
) -> Floats:
    """The torque that the drive shows, as a share of the rated one; all figures invented.

    Plungers that push a full stroke against the pressure need a torque in proportion to it,
    whatever leaks. Friction comes on top, and falls as the oil warms up.
    """
    m = len(pressure)
    warm = 1.0 - np.exp(-np.arange(m) / (0.15 * m))
    friction = 1.0 - rng.uniform(0.0, 0.015) * warm
    torque = 0.04 + 0.85 * pressure / pump.rated_pressure * (1.0 - shortfall) * friction
    shown: Floats = np.where(speed > 0.0, torque, 0.0) * (1.0 + rng.normal(0.0, 0.01, m))
    return shown


def _untidy(noise: Noise, rng: np.random.Generator, seconds: Floats) -> Floats:
    """Noise of the pressure reading at `seconds`, shape (n,), Pa."""
    if noise.degrees > 2.0 and math.isfinite(noise.degrees):
        white = rng.standard_t(noise.degrees, len(seconds))
        white *= math.sqrt(1.0 - 2.0 / noise.degrees)
    else:
        white = rng.standard_normal(len(seconds))
    beat = rng.uniform(0.02, 0.2) * seconds + rng.uniform(0.0, 1.0)
    colored = noise.sigma * _correlated(white, noise.correlation)
    colored += noise.ripple * np.sin(2.0 * np.pi * beat)
    return colored

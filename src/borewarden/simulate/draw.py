"""Draws invented days at random: a machine, a shift, a jewel, noise, and perhaps a fault.

They try the watcher on days that nobody chose. All ranges are invented, from memory of what the
trade calls usual; none comes from measured days.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple, TypeVar
from zoneinfo import ZoneInfo

import numpy as np

from borewarden.diagnose.causes import AT_STOP, ONLY_DIRECT_DRIVE, Cause, possible_causes
from borewarden.diagnose.signatures import BREAKS, BROKEN
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS, STOCK_BORES_INCH, bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, Pump, event_rate
from borewarden.simulate.day import (
    STOP_FOR_JEWEL,
    Day,
    Fault,
    Noise,
    Place,
    Side,
    Signals,
    duty,
)
from borewarden.simulate.plant import STEP

PumpKind = Literal["intensifier", "direct drive"]
T = TypeVar("T")

INCH = 0.0254  # m, exact
TIME_ZONE = "Europe/Vienna"
JET_BEFORE, JET_AFTER = 1500.0, 2400.0  # s of jet on either side of what happens
# What else may be going on without a fault.
HARMLESS = ("sound", "sound", "hot water", "tube wear", "planned second head")

# The pumps of config/north.toml, west.toml and south.toml and two more; all invented.
PUMPS: dict[str, Pump] = {
    "north": Intensifier(0.022, 0.2, 8e-6, 20.0, 1.0, 400e6, 37e3, 0.97),
    "west": Intensifier(
        0.875 * INCH, 7.5 * INCH, 0.5 * INCH**3, 20.0, 65 / 60, 413.7e6, 37.3e3, 0.98
    ),
    "east": Intensifier(0.025, 0.22, 10e-6, 21.0, 55 / 60, 600e6, 75e3, 0.96),
    "south": DirectDrive(3, 0.010, 0.040, 1.0e-6, 305 / 60, 410e6, 22e3, 0.93),
    "harbour": DirectDrive(3, 0.0145, 0.045, 2.0e-6, 270 / 60, 380e6, 55e3, 0.94),
}


@dataclass(frozen=True)
class Truth:
    """What happens on a drawn day; `cause` is None if the pump should notice nothing.

    `scenario` says it in a word or two. `size` is the fault's, see `Fault`. `area_change` is the
    relative change in effective area that a watcher without other signals sees: at working
    pressure, fully grown, the mean of both sides.
    """

    cause: Cause | None
    scenario: str
    at_ns: int | None = None
    size: float = 0.0
    area_change: float = 0.0


class Drawn(NamedTuple):
    """A machine, its jewel, the day to log and what truly happens on it."""

    machine: str
    pump: Pump
    jewel: Jewel
    day: Day
    truth: Truth


def causes_of(kind: PumpKind) -> tuple[Cause, ...]:
    """The causes that a pump of this kind can show."""
    possible = possible_causes(kind == "intensifier")
    return tuple(c for c in possible if c is not Cause.UNKNOWN)


def draw_day(
    seed: int,
    kind: PumpKind | None = None,
    signals: Signals = "minimal",
    cause: Cause | Literal["any", "none"] = "any",
) -> Drawn:
    """A day drawn at random, the same for the same arguments.

    With `cause` "any" one day in four has no fault. An event has at least 25 minutes of jet before
    it and 40 after its beginning. Raises ValueError for a cause that the `kind` can't have.
    """
    rng = np.random.default_rng((seed, 77))
    kind, chosen = _case(rng, kind, cause)
    intensifier = kind == "intensifier"
    material = _pick(rng, ["diamond", "ruby", "sapphire", "man-made"])
    plausible = DISCHARGE_COEFFICIENTS[material]
    # the ranges of a material are two standard deviations to each side
    sigma = (plausible.high - plausible.low) / 4.0
    coefficient = float(
        np.clip(rng.normal(plausible.typical, sigma), plausible.low, plausible.high)
    )
    # a crank pump loses much of its pressure to a second head
    roomy = chosen is Cause.SECOND_HEAD and not intensifier
    share = float(rng.uniform(0.98, 1.04) if roomy else rng.uniform(0.88, 0.97))
    fits = _fits(kind, coefficient, share)
    if chosen is Cause.SECOND_HEAD:
        fits = [fit for fit in fits if _second_bores(fit)]
    elif chosen is Cause.OTHER_BORE:
        fits = [fit for fit in fits if _other_bores(fit)]
    fit = _pick(rng, fits)
    pump = PUMPS[fit.machine]
    first = dt.date(2026, 3, 2) + dt.timedelta(days=int(rng.integers(0, 20)))
    jewel = Jewel(fit.bore, material, _ns(dt.datetime.combine(first, dt.time(4))))
    day = _day(rng, seed, fit, first, signals, chosen is Cause.SLIP)
    if chosen is None:
        day, truth = _harmless(rng, fit, day)
        return Drawn(fit.machine, pump, jewel, day, truth)
    at = _moment(rng, day)
    if chosen is Cause.BORE and np.random.default_rng((seed, 78)).random() < AT_STOP[Cause.BORE]:
        at = _restart(day) or at
    fault, change = _fault(rng, chosen, fit, at)
    apart = np.random.default_rng((seed, 79))
    if chosen is Cause.BORE and apart.random() < BREAKS:
        change = float(np.exp(apart.uniform(*np.log(BROKEN))))
        fault = replace(fault, size=change, ramp=0.0)
    truth = Truth(chosen, chosen.name.lower().replace("_", " "), _ns(at), fault.size, change)
    return Drawn(fit.machine, pump, jewel, replace(day, faults=(fault,)), truth)


def _case(
    rng: np.random.Generator, kind: PumpKind | None, cause: Cause | Literal["any", "none"]
) -> tuple[PumpKind, Cause | None]:
    """The kind of pump, and what goes wrong with it (None: nothing)."""
    if kind is None:
        kind = "direct drive" if cause in ONLY_DIRECT_DRIVE or rng.random() < 0.5 else "intensifier"
    if cause == "any":
        chosen = None if rng.random() < 0.25 else _pick(rng, causes_of(kind))
    else:
        chosen = None if cause == "none" else cause
    if chosen is not None and chosen not in causes_of(kind):
        raise ValueError(f"no {kind} has the cause {chosen.name}")
    return kind, chosen


def _day(
    rng: np.random.Generator,
    seed: int,
    fit: _Fit,
    first: dt.date,
    signals: Signals,
    slips: bool,
) -> Day:
    """A day of the machine of `fit` on which nothing has happened yet."""
    rated = PUMPS[fit.machine].rated_pressure
    intensifier = isinstance(PUMPS[fit.machine], Intensifier)
    start_hour = float(rng.uniform(5.5, 8.0))
    noise_share = 0.0015 * rng.lognormal(0.0, 0.4)
    return Day(
        first=first,
        days=1,
        seed=seed,
        time_zone=TIME_ZONE,
        discharge_coefficient=fit.coefficient,
        sample_time=_pick(rng, [0.5, 1.0, 1.0, 2.0]),
        hold_pressure=fit.hold,
        wear_per_hour=float(rng.uniform(0.0005, 0.003)) if rng.random() < 0.15 else 0.0,
        logs_rate=bool(rng.random() < 0.5),
        start_hour=start_hour,
        end_hour=start_hour + float(rng.uniform(4.5, 8.0)),
        signals=signals,
        noise=Noise(
            sigma=rated * noise_share * (1.0 if intensifier else 2.0),
            degrees=_pick(rng, [np.inf, 8.0, 4.0, 3.0]),
            correlation=_pick(rng, [0.0, 0.0, 0.3, 0.7]),
            ripple=rated * _pick(rng, [0.0, 0.002, 0.005]),
            pressure_step=_pick(rng, [0.0, 1e5, 1e6]),
            rate_step=_pick(rng, [0.0, 0.1 / 60, 0.5 / 60] if intensifier else [0.0, 1 / 60]),
            wander=1.0,
        ),
        crank_share=1.0 if intensifier else fit.crank_share,
        # with all signals the crank has a speed sensor of its own
        rate_from_motor=(bool(rng.random() < 0.5) or slips) and signals != "full",
        pierce_seconds=(15.0, 30.0) if rng.random() < 0.2 else (4.0, 9.0),
        temperature_swing=float(rng.uniform(-4.0, 4.0)),
        attenuator_volume=float(rng.uniform(0.7e-3, 2.0e-3)),
    )


def _harmless(rng: np.random.Generator, fit: _Fit, day: Day) -> tuple[Day, Truth]:
    """A day without a fault, with one of `HARMLESS`."""
    scenario = _pick(rng, HARMLESS)
    truth = Truth(None, scenario)
    if scenario == "hot water":
        swing = float(rng.uniform(7.0, 10.0)) * _pick(rng, [-1.0, 1.0])
        day = replace(day, temperature_swing=swing)
    elif scenario == "tube wear":
        day = replace(day, tube_wear_per_hour=float(rng.uniform(0.005, 0.02)))
    elif scenario == "planned second head":
        seconds = _second_bores(fit)
        if day.signals == "full" and seconds:
            share = (_pick(rng, seconds) / fit.bore) ** 2
            at = _moment(rng, day)
            day = replace(day, faults=(Fault(Cause.SECOND_HEAD, at, share, wired=True),))
            truth = Truth(None, scenario, _ns(at), share, share)
        else:  # nothing in the log would show that it was planned
            truth = Truth(None, "sound")
    return day, truth


def _fault(
    rng: np.random.Generator, cause: Cause, fit: _Fit, at: dt.datetime
) -> tuple[Fault, float]:
    """A fault of the `cause`, and how it changes the effective area."""
    pump = PUMPS[fit.machine]
    ramp = float(rng.uniform(120.0, 2400.0)) if rng.random() < 0.4 else 0.0
    size = float(rng.uniform(0.04, 0.25))
    match cause:
        case Cause.BORE:
            ramp = 0.0 if rng.random() < 0.8 else ramp
            return Fault(cause, at, size, ramp), size
        case Cause.LEAK:
            places: list[Place] = ["seal", "seal", "outlet check", "inlet check"]
            sides: list[Side] = ["left", "right", "left", "right", "both"]
            place, side = _pick(rng, places), _pick(rng, sides)
            exponent = float(rng.uniform(1.0, 3.0))
            if isinstance(pump, Intensifier) and side != "both":
                # twice the leak in the one stroke shortens that one alone
                change = size / (1.0 + size)
                return Fault(cause, at, 2.0 * size, ramp, place, side, exponent), change
            return Fault(cause, at, size, ramp, place, "both", exponent), size
        case Cause.SECOND_HEAD:
            share = (_pick(rng, _second_bores(fit)) / fit.bore) ** 2
            # one that the valve signal counts is planned, not a fault
            return Fault(cause, at, share, stays_open=bool(rng.random() < 0.25)), share
        case Cause.BLOCKED:
            if not isinstance(pump, Intensifier):
                size = min(size, 0.1)  # more, and the relief valve would open
            return Fault(cause, at, size, ramp), -size
        case Cause.TRANSDUCER:
            gain = float(rng.uniform(0.03, 0.10)) * _pick(rng, [-1.0, 1.0])
            # nothing on a crank pump checks a gain: only a zero shift can be found there
            shares = [0.0, 0.5, 1.0] if isinstance(pump, Intensifier) else [0.5, 1.0]
            zero = _pick(rng, shares) * gain * pump.rated_pressure
            gain *= 1.0 - 0.5 * (zero != 0.0)
            shown = 1.0 + gain + zero / fit.hold
            return Fault(cause, at, gain, ramp, zero=zero), shown**-0.48 - 1.0
        case Cause.FEED:
            return Fault(cause, at, size * 0.7, ramp), 1.0 / (1.0 - size * 0.7) - 1.0
        case Cause.SLIP:
            size = float(rng.uniform(0.03, 0.12))
            return Fault(cause, at, size, ramp), 1.0 / (1.0 - size) - 1.0
        case Cause.BYPASS:
            return Fault(cause, at, size, ramp), size
        case Cause.UNKNOWN:
            raise ValueError("an unknown cause can't be drawn")
        case Cause.OTHER_BORE:
            bore = _pick(rng, _other_bores(fit))
            change = (bore / fit.bore) ** 2 * (1.0 + float(rng.normal(0.0, 0.025))) - 1.0
            return Fault(cause, at, change), change


class _Fit(NamedTuple):
    """A jewel that a pump feeds well: `bore` in m, `hold` pressure in Pa (intensifier)."""

    machine: str
    bore: float
    coefficient: float
    hold: float
    crank_share: float


def _fits(kind: PumpKind, coefficient: float, hold_share: float) -> list[_Fit]:
    """Stock bores on the invented pumps at `hold_share` of their rated pressure."""
    fits = []
    for machine, pump in PUMPS.items():
        if isinstance(pump, Intensifier) != (kind == "intensifier"):
            continue
        hold = hold_share * pump.rated_pressure
        for inch in STOCK_BORES_INCH:
            area = coefficient * float(bore_area(inch * INCH))
            share = float(event_rate(pump.displacement, area, hold, 290.0)) / pump.max_rate
            # a crank pump's speed is set to suit the jewel
            low, high = (0.25, 0.75) if kind == "intensifier" else (0.6, 1.0)
            if low < share < high:
                fits.append(_Fit(machine, inch * INCH, coefficient, hold, share))
    return fits


def _other_bores(fit: _Fit) -> list[float]:
    """Neighbouring stock bores, m, at which the pump still cuts."""
    near = [b * INCH for b in STOCK_BORES_INCH if 0.0 < abs(b * INCH - fit.bore) < 2.5e-3 * INCH]
    return [bore for bore in near if _feeds(fit, float(bore_area(bore)))]


def _second_bores(fit: _Fit) -> list[float]:
    """Stock bores, m, of a second head of about the jewel's size that the pump can feed.

    A crank pump feeds any, at a fraction of its pressure.
    """
    jewel = float(bore_area(fit.bore))
    bores = [inch * INCH for inch in STOCK_BORES_INCH if 0.66 < inch * INCH / fit.bore < 1.45]
    least = 0.15
    return [bore for bore in bores if _feeds(fit, jewel + float(bore_area(bore)), least)]


def _feeds(fit: _Fit, bore_area: float, least: float = 0.64) -> bool:
    pump, area = PUMPS[fit.machine], fit.coefficient * bore_area
    if isinstance(pump, Intensifier):
        return float(event_rate(pump.displacement, area, fit.hold, 290.0)) < 0.95 * pump.max_rate
    try:
        speed = fit.crank_share * pump.crank_speed
        pressure = float(pump.expected_pressure(area, 290.0, speed))
    except ValueError:
        return False
    return least * pump.rated_pressure < pressure < 1.15 * pump.rated_pressure


def _restart(day: Day) -> dt.datetime | None:
    """When the jet first opens after a stop, with enough of it before and after; or None."""
    names, steps = duty(day, np.random.default_rng(day.seed))
    jet = np.cumsum(steps * ((names == "pierce") | (names == "cut"))) * STEP
    for stop in np.flatnonzero(names == "stopped"):
        if JET_BEFORE < jet[stop] < jet[-1] - JET_AFTER:
            opens = stop + int(np.argmax(names[stop:] == "pierce"))
            seconds = float(np.sum(steps[:opens])) * STEP
            return dt.datetime.combine(day.first, dt.time()) + dt.timedelta(seconds=seconds)
    return None


def _moment(rng: np.random.Generator, day: Day) -> dt.datetime:
    """A local time with enough jet before and after it."""
    names, steps = duty(day, np.random.default_rng(day.seed))
    jet = np.cumsum(steps * ((names == "pierce") | (names == "cut"))) * STEP
    after = JET_AFTER + STOP_FOR_JEWEL
    aim = rng.uniform(JET_BEFORE, jet[-1] - after)
    spell = int(np.searchsorted(jet, aim))
    seconds = float(np.sum(steps[: spell + 1])) * STEP - (jet[spell] - aim)
    midnight = dt.datetime.combine(day.first, dt.time())
    return midnight + dt.timedelta(seconds=round(seconds, 2))


def _ns(local: dt.datetime) -> int:
    return round(local.replace(tzinfo=ZoneInfo(TIME_ZONE)).timestamp() * 1000) * 10**6


def _pick(rng: np.random.Generator, choices: Sequence[T]) -> T:
    return choices[int(rng.integers(len(choices)))]

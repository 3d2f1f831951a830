"""One pump with its heads, as it truly is and as its name plate says."""

from dataclasses import dataclass, replace

import numpy as np

from . import figures as f
from .duty import MODES, Habits
from .pumps import CREEPS, DUMPS, FALLS, HOLDS, MINIMUM, MOST_HEADS, Crank, Line, Piston
from .water import DENSITY, PRESSED, Water, jet_flux, lookup

KINDS = ("intensifier", "floating", "regulated", "servo")
CLOSED = {"holds": HOLDS, "falls": FALLS, "dumps": DUMPS, "creeps": CREEPS, "minimum": MINIMUM}
CLOSED_BY_KIND = {"floating": ("holds", "falls", "dumps"), "regulated": ("creeps", "minimum")}

FULL = f.FULL_PRESSURE.value
COLD = 15.0  # °C, of the water that pumps are laid out with


@dataclass
class Jewel:
    """bore: as the supplier states it, inch; area: C_d A at the full recipe, m²."""

    bore: float
    material: str
    discharge: float
    diameter: float  # m, as it truly is
    area: float

    @classmethod
    def draw(cls, rng: np.random.Generator, bore: float, material: str) -> "Jewel":
        discharge = f.DISCHARGE[material].draw(rng)
        diameter = bore * f.INCH * (1 + f.BORE_TOLERANCE.value * rng.standard_normal())
        return cls(bore, material, discharge, diameter, discharge * np.pi / 4 * diameter**2)


@dataclass
class Machine:
    """Everything about a pump that stays as it is for a day."""

    kind: str
    heads: int
    mode: str
    size: f.PistonSize | f.CrankSize
    crank_rpm: float  # 0 of a piston
    pump: Piston | Crank
    line: Line
    jewels: list[Jewel]
    habits: Habits
    one_jet: float  # kg/s, of a jewel of the stated bore at the full recipe
    design: float  # kg/s, of all heads that cut at a time
    loss: float  # Pa s²/kg²
    seal_leak: float  # kg/s at the full recipe
    fill: float
    scatter: float
    warm_up_leak: float
    warm_up_time: float
    friction: float
    closed: str
    pressure_unit: str
    strokes_per_count: int
    stated_efficiency: float


def _flow(size, water: Water) -> float:
    """Rated flow at the full recipe by the name plate and tight seals, kg/s."""
    swept = np.pi / 4 * (size.plunger_mm * 1e-3) ** 2 * size.stroke_mm * 1e-3
    dead = size.dead_cm3 * 1e-6
    loose, pressed = lookup(water, DENSITY, 0.0, COLD), lookup(water, PRESSED, FULL, COLD)
    stroke = loose * (swept + dead) - pressed * dead
    rate = size.strokes_per_min / 60 if isinstance(size, f.PistonSize) else 3 * size.crank_rpm / 60
    return stroke * rate


def _jet(bore: float, material: str, water: Water) -> float:
    """Flow of one jet of a usual jewel of that bore at the full recipe, kg/s."""
    usual = f.DISCHARGE[material]
    area = (usual.low + usual.high) / 2 * np.pi / 4 * (bore * f.INCH) ** 2
    return area * jet_flux(water, FULL, COLD + 8)


def _match(kind: str, together: int, material: str, water: Water, rng) -> tuple[float, object]:
    """A stock bore and a size of pump that suit each other."""
    sizes = {"intensifier": f.INTENSIFIERS, "servo": f.SERVOS}.get(kind, f.CRANKS)
    low, high = {"floating": (0.82, 1.0), "regulated": (0.6, 0.85)}.get(
        kind, (f.LOAD.low, f.LOAD.high)
    )
    fits = [
        (bore, size)
        for bore in f.STOCK_BORES_INCH
        for size in sizes
        if low <= together * _jet(bore, material, water) / _flow(size, water) <= high
        and 0.009 <= bore <= 0.015
    ] or [
        (bore, size)
        for bore in f.STOCK_BORES_INCH
        for size in sizes
        if low <= together * _jet(bore, material, water) / _flow(size, water) <= high
    ]
    if not fits:
        raise ValueError(f"no {kind} feeds {together} heads")
    return fits[int(rng.integers(len(fits)))]


def draw(
    kind: str,
    seed: int,
    water: Water,
    heads: int = 1,
    mode: str = "together",
    material: str | None = None,
    closed: str | None = None,
    pressure_unit: str | None = None,
    roomy: bool = True,
) -> Machine:
    """The machine of that seed; the same for every day."""
    if mode not in MODES:
        raise ValueError(f"mode is {mode!r}, one of {MODES} would be right")
    if not 1 <= heads <= MOST_HEADS:
        raise ValueError(f"heads is {heads}, 1 to {MOST_HEADS} would be right")
    if kind not in KINDS:
        raise ValueError(f"kind is {kind!r}, one of {KINDS} would be right")
    choices = CLOSED_BY_KIND.get(kind, ("stalls",))
    if closed is not None and closed not in choices:
        raise ValueError(f"closed is {closed!r}; a pump of kind {kind} has {choices}")
    rng = np.random.default_rng([KINDS.index(kind), heads, seed])
    together = 1 if mode == "turns" and (kind == "floating" or not roomy) else heads
    material = material or str(rng.choice(["ruby", "sapphire", "diamond"]))
    bore, size = _match(kind, together, material, water, rng)
    closed = closed or str(rng.choice(choices))
    one_jet, design = _jet(bore, material, water), together * _jet(bore, material, water)
    jewels = [Jewel.draw(rng, bore, material) for _ in range(heads)]
    fill, seal_leak = f.FILL.draw(rng), f.SEAL_LEAK.draw(rng) * design
    line = _line(kind, rng, one_jet, design, water)
    rpm = 0.0
    pump: Piston | Crank
    if isinstance(size, f.PistonSize):
        pump = _piston(kind, size, rng)
    else:
        pump, rpm = _crank(kind, size, rng, closed, design, seal_leak, fill, water)
    return Machine(
        kind=kind,
        heads=heads,
        mode=mode,
        size=size,
        crank_rpm=rpm,
        pump=pump,
        line=line,
        jewels=jewels,
        habits=Habits.draw(rng),
        one_jet=one_jet,
        design=design,
        loss=f.LINE_LOSS.draw(rng) * FULL / design**2,
        seal_leak=seal_leak,
        fill=fill,
        scatter=f.FILL_SCATTER.draw(rng),
        warm_up_leak=f.WARM_UP_LEAK.draw(rng),
        warm_up_time=f.WARM_UP_TIME.draw(rng),
        friction=f.SEAL_FRICTION.draw(rng) if kind == "intensifier" else 0.0,
        closed=closed,
        pressure_unit=pressure_unit or str(rng.choice(list(f.PRESSURE_STEP))),
        strokes_per_count=int(rng.choice([1, 1, 1, 2])),
        stated_efficiency=_stated_efficiency(fill, seal_leak / design, rng),
    )


def opened(jewel: Jewel, growth: float, rounding: float) -> Jewel:
    """A jewel whose effective area has grown: a share of that by a rounder rim, the rest by width.

    A rim that is rounded at all its edge doesn't contract the jet any more; C_d can't pass that.
    """
    area = jewel.area * (1 + growth)
    discharge = min(jewel.discharge * (1 + growth * rounding), f.ROUNDED_DISCHARGE.value)
    return replace(
        jewel, area=area, discharge=discharge, diameter=float(2 * np.sqrt(area / discharge / np.pi))
    )


def _stated_efficiency(fill: float, leak: float, rng) -> float:
    """What the shop believes: whole percents, off by up to three."""
    return round(min(fill - leak + f.EFFICIENCY_ERROR.draw(rng), 1.0), 2)


def _line(kind: str, rng, one_jet: float, design: float, water: Water) -> Line:
    flux = jet_flux(water, FULL, COLD + 8)
    litres = design / 1000 * 60e3  # l/min
    piston = kind in ("intensifier", "servo")
    volume = (
        f.ATTENUATOR.draw(rng) * litres / 4.0
        if piston
        else f.CRANK_ATTENUATOR.draw(rng) * litres / 2.5
    )
    return Line(
        volume=max(volume, 0.3e-3),
        seat=f.VALVE_SEAT_LEAK.draw(rng) * one_jet / flux,
        dump=3 * design / flux,
        cooling=f.LINE_COOLING.draw(rng),
        reference=FULL,
        by_pressure=f.DISCHARGE_BY_PRESSURE.draw(rng) / 100e6,
        valve_time=f.VALVE_TIME.value,
        exponent=f.SEAL_EXPONENT.draw(rng),
    )


def _true_chamber(size, rng) -> tuple[float, float, float]:
    """Plunger area, stroke and dead volume as they truly are: m², m, m³."""
    diameter = size.plunger_mm * 1e-3 * (1 + f.PLUNGER_WEAR.draw(rng))
    stroke = size.stroke_mm * 1e-3 * (1 + f.STROKE_ERROR.draw(rng))
    dead = size.dead_cm3 * 1e-6 * (1 + f.DEAD_VOLUME_ERROR.draw(rng))
    return np.pi / 4 * diameter**2, stroke, dead


def _piston(kind: str, size: f.PistonSize, rng) -> Piston:
    area, stroke, dead = _true_chamber(size, rng)
    servo = kind == "servo"
    margin = (f.SERVO_MARGIN if servo else f.OIL_MARGIN).draw(rng)
    return Piston(
        area=area,
        stroke=stroke,
        dead=dead,
        reversal=(f.SERVO_REVERSAL if servo else f.REVERSAL).draw(rng),
        top_speed=margin * stroke * size.strokes_per_min / 60,
        power=size.power_kw * 1e3 * f.PUMP_EFFICIENCY.value,
        droop=f.SERVO_DROOP.value if servo else f.DROOP.draw(rng),
        difference=f.SIDE_DIFFERENCE.draw(rng),
        follows_reading=servo,
    )


def _crank(
    kind: str, size: f.CrankSize, rng, closed: str, design: float, leak: float, fill: float, water
) -> tuple[Crank, float]:
    """The crank, and the speed in rpm that stands on its name plate.

    The sheave of a floating pump is chosen so that the stated jewels make about the full recipe.
    """
    area, stroke, dead = _true_chamber(size, rng)
    rpm = float(size.crank_rpm)
    if kind == "floating":
        loose = lookup(water, DENSITY, 0.0, COLD)
        pressed = lookup(water, PRESSED, FULL, COLD)
        turn = 3 * (loose * fill * (area * stroke + dead) - pressed * dead)
        rpm = round(60 * (design + leak) / turn * (1 + rng.normal(0, 0.01)))
    flux = jet_flux(water, FULL, COLD + 8)
    if closed == "falls":
        unloaded = f.UNLOADED_PRESSURE.draw(rng)
        unloader = design / jet_flux(water, unloaded, COLD)
    else:
        unloader = rng.uniform(0.9, 1.05) * design / flux
    return Crank(
        plungers=3,
        swept=area * stroke,
        dead=dead,
        full_speed=rpm / 60,
        regulated=kind == "regulated",
        closed=CLOSED[closed],
        load_slip=f.MOTOR_SLIP.draw(rng) + f.BELT_CREEP.draw(rng),
        speed_time=f.SPEED_TIME.value if kind == "floating" else 0.05,
        ramp=rpm / 60 / f.RAMP.draw(rng),
        least=f.MINIMUM_SPEED.draw(rng),
        relief=f.RELIEF.value * FULL,
        relief_slope=1.3 * design / f.RELIEF_BAND.value,
        unloader=unloader,
        unloader_time=f.UNLOADER_TIME.draw(rng),
        proportional=f.PROPORTIONAL.value,
        integral_time=f.INTEGRAL_TIME.value,
        filter_time=f.PRESSURE_FILTER.value,
    ), rpm

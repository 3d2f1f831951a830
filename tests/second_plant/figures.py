"""Every figure of the second plant, with its unit and where it comes from.

A `Spread` is drawn once for each machine, evenly between its ends; a `Fixed` is the same for all.
Origins: "published: …", "common practice, no source" and "invented". SI, units in the name.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

import numpy as np


class Spread(NamedTuple):
    low: float
    high: float
    unit: str
    origin: str

    def draw(self, rng: np.random.Generator) -> float:
        return float(rng.uniform(self.low, self.high))


class Fixed(NamedTuple):
    value: float
    unit: str
    origin: str


PRACTICE = "common practice, no source"
INVENTED = "invented"

INCH = 0.0254  # m

# --- jewels -----------------------------------------------------------------------------------

STOCK_BORES_INCH = (0.007, 0.008, 0.009, 0.010, 0.011, 0.012, 0.013, 0.014, 0.015, 0.016, 0.018)
# common practice, no source: what suppliers list

SHARP_DISCHARGE = Fixed(
    0.62, "-", "published: Encyclopaedia Britannica, 11th ed., 'Hydraulics' § 17: 0.97 × 0.64"
)
ROUNDED_DISCHARGE = Fixed(
    0.97, "-", "published: same, c_v of a jet that no longer contracts: the most that a rim can do"
)
DISCHARGE = {
    "ruby": Spread(0.62, 0.68, "-", f"{PRACTICE}; sharp edge 0.62 published, see above"),
    "sapphire": Spread(0.62, 0.68, "-", f"{PRACTICE}; as ruby"),
    "diamond": Spread(0.66, 0.73, "-", f"{PRACTICE}; its ground edge is rounder"),
}
DISCHARGE_BY_PRESSURE = Spread(
    -0.02, 0.0, "1/(100 MPa), relative", f"{INVENTED}; from memory: measured C_d fall by 0 to 3 %"
)
BORE_TOLERANCE = Fixed(0.004, "-, standard deviation of the diameter", INVENTED)
VALVE_TIME = Fixed(0.08, "s, of a head to open or close", PRACTICE)

# --- line -------------------------------------------------------------------------------------

LINE_LOSS = Spread(
    0.004, 0.02, "share of the working pressure at one jet's flow", f"{INVENTED}; rises with flow²"
)
VALVE_SEAT_LEAK = Spread(0.0, 0.004, "share of one jet's flow, behind the check valves", INVENTED)
LINE_COOLING = Spread(0.1, 0.5, "share of the heat of compression lost on the way", INVENTED)

# --- pumps ------------------------------------------------------------------------------------


class PistonSize(NamedTuple):
    """Name plate of an intensifier or of a linear servo drive."""

    power_kw: float
    plunger_mm: float
    stroke_mm: float
    dead_cm3: float
    strokes_per_min: float


class CrankSize(NamedTuple):
    """Name plate of a triplex on a crank."""

    power_kw: float
    plunger_mm: float
    stroke_mm: float
    dead_cm3: float
    crank_rpm: float


# invented; power, flow and strokes agree with one another as on usual name plates
INTENSIFIERS = (
    PistonSize(22, 19.0, 178, 5.0, 65),
    PistonSize(37, 22.0, 203, 7.5, 62),
    PistonSize(75, 28.0, 229, 14.0, 60),
    PistonSize(150, 35.0, 292, 27.0, 55),
)
SERVOS = (
    PistonSize(22, 24.0, 130, 5.5, 52),
    PistonSize(37, 28.0, 150, 8.0, 50),
    PistonSize(75, 36.0, 180, 15.0, 48),
    PistonSize(150, 46.0, 220, 29.0, 46),
)
CRANKS = (
    CrankSize(15, 9.0, 34.0, 0.55, 330),
    CrankSize(22, 10.0, 40.0, 0.80, 325),
    CrankSize(37, 12.7, 44.0, 1.4, 320),
    CrankSize(75, 16.0, 52.0, 2.7, 300),
    CrankSize(150, 20.0, 64.0, 5.2, 290),
)
INTENSIFICATION_RATIO = Fixed(20.0, "-", PRACTICE)
RATED_PRESSURE = {
    "intensifier": Fixed(414e6, "Pa", f"{PRACTICE}: 60 kpsi"),
    "servo": Fixed(414e6, "Pa", f"{PRACTICE}: 60 kpsi"),
    "floating": Fixed(400e6, "Pa", PRACTICE),
    "regulated": Fixed(400e6, "Pa", PRACTICE),
}
FULL_PRESSURE = Fixed(380e6, "Pa, recipe", PRACTICE)
REDUCED_PRESSURE = Fixed(260e6, "Pa, recipe of soft material", PRACTICE)
PIERCE_PRESSURE = Fixed(130e6, "Pa, recipe of brittle material", PRACTICE)

LOAD = Spread(0.45, 0.78, "share of the rated flow that all jewels take together", PRACTICE)
FILL = Spread(0.975, 0.999, "share of the chamber that fills", INVENTED)
FILL_SCATTER = Spread(0.001, 0.004, "standard deviation from stroke to stroke", INVENTED)
SEAL_LEAK = Spread(
    0.01, 0.04, "share of one pump's design flow at the full recipe, sound seals", INVENTED
)
SEAL_EXPONENT = Spread(
    1.0, 1.5, "of pressure: the gap of a seal widens under pressure; an orifice has 0.5", INVENTED
)
WARM_UP_LEAK = Spread(-0.3, 0.4, "relative, of the seal leak while cold", INVENTED)
WARM_UP_TIME = Spread(600, 2400, "s", INVENTED)

LEAK_WANDER = Fixed(0.08, "relative standard deviation of the seal leak over an hour", INVENTED)
DISTURBANCES = Fixed(3.0, "in eight hours: a check valve sticks, the feed dips", INVENTED)
DISTURBANCE_TIME = Spread(5.0, 40.0, "s", INVENTED)
DISTURBANCE_SIZE = Spread(0.01, 0.05, "share of the pump's flow", INVENTED)

# what the true pump differs by from its name plate
PLUNGER_WEAR = Spread(-0.0015, 0.0002, "relative, of the diameter", f"{INVENTED}; plungers wear")
STROKE_ERROR = Spread(-0.004, 0.002, "relative", f"{INVENTED}; end switches are adjustable")
DEAD_VOLUME_ERROR = Spread(-0.2, 0.2, "relative", f"{INVENTED}; seldom printed")
EFFICIENCY_ERROR = Spread(-0.03, 0.03, "absolute, of the stated efficiency", INVENTED)

# intensifier
ATTENUATOR = Spread(1.0e-3, 2.5e-3, "m³ for each 4 l/min", f"{PRACTICE}: 1 to 3 l")
REVERSAL = Spread(0.02, 0.06, "s, the shuttle valve's", INVENTED)
SIDE_DIFFERENCE = Spread(-0.006, 0.006, "relative, of the fill of one side", INVENTED)
DROOP = Spread(0.01, 0.03, "share of set pressure from no flow to full", PRACTICE)
SEAL_FRICTION = Spread(-0.01, 0.01, "relative, of the pressure, cold against warm", INVENTED)
OIL_MARGIN = Spread(1.05, 1.2, "oil flow over what the overstroke limit takes", INVENTED)
PUMP_EFFICIENCY = Fixed(0.8, "-, motor to water", PRACTICE)

# servo
SERVO_REVERSAL = Spread(0.005, 0.02, "s", INVENTED)
SERVO_DROOP = Fixed(0.002, "-, of a controller that hardly has one", INVENTED)
SERVO_MARGIN = Spread(1.6, 2.2, "top speed over that of the overstroke limit", INVENTED)

# crank
CRANK_ATTENUATOR = Spread(0.4e-3, 1.0e-3, "m³ for each 2.5 l/min", PRACTICE)
MOTOR_SLIP = Spread(
    0.01, 0.025, "share of speed at rated torque", f"{PRACTICE}; motor plates state it"
)
BELT_CREEP = Spread(0.003, 0.012, "share of speed at rated torque", PRACTICE)
MAINS = Fixed(
    0.0004, "-, standard deviation of the mains' frequency", "value from memory: 20 mHz in Europe"
)
SPEED_TIME = Fixed(0.4, "s, of the crank to follow its motor", INVENTED)
LOW_SPEED = Fixed(0.84, "share of the crank speed, at the drive's lower preset", INVENTED)
PIERCE_SPEED = Fixed(0.60, "share of the crank speed, at the drive's preset to pierce", INVENTED)
RELIEF = Fixed(1.10, "opens at, over the full recipe", PRACTICE)
RELIEF_BAND = Fixed(6e6, "Pa, from closed to all of the pump's flow", INVENTED)
UNLOADED_PRESSURE = Spread(4e6, 18e6, "Pa, of a line that is dumped", INVENTED)
UNLOADER_TIME = Spread(0.05, 0.2, "s, after the last head has closed or the first has opened",
                       INVENTED)  # fmt: skip
RAMP = Spread(0.5, 1.5, "s, of the drive from standstill to full speed", PRACTICE)
MINIMUM_SPEED = Spread(0.08, 0.2, "share of full speed, where the drive has a least one", PRACTICE)
PROPORTIONAL = Fixed(5.0, "full speeds by relative error of pressure", INVENTED)
INTEGRAL_TIME = Fixed(0.8, "s", INVENTED)
PRESSURE_FILTER = Fixed(0.05, "s, of the transducer in the loop", INVENTED)

# --- water ------------------------------------------------------------------------------------

FEED_TEMPERATURE = Spread(9, 19, "°C, of the mains", PRACTICE)
STAGNANT_TEMPERATURE = Spread(18, 23, "°C, of what stood in the pipe overnight", INVENTED)
FEED_SETTLES = Spread(300, 1500, "s of flow until the mains' water has come", INVENTED)
FEED_DRIFT = Spread(-1.5, 2.5, "K over the shift", INVENTED)
BOOST_PRESSURE = Spread(0.35e6, 0.7e6, "Pa", PRACTICE)
ROOM = Spread(18, 26, "°C", PRACTICE)

# --- sensors ----------------------------------------------------------------------------------

TRANSDUCER_NOISE = Spread(0.0006, 0.0025, "share of rated pressure, scale of the noise", INVENTED)
NOISE_FREEDOM = Fixed(4.0, "degrees of freedom of Student's t", INVENTED)
TRANSDUCER_GAIN = Spread(-0.005, 0.005, "relative, constant error", f"{PRACTICE}: class 0.5 %")
PRESSURE_STEP = {
    "MPa": Fixed(0.1, "MPa", PRACTICE),
    "bar": Fixed(1.0, "bar", PRACTICE),
    "psi": Fixed(10.0, "psi", PRACTICE),
}
AVERAGING = Spread(0.2, 2.0, "s, of the controller's moving mean", INVENTED)
RATE_WINDOW = Spread(6.0, 20.0, "s, over which the controller counts strokes", INVENTED)
SPEED_NOISE = Fixed(0.0005, "relative, of the crank's pick-up", INVENTED)
JITTER = Fixed(0.05, "share of the interval, at most", INVENTED)

# --- size of faults if the caller names none --------------------------------------------------

FAULT_SIZES = {
    "chip": Fixed(0.10, "relative growth of one head's effective area", INVENTED),
    "wear": Fixed(0.015, "relative growth of effective area by jet hour", INVENTED),
    "leak": Fixed(0.08, "share of one jet's flow at the full recipe", INVENTED),
    "check valve": Fixed(0.08, "share of one jet's flow at the full recipe", INVENTED),
    "second head": Fixed(1.0, "area over that of the first jewel", INVENTED),
    "blocked": Fixed(0.12, "relative loss of one head's effective area", INVENTED),
    "filter": Fixed(
        0.12, "share of the pressure lost before the heads at one jet's flow", INVENTED
    ),
    "transducer": Fixed(0.04, "relative shift of the reading", INVENTED),
    "feed": Fixed(0.06, "share of each filling lost on average", INVENTED),
    "slip": Fixed(0.05, "share of the crank's speed lost", INVENTED),
    "bypass": Fixed(0.08, "share of one jet's flow at the full recipe", INVENTED),
    "other bore": Fixed(1.0, "stock bores up (or down, if negative)", INVENTED),
}


@contextmanager
def held(values: dict[str, float]) -> Iterator[None]:
    """Hold figures of this module at given values, by name, while a machine and a day are drawn.

    Everything else is drawn as without: a spread that is held still takes its number.
    """
    before = {name: globals()[name] for name in values}
    try:
        for name, value in values.items():
            old = before[name]
            if isinstance(old, Spread):
                globals()[name] = Spread(value, value, old.unit, "held by the caller")
            elif isinstance(old, Fixed):
                globals()[name] = Fixed(value, old.unit, "held by the caller")
            else:
                raise TypeError(f"{name} is not one figure")
        yield
    finally:
        globals().update(before)

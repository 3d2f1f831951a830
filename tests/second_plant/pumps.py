"""The pumps and the line behind them: what goes in, what comes out, and the pressure that it makes.

Both pumps are driven through a day of ticks of 0.1 s in steps of 20 ms at most, shorter where a
stroke turns or a check valve opens. Each step balances masses: the line's pressure is the one whose
water has the density that the mass in the line's volume asks for. Every step is implicit in the
pressure (backward Euler on flows that are linear within the step), so a stiff control can't swing.

Leaks of seals go with a power of pressure; whatever else lets water out is a hole and goes by the
jet's law of `water`.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .water import DENSITY, PRESSED, WARMING, Water, jet_flux, lookup, slope

TICK = 0.1  # s
STEP = 0.02  # s
ATTACK = 80e6  # Pa/s, invented: how fast a control lets its set point rise

# What a crank pump does while every head is closed.
HOLDS, FALLS, DUMPS, CREEPS, MINIMUM = range(5)

Array = NDArray[np.float64]


MOST_HEADS = 4

TOLD = np.dtype(
    [
        ("on", "b1"),  # the motor runs
        ("dumped", "b1"),  # the line is bled down
        ("target", "f8"),  # Pa, set pressure; of a floating pump unused
        ("preset", "f8"),  # share of full crank speed that a floating pump's drive is set to
        ("valves", "i8", (MOST_HEADS,)),  # commanded open
        ("area", "f8", (MOST_HEADS,)),  # m², C_d A of each head at the reference pressure
        ("stray", "f8"),  # m², C_d A of what opens along with the heads and nobody knows of
        ("loss", "f8"),  # Pa s²/kg², of the line before the heads
        ("seals", "f8", (2,)),  # kg/s at the reference pressure, of each side
        ("back", "f8"),  # m², C_d A of a discharge valve that doesn't close, on the right side
        ("bleed", "f8"),  # m², C_d A of a bypass or relief valve that leaks
        ("filling", "f8"),  # mean share of each filling
        ("scatter", "f8"),  # its standard deviation
        ("feed", "f8"),  # °C, of the feed water
        ("reading", "f8"),  # what the transducer shows, over the true pressure
        ("slip", "f8"),  # share of speed lost between motor and crank, beyond the belt's creep
        ("motor", "f8"),  # speed of the motor by the mains, relative
    ]
)
# What happens to the plant, a record each tick.

TRACE = np.dtype(
    [
        ("pressure", "f8"),  # Pa, mean over the tick
        ("speed", "f8"),  # 1/s, of the crank; of a piston, strokes
        ("turns", "f8"),  # of the crank, or strokes done, with the part of the present one
        ("motor", "f8"),  # 1/s, of the crank if nothing slipped
        ("jets", "f8", (MOST_HEADS + 1,)),  # each head, then the stray one
        ("leaked", "f8"),  # by seals and seats
        ("spilled", "f8"),  # by bypass, relief, unloader, bleed-down
        ("returned", "f8"),  # through the discharge valve that doesn't close
        ("intake", "f8"),
        ("stored", "f8"),  # kg in line and chambers at the end of the tick
    ]
)
# What the plant did, a record each tick. Masses are those that passed within the tick, kg.


class Line(NamedTuple):
    volume: float  # m³, of attenuator and pipe
    seat: float  # m², C_d A of all that leaks behind the check valves while heads are closed
    dump: float  # m², C_d A of the valve that bleeds the line down
    cooling: float  # share of the heat of compression that is lost
    reference: float  # Pa, where areas and seals' leaks are stated
    by_pressure: float  # 1/Pa, relative change of C_d with pressure
    valve_time: float  # s, of a head to open or close
    exponent: float  # of the seals' leak over pressure


class Piston(NamedTuple):
    area: float  # m², of the plunger
    stroke: float  # m
    dead: float  # m³
    reversal: float  # s
    top_speed: float  # m/s
    power: float  # W, at the plunger
    droop: float  # share of the set pressure
    difference: float  # relative, of the fill of the right side over the mean
    follows_reading: bool  # its control sees the transducer, not the oil


class Crank(NamedTuple):
    plungers: int
    swept: float  # m³, one plunger, one turn
    dead: float  # m³
    full_speed: float  # 1/s
    regulated: bool
    closed: int  # one of HOLDS … MINIMUM
    load_slip: float  # share of speed lost by motor and belt at the reference pressure
    speed_time: float  # s
    ramp: float  # 1/s², most change of speed
    least: float  # share of full speed
    relief: float  # Pa
    relief_slope: float  # kg/(s Pa)
    unloader: float  # m², C_d A, of FALLS and DUMPS
    unloader_time: float  # s
    proportional: float  # full speeds by relative error
    integral_time: float  # s
    filter_time: float  # s


class Trace(NamedTuple):
    """A day of the plant: ticks of kind TRACE, and when each stroke ended, s, on which side."""

    ticks: np.recarray
    stroke_times: Array
    stroke_sides: NDArray[np.int8]


STATE = np.dtype(
    [
        ("gauge", "f8"),  # Pa, of the line
        ("mass", "f8"),  # kg in it
        ("celsius", "f8"),
        ("goal", "f8"),  # Pa, set pressure on its way to the target
        ("x", "f8"),  # m, how far the plunger is in its stroke
        ("side", "i8"),  # 0 left, 1 right
        ("feeding", "b1"),  # the discharge valve is open
        ("dwell", "f8"),  # s that the reversal still takes
        ("chamber", "f8"),  # kg before the plunger
        ("idle", "f8"),  # kg in the chamber behind it that were there before it began to fill
        ("returned", "f8"),  # kg that came into that one through its discharge valve
        ("strokes", "i8"),
        ("speed", "f8"),  # 1/s, of the crank
        ("turned", "f8"),
        ("unloaded", "f8"),  # 0 closed, 1 open
        ("shown", "f8"),  # Pa, filtered reading of the controller
        ("integral", "f8"),  # of the controller, in shares of full speed
    ]
)
OFF, TURNING, PRESSING, HELD, FEEDING = range(5)  # phases of a piston


# --- the line, alike for both pumps ------------------------------------------------------------


@njit(cache=True)
def _move_valves(opened, told, seconds, valve_time):
    """Heads on their way to where they are commanded; share open of each, in place."""
    change = seconds / valve_time
    for head in range(opened.size):
        if told.valves[head]:
            opened[head] = min(1.0, opened[head] + change)
        else:
            opened[head] = max(0.0, opened[head] - change)


@njit(cache=True)
def _jets(water, line, told, s, opened, jets):
    """Mass flow of each jet and the stray one, kg/s, in place of the ones just before.

    Returns their sum and the mass flux of an ideal jet at the pump.
    """
    before = jets.sum()
    ideal = jet_flux(water, s.gauge, s.celsius)
    at_head = max(s.gauge - told.loss * before * before, 0.0)
    flux = jet_flux(water, at_head, s.celsius)
    flux *= 1.0 + line.by_pressure * (at_head - line.reference)
    widest = 0.0
    for head in range(opened.size):
        jets[head] = opened[head] * told.area[head] * flux
        widest = max(widest, opened[head])
    jets[-1] = widest * told.stray * flux
    return jets.sum(), ideal


@njit(cache=True)
def _new_tick(water, line, told, s):
    """The line's temperature follows the water that comes in, and the set pressure its target."""
    feed = told.feed
    warm = lookup(water, WARMING, s.gauge, feed) * (1 - line.cooling)
    s.celsius += (feed + warm - s.celsius) * TICK / 20.0
    if told.on:
        s.goal = min(s.goal + ATTACK * TICK, told.target)
    else:  # a start goes on from the pressure that a shut line still has
        s.goal = 0.0 if told.dumped else min(s.goal, s.gauge * told.reading)


@njit(cache=True)
def _balance(water, line, s):
    """Mass that the line's pressure lacks, kg, and kg that it takes to raise it by 1 Pa."""
    lacks = s.mass - line.volume * lookup(water, DENSITY, s.gauge, s.celsius)
    return lacks, line.volume * slope(water, DENSITY, s.gauge, s.celsius)


@njit(cache=True)
def _stands_shut(told):
    return not (told.on or told.dumped)


@njit(cache=True)
def _seep(line, told, s, ideal, seal):
    """What a shut line loses through a discharge valve while its pump stands, kg/s.

    ideal: mass flux of a jet from the line into the open air, kg/(m² s)
    seal: leak of that chamber's seal at the reference pressure, kg/s

    The inlet valve shuts under this water, so it leaves by the seal. The chamber takes the share of
    the line's pressure at which the valve lets in what the seal lets out; found by bisection.
    """
    if told.back == 0 or not _stands_shut(told):
        return 0.0
    most = seal * (s.gauge / line.reference) ** line.exponent
    low, high = 0.0, 1.0
    for _ in range(40):
        share = (low + high) / 2
        if told.back * ideal * np.sqrt(1 - share) > most * share**line.exponent:
            low = share
        else:
            high = share
    return most * low**line.exponent


@njit(cache=True)
def _ease(gauge, change):
    """What a hole's flow is at the end of a step, over that at its beginning: linear in √p."""
    return max(1 + change / (2 * max(gauge, 1e5)), 0.0)


@njit(cache=True)
def _book(water, line, s, out, jets, seat, spill, back, ease, given, h):
    """Write down what left the line within the step and what came in (`given`, kg)."""
    drawn = seat + spill + back
    for i in range(jets.size):
        out.jets[i] += jets[i] * ease * h
        drawn += jets[i]
    out.leaked += seat * ease * h
    out.spilled += spill * ease * h
    out.returned += back * ease * h
    s.mass += given - drawn * ease * h
    floor = line.volume * lookup(water, DENSITY, 0.0, s.celsius)
    if s.mass < floor:  # the feed fills a line that has no pressure
        out.intake += floor - s.mass
        s.mass = floor
    out.pressure += s.gauge * h / TICK


# --- pistons -----------------------------------------------------------------------------------


@njit(cache=True)
def _phase(water, told, pump, s, top):
    """What the piston is at. One that the line's pressure has overcome goes back a little."""
    if not told.on:
        return OFF
    if s.dwell > 0:
        return TURNING
    if s.gauge > 1.002 * top and s.feeding:
        pressed = lookup(water, PRESSED, max(top, 0.0), told.feed)
        s.x = max(pump.stroke - (s.chamber / pressed - pump.dead) / pump.area, 0.0)
        s.feeding = False
    if s.feeding:
        return FEEDING
    return HELD if s.gauge > top else PRESSING


@njit(cache=True)
def _feed_line(pump, s, top, v_top, creep, per_speed, lacks, room, bend, drains, h):
    """Speed of the piston, change of pressure and length of a step with its valve open.

    The compensator has three pieces: full flow, less the nearer to `top`, and just the leak. The
    one whose answer lies on it is the answer, since more pressure never means more flow.
    """
    stiff = pump.top_speed / (pump.droop * top)
    base = lacks - h * drains
    fast = (base + h * v_top * per_speed) / (room + h * bend)
    slow = (base + h * creep * per_speed) / (room + h * bend)
    if s.gauge + fast <= top - v_top / stiff:
        speed, change = v_top, fast
    elif s.gauge + slow >= top - creep / stiff:
        speed, change = creep, slow
    else:
        at = base + h * per_speed * stiff * (top - s.gauge)
        change = at / (room + h * bend + h * per_speed * stiff)
        speed = min(max(stiff * (top - s.gauge - change), creep), v_top)
    if speed > 0 and (pump.stroke - s.x) / speed < h:  # it turns within this step: only so far
        short = max((pump.stroke - s.x) / speed, 1e-7)
        change *= short / h
        h = short
    return speed, change, h


@njit(cache=True)
def _piston_step(water, line, told, pump, left, s, opened, jets, out):
    """One step of a piston, at most `left` seconds long. Returns its length and the phase."""
    feed = told.feed
    top = s.goal * (1 + 0.6 * pump.droop) / (told.reading if pump.follows_reading else 1.0)
    phase = _phase(water, told, pump, s, top)
    pressed = lookup(water, PRESSED, s.gauge, feed)
    force = max(s.gauge, 1e6) * pump.area
    if phase == PRESSING:  # the chamber is still on its way up, on the mean at half
        force *= 0.5
    v_top = min(pump.top_speed, pump.power / force)
    leak = 0.0
    if phase >= PRESSING:
        leak = told.seals[s.side] * (min(s.gauge, top) / line.reference) ** line.exponent
    creep = leak / (pressed * pump.area)
    h, speed = min(left, STEP), 0.0
    if phase == TURNING:
        h = min(h, s.dwell)
    elif phase == HELD:
        speed = creep
    elif phase == PRESSING:
        meets = pump.stroke - (s.chamber / pressed - pump.dead) / pump.area
        meets = min(max(meets, s.x), pump.stroke)
        h = min(h, max((meets - s.x) / v_top, 1e-6))
        speed, leak = v_top, 0.5 * leak  # the pressure is still building up
    _move_valves(opened, told, h, line.valve_time)
    total, ideal = _jets(water, line, told, s, opened, jets)
    back = told.back * ideal if s.side == 0 and told.on else 0.0
    seat = line.seat * ideal + _seep(line, told, s, ideal, told.seals[1])
    spill = (told.bleed + (line.dump if told.dumped else 0.0)) * ideal
    drawn = total + seat + spill + back
    lacks, room = _balance(water, line, s)
    bend = drawn / (2 * max(s.gauge, 1e5))
    if phase == FEEDING:
        behind = pump.dead + pump.area * (pump.stroke - s.x)
        room += behind * slope(water, PRESSED, s.gauge, feed)
        speed, change, h = _feed_line(
            pump, s, top, max(v_top, creep), creep, pressed * pump.area,
            lacks, room, bend, drawn + leak, h,
        )  # fmt: skip
    else:
        change = (lacks - h * drawn) / (room + h * bend)
    change = max(change, -s.gauge)
    ease = _ease(s.gauge, change)
    s.gauge += change
    s.x = min(s.x + speed * h, pump.stroke)
    out.leaked += leak * h
    now = s.chamber - leak * h
    if phase == FEEDING:
        behind = pump.dead + pump.area * (pump.stroke - s.x)
        now = lookup(water, PRESSED, s.gauge, feed) * behind
    given = s.chamber - leak * h - now
    s.chamber = now
    s.returned += back * ease * h
    _book(water, line, s, out, jets, seat, spill, back, ease, given, h)
    out.speed += speed / pump.stroke * h / TICK
    if phase == PRESSING and s.x >= meets - 1e-7:
        s.feeding = True
    return h, phase


@njit(cache=True)
def _turn(water, told, pump, s, out, shake):
    """The stroke has ended: the chamber that filled meanwhile is the one that presses now."""
    s.strokes += 1
    s.side = 1 - s.side
    share = told.filling * (1 + (pump.difference if s.side == 1 else -pump.difference))
    share = min(max(share - abs(shake) * told.scatter, 0.3), 1.0)
    loose = lookup(water, DENSITY, 0.0, told.feed)
    full = loose * (pump.dead + pump.area * pump.stroke) * share
    out.intake += full - s.idle - s.returned
    s.idle, s.chamber, s.returned = s.chamber, full, 0.0
    s.x, s.feeding, s.dwell = 0.0, False, pump.reversal


@njit(cache=True)
def piston(water, line, day, pump, shakes, trace, times, sides, state):
    """A double-acting intensifier or servo drive through a `day` of TOLD; fills the `trace`.

    shakes: standard normals, one a stroke, used again from the start when they run out
    times, sides: room for as many strokes as there can be

    While a plunger presses its water up to the line's pressure nothing reaches the line, and that
    and the reversal are the dip that an attenuator has to bridge. The oil pump's compensator gives
    full flow until the pressure comes near its setting and ever less above. A plunger moves as fast
    as its seals leak even where the line is closed: the stall of an intensifier is a creep.
    """
    s = state[0]
    opened, jets = np.zeros(MOST_HEADS), np.zeros(MOST_HEADS + 1)
    s.celsius = day[0].feed
    loose = lookup(water, DENSITY, 0.0, s.celsius)
    s.mass, s.idle = loose * line.volume, loose * pump.dead
    s.chamber = loose * (pump.dead + pump.area * pump.stroke)
    for k in range(day.size):
        told, out = day[k], trace[k]
        _new_tick(water, line, told, s)
        if not told.on:  # the chamber loses its pressure by its own leaks
            loose = lookup(water, DENSITY, 0.0, told.feed)
            spare = s.chamber - loose * (pump.dead + pump.area * (pump.stroke - s.x))
            s.feeding = False
            if spare > 0:
                s.chamber -= spare
                out.leaked += spare
        left = TICK
        while left > 1e-9:
            h, phase = _piston_step(water, line, told, pump, left, s, opened, jets, out)
            left -= h
            if phase == TURNING:
                s.dwell -= h
            elif phase >= PRESSING and s.x >= pump.stroke - 1e-9:
                if s.strokes < times.size:
                    times[s.strokes] = (k + 1) * TICK - left
                    sides[s.strokes] = s.side
                _turn(water, told, pump, s, out, shakes[s.strokes % shakes.size])
        out.turns = s.strokes + s.x / pump.stroke
        out.stored = s.mass + s.chamber + s.idle + s.returned


# --- cranks ------------------------------------------------------------------------------------


@njit(cache=True)
def _control(pump, s, h):
    """PI control of a drive: share of full speed. The integral stops at the limits."""
    error = (s.goal - s.shown) / max(s.goal, 1.0)
    most, least = 1.05, pump.least if pump.closed == MINIMUM else 0.0
    raw = pump.proportional * error + s.integral
    if least < raw < most or (raw >= most and error < 0) or (raw <= least and error > 0):
        s.integral += pump.proportional * error * h / pump.integral_time
    s.integral = min(max(s.integral, least), most)
    return min(max(pump.proportional * error + s.integral, least), most)


@njit(cache=True)
def _turn_crank(line, told, pump, s, h):
    """Speed of the motor, as that of a crank that nothing slips at, 1/s; moves the crank."""
    load = s.gauge / line.reference
    motor, lost = 0.0, told.slip
    if not told.on:
        s.integral, s.shown = 0.0, s.gauge
    elif pump.regulated:
        s.shown += (s.gauge * told.reading - s.shown) * h / (pump.filter_time + h)
        motor = pump.full_speed * _control(pump, s, h)
        lost += 0.3 * pump.load_slip * load
    else:
        motor = pump.full_speed * told.preset * told.motor
        motor *= 1 - pump.load_slip * (load - 1)
    most = pump.ramp * h
    pull = (motor * (1 - lost) - s.speed) * h / (pump.speed_time + h)
    s.speed = max(s.speed + min(max(pull, -most), most), 0.0)
    if s.speed < 1e-9:
        s.speed = 0.0
    s.turned += s.speed * h
    return motor


@njit(cache=True)
def _crank_step(water, line, told, pump, share, s, opened, jets, out):
    """One step of a crank, STEP long."""
    h, feed = STEP, told.feed
    wanted = told.valves.sum() > 0
    _move_valves(opened, told, h, line.valve_time)
    most = h / pump.unloader_time
    s.unloaded += min(max((0.0 if wanted else 1.0) - s.unloaded, -most), most)
    motor = _turn_crank(line, told, pump, s, h)
    # What the plungers give, and what of it reaches the line.
    full = lookup(water, DENSITY, 0.0, feed) * (pump.swept + pump.dead) * share
    strokes = s.speed * pump.plungers
    taken = max(strokes * (full - lookup(water, PRESSED, s.gauge, feed) * pump.dead), 0.0)
    to_drain = pump.closed == HOLDS and s.unloaded > 0.5
    seal = 0.5 * (told.seals[0] + told.seals[1])
    seal = min(seal * (s.gauge / line.reference) ** line.exponent, taken)
    seal = 0.0 if to_drain else seal
    given = 0.0 if to_drain else taken - seal
    total, ideal = _jets(water, line, told, s, opened, jets)
    # The leaks of all seals are stated; under pressure is half of them, of one plunger a part.
    one_seal = 0.5 * (told.seals[0] + told.seals[1]) / (0.5 * pump.plungers)
    seat = line.seat * ideal + _seep(line, told, s, ideal, one_seal)
    holes = told.bleed + (line.dump if told.dumped else 0.0)
    if pump.closed == FALLS or pump.closed == DUMPS:
        holes += s.unloaded * pump.unloader
    back = told.back * ideal * min(1.0, s.speed / pump.full_speed + 0.3)
    back = 0.0 if _stands_shut(told) else back  # then it seeps
    spill = holes * ideal
    drawn = total + seat + spill + back
    relief = pump.relief
    stands = _stands_shut(told) and s.speed == 0.0
    if pump.closed == MINIMUM and not (wanted or stands):  # the bypass takes what the speed brings
        relief = min(relief, 1.02 * max(s.goal, 1e6) / told.reading)
    lacks, room = _balance(water, line, s)
    bend = drawn / (2 * max(s.gauge, 1e5))
    bend += strokes * pump.dead * slope(water, PRESSED, s.gauge, feed)
    change = (lacks + h * (given - drawn)) / (room + h * bend)
    over = 0.0
    if s.gauge + change > relief:
        stiff = pump.relief_slope
        at = lacks + h * (given - drawn - stiff * (s.gauge - relief))
        change = at / (room + h * bend + h * stiff)
        over = max(stiff * (s.gauge + change - relief), 0.0)
    change = max(change, -s.gauge)
    ease = _ease(s.gauge, change)
    s.gauge += change
    out.leaked += seal * h
    out.spilled += over * h + (taken * h if to_drain else 0.0)
    # What comes back through a valve that doesn't close fills the chamber in place of feed.
    out.intake += (taken - back * ease) * h
    _book(water, line, s, out, jets, seat, spill, back, ease, (given - over) * h, h)
    out.speed += s.speed * h / TICK
    out.motor += motor * h / TICK


@njit(cache=True)
def crank(water, line, day, pump, shakes, trace, state):
    """A triplex on a crank through a `day` of TOLD; fills the `trace`. `shakes`: one a second.

    What it delivers is the mean over a turn: the water that fills the chambers, less what stays in
    the dead volume at the line's density, less the leaks of those seals that are under pressure,
    which is half of them. The ripple of the plungers is left to the sensors.

    Floating: the motor turns as the mains and its load let it, and the pressure is what the heads
    make of the water. Regulated: a drive holds the pressure that its transducer shows (PI control).
    """
    s = state[0]
    opened, jets = np.zeros(MOST_HEADS), np.zeros(MOST_HEADS + 1)
    s.celsius = day[0].feed
    s.mass = lookup(water, DENSITY, 0.0, s.celsius) * line.volume
    for k in range(day.size):
        told, out = day[k], trace[k]
        _new_tick(water, line, told, s)
        share = told.filling - abs(shakes[(k // 10) % shakes.size]) * told.scatter
        for _ in range(round(TICK / STEP)):
            _crank_step(water, line, told, pump, share, s, opened, jets, out)
        out.turns = s.turned
        out.stored = s.mass


def run(water: Water, line: Line, day: np.recarray, pump: Piston | Crank, rng) -> Trace:
    """The whole day, by whichever pump it is."""
    shakes = rng.standard_normal(100_000)
    state = np.zeros(1, STATE)
    ticks = np.zeros(day.size, TRACE)
    records = day.view(np.ndarray).view(TOLD)
    if isinstance(pump, Crank):
        crank(water, line, records, pump, shakes, ticks, state)
        return Trace(ticks.view(np.recarray), np.empty(0), np.empty(0, np.int8))
    most = int(day.size * TICK * pump.top_speed / pump.stroke) + 10
    times, sides = np.zeros(most), np.zeros(most, np.int8)
    piston(water, line, records, pump, shakes, ticks, times, sides, state)
    count = int(state["strokes"][0])
    return Trace(ticks.view(np.recarray), times[:count], sides[:count])

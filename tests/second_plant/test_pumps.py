"""The pumps of the second plant at rest, at a steady jet and dead-headed."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from second_plant.machine import FULL, KINDS, draw
from second_plant.pumps import TICK, TOLD, run
from second_plant.water import DENSITY, PRESSED, jet_flux, load, lookup

WATER = load()
OPEN, CLOSED = slice(900, 1500), slice(2400, 3000)  # ticks at the end of 150 s each


def bench(kind, *, closed=None, area=1.0, leak=None, seconds=300, machine=None, **also):
    """A machine whose head is open for 150 s and closed from then on; no noise, no loss of line."""
    unit = machine or draw(kind, 3, WATER, closed=closed)
    told = np.zeros(seconds * 10, TOLD).view(np.recarray)
    told.on, told.target, told.preset, told.motor, told.reading = True, FULL, 1.0, 1.0, 1.0
    told.valves[:1500, 0] = 1
    told.area[:, 0] = area * unit.jewels[0].area
    told.seals = unit.seal_leak if leak is None else leak
    told.filling, told.feed = unit.fill, 15.0
    for name, value in also.items():
        told[name] = value
    line = unit.line._replace(by_pressure=0.0)
    return unit, run(WATER, line, told, unit.pump, np.random.default_rng(0))


def rate(trace, span):
    """Turns or strokes a second over whole strokes where there are any."""
    ends = trace.stroke_times[
        (trace.stroke_times > span.start * TICK) & (trace.stroke_times <= span.stop * TICK)
    ]
    if ends.size > 4:
        n = (ends.size - 1) // 2 * 2
        return n / (ends[n] - ends[0])
    turns = trace.ticks.turns
    return (turns[span.stop - 1] - turns[span.start]) / ((span.stop - 1 - span.start) * TICK)


def a_second(values, span):
    return float(values[span].sum() / ((span.stop - span.start) * TICK))


@pytest.mark.parametrize("kind", KINDS)
def test_what_goes_in_comes_out_or_stays(kind):
    _, trace = bench(kind)
    t = trace.ticks
    out = t.jets[1:].sum() + t.leaked[1:].sum() + t.spilled[1:].sum()
    assert t.intake[1:].sum() == pytest.approx(out + t.stored[-1] - t.stored[0], rel=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_the_jet_is_that_of_the_area_at_the_pressure(kind):
    unit, trace = bench(kind)
    pressure = trace.ticks.pressure[OPEN]
    flux = np.mean([jet_flux(WATER, p, 22.0) for p in pressure])
    jet = a_second(trace.ticks.jets[:, 0], OPEN)
    assert jet == pytest.approx(unit.jewels[0].area * flux, rel=2e-3)


@pytest.mark.parametrize("kind", ["intensifier", "servo", "regulated"])
def test_a_tenth_more_area_takes_a_tenth_more_strokes(kind):
    """But for what leaks: strokes go with all the water, area only with the jet."""
    _, before = bench(kind)
    _, after = bench(kind, area=1.1)
    jet, leak = a_second(before.ticks.jets[:, 0], OPEN), a_second(before.ticks.leaked, OPEN)
    expected = 1 + 0.1 * jet / (jet + leak)
    assert rate(after, OPEN) / rate(before, OPEN) == pytest.approx(expected, rel=6e-3)
    ratio = after.ticks.pressure[OPEN].mean() / before.ticks.pressure[OPEN].mean()
    assert ratio == pytest.approx(1, abs=6e-3)


@pytest.mark.parametrize("area", [1.0, 1.1])
def test_a_floating_pump_makes_the_pressure_at_which_the_water_balances(area):
    unit, trace = bench("floating", closed="holds", area=area)
    pump, speed = unit.pump, rate(trace, OPEN)

    def surplus(p):
        loose, pressed = lookup(WATER, DENSITY, 0, 15), lookup(WATER, PRESSED, p, 15)
        taken = loose * (pump.swept + pump.dead) * unit.fill - pressed * pump.dead
        leak = unit.seal_leak * (p / FULL) ** unit.line.exponent
        holes = area * unit.jewels[0].area + unit.line.seat
        return 3 * speed * taken - leak - holes * jet_flux(WATER, p, 22)

    expected = brentq(surplus, 50e6, 600e6)
    assert trace.ticks.pressure[OPEN].mean() == pytest.approx(expected, rel=3e-3)


def test_a_tenth_more_area_costs_a_floating_pump_a_sixth_of_its_pressure():
    """Without compression it would be 1 - 1/1.1² = 17 %; looser water fills the gap a little."""
    _, before = bench("floating", closed="holds")
    _, after = bench("floating", closed="holds", area=1.1)
    fall = 1 - after.ticks.pressure[OPEN].mean() / before.ticks.pressure[OPEN].mean()
    assert 0.13 < fall < 0.175


@pytest.mark.parametrize("kind", ["intensifier", "servo"])
def test_a_dead_headed_piston_creeps_as_its_seals_leak(kind):
    unit, trace = bench(kind, seconds=900)
    span = slice(3000, 9000)
    creep = rate(trace, span)
    pump = unit.pump
    p = trace.ticks.pressure[span].mean()
    stroke = lookup(WATER, PRESSED, p, 15.0) * pump.area * pump.stroke
    leak = unit.seal_leak * (p / FULL) ** unit.line.exponent
    seat = unit.line.seat * jet_flux(WATER, p, 22.0)
    assert 0 < creep < 0.1 * rate(trace, OPEN)
    # The stroke's beginning, when its water is still being pressed, is quick and hardly leaks.
    pressing = 1 - lookup(WATER, DENSITY, 0, 15.0) / lookup(WATER, PRESSED, p, 15.0)
    assert creep == pytest.approx((leak + seat) / stroke / (1 - pressing), rel=0.08)
    assert FULL < p < 1.03 * FULL


def test_a_dead_headed_piston_with_a_torn_seal_creeps_faster():
    _, sound = bench("intensifier", seconds=600)
    hole = 0.1 * draw("intensifier", 3, WATER).one_jet
    _, torn = bench("intensifier", seconds=600, leak=hole)
    assert rate(torn, slice(2400, 6000)) > 2 * rate(sound, slice(2400, 6000))


def test_one_side_that_leaks_is_the_one_that_is_quicker():
    unit = draw("intensifier", 3, WATER)
    told_leak = np.array([unit.seal_leak + 0.1 * unit.one_jet, unit.seal_leak])
    even = replace(unit, pump=unit.pump._replace(difference=0.0))
    _, trace = bench("intensifier", machine=even, leak=told_leak)
    lasted = np.diff(trace.stroke_times)
    late = (trace.stroke_times[1:] > 90) & (trace.stroke_times[1:] < 150)
    left = lasted[late & (trace.stroke_sides[1:] == 0)].mean()
    right = lasted[late & (trace.stroke_sides[1:] == 1)].mean()
    assert left / right == pytest.approx(0.91, abs=0.03)


def test_a_floating_pump_turns_on_while_its_line_holds():
    _, trace = bench("floating", closed="holds")
    t = trace.ticks
    assert rate(trace, CLOSED) == pytest.approx(rate(trace, OPEN), rel=0.03)
    assert 0.8 * t.pressure[1400] < t.pressure[2900] < 1.12 * FULL
    assert t.spilled[CLOSED].sum() == pytest.approx(t.intake[CLOSED].sum(), rel=1e-6)


def test_a_floating_pump_turns_on_while_its_line_is_dumped():
    _, trace = bench("floating", closed="falls")
    assert rate(trace, CLOSED) == pytest.approx(rate(trace, OPEN), rel=0.05)
    assert 1e6 < trace.ticks.pressure[CLOSED].mean() < 30e6


def test_a_regulated_pump_nearly_stands_still_dead_headed():
    _, trace = bench("regulated", closed="creeps", seconds=600)
    assert 0 <= rate(trace, slice(5000, 6000)) < 0.1 * rate(trace, OPEN)
    assert trace.ticks.pressure[5000:].min() > 0.95 * FULL


def test_a_regulated_pump_with_a_least_speed_spills_by_its_bypass():
    unit, trace = bench("regulated", closed="minimum")
    least = unit.pump.least * unit.pump.full_speed
    assert rate(trace, CLOSED) == pytest.approx(least, rel=0.03)
    assert trace.ticks.spilled[CLOSED].sum() > 0.5 * trace.ticks.intake[CLOSED].sum()


def test_a_regulated_pump_holds_what_its_transducer_shows():
    _, trace = bench("regulated", reading=1.04)
    assert trace.ticks.pressure[OPEN].mean() == pytest.approx(FULL / 1.04, rel=5e-3)


def test_a_slipping_belt_slows_a_floating_crank_and_not_its_motor():
    _, before = bench("floating")
    _, after = bench("floating", slip=0.05)
    assert rate(after, OPEN) / rate(before, OPEN) == pytest.approx(0.95, abs=0.004)
    assert after.ticks.motor[OPEN].mean() == pytest.approx(
        before.ticks.motor[OPEN].mean(), rel=5e-3
    )


def test_a_bypass_that_leaks_takes_as_much_as_its_hole():
    unit = draw("regulated", 3, WATER)
    hole = 0.08 * unit.jewels[0].area
    _, trace = bench("regulated", bleed=hole)
    jets, spilled = a_second(trace.ticks.jets[:, 0], OPEN), a_second(trace.ticks.spilled, OPEN)
    assert spilled / jets == pytest.approx(0.08, rel=0.01)


def test_starved_chambers_take_more_strokes():
    unit, before = bench("intensifier")
    _, after = bench("intensifier", filling=unit.fill - 0.06)
    assert 1.06 < rate(after, OPEN) / rate(before, OPEN) < 1.09


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("cause", ["head", "seat", "bypass", "check valve"])
def test_a_line_drains_as_the_water_in_it_expands(kind, cause):
    """Time between two pressures: the integral of V dρ over what leaks, at one temperature."""
    own = draw(kind, 3, WATER, closed={"floating": "holds", "regulated": "minimum"}.get(kind))
    hole = 0.02 * own.one_jet / jet_flux(WATER, FULL, 15.0)
    seat = hole if cause in ("seat", "head") else 0.0
    line = own.line._replace(cooling=1.0, by_pressure=0.0, seat=seat, volume=5e-3)
    on, valves = np.zeros((2, 12_000), bool)
    on[:900], valves[: None if cause == "head" else 890] = True, True
    _, trace = bench(
        kind,
        machine=replace(own, line=line),
        seconds=1200,
        on=on,
        valves=np.outer(valves, [1, 0, 0, 0]),
        bleed=hole if cause == "bypass" else 0.0,
        back=hole if cause == "check valve" else 0.0,
    )
    plungers = 1.0 if kind in ("intensifier", "servo") else 1.5  # seals under pressure, on the mean

    def flow(p):
        ideal = jet_flux(WATER, p, 15.0)
        if cause == "check valve":
            seal = own.seal_leak / plungers
            return brentq(lambda q: _chamber(p, q, hole * ideal) - _behind(p, q, seal, line), 0, 1)
        return (hole + (own.jewels[0].area if cause == "head" else 0.0)) * ideal

    pressure = trace.ticks.pressure[960:]
    assert np.all(np.diff(pressure) <= 0)
    assert trace.ticks.speed[960:].max() < 1e-3
    high, low = pressure[0], max(0.5 * pressure[0], pressure[-1])
    grid = np.linspace(low, high, 2001)
    middle = (grid[1:] + grid[:-1]) / 2
    masses = line.volume * np.diff([lookup(WATER, DENSITY, p, 15.0) for p in grid])
    expected = np.sum(masses / np.array([flow(p) for p in middle]))
    lasted = np.interp(-low, -pressure, np.arange(pressure.size) * TICK)
    assert lasted == pytest.approx(expected, rel=0.01)
    assert low < 0.95 * high


def _chamber(line_pressure, flow, most):
    """Pressure, Pa, behind a hole that would pass `most` into the open air."""
    return line_pressure * (1 - (flow / most) ** 2)


def _behind(line_pressure, flow, seal, line):
    """Pressure, Pa, at which a seal lets that flow out."""
    return line.reference * (flow / seal) ** (1 / line.exponent)


@pytest.mark.parametrize("kind", KINDS)
def test_a_line_with_tight_valves_stands_and_so_does_one_with_a_tight_seal(kind):
    own = draw(kind, 3, WATER, closed={"floating": "holds", "regulated": "minimum"}.get(kind))
    machine = replace(own, line=own.line._replace(cooling=1.0, seat=0.0))
    on = np.arange(6000) < 900
    valves = np.outer(np.arange(6000) < 890, [1, 0, 0, 0])
    hole = 0.08 * own.one_jet / jet_flux(WATER, FULL, 15.0)
    for also in ({"back": 0.0, "leak": 10 * own.seal_leak}, {"back": hole, "leak": 0.0}):
        _, trace = bench(kind, machine=machine, seconds=600, on=on, valves=valves, **also)
        assert trace.ticks.pressure[-1] == pytest.approx(trace.ticks.pressure[1000], rel=1e-6)
        assert trace.ticks.pressure[-1] > 0.5 * FULL

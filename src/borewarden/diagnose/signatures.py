"""What each cause does to each feature.

A cause is a set of hypotheses (how bad, which side, how a leak grows with pressure). Each one says
what every feature would show, as a mean and a spread in the unit of `FEATURES`. Means follow from
the physics of `borewarden.physics`. Unless a line says otherwise, spreads, grids and weights are
invented.

References
----------
.. [1] Orifice equation (Bernoulli): flow goes as effective area times the root of pressure.
.. [2] Plane Poiseuille flow: a laminar gap's flow goes as pressure, and as the cube of the gap.
   Textbook; value from memory.
.. [3] IAPWS R6-95, "IAPWS Formulation 1995": water throttled at constant enthalpy.

"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.diagnose.causes import AT_STOP, PRIOR, USUAL_AT_STOP, Cause, possible_causes
from borewarden.diagnose.feature_table import (
    AREA,
    BOOST,
    BYPASS,
    FALL,
    FEATURES,
    FLOOR,
    IDLE,
    LOAD,
    LOW_AREA,
    PRESSURE,
    RIPPLE,
    RISE,
    SCATTER,
    SHUT,
    SIDES,
    SLIP,
    VALVES,
    WEEP,
    WIDE,
    ZERO,
    Floats,
)
from borewarden.physics.orifice import STOCK_BORES_INCH, bore_area

INCH = 0.0254  # m, exact
ROOT = 0.5  # exponent of pressure in the jet's flow; source: [1]


class PerPump(NamedTuple):
    """A figure that differs between the two kinds of pump."""

    intensifier: float
    direct_drive: float


class Sign(NamedTuple):
    """What a feature shows: mean and standard deviation, in the unit of `FEATURES`."""

    mean: float
    spread: float


# -- how bad

# Relative change of area, or of what a fault adds to or takes from the flow; invented.
CHIPPED = np.geomspace(0.015, 0.3, 14)
BROKEN = (0.4, 2.5)  # growth of the effective area once most of the jewel is gone
GONE = np.geomspace(*BROKEN, 8)
BREAKS = 0.02  # share of chips at which most of the jewel goes
PLUGGED = np.geomspace(0.015, 0.7, 14)
GROWTH = np.geomspace(0.015, 0.4, 12)
DRIFTS = np.concatenate([-np.geomspace(0.015, 0.2, 9), np.geomspace(0.015, 0.2, 9)])

# Spread between the points of these grids, relative to the change; invented.
BETWEEN_POINTS = 0.15
BETWEEN_DRIFTS = 0.12  # as it shows in the area
CLOSER_CHIPPED, WIDER_GONE = 0.7, 1.3  # times BETWEEN_POINTS: finer and coarser grids

# -- the jet's own area

# Pulsation: ln of pressure flutter over ln of area. A log of an intensifier catches its reversals
# by chance. Depends on attenuator, sensor and log; invented.
FLUTTER = PerPump(1.7, 1.4)
FLUTTER_SPREAD = PerPump(1.2, 0.6)  # the same, standard deviation
FLUTTER_FLOOR = PerPump(0.1, 0.07)  # ln of flutter

# -- the line's own mass balance, see `borewarden.gate.swing`

# A transducer's mean and the log's own interval show less of a quick fall than there is: mean share
# of a change, and the standard deviation of it. Invented.
FALL_SHOWS, FALL_SPREAD = 0.85, 0.25
# A rise ends at another pressure, too, where that floats: mean share of a change, and the standard
# deviation of it. Invented.
RISE_SHOWS, RISE_SPREAD = 0.9, 0.4
# A leak takes less while the pressure is low, so what is fed brings the line up quicker than the
# steady jet lets one expect. In ln of the rate over the leak's share, by the mass balance with
# exponents of 1 to 2; the spread is invented.
LEAK_LIFTS, LEAK_LIFTS_SPREAD = 1.6, 0.5
# Part of a check valve's or a bypass valve's leak that goes on without the pump, where nobody
# knows what lies behind: mean and standard deviation of anything between 0 and 1.
GOES_ON, GOES_ON_SPREAD = 0.5, 0.29
UNREAD_SLIP_SPREAD, FEED_LIFTS_SPREAD = 1.0, 0.5  # of a rise, relative; invented
SHIFTED_FALL = -0.7  # ln of the rate over a shift of the reading: the flux at mid-pressure
DRIFT_FALL_SPREAD, DRIFT_RISE_SPREAD = 0.3, 0.7  # relative; invented

# -- another jet or another jewel

SECOND_JET = (0.4, 2.2)  # area of a second jewel over that of the first, from and to; invented
STAYS_OPEN = (0.0, 0.0, 1.0)  # one second head in three, while the first is closed; invented
SECOND_AREA_SPREAD, SECOND_LOW_AREA_SPREAD = 0.05, 0.08  # ln of area; invented
SECOND_IDLE_SPREAD = 0.1  # relative to the flow; invented
NEIGHBOUR = 2.6e-3 * INCH  # m; how far off another jewel's stock bore may be; invented
SAME_BORE = 1e-6  # m; closer than that it is the same bore; invented
SAME_AGAIN = 0.2  # of jewels that nobody recorded are of the same bore again; invented
OTHER_AREA_SPREAD, OTHER_LOW_AREA_SPREAD = 0.04, 0.05  # ln of C_d of two jewels; invented

# -- a leak

LEAK_EXPONENTS = (1.0, 2.0, 3.0)  # of pressure: [2], and a gap that pressure widens; invented
SEAL, CHECK_VALVE, HOT_CHECK_VALVE = 0.0, 1.0, 2.0  # place; the last got hot while dead-headed
LEFT, BOTH, RIGHT = -1.0, 0.0, 1.0  # side of an intensifier
SIDES_OF_AN_INTENSIFIER = 2.0  # one side that leaks `share` of the flow shows it twice; geometry
LEAK_SIDES_SPREAD = 0.2  # relative; invented
# Leak while dead-headed over leak while cutting; 0: other plungers, or a crank that turns all the
# same. Only a pump that holds its pressure then shows it. Invented.
DEAD_HEADED = (0.0, 0.7, 1.4)
LEAK_IDLE_SPREAD = 0.3  # relative; invented
OTHER_PLACES = PerPump(0.5, 1.0)  # odds of each check-valve place over those of a seal; invented
LEAK_SCATTER_SPREAD = 0.3  # ln of stroke scatter; invented
LEAK_FLUTTER = Sign(0.2, 0.4)  # ln of flutter of an intensifier; invented
# Pulsation from a leak of one plunger, over that leak's share of the flow, in the pressure's own
# scatter before: by the volume of the attenuator and how quiet the reading was. Invented.
PULSES = (1.0, 4.0, 12.0)
LEAK_FLUTTER_FLOOR = 0.1  # ln of flutter of a crank pump; invented

# -- heat of a leak

THROTTLED = 65.0  # K, water throttled from 400 MPa; source: [3], 60 to 80 K
# Flow that loses all its heat on the way to the sensor, as a share of the working flow: the line
# hangs in the room. A little leak arrives cool, a large one hot. From and to; invented.
COOLED = np.geomspace(0.005, 0.3, 7)
DRAIN_SPREAD = 0.35  # relative, of its rise: pressure, line and sensor; invented
# Plungers: a chamber's leak over its own delivery is so many times `share`. Two sides of an
# intensifier; three plungers of a crank pump (common practice, no source).
CHAMBERS = PerPump(2.0, 3.0)
MIXED_SPREAD = 0.4  # relative, of a check valve's rise; invented

# -- transducer, feed, slip

SHIFTED = (0.0, 0.5, 1.0)  # part of a drift that is a shift, the rest a wrong gain; invented
FEED_BOOST = (-0.1, -0.3, -0.8)  # ln of feed pressure; invented
FEED_BOOST_SPREAD = 0.5  # relative; invented
FEED_AT_LOW_PRESSURE = (0.0, 0.5, 1.0)  # of the change at working pressure; invented
FEED_LOW_AREA_FLOOR, FEED_LOW_AREA_SPREAD = 0.02, 0.3  # ln of area; relative; invented
FEED_LOAD_SPREAD = 0.6  # relative, of the torque; invented
FEED_SCATTER = Sign(1.2, 0.7)  # ln of stroke scatter of an intensifier; invented
FEED_SCATTER_SPREAD = 0.3  # ln of scatter of a crank pump, which turns as it did; invented
FEED_FLUTTER = Sign(0.5, 0.5)  # ln of flutter; invented
FEED_SIDES_SPREAD = 0.02  # ln of left over right stroke time; invented
THROUGH_BYPASS = (0.0, 1.0)  # its leak while dead-headed over that while cutting; invented
CRANK_READ = (0.0, 1.0)  # the crank has a speed sensor of its own, or not; equal odds, invented
SLIP_AT_LOW_PRESSURE = 0.7  # of the change at working pressure; invented
SLIP_LOW_AREA_SPREAD = 0.3  # relative; invented

# Friction takes its share of a crank pump's torque: ln of load, and relative to ln of area.
# Invented.
FRICTION, FRICTION_WITH_AREA = 0.01, 0.1

CACHED_SIGNATURES = 512  # sets kept; an event asks for the same few again and again
NO_AXIS = (0.0,)  # of a grid, where the kind of pump has no such thing


class Circumstances(NamedTuple):
    """What else bears on the cause.

    Parameters
    ----------
    is_intensifier
        Intensifier, else direct drive.
    at_stop
        The event falls together with a stop of the machine.
    stop_chance
        How probable that is for a cause that has nothing to do with stops (0 to 1).
    pierce_ratio
        Pressure of low-pressure pierces over working pressure (dimensionless).
    bore
        Stated bore (m).
    heated
        Share of a leak's heat that has come through by now (0 to 1).
    ramp
        Log likelihood ratio of a change over minutes over one at once; 0 where nobody knows.
    pace
        Log likelihood of each of `borewarden.detect.shape.PACES`; None where it did not go slowly.

    """

    is_intensifier: bool
    at_stop: bool
    pierce_ratio: float
    bore: float
    heated: float = 1.0
    ramp: float = 0.0
    pace: Floats | None = None
    stop_chance: float = USUAL_AT_STOP


class Hypotheses(NamedTuple):
    """The hypotheses of one cause, in the units of `FEATURES`."""

    mean: Floats  # (hypotheses, features)
    spread: Floats  # (hypotheses, features), standard deviation
    weight: Floats | None = None  # (hypotheses,), sum 1; None: all equally likely


class Signatures(NamedTuple):
    """All hypotheses of all causes that one kind of pump can have, cause after cause."""

    causes: tuple[Cause, ...]
    first: NDArray[np.intp]  # (causes,), first hypothesis of each
    mean: Floats  # (hypotheses, features)
    spread: Floats  # (hypotheses, features)
    weight: Floats  # (hypotheses,), prior odds of the cause included
    at_stop: Floats  # (causes,), least share of it that begins at a stop


@lru_cache(maxsize=CACHED_SIGNATURES)
def signatures_of(is_intensifier: bool, pierce_ratio: float, bore: float) -> Signatures:
    """Return the signatures of every possible cause; arguments as in `Circumstances`."""
    circumstances = Circumstances(is_intensifier, False, pierce_ratio, bore)
    possible = possible_causes(is_intensifier)
    weighed = {cause: _SIGNATURES[cause](circumstances) for cause in possible}
    # no stock bore is near the area of three or four heads: that can't be the cause then
    weighed = {cause: each for cause, each in weighed.items() if len(each.mean)}
    causes, made = tuple(weighed), list(weighed.values())
    if not is_intensifier:
        for mean, spread, _ in made:
            friction = FRICTION + FRICTION_WITH_AREA * np.abs(mean[:, AREA])
            spread[:, LOAD] = np.hypot(spread[:, LOAD], friction)
    counts = [len(mean) for mean, _, _ in made]
    return Signatures(
        causes,
        np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.intp),
        # each feature in one piece, as it is weighed
        np.asfortranarray(np.concatenate([mean for mean, _, _ in made])),
        np.asfortranarray(np.concatenate([spread for _, spread, _ in made])),
        np.concatenate(
            [
                PRIOR[cause] * (np.full(n, 1.0 / n) if w is None else w)
                for cause, n, (_, _, w) in zip(causes, counts, made, strict=True)
            ]
        ),
        np.array([AT_STOP[cause] for cause in causes]),
    )


def _unchanged(count: int) -> Hypotheses:
    """So many hypotheses that move nothing, each feature as sure as its floor."""
    mean = np.zeros((count, len(FEATURES)))
    return Hypotheses(mean, np.tile(FLOOR, (count, 1)))


def _grid(*axes: Floats | tuple[float, ...]) -> list[Floats]:
    """Every combination of the points of `axes`, one flat array for each axis."""
    return [axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")]


def _show(made: Hypotheses, feature: int, mean: Floats | float, spread: Floats | float) -> None:
    """Set what `feature` shows."""
    made.mean[:, feature] = mean
    made.spread[:, feature] = spread


def _over_floor(feature: int, spread: Floats) -> Floats:
    """A spread on top of the floor of `feature`."""
    wider: Floats = np.hypot(FLOOR[feature], spread)
    return wider


def _for_pump(figure: PerPump, c: Circumstances) -> float:
    return figure.intensifier if c.is_intensifier else figure.direct_drive


def _stock_bores() -> Floats:
    return np.array(STOCK_BORES_INCH) * INCH


def _area_change(growth: Floats, c: Circumstances) -> Hypotheses:
    """The jet's own area changes, alike at every pressure; pressure flutter follows it."""
    made = _unchanged(len(growth))
    change = np.log1p(growth)
    spread = BETWEEN_POINTS * np.abs(change)
    _show(made, AREA, change, spread)
    _show(made, LOW_AREA, change, _over_floor(LOW_AREA, spread))
    more = np.maximum(change, 0.0)  # more flow or less pressure, more pulsation
    flutter = np.hypot(_for_pump(FLUTTER_FLOOR, c), _for_pump(FLUTTER_SPREAD, c) * more)
    _show(made, RIPPLE, _for_pump(FLUTTER, c) * more, flutter)
    _show(made, FALL, FALL_SHOWS * change, _over_floor(FALL, FALL_SPREAD * np.abs(change)))
    _show(made, RISE, RISE_SHOWS * change, _over_floor(RISE, RISE_SPREAD * np.abs(change)))
    return made


def _bore(c: Circumstances) -> Hypotheses:
    """A chip or wear; now and then most of the jewel is gone."""
    made = _area_change(np.concatenate([CHIPPED, GONE]), c)
    chips, gone = len(CHIPPED), len(GONE)
    made.spread[:chips, AREA] *= CLOSER_CHIPPED
    made.spread[chips:, AREA] *= WIDER_GONE
    return made._replace(
        weight=np.concatenate(
            [np.full(chips, (1.0 - BREAKS) / chips), np.full(gone, BREAKS / gone)]
        )
    )


def _blocked(c: Circumstances) -> Hypotheses:
    """Less area, alike at every pressure."""
    return _area_change(-PLUGGED, c)


def _second_head(c: Circumstances) -> Hypotheses:
    """Another jet of about the same size; it may stay open when the first one closes."""
    areas = np.asarray(bore_area(_stock_bores()) / bore_area(c.bore))
    smallest, largest = SECOND_JET
    share, stays_open = _grid(areas[(areas > smallest) & (areas < largest)], STAYS_OPEN)
    made = _area_change(share, c)
    made.spread[:, AREA] = SECOND_AREA_SPREAD
    made.spread[:, LOW_AREA] = SECOND_LOW_AREA_SPREAD
    idle = stays_open * share
    _show(made, IDLE, idle, _over_floor(IDLE, SECOND_IDLE_SPREAD * idle))
    return made


def _other_bore(c: Circumstances) -> Hypotheses:
    """A jewel of a neighbouring stock bore, or another one of the same."""
    bores = _stock_bores()
    off = np.abs(bores - c.bore)
    near = bores[(off < NEIGHBOUR) & (off > SAME_BORE)]
    if len(near) == 0:
        return _area_change(near, c)
    areas = np.asarray(bore_area(np.append(near, c.bore)) / bore_area(c.bore))
    made = _area_change(areas - 1.0, c)
    made.spread[:, AREA] = OTHER_AREA_SPREAD
    made.spread[:, LOW_AREA] = OTHER_LOW_AREA_SPREAD
    share = np.append(np.full(len(near), (1.0 - SAME_AGAIN) / len(near)), SAME_AGAIN)
    return made._replace(weight=share)


def _leak(c: Circumstances) -> Hypotheses:
    """A leak feeds on pressure, jet or no jet.

    An intensifier leaks on one side or on both. On a crank pump the one plunger that leaks makes
    the pressure pulsate.
    """
    on_intensifier = c.is_intensifier
    share, exponent, place, side, dead_headed, pulse = _grid(
        GROWTH,
        LEAK_EXPONENTS,
        (SEAL, CHECK_VALVE, HOT_CHECK_VALVE) if on_intensifier else (SEAL, CHECK_VALVE),
        (LEFT, BOTH, RIGHT) if on_intensifier else NO_AXIS,
        DEAD_HEADED,
        NO_AXIS if on_intensifier else PULSES,
    )
    made = _unchanged(len(share))
    change = np.log1p(share)
    _show(made, AREA, change, BETWEEN_POINTS * change)
    low = np.log1p(share * c.pierce_ratio ** (exponent - ROOT))  # leak over jet at low pressure
    _show(made, LOW_AREA, low, _over_floor(LOW_AREA, BETWEEN_POINTS * low))
    idle_spread = _over_floor(IDLE, LEAK_IDLE_SPREAD * share * dead_headed)
    _show(made, IDLE, share * dead_headed, idle_spread)
    # the leaking side has the shorter stroke
    sides = side * np.log1p(SIDES_OF_AN_INTENSIFIER * share)
    _show(made, SIDES, sides, _over_floor(SIDES, LEAK_SIDES_SPREAD * np.abs(sides)))
    _heat_of_a_leak(made, share, place, c)
    _show(made, RISE, LEAK_LIFTS * share, _over_floor(RISE, LEAK_LIFTS_SPREAD * share))
    # the water of a seal is the chamber's; what a check valve lets back is the line's
    _empties_the_line(made, np.where(place == SEAL, 0.0, share))
    made.spread[:, SCATTER] = LEAK_SCATTER_SPREAD
    if on_intensifier:
        _show(made, RIPPLE, *LEAK_FLUTTER)
    else:
        # as of a larger jet, and the plunger's own on top, uncorrelated with what was there
        pulsation = 0.5 * np.log1p((pulse * share) ** 2)  # ln of a root sum of squares
        spread = np.hypot(LEAK_FLUTTER_FLOOR, FLUTTER_SPREAD.direct_drive * share)
        _show(made, RIPPLE, FLUTTER.direct_drive * share + pulsation, spread)
    weight = np.where(place == SEAL, 1.0, _for_pump(OTHER_PLACES, c))
    return made._replace(weight=weight / weight.sum())


def _empties_the_line(made: Hypotheses, share: Floats) -> None:
    """`share` of the working flow may leave the line while nothing is fed, all of it or none."""
    part, unsure = GOES_ON * share, GOES_ON_SPREAD * share
    _show(made, FALL, np.log1p(part), _over_floor(FALL, unsure))
    _show(made, SHUT, part, _over_floor(SHUT, unsure))


def _heat_of_a_leak(made: Hypotheses, share: Floats, place: Floats, c: Circumstances) -> None:
    """Throttled from hundreds of MPa, a seal's leak comes out hot at the weep line.

    A check valve's leak stays inside and mixes with what that chamber delivers, which is nothing
    else while dead-headed.
    """
    at_seal = place == SEAL
    rise, spread = _drain_rise(share)
    floor = made.spread[:, WEEP]
    _show(
        made, WEEP, np.where(at_seal, rise, 0.0), np.where(at_seal, np.hypot(floor, spread), floor)
    )
    own = _for_pump(CHAMBERS, c) * share
    mixed = THROTTLED * own / (1.0 + own)
    at_valve = [place == CHECK_VALVE, place == HOT_CHECK_VALVE]
    floor = made.spread[:, VALVES]
    _show(
        made,
        VALVES,
        np.select(at_valve, [mixed, np.maximum(rise, mixed)]),
        np.select(
            at_valve, [np.hypot(floor, MIXED_SPREAD * mixed), np.hypot(floor, spread)], floor
        ),
    )


def _drain_rise(share: Floats) -> tuple[Floats, Floats]:
    """Rise of a drain line that `share` of the working flow leaks into, K, and its spread.

    Leak and room mix in proportion, as heat is balanced: leak / (leak + `COOLED`) of the rise of
    throttled water arrives.
    """
    arrives = share[:, None] / (share[:, None] + COOLED)
    rise: Floats = THROTTLED * arrives.mean(axis=1)
    spread: Floats = np.hypot(THROTTLED * arrives.std(axis=1), DRAIN_SPREAD * rise)
    return rise, spread


def _transducer(c: Circumstances) -> Hypotheses:
    """The reading is off by a factor, or by a shift that also shows while stopped."""
    drift, shifted = _grid(DRIFTS, SHIFTED)
    size = np.abs(drift)
    made = _unchanged(len(drift))
    # the area is computed from the root of the reading
    _show(made, AREA, -ROOT * drift, BETWEEN_DRIFTS * size)
    low = drift * (shifted / c.pierce_ratio + 1.0 - shifted)
    _show(made, LOW_AREA, -ROOT * low, _over_floor(LOW_AREA, BETWEEN_DRIFTS * np.abs(low)))
    _show(made, ZERO, shifted * drift, _over_floor(ZERO, BETWEEN_POINTS * shifted * size))
    gain = 1.0 - shifted
    fall = drift * (ROOT * gain + SHIFTED_FALL * shifted)
    _show(made, FALL, fall, _over_floor(FALL, DRIFT_FALL_SPREAD * size))
    _show(made, RISE, 0.0, _over_floor(RISE, DRIFT_RISE_SPREAD * size))
    # oil pressure and torque know the true pressure
    _show(made, LOAD, drift, _over_floor(LOAD, BETWEEN_POINTS * size))
    if c.is_intensifier:  # its oil side holds the pressure that the reading shows
        _show(made, PRESSURE, drift, _over_floor(PRESSURE, BETWEEN_POINTS * size))
    return made


def _feed(c: Circumstances) -> Hypotheses:
    """The plungers do not fill: less water for each stroke or turn, at a lower feed pressure."""
    share, boost, at_low_pressure = _grid(GROWTH, FEED_BOOST, FEED_AT_LOW_PRESSURE)
    made = _unchanged(len(share))
    change = np.log1p(share)
    _show(made, AREA, change, BETWEEN_POINTS * change)
    low_spread = np.hypot(FEED_LOW_AREA_FLOOR, FEED_LOW_AREA_SPREAD * change)
    _show(made, LOW_AREA, at_low_pressure * change, low_spread)
    _show(made, BOOST, boost, np.abs(boost) * FEED_BOOST_SPREAD)
    if c.is_intensifier:
        _show(made, SCATTER, *FEED_SCATTER)
    else:  # a plunger that is not full takes less torque; the crank turns as before
        _show(made, LOAD, share, _over_floor(LOAD, FEED_LOAD_SPREAD * share))
        made.spread[:, SCATTER] = FEED_SCATTER_SPREAD
    _show(made, RIPPLE, *FEED_FLUTTER)
    _show(made, RISE, 0.0, _over_floor(RISE, FEED_LIFTS_SPREAD * share))
    made.spread[:, SIDES] = FEED_SIDES_SPREAD
    return made


def _slip(c: Circumstances) -> Hypotheses:
    """The crank turns less than the motor: seen in their ratio, or else as a larger area."""
    slip, crank_read = _grid(GROWTH, CRANK_READ)
    has_sensor = crank_read > 0.0
    made = _unchanged(len(slip))
    area = np.where(has_sensor, 0.0, np.log1p(slip))
    _show(made, AREA, area, _over_floor(AREA, BETWEEN_POINTS * area))
    low_spread = _over_floor(LOW_AREA, SLIP_LOW_AREA_SPREAD * area)
    _show(made, LOW_AREA, SLIP_AT_LOW_PRESSURE * area, low_spread)
    _show(made, RISE, 0.0, _over_floor(RISE, UNREAD_SLIP_SPREAD * area))
    ratio = np.where(has_sensor, -np.log1p(slip), 0.0)
    _show(made, SLIP, ratio, _over_floor(SLIP, BETWEEN_POINTS * np.abs(ratio)))
    return made


def _bypass(c: Circumstances) -> Hypotheses:
    """Another hole at the same pressure: area grows as if the bore had, and the line gets hot.

    It is there while dead-headed, too, unless the closed jet's water goes through it anyway.
    """
    share, dead_headed = _grid(GROWTH, THROUGH_BYPASS)
    made = _area_change(share, c)
    rise, spread = _drain_rise(share)
    _show(made, BYPASS, rise, _over_floor(BYPASS, spread))
    idle = share * dead_headed
    _show(made, IDLE, idle, _over_floor(IDLE, BETWEEN_POINTS * idle))
    _show(made, SHUT, GOES_ON * share, _over_floor(SHUT, GOES_ON_SPREAD * share))
    return made


def _unknown(c: Circumstances) -> Hypotheses:
    """Anything at all, within the wide scale of each feature."""
    return Hypotheses(np.zeros((1, len(FEATURES))), WIDE[None, :].copy())


_SIGNATURES: dict[Cause, Callable[[Circumstances], Hypotheses]] = {
    Cause.BORE: _bore,
    Cause.LEAK: _leak,
    Cause.SECOND_HEAD: _second_head,
    Cause.BLOCKED: _blocked,
    Cause.TRANSDUCER: _transducer,
    Cause.FEED: _feed,
    Cause.SLIP: _slip,
    Cause.BYPASS: _bypass,
    Cause.OTHER_BORE: _other_bore,
    Cause.UNKNOWN: _unknown,
}

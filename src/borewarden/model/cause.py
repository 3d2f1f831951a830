"""Why did the water that the pump delivers change? A posterior over causes from their signatures.

Each cause is a set of equally likely hypotheses (how bad, which side, how a leak grows with
pressure), and each hypothesis says what every feature would show. What a machine does not measure
is left out, so the posterior says by itself whether what is measured can decide. Signatures follow
from the physics of `borewarden.physics`; their spreads and the prior weights are invented by this
project where no source is named.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.physics.orifice import STOCK_BORES_INCH, bore_area

Floats = NDArray[np.float64]


class Cause(Enum):
    """What can make the effective area seen by the pump change, in the words of the trade."""

    BORE = "bore opened up"
    LEAK = "plunger seal or check valve leaking"
    SECOND_HEAD = "second head or valve open"
    BLOCKED = "orifice or last-chance filter partly blocked"
    TRANSDUCER = "pressure transducer drifting"
    FEED = "feed starvation or air in the water"
    SLIP = "belt slip or change of drive speed"
    BYPASS = "bypass or relief valve leaking"
    OTHER_BORE = "another bore fitted without a record"
    UNKNOWN = "none of the causes known to the watcher"


class Shift(NamedTuple):
    """How each feature has changed since before the event, shape (FEATURES,), NaN if not known.

    `sd` is the standard uncertainty of `seen`.
    """

    seen: Floats
    sd: Floats


class Circumstances(NamedTuple):
    """What else bears on the cause.

    `at_stop`: the event falls together with a stop of the machine. `pierce_ratio` is the pressure
    of low-pressure pierces over the working pressure, `bore` the stated bore in m, `heated` the
    share of the heat of a leak that has come through by now.
    """

    is_intensifier: bool
    at_stop: bool
    pierce_ratio: float
    bore: float
    heated: float = 1.0


@dataclass(frozen=True)
class Belief:
    """One cause, how probable it is, and what speaks for and against it, in words."""

    cause: Cause
    probability: float
    evidence_for: tuple[str, ...] = ()
    evidence_against: tuple[str, ...] = ()


class _Feature(NamedTuple):
    name: str
    words: str
    show: Callable[[float], str]
    floor: float  # what the model or the sensor may be off by itself
    wide: float  # scale of a surprise that no cause explains


def _percent(value: float) -> str:
    return f"{100.0 * np.expm1(value):+.1f} %"


def _share(value: float) -> str:
    return f"{100.0 * value:+.1f} %"


def _kelvin(value: float) -> str:
    return f"{value:+.1f} K"


FEATURES = (
    _Feature("area", "effective area at working pressure", _percent, 0.005, 0.3),
    _Feature("low_area", "effective area at low pressure", _percent, 0.015, 0.3),
    _Feature("idle", "flow while dead-headed, of the working flow", _share, 0.006, 0.2),
    _Feature("pressure", "water pressure while cutting", _percent, 0.004, 0.1),
    _Feature("load", "pressure shown over oil pressure or motor torque", _percent, 0.004, 0.1),
    _Feature("boost", "feed pressure", _percent, 0.03, 0.5),
    _Feature("weep", "weep line above water temperature", _kelvin, 1.8, 20.0),
    _Feature("bypass", "bypass line above water temperature", _kelvin, 1.8, 20.0),
    _Feature("sides", "left over right stroke time", _percent, 0.008, 0.2),
    _Feature("slip", "crank over motor speed", _percent, 0.003, 0.1),
    _Feature("scatter", "scatter from stroke to stroke", _percent, 0.15, 1.0),
    _Feature("ripple", "scatter of the pressure", _percent, 0.1, 1.0),
    _Feature("zero", "pressure shown while stopped, of the working pressure", _share, 0.003, 0.05),
    _Feature("valves", "hottest check valve above water temperature", _kelvin, 1.8, 20.0),
)
NAMES = tuple(feature.name for feature in FEATURES)
AREA, LOW_AREA, IDLE, PRESSURE, LOAD, BOOST = (NAMES.index(n) for n in NAMES[:6])
WEEP, BYPASS, SIDES, SLIP, SCATTER, RIPPLE, ZERO, VALVES = (NAMES.index(n) for n in NAMES[6:])
_FLOOR = np.array([feature.floor for feature in FEATURES])
_WIDE = np.array([feature.wide for feature in FEATURES])
TOLD = 3  # causes whose evidence is put into words
# Share of readings that follow no hypothesis; the area raised the alarm, and is no odd sensor.
_SURPRISE = np.array([0.001 if feature.name == "area" else 0.005 for feature in FEATURES])

GROWTH = np.geomspace(0.015, 0.4, 12)  # relative, of what a fault adds to or takes from the flow
LEAK_EXPONENTS = (1.0, 2.0, 3.0)  # of pressure: a laminar gap, and one that the pressure widens
# Pulsation from a leak of one plunger, over that leak's share of the flow, in the pressure's own
# scatter before: by the volume of the attenuator and how quiet the reading was.
PULSES = (1.0, 4.0, 12.0)
DRIFTS = np.concatenate([-np.geomspace(0.015, 0.2, 9), np.geomspace(0.015, 0.2, 9)])
THROTTLED = 65.0  # K, water throttled from 400 MPa (IAPWS-95, isenthalpic: 60 to 80 K)
# K, of a drain line: how much of it cools on the way hangs on flow, line and sensor
DRAIN_RISE, DRAIN_SPREAD = 0.6 * THROTTLED, 0.35 * THROTTLED
HEAT_UNSURE = 0.4  # by how much of it the share of heat that shows may be off
BREAKS = 0.02  # share of chips at which most of the jewel goes; invented
BROKEN = (0.4, 2.5)  # growth of the effective area then

# Relative odds beforehand, per jet hour: invented; a jewel goes sooner than anything else.
PRIOR = {
    Cause.BORE: 20.0,
    Cause.LEAK: 4.0,
    Cause.SECOND_HEAD: 2.0,
    Cause.BLOCKED: 4.0,
    Cause.TRANSDUCER: 2.0,
    Cause.FEED: 3.0,
    Cause.SLIP: 1.0,
    Cause.BYPASS: 2.0,
    Cause.OTHER_BORE: 4.0,
    Cause.UNKNOWN: 0.2,
}
ONLY_DIRECT_DRIVE = frozenset({Cause.SLIP, Cause.BYPASS})
# How often each begins just at a stop: work is done on a stopped machine. Common practice, no
# source; the figures are invented.
AT_STOP = dict.fromkeys(Cause, 0.04) | {Cause.OTHER_BORE: 0.98, Cause.UNKNOWN: 0.2}


class _Hypotheses(NamedTuple):
    mean: Floats  # (hypotheses, features)
    spread: Floats
    weight: Floats | None = None  # (hypotheses,), if they are not equally likely


def _unchanged(count: int) -> _Hypotheses:
    mean = np.zeros((count, len(FEATURES)))
    return _Hypotheses(mean, np.tile(_FLOOR, (count, 1)))


def _grid(*axes: Floats | tuple[float, ...]) -> list[Floats]:
    return [axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")]


def _area_change(growth: Floats, c: Circumstances) -> _Hypotheses:
    """The jet's own area changes: alike at every pressure, and nothing else does."""
    made = _unchanged(len(growth))
    made.mean[:, AREA] = made.mean[:, LOW_AREA] = np.log1p(growth)
    made.spread[:, AREA] = 0.15 * np.abs(np.log1p(growth))  # between the points of the grid
    made.spread[:, LOW_AREA] = np.hypot(0.015, made.spread[:, AREA])
    # More flow or less pressure, more pulsation of it: by how much hangs on attenuator, sensor and
    # log. A log of an intensifier catches its reversals by chance.
    more = np.maximum(made.mean[:, AREA], 0.0)
    made.mean[:, RIPPLE] = (1.7 if c.is_intensifier else 1.4) * more
    made.spread[:, RIPPLE] = np.hypot(
        0.1 if c.is_intensifier else 0.07, (1.2 if c.is_intensifier else 0.6) * more
    )
    return made


def _bore(c: Circumstances) -> _Hypotheses:
    """A chip or wear; seldom is there nothing left of the jewel."""
    chipped, gone = np.geomspace(0.015, 0.3, 14), np.geomspace(*BROKEN, 8)
    made = _area_change(np.concatenate([chipped, gone]), c)
    made.spread[:14, AREA] *= 0.7
    made.spread[14:, AREA] *= 1.3
    return made._replace(
        weight=np.concatenate([np.full(14, (1.0 - BREAKS) / 14), np.full(8, BREAKS / 8)])
    )


def _blocked(c: Circumstances) -> _Hypotheses:
    return _area_change(-np.geomspace(0.015, 0.7, 14), c)


def _second_head(c: Circumstances) -> _Hypotheses:
    """Another jet beside the first, of about its size; it may stay open when that one closes."""
    bores = np.array(STOCK_BORES_INCH) * 0.0254
    areas = np.asarray(bore_area(bores) / bore_area(c.bore))
    share, stays_open = _grid(areas[(areas > 0.4) & (areas < 2.2)], (0.0, 0.0, 1.0))
    made = _area_change(share, c)
    made.spread[:, AREA] = 0.05
    made.spread[:, LOW_AREA] = 0.08
    made.mean[:, IDLE] = stays_open * share
    made.spread[:, IDLE] = np.hypot(0.006, 0.1 * made.mean[:, IDLE])
    return made


def _other_bore(c: Circumstances) -> _Hypotheses:
    """A jewel of one of the neighbouring stock bores."""
    bores = np.array(STOCK_BORES_INCH) * 0.0254
    near = (np.abs(bores - c.bore) < 2.6e-3 * 0.0254) & (np.abs(bores - c.bore) > 1e-6)
    made = _area_change(np.asarray(bore_area(bores[near]) / bore_area(c.bore)) - 1.0, c)
    made.spread[:, AREA] = 0.04  # discharge coefficients of two jewels
    made.spread[:, LOW_AREA] = 0.05
    return made


def _leak(c: Circumstances) -> _Hypotheses:
    """A leak feeds on pressure, jet or no jet; on one side of an intensifier, or on both."""
    # share of the flow, exponent, place (seal, check valve, one that got hot while dead-headed);
    # sides and dead-heading are an intensifier's, a pulse from the one plunger that leaks is a
    # crank pump's
    alone = (0.0,)
    share, n, place, side, idle, pulse = _grid(
        GROWTH,
        LEAK_EXPONENTS,
        (0.0, 1.0, 2.0) if c.is_intensifier else (0.0, 1.0),
        (-1.0, 0.0, 1.0) if c.is_intensifier else alone,  # left, both, right
        (0.0, 0.7, 1.4) if c.is_intensifier else alone,
        alone if c.is_intensifier else PULSES,
    )
    made = _unchanged(len(share))
    # the jet's flow goes as the root of pressure
    low = np.log1p(share * c.pierce_ratio ** (n - 0.5))
    made.mean[:, AREA] = np.log1p(share)
    made.spread[:, AREA] = 0.15 * np.log1p(share)
    made.mean[:, LOW_AREA] = low
    made.spread[:, LOW_AREA] = np.hypot(0.015, 0.15 * low)
    made.mean[:, IDLE] = share * idle
    made.spread[:, IDLE] = np.hypot(0.006, 0.3 * share * idle)
    # the leaking side's stroke is the shorter; both sides together make `share`
    made.mean[:, SIDES] = side * np.log1p(2.0 * share)
    made.spread[:, SIDES] = np.hypot(0.008, 0.2 * np.abs(made.mean[:, SIDES]))
    # throttled from hundreds of MPa, a seal's leak comes out hot; a check valve's stays inside,
    # where it mixes with what that chamber delivers, which is nothing else while dead-headed
    made.mean[:, WEEP] = np.where(place == 0.0, DRAIN_RISE, 0.0)
    made.spread[:, WEEP] = np.where(place == 0.0, DRAIN_SPREAD, made.spread[:, WEEP])
    own = (2.0 if c.is_intensifier else 3.0) * share
    mixed = THROTTLED * own / (1.0 + own)
    made.mean[:, VALVES] = np.select([place == 1.0, place == 2.0], [mixed, DRAIN_RISE])
    made.spread[:, VALVES] = np.select(
        [place == 1.0, place == 2.0],
        [np.hypot(made.spread[:, VALVES], 0.4 * mixed), DRAIN_SPREAD],
        made.spread[:, VALVES],
    )
    made.spread[:, SCATTER] = 0.3
    made.mean[:, RIPPLE] = 0.2
    made.spread[:, RIPPLE] = 0.4
    weight = np.where(place == 0.0, 1.0, 0.5 if c.is_intensifier else 1.0)
    made = made._replace(weight=weight / weight.sum())
    if not c.is_intensifier:
        made.mean[:, RIPPLE] = 1.4 * share + 0.5 * np.log1p((pulse * share) ** 2)
        made.spread[:, RIPPLE] = np.hypot(0.1, 0.6 * share)
    return made


def _transducer(c: Circumstances) -> _Hypotheses:
    """The reading is off by a factor, or by a shift that also shows while stopped."""
    drift, shifted = _grid(DRIFTS, (0.0, 0.5, 1.0))
    made = _unchanged(len(drift))
    made.mean[:, AREA] = -0.5 * drift  # the area is reckoned with the root of the reading
    made.spread[:, AREA] = 0.12 * np.abs(drift)
    low = drift * (shifted / c.pierce_ratio + 1.0 - shifted)
    made.mean[:, LOW_AREA] = -0.5 * low
    made.spread[:, LOW_AREA] = np.hypot(0.015, 0.12 * np.abs(low))
    made.mean[:, ZERO] = shifted * drift
    made.spread[:, ZERO] = np.hypot(0.003, 0.15 * shifted * np.abs(drift))
    # oil pressure and torque know the true pressure
    made.mean[:, LOAD] = drift
    made.spread[:, LOAD] = np.hypot(made.spread[:, LOAD], 0.15 * np.abs(drift))
    if c.is_intensifier:  # the oil side holds the pressure shown
        made.mean[:, PRESSURE] = drift
        made.spread[:, PRESSURE] = np.hypot(0.004, 0.15 * np.abs(drift))
    return made


def _feed(c: Circumstances) -> _Hypotheses:
    share, boost, low = _grid(GROWTH, (-0.1, -0.3, -0.8), (0.0, 0.5, 1.0))
    made = _unchanged(len(share))
    made.mean[:, AREA] = np.log1p(share)
    made.spread[:, AREA] = 0.15 * np.log1p(share)
    made.mean[:, LOW_AREA] = low * np.log1p(share)
    made.spread[:, LOW_AREA] = np.hypot(0.02, 0.3 * np.log1p(share))
    made.mean[:, BOOST] = boost
    made.spread[:, BOOST] = np.abs(boost) * 0.5
    if not c.is_intensifier:  # a plunger that isn't full takes less torque
        made.mean[:, LOAD] = share
        made.spread[:, LOAD] = np.hypot(0.004, 0.6 * share)
        made.spread[:, SCATTER] = 0.3  # the crank turns as it did
    else:
        made.mean[:, SCATTER] = 1.2
        made.spread[:, SCATTER] = 0.7
    made.mean[:, RIPPLE] = 0.5
    made.spread[:, RIPPLE] = 0.5
    made.spread[:, SIDES] = 0.02
    return made


def _slip(c: Circumstances) -> _Hypotheses:
    """The crank turns less than the motor: seen in their ratio, or else as a larger area."""
    slip, crank_read = _grid(GROWTH, (0.0, 1.0))
    made = _unchanged(len(slip))
    made.mean[:, AREA] = np.where(crank_read > 0.0, 0.0, np.log1p(slip))
    made.spread[:, AREA] = np.hypot(0.005, 0.15 * made.mean[:, AREA])
    made.mean[:, LOW_AREA] = 0.7 * made.mean[:, AREA]
    made.spread[:, LOW_AREA] = np.hypot(0.015, 0.3 * made.mean[:, AREA])
    made.mean[:, SLIP] = np.where(crank_read > 0.0, -np.log1p(slip), 0.0)
    made.spread[:, SLIP] = np.hypot(0.003, 0.15 * np.abs(made.mean[:, SLIP]))
    return made


def _bypass(c: Circumstances) -> _Hypotheses:
    """Another hole at the same pressure: the area grows as if the bore had; the line gets hot."""
    made = _area_change(GROWTH, c)
    made.mean[:, BYPASS] = DRAIN_RISE
    made.spread[:, BYPASS] = DRAIN_SPREAD
    return made


def _unknown(c: Circumstances) -> _Hypotheses:
    return _Hypotheses(np.zeros((1, len(FEATURES))), _WIDE[None, :].copy())


_SIGNATURES: dict[Cause, Callable[[Circumstances], _Hypotheses]] = {
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


def possible_causes(is_intensifier: bool) -> tuple[Cause, ...]:
    """The causes that this kind of pump can have, in the order of `Cause`."""
    return tuple(c for c in Cause if not (is_intensifier and c in ONLY_DIRECT_DRIVE))


class _Signatures(NamedTuple):
    """All hypotheses of all causes, those of one cause after the other."""

    causes: tuple[Cause, ...]
    first: NDArray[np.intp]  # (causes,), of the hypotheses of each
    mean: Floats  # (hypotheses, features)
    spread: Floats
    weight: Floats  # (hypotheses,), prior odds of the cause included; not at a stop
    at_stop: Floats  # (causes,), factor where the event falls together with a stop


@lru_cache(maxsize=512)  # they are made over and over again while an event lasts
def _signatures(is_intensifier: bool, pierce_ratio: float, bore: float) -> _Signatures:
    circumstances = Circumstances(is_intensifier, False, pierce_ratio, bore)
    causes = possible_causes(is_intensifier)
    made = [_SIGNATURES[cause](circumstances) for cause in causes]
    for mean, spread, _ in made:
        if not is_intensifier:  # friction takes its share of the torque
            spread[:, LOAD] = np.hypot(spread[:, LOAD], 0.01 + 0.1 * np.abs(mean[:, AREA]))
    counts = [len(mean) for mean, _, _ in made]
    return _Signatures(
        causes,
        np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.intp),
        np.concatenate([mean for mean, _, _ in made]),
        np.concatenate([spread for _, spread, _ in made]),
        np.concatenate(
            [
                (1.0 - AT_STOP[cause]) * PRIOR[cause] * (np.full(n, 1.0 / n) if w is None else w)
                for cause, n, (_, _, w) in zip(causes, counts, made, strict=True)
            ]
        ),
        np.array([AT_STOP[cause] / (1.0 - AT_STOP[cause]) for cause in causes]),
    )


class _Weighed(NamedTuple):
    signatures: _Signatures
    known: NDArray[np.intp]  # features that are
    mean: Floats  # (hypotheses, known features), as much of it as shows by now
    likelihood: Floats  # of each feature by itself, as `mean`
    joint: Floats  # (hypotheses,)
    by_cause: Floats  # (causes,)


def _weigh(shift: Shift, circumstances: Circumstances) -> _Weighed:
    """Bayes' rule; likelihoods are not normalised over the causes.

    Each feature's likelihood is normal about what a hypothesis says, with a share of `_SURPRISE`
    of readings from anywhere, so no single odd sensor can decide.
    """
    signatures = _signatures(
        circumstances.is_intensifier, round(circumstances.pierce_ratio, 2), circumstances.bore
    )
    known = np.flatnonzero(np.isfinite(shift.seen) & np.isfinite(shift.sd))
    seen, sd = shift.seen[known], shift.sd[known]
    shown = np.ones(len(FEATURES))
    shown[[WEEP, BYPASS, VALVES]] = circumstances.heated
    floor, shown = _FLOOR[known], shown[known]
    unsure = np.minimum(shown + HEAT_UNSURE, 1.0)
    mean = signatures.mean[:, known] * shown
    spread = floor + (signatures.spread[:, known] - floor) * unsure
    spread = np.sqrt(spread * spread + sd * sd)
    off = (seen - mean) / spread
    likelihood = np.exp(-0.5 * off * off) / spread
    wide = np.hypot(_WIDE[known], sd)  # Cauchy's distribution: a broken sensor shows anything
    odd = _SURPRISE[known]
    likelihood *= (1.0 - odd) / np.sqrt(2.0 * np.pi)
    likelihood += odd / np.pi / wide / (1.0 + (seen / wide) ** 2)
    joint = np.prod(likelihood, axis=1) * signatures.weight
    by_cause = np.add.reduceat(joint, signatures.first)
    if circumstances.at_stop:
        by_cause *= signatures.at_stop
    return _Weighed(signatures, known, mean, likelihood, joint, by_cause)


def posterior(shift: Shift, circumstances: Circumstances) -> tuple[Belief, ...]:
    """All causes that the kind of pump can have, by falling probability; see `weigh_causes`."""
    return _beliefs(_weigh(shift, circumstances))


def _beliefs(weighed: _Weighed) -> tuple[Belief, ...]:
    probability = weighed.by_cause / np.sum(weighed.by_cause)
    order = np.argsort(-probability, kind="stable")
    return tuple(Belief(weighed.signatures.causes[k], float(probability[k])) for k in order)


def weigh_causes(shift: Shift, circumstances: Circumstances) -> tuple[Belief, ...]:
    """The posterior by Bayes' rule with `PRIOR`, and of the first causes what speaks for them.

    All causes that the kind of pump can have are there, by falling probability.
    """
    weighed = _weigh(shift, circumstances)
    first, causes = weighed.signatures.first, weighed.signatures.causes
    each = np.add.reduceat(weighed.joint, first)[:, None]
    # (causes, known features): how well a cause explains each feature, and what it expects there
    explains = np.add.reduceat(weighed.joint[:, None] * weighed.likelihood, first, axis=0) / each
    expects = np.add.reduceat(weighed.joint[:, None] * weighed.mean, first, axis=0) / each
    told = []
    for place, belief in enumerate(_beliefs(weighed)):
        if place < TOLD:
            k = causes.index(belief.cause)
            others = np.maximum(weighed.by_cause / np.sum(weighed.by_cause), 1e-9)
            others[k] = 0.0
            gain = np.log(explains[k]) - np.log(others @ explains / np.sum(others))
            spoken = _in_words(shift, weighed.known, expects[k], gain)
            belief = Belief(belief.cause, belief.probability, *spoken)
        told.append(belief)
    return tuple(told)


def _in_words(
    shift: Shift, known: NDArray[np.intp], expects: Floats, gain: Floats
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What speaks for and what against a cause, beside the other causes, strongest first."""
    words = [
        f"{FEATURES[k].words}: {FEATURES[k].show(shift.seen[k])} "
        f"(this cause: about {FEATURES[k].show(expected)})"
        for k, expected in zip(known, expects, strict=True)
    ]
    by_strength = np.argsort(-np.abs(gain))
    return (
        tuple(words[i] for i in by_strength if gain[i] > 0.7),
        tuple(words[i] for i in by_strength if gain[i] < -0.7),
    )


class Check(NamedTuple):
    """Something to look at, and the causes that it would confirm or rule out."""

    words: str
    tells: frozenset[Cause]
    only: str = ""  # "intensifier", "direct drive" or either
    measured_by: int | None = None  # the feature that says it already


# The cheapest first: from the desk, from the control panel, at the machine, with the jewel out.
CHECKS = (
    Check(
        "look at the job list and the control panel: is a second head or valve open?",
        frozenset({Cause.SECOND_HEAD}),
    ),
    Check(
        "ask whether a jewel was changed at the last stop, and which bore went in; record it",
        frozenset({Cause.OTHER_BORE}),
    ),
    Check(
        "compare the pressure shown with the oil pressure times the intensification ratio, both "
        "read at the control panel",
        frozenset({Cause.TRANSDUCER}),
        "intensifier",
        LOAD,
    ),
    Check(
        "see whether the pressure shown goes back to zero once the pump is stopped and bled down",
        frozenset({Cause.TRANSDUCER}),
        "direct drive",
    ),
    Check(
        "read the feed (boost) pressure and the state of the inlet filters",
        frozenset({Cause.FEED}),
        "",
        BOOST,
    ),
    Check(
        "from the control panel: close the jet, hold the pressure for two minutes and count the "
        "strokes",
        frozenset({Cause.LEAK}),
        "intensifier",
        IDLE,
    ),
    Check(
        "let a qualified person measure the temperature of the weep lines from outside the guards",
        frozenset({Cause.LEAK}),
        "",
        WEEP,
    ),
    Check(
        "let a qualified person measure the temperature of the check valves from outside the "
        "guards",
        frozenset({Cause.LEAK}),
        "",
        VALVES,
    ),
    Check(
        "let a qualified person measure the temperature of the bypass line from outside the guards",
        frozenset({Cause.BYPASS}),
        "direct drive",
        BYPASS,
    ),
    Check(
        "let a qualified person compare the crank speed with the speed that the drive shows",
        frozenset({Cause.SLIP}),
        "direct drive",
        SLIP,
    ),
    Check(
        "take the jewel out, locked out and bled down, and look at its rim under a microscope",
        frozenset({Cause.BORE, Cause.BLOCKED}),
    ),
)


def cheapest_check(beliefs: tuple[Belief, ...], shift: Shift, is_intensifier: bool) -> str:
    """The first of `CHECKS` that would separate the two most probable causes.

    What a machine measures anyhow has already had its say, and is not asked for again.
    """
    kind = "intensifier" if is_intensifier else "direct drive"
    first, second = beliefs[0].cause, beliefs[1].cause
    for check in CHECKS:
        if check.only not in ("", kind):
            continue
        if check.measured_by is not None and np.isfinite(shift.seen[check.measured_by]):
            continue
        if (first in check.tells) != (second in check.tells):
            return check.words
    return CHECKS[-1].words

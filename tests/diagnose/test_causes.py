"""Causes told apart by hand-made signatures, each reckoned from what the fault does to a pump."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy import stats

from borewarden.detect.shape import MOST, PACES
from borewarden.diagnose.causes import (
    AT_STOP,
    COMES_OVER_MINUTES,
    GOES_BY,
    ONLY_DIRECT_DRIVE,
    PRIOR,
    Belief,
    Cause,
    possible_causes,
)
from borewarden.diagnose.feature_table import FEATURES, NAMES, WIDE, Feature, FeatureShift
from borewarden.diagnose.posterior import ODD_AREAS, ODD_READINGS, chance_of_nothing, weigh_causes
from borewarden.diagnose.signatures import Circumstances, signatures_of

BORE = 0.254e-3  # m, 0.010 in
INTENSIFIER = Circumstances(is_intensifier=True, at_stop=False, pierce_ratio=0.4, bore=BORE)
CRANK = INTENSIFIER._replace(is_intensifier=False)
NOT_ON = {
    True: {"slip", "bypass", "rise"},
    False: {"load", "pressure", "sides", "idle"},
}


def shift(sd: float = 0.003, **seen: float) -> FeatureShift:
    """Only the features named."""
    values = np.full(len(FEATURES), np.nan)
    for name, value in seen.items():
        values[NAMES.index(name)] = value
    return FeatureShift(values, np.where(np.isfinite(values), sd, np.nan))


def only(**seen: tuple[float, float]) -> FeatureShift:
    """Only the features named, each with its standard uncertainty."""
    made = shift(**{name: value for name, (value, _) in seen.items()})
    for name, (_, sd) in seen.items():
        made.sd[NAMES.index(name)] = sd
    return made


def full(c: Circumstances, **seen: float) -> FeatureShift:
    """All features that this kind of pump measures: those not named have not changed."""
    quiet = {name: 0.0 for name in NAMES if name not in NOT_ON[c.is_intensifier]}
    return shift(**(quiet | seen))


def probabilities(beliefs: tuple[Belief, ...]) -> dict[Cause, float]:
    return {belief.cause: belief.probability for belief in beliefs}


GREW = float(np.log(1.10))


def by_its_own(change: float) -> dict[str, float]:
    """The jet's area at every pressure, and what the line does through it (ln)."""
    return {"area": change, "low_area": change, "fall": change, "rise": change}


SIGNATURES = [
    # +10 % of the jet's own area is +10 % at every pressure
    (Cause.BORE, INTENSIFIER, by_its_own(GREW)),
    (Cause.BORE, CRANK, by_its_own(GREW)),
    # a leak of 10 % of the flow through one side's seal takes 20 % of its stroke; a laminar gap's
    # leak goes as p, the jet's flow as its root; it is there while dead-headed, and hot
    (
        Cause.LEAK,
        INTENSIFIER,
        {
            "area": GREW,
            "low_area": float(np.log1p(0.10 * 0.4**0.5)),
            "idle": 0.10,
            "sides": float(-np.log(1.2)),
            "weep": 25.0,
        },
    ),
    (
        Cause.LEAK,
        CRANK,
        {"area": GREW, "low_area": float(np.log1p(0.1 * 0.4**1.5)), "weep": 25.0, "ripple": 0.3},
    ),
    # a check valve's leak of 10 % of the flow is 30 % of what its plunger of three delivers; mixed
    # with that, water throttled from 400 MPa warms it by some 65 K * 0.3 / 1.3
    (Cause.LEAK, CRANK, {"area": GREW, "valves": 15.0, "ripple": 0.3}),
    # 8 % too high a reading at the same torque
    (Cause.TRANSDUCER, CRANK, {"area": -0.04, "low_area": -0.04, "load": 0.08}),
    # a second head of the same bore, which stays open when the first one closes, or not
    (
        Cause.SECOND_HEAD,
        INTENSIFIER,
        by_its_own(np.log(2.0)) | {"idle": 1.0},
    ),
    (Cause.SECOND_HEAD, CRANK, by_its_own(np.log(2.0))),
    (Cause.BLOCKED, INTENSIFIER, by_its_own(-0.12)),
    (Cause.BLOCKED, CRANK, by_its_own(-0.12)),
    # 8 % too high a reading: the root of it in area, all of it against the oil side
    (
        Cause.TRANSDUCER,
        INTENSIFIER,
        {"area": -0.04, "low_area": -0.04, "load": 0.08, "pressure": 0.08},
    ),
    # a zero that is 6 % of the working pressure off
    (Cause.TRANSDUCER, CRANK, {"area": -0.03, "low_area": -0.075, "zero": 0.06}),
    (
        Cause.FEED,
        INTENSIFIER,
        {"area": GREW, "low_area": 0.5 * GREW, "boost": -0.4, "scatter": 1.2, "ripple": 0.4},
    ),
    (
        Cause.FEED,
        CRANK,
        {"area": GREW, "low_area": 0.5 * GREW, "boost": -0.4, "scatter": 1.2, "ripple": 0.4},
    ),
    # the crank has a sensor of its own, so the water reckoned with it stays right
    (Cause.SLIP, CRANK, {"slip": float(-np.log(1.08))}),
    (Cause.BYPASS, CRANK, by_its_own(GREW) | {"bypass": 30.0, "shut": 0.1}),
    # nothing known makes the weep line icy and the feed pressure rise fourfold
    (
        Cause.UNKNOWN,
        INTENSIFIER,
        {"area": -0.5, "low_area": 0.5, "load": -0.15, "weep": -40.0, "boost": 1.4, "zero": 0.1}
        | {"valves": -40.0, "sides": 0.5},
    ),
]


@pytest.mark.parametrize(("cause", "circumstances", "seen"), SIGNATURES)
def test_each_cause_is_told_by_its_signature(
    cause: Cause, circumstances: Circumstances, seen: dict[str, float]
) -> None:
    beliefs = weigh_causes(full(circumstances, **seen), circumstances)
    assert beliefs[0].cause is cause
    assert beliefs[0].probability > (0.5 if cause is Cause.UNKNOWN else 0.7)
    chances = [belief.probability for belief in beliefs]
    assert chances == sorted(chances, reverse=True)
    assert sum(chances) == pytest.approx(1.0)


@pytest.mark.parametrize("circumstances", [INTENSIFIER, CRANK])
def test_another_bore_comes_in_a_stop(circumstances: Circumstances) -> None:
    grown = float(np.log((0.011 / 0.010) ** 2))
    seen = full(circumstances, **by_its_own(grown))
    stopped = weigh_causes(seen, circumstances._replace(at_stop=True))
    assert stopped[0].cause is Cause.OTHER_BORE
    assert stopped[0].probability > 0.5
    cutting = probabilities(weigh_causes(seen, circumstances))
    assert cutting[Cause.OTHER_BORE] < 0.05
    assert cutting[Cause.BORE] > cutting[Cause.OTHER_BORE]


def test_all_causes_are_tried() -> None:
    tried = {cause for cause, _, _ in SIGNATURES} | {Cause.OTHER_BORE}
    assert tried == set(Cause) == set(PRIOR)


def test_an_intensifier_has_no_belt_and_no_bypass() -> None:
    seen = shift(area=GREW)
    assert {Cause.SLIP, Cause.BYPASS} == ONLY_DIRECT_DRIVE
    assert set(probabilities(weigh_causes(seen, CRANK))) == set(Cause)
    on_intensifier = set(probabilities(weigh_causes(seen, INTENSIFIER)))
    assert on_intensifier == set(Cause) - ONLY_DIRECT_DRIVE


def test_nothing_measured_leaves_the_odds_as_they_were() -> None:
    found = probabilities(weigh_causes(shift(), CRANK))
    # per jet hour, and most of each outside a stop
    ratio = found[Cause.BORE] / found[Cause.LEAK]
    assert ratio == pytest.approx(PRIOR[Cause.BORE] / PRIOR[Cause.LEAK])
    assert sum(found.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("circumstances", [INTENSIFIER, CRANK])
def test_area_alone_does_not_decide(circumstances: Circumstances) -> None:
    beliefs = weigh_causes(shift(area=GREW), circumstances)
    found = probabilities(beliefs)
    assert beliefs[0].cause is Cause.BORE  # by the odds beforehand
    assert found[Cause.BORE] < 0.9
    assert found[Cause.LEAK] > 0.05
    # how much it grew hardly speaks for a bore rather than for a leak
    ratio = found[Cause.BORE] / found[Cause.LEAK]
    assert ratio == pytest.approx(PRIOR[Cause.BORE] / PRIOR[Cause.LEAK], rel=0.3)
    assert beliefs[0].evidence_for == ()
    assert beliefs[0].evidence_against == ()


def test_a_crank_that_creeps_dead_headed_has_a_leak_whatever_the_jet_shows() -> None:
    told = probabilities(weigh_causes(shift(idle=0.06, weep=15.0, load=0.0), CRANK))
    assert max(told, key=told.__getitem__) is Cause.LEAK
    bypass = probabilities(weigh_causes(shift(area=0.06, idle=0.06, weep=0.0), CRANK))
    assert max(bypass, key=bypass.__getitem__) is Cause.BYPASS


def test_a_small_leak_arrives_cool_and_a_large_one_hot() -> None:
    small, large = (
        probabilities(weigh_causes(shift(area=area, weep=weep), INTENSIFIER))
        for area, weep in ((0.02, 9.0), (0.2, 40.0))
    )
    assert small[Cause.LEAK] > 0.9
    assert large[Cause.LEAK] > 0.9


def test_signals_that_hardly_moved_tell_of_no_cause() -> None:
    for circumstances in (INTENSIFIER, CRANK):
        assert chance_of_nothing(shift(area=0.001, load=0.004, weep=2.0), circumstances) > 0.6
        assert chance_of_nothing(shift(area=-0.02, load=0.04, weep=2.0), circumstances) < 0.1


def test_what_is_not_known_is_left_out() -> None:
    known = shift(area=GREW, low_area=GREW)
    spoiled = FeatureShift(known.seen.copy(), known.sd.copy())
    spoiled.seen[NAMES.index("weep")] = 60.0  # without an uncertainty
    spoiled.sd[NAMES.index("load")] = 0.001  # without a value
    assert weigh_causes(spoiled, INTENSIFIER) == weigh_causes(known, INTENSIFIER)
    for belief in weigh_causes(known, INTENSIFIER):
        words = " ".join(belief.evidence_for + belief.evidence_against)
        assert "weep" not in words
        assert "nan" not in words


@pytest.mark.parametrize("sd", [0.003, 0.05])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize(
    ("name", "absurd"),
    [
        ("weep", 300.0),
        ("load", 2.0),
        ("boost", 5.0),
        ("sides", 2.0),
        ("scatter", 8.0),
        ("zero", 0.5),
    ],
)
def test_one_absurd_sensor_does_not_decide(
    name: str, absurd: float, sign: float, sd: float
) -> None:
    """A broken sensor, steady or wandering; all others speak for a blocking."""
    seen = full(INTENSIFIER, area=-0.12, low_area=-0.12)
    seen.seen[NAMES.index(name)] = sign * absurd
    seen.sd[NAMES.index(name)] = sd
    beliefs = weigh_causes(seen, INTENSIFIER)
    assert beliefs[0].cause is Cause.BLOCKED
    assert all(np.isfinite(belief.probability) for belief in beliefs)


def test_evidence_is_put_in_words_the_strongest_first() -> None:
    seen = full(INTENSIFIER, area=GREW, low_area=GREW * 0.6, idle=0.10, weep=30.0)
    beliefs = weigh_causes(seen, INTENSIFIER)
    leak = beliefs[0]
    assert leak.cause is Cause.LEAK
    text = " / ".join(leak.evidence_for)
    assert "dead-head flow up 10 % of working flow; a leaking seal or check valve" in text
    assert "weep line up 30 °C relative to water temperature; a leaking seal" in text
    assert re.search(r"weep line [^/]* usually adds [34]\d °C", text)
    bore = next(belief for belief in beliefs if belief.cause is Cause.BORE)
    against = " / ".join(bore.evidence_against)
    assert "dead-head flow up 10 % of working flow; a bad jewel usually leaves it alone" in against
    assert bore.evidence_against[0].startswith(("dead-head flow", "weep line"))


@pytest.mark.parametrize(
    ("at_stop", "ramp"), [(False, 0.0), (True, 0.0), (False, 3.0), (True, -2.0)]
)
@pytest.mark.parametrize("circumstances", [INTENSIFIER, CRANK])
def test_probabilities_are_bayes_rule_by_scipy(
    circumstances: Circumstances, at_stop: bool, ramp: float
) -> None:
    """Normal about what each hypothesis expects, and now and then Cauchy about nothing at all."""
    seen = shift(0.02, area=0.09, low_area=0.05, load=0.01, boost=-0.05, scatter=0.4)
    made = signatures_of(circumstances.is_intensifier, 0.4, BORE)
    known = np.isfinite(seen.seen)
    x, sd = seen.seen[known], seen.sd[known]
    odd = np.array([ODD_AREAS, *[ODD_READINGS] * (known.sum() - 1)])
    fits = stats.norm.pdf(x, made.mean[:, known], np.hypot(made.spread[:, known], sd))
    anything = stats.cauchy.pdf(x, 0.0, np.hypot(WIDE[known], sd))
    likelihood = np.prod((1.0 - odd) * fits + odd * anything, axis=1)
    expected = {}
    ends = [*made.first, len(likelihood)]
    for k, cause in enumerate(made.causes):
        part = slice(ends[k], ends[k + 1])
        mean = np.average(likelihood[part], weights=made.weight[part])
        when = AT_STOP[cause] if at_stop else 1.0 - AT_STOP[cause]
        slowly = COMES_OVER_MINUTES[cause]
        expected[cause] = PRIOR[cause] * when * mean * (1.0 - slowly + slowly * np.exp(ramp))
    total = sum(expected.values())
    beliefs = weigh_causes(seen, circumstances._replace(at_stop=at_stop, ramp=ramp))
    for cause, probability in probabilities(beliefs).items():
        assert probability == pytest.approx(expected[cause] / total, rel=1e-9)


def test_what_comes_over_minutes_is_rather_no_chip() -> None:
    seen = full(INTENSIFIER, area=GREW, low_area=0.7 * GREW)
    found = [weigh_causes(seen, INTENSIFIER._replace(ramp=ramp)) for ramp in (-MOST, 0.0, MOST)]
    bore = [probabilities(beliefs)[Cause.BORE] for beliefs in found]
    assert bore[0] > bore[1] > bore[2]
    words = [
        next(b.evidence_for + b.evidence_against for b in beliefs if b.cause is Cause.LEAK)
        for beliefs in found
    ]
    assert "it came over minutes" in words[2]
    assert "it came over minutes" not in words[0] + words[1]
    last = next(b for b in found[2] if b.cause is Cause.BORE)
    assert "it came over minutes" in last.evidence_against


def test_nothing_speaks_against_a_cause_that_brings_just_that() -> None:
    draw = np.random.default_rng(9)
    against = 0
    for kind in (INTENSIFIER, CRANK):
        names = [name for name in NAMES if name not in NOT_ON[kind.is_intensifier]]
        for _ in range(60):
            values = dict(zip(names, draw.normal(0.0, 0.08, len(names)), strict=True))
            for belief in weigh_causes(shift(sd=0.01, **values), kind):
                for words in belief.evidence_against:
                    against += 1
                    assert "can do anything" not in words
                    if said := re.search(
                        r" (up|down) ([\d.]+ \S+).*usually (\w+).* ([\d.]+ \S+)$", words
                    ):
                        way, seen, verb, usual = said.groups()
                        same_way = (way == "up") is (verb == "adds")
                        assert not (same_way and seen == usual), words
    assert against > 100


def test_a_line_that_had_no_time_to_warm_does_not_clear_a_leak() -> None:
    seen = full(INTENSIFIER, area=GREW, low_area=0.5 * GREW)
    leak = [
        probabilities(weigh_causes(seen, INTENSIFIER._replace(heated=heated)))[Cause.LEAK]
        for heated in (0.05, 0.5, 1.0)
    ]
    assert leak[0] > leak[1] > leak[2]


def test_shares_are_shares_and_a_jewel_fails_the_soonest() -> None:
    for shares in (AT_STOP, COMES_OVER_MINUTES):
        assert set(shares) == set(Cause)
        assert all(0.0 < share < 1.0 for share in shares.values())
    assert max(PRIOR, key=lambda cause: PRIOR[cause]) is Cause.BORE
    assert max(AT_STOP, key=lambda cause: AT_STOP[cause]) is Cause.OTHER_BORE
    assert min(PRIOR, key=lambda cause: PRIOR[cause]) is Cause.UNKNOWN


@pytest.mark.parametrize("feature", FEATURES, ids=NAMES)
def test_each_feature_can_tell(feature: Feature) -> None:
    """Some cause moves it further than it may be off by itself, and so does a surprise."""
    k = NAMES.index(feature.name)
    moves = [np.abs(signatures_of(kind, 0.4, BORE).mean[:, k]).max() for kind in (True, False)]
    assert max(moves) > 3.0 * feature.floor
    assert 0.0 < 3.0 * feature.floor < feature.wide


def test_a_bore_beyond_all_stock_has_no_neighbour_and_every_other_cause() -> None:
    """Three heads have the area of one bore far beyond stock; this divided by zero."""
    causes = signatures_of(True, 0.5, 0.65e-3).causes
    assert Cause.OTHER_BORE not in causes
    assert set(causes) == set(possible_causes(True)) - {Cause.OTHER_BORE}


def test_what_goes_faster_than_a_jewel_wears_is_a_seal_rather_than_the_bore() -> None:
    """5 % in jet hours or in a week of them; pressure and rate alone."""
    seen = shift(area=0.05)

    def at(pace: float) -> dict[Cause, float]:
        evidence = -0.5 * (np.log(PACES / pace) / 0.3) ** 2
        return probabilities(weigh_causes(seen, INTENSIFIER._replace(pace=evidence)))

    slow, fast = at(0.002), at(0.06)
    assert slow[Cause.BORE] > 0.6
    assert fast[Cause.BORE] < 0.5
    assert fast[Cause.LEAK] > 3.0 * slow[Cause.LEAK]
    # what somebody has fitted or opened does not grow
    assert slow[Cause.OTHER_BORE] + slow[Cause.SECOND_HEAD] < 0.01


def test_odds_by_pace_are_those_of_a_log_normal_one() -> None:
    seen, pace = shift(area=0.05), np.log(np.arange(1.0, len(PACES) + 1.0))
    plain = probabilities(weigh_causes(seen, CRANK))
    paced = probabilities(weigh_causes(seen, CRANK._replace(pace=pace)))
    factor = {}
    for cause in (Cause.BORE, Cause.LEAK, Cause.TRANSDUCER):
        median, spread, share = GOES_BY[cause]
        weights = stats.norm.pdf(np.log(PACES), np.log(median), spread)
        factor[cause] = share * (weights @ np.exp(pace)) / weights.sum()
    for cause in (Cause.LEAK, Cause.TRANSDUCER):
        ratio = paced[cause] / paced[Cause.BORE] * plain[Cause.BORE] / plain[cause]
        assert ratio == pytest.approx(factor[cause] / factor[Cause.BORE], rel=1e-6)


def test_the_pace_is_said() -> None:
    evidence = -0.5 * (np.log(PACES / PACES[-2]) / 0.2) ** 2
    first = weigh_causes(shift(area=0.05), INTENSIFIER._replace(pace=evidence))
    leak = next(belief for belief in first if belief.cause is Cause.LEAK)
    bore = next(belief for belief in first if belief.cause is Cause.BORE)
    words = "it changes by some 6 % per jet hour"
    assert words in leak.evidence_for or words in bore.evidence_against


@pytest.mark.parametrize("circumstances", [INTENSIFIER, CRANK])
@pytest.mark.parametrize("off", [0.0, 1.0, -2.0])
def test_a_reading_as_unsure_as_can_be_leaves_the_odds_of_nothing_as_they_are(
    circumstances: Circumstances, off: float
) -> None:
    """So many of its own standard deviations off, whatever the cause: it is normal for all of them
    but for a share of odd ones, Cauchy's. Then the odds are 40 to those of all causes."""
    sd = 1e6
    chance = chance_of_nothing(shift(sd, load=off * sd), circumstances)
    prior = sum(
        (1.0 - AT_STOP[c]) * PRIOR[c] for c in possible_causes(circumstances.is_intensifier)
    )
    normal, odd = stats.norm.pdf(off), stats.cauchy.pdf(off)
    causes = prior * ((1.0 - ODD_READINGS) * normal + ODD_READINGS * odd)
    assert chance == pytest.approx(40.0 * normal / (40.0 * normal + causes), rel=1e-4)


@pytest.mark.parametrize("cause", [Cause.LEAK, Cause.FEED])
def test_how_the_line_empties_tells_a_bore_from_what_ails_the_pump(cause: Cause) -> None:
    """On pressure and strokes alone: the jet empties the line quicker, the pump's faults do not."""
    grown = {"area": (0.08, 0.004)}
    by_bore = probabilities(weigh_causes(only(**grown, fall=(0.08, 0.015)), INTENSIFIER))
    neither = probabilities(weigh_causes(only(**grown), INTENSIFIER))
    by_pump = probabilities(weigh_causes(only(**grown, fall=(0.0, 0.015)), INTENSIFIER))
    assert by_bore[Cause.BORE] > neither[Cause.BORE] > 4.0 * by_pump[Cause.BORE]
    assert by_pump[cause] > neither[cause] > by_bore[cause]


def test_a_line_that_loses_water_while_it_stands_shut_is_no_bore() -> None:
    grown = {"area": (0.08, 0.004)}
    shut = probabilities(weigh_causes(only(**grown, shut=(0.08, 0.004)), CRANK))
    assert shut[Cause.BORE] < 0.05
    assert shut[Cause.BYPASS] + shut[Cause.LEAK] > 0.9


def test_a_fall_that_hardly_tells_leaves_causes_alike() -> None:
    for sd, alike in ((0.2, True), (0.01, False)):
        top = weigh_causes(only(area=(0.08, 0.004), fall=(0.08, sd)), INTENSIFIER)[0]
        assert top.cause is Cause.BORE
        assert (Cause.FEED in top.alike) is alike


def test_another_jewel_of_the_same_bore_may_differ_by_some_per_cent_after_a_stop() -> None:
    """Swapped at night on a bled pump: the jet is a little smaller or larger in the morning."""

    def other(area: float, at_stop: bool) -> float:
        seen = only(area=(area, 0.004), low_area=(area, 0.01), idle=(0.0, 0.004))
        circumstances = INTENSIFIER._replace(at_stop=at_stop)
        return probabilities(weigh_causes(seen, circumstances))[Cause.OTHER_BORE]

    assert other(-0.04, at_stop=True) > 0.4  # a jewel is rather swapped than plugged at a stop
    assert 0.08 < other(0.04, at_stop=True) < 0.4
    assert max(other(-0.04, at_stop=False), other(0.04, at_stop=False)) < 0.1

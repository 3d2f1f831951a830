"""How probable each cause is after what the features show: Bayes' rule.

What a machine does not measure is left out, so the posterior says by itself whether what it does
measure can decide.

References
----------
.. [1] Bayes' rule. A normal likelihood with a share of outliers: Box & Tiao 1968, "A Bayesian
   approach to some outlier problems", Biometrika 55, 119-129; value from memory.

"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.shape import PACES
from borewarden.diagnose.causes import COMES_OVER_MINUTES, GOES_BY, Belief, Cause
from borewarden.diagnose.evidence import Change, is_as_expected, reason_words
from borewarden.diagnose.feature_table import (
    AREA,
    FEATURES,
    FLOOR,
    HEATED_BY_A_LEAK,
    OF_THE_LINE,
    WIDE,
    FeatureShift,
    Floats,
)
from borewarden.diagnose.groups import FURTHER, MOST_ON_TWO_SIGNALS, unseparated
from borewarden.diagnose.signatures import Circumstances, Signatures, signatures_of

PIERCE_DIGITS = 2  # decimals of the pierce ratio that a set of signatures is kept for
HEAT_UNSURE = 0.4  # by how much the share of heat that shows may be off, 0 to 1; invented
# Share of readings that follow no hypothesis, 0 to 1; invented. The area raised the alarm, so it
# is not an odd sensor.
ODD_READINGS, ODD_AREAS = 0.005, 0.001
ODD = np.full(len(FEATURES), ODD_READINGS)
ODD[AREA] = ODD_AREAS
LINE_TELLS = 0.6  # of a change of area: uncertainty up to which the line tells; invented
TOLD = 3  # causes whose evidence is put into words
TELLING = 0.7  # log of a likelihood ratio from which a feature counts as evidence; invented
# Odds that a signal leaves its place by a recipe, a pause or the weather, beside those of all
# causes, `PRIOR`; invented.
BY_ITSELF = 40.0
_PLACE = {cause: k for k, cause in enumerate(GOES_BY)}
LEAST_SHARE = 1e-9  # of any cause while the others are averaged; keeps the logarithm finite


def _goes_at() -> Floats:
    """How probable each of `PACES` is for each cause that goes slowly, (causes, paces)."""
    median, spread, share = np.array(list(GOES_BY.values())).T[:, :, None]
    weights = np.exp(-0.5 * (np.log(PACES / median) / spread) ** 2)
    probable: Floats = share * weights / np.sum(weights, axis=1, keepdims=True)
    return probable


_GOES_AT = _goes_at()


class _Weighed(NamedTuple):
    signatures: Signatures
    known: NDArray[np.intp]  # the features that are
    measured: frozenset[int]  # those of them that are sure enough to tell causes apart
    mean: Floats  # (hypotheses, known features), as much of it as shows by now
    likelihood: Floats  # of each feature by itself, shape as `mean`
    joint: Floats  # (hypotheses,)
    onset: Floats  # (causes,), likelihood of how it began
    by_cause: Floats  # (causes,), not normalised


def posterior(shift: FeatureShift, circumstances: Circumstances) -> tuple[Belief, ...]:
    """Return every cause that the kind of pump can have, the most probable first, without words.

    Prior odds are `PRIOR`, times the share that begins at a stop, or does not: `AT_STOP`.
    """
    return _beliefs(_weigh(shift, circumstances))


def weigh_causes(shift: FeatureShift, circumstances: Circumstances) -> tuple[Belief, ...]:
    """Return the same as `posterior`, with reasons for and against the first `TOLD` causes."""
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
            others = np.maximum(weighed.by_cause / np.sum(weighed.by_cause), LEAST_SHARE)
            others[k] = 0.0
            gain = np.log(explains[k]) - np.log(others @ explains / np.sum(others))
            rivals = [
                _rival(weighed, k, i, explains[:, i], others) if gain[i] > TELLING else None
                for i in range(len(gain))
            ]
            own = [Change(belief.cause, float(expected)) for expected in expects[k]]
            reasons = _reasons(shift, weighed.known, own, gain, rivals)
            began = np.log(weighed.onset[k] * np.sum(others) / (others @ weighed.onset))
            reasons = _with_onset(reasons, float(began), circumstances.ramp, circumstances.pace)
            belief = Belief(belief.cause, belief.probability, *reasons, belief.alike)
        told.append(belief)
    return tuple(told)


def _with_onset(
    reasons: tuple[tuple[str, ...], tuple[str, ...]],
    gain: float,
    ramp: float,
    pace: Floats | None,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The `reasons` with how it began among them, if that tells."""
    words = "it came over minutes" if ramp > 0.0 else "it came at once"
    if pace is not None:
        percent = 100.0 * PACES[int(np.argmax(pace))]
        words = f"it changes by some {float(f'{percent:.1g}'):g} % per jet hour"
    speaks_for, against = reasons
    if gain > TELLING:
        return (*speaks_for, words), against
    return (speaks_for, (*against, words)) if gain < -TELLING else reasons


def _weigh(shift: FeatureShift, circumstances: Circumstances) -> _Weighed:
    """Likelihood of each hypothesis times its prior odds.

    Each feature's likelihood is normal about what a hypothesis says, with a share of `ODD`
    readings from anywhere, so no single odd sensor can decide.
    """
    signatures = signatures_of(
        circumstances.is_intensifier,
        round(circumstances.pierce_ratio, PIERCE_DIGITS),
        circumstances.bore,
    )
    known = np.flatnonzero(np.isfinite(shift.seen) & np.isfinite(shift.sd))
    seen, sd = shift.seen[known], shift.sd[known]
    shown = np.ones(len(FEATURES))
    shown[HEATED_BY_A_LEAK] = circumstances.heated
    floor, shown = FLOOR[known], shown[known]
    unsure = np.minimum(shown + HEAT_UNSURE, 1.0)
    wide = np.hypot(WIDE[known], sd)  # Cauchy's distribution: a broken sensor shows anything
    odd = ODD[known]
    # All hypotheses of one feature stand side by side: they are far more than the features. And in
    # place, or half of the time would go into memory.
    seen, var, floor, shown, unsure, most, least = (
        each[:, None]
        for each in (
            seen,
            sd * sd,
            floor,
            shown,
            unsure,
            (1.0 - odd) / np.sqrt(2.0 * np.pi),
            odd / np.pi / wide / (1.0 + (seen / wide) ** 2),
        )
    )
    mean = signatures.mean.T[known]
    mean *= shown
    spread = signatures.spread.T[known]
    spread -= floor
    spread *= unsure
    spread += floor
    spread *= spread
    spread += var
    np.sqrt(spread, out=spread)
    off = seen - mean
    off /= spread
    likelihood = -0.5 * off
    likelihood *= off
    np.exp(likelihood, out=likelihood)
    likelihood /= spread
    likelihood *= most
    likelihood += least
    joint = likelihood.prod(axis=0) * signatures.weight
    by_cause = np.add.reduceat(joint, signatures.first)
    at_stop = np.maximum(signatures.at_stop, circumstances.stop_chance)
    by_cause *= at_stop if circumstances.at_stop else 1.0 - at_stop
    onset = _onset(signatures.causes, circumstances)
    by_cause *= onset
    measured = _sure_enough(known, shift)
    return _Weighed(signatures, known, measured, mean.T, likelihood.T, joint, onset, by_cause)


def _sure_enough(known: NDArray[np.intp], shift: FeatureShift) -> frozenset[int]:
    """The `known` features but those of the line that can't tell the change of area from none."""
    most = LINE_TELLS * abs(float(shift.seen[AREA]))
    unsure = {k for k in OF_THE_LINE if np.hypot(shift.sd[k], FLOOR[k]) > most}
    return frozenset(known.tolist()) - unsure


def _onset(causes: tuple[Cause, ...], circumstances: Circumstances) -> Floats:
    """Likelihood of how the change came, for each of the `causes`."""
    if circumstances.pace is not None:
        goes_at = _GOES_AT[[_PLACE[cause] for cause in causes]]
        likelihood: Floats = goes_at @ np.exp(circumstances.pace)
    else:
        over_minutes = np.array([COMES_OVER_MINUTES[cause] for cause in causes])
        likelihood = 1.0 - over_minutes + over_minutes * np.exp(circumstances.ramp)
    return likelihood


def chance_of_nothing(shift: FeatureShift, circumstances: Circumstances) -> float:
    """How probable it is that no cause is at work where a signal has left its place, 0 to 1.

    An odd reading is something, so it has no share in this likelihood.
    """
    weighed = _weigh(shift, circumstances)
    known = weighed.known
    spread = np.hypot(FLOOR[known], shift.sd[known])
    off = shift.seen[known] / spread
    nothing = BY_ITSELF * float(np.prod(np.exp(-0.5 * off * off) / spread / np.sqrt(2.0 * np.pi)))
    return nothing / (nothing + float(np.sum(weighed.by_cause)))


def _beliefs(weighed: _Weighed) -> tuple[Belief, ...]:
    probability = weighed.by_cause / np.sum(weighed.by_cause)
    known, causes = weighed.measured, weighed.signatures.causes
    alike = unseparated(causes, known)
    if known.isdisjoint(FURTHER):
        first = int(np.argmax(probability))
        named = (causes[first], *alike[first])
        probability = _no_surer(probability, np.array([cause in named for cause in causes]))
    order = np.argsort(-probability, kind="stable")
    return tuple(Belief(causes[k], float(probability[k]), alike=alike[k]) for k in order)


def _no_surer(probability: Floats, named: NDArray[np.bool_]) -> Floats:
    """The same with those `named` as one held to what pressure and rate alone can say."""
    together = float(np.sum(probability[named]))
    rest = float(np.sum(probability[~named]))
    if together <= MOST_ON_TWO_SIGNALS or rest <= 0.0:
        return probability
    held: Floats = np.where(
        named,
        probability * (MOST_ON_TWO_SIGNALS / together),
        probability * ((1.0 - MOST_ON_TWO_SIGNALS) / rest),
    )
    return held


def _usual_of(shift: FeatureShift, feature: int) -> float:
    return 0.0 if shift.usual is None else float(np.nan_to_num(shift.usual[feature]))


def _rival(
    weighed: _Weighed, cause: int, feature: int, explains: Floats, others: Floats
) -> Change | None:
    """The cause that this known `feature` holds back most beside `cause`; None if it does none.

    And what it would have changed, by all other features. `explains` and `others` are how well
    each cause explains the feature, and how probable it is beside `cause`; (causes,) both.
    """
    held_back = others * (explains[cause] / explains - 1.0)
    rival = int(np.argmax(held_back))
    if held_back[rival] <= 0.0:
        return None
    signatures = weighed.signatures
    ends = [*signatures.first[1:].tolist(), len(weighed.joint)]
    own = slice(int(signatures.first[rival]), ends[rival])
    by_others = weighed.joint[own] / weighed.likelihood[own, feature]
    expected = float(by_others @ weighed.mean[own, feature] / np.sum(by_others))
    return Change(signatures.causes[rival], expected)


def _reasons(
    shift: FeatureShift,
    known: NDArray[np.intp],
    changes: list[Change],
    gain: Floats,
    rivals: list[Change | None],
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What speaks for and what against a cause, beside the other causes, strongest first.

    A cause that can bring almost anything explains each value a little, so one that is sure of its
    own may explain it better. Where a value is just what the cause brings, that makes no sentence
    against it.
    """
    words = [
        reason_words(FEATURES[k], shift.seen[k], own, _usual_of(shift, k), rival)
        for k, own, rival in zip(known, changes, rivals, strict=True)
    ]
    fits = [
        is_as_expected(FEATURES[k], shift.seen[k], float(np.hypot(shift.sd[k], FLOOR[k])), own)
        for k, own in zip(known, changes, strict=True)
    ]
    by_strength = np.argsort(-np.abs(gain))
    return (
        tuple(words[i] for i in by_strength if gain[i] > TELLING),
        tuple(words[i] for i in by_strength if gain[i] < -TELLING and not fits[i]),
    )

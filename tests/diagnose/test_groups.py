"""Causes that this machine's signals can't tell apart are one; by hand-made features."""

from __future__ import annotations

import json

import numpy as np
import pytest

from borewarden.diagnose.causes import Belief, Cause
from borewarden.diagnose.feature_table import FEATURES, NAMES, FeatureShift
from borewarden.diagnose.groups import groups, named_with, to_split
from borewarden.diagnose.posterior import posterior
from borewarden.diagnose.signatures import Circumstances

CRANK = Circumstances(is_intensifier=False, at_stop=False, pierce_ratio=0.4, bore=0.254e-3)


def weighed(**seen: float) -> tuple[Belief, ...]:
    values = np.full(len(FEATURES), np.nan)
    for name, value in seen.items():
        values[NAMES.index(name)] = value
    return posterior(FeatureShift(values, np.where(np.isfinite(values), 0.003, np.nan)), CRANK)


def test_what_nothing_measured_tells_apart_is_one_group() -> None:
    alone = weighed(area=0.08)
    first = groups(alone)[0]
    assert first.causes[0] is Cause.BORE
    assert Cause.BYPASS in first.causes
    assert "temperature of the bypass line" in to_split(first, is_intensifier=False)
    assert first.probability == pytest.approx(
        sum(b.probability for b in alone if b.cause in first.causes)
    )
    cold = weighed(area=0.08, bypass=0.0, weep=0.0, valves=0.0, boost=0.0, slip=0.0, load=0.0)
    assert groups(cold)[0].causes == (Cause.BORE,)


def test_groups_keep_all_of_the_probability() -> None:
    found = groups(weighed(area=0.08, weep=0.0))
    assert sum(group.probability for group in found) == pytest.approx(1.0)
    assert len({cause for group in found for cause in group.causes}) == len(weighed(area=0.08))


@pytest.mark.parametrize(
    "seen", [{"area": -0.2}, {"area": 0.05}, {"area": 0.05, "low_area": 0.05, "idle": 0.0}]
)
def test_pressure_and_rate_alone_never_say_more_than_95_per_cent(seen: dict[str, float]) -> None:
    beliefs = weighed(**seen)
    assert beliefs[0].probability <= 0.95 + 1e-12
    assert groups(beliefs)[0].probability <= 0.95 + 1e-12
    assert sum(b.probability for b in beliefs) == pytest.approx(1.0)
    assert json.dumps([cause.value for cause in beliefs[0].alike])  # as the store keeps them


@pytest.mark.parametrize(
    "seen", [{"area": 1.5, "low_area": 1.5}, {"area": -0.3, "low_area": -0.3, "zero": 0.0}]
)
def test_what_they_would_say_more_of_is_shared_out_among_the_others(seen: dict[str, float]) -> None:
    beliefs = weighed(**seen)
    assert beliefs[0].probability == pytest.approx(0.95, abs=1e-4)
    assert sum(b.probability for b in beliefs) == pytest.approx(1.0)
    # with a further signal nothing holds it back
    assert weighed(**seen, boost=0.0)[0].probability > 0.96


def test_others_are_named_along_with_the_first_once_they_hold_a_tenth() -> None:
    alone = weighed(area=0.08)
    assert {Cause.LEAK, Cause.BYPASS} <= set(named_with(alone))
    assert Cause.BORE not in named_with(alone)
    # what the other causes do is measured, and did not come
    cold = weighed(area=0.08, bypass=0.0, weep=0.0, valves=0.0, boost=0.0, slip=0.0, load=0.0)
    assert named_with(cold) == ()
    few = (Belief(Cause.BORE, 0.9, alike=(Cause.LEAK,)), Belief(Cause.LEAK, 0.09))
    assert named_with(few) == ()
    # and what stands below a headline names the same
    assert [group.causes for group in groups(few)] == [(Cause.BORE,), (Cause.LEAK,)]


def test_causes_that_are_little_probable_each_are_in_doubt_together() -> None:
    alike = (Cause.LEAK, Cause.FEED, Cause.SLIP)
    some = (
        Belief(Cause.BORE, 0.86, alike=alike),
        *(Belief(c, p) for c, p in zip(alike, (0.06, 0.04, 0.04), strict=True)),
    )
    assert named_with(some) == (Cause.LEAK,)
    none_large = (Belief(Cause.BORE, 0.88, alike=alike), *(Belief(c, 0.04) for c in alike))
    assert named_with(none_large) == alike
    assert groups(none_large)[0].causes == (Cause.BORE, *alike)
    one_larger = (none_large[0], Belief(Cause.LEAK, 0.048), Belief(Cause.FEED, 0.036),
                  Belief(Cause.SLIP, 0.02))  # fmt: skip
    assert named_with(one_larger) == (Cause.LEAK, Cause.FEED)

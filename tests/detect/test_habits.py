"""What a new jewel takes over from the pump: as if seen a little, and soon outweighed."""

from __future__ import annotations

import numpy as np
import pytest

from borewarden.detect.baseline import Noise
from borewarden.detect.habits import (
    OTHER_NOISE,
    WORTH,
    Habits,
    as_known,
    habits_of,
    pooled,
    pressure_prior,
    that_fit,
)
from borewarden.detect.wear import PRESSURE_SD, WANDERS, WEIGHT, Drift, wanders_within

OWN = Noise(0.01, 20.0, 0.1)
GENERAL = WANDERS[:, WEIGHT] / WANDERS[:, WEIGHT].sum()


def habits(**changes: object) -> Habits:
    known = Habits(0.012, 50.0, tuple(np.roll(GENERAL, 3).tolist()), 0.02, 0.004, False)
    return known._replace(**changes)


def test_noise_is_that_of_both_by_the_batches_that_each_rests_on() -> None:
    noise = pooled(OWN, habits(effective_count=10.0))
    assert noise.effective_count == 30.0
    assert noise.sigma**2 == pytest.approx((20.0 * 0.01**2 + 10.0 * 0.012**2) / 30.0)
    assert noise.autocorrelation == OWN.autocorrelation
    assert pooled(OWN, None) == OWN


def test_however_much_was_seen_before_counts_as_a_few_batches() -> None:
    much = pooled(OWN, habits(effective_count=1000.0))
    assert much.effective_count == OWN.effective_count + WORTH
    long = pooled(OWN._replace(effective_count=3000.0), habits(effective_count=1000.0))
    assert long.sigma == pytest.approx(OWN.sigma, rel=0.01)


@pytest.mark.parametrize(
    ("times", "fits"), [(0.55, False), (0.7, True), (1.0, True), (1.5, True), (1.7, False)]
)
def test_a_pump_that_is_another_one_by_now_leaves_nothing(times: float, fits: bool) -> None:
    known = habits(sigma=OWN.sigma / times)
    assert (that_fit(known, OWN, WANDERS) is known) is fits
    assert fits == (1.0 / OTHER_NOISE < times < OTHER_NOISE)


def test_habits_of_another_version_are_of_no_use() -> None:
    assert that_fit(habits(), OWN, WANDERS[:-1]) is None
    assert that_fit(None, OWN, WANDERS) is None


def test_no_hypothesis_dies() -> None:
    sure = np.zeros(len(WANDERS))
    sure[4] = 1.0
    weights = as_known(WANDERS, habits(wanders=tuple(sure.tolist())))[:, WEIGHT]
    assert weights.sum() == pytest.approx(1.0)
    assert np.all(weights >= 0.49 * GENERAL)
    assert np.argmax(weights) == 4
    assert as_known(WANDERS, None) is WANDERS
    assert WANDERS[:, WEIGHT] / WANDERS[:, WEIGHT].sum() == pytest.approx(GENERAL)  # as before


def test_the_line_begins_with_what_the_pressure_did_before() -> None:
    mean, sd = pressure_prior(habits())
    assert mean == 0.02
    assert 0.01 < sd < PRESSURE_SD
    assert pressure_prior(None) == (0.0, PRESSURE_SD)
    assert pressure_prior(habits(by_pressure_sd=1.0)) == (0.02, PRESSURE_SD)
    drift = Drift(0.01)
    drift.expect_pressure(mean, sd)
    line = drift.line
    assert (line.by_pressure, line.by_pressure_var) == pytest.approx((mean, sd**2))
    assert drift.before_a_bend().line == line


def test_a_line_learned_says_what_the_next_begins_with() -> None:
    wear = Drift(0.002, wanders=wanders_within(0.005))
    rng = np.random.default_rng(1)
    for k in range(60):
        wear.update(0.1 * k, 0.03 * (k % 2) * -0.38 + rng.normal(0.0, 0.002), (k % 2) * -0.38)
    left = habits_of(Noise(0.01, 40.0, 0.0), wear, True)
    assert (left.sigma, left.effective_count, left.jumps) == (0.01, 40.0, True)
    assert sum(left.wanders) == pytest.approx(1.0)
    assert left.by_pressure == pytest.approx(0.03, abs=3.0 * left.by_pressure_sd)
    assert left.by_pressure_sd < 0.005
    still = sum(w for w, (sd, *_) in zip(left.wanders, WANDERS, strict=True) if sd == 0.0)
    assert still > 0.25  # more than beforehand

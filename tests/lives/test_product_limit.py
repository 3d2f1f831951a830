"""The product-limit estimate against published curves and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight

from borewarden.lives.posterior import JewelRecord
from borewarden.lives.product_limit import product_limit


def records(hours: list[float], ended: list[int], entry: list[float] | None = None):
    entries = entry or [0.0] * len(hours)
    return [
        JewelRecord("ruby", h, bool(e), at) for h, e, at in zip(hours, ended, entries, strict=True)
    ]


def test_curve_is_the_published_one_of_the_leukaemia_trial() -> None:
    """6-mercaptopurine, 21 patients (Freireich et al. 1963, Blood 21, 699-716).

    The curve as textbooks print it, from memory: Lawless 2003, Kalbfleisch & Prentice 2002.
    """
    weeks = [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
    steps = product_limit(records([float(w) for w in weeks], [1] * 9 + [0] * 12))
    assert steps.hours.tolist() == [6.0, 7.0, 10.0, 13.0, 16.0, 22.0, 23.0]
    assert steps.lasts == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)
    assert steps.watched.tolist() == [21.0, 17.0, 15.0, 12.0, 11.0, 7.0, 6.0]


def test_curve_is_the_published_one_of_maintained_leukaemia() -> None:
    """Eleven maintained patients (Embury et al. 1977); R's `survfit(Surv(time, status))`, which

    prints these values in the documentation of its survival package (from memory).
    """
    weeks = [9.0, 13.0, 13.0, 18.0, 23.0, 28.0, 31.0, 34.0, 45.0, 48.0, 161.0]
    steps = product_limit(records(weeks, [1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0]))
    expected = [0.909, 0.818, 0.716, 0.614, 0.491, 0.368, 0.184]
    assert steps.lasts == pytest.approx(expected, abs=5e-4)
    assert steps.censored.tolist() == [13.0, 28.0, 45.0, 161.0]


jewels = st.lists(
    st.tuples(st.integers(1, 60), st.booleans(), st.integers(0, 59)), min_size=1, max_size=30
)


@given(jewels)
def test_curve_is_statsmodels_with_late_entries_and_ties(
    drawn: list[tuple[int, bool, int]],
) -> None:
    hours = [float(h) for h, _, _ in drawn]
    ended = [int(e) for _, e, _ in drawn]
    entry = [float(min(at, h - 1)) for h, _, at in drawn]
    steps = product_limit(records(hours, ended, entry))
    if not any(ended):
        assert len(steps.lasts) == 0
        return
    theirs = SurvfuncRight(np.array(hours), np.array(ended), entry=np.array(entry))
    assert steps.hours == pytest.approx(theirs.surv_times)
    assert steps.watched == pytest.approx(theirs.n_risk)
    assert steps.lasts == pytest.approx(theirs.surv_prob, abs=1e-12)


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=20))
def test_without_censoring_it_is_the_share_that_lasted(hours: list[float]) -> None:
    steps = product_limit(records(hours, [1] * len(hours)))
    for at, lasts in zip(steps.hours, steps.lasts, strict=True):
        assert lasts == pytest.approx(np.mean(np.array(hours) > at), abs=1e-9)


def test_a_new_jewel_that_went_at_once_counts_and_a_used_one_that_was_not_watched_does_not() -> (
    None
):
    steps = product_limit(records([0.0, 5.0, 8.0], [1, 1, 1], [0.0, 5.0, 0.0]))
    assert steps.hours.tolist() == [0.0, 8.0]
    assert steps.lasts == pytest.approx([0.5, 0.0])


def test_no_jewels_no_steps() -> None:
    assert len(product_limit([]).hours) == 0

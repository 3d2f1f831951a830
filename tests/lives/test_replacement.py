"""Age replacement against published examples, Barlow & Hunter's condition, and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from borewarden.lives.posterior import JewelRecord, learn
from borewarden.lives.replacement import EVEN, Advice, Costs, cost_rate, hours_to_change, plan
from borewarden.lives.survival import Lives, mean_life, survival


def weibull(scale: float, shape: float, share: float = 0.0, early: float = 1.0) -> Lives:
    return Lives(*(np.array([x]) for x in (scale, shape, share, early)))


def test_optimum_is_the_published_one() -> None:
    """Weibull with shape 2.5 and scale 1,000 h, planned 1, failed 5.

    reliawiki.org, "Optimum Replacement Time Example": 493.0470 h. The documentation of the
    library reliability, `optimal_replacement_time`: 493.05 h at 0.0035 per unit time.
    """
    found = plan(weibull(1000.0, 2.5), Costs(1.0, 5.0))
    assert found.age == pytest.approx(493.0470, abs=1e-3)
    assert found.cost_rate.middle == pytest.approx(0.0035, abs=5e-5)


def test_cost_rate_is_the_closed_form_of_a_rayleigh_life() -> None:
    """Shape 2: the integral of R is scale sqrt(pi)/2 erf(T/scale)."""
    ages = np.array([5.0, 20.0, 50.0, np.inf])
    lasts = np.exp(-((ages / 40.0) ** 2))
    expected = (lasts + 6.0 * (1.0 - lasts)) / (
        40.0 * np.sqrt(np.pi) / 2.0 * special.erf(ages / 40.0)
    )
    assert cost_rate(weibull(40.0, 2.0), ages, Costs(1.0, 6.0))[0] == pytest.approx(expected)


@settings(deadline=None)
@given(st.floats(1.3, 6.0), st.floats(3.0, 50.0), st.floats(5.0, 2000.0))
def test_optimum_meets_barlow_and_hunters_condition(
    shape: float, failed: float, scale: float
) -> None:
    """h(T) * integral of R - F(T) = planned / (failed - planned) (their eq. for policy I)."""
    law = weibull(scale, shape)
    age = plan(law, Costs(1.0, failed), worth=0.0).age
    if np.isinf(age):  # the optimum lies beyond where one jewel in a thousand is left
        assert shape < 1.6
        return
    hazard = shape / scale * (age / scale) ** (shape - 1.0)
    left = hazard * mean_life(law, age)[0, 0] - (1.0 - survival(law, age)[0, 0])
    assert left == pytest.approx(1.0 / (failed - 1.0), rel=1e-2)


@pytest.mark.parametrize("shape", [0.5, 0.8, 1.0])
@pytest.mark.parametrize("failed", [2.0, 20.0])
def test_runs_to_failure_where_the_hazard_does_not_rise(shape: float, failed: float) -> None:
    found = plan(weibull(50.0, shape), Costs(1.0, failed))
    assert found.age == np.inf
    assert found.saving == pytest.approx((0.0, 0.0, 0.0))


@pytest.mark.parametrize("worth", [0.01, 0.0])
def test_runs_to_failure_where_so_little_is_saved_that_it_is_not_worth_it(worth: float) -> None:
    """The hazard rises a little, so that some age does cost less: by less than a hundredth."""
    law, costs = weibull(50.0, 1.2), Costs(1.0, 4.0)
    found = plan(law, costs, worth)
    best = np.min(cost_rate(law, np.geomspace(1.0, 1000.0, 400), costs))
    saved = 1.0 - best / cost_rate(law, np.inf, costs)[0, 0]
    assert 0.0 < saved < 0.01
    assert found.advice is (Advice.CHANGE if worth == 0.0 else Advice.RUN)


def test_runs_to_failure_where_a_failure_costs_no_more() -> None:
    assert plan(weibull(50.0, 3.0), Costs(1.0, 1.0)).age == np.inf


def test_early_endings_put_the_change_off() -> None:
    """Each new jewel brings the risk of its first hours with it."""
    costs = Costs(1.0, 8.0)
    assert plan(weibull(45.0, 2.5, 0.25, 5.0), costs).age > plan(weibull(45.0, 2.5), costs).age


def test_cost_rate_is_that_of_simulated_jewels() -> None:
    rng = np.random.default_rng(3)
    n, age = 400_000, 30.0
    life = np.where(
        rng.random(n) < 0.25, 5.0 * rng.standard_exponential(n), 45.0 * rng.weibull(2.5, n)
    )
    cost = np.where(life < age, 8.0, 1.0).sum() / np.minimum(life, age).sum()
    computed = cost_rate(weibull(45.0, 2.5, 0.25, 5.0), age, Costs(1.0, 8.0))[0, 0]
    assert computed == pytest.approx(cost, rel=0.01)


laws = st.tuples(
    st.floats(10.0, 1000.0), st.floats(0.6, 5.0), st.floats(0.0, 0.5), st.floats(1.0, 20.0)
)


@settings(deadline=None, max_examples=50)
@given(st.lists(laws, min_size=1, max_size=6), st.floats(1.0, 30.0))
def test_no_other_age_is_cheaper_on_average(
    drawn: list[tuple[float, float, float, float]], failed: float
) -> None:
    lives = Lives(*(np.array(column) for column in zip(*drawn, strict=True)))
    costs = Costs(1.0, failed)
    found = plan(lives, costs, worth=0.01)
    ages = np.geomspace(0.5, 5000.0, 300)
    others = np.mean(cost_rate(lives, [*ages, np.inf], costs), axis=0)
    mine = float(np.mean(cost_rate(lives, found.best, costs)))
    assert mine <= np.min(others) / 0.99 * (1.0 + 1e-4)
    assert 0.0 <= found.cheaper <= 1.0
    followed = float(np.mean(cost_rate(lives, found.age, costs)))
    assert followed <= mine / (1.0 - EVEN) * (1.0 + 1e-9)


@settings(deadline=None, max_examples=50)
@given(laws, st.floats(2.0, 30.0), st.floats(0.1, 10.0), st.floats(0.1, 1000.0))
def test_age_goes_with_the_hours_and_not_with_the_currency(
    law: tuple[float, float, float, float], failed: float, stretch: float, currency: float
) -> None:
    scale, shape, share, early = law
    one = plan(weibull(*law), Costs(1.0, failed))
    other = plan(
        weibull(stretch * scale, shape, share, stretch * early),
        Costs(currency, currency * failed),
    )
    assert other.saving.middle == pytest.approx(one.saving.middle, abs=1e-6)
    if np.isfinite(one.age) and one.saving.middle > 0.011:
        assert other.age == pytest.approx(stretch * one.age, rel=2e-3)


def test_shop_without_records_is_told_how_little_is_known() -> None:
    """The priors alone leave the cost open by several times; no early change is urged on them."""
    found = plan(learn([]).lives("ruby"), Costs(1.0, 8.0))
    assert found.cost_rate.high > 5.0 * found.cost_rate.low
    assert found.age == np.inf


@pytest.mark.parametrize("costs", [Costs(0.0, 1.0), Costs(2.0, 1.0), Costs(1.0, np.inf)])
def test_costs_that_cannot_be_are_refused(costs: Costs) -> None:
    with pytest.raises(ValueError, match="a failure can't cost less"):
        plan(weibull(40.0, 2.0), costs)


def test_what_costs_the_same_is_no_matter_of_luck() -> None:
    """The draws of eight seeds never turn one advice into the other, nor do two like materials."""
    costs = Costs(24.0, 310.0)  # of the invented example in config/live
    for records in ([], [JewelRecord("ruby", hours, True) for hours in (12.0, 31.0, 55.0)]):
        seeds = [learn(records, draws=500, seed=seed) for seed in range(8)]
        for material in ("ruby", "diamond"):
            found = {plan(seed.lives(material), costs).advice for seed in seeds}
            assert len(found - {Advice.NO_DIFFERENCE}) <= 1, (len(records), material)
    prior = learn([])
    ruby, sapphire = (plan(prior.lives(name), costs) for name in ("ruby", "sapphire"))
    assert ruby.advice is sapphire.advice is Advice.NO_DIFFERENCE
    assert ruby.age == np.inf


def test_a_jewel_that_lasts_as_the_law_says_is_changed_at_the_planned_age() -> None:
    """The rule for the jewel that is fitted now is the same optimum, seen from age 0."""
    law, costs = weibull(40.0, 3.0), Costs(1.0, 8.0)
    planned = plan(law, costs)
    left = np.linspace(0.0, 100.0, 4001)
    found = hours_to_change(left, survival(law, left)[0], costs, planned.cost_rate.middle)
    assert found == pytest.approx(planned.age, rel=0.01)


def test_a_jewel_that_does_not_wear_is_never_changed_before_it_fails() -> None:
    """An exponential life: the one that is fitted is as good as the next one at any age."""
    law, costs = weibull(40.0, 1.0), Costs(1.0, 8.0)
    left = np.linspace(0.0, 400.0, 401)
    rate = float(cost_rate(law, np.inf, costs)[0, 0])
    assert hours_to_change(left, survival(law, left)[0], costs, rate) == np.inf

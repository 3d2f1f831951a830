"""The law of life against SciPy and quadrature, the chances against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, special, stats

from borewarden.detect.wear import Line
from borewarden.lives.survival import (
    Lives,
    chance_to_last,
    chance_to_last_given_wear,
    draw_life,
    interval,
    mean_life,
    quantile,
    survival,
)

RUBY = (45.0, 2.5, 0.25, 5.0)
SAYS_NOTHING = Line(0.0, 0.0, 1e6, 0.0, 1e6)  # neither level nor slope known
LIMIT = 0.077


def lives(*laws: tuple[float, float, float, float]) -> Lives:
    return Lives(*(np.array(column) for column in zip(*laws, strict=True)))


some_lives = st.lists(
    st.tuples(
        st.floats(1.0, 2000.0), st.floats(0.4, 8.0), st.floats(0.0, 1.0), st.floats(0.1, 200.0)
    ),
    min_size=1,
    max_size=5,
).map(lambda laws: lives(*laws))
some_hours = st.floats(0.0, 5000.0)


@given(some_lives, some_hours)
def test_survival_is_scipys(laws: Lives, hours: float) -> None:
    expected = laws.early_share * stats.expon.sf(hours, scale=laws.early_scale)
    expected += (1.0 - laws.early_share) * stats.weibull_min.sf(hours, laws.shape, scale=laws.scale)
    assert survival(laws, hours)[:, 0] == pytest.approx(expected, rel=1e-9, abs=1e-300)


@given(some_lives, st.lists(some_hours, min_size=2, max_size=6))
def test_survival_begins_at_one_and_never_rises(laws: Lives, hours: list[float]) -> None:
    curve = survival(laws, [0.0, *sorted(hours)])
    assert curve[:, 0] == pytest.approx(1.0)
    assert np.all(np.diff(curve, axis=1) <= 1e-12)


@pytest.mark.parametrize("until", [1.0, 20.0, 60.0, np.inf])
@pytest.mark.parametrize("law", [RUBY, (950.0, 4.0, 0.0, 1.0), (40.0, 0.7, 0.5, 3.0)])
def test_mean_life_is_the_integral_of_survival(
    law: tuple[float, float, float, float], until: float
) -> None:
    by_quadrature, _ = integrate.quad(lambda t: survival(lives(law), t)[0, 0], 0.0, until)
    assert mean_life(lives(law), until)[0, 0] == pytest.approx(by_quadrature, rel=1e-7)


def test_mean_of_a_weibull_is_its_textbook_one() -> None:
    assert mean_life(lives((1000.0, 2.5, 0.0, 1.0)))[0, 0] == pytest.approx(
        1000.0 * special.gamma(1.4), rel=1e-12
    )


@given(some_lives, st.floats(0.001, 0.999))
def test_quantile_is_where_that_share_has_ended(laws: Lives, ended: float) -> None:
    at = quantile(laws, ended)
    assert np.diag(survival(laws, at)) == pytest.approx(1.0 - ended, abs=1e-6)


@pytest.mark.parametrize("age", [0.0, 3.0, 30.0])
def test_drawn_lives_follow_the_law(age: float) -> None:
    laws = lives(*[RUBY] * 4000)
    drawn = draw_life(laws, age, np.random.default_rng(5))

    def ended(hours: np.ndarray) -> np.ndarray:
        at = survival(lives(RUBY), np.append(age + np.asarray(hours), age))[0]
        return 1.0 - at[:-1] / at[-1]

    assert stats.kstest(drawn, ended).pvalue > 1e-3


def test_chance_is_the_mean_over_the_posterior_between_its_bounds() -> None:
    laws = lives(RUBY, (30.0, 2.0, 0.2, 4.0), (60.0, 3.0, 0.3, 8.0))
    at = survival(laws, [20.0, 28.0])
    chance = chance_to_last(laws, 20.0, 8.0)
    assert chance.middle == pytest.approx(float(np.mean(at[:, 1] / at[:, 0])))
    assert chance.low <= chance.middle <= chance.high


@given(some_lives, some_hours, st.floats(0.0, 500.0), st.floats(0.0, 500.0))
def test_lasting_longer_is_never_likelier(
    laws: Lives, age: float, hours: float, more: float
) -> None:
    soon, late = chance_to_last(laws, age, hours), chance_to_last(laws, age, hours + more)
    assert 0.0 <= late.middle <= soon.middle + 1e-12 <= 1.0 + 2e-12
    worn_soon, worn_late = (
        chance_to_last_given_wear(laws, age, h, Line(0.0, 0.002, 1e-5, 0.0, 1e-6), age, LIMIT)
        for h in (hours, hours + more)
    )
    assert 0.0 <= worn_late.middle <= worn_soon.middle + 1e-12 <= 1.0 + 2e-12


def test_having_survived_the_first_hours_is_good_news_where_some_go_early() -> None:
    ruby = lives(RUBY)
    assert chance_to_last(ruby, 10.0, 5.0).middle > chance_to_last(ruby, 0.0, 5.0).middle


@given(some_lives, st.floats(0.0, 1.5), st.floats(0.0, 1.5))
def test_a_line_that_says_nothing_leaves_the_chance_alone(
    laws: Lives, age: float, hours: float
) -> None:
    age, hours = age * float(laws.scale[0]), hours * float(laws.scale[0])
    plain = chance_to_last(laws, age, hours)
    given_wear = chance_to_last_given_wear(laws, age, hours, SAYS_NOTHING, age, LIMIT)
    assert given_wear.middle == pytest.approx(plain.middle, abs=4e-3)


def test_a_sure_line_decides_for_a_jewel_that_wears_out() -> None:
    """Passes the limit in 12 h, give or take one."""
    diamond, slope = lives((60.0, 2.5, 0.0, 1.0)), LIMIT / 32.0
    line = Line(0.0, slope, 0.0, 0.0, (slope / 30.0) ** 2)
    assert chance_to_last_given_wear(diamond, 20.0, 8.0, line, 20.0, LIMIT).middle > 0.97
    assert chance_to_last_given_wear(diamond, 20.0, 16.0, line, 20.0, LIMIT).middle < 0.03


def test_a_jewel_that_is_all_but_worn_lasts_as_long_as_its_line_says() -> None:
    """Half an hour, give or take three minutes, where the shop's jewels last for days."""
    slope = LIMIT / 20.5
    line = Line(0.0, slope, (0.05 * slope) ** 2, 0.0, 0.0)
    diamond = lives((60.0, 2.5, 0.0, 1.0))
    assert chance_to_last_given_wear(diamond, 20.0, 0.3, line, 20.0, LIMIT).middle > 0.97
    assert chance_to_last_given_wear(diamond, 20.0, 0.8, line, 20.0, LIMIT).middle < 0.03


def test_a_jewel_past_the_limit_will_not_last() -> None:
    line = Line(0.09, 0.001, 1e-6, 0.0, 1e-8)
    assert chance_to_last_given_wear(lives(RUBY), 20.0, 8.0, line, 20.0, LIMIT) == (0.0, 0.0, 0.0)


def test_chance_given_wear_is_the_share_among_simulated_jewels_that_measured_alike() -> None:
    """Jewels that wear in a straight line to the limit, their slopes measured with noise.

    Of those whose measured slope comes out as the line's, the share that lasts.
    """
    rng = np.random.default_rng(11)
    scale, shape, age, hours, noise = 45.0, 2.5, 20.0, 8.0, 0.0006
    life = scale * rng.weibull(shape, 2_000_000)
    life = life[life > age]
    measured = LIMIT / life + noise * rng.standard_normal(len(life))
    slope = 0.0028
    alike = np.abs(measured - slope) < 0.00005
    simulated = float(np.mean(life[alike] > age + hours))
    line = Line(0.0, slope, 0.0, 0.0, noise**2)
    computed = chance_to_last_given_wear(
        lives((scale, shape, 0.0, 1.0)), age, hours, line, age, LIMIT
    )
    spread = (simulated * (1.0 - simulated) / alike.sum()) ** 0.5
    assert computed.middle == pytest.approx(simulated, abs=4.0 * spread + 2e-3)


def test_interval_is_the_central_nine_tenths() -> None:
    assert interval(np.linspace(0.0, 100.0, 101)) == (5.0, 50.0, 95.0)

"""Demand for jewels against Poisson, renewal convolution and the normal order point."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, special, stats

from borewarden.lives.posterior import learn
from borewarden.lives.stock import Head, demand, jewels_to_hold
from borewarden.lives.survival import Lives


def same(n: int, scale: float, shape: float, share: float = 0.0, early: float = 1.0) -> Lives:
    """A law of life known for certain, `n` draws of it."""
    return Lives(*(np.full(n, x) for x in (scale, shape, share, early)))


@pytest.mark.parametrize("service", [0.8, 0.9, 0.95])
def test_without_wear_demand_is_poisson(service: float) -> None:
    """Exponential lives: the sum of the heads is a Poisson process (Palm 1938; Feller 1968)."""
    heads = [Head(same(10_000, 40.0, 1.0), hours) for hours in (40.0, 30.0, 50.0)]
    mean = 2.0 * 120.0 / 40.0
    used = demand(heads, 2.0)
    assert np.mean(used) == pytest.approx(mean, abs=4.0 * (mean / len(used)) ** 0.5)
    expected = int(stats.poisson.ppf(service, mean))
    # only if the service is not so near a step of the law that luck decides
    assert min(abs(stats.poisson.cdf(k, mean) - service) for k in range(40)) > 0.003
    assert jewels_to_hold(heads, 2.0, service).hold == expected


def test_demand_of_wearing_jewels_is_the_renewal_convolution() -> None:
    """P(N >= k) is the k-fold convolution of the law of life (Cox 1962, "Renewal Theory")."""
    step, hours, scale, shape = 0.02, 100.0, 45.0, 2.5
    edges = np.arange(0.0, hours + step, step)
    mass = np.diff(stats.weibull_min.cdf(edges, shape, scale=scale))
    total, chances = mass, []
    for _ in range(6):
        chances.append(total.sum())
        total = signal.fftconvolve(total, mass)[: len(mass)]
    used = demand([Head(same(20_000, scale, shape), hours)], 1.0)
    for k, chance in enumerate(chances, start=1):
        assert np.mean(used >= k) == pytest.approx(chance, abs=0.01)


def test_many_heads_tend_to_the_normal_order_point() -> None:
    """mean + k sd of Silver, Pyke & Peterson 1998, ch. 7; renewal moments of Cox 1962, ch. 4.

    Over a long time t a head uses t/m jewels on average, plus (v²/m² - 1)/2, with variance
    t v²/m³, m and v² mean and variance of a life.
    """
    scale, shape, weeks, hours, heads = 40.0, 2.0, 20.0, 50.0, 30
    mean = scale * special.gamma(1.0 + 1.0 / shape)
    variance = scale**2 * special.gamma(1.0 + 2.0 / shape) - mean**2
    t = weeks * hours
    expected = heads * (t / mean + 0.5 * (variance / mean**2 - 1.0))
    spread = (heads * t * variance / mean**3) ** 0.5
    stock = jewels_to_hold([Head(same(1000, scale, shape), hours)] * heads, weeks, 0.95)
    assert stock.demand.middle == pytest.approx(expected, rel=0.01)
    assert stock.hold == pytest.approx(expected + stats.norm.ppf(0.95) * spread, abs=3.0)


def test_planned_changes_come_like_clockwork_where_nothing_fails() -> None:
    never = same(50, 1e9, 5.0)
    used = demand([Head(never, 40.0, age=20.0, change_at=30.0)], 3.0)
    assert np.all(used == 1 + (120 - 10) // 30)
    soon = demand([Head(never, 40.0, age=20.0, change_at=30.0, change_in=1.0)], 3.0)
    assert np.all(soon == 1 + (120 - 1) // 30)
    kept = demand([Head(never, 40.0, age=20.0, change_at=30.0, change_in=np.inf)], 3.0)
    assert np.all(kept == 0)


def test_old_jewels_need_more_spares_soon() -> None:
    law = same(4000, 45.0, 3.0)
    young, old = (demand([Head(law, 30.0, age)], 1.0).mean() for age in (0.0, 60.0))
    assert old > young + 0.4


def test_not_knowing_the_life_needs_more_spares() -> None:
    """Same median life: the draws of a shop without records against one law known for certain."""
    unknown = learn([]).lives("ruby")
    known = same(1000, *(float(np.median(x)) for x in unknown))
    hold = [jewels_to_hold([Head(law, 45.0)] * 4, 4.0, 0.95).hold for law in (known, unknown)]
    assert hold[1] > hold[0]


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.tuples(st.floats(0.0, 80.0), st.floats(0.0, 100.0)), min_size=1, max_size=5),
    st.floats(0.1, 8.0),
    st.floats(0.1, 0.9),
)
def test_more_weeks_more_service_or_more_heads_never_need_fewer(
    heads: list[tuple[float, float]], weeks: float, service: float
) -> None:
    law = same(100, 45.0, 2.5, 0.25, 5.0)
    fleet = [Head(law, hours, age) for hours, age in heads]
    stock = jewels_to_hold(fleet, weeks, service)
    assert stock.service >= service
    assert stock.demand.low <= stock.demand.middle <= stock.demand.high
    assert jewels_to_hold(fleet, weeks, service + 0.09).hold >= stock.hold
    assert np.all(demand(fleet, 2.0 * weeks) >= 0)
    assert demand(fleet, 3.0 * weeks).mean() >= demand(fleet, weeks).mean()
    assert jewels_to_hold([*fleet, Head(law, 40.0)], weeks, service).hold >= stock.hold


def test_a_head_that_stands_still_uses_nothing() -> None:
    assert demand([Head(same(10, 45.0, 2.0), 0.0)], 10.0).max() == 0
    assert jewels_to_hold([], 3.0).hold == 0


def test_a_jewel_past_its_planned_age_is_changed_at_once() -> None:
    """However short that age is and whatever time is left: it takes one, and no more."""
    law = same(10, 1e6, 5.0)
    for change_at, age in ((40.0, 50.0), (0.9, 0.9)):
        assert np.all(demand([Head(law, 0.5, age, change_at)], 1.0) == 1)


def test_what_cannot_be_is_refused() -> None:
    law = same(10, 45.0, 2.0)
    with pytest.raises(ValueError, match="finite and not negative"):
        demand([Head(law, -1.0)], 1.0)
    with pytest.raises(ValueError, match="to change at above 0"):
        demand([Head(law, 1.0, change_at=0.0)], 1.0)
    with pytest.raises(ValueError, match="the present one in -1"):
        demand([Head(law, 1.0, change_in=-1.0)], 1.0)
    with pytest.raises(ValueError, match="one posterior"):
        demand([Head(law, 1.0), Head(same(5, 45.0, 2.0), 1.0)], 1.0)
    with pytest.raises(ValueError, match="above 0 and below 1"):
        jewels_to_hold([Head(law, 1.0)], 1.0, service=1.0)

"""Chances, planned changes, stock and costs: by hand, by properties, against the pure package."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.detect.wear import Line
from borewarden.diagnose.causes import Belief, Cause
from borewarden.jewels.bore_choice import JEWEL_COSTS, hourly_cost
from borewarden.jewels.fitting import Fitting
from borewarden.lives.posterior import JewelRecord, Posterior, learn
from borewarden.lives.replacement import Costs, cost_rate, plan
from borewarden.lives.survival import (
    Lives,
    chance_to_last,
    chance_to_last_given_wear,
    mean_life,
    survival,
)
from borewarden.planning.outlook import (
    OwnWear,
    chance_of,
    change_of,
    costs_of,
    outlook_of,
    stock_of,
)
from borewarden.planning.snapshot import WEEK_NS, HeadSeen, MachineSeen, Wear
from borewarden.settings import ShopSettings, load_shop
from borewarden.show.plan_objects import plan_object
from borewarden.show.plan_words import hours_cell, to_do
from borewarden.watcher.verdict import State, Verdict
from borewarden.watcher.watcher import Alert

AT = 1_773_000_000 * 10**9
EXAMPLE = load_shop(Path(__file__).parents[2] / "config" / "live" / "shop.toml")
WORN = Wear(Line(0.0, 0.0036, 1e-6, 0.0, 1e-8), 18.0)  # 1.2 % of area left to the limit: 3.4 h
FRESH = Wear(Line(0.0, 0.0001, 1e-6, 0.0, 1e-8), 18.0)


def head(hours: float | None = 18.0, material: str = "ruby", name: str = "1") -> HeadSeen:
    return HeadSeen(Fitting("North", name, AT - WEEK_NS, 0.254e-3, material), True, hours)


def machine(*heads: HeadSeen, **known: object) -> MachineSeen:
    stated = {"state": State.SOUND, "newest_ns": AT, "hours_a_week": 40.0}
    heads = heads or (head(),)
    return MachineSeen("North", "Europe/Vienna", 0.08, heads, **(stated | known))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def posterior() -> Posterior:
    rng = np.random.default_rng(1)
    return learn([JewelRecord("ruby", 45.0 * float(rng.weibull(3.0)), True) for _ in range(40)])


# -- chance


def test_chance_is_that_of_the_records_or_of_the_wear_line(posterior: Posterior) -> None:
    lives = posterior.lives("ruby")
    plain = chance_of(machine(), head(), lives, 8.0)
    assert plain.chance == chance_to_last(lives, 18.0, 8.0)
    assert "no wear line yet" in plain.basis
    worn = chance_of(machine(wear=WORN), head(), lives, 8.0)
    assert worn.chance == chance_to_last_given_wear(
        lives, 18.0, 8.0, WORN.line, 18.0, math.log1p(0.08)
    )
    assert worn.chance is not None
    fresh = chance_of(machine(wear=FRESH), head(), lives, 8.0).chance
    assert fresh is not None
    assert worn.chance.middle < 0.2 < 0.9 < fresh.middle


def test_wear_counts_only_where_it_is_that_jewels_and_no_faults(posterior: Posterior) -> None:
    lives = posterior.lives("ruby")
    plain = chance_of(machine(), head(), lives, 8.0).chance
    for fault in (State.OTHER_FAULT, State.CANNOT_TELL, State.NOT_STATED_BORE, State.LEARNING):
        found = chance_of(machine(wear=WORN, state=fault), head(), lives, 8.0)
        assert found.chance == plain
        assert "can't be judged" in found.basis
    two = machine(head(), head(name="2"), wear=WORN)
    assert chance_of(two, two.heads[0], lives, 8.0).chance == plain


def test_an_opened_bore_lasts_no_longer_and_unknown_hours_say_nothing(
    posterior: Posterior,
) -> None:
    lives = posterior.lives("ruby")
    at_limit = Wear(WORN.line, 25.0)
    worn = chance_of(machine(wear=at_limit), head(25.0), lives, 8.0)
    assert worn == ((0.0, 0.0, 0.0), "worn to the limit")
    assert chance_of(machine(state=State.OPENED), head(), lives, 8.0).chance == (0.0, 0.0, 0.0)
    unknown = machine(head(None))
    assert chance_of(unknown, unknown.heads[0], lives, 8.0).chance is None
    two = machine(head(), head(name="2"), state=State.OPENED)
    found = chance_of(two, two.heads[0], lives, 8.0)
    assert found.chance is None
    assert "can't tell which" in found.basis


some_lives = st.lists(
    st.tuples(
        st.floats(10.0, 500.0), st.floats(0.6, 5.0), st.floats(0.0, 0.5), st.floats(1.0, 30.0)
    ),
    min_size=1,
    max_size=5,
).map(lambda laws: Lives(*(np.array(column) for column in zip(*laws, strict=True))))


@settings(deadline=None, max_examples=60)
@given(some_lives, st.floats(0.0, 200.0), st.floats(0.0, 50.0), st.floats(0.0, 50.0))
def test_chance_falls_with_hours(lives: Lives, age: float, short: float, more: float) -> None:
    own = head(age)
    for wear in (None, WORN, FRESH):
        seen = machine(own, wear=wear)
        soon = chance_of(seen, own, lives, short).chance
        later = chance_of(seen, own, lives, short + more).chance
        assert soon is not None
        assert later is not None
        assert 0.0 <= later.middle <= soon.middle + 1e-12 <= 1.0 + 1e-9


# -- planned change


@settings(deadline=None, max_examples=40)
@given(some_lives, st.floats(1.5, 20.0), st.floats(1.0, 5.0))
def test_dearer_failures_are_never_planned_for_later(
    lives: Lives, failed: float, dearer: float
) -> None:
    """`plan` runs to failure where changing saves less than 1 %; that is the latest of all."""
    first = plan(lives, Costs(1.0, failed))
    second = plan(lives, Costs(1.0, failed * dearer))
    if math.isinf(first.age):
        return
    if math.isinf(second.age):
        # only a curve that is flat to 1 % may do that
        best = float(np.mean(cost_rate(lives, first.age, Costs(1.0, failed * dearer))))
        to_failure = float(np.mean(cost_rate(lives, np.inf, Costs(1.0, failed * dearer))))
        assert best > 0.99 * to_failure
        return
    # the search leaves the age open to where the cost is flat in the sixth digit
    at_first = float(np.mean(cost_rate(lives, first.age, Costs(1.0, failed * dearer))))
    at_second = float(np.mean(cost_rate(lives, second.age, Costs(1.0, failed * dearer))))
    assert second.age <= first.age * 1.01 or at_second <= at_first * (1.0 + 1e-6)


def test_change_falls_due_by_age_on_its_date(posterior: Posterior) -> None:
    planned = plan(posterior.lives("ruby"), Costs(1.0, 8.0))
    assert math.isfinite(planned.age)
    change = change_of(machine(), head(10.0), planned, AT)
    assert change.hours == pytest.approx(planned.age - 10.0)
    assert change.time_ns == AT + round((planned.age - 10.0) / 40.0 * WEEK_NS)
    assert change_of(machine(), head(100.0), planned, AT)[:2] == (0.0, AT)
    nobody_knows = change_of(machine(hours_a_week=None), head(10.0), planned, AT)
    assert nobody_knows.time_ns is None
    assert "not known" in nobody_knows.why


def test_reported_wear_comes_before_the_age_and_an_opened_bore_before_all(
    posterior: Posterior,
) -> None:
    planned = plan(posterior.lives("ruby"), Costs(1.0, 8.0))
    worn = change_of(machine(wear=WORN, state=State.WEARING), head(1.0), planned, AT)
    assert worn.why == "wear, which may speed up"
    assert worn.hours is not None
    assert 2.0 < worn.hours < (math.log(1.08) - 0.0036 * 18.0) / 0.0036
    assert change_of(machine(wear=WORN), head(1.0), planned, AT).why == "planned age"
    own = OwnWear(posterior.lives("ruby"), Costs(1.0, 8.0))
    soon = change_of(machine(wear=WORN), head(18.0), planned, AT, own)
    late = change_of(machine(wear=FRESH), head(18.0), planned, AT, own)
    assert soon.why == late.why == "planned by its own wear"
    assert soon.hours is not None
    assert late.hours is not None
    assert soon.hours < worn.hours < late.hours
    assert change_of(machine(state=State.OPENED), head(1.0), planned, AT).hours == 0.0
    without_costs = change_of(machine(wear=WORN, state=State.WEARING), head(1.0), None, AT)
    assert without_costs == worn
    assert change_of(machine(), head(1.0), None, AT).hours is None


def test_run_to_failure_where_that_is_cheaper(posterior: Posterior) -> None:
    planned = plan(posterior.lives("ruby"), Costs(1.0, 1.0))
    change = change_of(machine(), head(), planned, AT)
    assert (change.hours, change.time_ns) == (math.inf, None)


def test_to_do_names_what_is_due_and_what_will_hardly_last(posterior: Posterior) -> None:
    opened = machine(state=State.OPENED)
    worn = machine(head(3.0), wear=WORN, state=State.WEARING)
    fresh = machine(head(1.0), wear=FRESH)
    outlooks = [
        outlook_of(seen, seen.heads[0], posterior, EXAMPLE, 8.0, AT)
        for seen in (opened, worn, fresh)
    ]
    lines = to_do(outlooks, stock_of(outlooks, posterior, EXAMPLE), 8.0)
    first = "North, head 1: confirm it as the verdict says, then change the jewel now"
    assert lines[0] == f"{first} (it has probably opened up)."
    assert "0 % chance to last 8 h more (the bore has probably opened up)" in lines[1]
    assert lines[2].startswith("North, head 1: change the jewel within ")
    assert lines[2].endswith(" of jet time (planned by its own wear).")
    assert lines[-1].startswith("Order ")
    assert "1 needed now, 4 on hand or ordered." in lines[-1]
    assert to_do(outlooks[2:], [], 8.0) == []


def test_a_bore_that_something_else_may_look_like_is_changed_with_that_said() -> None:
    beliefs = (Belief(Cause.BORE, 0.8, alike=(Cause.LEAK,)), Belief(Cause.LEAK, 0.15))
    verdict = Verdict(AT, State.OPENED, "why", *(1.0,) * 10, None, 0.8, causes=beliefs)
    opened = machine(state=State.OPENED, alert=Alert(AT, verdict))
    change = change_of(opened, head(), None, AT)
    assert change.hours == 0.0
    assert change.why == "it has probably opened up, or another fault that looks the same"
    even = machine(
        state=State.OPENED, alert=Alert(AT, dataclasses.replace(verdict, probability=0.5))
    )
    assert change_of(even, head(), None, AT).why.startswith("it may have opened up")


# -- stock


def rows(posterior: Posterior, shop: ShopSettings, *machines: MachineSeen):
    outlooks = [
        outlook_of(seen, own, posterior, shop, 8.0, AT) for seen in machines for own in seen.heads
    ]
    return {row.kind: row for row in stock_of(outlooks, posterior, shop)}


def with_stock(**stock: object) -> ShopSettings:
    section = EXAMPLE.stock.model_copy(update=stock)
    return EXAMPLE.model_copy(update={"stock": section})


def test_stated_hours_count_and_are_marked(posterior: Posterior) -> None:
    """Fitted with 25 h, 18 h seen since; the same before any telemetry came."""
    seen = head()
    seen = dataclasses.replace(seen, fitting=dataclasses.replace(seen.fitting, earlier_hours=25.0))
    unseen = dataclasses.replace(seen, hours=None)
    new = outlook_of(machine(), head(), posterior, EXAMPLE, 8.0, AT)
    used = outlook_of(machine(seen), seen, posterior, EXAMPLE, 8.0, AT)
    told = outlook_of(machine(unseen), unseen, posterior, EXAMPLE, 8.0, AT)
    assert new.plan is not None
    assert hours_cell(new) == ("18.0 h", "40 h per week")
    assert hours_cell(used) == ("43.0 h", "25.0 h of them as stated; 40 h per week")
    assert hours_cell(told) == ("25.0 h", "as stated; no telemetry since; 40 h per week")
    assert used.chance.chance < told.chance.chance < new.chance.chance  # type: ignore[operator]
    assert new.change.hours == pytest.approx(new.plan.age - 18.0)
    assert used.change.hours == pytest.approx(max(new.plan.age - 43.0, 0.0))
    assert told.change.hours == pytest.approx(max(new.plan.age - 25.0, 0.0))
    assert plan_object(used)["stated_hours"] == 25.0


def test_order_is_what_is_missing_from_what_to_hold(posterior: Posterior) -> None:
    found = rows(posterior, EXAMPLE, machine(), machine(head(5.0)))
    ruby, diamond = found[254, "ruby"], found[305, "diamond"]
    assert (ruby.heads, ruby.on_hand) == (2, 4)
    assert ruby.stock is not None
    assert ruby.to_order == max(ruby.stock.hold - 4, 0) > 0
    assert (diamond.heads, diamond.to_order) == (0, 0)  # on the shelf, in no head
    opened = rows(posterior, EXAMPLE, machine(state=State.OPENED), machine(head(5.0)))
    assert opened[254, "ruby"].due == 1
    assert "1 needed now" in opened[254, "ruby"].note


def test_stock_counts_the_change_that_the_jewels_own_wear_asks_for(posterior: Posterior) -> None:
    """Four jet hours to delivery: one that is worn by then is surely used, a fresh one hardly."""
    shop = with_stock(lead_time=0.1)
    worn, fresh = (
        rows(posterior, shop, machine(wear=wear, state=State.WEARING))[254, "ruby"].stock
        for wear in (WORN, FRESH)
    )
    assert worn is not None
    assert fresh is not None
    assert worn.demand.low >= 1.0
    assert fresh.demand.middle == 0.0


def test_what_is_not_known_is_not_made_up(posterior: Posterior) -> None:
    found = rows(posterior, EXAMPLE, machine(head(material="diamond"), hours_a_week=None))
    row = found[254, "diamond"]
    assert (row.stock, row.to_order, row.on_hand) == (None, None, None)
    assert "jet hours per week not known" in row.note
    assert "shelf stock not stated" in row.note


@settings(deadline=None, max_examples=15)
@given(st.floats(0.5, 8.0), st.floats(0.0, 8.0), st.floats(0.6, 0.9), st.floats(0.0, 0.09))
def test_longer_lead_or_more_service_never_needs_less(
    weeks: float, longer: float, service: float, more: float
) -> None:
    def hold(lead_time: float, service: float) -> int:
        shop = with_stock(lead_time=lead_time, service=service)
        stock = rows(PRIOR, shop, machine(), machine(head(5.0)))[254, "ruby"].stock
        assert stock is not None
        return stock.hold

    least = hold(weeks, service)
    assert hold(weeks + longer, service) >= least
    assert hold(weeks, service + more) >= least


PRIOR = learn([], draws=100)


# -- costs


def test_cost_of_a_jet_hour_is_the_mean_over_the_posterior(posterior: Posterior) -> None:
    """Per draw it is `life.choice.hourly_cost`, which test_choice.py checks."""
    found = {row.material: row for row in costs_of(posterior, EXAMPLE)}
    assert set(found) == set(JEWEL_COSTS)
    for row in found.values():
        assert sum(row.parts) == pytest.approx(row.total.middle)
        assert row.total.low <= row.total.middle <= row.total.high
        assert 0.0 < row.failed_share <= 1.0
        assert (row.failed_share == 1.0) == math.isinf(row.age)
    cheapest = min(found, key=lambda material: found[material].total.middle)
    assert {row.versus for row in found.values() if row.material != cheapest} == {cheapest}


def test_plan_and_costs_count_one_cost_of_a_failure() -> None:
    """For one law, what `plan` says a jet hour costs and what `costs` says, less the wear behind.

    They may not differ: half a chamber and half a tube that a failure ruins count in both.
    """
    law = Lives(*(np.array([x]) for x in (45.0, 3.0, 0.1, 5.0)))
    for material in JEWEL_COSTS:
        planned = plan(law, EXAMPLE.end_costs(material))
        failed = 1.0 - float(survival(law, planned.best)[0, 0])
        jewel = EXAMPLE.jewel_cost(material, float(mean_life(law, planned.best)[0, 0]), failed)
        hourly = hourly_cost(jewel, EXAMPLE.shop_cost())
        behind = hourly.mixing_chamber + hourly.focusing_tube
        assert hourly.total - behind == pytest.approx(planned.cost_rate.middle)
    assert EXAMPLE.end_costs("ruby").failed == pytest.approx(15 + 30 + 120 + 90 + 55)


def test_law_known_for_certain_costs_what_one_writes_out() -> None:
    """One draw: the row is `hourly_cost` itself, by renewal (Ross 1996, theorem 3.6.1)."""
    certain = learn([], draws=400)
    certain = dataclasses.replace(
        certain,
        parameters=np.repeat(np.mean(certain.parameters, axis=0)[None], 2, axis=0),
        spare=np.zeros(2),
    )
    for row in costs_of(certain, EXAMPLE):
        jewel = EXAMPLE.jewel_cost(row.material, row.life.middle, row.failed_share)
        assert row.parts == pytest.approx(hourly_cost(jewel, EXAMPLE.shop_cost()))
        assert row.total.low == pytest.approx(row.total.high)


def test_below_the_break_even_price_a_material_is_the_cheapest(posterior: Posterior) -> None:
    """Its own definition, on the means: at that price it costs as much as the other one."""
    row = next(row for row in costs_of(posterior, EXAMPLE) if row.material == "diamond")
    assert row.even_price.middle > row.price
    dear = [
        price.model_copy(update={"price": 3.0 * row.even_price.high})
        if price.material == "diamond"
        else price
        for price in EXAMPLE.jewel_price
    ]
    shop = EXAMPLE.model_copy(update={"jewel_price": dear})
    now = {row.material: row for row in costs_of(posterior, shop)}
    assert now["diamond"].total.middle > now[row.versus].total.middle

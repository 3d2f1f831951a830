"""Intervals against published tables, the front, the choice, and what leaving days out shows."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from borewarden.collect.labels import Label
from borewarden.tune.days import Shop, Trial, Window
from borewarden.tune.outcome import Found, Outcome
from borewarden.tune.trade import (
    Fold,
    _sooner,
    choose,
    chosen_days,
    delays,
    false_alarm_rate,
    leave_one_day_out,
    over_fitted,
    pareto,
    quantile,
    summarise,
    weigh_settings,
)

DAYS = 6
CHIPS = 10  # a day
INF, NAN = float("inf"), float("nan")


def shop(labels: int = 0) -> Shop:
    """Nothing but days, trials and labels: all that the figures are drawn from."""
    empty: Any = None
    first = dt.date(2026, 3, 2)
    return Shop(
        pump=empty, jewels=[], gate=empty, strokes_per_count=1.0, samples=empty, on=empty,
        jet_clock=empty,
        days=[first + dt.timedelta(days=k) for k in range(DAYS)],
        day_starts_ns=np.arange(DAYS, dtype=np.int64),
        sound=np.ones(DAYS, dtype=np.bool_),
        windows=[Window(Label(0, None, "chip", NAN, ""), 1, k) for k in range(labels)],
        trials=[Trial("chip", 0.08, 0, 1, day) for day in range(DAYS) for _ in range(CHIPS)]
        + [Trial("wear", 0.01, 0, 1, 0)],
    )  # fmt: skip


def outcome(
    middle: float = 60.0,
    false: tuple[int, ...] = (0,) * DAYS,
    hours: float = 100.0,
    seed: int = 0,
    labels: tuple[Found, ...] = (),
) -> Outcome:
    # what makes a chip slow to find is much the same for all settings
    spread = np.random.default_rng(0).uniform(-20.0, 20.0, DAYS * CHIPS)
    own = np.random.default_rng(seed).uniform(-2.0, 2.0, DAYS * CHIPS)
    return Outcome(
        hours=[hours] * DAYS,
        false=list(false),
        delay=[*(middle + spread + own).tolist(), 0.025],
        right=[True] * (DAYS * CHIPS + 1),
        found=list(labels),
        alerts=[],
    )


FOUND = Found(30.0, 40.0, "probably opened up", "bore opened up", True)
MISSED = Found(INF, INF, "", "", False)
DESIGNED = [1000.0] * 4
ALL = np.ones(DAYS, dtype=np.bool_)


# -- intervals


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [
        # Garwood (1936, Biometrika 28, 437-442), 95 % limits as in the common tables, from memory
        (0, 0.0, 3.689),
        (1, 0.0253, 5.572),
        (5, 1.623, 11.668),
        (10, 4.795, 18.390),
        (30, 20.241, 42.827),
    ],
)
def test_poisson_interval_is_garwoods(count: int, low: float, high: float) -> None:
    e = false_alarm_rate(count, 1000.0)
    assert (e.value, e.low, e.high) == (
        pytest.approx(count),
        pytest.approx(low, abs=0.001),
        pytest.approx(high, abs=0.001),
    )
    assert false_alarm_rate(count, 500.0).high == pytest.approx(2.0 * high, abs=0.002)


def test_no_hours_are_no_rate() -> None:
    e = false_alarm_rate(0, 0.0)
    assert np.isnan(e.value)
    assert (e.low, e.high) == (0.0, INF)


def test_quantile_interval_has_the_ranks_of_the_textbook() -> None:
    """Median of ten: ranks 2 and 9 hold 97.9 % (Conover 1999, "Practical Nonparametric Statistics",
    3rd ed., sec. 3.2, from memory; by the binomial table 1 - 2 * 0.0107)."""
    e = quantile(np.arange(1.0, 11.0), 0.5, 0.95)
    assert e == (5.0, 2.0, 9.0)


def test_quantile_interval_of_six_is_all_of_them() -> None:
    """The median is between the least and the largest unless all are on one side of it: 2 / 64."""
    assert quantile(np.arange(1.0, 7.0), 0.5, 0.95) == (3.0, 1.0, 6.0)


def test_quantile_interval_covers_what_it_says() -> None:
    rng = np.random.default_rng(1)
    truth = -np.log(0.05)  # 95 % quantile of the exponential
    held = [quantile(rng.exponential(size=80), 0.95) for _ in range(2000)]
    inside = np.mean([e.low <= truth <= e.high for e in held])
    assert 0.90 <= inside <= 0.96  # exact ones hold at least what they say


def test_quantiles_of_few_and_of_what_was_not_found() -> None:
    assert quantile(np.array([3.0, INF, INF]), 0.5) == (INF, 0.0, INF)
    assert quantile(np.arange(20.0), 0.95).high == INF
    assert all(np.isnan(quantile(np.array([]), 0.5)))


# -- front and choice


def test_front_keeps_what_none_betters() -> None:
    figures = [
        summarise(shop(), made, chosen_days(shop(), ALL))
        for made in (
            outcome(60.0, (0, 0, 1, 0, 0, 0)),
            outcome(50.0, (2, 0, 0, 0, 0, 0)),
            outcome(70.0),
            outcome(80.0),
            outcome(65.0, (2, 0, 0, 0, 0, 0)),
        )
    ]
    assert pareto(figures) == [True, True, True, False, False]


def test_figures_are_sums_over_the_days_that_count() -> None:
    made = outcome(60.0, (0, 1, 0, 2, 0, 0))
    made.delay[3] = INF
    made.delay[13] = NAN
    made.right[3] = made.right[13] = False
    s = summarise(shop(), made, chosen_days(shop(), np.arange(DAYS) < 2))
    assert (s.hours, s.false, s.chips, s.watched, s.found, s.right) == (200.0, 1, 20, 19, 18, 18)
    told = np.array(made.delay[:20])
    known = np.isfinite(told)
    assert s.worth == pytest.approx((np.sum(told[known]) + 3600.0) / 19)
    assert s.rate.value == pytest.approx(5.0)
    assert s.wears_found == 1


def test_equal_delays_on_the_same_chips_are_no_sign_of_being_sooner() -> None:
    """A chip that one of the two has not found says nothing."""
    ours = np.array([40.0, 60.0, np.nan, 90.0])
    assert _sooner(ours, np.array([40.0, 60.0, 70.0, 90.0])) == 1.0
    assert _sooner(ours, np.array([50.0, 70.0, 70.0, 99.0])) == 0.125  # of three, all sooner
    # chips that neither watched, or one alone, are left out
    unseen = np.append(ours, [NAN, NAN, 1.0])
    assert _sooner(unseen, np.array([50.0, 70.0, 70.0, 99.0, NAN, 1.0, NAN])) == 0.125


def test_a_surely_faster_setting_is_chosen() -> None:
    made = [outcome(60.0), outcome(50.0, seed=1), outcome(70.0, seed=2)]
    assert choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED).number == 1


def test_todays_stay_if_another_is_only_luckily_faster() -> None:
    made = [outcome(60.0), outcome(59.8, seed=1)]
    choice = choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED)
    assert choice.number == 0
    assert "not clearly faster" in choice.reason


def test_todays_stay_if_they_are_the_fastest() -> None:
    choice = choose(shop(), [outcome(50.0), outcome(60.0)], chosen_days(shop(), ALL), 1.0, DESIGNED)
    assert choice == (0, "no setting that is otherwise as good is faster than today's")


def test_more_false_alarms_or_a_missed_event_are_no_price_for_speed() -> None:
    labelled = shop(labels=1)
    today = outcome(60.0, labels=(FOUND,))
    for worse in (
        outcome(40.0, (0, 0, 1, 0, 0, 0), labels=(FOUND,)),
        outcome(40.0, labels=(MISSED,)),
        outcome(40.0, labels=(replace(FOUND, right=False),)),
    ):
        choice = choose(labelled, [today, worse], chosen_days(labelled, ALL), 1.0, DESIGNED)
        assert choice.number == 0
    unnamed = outcome(40.0)
    unnamed.right[:4] = [False] * 4  # of 60
    assert choose(shop(), [outcome(60.0), unnamed], chosen_days(shop(), ALL), 1.0, DESIGNED)[0] == 0
    blind = outcome(40.0)
    blind.delay[-1] = INF  # wear is not told any more
    assert choose(shop(), [outcome(60.0), blind], chosen_days(shop(), ALL), 1.0, DESIGNED)[0] == 0


@pytest.mark.parametrize(("hours", "number"), [(139.0, 0), (133.0, 1)])
def test_three_false_alarms_are_too_many_below_their_lower_limit(hours: float, number: int) -> None:
    """0.818 expected, below which three or more come in less than one case in 20 (Garwood 1936)."""
    made = [outcome(60.0, (3, 0, 0, 0, 0, 0), hours), outcome(90.0, hours=hours)]
    assert choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED).number == number


def test_one_chip_in_twenty_may_be_named_worse() -> None:
    made = [outcome(60.0), outcome(40.0, seed=1)]
    made[1].right[:3] = [False] * 3  # of 60
    assert choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED).number == 1


def test_a_detector_made_to_alarm_more_often_has_to_prove_that_it_does_not() -> None:
    made = [outcome(60.0), outcome(40.0, seed=1)]
    which = chosen_days(shop(), ALL)
    assert choose(shop(), made, which, 1.0, [1000.0, 200.0]).number == 0
    # 3.69 in 600 h is the upper limit of none: proof for 10 in 1,000 h, not for 1
    assert choose(shop(), made, which, 10.0, [1000.0, 50.0]).number == 1
    # 10 in 1,000 h is one in 100 h: made to alarm less often than that, it has nothing to prove
    made = [outcome(60.0, hours=10.0), outcome(40.0, hours=10.0, seed=1)]
    assert choose(shop(), made, which, 10.0, [1000.0, 200.0]).number == 1
    assert choose(shop(), made, which, 10.0, [1000.0, 90.0]).number == 0


def test_too_many_false_alarms_today_make_room_for_a_slower_setting() -> None:
    made = [outcome(60.0, (1, 1, 1, 1, 1, 1)), outcome(90.0), outcome(80.0)]
    assert choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED).number == 2


def test_a_faster_setting_that_names_more_labelled_events_is_chosen() -> None:
    wrong = Found(30.0, 40.0, "probably opened up", "bore opened up", False)
    made = [outcome(60.0, labels=(wrong,)), outcome(30.0, seed=1, labels=(FOUND,))]
    one = shop(labels=1)
    assert choose(one, made, chosen_days(one, ALL), 1.0, DESIGNED).number == 1


def test_none_acceptable_gives_the_quietest() -> None:
    made = [outcome(60.0, (3,) * 6), outcome(90.0, (2,) * 6)]
    choice = choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED)
    assert choice.number == 1
    assert "none is acceptable" in choice.reason


# -- days left out


def test_a_setting_that_only_one_day_speaks_for_is_not_chosen_without_it() -> None:
    lucky = outcome(60.0, seed=1)
    for k in range(CHIPS):  # very fast, but on day 0 only
        lucky.delay[k] -= 35.0
    folds = leave_one_day_out(shop(), [outcome(60.0), lucky], 1.0, DESIGNED)
    assert [fold.day for fold in folds] == list(range(DAYS))
    assert folds[0].number == 0
    assert folds[0].held_out.chips == CHIPS
    assert [fold.today.worth for fold in folds[1:]] == [
        pytest.approx(np.mean(outcome(60.0).delay[k : k + CHIPS])) for k in range(10, 60, 10)
    ]


def test_a_setting_whose_false_alarms_fall_on_the_day_left_out_is_over_fitted() -> None:
    bursting = outcome(40.0, (0, 0, 0, 0, 0, 7), seed=1)
    made = [outcome(60.0, (0, 0, 0, 0, 0, 0)), bursting]
    folds = leave_one_day_out(shop(), made, 1.0, DESIGNED)
    assert [fold.number for fold in folds] == [0, 0, 0, 0, 0, 1]
    assert folds[5].held_out.false == 7
    (found,) = over_fitted(shop(), made, folds)
    assert found.number == 1
    assert "7 false alarms" in found.reason
    assert weigh_settings(shop(), made, 1.0, DESIGNED).choice.number == 0


@pytest.mark.parametrize("hours", [100.0, 0.1])
@pytest.mark.parametrize(("left_out", "elsewhere"), [(3, 0), (4, 2), (2, 0), (2, 3)])
def test_false_alarms_of_days_left_out_by_the_exact_conditional_test(
    left_out: int, elsewhere: int, hours: float
) -> None:
    """Given their sum, those of one day of six are binomial with a share of 1/6 of the time."""
    made = [outcome(60.0, hours=hours), outcome(60.0, (left_out, elsewhere, 0, 0, 0, 0), hours)]
    alone = summarise(shop(), made[1], chosen_days(shop(), np.arange(DAYS) == 0))
    found = over_fitted(shop(), made, [Fold(0, 1, alone, alone)])
    test = stats.binomtest(left_out, left_out + elsewhere, 1 / 6, alternative="greater")
    assert [each.number for each in found] == ([1] if test.pvalue < 0.05 else [])
    assert all(f"p = {test.pvalue:.2g}" in each.reason for each in found)


def test_each_setting_answers_for_the_days_without_which_it_was_chosen() -> None:
    made = [outcome(60.0), outcome(60.0, (0, 7, 0, 0, 0, 0)), outcome(60.0)]
    alone = summarise(shop(), made[1], chosen_days(shop(), np.arange(DAYS) == 0))
    assert over_fitted(shop(), made, [Fold(0, 1, alone, alone), Fold(1, 2, alone, alone)]) == []
    found = over_fitted(shop(), made, [Fold(0, 2, alone, alone), Fold(1, 1, alone, alone)])
    assert [each.number for each in found] == [1]


def test_where_nobody_watched_on_the_day_left_out_delays_say_nothing() -> None:
    made = [outcome(60.0), outcome(50.0)]
    made[1].delay[:CHIPS] = [NAN] * CHIPS
    alone = summarise(shop(), made[1], chosen_days(shop(), np.arange(DAYS) == 0))
    assert over_fitted(shop(), made, [Fold(0, 1, alone, alone)]) == []


def test_a_setting_that_is_slower_on_the_day_left_out_is_over_fitted() -> None:
    """Ten chips found later than all others are no luck (Mann & Whitney); sooner is no fault."""
    made = [outcome(60.0), outcome(50.0)]
    made[1].delay[:CHIPS] = [delay + 40.0 for delay in made[1].delay[:CHIPS]]
    assert choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED).number == 1
    trade = weigh_settings(shop(), made, 1.0, DESIGNED)
    assert [fold.number for fold in trade.folds] == [1, 0, 0, 0, 0, 0]
    assert trade.choice.number == 0
    assert "over-fitted: slower on days left out" in trade.choice.reason
    made[1].delay[:CHIPS] = [delay - 80.0 for delay in made[1].delay[:CHIPS]]
    assert over_fitted(shop(), made, trade.folds) == []
    made[0].delay[:CHIPS] = [delay - 80.0 for delay in made[0].delay[:CHIPS]]
    assert over_fitted(shop(), made, trade.folds) == []  # today's were chosen by nobody


def test_a_setting_under_which_nobody_watched_a_chip_is_not_chosen() -> None:
    blind = outcome(40.0)
    blind.delay[:-1] = [NAN] * (DAYS * CHIPS)
    made = [outcome(60.0, (1,) * DAYS), blind, outcome(90.0)]  # today's alarms too often
    assert choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED).number == 2


def test_where_no_chips_are_tried_the_quieter_setting_is_chosen() -> None:
    bare = replace(shop(), trials=[])
    made = [replace(outcome(60.0, (n,) * DAYS), delay=[], right=[]) for n in (1, 0)]
    number, reason = choose(bare, made, chosen_days(bare, ALL), 1.0, DESIGNED)
    assert number == 1
    assert "too many false alarms" in reason


def test_a_setting_that_holds_on_every_day_is_not_over_fitted() -> None:
    made = [outcome(60.0), outcome(50.0, seed=1)]
    trade = weigh_settings(shop(), made, 1.0, DESIGNED)
    assert trade.choice.number == 1
    assert trade.over_fitted == []
    assert all(fold.number == 1 for fold in trade.folds)
    assert sum(fold.held_out.watched for fold in trade.folds) == DAYS * CHIPS


def test_chips_that_only_one_setting_watched_are_not_compared() -> None:
    made = [outcome(60.0), outcome(50.0, seed=1)]
    made[0].delay[3] = made[1].delay[7] = NAN
    number, reason = choose(shop(), made, chosen_days(shop(), ALL), 1.0, DESIGNED)
    assert number == 1
    assert "nan" not in reason


def test_of_two_days_each_can_be_left_out() -> None:
    two = replace(shop(), trials=[Trial("chip", 0.08, 0, 1, day) for day in (0, 5)] * 10)
    made = replace(outcome(), delay=[50.0] * 20, right=[True] * 20)
    assert len(leave_one_day_out(two, [made, made], 1.0, DESIGNED)) == DAYS


def test_a_single_day_can_not_be_left_out() -> None:
    one = replace(shop(), days=shop().days[:1], trials=[Trial("chip", 0.08, 0, 1, 0)] * 5)
    made = replace(outcome(), hours=[5.0], false=[0], delay=[50.0] * 5, right=[True] * 5)
    trade = weigh_settings(one, [made, made], 1.0, DESIGNED)
    assert trade.folds == []
    assert len(delays(one, made, chosen_days(one, np.ones(1, dtype=np.bool_)))) == 5

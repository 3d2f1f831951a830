"""The likelihood against published fits and other libraries, the draws against integration."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import surpyval
from hypothesis import given, settings
from hypothesis import strategies as st
from reliability.Fitters import Fit_Weibull_2P
from scipy import optimize, stats

from borewarden.lives.posterior import (
    EFFECT_SD,
    PRIORS,
    Conditions,
    JewelRecord,
    Model,
    Prior,
    columns_of,
    learn,
    temper,
)
from borewarden.lives.survival import interval, quantile
from invented_shop import calibration_ranks, three_months

# Distances of 38 vehicle shock absorbers to failure and when last seen sound, km (Meeker & Escobar
# 1998, "Statistical Methods for Reliability Data", table C.2; the list is a value from memory, the
# results below, which it reproduces, are those of the R package weibulltools,
# tests/testthat/_snaps/ml_estimation.md).
SHOCK_FAILED = [6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490]
SHOCK_SOUND = [
    6950,
    7820,
    8790,
    9660,
    9820,
    11310,
    11690,
    11850,
    11880,
    12140,
    12870,
    13330,
    13470,
    14040,
    17540,
    17890,
    18450,
    18960,
    18980,
    19410,
    20100,
    20150,
    20320,
    23490,
    27410,
    27890,
    28100,
]

# Weeks of remission in acute myelogenous leukaemia, until relapse and censored (Embury et al.
# 1977; Miller 1981, "Survival Analysis"; the list is a value from memory, the results below are
# those of R's survreg(Surv(time, status) ~ x, aml), as a public port of that package keeps them).
MAINTAINED = ([9, 13, 18, 23, 31, 34, 48], [13, 28, 45, 161])
NOT_MAINTAINED = ([5, 5, 8, 8, 12, 23, 27, 30, 33, 43, 45], [16])

WIDE = Prior(1.0, 30.0, 1.0, 30.0, 0.0, 1.0, "as good as flat")


def plain(life: float) -> dict[str, Prior]:
    """A plain Weibull life with next to no prior, started at a sensible place."""
    return {"any": WIDE._replace(life=life)}


def jewels_of(
    ended: list[int], sound: list[int], low_pressure_start: bool | None = None
) -> list[JewelRecord]:
    conditions = Conditions(low_pressure_start=low_pressure_start)
    return [
        JewelRecord("any", float(hours), done, conditions=conditions)
        for done, group in ((True, ended), (False, sound))
        for hours in group
    ]


def fit(model: Model, free: list[int]) -> tuple[np.ndarray, float]:
    """The parameters that maximise the likelihood, of those that are `free`; its logarithm."""

    def loss(x: np.ndarray) -> float:
        z = np.zeros((1, len(model.mean)))
        z[0, free] = (x - model.mean[free]) / model.sd[free]
        return -float(model.log_likelihood(z)[0])

    start = model.mean[free] + 0.1
    found = optimize.minimize(
        loss, start, method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 9999}
    )
    return found.x, -found.fun


def log_scale(parameters: np.ndarray) -> float:
    """Log of the Weibull scale from the log median life and the log shape."""
    return float(parameters[0] - np.log(np.log(2.0)) / np.exp(parameters[1]))


def test_fit_is_the_published_one_for_the_shock_absorbers() -> None:
    records = jewels_of(SHOCK_FAILED, SHOCK_SOUND)
    model = Model(records, plain(20000.0))
    found, log_likelihood = fit(model, [0, 1])
    assert log_scale(found) == pytest.approx(10.2298631, abs=1e-6)
    assert np.exp(-found[1]) == pytest.approx(0.3164092, abs=1e-6)
    # the model's density is one of log hours
    log_hours = sum(np.log(record.jet_hours) for record in records if record.ended)
    assert log_likelihood - log_hours == pytest.approx(-123.9954, abs=5e-5)


def test_curvature_is_the_published_covariance_for_the_shock_absorbers() -> None:
    """The observed information of (mu, sigma), by differences of the likelihood."""
    model = Model(jewels_of(SHOCK_FAILED, SHOCK_SOUND), plain(20000.0))

    def log_likelihood(mu: float, sigma: float) -> float:
        z = np.zeros((1, len(model.mean)))
        natural = np.array([mu + sigma * np.log(np.log(2.0)), -np.log(sigma)])
        z[0, :2] = (natural - model.mean[:2]) / model.sd[:2]
        return float(model.log_likelihood(z)[0])

    at, h = np.array([10.2298631, 0.3164092]), np.array([1e-3, 1e-3])
    information = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            a, b = np.eye(2)[i] * h, np.eye(2)[j] * h
            corners = [(1, at + a + b), (-1, at + a - b), (-1, at - a + b), (1, at - a - b)]
            information[i, j] = -sum(s * log_likelihood(*x) for s, x in corners) / (4 * h[i] * h[j])
    covariance = np.linalg.inv(information)
    published = np.array([[0.012075836, 0.003990396], [0.003990396, 0.005353183]])
    assert covariance == pytest.approx(published, rel=1e-3)


def test_accelerated_fit_is_rs_for_the_leukaemia_trial() -> None:
    records = jewels_of(*MAINTAINED, False)
    records += jewels_of(*NOT_MAINTAINED, True)
    model = Model(records, plain(30.0))
    found, _ = fit(model, [0, 1, 4])
    effect = found[2]
    intercept = log_scale(found) - effect * model.columns[0].centre
    assert intercept == pytest.approx(4.109055051262132, abs=1e-6)
    assert effect == pytest.approx(-0.929341611365523, abs=1e-6)
    assert np.exp(-found[1]) == pytest.approx(0.790954436951233, abs=1e-6)


def truncated_records(n: int, seed: int) -> list[JewelRecord]:
    """Plain Weibull lives, a third watched from some age on, a third removed in good condition."""
    rng = np.random.default_rng(seed)
    records: list[JewelRecord] = []
    while len(records) < n:
        tds = float(rng.choice([50.0, 100.0, 300.0]))
        life = 60.0 * np.exp(-0.2 * (tds - 100.0) / 100.0) * rng.weibull(1.8)
        entry = float(rng.uniform(0.0, 40.0)) if rng.random() < 0.33 else 0.0
        off = float(rng.exponential(100.0))
        if min(life, off) > entry:
            stop = float(min(life, off))
            records.append(JewelRecord("any", stop, life <= off, entry, Conditions(tds_ppm=tds)))
    return records


def test_fit_with_truncation_and_conditions_is_surpyvals() -> None:
    records = truncated_records(200, seed=4)
    model = Model(records, plain(50.0))
    found, _ = fit(model, [0, 1, 4])
    other = surpyval.WeibullAFT.fit(
        [r.jet_hours for r in records],
        Z=[[(r.conditions.tds_ppm or 0.0) / 100.0] for r in records],
        c=[int(not r.ended) for r in records],
        tl=[r.entry_hours for r in records],
    )
    scale, shape, effect = other.params  # its effect divides life
    centre = model.columns[0].centre / 100.0
    assert log_scale(found) - found[2] * centre == pytest.approx(np.log(scale), abs=1e-3)
    assert np.exp(found[1]) == pytest.approx(shape, rel=1e-3)
    assert found[2] == pytest.approx(-effect, abs=1e-3)


def test_plain_fit_is_scipys_and_reliabilitys() -> None:
    records = [
        dataclasses.replace(r, entry_hours=0.0, conditions=Conditions())
        for r in truncated_records(80, seed=5)
    ]
    ended = [r.jet_hours for r in records if r.ended]
    sound = [r.jet_hours for r in records if not r.ended]
    found, _ = fit(Model(records, plain(50.0)), [0, 1])
    scale, shape = np.exp(log_scale(found)), np.exp(found[1])
    data = stats.CensoredData(uncensored=ended, right=sound)
    scipy_shape, _, scipy_scale = stats.weibull_min.fit(data, floc=0.0)
    assert (scale, shape) == pytest.approx((scipy_scale, scipy_shape), rel=1e-4)
    theirs = Fit_Weibull_2P(
        failures=ended, right_censored=sound, show_probability_plot=False, print_results=False
    )
    assert (scale, shape) == pytest.approx((theirs.alpha, theirs.beta), rel=1e-3)


def test_likelihood_with_early_endings_is_scipys_mixture() -> None:
    records = three_months(3)
    model = Model(records, PRIORS)
    z = np.random.default_rng(1).normal(0.0, 0.5, (20, len(model.mean)))
    ours = model.log_likelihood(z)
    for row, value in zip(model.parameters(z), ours, strict=True):
        total = 0.0
        for record in records:
            place = 3 * model.materials.index(record.material)
            life, shape, odds = row[place : place + 3]
            design = [column.value(record.conditions) for column in model.columns]
            life += row[13:] @ np.array(design)
            share = 1.0 / (1.0 + np.exp(-odds))
            worn = stats.weibull_min(
                np.exp(shape), scale=np.exp(life) / np.log(2.0) ** np.exp(-shape)
            )
            early = stats.expon(scale=np.exp(life + row[12]))

            def lasts(t: float, share=share, early=early, worn=worn) -> float:  # type: ignore[no-untyped-def]
                return share * early.sf(t) + (1.0 - share) * worn.sf(t)

            t = max(record.jet_hours, 1.0 / 60.0)
            if record.ended:
                total += np.log(t * (share * early.pdf(t) + (1.0 - share) * worn.pdf(t)))
            else:
                total += np.log(lasts(t))
            total -= np.log(lasts(record.entry_hours))
        assert value == pytest.approx(total, rel=1e-9)


def test_draws_are_the_posterior_by_integration() -> None:
    """Mean and spread against the same posterior summed over a fine grid."""
    prior = {"any": Prior(15000.0, 0.5, 2.0, 0.4, 0.0, 1.0, "for this test")}
    model = Model(jewels_of(SHOCK_FAILED, SHOCK_SOUND), prior)
    axis = np.linspace(-4.0, 6.0, 301)
    first, second = (grid.ravel() for grid in np.meshgrid(axis, axis, indexing="ij"))
    z = np.column_stack([first, second, np.zeros_like(first), np.zeros_like(first)])
    log_weight = model.log_likelihood(z) - 0.5 * (first**2 + second**2)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    draws = temper(model.log_likelihood, 4, 4000, np.random.default_rng(2))[:, :2]
    for i, x in enumerate((first, second)):
        mean = float(weight @ x)
        sd = float(np.sqrt(weight @ (x - mean) ** 2))
        assert np.mean(draws[:, i]) == pytest.approx(mean, abs=0.1 * sd)
        assert np.std(draws[:, i]) == pytest.approx(sd, rel=0.1)


def test_two_modes_are_both_found() -> None:
    def log_likelihood(z: np.ndarray) -> np.ndarray:
        near = [-0.5 * np.sum((z - m) ** 2, axis=1) / 0.01 for m in (-1.0, 1.0)]
        return np.logaddexp(*near)

    draws = temper(log_likelihood, 2, 2000, np.random.default_rng(3))
    assert 0.4 < np.mean(draws[:, 0] > 0.0) < 0.6
    assert np.std(np.abs(draws[:, 0])) == pytest.approx(0.1, rel=0.1)


def test_draws_are_calibrated() -> None:
    """Truth drawn from the prior is anywhere among the draws alike.

    Talts et al. (2018), "Validating Bayesian inference algorithms with simulation-based
    calibration", arXiv:1804.06788; `bench_life.py` does it at length.
    """
    ranks = np.array([calibration_ranks(seed) for seed in range(40)])
    for column in ranks.T:
        assert stats.kstest(column, "uniform").pvalue > 1e-4


def test_without_records_the_priors_speak() -> None:
    posterior = learn([], draws=4000)
    for material, prior in PRIORS.items():
        lives = posterior.lives(material)
        wearing = lives.scale * np.log(2.0) ** (1.0 / lives.shape)
        assert np.median(wearing) == pytest.approx(prior.life, rel=0.05)
        assert np.median(lives.shape) == pytest.approx(prior.shape, rel=0.05)
        assert np.median(lives.early_share) == pytest.approx(prior.early, rel=0.1)


def test_a_few_jewels_move_the_prior_a_little_and_many_a_lot() -> None:
    rng = np.random.default_rng(8)

    def median_after(n: int) -> float:
        records = [JewelRecord("ruby", 90.0 * float(rng.weibull(2.5)), True) for _ in range(n)]
        return float(np.median(quantile(learn(records).lives("ruby"), 0.5)))

    before, few, many = median_after(0), median_after(3), median_after(80)
    truth = 90.0 * np.log(2.0) ** 0.4
    assert before < few < many
    assert many == pytest.approx(truth, rel=0.15)


def test_conditions_move_the_life_the_right_way_and_unknown_ones_not() -> None:
    posterior = learn(truncated_records(200, seed=6), {"any": PRIORS["ruby"]})
    (column, factor), *_ = posterior.effects()
    assert column.field == "tds_ppm"
    assert factor.high < 1.0
    clean = np.median(quantile(posterior.lives("any", Conditions(tds_ppm=50.0)), 0.5))
    hard = np.median(quantile(posterior.lives("any", Conditions(tds_ppm=300.0)), 0.5))
    assert hard / clean == pytest.approx(np.exp(-0.5), rel=0.25)
    unknown, none = posterior.lives("any", Conditions()), posterior.lives("any")
    assert np.array_equal(unknown.scale, none.scale)


def test_a_filter_never_seen_widens_and_does_not_shift() -> None:
    posterior = learn(three_months(1))
    known = np.log(quantile(posterior.lives("ruby", Conditions(filter="f")), 0.5))
    new = np.log(quantile(posterior.lives("ruby", Conditions(filter="never seen")), 0.5))
    assert np.std(new) > np.std(known)
    average = np.log(quantile(posterior.lives("ruby"), 0.5))
    assert np.mean(new) == pytest.approx(np.mean(average), abs=0.15)


def test_only_a_kind_that_no_record_has_is_less_sure_than_what_is_known() -> None:
    kinds = [Conditions(filter="f", mixing_chamber="a"), Conditions(filter="g", mixing_chamber="a")]
    records = [JewelRecord("ruby", 40.0, True, conditions=c) for c in kinds * 3]
    posterior = learn(records, draws=100)
    still = dataclasses.replace(posterior, spare=np.zeros(100))
    for conditions, unsure in (
        (Conditions(), 0.0),
        (kinds[0], 0.0),
        (Conditions(filter="h"), EFFECT_SD["filter"]),
        (Conditions(filter="a"), EFFECT_SD["filter"]),  # a chamber of that name is no filter
        (Conditions(mixing_chamber="b"), EFFECT_SD["mixing_chamber"]),
    ):
        off = posterior.lives("ruby", conditions).scale / still.lives("ruby", conditions).scale
        assert np.log(off) == pytest.approx(unsure * posterior.spare)
    # nothing is known of a filter that nobody ever stated: it is the shop's own
    plain = learn([JewelRecord("ruby", 40.0, True)], draws=100)
    filtered = plain.lives("ruby", Conditions(filter="f"))
    assert np.array_equal(filtered.scale, plain.lives("ruby").scale)


def test_same_records_and_seed_give_the_same_draws() -> None:
    records = three_months(2)
    first, again, other = learn(records), learn(records), learn(records, seed=1)
    assert np.array_equal(first.parameters, again.parameters)
    assert not np.array_equal(first.parameters, other.parameters)


hours = st.floats(0.1, 500.0)
jewels = st.builds(
    lambda material, a, b, ended, tds: JewelRecord(
        material, max(a, b), ended, min(a, b), Conditions(tds_ppm=tds)
    ),
    st.sampled_from(["ruby", "diamond"]),
    hours,
    hours,
    st.booleans(),
    st.none() | st.floats(0.0, 1000.0),
)


def some_z(model: Model) -> np.ndarray:
    return np.random.default_rng(0).normal(0.0, 0.7, (5, len(model.mean)))


@given(st.lists(jewels, min_size=1, max_size=12), st.floats(0.5, 50.0))
def test_likelihood_does_not_know_the_unit_of_time(
    records: list[JewelRecord], factor: float
) -> None:
    stretched = [
        dataclasses.replace(r, jet_hours=factor * r.jet_hours, entry_hours=factor * r.entry_hours)
        for r in records
    ]
    priors = {name: prior._replace(life=factor * prior.life) for name, prior in PRIORS.items()}
    ours, theirs = Model(records, PRIORS), Model(stretched, priors)
    z = some_z(ours)
    assert theirs.log_likelihood(z) == pytest.approx(ours.log_likelihood(z), rel=1e-6, abs=1e-6)


@given(st.lists(jewels, min_size=1, max_size=12), st.randoms())
def test_order_of_the_records_does_not_matter(records: list[JewelRecord], random) -> None:  # type: ignore[no-untyped-def]
    shuffled = list(records)
    random.shuffle(shuffled)
    ours, theirs = Model(records, PRIORS), Model(shuffled, PRIORS)
    z = some_z(ours)
    assert theirs.log_likelihood(z) == pytest.approx(ours.log_likelihood(z), rel=1e-9, abs=1e-9)


@given(st.lists(jewels, max_size=8), hours)
def test_a_jewel_watched_for_no_time_says_nothing(records: list[JewelRecord], age: float) -> None:
    ours = Model(records, PRIORS)
    more = Model([*records, JewelRecord("ruby", age, False, age)], PRIORS)
    z = some_z(ours)
    assert more.log_likelihood(z) == pytest.approx(ours.log_likelihood(z), rel=1e-9, abs=1e-9)


@settings(max_examples=15, deadline=None)
@given(st.lists(jewels, max_size=15))
def test_any_records_give_finite_draws(records: list[JewelRecord]) -> None:
    posterior = learn(records, draws=100)
    for material in PRIORS:
        lives = posterior.lives(material, Conditions(tds_ppm=200.0, filter="new"))
        assert all(np.all(np.isfinite(x)) and np.all(x > 0.0) for x in lives)


def test_a_jewel_that_went_at_once_is_taken() -> None:
    posterior = learn([JewelRecord("ruby", 0.0, True)] * 3)
    assert np.median(posterior.lives("ruby").early_share) > 0.3


@pytest.mark.parametrize(
    ("jet_hours", "entry_hours"), [(-1.0, 0.0), (10.0, 11.0), (np.nan, 0.0), (np.inf, 0.0)]
)
def test_hours_that_cannot_be_are_refused(jet_hours: float, entry_hours: float) -> None:
    with pytest.raises(ValueError, match="0 <= entry_hours <= jet_hours"):
        JewelRecord("ruby", jet_hours, True, entry_hours)


def test_unknown_material_is_refused_with_those_known() -> None:
    with pytest.raises(ValueError, match=r"'glass'; known: \['diamond', 'man-made'"):
        learn([JewelRecord("glass", 10.0, True)])
    with pytest.raises(ValueError, match="'glass'"):
        learn([]).lives("glass")


def test_conditions_are_centred_on_the_records_and_go_by_100_ppm() -> None:
    stated = [
        Conditions(100.0, True, "with", "fine"),
        Conditions(300.0, False, "with", "coarse"),
        Conditions(260.0, False, "without", "fine"),
        Conditions(),
    ]
    columns = columns_of([JewelRecord("ruby", 9.0, True, conditions=each) for each in stated])
    for column in columns:
        assert np.mean([column.value(each) for each in stated]) == pytest.approx(0.0, abs=1e-12)
    by_name = {(column.field, column.kind): column for column in columns}
    for (field, kind), one, other, steps in (
        (("tds_ppm", None), stated[1], stated[0], 2.0),
        (("low_pressure_start", None), stated[0], stated[1], 1.0),
        (("mixing_chamber", "with"), stated[0], stated[2], 1.0),
        (("filter", "coarse"), stated[1], stated[0], 1.0),
    ):
        column = by_name[field, kind]
        assert column.value(one) - column.value(other) == pytest.approx(steps)
        assert column.value(Conditions()) == 0.0


def test_priors_are_spreads_and_shares_that_rank_the_materials() -> None:
    """Common practice, no source: diamond lasts longest and most alike, and fails early least."""
    for prior in PRIORS.values():
        assert min(prior.life_sd, prior.shape_sd, prior.early_sd) > 0.0
        assert prior.shape > 1.0  # they wear
    ruby, made, diamond = (PRIORS[name] for name in ("ruby", "man-made", "diamond"))
    assert PRIORS["sapphire"][:6] == ruby[:6]
    assert ruby.life < made.life < diamond.life
    assert ruby.shape < made.shape < diamond.shape
    assert 0.5 > ruby.early > made.early > diamond.early > 0.0
    assert 30.0 <= ruby.life <= 50.0
    assert 800.0 <= diamond.life <= 1000.0


def test_effect_of_a_condition_is_the_factor_that_it_puts_on_lives() -> None:
    records = [
        JewelRecord("ruby", 10.0 + k, True, conditions=Conditions(100.0 + 9.0 * k, k % 3 == 0))
        for k in range(12)
    ]
    found = learn(records, draws=300)
    plain = found.lives("ruby", Conditions(150.0, False)).scale
    for column, effect in found.effects():
        tds = column.field == "tds_ppm"
        other = found.lives("ruby", Conditions(250.0 if tds else 150.0, not tds)).scale
        assert effect == pytest.approx(interval(other / plain))
    assert [column.field for column, _ in found.effects()] == ["tds_ppm", "low_pressure_start"]

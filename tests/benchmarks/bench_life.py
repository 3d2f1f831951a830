"""Figures, not tests: how well the lives of jewels are learned, and what planning saves.

`python tests/benchmarks/bench_life.py [SHOPS]` learns from three months of SHOPS invented shops
each (some 90 jewels, censored, truncated, with gaps) and prints how often the 90 % intervals hold
the truth, what the planned policy costs against others, how good the chances are, and how long it
all takes. The lives are invented, some of them not of the model's kind.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.pool
import sys
import time
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from borewarden.detect.wear import Drift
from borewarden.lives.posterior import PRIORS, JewelRecord, Prior, learn
from borewarden.lives.replacement import Costs, plan
from borewarden.lives.stock import Head, jewels_to_hold
from borewarden.lives.survival import chance_to_last, chance_to_last_given_wear, interval, quantile
from invented_shop import (
    LOW_START_EFFECT,
    TDS_EFFECT,
    TRUTHS,
    USUAL,
    Truth,
    calibration_ranks,
    learned_facts,
    three_months,
)

SHOPS: dict[str, dict[str, Truth]] = {
    "as the trade says": TRUTHS,
    "rubies twice as good, few early": TRUTHS | {"ruby": Truth(90.0, 3.0, 0.08, 8.0)},
    "rubies half as good, many early": TRUTHS | {"ruby": Truth(22.0, 1.8, 0.35, 3.0)},
    "no early share, hazard constant": TRUTHS | {"ruby": Truth(40.0, 1.0, 0.0, 1.0)},
    "lognormal lives (wrong model)": TRUTHS | {"ruby": Truth(45.0, 2.5, 0.25, 5.0, True)},
}
# what the mixture is weighed against: one Weibull whose shape is near one
ONE_WEIBULL = PRIORS | {"ruby": Prior(30.0, 0.5, 1.2, 0.5, 0.0, 1.0, "for comparison")}
RATIOS = (3.0, 8.0, 20.0)
FIXED = (20.0, 40.0, 60.0)


def one_shop(task: tuple[str, int]) -> tuple[dict[str, tuple[bool, float]], list[list[float]]]:
    """Whether each interval held the truth and its relative width; planned ages by cost ratio."""
    shop, seed = task
    records = three_months(seed, SHOPS[shop])
    posterior = learn(records, seed=seed)
    ruby = posterior.lives("ruby", USUAL)
    truths: dict[str, float] = SHOPS[shop]["ruby"].facts()
    found = learned_facts(ruby)
    for material in ("man-made", "diamond"):
        name = f"{material}: median life"
        truths[name] = SHOPS[shop][material].facts()["median life"]
        found[name] = quantile(posterior.lives(material, USUAL), 0.5)
    held = {}
    for name, draws in found.items():
        low, middle, high = interval(draws)
        held[name] = (low <= truths[name] <= high, (high - low) / middle)
    effects = {"tds_ppm": TDS_EFFECT, "low_pressure_start": LOW_START_EFFECT}
    for column, (low, middle, high) in posterior.effects():
        if column.field in effects:
            within = low <= np.exp(effects[column.field]) <= high
            held[f"effect of {column.field}"] = (within, (high - low) / middle)
    single = learn(records, ONE_WEIBULL, seed=seed).lives("ruby", USUAL)
    ages = [[plan(lives, Costs(1.0, ratio)).age for ratio in RATIOS] for lives in (ruby, single)]
    return held, ages


def spread(values: np.ndarray) -> str:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return f"{middle:6.1%} ({low:.1%} to {high:.1%}; worst {values.min():.1%})"


def coverage_and_policy(pool: multiprocessing.pool.Pool, shops: int) -> None:
    for shop, truths in SHOPS.items():
        results = pool.map(one_shop, [(shop, seed) for seed in range(shops)], chunksize=4)
        print(f"\n{shop}: {shops} shops, intervals of 90 %")
        for name in results[0][0]:
            held, width = np.array([held[name] for held, _ in results if name in held]).T
            print(
                f"  {name:28s} held {held.mean():4.0%}, width {np.median(width):5.0%} of the middle"
            )
        ages = np.array([ages for _, ages in results])  # shop, model, ratio
        ages[ages > 1e4] = np.inf
        for i, ratio in enumerate(RATIOS):
            costs = Costs(1.0, ratio)
            grid = np.geomspace(2.0, 200.0, 60)
            cheapest = truths["ruby"].cost_rates([*grid, np.inf], costs).min()
            to_failure, *fixed = truths["ruby"].cost_rates([np.inf, *FIXED], costs)
            mine, single = (
                truths["ruby"].cost_rates([*ages[:, :, i].T.ravel()], costs).reshape(2, -1)
            )
            never = np.mean(np.isinf(ages[:, 0, i]))
            print(f"  failure costs {ratio:.0f} planned changes; run to failure chosen {never:.0%}")
            print(f"    saving on running to failure     {spread(1.0 - mine / to_failure)}")
            for age, cost in zip(FIXED, fixed, strict=True):
                print(f"    saving on a change at {age:.0f} h       {spread(1.0 - mine / cost)}")
            print(f"    saving on a one-Weibull plan     {spread(1.0 - mine / single)}")
            print(f"    dearer than the true optimum     {np.median(mine / cheapest - 1.0):6.1%}")


def calibration(pool: multiprocessing.pool.Pool, n: int) -> None:
    ranks = np.array(pool.map(calibration_ranks, range(n), chunksize=8))
    print(f"\nsimulation-based calibration, {n} shops drawn from the ruby prior, 30 jewels each")
    for name, column in zip(("log life", "log shape", "log odds early"), ranks.T, strict=True):
        counts = np.histogram(column, bins=10, range=(0.0, 1.0))[0]
        p = stats.chisquare(counts).pvalue
        print(f"  {name:15s} ranks by tenths {counts.tolist()}, chi-square p = {p:.2f}")


def one_prediction(seed: int) -> tuple[float, float, float]:
    """A ruby that wears in a straight line, watched: whether it lasts 8 h, and two chances."""
    rng = np.random.default_rng(5000 + seed)
    lives = learn(three_months(seed % 20), seed=0).lives("ruby", USUAL)
    age = 0.0
    while age < 1.0:
        life = float(TRUTHS["ruby"].draw(rng, 1)[0])
        goes_early = life < 12.0 and rng.random() < 0.8  # sudden: no wear before
        age = float(rng.uniform(0.0, 60.0))
        age = age if age < life else 0.0
    limit = 0.077
    slope = 0.0005 if goes_early else limit / life
    drift = Drift(sigma=0.004)
    for hours in np.arange(0.1, age, 0.1):
        drift.update(hours, slope * hours + rng.normal(0.0, 0.004))
    plain = chance_to_last(lives, age, 8.0).middle
    worn = chance_to_last_given_wear(lives, age, 8.0, drift.may_bend(), age, limit).middle
    return float(life > age + 8.0), plain, worn


def predictions(pool: multiprocessing.pool.Pool, n: int) -> None:
    lasts, plain, worn = np.array(pool.map(one_prediction, range(n), chunksize=8)).T
    print(f"\nchance to last 8 h more, {n} rubies met at a random age; {lasts.mean():.0%} did")
    base = np.mean((lasts - lasts.mean()) ** 2)
    for name, chance in (("from the shop's jewels", plain), ("and its own wear", worn)):
        print(
            f"  {name:23s} mean {chance.mean():.0%}, Brier score "
            f"{np.mean((lasts - chance) ** 2):.3f} (base rate alone {base:.3f})"
        )


def times() -> None:
    print("\ntime")
    for months in (1, 7):
        records: list[JewelRecord] = [r for s in range(months) for r in three_months(s)]
        for n in (60, len(records)) if months == 1 else (len(records),):
            learn(records[:n])
            start = time.perf_counter()
            lives = learn(records[:n]).lives("ruby")
            print(
                f"  posterior of {n:4d} jewels      {1e3 * (time.perf_counter() - start):7.0f} ms"
            )
    heads = [Head(lives, 45.0, age) for age in (0.0, 10.0, 30.0)]
    line = Drift(0.004).line
    for name, call in (
        ("plan", lambda: plan(lives, Costs(1.0, 8.0))),
        ("stock", lambda: jewels_to_hold(heads, 4.0)),
        (
            "chance given wear",
            lambda: chance_to_last_given_wear(lives, 20.0, 8.0, line, 20.0, 0.077),
        ),
    ):
        start = time.perf_counter()
        call()
        print(f"  {name:27s} {1e3 * (time.perf_counter() - start):7.0f} ms")


def main() -> None:
    shops = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    times()
    with multiprocessing.Pool(2) as pool:
        calibration(pool, 2 * shops)
        predictions(pool, 2 * shops)
        coverage_and_policy(pool, shops)


if __name__ == "__main__":
    main()

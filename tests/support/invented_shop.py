"""An invented shop of six heads: its jewels' true lives, and what three months of records hold.

Nothing here comes from a real shop. Records are made as a register would keep them: jewels that
were in their heads when the watching began, jewels removed in good condition, a week without
records on every head, conditions nobody wrote down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from borewarden.lives.posterior import PRIORS, Conditions, JewelRecord, Model, learn
from borewarden.lives.replacement import Costs
from borewarden.lives.survival import Lives, quantile, survival

WEEKS = 13.0
TDS_EFFECT = -0.15  # on log life, per 100 ppm over 100 ppm
LOW_START_EFFECT = 0.15
USUAL = Conditions(tds_ppm=100.0, low_pressure_start=False, mixing_chamber="m", filter="f")


@dataclass(frozen=True)
class Truth:
    """The true law of a material under the usual conditions; hours."""

    scale: float
    shape: float
    early_share: float
    early_scale: float
    lognormal: bool = False  # those that don't go early, with the Weibull's median and quartiles

    def draw(self, rng: np.random.Generator, n: int) -> np.ndarray:
        """`n` lives, jet hours."""
        early = self.early_scale * rng.standard_exponential(n)
        worn = self.scale * rng.weibull(self.shape, n)
        if self.lognormal:
            quartiles = self.scale * np.log([4.0 / 3.0, 2.0, 4.0]) ** (1.0 / self.shape)
            sigma = np.log(quartiles[2] / quartiles[0]) / (2.0 * 0.6745)
            worn = quartiles[1] * np.exp(sigma * rng.standard_normal(n))
        return np.where(rng.random(n) < self.early_share, early, worn)

    def cost_rates(self, ages: list[float], costs: Costs, n: int = 400_000) -> np.ndarray:
        """True cost per jet hour of changing at each age, from simulated lives: shape (m,)."""
        lives = self.draw(np.random.default_rng(99), n)
        return np.array(
            [
                np.where(lives < age, costs.failed, costs.planned).sum()
                / np.minimum(lives, age).sum()
                for age in ages
            ]
        )

    def facts(self, n: int = 400_000) -> dict[str, float]:
        """What a page would show, from simulated lives."""
        lives = self.draw(np.random.default_rng(98), n)
        return {
            "median life": float(np.median(lives)),
            "lasts 20 h": float(np.mean(lives > 20.0)),
            "lasts 40 h": float(np.mean(lives > 40.0)),
            "at 20 h, lasts 8 h more": float(np.mean(lives > 28.0) / np.mean(lives > 20.0)),
        }


def learned_facts(lives: Lives) -> dict[str, np.ndarray]:
    """Draws of the same."""
    lasts = survival(lives, [20.0, 28.0, 40.0])
    return {
        "median life": quantile(lives, 0.5),
        "lasts 20 h": lasts[:, 0],
        "lasts 40 h": lasts[:, 2],
        "at 20 h, lasts 8 h more": lasts[:, 1] / lasts[:, 0],
    }


TRUTHS = {
    "ruby": Truth(45.0, 2.5, 0.25, 5.0),
    "man-made": Truth(350.0, 2.2, 0.1, 40.0),
    "diamond": Truth(950.0, 4.0, 0.03, 100.0),
}
COSTS = Costs(planned=1.0, failed=8.0)
# kind of jewel and jet hours a week of each head
HEADS = [("ruby", h) for h in (50.0, 45.0, 55.0, 50.0)] + [("man-made", 40.0), ("diamond", 60.0)]


def stretch(conditions: Conditions) -> float:
    """True factor on life."""
    assert conditions.tds_ppm is not None
    tds = TDS_EFFECT * (conditions.tds_ppm - 100.0) / 100.0
    return float(np.exp(tds + LOW_START_EFFECT * bool(conditions.low_pressure_start)))


def three_months(seed: int, truths: dict[str, Truth] = TRUTHS) -> list[JewelRecord]:
    """What the register holds after `WEEKS`: some 60 to 90 jewels."""
    rng = np.random.default_rng(seed)
    records = []
    for number, (material, hours_a_week) in enumerate(HEADS):
        end = WEEKS * hours_a_week
        gap = rng.uniform(0.0, end - hours_a_week) + np.array([0.0, hours_a_week])
        clock = -float(rng.uniform(20.0, 40.0)) * hours_a_week  # long before: the start forgotten
        while clock < end:
            conditions = Conditions(
                tds_ppm=float(rng.choice([60.0, 120.0, 250.0])),
                low_pressure_start=number % 2 == 0,
                mixing_chamber=str(rng.choice(["m", "n"])),
                filter="f" if number < 3 else "g",
            )
            life = float(truths[material].draw(rng, 1)[0]) * stretch(conditions)
            taken_off = float(rng.exponential(10.0 * truths[material].scale))
            stop, ended = clock + min(life, taken_off), life <= taken_off
            records += _seen(clock, stop, ended, gap, end, material, _as_written(conditions, rng))
            clock = stop
    return records


def _as_written(conditions: Conditions, rng: np.random.Generator) -> Conditions:
    """One in ten of the water analyses is missing."""
    tds = None if rng.random() < 0.1 else conditions.tds_ppm
    return Conditions(
        tds, conditions.low_pressure_start, conditions.mixing_chamber, conditions.filter
    )


def _seen(
    start: float,
    stop: float,
    ended: bool,
    gap: np.ndarray,
    end: float,
    material: str,
    conditions: Conditions,
) -> list[JewelRecord]:
    """The record of a jewel in its head from `start` to `stop`, if there is one.

    Whoever ends in the gap was last seen sound when it began; whoever was fitted in it is first
    seen when it ends, its age known.
    """
    first = max(start, 0.0)
    if gap[0] <= first < gap[1]:
        first = gap[1]
    if gap[0] < stop <= gap[1]:
        stop, ended = gap[0], False
    if stop > end:
        stop, ended = end, False
    if stop <= first:
        return []
    return [JewelRecord(material, stop - start, ended, first - start, conditions)]


def calibration_ranks(seed: int) -> list[float]:
    """Thirty rubies of a shop drawn from the prior: ranks of its truth among the draws.

    Of log life, log shape and log odds of going early; uniform if all is well.
    """
    rng = np.random.default_rng(1000 + seed)
    prior = {"ruby": PRIORS["ruby"]}
    truth = rng.standard_normal(4)
    life, shape, odds, ratio = Model([], prior).parameters(truth[None])[0]
    records = []
    for _ in range(30):
        if rng.random() < 1.0 / (1.0 + np.exp(-odds)):
            t = np.exp(life + ratio) * rng.standard_exponential()
        else:
            t = np.exp(life) * (rng.standard_exponential() / np.log(2.0)) ** np.exp(-shape)
        off = 50.0 * rng.standard_exponential()
        records.append(JewelRecord("ruby", float(min(t, off)), bool(t <= off)))
    draws = learn(records, prior, seed=seed).parameters[:, :3]
    return [float(np.mean(draws[:, i] < x)) for i, x in enumerate((life, shape, odds))]

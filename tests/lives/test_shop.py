"""An invented shop's three months: the truth is within the intervals, and planning pays."""

from __future__ import annotations

import numpy as np
import pytest

from borewarden.lives.posterior import Posterior, learn
from borewarden.lives.replacement import plan
from borewarden.lives.survival import interval, quantile
from invented_shop import (
    COSTS,
    LOW_START_EFFECT,
    TDS_EFFECT,
    TRUTHS,
    USUAL,
    learned_facts,
    three_months,
)

SHOPS = 40


@pytest.fixture(scope="module")
def learned() -> list[Posterior]:
    return [learn(three_months(seed), draws=500, seed=seed) for seed in range(SHOPS)]


def test_shop_has_the_gaps_of_a_real_register() -> None:
    for seed in range(SHOPS):
        records = three_months(seed)
        assert len(records) >= 60
        assert sum(not record.ended for record in records) >= 6
        assert sum(record.entry_hours > 0.0 for record in records) >= 6
        assert any(record.conditions.tds_ppm is None for record in records)


def test_truth_is_within_the_stated_intervals(learned: list[Posterior]) -> None:
    """90 % intervals that hold nine times in ten are below 30 of 40 in one run of 700."""
    held: dict[str, int] = {}
    truths = {f"{m} {name}": x for m, t in TRUTHS.items() for name, x in t.facts().items()}
    effects = {"tds_ppm": TDS_EFFECT, "low_pressure_start": LOW_START_EFFECT}
    for posterior in learned:
        found = {
            f"ruby {name}": draws
            for name, draws in learned_facts(posterior.lives("ruby", USUAL)).items()
        }
        for material in ("man-made", "diamond"):
            found[f"{material} median life"] = quantile(posterior.lives(material, USUAL), 0.5)
        for name, draws in found.items():
            low, _, high = interval(draws)
            held[name] = held.get(name, 0) + (low <= truths[name] <= high)
        for column, (low, _, high) in posterior.effects():
            if column.field in effects:
                within = low <= np.exp(effects[column.field]) <= high
                held[column.field] = held.get(column.field, 0) + within
    assert len(held) == 8
    assert all(count >= 30 for count in held.values()), held


def test_intervals_tell_more_than_the_priors(learned: list[Posterior]) -> None:
    def width(posterior: Posterior) -> float:
        low, _, high = interval(quantile(posterior.lives("ruby", USUAL), 0.5))
        return high / low

    prior = width(learn([]))
    assert all(width(posterior) ** 2 < prior for posterior in learned)


def test_plan_from_the_shops_own_records_is_cheaper(learned: list[Posterior]) -> None:
    """Than running to failure, and than a change at the 40 h of the trade rule."""
    ages = [plan(posterior.lives("ruby", USUAL), COSTS).age for posterior in learned]
    *planned, to_failure, at_40 = TRUTHS["ruby"].cost_rates([*ages, np.inf, 40.0], COSTS)
    saving = 1.0 - np.array(planned) / to_failure
    assert np.all(saving > 0.0)
    assert np.mean(saving) > 0.15
    against_rule = 1.0 - np.array(planned) / at_40
    assert np.mean(against_rule) > 4.0 * np.std(against_rule) / SHOPS**0.5

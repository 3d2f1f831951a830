"""An invented shop of six heads: its jewels' true lives, and what three months of records hold.

Nothing here comes from a real shop. Records are made as a register would keep them: jewels that
were in their heads when the watching began, jewels taken off sound, a week without records on
every head, conditions nobody wrote down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from borewarden.life.posterior import Conditions, JewelRecord
from borewarden.life.survival import Lives

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

    @property
    def lives(self) -> Lives:
        """As one draw."""
        scale, shape, share, early_scale = (
            np.array([x]) for x in (self.scale, self.shape, self.early_share, self.early_scale)
        )
        return Lives(scale, shape, share, early_scale)

    def draw(self, rng: np.random.Generator) -> float:
        if rng.random() < self.early_share:
            return float(self.early_scale * rng.standard_exponential())
        return float(self.scale * rng.weibull(self.shape))


RUBY = Truth(45.0, 2.5, 0.25, 5.0)
TRUTHS = {
    "ruby": RUBY,
    "man-made": Truth(350.0, 2.2, 0.1, 40.0),
    "diamond": Truth(950.0, 4.0, 0.03, 100.0),
}
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
            life = truths[material].draw(rng) * stretch(conditions)
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

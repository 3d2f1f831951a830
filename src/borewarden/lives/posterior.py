"""Learns how long jewels last from the shop's records, starting from weak priors.

Model: life of a jewel of one material under given conditions is accelerated (Nelson 1990,
"Accelerated Testing"; Meeker & Escobar 1998, "Statistical Methods for Reliability Data", ch. 17):
the conditions stretch all times of the law of `borewarden.lives.survival` by exp(x'b). Records are
right-censored if the jewel was removed in good condition or still cuts, and left-truncated if it
came with hours on it (Lawless 2003, "Statistical Models and Methods for Lifetime Data", sec. 2.4).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from borewarden.base.statistics import Interval
from borewarden.lives.survival import Array, Lives, interval

DRAWS = 1000
SHORTEST = 1.0 / 60.0  # jet hours; a jewel that failed at once lasted about a minute


@dataclass(frozen=True)
class Conditions:
    """What a jewel cut under; None if not known, which counts as the shop's average."""

    tds_ppm: float | None = None  # total dissolved solids of the cutting water
    low_pressure_start: bool | None = None  # whether the jet is opened at low pressure
    mixing_chamber: str | None = None  # kind, as the shop calls it
    filter: str | None = None  # kind of the last filter before the pump


@dataclass(frozen=True)
class JewelRecord:
    """One jewel: how many jet hours it had, and whether they were its last.

    `jet_hours` at its end or when last seen sound, `entry_hours` of them before the shop watched
    it. Raises ValueError for impossible hours.
    """

    material: str
    jet_hours: float
    ended: bool  # chipped or worn; False: removed in good condition, or still cutting
    entry_hours: float = 0.0
    conditions: Conditions = Conditions()

    def __post_init__(self) -> None:
        """Refuse impossible hours."""
        if not 0.0 <= self.entry_hours <= self.jet_hours < np.inf:
            raise ValueError(
                f"a {self.material} jewel with {self.jet_hours} jet hours, watched from "
                f"{self.entry_hours} on; hours must be finite and 0 <= entry_hours <= jet_hours"
            )


class Prior(NamedTuple):
    """What is assumed of a material before the shop has records of its own.

    Normal priors, with these medians, on log life, log shape and the log odds of failing early.
    """

    life: (
        float  # median jet hours of jewels that don't fail early, at the shop's average conditions
    )
    life_sd: float  # of its logarithm
    shape: float  # of their Weibull life
    shape_sd: float  # of its logarithm
    early: float  # share that fails early; 0 leaves a plain Weibull life
    early_sd: float  # of its log odds
    source: str


# The lives are trade rules. Shapes and spreads put them into numbers that a dozen jewels outweigh.
PRIORS: dict[str, Prior] = {
    "ruby": Prior(
        40.0, 0.7, 2.0, 0.5, 0.25, 1.0,
        "common practice, no source: 30 to 50 h, scattered, 20 to 30 % fail early",
    ),
    "sapphire": Prior(
        40.0, 0.7, 2.0, 0.5, 0.25, 1.0,
        "common practice, no source: 30 to 50 h, scattered, 20 to 30 % fail early",
    ),
    "man-made": Prior(
        300.0, 0.7, 2.5, 0.5, 0.10, 1.0,
        "common practice, no source: a few hundred hours",
    ),
    "diamond": Prior(
        900.0, 0.5, 3.5, 0.5, 0.03, 1.0,
        "common practice, no source: 800 to 1,000 h, predictable",
    ),
}  # fmt: skip

# Mean life of those that fail early over the median of the others: median and log sd. Common
# practice, no source.
EARLY_RATIO = (0.15, 0.5)

# Standard deviations of log life, about no effect, per step of each condition. Common practice, no
# source: wide enough for what doubles or halves a life, and centred on no effect.
EFFECT_SD: dict[str, float] = {
    "tds_ppm": 0.25,
    "low_pressure_start": 0.35,
    "mixing_chamber": 0.35,
    "filter": 0.35,
}
TDS_STEP = 100.0  # ppm


class Column(NamedTuple):
    """One column of the conditions: a number, or one kind of something; centred on the records."""

    field: str
    kind: str | None  # None: the number itself
    centre: float

    def value(self, conditions: Conditions) -> float:
        """Steps of `conditions` from the records' average; 0 if not known."""
        stated = getattr(conditions, self.field)
        if stated is None:
            return 0.0
        if self.kind is not None:
            return float(stated == self.kind) - self.centre
        return (float(stated) - self.centre) / (TDS_STEP if self.field == "tds_ppm" else 1.0)


def columns_of(records: Sequence[JewelRecord]) -> list[Column]:
    """The columns that `records` say anything about."""
    columns = []
    for field in (f.name for f in fields(Conditions)):
        stated = [getattr(record.conditions, field) for record in records]
        stated = [value for value in stated if value is not None]
        if stated and isinstance(stated[0], str):
            columns += [
                Column(field, kind, stated.count(kind) / len(stated))
                for kind in sorted(set(stated))
            ]
        elif stated:
            columns.append(Column(field, None, float(np.mean(stated))))
    return columns


class Model:
    """The likelihood of `records` over parameters in prior standard deviations.

    A parameter vector z, shape (n, dimensions), has a standard normal prior. Its columns: log
    life, log shape and early log odds of each material in `priors`, the log early ratio, and one
    effect per column of conditions. Raises ValueError for a material without a prior.
    """

    def __init__(self, records: Sequence[JewelRecord], priors: Mapping[str, Prior]) -> None:
        self.materials = list(priors)
        for record in records:
            if record.material not in priors:
                raise ValueError(
                    f"no prior for jewels of {record.material!r}; known: {sorted(priors)}"
                )
        self.columns = columns_of(records)
        with np.errstate(divide="ignore"):
            means = [
                [np.log(p.life), np.log(p.shape), special.logit(p.early)] for p in priors.values()
            ]
        sds = [[p.life_sd, p.shape_sd, p.early_sd] for p in priors.values()]
        effect_sds = [EFFECT_SD[column.field] for column in self.columns]
        self.mean = np.concatenate(
            [np.ravel(means), [np.log(EARLY_RATIO[0])], np.zeros(len(effect_sds))]
        )
        self.sd = np.concatenate([np.ravel(sds), [EARLY_RATIO[1]], effect_sds])
        self._ended = self._gather([r for r in records if r.ended], "jet_hours")
        self._sound = self._gather([r for r in records if not r.ended], "jet_hours")
        self._entry = self._gather([r for r in records if r.entry_hours > 0.0], "entry_hours")
        groups = self._ended + self._sound + self._entry
        self._largest = max((len(log_hours) for _, log_hours, _ in groups), default=0)

    def _gather(self, records: list[JewelRecord], hours: str) -> list[tuple[int, Array, Array]]:
        """By material: its place, log hours (r,) and conditions (columns, r)."""
        groups = []
        for place, material in enumerate(self.materials):
            group = [record for record in records if record.material == material]
            if group:
                log_hours = np.log([max(getattr(record, hours), SHORTEST) for record in group])
                design = np.array([[c.value(r.conditions) for r in group] for c in self.columns])
                groups.append((place, log_hours, design.reshape(len(self.columns), len(group))))
        return groups

    def parameters(self, z: Array) -> Array:
        """`z` in natural coordinates: logs and log odds, shape (n, dimensions)."""
        return self.mean + self.sd * z

    def log_likelihood(self, z: Array) -> Array:
        """Log likelihood of the records at each row of `z`: shape (n,).

        The sum of log f (a density of log hours) over ended jewels and of log R over sound ones,
        less log R at entry.
        """
        # block by block, so that intermediate arrays stay in the processor's cache
        blocks = np.array_split(self.parameters(z), 1 + len(z) * self._largest // 65536)
        total = np.concatenate([self._log_likelihood(block) for block in blocks])
        return np.where(np.isnan(total), -np.inf, total)

    def _log_likelihood(self, parameters: Array) -> Array:
        total = np.zeros(len(parameters))
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            for sign, log_term, groups in (
                (1.0, self._log_density, self._ended),
                (1.0, self._log_survival, self._sound),
                (-1.0, self._log_survival, self._entry),
            ):
                for group in groups:
                    total += sign * np.sum(log_term(parameters, *group), axis=1)
        return total

    def _hazards(
        self, parameters: Array, place: int, log_hours: Array, design: Array
    ) -> tuple[Array, Array, Array, Array, Array]:
        """Logs of the early share, the other share and the shape (n, 1), of the hazards (n, r).

        These are the cumulative hazards of those that fail early and of those that wear.
        """
        life, log_shape, odds = (parameters[:, [3 * place + i]] for i in range(3))
        ratio = parameters[:, [3 * len(self.materials)]]
        effects = parameters[:, 3 * len(self.materials) + 1 :]
        relative = log_hours - life - effects @ design
        worn = np.exp(log_shape) * relative + np.log(np.log(2.0))
        log_share, log_rest = -np.logaddexp(0.0, -odds), -np.logaddexp(0.0, odds)
        return log_share, log_rest, log_shape, relative - ratio, worn

    def _log_survival(self, parameters: Array, *group: Any) -> Array:
        log_share, log_rest, _, early, worn = self._hazards(parameters, *group)
        return _log_of_sum(log_share - np.exp(early), log_rest - np.exp(worn))

    def _log_density(self, parameters: Array, *group: Any) -> Array:
        log_share, log_rest, log_shape, early, worn = self._hazards(parameters, *group)
        early_part = log_share + early - np.exp(early)
        worn_part = log_rest + log_shape + worn - np.exp(worn)
        return _log_of_sum(early_part, worn_part)


@dataclass(frozen=True)
class Posterior:
    """What the records and the priors say, as equally likely draws of the parameters."""

    materials: list[str]
    columns: list[Column]
    parameters: Array  # (n, dimensions), as `Model.parameters`
    spare: Array  # (n,) standard normal: effects of what no record has

    def lives(self, material: str, conditions: Conditions | None = None) -> Lives:
        """Laws of life of a `material` under `conditions`; without them, the shop's average.

        A kind of mixing chamber or filter that is in no record gets the prior spread of effects.
        Raises ValueError for an unknown material.
        """
        if material not in self.materials:
            raise ValueError(f"no prior for jewels of {material!r}; known: {self.materials}")
        conditions = conditions or Conditions()
        place = 3 * self.materials.index(material)
        log_life, log_shape, odds = self.parameters[:, place : place + 3].T
        ratio = self.parameters[:, 3 * len(self.materials)]
        effects = self.parameters[:, 3 * len(self.materials) + 1 :]
        log_life = log_life + effects @ np.array([c.value(conditions) for c in self.columns])
        for field in ("mixing_chamber", "filter"):
            kinds = {column.kind for column in self.columns if column.field == field}
            if kinds and getattr(conditions, field) not in kinds | {None}:
                log_life = log_life + EFFECT_SD[field] * self.spare
        shape = np.exp(log_shape)
        scale = np.exp(log_life) / np.log(2.0) ** (1.0 / shape)
        return Lives(scale, shape, special.expit(odds), np.exp(log_life + ratio))

    def effects(self) -> list[tuple[Column, Interval]]:
        """Factor on life of one step up in each column: 100 ppm, or from no to yes."""
        first = 3 * len(self.materials) + 1
        return [
            (column, interval(np.exp(self.parameters[:, first + i])))
            for i, column in enumerate(self.columns)
        ]


def learn(
    records: Sequence[JewelRecord],
    priors: Mapping[str, Prior] = PRIORS,
    draws: int = DRAWS,
    seed: int = 0,
) -> Posterior:
    """The posterior after `records`, which may be empty; same records and seed, same draws.

    Raises ValueError for a material that has no prior.
    """
    model = Model(records, priors)
    rng = np.random.default_rng(seed)
    z = temper(model.log_likelihood, len(model.mean), draws, rng)
    return Posterior(
        model.materials, model.columns, model.parameters(z), rng.standard_normal(draws)
    )


def temper(
    log_likelihood: Callable[[Array], Array],
    dimensions: int,
    n: int,
    rng: np.random.Generator,
    moves: int = 10,
) -> Array:
    """`n` draws from a standard normal prior times a likelihood, shape (n, dimensions).

    Sequential Monte Carlo from the prior to the posterior (Chopin 2002, Biometrika 89, 539-551;
    Del Moral, Doucet & Jasra 2006, J. R. Stat. Soc. B 68, 411-436): the likelihood's exponent
    rises from 0 to 1 in steps that each keep half the effective sample, and at each step the
    draws are resampled and moved `moves` times by Metropolis-Hastings. A move is autoregressive
    towards the normal law fitted to the draws, z' = m + sqrt(1 - b²) (z - m) + b e, which leaves
    that law unchanged (preconditioned Crank-Nicolson; Cotter et al. 2013, Stat. Sci. 28, 424-446).
    It finds several modes if there are, and needs no starting point.
    """
    z = rng.standard_normal((n, dimensions))
    log_l = log_likelihood(z)
    exponent = 0.0
    while exponent < 1.0:
        step = _next_step(log_l, 1.0 - exponent)
        exponent += step
        weight = _weights(step * log_l)
        places = (rng.random() + np.arange(n)) / n
        chosen = np.minimum(np.searchsorted(np.cumsum(weight), places), n - 1)
        z, log_l = z[chosen], log_l[chosen]
        mean = z.mean(axis=0)
        factor = np.linalg.cholesky(np.cov(z.T).reshape(dimensions, -1) + 1e-9 * np.eye(dimensions))
        whitener = np.linalg.inv(factor).T
        white = (z - mean) @ whitener
        for i in range(moves):
            b = (0.9, 0.45)[i % 2]  # far and near
            moved_white = np.sqrt(1.0 - b * b) * white + b * rng.standard_normal(z.shape)
            moved = mean + moved_white @ factor.T
            moved_l = log_likelihood(moved)
            log_ratio = exponent * (moved_l - log_l) - 0.5 * np.sum(
                moved**2 - z**2 - moved_white**2 + white**2, axis=1
            )
            taken: NDArray[np.bool_] = np.log(rng.random(n)) < log_ratio
            z[taken], white[taken], log_l[taken] = moved[taken], moved_white[taken], moved_l[taken]
    return z


def _log_of_sum(a: Array, b: Array) -> Array:
    """log(exp(a) + exp(b)) as `numpy.logaddexp` has it, several times as fast."""
    larger = np.maximum(a, b)
    result: Array = larger + np.log(1.0 + np.exp(np.minimum(a, b) - larger))
    return result


def _weights(log_weight: Array) -> Array:
    weight = np.exp(log_weight - np.max(log_weight))
    result: Array = weight / weight.sum()
    return result


def _next_step(log_l: Array, largest: float) -> float:
    """The step of the exponent that leaves half the draws effective, at most `largest`."""

    def effective(step: float) -> float:
        return float(1.0 / np.sum(_weights(step * log_l) ** 2))

    if effective(largest) >= 0.5 * len(log_l):
        return largest
    low, high = 0.0, largest
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective(middle) >= 0.5 * len(log_l) else (low, middle)
    return max(low, 1e-9)

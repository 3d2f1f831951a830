"""Has the bore stepped up? One-sided CUSUM with a computed threshold, onset, probability.

The detectors take one number a batch through `update`, as river's do, so they compose with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from river import base
from scipy import optimize, stats


def average_run_length(
    k: float, h: float, shift: float = 0.0, degrees_of_freedom: float = np.inf, nodes: int = 80
) -> float:
    """Mean number of updates until S = max(0, S + z - k) first reaches `h`, from S = 0.

    `z` has unit scale and mean `shift`: normal, or Student's t with `degrees_of_freedom`, which
    stands for a noise scale that was itself estimated. Page's (1954, Biometrika 41, 100-115)
    integral equation,

        L(u) = 1 + L(0) F(k - u) + integral over (0, h) of L(y) f(y + k - u) dy,

    by Nyström's method on Gauss-Legendre nodes: the limit of Brook & Evans's (1972, Biometrika
    59, 539-549) Markov chain as its states grow dense (Champ & Rigdon 1991, Commun. Stat. Simul.
    20, 191-204).
    """
    noise = stats.norm if np.isinf(degrees_of_freedom) else stats.t(degrees_of_freedom)
    x, w = np.polynomial.legendre.leggauss(nodes)
    y = h / 2.0 * (x + 1.0)
    weights = h / 2.0 * w
    states = np.concatenate([[0.0], y])  # the atom at zero first
    kernel = np.empty((nodes + 1, nodes + 1))
    kernel[:, 0] = noise.cdf(k - shift - states)
    kernel[:, 1:] = weights * noise.pdf(y[None, :] + k - shift - states[:, None])
    return float(np.linalg.solve(np.eye(nodes + 1) - kernel, np.ones(nodes + 1))[0])


def siegmund_run_length(k: float, h: float, shift: float = 0.0) -> float:
    """Siegmund's approximation of `average_run_length` for normal noise, in closed form.

    With b = h + 1.166 and D = shift - k: (exp(-2 D b) + 2 D b - 1) / (2 D²), or b² where D = 0
    (Siegmund 1985, "Sequential Analysis", as printed in Montgomery, "Introduction to Statistical
    Quality Control"). A cross-check: the threshold itself comes from the integral equation.
    """
    b = h + 1.166
    d = shift - k
    if abs(d) < 1e-9:
        return b * b
    return float((np.exp(-2.0 * d * b) + 2.0 * d * b - 1.0) / (2.0 * d * d))


@lru_cache(maxsize=256)
def threshold(k: float, run_length: float, degrees_of_freedom: float = np.inf) -> float:
    """The `h` at which sound data cross once in `run_length` updates on average.

    Raises ValueError if no h in (0.01, 60) noise scales gives that run length.
    """

    def excess(h: float) -> float:
        return float(np.log(average_run_length(k, h, 0.0, degrees_of_freedom) / run_length))

    low, high = 0.01, 1.0
    if excess(low) >= 0.0:  # k alone already keeps the false alarms rarer than asked
        return low
    while excess(high) < 0.0:
        low, high = high, high * 1.6
        if high > 60.0:
            raise ValueError(
                f"no CUSUM threshold gives {run_length:.3g} batches between false alarms "
                f"with k = {k:.2f}: the noise is too large for the step asked for"
            )
    return float(optimize.brentq(excess, low, high, xtol=1e-6))


class Cusum(base.DriftDetector):  # type: ignore[misc]
    """One-sided CUSUM for an upward shift, shaped as a river drift detector.

    `k` and `h` are in the units of what `update` takes. An increment is clipped at 0.6 h, so one
    wild batch, whatever its size, can't alarm by itself: two must agree. After an alarm
    `drift_detected` stays true for that update only and the sum starts again.
    """

    def __init__(self, k: float, h: float) -> None:
        super().__init__()
        self.k = k
        self.h = h
        self.statistic = 0.0

    def update(self, x: float) -> None:
        """Take one batch's value."""
        if self.drift_detected:
            self._reset()
            self.statistic = 0.0
        self.statistic = max(0.0, self.statistic + min(x - self.k, 0.6 * self.h))
        self._drift_detected = self.statistic >= self.h


class StepProbability:
    """Probability that the mean has stepped up by now, not that noise has: Shiryaev's recursion.

    A change comes with probability `hazard` before each batch; its size has equal prior weight
    over `sizes` (in noise scales). For each size,

        odds <- (odds + hazard) / (1 - hazard) * likelihood ratio

    (Shiryaev 1963, "On optimum methods in quickest detection problems", Theory Probab. Appl. 8,
    22-46). Values are clipped at `clip` so that one wild batch can't decide.
    """

    def __init__(self, hazard: float, sizes: Sequence[float], clip: float) -> None:
        self.hazard = hazard
        self.sizes = np.asarray(sizes, dtype=float)
        self.clip = clip
        self.odds: NDArray[np.float64] = np.zeros(len(self.sizes))

    def update(self, z: float) -> None:
        """Take one batch's value, in noise scales."""
        z = min(max(z, -self.clip), self.clip)
        ratio = np.exp(self.sizes * (z - 0.5 * self.sizes))
        self.odds = np.minimum((self.odds + self.hazard) / (1.0 - self.hazard) * ratio, 1e12)

    @property
    def probability(self) -> float:
        """Posterior probability of a step so far."""
        odds = float(np.mean(self.odds))
        return odds / (1.0 + odds)


class Step(NamedTuple):
    """Where a step began and how large it is."""

    first: int  # index of the first value wholly after it
    size: float  # mean after it, in the units of the values
    size_sd: float


def locate_step(values: NDArray[np.float64], sigma: float) -> Step:
    """The likeliest onset of an upward step from zero that is still on at the last value.

    `values`, shape (n,), have mean zero before the step and noise `sigma`. Maximises the Gaussian
    likelihood ratio (sum of values since onset)² / (number since onset) over the onset, as in
    Hinkley (1970, Biometrika 57, 1-17). Raises ValueError if `values` is empty.
    """
    if len(values) == 0:
        raise ValueError("no values to locate a step in")
    tail_sums = np.cumsum(values[::-1])[::-1]
    counts = np.arange(len(values), 0, -1)
    index = int(np.argmax(np.maximum(tail_sums, 0.0) ** 2 / counts))
    count = int(counts[index])
    return Step(index, float(tail_sums[index]) / count, sigma / count**0.5)

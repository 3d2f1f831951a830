"""Has the bore stepped? Likelihood ratio over every possible onset, its threshold, probability.

A batch comes with its own uncertainty, and two batches of one run share the stroke at which the
one ends and the other begins, so their errors cancel in the sum. The detector therefore weighs
sums from each possible onset up to now, not single batches.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import integrate, optimize, stats

from borewarden.gate.batch import SIGNALS
from borewarden.physics import compiled

WINDOW = 240  # batches in which an onset is looked for
CLOSE = 8  # an onset is weighed for each eighth that it is further back
SURE = 60.0  # log odds beyond which a probability is as good as one
LOST = 40.0  # by which a log ratio is below another one that takes no notice of it in a sum

# The newest batches, a ring: `value` is the log area less what the drift line expected of it at the
# pressure of the baseline, and `operating` the log of the set pressure over that.
RING = np.dtype(
    [
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("value", np.float64),
        ("operating", np.float64),
        ("clipped", np.float64),  # so that one wild batch can't alarm
        ("usual", np.float64),  # what the batches before it showed at its pressure
        ("usual_var", np.float64),  # variance of that; 0 where nothing is left to them to say
        ("time", np.float64),  # s
        ("timing", np.float64),  # s², variance of timing its ends
        ("shared", np.float64),  # s², of it the end of the batch before
        ("area", np.float64),  # m², and so on as in `BATCH`
        ("rate", np.float64),
        ("pressure", np.float64),
        ("temperature", np.float64),
        ("resolution", np.float64),
        ("stops", np.int64),
        ("jet_seconds", np.float64),  # of the jewel, at its end
        ("openings", np.int64),
        ("leak", np.float64),
        ("closed_known", np.bool_),
        ("signals", np.float64, (len(SIGNALS),)),
    ]
)


def overshoot_factor(x: float) -> float:
    """Siegmund's nu(x), the mean effect of overshooting a boundary, for x > 0.

    nu(x) = (2/x) (Phi(x/2) - 1/2) / ((x/2) Phi(x/2) + phi(x/2)) (Siegmund & Yakir 2007, "The
    Statistics of Gene Mapping", p. 112).
    """
    half = 0.5 * x
    cdf = float(stats.norm.cdf(half))
    return 2.0 / x * (cdf - 0.5) / (half * cdf + float(stats.norm.pdf(half)))


@lru_cache(maxsize=1)
def _overshoot_integral() -> float:
    return float(integrate.quad(lambda x: x * overshoot_factor(x) ** 2, 1e-9, 40.0)[0])


def average_run_length(b: float) -> float:
    """Mean number of values until the generalised likelihood ratio first reaches b²/2, one-sided.

    For independent standard normal values,

        2 sqrt(2 pi) exp(b²/2) / (b * integral over (0, inf) of x nu(x)² dx)

    (Siegmund & Venkatraman 1995, Ann. Stat. 23, 255-271, who give half of it for steps of either
    sign). The window and the smallest step of interest only make alarms rarer.
    """
    return 2.0 * math.sqrt(2.0 * math.pi) * math.exp(0.5 * b * b) / (b * _overshoot_integral())


# Which batches have to agree: two; or, where something jumps and comes back, which lies in two at
# times, two that it can't reach over, or three. By how much they exceed the threshold, if they show
# the same: so that one fewer does not reach it, nor one of `TWO_APART` and one of `THREE`.
TWO, TWO_APART, THREE = 0, 1, 2
COUNTED = (2.0, 2.0, 3.0)
EXCEEDED = (1.69, 1.21, 1.1)
REACH_NS = 60 * 10**9  # from the start of one to the end of the next; invented
AT_ONE_PRESSURE = 0.05  # log: pressures no further apart make no difference; invented
FEWEST_USUAL = 3  # batches at a pressure that say what is usual there: two may be wild; invented
PARTLY = 4.0  # standard deviations that the batch of an onset lies off those after it


@lru_cache(maxsize=4096)
def threshold(run_length: float, degrees_of_freedom: float = np.inf) -> float:
    """The log likelihood ratio that sound data reach once in `run_length` values on average.

    With `degrees_of_freedom` the noise scale was itself estimated: the quantile of Student's t of
    the same tail probability takes the place of the normal one. Raises ValueError for a
    `run_length` below 50.
    """
    if run_length < 50.0:
        raise ValueError(
            f"a false alarm every {run_length:.3g} batches is asked for; 50 or more make sense"
        )

    def excess(b: float) -> float:
        return float(np.log(average_run_length(b) / run_length))

    b = float(optimize.brentq(excess, 1.5, 12.0, xtol=1e-9))
    if np.isfinite(degrees_of_freedom):
        b = float(stats.t.isf(stats.norm.sf(b), degrees_of_freedom))
    return 0.5 * b * b


@compiled
def clip(value: float, variance: float, most_told: float, smallest: float) -> float:
    """`value`, no further from zero than where it shows a log likelihood ratio of `most_told`.

    `variance` is that of the mean of as many batches as have to agree. So many that show the same
    show that together, and one fewer less. `smallest` is as in `weigh`, which takes no step to be
    smaller: where so little is needed, the mean has to lie beyond half of it.
    """
    most = np.sqrt(2.0 * most_told * variance)
    if most < smallest:
        most = most_told * variance / smallest + 0.5 * smallest
    return float(min(max(value, -most), most))


@compiled
def mean_at(ring: Any, count: int, window: int, sigma: float, operating: float) -> Any:
    """(mean, variance) of the values of the newest batches in `ring` at one pressure.

    `count`, `window` and `sigma` are as in `weigh`, `operating` is the log of the pressure; the
    variance is that of the mean. Zeros where fewer than `FEWEST_USUAL` were at that pressure.
    """
    total = 0.0
    time = 0.0
    own = 0.0
    found = 0
    place = count % len(ring)
    for _ in range(min(count, len(ring), window)):
        place = (place if place > 0 else len(ring)) - 1
        row = ring[place]
        if abs(row.operating - operating) <= AT_ONE_PRESSURE:
            total += row.clipped * row.time
            time += row.time
            own += sigma * sigma * row.time * row.time + row.timing
            found += 1
    if found < FEWEST_USUAL:
        return 0.0, 0.0
    return total / time, own / (time * time)


@compiled
def weigh(
    ring: Any,
    count: int,
    sigma: float,
    level_sd: float,
    smallest: float,
    sizes: NDArray[np.float64],
    window: int = WINDOW,
    by_pressure: float = 0.0,
    level_with_pressure: float = 0.0,
    by_pressure_var: float = 0.0,
) -> Any:
    """(up, down, odds) of the newest of the `count` batches that were put into `ring`.

    `up` and `down` are the log likelihood ratios of the likeliest step of either sign that is still
    on, `odds` the likelihood ratios of a step up summed over its onset, and averaged over its size.

    `sigma` is the noise of one batch beside its timing, `level_sd` the uncertainty of the level
    that values are measured from, `smallest` the least step of interest, `sizes` the steps that
    are equally likely beforehand; all in log area. Onsets are looked for among the newest `window`
    batches. With S = sum of value * time from an onset to
    now, and T = sum of time, S/T estimates the step with variance

        (sigma² sum time² + variance of the run ends that do not cancel) / T² + level_sd².

    What is learned of the pressure comes off the step, and what is not known of it yet adds to the
    uncertainty of the level: another set pressure is no step. Batches before the onset at the same
    pressure make it better known: `usual` and `usual_var` of `RING`.
    """
    up = 0.0
    down = 0.0
    odds = 0.0
    most = -np.inf  # log of the greatest ratio in `odds`
    total = 0.0
    time = 0.0
    squares = 0.0
    edges = 0.0
    newer_shared = 0.0
    operating = 0.0
    place = count % len(ring)
    last, due = 0, 1  # onset that was weighed last, and that is weighed next
    for back in range(min(count, len(ring), window)):
        place = (place if place > 0 else len(ring)) - 1
        row = ring[place]
        total += row.clipped * row.time
        time += row.time
        squares += row.time * row.time
        edges += row.timing - 2.0 * newer_shared
        newer_shared = row.shared
        operating += row.operating * row.time
        if back < due:  # two batches have to agree
            continue
        as_many, last, due = back - last, back, back + 1 + back // CLOSE
        x = operating / time
        mean = total / time - by_pressure * x
        level_var = level_sd * level_sd + x * (2.0 * level_with_pressure + x * by_pressure_var)
        if row.usual_var > 0.0 and abs(x - row.operating) <= AT_ONE_PRESSURE:
            mean -= row.usual - by_pressure * row.operating
            level_var = level_sd * level_sd + row.usual_var
        information = 1.0 / ((sigma * sigma * squares + edges) / (time * time) + level_var)
        step = max(mean, smallest)
        up = max(up, information * step * (mean - 0.5 * step))
        step = max(-mean, smallest)
        down = max(down, information * step * (-mean - 0.5 * step))
        for size in sizes:
            told = min(information * size * (mean - 0.5 * size), SURE)
            if told < most - LOST:  # the sum stays the same to the last bit
                continue
            odds += as_many * np.exp(told)
            most = max(most, told)
    return up, down, odds / len(sizes)


def newest(ring: NDArray[np.void], count: int, window: int = WINDOW) -> NDArray[np.void]:
    """The newest `window` batches in `ring` in order of time, oldest first; a copy."""
    order = np.arange(max(count - min(len(ring), window), 0), count) % len(ring)
    return ring.take(order)  # several times as fast as an index, or as a plain copy


def put_at_one_pressure(rows: NDArray[np.void], by_pressure: float) -> None:
    """Make each value of `rows` what it would be at the pressure of the baseline."""
    value, operating = rows["value"], rows["operating"]
    value -= by_pressure * operating
    operating.fill(0.0)


class Step(NamedTuple):
    """Where a step began and how large it is."""

    first: int  # index of the first value wholly after it
    size: float  # mean after it, in log area
    size_sd: float


def locate_step(batches: NDArray[np.void], sigma: float, sign: float) -> Step:
    """The likeliest onset of a step of this `sign` from zero that is still on at the last batch.

    `batches`, shape (n,), dtype `RING`, have mean zero before the step and the noise `sigma`
    beside their timing. Maximises the Gaussian likelihood ratio (sum of w value)²/(2 sum of w) over
    the onset, w being one over the variance of each, as in Hinkley (1970, Biometrika 57, 1-17).
    Raises ValueError if there are no batches.
    """
    if len(batches) == 0:
        raise ValueError("no batches to locate a step in")
    # the newest first
    value, time, timing, shared = (
        batches[name][::-1].copy() for name in ("value", "time", "timing", "shared")
    )
    total, span, squares = (value * time).cumsum(), time.cumsum(), time**2
    # where a neighbour was left out, what a batch shared with it may exceed what is left
    of_newer = np.zeros(len(batches))
    of_newer[1:] = shared[:-1]
    edges = np.maximum((timing - 2.0 * of_newer).cumsum(), 0.0)
    variance = (sigma**2 * squares).cumsum() + edges
    # each batch by its own certainty: one that was timed badly takes nothing from the others
    own = np.maximum(timing - shared, 0.0)
    worth = 1.0 / (sigma**2 + own / squares)
    told = (worth * value).cumsum()
    gain = np.maximum(sign * told, 0.0) ** 2 / worth.cumsum()
    back = int(gain.argmax())
    if back > 1:  # the first of them may hold the onset, and be neither before nor after
        rest = total[back - 1] / span[back - 1]
        alone = sigma**2 + timing[back] / squares[back]
        sd = (alone + variance[back - 1] / span[back - 1] ** 2) ** 0.5
        if abs(value[back] - rest) > PARTLY * sd:
            back -= 1
    size_sd = float(variance[back] ** 0.5 / span[back])
    after = batches["value"][len(batches) - 1 - back :]
    if len(after) > 1:
        off = after - after.mean()
        apart = math.sqrt((off * off).sum() / (len(after) - 1.0)) / len(after) ** 0.5
        if apart > 2.0 * size_sd:  # it is still moving, or the first of them holds the onset
            size_sd = apart
    return Step(len(batches) - 1 - back, float(total[back] / span[back]), size_sd)

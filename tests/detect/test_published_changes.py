"""The detector on published series with a known change, value by value as they came."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
import statsmodels.api
from numpy.typing import NDArray

from borewarden.detect.baseline import robust_noise
from borewarden.detect.step import (
    EXCEEDED,
    RING,
    TWO,
    WINDOW,
    Step,
    clip,
    locate_step,
    newest,
    threshold,
    weigh,
)
from published import column

Array = NDArray[np.float64]


class Fall(NamedTuple):
    """Place of the value at which a fall was told, of the first one after it, and its size."""

    told: int
    onset: int
    step: Step


def falls(values: Array, baseline: int, smallest: float) -> list[Fall]:
    """Every value at which a fall is told; nothing rises.

    The first `baseline` values give level and noise. One false alarm in 1,000 values is allowed.
    """
    noise = robust_noise(values[:baseline], np.zeros(baseline))
    h = threshold(1000.0, round(noise.effective_count - 1.0))
    ring = np.zeros(WINDOW, dtype=RING).view(np.recarray)
    told = []
    for i, value in enumerate(values - np.mean(values[:baseline])):
        row = ring[i % WINDOW]
        row.value, row.time = value, 1.0
        row.clipped = clip(value, 0.5 * noise.sigma**2, EXCEEDED[TWO] * h, smallest)
        up, down, _ = weigh(ring, i + 1, noise.sigma, 0.0, smallest, np.log1p([0.2]))
        assert up < h
        if down >= h:
            step = locate_step(newest(ring, i + 1), noise.sigma, -1.0)
            told.append(Fall(i, max(i + 1 - WINDOW, 0) + step.first, step))
    return told


def test_the_nile_fell_in_1899() -> None:
    """Annual flow at Aswan (data set `nile` of statsmodels): Cobb (1978, Biometrika 65, 243-251)
    puts the one change after 1898."""
    nile = statsmodels.api.datasets.nile.load_pandas().data
    years = nile["year"].to_numpy()
    told = falls(np.log(nile["volume"].to_numpy()), 20, math.log1p(0.1))
    assert 1899 <= years[told[0].told] <= 1904
    assert years[told[0].onset] == years[told[-1].onset] == 1899
    # Cobb's means before and after: 1097.75 and 849.97 (10^8 m³)
    assert told[-1].step.size == pytest.approx(math.log(849.97 / 1097.75), abs=0.03)


def drivers(first: str, baseline: int, years: int, trend: bool) -> tuple[list[str], Array]:
    """Months from `first` on, and the log of drivers killed or badly hurt, less their season.

    Season, and with `trend` a straight line, by least squares of the `baseline` months.
    """
    months = column("uk_drivers.csv", "month")
    since = months.index(first)
    counts = column("uk_drivers.csv", "killed_or_seriously_injured")
    log = np.log(np.array(counts, float))[since : since + 12 * years]
    place = np.arange(len(log))
    season = (place[:, np.newaxis] % 12 == np.arange(12)).astype(float)
    design = np.column_stack([season, place]) if trend else season
    fitted = np.linalg.lstsq(design[:baseline], log[:baseline], rcond=None)[0]
    return months[since:], log - design @ fitted


def test_the_seat_belt_law_of_february_1983() -> None:
    """In force from 31 January 1983; Harvey & Durbin (1986) put its effect on drivers at -18 %."""
    months, values = drivers("1975-01", 84, 10, trend=False)
    told = falls(values, 84, math.log1p(0.05))
    assert months[told[0].told] == "1983-03"  # two have to agree
    assert months[told[0].onset] == months[told[-1].onset] == "1983-02"
    assert math.expm1(told[-1].step.size) == pytest.approx(-0.18, abs=0.03)


def test_the_oil_crisis_of_1973() -> None:
    """The last month before it is October 1973: breakpoints of Zeileis, Kleiber, Krämer & Hornik
    (2003, Comput. Stat. Data Anal. 44, 109-123), in the documentation of R's strucchange, from
    memory. Until then the casualties grew by 5 % a year: from the line they step down at once, from
    their mean they fall a year later.
    """
    months, values = drivers("1969-01", 57, 7, trend=True)
    told = falls(values, 57, math.log1p(0.05))
    assert months[told[0].told] == "1973-12"
    assert months[told[0].onset] == months[told[-1].onset] == "1973-11"
    months, values = drivers("1969-01", 48, 8, trend=False)
    late = falls(values, 48, math.log1p(0.05))
    assert months[late[-1].onset] == "1974-11"


def test_coal_mines_became_safer_after_1891() -> None:
    """Carlin, Gelfand & Smith (1992, Appl. Stat. 41, 389-405): most probably after 1891; Raftery &
    Akman (1986, Biometrika 73, 85-89): 1890, within 1887 to 1895 (both from memory). Disasters a
    year, on Anscombe's scale (1948, Biometrika 35, 246-254), with a tenth as standard deviation.
    """
    dates = np.floor(np.array(column("coal_disasters.csv", "year"), float)).astype(int)
    years = np.arange(1851, 1963)
    counts = np.array([np.sum(dates == year) for year in years])
    told = falls(0.2 * np.sqrt(counts + 0.375), 30, math.log1p(0.1))
    assert years[told[0].told] <= 1900
    assert {int(years[fall.onset]) for fall in (told[0], told[-1])} == {1892}

    def likelihood(last: int) -> float:
        parts = counts[: last + 1], counts[last + 1 :]
        return float(sum(np.sum(part) * np.log(np.mean(part)) for part in parts))

    assert years[max(range(20, 90), key=likelihood)] == 1891

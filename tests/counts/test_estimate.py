"""A count by hand: its effective bore, and whether the interval holds the truth as often as said.

Uncertainty by JCGM 100:2008, 4.3.7 (a uniform distribution's standard deviation) and 5.1.3; the
interval by JCGM 101:2008. Gauges by EN 837-1: class c is right within c % of full scale.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from borewarden.counts import estimate as module
from borewarden.counts.count import DAY_SD, WATCH_SD, Doubt, HandCount, spreads_of
from borewarden.counts.estimate import estimate
from borewarden.counts.plate import (
    DEAD_SHARE,
    EFFICIENCY,
    FILLING,
    FRICTION,
    RATIO,
    Plate,
    plate_of,
)
from borewarden.counts.series import starts_high
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS, bore_area
from borewarden.physics.pump import DirectDrive, Displacement, Intensifier, event_rate

PLATE = Plate("intensifier", 22e-3, 0.2)
CRANK = Plate("direct drive", 10e-3, 0.04, plungers=3, max_rate=305 / 60.0)
COUNT = HandCount("North", 0, PLATE, (0.254e-3,), ("ruby",), 374.6e6, strokes=60.0, seconds=158.0)


def counted(
    rng: np.random.Generator, plate: Plate, on_oil: bool, efficiency: float | None = None
) -> tuple[HandCount, float]:
    """One invented count, and the bore that truly was in the head, m.

    The facts that nobody knows are drawn from their ranges, the rate follows by the physics, and
    then somebody counts: whole strokes, as often one too many as one too few, with a thumb on a
    stop-watch and a gauge of class 1.6.
    """
    bore = rng.uniform(0.2e-3, 0.4e-3)
    jewel = DISCHARGE_COEFFICIENTS["ruby"]
    coefficient = rng.normal(jewel.typical, (jewel.high - jewel.low) / 4.0)
    pressure, temperature = rng.uniform(250e6, 400e6), rng.uniform(283.15, 303.15)
    swept = plate.plungers * plate.swept_volume
    dead = rng.uniform(*DEAD_SHARE[plate.kind][:2])
    if efficiency is None:
        efficiency = rng.uniform(*EFFICIENCY[plate.kind][:2])
    travel = swept * rng.uniform(0.99, 1.01)
    displacement = Displacement(travel, swept * dead, efficiency)
    area = coefficient * float(bore_area(bore)) * math.exp(rng.normal(0.0, DAY_SD))
    rate = float(event_rate(displacement, area, pressure, temperature))
    seen = pressure
    if on_oil:
        seen = pressure / rng.uniform(*RATIO[:2]) / (1.0 - rng.uniform(*FRICTION[:2]))
    full_scale = 1.5 * seen
    seen += 0.016 * full_scale * rng.uniform(-1.0, 1.0) + 0.005 * full_scale * rng.uniform(-1, 1)
    made = HandCount(
        "X", 0, plate, (bore,), ("ruby",), seen, on_oil=on_oil,
        gauge_class=1.6, full_scale=full_scale, division=0.01 * full_scale,
    )  # fmt: skip
    if not plate.is_intensifier:
        return replace(made, speed=rate * (1.0 + 0.01 * rng.uniform(-1.0, 1.0))), bore
    seconds = rng.uniform(60.0, 180.0)
    # either neighbour as likely: then the count is off by a uniform -1 to 1
    strokes = math.floor(rate * seconds) + int(rng.integers(0, 2))
    return replace(made, strokes=float(strokes), seconds=seconds + rng.normal(0, WATCH_SD)), bore


@pytest.mark.parametrize(
    ("plate", "on_oil"),
    [
        pytest.param(PLATE, False, id="intensifier"),
        pytest.param(PLATE, True, id="intensifier by its oil gauge"),
        pytest.param(CRANK, False, id="direct drive"),
    ],
)
def test_intervals_of_1000_counts_hold_the_truth_in_95_percent(
    plate: Plate, on_oil: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "DRAWS", 2000)
    rng = np.random.default_rng(1987)
    held = 0
    for _ in range(1000):
        count, bore = counted(rng, plate, on_oil)
        low, high = estimate(count).bore_interval
        held += low <= bore <= high
    assert 0.935 <= held / 1000 <= 0.965


def test_intervals_of_counts_with_a_dead_headed_one_hold_the_truth_as_often(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "DRAWS", 2000)
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(3000):
        lost = rng.uniform(0.0, 0.08)
        efficiency = rng.uniform(FILLING.low, FILLING.high) * (1.0 - lost)
        count, bore = counted(rng, PLATE, False, efficiency)
        idle = math.floor(lost * count.rate * 120.0) + int(rng.integers(0, 2))
        low, high = estimate(
            replace(count, idle_strokes=float(idle), idle_seconds=120.0)
        ).bore_interval
        held += low <= bore <= high
    assert 0.935 <= held / 3000 <= 0.965


def test_a_first_count_is_told_as_perhaps_open_as_often_as_the_docs_say(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """C_d differs from jewel to jewel, so some sound ones are told so too."""
    monkeypatch.setattr(module, "DRAWS", 10)
    rng = np.random.default_rng(1)
    sound = opened = 0
    for _ in range(1000):
        count, bore = counted(rng, PLATE, False)
        for growth in (0.0, 0.08):
            stated = replace(count, bores=(bore / math.sqrt(1.0 + growth),))
            high = starts_high(stated, estimate(stated))
            sound, opened = sound + (high and not growth), opened + (high and growth > 0.0)
    assert (sound, opened) == (pytest.approx(134, abs=30), pytest.approx(611, abs=45))


def test_a_count_of_a_known_pump_gives_back_its_bore() -> None:
    pump = Intensifier(22e-3, 0.2, 8e-6, 20.0, 1.0, 400e6, 37e3, 0.97)
    area = DISCHARGE_COEFFICIENTS["ruby"].typical * float(bore_area(0.254e-3))
    rate = float(event_rate(pump.displacement, area, 374.6e6, 293.15))
    count = replace(COUNT, plate=plate_of(pump), strokes=100.0, seconds=100.0 / rate)
    shown = estimate(count)
    assert shown.bore == pytest.approx(0.254e-3, rel=1e-9)
    assert shown.rate == pytest.approx(shown.rate_expected, rel=1e-9)
    assert shown.bore_interval[0] < 0.254e-3 < shown.bore_interval[1]


def test_a_crank_pump_that_nothing_trims_shows_a_larger_bore_as_less_pressure() -> None:
    pump = DirectDrive(3, 10e-3, 0.04, 1e-6, 305 / 60.0, 410e6, 22e3, 0.93)
    area = DISCHARGE_COEFFICIENTS["diamond"].typical * float(bore_area(0.3048e-3))
    sound = pump.expected_pressure(area, 293.15, pump.crank_speed)
    opened = pump.expected_pressure(1.08 * area, 293.15, pump.crank_speed)
    count = HandCount(
        "South", 0, plate_of(pump), (0.3048e-3,), ("diamond",), float(opened),
        speed=pump.crank_speed, temperature=293.15,
    )  # fmt: skip
    shown = estimate(count)
    assert shown.pressure_expected == pytest.approx(float(sound), rel=1e-6)
    assert shown.pressure < shown.pressure_expected
    assert (shown.bore / 0.3048e-3) ** 2 == pytest.approx(1.08, rel=1e-6)


def test_one_stroke_either_way_is_a_uniform_distribution() -> None:
    """JCGM 100:2008, 4.3.7: of a uniform distribution of half width a, a/sqrt(3)."""
    part = estimate(COUNT).parts[Doubt.STROKES]
    assert part == pytest.approx(1.0 / 60.0 / math.sqrt(3.0), rel=0.01)


def test_class_of_a_gauge_is_per_cent_of_its_full_scale() -> None:
    """EN 837-1: the error limit of class 1.6 is 1.6 % of the span."""
    spread = spreads_of(replace(COUNT, gauge_class=1.6, full_scale=600e6))[Doubt.GAUGE]
    assert spread.half == pytest.approx(9.6e6)
    assert not spread.unknown


def test_a_fact_that_is_known_makes_the_answer_surer() -> None:
    unknown = estimate(COUNT)
    known = estimate(replace(COUNT, plate=replace(PLATE, dead_volume=8e-6, efficiency=0.97)))
    assert known.area_sd < 0.75 * unknown.area_sd
    assert known.bore_interval[1] - known.bore_interval[0] < (
        unknown.bore_interval[1] - unknown.bore_interval[0]
    )


def test_the_oil_gauge_costs_certainty_and_gives_the_same_bore_on_average() -> None:
    oil = COUNT.pressure / RATIO.middle / (1.0 - FRICTION.middle)
    by_oil = estimate(replace(COUNT, pressure=oil, on_oil=True))
    assert by_oil.pressure == pytest.approx(COUNT.pressure)
    assert by_oil.bore == pytest.approx(estimate(COUNT).bore)
    assert by_oil.area_sd > estimate(COUNT).area_sd


def test_strokes_lost_dead_headed_are_taken_off() -> None:
    known = replace(COUNT, plate=replace(PLATE, efficiency=0.99))
    plain = estimate(known)
    leaking = estimate(replace(known, idle_strokes=4.0, idle_seconds=120.0))
    lost = 4.0 / 120.0 / (60.0 / 158.0)
    assert leaking.leak == pytest.approx(lost)
    # FILLING has 99 % in its middle, as the plate has
    assert leaking.log_area - plain.log_area == pytest.approx(math.log1p(-lost), abs=1e-6)


def test_the_same_count_gives_the_same_answer() -> None:
    assert estimate(COUNT) == estimate(COUNT)

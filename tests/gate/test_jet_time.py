"""Jet hours by stored phases: the gate's own count, whatever the samples and however cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.gate.batch import Phase
from borewarden.gate.gate import Gate
from borewarden.gate.jet_time import (
    FIRST_STARTS,
    JetTime,
    Opening,
    count_jet_time,
    judge_opening,
    rows_to_keep,
    silences,
)
from borewarden.physics.pump import DirectDrive, Intensifier
from steady import gate_settings

EVER = np.array([0, np.iinfo(np.int64).max])
INTENSIFIER = Intensifier(
    plunger_diameter=0.022, stroke=0.2, dead_volume=8e-6, intensification_ratio=20.0,
    max_stroke_rate=1.0, rated_pressure=400e6, rated_power=37e3,
)  # fmt: skip
CRANK = DirectDrive(
    plungers=3, plunger_diameter=0.0085, stroke=0.032, dead_volume=0.3e-6, crank_speed=8.4,
    rated_pressure=410e6, rated_power=30e3,
)  # fmt: skip


def wild_samples(seed: int, with_counter: bool, with_valve: bool, n: int = 1500) -> Samples:
    """Invented: jumps of pressure, stuck and impossible readings, gaps, a counter that resets."""
    rng = np.random.default_rng(seed)
    steps = np.where(rng.random(n) < 0.01, rng.integers(5, 40, n), 1)
    pressure, rate = np.zeros(n), np.zeros(n)
    i = 0
    while i < n:
        length = int(rng.integers(5, 300))
        level = rng.choice([0.0, 3e6, 19e6, 21e6, 100e6, 250e6, 370e6])
        noise = (
            0.0 if rng.random() < 0.15 else 0.02 * rng.normal(size=len(pressure[i : i + length]))
        )
        pressure[i : i + length] = level * (1.0 + noise)
        rate[i : i + length] = rng.choice([0.0, 0.1, 0.4, 0.6, 1.0, 8.0])
        i += length
    bad = rng.random(n)
    pressure[bad < 0.01] = np.nan
    pressure[(bad > 0.01) & (bad < 0.02)] = 1e9
    count = np.floor(np.cumsum(rate)) % 500.0
    (count if with_counter else rate)[rng.random(n) < 0.005] = np.nan
    channels = {
        "pressure": pressure,
        **({"stroke_count": count} if with_counter else {"rate": rate}),
    }
    if with_valve:
        channels["valve"] = rng.choice([0.0, 1.0, 2.0], n)
    return samples_of(np.cumsum(steps) * 10**9 + 10**18, **channels)


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 10**6), st.booleans(), st.booleans(), st.lists(st.integers(1, 700), min_size=1)
)
def test_count_is_that_of_the_gate_however_the_samples_are_cut(
    seed: int, is_crank: bool, with_valve: bool, cuts: list[int]
) -> None:
    pump = CRANK if is_crank else INTENSIFIER
    samples = wild_samples(seed, not is_crank, with_valve)
    gate = Gate(gate_settings(pump, uses_counter=not is_crank), pump.displacement)
    phases, _ = gate.learn_many(samples)
    parts, start, i = [], 0, 0
    while start < len(phases):
        stop = start + cuts[i % len(cuts)]
        parts.append((rows(samples, start, stop), phases[start:stop]))
        start, i = stop, i + 1
    (counted,) = count_jet_time(parts, EVER, np.array([1]), max_gap=10.0)
    assert counted.jet_hours == pytest.approx(gate.jet_hours, abs=1e-9)
    assert counted.missed_hours == pytest.approx(gate.missed_hours, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6), st.booleans(), st.integers(1, 700))
def test_each_head_has_the_hours_that_its_valve_says(seed: int, is_crank: bool, cut: int) -> None:
    pump = CRANK if is_crank else INTENSIFIER
    samples = wild_samples(seed, not is_crank, with_valve=False)
    open_heads = np.random.default_rng(seed).choice([0.0, 1.0, 2.0, 3.0, np.nan], 1500)
    samples = samples._replace(open_heads=open_heads, valve=np.floor((open_heads + 1.0) / 2.0))
    gate = Gate(gate_settings(pump, uses_counter=not is_crank), pump.displacement, heads=2)
    parts = []
    for start in range(0, 1500, cut):
        part = rows(samples, start, start + cut)
        parts.append((part, gate.learn_many(part)[0]))
    counted = [count_jet_time(parts, EVER, np.array([2]), 10.0, valve)[0] for valve in (0, 1)]
    assert gate.head_hours[:2] == pytest.approx([each.jet_hours for each in counted], abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10**6), st.booleans(), st.booleans(), st.lists(st.integers(1, 700), min_size=1)
)
def test_what_is_left_of_thinned_samples_counts_as_all_of_them(
    seed: int, is_crank: bool, with_valve: bool, cuts: list[int]
) -> None:
    pump = CRANK if is_crank else INTENSIFIER
    samples = wild_samples(seed, not is_crank, with_valve)
    phases, _ = Gate(gate_settings(pump, uses_counter=not is_crank), pump.displacement).learn_many(
        samples
    )
    whole, left = [], []
    start, i = 0, 0
    while start < len(phases):
        stop = start + cuts[i % len(cuts)]
        part, own = rows(samples, start, stop), phases[start:stop]
        kept = rows_to_keep(part, own, 9.0, 600.0)
        whole.append((part, own))
        left.append((Samples._make(channel[kept] for channel in part), own[kept]))
        start, i = stop, i + 1
    (counted,) = count_jet_time(whole, EVER, np.array([2]), max_gap=10.0)
    (again,) = count_jet_time(left, EVER, np.array([2]), max_gap=10.0)
    for name in ("jet_hours", "missed_hours", "partly_hours"):
        assert getattr(again, name) == pytest.approx(getattr(counted, name), abs=1e-9), name
    joined = [
        (Samples._make(np.concatenate(c) for c in zip(*(s for s, _ in parts), strict=True)),
         np.concatenate([p for _, p in parts]))
        for parts in (whole, left)
    ]  # fmt: skip
    assert judge_opening(*joined[1]) == judge_opening(*joined[0])


def test_thinning_leaves_a_fifth_of_steady_cutting_and_hardly_any_rest() -> None:
    for phase, most in ((Phase.STEADY, 0.23), (Phase.STOPPED, 0.004), (Phase.JET_OFF, 0.004)):
        samples, phases = at_1_hz([phase] * 7200)
        assert rows_to_keep(samples, phases, 9.0, 600.0).mean() < most


@pytest.mark.parametrize("rate", [0.0, 0.4, 8.0])
def test_thinning_keeps_where_a_stuck_pressure_loses_its_strokes(rate: float) -> None:
    """A stuck transducer moves the clock as long as the pump is seen to stroke, however slowly."""
    samples, phases = at_1_hz([Phase.STEADY] * 5 + [Phase.NO_DATA] * 40, rate=rate)
    samples.rate[12:30] = np.nan
    kept = rows_to_keep(samples, phases, 9.0, 600.0)
    left = Samples._make(channel[kept] for channel in samples), phases[kept]
    whole, thinned = (
        count_jet_time([block], EVER, np.array([1]), max_gap=10.0)[0]
        for block in ((samples, phases), left)
    )
    # 7 s more until the strokes are lost, 14 s from when they are back; missed between
    assert whole == pytest.approx(JetTime(25 / 3600, 25 / 3600 * 300e6, 19 / 3600, 0.0))
    assert thinned.jet_hours == pytest.approx(whole.jet_hours)
    assert thinned.missed_hours == pytest.approx(whole.missed_hours)


def at_1_hz(
    phases: list[int], pressure: float = 300e6, **channels: float
) -> tuple[Samples, np.ndarray]:
    n = len(phases)
    columns = {name: np.full(n, value) for name, value in channels.items()}
    samples = samples_of(np.arange(1, n + 1) * 10**9, pressure=np.full(n, pressure), **columns)
    return samples, np.array(phases, dtype=np.int8)


def test_pressure_hours_are_pressure_times_jet_hours() -> None:
    block = at_1_hz([Phase.JET_OFF] * 100 + [Phase.STEADY] * 3600, pressure=380e6)
    (counted,) = count_jet_time([block], EVER, np.array([1]), max_gap=10.0)
    assert counted == pytest.approx(JetTime(1.0, 380e6, 0.0, 0.0))


def test_each_jewel_has_the_hours_between_its_edges_and_the_interval_over_an_edge_is_nobodys() -> (
    None
):
    block = at_1_hz([Phase.STEADY] * 1000)
    edges = np.array([101, 401, 901]) * 10**9 - 5 * 10**8
    first, second = count_jet_time([block], edges, np.array([1, 1]), max_gap=10.0)
    assert first.jet_hours * 3600 == pytest.approx(299)  # 300 samples, 299 intervals
    assert second.jet_hours * 3600 == pytest.approx(499)


def test_hours_with_fewer_heads_on_than_hold_a_jewel_are_named() -> None:
    on = [Phase.STEADY] * 101
    counted = [
        count_jet_time([at_1_hz(on, valve=valve)], EVER, np.array([heads]), 10.0)[0].partly_hours
        for valve, heads in ((1.0, 2), (2.0, 2), (1.0, 1), (np.nan, 2), (0.0, 2))
    ]
    assert [round(hours * 3600) for hours in counted] == [100, 0, 0, 0, 0]


def test_gap_is_missed_only_if_the_jet_was_on_before_it() -> None:
    samples, phases = at_1_hz([Phase.STEADY, Phase.JET_OFF, Phase.STEADY, Phase.STEADY])
    samples = samples._replace(time_ns=np.array([0, 3600, 3601, 7201]) * 10**9)
    (counted,) = count_jet_time([(samples, phases)], EVER, np.array([1]), max_gap=10.0)
    assert counted == pytest.approx(JetTime(1 / 3600, 300e6 / 3600, 2.0, 0.0))


# -- how the jet was opened

OFF, RAMP, PIERCE, STEADY = Phase.JET_OFF, Phase.RAMP, Phase.PIERCE, Phase.STEADY
LOW_START = [OFF] * 5 + [RAMP] * 6 + [PIERCE] * 60 + [RAMP] * 6 + [STEADY] * 60
FULL_START = [OFF] * 5 + [RAMP] * 6 + [STEADY] * 60


@pytest.mark.parametrize(
    ("phases", "found"),
    [
        (LOW_START, (Opening.LOW, 1, 1)),
        (FULL_START, (Opening.FULL, 0, 1)),
        (LOW_START + FULL_START * 2, (Opening.LOW, 1, 3)),
        (FULL_START + LOW_START, (Opening.FULL, 1, 2)),
        (FULL_START * 9, (Opening.FULL, 0, FIRST_STARTS)),
        (FULL_START + [STEADY] * 600 + LOW_START, (Opening.FULL, 0, 1)),  # ten minutes are over
        ([OFF] * 5 + [RAMP] * 6 + [PIERCE] * 60 + [OFF], (Opening.UNKNOWN, 1, 1)),  # never raised
        (LOW_START[5:] + FULL_START, (Opening.UNKNOWN, 0, 1)),  # the jet was on when first seen
        ([OFF] * 5 + [RAMP] * 3 + LOW_START, (Opening.LOW, 1, 1)),  # too short to say anything
        ([OFF] * 50, (Opening.UNKNOWN, 0, 0)),
        ([Phase.NO_DATA] * 50, (Opening.UNKNOWN, 0, 0)),
        ([], (Opening.UNKNOWN, 0, 0)),
    ],
)
def test_first_starts_are_judged_by_where_the_jet_settles(
    phases: list[int], found: tuple[Opening, int, int]
) -> None:
    samples, there = at_1_hz(phases, rate=-1.0)
    assert judge_opening(samples, there) == found


@pytest.mark.parametrize(("seconds", "opening"), [(5, Opening.FULL), (20, Opening.LOW)])
def test_slow_rise_to_full_pressure_is_a_low_start_and_a_quick_one_is_none(
    seconds: int, opening: Opening
) -> None:
    """A crank pump has no pressure until the jet holds it back: it needs some seconds to rise."""
    samples, phases = at_1_hz([OFF] * 5 + [RAMP] * (seconds + 6) + [STEADY] * 60)
    samples.pressure[5 : 5 + seconds] = 100e6
    assert judge_opening(samples, phases)[0] is opening


def test_start_behind_a_gap_with_the_jet_on_has_not_been_seen() -> None:
    samples, phases = at_1_hz(FULL_START)
    late = samples._replace(time_ns=samples.time_ns + np.where(phases != OFF, 3600 * 10**9, 0))
    assert judge_opening(late, phases)[0] is Opening.UNKNOWN


def test_the_jet_time_of_one_head_where_its_valve_says_so() -> None:
    on = np.full(7200, Phase.STEADY, dtype=np.int8)
    open_heads = np.repeat([1.0, 2.0, 3.0, np.nan], 1800)
    samples = at_1_hz(on, valve=np.repeat([1.0, 1.0, 2.0, 1.0], 1800), open_heads=open_heads)[0]
    hours = [
        count_jet_time([(samples, on)], EVER, np.array([2]), 10.0, valve)[0]
        for valve in (0, 1, None)
    ]
    # an unknown signal counts for both, as without one
    assert [each.jet_hours for each in hours] == pytest.approx([1.5, 1.5, 2.0], abs=1e-3)
    assert [each.partly_hours for each in hours] == pytest.approx([0.5, 0.5, 1.5], abs=1e-3)


@pytest.mark.parametrize(
    ("before", "after", "counts"),
    [
        (Phase.STEADY, Phase.STEADY, True),
        (Phase.STOPPED, Phase.STEADY, True),  # off when last seen, and yet nobody saw it open
        (Phase.JET_OFF, Phase.STOPPED, True),
        (Phase.STOPPED, Phase.STOPPED, False),  # overnight
    ],
)
def test_a_silence_counts_unless_the_pump_rested_on_both_sides(
    before: Phase, after: Phase, counts: bool
) -> None:
    seconds = np.concatenate((np.arange(60), np.arange(2400, 2460)))
    phases = np.repeat(np.array([before, after], dtype=np.int8), 60)
    phases[[20, 70]] = Phase.UNUSABLE  # no silence yet
    samples = samples_of(seconds * 10**9, pressure=np.full(120, 3e8), rate=np.full(120, 8.0))
    expected = [[59 * 10**9, 2400 * 10**9]] if counts else []
    assert silences(samples, phases).tolist() == expected
    assert len(silences(rows(samples, 0, 60), phases[:60])) == 0

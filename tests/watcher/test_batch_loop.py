"""The compiled loop: what it stops at, and what it writes of each steady batch."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from borewarden.detect.step import EXCEEDED, RING, TWO, WINDOW, weigh
from borewarden.gate.batch import SIGNALS, BatchKind
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import event_rate
from borewarden.watcher.batch_loop import (
    DRIFT_BLOCK,
    FORGET,
    LOOP,
    RESULT,
    STEP_SIZES,
    Block,
    Detector,
    Expected,
    Mode,
    Reference,
    Running,
    Signals,
    Stop,
    judge,
    operating_point,
)
from borewarden.watcher.verdict import STATES, State
from invented_watch import AREA, BATCH_TIME, PRESSURE, PUMP, batches

LIMIT = 10.0  # K of the weep line
TIMING = 0.02 / BATCH_TIME**2  # of an invented batch


def record(mode: Mode = Mode.WATCHING, **parts: object) -> NDArray[np.void]:
    """What the loop goes by: watching a bore of noise 0.002, no alarm below h = 20."""
    made = np.zeros(1, dtype=LOOP)
    loop = made[0]
    n = len(SIGNALS)
    loop["mode"], loop["told"] = mode, STATES.index(State.SOUND)
    loop["reference"] = parts.get("reference", Reference(2.0, AREA, 0.65, 1.0, PRESSURE))
    loop["expected"] = parts.get("expected", Expected(0.0, 0.0, 0.002, 0.0))
    loop["detector"] = parts.get("detector", Detector(0.002, 0.04, 20.0, 1e-4, 0.5, 0.1, 0, TIMING))
    loop["running"] = parts.get("running", Running(hours=2.0))
    loop["signals"] = Signals(np.full(n, 5.0), np.full(n, 5.0), np.full(n, LIMIT))
    return made


def run(
    loop: NDArray[np.void], rows: NDArray[np.void], ring: NDArray[np.void] | None = None
) -> tuple[int, Stop, NDArray[np.void]]:
    """The batches taken, what stopped the loop, and the rows made."""
    results = np.zeros(len(rows), dtype=RESULT)
    kept = np.zeros(WINDOW, dtype=RING) if ring is None else ring
    taken, made, stop = judge(rows, 0, loop, kept, PUMP.displacement, results, 0)
    return taken, Stop(stop), results[:made]


@pytest.mark.parametrize("part", [Reference, Expected, Detector, Running, Block, Signals])
def test_parts_of_the_record_have_the_fields_of_their_tuples(part: type) -> None:
    assert LOOP[part.__name__.lower()].names == part._fields


def test_sound_batches_need_no_thought() -> None:
    taken, stop, results = run(record(), batches(np.zeros(DRIFT_BLOCK - 1)))
    assert (taken, stop, len(results)) == (DRIFT_BLOCK - 1, Stop.NOTHING, DRIFT_BLOCK - 1)


def test_a_block_is_full_after_so_many_batches() -> None:
    loop = record()
    rows = batches(np.full(DRIFT_BLOCK + 10, 0.01), noise=0.0)
    taken, stop, _ = run(loop, rows)
    assert (taken, stop) == (DRIFT_BLOCK, Stop.BLOCK)
    block = Block(*loop["block"][0].item())
    assert block.batches == DRIFT_BLOCK
    assert block.time == pytest.approx(DRIFT_BLOCK * BATCH_TIME)
    assert block.ratio / block.time == pytest.approx(0.01)
    # hours since the watch began: of the batches 1 to 40, 20.5 on average
    on_average = (DRIFT_BLOCK + 1) / 2
    assert block.hours / block.time == pytest.approx(on_average * BATCH_TIME / 3600.0)


@pytest.mark.parametrize(("growth", "stop"), [(0.08, Stop.UP), (-0.08, Stop.DOWN)])
def test_a_step_is_found_within_a_few_batches(growth: float, stop: Stop) -> None:
    rows = batches(np.where(np.arange(19) < 10, 0.0, growth))
    taken, why, _ = run(record(), rows)
    assert why is stop
    assert 11 < taken < 16  # two have to agree


def test_one_wild_batch_alarms_nobody() -> None:
    growth = np.zeros(19)
    growth[8] = 0.5
    assert run(record(), batches(growth))[1] is Stop.NOTHING


def test_a_batch_of_another_kind_makes_no_row() -> None:
    rows = np.concatenate([batches([0.0, 0.0]), batches([0.0], BatchKind.LOW, 2)])
    loop = record()
    taken, stop, results = run(loop, rows)
    assert (taken, stop, len(results)) == (3, Stop.OTHER_KIND, 2)
    assert loop["running"]["taken"][0] == 2
    assert loop["running"]["end_ns"][0] == rows["end_ns"][2]


def test_while_learning_each_batch_is_handed_over() -> None:
    loop = record(Mode.LEARNING, reference=Reference(0.0, AREA, 0.65))
    taken, stop, results = run(loop, batches([0.3, 0.0]))
    assert (taken, stop) == (1, Stop.LEARN)
    for name in ("log_ratio", "line", "statistic", "threshold", "probability"):
        assert np.isnan(results[name][0])


def test_while_following_each_batch_is_handed_over() -> None:
    assert run(record(Mode.FOLLOWING), batches([0.0, 0.0]))[:2] == (1, Stop.FOLLOW)


def test_other_heads_are_a_planned_change() -> None:
    loop = record()
    taken, stop, results = run(loop, batches(np.full(30, 0.7), heads=2.0))
    assert (taken, stop, len(results)) == (30, Stop.NOTHING, 30)
    assert loop["running"]["taken"][0] == 0


def test_signal_off_its_limit_stops_the_loop() -> None:
    loop = record()
    taken, stop, _ = run(loop, batches(np.zeros(15), weep_rise=5.0 + 3.0 * LIMIT))
    assert stop is Stop.SIGNAL
    # the running mean has gone 1 - (1 - FORGET)^n of 30 K: past 10 K once (1 - FORGET)^n < 2/3
    n = int(np.ceil(np.log(2.0 / 3.0) / np.log(1.0 - FORGET)))
    assert taken == n == 5
    mean = loop["signals"]["mean"][0][SIGNALS.index("weep_rise")]
    assert mean == pytest.approx(5.0 + 3.0 * LIMIT * (1.0 - (1.0 - FORGET) ** n))


def test_signal_that_is_not_known_leaves_its_mean() -> None:
    loop = record()
    run(loop, batches(np.zeros(5)))
    assert loop["signals"]["mean"][0][SIGNALS.index("weep_rise")] == 5.0


def test_row_of_a_batch() -> None:
    expected = Expected(0.01, 0.002, 0.002, 0.05)
    rows = batches([0.08], noise=0.0)
    _, _, results = run(record(expected=expected), rows)
    row, hours = results[0], BATCH_TIME / 3600.0
    assert row["jet_hours"] == pytest.approx(2.0 + hours)
    assert row["log_ratio"] == pytest.approx(0.08)
    assert row["line"] == pytest.approx(0.05 + 0.01 + 0.002 * hours)
    assert bore_area(row["bore"]) * 0.65 == pytest.approx(rows["area"][0])
    assert row["bore_sd"] == pytest.approx(0.5 * row["bore"] * np.hypot(0.002, 0.001))
    assert row["rate_expected"] == pytest.approx(
        float(event_rate(PUMP.displacement, AREA, 380e6, 293.15))
    )
    assert row["threshold"] == 20.0
    assert row["probability"] == pytest.approx(0.1)  # what stands, with one batch to judge by
    assert STATES[row["state"]] is State.SOUND


def test_what_wanders_comes_back_and_the_day_comes_round() -> None:
    """An Ornstein-Uhlenbeck process decays by exp(-rate t) from where it was, and its variance goes
    to the stationary one by 1 - exp(-2 rate t) (Uhlenbeck & Ornstein 1930)."""
    rate, near_sd, far_sd = 0.5, 0.001, 0.01
    expected = Expected(
        level_sd=near_sd, clock=6.0, wander=0.02, rate=rate, far_sd=far_sd, cosine=0.004, sine=0.003
    )
    for passed in (0.0, 3.0, 24.0):
        rows = batches([0.0, 0.03, 0.03], noise=0.0)
        rows["end_ns"] += int((6.0 + passed) * 3600e9) - rows["end_ns"][0]
        loop, ring = record(expected=expected), np.zeros(WINDOW, dtype=RING)
        _, _, results = run(loop, rows, ring)
        phase = 2.0 * np.pi * (6.0 + passed) / 24.0
        daily = 0.004 * np.cos(phase) + 0.003 * np.sin(phase)
        assert results["line"][0] == pytest.approx(0.02 * np.exp(-rate * passed) + daily)
        assert ring["value"][0] == pytest.approx(-results["line"][0])
        near = np.exp(-2.0 * rate * passed)
        level_var = near * near_sd**2 + (1.0 - near) * far_sd**2
        # of steps up, by the mean of the newest two: a likelihood ratio of two normal laws
        late = ring[1:3]
        var = (0.002**2 * 2 * BATCH_TIME**2 + 2 * 0.02 - 2 * 0.01) / (2 * BATCH_TIME) ** 2
        mean = np.mean(late["value"])
        assert mean < 0.04  # the smallest step of interest
        of_step = stats.norm.logpdf(mean, [0.04, 0.0], (var + level_var) ** 0.5)
        found = loop["running"]["up"][0]
        assert found == pytest.approx(max(of_step[0] - of_step[1], 0.0), rel=0.01, abs=1e-9)


def test_another_pressure_is_no_step() -> None:
    """What the sound pump makes of a pressure is expected, and less sure the further off it is."""
    rows = batches(np.full(19, 0.03), noise=0.0)
    rows["pressure"] = PRESSURE * np.exp(0.2)
    known = record(expected=Expected(level_sd=0.002, by_pressure=0.15))
    _, stop, results = run(known, rows)
    assert stop is Stop.NOTHING
    assert results["line"] == pytest.approx(0.03)
    assert known["running"]["up"][0] == 0.0
    block = Block(*known["block"][0].item())
    assert block.operating / block.time == pytest.approx(0.2)
    up = []
    for unsure in (0.0, 0.01, 0.1):
        loop = record(expected=Expected(level_sd=0.002, by_pressure_var=unsure**2))
        run(loop, batches_at(rows, 0.03), None)
        up.append(loop["running"]["up"][0])
    assert up[0] > up[1] > up[2]


@pytest.mark.parametrize("further", [-0.2, 0.2])
def test_two_wild_batches_show_as_much_as_two_may_at_any_pressure(further: float) -> None:
    """Where the effect of pressure is not known well, one that is far off counts for less, too."""
    rows = batches_at(batches([0.0, 0.0], noise=0.0), 0.5)
    rows["pressure"] = PRESSURE * np.exp(further)
    unsure = Expected(level_sd=0.002, level_with_pressure=5e-5, by_pressure_var=0.03**2)
    loop = record(expected=unsure)
    assert run(loop, rows)[1] is Stop.UP
    assert loop["running"]["up"][0] == pytest.approx(EXCEEDED[TWO] * 20.0)


@pytest.mark.parametrize("seen_before", [0, 3, 20])
def test_a_step_at_a_pressure_is_told_by_what_was_usual_there(seen_before: int) -> None:
    """What nobody has seen a pressure do may be as much; after some batches there, it may not."""
    growth = np.repeat([0.0, -0.015, 0.075], [10, seen_before, 9])
    rows = batches(growth, noise=0.0)
    rows["pressure"][10:] = PRESSURE * np.exp(0.36)
    loop = record(expected=Expected(level_sd=0.0025, by_pressure_var=0.05**2))
    index, stop, _ = run(loop, rows)
    if seen_before == 0:
        assert stop is Stop.NOTHING
    else:
        assert stop is Stop.UP
        assert index <= 10 + seen_before + 4


def test_what_a_pressure_makes_of_the_area_is_a_normal_posterior() -> None:
    """scipy has it as the product of two normal densities, on a grid."""
    rows = batches(np.repeat([0.0, 0.012], [5, 4]), noise=0.0)
    rows["pressure"][5:] = PRESSURE * np.exp(0.3)
    loop = record(expected=Expected(level_sd=0.002, by_pressure_var=0.04**2))
    ring = np.zeros(WINDOW, dtype=RING)
    run(loop, rows, ring)
    sigma, level_sd = float(loop["detector"]["sigma"][0]), 0.002
    times, timing = ring["time"][5:8], ring["timing"][5:8]
    own = np.sum(sigma**2 * times**2 + timing) / np.sum(times) ** 2
    grid = np.linspace(-0.06, 0.06, 240_001)
    density = stats.norm.pdf(grid, 0.0, 0.3 * 0.04)
    density *= stats.norm.pdf(ring["clipped"][5:8].mean(), grid, math.hypot(own**0.5, level_sd))
    mean = float(np.average(grid, weights=density))
    assert ring["usual"][8] == pytest.approx(mean, abs=1e-6)
    var = np.average((grid - mean) ** 2, weights=density)
    assert ring["usual_var"][8] == pytest.approx(var, rel=1e-4)
    assert ring["usual_var"][:8].tolist() == [0.0] * 8  # two are too few to tell


def batches_at(rows: NDArray[np.void], growth: float) -> NDArray[np.void]:
    """Two of the `rows`, grown by so much."""
    two = rows[:2].copy()
    two["area"] = AREA * np.exp(growth)
    return two


def test_probability_is_that_of_what_stands_or_of_a_new_step() -> None:
    """One minus the chance of neither; a new step by its odds times the hazard."""
    loop, ring = record(), np.zeros(WINDOW, dtype=RING)
    run(loop, batches([0.0, 0.01, 0.012], noise=0.0), ring)
    sizes = np.log1p(np.array(STEP_SIZES))
    odds = weigh(ring.view(np.recarray), 3, 0.002, 0.002, 0.04, sizes)[2] * 1e-4  # the hazard
    new = 0.5 * odds / (1.0 + odds)
    found = loop["running"]["probability"][0]
    assert found == pytest.approx(1.0 - (1.0 - 0.1) * (1.0 - new), rel=1e-9)
    assert found > 0.1


def test_a_batch_that_was_timed_badly_is_worth_less() -> None:
    """By its variance: of noise 0.002 and timing 0.02 s² in 20 s, and of ten times the timing."""
    loop = record()
    rows = batches([0.0, 0.0], noise=0.0)
    rows["timing"][1] = 0.2
    run(loop, rows)
    worth = (0.002**2 + TIMING) / (0.002**2 + 10.0 * TIMING)
    assert loop["block"]["batches"][0] == pytest.approx(1.0 + worth)
    assert loop["block"]["time"][0] == pytest.approx(BATCH_TIME * (1.0 + worth))


def test_any_split_gives_the_same_bits() -> None:
    rows = batches(0.003 * np.sin(np.arange(19)), weep_rise=5.5)
    whole, ring = record(), np.zeros(WINDOW, dtype=RING)
    _, _, results = run(whole, rows, ring)
    for cut in range(1, len(rows)):
        parts, other = record(), np.zeros(WINDOW, dtype=RING)
        made = [run(parts, rows[a:b], other)[2] for a, b in ((0, cut), (cut, len(rows)))]
        assert np.concatenate(made).tobytes() == results.tobytes()
        assert parts.tobytes() == whole.tobytes()
        assert other.tobytes() == ring.tobytes()


def test_where_the_pressure_floats_the_speed_says_what_is_set() -> None:
    """p goes as the square of the flow at a fixed bore (Bernoulli): 0.9 of the speed, 0.81 of p."""
    set_by_hand = Reference(0.0, AREA, 0.65, 1.0, 300e6)
    floats = set_by_hand._replace(rate=8.0)
    assert operating_point(set_by_hand, 243e6, 8.0) == pytest.approx(np.log(0.81))
    assert operating_point(floats, 999e6, 7.2) == pytest.approx(np.log(0.81))
    rates = np.array([7.2, 8.0])
    assert operating_point(floats, np.full(2, 999e6), rates) == pytest.approx([np.log(0.81), 0.0])

"""The compiled loop: what it stops at, and what it writes of each steady batch."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.detect.step import RING, WINDOW
from borewarden.gate.batch import SIGNALS, BatchKind
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import event_rate
from borewarden.watcher.batch_loop import (
    DRIFT_BLOCK,
    FORGET,
    LOOP,
    RESULT,
    Block,
    Detector,
    Expected,
    Mode,
    Reference,
    Running,
    Signals,
    Stop,
    judge,
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
    rows = batches(np.full(30, 0.01), noise=0.0)
    taken, stop, _ = run(loop, rows)
    assert (taken, stop) == (DRIFT_BLOCK, Stop.BLOCK)
    block = Block(*loop["block"][0].item())
    assert block.batches == DRIFT_BLOCK
    assert block.time == pytest.approx(DRIFT_BLOCK * BATCH_TIME)
    assert block.ratio / block.time == pytest.approx(0.01)
    # hours since the watch began: of the batches 1 to 20, 10.5 on average
    assert block.hours / block.time == pytest.approx(10.5 * BATCH_TIME / 3600.0)


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
    # the running mean has gone 1 - (1 - FORGET)^n of 30 K: past 10 K after n = 3
    assert taken == 3
    mean = loop["signals"]["mean"][0][SIGNALS.index("weep_rise")]
    assert mean == pytest.approx(5.0 + 3.0 * LIMIT * (1.0 - (1.0 - FORGET) ** 3))


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

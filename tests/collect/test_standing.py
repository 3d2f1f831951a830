"""Values that stand until the next reading, and for how long."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.collect.standing import Stream, rows_of

S = 10**9


def stream(*readings: tuple[float, float]) -> Stream:
    times, values = zip(*readings, strict=True)
    return Stream(np.array([round(t * S) for t in times]), np.array(values, dtype=float))


def test_without_a_hold_only_what_was_read_at_that_time_is_there() -> None:
    times, values = rows_of({"a": stream((0, 1), (2, 2)), "b": stream((1, 5), (2, 6))}, None, 1.0)
    assert times.tolist() == [0, S, 2 * S]
    np.testing.assert_array_equal(values["a"], [1, np.nan, 2])
    np.testing.assert_array_equal(values["b"], [np.nan, 5, 6])


def test_a_value_stands_no_longer_than_its_hold_then_it_is_missing() -> None:
    found = {"a": stream((0, 1), (10, 2)), "b": stream((0, 5), (10, 6))}
    times, values = rows_of(found, {"a": 3.0, "b": 6.0}, 1.0)
    assert (times // S).tolist() == [0, 1, 2, 3, 4, 5, 6, 10]  # 7 to 9: nothing is known
    np.testing.assert_array_equal(values["a"], [1, 1, 1, 1, np.nan, np.nan, np.nan, 2])
    np.testing.assert_array_equal(values["b"], [5] * 7 + [6])


def test_a_bad_reading_is_missing_until_the_next_one() -> None:
    _, values = rows_of(
        {"a": stream((0, 1), (1, np.nan), (3, 2)), "b": stream((0, 0), (3, 1))},
        {"a": 60.0, "b": 60.0}, 1.0,
    )  # fmt: skip
    np.testing.assert_array_equal(values["a"], [1, np.nan, np.nan, 2])


def test_nothing_stands_beyond_the_last_reading_of_a_file() -> None:
    times, _ = rows_of({"a": stream((0, 1), (4.5, 2))}, {"a": 60.0}, 1.0)
    assert (times // S).tolist() == [0, 1, 2, 3, 4, 5]


@given(
    st.lists(st.integers(0, 400), min_size=1, max_size=30, unique=True),
    st.integers(1, 40),
    st.sampled_from([0.5, 1.0, 2.0]),
)
def test_each_row_has_the_last_reading_that_is_young_enough(
    tenths: list[int], hold: int, every: float
) -> None:
    tenths.sort()
    found = stream(*((tenth / 10, at) for at, tenth in enumerate(tenths)))
    times, values = rows_of({"a": found}, {"a": float(hold)}, every)
    step = round(every * S)
    last = int(found.time_ns[-1])
    wanted = {}
    for time in range(0, last + step, step):
        before = np.flatnonzero(found.time_ns <= time)
        if len(before) and time - found.time_ns[before[-1]] <= hold * S:
            wanted[time] = float(before[-1])
    assert dict(zip(times.tolist(), values["a"].tolist(), strict=True)) == pytest.approx(wanted)

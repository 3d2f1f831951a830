"""Levels that the area came down from: hand-made batches, values invented."""

import numpy as np
import pytest

from borewarden.detect.step import RING
from borewarden.watcher.to_and_fro import came_down, may_be_there

OPEN, CLOSED = 40e-9, 42e-9  # m²


def rows(*areas: float, rate: float = 5.0, stops: int = 0):
    made = np.zeros(len(areas), dtype=RING)
    made["area"], made["rate"], made["stops"] = areas, rate, stops
    return made


def test_what_came_down_at_one_speed_was_a_level():
    levels = came_down(rows(*[CLOSED] * 3, *[OPEN] * 3))
    assert may_be_there(levels, rows(*[CLOSED] * 3), 0.02)
    assert not may_be_there(levels, rows(*[1.1 * CLOSED] * 3), 0.02)


def test_what_still_moves_may_be_on_the_way_there():
    levels = came_down(rows(*[CLOSED] * 3, *[OPEN] * 3))
    assert may_be_there(levels, rows(38e-9, 39e-9, 40e-9), 0.02)
    assert may_be_there(levels, rows(42.5e-9, 45e-9, 46e-9), 0.02)
    assert not may_be_there(levels, rows(44e-9, 45e-9, 46e-9), 0.02)


@pytest.mark.parametrize("after", [{"rate": 4.0}, {"stops": 1}])
def test_another_speed_or_a_stop_between_says_nothing(after):
    both = np.concatenate([rows(*[CLOSED] * 3), rows(*[OPEN] * 3, **after)])
    assert came_down(both) == frozenset()


def test_a_chip_and_what_passes_say_nothing():
    assert came_down(rows(*[OPEN] * 3, *[CLOSED] * 9)) == frozenset()
    assert came_down(rows(*[OPEN] * 3, CLOSED, CLOSED, *[OPEN] * 3)) == frozenset()

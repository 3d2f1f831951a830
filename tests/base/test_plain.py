"""What JSON holds of the program's own values."""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.base.plain import json_text, plain
from borewarden.base.statistics import Interval
from borewarden.watcher.verdict import State


class Row(NamedTuple):
    name: str
    noise: float


@dataclass(frozen=True)
class Holder:
    state: State
    rows: tuple[Row, ...]


def test_what_is_no_number_is_null_and_enums_go_by_value() -> None:
    assert plain({"a": math.nan, "b": [math.inf, 1.5, np.float64("nan")], "c": State.SOUND}) == {
        "a": None,
        "b": [None, 1.5, None],
        "c": "sound",
    }


def test_records_are_objects_and_an_interval_its_three_numbers() -> None:
    held = Holder(State.OPENED, (Row("north", math.nan),))
    assert plain({"held": held, "hours": Interval(1.0, 2.0, math.inf)}) == {
        "held": {"state": "probably opened up", "rows": [{"name": "north", "noise": None}]},
        "hours": [1.0, 2.0, None],
    }


def test_days_and_paths_are_text() -> None:
    assert plain([dt.date(2026, 3, 4), Path("a/b.csv")]) == ["2026-03-04", "a/b.csv"]


def test_what_json_has_no_word_for_is_refused() -> None:
    with pytest.raises(TypeError, match="ndarray has no form in JSON"):
        plain({"a": np.zeros(3)})


@given(st.recursive(st.floats() | st.text() | st.none(), lambda x: st.lists(x) | st.tuples(x, x)))
def test_text_is_always_strict_json(value: object) -> None:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    read = json.loads(json_text(value), parse_constant=refuse)
    assert read == json.loads(json_text(value, indent=2)) == plain(value)

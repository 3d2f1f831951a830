"""The waits between attempts."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from borewarden.base.backoff import back_off


@given(st.integers(1, 10**6), st.integers(), st.sampled_from([30.0, 60.0, 300.0]))
def test_waits_double_up_to_a_cap_are_jittered_and_repeatable(
    failures: int, seed: int, longest: float
) -> None:
    wait = back_off(failures, 1.0, longest, random.Random(seed))
    most = min(longest, 2.0 ** min(failures - 1, 30))
    assert 0.5 * most <= wait <= most
    assert wait == back_off(failures, 1.0, longest, random.Random(seed))


def test_two_watchers_do_not_come_back_together() -> None:
    assert len({back_off(3, 1.0, 60.0) for _ in range(20)}) > 1

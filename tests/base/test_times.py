"""Times with their zone: pandas' own conversions are the check."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.base.times import EARLIEST, LATEST, iso_time, local_ns

ZONES = st.sampled_from(
    ["Europe/Vienna", "America/St_Johns", "Asia/Kolkata", "Pacific/Apia", "UTC"]
)


@settings(deadline=None)
@given(
    time_ns=st.integers(EARLIEST, LATEST),
    digits=st.sampled_from([1, 1000, 10**6, 10**9]),
    time_zone=ZONES,
)
def test_iso_time_to_the_last_digit(time_ns: int, digits: int, time_zone: str) -> None:
    time_ns -= time_ns % digits
    stamp = pd.Timestamp(time_ns, tz="UTC").tz_convert(ZoneInfo(time_zone))
    assert iso_time(time_ns, time_zone) == stamp.isoformat()


def test_days_that_a_clock_may_show() -> None:
    assert pd.Timestamp(EARLIEST, tz="UTC").isoformat() == "2000-01-01T00:00:00+00:00"
    assert pd.Timestamp(LATEST, tz="UTC").isoformat() == "2100-01-01T00:00:00+00:00"


def test_local_ns_takes_the_first_of_two() -> None:
    twice = local_ns(datetime(2025, 10, 26, 2, 30), "Europe/Vienna")
    assert twice == int(datetime(2025, 10, 26, 0, 30, tzinfo=UTC).timestamp()) * 10**9

"""Times with their zone: pandas' own conversions are the check."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.base.times import EARLIEST, LATEST, computer_zone, iso_time, local_ns

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


def test_the_computers_zone_is_that_of_its_environment_or_its_link(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = tmp_path / "localtime"
    link.symlink_to("/usr/share/zoneinfo/America/Chicago")
    monkeypatch.delenv("TZ", raising=False)
    assert computer_zone(link) == "America/Chicago"
    monkeypatch.setenv("TZ", "Europe/Vienna")
    assert computer_zone(link) == "Europe/Vienna"
    monkeypatch.setenv("TZ", "nowhere")
    assert computer_zone(tmp_path / "none") == "UTC"

"""Times as people write and read them."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo


def local_time(time_ns: int, time_zone: str) -> str:
    """A time in ns since 1970 UTC as date, clock time and zone of the machine."""
    utc = dt.datetime.fromtimestamp(time_ns // 10**9, dt.UTC)
    return utc.astimezone(ZoneInfo(time_zone)).strftime("%Y-%m-%d %H:%M %Z")

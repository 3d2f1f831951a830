"""Times as people and loggers write them, as nanoseconds since 1970 UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd

EARLIEST = 946_684_800 * 10**9  # ns, 2000-01-01; a clock that says otherwise is not set
LATEST = 4_102_444_800 * 10**9  # ns, 2100-01-01


def local_ns(time: datetime, time_zone: str) -> int:
    """`time` in ns since 1970 UTC; local in `time_zone` if it has no offset.

    Of an hour that the clock showed twice the first is meant. Raises ValueError for one that it
    skipped in spring, and for times that are not within 2000 to 2100.
    """
    if not 2000 <= time.year <= 2100:
        raise ValueError(f"{time} is no time of our days")
    if time.tzinfo is None:
        zone = ZoneInfo(time_zone)
        local = time.replace(tzinfo=zone)
        if local.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != time:
            raise ValueError(f"{time} was skipped by the clocks of {time_zone}")
        time = local
    since = time - datetime(1970, 1, 1, tzinfo=UTC)
    ns = (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000
    if not EARLIEST <= ns <= LATEST:
        raise ValueError(f"{time} is no time of our days")
    return ns


def shown(time_ns: int, time_zone: str) -> str:
    """`time_ns`, since 1970 UTC, as ISO 8601 with the offset of `time_zone`, for a message."""
    return pd.Timestamp(time_ns, tz="UTC").tz_convert(ZoneInfo(time_zone)).isoformat()


def steady_offset_ns(first_ns: int, last_ns: int, time_zone: str) -> int | None:
    """The one offset of `time_zone` from UTC, ns, that holds from a day before to a day after.

    None where the clocks are changed within that time, so that local times may be skipped or come
    twice. Looks at each day: no clock is changed there and back within one.
    """
    day = 86_400
    zone = ZoneInfo(time_zone)
    seconds = range(first_ns // 10**9 - day, last_ns // 10**9 + 2 * day + 1, day)
    offsets = {datetime.fromtimestamp(second, zone).utcoffset() for second in seconds}
    offset = offsets.pop()
    if offsets or offset is None:
        return None
    return offset // timedelta(microseconds=1) * 1000

"""Times as people and loggers write them, and as nanoseconds since 1970 UTC."""

from __future__ import annotations

import datetime as dt
import os
import zoneinfo
from pathlib import Path
from zoneinfo import ZoneInfo

EARLIEST = 946_684_800 * 10**9  # ns, 2000-01-01; an earlier clock is not set
LATEST = 4_102_444_800 * 10**9  # ns, 2100-01-01


def computer_zone(link: Path = Path("/etc/localtime")) -> str:
    """The time zone of this computer by its name, for times that no machine file places.

    That of the environment variable TZ, else the one that `link` points to; UTC if neither names
    one.
    """
    target = str(link.resolve()) if link.is_symlink() else ""
    names = zoneinfo.available_timezones()
    for name in (os.environ.get("TZ", "").lstrip(":"), target.rpartition("/zoneinfo/")[2]):
        if name in names:
            return name
    return "UTC"


def local_time(time_ns: int, time_zone: str) -> str:
    """A time in ns since 1970 UTC as date, clock time and zone of the machine."""
    return _local(time_ns, time_zone).strftime("%Y-%m-%d %H:%M %Z")


def clock_time(time_ns: int, time_zone: str) -> str:
    """The clock time of the machine alone, such as "07:58"."""
    return _local(time_ns, time_zone).strftime("%H:%M")


def _local(time_ns: int, time_zone: str) -> dt.datetime:
    utc = dt.datetime.fromtimestamp(time_ns // 10**9, dt.UTC)
    return utc.astimezone(ZoneInfo(time_zone))


def iso_time(time_ns: int, time_zone: str) -> str:
    """A time in ns since 1970 UTC as ISO 8601, local with its offset, to the last digit."""
    seconds, rest = divmod(time_ns, 10**9)
    whole = dt.datetime.fromtimestamp(seconds, ZoneInfo(time_zone)).isoformat()
    fraction = f".{rest:09d}".removesuffix("000") if rest else ""
    return whole[:19] + fraction + whole[19:]


def local_ns(time: dt.datetime, time_zone: str) -> int:
    """`time` in ns since 1970 UTC; local in `time_zone` if it has no offset.

    In the hour that the clock shows twice, the first one is meant. Raises ValueError for a time
    that the clock skipped in spring, and for times outside 2000 to 2100.
    """
    if not 2000 <= time.year <= 2100:
        raise ValueError(f"{time} is outside 2000 to 2100; check the clock")
    if time.tzinfo is None:
        zone = ZoneInfo(time_zone)
        local = time.replace(tzinfo=zone)
        if local.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None) != time:
            raise ValueError(f"{time} was skipped by the clocks of {time_zone}")
        time = local
    since = time - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    ns = (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000
    if not EARLIEST <= ns <= LATEST:
        raise ValueError(f"{time} is outside 2000 to 2100; check the clock")
    return ns


def steady_offset_ns(first_ns: int, last_ns: int, time_zone: str) -> int | None:
    """The one offset of `time_zone` from UTC, ns, that holds from a day before to a day after.

    None where the clocks change within that time, so that local times may be skipped or come
    twice. Looks at each day: no clock changes and changes back within one.
    """
    day = 86_400
    zone = ZoneInfo(time_zone)
    seconds = range(first_ns // 10**9 - day, last_ns // 10**9 + 2 * day + 1, day)
    offsets = {dt.datetime.fromtimestamp(second, zone).utcoffset() for second in seconds}
    offset = offsets.pop()
    if offsets or offset is None:
        return None
    return offset // dt.timedelta(microseconds=1) * 1000

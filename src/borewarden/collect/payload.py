"""What a published payload holds: numbers and times, as gateways write them.

Each reader returns what it found and what is wrong, in words that stay the same from one message
to the next; one of the two is empty.
"""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime
from typing import Any

from borewarden.base.samples import is_switch
from borewarden.base.times import EARLIEST, LATEST

DECIMAL = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
COMMA = re.compile(r"([+-]?)([0-9]+),([0-9]+)")
INDEX = re.compile(r"\[([0-9]+)\]")
GROUP = 3  # digits between two thousands separators
LONGEST_WHOLE = 30  # digits of a time, and far more
MISSING = object()
NOT_OUR_DAYS = "the time is not one of 2000 to 2100"
NOT_NUMBERS = {
    type(None): "null",
    list: "a list; name one of its values, such as [0]",
    dict: "an object; name one of its fields",
}


def parse(payload: bytes | bytearray | str) -> tuple[Any, str]:
    """JSON, or a bare number as text."""
    try:
        return json.loads(payload), ""
    except (ValueError, TypeError, RecursionError):
        pass
    text = payload if isinstance(payload, str) else payload.decode("utf-8", "replace")
    if DECIMAL.fullmatch(text.strip()) or COMMA.fullmatch(text.strip()):
        return text, ""
    return None, "the payload is not JSON"


def parts(path: str) -> list[str]:
    """The names and places on a path, from the outside in."""
    return INDEX.sub(r".\1", path).removeprefix(".").split(".")


def find(payload: Any, path: str) -> Any:
    """What is at `path`: under that very name, or else along the dots; `MISSING` if nothing is.

    A number is a place in a list, counted from 0: "values.0" and "values[0]" are the same.
    """
    if path == "":
        return payload
    if isinstance(payload, dict) and path in payload:
        return payload[path]
    for part in parts(path):
        if isinstance(payload, dict):
            payload = payload.get(part, MISSING)
        elif isinstance(payload, list) and part.isdecimal() and int(part) < len(payload):
            payload = payload[int(part)]
        else:
            return MISSING
    return payload


def number(value: Any) -> tuple[float, str]:
    """A number, also one that is text; NaN if it is not one."""
    if isinstance(value, str):
        return _number_of_text(value.strip())
    if not isinstance(value, (bool, int, float)):
        return math.nan, NOT_NUMBERS.get(type(value), "no such field")
    try:
        return _finite(float(value))
    except OverflowError:
        return _finite(math.inf)


def no_switch(name: str, value: Any) -> str:
    """What is wrong with true or false as the `value` of a channel; empty if nothing is."""
    if isinstance(value, bool) and not is_switch(name):
        return f"{str(value).lower()}, which is no number"
    return ""


def _number_of_text(text: str) -> tuple[float, str]:
    if DECIMAL.fullmatch(text):
        return _finite(float(text))
    if (comma := COMMA.fullmatch(text)) is None:
        return math.nan, "text, not a number"
    sign, whole, rest = comma.groups()
    if len(rest) == GROUP and len(whole) <= GROUP and not whole.startswith("0"):
        return math.nan, "a comma that may stand for decimals or for thousands"
    return _finite(float(f"{sign}{whole}.{rest}"))


def _finite(value: float) -> tuple[float, str]:
    return (value, "") if math.isfinite(value) else (math.nan, "not a finite number")


def time(value: Any) -> tuple[int | None, str]:
    """A time in ns since 1970 UTC: ISO 8601 with offset, or a number of s, ms, us or ns since 1970.

    Numbers may be text. None if it is not one of those, or not within 2000 to 2100.
    """
    if isinstance(value, str):
        value = value.strip()
        if not DECIMAL.fullmatch(value):
            return _iso_time(value)
        value = int(value) if value.isdecimal() and len(value) < LONGEST_WHOLE else float(value)
    found, _ = number(value)
    for factor in (10**9, 10**6, 10**3, 1):
        if EARLIEST <= found * factor <= LATEST:
            # integers whole, floats to the microsecond that they hold
            is_whole = isinstance(value, int)
            return value * factor if is_whole else round(found * factor / 1e3) * 1000, ""
    return None, "the message has no time" if value is MISSING else NOT_OUR_DAYS


def _iso_time(text: str) -> tuple[int | None, str]:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None, "the time is text, and not ISO 8601"
    if found.tzinfo is None:
        return None, "the time has no offset from UTC"
    since = found - datetime(1970, 1, 1, tzinfo=UTC)
    time_ns = (since.days * 86_400 + since.seconds) * 10**9 + since.microseconds * 1000
    if EARLIEST <= time_ns <= LATEST:
        return time_ns, ""
    return None, NOT_OUR_DAYS

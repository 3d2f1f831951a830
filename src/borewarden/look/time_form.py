"""In which form times are written, from the cells of a column alone.

What the cells leave open, such as 03/04/2026, is asked and never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from borewarden.look.question import Question

ISO = re.compile(
    r"\d{4}-\d\d-\d\d(?P<time>[T ]\d\d:\d\d(:\d\d([.,]\d+)?)?(?P<zone>Z|[+-]\d\d:?\d\d)?)?"
)
COMPACT = re.compile(r"(19|20)\d{6}(?P<t>T?)\d{6}")
DAY = re.compile(r"(?P<a>\d{1,4})(?P<sign>[./-] ?)(?P<b>\d{1,2})(?P=sign)(?P<c>\d{1,4})\.?")
NAMED = re.compile(r"(?P<d>\d{1,2})(?P<s>[-. /])(?P<m>[A-Za-z]{3,9})(?P=s)(?P<y>\d{4}|\d\d)")
MONTH_FIRST = re.compile(r"(?P<m>[A-Za-z]{3,9}) (?P<d>\d{1,2}), ?(?P<y>\d{4})")
CLOCK = re.compile(
    r"(?P<h>\d{1,2}):\d\d(?P<s>:\d\d(?P<sign>[.,:])?(?P<f>\d+)?)?(?P<half> ?[AaPp][Mm])?"
)
SHORT, FULL = 3, 4  # letters of a short month, digits of a whole year
MONTHS, DAYS = 12, 31
ORDERS = {"day-first": "dmy", "month-first": "mdy", "year-first": "ymd"}
# number of seconds in a unit: seconds since 1970 of the years 2000 to 2100 lie in these bounds
COUNTS = (
    ("s since 1970", 946_684_800.0, 4_102_444_800.0),
    ("ms since 1970", 946_684_800e3, 4_102_444_800e3),
    ("us since 1970", 946_684_800e6, 4_102_444_800e6),
    ("ns since 1970", 946_684_800e9, 4_102_444_800e9),
    ("100 ns since 1601", 125_911_584e9, 157_469_184e9),
)
SERIAL = (36_526.0, 73_050.0)  # days since 1899-12-30 of 2000 to 2099


@dataclass(frozen=True)
class TimeForm:
    """A form of time: its pattern as [log] states it, and whether it has a day and a clock."""

    pattern: str
    has_day: bool = True
    has_clock: bool = True


def text_form(path: Path, column: str, cells: Sequence[str], order: str | None) -> TimeForm | None:
    """The one form that all `cells` have, None if they are no times. Raises Question."""
    if not cells:
        return None
    first = cells[0]
    if all(map(ISO.fullmatch, cells)):
        match = ISO.fullmatch(first)
        assert match is not None
        return TimeForm("" if match["time"] else "%Y-%m-%d", True, match["time"] is not None)
    if all(map(COMPACT.fullmatch, cells)):
        return TimeForm("%Y%m%dT%H%M%S" if "T" in first else "%Y%m%d%H%M%S")
    if all(map(CLOCK.fullmatch, cells)):
        return TimeForm(_clock_pattern(cells), has_day=False)
    days, gap, clocks = _split(cells)
    if days is None:
        return None
    pattern = _day_pattern(path, column, days, order)
    if pattern is None:
        return None
    if not clocks:
        return TimeForm(pattern, has_clock=False)
    return TimeForm(pattern + gap + _clock_pattern(clocks))


def _split(cells: Sequence[str]) -> tuple[list[str] | None, str, list[str]]:
    """Days and clocks apart, and what is between them."""
    for day in (DAY, NAMED, MONTH_FIRST):
        found = re.compile(
            f"(?P<day>{_nameless(day)})(?:(?P<gap>,? +|T)(?P<clock>{_nameless(CLOCK)}))?"
        )
        matches = [found.fullmatch(cell) for cell in cells]
        kept = [match for match in matches if match is not None]
        if len(kept) < len(cells):
            continue
        clocks = [match["clock"] for match in kept if match["clock"]]
        if clocks and len(clocks) < len(kept):
            return None, "", []
        return [match["day"] for match in kept], kept[0]["gap"] or "", clocks
    return None, "", []


def _nameless(pattern: re.Pattern[str]) -> str:
    text = re.sub(r"\(\?P<\w+>", "(?:", pattern.pattern)
    return text.replace("(?P=sign)", r"[./-] ?").replace("(?P=s)", r"[-. /]")


def _clock_pattern(cells: Sequence[str]) -> str:
    matches = [match for cell in cells if (match := CLOCK.fullmatch(cell))]
    first = matches[0]
    half = first["half"] or ""
    hour = "%I" if half else "%H"
    second = "" if first["s"] is None else ":%S"
    signs = {match["sign"] for match in matches if match["sign"]}
    # a fraction behind a point may come and go, see `collect.logged_shop`
    if signs and (signs != {"."} or all(match["sign"] for match in matches)):
        second += f"{signs.pop()}%f"
    return f"{hour}:%M{second}{' %p' if half.startswith(' ') else '%p' if half else ''}"


def _day_pattern(path: Path, column: str, days: Sequence[str], order: str | None) -> str | None:
    if match := NAMED.fullmatch(days[0]):
        month = "%b" if len(match["m"]) == SHORT else "%B"
        return f"%d{match['s']}{month}{match['s']}{'%Y' if len(match['y']) == FULL else '%y'}"
    if match := MONTH_FIRST.fullmatch(days[0]):
        return f"{'%b' if len(match['m']) == 3 else '%B'} %d, %Y"
    matches = [match for day in days if (match := DAY.fullmatch(day))]
    if len(matches) < len(days):
        return None
    sign = matches[0]["sign"]
    if any(match["sign"] != sign for match in matches):
        return None
    parts = [[int(match[name]) for match in matches] for name in "abc"]
    widths = [max(len(match[name]) for match in matches) for name in "abc"]
    orders = [name for name, letters in ORDERS.items() if _fits(letters, parts, widths, sign)]
    if order is not None and order in orders:
        orders = [order]
    if not orders:
        return None
    if len(orders) > 1:
        wrong = f"{days[0]!r} can be read in two ways, and so can all others"
        raise Question(path, f"column {column!r}", wrong, "--date-order", orders)
    year = "%Y" if max(widths) == FULL else "%y"
    letters = {"d": "%d", "m": "%m", "y": year}
    tail = "." if days[0].endswith(".") else ""
    return sign.join(letters[letter] for letter in ORDERS[orders[0]]) + tail


def _fits(letters: str, parts: Sequence[Sequence[int]], widths: Sequence[int], sign: str) -> bool:
    """Whether the numbers can be days, months and years in the order of `letters`."""
    by = dict(zip(letters, parts, strict=True))
    wide = dict(zip(letters, widths, strict=True))
    if FULL in widths and wide["y"] != FULL:
        return False
    if sign == "." and letters == "ymd" and wide["y"] != FULL:  # nobody writes that with points
        return False
    narrow = max(wide["d"], wide["m"]) < FULL
    return narrow and max(by["m"]) <= MONTHS and max(by["d"]) <= DAYS


def count_form(low: float, high: float, rises_in_days: bool) -> str | None:
    """The form of times that are counts between `low` and `high`; None if they are none."""
    for pattern, first, last in COUNTS:
        if first <= low and high <= last:
            return pattern
    if SERIAL[0] <= low and high <= SERIAL[1] and rises_in_days:
        return "days since 1899-12-30"
    return None


def sample(cells: Iterable[str], most: int = 200_000) -> list[str]:
    """Cells spread over a whole column, its first and last among them; empty ones left out."""
    given = [cell for cell in cells if cell]
    step = -(-len(given) // most) or 1
    return given[::step] + given[-1:]

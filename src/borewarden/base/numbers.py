"""Numbers as people write them: "60,000", "60k", "7/8", "1 7/8", ".010", "4.137e3", "60 000"."""

from __future__ import annotations

import math
import re

LONGEST = 80  # characters of a quantity
_SPACE = "[ \u00a0\u2009\u202f]"
_QUANTITY = re.compile(
    rf"""\s*(?P<sign>[-+\u2212]?)
    (?: (?:(?P<whole>\d{{1,4}})(?:{_SPACE}|-))?(?P<over>\d{{1,4}})/(?P<under>\d{{1,4}})(?!\d)
      | (?P<digits>\d{{1,3}}(?:{_SPACE}\d{{3}})+(?!\d)(?:[.,]\d*)? | [\d.,'\u2019]*\d[.]?)
        (?:[eE](?P<power>[-+]?\d{{1,3}}))?
        (?P<kilo>\s?[kK](?=\s+\S))?
    )
    (?:{_SPACE}|-)?\s*(?P<unit>\S.*?)?\s*""",
    re.VERBOSE | re.ASCII,
)


def split_quantity(text: str) -> tuple[list[float], str]:
    """The readings of the number in `text`, and its unit as written.

    "8,702" has two readings, 8702 and 8.702, thousands first; most numbers have one. No readings if
    it does not begin with a number.
    """
    match = _QUANTITY.fullmatch(text) if len(text) <= LONGEST else None
    if match is None:
        return [], ""
    if match["over"]:
        under = float(match["under"])
        share = float(match["over"]) / under if under else math.inf
        readings = [float(match["whole"] or 0) + share]
    else:
        power = int(match["power"] or 0) + (3 if match["kilo"] else 0)
        readings = [float(f"{each}e{power}") for each in _readings(match["digits"])]
    sign = 1.0 if match["sign"] in ("", "+") else -1.0
    return [sign * each for each in readings], match["unit"] or ""


def _readings(digits: str) -> list[str]:
    """What `digits` may mean, of digits and the marks that group them or begin a fraction.

    As plain text, so that the number is rounded once.
    """
    digits = re.sub(_SPACE, "", digits)
    if "'" in digits or "\u2019" in digits:
        return _grouped(digits.replace("\u2019", "'"), "'", ".")
    commas, dots = digits.count(","), digits.count(".")
    if commas and dots:
        group, point = (",", ".") if digits.rindex(".") > digits.rindex(",") else (".", ",")
        return _grouped(digits, group, point)
    mark = "," if commas else "."
    if commas + dots > 1:
        return _grouped(digits, mark, "")
    number = digits.replace(",", ".")
    if re.fullmatch(r"[1-9]\d{0,2},\d{3}", digits):
        return [digits.replace(",", ""), number]
    return [number]


def _grouped(digits: str, group: str, point: str) -> list[str]:
    """The number whose thousands `group` parts; nothing if its groups are not of three digits."""
    fraction = rf"(?:{re.escape(point)}\d*)?" if point else ""
    if not re.fullmatch(rf"\d{{1,3}}(?:{re.escape(group)}\d{{3}})+{fraction}", digits):
        return []
    plain = digits.replace(group, "")
    return [plain.replace(point, ".") if point else plain]

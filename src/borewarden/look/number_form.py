"""How numbers are written: decimal sign, thousands sign, units and marks for missing readings."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from borewarden.collect.columns import OFF, ON
from borewarden.collect.layout import BLANKS
from borewarden.collect.logged_shop import NOTHING
from borewarden.look.question import Question

GROUPERS = {"'": "'", "\u2019": "\u2019"} | dict.fromkeys(BLANKS["blank"], "blank")
BEGINS_NUMBER = re.compile(r"[-+]?[\d.,' \u2019\u00a0\u202f\u2009]*\d[\d.,]*(?:[eE][-+]?\d+)?")
SENTINELS = re.compile(r"[-+]?(?:9{3,}|32767|32768|65535)(?:[.,]0+)?")
LONGEST_UNIT = 12  # characters behind a number
SHARE = 0.6  # of a column's cells that are numbers; the rest are marks for missing. Invented


@dataclass(frozen=True)
class NumberForm:
    """Signs of the numbers in a file."""

    decimal: str
    thousands: str


def split_unit(cell: str) -> tuple[str, str] | None:
    """A number and what is behind it; None if the cell does not begin with a number."""
    match = BEGINS_NUMBER.match(cell)
    return None if match is None else (match[0].strip(), cell[match.end() :].strip())


def number_form(path: Path, columns: Iterable[Sequence[str]], decimal: str | None) -> NumberForm:
    """The signs in all `columns` that hold numbers. Raises Question where they leave it open."""
    seen: Counter[str] = Counter()
    example = ""
    for cells in columns:
        for cell in dict.fromkeys(cells):
            found = split_unit(cell)
            if found is None:
                continue
            number = found[0]
            for sign in GROUPERS:
                if sign in number:
                    seen[f"group {sign}"] += 1
                    number = number.replace(sign, "")
            kinds = _evidence(number)
            seen.update(kinds)
            if "open ." in kinds or "open ," in kinds:
                example = example or cell
    blank = next((GROUPERS[sign] for sign in GROUPERS if seen[f"group {sign}"]), "")
    if decimal is None:
        decimal = _decimal(path, seen, example, bool(blank))
    other = "," if decimal == "." else "."
    grouped = seen[f"open {other}"] + seen[f"group {other}"]
    return NumberForm(decimal, blank or (other if grouped else ""))


def _decimal(path: Path, seen: Counter[str], example: str, grouped: bool) -> str:
    point, comma = seen["decimal ."] + seen["group ,"], seen["decimal ,"] + seen["group ."]
    if point and comma:
        point, comma = seen["decimal ."], seen["decimal ,"]
    if point or comma:
        return "." if point >= comma else ","
    if grouped:  # another sign stands at the thousands
        return "," if seen["open ,"] else "."
    if not example:
        return "."
    wrong = f"{example!r}: is the sign in it a decimal or a thousands sign?"
    raise Question(path, "numbers", wrong, "--decimal", ["point", "comma"])


def _evidence(text: str) -> tuple[str, ...]:
    """What one number says: `decimal .`, `group ,`, or `open .` where it can be either.

    Where both signs are in it, the last one is the decimal sign, and the other groups.
    """
    points, commas = text.count("."), text.count(",")
    if points and commas:
        last_is_point = text.rindex(".") > text.rindex(",")
        return ("decimal .", "group ,") if last_is_point else ("decimal ,", "group .")
    for sign, count in ((".", points), (",", commas)):
        if count > 1:
            return (f"group {sign}",)
        if count == 1:
            whole, _, rest = text.lstrip("+-").partition(sign)
            may_group = re.fullmatch(r"[1-9]\d{0,2}", whole) and re.fullmatch(r"\d{3}", rest)
            return (f"open {sign}" if may_group else f"decimal {sign}",)
    return ()


@dataclass(frozen=True)
class Marks:
    """What is no number in a column of them: a `unit` behind each, `missing` marks, or words."""

    unit: str = ""
    missing: tuple[str, ...] = ()
    is_switch: bool = False


def marks_of(cells: Sequence[str]) -> Marks | None:
    """The marks of a column; None if it is no column of numbers."""
    words = {word for cell in set(cells) if (word := cell.lower()) and cell not in NOTHING}
    if words and words <= {*ON, *OFF}:
        return Marks(is_switch=True)
    units: Counter[str] = Counter()
    odd: Counter[str] = Counter()
    for cell, count in Counter(cells).items():
        if cell in NOTHING:
            continue
        found = split_unit(cell)
        if found is None:
            odd[cell] += count
        else:
            units[found[1]] += count
    total = units.total() + odd.total()
    if not total or units.total() < SHARE * total:
        return None
    unit, count = units.most_common(1)[0]
    if count < units.total() or len(unit) > LONGEST_UNIT:
        return None
    return Marks(unit, (*odd, *_sentinels(cells)))


def _sentinels(cells: Sequence[str]) -> list[str]:
    """Numbers such as -9999 that come again and again, far from all others."""
    found = Counter(cell for cell in cells if SENTINELS.fullmatch(cell))
    rest = [number for cell in cells if cell not in found and (number := _number(cell)) is not None]
    lowest, highest = min(rest, default=0.0), max(rest, default=0.0)
    far = 3.0 * max(abs(lowest), abs(highest))
    return [
        mark
        for mark, count in found.items()
        if count > 1
        and (number := _number(mark)) is not None
        and (number > far or (number < 0.0 and number < lowest - 0.1 * (highest - lowest)))
    ]


def _number(cell: str) -> float | None:
    if "." in cell and "," in cell:  # the last sign is the decimal sign
        cell = cell.replace("," if cell.rindex(".") > cell.rindex(",") else ".", "")
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return None

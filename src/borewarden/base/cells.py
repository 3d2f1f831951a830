"""Cells of CSV files that people open in a spreadsheet."""

from __future__ import annotations

from typing import Any

FORMULA = ("=", "+", "-", "@", "\t", "\r")  # by which a spreadsheet takes a cell for a formula


def harmless(cell: Any) -> Any:
    """`cell` so that no spreadsheet works it out: text like a formula gets an apostrophe."""
    return f"'{cell}" if isinstance(cell, str) and _is_formula(cell.lstrip("'")) else cell


def as_written(cell: str) -> str:
    """What `harmless` was given."""
    return cell[1:] if cell.startswith("'") and _is_formula(cell.lstrip("'")) else cell


def _is_formula(cell: str) -> bool:
    if not cell.startswith(FORMULA):
        return False
    try:
        float(cell)
    except ValueError:
        return True
    return False

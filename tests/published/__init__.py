"""Published measurements; README.md says which, and where they come from."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).parent


def column(name: str, field: str) -> list[str]:
    """One column of a file."""
    with (HERE / name).open() as file:
        return [row[field] for row in csv.DictReader(file)]


def growing(name: str, unit: str, time: str, value: str) -> list[NDArray[np.float64]]:
    """Times and values of each unit of a file, shape (2, n)."""
    rows: dict[str, list[tuple[float, float]]] = {}
    read = zip(column(name, unit), column(name, time), column(name, value), strict=True)
    for one, at, what in read:
        rows.setdefault(one, []).append((float(at), float(what)))
    return [np.array(each).T for each in rows.values()]


def crack_growth() -> list[NDArray[np.float64]]:
    """Millions of cycles and growth of the crack over its notch, by path."""
    return [
        np.array([at, length - 1.0])
        for at, length in growing("crack_growth.csv", "path", "million_cycles", "relative_length")
    ]


def laser_growth() -> list[NDArray[np.float64]]:
    """Hours and growth of the current, by laser."""
    return [
        np.array([at, percent / 100.0])
        for at, percent in growing("laser_current.csv", "unit", "hours", "growth_percent")
    ]

"""What holds the pressure of a crank pump is told while its line fills, not by an idle speed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from borewarden.look.form import Answers
from borewarden.look.level import level_of
from borewarden.look.looked import look_at
from borewarden.look.machine_file import Plate, figures_of
from borewarden.look.roles import Readings, Role, Told
from second_plant import day, write

CRANK = [Role("pressure", "P", "MPa", ""), Role("rate", "n", "rpm", "")]


@pytest.mark.parametrize(
    ("kind", "closed", "regulation", "why"),
    [
        ("floating", "holds", "none", "the crank turns no faster while the line fills"),
        ("floating", "dumps", "none", "the crank turns no faster while the line fills"),
        ("regulated", "creeps", "speed", "the speed changes to hold the pressure"),
        ("regulated", "minimum", "speed", "the speed changes to hold the pressure"),
    ],
)
def test_what_holds_the_pressure_is_told(
    kind: str, closed: str, regulation: str, why: str, tmp_path: Path
) -> None:
    made = day(kind, 90_011, signals=("pressure", "rate"), closed=closed, hours=2.0)
    log, _, _ = write(made, tmp_path)
    figure = figures_of(look_at([log], Answers(), Told()), Plate(kind="direct drive"))["regulation"]
    assert figure.value == f'"{regulation}"'
    assert figure.comment == f"guessed, please check: {why}"


def crank(fills: bool, closed_speed: float) -> Readings:
    """Cuts of 30 s and pauses of 20 s, in which the line holds or falls; all invented."""
    second = np.arange(3600) % 50
    on = second < 30
    pressure = np.where(on, 350.0 - 120.0 * fills * np.exp(-second / 3.0), 345.0)
    rate = np.where(on | (second < 35), 500.0, 500.0 * closed_speed)
    values = {"P": pressure, "n": rate}
    return Readings("a log", np.arange(3600.0), values, {"P": "MPa", "n": "rpm"})


@pytest.mark.parametrize(
    ("fills", "closed_speed", "trims"),
    [(True, 0.6, False), (True, 0.1, False), (False, 0.6, None), (False, 0.1, True)],
)
def test_an_idle_speed_is_no_sign_of_a_drive_that_trims(
    fills: bool, closed_speed: float, trims: bool | None
) -> None:
    assert level_of(crank(fills, closed_speed), CRANK).trims is trims

"""The forms that shops have their logs in: read without an edit, or asked, and never read wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from borewarden.base.samples import Samples
from borewarden.base.units import conversion, is_flow
from borewarden.cli import app
from borewarden.collect.logged import read_log
from borewarden.physics.pump import feed_volume
from borewarden.replay.one_machine import join_logs
from borewarden.settings import MachineSettings, load_machine
from shop_logs import UNITS, Column, Form, column_values, forms, write

ALL = forms()
ROUNDED = 0.55  # of the last digit that is printed, and a hair


def look(form: Form, folder: Path, *options: str) -> tuple[list[Path], Path, object]:
    paths = write(form, folder)
    machine = folder / "machine.toml"
    result = CliRunner().invoke(
        app,
        ["look", *map(str, paths), "--yes", "--out", str(machine), "--time-zone", "Europe/Vienna",
         *options],
    )  # fmt: skip
    return paths, machine, result


def same_unit(stated: str, right: str, si: str) -> bool:
    return np.allclose(conversion(stated, si), conversion(right, si), rtol=1e-9)


def check_roles(settings: MachineSettings, form: Form) -> None:
    assert settings.log is not None
    columns = settings.log.columns()
    assert {name: column.column for name, column in columns.items()} == {
        name: column for name, (column, _) in form.right.items()
    }
    for name, (_, unit) in form.right.items():
        stated = getattr(columns[name], "unit", None)
        if stated is not None:
            kind = {"rate": "m^3/s" if is_flow(unit) else "Hz", "temperature": "K"}.get(name, "Pa")
            assert same_unit(stated, unit, kind), (name, stated, unit)


def check_readings(samples: Samples, settings: MachineSettings, form: Form) -> None:
    """Each row that the truth has is there, to the last digit that was printed."""
    truth = form.truth
    at = np.searchsorted(samples.time_ns, truth.time_ns - 5 * 10**8)
    at = np.minimum(at, len(samples.time_ns) - 1)
    there = np.abs(samples.time_ns[at] - truth.time_ns) < 6 * 10**8
    assert np.mean(there) > (0.75 if form.sparse else 0.999)
    for name, (_, unit) in form.right.items():
        channel = "flow" if is_flow(unit) else name
        right = column_values(form.pump, truth, Column("", channel, unit))
        read = getattr(samples, name)[at]
        if name == "stroke_count" or name == "valve":
            printed = read
        elif channel == "flow":
            printed = read * feed_volume(settings.build_pump()) * UNITS[unit][0]
        else:
            printed = read * UNITS[unit][0] + UNITS[unit][1]
        known = there & np.isfinite(printed) & np.isfinite(right)
        assert np.mean(known) > (0.7 if form.sparse else 0.985), name
        off = np.abs(printed[known] - right[known])
        if form.key == "wrap":
            off = off % 1500
        assert np.max(off) <= form.worth.get(name, 0.0) + DIGITS[unit], name


DIGITS = {
    "bar": 0.051, "MPa": 0.0051, "psi": 0.51, "kpsi": 0.00051, "degC": 0.051, "degF": 0.051,
    "strokes/min": 0.051, "rpm": 0.051, "Hz": 0.000051, "count": 0.0, "on": 0.0,
    "l/min": 0.00051, "gpm": 0.00051,
}  # fmt: skip


def test_there_are_enough_forms() -> None:
    assert len(ALL) >= 60
    assert len({form.kind for form in ALL}) == len(ALL)


@pytest.mark.parametrize("form", ALL, ids=lambda form: form.key)
def test_form_is_read_without_an_edit(form: Form, tmp_path: Path) -> None:
    if form.asked:
        _, machine, result = look(form, tmp_path)
        assert result.exit_code == 2
        assert form.asked in " ".join(result.output.split())
        assert not machine.exists()
    paths, machine, result = look(form, tmp_path, *form.answers)
    assert result.exit_code == 0, result.output
    settings = load_machine(machine)
    check_roles(settings, form)
    parts = [read_log(path, settings.log_format()) for path in paths]
    check_readings(join_logs(paths, parts), settings, form)

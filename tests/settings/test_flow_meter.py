"""A flow meter in the feed line is a rate: strokes that would take that water in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from borewarden.base.errors import BadInput
from borewarden.collect.logged import read_log
from borewarden.physics.pump import delivered_mass, feed_volume
from borewarden.physics.water import density_at_atmosphere
from borewarden.settings import load_machine

CONFIG = Path(__file__).parents[2] / "config"
LOGGED = (CONFIG / "west.toml").read_text()
LIVE = (CONFIG / "live" / "west-mqtt.toml").read_text()


def machine(folder: Path, text: str) -> Path:
    path = folder / "machine.toml"
    path.write_text(text)
    return path


# l/min in one of it: NIST SP 811 (2008) appendix B.8 has the US gallon as 3.785412 l
@pytest.mark.parametrize(("unit", "litres"), [("l/min", 1.0), ("gpm", 3.785412), ("l/h", 1 / 60)])
def test_flow_becomes_strokes_that_take_that_water_in(
    unit: str, litres: float, tmp_path: Path
) -> None:
    text = LOGGED.replace('unit = "strokes/min"', f'unit = "{unit}"')
    settings = load_machine(machine(tmp_path, text))
    log = tmp_path / "day.csv"
    rows = [f"2026-03-03T09:00:0{s},54000,{1.8 / litres:.9f},15" for s in range(3)]
    log.write_text("\n".join(["time,pressure,stroke_rate,water_temperature", *rows]) + "\n")
    pump = settings.build_pump()
    mass = delivered_mass(pump.displacement, pump.rated_pressure, 293.15)
    strokes = 1.8e-3 / 60.0 * density_at_atmosphere(293.15) / mass
    np.testing.assert_allclose(read_log(log, settings.log_format()).rate, strokes, rtol=1e-6)
    assert feed_volume(pump) < pump.displacement.swept_volume


def test_a_live_flow_meter_is_a_rate_too(tmp_path: Path) -> None:
    assert "[source.rate]" in LIVE
    text = LIVE.replace('unit = "strokes/min"', 'unit = "l/min"')
    assert text != LIVE
    source = load_machine(machine(tmp_path, text)).live_source()
    assert source is not None


def test_a_unit_of_something_else_is_refused(tmp_path: Path) -> None:
    text = LOGGED.replace('unit = "strokes/min"', 'unit = "kg"')
    with pytest.raises(BadInput, match="l/min"):
        load_machine(machine(tmp_path, text))

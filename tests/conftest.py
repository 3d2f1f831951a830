from __future__ import annotations

import pytest

from borewarden.model.baseline import Jewel
from borewarden.physics.pump import DirectDrive, Intensifier


@pytest.fixture
def intensifier() -> Intensifier:
    return Intensifier(
        plunger_diameter=0.022,
        stroke=0.2,
        dead_volume=8e-6,
        intensification_ratio=20.0,
        max_stroke_rate=1.0,
        rated_pressure=400e6,
        rated_power=37e3,
    )


@pytest.fixture
def direct_drive() -> DirectDrive:
    return DirectDrive(
        plungers=3,
        plunger_diameter=0.0085,
        stroke=0.032,
        dead_volume=0.3e-6,
        crank_speed=8.4,
        rated_pressure=410e6,
        rated_power=30e3,
    )


@pytest.fixture
def ruby() -> Jewel:
    return Jewel(bore=0.254e-3, material="ruby", fitted_ns=0)

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import numpy as np
import pytest
from numpy.typing import NDArray
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from borewarden.model.baseline import Jewel
from borewarden.model.gate import GateSettings, Samples, samples_of
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, event_rate

# the same examples in every run; BOREWARDEN_FUZZ takes fresh ones, see tests/test_fuzz.py
hypothesis.settings.register_profile("same", derandomize="BOREWARDEN_FUZZ" not in os.environ)
hypothesis.settings.load_profile("same")

CHROMIUM = Path("/usr/bin/chromium")


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


def gate_settings(pump: Intensifier | DirectDrive, **changes: object) -> GateSettings:
    """What the settings of a machine would make of `pump`; counters unless `changes` say else."""
    defaults = GateSettings(
        nominal_area=0.65 * float(bore_area(0.254e-3)),
        max_rate=pump.max_rate,
        max_pressure=1.3 * pump.rated_pressure,
        working_pressure=0.6 * pump.rated_pressure,
        stopped_pressure=0.05 * pump.rated_pressure,
        uses_counter=isinstance(pump, Intensifier),
        flow_shows_jet=isinstance(pump, Intensifier),
    )
    return defaults._replace(**changes)  # type: ignore[arg-type]


def steady_samples(
    pump: Intensifier | DirectDrive,
    areas: NDArray[np.float64],
    pressure: float = 370e6,
    every: float = 1.0,
    pulsation: float = 0.0,
    as_counter: bool = True,
    seed: int = 0,
) -> Samples:
    """Samples of a jet that never closes, through effective `areas` (m²), one a sample.

    `pulsation` is the relative depth of a dip at one sample in eight, as at a reversal.
    """
    n = len(areas)
    rng = np.random.default_rng(seed)
    seen = pressure * (1.0 - pulsation * (rng.random(n) < 0.125)) + rng.normal(0.0, 1e5, n)
    rate = np.asarray(event_rate(pump.displacement, areas, seen, 293.15))
    count = np.floor(np.cumsum(rate) * every)
    time_ns = (np.arange(1, n + 1) * round(every * 1e9)).astype(np.int64)
    flow = {"stroke_count": count} if as_counter else {"rate": rate}
    return samples_of(time_ns, pressure=seen, **flow)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """A real headless Chromium, from Debian's packages."""
    if not CHROMIUM.exists():
        reason = f"no browser at {CHROMIUM}: apt-get install chromium chromium-driver"
        if os.environ.get("BOREWARDEN_REQUIRE_BROWSER") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for argument in (
        "headless=new", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run",
        "disable-background-networking", "disable-component-update", "disable-sync",
        f"user-data-dir={tmp_path_factory.mktemp('chromium')}",
    ):  # fmt: skip
        options.add_argument(f"--{argument}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    yield driver
    driver.quit()

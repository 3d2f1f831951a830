from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from borewarden.gate.gate_loop import run_on_bytes
from borewarden.jewels.jewel import Jewel
from borewarden.physics import is_compiled
from borewarden.physics.pump import DirectDrive, Intensifier
from borewarden.service.first_compile import compile_first
from borewarden.settings import load_machine

# the same examples in every run; BOREWARDEN_FUZZ takes fresh ones, see tests/test_fuzz.py
hypothesis.settings.register_profile(
    "same",
    derandomize="BOREWARDEN_FUZZ" not in os.environ,
    deadline=None,  # a busy computer is no fault of the code
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
)
hypothesis.settings.load_profile("same")

CHROMIUM = Path("/usr/bin/chromium")

# what needs servers, a browser, other processes or simulated days: left out by -m "not slow"
SLOW = (
    "peers", "second_plant", "service", "simulate", "tune", "deploy", "collect/test_modbus",
    "collect/test_mqtt", "collect/test_opcua", "collect/test_sites", "collect/test_link",
    "collect/test_sparkplug.py",
    "store/test_clustered", "store/test_influx", "store/test_outbox", "store/test_database",
    "store/test_register", "store/test_resend", "replay", "base/test_parallel",
    "base/test_compiling", "base/test_plain_errors", "cli",
    "lives/test_posterior", "lives/test_shop", "jewels/test_rim_image", "planning", "show",
    "test_bad_input", "test_fuzz", "test_docs", "test_public_face", "watcher/test_named",
    "watcher/test_watcher", "watcher/test_two_levels", "watcher/test_calibration",
    "noise_bed", "gate/test_gate", "look", "counts/test_estimate", "collect/test_logged",
    "collect/test_sight", "detect/test_wear",
)  # fmt: skip


# what takes half a minute of processor and has a quicker test beside it: run by -m long
LONG = (
    "service/test_watch.py::test_killed_at_random", "test_docs.py::test_the_first_hour_on_the_netw",
    "service/test_power_cut.py", "look/test_network.py::test_controllers_that_others_wrote",
    "service/test_watch_register.py::test_killed_wh", "store/test_outbox.py::test_a_killed_drain",
    "tune/test_sweep.py::test_a_sweep_that_is_interr", "tune/test_sweep.py::test_a_cluster_is_left",
    "tune/test_sweep.py::test_a_setting_that_can_not",
    "deploy/test_systemd_unit.py::test_sample_loop_compiles", "simulate/test_draw",
    "base/test_compiling.py::test_old_code", "base/test_compiling.py::test_gate_sees",
    "service/test_sight_live.py::test_what_does_not_agree", "tune/test_sweep.py::test_a_worker_ki",
    "look/test_replayed.py::test_same_readings",
    "second_plant/test_plant.py::test_the_same_seed", "lives/test_shop", "test_fuzz",
    "show/test_tune_report", "tune/test_sweep.py::test_the_command_says",
    "tune/test_sources.py::test_the_command", "jewels/test_rim_image.py::test_sound_rims",
    "service/test_clocks_live.py::test_gateway_whose_clock_is_set_moves_nothing_and_loses_nothing[True",
    "jewels/test_rim_image.py::test_chip_angle_of_rendered_rims[fair",
    "jewels/test_rim_image.py::test_chip_angle_of_rendered_rims[bad",
)  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    """Compile the loops once, or all workers and the commands they run do it side by side."""
    has_workers = config.getoption("numprocesses", None) and not hasattr(config, "workerinput")
    if not has_workers:
        return
    if not is_compiled(run_on_bytes):
        with tempfile.TemporaryDirectory() as folder:
            demo = [sys.executable, "-m", "borewarden.cli", "demo"]
            subprocess.run(demo, cwd=folder, stdout=subprocess.DEVNULL, check=True)
    north = load_machine(Path(__file__).parents[1] / "config" / "north.toml")
    asyncio.run(compile_first([north]))  # and those of a watch


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the slow and the long tests by where they stand."""
    here = Path(__file__).parent
    for item in items:
        name = item.path.relative_to(here).as_posix()
        if name.startswith(SLOW):
            item.add_marker("slow")
        if f"{name}::{item.name}".startswith(LONG):
            item.add_marker("long")
            item.add_marker(pytest.mark.timeout(1800))


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

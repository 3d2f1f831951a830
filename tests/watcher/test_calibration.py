"""False alarms of the whole watcher on a sound jewel, under noise of the noise bed.

Seeds are fixed, so that a run fails only where the watcher has changed. The chances below are those
of a watcher that alarms as often as this one and happens upon these seeds. The rates are those of
`tests/benchmarks/bench_calibration.py` on other seeds, 2,000 jet hours each.
"""

from pathlib import Path

import numpy as np
import pytest

from borewarden import MachineSettings, load_machine
from borewarden.base.samples import rows, samples_of
from noise_bed import ROWS, machine_file, make

HOURS = 37.5  # of jet for each jewel
JEWELS = 4
QUIET = ("SOUND", "LEARNING", "WEARING")


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> MachineSettings:
    file: Path = tmp_path_factory.mktemp("bed") / "bed.toml"
    file.write_text(machine_file("rate", valve=False))
    return load_machine(file)


@pytest.mark.parametrize(
    ("row", "most"),
    [
        pytest.param(1, 0, id="white"),
        pytest.param(3, 2, id="shocks"),
        pytest.param(4, 3, id="wander"),
    ],
)
def test_a_sound_jewel_seldom_alarms(machine: MachineSettings, row: int, most: int) -> None:
    """Four jewels of 37.5 jet hours: how many of them alarm.

    White noise of 1.1 % a batch gave 0 alerts in 2,000 h (0 to 1.8 in 1,000 h): at one in 1,000 h,
    which is what the default asks for, one of four jewels alarms with a chance of 14 %, at the rate
    measured with hardly any. Disturbances of 20 s gave 1.0 in 1,000 h (0.1 to 3.6): more than two
    of four by luck with a chance of 0.02 %. Noise that wanders with a time constant of 10 min gave
    6.5 (3.5 to 11.1): all four with 0.2 %. (Binomial, a jewel alarms with 1 - exp(-rate × 37.5 h).)
    """
    alarmed = 0
    for seed in range(1, JEWELS + 1):
        run = make(ROWS[row], "rate", seed, jet_hours=HOURS)
        end = int(np.searchsorted(run.jet_s, HOURS * 3600))
        samples = rows(samples_of(run.time_ns, **run.channels), 0, end)
        watcher = machine.build_watcher()
        told = {alert.verdict.state.name for alert in watcher.learn_many(samples).alerts}
        assert watcher.verdict().state.name != "LEARNING"
        assert watcher.verdict().jet_hours == pytest.approx(HOURS, rel=0.01)  # all of it was seen
        alarmed += bool(told.difference(QUIET))
    assert alarmed <= most

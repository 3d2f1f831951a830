"""Water that stays in the line while its pressure rises is not the jet's."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from iapws import IAPWS95

from borewarden.base.errors import BadInput
from borewarden.base.samples import Samples, rows, samples_of
from borewarden.jewels.jewel import Jewel
from borewarden.physics.orifice import bore_area, mass_flux
from borewarden.physics.pump import Intensifier, delivered_mass
from borewarden.settings import load_machine
from borewarden.watcher.watcher import Learned, Watcher, join
from steady import gate_settings
from watched import intensifier as machine_file

AREA = 0.65 * float(bore_area(0.254e-3))
VOLUME = 2e-3  # m³
RAMP = 0.2e6  # Pa/s
LEG = 120  # s up, and as many down again
ROOM = 293.15  # K


def stiffness(pressure: float) -> float:
    """Bulk modulus over density at `pressure`, by IAPWS-95 (Wagner & Pruss 2002)."""
    water = IAPWS95(T=ROOM, P=pressure / 1e6)
    return 1e6 / float(water.kappa) / float(water.rho)


def ramps(pump: Intensifier, as_counter: bool) -> tuple[Samples, np.ndarray]:
    """Five hours of jet, the pressure up and down all the time, and which way it goes.

    The pump feeds the jet, and what the line stores: V drho/dt = V rho / K dp/dt.
    """
    second = np.arange(1, 5 * 3600)
    up = np.where(second // LEG % 2 == 0, 1.0, -1.0)
    pressure = 350e6 + np.cumsum(RAMP * up)
    known = np.linspace(340e6, 380e6, 5)
    soft = np.interp(pressure, known, [1.0 / stiffness(p) for p in known])
    flow = AREA * np.asarray(mass_flux(pressure, ROOM)) + VOLUME * soft * RAMP * up
    rate = flow / np.asarray(delivered_mass(pump.displacement, pressure, ROOM))
    noise = 1.0 + np.random.default_rng(8).normal(0.0, 0.01, len(second))
    fed = {"stroke_count": np.floor(np.cumsum(rate))} if as_counter else {"rate": rate}
    time_ns = second.astype(np.int64) * 10**9
    return samples_of(time_ns, pressure=pressure * noise, **fed), up


def watcher_of(pump: Intensifier, as_counter: bool, volume: float) -> Watcher:
    settings = gate_settings(pump, uses_counter=as_counter, stored_volume=volume)
    return Watcher(pump, settings, [Jewel(bore=0.254e-3, material="ruby", fitted_ns=0)])


def apart(learned: Learned, up: np.ndarray) -> float:
    """How much larger the area looks while the pressure goes up than while it goes down."""
    batches = learned.batches
    first, last = (batches[name] // 10**9 for name in ("start_ns", "end_ns"))
    within = (first // LEG == last // LEG) & (first % LEG > 10)
    area, way = batches["area"][within], up[first[within] - 1]
    assert min(np.sum(way > 0.0), np.sum(way < 0.0)) > 50
    return float(np.log(np.mean(area[way > 0.0]) / np.mean(area[way < 0.0])))


@pytest.mark.parametrize("as_counter", [False, True])
def test_what_a_ramp_stores_is_taken_off(intensifier: Intensifier, as_counter: bool) -> None:
    samples, up = ramps(intensifier, as_counter)
    seen = {
        volume: apart(watcher_of(intensifier, as_counter, volume).learn_many(samples), up)
        for volume in (0.0, VOLUME)
    }
    flow = AREA * float(mass_flux(362e6, ROOM))
    share = VOLUME / stiffness(362e6) * RAMP / flow
    assert share > 0.003
    assert seen[0.0] - seen[VOLUME] == pytest.approx(2.0 * share, rel=0.05)
    # a counter's batches are timed to a stroke: 1.8 % each
    assert abs(seen[VOLUME]) < (0.5 if as_counter else 0.1) * share


def test_any_cut_stores_the_same_to_the_last_bit(intensifier: Intensifier) -> None:
    samples, _ = ramps(intensifier, True)
    samples = rows(samples, 0, 4000)
    whole = watcher_of(intensifier, True, VOLUME).learn_many(samples)
    cut = watcher_of(intensifier, True, VOLUME)
    edges = [0, *sorted(np.random.default_rng(1).choice(4000, 60, replace=False).tolist()), 4000]
    parts = [cut.learn_many(rows(samples, a, b)) for a, b in pairwise(edges)]
    assert join(parts).batches.tobytes() == whole.batches.tobytes()
    assert len(whole.batches) > 100


def test_a_machine_file_may_state_it(tmp_path: Path) -> None:
    plain = tmp_path / "plain.toml"
    text = machine_file() + '\n[log]\ntime = "t"\npressure = { column = "p", unit = "MPa" }\n'
    text += 'rate = { column = "r", unit = "strokes/min" }\n'
    plain.write_text(text)
    assert load_machine(plain).gate_settings().stored_volume == 0.0
    stated = tmp_path / "stated.toml"
    stated.write_text(text.replace("[pump]", '[pump]\nstored_volume = "2 l"'))
    assert load_machine(stated).gate_settings().stored_volume == pytest.approx(2e-3)
    stated.write_text(text.replace("[pump]", '[pump]\nstored_volume = "2 m^3"'))
    with pytest.raises(BadInput, match="stored_volume"):
        load_machine(stated)

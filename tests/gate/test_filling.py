"""Cuts of a floating crank that close before its pressure settles; all figures invented.

The line is filled by the mass balance, step by step, with the stiffness of water by IAPWS-95
(Wagner & Pruss 2002).
"""

from __future__ import annotations

import numpy as np
import pytest
from iapws import IAPWS95
from numpy.typing import NDArray

from borewarden.base.samples import Samples, samples_of
from borewarden.gate.batch import BatchKind
from borewarden.gate.gate import Gate
from borewarden.physics.orifice import mass_flux
from borewarden.physics.pump import DirectDrive, delivered_mass
from cuts import AREA, CHIP, FULL, ROOM, cuts_of
from steady import gate_settings

VOLUME = 0.35e-3  # m³
STEP = 0.02  # s
SETTLE = [40.0] * 20  # s of cuts
HOLE = 6.0  # times `AREA`: empties the line
ALIKE = 0.985  # times `AREA`, of a valve whose level can't be told from the jet's
VALVE = 0.9  # times `AREA`: takes all of it at a higher pressure
IDLE, AFTER = 0.6, 3.0  # of the speed that a crank falls to with the jet closed; s, both ways
KNOWN = np.linspace(1e6, 500e6, 60)
FLUX = np.asarray(mass_flux(KNOWN, ROOM))


def soft() -> NDArray[np.float64]:
    """Density over bulk modulus at the pressures `KNOWN`, kg/(m³ Pa)."""
    states = [IAPWS95(T=ROOM, P=p / 1e6) for p in KNOWN]
    return np.array([float(water.rho * water.kappa) * 1e-6 for water in states])


def day(
    pump: DirectDrive,
    cuts: list[tuple[float, float]],
    closed: float,
    idle: float = 1.0,
    stays: float = AFTER,
    pause: float = 30.0,
    volume: float = VOLUME,
) -> Samples:
    """Cuts of so many seconds through so many times `AREA`, by turns with pauses.

    In these, all goes through `closed` times `AREA`; 0 leaves the line shut, and nothing fed. The
    crank falls to `idle` of its speed in them, `stays` s after the jet has closed, and comes back
    to it in the cuts.
    """
    softness, feed = soft(), np.asarray(delivered_mass(pump.displacement, KNOWN, ROOM))
    rate = AREA * np.interp(FULL, KNOWN, FLUX) / np.interp(FULL, KNOWN, feed)
    p, seen = FULL, []
    for length, size in cuts:
        for seconds, area, then, wait in ((pause, closed, idle, stays), (length, size, 1.0, AFTER)):
            for i in range(round(seconds / STEP)):
                speed = then if i * STEP > wait else 1.0 + idle - then
                fed = speed * rate * np.interp(p, KNOWN, feed) if area else 0.0
                gained = fed - area * AREA * np.interp(p, KNOWN, FLUX)
                p = max(p + STEP * gained / (volume * np.interp(p, KNOWN, softness)), 2e6)
                seen.append((p, speed * rate))
    logged, speeds = np.array(seen[:: round(1 / STEP)]).T
    noise = 1.0 + np.random.default_rng(4).normal(0.0, 1e-3, len(logged))
    time_ns = np.arange(1, len(logged) + 1) * 10**9
    return samples_of(time_ns, pressure=logged * noise, rate=speeds)


def gate_of(pump: DirectDrive) -> Gate:
    return Gate(gate_settings(pump), pump.displacement)


def told(gate: Gate, samples: Samples) -> NDArray[np.void]:
    """Steady batches of cuts that did not settle: those with a timing of their own."""
    _, batches = gate.learn_many(samples)
    return batches[(batches["kind"] == BatchKind.STEADY) & (batches["timing"] > 0.0)]


def test_cuts_tell_the_area_before_the_pressure_has_settled(direct_drive: DirectDrive) -> None:
    gate = gate_of(direct_drive)
    found = told(gate, day(direct_drive, cuts_of(SETTLE) + cuts_of([14.0] * 20, CHIP), HOLE))
    after = found[found["start_ns"] > (40 + 30) * len(SETTLE) * 1e9]
    assert len(after) >= 6
    assert after["area"] / AREA == pytest.approx(CHIP, rel=0.015)
    assert gate.state.short.volume == pytest.approx(VOLUME, rel=0.05)


@pytest.mark.parametrize("volume", [0.7e-3, 1.8e-3])
def test_a_large_line_still_fills_as_its_pressure_seems_to_have_settled(
    direct_drive: DirectDrive, volume: float
) -> None:
    """With what it stores then left out, the volume came out a third too small."""
    gate = gate_of(direct_drive)
    gate.learn_many(day(direct_drive, cuts_of([90.0] * 20), HOLE, volume=volume))
    assert gate.state.short.volume == pytest.approx(volume, rel=0.1)


@pytest.mark.parametrize("closed", [0.0, VALVE])
def test_a_line_that_does_not_empty_tells_nothing_at_one_speed(
    direct_drive: DirectDrive, closed: float
) -> None:
    cuts = cuts_of([40.0, 14.0] * 30)
    assert len(told(gate_of(direct_drive), day(direct_drive, cuts, closed))) == 0


@pytest.mark.parametrize("closed", [0.0, VALVE])
def test_a_crank_that_speeds_up_again_feeds_the_jet(
    direct_drive: DirectDrive, closed: float
) -> None:
    gate, cuts = gate_of(direct_drive), cuts_of(SETTLE) + cuts_of([12.0] * 20, CHIP)
    found = told(gate, day(direct_drive, cuts, closed, IDLE))
    after = found[found["start_ns"] > (40 + 30) * len(SETTLE) * 1e9]
    assert len(after) >= 6
    assert after["area"] / AREA == pytest.approx(CHIP, rel=0.02)


@pytest.mark.parametrize("closed", [VALVE, ALIKE], ids=["another level", "alike"])
def test_once_the_closed_level_is_known_cuts_tell_at_one_speed(
    direct_drive: DirectDrive, closed: float
) -> None:
    """The area says whose a cut is, where the crank no longer does."""
    gate = gate_of(direct_drive)
    gate.learn_many(day(direct_drive, cuts_of(SETTLE), closed, IDLE, 20.0))

    def later(size: float) -> NDArray[np.void]:
        made = day(direct_drive, cuts_of([9.0] * 20, size), closed, pause=8.0)
        return told(gate, made._replace(time_ns=made.time_ns + int(gate.state.time_ns)))

    sound = later(1.0)
    assert len(sound) >= 6 if closed == VALVE else len(sound) == 0
    assert sound["area"] / AREA == pytest.approx(1.0, rel=0.02)
    chipped = later(CHIP)
    assert len(chipped) >= 6
    assert chipped["area"][1:] / AREA == pytest.approx(CHIP, rel=0.02)


def test_a_crank_that_changes_its_speed_says_nothing_of_the_jet(direct_drive: DirectDrive) -> None:
    gate = gate_of(direct_drive)
    gate.learn_many(day(direct_drive, cuts_of(SETTLE), HOLE))
    moved = day(direct_drive, cuts_of([14.0] * 20, CHIP), HOLE)
    moved.rate[:] *= np.where(np.arange(len(moved.rate)) % 2 == 0, 1.01, 0.99)
    later = moved._replace(time_ns=moved.time_ns + int(gate.state.time_ns))
    assert len(told(gate, later)) == 0


def test_any_cut_of_the_stream_tells_the_same(direct_drive: DirectDrive) -> None:
    samples = day(direct_drive, cuts_of(SETTLE) + cuts_of([14.0] * 6, CHIP), HOLE)
    whole = told(gate_of(direct_drive), samples)
    gate, parts, one = gate_of(direct_drive), [], 0
    for size in [1, 7, 200] * 22:
        parts.append(told(gate, Samples(*(x[one : one + size] for x in samples))))
        one += size
    assert one >= len(samples.time_ns)
    assert np.concatenate(parts).tobytes() == whole.tobytes()
    assert len(whole) > 0

"""What the line's own mass balance tells, against the decay that IAPWS-95 gives.

The line's density is that of the `iapws` library's IAPWS-95 (Wagner & Pruss 2002, J. Phys. Chem.
Ref. Data 31, 387-535), the jet's speed the energy that is lost at constant temperature, and the
decay is worked out by quadrature: t = V / A * integral of drho / f.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from iapws import IAPWS95
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from borewarden.base.samples import samples_of
from borewarden.gate.batch import BatchKind
from borewarden.gate.gate import Gate
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, delivered_mass, event_rate
from steady import gate_settings

AREA = 0.65 * float(bore_area(0.254e-3))
VOLUME, SMALL = 1.6e-3, 0.5e-3  # m³, of an intensifier and of a crank pump
FULL, LOW = 380e6, 120e6  # Pa
ROOM = 293.15  # K
GRID = np.geomspace(2e6, 420e6, 160)  # Pa


@lru_cache(maxsize=1)
def by_iapws_95() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Density, kg/m³, and mass flux of a jet into the open, kg/(s m²), at each pressure of GRID."""
    density = np.array([float(IAPWS95(T=ROOM, P=(p + 101_325.0) / 1e6).rho) for p in GRID])
    loose = float(IAPWS95(T=ROOM, P=0.101325).rho)
    work = cumulative_trapezoid(1.0 / density, GRID, initial=0.0) + GRID[0] / density[0]
    return density, loose * np.sqrt(2.0 * work)


def emptied(since: NDArray[np.float64], start: float, end: float, ratio: float) -> NDArray:
    """Pressure `since` s after the jet opened at `start`, which holds at `end`; `ratio` is A/V."""
    density, flux = by_iapws_95()
    lasts = cumulative_trapezoid(np.gradient(density, GRID) / flux, GRID, initial=0.0) / ratio
    time = np.interp(start, GRID, lasts) - lasts
    fallen = np.interp(since, time[::-1], GRID[::-1])
    return np.where(since > 0.0, np.maximum(fallen, end), start)


def rows_of(gate: Gate, pressure: NDArray, every: float, **more: NDArray) -> NDArray[np.void]:
    time_ns = np.round(np.arange(1, len(pressure) + 1) * every * 1e9).astype(np.int64)
    _, batches = gate.learn_many(samples_of(time_ns, pressure=pressure, **more))
    return batches


def ratios(batches: NDArray[np.void], kind: BatchKind) -> NDArray[np.float64]:
    return np.asarray(batches["area"][batches["kind"] == kind])


def pierces(pump: Intensifier, every: float, area: float, phase: float) -> NDArray[np.void]:
    """Half an hour: each minute the set pressure is lowered, the jet opens, and the line falls."""
    now = np.arange(1, round(1800 / every) + 1) * every + phase
    within = now % 60.0
    pressure = emptied(within - 20.0, FULL, LOW, area / VOLUME)
    pressure = np.where(within > 40.0, FULL, pressure)
    on = within > 20.0
    rate = np.where(on, event_rate(pump.displacement, area, pressure, ROOM), 0.0)
    return rows_of(
        Gate(gate_settings(pump, uses_counter=False), pump.displacement), pressure, every, rate=rate
    )


@pytest.mark.parametrize(("every", "phase"), [(1.0, 0.0), (1.0, 0.37), (0.5, 0.2), (0.1, 0.0)])
def test_a_fall_to_a_lower_set_pressure_is_the_area_over_the_volume(
    intensifier: Intensifier, every: float, phase: float
) -> None:
    found = ratios(pierces(intensifier, every, AREA, phase), BatchKind.FALL)
    assert len(found) > 20
    assert found * VOLUME / AREA == pytest.approx(1.0, abs=0.015)


def test_a_larger_bore_empties_the_line_quicker_by_as_much(intensifier: Intensifier) -> None:
    sound, chipped = (
        ratios(pierces(intensifier, 1.0, area, 0.3), BatchKind.FALL) for area in (AREA, 1.1 * AREA)
    )
    assert np.median(chipped) / np.median(sound) == pytest.approx(1.1, abs=0.01)


def stop(
    pump: Intensifier, open_head: bool, leak: float = 0.0, dump: float = 0.0, **changes: float
) -> NDArray[np.void]:
    """Ten minutes of jet, then the pump stops, with the head open or not, and the line left."""
    now = np.arange(1.0, 1201.0)
    since = now - 600.0
    jet = np.where(now <= 598.0, 1.0, 1.0 if open_head else 0.0)
    area = leak * AREA + (AREA if open_head else 0.0) + dump * AREA
    pressure = emptied(since, FULL, 0.0, area / VOLUME) if area > 0.0 else np.full(1200, FULL)
    rate = np.where(
        since > 0.0, 0.0, jet * np.asarray(event_rate(pump.displacement, AREA, FULL, ROOM))
    )
    gate = Gate(gate_settings(pump, uses_counter=False, **changes), pump.displacement)
    return rows_of(gate, np.where(pressure > 2.1e6, pressure, 0.0), 1.0, rate=rate, valve=jet)


def test_a_stop_with_the_head_open_is_the_area_over_the_volume(intensifier: Intensifier) -> None:
    found = ratios(stop(intensifier, open_head=True), BatchKind.RUN_DOWN)
    assert found * VOLUME / AREA == pytest.approx([1.0], abs=0.015)


def test_a_line_that_somebody_bleeds_down_is_no_jet(intensifier: Intensifier) -> None:
    stated = {"stored_volume": VOLUME}
    bled = stop(intensifier, open_head=True, dump=3.0, **stated)
    assert len(ratios(stop(intensifier, open_head=True, **stated), BatchKind.RUN_DOWN)) == 1
    # the valve says that the head is open, the stated volume that more than the head is
    assert len(ratios(bled, BatchKind.RUN_DOWN)) == 0
    shut = stop(intensifier, open_head=False, dump=3.0)
    assert not np.isin(shut["kind"], (BatchKind.RUN_DOWN, BatchKind.SHUT)).any()


@pytest.mark.parametrize("leak", [0.004, 0.03, 0.1])
def test_a_shut_line_loses_what_leaks(intensifier: Intensifier, leak: float) -> None:
    found = ratios(stop(intensifier, open_head=False, leak=leak), BatchKind.SHUT)
    assert len(found) > 0
    assert np.median(found) * VOLUME / AREA == pytest.approx(leak, rel=0.03)


def test_a_tight_line_that_stands_loses_nothing(intensifier: Intensifier) -> None:
    found = ratios(stop(intensifier, open_head=False), BatchKind.SHUT)
    assert len(found) > 10
    assert found == pytest.approx(0.0, abs=1e-12)


def test_a_gap_in_a_fall_leaves_it_out(intensifier: Intensifier) -> None:
    now = np.arange(1.0, 601.0)
    pressure = emptied(now % 60.0 - 20.0, FULL, LOW, AREA / VOLUME)
    kept = (now % 60.0 < 21.0) | (now % 60.0 > 33.0)
    gate = Gate(gate_settings(intensifier, uses_counter=False), intensifier.displacement)
    rate = np.asarray(event_rate(intensifier.displacement, AREA, pressure, ROOM))
    time_ns = (now[kept] * 1e9).astype(np.int64)
    _, batches = gate.learn_many(samples_of(time_ns, pressure=pressure[kept], rate=rate[kept]))
    assert len(ratios(batches, BatchKind.FALL)) == 0


@pytest.mark.parametrize("given", [0.94, 1.0, 1.06])
def test_a_rise_is_the_area_whatever_the_pump_gives(
    direct_drive: DirectDrive, given: float
) -> None:
    """A crank brings the line up through the open jet; its efficiency cancels."""
    p = np.linspace(GRID[0], 0.9995 * FULL, 4000)
    density, flux = (np.interp(p, GRID, known) for known in by_iapws_95())
    turn = given * np.asarray(delivered_mass(direct_drive.displacement, p, ROOM))
    speed = AREA * flux[-1] / turn[-1]  # Hz, that holds the jet at the last pressure
    left = np.maximum(speed * turn - AREA * flux, 1e-6)  # kg/s for the line
    lasts = cumulative_trapezoid(SMALL * np.gradient(density, p) / left, p, initial=0.0)
    since = np.arange(1.0, 901.0) % 60.0  # the line is unloaded each minute
    pressure = np.interp(since, lasts, p)
    settings = gate_settings(direct_drive, uses_counter=False, flow_shows_jet=False)
    gate = Gate(settings, direct_drive.displacement)
    found = ratios(rows_of(gate, pressure, 1.0, rate=np.full(900, speed)), BatchKind.RISE)
    assert len(found) >= 10
    assert np.median(found) * SMALL / AREA == pytest.approx(1.0, abs=0.04)  # it is still settling


def test_a_rise_begins_when_the_jet_is_open(direct_drive: DirectDrive) -> None:
    """What moved a little just before it opened is no part of it."""
    p = np.linspace(GRID[0], 0.9995 * FULL, 4000)
    density, flux = (np.interp(p, GRID, known) for known in by_iapws_95())
    turn = np.asarray(delivered_mass(direct_drive.displacement, p, ROOM))
    speed = AREA * flux[-1] / turn[-1]
    left = np.maximum(speed * turn - AREA * flux, 1e-6)
    lasts = cumulative_trapezoid(SMALL * np.gradient(density, p) / left, p, initial=0.0)
    now = np.arange(1.0, 901.0)
    since = now % 60.0 - 6.0 - 0.1 * (now // 60.0 % 10.0)  # each time later within the second
    at_rest = GRID[0] * 1.04 ** np.floor(since)
    pressure = np.where(since > 0.0, np.interp(since, lasts, p), at_rest)
    settings = gate_settings(direct_drive, uses_counter=False, flow_shows_jet=False)
    gate = Gate(settings, direct_drive.displacement)
    found = ratios(rows_of(gate, pressure, 1.0, rate=np.full(900, speed)), BatchKind.RISE)
    assert len(found) >= 10
    assert found * SMALL / AREA == pytest.approx(1.0, abs=0.05)

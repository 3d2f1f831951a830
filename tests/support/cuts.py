"""Days of short cuts, made from the flow that a jet takes; all figures invented."""

from __future__ import annotations

import numpy as np

from borewarden.base.samples import Samples, samples_of
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, event_rate

AREA = 0.65 * float(bore_area(0.254e-3))
FULL, CLOSED, LOW = 370e6, 376e6, 130e6  # Pa
ROOM = 293.15  # K
LONG = [40.0] * 15  # s of cuts that settle
CHIP = 1.08


def day(
    pump: Intensifier | DirectDrive,
    cuts: list[tuple[float, float]],
    pause: float = 12.0,
    fill: float = 0.0,
    stopped: bool = False,
    dips: float = 0.0,
    closed: float = CLOSED,
) -> Samples:
    """Cuts of so many seconds through so many times `AREA`, one after the other, a sample a second.

    A crank's speed is the flow at the end of each second, at a fifth of it with the jet closed; the
    stroke rate is a mean over 12 s. `fill` is by how much more flows in the first 2 s of a cut that
    pierces at low pressure before. `stopped`: the pump stops in each pause. By `dips` the pressure
    is less in every third second, as a piston turns round. `closed` is the pressure in pauses.
    """
    rng = np.random.default_rng(3)
    pressure, flow = [np.full(20, closed)], [np.zeros(20)]
    for length, size in cuts:
        n, off = round(length), round(pause)
        at = np.where(np.arange(n) < 1, 1.02 * FULL, FULL)
        taken = np.asarray(event_rate(pump.displacement, size * AREA, at, ROOM))
        if fill:
            low = np.asarray(event_rate(pump.displacement, size * AREA, LOW, ROOM))
            pressure.append(np.full(14, LOW))
            flow.append(np.full(14, low))
            taken[:2] *= 1.0 + fill
        pressure += [at, np.full(off, 1e5 if stopped else closed)]
        flow += [taken, np.zeros(off)]
    p, rate = np.concatenate(pressure), np.concatenate(flow)
    if isinstance(pump, Intensifier):
        rate = np.convolve(rate, np.full(12, 1 / 12))[: len(rate)]
    elif not stopped:
        rate = np.maximum(rate, 0.2 * rate.max())
    p = p * (1.0 + rng.normal(0.0, 1e-3, len(p)))
    p[::3] *= 1.0 - dips
    time_ns = np.arange(1, len(p) + 1) * 10**9
    return samples_of(time_ns.astype(np.int64), pressure=p, rate=rate)


def cuts_of(lengths: list[float], size: float = 1.0) -> list[tuple[float, float]]:
    return [(length, size) for length in lengths]

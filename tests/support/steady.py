"""Steady samples of a sound pump, and gate settings for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import Samples, samples_of
from borewarden.gate.gate import GateSettings
from borewarden.physics.orifice import bore_area
from borewarden.physics.pump import DirectDrive, Intensifier, event_rate


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

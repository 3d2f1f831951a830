"""Whether what a machine sends can be used: not every row of numbers is a reading.

Usable is a reading of the pressure and of what else the pump's flow is worked out from, a stroke
counter, a stroke rate or a crank speed, that can be right: within what the plate allows, moving
while the machine works, and agreeing with what the same machine has shown before. A machine that
is switched off and shows nought is seen well.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from borewarden.base.samples import Samples
from borewarden.collect.sight_loop import NEVER, SIGHT, UNITS, Fault, Plate, look_on_bytes
from borewarden.physics.pump import Displacement

__all__ = ["Plate", "Sight", "Usable"]

PER_MINUTE = 60.0
UNIT_NAMES = ("kpsi and MPa", "MPa and bar", "bar and psi")


class Usable(NamedTuple):
    """What there is to be seen of a machine as of its newest sample.

    `newest_ns` is the time of the newest usable reading, None before the first; `faults` say in
    plain words what is wrong with the newest sample, by the fields of `Samples`; empty if that one
    is usable.
    """

    newest_ns: int | None
    faults: dict[str, str]


class Sight:
    """Follows whether the readings of one machine are usable.

    `learn_many(samples, area)` takes blocks of any size in order of time; `area` is the effective
    one of the stated jewels, m². The answer does not depend on how the samples are cut.
    """

    def __init__(self, plate: Plate, displacement: Displacement) -> None:
        self.plate = plate
        self.displacement = displacement
        self.flow = "stroke_count" if plate.counts else "rate"
        self._state = np.zeros(SIGHT.itemsize, dtype=np.uint8)
        state = self._record
        state.usable_ns = NEVER
        state.last_pressure = state.rate.last = np.nan

    @property
    def _record(self) -> Any:
        return self._state.view(SIGHT).view(np.recarray)[0]

    def learn_many(self, samples: Samples, area: float) -> Usable:
        """Take a block of samples."""
        seen = look_on_bytes(
            self._state,
            self.plate,
            self.displacement,
            area,
            samples.time_ns,
            samples.pressure,
            samples.rate,
            samples.stroke_count,
            samples.valve,
        )
        faults = {}
        if seen.pressure_fault:
            faults["pressure"] = self._pressure_words(seen.pressure_fault, seen.pressure_value)
        if seen.flow_fault:
            faults[self.flow] = self._flow_words(seen.flow_fault, seen.flow_value)
        return Usable(None if seen.usable_ns == NEVER else seen.usable_ns, faults)

    def _pressure_words(self, fault: int, value: float) -> str:
        return f"{Fault(fault).name} {value / 1e6:.1f} MPa"

    def _flow_words(self, fault: int, value: float) -> str:
        return f"{Fault(fault).name} {value:.3g}"

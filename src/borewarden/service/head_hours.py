"""Jet hours of jewels from before the samples that a restart learns from."""

from __future__ import annotations

import sqlite3

from borewarden.jewels.fitting import Fitting
from borewarden.jewels.jewel import Jewel
from borewarden.planning.snapshot import hours_of
from borewarden.store.jet_times import Counting
from borewarden.watcher.watcher import Watcher


def hours_before(
    connection: sqlite3.Connection, machine: str, watcher: Watcher, since_ns: int
) -> dict[Jewel, float]:
    """Jet hours at `since_ns` of the jewels fitted before, as `register show` counts them.

    A restart learns from the newest change of any head on: jewels that stayed in the other heads
    have cut before. `watcher` has not learned anything yet.
    """
    jewels = [jewel for jewel in watcher.expected_at(since_ns) if jewel.fitted_ns < since_ns]
    fitted = [
        Fitting(
            machine,
            jewel.head,
            jewel.fitted_ns,
            jewel.bore,
            jewel.material,
            out_ns=since_ns,
            earlier_hours=jewel.jet_hours,
        )
        for jewel in jewels
    ]
    counting = {machine: Counting(watcher.gate.settings.max_gap, watcher.valve_heads)}
    counted = hours_of(connection, fitted, since_ns, counting)
    return {
        jewel: jewel.jet_hours + (hours or 0.0)
        for jewel, hours in zip(jewels, counted, strict=True)
    }

"""Replay logged days through the very watcher that runs live."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from borewarden.collect.logged import Label
from borewarden.model.bore import BatchResult, WatchSettings
from borewarden.model.gate import Samples, rows
from borewarden.model.verdict import Verdict
from borewarden.model.watcher import Alert, Watcher
from borewarden.physics.pump import Pump

BLOCK = 65_536  # samples handed over at a time, for the progress bar


@dataclass(frozen=True)
class Replayed:
    """All that a replay saw and found; arrays of shape (n,), one entry a sample."""

    machine: str
    time_zone: str
    pump: Pump
    settings: WatchSettings
    samples: Samples
    phases: NDArray[np.int8]
    batches: list[BatchResult]
    alerts: list[Alert]
    verdict: Verdict
    labels: list[Label]
    jet_hours: float
    missed_hours: float

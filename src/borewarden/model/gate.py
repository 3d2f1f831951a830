"""The gate's old place: see `borewarden.gate` and `borewarden.base.samples`."""

from borewarden.base.samples import Floats, Samples, rows, samples_of
from borewarden.gate.batch import (
    BATCH,
    BOOST,
    BYPASS_RISE,
    HEADS,
    LOAD_RATIO,
    NO_BATCHES,
    RIPPLE,
    SCATTER,
    SIDE_RATIO,
    SIGNALS,
    SLIP,
    VALVE_RISE,
    WEEP_RISE,
    BatchKind,
    Phase,
)
from borewarden.gate.gate import Gate, GateSettings
from borewarden.gate.gate_loop import run_gate, run_on_bytes
from borewarden.gate.state import GATHER, STATE

Kind = BatchKind

__all__ = [
    "BATCH",
    "BOOST",
    "BYPASS_RISE",
    "GATHER",
    "HEADS",
    "LOAD_RATIO",
    "NO_BATCHES",
    "RIPPLE",
    "SCATTER",
    "SIDE_RATIO",
    "SIGNALS",
    "SLIP",
    "STATE",
    "VALVE_RISE",
    "WEEP_RISE",
    "BatchKind",
    "Floats",
    "Gate",
    "GateSettings",
    "Kind",
    "Phase",
    "Samples",
    "rows",
    "run_gate",
    "run_on_bytes",
    "samples_of",
]

"""Samples in whatever layout they come: the loops see one, and are compiled once."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from borewarden.base.samples import samples_of
from borewarden.collect.sight_loop import look_on_bytes
from borewarden.gate.gate_loop import run_on_bytes
from borewarden.settings import load_machine

NORTH = load_machine(Path(__file__).parents[2] / "config" / "north.toml")


def test_samples_of_a_store_need_no_other_machine_code() -> None:
    """A restart reads them as columns of what is stored, which nobody may write to."""
    count = 90
    columns = np.column_stack([np.arange(count) * 1e9, np.full(count, 370e6), np.arange(count)])
    stored = np.frombuffer(columns.tobytes()).reshape(columns.shape)
    time_ns = np.arange(count) * 10**9
    given = [
        samples_of(time_ns, pressure=columns[:, 1].copy(), stroke_count=columns[:, 2].copy()),
        samples_of(time_ns, pressure=stored[:, 1], stroke_count=stored[:, 2]),
    ]
    code, told = [], []
    for samples in given:
        gate, sight = NORTH.build_watcher().gate, NORTH.build_sight()
        phases, _ = gate.learn_many(samples)
        seen = sight.learn_many(samples, gate.settings.nominal_area)
        told.append((phases.tolist(), seen.unusable.tolist()))
        code.append((len(run_on_bytes.signatures), len(look_on_bytes.signatures)))  # type: ignore[attr-defined]
    assert code[0] == code[1]
    assert told[0] == told[1]

"""A stop with the jet open on the second plant: the watcher weighs it by itself, at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from borewarden import Watcher, load_machine, read_log
from borewarden.base.samples import rows
from borewarden.diagnose.causes import Cause
from second_plant import day, write

SOON_NS = 60 * 10**9


def bore_over_leak(watcher: Watcher) -> float:
    """Odds, which move however sure the first cause is."""
    belief = {b.cause: b.probability for b in watcher.verdict().causes}
    return belief[Cause.BORE] / belief[Cause.LEAK]


@pytest.mark.parametrize(
    ("seed", "fault", "more", "goes_up"),
    [(30005, "chip", {"size": 0.08}, True), (30001, "leak", {"side": "both"}, False)],
)
def test_a_stop_with_the_jet_open_bears_on_the_cause_at_once(
    tmp_path: Path, seed: int, fault: str, more: dict[str, object], goes_up: bool
) -> None:
    """Two signals alone. The last stop of the day is the second after the fault."""
    signals = ("pressure", "counter")
    made = day("intensifier", seed, fault=fault, signals=signals, stops="open", **more)
    log, machine_file, _ = write(made, tmp_path)
    machine = load_machine(machine_file)
    samples = read_log(log, machine.log_format())
    stop_ns = max(start for start, _, how in made.truth["stops"] if how == "open")
    at, soon = np.searchsorted(samples.time_ns, [stop_ns, stop_ns + SOON_NS])
    watcher = machine.build_watcher()
    watcher.learn_many(rows(samples, 0, at))
    before = bore_over_leak(watcher)
    watcher.learn_many(rows(samples, at, soon))
    after = bore_over_leak(watcher)
    assert after > 1.002 * before if goes_up else after < 0.995 * before

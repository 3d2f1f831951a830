"""A pressure reading that is frozen while the strokes go on."""

from __future__ import annotations

from pathlib import Path

from borewarden import load_machine, read_log
from second_plant import day, write


def test_a_reading_frozen_at_low_pressure_is_no_second_head(tmp_path: Path) -> None:
    """An invented day, frozen at 128 MPa for 198 s: a full jet looks like two at that pressure."""
    made = day("intensifier", 30009, signals=("pressure", "counter"))
    log, machine_file, _ = write(made, tmp_path)
    machine = load_machine(machine_file)
    watcher = machine.build_watcher()
    assert watcher.learn_many(read_log(log, machine.log_format())).alerts == []
    assert watcher.verdict().state.name == "SOUND"

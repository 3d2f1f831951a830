"""Watches a UHP waterjet pump and says when the bore of the fitted orifice has probably opened up.

For scripts and notebooks, everything public stands here; all else is private and may move.

>>> from pathlib import Path
>>> import borewarden
>>> machine = borewarden.load_machine("config/north.toml")
>>> day = borewarden.replay_logs(machine, [Path("replay_data/north-2026-03-04-chip.csv")])
>>> day.verdict.state.value
'probably opened up'
>>> round(day.verdict.area_ratio, 2)
1.08

A watcher takes samples in blocks of any size, and gives the same answer however they are cut:

>>> samples = borewarden.read_log("replay_data/north-2026-03-04-chip.csv", machine.log_format())
>>> watcher = machine.build_watcher()
>>> learned = watcher.learn_many(samples)
>>> [alert.verdict.state.name for alert in learned.alerts]
['OPENED']
>>> watcher.verdict() == day.verdict
True
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from borewarden.base.errors import BadInput
    from borewarden.base.samples import Samples
    from borewarden.collect.logged import read_log
    from borewarden.replay.one_machine import Replayed, replay_logs
    from borewarden.settings import MachineSettings, load_machine
    from borewarden.watcher.verdict import State, Verdict
    from borewarden.watcher.watcher import Alert, Learned, Watcher

__version__ = "0.1.0"

_HOMES = {
    "BadInput": "base.errors",
    "Samples": "base.samples",
    "read_log": "collect.logged",
    "Replayed": "replay.one_machine",
    "replay_logs": "replay.one_machine",
    "MachineSettings": "settings",
    "load_machine": "settings",
    "State": "watcher.verdict",
    "Verdict": "watcher.verdict",
    "Alert": "watcher.watcher",
    "Learned": "watcher.watcher",
    "Watcher": "watcher.watcher",
}
__all__ = [
    "Alert",
    "BadInput",
    "Learned",
    "MachineSettings",
    "Replayed",
    "Samples",
    "State",
    "Verdict",
    "Watcher",
    "load_machine",
    "read_log",
    "replay_logs",
]


def __getattr__(name: str) -> Any:
    """Import what is asked for only then: a collector has no use for pandas."""
    if name not in _HOMES:
        raise AttributeError(f"module 'borewarden' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"borewarden.{_HOMES[name]}"), name)
    globals()[name] = value
    return value

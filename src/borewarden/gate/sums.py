"""What is summed up over samples, in a record of dtype `SUMS`."""

from __future__ import annotations

from typing import Any

from borewarden.base.compiling import compilable


@compilable
def clear_sums(sums: Any) -> None:
    """Start `sums` anew."""
    sums.time = 0.0
    sums.events = 0.0
    sums.mass = 0.0
    sums.flux = 0.0
    sums.pressure = 0.0
    sums.rise = 0.0


@compilable
def add_sums(sums: Any, more: Any) -> None:
    """Add what `more` has summed up to `sums`."""
    sums.time += more.time
    sums.events += more.events
    sums.mass += more.mass
    sums.flux += more.flux
    sums.pressure += more.pressure
    sums.rise += more.rise

"""A plant that is not ours: pumps and cutting heads from first principles, to judge the watcher by.

Nothing here knows how the product reckons, and nothing of it is imported. `day` makes a logged day
with its truth, `write` puts it into the files that the product reads; `README.md` has the rest.
"""

from .files import machine_file, write
from .machine import KINDS
from .plant import FAULTS, SIGNALS, Day, Fault, day

__all__ = ["FAULTS", "KINDS", "SIGNALS", "Day", "Fault", "day", "machine_file", "write"]

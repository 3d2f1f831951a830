"""A sound jewel under noise that is not white: signals alone, to count false alarms on.

Nothing here knows how the product reckons, and nothing of it is imported. `make` gives one run:
the readings of a pump, and the truth beside them. All figures are invented or common practice; the
water is that of IAPWS-95, from the table of `second_plant`.
"""

from .pumps import KINDS, machine_file
from .readings import Run, make
from .rows import ROWS, Row

__all__ = ["KINDS", "ROWS", "Row", "Run", "machine_file", "make"]

"""Water, orifice and pump: pure formulas in SI, on floats or NumPy arrays alike.

Nothing here keeps state or reads a file. Pressures are gauge pressures in Pa, temperatures are
in K. Formulas marked `compilable` also run inside compiled loops such as the gate's, so their
bodies keep to arithmetic, `numpy.log` and `numpy.sqrt`.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from borewarden.base.compiling import compilable, compiled, is_compiled

Real: TypeAlias = float | NDArray[np.float64]

__all__ = ["Real", "compilable", "compiled", "is_compiled"]

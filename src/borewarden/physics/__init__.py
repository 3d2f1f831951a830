"""Water, orifice and pump: pure formulas in SI, on floats or NumPy arrays alike.

Nothing here keeps state or reads a file. Pressures are gauge pressures in Pa, temperatures are
in K. Formulas marked `compilable` also run inside the compiled sample loop of
`borewarden.model.gate`, so their bodies keep to arithmetic, `numpy.log` and `numpy.sqrt`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias, TypeVar

import numpy as np
from numba.extending import register_jitable
from numpy.typing import NDArray

Real: TypeAlias = float | NDArray[np.float64]
Formula = TypeVar("Formula", bound=Callable[..., Any])


def compilable(formula: Formula) -> Formula:
    """Let numba-compiled loops call `formula`; called from Python it stays what it was."""
    marked: Formula = register_jitable(formula)
    return marked

"""Water, orifice and pump: pure formulas in SI, on floats or NumPy arrays alike.

Nothing here keeps state or reads a file. Pressures are gauge pressures in Pa, temperatures are
in K. Formulas marked `compilable` also run inside the compiled sample loop of
`borewarden.model.gate`, so their bodies keep to arithmetic, `numpy.log` and `numpy.sqrt`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias, TypeVar

import numpy as np
from numba import njit
from numba.extending import register_jitable
from numpy.typing import NDArray

Real: TypeAlias = float | NDArray[np.float64]
Function = TypeVar("Function", bound=Callable[..., Any])


def compilable(formula: Function) -> Function:
    """Let numba-compiled loops call `formula`; called from Python it stays what it was."""
    marked: Function = register_jitable(formula)
    return marked


def compiled(loop: Function) -> Function:
    """Compile a loop to machine code on its first call, kept on disk for the next process."""
    made: Function = njit(cache=True)(loop)
    return made

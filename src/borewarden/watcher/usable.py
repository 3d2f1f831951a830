"""What of the samples a watcher may learn: none that the sight found unusable.

Each such sample is kept as it came, and its phase says so. A restart, or a correction of the
register, goes by that phase, and so judges just what was judged live.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import Samples
from borewarden.gate.batch import Phase
from borewarden.watcher.watcher import Learned


def learn_usable(
    learn_many: Callable[[Samples], Learned], samples: Samples, unusable: NDArray[np.bool_]
) -> Learned:
    """Have `samples` learned as if those that are `unusable`, shape (n,), had shown no pressure."""
    if not unusable.any():
        return learn_many(samples)
    pressure = np.where(unusable, np.nan, samples.pressure)
    learned = learn_many(samples._replace(pressure=pressure))
    phases = np.where(unusable, np.int8(Phase.UNUSABLE), learned.phases)
    return learned._replace(phases=phases)

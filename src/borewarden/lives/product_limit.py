"""How long the shop's own jewels lasted, without a model: the product-limit estimate."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from borewarden.lives.posterior import JewelRecord
from borewarden.lives.survival import Array


class Steps(NamedTuple):
    """A survival curve in steps; arrays of shape (number of different ends,)."""

    hours: Array  # jet hours at which jewels ended, rising
    lasts: Array  # share that lasts beyond each
    watched: Array  # jewels that were watched just before each
    censored: Array  # jet hours at which jewels were last seen sound, shape (number of those,)


def product_limit(records: Sequence[JewelRecord]) -> Steps:
    """The share of jewels that lasts, from `records` of one kind.

    R(t) is the product over the ends up to t of 1 - d/n, d jewels ended of n watched (Kaplan &
    Meier 1958, "Nonparametric estimation from incomplete observations", J. Am. Stat. Assoc. 53,
    457-481). A jewel that came with hours on it is watched from these on (Lawless 2003,
    "Statistical Models and Methods for Lifetime Data", sec. 3.5.1; the section from memory).
    """
    hours = np.array([record.jet_hours for record in records], dtype=float)
    entry = np.array([record.entry_hours for record in records], dtype=float)
    ended = np.array([record.ended for record in records], dtype=bool)
    # a used jewel that ended as it was fitted was never watched; a new one did fail at once
    seen = (entry < hours) | (entry == 0.0)
    times, ends = np.unique(hours[ended & seen], return_counts=True)
    begun = (entry[None, :] < times[:, None]) | (entry[None, :] == 0.0)
    watched = np.sum(begun & (hours[None, :] >= times[:, None]), axis=1).astype(float)
    lasts = np.cumprod(1.0 - ends / watched)
    return Steps(times, lasts, watched, np.sort(hours[~ended]))

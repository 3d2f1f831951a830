"""What telemetry in the store says of each fitting: jet hours, and how the jet was first opened."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import Samples, rows
from borewarden.gate.jet_time import (
    FIRST_JET_TIME,
    JET_ON,
    MAX_GAP,
    JetTime,
    Opening,
    add_up,
    count_jet_time,
    judge_opening,
)
from borewarden.jewels.fitting import Fitting
from borewarden.store.database import read_phases


class Counting(NamedTuple):
    """How the jet time of a machine is counted: `max_gap` in s.

    `valve_heads` are the heads that have a valve signal each, in the order of their bits.
    """

    max_gap: float = MAX_GAP
    valve_heads: tuple[str, ...] = ()


END_OF_TIME = np.iinfo(np.int64).max


def jet_times(
    connection: sqlite3.Connection,
    held: Mapping[int, Fitting],
    counting: Mapping[str, Counting] | None = None,
) -> dict[int, JetTime]:
    """Jet time of each fitting that `held` by its number, as counted since it was fitted.

    `counting` is the machines' own, where they are known. Telemetry is of the pump: with several
    heads it counts for every head that holds a jewel, unless the head has a valve signal.
    """
    found: dict[int, JetTime] = {}
    for machine in {fitting.machine for fitting in held.values()}:
        own = {number: f for number, f in held.items() if f.machine == machine}
        spans = {number: _span(fitting) for number, fitting in own.items()}
        edges = np.unique(np.array(list(spans.values()), dtype=np.int64))
        places = {number: np.searchsorted(edges, span).tolist() for number, span in spans.items()}
        heads = np.zeros(len(edges) - 1, dtype=np.int64)
        for first, stop in places.values():
            heads[first:stop] += 1
        max_gap, named = (counting or {}).get(machine, Counting())
        valves = {n: named.index(f.head) if f.head in named else None for n, f in own.items()}
        for valve in set(valves.values()):
            blocks = read_phases(connection, machine, int(edges[0]))
            parts = count_jet_time(blocks, edges, heads, max_gap, valve)
            found |= {
                n: add_up(parts[first:stop])
                for n, (first, stop) in places.items()
                if valves[n] == valve
            }
    return found


def _span(fitting: Fitting) -> tuple[int, int]:
    return fitting.fitted_ns, END_OF_TIME if fitting.out_ns is None else fitting.out_ns


def openings(
    connection: sqlite3.Connection, held: Mapping[int, Fitting]
) -> dict[int, tuple[Opening, int, int]]:
    """How the jet was first opened with each fitting that `held`; see `judge_opening`."""
    return {number: _opening(connection, fitting) for number, fitting in held.items()}


def _opening(connection: sqlite3.Connection, fitting: Fitting) -> tuple[Opening, int, int]:
    first_ns, out_ns = _span(fitting)
    parts: list[tuple[Samples, NDArray[np.int8]]] = []
    jet_time = 0.0
    for samples, phases in read_phases(connection, fitting.machine, first_ns):
        stop = int(np.searchsorted(samples.time_ns, out_ns))
        steps = np.diff(samples.time_ns, prepend=samples.time_ns[0]) * 1e-9
        seen = np.cumsum(np.where(JET_ON[phases] & (steps <= MAX_GAP), steps, 0.0))
        # a little beyond what is judged: whether the pressure was raised
        stop = min(stop, int(np.searchsorted(seen, 2.0 * FIRST_JET_TIME - jet_time)))
        parts.append((rows(samples, 0, stop), phases[:stop]))
        if stop < len(phases):
            break
        jet_time += float(seen[-1])
    if not parts:
        return Opening.UNKNOWN, 0, 0
    samples = Samples._make(np.concatenate(c) for c in zip(*(s for s, _ in parts), strict=True))
    return judge_opening(samples, np.concatenate([phases for _, phases in parts]))

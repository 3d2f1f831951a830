"""Steady-state gate: which samples say something about the bore, and their batch means.

One loop over the samples with a small explicit state, compiled by numba. Feeding it a day in one
block or sample by sample runs the same machine code over the same state, so the results agree to
the last bit. Two smoothed pressures (fast and slow) tell a ramp from the pulsation of the
strokes; the flow tells jet-on from dead-headed; whatever is steady at working pressure is
gathered into batches of `batch_time`. A batch holds one effective area: water delivered by the
pump, divided by what a unit of area would have passed at the very pressures that were measured.

Low-pressure pierces gather into batches of their own, and so do the strokes of a dead-headed pump
and the pressure shown while it is stopped: they say nothing about the bore, but much about what
else may be wrong. `borewarden.gate.batch.SIGNALS` are what further channels say meanwhile.

With a stroke *counter* the gate works from count edge to count edge, so a batch starts and ends
with a stroke, and the error left is that of timing the two edges: at most one sample interval or
one stroke period, uniformly distributed. That error is carried as `resolution`.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import Samples
from borewarden.gate.batch import BATCH, NO_BATCHES
from borewarden.gate.gate_loop import run_on_bytes, run_on_few
from borewarden.gate.lag import FIRST_RISE, mean_time
from borewarden.gate.state import FLOW, GIVEN, JET, STATE, GateSettings, is_intensifier
from borewarden.physics.pump import Displacement

__all__ = ["Gate", "GateSettings"]

FEW = 16  # samples in a short block, such as a live machine's
HOUR = 3600.0  # s
_PLACE = STATE.fields["jet"][1] + JET.fields["head_seconds"][1]  # type: ignore[index]
HEAD_SECONDS = slice(_PLACE, _PLACE + JET["head_seconds"].itemsize)  # bytes of the state
_FLOW_PLACE = STATE.fields["flow"][1]  # type: ignore[index]
FLOW_BYTES = slice(_FLOW_PLACE, _FLOW_PLACE + FLOW.itemsize)  # of the state
FIRST_SPREAD = 0.016  # relative, of readings about which nothing is known yet; invented
FIRST_FLOW_SPREAD = 0.006  # of a flow; a mean over short pauses wobbles more; invented


def _reader(*names: str) -> Callable[[NDArray[np.uint8]], float]:
    """Reads one number of a record of `STATE` out of its bytes; a view of it all takes 80 us."""
    part, place = STATE, 0
    for name in names:
        assert part.fields is not None
        part, offset, *_ = part.fields[name]
        place += offset
    assert part == np.float64
    unpack = struct.Struct("=d").unpack_from
    return lambda state: float(unpack(state.data, place)[0])


_jet_seconds = _reader("jet", "seconds")
_bypass_seconds = _reader("jet", "bypass_seconds")
_less_seconds = _reader("jet", "less_seconds")
_idle_seconds = _reader("jet", "idle_seconds")
_missed_seconds = _reader("jet", "missed_seconds")


class Gate:
    """Sorts samples into phases and gathers steady jet-on time into batches.

    `learn_many(samples)` returns the phase of each sample, shape (n,), int8, and the batches that
    closed in the block, a structured array of dtype `BATCH`. With more than one of `heads`, by the
    `areas` of their stated bores (m², 0 without a jewel) in the order of their valve signals,
    batches of one combination of open heads stay apart from those of others.
    """

    def __init__(
        self,
        settings: GateSettings,
        displacement: Displacement,
        heads: int = 1,
        areas: Sequence[float] = (),
    ) -> None:
        self.settings = settings
        self.displacement = displacement
        # Making arrays costs more than the loop itself for the short blocks of a live machine.
        self._state = np.zeros(STATE.itemsize, dtype=np.uint8)
        self._few = np.zeros(FEW * BATCH.itemsize, dtype=np.uint8)
        self._given = np.zeros(GIVEN.itemsize, dtype=np.uint8)
        self._given.view(GIVEN)[0] = (settings, displacement)
        state = self.state
        state.temperature = settings.default_temperature
        state.open.area = settings.nominal_area
        state.open.count = heads
        state.open.areas[: len(areas)] = areas
        state.smoothed.spread = FIRST_SPREAD
        state.flow.area.spread = state.flow.noise = state.short.noise = FIRST_FLOW_SPREAD
        state.smoothed.scatter = state.flow.area.scatter = FIRST_SPREAD
        state.flow.rises[:] = FIRST_RISE
        state.same.longest = settings.stuck_time

    @property
    def state(self) -> Any:
        """The state of the loop, a record of dtype `STATE`; a view."""
        return self._state.view(STATE).view(np.recarray)[0]

    def fork(self) -> Gate:
        """Another gate of the same settings that goes on from here on its own."""
        made = Gate(self.settings, self.displacement)
        made._state[:] = self._state
        return made

    @property
    def jet_hours(self) -> float:
        """Hours with the jet on since the first sample."""
        return _jet_seconds(self._state) / HOUR

    @property
    def head_hours(self) -> list[float]:
        """The same by the place of the heads' valve signals, where there are several heads."""
        head_seconds: list[float] = self._state[HEAD_SECONDS].view(np.float64).tolist()
        return [seconds / HOUR for seconds in head_seconds]

    @property
    def bypass_hours(self) -> float:
        """Hours of steady jet during which the bypass spilled."""
        return _bypass_seconds(self._state) / HOUR

    @property
    def less_hours(self) -> float:
        """Hours with the jet closed, as it seems, in which an intensifier delivered a good share.

        That of another head, most likely, or of one of two.
        """
        return _less_seconds(self._state) / HOUR

    @property
    def idle_hours(self) -> float:
        """Hours with the jet on, as it seems, in which a crank turned much slower than it does.

        It idles so some seconds after the jet has closed, and a valve that spills, or a line that
        holds, then looks like a jet at less pressure.
        """
        return _idle_seconds(self._state) / HOUR

    @property
    def mean_time(self) -> float:
        """Seconds, roughly, of which an intensifier's stroke rate is a mean; 0: not known."""
        if not is_intensifier(self.settings) or self.settings.uses_counter:
            return 0.0
        flow = self._state[FLOW_BYTES].view(FLOW).view(np.recarray)[0]
        return mean_time(flow) if flow.rise > 0 else 0.0

    @property
    def missed_hours(self) -> float:
        """Hours that went unseen while the jet was on when last seen."""
        return _missed_seconds(self._state) / HOUR

    def learn_many(self, samples: Samples) -> tuple[NDArray[np.int8], NDArray[np.void]]:
        """Take a block of samples in time order; see the class."""
        time_ns, *channels = samples
        phases = np.empty(len(time_ns), dtype=np.int8)
        state, given = self._state, self._given
        # no more than one batch closes a sample, however coarse the log
        if len(time_ns) <= FEW:
            room = self._few
            # in a third of the time that `np.concatenate` takes
            joined = np.frombuffer(b"".join(channels))  # type: ignore[arg-type]
            closed = run_on_few(state, given, time_ns, joined, phases, room)
        else:
            room = np.empty(len(time_ns) * BATCH.itemsize, dtype=np.uint8)
            closed = run_on_bytes(state, given, samples, phases, room)
        return phases, room.view(BATCH)[:closed].copy() if closed else NO_BATCHES

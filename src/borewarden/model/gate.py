"""Steady-state gate: which samples say something about the bore, and their batch means.

One loop over the samples with a small explicit state, compiled by numba. Feeding it a day in one
block or sample by sample runs the same machine code over the same state, so the results agree to
the last bit. Two smoothed pressures (fast and slow) tell a ramp from the pulsation of the
strokes; the flow tells jet-on from dead-headed; whatever is steady at working pressure is
gathered into batches of `batch_time`. A batch holds one effective area: water delivered by the
pump, divided by what a unit of area would have passed at the very pressures that were measured.

With a stroke *counter* the gate works from count edge to count edge, so a batch starts and ends
with a stroke, and the error left is that of timing the two edges: at most one sample interval or
one stroke period, uniformly distributed. That error is carried as `resolution`.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.physics import compiled
from borewarden.physics.orifice import mass_flux
from borewarden.physics.pump import Displacement, delivered_mass

Floats = NDArray[np.float64]


class Phase(IntEnum):
    """What the machine does at one sample."""

    NO_DATA = 0  # missing, out of range, or a stuck transducer
    STOPPED = 1  # no pressure
    JET_OFF = 2  # pressure held, no flow: dead-headed
    RAMP = 3  # jet on, pressure still moving or jet just opened
    PIERCE = 4  # jet on and steady, below the working pressure
    STEADY = 5  # jet on and steady at working pressure
    BYPASS = 6  # jet on, but the bypass spills: the jet's flow is not known


# Plain integers for the compiled loop.
NO_DATA, STOPPED, JET_OFF, RAMP, PIERCE, STEADY, BYPASS = (int(phase) for phase in Phase)


class Samples(NamedTuple):
    """A block of samples, one array a channel, all of shape (n,); NaN where not known.

    `time_ns` are int64 nanoseconds since 1970 UTC, `pressure` in Pa gauge, `rate` the stroke rate
    or crank speed in Hz, `stroke_count` the stroke counter, `temperature` of the water in K,
    `valve` the number of heads commanded on. The rest serves to tell causes apart where a machine
    has it: `oil_pressure` of the hydraulics and `boost_pressure` of the feed water in Pa,
    `weep_temperature` at the leak-off of the high-pressure seals and `bypass_temperature` behind
    the bypass or relief valve in K, `left_stroke_time` and `right_stroke_time` the durations of
    the last whole stroke each way in s, `motor_speed` of the drive's shaft in Hz.
    """

    time_ns: NDArray[np.int64]
    pressure: Floats
    rate: Floats
    stroke_count: Floats
    temperature: Floats
    valve: Floats
    oil_pressure: Floats
    boost_pressure: Floats
    weep_temperature: Floats
    bypass_temperature: Floats
    left_stroke_time: Floats
    right_stroke_time: Floats
    motor_speed: Floats


def samples_of(time_ns: NDArray[np.int64], **channels: Floats) -> Samples:
    """Samples of the `channels` given by name; the others are not known."""
    unknown = np.full(len(time_ns), np.nan)
    return Samples(time_ns, *(channels.get(name, unknown) for name in Samples._fields[1:]))


def rows(samples: Samples, start: int, stop: int | None = None) -> Samples:
    """Rows `start` to `stop` of every channel."""
    return Samples._make(channel[start:stop] for channel in samples)


class GateSettings(NamedTuple):
    """What the gate needs to know of the machine; SI.

    `nominal_area` is C_d A of the stated bores (m²); the jet counts as on where the flow passes
    `jet_on_fraction` of what that area would take. Defaults are this project's own choice.
    """

    nominal_area: float
    max_rate: float  # Hz, overstroke limit or rated crank speed
    max_pressure: float  # Pa, readings above are out of range
    working_pressure: float  # Pa, a steady jet below is a low-pressure pierce
    stopped_pressure: float  # Pa, below is stopped
    uses_counter: bool  # strokes come as a counter, not as a rate
    flow_shows_jet: bool  # an intensifier stands still while dead-headed; a crank pump does not
    bypass_pressure: float = np.inf  # Pa, at and above the bypass spills
    rate_resolution: float = 0.0  # Hz, least step of a rate reading
    default_temperature: float = 293.15  # K, where no water temperature is measured
    batch_time: float = 20.0  # s that the stated area takes to pass the water of a batch
    longest_pause: float = 60.0  # s without steady jet within a batch
    settle_time: float = 6.0  # s after the jet opens or its pressure moves
    hold_time: float = 4.0  # s of rate readings held back in case the jet is closing
    max_gap: float = 10.0  # s, a longer silence is a gap
    steady_band: float = 0.04  # fast against slow smoothed pressure, relative
    fast_time: float = 2.0  # s
    slow_time: float = 8.0  # s
    jet_on_fraction: float = 0.6
    stuck_time: float = 120.0  # s of one unchanging pressure with the jet on


STATE = np.dtype(
    [
        ("started", np.bool_),
        ("time_ns", np.int64),
        ("fast", np.float64),  # smoothed pressures, Pa
        ("slow", np.float64),
        ("phase", np.int8),  # at time_ns
        ("temperature", np.float64),  # last known, K
        ("last_pressure", np.float64),
        ("same_time", np.float64),  # s since the pressure reading last changed
        ("jet_on", np.bool_),
        ("settled_time", np.float64),  # s since the jet opened or its pressure last moved
        ("jet_seconds", np.float64),  # total with the jet on
        ("bypass_seconds", np.float64),  # of it with the bypass spilling
        ("missed_seconds", np.float64),  # total not seen while the jet was on
        ("anchored", np.bool_),  # a first counter reading is known
        ("count", np.float64),
        ("since_edge", np.float64),  # s since the counter last moved
        # the newest piece of steady jet: counter edge to counter edge, or hold_time long
        ("piece_good", np.bool_),
        ("piece_start_ns", np.int64),
        ("piece_time", np.float64),
        ("piece_events", np.float64),
        ("piece_mass", np.float64),  # kg; kg s per event while a counter's edge is awaited
        ("piece_flux", np.float64),  # kg/m²
        ("piece_pressure", np.float64),  # Pa s
        # the piece before, held back until the newest one shows that the jet was not closing
        ("held_start_ns", np.int64),
        ("held_end_ns", np.int64),
        ("held_time", np.float64),
        ("held_events", np.float64),
        ("held_mass", np.float64),
        ("held_flux", np.float64),
        ("held_pressure", np.float64),
        # the open batch
        ("in_run", np.bool_),  # its last interval joins the next one
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("time", np.float64),
        ("events", np.float64),
        ("mass", np.float64),
        ("flux", np.float64),
        ("pressure", np.float64),
        ("resolution", np.float64),  # s², variance of its timing
    ]
)

BATCH = np.dtype(
    [
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("time", np.float64),  # s of steady jet in it
        ("jet_seconds", np.float64),  # with the jet on, from the first sample to its end
        ("area", np.float64),  # effective area, m²
        ("resolution", np.float64),  # relative standard uncertainty of area from whole counts
        ("rate", np.float64),  # Hz
        ("pressure", np.float64),  # Pa
        ("temperature", np.float64),  # K
    ]
)


class Gate:
    """Sorts samples into phases and gathers steady jet-on time into batches.

    `learn_many(samples)` returns the phase of each sample, shape (n,), int8, and the batches that
    closed in the block, a structured array of dtype `BATCH`. The state is one record, `state`.
    """

    def __init__(self, settings: GateSettings, displacement: Displacement) -> None:
        self.settings = settings
        self.displacement = displacement
        self.state = np.zeros(1, dtype=STATE).view(np.recarray)
        self.state[0].temperature = settings.default_temperature

    @property
    def jet_hours(self) -> float:
        """Hours with the jet on since the first sample."""
        return float(self.state[0].jet_seconds) / 3600.0

    @property
    def bypass_hours(self) -> float:
        """Hours of steady jet during which the bypass spilled."""
        return float(self.state[0].bypass_seconds) / 3600.0

    @property
    def missed_hours(self) -> float:
        """Hours that went unseen while the jet was on when last seen."""
        return float(self.state[0].missed_seconds) / 3600.0

    def learn_many(self, samples: Samples) -> tuple[NDArray[np.int8], NDArray[np.void]]:
        """Take a block of samples in time order; see the class."""
        phases = np.empty(len(samples.time_ns), dtype=np.int8)
        # no more than one batch closes a sample, however coarse the log
        batches = np.zeros(len(samples.time_ns), dtype=BATCH).view(np.recarray)
        closed = run_gate(self.state, self.settings, self.displacement, samples, phases, batches)
        return phases, np.array(batches[:closed])


@compiled
def _clear_piece(s: Any, good: bool) -> None:
    s.piece_good = good
    s.piece_start_ns = s.time_ns
    s.piece_time = 0.0
    s.piece_events = 0.0
    s.piece_mass = 0.0
    s.piece_flux = 0.0
    s.piece_pressure = 0.0


@compiled
def _drop_pieces(s: Any) -> None:
    s.held_time = 0.0
    s.in_run = False
    _clear_piece(s, False)


@compiled
def _hold_piece(s: Any) -> None:
    s.held_start_ns = s.piece_start_ns
    s.held_end_ns = s.time_ns
    s.held_time = s.piece_time
    s.held_events = s.piece_events
    s.held_mass = s.piece_mass
    s.held_flux = s.piece_flux
    s.held_pressure = s.piece_pressure


@compiled
def _add_held_to_batch(s: Any, longest_pause: float) -> None:
    if s.time > 0.0 and (s.held_start_ns - s.end_ns) * 1e-9 > longest_pause:
        _clear_batch(s)  # a batch is to say when, too
    if s.time == 0.0:
        s.start_ns = s.held_start_ns
    s.end_ns = s.held_end_ns
    s.time += s.held_time
    s.events += s.held_events
    s.mass += s.held_mass
    s.flux += s.held_flux
    s.pressure += s.held_pressure
    s.held_time = 0.0


@compiled
def _clear_batch(s: Any) -> None:
    s.in_run = False
    s.time = 0.0
    s.events = 0.0
    s.mass = 0.0
    s.flux = 0.0
    s.pressure = 0.0
    s.resolution = 0.0


@compiled
def _close_batch(s: Any, g: GateSettings, batch: Any) -> None:
    rate = s.events / s.time
    step = g.rate_resolution / rate
    batch.start_ns = s.start_ns
    batch.end_ns = s.end_ns
    batch.time = s.time
    batch.jet_seconds = s.jet_seconds
    batch.area = s.mass / s.flux
    batch.resolution = np.sqrt(s.resolution / (s.time * s.time) + step * step / 12.0)
    batch.rate = rate
    batch.pressure = s.pressure / s.time
    batch.temperature = s.temperature
    _clear_batch(s)


@compiled
def run_gate(
    state: Any,
    g: GateSettings,
    displacement: Displacement,
    samples: Samples,
    phases: NDArray[np.int8],
    batches: Any,
) -> int:
    """The sample loop. Writes `phases` and `batches`, returns how many batches closed."""
    s = state[0]
    closed = 0
    for i in range(len(samples.time_ns)):
        t = samples.time_ns[i]
        p = samples.pressure[i]
        dt = (t - s.time_ns) * 1e-9 if s.started else 0.0
        if s.started and dt == 0.0:  # a duplicate says nothing new
            phases[i] = s.phase
            continue
        reading = samples.stroke_count[i] if g.uses_counter else samples.rate[i]
        if not (-g.stopped_pressure <= p <= g.max_pressure) or not reading >= 0.0:
            phases[i] = NO_DATA  # the clock is not moved: a long run of these becomes a gap
            continue
        if np.isfinite(samples.temperature[i]):
            s.temperature = samples.temperature[i]

        # --- time, smoothed pressure
        gap = not s.started or dt < 0.0 or dt > g.max_gap
        if gap:
            if dt < 0.0:
                _clear_batch(s)  # the clock was set back
            elif s.jet_on:
                s.missed_seconds += dt
            dt = 0.0
            s.fast = p
            s.slow = p
            s.same_time = 0.0
            s.jet_on = False
            s.anchored = False
            _drop_pieces(s)
        else:
            s.fast += (1.0 - np.exp(-dt / g.fast_time)) * (p - s.fast)
            s.slow += (1.0 - np.exp(-dt / g.slow_time)) * (p - s.slow)
            s.same_time = s.same_time + dt if p == s.last_pressure else 0.0
        s.started = True
        s.time_ns = t
        s.last_pressure = p

        # --- what the stated bore would take, what the pump delivers a count
        flux = mass_flux(max(p, 0.0), s.temperature)
        delivery = delivered_mass(displacement, max(p, 0.0), s.temperature)
        jet_on_rate = g.jet_on_fraction * g.nominal_area * flux / delivery

        # --- counts since the last sample
        events = 0.0
        if g.uses_counter:
            s.since_edge += dt
            if s.anchored:
                events = reading - s.count
                if events < 0.0 or events > 2.0 + 3.0 * g.max_rate * s.since_edge:
                    s.anchored = False  # the counter wrapped, or was reset
            if not s.anchored:
                events = 0.0
                s.anchored = True
                s.since_edge = 0.0
                _drop_pieces(s)
            s.count = reading
            # between edges the rate can't be more than one stroke over the time waited
            rate = max(events, 1.0) / max(s.since_edge, 1e-9)
            flowing = rate >= jet_on_rate and (events > 0.0 or s.jet_on)
        else:
            rate = reading
            flowing = rate >= jet_on_rate

        # --- jet on or off
        if s.fast < g.stopped_pressure:
            on = False
        elif np.isfinite(samples.valve[i]):
            on = samples.valve[i] > 0.5
        elif g.flow_shows_jet:
            on = flowing
        else:
            on = rate > 0.0
        steady = abs(s.fast - s.slow) <= g.steady_band * s.slow
        s.settled_time = s.settled_time + dt if on and s.jet_on and steady else 0.0
        s.jet_on = on
        if on and s.settled_time < 0.5 * g.settle_time:
            s.fast = p  # what the pressure was before it moved says nothing
            s.slow = p
        if on:
            s.jet_seconds += dt

        # --- phase
        if s.fast < g.stopped_pressure and (g.flow_shows_jet or rate <= 0.0):
            phase = STOPPED
        elif not on:
            phase = JET_OFF
        elif s.same_time > g.stuck_time:
            phase = NO_DATA
        elif s.settled_time < g.settle_time:
            phase = RAMP
        elif s.slow < g.working_pressure:
            phase = PIERCE
        elif s.slow >= g.bypass_pressure:
            phase = BYPASS
            s.bypass_seconds += dt
        else:
            phase = STEADY
        phases[i] = phase
        s.phase = phase

        # --- gather
        if phase == STOPPED and s.time > 0.0:
            _clear_batch(s)  # whatever is fitted after a stop starts a batch of its own
        s.piece_good = s.piece_good and phase == STEADY
        s.piece_time += dt
        s.piece_flux += flux * dt
        s.piece_pressure += p * dt
        if g.uses_counter:
            s.piece_mass += delivery * dt
            if events > 0.0:
                if s.piece_good and s.piece_time > 0.0:
                    s.piece_events = events
                    s.piece_mass *= events / s.piece_time
                    _hold_piece(s)
                    _add_held_to_batch(s, g.longest_pause)
                    if not s.in_run:
                        # both ends of a run are timed to one sample or one stroke
                        edge = min(dt, s.piece_time / events)
                        s.resolution += 2.0 * edge * edge / 12.0
                        s.in_run = True
                else:
                    s.in_run = False
                s.since_edge = 0.0
                _clear_piece(s, phase == STEADY)
        else:
            s.piece_events += rate * dt
            s.piece_mass += rate * delivery * dt
            if not s.piece_good:
                # a rate reading lags the jet, and pressure sags as it closes: what is held goes
                s.held_time = 0.0
                _clear_piece(s, phase == STEADY)
            elif s.piece_time >= g.hold_time:
                if s.held_time > 0.0:
                    _add_held_to_batch(s, g.longest_pause)
                _hold_piece(s)
                _clear_piece(s, True)
        # A batch ends with its water, not with its time: ending a few strokes when their time is
        # up would pick out the strokes that were timed too long, and the next too short.
        if s.time > 0.0 and s.mass >= g.batch_time * g.nominal_area * s.flux / s.time:
            _close_batch(s, g, batches[closed])
            closed += 1
    return closed

"""Steady-state gate: which samples say something about the bore, and their batch means.

One loop over the samples with a small explicit state, compiled by numba. Feeding it a day in one
block or sample by sample runs the same machine code over the same state, so the results agree to
the last bit. Two smoothed pressures (fast and slow) tell a ramp from the pulsation of the
strokes; the flow tells jet-on from dead-headed; whatever is steady at working pressure is
gathered into batches of `batch_time`. A batch holds one effective area: water delivered by the
pump, divided by what a unit of area would have passed at the very pressures that were measured.

Low-pressure pierces gather into batches of their own, and so do the strokes of a dead-headed pump
and the pressure shown while it is stopped: they say nothing of the bore, but much of what else may
be wrong. `SIGNALS` are what further channels say meanwhile.

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


class Kind(IntEnum):
    """What a batch was gathered from."""

    STEADY = 0  # jet on and steady at working pressure
    LOW = 1  # jet on and steady, below it
    DEAD_HEAD = 2  # pressure held, jet closed: `area` is that of a leak
    STOPPED = 3  # bled down: only `pressure` counts


# What the further channels say, as means over a batch; NaN where a machine lacks them.
SIGNALS = (
    "load_ratio",  # log of water over oil pressure, or of a crank pump over motor torque
    "boost",  # log of the feed pressure, Pa
    "weep_rise",  # K above the water temperature
    "bypass_rise",  # K above the water temperature
    "side_ratio",  # log of left over right stroke time
    "slip",  # log of crank over motor speed
    "heads",  # commanded on
    "scatter",  # log of the relative scatter from stroke to stroke, or from reading to reading
    "ripple",  # log of the relative scatter of pressure from sample to sample
    "valve_rise",  # of the check valves, K above the water temperature
)
LOAD_RATIO, BOOST, WEEP_RISE, BYPASS_RISE, SIDE_RATIO, SLIP, HEADS, SCATTER, RIPPLE, VALVE_RISE = (
    range(len(SIGNALS))
)
STOP_SETTLED = 60.0  # s for the pump to bleed down
IDLE_BATCH = 60.0  # s of dead-heading in a batch
STOP_BATCH = 300.0  # s

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
    the last whole stroke each way in s, `motor_speed` of the drive's shaft in Hz, `motor_torque`
    of the drive as a share of its rated torque, `check_valve_temperature` of the body of the
    hottest check valve in K.
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
    motor_torque: Floats
    check_valve_temperature: Floats


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
        ("stops", np.int64),  # how often the machine has been stopped
        ("anchored", np.bool_),  # a first counter reading is known
        ("count", np.float64),
        ("since_edge", np.float64),  # s since the counter last moved
        ("pressure_before", np.float64),
        ("last_rate", np.float64),
        ("last_left", np.float64),
        ("last_right", np.float64),
        ("idle_time", np.float64),  # s since the jet closed, or since the pump stopped
        # the open batch of idle strokes
        ("idle_start_ns", np.int64),
        ("idle_batch_time", np.float64),
        ("idle_events", np.float64),
        ("idle_mass", np.float64),
        ("idle_flux", np.float64),
        ("idle_pressure", np.float64),
        ("idle_runs", np.float64),
        # the open batch of a stopped pump
        ("stop_start_ns", np.int64),
        ("stop_batch_time", np.float64),
        ("stop_pressure", np.float64),
    ]
)

GATHER = np.dtype(
    [
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
        ("joined", np.bool_),  # it starts in the run in which the batch before ended
        ("edge", np.float64),  # s², variance of timing the end of the run
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("time", np.float64),
        ("events", np.float64),
        ("mass", np.float64),
        ("flux", np.float64),
        ("pressure", np.float64),
        ("timing", np.float64),  # s², variance of its timing
        ("shared", np.float64),  # s²
        ("sums", np.float64, (len(SIGNALS),)),
        ("counts", np.float64, (len(SIGNALS),)),
    ]
)

BATCH = np.dtype(
    [
        ("kind", np.int8),  # a `Kind`
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("time", np.float64),  # s of steady jet in it
        ("jet_seconds", np.float64),  # with the jet on, from the first sample to its end
        ("area", np.float64),  # effective area, m²
        # relative standard uncertainty of area from whole counts; of a leak's area: in m²
        ("resolution", np.float64),
        ("timing", np.float64),  # s², variance of timing its ends
        ("shared", np.float64),  # s², of it the edge at which the batch before ended
        ("rate", np.float64),  # Hz
        ("pressure", np.float64),  # Pa
        ("temperature", np.float64),  # K
        ("stops", np.int64),  # how often the machine had been stopped by then
        ("signals", np.float64, (len(SIGNALS),)),
    ]
)


NO_BATCHES = np.zeros(0, dtype=BATCH)
FEW = 16  # samples in a short block


class Gate:
    """Sorts samples into phases and gathers steady jet-on time into batches.

    `learn_many(samples)` returns the phase of each sample, shape (n,), int8, and the batches that
    closed in the block, a structured array of dtype `BATCH`.
    """

    def __init__(self, settings: GateSettings, displacement: Displacement) -> None:
        self.settings = settings
        self.displacement = displacement
        # Plain bytes are handed to the compiled loop at a fraction of what records cost, and for
        # the short blocks of a live machine that and making arrays is more than the loop itself.
        self._state = np.zeros(STATE.itemsize, dtype=np.uint8)
        self._gathers = np.zeros(2 * GATHER.itemsize, dtype=np.uint8)
        self._few = np.zeros(FEW * BATCH.itemsize, dtype=np.uint8)
        self.state[0].temperature = settings.default_temperature

    @property
    def state(self) -> Any:
        """The state of the loop, shape (1,), dtype `STATE`; a view."""
        return self._state.view(STATE).view(np.recarray)

    @property
    def gathers(self) -> Any:
        """The open batches of steady and of low-pressure jet, shape (2,), dtype `GATHER`."""
        return self._gathers.view(GATHER).view(np.recarray)

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
        room = self._few
        if len(samples.time_ns) <= FEW:
            room.fill(0)
        else:
            room = np.zeros(len(samples.time_ns) * BATCH.itemsize, dtype=np.uint8)
        closed = run_on_bytes(
            self._state, self._gathers, self.settings, self.displacement, samples, phases, room
        )
        return phases, room.view(BATCH)[:closed].copy() if closed else NO_BATCHES


@compiled
def _clear_piece(q: Any, time_ns: int, good: bool) -> None:
    q.piece_good = good
    q.piece_start_ns = time_ns
    q.piece_time = 0.0
    q.piece_events = 0.0
    q.piece_mass = 0.0
    q.piece_flux = 0.0
    q.piece_pressure = 0.0


@compiled
def _drop_pieces(q: Any, time_ns: int) -> None:
    q.held_time = 0.0
    _end_run(q)
    _clear_piece(q, time_ns, False)


@compiled
def _end_run(q: Any) -> None:
    q.in_run = False
    q.joined = False


@compiled
def _hold_piece(q: Any, time_ns: int) -> None:
    q.held_start_ns = q.piece_start_ns
    q.held_end_ns = time_ns
    q.held_time = q.piece_time
    q.held_events = q.piece_events
    q.held_mass = q.piece_mass
    q.held_flux = q.piece_flux
    q.held_pressure = q.piece_pressure


@compiled
def _add_held_to_batch(q: Any, longest_pause: float) -> None:
    if q.time > 0.0 and (q.held_start_ns - q.end_ns) * 1e-9 > longest_pause:
        _clear_batch(q)  # a batch is to say when, too
        _end_run(q)
    if q.time == 0.0:
        q.start_ns = q.held_start_ns
    q.end_ns = q.held_end_ns
    q.time += q.held_time
    q.events += q.held_events
    q.mass += q.held_mass
    q.flux += q.held_flux
    q.pressure += q.held_pressure
    q.held_time = 0.0


@compiled
def _clear_batch(q: Any) -> None:
    q.time = 0.0
    q.events = 0.0
    q.mass = 0.0
    q.flux = 0.0
    q.pressure = 0.0
    q.timing = 0.0
    q.shared = 0.0
    q.sums[:] = 0.0
    q.counts[:] = 0.0


@compiled
def _close_batch(s: Any, q: Any, g: GateSettings, batch: Any) -> None:
    rate = q.events / q.time
    step = g.rate_resolution / rate
    batch.start_ns = q.start_ns
    batch.end_ns = q.end_ns
    batch.time = q.time
    batch.jet_seconds = s.jet_seconds
    batch.area = q.mass / q.flux
    batch.resolution = np.sqrt(q.timing / (q.time * q.time) + step * step / 12.0)
    batch.timing = q.timing
    batch.shared = q.shared
    batch.rate = rate
    batch.pressure = q.pressure / q.time
    batch.temperature = s.temperature
    batch.stops = s.stops
    for k in range(len(q.sums)):
        batch.signals[k] = q.sums[k] / q.counts[k] if q.counts[k] > 0.0 else np.nan
    # the relative scatter is that of single values: half the mean square of their differences
    for k in (SCATTER, RIPPLE):
        batch.signals[k] = 0.5 * np.log(0.5 * batch.signals[k] + 1e-8)
    _clear_batch(q)
    q.joined = q.in_run
    q.in_run = False


@compiled
def _close_idle_batch(s: Any, displacement: Displacement, batch: Any) -> None:
    batch.kind = 2
    batch.start_ns = s.idle_start_ns
    batch.end_ns = s.time_ns
    batch.time = s.idle_batch_time
    batch.jet_seconds = s.jet_seconds
    batch.area = s.idle_mass / s.idle_flux
    batch.rate = s.idle_events / s.idle_batch_time
    batch.pressure = s.idle_pressure / s.idle_batch_time
    # each stretch of dead-heading begins and ends somewhere within a stroke; within it, what one
    # batch lacks of a stroke the next one has
    a_stroke = delivered_mass(displacement, batch.pressure, s.temperature)
    batch.resolution = 0.5 * np.sqrt(s.idle_runs) * a_stroke / s.idle_flux
    batch.temperature = s.temperature
    batch.stops = s.stops
    batch.signals[:] = np.nan
    s.idle_batch_time = 0.0
    s.idle_events = 0.0
    s.idle_mass = 0.0
    s.idle_flux = 0.0
    s.idle_pressure = 0.0
    s.idle_runs = 0.0


@compiled
def _close_stop_batch(s: Any, batch: Any) -> None:
    batch.kind = 3
    batch.start_ns = s.stop_start_ns
    batch.end_ns = s.time_ns
    batch.time = s.stop_batch_time
    batch.jet_seconds = s.jet_seconds
    batch.area = np.nan
    batch.resolution = np.nan
    batch.rate = 0.0
    batch.pressure = s.stop_pressure / s.stop_batch_time
    batch.temperature = s.temperature
    batch.stops = s.stops
    batch.signals[:] = np.nan
    s.stop_batch_time = 0.0
    s.stop_pressure = 0.0


@compiled
def _add(q: Any, signal: int, value: float) -> None:
    if np.isfinite(value):
        q.sums[signal] += value
        q.counts[signal] += 1.0


@compiled
def _add_signals(s: Any, q: Any, samples: Samples, i: int) -> None:
    """What the further channels say at sample `i`, into the open batch."""
    held_by = samples.oil_pressure[i]
    if not np.isfinite(held_by):
        held_by = samples.motor_torque[i]
    if held_by > 0.0:
        _add(q, LOAD_RATIO, np.log(samples.pressure[i] / held_by))
    _add(q, BOOST, np.log(max(samples.boost_pressure[i], 1.0)))
    _add(q, WEEP_RISE, samples.weep_temperature[i] - s.temperature)
    _add(q, BYPASS_RISE, samples.bypass_temperature[i] - s.temperature)
    _add(q, VALVE_RISE, samples.check_valve_temperature[i] - s.temperature)
    _add(q, SLIP, np.log(samples.rate[i] / samples.motor_speed[i]))
    _add(q, HEADS, samples.valve[i])
    if s.pressure_before > 0.0 and samples.pressure[i] > 0.0:
        _add(q, RIPPLE, np.log(samples.pressure[i] / s.pressure_before) ** 2)
    left = samples.left_stroke_time[i]
    right = samples.right_stroke_time[i]
    if left > 0.0 and right > 0.0:
        _add(q, SIDE_RATIO, np.log(left / right))
        # each side against itself: a leak makes them unequal, starvation makes each uneven
        if left != s.last_left and s.last_left > 0.0:
            _add(q, SCATTER, np.log(left / s.last_left) ** 2)
        if right != s.last_right and s.last_right > 0.0:
            _add(q, SCATTER, np.log(right / s.last_right) ** 2)
    elif samples.rate[i] > 0.0 and s.last_rate > 0.0:
        _add(q, SCATTER, np.log(samples.rate[i] / s.last_rate) ** 2)


@compiled
def _gather(
    s: Any,
    q: Any,
    g: GateSettings,
    here: bool,
    dt: float,
    p: float,
    flux: Any,
    delivery: Any,
    rate: float,
    events: float,
) -> bool:
    """Take one interval into the open piece and batch of `q`; whether the batch is full.

    `here` says that the phase is the one that `q` gathers.
    """
    t = s.time_ns
    q.piece_good = q.piece_good and here
    q.piece_time += dt
    q.piece_flux += flux * dt
    q.piece_pressure += p * dt
    if g.uses_counter:
        q.piece_mass += delivery * dt
        if events > 0.0:
            if q.piece_good and q.piece_time > 0.0:
                q.piece_events = events
                q.piece_mass *= events / q.piece_time
                _hold_piece(q, t)
                _add_held_to_batch(q, g.longest_pause)
                if not q.in_run:
                    # both ends of a run are timed to one sample or one stroke
                    edge = min(dt, q.piece_time / events)
                    if q.joined:
                        q.shared = q.edge
                    q.edge = edge * edge / 12.0
                    q.timing += 2.0 * q.edge
                    q.in_run = True
            else:
                _end_run(q)
            _clear_piece(q, t, here)
    else:
        q.piece_events += rate * dt
        q.piece_mass += rate * delivery * dt
        if not q.piece_good:
            # a rate reading lags the jet, and pressure sags as it closes: what is held goes
            q.held_time = 0.0
            _clear_piece(q, t, here)
        elif q.piece_time >= g.hold_time:
            if q.held_time > 0.0:
                _add_held_to_batch(q, g.longest_pause)
            _hold_piece(q, t)
            _clear_piece(q, t, True)
    # A batch ends with its water, not with its time: ending a few strokes when their time is
    # up would pick out the strokes that were timed too long, and the next too short.
    return bool(q.time > 0.0 and q.mass >= g.batch_time * g.nominal_area * q.flux / q.time)


@compiled
def run_gate(
    state: Any,
    gathers: Any,
    g: GateSettings,
    displacement: Displacement,
    samples: Samples,
    phases: NDArray[np.int8],
    batches: Any,
) -> int:
    """The sample loop. Writes `phases` and `batches`, returns how many batches closed."""
    s = state[0]
    steady_jet = gathers[0]
    low_jet = gathers[1]
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
            if dt < 0.0:  # the clock was set back
                _clear_batch(steady_jet)
                _clear_batch(low_jet)
            elif s.jet_on:
                s.missed_seconds += dt
            dt = 0.0
            s.fast = p
            s.slow = p
            s.same_time = 0.0
            s.jet_on = False
            s.anchored = False
            s.idle_time = 0.0
            _drop_pieces(steady_jet, t)
            _drop_pieces(low_jet, t)
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
                _drop_pieces(steady_jet, t)
                _drop_pieces(low_jet, t)
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
            on = s.jet_on = p >= g.stopped_pressure
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
        if phase == STOPPED and s.phase != STOPPED:
            s.stops += 1
        idling = phase in (STOPPED, JET_OFF)
        s.idle_time = s.idle_time + dt if idling and phase == s.phase else 0.0
        s.phase = phase

        # --- gather
        if phase == STOPPED:  # whatever is fitted after a stop starts a batch of its own
            _clear_batch(steady_jet)
            _clear_batch(low_jet)
        if phase == STEADY and steady_jet.piece_good:
            _add_signals(s, steady_jet, samples, i)
        elif phase == PIERCE:
            _add_signals(s, low_jet, samples, i)
        s.pressure_before = p
        s.last_rate = samples.rate[i]
        s.last_left = samples.left_stroke_time[i]
        s.last_right = samples.right_stroke_time[i]
        steady = phase == STEADY
        low = phase == PIERCE
        if _gather(s, steady_jet, g, steady, dt, p, flux, delivery, rate, events):
            _close_batch(s, steady_jet, g, batches[closed])
            closed += 1
        if _gather(s, low_jet, g, low, dt, p, flux, delivery, rate, events):
            batches[closed].kind = 1
            _close_batch(s, low_jet, g, batches[closed])
            closed += 1
        if g.uses_counter and events > 0.0:
            s.since_edge = 0.0
        if phase == JET_OFF and g.flow_shows_jet:
            settled = s.idle_time > g.settle_time + g.hold_time
            if settled and s.slow >= g.working_pressure:
                if s.idle_batch_time == 0.0:
                    s.idle_start_ns = t
                if s.idle_time - dt <= g.settle_time + g.hold_time:
                    s.idle_runs += 1.0
                s.idle_batch_time += dt
                passed = events if g.uses_counter else rate * dt
                s.idle_events += passed
                s.idle_mass += passed * delivery
                s.idle_flux += flux * dt
                s.idle_pressure += p * dt
                if s.idle_batch_time >= IDLE_BATCH:
                    _close_idle_batch(s, displacement, batches[closed])
                    closed += 1
        elif phase == STOPPED and s.idle_time > STOP_SETTLED:
            if s.stop_batch_time == 0.0:
                s.stop_start_ns = t
            s.stop_batch_time += dt
            s.stop_pressure += p * dt
            if s.stop_batch_time >= STOP_BATCH:
                _close_stop_batch(s, batches[closed])
                closed += 1
    return closed


@compiled
def run_on_bytes(
    state: NDArray[np.uint8],
    gathers: NDArray[np.uint8],
    g: GateSettings,
    displacement: Displacement,
    samples: Samples,
    phases: NDArray[np.int8],
    room: NDArray[np.uint8],
) -> int:
    """`run_gate` on the bytes of records of `STATE`, `GATHER` and `BATCH`."""
    closed: int = run_gate(
        state.view(STATE),
        gathers.view(GATHER),
        g,
        displacement,
        samples,
        phases,
        room.view(BATCH),
    )
    return closed

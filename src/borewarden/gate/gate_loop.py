"""The compiled sample loop of the gate.

Every function takes the state, or a part of it, and changes it in place. Readings are scalars, and
each is worked with in one order only, so a day in one block and a day sample by sample agree to the
last bit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from borewarden.base.compiling import compilable, compiled
from borewarden.base.samples import Samples
from borewarden.gate.batch import (
    BATCH,
    BOOST,
    BYPASS_RISE,
    COARSE,
    HEADS,
    LINE_KINDS,
    LOAD_RATIO,
    RIPPLE,
    SCATTER,
    SIDE_RATIO,
    SIGNALS,
    SLIP,
    VALVE_RISE,
    WEEP_RISE,
    BatchKind,
    Phase,
)
from borewarden.gate.filling import forget_filling, watch_filling
from borewarden.gate.lag import flow_lag, mean_time, watch_fall, watch_rise
from borewarden.gate.noise import (
    LEAST_SPREAD,
    MOST_SPREAD,
    SPREAD_PACE,
    SPREAD_STEP,
    noise_by_now,
)
from borewarden.gate.short_cuts import are_due, drop_cuts, in_batch, watch_short_cuts
from borewarden.gate.short_cuts import empty_into as empty_cuts_into
from borewarden.gate.speed_levels import (
    LEAST_WAIT,
    OPENS,
    TURNS,
    area_of,
    crank_tells,
    runs_free,
    shut_is_known,
    told_apart,
    watch_levels,
)
from borewarden.gate.state import (
    CEILINGS,
    EMPTIES,
    GIVEN,
    HOLDS,
    PARKED,
    STATE,
    GateSettings,
    Interval,
    Sample,
    is_intensifier,
)
from borewarden.gate.sums import add_sums, clear_sums
from borewarden.gate.swing import due, empty_into, watch_line
from borewarden.physics.orifice import mass_flux
from borewarden.physics.pump import Displacement, delivered_mass
from borewarden.physics.water import bulk_modulus, density

STOP_SETTLED = 60.0  # s for the pump to bleed down; invented
IDLE_HOLD = 8.0  # s of dead-heading that are held back in case the jet is opening; invented
IDLE_BATCH = 60.0  # s of dead-heading in a batch; invented
STOP_BATCH = 300.0  # s of a stopped pump in a batch; invented
HEAD_ON = 0.5  # heads: above, the valve signal says that one is on; halfway between 0 and 1
RESTART = 0.5  # of `settle_time`, in which the smoothed pressures start anew; invented
ENOUGH_LOOKS = 3  # of a coarse log, that have to be alike; invented
LOOKS_DIFFER = 1.3  # edges of a count, 1.8 sd of the difference of two in a row: each has two
LOOKS_ALIKE = 0.01  # relative, what they may differ by besides; invented
PAUSED = 1.05  # usual times from count to count: after more the jet was closed; invented
PAUSED_PACE = 0.1  # of the usual pace, by which such a time counts; invented
PERIOD_PACE = 0.02  # by which the time from count to count is followed; invented
OTHERS = 4  # counts in a row, as long as each other, that show other heads; invented
STEP_PACE = 0.02  # by which the usual step of a counter grows at an edge; invented
COUNTER_SLACK = 2.0  # counts that a counter may be ahead; invented
COUNTER_MARGIN = 3.0  # times the most counts that the pump can make; above, it was reset; invented
BOOST_FLOOR = 1.0  # Pa, feed pressure below has no useful logarithm; invented
SCATTER_FLOOR = 1e-8  # added to a relative variance, 0 has no logarithm: 0.01 %; invented
LONG_OFF = 60.0  # s with the jet closed, as it seems: the strokes at both ends are over; invented
IDLES = 0.8  # of a crank's highest speed with the jet on: slower, it may be closed; invented
LEAST_OF_A_JET = 0.25  # of the flow of the stated bore: no pump leaks so much and goes on; invented
FEW_ROWS = 2.5  # rows from count to count, up to which it matters how they are timed; invented
NEARER = 0.5  # of what the ends of such a wait may be off together; invented
UNIFORM = 12.0  # squared width of a uniform distribution over its variance; JCGM 100:2008, 4.3.7
S_PER_NS = 1e-9
_OF_THE_LINE = int(LINE_KINDS[0])
STEADY_SPREADS = 3.0  # upper deciles that a steady reading may be off; 4.9 sd if normal; invented
DECILE = 0.9  # a quartile overlooks the dips of reversals that a log catches now and then
UNSETTLED_PACE = 0.1  # of that, where the reading is not steady; invented
START = 4.0  # s, for which both smoothed readings are the mean of what came; invented
TINY = 1e-12  # a scale that is none would divide by zero
SPIKE = 2.0  # upper deciles above its level: a pressure that says the jet was closed; invented
MOST_ONE_SIDED = 10.0  # s, beyond which a reading drifts; invented
SLOW_INTERVALS = 4.0  # usual intervals, least time of the slow smoothing; invented
FEW_INTERVALS = 5.0  # usual intervals, before which that says nothing; invented
APART_TIME = 5.0  # s, by which it is followed how far two smoothed pressures are apart; invented
STILL_APART = 0.88  # of what they were of late: less, and they come together; invented
LEAKS_AWAY = 0.002  # relative, that a shut line lags behind in what is smoothed; invented
# s; of the pressure, and upper deciles: how far it may fall behind what it was; invented
FALLING, MOST_FALL, USUAL_FALLS = 5.0, 0.0025, 2.0
NOISY = 5.0  # s, for which noise may hide that it still falls; invented
LEAST_PRESSURE_BAND = 0.003  # relative, below which no pressure counts as moving; invented
LEAST_FLOW_BAND = 0.006  # the same of the flow; invented
MOST_FLOW_BAND = 0.12  # and beyond which all count as moving, however noisy; invented
# the same of a mean, which wobbles with pauses that it hides: relative, and in bands of its noise
MOST_MEAN_BAND, MEAN_BANDS = 0.02, 2.0
SAME_IDLE = 0.005  # of the jet's flow, that two looks at a closed jet may differ; invented
PACE_OF_A_JET = 0.33  # of the usual pace of counts: as quick as that, a jet was on; invented
MOST_JET = 2.5  # of the stated area, without a valve signal; invented
LONGEST_INTERVAL = 60.5  # s between samples that a log may have, jitter included; longer is a gap
INTERVAL_PACE = 0.05  # relative, by which the usual interval is followed; invented
GAP_INTERVALS = 2.5  # usual intervals that are a gap; invented
STUCK_INTERVALS = 10.0  # usual intervals of one reading that say it is stuck; invented
MOST_TIMES = 3.0  # times as long as it was of late: a reading is stuck; invented
SAME_FADES = 1e-4  # of that, by each change of the reading; invented
SAME_GUESS = 50  # changes, that a guess of that is worth at first; invented
# strokes from row to row, above which the dips of reversals are an alias: they come and go with
# a stroke rate that moves by a few per cent; two rows a dip of half a stroke; invented
STROKES_A_ROW = 0.25
FEW_STROKES = 3.0  # in the mean of which one that is uneven shows; invented
OTHER_SPEED = 0.1  # relative, by which a jet's pressure would follow the crank; invented
KEPT_FOR = 3.0  # s, and usual intervals, for which the pressure does not; invented
LEAKED_FOR = 60.0  # s, for which a pressure that falls on and on is a line's that is shut; invented
# usual intervals, for which it has to at least: in a slow log noise now and then falls for a
# minute; tuned on seeds 94,001 to 94,016 of the second plant
LEAKED_LOOKS = 5.0
MOST_LEAK = 0.003  # 1/s, relative, by which the pressure of a shut line falls; invented
LEAK_TIME = 40.0  # s of a shut line that show how it leaks: a jet settles sooner; invented
LESS_LEAK, MORE_LEAK = 0.5, 0.1  # by which that is followed down and up; invented
SURELY_HOLDS = 4  # of these, after which no other level is taken for a valve's; invented
NOISE_BAND = 4.9  # sd of a smoothed reading: as `STEADY_SPREADS` upper deciles


# -- sums, pieces, batches


@compilable
def _clear_all(gathered: Any) -> None:
    """Start a piece or a batch anew: its sums, and what the further channels say."""
    clear_sums(gathered.sums)
    gathered.signal_sums[:] = 0.0
    gathered.signal_counts[:] = 0.0


@compilable
def _add_all(gathered: Any, piece: Any) -> None:
    """Add all of a `piece` to what was gathered before it."""
    add_sums(gathered.sums, piece.sums)
    gathered.signal_sums[:] += piece.signal_sums
    gathered.signal_counts[:] += piece.signal_counts


@compilable
def _clear_piece(piece: Any, time_ns: int, good: bool) -> None:
    piece.good = good
    piece.start_ns = time_ns
    _clear_all(piece)


@compilable
def _clear_batch(batch: Any) -> None:
    _clear_all(batch)
    batch.timing = 0.0
    batch.shared = 0.0


@compilable
def _end_run(run: Any) -> None:
    run.open = False
    run.joined = False


@compilable
def _drop_pieces(jet: Any, time_ns: int) -> None:
    jet.held.sums.time = 0.0
    jet.run.looks = 0
    _end_run(jet.run)
    _clear_piece(jet.piece, time_ns, False)


@compilable
def _hold_piece(jet: Any, time_ns: int) -> None:
    jet.held = jet.piece
    jet.held.end_ns = time_ns


@compilable
def _add_held_to_batch(jet: Any, longest_pause: float) -> None:
    held = jet.held
    batch = jet.batch
    pause = (held.start_ns - batch.end_ns) * S_PER_NS
    if batch.sums.time > 0.0 and pause > longest_pause:
        _clear_batch(batch)  # a batch is to say when, too
        _end_run(jet.run)
    if batch.sums.time == 0.0:
        batch.start_ns = held.start_ns
    batch.end_ns = held.end_ns
    _add_all(batch, held)
    held.sums.time = 0.0


@compilable
def _say_when(s: Any, kind: int, start_ns: int, end_ns: int, batch: Any) -> None:
    batch.kind = kind
    batch.start_ns = start_ns
    batch.end_ns = end_ns
    batch.timing = 0.0
    batch.shared = 0.0
    batch.jet_seconds = s.jet.seconds
    batch.temperature = s.temperature
    batch.stops = s.stops
    batch.openings = s.held_line.openings if s.held_line.times >= HOLDS else 0
    batch.leak = s.held_line.leak
    batch.interval = s.interval
    line = s.held_line
    known = line.times >= HOLDS or line.emptied >= EMPTIES or s.levels.is_told
    batch.closed_known = known or shut_is_known(s.levels, s.last.rate)
    batch.open_heads = 0


@compilable
def _stored(s: Any, g: GateSettings, sums: Any) -> float:
    """Mass, kg, that stayed in the line because its pressure rose: V drho = V rho dp / K."""
    if g.stored_volume == 0.0 or sums.time == 0.0:
        return 0.0
    p = sums.pressure / sums.time
    by_pressure = density(p, s.temperature) / bulk_modulus(p, s.temperature)
    return float(g.stored_volume * by_pressure * sums.rise)


@compilable
def _close_batch(s: Any, jet: Any, g: GateSettings, kind: int, batch: Any) -> None:
    made = jet.batch
    sums = made.sums
    rate = sums.events / sums.time
    step = g.rate_resolution / rate
    _say_when(s, kind, made.start_ns, made.end_ns, batch)
    batch.open_heads = s.open.heads
    batch.time = sums.time
    batch.area = (sums.mass - _stored(s, g, sums)) / sums.flux
    batch.resolution = np.sqrt(made.timing / (sums.time * sums.time) + step * step / UNIFORM)
    batch.timing = made.timing
    batch.shared = made.shared
    batch.rate = rate
    batch.pressure = sums.pressure / sums.time
    for k in range(len(SIGNALS)):
        known = made.signal_counts[k]
        batch.signals[k] = made.signal_sums[k] / known if known > 0.0 else np.nan
    # the relative scatter is that of single values: half the mean square of their differences
    for k in (SCATTER, RIPPLE):
        batch.signals[k] = 0.5 * np.log(0.5 * batch.signals[k] + SCATTER_FLOOR)
    if is_intensifier(g) and s.interval * rate > STROKES_A_ROW:
        batch.signals[RIPPLE] = np.nan
    _clear_batch(made)
    jet.run.joined = jet.run.open
    jet.run.open = False


@compilable
def _close_dead_head(s: Any, g: GateSettings, displacement: Displacement, batch: Any) -> None:
    sums = s.dead_head.sums
    _say_when(s, BatchKind.DEAD_HEAD, s.dead_head.start_ns, s.time_ns, batch)
    batch.time = sums.time
    batch.area = sums.mass / sums.flux
    batch.rate = sums.events / sums.time
    batch.pressure = sums.pressure / sums.time
    # each stretch of dead-heading begins and ends somewhere within a count; within it, what one
    # batch lacks of a count the next one has
    a_stroke = delivered_mass(displacement, batch.pressure, s.temperature)
    a_count = a_stroke * g.strokes_per_count
    batch.resolution = 0.5 * np.sqrt(s.dead_head.runs) * a_count / sums.flux
    batch.signals[:] = np.nan
    s.dead_head.runs = 0.0
    clear_sums(sums)


@compilable
def _close_stopped(s: Any, batch: Any) -> None:
    sums = s.stopped.sums
    _say_when(s, BatchKind.STOPPED, s.stopped.start_ns, s.time_ns, batch)
    batch.time = sums.time
    batch.area = np.nan
    batch.resolution = np.nan
    batch.rate = 0.0
    batch.pressure = sums.pressure / sums.time
    batch.signals[:] = np.nan
    clear_sums(sums)


@compilable
def _close_line_if_due(s: Any, batch: Any) -> int:
    """Write the batch of one kind that the line has to tell; how many that are."""
    kind = due(s.line, s.time_ns)
    if kind < 0:
        return 0
    made = s.line.made[kind]
    _say_when(s, _OF_THE_LINE + kind, made.start_ns, made.end_ns, batch)
    empty_into(made, kind, s.time_ns, batch)
    return 1


@compilable
def _close_short_if_due(s: Any, batch: Any) -> int:
    """Write the batch of cuts too short to settle, if there are enough; how many that are."""
    short = s.short
    if not are_due(s):
        return 0
    last = short.cuts[in_batch(short) - 1]
    _say_when(s, BatchKind.STEADY, short.cuts[0].start_ns, last.end_ns, batch)
    batch.open_heads = s.open.heads
    empty_cuts_into(short, batch)
    return 1


@compilable
def _close_waiting(s: Any, batch: Any) -> int:
    """Write the batch of short cuts, or else one that the line has to tell; how many that are."""
    return int(_close_short_if_due(s, batch) or _close_line_if_due(s, batch))


# -- what the further channels say


@compilable
def _add(piece: Any, signal: int, value: float) -> None:
    if np.isfinite(value):
        piece.signal_sums[signal] += value
        piece.signal_counts[signal] += 1.0


@compilable
def _add_signals(s: Any, g: GateSettings, piece: Any, now: Sample) -> None:
    """What the further channels say at one sample, into the open piece."""
    held_by = now.oil_pressure
    if not np.isfinite(held_by):
        held_by = now.motor_torque
    if held_by > 0.0:
        _add(piece, LOAD_RATIO, np.log(now.pressure / held_by))
    _add(piece, BOOST, np.log(max(now.boost_pressure, BOOST_FLOOR)))
    _add(piece, WEEP_RISE, now.weep_temperature - s.temperature)
    _add(piece, BYPASS_RISE, now.bypass_temperature - s.temperature)
    _add(piece, VALVE_RISE, now.check_valve_temperature - s.temperature)
    if now.motor_speed > 0.0:  # it may stop while the pressure still reads as before
        _add(piece, SLIP, np.log(now.rate / now.motor_speed))
    _add(piece, HEADS, now.valve)
    # a pressure that settles, or wanders off, does not flutter: so how far each change differs from
    # the one before; of single values' scatter that has six times the square, a change twice
    _add(piece, RIPPLE, (_change(s.last, now) - s.last.change) ** 2 / 3.0)
    _add_strokes(s, g, piece, now)


@compilable
def _is_smoothed(s: Any, g: GateSettings, rate: float) -> bool:
    """Whether the stroke rate is a mean over so many strokes that one of them hardly shows."""
    return bool(is_intensifier(g) and rate * mean_time(s.flow) > FEW_STROKES)


@compilable
def _add_strokes(s: Any, g: GateSettings, piece: Any, now: Sample) -> None:
    """Stroke times, or the rate where they are not measured, against those of the last sample.

    What a controller takes the mean of over some strokes does not show how even they are.
    """
    last = s.last
    left = now.left_stroke_time
    right = now.right_stroke_time
    if left > 0.0 and right > 0.0:
        _add(piece, SIDE_RATIO, np.log(left / right))
        # each side against itself: a leak makes them unequal, starvation makes each uneven
        if left != last.left and last.left > 0.0:
            _add(piece, SCATTER, np.log(left / last.left) ** 2)
        if right != last.right and last.right > 0.0:
            _add(piece, SCATTER, np.log(right / last.right) ** 2)
    elif now.rate > 0.0 and last.rate > 0.0 and not _is_smoothed(s, g, now.rate):
        _add(piece, SCATTER, np.log(now.rate / last.rate) ** 2)


# -- gathering


@compilable
def _add_lateness(jet: Any, x: Interval) -> None:
    """Add to a run that begins what its first count edge is seen later than chance would have it.

    An edge is seen at the next sample. With m + f samples to a count, m at least 1, the first edge
    of a window of steady jet lies anywhere within its first m + f samples, so some sample has two
    chances to hold it late: f (1 - f) / (2 (m + f)) samples on average. With several counts to a
    sample no edge is picked.
    """
    samples = jet.run.period / x.seconds
    if samples > 1.0:
        f = samples - np.floor(samples)
        late = 0.5 * x.seconds * f * (1.0 - f) / samples
        jet.batch.sums.time += late
        jet.batch.sums.flux += late * x.flux
        jet.batch.sums.pressure += late * x.pressure


@compilable
def _is_one_of_many(jet: Any, t: int, edge: float) -> bool:
    """Hold a look of a coarse log; whether it and those before it are alike, and enough of them.

    Pauses between two looks are not seen. They make a flow less, and now more, now less, and so is
    a mean over some of them: looks that are alike have none. `edge` is how long the time of a count
    edge may be off, s; 0 for a rate.
    """
    sums, held, run = jet.piece.sums, jet.held, jet.run
    area = sums.mass / sums.flux
    most = LOOKS_DIFFER * edge / sums.time + LOOKS_ALIKE  # of this look: as many counts either way
    if run.looks == 0 or abs(area - run.area) > most * area:
        _end_run(run)
        run.looks = 0
        held.sums.time = 0.0
    if held.sums.time == 0.0:
        _hold_piece(jet, t)
    else:
        _add_all(held, jet.piece)
        held.end_ns = t
    run.looks += 1
    run.area = area if run.looks == 1 else run.area + (area - run.area) / run.looks
    return bool(run.looks >= ENOUGH_LOOKS)


@compilable
def _follow_other_heads(jet: Any, a_count: float, edge: float) -> None:
    """Start anew where counts in a row say that more heads are open now, or fewer.

    Pauses make single counts late, and not alike. Taken for pauses, the strokes of one head alone
    would be left out after those of two, but for those that were timed too short.
    """
    run = jet.run
    if abs(a_count - run.other) > edge:
        run.others = 0
    run.others = min(run.others + 1, OTHERS)
    run.other += (a_count - run.other) / run.others
    least = (PAUSED - 1.0) * run.period + edge / OTHERS
    if run.others == OTHERS and abs(run.other - run.period) > least and run.period > 0.0:
        run.period = run.other
        jet.held.sums.time = 0.0
        _clear_batch(jet.batch)
        _end_run(run)


@compilable
def _gather_counted(jet: Any, g: GateSettings, t: int, x: Interval, heads_unknown: bool) -> bool:
    """Take an interval of a pump with a counter: pieces go from count edge to count edge.

    Returns whether the piece ended.
    """
    piece = jet.piece
    run = jet.run
    piece.sums.mass += x.delivery * x.seconds
    if x.events > 0.0:
        length = piece.sums.time
        a_count = length / x.events
        # the ends of a run are timed to one sample or one count
        edge = min(x.seconds, a_count * g.strokes_per_count)
        paused = False
        if piece.good and length > 0.0:
            flux = piece.sums.flux / length
            run.period *= run.flux / flux  # at another pressure strokes take another time
            run.flux = flux
            if heads_unknown:
                _follow_other_heads(jet, a_count, edge / x.events)
            paused = length > PAUSED * run.period * x.events + edge and run.period > 0.0
            pace = PERIOD_PACE * (PAUSED_PACE if paused else 1.0)
            run.period += pace * (a_count - run.period) if run.period > 0.0 else a_count
        if piece.good and length > 0.0 and not paused:
            piece.sums.events = x.events
            piece.sums.mass *= x.events / length
            if x.seconds <= COARSE:
                _hold_piece(jet, t)
            elif not _is_one_of_many(jet, t, edge):
                return True
            _add_held_to_batch(jet, g.longest_pause)
            if not run.open:
                if run.joined:
                    jet.batch.shared = run.edge
                else:
                    _add_lateness(jet, x)
                run.edge = edge * edge / UNIFORM
                jet.batch.timing += 2.0 * run.edge
                run.open = True
        else:
            _end_run(run)
            run.looks = 0
            run.others = run.others if piece.good else 0
    return bool(x.events > 0.0)


@compilable
def _gather_rate(jet: Any, g: GateSettings, here: bool, t: int, x: Interval) -> None:
    """Take an interval of a pump with a rate reading: pieces are `hold_time` long."""
    piece = jet.piece
    piece.sums.events += x.rate * x.seconds
    piece.sums.mass += x.rate * x.delivery * x.seconds
    if not piece.good:
        # a rate reading lags the jet, and pressure sags as it closes: what is held goes
        jet.held.sums.time = 0.0
        jet.run.looks = 0
        _clear_piece(piece, t, here)
    elif x.seconds > COARSE and g.flow_shows_jet:  # a set speed says nothing of pauses
        if _is_one_of_many(jet, t, 0.0):
            _add_held_to_batch(jet, g.longest_pause)
        _clear_piece(piece, t, True)
    elif piece.sums.time >= g.hold_time:
        if jet.held.sums.time > 0.0:
            _add_held_to_batch(jet, g.longest_pause)
        _hold_piece(jet, t)
        _clear_piece(piece, t, True)


@compilable
def _gather(s: Any, jet: Any, g: GateSettings, phase: int, x: Interval) -> bool:
    """Take one interval into the open piece and batch of `jet`, which gathers in this `phase`.

    Returns whether the batch is full.
    """
    piece, t = jet.piece, s.time_ns
    # a reading of none, before what is smoothed has come down to it, is of no jet
    here = bool(s.phase == phase and x.pressure >= g.stopped_pressure)
    if g.uses_counter and g.flow_shows_jet:
        # a jet that closes for a moment lets the pressure rise, and the next stroke wait
        level = s.smoothed.slow
        here = here and x.pressure <= level * (1.0 + SPIKE * s.smoothed.scatter)
    piece.good = piece.good and here
    piece.sums.time += x.seconds
    piece.sums.flux += x.flux * x.seconds
    piece.sums.pressure += x.pressure * x.seconds
    piece.sums.rise += x.rise
    if g.uses_counter:
        if _gather_counted(jet, g, t, x, _heads_unknown(s)):
            _clear_piece(piece, t, here)
    else:
        _gather_rate(jet, g, here, t, x)
    # A batch ends with its water, not with its time: ending a few strokes when their time is
    # up would pick out the strokes that were timed too long, and the next too short.
    sums = jet.batch.sums
    if not sums.time > 0.0 or sums.mass < g.batch_time * s.open.area * sums.flux / sums.time:
        return False
    if _may_be_shut(s, g) or _stood_still(s, sums.time):
        _clear_batch(jet.batch)
        _end_run(jet.run)
        return False
    return True


@compilable
def _may_be_shut(s: Any, g: GateSettings) -> bool:
    """Whether the pressure fell up to here as in a line that is shut, and no valve says it is not.

    The flow of a crank pump is fixed, so that a steady jet holds its pressure.
    """
    smoothed = s.smoothed
    if g.flow_shows_jet or s.jet.by_valve or smoothed.one_sided < FALLING:
        return False
    most = max(MOST_FALL, USUAL_FALLS * smoothed.spread)
    return bool(smoothed.slow - smoothed.fast > most * smoothed.slow)


@compilable
def _stood_still(s: Any, seconds: float) -> bool:
    """Whether the pressure has read the same all these seconds, for longer than it ever does."""
    return bool(s.same.time >= seconds and seconds > s.same.longest)


@compilable
def _is_dead_headed(s: Any, g: GateSettings, x: Interval) -> bool:
    """Whether what the pump delivers now is what passes a closed jet, and nothing else."""
    lag = 0.0 if g.uses_counter else flow_lag(s.flow)
    settling = g.settle_time + g.hold_time + lag
    if not (s.idle_time > settling and s.smoothed.slow >= g.working_pressure):
        return False
    if not _is_steady(s.smoothed, LEAST_PRESSURE_BAND, g.steady_band):
        return False  # the jet opens, or the pump pumps up
    if s.flow.low_ns > 0 and 0.0 < (s.time_ns - s.flow.low_ns) * S_PER_NS < lag:
        return False  # the jet may have opened, and the reading not be there yet
    smoothed = s.smoothed
    counted = g.uses_counter and x.events + s.dead_head.held.events > 0.0
    fell = smoothed.slow - smoothed.fast > LEAST_PRESSURE_BAND * smoothed.slow
    quick = x.events > 0.0 and x.rate * s.steady.run.period > PACE_OF_A_JET
    if quick or (counted and fell):  # a jet too short to be seen otherwise
        s.idle_time = 0.0
        return False
    if g.uses_counter and s.interval <= COARSE:
        return True
    # a mean that still moves is that of a jet, and on a coarse log one may have been on unseen
    return bool(abs(s.flow.now - s.flow.before) <= SAME_IDLE)


@compilable
def _gather_dead_head(s: Any, g: GateSettings, x: Interval) -> bool:
    """Take an interval with the jet closed; whether its batch is full.

    It is held back for a while: the first stroke of a jet that opens is none of the closed one.
    """
    idle = s.dead_head
    held = idle.held
    if not _is_dead_headed(s, g, x):
        clear_sums(held)
        idle.opened = True
        return False
    passed = x.events if g.uses_counter else x.rate * x.seconds
    held.time += x.seconds
    held.events += passed
    held.mass += passed * x.delivery
    held.flux += x.flux * x.seconds
    held.pressure += x.pressure * x.seconds
    if held.time < IDLE_HOLD:
        return False
    if idle.sums.time == 0.0:
        idle.start_ns = s.time_ns - int(held.time / S_PER_NS)
    if idle.opened:
        idle.runs += 1.0
        idle.opened = False
    add_sums(idle.sums, held)
    clear_sums(held)
    return bool(idle.sums.time >= IDLE_BATCH)


@compilable
def _gather_stopped(s: Any, x: Interval) -> bool:
    """Take an interval of a stopped pump; whether its batch is full."""
    if not s.idle_time > STOP_SETTLED:
        return False
    idle = s.stopped
    if idle.sums.time == 0.0:
        idle.start_ns = s.time_ns
    idle.sums.time += x.seconds
    idle.sums.pressure += x.pressure * x.seconds
    return bool(idle.sums.time >= STOP_BATCH)


# -- which heads are open


@compilable
def _clear_parked(s: Any) -> None:
    for k in range(PARKED):
        _clear_batch(s.open.parked[k].steady)
        _clear_batch(s.open.parked[k].low)


@compilable
def _open_heads(before: int, now: Sample) -> int:
    """Which heads are open, as in `BATCH`; while all are closed, those that were `before`."""
    if np.isfinite(now.open_heads):
        return int(now.open_heads) if now.open_heads > HEAD_ON else before
    if np.isfinite(now.valve):
        return -int(now.valve + HEAD_ON) if now.valve > HEAD_ON else before
    return 0


@compilable
def _heads_unknown(s: Any) -> bool:
    """Whether nothing says how many of several heads are open."""
    return bool(s.open.count > 1 and s.open.heads == 0)


@compilable
def _watch_heads(s: Any, g: GateSettings, now: Sample) -> None:
    """Where other heads are open than before, go on with a batch of theirs."""
    heads = _open_heads(s.open.heads, now)
    if heads == s.open.heads:
        return
    slot = s.open.parked[s.open.heads % PARKED]
    slot.heads = s.open.heads
    slot.steady = s.steady.batch
    slot.low = s.low.batch
    slot = s.open.parked[heads % PARKED]
    if slot.heads == heads:
        s.steady.batch = slot.steady
        s.low.batch = slot.low
    else:
        _clear_batch(s.steady.batch)
        _clear_batch(s.low.batch)
    for jet in (s.steady, s.low):
        _drop_pieces(jet, s.time_ns)
        jet.run.period = 0.0  # other heads take other strokes
    s.jet.settled_time = 0.0
    s.flow.settled_time = 0.0
    s.flow.wait = flow_lag(s.flow) if g.flow_shows_jet and not g.uses_counter else 0.0
    s.open.heads = heads
    area = 0.0
    for k in range(len(s.open.areas)):
        if heads > 0 and (heads >> k) % 2 == 1:
            area += s.open.areas[k]
    if heads < 0:
        area = g.nominal_area * -heads / s.open.count
    s.open.area = area if area > 0.0 else g.nominal_area


# -- from a sample to its phase


@compilable
def _restart(smoothed: Any, value: float) -> None:
    smoothed.fast = value
    smoothed.slow = value
    smoothed.since = 0.0
    smoothed.side = 0.0
    smoothed.one_sided = 0.0
    smoothed.apart = 0.0
    smoothed.not_leaking = np.inf


@compilable
def _follow_paces(s: Any, g: GateSettings, seconds: float) -> None:
    """By what part of what is new smoothed readings move on; most logs have even intervals."""
    paces = s.paces
    if seconds == paces.seconds and s.interval == paces.interval:
        return
    paces.seconds = seconds
    paces.interval = s.interval
    paces.fast = 1.0 - np.exp(-seconds / g.fast_time)
    paces.slow = 1.0 - np.exp(-seconds / max(g.slow_time, SLOW_INTERVALS * s.interval))
    paces.apart = 1.0 - np.exp(-seconds / APART_TIME)
    usual = 1.0 - np.exp(-s.interval / g.fast_time)
    paces.noise = np.sqrt(usual / (2.0 - usual))


@compilable
def _smooth(smoothed: Any, paces: Any, value: float, seconds: float) -> None:
    mean = 0.0
    if seconds > 0.0 and smoothed.since < START:  # one noisy reading would else last as long
        mean = seconds / (smoothed.since + 2.0 * seconds)
    smoothed.fast += max(paces.fast, mean) * (value - smoothed.fast)
    smoothed.slow += max(paces.slow, mean) * (value - smoothed.slow)
    smoothed.since += seconds
    apart = smoothed.fast - smoothed.slow
    smoothed.apart += paces.apart * (apart - smoothed.apart)
    smoothed.one_sided += seconds
    if apart * smoothed.side < 0.0 or smoothed.side == 0.0:
        smoothed.side = np.sign(apart)
        smoothed.one_sided = 0.0


@compilable
def _is_steady(smoothed: Any, least: float, most: float) -> bool:
    """Whether the two smoothed readings are no further apart than they usually are."""
    band = min(max(STEADY_SPREADS * smoothed.spread, least), most)
    return bool(abs(smoothed.fast - smoothed.slow) <= band * abs(smoothed.slow))


@compilable
def _drifts(smoothed: Any, interval: float) -> bool:
    """Whether the smoothed readings have been apart on one side for longer than scatter makes."""
    return bool(smoothed.one_sided > max(MOST_ONE_SIDED, FEW_INTERVALS * interval))


@compilable
def _decile(usual: float, pace: float, off: float) -> float:
    """Follow the upper decile of `off`: up and down in the ratio of its odds."""
    usual *= 1.0 + (DECILE * pace if off > usual else -(1.0 - DECILE) * pace)
    return float(min(max(usual, LEAST_SPREAD), MOST_SPREAD))


@compilable
def _learn_spread(
    smoothed: Any, value: float, seconds: float, interval: float, settled: bool
) -> None:
    """Follow how far `value`, and its smoothed readings, usually are apart while all is steady.

    Slowly also where the reading is not settled: else one that has become noisier never would be.
    What stays on one side for long drifts, and says nothing of the scatter.
    """
    if _drifts(smoothed, interval):
        return
    pace = min(SPREAD_PACE * seconds * (1.0 if settled else UNSETTLED_PACE), SPREAD_STEP)
    scale = max(abs(smoothed.slow), TINY)
    smoothed.spread = _decile(smoothed.spread, pace, abs(smoothed.fast - smoothed.slow) / scale)
    smoothed.scatter = _decile(smoothed.scatter, pace, abs(value - smoothed.slow) / scale)


@compilable
def _leaks_away(smoothed: Any, interval: float, seconds: float) -> bool:
    """Whether the pressure falls on and on, as in a line that is shut at both ends.

    After a step the smoothed pressures come together again; while it goes on falling they do not.
    One noisy reading more or less does not end that.
    """
    apart = smoothed.fast - smoothed.slow
    falls = -apart > LEAKS_AWAY * smoothed.slow and _drifts(smoothed, interval)
    smoothed.not_leaking += seconds
    if falls and apart < STILL_APART * smoothed.apart:
        smoothed.not_leaking = 0.0
    return bool(falls and smoothed.not_leaking < max(NOISY, interval))


@compilable
def _flow_of(s: Any, g: GateSettings, x: Interval) -> float:
    """The flow as the effective area that it would take over the stated one; else a crank's speed.

    Also how its reading lags, where it shows the jet.
    """
    if not (g.flow_shows_jet or g.uses_counter):
        return float(x.rate / g.max_rate)  # it is set, and the pressure says whether it settles
    if not x.flux > 0.0:
        return 0.0
    if g.uses_counter:
        counts = x.events / x.seconds if x.seconds > 0.0 else 0.0
        return float(counts * x.delivery / (s.open.area * x.flux))
    flux = x.flux
    if _heads_unknown(s) and s.smoothed.slow > 0.0:
        # the reading alone has to be steady, as the pressure has to by itself: else the dips of
        # reversals hide how a mean over short cuts wobbles
        flux = float(mass_flux(s.smoothed.slow, s.temperature))
    ratio = float(x.rate * x.delivery / (s.open.area * flux))
    watch_rise(s, g, ratio, x.pressure)
    if g.turns_on and s.interval <= COARSE:
        watch_fall(s, x)
    return ratio


@compilable
def _flow_band(s: Any, g: GateSettings, x: Interval) -> float:
    """How far apart, relative, the smoothed readings of a steady flow may be at least."""
    step = g.rate_resolution / x.rate if x.rate > 0.0 else 0.0
    if g.uses_counter:  # between two looks it may have paused, or counted one more
        step = g.strokes_per_count / max(x.events, g.strokes_per_count)
    noise = NOISE_BAND * s.flow.noise * s.paces.noise
    return float(max(LEAST_FLOW_BAND, step, noise))


@compilable
def _watch_flow(s: Any, g: GateSettings, x: Interval, on: bool) -> None:
    """How long the flow's reading has been steady, and how long it has to be.

    What a controller averages is wrong for as long after a pause of the jet, however short. A rise
    from a settled level is no pause: it is believed as soon as it is steady.
    """
    flow = s.flow
    if g.uses_counter:  # a counter lags by no more than its edge
        flow.wait = 0.0
        if s.interval <= COARSE:
            flow.settled_time = s.jet.settled_time
            return
    ratio = _flow_of(s, g, x)
    if on:
        flow.noise = noise_by_now(flow.noise, flow.before, flow.now, ratio, x.seconds)
    flow.before = flow.now
    flow.now = ratio
    area = flow.area
    _smooth(area, s.paces, ratio, x.seconds)
    least, most = _flow_band(s, g, x), MOST_FLOW_BAND
    if is_intensifier(g) and not g.uses_counter:
        most = min(most, max(MOST_MEAN_BAND, MEAN_BANDS * least))
    steady = _is_steady(area, least, most)
    was_settled = flow.settled_time > flow.wait
    if on and x.seconds > 0.0 and steady:
        flow.settled_time += x.seconds
        # a mean over many short pauses wobbles: that is none of its scatter
        if was_settled and not (g.flow_shows_jet and _heads_unknown(s)):
            _learn_spread(area, ratio, x.seconds, s.interval, True)
    else:
        rises = on and was_settled and area.fast > area.slow
        # a set speed goes on through the pauses of the jet
        no_lag = rises or not g.flow_shows_jet or g.uses_counter
        flow.wait = 0.0 if no_lag else flow_lag(flow)
        flow.settled_time = 0.0
    if flow.settled_time < RESTART * g.settle_time:
        _restart(area, ratio)
        if g.flow_shows_jet:
            area.since = np.inf  # what lags goes on moving: a mean would hide that


@compilable
def _follow_interval(s: Any, seconds: float) -> None:
    """Follow the median time between samples, which is the log's own."""
    if not 0.0 < seconds <= LONGEST_INTERVAL:
        return
    if s.interval == 0.0:
        s.interval = seconds
    elif seconds > s.interval:
        s.interval = min(s.interval * (1.0 + INTERVAL_PACE), seconds)
    else:
        s.interval = max(s.interval * (1.0 - INTERVAL_PACE), seconds)


@compilable
def _watch_same(same: Any, unchanged: bool, seconds: float) -> None:
    """How long the pressure reading has been the same, and how long it is at the very most."""
    if unchanged:
        same.time += seconds
        return
    same.changes += 1
    same.longest *= 1.0 - max(SAME_FADES, 1.0 / (SAME_GUESS + same.changes))
    same.longest = max(same.longest, min(same.time, MOST_TIMES * same.longest))
    same.time = 0.0


@compilable
def _is_stuck(s: Any, g: GateSettings) -> bool:
    """Whether the pressure reading stands still: a noisy one never does for long."""
    most = min(MOST_TIMES * s.same.longest, g.stuck_time)
    return bool(s.same.time > max(most, STUCK_INTERVALS * s.interval))


@compilable
def _move_clock(s: Any, g: GateSettings, t: int, pressure: float, seconds: float) -> float:
    """Go on to time `t` and smooth the pressure; s since the last sample, 0 after a gap."""
    gap = not s.started or seconds < 0.0 or seconds > max(g.max_gap, GAP_INTERVALS * s.interval)
    _follow_interval(s, seconds)
    if gap:
        if seconds < 0.0:  # the clock was set back
            _clear_batch(s.steady.batch)
            _clear_batch(s.low.batch)
            _clear_parked(s)
        elif s.jet.on:
            s.jet.missed_seconds += seconds
        seconds = 0.0
        _restart(s.smoothed, pressure)
        s.flow.settled_time = 0.0
        s.flow.fell = 0.0
        s.flow.low_ns = 0
        s.same.time = 0.0
        s.jet.on = False
        s.counter.anchored = False
        s.idle_time = 0.0
        _drop_pieces(s.steady, t)
        _drop_pieces(s.low, t)
    _follow_paces(s, g, seconds)
    if not gap:
        _smooth(s.smoothed, s.paces, pressure, seconds)
        if pressure < g.stopped_pressure:
            s.same.time = 0.0  # a reading of nothing stands as long as the pump does
        else:
            _watch_same(s.same, pressure == s.last.pressure, seconds)
    s.started = True
    s.time_ns = t
    return seconds


@compilable
def _count(s: Any, g: GateSettings, reading: float, seconds: float) -> float:
    """Counts since the last sample; 0 where the counter wrapped or was reset."""
    counter = s.counter
    counter.since_edge += seconds
    events = 0.0
    if counter.anchored:
        events = reading - counter.count
        most = COUNTER_SLACK + COUNTER_MARGIN * g.max_rate * counter.since_edge
        if events < 0.0 or events > most:
            counter.anchored = False
    if not counter.anchored:
        events = 0.0
        counter.anchored = True
        counter.since_edge = 0.0
        _drop_pieces(s.steady, s.time_ns)
        _drop_pieces(s.low, s.time_ns)
    counter.count = reading
    if 0.0 < events < counter.step or counter.step == 0.0:
        counter.step = events
    elif events > 0.0:  # some controllers count cycles, and say twice as many strokes
        counter.step = min(counter.step * (1.0 + STEP_PACE), events)
    return events


@compilable
def _is_flowing(s: Any, g: GateSettings, x: Interval) -> bool:
    """Whether the pump delivers what a jet takes, rather than a leak."""
    jet_on_rate = g.jet_on_fraction * s.open.area * x.flux / x.delivery
    if g.uses_counter:
        return bool(x.rate >= jet_on_rate and (x.events > 0.0 or s.jet.on))
    return bool(x.rate >= jet_on_rate)


@compilable
def _learn_leak(line: Any, seconds: float, shut: bool) -> None:
    """How fast the pressure of a line falls that is known to be shut; what leaks least counts."""
    if shut:
        if line.shut_seconds == 0.0:
            line.shut_level = line.level
        line.shut_seconds += seconds
        return
    if line.shut_seconds > LEAK_TIME and min(line.shut_level, line.level) > 0.0:
        leak = max(np.log(line.shut_level / line.level), 0.0) / line.shut_seconds
        pace = LESS_LEAK if leak < line.leak else MORE_LEAK
        line.leak += leak - line.leak if line.leak == 0.0 else pace * (leak - line.leak)
    line.shut_seconds = 0.0


@compilable
def _watch_line(s: Any, g: GateSettings, x: Interval, leaks: bool) -> bool:
    """Whether the line of a crank pump is shut and holds its pressure; how often the jet opens.

    At a fixed bore the pressure goes as the square of the crank's speed. Where it stays while the
    crank slows down or speeds up, or leaks away for long, the jet is closed. As it opens, the
    pressure falls below where it will be; with a bore that opens up it only falls.
    """
    line = s.held_line
    long_enough = KEPT_FOR * max(1.0, s.interval)
    stands = s.same.time > max(long_enough, s.same.longest)  # the reading, not the pressure
    if x.pressure < g.working_pressure or stands:
        line.rate = 0.0
    elif abs(x.pressure - line.pressure) > OPENS * line.pressure or line.rate == 0.0:
        line.rate, line.pressure, line.seconds = x.rate, x.pressure, 0.0
    elif abs(x.rate - line.rate) <= OTHER_SPEED * line.rate:
        line.pressure, line.seconds = x.pressure, 0.0
    else:
        line.seconds += x.seconds
        if line.seconds > long_enough:
            line.times += 1
            line.is_shut = True
            line.rate, line.pressure, line.seconds = x.rate, x.pressure, 0.0
    line.leak_seconds = line.leak_seconds + x.seconds if leaks else 0.0
    if line.leak_seconds > max(LEAKED_FOR, LEAKED_LOOKS * s.interval):
        line.times += 1
        line.leak_seconds = 0.0
    if not line.moved:
        off = abs(x.pressure - line.level) > OPENS * line.level
        was_off = abs(s.last.pressure - line.level) > OPENS * line.level
        line.moved = off and (was_off or s.interval > COARSE)  # a single reading may be wild
        line.highest, line.lowest = line.level, x.pressure
    line.is_shut = line.is_shut and not line.moved
    _learn_leak(line, x.seconds, (leaks or line.is_shut) and not line.moved)
    line.lowest = min(line.lowest, x.pressure)
    most = MOST_LEAK * x.seconds * line.level
    line.level += min(max(x.pressure - line.level, -most), most)
    now = s.smoothed.fast
    if s.phase == Phase.STEADY and abs(x.pressure - now) <= OPENS * now:
        fell = now < line.highest and line.lowest >= (1.0 - OPENS) * now
        line.openings += 1 if line.moved and not fell else 0
        line.moved = False
        line.level = now
    return bool(line.is_shut)


@compilable
def _watch_emptied(s: Any, x: Interval, on: bool) -> None:
    """Count how often the line empties while the crank turns on as with the jet: that is closed.

    Where a valve is known to take what the closed jet leaves, it does not.
    """
    line = s.held_line
    if s.levels.is_known:
        line.emptied = 0
    elif on:
        if s.phase == Phase.STEADY:
            line.open_rate = x.rate
        line.empty_seconds = 0.0
    elif abs(x.rate - line.open_rate) <= OTHER_SPEED * line.open_rate:
        line.empty_seconds += x.seconds
        if line.empty_seconds > KEPT_FOR * max(1.0, s.interval):
            line.emptied += 1
            line.open_rate = 0.0
    else:
        line.open_rate = 0.0


@compilable
def _is_fed_by_crank(s: Any, g: GateSettings, x: Interval) -> bool:
    """Whether a pump whose flow is fixed feeds the jet; an open bypass takes far more than any."""
    smoothed = s.smoothed
    on = x.rate > 0.0 and x.rate * x.delivery <= MOST_JET * g.nominal_area * x.flux
    _watch_emptied(s, x, on)
    # where a valve is known to take what the closed jet leaves, no line is shut
    leaks = on and _leaks_away(smoothed, s.interval, x.seconds) and not crank_tells(s.levels)
    if g.bypass_pressure != np.inf:  # a valve holds the pressure at any speed
        return bool(on and not leaks)
    is_shut = on and _watch_line(s, g, x, leaks)
    on = on and not (leaks or is_shut)
    at_ceiling = on and watch_levels(s, g, x) and s.held_line.emptied < EMPTIES
    if at_ceiling:
        _restart(smoothed, x.pressure)  # else it seems to leak away from the jet's level
    return bool(on and not at_ceiling and not runs_free(s, x))


@compilable
def _watch_jet(s: Any, g: GateSettings, x: Interval, valve: float) -> bool:
    """Whether the jet is on; keeps its time, and how long it has been steady."""
    jet = s.jet
    jet.by_valve = np.isfinite(valve)
    smoothed = s.smoothed
    if smoothed.fast < g.stopped_pressure:
        on = False
    elif jet.by_valve:
        on = valve > HEAD_ON
    elif g.flow_shows_jet:
        on = _is_flowing(s, g, x)
    else:
        on = _is_fed_by_crank(s, g, x)
    steady = _is_steady(smoothed, LEAST_PRESSURE_BAND, g.steady_band)
    jet.settled_time = jet.settled_time + x.seconds if on and jet.on and steady else 0.0
    if on and jet.on:
        _learn_spread(smoothed, x.pressure, x.seconds, s.interval, jet.settled_time > g.settle_time)
    if on and jet.settled_time < RESTART * g.settle_time:
        _restart(smoothed, x.pressure)  # what the pressure was before it moved says nothing
        on = x.pressure >= g.stopped_pressure
    _watch_flow(s, g, x, on)
    jet.on = on
    jet.off_seconds = 0.0 if on else jet.off_seconds + x.seconds
    if on:
        jet.seconds += x.seconds
        jet.fastest = max(jet.fastest, x.rate)
        if not jet.by_valve and x.rate < IDLES * jet.fastest:
            jet.idle_seconds += x.seconds
    elif g.flow_shows_jet and jet.off_seconds > LONG_OFF and s.smoothed.slow >= g.working_pressure:
        jet.less_seconds += _seconds_of_less(s, g, x)
    return on


@compilable
def _seconds_of_less(s: Any, g: GateSettings, x: Interval) -> float:
    """Seconds that end here, in which more flowed than leaks, though the jet counts as closed."""
    least = LEAST_OF_A_JET * s.open.area * x.flux / x.delivery
    if not g.uses_counter:
        return float(x.seconds) if x.rate >= least else 0.0
    waited = s.counter.since_edge
    return float(waited) if x.events > 0.0 and x.events >= least * waited else 0.0


@compilable
def _count_heads(jet: Any, seconds: float, open_heads: float) -> None:
    """Add jet time to the heads that are open; to all of them where no signal says which."""
    known = np.isfinite(open_heads)
    for k in range(len(jet.head_seconds)):
        if not known or (int(open_heads) >> k) % 2 == 1:
            jet.head_seconds[k] += seconds


@compilable
def _phase_of(s: Any, g: GateSettings, rate: float, on: bool) -> Phase:
    if s.smoothed.fast < g.stopped_pressure and (g.flow_shows_jet or rate <= 0.0):
        phase = Phase.STOPPED
    elif not on:
        phase = Phase.JET_OFF
    elif _is_stuck(s, g):
        phase = Phase.NO_DATA
    elif s.jet.settled_time < g.settle_time or s.flow.settled_time < s.flow.wait + g.settle_time:
        phase = Phase.RAMP
    elif s.smoothed.slow < g.working_pressure:
        phase = Phase.PIERCE
    elif s.smoothed.slow >= g.bypass_pressure:
        phase = Phase.BYPASS
    else:
        phase = Phase.STEADY
    return phase


@compilable
def _enter_phase(s: Any, phase: Phase, seconds: float) -> None:
    if phase == Phase.BYPASS:
        s.jet.bypass_seconds += seconds
    if phase == Phase.NO_DATA and s.phase != Phase.NO_DATA:
        _clear_batch(s.steady.batch)  # what was gathered while it stood still
        _clear_batch(s.low.batch)
    if phase == Phase.STOPPED:
        if s.phase != Phase.STOPPED:
            s.stops += 1
            _clear_parked(s)
        _clear_batch(s.steady.batch)  # whatever is fitted after a stop starts a batch of its own
        _clear_batch(s.low.batch)
    idling = phase in (Phase.STOPPED, Phase.JET_OFF)
    s.idle_time = s.idle_time + seconds if idling and phase == s.phase else 0.0
    s.phase = phase


# -- the loop


@compilable
def _sample(samples: Samples, i: int) -> Sample:
    return Sample(
        samples.time_ns[i],
        samples.pressure[i],
        samples.rate[i],
        samples.stroke_count[i],
        samples.temperature[i],
        samples.valve[i],
        samples.oil_pressure[i],
        samples.boost_pressure[i],
        samples.weep_temperature[i],
        samples.bypass_temperature[i],
        samples.left_stroke_time[i],
        samples.right_stroke_time[i],
        samples.motor_speed[i],
        samples.motor_torque[i],
        samples.check_valve_temperature[i],
        samples.open_heads[i],
    )


@compilable
def _take(
    s: Any, g: GateSettings, displacement: Displacement, now: Sample, seconds: float
) -> Interval:
    """The interval that ends with this sample, and the clock and counter moved on by it."""
    p = now.pressure
    if np.isfinite(now.temperature):
        s.temperature = now.temperature
    smoothed = s.smoothed.fast
    seconds = _move_clock(s, g, now.time_ns, p, seconds)
    rise = s.smoothed.fast - smoothed if seconds > 0.0 else 0.0
    # what the stated bore would take, what the pump delivers a count
    flux = float(mass_flux(max(p, 0.0), s.temperature))
    delivery = float(delivered_mass(displacement, max(p, 0.0), s.temperature))
    events = 0.0
    if g.uses_counter:
        events = _count(s, g, now.stroke_count, seconds)
        waited = s.counter.since_edge
        # both ends are timed to one sample or one count, and may lie nearer
        if events > 0.0 and waited <= FEW_ROWS * seconds:
            waited -= NEARER * min(seconds, waited / events)
        # between edges the rate can't be more than the next one over the time waited
        rate = max(events, s.counter.step, 1.0) / max(waited, LEAST_WAIT)
    else:
        rate = now.rate
    return Interval(seconds, p, flux, delivery, rate, events, rise)


@compilable
def _change(last: Any, now: Sample) -> float:
    """Of the log of the pressure since the last sample; NaN if there is none."""
    if last.pressure > 0.0 and now.pressure > 0.0:
        return float(np.log(now.pressure / last.pressure))
    return np.nan


@compilable
def _remember(last: Any, now: Sample, is_steady: bool) -> None:
    last.change = _change(last, now) if is_steady else np.nan
    last.pressure = now.pressure
    last.rate = now.rate
    last.left = now.left_stroke_time
    last.right = now.right_stroke_time


@compilable
def _fill_batches(
    s: Any, g: GateSettings, displacement: Displacement, x: Interval, batches: Any, closed: int
) -> int:
    """Take the interval into the open batches; how many have closed by now."""
    if _gather(s, s.steady, g, Phase.STEADY, x):
        _close_batch(s, s.steady, g, BatchKind.STEADY, batches[closed])
        drop_cuts(s.short)
        closed += 1
    if _gather(s, s.low, g, Phase.PIERCE, x):
        _close_batch(s, s.low, g, BatchKind.LOW, batches[closed])
        closed += 1
    if g.uses_counter and x.events > 0.0:
        s.counter.since_edge = 0.0
    if s.phase == Phase.JET_OFF and g.flow_shows_jet:
        if _gather_dead_head(s, g, x):
            _close_dead_head(s, g, displacement, batches[closed])
            closed += 1
    else:
        clear_sums(s.dead_head.held)
        s.dead_head.opened = True
    if s.phase == Phase.STOPPED and _gather_stopped(s, x):
        _close_stopped(s, batches[closed])
        closed += 1
    return closed


@compilable
def _start_anew(s: Any) -> None:
    for jet in (s.steady, s.low):
        _drop_pieces(jet, s.time_ns)
        _clear_batch(jet.batch)


@compilable
def _tell_ceiling(s: Any, x: Interval, batch: Any) -> None:
    """Say that from now on a level is taken for the closed jet, and start what is open anew."""
    s.levels.is_told = True
    _say_when(s, BatchKind.CEILING, s.time_ns, s.time_ns, batch)
    batch.time = 0.0
    batch.rate = x.rate
    batch.pressure = s.levels.ceilings[s.levels.newest].pressure
    batch.area = area_of(x)
    batch.resolution = 0.0
    for k in range(CEILINGS):
        c = s.levels.ceilings[k]
        if c.jet_pressure > 0.0:
            # at one speed the flow is the same: the area goes as one over the root of the pressure
            between = np.sqrt(c.pressure / c.jet_pressure) - 1.0
            batch.resolution = max(batch.resolution, between)
    batch.signals[:] = np.nan
    _start_anew(s)


@compilable
def _tell_apart(s: Any, k: int, batch: Any) -> None:
    """Say that it is known by the crank which level is the closed jet's, and start anew."""
    s.levels.is_known = True
    s.levels.is_told = False
    c = s.levels.ceilings[k]
    _say_when(s, BatchKind.CEILING, s.time_ns, s.time_ns, batch)
    batch.time = 0.0
    batch.rate = c.rate
    batch.pressure = c.pressure
    batch.area = c.shut
    batch.resolution = np.nan
    batch.signals[:] = np.nan
    _start_anew(s)
    forget_filling(s.short)


@compilable
def _close_news(s: Any, x: Interval, on: bool, batch: Any) -> int:
    """Write what is news of the closed jet's level, if anything is; how many batches that are.

    A line that holds, or empties, has no valve's level.
    """
    levels, line = s.levels, s.held_line
    if levels.is_known or line.times >= SURELY_HOLDS or line.emptied >= EMPTIES:
        return 0
    k = told_apart(levels)
    if k >= 0:
        _tell_apart(s, k, batch)
        return 1
    turns = not levels.is_told and not on and levels.turns >= TURNS and x.rate > 0.0
    if turns and not crank_tells(levels):
        _tell_ceiling(s, x, batch)
        return 1
    return 0


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
        now = _sample(samples, i)
        seconds = (now.time_ns - s.time_ns) * S_PER_NS if s.started else 0.0
        if s.started and seconds == 0.0:  # a duplicate says nothing new
            phases[i] = s.phase
            continue
        p = now.pressure
        reading = now.stroke_count if g.uses_counter else now.rate
        if not (-g.stopped_pressure <= p <= g.max_pressure) or not reading >= 0.0:
            phases[i] = Phase.NO_DATA  # the clock is not moved: many of these become a gap
            continue
        x = _take(s, g, displacement, now, seconds)
        if s.open.count > 1:
            _watch_heads(s, g, now)
        on = _watch_jet(s, g, x, now.valve)
        if on and s.open.count > 1:
            _count_heads(s.jet, x.seconds, now.open_heads)
        _enter_phase(s, _phase_of(s, g, x.rate, on), x.seconds)
        phases[i] = s.phase
        watch_line(s, g, x)
        watch_short_cuts(s, g, x)
        watch_filling(s, g, x)
        if s.phase == Phase.STEADY and s.steady.piece.good:
            _add_signals(s, g, s.steady.piece, now)
        elif s.phase == Phase.PIERCE and s.low.piece.good:
            _add_signals(s, g, s.low.piece, now)
        _remember(s.last, now, s.phase == Phase.STEADY or s.phase == Phase.PIERCE)
        before = closed
        closed = _fill_batches(s, g, displacement, x, batches, closed)
        if closed == before:
            closed += _close_news(s, x, on, batches[closed])
        if closed == before:
            closed += _close_waiting(s, batches[closed])
    return closed


@compilable
def _columns(time_ns: NDArray[np.int64], channels: NDArray[np.float64]) -> Samples:
    """Samples of `channels` that follow each other in one piece, in the order of `Samples`."""
    n = len(time_ns)
    return Samples(
        time_ns,
        channels[0 * n : 1 * n],
        channels[1 * n : 2 * n],
        channels[2 * n : 3 * n],
        channels[3 * n : 4 * n],
        channels[4 * n : 5 * n],
        channels[5 * n : 6 * n],
        channels[6 * n : 7 * n],
        channels[7 * n : 8 * n],
        channels[8 * n : 9 * n],
        channels[9 * n : 10 * n],
        channels[10 * n : 11 * n],
        channels[11 * n : 12 * n],
        channels[12 * n : 13 * n],
        channels[13 * n : 14 * n],
        channels[14 * n : 15 * n],
    )


@compiled
def run_on_bytes(
    state: NDArray[np.uint8],
    given: NDArray[np.uint8],
    samples: Samples,
    phases: NDArray[np.int8],
    room: NDArray[np.uint8],
) -> int:
    """`run_gate` on the bytes of records of `STATE`, `GIVEN` and `BATCH`.

    Plain bytes reach compiled code at a fraction of what records or many numbers cost.
    """
    now: Any = given.view(GIVEN)[0]
    d = now.displacement
    closed: int = run_gate(
        state.view(STATE),
        now.settings,
        Displacement(d.swept_volume, d.dead_volume, d.volumetric_efficiency),
        samples,
        phases,
        room.view(BATCH),
    )
    return closed


@compiled
def run_on_few(
    state: NDArray[np.uint8],
    given: NDArray[np.uint8],
    time_ns: NDArray[np.int64],
    channels: NDArray[np.float64],
    phases: NDArray[np.int8],
    room: NDArray[np.uint8],
) -> int:
    """`run_on_bytes` on `channels` joined to one array: for a few samples, many cost far more."""
    closed: int = run_on_bytes(state, given, _columns(time_ns, channels), phases, room)
    return closed

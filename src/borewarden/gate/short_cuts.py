"""What cuts tell that are too short for the jet to settle.

Where a drive holds the pressure, its speed is the jet's flow a second or two after the jet opens.
The line is still a little off then, and by how much is the machine's own. So the first seconds of
cuts that go on are compared with what the same cut shows once it has settled: that gives their
usual error, and how far they scatter. A cut that closes before is corrected by the one, and weighs
by the other. Of three such cuts the middle one makes a batch, since single ones may be well off.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from borewarden.base.compiling import compilable
from borewarden.gate.batch import Phase
from borewarden.gate.state import GateSettings, Interval

STAYS = 0.012  # relative, within which pressure and speed have to stay; all invented, as follows
LEAD = 0.5  # s since then, which a mean over a second or two needs
HOLD = 0.9  # s that are held back in case the jet is closing
LONGEST_LOOK = 2.1  # s from sample to sample
LEAST = 0.9  # s that a cut has to show
KNOWN = 10  # cuts that went on, from which it is known how far the first seconds are off
PACE = 0.02  # by which that is followed later on
MOST_OFF = 3.0  # sd by which a single one counts at most
LEAST_SD, MOST_SD = 0.005, 0.02  # in log area: never better known, and no longer of use
AGREE = 2.0  # sd that two of them may differ by
LEVEL_PACE = 0.1  # by which the settled level is followed
SAME_JET = 0.25  # in log area: further off, it is another state of the machine
LONGEST = 600.0  # s from the first to the last of the cuts of a batch
_RAMP, _STEADY, _JET_OFF = int(Phase.RAMP), int(Phase.STEADY), int(Phase.JET_OFF)


@compilable
def _clear(sums: Any) -> None:
    sums.time = 0.0
    sums.events = 0.0
    sums.mass = 0.0
    sums.flux = 0.0
    sums.pressure = 0.0


@compilable
def _add(sums: Any, more: Any) -> None:
    sums.time += more.time
    sums.events += more.events
    sums.mass += more.mass
    sums.flux += more.flux
    sums.pressure += more.pressure


@compilable
def _clear_all(short: Any) -> None:
    short.stays = 0.0
    _clear(short.newest)
    _clear(short.held)
    _clear(short.sums)


@compilable
def _gather(short: Any, x: Interval) -> None:
    """Take an interval, and hold back the newest `HOLD` seconds."""
    newest = short.newest
    newest.time += x.seconds
    newest.events += x.rate * x.seconds
    newest.mass += x.rate * x.delivery * x.seconds
    newest.flux += x.flux * x.seconds
    newest.pressure += x.pressure * x.seconds
    if newest.time >= HOLD:
        _add(short.sums, short.held)
        short.held = newest
        _clear(newest)


@compilable
def _learn(short: Any) -> None:
    """Compare the first seconds of a cut with the same cut once it had settled."""
    settled = np.log(short.sums.mass / short.sums.flux)
    off = np.log(short.first.mass / short.first.flux) - settled - short.usual
    pace = max(1.0 / (short.seen + 1.0), PACE)
    if short.seen >= KNOWN:
        most = MOST_OFF * max(np.sqrt(short.variance), LEAST_SD)
        off = min(max(off, -most), most)
    short.variance += pace * (off * off - short.variance)
    short.usual += pace * off
    short.level += max(1.0 / (short.seen + 1.0), LEVEL_PACE) * (settled - short.level)
    short.seen += 1


@compilable
def _keep_cut(s: Any) -> None:
    """Keep a cut that closed before it settled, if it can be the jet's."""
    short = s.short
    sums = short.sums
    if sums.time < LEAST or short.seen < KNOWN or np.sqrt(short.variance) > MOST_SD:
        return
    value = np.log(sums.mass / sums.flux) - short.usual
    if abs(value - short.level) > SAME_JET:
        return
    if short.count >= len(short.cuts) or (s.time_ns - short.cuts[0].start_ns) * 1e-9 > LONGEST:
        short.count = 0
    cut = short.cuts[short.count]
    cut.value = value
    cut.time = sums.time
    cut.rate = sums.events / sums.time
    cut.pressure = sums.pressure / sums.time
    cut.start_ns = short.start_ns
    cut.end_ns = s.time_ns
    short.count += 1


@compilable
def watch_short_cuts(s: Any, g: GateSettings, x: Interval) -> None:
    """Take an interval of a pump whose speed shows the jet, with one head, read often enough."""
    if not (g.flow_shows_jet and g.turns_on) or g.uses_counter or s.open.count > 1:
        return
    short = s.short
    if x.seconds == 0.0 or x.seconds > LONGEST_LOOK:
        _clear_all(short)
        short.opened = False
        return
    if s.phase == _STEADY:
        if short.opened:
            short.first = short.sums
            short.opened = False
            _clear_all(short)
        if short.first.time >= LEAST:
            _gather(short, x)
            if short.sums.time >= g.hold_time:
                _learn(short)
                _clear(short.first)
                _clear_all(short)
        return
    _clear(short.first)
    if s.phase != _RAMP:
        if short.opened:
            _keep_cut(s)
        _clear_all(short)
        short.opened = s.phase == _JET_OFF
        return
    if not short.opened:
        return
    at_work = g.working_pressure <= x.pressure < g.bypass_pressure
    here = abs(x.pressure - short.pressure) <= STAYS * short.pressure
    step = max(STAYS * short.rate, g.rate_resolution)
    if not (at_work and here and abs(x.rate - short.rate) <= step):
        _keep_cut(s)
        _clear_all(short)
        short.pressure = x.pressure
        short.rate = x.rate
        return
    short.stays += x.seconds
    if short.stays > LEAD:
        if short.newest.time + short.held.time == 0.0:
            short.start_ns = s.time_ns
        _gather(short, x)


@compilable
def drop_cuts(short: Any) -> None:
    """Forget the cuts gathered so far: what settled in between says more."""
    short.count = 0


@compilable
def _sd(short: Any) -> float:
    return float(max(np.sqrt(short.variance), LEAST_SD))


@compilable
def are_due(short: Any) -> bool:
    """Whether the short cuts make a batch: two that agree, or as many as are kept."""
    cuts = short.cuts
    agree = short.count == 2 and abs(cuts[1].value - cuts[0].value) <= AGREE * _sd(short)
    return bool(agree or short.count == len(cuts))


@compilable
def empty_into(short: Any, batch: Any) -> None:
    """Write the cuts into a batch that says when: the mean of two, the middle one of three."""
    cuts, n = short.cuts, short.count
    values = np.sort(cuts.value[:n])
    batch.time = np.sum(cuts.time[:n])
    batch.area = np.exp(0.5 * (values[(n - 1) // 2] + values[n // 2]))
    sd = _sd(short)
    batch.resolution = sd
    batch.timing = (sd * batch.time) ** 2
    batch.shared = 0.0
    batch.rate = np.mean(cuts.rate[:n])
    batch.pressure = np.mean(cuts.pressure[:n])
    batch.signals[:] = np.nan
    short.count = 0

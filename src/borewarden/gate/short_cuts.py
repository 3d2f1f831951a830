"""What cuts tell that are too short for the jet to settle.

The jet's pressure and the reading of its flow stand still well before the gate trusts them. What
they show by then is a little off, and by how much is the machine's own. So the first seconds of
cuts that go on are compared with the same cuts once they have settled: that gives their usual
error, and how far they scatter. A cut that closes before is corrected by the one, and weighs by the
other. Two such cuts that agree make a batch, or the middle one of three; after that each one that
agrees with the batch before it.

On a machine whose cuts hardly ever settle, they are compared with one another: as many in a row as
have to be known agree on a level, and scatter around it. One that is larger begins another row,
since a pause within a mean only makes it smaller.

In a slow log a pause may hide between two looks, but nothing makes a mean larger than the jet's
flow except water that fills the line after a pierce. So single looks as high as usual, or higher,
that agree with each other are such cuts as well.

A drive that holds the pressure turns at the jet's flow a second or two after the jet opens. The
stroke rate of an intensifier is a mean over some 10 s, so all of these have to be of the jet, at
one pressure: the strokes that fill the line after a pierce make it too large. Pauses that such a
mean hides only make it too small, so what is smaller than usual says nothing. A pause too short
for the mean to say that the jet was closed stays in it as a dip: the reading falls, stands still
below what it was, and climbs again once the pause is out of the mean. So where the pressure does
not mark the pause, a reading is of the jet alone if none of the last seconds, as many as it lags,
was higher.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from borewarden.base.compiling import compilable
from borewarden.gate.batch import COARSE, Phase
from borewarden.gate.lag import flow_lag
from borewarden.gate.noise import noise_by_now
from borewarden.gate.state import GateSettings, Interval
from borewarden.gate.sums import add_sums, clear_sums

LOOKS = 1.5  # usual intervals, up to which one look follows another in a slow log; invented
FAR_LOOKS = 20.0  # s between them, by which a mean has nothing of the look before
LONGEST_LOOK = 2.1  # s from sample to sample; all invented, as what follows
STAYS = 0.012  # relative, within which pressure and reading have to stay
MEAN_STAYS = 0.005  # the same of a mean, which climbs and falls by more from look to look
STAYS_NOISE = 3.0  # the same of the reading, in sd of its noise
LEAD = 0.5  # s since then, which are left out
HOLD = 0.9  # s that are held back in case the jet is closing
LEAST = 0.9  # s that a cut has to show
FLUX_TIME = 5.0  # s, over which the pressure is averaged, as the reading of a mean is
MOVED = 0.03  # relative, by which the pressure is at another place
DIP_TIME, SHALLOW_TIME = 1.5, 3.5  # s, for which it may leave its place: a piston turns round
SHALLOW = 0.1  # relative, up to which it may do so for the longer time
OF_ONE_PLACE = 0.8  # of the lag, for which it has to be there: the lag has something to spare
OF_THE_JET = 0.5  # of the lag since the flow has said that the jet is open: it lags itself
BELOW_PEAK = 0.02  # relative, by which a reading may be below the highest of late
DIP = 0.03  # relative, by which a pause makes a mean less than usual
JUST_CAME = 2.0  # lags since the jet opened, by the pressure or by a reading that climbs
KNOWN = 10  # cuts that went on, from which it is known how far the first seconds are off
ALIKE = 0.02  # in log area, within which cuts are alike that have only each other to go by
PACE = 0.02  # by which that is followed later on
MOST_OFF = 3.0  # sd by which a single one counts at most
LEAST_SD, MOST_SD = 0.005, 0.02  # in log area: never better known, and no longer of use
AGREE = 2.0  # sd that two cuts of a batch may differ by
LEVEL_PACE = 0.2  # by which the settled level is followed
LESS, LARGER = 0.025, 0.03  # in log area: what another pressure may make of it is less
SAME_JET = 0.25  # in log area: further off, it is another state of the machine
WORTH = 5.0  # s: shorter cuts are known as well as one of that, and weigh by their time
PAIR = 2  # cuts that agree make a batch
APART = 60.0  # s, by which air in the water has passed
LONGEST = 600.0  # s from the first to the last of the cuts of a batch
LONGEST_LOOKS = 20.0  # intervals of a slow log, up to which that may be
S_PER_NS = 1e-9
_STOPPED, _JET_OFF = int(Phase.STOPPED), int(Phase.JET_OFF)
_RAMP, _STEADY = int(Phase.RAMP), int(Phase.STEADY)


@compilable
def start_looking(short: Any, pressure: float, rate: float) -> None:
    """Look from here on whether pressure and reading stay."""
    short.pressure = pressure
    short.rate = rate
    short.stays = 0.0
    clear_sums(short.newest)
    clear_sums(short.held)
    clear_sums(short.sums)


@compilable
def _add_interval(sums: Any, x: Interval, mass: float, flux: float) -> None:
    """Add an interval in which the jet took this `mass`, kg, at this `flux`, kg/m²."""
    sums.time += x.seconds
    sums.events += x.rate * x.seconds
    sums.mass += mass
    sums.flux += flux
    sums.rise += x.rise
    sums.pressure += x.pressure * x.seconds


@compilable
def gather(short: Any, time_ns: int, x: Interval, mass: float, flux: float) -> None:
    """Take an interval as in `_add_interval`, and hold back the newest `HOLD` seconds."""
    newest = short.newest
    if newest.time + short.held.time == 0.0:
        short.start_ns = time_ns
    _add_interval(newest, x, mass, flux)
    if newest.time >= HOLD:
        add_sums(short.sums, short.held)
        short.held = newest
        clear_sums(newest)


@compilable
def fed(x: Interval) -> float:
    """What the pump delivered, kg."""
    return float(x.rate * x.delivery * x.seconds)


@compilable
def _gather(short: Any, g: GateSettings, time_ns: int, x: Interval) -> None:
    """Take an interval of a pump whose rate shows the jet."""
    flux = x.flux if g.turns_on else short.flux
    gather(short, time_ns, x, fed(x), flux * x.seconds)


@compilable
def _is_known(short: Any) -> bool:
    """Whether it is known what cuts show that do not settle."""
    return bool(short.seen >= KNOWN or short.alike >= KNOWN)


@compilable
def _sd(short: Any) -> float:
    variance = short.variance if short.seen >= KNOWN else short.spread
    return float(max(np.sqrt(variance), LEAST_SD))


@compilable
def learn_first(short: Any) -> None:
    """Compare the first seconds of a cut with the same cut once it had settled."""
    settled = np.log(short.sums.mass / short.sums.flux)
    off = np.log(short.first.mass / short.first.flux) - settled - short.usual
    if short.seen >= KNOWN:
        most = MOST_OFF * _sd(short)
        off = min(max(off, -most), most)
    mean = 1.0 / (short.seen + 1.0)
    pace = max(mean, PACE)
    short.variance += pace * (off * off - short.variance)
    short.usual += pace * off
    short.level += max(mean, LEVEL_PACE) * (settled - short.level)
    short.seen += 1


@compilable
def _compare(short: Any, value: float) -> None:
    """Compare a cut with those before it, as long as too few have settled to go by."""
    off = value - short.level
    if short.alike == 0 or off > ALIKE:
        short.level = value
        short.spread = 0.0
        short.alike = 1
    elif off < -ALIKE:
        short.alike -= 1
    else:
        pace = 1.0 / (short.alike + 1.0)
        short.level += pace * off
        short.spread += pace * (off * off - short.spread)
        short.alike += 1


@compilable
def _longest(s: Any) -> float:
    """Time, s, from the first to the last of the cuts of a batch."""
    return float(max(LONGEST, LONGEST_LOOKS * s.interval))


@compilable
def keep_cut(s: Any, g: GateSettings) -> None:
    """Keep a cut that closed before it settled, if it can be the jet's."""
    short, time_ns = s.short, s.time_ns
    sums = short.sums
    if sums.time < LEAST:
        return
    value = np.log(sums.mass / sums.flux)
    if short.seen >= KNOWN:
        value -= short.usual
    elif short.alike < KNOWN:
        _compare(short, value)
        return
    most = SAME_JET if g.turns_on else LESS
    if _sd(short) > MOST_SD or not -most <= value - short.level <= SAME_JET:
        return
    if (time_ns - short.cuts[0].start_ns) * S_PER_NS > _longest(s):
        short.count = 0
    cut = short.cuts[short.count]
    cut.value = value
    cut.time = sums.time
    cut.rate = sums.events / sums.time
    cut.pressure = sums.pressure / sums.time
    cut.start_ns = short.start_ns
    cut.end_ns = time_ns
    short.count += 1


@compilable
def _follow_place(short: Any, x: Interval) -> None:
    """Follow for how long the pressure has been where it is, and what flows at it."""
    short.in_place += x.seconds
    short.flux += (x.flux - short.flux) * min(x.seconds / FLUX_TIME, 1.0)
    off = abs(x.pressure - short.place)
    if off <= MOVED * short.place:
        short.away = 0.0
        return
    short.away += x.seconds
    dip = SHALLOW_TIME if off <= SHALLOW * short.place else DIP_TIME
    if short.away > dip * max(x.seconds, 1.0):
        short.place = x.pressure
        short.flux = x.flux
        short.in_place = 0.0
        short.away = 0.0


@compilable
def _follow_peak(s: Any, x: Interval) -> None:
    """Follow the highest reading within the lag, when it last fell, and was less than usual."""
    short = s.short
    short.since_peak += x.seconds
    short.since_dip += x.seconds
    short.since_fall += x.seconds
    short.high = max(short.high, x.rate)
    if x.rate < (1.0 - BELOW_PEAK) * short.high:
        short.high = x.rate
        short.since_fall = 0.0
    usual = np.exp(short.level) * x.flux / x.delivery if _is_known(short) else short.peak
    if x.rate < (1.0 - DIP) * usual:
        short.since_dip = 0.0
    if x.rate >= short.peak or short.since_peak > flow_lag(s.flow):
        short.peak = x.rate
        short.since_peak = 0.0


@compilable
def _is_of_one_jet(s: Any, g: GateSettings, x: Interval) -> bool:
    """Whether all that the reading is a mean of was the jet, at one pressure."""
    if g.turns_on:
        return True
    short, lag = s.short, flow_lag(s.flow)
    if short.open_time > lag and not s.jet.by_valve:
        short.opened = False  # pauses from here on may be hidden in the mean
    if not _is_known(short) and short.since_fall < OF_ONE_PLACE * lag:
        return False  # that pause is in it still, and nothing tells by how much it is less
    if short.in_place < OF_ONE_PLACE * lag:
        return False
    if not short.opened:
        if short.in_place < JUST_CAME * lag:
            return True
        climbed = short.since_dip < JUST_CAME * lag
        return bool(climbed and x.rate >= (1.0 - BELOW_PEAK) * short.peak)
    of_the_jet = OF_ONE_PLACE if s.jet.by_valve else OF_THE_JET
    return bool(short.open_time >= of_the_jet * lag)


@compilable
def _stays(s: Any, g: GateSettings, x: Interval) -> bool:
    """Whether the reading has stayed, and the pressure where a jet can be."""
    short = s.short
    if g.turns_on:
        most = max(STAYS, STAYS_NOISE * short.noise)
        if abs(x.pressure - short.pressure) > STAYS * short.pressure:
            return False
    else:  # the dips of reversals are none of the jet's
        most = max(MEAN_STAYS, STAYS_NOISE * short.noise)
    if abs(x.rate - short.rate) > max(most * short.rate, g.rate_resolution):
        return False
    return bool(g.working_pressure <= x.pressure < g.bypass_pressure)


@compilable
def _take_settled(s: Any, g: GateSettings, x: Interval) -> None:
    """Take an interval of a settled jet, the first of which are compared with what was before."""
    short = s.short
    if x.rate > 0.0:
        before, last = short.before / x.rate, s.last.rate / x.rate
        short.noise = noise_by_now(short.noise, before, last, 1.0, x.seconds)
    if short.unsettled:
        short.first = short.sums
        short.opened = False
        short.unsettled = False
        start_looking(short, x.pressure, x.rate)
    if short.first.time < LEAST:
        return
    _gather(short, g, s.time_ns, x)
    if short.sums.time >= g.hold_time:
        learn_first(short)
        clear_sums(short.first)


@compilable
def _take_first(s: Any, g: GateSettings, x: Interval) -> None:
    """Take an interval of a jet that has not settled yet."""
    short = s.short
    short.open_time += x.seconds
    if not short.unsettled:
        short.unsettled = True
        clear_sums(short.first)
        start_looking(short, x.pressure, x.rate)
    if not (_is_of_one_jet(s, g, x) and _stays(s, g, x)):
        keep_cut(s, g)
        start_looking(short, x.pressure, x.rate)
        return
    short.stays += x.seconds
    if short.stays > LEAD:
        _gather(short, g, s.time_ns, x)


@compilable
def _take_look(s: Any, g: GateSettings, x: Interval) -> None:
    """Take a look of a slow log: a mean that has a pause in it is less than the jet's.

    So a look as high as the jet's, or higher, is of nothing else, if the pressure was there for as
    long as the mean goes back: water that fills the line is no jet.
    """
    short = s.short
    stays = abs(x.pressure - s.last.pressure) <= MOVED * x.pressure
    short.stays = short.stays + x.seconds if stays else 0.0
    if s.phase == _STOPPED:
        drop_cuts(short)
    of_a_jet = s.phase in (_RAMP, _STEADY) and g.working_pressure <= x.pressure < g.bypass_pressure
    if not of_a_jet or short.stays < OF_ONE_PLACE * flow_lag(s.flow):
        return
    value = np.log(x.rate * x.delivery / x.flux)
    off = value - short.level
    if short.alike < KNOWN:
        _compare(short, value)
    elif s.phase == _STEADY:
        short.level += PACE * off if abs(off) <= ALIKE else 0.0
    elif off >= -AGREE * _sd(short):
        short.start_ns = s.time_ns - np.int64(x.seconds / S_PER_NS)
        clear_sums(short.sums)
        _add_interval(short.sums, x, fed(x), x.flux * x.seconds)
        if short.count == len(short.cuts):  # these are not alike
            _drop_first(short, 1)
        keep_cut(s, g)


@compilable
def watch_short_cuts(s: Any, g: GateSettings, x: Interval) -> None:
    """Take an interval of a pump whose rate shows the jet, and which has one head only."""
    if not g.flow_shows_jet or g.uses_counter or s.open.count > 1:
        return
    short, is_mean = s.short, not g.turns_on
    if is_mean:
        _follow_place(short, x)
    if is_mean and s.interval > COARSE and 0.0 < x.seconds <= LOOKS * s.interval:
        _take_look(s, g, x)
        return
    if x.seconds == 0.0 or x.seconds > LONGEST_LOOK:
        short.opened = False
        short.stays = 0.0
        short.unsettled = False
        short.peak = np.inf  # nobody saw how high it was
        short.since_peak = 0.0
        drop_cuts(short)
        clear_sums(short.first)
        return
    if is_mean:
        _follow_peak(s, x)
    if s.phase == _STEADY:
        _take_settled(s, g, x)
    elif s.phase == _RAMP and (short.opened or is_mean):
        _take_first(s, g, x)
    else:
        if short.unsettled:
            keep_cut(s, g)
        short.unsettled = False
        clear_sums(short.first)
        if s.phase == _STOPPED:  # whatever is fitted next starts a batch of its own
            drop_cuts(short)
        start_looking(short, x.pressure, x.rate)
        short.opened = s.phase == _JET_OFF
        short.open_time = 0.0
    short.before = s.last.rate


@compilable
def drop_cuts(short: Any) -> None:
    """Forget the cuts gathered so far: what has settled in between says more."""
    short.count = 0
    short.told_ns = 0


@compilable
def _drop_first(short: Any, n: int) -> None:
    """Forget the `n` oldest cuts."""
    for k in range(n, short.count):
        short.cuts[k - n] = short.cuts[k]
    short.count -= n


@compilable
def are_due(s: Any) -> bool:
    """Whether the short cuts make a batch: one that agrees with the last batch, two, or three.

    Looks of a slow log have to agree, all three if one opening may show in two of them: what fills
    the line then makes both too large.
    """
    short = s.short
    cuts, n, most = short.cuts, short.count, AGREE * _sd(short)
    if n == 0:
        return False
    soon = (cuts[n - 1].end_ns - short.told_ns) * S_PER_NS <= _longest(s)
    if n == 1:
        return bool(soon and abs(cuts[0].value - short.told) <= most)
    if s.interval > COARSE:
        apart = np.max(cuts.value[:n]) - np.min(cuts.value[:n])
        enough = n == len(cuts) or s.interval > FAR_LOOKS
        return bool(enough and apart <= most)
    return bool(n == len(cuts) or abs(cuts[1].value - cuts[0].value) <= most)


@compilable
def in_batch(short: Any) -> int:
    """How many of the cuts make the batch that is due: all but the second of two far apart.

    What disturbs the one is over by the other, which then agrees with that batch, and is the next.
    """
    cuts = short.cuts
    apart = short.count == PAIR and (cuts[1].end_ns - cuts[0].end_ns) * S_PER_NS >= APART
    return 1 if apart else int(short.count)


@compilable
def empty_into(short: Any, batch: Any) -> None:
    """Write the cuts `in_batch` into it: one, the mean of two, the middle one of three."""
    cuts, n = short.cuts, in_batch(short)
    values = np.sort(cuts.value[:n])
    sd = _sd(short)
    area = 0.5 * (values[(n - 1) // 2] + values[n // 2])
    if area > short.level + LARGER:  # from now on, what is less has pauses in it
        short.level = area
    short.told = area
    short.told_ns = cuts[n - 1].end_ns
    batch.time = max(np.sum(cuts.time[:n]), WORTH)
    batch.area = np.exp(area)
    batch.resolution = sd
    batch.timing = (sd * batch.time) ** 2
    batch.shared = 0.0
    batch.rate = np.mean(cuts.rate[:n])
    batch.pressure = np.mean(cuts.pressure[:n])
    batch.signals[:] = np.nan
    _drop_first(short, n)

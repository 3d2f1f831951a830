"""From the first batches to a baseline, and the detectors tuned to its noise."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from borewarden.base.shown import quantity_text
from borewarden.detect.baseline import (
    Baseline,
    Noise,
    learn_baseline,
    median,
    robust_noise,
    scatter_between,
)
from borewarden.detect.habits import Habits, as_known, pooled, pressure_prior, that_fit
from borewarden.detect.step import newest, threshold
from borewarden.detect.wear import LEVEL_SD, Drift, wanders_within
from borewarden.diagnose.causes import PRIOR, Cause, possible_causes
from borewarden.diagnose.features import NO_SCATTER, Idle, Scatter, known_mean, known_spread
from borewarden.gate.batch import BATCH, COARSE, HEADS, SIGNALS, BatchKind
from borewarden.jewels.jewel import nearest_stock_bore, stated_area, stated_bores_area
from borewarden.watcher.batch_loop import (
    DRIFT_BLOCK,
    JUMPED_BEFORE,
    NS_PER_H,
    Detector,
    Signals,
)
from borewarden.watcher.events import Learning, Past, Setup, Watching, changed
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State
from borewarden.watcher.weighing import (
    MOST_APART_OF_A_RATE,
    SETTLED,
    closed_jet_is_unlogged,
    may_hide_pauses,
)

FEWEST_FIRST = 6  # batches that a baseline needs, if a step is found among the first; invented
FIRST_RUN_LENGTH = 1e4  # mean batches between false steps among the first; invented
MEDIAN_OF_JUMPS = 0.954  # median of |difference| of two standard normals: sqrt(2) * 0.6745
FEWEST_FREEDOM = 20.0  # degrees, however short the baseline: other pumps say as much; invented
# Some tail heavier than normal, however much was seen; invented
MAX_DEGREES_OF_FREEDOM = 50.0
# Noise of a baseline that is none, over that of later batches, and at least; invented
UNSTEADY, LEAST_UNSTEADY = 2.5, 0.015
ENOUGH_ANEW = 0.5  # of the time of a baseline, that later batches have to last; invented
MOST_UNSTEADY = 0.05  # noise of a batch, of which no baseline is learned: unseen pauses; invented
MOST_APART = 0.012  # the same, beside whole counts, of a log in which short pauses hide; invented
ONE_JET = 1.5  # usual intervals, by which batches of one jet may be apart; invented
# Share of a counter's batches that are whole (`_whole`): in a baseline of short cuts, less than the
# one, and of long jets, at least the other. Tuned on seeds 61,001 to 61,120 and 62,001 to 62,080
OF_SHORT_CUTS, OF_LONG_JETS = 0.8, 0.9
SURELY = 0.5  # standard errors, by which it has to be there; invented
EARLY = 4.0  # jet hours, after which no baseline is learned anew: by then it may be wear; invented
# The same where nothing turns on with the jet closed, and looks like a larger jet then; invented
LATEST_ANEW = 24.0
# Log area by log pressure, beforehand: leaks and fill alone. A counter does not see short pauses,
# and with another pressure come other parts and other pauses. Invented
PRESSURE_SD_OF_A_RATE = 0.025
SPREADS = 3.0  # of a signal's own, beside its limit; invented

SLOPE_SD = 0.004  # 1/h of jet, of wear beforehand: to the limit in a day or in weeks; invented
BEYOND = (
    1.25  # of the growth at which wear is reported: off by more is gone, slope or not; invented
)
LEAST_LEVEL_SD = 0.5  # of the uncertainty of the level beforehand, however still it was; invented

# How far a signal may leave its baseline by itself, without any change of area, before it is a
# matter: in the unit of the signal, invented by this project.
SIGNAL_LIMITS = dict.fromkeys(SIGNALS, np.inf) | {
    "load_ratio": 0.025,
    "weep_rise": 15.0,
    "valve_rise": 10.0,
    "bypass_rise": 15.0,
    "side_ratio": 0.05,
    "slip": 0.015,
}


def learned(state: Learning, first: NDArray[np.void], ring: NDArray[np.void]) -> Watching:
    """The state after the `first` batches, dtype `BATCH`.

    `ring` holds them as the loop does, dtype `RING`.
    """
    setup, settings = state.setup, state.setup.settings
    given = _is_given(setup)
    kept = len(first) if given else before_a_step(first, settings)
    baseline = _baseline_of(setup, first[:kept])
    count = state.running.taken
    rows = newest(ring, count)[-len(first) :][:kept].copy()
    heads = known_mean(first["signals"][:kept, HEADS])
    pressure, rate = (
        float(np.exp(np.average(np.log(first[name][:kept]), weights=first["time"][:kept])))
        for name in ("pressure", "rate")
    )
    reference = state.reference._replace(
        area=baseline.area,
        discharge_coefficient=baseline.discharge_coefficient,
        pressure=pressure,
        rate=rate if setup.pressure_floats else np.nan,
        heads=heads,
    )
    start = changed(state, reference=reference)
    watching = _start_detectors(start, baseline, rows, first)
    # a given baseline is of an earlier log, so all of these may already be off it
    unjudged = first if given else first[kept:]
    return changed(watching, unjudged=unjudged if len(unjudged) else None)


def learned_anew(state: Watching, rows: NDArray[np.void], ring: NDArray[np.void]) -> Watching:
    """The `state` with its baseline learned anew, if that was noisier and smaller than `rows`.

    Pauses too short to be seen make an area look smaller, and by turns. Wear and chips leave the
    noise as it is. `rows` are the newest in `ring`, dtype `RING`.
    """
    was, settings = state.baseline.noise.sigma, state.setup.settings
    latest = LATEST_ANEW if state.setup.is_intensifier else EARLY
    if _is_given(state.setup) or state.watched_hours > latest:
        return state
    backwards = np.cumsum(rows["time"][::-1])
    wanted = ENOUGH_ANEW * settings.baseline_time
    rows = rows[-(int(np.searchsorted(backwards, wanted)) + 1) :]
    if backwards[-1] < wanted:
        return state
    if is_of_short_cuts(state) and _is_of_long_jets(state, rows):
        if before_a_step(rows, settings) < len(rows):
            return state
        # what its signals do is as true as it was
        anew = _anew(state, rows, ring)
        return changed(
            anew, stretches=state.stretches, stretch_days=state.stretch_days, earlier=state.earlier
        )
    if was < LEAST_UNSTEADY or _own_noise(state.first_rows, SURELY) < LEAST_UNSTEADY:
        return state
    now = robust_noise(rows["value"], rows["resolution"]).sigma
    grown = _grown(state, rows)
    if grown < settings.smallest_step or was < UNSTEADY * max(now, settings.noise_floor):
        return state
    if before_a_step(rows, settings) < len(rows):
        return state
    return _anew(state, rows, ring)


def is_of_short_cuts(state: Watching) -> bool:
    """Whether a counter's baseline is of short cuts, so that no count shows the pauses in it.

    They have made it up to 4 % too small then; what grows by more than the limit is the bore.
    """
    first = state.first_rows
    if _is_given(state.setup) or state.watched_hours > LATEST_ANEW or not first["timing"].any():
        return False
    return may_hide_pauses(state.setup, first) and _whole(first) < OF_SHORT_CUTS


def _is_of_long_jets(state: Watching, rows: NDArray[np.void]) -> bool:
    """Whether `rows` hold no pauses, and nothing that only a bore does to the area."""
    limit = float(np.log1p(state.setup.settings.limit))
    return _whole(rows) >= OF_LONG_JETS and abs(_grown(state, rows)) < limit


def _grown(state: Watching, rows: NDArray[np.void]) -> float:
    """How far the area of `rows` is beyond the baseline's, in log area."""
    return float(np.log(np.average(rows["area"], weights=rows["time"]) / state.reference.area))


def _whole(rows: NDArray[np.void]) -> float:
    """Share of batches of one run of strokes, which begins with the last one of the batch before.

    A run that ends within a batch adds the timing of two more of its ends.
    """
    return float(np.mean((rows["shared"] > 0.0) & (rows["timing"] < 3.0 * rows["shared"])))


def without_closed_jet(state: Watching, rows: NDArray[np.void], ring: NDArray[np.void]) -> Watching:
    """The `state` with its baseline learned from the newest of `rows`, once these are steady.

    The area became smaller and stays so since then, and what it was before may have been that of a
    closed jet. `rows` are the newest in `ring`, dtype `RING`.
    """
    settings = state.setup.settings
    backwards = np.cumsum(rows["time"][::-1])
    if _is_given(state.setup) or backwards[-1] < settings.baseline_time:
        return state
    rows = rows[-(int(np.searchsorted(backwards, settings.baseline_time)) + 1) :]
    return state if before_a_step(rows, settings) < len(rows) else _anew(state, rows, ring)


def _anew(state: Watching, rows: NDArray[np.void], ring: NDArray[np.void]) -> Watching:
    again = Learning(
        setup=state.setup,
        told=state.told,
        reason=state.reason,
        reference=state.reference,
        running=state.running,
        idle=state.idle,
    )
    return changed(learned(again, rows, ring), past=Past(left=state.past.left))


def is_unsteady(state: Learning) -> bool:
    """Whether the first batches differ by more than any jet does: then pauses are in most of them.

    So they may be where a log is so coarse that short pauses hide in it, if the area is too small
    to be that of the bore. After hours of that it is how the machine cuts, and has to do.
    """
    if _is_given(state.setup) or state.watched_hours > EARLY:
        return False
    first = np.array(list(state.first), dtype=BATCH)
    kept = first[: before_a_step(first, state.setup.settings)]
    # a line that holds looks larger while it is shut, by each stand as much as it likes
    holds = closed_jet_is_unlogged(state.setup, first) and bool(first["openings"][-1] > 0)
    shows_stands = holds and state.watched_hours < SETTLED
    if shows_stands and len(kept) < len(first):
        return True
    if may_hide_pauses(state.setup, first) and _may_end_pauses(first, len(kept)):
        return True
    areas, resolution = np.log(kept["area"]), kept["resolution"]
    is_coarse = bool(kept["interval"][-1] > COARSE)
    shows_pauses = not state.setup.pressure_floats and median(resolution) < MOST_APART
    if is_coarse or shows_stands or shows_pauses:
        most = MOST_APART if is_coarse else MOST_APART_OF_A_RATE
        is_unlike = scatter_between(areas, resolution) > most
    else:  # few whole counts: their lumps are no scatter
        is_unlike = robust_noise(areas, resolution).sigma > MOST_UNSTEADY
    if is_unlike or not is_coarse:
        return is_unlike
    baseline = _baseline_of(state.setup, kept)
    return baseline.discharge_coefficient < baseline.plausible_low


def _may_end_pauses(first: NDArray[np.void], kept: int) -> bool:
    """Whether the `first` batches of a counter are larger from a step on, with `kept` before it.

    A bore seldom opens up in its first minutes; pauses that are over look the same. It is one where
    the jet stays on for some batches before the step and after it.
    """
    if kept == len(first) or first["timing"][0] == 0.0:
        return False
    logs = np.log(first["area"])
    around = first[kept - FEWEST_FIRST : kept + FEWEST_FIRST]
    apart = float(np.max(around["start_ns"][1:] - around["end_ns"][:-1])) / 1e9
    is_larger = np.mean(logs[kept:]) > np.mean(logs[:kept])
    return bool(is_larger and apart > ONE_JET * around["interval"][0])


def may_be_a_shut_line(state: Learning) -> bool:
    """Whether the first batches show more than the bore can take, as a line does that is shut.

    After some hours of that, with nothing else seen, it is the jet's.
    """
    first = np.array(list(state.first), dtype=BATCH)
    if not closed_jet_is_unlogged(state.setup, first) or state.watched_hours > SETTLED:
        return False
    baseline = _baseline_of(state.setup, first[: before_a_step(first, state.setup.settings)])
    return not _is_given(state.setup) and (baseline.discharge_coefficient > baseline.plausible_high)


def _baseline_of(setup: Setup, first: NDArray[np.void]) -> Baseline:
    return learn_baseline(
        first["area"],
        first["time"],
        first["resolution"],
        list(setup.jewels),
        setup.settings.flow_uncertainty,
        setup.settings.noise_floor,
    )


def _is_given(setup: Setup) -> bool:
    """Whether the baseline is of an earlier log."""
    return all(jewel.discharge_coefficient is not None for jewel in setup.jewels)


def _what_does_not_fit(baseline: Baseline, setup: Setup) -> str:
    typical = stated_area(list(setup.jewels)) / stated_bores_area(list(setup.jewels))
    fits = nearest_stock_bore(baseline.area, typical)
    return (
        f"pump figures or bore do not fit: learned C_d {baseline.discharge_coefficient:.3f}, "
        f"expected {baseline.plausible_low:.2f} to {baseline.plausible_high:.2f}; the flow fits a "
        f"bore of about {quantity_text('bore', fits, us_extra=-1)}; check bore, plunger diameter, "
        "strokes per count, and whether the kind of pump is right; changes are watched against "
        "this level meanwhile"
    )


def _own_noise(rows: NDArray[np.void], below: float = 0.0) -> float:
    """Noise of a batch beside its timing, in log area, of at least two `rows`.

    It goes by differences of neighbours, which hardly feel one step; they hold the timing of three
    edges. Whole counts make them lumpy: then their median is no guide, and may be far above their
    mean square. `below` takes off so many standard errors of that, a relative sqrt(3 / n) where the
    noise is normal (von Neumann 1941, Ann. Math. Stat. 12, 367-395; value from memory).
    """
    time = rows["time"]
    apart = np.diff(np.log(rows["area"]))
    ends = rows["timing"] / time**2
    three = 0.5 * (ends[1:] + ends[:-1]) + rows["shared"][1:] / (time[1:] * time[:-1])
    jumps = min((median(np.abs(apart)) / MEDIAN_OF_JUMPS) ** 2, 0.5 * float(np.mean(apart**2)))
    jumps *= 1.0 - below * (3.0 / len(apart)) ** 0.5
    return float(max(jumps - float(np.mean(three)), 0.0) ** 0.5)


def before_a_step(first: NDArray[np.void], settings: WatchSettings) -> int:
    """How many of the `first` batches come before a step among them; all if there is none."""
    logs, time = np.log(first["area"]), first["time"]
    n = len(first)
    sigma = max(_own_noise(first), settings.noise_floor) ** 2

    h = threshold(FIRST_RUN_LENGTH, max(n - 1.0, FEWEST_FREEDOM))
    if n <= FEWEST_FIRST + 1:
        return n
    k = np.arange(FEWEST_FIRST, n - 1)  # batches before it
    span, squares, timing, shared, sums = (
        np.concatenate([[0.0], np.cumsum(values)])
        for values in (time, time**2, first["timing"], first["shared"], logs * time)
    )

    def variance(begin: Any, end: Any) -> Any:
        """Of the mean of the batches from `begin` to before `end`."""
        edges = timing[end] - timing[begin] - 2.0 * (shared[end] - shared[begin + 1])
        own = sigma * (squares[end] - squares[begin])
        return (own + edges) / (span[end] - span[begin]) ** 2

    rise = (sums[n] - sums[k]) / (span[n] - span[k]) - sums[k] / span[k]
    gain = 0.5 * rise**2 / (variance(0, k) + variance(k, n))
    gain[np.abs(rise) <= 0.5 * settings.smallest_step] = 0.0
    best = int(np.argmax(gain))
    kept = int(k[best]) if gain[best] > h else n
    # the batch before may hold the step itself
    return kept if kept == n else max(kept - 1, FEWEST_FIRST)


def _start_detectors(
    state: Learning, baseline: Baseline, rows: NDArray[np.void], first: NDArray[np.void]
) -> Watching:
    """Tune the detectors to the noise of the `baseline`, learned from `rows` of the `first`."""
    settings = state.setup.settings
    hypotheses = wanders_within(settings.level_uncertainty)
    habits = that_fit(state.setup.habits, baseline.noise, hypotheses)
    noise = pooled(baseline.noise, habits)
    batch_time = float(np.mean(first["time"]))
    # alarms of either sign share what false alarms are allowed
    run_length = float(f"{2.0 * settings.false_alarm_hours * 3600.0 / batch_time:.3g}")
    possible = possible_causes(state.setup.is_intensifier)
    one = float(np.hypot(noise.sigma, float(np.median(rows["resolution"]))))
    by_pressure, sd = pressure_prior(habits)
    if not np.any(first["timing"]):  # a rate
        sd = min(sd, PRESSURE_SD_OF_A_RATE)
    wear = _first_line(state, rows, one, as_known(hypotheses, habits), (by_pressure, sd))
    base = np.array([known_mean(rows["signals"][:, k]) for k in range(len(SIGNALS))])
    limit = np.array(
        [
            SIGNAL_LIMITS[name] + SPREADS * known_spread(rows["signals"][:, k])
            for k, name in enumerate(SIGNALS)
        ]
    )
    resting, reason = State.SOUND, "no change since this jewel was learned"
    if not baseline.is_plausible:
        resting, reason = State.NOT_STATED_BORE, _what_does_not_fit(baseline, state.setup)
    watching = Watching(
        setup=state.setup,
        told=resting,
        reason=reason,
        resting=resting,
        resting_reason=reason,
        reference=state.reference,
        idle=state.idle,
        detector=Detector(
            timing=float(np.median(first["timing"] / first["time"] ** 2)),
            smallest=float(np.log1p(settings.smallest_step)),
            hazard=batch_time / 3600.0 / settings.jewel_life_hours,
            share=PRIOR[Cause.BORE] / sum(PRIOR[cause] for cause in possible),
            since=state.running.taken,
            jumps=JUMPED_BEFORE if habits is not None and habits.jumps else 0,
        ),
        running=state.running,
        signals=Signals(base, base, limit),
        baseline=baseline,
        first_rows=rows,
        signal_limit=limit,
        usual_idle=usual_idle(state.idle[BatchKind.DEAD_HEAD], baseline.area),
        run_length=run_length,
        noise=noise,
        wear=wear,
        earlier=_earlier_scatter(habits),
    )
    return with_noise(with_line(watching), noise)


def _earlier_scatter(habits: Habits | None) -> Scatter:
    """What the signals did with the jewels before; nothing of a version that kept others."""
    if habits is None or len(habits.scatter) != len(SIGNALS):
        return NO_SCATTER
    return Scatter(np.array(habits.scatter), np.array(habits.scattered))


def _first_line(
    state: Learning,
    rows: NDArray[np.void],
    one: float,
    wanders: NDArray[np.float64],
    pressure: tuple[float, float],
) -> Drift:
    """The wear line as the baseline leaves it, with the noise `one` of a batch."""
    settings = state.setup.settings
    given = _is_given(state.setup)
    wear = Drift(
        one / DRIFT_BLOCK**0.5,
        settings.level_uncertainty if given else LEVEL_SD,
        slope_sd=SLOPE_SD,
        wanders=wanders,
        beyond=float(np.log1p(BEYOND * settings.wear_notice)),
    )
    wear.expect_pressure(*pressure)
    if not given:  # the machine may have wandered off its level just then
        clock = float(np.mean(rows["start_ns"] / NS_PER_H))
        wear.update(0.5 * state.watched_hours, 0.0, clock=clock)
    return wear


def usual_idle(idle: Idle, area: float) -> float:
    """Dead-headed flow of a sound machine, of the working flow; 0 while nothing is known."""
    usual = known_mean(np.array([batch.area / area for batch in idle.first]))
    return usual if np.isfinite(usual) else 0.0


def with_line(state: Watching) -> Watching:
    """The `state` with the loop expecting what the wear line does."""
    line, wander = state.wear.line, state.wear.wander
    least = LEAST_LEVEL_SD * state.setup.settings.level_uncertainty
    expected = state.expected._replace(
        level=line.level,
        slope=line.slope,
        level_sd=max(float(wander.near_var**0.5), least),
        by_pressure=line.by_pressure,
        level_with_pressure=line.level_with_pressure
        + state.watched_hours * line.slope_with_pressure,
        by_pressure_var=line.by_pressure_var,
        clock=wander.clock,
        wander=wander.value,
        rate=wander.rate,
        far_sd=max(float(wander.far_var**0.5), least),
        cosine=wander.cosine,
        sine=wander.sine,
    )
    return changed(state, expected=expected)


def with_noise(state: Watching, noise: Noise) -> Watching:
    """The `state` with the detector set for this `noise`."""
    freedom = min(max(noise.effective_count - 1.0, FEWEST_FREEDOM), MAX_DEGREES_OF_FREEDOM)
    h = threshold(state.run_length, float(round(freedom)))
    return changed(state, noise=noise, detector=state.detector._replace(sigma=noise.sigma, h=h))

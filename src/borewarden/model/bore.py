"""Watches the bore of one fitted jewel, batch by batch: baseline, then step, drift and cause.

The loop over batches is compiled and stops at whatever needs thought: a baseline to be learned, a
threshold crossed, a value for the drift line, a signal that left its place. Those are rare.
"""

from __future__ import annotations

import copy
from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from borewarden.detect.baseline import Baseline, learn_baseline, robust_noise
from borewarden.detect.step import RING, WINDOW, Step, clip, locate_step, newest, threshold, weigh
from borewarden.detect.wear import Drift, hours_to
from borewarden.diagnose.causes import PRIOR, Belief, Cause, possible_causes
from borewarden.diagnose.checks import cheapest_check
from borewarden.diagnose.feature_table import FeatureShift
from borewarden.diagnose.posterior import posterior
from borewarden.diagnose.signatures import Circumstances
from borewarden.gate.batch import HEADS, SIGNALS
from borewarden.gate.batch import BatchKind as Kind
from borewarden.jewels.jewel import Jewel, nearest_stock_bore, stated_area, stated_bores_area
from borewarden.model.event import (
    SIGNAL_OF,
    SLUGGISH,
    Event,
    Idle,
    falls_in_a_stop,
    idle_batch,
    known_mean,
    known_spread,
    onset_of,
    shift_of,
    timing_sd,
    warmed,
)
from borewarden.physics import compiled
from borewarden.physics.orifice import bore_of_area
from borewarden.physics.pump import (
    Displacement,
    Intensifier,
    Pump,
    event_rate,
    overstroke_margin,
)
from borewarden.watcher.verdict import STATES, State, Verdict

STEP_SIZES = (0.03, 0.05, 0.08, 0.12, 0.20, 0.35)  # relative area, equally likely beforehand
RECENT = 12  # batches in "now"
DRIFT_BLOCK = 20  # batches in one value of the drift line, and after an alarm to look at closely
BEFORE = 60  # batches before an event to compare with
MAX_DEGREES_OF_FREEDOM = 50.0  # some tail heavier than normal, however much was seen
CLOSE_LOOK = 8  # batches after an alarm that are each weighed; later only each so many
SLOW_LOOK = 80  # the same for what goes slowly
HEAR_SIGNALS = 3  # batches after an alarm that further signals get to have their say
HEATED = 0.5  # share of a leak's heat to wait for
UNSETTLED = 0.45  # relative uncertainty of a step that has not settled yet
FEWEST_FIRST = 6  # batches that a baseline needs, if a step is found among the first
FORGET = 0.15  # weight of the newest batch in the running mean of a signal

# How far a signal may leave its baseline by itself, without any change of area, before it is a
# matter: invented by this project.
SIGNAL_LIMITS = dict.fromkeys(SIGNALS, np.inf) | {
    "load_ratio": 0.025,
    "weep_rise": 15.0,
    "valve_rise": 10.0,
    "bypass_rise": 15.0,
    "side_ratio": 0.05,
    "slip": 0.015,
}
SURE_AT_ONCE = 0.95
LEAST_TO_BLAME = 0.6  # probability at which the bore is called opened up
SURE_TO_UNSAY = 0.9  # that it is the bore after all, once another cause was as sure
BACK_AFTER_STOP = 0.05  # off the baseline, in log area: perhaps another jewel of the same bore
IDLE_LIMIT = 0.03  # dead-headed flow, of the working flow
LOW_LIMIT = 0.1  # growth of effective area at low pressure, beyond what a batch may be off by


@dataclass(frozen=True)
class WatchSettings:
    """Thresholds of the verdict. All defaults are invented by this project and meant to be tuned.

    `smallest_step` is the least relative area step of interest, `limit` the relative growth at
    which a bore counts as opened up, `wear_notice` the growth at which wear is reported,
    `false_alarm_hours` the wanted mean jet time between false alarms, `jewel_life_hours` the
    prior mean jet time to an opened bore, `flow_uncertainty` the relative standard uncertainty of
    the pump's delivery figures, `level_uncertainty` what the model may be off over hours,
    `noise_floor` the least noise of one batch to believe, `baseline_time` steady seconds to learn.
    """

    smallest_step: float = 0.04
    limit: float = 0.08
    wear_notice: float = 0.02
    false_alarm_hours: float = 1000.0
    jewel_life_hours: float = 50.0
    flow_uncertainty: float = 0.03
    level_uncertainty: float = 0.005
    noise_floor: float = 0.003
    baseline_time: float = 600.0


# One steady batch and what was made of it: a row of the derived series. SI, NaN where unknown.
RESULT = np.dtype(
    [
        ("start_ns", np.int64),
        ("end_ns", np.int64),
        ("jet_hours", np.float64),  # of the jewel
        ("pressure", np.float64),
        ("temperature", np.float64),
        ("rate", np.float64),
        ("rate_expected", np.float64),
        ("area", np.float64),
        ("bore", np.float64),
        ("bore_sd", np.float64),
        ("log_ratio", np.float64),
        ("line", np.float64),  # what the drift line expected of log_ratio
        ("statistic", np.float64),
        ("threshold", np.float64),
        ("probability", np.float64),  # that the bore has opened up
        ("state", np.int8),  # index in STATES
    ]
)

NO_RESULTS = np.zeros(0, dtype=RESULT)

_WATCH = np.dtype(
    [
        ("learned", np.bool_),
        ("plausible", np.bool_),
        ("following", np.bool_),  # looking closely at a step just found
        ("state", np.int8),
        ("earlier_hours", np.float64),
        ("area", np.float64),  # of the baseline, m²
        ("stated_area", np.float64),
        ("discharge_coefficient", np.float64),
        ("heads", np.float64),  # commanded on while the baseline was learned
        ("sigma", np.float64),
        ("level", np.float64),  # of the drift line
        ("slope", np.float64),
        ("level_sd", np.float64),
        ("offset", np.float64),  # steps since the baseline, in log area
        ("smallest", np.float64),
        ("h", np.float64),
        ("hazard", np.float64),  # of a step, per batch
        ("share", np.float64),  # of steps up that are the bore's
        ("standing", np.float64),  # probability that the bore has opened up by what was found
        ("count", np.int64),  # batches ever put into the ring
        ("since", np.int64),  # of them those from before the detector last started anew
        ("up", np.float64),
        ("down", np.float64),
        ("probability", np.float64),
        ("block_count", np.int64),
        ("block_time", np.float64),
        ("block_hours", np.float64),
        ("block_ratio", np.float64),
        ("signal", np.float64, (len(SIGNALS),)),  # running means
        ("signal_base", np.float64, (len(SIGNALS),)),
        ("signal_limit", np.float64, (len(SIGNALS),)),
    ]
)

# What stops the loop.
NOTHING, LEARN, OTHER_KIND, UP, DOWN, FOLLOW, BLOCK, SIGNAL = range(8)


@compiled
def _put(row: Any, batch: Any, value: float, clipped: float) -> None:
    row.start_ns = batch.start_ns
    row.end_ns = batch.end_ns
    row.value = value
    row.clipped = clipped
    row.time = batch.time
    row.timing = batch.timing
    row.shared = batch.shared
    row.area = batch.area
    row.rate = batch.rate
    row.pressure = batch.pressure
    row.temperature = batch.temperature
    row.resolution = batch.resolution
    row.stops = batch.stops
    row.signals[:] = batch.signals


@compiled
def judge(
    batches: Any,
    first: int,
    watch: Any,
    ring: Any,
    sizes: NDArray[np.float64],
    displacement: Displacement,
    results: Any,
    made: int,
) -> Any:
    """Take `batches` from `first` on until something needs thought.

    Writes a row of `results` for each steady batch, from row `made` on. Returns the index after
    the last batch taken, the number of rows made so far, and what stopped the loop.
    """
    w = watch[0]
    for i in range(first, len(batches)):
        b = batches[i]
        if b.kind != 0:
            return i + 1, made, OTHER_KIND
        hours = w.earlier_hours + b.jet_seconds / 3600.0
        event = NOTHING
        log_ratio = np.nan
        line = np.nan
        if not w.learned:
            event = LEARN
            clipped = value = 0.0
        else:
            log_ratio = np.log(b.area / w.area)
            line = w.offset + w.level + w.slope * (hours - w.earlier_hours)
            value = log_ratio - line
            clipped = value
        # a planned change of the number of heads is none of the jewel's
        heads = b.signals[HEADS]
        as_learned = not (abs(heads - w.heads) > 0.25)
        if w.learned and w.plausible and as_learned:
            own = w.sigma * w.sigma + b.timing / (b.time * b.time)
            clipped = clip(value, own, w.level_sd, w.h)
        if as_learned:
            _put(ring[w.count % len(ring)], b, value, clipped)
            w.count += 1
        if w.learned and w.plausible and as_learned:
            if w.following:
                event = FOLLOW
            else:
                up, down, odds = weigh(
                    ring, w.count, w.sigma, w.level_sd, w.smallest, sizes, w.count - w.since
                )
                w.up = up
                w.down = down
                odds *= w.hazard
                new = w.share * odds / (1.0 + odds)
                w.probability = 1.0 - (1.0 - w.standing) * (1.0 - new)
                w.block_count += 1
                w.block_time += b.time
                w.block_hours += b.time * (hours - w.earlier_hours)
                w.block_ratio += b.time * (log_ratio - w.offset)
                for k in range(len(w.signal)):
                    if np.isfinite(b.signals[k]) and np.isfinite(w.signal[k]):
                        w.signal[k] += FORGET * (b.signals[k] - w.signal[k])
                        if abs(w.signal[k] - w.signal_base[k]) > w.signal_limit[k]:
                            event = SIGNAL
                if w.up >= w.h:
                    event = UP
                elif w.down >= w.h:
                    event = DOWN
                elif w.block_count >= DRIFT_BLOCK:
                    event = BLOCK
        r = results[made]
        made += 1
        r.start_ns = b.start_ns
        r.end_ns = b.end_ns
        r.jet_hours = hours
        r.pressure = b.pressure
        r.temperature = b.temperature
        r.rate = b.rate
        r.rate_expected = event_rate(displacement, w.area, b.pressure, b.temperature)
        r.area = b.area
        r.bore = bore_of_area(b.area / w.discharge_coefficient)
        r.bore_sd = 0.5 * r.bore * np.sqrt(w.sigma * w.sigma + b.resolution * b.resolution)
        r.log_ratio = log_ratio
        r.line = line
        r.statistic = w.up if w.learned else np.nan
        r.threshold = w.h if w.learned else np.nan
        r.probability = w.probability if w.learned else np.nan
        r.state = w.state
        if event != NOTHING:
            return i + 1, made, event
    return len(batches), made, NOTHING


class BoreWatch:
    """One jewel (or the jewels of several heads on one pump), from fitting to removal."""

    def __init__(self, pump: Pump, jewels: list[Jewel], settings: WatchSettings) -> None:
        self.pump = pump
        self.jewels = jewels
        self.settings = settings
        self.state = State.LEARNING
        self.reason = "no steady jet seen yet"
        self.baseline: Baseline | None = None
        self._first: list[NDArray[np.void]] = []
        self._first_rows = np.zeros(0, dtype=RING)
        self._event: Event | None = None
        self._opened = False  # by an earlier event than the present one
        self._had_event = False
        self._other_sure = False  # a cause other than the bore was, since the last all-clear
        self._earlier = 0.0  # probability that the bore had opened up before the present event
        self._idle = {kind: Idle([], deque(maxlen=BEFORE)) for kind in Kind}
        self._sizes = np.log1p(np.array(STEP_SIZES))
        self._ring = np.zeros(WINDOW, dtype=RING)
        self._watch = np.zeros(1, dtype=_WATCH)
        self._hours = max(jewel.jet_hours for jewel in jewels)
        self._last_ns = 0
        w = self._watch[0]
        w["earlier_hours"] = self._hours
        w["area"] = stated_area(jewels)
        w["discharge_coefficient"] = stated_area(jewels) / stated_bores_area(jewels)
        w["heads"] = np.nan
        w["state"] = STATES.index(self.state)

    @property
    def nominal_bore(self) -> float:
        """The stated bore, m; of several heads, the one bore of the same area."""
        return float(bore_of_area(stated_bores_area(self.jewels)))

    def _rows(self) -> NDArray[np.void]:
        """The batches since the detector last started anew, as far as the ring goes back."""
        w = self._watch[0]
        return newest(self._ring, int(w["count"]), int(w["count"] - w["since"]))

    @property
    def _watched_hours(self) -> float:
        """Jet hours since the watch began: where the drift line is anchored."""
        return float(self._hours - self._watch[0]["earlier_hours"])

    def learn_many(self, batches: NDArray[np.void]) -> tuple[NDArray[np.void], list[Verdict]]:
        """Take batches of the gate, dtype `BATCH`: a row of dtype `RESULT` for each steady one.

        Also returns the verdict at each change of state.
        """
        if len(batches) == 0:  # most calls, where samples come one by one
            return NO_RESULTS, []
        results = np.zeros(len(batches), dtype=RESULT)
        changes: list[Verdict] = []
        made = self._take(batches, results, changes)
        return np.array(results[:made]), changes

    def _take(self, batches: Any, results: Any, changes: list[Verdict]) -> int:
        taken, made, event = 0, 0, NOTHING
        w = self._watch[0]
        while taken < len(batches):
            before = self.state
            taken, made, event = judge(
                batches,
                taken,
                self._watch,
                self._ring,
                self._sizes,
                self.pump.displacement,
                results,
                made,
            )
            if made:
                self._hours = results[made - 1]["jet_hours"]
                self._last_ns = results[made - 1]["end_ns"]
            if event == NOTHING:
                break
            again = self._think(event, batches[taken - 1])
            w["state"] = STATES.index(self.state)
            if made and event != OTHER_KIND:
                results[made - 1]["state"] = w["state"]
                results[made - 1]["probability"] = w["probability"] if w["learned"] else np.nan
            if self.state is not before:
                changes.append(self.verdict())
            if again is not None:  # the first batches held more than a baseline
                spare = np.zeros(len(again), dtype=RESULT)
                self._take(again, spare, changes)
        return made

    def _think(self, event: int, batch: np.void) -> NDArray[np.void] | None:
        self._last_ns = int(batch["end_ns"])
        if event == LEARN:
            return self._learn(batch)
        if event == OTHER_KIND:
            self._other_kind(batch)
        elif event == FOLLOW:
            self._follow_up()
        elif event in (UP, DOWN):
            self._step_found(+1.0 if event == UP else -1.0)
        elif event == BLOCK:
            self._block_full()
        elif event == SIGNAL:
            self._signal_off()
        return None

    # -- learning

    def _learn(self, batch: np.void) -> NDArray[np.void] | None:
        """Collect the first batches; once there are enough, those that come after the baseline."""
        self._first.append(np.array(batch))
        self.reason = "learning the discharge coefficient of the fitted jewel"
        if sum(float(b["time"]) for b in self._first) < self.settings.baseline_time:
            return None
        s, w = self.settings, self._watch[0]
        first = np.array(self._first)
        self._first = []
        given = all(jewel.discharge_coefficient is not None for jewel in self.jewels)
        kept = len(first) if given else self._before_a_step(first)
        self.baseline = learn_baseline(
            first["area"][:kept],
            first["time"][:kept],
            first["resolution"][:kept],
            self.jewels,
            s.flow_uncertainty,
            s.noise_floor,
        )
        self._first_rows = newest(self._ring, int(w["count"]))[-len(first) :][:kept].copy()
        w["since"] = w["count"]
        w["learned"] = True
        w["plausible"] = self.baseline.is_plausible
        w["area"] = self.baseline.area
        w["heads"] = known_mean(first["signals"][:kept, HEADS])
        if not self.baseline.is_plausible:
            typical = stated_area(self.jewels) / stated_bores_area(self.jewels)
            fits = nearest_stock_bore(self.baseline.area, typical)
            self.state = State.NOT_STATED_BORE
            self.reason = (
                f"C_d {self.baseline.discharge_coefficient:.3f} learned, "
                f"{self.baseline.plausible_low:.2f} to {self.baseline.plausible_high:.2f} expected "
                f"of the stated bore and material; the flow fits a bore of about "
                f"{fits * 1e3:.3f} mm ({fits / 0.0254:.3f} in)"
            )
            return None
        w["discharge_coefficient"] = self.baseline.discharge_coefficient
        self.state, self.reason = State.SOUND, "within the noise of the baseline"
        self._start_detectors(float(np.mean(first["time"])))
        if given:  # the baseline is of an earlier log, so these may already be off it
            return first
        return first[kept:] if kept < len(first) else None

    def _before_a_step(self, first: NDArray[np.void]) -> int:
        """How many of the first batches come before a step among them; all if there is none."""
        logs, time = np.log(first["area"]), first["time"]
        n = len(first)
        # differences of neighbours hardly feel one step; they hold the timing of three edges
        jumps = (float(np.median(np.abs(np.diff(logs)))) / 0.954) ** 2
        sigma = max(jumps - float(np.mean(first["resolution"] ** 2)), self.settings.noise_floor**2)

        def variance(part: NDArray[np.void]) -> float:
            edges = np.sum(part["timing"]) - 2.0 * np.sum(part["shared"][1:])
            own = sigma * np.sum(part["time"] ** 2)
            return float((own + edges) / np.sum(part["time"]) ** 2)

        h = threshold(1e4, max(n - 1.0, 3.0))
        best, kept = 0.0, n
        for k in range(FEWEST_FIRST, n - 1):
            rise = np.average(logs[k:], weights=time[k:]) - np.average(logs[:k], weights=time[:k])
            gain = 0.5 * rise**2 / (variance(first[:k]) + variance(first[k:]))
            if gain > max(best, h) and abs(rise) > 0.5 * self.settings.smallest_step:
                best, kept = float(gain), k
        # the batch before may hold the step itself
        return kept if kept == n else max(kept - 1, FEWEST_FIRST)

    def _start_detectors(self, batch_time: float) -> None:
        """Tune the detectors to the baseline's noise."""
        assert self.baseline is not None
        s, w = self.settings, self._watch[0]
        self._noise = self.baseline.noise
        # alarms of either sign share what false alarms are allowed
        self._run_length = float(f"{2.0 * s.false_alarm_hours * 3600.0 / batch_time:.3g}")
        w["smallest"] = float(np.log1p(s.smallest_step))
        w["hazard"] = batch_time / 3600.0 / s.jewel_life_hours
        possible = possible_causes(isinstance(self.pump, Intensifier))
        w["share"] = PRIOR[Cause.BORE] / sum(PRIOR[cause] for cause in possible)
        resolution = float(np.median(self._first_rows["resolution"]))
        one = float(np.hypot(self._noise.sigma, resolution))
        level_sd = float(np.hypot(one / len(self._first_rows) ** 0.5, s.level_uncertainty))
        self._drift = Drift(float(np.hypot(one / DRIFT_BLOCK**0.5, s.noise_floor)), level_sd)
        self._take_line()
        self._take_noise()
        signals = self._first_rows["signals"]
        for k in range(len(SIGNALS)):
            w["signal"][k] = w["signal_base"][k] = known_mean(signals[:, k])
        self._signal_limit = np.array(
            [
                SIGNAL_LIMITS[name] + 3.0 * known_spread(signals[:, k])
                for k, name in enumerate(SIGNALS)
            ]
        )
        w["signal_limit"] = self._signal_limit

    def _take_line(self) -> None:
        w, line = self._watch[0], self._drift.line
        w["level"], w["slope"] = line.level, line.slope
        w["level_sd"] = float(
            np.hypot(line.at(self._watched_hours)[1], self.settings.level_uncertainty)
        )

    def _take_noise(self) -> None:
        freedom = min(max(self._noise.effective_count - 1.0, 3.0), MAX_DEGREES_OF_FREEDOM)
        w = self._watch[0]
        w["sigma"] = self._noise.sigma
        w["h"] = threshold(self._run_length, float(round(freedom)))

    # -- steps

    def _step_found(self, sign: float) -> None:
        """A detector has crossed: say since when, how far, and what that looks like."""
        w = self._watch[0]
        rows = self._rows()
        step = locate_step(rows, float(w["sigma"]), sign)
        total = float(w["offset"]) + step.size
        at_stop = falls_in_a_stop(rows, step.first)
        if self._event is not None and self._is_as_before(total + self._gone_slowly(), at_stop):
            return
        if (
            self._event is not None
            and 0.0 < total * self._event.sign < w["offset"] * self._event.sign
        ):
            # going back, wholly or in part: the same event, not another one
            self._event.returning = sign
            self._event.batches = 0
            w["following"] = True
            self._clear_block()
            return
        self._before_step = (
            (self._event, self.state, self.reason),
            (self._opened, self._earlier, float(w["standing"])),
        )
        self._opened = self._opened or self.state is State.OPENED
        if self._opened:
            self._earlier = max(self._earlier, float(w["standing"]))
        if self._event is None:
            self._sound_drift = copy.deepcopy(self._drift)
        before = rows[max(step.first - 1 - BEFORE, 0) : max(step.first - 1, 0)]
        if self._had_event:  # what comes and goes would else be compared with itself
            before = self._first_rows
        self._had_event = True
        self._event = Event(
            sign,
            step,
            onset_of(rows, step),
            (before if len(before) >= FEWEST_FIRST else self._first_rows).copy(),
            rows[step.first :].copy(),
            at_stop,
            int(self._last_ns),
        )
        w["following"] = True
        self._clear_block()
        self._weigh_causes()

    def _follow_up(self) -> None:
        """After an alarm: sharpen the onset for a while, and see whether it all went back."""
        event, w = self._event, self._watch[0]
        assert event is not None
        event.batches += 1
        rows = self._rows()
        if event.returning != 0.0:
            if event.batches >= RECENT:
                self._returned(event, rows)
            return
        recent = float(np.mean(rows["value"][-RECENT:]))
        event.step = locate_step(rows, float(w["sigma"]), event.sign)
        left = min(abs(recent), event.sign * event.step.size)
        if event.batches >= RECENT and left < 0.25 * w["smallest"]:
            self._withdraw()
            return
        event.onset_ns = onset_of(rows, event.step)
        # a stop that came after the alarm is no beginning of it
        known = int(rows["start_ns"][event.step.first]) <= event.found_ns
        event.at_stop = known and falls_in_a_stop(rows, event.step.first)
        event.after = rows[event.step.first :].copy()
        if event.batches <= CLOSE_LOOK or event.batches % CLOSE_LOOK == 0:
            self._weigh_causes()
        if event.batches >= DRIFT_BLOCK:  # from here on watch from the new level
            total = float(w["offset"]) + event.step.size
            if w["offset"] != 0.0 and abs(total) < 0.5 * w["smallest"]:
                self._all_clear(0.0, False)
                return
            w["offset"] += event.step.size
            w["since"] = w["count"]
            w["following"] = False

    def _withdraw(self) -> None:
        """The step has come to nothing: all is as it was before it."""
        w = self._watch[0]
        (earlier, state, reason), (opened, probability, standing) = self._before_step
        if earlier is None:
            self._all_clear(float(w["offset"]), False)
            return
        self._event, self.state, self.reason = earlier, state, reason
        self._opened, self._earlier = opened, probability
        w["standing"] = w["probability"] = standing
        w["since"] = w["count"]
        w["following"] = False
        w["up"] = w["down"] = 0.0
        self._clear_block()

    def _gone_slowly(self) -> float:
        """How far the drift line has gone with a slow event, in log area; 0 without one."""
        if self._event is None or self._event.step is not None:
            return 0.0
        now = self._watched_hours
        return self._drift.line.at(now)[0] - self._sound_drift.line.at(now)[0]

    def _returned(self, event: Event, rows: NDArray[np.void]) -> None:
        """How far an event has gone back; the watch goes on from there."""
        w = self._watch[0]
        step = locate_step(rows, float(w["sigma"]), event.returning)
        total, at_stop = float(w["offset"]) + step.size, falls_in_a_stop(rows, step.first)
        event.returning = 0.0
        if self._is_as_before(total, at_stop):
            return
        w["offset"] = total
        w["since"] = w["count"]
        w["following"] = False

    def _is_as_before(self, total: float, at_stop: bool) -> bool:
        """Give the all-clear if the level, `total` off the baseline, is all but back at it."""
        if abs(total) >= (BACK_AFTER_STOP if at_stop else 0.5 * self._watch[0]["smallest"]):
            return False
        self._all_clear(total if at_stop else 0.0, at_stop)
        return True

    def _all_clear(self, offset: float, at_stop: bool) -> None:
        w = self._watch[0]
        self.state = State.SOUND
        self.reason = "the effective area is back at its baseline"
        if at_stop:
            self.reason = (
                "the effective area is near its baseline again after a stop; if a jewel was "
                "changed then, record it, so that a new baseline is learned"
            )
        self._event = None
        self._opened = self._other_sure = False
        self._drift = self._sound_drift  # what it learned of the fault is not the jewel's
        self._take_line()
        w["offset"] = offset
        w["since"] = w["count"]
        w["following"] = False
        w["up"] = w["down"] = w["probability"] = w["standing"] = 0.0
        self._earlier = 0.0
        self._clear_block()

    def _clear_block(self) -> None:
        w = self._watch[0]
        w["block_count"] = 0
        w["block_time"] = w["block_hours"] = w["block_ratio"] = 0.0

    # -- what is slow

    def _block_full(self) -> None:
        """A value for the drift line; and the noise as it is by now."""
        w = self._watch[0]
        hours, ratio = w["block_hours"] / w["block_time"], w["block_ratio"] / w["block_time"]
        self._clear_block()
        self._drift.update(float(hours), float(ratio))
        self._take_line()
        rows = self._rows()
        if len(rows) >= WINDOW // 2 and max(w["up"], w["down"]) < 0.3 * w["h"]:
            self._refresh_noise(rows)
        self._judge_drift(rows)

    def _refresh_noise(self, rows: NDArray[np.void]) -> None:
        """Follow the noise, never the level, and within bounds: no fault is learned as normal."""
        assert self.baseline is not None
        found = robust_noise(rows["value"], rows["resolution"])
        floor, old = self.settings.noise_floor, self._noise
        variance = 0.8 * old.sigma**2 + 0.2 * max(found.sigma, floor) ** 2
        least, most = max(0.5 * self.baseline.noise.sigma, floor), 2.0 * self.baseline.noise.sigma
        self._noise = old._replace(
            sigma=float(np.clip(variance**0.5, least, most)),
            effective_count=min(
                old.effective_count + 0.2 * found.effective_count, MAX_DEGREES_OF_FREEDOM
            ),
        )
        self._take_noise()

    def _judge_drift(self, rows: NDArray[np.void]) -> None:
        s, w, line = self.settings, self._watch[0], self._drift.line
        drifted, sd = line.at(self._watched_hours)
        level = drifted + float(w["offset"])
        if self._event is not None and self._event.step is None and self._is_back(drifted):
            self._all_clear(0.0, False)
            w["signal_limit"] = self._signal_limit
            return
        if abs(line.slope) < 3.0 * line.slope_sd:
            return
        sure = abs(drifted) - 2.0 * float(np.hypot(sd, s.level_uncertainty))
        if sure <= 0.0 or abs(drifted) <= np.log1p(s.wear_notice):
            return
        if self._event is None:
            self._begin_slow(float(np.sign(drifted)), rows)
        elif self._event.step is not None:
            if self.state is State.OTHER_FAULT and drifted * self._event.sign > 0.0:
                return  # whatever goes on growing is that fault's
            if drifted > 0.0 and level >= np.log1p(s.limit) and self.state is not State.OPENED:
                self._opened = True
                self.state = State.OPENED
                self.reason = _worn(level)
            return
        event = self._event
        assert event is not None
        event.batches += DRIFT_BLOCK
        worn_out = self.state is State.WEARING and level >= np.log1p(s.limit)
        if worn_out or event.batches <= SLOW_LOOK or event.batches % SLOW_LOOK == 0:
            event.after = rows[-RECENT * 2 :].copy()
            self._weigh_causes()

    def _begin_slow(self, sign: float, rows: NDArray[np.void], since_ns: int = 0) -> None:
        """Open an event that is no step: drift, or a signal by itself."""
        self._sound_drift = self._drift.before_a_bend()
        self._event = Event(
            sign, None, since_ns, self._first_rows, rows[-RECENT // 2 :].copy(), False
        )

    def _is_back(self, drifted: float) -> bool:
        """Whether what had gone slowly is as it was: area, signals and dead-headed flow."""
        w = self._watch[0]
        off = np.abs(w["signal"] - w["signal_base"]) > 0.5 * self._signal_limit
        idle = [b.area / w["area"] for b in list(self._idle[Kind.DEAD_HEAD].recent)[-2:]]
        leaks = bool(idle) and max(idle) > self._usual_idle() + 0.5 * IDLE_LIMIT
        return abs(drifted) < 0.5 * self.settings.wear_notice and not np.any(off) and not leaks

    def _usual_idle(self) -> float:
        """Dead-headed flow while the baseline was learned, of the working flow."""
        area = float(self._watch[0]["area"])
        usual = known_mean(np.array([b.area / area for b in self._idle[Kind.DEAD_HEAD].first]))
        return usual if np.isfinite(usual) else 0.0

    def _signal_off(self) -> None:
        """A signal left its place while the area tells nothing (yet)."""
        w = self._watch[0]
        rows = self._rows()
        off = np.abs(w["signal"] - w["signal_base"]) > w["signal_limit"]
        w["signal_limit"][off] = np.inf  # told once
        if self._event is None:
            self._begin_slow(0.0, rows)
        elif self._event.step is None:
            self._event.after = rows[-RECENT // 2 :].copy()
        else:
            return
        self._weigh_causes()

    def _other_kind(self, batch: np.void) -> None:
        """Low-pressure jet, dead-heading or a stop: each bears on the cause."""
        kind, w = Kind(int(batch["kind"])), self._watch[0]
        kept = idle_batch(batch)
        idle = self._idle[kind]
        if not w["learned"] and len(idle.first) < BEFORE:
            idle.first.append(kept)
        idle.recent.append(kept)
        if not (w["learned"] and w["plausible"]):
            return
        if kind is Kind.LOW and abs(batch["signals"][HEADS] - w["heads"]) > 0.25:
            idle.recent.pop()  # a planned change of the number of heads is none of the jewel's
            return
        watching = w["count"] > w["since"]
        if self._event is not None:
            self._event.idle_batches += 1
            n = self._event.idle_batches
            if n <= CLOSE_LOOK or n % CLOSE_LOOK == 0:
                self._weigh_causes()
        elif kind is Kind.DEAD_HEAD and watching:
            # two in a row, and unlike what it was when the jewel was new
            # beyond what a stroke that only ended here can make of it
            two = list(idle.recent)[-2:]
            flow = sum(b.area for b in two) / 2.0
            sd = timing_sd(two, max(b.resolution for b in idle.recent))
            if len(two) == 2 and (flow - 3.0 * sd) / w["area"] > self._usual_idle() + IDLE_LIMIT:
                self._begin_slow(0.0, self._rows(), idle.recent[-2].start_ns - 1)
                self._weigh_causes()
        elif kind is Kind.LOW and watching:
            # so large an area that the pressure can't be held any more
            last_two = list(idle.recent)[-2:]
            newest_two = [float(np.log(b.area / w["area"])) for b in last_two]
            sure = [v - 4.0 * b.resolution for v, b in zip(newest_two, last_two, strict=True)]
            if len(sure) == 2 and min(sure) > np.log1p(LOW_LIMIT):
                rows = self._rows()
                self._begin_slow(1.0, rows, last_two[0].start_ns - 1)
                assert self._event is not None
                self._event.at_stop = bool(last_two[0].stops != rows[-1]["stops"])
                self._event.low = Step(0, float(np.mean(newest_two)), 0.02)
                self._weigh_causes()

    # -- causes

    def _circumstances(self, event: Event, heated: float) -> Circumstances:
        low = [b.pressure for b in self._idle[Kind.LOW].recent]
        working = known_mean(self._first_rows["pressure"]) if len(self._first_rows) else np.nan
        ratio = known_mean(np.array(low)) / working if low else np.nan
        return Circumstances(
            is_intensifier=isinstance(self.pump, Intensifier),
            at_stop=event.at_stop,
            pierce_ratio=ratio if np.isfinite(ratio) else 0.5,
            bore=self.nominal_bore,
            heated=heated,
        )

    def _weigh_causes(self) -> None:
        """Weigh the causes of the present event anew, and draw the state from them."""
        event, w = self._event, self._watch[0]
        assert event is not None
        step = event.step or event.low or Step(0, *self._drift.line.at(self._watched_hours))
        hot, heated = warmed(event, self._idle)
        shift = shift_of(
            event,
            step,
            self._idle,
            hot,
            float(w["area"]),
            known_mean(self._first_rows["pressure"]),
            self._follows_the_set_pressure(event.after),
        )
        event.shift, event.circumstances = shift, self._circumstances(event, heated)
        event.causes = posterior(shift, event.circumstances)
        event.check = cheapest_check(event.causes, shift, isinstance(self.pump, Intensifier))
        top = event.causes[0]
        small = abs(step.size) < np.log1p(self.settings.wear_notice)
        of_the_jet = top.cause in (Cause.BORE, Cause.BLOCKED, Cause.UNKNOWN)
        if event.step is None and small and (of_the_jet or top.probability < 0.5):
            self._event = None  # a signal alone, and no fault known to make it: no matter
            w["standing"] = w["probability"] = 0.0
            return
        w["standing"] = max(event.probability(Cause.BORE), self._earlier)
        w["probability"] = w["standing"]
        sudden = event.step or event.low
        if sudden is not None and self._is_early(event, sudden, shift, heated, top):
            return
        if self._opened:
            self.state = State.OPENED
        elif top.probability < self._least_to_name(top.cause) or top.cause is Cause.UNKNOWN:
            self.state = State.CANNOT_TELL
        elif top.cause is not Cause.BORE:
            self.state = State.OTHER_FAULT
            self._other_sure = self._other_sure or top.probability >= SURE_TO_UNSAY
        elif (
            self._other_sure or self.state is State.OTHER_FAULT
        ) and top.probability < SURE_TO_UNSAY:
            self.state = State.CANNOT_TELL
        elif event.step is not None or step.size >= np.log1p(self.settings.limit):
            self.state = State.OPENED
        else:
            self.state = State.WEARING
        self.reason = self._say(event, step, top)

    def _is_early(
        self, event: Event, step: Step, shift: FeatureShift, heated: float, top: Belief
    ) -> bool:
        """Whether to wait for what the next batches say before anything is told."""
        few = (event.idle_batches if event.step is None else event.batches) < HEAR_SIGNALS
        if few and step.size_sd > UNSETTLED * abs(step.size):
            return True  # it still moves
        known = np.isfinite(shift.seen)
        feels = bool(known[list(SLUGGISH)].any()) and heated < HEATED
        hears = bool(known[list(SIGNAL_OF)][:-2].any())
        return ((few and hears) or feels) and top.probability < SURE_AT_ONCE

    def _least_to_name(self, cause: Cause) -> float:
        """How probable the first cause has to be: once named, one batch is not to unsay it."""
        if self.state in (State.OPENED, State.WEARING, State.OTHER_FAULT):
            return 0.35
        return LEAST_TO_BLAME if cause is Cause.BORE else 0.5

    def _say(self, event: Event, step: Step, top: Belief) -> str:
        grown = float(np.expm1(step.size))
        way = "grew" if grown > 0.0 else "fell"
        if event.step is not None or event.low is not None:
            what = f"the effective area {way} by {abs(grown) * 100:.1f} % at once"
        elif self.state is State.OPENED:
            what = _worn(step.size)
        elif abs(grown) > 0.01:
            rate = self._drift.line.slope * 100.0
            what = (
                f"the effective area {way} by {abs(grown) * 100:.1f} % and goes on by "
                f"{rate:+.2f} % a jet hour"
            )
        else:
            what = "the effective area is as it was, but other signals are not"
        return f"{what}; most probable: {top.cause.value} ({100.0 * top.probability:.0f} %)"

    def _follows_the_set_pressure(self, after: NDArray[np.void]) -> bool:
        """Whether the oil side still holds the pressure: it can't once the pump overstrokes."""
        if not isinstance(self.pump, Intensifier):
            return False
        return float(np.mean(after["rate"])) < 0.95 * self.pump.max_stroke_rate

    # -- telling

    def _bore_of(self, area: float) -> float:
        """Effective bore at the C_d learned; at the typical one while that is not to be had."""
        return float(bore_of_area(area / float(self._watch[0]["discharge_coefficient"])))

    def _expected_rate(self, pressure: float, temperature: float) -> float:
        area = float(self._watch[0]["area"])
        return float(event_rate(self.pump.displacement, area, pressure, temperature))

    def verdict(self) -> Verdict:
        """The state now, with the numbers of the last few batches."""
        w, event = self._watch[0], self._event
        rows = newest(self._ring, int(w["count"]), RECENT)
        area, rate, pressure, temperature, resolution = (
            known_mean(rows[name])
            for name in ("area", "rate", "pressure", "temperature", "resolution")
        )
        one = max(float(w["sigma"]), resolution if resolution == resolution else 0.0)
        relative = float(np.sqrt(one**2 / max(len(rows), 1) + self.settings.level_uncertainty**2))
        bore = self._bore_of(area)
        judging = bool(w["learned"] and w["plausible"])
        line = self._drift.line if judging else None
        if isinstance(self.pump, Intensifier) or self.pump.regulation != "none" or not rate > 0.0:
            pressure_expected = pressure
        else:
            pressure_expected = float(
                self.pump.expected_pressure(float(w["area"]), temperature, rate)
            )
        step = event.step if event is not None else None
        limit = float(np.log1p(self.settings.limit) - w["offset"])
        return Verdict(
            time_ns=int(self._last_ns) or self.jewels[0].fitted_ns,
            state=self.state,
            reason=self.reason,
            jet_hours=float(self._hours),
            nominal_bore=self.nominal_bore,
            bore=bore,
            bore_sd=0.5 * bore * relative,
            area_ratio=area / float(w["area"]),
            discharge_coefficient=(
                self.baseline.discharge_coefficient if self.baseline else float("nan")
            ),
            rate_expected=self._expected_rate(pressure, temperature),
            rate_seen=rate,
            pressure_expected=pressure_expected,
            pressure_seen=pressure,
            overstroke_margin=(
                float(overstroke_margin(rate, self.pump.max_stroke_rate))
                if isinstance(self.pump, Intensifier)
                else None
            ),
            probability=float(w["probability"]),
            onset_ns=event.onset_ns if event is not None and step is not None else None,
            step=float(np.expm1(step.size)) if step else 0.0,
            step_sd=step.size_sd if step else 0.0,
            slope_per_hour=line.slope if line else 0.0,
            slope_sd=line.slope_sd if line else 0.0,
            hours_to_limit=hours_to(limit, line, self._watched_hours) if line else None,
            causes=event.spoken() if event is not None else (),
            check=event.check if event is not None else "",
        )


def _worn(level: float) -> str:
    return f"worn to the limit: the effective area grew by {float(np.expm1(level)) * 100:.1f} %"

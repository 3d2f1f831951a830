"""Watches the bore of one fitted jewel, batch by batch: baseline, then step and drift."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from borewarden.model.baseline import (
    Baseline,
    Jewel,
    learn_baseline,
    nearest_stock_bore,
    stated_area,
    stated_bores_area,
)
from borewarden.model.change import Cusum, Step, StepProbability, locate_step, threshold
from borewarden.model.drift import Drift, hours_to
from borewarden.model.verdict import State, Verdict
from borewarden.physics.orifice import bore_of_area
from borewarden.physics.pump import Intensifier, Pump, event_rate, overstroke_margin

STEP_SIZES = (0.03, 0.05, 0.08, 0.12, 0.20, 0.35)  # relative area, equally likely beforehand
RECENT = 12  # batches in "now"
DRIFT_BLOCK = 20  # batches in one value of the drift line
HISTORY = 240  # batches in which an onset is looked for
MAX_DEGREES_OF_FREEDOM = 10.0  # heavier tails than normal for the threshold, whatever was seen


@dataclass(frozen=True)
class WatchSettings:
    """Thresholds of the verdict. All defaults are invented by this project and meant to be tuned.

    `smallest_step` is the relative area step that the detector is tuned to, `limit` the relative
    growth at which a bore counts as opened up, `wear_notice` the growth at which wear is reported,
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
    second_head_step: float = 0.6
    flow_uncertainty: float = 0.03
    level_uncertainty: float = 0.005
    noise_floor: float = 0.003
    baseline_time: float = 600.0


class BatchResult(NamedTuple):
    """One batch and what was made of it: a row of the derived series. SI, NaN where unknown."""

    start_ns: int
    end_ns: int
    jet_hours: float  # of the jewel
    pressure: float
    temperature: float
    rate: float
    rate_expected: float
    area: float
    bore: float
    bore_sd: float
    log_ratio: float
    line: float  # what the drift line expected of log_ratio
    statistic: float
    threshold: float
    probability: float
    state: State


class BoreWatch:
    """One jewel (or the jewels of several heads on one pump), from fitting to removal."""

    def __init__(self, pump: Pump, jewels: list[Jewel], settings: WatchSettings) -> None:
        self.pump = pump
        self.jewels = jewels
        self.settings = settings
        self.state = State.LEARNING
        self.reason = "no steady jet seen yet"
        self.baseline: Baseline | None = None
        self._earlier_hours = max(jewel.jet_hours for jewel in jewels)
        self._first: list[np.void] = []
        self._recent: deque[tuple[float, float, float, float, float]] = deque(maxlen=RECENT)
        self._history: deque[tuple[int, int, float]] = deque(maxlen=HISTORY)
        self._block: list[tuple[float, float]] = []
        self._step: Step | None = None
        self._onset_ns: int | None = None
        self._probability = 0.0
        self._since_alarm = 0
        self._last: BatchResult | None = None

    @property
    def nominal_bore(self) -> float:
        """The stated bore, m; of several heads, the one bore of the same area."""
        return float(bore_of_area(stated_bores_area(self.jewels)))

    def update(self, batch: np.void) -> BatchResult:
        """Take one batch of the gate (dtype `BATCH`)."""
        hours = self._earlier_hours + float(batch["jet_seconds"]) / 3600.0
        if self.baseline is None:
            log_ratio = line = np.nan
            self._learn(batch)
        else:
            log_ratio = float(np.log(batch["area"] / self.baseline.area))
            line = self._drift.line.at(hours)[0]
            if self.baseline.is_plausible:
                self._judge(batch, hours, log_ratio, log_ratio - line)
        self._recent.append(
            (
                float(batch["area"]),
                float(batch["rate"]),
                float(batch["pressure"]),
                float(batch["temperature"]),
                float(batch["resolution"]),
            )
        )
        self._last = self._result(batch, hours, log_ratio, line)
        return self._last

    # -- learning

    def _learn(self, batch: np.void) -> None:
        self._first.append(batch)
        self.reason = "learning the discharge coefficient of the fitted jewel"
        if sum(float(b["time"]) for b in self._first) < self.settings.baseline_time:
            return
        s = self.settings
        first = np.array(self._first)
        self._first = []
        self.baseline = learn_baseline(
            first["area"], first["resolution"], self.jewels, s.flow_uncertainty, s.noise_floor
        )
        self._start_detectors(float(np.mean(first["time"])))
        if self.baseline.is_plausible:
            self.state, self.reason = State.SOUND, "within the noise of the baseline"
            return
        typical = stated_area(self.jewels) / stated_bores_area(self.jewels)
        fits = nearest_stock_bore(self.baseline.area, typical)
        self.state = State.NOT_STATED_BORE
        self.reason = (
            f"C_d {self.baseline.discharge_coefficient:.3f} learned, "
            f"{self.baseline.plausible_low:.2f} to {self.baseline.plausible_high:.2f} expected of "
            f"the stated bore and material; the flow fits a bore of about {fits * 1e3:.3f} mm "
            f"({fits / 0.0254:.3f} in)"
        )

    def _start_detectors(self, batch_time: float) -> None:
        """Tune the detectors to the baseline's noise."""
        assert self.baseline is not None
        s, noise = self.settings, self.baseline.noise
        k = max(0.5 * np.log1p(s.smallest_step) / noise.sigma, 0.25)
        run_length = s.false_alarm_hours * 3600.0 / batch_time
        freedom = min(noise.effective_count - 1.0, MAX_DEGREES_OF_FREEDOM)
        h = threshold(round(float(k), 2), float(f"{run_length:.3g}"), round(max(freedom, 3.0), 1))
        self._cusum = Cusum(float(k), h)
        self._fallen = Cusum(float(k), h)
        self._step_probability = StepProbability(
            hazard=batch_time / 3600.0 / s.jewel_life_hours,
            sizes=[float(np.log1p(size)) / noise.sigma for size in STEP_SIZES],
            clip=float(k) + 0.6 * h,
        )
        level_sd = float(np.hypot(noise.sigma / noise.effective_count**0.5, s.level_uncertainty))
        self._drift = Drift(
            float(np.hypot(noise.sigma / DRIFT_BLOCK**0.5, s.noise_floor)), level_sd
        )

    # -- judging

    def _judge(self, batch: np.void, hours: float, log_ratio: float, residual: float) -> None:
        assert self.baseline is not None
        z = residual / self.baseline.noise.sigma
        self._history.append((int(batch["start_ns"]), int(batch["end_ns"]), residual))
        if self._step is not None:
            self._follow_up(log_ratio)
            return
        self._cusum.update(z)
        self._fallen.update(-z)
        self._step_probability.update(z)
        self._probability = self._step_probability.probability
        if self._cusum.drift_detected:
            self._raise_step(+1.0)
            return
        if self._fallen.drift_detected:
            self._raise_step(-1.0)
            return
        self._block.append((hours, log_ratio))
        if len(self._block) == DRIFT_BLOCK:
            mean_hours, mean_ratio = np.mean(self._block, axis=0)
            self._drift.update(float(mean_hours), float(mean_ratio))
            self._block = []
            self._judge_wear(hours)

    def _raise_step(self, sign: float) -> None:
        """A detector has crossed: say since when, how far, and what that looks like."""
        self._since_alarm = 0
        self._locate(sign)
        assert self._step is not None
        growth = float(np.expm1(self._step.size))
        explained = 0.0 < growth <= self.settings.second_head_step
        self.state = State.OPENED if explained else State.CANNOT_TELL

    def _locate(self, sign: float) -> None:
        assert self.baseline is not None
        starts, ends, residuals = zip(*self._history, strict=True)
        step = locate_step(sign * np.array(residuals), self.baseline.noise.sigma)
        self._step = step._replace(size=sign * step.size)
        growth = float(np.expm1(self._step.size))
        if sign < 0.0:
            self.reason = (
                f"the effective area fell by {-100 * growth:.1f} %: not an opened bore; a plugged "
                "orifice or filter, or a drifting pressure transducer, would look like this"
            )
        elif growth > self.settings.second_head_step:
            self.reason = (
                f"the effective area grew by {growth * 100:.1f} %: more than a bore opens; a "
                "second head or valve opened, or a burst seal, would look like this"
            )
        else:
            self.reason = f"the effective area stepped up by {growth * 100:.1f} %"
        self._onset_ns = starts[step.first]
        if step.first > 0:
            # the batch before may hold the onset: its mean shows what part of it came after
            before = step.first - 1
            part = min(max(residuals[before] / self._step.size, 0.0), 1.0)
            self._onset_ns -= int(part * (ends[before] - starts[before]))

    def _follow_up(self, log_ratio: float) -> None:
        """After an alarm: sharpen the onset for a while, and see whether it all went back."""
        assert self._step is not None
        self._since_alarm += 1
        back = np.log([row[0] for row in self._recent]) - np.log(self._baseline_area)
        back = np.append(back[1:], log_ratio)
        if self._since_alarm >= RECENT and abs(float(np.mean(back))) < 0.25 * np.log1p(
            self.settings.smallest_step
        ):
            self.state, self.reason = State.SOUND, "the effective area is back at its baseline"
            self._step = self._onset_ns = None
            self._cusum = Cusum(self._cusum.k, self._cusum.h)
            self._fallen = Cusum(self._cusum.k, self._cusum.h)
            self._history.clear()
            self._step_probability.odds[:] = 0.0
        elif self._since_alarm <= DRIFT_BLOCK:
            self._locate(1.0 if self._step.size > 0.0 else -1.0)

    @property
    def _baseline_area(self) -> float:
        return self.baseline.area if self.baseline else stated_area(self.jewels)

    def _judge_wear(self, hours: float) -> None:
        s, line = self.settings, self._drift.line
        level, sd = line.at(hours)
        sure = level - 2.0 * float(np.hypot(sd, s.level_uncertainty))
        if line.slope < 3.0 * line.slope_sd:
            return
        if level >= np.log1p(s.limit):
            self.state = State.OPENED
            grown = float(np.expm1(level)) * 100
            self.reason = f"worn to the limit: the effective area grew by {grown:.1f} %"
        elif self.state is State.SOUND and (sure > 0.0 and level > np.log1p(s.wear_notice)):
            self.state = State.WEARING
            self.reason = (
                f"the effective area grew by {np.expm1(level) * 100:.1f} % and goes on by "
                f"{line.slope * 100:.2f} % a jet hour"
            )

    # -- telling

    def _result(self, batch: np.void, hours: float, log_ratio: float, line: float) -> BatchResult:
        detecting = self.baseline is not None
        area = float(batch["area"])
        sigma = self.baseline.noise.sigma if self.baseline else np.nan
        bore = self._bore_of(area)
        return BatchResult(
            start_ns=int(batch["start_ns"]),
            end_ns=int(batch["end_ns"]),
            jet_hours=hours,
            pressure=float(batch["pressure"]),
            temperature=float(batch["temperature"]),
            rate=float(batch["rate"]),
            rate_expected=self._expected_rate(
                float(batch["pressure"]), float(batch["temperature"])
            ),
            area=area,
            bore=bore,
            bore_sd=0.5 * bore * float(np.hypot(sigma, batch["resolution"])),
            log_ratio=log_ratio,
            line=line,
            statistic=self._cusum.statistic if detecting else np.nan,
            threshold=self._cusum.h if detecting else np.nan,
            probability=self._probability if detecting else np.nan,
            state=self.state,
        )

    def _bore_of(self, area: float) -> float:
        """Effective bore at the C_d learned; at the typical one while that is not to be had."""
        if self.baseline is not None and self.baseline.is_plausible:
            c_d = self.baseline.discharge_coefficient
        else:
            c_d = stated_area(self.jewels) / stated_bores_area(self.jewels)
        return float(bore_of_area(area / c_d))

    def _expected_rate(self, pressure: float, temperature: float) -> float:
        return float(event_rate(self.pump.displacement, self._baseline_area, pressure, temperature))

    def verdict(self) -> Verdict:
        """The state now, with the numbers of the last few batches."""
        recent: Any = np.array(self._recent) if self._recent else np.full((1, 5), np.nan)
        area, rate, pressure, temperature, resolution = np.mean(recent, axis=0)
        sigma = self.baseline.noise.sigma if self.baseline else 0.0
        relative = float(
            np.sqrt(
                max(sigma, float(resolution)) ** 2 / len(recent)
                + self.settings.level_uncertainty**2
            )
        )
        bore = self._bore_of(float(area))
        hours = self._last.jet_hours if self._last else 0.0
        line = self._drift.line if self.baseline else None
        if isinstance(self.pump, Intensifier) or self.pump.regulation != "none" or not rate > 0.0:
            pressure_expected = float(pressure)
        else:
            pressure_expected = float(
                self.pump.expected_pressure(self._baseline_area, float(temperature), float(rate))
            )
        return Verdict(
            time_ns=self._last.end_ns if self._last else self.jewels[0].fitted_ns,
            state=self.state,
            reason=self.reason,
            jet_hours=hours,
            nominal_bore=self.nominal_bore,
            bore=bore,
            bore_sd=0.5 * bore * relative,
            area_ratio=float(area) / self._baseline_area,
            discharge_coefficient=(
                self.baseline.discharge_coefficient if self.baseline else float("nan")
            ),
            rate_expected=self._expected_rate(float(pressure), float(temperature)),
            rate_seen=float(rate),
            pressure_expected=pressure_expected,
            pressure_seen=float(pressure),
            overstroke_margin=(
                float(overstroke_margin(float(rate), self.pump.max_stroke_rate))
                if isinstance(self.pump, Intensifier)
                else None
            ),
            probability=self._probability,
            onset_ns=self._onset_ns,
            step=float(np.expm1(self._step.size)) if self._step else 0.0,
            step_sd=self._step.size_sd if self._step else 0.0,
            slope_per_hour=line.slope if line else 0.0,
            slope_sd=line.slope_sd if line else 0.0,
            hours_to_limit=(
                hours_to(float(np.log1p(self.settings.limit)), line, hours) if line else None
            ),
        )

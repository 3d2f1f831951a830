"""What a shop may set of the watch."""

from __future__ import annotations

from dataclasses import dataclass


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

"""What one setting makes of the logged stretch: false alarms, delays, labelled events.

The gate's batches depend on the `[gate]` settings only, so `gather` works them out once for each of
these, injected trials included. `judge_setting` is then one pass of `BoreWatch` over batches, the
very code that runs live, with a copy of it set aside at each injected onset.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import rows
from borewarden.detect.habits import HabitsByHeads
from borewarden.diagnose.causes import Cause
from borewarden.gate.gate import Gate, GateSettings
from borewarden.jewels.jewel import Jewel
from borewarden.tune.days import BLOCK, Shop, fitted_stretches, injected
from borewarden.watcher.heads import gate_of
from borewarden.watcher.heads_watch import HeadsWatch, watch_of
from borewarden.watcher.one_head import OneHeadWatch
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import STATES, State, Verdict
from borewarden.watcher.watcher import Alert

AT_ONCE = {"chip": 1, "wear": 16}  # batches of a trial that are judged before the next look
SOUND = STATES.index(State.SOUND)
QUIET = (State.LEARNING, State.SOUND)


class TrialBatches(NamedTuple):
    """The batches of one trial, to be judged once `taken` of the stretch's own have been."""

    number: int  # in `Shop.trials`
    taken: int
    batches: NDArray[np.void]


class Gathered(NamedTuple):
    """What the gate makes of the samples seen through one set of jewels."""

    jewels: list[Jewel]
    batches: NDArray[np.void]  # dtype BATCH
    trials: list[TrialBatches]  # by `taken`


@dataclass(frozen=True)
class Found:
    """What became of one labelled event: `delay` in s of jet time, infinite if not found."""

    delay: float
    wall: float  # s by the clock
    state: str
    cause: str
    right: bool


@dataclass(frozen=True)
class Outcome:
    """What one setting made of the stretch. Lists are by day, trial or label, as in `Shop`.

    `hours` are the jet hours watched in state sound with nothing labelled, `false` the alarms
    raised in them. `delay` is s of jet time to the first alarm of a chip, or the growth at which
    wear was told; infinite where nothing was, NaN where the watcher was still learning or in alarm
    when it began. `right` says whether the bore was named at once. `alerts` are (ns, state).
    """

    hours: list[float]
    false: list[int]
    delay: list[float]
    right: list[bool]
    found: list[Found]
    alerts: list[tuple[int, str]]


def gather(shop: Shop, gate: GateSettings) -> list[Gathered]:
    """Batches of the whole stretch and of each trial under these gate settings."""
    made = []
    onsets = sorted(range(len(shop.trials)), key=lambda k: shop.trials[k].onset)
    for part in fitted_stretches(shop.jewels, shop.samples.time_ns):
        sound = gate_of(gate, shop.pump.displacement, part.jewels, shop.valve_heads)
        closed: list[NDArray[np.void]] = []
        trials: list[TrialBatches] = []
        here = part.start

        def follow(gate_now: Gate, start: int, stop: int, into: list[NDArray[np.void]]) -> None:
            for i in range(start, stop, BLOCK):
                block = rows(shop.samples, i, min(i + BLOCK, stop))
                into.append(gate_now.learn_many(block)[1])

        for number in onsets:
            trial = shop.trials[number]
            if not part.start <= trial.onset < part.stop:
                continue
            follow(sound, here, trial.onset, closed)
            here = trial.onset
            batches = sound.fork().learn_many(injected(shop, trial))[1]
            trials.append(TrialBatches(number, sum(map(len, closed)), batches))
        follow(sound, here, part.stop, closed)
        made.append(Gathered(part.jewels, np.concatenate(closed), trials))
    return made


def watch_stretch(
    shop: Shop, gathered: list[Gathered], settings: WatchSettings
) -> tuple[list[NDArray[np.void]], list[Alert]]:
    """Result rows of each set of jewels and all alerts: what `Watcher` gives for these settings."""
    parts: list[NDArray[np.void]] = []
    alerts: list[Alert] = []
    habits: HabitsByHeads = {}
    for part in gathered:
        bore = watch_of(shop.pump, part.jewels, settings, shop.valve_heads, habits)
        results, changes = bore.learn_many(part.batches)
        habits = bore.habits
        parts.append(results)
        alerts += _alerts(changes)
    return parts, alerts


def _alerts(changes: list[Verdict]) -> list[Alert]:
    """As in `Watcher`: that a jewel has been learned and is sound is not an alert."""
    before = State.LEARNING
    alerts = []
    for verdict in changes:
        if (before, verdict.state) != (State.LEARNING, State.SOUND):
            alerts.append(Alert(verdict.time_ns, verdict))
        before = verdict.state
    return alerts


def judge_setting(shop: Shop, gathered: list[Gathered], settings: WatchSettings) -> Outcome:
    """Everything that one setting of `[watch]` makes of the batches."""
    hours = np.zeros(len(shop.days))
    false = np.zeros(len(shop.days), dtype=np.int64)
    delay = [float("nan")] * len(shop.trials)
    right = [False] * len(shop.trials)
    alerts: list[Alert] = []
    habits: HabitsByHeads = {}
    for part in gathered:
        bore = watch_of(shop.pump, part.jewels, settings, shop.valve_heads, habits)
        changes: list[Verdict] = []
        results: list[NDArray[np.void]] = []
        here = 0
        for trial in [*part.trials, None]:
            until = len(part.batches) if trial is None else trial.taken
            made, changed = bore.learn_many(part.batches[here:until])
            here = until
            results.append(made)
            changes += changed
            if trial is not None and bore.state is State.SOUND:
                told, verdict = _try(shop, bore.fork(), trial)
                delay[trial.number] = told
                right[trial.number] = verdict is not None and _is_bore(verdict)
        habits = bore.habits
        alerts += _alerts(changes)
        _add_hours(shop, part, np.concatenate(results), hours)
    before = State.SOUND
    for alert in alerts:
        if alert.verdict.state not in QUIET and before in QUIET:
            at = np.array([alert.time_ns])
            if not shop.labelled(at)[0]:
                false[shop.day_of(at)[0]] += 1
        before = alert.verdict.state
    return Outcome(
        hours=hours.tolist(),
        false=false.tolist(),
        delay=delay,
        right=right,
        found=[_found(shop, k, alerts) for k in range(len(shop.windows))],
        alerts=[(alert.time_ns, alert.verdict.state.value) for alert in alerts],
    )


def _try(
    shop: Shop, bore: OneHeadWatch | HeadsWatch, trial: TrialBatches
) -> tuple[float, Verdict | None]:
    told = shop.trials[trial.number]
    began = float(shop.jet_clock[told.onset])
    at_once = AT_ONCE[told.kind]
    for i in range(0, len(trial.batches), at_once):
        for verdict in bore.learn_many(trial.batches[i : i + at_once])[1]:
            if verdict.state not in QUIET:
                jet = shop.jet_at(verdict.time_ns) - began
                return (jet if told.kind == "chip" else told.size * jet / 3600.0), verdict
    return float("inf"), None


def _is_bore(verdict: Verdict) -> bool:
    return verdict.state in (State.OPENED, State.WEARING)


def _add_hours(
    shop: Shop, part: Gathered, results: NDArray[np.void], hours: NDArray[np.float64]
) -> None:
    if len(results) == 0:
        return
    began = max(jewel.jet_hours for jewel in part.jewels)
    took = np.diff(results["jet_hours"], prepend=began)
    watched = (results["state"] == SOUND) & ~shop.labelled(results["end_ns"])
    np.add.at(hours, shop.day_of(results["end_ns"])[watched], took[watched])


_CAUSES = {"chip": Cause.BORE, "wear": Cause.BORE} | {
    cause.name.lower().replace("_", " "): cause for cause in Cause
}


def _found(shop: Shop, number: int, alerts: list[Alert]) -> Found:
    """The first alarm in the window of a labelled event."""
    label, end_ns, _ = shop.windows[number]
    for alert in alerts:
        verdict = alert.verdict
        if not label.start_ns <= alert.time_ns < end_ns or verdict.state in QUIET:
            continue
        top = verdict.causes[0].cause if verdict.causes else None
        is_bore = _CAUSES[label.event] is Cause.BORE
        return Found(
            delay=shop.jet_at(alert.time_ns) - shop.jet_at(label.start_ns),
            wall=(alert.time_ns - label.start_ns) * 1e-9,
            state=verdict.state.value,
            cause=top.value if top else "",
            right=_is_bore(verdict) if is_bore else top is _CAUSES[label.event],
        )
    return Found(float("inf"), float("inf"), "", "", False)

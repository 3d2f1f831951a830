"""The logged stretch that settings are tried on: its days, what truly happened, and the trials.

Whatever does not depend on the swept settings is worked out here, once: the days, the clock of jet
time, the windows of labelled events, and where chips and wear are to be put into sound days.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from borewarden.base.errors import BadInput
from borewarden.base.samples import Samples, rows
from borewarden.base.times import local_ns
from borewarden.collect.labels import Label
from borewarden.gate.batch import Phase
from borewarden.gate.gate import Gate, GateSettings
from borewarden.jewels.fitting import fitted_sets
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Pump
from borewarden.tune.inject import inject, jet_on
from borewarden.watcher.heads import gate_of

Floats = NDArray[np.float64]

UNEVENTFUL = ("none", "tube wear", "jewel changed")  # nothing that the pump should show
CHIP_JET = 3600.0  # s of jet in which a chip is to be found
LEAST_JET = 900.0  # s of jet that have to be left after a chip
LEAD = 600.0  # s before an onset from which its strokes are worked out
LEARNED = 2.0  # baselines of jet time before the first onset
WEAR_TO = 0.10  # growth at which a wear trial ends
WEAR_LEAST = 0.05  # and that it has to have room for
BLOCK = 65_536


class Fitted(NamedTuple):
    """Samples `start` to `stop`, seen through one and the same `jewels`."""

    jewels: list[Jewel]
    start: int
    stop: int


class Trial(NamedTuple):
    """A chip of relative `size`, or wear by `size` a jet hour, from sample `onset` to `stop`."""

    kind: Literal["chip", "wear"]
    size: float
    onset: int
    stop: int
    day: int


class Window(NamedTuple):
    """The time in which an alarm belongs to a labelled event; ns, `end_ns` not included."""

    label: Label
    end_ns: int
    day: int


class Wanted(NamedTuple):
    """What to inject: so many chips of relative `chip_size`, wear by `wear_rate` a jet hour."""

    chips: int = 60
    chip_size: float = 0.08
    wears: int = 6
    wear_rate: float = 0.01
    seed: int = 1


@dataclass(frozen=True)
class Shop:
    """One machine's logged stretch; arrays of shape (n,), one entry a sample.

    `gate` is today's. `on` is whether the jet was on as today's gate saw it, `jet_clock` the s of
    jet time up to each sample. `day_starts_ns` are local midnights, ns since 1970 UTC, one for each
    of `days`; `sound` says which of these have steady jet and nothing labelled. Trials begin
    where nothing is labelled, even the first half of a day on which something happened later.
    """

    pump: Pump
    jewels: list[Jewel]
    gate: GateSettings
    strokes_per_count: float
    samples: Samples
    on: NDArray[np.bool_]
    jet_clock: Floats
    days: list[date]
    day_starts_ns: NDArray[np.int64]
    sound: NDArray[np.bool_]
    windows: list[Window]
    trials: list[Trial]
    valve_heads: tuple[str, ...] = ()

    def day_of(self, time_ns: NDArray[np.int64] | int) -> NDArray[np.int64]:
        """The place in `days` of each time."""
        found = np.searchsorted(self.day_starts_ns, time_ns, side="right") - 1
        return np.asarray(np.clip(found, 0, len(self.days) - 1), dtype=np.int64)

    def jet_at(self, time_ns: int) -> float:
        """The clock of jet time, s, at this time."""
        here = int(np.searchsorted(self.samples.time_ns, time_ns))
        near = slice(max(here - 2, 0), here + 2)  # of all of them it would take a while
        return float(np.interp(time_ns, self.samples.time_ns[near], self.jet_clock[near]))

    def labelled(self, time_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether each time lies within a labelled event."""
        within = np.zeros(len(time_ns), dtype=np.bool_)
        for window in self.windows:
            within |= (time_ns >= window.label.start_ns) & (time_ns < window.end_ns)
        return within


def fitted_stretches(jewels: list[Jewel], time_ns: NDArray[np.int64]) -> list[Fitted]:
    """The samples cut where what is in the heads changes, just as `Watcher` takes them."""
    sets = fitted_sets(jewels)
    # what comes before the first fitting is judged by the first jewels all the same
    stretches = [(sets[0].jewels, 0), *((s.jewels, _place(time_ns, s.since_ns)) for s in sets)]
    stops = [start for _, start in stretches[1:]] + [len(time_ns)]
    return [
        Fitted(held, start, stop)
        for (held, start), stop in zip(stretches, stops, strict=True)
        if stop > start
    ]


def _place(time_ns: NDArray[np.int64], at_ns: int) -> int:
    return int(np.searchsorted(time_ns, at_ns))


def make_shop(
    pump: Pump,
    gate: GateSettings,
    jewels: list[Jewel],
    samples: Samples,
    labels: Sequence[Label],
    time_zone: str,
    baseline_time: float,
    wanted: Wanted,
    strokes_per_count: float = 1.0,
    must_try: bool = True,
    valve_heads: tuple[str, ...] = (),
) -> Shop:
    """Look through the samples once, with today's gate, and lay out the trials.

    `baseline_time` in s is today's. `labels` come from whoever knows what happened: labels files,
    recorded inspections. Raises BadInput for labels outside the samples, or, where it `must_try`
    settings, if there is neither a sound day with room for a trial nor a labelled event.
    """
    time_ns = samples.time_ns
    if len(time_ns) < 2:
        raise BadInput("logs", "samples", "there are none in this time", "give logged days")
    fitted = fitted_stretches(jewels, time_ns)
    phases = np.concatenate(
        [
            _phases(gate_of(gate, pump.displacement, p.jewels, valve_heads), p, samples)
            for p in fitted
        ]
    )
    on = jet_on(phases)
    dt = np.diff(time_ns, prepend=time_ns[0]) * 1e-9
    clock = np.cumsum(np.where(on & (dt > 0.0) & (dt <= gate.max_gap), dt, 0.0))
    days, starts = _days(time_ns, time_zone)
    windows = _windows(labels, jewels, time_ns, time_ns[on], starts)
    shop = Shop(
        pump=pump,
        jewels=jewels,
        gate=gate,
        strokes_per_count=strokes_per_count,
        samples=samples,
        on=on,
        jet_clock=clock,
        days=days,
        day_starts_ns=starts,
        sound=np.zeros(len(days), dtype=np.bool_),
        windows=windows,
        trials=[],
        valve_heads=valve_heads,
    )
    steady = phases == Phase.STEADY
    eventful = shop.labelled(time_ns)
    of_day = shop.day_of(time_ns)
    count = len(days)
    shop.sound[:] = np.bincount(of_day[steady], minlength=count) > 0
    shop.sound[:] &= np.bincount(of_day[eventful & on], minlength=count) == 0
    shop.trials.extend(_lay_out(shop, fitted, steady, eventful, baseline_time, wanted))
    if must_try and not shop.trials and not windows:
        raise BadInput(
            "logs",
            "days",
            "no sound day has room for an injected chip, and no event is labelled",
            "give days with an hour of steady jet after the baseline, or labels beside the logs",
        )
    return shop


def _phases(gate: Gate, part: Fitted, samples: Samples) -> NDArray[np.int8]:
    return np.concatenate(
        [
            gate.learn_many(rows(samples, i, min(i + BLOCK, part.stop)))[0]
            for i in range(part.start, part.stop, BLOCK)
        ]
    )


def _days(time_ns: NDArray[np.int64], time_zone: str) -> tuple[list[date], NDArray[np.int64]]:
    zone = ZoneInfo(time_zone)
    first, last = (datetime.fromtimestamp(int(t) / 1e9, zone).date() for t in time_ns[[0, -1]])
    days = [first + timedelta(days=k) for k in range((last - first).days + 1)]
    starts = [_midnight(day, time_zone) for day in days]
    ends = [*starts[1:], _midnight(last + timedelta(days=1), time_zone)]
    seen = [
        k
        for k in range(len(days))
        if np.searchsorted(time_ns, ends[k]) > np.searchsorted(time_ns, starts[k])
    ]
    return [days[k] for k in seen], np.array([starts[k] for k in seen], dtype=np.int64)


def _midnight(day: date, time_zone: str) -> int:
    for hour in range(3):  # some zones put their clocks on at midnight
        try:
            return local_ns(datetime(day.year, day.month, day.day, hour), time_zone)
        except ValueError:
            continue
    raise ValueError(f"{day} does not begin in {time_zone}")


def _windows(
    labels: Sequence[Label],
    jewels: list[Jewel],
    time_ns: NDArray[np.int64],
    jet_ns: NDArray[np.int64],
    day_starts_ns: NDArray[np.int64],
) -> list[Window]:
    """An event lasts until its label ends, or a jewel is fitted, or the samples end.

    A jewel that is fitted before the jet was ever on in it is the one that the label is about.
    """
    first, last = int(time_ns[0]), int(time_ns[-1])
    changes = [jewel.fitted_ns for jewel in jewels]
    changes += [label.start_ns for label in labels if label.event == "jewel changed"]
    found = []
    for label in sorted(labels, key=lambda label: label.start_ns):
        # a label of the whole day begins at midnight, before the logger does
        day = int(np.searchsorted(day_starts_ns, label.start_ns, side="right")) - 1
        ended = label.end_ns is not None and label.end_ns < first
        if ended or label.start_ns > last or (day < 0 and label.end_ns is None):
            when = datetime.fromtimestamp(label.start_ns / 1e9, ZoneInfo("UTC"))
            raise BadInput(
                "labels",
                f"{label.event!r} at {when:%Y-%m-%d %H:%M} UTC",
                "lies outside the logs",
                "give the log of that day too, or leave the label out",
            )
        if label.event in UNEVENTFUL:
            continue
        seen = jet_ns[jet_ns >= label.start_ns][:1]
        ends = [change for change in changes if len(seen) and change > seen[0]]
        end = label.end_ns if label.end_ns is not None else min([*ends, last + 1])
        found.append(Window(label, end, max(day, 0)))
    return found


def _lay_out(
    shop: Shop,
    fitted: list[Fitted],
    steady: NDArray[np.bool_],
    eventful: NDArray[np.bool_],
    baseline_time: float,
    wanted: Wanted,
) -> list[Trial]:
    """Onsets drawn evenly over the days, while all is sound, jet steady and the jewel learned."""
    rng = np.random.default_rng(wanted.seed)
    clock, of_day = shop.jet_clock, shop.day_of(shop.samples.time_ns)
    learned = np.zeros(len(clock), dtype=np.bool_)
    stop = np.zeros(len(clock), dtype=np.int64)
    for part in fitted:
        span = slice(part.start, part.stop)
        learned[span] = clock[span] - clock[part.start] >= LEARNED * baseline_time
        # a trial ends with its jewel, or where something else begins
        ends = np.flatnonzero(eventful[span]) + part.start
        after = np.searchsorted(ends, np.arange(part.start, part.stop))
        stop[span] = np.append(ends, part.stop)[after]
    eligible = steady & learned & ~eventful
    left = clock[np.maximum(stop - 1, 0)] - clock
    trials: list[Trial] = []
    for kind, number, size, least, most in (
        ("chip", wanted.chips, wanted.chip_size, LEAST_JET, CHIP_JET),
        (
            "wear",
            wanted.wears,
            wanted.wear_rate,
            WEAR_LEAST / wanted.wear_rate * 3600.0,
            WEAR_TO / wanted.wear_rate * 3600.0,
        ),
    ):
        here = np.flatnonzero(eligible & (left >= least))
        days = np.unique(of_day[here])
        for i in range(number if len(days) else 0):
            day = int(days[i * len(days) // number])
            onset = int(rng.choice(here[of_day[here] == day]))
            end = min(int(stop[onset]), int(np.searchsorted(clock, clock[onset] + most)) + 1)
            trials.append(Trial("chip" if kind == "chip" else "wear", size, onset, end, day))
    return trials


def injected(shop: Shop, trial: Trial) -> Samples:
    """The samples of `trial`, from its onset to its stop, with the chip or wear in them."""
    lead = int(
        np.searchsorted(
            shop.samples.time_ns, int(shop.samples.time_ns[trial.onset]) - round(LEAD * 1e9)
        )
    )
    part = rows(shop.samples, lead, trial.stop)
    since = np.arange(lead, trial.stop) >= trial.onset
    growth = np.where(since, trial.size, 0.0)
    if trial.kind == "wear":
        growth = growth * (shop.jet_clock[lead : trial.stop] - shop.jet_clock[trial.onset]) / 3600.0
    try:
        made = inject(
            part,
            shop.on[lead : trial.stop],
            growth,
            shop.pump,
            shop.gate.stopped_pressure,
            shop.strokes_per_count,
        )
    except ValueError as error:
        raise BadInput("injected chip", f"{trial.size:+.1%}", str(error), "take less") from None
    return rows(made, trial.onset - lead)

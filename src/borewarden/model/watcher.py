"""One machine under watch: samples in, batches, alerts and a verdict out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.model.baseline import Jewel, stated_area
from borewarden.model.bore import BatchResult, BoreWatch, WatchSettings
from borewarden.model.gate import Gate, GateSettings, Samples, rows, samples_of
from borewarden.model.verdict import State, Verdict
from borewarden.physics.pump import Pump


@dataclass(frozen=True)
class Alert:
    """A change of state that somebody should hear of, with the verdict at that moment."""

    time_ns: int
    verdict: Verdict

    @property
    def is_all_clear(self) -> bool:
        """Whether this one says that the bore is sound again."""
        return self.verdict.state is State.SOUND


class Learned(NamedTuple):
    """What one block of samples gave: `phases` has shape (n,), the lists hold what closed in it."""

    phases: NDArray[np.int8]
    batches: list[BatchResult]
    alerts: list[Alert]


class Watcher:
    """Follows one machine. Live service and replay feed it alike, in blocks of any size.

    `gate.nominal_area` is taken from the `jewels`, which may be fitted before or during the data,
    in any order; a later jewel on the same head replaces the earlier one and starts a new
    baseline. Raises ValueError if there are no jewels.
    """

    def __init__(
        self,
        pump: Pump,
        gate: GateSettings,
        jewels: list[Jewel],
        settings: WatchSettings | None = None,
    ) -> None:
        if not jewels:
            raise ValueError("at least one fitted jewel has to be stated")
        self.pump = pump
        self.settings = settings or WatchSettings()
        self._to_fit = sorted(jewels, key=lambda jewel: jewel.fitted_ns)
        self._fitted: dict[str, Jewel] = {}
        self._gate_settings = gate
        self.gate = Gate(gate, pump.displacement)
        self._earlier_jet_hours = self._earlier_missed_hours = 0.0
        # samples from before the first fitting are judged by the first jewel all the same
        self._fit(self._to_fit[0].fitted_ns)

    def learn_many(self, samples: Samples) -> Learned:
        """Take a block of samples in time order."""
        phases: list[NDArray[np.int8]] = []
        batches: list[BatchResult] = []
        alerts: list[Alert] = []
        start = 0
        while self._to_fit:
            fitted_ns = self._to_fit[0].fitted_ns
            reached = np.flatnonzero(samples.time_ns[start:] >= fitted_ns)
            if len(reached) == 0:
                break
            stop = start + int(reached[0])
            phases.append(self._learn_part(rows(samples, start, stop), batches, alerts))
            self._fit(fitted_ns)
            start = stop
        phases.append(self._learn_part(rows(samples, start), batches, alerts))
        return Learned(np.concatenate(phases), batches, alerts)

    def learn_one(self, time_ns: int, **channels: float) -> Learned:
        """Take one sample: a block of one; see `Samples` for the names and units."""
        columns = {name: np.array([value], float) for name, value in channels.items()}
        return self.learn_many(samples_of(np.array([time_ns], dtype=np.int64), **columns))

    @property
    def jet_hours(self) -> float:
        """Hours with the jet on, over all jewels seen."""
        return self._earlier_jet_hours + self.gate.jet_hours

    @property
    def missed_hours(self) -> float:
        """Hours that went unseen while the jet was on when last seen."""
        return self._earlier_missed_hours + self.gate.missed_hours

    def verdict(self) -> Verdict:
        """The verdict now."""
        verdict = self.bore.verdict()
        hidden = self.gate.bypass_hours * 3600.0 > self.settings.baseline_time
        if verdict.state is State.LEARNING and hidden:
            reason = (
                "the bypass spilled whenever the jet was steady, so the flow of the jet is not "
                "known; a larger bore or a lower crank speed would close it"
            )
            return replace(verdict, state=State.CANNOT_TELL, reason=reason)
        return verdict

    def _learn_part(
        self, samples: Samples, batches: list[BatchResult], alerts: list[Alert]
    ) -> NDArray[np.int8]:
        phases, closed = self.gate.learn_many(samples)
        for batch in closed:
            before = self.bore.state
            result = self.bore.update(batch)
            batches.append(result)
            if result.state is not before and (before, result.state) != (
                State.LEARNING,
                State.SOUND,
            ):
                alerts.append(Alert(result.end_ns, self.verdict()))
        return phases

    def _fit(self, fitted_ns: int) -> None:
        """Start over with the jewels that are fitted from `fitted_ns` on.

        Nothing is carried over, so the state is a function of the samples since then:
        a service that restarts has only to feed those again.
        """
        while self._to_fit and self._to_fit[0].fitted_ns <= fitted_ns:
            jewel = self._to_fit.pop(0)
            self._fitted[jewel.head] = jewel
        self._earlier_jet_hours += self.gate.jet_hours
        self._earlier_missed_hours += self.gate.missed_hours
        jewels = list(self._fitted.values())
        self.gate = Gate(
            self._gate_settings._replace(nominal_area=stated_area(jewels)), self.pump.displacement
        )
        self.bore = BoreWatch(self.pump, jewels, self.settings)

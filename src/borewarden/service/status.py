"""What the service knows about each machine right now, for the page and for other programs."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from borewarden.collect.link import LinkState
from borewarden.collect.sight import BLIND_AFTER, Usable
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Pump
from borewarden.store.inspections import Came
from borewarden.watcher.known import Known
from borewarden.watcher.verdict import Verdict, is_of_then


@dataclass(frozen=True)
class SightStatus:
    """What can be seen of a machine, by its readings and the state of its link.

    `begun` is when watching began, `usable` when the newest usable reading came in (None before
    the first), in s of the computer's monotonic clock. `usable_ns` is the later of both by its
    wall clock, ns since 1970 UTC, and `before_ns` the newest usable reading before this start.
    `faults` say what is wrong with the newest reading, by the fields of `Samples`, `doubts` what
    nothing proves, and `told` what the controller says of them.
    """

    begun: float = field(default_factory=time.monotonic)
    usable: float | None = None
    usable_ns: int = field(default_factory=time.time_ns)
    before_ns: int | None = None
    faults: Mapping[str, str] = field(default_factory=dict)
    doubts: Mapping[str, str] = field(default_factory=dict)
    told: Mapping[str, str] = field(default_factory=dict)

    def with_link(self, link: LinkState) -> SightStatus:
        """The same after a new state of the link."""
        return replace(self, told=link.channels)

    def with_reading(self, seen: Usable, time_ns: int) -> SightStatus:
        """The same after a reading of `time_ns` by the machine's clock, which may be wrong."""
        if seen.newest_ns is None:
            return replace(self, faults=seen.faults, doubts=seen.doubts)
        age_ns = time_ns - seen.newest_ns
        return replace(
            self,
            usable=time.monotonic() - age_ns * 1e-9,
            usable_ns=time.time_ns() - age_ns,
            faults=seen.faults,
            doubts=seen.doubts,
        )

    @property
    def age(self) -> float:
        """Seconds since the newest usable reading, or since watching began."""
        return time.monotonic() - (self.begun if self.usable is None else self.usable)

    @property
    def reasons(self) -> dict[str, str]:
        """What is wrong with each channel, in the controller's words where it has any."""
        return {**self.faults, **self.told}


@dataclass
class MachineStatus:
    """One machine under watch. SI; times ns since 1970 UTC.

    `samples` counts those taken in since the service started (whether all of them are on disk,
    `own_health.Keeping` says), `last_sample_ns` is the time of the newest, `phase` its phase by
    name. `alarm` is the alarm's state in the words of ISA-18.2,
    `shelved_until_ns` the end of its shelving, if any, `link` the latest state of the connection.
    `link` and `sight` are as received, everything else is as kept.
    """

    name: str
    time_zone: str
    pump: Pump
    verdict: Verdict
    limit: float = 0.08  # relative growth at which the bore counts as opened up
    link: LinkState | None = None
    sight: SightStatus = field(default_factory=SightStatus)
    blind_after: float = BLIND_AFTER  # s without a usable reading
    last_sample_ns: int = 0
    samples: int = 0
    newest_sample: Mapping[str, float] = field(default_factory=dict)  # its channels and its phase
    phase: str = "no data"
    alarm: str = "normal"
    shelved_until_ns: int | None = None
    shelved_by: str | None = None
    inspection: str = ""  # of the present event, in words
    came: Came = field(default_factory=Came)  # of the alerts that the store holds
    missed_hours: float = 0.0
    jewels: list[Jewel] = field(default_factory=list)  # in the heads, as the verdict takes it
    guessed_pump: tuple[str, ...] = ()  # figures of the pump that nobody stated
    head_hours: Mapping[str, float] = field(default_factory=dict)  # jet hours of these jewels
    known: tuple[Known, ...] = ()  # what was learned of them, and how well
    units: dict[str, str] | None = None  # chosen to be shown, by quantity
    latency_s: list[float] = field(default_factory=list)  # sample to kept, newest last, bounded
    latency_sum_s: float = 0.0  # of all of them since the start
    latency_count: int = 0

    @property
    def guessed(self) -> tuple[str, ...]:
        """Names of the figures of the pump and of its jewels that nobody stated."""
        of_jewels = dict.fromkeys(name for jewel in self.jewels for name in jewel.guessed)
        return (*self.guessed_pump, *of_jewels)

    @property
    def is_seen(self) -> bool:
        """Whether there was a usable reading lately, so that the verdict can be believed."""
        return self.sight.usable is not None and self.sight.age <= self.blind_after

    @property
    def jet_age(self) -> float | None:
        """Seconds from the newest judged jet to the newest sample; None before the first jet.

        Both are times of samples, so a clock that is wrong does no harm.
        """
        if self.verdict.judged_ns <= 0 or self.last_sample_ns <= 0:
            return None
        return max(self.last_sample_ns - self.verdict.judged_ns, 0) * 1e-9

    @property
    def is_quiet(self) -> bool:
        """Whether no jet was judged lately, so that a sound bore is one of then."""
        return is_of_then(self.verdict, (self.jet_age or 0.0) / 3600.0)

    @property
    def is_proven(self) -> bool:
        """Whether the verdict is one of now: seen, judged lately, and of readings without doubt."""
        return self.is_seen and not self.is_quiet and not self.sight.doubts

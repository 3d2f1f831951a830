"""What the service knows of each machine right now, for the page and for checks from outside."""

from __future__ import annotations

from dataclasses import dataclass, field

from borewarden.collect.link import LinkState
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Pump
from borewarden.watcher.verdict import Verdict


@dataclass
class MachineStatus:
    """One machine under watch. SI; times ns since 1970 UTC.

    `samples` counts what was taken in since the start of the service (whether all of it is on disk,
    `health.Keeping` says), `last_sample_ns` is the newest of them, `phase` that sample's phase by
    name, `alarm` the state of its alarm in the words of ISA-18.2, `shelved_until_ns` when its
    shelving ends if it is shelved, `link` the newest news of the connection.
    """

    name: str
    time_zone: str
    pump: Pump
    verdict: Verdict
    limit: float = 0.08  # relative growth at which the bore counts as opened up
    link: LinkState | None = None
    last_sample_ns: int = 0
    samples: int = 0
    phase: str = "no data"
    alarm: str = "normal"
    shelved_until_ns: int | None = None
    shelved_by: str | None = None
    inspection: str = ""  # of the present event, in words
    missed_hours: float = 0.0
    jewels: list[Jewel] = field(default_factory=list)  # in the heads, as the verdict takes it
    latency_s: list[float] = field(default_factory=list)  # sample to kept, newest last, bounded

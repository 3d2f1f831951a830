"""What is kept of an inspection. Stores hold the names and the findings, so neither may change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from borewarden.diagnose.causes import Cause


class Finding(Enum):
    """What an inspection comes to."""

    CONFIRMED = "confirmed"  # there is a fault, and this is it
    EXPLAINED = "explained"  # nothing is broken: a second head, another jewel
    RULED_OUT = "bore ruled out"
    UNDECIDED = "undecided"
    NOTHING_FOUND = "nothing found"  # a routine inspection, without an alert

    @property
    def closes(self) -> bool:
        """Whether this ends the alarm."""
        return self in (Finding.EXPLAINED, Finding.RULED_OUT)


@dataclass(frozen=True)
class Picture:
    """A picture that is kept.

    Parameters
    ----------
    sha256
        SHA-256 of its bytes, hexadecimal.
    name
        Name of its file.
    measured
        The finding on its rim in words, if the rim was measured.
    chip_angle_deg
        Missing rim (degrees of 360), if the rim was measured.

    """

    sha256: str
    name: str
    measured: str | None = None
    chip_angle_deg: float | None = None


@dataclass(frozen=True)
class Inspection:
    """One inspection of one machine.

    Parameters
    ----------
    machine, by
        Name of the machine, and who looked.
    time_ns
        When they looked (ns since 1970 UTC).
    answers
        By name of the step; steps that nobody looked at are left out.
    finding, reason, next_step
        What it came to, why, and what to do next, in words.
    cause, probability
        The cause found, and its probability (0 to 1); None where there is none.
    alert_ns, alert_state, onset_ns, step
        Of the alert that it is about: when (ns since 1970 UTC), its state, when the change began
        (ns since 1970 UTC) and the relative change of area. None for a routine inspection.
    pictures, note
        What else is kept.

    """

    machine: str
    time_ns: int
    by: str
    answers: Mapping[str, str]
    finding: Finding
    reason: str
    next_step: str
    cause: Cause | None = None
    probability: float | None = None
    alert_ns: int | None = None
    alert_state: str | None = None
    onset_ns: int | None = None
    step: float | None = None
    pictures: tuple[Picture, ...] = ()
    note: str = ""

    @property
    def outcome(self) -> str:
        """What it came to, in words."""
        what = f": {self.cause.words}" if self.cause else ""
        return f"{self.finding.value}{what} ({self.reason})"

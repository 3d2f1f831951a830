"""The causes of a change in the water that the pump delivers, and their odds before anyone looks.

References
----------
.. [1] The directions (a jewel fails sooner than anything else; jewels are changed on a stopped
   machine) are common practice, no source. The figures are invented.

"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

INTENSIFIER, DIRECT_DRIVE = "intensifier", "direct drive"  # kinds of pump


class Cause(Enum):
    """What can change the effective area that the pump sees, in the words of the trade.

    Stores, labels and dashboards keep the values: change one and old records no longer load.
    """

    BORE = "bore opened up"
    LEAK = "plunger seal or check valve leaking"
    SECOND_HEAD = "second head or valve open"
    BLOCKED = "orifice or last-chance filter partly blocked"
    TRANSDUCER = "pressure transducer drifting"
    FEED = "feed starvation or air in the water"
    SLIP = "belt slip or change of drive speed"
    BYPASS = "bypass or relief valve leaking"
    OTHER_BORE = "another bore fitted without a record"
    UNKNOWN = "none of the causes known to the watcher"

    @property
    def words(self) -> str:
        """The cause as people read it; stores and dashboards keep its value."""
        return _WORDS.get(self, self.value)


_WORDS = {
    Cause.OTHER_BORE: "another jewel was fitted and not recorded",
    Cause.UNKNOWN: "none of the known causes",
}


@dataclass(frozen=True)
class Belief:
    """One cause, its probability (0 to 1), and the reasons for and against it, in words.

    `alike` are the causes that nothing measured on this machine tells from it.
    """

    cause: Cause
    probability: float
    evidence_for: tuple[str, ...] = ()
    evidence_against: tuple[str, ...] = ()
    alike: tuple[Cause, ...] = ()


# Relative odds that each cause begins in a jet hour, dimensionless. Invented.
PRIOR = {
    Cause.BORE: 20.0,
    Cause.LEAK: 4.0,
    Cause.SECOND_HEAD: 2.0,
    Cause.BLOCKED: 4.0,
    Cause.TRANSDUCER: 2.0,
    Cause.FEED: 3.0,
    Cause.SLIP: 1.0,
    Cause.BYPASS: 2.0,
    Cause.OTHER_BORE: 4.0,
    Cause.UNKNOWN: 0.2,
}

# Share of each cause that begins at a stop of the machine, 0 to 1. Invented; the direction is
# common practice, no source: people work on a stopped machine.
USUAL_AT_STOP = 0.04
AT_STOP = dict.fromkeys(Cause, USUAL_AT_STOP) | {Cause.OTHER_BORE: 0.98, Cause.UNKNOWN: 0.2}

# Share of each cause that comes over minutes where it is found as a step, 0 to 1. Invented; the
# direction is common practice, no source: a rim chips in an instant, a seal goes by and by.
COMES_OVER_MINUTES = dict.fromkeys(Cause, 0.4) | {
    Cause.BORE: 0.03,
    Cause.SECOND_HEAD: 0.01,
    Cause.OTHER_BORE: 0.01,
}


class Pace(NamedTuple):
    """How fast a cause goes that comes slowly: log area by jet hour, log-normal.

    `share` is that of its beginnings that do, beside other causes; dimensionless.
    """

    median: float  # 1/h
    spread: float  # of the logarithm
    share: float = 1.0


# Invented; the direction is common practice, no source: a jewel wears over tens of jet hours, a
# seal that has begun to leak goes within hours, a transducer drifts over weeks or fails by and by,
# and what somebody has fitted or opened does not grow.
GOES_BY = dict.fromkeys(Cause, Pace(0.03, 1.3)) | {
    Cause.BORE: Pace(0.003, 1.3),
    Cause.BLOCKED: Pace(0.01, 1.6),
    Cause.TRANSDUCER: Pace(0.01, 1.6),
    Cause.SECOND_HEAD: Pace(0.1, 1.0, 0.02),
    Cause.OTHER_BORE: Pace(0.1, 1.0, 0.02),
    Cause.UNKNOWN: Pace(0.01, 3.0),
}

ONLY_DIRECT_DRIVE = frozenset({Cause.SLIP, Cause.BYPASS})


def possible_causes(is_intensifier: bool) -> tuple[Cause, ...]:
    """Return the causes that this kind of pump can have, in the order of `Cause`."""
    return tuple(c for c in Cause if not (is_intensifier and c in ONLY_DIRECT_DRIVE))

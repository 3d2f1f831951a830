"""Whether what a machine sends is a usable reading: not every row of numbers is one.

Usable is a pressure together with what the pump's flow is worked out from (stroke counter, stroke
rate or crank speed), both of them plausible: within what the plate allows, moving while the machine
works, fitting each other, and agreeing with what the same machine has shown before. A machine that
is switched off and shows nought is seen well.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import HEAD, Samples
from borewarden.base.shown import shown as shown_unit
from borewarden.base.text import span_words
from borewarden.base.units import PER_MINUTE
from borewarden.collect.sight_loop import look_on_bytes
from borewarden.collect.sight_state import NEVER, PROVEN, SIGHT, Channels, Fault, Plate, Seen
from borewarden.physics.pump import Displacement, Intensifier, Pump

__all__ = ["BLIND_AFTER", "Plate", "Sight", "Usable", "channel_words"]

BLIND_AFTER = 60.0  # s without a usable reading, after which a machine counts as not seen; invented


class Usable(NamedTuple):
    """What can be used of a machine's readings, as of its newest sample.

    `newest_ns` is the time of the newest usable one, None before the first. `faults` say what is
    wrong with the newest sample, by the fields of `Samples`; empty if that one is usable. `doubts`
    say what nothing speaks against and nothing shows either. `unusable` has shape (n,): which
    samples of the block are numbers that can't be right.
    """

    newest_ns: int | None
    faults: dict[str, str]
    doubts: dict[str, str]
    unusable: NDArray[np.bool_]


class Sight:
    """Follows whether the readings of one machine are usable.

    `learn_many(samples, area)` takes blocks of any size in order of time; `area` is the effective
    one of the stated jewels, m². The answer does not depend on how the samples are cut.
    """

    def __init__(self, plate: Plate, displacement: Displacement) -> None:
        self.plate = plate
        self.displacement = displacement
        self.flow = "stroke_count" if plate.counts else "rate"
        # a view of a record costs more than the loop itself for the short blocks of a live machine
        self._state = np.zeros(SIGHT.itemsize, dtype=np.uint8)
        state: Any = self._state.view(SIGHT).view(np.recarray)[0]
        state.usable_ns = NEVER
        state.last_pressure = state.rate.last = np.nan

    def distrust(self) -> None:
        """Have the readings prove themselves: before a restart, the newest were unusable."""
        state: Any = self._state.view(SIGHT).view(np.recarray)[0]
        state.unproven = PROVEN * self.plate.stuck_time

    def learn_many(self, samples: Samples, area: float) -> Usable:
        """Take a block of samples; see the class."""
        unusable = np.zeros(len(samples.time_ns), dtype=np.bool_)
        channels = Channels(
            samples.time_ns,
            samples.pressure,
            samples.rate,
            samples.stroke_count,
            samples.valve,
            unusable,
        )
        seen = look_on_bytes(self._state, self.plate, self.displacement, area, channels)
        faults: dict[str, str] = {}
        doubts: dict[str, str] = {}
        if seen.pressure_fault:
            faults["pressure"] = self._of_pressure(seen.pressure_fault, seen.pressure_value)
        if seen.flow_fault:
            faults[self.flow] = self._of_flow(seen.flow_fault, seen.flow_value)
        if seen.unproven > 0.0 and not faults:
            faults["pressure"] = (
                "was unusable before the watcher was restarted; it has to be sound for "
                f"{span_words(seen.unproven)} more with the pump at pressure"
            )
        if not faults and (words := self._doubt_of_pressure(seen)):
            doubts["pressure"] = words
        if seen.flow_still > 0.0 and not faults:
            words = "shows no strokes" if self._is_at_rest(samples) else "has not changed"
            doubts[self.flow] = _unproven(words, seen.flow_still)
        elif seen.flow_little > 0.0 and not faults:
            works = "strokes" if self.plate.pistons else "turns"
            words = f"shows far fewer {works} than the stated bore takes"
            doubts[self.flow] = _unproven(words, seen.flow_little)
        newest_ns = None if seen.usable_ns == NEVER else seen.usable_ns
        return Usable(newest_ns, faults, doubts, unusable)

    def _doubt_of_pressure(self, seen: Seen) -> str:
        if seen.pressure_still > 0.0:
            return _unproven("has not changed", seen.pressure_still)
        if seen.is_late:
            apart = span_words(self.plate.max_gap)
            return f"came more than {apart} late; nothing shows that it is renewed in time"
        if seen.below > 0.0:
            working = shown_unit("pressure").brief(self.plate.working_pressure)
            words = f"was never above the {working} of a jet while the pump worked"
            return _unproven(words, seen.below)
        return ""

    def _is_at_rest(self, samples: Samples) -> bool:
        """Whether the newest sample has no rate."""
        return self.plate.counts or not (len(samples.rate) and samples.rate[-1] > 0.0)

    def _of_pressure(self, fault: int, value: float) -> str:
        unit = shown_unit("pressure")
        shown, rated = unit.brief(value), unit.brief(self.plate.rated_pressure)
        match fault:
            case Fault.OUT_OF_RANGE:
                return f"{shown} is out of range; the pump is rated {rated}"
            case Fault.WRONG_SCALE:
                return f"{shown} is out of range; the pump is rated {rated}: wrong unit or scale?"
            case Fault.FROZEN:
                return f"stands still at {shown}"
            case Fault.FULL_SCALE:
                return f"stuck at {shown}, above the rated {rated}: full scale of the sensor?"
            case Fault.ABOVE:
                return f"held at {shown}, above the rated {rated}: wrong unit or scale?"
            case Fault.OTHER_UNIT:
                return f"{shown} is the usual pressure in another unit"
            case Fault.REPEATS:
                return f"repeats the readings of {span_words(value)} before, to the last digit"
            case Fault.SELDOM:
                return (
                    f"comes {span_words(value)} apart; readings more than "
                    f"{span_words(self.plate.max_gap)} apart are not enough"
                )
            case Fault.MISFIT:
                works = "strokes" if self.plate.strokes else "turning crank"
                return (
                    f"{shown} does not fit the {works}: wrong unit, scale or register, or water "
                    "that does not go through the jewel?"
                )
        return "no value"

    def _of_flow(self, fault: int, value: float) -> str:
        unit = "strokes/min" if self.plate.strokes else "turns/min"
        per_minute = f"{value / PER_MINUTE:.4g} {unit}"
        most = f"{self.plate.max_rate / PER_MINUTE:.4g}"
        if self.plate.counts and (words := _of_count(fault, value)):
            return words
        match fault:
            case Fault.OUT_OF_RANGE:
                return f"{per_minute} is out of range; the pump makes {most}"
            case Fault.WRONG_SCALE | Fault.TOO_FAST:
                return f"{per_minute} is out of range; the pump makes {most}: wrong unit or scale?"
            case Fault.FROZEN:
                return f"stands still at {per_minute}"
            case Fault.STANDS:
                shown = shown_unit("pressure").brief(value)
                if self.plate.strokes:
                    return f"shows no strokes at {shown}, though the jet seems to be on"
                return f"shows no turns at {shown}"
        return "no value"


def _of_count(fault: int, value: float) -> str:
    """What only a counter can have wrong; else empty."""
    match fault:
        case Fault.OUT_OF_RANGE | Fault.WRONG_SCALE:
            why = ": all bits set stand for no value" if value > 0.0 else ""
            return f"{value:.0f} is no count{why}"
        case Fault.REPEATS:
            return f"went back {value:.0f} times, and showed old counts again"
        case Fault.DROPS:
            return f"dropped to 0 and came back {value:.0f} times"
        case Fault.SECONDS:
            return f"counted {value:.0f} in as many seconds: a clock in place of strokes?"
        case Fault.JUMPS:
            return f"jumps, last by {value:,.0f}: wrong type, word order, scale or register?"
    return ""


def _unproven(words: str, seconds: float) -> str:
    return f"{words} for {span_words(seconds)}; nothing shows that it works, or that it does not"


def channel_words(name: str, pump: Pump) -> str:
    """A field of `Samples` as people at the `pump` say it."""
    strokes = isinstance(pump, Intensifier)
    match name:
        case "rate":
            return "stroke rate" if strokes else "crank speed"
        case "stroke_count":
            return "stroke counter" if strokes else "turn counter"
        case "temperature":
            return "water temperature"
        case _ if name.startswith(HEAD):
            return f"valve of head {name.removeprefix(HEAD)}"
    return name.replace("_", " ")

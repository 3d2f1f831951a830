"""When people are alerted: one alarm's states, delays and repeats, as a pure state machine.

States and words are those of ISA-18.2 / IEC 62682 (from memory): an alarm is normal,
unacknowledged, acknowledged, returned to normal unacknowledged, or shelved until a stated time.
A condition must last before it counts (on-delay, off-delay), and notices are rationed, so that a
flapping condition can't cause a storm of mail. Nothing is lost: what was held back goes out, in its
latest state, as soon as the ration allows.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal

from borewarden.inspection.record import Finding, Inspection
from borewarden.watcher.verdict import State, Verdict

NoticeKind = Literal["alarm", "repeat", "all-clear", "blind", "sight again"]
About = Literal["bore", "sight"]

BURST = 4  # notices that may go at once after a quiet time: an alarm, a worse one, two all-clears
CLOCK_STEP_NS = 300 * 10**9  # a larger step back means that somebody set the clock
SAME_EVENT_NS = 900 * 10**9  # the onset of one event moves as more of it is seen
BLIND = "blind"


class AlarmState(Enum):
    """States of an alarm in the terms of ISA-18.2 / IEC 62682."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal, unacknowledged"
    SHELVED = "shelved"
    CLOSED = "closed by inspection"  # not a standard state: people found nothing wrong


@dataclass(frozen=True)
class AlarmSettings:
    """Seconds. Defaults are invented by this project and meant to be tuned.

    A condition is announced once it has lasted `on_delay` and cleared once it has been away for
    `off_delay`. `repeat` is the time between reminders of an unacknowledged alarm, and on average
    between any two notices; `longest_shelving` the longest that an alarm may be shelved for.
    """

    on_delay: float = 30.0
    off_delay: float = 300.0
    repeat: float = 4.0 * 3600.0
    longest_shelving: float = 7.0 * 86400.0

    def __post_init__(self) -> None:
        """Refuse settings that make no sense."""
        if self.on_delay < 0.0 or self.off_delay < 0.0:
            raise ValueError("the delays of an alarm can't be negative")
        if self.repeat <= 0.0 or self.longest_shelving <= 0.0:
            raise ValueError("repeat and longest_shelving must be above 0 s")

    def check_shelving(self, time_ns: int, until_ns: int) -> None:
        """Raise ValueError unless `until_ns` is ahead, by `longest_shelving` at most."""
        if until_ns <= time_ns:
            raise ValueError("shelving must end in the future")
        if until_ns - time_ns > round(self.longest_shelving * 1e9):
            raise ValueError(
                f"an alarm can be shelved for at most {self.longest_shelving / 3600.0:g} h"
            )


BORE_ALARM = AlarmSettings()
SIGHT_ALARM = AlarmSettings(on_delay=60.0, off_delay=60.0)


@dataclass(frozen=True)
class Notice:
    """What people should hear now.

    The alarm leaves `verdict` None; the caller, who has the watcher, puts the present one in.
    `first_ns` is the time of the notice that announced the alarm to which this one belongs,
    `earlier_ns` that of the newest alert before this one that was still open; 0 if there is none.
    """

    kind: NoticeKind
    machine: str
    time_ns: int
    reason: str
    verdict: Verdict | None = None
    state: State | None = None
    about: About = "bore"
    first_ns: int = 0
    earlier_ns: int = 0


@dataclass
class Alarm:
    """One alarm of one machine: of its bore, or of the watcher's own sight of it.

    Times are ns since 1970 UTC by one clock, the watcher's. A few minutes back count as no time;
    further back, the clock was set, and everything being timed moves with it.
    """

    machine: str
    settings: AlarmSettings = BORE_ALARM
    about: About = "bore"
    reason: str = ""
    condition: str | None = None  # what has lasted long enough to count; None: normal
    acknowledged: bool = True
    acknowledged_by: str | None = None
    acknowledged_ns: int | None = None
    raised_ns: int | None = None
    shelved_by: str | None = None
    shelved_ns: int | None = None
    shelved_until_ns: int | None = None
    unshelved_by: str | None = None  # also None if the last shelving ran out
    unshelved_ns: int | None = None
    inspected: str = ""  # what an inspection of the present event came to, in words
    inspected_by: str | None = None
    inspected_ns: int | None = None
    inspection: int = 0  # number of the newest entry that was taken into account
    closed: str | None = None  # the condition that an inspection ruled out, and its onset
    closed_onset_ns: int | None = None
    # the memory of the state machine
    reported: str | None = None  # what the watcher last believed, closed or not
    onset_ns: int | None = None  # of that event
    gone_since_ns: int | None = None  # since when it is no longer reported
    seen: str | None = None  # the condition as last reported
    differs_since_ns: int | None = None  # since when `seen` is other than `condition`
    learning: bool = False
    told: str | None = None  # the condition as people last heard of it
    told_ns: int = 0
    first_ns: int = 0
    alert_ns: int = 0  # when an alert was told last, reminders left out
    ration: float = field(default=float(BURST))
    now_ns: int | None = None

    @property
    def state(self) -> AlarmState:
        """The state of the alarm now."""
        if self.shelved_until_ns is not None:
            return AlarmState.SHELVED
        if self.condition is not None:
            return AlarmState.ACKNOWLEDGED if self.acknowledged else AlarmState.UNACKNOWLEDGED
        if self.quiet:
            return AlarmState.CLOSED
        return AlarmState.NORMAL if self.acknowledged else AlarmState.RETURNED

    @property
    def quiet(self) -> bool:
        """Whether what the watcher believes is what an inspection closed."""
        return self.closed is not None and self._is_about(self.closed, self.closed_onset_ns)

    def update(
        self, state: State, reason: str, time_ns: int, onset_ns: int | None = None
    ) -> list[Notice]:
        """Take what the watcher believes of the bore; `onset_ns` if it knows since when."""
        if state is State.LEARNING:
            # another jewel: neither a fault nor an all-clear until something is known of it
            self.reported = self.onset_ns = None
            self._forget_inspection()
            return self._see(None, self.reason, time_ns, learning=True)
        self.reported = None if state is State.SOUND else state.value
        self.onset_ns = onset_ns
        if self.closed is not None:
            self._follow_closed(time_ns)
        return self._see(None if self.quiet else self.reported, reason, time_ns)

    def inspect(self, entry: int, held: Iterable[Inspection], time_ns: int) -> list[Notice]:
        """Take the inspections that hold now, the newest last; that about this event counts.

        One that rules the alarm out or explains it closes it: nothing more is told of that event
        until another one begins. One that confirms it counts as an acknowledgement. Where none
        holds any more, what one had closed is open again. `entry` is the number by which it is
        known that this was taken into account.
        """
        was_quiet = self.quiet
        self._forget_inspection()
        self.inspection = entry
        about = [each for each in held if self._is_about(each.alert_state, each.onset_ns)]
        if about:
            inspection = about[-1]
            self.inspected = f"{inspection.outcome}. {inspection.next_step}"
            self.inspected_by, self.inspected_ns = inspection.by, inspection.time_ns
            if inspection.finding is Finding.CONFIRMED:
                self.acknowledge(time_ns, inspection.by)
            if inspection.finding.closes:
                self.closed, self.closed_onset_ns = self.reported, self.onset_ns
                self.condition = self.told = self.seen = self.differs_since_ns = None
                self.acknowledged, self.acknowledged_ns = True, time_ns
                self.acknowledged_by = inspection.by
                return []
        return self._see(self.reported, self.reason, time_ns) if was_quiet else []

    def see(self, sees: bool, reason: str, time_ns: int) -> list[Notice]:
        """Take whether the watcher sees the machine at all; for an alarm about its sight."""
        return self._see(None if sees else BLIND, reason, time_ns)

    def tick(self, time_ns: int) -> list[Notice]:
        """Let time go by: delays run out, shelving ends, reminders fall due."""
        now = self._advance(time_ns)
        self._confirm(now)
        if self.shelved_until_ns is not None:
            if now < self.shelved_until_ns:
                return []
            self.shelved_until_ns = self.shelved_ns = self.shelved_by = None
            if self.condition is not None:
                self.acknowledged = False
                self.told_ns = now - self._ns(self.settings.repeat)  # remind at once
        return self._notices(now)

    def acknowledge(self, time_ns: int, by: str) -> None:
        """Somebody has taken note: no more reminders. Nothing happens if nothing is open."""
        if not self.acknowledged:
            self.acknowledged, self.acknowledged_by, self.acknowledged_ns = True, by, time_ns

    def shelve(self, time_ns: int, until_ns: int, by: str) -> None:
        """Keep quiet until `until_ns`; whatever still holds by then is told anew.

        Raises ValueError if the end is not ahead, or further off than `longest_shelving`.
        """
        self.settings.check_shelving(time_ns, until_ns)
        self.shelved_until_ns, self.shelved_ns, self.shelved_by = until_ns, time_ns, by
        self.unshelved_by = self.unshelved_ns = None

    def unshelve(self, time_ns: int, by: str) -> list[Notice]:
        """End the shelving now, if there is one."""
        if self.shelved_until_ns is not None:
            self.shelved_until_ns = min(self.shelved_until_ns, self._advance(time_ns))
            self.unshelved_by, self.unshelved_ns = by, time_ns
        return self.tick(time_ns)

    def to_json(self) -> str:
        """All of the alarm as JSON, settings included."""
        return json.dumps(dataclasses.asdict(self))

    @classmethod
    def from_json(cls, text: str, settings: AlarmSettings | None = None) -> Alarm:
        """The alarm that `to_json` wrote; `settings` replace those of back then."""
        fields = json.loads(text)
        fields["settings"] = settings or AlarmSettings(**fields["settings"])
        return cls(**fields)

    # -- inside

    @staticmethod
    def _ns(seconds: float) -> int:
        return round(seconds * 1e9)

    def _forget_inspection(self) -> None:
        self.inspected, self.inspected_by, self.inspected_ns = "", None, None
        self.closed = self.closed_onset_ns = self.gone_since_ns = None

    def _is_about(self, condition: str | None, onset_ns: int | None) -> bool:
        """Whether that is the event last reported, which may change its name but not its onset."""
        if self.reported is None or condition is None:
            return False
        if onset_ns is None or self.onset_ns is None:
            return onset_ns == self.onset_ns and condition == self.reported
        return abs(onset_ns - self.onset_ns) <= SAME_EVENT_NS

    def _follow_closed(self, time_ns: int) -> None:
        """Once what was closed has been gone for the off-delay, it would be news again."""
        if self.quiet:
            self.gone_since_ns = None
        elif self.gone_since_ns is None or time_ns < self.gone_since_ns:
            self.gone_since_ns = time_ns
        elif time_ns - self.gone_since_ns >= self._ns(self.settings.off_delay):
            self._forget_inspection()

    def _advance(self, time_ns: int) -> int:
        """The alarm's own time, which never goes back; refills the ration."""
        before = time_ns if self.now_ns is None else self.now_ns
        if before - time_ns > CLOCK_STEP_NS:
            shift = before - time_ns
            if self.differs_since_ns is not None:
                self.differs_since_ns -= shift
            self.told_ns -= shift
            before = time_ns
        self.now_ns = max(before, time_ns)
        gone = (self.now_ns - before) / self._ns(self.settings.repeat)
        self.ration = min(self.ration + gone, float(BURST))
        return self.now_ns

    def _see(
        self, seen: str | None, reason: str, time_ns: int, learning: bool = False
    ) -> list[Notice]:
        now = self._advance(time_ns)
        self._confirm(now)  # what has lasted until now counts, whatever comes next
        self.learning = learning
        if learning:
            seen = self.condition
        if seen == self.condition:
            self.differs_since_ns = None
        elif self.differs_since_ns is None or (seen is None) != (self.seen is None):
            self.differs_since_ns = now
        self.seen, self.reason = seen, reason
        return self.tick(time_ns)

    def _confirm(self, now: int) -> None:
        if self.differs_since_ns is None:
            return
        s = self.settings
        delay = s.off_delay if self.seen is None else s.on_delay
        if now - self.differs_since_ns < self._ns(delay):
            return
        if self.seen is not None:
            self.acknowledged, self.acknowledged_by, self.acknowledged_ns = False, None, None
            if self.condition is None:
                self.raised_ns = now
        self.condition, self.differs_since_ns = self.seen, None

    def _notices(self, now: int) -> list[Notice]:
        if self.ration < 1.0:
            return []
        kind: NoticeKind
        if self.condition != self.told:
            if self.about == "sight":
                kind = "sight again" if self.condition is None else "blind"
            else:
                kind = "all-clear" if self.condition is None else "alarm"
        elif (
            self.condition is not None
            and not self.acknowledged
            and not self.learning
            and self.differs_since_ns is None  # not while it may just be over
            and now - self.told_ns >= self._ns(self.settings.repeat)
        ):
            kind = "repeat"
        else:
            return []
        earlier_ns = self.alert_ns if self.told is not None else 0
        if self.told is None:
            self.first_ns = now
        if kind in ("alarm", "blind"):
            self.alert_ns = now
        self.ration -= 1.0
        self.told, self.told_ns = self.condition, now
        state = None
        if self.about == "bore":
            state = State.SOUND if self.condition is None else State(self.condition)
        return [
            Notice(
                kind,
                self.machine,
                now,
                self.reason,
                state=state,
                about=self.about,
                first_ns=self.first_ns,
                earlier_ns=earlier_ns,
            )
        ]

"""The clock of a source, put right by ours.

The times of a source are worth having: they don't suffer on the way. But its clock may be wrong,
may be set, and may run too fast or too slow. Ours is the one that all times go by.
"""

from __future__ import annotations

from collections import deque
from typing import Generic, Literal, TypeVar

from borewarden.base.text import span_words

Row = TypeVar("Row")

NS = 10**9
LOOK = 60.0  # s from one look at a source's clock to the next
LOOKS = 16  # that its pace is worked out from
WANDERED = 2.0  # s; servers show their clocks in steps of up to a second
FASTEST = 0.03  # share by which a clock may run fast or slow; what is more was a step
CATCH_UP = 3600.0  # s in which a clock that has wandered is brought back: 0.06 % of two seconds
NEWS = 0.005  # share by which the pace of a clock changes before that is told
LATE = 120.0  # s by which messages may be late, as through a bad network
WATCHED = 10.0  # s for which messages come before their clock is held to be wrong
GAINED = 5.0  # s; messages that gain so much on our clock were kept back somewhere


class SourceClock:
    """From a source's time to ours, by looks at both clocks. Times in ns since 1970 UTC.

    A clock that is up to `ahead` s ahead of ours or `behind` s behind is left as it is, so that
    times stay those of the source; a difference that is more is taken off. A clock that runs at a
    pace of its own is followed without a step. `words` say what is put right; they are empty if
    nothing is.
    """

    def __init__(self, ahead: float, behind: float) -> None:
        self.words = ""
        self._ahead_ns = round(ahead * NS)
        self._behind_ns = round(behind * NS)
        self._from = (0, 0)  # a time of the source, and the same of ours
        self._pace = 1.0  # seconds of ours in one of the source
        self._told_pace = 1.0
        self._looks: deque[tuple[int, int]] = deque(maxlen=LOOKS)
        self._left_ns = 0  # by how much ours was later at the first look, and may stay so
        self._off_ns = 0  # by how much ours was later at the newest look than it should have been

    def here(self, source_ns: int) -> int:
        """The time of ours that `source_ns` is."""
        source, here = self._from
        since = source_ns - source
        return here + (since if self._pace == 1.0 else round(since * self._pace))

    def look(self, source_ns: int, here_ns: int, used_ns: int | None = None) -> None:
        """Take note that the source's clock shows `source_ns` at `here_ns`.

        `used_ns` is the newest time of the source's that was asked for, if that is another one.
        """
        if not self._looks:
            self._begin(source_ns, here_ns)
            return
        off_ns = here_ns - self.here(source_ns) - self._left_ns
        passed_ns = here_ns - self._looks[-1][1]
        if abs(off_ns - self._off_ns) > WANDERED * NS + FASTEST * abs(passed_ns):
            self._begin(source_ns, here_ns)
        elif passed_ns >= 0.5 * LOOK * NS:
            self._looks.append((source_ns, here_ns))
            self._off_ns = off_ns
            if self._pace != 1.0 or abs(off_ns) >= WANDERED * NS:
                self._follow(source_ns, here_ns, source_ns if used_ns is None else used_ns)

    def _follow(self, source_ns: int, here_ns: int, used_ns: int) -> None:
        """Go on from here without a step, at the pace of the last looks."""
        source, here = self._looks[0]
        pace = (here_ns - here) / max(source_ns - source, 1)
        pace = min(max(pace, 1.0 - FASTEST), 1.0 + FASTEST)
        self._from = used_ns, self.here(used_ns)
        self._pace = pace + self._off_ns / (CATCH_UP * NS)
        if abs(pace - self._told_pace) > NEWS:
            self._told_pace = pace
            self._say()

    def put_right(self, source_ns: int, here_ns: int) -> None:
        """From now on `source_ns` is `here_ns`, also if the difference may well be left."""
        self._begin(source_ns, here_ns, is_right=None if self._is_put_right else False)

    def ours_was_set(self, step_ns: int) -> None:
        """Our own clock was set, forward by `step_ns`."""
        if self._looks:
            source_ns, here_ns = self._looks[-1]
            self._begin(source_ns, here_ns + step_ns)

    @property
    def _is_put_right(self) -> bool:
        return self._from[0] != self._from[1]

    def _begin(self, source_ns: int, here_ns: int, is_right: bool | None = None) -> None:
        behind_ns = here_ns - source_ns
        if is_right is None and self._is_put_right:
            is_right = abs(behind_ns) <= WANDERED * NS  # it is not called right before it is
        elif is_right is None:
            is_right = -self._ahead_ns <= behind_ns <= self._behind_ns
        self._from = source_ns, source_ns if is_right else here_ns
        self._left_ns = behind_ns if is_right else 0
        self._looks = deque([(source_ns, here_ns)], LOOKS)
        self._off_ns = 0
        self._pace = self._told_pace = 1.0
        self._say()

    def _say(self) -> None:
        words = []
        source, here = self._from
        if source != here:
            way = "ahead" if source > here else "behind"
            words.append(f"is {span_words(abs(source - here) / NS)} {way}")
        if abs(self._told_pace - 1.0) > NEWS:
            way = "slow" if self._told_pace > 1.0 else "fast"
            words.append(f"runs {abs(1.0 - 1.0 / self._told_pace):.1%} {way}".replace("%", " %"))
        self.words = f"whose clock {' and '.join(words)}: its times are put right" if words else ""


class Arrivals(Generic[Row]):
    """The times of rows that only show theirs as they arrive, such as messages through a broker.

    A row can't arrive before its time: if it seems to, the clock is ahead. If it comes late, or not
    after the row before it, it was kept back on its way, or the clock is behind; only the rows that
    follow show which. If they come faster than they were made, they were kept back, and their times
    hold. If they come at their own pace, the clock is put right. Until that is known, for `WATCHED`
    s at most, late rows wait. Up to `ahead` s ahead, or `LATE` s late, times are left as they are.
    """

    def __init__(self, ahead: float) -> None:
        self.clock = SourceClock(ahead, LATE)
        self.refused_ns: int | None = None  # the newest time that was not taken, until it is told
        self._ahead_ns = round(ahead * NS)
        self._newest_ns = 0  # by the source's clock
        self._odd: list[tuple[int, int]] = []  # times and arrivals of the odd rows that came last
        self._are_ahead = False  # or late, those
        self._kept_back = False  # late rows are known to have been kept back
        self._waiting: list[tuple[int, Row]] = []
        self._quickest: tuple[int, int] | None = None  # with the least delay of this minute
        self._minute_ns = 0  # when it began

    def take(
        self, source_ns: int, arrived_ns: int, row: Row, after_ns: int
    ) -> list[tuple[int, Row]]:
        """Rows whose time is known by now, with that time; the newest row given is of `after_ns`.

        A row with the very time of the one before it says nothing new, and is left out.
        """
        if source_ns == self._newest_ns:
            return []
        self._newest_ns = source_ns
        here_ns = self.clock.here(source_ns)
        if here_ns - arrived_ns > self._ahead_ns:
            return self._take_ahead(source_ns, arrived_ns, row)
        if arrived_ns - here_ns > LATE * NS or here_ns <= after_ns:
            return self._take_late(source_ns, arrived_ns, row)
        ready = self.settle()
        self._watch(source_ns, arrived_ns)
        return [*ready, (self.clock.here(source_ns), row)]

    def is_catching_up(self, now_ns: int) -> bool:
        """Whether rows that were kept back are still coming."""
        return self._kept_back and now_ns - self._odd[-1][1] < WATCHED * NS

    @property
    def waiting(self) -> int:
        """How many rows wait for their time to be known."""
        return len(self._waiting)

    def settle(self) -> list[tuple[int, Row]]:
        """Rows that still wait, by their own times: nothing more speaks against those."""
        ready = [(self.clock.here(source_ns), row) for source_ns, row in self._waiting]
        self._odd, self._waiting, self._kept_back = [], [], False
        return ready

    def ours_was_set(self, step_ns: int) -> None:
        """Our own clock was set, forward by `step_ns`."""
        self.clock.ours_was_set(step_ns)
        self._odd = [(source, arrived + step_ns) for source, arrived in self._odd]
        self._quickest = None

    def _take_ahead(self, source_ns: int, arrived_ns: int, row: Row) -> list[tuple[int, Row]]:
        ready = [] if self._are_ahead else self.settle()
        self._are_ahead = True
        if self._found(source_ns, arrived_ns) == "clock":
            return [*ready, (self.clock.here(source_ns), row)]
        self.refused_ns = source_ns
        return [*ready, (arrived_ns, row)]

    def _take_late(self, source_ns: int, arrived_ns: int, row: Row) -> list[tuple[int, Row]]:
        if self._are_ahead:
            self.settle()
        self._are_ahead = False
        found = self._found(source_ns, arrived_ns)
        self._waiting.append((source_ns, row))
        if found == "nothing" and not self._kept_back:
            return []
        odd = self._odd
        ready = self.settle()
        if found != "clock":
            self._odd, self._kept_back = odd, True
        return ready

    def _found(self, source_ns: int, arrived_ns: int) -> Literal["nothing", "kept back", "clock"]:
        """What the odd rows show by now; puts the clock right if it is that."""
        self._odd.append((source_ns, arrived_ns))
        source, arrived = self._odd[0]
        gained_ns = (source_ns - source) - (arrived_ns - arrived)
        if abs(gained_ns) > GAINED * NS:
            self._odd = [(source_ns, arrived_ns)]
            return "kept back"
        if arrived_ns - arrived < WATCHED * NS:
            return "nothing"
        self.clock.put_right(*max(self._odd, key=lambda odd: odd[0] - odd[1]))
        self._odd, self._quickest = [], None
        return "clock"

    def _watch(self, source_ns: int, arrived_ns: int) -> None:
        """Have the clock looked at once a minute, by the row of it that came with least delay."""
        quickest = self._quickest
        if quickest is None:
            self._minute_ns = arrived_ns
        if quickest is None or source_ns - arrived_ns > quickest[0] - quickest[1]:
            self._quickest = source_ns, arrived_ns
        if quickest is not None and arrived_ns - self._minute_ns >= LOOK * NS:
            self.clock.look(*quickest, source_ns)
            self._quickest = None

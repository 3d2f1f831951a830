"""The time line of a machine: what is kept of it only ever goes forward, whatever clocks do.

Rows have the time of this computer's clock, because the collectors see to that. If that clock is
set back, its times come once more. The line then ends where it is, and goes on a minute later: a
gap that everybody can see. What comes from then on is kept, `late_ns` later than the clock says.
A pump that stands still gives the clock time to catch up: once it has bled down, its rows are put
close together.
"""

from __future__ import annotations

import numpy as np

from borewarden.base.samples import Samples
from borewarden.base.text import span_words

PAUSE_NS = 60 * 10**9  # between two lines, and the most that is left of a longer silence
BLED_NS = 120 * 10**9  # after which a pump that stands still has surely bled down; invented
STILL_NS = 10**6  # between two rows of a pump that stands still, while the clock catches up
CLOCK_NS = 10**9  # by which our clock may be set without anybody noticing: see `link.Clock`


class TimeLine:
    """Puts rows behind one another. `newest_ns` is where the line ends.

    A row may be dated up to `ahead` s later than our clock, as a source's own clock allows. At
    `stopped_pressure` (Pa) and below, the pump stands still.
    """

    def __init__(self, newest_ns: int, stopped_pressure: float, ahead: float = 0.0) -> None:
        self.newest_ns = newest_ns
        self.late_ns = 0  # by how much the newest row is kept later than our clock says
        self._still_ns = 0  # for how long the pump has stood still
        self._stopped_pressure = stopped_pressure
        self._ahead_ns = round(ahead * 1e9) + CLOCK_NS

    def take(self, samples: Samples, now_ns: int) -> Samples:
        """What is new of `samples`, behind all that came before; `now_ns` is our clock.

        Rows that come a second time are left out. Block by block and row by row are the same.
        """
        times = samples.time_ns
        goes_on = not self.late_ns and times[0] > self.newest_ns
        if goes_on and (len(times) == 1 or bool(np.all(np.diff(times) > 0))):
            self.newest_ns = int(times[-1])
            return samples
        still = samples.pressure <= self._stopped_pressure
        places = [
            self._place(time_ns, bool(stands), now_ns)
            for time_ns, stands in zip(times.tolist(), still, strict=True)
        ]
        new = np.array([place is not None for place in places])
        placed = np.array([place for place in places if place is not None], dtype=np.int64)
        return Samples._make(channel[new] for channel in samples)._replace(time_ns=placed)

    def words(self) -> str:
        """What there is to say of the line; empty while it goes by our clock."""
        if not self.late_ns:
            return ""
        return (
            "this computer's clock was set back: samples are kept as "
            f"{span_words(self.late_ns * 1e-9)} later than it says, until the pump has stood "
            "still for that long"
        )

    def _place(self, time_ns: int, still: bool, now_ns: int) -> int | None:
        """Where a row goes, or None if it was there before."""
        last_ns = self.newest_ns - self.late_ns  # of the newest row, by the clock
        if time_ns <= last_ns:
            if last_ns - now_ns <= self._ahead_ns:
                return None
            place = self.newest_ns + PAUSE_NS
            self._still_ns = 0
        elif not self.late_ns:
            place = time_ns
        else:
            step = min(time_ns - last_ns, PAUSE_NS)
            self._still_ns = self._still_ns + step if still else 0
            if self._still_ns > BLED_NS:
                step = min(step, STILL_NS)
            place = max(time_ns, self.newest_ns + step)
        self.newest_ns = place
        self.late_ns = place - time_ns
        return place

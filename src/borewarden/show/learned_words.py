"""What was learned of the fitted jewel, how well, and what is missing, in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from borewarden.base.text import counted, span_words
from borewarden.base.times import local_time
from borewarden.physics.pump import Intensifier, Pump
from borewarden.watcher.known import Known

NOISY = 0.01  # scatter of one batch; this project's own judgement, no source
LONGER_CUTS = "Longer cuts, a valve signal or more frequent samples would help"
SCATTER = "few whole strokes between two readings, unseen pauses, or a pulsating pressure"
LONG = 0.25  # h, from which less than a jet's flow is worth a word; invented
SHARE = 0.5  # of the jet time that is steady: below it, little of each cut counts; invented


def learned_lines(known: Sequence[Known], pump: Pump, time_zone: str) -> list[str]:
    """Lines on each jewel, or each combination of open heads; "what: how well" each."""
    return [line for each in known for line in _lines(each, pump, time_zone)]


def _lines(known: Known, pump: Pump, time_zone: str) -> list[str]:
    where = f" ({known.heads})" if known.heads else ""
    steady = f"{known.steady / 60.0:.1f}"
    if math.isfinite(known.coefficient):
        spread = known.coefficient * known.coefficient_sd
        lines = [
            f"Learned{where}: C_d {known.coefficient:.3f} \u00b1 {spread:.3f}, apart from errors "
            f"in the pump's own figures; from {steady} min of steady jet, {known.batches} batches "
            f"that scatter by {100.0 * known.noise:.1f} %"
            + (f", which is a lot; {SCATTER} do that" if known.noise > NOISY else "")
        ]
        if known.last_ns:
            lines.append(
                f"Learned{where}: from {local_time(known.first_ns, time_zone)} to "
                f"{local_time(known.last_ns, time_zone)}; what had changed before that counts as "
                "normal"
            )
    else:
        lines = [
            f"Learned{where}: nothing yet; {steady} of {known.wanted / 60.0:.0f} min of steady "
            f"jet, {_pace(known)}"
        ]
    if not known.dead_headed and isinstance(pump, Intensifier):
        lines.append(
            f"Missing{where}: the pump was not yet seen dead-headed, under pressure with the jet "
            "closed, for long enough to tell its flow; until then, a leak is harder to tell from a "
            "larger bore"
        )
    if known.less_hours > LONG:
        lines.append(
            f"Not judged: for {known.less_hours:.1f} h more the pump delivered a quarter of the "
            "stated bore's flow and more, which counts as a closed jet. Most likely another head "
            "cut, or one of several alone: state a jewel for each head, and log which heads are "
            "open"
        )
    if known.emptied:
        scatter = f", to {100.0 * known.emptied_sd:.0f} %" if known.emptied > 1 else ""
        lines.append(
            f"Learned{where}: how quickly the line empties through the open jet, seen "
            f"{counted(known.emptied, 'time')}{scatter}; it tells a larger bore from a leak at the "
            "pump"
        )
    if known.shut:
        lines.append(
            f"Learned{where}: what the line loses while shut, seen {counted(known.shut, 'time')}"
        )
    return lines


def _pace(known: Known) -> str:
    """How much jet time that took, and how much more it may take."""
    seconds = known.jet_hours * 3600.0
    if seconds < 1.0:
        return "the jet was not on yet"
    words = f"out of {span_words(seconds)} with the jet on"
    if known.steady <= 0.0:
        first = "piercing, corners, and the first seconds of a cut do not count"
        return f"{words}: {first}. {LONGER_CUTS}"
    more = max(known.wanted - known.steady, 0.0) * seconds / known.steady
    short = f"; the cuts are short, and little of each is steady. {LONGER_CUTS}" if (
        known.steady < SHARE * seconds
    ) else ""  # fmt: skip
    return f"{words}: about {span_words(more)} of jet to go{short}"

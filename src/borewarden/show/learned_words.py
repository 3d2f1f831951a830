"""What was learned of the fitted jewel, how well, and what is missing, in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from borewarden.base.text import counted, span_words
from borewarden.base.times import clock_time, local_time
from borewarden.base.units import PER_MINUTE
from borewarden.physics.pump import Intensifier, Pump
from borewarden.show.wording import HEADS, UNKNOWN, change_words, heads_words, pressure_words
from borewarden.watcher.known import Known

NOISY = 0.01  # scatter of one batch; this project's own judgement, no source
LONGER_CUTS = "Longer cuts, a valve signal or more frequent samples would help"
SCATTER = "few whole strokes between two readings, unseen pauses, or a pulsating pressure"
SCATTER_OF_A_CRANK = "closed jets or short cuts among them, or a pulsating pressure"
LONG_MEAN = 5.0  # s, from which it is said that the rate is a mean; invented
SETTLES = 1.5  # of a mean's time, from when the jet opens to a reading that can be used
LATE_NS = 3600 * 10**9  # from the begin of a log: learned later, hours may be missing; invented
LONG = 0.25  # h, from which less than a jet's flow is worth a word; invented
SHARE = 0.5  # of the jet time that is steady: below it, little of each cut counts; invented
DATE = len("2026-03-04")


class HeadRow(NamedTuple):
    """What one combination of open heads took and takes, as cells of a table."""

    heads: str
    change: str
    then: str
    now: str
    learned: str


HEAD_COLUMNS = HeadRow("Open", "Effective area", "Level as learned", "Level now", "Learned from")


def learned_lines(known: Sequence[Known], pump: Pump, time_zone: str) -> list[str]:
    """Lines on each jewel; "what: how well" each.

    Of several combinations of open heads, those that `head_rows` leaves out, none of them twice.
    """
    if not has_heads(known):
        return [line for each in known for line in _lines(each, pump, time_zone)]
    return [
        f"Learned: a level for each head, or set of heads, that cut (see \u201c{HEADS}\u201d); "
        "what had changed before one was learned counts as normal there",
        *_lines_of_the_pump(known[0], pump),  # who was first has seen most of the closed jet
    ]


def has_heads(known: Sequence[Known]) -> bool:
    """Whether that is of several heads, so that there are `head_rows`."""
    return any(each.heads for each in known)


def head_rows(known: Sequence[Known], pump: Pump, time_zone: str) -> list[HeadRow]:
    """What the pump showed with each combination of open heads, and what it shows now."""
    if not has_heads(known):
        return []
    return [_head_row(each, pump, time_zone) for each in known]


def head_lines(known: Sequence[Known], pump: Pump, time_zone: str) -> list[tuple[str, str]]:
    """The same in two columns, for a narrow terminal."""
    return [
        (row.heads, f"{row.change}: {row.then}; now {row.now}. Learned from {row.learned}")
        if row.now != UNKNOWN
        else (row.heads, f"{row.change}: {row.learned}")
        for row in head_rows(known, pump, time_zone)
    ]


def _head_row(known: Known, pump: Pump, time_zone: str) -> HeadRow:
    if not math.isfinite(known.coefficient):
        so_far = f"{known.steady / 60.0:.1f} of {known.wanted / 60.0:.0f} min of steady jet so far"
        return HeadRow(heads_words(known.heads), "not learned yet", UNKNOWN, UNKNOWN, so_far)
    first, last, newest = (
        local_time(time_ns, time_zone) for time_ns in (known.first_ns, known.last_ns, known.now_ns)
    )
    if first[:DATE] == last[:DATE]:
        last = clock_time(known.last_ns, time_zone)
    noise = f"scatter {100.0 * known.noise:.1f} %"
    rate, rate_now = (f"{each / PER_MINUTE:.1f}" for each in (known.rate, known.rate_now))
    pressure, pressure_now = map(pressure_words, (known.pressure, known.pressure_now))
    unit = "strokes/min" if isinstance(pump, Intensifier) else "turns/min"
    level, now = f"{rate} {unit} at {pressure}", f"{rate_now} at that pressure"
    if pump.floats:
        reached = math.isfinite(known.pressure_now)
        level = f"{pressure} at {rate} {unit}"
        now = f"{pressure_now} at that speed" if reached else "no pressure would feed it"
    return HeadRow(
        heads_words(known.heads),
        change_words(known.area_ratio),
        level,
        f"{now}, seen until {newest}",
        f"{first} to {last}: {known.batches} batches, {noise}{' (a lot)' * (known.noise > NOISY)}; "
        f"C_d {known.coefficient:.3f} \u00b1 {known.coefficient * known.coefficient_sd:.3f}",
    )


def little_seen(
    known: Sequence[Known], jet_hours: float, judged_hours: float, begin_ns: int, time_zone: str
) -> list[str]:
    """What is to be said before all else where most of the jet time could not be judged.

    Of a log that begins at `begin_ns`, with `jet_hours` of which `judged_hours` were judged.
    """
    if jet_hours < LONG or judged_hours >= SHARE * jet_hours:
        return []
    lines = []
    first_ns = min((each.first_ns for each in known if each.first_ns), default=0)
    if first_ns - begin_ns > LATE_NS:
        lines.append(
            f"Not seen: anything before {local_time(first_ns, time_zone)}, since nothing could be "
            "judged until then; a bore that had opened up before counts as normal"
        )
    if any(each.mean_time >= LONG_MEAN for each in known):
        lines.append(
            "Jet hours: up to a third too high where there is no valve signal, since pauses too "
            "short to show in the stroke rate count as jet"
        )
    return lines


def _lines(known: Known, pump: Pump, time_zone: str) -> list[str]:
    steady = f"{known.steady / 60.0:.1f}"
    if math.isfinite(known.coefficient):
        spread = known.coefficient * known.coefficient_sd
        makes = SCATTER if isinstance(pump, Intensifier) else SCATTER_OF_A_CRANK
        lines = [
            f"Learned: C_d {known.coefficient:.3f} \u00b1 {spread:.3f}, apart from errors "
            f"in the pump's own figures; from {steady} min of steady jet, {known.batches} batches "
            f"that scatter by {100.0 * known.noise:.1f} %"
            + (f", which is a lot; {makes} do that" if known.noise > NOISY else "")
        ]
        if known.last_ns:
            lines.append(
                f"Learned: from {local_time(known.first_ns, time_zone)} to "
                f"{local_time(known.last_ns, time_zone)}; what had changed before that counts as "
                "normal"
            )
    else:
        lines = [
            f"Learned: nothing yet; {steady} of {known.wanted / 60.0:.0f} min of steady "
            f"jet, {_pace(known)}"
        ]
    return [*lines, *_lines_of_the_pump(known, pump)]


def _lines_of_the_pump(known: Known, pump: Pump) -> list[str]:
    """What is known of the closed jet and of the line, whichever heads are open."""
    lines = []
    if not known.dead_headed and isinstance(pump, Intensifier):
        lines.append(
            "Missing: the pump was not yet seen dead-headed, under pressure with the jet "
            "closed, for long enough to tell its flow; until then, a leak is harder to tell from a "
            "larger bore"
        )
    if known.less_hours > LONG:
        lines.append(
            f"Not judged: {known.less_hours:.1f} h more, in which the pump delivered at least a "
            "quarter of the stated bore's flow, but too little for the jet. Most likely another "
            "head cut, or one of several alone: state a jewel for each head, and log which heads "
            "are open"
        )
    if known.emptied:
        percent = max(round(100.0 * known.emptied_sd), 1) if known.emptied > 1 else 0
        scatter = f", to {percent} %" if percent else ""
        lines.append(
            "Learned: how quickly the line empties through the open jet, seen "
            f"{counted(known.emptied, 'time')}{scatter}; it tells a larger bore from a leak at the "
            "pump"
        )
    if known.shut:
        lines.append(f"Learned: what the line loses while shut, seen {counted(known.shut, 'time')}")
    return lines


def _pace(known: Known) -> str:
    """How much jet time that took, and how much more it may take."""
    seconds = known.jet_hours * 3600.0
    if seconds < 1.0:
        return "the jet was not on yet"
    words = f"out of {span_words(seconds)} with the jet on"
    if known.steady <= 0.0:
        first = "piercing, corners, and the first seconds of a cut do not count"
        return f"{words}: {first}. {what_helps(known)}"
    more = max(known.wanted - known.steady, 0.0) * seconds / known.steady
    short = f"; the cuts are short, and little of each is steady. {what_helps(known)}" if (
        known.steady < SHARE * seconds
    ) else ""  # fmt: skip
    return f"{words}: about {span_words(more)} of jet to go{short}"


def what_helps(known: Known) -> str:
    """What would leave more of each cut to judge."""
    if known.mean_time < LONG_MEAN:
        return LONGER_CUTS
    return (
        f"The stroke rate reads as a mean over up to {known.mean_time:.0f} s, so it is off for "
        "as long after each pause of the jet. Cuts longer than "
        f"{SETTLES * known.mean_time:.0f} s, a shorter mean in the controller, or a stroke "
        "counter in place of the rate would help; a valve signal alone would not"
    )

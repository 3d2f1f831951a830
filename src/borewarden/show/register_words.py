"""The jewel register in words: what was recorded, and the rows of its table."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict
from typing import Any

from borewarden.base.shown import quantity_text, shown
from borewarden.gate.jet_time import JetTime, Opening
from borewarden.jewels.fitting import Fitting
from borewarden.jewels.fitting_text import Placed, shown_time, texts_of
from borewarden.settings.two_entries import TwoEntries
from borewarden.store.register import Entry

_PER_PUMP = (
    "Jet hours come from the pump's telemetry. With several heads they count for every head that "
    "holds a jewel, unless each head has its own valve signal"
)


def columns() -> tuple[str, ...]:
    """The heads of the register's table."""
    return (
        "no.", "machine", "head", "jewel", "fitted", "out", "jet h",
        f"{shown('pressure').label} h", "missed h", "start, stated", "start, seen",
    )  # fmt: skip


def columns_note() -> str:
    """What the heads mean."""
    return (
        "jet h includes the hours that the jewel had before. Hours as stated come from people and "
        f"notes, not from telemetry. {shown('pressure').label} h and missed h (jet time not "
        "recorded) count since it was fitted. Start: how the jet was first opened."
    )


def jewel_words(fitting: Fitting) -> str:
    """Such as "ruby 0.254 mm (0.010 in)"."""
    return f"{fitting.material} {quantity_text('bore', fitting.bore, us_extra=-1)}"


def closed_lines(placed: Placed) -> list[str]:
    """What was closed by a jewel fitted after it."""
    return [
        f"fitting {number} was still in head {fitting.head} of {fitting.machine}: closed at the "
        "time of the next one, end unknown"
        for number, fitting in placed.closed.items()
    ]


def two_entries_lines(found: Iterable[TwoEntries], zone: str | None) -> list[str]:
    """Entries of register and machine file that contradict each other, which counts, what to do."""
    return [_two_entries(each, zone) for each in found]


def _two_entries(each: TwoEntries, zone: str | None) -> str:
    fitting, jewel = each.fitting, each.jewel
    guess = ", a guess" if "fitted" in jewel.guessed else ""
    before = f", {jewel.jet_hours:.1f} h before" if jewel.jet_hours else ""
    ours = f"{jewel_words(fitting)}, fitted {shown_time(fitting.fitted_ns, zone)}"
    if fitting.earlier_hours:
        ours += f", {fitting.earlier_hours:.1f} h before"
    bore = quantity_text("bore", jewel.bore, us_extra=-1)
    theirs = f"{jewel.material} {bore}, fitted {shown_time(jewel.fitted_ns, zone)}{guess}{before}"
    if each.dates_agree:
        what = "The register counts. Correct the one that is wrong"
    else:
        later = "machine file" if jewel.fitted_ns > fitting.fitted_ns else "register"
        when = shown_time(max(jewel.fitted_ns, fitting.fitted_ns), zone)
        what = (
            f"They count as two jewels, that of the {later} from {when} on. If they are one, give "
            "both the same date; if not, record when the first came out"
        )
    return (
        f"{fitting.machine}, head {fitting.head}: register and machine file disagree. Register: "
        f"{ours}. Machine file: {theirs}. {what}."
    )


def reopened_lines(
    again: Mapping[int, Fitting], in_doubt: Iterable[int], mend: Callable[[int], str]
) -> list[str]:
    """What a fitting that is gone, or of another time now, no longer closes.

    `again` are open again, or out when the next one was fitted; `mend` is the command that opens
    one of those `in_doubt`, by its number.
    """
    lines = [
        f"fitting {number} is in head {fitting.head} of {fitting.machine} again"
        if fitting.out_ns is None
        else f"fitting {number} now counts as out when the next one in its head was fitted"
        for number, fitting in again.items()
    ]
    return lines + [
        f"fitting {number} stays out, as stated; if it was never taken out: {mend(number)}"
        for number in in_doubt
    ]


def recorded_lines(placed: Placed, numbers: Iterable[int]) -> list[str]:
    """What was closed, and what was recorded under which of `numbers`."""
    return closed_lines(placed) + [
        f"fitting {number}: {jewel_words(fitting)}, head {fitting.head} of {fitting.machine}"
        + stated_words(fitting)
        + ("" if fitting.end is None else f"; taken out, end {fitting.end.value}")
        for number, (_, fitting) in zip(numbers, placed.new, strict=True)
    ]


def register_row(
    number: int,
    fitting: Fitting,
    times: JetTime | None,
    opening: tuple[Opening, int, int],
    time_zone: str | None,
) -> tuple[str, ...]:
    """A row under `columns`; times local where the zone is known, None for no telemetry."""
    how, low, judged = opening
    taken_out = ""
    if fitting.out_ns is not None and fitting.end is not None:
        taken_out = f"{shown_time(fitting.out_ns, time_zone)} {fitting.end.value}"
    return (
        str(number),
        fitting.machine,
        fitting.head,
        jewel_words(fitting),
        shown_time(fitting.fitted_ns, time_zone),
        taken_out,
        _hours_text(fitting, times),
        "" if times is None else f"{times.pressure_hours / shown('pressure').factor:.0f}",
        "" if times is None else f"{times.missed_hours:.1f}",
        {None: "", True: "low", False: "full"}[fitting.low_pressure_start],
        how.value + (f" ({low} of {judged} low)" if judged > 1 else ""),
    )


def _hours_text(fitting: Fitting, times: JetTime | None) -> str:
    """Jet hours of the jewel, and which of them are as stated."""
    if fitting.noted_hours is not None:
        return f"{fitting.earlier_hours + fitting.noted_hours:.1f} as stated"
    if times is None:
        return f"{fitting.earlier_hours:.1f} as stated" if fitting.is_stated else "not known"
    hours = f"{fitting.earlier_hours + times.jet_hours:.1f}"
    if not fitting.is_stated:
        return hours
    seen = times.jet_hours > 0.0
    return f"{hours} ({fitting.earlier_hours:.1f} as stated)" if seen else f"{hours} as stated"


def stated_words(fitting: Fitting) -> str:
    """Jet hours that are as stated, such as "; 38.0 h by the notes, as stated"; "" for none."""
    words = []
    if fitting.earlier_hours > 0.0:
        words.append(f"{fitting.earlier_hours:.1f} h before")
    if fitting.noted_hours is not None:
        words.append(f"{fitting.noted_hours:.1f} h by the notes")
    return f"; {' and '.join(words)}, as stated" if words else ""


def register_object(
    number: int, fitting: Fitting, times: JetTime | None, opening: tuple[Opening, int, int]
) -> dict[str, Any]:
    """The same for programs, SI but for hours: `pressure_hours` in Pa h, `jet_hours` since fitted.

    Those are the telemetry's, None without any; `noted_hours`, where there are any, hold in their
    place.
    `opening` is how the jet was first opened, `low_starts` of `judged_starts` at low pressure.
    """
    how, low, judged = opening
    counted = dict.fromkeys(JetTime._fields) if times is None else times._asdict()
    telemetry = counted | {"opening": how, "low_starts": low, "judged_starts": judged}
    return {"fitting": number, **asdict(fitting), **telemetry}


def heads_note(times: Mapping[int, JetTime | None]) -> str:
    """Whose jet hours these are, and how many of them are in doubt."""
    partly = {n: each.partly_hours for n, each in times.items() if each and each.partly_hours > 0}
    if not partly:
        return f"{_PER_PUMP}."
    listed = ", ".join(f"{hours:.1f} h of fitting {number}" for number, hours in partly.items())
    return (
        f"{_PER_PUMP}. While {listed} the valve signal named fewer heads than held a jewel; which "
        "of them is not known (or it only says on and off)."
    )


def history_lines(entries: Iterable[Entry], zones: Mapping[str, str]) -> list[str]:
    """All entries of one fitting, and what each of them changed."""
    lines = []
    before: dict[str, str] = {}
    for entry in entries:
        zone = zones.get(entry.content.machine) if entry.content else None
        why = f" ({entry.why})" if entry.why else ""
        now = texts_of(entry.content) if entry.content else {}
        struck = "" if now else " struck out"
        lines.append(f"{shown_time(entry.recorded_ns, zone)} by {entry.by}{why}:{struck}")
        for name, text in now.items():
            if text != before.get(name, ""):
                was = f" (was {before[name] or 'not known'})" if before else ""
                lines.append(f"  {name}: {text or 'not known'}{was}")
        before = now
    return lines

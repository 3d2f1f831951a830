"""Whether each machine is being watched, and why not: for `/healthz`, the page and the mails."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from borewarden.base.samples import SI_UNITS
from borewarden.base.times import local_time
from borewarden.collect.sight import channel_words
from borewarden.service.status import MachineStatus

UNKEPT_AFTER = 60.0  # s in which readings come in and none is kept

Age = Callable[[MachineStatus, int], float]


def health_troubles(
    statuses: Mapping[str, MachineStatus], age_of: Age, now_ns: int
) -> dict[str, str]:
    """What is wrong with the watching, by machine; empty if every machine is seen.

    A machine that is switched off is seen, as long as its controller answers. `age_of` says how
    long ago a sample was last kept, s.
    """
    troubles = {}
    for name, status in statuses.items():
        if not status.is_seen:
            if not _has_just_begun(status):
                troubles[name] = sight_words(status)
        elif age_of(status, now_ns) > max(UNKEPT_AFTER, status.blind_after):
            troubles[name] = "Readings come in, but none is stored."
    return troubles or ({} if statuses else {"": "no machine is being watched"})


def _has_just_begun(status: MachineStatus) -> bool:
    """Whether a first reading may yet come, and nothing says that it will not."""
    sight, link = status.sight, status.link
    is_down = link is not None and not link.connected
    was_seen = "sight: " not in status.alarm  # before the watcher was restarted, too
    begins = sight.usable is None and sight.age <= status.blind_after
    return begins and was_seen and not is_down and not sight.reasons


def doubt_words(status: MachineStatus) -> str:
    """What of the readings is neither proven nor disproven; "" if nothing is."""
    doubts = status.sight.doubts
    told = [f"{_named(name, status)}: {doubts[name]}." for name in SI_UNITS if name in doubts]
    return " ".join(["Not proven.", *told]) if told else ""


def _named(name: str, status: MachineStatus) -> str:
    channel = channel_words(name, status.pump)
    return f"{channel[0].upper()}{channel[1:]}"


def sight_words(status: MachineStatus) -> str:
    """Since when there has been no usable reading of a machine, and why."""
    sight, link = status.sight, status.link
    is_known = sight.usable is not None or sight.before_ns is not None
    usable_ns = sight.usable_ns if sight.usable is not None else sight.before_ns
    when = local_time(usable_ns or sight.usable_ns, status.time_zone)
    if not is_known:
        words = [f"No usable reading yet; watching since {when}."]
    else:
        words = [f"No usable reading since {when}."]
    reasons = sight.reasons
    if link is not None and not link.connected:
        words.append(f"Link down: {link.reason}.")
    elif not reasons:
        words.append("Nothing comes in.")
    for name in SI_UNITS:
        if name in reasons:
            words.append(f"{_named(name, status)}: {reasons[name]}.")
    return " ".join(words)

"""One message in place of many: what to tell of a verdict that keeps changing.

Chattering alarms are folded into one (ISA-18.2 and IEC 62682 ask for it; their figures are the
plant's own). A machine whose verdict changes more than three times in an hour is told once as
contradictory; nothing more is told until it has been quiet for an hour. Pure functions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from borewarden.watcher.verdict import State, Verdict

MOST_CHANGES = 3  # in `WINDOW_NS`, beyond which they say nothing any more; the project's own choice
WINDOW_NS = 3600 * 10**9


@dataclass(frozen=True)
class Chatter:
    """What was heard of late: times of changes, ns, and the newest verdict that came of one.

    `opened` is the newest one of them that told an opened bore. `since_ns` is when the changes
    became too many, None while they are not.
    """

    changes: tuple[int, ...] = ()
    newest: Verdict | None = None
    opened: Verdict | None = None
    since_ns: int | None = None


def heard(chatter: Chatter, verdict: Verdict) -> tuple[Chatter, Verdict | None]:
    """Take a change of state; what to tell of it, None for nothing."""
    now = verdict.time_ns
    changes = (*(t for t in chatter.changes if now - t < WINDOW_NS), now)
    opened = chatter.newest if len(changes) == 1 else chatter.opened  # what held until then counts
    opened = next((v for v in (verdict, opened) if v and v.state is State.OPENED), None)
    after = replace(chatter, changes=changes, newest=verdict, opened=opened)
    if chatter.since_ns is not None:
        return after, None
    if len(changes) <= MOST_CHANGES:
        return after, verdict
    return replace(after, since_ns=now), contradictory(verdict, after)


def quiet(chatter: Chatter, time_ns: int) -> tuple[Chatter, Verdict | None]:
    """Let time go by: after a quiet hour, what holds is told again."""
    if chatter.since_ns is None or time_ns - chatter.changes[-1] < WINDOW_NS:
        return chatter, None
    assert chatter.newest is not None
    return Chatter(newest=chatter.newest), replace(chatter.newest, time_ns=time_ns)


def contradictory(verdict: Verdict, chatter: Chatter) -> Verdict:
    """The `verdict` as it is told while its changes contradict each other.

    An opened bore that was told stays told.
    """
    count, opened = len(chatter.changes), chatter.opened
    once = ""
    if opened is not None and verdict.state is not State.OPENED:
        size = f" (effective area {100.0 * opened.step:+.1f} %)" if opened.step else ""
        once = f", once to “{State.OPENED.value}”{size}"
    return replace(
        verdict,
        state=State.CANNOT_TELL,
        was_told_opened=opened is not None or verdict.state is State.OPENED,
        reason=(
            f"contradictory signals: the verdict changed {count} times within an hour{once}, "
            f"last to “{verdict.state.value}”; nothing more is told until it has stayed the same "
            "for an hour"
        ),
    )

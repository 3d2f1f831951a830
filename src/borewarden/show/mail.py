"""A notice as an e-mail.

`compose` makes the message when the event happens, and its bytes wait in the outbox. Sender and
recipients are added when it is sent, so that queued mail follows the settings of that day. The
Message-ID depends on the event only: a mail sent twice after a crash is not taken for two events.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Collection
from email.message import EmailMessage
from typing import Any, cast

from borewarden.alert.alarm import Notice
from borewarden.base.times import clock_time, local_time
from borewarden.inspection.cautions import Guarded, guarded
from borewarden.physics.pump import Pump
from borewarden.show.pages import template_environment
from borewarden.show.wording import (
    NOTHING_TO_CHECK,
    advice,
    evidence,
    headline,
    pump_words,
    since,
    state_words,
    told_words,
)
from borewarden.watcher.verdict import State

_BLIND_CHECKS = (
    "The bore is not being watched now: earlier verdicts no longer hold, and silence does not mean "
    "that it is sound.",
    "Check that the controller, the network and borewarden's computer are up. For that, nobody has "
    "to touch the pump.",
    "The reason above says what is missing. borewarden keeps trying on its own.",
)
_SIGHT_CHECKS = (
    "Nothing to check: watching continues. If something happened to the bore meanwhile, the next "
    "minutes of steady cutting will show it.",
)

_OWN = (
    "This is about the watcher's computer; nobody has to touch a machine for it. Before you open "
    "anything at a machine: stop the pump, lock it out, bleed it down and verify zero pressure. "
    "That is for qualified people only."
)


def message_id(kind: str, about: str, machine: str, time_ns: int) -> str:
    """The Message-ID of an event: the same each time it is composed."""
    event = "\n".join((kind, about, machine, str(time_ns)))
    return f"<{hashlib.sha256(event.encode()).hexdigest()[:32]}@borewarden.invalid>"


def subject(notice: Notice, time_zone: str) -> str:
    """What happened, in few enough words for a telephone's lock screen."""
    if notice.about == "sight":
        words = {
            "blind": "Cannot see the machine: the bore is not being watched",
            "sight again": "The watcher sees the machine again",
        }.get(notice.kind, "Still cannot see the machine: the bore is not being watched")
    else:
        words = _state_headline(notice)
        if notice.kind == "all-clear":
            words = f"All-clear: {words}"
        elif notice.kind == "repeat":
            words = f"Reminder, not acknowledged: {words}"
        elif notice.earlier_ns:
            words = f"{words} (replaces the alert of {clock_time(notice.earlier_ns, time_zone)})"
    return " ".join(f"{notice.machine}: {words}".split())


def _earlier(notice: Notice, time_zone: str) -> str | None:
    """What a notice does to the alert before it; None if there is none that is open."""
    if not notice.earlier_ns:
        return None
    does = {"alarm": "replaces", "repeat": "is a reminder of"}.get(notice.kind, "ends")
    return f"This {does} the alert of {local_time(notice.earlier_ns, time_zone)}."


def _state_headline(notice: Notice) -> str:
    if notice.verdict is not None:
        return headline(notice.verdict)
    return f"Verdict: {notice.state.value}" if notice.state is not None else "Change of state"


def _state_of(notice: Notice) -> str | None:
    """The state that a notice is about, with what the verdict can't tell from it."""
    if notice.verdict is not None and notice.verdict.state is notice.state:
        return told_words(notice.verdict)
    return None if notice.state is None else state_words(notice.state)


def compose(
    notice: Notice,
    pump: Pump,
    time_zone: str,
    figure: bytes | None = None,
    guessed: Collection[str] = (),
) -> EmailMessage:
    """The message about a notice; `figure` is a PNG shown in the text, see `show.figures`.

    `guessed` names the figures that nobody stated. Evidence and what to check first come from
    `notice.verdict`, if there is one.
    """
    verdict = notice.verdict
    advised = _advice(notice)
    told: dict[str, Any] = {
        "subject": subject(notice, time_zone),
        "earlier": _earlier(notice, time_zone),
        "machine": notice.machine,
        "pump": pump_words(pump),
        "time": local_time(notice.time_ns, time_zone),
        "reason": notice.reason,
        "state": _state_of(notice),
        "since": None if verdict is None else since(verdict, time_zone),
        "as_of": None if verdict is None else local_time(verdict.time_ns, time_zone),
        "evidence": [] if verdict is None else evidence(verdict, pump, time_zone, guessed),
        "cautions": advised.cautions,
        "checks": advised.steps,
        "is_good": notice.kind in ("all-clear", "sight again"),
    }
    message = EmailMessage()
    message["Subject"] = told["subject"]
    message["Date"] = dt.datetime.fromtimestamp(notice.time_ns // 10**9, dt.UTC)
    message["Message-ID"] = message_id(notice.kind, notice.about, notice.machine, notice.time_ns)
    if notice.first_ns and notice.first_ns != notice.time_ns:
        # lets mail programs show an alarm, its reminders and its all-clear as one thread
        first = message_id(
            "blind" if notice.about == "sight" else "alarm",
            notice.about,
            notice.machine,
            notice.first_ns,
        )
        message["In-Reply-To"] = message["References"] = first
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office replies, please
    message.set_content(_render("mail.txt", told), cte="quoted-printable")
    cid = message_id("figure", notice.about, notice.machine, notice.time_ns)
    html = _render("mail.html", {**told, "figure": cid[1:-1] if figure is not None else None})
    message.add_alternative(html, subtype="html", cte="quoted-printable")
    if figure is not None:
        part = cast(EmailMessage, cast(list[Any], message.get_payload())[1])
        part.add_related(figure, "image", "png", cid=cid, filename="bore.png", disposition="inline")
    return message


def compose_own(subject: str, words: str, time_ns: int) -> EmailMessage:
    """A message about the watcher itself, whose computer is to be looked at, and no machine."""
    message = EmailMessage()
    message["Subject"] = f"borewarden: {subject}"
    message["Date"] = dt.datetime.fromtimestamp(time_ns // 10**9, dt.UTC)
    message["Message-ID"] = message_id("own", subject, "", time_ns)
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(f"{words}\n\n{_OWN}\n", cte="quoted-printable")
    return message


def _advice(notice: Notice) -> Guarded:
    if notice.about == "sight":
        return guarded(*(_SIGHT_CHECKS if notice.kind == "sight again" else _BLIND_CHECKS))
    if notice.verdict is not None:
        return advice(notice.verdict)
    if notice.state is State.SOUND:
        return guarded(NOTHING_TO_CHECK)
    return guarded("Look at the evidence on borewarden's page before you do anything.")


def _render(template: str, told: dict[str, Any]) -> str:
    environment = template_environment(escaped=template.endswith(".html"))
    return environment.get_template(template).render(told)

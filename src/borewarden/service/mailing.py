"""Mails on their way out: each settled for each recipient, none held up by another one.

They come from the store, or from memory while the store can't be written. What was settled and
can't be written down is remembered, so that nobody gets a second copy as long as this process
lives; after a kill, one that was on its way goes out again under the same Message-ID.
"""

from __future__ import annotations

import asyncio
import email
import email.policy
import sqlite3
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import structlog

from borewarden.alert.delivery import SINK, Answers, MailSettings, Refusal, send
from borewarden.base.backoff import back_off
from borewarden.service.own_health import Health, Late
from borewarden.store import mails
from borewarden.store.database import open_store, transaction
from borewarden.store.mails import Undelivered, Waiting
from borewarden.store.outbox import EXPIRED

log = structlog.get_logger("borewarden")

AT_ONCE = 5  # mails on their way; servers allow a client some connections
HEAD_START = 30.0  # s that a mail has before the next one of its machine follows
LOOKED_AT = 100_000  # mails in one look at the store


class Pauses(NamedTuple):
    """Seconds between two looks at the store, and from one attempt to the next, growing."""

    look: float = 1.0
    server: tuple[float, float] = (1.0, 300.0)  # while no mail at all goes out
    mail: tuple[float, float] = (30.0, 1800.0)  # of one that was put off


@dataclass
class Try:
    """What is known of one mail besides the store; times of `time.monotonic`."""

    mail: Waiting
    attempts: int = 0
    due: float = 0.0
    reason: str = ""
    settled: dict[str, str] = field(default_factory=dict)  # as `mails.content` has it
    over: str | None = None  # as `mails.settle` takes it
    unwritten: bool = False  # the store has yet to hear of `settled` and `over`
    sending: asyncio.Task[None] | None = None


class Mailing:
    """Sends the mails of a store until it is cancelled, and tells `health` how they fare."""

    def __init__(
        self, store: Path, settings: MailSettings, health: Health, pauses: Pauses | None = None
    ) -> None:
        self.store = store
        self.settings = settings
        self.health = health
        self.pauses = pauses or Pauses()
        self.tries: dict[int, Try] = {}
        self.failures = 0  # of the server, in a row
        self.closed_until = 0.0  # time.monotonic
        self.report = health.report(SINK)
        self.news = asyncio.Event()
        self.thread = ThreadPoolExecutor(1, "mailing")  # SQLite may wait for the writer or the disk

    async def run(self) -> None:
        """Send, for ever."""
        try:
            while True:
                self.news.clear()
                await self._look()
                # not `wait_for`: that of Python 3.11 may swallow being cancelled
                with suppress(TimeoutError):
                    async with asyncio.timeout(self.pauses.look):
                        await self.news.wait()
        finally:
            sending = [each.sending for each in self.tries.values() if each.sending is not None]
            for task in sending:
                task.cancel()
            await asyncio.gather(*sending, return_exceptions=True)
            with suppress(sqlite3.DatabaseError):  # or somebody gets a second copy after a restart
                for each in [each for each in self.tries.values() if each.unwritten]:
                    await self._write_down(each)
            self.thread.shutdown()

    # -- what there is

    async def _look(self) -> None:
        """Look for mails, set off what is due, and write down what is settled."""
        found = await self._in_memory(mails.waiting, LOOKED_AT) or []
        on_disk = None
        with suppress(sqlite3.DatabaseError):  # the writer says so already
            on_disk = await self._on_disk(mails.waiting, LOOKED_AT)
        known = {mail.id for mail in found}
        found += [mail for mail in on_disk or [] if mail.id not in known]
        for mail in found:
            self.tries.setdefault(mail.id, Try(mail))
        there = {mail.id for mail in found}
        for number, each in list(self.tries.items()):
            is_done_with = each.sending is None and not each.unwritten and on_disk is not None
            if is_done_with and number not in there:
                del self.tries[number]
        self._expire()
        self._set_off()
        with suppress(sqlite3.DatabaseError):
            for each in [each for each in self.tries.values() if each.unwritten]:
                await self._write_down(each)

    async def _on_disk(self, ask: Callable[..., Any], *arguments: Any) -> Any:
        """What the store answers. Raises sqlite3.DatabaseError."""

        def asked() -> Any:  # by a connection of its own: the store may be replaced at any time
            with open_store(self.store) as connection:
                return ask(connection, *arguments)

        return await asyncio.get_running_loop().run_in_executor(self.thread, asked)

    async def _in_memory(self, ask: Callable[..., Any], *arguments: Any) -> Any:
        """What the store in memory answers; None if there is none."""
        keeping = self.health.keeping
        async with keeping.turn:
            return None if keeping.spare is None else ask(keeping.spare, *arguments)

    def _expire(self) -> None:
        oldest_ns = time.time_ns() - round(self.settings.expire_after * 1e9)
        for each in self.tries.values():
            if each.mail.time_ns >= oldest_ns or each.sending is not None or each.over is not None:
                continue
            words = f"{EXPIRED}not sent within {self.settings.expire_after / 86400.0:.3g} d"
            outage = self.health.outages.get(SINK)
            if reason := each.reason or (outage.reason if outage else ""):
                words += f"; the last attempt failed: {reason}"
            self._set_aside(each, "; ".join([words, *_refused(each)]))

    def _set_off(self) -> None:
        """Start what is due: in order, and a machine's next one not on the heels of the last."""
        now = time.monotonic()
        going = [t for t in self.tries.values() if t.sending is not None]
        free = (1 if self.failures else AT_ONCE) - len(going)
        started = self.health.asked_at
        busy = {t.mail.machine for t in going if now - started.get(t.mail.id, now) < HEAD_START}
        for number in sorted(self.tries):
            each = self.tries[number]
            if each.sending is not None or each.over is not None or each.due > now:
                continue
            if free <= 0 or now < self.closed_until:
                return
            if each.mail.machine not in busy:
                busy.add(each.mail.machine)
                free -= 1
                started[number] = now
                each.sending = asyncio.create_task(self._send(each), name=f"mail {number}")

    # -- one mail

    async def _send(self, each: Try) -> None:
        number = each.mail.id
        try:
            content = await self._content(each)
            if content is None:  # the store can't be read just now
                each.due = time.monotonic() + back_off(1, *self.pauses.server)
                return
            whole = dict.fromkeys(self.settings.recipients)
            rest = tuple(recipient for recipient in whole if recipient not in each.settled)
            if rest:
                message = email.message_from_bytes(content, policy=email.policy.default)
                self._take(each, await send(message, self.settings, rest))
            else:
                self._finish(each)
            if each.unwritten:
                with suppress(sqlite3.DatabaseError):
                    await self._write_down(each)
        except Exception as error:  # of one mail, whatever it is; the others go on
            words = f"{type(error).__name__}: {error}"
            self._take(each, {"all": Refusal("message", False, True, words)})
        finally:
            self.health.asked_at.pop(number, None)
            each.sending = None
            self.news.set()

    async def _content(self, each: Try) -> bytes | None:
        """The mail, with what the store knows of its copies; None if it can't be had now."""
        number = each.mail.id
        found = None
        with suppress(LookupError):
            found = await self._in_memory(mails.content, number)
        with suppress(LookupError, sqlite3.DatabaseError):
            content, settled = found or await self._on_disk(mails.content, number)
            each.settled = {**settled, **each.settled}
            return bytes(content)
        return None

    def _take(self, each: Try, answers: Answers) -> None:
        """Draw the conclusions from an attempt."""
        each.attempts += 1
        open_ones: dict[str, Refusal] = {}
        for recipient, no in answers.items():
            if no is None or no.is_final:
                each.settled[recipient] = "" if no is None else no.words
                each.unwritten = True
            else:
                open_ones[recipient] = no
        if down := next((no for no in open_ones.values() if no.about == "server"), None):
            self._server_failed(down.words)
        else:
            self._server_answered()
        if not open_ones:
            self._finish(each)
            return
        words = _by_recipient({recipient: no.words for recipient, no in open_ones.items()})
        each.reason = words
        if down:
            return  # it is not this mail that has to wait
        each.due = time.monotonic() + back_off(each.attempts, *self.pauses.mail)
        late = self.health.late.get(each.mail.id)
        since_ns = time.time_ns() if late is None else late.since_ns
        # whoever will never get it is told now, and not once the others have theirs
        refused = _refused(each)
        is_grave = bool(refused) or any(no.is_grave for no in open_ones.values())
        reason = "; ".join([*refused, words])
        if late is None or reason != late.reason:
            log.warning("mail put off", machine=each.mail.machine, mail=each.mail.id, reason=reason)
        self.health.late[each.mail.id] = Late(each.mail.machine, since_ns, reason, is_grave)

    def _finish(self, each: Try) -> None:
        if refused := _refused(each):
            self._set_aside(each, "; ".join(refused))
            return
        each.over, each.unwritten = "", True
        self.health.late.pop(each.mail.id, None)

    def _set_aside(self, each: Try, reason: str) -> None:
        each.over, each.unwritten = reason, True
        number, machine, kind, time_ns = each.mail
        self.health.late.pop(number, None)
        self.health.undelivered[number] = Undelivered(machine, kind, time_ns, reason)
        log.error("mail not delivered", machine=machine, kind=kind, mail=number, reason=reason)

    def _server_failed(self, reason: str) -> None:
        if time.monotonic() < self.closed_until:
            return  # others were on their way when it failed; that is one failure
        outage = self.health.outages.get(SINK)
        if outage is None or outage.reason != reason:
            log.error("mail server", failed=reason)
        self.failures += 1
        self.closed_until = time.monotonic() + back_off(self.failures, *self.pauses.server)
        self.report(reason)

    def _server_answered(self) -> None:
        if self.failures:
            log.info("mail server", works="again")
        self.failures, self.closed_until = 0, 0.0
        self.report(None)

    async def _write_down(self, each: Try) -> None:
        """Tell the store what is settled. Raises sqlite3.DatabaseError; the next look tries again.

        What is settled meanwhile is written by then.
        """
        number = each.mail.id
        arguments = (number, dict(each.settled), each.over)
        each.unwritten = False
        try:
            keeping = self.health.keeping
            async with keeping.turn:
                if keeping.spare is not None and _has(keeping.spare, number):
                    _settle(keeping.spare, *arguments)
                    return
            await self._on_disk(_settle, *arguments)
        except BaseException:
            each.unwritten = True
            raise


def _has(connection: sqlite3.Connection, number: int) -> bool:
    return connection.execute("SELECT 1 FROM outbox WHERE id = ?", (number,)).fetchone() is not None


def _settle(connection: sqlite3.Connection, *arguments: Any) -> None:
    with transaction(connection):
        mails.settle(connection, *arguments)


def _refused(each: Try) -> list[str]:
    words = _by_recipient({recipient: why for recipient, why in each.settled.items() if why})
    return [words] if words else []


def _by_recipient(reasons: dict[str, str]) -> str:
    """Why, for each recipient; once, where it is the same for all."""
    if len(reasons) > 1 and len(set(reasons.values())) == 1:
        return f"{', '.join(reasons)}: {next(iter(reasons.values()))}"
    return "; ".join(f"{recipient}: {why}" for recipient, why in reasons.items())

"""One attempt to hand a mail to its server, and what the server's answers mean for whom."""

from __future__ import annotations

import asyncio
import contextlib
import email.policy
import re
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path
from typing import Literal, NamedTuple

import aiosmtplib
from aiosmtplib.email import parse_address
from pydantic import SecretStr

from borewarden.base.hosts import is_loopback
from borewarden.base.plain_errors import plain_reason

SINK = "mail"

PARTING = 5.0  # s to say goodbye in; the mail is settled by then

About = Literal["recipient", "message", "server"]
Stage = Literal["session", "MAIL", "RCPT", "DATA"]

_ENHANCED = re.compile(r"[245]\.(\d{1,3})\.(\d{1,3})\b")  # RFC 3463
# of whatever is asked: the service closes, or we are not who may ask (RFC 5321 3.8, RFC 4954 4.7)
_OF_THE_SESSION = {421, 454, 530, 534, 535, 538}
_TOO_LARGE = {(2, 3), (3, 4)}  # RFC 3463 3.3 and 3.4
# commands that the server does not know or not now (RFC 5321 4.2.2): no word on what was in them
_NOT_UNDERSTOOD = {500, 502, 503, 504}
# RFC 5321 4.5.3.1.10: too many recipients, once; to be taken as temporary
_TOO_MANY = 552
# state of the mail system, protocol, policy (RFC 3463 3.4, 3.6, 3.8): people can change that
_CHANGEABLE = {3, 5, 7}


@dataclass(frozen=True)
class MailSettings:
    """The mail server and whom to write to; `timeout` and `expire_after` in s.

    The server has `timeout` for each answer and twice that for the one that follows the text: at
    least 5 and 10 min, says RFC 5321 4.5.3.2, since whoever gives up sooner sends a mail again
    that was taken. A mail that could not be sent within `expire_after` is not sent any more:
    people would take old news for new.

    `security` is "starttls" (port 587), "tls" (port 465) or "none"; a password never goes out
    unencrypted except to this very computer. `ca_file` holds the shop's own certificate authority.
    """

    host: str
    sender: str
    recipients: tuple[str, ...]
    port: int = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = None
    password: SecretStr | None = None
    ca_file: Path | None = None
    timeout: float = 300.0
    expire_after: float = 7.0 * 86400.0

    def __post_init__(self) -> None:
        """Refuse what would reach nobody or give a password away."""
        if not self.recipients:
            raise ValueError("mail needs at least one recipient")
        for address in (self.sender, *self.recipients):
            check_address(address)
        if self.user is not None and self.security == "none" and not is_loopback(self.host):
            raise ValueError('a password needs security = "starttls" or "tls"')


class Refusal(NamedTuple):
    """Why somebody has not got a mail.

    `about` what: this recipient, this message, or everything that goes by this server. `is_final`:
    the same mail will never be taken; else it is worth trying again. `is_grave`: more than the
    "later" that is part of a mail server's normal day, such as greylisting.
    """

    about: About
    is_final: bool
    is_grave: bool
    words: str


Answers = dict[str, Refusal | None]  # by recipient; None: the server took the mail


def check_address(address: str) -> None:
    """Raise ValueError unless `address` is one that mail can be sent to."""
    with contextlib.suppress(ValueError):
        if address.isprintable() and "@" in parse_address(address):
            return
    raise ValueError(f"{address!r} is not a mail address")


def connected(settings: MailSettings) -> aiosmtplib.SMTP:
    """The mail server as an async context: connected and logged in within it."""
    return aiosmtplib.SMTP(
        hostname=settings.host,
        port=settings.port,
        username=settings.user,
        password=None if settings.password is None else settings.password.get_secret_value(),
        use_tls=settings.security == "tls",
        start_tls=settings.security == "starttls",
        cert_bundle=None if settings.ca_file is None else str(settings.ca_file),
        timeout=settings.timeout,
    )


def refusal(stage: Stage, code: int, text: str) -> Refusal:
    """What an answer that is no yes means, by RFC 5321 4.2 and the codes of RFC 3463.

    A 5yz is final, since the client should not repeat the request (RFC 5321 4.2.1), unless it is
    about the session, the sender or the server's policy: all of these can be put right by people,
    and a mail that waits is worth more than one that was given up.
    """
    words = " ".join(f"{code} {text}".split())
    found = _ENHANCED.match(text)
    subject, detail = (int(found[1]), int(found[2])) if found else (-1, -1)
    is_permanent = code >= 500
    if stage == "session" or code in _OF_THE_SESSION:
        return Refusal("server", False, True, words)
    if stage == "MAIL":
        # of one message, only its size is known by now (RFC 1870 6.1); the sender is the same in
        # all of them
        if code in (452, 552) or (subject, detail) in _TOO_LARGE:
            return Refusal("message", is_permanent, is_permanent, words)
        return Refusal("server", False, True, words)
    is_final = is_permanent and code not in _NOT_UNDERSTOOD
    if subject in _CHANGEABLE and (subject, detail) not in _TOO_LARGE:
        is_final = False
    if stage == "RCPT":
        return Refusal("recipient", is_final and code != _TOO_MANY, is_permanent, words)
    return Refusal("message", is_final, is_permanent, words)


def _broken(stage: Stage, error: Exception, place: str) -> Refusal:
    """What a connection that fails in place of an answer means; `place` is host and port."""
    words = f"{place}: {plain_reason(error)}"
    if stage in ("session", "MAIL"):
        return Refusal("server", False, True, words)
    # perhaps it was this very text that the server stumbled over: others are to have their turn
    after = "after the text" if stage == "DATA" else "while recipients were named"
    return Refusal("message", False, True, f"{words} ({after})")


async def send(
    message: EmailMessage, settings: MailSettings, recipients: tuple[str, ...] | None = None
) -> Answers:
    """Try to send one message, to these of the settings' recipients or to all of them.

    Returns how each stands after that; raises nothing for whatever goes wrong on the way.
    """
    if recipients is None:
        recipients = settings.recipients
    for header, value in (("From", settings.sender), ("To", ", ".join(settings.recipients))):
        del message[header]
        message[header] = value
    answers: Answers = {}
    stage: Stage = "session"
    server = connected(settings)
    try:
        await server.connect()
        await _greet(server)
        stage = "MAIL"
        content, encoding = await _begin(server, message, settings.sender, recipients)
        stage = "RCPT"
        for recipient in recipients:
            try:
                await server.rcpt(recipient, encoding=encoding)
            except aiosmtplib.SMTPRecipientRefused as error:
                answers[recipient] = no = refusal("RCPT", error.code, error.message)
                if no.about == "server":
                    raise
        if len(answers) < len(recipients):
            stage = "DATA"
            await server.data(content, timeout=2.0 * settings.timeout)
            answers |= dict.fromkeys(r for r in recipients if r not in answers)
    except aiosmtplib.SMTPResponseException as error:
        no = refusal(stage, error.code, error.message)
        answers |= {r: no for r in recipients if r not in answers}
    except (aiosmtplib.SMTPException, OSError, ValueError) as error:
        no = _broken(stage, error, f"{settings.host}:{settings.port}")
        answers |= {r: no for r in recipients if r not in answers}
    except asyncio.CancelledError:
        server.close()
        raise
    finally:
        if server.is_connected:
            await _leave(server)
    return answers


async def _greet(server: aiosmtplib.SMTP) -> None:
    if server.is_ehlo_or_helo_needed:  # it was done already to encrypt or to log in
        try:
            await server.ehlo()
        except aiosmtplib.SMTPHeloError:
            await server.helo()


async def _leave(server: aiosmtplib.SMTP) -> None:
    try:
        with contextlib.suppress(aiosmtplib.SMTPException, OSError):
            await server.quit(timeout=PARTING)
    finally:
        server.close()


async def _begin(
    server: aiosmtplib.SMTP, message: EmailMessage, sender: str, recipients: tuple[str, ...]
) -> tuple[bytes, str]:
    """Say MAIL; returns the text as it goes out, and the encoding of addresses."""
    is_ascii = all(address.isascii() for address in (sender, *recipients))
    policy = email.policy.SMTP if is_ascii else email.policy.SMTPUTF8
    content = message.as_bytes(policy=policy)
    options = [] if is_ascii else ["SMTPUTF8"]
    if server.supports_extension("8bitmime"):
        options.append("BODY=8BITMIME")
    if server.supports_extension("size"):
        options.append(f"SIZE={len(content)}")
    encoding = "ascii" if is_ascii else "utf-8"
    await server.mail(sender, options=options, encoding=encoding)
    return content, encoding

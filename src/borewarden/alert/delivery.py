"""The way of a mail to a mail server."""

from __future__ import annotations

import email
import email.policy
import email.utils
import ipaddress
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path
from typing import Literal

import aiosmtplib
from pydantic import SecretStr

SINK = "mail"


log = logging.getLogger(__name__)


@dataclass(frozen=True)
class MailSettings:
    """The mail server and whom to write to; `timeout` and `expire_after` in s.

    A mail that could not be sent within `expire_after` is not sent any more: people would take
    old news for new.

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
    timeout: float = 30.0
    expire_after: float = 7.0 * 86400.0

    def __post_init__(self) -> None:
        """Refuse what would reach nobody or give a password away."""
        if not self.recipients:
            raise ValueError("mail needs at least one recipient")
        for address in (self.sender, *self.recipients):
            check_address(address)
        if self.user is not None and self.security == "none" and not _is_this_computer(self.host):
            raise ValueError('a password needs security = "starttls" or "tls"')


def check_address(address: str) -> None:
    """Raise ValueError unless `address` is one that mail can be sent to."""
    if "@" not in email.utils.parseaddr(address)[1] or not address.isprintable():
        raise ValueError(f"{address!r} is no mail address")


def _is_this_computer(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


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


async def send(message: EmailMessage, settings: MailSettings) -> str | None:
    """Send one message. Returns None once the server took it, or why it never will.

    Raises ConnectionError for whatever may be different later: a server that is down or busy, a
    certificate or a password that is refused, recipients that are all refused.
    """
    for header, value in (("From", settings.sender), ("To", ", ".join(settings.recipients))):
        del message[header]
        message[header] = value
    try:
        async with connected(settings) as server:
            refused, _ = await server.send_message(message)
    except aiosmtplib.SMTPDataError as error:
        if error.code >= 500:
            return f"{error.code} {error.message}"
        raise ConnectionError(f"{error.code} {error.message}") from None
    except (aiosmtplib.SMTPException, OSError) as error:
        raise ConnectionError(" ".join(str(error).split()) or type(error).__name__) from None
    for recipient, response in refused.items():
        log.error("mail: recipient %s refused: %s %s", recipient, response.code, response.message)
    return None


def deliverer(settings: MailSettings) -> Callable[[list[bytes]], Awaitable[str | None]]:
    """What the outbox hands queued messages to: one at a time, so drain it with `limit=1`."""

    async def deliver(payloads: list[bytes]) -> str | None:
        (content,) = payloads
        message = email.message_from_bytes(content, policy=email.policy.default)
        return await send(message, settings)

    return deliver


async def forward_mail(
    drain: Callable[[str, Callable[[list[bytes]], Awaitable[str | None]]], Awaitable[None]],
    settings: MailSettings,
) -> None:
    """Send the mail queued under `SINK`, for ever.

    `drain` is `store.outbox.drain` with its store, `limit=1` and `max_age` filled in; it is handed
    over since `alert` and `store` do not know of each other.
    """
    await drain(SINK, deliverer(settings))

"""Queued mails, and somebody who sends them."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

from borewarden.alert.delivery import MailSettings
from borewarden.service.mailing import Mailing, Pauses
from borewarden.service.own_health import Health
from borewarden.store import mails
from borewarden.store.database import open_store, transaction

LEAD, NIGHT = "lead@invented-shop.example", "night@invented-shop.example"
QUICK = Pauses(look=0.02, server=(0.05, 0.2), mail=(0.05, 0.2))
PATIENCE = 60.0  # s, a bound only


def mail_settings(port: int, **changes) -> MailSettings:
    given = {"recipients": (LEAD, NIGHT), "security": "none", "timeout": 10.0, **changes}
    return MailSettings("127.0.0.1", "bore@invented-shop.example", port=port, **given)


@asynccontextmanager
async def mailing(
    store: Path, settings: MailSettings, health: Health | None = None, pauses: Pauses = QUICK
) -> AsyncIterator[Health]:
    """`Mailing` beside the block; it has to end by being cancelled, and by nothing else."""
    health = health or Health()
    task = asyncio.create_task(Mailing(store, settings, health, pauses).run())
    try:
        async with asyncio.timeout(PATIENCE):
            yield health
    finally:
        assert not task.done(), task
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def until(happened: Callable[[], object]) -> None:
    """Wait, with a bound, until something is true."""
    async with asyncio.timeout(PATIENCE):
        while not happened():
            await asyncio.sleep(0.02)


def queue(store: Path, machine: str, kind: str, time_ns: int, content: bytes) -> None:
    with open_store(store) as connection, transaction(connection):
        mails.put(connection, machine, kind, time_ns, content)


def left(store: Path) -> list[tuple[str, str | None]]:
    """Machine of each mail that is still in the store, and why it was set aside, if it was."""
    with open_store(store) as connection:
        return connection.execute(
            "SELECT machine, refused FROM outbox JOIN mail USING (id) ORDER BY id"
        ).fetchall()

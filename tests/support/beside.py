"""Tasks that run beside a block of a test."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any


@asynccontextmanager
async def beside(*tasks: asyncio.Task[Any]) -> AsyncIterator[None]:
    """The `tasks` beside the block, all of which have to outlast it; then they are cancelled."""
    try:
        yield
        assert not any(task.done() for task in tasks), tasks
    finally:
        for task in tasks:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task

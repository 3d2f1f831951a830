"""A machine whose register changes while it is watched."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from borewarden.base.samples import rows
from borewarden.collect.logged import read_log
from borewarden.settings import load_machine
from borewarden.store.database import (
    open_to_read,
)
from borewarden.store.register import judged_by, newest_entry

ROOT = Path(__file__).parents[2]


SOUTH = ROOT / "config" / "south.toml"


CHIP = ROOT / "replay_data" / "south-2026-03-05-chip.csv"


MACHINE = load_machine(SOUTH)


SAMPLES = rows(read_log(CHIP, MACHINE.log_format()), 22_000, 33_000)  # some three hours


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(60.0):
        while not condition():
            await asyncio.sleep(0.01)


def reckoned_with(store: Path) -> bool:
    """Whether the live service goes by the newest entry."""
    with open_to_read(store) as connection:
        return judged_by(connection, "South") == newest_entry(connection)

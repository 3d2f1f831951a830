"""A real mosquitto for tests."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

from wire import PATIENCE, needs


@contextlib.asynccontextmanager
async def broker(port: int, folder: Path, *options: str) -> AsyncIterator[None]:
    """A mosquitto on loopback for the length of a `with`."""
    program = needs("mosquitto")
    config = folder / "mosquitto.conf"
    lines = [f"listener {port} 127.0.0.1", "persistence false", *options]
    if not any(option.startswith("password_file") for option in options):
        lines.append("allow_anonymous true")
    config.write_text("\n".join(lines) + "\n")
    process = await asyncio.create_subprocess_exec(
        program, "-c", str(config), stderr=asyncio.subprocess.DEVNULL
    )
    try:
        async with asyncio.timeout(PATIENCE):
            while True:
                with contextlib.suppress(OSError):
                    _, writer = await asyncio.open_connection("127.0.0.1", port)
                    writer.close()
                    break
                await asyncio.sleep(0.05)
        yield
    finally:
        process.terminate()
        await process.wait()

"""A disk that is soon full, for the tests of what has to survive that."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

BALLAST = "ballast"


@contextmanager
def mounted(disk: Path, free: int = 2**20) -> Iterator[Path]:
    """A file system of 32 MiB, all but `free` bytes of it taken by the file `BALLAST`."""
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=32m", "borewarden-test", str(disk)]
    try:
        subprocess.run(command, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError) as failed:
        reason = f"a small file system can't be mounted, which takes root: {failed}"
        if os.environ.get("BOREWARDEN_REQUIRE_SERVERS") == "1" and os.geteuid() == 0:
            pytest.fail(reason)
        pytest.skip(reason)
    try:
        (disk / BALLAST).write_bytes(bytes(32 * 2**20 - free))
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)

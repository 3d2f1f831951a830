"""Reading a file that somebody named, or saying why it can't be read."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from borewarden.base.errors import BadInput


def check_file(path: Path, right: str) -> None:
    """Raise BadInput, with `right` as the fix, unless `path` is a regular file.

    Reading a pipe or a device could wait, or go on, forever.
    """
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        raise BadInput(path, "file", "there is no such file", right) from None
    except (OSError, ValueError) as error:
        raise BadInput(path, "file", _reason(error), right) from None
    if stat.S_ISDIR(mode):
        raise BadInput(path, "file", "that is a directory", right)
    if not stat.S_ISREG(mode):
        raise BadInput(path, "file", "that is not a regular file", right)
    if not os.access(path, os.R_OK):
        raise BadInput(path, "file", "Permission denied", "let this user read it")


def read_file(path: Path, right: str) -> bytes:
    """The bytes of the file at `path`. Raises BadInput, with `right` as the fix."""
    check_file(path, right)
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadInput(path, "file", _reason(error), right) from None


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or "can't be read"

"""Where samples come from: logged files and live protocols, all read-only."""

from __future__ import annotations

import os
import stat
from pathlib import Path


class BadInput(ValueError):  # noqa: N818 - it names what the person handed in
    """Input that can't be used: which file, where in it, what is wrong, what would be right."""

    def __init__(self, file: Path | str, where: str, wrong: str, right: str) -> None:
        super().__init__(f"{file}: {where}: {wrong}; {right}")
        self.file = str(file)
        self.where = where
        self.wrong = wrong
        self.right = right

    def __reduce__(self) -> tuple[type[BadInput], tuple[str, ...]]:
        """So that it comes whole out of another process."""
        return type(self), (self.file, self.where, self.wrong, self.right)


def check_file(path: Path, right: str) -> None:
    """Raise BadInput, with what would be `right`, unless `path` is a regular file.

    A pipe or a device would be waited for, or read, for ever.
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
        raise BadInput(path, "file", "that is no regular file", right)
    if not os.access(path, os.R_OK):
        raise BadInput(path, "file", "Permission denied", "let this user read it")


def read_file(path: Path, right: str) -> bytes:
    """The bytes of the file at `path`. Raises BadInput, with what would be `right`."""
    check_file(path, right)
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadInput(path, "file", _reason(error), right) from None


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or "can't be read"

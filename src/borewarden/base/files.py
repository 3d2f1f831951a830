"""Reading or writing a file that somebody named, or saying why that can't be."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from pathlib import Path

from borewarden.base.errors import BadInput

DATABASE = b"SQLite format 3\0"  # sqlite.org/fileformat2.html, 1.3
BESIDE_A_STORE = ("-wal", "-shm", "-journal", ".owner")


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


def check_output(option: str, path: Path, inputs: Iterable[Path | None] = ()) -> None:
    """Raise BadInput, naming the `option`, unless a file can be written to `path` without harm.

    None of the `inputs`, which need not be there, is ever overwritten, under whatever name (links,
    hard links); nor is any store, or file of settings. Nothing is written.
    """
    right = "name a new file, such as one in a folder of its own"
    if path.is_dir():
        raise BadInput(option, str(path), "that is a directory", right)
    for each in inputs:
        if each is not None and _is_same(path, each):
            raise BadInput(option, str(path), f"it would overwrite {each}", right)
    target = Path(os.path.realpath(path))
    belongs_to = [target, *(_without(target, suffix) for suffix in BESIDE_A_STORE)]
    if any(each is not None and _is_database(each) for each in belongs_to):
        raise BadInput(option, str(path), "it would overwrite a database", right)
    if target.suffix == ".toml" and target.exists():
        raise BadInput(option, str(path), "it would overwrite a file of settings", right)
    folder = next(parent for parent in target.parents if parent.exists())
    can_write = os.access(target if target.exists() else folder, os.W_OK)
    if not folder.is_dir() or not can_write:
        raise BadInput(option, str(path), f"nothing can be written to {folder}", right)


def _is_same(path: Path, other: Path) -> bool:
    if os.path.realpath(path) == os.path.realpath(other):
        return True
    try:
        return path.samefile(other)
    except OSError:  # one of them is not there
        return False


def _without(path: Path, suffix: str) -> Path | None:
    name = path.name.removesuffix(suffix)
    return path.with_name(name) if name not in ("", path.name) else None


def _is_database(path: Path) -> bool:
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return False
        with path.open("rb") as file:
            return file.read(len(DATABASE)) == DATABASE
    except OSError:
        return False


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or "can't be read"

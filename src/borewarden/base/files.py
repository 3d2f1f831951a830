"""Reading or writing a file that somebody named, or saying why that can't be.

Every file that is read comes through here: its kind and its size are looked at before its content.
"""

from __future__ import annotations

import os
import stat
import zlib
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from borewarden.base.errors import BadInput

DATABASE = b"SQLite format 3\0"  # sqlite.org/fileformat2.html, 1.3
LARGEST_TEXT = 64 * 2**20  # bytes of settings, registers, labels, answers and lists
LARGEST_LOG = 2 * 2**30  # bytes, unpacked: a year at 1 Hz with a channel or two
MOST_PACKED = 300  # times smaller than unpacked, beyond which it is no log, once it is large
LARGE = 64 * 2**20
BESIDE_A_STORE = ("-wal", "-shm", "-journal", ".owner")


def check_file(path: Path, right: str, most: int = LARGEST_LOG) -> None:
    """Raise BadInput, with `right` as the fix, unless `path` is a regular file of `most` bytes.

    Reading a pipe or a device could wait, or go on, forever.
    """
    try:
        about = path.stat()
    except FileNotFoundError:
        raise BadInput(path, "file", "there is no such file", right) from None
    except (OSError, ValueError) as error:
        raise BadInput(path, "file", _reason(error), right) from None
    if stat.S_ISDIR(about.st_mode):
        raise BadInput(path, "file", "that is a directory", right)
    if not stat.S_ISREG(about.st_mode):
        raise BadInput(path, "file", "that is not a regular file", right)
    if about.st_size > most:
        raise too_large(path, most)
    if not os.access(path, os.R_OK):
        raise BadInput(path, "file", "Permission denied", "let this user read it")


def too_large(path: Path, most: int) -> BadInput:
    """What to say of a file with more than `most` bytes in it."""
    size = f"{most / 2**20:,.0f} MiB"
    return BadInput(path, "file", f"has more than {size} in it", f"give files of {size} at most")


def read_file(path: Path, right: str, most: int = LARGEST_TEXT) -> bytes:
    """The bytes of the file at `path`, `most` of them. Raises BadInput, with `right` as the fix."""
    check_file(path, right, most)
    try:
        with path.open("rb") as file:
            content = file.read(most + 1)
    except OSError as error:
        raise BadInput(path, "file", _reason(error), right) from None
    if len(content) > most:  # it has grown
        raise too_large(path, most)
    return content


def unpacked(path: Path, content: bytes, most: int = LARGEST_LOG) -> bytes:
    """What the gzip file with this `content` holds. Raises BadInput, also for a bomb."""
    parts: list[bytes] = []
    size, packed = 0, len(content)
    while content:
        stream = zlib.decompressobj(31)
        try:
            while not stream.eof:
                part = stream.decompress(content, 2**22)
                size += len(part)
                if size > most:
                    raise too_large(path, most)
                if size > max(LARGE, MOST_PACKED * packed):
                    wrong = f"it unpacks to more than {MOST_PACKED} times its size"
                    raise BadInput(path, "file", wrong, "give it unpacked, if it is a log")
                parts.append(part)
                if not part and not stream.unconsumed_tail and not stream.eof:
                    raise zlib.error("it ends too soon")
                content = stream.unconsumed_tail
        except zlib.error:
            raise BadInput(
                path, "file", "the compressed file is broken or half written", "copy it anew"
            ) from None
        content = stream.unused_data.lstrip(b"\0")
    return b"".join(parts)


def write_private(path: Path, text: str) -> None:
    """Write `text` to `path`; a new file is for its owner only, since it has people's names."""
    with open(path, "w", encoding="utf-8", newline="", opener=_private) as file:
        file.write(text)


def is_special(path: Path) -> bool:
    """Whether there is something at `path` that is not a regular file; never raises."""
    try:
        return not stat.S_ISREG(path.stat().st_mode)
    except (OSError, ValueError):
        return False


def resolved(path: Path) -> Path:
    """`path` without links. `Path.resolve` raises RuntimeError for links in a circle."""
    return Path(os.path.realpath(path))


def make_private(path: Path) -> None:
    """Make an empty file for its owner only, unless there is something, or it can't be made.

    SQLite takes it for a new database, and gives its log the same rights.
    """
    with suppress(OSError, AttributeError):  # not every system has it
        os.mknod(path, stat.S_IFREG | 0o600)


def sync_names(folder: Path) -> None:
    """Have the names in `folder` on the disk, where the system can be asked for that; fsync(2)."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


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

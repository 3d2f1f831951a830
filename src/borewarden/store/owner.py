"""Who writes samples into a store: one process at a time, by a lock that dies with it.

The lock is the operating system's, on a file beside the store, so none is ever left behind: not by
a kill, not by a power cut. The file says who has it. Register and inspections are small entries in
transactions of their own, and take no lock.
"""

from __future__ import annotations

import errno
import json
import os
import platform
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from borewarden.base.errors import BadInput
from borewarden.base.files import resolved

BEYOND = 2**30  # the byte that is locked where a lock keeps others from reading


@contextmanager
def owned(store: Path, command: str) -> Iterator[None]:
    """Be the one that writes samples into `store`, as `command`, until the end of the block.

    Raises BadInput, and says who it is, if another process is that already. So it does for a store
    with a second name: SQLite keeps a log of its own for each, and would lose what is in the other.
    """
    store = resolved(store)
    if store.is_file() and store.stat().st_nlink > 1:
        raise BadInput(
            store,
            "file",
            "it has another name, too (a hard link): writing by both would destroy it",
            "remove one of the names, or make the other one a copy",
        )
    path = owner_file(store)
    try:
        file = _locked(path)
    except OSError as error:
        raise BadInput(
            store,
            "folder",
            f"{path.name} can't be written there ({error.strerror})",
            "name a store in a folder in which this user may write",
        ) from None
    if file is None:
        raise BadInput(
            store,
            "owner",
            f"{_owner_words(path)} writes to it",
            "stop that one first, or give this one a store of its own by --store",
        )
    try:
        since = datetime.now().astimezone().isoformat(timespec="seconds")
        who = {"process": os.getpid(), "computer": platform.node(), "command": command}
        file.truncate(0)
        file.write(json.dumps(who | {"since": since}).encode() + b"\n")
        file.flush()
        yield
    finally:
        with suppress(OSError):
            path.unlink()
        file.close()


def owner_file(store: Path) -> Path:
    """The file beside `store` that its owner keeps locked."""
    return store.with_name(f"{store.name}.owner")


def _locked(path: Path) -> BinaryIO | None:
    """The file at `path`, opened and locked; None if somebody else has it."""
    while True:
        file = path.open("ab+")
        if not _lock(file):
            file.close()
            return None
        try:
            if os.path.samestat(path.stat(), os.fstat(file.fileno())):
                return file
        except FileNotFoundError:
            pass  # its owner has gone, and the file with it, since it was opened
        file.close()


def _lock(file: BinaryIO) -> bool:
    """Lock `file` until it is closed; False if somebody else has locked it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            file.seek(BEYOND)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            return False
        raise
    return True


def _owner_words(path: Path) -> str:
    try:
        who = json.loads(path.read_bytes())
        return (
            f"`{who['command']}`, process {who['process']} on {who['computer']}, "
            f"since {who['since']},"
        )
    except (OSError, ValueError, TypeError, KeyError):  # it is just coming or going
        return "another process"

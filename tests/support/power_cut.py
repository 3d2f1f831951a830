"""What a power cut leaves of the files that a program wrote.

`write_journal.c` notes what a program does to the files of one folder. From these notes a `Disk`
makes the folder as it may be after a cut at any moment: what was synced is there, and of everything
since then any part, in any order, is or is not. sqlite.org/atomiccommit.html, section 2, has what
SQLite takes for granted of a disk, fsync(2) what an operating system promises of a sync.
"""

from __future__ import annotations

import enum
import json
import os
import random
import shutil
import struct
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import pytest

SOURCE = Path(__file__).with_name("write_journal.c")
HEAD = struct.Struct("=QQQIIII")
SECTORS = (512, 4096)  # bytes that a disk writes whole


class Kind(enum.IntEnum):
    """What was done; the numbers of `write_journal.c`, and `TOLD`, which a test notes."""

    WRITE = 1
    SIZE = 2
    SYNC_BEGUN = 3
    SYNCED = 4
    FOLDER_SYNC_BEGUN = 5
    FOLDER_SYNCED = 6
    MADE = 7
    REMOVED = 8
    RENAMED = 9
    TOLD = 10


class How(enum.Enum):
    """What of that which was not synced is on the disk after a power cut."""

    NOTHING = "nothing"
    PREFIX = "what came first"
    ANY = "any part of it"
    ALL = "all"


class Note(NamedTuple):
    """One thing that a program did. `time_ns` since 1970 UTC."""

    kind: Kind
    time_ns: int
    inode: int
    offset: int
    thread: int
    content: bytes


def library_of(source: Path, made_in: Path) -> Path:
    """The C of `source` as a library for LD_PRELOAD. Skips the test without a C compiler."""
    compiler = shutil.which("cc")
    if compiler is None or os.name != "posix":
        if os.environ.get("BOREWARDEN_REQUIRE_SERVERS") == "1":
            pytest.fail("no C compiler: apt-get install gcc libc6-dev")
        pytest.skip("no C compiler for what is put before libc: apt-get install gcc")
    library = made_in / f"{source.stem}.so"
    command = [compiler, "-shared", "-fPIC", "-O1", "-o", str(library), str(source), "-ldl"]
    subprocess.run(command, check=True)
    return library


def preloaded(made_in: Path, journal: Path, folder: Path) -> dict[str, str]:
    """An environment in which what a program does in `folder` is noted in `journal`."""
    return os.environ | {
        "LD_PRELOAD": str(library_of(SOURCE, made_in)),
        "WRITE_JOURNAL": str(journal),
        "WRITE_JOURNAL_OF": str(folder),
    }


def tell(journal: Path, what: dict[str, Any]) -> None:
    """Note that somebody has just been told something."""
    words = json.dumps(what).encode()
    head = HEAD.pack(time.time_ns(), 0, 0, Kind.TOLD, 0, len(words), 0)
    line = os.open(journal, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    try:
        os.write(line, head + words)
    finally:
        os.close(line)


def read_journal(journal: Path) -> list[Note]:
    """All that was noted, in order."""
    text, at, notes = journal.read_bytes(), 0, []
    while at < len(text):
        time_ns, inode, offset, kind, thread, length, _ = HEAD.unpack_from(text, at)
        at += HEAD.size
        content = text[at : at + length]
        at += length
        notes.append(Note(Kind(kind), time_ns, inode, offset, thread, content))
    return notes


@dataclass
class File:
    """A file: what of it is surely on the disk, and what was done to it since."""

    synced: bytearray = field(default_factory=bytearray)
    since: list[Note] = field(default_factory=list)
    asked: dict[int, int] = field(default_factory=dict)  # how much of `since`, by thread

    def settle(self, thread: int) -> None:
        """A sync has ended that `thread` asked for."""
        count = self.asked.pop(thread)
        for note in self.since[:count]:
            _do(self.synced, note)
        del self.since[:count]
        self.asked = {other: max(n - count, 0) for other, n in self.asked.items()}

    def left(self, how: How, chance: random.Random) -> bytes:
        """What may be left of it after a power cut."""
        content = bytearray(self.synced)
        since = [] if how is How.NOTHING else self.since
        if how is How.PREFIX:
            since = since[: chance.randint(0, len(since))]
        sector = chance.choice(SECTORS)
        for note in since:
            if how is not How.ANY or (note.kind is Kind.SIZE and chance.random() < 0.5):
                _do(content, note)
            elif note.kind is Kind.WRITE:
                _write_torn(content, note, sector, chance)
        return bytes(content)


def _do(content: bytearray, note: Note) -> None:
    """Do to `content` what `note` says."""
    if note.kind is Kind.SIZE:
        del content[note.offset :]
        content.extend(bytes(note.offset - len(content)))
    else:
        _put(content, note.offset, note.content)


def _put(content: bytearray, at: int, data: bytes) -> None:
    content.extend(bytes(max(at + len(data) - len(content), 0)))
    content[at : at + len(data)] = data


def _write_torn(content: bytearray, note: Note, sector: int, chance: random.Random) -> None:
    """Write some of the sectors that `note` touches; the file may grow by all of them."""
    share = chance.choice((0.0, 0.5, 1.0))
    if chance.random() < 0.5:
        _put(content, note.offset + len(note.content), b"")
    at, end = note.offset, note.offset + len(note.content)
    while at < end:
        stop = min(end, (at // sector + 1) * sector)
        if chance.random() < share:
            _put(content, at, note.content[at - note.offset : stop - note.offset])
        at = stop


class Disk:
    """The folder while it is written to; `take` each note, and ask what is `left` at any moment."""

    def __init__(self) -> None:
        self._files: dict[int, File] = {}  # by inode; a number may be given again
        self._now: dict[str, File] = {}  # by name, as programs see it
        self._synced: dict[str, File] = {}  # by name, as it surely is on the disk
        self._since: list[dict[str, File | None]] = []  # what was done to names since
        self._asked: dict[int, int] = {}  # how much of that, by thread

    def take(self, note: Note) -> None:
        """Go on by one note."""
        match note.kind:
            case Kind.WRITE | Kind.SIZE:
                self._files[note.inode].since.append(note)
            case Kind.SYNC_BEGUN:
                file = self._files[note.inode]
                file.asked[note.thread] = len(file.since)
            case Kind.SYNCED:
                self._files[note.inode].settle(note.thread)
            case Kind.FOLDER_SYNC_BEGUN:
                self._asked[note.thread] = len(self._since)
            case Kind.FOLDER_SYNCED:
                count = self._asked.pop(note.thread)
                _rename(self._synced, self._since[:count])
                del self._since[:count]
                self._asked = {other: max(n - count, 0) for other, n in self._asked.items()}
            case Kind.MADE | Kind.REMOVED | Kind.RENAMED:
                self._since.append(self._naming(note))
                _rename(self._now, self._since[-1:])

    def _naming(self, note: Note) -> dict[str, File | None]:
        name, *to = (Path(os.fsdecode(part)).name for part in note.content.split(b"\0"))
        if note.kind is Kind.MADE:
            self._files[note.inode] = File()
            return {name: self._files[note.inode]}
        if note.kind is Kind.REMOVED:
            return {name: None}
        return {to[0]: self._now[name], name: None}

    def left(self, how: How, chance: random.Random) -> dict[str, bytes]:
        """The files, by name, as they may be after a power cut just now.

        A folder's names change in the order in which they were changed, as journals of file systems
        have it. What is left of one file says nothing of the others.
        """
        since = {How.NOTHING: 0, How.ALL: len(self._since)}
        names = dict(self._synced)
        _rename(names, self._since[: since.get(how, chance.randint(0, len(self._since)))])
        mixed = list(How) if how is How.ANY else [how]
        return {name: file.left(chance.choice(mixed), chance) for name, file in names.items()}


def _rename(names: dict[str, File], changes: list[dict[str, File | None]]) -> None:
    for change in changes:
        for name, file in change.items():
            if file is None:
                names.pop(name, None)
            else:
                names[name] = file

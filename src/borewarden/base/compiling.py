"""Loops compiled to machine code, which is kept on disk and never older than its sources.

numba keeps machine code too, but watches only the file of the loop. What the loop calls or reads
from other files is built into its code and would go on unchanged after an edit. So the code is kept
in a folder named after a hash of the loop's file and of all files of the package that its imports
lead to.

The folder is made in `NUMBA_CACHE_DIR`, or else in the user's cache folder (`~/.cache/borewarden`,
`XDG_CACHE_HOME` or `LOCALAPPDATA` where set), so nothing is written where the package is
installed. Where neither can be written to, every process compiles for itself.
"""

from __future__ import annotations

import functools
import hashlib
import os
import re
import shutil
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

import numba
import numpy as np
from numba import config, njit
from numba.core import event
from numba.extending import register_jitable

Function = TypeVar("Function", bound=Callable[..., Any])

PACKAGE = Path(__file__).absolute().parents[1]
KEPT = 3  # folders of a loop's file: a service may still run the version before
_IMPORT = re.compile(
    rf"^\s*(?:from\s+({PACKAGE.name}[\w.]*)\s+import\s+(\([^)]*\)|.*)"
    rf"|import\s+({PACKAGE.name}[\w.]*))",
    re.MULTILINE,
)


class _NoInterrupt(event.Listener):  # type: ignore[misc]
    """Has a Ctrl-C wait while numba compiles or loads code.

    LLVM calls Python meanwhile. What is raised in there is printed and lost, and the code with it.
    """

    def __init__(self) -> None:
        self.of_thread = threading.local()

    def on_start(self, event: object) -> None:
        """Keep the signal back, and remember what was kept back before; the lock may be nested."""
        kept = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        self.of_thread.before = [*getattr(self.of_thread, "before", []), kept]

    def on_end(self, event: object) -> None:
        """Let it come, once numba has given its lock back."""
        signal.pthread_sigmask(signal.SIG_SETMASK, self.of_thread.before.pop())


if hasattr(signal, "pthread_sigmask"):  # not on Windows
    event.register("numba:compiler_lock", _NoInterrupt())


def compilable(formula: Function) -> Function:
    """Let compiled loops call `formula`, compiled with them; in Python it stays what it was."""
    marked: Function = register_jitable(formula)
    return marked


def compiled(loop: Function) -> Function:
    """Compile `loop` to machine code on its first call, kept on disk for the next process."""
    folder = _folder(Path(loop.__code__.co_filename).absolute(), config.CACHE_DIR)
    given = config.CACHE_DIR
    config.CACHE_DIR = str(folder or "")  # read once, when the loop is wrapped
    try:
        made: Function = njit(cache=folder is not None)(loop)
    finally:
        config.CACHE_DIR = given
    return made


def is_compiled(*loops: Callable[..., Any]) -> bool:
    """Whether there is machine code of all these `compiled` loops, here or on disk.

    The first call of one without takes some seconds. So may a call with other types of arguments.
    """
    return all(map(_has_code, loops))


def _has_code(loop: Any) -> bool:
    if not hasattr(loop, "py_func"):  # NUMBA_DISABLE_JIT: there is nothing to compile
        return True
    if loop.signatures:
        return True
    file = Path(loop.py_func.__code__.co_filename)
    names = f"{file.stem}.{loop.py_func.__qualname__}-*.nbc"
    try:
        return loop.stats.cache_path is not None and any(Path(loop.stats.cache_path).glob(names))
    except PermissionError:  # kept by another user: there is none for this one
        return False


def is_kept(loop: Any) -> bool:
    """Whether the machine code of a `compiled` loop lasts for the next process."""
    return hasattr(loop, "py_func") and loop.stats.cache_path is not None


def record_of(fields: Any) -> np.dtype[np.void]:
    """The record with the fields of a `NamedTuple` of numbers: compiled code reads it in place."""
    kinds: dict[type, type] = {bool: np.bool_, int: np.int64, float: np.float64}
    return np.dtype([(name, kinds[kind]) for name, kind in get_type_hints(fields).items()])


def sources_of(file: Path) -> list[Path]:
    """`file` and the files of the package that its imports lead to, sorted.

    Raises OSError if `file` can't be read. Imports are taken to be absolute.
    """
    found: set[Path] = set()
    unread = [file]
    while unread:
        source = unread.pop()
        if source not in found:
            found.add(source)
            unread += _imports_of(source)
    return sorted(found)


def _imports_of(source: Path) -> Iterator[Path]:
    """Files of the package that `source` imports; a name may be a module's or what is in one."""
    for folder in source.parents:
        if folder.is_relative_to(PACKAGE):
            yield from _files_of(folder)
    for origin, names, module in _IMPORT.findall(source.read_text(encoding="utf-8")):
        parts = (origin or module).split(".")[1:]
        for depth in range(len(parts) + 1):
            yield from _files_of(PACKAGE.joinpath(*parts[:depth]))
        for name in re.findall(r"\w+", names):
            yield from _files_of(PACKAGE.joinpath(*parts, name))


@functools.cache
def _files_of(module: Path) -> list[Path]:
    files = (module / "__init__.py", module.with_name(module.name + ".py"))
    return [file for file in files if file.is_file()]


@functools.cache
def _folder(file: Path, numba_cache_dir: str) -> Path | None:
    """Where machine code of the loops in `file` is kept, None if it can't be."""
    try:
        stamp = _stamp(sources_of(file))
    except OSError:  # in a zip file, or typed in
        return None
    place = hashlib.sha256(str(file).encode()).hexdigest()[:8]
    for root in _roots(numba_cache_dir):
        folder = root / f"{file.stem}-{place}-{stamp}"
        try:
            if not folder.is_dir():
                folder.mkdir(parents=True, exist_ok=True)
                _remove_old(root, f"{file.stem}-{place}-*")
            tempfile.TemporaryFile(dir=folder).close()
        except OSError:
            continue
        return folder
    return None


def _stamp(sources: list[Path]) -> str:
    stamp = hashlib.sha256(f"{sys.implementation.cache_tag} {numba.__version__}".encode())
    for source in sources:
        stamp.update(hashlib.sha256(source.read_bytes()).digest())
    return stamp.hexdigest()[:16]


def _roots(numba_cache_dir: str) -> Iterator[Path]:
    if numba_cache_dir:
        yield Path(numba_cache_dir)
    cache = os.environ.get("LOCALAPPDATA" if os.name == "nt" else "XDG_CACHE_HOME")
    try:
        yield (Path(cache) if cache else Path.home() / ".cache") / PACKAGE.name
    except RuntimeError:  # nobody's home
        return


def _remove_old(root: Path, names: str) -> None:
    """Leave the newest `KEPT` folders of these `names`."""
    for folder in sorted(root.glob(names), key=lambda each: each.stat().st_mtime_ns)[:-KEPT]:
        shutil.rmtree(folder, ignore_errors=True)

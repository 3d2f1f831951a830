"""One function over many tasks: in this process, in several, or on a cluster of dask.distributed.

A task may be run twice where a worker was lost in the midst of it, so the function should depend
on its task alone and leave nothing behind but its answer. What all tasks need, be it large, may be
bound to it (`functools.partial`): that goes to each worker once, and processes of this computer
map the arrays in it into memory together.
"""

from __future__ import annotations

import logging
import mmap
import multiprocessing
import os
import pickle
import re
import signal
import tempfile
import threading
import warnings
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from functools import partial
from itertools import islice
from multiprocessing import connection
from pathlib import Path
from typing import Any, TypeVar
from uuid import uuid4

from borewarden.base.errors import MissingExtra

AHEAD = 1000  # tasks handed over and not answered yet; enough to keep a thousand workers busy
PATIENCE = 15.0  # s, for a scheduler to answer, and then for its first worker
ALIGNED = 64  # bytes; compiled loops want their arrays so

Task = TypeVar("Task")
Answer = TypeVar("Answer")
Answers = Generator[tuple[int, Answer | Exception], None, None]


def spread(
    function: Callable[[Task], Answer],
    tasks: Iterable[Task],
    processes: int = 1,
    scheduler: str | None = None,
) -> Answers[Answer]:
    """Give the number of each task and its answer, or what it raised, as they come.

    On the cluster whose scheduler is at `scheduler` ("tcp://host:8786") if that is given, else in
    so many `processes`. The order is that of the tasks only in one process. A Ctrl-C is for this
    process alone, which ends the others once they have done their task. Raises ConnectionError
    where the cluster can't be reached or is lost (single workers may come and go), ValueError
    where `scheduler` is no such address, MissingExtra where `distributed` is not installed.
    """
    if scheduler is not None:
        return _on_cluster(function, tasks, scheduler)
    if processes > 1:
        return _in_processes(function, tasks, processes)
    return ((i, _tried(function, task)) for i, task in enumerate(tasks))


def _tried(function: Callable[[Task], Answer], task: Task) -> Answer | Exception:
    try:
        return function(task)
    except Exception as error:
        return error


def _same(thing: Any) -> Any:
    return thing


def _in_processes(
    function: Callable[[Task], Answer], tasks: Iterable[Task], processes: int
) -> Answers[Answer]:
    # a plain fork would take along the threads of whoever calls; this way all is imported once
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([getattr(function, "func", function).__module__])
    with tempfile.TemporaryDirectory(prefix="borewarden-") as folder:
        file = Path(folder) / "function"
        _lay_down(function, file)
        pool = ProcessPoolExecutor(processes, context, _begin, (file,))
        queue = enumerate(tasks)
        running: dict[Future[Answer | Exception], int] = {}
        try:
            while True:
                for i, task in islice(queue, AHEAD - len(running)):
                    running[_submit(pool, task)] = i
                if not running:
                    return
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    i = running.pop(future)
                    yield i, _tried(Future.result, future)
        finally:
            pool.shutdown(cancel_futures=True)


def _submit(pool: ProcessPoolExecutor, task: Any) -> Future[Any]:
    with started_without_interrupt():
        return pool.submit(_do, task)


@contextmanager
def started_without_interrupt() -> Iterator[None]:
    """Keep a Ctrl-C from processes that start within the block: this one ends them all."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


_function: Callable[[Any], Any]


def _begin(file: Path) -> None:
    global _function
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    _function = _take_up(file)


def end_with_parent() -> None:
    """End this process once the one that asked for it has gone, be it by a kill."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def _do(task: Any) -> Any:
    return _tried(_function, task)


def _lay_down(thing: Any, file: Path) -> None:
    """Write a pickle and, each in a place of its own, the arrays in it."""
    arrays: list[pickle.PickleBuffer] = []
    words = pickle.dumps(thing, protocol=5, buffer_callback=arrays.append)
    with file.open("wb") as out:
        pickle.dump((words, [array.raw().nbytes for array in arrays]), out)
        for array in arrays:
            out.write(bytes(-out.tell() % ALIGNED))
            out.write(array.raw())


def _take_up(file: Path) -> Any:
    """What was laid down; the arrays are the file's pages, shared until somebody writes to them."""
    with file.open("rb") as opened:
        words, sizes = pickle.load(opened)
        end = opened.tell()
        pages = memoryview(mmap.mmap(opened.fileno(), 0, access=mmap.ACCESS_COPY))
    arrays = []
    for size in sizes:
        start = end + -end % ALIGNED
        end = start + size
        arrays.append(pages[start:end])
    return pickle.loads(words, buffers=arrays)


def _on_cluster(
    function: Callable[[Task], Answer], tasks: Iterable[Task], address: str
) -> Answers[Answer]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise MissingExtra("distributed", "cluster") from None
    if not re.fullmatch(r"(tcp|tls)://\S+:\d+", address):
        raise ValueError(f"{address!r} is no address of a scheduler: give tcp://HOST:8786")
    # what matters of its tracebacks is in what is raised here
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client = Client(address, timeout=PATIENCE, set_as_default=False)
    except OSError as error:
        raise ConnectionError(f"no scheduler answers at {address}: {error}") from None
    with client:
        try:
            client.wait_for_workers(1, PATIENCE)
        except TimeoutError:
            raise ConnectionError(
                f"no worker has come to {address} within {PATIENCE:.0f} s: "
                f"start some with `dask worker {address}`"
            ) from None
        queue = enumerate(tasks)
        run = uuid4().hex
        held: Any = function
        if isinstance(function, partial):  # what is bound to it may be large
            with warnings.catch_warnings(action="ignore", category=UserWarning):  # that it is
                held = client.submit(_same, function, key=f"borewarden-{run}")
            held.exception()  # waits for it
            if held.status == "finished":
                # or whoever has it would be given all the work; not scattered, which would be
                # lost with those workers: the scheduler can have it made again
                client.replicate([held])
        places: dict[str, int] = {}

        def submit(count: int) -> list[Any]:
            futures = []
            for i, task in islice(queue, count):
                future = client.submit(_tried, held, task, key=f"borewarden-{run}-{i}")
                places[future.key] = i
                futures.append(future)
            return futures

        # no other reference to a future is kept, so the workers forget what was fetched
        done = as_completed(submit(AHEAD), loop=client.loop, with_results=True, raise_errors=False)
        for future, answer in done:
            if future.status == "error":  # such as a task that takes each of its workers along
                answer = answer[1]
            elif future.cancelled():
                raise ConnectionError(f"the scheduler at {address} was lost")
            yield places.pop(future.key), answer
            done.update(submit(1))

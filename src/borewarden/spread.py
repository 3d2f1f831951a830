"""One function over many tasks: in this process, in several, or on a cluster of dask.distributed.

A task may be run twice where a worker was lost in the midst of it, so the function should depend
on its task alone and leave nothing behind but its answer.
"""

from __future__ import annotations

import logging
import multiprocessing
import re
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from itertools import islice
from typing import Any, TypeVar
from uuid import uuid4

AHEAD = 1000  # tasks handed over and not answered yet; enough to keep a thousand workers busy
PATIENCE = 15.0  # s, for a scheduler to answer, and then for its first worker

Task = TypeVar("Task")
Answer = TypeVar("Answer")


def spread(
    function: Callable[[Task], Answer],
    tasks: Iterable[Task],
    processes: int = 1,
    scheduler: str | None = None,
) -> Iterator[tuple[int, Answer | Exception]]:
    """Give the number of each task and its answer, or what it raised, as they come.

    On the cluster whose scheduler is at `scheduler` ("tcp://host:8786") if that is given, else in
    so many `processes`. The order is that of the tasks only in one process. Raises ConnectionError
    where the cluster can't be reached or is lost (single workers may come and go), ValueError
    where `scheduler` is no such address or the package `distributed` is not installed.
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


def _in_processes(
    function: Callable[[Task], Answer], tasks: Iterable[Task], processes: int
) -> Iterator[tuple[int, Answer | Exception]]:
    # not forked: threads of numerical libraries do not outlive that
    pool = ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"))
    queue = enumerate(tasks)
    running: dict[Future[Answer | Exception], int] = {}
    try:
        while True:
            for i, task in islice(queue, AHEAD - len(running)):
                running[pool.submit(_tried, function, task)] = i
            if not running:
                return
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                i = running.pop(future)
                yield i, _tried(Future.result, future)
    finally:
        pool.shutdown(cancel_futures=True)


def _on_cluster(
    function: Callable[[Task], Answer], tasks: Iterable[Task], address: str
) -> Iterator[tuple[int, Answer | Exception]]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise ValueError(
            "the package distributed is not installed: pip install distributed"
        ) from None
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
        places: dict[str, int] = {}

        def submit(count: int) -> list[Any]:
            futures = []
            for i, task in islice(queue, count):
                future = client.submit(_tried, function, task, key=f"borewarden-{run}-{i}")
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

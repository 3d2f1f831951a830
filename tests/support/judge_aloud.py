"""Helper process of test_watch_register: follow what is left of a log, and say how judging goes."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

from borewarden.collect.link import Received
from borewarden.service import watch as watch_module
from borewarden.service import writer
from borewarden.service.watch import watch
from borewarden.watcher.watcher import Learned
from follow_log import paced, yet_to_come
from follow_register import MACHINE, SAMPLES, reckoned_with, until
from held import Held

judge_anew, tell_anew = writer.judge_anew, writer.tell_anew


def aloud(*words: object) -> Iterator[Learned]:
    """Judge anew, with a pause after each block for whoever wants to kill this process there."""
    for number, learned in enumerate(judge_anew(*words), start=1):
        print("block", number, flush=True)
        time.sleep(0.03)
        yield learned
    print("judged", flush=True)
    time.sleep(0.5)


def and_say(*words: object) -> None:
    print("kept", flush=True)
    tell_anew(*words)


async def source(store: Path) -> AsyncIterator[Received]:
    async for received in paced(yet_to_come(SAMPLES, "South", store), 100, 0.01):
        yield received
    await until(lambda: reckoned_with(store))


if __name__ == "__main__":
    watch_module.LOOK = 0.02
    writer.judge_anew, writer.tell_anew = aloud, and_say
    store = Path(sys.argv[1])
    asyncio.run(watch([MACHINE], store, {"South": source(store)}, Held()))

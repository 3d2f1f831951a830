"""A writer that is killed while it writes, for the tests of whatever has to survive that."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

WRITER = """
import sys
from pathlib import Path
import numpy as np
from borewarden.watcher.batch_loop import RESULT
from borewarden.base.samples import samples_of
from borewarden.watcher.watcher import Learned
from borewarden.store import database
from borewarden.store.database import open_store, transaction, write_learned
from borewarden.store.outbox import put

database.GATHERED = 50
none = Learned(np.array([5]), np.zeros(0, RESULT), [])

with open_store(Path(sys.argv[1])) as connection:
    i = 0
    while True:
        with transaction(connection):
            for _ in range({count}):
                {statement}
                i += 1
        print(i, flush=True)
"""


def write_until_killed(store: Path, statement: str, count: int, at_least: int) -> int:
    """Have another process run `statement` on `connection` with i = 0, 1, …; SIGKILL it.

    `count` of them are one transaction. Killed once `at_least` were committed; returns how many
    the process itself knew of.
    """
    script = WRITER.format(count=count, statement=statement)
    writer = subprocess.Popen(
        [sys.executable, "-c", script, str(store)], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    committed = 0
    while committed < at_least:
        committed = int(writer.stdout.readline())
    writer.send_signal(signal.SIGKILL)
    rest = writer.stdout.read().split()
    writer.wait()
    writer.stdout.close()
    return int(rest[-1]) if rest else committed

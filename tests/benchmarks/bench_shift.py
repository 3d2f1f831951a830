"""Figures, not tests: how long the shift page takes. Prints, asserts no time.

`python tests/benchmarks/bench_shift.py [MACHINES]` writes an invented store: three months of
batches all 20 s of jet, 45 jet hours a week, a ruby a machine every 40 h or so; then makes the
page. Prints processor seconds: other work on the machine does not count.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from borewarden.jewels.fitting import End, Fitting
from borewarden.lives.posterior import learn
from borewarden.lives.records import records_of
from borewarden.planning.outlook import outlook_of, stock_of
from borewarden.planning.snapshot import see_shop
from borewarden.show.shift_page import write_shift
from borewarden.store.database import open_store, transaction
from borewarden.store.register import record
from invented_register import (
    AT,
    EXAMPLE,
    InventedHead,
    write_batches,
    write_machines,
)

WEEKS, PACE = 13.0, 45.0


def write_store(path: Path, names: list[str]) -> None:
    rng = np.random.default_rng(0)
    with open_store(path) as connection, transaction(connection):
        for name in names:
            head = InventedHead(name, "ruby", PACE)
            clock, end = 0.0, WEEKS * PACE
            while clock < end:
                life = min(float(rng.uniform(5.0, 75.0)), end - clock)
                out = None if clock + life >= end else head.time_ns(clock + life)
                since = np.arange(1, int(life * 180) + 1) / 180.0
                times = [head.time_ns(clock + float(h)) for h in since]
                jewel = Fitting(
                    name, "1", head.time_ns(clock), 0.254e-3, "ruby", out, out and End.WORN
                )
                record(connection, jewel, "invented")
                wear = np.log(1.08) * since / max(life, 1.0)
                noise = rng.normal(0.0, 0.004, len(since))
                write_batches(connection, name, times, since, wear + noise, 0.254e-3)
                clock += life


def main() -> None:
    machines = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    names = [f"M{number}" for number in range(1, machines + 1)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_machines(folder, [(machine, "ruby") for machine in names])
        (folder / "shop.toml").write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
        write_store(folder / "store.db", names)
        at = datetime.fromisoformat(AT)
        for _ in range(2):
            start = time.process_time()
            seen = see_shop(folder, folder / "store.db", at)
            read = time.process_time()
            posterior = learn(records_of(seen.jewels))
            learned = time.process_time()
            outlooks = [
                outlook_of(machine, head, posterior, seen.shop, 8.0, seen.at_ns)
                for machine in seen.machines
                for head in machine.heads
            ]
            stock = stock_of(outlooks, posterior, seen.shop)
            write_shift(seen, outlooks, stock, 8.0, folder / "shift.html")
            end = time.process_time()
        print(f"{machines} machines, {len(seen.jewels)} jewels, three months of batches all 20 s")
        print(f"  read      {read - start:6.2f} s")
        print(f"  learn     {learned - read:6.2f} s")
        print(f"  work out  {end - learned:6.2f} s, page included")
        print(f"  together  {end - start:6.2f} s")


if __name__ == "__main__":
    main()

"""Figures, not tests: how many pumps one process holds, over real Modbus TCP on loopback.

`python tests/benchmarks/bench_load.py [PUMPS] [HZ] [SECONDS]` starts a Modbus server in a second
process and watches PUMPS machines on as many connections. Prints the latency from a sample's
arrival to the moment it is kept and its verdict told, processor time and memory. Bounded in count
and time.
"""

from __future__ import annotations

import asyncio
import math
import multiprocessing
import resource
import socket
import sqlite3
import sys
import tempfile
import time
from functools import cache
from pathlib import Path

import numpy as np

from borewarden.collect.modbus import ModbusSource, Register, modbus_samples
from borewarden.service.messages import Effects, Queue
from borewarden.service.status import MachineStatus
from borewarden.service.watch import watch
from borewarden.settings import MachineSettings, load_machine
from borewarden.simulate.serve import modbus_server

ROOT = Path(__file__).parents[2]


def source(port: int, hertz: float) -> ModbusSource:
    channels = machine().log_format().channels
    registers = {
        name: Register(channels[name], function=4, address=2 * i, kind="float32")
        for i, name in enumerate(("pressure", "rate", "temperature"))
    }
    return ModbusSource(registers, host="127.0.0.1", port=port, interval=1.0 / hertz)


@cache
def machine() -> MachineSettings:
    return load_machine(ROOT / "config" / "south.toml")


def serve(port: int, seconds: float) -> None:
    async def main() -> None:
        values = {"pressure": math.nan, "rate": 305.0, "temperature": 20.0}
        server = modbus_server(source(port, 1.0), values)
        await server.serve_forever(background=True)
        rng = np.random.default_rng(1)
        for _ in range(round(seconds / 0.05)):
            values["pressure"] = 374.0 + float(rng.normal())
            await asyncio.sleep(0.05)

    asyncio.run(main())


def memory() -> float:
    """Resident memory of this process now, MiB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


async def load(pumps: int, hertz: float, seconds: float, port: int, store: Path) -> None:
    machines = [machine().model_copy(update={"name": f"pump {i:04d}"}) for i in range(pumps)]
    sources = {pump.name: modbus_samples(source(port, hertz)) for pump in machines}
    seen: dict[str, MachineStatus] = {}

    def started(
        connection: sqlite3.Connection, statuses: dict[str, MachineStatus], queue: Queue
    ) -> Effects:
        seen.update(statuses)
        return lambda connection, block: None

    watching = asyncio.create_task(watch(machines, store, sources, started))
    await asyncio.sleep(15.0)  # connections and compilation
    settled = memory()
    before = sum(status.samples for status in seen.values())
    for status in seen.values():
        status.latency_s.clear()
    used, began = time.process_time(), time.monotonic()
    await asyncio.sleep(seconds)
    used, took = time.process_time() - used, time.monotonic() - began
    samples = sum(status.samples for status in seen.values()) - before
    latencies = np.concatenate([status.latency_s for status in seen.values()])
    wal = store.with_name(store.name + "-wal").stat().st_size / 2**20
    print(
        f"{pumps} pumps at {hertz:g} Hz for {took:.0f} s: {samples / took:.0f} samples/s kept of "
        f"{pumps * hertz:.0f}; latency p50 {np.quantile(latencies, 0.5) * 1e3:.0f} ms, p99 "
        f"{np.quantile(latencies, 0.99) * 1e3:.0f} ms, most {latencies.max() * 1e3:.0f} ms; "
        f"processor {used / took:.0%} of a core; memory {settled:.0f} -> {memory():.0f} MiB; "
        f"write-ahead log {wal:.0f} MiB"
    )
    watching.cancel()
    await asyncio.gather(watching, return_exceptions=True)


def main() -> None:
    pumps, hertz, seconds = (
        float(word) for word in (*sys.argv[1:], *("200", "1", "30")[len(sys.argv) - 1 :])
    )
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = multiprocessing.Process(target=serve, args=(port, seconds + 40.0), daemon=True)
    server.start()
    time.sleep(3.0)
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(load(round(pumps), hertz, seconds, port, Path(folder) / "load.db"))
    server.terminate()


if __name__ == "__main__":
    main()

"""Figures, not tests: what samples and watching browsers cost the watch, all in.

`python tests/benchmarks/bench_browsers.py [BROWSERS] [SECONDS] [MACHINES] [COMMIT_EVERY]` runs
`borewarden watch` on so many machines at 1 Hz (3), read by Modbus TCP from `borewarden serve`, once
with nobody looking and once with so many event streams open, all logged in with one account. With a
COMMIT_EVERY of 0 s, the default, each sample is committed at once, so the latency is from its
arrival to the moment it is kept. Processor time is that of the whole process, from the collector to
the snapshot that the pages get; beside it stands what river's PageHinkley takes for an update just
then, to compare computers. Bounded in count and time.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from river import drift

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "borewarden.cli"]
SETTLED = 15.0  # s for connections, compiling, logins
TICK = os.sysconf("SC_CLK_TCK")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def look(port: int, token: str, browsers: int, seconds: float, told: Any) -> None:
    """Hold the streams open, and count what comes."""

    async def stream() -> int:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        head = f"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: borewarden={token}\r\n\r\n"
        writer.write(head.encode())
        events = 0
        try:
            async with asyncio.timeout(seconds):
                while part := await reader.read(1 << 16):
                    events += part.count(b"event: cards")
        except TimeoutError:
            pass
        writer.close()
        return events

    async def all_of_them() -> None:
        streams = []
        for _ in range(browsers):
            streams.append(asyncio.create_task(stream()))
            await asyncio.sleep(0.005)
        told.put(await asyncio.gather(*streams))

    asyncio.run(all_of_them())


def processor_ticks(process: int) -> int:
    stat = Path(f"/proc/{process}/stat").read_text()
    return sum(map(int, stat.split(")")[1].split()[11:13]))


def page_hinkley() -> float:
    """Processor time of one update of river's PageHinkley, s, just now."""
    detector, values = drift.PageHinkley(), np.random.default_rng(1).normal(size=100_000).tolist()
    used = time.process_time()
    for value in values:
        detector.update(value)
    return (time.process_time() - used) / len(values)


def measured(folder: Path, port: int, browsers: int, seconds: float, machines: int) -> str:
    store = folder / f"{browsers}.db"
    account = [*COMMAND, "account"]
    place = ["--store", str(store)]
    word = "four random words, or so\n"
    subprocess.run([*account, "add", "wall", "--role", "look", *place], input=word, text=True,
                   check=True, stdout=subprocess.DEVNULL)  # fmt: skip
    made = subprocess.run([*account, "token", "wall", *place], check=True, capture_output=True)
    token = made.stdout.decode().strip()

    def ask() -> dict[str, Any]:
        request = urllib.request.Request(
            f"http://127.0.0.1:{port}/status", headers={"Authorization": f"Bearer {token}"}
        )
        with urllib.request.urlopen(request, timeout=30) as answer:
            return dict(json.load(answer)["machines"])

    watching = subprocess.Popen(
        [*COMMAND, "watch", "--config", str(folder / "config"), *place], stderr=subprocess.PIPE
    )
    told: Any = multiprocessing.Queue()
    lookers = multiprocessing.Process(
        target=look, args=(port, token, browsers, SETTLED + seconds + 2.0, told)
    )
    try:
        assert watching.stderr is not None
        while b'"watching"' not in watching.stderr.readline():
            assert watching.poll() is None
        threading.Thread(target=watching.stderr.read, daemon=True).start()  # a full pipe stops it
        time.sleep(2.0)
        lookers.start()
        time.sleep(SETTLED)
        before, began, used = ask(), time.monotonic(), processor_ticks(watching.pid)
        time.sleep(seconds)
        used, took, after = processor_ticks(watching.pid) - used, time.monotonic() - began, ask()
        update = page_hinkley()
        events = told.get(timeout=60.0)
        memory = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{watching.pid}/status").read_text())
    finally:
        watching.terminate()
        watching.communicate(timeout=60)
    kept = sum(after[name]["samples"] - before[name]["samples"] for name in after)
    latencies = [each["latency_s"] for each in after.values()]
    fewest = min(events, default=0) / (SETTLED + seconds + 2.0)
    quantiles = ", ".join(
        f"{name} {1e3 * median([each[name] for each in latencies]):.0f} ms "
        f"(worst machine {1e3 * max(each[name] for each in latencies):.0f})"
        for name in latencies[0]
    )
    each_sample = used / TICK / kept
    assert memory is not None
    return (
        f"{browsers} browsers, {took:.0f} s: {kept / took:.2f} of {machines} samples/s kept; "
        f"latency {quantiles}; fewest events of one browser {fewest:.2f}/s; processor "
        f"{used / TICK / took:.0%} of a core, {1e3 * each_sample:.3f} ms a sample, "
        f"{each_sample / update:.0f} updates of PageHinkley ({1e6 * update:.2f} us); "
        f"memory {int(memory[1]) / 1024:.0f} MiB"
    )


def main() -> None:
    given = [*sys.argv[1:], *("1000", "60", "3", "0 s")[len(sys.argv) - 1 :]]
    browsers, seconds, machines = (float(word) for word in given[:3])
    live = (ROOT / "config" / "live" / "north-modbus.toml").read_text()
    pump, page = free_port(), free_port()
    live = re.sub(r"(?m)^port = \d+", f"port = {pump}", live)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "config").mkdir()
        for number in range(round(machines)):
            text = re.sub(r'(?m)^name = ".*"', f'name = "pump {number}"', live)
            (folder / "config" / f"{number}.toml").write_text(text)
        (folder / "config" / "service.toml").write_text(
            f'[page]\nport = {page}\n[store]\ncommit_every = "{given[3]}"\n'
        )
        machine = str(folder / "config" / "0.toml")
        serving = subprocess.Popen(
            [*COMMAND, "serve", "--machine", machine], stdout=subprocess.PIPE, cwd=folder
        )
        try:
            assert serving.stdout is not None
            serving.stdout.readline()
            for count in (0, round(browsers)):
                print(measured(folder, page, count, seconds, round(machines)), flush=True)
        finally:
            serving.terminate()
            serving.wait()


if __name__ == "__main__":
    main()

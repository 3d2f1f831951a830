"""Figures, not tests: what watching browsers cost the watch.

`python tests/benchmarks/bench_browsers.py [BROWSERS] [SECONDS]` runs `borewarden watch` on three
machines at 1 Hz, read by Modbus TCP from `borewarden serve`, once with nobody looking and once with
so many event streams open, all logged in with one account. Each sample is committed at once, so the
latency is from its arrival to the moment it is kept. Bounded in count and time.
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
import time
import urllib.request
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "borewarden.cli"]
MACHINES = 3
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


def measured(folder: Path, port: int, browsers: int, seconds: float) -> str:
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
        time.sleep(2.0)
        lookers.start()
        time.sleep(SETTLED)
        before, used, began = ask(), processor_ticks(watching.pid), time.monotonic()
        time.sleep(seconds)
        after, used, took = ask(), processor_ticks(watching.pid) - used, time.monotonic() - began
        events = told.get(timeout=60.0)
        memory = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{watching.pid}/status").read_text())
    finally:
        watching.terminate()
        watching.communicate(timeout=60)
    kept = sum(after[name]["samples"] - before[name]["samples"] for name in after)
    latencies = [each["latency_s"] for each in after.values()]
    fewest = min(events, default=0) / (SETTLED + seconds + 2.0)
    worst = {name: 1e3 * max(each[name] for each in latencies) for name in latencies[0]}
    quantiles = ", ".join(f"{name} {ms:.0f} ms" for name, ms in worst.items())
    assert memory is not None
    return (
        f"{browsers} browsers, {took:.0f} s: {kept / took:.2f} of {MACHINES} samples/s kept; "
        f"latency {quantiles}; fewest events of one browser {fewest:.2f}/s; processor "
        f"{used / TICK / took:.0%} of a core; memory {int(memory[1]) / 1024:.0f} MiB"
    )


def main() -> None:
    browsers, seconds = (
        float(word) for word in (*sys.argv[1:], *("1000", "60")[len(sys.argv) - 1 :])
    )
    live = (ROOT / "config" / "live" / "north-modbus.toml").read_text()
    pump, page = free_port(), free_port()
    live = re.sub(r"(?m)^port = \d+", f"port = {pump}", live)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "config").mkdir()
        for number in range(MACHINES):
            text = re.sub(r'(?m)^name = ".*"', f'name = "pump {number}"', live)
            (folder / "config" / f"{number}.toml").write_text(text)
        (folder / "config" / "service.toml").write_text(
            f'[page]\nport = {page}\n[store]\ncommit_every = "0 s"\n'
        )
        machine = str(folder / "config" / "0.toml")
        serving = subprocess.Popen(
            [*COMMAND, "serve", "--machine", machine], stdout=subprocess.PIPE, cwd=folder
        )
        try:
            assert serving.stdout is not None
            serving.stdout.readline()
            for count in (0, round(browsers)):
                print(measured(folder, page, count, seconds), flush=True)
        finally:
            serving.terminate()
            serving.wait()


if __name__ == "__main__":
    main()

"""Bytes that a watch of three invented pumps at 1 Hz writes to the disk in a day.

    python tests/benchmarks/bench_disk.py [minutes] [PUMPS]

The stand-in pumps are served by Modbus TCP and watched by the command itself, with its settings as
they come. What is measured is `write_bytes` of /proc/PID/io (proc(5)): what the process caused to
be sent to the disk, the journal of the file system not included. Linux only.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from peers.process import free_port

ROOT = Path(__file__).parents[2]
WARM_UP = 60.0  # s: compiling, the first readings
DAY = 86_400.0


def written(process: subprocess.Popen[bytes]) -> int:
    lines = Path(f"/proc/{process.pid}/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


def size(folder: Path) -> int:
    return sum(file.stat().st_size for file in folder.glob("live.db*"))


def main(minutes: float = 4.0, pumps: int = 3) -> None:
    text = (ROOT / "config" / "live" / "north-modbus.toml").read_text()
    [port_line] = [line for line in text.splitlines() if line.startswith("port =")]
    [name_line] = [line for line in text.splitlines() if line.startswith("name =")]
    borewarden = [sys.executable, "-m", "borewarden.cli"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        folder = Path(name)
        (folder / "config").mkdir()
        (folder / "config" / "service.toml").write_text(f"[page]\nport = {free_port()}\n")
        started = []
        try:
            for i in range(pumps):
                machine = folder / "config" / f"pump-{i}.toml"
                own = text.replace(port_line, f"port = {free_port()}")
                machine.write_text(own.replace(name_line, f'name = "Pump {i}"'))
                command = [*borewarden, "serve", "--machine", str(machine), "--seed", str(i)]
                started.append(subprocess.Popen(command, **quiet))
            time.sleep(10.0)
            store = ["--store", str(folder / "live.db")]
            command = [*borewarden, "watch", "--config", str(folder / "config"), *store]
            watch = subprocess.Popen(command, **quiet)
            started.append(watch)
            time.sleep(WARM_UP)
            before, since, small = written(watch), time.monotonic(), size(folder)
            time.sleep(60.0 * minutes)
            took = time.monotonic() - since
            rate = (written(watch) - before) / took
            print(
                f"{pumps} pumps, {took:.0f} s: {rate:.0f} B/s written, "
                f"{rate * DAY / 1e6:.0f} MB a day; the store grew by "
                f"{(size(folder) - small) / took * DAY / 1e6:.1f} MB a day"
            )
        finally:
            for process in started:
                process.terminate()
            for process in started:
                process.wait()


if __name__ == "__main__":
    main(*(float(word) for word in sys.argv[1:2]), *(int(word) for word in sys.argv[2:3]))

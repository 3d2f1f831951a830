"""Figures, not tests: what one sample costs, and what a fleet of pumps at 1 Hz comes to.

`python tests/benchmarks/bench_scaling.py [FLEET] [PUMPS] [SECONDS]` measures bytes and processor
time a sample, the latter with PUMPS machines at 1 Hz over a real mosquitto, forwarded to a real
victoria-metrics (Debian's packages), and works out FLEET pumps from it. docs/scaling.md discusses
the outcome. The invented days of replay_data are what is measured on. Bounded in count and time;
all traffic stays on loopback.
"""

from __future__ import annotations

import asyncio
import gzip
import logging
import multiprocessing
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
import urllib.request
from contextlib import ExitStack, suppress
from itertools import pairwise
from pathlib import Path

import aiomqtt
import numpy as np
import structlog
from pydantic import SecretStr

from borewarden.base.samples import Samples, rows
from borewarden.collect.logged import read_log
from borewarden.replay.one_machine import replay_logs, replay_samples
from borewarden.service.effects import Effects
from borewarden.service.messages import Queue
from borewarden.service.status import MachineStatus
from borewarden.service.watch import watch
from borewarden.settings import MachineSettings, load_machine
from borewarden.settings.service import ServiceSettings
from borewarden.simulate.serve import payloads, raw_values
from borewarden.store import influx
from borewarden.store.database import open_store, read_samples, transaction, write_learned
from borewarden.store.names import Stated

ROOT = Path(__file__).parents[2]
DAYS = {
    "north": "north-2026-03-09-wear.parquet",
    "south": "south-2026-03-05-chip.csv",
    "west": "west-2026-03-03-sound.parquet",
}
DAY = 86_400
TICK = os.sysconf("SC_CLK_TCK")

Figures = dict[str, float]


def day_of(name: str) -> tuple[MachineSettings, Path, Samples]:
    machine, log = load_machine(ROOT / "config" / f"{name}.toml"), ROOT / "replay_data" / DAYS[name]
    return machine, log, read_log(log, machine.log_format())


def used_bytes(connection: sqlite3.Connection) -> int:
    pages, free, size = (
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    return int((pages - free) * size)


def folder_bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


# -- bytes


def measure_bytes(folder: Path) -> Figures:
    figures: Figures = {}
    shapes = []
    for name in DAYS:
        machine, log, samples = day_of(name)
        n = len(samples.time_ns)
        result = replay_logs(machine, [log], folder / f"{name}.db")
        lines = influx.sample_lines(machine.name, samples, result.phases)
        batches = influx.batch_lines(machine.name, result.batches, Stated(0.08))
        with open_store(folder / f"{name}.db") as connection, open_store(folder / "e.db") as empty:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            store = (used_bytes(connection) - used_bytes(empty)) / n
        known = sum(bool(np.isfinite(channel).any()) for channel in samples[1:])
        shapes.append(
            {
                "channels": known,
                "log file": log.stat().st_size / n,
                "store, replayed": store,
                "line": sum(map(len, lines)) / n + 1,
                "line, gzip in 1,000s": packed_bytes(lines),
                "batches a sample": len(result.batches) / n,
                "batch line": sum(map(len, batches)) / max(len(batches), 1) + 1,
            }
        )
        print(f"{name}: {n} samples; " + ", ".join(f"{k} {v:.3g}" for k, v in shapes[-1].items()))
    for key in shapes[0]:
        figures[key] = float(np.mean([shape[key] for shape in shapes]))
    figures["store, live"] = measure_live_store(folder)
    print(
        f"embedded store, samples of 500 pumps one by one: {figures['store, live']:.1f} B a sample"
    )
    return figures


def packed_bytes(lines: list[str], packets: int = 20, pumps: int = 1000) -> float:
    """Bytes a line, gzip, where each packet holds one second of so many pumps."""
    rng = np.random.default_rng(1)
    size = 0
    for second in range(packets):
        packet = []
        for pump, i in enumerate(rng.integers(len(lines), size=pumps)):
            head, fields, _ = lines[i].split(" ")
            measurement = head.split(",")[0]
            time_ns = (1_772_000_000 + second) * 10**9 + int(rng.integers(10**9))
            packet.append(f"{measurement},machine=pump\\ {pump:05d} {fields} {time_ns}")
        size += len(gzip.compress("\n".join(packet).encode()))
    return size / (packets * pumps)


def measure_live_store(folder: Path, pumps: int = 500, each: int = 400) -> float:
    """Bytes a sample where pumps take turns, a sample at a time, as they do live."""
    machine, _, samples = day_of("south")
    ((part, learned),) = replay_samples(machine.build_watcher(), rows(samples, 0, each))
    with open_store(folder / "live.db") as connection:
        before = used_bytes(connection)
        for i in range(each):
            one = rows(part, i, i + 1)
            made = learned._replace(phases=learned.phases[i : i + 1], batches=learned.batches[:0])
            with transaction(connection):
                for pump in range(pumps):
                    write_learned(connection, f"pump {pump:05d}", one, made._replace(alerts=[]))
        return (used_bytes(connection) - before) / (pumps * each)


def measure_restart(folder: Path) -> float:
    """Seconds a stored sample, from the store through a fresh watcher."""
    machine, _, samples = day_of("north")
    with open_store(folder / "north.db") as connection:
        took = []
        for _ in range(3):
            watcher, begun = machine.build_watcher(), time.process_time()
            for part in read_samples(connection, machine.name, 0):
                watcher.learn_many(part)
            took.append(time.process_time() - begun)
    return min(took) / len(samples.time_ns)


# -- servers


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def cpu_of(pid: int) -> float:
    """Processor seconds of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def written_by(pid: int) -> int:
    """Bytes that a process had written to disk so far."""
    for line in Path(f"/proc/{pid}/io").read_text().splitlines():
        if line.startswith("write_bytes"):
            return int(line.split()[1])
    return 0


def memory_of(pid: int) -> float:
    """Resident memory in MiB."""
    return (
        int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20
    )


def start_victoria(stack: ExitStack, folder: Path) -> tuple[str, subprocess.Popen[bytes]]:
    port = free_port()
    process = subprocess.Popen(
        [
            "victoria-metrics",
            f"-storageDataPath={folder}",
            f"-httpListenAddr=127.0.0.1:{port}",
            "-retentionPeriod=100y",
            "-dedup.minScrapeInterval=1ms",
            "-loggerLevel=ERROR",
        ]
    )
    stack.callback(process.wait)
    stack.callback(process.kill)
    for _ in range(200):
        with suppress(OSError):
            urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=5).close()
            break
        time.sleep(0.05)
    return f"http://127.0.0.1:{port}", process


def start_mosquitto(stack: ExitStack, folder: Path) -> tuple[int, subprocess.Popen[bytes]]:
    port = free_port()
    (folder / "m.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    program = shutil.which("mosquitto", path=f"{os.environ['PATH']}:/usr/sbin")
    process = subprocess.Popen([str(program), "-c", folder / "m.conf"], stderr=subprocess.DEVNULL)
    stack.callback(process.wait)
    stack.callback(process.kill)
    time.sleep(1.0)
    return port, process


def measure_victoria(folder: Path, pumps: int = 40) -> Figures:
    """A day of `pumps` machines written at once: bytes on disk and processor time a sample."""
    machine, _, samples = day_of("south")
    _, phases = _phases(machine, samples)
    # a whole day at 1 Hz, from the logged eleven hours over and over
    at = np.arange(DAY) % len(samples.time_ns)
    begin = (int(time.time()) - DAY) * 10**9
    rng = np.random.default_rng(1)
    late = rng.integers(0, 40, DAY) * 10**6  # times of arrival
    whole = Samples(*(channel[at] for channel in samples))._replace(
        time_ns=begin + np.arange(DAY, dtype=np.int64) * 10**9 + late
    )
    lines = influx.sample_lines("NAME", whole, phases[at])
    with ExitStack() as stack:
        url, process = start_victoria(stack, folder / "victoria")
        used, packets = cpu_of(process.pid), 0
        for pump in range(pumps):
            start = int(rng.integers(DAY))  # no two alike
            own = [line.split(" ") for line in lines]
            times = [line[-1] for line in own]
            turned = own[start:] + own[:start]
            body = [
                f"{line[0].replace('NAME', f'pump{pump:05d}')} {line[1]} {t}"
                for line, t in zip(turned, times, strict=True)
            ]
            for a, b in pairwise([*range(0, DAY, 5000), DAY]):
                packed = gzip.compress("\n".join(body[a:b]).encode(), 1)
                request = urllib.request.Request(
                    f"{url}/api/v2/write?precision=ns",
                    packed,
                    {"Content-Encoding": "gzip"},
                    method="POST",
                )
                urllib.request.urlopen(request, timeout=60).close()
                packets += 1
        urllib.request.urlopen(f"{url}/internal/force_flush", timeout=60).close()
        urllib.request.urlopen(f"{url}/internal/force_merge", timeout=600).close()
        time.sleep(20.0)  # merging goes on by itself
        used = cpu_of(process.pid) - used
        process.terminate()
        process.wait(60)
    n = pumps * DAY
    fields = lines[0].count("=") - 1
    figures = {
        "victoria, bytes a sample": folder_bytes(folder / "victoria" / "data") / n,
        "victoria, us a sample": used / n * 1e6,
        "victoria, fields": float(fields),
    }
    print(
        f"victoria-metrics: {n} samples of {fields} fields: "
        f"{figures['victoria, bytes a sample']:.2f} B and "
        f"{figures['victoria, us a sample']:.2f} us of processor a sample, merging included"
    )
    return figures


def _phases(machine: MachineSettings, samples: Samples) -> tuple[Samples, np.ndarray]:
    parts = [made.phases for _, made in replay_samples(machine.build_watcher(), samples)]
    return samples, np.concatenate(parts)


# -- live, over MQTT


def live_machines(pumps: int, port: int, folder: Path) -> list[MachineSettings]:
    text = (ROOT / "config" / "live" / "west-mqtt.toml").read_text().replace("1883", str(port), 1)
    (folder / "machine.toml").write_text(text)
    one = load_machine(folder / "machine.toml")
    assert one.source is not None
    return [
        one.model_copy(
            update={
                "name": f"pump {i:05d}",
                "source": one.source.model_copy(update={"topic": f"site/{i % 4}/pump-{i}"}),
            }
        )
        for i in range(pumps)
    ]


def publish(port: int, pumps: int, seconds: float, folder: Path) -> None:
    """Be all of the pumps, each at 1 Hz, evenly spread over the second."""
    machines = live_machines(pumps, port, folder)
    sources = [machine.live_source() for machine in machines]
    _, _, samples = day_of("west")
    channels = {name: field.channel for name, field in sources[0].fields.items()}  # type: ignore[union-attr]

    async def main() -> None:
        async with aiomqtt.Client("127.0.0.1", port) as client:
            begun, k = time.monotonic(), 0
            while time.monotonic() - begun < seconds:
                raw = raw_values(samples, 9000 + k, channels)
                for i, source in enumerate(sources):
                    await asyncio.sleep(max(0.0, begun + k + i / pumps - time.monotonic()))
                    for topic, payload in payloads(source, raw, time.time_ns()):  # type: ignore[arg-type]
                        await client.publish(topic, payload, qos=1)
                k += 1

    asyncio.run(main())


async def live(pumps: int, seconds: float, folder: Path, stack: ExitStack) -> Figures:
    port, broker = start_mosquitto(stack, folder)
    url, victoria = start_victoria(stack, folder / "victoria-live")
    machines = live_machines(pumps, port, folder)
    source = machines[0].live_source()
    row = {"pressure": 55_234.5, "rate": 41.3, "temperature": 14.12}
    ((topic, payload),) = payloads(source, row, time.time_ns())  # type: ignore[arg-type]
    store = folder / "live-mqtt.db"
    seen: dict[str, MachineStatus] = {}
    service = ServiceSettings()

    def started(
        connection: sqlite3.Connection, statuses: dict[str, MachineStatus], queue: Queue
    ) -> Effects:
        seen.update(statuses)
        return Effects(
            connection, statuses, service.alarm_settings(), to_influx=True, to_mail=False
        )

    sources = {machine.name: machine.open_source() for machine in machines}
    settings = influx.InfluxSettings(url, "o", "b", SecretStr(""))
    tasks = [
        asyncio.create_task(watch(machines, store, sources, started)),
        asyncio.create_task(influx.forward(store, settings)),
    ]
    await asyncio.sleep(8.0)
    publisher = multiprocessing.get_context("spawn").Process(
        target=publish, args=(port, pumps, seconds + 40.0, folder), daemon=True
    )
    publisher.start()
    await asyncio.sleep(25.0)
    pids = {"watcher": os.getpid(), "broker": broker.pid, "victoria": victoria.pid}
    for status in seen.values():
        status.latency_s.clear()
    kept = sum(status.samples for status in seen.values())
    before = {name: cpu_of(pid) for name, pid in pids.items()}
    wrote, begun = written_by(os.getpid()), time.monotonic()
    await asyncio.sleep(seconds)
    took = time.monotonic() - begun
    kept = sum(status.samples for status in seen.values()) - kept
    spent = {name: (cpu_of(pid) - before[name]) / kept * 1e6 for name, pid in pids.items()}
    wrote = written_by(os.getpid()) - wrote
    memory = {name: memory_of(pid) for name, pid in pids.items()}
    latency = np.concatenate([status.latency_s for status in seen.values()])
    print(
        f"{pumps} pumps by MQTT, forwarded: {kept / took:.0f} samples/s kept; processor a sample "
        + ", ".join(f"{name} {us:.0f} us" for name, us in spent.items())
        + f"; written to disk {wrote / kept:.0f} B a sample; latency p50 "
        f"{np.quantile(latency, 0.5) * 1e3:.0f} ms, p99 {np.quantile(latency, 0.99) * 1e3:.0f} ms; "
        "memory "
        + ", ".join(f"{name} {size:.0f} MiB" for name, size in memory.items())
        + f"; payload {len(payload)} B, topic {len(topic)} B"
    )
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    publisher.terminate()
    return {
        "watcher, us a sample": spent["watcher"],
        "broker, us a sample": spent["broker"],
        "victoria live, us a sample": spent["victoria"],
        "disk, bytes a sample": wrote / kept,
        "watcher, MiB": memory["watcher"],
        # PUBLISH: fixed header 3, topic length 2, packet id 2 (MQTT 3.1.1, 3.3); PUBACK 4
        "mqtt, bytes a sample": len(payload) + len(topic) + 7 + 4,
    }


# -- arithmetic

# Unit prices are assumptions, no offers: of a rented core for a year, of a GiB of SSD for a month.
CORE_YEAR = 250.0  # US$
GIB_MONTH = 0.08  # US$
HEADROOM = 2.0  # cores paid for over cores used
KEPT_DAYS = 90  # of samples in the embedded stores
COPIES = 2  # of the time series, kept for a year


def fleet_table(figures: Figures, fleet: int, bundle: int = 1000) -> None:
    """What a fleet comes to; `bundle` pumps a watcher."""
    f = figures
    day, year = fleet * DAY, fleet * DAY * 365
    watchers = fleet * f["watcher, us a sample"] * 1e-6
    brokers = fleet * f["broker, us a sample"] * 1e-6
    series = fleet * f["victoria live, us a sample"] * 1e-6
    embedded = day * f["store, live"]
    series_year = year * f["victoria, bytes a sample"]
    batches = day * f["batches a sample"]
    cores = HEADROOM * (watchers + brokers + COPIES * series)
    disk = embedded * KEPT_DAYS + COPIES * series_year
    rent = {"cores": cores * CORE_YEAR, "disks": disk / 2**30 * GIB_MONTH * 12}

    def tib(number: float) -> str:
        return f"{number / 2**40:,.1f} TiB"

    def mbits(number: float) -> str:
        return f"{fleet * number * 8e-6:,.0f} Mbit/s"

    print(f"\n{fleet:,} pumps at 1 Hz, around the clock, {bundle:,} a watcher\n")
    for what, value in (
        ("samples", f"{fleet:,}/s, {day:.3g} a day, {year:.3g} a year"),
        ("batches", f"{batches / DAY:,.0f}/s, {batches:.3g} a day"),
        ("watchers", f"{fleet / bundle:,.0f}, each {f['watcher, MiB']:,.0f} MiB or somewhat more"),
        ("cores, watchers", f"{watchers:.0f}, {watchers * bundle / fleet:.2f} each"),
        ("cores, brokers", f"{brokers:.1f}, one a mosquitto, at half load {2 * brokers:.0f}"),
        ("cores, time series", f"{series:.1f} a copy"),
        ("network, MQTT", f"{mbits(f['mqtt, bytes a sample'])} in, and as much out"),
        ("network, lines", f"{mbits(f['line, gzip in 1,000s'])}, gzip"),
        ("embedded stores", f"{tib(embedded)} a day, {tib(embedded * 365)} a year"),
        ("embedded, a watcher", f"{embedded * bundle / fleet / 2**30:.1f} GiB a day"),
        ("disk writes", f"{f['disk, bytes a sample'] * bundle * 1e-6:.1f} MB/s a watcher"),
        ("time series", f"{tib(series_year)} a year a copy"),
        ("outbox of 2 GiB", f"full after {2**31 / (f['line'] * bundle) / 3600:.1f} h"),
        (
            "restart with 7 days' samples",
            f"{7 * DAY * bundle * f['restart, s a sample'] / 60:.0f} min of a core a watcher",
        ),
        (
            "rent, assumed prices",
            f"{rent['cores']:,.0f} US$ a year for {cores:.0f} cores, {rent['disks']:,.0f} US$ for "
            f"{tib(disk)}: {sum(rent.values()) / fleet:.2f} US$ a pump and year",
        ),
    ):
        print(f"| {what} | {value} |")


def main() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    fleet, pumps, seconds = (
        int(word) for word in (*sys.argv[1:], *("100000", "300", "60")[len(sys.argv) - 1 :])
    )
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        folder.chmod(0o755)
        # first, as long as this process is small
        figures = asyncio.run(live(pumps, seconds, folder, stack))
        figures |= measure_bytes(folder)
        figures["restart, s a sample"] = measure_restart(folder)
        print(f"restart: {figures['restart, s a sample'] * 1e6:.2f} us a stored sample")
        figures |= measure_victoria(folder)
    fleet_table(figures, fleet)


if __name__ == "__main__":
    main()

"""Debian's victoria-metrics and vmagent on loopback, which can be stopped and started again."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from contextlib import suppress
from pathlib import Path

import pytest


def needs(*programs: str) -> str:
    """Path of the first of `programs` that there is; skips without, unless it has to be there."""
    for program in programs:
        if (path := shutil.which(program)) is not None:
            return path
    reason = f"{programs[0]} is not installed (apt-get install victoria-metrics)"
    if os.environ.get("BOREWARDEN_REQUIRE_SERVERS") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Process:
    """A server program with an HTTP address of its own."""

    def __init__(self, binary: str, *options: str) -> None:
        self.url = f"http://127.0.0.1:{free_port()}"
        address = f"-httpListenAddr={self.url.removeprefix('http://')}"
        self.command = [binary, address, "-loggerLevel=ERROR", *options]
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(self.command)
        for _ in range(600):
            with suppress(OSError):
                self.get("/health")
                return
            assert self.process.poll() is None, f"{self.command[0]} ended by itself"
            time.sleep(0.05)
        raise AssertionError(f"{self.command[0]} did not start within 30 s")

    def stop(self, kill: bool = False) -> None:
        if self.process is not None:
            self.process.kill() if kill else self.process.terminate()
            self.process.wait(30)
            self.process = None

    def get(self, path: str, **query: str) -> str:
        url = f"{self.url}{path}?{urllib.parse.urlencode(query)}"
        with urllib.request.urlopen(url, timeout=10) as answer:
            return str(answer.read().decode())


class Server(Process):
    """victoria-metrics with its data in a folder."""

    def __init__(self, data: Path, *options: str) -> None:
        super().__init__(
            needs("victoria-metrics", "victoria-metrics-prod"),
            f"-storageDataPath={data}",
            "-retentionPeriod=100y",
            # InfluxDB overwrites a row of the same time; this server has to be told to
            "-dedup.minScrapeInterval=1ms",
            "-search.latencyOffset=0s",
            "-memory.allowedBytes=64MB",
            *options,
        )

    def series(self, name: str) -> dict[str, list[tuple[int, float]]]:
        """(ms, value) of each machine, as the server would answer a query."""
        self.get("/internal/force_flush")
        answer = self.get("/api/v1/export", **{"match[]": name, "start": "0"})
        found: dict[str, list[tuple[int, float]]] = {}
        for row in map(json.loads, answer.splitlines()):
            points = zip(row["timestamps"], row["values"], strict=True)
            found.setdefault(row["metric"]["machine"], []).extend(points)
        return {machine: sorted(points) for machine, points in found.items()}


class Agent(Process):
    """vmagent with its queues in a folder, sending to `stores`, each with its relabelling file."""

    def __init__(self, queues: Path, stores: dict[str, Path]) -> None:
        targets = [
            option
            for url, relabelling in stores.items()
            for option in (
                f"-remoteWrite.url={url}/api/v1/write",
                f"-remoteWrite.urlRelabelConfig={relabelling}",
            )
        ]
        super().__init__(needs("vmagent"), f"-remoteWrite.tmpDataPath={queues}", *targets)

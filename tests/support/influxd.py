"""InfluxDB 1 as Debian packages it, with a user if wanted."""

from __future__ import annotations

import json
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from base64 import b64encode
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from wire import free_port, needs


class Influx:
    """A running server; `user` and `password` are needed where they are not empty."""

    def __init__(self, url: str, user: str = "", password: str = "") -> None:
        self.url = url
        self.credentials = b64encode(f"{user}:{password}".encode()).decode() if user else ""

    def query(self, text: str, **parameters: str) -> list[dict]:
        """Series that the server answers with; raises urllib.error.HTTPError."""
        body = urllib.parse.urlencode({"q": text, **parameters}).encode()
        request = urllib.request.Request(f"{self.url}/query", body)
        if self.credentials:
            request.add_header("Authorization", f"Basic {self.credentials}")
        with urllib.request.urlopen(request, timeout=60) as answer:
            (result,) = json.load(answer)["results"]
        assert "error" not in result, result
        series: list[dict] = result.get("series", [])
        return series


@contextmanager
def influxd(folder: Path, user: str = "", password: str = "") -> Iterator[Influx]:
    """InfluxDB 1 with its files in `folder`; with `user`, nobody else may do anything."""
    backup, http = free_port(), free_port()
    config = folder / "influxdb.conf"
    config.write_text(
        f'reporting-disabled = true\nbind-address = "127.0.0.1:{backup}"\n'
        f'[meta]\ndir = "{folder}/meta"\n'
        f'[data]\ndir = "{folder}/data"\nwal-dir = "{folder}/wal"\n'
        f'[http]\nbind-address = "127.0.0.1:{http}"\nlog-enabled = false\n'
        f"auth-enabled = {str(bool(user)).lower()}\n"
        "[monitor]\nstore-enabled = false\n"
    )
    log = folder / "log"
    with log.open("wb") as file:
        server = subprocess.Popen(
            [needs("influxd"), "-config", str(config)], stdout=file, stderr=file
        )
    influx = Influx(f"http://127.0.0.1:{http}", user, password)
    try:
        for _ in range(600):
            try:
                urllib.request.urlopen(f"{influx.url}/ping", timeout=5).close()
                break
            except (urllib.error.URLError, ConnectionError):
                assert server.poll() is None, log.read_text(errors="replace")
                time.sleep(0.05)
        if user:
            influx.query(f"CREATE USER {user} WITH PASSWORD '{password}' WITH ALL PRIVILEGES")
        yield influx
    finally:
        server.terminate()
        server.wait(timeout=30)

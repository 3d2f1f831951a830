"""Debian's influxd 1.6 on loopback: InfluxQL and `/write`, no InfluxDB 2 API."""

from __future__ import annotations

import json
import socket
import subprocess
import time
import urllib.parse
import urllib.request
from base64 import b64encode
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from wire import PATIENCE, free_port, needs

CONFIGURATION = """
reporting-disabled = true
bind-address = "127.0.0.1:{backup}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
[http]
bind-address = "127.0.0.1:{http}"
log-enabled = false
auth-enabled = {auth}
{tls}
[monitor]
store-enabled = false
"""


def query(url: str, text: str, user: str = "", password: str = "", **given: str) -> list[dict]:
    """Series that the server answers an InfluxQL query with."""
    body = urllib.parse.urlencode({"q": text, **given}).encode()
    request = urllib.request.Request(f"{url}/query", body)
    if user:
        known_by = b64encode(f"{user}:{password}".encode()).decode()
        request.add_header("Authorization", f"Basic {known_by}")
    with urllib.request.urlopen(request, timeout=PATIENCE) as answer:
        (result,) = json.load(answer)["results"]
    assert "error" not in result, result
    series: list[dict] = result.get("series", [])
    return series


@contextmanager
def influxd(
    folder: Path, certificate: Path | None = None, key: Path | None = None, auth: bool = False
) -> Iterator[str]:
    """The server, with its data in `folder`; gives its URL once it answers.

    With `auth`, only users may do anything, and the first thing is to make one. With a
    `certificate` and its `key` (PEM) it speaks TLS, and the URL still begins with "http:".
    """
    http = free_port()
    configuration = folder / "influxdb.conf"
    tls = ""
    if certificate is not None:
        tls = f'''https-enabled = true
        https-certificate = "{certificate}"
        https-private-key = "{key}"'''
    configuration.write_text(
        CONFIGURATION.format(
            folder=folder, http=http, backup=free_port(), tls=tls, auth=str(auth).lower()
        )
    )
    url = f"http://127.0.0.1:{http}"
    with (folder / "log").open("wb") as log:
        command = [needs("influxd"), "-config", str(configuration)]
        process = subprocess.Popen(command, stdout=log, stderr=log)
        try:
            deadline = time.monotonic() + PATIENCE
            while True:
                with suppress(OSError), socket.create_connection(("127.0.0.1", http)):
                    break
                assert process.poll() is None, (folder / "log").read_text()
                assert time.monotonic() < deadline, "influxd does not answer"
                time.sleep(0.1)
            yield url
        finally:
            process.terminate()
            process.wait(PATIENCE)

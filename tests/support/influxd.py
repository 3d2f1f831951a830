"""Debian's influxd 1.6 on loopback: InfluxQL and `/write`, no InfluxDB 2 API."""

from __future__ import annotations

import socket
import subprocess
import time
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
{tls}
[monitor]
store-enabled = false
"""


@contextmanager
def influxd(
    folder: Path, certificate: Path | None = None, key: Path | None = None
) -> Iterator[str]:
    """The server, with its data in `folder`; gives its URL once it answers.

    With a `certificate` and its `key` (PEM) it speaks TLS, and the URL still begins with "http:".
    """
    http = free_port()
    configuration = folder / "influxdb.conf"
    tls = ""
    if certificate is not None:
        tls = f'''https-enabled = true
        https-certificate = "{certificate}"
        https-private-key = "{key}"'''
    configuration.write_text(
        CONFIGURATION.format(folder=folder, http=http, backup=free_port(), tls=tls)
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

"""What a real watch logs: one form for every line, whichever library wrote it."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from borewarden.store import outbox
from borewarden.store.database import open_store, transaction

ROOT = Path(__file__).parents[2]
FIELDS = {"timestamp", "level", "logger", "event"}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A machine that is not there, and neither are its mail and time-series servers."""
    folder = tmp_path / "config"
    folder.mkdir()
    text = (ROOT / "config" / "live" / "north-modbus.toml").read_text()
    [port_line] = [line for line in text.splitlines() if line.startswith("port =")]
    (folder / "north.toml").write_text(text.replace(port_line, f"port = {free_port()}"))
    (folder / "service.toml").write_text(
        f'[page]\nport = {free_port()}\n[mail]\nhost = "127.0.0.1"\nport = {free_port()}\n'
        'security = "none"\nsender = "watch@example.org"\nrecipients = ["lead@example.org"]\n'
        f'[influx]\nurl = "http://127.0.0.1:{free_port()}"\norg = "shop"\nbucket = "bores"\n'
    )
    with open_store(tmp_path / "live.db") as connection, transaction(connection):
        outbox.put(connection, "mail", "alarm", time.time_ns(), b"Subject: x\n\nx\n")
        outbox.put(connection, "influx", "sample", time.time_ns(), b"sample a=1 1")
    return folder


def logged(config: Path, *options: str, until: str) -> str:
    """What `watch` writes to standard error up to a line with `until`, and while it then ends."""
    store = config.parent / "live.db"
    command = [sys.executable, "-m", "borewarden.cli", "watch", "--config", str(config)]
    process = subprocess.Popen(
        [*command, "--store", str(store), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stderr is not None
    lines = []
    for line in process.stderr:
        lines.append(line)
        if until in line:
            break
    process.send_signal(signal.SIGTERM)
    said, rest = process.communicate(timeout=60)
    assert re.fullmatch(r"page: http://127\.0\.0\.1:\d+/\n", said)
    return "".join(lines) + rest


def objects(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def test_lines_of_all_libraries_are_json_with_the_same_fields(config: Path) -> None:
    lines = objects(logged(config, until="influx: not delivered"))
    assert all(set(line) >= FIELDS for line in lines)
    assert all(line["timestamp"].endswith("Z") for line in lines)
    by_logger = {line["logger"]: line for line in lines}
    assert by_logger["borewarden.store.outbox"]["level"] == "warning"
    assert "uvicorn.error" in by_logger
    assert lines[0]["event"] == "watching"
    assert lines[0]["logger"] == "borewarden"
    assert lines[-1]["event"] == "stopped"


def test_level_and_text(config: Path) -> None:
    said = logged(
        config, "--log-level", "warning", "--log-format", "text", until="influx: not delivered"
    )
    assert "warning" in said
    assert "watching" not in said
    assert "{" not in said


def test_a_store_that_cannot_be_opened_is_logged_too(config: Path) -> None:
    done = subprocess.run(
        [
            *(sys.executable, "-m", "borewarden.cli", "watch", "--config", str(config)),
            *("--store", "/proc/nothing/a.db"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    [line] = objects(done.stderr)
    assert (line["event"], line["level"]) == ("failed", "error")
    assert "/proc/nothing/a.db: folder: " in line["reason"]


def test_what_nobody_caught_is_one_line_as_well() -> None:
    done = subprocess.run(
        [
            *(sys.executable, "-c"),
            "import warnings\n"
            "from borewarden.service.log_lines import configure_logging\n"
            "configure_logging()\n"
            "warnings.warn('odd')\n"
            "1 / 0\n",
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    warning, crash = objects(done.stderr)
    assert (warning["logger"], warning["level"]) == ("py.warnings", "warning")
    assert crash["event"] == "crashed"
    assert crash["reason"] == "ZeroDivisionError: division by zero"
    assert "Traceback" in crash["exception"]

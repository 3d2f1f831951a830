"""The whole process as systemd runs it: watch over a real protocol, reach, SIGTERM."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Sink

from borewarden.collect import BadInput
from borewarden.service.reach import reach_all
from borewarden.service.settings import load_folder, load_service
from borewarden.store.embedded import open_store, read_table

ROOT = Path(__file__).parents[2]
LIVE = ROOT / "config" / "live" / "north-modbus.toml"


MAIL = '[mail]\nhost = "h"\nsender = "a@b.c"\nrecipients = ["a@b.c"]\n'


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A folder with one machine on a free Modbus port, and a page on another."""
    folder = tmp_path / "config"
    folder.mkdir()
    text = LIVE.read_text()
    [port_line] = [line for line in text.splitlines() if line.startswith("port =")]
    (folder / "north.toml").write_text(text.replace(port_line, f"port = {free_port()}"))
    (folder / "service.toml").write_text(f"[page]\nport = {free_port()}\n")
    return folder


@pytest.fixture
def virtual_machine(config: Path) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "borewarden.cli", "serve", "--machine", str(config / "north.toml")],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert "serving" in process.stdout.readline()
    yield process
    process.kill()
    process.wait()


def page(config: Path, path: str) -> dict:
    port = load_service(config / "service.toml").page.port
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as answer:
        told: dict = json.load(answer)
    return told


@pytest.mark.usefixtures("virtual_machine")
def test_watch_ready_status_and_graceful_end(config: Path, tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    store = tmp_path / "live.db"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        manager.settimeout(60.0)
        environment = {**os.environ, "NOTIFY_SOCKET": address, "WATCHDOG_USEC": "2000000"}
        watcher = subprocess.Popen(
            [
                *(sys.executable, "-m", "borewarden.cli", "watch"),
                *("--config", str(config), "--store", str(store)),
            ],
            env=environment,
            stderr=subprocess.PIPE,
            text=True,
        )
        told = {manager.recv(100) for _ in range(4)}
        assert {b"READY=1", b"WATCHDOG=1"} <= told
        deadline = time.monotonic() + 60.0
        while time.monotonic() < deadline:
            [status] = page(config, "/status")["machines"].values()
            if status["samples"] >= 3:
                break
            time.sleep(0.5)
        assert status["samples"] >= 3
        assert status["link"]["connected"]
        watcher.send_signal(signal.SIGTERM)
        log = watcher.communicate(timeout=30)[1]
    assert watcher.returncode == 0
    lines = [json.loads(line) for line in log.splitlines()]  # structured, and no traceback
    events = [line["event"] for line in lines]
    assert events[0] == "watching"
    assert events[-1] == "stopped"
    with open_store(store) as connection:
        assert len(read_table(connection, "sample", status["name"])) >= status["samples"]


@pytest.mark.usefixtures("virtual_machine")
async def test_reach_says_what_works_and_what_does_not(config: Path) -> None:
    mail_port, no_port = free_port(), free_port()
    service = config / "service.toml"
    service.write_text(
        f'[mail]\nhost = "127.0.0.1"\nport = {mail_port}\nsecurity = "none"\n'
        'sender = "watch@example.org"\nrecipients = ["lead@example.org"]\n'
        f'[influx]\nurl = "http://127.0.0.1:{no_port}"\norg = "shop"\nbucket = "bores"\n'
    )
    controller = Controller(Sink(), hostname="127.0.0.1", port=mail_port)
    controller.start()
    try:
        for _ in range(20):  # the virtual machine may still be compiling
            answers = {answer.what: answer for answer in await reach_all(*load_folder(config))}
            machine = next(a for what, a in answers.items() if what not in ("mail", "influx"))
            if machine.works:
                break
            await asyncio.sleep(1.0)
    finally:
        controller.stop()
    assert machine.works, machine.words
    assert "pressure" in machine.words
    assert answers["mail"].works
    assert not answers["influx"].works


def test_reach_has_an_exit_code(config: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "borewarden.cli", "reach", "--config", str(config)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "NO" in done.stdout
    assert "Traceback" not in done.stderr


def test_secrets_come_from_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "service.toml"
    file.write_text('[influx]\nurl = "http://127.0.0.1:1"\norg = "shop"\nbucket = "bores"\n')
    secrets = tmp_path / "secrets"
    secrets.mkdir()
    (secrets / "influx_token").write_text("from-a-file\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(secrets))
    settings = load_service(file)
    assert settings.influx_settings().token.get_secret_value() == "from-a-file"
    assert "from-a-file" not in repr(settings)
    monkeypatch.setenv("BOREWARDEN_SERVICE_INFLUX_TOKEN", "from-the-environment")
    token = load_service(file).influx_settings().token
    assert token.get_secret_value() == "from-the-environment"


@pytest.mark.parametrize(
    ("text", "where", "right"),
    [
        ('influx_token = "abc"\n', "influx_token", "BOREWARDEN_SERVICE_INFLUX_TOKEN"),
        ("[page]\nport = 99999\n", "page.port", ""),
        ('[alarm]\non_delay = "3 MPa"\n', "alarm.on_delay", "30 s"),
        ('[alarm]\nlongest_shelving = "0 s"\n', "alarm.longest_shelving", "7 days"),
        (MAIL + 'expire_after = "7"\n', "mail.expire_after", "7 days"),
        (MAIL + 'expire_after = "1 min"\n', "mail.expire_after", "12 h"),
        ("[mial]\n", "mial", ""),
        ("[mail\n", "line 1", ""),
        ('[mail]\nhost = "h"\nsender = "a@b.c"\nrecipients = []\n', "mail.recipients", ""),
    ],
)
def test_bad_service_settings_are_said_plainly(
    tmp_path: Path, text: str, where: str, right: str
) -> None:
    file = tmp_path / "service.toml"
    file.write_text(text)
    with pytest.raises(BadInput) as bad:
        load_service(file)
    assert where in bad.value.where
    assert right in bad.value.right


def test_how_long_to_shelve_and_when_a_mail_expires(tmp_path: Path) -> None:
    file = tmp_path / "service.toml"
    file.write_text(MAIL)
    settings = load_service(file)
    assert settings.alarm_settings().longest_shelving == 7 * 86400.0
    assert settings.mail_settings().expire_after == 7 * 86400.0
    file.write_text(MAIL + 'expire_after = "2 days"\n[alarm]\nlongest_shelving = "12 h"\n')
    settings = load_service(file)
    assert settings.mail_settings().expire_after == 2 * 86400.0
    for alarm in (settings.alarm_settings(), settings.sight_alarm_settings()):
        assert alarm.longest_shelving == 12 * 3600.0


def test_folder_without_machines_or_source_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no machine file"):
        load_folder(tmp_path)
    (tmp_path / "north.toml").write_text((ROOT / "config" / "north.toml").read_text())
    with pytest.raises(BadInput, match="source"):
        load_folder(tmp_path)

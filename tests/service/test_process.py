"""The whole process as systemd runs it: watch over a real protocol, reach, SIGTERM."""

from __future__ import annotations

import asyncio
import datetime as dt
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Sink
from selenium import webdriver
from selenium.webdriver.support.ui import Select

from borewarden.base.errors import BadInput
from borewarden.base.times import local_time
from borewarden.service.connection_check import reach_all
from borewarden.settings.service import load_folder, load_service
from borewarden.store.database import open_store, read_alarm, read_table
from browsing import machine_card, see, text

ROOT = Path(__file__).parents[2]
LIVE = ROOT / "config" / "live" / "north-modbus.toml"


INFLUX = '[influx]\nurl = "http://127.0.0.1:8086"\nbucket = "bores"\n'
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
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        told = {manager.recv(100) for _ in range(4)}
        assert {b"READY=1", b"WATCHDOG=1"} <= told
        assert any(message.startswith(b"EXTEND_TIMEOUT_USEC=900000000\n") for message in told)
        deadline = time.monotonic() + 60.0
        while time.monotonic() < deadline:
            [status] = page(config, "/status")["machines"].values()
            if status["samples"] >= 3:
                break
            time.sleep(0.5)
        assert status["samples"] >= 3
        assert status["link"]["connected"]
        second = subprocess.run(
            [
                *(sys.executable, "-m", "borewarden.cli", "watch"),
                *("--config", str(config), "--store", str(store)),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        assert second.returncode == 2
        assert f"`borewarden watch`, process {watcher.pid} on " in second.stderr
        assert "stop that one first" in second.stderr
        watcher.send_signal(signal.SIGTERM)
        printed, log = watcher.communicate(timeout=30)
    assert watcher.returncode == 0
    port = load_service(config / "service.toml").page.port
    assert printed == f"page: http://127.0.0.1:{port}/\n"
    assert "page:" not in second.stdout
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
            answers = await reach_all(*load_folder(config))
            machine = [each for each in answers if each.what not in ("mail", "influx")]
            if len(machine) > 1 and all(each.answer != "NO" for each in machine):
                break
            await asyncio.sleep(1.0)
    finally:
        controller.stop()
    parts = {(each.what, each.part): each for each in answers}
    assert " MPa " in parts["North live", "pressure"].words
    assert parts["North live", "connection"].answer == "yes"
    assert parts["mail", "lead@example.org"].answer == "yes"
    assert parts["influx", "write"].answer == "NO"


class Spurning:
    """A mail server that takes no mail, for the mail's own sake."""

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        return "554 looks like spam"


class Life:
    """A watcher in a process of its own, beside a virtual machine that hurries."""

    def __init__(self, folder: Path) -> None:
        self.store = folder / "live.db"
        self.config = folder / "config"
        self.config.mkdir()
        self.port, mail_port = free_port(), free_port()
        text = (ROOT / "config" / "live" / "south-opcua.toml").read_text()
        assert "127.0.0.1:4841" in text
        machine = self.config / "south.toml"
        machine.write_text(text.replace("127.0.0.1:4841", f"127.0.0.1:{free_port()}"))
        (self.config / "service.toml").write_text(
            f'[page]\nport = {self.port}\n[alarm]\non_delay = "0 s"\n'
            f'[mail]\nhost = "127.0.0.1"\nport = {mail_port}\nsecurity = "none"\n'
            'sender = "watch@example.org"\nrecipients = ["lead@example.org"]\n'
        )
        self.mail_server = Controller(Spurning(), hostname="127.0.0.1", port=mail_port)
        self.mail_server.start()
        self.machine = self.start(
            *("serve", "--machine", str(machine), "--speed", "120"),
            *("--chip-at", "2026-03-05T06:30:00"),
        )
        self.watch()

    def start(self, *arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "borewarden.cli", *arguments],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def watch(self) -> None:
        self.watcher = self.start("watch", "--config", str(self.config), "--store", str(self.store))

    def kill(self) -> None:
        self.watcher.kill()
        self.watcher.wait()

    def end(self) -> None:
        self.kill()
        self.machine.kill()
        self.machine.wait()
        self.mail_server.stop()

    def get(self, path: str) -> str:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=5) as answer:
            text: str = answer.read().decode()
        return text

    def ill(self) -> dict:
        """What /healthz says if it is not well."""
        try:
            self.get("/healthz")
        except urllib.error.HTTPError as refused:
            told: dict = json.load(refused)
            return told
        return {}

    def post(self, path: str, **fields: str) -> tuple[int, str]:
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}{path}",
            urllib.parse.urlencode(fields).encode(),
            {"Origin": f"http://127.0.0.1:{self.port}"},
        )
        try:
            with urllib.request.urlopen(request, timeout=5) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as refused:
            return refused.code, refused.read().decode()

    def stored(self) -> dict:
        """The alarm of the bore as the store has it."""
        with open_store(self.store) as connection:
            content = read_alarm(connection, "South live", "bore")
        alarm: dict = json.loads(content or "{}")
        return alarm


@pytest.fixture
def life(tmp_path: Path) -> Iterator[Life]:
    life = Life(tmp_path)
    yield life
    life.end()


def until(seconds: float) -> str:
    return (dt.datetime.now(dt.UTC) + dt.timedelta(seconds=seconds)).isoformat()


def test_an_alarm_from_the_machine_to_the_shelf_and_back(
    browser: webdriver.Chrome, life: Life
) -> None:
    """All of it real: protocol, watcher, store, page, browser; and a SIGKILL in between."""

    def answers() -> bool:
        with socket.socket() as there:
            return there.connect_ex(("127.0.0.1", life.port)) == 0

    see(browser, answers)
    browser.get(f"http://127.0.0.1:{life.port}/")
    browser.execute_script("window.sameVisit = true")
    see(browser, lambda: browser.find_elements("css selector", ".card"))
    card = machine_card(browser)

    def alarm_is(words: str) -> None:
        see(browser, lambda: text(card, ".alarm-state") == f"Alarm: {words}", 180.0)

    def fill(form: str, name: str, button: str, hours: str = "") -> None:
        place = card.find_element("css selector", form)
        place.find_element("css selector", "input").send_keys(name)
        if hours:
            Select(place.find_element("css selector", "select")).select_by_visible_text(hours)
        place.find_element("xpath", f".//button[text()='{button}']").click()

    alarm_is("normal")
    alarm_is("unacknowledged")  # the jewel has chipped
    # on a busy computer samples get lost, and it may be called worn at first
    bore = ("The bore has probably opened up", "Probably the bore, or ")
    see(browser, lambda: text(card, ".headline").startswith(bore), 120.0)
    see(browser, lambda: life.stored().get("condition") == "probably opened up")
    assert life.stored()["acknowledged"] is False
    # its mail was refused, which stands there until somebody has seen it
    see(browser, lambda: "Mail: 1 refused" in browser.find_element("id", "aside").text)
    why = "lead@example.org: 554 looks like spam"
    told = json.loads(life.get("/status"))
    assert told["outbox"]["mail"] == {
        "waiting": 0, "refused": 1, "expired": 0, "last_reason": why,
    }  # fmt: skip
    assert [mail["reason"] for mail in told["service"]["undelivered_mails"]] == [why]
    see(browser, lambda: f"A mail was not delivered (alarm): {why}" in text(card, ".undelivered"))
    assert why in life.ill()["service"]["mail"]
    life.kill()
    life.watch()
    see(browser, lambda: not browser.find_element("id", "lost").is_displayed(), 120.0)
    see(browser, lambda: why in text(card, ".undelivered"))

    fill(".acknowledge", "Ada", "Acknowledge")
    alarm_is("acknowledged")
    see(browser, lambda: text(card, ".undelivered") == "")
    see(browser, lambda: life.ill() == {}, 60.0)  # once it has seen both machines again
    stored = life.stored()
    assert (stored["acknowledged"], stored["acknowledged_by"]) == (True, "Ada")

    summary = card.find_element("css selector", ".shelve summary")
    summary.click()
    fill(".shelve", "Grace", "Shelve", "8 h")
    see(browser, lambda: text(card, ".alarm-state").startswith("Alarm: shelved until"))
    stored = life.stored()
    end_ns = stored["shelved_until_ns"]
    assert stored["shelved_by"] == "Grace"
    assert abs(end_ns * 1e-9 - time.time() - 8 * 3600) < 120
    shelved = f"shelved until {local_time(end_ns, 'Europe/Vienna')}, by Grace"
    alarm_is(shelved)
    [status] = json.loads(life.get("/status"))["machines"].values()
    assert (status["shelved_until_ns"], status["shelved_by"]) == (end_ns, "Grace")
    [line] = [
        line
        for line in life.get("/metrics").splitlines()
        if line.startswith("borewarden_alarm_shelved_until_timestamp_seconds{")
    ]
    assert float(line.split()[-1]) == end_ns * 1e-9

    life.kill()
    see(browser, browser.find_element("id", "lost").is_displayed)
    life.watch()
    see(browser, lambda: not browser.find_element("id", "lost").is_displayed(), 120.0)
    alarm_is(shelved)
    assert life.stored()["shelved_until_ns"] == end_ns

    south = {"machine": "South live", "by": "Ada"}
    assert life.post("/shelve", **{**south, "machine": "East"}, until=until(60.0)) == (
        404, "no machine 'East'; known: South live",
    )  # fmt: skip
    assert life.post("/shelve", **south, until=until(-60.0)) == (
        422, "shelving must end in the future",
    )  # fmt: skip
    assert life.post("/shelve", **south, until=until(8 * 86400.0)) == (
        422, "an alarm can be shelved for at most 168 h",
    )  # fmt: skip
    assert life.stored()["shelved_until_ns"] == end_ns
    # it ends by itself; the bore is no better, so that somebody has to take note again
    assert life.post("/shelve", **south, until=until(3.0))[0] == 200
    alarm_is("unacknowledged")
    assert life.stored()["shelved_until_ns"] is None

    summary.click()
    fill(".shelve", "Grace", "Shelve", "60 min")
    see(browser, lambda: text(card, ".alarm-state").startswith("Alarm: shelved until"))
    summary.click()
    fill(".shelve", "Hedy", "End shelving")
    alarm_is("unacknowledged")
    assert life.stored()["unshelved_by"] == "Hedy"
    assert life.post("/unshelve", **south) == (409, "this machine is not shelved")
    assert browser.execute_script("return window.sameVisit")


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
        (INFLUX, "influx", 'api = "v1"'),
        (INFLUX + 'org = "shop"\nuser = "a"\n', "influx", "the token is enough"),
        (INFLUX + 'api = "v3"\n', "influx.api", ""),
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


def test_an_influxdb_1_has_a_database_and_a_user(tmp_path: Path) -> None:
    file = tmp_path / "service.toml"
    file.write_text(INFLUX + 'api = "v1"\nuser = "borewarden"\n')
    settings = load_service(file).influx_settings()
    assert (settings.api, settings.org, settings.bucket, settings.user) == (
        "v1", "", "bores", "borewarden",
    )  # fmt: skip
    file.write_text(INFLUX + 'org = "shop"\n')
    settings = load_service(file).influx_settings()
    assert (settings.api, settings.org, settings.user) == ("v2", "shop", "")


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

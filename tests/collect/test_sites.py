"""Many sites at one real broker, mosquitto, set up as in deploy/mosquitto. Sites are invented.

Reason codes as in MQTT 5.0 (OASIS), section 2.4: 135 is "Not authorized".
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import shutil
import ssl
import subprocess
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import NamedTuple

import aiomqtt
import numpy as np
import paho.mqtt.client as paho
import pytest
import trustme

from borewarden.collect.mqtt import MqttSource, mqtt_samples
from borewarden.service.connection_check import reach_machine
from borewarden.service.messages import Effects
from borewarden.service.status import MachineStatus
from borewarden.service.watch import watch
from borewarden.settings import MachineSettings, load_machine
from borewarden.settings.service import load_folder
from borewarden.simulate.serve import payloads
from borewarden.store.database import open_store, read_table
from wire import PATIENCE, free_port, needs, streaming

ROOT = Path(__file__).parents[2]
SITES = ("ahorn", "buche", "eiche", "linde")
START = 1_772_000_000 * 10**9
ROW_NS = 60 * 10**9  # far faster than real, so that nobody takes it for a clock that is behind
PSI = 6894.757  # Pa
NOT_AUTHORIZED = 135


class Broker(NamedTuple):
    """A broker as deploy/mosquitto has it; `port` is loopback's, `tls_port` for the sites."""

    port: int
    tls_port: int
    ca: Path
    secrets: Path

    def password(self, user: str) -> str:
        return (self.secrets / f"{user}.password").read_text()


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    program = needs("mosquitto")
    folder = tmp_path_factory.mktemp("mosquitto")
    shutil.copytree(ROOT / "deploy" / "mosquitto", folder, dirs_exist_ok=True)
    with (folder / "acl").open("a") as acl:  # the one that is commented out there
        acl.write("\nuser watcher-ahorn\ntopic read lindgrat/ahorn/#\n")
    made = [
        subprocess.run([folder / "make-passwords.sh"], check=True, capture_output=True, text=True)
        for _ in range(2)
    ]
    assert made[0].stdout.count("made secrets/") == 6
    assert made[1].stdout == ""  # a password that is there stays
    shutil.copy(folder / "secrets" / "passwords", folder)
    authority = trustme.CA()
    certificate = authority.issue_cert("127.0.0.1")
    (folder / "certs").mkdir()
    authority.cert_pem.write_to_path(folder / "certs" / "ca.pem")
    certificate.private_key_pem.write_to_path(folder / "certs" / "broker-key.pem")
    certificate.cert_chain_pems[0].write_to_path(folder / "certs" / "broker.pem")
    at = Broker(free_port(), free_port(), folder / "certs" / "ca.pem", folder / "secrets")
    text = (folder / "mosquitto.conf").read_text().replace("/etc/mosquitto", str(folder))
    text = text.replace("listener 8883", f"listener {at.tls_port} 127.0.0.1")
    text = text.replace("listener 1883", f"listener {at.port}")
    if os.getuid() == 0:  # or it gives that up, and can't read this folder
        text += "user root\n"
    (folder / "test.conf").write_text(text)
    process = subprocess.Popen([program, "-c", folder / "test.conf"], stderr=subprocess.DEVNULL)
    try:
        for _ in range(600):
            with contextlib.suppress(OSError):
                asyncio.run(_connect(at.tls_port))
                break
            assert process.poll() is None, "mosquitto ended by itself"
        yield at
    finally:
        process.terminate()
        process.wait(30)


async def _connect(port: int) -> None:
    await asyncio.sleep(0.05)
    _, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.close()


def machine_file(folder: Path, site: str, number: int, port: int, user: str = "watcher") -> Path:
    """A machine of a site, made from the example in config/live."""
    text = (ROOT / "config" / "live" / "west-mqtt.toml").read_text()
    text = text.replace('name = "West live"', f'name = "{site} {number}"')
    text = text.replace("lindgrat/west/pump", f"lindgrat/{site}/pump-{number}")
    text = text.replace("port = 1883", f'port = {port}\nuser = "{user}"')
    path = folder / f"{site}-{number}.toml"
    path.write_text(text)
    return path


def source_of(path: Path) -> MqttSource:
    source = load_machine(path).live_source()
    assert isinstance(source, MqttSource)
    return source


def publish(broker: Broker, user: str, topics: list[str]) -> list[int]:
    """Publish to each of `topics` as `user`, by TLS; gives the reason codes of the answers."""
    codes: dict[int, int] = {}
    answered = threading.Semaphore(0)

    def on_publish(client, userdata, number, reason, properties) -> None:
        codes[number] = reason.value
        answered.release()

    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.username_pw_set(user, broker.password(user))
    client.tls_set(str(broker.ca))
    client.on_publish = on_publish
    client.connect("127.0.0.1", broker.tls_port)
    client.loop_start()
    try:
        numbers = [client.publish(topic, b'{"t": 1772000000}', qos=1).mid for topic in topics]
        for _ in numbers:
            assert answered.acquire(timeout=PATIENCE)
    finally:
        client.disconnect()
        client.loop_stop()
    return [codes[number] for number in numbers]


async def test_a_site_can_publish_for_no_other_and_the_watcher_for_none(broker: Broker) -> None:
    seen: list[str] = []
    async with aiomqtt.Client(
        "127.0.0.1", broker.port, username="watcher", password=broker.password("watcher")
    ) as client:
        await client.subscribe("lindgrat/#", 1)
        topics = [f"lindgrat/{site}/pump-1" for site in SITES]
        topics += ["lindgrat/ahorn", "lindgrat/ahornbach/pump-1", "elsewhere/ahorn"]
        for user in (*SITES, "watcher"):
            codes = await asyncio.to_thread(publish, broker, user, topics)
            allowed = [f"lindgrat/{user}/" in topic for topic in topics]
            if user == "ahorn":  # MQTT 5.0, 4.7.1.2: x/# is x too
                allowed[topics.index("lindgrat/ahorn")] = True
            refused = [code == NOT_AUTHORIZED for code in codes]
            assert refused == [not own for own in allowed], user
        async with asyncio.timeout(PATIENCE):
            async for message in client.messages:
                seen.append(str(message.topic))
                if len(seen) == len(SITES) + 1:
                    break
        with pytest.raises(TimeoutError):  # nothing of what was refused
            await asyncio.wait_for(anext(client.messages), 0.3)
    assert sorted(seen) == sorted([*topics[:4], "lindgrat/ahorn"])


async def test_a_wrong_password_or_none_is_said_plainly(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = machine_file(tmp_path, "ahorn", 1, broker.port)
    monkeypatch.setenv("BOREWARDEN_SECRETS_DIR", str(tmp_path))
    (tmp_path / "ahorn-1.password").write_text("not-the-password")
    (answer,) = await reach_machine(load_machine(path))
    assert answer.answer == "NO"
    assert f"127.0.0.1:{broker.port} does not let in user 'watcher'" in answer.words
    assert "with this password" in answer.words
    assert "not-the-password" not in answer.words
    path.write_text(path.read_text().replace('user = "watcher"', ""))
    (answer,) = await reach_machine(load_machine(path))
    assert "does not let in anybody without user" in answer.words


async def test_a_watcher_of_one_site_sees_no_other(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BOREWARDEN_SOURCE__PASSWORD", broker.password("watcher-ahorn"))
    monkeypatch.setenv("BOREWARDEN_SOURCE__SILENCE", "400 ms")
    own, other = (
        source_of(machine_file(tmp_path, site, 2, broker.port, "watcher-ahorn"))
        for site in ("ahorn", "buche")
    )
    async with (
        streaming(mqtt_samples(own)) as mine,
        streaming(mqtt_samples(other)) as theirs,
        publisher(broker, "ahorn") as ahorn,
        publisher(broker, "buche") as buche,
    ):
        for k in range(1, 100):
            await send(ahorn, own, k, 0.0)
            await send(buche, other, k, 0.0)
            if len(mine.rows) > 5 and theirs.is_down:
                break
            await asyncio.sleep(0.02)
    assert len(mine.rows) > 5
    assert theirs.rows == []
    reason = theirs.links[0].reason
    assert "nothing new on lindgrat/buche/pump-2" in reason
    assert "may 'watcher-ahorn' read it" in reason


@asynccontextmanager
async def publisher(broker: Broker, site: str) -> AsyncIterator[aiomqtt.Client]:
    async with aiomqtt.Client(
        "127.0.0.1",
        broker.tls_port,
        username=site,
        password=broker.password(site),
        tls_context=ssl.create_default_context(cafile=broker.ca),
    ) as client:
        yield client


async def send(client: aiomqtt.Client, source: MqttSource, k: int, psi: float) -> None:
    """Row `k` of a machine, one a minute; its pressure tells whose and which row it is."""
    raw = {"pressure": psi + k, "rate": 41.3, "temperature": 14.0}
    for topic, payload in payloads(source, raw, START + k * ROW_NS):
        await client.publish(topic, payload, qos=1)


async def test_twenty_machines_of_four_sites_arrive_complete_and_apart(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows a minute apart, sent much faster, through the watcher into the store."""
    monkeypatch.setenv("BOREWARDEN_SOURCE__PASSWORD", broker.password("watcher"))
    names = [(site, number) for site in SITES for number in range(1, 6)]
    for site, number in names:
        machine_file(tmp_path, site, number, broker.port)
    machines, _ = load_folder(tmp_path)
    assert len(machines) == 20
    base = {machine.name: 40_000.0 + 500.0 * i for i, machine in enumerate(machines)}
    store = tmp_path / "sites.db"
    seen: dict[str, MachineStatus] = {}

    def started(connection, statuses, queue) -> Effects:
        seen.update(statuses)
        return lambda connection, block: None

    sources = {machine.name: machine.open_source() for machine in machines}
    watching = asyncio.create_task(watch(machines, store, sources, started))
    counted = range(0)
    async with AsyncExitStack() as stack:
        by_site = {site: await stack.enter_async_context(publisher(broker, site)) for site in SITES}

        async def send_all(k: int) -> None:
            await asyncio.gather(*(
                send(by_site[machine.name.split()[0]], live(machine), k, base[machine.name])
                for machine in machines
            ))  # fmt: skip
            await asyncio.sleep(0.05)

        async with asyncio.timeout(PATIENCE):
            k = 0
            while len(seen) < 20 or not all(status.samples for status in seen.values()):
                k += 1
                await send_all(k)
            counted = range(k + 1, k + 31)
            for k in counted:
                await send_all(k)
            while any(s.last_sample_ns < START + k * ROW_NS for s in seen.values()):
                await asyncio.sleep(0.05)
    watching.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await watching
    for source in sources.values():
        await source.aclose()
    with open_store(store) as connection:
        for machine in machines:
            rows = read_table(connection, "sample", machine.name, START + counted[0] * ROW_NS)
            assert rows.time_ns.tolist() == [START + k * ROW_NS for k in counted]
            expected = (base[machine.name] + np.array(counted)) * PSI
            assert rows.pressure.to_numpy() == pytest.approx(expected, rel=1e-6)


def live(machine: MachineSettings) -> MqttSource:
    source = machine.live_source()
    assert isinstance(source, MqttSource)
    return source


def test_every_site_of_the_example_has_a_user_and_only_its_own_topic() -> None:
    acl = (ROOT / "deploy" / "mosquitto" / "acl").read_text()
    rights = re.findall(r"^user (\S+)\ntopic (\S+) (\S+)$", acl, re.MULTILINE)
    assert sorted(rights) == sorted(
        [("watcher", "read", "lindgrat/#")]
        + [(site, "write", f"lindgrat/{site}/#") for site in SITES]
    )
    assert acl.count("\nuser ") == len(rights)

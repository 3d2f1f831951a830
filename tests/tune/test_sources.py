"""Days from files, from the embedded store, and from a real InfluxDB 1.6 on loopback."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from pydantic import SecretStr
from typer.testing import CliRunner

from borewarden.base.errors import BadInput
from borewarden.base.samples import Samples, rows
from borewarden.cli import app
from borewarden.collect.labels import labels_path
from borewarden.diagnose.causes import Cause
from borewarden.inspection.record import Finding, Inspection
from borewarden.jewels.fitting import Fitting
from borewarden.replay.one_machine import replay_logs
from borewarden.store.database import open_store, transaction
from borewarden.store.influx import InfluxSettings, read_samples, sample_lines
from borewarden.store.inspections import record_inspection
from borewarden.store.names import SAMPLE_FIGURES
from borewarden.store.register import record
from borewarden.tune.sources import from_influx, from_logs, from_store, known_of
from invented_days import ROOT, logged, machine_of

CHIP = ROOT / "replay_data" / "south-2026-03-05-chip.csv"


def same(a: Samples, b: Samples) -> bool:
    return all(np.array_equal(x, y, equal_nan=True) for x, y in zip(a, b, strict=True))


def test_labels_come_from_beside_the_logs_and_from_files_named(tmp_path: Path) -> None:
    more = tmp_path / "more.csv"
    more.write_text("time,end,event,area_change,note\n2026-03-05T07:00:00,,none,,\n")
    samples, labels = from_logs(machine_of("south"), [CHIP], [more])
    assert [known.event for known in labels] == ["chip", "none"]
    assert len(samples.time_ns) > 30_000


def test_the_store_gives_back_what_was_replayed(tmp_path: Path) -> None:
    store = tmp_path / "borewarden.db"
    machine = machine_of("south")
    samples = replay_logs(machine, [CHIP], store).samples
    first, last = int(samples.time_ns[100]), int(samples.time_ns[20_000])
    found = from_store(machine, store, first, last)
    assert same(found, rows(samples, 100, 20_001))
    with pytest.raises(BadInput, match="no samples of it"):
        from_store(machine, store, last + 10**15, last + 2 * 10**15)
    with pytest.raises(BadInput, match="'West'"):
        from_store(machine_of("west"), store, first, last)
    with pytest.raises(BadInput, match="no such store"):
        from_store(machine, tmp_path / "missing.db", first, last)
    assert not (tmp_path / "missing.db").exists()


def test_the_books_of_a_store_say_what_was_fitted_and_what_was_found(tmp_path: Path) -> None:
    machine, store = machine_of("south"), tmp_path / "borewarden.db"
    first, last = 1_772_600_000 * 10**9, 1_772_700_000 * 10**9
    with open_store(store) as connection, transaction(connection):
        jewel = Fitting(machine.name, "1", first + 10**9, 0.3e-3, "diamond")
        record(connection, jewel, "Eva")
        for number, onset_ns in enumerate((first + 5 * 10**12, last + 1)):
            found = Inspection(
                machine=machine.name,
                time_ns=onset_ns + 10**12,
                by="Ada",
                answers={"rim": "chipped"},
                finding=Finding.CONFIRMED,
                reason="the rim is chipped",
                next_step="change the jewel",
                cause=Cause.BORE,
                alert_ns=onset_ns + 10**11 + number,
                onset_ns=onset_ns,
                step=0.08,
            )
            record_inspection(connection, found, "Ada")
    jewels, labels = known_of(machine, store, first, last)
    assert [(label.event, label.start_ns) for label in labels] == [("chip", first + 5 * 10**12)]
    assert [(j.bore, j.material) for j in jewels[len(machine.jewels()) :]] == [(0.3e-3, "diamond")]


# -- a real server


@pytest.fixture
def influx(tmp_path: Path) -> Iterator[str]:
    program = shutil.which("influxd") or shutil.which("influxd", path="/usr/sbin:/usr/bin")
    if program is None:
        reason = "influxd is missing; Debian's package `influxdb` has it"
        if os.environ.get("BOREWARDEN_REQUIRE_SERVERS") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    sockets = [socket.create_server(("127.0.0.1", 0)) for _ in range(2)]
    backup, http = (int(s.getsockname()[1]) for s in sockets)
    for s in sockets:
        s.close()
    config = tmp_path / "influxdb.conf"
    config.write_text(
        f'reporting-disabled = true\nbind-address = "127.0.0.1:{backup}"\n'
        f'[meta]\ndir = "{tmp_path}/meta"\n'
        f'[data]\ndir = "{tmp_path}/data"\nwal-dir = "{tmp_path}/wal"\n'
        f'[http]\nbind-address = "127.0.0.1:{http}"\nlog-enabled = false\n'
        "[monitor]\nstore-enabled = false\n"
    )
    with (tmp_path / "log").open("wb") as log:
        server = subprocess.Popen([program, "-config", str(config)], stdout=log, stderr=log)
    try:
        url = f"http://127.0.0.1:{http}"
        for _ in range(600):
            try:
                urllib.request.urlopen(f"{url}/ping", timeout=5).close()
                break
            except (urllib.error.URLError, ConnectionError):
                assert server.poll() is None, (tmp_path / "log").read_text(errors="replace")
                time.sleep(0.05)
        yield url
    finally:
        server.terminate()
        server.wait(timeout=30)


def post(url: str, body: str) -> None:
    request = urllib.request.Request(url, data=body.encode(), method="POST")
    urllib.request.urlopen(request, timeout=60).close()


def test_a_time_series_server_gives_back_what_was_forwarded(influx: str) -> None:
    """By InfluxQL, over the very client and lines of the service; to the last bit."""
    machine = machine_of("north")
    samples = rows(logged("north"), 0, 20_000)
    post(f"{influx}/query", urllib.parse.urlencode({"q": 'CREATE DATABASE "pumps"'}))
    for name in ("North", "No'rth, 2", "West"):
        lines = sample_lines(name, samples, np.zeros(len(samples.time_ns), dtype=np.int8))
        for start in range(0, len(lines), 5000):
            post(f"{influx}/write?db=pumps", "\n".join(lines[start : start + 5000]))
    settings = InfluxSettings(influx, "shop", "pumps", SecretStr("none"))
    first, last = int(samples.time_ns[10]), int(samples.time_ns[-1])
    found = from_influx(machine, settings, first, last)
    # what a sample did not know at all is no row there, so that its time is not known either
    assert same(found, rows(samples, 10))
    # the second half of the old rows as version 0.1 wrote them
    old = [line.replace("borewarden_sample,machine=West", "sample,machine=Old") for line in lines]
    for channel, figure in SAMPLE_FIGURES.items():
        old = [line.replace(f",{figure.name}=", f",{channel}=") for line in old]
    new = [line.replace("machine=West", "machine=Old") for line in lines[:900]]
    post(f"{influx}/write?db=pumps", "\n".join([*old[600:1200], *new]))
    both = read_samples(settings, "Old", int(samples.time_ns[0]), int(samples.time_ns[1199]))
    assert same(both, rows(samples, 0, 1200))
    odd = read_samples(settings, "No'rth, 2", first - 3 * 86_400 * 10**9, first)
    assert same(odd, rows(samples, 0, 11))
    with pytest.raises(BadInput, match="no samples of it"):
        from_influx(machine, settings, last + 10**12, last + 2 * 10**12)
    with pytest.raises(ConnectionError, match="database not found"):
        read_samples(InfluxSettings(influx, "shop", "nowhere", SecretStr("")), "North", first, last)


def test_the_command_finds_the_same_in_a_time_series_server_as_in_the_log(
    influx: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`borewarden tune --influx`. The lines are the service's; 1.6 has no `/api/v2/write` yet."""
    monkeypatch.chdir(tmp_path)
    machine = machine_of("south")
    samples, _ = from_logs(machine, [CHIP], [])
    phases = machine.build_watcher().learn_many(samples).phases
    post(f"{influx}/query", urllib.parse.urlencode({"q": 'CREATE DATABASE "pumps"'}))
    lines = sample_lines(machine.name, samples, phases)
    for start in range(0, len(lines), 5000):
        post(f"{influx}/write?db=pumps", "\n".join(lines[start : start + 5000]))

    def tuned(kept: str, *days: str) -> Result:
        words = [
            "tune", *days, "--machine", str(ROOT / "config" / "south.toml"), "--kept", kept,
            "--vary", "smallest_step=3 %,4 %", "--chips", "2", "--wears", "0", "--workers", "1",
        ]  # fmt: skip
        return CliRunner().invoke(app, words)

    there = ["--influx", influx, "--from", "2026-03-05", "--to", "2026-03-06"]
    there += ["--labels", str(labels_path(CHIP))]
    from_log = tuned("from-log", str(CHIP))
    from_server = tuned("from-server", *there, "--bucket", "pumps")
    assert from_log.exit_code == 0, from_log.stderr
    assert from_server.exit_code == 0, from_server.stderr
    assert "chip: found by" in from_server.stdout
    assert from_server.stdout == from_log.stdout
    # each kept under a name that goes with the samples, bit for bit
    kept = [
        {f.name: f.read_text() for f in Path(name).iterdir()}
        for name in ("from-log", "from-server")
    ]
    assert kept[0] == kept[1]
    assert all(len(text.splitlines()) == 2 for text in kept[0].values())
    refused = tuned("from-nowhere", *there, "--bucket", "nowhere")
    assert refused.exit_code == 2
    assert "can't tune: database not found: nowhere" in refused.stderr


def test_a_server_that_is_not_there_is_said() -> None:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{s.getsockname()[1]}"
    with pytest.raises(ConnectionError, match=url):
        read_samples(InfluxSettings(url, "", "b", SecretStr(""), timeout=2.0), "North", 0, 10**9)

"""An invented day of the shop, replayed and forwarded as the commands do it.

North and South chip a jewel, West stays sound. Their logs are of three days in `replay_data`, moved
to one. What the service forwards once a minute is made by the service's own `Effects`: South was
not seen for a while, and the mail server failed.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pandas as pd
from typer.testing import CliRunner

from borewarden.alert.alarm import AlarmSettings
from borewarden.cli import app
from borewarden.collect.link import LinkState
from borewarden.replay.one_machine import replay_logs
from borewarden.service.disk_room import Room
from borewarden.service.effects import Effects
from borewarden.service.messages import TimePassed
from borewarden.service.own_health import Health
from borewarden.service.watch import restore, status_of
from borewarden.settings import load_machine
from borewarden.store.database import open_store, transaction
from borewarden.store.influx import SINK, InfluxSettings, forward
from borewarden.store.outbox import waiting

ROOT = Path(__file__).parents[2]
MACHINES = ("North", "South", "West")
EVERY_NS = 2 * 60 * 10**9
CHIP_NS = 1_772_615_850 * 10**9  # of North, 10:17:30 in Vienna
# 05:30 to 16:00 in Vienna, which all the logs lie in
FIRST_NS, LAST_NS = 1_772_598_600 * 10**9, 1_772_636_400 * 10**9


def logs(folder: Path) -> dict[str, Path]:
    """The log of each machine, all of 4 March 2026."""
    data = ROOT / "replay_data"
    south = (data / "south-2026-03-05-chip.csv").read_text().replace("2026-03-05T", "2026-03-04T")
    (folder / "south.csv").write_text(south)
    west = pd.read_parquet(data / "west-2026-03-03-sound.parquet")
    west["time"] += pd.Timedelta(days=1)
    west.to_parquet(folder / "west.parquet")
    return {
        "North": data / "north-2026-03-04-chip.csv",
        "South": folder / "south.csv",
        "West": folder / "west.parquet",
    }


def whole_day(folder: Path) -> Path:
    """A store in `folder` with the day, and with what the service forwards of itself waiting."""
    store = replayed_day(folder)
    standing(store)
    return store


def replayed_day(folder: Path) -> Path:
    """A store in `folder` with the day of all three, as `replay` keeps it."""
    store = folder / "day.db"
    for name, log in logs(folder).items():
        replay_logs(load_machine(ROOT / "config" / f"{name.lower()}.toml"), [log], store)
    return store


def standing(store: Path) -> None:
    """Queue what the service forwards of itself and of the links, over the day."""
    health = Health(room=[Room(76 * 10**9, 12e6)])
    with open_store(store) as connection, transaction(connection):
        statuses = {}
        for name in MACHINES:
            machine = load_machine(ROOT / "config" / f"{name.lower()}.toml")
            status = status_of(machine, restore(machine, connection))
            status.link = LinkState(FIRST_NS, True, "connected")
            status.latency_s[:] = [0.02, 0.03, 0.05]
            statuses[name] = status
        effects = Effects(
            connection, statuses, AlarmSettings(), to_influx=True, to_mail=False, health=health
        )
        cut = {name: status.head_hours for name, status in statuses.items()}
        beats = range(FIRST_NS, LAST_NS, EVERY_NS)
        for beat, time_ns in enumerate(beats):
            for status in statuses.values():
                # as if the jet had been on evenly over the day
                share = (beat + 1) / len(beats)
                status.head_hours = {h: share * each for h, each in cut[status.name].items()}
                is_seen = status.name != "South" or not 120 < beat < 150
                age = 0.0 if is_seen else 1e4
                usable = time.monotonic() - age
                status.sight = replace(status.sight, usable=usable)
                status.link = LinkState(time_ns, is_seen, "connected" if is_seen else "no answer")
                status.last_sample_ns = time_ns
                status.samples += 120 if is_seen else 0
            if beat == 200:
                health.report("mail")("connection refused")
            if beat == 220:
                health.report("mail")(None)
            health.room[:] = [Room(76 * 10**9 - beat * 10**6, 12e6)]
            effects(connection, TimePassed(time_ns))


async def delivered(store: Path, settings: InfluxSettings) -> None:
    """Drain the outbox of `store` as the service does, until it is empty."""
    task = asyncio.create_task(forward(store, settings, idle=0.01))
    try:
        async with asyncio.timeout(60):
            with open_store(store) as connection:
                while waiting(connection, SINK).payloads:
                    await asyncio.sleep(0.02)
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def sent(folder: Path, store: Path, url: str, api: str = "v2") -> str:
    """Send the day by the command `forward`; returns what it says."""
    config = folder / "config"
    config.mkdir(exist_ok=True)
    for name in MACHINES:
        file = f"{name.lower()}.toml"
        (config / file).write_text((ROOT / "config" / file).read_text())
    org = 'org = "shop"\n' if api == "v2" else ""
    (config / "service.toml").write_text(
        f'[influx]\nurl = "{url}"\nbucket = "borewarden"\napi = "{api}"\n{org}'
    )
    command = ["forward", "--config", str(config), "--store", str(store)]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    return done.stdout

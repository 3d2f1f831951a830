"""A watch in this process, of one machine over a real socket, with short times; and its words."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from borewarden.service import watch as service_watch
from borewarden.service.health import health_troubles
from borewarden.service.machine_view import card, sample_age
from borewarden.service.metrics import metrics_text
from borewarden.service.status import MachineStatus
from borewarden.settings import MachineSettings, load_machine
from follow_log import paced
from held import Held, mails
from steady import steady_samples

PATIENCE = 60.0  # s, a bound only


def intensifier(times: float = 1.0) -> str:
    """An invented machine that fits the pump of tests/peers, or one so many times as fast.

    The faster one has a smaller plunger, and makes up for it.
    """
    return f"""
name = "North"
time_zone = "Europe/Vienna"

[pump]
kind = "intensifier"
rated_pressure = "400 MPa"
rated_power = "37 kW"
plunger_diameter = "{22.0 / times**0.5} mm"
stroke = "200 mm"
dead_volume = "{8.0 / times} cm^3"
max_stroke_rate = "{60.0 * times} strokes/min"
intensification_ratio = 20
volumetric_efficiency = "97 %"

[gate]
working_pressure = "200 MPa"
stuck_time = "4 s"

[[jewel]]
fitted = 2026-03-02T06:00:00
bore = "0.010 in"
material = "ruby"
"""


class Live:
    """What the service says of its one machine."""

    def __init__(self, store: Path, held: Held) -> None:
        self.store = store
        self._held = held
        self._age = sample_age()

    @property
    def status(self) -> MachineStatus:
        return next(iter(self._held.statuses.values()))

    @property
    def troubles(self) -> dict[str, str]:
        """As `/healthz` has them."""
        return health_troubles(self._held.statuses, self._age, time.time_ns())

    @property
    def card(self) -> dict[str, Any]:
        """As on the page."""
        return card(self.status, self._age(self.status, time.time_ns()))

    @property
    def metrics(self) -> str:
        return metrics_text(self._held.statuses, {}, {}).decode()

    @property
    def subjects(self) -> list[str]:
        """Of the mails that wait to be sent."""
        return [mail["Subject"] for mail in mails(self.store)]

    async def until(self, happened: Callable[[], object]) -> None:
        """Wait, with a bound, until something is true."""
        with suppress(TimeoutError):
            async with asyncio.timeout(PATIENCE):
                while not happened():
                    await asyncio.sleep(0.05)
        assert happened(), (self.status.link, self.status.sight, self.subjects)

    async def is_blind(self, *said: str) -> None:
        """Wait until the machine is not seen for a reason with these words; all has to say so."""
        await self.until(lambda: not self.status.is_seen and all(w in self.why for w in said))
        assert set(self.troubles) == {self.status.name}
        assert "No usable reading" in self.card["blind"]
        assert self.card["category"] == "Not seen"
        assert "earning" not in self.card["headline"]
        assert f'borewarden_sight{{machine="{self.status.name}"}} 0.0' in self.metrics
        await self.until(lambda: "sight: unacknowledged" in self.status.alarm)

    async def is_seen(self) -> None:
        """Wait until the machine is seen, and nothing says otherwise."""
        await self.until(lambda: self.status.is_seen and not self.status.sight.faults)
        assert self.troubles == {}
        assert self.card["blind"] == ""
        assert f'borewarden_sight{{machine="{self.status.name}"}} 1.0' in self.metrics

    @property
    def why(self) -> str:
        return next(iter(self.troubles.values()), "")


@asynccontextmanager
async def watched(
    folder: Path, machine: str, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Live]:
    """Watch the machine of that TOML; its alarms wait for nothing but a usable reading."""
    monkeypatch.setattr(service_watch, "BEAT", 0.1)
    settings, store, held = _settings(folder, machine), folder / "watched.db", Held()
    sources = {settings.name: settings.open_source()}
    watching = asyncio.create_task(service_watch.watch([settings], store, sources, held))
    live = Live(store, held)
    try:
        async with asyncio.timeout(PATIENCE):
            while not hasattr(held, "statuses"):
                assert not watching.done(), watching
                await asyncio.sleep(0.02)
        yield live
    finally:
        watching.cancel()
        await asyncio.wait({watching})


async def learned_as_sound(folder: Path, machine: str) -> None:
    """Have the store hold twenty minutes of a jet, up to now, that the machine was sound in."""
    settings = _settings(folder, machine)
    samples = steady_samples(
        settings.build_pump(),
        np.full(1200, settings.gate_settings().nominal_area),
        pressure=250e6,
        pulsation=0.02,
    )
    now_ns = time.time_ns() - 10**9
    samples = samples._replace(time_ns=samples.time_ns - samples.time_ns[-1] + now_ns)
    source = {settings.name: paced(samples, 200)}
    await service_watch.watch([settings], folder / "watched.db", source)


def _settings(folder: Path, machine: str) -> MachineSettings:
    file = folder / "machine.toml"
    file.write_text(machine)
    return load_machine(file)

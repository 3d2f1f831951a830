"""Jet hours of each head's jewel, live: those of `register show`, over a restart and a change."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import numpy as np
import pytest
from prometheus_client.parser import text_string_to_metric_families

from borewarden.base.samples import Samples, rows, samples_of
from borewarden.collect.link import Received
from borewarden.jewels.fitting import Fitting
from borewarden.planning.snapshot import counting_of
from borewarden.service import watch as watch_module
from borewarden.service.metrics import metrics_text
from borewarden.service.watch import watch
from borewarden.settings import MachineSettings, load_machine
from borewarden.store.database import open_store, transaction
from borewarden.store.jet_times import jet_times
from borewarden.store.register import fittings, judged_by, newest_entry, record
from held import Held

NS = 10**9
BEGAN = 1_772_600_000  # s, an invented day


def machine(folder: Path) -> MachineSettings:
    """North with a valve signal for each of two heads, invented."""
    text = (Path(__file__).parents[2] / "config" / "north.toml").read_text()
    before, _, _ = text.partition("[[jewel]]")
    signals = "".join(f'\n[log.valve.{k}]\ncolumn = "head_{k}"\n' for k in (1, 2))
    fitted = "".join(
        f'[[jewel]]\nfitted = 2026-03-03T06:00:00\nbore = "0.008 in"\nmaterial = "ruby"\n'
        f'head = "{k}"\njet_hours = "{k} h"\n'
        for k in (1, 2)
    )
    path = folder / "north.toml"
    path.write_text(before + signals + fitted)
    return load_machine(path)


def day(seconds: int) -> Samples:
    """Head 1 cuts for two minutes, then head 2 for one."""
    at = np.arange(seconds)
    open_heads = np.where(at % 180 < 120, 1.0, 2.0)
    return samples_of(
        (BEGAN + at) * NS,
        pressure=370e6 + 1e6 * np.sin(at),
        stroke_count=np.floor(0.25 * at),
        rate=np.full(seconds, 0.25),
        valve=np.ones(seconds),
        open_heads=open_heads,
    )


async def blocks(samples: Samples, start: int, stop: int) -> AsyncIterator[Received]:
    for first in range(start, stop, 100):
        await asyncio.sleep(0)
        yield rows(samples, first, min(first + 100, stop))


def shown(store: Path, settings: MachineSettings) -> dict[str, float]:
    """What `register show` counts of the jewels in the register, and their earlier hours."""
    with open_store(store) as connection:
        held = {n: f for n, f in fittings(connection).items() if f.out_ns is None}
        times = jet_times(connection, held, counting_of([settings]))
    return {f.head: f.earlier_hours + times[n].jet_hours for n, f in held.items()}


def fit(store: Path, second: int, head: str, earlier: float) -> None:
    with open_store(store) as connection, transaction(connection):
        fitted_ns = (BEGAN + second) * NS
        record(
            connection,
            Fitting("North", head, fitted_ns, 0.2032e-3, "ruby", earlier_hours=earlier),
            "Eva",
            "",
        )


async def test_live_hours_of_each_head_are_those_of_the_register(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch_module, "LOOK", 0.02)
    settings, store, samples = machine(tmp_path), tmp_path / "live.db", day(4000)
    fit(store, -60, "1", 1.0)
    fit(store, -60, "2", 2.0)

    async def followed(start: int, stop: int) -> dict[str, float]:
        async def source() -> AsyncIterator[Received]:
            async for block in blocks(samples, start, stop):
                yield block
            async with asyncio.timeout(240.0):
                while not _reckoned_with(store):
                    await asyncio.sleep(0.01)

        held = Held()
        await watch([settings], store, {"North": source()}, held)
        status = held.statuses["North"]
        told = {
            line.labels["head"]: line.value / 3600.0
            for family in text_string_to_metric_families(
                metrics_text(held.statuses, {}, {}).decode()
            )
            for line in family.samples
            if line.name == "borewarden_head_jet_seconds_total"
        }
        assert told == pytest.approx(dict(status.head_hours))
        return dict(status.head_hours)

    near = 0.002  # h: the second over which a jewel is changed is nobody's
    first = await followed(0, 1000)
    assert first == pytest.approx(shown(store, settings), abs=near)
    assert first["1"] - 1.0 > 1.8 * (first["2"] - 2.0) > 0.1
    # head 2 gets another jewel; what head 1 had cut until then goes on
    fit(store, 1000, "2", 5.0)
    second = await followed(1000, 2000)
    assert second == pytest.approx(shown(store, settings), abs=near)
    assert second["1"] > first["1"] + 0.1
    assert 5.0 < second["2"] < 5.2
    # a restart that learns only from that change on, and an entry that changes the past
    assert await followed(2000, 2100) == pytest.approx(shown(store, settings), abs=near)
    fit(store, 1500, "2", 0.0)
    third = await followed(2100, 2200)
    assert third == pytest.approx(shown(store, settings), abs=near)
    assert third["2"] < 0.1


def _reckoned_with(store: Path) -> bool:
    with open_store(store) as connection:
        return judged_by(connection, "North") == newest_entry(connection)

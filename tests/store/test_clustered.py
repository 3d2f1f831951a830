"""Several stores behind one write address, by configuration only.

No cluster edition of VictoriaMetrics is to be had from Debian, so its vmagent stands in for the
part that spreads: it shards by machine, keeps two copies and queues for a store that is down.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from borewarden.store.influx import sample_lines
from forward import forwarding, queue, recent, until_empty
from victoria import Agent, Server

SHARDS = Path(__file__).parents[2] / "deploy" / "victoriametrics"
MACHINES = [f"Werk {site}, Anlage {number}" for site in "ABC" for number in range(4)]

Points = list[tuple[int, float]]


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[list[Server]]:
    stores = [Server(tmp_path / f"store-{i}") for i in range(3)]
    try:
        for store in stores:
            store.start()
        yield stores
    finally:
        for store in stores:
            store.stop(kill=True)


@pytest.fixture
def agent(tmp_path: Path, stores: list[Server]) -> Iterator[Agent]:
    shards = {store.url: SHARDS / f"store-{i}.yaml" for i, store in enumerate(stores)}
    agent = Agent(tmp_path / "queues", shards)
    try:
        yield agent
    finally:
        agent.stop(kill=True)


def joined(stores: list[Server]) -> dict[str, Points]:
    """What a reader of all of `stores` would see: every point once."""
    found: dict[str, set[tuple[int, float]]] = {}
    for store in stores:
        for machine, points in store.series("borewarden_sample_pressure_pascals").items():
            found.setdefault(machine, set()).update(points)
    return {machine: sorted(points) for machine, points in found.items()}


async def test_a_store_killed_in_the_midst_and_an_agent_that_restarts_lose_nothing(
    tmp_path: Path, stores: list[Server], agent: Agent
) -> None:
    n = 600
    rows = {machine: recent(n)._replace(pressure=np.full(n, 3e8 + i)) for i, machine in
            enumerate(MACHINES)}  # fmt: skip
    lines = {machine: sample_lines(machine, own, np.full(n, 5)) for machine, own in rows.items()}
    expected = {
        machine: [
            (t // 10**6, p)
            for t, p in zip(own.time_ns.tolist(), own.pressure.tolist(), strict=True)
        ]
        for machine, own in rows.items()
    }
    outbox = tmp_path / "a.db"

    def put(first: int, last: int) -> None:
        for machine in MACHINES:
            queue(outbox, "sample", lines[machine][first:last], every=20)

    put(0, 200)
    reports: list[str | None] = []
    async with forwarding(outbox, agent.url, limit=30, report=reports.append):
        while not reports:  # nobody there yet: it waits in the outbox
            await asyncio.sleep(0.01)
        assert reports[0] is not None
        await asyncio.to_thread(agent.start)
        await until_empty(outbox)
        put(200, 400)
        while reports.count(None) < 6:
            await asyncio.sleep(0.001)
        stores[1].stop(kill=True)
        await until_empty(outbox)
        await asyncio.to_thread(agent.stop)  # what it holds for the dead store goes to its disk
        put(400, 600)
        await asyncio.sleep(0.1)
        await asyncio.to_thread(agent.start)
        await until_empty(outbox)
    alive = [stores[0], stores[2]]
    async with asyncio.timeout(60):
        while joined(alive) != expected:  # readers miss nothing while it is down
            await asyncio.sleep(0.1)
    held = [store.series("borewarden_sample_pressure_pascals") for store in alive]
    for own in held:
        assert own == {machine: expected[machine] for machine in own}
    await asyncio.to_thread(stores[1].start)

    # a process killed by force loses what it had not written yet, at most; that is in the copies
    def has_caught_up() -> bool:
        own = stores[1].series("borewarden_sample_pressure_pascals")
        return len(own) > 0 and all(
            points[-200:] == expected[machine][-200:] for machine, points in own.items()
        )

    async with asyncio.timeout(60):
        while not await asyncio.to_thread(has_caught_up):
            await asyncio.sleep(0.1)
    held.append(stores[1].series("borewarden_sample_pressure_pascals"))
    assert sorted(machine for own in held for machine in own) == sorted(MACHINES * 2)
    assert all(own.keys() != expected.keys() for own in held)
    assert joined(stores) == expected


async def test_any_two_of_the_three_hold_everything(
    tmp_path: Path, stores: list[Server], agent: Agent
) -> None:
    agent.start()
    outbox, rows = tmp_path / "a.db", recent(5)
    for machine in MACHINES:
        queue(outbox, "sample", sample_lines(machine, rows, np.full(5, 5)))
    async with forwarding(outbox, agent.url):
        await until_empty(outbox)
    async with asyncio.timeout(60):
        while sum(
            len(store.series("borewarden_sample_pressure_pascals")) for store in stores
        ) < 2 * len(MACHINES):
            await asyncio.sleep(0.1)
    for pair in combinations(stores, 2):
        assert joined(list(pair)).keys() == set(MACHINES)


async def test_an_address_with_a_path_as_a_cluster_has_it(tmp_path: Path) -> None:
    """http://vminsert:8480/insert/0/influx is what a cluster's front end would be."""
    path = "/insert/0/influx"
    server = Server(tmp_path / "victoria", f"-http.pathPrefix={path}")
    server.url += path
    try:
        server.start()
        outbox, rows = tmp_path / "a.db", recent(5)
        queue(outbox, "sample", sample_lines("North", rows, np.full(5, 5)))
        async with forwarding(outbox, server.url):
            await until_empty(outbox)
        assert len(server.series("borewarden_sample_pressure_pascals")["North"]) == 5
    finally:
        server.stop(kill=True)

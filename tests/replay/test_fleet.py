"""Many machines' logged days, replayed here and on a real cluster. All machines are invented."""

from __future__ import annotations

import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from distributed import Client
from typer.testing import CliRunner

from borewarden.base.errors import BadInput
from borewarden.cli import app
from borewarden.replay.fleet import (
    Found,
    MachineLogs,
    Refused,
    replay_fleet,
    tasks_of_folders,
    tasks_of_list,
    write_table,
)
from borewarden.replay.one_machine import replay_logs
from borewarden.settings import load_machine
from borewarden.store.database import open_store, read_table
from borewarden.watcher.verdict import State
from clusters import Cluster, cluster

ROOT = Path(__file__).parents[2]
LOGS = {
    "north": "north-2026-03-04-chip.csv",
    "south": "south-2026-03-05-chip.csv",
    "west": "west-2026-03-03-sound.parquet",
}


@pytest.fixture(scope="module")
def fleet() -> list[MachineLogs]:
    """Four shops with the same three machines each, and a machine whose log is not its own."""
    tasks = []
    for shop in range(4):
        for stem, log in LOGS.items():
            machine = load_machine(ROOT / "config" / f"{stem}.toml")
            machine = machine.model_copy(update={"name": f"{machine.name} {shop}"})
            tasks.append(MachineLogs(machine, (ROOT / "replay_data" / log,)))
    stray = load_machine(ROOT / "config" / "south.toml").model_copy(update={"name": "Stray"})
    tasks.insert(5, MachineLogs(stray, (ROOT / "replay_data" / LOGS["north"],)))
    return tasks


@pytest.fixture(scope="module")
def local(
    fleet: list[MachineLogs], tmp_path_factory: pytest.TempPathFactory
) -> tuple[list[Found | Refused], Path]:
    store = tmp_path_factory.mktemp("local") / "fleet.db"
    return replay_fleet(fleet, store), store


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with cluster(tmp_path_factory.mktemp("cluster"), 2) as at:
        yield at


def rows(store: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(store)) as connection:
        return [
            row
            for table in ("batch", "alert")
            for row in connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2, 3")
        ]


def test_a_worker_killed_in_the_midst_loses_nothing_and_changes_no_bit(
    tmp_path: Path,
    fleet: list[MachineLogs],
    local: tuple[list[Found | Refused], Path],
    two_workers: Cluster,
) -> None:
    store = tmp_path / "cluster.db"
    at_work_when_killed: list[str] = []
    with Client(two_workers.address, set_as_default=False) as onlooker:
        onlooker.wait_for_workers(2, 60)
        addresses = {w["name"]: a for a, w in onlooker.scheduler_info()["workers"].items()}

        def kill_one(done: int, of: int) -> None:
            if done == 3:
                victim = two_workers.workers["worker-1"]
                at_work_when_killed.extend(onlooker.processing()[addresses["worker-1"]])
                victim.send_signal(signal.SIGKILL)
                victim.wait()

        answers = replay_fleet(fleet, store, scheduler=two_workers.address, progress=kill_one)
        left = [worker["name"] for worker in onlooker.scheduler_info()["workers"].values()]
    assert at_work_when_killed
    assert left == ["worker-0"]
    # `repr` of a float is exact, and a NaN is equal to itself there
    assert repr(answers) == repr(local[0])
    assert len(rows(store)) > 1000
    assert rows(store) == rows(local[1])
    write_table(answers, tmp_path / "cluster.csv")
    write_table(local[0], tmp_path / "local.csv")
    assert (tmp_path / "cluster.csv").read_bytes() == (tmp_path / "local.csv").read_bytes()


def test_each_machine_is_judged_as_by_itself(
    tmp_path: Path, fleet: list[MachineLogs], local: tuple[list[Found | Refused], Path]
) -> None:
    answers, store = local
    assert isinstance(answers[5], Refused)
    assert "did you mean 'pressure_bar'" in answers[5].reason
    states = [answer.verdict.state for answer in answers if isinstance(answer, Found)]
    assert states == [State.OPENED, State.OPENED, State.SOUND] * 4
    alone = tmp_path / "alone.db"
    replay_logs(fleet[1].machine, list(fleet[1].logs), alone)
    with open_store(store) as together, open_store(alone) as one:
        for table in ("batch", "alert"):
            expected = read_table(one, table, "South 0")
            assert len(expected) > 0
            assert read_table(together, table, "South 0").equals(expected)


def test_again_replaces_what_the_same_hours_gave_and_keeps_samples(
    tmp_path: Path, fleet: list[MachineLogs]
) -> None:
    store, task = tmp_path / "a.db", fleet[1]
    replay_logs(task.machine, list(task.logs), store)
    with open_store(store) as connection:
        samples = read_table(connection, "sample", task.machine.name)
    before = rows(store)
    longer = task.machine.gate.model_copy(update={"batch_time": 47.0})
    other = task.machine.model_copy(update={"gate": longer})
    replay_fleet([MachineLogs(other, task.logs)], store)
    assert 100 < len(rows(store)) < len(before)
    replay_fleet([task], store)
    assert rows(store) == before
    with open_store(store) as connection:
        assert read_table(connection, "sample", task.machine.name).equals(samples)


# -- which machines, which logs


def a_shop(folder: Path) -> Path:
    """A folder with two machines and their logs."""
    settings = (ROOT / "config" / "north.toml").read_text()
    for stem in ("north", "north-2"):
        text = settings.replace('name = "North"', f'name = "{stem}"')
        (folder / f"{stem}.toml").write_text(text)
    (folder / "north").mkdir()
    for name in (
        "north-2026-03-05.csv",
        "north-2026-03-04.parquet",
        "north-2026-03-04.labels.csv",
        "north-2-2026-03-04.csv",
        "south-2026-03-04.csv",
        "north/b.csv",
    ):
        (folder / name).touch()
    return folder


def test_logs_go_to_the_machine_that_they_are_named_after(tmp_path: Path) -> None:
    tasks, unclaimed = tasks_of_folders(a_shop(tmp_path), tmp_path)
    found = {task.machine.name: [log.name for log in task.logs] for task in tasks}
    assert found == {
        "north": ["b.csv", "north-2026-03-04.parquet", "north-2026-03-05.csv"],
        "north-2": ["north-2-2026-03-04.csv"],
    }
    assert [log.name for log in unclaimed] == ["south-2026-03-04.csv"]
    assert all(log.is_absolute() for task in tasks for log in task.logs)


def test_a_list_names_machines_and_logs(tmp_path: Path) -> None:
    a_shop(tmp_path)
    listed = tmp_path / "fleet.csv"
    listed.write_text(
        "log,machine\nnorth/b.csv,north-2.toml\nc.csv,north-2.toml\na.csv,north.toml\n"
    )
    tasks = tasks_of_list(listed)
    assert [task.machine.name for task in tasks] == ["north-2", "north"]
    assert tasks[0].logs == (tmp_path / "north" / "b.csv", tmp_path / "c.csv")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("machine;log\nnorth.toml;a.csv\n", "machine,log"),
        ("machine,log\nnorth.toml,\n", "line 2"),
        ("machine,log\nnorth.toml\n", "line 2"),
        ("machine,log\n", "there are none"),
        ("", "nothing"),
        ("machine,log\nnorth.toml,\0\n", "line 2"),
        (b"machine,log\nn\xf6rth.toml,a.csv\n", "UTF-8"),
        ("machine,log\nwest.toml,a.csv\n", "west.toml"),
    ],
)
def test_lists_that_can_not_be_used_say_why(tmp_path: Path, text: str | bytes, said: str) -> None:
    listed = a_shop(tmp_path) / "fleet.csv"
    listed.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(BadInput, match=said):
        tasks_of_list(listed)


def test_folders_that_can_not_be_used_say_why(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such folder"):
        tasks_of_folders(tmp_path / "none", tmp_path)
    with pytest.raises(BadInput, match="no log of any machine file"):
        tasks_of_folders(tmp_path, tmp_path)
    shop = a_shop(tmp_path)
    (shop / "north-2.toml").write_text((shop / "north.toml").read_text())
    with pytest.raises(BadInput, match="name each machine once"):
        tasks_of_folders(shop, shop)


# -- the command


def test_command_on_a_cluster_writes_the_same_table_and_tells_who_was_refused(
    tmp_path: Path, two_workers: Cluster
) -> None:
    listed = tmp_path / "fleet.csv"
    pairs = [
        (ROOT / "config" / "west.toml", ROOT / "replay_data" / LOGS["west"]),
        (ROOT / "config" / "south.toml", tmp_path / "missing.csv"),
    ]
    listed.write_text("machine,log\n" + "".join(f"{m},{log}\n" for m, log in pairs))
    tables = []
    for name, words in (("here", []), ("there", ["--scheduler", two_workers.address])):
        table = tmp_path / f"{name}.csv"
        store = tmp_path / f"{name}.db"
        done = CliRunner().invoke(
            app, ["fleet", str(listed), f"--table={table}", f"--store={store}", *words]
        )
        assert done.exit_code == 2, done.output
        assert "South could not be replayed" in done.stderr
        assert "missing.csv" in done.stderr
        assert "1 not changed since learned" in done.stdout
        tables.append(table.read_text())
    assert tables[0] == tables[1]
    assert "West,sound,good,6.6" in tables[0]
    assert rows(tmp_path / "here.db") == rows(tmp_path / "there.db")


def test_command_takes_folders(tmp_path: Path) -> None:
    for name in ("north", "west"):
        (tmp_path / f"{name}.toml").write_text((ROOT / "config" / f"{name}.toml").read_text())
    words = ["fleet", str(tmp_path), "--logs", str(ROOT / "replay_data")]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert "1 probably opened up, 1 not changed since learned" in done.stdout
    assert "2 logs belong to no machine file, such as" in done.stderr
    assert ".csv" in done.stderr

"""One function over tasks: here, in processes, and on a real dask cluster."""

from __future__ import annotations

import builtins
import math
import os
import socket
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from borewarden.base import parallel as module
from borewarden.base.errors import MissingExtra
from borewarden.base.parallel import spread
from clusters import cluster

TASKS = [float(i * i) for i in range(40)]


def in_order(answers) -> list[object]:
    return [answer for _, answer in sorted(answers, key=lambda pair: pair[0])]


@pytest.mark.parametrize("processes", [1, 2])
def test_every_task_is_answered_once(processes: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "AHEAD", 7)  # fewer than there are tasks
    assert in_order(spread(math.sqrt, iter(TASKS), processes)) == list(range(40))
    assert list(spread(math.sqrt, [], processes)) == []


@pytest.mark.parametrize("processes", [1, 2])
def test_what_a_task_raises_is_its_answer_and_holds_up_no_other(processes: int) -> None:
    first, second, third = in_order(spread(math.sqrt, [4.0, -1.0, 9.0], processes))
    assert (first, third) == (2.0, 3.0)
    assert isinstance(second, ValueError)


X = np.linspace(0.0, 2e3, 100_001)
BOUND = partial(np.interp, xp=X, fp=np.sqrt(X)[::-1])  # more than goes with each task


@pytest.mark.parametrize("processes", [1, 2])
def test_what_is_bound_to_the_function_goes_along(processes: int) -> None:
    expected = [BOUND(task) for task in TASKS]
    assert in_order(spread(BOUND, TASKS, processes)) == expected


def test_process_that_dies_is_told_and_not_waited_for() -> None:
    answers = in_order(spread(os._exit, [3, 3, 3], 2))
    assert len(answers) == 3
    assert all("abruptly" in str(answer) for answer in answers)


SPREADS = """
import sys
from os import getpid
from functools import partial
from borewarden.base.parallel import spread
from lasting import last

if __name__ == "__main__":
    list(spread(last, [sys.argv[1]] * 2, 2))
"""
LASTING = """
import os, time
from pathlib import Path

def last(folder):
    (Path(folder) / str(os.getpid())).touch()
    time.sleep(600)
"""


def test_processes_end_when_the_one_that_asked_for_them_is_killed(tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.mkdir()
    (tmp_path / "lasting.py").write_text(LASTING)
    (tmp_path / "spreads.py").write_text(SPREADS)
    path = f"{tmp_path}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"
    command = [sys.executable, str(tmp_path / "spreads.py"), str(there)]
    parent = subprocess.Popen(command, env={**os.environ, "PYTHONPATH": path})
    while len(list(there.iterdir())) < 2:
        assert parent.poll() is None
        time.sleep(0.05)
    parent.kill()
    parent.wait()
    children = [Path("/proc") / child.name for child in there.iterdir()]
    until = time.monotonic() + 30.0
    while any(child.exists() for child in children) and time.monotonic() < until:
        time.sleep(0.05)
    assert [child for child in children if child.exists()] == []


def test_cluster_answers_alike_and_a_scheduler_that_is_lost_is_said_plainly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(module, "AHEAD", 7)  # fewer than there are tasks
    monkeypatch.setenv("DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES", "0")
    with cluster(tmp_path, 2) as at:
        assert in_order(spread(math.sqrt, TASKS, scheduler=at.address)) == list(range(40))
        assert list(spread(math.sqrt, [], scheduler=at.address)) == []
        expected = [BOUND(task) for task in TASKS]
        assert in_order(spread(BOUND, TASKS, scheduler=at.address)) == expected
        ((_, killer),) = spread(os._exit, [3], scheduler=at.address)  # takes its worker along
        assert type(killer).__name__ == "KilledWorker"
        _, second = in_order(spread(math.sqrt, [4.0, -1.0], scheduler=at.address))
        assert isinstance(second, ValueError)
        answers = spread(time.sleep, [0.05] * 40, scheduler=at.address)
        next(answers)
        at.scheduler.kill()
        with pytest.raises(ConnectionError, match=f"the scheduler at {at.address} was lost"):
            list(answers)
    assert "Traceback" not in capfd.readouterr().err


def test_cluster_that_is_not_there_is_said_plainly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "PATIENCE", 1.0)
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{nobody.getsockname()[1]}"
        with pytest.raises(ConnectionError, match="no scheduler answers at tcp://127"):
            list(spread(math.sqrt, TASKS, scheduler=address))
    with pytest.raises(ValueError, match="give tcp://HOST:8786"):
        list(spread(math.sqrt, TASKS, scheduler="nonsense"))
    with (
        cluster(tmp_path, 0) as at,
        pytest.raises(ConnectionError, match="start some with `dask worker tcp://127"),
    ):
        list(spread(math.sqrt, TASKS, scheduler=at.address))


def test_without_the_package_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: object, **more: object) -> object:
        if name == "distributed":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingExtra, match=r"pip install 'borewarden\[cluster\]'"):
        list(spread(math.sqrt, TASKS, scheduler="tcp://127.0.0.1:8786"))

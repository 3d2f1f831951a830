"""The first start after an update: said, and no poll or signal waits for the compiler."""

from __future__ import annotations

import asyncio
import multiprocessing
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from borewarden.service import first_compile
from borewarden.service.first_compile import compile_first
from borewarden.settings import load_machine

NORTH = load_machine(Path(__file__).parents[2] / "config" / "north.toml")


def say_it_is_done(monkeypatch: pytest.MonkeyPatch, *answers: bool) -> Callable[[], int]:
    """Give these answers to whoever asks; what is returned says how many are left."""
    left = list(answers)
    monkeypatch.setattr(first_compile, "_is_done", lambda: left.pop(0))
    return lambda: len(left)


async def test_what_is_compiled_is_not_compiled_again(monkeypatch: pytest.MonkeyPatch) -> None:
    say_it_is_done(monkeypatch, True)
    with capture_logs() as logs:
        await compile_first([NORTH])
    assert logs == []


async def test_it_is_said_and_done_in_a_process_before_anything_else(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    left = say_it_is_done(monkeypatch, False, True)
    with capture_logs() as logs:
        await compile_first([NORTH])
    assert [each["event"] for each in logs] == ["compiling", "compiled"]
    assert (
        "once after an install or update: a minute or two on a small machine" in logs[0]["reason"]
    )
    assert left() == 0
    assert first_compile.is_compiled(first_compile.look_on_bytes)
    assert "compiling" not in [each.name for each in threading.enumerate()]


async def test_who_stops_the_watch_meanwhile_ends_the_process(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    say_it_is_done(monkeypatch, False)
    task = asyncio.create_task(compile_first([NORTH]))
    while not (children := [c for c in multiprocessing.active_children() if c.name == "compiling"]):
        assert not task.done()
        await asyncio.sleep(0.01)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    [child] = children
    assert child.exitcode == -9


async def test_without_a_place_for_machine_code_a_thread_compiles(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ran: list[object] = []
    say_it_is_done(monkeypatch, False, False)
    monkeypatch.setattr(first_compile, "is_kept", lambda loop: False)
    monkeypatch.setattr(first_compile, "_run_through", ran.append)
    await compile_first([NORTH])
    assert ran == [NORTH]

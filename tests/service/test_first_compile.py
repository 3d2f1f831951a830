"""The first start after an update: said, and no poll or signal waits for the compiler."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from borewarden.service import first_compile
from borewarden.service.first_compile import compile_first
from borewarden.settings import load_machine

NORTH = load_machine(Path(__file__).parents[2] / "config" / "north.toml")


async def test_what_is_compiled_is_not_compiled_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(first_compile, "loops_compiled", lambda: True)
    monkeypatch.setattr(first_compile, "is_compiled", lambda loop: True)
    with capture_logs() as logs:
        await compile_first([NORTH])
    assert logs == []


async def test_it_is_said_and_done_before_anything_else(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(first_compile, "loops_compiled", lambda: False)
    with capture_logs() as logs:
        await compile_first([NORTH])
    assert [each["event"] for each in logs] == ["compiling", "compiled"]
    assert "compiling the loops, about a minute" in logs[0]["reason"]
    assert first_compile.is_compiled(first_compile.look_on_bytes)


async def test_who_stops_the_watch_meanwhile_does_not_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def compiles(machine: object) -> None:
        begun.set()
        go_on.wait(60.0)

    monkeypatch.setattr(first_compile, "loops_compiled", lambda: False)
    monkeypatch.setattr(first_compile, "_run_through", compiles)
    task = asyncio.create_task(compile_first([NORTH]))
    while not begun.is_set():
        await asyncio.sleep(0.01)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert not go_on.is_set()  # the compiler is still at it
    go_on.set()

"""The loops compiled before anything is read, so that no poll waits for the compiler."""

from __future__ import annotations

import asyncio
import multiprocessing
import threading
from contextlib import suppress

import numpy as np
import structlog

from borewarden.base.compiling import is_compiled, is_kept
from borewarden.base.parallel import end_with_parent, started_without_interrupt
from borewarden.base.samples import Floats, rows, samples_of
from borewarden.collect.sight_loop import look_on_bytes
from borewarden.detect.shape import FEWEST, ramp_over_step
from borewarden.detect.step import RING, Step
from borewarden.gate.gate_loop import run_on_few
from borewarden.physics.pump import event_rate
from borewarden.settings import MachineSettings
from borewarden.watcher.watcher import loops_compiled

log = structlog.get_logger("borewarden")

SECONDS = 600  # of a steady jet: batches are closed and judged
COMPILING = (
    "compiling the loops, once after an install or update: a minute or two on a small machine; "
    "nothing is read until then"
)
PRESSURE = 0.9  # of the rated one


async def compile_first(machines: list[MachineSettings]) -> None:
    """Compile what is not compiled yet, and say so; nothing else has to wait for it.

    A process of its own does it, which takes the compiler's 200 MB with it when it ends. Where
    machine code can't be kept on disk, a thread does.
    """
    if not machines or _is_done():
        return
    log.info("compiling", reason=COMPILING)
    if is_kept(look_on_bytes):
        await _in_a_process(machines[0])
    if not _is_done():
        await _in_a_thread(machines[0])
    log.info("compiled")


def _is_done() -> bool:
    return loops_compiled() and is_compiled(run_on_few, look_on_bytes)


async def _in_a_process(machine: MachineSettings) -> None:
    """Compile, and end with whoever waits for it, or with this process."""
    loop, ended = asyncio.get_running_loop(), asyncio.Event()
    context = multiprocessing.get_context("spawn")  # a fork would take our threads' locks along
    child = context.Process(target=_compile, args=(machine,), name="compiling", daemon=True)
    with started_without_interrupt():
        child.start()
    loop.add_reader(child.sentinel, ended.set)
    try:
        await ended.wait()
    finally:
        loop.remove_reader(child.sentinel)
        child.kill()
        child.join()


def _compile(machine: MachineSettings) -> None:
    threading.Thread(target=end_with_parent, daemon=True).start()
    with suppress(Exception):  # whatever it is, it comes again where it can be told
        _run_through(machine)


async def _in_a_thread(machine: MachineSettings) -> None:
    """Compile; the thread is a daemon, for nobody can stop it."""
    loop, done = asyncio.get_running_loop(), asyncio.Event()

    def work() -> None:
        try:
            with suppress(Exception):
                _run_through(machine)
        finally:
            with suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(done.set)

    threading.Thread(target=work, name="compiling", daemon=True).start()
    await done.wait()


def _run_through(machine: MachineSettings) -> None:
    """Ten invented minutes of a steady jet, and an onset, through all loops."""
    pump, gate = machine.build_pump(), machine.gate_settings()
    ripple = (np.arange(SECONDS) % 3).astype(np.float64)
    pressure: Floats = PRESSURE * pump.rated_pressure + 1e5 * ripple
    rate = np.asarray(event_rate(pump.displacement, gate.nominal_area, pressure, 293.15))
    samples = samples_of(
        (np.arange(SECONDS) + 1) * 10**9,
        pressure=pressure,
        rate=rate,
        stroke_count=np.floor(np.cumsum(rate)),
    )
    machine.build_sight().learn_many(samples, gate.nominal_area)
    watcher = machine.build_watcher()
    watcher.learn_many(rows(samples, 0, -1))
    watcher.learn_many(rows(samples, -1))  # as it comes live
    ramp_over_step(np.ones(FEWEST, RING), Step(0, 0.0, 0.0), 1.0)

"""The process: signals, the service manager, the page, the senders, and the watch itself."""

from __future__ import annotations

import asyncio
import contextlib
import faulthandler
import functools
import os
import signal
import socket
import sqlite3
import sys
import threading
import time
from collections.abc import AsyncGenerator, Callable, Coroutine, Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any, NoReturn

import structlog

from borewarden.collect.link import Received
from borewarden.service.disk_room import follow_room
from borewarden.service.effects import Effects
from borewarden.service.first_compile import compile_first
from borewarden.service.listening import (
    ask_for_descriptors,
    quiet_about_sockets,
    serve_when_free,
)
from borewarden.service.mailing import Mailing
from borewarden.service.messages import Acknowledgement, Block, Person, Queue, Shelving
from borewarden.service.own_health import Health
from borewarden.service.publishing import PublishSettings, publish
from borewarden.service.retention import prune_daily
from borewarden.service.status import MachineStatus
from borewarden.service.watch import watch
from borewarden.service.web import Acknowledge, Shelve, page_app
from borewarden.settings import MachineSettings
from borewarden.settings.service import ServiceSettings
from borewarden.store import influx, mails
from borewarden.store.owner import owned

log = structlog.get_logger("borewarden")


LONGEST_WAIT = 20.0  # s for the disk to take what somebody entered
RESTORE_TIME = 900  # s for one machine, however many there are
LONGEST_STOP = 9.0  # s, whatever hangs


def notify(message: str) -> None:
    """Send the service manager a message, if there is one: sd_notify(3), by its socket."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    address = "\0" + address[1:] if address.startswith("@") else address
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, contextlib.suppress(OSError):
        manager.setblocking(False)  # whoever does not read what comes is not to hold up the watch
        manager.sendto(message.encode(), address)


def ask_for_time(machine: str) -> None:
    """Tell the service manager that a machine is being restored, which may take a while."""
    notify(f"EXTEND_TIMEOUT_USEC={RESTORE_TIME * 1_000_000}\nSTATUS=restoring {machine}")


async def feed_watchdog() -> None:
    """Show the service manager that the loop is alive, twice as often as it asks."""
    interval = int(os.environ.get("WATCHDOG_USEC", "0")) / 2e6
    while interval > 0.0:
        notify("WATCHDOG=1")
        await asyncio.sleep(interval)


async def run(
    machines: list[MachineSettings],
    store: Path,
    sources: Mapping[str, AsyncGenerator[Received, None]],
    service: ServiceSettings,
    tell_page: Callable[[str], None],
) -> NoReturn:
    """Watch those of `machines` that have a source, until SIGTERM or SIGINT, or all sources end.

    The others are counted by hand, on the page, whose address `tell_page` gets once it is there.
    With none to watch it runs until a signal.

    It ends the process: with exit code 0, or with another one once it has logged why.
    """
    stop = _stop_by_signal()
    ask_for_descriptors()
    quiet_about_sockets(asyncio.get_running_loop())
    beside: list[asyncio.Task[Any]] = []
    health = Health()

    def start(name: str, work: Coroutine[Any, Any, Any]) -> None:
        task = asyncio.create_task(work, name=name)
        task.add_done_callback(_say_why_it_ended)
        beside.append(task)

    def started(
        connection: sqlite3.Connection, statuses: dict[str, MachineStatus], queue: Queue
    ) -> Effects:
        effects = Effects(
            connection,
            statuses,
            service.alarm_settings(),
            service.sight_alarm_settings(),
            to_influx=service.influx is not None,
            to_mail=service.mail is not None,
            health=health,
        )
        health.undelivered.update(mails.undelivered(connection))

        if service.page.port:
            app = page_app(
                store,
                statuses,
                *_from_people(effects, statuses, queue),
                longest_shelving=service.alarm.longest_shelving,
                page=service.page,
                health=health,
                by_hand=[machine for machine in machines if machine.source is None],
            )
            start("page", serve_when_free(app, service.page))
            tell_page(service.page.address)
        if service.influx is not None:
            report, refused = health.report(influx.SINK), health.refused(influx.SINK)
            to = service.influx_settings()
            start("influx", influx.forward(store, to, report=report, refused=refused))
        for name, work in _for_screens(statuses, service, health):
            start(name, work)
        if service.mail is not None:
            start("mail", Mailing(store, service.mail_settings(), health).run())
        start("prune", prune_daily(store, machines, service.store))
        start("disk", follow_room(store, health.room))
        start("watchdog", feed_watchdog())
        notify("READY=1")
        log.info("watching", machines=list(statuses), store=str(store))
        return effects

    watched = [machine for machine in machines if machine.source is not None]
    every = service.store.commit_every
    work = watch(watched, store, sources, started, ask_for_time, health.keeping, every)
    watching = asyncio.create_task(_alone(store, watched, work))
    _leave(await _until_stopped(watching, stop, beside))


def _for_screens(
    statuses: Mapping[str, MachineStatus], service: ServiceSettings, health: Health
) -> Iterator[tuple[str, Coroutine[Any, Any, None]]]:
    """What shows the verdicts to a shop's own screens, by its name."""
    if service.publish is not None:
        yield "publish", publish(statuses, _broker(service), health.report("mqtt"))
    if service.opc_ua is not None:
        from borewarden.service.opcua_face import offer  # its server is slow to import

        yield "opc ua", offer(statuses, service.opc_ua.port, health.report("opc ua"))


def _stop_by_signal() -> asyncio.Event:
    """What is set once SIGTERM or SIGINT has come.

    A thread hears of it, so that a disk that holds up the event loop does not hold up the end.
    """
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    hears, tells = socket.socketpair()
    tells.setblocking(False)
    signal.set_wakeup_fd(tells.fileno())
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda number, frame: None)

    def wait() -> None:
        with hears, tells:
            hears.recv(1)
            loop.call_soon_threadsafe(stop.set)
            _end_in_time()

    threading.Thread(target=wait, name="signals", daemon=True).start()
    return stop


def _end_in_time() -> None:
    """Have the process end in `LONGEST_STOP`, with exit code 1 and all stacks, if it has not."""
    with contextlib.suppress(AttributeError, ValueError, OSError, RuntimeError):  # no stderr
        faulthandler.dump_traceback_later(LONGEST_STOP, exit=True)


def _leave(code: int) -> NoReturn:
    """End the process now that all is kept.

    The interpreter's own end takes seconds, waits for every thread, be it for a name server, and
    frees what a compiler in another thread still uses.
    """
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, ValueError, OSError):
            stream.flush()
    os._exit(code)


def _broker(service: ServiceSettings) -> PublishSettings:
    assert service.publish is not None
    return PublishSettings(**service.publish.model_dump(), password=service.publish_password)


async def _alone(
    store: Path, machines: list[MachineSettings], work: Coroutine[Any, Any, None]
) -> None:
    """Do `work` as the owner of `store`. Raises BadInput if somebody else is that."""
    with closing(work), owned(store, "borewarden watch"):
        ask_for_time("the loops")
        await compile_first(machines)
        await work


async def _until_stopped(
    watching: asyncio.Task[None], stop: asyncio.Event, beside: list[asyncio.Task[Any]]
) -> int:
    """Wait until the watch ends or `stop` is set, then end all. The exit code: 0 if stopped."""
    stopping = asyncio.create_task(stop.wait())
    await asyncio.wait({watching, stopping}, return_when=asyncio.FIRST_COMPLETED)
    if not stop.is_set():
        _end_in_time()
    notify("STOPPING=1")
    for task in (watching, stopping, *beside):
        task.cancel()
    await asyncio.gather(stopping, *beside, return_exceptions=True)
    try:
        await watching
    except asyncio.CancelledError:
        log.info("stopped")
    except BaseExceptionGroup as group:
        for error in group.exceptions:
            log.error("failed", reason=f"{type(error).__name__}: {error}")
        return 1
    except (sqlite3.Error, OSError, ValueError) as error:  # such as a store that can't be opened
        log.error("failed", reason=f"{type(error).__name__}: {error}")
        return 2
    else:
        log.info("stopped")
    return 0


def _from_people(
    effects: Effects, statuses: dict[str, MachineStatus], queue: Queue
) -> tuple[Acknowledge, Shelve]:
    """What the page calls when somebody acknowledges or shelves; see `page_app`.

    Both return once it is kept, and raise TimeoutError if that takes too long.
    """

    async def acknowledge(machine: str, who: Person) -> bool:
        if machine not in statuses or not effects.has_open(machine):
            return False
        await _until_kept(queue, functools.partial(Acknowledgement, machine, who))
        log.info("acknowledged", machine=machine, by=who.name)
        return True

    async def shelve(machine: str, who: Person, until_ns: int | None) -> bool:
        now_ns = time.time_ns()
        if until_ns is not None:
            effects.check_shelving(now_ns, until_ns)
        elif not effects.is_shelved(machine):
            return False
        await _until_kept(queue, functools.partial(Shelving, machine, who, now_ns, until_ns))
        log.info("unshelved" if until_ns is None else "shelved", machine=machine, by=who.name)
        return True

    return acknowledge, shelve


async def _until_kept(queue: Queue, block: Callable[..., Block]) -> None:
    """Hand over a block of somebody who is told that it was done, and so has to wait for that."""
    kept = asyncio.get_running_loop().create_future()
    await queue.put(block(kept=kept))
    async with asyncio.timeout(LONGEST_WAIT):
        await kept


def _say_why_it_ended(task: asyncio.Task[Any]) -> None:
    if not task.cancelled() and (error := task.exception()) is not None:
        log.error("ended", task=task.get_name(), failed=f"{type(error).__name__}: {error}")

"""The page's socket and its server: how many may come at once, and for how long they may dawdle.

Nothing that happens at the page may cost the watch its file descriptors or its time.
"""

from __future__ import annotations

import asyncio
import socket
import sys
from collections.abc import Generator
from contextlib import contextmanager
from typing import Any

import structlog
import uvicorn
from starlette.applications import Starlette
from uvicorn.protocols.http.h11_impl import H11Protocol

from borewarden.base.hosts import is_loopback
from borewarden.base.plain_errors import plain_reason
from borewarden.settings.service import PageSection

log = structlog.get_logger("borewarden")

DESCRIPTORS = 8192  # that are asked of the system
RESERVED = 100  # of them for the store, the controllers and the mail
MOST_CONNECTIONS = 4096
MOST_FROM_ONE = 64  # connections from one address of the network; a browser takes six
BACKLOG = 128  # that are taken in one go
REQUEST_TIME = 10.0  # s until the headers have to be there
SILENT_TIME = 30_000  # ms until a peer that takes nothing is given up
QUIET = 60.0  # s between two lines in the log about one thing


async def serve_page(app: Starlette, page: PageSection) -> None:
    """Serve `app` until cancelled; open streams are then ended first.

    Raises OSError if nothing can listen there. Signals are left to the caller.
    """
    # our own socket: uvicorn would end the whole process if the port is taken
    family = socket.AF_INET6 if ":" in page.host else socket.AF_INET
    plain = socket.create_server((page.host, page.port), family=family)
    with _Door(fileno=plain.detach()) as listening:
        config = uvicorn.Config(
            app,
            http=_Connection,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            backlog=BACKLOG,
            timeout_graceful_shutdown=3,
            # only of a proxy on this computer do we believe for whom it asks
            proxy_headers=page.is_behind_proxy,
            forwarded_allow_ips=["127.0.0.1", "::1"],
            ssl_certfile=page.certificate,
            ssl_keyfile=page.key,
        )
        server = _Server(config)
        app.state.stopping.clear()
        serving = asyncio.create_task(server.serve(sockets=[listening]))
        try:
            await asyncio.shield(serving)
        finally:
            app.state.stopping.set()
            server.should_exit = True
            await serving


async def serve_when_free(app: Starlette, page: PageSection, wait: float = 30.0) -> None:
    """`serve_page`, tried again every `wait` s while nothing can listen there.

    A missing page must not end the watch, and the watch must not lose its page for good.
    """
    while True:
        try:
            await serve_page(app, page)
            return
        except OSError as error:
            failed = plain_reason(error)
            log.error("page", host=page.host, port=page.port, failed=failed, retry_s=wait)
            await asyncio.sleep(wait)


def ask_for_descriptors() -> None:
    """Have the system let this process open as many files as it may, up to `DESCRIPTORS`."""
    if sys.platform == "win32":
        return
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = DESCRIPTORS if hard == resource.RLIM_INFINITY else min(DESCRIPTORS, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def quiet_about_sockets(loop: asyncio.AbstractEventLoop) -> None:
    """Have `loop` say in one line, and not too often, that no connection can be taken.

    asyncio says so for each connection of its backlog, each time with a traceback.
    """
    said_at = float("-inf")

    def handle(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        nonlocal said_at
        if not str(context.get("message", "")).startswith("socket.accept()"):
            loop.default_exception_handler(context)
        elif loop.time() - said_at > QUIET:
            said_at = loop.time()
            log.error("page", failed=f"no connection can be taken: {context.get('exception')}")

    loop.set_exception_handler(handle)


def _highest_descriptor() -> int:
    if sys.platform == "win32":
        return MOST_CONNECTIONS
    import resource

    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = MOST_CONNECTIONS if soft == resource.RLIM_INFINITY else soft - RESERVED
    return min(max(most, RESERVED), MOST_CONNECTIONS)


class _Door(socket.socket):
    """Hangs up on whoever would take the last file descriptors, before TLS or anything else.

    A new descriptor has the lowest number that is free (POSIX, 2.14), so its number tells how
    many are in use.
    """

    def __init__(self, fileno: int) -> None:
        super().__init__(fileno=fileno)
        self.highest = _highest_descriptor()
        for option, value in (
            # by these the system gives up whoever is gone, or reads nothing; they are inherited
            ("TCP_USER_TIMEOUT", SILENT_TIME),
            ("TCP_KEEPIDLE", 60),
        ):
            if hasattr(socket, option):
                self.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
        self.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection; BlockingIOError, as if there were none, if there is no room."""
        connection, address = super().accept()
        if connection.fileno() >= self.highest:
            connection.close()
            raise BlockingIOError
        return connection, address


class _Connection(H11Protocol):
    """uvicorn's, which waits no longer than `REQUEST_TIME` for the headers of a request."""

    _too_late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait."""
        super().connection_made(transport)
        peer = self.client[0] if self.client else ""
        if not is_loopback(peer):
            others = (each.client for each in self.connections if isinstance(each, H11Protocol))
            if sum(other is not None and other[0] == peer for other in others) > MOST_FROM_ONE:
                transport.abort()
                return
        self._begin_to_wait()

    def data_received(self, data: bytes) -> None:
        """Take what came, and see whether it is a request by now."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._end_waiting()
        elif self._too_late is None:
            self._begin_to_wait()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is not HTTP; whoever is answering the request it belongs to gets no word in.

        h11 would raise an error, and uvicorn log it with a traceback, for each.
        """
        cycle = self.cycle
        is_answered = cycle is not None and not cycle.response_complete
        if cycle is not None and is_answered:
            cycle.disconnected = True
            cycle.message_event.set()
            if cycle.response_started:
                self.transport.abort()
                return
        super().send_400_response(msg)

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing to wait for."""
        self._end_waiting()
        super().connection_lost(exc)

    def _begin_to_wait(self) -> None:
        self._too_late = self.loop.call_later(REQUEST_TIME, self.transport.abort)

    def _end_waiting(self) -> None:
        if self._too_late is not None:
            self._too_late.cancel()
            self._too_late = None


class _Server(uvicorn.Server):
    """uvicorn as one task of a service that handles signals itself."""

    @contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Leave them alone."""
        yield

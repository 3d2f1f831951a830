"""The live page, its stream, and what other programs may read, over HTTP on loopback.

All of it only reads, except `POST /acknowledge`, `/shelve`, `/unshelve` and `/count`. A browser on
the same computer may have anybody's web site open too, so a request must be for this host (against
DNS rebinding) and a post must come from this page (against cross-site requests).
"""

from __future__ import annotations

import asyncio
import dataclasses
import datetime as dt
import gzip
import json
import math
import socket
import sqlite3
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Generator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import structlog
import uvicorn
from plotly.offline import get_plotlyjs
from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from borewarden.alert.alarm import AlarmSettings
from borewarden.base.plain import json_text
from borewarden.base.plain_errors import plain_reason
from borewarden.base.shown import shown_in
from borewarden.base.text import span_words
from borewarden.base.times import local_time
from borewarden.inspection.cautions import CAUTIONS
from borewarden.service.count_page import count_routes
from borewarden.service.health import Age, health_troubles, sight_words
from borewarden.service.machine_view import (
    alert_rows,
    aside_words,
    batches_since,
    card,
    history,
    sample_age,
)
from borewarden.service.metrics import latency_quantiles, metrics_text
from borewarden.service.own_health import Health
from borewarden.service.status import MachineStatus
from borewarden.settings import MachineSettings
from borewarden.show.figures import GAP_NS
from borewarden.show.pages import template_environment
from borewarden.show.report import ONSET
from borewarden.show.style import PALETTE, TICK_FORMATS, css_palette
from borewarden.show.wording import ALERT_COLUMNS, headline
from borewarden.store.database import open_to_read
from borewarden.store.outbox import Backlog, backlogs
from borewarden.store.queries import newest_batch

log = structlog.get_logger("borewarden")

LOOPBACK = ("127.0.0.1", "localhost", "[::1]", "::1")
LONGEST_HISTORY = 24.0 * 366.0  # h
LARGEST_FORM = 4096  # bytes
LONGEST_NAME = 80  # characters
EVENT_INTERVAL = 1.0  # s
SHELVING = (3600.0, 4 * 3600.0, 8 * 3600.0, 86400.0, 3 * 86400.0)  # s, offered besides the longest

# plotly.js makes two style elements: an empty one, whose rules it adds by script, and one for its
# maps. This page draws no map: if another version of plotly.js brings another one, the browser
# refuses it, and all that changes is a line in its console.
PLOTLY_STYLES = (
    "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=' "
    "'sha256-ji27qzEtxXZW+7dun6UwjHXJ18e6WAin1VvNtkzIE/o='"
)
HEADERS = {
    "content-security-policy": (
        f"default-src 'none'; script-src 'self'; style-src 'self' {PLOTLY_STYLES}; "
        "img-src 'self' data:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    # not "no-referrer": the browser would then send "Origin: null" with the acknowledgement
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}

Statuses = dict[str, MachineStatus]
Acknowledge = Callable[[str, str], Awaitable[bool]]
Shelve = Callable[[str, str, int | None], Awaitable[bool]]


def page_app(
    store: Path,
    statuses: Statuses,
    acknowledge: Acknowledge,
    shelve: Shelve,
    longest_shelving: float = AlarmSettings.longest_shelving,
    hosts: Sequence[str] = (),
    health: Health | None = None,
    by_hand: Sequence[MachineSettings] = (),
) -> Starlette:
    """The application. `statuses` is read for each answer; the service keeps it up to date.

    `acknowledge(machine, by)` is awaited when somebody acknowledges, and says whether there was
    anything to acknowledge. `shelve(machine, by, until_ns)` is awaited when somebody shelves until
    then or ends the shelving (None), and says whether anything was shelved; it raises ValueError
    for an end that is not allowed. `longest_shelving`, s, is the longest time offered. `hosts` are
    further names for the page, besides those of loopback, for example behind a reverse proxy.
    `health` is what the watcher knows of itself, also kept up to date. `by_hand` are the machines
    that nobody can read, for the page of counts.
    """
    app = Starlette(
        routes=[
            *_read_routes(store, statuses, longest_shelving, health or Health()),
            *_write_routes(statuses, acknowledge, shelve),
            *count_routes(store, statuses, by_hand, _form),
            Route("/palette.css", _palette),
            Route("/plotly.min.js", _plotly),
            Mount("/static", StaticFiles(packages=[("borewarden.show", "static")])),
        ],
        middleware=[
            Middleware(_with_headers),
            Middleware(
                TrustedHostMiddleware, allowed_hosts=[*LOOPBACK, *hosts], www_redirect=False
            ),
        ],
    )
    app.state.stopping = asyncio.Event()
    return app


def _read_routes(
    store: Path, statuses: Statuses, longest_shelving: float, own: Health
) -> list[Route]:
    """The page and its stream, and what other programs may read."""
    age = sample_age()

    async def show(request: Request) -> Response:
        return HTMLResponse(_page_text(longest_shelving), headers={"cache-control": "no-cache"})

    async def events(request: Request) -> Response:
        stream = _events(store, statuses, age, own, request.app.state.stopping)
        return StreamingResponse(
            stream, media_type="text/event-stream", headers={"cache-control": "no-store"}
        )

    async def past(request: Request) -> Response:
        status = _machine(statuses, request.query_params.get("machine", ""))
        hours = _hours(request.query_params.get("hours", "8"))

        def read() -> dict[str, Any]:
            with open_to_read(store) as connection:
                return history(connection, status, hours)

        try:
            return _json(await asyncio.to_thread(read))
        except sqlite3.Error as error:
            raise HTTPException(503, f"the store can't be read: {error}") from error

    async def status_of_all(request: Request) -> Response:
        outbox = await asyncio.to_thread(_backlogs, store)
        return _json(
            {
                "machines": {name: _status(each) for name, each in statuses.items()},
                "outbox": {sink: backlog._asdict() for sink, backlog in outbox.items()},
                "service": own.as_json(),
            }
        )

    async def health(request: Request) -> Response:
        troubles, its_own = health_troubles(statuses, age, time.time_ns()), own.troubles()
        is_well = not troubles and not its_own
        told = {"healthy": is_well, "troubles": troubles, "service": its_own}
        return _json(told, 200 if is_well else 503)

    async def metrics(request: Request) -> Response:
        newest = await asyncio.to_thread(_newest_batches, store, list(statuses))
        outbox = await asyncio.to_thread(_backlogs, store)
        return Response(
            metrics_text(statuses, newest, outbox, own),
            media_type="text/plain; version=0.0.4; charset=utf-8",
        )

    return [
        Route("/", show),
        Route("/events", events),
        Route("/history", past),
        Route("/status", status_of_all),
        Route("/healthz", health),
        Route("/metrics", metrics),
    ]


def _write_routes(statuses: Statuses, acknowledge: Acknowledge, shelve: Shelve) -> list[Route]:
    """What the page may post."""

    async def take_note(request: Request) -> Response:
        machine, by = _machine_and_person(statuses, await _form(request))
        if not await acknowledge(machine, by):
            raise HTTPException(409, "there is nothing to acknowledge")
        return _json({"acknowledged": machine, "by": by})

    async def put_on_the_shelf(request: Request) -> Response:
        form = await _form(request)
        machine, by = _machine_and_person(statuses, form)
        until_ns = _until_ns(form.get("until", "").strip())
        try:
            await shelve(machine, by, until_ns)
        except ValueError as error:
            raise HTTPException(422, str(error)) from None
        return _json({"shelved": machine, "by": by, "until_ns": until_ns})

    async def take_off_the_shelf(request: Request) -> Response:
        machine, by = _machine_and_person(statuses, await _form(request))
        if not await shelve(machine, by, None):
            raise HTTPException(409, "this machine is not shelved")
        return _json({"unshelved": machine, "by": by})

    return [
        Route("/acknowledge", take_note, methods=["POST"]),
        Route("/shelve", put_on_the_shelf, methods=["POST"]),
        Route("/unshelve", take_off_the_shelf, methods=["POST"]),
    ]


async def serve_page(app: Starlette, host: str = "127.0.0.1", port: int = 8787) -> None:
    """Serve `app` until cancelled; open streams are then ended first.

    Raises OSError if nothing can listen there. Signals are left to the caller.
    """
    # our own socket: uvicorn would end the whole process if the port is taken
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.create_server((host, port), family=family) as listening:
        config = uvicorn.Config(
            app,
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=3,
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


async def serve_when_free(app: Starlette, host: str, port: int, wait: float = 30.0) -> None:
    """`serve_page`, tried again every `wait` s while nothing can listen there.

    A missing page must not end the watch, and the watch must not lose its page for good.
    """
    while True:
        try:
            await serve_page(app, host, port)
            return
        except OSError as error:
            log.error("page", host=host, port=port, failed=plain_reason(error), retry_s=wait)
            await asyncio.sleep(wait)


class _Server(uvicorn.Server):
    """uvicorn as one task of a service that handles signals itself."""

    @contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Leave them alone."""
        yield


# -- the page


@lru_cache
def _page_text(longest_shelving: float) -> str:
    look = {
        "palette": PALETTE,
        "onset": ONSET._asdict(),
        "gapNs": GAP_NS,
        "tickFormats": TICK_FORMATS,
    }
    return (
        template_environment()
        .get_template("page.html")
        .render(
            cautions=CAUTIONS,
            columns=ALERT_COLUMNS,
            look=json.dumps(look),
            shelving=[
                (round(seconds), span_words(seconds))
                for seconds in (*(s for s in SHELVING if s < longest_shelving), longest_shelving)
            ],
        )
    )


async def _palette(request: Request) -> Response:
    """The colours, which `static/page.css` uses."""
    return Response(css_palette(), media_type="text/css", headers={"cache-control": "no-cache"})


@lru_cache
def _plotly_gzip() -> bytes:
    return gzip.compress(get_plotlyjs().encode(), mtime=0)


async def _plotly(request: Request) -> Response:
    """plotly.js from plotly's own package, so that the page needs no internet."""
    headers = {"content-encoding": "gzip", "cache-control": "max-age=86400"}
    body = await asyncio.to_thread(_plotly_gzip)
    return Response(body, media_type="text/javascript", headers=headers)


async def _events(
    store: Path, statuses: Statuses, age: Age, own: Health, stopping: asyncio.Event
) -> AsyncIterator[str]:
    """Server-sent events: all cards, and the batches that are new since the last event."""
    after: dict[str, int] = {}
    yield "retry: 2000\n\n"
    while not stopping.is_set():
        now_ns = time.time_ns()
        is_stored = not own.keeping.failed
        cards = []
        for name, status in statuses.items():
            with shown_in(status.units):
                undelivered = " ".join(filter(None, map(own.undelivered_words, (name, ""))))
                cards.append(card(status, age(status, now_ns), undelivered, is_stored))
        stored = await asyncio.to_thread(_add_stored, store, list(statuses.values()), cards, after)
        said = (own.keeping.trouble(), own.disk_trouble(), stored["problem"])
        problem = " ".join(filter(None, said))
        foot = (own.outage_words(), stored["aside"], own.room_words())
        aside = " ".join(filter(None, foot))
        told = {"cards": cards, "now_ms": now_ns // 10**6, "problem": problem, "aside": aside}
        yield f"event: cards\ndata: {json_text(told)}\n\n"
        try:
            await asyncio.wait_for(stopping.wait(), EVENT_INTERVAL)
        except TimeoutError:
            continue


def _add_stored(
    store: Path, machines: list[MachineStatus], cards: list[dict[str, Any]], after: dict[str, int]
) -> dict[str, str]:
    """Put alerts and new batches into `cards`, and move `after` on.

    Returns words for the whole page: `problem`, what is wrong with the store, and `aside`, what
    was not sent. Each is empty if there is nothing to say.
    """
    problem = aside = ""
    for each in cards:
        each["alerts"], each["batches"] = [], {}
    try:
        with open_to_read(store) as connection:
            for status, each in zip(machines, cards, strict=True):
                each["alerts"] = alert_rows(connection, status)
                if status.name not in after:  # the page asks for the history itself
                    newest = newest_batch(connection, status.name)
                    after[status.name] = newest.get("end_ns", 0)
                new = batches_since(connection, status, after[status.name])
                each["batches"] = new
                after[status.name] = max(new["end_ns"], default=after[status.name])
            aside = aside_words(backlogs(connection))
    except sqlite3.Error as error:
        problem = f"The store can't be read: {error}."
    return {"problem": problem, "aside": aside}


def _newest_batches(store: Path, names: list[str]) -> dict[str, dict[str, Any]]:
    """The newest batch of each machine; empty while there is no store."""
    try:
        with open_to_read(store) as connection:
            return {name: newest_batch(connection, name) for name in names}
    except sqlite3.Error:
        return {}


def _backlogs(store: Path) -> dict[str, Backlog]:
    """The outbox by sink; empty if the store can't be read."""
    try:
        with open_to_read(store) as connection:
            return backlogs(connection)
    except sqlite3.Error:
        return {}


# -- for other programs


def _status(status: MachineStatus) -> dict[str, Any]:
    verdict, sight = status.verdict, status.sight
    return {
        **dataclasses.asdict(status),
        "verdict": {
            **dataclasses.asdict(verdict),
            "ne107": verdict.state.ne107,
            "headline": headline(verdict),
            "local_time": local_time(verdict.time_ns, status.time_zone),
        },
        "sight": {
            "is_seen": status.is_seen,
            "usable_ns": None if sight.usable is None else sight.usable_ns,
            "reasons": sight.reasons,
            "doubts": sight.doubts,
            "words": "" if status.is_seen else sight_words(status),
        },
        "latency_s": {
            f"p{100.0 * quantile:g}": seconds
            for quantile, seconds in latency_quantiles(status).items()
        },
    }


def _json(value: Any, status_code: int = 200) -> Response:
    headers = {"cache-control": "no-store"}
    return Response(json_text(value), status_code, headers, media_type="application/json")


# -- what comes in


def _machine(statuses: Statuses, name: str) -> MachineStatus:
    if name not in statuses:
        raise HTTPException(404, f"no machine {name!r}; known: {', '.join(statuses)}")
    return statuses[name]


def _hours(text: str) -> float:
    try:
        hours = float(text)
    except ValueError:
        hours = math.nan
    if not 0.0 < hours <= LONGEST_HISTORY:
        raise HTTPException(400, f"hours must be above 0 and at most {LONGEST_HISTORY:.0f}")
    return hours


async def _form(request: Request) -> dict[str, str]:
    """The fields of a form; HTTPException if it does not come from this page."""
    origin = request.headers.get("origin", "")
    if urlsplit(origin).netloc != request.headers.get("host"):
        raise HTTPException(403, "only borewarden's own page may send this")
    if request.headers.get("content-type", "").partition(";")[0] != (
        "application/x-www-form-urlencoded"
    ):
        raise HTTPException(415, "send a form")
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_FORM:
            raise HTTPException(413, f"send at most {LARGEST_FORM} bytes")
    form = parse_qs(body.decode("utf-8", "replace"))
    return {name: values[0] for name, values in form.items()}


def _machine_and_person(statuses: Statuses, form: dict[str, str]) -> tuple[str, str]:
    machine, by = form.get("machine", ""), form.get("by", "").strip()
    if not by or len(by) > LONGEST_NAME or not by.isprintable():
        raise HTTPException(422, f"enter your name, at most {LONGEST_NAME} characters")
    _machine(statuses, machine)
    return machine, by


def _until_ns(text: str) -> int:
    try:
        until = dt.datetime.fromisoformat(text)
    except ValueError:
        until = None
    if until is None or until.tzinfo is None:
        raise HTTPException(
            422, f'{text!r} is not a time with a zone; give one such as "2026-03-05T14:00+01:00"'
        )
    return int(until.timestamp()) * 10**9


def _with_headers(app: ASGIApp) -> ASGIApp:
    """Put `HEADERS` on every answer of `app`."""

    async def wrapped(scope: Scope, receive: Receive, send: Send) -> None:
        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        await app(scope, receive, send_with_headers if scope["type"] == "http" else send)

    return wrapped

"""The live page, its stream, and what other programs may read, over HTTP.

All of it only reads, except the login and `POST /acknowledge`, `/shelve`, `/unshelve` and `/count`.
Who may do what is up to `doors`, how many may come at once to `listening`.
"""

from __future__ import annotations

import asyncio
import copy
import dataclasses
import datetime as dt
import gzip
import json
import math
import random
import sqlite3
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

import structlog
from plotly.offline import get_plotlyjs
from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from borewarden.alert.alarm import AlarmSettings
from borewarden.base.plain import json_text
from borewarden.base.text import span_words
from borewarden.base.times import local_time
from borewarden.inspection.cautions import CAUTIONS
from borewarden.service.count_page import count_routes
from borewarden.service.doors import LONGEST_NAME, Doors, Guard, read_form
from borewarden.service.health import health_troubles, sight_words
from borewarden.service.login_page import login_routes
from borewarden.service.machine_view import (
    headline_now,
    history,
    sample_age,
)
from borewarden.service.messages import Person
from borewarden.service.metrics import latency_quantiles, metrics_text
from borewarden.service.own_health import Health
from borewarden.service.snapshot import EVENT_INTERVAL, Snapshot
from borewarden.service.status import MachineStatus
from borewarden.settings import MachineSettings
from borewarden.settings.service import PageSection
from borewarden.show.figures import GAP_NS
from borewarden.show.learned_words import HEAD_COLUMNS
from borewarden.show.pages import template_environment
from borewarden.show.report import ONSET
from borewarden.show.style import PALETTE, TICK_FORMATS, css_palette
from borewarden.show.wording import ALERT_COLUMNS, HEADS
from borewarden.store.accounts import Account
from borewarden.store.database import open_to_read
from borewarden.store.outbox import Backlog, backlogs
from borewarden.store.queries import newest_batch
from borewarden.watcher.monitor import RECENT
from borewarden.watcher.verdict import Verdict

log = structlog.get_logger("borewarden")

NOT_YET = "the disk has not taken it yet; this page shows it once it has"
LONGEST_HISTORY = 24.0 * 366.0  # h
MOST_STREAMS = 2000
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
Acknowledge = Callable[[str, Person], Awaitable[bool]]
Shelve = Callable[[str, Person, int | None], Awaitable[bool]]


def page_app(
    store: Path,
    statuses: Statuses,
    acknowledge: Acknowledge,
    shelve: Shelve,
    longest_shelving: float = AlarmSettings.longest_shelving,
    page: PageSection | None = None,
    health: Health | None = None,
    by_hand: Sequence[MachineSettings] = (),
) -> Starlette:
    """The application. `statuses` is read for each answer; the service keeps it up to date.

    `acknowledge(machine, who)` is awaited when somebody acknowledges, and says whether there was
    anything to acknowledge. `shelve(machine, who, until_ns)` is awaited when somebody shelves until
    then or ends the shelving (None), and says whether anything was shelved; it raises ValueError
    for an end that is not allowed. Both return once that is kept, and raise TimeoutError if it is
    not in time. `longest_shelving`, s, is the longest time offered. `page` says
    where the page is and by what names it goes. `health` is what the watcher knows of itself, also
    kept up to date. `by_hand` are the machines that nobody can read, for the page of counts.
    """
    doors = Doors(store, page or PageSection())
    app = Starlette(
        routes=[
            *_read_routes(store, statuses, longest_shelving, health or Health()),
            *_write_routes(statuses, acknowledge, shelve),
            *login_routes(store, doors),
            *count_routes(store, statuses, by_hand),
            Route("/palette.css", _palette),
            Route("/plotly.min.js", _plotly),
            Mount("/static", StaticFiles(packages=[("borewarden.show", "static")])),
        ],
        middleware=[
            Middleware(_with_headers),
            Middleware(Guard, doors=doors),
        ],
        exception_handlers={TimeoutError: _not_yet},
    )
    app.state.stopping = asyncio.Event()
    return app


def _read_routes(
    store: Path, statuses: Statuses, longest_shelving: float, own: Health
) -> list[Route]:
    """The page and its stream, and what other programs may read."""
    age = sample_age()

    async def show(request: Request) -> Response:
        text = _page_text(longest_shelving, request.state.account)
        return HTMLResponse(text, headers={"cache-control": "no-cache"})

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
        now, its_own = [copy.copy(each) for each in statuses.values()], own.as_json()

        def told() -> Response:  # in a thread: samples are not to wait for a thousand machines
            return _json(
                {
                    "machines": {each.name: _status(each) for each in now},
                    "outbox": {sink: each._asdict() for sink, each in _backlogs(store).items()},
                    "service": its_own,
                }
            )

        return await asyncio.to_thread(told)

    async def health(request: Request) -> Response:
        troubles, its_own = health_troubles(statuses, age, time.time_ns()), own.troubles()
        is_well = not troubles and not its_own
        told: dict[str, Any] = {"healthy": is_well}
        if request.state.is_in:
            told |= {"troubles": troubles, "service": its_own}
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
        _stream_route(Snapshot(store, statuses, age, own)),
        Route("/history", past),
        Route("/status", status_of_all),
        Route("/healthz", health),
        Route("/metrics", metrics),
    ]


def _stream_route(snapshot: Snapshot) -> Route:
    """The stream of events, for so many pages at once."""
    streams: set[object] = set()

    async def events(request: Request) -> Response:
        if len(streams) >= MOST_STREAMS:
            raise HTTPException(503, "too many pages are open", {"retry-after": "10"})
        state, stopping = request.state, request.app.state.stopping

        async def counted() -> AsyncIterator[bytes]:
            this = object()
            streams.add(this)
            try:
                async for event in _events(snapshot, state.doors, state.session, stopping):
                    yield event
            finally:
                streams.discard(this)

        return StreamingResponse(
            counted(),
            media_type="text/event-stream",
            # nginx would gather the events to larger pieces
            headers={"cache-control": "no-store", "x-accel-buffering": "no"},
        )

    return Route("/events", events)


def _write_routes(statuses: Statuses, acknowledge: Acknowledge, shelve: Shelve) -> list[Route]:
    """What the page may post."""

    async def take_note(request: Request) -> Response:
        machine, who = _machine_and_person(statuses, request, await read_form(request))
        if not await acknowledge(machine, who):
            raise HTTPException(409, "there is nothing to acknowledge")
        return _json({"acknowledged": machine, "by": who.name})

    async def put_on_the_shelf(request: Request) -> Response:
        form = await read_form(request)
        machine, who = _machine_and_person(statuses, request, form)
        until_ns = _until_ns(form.get("until", "").strip())
        try:
            await shelve(machine, who, until_ns)
        except ValueError as error:
            raise HTTPException(422, str(error)) from None
        return _json({"shelved": machine, "by": who.name, "until_ns": until_ns})

    async def take_off_the_shelf(request: Request) -> Response:
        machine, who = _machine_and_person(statuses, request, await read_form(request))
        if not await shelve(machine, who, None):
            raise HTTPException(409, "this machine is not shelved")
        return _json({"unshelved": machine, "by": who.name})

    return [
        Route("/acknowledge", take_note, methods=["POST"]),
        Route("/shelve", put_on_the_shelf, methods=["POST"]),
        Route("/unshelve", take_off_the_shelf, methods=["POST"]),
    ]


async def _not_yet(request: Request, error: Exception) -> Response:
    """The answer to whoever entered something that is not kept in time."""
    return PlainTextResponse(NOT_YET, 503)


# -- the page


@lru_cache
def _page_text(longest_shelving: float, account: Account | None) -> str:
    look = {
        "palette": PALETTE,
        "onset": ONSET._asdict(),
        "gapNs": GAP_NS,
        "recent": RECENT,
        "tickFormats": TICK_FORMATS,
    }
    return (
        template_environment()
        .get_template("page.html")
        .render(
            account=account,
            may_act=account is None or account.may("act"),
            cautions=CAUTIONS,
            columns=ALERT_COLUMNS,
            head_columns=HEAD_COLUMNS,
            heads_title=HEADS,
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
    snapshot: Snapshot, doors: Doors, session: str | None, stopping: asyncio.Event
) -> AsyncIterator[bytes]:
    """Server-sent events, until the session is over: all cards, and the newest batches."""
    yield b"retry: 2000\n\n"
    pause = random.uniform(0.1, EVENT_INTERVAL)  # or all pages come back in step after a restart
    while not stopping.is_set():
        await doors.refresh()
        if doors.asks and doors.account(session) is None:
            return
        yield await snapshot.newest()
        with suppress(TimeoutError):
            async with asyncio.timeout(pause):
                await stopping.wait()
        pause = EVENT_INTERVAL


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
        **_fields(status),
        "verdict": {
            **_fields(verdict),
            "ne107": verdict.state.ne107,
            "headline": headline_now(status),
            "local_time": local_time(verdict.time_ns, status.time_zone),
        },
        "sight": {
            "is_seen": status.is_seen,
            "is_proven": status.is_proven,
            "jet_age_s": status.jet_age,
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


def _fields(record: MachineStatus | Verdict) -> dict[str, Any]:
    """The fields as they are; `dataclasses.asdict` would copy each of a thousand latencies."""
    return {each.name: getattr(record, each.name) for each in dataclasses.fields(record)}


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


def _machine_and_person(
    statuses: Statuses, request: Request, form: dict[str, str]
) -> tuple[str, Person]:
    machine, by = form.get("machine", ""), form.get("by", "").strip()
    if not by or len(by) > LONGEST_NAME or not by.isprintable():
        raise HTTPException(422, f"enter your name, at most {LONGEST_NAME} characters")
    _machine(statuses, machine)
    return machine, Person(by, request.state.account is not None)


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

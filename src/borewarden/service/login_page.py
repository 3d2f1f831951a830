"""The login, the logout, and the trail of who did what."""

from __future__ import annotations

import asyncio
import sqlite3
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from borewarden.base.times import computer_zone, local_time
from borewarden.service.doors import Doors, address_of, read_form
from borewarden.show.pages import template_environment
from borewarden.store.accounts import trail
from borewarden.store.database import open_to_read

SHOWN = 500  # lines of the trail
NO_STORE = {"cache-control": "no-store"}


def login_routes(store: Path, doors: Doors) -> list[Route]:
    """What is behind `/login`, `/logout`, `/session` and `/trail`."""

    async def show(request: Request) -> Response:
        if request.state.is_in:
            return RedirectResponse("./", 303)
        return _login("", 200)

    async def take(request: Request) -> Response:
        form = await read_form(request)
        name, password = form.get("name", ""), form.get("password", "")
        try:
            made = await doors.log_in(name, password, address_of(request))
        except HTTPException as refused:
            return _login(f"{refused.detail}.", refused.status_code, dict(refused.headers or {}))
        if made is None:
            return _login("Name or password is wrong.", 401)
        host = request.headers.get("host", "")
        answer = RedirectResponse("./", 303, NO_STORE)
        token, _ = made
        answer.set_cookie(
            doors.cookie(host),
            token,
            max_age=round(doors.page.log_in_every),
            secure=doors.is_secure(host),
            httponly=True,
            samesite="strict",
        )
        return answer

    async def leave(request: Request) -> Response:
        await read_form(request)
        if request.state.account is not None:
            await doors.log_out(request.state.session, address_of(request))
        host = request.headers.get("host", "")
        answer = RedirectResponse("login", 303, NO_STORE)
        answer.delete_cookie(
            doors.cookie(host), secure=doors.is_secure(host), httponly=True, samesite="strict"
        )
        return answer

    async def is_in(request: Request) -> Response:
        """For the page's script, which can't see why a stream has ended."""
        return PlainTextResponse("", 204, NO_STORE)

    return [
        Route("/login", show, methods=["GET"]),
        Route("/login", take, methods=["POST"]),
        Route("/logout", leave, methods=["POST"]),
        Route("/session", is_in),
        trail_route(store),
    ]


def trail_route(store: Path) -> Route:
    """Who did what, for the role that may see it."""

    async def show_trail(request: Request) -> Response:
        try:
            text = await asyncio.to_thread(_trail_page, store)
        except sqlite3.Error as error:
            raise HTTPException(503, f"the store can't be read: {error}") from error
        return HTMLResponse(text, headers=NO_STORE)

    return Route("/trail", show_trail)


def _login(wrong: str, code: int, headers: dict[str, str] | None = None) -> Response:
    text = template_environment().get_template("login.html").render(wrong=wrong)
    return HTMLResponse(text, code, {**NO_STORE, **(headers or {})})


def _trail_page(store: Path) -> str:
    zone = computer_zone()
    with open_to_read(store) as connection:
        steps = trail(connection, SHOWN)
    rows = [
        (
            local_time(step.time_ns, zone),
            step.by if step.account else f"{step.by} (name not checked)",
            step.what,
            step.machine,
            step.words,
            step.origin,
        )
        for step in steps
    ]
    return template_environment().get_template("trail.html").render(rows=rows, most=SHOWN)

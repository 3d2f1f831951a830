"""Who comes in at the page, and what they may do there.

A page that only this computer can reach is open to whoever sits at it, unless there are accounts.
Any other asks for a login. Every request has to name a host that is ours (against DNS rebinding),
and every post has to come from this page (against cross-site requests).
"""

from __future__ import annotations

import asyncio
import ipaddress
import sqlite3
import time
from collections import OrderedDict
from collections.abc import Callable
from functools import partial
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import structlog
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, HTTPConnection, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from borewarden.base.errors import BadInput
from borewarden.base.hosts import is_loopback, without_port
from borewarden.service.passwords import digest, is_right, new_token
from borewarden.settings.service import PageSection
from borewarden.store.accounts import (
    Account,
    Session,
    Step,
    accounts,
    begin_session,
    end_session,
    note,
    sessions,
)
from borewarden.store.database import open_store, open_to_read, transaction

log = structlog.get_logger("borewarden")

OPEN_TO_ALL = ("/login", "/palette.css", "/healthz", "/static/")  # without a login
OF_PEOPLE = ("/", "/count", "/trail")  # pages: whoever is not logged in is led to the login
NEEDS_SET = ("/trail",)
LARGEST_FORM = 4096  # bytes
FORM_TIME = 10.0  # s for all of a form
LOOK = 2.0  # s from one look at the accounts to the next
BY_ADDRESS = (5.0, 30.0)  # logins at once, and s until there is one more
BY_NAME = (20.0, 10.0)
MOST_COUNTED = 10_000  # addresses and names
MOST_WAITING = 8  # logins; each password takes 64 MiB and a moment
LONGEST_NAME = 80  # characters


class LoginLimit:
    """How often a password may be tried: token buckets by address and by name."""

    def __init__(self) -> None:
        self.buckets: OrderedDict[tuple[str, str], tuple[float, float]] = OrderedDict()

    def wait(self, address: str, name: str, now: float) -> float:
        """Seconds until the next try is allowed; 0, and it counts, if it is allowed now."""
        keys = {("address", _network(address)): BY_ADDRESS, ("name", name): BY_NAME}
        held = {}
        for key, (most, each) in keys.items():
            tokens, at = self.buckets.get(key, (most, now))
            held[key] = min(tokens + (now - at) / each, most)
        wait = max((1.0 - held[key]) * each for key, (_, each) in keys.items())
        if wait > 0.0:
            return wait
        for key, tokens in held.items():
            self.buckets[key] = (tokens - 1.0, now)
            self.buckets.move_to_end(key)
        while len(self.buckets) > MOST_COUNTED:
            self.buckets.popitem(last=False)
        return 0.0

    def forget(self, address: str) -> None:
        """Whoever has logged in may do so again."""
        self.buckets.pop(("address", _network(address)), None)


def _network(address: str) -> str:
    """Of IPv6, the network that one customer has; of IPv4, the address."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv4Address):
        return address
    return str(ipaddress.ip_network((parsed, 64), strict=False))


class Doors:
    """Accounts and sessions as the store has them, looked at again every few seconds."""

    def __init__(self, store: Path, page: PageSection) -> None:
        self.store = store
        self.page = page
        self.accounts: dict[str, Account] = {}
        self.sessions: dict[str, Session] = {}
        self.unsaved: dict[str, Session] = {}  # while the disk takes nothing
        self.read_at = float("-inf")
        self.limit = LoginLimit()
        self.hashing = asyncio.Lock()
        self.waiting = 0
        self.names = {each.strip("[]").lower() for each in (page.host, *page.names)}

    @property
    def asks(self) -> bool:
        """Whether the page asks for a login."""
        return self.page.is_open or bool(self.accounts)

    async def refresh(self) -> None:
        """Look at the accounts again if it is time; what was known stays if that can't be."""
        if time.monotonic() - self.read_at < LOOK:
            return
        self.read_at = time.monotonic()
        try:
            self.accounts, self.sessions = await asyncio.to_thread(self._read)
        except sqlite3.Error as error:
            if self.read_at != float("-inf"):
                log.debug("accounts", failed=str(error))

    def _read(self) -> tuple[dict[str, Account], dict[str, Session]]:
        with open_to_read(self.store) as connection:
            return accounts(connection), sessions(connection)

    def account(self, token: str | None) -> Account | None:
        """Whose session that is, by the digest of its token; None if it is nobody's, or over."""
        session = self.sessions.get(token or "") or self.unsaved.get(token or "")
        if session is None or session.until_ns < time.time_ns():
            return None
        return self.accounts.get(session.name)

    def is_named(self, host: str, is_local: bool) -> bool:
        """Whether a `Host` header is a name of this page; loopback's only on loopback itself."""
        name = without_port(host)
        return name in self.names or (is_local and is_loopback(name))

    def is_secure(self, host: str) -> bool:
        """Whether whoever uses this name comes over TLS, be it ours or that of a proxy."""
        if self.page.certificate is not None:
            return True
        return not is_loopback(without_port(host)) and not self.page.clear_password

    def cookie(self, host: str) -> str:
        """The cookie's name; of one with this prefix browsers know that it is for TLS only."""
        return "__Host-borewarden" if self.is_secure(host) else "borewarden"

    async def log_in(self, name: str, password: str, address: str) -> tuple[str, Session] | None:
        """The token of a new session; None if name or password is wrong.

        Raises HTTPException if it has been tried too often.
        """
        wait = self.limit.wait(address, name, time.monotonic())
        if wait > 0.0 or self.waiting >= MOST_WAITING:
            seconds = {"retry-after": str(int(wait) + 1)}
            words = f"too many logins: try again in {int(wait) + 1} s"
            raise HTTPException(429, words, seconds)
        self.read_at = float("-inf")
        await self.refresh()
        account = self.accounts.get(name)
        kept = None if account is None else account.password
        self.waiting += 1
        try:
            async with self.hashing:
                is_in = await asyncio.to_thread(is_right, kept, password)
        finally:
            self.waiting -= 1
        said = name if name.isprintable() else repr(name)
        if not is_in:
            log.warning("login failed", by=said[:LONGEST_NAME], origin=address)
            await self.keep(said[:LONGEST_NAME], False, address, "login failed")
            return None
        self.limit.forget(address)
        token = new_token()
        session = Session(name, time.time_ns() + round(self.page.log_in_every * 1e9))
        key = digest(token)
        self.unsaved[key] = session
        if await self.keep(
            name, True, address, "logged in", lambda c: begin_session(c, key, session)
        ):
            self.sessions[key] = self.unsaved.pop(key)
        return token, session

    async def log_out(self, token: str, address: str) -> None:
        """End the session of that digest."""
        account = self.account(token)
        self.unsaved.pop(token, None)
        self.sessions.pop(token, None)
        name = "" if account is None else account.name
        await self.keep(name, True, address, "logged out", partial(end_session, token=token))

    async def keep(
        self,
        by: str,
        is_account: bool,
        address: str,
        what: str,
        change: Callable[[sqlite3.Connection], None] = lambda connection: None,
    ) -> bool:
        """Change the store, with a line of the trail; whether that could be."""
        step = Step(time.time_ns(), by, is_account, address, what, "", "")

        def write() -> None:
            with open_store(self.store) as connection, transaction(connection):
                change(connection)
                note(connection, step)

        try:
            await asyncio.to_thread(write)
        except sqlite3.Error as error:
            log.error("trail", not_kept=what, by=by, origin=address, failed=str(error))
            return False
        return True


def check_accounts(store: Path, page: PageSection, settings: Path) -> None:
    """Raise BadInput if others could reach the page and nobody could log in."""
    if page.port == 0 or not page.is_open:
        return
    try:
        with open_to_read(store) as connection:
            if accounts(connection):
                return
    except sqlite3.OperationalError:  # no store yet
        pass
    raise BadInput(
        settings,
        "page",
        "others can reach this page, and there is no account to log in with",
        f"make one: borewarden account add NAME --role set --store {store}; or leave host and "
        "names out: then only this computer reaches it",
    )


class Guard:
    """Lets through who may do what is asked, and says who that is: `request.state.account`."""

    def __init__(self, app: ASGIApp, doors: Doors) -> None:
        self.app = app
        self.doors = doors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        answer = await self._refusal(scope) if scope["type"] == "http" else Response("", 404)
        await (answer or self.app)(scope, receive, send)

    async def _refusal(self, scope: Scope) -> Response | None:
        doors, asked = self.doors, HTTPConnection(scope)
        host = asked.headers.get("host", "")
        is_local = is_loopback((scope.get("server") or ("",))[0])
        if not doors.is_named(host, is_local):
            words = (
                "this page does not go by that name: [page] names in service.toml has those it has"
            )
            return PlainTextResponse(words, 400)
        await doors.refresh()
        token = asked.cookies.get(doors.cookie(host), "")
        scheme, _, bearer = asked.headers.get("authorization", "").partition(" ")
        is_reading = scope["method"] in ("GET", "HEAD")
        if scheme.lower() == "bearer" and is_reading:
            token = bearer.strip()
        key = digest(token) if token else None
        account = doors.account(key)
        state = scope.setdefault("state", {})
        state["account"], state["session"], state["doors"] = account, key, doors
        state["is_in"] = account is not None or not doors.asks
        path = scope["path"]
        if state["is_in"] or any(
            path.startswith(each) if each.endswith("/") else path == each for each in OPEN_TO_ALL
        ):
            role = "set" if path in NEEDS_SET else "look" if is_reading else "act"
            if account is None or account.may(role) or path == "/logout":
                return None
            return PlainTextResponse(f"this needs an account with the role {role!r}", 403)
        if is_reading and path in OF_PEOPLE:
            return RedirectResponse("login", 303)
        return PlainTextResponse("log in first", 401, {"www-authenticate": "Bearer"})


def address_of(request: Request) -> str:
    """Where a request comes from."""
    return request.client.host if request.client else ""


async def read_form(request: Request) -> dict[str, str]:
    """The fields of a form; HTTPException if it does not come from this page.

    Whoever is logged in is `by`, whatever the form says.
    """
    doors: Doors = request.state.doors
    host = request.headers.get("host", "")
    origin = urlsplit(request.headers.get("origin", ""))
    if origin.netloc != host or (doors.is_secure(host) and origin.scheme != "https"):
        raise HTTPException(403, "only borewarden's own page may send this")
    if request.headers.get("content-type", "").partition(";")[0] != (
        "application/x-www-form-urlencoded"
    ):
        raise HTTPException(415, "send a form")
    body = b""
    try:
        async with asyncio.timeout(FORM_TIME):
            async for part in request.stream():
                body += part
                if len(body) > LARGEST_FORM:
                    raise HTTPException(413, f"send at most {LARGEST_FORM} bytes")
    except ClientDisconnect:
        raise HTTPException(400, "the form ended too soon") from None
    except TimeoutError:
        raise HTTPException(408, "the form came too slowly") from None
    try:
        fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=100)
    except ValueError:
        raise HTTPException(413, "send at most 100 fields") from None
    form = {name: values[0] for name, values in fields.items()}
    if request.state.account is not None:
        form["by"] = request.state.account.name
    return form

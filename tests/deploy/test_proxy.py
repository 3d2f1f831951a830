"""The page behind nginx, with the very file of deploy/nginx: TLS, names, buttons, events."""

from __future__ import annotations

import http.client
import os
import re
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import trustme

from borewarden.service.messages import Person
from borewarden.store.accounts import trail
from borewarden.store.database import open_store, open_to_read
from doors_page import PASSWORD, Page, account, asked

RECIPE = Path(__file__).parents[2] / "deploy" / "nginx" / "borewarden.conf"
NGINX = shutil.which("nginx", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
NAME = "bore.shop.example"

needs_nginx = pytest.mark.skipif(
    NGINX is None and os.environ.get("BOREWARDEN_REQUIRE_SERVERS") != "1",
    reason="nginx is missing; Debian's package `nginx` has it",
)


class Proxied:
    """The page as people reach it: by name, through nginx, over TLS."""

    def __init__(self, page: Page, port: int, trust: ssl.SSLContext) -> None:
        self.page, self.port, self.trust = page, port, trust

    def connected(self) -> http.client.HTTPSConnection:
        plain = socket.create_connection(("127.0.0.1", self.port), timeout=30)
        connection = http.client.HTTPSConnection(NAME, self.port, timeout=30)
        connection.sock = self.trust.wrap_socket(plain, server_hostname=NAME)
        return connection

    def ask(self, method: str, path: str, form: dict[str, str] | None = None, **more: str) -> Any:
        origin = f"https://{NAME}:{self.port}"
        return asked(self.connected(), origin, method, path, form, **more)


@pytest.fixture
def proxied(tmp_path: Path) -> Iterator[Proxied]:
    assert NGINX is not None, "nginx is missing"
    store = tmp_path / "borewarden.db"
    with open_store(store):
        pass
    assert account(store, "add", "ada", "--role", "act").exit_code == 0
    page = Page(store, names=[NAME])
    authority = trustme.CA()
    made = authority.issue_cert(NAME)
    made.private_key_pem.write_to_path(tmp_path / "page.key")
    made.cert_chain_pems[0].write_to_path(tmp_path / "page.pem")
    trust = ssl.create_default_context()
    authority.configure_trust(trust)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    recipe = RECIPE.read_text(encoding="utf-8")
    for stated, here in (
        ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
        ("/etc/borewarden/tls", str(tmp_path)),
        ("127.0.0.1:8787", f"127.0.0.1:{page.port}"),
    ):
        assert stated in recipe
        recipe = recipe.replace(stated, here)
    places = " ".join(
        f"{kind}_temp_path {tmp_path}/{kind};"
        for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    main = tmp_path / "nginx.conf"
    main.write_text(
        f"daemon off; worker_processes 1; pid {tmp_path}/pid; error_log {tmp_path}/errors;\n"
        f"events {{}}\nhttp {{ access_log off; {places}\n{recipe}\n}}\n",
        encoding="utf-8",
    )
    nginx = subprocess.Popen([NGINX, "-c", str(main), "-p", str(tmp_path)])
    until = time.monotonic() + 30.0
    while True:
        with socket.socket() as there:
            if there.connect_ex(("127.0.0.1", port)) == 0:
                break
        assert nginx.poll() is None
        assert time.monotonic() < until
        time.sleep(0.02)
    yield Proxied(page, port, trust)
    nginx.terminate()
    nginx.wait(30)
    page.end()


@needs_nginx
def test_page_behind_nginx(proxied: Proxied) -> None:
    """One story, since each start takes a second: in, look, press, hear, out."""
    assert proxied.ask("GET", "/")[1]["location"] == "login"
    code, told, _ = proxied.ask("POST", "/login", {"name": "ada", "password": PASSWORD})
    assert (code, told["location"]) == (303, "./")
    assert re.match(r"__Host-borewarden=[\w-]{43}; HttpOnly; .*; Secure$", told["set-cookie"])
    cookie = told["set-cookie"].partition(";")[0]

    assert proxied.ask("GET", "/status", Cookie=cookie)[0] == 200
    form = {"machine": "North"}
    assert proxied.ask("POST", "/acknowledge", form, Cookie=cookie)[0] == 200
    assert proxied.page.acknowledged == [("North", Person("ada", True))]
    for origin in (f"https://{NAME}", f"http://{NAME}:{proxied.port}", "https://evil.example"):
        code, _, _ = proxied.ask("POST", "/acknowledge", form, Cookie=cookie, Origin=origin)
        assert code == 403
    assert proxied.ask("GET", "/status", Cookie=cookie, Host="evil.example")[0] == 400
    assert proxied.ask("GET", "/status", Cookie=cookie, Host="127.0.0.1")[0] == 401

    events = proxied.connected()
    events.request("GET", "/events", headers={"Cookie": cookie})
    stream = events.getresponse()
    lines = [stream.readline() for _ in range(5)]
    assert lines[0] == b"retry: 2000\n"
    assert b"event: cards\n" in lines
    events.close()
    assert proxied.ask("POST", "/logout", {}, Cookie=cookie)[0] == 303
    assert proxied.ask("GET", "/session", Cookie=cookie)[0] == 401


@needs_nginx
def test_limit_on_logins_goes_by_the_browsers_address(proxied: Proxied) -> None:
    """And not by what it says of itself, nor by the proxy's, which everybody shares."""
    codes = [
        proxied.ask(
            "POST", "/login", {"name": "ada", "password": "wrong"}, X_Forwarded_For=f"192.0.2.{n}"
        )[0]
        for n in range(7)
    ]
    assert codes == [401] * 5 + [429] * 2
    with open_to_read(proxied.page.store) as connection:
        origins = {step.origin for step in trail(connection, 5)}
    assert origins == {"127.0.0.1"}

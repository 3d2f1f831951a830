"""Who comes in at the page: accounts, sessions, names, posts, and what the trail says of it."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import re
import select
import socket
import sqlite3
import ssl
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
import trustme
from argon2 import PasswordHasher
from selenium.webdriver import Chrome
from selenium.webdriver.common.keys import Keys
from structlog.testing import capture_logs
from typer.testing import CliRunner

from borewarden.base.errors import BadInput
from borewarden.cli import app
from borewarden.service import doors, listening, passwords
from borewarden.service.doors import LoginLimit, check_accounts
from borewarden.service.messages import Acknowledgement, Person
from borewarden.service.passwords import hashed, is_right, weakness
from borewarden.settings.service import PageSection, load_service
from borewarden.store.accounts import (
    ROLES,
    Account,
    accounts,
    remove_account,
    set_account,
)
from borewarden.store.database import open_store, open_to_read
from browsing import machine_card, see, severe, text
from doors_page import PASSWORD, Page, account, north_status, steps

Open = Callable[..., Page]


@pytest.fixture(autouse=True)
def quick_hashes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same hashes with the least memory and one pass, but for the test of passwords."""
    if "argon2" not in request.node.name:
        quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
        monkeypatch.setattr(passwords, "_hasher", quick)
        passwords._of_nobody.cache_clear()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "borewarden.db"
    with open_store(path):
        pass
    return path


@pytest.fixture
def open_page(store: Path) -> Iterator[Open]:
    pages: list[Page] = []

    def make(**page: Any) -> Page:
        pages.append(Page(store, **page))
        return pages[-1]

    yield make
    for each in pages:
        each.end()


@pytest.fixture
def staff(store: Path) -> Path:
    """A store with an account of each role."""
    with open_store(store) as connection:
        for name in ROLES:
            set_account(connection, Account(name, name, passwords.hashed(PASSWORD)))
    return store


# -- what the settings and the start ask for


@pytest.mark.parametrize(
    ("page", "said"),
    [
        ('host = "0.0.0.0"', 'names = ["bore.shop.example"'),
        ('host = "::"', "every address of this computer"),
        ('host = "192.0.2.7"', "in clear text"),
        ('host = "0.0.0.0"\nnames = ["bore.shop.example"]', "or say clear_password = true"),
        ('names = ["https://bore.shop.example"]', "without http://"),
        ('names = ["*"]', "not the name or address"),
        ('names = ["bore.shop.example:8787"]', "without a port"),
        ('certificate = "page.pem"', "belong together"),
        ('certificate = "page.pem"\nkey = "page.key"', "there is no file"),
        ('log_in_every = "1 s"', "out of range"),
    ],
)
def test_page_that_would_be_unsafe_is_refused(tmp_path: Path, page: str, said: str) -> None:
    file = tmp_path / "service.toml"
    file.write_text(f"[page]\n{page}\n")
    with pytest.raises(BadInput) as refused:
        load_service(file)
    assert said in str(refused.value)


def test_certificate_and_key_have_to_fit(tmp_path: Path) -> None:
    authority = trustme.CA()
    for name in ("one", "two"):
        made = authority.issue_cert("bore.shop.example")
        made.private_key_pem.write_to_path(tmp_path / f"{name}.key")
        made.cert_chain_pems[0].write_to_path(tmp_path / f"{name}.pem")
    file = tmp_path / "service.toml"
    file.write_text('[page]\ncertificate = "one.pem"\nkey = "two.key"\n')
    with pytest.raises(BadInput, match="can't be used"):
        load_service(file)
    file.write_text('[page]\ncertificate = "one.pem"\nkey = "one.key"\n')
    assert load_service(file).page.certificate == tmp_path / "one.pem"


@pytest.mark.parametrize(
    ("page", "is_open"),
    [
        ({}, False),
        ({"names": ["localhost"]}, False),
        ({"names": ["bore.shop.example"]}, True),
        ({"host": "192.0.2.7", "clear_password": True}, True),
        ({"host": "0.0.0.0", "names": ["192.0.2.7"], "clear_password": True}, True),
    ],
)
def test_without_an_account_nobody_else_may_reach_it(
    store: Path, page: dict[str, Any], is_open: bool
) -> None:
    section, settings = PageSection(**page), Path("service.toml")
    assert section.is_open is is_open
    for where in (store, store.with_name("none.db")):
        if is_open:
            with pytest.raises(BadInput, match="borewarden account add NAME --role set"):
                check_accounts(where, section, settings)
        else:
            check_accounts(where, section, settings)
    assert account(store, "add", "ada", "--role", "set").exit_code == 0
    check_accounts(store, section, settings)


@pytest.mark.parametrize(
    ("page", "address"),
    [
        ({}, "http://127.0.0.1:8787/"),
        ({"host": "::1", "port": 80}, "http://[::1]:80/"),
        ({"names": ["bore.shop.example"]}, "http://127.0.0.1:8787/"),  # behind a proxy
        ({"host": "0.0.0.0", "names": ["192.0.2.7"], "clear_password": True},
         "http://192.0.2.7:8787/"),
        ({"certificate": "one.pem", "key": "key.pem"}, "https://127.0.0.1:8787/"),
    ],
)  # fmt: skip
def test_the_address_that_is_printed_leads_to_the_page(page: dict[str, Any], address: str) -> None:
    assert PageSection(**page).address == address


def test_watch_without_an_account_does_not_start(tmp_path: Path, store: Path) -> None:
    machine = Path(__file__).parents[2] / "config" / "live" / "north-modbus.toml"
    (tmp_path / "north.toml").write_text(machine.read_text())
    (tmp_path / "service.toml").write_text('[page]\nnames = ["bore.shop.example"]\n')
    done = CliRunner().invoke(app, ["watch", "--config", str(tmp_path), "--store", str(store)])
    assert done.exit_code == 2
    assert "others can reach this page" in done.output
    assert f"borewarden account add NAME --role set --store {store}" in done.output


# -- accounts


def test_passwords_are_kept_by_argon2_and_weak_ones_refused(store: Path) -> None:
    assert account(store, "add", "ada", "--role", "act").exit_code == 0
    with open_to_read(store) as connection:
        kept = accounts(connection)["ada"].password
    assert kept.startswith("$argon2id$")
    assert is_right(kept, PASSWORD)
    for password in (PASSWORD + " ", "", "\0"):
        assert not is_right(kept, password)
    assert not is_right(None, PASSWORD)
    assert not is_right("no hash at all", PASSWORD)
    assert hashed(PASSWORD) != kept  # its own salt
    for password in ("short", "a" * 12, "grace is the very best", "x" * 201):
        assert weakness("grace", password)
        assert account(store, "add", "grace", "--role", "act", password=password).exit_code == 2
    for file in store.parent.glob("borewarden.db*"):
        assert PASSWORD.encode() not in file.read_bytes()


def test_account_commands_say_what_is_wrong(store: Path) -> None:
    assert "no such account" in account(store, "remove", "ada").output
    assert account(store, "add", "ada", "--role", "look").exit_code == 0
    assert "such an account already" in account(store, "add", "ada", "--role", "set").output
    assert account(store, "add", "a\nb", "--role", "set").exit_code == 2
    assert account(store, "add", "grace", "--role", "root").exit_code == 2
    assert account(store, "role", "ada", "set").exit_code == 0
    assert account(store, "password", "ada", password=PASSWORD[::-1]).exit_code == 0
    listed = json.loads(account(store, "list", "--json").output)
    assert listed == [{"name": "ada", "role": "set", "logins": 0}]
    assert account(store, "remove", "ada").exit_code == 0
    done = json.loads(account(store, "trail", "--json").output)
    assert [step["what"] for step in reversed(done)] == [
        "account added", "role changed", "password changed", "account removed",
    ]  # fmt: skip
    assert "account removed" in account(store, "trail").output


# -- coming in


def test_nobody_sees_anything_without_a_login(staff: Path, open_page: Open) -> None:
    page = open_page()
    for path in ("/", "/count", "/trail"):
        code, told, _ = page.ask("GET", path)
        assert (code, told["location"]) == (303, "login")
    for path in (
        "/status",
        "/metrics",
        "/events",
        "/session",
        "/history?machine=North",
        "/nowhere",
    ):
        assert page.ask("GET", path)[0] == 401
    for path in ("/acknowledge", "/shelve", "/unshelve", "/count", "/logout"):
        assert page.ask("POST", path, {"machine": "North", "by": "Ada"})[0] == 401
    code, _, body = page.ask("GET", "/healthz")
    assert json.loads(body) == {"healthy": code == 200}  # and nothing more
    assert page.ask("GET", "/login")[0] == page.ask("GET", "/static/page.css")[0] == 200
    for path in ("/static/../status", "/static/%2e%2e/status", "//status", "/STATUS", "/status/"):
        assert page.ask("GET", path)[0] in (401, 404)
    assert page.acknowledged == []


def test_roles_allow_what_they_say(staff: Path, open_page: Open) -> None:
    page = open_page()
    codes = {}
    for role in ("look", "act", "set"):
        cookie = page.cookie(role)
        codes[role] = [
            page.ask("GET", "/status", Cookie=cookie)[0],
            page.ask("POST", "/acknowledge", {"machine": "North"}, Cookie=cookie)[0],
            page.ask("GET", "/trail", Cookie=cookie)[0],
        ]
        shown = page.ask("GET", "/", Cookie=cookie)[2].decode()
        assert ('action="acknowledge"' in shown) is (role != "look")
        assert ('href="trail"' in shown) is (role == "set")
        assert "Your name" not in shown
    assert codes == {"look": [200, 403, 403], "act": [200, 200, 403], "set": [200, 200, 200]}
    # whoever is logged in has done it, whatever the form says
    page.ask("POST", "/acknowledge", {"machine": "North", "by": "Eve"}, Cookie=page.cookie("act"))
    assert page.acknowledged[-1] == ("North", Person("act", True))


def test_session_is_a_cookie_that_scripts_and_other_sites_do_not_get(
    staff: Path, open_page: Open
) -> None:
    page = open_page()
    code, told, _ = page.log_in("act")
    assert code == 303
    cookie = told["set-cookie"]
    assert re.match(
        r"borewarden=[\w-]{43}; HttpOnly; Max-Age=43200; Path=/; SameSite=strict$", cookie
    )
    token = cookie.partition(";")[0]
    assert page.ask("GET", "/session", Cookie=token)[0] == 204
    for wrong in (token[:-1], "borewarden=", "borewarden=act", token.replace("=", "=\0")):
        assert page.ask("GET", "/session", Cookie=wrong.replace("\0", "%00"))[0] == 401
    with open_to_read(staff) as connection:
        dump = "\n".join(connection.iterdump())
    assert token.partition("=")[2] not in dump
    code, told, _ = page.ask("POST", "/logout", {}, Cookie=token)
    assert (code, told["location"]) == (303, "login")
    assert 'borewarden="";' in told["set-cookie"]
    assert page.ask("GET", "/session", Cookie=token)[0] == 401


def test_session_ends_with_its_time_its_account_and_its_password(
    staff: Path, open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "LOOK", 0.0)
    page = open_page()

    def ended(*change: str) -> bool:
        token = page.cookie("act")
        assert page.ask("GET", "/session", Cookie=token)[0] == 204
        done = account(staff, *change, password=PASSWORD)
        assert done.exit_code == 0, done.output
        return page.ask("GET", "/session", Cookie=token)[0] == 401

    assert ended("role", "act", "look")
    assert ended("password", "act")
    token = page.cookie("act")
    with open_store(staff) as connection:
        connection.execute("UPDATE session SET until_ns = ?", (time.time_ns(),))
    assert page.ask("GET", "/session", Cookie=token)[0] == 401
    assert ended("remove", "act")
    assert page.log_in("act")[0] == 401


def test_stream_ends_with_the_session(
    staff: Path, open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "LOOK", 0.0)
    page = open_page()
    connection = http.client.HTTPConnection("127.0.0.1", page.port, timeout=30)
    connection.request("GET", "/events", headers={"Cookie": page.cookie("look")})
    answer = connection.getresponse()
    assert answer.readline() == b"retry: 2000\n"
    assert account(staff, "remove", "look").exit_code == 0
    assert answer.read().count(b"event: cards") <= 3  # and then it ends
    connection.close()


def test_sessions_outlive_a_restart(staff: Path, open_page: Open) -> None:
    token = open_page().cookie("look")
    assert open_page().ask("GET", "/status", Cookie=token)[0] == 200


def test_program_reads_with_a_token(staff: Path, open_page: Open) -> None:
    page = open_page()
    made = account(staff, "token", "set", "--days", "30")
    bearer = f"Bearer {made.output.strip()}"
    assert page.ask("GET", "/metrics", Authorization=bearer)[0] == 200
    assert page.ask("POST", "/acknowledge", {"machine": "North"}, Authorization=bearer)[0] == 401
    for wrong in (bearer[:-1], "Bearer", "Basic c2V0OnNldA==", "bearer \t"):
        assert page.ask("GET", "/metrics", Authorization=wrong)[0] == 401
    assert page.acknowledged == []


def test_first_account_locks_a_page_of_loopback_too(
    store: Path, open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "LOOK", 0.0)
    page = open_page()
    assert page.ask("GET", "/status")[0] == 200
    form = {"machine": "North", "by": "Ada"}
    assert page.ask("POST", "/acknowledge", form)[0] == 200
    assert page.acknowledged == [("North", Person("Ada", False))]
    assert page.ask("GET", "/login")[1]["location"] == "./"
    account(store, "add", "ada", "--role", "look")
    assert page.ask("GET", "/status")[0] == 401


def test_somebody_logs_in_with_a_browser(
    staff: Path, open_page: Open, browser: Chrome, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "LOOK", 0.0)
    page = open_page()
    browser.get(f"http://127.0.0.1:{page.port}/")
    see(browser, lambda: browser.title.startswith("Log in"))
    for name, typed in (("name", "set"), ("password", PASSWORD + Keys.ENTER)):
        browser.find_element("name", name).send_keys(typed)
    see(browser, lambda: browser.find_elements("css selector", ".card"))
    assert text(machine_card(browser), "h2") == "North"
    assert browser.find_elements("name", "by") == []
    browser.find_element("link text", "Who did what").click()
    see(browser, lambda: "logged in" in browser.find_element("tag name", "table").text)
    browser.back()
    see(browser, lambda: browser.find_elements("css selector", ".card"))
    with open_store(staff) as connection:  # and somebody takes the account away
        remove_account(connection, "set")
    see(browser, lambda: browser.title.startswith("Log in"))
    assert [each for each in severe(browser) if "Content Security" in each["message"]] == []


# -- guessing


def test_passwords_can_be_tried_only_so_often(staff: Path, open_page: Open) -> None:
    page = open_page()
    codes = [page.log_in("act", f"guess {n}")[0] for n in range(7)]
    assert codes == [401] * 5 + [429] * 2
    code, told, body = page.log_in("act")
    assert (code, int(told["retry-after"]) <= 31) == (429, True)
    assert b"too many logins" in body
    assert page.log_in("nobody")[0] == 429  # it is the address that counts
    failed = [step for step in steps(staff) if step[2] == "login failed"]
    assert failed == [("act", False, "login failed")] * 5  # and not one for each that was refused


def test_limit_is_by_address_and_by_name_and_forgets(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    limit = LoginLimit()
    assert [limit.wait("192.0.2.1", "ada", 0.0) for _ in range(6)] == [0.0] * 5 + [30.0]
    assert limit.wait("192.0.2.2", "ada", 0.0) == 0.0
    assert limit.wait("192.0.2.1", "ada", 31.0) == 0.0
    limit.forget("192.0.2.1")
    assert limit.wait("192.0.2.1", "ada", 31.0) == 0.0
    # many addresses, one name
    tries = [limit.wait(f"198.51.100.{n}", "grace", 0.0) for n in range(30)]
    assert (tries[:20], tries[20]) == ([0.0] * 20, 10.0)
    # one customer's IPv6 network is one address
    six = [limit.wait(f"2001:db8::{n}", f"n{n}", 0.0) for n in range(6)]
    assert six == [0.0] * 5 + [30.0]
    monkeypatch.setattr(doors, "MOST_COUNTED", 100)
    for n in range(200):
        limit.wait(f"2001:db8:{n:x}::1", f"m{n}", 0.0)
    assert len(limit.buckets) == 100


def test_wrong_name_and_wrong_password_look_alike(staff: Path, open_page: Open) -> None:
    page = open_page()
    told = [page.log_in(name, "not the password")[::2] for name in ("act", "nobody", "", "\n")]
    assert len(set(told)) == 1
    assert told[0][0] == 401
    assert page.ask("POST", "/login", {})[0] == 401


# -- names and posts


def test_only_stated_names_are_answered(staff: Path, open_page: Open) -> None:
    page = open_page(names=["bore.shop.example", "192.0.2.7", "[2001:db8::7]"])
    for host in ("bore.shop.example", "BORE.shop.example:443", "192.0.2.7:8787", "[2001:db8::7]",
                 "127.0.0.1", f"localhost:{page.port}", "[::1]:1"):  # fmt: skip
        assert page.ask("GET", "/login", Host=host)[0] == 200
    others = """rebound.example bore.shop.example.a.example 0.0.0.0 192.0.2.70 [2001:db8::8] [
        bore.shop.example@a.example 127.0.0.1.a.example"""
    for host in ("", *others.split()):
        assert page.ask("GET", "/login", Host=host)[0] == 400


def test_loopback_names_are_for_loopback_only(staff: Path, open_page: Open) -> None:
    page = open_page(host="0.0.0.0", names=["bore.shop.example"], clear_password=True)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # sends nothing
            own = asked.getsockname()[0]
        except OSError:
            pytest.skip("this computer has no address but loopback")
    codes = {}
    for host in ("127.0.0.1", "localhost", "bore.shop.example"):
        connection = http.client.HTTPConnection(own, page.port, timeout=30)
        connection.request("GET", "/login", headers={"Host": host})
        codes[host] = connection.getresponse().status
        connection.close()
    assert codes == {"127.0.0.1": 400, "localhost": 400, "bore.shop.example": 200}


def test_posts_of_other_sites_are_refused(staff: Path, open_page: Open) -> None:
    page = open_page()
    cookie = page.cookie("set")
    form = {"machine": "North"}
    here = f"127.0.0.1:{page.port}"
    for origin in ("http://evil.example", "null", "", "http://127.0.0.1", f"http://{here}.evil",
                   f"http://evil@{here}:1", "//"):  # fmt: skip
        assert page.ask("POST", "/acknowledge", form, Cookie=cookie, Origin=origin)[0] == 403
        assert page.log_in("set", Origin=origin)[0] == 403
        assert page.ask("POST", "/logout", {}, Cookie=cookie, Origin=origin)[0] == 403
    assert page.acknowledged == []
    assert page.ask("GET", "/session", Cookie=cookie)[0] == 204


def test_other_kinds_of_posts_are_refused(staff: Path, open_page: Open) -> None:
    page = open_page()
    assert page.ask("POST", "/login", {"name": "x" * 5000})[0] == 413
    assert page.ask("POST", "/login", {f"n{i}": "1" for i in range(200)})[0] == 413
    assert page.ask("POST", "/login", {"name": "set"}, Content_Type="application/json")[0] == 415
    assert page.ask("GET", "/login?name=set&password=x")[0] == 200  # only shows the form
    assert page.ask("PUT", "/login", {})[0] == 405
    assert page.ask("GET", "/logout")[0] in (401, 405)


def test_login_page_keeps_the_browser_at_home(staff: Path, open_page: Open) -> None:
    for path in ("/login", "/healthz", "/status"):
        headers = open_page().ask("GET", path)[1]
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"


# -- the trail


def test_trail_says_who_did_what(staff: Path, open_page: Open) -> None:
    page = open_page()
    page.log_in("se<b>t\n", "wrong, though long")
    cookie = page.cookie("set")
    page.ask("POST", "/count", {"name": "West", "strokes": "10"}, Cookie=cookie)  # not a count
    page.ask("POST", "/logout", {}, Cookie=cookie)
    assert steps(staff) == [
        ("'se<b>t\\n'", False, "login failed"),
        ("set", True, "logged in"),
        ("set", True, "logged out"),
    ]
    shown = page.ask("GET", "/trail", Cookie=page.cookie("set"))[2].decode()
    assert "<b>" not in shown
    assert "login failed" in shown
    assert "(name not checked)" in shown


def test_trail_is_kept_with_what_was_pressed(store: Path) -> None:
    from borewarden.alert.alarm import AlarmSettings
    from borewarden.service.effects import Effects

    north = north_status()
    with open_store(store) as connection:
        effects = Effects(
            connection, {"North": north}, AlarmSettings(), to_influx=False, to_mail=False
        )
        effects(connection, Acknowledgement("North", Person("ada", True)))
        effects(connection, Acknowledgement("North", Person("Grace")))
    assert steps(store) == [("ada", True, "acknowledged"), ("Grace", False, "acknowledged")]


def test_login_goes_on_while_the_store_takes_nothing(staff: Path, open_page: Open) -> None:
    page = open_page()
    with sqlite3.connect(staff, isolation_level=None) as other:
        other.execute(
            "CREATE TRIGGER full BEFORE INSERT ON session BEGIN SELECT raise(FAIL, 'x'); END"
        )
    other.close()
    cookie = page.cookie("set")
    assert page.ask("GET", "/status", Cookie=cookie)[0] == 200
    page.ask("POST", "/logout", {}, Cookie=cookie)
    assert page.ask("GET", "/session", Cookie=cookie)[0] == 401


# -- TLS, time and room


def test_tls_by_file(staff: Path, open_page: Open, tmp_path: Path) -> None:
    authority = trustme.CA()
    made = authority.issue_cert("localhost")
    made.private_key_pem.write_to_path(tmp_path / "page.key")
    made.cert_chain_pems[0].write_to_path(tmp_path / "page.pem")
    page = open_page(certificate=tmp_path / "page.pem", key=tmp_path / "page.key")
    trust = ssl.create_default_context()
    authority.configure_trust(trust)

    def post(origin: str) -> tuple[int, str | None]:
        connection = http.client.HTTPSConnection("localhost", page.port, timeout=30, context=trust)
        connection.request(
            "POST",
            "/login",
            urlencode({"name": "set", "password": PASSWORD}),
            {"Origin": origin, "Content-Type": "application/x-www-form-urlencoded"},
        )
        answer = connection.getresponse()
        told = answer.status, answer.headers["set-cookie"]
        connection.close()
        return told

    assert post(f"http://localhost:{page.port}")[0] == 403  # not over TLS
    code, cookie = post(f"https://localhost:{page.port}")
    assert code == 303
    assert cookie is not None
    assert cookie.startswith("__Host-borewarden=")
    assert cookie.endswith("; Secure")
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    with (
        socket.create_connection(("127.0.0.1", page.port)) as plain,
        pytest.raises(ssl.SSLError),
    ):
        old.wrap_socket(plain)


def test_slow_headers_and_slow_forms_are_given_up(
    store: Path, open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listening, "REQUEST_TIME", 0.3)
    monkeypatch.setattr(doors, "FORM_TIME", 0.3)
    page = open_page()

    def answer(*parts: bytes) -> bytes:
        with socket.create_connection(("127.0.0.1", page.port), timeout=30) as slow:
            for part in parts:
                slow.sendall(part)
                time.sleep(0.05)
            try:
                return slow.recv(1000)
            except ConnectionResetError:
                return b""

    assert answer() == b""
    assert answer(b"GET / HTTP/1.1\r\n", b"Host: 127.0.0.1\r\n", b"X-A: 1\r\n") == b""
    form = (
        b"POST /acknowledge HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\n"
    )
    assert answer(form, b"machine=").startswith(b"HTTP/1.1 408")
    whole = b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    assert answer(whole[:9], whole[9:]).startswith(b"HTTP/1.1 200")
    # an answer that takes longer is not cut off
    with socket.create_connection(("127.0.0.1", page.port), timeout=30) as stream:
        stream.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        heard = b""
        while heard.count(b"event: cards") < 2:
            part = stream.recv(65_536)
            assert part
            heard += part


@pytest.mark.parametrize(
    "rest",
    [
        b"Content-Length: 100\r\n\r\nmachine=",
        b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"Transfer-Encoding: chunked\r\n\r\n5\r\nmachi",
        b"Content-Length: -1\r\n\r\n",
    ],
)
@pytest.mark.parametrize("path", [b"POST /login", b"POST /acknowledge", b"GET /events", b"GET /"])
def test_broken_requests_leave_no_traceback(
    store: Path, open_page: Open, caplog: pytest.LogCaptureFixture, path: bytes, rest: bytes
) -> None:
    page = open_page()
    head = b" HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\n"
    form = b"Content-Type: application/x-www-form-urlencoded\r\n"
    for is_closed in (False, True):
        with socket.create_connection(("127.0.0.1", page.port), timeout=30) as broken:
            broken.sendall(path + head + form + rest)
            if is_closed:
                broken.shutdown(socket.SHUT_WR)
                broken.settimeout(0.2)
                with contextlib.suppress(OSError):
                    broken.recv(1000)
    assert page.ask("GET", "/status")[0] == 200
    page.end()
    assert [each for each in caplog.records if each.levelname == "ERROR"] == []


def test_page_never_takes_the_last_descriptors(
    store: Path, open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Path("/dev/null").open() as lowest:
        highest = lowest.fileno() + 40
    monkeypatch.setattr(listening, "_highest_descriptor", lambda: highest)
    page = open_page()
    held = [socket.create_connection(("127.0.0.1", page.port), timeout=30) for _ in range(60)]
    until = time.monotonic() + 30.0
    while len(select.select(held, [], [], 0.1)[0]) <= 10:  # both ends are in this process
        assert time.monotonic() < until
    for each in held:
        each.close()
    until = time.monotonic() + 30.0
    while True:
        try:
            assert page.ask("GET", "/status")[0] == 200
            break
        except OSError:
            assert time.monotonic() < until
            time.sleep(0.05)


def test_streams_are_counted(store: Path, open_page: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    from borewarden.service import web

    monkeypatch.setattr(web, "MOST_STREAMS", 2)
    page = open_page()
    streams = []
    for _ in range(2):
        connection = http.client.HTTPConnection("127.0.0.1", page.port, timeout=30)
        connection.request("GET", "/events")
        streams.append((connection, connection.getresponse()))
        assert streams[-1][1].readline() == b"retry: 2000\n"
    code, told, _ = page.ask("GET", "/events")
    assert (code, told["retry-after"]) == (503, "10")
    for connection, answer in streams:
        answer.close()
        connection.close()
    until = time.monotonic() + 30.0
    while True:
        connection = http.client.HTTPConnection("127.0.0.1", page.port, timeout=30)
        connection.request("GET", "/events")
        if connection.getresponse().status == 200:
            break
        connection.close()
        assert time.monotonic() < until
    connection.close()


def test_no_room_for_a_connection_is_one_line_in_the_log() -> None:
    loop = asyncio.new_event_loop()
    listening.quiet_about_sockets(loop)
    full = OSError(24, "Too many open files")
    with capture_logs() as lines:
        for _ in range(1000):
            loop.call_exception_handler(
                {"message": "socket.accept() out of system resource", "exception": full}
            )
    loop.close()
    assert [line["failed"] for line in lines] == [
        "no connection can be taken: [Errno 24] Too many open files"
    ]

"""Mails through Debian's exim4 with STARTTLS and a login: who gets what, once, whatever it says."""

from __future__ import annotations

import email
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from borewarden.alert.alarm import Notice
from borewarden.alert.delivery import MailSettings
from borewarden.physics.pump import Intensifier
from borewarden.service.connection_check import reach_mail
from borewarden.show.mail import compose
from borewarden.store import outbox
from borewarden.store.database import open_store
from borewarden.watcher.verdict import State
from mailing import LEAD, NIGHT, left, mail_settings, mailing, queue, until
from peers import Exim, exim_peer

PUMP = Intensifier(0.022, 0.2, 1e-5, 20.0, 1.0, 400e6, 37e3)
WATCHER = {"watcher": "invented"}


@pytest.fixture(scope="module")
def _server() -> Iterator[Exim]:
    with exim_peer(WATCHER, (LEAD, NIGHT)) as peer:
        yield peer


@pytest.fixture
def server(_server: Exim) -> Exim:
    _server.clear_faults()
    _server.empty()
    return _server


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "mails.db"


def settings(server: Exim, **changes: Any) -> MailSettings:
    given = {
        "security": "starttls",
        "ca_file": server.certificate,
        "user": "watcher",
        "password": SecretStr("invented"),
        **changes,
    }
    return mail_settings(server.port, **given)


def happens(store: Path, *machines: str) -> None:
    """An alarm at each of these machines: its mail waits in the store."""
    for machine in machines:
        time_ns = time.time_ns()
        notice = Notice("alarm", machine, time_ns, "stepped up", state=State.OPENED)
        queue(store, machine, "alarm", time_ns, compose(notice, PUMP, "UTC").as_bytes())


def machines(server: Exim, person: str) -> list[str]:
    """Whose mails somebody has."""
    return [mail["Subject"].split(":")[0] for mail in server.box(person)]


async def test_a_mail_comes_as_it_was_queued(server: Exim, store: Path) -> None:
    happens(store, "North")
    with open_store(store) as connection:
        [queued] = outbox.take(connection, "mail", 10)
    async with mailing(store, settings(server)) as health:
        await until(lambda: not left(store))
        assert (health.outages, health.troubles()) == ({}, {})
    written = email.message_from_bytes(queued.content, policy=email.policy.default)
    for person in (LEAD, NIGHT):
        [mail] = server.box(person)
        assert mail["Message-ID"] == written["Message-ID"]
        body, sent = mail.get_body(["plain"]), written.get_body(["plain"])
        assert body is not None
        assert sent is not None
        assert body.get_content().split() == sent.get_content().split()
        assert "TLS" in mail["Received"]


async def test_one_recipient_greylisted(server: Exim, store: Path) -> None:
    server.set_fault("answer", recipient=NIGHT, code=451, text="4.7.1 greylisted")
    happens(store, "North")
    async with mailing(store, settings(server)) as health:
        await until(lambda: health.late)
        [late] = health.late.values()
        assert late.reason == f"{NIGHT}: 451 4.7.1 greylisted"
        assert health.troubles() == {}
        assert (machines(server, LEAD), machines(server, NIGHT)) == (["North"], [])
        server.clear_faults()
        await until(lambda: not left(store))
    assert machines(server, LEAD) == machines(server, NIGHT) == ["North"]
    assert server.box(LEAD)[0]["Message-ID"] == server.box(NIGHT)[0]["Message-ID"]


async def test_a_recipient_that_nobody_knows(server: Exim, store: Path) -> None:
    """Exim's own 550, without a code of RFC 3463."""
    happens(store, "North")
    stranger = "gone@invented-shop.example"
    given = settings(server, recipients=(LEAD, stranger))
    async with mailing(store, given) as health:
        await until(lambda: health.undelivered)
        assert f"{stranger}: 550 " in health.troubles()["mail"]
    assert machines(server, LEAD) == ["North"]


async def test_a_text_that_it_refuses_holds_up_none_behind_it(server: Exim, store: Path) -> None:
    server.set_fault("answer", subject="North", code=550, text="5.6.0 content refused")
    happens(store, "North", "South")
    async with mailing(store, settings(server)) as health:
        reason = f"{LEAD}, {NIGHT}: 550 5.6.0 content refused"
        await until(lambda: left(store) == [("North", reason)])
        assert reason in health.troubles()["mail"]
        assert health.undelivered_words("North").startswith("A mail was not delivered")
    assert machines(server, LEAD) == machines(server, NIGHT) == ["South"]


async def test_a_mail_that_is_too_large_holds_up_none_behind_it(server: Exim, store: Path) -> None:
    """Exim's own 552, at MAIL."""
    large = email.message_from_string("Subject: North: large\n\n" + "invented words\n" * 2000)
    queue(store, "North", "alarm", time.time_ns(), large.as_bytes())
    happens(store, "South")
    server.set_fault("size_limit", bytes=20_000)
    async with mailing(store, settings(server)) as health:
        await until(lambda: len(left(store)) == 1 and health.undelivered)
        [(machine, reason)] = left(store)
        assert machine == "North"
        assert reason is not None
        assert reason.startswith(f"{LEAD}, {NIGHT}: 552 ")
    assert machines(server, LEAD) == machines(server, NIGHT) == ["South"]


async def test_a_late_answer_to_the_text_makes_no_second_copy(server: Exim, store: Path) -> None:
    """Later than it has for any other answer, sooner than the twice as long it has for this one."""
    server.set_fault("delay", seconds=5)
    happens(store, "North")
    async with mailing(store, settings(server, timeout=4.0)):
        await until(lambda: not left(store))
    assert machines(server, LEAD) == machines(server, NIGHT) == ["North"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"password": SecretStr("not-this-one")}, "535"),
        ({"user": None, "password": None}, "530 5.7.0 log in first"),
        ({"ca_file": None}, "self-signed"),
    ],
)
async def test_nobody_is_let_in_and_the_mail_waits(
    server: Exim, store: Path, changes: dict[str, Any], words: str
) -> None:
    happens(store, "North")
    async with mailing(store, settings(server, **changes)) as health:
        await until(lambda: words in health.troubles().get("mail", ""))
        assert left(store) == [("North", None)]
    assert machines(server, LEAD) == []
    async with mailing(store, settings(server)) as health:
        await until(lambda: not left(store))
        assert health.troubles() == {}
    assert machines(server, LEAD) == machines(server, NIGHT) == ["North"]


async def test_reach_asks_and_sends_nothing(server: Exim) -> None:
    stranger, away = "gone@invented-shop.example", "lead@elsewhere.example"
    server.set_fault("answer", recipient=NIGHT, code=451, text="4.7.1 greylisted")
    given = settings(server, recipients=(LEAD, NIGHT, stranger, away))
    found = {each.part: each for each in await reach_mail(given)}
    assert {part: each.answer for part, each in found.items()} == {
        "connection": "yes",
        LEAD: "yes",
        NIGHT: "not proven",
        stranger: "NO",
        away: "NO",
    }
    assert f"does not relay to {away}" in found[away].words
    assert machines(server, LEAD) == []

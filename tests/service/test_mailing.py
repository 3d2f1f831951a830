"""Mails through a mail server that others wrote, whose answers are chosen: who gets what, once."""

from __future__ import annotations

import asyncio
import email
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from borewarden.alert.alarm import Notice
from borewarden.alert.delivery import MailSettings, refusal
from borewarden.physics.pump import Intensifier
from borewarden.service.mailing import Pauses
from borewarden.service.own_health import Health
from borewarden.show.mail import compose
from borewarden.store import mails, outbox
from borewarden.store.database import open_store
from borewarden.watcher.verdict import State
from mailing import LEAD, NIGHT, QUICK, left, mail_settings, mailing, queue, until
from peers import MailServer, smtp_peer

PUMP = Intensifier(0.022, 0.2, 1e-5, 20.0, 1.0, 400e6, 37e3)
DAY_NS = 86400 * 10**9


@pytest.fixture(scope="module")
def _server() -> Iterator[MailServer]:
    with smtp_peer() as peer:
        yield peer


class Box:
    """What the server has taken since the test began."""

    def __init__(self, server: MailServer) -> None:
        self.server = server
        self.before = len(server.messages())

    @property
    def taken(self) -> list[tuple[str, list[str]]]:
        """Machine (first word of the subject) and recipients of each."""
        kept = [entry["to"] for entry in self.server.log() if "kept" in entry]
        subjects = [mail["Subject"].split(":")[0] for mail in self.server.messages()]
        # the server keeps a mail a moment before it notes that
        return list(zip(subjects, kept, strict=False))[self.before :]

    @property
    def ids(self) -> list[str]:
        return [mail["Message-ID"] for mail in self.server.messages()][self.before :]


@pytest.fixture
def server(_server: MailServer) -> Iterator[MailServer]:
    _server.clear_faults()
    yield _server
    _server.up()


@pytest.fixture
def box(server: MailServer) -> Box:
    return Box(server)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "mails.db"


def happens(store: Path, *machines: str, age_ns: int = 0) -> None:
    """An alarm at each of these machines: its mail waits in the store."""
    for machine in machines:
        time_ns = time.time_ns() - age_ns
        notice = Notice("alarm", machine, time_ns, "stepped up", state=State.OPENED)
        queue(store, machine, "alarm", time_ns, compose(notice, PUMP, "UTC").as_bytes())


async def test_one_recipient_greylisted_gets_his_copy_and_nobody_gets_two(
    server: MailServer, box: Box, store: Path
) -> None:
    """Also when the watcher is restarted meanwhile: who has the mail stands in the store."""
    server.set_fault("answer", command="RCPT", recipient=NIGHT, code=451, text="4.7.1 greylisted")
    happens(store, "North")
    for _ in range(2):
        async with mailing(store, mail_settings(server.port)) as health:
            await until(lambda: health.late)
            [late] = health.late.values()
            assert late.reason == f"{NIGHT}: 451 4.7.1 greylisted"
            assert not late.is_grave
            assert health.troubles() == {}  # a server's normal day
        assert box.taken == [("North", [LEAD])]
        assert left(store) == [("North", None)]
    server.clear_faults()
    async with mailing(store, mail_settings(server.port)) as health:
        await until(lambda: not left(store))
        assert health.late == {}
    assert box.taken == [("North", [LEAD]), ("North", [NIGHT])]
    assert len(set(box.ids)) == 1


async def test_a_mail_put_off_for_longer_than_usual_is_a_trouble(
    server: MailServer, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("borewarden.service.own_health.USUAL_DELAY", 0.0)
    server.set_fault("answer", command="RCPT", code=450, text="4.2.1 busy")
    happens(store, "North")
    async with mailing(store, mail_settings(server.port)) as health:
        await until(health.troubles)
        assert "North: tried for" in health.troubles()["mail"]
        assert "4.2.1 busy" in health.troubles()["mail"]
        server.clear_faults()
        await until(lambda: not left(store))
        await until(lambda: health.troubles() == {})


async def test_a_server_that_takes_a_mail_and_answers_late_gets_one_copy(
    server: MailServer, box: Box, store: Path
) -> None:
    """Later than it has for any other answer; RFC 5321 4.5.3.2: 5 min, and 10 after the text."""
    defaults = MailSettings("h", "a@b.example", (LEAD,))
    assert (defaults.timeout, 2.0 * defaults.timeout) == (300.0, 600.0)
    server.set_fault("delay", command="END", seconds=1.5)
    happens(store, "North")
    async with mailing(store, mail_settings(server.port, timeout=1.0)) as health:
        await until(lambda: not left(store))
        assert health.outages == {}
    assert box.taken == [("North", [LEAD, NIGHT])]


async def test_a_slow_server_holds_up_no_other_machine_and_is_told(
    server: MailServer, box: Box, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("borewarden.service.own_health.SLOW_MAIL", 0.2)
    server.set_fault("delay", command="END", seconds=2.0)
    happens(store, "North", "South", "West")
    async with mailing(store, mail_settings(server.port)) as health:
        await until(lambda: len(box.taken) == 3)
        assert len(left(store)) == 3  # none of them is answered yet
        await until(lambda: "has not answered for" in health.troubles().get("mail", ""))
        await until(lambda: not left(store))
    assert sorted(machine for machine, _ in box.taken) == ["North", "South", "West"]


async def test_a_mail_that_is_taken_in_silence_comes_again_under_the_same_id(
    server: MailServer, box: Box, store: Path
) -> None:
    server.set_fault("drop", command="END", times=1)
    happens(store, "North", "South")
    async with mailing(store, mail_settings(server.port)):
        await until(lambda: not left(store))
    twice = Counter(machine for machine, _ in box.taken)  # of whichever came to its end first
    assert twice in (Counter(North=2, South=1), Counter(North=1, South=2))
    assert len(set(box.ids)) == 2


@pytest.mark.parametrize(
    ("command", "code", "text"),
    [("MAIL", 552, "5.3.4 too large"), ("MAIL", 552, "no room"), ("DATA", 550, "not this one"),
     ("END", 550, "5.6.0 not this text"), ("END", 552, "5.2.3 too large"), ("END", 554, "spam")],
)  # fmt: skip
async def test_what_is_wrong_with_one_mail_holds_up_none_behind_it(
    server: MailServer, box: Box, store: Path, command: str, code: int, text: str
) -> None:
    """It is set aside, the watcher is ill until somebody has seen that, and so after a restart."""
    server.set_fault("answer", command=command, code=code, text=text, times=1)
    happens(store, "North")
    async with mailing(store, mail_settings(server.port)) as health:
        await until(lambda: health.undelivered)
        happens(store, "North", "South")
        await until(lambda: len(left(store)) == 1)
        reason = f"{LEAD}, {NIGHT}: {code} {text}"
        await until(lambda: left(store) == [("North", reason)])
        assert reason in health.troubles()["mail"]
        assert health.undelivered_words("North").startswith("A mail was not delivered")
        assert health.undelivered_words("South") == ""
    assert sorted(machine for machine, _ in box.taken) == ["North", "South"]
    with open_store(store) as connection:
        [(number, unseen)] = mails.undelivered(connection).items()
        assert (unseen.machine, unseen.kind, unseen.reason) == ("North", "alarm", reason)
        mails.see(connection, "North", [number], "Ada", time.time_ns())
        assert mails.undelivered(connection) == {}
        assert outbox.backlogs(connection)["mail"] == (0, 1, 0, reason)


async def test_a_recipient_that_does_not_exist_is_told_and_the_other_has_the_mail(
    server: MailServer, box: Box, store: Path
) -> None:
    server.set_fault("answer", command="RCPT", recipient=NIGHT, code=550, text="5.1.1 unknown")
    happens(store, "North")
    async with mailing(store, mail_settings(server.port)) as health:
        await until(lambda: left(store) == [("North", f"{NIGHT}: 550 5.1.1 unknown")])
        assert "550 5.1.1 unknown" in health.troubles()["mail"]
    assert box.taken == [("North", [LEAD])]


async def test_who_will_never_get_it_is_told_while_another_is_put_off(
    server: MailServer, box: Box, store: Path
) -> None:
    full, gone = "full@invented-shop.example", "gone@invented-shop.example"
    server.set_fault("answer", command="RCPT", recipient=full, code=452, text="4.2.2 full")
    server.set_fault("answer", command="RCPT", recipient=gone, code=550, text="5.1.1 unknown")
    happens(store, "North")
    settings = mail_settings(server.port, recipients=(LEAD, full, gone))
    async with mailing(store, settings) as health:
        await until(lambda: health.late)
        said = health.troubles()["mail"]
        assert f"{gone}: 550 5.1.1 unknown" in said
        assert f"{full}: 452 4.2.2 full" in said
        assert len(left(store)) == 1  # it still waits for the one that is full
    assert box.taken == [("North", [LEAD])]


async def test_too_many_recipients_is_no_refusal_for_good(
    server: MailServer, box: Box, store: Path
) -> None:
    """RFC 5321 4.5.3.1.10: 552 at RCPT is to be taken as temporary."""
    server.set_fault(
        "answer", command="RCPT", recipient=NIGHT, code=552, text="too many recipients", times=2
    )
    happens(store, "North")
    async with mailing(store, mail_settings(server.port)):
        await until(lambda: not left(store))
    assert box.taken == [("North", [LEAD]), ("North", [NIGHT])]


@pytest.mark.parametrize("command", ["RCPT", "END"])
async def test_a_policy_is_said_at_once_and_the_mail_waits_until_people_have_changed_it(
    server: MailServer, box: Box, store: Path, command: str
) -> None:
    if command == "RCPT":
        server.set_fault("relay_refused", domains=["elsewhere.example"])
    else:
        server.set_fault("answer", command="END", code=550, text="5.7.1 not from you")
    happens(store, "North")
    async with mailing(store, mail_settings(server.port)) as health:
        await until(health.troubles)
        assert "550 5.7.1" in health.troubles()["mail"]
        assert left(store) == [("North", None)]
        server.clear_faults()
        await until(lambda: not left(store))
        assert health.troubles() == {}
    assert box.taken == [("North", [LEAD, NIGHT])]


@pytest.mark.parametrize(
    ("command", "code", "text"),
    [("CONNECT", 554, "5.3.2 no service"), ("CONNECT", 421, "too busy"),
     ("MAIL", 550, "5.7.1 not this sender"), ("MAIL", 451, "4.3.0 later"), ("RCPT", 421, "bye"),
     ("MAIL", 530, "5.7.0 authenticate first")],
)  # fmt: skip
async def test_what_is_wrong_with_all_mails_is_said_at_once_and_none_is_given_up(
    server: MailServer, box: Box, store: Path, command: str, code: int, text: str
) -> None:
    server.set_fault("answer", command=command, code=code, text=text)
    happens(store, "North", "South", "North")
    async with mailing(store, mail_settings(server.port)) as health:
        await until(lambda: health.outages)
        assert f"{code} {text}" in health.outages["mail"].reason
        assert f"{code} {text}" in health.troubles()["mail"]
        assert box.taken == []
        server.clear_faults()
        await until(lambda: not left(store))
        assert (health.outages, health.troubles()) == ({}, {})
    assert sorted(machine for machine, _ in box.taken) == ["North", "North", "South"]


async def test_server_down_then_back_each_mail_once_and_in_order(
    server: MailServer, box: Box, store: Path
) -> None:
    server.down()
    happens(store, *["North"] * 3)
    async with mailing(store, mail_settings(server.port)) as health:
        await until(
            lambda: f":{server.port}: connection refused" in health.troubles().get("mail", "")
        )
    happens(store, *["North"] * 2)
    with open_store(store) as connection:
        queued = [
            email.message_from_bytes(payload.content)["Message-ID"]
            for payload in outbox.take(connection, "mail", 10)
        ]
    async with mailing(store, mail_settings(server.port)):
        await asyncio.to_thread(server.up)
        await until(lambda: not left(store))
    assert box.ids == queued


async def test_a_mail_that_has_waited_for_too_long_is_not_sent_as_if_new(
    server: MailServer, box: Box, store: Path
) -> None:
    """Nobody hears old news as new; but that it was never told has to be seen by somebody."""
    for machine, days in {"East": 8, "West": 6, "South": 0}.items():
        happens(store, machine, age_ns=days * DAY_NS)
    server.set_fault("answer", command="RCPT", recipient=NIGHT, code=451, text="4.7.1 later")
    settings = mail_settings(server.port)
    async with mailing(store, settings) as health:
        await until(lambda: len(health.late) == 2 and health.undelivered)
        [east] = health.undelivered.values()
        assert (east.machine, east.reason) == ("East", "expired: not sent within 7 d")
    assert sorted(box.taken) == [("South", [LEAD]), ("West", [LEAD])]
    # another day, with less patience
    less = mail_settings(server.port, expire_after=3 * 86400.0)
    async with mailing(store, less) as health:
        await until(lambda: health.late)
        await until(lambda: health.undelivered)
        words = health.troubles()["mail"]
        assert "West: A mail was not delivered" in words
    with open_store(store) as connection:
        assert outbox.backlogs(connection)["mail"][:3] == (1, 0, 2)
    assert len(box.taken) == 2


async def test_why_an_expired_mail_could_not_be_sent_is_said(
    server: MailServer, store: Path
) -> None:
    server.set_fault("answer", command="MAIL", code=450, text="4.3.0 never today")
    happens(store, "North")
    async with mailing(store, mail_settings(server.port)) as health:
        await until(lambda: health.outages)
    happens(store, "South")
    brief = mail_settings(server.port, expire_after=2.0)
    async with mailing(store, brief) as health:
        await until(lambda: len(health.undelivered) == 2)
        for mail in health.undelivered.values():
            assert mail.reason.startswith("expired: not sent within")
            assert mail.reason.endswith("450 4.3.0 never today")


async def test_what_is_settled_on_a_full_disk_is_remembered(
    server: MailServer, box: Box, store: Path
) -> None:
    """SQLite's lock stands for the disk: nothing can be written, and nobody gets a second copy."""
    happens(store, "North")
    with open_store(store) as other:
        other.execute("BEGIN IMMEDIATE")
        async with mailing(store, mail_settings(server.port)):
            await until(lambda: box.taken)
            await asyncio.sleep(0.5)  # some more looks
            other.execute("ROLLBACK")
            await until(lambda: not left(store))
    assert box.taken == [("North", [LEAD, NIGHT])]


async def test_a_mail_that_nobody_can_read_holds_up_none_behind_it(
    server: MailServer, box: Box, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever goes wrong with one, even here: said, and tried again, not at once."""
    parse, parsed = email.message_from_bytes, []

    def but_not_the_first(content: bytes, **options):
        if b"Unreadable" in content:
            parsed.append(content)
            raise ValueError("not a mail")
        return parse(content, **options)

    monkeypatch.setattr("borewarden.service.mailing.email.message_from_bytes", but_not_the_first)
    happens(store, "Unreadable", "South")
    async with mailing(store, mail_settings(server.port), pauses=Pauses(look=0.02)) as health:
        await until(lambda: [machine for machine, _ in box.taken] == ["South"])
        await until(lambda: "ValueError: not a mail" in health.troubles().get("mail", ""))
        await asyncio.sleep(0.2)
        assert len(parsed) == 1


async def test_addresses_beyond_ascii_take_a_server_that_knows_them(
    server: MailServer, box: Box, store: Path
) -> None:
    happens(store, "North")
    settings = mail_settings(server.port, recipients=("schichtführer@invented-shop.example",))
    async with mailing(store, settings) as health:
        await until(lambda: not left(store) or health.troubles())
        assert health.troubles() == {}
    assert box.taken == [("North", ["schichtführer@invented-shop.example"])]


# RFC 5321 4.2 and 4.5.3.1.10, RFC 3463, RFC 4954 4.7, RFC 1870 6.1
@pytest.mark.parametrize(
    ("stage", "code", "text", "about", "is_final", "is_grave"),
    [
        ("session", 535, "5.7.8 wrong password", "server", False, True),
        ("session", 554, "no", "server", False, True),
        ("MAIL", 451, "later", "server", False, True),
        ("MAIL", 452, "4.3.1 no room for so much", "message", False, False),
        ("MAIL", 552, "too much", "message", True, True),
        ("MAIL", 553, "5.1.8 who?", "server", False, True),
        ("RCPT", 421, "4.3.2 closing", "server", False, True),
        ("RCPT", 450, "4.2.1 busy", "recipient", False, False),
        ("RCPT", 550, "unknown", "recipient", True, True),
        ("RCPT", 550, "5.1.1 unknown", "recipient", True, True),
        ("RCPT", 552, "5.2.2 full", "recipient", False, True),
        ("RCPT", 554, "5.7.1 relay access denied", "recipient", False, True),
        ("RCPT", 550, "5.3.0 trouble here", "recipient", False, True),
        ("RCPT", 503, "5.5.1 not now", "recipient", False, True),
        ("DATA", 451, "4.6.0 later", "message", False, False),
        ("DATA", 550, "no", "message", True, True),
        ("DATA", 550, "5.7.1 policy", "message", False, True),
        ("DATA", 552, "5.3.4 too big", "message", True, True),
        ("DATA", 554, "5.6.0 not so", "message", True, True),
    ],
)
def test_what_an_answer_means(
    stage, code: int, text: str, about: str, is_final: bool, is_grave: bool
) -> None:
    assert refusal(stage, code, text) == (about, is_final, is_grave, f"{code} {text}")


def test_a_mail_from_before_the_update_goes_out(server: MailServer, box: Box, store: Path) -> None:
    """Of a queue without the tables of who has it."""
    notice = Notice("alarm", "North", time.time_ns(), "stepped up", state=State.OPENED)
    with open_store(store) as connection:
        content = compose(notice, PUMP, "UTC").as_bytes()
        outbox.put(connection, "mail", "alarm", notice.time_ns, content)

    async def sent() -> None:
        async with mailing(store, mail_settings(server.port), Health(), Pauses(*QUICK)):
            await until(lambda: box.taken)

    asyncio.run(sent())
    assert box.taken == [("North", [LEAD, NIGHT])]

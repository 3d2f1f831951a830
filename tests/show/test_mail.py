"""Mail: what it says, and its way through a real SMTP server (aiosmtpd) on loopback."""

from __future__ import annotations

import email
import email.policy
import logging
import re
import socket
import ssl
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from email.message import EmailMessage
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from pydantic import SecretStr

from borewarden.alert.alarm import Notice
from borewarden.alert.delivery import MailSettings, send
from borewarden.base.shown import US, shown_in
from borewarden.diagnose.causes import Belief, Cause
from borewarden.inspection.cautions import CAUTIONS
from borewarden.physics.pump import Intensifier
from borewarden.show.figures import bore_figure, levels_of, recent_mean
from borewarden.show.mail import compose, message_id
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.verdict import STATES, State, Verdict

S = 10**9
NOON = 1_772_449_200 * S  # 2026-03-02 12:00 in Berlin
PASSWORD = "not-to-be-logged"
PUMP = Intensifier(0.022, 0.2, 1e-5, 20.0, 1.0, 400e6, 37e3)
OPENED = Verdict(
    NOON, State.OPENED, "the effective area stepped up by 10.0 %", 12.34, 0.254e-3, 0.2664e-3,
    0.0011e-3, 1.1, 0.651, 0.80, 0.88, 380e6, 380e6, 0.12, 0.9876, NOON - 600 * S, 0.1, 0.012,
)  # fmt: skip
ALARM = Notice("alarm", "North", NOON, OPENED.reason, OPENED, State.OPENED, first_ns=NOON)


def test_units_that_a_shop_chose_hold_in_mails() -> None:
    with shown_in(US):
        us = compose(ALARM, PUMP, "Europe/Berlin")
    both = compose(ALARM, PUMP, "Europe/Berlin")
    for message, has_metric in ((us, False), (both, True)):
        for part in ("plain", "html"):
            body = message.get_body((part,))
            assert body is not None
            text = body.get_content()
            assert "psi" in text
            assert ("MPa" in text) is has_metric
            assert (" mm" in text) is has_metric


def history(n: int = 400) -> pd.DataFrame:
    nan = float("nan")
    rng = np.random.default_rng(1)
    rows = []
    for i in range(n):
        bore = (0.254e-3 if i < 300 else 0.264e-3) + rng.normal(0, 1e-6)
        start = NOON - (n - i) * 60 * S
        statistic = max(0, i - 300) * 0.8
        rows.append(
            (
                start, start + 20 * S, 1.0, 370e6, nan, 0.8, 0.8, 3e-8, bore, 1e-6, 0.0, 0.0,
                statistic, 9.5, 0.1, STATES.index(State.SOUND),
            )
        )  # fmt: skip
    return pd.DataFrame(np.array(rows, dtype=RESULT))


def parts(message: EmailMessage) -> dict[str, EmailMessage]:
    return {part.get_content_type(): part for part in message.walk()}  # type: ignore[misc]


def words(message: EmailMessage) -> tuple[str, str]:
    """Text and HTML part, the latter without its tags."""
    found = parts(message)
    html = re.sub(r"<[^>]+>", " ", found["text/html"].get_content())
    return found["text/plain"].get_content(), html.replace("&#39;", "'").replace("&#34;", '"')


# -- what it says


def test_an_alarm_has_evidence_checks_and_cautions_in_both_parts() -> None:
    message = compose(ALARM, PUMP, "Europe/Berlin")
    assert message["Subject"] == "North: The bore has probably opened up"
    assert message["Auto-Submitted"] == "auto-generated"
    for body in words(message):
        assert "2026-03-02 12:00 CET" in body
        assert (
            "Since about 2026-03-02 11:50 CET: effective area +10.0 ± 1.2 % against just before"
            in body
        )
        assert "52.8 strokes/min seen, 48.0 expected (+10.0 %)" in body
        assert "microscope" in body
        for caution in CAUTIONS:
            assert caution in body
        # the cautions stand before anything that tells a person to do something
        assert body.index(CAUTIONS[-1]) < body.index("Check whether a second head")
        assert not re.search(r"\b(nan|inf|None)\b", body)


def test_a_mail_on_another_fault_names_it_weighs_it_and_says_what_to_check() -> None:
    hot = "weep line up 31 °C relative to water temperature; a leaking seal usually adds 39 °C"
    causes = (
        Belief(Cause.LEAK, 0.71, (hot,)),
        Belief(Cause.BORE, 0.27),
        Belief(Cause.FEED, 0.02),
    )
    check = "from the control panel: close the jet and count the strokes"
    verdict = replace(OPENED, state=State.OTHER_FAULT, causes=causes, check=check)
    notice = replace(ALARM, verdict=verdict, state=State.OTHER_FAULT)
    message = compose(notice, PUMP, "Europe/Berlin")
    assert message["Subject"] == (
        "North: Probably another fault: plunger seal or check valve leaking"
    )
    for body in words(message):
        assert "Probable cause: plunger seal or check valve leaking, 71 %" in body
        assert "Probable cause: bore opened up, 27 %" in body
        assert "feed starvation" not in body
        assert f"Points to “plunger seal or check valve leaking”: {hot}" in body
        said = body.index("From the control panel: close the jet")
        assert body.index(CAUTIONS[-1]) < said < body.index("Check whether a second head")
        assert "measure" not in body[: body.index(CAUTIONS[0])]


NOTICES = [
    *(
        Notice(kind, "North", NOON, "why", verdict and replace(verdict, state=state), state)
        for kind in ("alarm", "repeat", "all-clear")
        for verdict in (OPENED, None)
        for state in State
    ),
    *(Notice(k, "North", NOON, "link down", about="sight") for k in ("blind", "sight again")),
    Notice("repeat", "North", NOON, "link down", about="sight"),
]


@pytest.mark.parametrize("notice", NOTICES, ids=lambda n: f"{n.kind} {n.state}")
def test_no_mail_without_cautions(notice: Notice) -> None:
    message = compose(notice, PUMP, "UTC")
    assert message["Subject"].startswith("North: ")
    for body in words(message):
        assert all(caution in body for caution in CAUTIONS)
        assert notice.reason in body
        if "take out" in body:
            assert "stopped, locked out, bled down and verified at zero pressure" in body


def test_subjects_tell_the_kinds_apart() -> None:
    subjects = {
        compose(notice, PUMP, "UTC")["Subject"]
        for notice in (
            ALARM,
            replace(ALARM, kind="repeat"),
            replace(ALARM, kind="all-clear", verdict=replace(OPENED, state=State.SOUND)),
            *NOTICES[-3:],
        )
    }
    assert len(subjects) == 6
    assert "North: Reminder, not acknowledged: The bore has probably opened up" in subjects
    assert "North: All-clear: The bore is probably sound" in subjects


@pytest.mark.parametrize(
    ("changes", "does"),
    [
        ({"state": State.OTHER_FAULT}, "This replaces"),
        ({"kind": "repeat"}, "This is a reminder of"),
        ({"kind": "all-clear", "state": State.SOUND}, "This ends"),
        ({"kind": "sight again", "about": "sight"}, "This ends"),
    ],
)
def test_what_follows_an_alert_says_which_one(changes: dict[str, Any], does: str) -> None:
    earlier = replace(ALARM, earlier_ns=NOON - 720 * S)
    state = changes.get("state", State.OPENED)
    message = compose(
        replace(earlier, verdict=replace(OPENED, state=state), **changes), PUMP, "Europe/Berlin"
    )
    for body in words(message):
        assert f"{does} the alert of 2026-03-02 11:48 CET." in body
    is_corrected = "replaces" in does
    assert ("(replaces the alert of 11:48)" in message["Subject"]) is is_corrected
    for body in words(compose(ALARM, PUMP, "Europe/Berlin")):
        assert "the alert of" not in body


def test_a_blind_watcher_does_not_let_silence_pass_for_soundness() -> None:
    for body in words(compose(NOTICES[-3], PUMP, "UTC")):
        assert "silence does not mean that it is sound" in body
        assert "link down" in body


def test_names_cannot_forge_headers_or_tags() -> None:
    notice = replace(
        ALARM, machine="North\nBcc: eve@example.org", reason="<script>alert(1)</script>"
    )
    message = compose(notice, PUMP, "UTC")
    assert message["Bcc"] is None
    assert "<script>" not in parts(message)["text/html"].get_content()


def test_the_same_event_has_the_same_id_and_reminders_follow_it() -> None:
    first = compose(ALARM, PUMP, "UTC")
    assert compose(ALARM, PUMP, "Europe/Berlin")["Message-ID"] == first["Message-ID"]
    reminder = compose(replace(ALARM, kind="repeat", time_ns=NOON + S), PUMP, "UTC")
    assert reminder["Message-ID"] != first["Message-ID"]
    assert reminder["References"] == reminder["In-Reply-To"] == first["Message-ID"]
    assert first["References"] is None
    ids = {
        message_id(kind, about, machine, time_ns)
        for kind in ("alarm", "repeat")
        for about in ("bore", "sight")
        for machine in ("North", "South")
        for time_ns in (1, 2)
    }
    assert len(ids) == 16


def test_the_figure_stands_inline() -> None:
    png = bore_figure(
        history(), "Europe/Berlin", nominal_bore=0.254e-3, limit=0.08, onset_ns=OPENED.onset_ns
    )
    assert png is not None
    message = compose(ALARM, PUMP, "UTC", png)
    found = parts(message)
    assert found["image/png"].get_content() == png
    assert found["image/png"].get_content_disposition() == "inline"
    cid = found["image/png"]["Content-ID"].strip("<>")
    assert f'src="cid:{cid}"' in found["text/html"].get_content()
    assert message.get_content_type() == "multipart/alternative"
    assert len(bytes(message)) < 300_000
    assert "cid:" not in parts(compose(ALARM, PUMP, "UTC"))["text/html"].get_content()


def test_times_between_two_microseconds_make_no_noise() -> None:
    """Sources tell nanoseconds, which Python's datetime does not hold."""
    table = history(20)
    table["end_ns"] += 7
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        png = bore_figure(
            table,
            "Europe/Berlin",
            nominal_bore=0.254e-3,
            limit=0.08,
            onset_ns=int(table["end_ns"].iloc[3]) + 4,
        )
    assert png is not None
    assert png.startswith(b"\x89PNG")


def test_a_figure_of_little_or_nothing() -> None:
    figure = partial(bore_figure, time_zone="UTC", nominal_bore=0.254e-3, limit=0.08)
    assert figure(history(0)) is None
    for table in (history(1), history(2).assign(statistic=np.nan, threshold=np.nan)):
        png = figure(table)
        assert png is not None
        assert png.startswith(b"\x89PNG")


def test_the_mean_in_a_mail_is_of_the_heads_that_were_open() -> None:
    """Batches of one head and of both by turns: no mean lies between the two."""
    both = np.arange(40) % 2 == 1
    area = np.where(both, 6.6e-8, 3.3e-8)
    table = history(40).assign(area=area, log_ratio=0.0, bore=np.where(both, 0.36e-3, 0.254e-3))
    level = levels_of(table, of_heads=True)
    assert len(set(level)) == 2
    mean = recent_mean(table["bore"].to_numpy(), level)
    assert mean == pytest.approx(table["bore"].to_numpy())
    assert recent_mean(table["bore"].to_numpy(), 0 * level)[-1] == pytest.approx(0.307e-3)
    png = bore_figure(table, "UTC", nominal_bore=0.254e-3, limit=0.08, of_heads=True)
    assert png is not None


# -- its way


class Box:
    """What a mail server took, in order."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.recipients: list[list[str]] = []
        self.refuse: dict[str, str] = {}  # by a word of the subject: what is answered

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        for word, answer in self.refuse.items():
            if word in mail["Subject"]:
                return answer
        self.mails.append(mail)
        self.recipients.append(envelope.rcpt_tos)
        return "250 taken"


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@contextmanager
def mail_server(box: Box, port: int, **options) -> Iterator[None]:
    controller = Controller(box, hostname="127.0.0.1", port=port, **options)
    controller.start()
    try:
        yield
    finally:
        controller.stop()


def mail_settings(port: int, **changes) -> MailSettings:
    settings = MailSettings(
        "127.0.0.1", "bore@shop.example", ("lead@shop.example", "night@shop.example"),
        port=port, security="none", timeout=10.0,
    )  # fmt: skip
    return replace(settings, **changes)


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


def server_tls(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1", "localhost").configure_cert(context)
    return context


def authenticate(server, session, envelope, mechanism, data) -> AuthResult:
    right = data.login == b"bore" and data.password == PASSWORD.encode()
    return AuthResult(success=right, handled=False)  # the server answers, not we


async def test_plain() -> None:
    box, port = Box(), free_port()
    with mail_server(box, port):
        answers = await send(compose(ALARM, PUMP, "UTC"), mail_settings(port))
    assert answers == {"lead@shop.example": None, "night@shop.example": None}
    (mail,) = box.mails
    assert mail["From"] == "bore@shop.example"
    assert mail["To"] == "lead@shop.example, night@shop.example"
    assert box.recipients == [["lead@shop.example", "night@shop.example"]]
    assert "±" in parts(mail)["text/plain"].get_content()


@pytest.mark.filterwarnings("ignore:Requiring AUTH while not:UserWarning")
@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_encrypted_with_a_password(
    security: str, authority: trustme.CA, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG, "borewarden")
    ca_file = tmp_path / "ca.pem"
    authority.cert_pem.write_to_path(ca_file)
    box, port = Box(), free_port()
    tls = server_tls(authority)
    options = (
        {"tls_context": tls, "require_starttls": True, "auth_require_tls": True}
        if security == "starttls"
        else {"ssl_context": tls, "auth_require_tls": False}
    )
    good = mail_settings(
        port, security=security, ca_file=ca_file, user="bore", password=SecretStr(PASSWORD)
    )
    message = compose(ALARM, PUMP, "UTC")
    with mail_server(box, port, authenticator=authenticate, auth_required=True, **options):
        answers = await send(message, good)
        assert set(answers.values()) == {None}
        for wrong, words in (
            ({"password": SecretStr(PASSWORD + "x")}, "535"),
            ({"ca_file": None}, "(?i)certificate"),  # an authority that nobody knows
            ({"user": None, "password": None}, "530"),
        ):
            [no] = set((await send(message, replace(good, **wrong))).values())
            assert (no.about, no.is_final) == ("server", False)
            assert re.search(words, no.words)
            assert PASSWORD not in no.words
    assert len(box.mails) == 1
    assert PASSWORD not in caplog.text + repr(good)


async def test_a_server_without_starttls_is_not_written_to() -> None:
    box, port = Box(), free_port()
    with mail_server(box, port):
        answers = await send(compose(ALARM, PUMP, "UTC"), mail_settings(port, security="starttls"))
    assert all("STARTTLS" in no.words and no.about == "server" for no in answers.values())
    assert box.mails == []


def test_settings_that_reach_nobody_or_give_a_password_away_are_refused() -> None:
    with pytest.raises(ValueError, match="recipient"):
        mail_settings(25, recipients=())
    for wrong in ("lead", "lead@shop.example\nBcc: eve@example.org"):
        with pytest.raises(ValueError, match="not a mail address"):
            mail_settings(25, recipients=(wrong,))
    with pytest.raises(ValueError, match="starttls"):
        mail_settings(25, host="mail.shop.example", user="bore")
    assert mail_settings(25, host="localhost", user="bore").security == "none"

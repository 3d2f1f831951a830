"""Prove each configured connection, and say in plain words what is wrong with it.

A machine is listened to for some seconds by the very collector that the watch has. The time-series
server gets one marked row. The mail server is asked whether it would take a mail to each
recipient; none is sent.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import aiohttp
import aiosmtplib
import numpy as np

from borewarden.alert.delivery import MailSettings, connected
from borewarden.base.plain_errors import plain_reason
from borewarden.base.samples import Samples
from borewarden.base.shown import show_in
from borewarden.base.text import span_words
from borewarden.collect.broker import Broker
from borewarden.collect.link import LinkState
from borewarden.collect.live import Source
from borewarden.collect.modbus import ModbusSource
from borewarden.collect.mqtt import MqttSource
from borewarden.collect.opcua import OpcUaSource
from borewarden.collect.sparkplug import SparkplugSource
from borewarden.service.readings import ENOUGH_STROKES, Answer, judge
from borewarden.settings import MachineSettings
from borewarden.settings.service import ServiceSettings
from borewarden.store import influx
from borewarden.store.influx import InfluxSettings

PATIENCE = 15.0  # s for a first reading, or for an answer of a server
SPAN = 12.0  # s of readings, since a wrong clock takes 10 s to show; and
READINGS = 5  # of them, and more once a counter has begun to count; but
LONGEST = 30.0  # s of them
CLOCK_OFF = 60.0  # s; more would shift what the watch says to another minute
MARK = "reach"  # measurement of the marked row
PERMANENT = 500  # from here on, a mail server will say the same again (RFC 5321, 4.2.1)
READ_BACK = 15.0  # s that a server has to show a row that it took; VictoriaMetrics takes ten


class Reached(NamedTuple):
    """One thing that was tried: `part` of the machine or server `what`.

    `answer` is "yes" if it was proven, "NO" if the watch can't do its work like that, "no" if it
    can do without, and "not proven" if nothing speaks against it, but nothing shows it either.
    """

    what: str
    part: str
    answer: Answer
    words: str


async def reach_all(machines: list[MachineSettings], service: ServiceSettings) -> list[Reached]:
    """Try every machine, the time-series server and the mail server at once. Sends no mail."""
    tries = [reach_machine(machine) for machine in machines if machine.source is not None]
    if service.influx is not None:
        tries.append(reach_influx(service.influx_settings()))
    if service.mail is not None:
        tries.append(reach_mail(service.mail_settings()))
    return [reached for part in await asyncio.gather(*tries) for reached in part]


# -- machines


@dataclass
class _Heard:
    """What came of a machine: its rows with the times when they came, ns since 1970 UTC."""

    rows: list[Samples] = field(default_factory=list)
    came_ns: list[int] = field(default_factory=list)
    link: LinkState | None = None

    @property
    def is_enough(self) -> bool:
        seconds = (self.came_ns[-1] - self.came_ns[0]) * 1e-9 if self.came_ns else 0.0
        if seconds < SPAN or len(self.rows) < READINGS:
            return False
        counts = np.concatenate([row.stroke_count for row in self.rows])
        counts = counts[np.isfinite(counts)]
        return not (len(counts) and 0.0 < np.ptp(counts) < ENOUGH_STROKES)


async def reach_machine(machine: MachineSettings) -> list[Reached]:
    """Listen to the machine for some seconds; one answer for the connection and each channel."""
    show_in(machine.shown_units)  # of this task
    source = machine.live_source()
    assert source is not None
    patience = PATIENCE
    if isinstance(source, Broker):  # that long it may well be silent
        patience = max(patience, source.silence + source.timeout)
    heard = await _listen(machine, patience)
    link = heard.link
    if link is None or not link.connected:
        words = link.reason if link else _silence(source, patience)
        return _unseen(machine.name, words, link)
    notes = _notes(link)
    if not heard.rows:
        words = f"{notes}, but no reading within {patience:.0f} s"
        return _unseen(machine.name, words, link)
    rows = Samples._make(np.concatenate(column) for column in zip(*heard.rows, strict=True))
    channels = [
        Reached(machine.name, name.replace("_", " "), *finding)
        for name, finding in judge(machine, source, rows, link.channels).items()
    ]
    return [_connection(machine.name, source, notes, heard), *channels]


def _unseen(name: str, words: str, link: LinkState | None) -> list[Reached]:
    """That no reading came, and what is wrong with each channel where that is known."""
    channels = link.channels.items() if link else ()
    return [
        Reached(name, "connection", "NO", words),
        *(Reached(name, channel.replace("_", " "), "NO", why) for channel, why in channels),
    ]


def _silence(source: Source, patience: float) -> str:
    """That nothing came, not even a word of the collector's."""
    words = f"no answer within {patience:.0f} s"
    if isinstance(source, ModbusSource):
        words = f"no answer from unit {source.unit_id} at {source.name} within {patience:.0f} s"
    return plain_reason(TimeoutError(words))


async def _listen(machine: MachineSettings, patience: float) -> _Heard:
    """Take what the machine's collector yields until it is enough, or the link is down."""
    heard = _Heard()
    source = machine.open_source(aside=True)
    try:
        async with asyncio.timeout(patience) as limit:
            async for received in source:
                if isinstance(received, LinkState):
                    heard.link = received
                    # with channels, the broker is there, and what is missing may yet come
                    if not received.connected and not received.channels:
                        break
                    continue
                if not heard.rows:
                    limit.reschedule(asyncio.get_running_loop().time() + LONGEST)
                heard.rows.append(received)
                heard.came_ns.append(time.time_ns())
                if heard.is_enough:
                    break
    except TimeoutError:
        pass
    finally:
        await source.aclose()
    return heard


def _notes(link: LinkState) -> str:
    """What a link state says of the connection itself."""
    notes = link.reason
    for name, wrong in link.channels.items():
        notes = notes.replace(f"; {name}: {wrong}", "")
    return notes


def _connection(name: str, source: Source, notes: str, heard: _Heard) -> Reached:
    """How the readings came, and how their times agree with this computer's clock."""
    seconds = (heard.came_ns[-1] - heard.came_ns[0]) * 1e-9
    late = [
        (came_ns - int(row.time_ns[-1])) * 1e-9
        for came_ns, row in zip(heard.came_ns, heard.rows, strict=True)
    ]
    behind = float(np.median(late))
    words = f"{notes}; {len(heard.rows)} readings in {seconds:.0f} s"
    if abs(behind) > CLOCK_OFF:
        way = "behind" if behind > 0.0 else "ahead of"
        return Reached(
            name,
            "connection",
            "NO",
            f"{words}, whose times are {span_words(abs(behind))} {way} this computer's clock; "
            f"{_clock_advice(source)}",
        )
    return Reached(
        name,
        "connection",
        "yes",
        f"{words}, their times within {max(abs(behind), 0.1):.1f} s of this computer's clock",
    )


def _clock_advice(source: Source) -> str:
    """What to do where times are far off, by what the machine file says of them."""
    if isinstance(source, MqttSource) and source.time_path is not None:
        return (
            "set the clock that is wrong: this computer's, or that of the gateway; or take "
            f'time = "{source.time_path}" out of [source], and the time of arrival holds'
        )
    if isinstance(source, OpcUaSource | SparkplugSource):
        return (
            "set the clock that is wrong: this computer's, or that of the controller, which dates "
            "its values itself (a stand-in pump at a --speed above 1 dates them so, too)"
        )
    return "this computer's clock was set meanwhile: run this again"


# -- the time-series server


async def reach_influx(settings: InfluxSettings) -> list[Reached]:
    """Write one row of the measurement `MARK`, and ask for it."""
    mark = 10**9 + secrets.randbelow(9 * 10**9)
    line = f"{MARK},by=borewarden mark={mark}i {time.time_ns()}"
    try:
        async with influx.writing(replace(settings, timeout=PATIENCE)) as write:
            refused = await write([line.encode()])
    except ConnectionError as error:
        refused = str(error)
    if refused is not None:
        return [Reached("influx", "write", "NO", refused)]
    if await _gives_back(settings, str(mark)):
        words = f"{settings.url} took a row of the measurement {MARK!r} and gave it back"
        return [Reached("influx", "write", "yes", words)]
    words = (
        f"{settings.url} takes writes, but the row can't be read back; look there for the "
        f"measurement {MARK!r} with the mark {mark}, or give the token the right to read"
    )
    return [Reached("influx", "write", "not proven", words)]


async def _gives_back(settings: InfluxSettings, mark: str) -> bool:
    """Whether any of the ways to ask such a server shows `mark`, which no question has in it.

    InfluxDB 2 is asked by Flux, InfluxDB 1 by InfluxQL, and VictoriaMetrics by its export.
    """
    flux = (
        f'from(bucket: "{settings.bucket}") |> range(start: -1h) '
        f'|> filter(fn: (r) => r._measurement == "{MARK}")'
    )
    select = f'SELECT "mark" FROM "{MARK}" WHERE time > now() - 1h'
    url = settings.url.rstrip("/")
    asking = (
        ("POST", f"{url}/api/v2/query", {"org": settings.org}, {"query": flux}),
        ("GET", f"{url}/query", influx.database(settings) | {"q": select}, None),
        ("GET", f"{url}/api/v1/export", {"match[]": f"{MARK}_mark", "start": "-1h"}, None),
    )
    headers = influx.authorization(settings)
    timeout = aiohttp.ClientTimeout(total=PATIENCE)
    deadline = time.monotonic() + READ_BACK
    try:
        async with aiohttp.ClientSession(headers=headers, timeout=timeout) as session:
            while True:
                for method, address, query, body in asking:
                    async with session.request(method, address, params=query, json=body) as answer:
                        if answer.ok and mark in await answer.text():
                            return True
                if time.monotonic() > deadline:
                    return False
                await asyncio.sleep(1.0)
    except (aiohttp.ClientError, TimeoutError, UnicodeDecodeError):
        return False


# -- the mail server


async def reach_mail(settings: MailSettings) -> list[Reached]:
    """Ask the mail server whether it would take a mail to each recipient; none is sent."""
    place = f"{settings.host}:{settings.port}"
    reached: list[Reached] = []
    try:
        async with _asking(settings) as server:
            login = f", and accepts the user {settings.user!r}" if settings.user else ""
            words = f"{place} takes mails of {settings.sender}{login}"
            reached.append(Reached("mail", "connection", "yes", words))
            for recipient in settings.recipients:
                reached.append(await _would_take(server, recipient))
            await server.rset()
    except (aiosmtplib.SMTPException, OSError, ValueError) as error:
        part = "session" if reached else "connection"
        return [*reached, Reached("mail", part, "NO", f"{place}: {plain_reason(error)}")]
    return reached


@asynccontextmanager
async def _asking(settings: MailSettings) -> AsyncIterator[aiosmtplib.SMTP]:
    """The mail server, logged in and told of a mail of the sender."""
    async with connected(replace(settings, timeout=PATIENCE)) as server:
        if (settings.sender + "".join(settings.recipients)).isascii():
            await server.mail(settings.sender)
        else:
            await server.mail(settings.sender, options=["SMTPUTF8"], encoding="utf-8")
        yield server


async def _would_take(server: aiosmtplib.SMTP, recipient: str) -> Reached:
    try:
        await server.rcpt(recipient, encoding="utf-8")
    except aiosmtplib.SMTPRecipientRefused as error:
        later = error.code < PERMANENT
        return Reached("mail", recipient, "not proven" if later else "NO", plain_reason(error))
    return Reached("mail", recipient, "yes", "would get mail; nothing was sent")

"""Try each configured connection once, and say in plain words what is wrong with it."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import NamedTuple

import aiosmtplib
from influxdb_client.client.influxdb_client_async import InfluxDBClientAsync

from borewarden.alert.delivery import MailSettings, connected
from borewarden.base.samples import Samples
from borewarden.collect.link import LinkState, plain_reason
from borewarden.settings import MachineSettings
from borewarden.settings.service import ServiceSettings
from borewarden.store.influx import InfluxSettings

PATIENCE = 15.0  # s


class Reached(NamedTuple):
    """How one connection answered."""

    what: str
    works: bool
    words: str


async def reach_all(machines: list[MachineSettings], service: ServiceSettings) -> list[Reached]:
    """Try every machine, the time-series server and the mail server at once. Sends no mail."""
    tries = [reach_machine(machine) for machine in machines]
    if service.influx is not None:
        tries.append(reach_influx(service.influx_settings()))
    if service.mail is not None:
        tries.append(reach_mail(service.mail_settings()))
    return list(await asyncio.gather(*tries))


async def reach_machine(machine: MachineSettings) -> Reached:
    """Connect, and wait for a first row of samples."""
    words = f"no sample within {PATIENCE:.0f} s"
    source = machine.open_source()
    try:
        async with asyncio.timeout(PATIENCE):
            async for received in source:
                match received:
                    case LinkState(connected=False, reason=reason):
                        return Reached(machine.name, False, reason)
                    case LinkState(reason=reason):
                        words = f"{reason}, but {words}"
                    case Samples():
                        return Reached(machine.name, True, seen(received))
    except TimeoutError:
        pass
    finally:
        await source.aclose()
    return Reached(machine.name, False, words)


def seen(samples: Samples) -> str:
    """The newest value of each channel, in the units people read."""
    words = []
    for name, channel in zip(samples._fields[1:], samples[1:], strict=True):
        value = float(channel[-1])
        if value == value:
            words.append(_in_words(name, value))
    return ", ".join(words) or "all channels are bad"


def _in_words(name: str, value: float) -> str:
    words = "water temperature" if name == "temperature" else name.replace("_", " ")
    if name == "boost_pressure":
        return f"{words} {value / 1e5:.1f} bar"
    if name.endswith("pressure"):
        return f"{words} {value / 1e6:.1f} MPa"
    if name.endswith("temperature"):
        return f"{words} {value - 273.15:.1f} °C"
    if name in ("rate", "motor_speed"):
        return f"{words} {value * 60.0:.1f} /min"
    if name == "motor_torque":
        return f"{words} {value:.0%}"
    if name.endswith("stroke_time"):
        return f"{words} {value:.2f} s"
    return f"{words} {value:.0f}"


async def reach_influx(settings: InfluxSettings) -> Reached:
    """Ask the time-series server whether it is up; nothing is written."""
    try:
        async with InfluxDBClientAsync(
            settings.url, token=settings.token.get_secret_value(), org=settings.org, timeout=10_000
        ) as client:
            answers = await client.ping()
    except Exception as error:
        # whatever the client library makes of it, this is to be said and not to be raised
        return Reached("influx", False, plain_reason(error))
    words = f"{settings.url} answers" if answers else f"{settings.url} does not answer"
    return Reached("influx", bool(answers), words)


async def reach_mail(settings: MailSettings) -> Reached:
    """Connect to the mail server and log in; nothing is sent."""
    try:
        async with connected(replace(settings, timeout=PATIENCE)) as server:
            await server.noop()
    except (aiosmtplib.SMTPException, OSError) as error:
        return Reached("mail", False, plain_reason(error))
    return Reached("mail", True, f"{settings.host}:{settings.port} takes mail")

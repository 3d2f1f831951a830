"""Tells each machine's verdict to an MQTT broker, for a shop's own screens; off by default.

| topic                   | payload, retained, QoS 1                                               |
| ----------------------- | ---------------------------------------------------------------------- |
| TOPIC/status            | `online`; `offline` once the watcher stopped or is gone (last will)    |
| TOPIC/machine/NAME      | one JSON object, `verdict_object`, whenever it changes                 |

A `/`, `+` or `#` in a name is `_` in its topic. Nothing is ever read from the broker.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiomqtt
from pydantic import SecretStr

from borewarden.base.backoff import back_off
from borewarden.base.plain import json_text
from borewarden.base.plain_errors import plain_reason
from borewarden.service.machine_view import headline_now
from borewarden.service.status import MachineStatus
from borewarden.store.names import code_of
from borewarden.watcher.verdict import State

LOOK = 5.0  # s between two looks at what has changed
GOODBYE = 2.0  # s for the broker to take the last word


@dataclass(frozen=True)
class PublishSettings:
    """The broker, and the topic that all of ours begin with."""

    host: str
    port: int = 1883
    topic: str = "borewarden"
    user: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    ca_file: Path | None = None


def verdict_object(status: MachineStatus) -> dict[str, Any]:
    """What is published of a machine: SI, times ns since 1970 UTC, null where not known."""
    verdict = status.verdict
    return {
        "machine": status.name,
        "state": verdict.state.value,
        "verdict_code": code_of(verdict.state),
        "ne107": _ne107(status),
        "headline": headline_now(status),
        "reason": verdict.reason,
        "is_seen": status.is_seen,
        "alarm": status.alarm,
        "opened_probability": verdict.probability,
        "effective_bore_meters": verdict.bore,
        "effective_area_ratio": verdict.area_ratio,
        "onset_ns": verdict.onset_ns,
        "verdict_time_ns": verdict.time_ns,
    }


def _ne107(status: MachineStatus) -> str:
    """The category; never "good" where that is not one of now."""
    ne107 = status.verdict.state.ne107
    unproven = status.verdict.state is State.SOUND and not status.is_proven
    return State.CANNOT_TELL.ne107 if unproven or not status.is_seen else ne107


def machine_topic(settings: PublishSettings, machine: str) -> str:
    """The topic of a machine; what MQTT gives another meaning is replaced."""
    name = machine.translate(str.maketrans("/+#", "___"))
    return f"{settings.topic}/machine/{name}"


async def publish(
    statuses: Mapping[str, MachineStatus],
    settings: PublishSettings,
    report: Callable[[str | None], None] = lambda reason: None,
    look: float = LOOK,
) -> None:
    """Publish for ever; cancel it to stop. `report` hears why a broker can't be had, or None."""
    failures = 0

    def told(reason: str | None) -> None:
        nonlocal failures
        failures = 0 if reason is None else failures + 1
        report(reason)

    while True:
        try:
            await _while_connected(statuses, settings, told, look)
        except (aiomqtt.MqttError, OSError) as error:
            task = asyncio.current_task()
            if task is not None and task.cancelling():  # the end came while the broker was gone
                raise asyncio.CancelledError from error
            told(plain_reason(error) if isinstance(error, OSError) else str(error))
            await asyncio.sleep(back_off(failures, 1.0, 60.0))


async def _while_connected(
    statuses: Mapping[str, MachineStatus],
    settings: PublishSettings,
    report: Callable[[str | None], None],
    look: float,
) -> None:
    standing = f"{settings.topic}/status"
    password = settings.password.get_secret_value() if settings.password else None
    async with aiomqtt.Client(
        settings.host,
        settings.port,
        username=settings.user,
        password=password,
        will=aiomqtt.Will(standing, "offline", qos=1, retain=True),
        tls_context=ssl.create_default_context(cafile=settings.ca_file) if settings.tls else None,
    ) as client:
        await client.publish(standing, "online", qos=1, retain=True)
        report(None)
        told: dict[str, str] = {}
        try:
            while True:
                for name, status in statuses.items():
                    text = json_text(verdict_object(status))
                    if told.get(name) != text:
                        topic = machine_topic(settings, name)
                        await client.publish(topic, text, qos=1, retain=True)
                        told[name] = text
                await asyncio.sleep(look)
        except asyncio.CancelledError:
            with suppress(aiomqtt.MqttError):  # gone already: then the will has said so
                await client.publish(standing, "offline", qos=1, retain=True, timeout=GOODBYE)
            raise
